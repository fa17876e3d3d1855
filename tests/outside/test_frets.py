"""Frets, tunings and pitch names against published formulas and what every player knows."""

from __future__ import annotations

import pytest

from transcribe.core.errors import ParameterError
from transcribe.core.instrument import (
    TUNINGS,
    fret_position_mm,
    make_instrument,
    parse_tuning,
    tuning_name,
)
from transcribe.core.pitch import parse_pitch, pitch_name
from transcribe.core.riff import Instrument


def test_twelfth_fret_halves_the_string() -> None:
    # Fletcher & Rossing, The Physics of Musical Instruments, section 9.2.
    assert fret_position_mm(12, 648.0) == pytest.approx(324.0)
    assert fret_position_mm(24, 648.0) == pytest.approx(486.0)


def test_seventh_and_fifth_fret_lie_near_the_simple_ratios() -> None:
    # The same section: a fifth leaves about 2/3 of the string, a fourth about 3/4; the tempered
    # fifth is 1.955 cents narrow, the fourth as much wide (ratios 3/2 and 4/3 against 2^(7/12)).
    assert 1 - fret_position_mm(7, 1.0) == pytest.approx(2 / 3, abs=0.0008)
    assert 1 - fret_position_mm(5, 1.0) == pytest.approx(3 / 4, abs=0.0009)


def test_each_fret_is_a_semitone_shorter() -> None:
    # x = L (1 - 2^(-n/12)), the same section; the luthier's divisor is 17.817 (common practice).
    for n in range(22):
        left = 648.0 - fret_position_mm(n, 648.0)
        step = fret_position_mm(n + 1, 648.0) - fret_position_mm(n, 648.0)
        assert left / step == pytest.approx(17.817, abs=0.001)


def test_fifth_fret_rule_and_its_exception() -> None:
    # Common practice, no source: fret 5 sounds the next open string, fret 4 on the G string.
    guitar = Instrument()
    for string in (6, 5, 4, 2):
        assert guitar.pitch_midi(string, 5) == guitar.pitch_midi(string - 1, 0)
    assert guitar.pitch_midi(3, 4) == guitar.pitch_midi(2, 0)


def test_fret_twelve_is_the_octave_and_a_capo_raises_all() -> None:
    for name in TUNINGS:
        instrument = make_instrument(name, frets=24)
        for string in range(1, len(instrument.open_midi) + 1):
            # A string that begins part way up the neck has its octave as far above its own nut.
            nut = instrument.nut_frets[string - 1] if instrument.nut_frets else 0
            octave = instrument.open_midi[string - 1] + 12
            assert instrument.pitch_midi(string, 12 + nut) == octave
    assert make_instrument(capo=3).pitch_midi(6, 0) == parse_pitch("G2")


@pytest.mark.parametrize(
    ("name", "hertz"),
    [("E2", 82.41), ("A2", 110.0), ("D3", 146.83), ("G3", 196.0), ("B3", 246.94), ("E4", 329.63)],
)
def test_standard_tuning_in_hertz(name: str, hertz: float) -> None:
    # ISO 16: A4 = 440 Hz; the other values from any equal-temperament table.
    midi = parse_pitch(name)
    assert 440.0 * 2 ** ((midi - 69) / 12) == pytest.approx(hertz, abs=0.01)
    assert midi in TUNINGS["standard"]


def test_middle_c_is_60() -> None:
    # MIDI 1.0 Detailed Specification: middle C is note number 60 (called C4 here).
    assert parse_pitch("C4") == 60
    assert pitch_name(60) == "C4"
    assert parse_pitch("A4") == 69


@pytest.mark.parametrize("chord", ["open-g", "open-d", "open-e", "open-a", "open-c"])
def test_open_tunings_are_major_chords(chord: str) -> None:
    # What an open tuning is: its strings sound the major triad of its name.
    root = parse_pitch(chord[-1].upper() + "2") % 12
    assert {p % 12 for p in TUNINGS[chord]} == {root, (root + 4) % 12, (root + 7) % 12}


def test_tuning_names_and_lists() -> None:
    for name, strings in TUNINGS.items():
        assert tuning_name(strings) == name
        assert parse_tuning(",".join(pitch_name(p) for p in strings)) == strings
    assert tuning_name((1, 2, 3)) is None
    with pytest.raises(ParameterError, match="list the open strings"):
        parse_tuning("washboard")


def test_pitch_names_of_music21_are_the_same_pitches() -> None:
    pitch = pytest.importorskip("music21").pitch
    for midi in range(24, 100):
        assert pitch.Pitch(pitch_name(midi).replace("b", "-")).midi == midi
