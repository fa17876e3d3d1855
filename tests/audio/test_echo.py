"""Whether an echo is recognised, on takes that the tests render themselves."""

from __future__ import annotations

import numpy as np
import pytest

from transcribe.audio.echo import echo_delay_sec
from transcribe.training.banks import SR, load_banks
from transcribe.training.clips import make_clip
from transcribe.training.surroundings import echoed


def line(seed: int = 5, kind: str = "line") -> np.ndarray:
    """Eight seconds of playing on synthesised strings."""
    clip = make_clip((77, seed), banks=load_banks(None), kind=kind, rough=0.0, duration_sec=8.0)
    return np.asarray(clip.y)


def delayed(y: np.ndarray, delay_sec: float, level_db: float, *, waver: float = 0.0) -> np.ndarray:
    """``y`` through an echo whose copies fall by half each and lose their treble."""
    rng = np.random.default_rng(1)
    level = 10.0 ** (level_db / 20.0)
    return echoed(y, delay_sec, level, 0.5, waver, 4000.0, rng=rng)


@pytest.mark.parametrize("delay_sec", [0.11, 0.25, 0.4375, 0.6])
@pytest.mark.parametrize("level_db", [-3.0, -10.0])
def test_the_delay_of_an_echo_is_measured(delay_sec: float, level_db: float) -> None:
    heard = echo_delay_sec(delayed(line(), delay_sec, level_db), sr=SR)
    assert heard == pytest.approx(delay_sec, abs=0.002)


def test_an_echo_that_wavers_a_little_is_still_one() -> None:
    heard = echo_delay_sec(delayed(line(), 0.32, -3.0, waver=0.0003), sr=SR)
    assert heard == pytest.approx(0.32, abs=0.005)


@pytest.mark.parametrize("kind", ["line", "drone", "strum", "arpeggio"])
def test_playing_without_an_echo_has_no_delay(kind: str) -> None:
    assert echo_delay_sec(line(kind=kind), sr=SR) is None


def test_strokes_in_even_time_are_no_echo() -> None:
    """Eighth notes of one pitch, 240 ms apart: no hand strikes the same wave twice."""
    rng = np.random.default_rng(3)
    t = np.arange(SR) / SR
    y = np.zeros(10 * SR)
    for k in range(38):
        tone = sum(
            rng.uniform(0.5, 1.0) / n * np.sin(2 * np.pi * (196.0 * n * t + rng.uniform()))
            for n in range(1, 9)
        )
        first = round(0.24 * k * SR)
        y[first : first + SR // 4] += (tone * np.exp(-4.0 * t))[: SR // 4]
    assert echo_delay_sec(y, sr=SR) is None


@pytest.mark.parametrize("size", [0, 100, SR])
def test_silence_and_noise_have_no_echo(size: int, rng: np.random.Generator) -> None:
    assert echo_delay_sec(np.zeros(10 * size), sr=SR) is None
    assert echo_delay_sec(rng.normal(size=10 * size), sr=SR) is None
