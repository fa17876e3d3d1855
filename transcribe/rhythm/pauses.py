"""Playing that begins again after a pause: it need not keep the count of what came before.

Conventions: times in seconds, places in beats; beat 0 is the first downbeat.

Who stops to talk, or to try once more, counts in anew. The beats of the pause were never played, so
that they may be a little longer or shorter than the rest, and the bar begins where the new playing
says.
"""

from __future__ import annotations

import dataclasses
import itertools
import math
from typing import Any

import numpy as np

from transcribe.rhythm.beats import PAUSE_BEATS, TICKS, track
from transcribe.rhythm.events import Events, skip_cost
from transcribe.rhythm.meter import read_candidates, weigh

__all__ = ["begin_again", "pauses"]

# Set by hand: of 300 riffs of `tests.bench.rhythm` two rest so long.
_PAUSE_SEC = 2.5  # a pause that is shorter may be a rest
_PAUSE_BARS = 1.5
_MIN_EVENTS = 8  # under which a new playing tells nothing of its bars
_SURER_NATS = 1.5  # by which its bars must be likelier than those that went on
_SAME_PLACE_BEATS = 0.2
_SAME_TEMPO = 1.06  # ratio by which the tempo of two playings may differ


def pauses(times: np.ndarray, beats: np.ndarray, bar: int) -> np.ndarray:
    """Indices of the events, at ``times`` (n,) and ``beats`` (n,), that follow a pause."""
    long = max(PAUSE_BEATS, _PAUSE_BARS * bar)
    return np.flatnonzero((np.diff(times) > _PAUSE_SEC) & (np.diff(beats) >= long)) + 1


def begin_again(
    events: Events, beats: np.ndarray, meter: tuple[int, int], bpm: float, fixed: int | None
) -> np.ndarray:
    """``beats`` (n,) of the events, with the bars of each playing where it puts them itself.

    ``bpm`` counts the beats of ``meter``. The playing that holds event ``fixed`` stays; only pauses
    grow or shrink, by half a bar for each playing beside them at most.
    """
    ends = [0, *pauses(events.onset_sec, beats, meter[0]).tolist(), len(beats)]
    moved = beats.copy()
    for start, stop in itertools.pairwise(ends):
        if stop - start >= _MIN_EVENTS and (fixed is None or not start <= fixed < stop):
            part = _part_of(events, slice(start, stop))
            moved[start:stop] += _shift(part, float(beats[start]), meter, bpm)
    return moved


def _shift(part: Events, before: float, meter: tuple[int, int], bpm: float) -> float:
    """Beats by which the playing ``part`` is moved, whose first event stands at ``before``."""
    bar = meter[0]
    period = (60 / bpm / _SAME_TEMPO, 60 / bpm * _SAME_TEMPO)
    tracks = track(part.onset_sec, skip_cost=skip_cost(part), period_sec=period)
    if not tracks:
        return 0.0
    found = read_candidates(part, tracks, bpm=bpm, meters=(meter,))
    if not len(found):
        return 0.0
    chance = weigh(found)
    first = np.array([float(found.grids[t].tick(part.onset_sec[0])) for t in found.track])
    place = (first - found.offset) / (TICKS * found.factor) - found.down
    same = np.abs(_wrapped(place[:, None] - place[None], bar)) < _SAME_PLACE_BEATS
    total = same @ chance
    best = int(np.argmax(total))
    as_before = np.abs(_wrapped(place - before, bar)) < _SAME_PLACE_BEATS
    if total[best] <= math.exp(_SURER_NATS) * chance[as_before].sum():
        return 0.0
    return round(float(_wrapped(place[best : best + 1] - before, bar)[0]) * TICKS) / TICKS


def _part_of(events: Events, stretch: slice) -> Events:
    """Those of ``stretch``; what belongs to single notes is left as it is."""
    changed: dict[str, Any] = {
        f.name: getattr(events, f.name)[stretch]
        for f in dataclasses.fields(events)
        if f.name not in ("owner", "drone")
    }
    return dataclasses.replace(events, **changed)


def _wrapped(beats: np.ndarray, bar: int) -> np.ndarray:
    """The same places of the bar, from half a bar before to half a bar after."""
    return (beats + bar / 2) % bar - bar / 2
