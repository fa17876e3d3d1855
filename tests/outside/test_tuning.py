"""Pitches and tunings against published numbers.

Sources: ISO 16:1975 (A4 = 440 Hz); the table of equal-tempered frequencies on A4 = 440 Hz, as
handbooks print it (here from memory of Young 1939, JASA 11, 134, to 0.01 Hz); MIDI 1.0 Detailed
Specification (note 60 = middle C, 69 = A4). Fret positions: Fletcher & Rossing, The Physics of
Musical Instruments, section 9.2. Open strings and the fifth-fret rule: common practice, no source.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.audio.sounds import pluck
from transcribe.audio import tuning_offset_cents
from transcribe.core.instrument import TUNINGS, fret_position_mm
from transcribe.core.pitch import hz_to_midi, midi_to_hz, parse_pitch, pitch_name

TABLE_HZ = {
    "E2": 82.41, "F2": 87.31, "F#2": 92.50, "G2": 98.00, "G#2": 103.83, "A2": 110.00,
    "A#2": 116.54, "B2": 123.47, "C3": 130.81, "C#3": 138.59, "D3": 146.83, "D#3": 155.56,
    "E3": 164.81, "G3": 196.00, "B3": 246.94, "C4": 261.63, "E4": 329.63, "A4": 440.00,
    "B4": 493.88, "C5": 523.25, "E5": 659.26, "A5": 880.00, "D6": 1174.66,
}  # fmt: skip
MIDI_NUMBERS = {"C-1": 0, "A0": 21, "E2": 40, "A2": 45, "C4": 60, "A4": 69, "C8": 108, "G9": 127}


@pytest.mark.parametrize(("name", "hz"), TABLE_HZ.items())
def test_pitch_is_the_tables_frequency(name: str, hz: float) -> None:
    midi = parse_pitch(name)
    assert 440.0 * 2.0 ** ((midi - 69) / 12) == pytest.approx(hz, abs=0.006)
    assert midi_to_hz(midi) == pytest.approx(hz, abs=0.006)
    assert hz_to_midi(hz) == pytest.approx(midi, abs=0.002)
    assert pitch_name(midi) == name


@pytest.mark.parametrize(("name", "number"), MIDI_NUMBERS.items())
def test_midi_numbers(name: str, number: int) -> None:
    assert parse_pitch(name) == number
    assert pitch_name(number) == name


@pytest.mark.parametrize("name", ["E2", "A2", "D3", "G3", "B3", "E4", "A4"])
def test_a_string_at_the_tables_frequency_is_in_tune(name: str) -> None:
    """The offset is measured against ISO 16, not against the project's own synthesis of pitch."""
    y = pluck(TABLE_HZ[name], sr=44100, sec=3.0)
    # The table is rounded to 0.01 Hz: at E2 that is 0.1 cent.
    assert tuning_offset_cents(y, sr=44100) == pytest.approx(0.0, abs=1.0)


@pytest.mark.parametrize("reference_hz", [432.0, 435.0, 442.0, 443.0, 444.0, 446.0])
def test_orchestras_that_tune_elsewhere(reference_hz: float) -> None:
    """A4 at another frequency is 1200 log2(f / 440) cents off."""
    y = pluck(reference_hz, sr=44100, sec=3.0)
    cents = 1200 * np.log2(reference_hz / 440)
    assert tuning_offset_cents(y, sr=44100) == pytest.approx(cents, abs=1.0)


def test_tuning_offset_beside_librosa() -> None:
    """`librosa.estimate_tuning`, at its own resolution of a cent, hears the same offset."""
    import librosa

    sr = 22050
    y = np.concatenate([pluck(f * 2 ** (18 / 1200), sr=sr, sec=1.0) for f in TABLE_HZ.values()])
    theirs = 100 * float(librosa.estimate_tuning(y=y, sr=sr, n_fft=8192, resolution=0.01))
    assert tuning_offset_cents(y, sr=sr) == pytest.approx(theirs, abs=3.0)
    assert tuning_offset_cents(y, sr=sr) == pytest.approx(18.0, abs=1.0)


def test_standard_tuning_has_the_open_strings_every_player_knows() -> None:
    """E A D G B E from the lowest (common practice, no source)."""
    assert [pitch_name(m) for m in TUNINGS["standard"]] == ["E4", "B3", "G3", "D3", "A2", "E2"]


def test_fifth_fret_rule() -> None:
    """Fret 5 sounds the next higher open string, fret 4 on the G string (common practice)."""
    strings = TUNINGS["standard"]
    for string in range(1, 6):
        fret = 4 if string == 2 else 5
        assert strings[string] + fret == strings[string - 1]


def test_fret_twelve_halves_the_string() -> None:
    """x = L (1 - 2^(-n/12)): fret 12 at L/2, others as computed by hand for 650 mm."""
    assert fret_position_mm(12, 648.0) == pytest.approx(324.0)
    assert fret_position_mm(5, 650.0) == pytest.approx(163.05, abs=0.02)
    assert fret_position_mm(7, 650.0) == pytest.approx(216.18, abs=0.02)
    assert fret_position_mm(19, 650.0) == pytest.approx(433.09, abs=0.02)
