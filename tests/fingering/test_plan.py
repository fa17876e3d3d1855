"""What an onset looks back at."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest

from transcribe.core.riff import Instrument, Note
from transcribe.core.wording import sentence
from transcribe.fingering.candidates import Chooser
from transcribe.fingering.costs import JUDGED_WEIGHTS
from transcribe.fingering.hand import Hand
from transcribe.fingering.onsets import Onset
from transcribe.fingering.plan import plan_onsets
from transcribe.fingering.solver import Solver


def chords(*groups: tuple[int, ...]) -> tuple[Note, ...]:
    notes: list[Note] = []
    for k, group in enumerate(groups):
        notes += [Note(len(notes) + i, 0.5 * k, 0.5 * k + 0.4, p) for i, p in enumerate(group)]
    return tuple(notes)


def onsets(*groups: tuple[int, ...]) -> list[Onset]:
    instrument = Instrument()
    chooser = Chooser(instrument, Hand(), JUDGED_WEIGHTS)
    return plan_onsets(chords(*groups), instrument, chooser, drone=None, pins={}).onsets


@pytest.mark.parametrize(
    ("first", "second", "moves"),
    [
        ((60, 64), (62, 65), True),  # a third goes up, from major to minor
        ((60, 72), (58, 70), True),  # an octave goes down
        ((60, 64), (60, 65), False),  # one voice stays
        ((60, 64), (62, 63), False),  # they go toward each other
        ((60, 64), (62, 68), False),  # a third becomes a tritone
        ((60, 64), (60, 64), False),  # nothing moves
        ((60, 64), (62,), False),
    ],
)
def test_plan_sees_a_chord_that_moves_as_one(
    first: tuple[int, ...], second: tuple[int, ...], moves: bool
) -> None:
    before, onset = onsets(first, second)
    assert onset.previous == before.notes
    assert onset.parallel == ([(0, 0), (1, 1)] if moves else [])


def test_plan_pairs_the_voices_by_pitch_whatever_their_order() -> None:
    low_first = (Note(0, 0.0, 0.4, 60), Note(1, 0.001, 0.4, 64))
    high_first = (Note(2, 0.5, 0.9, 65), Note(3, 0.501, 0.9, 62))
    instrument = Instrument()
    chooser = Chooser(instrument, Hand(), JUDGED_WEIGHTS)
    notes = (*low_first, *high_first)
    _, onset = plan_onsets(notes, instrument, chooser, drone=None, pins={}).onsets
    pitches = {n: (notes[j].pitch_midi, onset.pitches[n]) for n, j in onset.parallel}
    assert sorted(pitches.values()) == [(60, 62), (64, 65)]


def test_octaves_that_move_as_one_keep_their_strings() -> None:
    groups = [(root, root + 12) for root in (57, 59, 60, 62, 64, 62, 60)]
    notes = chords(*groups)
    instrument = Instrument()
    strict = dict(JUDGED_WEIGHTS) | {"parallel_off": 8.0}
    solved = Solver(instrument, weights=strict).solve(notes)
    pairs = {
        (solved.positions[a.id][0], solved.positions[b.id][0])
        for a, b in zip(notes[::2], notes[1::2], strict=True)
    }
    assert len(pairs) == 1
    loose = Solver(instrument, weights=dict(JUDGED_WEIGHTS) | {"parallel_off": -8.0}).solve(notes)
    assert len({loose.positions[n.id][0] for n in notes[1::2]}) > 1


def walk(*pitches: int) -> list[Note]:
    return [Note(i, 0.3 * i, 0.3 * i + 0.28, pitch) for i, pitch in enumerate(pitches)]


@pytest.mark.parametrize("name", [field.name for field in dataclasses.fields(Onset)])
def test_onsets_differ_where_one_field_differs(name: str) -> None:
    onset = onsets((60, 64))[0]
    assert dataclasses.replace(onset) == onset
    changed: dict[str, Any] = {name: object()}
    assert dataclasses.replace(onset, **changed) != onset


@pytest.mark.parametrize(
    "change",
    [
        {"alike": [(0, 5)]},
        {"rest_sec": 1.5},
        {"line": 0.0},
        {"voice": []},
        {"recent": [(0, 2, 0)]},
        {"sounding": [(2, 1.0, 60)]},
        {"legato": [(0, 1)]},
        {"same": [(0, 1)]},
        {"struck": [(0, 1)]},
        {"drone_strings": (2,), "melody": (0,), "trust": (1.0,), "lane": 3},
    ],
    ids=lambda change: next(iter(change)),
)
def test_search_goes_on_only_from_onsets_that_are_the_same(change: dict[str, Any]) -> None:
    weights = dict.fromkeys(JUDGED_WEIGHTS, 0.3)
    places = ((3, 2), (2, 1), (3, 5), (3, 7), (3, 14), (2, 5), (3, 7), (3, 5))
    notes = walk(*(Instrument().pitch_midi(*place) for place in places))
    pins = dict(enumerate(places))
    solver = Solver(Instrument(), weights=weights)
    first = plan_onsets(notes, Instrument(), solver.chooser, drone=None, pins=pins).onsets
    changed = [*first[:4], dataclasses.replace(first[4], **change), *first[5:]]
    before = solver.beam.run(first)
    after = solver.beam.run(changed)
    assert after == Solver(Instrument(), weights=weights).beam.run(changed)
    assert sum(step.cost for step in after) != pytest.approx(sum(step.cost for step in before))


def test_plan_leaves_out_no_more_than_it_must() -> None:
    # E2 and F2 have string 6 alone; the unsure C5 has a string of its own beside either.
    notes = [
        Note(1, 0.0, 1.0, 40),
        Note(2, 0.0, 1.0, 41, confidence=0.9),
        Note(3, 0.0, 1.0, 72, confidence=0.61),
    ]
    chooser = Chooser(Instrument(), Hand(), JUDGED_WEIGHTS)
    plan = plan_onsets(notes, Instrument(), chooser, drone=None, pins={})
    assert [(u.note_id, u.fights) for u in plan.unmet] == [(2, 1)]
    assert plan.onsets[0].notes == (0, 2)


def test_plan_leaves_out_one_note_where_four_fingers_are_too_few() -> None:
    # Five frets on five strings, none of them open and none shared: one finger is missing.
    pins = {1: (5, 1), 2: (4, 2), 3: (3, 3), 4: (2, 4), 5: (1, 5)}
    notes = [Note(i, 0.0, 1.0, Instrument().pitch_midi(*place)) for i, place in pins.items()]
    notes[2] = dataclasses.replace(notes[2], confidence=0.7)
    chooser = Chooser(Instrument(), Hand(), JUDGED_WEIGHTS)
    plan = plan_onsets(notes, Instrument(), chooser, drone=None, pins=pins)
    assert [u.note_id for u in plan.unmet] == [3]


def test_plan_names_a_chord_that_no_hand_can_hold_and_the_least_to_leave_out() -> None:
    # F2 lies on string 6 at fret 1 alone; E5 at fret 12 and B4 at fret 7 at the lowest.
    notes = [Note(i, 0.0, 1.0, p) for i, p in enumerate((41, 48, 53, 76), 1)]
    chooser = Chooser(Instrument(), Hand(), JUDGED_WEIGHTS)
    plan = plan_onsets(notes, Instrument(), chooser, drone=None, pins={})
    assert plan.too_wide == (((1, 2, 3, 4), (4,)),)
    assert len(plan.onsets[0].notes) == 4
    said = [sentence(caution) for caution in Solver(Instrument()).solve(notes).cautions]
    assert any("leave out note 4 (E5)" in words for words in said)
    assert any("stretches the hand" in words for words in said)
    easy = plan_onsets(notes[:3], Instrument(), chooser, drone=None, pins={})
    assert easy.too_wide == ()
