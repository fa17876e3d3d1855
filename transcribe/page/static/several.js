// What can be done to several chosen notes at once.

import { h } from "./dom.js";
import { TECHNIQUES } from "./music.js";

/** The controls for the chosen `notes` in their `panel`. */
export function severalTools(panel, notes) {
  const { riff } = panel;
  const ids = notes.map((note) => note.id);
  const edit = (change) => riff.edit({ op: "several", notes: ids, ...change });
  const strings = riff.data.document.instrument.open_midi.map((_, k) => String(k + 1));
  const onsets = notes.map((note) => note.onset_sec);
  const ends = notes.map((note) => note.offset_sec);
  return [
    h(
      "div",
      { class: "row" },
      choice("Technique", TECHNIQUES, (articulation) => edit({ articulation })),
      choice("String", strings, (string) => edit({ string: Number(string) })),
      inPosition(panel, notes, edit),
    ),
    h(
      "div",
      { class: "row" },
      panel.keep(ids),
      panel.button("Merge into one", () => riff.edit({ op: "merge", notes: ids })),
      panel.button("Delete them", () => riff.deleteChosen()),
      panel.button("Loop them", () => riff.setLoop([Math.min(...onsets), Math.max(...ends)])),
    ),
  ];
}

/** A choice that is made for all of them. */
function choice(label, values, change) {
  const select = h(
    "select",
    { onchange: () => select.value && change(select.value) },
    h("option", { value: "" }, "…"),
    values.map((value) => h("option", { value }, value)),
  );
  return h("label", { class: "field inline" }, h("span", {}, label), select);
}

/** The hand position for them, named by the fret of the index finger. */
function inPosition(panel, notes, edit) {
  const { instrument } = panel.riff.data.document;
  const frets = notes.map((note) => note.fret).filter((fret) => fret > 0);
  // The panel is drawn anew after each change; what is typed meanwhile for the same notes stays.
  const chosen = notes.map((note) => note.id).join();
  const typed = panel.typed?.chosen === chosen ? panel.typed.position : null;
  const fret = h("input", {
    type: "number",
    min: "1",
    max: String(instrument.frets - instrument.capo),
    value: typed ?? String(frets.length ? Math.min(...frets) : 1),
    oninput: () => (panel.typed = { chosen, position: fret.value }),
  });
  return h(
    "span",
    { class: "row tight" },
    h(
      "label",
      { class: "field inline", title: "The fret of the index finger" },
      h("span", {}, "Position"),
      fret,
    ),
    panel.button("Play them there", () => edit({ position: Number(fret.value) })),
  );
}
