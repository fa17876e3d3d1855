"""Which stretches of a recording are playing, talk, or neither.

Conventions: times in seconds. The network says at every frame how likely somebody talks, sings or
hums (`network.Activations.voice`). A stretch of talk is where the mean of that over 0.7 s is over
one half; playing is where notes sound that do not lie in talk, pauses of up to 2 s with them; the
rest (silence, noise, taps) is neither.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from transcribe.core.riff import Note, Segment
from transcribe.notes import features as feat

__all__ = ["find_segments", "in_talk", "talk_stretches"]

_FRAME_SEC = feat.HOP / feat.SR
_OVER = 15  # frames of the mean, 0.35 s to either side
_TALKS = 0.5
_SHORTEST_SEC = 0.4
_PAUSE_SEC = 0.8  # talk goes on over a pause that is shorter
_REST_SEC = 2.0  # playing goes on over a rest that is shorter
_LEAD_SEC = 0.05  # playing begins a little before its first note


def talk_stretches(voice: np.ndarray) -> list[tuple[float, float]]:
    """First and last second of each stretch of talk, from the share of voice at each frame (n,).

    >>> talk_stretches(np.r_[np.zeros(100), np.ones(100), np.zeros(100)].astype(np.float32))
    [(2.322, 4.644)]
    """
    if voice.size == 0:
        return []
    padded = np.pad(voice.astype(np.float64), _OVER, mode="edge")
    total = np.concatenate([[0.0], np.cumsum(padded)])
    width = 2 * _OVER + 1
    mean = (total[width:] - total[:-width]) / width
    edges = np.flatnonzero(np.diff(np.r_[0, (mean > _TALKS).astype(int), 0]))
    found: list[tuple[float, float]] = []
    for first, last in edges.reshape(-1, 2) * _FRAME_SEC:
        if found and first - found[-1][1] < _PAUSE_SEC:
            found[-1] = (found[-1][0], round(float(last), 3))
        else:
            found.append((round(float(first), 3), round(float(last), 3)))
    return [span for span in found if span[1] - span[0] >= _SHORTEST_SEC]


def in_talk(onset_sec: np.ndarray, talk: Sequence[tuple[float, float]]) -> np.ndarray:
    """Whether moments, (n,) seconds, lie in a stretch of talk: (n,) bool."""
    inside = np.zeros(onset_sec.shape, bool)
    for first, last in talk:
        inside |= (onset_sec >= first) & (onset_sec < last)
    return inside


def find_segments(
    notes: Sequence[Note], talk: Sequence[tuple[float, float]], duration_sec: float
) -> tuple[Segment, ...]:
    """The whole recording as segments, one after another, from 0 to ``duration_sec``.

    ``notes`` are those that lie in no talk, sorted by onset.
    """
    spans: list[tuple[float, float, str]] = [(a, min(b, duration_sec), "talk") for a, b in talk]
    playing: list[tuple[float, float]] = []
    for note in notes:
        first, last = max(0.0, note.onset_sec - _LEAD_SEC), min(note.offset_sec, duration_sec)
        goes_on = playing and first - playing[-1][1] < _REST_SEC
        if goes_on and not any(playing[-1][1] <= b and a <= first for a, b in talk):
            playing[-1] = (playing[-1][0], max(playing[-1][1], last))
        else:
            playing.append((first, last))
    spans += [(a, b, "playing") for a, b in playing]
    spans.sort()
    out: list[Segment] = []
    at = 0.0
    for first, last, kind in spans:
        first, last = max(first, at), min(last, duration_sec)
        if last - first < 1e-3:
            continue
        if first - at > 1e-3:
            out.append(Segment(round(at, 3), round(first, 3), "neither"))
        if out and out[-1].kind == kind and first - out[-1].end_sec < 1e-3:
            out[-1] = replace(out[-1], end_sec=round(last, 3))
        else:
            out.append(Segment(round(first, 3), round(last, 3), kind))  # type: ignore[arg-type]
        at = last
    if duration_sec - at > 1e-3:
        out.append(Segment(round(at, 3), round(duration_sec, 3), "neither"))
    return tuple(out)
