"""From the runs of a take to its passes, and which note of the take is which of the reference.

A pass begins where the player goes back to the beginning of the reference. Within a pass a jump
back is a restart or an added repeat, a jump forward a stretch left out. In each stretch that is
played straight on, `fit_stretch` finds when every note was due and pairs the notes of one pitch.
`pair_other_pitch` then pairs what is left with what was played in its place.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from statistics import median

import numpy as np

from transcribe.core.strokes import STROKE_SEC
from transcribe.takes.align import Run
from transcribe.takes.take_tempo import find_breaks, smooth_tempo
from transcribe.takes.timeline import Events, NoteArrays

__all__ = ["Stretch", "StretchFit", "fit_stretch", "group_passes", "pair_other_pitch", "same_pitch"]

_Pairs = tuple[tuple[int, int], ...]  # (reference note, take note)

_MIN_SHARE = 0.5  # share of its pitches that a run must get right
_MIN_SHARE_SHORT = 0.75  # the same where that is less than _SHORT_EVENTS' worth
_SHORT_EVENTS = 3.0
_ROLLED_EVENTS = 2.0  # events; written no further apart, notes may be one chord rolled
# events; a gap this small at either end of a pass was missed, a larger not reached
_NEAR_END_EVENTS = 4
_WINDOW_SEC = 0.35  # a note further from its due time is another
_AGREE_SHARE = 0.6  # share of a chord's notes that must be off alike for the chord to be off
_PACE_LIMITS = (0.4, 2.5)  # take seconds per reference second of any stretch
_FURTHEST_SEMITONES = 12  # that a note played in the place of another lies from it
_STEP_SHARE = 0.45  # of the usual step, within which a note belongs to its event in the order


@dataclass(frozen=True)
class Stretch:
    """A run with the notes that belong to it.

    ``reference`` and ``take`` index notes; ``anchors`` are (reference note, take note) pairs that
    the search matched.
    """

    reference: np.ndarray
    take: np.ndarray
    anchors: _Pairs


@dataclass(frozen=True)
class StretchFit:
    """Pairs of equal pitch within a stretch, and when each of its reference notes was due."""

    stretch: Stretch
    pairs: _Pairs
    due: np.ndarray  # (len(stretch.reference),) take seconds
    pace: np.ndarray  # (len(stretch.reference),) take seconds per reference second
    pauses: tuple[tuple[float, float], ...] = ()  # (take seconds, seconds longer than written)


def group_passes(
    runs: list[Run],
    reference: Events,
    take: Events,
    *,
    ref_pitch: np.ndarray,
    take_pitch: np.ndarray,
    bar: float = np.inf,
) -> list[list[Stretch]]:
    """Passes of a take, each a list of stretches in the order they were played.

    ``bar`` is the length of a bar on the reference's clock: what is missing at either end of a pass
    was missed if it is shorter, else not reached.
    """
    runs = _beyond_chance(runs, reference, take)
    groups: list[list[int]] = []
    for r, run in enumerate(runs):
        back = r > 0 and run.first <= runs[r - 1].last
        if not groups or (back and run.first <= 2):
            groups.append([])
        groups[-1].append(r)
    ref_members, take_members = reference.members(), take.members()
    last_event = len(reference) - 1
    at = reference.at
    passes = []
    for group in groups:
        stretches = []
        for r in group:
            run = runs[r]
            low, high = run.first, run.last
            if r == group[0] and low <= _NEAR_END_EVENTS and at[low] - at[0] < bar:
                low = 0
            if r == group[-1] and last_event - high <= _NEAR_END_EVENTS and at[-1] - at[high] < bar:
                high = last_event
            since = run.pairs[0][1] if r else 0
            until = runs[r + 1].pairs[0][1] if r + 1 < len(runs) else len(take)
            anchors: list[tuple[int, int]] = []
            for i, j in run.pairs:
                anchors += _anchors(ref_members[i], take_members[j], ref_pitch, take_pitch)
            stretches.append(
                Stretch(
                    np.sort(np.concatenate(ref_members[low : high + 1])),
                    np.sort(np.concatenate(take_members[since:until])),
                    tuple(anchors),
                )
            )
        passes.append(stretches)
    return passes


def _beyond_chance(runs: list[Run], reference: Events, take: Events) -> list[Run]:
    """Runs without those that agree with the reference by chance alone: a count-in, some noodling.

    A run counts by the overlap of its pitch sets (Dice's coefficient), against the events of the
    take that it spans.
    """
    kept = []
    for run in runs:
        worth = 0.0
        for i, j in run.pairs:
            written, played = reference.pitches[i], take.pitches[j]
            worth += 2.0 * len({*written} & {*played}) / (len(written) + len(played))
        spanned = run.pairs[-1][1] - run.pairs[0][1] + 1
        if worth >= (_MIN_SHARE if worth >= _SHORT_EVENTS else _MIN_SHARE_SHORT) * spanned:
            kept.append(run)
    return kept or runs


def _anchors(
    written: np.ndarray, played: np.ndarray, ref_pitch: np.ndarray, take_pitch: np.ndarray
) -> list[tuple[int, int]]:
    """Notes of equal pitch in two matched events; where none is equal, the first of each."""
    pairs: list[tuple[int, int]] = []
    free = played.tolist()
    for i in written.tolist():
        j = next((j for j in free if take_pitch[j] == ref_pitch[i]), None)
        if j is not None:
            pairs.append((i, j))
            free.remove(j)  # two strings in unison are two notes
    return pairs or [(int(written[0]), int(played[0]))]


# When each note was due ----------------------------------------------------------------------


def fit_stretch(
    stretch: Stretch, arrays: NoteArrays, *, beat_sec: float, pace: float
) -> StretchFit:
    """Pair the notes of a stretch, along a smooth tempo where the reference has time.

    Parameters
    ----------
    beat_sec : float
        Seconds of a beat on the reference's clock.
    pace : float
        Take seconds per reference second to fall back on where the stretch is too short to tell.
    """
    if arrays.timing == "order":
        return _fit_in_order(stretch, arrays)
    pairs = stretch.anchors
    where = np.round(arrays.x[stretch.reference], 6)
    for _ in range(3):
        due, local, pauses = _due(pairs, arrays, where, beat_sec=beat_sec, pace=pace)
        found = _same_pitch(due, stretch, arrays)
        if not found or found == pairs:
            break
        pairs = found
    else:
        due, local, pauses = _due(pairs, arrays, where, beat_sec=beat_sec, pace=pace)
    pairs = _equal(pairs, arrays)
    moved = due + _chord_offsets(pairs, stretch.reference, where, due, arrays.at)
    if len(pairs) and np.any(moved != due):
        pairs = _same_pitch(moved, stretch, arrays)
    # A note that came after its neighbour is late, not missed and another one more.
    beat = beat_sec * float(np.median(local))
    pairs += _left_over(pairs, due, stretch, arrays, max(_WINDOW_SEC, beat))
    return StretchFit(stretch, tuple(sorted(pairs)), due, local, pauses)


def _left_over(
    pairs: _Pairs, due: np.ndarray, stretch: Stretch, arrays: NoteArrays, window_sec: float
) -> _Pairs:
    """More pairs of equal pitch, up to ``window_sec`` apart, of the notes that are in no pair."""
    left = np.flatnonzero(~np.isin(stretch.reference, [i for i, _ in pairs]))
    free = stretch.take[~np.isin(stretch.take, [j for _, j in pairs])]
    own = stretch.reference[left]
    found = same_pitch(
        due[left],
        arrays.ref_pitch[own],
        arrays.at[free],
        arrays.take_pitch[free],
        window_sec=window_sec,
    )
    return tuple((int(own[i]), int(free[j])) for i, j in found)


def _same_pitch(due: np.ndarray, stretch: Stretch, arrays: NoteArrays) -> _Pairs:
    own, played = stretch.reference, stretch.take
    found = same_pitch(due, arrays.ref_pitch[own], arrays.at[played], arrays.take_pitch[played])
    return tuple((int(own[i]), int(played[j])) for i, j in found)


def _equal(pairs: _Pairs, arrays: NoteArrays) -> _Pairs:
    return tuple((i, j) for i, j in pairs if arrays.ref_pitch[i] == arrays.take_pitch[j])


def _played_times(pairs: _Pairs, arrays: NoteArrays) -> tuple[np.ndarray, np.ndarray]:
    """Reference times that were played, rising and each once, and the median onset for each."""
    if not pairs:
        return np.zeros(0), np.zeros(0)
    rows = np.array(pairs)
    where, group = np.unique(np.round(arrays.x[rows[:, 0]], 6), return_inverse=True)
    onset = arrays.at[rows[:, 1]]
    onset = onset[np.lexsort((onset, group))]
    size = np.bincount(group)
    begin = np.cumsum(size) - size
    return where, 0.5 * (onset[begin + (size - 1) // 2] + onset[begin + size // 2])


def _due(
    pairs: _Pairs, arrays: NoteArrays, where: np.ndarray, *, beat_sec: float, pace: float
) -> tuple[np.ndarray, np.ndarray, tuple[tuple[float, float], ...]]:
    """When the reference times ``where`` were due, the pace there, and the pauses."""
    points, onsets = _played_times(pairs, arrays)
    pace = _pace(points, onsets, pace)
    cuts = find_breaks(points, onsets, pace=pace, beat_sec=beat_sec)
    due, local = np.empty(len(where)), np.empty(len(where))
    pauses = []
    for k, (a, b) in enumerate(itertools.pairwise([0, *cuts, len(points)])):
        low = -np.inf if k == 0 else points[a] - 1e-9
        high = np.inf if b == len(points) else points[b] - 1e-9
        here = (where >= low) & (where < high)
        due[here], local[here] = smooth_tempo(points[a:b], onsets[a:b], where[here], pace=pace)
        if k:
            longer = onsets[a] - onsets[a - 1] - pace * (points[a] - points[a - 1])
            pauses.append((float(onsets[a]), float(longer)))
    return due, local, tuple(pauses)


def _pace(x: np.ndarray, t: np.ndarray, fallback: float) -> float:
    """Pace of a stretch: the median over pairs of events some way apart."""
    if len(x) < 3:
        return fallback
    lag = max(1, min(8, len(x) // 3))
    dx = x[lag:] - x[:-lag]
    ratio = (t[lag:] - t[:-lag])[dx > 1e-6] / dx[dx > 1e-6]
    return float(np.clip(np.median(ratio), *_PACE_LIMITS)) if len(ratio) else fallback


def _chord_offsets(
    pairs: _Pairs, reference: np.ndarray, where: np.ndarray, due: np.ndarray, at: np.ndarray
) -> np.ndarray:
    """For each note how far its chord was played off as one: a chord moves together.

    0 where fewer than two notes of the chord were played, or they do not agree.
    """
    place = {int(i): k for k, i in enumerate(reference)}
    groups: dict[float, list[float]] = {}
    for i, j in pairs:
        k = place[i]
        groups.setdefault(float(where[k]), []).append(float(at[j] - due[k]))
    moved = {}
    for x, own in groups.items():
        middle = median(own)
        agree = sum(abs(off - middle) < STROKE_SEC for off in own) > _AGREE_SHARE * len(own)
        moved[x] = middle if len(own) > 1 and agree else 0.0
    return np.array([moved.get(x, 0.0) for x in where.tolist()])


def _fit_in_order(stretch: Stretch, arrays: NoteArrays) -> StretchFit:
    """Pair the notes of a stretch where the reference holds an order only.

    A note was due where its event was played; between matched events the time is shared evenly.
    """
    where = arrays.x[stretch.reference]
    points, onsets = _played_times(stretch.anchors, arrays)
    onsets = np.maximum.accumulate(onsets)
    # A chord whose notes came apart has an anchor in each of its two events.
    pairs = tuple({i: (i, j) for i, j in _equal(stretch.anchors, arrays)}.values())
    if len(points) == 0:
        return StretchFit(stretch, (), np.full(len(where), np.nan), np.ones(len(where)))
    step = float(np.median(np.diff(onsets) / np.diff(points))) if len(points) > 1 else 0.5
    due = np.interp(where, points, onsets)
    due = np.where(where < points[0], onsets[0] - step * (points[0] - where), due)
    due = np.where(where > points[-1], onsets[-1] + step * (where - points[-1]), due)
    pairs += _rolled(pairs, stretch, arrays)
    more = _left_over(pairs, due, stretch, arrays, _STEP_SHARE * step if step > 0 else 0.1)
    return StretchFit(stretch, tuple(sorted(pairs + more)), due, np.full(len(where), step))


def _rolled(pairs: _Pairs, stretch: Stretch, arrays: NoteArrays) -> _Pairs:
    """More pairs, of notes written one after another and played as one chord."""
    if not pairs:
        return ()
    of_ref, of_take = np.array(pairs).T
    left = np.setdiff1d(stretch.reference, of_ref)
    found: list[tuple[int, int]] = []
    for j in np.setdiff1d(stretch.take, of_take).tolist():
        same = left[arrays.ref_pitch[left] == arrays.take_pitch[j]]
        beside = arrays.x[of_ref[np.abs(arrays.at[of_take] - arrays.at[j]) < STROKE_SEC]]
        if len(same) and len(beside):
            apart = np.abs(arrays.x[same][:, None] - beside).min(axis=1)
            if apart.min() <= _ROLLED_EVENTS:
                i = int(same[int(np.argmin(apart))])
                found.append((i, j))
                left = left[left != i]
    return tuple(found)


# Pairs of notes ------------------------------------------------------------------------------


def same_pitch(
    due: np.ndarray,
    due_pitch: np.ndarray,
    at: np.ndarray,
    at_pitch: np.ndarray,
    *,
    window_sec: float = _WINDOW_SEC,
) -> list[tuple[int, int]]:
    """Pairs (reference, take) of equal pitch within ``window_sec``, in order for each pitch.

    The sum of the pairs' worth is the greatest that there is: a pair is worth 1 on time, and less
    the further it is off.

    Parameters
    ----------
    due, due_pitch : np.ndarray, shape (n,)
        When each note of the reference was due, in the take's seconds, and its pitch.
    at, at_pitch : np.ndarray, shape (m,)
        Onset and pitch of each note of the take.
    """
    pairs: list[tuple[int, int]] = []
    for pitch in np.intersect1d(due_pitch, at_pitch):
        a = np.flatnonzero(due_pitch == pitch)
        b = np.flatnonzero(at_pitch == pitch)
        a = a[np.argsort(due[a], kind="stable")]
        b = b[np.argsort(at[b], kind="stable")]
        for i, j in _in_order(due[a], at[b], window_sec):
            pairs.append((int(a[i]), int(b[j])))
    return sorted(pairs)


def _in_order(due: np.ndarray, at: np.ndarray, window: float) -> list[tuple[int, int]]:
    """Best pairing in order of two rising sequences, by dynamic programming."""
    low = np.searchsorted(at, due - window)
    high = np.searchsorted(at, due + window, side="right")
    rows, columns = _within(low, high)
    off = np.abs(at[columns] - due[rows]) / window
    worth = (1.0 - 0.45 * off - 0.45 * np.minimum(1.0, 4.0 * off)).tolist()
    best = [0.0] * (len(at) + 1)  # greatest worth of the notes so far with the take's first j
    steps: list[list[str]] = []
    reached, k = 0, 0
    for a, b in zip(low.tolist(), high.tolist(), strict=True):
        # Right of what the notes so far reach, the worth is that of all of them.
        best[reached + 1 : b + 1] = [best[reached]] * (b - reached)
        reached, left = b, best[a]
        row = []
        for j in range(a, b):
            paired, missed, extra = left + worth[k], best[j + 1], best[j]
            top = best[j + 1] = max(paired, missed, extra)
            row.append("pair" if paired >= top else "miss" if missed >= top - 1e-12 else "extra")
            left, k = missed, k + 1
        steps.append(row)
    pairs = []
    j = len(at)
    for i in range(len(due) - 1, -1, -1):
        a, j = int(low[i]), min(j, int(high[i]))
        while j > a and steps[i][j - 1 - a] == "extra":
            j -= 1
        if j > a and steps[i][j - 1 - a] == "pair":
            j -= 1
            pairs.append((i, j))
    return pairs[::-1]


def _within(low: np.ndarray, high: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Rows k, and every whole number from ``low[k]`` to before ``high[k]``."""
    rows = np.repeat(np.arange(len(low)), high - low)
    first = np.cumsum(high - low) - (high - low)
    return rows, np.arange(len(rows)) - first[rows] + low[rows]


def pair_other_pitch(
    due: np.ndarray,
    due_pitch: np.ndarray,
    at: np.ndarray,
    at_pitch: np.ndarray,
    *,
    window_sec: np.ndarray,
) -> list[tuple[int, int]]:
    """Pairs (reference, take) of notes that stand for each other though the pitch differs.

    The nearest go first: distance in time as a share of ``window_sec`` (n,), and in pitch as a
    share of an octave.
    """
    order = np.argsort(at, kind="stable")
    low = np.searchsorted(at[order], due - window_sec)
    high = np.searchsorted(at[order], due + window_sec, side="right")
    rows, places = _within(low, high)
    columns = order[places]
    steps = np.abs(at_pitch[columns] - due_pitch[rows])
    cost = np.abs(at[columns] - due[rows]) / window_sec[rows] + steps / _FURTHEST_SEMITONES
    near = (steps > 0) & (steps <= _FURTHEST_SEMITONES)
    rows, columns, cost = rows[near], columns[near], cost[near]
    pairs: dict[int, int] = {}
    taken: set[int] = set()
    for k in np.lexsort((columns, rows, cost)):
        i, j = int(rows[k]), int(columns[k])
        if i not in pairs and j not in taken:
            pairs[i] = j
            taken.add(j)
    return sorted(pairs.items())
