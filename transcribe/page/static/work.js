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
  "finding the parts": "Finding the parts",
  "sound of the parts": "Playing the strings",
};

// Where each stage of reading a take begins and ends in the whole of it, by about how long it takes.
const WHOLE = {
  reading: [0, 0.05],
  tuning: [0.05, 0.1],
  notes: [0.1, 0.6],
  rhythm: [0.6, 0.75],
  fingering: [0.75, 0.88],
  theory: [0.88, 0.93],
  drawing: [0.93, 0.98],
  comparing: [0.93, 0.98],
  compare: [0.93, 0.98],
  saving: [0.98, 1],
};

// Splitting a lesson, in the same way.
const SPLIT = {
  reading: [0, 0.05],
  tuning: [0.05, 0.1],
  notes: [0.1, 0.55],
  rhythm: [0.55, 0.6],
  "finding the parts": [0.6, 0.85],
  fingering: [0.85, 0.98],
  saving: [0.98, 1],
};

const WHOLES = { read: WHOLE, compare: WHOLE, split: SPLIT };

export function stageText(stage) {
  return STAGES[stage] || stage.charAt(0).toUpperCase() + stage.slice(1);
}

/** One line of work: a name, a stage, a bar, a button to cancel it. */
export class Work {
  constructor(label) {
    this.stage = h("span", { class: "stage" }, "Sending");
    this.bar = h("progress", { max: "1", value: 0, "aria-label": `Progress of ${label}` });
    this.stop = h("button", { type: "button" }, "Cancel");
    this.element = h(
      "li",
      { class: "work" },
      h("span", { class: "work-name" }, label),
      this.stage,
      this.bar,
      this.stop,
    );
    this.lastSaid = "";
  }

  tell(job) {
    const text = stageText(job.stage);
    this.stage.textContent = text;
    // One bar for the whole of the work; it never goes back.
    const [from, to] = WHOLES[job.task]?.[job.stage] || [0, 1];
    const whole = job.stage === "waiting" ? 0 : from + (to - from) * job.share;
    this.bar.value = Math.max(this.bar.value || 0, whole);
    if (text !== this.lastSaid) {
      this.lastSaid = text;
      say(text);
    }
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
    options.begun?.(started.job);
    return this.follow(started.job);
  }
}
