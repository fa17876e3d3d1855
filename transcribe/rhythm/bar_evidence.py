"""What speaks for a place in the bar: marks of events, repeats, syncopation, divisions.

Conventions: ticks, 12 to a beat of the reading at hand; a bar of meter (n, d) has ``12 * n``
ticks; a level is 0 for the downbeat, 1 for the first beat of a group, 2 a beat, 3 half, 4 quarter,
5 third of a beat, 6 anything else.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from transcribe.rhythm.beats import JITTER_SEC, TICKS
from transcribe.rhythm.events import Events

__all__ = [
    "DIVISIONS_4",
    "DIVISIONS_8",
    "MARKS",
    "METERS",
    "Snapped",
    "bar_evidence",
    "find_accents",
    "groupings",
    "levels",
    "mark_strengths",
    "nearest_repeats",
    "pulse_beats",
    "repeat_boundaries",
    "repeat_shares",
    "repeats_fit",
    "snap",
]

MARKS = ("bass", "long", "loud", "big", "turn")
_LOUD = MARKS.index("loud")
_STRESSED = ("down", "group", "beat")
METERS = ((4, 4), (3, 4), (6, 8), (2, 4), (5, 4), (7, 8))
"""The meters that are looked for."""

_GROUPS = {
    (4, 4): ((2, 2),),
    (3, 4): ((3,),),
    (6, 8): ((3, 3),),
    (2, 4): ((2,),),
    (5, 4): ((3, 2), (2, 3)),
    (7, 8): ((2, 2, 3), (3, 2, 2), (2, 3, 2)),
}
"""How the beats of a bar may be grouped; the groups' first beats are stronger."""

# Set by hand before the weights of the evidence were fitted to it (`tests.bench.rhythm_fit`).
_LAST_GAP_SEC = 0.3  # stands for the gap after the last event, where no other is longer
_TURN_LIKENESS = 0.45  # cosine of two chroma vectors, under which harmony has turned
_TURN_EVENTS = 4  # compared before and after
_MIN_CHORD = 3  # pitches of a stroke that is a chord of its own
_SAME_CHORD_SHARE = 0.6  # of the pitches of two strokes, from which they are one chord
_LOUD_DB = 1.5  # over the median
_LONG_GAPS = 1.6  # usual gaps
_MAX_OFF_NATS = 12.0  # that one event off the grid may cost
_SAME_PLACE_NATS = 6.0  # for two events at one place
_EARLY_BEATS = 0.1  # an event so little before a beat belongs to it
_USED_BEATS = 4.0  # beats that the prior of a division counts as
_SAME_LAG = 0.02  # of a bar, within which a lag is a whole number of bars
_MIN_REPEAT = 0.4  # share of the events that come again after a lag, for it to be a repeat
_NEAR_BEST = 0.92  # of the best lag's share, from which a lag counts as good as the best


def groupings(meter: tuple[int, int]) -> tuple[tuple[int, ...], ...]:
    """The ways to group the beats of a bar, each adding up to its number of beats."""
    if meter in _GROUPS:
        return _GROUPS[meter]
    beats, unit = meter
    if unit >= 8 and beats % 3 == 0:
        return ((3,) * (beats // 3),)
    if beats % 2 == 0:
        return ((2,) * (beats // 2),)
    return (
        ((2,) * ((beats - 3) // 2) + (3,), (3,) + (2,) * ((beats - 3) // 2))
        if beats > 2
        else ((1,),)
    )


def pulse_beats(meter: tuple[int, int]) -> float:
    """Beats of the meter's denominator in one felt pulse."""
    if meter[1] < 8:
        return 1.0
    return 3.0 if meter[0] % 3 == 0 else 2.0


# Beta priors of "an event is here" by level: downbeat, group, beat, half, quarter, third, other.
_HERE = np.array([[5, 0.6], [3, 1], [2, 1.3], [0.7, 1.0], [0.2, 1.5], [0.1, 1.5], [0.02, 3]])
# Beta priors of "this event is marked" by level, for each kind of mark.
_MARKED = {
    "bass": np.array([[2.5, 0.7], [1.2, 1.5], [0.6, 1.8], [0.3, 3], [0.2, 3], [0.2, 3], [0.2, 3]]),
    "long": np.array([[1, 1.5], [0.8, 1.6], [0.7, 2], [0.5, 2.5], [0.2, 3], [0.2, 3], [0.2, 3]]),
    "loud": np.array(
        [[1.5, 1.2], [1, 1.8], [0.8, 2], [0.6, 2.2], [0.5, 2.5], [0.5, 2.5], [0.5, 3]]
    ),
    "big": np.array([[2, 1], [1.4, 1.4], [1, 1.6], [0.7, 2], [0.5, 2.5], [0.5, 2.5], [0.5, 3]]),
    "turn": np.array([[2, 1], [0.6, 1.8], [0.4, 2.5], [0.2, 3], [0.1, 3], [0.1, 3], [0.1, 3]]),
}


def levels(meter: tuple[int, int], groups: Sequence[int]) -> np.ndarray:
    """Metrical level of each tick of a bar, shape (12 * n,): 0 downbeat, 1 first beat of a group,
    2 beat, 3 half, 4 quarter, 5 third of a beat, 6 anything else."""
    within = np.full(TICKS, 6)
    within[[0, 6]] = 2, 3
    within[[3, 9]] = 4
    within[[4, 8]] = 5
    out = np.tile(within, meter[0])
    out[np.cumsum([0, *groups[:-1]]) * TICKS] = 1
    out[0] = 0
    return out


@functools.cache
def _tables(kind: str, most: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """For 0 to ``most`` hits, misses and chances under the Beta priors of ``kind``: terms that add
    up to the log marginal likelihood (hits + misses - chances), each (levels, most + 1)."""
    from scipy.special import betaln, gammaln

    prior = _HERE if kind == "here" else _MARKED[kind]
    a, b = prior[:, :1], prior[:, 1:]
    count = np.arange(most + 1)[None]
    hits = gammaln(a + count) - betaln(a, b)
    return hits, gammaln(b + count), gammaln(a + b + count)


def _marginals(kind: str, k: np.ndarray, n: np.ndarray) -> np.ndarray:
    """Log marginal likelihood of ``k`` (m,) of ``n`` (m,) at each level: (levels, m)."""
    most = 1 << int(n.max(initial=1)).bit_length()
    hits, misses, chances = _tables(kind, most)
    return np.asarray(hits[:, k] + misses[:, n - k] - chances[:, n])


@dataclass(frozen=True)
class _Layout:
    """The levels of a bar with each beat as the downbeat: ``rolled`` (bar, size); 1 at the places
    that are a downbeat, the first beat of a group, a beat, half way between pulses or finer, else
    0: name -> (bar, size); ``late`` as `_syncopation`."""

    rolled: np.ndarray
    masks: dict[str, np.ndarray]
    late: np.ndarray


def _between(meter: tuple[int, int], rolled: np.ndarray) -> dict[str, np.ndarray]:
    """Places half way between beats, and finer ones, (bar, size) each.

    An even number of eighths is looked at in twos, as three quarters would be, so that this tells
    a beat from its half and its double but not 6/8 from 3/4, which have the same eighths.
    """
    bar, size = rolled.shape
    if meter[1] < 8:
        return {"half": rolled == 3, "fine": (rolled > 3) & (rolled < 6)}
    if bar % 2:
        return {"half": rolled == 2, "fine": (rolled > 2) & (rolled < 6)}
    eighth, within = np.divmod(np.arange(size), TICKS)
    odd = (eighth[None] - np.arange(bar)[:, None]) % 2 == 1
    return {"half": odd & (within == 0), "fine": (rolled > 2) & (rolled < 6)}


@functools.cache
def _layouts(meter: tuple[int, int]) -> tuple[_Layout, ...]:
    out = []
    for groups in groupings(meter):
        level = levels(meter, groups)
        rolled = np.array([np.roll(level, down * TICKS) for down in range(meter[0])])
        masks = {"down": rolled == 0, "group": rolled == 1, "beat": rolled <= 2}
        masks |= _between(meter, rolled)
        numbers = {name: mask.astype(float) for name, mask in masks.items()}
        out.append(_Layout(rolled, numbers, _syncopation(level)))
    return tuple(out)


def find_accents(events: Events, gap_sec: np.ndarray) -> dict[str, np.ndarray]:
    """Which events are marked, by kind of mark; each (n,) of bool."""
    n = len(events)
    gap = np.append(gap_sec, max(gap_sec.max(initial=0.0), _LAST_GAP_SEC))
    typical = np.median(gap)
    size = events.size - (events.bass & bool(events.drone))
    turn = np.zeros(n, dtype=bool)
    chroma = np.zeros((n, 12))
    for i, pitches in enumerate(events.pitches):
        for p in pitches:
            chroma[i, p % 12] = 1
    # Harmony turns where what is struck from here on differs from what came before; a chord says so
    # by itself.
    total = np.vstack([np.zeros(12), np.cumsum(chroma, axis=0)])
    for i in range(1, n):
        before = total[i] - total[max(0, i - _TURN_EVENTS)]
        after = total[min(n, i + _TURN_EVENTS)] - total[i]
        norm = np.linalg.norm(before) * np.linalg.norm(after)
        turn[i] = norm > 0 and before @ after / norm < _TURN_LIKENESS
        here, last = events.pitches[i], events.pitches[i - 1]
        if min(len(here), len(last)) >= _MIN_CHORD:
            turn[i] = len(here & last) < _SAME_CHORD_SHARE * len(here | last)
    loud = events.loud > _LOUD_DB
    return {
        "bass": events.bass,
        "long": gap > _LONG_GAPS * typical,
        "loud": loud,
        "big": size > np.median(size),
        "turn": turn,
    }


def mark_strengths(events: Events, marks: dict[str, np.ndarray], gap_sec: np.ndarray) -> np.ndarray:
    """The marks as numbers of mean 0 and variance 1, (len(MARKS), n)."""
    gap = np.append(gap_sec, max(gap_sec.max(initial=0.0), _LAST_GAP_SEC))
    rows = {k: v.astype(float) for k, v in marks.items()}
    rows["loud"] = np.clip(events.loud, -12, 12)
    rows["long"] = np.log(np.clip(gap / np.median(gap), 0.2, 5))
    rows["big"] = np.sqrt(events.size)
    n = len(marks["bass"])
    table = np.array([rows[k][:n] for k in MARKS])
    table = table - table.mean(axis=1, keepdims=True)
    return table / np.maximum(table.std(axis=1, keepdims=True), 0.1)


@dataclass(frozen=True)
class Snapped:
    """Events on the grid of one reading of the beat: ticks (12 a beat) and what that costs."""

    ticks: np.ndarray
    timing: float
    values: float


DIVISIONS_4 = ((1, 0.0), (2, 0.2), (4, 1.2), (3, 2.2), (6, 5.0), (8, 5.0))
DIVISIONS_8 = ((1, 0.0), (2, 0.9), (4, 4.0), (3, 4.5))


def snap(beat: np.ndarray, period_sec: float, divisions: Sequence[tuple[int, float]]) -> Snapped:
    """Put each event on a division of its beat; the division is chosen beat by beat, and one that
    the riff uses often is cheaper."""
    index = np.floor(beat + _EARLY_BEATS).astype(int)
    index -= index.min()
    count = index.max() + 1
    each = np.zeros((len(divisions), count))
    ticks = np.zeros((len(divisions), len(beat)))
    off_cost = np.zeros((len(divisions), len(beat)))
    for d, (parts, dear) in enumerate(divisions):
        at = np.rint(beat * parts) / parts
        ticks[d] = at * TICKS
        off = (beat - at) * period_sec / JITTER_SEC
        cost = np.minimum(0.5 * off**2, _MAX_OFF_NATS)
        same = np.zeros(len(beat))
        same[1:] = np.diff(at) < 1e-6
        off_cost[d] = cost
        np.add.at(each[d], index, cost + _SAME_PLACE_NATS * same)
        each[d] += dear
    filled = np.bincount(index, minlength=count) > 0
    for _ in range(2):
        chosen = np.argmin(each, axis=0)
        used = np.bincount(chosen[filled], minlength=len(divisions)) + np.array(
            [_USED_BEATS * math.exp(-dear) for _, dear in divisions]
        )
        rare = -np.log(used / used.sum())
        penalty = np.array([0.5 * dear for _, dear in divisions]) + rare
        base = np.array([dear for _, dear in divisions])
        chosen = np.argmin(each - base[:, None] + penalty[:, None], axis=0)
    pick = chosen[index]
    at_all = np.arange(len(beat))
    values = float(penalty[chosen[filled]].sum())
    return Snapped(
        np.rint(ticks[pick, at_all]).astype(int), float(off_cost[pick, at_all].sum()), values
    )


def _pitch_labels(events: Events, n: int) -> tuple[np.ndarray, np.ndarray]:
    """A number for the set of pitches of each of the first ``n`` events, and its top pitch."""
    names: dict[frozenset[int], int] = {}
    label = np.array([names.setdefault(p, len(names)) for p in events.pitches[:n]])
    return label, np.array([max(p, default=-1) for p in events.pitches[:n]])


def repeat_shares(events: Events, ticks: np.ndarray, window: int) -> tuple[np.ndarray, np.ndarray]:
    """Share of events that come again with the same pitches (and at all) after each lag in ticks,
    each (window + 1,)."""
    same = np.zeros(window + 1)
    n = len(ticks)
    # Compare sets of pitches, and their top notes alone at half weight.
    label, top = _pitch_labels(events, n)
    for k in range(1, n):
        lag = ticks[k:] - ticks[:-k]
        if lag.min() > window:
            break
        near = lag <= window
        hit = np.where(label[k:] == label[:-k], 1.0, np.where(top[k:] == top[:-k], 0.5, 0.0))
        np.add.at(same, lag[near], hit[near])
    span = ticks[-1] - ticks
    room = np.array([np.count_nonzero(span >= lag) for lag in range(window + 1)])
    return np.where(room >= 3, same / np.maximum(room, 1), 0.0), room


_REPEAT_EVENTS = 6  # a passage of so many events comes again if all but one of them do


def nearest_repeats(events: Events, ticks: np.ndarray, window: int) -> np.ndarray:
    """How many ticks before each event the nearest passage began to sound that comes again there,
    (n,); 0 where nothing comes again within ``window`` ticks.

    A riff A A B A repeats itself at one phrase and at three; only the nearest twin tells how long
    the phrase is, for the sum of three phrases is whole bars of many a meter.
    """
    n = len(ticks)
    out = np.zeros(n, dtype=int)
    if n < _REPEAT_EVENTS:
        return out
    label, top = _pitch_labels(events, n)
    gaps = ticks[:, None] - ticks[None]
    lags, count = np.unique(gaps[(gaps >= TICKS) & (gaps <= window)], return_counts=True)
    for lag in lags[count >= _REPEAT_EVENTS - 1].tolist():
        again = np.zeros(n, dtype=bool)
        before = np.searchsorted(ticks, ticks - lag)
        for j in (before, np.minimum(before + 1, n - 1)):  # two events may share a tick
            same = (label[j] == label) | (top[j] == top)
            again |= same & (ticks[j] == ticks - lag)
        full = np.convolve(again, np.ones(_REPEAT_EVENTS, dtype=int), "valid") >= _REPEAT_EVENTS - 1
        within = np.convolve(full, np.ones(_REPEAT_EVENTS, dtype=int)) > 0
        out = np.where((out == 0) & within & again, lag, out)
    return out


def repeats_fit(lags_beats: np.ndarray, bar: int) -> tuple[float, float, float]:
    """How far the nearest repeats, ``lags_beats`` (k,) > 0, speak for a bar of ``bar`` beats: share
    at whole bars or a whole part of one, share at neither, share at 1, 2, 4 or 8 bars; each a
    little less where only few events come again."""
    bars = lags_beats / bar
    parts = bar / lags_beats
    whole = np.abs(bars - np.rint(bars)) < _SAME_LAG
    even = np.isin(np.rint(bars), (1, 2, 4, 8)) & whole
    fits = whole | (np.abs(parts - np.rint(parts)) < _SAME_LAG)
    total = len(lags_beats) + 3
    return float(fits.sum() / total), float((~fits).sum() / total), float(even.sum() / total)


def repeat_boundaries(
    events: Events, ticks: np.ndarray, again: np.ndarray, room: np.ndarray
) -> np.ndarray:
    """Indices of events where a repeat begins: the first event that comes again after the riff's
    strongest lag, then each event where coming again starts or stops. Empty if little repeats."""
    strength = again * np.minimum(1.0, room / 8)
    strength[:TICKS] = 0
    if strength.max(initial=0.0) < _MIN_REPEAT:
        return np.zeros(0, dtype=int)
    lag = int(np.argmax(strength >= _NEAR_BEST * strength.max()))
    keys = {(int(t), p) for t, p in zip(ticks, events.pitches[: len(ticks)], strict=True)}
    twin = np.array(
        [
            (int(t) + lag, p) in keys or (int(t) - lag, p) in keys
            for t, p in zip(ticks, events.pitches[: len(ticks)], strict=True)
        ]
    )
    if not twin.any():
        return np.zeros(0, dtype=int)
    first = int(np.argmax(twin))
    changes = np.flatnonzero(twin[1:] != twin[:-1]) + 1
    return np.array([first, *(c for c in changes if c > first)], dtype=int)


def bar_evidence(
    ticks: np.ndarray,
    marks: dict[str, np.ndarray],
    strengths: np.ndarray,
    meter: tuple[int, int],
) -> dict[str, np.ndarray]:
    """Evidence for each beat of the bar as the downbeat, by feature, each (beats of the bar,).

    Log evidence is given divided by the square root of the number of events, for the bars of one
    riff are not independent, and (``_whole``) in tens of nats up to 60. ``_down``, ``_group`` and
    ``_beat`` are the mean strength there in standard errors.
    """
    size = meter[0] * TICKS
    slot = ticks % size
    n = len(ticks)
    here = np.bincount(slot, minlength=size)
    span = ticks[-1] - ticks[0] + 1
    chances = np.full(size, span // size)
    np.add.at(chances, (ticks[0] + np.arange(span % size)) % size, 1)
    chances = np.maximum(chances, here)
    marked = {k: np.bincount(slot[v], minlength=size) for k, v in marks.items()}
    sums = np.array([np.bincount(slot, weights=row, minlength=size) for row in strengths])
    within = np.arange(size) % TICKS
    used = np.flatnonzero((within % 3 == 0) | (within % 4 == 0))
    filled = np.flatnonzero(here)
    downs = np.arange(meter[0])
    gaps = np.minimum(np.append(np.diff(ticks), size), size)
    fits = {"here": (used, _marginals("here", here[used], chances[used]))}
    for k, hits in marked.items():
        fits[k] = filled, _marginals(k, hits[filled], here[filled])
    places = (slot[None] - downs[:, None] * TICKS) % size
    here_float = here.astype(float)
    names = _evidence_names(meter)
    out = np.zeros((len(names), meter[0]))
    best = np.full(meter[0], -np.inf)
    for layout in _layouts(meter):
        nats = np.array(
            [fit[layout.rolled[:, at], np.arange(len(at))].sum(axis=1) for at, fit in fits.values()]
        )
        late = layout.late[places, gaps[None]]
        late_sum = late.sum(axis=1)
        rows = [
            nats / math.sqrt(n),
            np.clip(nats / 10, -6, 6),
            late.mean(axis=1)[None],
            np.minimum(late_sum / 10, 6)[None],
        ]
        for name, mask in layout.masks.items():
            count = np.maximum(mask @ here_float, 1)
            strength = np.clip(sums @ mask.T / np.sqrt(count)[None] / 3, -3, 3)
            rows.append(strength if name in _STRESSED else strength[_LOUD : _LOUD + 1])
        total = sum(nats) - late_sum
        better = total > best + 1e-9  # of two that fit alike, the first
        out = np.where(better, np.concatenate(rows), out)
        best = np.maximum(total, best)
    return dict(zip(names, out, strict=True))


@functools.cache
def _evidence_names(meter: tuple[int, int]) -> tuple[str, ...]:
    """What `bar_evidence` finds out, in the order in which it does."""
    kinds = ("here", *MARKS)
    masks = [
        f"{k}_{name}"
        for name in _layouts(meter)[0].masks
        for k in (MARKS if name in _STRESSED else ("loud",))
    ]
    return (*kinds, *(f"{k}_whole" for k in kinds), "syncopated", "syncopated_whole", *masks)


def _syncopation(level: np.ndarray) -> np.ndarray:
    """How much stronger a place a note sounds over than it starts on: (size, size + 1) by slot
    and gap to the next event (Longuet-Higgins & Lee 1984, Music Perception 1)."""
    size = len(level)
    strongest = np.full((size, size + 1), 9)
    for gap in range(2, size + 1):  # the strongest place inside the note
        inside = level[(np.arange(size) + gap - 1) % size]
        strongest[:, gap] = np.minimum(strongest[:, gap - 1], inside)
    return np.clip(level[:, None] - strongest, 0, 3)
