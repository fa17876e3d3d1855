"""The key that a score writes settles what its notes leave undecided.

That two sharps with the mode dorian are E dorian, and one sharp A dorian, follows the table of keys
and modes in the ABC standard 2.1 (from memory); ``<fifths>`` and ``<mode>`` are those of MusicXML
4.0.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import pytest

from theory import report
from theory.mode_reasons import how_sure
from transcribe import api
from transcribe.core.errors import FormatError
from transcribe.core.riff import Riff, WrittenKey
from transcribe.formats import read_any
from transcribe.formats.document import from_json, read_riff, to_json, write_riff
from transcribe.formats.musicxml.write import write_musicxml
from transcribe.harmony import theory_report, with_theory

NO_SIXTH = (57, 59, 60, 62, 64, 67, 64, 62, 60, 59, 60, 57)  # A B C D E G: aeolian or dorian


def _line(pitches: tuple[int, ...]) -> dict[str, Any]:
    return {
        "onset_sec": [0.5 * k for k in range(len(pitches))],
        "duration_sec": [0.5] * len(pitches),
        "pitch_midi": pitches,
    }


@pytest.mark.parametrize("name", ["dorian", "aeolian"])
def test_a_written_key_settles_what_the_notes_leave_undecided(name: str) -> None:
    found = report(**_line(NO_SIXTH), written_key=("A", name))
    mode = found.mode
    assert mode is not None
    assert (mode.tonic, mode.name, mode.confidence, mode.undecided) == ("A", name, 1.0, ())
    assert f"A {name} (written in the file)" in found.summary()
    assert f"A {name} (written in the file)" in found.text()
    assert f"A {name} (written in the file)" in found.line()
    assert found.as_document()["mode"]["written"] == {
        **{"tonic": "A", "name": name, "held": True, "against": ""}
    }


def test_a_note_against_the_written_key_is_named() -> None:
    pitches = (*NO_SIXTH[:6], 65, *NO_SIXTH[6:])  # with F
    mode = report(**_line(pitches), written_key=("A", "dorian")).mode
    assert mode is not None
    assert str(mode) == "A aeolian"
    assert mode.confidence < 1.0
    assert mode.written is not None
    assert (mode.written.held, mode.written.against) == (False, "F")
    said = report(**_line(pitches), written_key=("A", "dorian")).summary()
    assert "the file writes A dorian, which has no F natural" in " ".join(said.split())


def test_a_written_key_does_not_move_the_home_of_the_notes() -> None:
    """Many programs write ``major`` whatever the piece is in; common practice, no source."""
    found = report(**_line(NO_SIXTH), written_key=("C", "major"))
    assert found.mode is not None
    assert found.mode.tonic == "A"
    said = " ".join(found.summary().split())
    assert "the file writes C ionian, and the notes are at home on A" in said


def test_a_harmonic_minor_is_written_as_minor() -> None:
    """The raised seventh is no part of a key signature; common practice, no source."""
    line = (57, 59, 60, 62, 64, 65, 68, 69, 68, 65, 64, 62, 60, 59, 56, 57)
    mode = report(**_line(line), written_key=("A", "minor")).mode
    assert mode is not None
    assert (str(mode), mode.written) == ("A harmonic minor", None)


def _score(fifths: int, mode: str, software: str = "") -> str:
    named = [("A", 3), ("B", 3), ("C", 4), ("D", 4), ("E", 4), ("C", 4), ("B", 3), ("A", 3)]
    notes = "".join(
        f"<note><pitch><step>{step}</step><octave>{octave}</octave></pitch>"
        "<duration>1</duration></note>"
        for step, octave in named
    )
    made = f"<identification><encoding><software>{software}</software></encoding></identification>"
    return (
        f'<score-partwise>{made if software else ""}<part id="P1"><measure number="1"><attributes>'
        f"<divisions>2</divisions><key><fifths>{fifths}</fifths><mode>{mode}</mode></key>"
        f"</attributes>{notes}</measure></part></score-partwise>"
    )


@pytest.mark.parametrize(
    ("fifths", "mode", "key"),
    [
        (1, "dorian", WrittenKey("A", "dorian")),
        (0, "minor", WrittenKey("A", "aeolian")),
        (-3, "major", WrittenKey("Eb", "ionian")),
        (6, "lydian", WrittenKey("B", "lydian")),
        (0, "none", None),
        (0, "", None),
        (40, "major", None),
    ],
)
def test_the_key_of_a_score_is_read(
    fifths: int, mode: str, key: WrittenKey | None, tmp_path: Path
) -> None:
    path = tmp_path / "hawser.musicxml"
    path.write_text(_score(fifths, mode), "utf-8")
    assert read_any(path).written_key == key


def test_the_key_of_a_score_is_kept_through_corrections(tmp_path: Path) -> None:
    path, document = tmp_path / "hawser.musicxml", tmp_path / "hawser.riff.json"
    path.write_text(_score(1, "dorian"), "utf-8")
    write_riff(api.finger(read_any(path)), document)
    riff = read_riff(document)
    assert (riff.theory or {})["mode"]["name"] == "dorian"
    assert str(theory_report(api.to_explain(path)).mode) == "A dorian"
    shorter = with_theory(riff, dataclasses.replace(riff, notes=riff.notes[:-1]))
    assert (shorter.theory or {})["mode"]["written"]["held"]
    undone = with_theory(riff, dataclasses.replace(riff, written_key=None))
    assert "written" not in (undone.theory or {})["mode"]


def test_a_key_that_was_found_is_not_taken_for_a_written_one(tmp_path: Path) -> None:
    path = tmp_path / "hawser.musicxml"
    path.write_text(_score(1, "dorian"), "utf-8")
    path.write_bytes(write_musicxml(api.finger(read_any(path))))
    assert read_any(path).written_key is None


def test_a_key_on_no_note_is_refused() -> None:
    value = to_json(Riff(written_key=WrittenKey("A", "dorian")))
    assert from_json(value).written_key == WrittenKey("A", "dorian")
    value["written_key"]["tonic"] = "H"
    with pytest.raises(FormatError, match=r"written_key\.tonic is 'H', expected a note"):
        from_json(value)


def test_how_sure_says_where_a_mode_comes_from() -> None:
    mode = report(**_line(NO_SIXTH)).mode
    assert mode is not None
    assert how_sure(mode).endswith("%")
