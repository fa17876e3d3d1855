// How long notes last, drawn under the lines: stems, flags and beams, dots, ties, rests, triplets
// and the count. The page and the sheet draw with it; sizes follow `g.gap`. What is written (note
// values, rests, ties, beams) comes with the riff as its `bars`.

import { s } from "./dom.js";
import { beatText } from "./music.js";

const FLAGS = { eighth: 1, "16th": 2, "32nd": 3 };

/** Where the rows of the rhythm lie under the lines; `below` is the room that they take. */
export function rhythmRows(g) {
  const top = g.bottom + 0.6 * g.gap;
  const foot = top + 1.5 * g.gap;
  return { top, foot, middle: (top + foot) / 2, count: foot + 1.4 * g.gap };
}

/** Room for the rhythm under the lines, in gaps of the strings. */
export const RHYTHM_ROOM = 3.2;

/**
 * The rhythm of some bars. `x` gives the place of an event in the drawing; only what it gives a
 * place (not null) is drawn. `middle` gives the middle of a bar, for the rest that fills it; `per`
 * is how many beats a bar has.
 */
export function drawRhythm(g, bars, { x, middle, per, count = true }) {
  const rows = rhythmRows(g);
  const group = s("g", { class: "rhythm", "aria-hidden": "true" });
  for (const bar of bars) {
    const events = bar.events.map((event) => ({ ...event, x: x(event, bar) }));
    events.forEach((event, k) => {
      if (event.x === null) return;
      if (event.whole) {
        group.append(rest(g, rows, { ...event, x: middle(bar) ?? event.x }));
        return;
      }
      if (event.notes.length) group.append(...stem(g, rows, events, k));
      else group.append(rest(g, rows, event));
      if (event.dots) group.append(dot(g, rows, event));
    });
    group.append(...triplets(g, rows, events));
    if (count) group.append(...counts(g, rows, bar, per, x));
  }
  group.append(...ties(g, rows, bars, x));
  return group;
}

function stem(g, rows, events, k) {
  const event = events[k];
  const { gap } = g;
  if (event.value === "whole") return [];
  const half = event.value === "half";
  const parts = [
    s("line", {
      class: "stem",
      x1: event.x,
      x2: event.x,
      y1: half ? rows.middle : rows.top,
      y2: rows.foot,
    }),
  ];
  const step = 0.36 * gap;
  const flags = FLAGS[event.value] || 0;
  for (let level = 0; level < flags; level += 1) {
    const y = rows.foot - level * step;
    const beam = event.beams[level];
    if (!beam)
      parts.push(
        s("path", {
          class: "flag",
          d: `M${event.x} ${y} q${0.1 * gap} ${-0.35 * gap} ${0.5 * gap} ${-0.6 * gap}`,
        }),
      );
    else if (beam === "begin" || beam === "continue")
      parts.push(line(event.x, events[k + 1].x ?? event.x + gap, y));
    else if (beam === "forward hook") parts.push(line(event.x, event.x + 0.5 * gap, y));
    else if (beam === "backward hook") parts.push(line(event.x - 0.5 * gap, event.x, y));
  }
  return parts;
}

function line(x1, x2, y) {
  return s("line", { class: "beam", x1, x2, y1: y, y2: y });
}

function dot(g, rows, event) {
  const y = event.notes.length ? rows.foot - 0.15 * g.gap : rows.middle;
  return s("circle", { class: "dot", cx: event.x + 0.42 * g.gap, cy: y, r: 0.12 * g.gap });
}

/** A rest where its time begins: blocks for the long ones, hooks on a slanted stroke for the short. */
function rest(g, rows, event) {
  const { gap } = g;
  const { x } = event;
  const y = rows.middle;
  const group = s("g", { class: `rest ${event.value}` });
  const block = (top) =>
    s("rect", { class: "block", x: x - 0.4 * gap, y: top, width: 0.8 * gap, height: 0.28 * gap });
  const ledge = s("line", { class: "stem", x1: x - 0.6 * gap, x2: x + 0.6 * gap, y1: y, y2: y });
  if (event.value === "whole") group.append(ledge, block(y));
  else if (event.value === "half") group.append(ledge, block(y - 0.28 * gap));
  else if (event.value === "quarter")
    group.append(
      s("path", {
        class: "zigzag",
        d: `M${x - 0.12 * gap} ${y - 0.6 * gap} l${0.3 * gap} ${0.38 * gap} l${-0.28 * gap} ${0.3 * gap} l${0.3 * gap} ${0.36 * gap} q${-0.5 * gap} ${-0.12 * gap} ${-0.18 * gap} ${0.3 * gap}`,
      }),
    );
  else {
    const hooks = FLAGS[event.value];
    const top = y - 0.2 * gap * hooks;
    const end = y + 0.55 * gap;
    const slant = (at) => x + 0.22 * gap - 0.3 * gap * ((at - top) / (end - top));
    group.append(s("line", { class: "stem", x1: slant(top), x2: slant(end), y1: top, y2: end }));
    for (let k = 0; k < hooks; k += 1) {
      const at = top + 0.4 * gap * k;
      group.append(
        s("circle", {
          class: "dot",
          cx: slant(at) - 0.38 * gap,
          cy: at + 0.06 * gap,
          r: 0.12 * gap,
        }),
        s("path", {
          class: "flag",
          d: `M${slant(at) - 0.38 * gap} ${at + 0.1 * gap} q${0.26 * gap} ${0.12 * gap} ${0.38 * gap} ${-0.1 * gap}`,
        }),
      );
    }
  }
  return group;
}

/** The arcs from a value to the one that it is held into; at an edge of the drawing, half of one. */
function ties(g, rows, bars, x) {
  const all = bars.flatMap((bar) => bar.events.map((event) => ({ event, at: x(event, bar) })));
  const y = rows.foot + 0.2 * g.gap;
  const short = 1.2 * g.gap;
  return all.flatMap(({ event, at }, k) => {
    if (!event.tied_to || !event.notes.length || !all[k + 1]) return [];
    const next = all[k + 1].at;
    if (at === null && next === null) return [];
    const from = at ?? next - short;
    const to = next ?? at + short;
    const deep = Math.min(g.gap, 0.5 * (to - from));
    return [
      s("path", { class: "tie", d: `M${from} ${y} Q${(from + to) / 2} ${y + deep} ${to} ${y}` }),
    ];
  });
}

function triplets(g, rows, events) {
  const runs = [];
  let run = [];
  let beats = 0;
  for (const event of events) {
    if (!event.triplet || event.x === null) {
      run = [];
      continue;
    }
    if (!run.length) {
      runs.push(run);
      beats = 0;
    }
    run.push(event);
    beats += event.beats;
    // Three thirds make a whole; what follows is the next group.
    if (Math.abs(beats * 2 - Math.round(beats * 2)) < 0.01) run = [];
  }
  return runs.map((all) =>
    s(
      "text",
      {
        class: "triplet",
        x: (all[0].x + all[all.length - 1].x) / 2,
        y: rows.foot + 0.75 * g.gap,
        mid: true,
        font: 0.66 * g.gap,
      },
      "3",
    ),
  );
}

/** What is counted aloud: the number of every beat, and the sign of each note struck between. */
function counts(g, rows, bar, per, x) {
  // A pickup has the last beats of a whole bar.
  const first = bar.number === 0 ? per - bar.beats + 1 : 1;
  const beats = new Map();
  for (let k = Math.ceil(first) - first; k < bar.beats; k += 1)
    beats.set(bar.beat + k, { beat: bar.beat + k, notes: [] });
  for (const event of bar.events)
    if (event.notes.length && !event.tied_from) beats.set(event.beat, event);
  let end = -Infinity;
  return [...beats.values()]
    .map((event) => ({ event, at: x(event, bar), name: beatText(event.beat - bar.beat + first) }))
    .filter(({ at, name }) => at !== null && !name.includes("."))
    .sort((one, other) => one.at - other.at)
    .flatMap(({ event, at, name }) => {
      const text = /^\d+$/.test(name) ? name : name.replace(/^\d+/, "");
      const half = 0.22 * g.gap * text.length;
      if (at - half < end) return [];
      end = at + half;
      return [
        s(
          "text",
          {
            class: event.notes.length ? "count" : "count held",
            x: at,
            y: rows.count,
            mid: true,
            font: 0.66 * g.gap,
          },
          text,
        ),
      ];
    });
}
