"""The tempo curve: which steps of a beat the events stand on, and where every beat fell.

Conventions: times in seconds; positions in ticks, 12 to a beat, so that halves, thirds and
quarters of a beat are whole numbers.

`track` is a search over whole readings of the take. A reading is a path of events through the
grid; it carries a Kalman filter over (time of the grid, length of the beat), so that jitter does
not pile up and drift is followed, and costs of the note values it needs. Readings that arrive at
the same place of the beat with nearly the same tempo are merged and the better one is kept (the
switching state-space model of Cemgil & Kappen 2003, J. Artificial Intelligence Research 18,
with the merge done by a dynamic programme over tempo bins). What a beat is (half or double) is
left open here and decided in `meter`.

`smooth` then places every beat by penalised least squares: near the events, with a length that
changes little from beat to beat.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from transcribe.core.clock import interpolate

__all__ = ["PAUSE_BEATS", "TICKS", "Grid", "Track", "move_middle", "smooth", "track"]

TICKS = 12

JITTER_SEC = 0.012
"""How far onsets stray from the grid: players 8 to 10 ms, the tracker's frames the rest."""

PAUSE_BEATS = 6
"""Steps without an event from which the tempo before them says nothing of that after them."""

_STRAY_SHARE = 0.02
_STRAY_SEC = 0.08
_WANDER_SHARE = 0.015  # change of the beat's length from beat to beat, as a share of it
_SMOOTH_SHARE = 0.012  # the same, where the beats are placed at last
_BINS_PER_E = 33.0  # tempo bins: about 3 % wide
_MARGIN_NATS = 28.0  # readings this much (nats) worse than the best are dropped
_SLOWEST_SEC, _FASTEST_SEC = 1.55, 0.17  # seconds a beat

_BEAT_NATS = 0.35
_STRAIGHT = (
    # Place in the beat, ticks as written, kind, cost in nats. A beat holds one kind beside 0.
    (0.0, 0, 0, 0.5),
    (0.5, 6, 1, 1.1),
    (0.25, 3, 1, 2.3),
    (0.75, 9, 1, 2.1),
    (1 / 3, 4, 2, 2.9),
    (2 / 3, 8, 2, 2.9),
)
_SWING_NATS = 4.0  # nats for a whole riff, so that swing needs more than a chance gain

# The prior of the search, set by hand on the riffs of `tests.bench.rhythm`.
_USUAL_SEC, _TEMPO_NATS = 0.58, 1.2  # a beat; nats for each squared octave away from that
_LENGTH_SHARE = 0.04  # of the beat's length, by which it is not known at the start
_GRID_SHARE = 0.003  # of the beat's length, by which the grid itself strays at each event
_NEAR_SEC, _NEAR_SHARE = 0.09, 0.05  # an event this near, and this share of the gap, may be meant
_SHORTEST_SEC = 0.05  # of a beat, however early the events come
_SKIP_NATS = 8.0  # to leave an event out, where nothing is known of it
_SWING_SHARES = (0.6, 0.633, 0.667)  # of the beat, where the off-beat is tried
_SWING_SEC = (0.3, 1.1)  # lengths of a beat that can swing
_SAME_TEMPO_LOG = 0.08  # natural logarithm of the ratio of two tempi that are one
_MAX_TRACKS = 8


def move_middle(beat: np.ndarray, middle: float, to: float) -> np.ndarray:
    """Times in beats with the ``middle`` of each beat (a share of it) moved ``to`` another share.

    Swing plays the off-beat late: from 0.5 to its share; back again, it is written at 0.5.
    """
    beat = np.asarray(beat, dtype=float)
    whole = np.floor(beat)
    return beat if middle == to else whole + np.interp(beat - whole, [0, middle, 1], [0, to, 1])


@dataclass(frozen=True)
class Track:
    """One reading: ``ticks`` (n,) of the events as written, rising; ``beats`` (n,) where they
    sound, which differs from ``ticks / 12`` where off-beats swing; and its cost in nats.

    ``swing`` is the share of the beat at which the off-beat sounds, 0.5 when straight.
    ``skipped`` (n,) marks events that fit nowhere; they stand where the event before them does."""

    ticks: np.ndarray
    beats: np.ndarray
    period_sec: float
    cost: float
    swing: float = 0.5
    skipped: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=bool))


@dataclass(frozen=True)
class Grid:
    """Where the grid lies: ``time_sec`` (m,) of the ticks ``first + step * arange(m)``."""

    first: int
    step: int
    time_sec: np.ndarray

    @property
    def ticks(self) -> np.ndarray:
        """Tick of each entry of ``time_sec``."""
        return self.first + self.step * np.arange(len(self.time_sec))

    def at(self, tick: np.ndarray | float) -> np.ndarray:
        """Seconds at ``tick``, carried on at the end's tempo outside the grid."""
        return interpolate(tick, self.ticks.astype(float), self.time_sec)

    def tick(self, time_sec: np.ndarray | float) -> np.ndarray:
        """Tick (not rounded) at ``time_sec``; the inverse of `at`."""
        return interpolate(time_sec, self.time_sec, self.ticks.astype(float))


def track(
    onset_sec: np.ndarray,
    *,
    skip_cost: np.ndarray | None = None,
    period_sec: tuple[float, float] = (_FASTEST_SEC, _SLOWEST_SEC),
    progress: Callable[[float], None] | None = None,
) -> list[Track]:
    """The best readings of ``onset_sec`` (n,), rising, one for each family of tempo.

    ``skip_cost`` (n,) is the cost in nats of skipping an event, about 5 for one that may be an
    error and 10 for one that is surely played. ``period_sec`` bounds the length of a beat.
    Returns at most eight, best first; with fewer than two
    onsets, none.
    """
    if len(onset_sec) < 2:
        return []
    if skip_cost is None:
        skip_cost = np.full(len(onset_sec), _SKIP_NATS)
    found = _search(onset_sec, skip_cost, _STRAIGHT, period_sec, 0.5, progress)
    low, high = max(_SWING_SEC[0], period_sec[0]), min(_SWING_SEC[1], period_sec[1])
    for ratio in _SWING_SHARES if low <= high else ():
        slots = ((0.0, 0, 0, 0.5), (ratio, 6, 1, 1.1))
        found += _search(onset_sec, skip_cost, slots, (low, high), ratio, None)[:1]
    return sorted(found, key=lambda t: t.cost)[:_MAX_TRACKS]


def _search(
    onset_sec: np.ndarray,
    skip_cost: np.ndarray,
    slots: tuple[tuple[float, int, int, float], ...],
    period_sec: tuple[float, float],
    swing: float,
    progress: Callable[[float], None] | None,
) -> list[Track]:
    n = len(onset_sec)
    low, high = period_sec
    bins = max(1, round(math.log(high / low) * _BINS_PER_E))
    periods = np.exp(np.linspace(math.log(low), math.log(high), bins + 1))
    place = np.array([s[0] for s in slots])
    place_cost = np.array([s[3] for s in slots])
    kind = np.array([s[2] for s in slots])
    joins = (kind[:, None] == kind[None]) | (kind[:, None] == 0)
    later = place[None] > place[:, None]
    count = len(slots)
    period = np.repeat(periods, count)
    slot = np.tile(np.arange(count), len(periods))
    cost = place_cost[slot] + _TEMPO_NATS * np.log2(period / _USUAL_SEC) ** 2
    if swing != 0.5:
        cost = cost + _SWING_NATS
    here = np.full(len(period), onset_sec[0])
    var_t = np.full(len(period), JITTER_SEC**2)
    var_p = (period * _LENGTH_SHARE) ** 2
    cov = np.zeros(len(period))
    history: list[tuple[np.ndarray, np.ndarray, np.ndarray]] = []
    for i in range(1, n):
        gap = onset_sec[i] - here
        # For every place in the beat, the number of beats on that comes nearest.
        whole = np.rint(gap[:, None] / period[:, None] - (place[None] - place[slot][:, None]))
        steps = whole + place[None] - place[slot][:, None]
        good = (whole >= 1) | ((whole == 0) & joins[slot] & later[slot])
        far_off = np.abs(steps * period[:, None] - gap[:, None])
        good &= far_off < _NEAR_SEC + _NEAR_SHARE * gap[:, None]
        row, goal = np.nonzero(good)
        if len(row) == 0:  # nothing fits: go on from the nearest beat
            row = np.arange(len(period))
            goal = np.zeros(len(row), dtype=int)
            whole = np.maximum(whole, 1)
            steps = whole + place[None] - place[slot][:, None]
        beats = steps[row, goal]
        crossed = whole[row, goal]
        p = period[row]
        # Predict.
        wander = (_WANDER_SHARE * p) ** 2
        ahead = here[row] + beats * p
        vt = var_t[row] + 2 * beats * cov[row] + beats**2 * var_p[row] + (_GRID_SHARE * p) ** 2
        vt = vt + beats**3 * wander / 3
        vc = cov[row] + beats * var_p[row] + beats**2 * wander / 2
        vp = var_p[row] + beats * wander
        # Compare with the onset; a stray onset is believed less.
        off = onset_sec[i] - ahead
        near = vt + JITTER_SEC**2
        far = vt + _STRAY_SEC**2
        log_near = math.log(1 - _STRAY_SHARE) - 0.5 * (off**2 / near + np.log(2 * math.pi * near))
        log_far = math.log(_STRAY_SHARE) - 0.5 * (off**2 / far + np.log(2 * math.pi * far))
        fit = np.logaddexp(log_near, log_far)
        belief = np.exp(log_near - fit)
        gain_t, gain_p = belief * vt / near, belief * vc / near
        total = cost[row] - fit + place_cost[goal] + _BEAT_NATS * crossed
        new_p = np.maximum(p + gain_p * off, _SHORTEST_SEC)
        here_on = ahead + gain_t * off
        vt, vc, vp = vt - gain_t * vt, vc - gain_t * vc, vp - gain_p * vc
        # Or the event is skipped, and everything stays as it was.
        stay = np.arange(len(period))
        row = np.concatenate([row, stay])
        goal = np.concatenate([goal, slot])
        crossed = np.concatenate([crossed, np.full(len(stay), -1.0)])
        total = np.concatenate([total, cost + skip_cost[i]])
        new_p = np.concatenate([new_p, period])
        here_on = np.concatenate([here_on, here])
        vt = np.concatenate([vt, var_t])
        vc = np.concatenate([vc, cov])
        vp = np.concatenate([vp, var_p])
        key_bin = np.rint((np.log(new_p) - math.log(low)) * _BINS_PER_E).astype(int)
        inside = (key_bin >= -1) & (key_bin <= bins + 1)
        inside &= total < total.min() + _MARGIN_NATS
        order = np.flatnonzero(inside)
        if len(order) == 0:
            order = np.arange(len(total))
        key = key_bin * count + goal
        order = order[np.lexsort((total[order], key[order]))]
        first = np.ones(len(order), dtype=bool)
        first[1:] = key[order][1:] != key[order][:-1]
        keep = order[first]
        here, period, slot, cost = here_on[keep], new_p[keep], goal[keep], total[keep]
        var_t, cov, var_p = vt[keep], vc[keep], np.maximum(vp[keep], 1e-10)
        history.append((row[keep], crossed[keep].astype(int), slot))
        if progress is not None and i % 256 == 0:
            progress(i / n)
    first_slot = np.tile(np.arange(count), len(periods))
    return _families(period, cost, first_slot, history, slots, swing)


def _families(
    period: np.ndarray,
    cost: np.ndarray,
    first_slot: np.ndarray,
    history: list[tuple[np.ndarray, np.ndarray, np.ndarray]],
    slots: tuple[tuple[float, int, int, float], ...],
    swing: float,
) -> list[Track]:
    """The best reading for each tempo at the end, read back through ``history``."""
    n = len(history) + 1
    place = np.array([s[0] for s in slots])
    written = np.array([s[1] for s in slots])
    tracks: list[Track] = []
    for best in np.argsort(cost):
        if any(abs(math.log(period[best] / t.period_sec)) < _SAME_TEMPO_LOG for t in tracks):
            continue
        wholes = np.zeros(n, dtype=int)
        at = np.zeros(n, dtype=int)
        k = int(best)
        for i in range(n - 1, 0, -1):
            rows, whole, slot = history[i - 1]
            wholes[i], at[i] = whole[k], slot[k]
            k = int(rows[k])
        at[0] = first_slot[k]
        skipped = wholes < 0
        wholes[skipped] = 0
        whole_beats = np.cumsum(wholes)
        tracks.append(
            Track(
                ticks=whole_beats * TICKS + written[at],
                beats=whole_beats + place[at],
                period_sec=float(period[best]),
                cost=float(cost[best]),
                swing=swing,
                skipped=skipped,
            )
        )
        if len(tracks) == _MAX_TRACKS:
            break
    return tracks


def smooth(
    onset_sec: np.ndarray,
    ticks: np.ndarray,
    *,
    step: int = TICKS,
    weight: np.ndarray | None = None,
    length_sec: float | None = None,
) -> Grid:
    """Times of every ``step`` ticks, near the events ``ticks`` (n,) at ``onset_sec`` (n,).

    Minimises the squared distances over `JITTER_SEC` plus the squared changes of length from one
    step to the next over a share of the length, with events far off the grid weighed less. The
    grid starts at the multiple of ``step`` at or before the first event and ends at the one after
    the last. ``length_sec`` is the length of a step to fall back on where the
    events say nothing about it. Across `PAUSE_BEATS` steps without an event nothing is held.
    """
    from scipy.linalg import solveh_banded

    first = int(np.floor(ticks[0] / step)) * step
    last = (int(np.floor(ticks[-1] / step)) + 1) * step
    m = max((last - first) // step + 1, 3)
    slope = length_sec or 0.0
    if ticks[-1] - ticks[0] > 0.5 * step or slope <= 0:
        slope = (onset_sec[-1] - onset_sec[0]) / max(1, ticks[-1] - ticks[0]) * step
    slope = max(slope, 1e-3)
    index = np.minimum((ticks - first) // step, m - 2).astype(int)
    part = (ticks - first) / step - index
    held = np.ones(m - 2)  # for each change of length
    for k in np.flatnonzero(np.diff(index) >= PAUSE_BEATS):
        held[[index[k], index[k + 1] - 1]] = 0.0
    w = np.ones(len(ticks)) if weight is None else weight.astype(float)
    solution = np.zeros(m)
    for _ in range(3):
        band = np.zeros((3, m))  # upper form: band[2] diagonal, band[1] first, band[0] second
        right = np.zeros(m)
        a, b = (1 - part), part
        data = w / JITTER_SEC**2
        np.add.at(band[2], index, data * a * a)
        np.add.at(band[2], index + 1, data * b * b)
        np.add.at(band[1], index + 1, data * a * b)
        np.add.at(right, index, data * a * onset_sec)
        np.add.at(right, index + 1, data * b * onset_sec)
        stiff = held / (_SMOOTH_SHARE * slope) ** 2
        # A weak pull towards the mean length, which settles it where events are too few to.
        pull = 1e-3 / slope**2
        band[2, :-1] += pull
        band[2, 1:] += pull
        band[1, 1:] -= pull
        right[:-1] -= pull * slope
        right[1:] += pull * slope
        band[2, :-2] += stiff
        band[2, 1:-1] += 4 * stiff
        band[2, 2:] += stiff
        band[1, 1:-1] += -2 * stiff
        band[1, 2:] += -2 * stiff
        band[0, 2:] += stiff
        solution = solveh_banded(band, right)
        off = np.abs(onset_sec - (a * solution[index] + b * solution[index + 1]))
        w = (1.0 if weight is None else weight) / (1 + (off / (3 * JITTER_SEC)) ** 2)
    floor = 0.2 * slope
    steps = np.maximum(np.diff(solution), floor)
    return Grid(first, step, np.concatenate([[solution[0]], solution[0] + np.cumsum(steps)]))
