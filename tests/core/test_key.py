"""How the key of a riff spells its notes: in remarks, lists, corrections and verdicts.

The notes of each key are those of the circle of fifths (any theory primer; from memory).
"""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from transcribe import api
from transcribe.command.main import main
from transcribe.core.errors import ParameterError
from transcribe.core.instrument import make_instrument
from transcribe.core.key import note_names, pitch_in, string_names
from transcribe.core.pitch import SHARPS
from transcribe.core.riff import Note, Remark, Riff, WrittenKey
from transcribe.core.wording import remark_json, sentence
from transcribe.correct.several import places_on_string
from transcribe.formats.document import write_riff
from transcribe.takes import compare
from transcribe.takes.report import text

F_MAJOR = (53, 57, 58, 60, 62, 64, 65, 64, 62, 60, 58, 57, 58, 55, 57, 53)


@pytest.fixture(scope="module")
def in_f() -> Riff:
    notes = tuple(Note(k, 0.5 * k, 0.5 * k + 0.45, p) for k, p in enumerate(F_MAJOR, 1))
    made = api.finger(Riff(notes=notes))
    assert (made.theory or {})["mode"]["parent"] == "F major"
    return made


@pytest.mark.parametrize(
    ("tonic", "name", "parent", "own"),
    [
        ("D", "aeolian", "F major", "C D E F G A Bb"),
        ("E", "ionian", "E major", "E F# G# A B C# D#"),
        ("Eb", "aeolian", "Gb major", "Eb F Gb Ab Bb Cb Db"),
        ("F#", "ionian", "F# major", "F# G# A# B C# D# E#"),
        ("C", "dorian", "Bb major", "C D Eb F G A Bb"),
    ],
)
def test_the_notes_of_a_mode_are_named_as_its_key_has_them(
    tonic: str, name: str, parent: str, own: str
) -> None:
    names = note_names(Riff(theory={"mode": {"tonic": tonic, "name": name, "parent": parent}}))
    assert set(own.split()) <= set(names)
    # Outside the key a white key has its plain name.
    assert all(
        len(n) == 2 and n not in ("E#", "B#") for n in set(names) - set(own.split()) if n[1:]
    )


# A guitar that is tuned down half a step has its strings in flats (common practice, no source).
def test_the_strings_of_a_riff_are_spelled_alike() -> None:
    down = Riff(instrument=make_instrument("half-step-down"))
    flats, sharps = "Eb4 Bb3 Gb3 Db3 Ab2 Eb2", "D#4 A#3 F#3 C#3 G#2 D#2"
    assert " ".join(string_names(down)) == flats
    for tonic, name, spelled in (("F", "ionian", flats), ("E", "ionian", sharps)):
        mode = {"tonic": tonic, "name": name, "parent": f"{tonic} major"}
        assert " ".join(string_names(dataclasses.replace(down, theory={"mode": mode}))) == spelled
    with_capo = Riff(instrument=make_instrument("standard", capo=1))
    assert " ".join(string_names(with_capo)) == "E4 B3 G3 D3 A2 E2"
    assert " ".join(string_names(with_capo, capo=True)) == "F4 C4 G#3 D#3 A#2 F2"


def test_a_degree_of_the_mode_is_named_as_the_theory_names_it() -> None:
    degrees = [{"degree": "7", "note": "E#"}]
    mode = {"tonic": "F#", "name": "harmonic minor", "parent": "F# harmonic minor"}
    assert pitch_in(Riff(theory={"mode": mode}), 65) == "F4"
    assert pitch_in(Riff(theory={"mode": mode | {"degrees": degrees}}), 65) == "E#4"


def test_octaves_count_from_the_letter() -> None:
    flat = Riff(written_key=WrittenKey("Gb", "ionian"))
    sharp = Riff(written_key=WrittenKey("C#", "ionian"))
    assert pitch_in(flat, 59) == "Cb4"
    assert pitch_in(sharp, 60) == "B#3"


def test_without_a_key_black_keys_are_sharps() -> None:
    assert note_names(Riff()) == SHARPS


def test_a_given_key_spells_where_no_mode_is_found() -> None:
    assert pitch_in(Riff(written_key=WrittenKey("D", "aeolian")), 58) == "Bb3"


def test_remarks_are_spelled_in_the_key(in_f: Riff) -> None:
    remark = Remark("no-place", {"reason": "no-string", "pitch_midi": 46, "sec": 1.0}, (3,))
    assert sentence(remark).startswith("No free string for A#2 ")
    assert sentence(remark, note_names(in_f)).startswith("No free string for Bb2 ")
    told = remark_json(remark, note_names(in_f))
    assert "Bb2" in told["sentence"]
    assert (
        "".join(p if isinstance(p, str) else p["text"] for p in told["parts"]) == told["sentence"]
    )
    assert told["facts"] == remark.facts


def test_what_the_command_says_is_spelled_in_the_key(
    in_f: Riff, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "hawser.riff.json"
    write_riff(in_f, path)
    assert main(["show", str(path), "--notes"]) == 0
    said = capsys.readouterr().out
    assert "Bb3" in said
    assert "A#" not in said
    assert main(["refinger", str(path), "--delete", "3"]) == 0
    assert "note 3: Bb3 is gone" in capsys.readouterr().out


def test_a_refusal_is_spelled_in_the_key(in_f: Riff) -> None:
    with pytest.raises(ParameterError, match=r"note 3 \(Bb3\)"):
        places_on_string(in_f, [3], 1)


def test_a_take_is_told_in_the_key_of_its_reference(in_f: Riff) -> None:
    kept = tuple(note for note in in_f.notes if note.id != 13)
    told = text(compare(Riff(notes=kept), in_f))
    assert "(Bb3)" in told
    assert "A#" not in told
