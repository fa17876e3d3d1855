"""The riff document: everything survives, nothing is half-written, what is wrong is named."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings

from tests.formats.riffs import RIFFS, drone_riff, riffs
from transcribe.core.errors import FormatError
from transcribe.core.riff import Alternative, Phrase, Riff
from transcribe.formats.document import from_json, read_riff, to_json, write_riff


def _full() -> Riff:
    riff = drone_riff()
    assert riff.rhythm is not None
    return replace(
        riff,
        rhythm=replace(riff.rhythm, phrases=(Phrase("A", 0, 8), Phrase("A'", 8, 16))),
        alternatives=(Alternative("lowest on the neck", {1: (3, 2), 2: (4, 0)}, 3.5),),
        history=({"op": "pin", "note": 2, "string": 3, "fret": 2},),
    )


@pytest.mark.parametrize("name", RIFFS)
def test_known_riffs_come_back(name: str, tmp_path: Path) -> None:
    write_riff(RIFFS[name](), tmp_path / "a.riff.json")
    assert read_riff(tmp_path / "a.riff.json") == RIFFS[name]()


def test_every_section_comes_back(tmp_path: Path) -> None:
    write_riff(_full(), tmp_path / "a.riff.json")
    assert read_riff(tmp_path / "a.riff.json") == _full()


@settings(max_examples=50, deadline=None)
@given(riff=riffs())
def test_any_riff_comes_back(riff: Riff) -> None:
    assert from_json(json.loads(json.dumps(to_json(riff)))) == riff


def test_unknown_keys_survive() -> None:
    value = to_json(_full())
    value["mood"] = "foggy"
    value["source"]["take"] = 3
    value["instrument"]["strings"] = "bronze"
    value["rhythm"]["sway"] = 0.6
    value["timing"]["clock"] = "tide"
    value["rhythm"]["phrases"][0]["colour"] = "red"
    value["notes"][0]["nail"] = True
    value["drone"]["level_db"] = -12
    value["alternatives"][0]["for"] = "short hands"
    value["theory"]["odd"] = [1, 2]
    assert to_json(from_json(value)) == value


@pytest.mark.parametrize(
    ("change", "match"),
    [
        (lambda v: v.pop("handspan"), "handspan: None"),
        (lambda v: v.update(handspan=3), "handspan: 3, expected 2"),
        (lambda v: v.pop("notes"), "lacks 'notes'"),
        (lambda v: v.update(notes={}), "notes is an object, expected a list"),
        (lambda v: v["notes"][0].pop("pitch_midi"), r"notes\[0\] lacks 'pitch_midi'"),
        (lambda v: v["notes"][0].update(pitch_midi=60.5), "expected a whole number"),
        (lambda v: v["notes"][0].update(pitch_midi=200), "expected 0 to 127"),
        (lambda v: v["notes"][0].update(onset_sec="soon"), "expected a number"),
        (lambda v: v["notes"][0].update(onset_sec=float("nan")), "expected a number"),
        (lambda v: v["notes"][0].update(offset_sec=-1), "not after its onset"),
        (lambda v: v["notes"][0].update(fret=9), "sounds"),
        (lambda v: v["notes"][0].update(string=None), "without the other"),
        (lambda v: v["notes"][0].update(string=9), "expected 1 to 6"),
        (lambda v: v["notes"][0].update(articulation="sung"), "expected one of picked"),
        (lambda v: v["notes"][0].update(pinned=1), "true or false"),
        (lambda v: v["notes"][1].update(id=v["notes"][0]["id"]), "share an id"),
        (lambda v: v["instrument"].update(open_midi=[]), "1 to 12 MIDI numbers"),
        (lambda v: v["instrument"].update(capo=30), "expected 0 to 21"),
        (lambda v: v["rhythm"].update(meter=[4]), "two whole numbers"),
        (lambda v: v["rhythm"].update(bpm=0), "expected 1 to 1000"),
        (lambda v: v["rhythm"].update(beats_sec=[1, 1]), "must rise"),
        (lambda v: v["drone"].update(string=7), "expected 1 to 6"),
        (lambda v: v.update(theory=[]), "expected an object"),
        (lambda v: v.update(history=[1]), "list objects"),
        (lambda v: v["alternatives"][0].update(positions={"1": [3]}), r"expected \[string, fret\]"),
        (
            lambda v: v["alternatives"][0].update(positions={"²": [3, 2]}),
            r"expected \[string, fret\]",
        ),
    ],
)
def test_malformed(change: Callable[[dict[str, Any]], Any], match: str, tmp_path: Path) -> None:
    value = to_json(_full())
    change(value)
    path = tmp_path / "a.riff.json"
    path.write_text(json.dumps(value))
    with pytest.raises(FormatError, match=match) as caught:
        read_riff(path)
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith(str(path))


@pytest.mark.parametrize(
    ("data", "match"),
    [
        (b"", "not JSON"),
        (b"{\n\n", ":3: not JSON"),
        (b"\xff\xfe\x80", "cannot be read"),
        (b"[" * 100_000, "not JSON"),
        (b"3", "expected an object"),
    ],
)
def test_not_a_document(data: bytes, match: str, tmp_path: Path) -> None:
    path = tmp_path / "a.riff.json"
    path.write_bytes(data)
    with pytest.raises(FormatError, match=match):
        read_riff(path)


def test_missing(tmp_path: Path) -> None:
    with pytest.raises(FormatError, match="no such file"):
        read_riff(tmp_path / "none.riff.json")


def test_a_riff_that_json_cannot_hold_leaves_no_file(tmp_path: Path) -> None:
    riff = replace(drone_riff(), extra={"odd": float("nan")})
    with pytest.raises(ValueError, match="JSON"):
        write_riff(riff, tmp_path / "a.riff.json")
    assert os.listdir(tmp_path) == []
