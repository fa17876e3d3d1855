// The page's plain functions, run by node's own test runner: node --test tests/js/

import assert from "node:assert/strict";
import { test } from "node:test";

import { Axis } from "../../transcribe/page/static/axis.js";
import {
  Bars,
  barName,
  beatText,
  clock,
  lowerBound,
  openStrings,
  parsePitch,
  pitchName,
  placeText,
  plural,
  printed,
  stringNames,
  tempoWords,
} from "../../transcribe/page/static/music.js";
import { layPage, signs } from "../../transcribe/page/static/sheet.js";
import { judged } from "../../transcribe/page/static/tabdraw.js";

// Read, "Music Notation" (1979), chapter 10: compound time counts dotted notes.
test("a tempo is said in beats as they are counted", () => {
  assert.equal(tempoWords(96.4, [4, 4]), "96 bpm, 4/4");
  assert.equal(tempoWords(252, [6, 8]), "84 bpm (dotted quarter), 6/8");
  assert.equal(tempoWords(180, [7, 8]), "180 bpm, 7/8");
});

// MIDI 1.0 numbers with A4 = 69 = 440 Hz (ISO 16); middle C is C4 = 60.
test("pitches are read with their octave", () => {
  assert.equal(parsePitch("A4"), 69);
  assert.equal(parsePitch("C4"), 60);
  assert.equal(parsePitch("E2"), 40);
  assert.equal(parsePitch("Bb3"), 58);
  assert.equal(parsePitch(" f♯4 "), 66);
  assert.equal(parsePitch("H2"), null);
  assert.equal(parsePitch("C"), null);
});

test("strings and pitches are called by the names that come with the riff", () => {
  const notes = ["B#", "Db", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "Cb"];
  const names = { notes, open: ["Eb4", "Bb3"], strings: ["E4", "B3"] };
  assert.equal(pitchName(58, { names }), "B♭3");
  assert.equal(pitchName(66, { names }), "F♯4");
  // A pitch has the octave of its letter: C flat 4 is the key below C4, B sharp 3 is C4.
  assert.equal(pitchName(59, { names }), "C♭4");
  assert.equal(pitchName(60, { names }), "B♯3");
  assert.deepEqual(openStrings({ names }), ["E♭4", "B♭3"]);
  assert.deepEqual(stringNames({ names }), ["E", "B"]);
});

test("sharps and flats are printed as signs, words stay", () => {
  assert.equal(printed("F#m7 Bb"), "F♯m7 B♭");
  assert.equal(printed("Ebm Abmaj7 Bb/D"), "E♭m A♭maj7 B♭/D");
  assert.equal(printed("Abel"), "Abel");
  assert.equal(printed("m7(b5)"), "m7(♭5)");
});

test("times and counts read as people write them", () => {
  assert.equal(clock(0), "0:00.0");
  assert.equal(clock(75.25), "1:15.3");
  assert.equal(plural(1, "note"), "1 note");
  assert.equal(plural(0, "note"), "0 notes");
  assert.equal(barName(0), "the pickup");
  assert.equal(barName(3), "bar 3");
  assert.equal(beatText(2.5), "2&");
  assert.equal(beatText(3), "3");
  assert.equal(beatText(1.33), "1t");
  assert.equal(beatText(4.75), "4a");
  assert.equal(beatText(2.1), "2.1");
  assert.equal(placeText(3, 0), "string 3 open");
  assert.equal(placeText(3, 7), "string 3 fret 7");
  assert.equal(placeText(null, null), "no place");
});

test("lowerBound finds the first that is not below", () => {
  const list = [1, 2, 2, 5];
  for (const value of [0, 1, 2, 3, 5, 9]) {
    const first = list.findIndex((each) => each >= value);
    assert.equal(lowerBound(list, value), first < 0 ? list.length : first);
  }
});

const pickup = {
  bpm: 60,
  meter: [3, 4],
  beats_sec: [0, 1, 2, 3, 4.5, 6],
  downbeats_sec: [1, 4.5],
  phrases: [],
};

test("beats and seconds are two ways to say one moment, also before bar 1 and past the last beat", () => {
  const bars = new Bars(pickup);
  assert.equal(bars.secAt(0), 1);
  assert.equal(bars.beatAt(0), -1);
  assert.equal(bars.beatAt(3.75), 2.5);
  assert.equal(bars.secAt(5), 7.5);
  for (const beat of [-1.5, -0.25, 0, 0.5, 2.75, 3.5, 6]) {
    assert.ok(Math.abs(bars.beatAt(bars.secAt(beat)) - beat) < 1e-9);
  }
});

test("a note's own written beat says its bar, whatever moment it was struck", () => {
  const bars = new Bars(pickup);
  assert.deepEqual(bars.place({ onset_beat: 3, onset_sec: 4.4 }), { bar: 2, beat: 1 });
  assert.deepEqual(bars.place({ onset_beat: -1, onset_sec: 0 }), { bar: 0, beat: 3 });
});

// Two bars of four at 120; the strum on bar 2's downbeat begins 30 ms early, as a hand strums.
const strummed = new Bars({
  bpm: 120,
  meter: [4, 4],
  beats_sec: [0, 0.5, 1, 1.5, 2, 2.5, 3, 3.5, 4],
  downbeats_sec: [0, 2, 4],
});
const strum = [
  { id: 1, onset_sec: 0.02, onset_beat: 0 },
  { id: 2, onset_sec: 1.51, onset_beat: 3 },
  { id: 3, onset_sec: 1.97, onset_beat: 4 },
  { id: 4, onset_sec: 1.99, onset_beat: 4 },
  { id: 5, onset_sec: 2.01, onset_beat: 4 },
];

test("a bar's loop holds every attack written in it, and none of the next bar's", () => {
  const holds = (bar) => {
    const [from, to] = strummed.loopOf(strum, bar);
    return strum.filter((note) => from < note.onset_sec && note.onset_sec < to).map(({ id }) => id);
  };
  assert.deepEqual(holds(1), [1, 2]);
  assert.deepEqual(holds(2), [3, 4, 5]);
  const [from, to] = strummed.loopOf(strum, 2);
  assert.ok(from < 1.97 && from > 1.51);
  assert.ok(Math.abs(to - from - 2) < 0.1, "it lasts a bar");
  // The last attack of the bar before stays out, however near it is.
  const near = [...strum, { id: 6, onset_sec: 1.95, onset_beat: 3.75 }];
  assert.ok(strummed.loopOf(near, 2)[0] > 1.95);
  // A bar that begins with a rest begins on its beat.
  assert.ok(Math.abs(strummed.loopOf([strum[1]], 2)[0] - 2) < 0.1);
  // Where a loop has begun, its own bar is heard.
  assert.equal(strummed.barAt(from, strum), 2);
  assert.equal(strummed.barAt(1.6, strum), 1);
  // What lies before the first note is silence, and no bar to loop or to count for.
  assert.equal(strummed.barAt(0, strum.slice(2)), 2);
});

test("a count-in counts one bar at the chosen speed and leads to the bar where playing stopped", () => {
  const { from, beats, wait_sec } = strummed.countIn(3.2, strum, { speed: 0.5 });
  assert.equal(from, strummed.edgeOf(2, strum));
  assert.deepEqual(
    beats.map(({ number }) => number),
    [1, 2, 3, 4],
  );
  assert.deepEqual(
    beats.map(({ after_sec }) => after_sec),
    [0, 1, 2, 3],
  );
  // Four beats of a second later the downbeat sounds: playing begins a little before that.
  assert.ok(Math.abs(wait_sec + (2 - from) / 0.5 - 4) < 1e-9);
  assert.equal(strummed.countIn(3.2, strum, { least: 2.5 }).from, 2.5);
  // The silence before the first note is not counted for.
  const late = strummed.countIn(0, strum.slice(2));
  assert.equal(late.from, from);
  assert.equal(late.beats.length, 4);
  // A pickup of one beat in three is reached by the two beats that it lacks.
  const short = new Bars(pickup).countIn(0.4, [{ id: 1, onset_sec: 0, onset_beat: -1 }]);
  assert.equal(short.from, 0);
  assert.deepEqual(
    short.beats.map(({ number }) => number),
    [1, 2, 3, 1, 2],
  );
  assert.ok(Math.abs(short.wait_sec - 5) < 1e-9);
});

/** Two bars of eighths at 120, one with more degrees to mark than the other. */
function eighths() {
  return Array.from({ length: 16 }, (_, k) => ({
    id: k + 1,
    onset_sec: k * 0.25,
    offset_sec: k * 0.25 + 0.2,
    onset_beat: k / 2,
    duration_beat: 0.5,
    string: 1,
    fret: 5,
    pitch_midi: k < 8 ? 61 + (k % 4) : 60,
    articulation: "picked",
  }));
}

test("marks of degrees move nothing, and bars of one length look alike", () => {
  const bars = new Bars({
    bpm: 120,
    meter: [4, 4],
    beats_sec: Array.from({ length: 9 }, (_, k) => k / 2),
    downbeats_sec: [0, 2, 4],
  });
  const axis = (deciding, pps) =>
    new Axis({ notes: eighths(), bars, duration: 4, pps, gap: 17, deciding, chords: [] });
  const deciding = new Map([
    [1, "b2"],
    [2, "2"],
    [3, "b3"],
    [4, "3"],
  ]);
  for (const pps of [8, 40, 100]) {
    const [bare, marked] = [axis(null, pps), axis(deciding, pps)];
    assert.deepEqual(marked.xs, bare.xs);
    const [one, two, three] = marked.bars.map(({ x }) => x);
    assert.ok(Math.abs(two - one - (three - two)) <= 12, "but for a bar line's own room");
    const seen = marked.columns.filter(({ mark }) => mark);
    assert.ok(seen.length >= 4);
    for (let k = 1; k < seen.length; k += 1) assert.ok(seen[k].x - seen[k - 1].x >= 12);
  }
  assert.equal(axis(deciding, 200).columns[0].mark, "△♭2");
});

test("strings struck together get a verdict each, the highest first", () => {
  const column = {
    notes: [
      { id: 1, string: 5 },
      { id: 2, string: 2 },
      { id: 3, string: null },
    ],
  };
  const verdicts = new Map([
    [1, "missed"],
    [2, "right"],
  ]);
  assert.deepEqual(judged(verdicts, column), ["right", "missed"]);
});

test("a short riff fills its sheet of paper, a long one keeps its size", () => {
  const bars = (count) => Array.from({ length: count }, () => ({ natural: 40 }));
  for (const count of [6, 9, 12]) {
    const { size, systems, step } = layPage(bars(count), 178, 230, 40);
    assert.ok(step * systems.length > 115 && step * systems.length <= 230.001, String(count));
    assert.ok(size >= 1);
    assert.equal(systems.flatMap((system) => system.bars).length, count);
    for (const { used } of systems) assert.ok(used <= 178 / size);
  }
  assert.equal(layPage(bars(60), 178, 230, 40).size, 1);
  assert.deepEqual(layPage([], 178, 230, 40).systems, []);
});

test("the signs that are used are explained, and no others", () => {
  const notes = [
    { articulation: "picked", string: 1 },
    { articulation: "slide", string: 2 },
  ];
  assert.equal(signs(notes, []), "sl slide");
  assert.match(signs(notes, [{ label: "A" }, { label: "A" }]), /A: phrases$/);
  assert.equal(signs([notes[0]], []), "");
});

test("the axis keeps order and lets no two figures overlap", () => {
  const notes = [];
  for (let k = 0; k < 40; k += 1) {
    notes.push({
      id: k + 1,
      onset_sec: 0.05 + k * 0.06,
      offset_sec: 0.1 + k * 0.06,
      string: 1 + (k % 2),
      fret: 10 + (k % 3),
      pitch_midi: 60,
      articulation: "picked",
      onset_beat: null,
    });
  }
  const bars = new Bars({
    bpm: 120,
    meter: [4, 4],
    beats_sec: [0, 0.5, 1, 1.5, 2, 2.5],
    downbeats_sec: [0, 2],
    phrases: [],
  });
  const axis = new Axis({ notes, bars, duration: 3, pps: 60, gap: 17, deciding: null, chords: [] });
  for (let k = 1; k < axis.columns.length; k += 1) {
    const [before, after] = [axis.columns[k - 1], axis.columns[k]];
    assert.ok(after.x - after.figureHalf >= before.x + before.figureHalf);
  }
  for (const sec of [0, 0.3, 1.1, 2.9]) assert.ok(Math.abs(axis.secAt(axis.xOf(sec)) - sec) < 1e-6);
});
