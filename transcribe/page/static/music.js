// Names and numbers of music for people, and where a moment lies in the bars.

const STEPS = { c: 0, d: 2, e: 4, f: 5, g: 7, a: 9, b: 11 };

const MOST_ONCE = 16; // chords that do not come round and are still told in one line: MAX_ROW in theory

/** Whether the chords do not come round and are too many to tell in one line. */
export const isLongRow = (loop) => loop.once && loop.symbols.length > MOST_ONCE;

export const TECHNIQUES = [
  "picked",
  "hammer-on",
  "pull-off",
  "slide",
  "bend",
  "vibrato",
  "harmonic",
  "dead",
];

function semitones(name) {
  let sum = STEPS[name[0].toLowerCase()];
  for (const sign of name.slice(1)) sum += sign === "#" || sign === "♯" ? 1 : -1;
  return sum;
}

/** A pitch with its octave, as the key of the riff that `doc` is spells it; its names come with it. */
export function pitchName(midi, doc) {
  const name = printed(doc.names.notes[((midi % 12) + 12) % 12]);
  return `${name}${Math.round((midi - semitones(name)) / 12) - 1}`;
}

/** The open strings with their octaves, the highest first, as they are tuned. */
export function openStrings({ names }) {
  return names.open.map(printed);
}

/** The notes of the strings as they sound where nothing is stopped, without their octaves. */
export function stringNames({ names }) {
  return names.strings.map((name) => printed(name.replace(/-?\d+$/, "")));
}

export function parsePitch(text) {
  const match = /^\s*([a-g])([#♯b♭]{0,2})(-?\d)\s*$/i.exec(text);
  if (!match) return null;
  return 12 * (Number(match[3]) + 1) + semitones(match[1] + match[2]);
}

/** Sharps and flats as they are printed. */
export function printed(text) {
  return String(text)
    .replace(/([A-G])#/g, "$1♯")
    .replace(/([A-G])b(?=(?:maj|min|m|dim|aug|sus|add)?(?![a-z]))/g, "$1♭")
    .replace(/(^|[\s(△])([#b])(?=\d)/g, (_, before, sign) => before + (sign === "#" ? "♯" : "♭"));
}

/** A clause of the theory or the comparison as a printed sentence. */
export function sentence(text) {
  const words = printed(text)
    .trim()
    .replace(/->/g, "→")
    .replace(/([\s(])-(?=\d)/g, "$1−")
    .replace(/(\d) ?%/g, "$1\u00a0%")
    .replace(/^[a-z](?=[a-z ])/, (letter) => letter.toUpperCase());
  return /[.?!:]$/.test(words) ? words : `${words}.`;
}

export function capital(text) {
  return text ? text.charAt(0).toUpperCase() + text.slice(1) : text;
}

export function clock(sec) {
  const minutes = Math.floor(sec / 60);
  const rest = sec - 60 * minutes;
  return `${minutes}:${rest.toFixed(1).padStart(4, "0")}`;
}

export function plural(count, one, many = `${one}s`) {
  return `${count} ${count === 1 ? one : many}`;
}

/** Units of the meter in one beat as it is counted: three in compound time (6/8, 9/8, 12/8). */
export function countedBeats([top, unit]) {
  return (unit === 8 || unit === 16) && top > 3 && top % 3 === 0 ? 3 : 1;
}

/** A tempo in units of the meter as players say it: "96 bpm, 4/4", "84 bpm (dotted quarter), 6/8". */
export function tempoWords(bpm, meter) {
  const per = countedBeats(meter);
  const note = meter[1] === 8 ? "quarter" : "eighth";
  return `${Math.round(bpm / per)} bpm${per > 1 ? ` (dotted ${note})` : ""}, ${meter.join("/")}`;
}

/** Lower index i such that list[i] >= value. */
export function lowerBound(list, value, key = (x) => x) {
  let low = 0;
  let high = list.length;
  while (low < high) {
    const mid = (low + high) >> 1;
    if (key(list[mid]) < value) low = mid + 1;
    else high = mid;
  }
  return low;
}

/** A bar by its number; what lies before bar 1 is the pickup. */
export function barName(bar) {
  return bar > 0 ? `bar ${bar}` : "the pickup";
}

// A loop begins this long before its first attack, so that the attack is heard whole (chosen by ear).
export const LEAD_SEC = 0.06;

/** The bars of a riff: seconds to beats, beats to seconds, and a bar's edges. */
export class Bars {
  constructor(rhythm) {
    const beats = rhythm?.beats_sec || [];
    this.there = beats.length >= 2;
    this.beats = beats;
    this.meter = rhythm?.meter || [4, 4];
    this.bpm = rhythm?.bpm || 100;
    this.zero = 0;
    if (this.there && rhythm.downbeats_sec?.length) {
      const first = rhythm.downbeats_sec[0];
      let best = Infinity;
      beats.forEach((b, k) => {
        if (Math.abs(b - first) < best) {
          best = Math.abs(b - first);
          this.zero = k;
        }
      });
    }
    this.downbeats = rhythm?.downbeats_sec || [];
    this.phrases = rhythm?.phrases || [];
  }

  beatAt(sec) {
    if (!this.there) return (sec * this.bpm) / 60;
    const b = this.beats;
    const k = Math.min(Math.max(lowerBound(b, sec + 1e-9) - 1, 0), b.length - 2);
    return k - this.zero + (sec - b[k]) / (b[k + 1] - b[k]);
  }

  secAt(beat) {
    if (!this.there) return (beat * 60) / this.bpm;
    const b = this.beats;
    const place = beat + this.zero;
    const k = Math.min(Math.max(Math.floor(place), 0), b.length - 2);
    return b[k] + (place - k) * (b[k + 1] - b[k]);
  }

  /** Bar (from 1; a pickup is bar 0) and beat in it (from 1). */
  place(note) {
    const beat = note.onset_beat ?? this.beatAt(note.onset_sec);
    const per = this.meter[0];
    const bar = Math.floor(beat / per + 1e-6);
    return { bar: bar + 1, beat: beat - bar * per + 1 };
  }

  /** Where a bar (from 1) is heard to begin: a little before its downbeat or its first attack. */
  edgeOf(bar, notes) {
    let first = this.secAt((bar - 1) * this.meter[0]);
    let before = -Infinity;
    for (const note of notes)
      if (this.place(note).bar === bar) first = Math.min(first, note.onset_sec);
    for (const note of notes) if (note.onset_sec < first) before = Math.max(before, note.onset_sec);
    // The last attack of the bar before stays out of it.
    return Math.max(0, first - Math.min(LEAD_SEC, (first - before) / 2));
  }

  /** What to loop, in seconds, so that the bars from `first` to `last` are heard, each attack whole. */
  loopOf(notes, first, last = first) {
    return [this.edgeOf(first, notes), this.edgeOf(last + 1, notes)];
  }

  /** The bar (from 1) that is heard at a moment; before the first note, the bar that it begins. */
  barAt(sec, notes) {
    const first = notes.length ? this.place(notes[0]).bar : -Infinity;
    const bar = Math.floor(this.beatAt(sec) / this.meter[0] + 1e-6) + 1;
    return Math.max(first, this.edgeOf(bar + 1, notes) <= sec + 1e-6 ? bar + 1 : bar);
  }

  /**
   * A bar to count before playing from the start of the bar at `sec`, at `speed`, but not before
   * `least`. `from` is where to play from, in seconds of the take; `beats` are those to count
   * (`after_sec` from now, `number` as it is said), and playing begins `wait_sec` from now.
   */
  countIn(sec, notes, { speed = 1, least = 0 } = {}) {
    const per = this.meter[0];
    const bar = this.barAt(sec, notes);
    const from = Math.max(least, this.edgeOf(bar, notes));
    const start = this.secAt((bar - 1) * per);
    const beatSec = (this.secAt(bar * per) - start) / per / speed;
    // Where the first bar is cut short, its missing beats are counted too.
    const wait = per * beatSec + (from - start) / speed;
    const beats = [];
    for (let k = 0; k < per || k * beatSec < wait - beatSec / 2; k += 1)
      beats.push({ after_sec: k * beatSec, number: (k % per) + 1 });
    return { from, beats, wait_sec: wait };
  }
}

/** Two clocks of one piece of music: seconds of the riff and seconds of a take of it. */
export class TakeMap {
  /** `pairs` are moments that belong together, [riff sec, take sec]; those that go back are left out. */
  constructor(pairs) {
    this.pairs = [];
    for (const [riff, take] of [...pairs].sort((a, b) => a[0] - b[0])) {
      const last = this.pairs[this.pairs.length - 1];
      if (!last || (riff > last[0] + 0.05 && take > last[1] + 0.01)) this.pairs.push([riff, take]);
    }
    const [first, last] = [this.pairs[0], this.pairs[this.pairs.length - 1]];
    this.there = this.pairs.length > 1;
    /** Seconds of the take for one of the riff. */
    this.pace = this.there ? (last[1] - first[1]) / (last[0] - first[0]) : 1;
  }

  toTake(sec) {
    return this.across(sec, 0, 1);
  }

  toRiff(sec) {
    return this.across(sec, 1, 0);
  }

  across(sec, from, to) {
    const all = this.pairs;
    if (!this.there) return sec;
    const k = lowerBound(all, sec, (pair) => pair[from]);
    if (k === 0 || k === all.length) {
      const [edge, pace] = [all[Math.min(k, all.length - 1)], from ? 1 / this.pace : this.pace];
      return edge[to] + (sec - edge[from]) * pace;
    }
    const [a, b] = [all[k - 1], all[k]];
    return a[to] + ((sec - a[from]) / (b[from] - a[from])) * (b[to] - a[to]);
  }

  /** A span of the take, cut where the pace changes. */
  pieces(from, to) {
    const inside = this.pairs.map((pair) => pair[1]).filter((sec) => sec > from && sec < to);
    const edges = [from, ...inside, to];
    return edges.slice(1).map((sec, k) => [edges[k], sec]);
  }
}

// What is counted aloud after the number of the beat, by parts of a beat: the names that the
// sentences of the program use too.
const COUNTS = { 2: ["&"], 3: ["t", "l"], 4: ["e", "&", "a"] };

/** A beat of a bar, from 1, as it is counted: 2, 2&, 2a, 2t. */
export function beatText(beat) {
  if (Math.abs(beat - Math.round(beat)) <= 0.03) return String(Math.round(beat));
  const whole = Math.floor(beat);
  for (const [parts, signs] of Object.entries(COUNTS)) {
    const k = signs.findIndex((_, n) => Math.abs(beat - whole - (n + 1) / Number(parts)) <= 0.03);
    if (k >= 0) return whole + signs[k];
  }
  return beat.toFixed(1);
}

export function placeText(string, fret) {
  if (string === null || string === undefined) return "no place";
  return fret === 0 ? `string ${string} open` : `string ${string} fret ${fret}`;
}
