// What a change did, in plain words, with the way back beside it.

import { control, h, put } from "./dom.js";
import { barName, capital, placeText, plural, printed, tempoWords } from "./music.js";

const DONE = {
  alternative: "Taken over; pins stay.",
  unpin: "Unpinned.",
  delete: "Deleted.",
  add: "Added.",
  change: "Changed.",
  merge: "Merged.",
  split: "Split.",
};
const COUNTED = {
  "half-time": "Counted in half time",
  "double-time": "Counted in double time",
  retime: "The bars were found again",
};

/** A note by its pitch and its place in the riff. */
export function noteName(riff, note) {
  return `${riff.pitch(note)} ${riff.bars.there ? `in ${barName(riff.bars.place(note).bar)}` : `at ${note.onset_sec.toFixed(1)} s`}`;
}

/**
 * The parts of a remark: its text, and each note that it names under the note's own name, as a way
 * to it. `self` is a note that is called "it".
 * @param {any} riff @param {(string|{note: number, text: string})[]} parts
 */
export function named(riff, parts, { self = null } = {}) {
  return parts.map((part, k) => {
    if (typeof part === "string") return printed(part);
    const note = riff.note(part.note);
    if (!note) return printed(part.text);
    if (note.id === self) return k ? "it" : "It";
    const goThere = () => riff.goTo(note.id);
    return control({ class: "link", onclick: goThere }, noteName(riff, note));
  });
}

/** The same as plain text. */
export function plainly(riff, parts) {
  return parts
    .map((part) => {
      if (typeof part === "string") return printed(part);
      const note = riff.note(part.note);
      return note ? noteName(riff, note) : printed(part.text);
    })
    .join("");
}

function opening(riff, edit, step) {
  if (edit.op === "pin") {
    const note = riff.note(edit.note);
    return (
      `Pinned ${riff.pitch(note)} to ${placeText(edit.string, edit.fret)}` +
      (edit.also?.length ? `, and ${plural(edit.also.length, "repeat")} of it.` : ".")
    );
  }
  if (edit.op === "confirm") return `${plural(edit.notes.length, "note")} kept as played.`;
  if (edit.op === "several") {
    const notes = plural(edit.notes.length, "note");
    if (edit.articulation) return `${notes}: ${edit.articulation}.`;
    return edit.position
      ? `Pinned ${notes} within reach of position ${edit.position}.`
      : `Pinned ${notes} to string ${edit.string}.`;
  }
  if (edit.op === "undo" && step?.facts.what === "rhythm") return "The bars are counted as before.";
  const words = step ? `: ${plainly(riff, step.parts)}` : "";
  if (edit.op === "undo") return `Taken back${words}.`;
  if (edit.op === "redo") return `Made again${words}.`;
  if (COUNTED[edit.op]) {
    const { rhythm } = riff.data.document;
    return `${COUNTED[edit.op]}: ${tempoWords(rhythm.bpm, rhythm.meter)}.`;
  }
  return DONE[edit.op] || "Changed.";
}

/** Tell of a change under the tab: what was done, what moved, what lost its string, the way back. */
export function tellChange(riff, edit, data, before, undone = null) {
  const about = new Set([edit.note, ...(edit.also || []), ...(edit.notes || [])]);
  const made = riff.notes.filter((note) => !before.has(note.id));
  const said = [opening(riff, edit, undone)];
  if (edit.op === "add" && made.length) {
    const [note] = made;
    said[0] =
      note.string === null
        ? `Added ${noteName(riff, note)}, but no string is free for it there.`
        : `Added ${noteName(riff, note)}, on ${placeText(note.string, note.fret)}.`;
  }
  const lost = data.moved.filter((move) => move.to[0] === null);
  const moves = data.moved.filter(
    (move) =>
      move.to[0] !== null && !(["pin", "several"].includes(edit.op) && about.has(move.note)),
  );
  // What an undo moves includes the note that it is about, so "other" would miscount.
  const word =
    ["undo", "redo", "confirm"].includes(edit.op) || COUNTED[edit.op] ? "note" : "other note";
  if (!COUNTED[edit.op] || moves.length)
    said.push(
      moves.length
        ? `${plural(moves.length, word)} moved.`
        : lost.length
          ? ""
          : `No ${word} moved.`,
    );
  const way = (move, tail) => {
    const note = riff.note(move.note);
    return h(
      "li",
      {},
      control({ class: "link", onclick: () => riff.goTo(move.note) }, noteName(riff, note)),
      tail,
    );
  };
  const list = moves
    .slice(0, 12)
    .map((move) => way(move, `: ${placeText(...move.from)} → ${placeText(...move.to)}`));
  if (moves.length > 12) list.push(h("li", {}, `and ${moves.length - 12} more`));
  const isBack = edit.op === "undo";
  const step = isBack ? data.redo : data.undo;
  put(
    riff.lastChange,
    h(
      "div",
      { class: "row told" },
      h("p", {}, said.filter(Boolean).join(" ")),
      step
        ? control(
            { onclick: () => riff.edit({ op: isBack ? "redo" : "undo" }) },
            isBack ? "Make it again" : "Take it back",
          )
        : null,
    ),
    lost.length
      ? h(
          "div",
          { class: "lost" },
          h(
            "p",
            {},
            h(
              "strong",
              {},
              `${plural(lost.length, "note")} lost ${lost.length === 1 ? "its" : "their"} string: `,
            ),
            "no place is left that a hand can reach together with the rest. Take the change back, or choose the note and give it a place.",
          ),
          h(
            "ul",
            {},
            lost.slice(0, 12).map((move) => way(move, `: was on ${placeText(...move.from)}`)),
          ),
        )
      : null,
    // Folded, so that the neck does not jump away under the hand that corrects.
    moves.length ? h("details", {}, h("summary", {}, "Which"), h("ul", {}, list)) : null,
  );
  goOn(riff, edit, before, made);
}

/** Choose the note that one would look at next. */
function goOn(riff, edit, before, made) {
  const gone = [...before.keys()].some((id) => !riff.note(id));
  if (made.length && (edit.op === "add" || edit.op === "split"))
    riff.choose(made[0].id, false, true);
  else if (gone && edit.op === "delete" && edit.after && riff.note(edit.after))
    riff.choose(edit.after, false, true);
  else if (edit.op === "merge")
    riff.choose(
      edit.notes.find((id) => riff.note(id)),
      false,
      true,
    );
}

/** The parts of a remark as the beginning of a sentence. */
function begun([first, ...rest]) {
  return [typeof first === "string" ? capital(first) : first, ...rest];
}

/** Tell why a change was not made; where another place was named, offer it. */
export function tellRefusal(riff, edit, error) {
  const remark = error.body?.remark;
  const place = edit.op === "pin" ? remark?.facts.nearest : null;
  // Beside the field that it is about.
  const into = edit.op === "retime" && riff.tempo.form ? riff.tempo.trouble : riff.lastChange;
  put(
    into,
    h(
      "div",
      { class: "notice error", role: "alert" },
      h(
        "p",
        {},
        h("strong", {}, "Nothing was changed. "),
        named(riff, begun(remark ? remark.parts : [error.message])),
        /[.!?]$/.test(error.message) ? "" : ".",
      ),
      h(
        "div",
        { class: "row" },
        place
          ? control(
              {
                onclick: () =>
                  riff.edit({ op: "pin", note: edit.note, string: place[0], fret: place[1] }),
              },
              `Pin it to ${placeText(...place)}`,
            )
          : null,
        control({ class: "plain", onclick: () => put(into) }, "Close"),
      ),
    ),
  );
  const box = into.getBoundingClientRect();
  if (box.top < 0 || box.bottom > window.innerHeight) into.scrollIntoView({ block: "center" });
}
