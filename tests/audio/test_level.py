"""The level report: clipping, noise, hum, and what is only noise."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.audio.sounds import encode, pluck, riff_sound
from transcribe.audio import check_samples, level_report, read_audio
from transcribe.core.errors import AudioError, ParameterError
from transcribe.core.wording import sentence

SR = 22050


def _mains(hz: float, size: int, level: float) -> np.ndarray:
    t = np.arange(size) / SR
    n = np.array([[1], [2], [3], [5]])
    return level * np.sum(np.sin(2 * np.pi * hz * n * t + n) / n, axis=0)


def test_level_report_peak_and_floor() -> None:
    y = riff_sound(sr=SR, noise=0.001)
    report = level_report(y, sr=SR)
    assert report.peak_db == pytest.approx(-6.0, abs=0.3)
    assert report.noise_floor_db < report.signal_db - 10
    assert report.clipped_share == 0.0
    assert report.hum_hz is None
    assert report.hum_db is None
    assert not report.silent
    assert report.warnings() == ()


def test_level_report_noise_floor_in_db(rng: np.random.Generator) -> None:
    """White noise of standard deviation s has a level of 20 log10 s."""
    report = level_report(rng.normal(0, 0.01, 10 * SR), sr=SR)
    assert report.noise_floor_db == pytest.approx(-40.0, abs=0.5)
    assert report.signal_db == pytest.approx(-40.0, abs=0.5)


@pytest.mark.parametrize("gain", [1.0, 0.5, 0.1])
def test_clipped_at_any_level(gain: float) -> None:
    """A phone's own limiter cuts below full scale."""
    y = gain * np.clip(6 * riff_sound(sr=SR), -1, 1)
    share = level_report(y, sr=SR).clipped_share
    assert share > 0.01
    first = sentence(level_report(y, sr=SR).warnings()[0])
    assert "clipped" in first
    assert "further away" in first


def test_clipped_share_counts_the_flat_samples() -> None:
    y = riff_sound(sr=SR)
    cut = np.clip(y, -0.2, 0.2)
    flat = float(np.mean(np.abs(cut) >= 0.2))
    assert level_report(cut, sr=SR).clipped_share == pytest.approx(flat, rel=0.25)


def test_not_clipped_when_loud() -> None:
    """A peak at full scale alone is no clipping, nor is a pure tone's round top."""
    y = riff_sound(sr=SR)
    t = np.arange(4 * SR) / SR
    for sound in (y / np.abs(y).max(), np.sin(2 * np.pi * 110 * t)):
        pcm = np.round(sound * 32767) / 32768
        assert level_report(pcm, sr=SR).clipped_share < 2e-4


@pytest.mark.parametrize(("name", "codec"), [("take.m4a", "aac"), ("take.opus", "libopus")])
def test_clipped_is_still_seen_after_lossy_coding(name: str, codec: str, tmp_path: Path) -> None:
    y = np.clip(8 * riff_sound(sr=48000), -1, 1)
    recording = read_audio(encode(tmp_path / name, y, 48000, codec))
    assert any("clipped" in sentence(warning) for warning in recording.warnings)
    clean = read_audio(encode(tmp_path / f"clean-{name}", riff_sound(sr=48000), 48000, codec))
    assert not any("clipped" in sentence(warning) for warning in clean.warnings)


def test_clipped_in_one_channel_only(tmp_path: Path) -> None:
    y = riff_sound(sr=SR)
    path = tmp_path / "take.wav"
    soundfile.write(path, np.stack([np.clip(8 * y, -1, 1), y], axis=1), SR)
    recording = read_audio(path)
    assert recording.level.clipped_share > 0.01
    assert "clipped" in sentence(recording.warnings[0])


@pytest.mark.parametrize("mains", [50.0, 60.0])
def test_hum_under_a_riff(mains: float) -> None:
    y = riff_sound(sr=SR, sec=8.0)
    level = 0.02
    report = level_report(y + _mains(mains, y.size, level), sr=SR)
    assert report.hum_hz == mains
    # The power of the lines at 1, 2, 3 and 5 times the mains: level^2 / 2 (1 + 1/4 + 1/9 + 1/25).
    want = 10 * np.log10(level**2 / 2 * (1 + 1 / 4 + 1 / 9 + 1 / 25))
    assert report.hum_db == pytest.approx(want, abs=1.5)
    assert any(f"{mains:.0f} Hz" in sentence(warning) for warning in report.warnings())


@pytest.mark.parametrize("hz", [97.999, 103.826, 123.471, 146.832, 110.0])
def test_drones_near_the_mains_are_no_hum(hz: float) -> None:
    y = np.zeros(10 * SR)
    for i in range(20):
        note = pluck(hz, sr=SR, sec=2.0)
        at = i * SR // 2
        y[at : at + note.size] += 0.1 * note[: y.size - at]
    assert level_report(y, sr=SR).hum_hz is None


def test_warnings_name_noise_and_quiet(rng: np.random.Generator) -> None:
    noisy = level_report(0.2 * riff_sound() + rng.normal(0, 0.05, 6 * SR), sr=SR).warnings()
    assert any("noise" in sentence(warning) for warning in noisy)
    quiet = level_report(0.01 * riff_sound(noise=0.0), sr=SR).warnings()
    assert any("closer" in sentence(warning) for warning in quiet)


def test_silent() -> None:
    report = level_report(np.zeros(SR), sr=SR)
    assert report.silent
    assert report.peak_db == -120.0


@pytest.mark.parametrize("size", [1, 2, 10, 300, 1000])
def test_level_report_very_short(size: int) -> None:
    report = level_report(0.5 * np.sin(np.arange(size)), sr=SR)
    assert np.isfinite([report.peak_db, report.noise_floor_db]).all()


def test_check_samples() -> None:
    assert check_samples([0.0, 0.5], SR).dtype == np.float32
    with pytest.raises(ParameterError, match="shape"):
        check_samples(np.zeros((2, 5)), SR)
    with pytest.raises(ParameterError, match="sr"):
        check_samples(np.zeros(5), 0)
    with pytest.raises(AudioError, match="empty"):
        check_samples([], SR)
    with pytest.raises(AudioError, match="1 samples are not numbers"):
        check_samples([0.0, float("nan")], SR)
