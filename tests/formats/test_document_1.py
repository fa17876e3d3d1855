"""Documents of version 1 are read: the shipped ones, and some that hold every kind of fact.

``version_1/`` holds documents as that version wrote them. ``*-undone`` are what it made of the
document beside them when its last change was taken back.
"""

from __future__ import annotations

import dataclasses
import json
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from transcribe.core.errors import FormatError
from transcribe.core.riff import Bend, Remark, TempoChoice
from transcribe.core.wording import sentence
from transcribe.correct.history import redo, undo
from transcribe.formats.document import from_json, read_riff, to_json

FOLDER = Path(__file__).parent / "version_1"
DOCUMENTS = sorted(path.name.removesuffix(".riff.json") for path in FOLDER.iterdir())


def _value(name: str) -> dict[str, Any]:
    value: dict[str, Any] = json.loads((FOLDER / f"{name}.riff.json").read_text(encoding="utf-8"))
    return value


def _leaves(value: Any) -> Iterator[Any]:
    if isinstance(value, dict):
        for key, item in value.items():
            yield from _leaves(item) if key != "handspan" else ()
    elif isinstance(value, list):
        for item in value:
            yield from _leaves(item)
    elif value:  # null, false and 0 may be left out, where they are what is taken without them
        yield value


@pytest.mark.parametrize("name", DOCUMENTS)
def test_every_value_arrives(name: str) -> None:
    """All but the history, whose entries are another kind of steps now (see below)."""
    old = _value(name)
    assert old["handspan"] == 1
    new = to_json(from_json(old))
    assert new["handspan"] == 2
    assert len(new["history"]) == len(old.get("history", ()))
    rest = {key: value for key, value in old.items() if key != "history"}
    assert Counter(_leaves(new)) >= Counter(_leaves(rest))


@pytest.mark.parametrize("name", DOCUMENTS)
def test_every_known_key_has_a_field(name: str) -> None:
    riff = read_riff(FOLDER / f"{name}.riff.json")
    rhythm = (riff.rhythm, *riff.rhythm.phrases) if riff.rhythm else ()
    parts: tuple[Any, ...] = (
        riff.instrument,
        riff.timing,
        riff.player,
        *riff.notes,
        *riff.alternatives,
        *rhythm,
    )
    assert not any(part.extra for part in parts if part is not None)
    assert riff.extra == ({"mood": "foggy"} if name.startswith("gangplank") else {})
    assert from_json(json.loads(json.dumps(to_json(riff)))) == riff


def test_a_take_that_was_heard() -> None:
    riff = read_riff(FOLDER / "gangplank.riff.json")
    assert riff.timing.kind == "heard"
    assert riff.warnings == (Remark("text", {"text": "The recording is cut off at its end."}),)
    assert riff.player.hand_span_mm == 60
    assert (riff.player.bpm, riff.player.meter) == (100, (4, 4))
    assert (riff.player.drone, riff.player.instrument_given) == ("off", True)
    assert riff.player.first_beat_sec == 0.5
    assert riff.left_out == ("C4 at 1.20 s",)
    assert riff.files["tab"].repeats
    assert riff.files["musicxml"].repeats
    assert riff.about == "a walk over the gangplank"
    assert any(note.added for note in riff.notes)
    assert riff.rhythm is not None
    assert isinstance(riff.rhythm.bpm_choices[0], TempoChoice)
    assert riff.alternatives[0].why is not None
    assert "hardest at" in sentence(riff.alternatives[0].why)


def test_a_tab_without_a_count() -> None:
    riff = read_riff(FOLDER / "jetty-order.riff.json")
    timing = riff.timing
    assert (timing.kind, timing.lengths) == ("order", "ring")
    assert timing.bars_sec == (0.0, 1.875, 3.75)
    assert (timing.column_sec, timing.meter, timing.meter_given) == (0.117188, (3, 4), False)
    assert (timing.bpm, timing.bpm_unit) == (96, None)
    assert [note.bend for note in riff.notes if note.bend] == [Bend(semitones=2, released=True)]
    assert {note.slide for note in riff.notes} == {None, "up", "down"}
    assert any(note.soft for note in riff.notes)
    assert any(note.tapped for note in riff.notes)
    assert "come twice" in sentence(riff.warnings[0])


def test_places_of_a_file() -> None:
    value = _value("jetty")
    riff = from_json(value)
    assert {str(i): list(place) for i, place in riff.written_places.items()} == value["as_written"]


def test_phrases_say_what_they_repeat() -> None:
    value = _value("quay")
    riff = from_json(value)
    assert riff.rhythm is not None
    old = [(p.get("repeats"), len(p.get("differences", ()))) for p in value["rhythm"]["phrases"]]
    assert [(p.repeats_beat, len(p.differences)) for p in riff.rhythm.phrases] == old


@pytest.mark.parametrize("name", ["gangplank", "jetty", "quay"])
def test_its_history_is_taken_back_as_it_was(name: str) -> None:
    riff = read_riff(FOLDER / f"{name}.riff.json")
    before = read_riff(FOLDER / f"{name}-undone.riff.json")
    undone = undo(riff)
    assert dataclasses.replace(undone, history=()) == before
    again = redo(undone)
    assert dataclasses.replace(again, history=riff.history) == riff


def test_what_the_player_said_in_its_history_holds() -> None:
    riff = read_riff(FOLDER / "jetty.riff.json")
    assert riff.rhythm is not None
    assert riff.player.bpm == riff.rhythm.bpm


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"warnings": [3]}, "warnings"),
        ({"warnings": "none"}, "warnings"),
        ({"said": 7}, "player is 7"),
        ({"bars_sec": "all"}, "timing.bars_sec"),
        ({"hand_span_mm": "wide"}, "player.hand_span_mm"),
        ({"as_written": [1]}, "written_places"),
        ({"bpm_told": [1]}, "timing.bpm"),
        ({"rhythm": {"bpm": 90, "bpm_choices": [3]}}, "bpm_choices"),
        ({"history": [{"op": "edit", "from": {"set": 3, "without": []}}]}, "history"),
    ],
)
def test_what_it_could_not_hold_is_named(change: dict[str, Any], match: str) -> None:
    value = _value("quay-undone") | change
    with pytest.raises(FormatError, match=match):
        from_json(value)
