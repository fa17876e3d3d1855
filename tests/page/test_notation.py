"""The rhythm as the page writes it under the tab."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from tests.page.conftest import ROOT
from transcribe.core.riff import Drone, Note, Rhythm, Riff
from transcribe.formats.document import read_riff
from transcribe.formats.notation import written_rhythm

# Lengths in quarters of the note types of MusicXML 4.0 (note-type-value).
QUARTERS = {"whole": 4, "half": 2, "quarter": 1, "eighth": 0.5, "16th": 0.25, "32nd": 0.125}
TRUTHS = sorted((ROOT / "fixtures" / "takes").glob("*/truth.riff.json"))


def _riff(*spans: tuple[float, float], meter: tuple[int, int] = (4, 4)) -> Riff:
    notes = tuple(
        Note(k, beat / 2, (beat + length) / 2, 60, onset_beat=beat, duration_beat=length)
        for k, (beat, length) in enumerate(spans, 1)
    )
    beats = tuple(k / 2 for k in range(4 * meter[0]))
    return Riff(notes=notes, rhythm=Rhythm(120.0, meter, beats, beats[:: meter[0]]))


@pytest.mark.parametrize("path", TRUTHS, ids=lambda path: path.parent.name)
def test_every_bar_is_filled_and_every_note_is_written_once(path: Path) -> None:
    riff = read_riff(path)
    bars = written_rhythm(riff)
    for bar in bars:
        at = bar["beat"]
        for event in bar["events"]:
            assert event["beat"] == pytest.approx(at)
            at += event["beats"]
            value = QUARTERS[event["value"]] * (2 - 0.5 ** event["dots"])
            quarters = event["beats"] * 4 / riff.rhythm.meter[1]
            if not event["whole"]:
                assert value * (2 / 3 if event["triplet"] else 1) == pytest.approx(quarters)
        assert at == pytest.approx(bar["beat"] + bar["beats"])
    struck = [
        note
        for bar in bars
        for event in bar["events"]
        if not event["tied_from"]
        for note in event["notes"]
    ]
    assert sorted(struck) == sorted(note.id for note in riff.notes)


def test_ties_rests_and_dots_are_written() -> None:
    (first, second) = written_rhythm(_riff((0, 1.5), (1.5, 0.5), (3, 2.0), (6, 1.0)))
    told = [
        (e["value"], e["dots"], bool(e["notes"]), e["tied_from"], e["tied_to"])
        for bar in (first, second)
        for e in bar["events"]
    ]
    assert told == [
        ("quarter", 1, True, False, False),
        ("eighth", 0, True, False, False),
        ("quarter", 0, False, False, False),
        ("quarter", 0, True, False, True),
        ("quarter", 0, True, True, False),
        ("quarter", 0, False, False, False),
        ("quarter", 0, True, False, False),
        ("quarter", 0, False, False, False),
    ]


def test_a_drone_is_written_in_one_voice_with_its_melody() -> None:
    riff = _riff((0, 4.0), (0, 1.0), (1, 1.0), (2, 2.0))
    low = dataclasses.replace(riff.notes[0], pitch_midi=50, string=4, fret=0)
    riff = dataclasses.replace(riff, notes=(low, *riff.notes[1:]), drone=Drone(4, 0.0, 2.0))
    (bar,) = written_rhythm(riff)
    assert [(e["value"], e["notes"]) for e in bar["events"]] == [
        ("quarter", [1, 2]),
        ("quarter", [3]),
        ("half", [4]),
    ]


def test_without_a_rhythm_nothing_is_written() -> None:
    assert written_rhythm(Riff(notes=_riff((0, 1.0)).notes)) == []


def test_a_note_that_a_hand_lets_go_shortly_before_the_next_is_written_to_there() -> None:
    whole = ((0.0, 1.5), (1.5, 0.5), (2.0, 1.0), (3.0, 1.0))

    def written(*spans: tuple[float, float]) -> list[tuple[str, int, bool]]:
        [bar] = written_rhythm(_riff(*spans))
        return [(event["value"], event["dots"], bool(event["notes"])) for event in bar["events"]]

    as_one = [("quarter", 1, True), ("eighth", 0, True), ("quarter", 0, True), ("quarter", 0, True)]
    assert written(*whole) == as_one
    for share in (0.95, 0.9):
        assert written(*((beat, share * length) for beat, length in whole)) == as_one
    # Half of it is a rest, and so is what a score lets go a 32nd before.
    assert ("eighth", 0, False) in written(*((beat, 0.52 * length) for beat, length in whole))
    assert ("32nd", 0, False) in written((0.0, 0.875), *whole[1:])
