"""What is known of a drone reaches the rhythm, and through it the values that are written."""

from __future__ import annotations

import pytest

from transcribe import api
from transcribe.core.riff import Note, sort_notes
from transcribe.rhythm import find_rhythm

LINE = (57, 59, 60, 62, 64, 62, 60, 59)
BEAT_SEC = 0.5


def notes_over_an_open_string() -> tuple[Note, ...]:
    """Four bars of eighths over the open fifth string, struck on 1 and left to ring."""
    notes = [Note(0, 4 * BEAT_SEC * bar, 4 * BEAT_SEC * (bar + 0.98), 45) for bar in range(4)]
    notes += [
        Note(0, BEAT_SEC * k / 2, BEAT_SEC * (k + 0.9) / 2, LINE[k * (1 + k // 8) % 8])
        for k in range(32)
    ]
    ordered = sort_notes(notes)
    return tuple(Note(i, n.onset_sec, n.offset_sec, n.pitch_midi) for i, n in enumerate(ordered, 1))


def values_of(notes: tuple[Note, ...], pitch_midi: int) -> set[float | None]:
    return {n.duration_beat for n in notes if n.pitch_midi == pitch_midi}


@pytest.mark.parametrize(("choice", "beats"), [("auto", 4.0), (5, 4.0), ("off", 0.5), (6, 0.5)])
def test_the_choice_of_a_drone_reaches_the_rhythm(choice, beats) -> None:
    """An open string that drones is written on to its next strike, one that does not is not."""
    riff = api.finger(notes_over_an_open_string(), drone=choice, bpm=120.0, meter=(4, 4))
    assert values_of(riff.notes, 45) == {beats}


def test_a_drone_that_is_told_marks_the_bars() -> None:
    """The bass of the bar is the drone's stroke and no other low note."""
    notes = notes_over_an_open_string()
    found = {
        drone: find_rhythm(notes, duration_sec=8.2, drone_midi=drone)[0].meter_choices
        for drone in ((), (45,))
    }
    assert found[()] != found[45,]
