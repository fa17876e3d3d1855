// The printed sheet: systems of bars spaced by note values, drawn with the strokes of the strip.
// Lengths are millimetres of paper.

import { s } from "./dom.js";
import { pitchName, printed } from "./music.js";
import { barLine, figure, geometry, staff, technique } from "./tabdraw.js";

const PAPERS = { a4: [210, 297], letter: [215.9, 279.4] };
const MARGIN = 16;
const GAP = 3.3;
const STEM = 4.6;

/** Pages of the sheet as SVG elements. */
export function drawSheet(riff, paper) {
  const [width, height] = PAPERS[paper];
  const g = geometry(riff.data.document.instrument.open_midi.length, { gap: GAP, top: 10 });
  const bars = layBars(riff);
  const inner = width - 2 * MARGIN;
  const systems = breakLines(bars, inner - 8);
  const tall = g.bottom + STEM + 9;
  const pages = [];
  let page = null;
  let y = 0;
  systems.forEach((system, index) => {
    if (!page || y + tall > height - MARGIN) {
      page = newPage(paper, width, height);
      pages.push(page);
      y = MARGIN;
      if (pages.length === 1) y = heading(page, riff, width);
    }
    page.append(drawSystem(riff, g, system, MARGIN, y, inner, index === systems.length - 1));
    y += tall;
  });
  if (!page) {
    page = newPage(paper, width, height);
    heading(page, riff, width);
    pages.push(page);
  }
  pages.forEach((each, k) => {
    each.append(
      s(
        "text",
        { class: "folio", x: width / 2, y: height - 9, "text-anchor": "middle", "font-size": 3 },
        `${riff.data.name} · ${k + 1} of ${pages.length}`,
      ),
    );
  });
  return pages;
}

function newPage(paper, width, height) {
  const page = s("svg", {
    class: `sheet-page ${paper}`,
    viewBox: `0 0 ${width} ${height}`,
    role: "img",
    "aria-label": "Page of the sheet",
  });
  page.append(s("rect", { class: "sheet-paper", x: 0, y: 0, width, height }));
  return page;
}

function heading(page, riff, width) {
  const doc = riff.data.document;
  const mode = doc.theory?.mode;
  const text = (x, y, size, words, props = {}) =>
    page.append(s("text", { x, y, "font-size": size, ...props }, words));
  text(MARGIN, 25, 8, riff.data.name, { class: "sheet-title" });
  const strings = doc.instrument.open_midi.map(pitchName);
  const facts = [
    mode ? printed(`${mode.tonic} ${mode.name}`) : "",
    doc.rhythm ? `${Math.round(doc.rhythm.bpm)} beats a minute, ${doc.rhythm.meter.join("/")}` : "",
    `strings from the highest: ${strings.join(" ")}`,
    doc.instrument.capo ? `capo at fret ${doc.instrument.capo}` : "",
  ]
    .filter(Boolean)
    .join("  ·  ");
  text(MARGIN, 31.5, 3.4, facts);
  let y = 37;
  const loop = doc.theory?.loop;
  if (loop?.symbols?.length) {
    text(
      MARGIN,
      y,
      3.4,
      printed(
        `Loop: | ${(loop.by_bar?.length ? loop.by_bar.map((bar) => bar.join(" ")) : loop.symbols).join(" | ")} |${loop.implied ? " (implied)" : ""}`,
      ),
    );
    y += 5;
  }
  if (doc.drone) {
    const strings = [doc.drone.string, ...(doc.drone.other_strings || [])];
    text(
      MARGIN,
      y,
      3.4,
      `String ${strings.join(" and ")} ${strings.length > 1 ? "ring" : "rings"} open as a drone.`,
    );
    y += 5;
  }
  for (const caution of riff.data.remarks.cautions.slice(0, 3)) {
    for (const line of wrapped(`Take care: ${caution.sentence}`, (width - 2 * MARGIN) / 1.55)) {
      text(MARGIN, y, 3, line);
      y += 4;
    }
  }
  return y + 2;
}

function wrapped(text, most) {
  const lines = [""];
  for (const word of text.split(" ")) {
    const last = lines[lines.length - 1];
    if (last && last.length + word.length + 1 > most) lines.push(word);
    else lines[lines.length - 1] = last ? `${last} ${word}` : word;
  }
  return lines;
}

/** Bars with their notes in columns; each column has a place along the bar and a note value. */
function layBars(riff) {
  const { bars, notes } = riff;
  const per = bars.meter[0];
  const quarter = 4 / bars.meter[1];
  const found = new Map();
  for (const note of notes) {
    const beat = note.onset_beat ?? bars.beatAt(note.onset_sec);
    const number = Math.floor(beat / per + 1e-6);
    if (!found.has(number)) found.set(number, []);
    found.get(number).push({ note, beat: beat - number * per });
  }
  const numbers = [...found.keys()];
  if (!numbers.length) return [];
  const out = [];
  const first = Math.min(...numbers);
  for (let number = first; number <= Math.max(...numbers); number += 1) {
    const columns = [];
    for (const { note, beat } of (found.get(number) || []).sort((a, b) => a.beat - b.beat)) {
      const last = columns[columns.length - 1];
      if (last && Math.abs(last.beat - beat) < 0.06) last.notes.push(note);
      else columns.push({ beat, notes: [note] });
    }
    columns.forEach((column, k) => {
      const next = columns[k + 1]?.beat ?? per;
      const held = Math.max(...column.notes.map((note) => note.duration_beat || 0));
      const beats = Math.min(
        next - column.beat,
        held > 0.06 && k + 1 === columns.length ? Math.max(held, 0.25) : next - column.beat,
      );
      column.quarters = beats * quarter;
      column.wide = 4.3 + 4.4 * Math.sqrt(Math.max(0.1, (next - column.beat) * quarter));
    });
    const lead =
      columns.length && columns[0].beat > 0.05 && number > first
        ? 3 + 4.4 * Math.sqrt(columns[0].beat * quarter)
        : 0;
    const natural = 4 + lead + columns.reduce((sum, column) => sum + column.wide, 0);
    out.push({ number, columns, lead, natural: Math.max(12, natural) });
  }
  return out;
}

function breakLines(bars, room) {
  const systems = [];
  let line = [];
  let used = 0;
  for (const bar of bars) {
    if (line.length && used + bar.natural > room) {
      systems.push({ bars: line, used });
      line = [];
      used = 0;
    }
    line.push(bar);
    used += bar.natural;
  }
  if (line.length) systems.push({ bars: line, used });
  return systems;
}

function drawSystem(riff, g, system, left, top, width, isLast) {
  const doc = riff.data.document;
  const room = width - 8;
  // The last line is not pulled apart further than looks even.
  const stretch = isLast ? Math.min(room / system.used, 1.35) : room / system.used;
  const right = 8 + system.used * stretch;
  const group = s(
    "g",
    { class: "system", transform: `translate(${left} ${top})` },
    staff(g, 0, right),
    barLine(g, 0),
    barLine(g, right),
  );
  group.append(
    s(
      "text",
      { class: "tab-word", x: 1.6, y: (g.top + g.bottom) / 2 - 1.6, "font-size": 3.2 },
      "T",
    ),
    s(
      "text",
      { class: "tab-word", x: 1.6, y: (g.top + g.bottom) / 2 + 1.3, "font-size": 3.2 },
      "A",
    ),
    s(
      "text",
      { class: "tab-word", x: 1.6, y: (g.top + g.bottom) / 2 + 4.2, "font-size": 3.2 },
      "B",
    ),
  );
  const xs = new Map();
  const figures = [];
  let x = 8;
  const bars = riff.bars;
  const chords = doc.theory?.chords || [];
  system.bars.forEach((bar) => {
    const start = x;
    const end = x + bar.natural * stretch;
    if (bars.there && bar.number >= 0)
      group.append(
        s(
          "text",
          { class: "bar-number", x: start + 0.4, y: g.top - 1.4, "font-size": 2.4 },
          String(bar.number + 1),
        ),
      );
    let at = start + (4 + bar.lead) * stretch;
    for (const column of bar.columns) {
      column.x = at;
      for (const note of column.notes) {
        xs.set(note.id, at);
        figures.push([note, at]);
      }
      at += column.wide * stretch;
    }
    for (const chord of chords) {
      const beat = bars.beatAt(chord.start_sec) - bar.number * bars.meter[0];
      if (beat < -0.05 || beat >= bars.meter[0] - 0.05) continue;
      group.append(
        s(
          "text",
          {
            class: "chord",
            x: placeOf(bar, beat, start + 4 * stretch, end, bars.meter[0]),
            y: g.top - 4.6,
            "font-size": 3.6,
          },
          printed(chord.symbol),
        ),
      );
    }
    for (const phrase of bars.phrases) {
      if (Math.floor(phrase.start_beat / bars.meter[0] + 1e-6) === bar.number) {
        group.append(
          s(
            "text",
            { class: "phrase", x: start + 4, y: g.top - 1.2, "font-size": 2.8 },
            phrase.label,
          ),
        );
      }
    }
    if (bars.there) group.append(stems(g, bar, bars.meter));
    if (bars.there) group.append(barLine(g, end));
    x = end;
  });
  const sources = riff.data.legato_from;
  const byId = new Map(riff.notes.map((note) => [note.id, note]));
  for (const [note, at] of figures) {
    const source = byId.get(sources[note.id]);
    const from =
      source && xs.has(source.id) && xs.get(source.id) < at
        ? { x: xs.get(source.id), fret: source.fret }
        : null;
    group.append(...technique(g, note, at, from));
  }
  for (const [note, at] of figures)
    group.append(figure(g, { ...note, pinned: false, confidence: 1 }, at));
  return group;
}

function placeOf(bar, beat, start, end, per) {
  let before = { x: start, beat: 0 };
  for (const column of bar.columns) {
    if (column.beat > beat + 0.06) {
      const share = (beat - before.beat) / Math.max(1e-6, column.beat - before.beat);
      return before.x + share * (column.x - before.x);
    }
    before = column;
  }
  return before.x + ((beat - before.beat) / Math.max(1e-6, per - before.beat)) * (end - before.x);
}

const VALUES = [
  [4, 0, 0],
  [3, 0, 1],
  [2, 0, 0],
  [1.5, 0, 1],
  [1, 0, 0],
  [0.75, 1, 1],
  [2 / 3, 0, 0, 3],
  [0.5, 1, 0],
  [0.375, 2, 1],
  [1 / 3, 1, 0, 3],
  [0.25, 2, 0],
  [1 / 6, 2, 0, 3],
  [0.125, 3, 0],
];

function valueOf(quarters) {
  let best = VALUES[4];
  for (const value of VALUES)
    if (Math.abs(Math.log(quarters / value[0])) < Math.abs(Math.log(quarters / best[0])))
      best = value;
  return { quarters: best[0], flags: best[1], dotted: best[2] === 1, triplet: best[3] === 3 };
}

/** Stems under the lines; beams join the short values of one beat. */
function stems(g, bar, meter) {
  const group = s("g", { class: "stems" });
  const unit = meter[1] >= 8 && meter[0] % 3 === 0 ? 3 : 1;
  const top = g.bottom + GAP * 0.75;
  const base = top + STEM;
  const marked = bar.columns.map((column) => ({
    ...column,
    value: valueOf(Math.max(0.06, column.quarters)),
    beatNumber: Math.floor(column.beat / unit + 1e-6),
  }));
  marked.forEach((column, k) => {
    const { value, x } = column;
    if (value.quarters >= 4) return;
    group.append(
      s("line", { x1: x, x2: x, y1: value.quarters >= 2 ? top + STEM / 2 : top, y2: base }),
    );
    if (value.dotted)
      group.append(s("circle", { class: "dot", cx: x + 1.1, cy: base - 0.5, r: 0.38 }));
    const next = marked[k + 1];
    const before = marked[k - 1];
    const joined = (other) =>
      other && other.beatNumber === column.beatNumber && other.value.flags > 0 && value.flags > 0;
    for (let level = 0; level < value.flags; level += 1) {
      const y = base - level * 1.1;
      if (joined(next) && next.value.flags > level)
        group.append(s("line", { class: "beam", x1: x, x2: next.x, y1: y, y2: y }));
      else if (!(joined(before) && before.value.flags > level)) {
        const back = joined(before) ? -1.5 : 1.5;
        group.append(
          s("line", {
            class: "beam",
            x1: x,
            x2: x + back,
            y1: y,
            y2: joined(before) || joined(next) ? y : y - 0.9,
          }),
        );
      }
    }
    if (value.triplet && !(before?.value.triplet && before.beatNumber === column.beatNumber)) {
      const mates = marked.filter(
        (other) => other.value.triplet && other.beatNumber === column.beatNumber,
      );
      group.append(
        s(
          "text",
          {
            class: "triplet",
            x: (x + mates[mates.length - 1].x) / 2,
            y: base + 2.8,
            "text-anchor": "middle",
            "font-size": 2.6,
          },
          "3",
        ),
      );
    }
  });
  return group;
}

/** One page as a file of its own, with its style inside. */
export function sheetFile(page) {
  const copy = page.cloneNode(true);
  copy.setAttribute("xmlns", "http://www.w3.org/2000/svg");
  const [, , width, height] = copy.getAttribute("viewBox").split(" ");
  copy.setAttribute("width", `${width}mm`);
  copy.setAttribute("height", `${height}mm`);
  copy.prepend(s("style", {}, STYLE));
  return new Blob([new XMLSerializer().serializeToString(copy)], { type: "image/svg+xml" });
}

const STYLE = `
text { font-family: Georgia, "Liberation Serif", serif; fill: #000; }
.note text, .letter, .stems text { font-family: Arial, "Liberation Sans", sans-serif; }
.sheet-paper, .knock { fill: #fff; }
.letter { paint-order: stroke; stroke: #fff; stroke-width: .7; }
.string { stroke: #777; stroke-width: .15; }
.bar { stroke: #000; stroke-width: .25; }
.slur { fill: none; stroke: #000; stroke-width: .25; }
.head, .dot { fill: #000; }
.stems line { stroke: #000; stroke-width: .28; }
.stems .beam { stroke-width: .7; }
`;
