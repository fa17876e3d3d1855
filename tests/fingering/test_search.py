"""The quick search by tables comes to what the named costs say, and goes on from what it kept."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np
import pytest

from tests.bench.fingering import random_walk
from tests.fingering.riffs import MODES, PATTERNS, drone_riff, rough
from transcribe.core.instrument import make_instrument
from transcribe.core.riff import Drone, Instrument, Note, sort_notes
from transcribe.drone import find_drone
from transcribe.fingering import search
from transcribe.fingering.asked import Asked
from transcribe.fingering.costs import JUDGED_WEIGHTS
from transcribe.fingering.plan import Plan, plan_onsets
from transcribe.fingering.solver import Solver
from transcribe.fingering.tables import Tables

# Every cost counts, each by a weight of its own, so that none can stand in for another.
WEIGHTS = {name: 0.1 + 0.013 * k for k, name in enumerate(JUDGED_WEIGHTS)}


def mixed(seed: int, instrument: Instrument) -> tuple[Note, ...]:
    """Lines, chords struck again, power chords that move, notes that ring on, slurs, rests."""
    rng = np.random.default_rng(seed)
    low, high = min(instrument.open_midi), max(instrument.open_midi) + 12
    shapes: tuple[tuple[int, ...], ...] = ((0,), (0,), (0,), (0, 7), (0, 7, 12), (0, 4, 7), (0, 12))
    notes: list[Note] = []
    time, pitch, shape = 0.0, (low + high) // 2, shapes[0]
    while len(notes) < 90:
        pitch = int(np.clip(pitch + rng.integers(-5, 6), low, high))
        if rng.random() < 0.5:
            shape = shapes[int(rng.integers(len(shapes)))]
        legato = len(shape) == 1 and rng.random() < 0.2
        for step in shape:
            length = float(rng.choice([0.1, 0.18, 0.18, 0.7]))
            kind = "hammer-on" if legato else "picked"
            at = len(notes) + 1
            notes.append(Note(at, time, time + length, pitch + step, articulation=kind))
        time += float(rng.choice([0.2, 0.2, 0.2, 1.4]))
    return sort_notes(notes)


def planned(solver: Solver, notes: Sequence[Note], seed: int, drone: Drone | None = None) -> Plan:
    """A plan with pins that draw, a position and ringing asked for, and repeats to be alike."""
    rng = np.random.default_rng(seed)
    pins: dict[int, tuple[int, int]] = {}
    for note in notes[10 :: len(notes) // 3]:
        places = solver.instrument.places(note.pitch_midi)
        if places:
            pins[note.id] = places[int(rng.integers(len(places)))]
    ids = [note.id for note in notes]
    asked = Asked(positions=dict.fromkeys(ids[5:20], 5), ring=frozenset(ids[30:60]))
    alike = {i: int(rng.integers(1, 4)) for i in ids[40:50]}
    return plan_onsets(
        notes,
        solver.instrument,
        solver.chooser,
        drone=drone,
        pins=pins,
        drawn_by=pins,
        alike=alike,
        asked=asked,
    )


def assert_costs_are_those_named(solver: Solver, plan: Plan, *, at_least: int) -> None:
    steps = solver.beam.run(plan.onsets)
    named = solver.beam.account(plan.onsets, [step.choice for step in steps])
    assert [step.cost for step in steps] == pytest.approx([sum(n.values()) for n in named])
    assert len({name for costs in named for name in costs}) >= at_least


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("name", ["standard", "banjo"])
def test_tables_cost_what_the_named_costs_come_to(name: str, seed: int) -> None:
    instrument = make_instrument(name)
    solver = Solver(instrument, weights=WEIGHTS)
    assert_costs_are_those_named(
        solver, planned(solver, mixed(seed, instrument), seed), at_least=30
    )


@pytest.mark.parametrize("string", range(1, 7))
def test_tables_cost_what_the_named_costs_come_to_over_a_drone(string: int) -> None:
    rng = np.random.default_rng(string)
    riff = drone_riff(rng, mode=list(MODES)[string], drone_string=string, pattern=PATTERNS[0])
    notes = rough(rng, riff)
    drone = find_drone(notes, riff.instrument)
    assert drone is not None
    solver = Solver(riff.instrument, weights=WEIGHTS)
    assert_costs_are_those_named(solver, planned(solver, notes, string, drone), at_least=20)


def test_the_hand_stays_where_it_was_through_any_number_of_open_strings() -> None:
    notes = [Note(1, 0.0, 0.2, 69), *(Note(i, 0.2 * i, 0.2 * i + 0.2, 64) for i in range(2, 9))]
    notes.append(Note(9, 1.8, 2.0, 76))
    places = {note.id: (1, note.pitch_midi - 64) for note in notes}
    solver = Solver(Instrument(), weights=WEIGHTS)
    plan = plan_onsets(notes, Instrument(), solver.chooser, drone=None, pins=places)
    steps = solver.beam.run(plan.onsets)
    named = solver.beam.account(plan.onsets, [step.choice for step in steps])
    assert named[-1]["shift"] > 0
    assert [step.cost for step in steps] == pytest.approx([sum(n.values()) for n in named])


@pytest.mark.parametrize("seed", range(4))
def test_a_pin_in_a_long_riff_is_solved_as_if_anew_from_few_tables(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    made: list[int] = []

    class Counted(Tables):
        def __init__(self, *args: object) -> None:
            super().__init__(*args)  # type: ignore[arg-type]
            made.append(len(self.onsets))

    monkeypatch.setattr(search, "Tables", Counted)
    notes = random_walk(1500, seed=seed)
    kept, before = Solver(Instrument()), Solver(Instrument()).solve(notes)
    kept.solve(notes)
    whole = len(made) // 2
    made.clear()
    note = notes[300]
    place = next(p for p in Instrument().places(note.pitch_midi) if p != before.positions[note.id])
    again = kept.solve(notes, pins={note.id: place})
    assert len(made) < whole / 2
    anew = Solver(Instrument()).solve(notes, pins={note.id: place})
    assert again.positions == anew.positions
    assert again.fingers == anew.fingers
    assert again.cost == pytest.approx(anew.cost)
    assert again.positions != before.positions


def test_a_riff_whose_pitches_change_is_not_taken_for_the_one_before() -> None:
    notes = random_walk(80)
    solver = Solver(Instrument())
    solver.solve(notes)
    higher = [dataclasses.replace(note, pitch_midi=note.pitch_midi + 1) for note in notes]
    assert solver.solve(higher).positions == Solver(Instrument()).solve(higher).positions
