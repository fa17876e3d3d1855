"""Notes added, moved, split, merged and played otherwise, as it is written on the command line."""

from __future__ import annotations

import re

import pytest

from tests.formats.riffs import make_riff
from transcribe.core.errors import ParameterError
from transcribe.core.riff import Note, Riff
from transcribe.core.wording import sentence
from transcribe.correct import worded_edits
from transcribe.correct.history import undo

# Eighths in 4/4 at 120, so that a beat is half a second; note 8 is the last of bar 1.
RIFF = make_riff(
    [(0.5 * i, 0.5, 3, fret) for i, fret in enumerate((2, 4, 5, 7, 5, 4, 2, 4))]
    + [(4.0, 2.0, 3, 5)],
    bpm=120,
)


def _new(riff: Riff) -> Note:
    (note,) = (note for note in riff.notes if note.id > len(RIFF.notes))
    return note


@pytest.mark.parametrize(
    ("moment", "beat"),
    [
        ("3:1", 8.0),
        ("3:2&", 9.5),
        ("3:2.5", 9.5),
        ("bar:3:2e", 9.25),
        ("3:2a", 9.75),
        ("3:4t", 11 + 1 / 3),
        ("3:4l", 11 + 2 / 3),
        ("4.5s", 9.0),
    ],
)
def test_a_note_is_added_at_a_moment(moment: str, beat: float) -> None:
    riff = worded_edits.add(RIFF, f"{moment}=E4")
    note = _new(riff)
    assert note.onset_beat == pytest.approx(beat, abs=1e-6)
    assert note.onset_sec == pytest.approx(beat / 2, abs=1e-6)
    assert (note.pitch_midi, note.duration_beat, note.pinned) == (64, 1.0, False)
    assert undo(riff).notes == RIFF.notes


def test_an_added_note_ends_where_the_next_begins() -> None:
    note = _new(worded_edits.add(RIFF, "1:1.25=4/7"))
    assert (note.string, note.fret, note.pinned) == (4, 7, True)
    assert (note.onset_beat, note.duration_beat) == (0.25, 0.25)


def test_a_note_is_moved_and_keeps_its_length() -> None:
    note = worded_edits.move(RIFF, "9=3:4.5").note(9)
    assert (note.onset_beat, note.duration_beat) == (11.5, 2.0)
    assert note.offset_sec - note.onset_sec == pytest.approx(1.0)


def test_a_note_gets_another_pitch() -> None:
    riff = worded_edits.set_pitch(RIFF, "2=Bb3")
    assert riff.note(2).pitch_midi == 58
    assert riff.instrument.pitch_midi(*_place(riff.note(2))) == 58


def _place(note: Note) -> tuple[int, int]:
    assert note.string is not None
    assert note.fret is not None
    return note.string, note.fret


def test_a_note_is_split_and_made_one_again() -> None:
    riff = worded_edits.split(RIFF, "9=2:2")
    assert (riff.note(9).duration_beat, _new(riff).onset_beat) == (1.0, 5.0)
    assert _new(worded_edits.split(RIFF, "9")).onset_beat == 5.0
    whole = worded_edits.merge(riff, f"9,{_new(riff).id}")
    assert (len(whole.notes), whole.note(9).duration_beat) == (len(RIFF.notes), 2.0)


def test_a_technique_is_given_to_several_notes() -> None:
    riff = worded_edits.set_technique(RIFF, "2,9=vibrato")
    assert [n.id for n in riff.notes if n.articulation == "vibrato"] == [2, 9]
    riff = worded_edits.set_technique(RIFF, "bar:1=dead")
    assert [n.id for n in riff.notes if n.articulation == "dead"] == list(range(1, 9))
    assert len(riff.history) == 1


def test_vibrato_for_a_bar_leaves_its_slurs() -> None:
    riff = worded_edits.set_technique(RIFF, "2,3=hammer-on")
    (remark,) = worded_edits.with_own_technique(riff, "bar:1=vibrato")
    assert (remark.kind, remark.notes) == ("own-technique", (2, 3))
    assert remark.facts["own"] == ["hammer-on", "hammer-on"]
    assert sentence(remark).startswith("note 2 (hammer-on), note 3 (hammer-on) keep their")
    after = worded_edits.set_technique(riff, "bar:1=vibrato")
    hows = [n.articulation for n in after.notes]
    assert hows == ["vibrato", *["hammer-on"] * 2, *["vibrato"] * 5, "picked"]
    # A note that is named has what was asked, and so has a bar that is asked to be picked.
    for text in ("2,bar:2=vibrato", "bar:1=picked"):
        assert worded_edits.set_technique(riff, text).note(2).articulation == text.split("=")[1]
    with pytest.raises(ParameterError, match="such as 1=vibrato"):
        worded_edits.set_technique(worded_edits.set_technique(RIFF, "bar:1=dead"), "bar:1=vibrato")


@pytest.mark.parametrize(
    ("edit", "text", "message"),
    [
        ("add", "3:2", "'3:2' is not a note to add; write 3:2.5=E4"),
        ("add", "x=E4", "'x' is no moment; write one such as 3:2.5"),
        ("add", "3:5=E4", "'3:5': the beats of a bar are numbered 1 to 4"),
        ("add", "3:1=H4", "'H4' is not a pitch"),
        ("add", "3:1=7/1", "there is no string 7 fret 1 on this neck (strings 1 to 6, frets 0 to"),
        ("add", "3:1=C9", "no string of this instrument reaches C9"),
        ("set_pitch", "E4", "'E4' is not a change of pitch; write 12=E4"),
        ("set_pitch", "x=E4", "'x' is no note; write the ID of one"),
        ("move", "77=2:1", "there is no note 77 any more"),
        ("split", "9=1:1", "note 9 sounds from"),
        ("merge", "3", "choose at least two notes to merge"),
        ("set_technique", "3=growl", "'growl' is no technique; use picked"),
        ("set_technique", "bar:99=slide", "bar 99 holds no notes"),
    ],
)
def test_what_cannot_be_is_refused_in_a_line(edit: str, text: str, message: str) -> None:
    with pytest.raises(ParameterError, match=re.escape(message)):
        getattr(worded_edits, edit)(RIFF, text)
