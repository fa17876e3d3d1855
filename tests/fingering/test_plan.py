"""What an onset looks back at."""

from __future__ import annotations

import pytest

from transcribe.core.riff import Instrument, Note
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
