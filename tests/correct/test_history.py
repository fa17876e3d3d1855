"""Steps of the history: taken back to the very same document, and made again to the same end."""

from __future__ import annotations

import dataclasses
import json

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from tests.formats.riffs import make_riff
from transcribe import api
from transcribe.core.errors import FormatError, ParameterError
from transcribe.core.riff import Change, Riff, Step
from transcribe.core.wording import sentence
from transcribe.correct import note_edits, retime, retune
from transcribe.correct.history import record, redo, remark_of, steps, undo
from transcribe.correct.pins import pin, set_hand, unpin
from transcribe.fingering import Hand, pins_of
from transcribe.formats.document import from_json, to_json


@pytest.fixture(scope="module")
def riff() -> Riff:
    """Two bars over the open D string, with phrases, a drone, other fingerings and a theory."""
    items = []
    for beat in range(8):
        items += [(beat, 1, 4, 0), (beat, 0.5, 3, (2, 4, 5, 7)[beat % 4])]
    whole = api.finger(make_riff(items, title="fairway.wav"))
    notes = tuple(dataclasses.replace(n, confidence=0.5 + n.id % 3 / 4) for n in whole.notes)
    return dataclasses.replace(whole, notes=notes)


def through_json(riff: Riff) -> Riff:
    """``riff`` as the next command or the page reads it."""
    return from_json(json.loads(json.dumps(to_json(riff))))


def document(riff: Riff) -> dict:
    """Everything that the document says but its history."""
    return to_json(dataclasses.replace(riff, history=()))


KINDS = (
    *("pin", "unpin", "delete", "add", "pitch", "technique", "merge", "split", "confirm"),
    *("half time", "double time", "bpm", "meter", "drone", "capo", "hand"),
)
DRAWS = st.lists(
    st.tuples(st.sampled_from(KINDS), st.integers(0, 99), st.integers(0, 99)),
    min_size=3,
    max_size=6,
)


def correct(riff: Riff, kind: str, one: int, other: int) -> Riff:
    """``riff`` with one correction, which the two numbers choose."""
    note = riff.notes[one % len(riff.notes)]
    if kind == "pin":
        places = riff.instrument.places(note.pitch_midi)
        return pin(riff, {note.id: places[other % len(places)]}, repeats=other % 2 == 0)
    if kind == "unpin":
        return unpin(riff, list(pins_of(riff))[: 1 + other % 3])
    if kind == "delete":
        return note_edits.delete(riff, [note.id])
    if kind == "add":
        return note_edits.add(
            riff, onset_sec=0.05 * other, offset_sec=0.05 * other + 0.3, pitch_midi=50 + one % 20
        )
    if kind == "pitch":
        return note_edits.change(riff, note.id, pitch_midi=50 + other % 20)
    if kind == "technique":
        return note_edits.change(riff, note.id, articulation=("slide", "dead")[other % 2])
    if kind == "merge":
        return note_edits.merge(riff, [note.id, riff.notes[other % len(riff.notes)].id])
    if kind == "split":
        return note_edits.split(riff, note.id)
    if kind == "confirm":
        return note_edits.confirm(riff, [note.id])
    if kind == "half time":
        return retime.half_time(riff)
    if kind == "double time":
        return retime.double_time(riff)
    if kind == "bpm":
        return retime.retime(riff, bpm=60.0 + other)
    if kind == "meter":
        return retime.retime(riff, meter=((3, 4), (6, 8))[other % 2])
    if kind == "drone":
        return retune.set_drone(riff, ("auto", "off", 4)[other % 3])
    if kind == "capo":
        instrument = dataclasses.replace(riff.instrument, capo=other % 3)
        return retune.set_instrument(riff, instrument)
    return set_hand(riff, Hand(80.0 + other % 40))


@settings(
    max_examples=6,
    phases=[Phase.generate],
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(DRAWS)
def test_any_run_of_corrections_is_taken_back_and_made_again(
    riff: Riff, draws: list[tuple[str, int, int]]
) -> None:
    states = [riff]
    for draw in draws:
        try:
            new = through_json(correct(states[-1], *draw))
        except ParameterError:  # some draws are impossible, such as two pins on one string
            continue
        if len(new.history) > len(states[-1].history):  # a note may be pinned there already
            states.append(new)
    now = states[-1]
    for was in reversed(states[:-1]):
        now = through_json(undo(now))
        assert document(now) == document(was)
    assert steps(now)[0] == []
    with pytest.raises(ParameterError, match="nothing to undo"):
        undo(now)
    for was in states[1:]:
        now = through_json(redo(now))
        assert document(now) == document(was)
    with pytest.raises(ParameterError, match="nothing to make again"):
        redo(now)


@settings(
    max_examples=8,
    phases=[Phase.generate],
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(
    st.lists(st.integers(0, 99), min_size=1, max_size=3),
    st.sampled_from(("half time", "double time", "bpm", "meter", "drone", "hand", "add")),
    st.integers(0, 99),
    st.integers(0, 99),
)
def test_pins_survive_or_are_named(
    riff: Riff, pinned: list[int], kind: str, one: int, other: int
) -> None:
    try:
        for draw in pinned:
            riff = correct(riff, "pin", draw, 2 * draw + 1)
        new = correct(riff, kind, one, other)
    except ParameterError:
        return
    lost = set(pins_of(riff).items()) - set(pins_of(new).items())
    assert {note_id for note_id, _ in lost} <= {i for remark in new.unmet for i in remark.notes}
    assert pins_of(undo(new)) == pins_of(riff) or new is riff


def test_the_history_only_grows(riff: Riff) -> None:
    note = riff.notes[1]
    once = pin(riff, {note.id: (note.string or 1, note.fret or 0)}, repeats=False)
    back = undo(once)
    again = redo(back)
    assert back.history[:1] == once.history
    assert again.history[:2] == back.history
    assert [step.kind for step in again.history] == ["pin", "undo", "redo"]


def test_a_new_correction_drops_what_was_undone(riff: Riff) -> None:
    now = undo(note_edits.delete(riff, [2]))
    assert [sentence(remark_of(step)) for step in steps(now)[1]] == ["delete of note 2"]
    now = note_edits.delete(now, [3])
    assert [sentence(remark_of(step)) for step in steps(now)[0]] == ["delete of note 3"]
    assert steps(now)[1] == []


def test_a_step_holds_no_more_than_what_changed(riff: Riff) -> None:
    step = retune.set_drone(riff, "off").history[-1]
    assert "source" not in step.undo.inside
    note = riff.notes[1]
    (step,) = note_edits.change(riff, note.id, articulation="vibrato").history
    assert step.undo.inside["notes"].inside[str(note.id)] == Change({"articulation": "picked"})


def test_a_file_that_was_renamed_keeps_its_name(riff: Riff) -> None:
    fast = retime.retime(riff, bpm=150.0)
    assert fast.source is not None
    renamed = dataclasses.replace(fast, source=dataclasses.replace(fast.source, file="quay.wav"))
    back = undo(renamed)
    assert back.source is not None
    assert riff.source is not None
    assert back.source.file == "quay.wav"
    assert back.source.duration_sec == riff.source.duration_sec


def test_entries_of_another_version_are_passed_over_and_kept(riff: Riff) -> None:
    odd = Step("remark", extra={"text": "keep me"})
    now = undo(pin(dataclasses.replace(riff, history=(odd,)), {riff.notes[1].id: (3, 2)}))
    assert now.history[0] == odd
    assert through_json(now).history == now.history


def test_a_correction_that_changes_nothing_is_no_step(riff: Riff) -> None:
    assert record(riff, riff, "pin") is riff
    note = riff.notes[1]
    once = pin(riff, {note.id: (note.string or 1, note.fret or 0)}, repeats=False)
    assert pin(once, {note.id: (note.string or 1, note.fret or 0)}, repeats=False) is once


@pytest.mark.parametrize(
    "step",
    [
        {"kind": "pin", "undo": {"inside": {"notes": {"inside": {"1": {"put": {"string": 99}}}}}}},
        {"kind": "pin", "undo": {"remove": ["notes"]}},
        {"kind": "pin", "undo": {"put": {"notes": 3}}},
        {"kind": "pin", "undo": {"put": {"notes": {"1": 3}}}},
    ],
)
def test_a_damaged_step_is_refused_when_it_is_taken_back(riff: Riff, step: dict) -> None:
    damaged = from_json({**to_json(riff), "history": [step]})
    with pytest.raises(FormatError):
        undo(damaged)


@pytest.mark.parametrize(
    ("step", "words"),
    [
        ({}, "lacks 'kind'"),
        ({"kind": "pin", "undo": 3}, "undo is 3"),
        ({"kind": "pin", "undo": {"put": []}}, r"undo\.put is a list"),
        ({"kind": "pin", "redo": {"inside": {"notes": {"remove": 3}}}}, r"redo\.inside\.notes"),
        ({"kind": "pin", "notes": ["one"]}, "notes"),
    ],
)
def test_a_step_of_another_shape_is_refused(riff: Riff, step: dict, words: str) -> None:
    with pytest.raises(FormatError, match=words):
        from_json({**to_json(riff), "history": [step]})
