// The form of the tempo row: what the ear knows better than the machine.

import { control, h, notice } from "./dom.js";
import { countedBeats } from "./music.js";

/** Open the form of a `TempoRow` under its `button`, or close it. */
export function toggleForm(row, button) {
  if (row.form) {
    row.form.remove();
    row.form = null;
    button.setAttribute("aria-expanded", "false");
    return;
  }
  const { riff } = row;
  const { rhythm } = riff.data.document;
  const bpm = h("input", {
    type: "number",
    min: "20",
    max: "600",
    step: "0.1",
    value: rhythm ? String(Math.round((10 * rhythm.bpm) / countedBeats(rhythm.meter)) / 10) : "",
  });
  const meter = h("input", {
    type: "text",
    size: "5",
    maxlength: "5",
    value: rhythm ? rhythm.meter.join("/") : "4/4",
  });
  const apply = (more = {}) => {
    /** @type {{op: string, bpm?: number, meter?: string}} */
    const edit = { op: "retime", ...more };
    if (bpm.value) edit.bpm = Number(bpm.value);
    if (meter.value.trim()) edit.meter = meter.value.trim();
    row.make(button, edit);
  };
  row.trouble = h("div", { class: "trouble" });
  row.form = h(
    "div",
    { class: "row tempo-form" },
    h("label", { class: "field inline" }, h("span", {}, "Beats a minute"), bpm),
    h("label", { class: "field inline" }, h("span", {}, "Meter"), meter),
    control({ class: "main", onclick: () => apply() }, "Find the bars again"),
    control(
      {
        onclick: () => {
          const note = riff.note(riff.chosen[riff.chosen.length - 1]);
          if (!note) {
            notice(
              "Choose the note on the first beat of bar 1 in the tab, then press this again.",
              { key: "tempo" },
            );
            return;
          }
          apply({ first_beat_sec: note.onset_sec });
        },
      },
      "Bar 1 begins at the chosen note",
    ),
    row.trouble,
  );
  row.element.append(row.form);
  button.setAttribute("aria-expanded", "true");
  bpm.focus();
}
