"""Which notes are copies that an echo made of earlier ones.

Conventions: times in seconds, loudness in decibels. A copy has the pitch of the note that it
repeats, comes one delay later to within a few milliseconds, and is softer.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from transcribe.core.riff import Note

__all__ = ["NEAR_SEC", "copies", "is_echo"]

NEAR_SEC = 0.01
"""How far a copy may lie from its place: onsets are heard to within 4 ms (``tests/bench/notes.py``)
and the delay of a pedal may waver by 2 ms in a second."""
_LOUDER_DB = 1.0  # a repeat that is louder by more was struck
# share of the repeats; a hand that repeats its notes in time is as often louder
_MAX_LOUDER_SHARE = 0.34
_MAX_MEDIAN_DB = -1.75
"""An echo's copies fall: by 1.9 dB and more where the delay is set 2.1 dB or further down. What a
program plays in even time comes back as loud as before, or up to 1.5 dB softer where the note
before it still rings (measured on rendered echoes and on the practice sound of jigs)."""


def _repeats(notes: Sequence[Note], delay_sec: float) -> list[tuple[int, float]]:
    """Notes that come one delay, or two, after one of their own pitch: (index, decibels above it).

    Of a copy's own copy the one between may be too soft to be a note.
    """
    found = []
    onset = np.array([note.onset_sec for note in notes])
    pitch = np.array([note.pitch_midi for note in notes])
    for i, note in enumerate(notes):
        since = (note.onset_sec - onset)[:, None] - delay_sec * np.array([1, 2])
        before = np.abs(since).min(axis=1)
        nearest = np.flatnonzero((before <= NEAR_SEC) & (pitch == note.pitch_midi))
        if nearest.size:
            source = notes[int(nearest[np.argmin(before[nearest])])]
            found.append((i, (note.loudness_db or 0.0) - (source.loudness_db or 0.0)))
    return found


def is_echo(notes: Sequence[Note], delay_sec: float) -> bool:
    """Whether the notes bear out an echo of ``delay_sec``: what comes back after it comes softer.

    Notes that never repeat at the delay say nothing against it.
    """
    louder = np.array([gain for _, gain in _repeats(notes, delay_sec)])
    if not louder.size:
        return True
    return bool(
        np.mean(louder > _LOUDER_DB) <= _MAX_LOUDER_SHARE and np.median(louder) <= _MAX_MEDIAN_DB
    )


def copies(notes: Sequence[Note], delay_sec: float) -> frozenset[int]:
    """Ids of the notes that an echo of ``delay_sec`` made."""
    return frozenset(notes[i].id for i, gain in _repeats(notes, delay_sec) if gain <= _LOUDER_DB)
