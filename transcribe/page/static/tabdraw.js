// Drawing a tab: the same strokes serve the strip on the page and the printed sheet.
// Everything is placed by functions: `x(note)` and `g.y(string)`; sizes follow `g.gap`.

import { s } from "./dom.js";

/**
 * Where the lines and the rows above and below them lie: `above` in pixels, for what stands over
 * all, `below` in gaps of the strings, for the rhythm.
 */
export function geometry(strings, { gap = 17, top: room = 50, above = 0, below = 0 } = {}) {
  const top = room + above;
  const bottom = top + gap * (strings - 1);
  return {
    strings,
    gap,
    top,
    bottom,
    y: (string) => top + gap * (string - 1),
    above,
    chordY: above + gap * 0.75,
    barY: above + gap * 1.55,
    markY: bottom + gap * (1.15 + below),
    verdictY: bottom + gap * (2.1 + below),
    markGap: gap * 0.8,
    height: bottom + gap * (2.45 + below),
  };
}

export function staff(g, x1, x2) {
  const lines = [];
  for (let string = 1; string <= g.strings; string += 1) {
    lines.push(s("line", { class: "string", x1, x2, y1: g.y(string), y2: g.y(string) }));
  }
  return lines;
}

export function barLine(g, x, kind = "bar") {
  return s("line", { class: kind, x1: x, x2: x, y1: g.top, y2: g.bottom });
}

export function fretText(note) {
  if (note.articulation === "dead") return "×";
  if (note.fret === null) return "?";
  return note.articulation === "harmonic" ? `‹${note.fret}›` : String(note.fret);
}

/** The figure of one note on its string. A note without a place stands under the lines. */
export function figure(
  g,
  note,
  x,
  { classes = "", props = {}, unsure = false, asked = false } = {},
) {
  const y = note.string === null ? g.bottom + g.gap * 0.8 : g.y(note.string);
  const text = fretText(note);
  const half = g.gap * (0.3 + 0.19 * text.length);
  const group = s(
    "g",
    { class: `note ${classes}${unsure ? " unsure" : ""}`, ...props },
    s("rect", {
      class: "knock",
      x: x - half,
      y: y - g.gap * 0.46,
      width: 2 * half,
      height: g.gap * 0.92,
      rx: g.gap * 0.12,
    }),
    s(
      "text",
      { "aria-hidden": "true", x, y: y + g.gap * 0.29, mid: true, font: g.gap * 0.82 },
      text,
    ),
  );
  // A pin is an underline, so that it is seen without colour.
  if (note.pinned)
    group.append(
      s("line", {
        class: asked ? "pin-asked" : "pin",
        x1: x - half,
        x2: x + half,
        y1: y + g.gap * 0.44,
        y2: y + g.gap * 0.44,
      }),
    );
  if (unsure) {
    group.append(
      s(
        "text",
        {
          class: "doubt",
          "aria-hidden": "true",
          x: x + half * 0.9,
          y: y - g.gap * 0.18,
          font: g.gap * 0.55,
        },
        "?",
      ),
    );
  }
  return group;
}

/** The chords to draw: those that the file has itself, else those that were found. */
export function chordsOf(doc) {
  const own = marksOf(doc).filter((mark) => mark.kind === "chord");
  if (!own.length) return doc.theory?.chords || [];
  const onsets = new Map(doc.notes.map((note) => [note.id, note.onset_sec]));
  return own.map((mark) => ({ start_sec: onsets.get(mark.note), symbol: mark.text }));
}

/** What a file has beside its notes: sections, chords and words, each at a note. */
export function marksOf(doc) {
  return doc.marks || [];
}

/** The finger that stops a note, small at the foot of its figure. */
export function fingerMark(g, note, x) {
  if (!note.finger || note.string === null) return null;
  const half = g.gap * (0.3 + 0.19 * fretText(note).length);
  return s(
    "text",
    {
      class: "finger",
      x: x - half,
      y: g.y(note.string) + g.gap * 0.42,
      "text-anchor": "end",
      font: g.gap * 0.55,
    },
    String(note.finger),
  );
}

/** The sign of a strum over the lines: a frame, open below, for down; a wedge for up. */
export function strumSign(g, way, x) {
  const wide = g.gap * 0.28;
  const foot = g.top - g.gap * 0.6;
  const head = foot - g.gap * 0.55;
  const d =
    way === "down"
      ? `M${x - wide} ${foot} V${head} H${x + wide} V${foot}`
      : `M${x - wide} ${head} L${x} ${foot} L${x + wide} ${head}`;
  return s("path", { class: `strum ${way}`, d });
}

const LETTERS = { "hammer-on": "h", "pull-off": "p", slide: "sl" };

/** What is written about how a note is played: slurs, slides, bends, vibrato. */
export function technique(g, note, x, from) {
  const y = note.string === null ? g.bottom : g.y(note.string);
  const parts = [];
  const letter = LETTERS[note.articulation];
  if (letter) {
    const start = from ? from.x : x - g.gap * 1.3;
    const lift = g.gap * 0.95;
    // From a bent note it begins behind the arrow.
    const a = start + g.gap * (from?.bent ? 1.15 : 0.2);
    const b = x - g.gap * 0.2;
    parts.push(
      s("path", {
        class: "slur",
        d: `M${a} ${y - g.gap * 0.5} Q${(a + b) / 2} ${y - lift} ${b} ${y - g.gap * 0.5}`,
      }),
    );
    parts.push(
      s(
        "text",
        { class: "letter", x: (start + x) / 2, y: y - lift * 0.82, mid: true, font: g.gap * 0.6 },
        letter,
      ),
    );
    if (note.articulation === "slide" && from) {
      const up = note.fret > from.fret ? 1 : -1;
      const inset = g.gap * 0.62;
      if (x - from.x > 2.2 * inset) {
        parts.push(
          s("line", {
            class: "slur",
            x1: from.x + inset,
            x2: x - inset,
            y1: y + up * g.gap * 0.22,
            y2: y - up * g.gap * 0.22,
          }),
        );
      }
    }
  } else if (note.articulation === "bend") {
    const right = x + g.gap * 0.95;
    const peak = y - g.gap * 1.15;
    parts.push(
      s("path", { class: "slur", d: `M${x + g.gap * 0.5} ${y} Q${right} ${y} ${right} ${peak}` }),
    );
    parts.push(
      s("path", {
        class: "head",
        d: `M${right - g.gap * 0.2} ${peak + g.gap * 0.15} L${right} ${peak - g.gap * 0.15} L${right + g.gap * 0.2} ${peak + g.gap * 0.15} Z`,
      }),
    );
  } else if (note.articulation === "vibrato") {
    let d = `M${x + g.gap * 0.55} ${y - g.gap * 0.6}`;
    for (let k = 0; k < 4; k += 1)
      d += ` q${g.gap * 0.12} ${k % 2 ? g.gap * 0.25 : -g.gap * 0.25} ${g.gap * 0.24} 0`;
    parts.push(s("path", { class: "slur", d }));
  }
  for (const [held, text] of [
    [note.palm_mute, "PM"],
    [note.let_ring, "LR"],
  ])
    if (held)
      parts.push(
        s(
          "text",
          {
            class: "hand",
            x,
            y: g.top - g.gap * 0.55,
            "text-anchor": "middle",
            "font-size": g.gap * 0.55,
          },
          text,
        ),
      );
  return parts;
}

/** The drone's string drawn heavier from its start to its end. */
export function droneLine(g, drone, x1, x2, label = true) {
  const strings = [drone.string, ...(drone.other_strings || [])];
  const parts = strings.map((string) =>
    s("line", { class: "drone", x1, x2, y1: g.y(string), y2: g.y(string) }),
  );
  if (label)
    parts.push(
      s(
        "text",
        {
          class: "drone-name",
          x: x1 - g.gap * 1.05,
          y: g.y(drone.string) - g.gap * 0.22,
          "text-anchor": "end",
          font: g.gap * 0.6,
        },
        "drone",
      ),
    );
  return parts;
}

const SEGMENT = { tall: 13, every: 420, least: 44 }; // pixels: of the band, from word to word, a word's

export const SEGMENT_ROOM = SEGMENT.tall + 5;

/** What happens in a stretch of the recording, in words over a band of its own pattern. */
export function segmentBand(kind, x1, x2) {
  const group = s(
    "g",
    { class: `segment ${kind}` },
    s("rect", { x: x1, y: 2, width: Math.max(0, x2 - x1), height: SEGMENT.tall }),
  );
  if (kind !== "neither")
    for (let x = x1 + 6; x + SEGMENT.least < x2; x += SEGMENT.every)
      group.append(s("text", { x, y: SEGMENT.tall - 1, font: 11 }, kind));
  return group;
}

export const VERDICTS = {
  right: "✓",
  wrong: "✗",
  missed: "○",
  extra: "+",
  early: "←",
  late: "→",
  unsure: "?",
};

export const VERDICT_WORDS = {
  right: "right",
  wrong: "wrong note",
  missed: "missed",
  extra: "extra",
  early: "early",
  late: "late",
  unsure: "not sure",
};

/** The verdicts of notes that are struck together, the highest string's first. */
export function judged(verdicts, column) {
  return [...column.notes]
    .sort((a, b) => (a.string ?? Infinity) - (b.string ?? Infinity))
    .map((note) => verdicts.get(note.id))
    .filter(Boolean);
}

export function verdictMark(g, verdict, x, y = g.verdictY) {
  return s(
    "text",
    { class: `verdict ${verdict}`, x, y, mid: true, font: g.gap * 0.8 },
    VERDICTS[verdict] || "?",
  );
}
