"""Makes drone riffs with known places, for the tests and the benchmark.

A drone string is struck in one of several patterns while a melody in one of the seven modes runs
along the string beside it. ``rough`` turns the exact notes into what reading a recording gives:
strikes missed, ghosts an octave up, ends that are too long or too short, onsets that wander.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np

from transcribe.core.riff import Instrument, Note, sort_notes
from transcribe.training.phrases import MODES

__all__ = ["MODES", "PATTERNS", "SPARSE_PATTERNS", "DroneRiff", "drone_riff", "rough"]

PATTERNS = ("with every note", "before every note", "every beat", "every bar", "held", "galloping")
SPARSE_PATTERNS = ("every fourth note", "off the beat", "off every other beat")
"""Patterns whose drone is struck seldom or by itself."""


@dataclass(frozen=True)
class DroneRiff:
    """Notes with their true strings and frets, and how they came about."""

    notes: tuple[Note, ...]
    instrument: Instrument
    drone_string: int
    melody_string: int
    mode: str
    pattern: str


def drone_riff(
    rng: np.random.Generator,
    *,
    mode: str | None = None,
    drone_string: int | None = None,
    pattern: str | None = None,
    instrument: Instrument | None = None,
    bars: int = 4,
) -> DroneRiff:
    """One riff. The melody lies on the next higher-sounding string (on string 2 over string 1)."""
    instrument = instrument or Instrument()
    mode = mode or str(rng.choice(list(MODES)))
    strings = len(instrument.open_midi)
    drone = drone_string or int(rng.integers(1, strings + 1))
    pattern = pattern or str(rng.choice(PATTERNS))
    melody = drone - 1 if drone > 1 else 2
    open_drone = instrument.open_midi[drone - 1] + instrument.capo
    open_melody = instrument.open_midi[melody - 1] + instrument.capo
    lowest = open_melody if drone > 1 else open_drone + 1
    top = min(instrument.top_fret, 15)
    scale = [
        p
        for p in range(lowest, open_melody + top + 1)
        if (p - open_drone) % 12 in MODES[mode] and p != open_drone
    ]
    if drone == 1:
        scale = [p for p in scale if p - open_melody <= min(instrument.top_fret, 17)]
    beat = 60.0 / float(rng.uniform(80, 150))
    notes = _melody(rng, scale, beat, bars)
    strikes = _strikes(pattern, notes, beat, bars)
    made = []
    for onset, length, pitch in notes:
        made.append((onset, length, pitch, melody, pitch - open_melody))
    for onset, length in strikes:
        made.append((onset, length, open_drone, drone, 0))
    made.sort(key=lambda m: (m[0], m[2]))
    return DroneRiff(
        sort_notes(
            [
                Note(i, round(t, 4), round(t + length, 4), pitch, string=string, fret=fret)
                for i, (t, length, pitch, string, fret) in enumerate(made, 1)
            ]
        ),
        instrument,
        drone,
        melody,
        mode,
        pattern,
    )


def _melody(
    rng: np.random.Generator, scale: list[int], beat: float, bars: int
) -> list[tuple[float, float, int]]:
    """A walk along the scale, mostly by step, with a phrase that comes back."""
    rhythms: tuple[tuple[float, ...], ...] = (
        (1.0, 0.5, 0.5, 1.0, 1.0),
        (0.5,) * 8,
        (1.5, 0.5, 1.0, 1.0),
        (0.75, 0.75, 0.5) * 2,
    )
    rhythms += ((1.0, 1.0, 0.5, 0.5, 0.5, 0.5), (0.5, 0.25, 0.25, 1.0, 1.0, 1.0))
    at = int(rng.integers(0, max(1, len(scale) - 3)))
    phrase: list[tuple[float, int]] = []
    for _ in range(2):
        for length in rhythms[int(rng.integers(len(rhythms)))]:
            phrase.append((length, scale[at]))
            step = int(rng.choice([-3, -2, -1, -1, -1, 0, 1, 1, 1, 2, 3]))
            at = int(np.clip(at + step, 0, len(scale) - 1))
    if len({p for _, p in phrase}) < 3:
        phrase[0] = (phrase[0][0], scale[0])
        phrase[-1] = (phrase[-1][0], scale[min(2, len(scale) - 1)])
        phrase[len(phrase) // 2] = (phrase[len(phrase) // 2][0], scale[min(4, len(scale) - 1)])
    notes, time = [], 0.0
    while time < bars * 4 * beat - 1e-6:
        for length, pitch in phrase:
            notes.append((time, 0.95 * length * beat, pitch))
            time += length * beat
    return notes


def _strikes(
    pattern: str, notes: list[tuple[float, float, int]], beat: float, bars: int
) -> list[tuple[float, float]]:
    end = notes[-1][0] + notes[-1][1]
    if pattern == "with every note":
        times = [t for t, _, _ in notes]
    elif pattern == "before every note":
        times = [t + 0.5 * length for t, length, _ in notes]
    elif pattern == "every beat":
        times = list(np.arange(0.0, end - 0.05, beat))
    elif pattern == "every bar":
        times = list(np.arange(0.0, end - 0.05, 4 * beat))
    elif pattern == "every fourth note":
        times = [t for t, _, _ in notes[::4]]
    elif pattern == "off the beat":
        times = list(np.arange(0.5 * beat, end - 0.05, beat))
    elif pattern == "off every other beat":
        times = list(np.arange(1.5 * beat, end - 0.05, 2 * beat))
    elif pattern == "held":
        times = list(np.arange(0.0, end - 0.05, 8 * beat))
    else:
        times = [
            t + k * beat
            for t in np.arange(0.0, end - 0.05, beat)
            for k in (0.0, 0.5, 0.75)
            if t + k * beat < end
        ]
    ends = [*times[1:], end + 0.4]
    return [(float(t), max(0.08, float(e - t) - 0.01)) for t, e in zip(times, ends, strict=True)]


def rough(rng: np.random.Generator, riff: DroneRiff) -> tuple[Note, ...]:
    """The riff as a recording might be read; ghosts have no string and low confidence."""
    out: list[Note] = []
    next_id = 1 + max(n.id for n in riff.notes)
    for note in riff.notes:
        drone = note.string == riff.drone_string and note.fret == 0
        if rng.random() < (0.1 if drone else 0.02):
            continue
        onset = note.onset_sec + float(rng.normal(0.0, 0.008))
        length = (note.offset_sec - note.onset_sec) * float(rng.uniform(0.5, 1.5))
        kept = dataclasses.replace(
            note, onset_sec=max(0.0, onset), offset_sec=max(0.0, onset) + max(0.06, length)
        )
        out.append(kept)
        if rng.random() < 0.03:
            out.append(
                dataclasses.replace(
                    kept,
                    id=next_id,
                    pitch_midi=note.pitch_midi + 12,
                    string=None,
                    fret=None,
                    confidence=0.4,
                    offset_sec=kept.onset_sec + 0.1,
                )
            )
            next_id += 1
    return sort_notes(out)
