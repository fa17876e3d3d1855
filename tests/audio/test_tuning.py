"""The tuning offset against tones made at a known offset."""

from __future__ import annotations

import numpy as np
import pytest

from tests.audio.sounds import pluck, riff_sound
from transcribe.audio import tuning_offset_cents
from transcribe.errors import AudioError, ParameterError


@pytest.mark.parametrize("sr", [22050, 44100, 48000])
@pytest.mark.parametrize("cents", [-48.0, -37.0, -12.5, 0.0, 3.3, 7.5, 23.0, 48.0])
def test_tuning_offset_within_one_cent(cents: float, sr: int) -> None:
    y = riff_sound(sr=sr, cents=cents)
    assert tuning_offset_cents(y, sr=sr) == pytest.approx(cents, abs=1.0)


@pytest.mark.parametrize("cents", [-20.0, 0.0, 35.0])
def test_tuning_offset_in_noise(cents: float) -> None:
    y = riff_sound(cents=cents, noise=0.03)
    assert tuning_offset_cents(y, sr=22050) == pytest.approx(cents, abs=1.5)


def test_tuning_offset_around_a_quarter_tone_is_either_side() -> None:
    found = tuning_offset_cents(riff_sound(cents=50.0), sr=22050)
    assert -50.0 <= found < 50.0
    assert abs(found) == pytest.approx(50.0, abs=1.0)


def test_tuning_offset_ignores_bends() -> None:
    """A few notes pulled out of tune do not move the instrument."""
    sr, cents = 22050, -14.0
    y = riff_sound(sr=sr, cents=cents, sec=8.0)
    for at, off in ((1.0, 40.0), (3.0, 25.0), (5.0, 33.0)):
        note = pluck(440 * 2 ** (off / 1200), sr=sr, sec=0.8)
        y[int(at * sr) : int(at * sr) + note.size] += 0.3 * note.astype(np.float32)
    assert tuning_offset_cents(y, sr=sr) == pytest.approx(cents, abs=1.0)


def test_tuning_offset_is_not_pulled_by_pure_thirds_and_fifths() -> None:
    """One string alone: partials 3, 5 and 7 lie 2, -14 and -31 cents from equal temperament."""
    sr = 44100
    y = pluck(82.407, sr=sr, sec=4.0, partials=12)
    assert tuning_offset_cents(y, sr=sr) == pytest.approx(0.0, abs=1.0)


def test_tuning_offset_of_no_tone_is_zero() -> None:
    assert tuning_offset_cents(np.zeros(22050), sr=22050) == 0.0
    assert tuning_offset_cents(np.ones(20), sr=22050) == 0.0


def test_tuning_offset_refuses() -> None:
    with pytest.raises(ParameterError):
        tuning_offset_cents(np.ones((2, 100)), sr=22050)
    with pytest.raises(AudioError):
        tuning_offset_cents(np.array([np.inf]), sr=22050)
