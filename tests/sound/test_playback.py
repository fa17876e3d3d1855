"""Riffs played on synthesised strings: time, pitch, one note per string, loudness."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from transcribe.core.errors import ParameterError
from transcribe.core.riff import Bend, Instrument, Note, Riff
from transcribe.sound import PEAK, render_riff

SR = 22050


def _note(number: int, onset: float, offset: float, string: int, fret: int, how: str = "picked"):
    pitch = Instrument().pitch_midi(string, fret)
    return Note(number, onset, offset, pitch, string=string, fret=fret, articulation=how)


def _level(y: np.ndarray, start: float, end: float) -> float:
    return float(np.sqrt(np.mean(y[round(start * SR) : round(end * SR)] ** 2)))


def _tone(y: np.ndarray, start: float, end: float, midi: float) -> float:
    """Strength of one pitch's lowest partial in a stretch of sound."""
    piece = y[round(start * SR) : round(end * SR)]
    t = np.arange(len(piece)) / SR
    hz = 440 * 2 ** ((midi - 69) / 12)
    return float(np.abs(np.sum(piece * np.hanning(len(piece)) * np.exp(-2j * np.pi * hz * t))))


def _pitch(y: np.ndarray, start: float, end: float, near: float) -> float:
    grid = np.arange(near - 3.0, near + 3.0, 0.02)
    return float(grid[int(np.argmax([_tone(y, start, end, m) for m in grid]))])


@pytest.mark.parametrize("speed", [1.0, 0.5, 1.6])
def test_notes_sound_when_they_should(speed: float) -> None:
    riff = Riff(notes=(_note(1, 0.5, 0.9, 4, 2), _note(2, 1.3, 1.7, 3, 4)))
    y = render_riff(riff, speed=speed)
    assert np.all(y[: round(0.499 / speed * SR)] == 0)
    assert _level(y, 0.5 / speed, 0.52 / speed) > 0.02
    assert _level(y, 1.1 / speed, 1.29 / speed) < 1e-4
    assert _level(y, 1.3 / speed, 1.32 / speed) > 0.02


def test_speed_keeps_the_pitch() -> None:
    riff = Riff(notes=(_note(1, 0.0, 2.0, 5, 0),))
    for speed in (0.5, 1.0, 2.0):
        assert _pitch(render_riff(riff, speed=speed), 0.1, 0.8, 45) == pytest.approx(45, abs=0.06)


def test_a_string_sounds_one_note() -> None:
    riff = Riff(notes=(_note(1, 0.0, 3.0, 3, 0), _note(2, 0.5, 3.0, 3, 5)))
    y = render_riff(riff)
    assert _tone(y, 0.05, 0.45, 55) > 20 * _tone(y, 0.05, 0.45, 60)
    assert _tone(y, 0.7, 1.6, 60) > 20 * _tone(y, 0.7, 1.6, 55)


def test_two_strings_ring_together() -> None:
    riff = Riff(notes=(_note(1, 0.0, 3.0, 4, 0), _note(2, 0.5, 3.0, 3, 7)))
    y = render_riff(riff)
    alone = _tone(y, 0.8, 1.8, 55)
    assert _tone(y, 0.8, 1.8, 50) > 10 * alone
    assert _tone(y, 0.8, 1.8, 62) > 10 * alone


def _click(y: np.ndarray, at: float) -> float:
    """How much faster the sound changes just after ``at`` than just before."""
    bright = np.diff(y, 2)
    i = round(at * SR)
    return float(np.abs(bright[i : i + 150]).max() / np.abs(bright[i - 300 : i - 140]).max())


def test_a_hammer_on_has_no_fresh_attack() -> None:
    first, second = _note(1, 0.2, 0.7, 3, 2), _note(2, 0.7, 1.4, 3, 4)
    struck = render_riff(Riff(notes=(first, second)))
    carried = render_riff(Riff(notes=(first, replace(second, articulation="hammer-on"))))
    assert _tone(carried, 0.8, 1.3, 59) > 10 * _tone(carried, 0.8, 1.3, 57)
    assert _click(struck, 0.7) > 3 * _click(carried, 0.7)


def test_a_slide_glides_and_a_bend_rises() -> None:
    slid = Riff(notes=(_note(1, 0.1, 0.8, 3, 2), _note(2, 0.8, 1.6, 3, 7, "slide")))
    y = render_riff(slid)
    assert _pitch(y, 0.2, 0.6, 57) == pytest.approx(57, abs=0.1)
    assert 57.3 < _pitch(y, 0.73, 0.79, 59.5) < 62.5
    assert _pitch(y, 0.9, 1.5, 62) == pytest.approx(62, abs=0.1)
    bent = _note(1, 0.1, 1.4, 3, 7, "bend")
    for bend in (Bend(cents=200.0), Bend(semitones=2)):
        y = render_riff(Riff(notes=(replace(bent, bend=bend),)))
        assert _pitch(y, 0.5, 1.3, 64) == pytest.approx(64, abs=0.1)
    y = render_riff(Riff(notes=(replace(bent, bend=Bend(semitones=2, released=True)),)))
    assert _pitch(y, 0.4, 1.1, 64) == pytest.approx(64, abs=0.1)
    assert _pitch(y, 1.36, 1.4, 62.5) < 63.0


def test_detuning_and_capo_are_heard() -> None:
    instrument = Instrument(capo=2, offset_cents=-30.0)
    note = Note(1, 0.0, 1.5, 52, string=4, fret=0)
    y = render_riff(Riff(instrument=instrument, notes=(note,)))
    assert _pitch(y, 0.1, 1.4, 52) == pytest.approx(51.7, abs=0.06)


def test_playback_is_never_loud() -> None:
    strum = tuple(_note(i, 0.1 + 0.004 * i, 2.0, i, 0) for i in range(1, 7))
    loud = tuple(replace(n, loudness_db=0.0 if n.id == 1 else -60.0) for n in strum)
    for notes in (strum, loud, strum[:1]):
        y = render_riff(Riff(notes=notes))
        assert 0.05 < np.abs(y).max() <= np.float32(PEAK)
        assert np.sqrt(np.mean(y**2)) <= 0.101


def test_unknown_strings_and_dead_notes_play() -> None:
    free = Riff(notes=(Note(1, 0.1, 1.0, 64), Note(2, 0.1, 1.0, 45)))
    y = render_riff(free)
    assert _tone(y, 0.2, 0.9, 64) > 10 * _tone(y, 0.2, 0.9, 60)
    dead = render_riff(Riff(notes=(_note(1, 0.1, 1.0, 4, 5, "dead"),)))
    assert _level(dead, 0.1, 0.13) > 100 * _level(dead, 0.3, 0.5)


def test_an_empty_riff_is_silence() -> None:
    y = render_riff(Riff())
    assert len(y) > 0
    assert not y.any()


@pytest.mark.parametrize(
    ("options", "message"),
    [({"sr": 100}, "sample rate"), ({"speed": 0.0}, "speed"), ({"speed": math.nan}, "speed")],
)
def test_bad_options_are_refused(options: dict[str, float], message: str) -> None:
    with pytest.raises(ParameterError, match=message):
        render_riff(Riff(notes=(Note(1, 0.0, 1.0, 60),)), **options)  # type: ignore[arg-type]


def test_a_riff_without_end_is_refused() -> None:
    with pytest.raises(ParameterError, match="two hours"):
        render_riff(Riff(notes=(Note(1, 0.0, 1e7, 60),)))


def test_progress_is_told() -> None:
    notes = tuple(_note(i, 0.02 * i, 0.02 * i + 0.02, 1, i % 12) for i in range(1, 250))
    told: list[float] = []
    render_riff(Riff(notes=notes), progress=lambda stage, share: told.append(share))
    assert told == sorted(told)
    assert len(told) == 2
