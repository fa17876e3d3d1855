// The tempo and the bars: half and double time in one step, or what the ear knows better.

import { control, h, notice, put } from "./dom.js";
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
        onclick: () => this.open(other),
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

  open(button) {
    if (this.form) {
      this.form.remove();
      this.form = null;
      button.setAttribute("aria-expanded", "false");
      return;
    }
    const { riff } = this;
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
      this.make(button, edit);
    };
    this.trouble = h("div", { class: "trouble" });
    this.form = h(
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
      this.trouble,
    );
    this.element.append(this.form);
    button.setAttribute("aria-expanded", "true");
    bpm.focus();
  }
}
