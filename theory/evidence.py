"""What the notes say about every tonic and mode, as numbers that add up to a score.

Conventions: candidates are the 12 tonics x the modes of `MODES`, in that order; a feature is a
number per candidate, and the score of a candidate is the sum of its features times the weights
of `theory.weights`. Everything is counted so that the unit of time does not matter.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt

from theory.arrays import FloatArray, Notes
from theory.scales import MODES

__all__ = ["FEATURES", "candidates", "features", "lowest_at"]

FEATURES = (
    *(f"on_{k}" for k in range(1, 8)),
    "off_leading",
    "off_other",
    "off_heard",
    *(f"missing_{k}" for k in range(2, 8)),
    "last_1",
    "last_3",
    "last_5",
    "last_off",
    "first_1",
    "first_3",
    "first_5",
    "end_1",
    "end_3",
    "end_5",
    "long_1",
    "long_5",
    "low_1",
    "low_5",
    "downbeat_1",
    "downbeat_3",
    "downbeat_5",
    "bass_1",
    "bass_5",
    "drone_1",
    "drone_5",
    "drone_off",
    "step_home",
    *(f"is_{name.replace(' ', '_')}" for name in MODES),
)
"""Names of the features, in the order of the columns that `features` returns."""

_HALF = 40.0  # notes; a longer riff is worth more evidence, but never more than this many notes


def candidates() -> tuple[tuple[int, str], ...]:
    """Every (tonic pitch class, mode name), in the order of the rows of `features`."""
    return tuple((tonic, name) for tonic in range(12) for name in MODES)


@lru_cache(maxsize=1)
def _tables() -> tuple[npt.NDArray[np.int64], FloatArray]:
    """Degree number of every pitch class for every candidate (0 = foreign), and foreign kinds."""
    pairs = candidates()
    number = np.zeros((len(pairs), 12), dtype=np.int64)
    leading = np.zeros((len(pairs), 12))
    for row, (tonic, name) in enumerate(pairs):
        shape = MODES[name]
        for step, k in zip(shape.semitones, shape.numbers, strict=True):
            number[row, (tonic + step) % 12] = 4 if name == "blues" and step == 6 else k
        if 11 not in shape.semitones:
            leading[row, (tonic + 11) % 12] = 1.0
    return number, leading


def features(
    notes: Notes, *, drone_pc: int | None = None, downbeats: FloatArray | None = None
) -> FloatArray:
    """Features of every candidate, shape ``(candidates, features)``."""
    number, leading = _tables()
    rows = number.shape[0]
    out = np.zeros((rows, len(FEATURES)))
    column = {name: i for i, name in enumerate(FEATURES)}

    def put(name: str, value: FloatArray | float) -> None:
        out[:, column[name]] = value

    pc = notes.pitch % 12
    median = float(np.median(notes.duration)) or 1.0
    length = np.clip(notes.duration / median, 0.25, 4.0) ** 0.5
    weight = notes.weight * length
    total = float(weight.sum()) or 1.0
    share = np.bincount(pc, weights=weight, minlength=12) / total
    count = np.bincount(pc, weights=notes.weight, minlength=12)
    size = float(notes.weight.sum())
    effective = size / (1.0 + size / _HALF)
    enough = 1.0 - np.exp(-size / 15.0)

    for k in range(1, 8):
        on = number == k
        put(f"on_{k}", effective * (on @ share))
        if k > 1:
            has = on.any(axis=1)
            put(f"missing_{k}", has * enough * np.exp(-2.0 * (on @ count)))
    off = (number == 0).astype(np.float64)
    put("off_leading", effective * ((off * leading) @ share))
    put("off_other", effective * ((off * (1 - leading)) @ share))
    put("off_heard", (off * (1 - leading)) @ np.log1p(count))

    def by_degree(prefix: str, strengths: FloatArray, parts: tuple[int, ...]) -> None:
        for k in parts:
            put(f"{prefix}_{k}", (number == k) @ strengths)

    last = _one_hot(lowest_at(notes, len(notes) - 1))
    by_degree("last", last, (1, 3, 5))
    put("last_off", off @ last)
    by_degree("first", _one_hot(lowest_at(notes, 0)), (1, 3, 5))
    by_degree("end", _mean(pc, _phrase_ends(notes, median)), (1, 3, 5))
    long = notes.duration >= 1.9 * median
    by_degree("long", _mean(pc, long), (1, 5))
    by_degree("low", _one_hot(int(notes.pitch.min())), (1, 5))
    if downbeats is not None and downbeats.size:
        tolerance = 0.25 * median
        gap = np.abs(notes.onset[:, None] - downbeats[None, :]).min(axis=1)
        by_degree("downbeat", _mean(pc, gap <= tolerance), (1, 3, 5))
    bass = _bass(notes)
    if bass is not None:
        by_degree("bass", bass, (1, 5))
    if drone_pc is not None:
        drone = _one_hot(drone_pc)
        by_degree("drone", drone, (1, 5))
        put("drone_off", off @ drone)
    put("step_home", _steps_home(notes)[[t for t, _ in candidates()]])
    for name in MODES:
        put(f"is_{name.replace(' ', '_')}", np.array([n == name for _, n in candidates()], float))
    return out


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
    ends |= (gap >= 1.9 * median) & (gap > 1.4 * before)
    opening = notes.pitch[: min(6, n // 3)]
    if opening.size >= 4:
        windows = np.lib.stride_tricks.sliding_window_view(notes.pitch, opening.size)
        same = (windows == opening).mean(axis=1) >= 0.8
        returns = np.flatnonzero(same)
        ends[returns[returns > 0] - 1] = True
    ends[-1] = True
    return ends


def _bass(notes: Notes) -> FloatArray | None:
    """Share of the time each pitch class is the lowest of several; None for a single line."""
    order = np.argsort(notes.onset, kind="stable")
    onset = notes.onset[order]
    groups = np.flatnonzero(np.diff(onset, prepend=-np.inf) > 0.03)
    if groups.size == 0 or len(notes) / groups.size < 1.6:
        return None
    strengths = np.zeros(12)
    ends = np.append(groups[1:], len(notes))
    for start, end in zip(groups, ends, strict=True):
        if end - start > 1:
            strengths[notes.pitch[order[start:end]].min() % 12] += 1.0
    return strengths / strengths.sum() if strengths.sum() else None


def _steps_home(notes: Notes) -> FloatArray:
    """Share of the moves by one or two semitones that arrive on each pitch class and stay."""
    step = np.diff(notes.pitch)
    longer = notes.duration[1:] >= notes.duration[:-1]
    chosen = (np.abs(step) <= 2) & (step != 0) & longer
    return _mean(notes.pitch[1:] % 12, chosen)
