"""One clock: every room turns seconds into beats and back in the same way, also off the beats."""

from __future__ import annotations

import numpy as np
import pytest

from transcribe.core.clock import MAX_BPM, MIN_BPM, Clock, check_bpm, score_notes
from transcribe.core.errors import ParameterError
from transcribe.core.riff import Note, Rhythm, Riff
from transcribe.correct import note_edits
from transcribe.rhythm.beats import Grid

SLOWING = Rhythm(120.0, (4, 4), (0.5, 1.0, 1.5, 2.0, 2.6), (1.0,))
"""A tempo of 120 whose last beat takes 0.6 s; beat 0 at 1 s, a pickup before it."""


@pytest.mark.parametrize(
    ("sec", "beat"),
    [(1.0, 0.0), (0.5, -1.0), (0.25, -1.5), (1.75, 1.5), (2.3, 2.5), (2.6, 3.0), (3.2, 4.0)],
)
def test_beats_of_a_rhythm_by_hand(sec: float, beat: float) -> None:
    assert Clock(SLOWING).beat(sec) == pytest.approx(beat, abs=1e-9)
    assert Clock(SLOWING).sec(beat) == pytest.approx(sec, abs=1e-9)


def test_arrays_and_numbers_agree() -> None:
    clock, at = Clock(SLOWING), np.linspace(-1.0, 5.0, 61)
    assert clock.beat(at).tolist() == [clock.beat(t) for t in at.tolist()]
    assert clock.sec(clock.beat(at)) == pytest.approx(at)
    assert isinstance(clock.beat(1.2), float)


def test_the_same_moment_past_the_last_beat_is_the_same_beat_everywhere() -> None:
    notes = tuple(
        Note(i, sec, sec + 0.4, 50, onset_beat=float(i - 1), duration_beat=0.75)
        for i, sec in enumerate((0.5, 1.0, 1.5, 2.0, 2.6))
    )
    riff = Riff(notes=notes, rhythm=SLOWING)
    added = note_edits.add(riff, onset_sec=3.2, offset_sec=3.8, pitch_midi=57)
    note = next(n for n in added.notes if n.pitch_midi == 57)
    clock = Clock(SLOWING)
    (scored,) = [s for s in score_notes(added, SLOWING) if s.note.id == note.id]
    grid = Grid(-1, 1, np.array(SLOWING.beats_sec))
    assert note.onset_beat == scored.onset_beat == clock.beat(3.2) == pytest.approx(4.0)
    assert float(grid.tick(3.2)) == pytest.approx(4.0)
    assert note.duration_beat == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("beats", "downs", "zero_sec"), [((), (), 0.0), ((), (2.0,), 2.0), ((3.0,), (), 3.0)]
)
def test_fewer_than_two_beats_run_at_the_tempo(
    beats: tuple[float, ...], downs: tuple[float, ...], zero_sec: float
) -> None:
    clock = Clock(Rhythm(90.0, (3, 4), beats, downs))
    assert clock.sec(0.0) == zero_sec
    for beat in (-3.0, 0.5, 1.0, 7.25):
        assert clock.sec(beat) == pytest.approx(zero_sec + beat * 60 / 90)


@pytest.mark.parametrize("bpm", [MIN_BPM - 1, MAX_BPM + 1, 0.0, -90.0, float("nan"), float("inf")])
def test_a_tempo_out_of_range_is_refused(bpm: float) -> None:
    with pytest.raises(ParameterError, match="give 20 to 600 beats a minute"):
        check_bpm(bpm)


def test_the_ends_of_the_range_are_taken() -> None:
    check_bpm(MIN_BPM)
    check_bpm(MAX_BPM)
