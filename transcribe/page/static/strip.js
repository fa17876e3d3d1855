// The strip: the tab over the picture of the sound, on one time axis, or the whole tab in lines.
// Only what is in view is drawn, so that a long take scrolls as well as a short one.

import { Axis } from "./axis.js";
import { h, put, s } from "./dom.js";
import { engrave } from "./engrave.js";
import { Lane } from "./lane.js";
import { pitchName, stringNames } from "./music.js";
import { Overview } from "./overview.js";
import { Picture, beginningIn } from "./picture.js";
import { RHYTHM_ROOM } from "./rhythm.js";
import { SEGMENT_ROOM, chordsOf, geometry, judged } from "./tabdraw.js";

const NEAR = 8;

export class Strip {
  constructor(events) {
    this.events = events;
    this.notes = [];
    this.duration = 1;
    this.pps = 110;
    this.chosen = [];
    this.loop = null;
    this.draft = null;
    this.playhead = 0;
    this.adding = false;
    this.inLines = false;
    this.wantsLines = false;
    this.moved = new Map();
    this.wanted = new Map(); // places that are asked for and not saved yet, by note
    this.deciding = new Map();
    this.verdicts = new Map();
    this.extras = [];
    this.markRows = 0;
    this.unsure = new Set();
    this.segments = [];
    this.written = [];
    this.shown = { rhythm: true, fingers: false };
    this.g = geometry(6);
    // A finger needs more room between the strings than a mouse.
    this.touch = matchMedia("(pointer: coarse)").matches;
    this.root = s("g", { role: "presentation" });
    this.names = s("g", { class: "names", "aria-hidden": "true" });
    this.svg = s("svg", { class: "tab", role: "presentation" }, this.root, this.names);
    const canvas = h("canvas", { class: "picture", "aria-hidden": "true" });
    this.picture = new Picture(canvas, () => this.later());
    const under = h("canvas", { class: "lane", "aria-hidden": "true", hidden: true });
    this.lane = new Lane(under, () => (this.inLines ? this.lines.showTake() : this.later()));
    this.head = h("div", { class: "playhead", "aria-hidden": "true" });
    this.band = h("div", { class: "band", "aria-hidden": "true", hidden: true });
    this.hover = h("output", { class: "hover", hidden: true, "aria-hidden": "true" });
    this.row = h(
      "div",
      {
        class: "tab-list",
        role: "listbox",
        tabindex: "0",
        "aria-multiselectable": "true",
        "aria-label": "Tab",
        "aria-describedby": "tab-keys",
      },
      this.svg,
    );
    this.view = h(
      "div",
      { class: "view" },
      this.row,
      under,
      canvas,
      this.band,
      this.head,
      this.hover,
    );
    this.spacer = h("div", { class: "spacer" }, this.view);
    this.scroller = h("div", { class: "scroller" }, this.spacer);
    this.lines = null; // made when they are asked for
    this.overview = new Overview(this);
    this.element = h("div", { class: "strip" }, this.scroller, this.overview.element);
    this.scroller.addEventListener("scroll", () => this.later());
    this.resizer = new ResizeObserver(() => this.resize());
    this.resizer.observe(this.element);
    this.repaint = () => {
      this.picture.forget();
      this.lane.ink = null;
      this.overview.draw();
      this.later(true);
    };
    document.addEventListener("paper", this.repaint);
    this.pointer();
    this.row.addEventListener("keydown", (event) => events.key?.(event));
    this.element.addEventListener(
      "wheel",
      (event) => {
        if (!event.ctrlKey) return;
        event.preventDefault();
        this.zoom(
          event.deltaY < 0 ? 1.15 : 1 / 1.15,
          event.clientX - this.scroller.getBoundingClientRect().left,
        );
      },
      { passive: false },
    );
  }

  leave() {
    this.left = true;
    document.body.classList.remove("in-lines");
    this.resizer.disconnect();
    this.lines?.leave();
    document.removeEventListener("paper", this.repaint);
  }

  /** The list of notes that is shown: the one for the keyboard. */
  get list() {
    return this.inLines ? this.lines.list : this.row;
  }

  get pad() {
    return 24;
  }

  get tabHeight() {
    // The rows of a comparison take room only while there is one.
    const rows = this.markRows + (this.extras.length ? 1 : 0);
    if (rows) return this.g.height + (rows - 1) * this.g.markGap;
    return this.g.markY + this.g.gap * (this.deciding.size || !this.written.length ? 0.6 : -0.4);
  }

  // -- what is shown

  /**
   * @param {any} view @param {any} bars
   * @param {{deciding?: Map, moved?: Map, chosen?: number[]}} marks those left out stay
   */
  setRiff(view, bars, { deciding, moved, chosen } = {}) {
    this.deciding = deciding || this.deciding;
    this.moved = moved || this.moved;
    this.chosen = chosen || this.chosen;
    this.wanted = new Map();
    const first = !this.view_;
    this.view_ = view;
    this.bars = bars;
    this.notes = view.document.notes;
    this.byId = new Map(this.notes.map((note) => [note.id, note]));
    this.sources = view.legato_from;
    this.unsure = new Set(view.unsure);
    // What is playing needs no telling where nobody talks.
    const segments = view.document.segments || [];
    this.segments = segments.some(({ kind }) => kind === "talk") ? segments : [];
    this.written = this.shown.rhythm ? view.bars : [];
    this.duration = Math.max(view.duration_sec, 1);
    this.g = geometry(view.document.instrument.open_midi.length, {
      ...(this.touch ? { gap: 21, top: 62 } : {}),
      above: this.segments.length ? SEGMENT_ROOM : 0,
      below: this.written.length ? RHYTHM_ROOM : 0,
    });
    if (first) this.pps = this.fitting();
    this.picture.setSpan(this.notes, view.document.instrument);
    this.layAxis();
    this.resize();
  }

  /** Choose what is drawn beside the figures: the rhythm, the fingers. */
  setShown(shown) {
    this.shown = shown;
    if (this.view_) this.setRiff(this.view_, this.bars);
  }

  /** A new axis for new notes, marks or another scale; what is at the left edge stays there. */
  layAxis() {
    const left = this.axis_ ? this.axis_.secAt(this.scroller.scrollLeft) : 0;
    const old = this.axis_;
    this.axis_ = new Axis({
      notes: this.notes,
      bars: this.bars,
      duration: this.duration,
      pps: this.pps,
      gap: this.g.gap,
      fingers: this.shown.fingers,
      deciding: this.deciding,
      chords: chordsOf(this.view_.document),
    });
    this.setWidth();
    if (
      old &&
      !this.inLines &&
      this.scroller.scrollLeft > 0 &&
      old.xOf(left) !== this.axis_.xOf(left)
    )
      this.scroller.scrollLeft = this.axis_.xOf(left);
  }

  get axis() {
    return this.axis_;
  }

  /** Pixels per second at which most onsets of this riff have room without stretching. */
  fitting() {
    const gaps = [];
    for (let i = 1; i < this.notes.length; i += 1) {
      const gap = this.notes[i].onset_sec - this.notes[i - 1].onset_sec;
      if (gap > 0.05) gaps.push(gap);
    }
    gaps.sort((a, b) => a - b);
    return Math.min(130, Math.max(70, 24 / (gaps[Math.floor(gaps.length * 0.25)] || 0.25)));
  }

  setPicture(riffId, meta) {
    this.picture.open(`/api/riffs/${riffId}`, meta);
    this.picture.setSpan(this.notes, this.view_.document.instrument);
    this.resize();
  }

  /** The take that was compared, under the tab; null takes it away. */
  setTake(found, rows, map) {
    if (found) this.lane.show(found, rows, map);
    else this.lane.close();
    this.lane.canvas.hidden = !found;
    this.resize();
  }

  /** The tab in lines, or over the picture of the sound. */
  async setLines(on) {
    this.wantsLines = on;
    if (on && !this.lines) {
      const { Lines } = await import("./lines.js");
      if (this.left || !this.wantsLines) return;
      this.lines ??= new Lines(this);
    }
    if (this.inLines === on) return;
    this.inLines = on;
    const { scrollLeft } = this.scroller;
    put(this.element, on ? this.lines.element : [this.scroller, this.overview.element]);
    if (!on) this.scroller.scrollLeft = scrollLeft;
    document.body.classList.toggle("in-lines", on);
    this.resize();
    this.ensureVisible(
      this.byId.get(this.chosen[this.chosen.length - 1])?.onset_sec ?? this.playhead,
    );
  }

  /** @param {{verdicts: Map, extras: any[]}} marks */
  setMarks({ verdicts, extras }) {
    this.verdicts = verdicts;
    this.extras = extras;
    if (this.view_) this.resize();
  }

  /** Places that are asked for, by note, are shown as not saved until the riff comes anew. */
  setAsked(wanted) {
    if (!wanted.size && !this.wanted.size) return;
    this.wanted = wanted;
    this.later(true);
  }

  setChosen(ids, show = true) {
    this.chosen = ids;
    const note = this.byId?.get(ids[ids.length - 1]);
    if (note && show) this.ensureVisible(note.onset_sec);
    this.later(true);
  }

  setLoop(loop) {
    this.loop = loop;
    this.later();
  }

  setPlayhead(sec, follow = false) {
    this.playhead = sec;
    if (this.inLines) {
      this.lines.placeHead();
      if (follow) this.lines.ensureVisible(sec, "center");
      return;
    }
    const at = this.axis.xOf(sec);
    const x = at - this.scroller.scrollLeft;
    if (follow && (x < 0 || x > this.width * 0.72))
      this.scroller.scrollLeft = at - this.width * 0.28;
    this.placeHead();
  }

  placeHead() {
    const x = this.axis.xOf(this.playhead) - this.scroller.scrollLeft + this.pad;
    this.head.style.transform = `translateX(${x}px)`;
    this.head.hidden = x < 0 || x > this.width;
  }

  ensureVisible(sec) {
    if (this.inLines) {
      this.lines.ensureVisible(sec);
      return;
    }
    const at = this.axis.xOf(sec);
    const x = at - this.scroller.scrollLeft;
    if (x < 20 || x > this.width - 80)
      this.scroller.scrollLeft = Math.max(0, at - this.width * 0.35);
  }

  /** Bring a moment to the left edge. */
  showFrom(sec) {
    if (this.inLines) this.lines.ensureVisible(sec);
    else this.scroller.scrollLeft = this.axis.xOf(sec);
  }

  zoom(factor, around = this.width / 2) {
    const sec = this.secAt(around);
    this.pps = Math.min(600, Math.max(8, this.pps * factor));
    this.layAxis();
    this.resize();
    if (!this.inLines) this.scroller.scrollLeft = this.axis.xOf(sec) + this.pad - around;
    this.later(true);
  }

  secAt(x) {
    return this.axis.secAt(x + this.scroller.scrollLeft - this.pad);
  }

  setWidth() {
    this.width = this.scroller.clientWidth || this.width || 600;
    this.spacer.style.width = `${Math.max(this.axis.width + 2 * this.pad + 60, this.width)}px`;
  }

  resize() {
    if (!this.axis_) return;
    // Rows of verdicts: as many as there are strings with one in any stroke.
    const rows = this.verdicts.size
      ? this.axis.columns.map((column) => judged(this.verdicts, column).length)
      : [0];
    this.markRows = rows.reduce((most, count) => Math.max(most, count), 0);
    this.setWidth();
    this.view.style.width = `${this.width}px`;
    this.picture.resize(this.width);
    this.lane.resize(this.width);
    this.tall = this.tabHeight;
    this.svg.setAttribute("width", this.width);
    this.svg.setAttribute("height", this.tall);
    this.nameStrings();
    this.overview.draw();
    this.laid = false;
    this.later(true);
  }

  /** The open strings, at the left edge wherever the tab has been scrolled to. */
  nameStrings() {
    put(
      this.names,
      s("rect", {
        class: "names-ground",
        x: 0,
        y: this.g.top - this.g.gap * 0.6,
        width: 18,
        height: this.g.bottom - this.g.top + this.g.gap * 1.2,
      }),
      stringNames(this.view_.document).map((name, k) =>
        s("text", { x: 10, y: this.g.y(k + 1) + 4, mid: true, font: 10.5 }, name),
      ),
    );
  }

  later(all = false) {
    this.stale = this.stale || all;
    if (this.asked || this.left) return;
    this.asked = true;
    requestAnimationFrame(() => {
      this.asked = false;
      if (this.left || !this.axis_) return;
      if (this.inLines) {
        if (!this.laid) {
          put(this.root);
          this.lines.lay();
        } else if (this.stale) this.lines.show();
        this.laid = true;
        this.stale = false;
        this.drawn = null;
        this.lines.placeBand();
        this.nameActive();
        return;
      }
      if (this.lines?.lines.length) this.clearLines();
      this.paint();
      this.draw();
      this.placeHead();
      this.placeBand();
      this.overview.place();
    });
  }

  /** The lines give their notes back, so that each note is in the page once. */
  clearLines() {
    for (const line of this.lines.lines) {
      put(line.root);
      line.drawn = false;
    }
  }

  paint() {
    const offset = Math.round(this.scroller.scrollLeft) - this.pad;
    const t0 = this.axis.secAt(offset);
    const t1 = this.axis.secAt(offset + this.width);
    const notes = this.picture.meta ? beginningIn(this.notes, t0 - 8, t1) : [];
    this.picture.paint({
      axis: this.axis,
      offset,
      notes,
      chosen: this.chosen,
      unsure: this.unsure,
      duration: this.duration,
    });
    this.lane.draw({ axis: this.axis, offset, width: this.width });
  }

  // -- tab

  draw() {
    const left = Math.round(this.scroller.scrollLeft);
    const inside = this.drawn && left >= this.drawn[0] && left + this.width <= this.drawn[1];
    if (this.stale || !inside) {
      this.stale = false;
      this.drawn = [left - this.width, left + 2 * this.width];
      const [a, b] = this.drawn;
      put(
        this.root,
        engrave(this, a, b, (x) => x, [Math.max(0, a), Math.min(this.axis.width + 20, b)]),
      );
      this.element.dataset.drawn = String(this.root.querySelectorAll(".note").length);
    }
    this.root.setAttribute("transform", `translate(${this.pad - left} 0)`);
    this.nameActive();
  }

  /** Tell those who listen which note is the chosen one. */
  nameActive() {
    const last = this.chosen[this.chosen.length - 1];
    if (last !== undefined && document.getElementById(`note-${last}`))
      this.list.setAttribute("aria-activedescendant", `note-${last}`);
    else this.list.removeAttribute("aria-activedescendant");
  }

  placeBand() {
    const draft = this.draft || this.loop;
    this.band.hidden = !draft;
    if (!draft) return;
    const [a, b] = draft.map((sec) => this.axis.xOf(sec));
    this.band.style.transform = `translateX(${a - this.scroller.scrollLeft + this.pad}px)`;
    this.band.style.width = `${Math.max(1, b - a)}px`;
  }

  // -- pointer

  pointer() {
    let start = null;
    const at = (event) => {
      const box = this.view.getBoundingClientRect();
      // Heights are those of the picture; the tab lies above it.
      return {
        x: event.clientX - box.left,
        y: event.clientY - box.top - this.tall - this.lane.tall,
      };
    };
    this.view.addEventListener("pointerdown", (event) => {
      if (event.button !== 0) return;
      start = {
        ...at(event),
        id: event.target.closest?.("[data-note]")?.dataset.note,
        touch: event.pointerType === "touch",
      };
    });
    this.view.addEventListener("pointermove", (event) => {
      const here = at(event);
      this.showHover(here);
      if (!start || start.touch || Math.abs(here.x - start.x) < 5) return;
      if (!this.draft) this.view.setPointerCapture(event.pointerId);
      const ends = [this.secAt(start.x), this.secAt(here.x)].sort((a, b) => a - b);
      this.draft = [Math.max(0, ends[0]), Math.min(this.duration, ends[1])];
      this.placeBand();
    });
    this.view.addEventListener("pointerleave", () => {
      this.hover.hidden = true;
    });
    const end = (event) => {
      const began = start;
      const draft = this.draft;
      start = null;
      this.draft = null;
      if (!began || event.type === "pointercancel") {
        this.placeBand();
        return;
      }
      if (draft) {
        if (draft[1] - draft[0] > 0.05) this.events.select(draft);
        this.placeBand();
        return;
      }
      this.tap(began, event);
    };
    this.view.addEventListener("pointerup", end);
    this.view.addEventListener("pointercancel", end);
  }

  tap(began, event) {
    const sec = this.secAt(began.x);
    if (this.adding) {
      const midi = this.picture.midiAt(began.y);
      if (midi !== null) this.events.add(sec, Math.round(midi));
      return;
    }
    const near =
      began.y > 0
        ? this.noteNear(sec, began.y, began.touch ? 3 * NEAR : NEAR)?.id
        : this.figureNear(event, began.touch ? 26 : 10);
    const id = began.id ?? near;
    if (id) this.events.choose(Number(id), event.shiftKey, began.touch);
    else this.events.seek(sec);
  }

  /** The note whose stroke in the picture is nearest, if it is near. */
  noteNear(sec, y, most) {
    if (this.picture.midiAt(y) === null) return null;
    let best = null;
    let least = most;
    for (const note of beginningIn(this.notes, sec - 8, sec + 0.06)) {
      if (note.offset_sec < sec - 0.04) continue;
      const away = Math.abs(this.picture.yOf(note.pitch_midi) - y);
      if (away < least) {
        best = note;
        least = away;
      }
    }
    return best;
  }

  /** The id of the note whose figure in the tab is nearest to a pointer, if it is near. */
  figureNear(event, most) {
    let best = null;
    let least = most;
    for (const figure of this.list.querySelectorAll("[data-note]")) {
      const box = figure.getBoundingClientRect();
      const away = Math.hypot(
        (box.left + box.right) / 2 - event.clientX,
        (box.top + box.bottom) / 2 - event.clientY,
      );
      if (away < least) {
        best = figure.dataset.note;
        least = away;
      }
    }
    return best;
  }

  showHover({ x, y }) {
    const midi = this.picture.midiAt(y);
    this.hover.hidden = midi === null;
    if (midi === null) return;
    this.hover.textContent = `${pitchName(Math.round(midi), this.view_.document)}  ${this.secAt(x).toFixed(2)} s`;
    this.hover.style.transform = `translate(${Math.min(x + 12, this.width - 110)}px, ${this.tall + this.lane.tall + Math.max(0, y - 26)}px)`;
  }
}
