"""From the runs of a take to its passes, and in each pass when every note was due.

A pass begins where the player goes back to the beginning of the reference. Within a pass a jump
back is a restart or an added repeat, a jump forward a stretch left out.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from statistics import median

import numpy as np

from transcribe.takes.align import Run
from transcribe.takes.pairs import same_pitch
from transcribe.takes.take_tempo import breaks, smooth
from transcribe.takes.timeline import STRUM_SEC, Events

__all__ = ["Fit", "Stretch", "fit_in_order", "fit_stretch", "group_passes"]

_CHORD_SEC = 0.05  # a chord's notes lie this close to its middle
_CHANCE = 0.5  # share of its pitches that a run must get right
_CLEARLY = 0.75  # the same where that is less than three events' worth
_ROLLED = 2.0  # events; written no further apart, notes may be one chord rolled
_NEAR = 4  # events; a gap this small at either end of a pass was missed, a larger one not reached


@dataclass(frozen=True)
class Stretch:
    """A run with the notes that belong to it.

    ``reference`` and ``take`` index notes; ``anchors`` are (reference note, take note) pairs that
    the search matched.
    """

    reference: np.ndarray
    take: np.ndarray
    anchors: tuple[tuple[int, int], ...]


@dataclass(frozen=True)
class Fit:
    """Pairs of equal pitch within a stretch, and when each of its reference notes was due."""

    stretch: Stretch
    pairs: tuple[tuple[int, int], ...]
    due: np.ndarray  # (len(stretch.reference),) take seconds
    pace: np.ndarray  # (len(stretch.reference),) take seconds per reference second
    pauses: tuple[tuple[float, float], ...] = ()


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
    runs = _worthwhile(runs, reference, take)
    groups: list[list[int]] = []
    for r, run in enumerate(runs):
        back = r > 0 and run.first <= runs[r - 1].last
        if not groups or (back and run.first <= 2):
            groups.append([])
        groups[-1].append(r)
    ref_members, take_members = _members(reference), _members(take)
    last_event = len(reference) - 1
    at = reference.at
    out = []
    for group in groups:
        stretches = []
        for r in group:
            run = runs[r]
            low, high = run.first, run.last
            if r == group[0] and low <= _NEAR and at[low] - at[0] < bar:
                low = 0
            if r == group[-1] and last_event - high <= _NEAR and at[-1] - at[high] < bar:
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
        out.append(stretches)
    return out


def _worthwhile(runs: list[Run], reference: Events, take: Events) -> list[Run]:
    """Runs without those that agree with the reference by chance alone: a count-in, some noodling.

    A run counts by the overlap of its pitch sets, against the events of the take that it spans.
    """
    kept = []
    for run in runs:
        worth = sum(_overlap(reference.pitches[i], take.pitches[j]) for i, j in run.pairs)
        spanned = run.pairs[-1][1] - run.pairs[0][1] + 1
        if worth >= _CHANCE * spanned and (worth >= 3.0 or worth >= _CLEARLY * spanned):
            kept.append(run)
    return kept or runs


def _overlap(a: tuple[int, ...], b: tuple[int, ...]) -> float:
    """Dice's coefficient of two pitch sets."""
    return 2.0 * len(set(a) & set(b)) / (len(a) + len(b))


def _members(events: Events) -> list[np.ndarray]:
    """Notes of each event."""
    order = np.argsort(events.of, kind="stable")
    return np.split(order, np.searchsorted(events.of[order], np.arange(1, len(events))))


def _anchors(
    a: np.ndarray, b: np.ndarray, ref_pitch: np.ndarray, take_pitch: np.ndarray
) -> list[tuple[int, int]]:
    """Notes of equal pitch in two matched events; where none is equal, the first of each."""
    pairs: list[tuple[int, int]] = []
    free = b.tolist()
    for n in a.tolist():
        j = next((j for j in free if take_pitch[j] == ref_pitch[n]), None)
        if j is not None:
            pairs.append((n, j))
            free.remove(j)  # two strings in unison are two notes
    return pairs or [(int(a[0]), int(b[0]))]


def _by_time(
    pairs: tuple[tuple[int, int], ...], x: np.ndarray, at: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Reference times that were played, rising and each once, and the median onset for each."""
    if not pairs:
        return np.zeros(0), np.zeros(0)
    rows = np.array(pairs)
    keys = np.round(x[rows[:, 0]], 6)
    where, group = np.unique(keys, return_inverse=True)
    onset = at[rows[:, 1]]
    onset = onset[np.lexsort((onset, group))]
    size = np.bincount(group)
    begin = np.cumsum(size) - size
    return where, 0.5 * (onset[begin + (size - 1) // 2] + onset[begin + size // 2])


def _pace(x: np.ndarray, t: np.ndarray, fallback: float) -> float:
    """Pace of a stretch: the median over pairs of events some way apart."""
    if len(x) < 3:
        return fallback
    lag = max(1, min(8, len(x) // 3))
    dx = x[lag:] - x[:-lag]
    ratio = (t[lag:] - t[:-lag])[dx > 1e-6] / dx[dx > 1e-6]
    return float(np.clip(np.median(ratio), 0.4, 2.5)) if len(ratio) else fallback


def fit_stretch(
    stretch: Stretch,
    *,
    x: np.ndarray,
    at: np.ndarray,
    ref_pitch: np.ndarray,
    take_pitch: np.ndarray,
    beat_sec: float,
    pace: float,
) -> Fit:
    """Pair the notes of a stretch with a smooth tempo between its pauses.

    Parameters
    ----------
    x : np.ndarray
        Onset of every note of the reference on its clock, in seconds.
    at : np.ndarray
        Onset of every note of the take in seconds.
    beat_sec : float
        Seconds of a beat on the reference's clock.
    pace : float
        Take seconds per reference second to fall back on where the stretch is too short to tell.
    """
    pairs = stretch.anchors
    where = np.round(x[stretch.reference], 6)
    due = local = np.zeros(0)
    pauses: tuple[tuple[float, float], ...] = ()
    for _ in range(3):
        due, local, pauses = _due(pairs, x, at, where, beat_sec=beat_sec, pace=pace)
        found = same_pitch(
            due, ref_pitch[stretch.reference], at[stretch.take], take_pitch[stretch.take]
        )
        new = tuple((int(stretch.reference[i]), int(stretch.take[j])) for i, j in found)
        if not new or new == pairs:
            break
        pairs = new
    else:
        due, local, pauses = _due(pairs, x, at, where, beat_sec=beat_sec, pace=pace)
    pairs = _equal(pairs, ref_pitch, take_pitch)
    moved = due + _chord_offsets(pairs, stretch.reference, where, due, at)
    if len(pairs) and np.any(moved != due):
        found = same_pitch(
            moved, ref_pitch[stretch.reference], at[stretch.take], take_pitch[stretch.take]
        )
        pairs = tuple((int(stretch.reference[i]), int(stretch.take[j])) for i, j in found)
    return Fit(stretch, pairs, due, local, pauses)


def _chord_offsets(
    pairs: tuple[tuple[int, int], ...],
    reference: np.ndarray,
    where: np.ndarray,
    due: np.ndarray,
    at: np.ndarray,
) -> np.ndarray:
    """For each note how far its chord was played off as one: a chord moves together.

    0 where fewer than two notes of the chord were played, or they do not agree.
    """
    place = {int(i): k for k, i in enumerate(reference)}
    groups: dict[float, list[float]] = {}
    for i, j in pairs:
        k = place[i]
        groups.setdefault(float(where[k]), []).append(float(at[j] - due[k]))
    offsets = np.zeros(len(where))
    for k, x in enumerate(where.tolist()):
        own = groups.get(x, ())
        if len(own) > 1:
            middle = median(own)
            near = sum(abs(off - middle) < _CHORD_SEC for off in own)
            offsets[k] = middle if near > 0.6 * len(own) else 0.0
    return offsets


def _equal(
    pairs: tuple[tuple[int, int], ...], ref_pitch: np.ndarray, take_pitch: np.ndarray
) -> tuple[tuple[int, int], ...]:
    return tuple((i, j) for i, j in pairs if ref_pitch[i] == take_pitch[j])


def _due(
    pairs: tuple[tuple[int, int], ...],
    x: np.ndarray,
    at: np.ndarray,
    where: np.ndarray,
    *,
    beat_sec: float,
    pace: float,
) -> tuple[np.ndarray, np.ndarray, tuple[tuple[float, float], ...]]:
    """When the reference times ``where`` were due, the pace there, and the pauses."""
    points, onsets = _by_time(pairs, x, at)
    pace = _pace(points, onsets, pace)
    cuts = breaks(points, onsets, pace=pace, beat_sec=beat_sec)
    due, local = np.empty(len(where)), np.empty(len(where))
    bounds = [0, *cuts, len(points)]
    pauses = []
    for k, (a, b) in enumerate(itertools.pairwise(bounds)):
        low = -np.inf if k == 0 else points[a] - 1e-9
        high = np.inf if b == len(points) else points[b] - 1e-9
        here = (where >= low) & (where < high)
        due[here], local[here] = smooth(points[a:b], onsets[a:b], where[here], pace=pace)
        if k:
            longer = onsets[a] - onsets[a - 1] - pace * (points[a] - points[a - 1])
            pauses.append((float(onsets[a]), float(longer)))
    return due, local, tuple(pauses)


def fit_in_order(
    stretch: Stretch,
    *,
    x: np.ndarray,
    at: np.ndarray,
    ref_pitch: np.ndarray,
    take_pitch: np.ndarray,
) -> Fit:
    """Pair the notes of a stretch where the reference holds an order only.

    A note was due where its event was played; between matched events the time is shared evenly.
    """
    where = x[stretch.reference]
    points, onsets = _by_time(stretch.anchors, x, at)
    onsets = np.maximum.accumulate(onsets)
    # A chord whose notes came apart has an anchor in each of its two events.
    pairs = tuple({i: (i, j) for i, j in _equal(stretch.anchors, ref_pitch, take_pitch)}.values())
    if len(points) == 0:
        return Fit(stretch, (), np.full(len(where), np.nan), np.ones(len(where)))
    step = float(np.median(np.diff(onsets) / np.diff(points))) if len(points) > 1 else 0.5
    due = np.interp(where, points, onsets)
    due = np.where(where < points[0], onsets[0] - step * (points[0] - where), due)
    due = np.where(where > points[-1], onsets[-1] + step * (where - points[-1]), due)
    pairs += _rolled(pairs, stretch, x, at, ref_pitch, take_pitch)
    used_ref, used_take = {i for i, _ in pairs}, {j for _, j in pairs}
    left = np.array([i not in used_ref for i in stretch.reference], dtype=bool)
    free = np.array([j for j in stretch.take if j not in used_take], dtype=int)
    found = same_pitch(
        due[left],
        ref_pitch[stretch.reference[left]],
        at[free],
        take_pitch[free],
        window_sec=0.45 * step if step > 0 else 0.1,
    )
    ids = stretch.reference[left]
    more = tuple((int(ids[i]), int(free[j])) for i, j in found)
    return Fit(stretch, tuple(sorted(pairs + more)), due, np.full(len(where), step))


def _rolled(
    pairs: tuple[tuple[int, int], ...],
    stretch: Stretch,
    x: np.ndarray,
    at: np.ndarray,
    ref_pitch: np.ndarray,
    take_pitch: np.ndarray,
) -> tuple[tuple[int, int], ...]:
    """More pairs, of notes written one after another and played as one chord."""
    if not pairs:
        return ()
    of_ref, of_take = np.array(pairs).T
    left = np.setdiff1d(stretch.reference, of_ref)
    found: list[tuple[int, int]] = []
    for j in np.setdiff1d(stretch.take, of_take).tolist():
        same = left[ref_pitch[left] == take_pitch[j]]
        beside = x[of_ref[np.abs(at[of_take] - at[j]) < STRUM_SEC]]
        if len(same) and len(beside):
            apart = np.abs(x[same][:, None] - beside).min(axis=1)
            if apart.min() <= _ROLLED:
                i = int(same[int(np.argmin(apart))])
                found.append((i, j))
                left = left[left != i]
    return tuple(found)
