// Work in progress: stages, how far it is, and a way to stop it.

import { remove, upload, wait } from "./api.js";
import { h, say } from "./dom.js";

const STAGES = {
  waiting: "Waiting for its turn",
  uploading: "Sending",
  reading: "Reading the recording",
  tuning: "Measuring the tuning",
  notes: "Finding the notes",
  rhythm: "Finding the beat",
  fingering: "Finding the fingering",
  theory: "Finding mode and chords",
  drawing: "Drawing the picture",
  comparing: "Comparing",
  compare: "Comparing",
  sound: "Playing the strings",
  writing: "Writing",
  saving: "Saving",
};

export function stageText(stage) {
  return STAGES[stage] || stage.charAt(0).toUpperCase() + stage.slice(1);
}

/** One line of work: a name, a stage, a bar, a button to cancel it. */
export class Work {
  constructor(label) {
    this.stage = h("span", { class: "stage" }, "Sending");
    this.bar = h("progress", { max: "1", "aria-label": `Progress of ${label}` });
    this.stop = h("button", { type: "button" }, "Cancel");
    this.element = h("li", { class: "work" },
      h("span", { class: "work-name" }, label), this.stage, this.bar, this.stop);
    this.lastSaid = "";
  }

  tell(job) {
    const text = stageText(job.stage);
    this.stage.textContent = text;
    if (job.share > 0) this.bar.value = job.share;
    else this.bar.removeAttribute("value");
    if (text !== this.lastSaid) { this.lastSaid = text; say(text); }
  }

  /** Follow a job that runs already. */
  async follow(jobId) {
    this.stop.onclick = () => remove(`/api/jobs/${jobId}`).catch(() => {});
    try {
      return await wait(jobId, (job) => this.tell(job));
    } finally {
      this.element.remove();
    }
  }

  /** Send a file and follow what becomes of it. */
  async send(file, name, options) {
    const abort = new AbortController();
    this.stop.onclick = () => abort.abort();
    let started;
    try {
      started = await upload(file, name, { ...options, signal: abort.signal });
    } catch (error) {
      this.element.remove();
      if (error.name === "AbortError") error.status = 499;
      throw error;
    }
    return this.follow(started.job);
  }
}
