"""Strings of a strum that are too soft to be told by their own sound, but lie within the grip held.

Conventions: times in seconds, pitch in MIDI numbers.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

from transcribe.core.grips import find_grips
from transcribe.core.riff import Note, sort_notes
from transcribe.core.strokes import strokes
from transcribe.notes.note_decoding import DetectedNote

__all__ = ["grip_strings"]

_NEAR_SEC = 0.06  # a string may be heard so long before the first or after the last of its stroke
_GRIP_LOG_ODDS = 2.0
"""What a place between two strings that are heard adds to a string of the grip. On rendered strums
of a guitar left out of training (`tests.bench.rhythm_strums`) 14 of 15 such strings were struck,
of which the sound alone said .33; a stroke's outermost strings are often not reached (23 of 257),
so that nothing is added there."""


def grip_strings(
    notes: Sequence[DetectedNote], names: Sequence[str], doubtful: Sequence[DetectedNote]
) -> list[DetectedNote]:
    """Which of the doubtful notes are strings of a grip, between others that the stroke reached.

    Parameters
    ----------
    notes, names : sequence of DetectedNote and of str, shape (n,)
        The notes of the take and how each is played.
    doubtful : sequence of DetectedNote
        Heard too faintly to be notes.

    Returns
    -------
    list of DetectedNote
        With the confidence that the grip gives them, by onset.
    """
    if not doubtful:
        return []
    heard = sort_notes(
        [
            Note(i, n.onset_sec, n.offset_sec, n.pitch_midi, articulation=name)
            for i, (n, name) in enumerate(zip(notes, names, strict=True))
        ]
    )
    groups = [[heard[i] for i in group] for group in strokes(heard)]
    sets = [frozenset(note.pitch_midi for note in group) for group in groups]
    waiting = list(doubtful)
    found = []
    for group, here, grip in zip(groups, sets, find_grips(sets), strict=True):
        if grip is None or grip == here:
            continue
        first, last = group[0].onset_sec - _NEAR_SEC, group[-1].onset_sec + _NEAR_SEC
        for note in waiting:
            pitch = note.pitch_midi
            if (
                first <= note.onset_sec <= last
                and pitch in grip - here
                and min(here) < pitch < max(here)
            ):
                found.append(dataclasses.replace(note, confidence=_surer(note.confidence)))
        waiting = [note for note in waiting if note.onset_sec > last]
    return found


def _surer(confidence: float) -> float:
    odds = confidence / (1.0 - confidence) * math.exp(_GRIP_LOG_ODDS)
    return odds / (1.0 + odds)
