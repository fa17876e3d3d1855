// The tempo and the bars: half and double time in one step, or what the ear knows better.

import { control, h, put } from "./dom.js";
import { countedBeats, tempoWords } from "./music.js";

export class TempoRow {
  constructor(riff) {
    this.riff = riff;
    this.element = h("div", { class: "row tempo", role: "group", "aria-label": "Tempo and bars" });
  }

  refresh() {
    const { rhythm } = this.riff.data.document;
    this.element.hidden = !this.riff.notes.length;
    // A form that is being filled in stays as it is.
    if (this.form && this.element.contains(this.form)) this.form.remove();
    this.form = null;
    const bpm = rhythm ? rhythm.bpm / countedBeats(rhythm.meter) : null;
    const other = control(
      {
        title: "Set the tempo, the meter and where bar 1 begins",
        "aria-expanded": "false",
        onclick: async () => (await import("./tempoform.js")).toggleForm(this, other),
      },
      rhythm ? "Bars…" : "Set the tempo and the bars…",
    );
    put(
      this.element,
      rhythm
        ? [
            h("span", {}, tempoWords(rhythm.bpm, rhythm.meter)),
            this.step(
              "half-time",
              "Half time",
              bpm / 2,
              "The beat is felt half as fast; every note is written half as long, and two bars become one.",
            ),
            this.step(
              "double-time",
              "Double time",
              bpm * 2,
              "The beat is felt twice as fast; every note is written twice as long, and one bar becomes two.",
            ),
          ]
        : h("span", {}, "No beat was found"),
      other,
    );
  }

  step(op, word, bpm, hint) {
    return control(
      { title: hint, onclick: (event) => this.make(event.target, { op }) },
      `${word} (${Math.round(bpm)})`,
    );
  }

  async make(button, edit) {
    const all = [...this.element.querySelectorAll("button")];
    for (const each of all) each.disabled = true;
    const done = await this.riff.edit(edit);
    for (const each of all) each.disabled = false;
    if (!done) return;
    // The row was drawn anew: whoever works by keyboard stays on it.
    if (document.activeElement === document.body) this.element.querySelector("button")?.focus();
  }
}
