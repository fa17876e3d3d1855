"""Changes of the notes themselves: delete, add, change, merge and split."""

from __future__ import annotations

import dataclasses

import pytest

from tests.page.conftest import make_riff
from transcribe.core.errors import ParameterError
from transcribe.core.riff import Riff
from transcribe.correct import note_edits
from transcribe.correct.history import redo, undo
from transcribe.correct.pins import pin


@pytest.fixture(scope="module")
def one_riff() -> Riff:
    return make_riff()


def test_delete_takes_the_note_and_its_pin(one_riff: Riff) -> None:
    note = one_riff.notes[3]
    place = (note.string, note.fret)
    pinned = pin(one_riff, {note.id: place}, repeats=False)
    after = note_edits.delete(pinned, [note.id])
    assert note.id not in {n.id for n in after.notes}
    assert len(after.notes) == len(one_riff.notes) - 1
    back = undo(after)
    assert back.note(note.id).pinned
    assert (back.note(note.id).string, back.note(note.id).fret) == place


def test_add_puts_a_note_on_the_grid_with_a_new_id(one_riff: Riff) -> None:
    after = note_edits.add(one_riff, onset_sec=1.27, offset_sec=1.7, pitch_midi=64)
    (new,) = {n.id for n in after.notes} - {n.id for n in one_riff.notes}
    note = after.note(new)
    assert note.onset_beat == 2.0  # the grid has beats at 0.25 + 0.5 k seconds
    assert note.duration_beat == 1.0
    assert note.string is not None


def test_ids_are_never_used_twice(one_riff: Riff) -> None:
    once = note_edits.add(one_riff, onset_sec=1.0, offset_sec=1.4, pitch_midi=64)
    (first,) = {n.id for n in once.notes} - {n.id for n in one_riff.notes}
    again = note_edits.add(undo(once), onset_sec=2.0, offset_sec=2.4, pitch_midi=65)
    (second,) = {n.id for n in again.notes} - {n.id for n in one_riff.notes}
    assert second != first


def test_change_of_pitch_drops_the_pin_and_finds_a_place(one_riff: Riff) -> None:
    note = one_riff.notes[3]
    pinned = pin(one_riff, {note.id: (note.string, note.fret)}, repeats=False)
    after = note_edits.change(pinned, note.id, pitch_midi=note.pitch_midi + 1).note(note.id)
    assert not after.pinned
    assert one_riff.instrument.pitch_midi(after.string, after.fret) == note.pitch_midi + 1


def test_change_of_technique_keeps_everything_else(one_riff: Riff) -> None:
    note = one_riff.notes[3]
    after = note_edits.change(one_riff, note.id, articulation="vibrato").note(note.id)
    assert dataclasses.replace(after, articulation="picked") == dataclasses.replace(
        note, string=after.string, fret=after.fret, finger=after.finger
    )


def test_merge_and_split(one_riff: Riff) -> None:
    a, b = one_riff.notes[1], one_riff.notes[2]
    merged = note_edits.merge(one_riff, [b.id, a.id])
    assert merged.note(a.id).offset_sec == max(a.offset_sec, b.offset_sec)
    assert b.id not in {n.id for n in merged.notes}
    parted = note_edits.split(one_riff, a.id, at_sec=a.onset_sec + 0.1)
    (new,) = {n.id for n in parted.notes} - {n.id for n in one_riff.notes}
    assert parted.note(a.id).offset_sec == parted.note(new).onset_sec == a.onset_sec + 0.1
    assert parted.note(new).offset_sec == a.offset_sec
    assert parted.note(new).pitch_midi == a.pitch_midi


@pytest.mark.parametrize(
    ("act", "words"),
    [
        (lambda r: note_edits.delete(r, []), "no note is chosen"),
        (lambda r: note_edits.delete(r, [n.id for n in r.notes]), "at least one note"),
        (lambda r: note_edits.delete(r, [9999]), "no note 9999"),
        (lambda r: note_edits.add(r, onset_sec=1, offset_sec=1, pitch_midi=60), "end after"),
        (lambda r: note_edits.add(r, onset_sec=-1, offset_sec=1, pitch_midi=60), "0 or more"),
        (
            lambda r: note_edits.add(r, onset_sec=float("nan"), offset_sec=1, pitch_midi=60),
            "seconds",
        ),
        (lambda r: note_edits.add(r, onset_sec=500, offset_sec=501, pitch_midi=60), "take ends"),
        (lambda r: note_edits.add(r, onset_sec=1, offset_sec=2, pitch_midi=20), "no string"),
        (lambda r: note_edits.change(r, 1, articulation="strummed"), "no technique"),
        (lambda r: note_edits.change(r, 1), "like that already"),
        (lambda r: note_edits.merge(r, [1]), "at least two"),
        (lambda r: note_edits.split(r, 1, at_sec=100.0), "inside"),
        (undo, "nothing to undo"),
        (redo, "nothing to make again"),
    ],
)
def test_impossible_edits_are_refused(one_riff: Riff, act, words: str) -> None:
    with pytest.raises(ParameterError, match=words):
        act(one_riff)
