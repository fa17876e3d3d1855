// The strip: waveform and spectrogram over the tab, on one time axis. Only what is in view is
// drawn, so that a long take scrolls as well as a short one.

import { h, put, s } from "./dom.js";
import { bytes } from "./api.js";
import { clock, legatoSources, lowerBound, pitchName, printed } from "./music.js";
import { barLine, droneLine, figure, geometry, staff, technique, verdictMark } from "./tabdraw.js";

const WAVE = 40;
const SPECTRUM = 168;
const RULER = 18;
const CANVAS = WAVE + SPECTRUM + RULER;
const KEPT_TILES = 40;

export class Strip {
  constructor(events) {
    this.events = events;
    this.notes = [];
    this.duration = 1;
    this.pps = 110;
    this.tiles = new Map();
    this.meta = null;
    this.chosen = [];
    this.loop = null;
    this.playhead = 0;
    this.adding = false;
    this.moved = new Map();
    this.deciding = new Map();
    this.verdicts = new Map();
    this.extras = [];
    this.g = geometry(6);
    this.canvas = h("canvas", { class: "picture", "aria-hidden": "true" });
    this.root = s("g", { role: "presentation" });
    this.names = s("g", { class: "names", "aria-hidden": "true" });
    this.svg = s("svg", { class: "tab", role: "presentation" }, this.root, this.names);
    this.head = h("div", { class: "playhead", "aria-hidden": "true" });
    this.band = h("div", { class: "band", "aria-hidden": "true", hidden: true });
    this.hover = h("output", { class: "hover", hidden: true, "aria-hidden": "true" });
    this.list = h("div", {
      class: "tab-list", role: "listbox", tabindex: "0", "aria-multiselectable": "true",
      "aria-label": "Tab", "aria-describedby": "tab-keys",
    }, this.svg);
    this.view = h("div", { class: "view" }, this.canvas, this.list, this.band, this.head, this.hover);
    this.spacer = h("div", { class: "spacer" }, this.view);
    this.scroller = h("div", { class: "scroller" }, this.spacer);
    this.element = h("div", { class: "strip" }, this.scroller);
    this.scroller.addEventListener("scroll", () => this.later());
    this.resizer = new ResizeObserver(() => this.resize());
    this.resizer.observe(this.scroller);
    this.repaint = () => { this.ink = null; this.tiles.forEach((tile) => { tile.image = null; }); this.later(true); };
    document.addEventListener("paper", this.repaint);
    this.pointer();
    this.list.addEventListener("keydown", (event) => events.key?.(event));
    this.element.addEventListener("wheel", (event) => {
      if (!event.ctrlKey) return;
      event.preventDefault();
      this.zoom(event.deltaY < 0 ? 1.15 : 1 / 1.15, event.clientX - this.scroller.getBoundingClientRect().left);
    }, { passive: false });
  }

  leave() {
    this.left = true;
    this.resizer.disconnect();
    document.removeEventListener("paper", this.repaint);
  }

  // -- what is shown

  setRiff(view, bars) {
    const first = !this.view_;
    this.view_ = view;
    this.bars = bars;
    this.notes = view.document.notes;
    this.byId = new Map(this.notes.map((note) => [note.id, note]));
    this.sources = legatoSources(this.notes);
    this.duration = Math.max(view.duration_sec, 1);
    this.g = geometry(view.document.instrument.open_midi.length);
    if (first) this.pps = this.fitting();
    if (this.meta) this.setSpan();
    this.resize();
  }

  fitting() {
    const gaps = [];
    for (let i = 1; i < this.notes.length; i += 1) {
      const gap = this.notes[i].onset_sec - this.notes[i - 1].onset_sec;
      if (gap > 0.05) gaps.push(gap);
    }
    gaps.sort((a, b) => a - b);
    return Math.min(220, Math.max(70, 24 / (gaps[Math.floor(gaps.length * 0.1)] || 0.25)));
  }

  setPicture(riffId, meta) {
    this.riffId = riffId;
    this.meta = meta;
    this.tiles.clear();
    this.setSpan();
    this.later(true);
  }

  setMarks({ deciding, verdicts, extras, moved }) {
    if (deciding) this.deciding = deciding;
    if (verdicts) this.verdicts = verdicts;
    if (extras) this.extras = extras;
    if (moved) this.moved = moved;
    this.resize();
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
    const x = sec * this.pps - this.scroller.scrollLeft;
    if (follow && (x < 0 || x > this.width * 0.72)) this.scroller.scrollLeft = sec * this.pps - this.width * 0.28;
    this.placeHead();
  }

  placeHead() {
    const x = this.playhead * this.pps - this.scroller.scrollLeft + this.pad;
    this.head.style.transform = `translateX(${x}px)`;
    this.head.hidden = x < 0 || x > this.width;
  }

  ensureVisible(sec) {
    const x = sec * this.pps - this.scroller.scrollLeft;
    if (x < 40 || x > this.width - 80) {
      this.scroller.scrollLeft = Math.max(0, sec * this.pps - this.width * 0.35);
    }
  }

  zoom(factor, around = this.width / 2) {
    const sec = this.secAt(around);
    this.pps = Math.min(600, Math.max(12, this.pps * factor));
    this.resize();
    this.scroller.scrollLeft = sec * this.pps + this.pad - around;
    this.later(true);
  }

  get pad() { return 24; }

  secAt(x) { return Math.max(0, (x + this.scroller.scrollLeft - this.pad) / this.pps); }

  midiAt(y) {
    if (!this.meta || y < WAVE || y > WAVE + SPECTRUM) return null;
    return this.low + (1 - (y - WAVE) / SPECTRUM) * (this.high - this.low);
  }

  yOf(midi) {
    return WAVE + (1 - (midi - this.low) / (this.high - this.low)) * SPECTRUM;
  }

  /** The pitches shown: from below the lowest note to the overtones of the highest. */
  setSpan() {
    const pitches = this.notes.map((note) => note.pitch_midi);
    this.low = Math.max(this.meta.low_midi, Math.min(...pitches, ...this.view_.document.instrument.open_midi) - 4);
    this.high = Math.min(this.meta.low_midi + this.meta.rows / 2, Math.max(...pitches) + 13);
    if (this.high - this.low < 36) this.high = Math.min(this.meta.low_midi + this.meta.rows / 2, this.low + 36);
  }

  resize() {
    this.width = this.scroller.clientWidth || 600;
    const full = this.duration * this.pps + 2 * this.pad + 60;
    this.spacer.style.width = `${Math.max(full, this.width)}px`;
    this.view.style.width = `${this.width}px`;
    const ratio = window.devicePixelRatio || 1;
    this.tall = this.meta ? CANVAS : RULER;
    this.canvas.width = Math.round(this.width * ratio);
    this.canvas.height = Math.round(this.tall * ratio);
    this.canvas.style.width = `${this.width}px`;
    this.canvas.style.height = `${this.tall}px`;
    this.svg.setAttribute("width", this.width);
    // The rows of a comparison take room only while there is one.
    this.svg.setAttribute("height", this.verdicts.size || this.extras.length ? this.g.height : this.g.markY + this.g.gap * 0.6);
    this.nameStrings();
    this.later(true);
  }

  /** The open strings, at the left edge wherever the tab has been scrolled to. */
  nameStrings() {
    const open = this.view_?.document.instrument;
    if (!open) return;
    put(this.names,
      s("rect", { class: "names-ground", x: 0, y: this.g.top - this.g.gap * 0.6, width: 18, height: this.g.bottom - this.g.top + this.g.gap * 1.2 }),
      open.open_midi.map((midi, k) => s("text", { x: 10, y: this.g.y(k + 1) + 4, "text-anchor": "middle", "font-size": 10.5 }, pitchName(midi + open.capo).replace(/-?\d+$/, ""))));
  }

  later(all = false) {
    this.stale = this.stale || all;
    if (this.asked || this.left) return;
    this.asked = true;
    requestAnimationFrame(() => {
      this.asked = false;
      if (this.left) return;
      if ((this.meta ? CANVAS : RULER) !== this.tall) this.resize();
      this.paint();
      this.engrave();
      this.placeHead();
      this.placeBand();
    });
  }

  // -- canvas

  colours() {
    if (!this.ink) {
      const style = getComputedStyle(this.element);
      const value = (name) => style.getPropertyValue(name).trim();
      this.ink = { ink: value("--ink"), faint: value("--faint"), accent: value("--accent"), paper: value("--paper") };
    }
    return this.ink;
  }

  paint() {
    const ratio = window.devicePixelRatio || 1;
    const c = this.canvas.getContext("2d");
    const { ink, faint, accent, paper } = this.colours();
    c.setTransform(ratio, 0, 0, ratio, 0, 0);
    c.clearRect(0, 0, this.width, this.tall);
    const t0 = this.secAt(0);
    const t1 = this.secAt(this.width);
    const x = (sec) => sec * this.pps - this.scroller.scrollLeft + this.pad;
    const rulerTop = this.tall - RULER;
    if (this.meta) {
      const span = this.meta.tile_sec;
      for (let k = Math.floor(t0 / span); k <= Math.min(Math.floor(t1 / span), this.meta.tiles - 1); k += 1) {
        const tile = this.tile(k);
        if (!tile?.cells) continue;
        tile.image = tile.image || this.imageOf(tile, ink);
        c.imageSmoothingEnabled = true;
        const right = Math.min((k + 1) * span, this.duration);
        const share = (right - k * span) / span;
        const rowOf = (midi) => this.meta.rows - 2 * (midi - this.meta.low_midi);
        c.drawImage(tile.image, 0, rowOf(this.high), tile.image.width * share, rowOf(this.low) - rowOf(this.high), x(k * span), WAVE, (right - k * span) * this.pps, SPECTRUM);
        this.paintWave(c, tile, k * span, right, x, ink);
      }
      this.paintNotes(c, x, t0, t1, ink, accent, paper);
    }
    c.fillStyle = faint;
    c.strokeStyle = faint;
    c.font = "11px system-ui, sans-serif";
    c.lineWidth = 1;
    const steps = [0.5, 1, 2, 5, 10, 30, 60, 120];
    const step = steps.find((value) => value * this.pps > 64) || 300;
    for (let k = Math.floor(t0 / step); k * step <= Math.min(t1, this.duration); k += 1) {
      const at = Math.round(x(k * step)) + 0.5;
      c.beginPath();
      c.moveTo(at, rulerTop);
      c.lineTo(at, rulerTop + 5);
      c.stroke();
      c.fillText(clock(k * step), at + 3, rulerTop + 12);
    }
  }

  paintWave(c, tile, start, end, x, ink) {
    const per = this.meta.peaks_per_sec;
    const mid = WAVE / 2;
    c.fillStyle = ink;
    c.globalAlpha = 0.75;
    const from = Math.max(start, this.secAt(-2));
    const to = Math.min(end, this.secAt(this.width + 2));
    const pixel = 1 / this.pps;
    for (let px = Math.ceil(x(from)); px < x(to); px += 1) {
      const sec = Math.max(from, (px + this.scroller.scrollLeft - this.pad) / this.pps);
      const a = Math.floor((sec - start) * per);
      const b = Math.max(a + 1, Math.floor((sec + pixel - start) * per));
      let low = 0;
      let high = 0;
      for (let i = a; i < b && 2 * i + 1 < tile.peaks.length; i += 1) {
        low = Math.min(low, tile.peaks[2 * i]);
        high = Math.max(high, tile.peaks[2 * i + 1]);
      }
      c.fillRect(px, mid - (high / 127) * (mid - 2), 1, Math.max(0.6, ((high - low) / 127) * (mid - 2)));
    }
    c.globalAlpha = 1;
  }

  paintNotes(c, x, t0, t1, ink, accent, paper) {
    c.lineCap = "butt";
    for (const note of this.inTime(t0 - 8, t1)) {
      if (note.offset_sec < t0) continue;
      const y = this.yOf(note.pitch_midi);
      const chosen = this.chosen.includes(note.id);
      const a = x(note.onset_sec);
      const b = Math.max(a + 3, x(note.offset_sec));
      // A pale edge keeps the stroke readable on the dark of the spectrogram.
      for (const [colour, wide] of [[paper, chosen ? 7 : 5], [chosen ? accent : ink, chosen ? 3.5 : 1.8]]) {
        c.strokeStyle = colour;
        c.lineWidth = wide;
        c.beginPath();
        c.moveTo(a, y);
        c.lineTo(b, y);
        c.moveTo(a, y - (wide + 3));
        c.lineTo(a, y + (wide + 3));
        c.stroke();
      }
    }
  }

  inTime(t0, t1) {
    const notes = this.notes;
    const key = (note) => note.onset_sec;
    return notes.slice(lowerBound(notes, t0, key), lowerBound(notes, t1 + 1e-6, key));
  }

  tile(k) {
    let tile = this.tiles.get(k);
    if (tile) {
      this.tiles.delete(k);
      this.tiles.set(k, tile);
      return tile;
    }
    tile = { cells: null, peaks: null, image: null };
    this.tiles.set(k, tile);
    if (this.tiles.size > KEPT_TILES) this.tiles.delete(this.tiles.keys().next().value);
    const split = 2 * this.meta.tile_sec * this.meta.peaks_per_sec;
    bytes(`/api/riffs/${this.riffId}/tiles/${k}`).then((data) => {
      tile.peaks = new Int8Array(data, 0, split);
      tile.cells = new Uint8Array(data, split);
      this.later();
    }).catch(() => { this.tiles.delete(k); });
    return tile;
  }

  imageOf(tile, ink) {
    const width = this.meta.tile_sec * this.meta.frames_per_sec;
    const image = new ImageData(width, this.meta.rows);
    const rgb = toRgb(ink);
    for (let i = 0; i < tile.cells.length; i += 1) {
      const level = tile.cells[i] / 255;
      image.data[4 * i] = rgb[0];
      image.data[4 * i + 1] = rgb[1];
      image.data[4 * i + 2] = rgb[2];
      image.data[4 * i + 3] = 215 * level * level;
    }
    const canvas = document.createElement("canvas");
    canvas.width = width;
    canvas.height = this.meta.rows;
    canvas.getContext("2d").putImageData(image, 0, 0);
    return canvas;
  }

  // -- tab

  engrave() {
    const left = this.scroller.scrollLeft;
    const inside = this.drawn && left >= this.drawn[0] && left + this.width <= this.drawn[1];
    if (this.stale || !inside) {
      this.stale = false;
      this.drawn = [left - this.width, left + 2 * this.width];
      put(this.root, this.parts(this.drawn[0], this.drawn[1]));
      this.element.dataset.drawn = String(this.root.querySelectorAll(".note").length);
    }
    this.root.setAttribute("transform", `translate(${this.pad - left} 0)`);
    const last = this.chosen[this.chosen.length - 1];
    if (last !== undefined && document.getElementById(`note-${last}`)) this.list.setAttribute("aria-activedescendant", `note-${last}`);
    else this.list.removeAttribute("aria-activedescendant");
  }

  parts(left, right) {
    const g = this.g;
    const x = (sec) => sec * this.pps;
    const t0 = left / this.pps;
    const t1 = right / this.pps;
    const end = x(this.duration) + 20;
    const ground = s("g", { "aria-hidden": "true" }, staff(g, Math.max(0, left), Math.min(end, right)));
    const drone = this.view_.document.drone;
    if (drone) ground.append(...droneLine(g, drone, Math.max(left, x(drone.start_sec)), Math.min(right, x(drone.end_sec)), x(drone.start_sec) > Math.max(left, 34)));
    const downs = this.bars.downbeats;
    for (let k = lowerBound(downs, t0); k < downs.length && downs[k] <= t1; k += 1) {
      ground.append(barLine(g, x(downs[k]) - 9), s("text", { class: "bar-number", x: x(downs[k]) - 7, y: g.barY, "font-size": 11 }, String(k + 1)));
    }
    for (const phrase of this.bars.phrases) {
      const at = x(this.bars.secAt(phrase.start_beat));
      const digits = String(Math.floor(phrase.start_beat / this.bars.meter[0]) + 1).length;
      if (at > left && at < right) ground.append(s("text", { class: "phrase", x: at + 4 + 7 * digits, y: g.barY, "font-size": 12 }, phrase.label));
    }
    for (const chord of this.view_.document.theory?.chords || []) {
      const at = x(chord.start_sec);
      if (at > left && at < right) ground.append(s("text", { class: "chord", x: at, y: g.chordY, "font-size": 13 }, printed(chord.symbol)));
    }
    const figures = s("g", { role: "presentation" });
    let markedTo = -Infinity;
    for (const note of this.inTime(t0, t1)) {
      const at = x(note.onset_sec);
      const source = this.byId.get(this.sources.get(note.id));
      ground.append(...technique(g, note, at, source ? { x: x(source.onset_sec), fret: source.fret } : null));
      const chosen = this.chosen.includes(note.id);
      const was = this.moved.get(note.id);
      if (was && was[0] !== null) {
        const y = g.y(was[0]);
        ground.append(s("g", { class: "was" },
          s("text", { x: at, y: y + g.gap * 0.28, "text-anchor": "middle", "font-size": g.gap * 0.72 }, String(was[1])),
          s("line", { x1: at - 7, x2: at + 7, y1: y + 3, y2: y - 3 })));
      }
      figures.append(figure(g, note, at, {
        classes: [chosen ? "chosen" : "", was ? "moved" : ""].join(" "),
        props: {
          id: `note-${note.id}`, role: "option", "aria-selected": String(chosen), "data-note": note.id,
          "aria-label": this.events.label(note),
        },
      }));
      const degree = this.deciding.get(note.pitch_midi % 12);
      if (degree && note.string !== null && at > markedTo + 9) {
        const text = at > markedTo + 26 ? printed(`△${degree}`) : "△";
        ground.append(s("text", { class: "deciding", x: at, y: g.markY, "text-anchor": "middle", "font-size": 11 }, text));
        markedTo = at;
      }
    }
    ground.append(...this.verdictMarks(x, t0, t1));
    return [ground, figures];
  }

  /** One mark for notes that lie too close for two, the gravest of them; extra notes below. */
  verdictMarks(x, t0, t1) {
    const grave = ["right", "unsure", "early", "late", "missed", "wrong"];
    const marks = [];
    for (const note of this.inTime(t0, t1)) {
      const verdict = this.verdicts.get(note.id);
      if (!verdict) continue;
      const last = marks[marks.length - 1];
      if (last && x(note.onset_sec) - last.at < 9) {
        if (grave.indexOf(verdict) > grave.indexOf(last.verdict)) last.verdict = verdict;
      } else marks.push({ verdict, at: x(note.onset_sec) });
    }
    const parts = marks.map(({ verdict, at }) => verdictMark(this.g, verdict, at));
    for (const extra of this.extras) {
      if (extra.sec > t0 && extra.sec < t1) parts.push(verdictMark(this.g, "extra", x(extra.sec), this.g.extraY));
    }
    return parts;
  }

  placeBand() {
    const draft = this.draft || this.loop;
    this.band.hidden = !draft;
    if (!draft) return;
    const left = this.scroller.scrollLeft - this.pad;
    this.band.style.transform = `translateX(${draft[0] * this.pps - left}px)`;
    this.band.style.width = `${Math.max(1, (draft[1] - draft[0]) * this.pps)}px`;
  }

  // -- pointer

  pointer() {
    let start = null;
    const at = (event) => {
      const box = this.view.getBoundingClientRect();
      return { x: event.clientX - box.left, y: event.clientY - box.top };
    };
    this.view.addEventListener("pointerdown", (event) => {
      if (event.button !== 0) return;
      start = { ...at(event), id: event.target.closest?.("[data-note]")?.dataset.note, touch: event.pointerType === "touch" };
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
    this.view.addEventListener("pointerleave", () => { this.hover.hidden = true; });
    const end = (event) => {
      const began = start;
      const draft = this.draft;
      start = null;
      this.draft = null;
      if (!began || event.type === "pointercancel") { this.placeBand(); return; }
      if (draft) {
        if (draft[1] - draft[0] > 0.05) this.events.select(draft);
        this.placeBand();
        return;
      }
      const sec = this.secAt(began.x);
      if (this.adding) {
        const midi = this.midiAt(began.y);
        if (midi !== null) this.events.add(sec, Math.round(midi));
        return;
      }
      if (began.id) { this.events.choose(Number(began.id), event.shiftKey); return; }
      const near = began.y < this.tall ? this.noteNear(sec, began.y) : null;
      if (near) this.events.choose(near.id, event.shiftKey);
      else this.events.seek(sec);
    };
    this.view.addEventListener("pointerup", end);
    this.view.addEventListener("pointercancel", end);
  }

  noteNear(sec, y) {
    if (!this.meta || y < WAVE || y > WAVE + SPECTRUM) return null;
    let best = null;
    let least = 8;
    for (const note of this.inTime(sec - 8, sec + 0.06)) {
      if (note.offset_sec < sec - 0.04) continue;
      const away = Math.abs(this.yOf(note.pitch_midi) - y);
      if (away < least) { best = note; least = away; }
    }
    return best;
  }

  showHover({ x, y }) {
    const midi = this.midiAt(y);
    this.hover.hidden = midi === null;
    if (midi === null) return;
    this.hover.textContent = `${pitchName(Math.round(midi))}  ${this.secAt(x).toFixed(2)} s`;
    this.hover.style.transform = `translate(${Math.min(x + 12, this.width - 110)}px, ${Math.max(0, y - 26)}px)`;
  }
}

function toRgb(colour) {
  const match = /^#([0-9a-f]{2})([0-9a-f]{2})([0-9a-f]{2})$/i.exec(colour);
  return match ? match.slice(1).map((part) => parseInt(part, 16)) : [40, 40, 40];
}
