"""What the notes say about every tonic and mode, as numbers that add up to a score.

Conventions: candidates are the 12 tonics x the modes of `MODES`, in that order; a feature is a
number per candidate, and the score of a candidate is the sum of its features times the weights
of `theory.mode_weights`. Everything is counted so that the unit of time does not matter.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping
from functools import lru_cache
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from theory.arrays import STROKE_SEC, FloatArray, Notes
from theory.chord_symbols import name_chord
from theory.drone_pitches import STROKE_SHARE, find_drone_pitches, without_drone
from theory.mode_weights import WEIGHTS
from theory.scales import MODES

__all__ = ["FEATURES", "candidates", "chord_roots", "features", "lowest_at"]

FEATURES = tuple(WEIGHTS)
"""Names of the features, in the order of the columns that `features` returns."""

_COLUMN: Mapping[str, int] = MappingProxyType({name: i for i, name in enumerate(FEATURES)})
# How much each kind of feature of the melody counts where a drone holds the key; by hand.
_OVER_DRONE = (
    (("long_", "low_", "closing_", "quarter_", "half_", "end_", "step_", "again_"), 0.25),
    (("opening_", "leap_"), 0.5),
    (("last_",), 1.7),
)
_OVER_DRONE_SHARE = np.array(
    [
        next((share for starts, share in _OVER_DRONE if name.startswith(starts)), 1.0)
        for name in FEATURES
    ]
)
_LINE = tuple(
    i
    for i, name in enumerate(FEATURES)
    if name.startswith(("last_", "end_", "long_", "low_", "closing_", "half_", "quarter_"))
    or name.startswith(("leap_", "step_", "again_", "first_", "opening_"))
)
_WINDOW_NOTES = 8  # notes at the beginning and at the end that state the key
_CLOSE_NOTES = 16  # notes that lead up to the end and close on it
# how much the melody's turns, opening and ends count where chords are played, not a line
_IN_CHORDS_SHARE = 0.25
_CHORD_LEAPS_SHARE = 0.85  # share of leaps among the moves that only chords have
# notes; a longer riff is worth more evidence, but never more than this many notes
_HALF_NOTES = 40.0

# In lengths of the usual (median) note, set by hand before the weights were fitted to them.
_LENGTHS = (0.25, 4.0)  # a note counts as if it were no shorter and no longer,
_LENGTH_POWER = 0.5  # and its length to this power, so that long notes do not drown the rest
_ON_DOWNBEAT = 0.25
_LONG_MEDIANS = 1.9
_LONGER_THAN_BEFORE = 1.4  # times the step before, for a long note to end a phrase
_SAME_OPENING_SHARE = 0.8  # of the opening's notes that come again where the tune returns
_MIN_CHORD_NOTES = 1.6  # notes a stroke on average, from which the lowest are a bass
_HEARD_NOTES = 15.0  # notes after which a degree that never came counts as missing


def candidates() -> tuple[tuple[int, str], ...]:
    """Every (tonic pitch class, mode name), in the order of the rows of `features`."""
    return tuple((tonic, name) for tonic in range(12) for name in MODES)


@lru_cache(maxsize=1)
def _tables() -> tuple[npt.NDArray[np.int64], FloatArray]:
    """Degree number of every pitch class for every candidate (0 = foreign); triads of degrees.

    The triads have shape (7, candidates, 12): 1 where the pitch class is the degree, the third
    or the fifth above it.
    """
    pairs = candidates()
    number = np.zeros((len(pairs), 12), dtype=np.int64)
    for row, (tonic, name) in enumerate(pairs):
        shape = MODES[name]
        for step, k in zip(shape.semitones, shape.numbers, strict=True):
            number[row, (tonic + step) % 12] = 4 if name == "blues" and step == 6 else k
    triads = np.stack(
        [
            np.isin(number, [(k + up) % 7 + 1 for up in (0, 2, 4)]).astype(np.float64)
            for k in range(7)
        ]
    )
    return number, triads


RARE = ("phrygian", "lydian", "locrian")
"""Modes that are rarely played without a drone that holds their tonic or fifth."""

CHARACTERISTIC: Mapping[str, int] = MappingProxyType(
    {"dorian": 9, "phrygian": 1, "lydian": 6, "mixolydian": 10, "locrian": 6, "blues": 6}
)
"""Characteristic degree, in semitones: without it a mode sounds as plain major or minor."""


@lru_cache(maxsize=1)
def _characteristic() -> FloatArray:
    out = np.zeros((len(candidates()), 12))
    for row, (tonic, name) in enumerate(candidates()):
        if name in CHARACTERISTIC:
            out[row, (tonic + CHARACTERISTIC[name]) % 12] = 1.0
    return out


class _Columns:
    """A feature matrix, shape ``(candidates, features)``, that is filled by name."""

    def __init__(self) -> None:
        self.number, self.triads = _tables()
        self.off = (self.number == 0).astype(np.float64)
        self.values = np.zeros((self.number.shape[0], len(FEATURES)))

    def put(self, name: str, value: FloatArray) -> None:
        self.values[:, _COLUMN[name]] = value

    def by_degree(self, prefix: str, strengths: FloatArray, parts: Iterable[int]) -> None:
        """How strong each of the degrees ``parts`` is; ``strengths`` by pitch class, (12,)."""
        for k in parts:
            self.put(f"{prefix}_{k}", (self.number == k) @ strengths)

    def all_degrees(self, prefix: str, strengths: FloatArray) -> None:
        """How strong every degree is, and what is foreign."""
        self.by_degree(prefix, strengths, range(1, 8))
        self.put(f"{prefix}_off", self.off @ strengths)


def features(
    played: Notes, *, drones: tuple[int, ...] = (), downbeats: FloatArray | None = None
) -> FloatArray:
    """Features of every candidate, shape ``(candidates, features)``.

    A drone sounds whatever the melody does, so the melody is weighed without it, and the drone
    once, as a drone. Where none is given, a low note that comes back throughout counts as one.
    """
    drones = drones or find_drone_pitches(played)
    notes = without_drone(played, drones)
    columns = _Columns()
    size = float(notes.weight.sum())
    effective = size / (1.0 + size / _HALF_NOTES)
    median = float(np.median(notes.duration))
    length = np.clip(notes.duration / median, *_LENGTHS) ** _LENGTH_POWER
    _put_heard(columns, played, notes, notes.weight * length, effective)
    _put_places(columns, notes, notes.weight * length, median)
    _put_moves(columns, notes, effective)
    if downbeats is not None and downbeats.size:
        gap = np.abs(notes.onset[:, None] - downbeats[None, :]).min(axis=1)
        columns.by_degree("downbeat", _mean(notes.pitch % 12, gap <= _ON_DOWNBEAT * median), (1, 5))
    bass = _bass(notes)
    if bass is not None:
        columns.by_degree("bass", bass, (1, 5))
    chords = () if drones else chord_roots(notes)
    if chords:
        columns.values[:, _LINE] *= _IN_CHORDS_SHARE
        _put_chords(columns, chords)
    if drones:
        # A drone already says where home is, so how the melody turns matters less, and its phrases
        # may end on any note of the chord that they break. If it has another home than the drone,
        # that is where all of it ends; which chord it opens with and leaps within tells between
        # them. Its notes count in full.
        columns.values *= _OVER_DRONE_SHARE
        drone = _one_hot(min(drones))
        columns.by_degree("drone", drone, (1, 5))
        columns.put("drone_off", columns.off @ drone)
        holds = columns.values[:, [_COLUMN["drone_1"], _COLUMN["drone_5"]]].sum(axis=1)
        columns.put("drone_rare", holds * _is(RARE))
    for name in MODES:
        columns.put(f"is_{name.replace(' ', '_')}", _is((name,)))
    return columns.values


def _is(names: tuple[str, ...]) -> FloatArray:
    """1 for the candidates of these modes, shape (candidates,)."""
    return np.array([name in names for _, name in candidates()], dtype=np.float64)


def _put_heard(
    columns: _Columns, played: Notes, notes: Notes, weight: FloatArray, effective: float
) -> None:
    """Which notes sound how much, and which of a mode's own never do (the drone's count too)."""
    share = _share(notes.pitch % 12, weight)
    count = np.bincount(played.pitch % 12, weights=played.weight, minlength=12)
    enough = 1.0 - np.exp(-float(notes.weight.sum()) / _HEARD_NOTES)
    columns.by_degree("on", effective * share, range(1, 8))
    columns.put("off", effective * (columns.off @ share))
    columns.put("off_heard", columns.off @ np.log1p(count))
    for k in range(2, 8):
        on = columns.number == k
        columns.put(f"missing_{k}", on.any(axis=1) * enough * np.exp(-2.0 * (on @ count)))
    own = _characteristic()
    columns.put("no_characteristic", enough * np.exp(-2.0 * (own @ count)) * own.any(axis=1))


def _put_places(columns: _Columns, notes: Notes, weight: FloatArray, median: float) -> None:
    """What stands first and last, at the ends of phrases and parts, long and low."""
    pc = notes.pitch % 12
    columns.all_degrees("last", _one_hot(lowest_at(notes, len(notes) - 1)))
    columns.by_degree("first", _one_hot(lowest_at(notes, 0)), (1, 3, 5))
    columns.all_degrees("end", _mean(pc, _phrase_ends(notes, median)))
    columns.by_degree("long", _mean(pc, notes.duration >= _LONG_MEDIANS * median), (1, 5))
    columns.by_degree("low", _one_hot(int(notes.pitch.min())), (1, 5))
    for name, part in (
        ("opening", slice(0, _WINDOW_NOTES)),
        ("closing", slice(-_WINDOW_NOTES, None)),
    ):
        window = _share(pc[part], weight[part])
        columns.put(f"{name}_triad", columns.triads[0] @ window)
    columns.all_degrees("closing", _mean(pc, np.arange(len(notes)) >= len(notes) - _CLOSE_NOTES))
    start, half_end, quarter_end = _parts(notes)
    columns.by_degree("half_end", half_end, (1, 5))
    columns.put("half_end_off", columns.off @ half_end)
    columns.all_degrees("quarter_end", quarter_end)
    columns.put("half_start_triad", columns.triads[0] @ start)


def _put_moves(columns: _Columns, notes: Notes, effective: float) -> None:
    """Within which chords the line leaps, how it steps to the tonic, and whether it stays there."""
    leaps, steps, again = _moves(notes)
    for k in range(1, 8):
        triad = columns.triads[k - 1]
        columns.put(f"leap_{k}", effective * np.einsum("ca,ab,cb->c", triad, leaps, triad))
    home = (columns.number == 1).astype(np.float64)
    for k in (7, 2):
        away = (columns.number == k).astype(np.float64)
        columns.put(f"step_{k}_to_1", effective * np.einsum("ca,ab,cb->c", away, steps, home))
    columns.put("again_1", effective * (home @ again))


def chord_roots(notes: Notes) -> tuple[int, ...]:
    """Pitch class of the root of the first stroke and of every full one after it.

    Nothing for a melody. Chords leap from string to string, struck together or one by one; a
    melody also steps. Broken chords have no full strokes, so only the first note is given.
    """
    move = np.abs(np.diff(notes.pitch))
    moves = int((move > 0).sum())
    if moves < _WINDOW_NOTES or float((move >= 3).sum()) < _CHORD_LEAPS_SHARE * moves:
        return ()
    breaks = np.flatnonzero(np.diff(notes.onset) > STROKE_SHARE * np.median(notes.duration)) + 1
    first, *rest = np.split(notes.pitch, breaks)
    most = max(len(s) for s in (first, *rest))
    full = [s for s in rest if len(s) > 1 and 2 * len(s) > most]
    return tuple(_root(int(s.min()) % 12, frozenset((s % 12).tolist())) for s in (first, *full))


@lru_cache(maxsize=1024)
def _root(bass: int, classes: frozenset[int]) -> int:
    """Root of the chord of some pitch classes, the bass itself where they are no chord."""
    named = name_chord([bass, *(12 + pc for pc in classes - {bass})])
    return named[0].root_pc if named else bass


def _put_chords(columns: _Columns, roots: tuple[int, ...]) -> None:
    """Whether the first and the last full stroke are the tonic's chord, and fifths fall to it."""
    columns.by_degree("chord_first", _one_hot(roots[0]), (1,))
    if len(roots) > 1:
        columns.by_degree("chord_last", _one_hot(roots[-1]), (1,))
    changes = [(a, b) for a, b in itertools.pairwise(roots) if (b - a) % 12]
    falls = np.zeros(12)
    for a, b in changes:
        falls[b % 12] += (b - a) % 12 == 5
    columns.by_degree("chord_5_to", falls / max(1, len(changes)), (1,))


def _share(pc: npt.NDArray[np.int64], weight: FloatArray) -> FloatArray:
    """Share of the weight on each pitch class."""
    total = float(weight.sum())
    sums = np.bincount(pc, weights=weight, minlength=12)
    return np.asarray(sums / total if total else sums, dtype=np.float64)


def _parts(notes: Notes) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Pitch classes that begin the second half, that end the first, and that end quarters.

    Tunes and riffs are built of parts of equal length, so those notes open and close parts.
    """
    start, half_end, quarter_end = np.zeros(12), np.zeros(12), np.zeros(12)
    if len(notes) >= 8:
        whole = float(notes.end.max() - notes.onset[0])
        for part in (0.25, 0.5, 0.75):
            i = int(np.searchsorted(notes.onset, notes.onset[0] + part * whole - 1e-6))
            i = min(max(i, 1), len(notes) - 1)
            if part == 0.5:
                start[notes.pitch[i] % 12] = 1.0
                half_end[notes.pitch[i - 1] % 12] = 1.0
            else:
                quarter_end[notes.pitch[i - 1] % 12] += 0.5
    return start, half_end, quarter_end


def _moves(notes: Notes) -> tuple[FloatArray, FloatArray, FloatArray]:
    """How often the line leaps or steps between pitch classes (12, 12), or repeats one (12,).

    All are shares of the number of notes. Leaps (a third to an octave) mostly stay within a
    chord, steps mostly do not.
    """
    pc = notes.pitch % 12
    move = np.abs(np.diff(notes.pitch))
    size = max(1, len(notes))
    leaps, steps = np.zeros((12, 12)), np.zeros((12, 12))
    far, near = (move >= 3) & (move <= 12), (move == 1) | (move == 2)
    np.add.at(leaps, (pc[:-1][far], pc[1:][far]), 1.0 / size)
    np.add.at(steps, (pc[:-1][near], pc[1:][near]), 1.0 / size)
    return leaps, steps, np.bincount(pc[1:][move == 0], minlength=12) / size


def _one_hot(pitch: int) -> FloatArray:
    out = np.zeros(12)
    out[pitch % 12] = 1.0
    return out


def lowest_at(notes: Notes, index: int) -> int:
    """Lowest pitch of the notes struck together with note ``index``."""
    close = np.abs(notes.onset - notes.onset[index]) <= 1e-6 + 0.25 * notes.duration.min()
    return int(notes.pitch[close].min())


def _mean(pc: npt.NDArray[np.int64], chosen: npt.NDArray[np.bool_]) -> FloatArray:
    if not chosen.any():
        return np.zeros(12)
    return np.bincount(pc[chosen], minlength=12) / float(chosen.sum())


def _phrase_ends(notes: Notes, median: float) -> npt.NDArray[np.bool_]:
    """Notes that close a phrase: long among their neighbours, before a rest, before a return."""
    n = len(notes)
    ends = np.zeros(n, dtype=bool)
    if n < 4:
        return ends
    gap = np.append(notes.onset[1:], notes.end[-1] + 4 * median) - notes.onset
    before = np.concatenate(([0.0], gap[:-1]))
    ends |= (gap >= _LONG_MEDIANS * median) & (gap > _LONGER_THAN_BEFORE * before)
    opening = notes.pitch[: min(6, n // 3)]
    if opening.size >= 4:
        windows = np.lib.stride_tricks.sliding_window_view(notes.pitch, opening.size)
        same = (windows == opening).mean(axis=1) >= _SAME_OPENING_SHARE
        returns = np.flatnonzero(same)
        ends[returns[returns > 0] - 1] = True
    ends[-1] = True
    return ends


def _bass(notes: Notes) -> FloatArray | None:
    """Share of the time each pitch class is the lowest of several; None for a single line."""
    order = np.argsort(notes.onset, kind="stable")
    onset = notes.onset[order]
    groups = np.flatnonzero(np.diff(onset, prepend=-np.inf) > STROKE_SEC)
    if groups.size == 0 or len(notes) / groups.size < _MIN_CHORD_NOTES:
        return None
    strengths = np.zeros(12)
    ends = np.append(groups[1:], len(notes))
    for start, end in zip(groups, ends, strict=True):
        if end - start > 1:
            strengths[notes.pitch[order[start:end]].min() % 12] += 1.0
    return strengths / strengths.sum() if strengths.sum() else None
