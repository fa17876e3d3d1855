"""A string that sounds higher than the one before it: string 4 of a ukulele, string 5 of a banjo.

A melody goes over the strings that rise in pitch; a roll takes the open strings in any order; a
drone on the string apart leaves the melody where it lies best (common practice, no source).
"""

from __future__ import annotations

import pytest

from transcribe.core.instrument import make_instrument
from transcribe.core.riff import Note
from transcribe.drone import find_drone
from transcribe.fingering import solve

UKULELE = make_instrument("ukulele")
BANJO = make_instrument("banjo")


def _line(pitches: list[int], *, step_sec: float, ring_sec: float) -> list[Note]:
    return [Note(k, step_sec * k, step_sec * k + ring_sec, p) for k, p in enumerate(pitches, 1)]


@pytest.mark.parametrize("keynote", [60, 62, 64, 65, 67])
def test_a_scale_stays_on_the_strings_that_rise(keynote: int) -> None:
    up = [keynote + step for step in (0, 2, 4, 5, 7, 9, 11, 12)]
    notes = _line(up + up[-2::-1], step_sec=0.4, ring_sec=0.4)
    solved = solve(notes, UKULELE)
    assert 4 not in {string for string, _ in solved.positions.values()}
    strings = [solved.positions[n.id][0] for n in notes[: len(up)]]
    assert strings == sorted(strings, reverse=True)


@pytest.mark.parametrize(
    ("instrument", "strings"),
    [
        (UKULELE, (4, 3, 2, 1)),
        (UKULELE, (4, 2, 3, 1)),
        (BANJO, (3, 2, 5, 1)),
        (BANJO, (5, 2, 1, 3)),
    ],
)
def test_a_roll_that_rings_is_picked_on_open_strings(instrument, strings: tuple[int, ...]) -> None:
    pitches = [instrument.pitch_midi(string, 0) for string in strings] * 4
    notes = _line(pitches, step_sec=0.2, ring_sec=0.6)
    solved = solve(notes, instrument, drone="off")
    assert [solved.positions[n.id] for n in notes] == [(string, 0) for string in strings] * 4


@pytest.mark.parametrize(
    ("instrument", "string", "melody"),
    [
        (UKULELE, 4, [69, 71, 72, 71, 69, 74, 72, 69]),
        (BANJO, 5, [62, 64, 62, 60, 59, 57, 59, 62]),
    ],
)
def test_a_drone_apart_leaves_the_melody_where_it_lies_low(
    instrument, string: int, melody: list[int]
) -> None:
    pitches = [p for note in melody for p in (note, instrument.pitch_midi(string, 0))]
    notes = _line(pitches, step_sec=0.25, ring_sec=0.25)
    drone = find_drone(notes, instrument)
    assert drone is not None
    assert drone.string == string
    solved = solve(notes, instrument, drone=drone)
    assert {solved.positions[n.id] for n in notes[1::2]} == {(string, 0)}
    frets = [solved.positions[n.id][1] for n in notes[::2]]
    assert max(frets) <= 5
