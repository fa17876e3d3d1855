"""From the network's answer to notes, knowing what a guitar can do.

Conventions: frames are `features.HOP` samples apart; candidates are kept as arrays, one row each,
until the last step makes `Found` notes in seconds.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from transcribe.notes import features as feat
from transcribe.notes.network import FIRST_MIDI, Heard

__all__ = ["Candidates", "Found", "candidates", "decode"]

FRAME_SEC = feat.HOP / feat.SR

_ONSET_FLOOR = 0.12  # a peak lower than this is never looked at
_APART = 2  # frames within which one pitch has but one onset (46 ms)
_STILL = 0.4  # a note sounds on while its share is over this
_SHORTEST = 2  # frames


@dataclass(frozen=True)
class Found:
    """One note: seconds, MIDI pitch, how sure (0 to 1), and the frame of its onset."""

    onset_sec: float
    offset_sec: float
    pitch_midi: int
    confidence: float
    frame: int
    last_frame: int


@dataclass(frozen=True)
class Candidates:
    """Onset peaks, one row each, sorted by frame: (n,) arrays."""

    frame: np.ndarray
    column: np.ndarray
    share: np.ndarray
    onset: np.ndarray

    def __len__(self) -> int:
        return int(self.frame.size)


def candidates(heard: Heard, *, floor: float = _ONSET_FLOOR) -> Candidates:
    """Peaks of the onset share over time, one for each pitch within 46 ms.

    ``onset`` is in frames, refined by the network's own estimate of where in the frame it lies.
    """
    on = heard.onset
    before = np.pad(on, ((1, 0), (0, 0)))[:-1]
    after = np.pad(on, ((0, 1), (0, 0)))[1:]
    frame, column = np.nonzero((on >= floor) & (on > before) & (on >= after))
    share = on[frame, column]
    keep = np.ones(frame.size, bool)
    last: dict[int, int] = {}
    for i in range(frame.size):
        j = last.get(int(column[i]))
        if j is not None and frame[i] - frame[j] <= _APART:
            worse = i if share[i] <= share[j] else j
            keep[worse] = False
            if worse == i:
                continue
        last[int(column[i])] = i
    frame, column, share = frame[keep], column[keep], share[keep]
    shift = np.clip(heard.shift[frame, column], -1.2, 1.2)
    return Candidates(frame, column, share, frame + shift)


def decode(heard: Heard, *, threshold: float = 0.5) -> list[Found]:
    """Notes of a take, by onset and pitch."""
    found = candidates(heard)
    sure = np.flatnonzero(found.share >= threshold)
    order = sure[np.lexsort((found.frame[sure], found.column[sure]))]
    notes = []
    for k, i in enumerate(order):
        column, frame = int(found.column[i]), int(found.frame[i])
        limit = heard.frames
        if k + 1 < order.size and found.column[order[k + 1]] == column:
            limit = int(found.frame[order[k + 1]])
        last = _end(heard, frame, column, limit)
        onset = max(0.0, float(found.onset[i]))
        notes.append(
            Found(
                onset_sec=onset * FRAME_SEC,
                offset_sec=max(last, onset + _SHORTEST) * FRAME_SEC,
                pitch_midi=FIRST_MIDI + column,
                confidence=float(found.share[i]),
                frame=frame,
                last_frame=max(frame + 1, round(last)),
            )
        )
    notes.sort(key=lambda n: (n.onset_sec, n.pitch_midi))
    return notes


def _end(heard: Heard, frame: int, column: int, limit: int) -> float:
    """Frame at which a note that began at ``frame`` stops, at most ``limit``."""
    quiet = heard.sounding[frame + 2 : limit, column] < _STILL
    if quiet.size > 1:
        quiet[:-1] &= quiet[1:]
    stop = int(np.argmax(quiet)) if quiet.any() else -1
    if stop < 0:
        return float(limit)
    end = frame + 2 + stop
    low, high = max(frame + 2, end - 3), min(limit, end + 4)
    shares = heard.offset[low:high, column]
    if shares.size and shares.max() > 0.3:
        k = int(shares.argmax())
        near = slice(max(0, k - 1), k + 2)
        weight = shares[near]
        return low + float(np.average(np.arange(shares.size)[near], weights=weight))
    return float(end)
