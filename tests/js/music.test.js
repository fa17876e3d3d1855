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
  parsePitch,
  pitchName,
  placeText,
  plural,
  printed,
} from "../../transcribe/page/static/music.js";

// MIDI 1.0 numbers with A4 = 69 = 440 Hz (ISO 16); middle C is C4 = 60.
test("pitches are named with their octave and read back", () => {
  assert.equal(pitchName(69), "A4");
  assert.equal(pitchName(60), "C4");
  assert.equal(pitchName(40), "E2");
  assert.equal(parsePitch("Bb3"), 58);
  assert.equal(parsePitch(" f♯4 "), 66);
  assert.equal(parsePitch("H2"), null);
  assert.equal(parsePitch("C"), null);
  for (let midi = 12; midi < 128; midi += 1) assert.equal(parsePitch(pitchName(midi)), midi);
});

test("sharps and flats are printed as signs, words stay", () => {
  assert.equal(printed("F#m7 Bb"), "F♯m7 B♭");
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
  assert.equal(beatText(2.5), "2½");
  assert.equal(beatText(3), "3");
  assert.equal(beatText(1.33), "1.33");
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
  assert.deepEqual(bars.barAround(2.2), [1, 4.5]);
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
