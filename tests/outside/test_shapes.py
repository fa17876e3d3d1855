"""Chord shapes: from their pitches alone, the solver has to find the shapes of the handbooks.

The open chords and the movable barre shapes below are common practice, no source: any chord chart
for standard tuning has them. Written as frets from string 6 to string 1, x = not played.
"""

from __future__ import annotations

import pytest

from transcribe.core.riff import Instrument, Note
from transcribe.fingering import solve

OPEN_CHORDS = {
    "A": "x02220",
    "Am": "x02210",
    "A7": "x02020",
    "B7": "x21202",
    "C": "x32010",
    "C7": "x32310",
    "D": "xx0232",
    "Dm": "xx0231",
    "D7": "xx0212",
    "E": "022100",
    "Em": "022000",
    "E7": "020100",
    "F": "133211",
    "G": "320003",
    "G7": "320001",
}

BARRE_SHAPES = {
    "E shape": (0, 2, 2, 1, 0, 0),
    "Em shape": (0, 2, 2, 0, 0, 0),
    "E7 shape": (0, 2, 0, 1, 0, 0),
    "Em7 shape": (0, 2, 0, 0, 0, 0),
    "A shape": (None, 0, 2, 2, 2, 0),
    "Am shape": (None, 0, 2, 2, 1, 0),
    "A7 shape": (None, 0, 2, 0, 2, 0),
    "Am7 shape": (None, 0, 2, 0, 1, 0),
}

GUITAR = Instrument()


def shape_places(frets: tuple[int | None, ...]) -> set[tuple[int, int]]:
    return {(6 - i, fret) for i, fret in enumerate(frets) if fret is not None}


def solved_places(places: set[tuple[int, int]]) -> set[tuple[int, int]]:
    """Where the solver plays the pitches of ``places``, strummed from the lowest string."""
    ordered = sorted(places, reverse=True)
    notes = [
        Note(i + 1, 0.004 * i, 1.0, GUITAR.pitch_midi(*place)) for i, place in enumerate(ordered)
    ]
    return set(solve(notes, GUITAR).positions.values())


def open_shape(text: str) -> set[tuple[int, int]]:
    return shape_places(tuple(None if c == "x" else int(c) for c in text))


def movable() -> list[tuple[str, set[tuple[int, int]]]]:
    out = []
    for name, shape in BARRE_SHAPES.items():
        for at in range(1, 9):
            frets = tuple(None if f is None else f + at for f in shape)
            out.append((f"{name} at {at}", shape_places(frets)))
    return out


@pytest.mark.parametrize("name", list(OPEN_CHORDS))
def test_open_chord_from_its_pitches(name: str) -> None:
    wanted = open_shape(OPEN_CHORDS[name])
    assert solved_places(wanted) == wanted


def test_movable_barre_shapes_from_their_pitches() -> None:
    wrong = [name for name, places in movable() if solved_places(places) != places]
    assert len(wrong) <= 0.05 * len(movable()), wrong


def test_power_chord_roots() -> None:
    # Common practice, no source: root and fifth lie two frets apart on neighbouring strings.
    # Where root or fifth is an open string, that serves as well and is left out here.
    tried = 0
    for fret in range(1, 11):
        places = {(6, fret), (5, fret + 2)}
        if {GUITAR.pitch_midi(*p) for p in places} & set(GUITAR.open_midi):
            continue
        tried += 1
        # The same pitches may lie lower on the neck, but in the same shape.
        (high, above), (low, below) = sorted(solved_places(places))
        assert (low - high, above - below) == (1, 2)
    assert tried >= 5


def test_barre_takes_one_finger() -> None:
    places = sorted(open_shape("133211"), reverse=True)
    notes = [Note(i + 1, 0.0, 1.0, GUITAR.pitch_midi(*p)) for i, p in enumerate(places)]
    solved = solve(notes, GUITAR)
    first = [solved.fingers[i] for i, p in solved.positions.items() if p[1] == 1]
    assert set(first) == {1}
    assert len(set(solved.fingers.values())) == 4
