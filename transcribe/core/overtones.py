"""Notes that may be overtones of a note struck with them, and were not played.

A recording read by ear or by a network has such notes an octave, a twelfth or two octaves above a
real one, with little confidence. They must not lead the hand, and they do not speak against a
drone.
"""

from __future__ import annotations

from collections.abc import Sequence

from transcribe.core.pitch import PARTIAL_SEMITONES
from transcribe.core.riff import Note
from transcribe.core.strokes import STROKE_SEC

__all__ = ["SURE_CONFIDENCE", "likely_overtones"]

SURE_CONFIDENCE = 0.6
"""A note of this confidence (0 to 1) or more counts as played."""

_OVERTONES = PARTIAL_SEMITONES[1:4]


def likely_overtones(notes: Sequence[Note]) -> frozenset[int]:
    """Ids of the unsure notes that may be overtones of a surer note that begins with them.

    Parameters
    ----------
    notes : sequence of Note
        Sorted by onset.

    Returns
    -------
    frozenset of int

    Examples
    --------
    >>> from transcribe.core.riff import Note
    >>> struck = Note(1, 0.0, 0.5, 45)
    >>> octave = Note(2, 0.01, 0.2, 57, confidence=0.4)
    >>> sorted(likely_overtones([struck, octave]))
    [2]
    """
    found = set()
    first = 0
    for note in notes:
        if note.confidence >= SURE_CONFIDENCE:
            continue
        while notes[first].onset_sec < note.onset_sec - STROKE_SEC:
            first += 1
        for k in range(first, len(notes)):
            other = notes[k]
            if other.onset_sec > note.onset_sec + STROKE_SEC:
                break
            apart = note.pitch_midi - other.pitch_midi
            if apart in _OVERTONES and other.confidence > note.confidence:
                found.add(note.id)
                break
    return frozenset(found)
