"""Short takes as people send them: published tunes, picked chords, strums, licks, riffs, phrases.

Conventions: as in `tests.bench.rhythm_riffs`, whose `Truth` each take is. A score is a list of
(beat, beats that it lasts, pitch), beat 0 the first downbeat. How often each meter, tempo and
length comes is set by hand after what teachers hand out (common practice, no source): mostly 4/4,
near 100 quarters or 68 dotted quarters a minute, two to eight bars.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence

import numpy as np

from tests.bench import rhythm_strums, theory_riffs
from tests.bench.rhythm_riffs import Truth, make_phrase, make_riff, spoil, tempo_curve
from tests.bench.rhythm_tunes import BarredTune
from transcribe.core.riff import Note, sort_notes

__all__ = ["KINDS", "as_heard", "make_take"]

Score = list[tuple[float, float, int]]
Meter = tuple[int, int]

# Six picked eighths, as `theory_riffs.PICKINGS`.
_SIX = ("b32123", "b31323", "b21232", "b321b2", "b3n213", "b12321")
_SCALES = ((0, 3, 5, 7, 10), (0, 2, 4, 7, 9), (0, 2, 3, 5, 7, 9, 10), (0, 3, 5, 6, 7, 10))
# Cells of a lick and how often they come, below the tempo from which a hand leaves them out.
_CELLS_4 = (
    ((1.0,), 1.0, 999),
    ((0.5, 0.5), 4.0, 999),
    ((0.25, 0.25, 0.5), 0.5, 110),
    ((0.5, 0.25, 0.25), 0.3, 110),
    ((0.75, 0.25), 0.5, 999),
    ((0.25,) * 4, 0.3, 100),
    ((1.5, 0.5), 0.6, 999),
    ((2.0,), 0.25, 999),
    ((1 / 3,) * 3, 0.15, 999),
    ((0.5, 1.0, 0.5), 0.4, 999),
)
_CELLS_8 = (
    ((1.0, 1.0, 1.0), 2.0, 999),
    ((2.0, 1.0), 1.5, 999),
    ((3.0,), 0.6, 999),
    ((1.0, 2.0), 0.3, 999),
    ((1.0, 1.0, 0.5, 0.5), 0.4, 999),
    ((0.5, 0.5, 1.0, 1.0), 0.2, 999),
)
# Old collections hold few tunes in three quarters and many in six eighths; riffs are otherwise.
_TUNE_METERS: tuple[Meter, ...] = ((4, 4), (2, 4), (3, 4), (6, 8))
_TUNE_SHARES = (0.45, 0.25, 0.15, 0.15)
# What a tracker makes of a take, set by hand after takes through sound.
_HEARD_SHARE = 0.6  # of the takes
_COLOUR_DB, _LOUD_DB = 3.0, 2.5  # by which the pitches, and single notes, come out louder or softer
_HEARD_SEC, _HEARD_LENGTH = 0.005, 0.4  # spread of the onsets, and of the lengths' logarithm


def _pulse(rng: np.random.Generator, meter: Meter) -> float:
    """Felt pulses a minute."""
    middle = {(3, 4): 108.0, (6, 8): 68.0}.get(meter, 100.0)
    return float(np.clip(middle * np.exp(rng.normal(0, 0.28)), 42, 168))


def _play(
    score: Score, meter: Meter, pulse: float, rng: np.random.Generator, *, kind: str, rings: bool
) -> Truth:
    """The score as a hand plays it: drift up to 4 %, jitter of 8 ms, uneven loudness and lengths.

    ``rings`` lets every note sound on for its length again.
    """
    bpm = pulse * (3 if meter == (6, 8) else 1)
    lead = -min(0, int(np.floor(min(n[0] for n in score))))
    beats = lead + int(np.ceil(max(n[0] + n[1] for n in score))) + 1
    lengths = 60 / bpm * tempo_curve(beats, float(rng.uniform(0, 0.04)), rng)
    grid = np.concatenate([[0.0], np.cumsum(lengths)]) + rng.uniform(0.1, 0.8)

    def at(beat: float) -> float:
        return float(np.interp(beat + lead, np.arange(len(grid)), grid))

    stress = float(rng.uniform(0, 2.5))  # dB on the downbeat
    notes = []
    for beat in sorted({n[0] for n in score}):
        shift = rng.normal(0, 0.008)
        for k, (_, length, pitch) in enumerate(sorted(n for n in score if n[0] == beat)):
            onset = max(0.0, at(beat) + shift + rng.normal(0, 0.003) + 0.004 * k)
            full = at(beat + length * (2 if rings else 1)) - at(beat)
            accent = stress * (beat % meter[0] == 0) + stress / 3 * (beat % 1 == 0)
            notes.append(
                Note(
                    id=0,
                    onset_sec=onset,
                    offset_sec=onset + max(0.04, min(3.0, float(rng.uniform(0.82, 1.0)) * full)),
                    pitch_midi=pitch,
                    loudness_db=-18 + accent + float(rng.normal(0, 2.5)),
                    onset_beat=float(beat),
                    duration_beat=float(length),
                )
            )
    return _truth(kind, meter, grid, lead, notes)


def _truth(kind: str, meter: Meter, grid: np.ndarray, lead: int, notes: Sequence[Note]) -> Truth:
    ordered = tuple(dataclasses.replace(n, id=i + 1) for i, n in enumerate(sort_notes(list(notes))))
    last = max(n.offset_sec for n in ordered)
    bars = grid[lead :: meter[0]]
    return Truth(
        kind=kind,
        meter=meter,
        bpm=float(60 / np.mean(np.diff(grid))),
        beats_sec=grid[grid <= last],
        downbeats_sec=bars[bars <= last],
        notes=ordered,
        phrases=(),
        swing=False,
        taps_sec=(),
        duration_sec=last + 0.3,
    )


def _tune(rng: np.random.Generator, tunes: Sequence[BarredTune]) -> Truth:
    """The first bars of a published tune, once or twice, with or without a drone."""
    meter = _TUNE_METERS[int(rng.choice(len(_TUNE_METERS), p=_TUNE_SHARES))]
    among = [t for t in tunes if t.meter == meter]
    while True:
        tune = among[int(rng.integers(len(among)))]
        bar = tune.meter[0]
        bars = int(rng.choice([2, 4, 4, 4, 6, 8])) * (2 if tune.meter == (2, 4) else 1)
        first = -bar if rng.random() < 0.8 else 0  # some begin without the pickup
        end = bars * bar
        score: Score = [
            (on, min(length, end - on), pitch)
            for on, length, pitch in zip(tune.onset, tune.duration, tune.pitch, strict=True)
            if first <= on < end
        ]
        if sum(on >= 0 for on, *_ in score) >= 6:
            break
    low = min(pitch for *_, pitch in score)
    octaves = 12 * int(np.ceil((52 - low) / 12))
    score = [(on, length, pitch + octaves) for on, length, pitch in score]
    if rng.random() < 0.35:
        score += [(on + end, length, pitch) for on, length, pitch in score]
        end *= 2
    drone = rng.random() < 0.4
    if drone:
        group = {(4, 4): 2, (6, 8): 3}.get(tune.meter, 1)
        beat = 3 if tune.meter == (6, 8) else 1
        step = int(rng.choice([bar, group, beat], p=[0.45, 0.3, 0.25]))
        string = int(rng.choice([40, 45, 50]))
        score += [(float(b), float(min(step, end - b)), string) for b in range(0, end, step)]
    kind = "tune, drone" if drone else "tune"
    return _play(score, tune.meter, _pulse(rng, tune.meter), rng, kind=kind, rings=False)


def _picked(rng: np.random.Generator) -> Truth:
    """Chords of a loop picked string by string, some with a tune on top."""
    loops = theory_riffs.PICKED_LOOPS
    symbols = loops[int(rng.integers(len(loops)))].split()
    meter: Meter = ((4, 4), (4, 4), (4, 4), (3, 4), (6, 8))[int(rng.integers(5))]
    patterns = theory_riffs.PICKINGS if meter == (4, 4) else _SIX
    pattern = patterns[int(rng.integers(len(patterns)))]
    fine = meter == (4, 4) and rng.random() < 0.2  # sixteenths: the pattern fills half a bar
    unit = 1.0 if meter == (6, 8) else 0.25 if fine else 0.5
    per_chord = meter[0] * float(rng.choice([0.5, 1, 2], p=[0.12, 0.73, 0.15]))
    if meter != (4, 4):
        per_chord = max(per_chord, meter[0])
    end = int(rng.choice([2, 4, 4, 6, 8])) * meter[0]
    tune, pinched = rng.random() < 0.3, rng.random() < 0.3
    left_out = int(rng.integers(1, len(pattern))) if rng.random() < 0.25 else -1
    score: Score = []
    for k, beat in enumerate(np.arange(0, end, unit).tolist()):
        symbol = symbols[int(beat // per_chord) % len(symbols)]
        grip = {6 - i: int(c, 16) for i, c in enumerate(theory_riffs.SHAPES[symbol]) if c != "x"}
        low = sorted(grip, reverse=True)
        change = beat % per_chord == 0
        mark = "b" if change else pattern[k % len(pattern)]
        string = low[0] if mark == "b" else low[1] if mark == "n" else int(mark)
        if string not in grip or (k % len(pattern) == left_out and not change):
            continue
        fret = grip[string]
        if tune and string < 3 and rng.random() < 0.4:
            fret = int(np.clip(fret + rng.integers(-2, 4), 0, 5))
        score.append((beat, 2 * unit, theory_riffs.OPEN[string - 1] + fret))
        if pinched and string != 1 and 1 in grip and beat % 1 == 0 and rng.random() < 0.4:
            score.append((beat, 2 * unit, theory_riffs.OPEN[0] + grip[1]))
    if rng.random() < 0.4:  # ends on the bass of the first chord
        string = min(i for i, c in enumerate(theory_riffs.SHAPES[symbols[0]]) if c != "x")
        fret = int(theory_riffs.SHAPES[symbols[0]][string], 16)
        score.append((float(end), float(meter[0]), theory_riffs.OPEN[5 - string] + fret))
    pulse = min(_pulse(rng, meter), 95.0 if fine else 140.0)
    return _play(score, meter, pulse, rng, kind="picked", rings=True)


def _lick(rng: np.random.Generator) -> Truth:
    """A line over a scale, two to eight bars, most ending on a long note, a few played twice."""
    meter: Meter = (*((4, 4),) * 6, (3, 4), (6, 8))[int(rng.integers(8))]
    pulse = _pulse(rng, meter)
    cells = [c for c in (_CELLS_4 if meter[1] == 4 else _CELLS_8) if pulse < c[2]]
    share = np.array([weight for _, weight, _ in cells])
    bars = int(rng.choice([2, 4, 4, 4, 8]))
    scale = _SCALES[int(rng.integers(len(_SCALES)))]
    root, degree = int(rng.integers(45, 58)), int(rng.integers(0, 8))
    score: Score = []
    drawn: list[list[float]] = []
    for bar in range(bars):
        if drawn and rng.random() < 0.35:
            rhythm = drawn[int(rng.integers(len(drawn)))]
        else:
            rhythm = []
            while sum(rhythm) < meter[0] - 1e-6:
                cell = cells[int(rng.choice(len(cells), p=share / share.sum()))][0]
                if sum(rhythm) + sum(cell) <= meter[0] + 1e-6:
                    rhythm = [*rhythm, *cell]
            drawn.append(rhythm)
        if bar == bars - 1 and rng.random() < 0.7:
            half = [v for k, v in enumerate(rhythm) if sum(rhythm[:k]) < meter[0] / 2 - 1e-6]
            rhythm = [*half, meter[0] - sum(half)] if sum(half) < meter[0] - 1e-6 else half
        beat = float(bar * meter[0])
        for length in rhythm:
            degree = int(np.clip(degree + rng.choice([-2, -1, -1, 0, 1, 1, 2]), 0, 11))
            pitch = root + 12 * (degree // len(scale)) + scale[degree % len(scale)]
            if not score or length < 0.5 or rng.random() >= 0.06:  # else a rest
                score.append((round(12 * beat) / 12, length, pitch))
            beat += length
    if rng.random() < 0.25 and bars <= 4:
        score += [(on + bars * meter[0], length, pitch) for on, length, pitch in score]
    if rng.random() < 0.2:
        unit, count = (0.5 if meter[1] == 4 else 1.0), int(rng.integers(1, 3))
        score += [(-unit * (count - k), unit, root + scale[k]) for k in range(count)]
    return _play(score, meter, pulse, rng, kind="lick", rings=False)


def _riff(rng: np.random.Generator, seed: int) -> Truth:
    """A riff of `tests.bench.rhythm_riffs` in a usual meter and tempo, most cut after some bars."""
    meters: tuple[Meter, ...] = ((4, 4), (3, 4), (6, 8), (2, 4), (5, 4), (7, 8))
    meter = meters[int(rng.choice(6, p=[0.6, 0.18, 0.1, 0.01, 0.06, 0.05]))]
    truth = make_riff(500_000 + seed, meter=meter, pulse=max(_pulse(rng, meter), 45.0))
    end = int(rng.choice([2, 3, 4, 4, 6, 8])) * meter[0]
    kept = [n for n in truth.notes if n.onset_beat is not None and n.onset_beat < end]
    if rng.random() < 0.4 or len(kept) < 6:
        return truth
    lead = int(np.argmin(np.abs(truth.beats_sec - truth.downbeats_sec[0])))
    return _truth(truth.kind, meter, truth.beats_sec, lead, kept)


def _strum(seed: int) -> Truth:
    """A strummed take of `tests.bench.rhythm_strums`."""
    take = rhythm_strums.strum(seed)
    clock = take.first_sec + np.array(take.eighths_sec)
    return _truth("strum", take.meter, clock[:: 2 if take.meter[1] == 4 else 1], 0, take.notes)


def as_heard(truth: Truth, seed: int) -> Truth:
    """The take as a tracker hears it: loudness coloured by pitch, ends guessed, some notes missed
    or added."""
    rng = np.random.default_rng([seed, 47])
    colour = rng.normal(0, _COLOUR_DB, 128)
    notes = []
    for note in truth.notes:
        onset = max(0.0, note.onset_sec + float(rng.normal(0, _HEARD_SEC)))
        length = (note.offset_sec - note.onset_sec) * float(np.exp(rng.normal(0, _HEARD_LENGTH)))
        loud = (note.loudness_db or 0.0) + colour[note.pitch_midi] + float(rng.normal(0, _LOUD_DB))
        notes.append(
            dataclasses.replace(
                note,
                onset_sec=onset,
                offset_sec=onset + max(0.04, length),
                loudness_db=float(loud),
            )
        )
    missed, extra = rng.uniform(0, 0.08, 2)
    heard = dataclasses.replace(truth, notes=sort_notes(notes))
    return spoil(heard, seed, missed=float(missed), extra=float(extra))


_DRAWN: dict[str, Callable[[np.random.Generator], Truth]] = {"picked": _picked, "lick": _lick}
KINDS = ("tune", "picked", "lick", "riff", "strum", "phrase")
"""Kinds of takes that `make_take` draws."""


def make_take(kind: str, seed: int, tunes: Sequence[BarredTune]) -> Truth:
    """A take of one of `KINDS`; of three in five, what a tracker makes of it.

    Examples
    --------
    >>> take = make_take("lick", 1, ())
    >>> take.kind, take.meter[1] in (4, 8)
    ('lick', True)
    """
    rng = np.random.default_rng([seed, KINDS.index(kind), 31])
    if kind == "tune":
        truth = _tune(rng, tunes)
    elif kind == "riff":
        truth = _riff(rng, seed)
    elif kind == "strum":
        truth = _strum(seed)
    elif kind == "phrase":
        truth = make_phrase(700_000 + seed)
    else:
        truth = _DRAWN[kind](rng)
    return as_heard(truth, seed) if rng.random() < _HEARD_SHARE else truth
