"""Rough rooms and recorders: each stage does what it says, and none moves the sound in time."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest

from transcribe.core.errors import ParameterError
from transcribe.training.banks import SR, load_banks
from transcribe.training.clips import make_clip
from transcribe.training.rough import (
    CLEAN,
    CODECS,
    Rough,
    codecs_available,
    draw_rough,
    roughen,
    through_codec,
)


@pytest.fixture(scope="module")
def guitar() -> np.ndarray:
    clip = make_clip(4, banks=load_banks(None), kind="arpeggio", rough=0.0, duration_sec=5.0)
    return clip.y


def _lag(y: np.ndarray, x: np.ndarray) -> int:
    """Samples by which ``y`` is later than ``x``, by whitened cross-correlation."""
    size = 2 * len(x)
    cross = np.fft.rfft(y, size) * np.conj(np.fft.rfft(x, size))
    back = np.fft.irfft(cross / (np.abs(cross) ** 0.5 + 1e-9))
    at = int(np.argmax(back))
    return at if at < len(x) else at - size


def _db(y: np.ndarray) -> float:
    return float(10 * np.log10(np.mean(y**2) + 1e-20))


def _band_db(y: np.ndarray, low: float, high: float) -> float:
    spectrum = np.abs(np.fft.rfft(y)) ** 2
    freq = np.fft.rfftfreq(len(y), 1 / SR)
    return float(10 * np.log10(spectrum[(freq >= low) & (freq < high)].sum() + 1e-20))


@pytest.mark.skipif(not codecs_available(), reason="PyAV is not installed")
@pytest.mark.parametrize("name", list(CODECS))
@pytest.mark.parametrize("bitrate", [24000, 64000])
def test_codecs_keep_time(guitar: np.ndarray, name: str, bitrate: int) -> None:
    y = through_codec(guitar, name, bitrate=bitrate)
    assert len(y) == len(guitar)
    assert abs(_lag(y, guitar)) <= 1
    assert np.corrcoef(y, guitar)[0, 1] > 0.95
    assert not np.allclose(y, guitar, atol=1e-4)


def test_an_unknown_codec_is_refused(guitar: np.ndarray) -> None:
    with pytest.raises(ParameterError, match="no codec 'wax'"):
        through_codec(guitar, "wax")


@pytest.mark.parametrize(
    "rough",
    [
        Rough(drive=0.5),
        Rough(reverb_sec=0.8, reverb_wet=0.5),
        Rough(eq_db=5.0),
        Rough(band_hz=(300.0, 3400.0)),
        Rough(snr_db=20.0),
        Rough(hum_hz=50.0, hum_db=-20.0),
        Rough(talk_db=-15.0),
        Rough(compress=12.0),
        Rough(pump=0.8),
        Rough(clip=0.5),
    ],
)
def test_every_stage_changes_the_sound_but_not_its_time(guitar: np.ndarray, rough: Rough) -> None:
    y = roughen(guitar, rough, np.random.default_rng(1))
    plain = roughen(guitar, CLEAN, np.random.default_rng(1))
    assert y.shape == guitar.shape
    assert y.dtype == np.float32
    assert not np.allclose(y, plain, atol=1e-3)
    assert abs(_lag(y, guitar)) <= 1


def test_clean_only_sets_the_level(guitar: np.ndarray) -> None:
    y = roughen(guitar, CLEAN, np.random.default_rng(1))
    assert np.abs(y).max() == pytest.approx(10 ** (-3 / 20), rel=1e-4)
    assert np.corrcoef(y, guitar)[0, 1] > 0.99999


@pytest.mark.parametrize("snr_db", [5.0, 20.0, 40.0])
def test_noise_has_the_level_that_was_asked(guitar: np.ndarray, snr_db: float) -> None:
    noisy = roughen(guitar, Rough(snr_db=snr_db), np.random.default_rng(2))
    gain = float(noisy @ guitar / (guitar @ guitar))
    noise = noisy - gain * guitar
    assert _db(gain * guitar) - _db(noise) == pytest.approx(snr_db, abs=0.5)


def test_a_phone_band_cuts_both_ends(guitar: np.ndarray) -> None:
    cut = roughen(guitar, Rough(band_hz=(300.0, 3400.0)), np.random.default_rng(2))
    plain = roughen(guitar, CLEAN, np.random.default_rng(2))

    def share(y: np.ndarray, low: float, high: float) -> float:
        return _band_db(y, low, high) - _band_db(y, 500.0, 2500.0)

    assert share(cut, 40.0, 160.0) < share(plain, 40.0, 160.0) - 20.0
    assert share(cut, 6000.0, 9000.0) < share(plain, 6000.0, 9000.0) - 20.0


def test_hum_stands_on_the_mains_frequency(guitar: np.ndarray) -> None:
    for hz in (50.0, 60.0):
        y = roughen(guitar, Rough(hum_hz=hz, hum_db=40.0), _rng())
        near = [_band_db(y, n * hz - 2, n * hz + 2) for n in (1, 2, 3, 4, 5)]
        between = [_band_db(y, (n + 0.5) * hz - 2, (n + 0.5) * hz + 2) for n in (1, 2, 3, 4, 5)]
        assert max(near) > max(between) + 30.0


def test_reverberation_rings_on() -> None:
    click = np.zeros(SR, np.float32)
    click[2000] = 1.0
    y = roughen(click, Rough(reverb_sec=0.5, reverb_wet=0.6), _rng())
    assert int(np.argmax(np.abs(y))) == 2000
    assert not np.abs(y[:1990]).max() > 1e-4
    early, late = _db(y[3000:5000]), _db(y[9000:11000])
    # 60 dB in half a second, over 6,000 samples
    assert early - late == pytest.approx(60.0 * 6000 / SR / 0.5, abs=9.0)


def test_clipping_flattens_peaks(guitar: np.ndarray) -> None:
    y = roughen(guitar, Rough(clip=0.4), _rng())
    assert np.mean(np.abs(y) > 0.999 * np.abs(y).max()) > 1e-3


def test_strength_makes_it_rougher() -> None:
    mild = [draw_rough(np.random.default_rng(i), 0.15) for i in range(200)]
    heavy = [draw_rough(np.random.default_rng(i), 1.0) for i in range(200)]
    assert draw_rough(_rng(), 0.0) == CLEAN
    assert np.mean([r.reverb_wet for r in heavy]) > np.mean([r.reverb_wet for r in mild])
    assert np.mean([r.snr_db or 60.0 for r in heavy]) < np.mean([r.snr_db or 60.0 for r in mild])
    drawn = {f.name for f in fields(Rough) if len({getattr(r, f.name) for r in heavy}) > 1}
    assert drawn == {f.name for f in fields(Rough)}
    assert all(draw_rough(np.random.default_rng(i), 1.0, codecs=False).codec is None for i in SEEDS)


SEEDS = range(50)


def _rng() -> np.random.Generator:
    return np.random.default_rng(3)
