// Names and numbers of music for people, and where a moment lies in the bars.

const SHARPS = ["C", "C♯", "D", "D♯", "E", "F", "F♯", "G", "G♯", "A", "A♯", "B"];
const STEPS = { c: 0, d: 2, e: 4, f: 5, g: 7, a: 9, b: 11 };

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

export function pitchName(midi) {
  return `${SHARPS[((midi % 12) + 12) % 12]}${Math.floor(midi / 12) - 1}`;
}

export function parsePitch(text) {
  const match = /^\s*([a-g])([#♯b♭]{0,2})(-?\d)\s*$/i.exec(text);
  if (!match) return null;
  let midi = 12 * (Number(match[3]) + 1) + STEPS[match[1].toLowerCase()];
  for (const sign of match[2]) midi += sign === "#" || sign === "♯" ? 1 : -1;
  return midi;
}

/** Sharps and flats as they are printed. */
export function printed(text) {
  return String(text)
    .replace(/([A-G])#/g, "$1♯")
    .replace(/([A-G])b(?![a-z])/g, "$1♭")
    .replace(/(^|[\s(△])([#b])(?=\d)/g, (_, before, sign) => before + (sign === "#" ? "♯" : "♭"));
}

/** A clause of the theory or the comparison as a printed sentence. */
export function sentence(text) {
  const words = printed(text)
    .trim()
    .replace(/->/g, "→")
    .replace(/([\s(])-(?=\d)/g, "$1−")
    .replace(/(\d)%/g, "$1\u00a0%")
    .replace(/^[a-z](?=[a-z ])/, (letter) => letter.toUpperCase());
  return /[.?!:]$/.test(words) ? words : `${words}.`;
}

export function clock(sec) {
  const minutes = Math.floor(sec / 60);
  const rest = sec - 60 * minutes;
  return `${minutes}:${rest.toFixed(1).padStart(4, "0")}`;
}

export function plural(count, one, many = `${one}s`) {
  return `${count} ${count === 1 ? one : many}`;
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

  /** Start and end of the bar that holds a moment, in seconds. */
  barAround(sec) {
    const per = this.meter[0];
    const bar = Math.floor(this.beatAt(sec) / per + 1e-6);
    return [Math.max(0, this.secAt(bar * per)), this.secAt((bar + 1) * per)];
  }
}

export function beatText(beat) {
  const whole = Math.floor(beat + 1e-6);
  const part = beat - whole;
  const parts = { 0: "", 0.25: "¼", 0.5: "½", 0.75: "¾" };
  const near = Object.keys(parts).find((p) => Math.abs(part - Number(p)) < 0.02);
  return near !== undefined ? `${whole}${parts[near]}` : beat.toFixed(2);
}

export function placeText(string, fret) {
  if (string === null || string === undefined) return "no place";
  return fret === 0 ? `string ${string} open` : `string ${string} fret ${fret}`;
}
