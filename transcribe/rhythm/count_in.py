"""A count-in or foot taps before the first note: found, kept out of the music, used as a clue.

Conventions: times in seconds.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from transcribe.core.riff import Note

__all__ = ["from_audio", "from_notes", "is_regular"]

_FRAME_SEC = 0.01
_RISE_DB = 9.0
_APART_SEC = 0.15
_TAP_CONFIDENCE = 0.3  # confidence below which a note may be a tap that was taken for a note

_SLOWEST_TAP_SEC = 2.5
_EVEN_SHARE = 0.12  # of the usual gap, by which taps may come early or late
_LEAD_TAPS = (0.3, 4.2)  # taps from the last one to the first note, whole or half ones,
_OFF_HALF_TAPS = 0.3  # to within this
_BEFORE_NOTE_SEC = 0.06  # of sound that already belongs to the first note


def is_regular(times_sec: Sequence[float]) -> bool:
    """Whether two or more taps come as evenly as a count-in does (within 12 %)."""
    gaps = np.diff(times_sec)
    if len(gaps) < 1 or gaps.min() < _APART_SEC or gaps.max() > _SLOWEST_TAP_SEC:
        return False
    return bool(np.all(np.abs(gaps / np.median(gaps) - 1) < _EVEN_SHARE))


def from_notes(notes: Sequence[Note]) -> int:
    """How many notes at the start are taps: notes without pitch (dead) or of low confidence, evenly
    spaced, before any other note. The first note after them must come where the next tap or half
    a tap would."""
    count = 0
    while count < len(notes) and _may_be_tap(notes[count]):
        count += 1
    if count < 2 or count == len(notes):
        return 0
    times = [n.onset_sec for n in notes[:count]]
    return count if is_regular(times) and _leads_on(times, notes[count].onset_sec) else 0


def _may_be_tap(note: Note) -> bool:
    return note.articulation == "dead" or note.confidence < _TAP_CONFIDENCE


def _leads_on(times: Sequence[float], first_sec: float) -> bool:
    gap = float(np.median(np.diff(times)))
    after = (first_sec - times[-1]) / gap
    on_tap = abs(after * 2 - round(after * 2)) < _OFF_HALF_TAPS
    return _LEAD_TAPS[0] < after < _LEAD_TAPS[1] and on_tap


def from_audio(y: np.ndarray, *, sr: int, first_sec: float) -> tuple[float, ...]:
    """Times of taps in ``y`` (n,) before the first note at ``first_sec``; () if they are not a
    count-in: two or more, even, sudden rises of the level that lead on to the first note."""
    end = int((first_sec - _BEFORE_NOTE_SEC) * sr)
    hop = max(1, int(_FRAME_SEC * sr))
    if end < 20 * hop:
        return ()
    part = np.asarray(y[:end], dtype=float)
    frames = part[: len(part) // hop * hop].reshape(-1, hop)
    level = 10 * np.log10(np.mean(frames**2, axis=1) + 1e-10)
    floor = np.median(level)
    rise = np.zeros_like(level)
    rise[2:] = level[2:] - np.minimum(level[1:-1], level[:-2])
    times: list[float] = []
    for i in np.flatnonzero((rise > _RISE_DB) & (level > floor + _RISE_DB)):
        if not times or i * _FRAME_SEC - times[-1] > _APART_SEC:
            times.append(float(i * hop / sr))
    # The last few even ones count; a chair that creaks before them does not.
    for start in range(len(times) - 1):
        if is_regular(times[start:]) and _leads_on(times[start:], first_sec):
            return tuple(times[start:])
    return ()
