"""Decoding and resampling beside other readers.

Sources: the standard library's `wave` reads PCM by the RIFF/WAVE layout; FFmpeg's command line, by
its own decoder; `scipy.signal.resample_poly` as second resampler; levels from the definition of
dBFS (a full-scale sine has a peak of 0 and an effective level of -3.01 dB, AES17).
"""

from __future__ import annotations

import shutil
import subprocess
import wave
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import resample_poly

from tests.audio.sounds import encode, riff_sound
from transcribe.audio import level_report, read_audio, resample


def test_pcm_by_the_standard_library(tmp_path: Path) -> None:
    rate, y = 44100, riff_sound(sr=44100, sec=2.0)
    path = tmp_path / "take.wav"
    pcm = np.round(y * 32767).astype("<i2")
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(rate)
        file.writeframes(pcm.tobytes())
    recording = read_audio(path)
    np.testing.assert_array_equal(recording.y, (pcm / 32768).astype(np.float32))
    assert recording.sr == rate


@pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="FFmpeg's command is not installed")
@pytest.mark.parametrize(("name", "codec"), [("take.m4a", "aac"), ("take.webm", "libopus")])
def test_phone_kinds_by_ffmpeg(name: str, codec: str, tmp_path: Path) -> None:
    path = encode(tmp_path / name, riff_sound(sr=48000, sec=2.0), 48000, codec)
    command = ["ffmpeg", "-v", "error", "-i", str(path), "-f", "f32le", "-ac", "1", "-"]
    raw = subprocess.run(command, check=True, capture_output=True).stdout
    other = np.frombuffer(raw, "<f4")
    mine = read_audio(path).y
    assert abs(mine.size - other.size) <= 2048
    size = min(mine.size, other.size)
    likeness = max(
        float(np.corrcoef(mine[a : size - 3000 + a], other[b : size - 3000 + b])[0, 1])
        for a, b in ((0, 0), (312, 0), (1024, 0), (0, 312), (0, 1024))
    )
    assert likeness > 0.999


@pytest.mark.parametrize(("sr", "to_sr"), [(44100, 22050), (48000, 22050), (22050, 44100)])
def test_resample_beside_scipy(sr: int, to_sr: int) -> None:
    y = riff_sound(sr=sr, sec=2.0, noise=0.0)
    mine = resample(y, sr=sr, to_sr=to_sr)
    gcd = int(np.gcd(sr, to_sr))
    other = resample_poly(y.astype(float), to_sr // gcd, sr // gcd)
    inner = slice(2000, min(mine.size, other.size) - 2000)
    assert np.corrcoef(mine[inner], other[inner])[0, 1] > 0.9995


def test_level_of_a_full_scale_sine() -> None:
    t = np.arange(4 * 48000) / 48000
    report = level_report(0.999 * np.sin(2 * np.pi * 997 * t), sr=48000)
    assert report.peak_db == pytest.approx(0.0, abs=0.02)
    assert report.signal_db == pytest.approx(-3.01, abs=0.05)
