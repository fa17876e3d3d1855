"""Documents that no program of ours writes: each is refused in one line, or read and saved."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from transcribe.core.errors import FormatError
from transcribe.core.limits import MAX_NOTES, MAX_SEC
from transcribe.core.riff import Note, Riff
from transcribe.correct import note_edits
from transcribe.correct.history import undo
from transcribe.formats.document import from_json, read_riff, to_json, write_riff
from transcribe.library.revisions import read_revision, replace

_NOTES = [
    {"id": 1, "onset_sec": 0.0, "offset_sec": 0.5, "pitch_midi": 45, "string": 5, "fret": 0},
    {"id": 2, "onset_sec": 0.5, "offset_sec": 1.0, "pitch_midi": 52, "string": 4, "fret": 2},
]


def _document(**parts: Any) -> dict[str, Any]:
    return {"handspan": 1, "notes": _NOTES, **parts}


def _refusal(path: Path) -> str:
    with pytest.raises(FormatError) as one:
        read_riff(path)
    with pytest.raises(FormatError) as other:
        read_revision(path)
    for message in (str(one.value), str(other.value)):
        assert "\n" not in message
        assert len(message) < 400
    return str(one.value)


V1 = {"handspan": 1}


@pytest.mark.parametrize(
    ("parts", "words"),
    [
        ({"theory": {"mode": [1]}}, "theory.mode is [1], expected an object"),
        ({"theory": {"mode": {"tonic": 7}}}, "theory.mode.tonic is 7, expected text"),
        ({"theory": {"mode": {"confidence": "very"}}}, "expected a number"),
        ({"theory": {"mode": {"notes": "A B C"}}}, "expected a list"),
        ({"theory": {"chords": 5}}, "theory.chords is 5, expected a list"),
        ({"theory": {"chords": [None]}}, "theory.chords[0] is null"),
        ({"theory": {"chords": [{"start_sec": True}]}}, "expected a number"),
        ({"theory": {"loop": {"by_bar": [["Am"], "G"]}}}, "theory.loop.by_bar[1] is 'G'"),
        ({"theory": {"ways": [{"plain": {}}]}}, "theory.ways[0].plain is {}"),
        ({"history": [3]}, "history[0] is 3, expected an object"),
        ({**V1, "history": [{"op": ["pin"]}]}, "history[0].op is ['pin'], expected text"),
        ({**V1, "history": [{"op": "pin", "note": 1}]}, "history[0] lacks 'string'"),
        ({**V1, "history": [{"op": "pin", "group": "x"}]}, "expected a whole number"),
        ({**V1, "history": [{"op": "edit", "removed": []}]}, "history[0] lacks 'added'"),
        (
            {**V1, "history": [{"op": "edit", "removed": [], "added": []}]},
            "changes no note",
        ),
        (
            {**V1, "history": [{"op": "edit", "removed": [{}], "added": []}]},
            "a note without 'id'",
        ),
        (
            {
                "handspan": 1,
                "history": [{"op": "edit", "removed": [], "added": [], "from": {"set": {}}}],
            },
            "lacks what it was made from",
        ),
        (
            {**V1, "history": [{"op": "unpin", "note": 1, "was": [1]}]},
            "expected [string, fret]",
        ),
        ({"rhythm": {"bpm": 90, "phrases": [{"label": 5, "start_beat": 0, "end_beat": 4}]}}, "5"),
        ({"rhythm": {"bpm": 90, "phrases": [{"label": None, "start_beat": 0, "end_beat": 4}]}}, ""),
        ({"source": {"file": ["a.wav"]}}, "source.file is a list, expected text"),
        ({"source": {"file": "a.wav", "duration_sec": 1e6}}, "duration_sec is 1e+06"),
    ],
)
def test_wrong_types_are_named(tmp_path: Path, parts: dict[str, Any], words: str) -> None:
    path = tmp_path / "a.riff.json"
    path.write_text(json.dumps(_document(**parts)), encoding="utf-8")
    assert words in _refusal(path)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('"id": 1,', '"id": ' + "1" * 5000 + ",", "has 5000 digits, and 18 are the most"),
        ('"id": 1,', '"id": ' + "1" * 400 + ",", "has 400 digits"),
        ('"handspan"', '"mine": ' + "9" * 5000 + ', "handspan"', "has 5000 digits"),
        ('"handspan"', '"mine": NaN, "handspan"', "mine is NaN, expected a number"),
        ('"handspan"', '"mine": [-Infinity], "handspan"', "mine[0] is -Infinity"),
        ('"onset_sec": 0.5', '"onset_sec": NaN', "notes[1].onset_sec is NaN, expected a number"),
        ('"handspan"', '"mine": 1e999, "handspan"', "mine is 1e999"),
        ('"handspan"', '"mine": "\\ud83c", "handspan"', "half a character"),
        ('"handspan"', '"\\udf80": 1, "handspan"', "half a character"),
        ('"handspan"', f'"mine": {"[" * 90}{"]" * 90}, "handspan"', "more than 32 deep"),
        ('"handspan"', f'"mine": {"[" * 90000}{"]" * 90000}, "handspan"', "not JSON"),
        ('"onset_sec": 0.5', '"onset_sec": 100000', "notes[1].onset_sec is 100000"),
        ('"offset_sec": 1.0', '"offset_sec": 100000', "the most is 14400; cut the riff shorter"),
        ('"id": 2,', '"id": 2, "onset_beat": -1e6,', "onset_beat is -1e+06, and the most is"),
    ],
)
def test_values_out_of_all_bounds_are_named(tmp_path: Path, old: str, new: str, words: str) -> None:
    text = json.dumps(_document())
    assert old in text
    path = tmp_path / "a.riff.json"
    path.write_text(text.replace(old, new), encoding="utf-8")
    assert words in _refusal(path)


def test_whole_characters_and_long_numbers_are_kept(tmp_path: Path) -> None:
    path = tmp_path / "a.riff.json"
    text = json.dumps(_document(mine="\U0001f3b8", count=10**17, deep=[[[{"a": [1]}]]]))
    assert "\\ud83c" in text
    path.write_text(text, encoding="utf-8")
    riff = read_riff(path)
    write_riff(riff, path)
    assert read_riff(path).extra == riff.extra
    assert riff.extra["mine"] == "\U0001f3b8"


def test_values_that_never_were_a_file_are_refused_too() -> None:
    for id_ in (10**400, 10**5000, float("nan"), "1", None, True):
        with pytest.raises(FormatError, match=r"notes\[0\].id is"):
            from_json(_document(notes=[_NOTES[0] | {"id": id_}]))


def test_what_could_not_be_read_again_is_not_written(tmp_path: Path) -> None:
    path = tmp_path / "a.riff.json"
    revision = replace(path, from_json(_document()), expected=None)
    saved = path.read_bytes()
    long = Riff(notes=(Note(1, 0.0, MAX_SEC + 1, 45),))
    beats = Riff(notes=(Note(1, 0.0, 1.0, 45, onset_beat=1e9, duration_beat=1.0),))
    many = Riff(notes=tuple(Note(i, 0.0, 1.0, 45) for i in range(MAX_NOTES + 1)))
    for riff, words in ((long, "14400 s"), (beats, "100000 beats"), (many, "50000 are the most")):
        with pytest.raises(FormatError, match=words):
            write_riff(riff, path)
        with pytest.raises(FormatError, match=words):
            replace(path, riff, expected=revision)
    assert path.read_bytes() == saved


def test_file_that_is_too_large_is_not_read_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("transcribe.formats.document.MAX_BYTES", 2**20)
    path = tmp_path / "a.riff.json"
    path.write_bytes(b" " * 2**20 + json.dumps(_document()).encode())
    assert "larger than 1 MB" in _refusal(path)


def test_history_that_is_read_can_be_taken_back() -> None:
    riff = note_edits.delete(from_json(_document()), [2])
    again = from_json(json.loads(json.dumps(to_json(riff))))
    assert len(undo(again).notes) == 2
