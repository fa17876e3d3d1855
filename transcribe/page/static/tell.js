// What a document says to the one who reads it: remarks, what decides the mode.

import { clearNotices, control, h, notice } from "./dom.js";
import { plural } from "./music.js";
import { named, noteName } from "./told.js";

/** The notes that the tab cannot show on a string, each a step away from being given one. */
function placeless(riff) {
  const lost = riff.notes.filter((note) => note.string === null || note.string === undefined);
  if (!lost.length) return null;
  const links = lost
    .slice(0, 12)
    .map((note, k) => [
      k ? ", " : "",
      control({ class: "link", onclick: () => riff.goTo(note.id) }, noteName(riff, note)),
    ]);
  return h(
    "p",
    { class: "remark" },
    h("strong", {}, "No string yet, a ? in the tab: "),
    links,
    lost.length > 12 ? `, and ${lost.length - 12} more` : "",
    ".",
  );
}

/** Places that a file brought along are told of, with one step to another fingering. */
function asWritten(riff) {
  if (!riff.data.written) return null;
  return h(
    "p",
    { class: "remark" },
    `${plural(riff.data.written, "note")} ${riff.data.written === 1 ? "lies" : "lie"} where the file has ${riff.data.written === 1 ? "it" : "them"}. `,
    control({ onclick: () => riff.edit({ op: "anew" }) }, "Finger it anew"),
  );
}

const EASY = 2; // of the solver's costs: up to here a place is as good as the easiest (by eye)

// What a place asks for more than the easiest one does, by the cost that says so.
const ASKS = {
  "silences the drone": ["drone_off", "melody_on_drone"],
  "away from the drone": ["melody_far", "melody_above"],
  "a reach": ["stretch", "over_span", "squeeze"],
  "the hand moves": ["shift", "shift_any", "shift_far", "shift_fast", "shift_held"],
  "the hand jumps": ["voice_far", "shift_guided", "box_moves", "off_position"],
  "changes strings": ["melody_moves", "melody_off", "cross", "skip_strings", "step_same_string"],
  "a barre": ["barre", "barre_width"],
  "cuts a note off": ["cut", "ring_off", "ring_step"],
  "breaks the slur": ["legato"],
  "unlike its repeat": ["repeat_off"],
  "away from the pin": ["off_pin"],
  "far up": ["fret", "fret_body", "thick", "position", "fret_in_line"],
};

/** What a cost asks of the hand, in a word or three; empty where there is no word for it. */
export function asked(name) {
  return Object.keys(ASKS).find((words) => ASKS[words].includes(name)) || "";
}

/** What a place asks of the hand. */
export function ease({ cost, more, because }) {
  if (cost === null) return "out of reach";
  if (more < 0.05) return "easiest";
  if (more < EASY) return "easy";
  return asked(because[0]) || "harder";
}

/** Where the hand lies, how far it reaches, and how far it moves. */
export function handText(hand, index, isHere) {
  const mm = (length) => `${Math.round(length)} mm`;
  if (!index) return "Only open strings sound: the hand is free.";
  const frets = hand.fret_mm;
  let last = index;
  while (last + 1 < frets.length && frets[last + 1] - frets[index] <= hand.span_mm) last += 1;
  const moves = [
    hand.from_mm > 0 ? `it comes ${mm(hand.from_mm)} from the note before` : "",
    hand.to_mm > 0 ? `it goes ${mm(hand.to_mm)} to the next` : "",
  ].filter((words) => words && isHere);
  const open = isHere && hand.apart_mm ? ` The fingers are ${mm(hand.apart_mm)} apart.` : "";
  const moved = moves.length ? `; ${moves.join(" and ")}` : "";
  return `The index finger lies at fret ${index}; the hand reaches ${mm(hand.span_mm)}, to fret ${last}, without strain${moved}.${open}`;
}

/** Pitch class → degree of the notes that decided the mode. */
export function decidingClasses(mode) {
  const found = new Map();
  const steps = { C: 0, D: 2, E: 4, F: 5, G: 7, A: 9, B: 11 };
  for (const text of mode?.deciding || []) {
    const match = /^([A-G])([#b♯♭]*)/.exec(text);
    if (!match) continue;
    let pc = steps[match[1]];
    for (const sign of match[2]) pc += sign === "#" || sign === "♯" ? 1 : -1;
    pc = (pc + 12) % 12;
    const degree = (mode.degrees || []).find((d) => d.note === match[1] + match[2]);
    found.set(pc, degree ? degree.degree : match[1] + match[2]);
  }
  return found;
}

/** What has to be said of the riff: the gravest first, the others behind it if they are many. */
export function remarks(riff, open = false) {
  const told = riff.data.remarks;
  const line = (head, remark) =>
    h("p", { class: "remark" }, h("strong", {}, head), named(riff, remark.parts));
  const lines = [
    ...told.unmet.map((remark) => line("Not met: ", remark)),
    placeless(riff),
    asWritten(riff),
    ...told.warnings.map((remark) => line("Note: ", remark)),
    ...told.cautions.map((remark) => line("Take care: ", remark)),
  ].filter(Boolean);
  if (lines.length < 3) return lines;
  return [
    lines[0],
    h(
      "details",
      { class: "remark", open },
      h("summary", {}, `${plural(lines.length - 1, "more remark")}`),
      lines.slice(1),
    ),
  ];
}

/** What an answer that did not come says of the riff: a few words, and the way on. */
function whatIsLost(error, what) {
  if (error.status === 0)
    return [
      "Server gone",
      "The server of this page does not answer, so nothing can be changed or saved. Start handspan page again on the same port; this window finds it by itself.",
    ];
  if (error.status === 403)
    return [
      "Key lost",
      "The server was started anew and has another key. Open the file that it named, in any window of this browser; this one then goes on by itself.",
    ];
  if (error.status === 404)
    return [
      "File gone",
      `The file of this ${what} is not in the folder any more: it was removed or renamed. Put it back and this window goes on, or go to the list.`,
    ];
  return ["Not readable", `The file of this ${what} cannot be read now: ${error.message}`];
}

/**
 * Say in a view that the server, its key or the file of what it shows is gone; with no error it is there
 * again, and `back` says so.
 */
export function tellLost(view, error, back) {
  const was = view.lost;
  const [short, long] = error ? whatIsLost(error, view.what) : [null];
  view.lost = short;
  if (view.left || view.lost === was) return;
  clearNotices("lost");
  if (error) {
    view.saved.textContent = short;
    notice(long, { kind: "grave", key: "lost" });
  } else back();
  view.saved.classList.toggle("lost", Boolean(error));
}

/** Words with the names of keys in them, each in [brackets]. */
function keyed(words) {
  return words.split(/[[\]]/).map((part, k) => (k % 2 ? h("kbd", {}, part) : part));
}

/** The keys of the tab, and what its marks mean. */
export function keysHelp() {
  return h(
    "details",
    { class: "keys" },
    h("summary", {}, "Keys and marks"),
    h(
      "p",
      { class: "hint", id: "tab-keys" },
      keyed(
        "In the tab: [←] [→] choose a note, [↑] [↓] among notes struck together, [Shift] chooses several, [Enter] goes to its places on the neck, [Delete] removes it, [Space] plays, [R] records you along with the tab, and ends it, [T] switches between the compared take and the riff. A heavy string rings on as a drone. An underlined figure is pinned; ",
      ),
      h("span", { class: "was-key" }, "a struck-out one"),
      " shows where a note was before the last change; a lighter one with a ? was heard with doubt. A △ marks a note that decides the mode. Drag to choose a stretch to loop.",
    ),
  );
}
