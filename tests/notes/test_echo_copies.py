"""Copies that an echo makes: left out, kept where that is asked, told apart from strokes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.audio.test_echo import delayed
from tests.notes.test_find import SR, plucked
from transcribe import transcribe
from transcribe.core.riff import Note
from transcribe.core.wording import sentence
from transcribe.formats.document import from_json, to_json
from transcribe.notes import find_notes
from transcribe.notes.echo_copies import copies, is_echo

TUNE = [
    (50 + step, 0.3 + 0.62 * k, 0.4) for k, step in enumerate((0, 7, 12, 10, 5, 3, 9, 2, 12, 0))
]


def _notes(*rows: tuple[float, int, float]) -> list[Note]:
    return [
        Note(k + 1, onset, onset + 0.2, pitch, loudness_db=loudness)
        for k, (onset, pitch, loudness) in enumerate(rows)
    ]


def _found(notes: tuple[Note, ...]) -> list[tuple[float, int]]:
    return [(round(n.onset_sec, 1), n.pitch_midi) for n in notes]


def test_copies_fall_and_come_on_time() -> None:
    notes = _notes(
        (0.0, 60, -10.0), (0.35, 60, -16.0), (0.7, 60, -22.0), (1.0, 64, -12.0), (1.35, 64, -19.0)
    )
    assert is_echo(notes, 0.35)
    assert copies(notes, 0.35) == {2, 3, 5}


def test_a_stroke_that_is_late_or_louder_is_no_copy() -> None:
    notes = _notes(
        (0.0, 60, -16.0), (0.35, 60, -10.0), (1.0, 64, -12.0), (1.38, 64, -19.0), (2.0, 67, -12.0)
    )
    assert copies(notes, 0.35) == frozenset()


def test_even_strokes_are_no_echo() -> None:
    """Eighth notes of one pitch, as loud as each other or louder and softer by turns."""
    for waver in (0.0, 3.0):
        notes = _notes(*((0.25 * k, 57, -12.0 + waver * (-1) ** k) for k in range(12)))
        assert not is_echo(notes, 0.25)


def test_strokes_in_even_time_that_come_back_a_little_softer_are_no_echo() -> None:
    """A jig from a program: the same pitch three eighths later, struck off the beat."""
    rows = [
        (0.5 * k + late, 57 + 2 * (k % 3), -12.0 - 1.4 * (late > 0))
        for k in range(6)
        for late in (0.0, 0.25)
    ]
    notes = _notes(*rows)
    assert copies(notes, 0.25)
    assert not is_echo(notes, 0.25)


def test_even_strokes_of_one_sampled_sound_are_all_written() -> None:
    """A sequencer repeats its wave exactly, which alone would pass for an echo."""
    one = plucked([(57, 0.0, 0.27)], duration_sec=0.3)
    y = np.concatenate([np.zeros(SR // 4), np.tile(one, 24), np.zeros(SR)])
    assert len(find_notes(y, sr=SR)) == 24


def test_find_notes_leaves_an_echo_out() -> None:
    dry = plucked(TUNE, duration_sec=8.0)
    wet = np.asarray(delayed(dry.astype(np.float32), 0.26, -5.0))
    found = _found(find_notes(wet, sr=SR))
    assert len(found) == len(TUNE)
    assert [pitch for _, pitch in found] == [pitch for pitch, _, _ in TUNE]


def test_the_player_is_told_and_may_keep_the_echo(tmp_path: Path) -> None:
    dry = plucked(TUNE, duration_sec=8.0)
    take = tmp_path / "breakwater.wav"
    soundfile.write(take, delayed(dry.astype(np.float32), 0.26, -2.0), SR)
    riff = transcribe(take)
    remark = next(w for w in riff.warnings if w.kind == "echo")
    assert remark.facts["delay_sec"] == pytest.approx(0.26, abs=0.003)
    assert "every 0.26 s" in sentence(remark)
    kept = transcribe(take, keep_echo=True)
    assert not any(w.kind == "echo" for w in kept.warnings)
    assert len(kept.notes) > len(riff.notes)
    assert from_json(to_json(kept)).player.keep_echo
