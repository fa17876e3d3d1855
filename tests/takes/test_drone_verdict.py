"""The drone: where it stopped ringing, and where it was not struck."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.takes.helpers import STEP, played, reference, take
from transcribe.core.riff import Riff, Source, Timing
from transcribe.takes import compare
from transcribe.takes.drone_verdict import drone_notes


def drones() -> list[int]:
    return [i for i, n in enumerate(reference(repeats=2).notes) if n.string == 5]


def test_drone_notes_are_those_of_its_string() -> None:
    assert drone_notes(reference(repeats=2)) == drones()
    assert drone_notes(reference(drone=False)) == []


def test_a_drone_that_rings_has_no_gap() -> None:
    riff = reference(repeats=2)
    drone = compare(take(played(riff)), riff).drone
    assert drone is not None
    assert (drone.string, drone.pitch_midi, drone.gaps) == (5, 45, ())
    assert drone.ringing_share == 1.0
    assert drone.expected_sec == pytest.approx(16 * STEP, abs=0.05)


def test_strokes_left_out_with_the_string_damped() -> None:
    riff = reference(repeats=2)
    gone = set(drones()[5:8])
    notes = [n for i, n in enumerate(played(riff)) if i not in gone]
    drone = compare(take(notes), riff).drone
    assert drone is not None
    (gap,) = drone.gaps
    assert gap.kind == "not struck"
    assert gap.start_sec == pytest.approx(0.4 + 5 * STEP, abs=0.02)
    assert gap.end_sec == pytest.approx(0.4 + 8 * STEP, abs=0.02)
    assert gap.bar == 2
    assert drone.ringing_share == pytest.approx(13 / 16, abs=0.02)


def test_strokes_left_out_while_the_string_rings_on() -> None:
    riff = reference(repeats=2)
    own = drones()
    notes = played(riff)
    notes[own[4]] = replace(notes[own[4]], offset_sec=notes[own[8]].onset_sec)
    kept = [n for i, n in enumerate(notes) if i not in set(own[5:8])]
    drone = compare(take(kept), riff).drone
    assert drone is not None
    (gap,) = drone.gaps
    assert gap.kind == "not struck"
    assert drone.ringing_share == 1.0


def test_a_drone_that_is_damped_early_stopped_ringing() -> None:
    riff = reference(repeats=2)
    own = drones()
    notes = played(riff)
    notes[own[6]] = replace(notes[own[6]], offset_sec=notes[own[6]].onset_sec + 0.2)
    drone = compare(take(notes), riff).drone
    assert drone is not None
    (gap,) = drone.gaps
    assert gap.kind == "stopped ringing"
    assert gap.end_sec - gap.start_sec == pytest.approx(STEP - 0.2, abs=0.03)


def test_level_is_measured_from_the_sound() -> None:
    riff = reference(repeats=2)
    sr = 22050
    t = np.arange(int(11 * sr)) / sr
    y = 0.2 * np.sin(2 * np.pi * 110.0 * t)
    y[(t > 4.0) & (t < 6.0)] = 0.0
    drone = compare(take(played(riff)), riff, sound=(y, sr)).drone
    assert drone is not None
    level = dict(drone.level)
    loud = [db for time, db in level.items() if 2.0 < time < 3.5]
    soft = [db for time, db in level.items() if 4.5 < time < 5.5]
    assert min(loud) > max(soft) + 40


def test_level_is_drawn_from_loudness_without_sound() -> None:
    riff = reference(repeats=2)
    notes = [replace(n, loudness_db=-12.0) for n in played(riff)]
    drone = compare(take(notes), riff).drone
    assert drone is not None
    assert max(db for _, db in drone.level) == pytest.approx(-12.0)
    assert [t for t, _ in drone.level] == sorted(t for t, _ in drone.level)


def long_last_stroke() -> Riff:
    """The riff with a last stroke of the drone that is written four beats long."""
    riff = reference(repeats=2)
    last = drones()[-1]
    end = riff.notes[last].onset_sec + 4 * STEP
    longer = replace(riff.notes[last], offset_sec=end, duration_beat=4.0)
    notes = (*riff.notes[:last], longer, *riff.notes[last + 1 :])
    return replace(riff, notes=notes)


def test_a_last_stroke_of_no_written_length_may_stop_as_the_others_do() -> None:
    riff = long_last_stroke()
    notes = played(reference(repeats=2))
    written = compare(take(notes), riff).drone
    assert written is not None
    assert [gap.kind for gap in written.gaps] == ["stopped ringing"]
    # A text tab says when to strike a string, not how long it is to ring.
    tab = compare(take(notes), replace(riff, timing=Timing(lengths="ring"))).drone
    assert tab is not None
    assert tab.gaps == ()


def test_a_drone_that_the_end_of_the_recording_cuts_has_no_gap() -> None:
    riff = long_last_stroke()
    notes = played(reference(repeats=2))
    end = max(n.offset_sec for n in notes)
    cut = replace(take(notes), source=Source("take.wav", duration_sec=end))
    drone = compare(cut, riff).drone
    assert drone is not None
    assert drone.gaps == ()
    assert drone.ringing_share == 1.0
