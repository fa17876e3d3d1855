"""The bridge from seconds to beats: every event gets its place in the score, every note its value.

Conventions: score times in ticks, 24 to a beat (so that thirty-seconds, triplets and sextuplets
are whole numbers), tick 0 is the first downbeat. Times in seconds.

`quantise_onsets` is a Viterbi search over the places that a grammar of note values allows: a beat
is divided in halves and quarters, in thirds, in sixths or in eighths, but not in two ways at once.
Rarer divisions cost more, unless this riff uses them or has a note at that place of other bars; two
events do not share a place. `quantise_durations` writes a note up to the next event of its voice
where it rings nearly as long, else with the simple value that is nearest to what was played and a
rest after it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from transcribe.core.riff import Note
from transcribe.rhythm.beats import JITTER_SEC, Grid, move_middle, smooth
from transcribe.rhythm.events import Events

__all__ = [
    "PER_BEAT",
    "QuantisedOnsets",
    "quantise_durations",
    "quantise_onsets",
    "swing_ticks",
    "unswing_ticks",
]

PER_BEAT = 24

_STRAY_SHARE = 0.02
_STRAY_SEC = 0.08
_SHARED_NATS = 9.0  # nats for two events at one place
_FULL_SHARE = 0.72  # a note that sounds this share of the way to the next one is written up to it

# Set by hand on the riffs of `tests.bench.rhythm`.
_MIXED_NATS = 8.0  # for two kinds of division in one beat
_BACK_NATS = 60.0  # for an event before the one that came first: in practice never
_FIXED_NATS = 1000.0  # what holds an event to the first beat that was asked for
_PRIOR_EVENTS = 8  # events that the prior of a division counts as
_USAGE_NATS = (-3.0, 2.0)  # how much cheaper or dearer a division gets as this riff uses it
_HABIT_NATS, _HABIT_A_BAR = 1.2, 1.5  # the most that a place of other bars saves; for each bar
_SWING_SHARES = (0.54, 0.75)  # of the beat, within which an off-beat swings
_SOUNDS_SHARE = 0.92  # what is played is a little shorter than what is written
_LENGTH_SCATTER = 0.2  # natural logarithm by which played lengths scatter
_MIN_USUAL_NOTES, _USUAL_SHARE = 8, 0.75  # notes that tell the usual length; share of it

# Tick in the beat, kind of division, cost. Kind 0 is the beat itself, which suits every kind.
_SLOTS_4 = (
    (0, 0, 0.0),
    (12, 1, 0.3),
    (6, 1, 1.1),
    (18, 1, 1.0),
    (8, 2, 1.8),
    (16, 2, 1.6),
    (4, 3, 5.0),
    (8, 3, 4.0),
    (12, 3, 4.0),
    (16, 3, 4.0),
    (20, 3, 5.0),
    (3, 4, 6.5),
    (6, 4, 4.0),
    (9, 4, 6.5),
    (12, 4, 4.0),
    (15, 4, 6.5),
    (18, 4, 4.0),
    (21, 4, 6.5),
)
_SLOTS_8 = (
    (0, 0, 0.0),
    (12, 1, 0.8),
    (6, 1, 4.5),
    (18, 1, 4.5),
    (8, 2, 6.0),
    (16, 2, 6.0),
)
_VALUES = (3, 4, 6, 8, 12, 16, 18, 24, 36, 48, 72, 96, 120, 144, 192)
_VALUE_COSTS = {
    3: 1.2,
    4: 1.0,
    6: 0.3,
    8: 0.8,
    12: 0.0,
    16: 0.8,
    18: 0.35,
    24: 0.0,
    36: 0.2,
    120: 0.4,
}


@dataclass(frozen=True)
class QuantisedOnsets:
    """Score times of the events: ``ticks`` (n,), and the tempo curve that goes with them.

    ``grid`` is in ticks as they sound: with swing, `swing_ticks` and `unswing_ticks` turn the ticks
    of the score into those and back.
    """

    ticks: np.ndarray
    grid: Grid
    swing: float


def swing_ticks(tick: np.ndarray, swing: float) -> np.ndarray:
    """Where written ticks sound when the off-beat falls at ``swing`` of the beat."""
    return PER_BEAT * move_middle(np.asarray(tick) / PER_BEAT, 0.5, swing)


def unswing_ticks(tick: np.ndarray, swing: float) -> np.ndarray:
    """Inverse of `swing_ticks`."""
    return PER_BEAT * move_middle(np.asarray(tick) / PER_BEAT, swing, 0.5)


def quantise_onsets(
    onset_sec: np.ndarray,
    grid: Grid,
    *,
    meter: tuple[int, int],
    swing: float = 0.5,
    weight: np.ndarray | None = None,
    fixed: int | None = None,
) -> QuantisedOnsets:
    """Places of the events at ``onset_sec`` (n,), rising, on ``grid`` (in score ticks).

    The grid is refined with the places found. ``fixed`` is the index of an event that must stand
    on tick 0; ``weight`` (n,) says how much each event's time counts.
    """
    slots = _SLOTS_4 if meter[1] == 4 else _SLOTS_8
    bonus: dict[tuple[int, int], float] = {}
    share: np.ndarray | None = None
    ticks = np.zeros(len(onset_sec), dtype=int)
    for _ in range(3):
        ticks, kinds = _viterbi(onset_sec, grid, slots, swing, share, bonus, meter, fixed)
        share = _usage(ticks, kinds, slots)
        bonus = _bar_habit(ticks, kinds, meter)
        if swing != 0.5:
            swing = _swing_ratio(onset_sec, grid, ticks, swing)
        grid = smooth(
            onset_sec,
            swing_ticks(ticks, swing),
            step=PER_BEAT,
            weight=weight,
            length_sec=float(np.median(np.diff(grid.time_sec))),
        )
    return QuantisedOnsets(ticks, grid, swing)


def _swing_ratio(onset_sec: np.ndarray, grid: Grid, ticks: np.ndarray, swing: float) -> float:
    half = ticks % PER_BEAT == PER_BEAT // 2
    if np.count_nonzero(half) < 3:
        return swing
    part = grid.tick(onset_sec[half]) / PER_BEAT - ticks[half] // PER_BEAT
    return float(np.clip(np.median(part), *_SWING_SHARES))


def _usage(
    ticks: np.ndarray, kinds: np.ndarray, slots: Sequence[tuple[int, int, float]]
) -> np.ndarray:
    """How much dearer or cheaper each slot is for this riff than its prior says, in nats."""
    prior = np.array([math.exp(-s[2]) for s in slots])
    prior /= prior.sum()
    count = np.array(
        [np.count_nonzero((ticks % PER_BEAT == s[0]) & (kinds == s[1])) for s in slots]
    )
    post = (count + _PRIOR_EVENTS * prior) / (count.sum() + _PRIOR_EVENTS)
    return np.clip(-np.log(post) + np.log(prior), *_USAGE_NATS)


def _bar_habit(
    ticks: np.ndarray, kinds: np.ndarray, meter: tuple[int, int]
) -> dict[tuple[int, int], float]:
    """Places of the bar that several bars use: (tick in the bar, kind) -> nats to take off."""
    size = meter[0] * PER_BEAT
    bars = max(1, int((ticks[-1] - ticks[0]) // size))
    found: dict[tuple[int, int], int] = {}
    for tick, kind in zip(ticks.tolist(), kinds.tolist(), strict=True):
        found[tick % size, kind] = found.get((tick % size, kind), 0) + 1
    return {k: min(_HABIT_NATS, _HABIT_A_BAR * v / bars) for k, v in found.items() if v >= 2}


def _viterbi(
    onset_sec: np.ndarray,
    grid: Grid,
    slots: Sequence[tuple[int, int, float]],
    swing: float,
    share: np.ndarray | None,
    bonus: dict[tuple[int, int], float],
    meter: tuple[int, int],
    fixed: int | None,
) -> tuple[np.ndarray, np.ndarray]:
    n = len(onset_sec)
    size = meter[0] * PER_BEAT
    spot = np.array([s[0] for s in slots])
    kind = np.array([s[1] for s in slots])
    base = np.array([s[2] for s in slots]) + (0.0 if share is None else share)
    sound = swing_ticks(spot, swing)
    position = grid.tick(onset_sec)
    beat = np.rint((position[:, None] - sound[None]) / PER_BEAT).astype(int)
    tick = beat * PER_BEAT + spot[None]
    off = onset_sec[:, None] - grid.at(beat * PER_BEAT + sound[None])
    near = math.log(1 - _STRAY_SHARE) - 0.5 * (off / JITTER_SEC) ** 2
    far = math.log(_STRAY_SHARE * JITTER_SEC / _STRAY_SEC) - 0.5 * (off / _STRAY_SEC) ** 2
    local = base[None] - np.logaddexp(near, far)
    if bonus:
        table = np.zeros((size, int(kind.max()) + 1))
        for (t, k), nats in bonus.items():
            table[t, k] = nats
        local -= table[tick % size, kind[None]]
    if fixed is not None:
        local[fixed] = np.where(
            tick[fixed] == 0, local[fixed] - _FIXED_NATS, local[fixed] + _FIXED_NATS
        )
    joins = (kind[:, None] == kind[None]) | (kind[:, None] == 0)
    cost = local[0]
    back = np.zeros((n, len(slots)), dtype=int)
    for i in range(1, n):
        step = tick[i][None] - tick[i - 1][:, None]
        same_beat = beat[i][None] == beat[i - 1][:, None]
        move = np.where(same_beat & ~joins, _MIXED_NATS, 0.0)
        move = np.where(step == 0, _SHARED_NATS, move)
        move = np.where(step < 0, _BACK_NATS, move)
        total = cost[:, None] + move
        back[i] = np.argmin(total, axis=0)
        cost = total[back[i], np.arange(len(slots))] + local[i]
    path = np.zeros(n, dtype=int)
    path[-1] = int(np.argmin(cost))
    for i in range(n - 1, 0, -1):
        path[i - 1] = back[i, path[i]]
    rows = np.arange(n)
    return np.maximum.accumulate(tick[rows, path]), kind[path]


def quantise_durations(
    notes: Sequence[Note],
    events: Events,
    placed: QuantisedOnsets,
    meter: tuple[int, int],
    *,
    ends_known: bool = False,
) -> np.ndarray:
    """Duration of each note in ticks, (n,), at least a thirty-second.

    A strike of the drone lasts to its next strike, any other note to the next event that is not
    only the drone, if it sounds that long; what rings on over it is written up to it. With
    ``ends_known`` (keys that were let go, not strings that ring on) a note lasts over as many
    events as it was held for.
    """
    end_tick = unswing_ticks(
        placed.grid.tick(np.array([n.offset_sec for n in notes])), placed.swing
    )
    onset_tick = placed.ticks[events.owner]
    start = unswing_ticks(placed.grid.tick(np.array([n.onset_sec for n in notes])), placed.swing)
    length = np.maximum(end_tick - start, 0.5)
    is_drone = np.array([n.pitch_midi in events.drone for n in notes])
    melody = np.array([bool(p - events.drone) for p in events.pitches])
    melody_ticks = np.unique(placed.ticks[melody]) if melody.any() else np.zeros(0, dtype=int)
    strikes = {
        p: np.unique(onset_tick[np.array([n.pitch_midi == p for n in notes])]) for p in events.drone
    }
    bar = meter[0] * PER_BEAT
    gaps: list[int | None] = []
    for k, note in enumerate(notes):
        line = strikes[note.pitch_midi] if is_drone[k] else melody_ticks
        at = int(np.searchsorted(line, onset_tick[k], side="right"))
        if ends_known and at < len(line):
            apart = np.abs(np.log((line[at:] - onset_tick[k]) * _SOUNDS_SHARE / length[k]))
            at += int(np.argmin(apart))
        gaps.append(int(line[at] - onset_tick[k]) if at < len(line) else None)
    full = _full_share(length, gaps)
    out = np.zeros(len(notes), dtype=int)
    for k, note in enumerate(notes):
        gap = gaps[k]
        if note.articulation == "dead" and gap is not None:
            out[k] = min(gap, PER_BEAT)
        else:
            out[k] = _value(float(length[k]), gap, int(onset_tick[k]), bar, full)
    return out


def _full_share(length: np.ndarray, gaps: Sequence[int | None]) -> float:
    """The share of the way to the next note from which a note is written up to it. In a take of
    short or fast-fading notes only those that are short even there get a rest after them."""
    shares = [
        x / g for x, g in zip(length, gaps, strict=True) if g is not None and g <= 2 * PER_BEAT
    ]
    usual = float(np.median(shares)) if len(shares) >= _MIN_USUAL_NOTES else 1.0
    return min(_FULL_SHARE, _USUAL_SHARE * usual)


def _value(length: float, gap: int | None, tick: int, bar: int, full: float) -> int:
    if gap is not None and (length >= full * gap or gap <= PER_BEAT // 4):
        return gap
    best, least = 0, math.inf
    to_bar = bar - tick % bar
    for value in sorted({*_VALUES, to_bar, bar}):
        if gap is not None and value >= gap:
            continue
        cost = (
            math.log(length / value / _SOUNDS_SHARE) / _LENGTH_SCATTER
        ) ** 2 + 1.5 * _VALUE_COSTS.get(value, 0.2)
        grid = PER_BEAT if value >= PER_BEAT else PER_BEAT // 2 if value >= PER_BEAT // 2 else 6
        if (tick + value) % grid and (tick + value) % (grid // 3 or 1):
            cost += 1.0
        cost -= 0.5 * (value == to_bar)
        if cost < least:
            best, least = value, cost
    return best or (gap if gap is not None else PER_BEAT)
