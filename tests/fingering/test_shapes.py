"""Chords struck again and moved: power chords and octaves keep the shape that a hand moves.

The shapes are common practice, no source: a power chord takes adjacent strings from its root (or
from the fifth below it) up; an octave skips one string.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from tests.fingering.test_solver import least_cost
from transcribe.core.instrument import make_instrument
from transcribe.core.riff import Instrument, Note, Riff
from transcribe.core.wording import sentence
from transcribe.correct.pins import pin
from transcribe.fingering import apply, explain, solve
from transcribe.fingering.chord_shape import movable_shape
from transcribe.fingering.solver import Solver

Shape = tuple[int | None, ...]


def strum(shapes: str, instrument: Instrument, *, step: float = 0.25) -> list[list[Note]]:
    """A chord for every word of ``shapes``: frets from the thickest string, x = not played."""
    chords: list[list[Note]] = []
    ids = itertools.count(1)
    for k, word in enumerate(shapes.split()):
        frets = word.split(".") if "." in word else list(word)
        count = len(instrument.open_midi)
        chords.append(
            [
                Note(
                    next(ids),
                    step * k + 0.004 * i,
                    step * (k + 0.95),
                    instrument.pitch_midi(count - i, int(fret)),
                )
                for i, fret in enumerate(frets)
                if fret != "x"
            ]
        )
    return chords


def played(shapes: str, tuning: str = "standard", *, step: float = 0.25) -> list[list[str]]:
    """The places of each chord as "string:fret", lowest note first, as the solver gives them."""
    instrument = make_instrument(tuning)
    chords = strum(shapes, instrument, step=step)
    solved = solve([n for chord in chords for n in chord], instrument)
    return [["{}:{}".format(*solved.positions[n.id]) for n in chord] for chord in chords]


def strings(chord: list[str]) -> list[int]:
    return [int(place.split(":")[0]) for place in chord]


EIGHTHS = " ".join(" ".join([shape] * 4) for shape in ("799xxx", "355xxx", "577xxx", "022xxx"))

RIFFS = {
    "eighths": EIGHTHS + " " + EIGHTHS,
    "two notes": EIGHTHS.replace("99xxx", "9xxxx").replace("55xxx", "5xxxx"),
    "quarters": "799xxx 577xxx 355xxx 577xxx 022xxx 355xxx 577xxx 355xxx",
    "over an open low string": "0xxxxx 0xxxxx 799xxx 0xxxxx 0xxxxx 577xxx 0xxxxx 355xxx " * 2,
    "palm-muted roots": "355xxx 3xxxxx 3xxxxx 577xxx 5xxxxx 5xxxxx 133xxx 1xxxxx 1xxxxx 133xxx",
    "root on string 5": "x355xx x355xx x577xx x577xx x799xx x799xx x355xx x355xx",
    "fifth below": "779xxx 779xxx 335xxx 335xxx 557xxx 557xxx",
    "inverted": "x55xxx x33xxx x55xxx x55xxx x33xxx x66xxx x55xxx",
    "far up": "x.x.10.12.13.x x.x.12.14.15.x x.x.7.9.10.x x.x.5.7.8.x",
}


@pytest.mark.parametrize("name", list(RIFFS))
def test_power_chords_take_adjacent_strings_and_keep_their_shape(name: str) -> None:
    seen: dict[str, list[str]] = {}
    for word, chord in zip(RIFFS[name].split(), played(RIFFS[name]), strict=True):
        if len(chord) > 1:
            assert set(np.diff(strings(chord))) == {-1}, chord
            assert seen.setdefault(word, chord) == chord


@pytest.mark.parametrize(
    "shapes",
    [
        "000xxx 000xxx 333xxx 555xxx 000xxx 000xxx 666xxx 555xxx 333xxx 888xxx 777xxx 555xxx",
        "0.0.0.x.x.x 12.12.12.x.x.x 10.10.10.x.x.x 8.8.8.x.x.x 7.7.7.x.x.x",
    ],
)
def test_drop_d_power_chords_lie_under_one_finger(shapes: str) -> None:
    for chord in played(shapes, "drop-d"):
        assert strings(chord) == [6, 5, 4]
        assert len({place.split(":")[1] for place in chord}) == 1


def test_moved_power_chords_stay_on_their_strings() -> None:
    climb = "133xxx 244xxx 355xxx 466xxx 577xxx 688xxx 577xxx 355xxx"
    assert {tuple(strings(chord)) for chord in played(climb)} == {(6, 5, 4)}


def test_a_root_picked_on_under_its_power_chord_stays_where_it_is() -> None:
    riff = "355xxx 3xxxxx 3xxxxx 577xxx 5xxxxx 5xxxxx 133xxx 1xxxxx 1xxxxx"
    root = ""
    for chord in played(riff):
        if len(chord) > 1:
            root = chord[0]
        assert chord[0] == root


def test_a_chord_heard_without_its_octave_moves_as_the_others() -> None:
    # The middle strike of each lacks its highest note, as readings of recordings do.
    climb = "355xxx 35xxxx 355xxx 577xxx 57xxxx 577xxx 688xxx 68xxxx 688xxx"
    assert {tuple(strings(chord)[:2]) for chord in played(climb)} == {(6, 5)}


def test_power_chords_among_full_chords_keep_their_shape() -> None:
    song = "022100 022100 x02220 x02220 355xxx 577xxx 022100"
    chords = played(song, step=0.5)
    assert chords[4] == ["6:3", "5:5", "4:5"]
    assert chords[5] in (["6:5", "5:7", "4:7"], ["5:0", "4:2", "3:2"])
    assert [len(chord) for chord in chords] == [6, 6, 5, 5, 3, 3, 6]


def test_octaves_in_a_row_skip_a_string() -> None:
    chords = played("x3x5xx x5x7xx x7x9xx x3x5xx x3x5xx x2x4xx")
    assert {low - high for high, low in map(sorted, map(strings, chords))} == {2}


@pytest.mark.parametrize(
    "shapes",
    ["xxxx53 xxxx65 xxxx87 xxxx53", "x32010 320003 x02210 x32010", "x02xxx x02xxx x04xxx x04xxx"],
    ids=["thirds", "open chords", "fifth and sixth"],
)
def test_other_chords_lie_where_they_did(shapes: str) -> None:
    wanted = [
        [f"{6 - i}:{fret}" for i, fret in enumerate(word) if fret != "x"] for word in shapes.split()
    ]
    assert played(shapes, step=0.5) == wanted


@pytest.mark.parametrize(
    ("pitches", "shape"),
    [
        ((40, 47), ((0, 1), 1)),
        ((52, 47, 40), ((2, 1, 0), 1)),
        ((47, 52, 59), ((0, 1, 2), 1)),
        ((45, 50), ((0, 1), 1)),
        ((48, 60), ((0, 1), 2)),
        ((40, 47, 54), ((), 0)),
        ((45, 50, 55), ((), 0)),
        ((48, 52, 55), ((), 0)),
        ((48, 60, 72), ((), 0)),
        ((40,), ((), 0)),
        ((), ((), 0)),
    ],
)
def test_movable_shape(pitches: tuple[int, ...], shape: tuple[tuple[int, ...], int]) -> None:
    assert movable_shape(pitches) == shape


@pytest.mark.parametrize("seed", range(6))
def test_solve_finds_the_optimum_of_all_shapes(seed: int) -> None:
    rng = np.random.default_rng(seed)
    small = Instrument((59, 55, 50, 45), 0, 9)
    solver = Solver(small)
    notes: list[Note] = []
    for i, root in enumerate(rng.choice([45, 47, 48, 50], 3)):
        for rise in (0, 12) if seed % 3 == 0 else (0, 7):
            at = 0.5 * i
            notes.append(Note(len(notes) + 1, at, at + 0.45, int(root) + rise))
    assert solver.solve(notes).cost == pytest.approx(least_cost(solver, notes), abs=1e-9)


def test_explain_names_the_shape() -> None:
    instrument = make_instrument("standard")
    notes = [n for chord in strum("35xxxx " * 6, instrument) for n in chord]
    riff = Riff(instrument, apply(notes, solve(notes, instrument)))
    riff = pin(riff, {3: (6, 3), 4: (5, 5), 5: (6, 3)})
    # The fifth of a chord in the middle: open string 4 would leave the shape of the others.
    said = sentence(explain(riff, 6))
    assert "string 5 fret 5" in said
    assert "string 4 open, the next best" in said
    assert "a chord struck again, or a note of it, changes its place" in said


def test_one_finger_lies_across_a_power_chord_at_one_fret() -> None:
    """Drop D: root, fifth and octave at one fret (common practice, no source)."""
    drop = make_instrument("drop-d")
    notes = []
    for k, fret in enumerate((3, 5, 6, 5, 7, 3)):
        for string in (6, 5, 4):
            pitch = drop.pitch_midi(string, fret)
            notes.append(Note(len(notes) + 1, 0.4 * k, 0.4 * k + 0.4, pitch))
    fingers = solve(notes, drop).fingers
    for k in range(0, len(notes), 3):
        assert len({fingers[n.id] for n in notes[k : k + 3]}) == 1
        assert fingers[notes[k].id] in (1, 3)


def test_sixths_in_a_row_keep_two_strings_with_one_between() -> None:
    """Sixths up and down the scale of C over strings 1 and 3 (common practice, no source)."""
    places = [
        ((3, 4), (1, 3)),
        ((3, 5), (1, 5)),
        ((3, 7), (1, 7)),
        ((3, 9), (1, 8)),
        ((3, 7), (1, 7)),
    ]
    neck = Instrument()
    notes = [
        Note(2 * k + n, 0.6 * k, 0.6 * k + 0.6, neck.pitch_midi(*place))
        for k, pair in enumerate(places)
        for n, place in enumerate(pair, 1)
    ]
    solved = solve(notes, neck)
    assert [tuple(solved.positions[2 * k + n] for n in (1, 2)) for k in range(5)] == places
