// The whole of a long riff in one small picture: its notes, bars and slips, and a frame around what
// the window shows. A tap, a drag or the arrow keys move the frame.

import { h } from "./dom.js";

const TALL = 46;
const NOTES = { top: 16, tall: 24 };
const APART = 44; // pixels between two numbers of bars (chosen by eye)
const LONG = 2.5; // windows from which on an overview is of use (chosen by eye)

export class Overview {
  constructor(strip) {
    this.strip = strip;
    this.canvas = h("canvas", { "aria-hidden": "true" });
    this.frame = h("div", { class: "overview-frame" });
    this.element = h(
      "div",
      {
        class: "overview",
        role: "slider",
        tabindex: "0",
        "aria-label": "Overview of the riff",
        "aria-valuemin": "0",
        "aria-valuemax": "100",
        hidden: true,
      },
      this.canvas,
      this.frame,
    );
    const go = (event) => {
      if (event.type === "pointermove" && !event.buttons) return;
      const box = this.element.getBoundingClientRect();
      this.to((event.clientX - box.left) / box.width);
      if (event.type === "pointerdown") this.element.setPointerCapture(event.pointerId);
    };
    this.element.addEventListener("pointerdown", go);
    this.element.addEventListener("pointermove", go);
    this.element.addEventListener("keydown", (event) => {
      const step = { ArrowRight: 0.8, ArrowLeft: -0.8 }[event.key];
      if (!step) return;
      event.preventDefault();
      strip.scroller.scrollLeft += step * strip.width;
    });
  }

  /** Put the middle of the window at a share of the riff. */
  to(share) {
    const { strip } = this;
    strip.scroller.scrollLeft = share * strip.axis.width - strip.width / 2;
  }

  /** Draw it anew: the notes, the marks or the width have changed. */
  draw() {
    const { strip } = this;
    const { axis, width } = strip;
    this.element.hidden = strip.inLines || axis.width < LONG * width;
    if (this.element.hidden) return;
    const ratio = window.devicePixelRatio || 1;
    this.canvas.width = Math.round(width * ratio);
    this.canvas.height = TALL * ratio;
    this.canvas.style.width = `${width}px`;
    const c = this.canvas.getContext("2d");
    c.scale(ratio, ratio);
    const { ink, faint, accent, line } = strip.picture.colours();
    const scale = width / axis.width;
    c.font = "10.5px system-ui, sans-serif";
    let last = -Infinity;
    for (const bar of axis.bars) {
      const x = bar.x * scale;
      c.fillStyle = line;
      c.fillRect(x, 12, 1, TALL - 12);
      if (x - last < APART) continue;
      last = x;
      c.fillStyle = faint;
      c.fillText(String(bar.number + 1), x + 2, 10);
    }
    const pitches = strip.notes.map((note) => note.pitch_midi);
    const [low, high] = [Math.min(...pitches), Math.max(...pitches, 0)];
    for (const note of strip.notes) {
      const verdict = strip.verdicts.get(note.id);
      const slip = verdict && verdict !== "right";
      const x = axis.at(note) * scale;
      const y = NOTES.top + NOTES.tall * (1 - (note.pitch_midi - low) / Math.max(1, high - low));
      c.fillStyle = slip ? accent : ink;
      c.fillRect(x, y, 2, 2);
      if (slip) c.fillRect(x, TALL - 5, 2, 5);
    }
  }

  /** The frame follows the window. */
  place() {
    if (this.element.hidden) return;
    const { axis, width, scroller } = this.strip;
    const scale = width / axis.width;
    const from = scroller.scrollLeft * scale;
    this.frame.style.transform = `translateX(${from}px)`;
    this.frame.style.width = `${Math.min(width - from, width * scale)}px`;
    const share = scroller.scrollLeft / Math.max(1, axis.width - width);
    this.element.setAttribute("aria-valuenow", String(Math.min(100, Math.round(100 * share))));
  }
}
