"""Pins, their repeats, undo and redo, and pins taken from an edited tab."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from tests.fingering.riffs import drone_riff
from transcribe.core.errors import ParameterError
from transcribe.core.riff import Drone, Instrument, Note, Phrase, Rhythm, Riff, Step, sort_notes
from transcribe.core.wording import sentence
from transcribe.correct.history import redo, steps, undo
from transcribe.correct.pins import pin, repeats_of, set_hand, unpin
from transcribe.correct.solving import solve_again
from transcribe.fingering import Hand, apply, pins_of, solve
from transcribe.formats.document import from_json, to_json

TUNE = (57, 60, 62, 64, 62, 60, 59, 57)


def tune_riff(times: int = 3) -> Riff:
    """A phrase of eight notes that comes ``times`` times."""
    notes = []
    for k in range(times):
        for i, pitch in enumerate(TUNE):
            at = 8 * k + i
            notes.append(
                Note(
                    at + 1,
                    0.3 * at,
                    0.3 * at + 0.28,
                    pitch,
                    onset_beat=float(at),
                    duration_beat=1.0,
                )
            )
    rhythm = Rhythm(200.0, phrases=tuple(Phrase("A", 8 * k, 8 * k + 8) for k in range(times)))
    instrument = Instrument()
    solved = solve(notes, instrument, rhythm=rhythm)
    return Riff(instrument, apply(notes, solved), rhythm=rhythm, drone=solved.drone)


def where(riff: Riff) -> dict[int, tuple[int | None, int | None]]:
    return {n.id: (n.string, n.fret) for n in riff.notes}


def test_repeats_of_finds_the_same_note_of_every_phrase() -> None:
    assert repeats_of(tune_riff(), 3) == (11, 19)
    assert repeats_of(tune_riff(1), 3) == ()


def test_pin_holds_the_note_and_its_repeats_and_undoes_them_together() -> None:
    riff = tune_riff()
    pinned = pin(riff, {3: (4, 12)})
    assert pins_of(pinned) == {3: (4, 12), 11: (4, 12), 19: (4, 12)}
    assert [step.notes for step in pinned.history] == [(3, 11, 19)]
    back = undo(pinned)
    assert pins_of(back) == {}
    assert where(back) == where(riff)
    again = redo(back)
    assert where(again) == where(pinned)
    assert pins_of(again) == pins_of(pinned)


def test_pin_only_here_leaves_the_repeats() -> None:
    pinned = pin(tune_riff(), {3: (4, 12)}, repeats=False)
    assert pins_of(pinned) == {3: (4, 12)}


def test_pin_solves_the_rest_around_it() -> None:
    riff = tune_riff(1)
    pinned = pin(riff, {1: (5, 12), 8: (5, 12)})
    places = where(pinned)
    assert places[1] == places[8] == (5, 12)
    frets = [f for _, f in places.values() if f]
    assert min(frets) >= 8


def test_pin_whole_phrase_at_once() -> None:
    riff = tune_riff()
    places = {i + 1: (4, p - 50) for i, p in enumerate(TUNE)}
    pinned = pin(riff, places)
    assert len(pins_of(pinned)) == 24
    assert pins_of(undo(pinned)) == {}


def test_history_survives_the_document_and_unknown_entries_are_kept() -> None:
    riff = pin(tune_riff(), {3: (4, 12)})
    riff = dataclasses.replace(riff, history=(Step("note", extra={"text": "x"}), *riff.history))
    read = from_json(to_json(riff))
    assert steps(read)[0]
    back = undo(read)
    assert pins_of(back) == {}
    assert steps(back)[1]
    assert back.history[0] == Step("note", extra={"text": "x"})
    assert from_json(to_json(back)).history == back.history


def test_a_new_pin_after_an_undo_drops_what_could_be_redone() -> None:
    riff = pin(undo(pin(tune_riff(), {3: (4, 12)})), {2: (5, 15)})
    assert not steps(riff)[1]
    assert pins_of(undo(riff)) == {}
    with pytest.raises(ParameterError, match="nothing to make again"):
        redo(riff)


def test_pin_over_a_pin_goes_back_to_the_first_on_undo() -> None:
    riff = pin(pin(tune_riff(1), {3: (4, 12)}), {3: (5, 17)})
    assert pins_of(riff) == {3: (5, 17)}
    assert pins_of(undo(riff)) == {3: (4, 12)}


def test_unpin_lets_go_and_can_be_undone() -> None:
    riff = pin(tune_riff(), {3: (4, 12)})
    free = unpin(riff, [3])
    assert pins_of(free) == {}
    assert pins_of(undo(free)) == pins_of(riff)


def test_nothing_to_undo_unpin_or_pin() -> None:
    riff = tune_riff(1)
    with pytest.raises(ParameterError, match="nothing to undo"):
        undo(riff)
    with pytest.raises(ParameterError, match="none of these notes is pinned"):
        unpin(riff, [1])
    with pytest.raises(ParameterError, match="nothing to pin"):
        pin(riff, {})


@pytest.mark.parametrize(
    ("places", "match"),
    [
        ({3: (4, 11)}, r"note 3 is D4, and string 4 fret 11 sounds C#4; nearest: string 4 fret 12"),
        ({3: (9, 1)}, "no string 9; use 1 to 6"),
        ({3: (6, 99)}, "is not on the neck"),
        ({99: (4, 12)}, "no note 99"),
    ],
)
def test_pin_that_cannot_be(places: dict[int, tuple[int, int]], match: str) -> None:
    with pytest.raises(ParameterError, match=match):
        pin(tune_riff(1), places)


def test_pin_that_fights_another_names_it_and_leaves_the_riff() -> None:
    notes = (Note(1, 0.0, 1.0, 64), Note(2, 0.0, 1.0, 67))
    riff = Riff(notes=apply(notes, solve(notes, Instrument())))
    riff = pin(riff, {1: (2, 5)})
    with pytest.raises(ParameterError, match=r"pinned for note 1.*nearest: string 1 fret 3"):
        pin(riff, {2: (2, 8)})
    assert pins_of(riff) == {1: (2, 5)}


def test_pin_that_leaves_another_note_without_a_string_is_refused() -> None:
    # F2 lies on string 6 alone, so A2 struck with it has to stay off that string.
    notes = (Note(1, 0.0, 1.0, 41), Note(2, 0.0, 1.0, 45), Note(3, 1.0, 2.0, 45))
    riff = Riff(notes=apply(notes, solve(notes, Instrument())))
    expected = (
        r"note 2 cannot be pinned there: note 1 \(F2\), which begins at the same time, would be "
        r"left without a string; nearest: string 5 fret 0"
    )
    with pytest.raises(ParameterError, match=expected):
        pin(riff, {2: (6, 5)})
    assert where(pin(riff, {3: (6, 5)}))[3] == (6, 5)


def test_pin_that_only_moves_another_note_is_kept() -> None:
    notes = (Note(1, 0.0, 1.0, 45), Note(2, 0.0, 1.0, 52), Note(3, 0.0, 1.0, 57))
    riff = Riff(notes=apply(notes, solve(notes, Instrument())))
    assert where(riff)[2][0] == 4
    moved = where(pin(riff, {3: (4, 7)}))
    assert moved[3] == (4, 7)
    assert None not in {string for string, _ in moved.values()}


def test_pin_with_no_other_place_says_which_note_stands_in_the_way() -> None:
    # On one string any two notes of one moment fight.
    notes = (Note(1, 0.0, 1.0, 45), Note(2, 0.0, 1.0, 47))
    instrument = Instrument(open_midi=(45, 45))
    riff = Riff(instrument, apply(notes, solve(notes, instrument)))
    riff = dataclasses.replace(riff, instrument=Instrument(open_midi=(45,)))
    with pytest.raises(ParameterError, match=r"no other place helps, so delete note [12] first"):
        pin(riff, {2: (1, 2)})


def test_pin_does_not_mind_an_overtone_that_loses_its_string() -> None:
    chord = (64, 45, 52, 57, 61)
    notes = (
        *(Note(k, 0.0, 1.0, pitch) for k, pitch in enumerate(chord, start=1)),
        Note(6, 0.0, 1.0, 69, confidence=0.3),
    )
    riff = Riff(notes=apply(notes, solve(notes, Instrument())))
    barre = pin(riff, {1: (2, 5), 2: (6, 5)})
    assert where(barre)[6] == (1, 5)
    held = pin(barre, {1: (1, 0)})
    assert where(held)[1] == (1, 0)
    assert held.note(6).string in (None, 2)


def test_pin_leaves_out_the_repeat_where_it_cannot_be_and_says_so() -> None:
    riff = tune_riff()
    # In the third repeat a note is struck with D4 that has only strings 5 and 6, as D4 has.
    extra = [Note(100 + k, 0.3 * 18, 0.3 * 18 + 0.28, p) for k, p in enumerate((40, 46))]
    notes = [*riff.notes, *(dataclasses.replace(n, onset_beat=18.0) for n in extra)]
    solved = solve(notes, riff.instrument, rhythm=riff.rhythm)
    riff = dataclasses.replace(riff, notes=apply(notes, solved))
    assert all(n.string is not None for n in riff.notes)
    held = pin(riff, {3: (5, 17)})
    assert pins_of(held) == {3: (5, 17), 11: (5, 17)}
    assert [step.notes for step in held.history] == [(3, 11)]
    (said,) = map(sentence, held.unmet)
    assert said.startswith("note 19 (D4 at 5.40 s) is not pinned along with the other repeats: ")
    assert "note 101 (A#2), which begins at the same time" in said
    assert all(n.string is not None for n in held.notes)


def test_pin_on_the_drone_string_moves_the_drone_note_of_that_moment() -> None:
    notes = []
    for i, pitch in enumerate((57, 59, 60, 62, 64, 62, 60, 59, 57, 60)):
        notes.append(Note(2 * i + 1, 0.4 * i, 0.4 * i + 0.38, 45))
        notes.append(Note(2 * i + 2, 0.4 * i, 0.4 * i + 0.38, pitch))
    solved = solve(notes, Instrument())
    assert solved.drone is not None
    assert solved.drone.string == 5
    riff = Riff(notes=apply(notes, solved), drone=solved.drone)
    held = where(pin(riff, {2: (5, 12)}))
    assert held[2] == (5, 12)
    assert held[1] == (6, 5)
    assert held[3] == (5, 0)


def test_another_hand_keeps_pins_and_the_new_hand() -> None:
    riff = set_hand(pin(tune_riff(), {3: (4, 12)}), Hand(80))
    assert riff.player.hand_span_mm == 80
    assert pins_of(riff)[3] == (4, 12)


def test_pin_under_a_drone_keeps_the_drone(rng: np.random.Generator) -> None:
    made = drone_riff(rng, mode="dorian", drone_string=5, pattern="every beat")
    solved = solve(made.notes, made.instrument)
    riff = Riff(made.instrument, apply(made.notes, solved), drone=solved.drone)
    melody = next(n for n in riff.notes if n.string == 4 and (n.fret or 0) >= 5)
    moved = pin(riff, {melody.id: (3, melody.pitch_midi - 55)})
    drones = [n for n in moved.notes if n.pitch_midi == 45]
    assert all((n.string, n.fret) == (5, 0) for n in drones)


def test_a_note_without_a_string_is_named_in_the_document() -> None:
    # Both can only be played on the lowest string, at the same moment.
    riff = Riff(notes=(Note(1, 0.0, 1.0, 40), Note(2, 0.0, 1.0, 41)))
    left = solve_again(riff)[0]
    nowhere = [note.id for note in left.notes if note.string is None]
    assert len(nowhere) == 1
    assert any(f"(note {nowhere[0]} at 0.00 s)" in s for s in map(sentence, left.unmet))


def test_a_slur_that_pins_tear_apart_is_told() -> None:
    notes = (
        Note(1, 0.0, 0.5, 52),
        Note(2, 0.5, 1.0, 53, articulation="hammer-on"),
        Note(3, 1.0, 1.5, 52),
    )
    riff = Riff(notes=notes)
    together = pin(riff, {1: (5, 7), 2: (5, 8)})
    assert not any("hammer-on" in text for text in map(sentence, together.cautions))
    apart = pin(riff, {1: (5, 7), 2: (4, 3)})
    told = [text for text in map(sentence, apart.cautions) if "hammer-on" in text]
    assert told == [
        "the hammer-on to note 2 is on string 4, and note 1 that it comes from on string 5: "
        "put both on one string, or pick it"
    ]

    again = pin(apart, {3: (4, 2)})
    assert [text for text in map(sentence, again.cautions) if "hammer-on" in text] == told
    freed = unpin(again, [2])
    assert not any("hammer-on" in text for text in map(sentence, freed.cautions))
    assert freed.note(1).string == freed.note(2).string


def test_a_slur_of_the_melody_is_not_torn_from_the_drone_struck_in_between() -> None:
    melody = [(0.0, 54), (0.5, 55), (1.0, 57), (1.5, 55), (2.0, 54), (2.5, 52)] * 2
    notes = []
    for k, (_, pitch) in enumerate(melody):
        at = 0.5 * k
        slurred = "hammer-on" if k in (1, 7) else "picked"
        notes.append(Note(2 * k + 1, at, at + 0.5, pitch, articulation=slurred))
        notes.append(Note(2 * k + 2, at + 0.25, at + 0.75, 45))
    drone = Drone(5, 0.0, 6.0)
    solved = solve_again(Riff(notes=sort_notes(notes), drone=drone))[0]
    assert {n.string for n in solved.notes} == {4, 5}
    assert not any("hammer-on" in text for text in map(sentence, solved.cautions))
