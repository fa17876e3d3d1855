"""Instruments: named tunings, lists of pitches, and what is refused."""

from __future__ import annotations

import pytest

from transcribe.core.errors import ParameterError
from transcribe.core.instrument import TUNINGS, make_instrument, parse_tuning
from transcribe.core.pitch import parse_pitch, pitch_name


@pytest.mark.parametrize("text", ["H2", "E", "E##b4", "", "4E", "E99"])
def test_parse_pitch_refuses(text: str) -> None:
    with pytest.raises(ParameterError):
        parse_pitch(text)


@pytest.mark.parametrize(("text", "midi"), [("Eb3", 51), ("D#3", 51), ("F##2", 43), ("c4", 60)])
def test_parse_pitch_accidentals(text: str, midi: int) -> None:
    assert parse_pitch(text) == midi


def test_parse_tuning_takes_names_and_lists() -> None:
    assert parse_tuning("Drop-D") == TUNINGS["drop-d"]
    assert parse_tuning("half step_down") == TUNINGS["half-step-down"]
    assert parse_tuning("A4 E4 C4 G4") == TUNINGS["ukulele"]
    assert parse_tuning("E4,B3") == (64, 59)


@pytest.mark.parametrize(
    ("options", "match"),
    [
        ({"capo": 22}, "a capo sits at fret 0 to 21"),
        ({"capo": -1}, "a capo sits"),
        ({"frets": 0}, "1 to 36 frets"),
        ({"scale_length_mm": 5}, "100 to 2000 mm"),
        ({"tuning": "E4," * 13}, "1 to 12 strings"),
        ({"tuning": "E2,A2,D3,G3,B3,E4"}, "string 1 is the highest: E4,B3,G3,D3,A2,E2"),
    ],
)
def test_make_instrument_refuses(options: dict, match: str) -> None:
    with pytest.raises(ParameterError, match=match):
        make_instrument(**options)


def test_make_instrument_gives_each_its_usual_neck() -> None:
    assert make_instrument("bass").scale_length_mm > make_instrument("baritone").scale_length_mm
    assert make_instrument("ukulele").scale_length_mm < make_instrument().scale_length_mm
    assert make_instrument("ukulele", frets=18).frets == 18


@pytest.mark.parametrize("name", list(TUNINGS))
def test_places_cover_the_range_and_sound_right(name: str) -> None:
    instrument = make_instrument(name, capo=1)
    low = min(instrument.open_midi) + 1
    high = max(instrument.open_midi) + instrument.frets
    for midi in range(low, high + 1):
        for string, fret in instrument.places(midi):
            assert instrument.pitch_midi(string, fret) == midi
            assert 0 <= fret <= instrument.top_fret
    assert instrument.places(low - 1) == ()
    assert instrument.places(high + 1) == ()
    assert pitch_name(low)
