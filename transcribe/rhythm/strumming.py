"""Which way the hand goes in each strum: down, from the low strings to the high ones, or up.

Conventions: times in seconds; places in the bar in ticks, `PER_BEAT` to a beat. A strum is a stroke
of three notes or more.

Two things tell the way. The strings sound in their order, which is heard as well as onsets are;
and a hand that keeps time goes down on the beats and up between them (common practice, no source),
bar after bar in the same way. The order in one strum may be lost in a few milliseconds of error, so
that what all the strums at a place of the bar say counts for each of them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

import numpy as np

from transcribe.core.riff import Note
from transcribe.core.score_place import counted_beats
from transcribe.rhythm.quantise import PER_BEAT

__all__ = ["strum_directions"]

_FEWEST_STRINGS = 3
_ONSET_SEC = 0.0015
"""How far an onset strays at the least from when its string was struck. The note tracker is off by
1.3 to 5 ms (`tests.bench.rhythm_strums`), which the strums of a take tell."""

_HEARD_SEC = 0.0009
"""The least mean time from string to string, under which no direction is told in a take: strings
that are plucked at once have none, and the tracker hears each up to 0.7 ms later than the next."""

_PLACE_STRUMS = 2.5  # how many strums the habit of the hand at a place counts for, set by hand
_ON_BEAT, _OFF_BEAT = 0.9, 0.15  # share of down strokes that the habit expects
_SIXTEENTHS_SHARE = 0.1  # of the strums, from which the hand goes down on eighths too
_TOLD_NATS = 1.4  # log odds, 4 to 1, from which a direction is told


def strum_directions(
    notes: Sequence[Note],
    members: Sequence[Sequence[int]],
    ticks: np.ndarray,
    meter: tuple[int, int],
) -> list[Literal["down", "up"] | None]:
    """The way of each stroke, None where it is not told.

    Parameters
    ----------
    notes : sequence of Note
        With onsets in seconds.
    members : sequence of sequences of int, length n
        The strokes, as indices into ``notes``.
    ticks : int array (n,)
        Where each stroke stands; tick 0 is the first downbeat.
    meter : (int, int)

    Examples
    --------
    >>> strum = [Note(k, 0.01 * k, 1.0, pitch) for k, pitch in enumerate((40, 47, 52, 56))]
    >>> strum_directions(strum, [(0, 1, 2, 3)], np.array([0]), (4, 4))
    ['down']
    """
    ways: list[Literal["down", "up"] | None] = [None] * len(members)
    strums = [i for i, stroke in enumerate(members) if len(stroke) >= _FEWEST_STRINGS]
    if not strums:
        return ways
    fits = np.array([_slope([notes[k] for k in members[i]]) for i in strums])
    slope, weight, rest = fits.T
    left = sum(len(members[i]) - 2 for i in strums)
    variance = max(float(np.sum(rest)) / left, _ONSET_SEC**2)
    # The mean time from string to string, without what the errors of the onsets add to it.
    square = float(np.sum(weight * slope**2 - variance) / np.sum(weight))
    if square < _HEARD_SEC**2:
        return ways
    nats = 2 * math.sqrt(square) * slope * weight / variance
    place = np.array([int(ticks[i]) for i in strums]) % (meter[0] * PER_BEAT)
    odds = nats + _habit(nats, place, meter)
    for i, told in zip(strums, odds, strict=True):
        if abs(told) >= _TOLD_NATS:
            ways[i] = "down" if told > 0 else "up"
    return ways


def _slope(strum: Sequence[Note]) -> tuple[float, float, float]:
    """Seconds from one string to the next, low to high, the sum of squares of the strings that it
    rests on, and that of the seconds by which the onsets stray from it."""
    ordered = sorted(strum, key=lambda note: note.pitch_midi)
    rank = np.arange(len(ordered)) - (len(ordered) - 1) / 2
    onset = np.array([note.onset_sec for note in ordered])
    total = float(np.sum(rank**2))
    slope = float(np.sum(rank * onset)) / total
    return slope, total, float(np.sum((onset - onset.mean() - slope * rank) ** 2))


def _habit(nats: np.ndarray, place: np.ndarray, meter: tuple[int, int]) -> np.ndarray:
    """Log odds of a down stroke by the place in the bar: what is usual, and what this hand does.

    Those of each strum leave its own evidence out.
    """
    per = counted_beats(meter)
    usual = np.where(_on_beat(place, per), _ON_BEAT, _OFF_BEAT)
    down = 1 / (1 + np.exp(-np.clip(nats, -30, 30)))
    odds = np.zeros(len(nats))
    for _ in range(4):
        for at in np.unique(place):
            here = place == at
            count, total = np.count_nonzero(here) - 1, down[here].sum()
            share = (_PLACE_STRUMS * usual[here] + total - down[here]) / (_PLACE_STRUMS + count)
            odds[here] = np.log(share / (1 - share))
        down = 1 / (1 + np.exp(-np.clip(nats + odds, -30, 30)))
    return odds


def _on_beat(place: np.ndarray, per: int) -> np.ndarray:
    """Whether a hand goes down there: on the beats or, where it strums sixteenths, on the halves
    too; in compound time on the dotted beats."""
    if per > 1:
        return np.asarray(place % (per * PER_BEAT) == 0)
    within = place % PER_BEAT
    sixteenths = np.mean((within == PER_BEAT // 4) | (within == 3 * PER_BEAT // 4))
    step = PER_BEAT // 2 if sixteenths >= _SIXTEENTHS_SHARE else PER_BEAT
    return np.asarray(within % step == 0)
