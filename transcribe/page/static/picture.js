// The picture of the sound: a ruler, the waveform, the spectrogram with the notes over it.

import { bytes } from "./api.js";
import { clock, lowerBound } from "./music.js";

const RULER = 18;
const KEPT_TILES = 40;

export class Picture {
  constructor(canvas, later) {
    this.canvas = canvas;
    this.later = later;
    this.tiles = new Map();
    this.meta = null;
    // On a phone the tab needs the room more than the picture does.
    const small = matchMedia("(max-width: 520px)").matches;
    this.wave = small ? 26 : 40;
    this.spectrum = small ? 112 : 168;
    this.floor = RULER + this.wave; // where the spectrogram begins
  }

  /** `address` has the tiles; `meta` says what is in them. */
  open(address, meta) {
    this.address = address;
    this.meta = meta;
    this.tiles.clear();
  }

  get tall() {
    return this.meta ? this.wave + this.spectrum + RULER : RULER;
  }

  resize(width) {
    this.width = width;
    sized(this.canvas, width, this.tall);
  }

  /** Other colours: what was painted is painted again. */
  forget() {
    this.ink = null;
    for (const tile of this.tiles.values()) tile.image = null;
  }

  /** The pitches shown: from below the lowest note to the overtones of the highest. */
  setSpan(notes, instrument) {
    if (!this.meta) return;
    const pitches = notes.map((note) => note.pitch_midi);
    const top = this.meta.low_midi + this.meta.rows / 2;
    this.low = Math.max(this.meta.low_midi, Math.min(...pitches, ...instrument.open_midi) - 4);
    this.high = Math.min(top, Math.max(...pitches) + 13);
    if (this.high - this.low < 36) this.high = Math.min(top, this.low + 36);
  }

  midiAt(y) {
    if (!this.meta || y < this.floor || y > this.floor + this.spectrum) return null;
    return this.low + (1 - (y - this.floor) / this.spectrum) * (this.high - this.low);
  }

  yOf(midi) {
    return this.floor + (1 - (midi - this.low) / (this.high - this.low)) * this.spectrum;
  }

  colours() {
    if (!this.ink) {
      const style = getComputedStyle(document.documentElement);
      const value = (name) => style.getPropertyValue(name).trim();
      this.ink = {
        ink: value("--ink"),
        faint: value("--faint"),
        accent: value("--accent"),
        paper: value("--leaf"),
        line: value("--line"),
      };
    }
    return this.ink;
  }

  /** `offset` is the place on the axis at the left edge; `notes` are those in view. */
  paint({ axis, offset, notes, chosen, unsure, duration }) {
    const ratio = window.devicePixelRatio || 1;
    const c = this.canvas.getContext("2d");
    const { ink, faint } = this.colours();
    c.setTransform(ratio, 0, 0, ratio, 0, 0);
    c.clearRect(0, 0, this.width, this.tall);
    const t0 = axis.secAt(offset);
    const t1 = Math.min(duration, axis.secAt(offset + this.width));
    if (this.meta) {
      const span = this.meta.tile_sec;
      const x = (sec) => axis.xOf(sec) - offset;
      c.imageSmoothingEnabled = true;
      for (
        let k = Math.floor(t0 / span);
        k <= Math.min(Math.floor(t1 / span), this.meta.tiles - 1);
        k += 1
      ) {
        const tile = this.tile(k);
        if (!tile.cells) continue;
        tile.image = tile.image || this.imageOf(tile, ink);
        const from = Math.max(t0, k * span);
        const to = Math.min((k + 1) * span, t1);
        for (const [a, b, xa, xb] of axis.stretches(from, to))
          this.paintSpectrum(c, tile, a - k * span, b - k * span, xa - offset, xb - offset);
        this.paintWave(c, tile, k * span, from, to, axis, offset, ink);
      }
      this.paintNotes(c, x, t0, notes, chosen, unsure);
      this.paintPitches(c, faint);
    }
    this.paintRuler(c, axis, offset, t0, t1, faint);
  }

  paintSpectrum(c, tile, a, b, xa, xb) {
    const rowOf = (midi) => this.meta.rows - 2 * (midi - this.meta.low_midi);
    const per = this.meta.frames_per_sec;
    const top = rowOf(this.high);
    c.drawImage(
      tile.image,
      a * per,
      top,
      Math.max(0.01, (b - a) * per),
      rowOf(this.low) - top,
      xa,
      this.floor,
      xb - xa,
      this.spectrum,
    );
  }

  paintWave(c, tile, start, from, to, axis, offset, ink, room = { top: RULER, tall: this.wave }) {
    const per = this.meta.peaks_per_sec;
    const half = room.tall / 2;
    const mid = room.top + half;
    c.fillStyle = ink;
    c.globalAlpha = 0.75;
    for (const [a, b, xa, xb] of axis.stretches(from, to)) {
      const pixel = (b - a) / Math.max(1e-6, xb - xa);
      for (let px = Math.ceil(xa - offset); px < xb - offset; px += 1) {
        const sec = a + (px + offset - xa) * pixel - start;
        const first = Math.floor(sec * per);
        const end = Math.max(first + 1, Math.floor((sec + pixel) * per));
        let low = 0;
        let high = 0;
        for (let i = first; i < end && 2 * i + 1 < tile.peaks.length; i += 1) {
          low = Math.min(low, tile.peaks[2 * i]);
          high = Math.max(high, tile.peaks[2 * i + 1]);
        }
        c.fillRect(
          px,
          mid - (high / 127) * (half - 2),
          1,
          Math.max(0.6, ((high - low) / 127) * (half - 2)),
        );
      }
    }
    c.globalAlpha = 1;
  }

  paintNotes(c, x, t0, notes, chosen, unsure) {
    const { ink, accent, paper } = this.colours();
    c.lineCap = "butt";
    for (const note of notes) {
      if (note.offset_sec < t0) continue;
      const y = this.yOf(note.pitch_midi);
      const held = chosen.includes(note.id);
      const a = x(note.onset_sec);
      const b = Math.max(a + 3, x(note.offset_sec));
      // A pale edge keeps the stroke readable on the dark of the spectrogram.
      const strokes = [
        { colour: paper, wide: held ? 7 : 5 },
        { colour: held ? accent : ink, wide: held ? 3.5 : 1.8, dashes: unsure.has(note.id) },
      ];
      for (const { colour, wide, dashes } of strokes) {
        c.setLineDash(dashes ? [2, 3] : []);
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
    c.setLineDash([]);
  }

  /** The names of the Cs at the left edge, so that a stroke can be read as a pitch. */
  paintPitches(c, faint) {
    c.font = "10.5px system-ui, sans-serif";
    for (let midi = 12 * Math.ceil(this.low / 12); midi <= this.high; midi += 12) {
      const y = this.yOf(midi);
      if (y < this.floor + 8) continue;
      c.fillStyle = this.colours().paper;
      c.fillRect(0, y - 7, 18, 14);
      c.fillStyle = faint;
      c.fillText(`C${midi / 12 - 1}`, 2, y + 4);
      c.fillRect(19, y, 4, 1);
    }
  }

  paintRuler(c, axis, offset, t0, t1, faint) {
    c.fillStyle = faint;
    c.strokeStyle = faint;
    c.font = "11px system-ui, sans-serif";
    c.lineWidth = 1;
    const step = [0.5, 1, 2, 5, 10, 30, 60, 120].find((value) => value * axis.pps > 64) || 300;
    for (let k = Math.ceil(t0 / step - 1); k * step <= t1; k += 1) {
      if (k < 0) continue;
      const at = Math.round(axis.xOf(k * step) - offset) + 0.5;
      c.beginPath();
      c.moveTo(at, 0);
      c.lineTo(at, 5);
      c.stroke();
      c.fillText(clock(k * step), at + 3, 12);
    }
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
    bytes(`${this.address}/tiles/${k}`)
      .then((data) => {
        tile.peaks = new Int8Array(data, 0, split);
        tile.cells = new Uint8Array(data, split);
        this.later();
        // Past the end of the recording there is no picture, and asking again would find none.
      })
      .catch((error) => {
        if (error.status !== 404) this.tiles.delete(k);
      });
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
}

/** Give a canvas its size in pixels of the page. */
export function sized(canvas, width, tall) {
  const ratio = window.devicePixelRatio || 1;
  canvas.width = Math.round(width * ratio);
  canvas.height = Math.round(tall * ratio);
  canvas.style.width = `${width}px`;
  canvas.style.height = `${tall}px`;
}

/** Notes that begin in a span of time. */
export function beginningIn(notes, t0, t1) {
  const key = (note) => note.onset_sec;
  return notes.slice(lowerBound(notes, t0, key), lowerBound(notes, t1 + 1e-6, key));
}

function toRgb(colour) {
  const match = /^#([0-9a-f]{2})([0-9a-f]{2})([0-9a-f]{2})$/i.exec(colour);
  return match ? match.slice(1).map((part) => parseInt(part, 16)) : [40, 40, 40];
}
