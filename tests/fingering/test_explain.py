"""What the solver says: why here, what else, and which tuning."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from tests.fingering.riffs import PATTERNS, drone_riff
from transcribe.core.errors import ParameterError
from transcribe.core.instrument import make_instrument
from transcribe.core.riff import Instrument, Note, Request, Riff
from transcribe.core.wording import sentence
from transcribe.correct.pins import pin
from transcribe.correct.requests import ask
from transcribe.fingering import (
    Hand,
    alternatives,
    apply,
    explain,
    instrument_guess,
    places,
    solve,
)
from transcribe.fingering.costs import FITTED, JUDGED_WEIGHTS, weights_table
from transcribe.formats.document import read_riff

TAKES = Path(__file__).resolve().parents[2] / "fixtures" / "takes"


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
    said = sentence(explain(over_drone, note.id))
    assert said.startswith(f"Note {note.id} (")
    assert f"string 4 fret {note.fret} beside the drone on string 5" in said
    assert re.search(r"would cost \d+\.\d more: .*\(\+\d+\.\d\)", said)
    assert said.count(".") - len(re.findall(r"\d\.\d", said)) == 1


def test_explain_says_what_was_asked_for_where_the_rival_does_not_keep_it() -> None:
    pitches = (64, 66, 67, 69, 71, 69, 67, 66)
    notes = tuple(Note(i, 0.3 * i, 0.3 * i + 0.3, p) for i, p in enumerate(pitches, 1))
    riff = Riff(Instrument(), notes)
    free = ask(riff, [Request("highest-fret", 22)])
    asked = ask(riff, [Request("position", 7), Request("no-open-strings")])
    assert "asked" not in sentence(explain(free, 1))
    # E4 lies at frets 0, 5, 9 and 14; G4 in seventh position on string 2 alone.
    assert (asked.note(1).string, asked.note(1).fret) == (3, 9)
    said = sentence(explain(asked, 1))
    assert 'fret 9, as it was asked for ("no open strings"); string 1 open, the next best' in said
    assert 'as it was asked for ("7th position")' in sentence(explain(asked, 3))
    held = pin(asked, {1: (1, 0)})
    assert "as it was asked for" not in sentence(explain(held, 1))


def test_explain_pin_and_notes_without_a_rival(over_drone: Riff) -> None:
    note = next(n for n in over_drone.notes if n.string == 4 and (n.fret or 0) >= 5)
    pinned = pin(over_drone, {note.id: (3, note.pitch_midi - 55)})
    said = sentence(explain(pinned, note.id))
    assert "where it is pinned" in said
    assert "less" in said
    lone = Note(1, 0.0, 0.5, 40)
    riff = Riff(notes=apply([lone], solve([lone], Instrument())))
    assert sentence(explain(riff, 1)).endswith("no other string reaches this pitch.")
    low = Riff(notes=(Note(1, 0.0, 0.5, 30),))
    assert "below the lowest string" in sentence(explain(low, 1))
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
        assert other.hardest_note in other.positions
        assert "hardest at" in sentence(other.why)
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


def test_alternatives_higher_on_the_neck_leave_the_open_strings() -> None:
    riff = read_riff(TAKES / "gangplank" / "truth.riff.json")
    notes = [dataclasses.replace(n, string=None, fret=None) for n in riff.notes]
    found = {a.name: a for a in alternatives(notes, Instrument(), rhythm=riff.rhythm)}
    higher = found["higher on the neck"].positions
    low = min(n.pitch_midi for n in notes)
    assert all(f >= 4 for i, (_, f) in higher.items() if riff.note(i).pitch_midi > low)
    # The take was played there, which the notes alone do not tell.
    assert np.mean([higher[n.id] == (n.string, n.fret) for n in riff.notes]) >= 0.95
    assert sentence(found["higher on the neck"].why).startswith("harder")


def test_alternatives_three_notes_a_string_only_for_a_line_over_a_scale() -> None:
    scale = (45, 47, 48, 50, 52, 54, 55, 57, 59, 60, 62, 64, 66, 67, 69)
    notes = [Note(i + 1, 0.2 * i, 0.2 * i + 0.2, p) for i, p in enumerate(scale)]
    pins = {1: (6, 5)}
    found = {a.name: a for a in alternatives(notes, Instrument(), pins=pins, drone="off")}
    positions = found["three notes a string"].positions
    assert [positions[i + 1][0] for i in range(15)] == [s for s in (6, 5, 4, 3, 2) for _ in "123"]
    # A pin that three notes a string would break, and notes struck together: not offered.
    other = {1: (6, 5), 4: (6, 10)}
    for changed, held in (
        (notes, other),
        ([*notes, Note(20, 0.0, 0.2, 52)], pins),
    ):
        named = {a.name for a in alternatives(changed, Instrument(), pins=held, drone="off")}
        assert "three notes a string" not in named


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
    assert "guessed" in sentence(guess.remark)
    assert min(pitches) >= min(guess.instrument.open_midi)


def test_instrument_guess_is_shy() -> None:
    sure = [Note(i + 1, 0.4 * i, 0.4 * i + 0.35, p) for i, p in enumerate((40, 45, 52, 57, 60))]
    assert instrument_guess(sure, 0.0, Instrument()) is None
    ghost = dataclasses.replace(sure[0], id=9, pitch_midi=33, confidence=0.2)
    assert instrument_guess([*sure, ghost], 0.0, Instrument()) is None
    bass = make_instrument("dadgad")
    assert instrument_guess([Note(1, 0, 1, 30)], 0.0, bass) is None


def _shifted(notes: Sequence[Note], semitones: int) -> list[Note]:
    return [
        dataclasses.replace(n, pitch_midi=n.pitch_midi + semitones, string=None, fret=None)
        for n in notes
    ]


@pytest.mark.parametrize(
    ("take", "says"),
    [
        ("mooring", "G#2 rings on under the melody"),
        ("lantern", "F#3 rings on under the melody"),
        ("slack-water", "C#3 rings on under the melody"),
        ("gangplank", "3 notes lie below E2"),
        ("rope-walk", "6 notes find no string in standard"),
    ],
)
def test_instrument_guess_takes_played_half_a_step_down(take: str, says: str) -> None:
    notes = read_riff(TAKES / take / "truth.riff.json").notes
    guess = instrument_guess(_shifted(notes, -1), 0.0, Instrument())
    assert guess is not None
    assert guess.name == "half-step-down"
    assert says in sentence(guess.remark)
    assert ("capo at fret 4" in sentence(guess.remark)) == ("rings on" in sentence(guess.remark))
    # As played, and shifted to where no open string half a step down helps, nothing is guessed.
    for semitones in (0, 1, 2, 5, 6):
        assert instrument_guess(_shifted(notes, semitones), 0.0, Instrument()) is None


def test_instrument_guess_leaves_a_capo_alone() -> None:
    # Two takes a semitone down are as if a capo had moved by one: nothing says half a step down.
    riff = read_riff(TAKES / "tide-table" / "truth.riff.json")
    assert riff.instrument.capo == 2
    assert instrument_guess(_shifted(riff.notes, -1), 0.0, Instrument()) is None


@pytest.mark.parametrize("string", [3, 4, 5])
def test_instrument_guess_by_a_drone(string: int) -> None:
    hits = []
    for pattern in PATTERNS:
        for seed in range(3):
            rng = np.random.default_rng(100 * string + seed)
            riff = drone_riff(rng, mode="dorian", drone_string=string, pattern=pattern)
            assert instrument_guess(riff.notes, 0.0, Instrument()) is None
            guess = instrument_guess(_shifted(riff.notes, -1), 0.0, Instrument())
            hits.append(guess is not None and guess.name == "half-step-down")
    assert np.mean(hits) >= 0.9


def test_instrument_guess_takes_power_chords_for_what_they_are() -> None:
    # Root and fifth at fret 4 of strings 6, 5 and 4: half of the notes are open half a step down.
    notes = []
    for k, root in enumerate((44, 44, 49, 44, 44, 54, 49, 44) * 2):
        for pitch in (root, root + 7):
            notes.append(Note(len(notes) + 1, 0.4 * k, 0.4 * k + 0.35, pitch))
    assert instrument_guess(notes, 0.0, Instrument()) is None


def test_instrument_guess_takes_a_figure_through_a_chord_for_what_it_is() -> None:
    # C#3 under F#3, A#3 and C#4: broken over the strings, not a melody along one of them.
    pitches = (49, 54, 58, 61, 58, 54) * 6
    notes = [Note(i + 1, 0.25 * i, 0.25 * i + 1.0, p) for i, p in enumerate(pitches)]
    assert instrument_guess(notes, 0.0, Instrument()) is None


def test_weights_table_is_whole_and_says_where_it_comes_from() -> None:
    table = weights_table()
    assert set(table["weights"]) == set(FITTED)
    assert set(FITTED) < set(JUDGED_WEIGHTS)
    provenance = table["provenance"]
    assert provenance["cross_validated_by_work"]["balanced"] > 0.7
    assert "Mutopia" in provenance["data"]
