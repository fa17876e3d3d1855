"""The riff document: everything survives, nothing is half-written, what is wrong is named."""

from __future__ import annotations

import itertools
import json
import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.formats.riffs import RIFFS, drone_riff, riffs
from transcribe.core.errors import FormatError
from transcribe.core.limits import MIN_BEAT_SEC
from transcribe.core.riff import (
    REQUESTS,
    Alternative,
    Bend,
    Change,
    FileForm,
    MeterChoice,
    Phrase,
    PhraseDifference,
    PlayerSettings,
    Remark,
    Request,
    Rhythm,
    Riff,
    Step,
    Swing,
    TempoChoice,
    Timing,
)
from transcribe.formats.document import from_json, read_riff, to_json, write_riff


def _full() -> Riff:
    riff = drone_riff()
    assert riff.rhythm is not None
    return replace(
        riff,
        rhythm=replace(riff.rhythm, phrases=(Phrase("A", 0, 8), Phrase("A'", 8, 16))),
        alternatives=(Alternative("lowest on the neck", {1: (3, 2), 2: (4, 0)}, 3.5),),
        history=(
            Step(
                "pin",
                (2,),
                Change(),
                Change(inside={"notes": Change(inside={"2": Change({"fret": 2})})}),
            ),
        ),
    )


@pytest.mark.parametrize("name", RIFFS)
def test_known_riffs_come_back(name: str, tmp_path: Path) -> None:
    write_riff(RIFFS[name](), tmp_path / "a.riff.json")
    assert read_riff(tmp_path / "a.riff.json") == RIFFS[name]()


def test_every_section_comes_back(tmp_path: Path) -> None:
    write_riff(_full(), tmp_path / "a.riff.json")
    assert read_riff(tmp_path / "a.riff.json") == _full()


_SECONDS = st.floats(0, 1000)
_SHARES = st.floats(0, 1)
_METERS = st.tuples(st.integers(1, 12), st.sampled_from((2, 4, 8, 16)))
_TEXTS = st.text(max_size=8)
_UNKNOWN = st.dictionaries(
    st.sampled_from(("mood", "from a later version")),
    st.recursive(st.integers() | _TEXTS | st.none(), st.lists, max_leaves=4),
)
_REMARKS = st.builds(
    Remark,
    st.just("text"),
    st.fixed_dictionaries({"text": _TEXTS}),
    st.lists(st.integers(0, 99), max_size=3).map(tuple),
    _UNKNOWN,
)


def _some(items: st.SearchStrategy[Any]) -> st.SearchStrategy[tuple[Any, ...]]:
    return st.lists(items, max_size=3).map(tuple)


def _rising() -> st.SearchStrategy[tuple[float, ...]]:
    steps = st.lists(st.floats(2 * MIN_BEAT_SEC, 60), max_size=5)
    return st.builds(lambda a, b: tuple(itertools.accumulate(b, initial=a))[1:], _SECONDS, steps)


_BENDS = st.builds(
    Bend, st.none() | st.floats(-600, 600), st.none() | st.floats(0, 6), st.booleans(), _UNKNOWN
)
_PHRASES = st.builds(
    Phrase,
    _TEXTS,
    st.just(0.0),
    st.floats(1, 64),
    st.none() | st.floats(0, 64),
    _some(
        st.builds(
            PhraseDifference,
            st.floats(0, 64),
            st.sampled_from(("changed", "added", "left out")),
            st.none() | st.integers(0, 99),
            st.none() | st.integers(0, 99),
            _UNKNOWN,
        )
    ),
    _UNKNOWN,
)
_RHYTHMS = st.builds(
    Rhythm,
    st.floats(20, 400),
    _METERS,
    _rising(),
    _rising(),
    _some(_PHRASES),
    st.none() | _SHARES,
    _some(st.builds(TempoChoice, st.floats(20, 400), _METERS, _SHARES, _UNKNOWN)),
    _some(st.builds(MeterChoice, _METERS, _SHARES, _UNKNOWN)),
    st.none() | st.builds(Swing, st.floats(1, 4), _SHARES, _UNKNOWN),
    _rising(),
    st.floats(0, 8),
    _UNKNOWN,
)
_TIMINGS = st.builds(
    Timing,
    st.sampled_from(("heard", "written", "order")),
    st.sampled_from(("known", "ring")),
    st.none() | st.floats(0.01, 1),
    _rising(),
    st.none() | _METERS,
    st.booleans(),
    st.none() | st.floats(20, 400),
    st.none() | st.floats(0.125, 1),
    _UNKNOWN,
)
_PLACES = st.dictionaries(
    st.integers(0, 99), st.tuples(st.integers(1, 6), st.integers(0, 22)), max_size=3
)
_REQUESTS = st.builds(
    Request,
    st.sampled_from(REQUESTS),
    st.none() | st.integers(0, 22),
    st.none() | st.lists(st.integers(0, 99), max_size=3).map(tuple),
    _TEXTS,
    _PLACES,
    _UNKNOWN,
)
_PLAYERS = st.builds(
    PlayerSettings,
    st.none() | st.floats(60, 300),
    st.none() | st.floats(20, 400),
    st.none() | _METERS,
    st.none() | _SECONDS,
    st.none() | st.sampled_from(("auto", "off", 1, 6)),
    st.booleans(),
    st.booleans(),
    _some(_REQUESTS),
    _UNKNOWN,
)
_ALTERNATIVES = st.builds(
    Alternative,
    _TEXTS,
    _PLACES,
    st.floats(0, 99),
    st.none() | st.integers(0, 99),
    st.none() | _SECONDS,
    st.none() | _REMARKS,
    _UNKNOWN,
)


_FORMS = st.builds(
    FileForm,
    width=st.integers(24, 200),
    repeats=st.booleans(),
    fingers=st.booleans(),
    sha256=st.none() | st.just("0a" * 32),
    before_sha256=st.none() | st.just("1b" * 32),
    extra=_UNKNOWN,
)


@st.composite
def _documents(draw: st.DrawFn) -> Riff:
    """A riff with anything at all in the fields that the program knows, and in ``extra``."""
    riff = draw(riffs())
    notes = tuple(
        replace(
            note,
            bend=draw(st.none() | _BENDS),
            slide=draw(st.sampled_from((None, "up", "down"))),
            soft=draw(st.booleans()),
            tapped=draw(st.booleans()),
            added=draw(st.booleans()),
            extra=draw(_UNKNOWN),
        )
        for note in riff.notes[:3]
    )
    return replace(
        riff,
        notes=notes,
        instrument=replace(riff.instrument, extra=draw(_UNKNOWN)),
        rhythm=draw(st.none() | _RHYTHMS),
        alternatives=draw(_some(_ALTERNATIVES)),
        timing=draw(_TIMINGS),
        player=draw(_PLAYERS),
        warnings=draw(_some(_REMARKS)),
        unmet=draw(_some(_REMARKS)),
        cautions=draw(_some(_REMARKS)),
        written_places=draw(_PLACES),
        left_out=draw(_some(_TEXTS)),
        files=draw(st.dictionaries(st.sampled_from(("tab", "midi")), _FORMS)),
        about=draw(_TEXTS),
        extra=draw(_UNKNOWN),
    )


@settings(max_examples=100, deadline=None)
@given(riff=_documents())
def test_any_document_comes_back(riff: Riff) -> None:
    assert from_json(json.loads(json.dumps(to_json(riff)))) == riff


def test_keys_of_other_versions_make_a_difference() -> None:
    note = drone_riff().notes[0]
    assert replace(note, extra={"nail": True}) != note
    assert hash(replace(note, extra={"nail": True})) == hash(note)


def test_a_remark_that_lacks_its_facts_is_refused() -> None:
    value = to_json(_full()) | {"warnings": [{"kind": "tab-no-meter", "facts": {"bars": 3}}]}
    with pytest.raises(FormatError, match=r"warnings\[0\].facts lack"):
        from_json(value)


def test_a_remark_of_a_later_version_survives() -> None:
    value = to_json(_full()) | {"warnings": [{"kind": "tide", "facts": {"m": 3}, "notes": [1]}]}
    assert to_json(from_json(value)) == value


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
        (lambda v: v["rhythm"].update(downbeats_sec=[0, 1e-300]), "must rise by 0.02 s"),
        (lambda v: v["drone"].update(string=7), "expected 1 to 6"),
        (lambda v: v.update(theory=[]), "expected an object"),
        (lambda v: v.update(history=[1]), r"history\[0\] is 1, expected an object"),
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
