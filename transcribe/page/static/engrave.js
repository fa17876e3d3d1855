// What stands on one stretch of the tab: used by the strip, and by each line of the tab in lines.

import { s } from "./dom.js";
import { drawRhythm } from "./rhythm.js";
import {
  barLine,
  droneLine,
  figure,
  fingerMark,
  judged,
  segmentBand,
  staff,
  marksOf,
  strumSign,
  technique,
  verdictMark,
} from "./tabdraw.js";

/**
 * The strokes between two places of the axis. `show` is the strip: its notes, its marks, its axis.
 * `place` turns a place on the axis into one in the drawing; `edges` are where the lines end.
 */
export function engrave(show, from, to, place, edges) {
  const { g, axis } = show;
  const [left, right] = edges;
  const ground = s("g", { "aria-hidden": "true" }, staff(g, left, right));
  const within = (x) => x >= from && x < to;
  for (const segment of show.segments) {
    const a = axis.xOf(segment.start_sec);
    const b = axis.xOf(segment.end_sec);
    if (b > from && a < to)
      ground.append(
        segmentBand(
          segment.kind,
          Math.max(left, place(Math.max(a, from))),
          Math.min(right, place(Math.min(b, to))),
        ),
      );
  }
  const drone = show.view_.document.drone;
  if (drone) {
    const a = axis.xOf(drone.start_sec);
    const b = axis.xOf(drone.end_sec);
    if (b > from && a < to)
      ground.append(
        ...droneLine(
          g,
          drone,
          Math.max(left, place(a)),
          Math.min(right, place(b)),
          within(a) && place(a) - left > g.gap * 2.7,
        ),
      );
  }
  for (const bar of axis.bars) {
    if (bar.x < from - 0.5 || bar.x > to + 0.5) continue;
    ground.append(barLine(g, place(bar.x)));
    if (bar.x < to - 0.5)
      ground.append(
        s(
          "text",
          { class: "bar-number", x: place(bar.x) + 2, y: g.barY, font: 11 },
          String(bar.number + 1),
        ),
      );
  }
  for (const phrase of axis.phrases) {
    if (within(phrase.x))
      ground.append(
        s(
          "text",
          {
            class: "phrase",
            x: place(phrase.x) + 8 + 7 * String(phrase.number + 1).length,
            y: g.barY,
            font: 12,
          },
          phrase.label,
        ),
      );
  }
  for (const chord of axis.chords) {
    if (within(chord.x))
      ground.append(
        s("text", { class: "chord", x: place(chord.x), y: g.chordY, font: 13 }, chord.text),
      );
  }
  for (const mark of marksOf(show.view_.document)) {
    const column = mark.kind === "chord" ? null : axis.byNote.get(mark.note);
    if (!column || !within(column.x)) continue;
    // A section stands behind the bar's number and the phrase's letter, words under the lines.
    const [x, y] = mark.kind === "section" ? [26, g.barY] : [0, g.verdictY];
    ground.append(
      s(
        "text",
        { class: mark.kind, x: place(column.x) + x, y, "font-size": 11 },
        mark.kind === "section" ? `[${mark.text}]` : mark.text,
      ),
    );
  }
  const figures = s("g", { role: "presentation" });
  for (const column of axis.between(from, to))
    column.notes.forEach((note, k) =>
      drawNote(show, ground, figures, column, note, k, place, left),
    );
  for (const column of axis.between(from, to)) {
    const way = column.notes.find((note) => note.stroke)?.stroke;
    if (way) ground.append(strumSign(g, way, place(column.x)));
    if (column.mark)
      ground.append(
        s(
          "text",
          { class: "deciding", x: place(column.x), y: g.markY, mid: true, font: 11 },
          column.mark,
        ),
      );
    // One mark for each string, in the order of the strings.
    const verdicts = judged(show.verdicts, column);
    verdicts.forEach((verdict, row) =>
      ground.append(verdictMark(g, verdict, place(column.x), g.verdictY + row * g.markGap)),
    );
  }
  if (show.written.length) ground.append(rhythm(show, from, to, place));
  ground.append(...extraMarks(show, from, to, place));
  return [ground, figures];
}

/** The rhythm of the bars that reach into this stretch. */
function rhythm(show, from, to, place) {
  const { g, axis, bars } = show;
  const [first, last] = [from, to].map((x) => bars.beatAt(axis.secAt(x)));
  const written = show.written.filter(
    ({ beat, beats }) => beat + 2 * beats > first && beat - beats < last,
  );
  const lines = new Map(axis.bars.map((bar) => [bar.number + 1, bar.x]));
  const within = (x) => (x >= from && x < to ? place(x) : null);
  return drawRhythm(g, written, {
    per: bars.meter[0],
    x(event, bar) {
      const column = event.tied_from ? null : axis.byNote.get(event.notes[0]);
      if (column) return within(column.x);
      const x = axis.xOf(bars.secAt(event.beat));
      // What begins with a bar keeps clear of its line.
      const line = lines.get(bar.number);
      return within(line === undefined ? x : Math.max(x, line + 0.8 * g.gap));
    },
    middle(bar) {
      const [a, b] = [bar.number, bar.number + 1].map((number) => lines.get(number));
      return a === undefined || b === undefined ? null : within((a + b) / 2);
    },
  });
}

function drawNote(show, ground, figures, column, note, k, place, left) {
  const { g, axis } = show;
  const at = place(column.x);
  const source = show.byId.get(show.sources[note.id]);
  ground.append(
    ...technique(
      g,
      note,
      at,
      source
        ? {
            x: Math.max(left, place(axis.at(source))),
            fret: source.fret,
            bent: source.articulation === "bend",
          }
        : null,
    ),
  );
  const chosen = show.chosen.includes(note.id);
  const wanted = show.wanted.get(note.id);
  const was = show.moved.get(note.id);
  if (was && was[0] !== null && !column.notes.some((other) => other.string === was[0])) {
    const y = g.y(was[0]);
    ground.append(
      s(
        "g",
        { class: "was" },
        s("text", { x: at, y: y + g.gap * 0.28, mid: true, font: g.gap * 0.72 }, String(was[1])),
        s("line", { x1: at - 7, x2: at + 7, y1: y + 3, y2: y - 3 }),
      ),
    );
  }
  const finger = show.shown.fingers ? fingerMark(g, note, at) : null;
  if (finger) ground.append(finger);
  figures.append(
    figure(g, wanted ? { ...note, ...wanted, pinned: true } : note, at, {
      unsure: show.unsure.has(note.id),
      asked: Boolean(wanted),
      classes: [chosen ? "chosen" : "", was ? "moved" : "", wanted ? "asked" : ""].join(" "),
      props: {
        id: `note-${note.id}`,
        role: "option",
        "aria-selected": String(chosen),
        "data-note": note.id,
        "aria-label": show.events.label(note),
      },
    }),
  );
}

/** Extra notes of a take, under the verdicts; those too close for two marks are counted. */
function extraMarks(show, from, to, place) {
  const marks = [];
  for (const extra of show.extras) {
    const x = show.axis.xOf(extra.sec);
    if (x < from || x >= to) continue;
    const last = marks[marks.length - 1];
    if (last && place(x) - last.x < 22) last.count += 1;
    else marks.push({ x: place(x), count: 1 });
  }
  return marks.map(({ x, count }) => {
    const mark = verdictMark(show.g, "extra", x, show.g.verdictY + show.markRows * show.g.markGap);
    if (count > 1) mark.textContent = `+${count}`;
    return mark;
  });
}
