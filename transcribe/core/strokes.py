"""Which notes are struck together: the strings of one stroke of the picking hand.

Conventions: times in seconds; notes in the order of `transcribe.core.riff.sort_notes`.
"""

from __future__ import annotations

from collections.abc import Sequence

from transcribe.core.riff import Note

__all__ = ["STROKE_SEC", "strokes"]

STROKE_SEC = 0.05
"""Onsets this close to the first of them are one stroke. A strum is spread by 10 to 40 ms (common
practice, no source); the shortest value that a hand plays note by note, a sixteenth at 160
quarters a minute, takes 94 ms. Of 0.03 to 0.06 s, `tests.bench.rhythm` does best with this."""


def strokes(notes: Sequence[Note]) -> tuple[tuple[int, ...], ...]:
    """Indices of the notes of each stroke, in order of time.

    A pitch that comes twice begins a new stroke: a string is struck once in each.
    """
    groups: list[list[int]] = []
    struck: set[int] = set()
    for k, note in enumerate(notes):
        near = groups and note.onset_sec - notes[groups[-1][0]].onset_sec <= STROKE_SEC
        if near and note.pitch_midi not in struck:
            groups[-1].append(k)
            struck.add(note.pitch_midi)
        else:
            groups.append([k])
            struck = {note.pitch_midi}
    return tuple(tuple(group) for group in groups)
