// The printed sheet: systems of bars spaced by note values, drawn with the strokes of the strip.
// Lengths are millimetres of paper.

import { s } from "./dom.js";
import { isLongRow, openStrings, printed, tempoWords } from "./music.js";
import { RHYTHM_ROOM, drawRhythm } from "./rhythm.js";
import {
  VERDICTS,
  VERDICT_WORDS,
  barLine,
  chordsOf,
  figure,
  fingerMark,
  geometry,
  marksOf,
  staff,
  strumSign,
  technique,
} from "./tabdraw.js";

const PAPERS = { a4: [210, 297], letter: [215.9, 279.4] };
const MARGIN = 16;
export const GAP = 3.3;
export const HEAD = 9.5; // before the first bar of a line: the word tab, the time signature
const MOST = 1.5; // how much larger a short riff is drawn (chosen by eye)

/** Where the strings of a system lie, and the names over them; strums stand between the two. */
export function linesOf(riff) {
  const lift = riff.notes.some((note) => note.stroke) ? 2.4 : 0;
  const strings = riff.data.document.instrument.open_midi.length;
  const g = geometry(strings, { gap: GAP, top: 10 + lift });
  return { ...g, names: g.top - 2.4 - lift, chords: g.top - 5.6 - lift };
}

/** Pages of the sheet as SVG elements. */
export function drawSheet(riff, paper) {
  const [width, height] = PAPERS[paper];
  const g = linesOf(riff);
  const bars = layBars(riff);
  const inner = width - 2 * MARGIN;
  let page = newPage(paper, width, height);
  const pages = [page];
  let y = heading(page, riff, width);
  const foot = height - MARGIN - 4;
  const { size, systems, step } = layPage(
    bars,
    inner,
    foot - y,
    g.bottom + (RHYTHM_ROOM + 1) * GAP,
  );
  systems.forEach((system, index) => {
    if (index && y + step > foot + 0.1) {
      page = newPage(paper, width, height);
      pages.push(page);
      y = MARGIN;
    }
    const place = `translate(${MARGIN} ${y}) scale(${size})`;
    const ends = [index === 0, index === systems.length - 1];
    page.append(drawSystem(riff, g, system, place, inner / size, ends));
    y += step;
  });
  const key = signs(riff.notes, riff.bars.phrases, { unsure: riff.unsure });
  if (key) page.append(s("text", { x: MARGIN, y: height - 14, font: 3 }, key));
  pages.forEach((each, k) => {
    each.append(
      s(
        "text",
        { class: "folio", x: width / 2, y: height - 9, mid: true, font: 3 },
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
    page.append(s("text", { x, y, font: size, ...props }, words));
  text(MARGIN, 25, 8, riff.data.name, { class: "sheet-title" });
  const strings = openStrings(doc);
  const facts = [
    mode && !mode.candidates?.length ? printed(riff.data.mode) : "", // with its doubt
    doc.rhythm ? tempoWords(doc.rhythm.bpm, doc.rhythm.meter) : "",
    `strings from the highest: ${strings.join(" ")}`,
    doc.instrument.capo ? `capo at fret ${doc.instrument.capo}` : "",
  ]
    .filter(Boolean)
    .join("  ·  ");
  text(MARGIN, 31.5, 3.4, facts);
  let y = 37;
  const loop = doc.theory?.loop;
  if (loop?.symbols?.length && !isLongRow(loop)) {
    const played = loop.symbols.map(
      (symbol) => doc.theory.ways?.find((way) => way.symbol === symbol)?.as_played,
    );
    const shapes = played.every(Boolean) ? `  ·  shapes at the capo: ${played.join(" ")}` : "";
    text(
      MARGIN,
      y,
      3.4,
      printed(
        `${loop.implied ? "Chords it hints at" : loop.once ? "Chords" : "Loop"}: | ${(loop.by_bar?.length ? loop.by_bar.map((bar) => bar.join(" ")) : loop.symbols).join(" | ")} |${shapes}`,
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
export function layBars(riff) {
  const { bars, notes } = riff;
  const per = bars.meter[0];
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
      column.wide =
        4.3 + 4.4 * Math.sqrt(Math.max(0.1, ((next - column.beat) * 4) / bars.meter[1]));
    });
    const lead =
      columns.length && columns[0].beat > 0.05 && number > first
        ? 3 + 4.4 * Math.sqrt((columns[0].beat * 4) / bars.meter[1])
        : 0;
    const natural = 4 + lead + columns.reduce((sum, column) => sum + column.wide, 0);
    out.push({ number, columns, lead, natural: Math.max(12, natural) });
  }
  return out;
}

/**
 * The bars in lines. What fits on one page is drawn larger, and its lines are set apart, so that
 * the page is filled; `step` is the distance of the lines, in millimetres.
 */
export function layPage(bars, width, height, tall) {
  const widest = Math.max(...bars.map((bar) => bar.natural), 0);
  for (let size = MOST; size > 1; size -= 0.05) {
    const room = width / size - HEAD;
    const systems = breakLines(bars, room);
    const used = systems.length * tall * size;
    if (widest <= room && used <= height)
      return { size, systems, step: Math.min(tall * size * 1.6, height / systems.length) };
  }
  return { size: 1, systems: breakLines(bars, width - HEAD), step: tall };
}

const SIGNS = {
  "hammer-on": "h hammer-on",
  "pull-off": "p pull-off",
  slide: "sl slide",
  bend: "bent arrow: bend",
  vibrato: "wave: vibrato",
  harmonic: "‹12› harmonic",
  dead: "× dead note",
};

/** The signs that stand on the sheet, explained; empty where there are none. */
export function signs(notes, phrases, { unsure = new Set(), verdicts = null, extras = [] } = {}) {
  const used = new Set(notes.map((note) => note.articulation));
  return [
    ...Object.keys(SIGNS)
      .filter((name) => used.has(name))
      .map((name) => SIGNS[name]),
    notes.some((note) => note.palm_mute) ? "PM palm mute" : "",
    notes.some((note) => note.let_ring) ? "LR let ring" : "",
    notes.some((note) => note.stroke) ? "⊓ stroke down, V up" : "",
    notes.some((note) => note.string === null) ? "? no string yet" : "",
    notes.some((note) => unsure.has(note.id)) ? "lighter, with ?: unsure" : "",
    verdicts?.size ? takeSigns(notes, verdicts, extras) : "",
    phrases.length ? `${[...new Set(phrases.map((each) => each.label))].join(", ")}: phrases` : "",
  ]
    .filter(Boolean)
    .join("   ·   ");
}

/** The marks of a take, explained. */
function takeSigns(notes, verdicts, extras) {
  const found = new Set(notes.map((note) => verdicts.get(note.id)));
  if (extras.length) found.add("extra");
  return Object.keys(VERDICTS)
    .filter((kind) => kind !== "right" && found.has(kind))
    .map((kind) => `${VERDICTS[kind]} ${VERDICT_WORDS[kind]}`)
    .join("   ·   ");
}

export function breakLines(bars, room) {
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

/** @param {boolean[]} ends whether it is the first, and the last */
export function drawSystem(riff, g, system, place, width, ends) {
  const [isFirst, isLast] = ends;
  const doc = riff.data.document;
  const room = width - HEAD;
  // The last line is not pulled apart further than looks even.
  const stretch = isLast ? Math.min(room / system.used, 1.35) : room / system.used;
  const right = HEAD + system.used * stretch;
  const group = s(
    "g",
    { class: "system", transform: place },
    staff(g, 0, right),
    barLine(g, 0),
    barLine(g, right),
  );
  const middle = (g.top + g.bottom) / 2;
  [..."TAB"].forEach((letter, k) =>
    group.append(
      s("text", { class: "tab-word", x: 1.6, y: middle - 1.6 + 2.9 * k, font: 3.2 }, letter),
    ),
  );
  if (isFirst && riff.bars.there)
    riff.bars.meter.forEach((number, k) =>
      group.append(
        s(
          "text",
          {
            class: "meter",
            x: 6.6,
            y: middle - 0.4 + 4.2 * k,
            mid: true,
            font: 5,
            "font-weight": "bold",
          },
          String(number),
        ),
      ),
    );
  const xs = new Map();
  const figures = [];
  let x = HEAD;
  const bars = riff.bars;
  const chords = chordsOf(doc);
  system.bars.forEach((bar) => {
    const start = x;
    const end = x + bar.natural * stretch;
    if (bars.there && bar.number >= 0)
      group.append(
        s(
          "text",
          { class: "bar-number", x: start + 0.4, y: g.names, font: 2.4 },
          String(bar.number + 1),
        ),
      );
    bar.inner = start + 4 * stretch;
    bar.end = end;
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
            y: g.chords,
            font: 3.6,
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
            {
              class: "phrase",
              x: start + 1.6 + 1.4 * String(bar.number + 1).length,
              y: g.names,
              font: 2.8,
            },
            phrase.label,
          ),
        );
      }
    }
    if (bars.there) group.append(barLine(g, end));
    const written = riff.data.bars.find(({ number }) => number === bar.number + 1);
    if (written)
      group.append(
        drawRhythm(g, [written], {
          per: bars.meter[0],
          count: false,
          x: (event) =>
            (event.tied_from ? null : xs.get(event.notes[0])) ??
            placeOf(
              bar,
              event.beat - bar.number * bars.meter[0],
              start + 4 * stretch,
              end,
              bars.meter[0],
            ),
          middle: () => (start + end) / 2,
        }),
      );
    x = end;
  });
  for (const mark of marksOf(doc)) {
    if (mark.kind === "chord" || !xs.has(mark.note)) continue;
    const section = mark.kind === "section";
    const y = section ? g.names : g.bottom + (RHYTHM_ROOM + 0.8) * GAP;
    const text = section ? `[${mark.text}]` : mark.text;
    const x = xs.get(mark.note) + (section ? 3 : 0);
    group.append(s("text", { class: mark.kind, x, y, "font-size": 2.6 }, text));
  }
  const sources = riff.data.legato_from;
  const byId = new Map(riff.notes.map((note) => [note.id, note]));
  const struck = new Set(); // places that have their stroke
  for (const [note, at] of figures) {
    const source = byId.get(sources[note.id]);
    const from =
      source && xs.has(source.id) && xs.get(source.id) < at
        ? { x: xs.get(source.id), fret: source.fret, bent: source.articulation === "bend" }
        : null;
    group.append(...technique(g, note, at, from));
    if (note.stroke && !struck.has(at)) group.append(strumSign(g, note.stroke, at));
    if (note.stroke) struck.add(at);
  }
  for (const [note, at] of figures) {
    const finger = riff.strip.shown.fingers ? fingerMark(g, note, at) : null;
    if (finger) group.append(finger);
    group.append(figure(g, { ...note, pinned: false }, at, { unsure: riff.unsure.has(note.id) }));
  }
  return group;
}

export function placeOf(bar, beat, start, end, per) {
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

/** One page as a file of its own, with its style inside. */
export function sheetFile(page) {
  const copy = page.cloneNode(true);
  copy.setAttribute("xmlns", "http://www.w3.org/2000/svg");
  const [, , width, height] = copy.getAttribute("viewBox").split(" ");
  copy.setAttribute("width", `${width}mm`);
  copy.setAttribute("height", `${height}mm`);
  copy.prepend(s("style", {}, style()));
  return new Blob([new XMLSerializer().serializeToString(copy)], { type: "image/svg+xml" });
}

/** The page's own rules for sheets, on which nothing else of the page weighs. */
function style() {
  const real = {
    "--ink": "#000",
    "--sans": 'Arial, "Liberation Sans", sans-serif',
    "--serif": 'Georgia, "Liberation Serif", serif',
  };
  return [...document.styleSheets]
    .flatMap((sheet) => [...sheet.cssRules])
    .map((rule) => rule.cssText)
    .filter((text) => /^[^@{]*\.sheet-page/.test(text))
    .join("\n")
    .replace(/var\((--\w+)\)/g, (_, name) => real[name]);
}
