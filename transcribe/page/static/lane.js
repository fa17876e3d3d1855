// The take that was compared, under the tab: its own wave form and notes, each where it would lie
// if the take had been played at the tempo of the riff, with its verdict.

import { Picture } from "./picture.js";
import { VERDICTS } from "./tabdraw.js";

const TALL = 84;
const WAVE = { top: 16, tall: 66 };

export class Lane extends Picture {
  /** `found` is a comparison with its view; `rows` those that count, `map` leads between the clocks. */
  show(found, rows, map) {
    this.found = found;
    this.rows = rows;
    this.map = map;
    this.open(found.sound, found.view);
    const pitches = found.played.map(([midi]) => midi);
    this.low = Math.min(...pitches) - 3;
    this.high = Math.max(...pitches) + 3;
  }

  get tall() {
    return this.found ? TALL : 0;
  }

  close() {
    this.found = null;
    this.meta = null;
  }

  /** Where the take's seconds lie: the axis of the tab, seen through the map of the two clocks. */
  warped(axis) {
    const { map } = this;
    return {
      stretches: (from, to) =>
        map
          .pieces(from, to)
          .flatMap(([a, b]) =>
            axis
              .stretches(map.toRiff(a), map.toRiff(b))
              .map(([x, y, xa, xb]) => [map.toTake(x), map.toTake(y), xa, xb]),
          ),
    };
  }

  draw({ axis, offset, width }) {
    this.drawOn(this.canvas, { axis, offset, width });
  }

  /** A slice of the axis on a canvas; `left` pixels at its edge stay free, `named` tells what it is. */
  drawOn(canvas, { axis, offset, width, left = 0, named = true }) {
    const ratio = window.devicePixelRatio || 1;
    const c = canvas.getContext("2d");
    c.setTransform(ratio, 0, 0, ratio, 0, 0);
    c.clearRect(0, 0, width, TALL);
    if (!this.found) return;
    c.save();
    c.beginPath();
    c.rect(left, 0, width - left, TALL);
    c.clip();
    const { ink, accent, faint, paper, line } = this.colours();
    const [r0, r1] = [axis.secAt(offset + left), axis.secAt(offset + width)];
    const [t0, t1] = [this.map.toTake(r0), Math.min(this.map.toTake(r1), this.meta.duration_sec)];
    const span = this.meta.tile_sec;
    const lane = this.warped(axis);
    for (let k = Math.max(0, Math.floor(t0 / span)); k * span < t1 && k < this.meta.tiles; k += 1) {
      const tile = this.tile(k);
      if (!tile.peaks) continue;
      const [from, to] = [Math.max(t0, k * span), Math.min((k + 1) * span, t1)];
      this.paintWave(c, tile, k * span, from, to, lane, offset, line, WAVE);
    }
    const y = (midi) =>
      WAVE.top + 4 + (WAVE.tall - 8) * (1 - (midi - this.low) / (this.high - this.low));
    const x = (sec) => axis.xOf(this.map.toRiff(sec)) - offset;
    c.font = "12px system-ui, sans-serif";
    c.textAlign = "center";
    for (const row of this.rows) {
      const note = this.found.played[row.take];
      const good = row.verdict === "right";
      c.strokeStyle = c.fillStyle = ["wrong", "extra", "missed"].includes(row.verdict)
        ? accent
        : ink;
      if (!note) {
        // What the second listening alone has found has no note of its own.
        if (good) continue;
        const at = axis.xOf(row.sec) - offset;
        if (at > -20 && at < width + 20) c.fillText(VERDICTS[row.verdict], at, 12);
        continue;
      }
      const [midi, onset, end] = note;
      const [a, b] = [x(onset), Math.max(x(onset) + 3, x(end))];
      if (b < -20 || a > width + 20) continue;
      for (const [colour, wide] of [
        [paper, 5],
        [c.fillStyle, good ? 1.8 : 3],
      ]) {
        c.strokeStyle = colour;
        c.lineWidth = wide;
        c.beginPath();
        c.moveTo(a, y(midi));
        c.lineTo(b, y(midi));
        c.moveTo(a, y(midi) - 4);
        c.lineTo(a, y(midi) + 4);
        c.stroke();
      }
      if (!good) c.fillText(VERDICTS[row.verdict], a, 12);
    }
    if (named) {
      c.textAlign = "left";
      c.fillStyle = paper;
      c.fillRect(left, 0, c.measureText("compared").width + 6, WAVE.top);
      c.fillStyle = faint;
      c.fillText("compared", left + 2, 12);
    }
    c.restore();
  }
}
