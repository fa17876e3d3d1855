// The lines of the sheet for a page that flows, as the handout is: each a drawing of its own, with the
// marks of a take under it where there is one.

import { s } from "./dom.js";
import { RHYTHM_ROOM } from "./rhythm.js";
import { GAP, HEAD, breakLines, drawSystem, layBars, linesOf, placeOf } from "./sheet.js";
import { judged, marksOf, verdictMark } from "./tabdraw.js";

const EDGE = 0.15; // beside a line of its own, so that its first and last stroke are whole

/**
 * The lines of a riff as drawings of their own, for a page that flows: `width` in millimetres of
 * paper. Each has its `svg` and geometry `g`, the beats that it holds (`from`, `to`), the place `x`
 * of a beat in it and the bar at a place, in millimetres.
 */
export function drawSystems(riff, width) {
  const g = linesOf(riff);
  const bars = layBars(riff);
  const words = marksOf(riff.data.document).some((mark) => mark.kind === "words");
  const foot = g.bottom + (RHYTHM_ROOM + (words ? 1 : 0)) * GAP;
  const marks = riff.verdicts && marksUnder(riff, bars, foot);
  const height = foot + (marks?.tall || 0);
  const systems = evenLines(bars, width - HEAD);
  const per = riff.bars.meter[0];
  return systems.map((system, index) => {
    // A bar wider than the line is drawn as narrow as the line.
    const wide = Math.max(width, HEAD + system.used);
    const ends = [index === 0, index === systems.length - 1];
    const group = drawSystem(riff, g, system, null, wide, ends);
    if (marks) group.append(...marks.of(system, per));
    const free = group.querySelector(".chord") ? 0 : 4;
    const box = `${-EDGE} ${free} ${wide + 2 * EDGE} ${height - free}`;
    const svg = s("svg", { class: "sheet-page", viewBox: box }, group);
    const barOf = (beat) => system.bars.find((bar) => bar.number === Math.floor(beat / per + 1e-6));
    return {
      svg,
      g,
      from: system.bars[0].number * per,
      to: (system.bars[system.bars.length - 1].number + 1) * per,
      x(beat) {
        const bar = barOf(beat);
        return bar ? placeOf(bar, beat - bar.number * per, bar.inner, bar.end, per) : null;
      },
      barAt: (x) => system.bars.find((bar) => x < bar.end) || null,
    };
  });
}

/**
 * The marks of a take under the lines, from `top` on: what was not right, a row for each string of
 * a stroke, and under these what was played and is not written.
 */
function marksUnder(riff, bars, top) {
  const bad = (column) => judged(riff.verdicts, column).filter((each) => each !== "right");
  const columns = bars.flatMap((bar) => bar.columns);
  const rows = Math.max(0, ...columns.map((column) => bad(column).length));
  const size = 1.35 * GAP; // as large as can be told apart at arm's length (by eye)
  const step = 0.85 * size;
  const mark = (verdict, x, row) =>
    verdictMark({ gap: size }, verdict, x, top + (row + 0.6) * step);
  return {
    tall: (rows + (riff.extras.length ? 1 : 0)) * step,
    of: (system, per) => [
      ...system.bars.flatMap((bar) =>
        bar.columns.flatMap((column) => bad(column).map((each, row) => mark(each, column.x, row))),
      ),
      ...riff.extras.flatMap((beat) => {
        const bar = system.bars.find(({ number }) => number === Math.floor(beat / per + 1e-6));
        if (!bar) return [];
        return [
          mark("extra", placeOf(bar, beat - bar.number * per, bar.inner, bar.end, per), rows),
        ];
      }),
    ],
  };
}

/** As many lines as are needed, about equally full. */
function evenLines(bars, room) {
  const systems = breakLines(bars, room);
  for (let less = room - 2; less > room / 2; less -= 2) {
    const tighter = breakLines(bars, less);
    if (tighter.length > systems.length || tighter.some((each) => each.used > less)) break;
    systems.splice(0, systems.length, ...tighter);
  }
  return systems;
}
