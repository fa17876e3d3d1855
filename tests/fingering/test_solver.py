"""The solver: the best of all fingerings on small cases, and what must hold for every riff."""

from __future__ import annotations

import dataclasses
import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from transcribe.core.errors import ParameterError
from transcribe.core.instrument import make_instrument
from transcribe.core.riff import Instrument, Note, Phrase, Rhythm, legato_sources, sort_notes
from transcribe.core.wording import sentence
from transcribe.fingering import Hand, apply, solve, unmet_remarks
from transcribe.fingering.hand import finger_choices, neck_mm, place_costs
from transcribe.fingering.plan import plan_onsets
from transcribe.fingering.solver import Solver

STANDARD = Instrument()


def line(pitches: list[int], *, step: float = 0.3, length: float | None = None) -> list[Note]:
    """Notes one after another; ids from 1, onsets in beats as well."""
    return [
        Note(i + 1, i * step, i * step + (length or 0.9 * step), p, onset_beat=i, duration_beat=1.0)
        for i, p in enumerate(pitches)
    ]


def least_cost(solver: Solver, notes: list[Note]) -> float:
    """The least cost over every sequence of candidates, none merged and none left out."""
    plan = plan_onsets(sort_notes(notes), solver.instrument, solver.chooser, drone=None, pins={})
    states = solver.beam.start()
    for onset in plan.onsets:
        local = onset.candidates.own[None, :] + solver.beam.between(states, onset)
        k, a = local.shape
        parents = np.repeat(np.arange(k), a)
        choices = np.tile(np.arange(a), k)
        states = solver.beam.follow(states, onset, local, parents, choices)
    return float(states.cost.min())


@pytest.mark.parametrize("seed", range(12))
def test_solve_finds_the_optimum_of_all_fingerings(seed: int) -> None:
    rng = np.random.default_rng(seed)
    small = Instrument((64, 59, 55), 0, 9)
    solver = Solver(small)
    notes, at = [], 0.0
    for i in range(4):
        length = float(rng.choice([0.2, 0.6]))
        notes.append(Note(2 * i + 1, at, at + length, int(rng.integers(55, 70))))
        if i == 1 and rng.random() < 0.5:
            other = notes[-1].pitch_midi + int(rng.choice([3, 4, 5, 7]))
            notes.append(Note(2 * i + 2, at, at + length, min(other, 73)))
        at += 0.25
    assert solver.solve(notes).cost == pytest.approx(least_cost(solver, notes), abs=1e-9)


def test_solve_cost_is_the_sum_of_its_parts() -> None:
    solver = Solver(STANDARD)
    notes = line([45, 52, 57, 60, 64, 69, 67, 64])
    plan = plan_onsets(sort_notes(notes), STANDARD, solver.chooser, drone=None, pins={})
    steps = solver.beam.run(plan.onsets)
    named = solver.beam.account(plan.onsets, [s.choice for s in steps])
    for step, costs in zip(steps, named, strict=True):
        assert step.cost == pytest.approx(sum(costs.values()), abs=1e-9)


notes_strategy = st.lists(
    st.tuples(
        st.integers(40, 86),
        st.sampled_from([0.0, 0.02, 0.15, 0.3]),
        st.sampled_from([0.1, 0.3, 1.0]),
        st.sampled_from(["picked", "picked", "picked", "hammer-on", "pull-off", "slide"]),
    ),
    min_size=1,
    max_size=14,
)


def _made(rows: list[tuple[int, float, float, str]]) -> list[Note]:
    notes, at = [], 0.0
    for i, (pitch, gap, length, articulation) in enumerate(rows):
        at += gap
        notes.append(Note(i + 1, at, at + length, pitch, articulation=articulation))
    return notes


@settings(max_examples=60, deadline=None)
@given(notes_strategy)
def test_solve_gives_right_pitches_on_the_neck_and_one_note_a_string(
    rows: list[tuple[int, float, float, str]],
) -> None:
    notes = _made(rows)
    solved = solve(notes, STANDARD)
    unmet = {u.note_id for u in solved.unmet}
    assert set(solved.positions) | unmet == {n.id for n in notes}
    for note in notes:
        if note.id in solved.positions:
            string, fret = solved.positions[note.id]
            assert STANDARD.pitch_midi(string, fret) == note.pitch_midi
            assert 0 <= fret <= STANDARD.frets
            assert (solved.fingers[note.id] == 0) == (fret == 0)
    by_onset: dict[float, list[int]] = {}
    for note in notes:
        if note.id in solved.positions:
            by_onset.setdefault(note.onset_sec, []).append(solved.positions[note.id][0])
    assert all(len(s) == len(set(s)) for s in by_onset.values())


@settings(max_examples=40, deadline=None)
@given(notes_strategy, st.data())
def test_solve_keeps_a_pin(rows: list[tuple[int, float, float, str]], data: st.DataObject) -> None:
    notes = _made(rows)
    note = data.draw(st.sampled_from(notes))
    place = data.draw(st.sampled_from(STANDARD.places(note.pitch_midi)))
    solved = solve(notes, STANDARD, pins={note.id: place})
    if note.id in solved.positions:
        assert solved.positions[note.id] == place
    else:
        assert note.id in {u.note_id for u in solved.unmet}


@settings(max_examples=20, deadline=None)
@given(st.lists(st.integers(45, 76), min_size=4, max_size=10))
def test_solve_a_riff_played_twice_is_the_answer_twice(pitches: list[int]) -> None:
    once = line(pitches)
    n = len(once)
    end = once[-1].offset_sec + 1.0
    again = [
        dataclasses.replace(
            x,
            id=x.id + n,
            onset_sec=x.onset_sec + end,
            offset_sec=x.offset_sec + end,
            onset_beat=(x.onset_beat or 0.0) + n,
        )
        for x in once
    ]
    phrases = (Phrase("A", 0, n), Phrase("A", n, 2 * n))
    solved = solve([*once, *again], STANDARD, rhythm=Rhythm(120.0, phrases=phrases))
    assert [solved.positions[i] for i in range(1, n + 1)] == [
        solved.positions[i + n] for i in range(1, n + 1)
    ]


def test_solve_two_notes_of_one_string_at_once_take_two_strings() -> None:
    # E4 and F4 both lie on string 1 near the nut: one has to go to string 2.
    solved = solve([Note(1, 0.0, 0.5, 64), Note(2, 0.0, 0.5, 65)], STANDARD)
    assert {solved.positions[1][0], solved.positions[2][0]} == {1, 2}


def test_solve_a_note_that_rings_forbids_its_string() -> None:
    held = Note(1, 0.0, 3.0, 64)
    others = [Note(i, 0.4 * i, 0.4 * i + 0.35, p) for i, p in ((2, 65), (3, 67), (4, 65))]
    solved = solve([held, *others], STANDARD)
    string = solved.positions[1][0]
    assert all(solved.positions[n.id][0] != string for n in others)


@pytest.mark.parametrize("articulation", ["hammer-on", "slide"])
def test_solve_a_slur_stays_on_one_string(articulation: str) -> None:
    notes = [Note(1, 0.0, 0.3, 62), Note(2, 0.3, 0.6, 64, articulation=articulation)]
    solved = solve(notes, STANDARD)
    assert solved.positions[1][0] == solved.positions[2][0]


def test_solve_names_a_note_below_the_lowest_string() -> None:
    notes = [Note(1, 0.0, 0.5, 38), Note(2, 0.5, 1.0, 45)]
    solved = solve(notes, STANDARD)
    assert [u.note_id for u in solved.unmet] == [1]
    (remark,) = unmet_remarks(notes, solved)
    assert "below the lowest string, E2" in sentence(remark)
    assert solved.positions[2] == (5, 0)


def test_solve_more_notes_than_strings_leaves_the_least_sure_out() -> None:
    notes = [Note(i, 0.0, 1.0, p) for i, p in enumerate((40, 45, 50, 55, 59, 64, 67), 1)]
    notes[3] = dataclasses.replace(notes[3], confidence=0.7)
    solved = solve(notes, STANDARD)
    assert [u.note_id for u in solved.unmet] == [4]
    assert solved.unmet[0].fights is not None


def test_solve_pins_that_fight_are_named_with_the_nearest_place() -> None:
    notes = [Note(1, 0.0, 0.5, 64), Note(2, 0.0, 0.5, 67)]
    solved = solve(notes, STANDARD, pins={1: (2, 5), 2: (2, 8)})
    assert solved.positions[1] == (2, 5)
    (unmet,) = solved.unmet
    assert (unmet.note_id, unmet.fights, unmet.nearest) == (2, 1, (1, 3))


def test_solve_nothing_gives_nothing() -> None:
    solved = solve([], STANDARD)
    assert (dict(solved.positions), solved.unmet, solved.drone) == ({}, (), None)


@pytest.mark.parametrize(
    ("options", "match"),
    [
        ({"drone": 9}, "1 to 6"),
        ({"drone": "loud"}, "'auto', 'off' or a string number"),
        ({"pins": {7: (1, 0)}}, "no note 7"),
    ],
)
def test_solve_bad_arguments(options: dict, match: str) -> None:
    with pytest.raises(ParameterError, match=match):
        solve(line([64, 65]), STANDARD, **options)


def test_solve_twice_the_same_id() -> None:
    with pytest.raises(ParameterError, match="share an id"):
        solve([Note(1, 0.0, 0.5, 64), Note(1, 0.5, 1.0, 65)], STANDARD)


def test_hand_refuses_a_span_no_hand_has() -> None:
    with pytest.raises(ParameterError, match="40 to 200 mm"):
        Hand(span_mm=20)


def test_solve_wide_stretch_carries_a_caution() -> None:
    # F2 and E3 at once under G#4: no easy way below the span of a small hand.
    notes = [Note(1, 0.0, 1.0, 41), Note(2, 0.0, 1.0, 68), Note(3, 0.0, 1.0, 46)]
    pins = {1: (6, 1), 3: (5, 1), 2: (2, 9)}
    solved = solve(notes, STANDARD, hand=Hand(84), pins=pins)
    assert any("teacher" in c and "mm" in c for c in map(sentence, solved.cautions))
    (fret, string), *_, (top, to_string) = sorted(
        (fret, string) for string, fret in solved.positions.values() if fret
    )
    shape = f"from string {string} fret {fret} to string {to_string} fret {top}"
    assert any(shape in c for c in map(sentence, solved.cautions))
    assert not solve(line([64, 65, 67]), STANDARD).cautions


def test_place_costs_stretch_is_what_the_frets_measure() -> None:
    # Fletcher & Rossing 9.2: frets 1 and 5 of a 648 mm scale lie 648 (2^(-1/12) - 2^(-5/12)) apart.
    apart = 648.0 * (2 ** (-1 / 12) - 2 ** (-5 / 12))
    costs, position = place_costs([(6, 1), (1, 5)], (1, 4), STANDARD, Hand(98.0))
    assert costs[13] == pytest.approx((apart - 98.0) / 10.0)
    assert position == pytest.approx((1 + 2) / 2)
    assert neck_mm(STANDARD)[12] == pytest.approx(324.0)


def test_neck_starts_at_the_capo() -> None:
    capo = Instrument(capo=2)
    assert neck_mm(capo)[0] == pytest.approx(neck_mm(STANDARD)[2])
    assert len(neck_mm(capo)) == 21


def test_finger_choices_barre_and_order() -> None:
    barre = finger_choices([(6, 1), (5, 3), (4, 3), (3, 2), (2, 1), (1, 1)])
    assert (1, 3, 4, 2, 1, 1) in barre
    assert all(f[0] <= f[3] <= f[1] <= f[2] for f in barre)
    # No barre over an open string between.
    assert all(f[0] != f[2] for f in finger_choices([(6, 3), (4, 0), (1, 3)]))


def test_apply_sets_places_and_clears_what_has_none() -> None:
    notes = [Note(1, 0.0, 0.5, 30, string=6, fret=0), Note(2, 0.5, 1.0, 45)]
    out = apply(notes, solve(notes, STANDARD))
    assert (out[0].string, out[0].fret, out[0].finger) == (None, None, None)
    assert (out[1].string, out[1].fret, out[1].finger) == (5, 0, 0)


@pytest.mark.parametrize(
    "name", ["drop-d", "open-g", "dadgad", "7-string", "baritone", "bass", "tenor", "ukulele"]
)
def test_solve_on_every_instrument(name: str, rng: np.random.Generator) -> None:
    instrument = make_instrument(name, capo=2)
    low, high = min(instrument.open_midi) + 2, max(instrument.open_midi) + 12
    notes = line([int(p) for p in rng.integers(low, high, 24)])
    solved = solve(notes, instrument)
    assert len(solved.positions) + len(solved.unmet) == len(notes)
    for note in notes:
        if note.id in solved.positions:
            assert instrument.pitch_midi(*solved.positions[note.id]) == note.pitch_midi


def test_solve_prefers_a_reach_that_the_hand_has() -> None:
    # A tenth over a held bass: the small hand is not sent further than the big one.
    notes = [Note(1, 0.0, 1.0, 43), Note(2, 0.0, 1.0, 59), Note(3, 0.0, 1.0, 64)]

    def widest(hand: Hand) -> float:
        mm = neck_mm(STANDARD)
        frets = [f for _, f in solve(notes, STANDARD, hand=hand).positions.values() if f]
        return mm[max(frets)] - mm[min(frets)] if frets else 0.0

    assert widest(Hand(70)) <= widest(Hand(140))


def test_solve_again_with_a_pin_is_the_same_as_from_scratch(rng: np.random.Generator) -> None:
    # The solver goes on from what it kept of the last run; that must not change the answer.
    notes = line([int(p) for p in rng.integers(45, 77, 60)])
    kept = Solver(STANDARD)
    kept.solve(notes)
    for index in (50, 20, 35):
        note = notes[index]
        for place in STANDARD.places(note.pitch_midi):
            again = kept.solve(notes, pins={note.id: place})
            fresh = Solver(STANDARD).solve(notes, pins={note.id: place})
            assert again.positions == fresh.positions
            assert again.cost == pytest.approx(fresh.cost)
    assert kept.solve(notes).positions == Solver(STANDARD).solve(notes).positions


def test_solve_doubtful_overtones_of_a_chord_stay_within_the_hand() -> None:
    """An open C chord whose upper notes, octaves of the lower ones, are hardly heard."""
    sure = [Note(1, 0.0, 0.5, 48), Note(2, 0.005, 0.5, 52), Note(3, 0.01, 0.5, 55)]
    doubtful = [Note(4, 0.015, 0.5, 64, confidence=0.53), Note(5, 0.016, 0.5, 60, confidence=0.54)]
    solved = solve([*sure, *doubtful], STANDARD)
    assert [solved.positions[i] for i in range(1, 6)] == [(5, 3), (4, 2), (3, 0), (1, 0), (2, 1)]


def test_solve_time_grows_in_line_with_the_notes() -> None:
    rng = np.random.default_rng(4)
    pitches = [int(p) for p in rng.integers(45, 77, 4000)]

    def spent(count: int) -> float:
        solver = Solver(STANDARD)
        solver.solve(line(pitches[:200]))
        began = time.process_time()
        solver.solve(line(pitches[:count]))
        return time.process_time() - began

    rounds = [(spent(1000), spent(4000)) for _ in range(3)]
    short, long = (min(times) for times in zip(*rounds, strict=True))
    # Four times the notes: time in line with the notes gives 4, with their square 16. The bound
    # lies halfway (in ratio), since one machine's times differ by up to 1.5 from run to run.
    assert long / short < 8


def test_unmet_remarks_name_the_note() -> None:
    notes = [Note(1, 0.0, 1.0, 40), Note(2, 1.25, 2.0, 30)]
    solved = solve(notes, STANDARD, drone="off")
    (remark,) = unmet_remarks(notes, solved)
    assert sentence(remark).startswith("note 2 (F#1 at 1.25 s): ")


def test_a_wide_stretch_is_told_by_its_bar() -> None:
    notes = [
        Note(1, 0.0, 1.0, 52, onset_beat=0.0),
        *(Note(i, 4.5, 5.0, p, onset_beat=9.0) for i, p in ((2, 41), (3, 56))),
    ]
    pins = {2: (6, 1), 3: (4, 6)}
    rhythm = Rhythm(120.0, (4, 4), tuple(0.5 * i for i in range(12)), (0.0, 2.0, 4.0))
    solved = solve(notes, STANDARD, drone="off", pins=pins, rhythm=rhythm)
    assert "in bar 3 beat 2 (4.50 s), from string 6 fret 1 to string 4 fret 6" in " ".join(
        map(sentence, solved.cautions)
    )


def test_many_notes_off_the_neck_are_told_of_together() -> None:
    notes = [Note(i, 0.5 * i, 0.5 * i + 0.4, pitch) for i, pitch in enumerate((40, 36, 31, 38), 1)]
    notes.append(Note(5, 3.0, 3.4, 95))
    solved = solve(notes, STANDARD, drone="off")
    assert len(unmet_remarks(notes, solved)) == 4
    below, above = map(sentence, unmet_remarks(notes, solved, STANDARD))
    assert below.startswith("3 notes have no place, G1 to D2, the first of them note 2 at 1.00 s")
    assert "below the lowest string, E2; check the tuning" in below
    assert above.startswith("note 5 (B6 at 3.00 s): ")


@pytest.mark.parametrize("articulation", ["bend", "vibrato", "slide"])
def test_a_technique_that_needs_a_finger_is_not_on_an_open_string(articulation: str) -> None:
    """B3, D4 and E4 lie open and stopped; no open string is slid from or to, or bent."""
    notes = line([64, 59, 62, 64, 62, 59, 64], length=0.3)
    notes = [
        dataclasses.replace(n, articulation="picked" if k % 2 == 0 else articulation)
        for k, n in enumerate(notes)
    ]
    fingered = solve(notes, STANDARD).positions
    slid = [k for k, n in enumerate(notes) if n.articulation == articulation]
    held = slid + ([k - 1 for k in slid] if articulation == "slide" else [])
    assert all(fingered[notes[k].id][1] > 0 for k in held)


def test_a_chord_that_slides_does_so_on_its_strings() -> None:
    """A power chord slid up three frets: each note comes from the one of its string."""
    places = [(6, 3), (5, 5), (4, 5)]
    notes = [
        Note(
            3 * k + n, 0.5 * k, 0.5 * k + 0.5, STANDARD.pitch_midi(s, fret + 3 * k), articulation=a
        )
        for k, a in enumerate(("picked", "slide"))
        for n, (s, fret) in enumerate(places, 1)
    ]
    assert legato_sources(notes) == {4: 1, 5: 2, 6: 3}
    solved = solve(notes, STANDARD)
    assert [solved.positions[n] for n in (4, 5, 6)] == [(s, fret + 3) for s, fret in places]
    assert not solved.cautions
