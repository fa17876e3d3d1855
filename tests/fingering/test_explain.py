"""What the solver says: why here, what else, and which tuning."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest

from tests.fingering.riffs import drone_riff
from transcribe.errors import ParameterError
from transcribe.fingering import (
    Hand,
    alternatives,
    apply,
    explain,
    instrument_guess,
    pin,
    places,
    solve,
)
from transcribe.fingering.costs import FITTED, HAND_SET, weights_table
from transcribe.instrument import make_instrument
from transcribe.riff import Instrument, Note, Riff


@pytest.fixture
def over_drone(rng: np.random.Generator) -> Riff:
    made = drone_riff(rng, mode="dorian", drone_string=5, pattern="every beat")
    solved = solve(made.notes, made.instrument)
    return Riff(made.instrument, apply(made.notes, solved), drone=solved.drone)


def test_places_list_every_place_and_the_chosen_is_cheapest(over_drone: Riff) -> None:
    for note in over_drone.notes[:12]:
        found = places(over_drone, note.id)
        assert {(s, f) for s, f, _ in found} == set(over_drone.instrument.places(note.pitch_midi))
        assert [c for _, _, c in found] == sorted(c for _, _, c in found)
        assert found[0][:2] == (note.string, note.fret)


def test_explain_names_note_place_rival_and_cost(over_drone: Riff) -> None:
    note = next(n for n in over_drone.notes if n.string == 4 and (n.fret or 0) > 0)
    said = explain(over_drone, note.id)
    assert said.startswith(f"Note {note.id} (")
    assert f"string 4 fret {note.fret} beside the drone on string 5" in said
    assert re.search(r"would cost \d+\.\d more: .*\(\+\d+\.\d\)", said)
    assert said.count(".") - len(re.findall(r"\d\.\d", said)) == 1


def test_explain_pin_and_notes_without_a_rival(over_drone: Riff) -> None:
    note = next(n for n in over_drone.notes if n.string == 4 and (n.fret or 0) >= 5)
    pinned = pin(over_drone, {note.id: (3, note.pitch_midi - 55)})
    said = explain(pinned, note.id)
    assert "where it is pinned" in said
    assert "less" in said
    lone = Note(1, 0.0, 0.5, 40)
    riff = Riff(notes=apply([lone], solve([lone], Instrument())))
    assert explain(riff, 1).endswith("no other string reaches this pitch.")
    low = Riff(notes=(Note(1, 0.0, 0.5, 30),))
    assert "below the lowest string" in explain(low, 1)
    with pytest.raises(ParameterError, match="no note 9"):
        explain(low, 9)


def test_alternatives_differ_and_keep_pins_and_pitches(rng: np.random.Generator) -> None:
    notes = [
        Note(i + 1, 0.3 * i, 0.3 * i + 0.28, p)
        for i, p in enumerate((57, 60, 64, 67, 69, 67, 64, 60, 62, 65, 69, 72, 69, 65, 62, 60))
    ]
    held = {5: (2, 10)}
    found = alternatives(notes, Instrument(), pins=held)
    main = dict(solve(notes, Instrument(), pins=held).positions)
    assert 2 <= len(found) <= 5
    seen = [main, *(dict(a.positions) for a in found)]
    assert all(a != b for i, a in enumerate(seen) for b in seen[:i])
    for other in found:
        assert other.positions[5] == (2, 10)
        assert all(Instrument().pitch_midi(*other.positions[n.id]) == n.pitch_midi for n in notes)
        assert other.extra["hardest_note"] in other.positions
        assert "hardest at" in other.extra["why"]
    assert len({a.name for a in found}) == len(found)


def test_alternatives_are_of_the_kind_they_say() -> None:
    notes = [
        Note(i + 1, 0.3 * i, 0.3 * i + 0.28, p)
        for i, p in enumerate((64, 67, 69, 71, 72, 74, 76, 74, 72, 71, 69, 67))
    ]
    found = {a.name: a for a in alternatives(notes, Instrument())}
    main = solve(notes, Instrument()).positions

    def strings(positions: object) -> int:
        return len({s for s, _ in dict(positions).values()})  # type: ignore[call-overload]

    def height(positions: object) -> int:
        return sum(f for _, f in dict(positions).values())  # type: ignore[call-overload]

    assert strings(found["along one string"].positions) < strings(main) or strings(main) == 1
    if "lowest on the neck" in found:
        assert height(found["lowest on the neck"].positions) < height(main)


def test_alternatives_of_nothing() -> None:
    assert alternatives([], Instrument()) == ()


def test_a_bigger_hand_may_reach_further() -> None:
    wide = [Note(1, 0.0, 2.0, 41), Note(2, 0.0, 2.0, 57), Note(3, 0.0, 2.0, 60), Note(4, 0, 2, 67)]
    small, big = (solve(wide, Instrument(), hand=Hand(s)) for s in (80, 130))
    assert big.cost <= small.cost


@pytest.mark.parametrize(
    ("pitches", "name"),
    [
        ([38, 45, 50, 38, 53, 52, 50, 38], "drop-d"),
        ([36, 43, 48, 36, 51, 50, 48, 36], "drop-c"),
        ([39, 44, 49, 54, 58, 63, 39, 44, 49, 54, 58, 63, 39], "half-step-down"),
    ],
)
def test_instrument_guess_below_the_lowest_string(pitches: list[int], name: str) -> None:
    notes = [Note(i + 1, 0.4 * i, 0.4 * i + 0.35, p) for i, p in enumerate(pitches)]
    guess = instrument_guess(notes, 0.0, Instrument())
    assert guess is not None
    assert guess.name == name
    assert "guessed" in guess.reason
    assert min(pitches) >= min(guess.instrument.open_midi)


def test_instrument_guess_is_shy() -> None:
    sure = [Note(i + 1, 0.4 * i, 0.4 * i + 0.35, p) for i, p in enumerate((40, 45, 52, 57, 60))]
    assert instrument_guess(sure, 0.0, Instrument()) is None
    ghost = dataclasses.replace(sure[0], id=9, pitch_midi=33, confidence=0.2)
    assert instrument_guess([*sure, ghost], 0.0, Instrument()) is None
    bass = make_instrument("dadgad")
    assert instrument_guess([Note(1, 0, 1, 30)], 0.0, bass) is None


def test_weights_table_is_whole_and_says_where_it_comes_from() -> None:
    table = weights_table()
    assert set(table["weights"]) == set(FITTED)
    assert set(FITTED) < set(HAND_SET)
    provenance = table["provenance"]
    assert provenance["cross_validated_by_work"]["balanced"] > 0.7
    assert "Mutopia" in provenance["data"]
