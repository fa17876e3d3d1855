"""The tuning offset against tones made at a known offset."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.audio.sounds import pluck, riff_sound
from transcribe.audio import read_audio, tuning_offset_cents
from transcribe.core.errors import AudioError, ParameterError

TAKES = Path(__file__).parents[2] / "fixtures" / "takes"


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


def _at_speed(y: np.ndarray, ratio: np.ndarray | float) -> np.ndarray:
    """``y`` read at ``ratio`` times its speed, which may change from sample to sample."""
    steps = np.broadcast_to(np.asarray(ratio, dtype=float), (y.size,))
    at = np.cumsum(steps) - steps[0]
    at = at[at < y.size - 1]
    return np.interp(at, np.arange(y.size), y).astype(np.float32)


@pytest.mark.parametrize("name", ["mooring", "rope-walk"])
def test_tuning_offset_moves_with_the_sound_and_past_the_edge(name: str) -> None:
    """A take read faster or slower is as much higher or lower, modulo 100 cents."""
    (path,) = (p for p in (TAKES / name).iterdir() if p.stem == name)
    take = read_audio(path)
    y = take.y[: 8 * take.sr]
    here = tuning_offset_cents(y, sr=take.sr)
    for cents in (-60.0, -35.0, 20.0, 45.0):
        moved = tuning_offset_cents(_at_speed(y, 2 ** (cents / 1200)), sr=take.sr)
        assert (moved - here - cents + 50) % 100 - 50 == pytest.approx(0.0, abs=1.5)


@pytest.mark.parametrize("start", [0.0, 35.0])
def test_tuning_offset_of_a_take_that_drifts_is_between_its_ends(start: float) -> None:
    """Also where the drift, 24 cents, goes over the edge at 50."""
    y = riff_sound(sec=8.0)
    drift = np.linspace(start, start + 24.0, y.size)
    found = tuning_offset_cents(_at_speed(y, 2 ** (drift / 1200)), sr=22050)
    middle = (found - start - 12.0 + 50) % 100 - 50
    assert abs(middle) < 11.0


@pytest.mark.parametrize("sec", [0.3, 0.7, 1.5])
def test_tuning_offset_of_a_short_take(sec: float) -> None:
    y = riff_sound(sec=sec, cents=-41.0)
    assert tuning_offset_cents(y, sr=22050) == pytest.approx(-41.0, abs=3.0)
