"""Synthesised strings against published physics.

Sources: Fletcher 1964, "Normal vibration frequencies of a stiff piano string", JASA 36, 203-209
(partials of a stiff string; stiffness goes as 1/L^2); Fletcher & Rossing, The Physics of Musical
Instruments, section 2.7 (a string plucked at L/m lacks every m-th partial); ISO 16 (A4 = 440 Hz).
The formulas are written out again here, so that they do not come from the code under test.
"""

from __future__ import annotations

import numpy as np
import pytest

from transcribe.core.riff import Note, Riff
from transcribe.sound import Body, StringModel, pluck, render_riff
from transcribe.sound.plucked_string import fretted_stiffness

SR = 44100
FLAT = Body(resonances=(), low_hz=1.0)


def _peak_hz(y: np.ndarray, near_hz: float, *, sr: int = SR, cents: float = 60.0) -> float:
    """Frequency of the strongest peak near ``near_hz``, by a parabola through the dB spectrum."""
    size = 1 << 19
    spectrum = np.abs(np.fft.rfft(y * np.hanning(len(y)), size))
    low = int(near_hz * 2 ** (-cents / 1200) * size / sr)
    high = int(near_hz * 2 ** (cents / 1200) * size / sr) + 2
    at = low + int(np.argmax(spectrum[low:high]))
    a, b, c = np.log(spectrum[at - 1 : at + 2] + 1e-12)
    return (at + 0.5 * (a - c) / (a - 2 * b + c)) * sr / size


def _strength(y: np.ndarray, near_hz: float, *, sr: int = SR) -> float:
    size = 1 << 18
    spectrum = np.abs(np.fft.rfft(y * np.hanning(len(y)), size))
    at = round(near_hz * size / sr)
    return float(spectrum[at - 8 : at + 9].max())


@pytest.mark.parametrize(("f0_hz", "stiffness"), [(82.41, 1e-4), (110.0, 3e-4), (329.63, 4e-5)])
def test_partials_follow_fletcher(f0_hz: float, stiffness: float) -> None:
    # One plane of vibration, so that each partial is one line in the spectrum.
    string = StringModel(stiffness=stiffness, pick_position=0.137, ring_sec=9.0, second_plane=0.0)
    y = pluck(f0_hz, sr=SR, duration_sec=3.0, string=string, body=FLAT)
    for n in range(1, 16):
        expected = n * f0_hz * np.sqrt(1.0 + stiffness * n * n)
        measured = _peak_hz(y, expected, cents=min(60.0, 400.0 / n))
        assert abs(1200 * np.log2(measured / expected)) < 1.0, n


def test_stiffness_doubles_in_six_frets() -> None:
    length = 2.0 ** (-6 / 12)
    assert fretted_stiffness(1e-4, 6) == pytest.approx(1e-4 / length**2)
    string = StringModel(stiffness=2e-4, pick_position=0.137, ring_sec=9.0, second_plane=0.0)
    y = pluck(155.56, sr=SR, duration_sec=3.0, string=string, fret=12, body=FLAT)
    expected = 10 * 155.56 * np.sqrt(1.0 + 4 * 2e-4 * 100)
    assert abs(1200 * np.log2(_peak_hz(y, expected) / expected)) < 1.0


@pytest.mark.parametrize("m", [3, 4, 5])
def test_plucked_at_a_node_lacks_that_partial(m: int) -> None:
    string = StringModel(stiffness=0.0, pick_position=1.0 / m, softness=0.0)
    y = pluck(110.0, sr=SR, duration_sec=2.0, string=string, body=FLAT)
    for k in (1, 2, 3):
        missing, before = _strength(y, 110.0 * m * k), _strength(y, 110.0 * (m * k - 1))
        assert missing < 0.02 * before


def test_harmonic_at_fret_12_sounds_the_even_partials_alone() -> None:
    y = pluck(110.0, sr=SR, duration_sec=2.0, node=2, body=FLAT)
    assert _strength(y, 220.0) > 30 * _strength(y, 110.0)
    assert _strength(y, 440.0) > 30 * _strength(y, 330.0)


@pytest.mark.parametrize(("pitch_midi", "hz"), [(69, 440.0), (45, 110.0), (57, 220.0)])
def test_riff_sounds_at_the_iso_16_pitch(pitch_midi: int, hz: float) -> None:
    riff = Riff(notes=(Note(1, 0.0, 2.0, pitch_midi),))
    y = render_riff(riff, sr=SR)
    # The stiffness lifts the lowest partial by a tenth of a cent at most.
    assert abs(1200 * np.log2(_peak_hz(y[: 2 * SR], hz) / hz)) < 1.0
