"""Lines on a pentatonic scale stay in one position; a pin draws its neighbours there.

How guitarists play such lines is common practice, no source: two notes of the scale on a string,
the hand in one place, no open string among notes higher on the neck.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from transcribe.core.riff import Instrument, Note, Riff
from transcribe.core.wording import sentence
from transcribe.correct.pins import pin
from transcribe.fingering import Hand, apply, explain, solve
from transcribe.fingering.candidates import Chooser
from transcribe.fingering.costs import JUDGED_WEIGHTS
from transcribe.fingering.plan import plan_onsets
from transcribe.formats.document import read_riff

GUITAR = Instrument()
TAKES = Path(__file__).resolve().parents[2] / "fixtures" / "takes"
Place = tuple[int, int]


def line(text: str, *, step_sec: float = 0.25) -> tuple[list[Note], list[Place]]:
    """Notes one after another from words like ``2/8``, and the places that the words say."""
    places = [(int(word[0]), int(word[2:])) for word in text.split()]
    notes = [
        Note(i, step_sec * i, step_sec * (i + 1), GUITAR.pitch_midi(*place))
        for i, place in enumerate(places)
    ]
    return notes, places


@pytest.mark.parametrize(
    "lick",
    [
        "1/8 1/5 2/8 2/5 1/8 1/5 2/8 2/5",
        "1/8 1/5 2/8 2/5",
        "1/5 1/8 2/5 2/8 1/5 2/8 2/5 3/7",
        "1/10 1/7 2/10 2/7 1/7 2/10 2/7 3/9",
        "3/14 2/13 2/15 1/12 1/15 1/12 2/15 2/13 3/14 3/12 4/14 3/12 3/14",
    ],
)
def test_solve_a_lick_that_lies_in_one_box_stays_in_it(lick: str) -> None:
    notes, places = line(lick)
    solved = solve(notes, GUITAR)
    assert [solved.positions[n.id] for n in notes] == places


def test_solve_a_lick_low_on_the_neck_keeps_its_open_strings() -> None:
    notes, places = line("2/3 2/1 3/2 3/0 2/1 2/3 1/0 1/3")
    solved = solve(notes, GUITAR)
    assert [solved.positions[n.id] for n in notes] == places


def _bare_take(name: str) -> tuple[Riff, list[Place]]:
    riff = read_riff(TAKES / name / "truth.riff.json")
    played = [(n.string or 0, n.fret or 0) for n in riff.notes]
    bare = [dataclasses.replace(n, string=None, fret=None, finger=None) for n in riff.notes]
    solved = solve(bare, riff.instrument, rhythm=riff.rhythm)
    return dataclasses.replace(riff, notes=apply(bare, solved), history=()), played


def test_pin_draws_the_neighbours_into_its_position() -> None:
    riff, played = _bare_take("gangplank")
    pinned = pin(riff, {riff.notes[1].id: (5, 7)})
    places = [(n.string, n.fret) for n in pinned.notes]
    assert places[:11] == played[:11]
    assert sum(a == b for a, b in zip(places, played, strict=True)) >= 0.9 * len(places)


def test_pin_draws_less_the_further_away_and_not_across_a_silence() -> None:
    notes, _ = line("1/0 1/1 1/3 2/1")
    later = [
        dataclasses.replace(n, id=n.id + 9, onset_sec=n.onset_sec + 4, offset_sec=n.offset_sec + 4)
        for n in notes
    ]
    pins = {9: (3, 9)}
    chooser = Chooser(GUITAR, Hand(), JUDGED_WEIGHTS)
    plan = plan_onsets([*notes, *later], GUITAR, chooser, drone=None, pins=pins, drawn_by=pins)
    drawn = [onset.pin for onset in plan.onsets]
    assert drawn[:4] == [None] * 4
    assert [pin and pin[0] for pin in drawn[4:]] == [9] * 4
    shares = [pin[1] for pin in drawn[4:] if pin]
    assert shares[0] == 1.0
    assert shares == sorted(set(shares), reverse=True)


def test_explain_says_that_an_open_string_would_break_into_the_line() -> None:
    notes, _ = line("1/8 1/5 2/8 2/5 1/8 1/5 2/8 2/5")
    riff = Riff(GUITAR, apply(notes, solve(notes, GUITAR)))
    pinned = pin(riff, {3: (1, 0)}, repeats=False)
    assert "an open string breaks into a line higher on the neck" in sentence(explain(pinned, 3))
