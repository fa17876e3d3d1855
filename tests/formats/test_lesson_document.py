"""The lesson document: everything survives, nothing is half-written, what is wrong is named."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from transcribe.core.errors import FormatError
from transcribe.core.lesson import Lesson, LessonPart, Playing
from transcribe.core.riff import Instrument, Source
from transcribe.formats.lesson_document import from_json, read_lesson, to_json, write_lesson


def _lesson() -> Lesson:
    best, slow = Playing(14.2, 29.9, 40, 1, 0.012, 96.0), Playing(3.5, 12.0, 38, 4, 0.03, 70.0, 0.9)
    return Lesson(
        title="The ferry slip",
        parts=(
            LessonPart("A", "ferry-1.riff.json", "intro", "Let the low string ring.", (1, 4), 72.0),
            LessonPart("B", "parts/ferry-2.riff.json", take=best, playings=(slow, best)),
        ),
        form=("A", "B", "B", "A"),
        instrument=Instrument(capo=2),
        session=Source("ferry.ogg", 240.5, "0a" * 32),
    )


def test_a_lesson_comes_back(tmp_path: Path) -> None:
    path = tmp_path / "ferry.lesson.json"
    write_lesson(_lesson(), path)
    assert read_lesson(path) == _lesson()
    assert json.loads(path.read_text("utf-8"))["handspan_lesson"] == 1
    assert os.listdir(tmp_path) == [path.name]


_TEXTS = st.text(max_size=8)
_UNKNOWN = st.dictionaries(st.sampled_from(("mood", "later")), st.integers() | _TEXTS, max_size=2)
_PLAYINGS = st.builds(
    lambda start, length, notes, unsure, **rest: Playing(
        start, start + length, notes, min(unsure, notes), **rest
    ),
    st.floats(0, 1000),
    st.floats(0.1, 60),
    st.integers(0, 99),
    st.integers(0, 99),
    uneven_sec=st.none() | st.floats(0, 1),
    bpm=st.none() | st.floats(20, 400),
    alike=st.floats(0, 1),
    extra=_UNKNOWN,
)


@st.composite
def _lessons(draw: st.DrawFn) -> Lesson:
    labels = draw(st.lists(st.sampled_from("ABCDEF"), unique=True, max_size=4))
    parts = tuple(
        LessonPart(
            label,
            f"{label}.riff.json",
            draw(_TEXTS),
            draw(_TEXTS),
            draw(st.none() | st.tuples(st.integers(0, 4), st.integers(4, 9))),
            draw(st.none() | st.floats(20, 400)),
            draw(st.none() | _PLAYINGS),
            tuple(draw(st.lists(_PLAYINGS, max_size=3))),
            draw(_UNKNOWN),
        )
        for label in labels
    )
    form = draw(st.lists(st.sampled_from(labels), max_size=8)) if labels else []
    return Lesson(draw(_TEXTS), parts, tuple(form), extra=draw(_UNKNOWN))


@settings(max_examples=100, deadline=None)
@given(lesson=_lessons())
def test_any_lesson_comes_back(lesson: Lesson) -> None:
    assert from_json(json.loads(json.dumps(to_json(lesson)))) == lesson


def test_unknown_keys_survive() -> None:
    value = to_json(_lesson())
    value["mood"] = "foggy"
    value["parts"][0]["colour"] = "red"
    value["parts"][1]["take"]["light"] = [1, 2]
    assert to_json(from_json(value)) == value


def test_a_part_is_found_by_its_label() -> None:
    assert _lesson().part("B").shown_name == "B"
    assert _lesson().part("A").shown_name == "intro"
    with pytest.raises(KeyError):
        _lesson().part("C")


@pytest.mark.parametrize(
    ("change", "match"),
    [
        (lambda v: v.pop("handspan_lesson"), "handspan_lesson: None, expected 1"),
        (lambda v: v.update(handspan_lesson=2), "handspan_lesson: 2, expected 1"),
        (lambda v: v.update(title=3), "title is 3, expected text"),
        (lambda v: v.update(parts={}), "parts is an object, expected a list"),
        (lambda v: v.update(parts=v["parts"] * 300), "lists 600, and 500 are the most"),
        (lambda v: v["parts"][0].pop("riff"), r"parts\[0\] lacks 'riff'"),
        (lambda v: v["parts"][0].update(label=""), r"parts\[0\].label is ''"),
        (lambda v: v["parts"][0].update(label="A, B"), r"parts\[0\].label is 'A, B'"),
        (lambda v: v["parts"][1].update(label="A"), "two parts of the lesson have the label 'A'"),
        (lambda v: v.update(form=["A", "C"]), r"form\[1\] is 'C', which is no part's label"),
        (lambda v: v["parts"][0].update(riff="/etc/passwd"), "a file in the lesson's folder"),
        (lambda v: v["parts"][0].update(riff="../a.riff.json"), "a file in the lesson's folder"),
        (lambda v: v["parts"][0].update(riff="c:a.riff.json"), "a file in the lesson's folder"),
        (lambda v: v["parts"][0].update(riff=""), "a file in the lesson's folder"),
        (lambda v: v["parts"][0].update(bars=[4, 2]), "expected a first and a last bar"),
        (lambda v: v["parts"][0].update(bars=[1]), "expected a first and a last bar"),
        (lambda v: v["parts"][0].update(start_bpm=0), "expected 1 to 1000"),
        (lambda v: v["parts"][0].update(start_bpm=float("inf")), "expected a number"),
        (lambda v: v["parts"][1]["take"].update(end_sec=1), "take ends at 1 s, not after"),
        (lambda v: v["parts"][1]["playings"][0].update(unsure=99), "more than its notes"),
        (lambda v: v["instrument"].update(capo=30), "beyond the last fret"),
        (lambda v: v["instrument"].update(open_midi=[]), "1 to 12 MIDI numbers"),
    ],
)
def test_malformed(change: Callable[[dict[str, Any]], Any], match: str, tmp_path: Path) -> None:
    value = to_json(_lesson())
    change(value)
    path = tmp_path / "a.lesson.json"
    path.write_text(json.dumps(value))
    with pytest.raises(FormatError, match=match) as caught:
        read_lesson(path)
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith(str(path))


@pytest.mark.parametrize(
    ("data", "match"),
    [
        (b"", "not JSON; is this a lesson document"),
        (b"{\n\n", ":3: not JSON"),
        (b"\xff\xfe\x80", "cannot be read"),
        (b"[" * 100_000, "not JSON"),
        (b"3", "the lesson document is 3, expected an object"),
        (b'{"handspan": 2, "notes": []}', "is this a lesson document"),
    ],
)
def test_not_a_document(data: bytes, match: str, tmp_path: Path) -> None:
    path = tmp_path / "a.lesson.json"
    path.write_bytes(data)
    with pytest.raises(FormatError, match=match):
        read_lesson(path)


def test_what_could_not_be_read_again_is_not_written(tmp_path: Path) -> None:
    path = tmp_path / "a.lesson.json"
    write_lesson(_lesson(), path)
    before = path.read_bytes()
    with pytest.raises(FormatError, match="form"):
        write_lesson(replace(_lesson(), form=("Z",)), path)
    assert path.read_bytes() == before
    assert os.listdir(tmp_path) == [path.name]


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(FormatError, match="cannot be written"):
        write_lesson(_lesson(), tmp_path / "none" / "a.lesson.json")
    with pytest.raises(FormatError, match="no such file"):
        read_lesson(tmp_path / "none.lesson.json")
