"""The key that a score writes settles what its notes leave undecided.

That two sharps with the mode dorian are E dorian, and one sharp A dorian, follows the table of keys
and modes in the ABC standard 2.1 (from memory); ``<fifths>`` and ``<mode>`` are those of MusicXML
4.0.
"""

from __future__ import annotations

import dataclasses
import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import mido
import pytest

from theory import report
from theory.mode_reasons import how_sure
from transcribe import api
from transcribe.core.errors import FormatError
from transcribe.core.riff import Riff, WrittenKey
from transcribe.formats import read_any
from transcribe.formats.chord_names import key_of, parse_key
from transcribe.formats.document import from_json, read_riff, to_json, write_riff
from transcribe.formats.jams import write_jams
from transcribe.formats.midi import write_midi
from transcribe.formats.musicxml.write import write_musicxml
from transcribe.formats.tab.write import write_tab
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


@pytest.mark.parametrize(
    ("pitches", "key", "name"),
    [
        ((57, 60, 62, 64, 67, 69, 67, 64, 62, 60, 57), "minor", "A minor pentatonic"),
        ((57, 59, 61, 64, 66, 69, 66, 64, 61, 59, 57), "major", "A major pentatonic"),
        ((57, 60, 62, 64, 67, 69, 67, 64, 62, 60, 57), "dorian", "A dorian"),
    ],
)
def test_five_notes_of_a_major_or_minor_key_are_its_pentatonic(
    pitches: tuple[int, ...], key: str, name: str
) -> None:
    """Minor and major are said of the pentatonic too; another mode is meant as it is written."""
    assert str(report(**_line(pitches), written_key=("A", key)).mode) == name


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


WRITERS: dict[str, Callable[[Riff], bytes]] = {
    ".musicxml": write_musicxml,
    ".mid": write_midi,
    ".jams": lambda riff: write_jams(riff).encode(),
    ".txt": lambda riff: write_tab(riff).encode(),
    ".riff.json": lambda riff: json.dumps(to_json(riff)).encode(),
}


@pytest.mark.parametrize("suffix", WRITERS)
@pytest.mark.parametrize("given", ["A dorian", "A aeolian", "A phrygian"])
def test_a_key_that_was_given_comes_back_from_every_file(
    suffix: str, given: str, tmp_path: Path
) -> None:
    """The line has no sixth and a B, so that it may be dorian or aeolian, and is not phrygian."""
    key = parse_key(given)
    made = api.finger(dataclasses.replace(_fingered(tmp_path), written_key=key))
    path = tmp_path / f"halyard{suffix}"
    path.write_bytes(WRITERS[suffix](made))
    again = api.finger(read_any(path))
    assert again.written_key == key
    mode = (again.theory or {})["mode"]
    assert mode["written"]["held"] == ("phrygian" not in given)
    assert (f"{mode['tonic']} {mode['name']}" == given) == ("phrygian" not in given)


@pytest.mark.parametrize("suffix", WRITERS)
def test_a_key_that_was_found_is_not_taken_for_a_given_one(suffix: str, tmp_path: Path) -> None:
    path = tmp_path / f"halyard{suffix}"
    path.write_bytes(WRITERS[suffix](_fingered(tmp_path)))
    assert read_any(path).written_key is None


def _fingered(folder: Path) -> Riff:
    """The line of `_score`, whose file gives no mode, with the mode that is found."""
    path = folder / "hawser.musicxml"
    path.write_text(_score(0, ""), "utf-8")
    return api.finger(read_any(path))


def test_the_mode_of_a_tune_in_abc_outlasts_the_way_through_musicxml(tmp_path: Path) -> None:
    """The fields are those of the ABC standard 2.1, 4.6: a mode by its first three letters."""
    pytest.importorskip("music21")
    path, score = tmp_path / "hawser.abc", tmp_path / "hawser.musicxml"
    path.write_text("X:1\nT:Hawser\nM:4/4\nL:1/8\nK:Edor\nE2GA BAGE|D2EG A2B2|E2GA BdBA|G2E2E4|\n")
    made = api.finger(read_any(path))
    assert made.written_key == WrittenKey("E", "dorian")
    score.write_bytes(write_musicxml(made))
    again = api.finger(read_any(score))
    assert again.written_key == WrittenKey("E", "dorian")
    assert (again.theory or {})["mode"]["name"] == "dorian"


@pytest.mark.parametrize(
    ("name", "key"),
    [
        ("Bb", WrittenKey("Bb", "ionian")),
        ("F#m", WrittenKey("F#", "aeolian")),
        ("C", None),  # what programs write where nobody gave a key
    ],
)
def test_the_key_signature_of_a_midi_file_is_read(
    name: str, key: WrittenKey | None, tmp_path: Path
) -> None:
    track = mido.MidiTrack([mido.MetaMessage("key_signature", key=name)])
    for pitch in (57, 59, 60, 64):
        track.append(mido.Message("note_on", note=pitch, time=0))
        track.append(mido.Message("note_off", note=pitch, time=480))
    mido.MidiFile(tracks=[track]).save(tmp_path / "hawser.mid")
    assert read_any(tmp_path / "hawser.mid").written_key == key


@pytest.mark.parametrize(
    ("fifths", "mode", "name"),
    [(1, "dorian", "G"), (0, "minor", "Am"), (-3, "major", "Eb"), (-4, "minor", "Fm")],
)
def test_midi_has_the_signature_of_the_mode(
    fifths: int, mode: str, name: str, tmp_path: Path
) -> None:
    """MIDI 1.0, Standard MIDI Files: sharps or flats, and major or minor; it has no other mode."""
    path = tmp_path / "hawser.musicxml"
    path.write_text(_score(fifths, mode), "utf-8")
    file = mido.MidiFile(file=io.BytesIO(write_midi(read_any(path))))
    assert [m.key for t in file.tracks for m in t if m.type == "key_signature"] == [name]


TAB = """{head}
e|-----------------|-----------------|
B|-----------------|-----------------|
G|-----------------|-----------------|
D|-2-4-5-7-5-4-2---|-2-4-5-2-----2---|
A|-0---------------|---------5-3-0---|
E|-----------------|-----------------|
"""


@pytest.mark.parametrize(
    ("head", "key"),
    [
        ("Key: Am", WrittenKey("A", "aeolian")),
        ("key of A dorian, 100 bpm", WrittenKey("A", "dorian")),
        ("Tempo: 90   Key: F# minor", WrittenKey("F#", "aeolian")),
        ("Key: Bb", WrittenKey("Bb", "ionian")),
        ("Key: Am, capo 2", None),  # of the shapes, or of what sounds
        ("the key is to keep it slow", None),
        ("a keyboard in A", None),
    ],
)
def test_the_key_above_a_tab_is_read(head: str, key: WrittenKey | None, tmp_path: Path) -> None:
    path = tmp_path / "hawser.txt"
    path.write_text(TAB.format(head=head), "utf-8")
    assert read_any(path).written_key == key


def test_a_key_that_is_none_is_refused_in_an_own_tab(tmp_path: Path) -> None:
    made = dataclasses.replace(_fingered(tmp_path), written_key=WrittenKey("A", "dorian"))
    path = tmp_path / "halyard.txt"
    path.write_text(write_tab(made).replace("Key:    A dorian", "Key:    H moll"), "utf-8")
    with pytest.raises(FormatError, match=r"'H moll', expected a key, such as A dorian or Em"):
        read_any(path)


@pytest.mark.parametrize(
    ("parent", "mode", "fifths"),
    [("D harmonic minor", "harmonic minor", -1), ("B melodic minor", "melodic minor", 2)],
)
def test_a_harmonic_minor_has_the_signature_of_the_minor(
    parent: str, mode: str, fifths: int
) -> None:
    found = {"tonic": parent[0], "name": mode, "parent": parent}
    assert key_of({"mode": found}) == (fifths, "minor")


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
