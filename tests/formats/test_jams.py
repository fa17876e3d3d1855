"""JAMS: what is written comes back, files of other tools are read, broken ones refused."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests.formats.riffs import RIFFS, drone_riff
from transcribe.core.errors import FormatError
from transcribe.core.riff import Phrase, Riff
from transcribe.formats.jams import read_jams, write_jams


def _back(riff: Riff, tmp_path: Path) -> Riff:
    path = tmp_path / "riff.jams"
    path.write_text(write_jams(riff), encoding="utf-8")
    return read_jams(path)


@pytest.mark.parametrize("name", RIFFS)
def test_known_riffs_come_back(name: str, tmp_path: Path) -> None:
    riff = RIFFS[name]()
    back = _back(riff, tmp_path)
    assert len(back.notes) == len(riff.notes)
    for a, b in zip(riff.notes, back.notes, strict=True):
        assert b.onset_sec == pytest.approx(a.onset_sec)
        assert b.offset_sec == pytest.approx(a.offset_sec)
        assert (b.pitch_midi, b.string, b.fret, b.finger, b.articulation) == (
            a.pitch_midi,
            a.string,
            a.fret,
            a.finger,
            a.articulation,
        )
        assert (b.onset_beat, b.duration_beat) == (a.onset_beat, a.duration_beat)
    assert back.instrument == riff.instrument
    assert back.rhythm is not None
    assert riff.rhythm is not None
    assert back.rhythm.meter == riff.rhythm.meter
    assert back.rhythm.bpm == riff.rhythm.bpm
    assert back.rhythm.downbeats_sec == pytest.approx(riff.rhythm.downbeats_sec)


def test_cents_are_fractions_of_a_pitch(tmp_path: Path) -> None:
    riff = drone_riff()
    notes = (replace(riff.notes[0], cents=-12.5, confidence=0.4), *riff.notes[1:])
    back = _back(replace(riff, notes=notes), tmp_path)
    assert back.notes[0].cents == pytest.approx(-12.5)
    assert back.notes[0].confidence == 0.4
    value = json.loads(write_jams(replace(riff, notes=notes)))
    assert value["annotations"][0]["data"][0]["value"] == pytest.approx(50 - 0.125)


def test_theory_and_phrases_come_back(tmp_path: Path) -> None:
    riff = drone_riff()
    assert riff.rhythm is not None
    phrases = (Phrase("A", 0.0, 8.0), Phrase("A'", 8.0, 16.0))
    back = _back(replace(riff, rhythm=replace(riff.rhythm, phrases=phrases)), tmp_path)
    assert back.theory is not None
    assert [c["symbol"] for c in back.theory["chords"]] == ["Dm", "G", "Dm", "C"]
    assert back.theory["mode"] == {"tonic": "D", "name": "dorian"}
    assert back.rhythm is not None
    assert back.rhythm.phrases == phrases


def _file(tmp_path: Path, annotations: Any) -> Path:
    path = tmp_path / "other.jams"
    path.write_text(json.dumps({"annotations": annotations, "file_metadata": {}}))
    return path


def _note(value: float, time: float = 0.0, duration: float = 1.0) -> dict[str, Any]:
    return {"time": time, "duration": duration, "value": value, "confidence": None}


def test_one_annotation_per_string_keeps_the_strings(tmp_path: Path) -> None:
    tracks = [
        {
            "namespace": "note_midi",
            "annotation_metadata": {"data_source": str(i)},
            "data": [_note(midi + 2.1, time=i)],
        }
        for i, midi in enumerate((40, 45, 50, 55, 59, 64))
    ]
    riff = read_jams(_file(tmp_path, tracks))
    assert [(n.string, n.fret) for n in riff.notes] == [(6 - i, 2) for i in range(6)]
    assert [n.cents for n in riff.notes] == [10.0] * 6


def test_note_hz_is_read(tmp_path: Path) -> None:
    (note,) = read_jams(_file(tmp_path, [{"namespace": "note_hz", "data": [_note(440.0)]}])).notes
    assert note.pitch_midi == 69


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("{", ":1: found what is not JSON"),
        ("[]", "expected a JAMS object"),
        ("{}", "no list of annotations"),
        ('{"annotations": []}', "found no annotations, expected notes"),
        ('{"annotations": [{"namespace": "beat", "data": []}]}', "found beat, expected notes"),
        ('{"annotations": [{"namespace": "note_midi", "data": []}]}', "found no notes"),
        ('{"annotations": [{"namespace": "note_midi", "data": 4}]}', "no list of objects"),
        ("[" * 100_000, "nested too deep"),
        ('{"annotations": ' + "1" * 5000 + "}", "a number too long"),
    ],
)
def test_malformed_file(text: str, match: str, tmp_path: Path) -> None:
    path = tmp_path / "riff.jams"
    path.write_text(text)
    with pytest.raises(FormatError, match=match) as caught:
        read_jams(path)
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith(str(path))


@pytest.mark.parametrize(
    ("note", "match"),
    [
        ({"time": 0, "duration": 1}, "value None"),
        (_note(float("nan")), "value nan"),
        (_note(400), "pitch 400"),
        (_note(60, duration=0), "for 0 s"),
        ({**_note(60), "time": "now"}, "time 'now'"),
    ],
)
def test_malformed_note(note: dict[str, Any], match: str, tmp_path: Path) -> None:
    path = _file(tmp_path, [{"namespace": "note_midi", "data": [note]}])
    with pytest.raises(FormatError, match=match) as caught:
        read_jams(path)
    assert "note 1" in str(caught.value)


def test_odd_values_beside_the_notes_are_passed_over(tmp_path: Path) -> None:
    sandbox = {"meter": [0, 0], "bpm": 0, "onset_beat": [float("inf")], "finger": [9]}
    note = {**_note(60), "confidence": float("nan")}
    beats = [{**_note(value, time=i), "duration": 0} for i, value in enumerate((1, 2, 1, 1e8))]
    file = _file(
        tmp_path,
        [
            {"namespace": "note_midi", "data": [note], "sandbox": sandbox},
            {"namespace": "beat", "data": beats},
        ],
    )
    riff = read_jams(file)
    assert (riff.notes[0].confidence, riff.notes[0].onset_beat, riff.notes[0].finger) == (
        1.0,
        None,
        None,
    )
    assert riff.rhythm is not None
    assert (riff.rhythm.meter, riff.rhythm.bpm) == ((4, 4), 60.0)


def test_missing_and_binary(tmp_path: Path) -> None:
    with pytest.raises(FormatError, match="no such file"):
        read_jams(tmp_path / "none.jams")
    path = tmp_path / "a.jams"
    path.write_bytes(b"\xff\xfe\x00\x80")
    with pytest.raises(FormatError, match="cannot be read"):
        read_jams(path)
