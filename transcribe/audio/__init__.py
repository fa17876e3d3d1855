"""Recordings in: decode, mix to mono, resample, measure the level and the tuning.

Conventions: samples are float32 with full scale at 1.0, mono as ``(n,)``; times in seconds;
levels in dB below full scale (dBFS, 0 = full scale); tuning in cents above A4 = 440 Hz (ISO 16).
"""

from __future__ import annotations

from transcribe.audio.level import LevelReport, check_samples, level_report
from transcribe.audio.recording import MAX_SEC, Recording, read_audio, resample
from transcribe.audio.tuning import tuning_offset_cents

__all__ = [
    "MAX_SEC",
    "LevelReport",
    "Recording",
    "check_samples",
    "level_report",
    "read_audio",
    "resample",
    "tuning_offset_cents",
]
