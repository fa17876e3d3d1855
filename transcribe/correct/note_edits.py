"""The player's changes to the notes themselves: delete, add, change, merge, split and confirm.

Each is one step of the history. The fingering is solved again around the pins, and the theory
found again where another note sounds. Notes that are added get ids that the document never used.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable

from transcribe.core.clock import Clock
from transcribe.core.errors import ParameterError
from transcribe.core.key import pitch_in
from transcribe.core.riff import ARTICULATIONS, Note, Remark, Riff, sort_notes
from transcribe.core.wording import refusal
from transcribe.correct.history import next_note_id, record
from transcribe.correct.solving import find_again

__all__ = [
    "NOTE_EDITS",
    "SHORTEST_SEC",
    "add",
    "change",
    "confirm",
    "delete",
    "merge",
    "set_technique",
    "split",
]

NOTE_EDITS = ("add", "change", "confirm", "delete", "merge", "split")
"""Kinds of the steps that are made here."""

SHORTEST_SEC = 0.02
"""Length of the shortest note; shorter is a slip of the hand; chosen by ear."""

_PARTS_OF_BEAT = 4  # parts of a beat that an added onset is moved to


def delete(riff: Riff, note_ids: Iterable[int]) -> Riff:
    """``riff`` without some notes.

    Raises
    ------
    ParameterError
        If a note is not there, or none would be left.
    """
    gone = [_note(riff, i) for i in dict.fromkeys(note_ids)]
    if not gone:
        raise ParameterError("no note is chosen; choose at least one to delete")
    if len(gone) == len(riff.notes):
        raise ParameterError("a riff keeps at least one note; delete the riff instead")
    return _edited(riff, "delete", gone, [])


def add(
    riff: Riff,
    *,
    onset_sec: float,
    offset_sec: float,
    pitch_midi: int,
    articulation: str = "picked",
    place: tuple[int, int] | None = None,
) -> Riff:
    """``riff`` with one more note, put on the beat grid where there is one.

    With ``place``, a (string, fret) that sounds ``pitch_midi``, the note is pinned there.

    Raises
    ------
    ParameterError
        If the times or the pitch are out of range, or no string reaches the pitch.
    """
    note = Note(
        next_note_id(riff),
        float(onset_sec),
        float(offset_sec),
        int(pitch_midi),
        articulation=articulation,
        added=True,
        string=place[0] if place else None,
        fret=place[1] if place else None,
        pinned=place is not None,
    )
    return _edited(riff, "add", [], [_timed(riff, note)])


def change(
    riff: Riff,
    note_id: int,
    *,
    pitch_midi: int | None = None,
    articulation: str | None = None,
    onset_sec: float | None = None,
    offset_sec: float | None = None,
) -> Riff:
    """``riff`` with another pitch, technique or time for one note; the note keeps its id.

    A note whose pitch changes loses its pin, which would no longer sound that pitch.

    Raises
    ------
    ParameterError
        If the note is not there, nothing changes, or a value is out of range.
    """
    old = _note(riff, note_id)
    new = old
    if articulation is not None:
        new = dataclasses.replace(new, articulation=articulation)
    if onset_sec is not None or offset_sec is not None:
        new = dataclasses.replace(
            new,
            onset_sec=old.onset_sec if onset_sec is None else float(onset_sec),
            offset_sec=old.offset_sec if offset_sec is None else float(offset_sec),
        )
        new = _timed(riff, new)
    if pitch_midi is not None and int(pitch_midi) != old.pitch_midi:
        new = dataclasses.replace(
            new, pitch_midi=int(pitch_midi), cents=0.0, string=None, fret=None, pinned=False
        )
    if new == old:
        raise refusal(Remark("changes-nothing", notes=(note_id,)))
    return _edited(riff, "change", [old], [new])


def set_technique(riff: Riff, note_ids: Iterable[int], articulation: str) -> Riff:
    """``riff`` with some notes played in another way, as one step.

    Raises
    ------
    ParameterError
        If a note is not there, there is no such technique, or all are played so already.
    """
    notes = [_note(riff, i) for i in dict.fromkeys(note_ids)]
    old = [note for note in notes if note.articulation != articulation]
    if not old:
        raise ParameterError(f"these notes are {articulation} already")
    return _edited(
        riff, "change", old, [dataclasses.replace(n, articulation=articulation) for n in old]
    )


def merge(riff: Riff, note_ids: Iterable[int]) -> Riff:
    """``riff`` with several notes made one: the first of them, sounding to the end of the last.

    Raises
    ------
    ParameterError
        If fewer than two notes are named, or one is not there.
    """
    parts = sort_notes([_note(riff, i) for i in dict.fromkeys(note_ids)])
    if len(parts) < 2:
        raise ParameterError("choose at least two notes to merge")
    whole = dataclasses.replace(parts[0], offset_sec=max(note.offset_sec for note in parts))
    ends = [
        note.onset_beat + note.duration_beat
        for note in parts
        if note.onset_beat is not None and note.duration_beat is not None
    ]
    if whole.onset_beat is not None and ends:
        whole = dataclasses.replace(whole, duration_beat=max(ends) - whole.onset_beat)
    return _edited(riff, "merge", list(parts), [whole])


def confirm(riff: Riff, note_ids: Iterable[int]) -> Riff:
    """``riff`` with notes that were heard with doubt taken as played: their confidence is 1.

    Raises
    ------
    ParameterError
        If a note is not there, or all of them are sure already.
    """
    doubtful = [n for n in (_note(riff, i) for i in dict.fromkeys(note_ids)) if n.confidence < 1]
    if not doubtful:
        raise ParameterError("these notes are sure already")
    return _edited(
        riff, "confirm", doubtful, [dataclasses.replace(n, confidence=1.0) for n in doubtful]
    )


def split(riff: Riff, note_id: int, *, at_sec: float | None = None) -> Riff:
    """``riff`` with one note struck again at ``at_sec``, or in its middle.

    Raises
    ------
    ParameterError
        If the note is not there, or ``at_sec`` does not lie inside it.
    """
    note = _note(riff, note_id)
    at = (note.onset_sec + note.offset_sec) / 2 if at_sec is None else float(at_sec)
    if not note.onset_sec + SHORTEST_SEC <= at <= note.offset_sec - SHORTEST_SEC:
        facts = {"start_sec": note.onset_sec, "end_sec": note.offset_sec}
        raise refusal(Remark("split-outside", facts, (note_id,)))
    first = _timed(riff, dataclasses.replace(note, offset_sec=at), onset=False)
    second = _timed(
        riff,
        dataclasses.replace(note, id=next_note_id(riff), onset_sec=at, articulation="picked"),
    )
    return _edited(riff, "split", [note], [first, second])


def _note(riff: Riff, note_id: int) -> Note:
    try:
        return riff.note(int(note_id))
    except KeyError:
        raise ParameterError(f"there is no note {note_id} any more") from None


def _edited(riff: Riff, kind: str, removed: list[Note], added: list[Note]) -> Riff:
    """``riff`` with notes exchanged, as one step of its history."""
    for note in added:
        _check(riff, note)
    gone = {note.id for note in removed}
    kept = [note for note in riff.notes if note.id not in gone]
    new = dataclasses.replace(riff, notes=sort_notes([*kept, *added]))
    return record(riff, find_again(riff, new), kind, [note.id for note in removed or added])


def _check_times(riff: Riff, note: Note) -> None:
    times = (note.onset_sec, note.offset_sec)
    if not all(math.isfinite(t) for t in times) or note.onset_sec < 0:
        raise ParameterError("a note's times are seconds from the start of the take, 0 or more")
    if note.offset_sec - note.onset_sec < SHORTEST_SEC:
        raise ParameterError("a note must end after it begins")
    end = riff.source.duration_sec if riff.source else None
    if end is not None and note.onset_sec > end:
        raise ParameterError(f"the take ends at {end:.2f} s; put the note before that")


def _check(riff: Riff, note: Note) -> None:
    _check_times(riff, note)
    if note.articulation not in ARTICULATIONS:
        raise ParameterError(
            f"{note.articulation!r} is no technique; use {', '.join(ARTICULATIONS)}"
        )
    if not riff.instrument.places(note.pitch_midi):
        pitch = pitch_in(riff, note.pitch_midi)
        raise ParameterError(f"no string of this instrument reaches {pitch}")


def _timed(riff: Riff, note: Note, *, onset: bool = True) -> Note:
    """``note`` with its score times from its seconds, to the nearest part of a beat.

    A moment that is a third of a beat to the letter stays one.
    """
    _check_times(riff, note)
    rhythm = riff.rhythm
    if rhythm is None or len(rhythm.beats_sec) < 2:
        return note
    clock = Clock(rhythm)
    start = note.onset_beat
    if onset or start is None:
        start = _on_grid(clock.beat(note.onset_sec))
    end = _on_grid(clock.beat(note.offset_sec))
    return dataclasses.replace(
        note, onset_beat=start, duration_beat=max(end - start, 1.0 / _PARTS_OF_BEAT)
    )


def _on_grid(beat: float) -> float:
    third = round(beat * 3) / 3
    return third if abs(beat - third) < 1e-4 else round(beat * _PARTS_OF_BEAT) / _PARTS_OF_BEAT
