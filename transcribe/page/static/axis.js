// The time axis of picture and tab: seconds to pixels and back. Between two onsets it is as long
// as the time asks for, or as long as their figures need, whichever is more, so that no two
// figures ever lie over each other; the picture of the sound is stretched along with the tab.

import { lowerBound, printed } from "./music.js";
import { fretText } from "./tabdraw.js";

const TOGETHER_SEC = 0.035;
const STRUM_SEC = 0.12;
const LEAST = 20;
const BARE = 6; // half the width of a △ alone

export class Axis {
  /** `gap` is the distance of the strings; figures, marks and letters are sized by it. */
  constructor({ notes, bars, duration, pps, gap, deciding, chords, fingers = false }) {
    this.pps = pps;
    this.gap = gap;
    this.fingerRoom = fingers ? 0.4 * gap : 0;
    this.duration = duration;
    this.columns = columnsOf(notes);
    for (const column of this.columns) this.measure(column, deciding);
    const events = this.withBars(bars);
    const beginning = new Set(
      bars.phrases.map((phrase) => Math.floor(phrase.start_beat / bars.meter[0] + 1e-6)),
    );
    for (const event of events) {
      // A bar's number, and the letter of a phrase that begins with it.
      if (event.bar !== undefined)
        event.label = 8 + 7 * String(event.bar + 1).length + (beginning.has(event.bar) ? 18 : 0);
    }
    this.withChords(chords);
    this.place(events);
    this.thinMarks();
    this.byNote = new Map();
    for (const column of this.columns)
      for (const note of column.notes) this.byNote.set(note.id, column);
    this.secs = [0, ...events.map((event) => event.sec), duration];
    this.xs = [0, ...events.map((event) => event.x), 0];
    const last = this.xs.length - 1;
    this.xs[last] = this.xs[last - 1] + Math.max(0, duration - this.secs[last - 1]) * pps;
    this.bars = events
      .filter((event) => event.bar !== undefined)
      .map((event) => ({
        number: event.bar,
        x: event.x - (event.notes ? event.figureHalf + 4 + this.fingerRoom : 0),
      }));
    this.chords = (chords || []).map((chord) => {
      const column = this.columns[chordColumn(this.columns, chord.start_sec)];
      return {
        x: column ? column.x - column.figureHalf : this.xOf(chord.start_sec),
        text: printed(chord.symbol),
      };
    });
    const barX = new Map(this.bars.map((bar) => [bar.number, bar.x]));
    this.phrases = bars.phrases.map((phrase) => {
      const number = Math.floor(phrase.start_beat / bars.meter[0] + 1e-6);
      return {
        x: barX.get(number) ?? this.xOf(bars.secAt(phrase.start_beat)),
        number,
        label: phrase.label,
      };
    });
  }

  get width() {
    return this.xs[this.xs.length - 1];
  }

  /** Room that a column asks for on both sides of its figures. */
  measure(column, deciding) {
    const { gap } = this;
    const half = (length) => gap * (0.3 + 0.19 * length);
    const longest = Math.max(...column.notes.map((note) => fretText(note).length));
    column.figureHalf = half(longest);
    // Room for two digits everywhere: a note that goes elsewhere on the neck shifts nothing.
    column.left = half(Math.max(2, longest)) + 1;
    column.right = column.left;
    column.left += this.fingerRoom;
    for (const { articulation } of column.notes) {
      if (["hammer-on", "pull-off", "slide"].includes(articulation))
        column.left = Math.max(column.left, gap * 1.1);
      if (articulation === "bend") column.right = Math.max(column.right, gap * 1.3);
      if (articulation === "vibrato") column.right = Math.max(column.right, gap * 1.65);
    }
    const degrees = column.notes
      .filter((note) => note.string !== null)
      .map((note) => deciding?.get(note.pitch_midi % 12))
      .filter(Boolean);
    column.mark = degrees.length ? printed(`△${[...new Set(degrees)].join(" ")}`) : "";
    column.markHalf = column.mark ? 2 + 3.3 * column.mark.length : 0;
  }

  /** Columns and, where no note begins with a bar, the bar's own place among them. */
  withBars(bars) {
    const per = bars.meter[0];
    const events = [...this.columns];
    const beginners = new Map();
    for (const column of this.columns) {
      const number = column.beat === null ? null : Math.round(column.beat / per);
      if (number !== null && Math.abs(column.beat - number * per) < 0.02 && !beginners.has(number))
        beginners.set(number, column);
    }
    bars.downbeats.forEach((sec, number) => {
      const near = this.columns[lowerBound(this.columns, sec - 0.06, (each) => each.sec)];
      const column =
        beginners.get(number) ||
        (near && near.beat === null && near.sec < sec + 0.06 ? near : null);
      if (column && column.bar === undefined) column.bar = number;
      else events.push({ sec, bar: number, left: 5, right: 5 });
    });
    return events.sort((a, b) => a.sec - b.sec);
  }

  withChords(chords) {
    for (const chord of chords || []) {
      const column = this.columns[chordColumn(this.columns, chord.start_sec)];
      if (column)
        column.chordWidth = Math.max(column.chordWidth || 0, 8.2 * chord.symbol.length + 8);
    }
  }

  place(events) {
    let x = 0;
    let sec = 0;
    // The first figure keeps clear of the names of the strings at the left edge.
    let right = -2;
    let least = 0;
    let chord = -Infinity;
    let label = -Infinity;
    for (const event of events) {
      const left = event.left + (event.notes && event.bar !== undefined ? 9 : 0);
      x = Math.max(
        x + (event.sec - sec) * this.pps,
        right + left,
        x + (event.notes ? least : least / 2),
      );
      if (event.chordWidth) x = Math.max(x, chord + event.figureHalf);
      const bar = event.notes ? event.figureHalf + 4 + this.fingerRoom : 0;
      if (event.label) x = Math.max(x, label + bar);
      x = Math.round(x);
      event.x = x;
      sec = event.sec;
      right = x + event.right;
      least = LEAST;
      if (event.label) label = x - bar + event.label;
      if (event.chordWidth) chord = x - event.figureHalf + event.chordWidth;
    }
  }

  /** Marks of degrees never move the music: one without room is a bare △, or left out. */
  thinMarks() {
    let end = -Infinity;
    for (const column of this.columns) {
      const half = [column.markHalf, BARE].find((each) => column.x - each >= end);
      if (!column.mark || half === undefined) column.mark = "";
      else {
        if (half === BARE) column.mark = "△";
        end = column.x + half;
      }
    }
  }

  xOf(sec) {
    const { secs, xs } = this;
    const k = Math.min(Math.max(lowerBound(secs, sec + 1e-9) - 1, 0), secs.length - 2);
    const span = secs[k + 1] - secs[k];
    if (sec >= this.duration || span <= 0)
      return xs[k + 1] + Math.max(0, sec - secs[k + 1]) * this.pps;
    return xs[k] + ((sec - secs[k]) / span) * (xs[k + 1] - xs[k]);
  }

  secAt(x) {
    const { secs, xs } = this;
    if (x <= 0) return 0;
    const k = Math.min(Math.max(lowerBound(xs, x) - 1, 0), xs.length - 2);
    const span = xs[k + 1] - xs[k];
    if (x >= this.width || span <= 0) return secs[k + 1] + Math.max(0, x - xs[k + 1]) / this.pps;
    return secs[k] + ((x - xs[k]) / span) * (secs[k + 1] - secs[k]);
  }

  /** Where the figure of a note stands. */
  at(note) {
    return this.byNote.get(note.id)?.x ?? this.xOf(note.onset_sec);
  }

  /** Columns from one place on the axis to another. */
  between(from, to) {
    const key = (column) => column.x;
    return this.columns.slice(
      lowerBound(this.columns, from, key),
      lowerBound(this.columns, to, key),
    );
  }

  /** The straight stretches of the axis that lie in a span of time: [sec, sec, x, x]. */
  stretches(from, to) {
    const found = [];
    for (
      let k = Math.max(0, lowerBound(this.secs, from + 1e-9) - 1);
      k + 1 < this.secs.length && this.secs[k] < to;
      k += 1
    ) {
      const a = Math.max(from, this.secs[k]);
      const b = Math.min(to, this.secs[k + 1]);
      if (b > a)
        found.push([a, b, this.xOf(a), b === this.secs[k + 1] ? this.xs[k + 1] : this.xOf(b)]);
    }
    return found;
  }

  /** Slices of the axis that fit `room`, cut before bars, or before columns where a bar is wider. */
  lines(room) {
    if (!this.columns.length) return [];
    const first = this.columns[0];
    const start = Math.min(first.x - first.left, this.bars[0]?.x ?? Infinity);
    const last = this.columns[this.columns.length - 1];
    const end = Math.max(
      last.x + Math.max(last.right, 26),
      this.bars[this.bars.length - 1]?.x ?? 0,
    );
    const found = [];
    for (let from = start; from < end - 1;) {
      const limit = from + room;
      let to = end <= limit ? end : 0;
      if (!to) for (const bar of this.bars) if (bar.x > from + 1 && bar.x <= limit) to = bar.x;
      if (!to) {
        for (const column of this.between(from + 1, limit + 1))
          if (column.x - column.left > from + 1 && column.x - column.left <= limit)
            to = column.x - column.left;
      }
      to = to || limit;
      found.push({ from, to });
      from = to;
    }
    return found;
  }
}

/** Notes struck together, in the order of time; a string that sounds twice begins a new column. */
function columnsOf(notes) {
  const columns = [];
  for (const note of [...notes].sort((a, b) => a.onset_sec - b.onset_sec)) {
    const column = columns[columns.length - 1];
    const beat = note.onset_beat ?? null;
    const near =
      column &&
      (note.onset_sec - column.sec < TOGETHER_SEC ||
        (beat !== null &&
          column.beat !== null &&
          Math.abs(beat - column.beat) < 0.01 &&
          note.onset_sec - column.sec < STRUM_SEC));
    if (near && !column.notes.some((other) => other.string === note.string))
      column.notes.push(note);
    else columns.push({ sec: note.onset_sec, beat, notes: [note] });
  }
  return columns;
}

function chordColumn(columns, sec) {
  return lowerBound(columns, sec - 0.08, (column) => column.sec);
}
