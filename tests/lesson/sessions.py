"""Small sessions for the tests, played by the string model, and the one that ships."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import soundfile

from transcribe.core.riff import Note, Riff
from transcribe.sound import render_riff
from transcribe.training.banks import SR
from transcribe.training.speech import Voice, spoken

FERRY = Path(__file__).resolve().parents[2] / "fixtures" / "lessons" / "ferry"

PIER = (50, 53, 55, 57, 55, 53, 50, 48, 50, 52, 53, 55, 53, 52, 48, 50)
BUOY = (64, 67, 69, 71, 72, 71, 69, 67, 64)
VOICE = Voice(pitch_hz=120.0, fall=0.7, syllable_sec=0.19, tract=1.0, breath=0.05)


def line(pitches: Sequence[int], start_sec: float, step_sec: float = 0.4) -> list[Note]:
    """Notes one after another; their ids count from the tenth of a second at which they begin."""
    return [
        Note(
            round(100 * (start_sec + k * step_sec)),
            start_sec + k * step_sec,
            start_sec + (k + 0.9) * step_sec,
            pitch,
        )
        for k, pitch in enumerate(pitches)
    ]


def recorded(
    notes: Sequence[Note], talk: Sequence[tuple[float, float]] = (), end_sec: float = 0.0
) -> np.ndarray:
    """Samples at `SR` of the notes, with somebody talking in the stretches ``talk``."""
    rng = np.random.default_rng(3)
    y = render_riff(Riff(notes=tuple(notes)))
    y = np.pad(y, (0, max(0, round(end_sec * SR) - len(y)))).astype(np.float32)
    for first, last in talk:
        begin, size = round(first * SR), round((last - first) * SR)
        y[begin : begin + size] += 0.08 * spoken(rng, size, VOICE)
    return y + 1e-4 * rng.standard_normal(len(y)).astype(np.float32)


def small_session() -> np.ndarray:
    """A line, talk, another line, a pause, and the first line again, slower."""
    notes = [*line(PIER, 0.5), *line(BUOY, 12.0), *line(PIER, 19.0, 0.5)]
    return recorded(notes, talk=[(7.4, 11.5)], end_sec=27.8)


def write_session(path: Path, y: np.ndarray) -> Path:
    soundfile.write(path, y, SR)
    return path
