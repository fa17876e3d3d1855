"""`find_notes` on tones whose notes are known because the test adds them up itself."""

from __future__ import annotations

import numpy as np
import pytest

from transcribe.errors import ParameterError
from transcribe.notes import find_notes

SR = 22050


def plucked(notes: list[tuple[int, float, float]], *, duration_sec: float) -> np.ndarray:
    """Decaying harmonic tones, (pitch, onset, duration) each."""
    t = np.arange(int(duration_sec * SR)) / SR
    y = np.zeros_like(t)
    for pitch, onset, length in notes:
        hz = 440.0 * 2.0 ** ((pitch - 69) / 12.0)
        sounding = (t >= onset) & (t < onset + length)
        since = t[sounding] - onset
        for n in range(1, 10):
            decay = np.exp(-3.0 * since * (1.0 + 0.2 * n))
            y[sounding] += np.sin(2.0 * np.pi * hz * n * since) / n * decay
    return 0.2 * y


def test_find_notes_hears_a_drone_under_a_melody() -> None:
    truth = [(50, 0.2, 3.0), (62, 0.2, 0.5), (64, 0.8, 0.5), (65, 1.4, 0.5), (69, 2.5, 0.8)]
    found = find_notes(plucked(truth, duration_sec=4.0), sr=SR)
    for pitch, onset, _ in truth:
        assert any(n.pitch_midi == pitch and abs(n.onset_sec - onset) <= 0.05 for n in found)
    assert [n.id for n in found] == list(range(1, len(found) + 1))


def test_find_notes_silence_gives_no_notes() -> None:
    assert find_notes(np.zeros(2 * SR), sr=SR) == ()
    assert find_notes(np.zeros(0), sr=SR) == ()


@pytest.mark.parametrize(
    ("y", "sr", "offset_cents", "message"),
    [
        (np.zeros((2, 100)), SR, 0.0, "one channel"),
        (np.array([0.0, np.nan]), SR, 0.0, "NaN"),
        (np.zeros(100), 100, 0.0, "sr is 100 Hz"),
        (np.zeros(100), SR, 140.0, "offset_cents is 140"),
    ],
)
def test_find_notes_bad_input(y: np.ndarray, sr: int, offset_cents: float, message: str) -> None:
    with pytest.raises(ParameterError, match=message):
        find_notes(y, sr=sr, offset_cents=offset_cents)
