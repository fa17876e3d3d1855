"""One mode and one loop over the parts of a piece, and what each part says for them."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

import theory
from theory import PartNotes, piece
from transcribe.formats.lesson_document import read_lesson
from transcribe.harmony import piece_theory
from transcribe.lesson.part_riffs import read_parts

FERRY = Path(__file__).resolve().parents[2] / "fixtures" / "lessons" / "ferry"

# Grips as handbooks print them, low string first (common practice, no source).
GRIPS = {
    "Dm": (50, 57, 62, 65),
    "G": (43, 47, 50, 55, 59, 67),
    "C": (48, 52, 55, 60, 64),
    "Am": (45, 52, 57, 60, 64),
}


def _strummed(name: str, chords: str) -> PartNotes:
    """Four strokes a bar, a chord a bar, at 120 beats a minute."""
    at, pitch = [], []
    for bar, symbol in enumerate(chords.split()):
        for stroke in range(4):
            at += [2.0 * bar + 0.5 * stroke] * len(GRIPS[symbol])
            pitch += GRIPS[symbol]
    bars = len(chords.split())
    return PartNotes(
        name,
        at,
        [0.48] * len(at),
        pitch,
        beats_sec=[0.5 * k for k in range(4 * bars)],
        downbeats_sec=[2.0 * k for k in range(bars)],
    )


def _line(name: str, pitches: str, drone: int | None = None) -> PartNotes:
    """Quarters at 120 beats a minute."""
    own = [int(pitch) for pitch in pitches.split()]
    at, pitch = [0.5 * k for k in range(len(own))], list(own)
    if drone is not None:
        at, pitch = at + at, pitch + [drone] * len(own)
    return PartNotes(
        name,
        at,
        [0.45] * len(at),
        pitch,
        beats_sec=[0.5 * k for k in range(len(own))],
        downbeats_sec=[2.0 * k for k in range(len(own) // 4)],
        drone_midi=drone,
    )


VERSE = _strummed("verse", "Dm G Dm G")
NO_SIXTH = _line("riff", "62 65 67 69 67 65 64 62", drone=50)  # D F G A G F E D


@pytest.fixture(scope="module")
def ferry() -> theory.Piece:
    lesson = read_lesson(FERRY / "truth.lesson.json")
    riffs = read_parts(lesson, FERRY)
    return piece_theory([(p.name, r) for p, r in zip(lesson.parts, riffs, strict=True)])


def test_the_shipped_piece_is_in_the_mode_that_was_meant(ferry: theory.Piece) -> None:
    assert str(ferry.mode) == "D dorian"
    assert ferry.obvious == "D aeolian"
    assert ferry.ruled_out_by == ("B",)
    assert ferry.loop == ("Dm", "G")
    assert ferry.loop_part == "verse"
    by_name = {part.name: part for part in ferry.parts}
    # Alone the lead sounds like another mode; the whole says otherwise.
    assert by_name["lead"].alone != "D dorian"
    assert by_name["lead"].misfits == by_name["verse"].misfits == ()
    assert by_name["intro"].misfits != ()  # a drone that stays on D does not go to G
    assert not ferry.fits


def test_the_scale_of_the_piece_is_music21s_scale(ferry: theory.Piece) -> None:
    """Against music21's DorianScale, its own degrees."""
    scale = pytest.importorskip("music21.scale")
    names = {p.name.replace("-", "b") for p in scale.DorianScale("D").getPitches("D3", "D4")}
    assert set(ferry.mode.notes) == names
    for note in (*ferry.scale_on_string, *ferry.scale_in_position):
        assert note.note in names
    assert ferry.drone_string == 4
    assert {note.string for note in ferry.scale_on_string} == {3}
    assert {note.string for note in ferry.scale_in_position} == {1, 2, 3, 4, 5, 6}


def test_the_plain_and_the_heavier_version_are_those_of_handbooks(ferry: theory.Piece) -> None:
    """xx0231 and 320003; the power chord of G at the third fret (common practice, no source)."""
    assert [shape.short for shape in ferry.plain] == ["xx0231", "320003"]
    assert [shape.short for shape in ferry.heavier] == ["x577xx", "355xxx"]
    assert all(shape.frets[3] == 0 for shape in ferry.over_drone)  # string 4 rings
    assert ferry.capo is None  # open grips: a capo makes nothing easier


def test_a_part_without_the_deciding_note_leaves_the_choice_to_the_others() -> None:
    alone = piece([NO_SIXTH])
    both = piece([NO_SIXTH, VERSE])
    assert alone.ruled_out_by == ()
    assert (str(both.mode), both.ruled_out_by) == ("D dorian", ("B",))
    assert [part.deciding for part in both.parts] == [False, True]
    assert both.parts[0].probability < both.mode.confidence


def test_a_piece_in_the_plain_key_names_no_other() -> None:
    found = piece([_strummed("verse", "C G Am C")])
    assert found.obvious == ""
    assert found.ruled_out_by == ()
    assert "It is not" not in found.text()


def test_the_bars_that_do_not_fit_are_named() -> None:
    chorus = _strummed("chorus", "Dm G C G")
    found = piece([VERSE, chorus])
    assert found.loop == ("Dm", "G")
    assert [(part.bars, part.misfits) for part in found.parts] == [(4, ()), (4, (3,))]
    assert "chorus: 1 of 4 bars do not fit (bar 3)." in found.text()


def test_a_loop_may_begin_in_another_bar() -> None:
    found = piece([VERSE, _strummed("end", "G Dm G Dm")])
    assert found.fits
    assert "Every bar of every part fits them." in found.text()


def test_parts_without_bars_are_held_against_nothing() -> None:
    line = _line("lead", "62 65 67 71 69 67 65 62")
    loose = PartNotes("lead", line.onset_sec, line.duration_sec, line.pitch_midi)
    found = piece([VERSE, loose])
    assert found.parts[1].bars == 0


def test_a_part_without_notes_is_passed_over_and_none_at_all_refused() -> None:
    empty = PartNotes("none", [], [], [])
    assert [part.name for part in piece([empty, VERSE]).parts] == ["verse"]
    with pytest.raises(theory.TheoryError, match="no part has a note"):
        piece([empty])


def test_a_capo_where_it_helps() -> None:
    """Bb, Eb and F are G, C and D three frets up (common practice, no source)."""
    up = [
        PartNotes(
            part.name,
            part.onset_sec,
            part.duration_sec,
            [p - 2 for p in part.pitch_midi],
            beats_sec=part.beats_sec,
            downbeats_sec=part.downbeats_sec,
        )
        for part in [_strummed("verse", "C G Am C")]
    ]
    found = piece(up)
    assert found.loop[0] == "Bb"
    assert found.capo is not None
    assert found.capo.capo == 3
    assert f"With a capo at fret {found.capo.capo} the plain version is easier" in found.text()


def test_the_document_is_json(ferry: theory.Piece) -> None:
    document = json.loads(json.dumps(ferry.as_document(), allow_nan=False))
    assert document["mode"]["name"] == "dorian"
    assert [part["name"] for part in document["parts"]] == ["intro", "main", "verse", "lead"]
    assert document["fits"] is False


@pytest.mark.parametrize("name", ["dorian", "aeolian"])
def test_a_key_that_the_parts_give_settles_what_their_notes_leave_open(name: str) -> None:
    given = replace(NO_SIXTH, written_key=("D", name))
    found = piece([given, NO_SIXTH])
    assert str(found.mode) == f"D {name}"
    assert "written in the file" in found.words().mode
    other = replace(NO_SIXTH, written_key=("D", "phrygian"))
    assert piece([given, other]).mode.written is None
