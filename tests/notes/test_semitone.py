"""A guitar half way between two semitones: read as the hand plays it, and said where unsure."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np
import pytest

from transcribe.audio import tuning_offset_cents
from transcribe.core.instrument import TUNINGS
from transcribe.core.riff import Instrument, Note
from transcribe.core.wording import sentence
from transcribe.notes import find_notes, find_tuned_notes
from transcribe.notes.semitone import open_string_evidence
from transcribe.training.banks import load_banks
from transcribe.training.phrases import PlayedNote
from transcribe.training.render import render

SR = 22050
STANDARD = Instrument()

DRONE = [(45, 5, 0)] + [(50 + f, 4, f) for f in (7, 9, 10)] + [(45, 5, 0), (57, 4, 7)]
"""The open A string rings under a melody on the D string: (pitch, string, fret)."""
LINE = [(m, 4, m - 50) for m in (53, 56, 58, 60, 61, 58, 56, 53, 58, 61)]
"""A line on one string that no open string speaks for."""


def _sound(places: Sequence[tuple[int, int, int]], cents: float, *, drone: bool) -> np.ndarray:
    """``places`` a third of a second apart on synthesised strings ``cents`` off."""
    played = [
        PlayedNote(0.2 + 0.33 * i, 0.2 + 0.33 * i + 0.31, pitch, string, fret)
        for i, (pitch, string, fret) in enumerate(places)
    ]
    if drone:
        strikes = [n for n in played if n.string == 5]
        ends = [n.onset_sec for n in strikes[1:]] + [played[-1].offset_sec]
        played = [
            dataclasses.replace(n, offset_sec=ends[strikes.index(n)]) if n in strikes else n
            for n in played
        ]
    bank = load_banks(None)["strings"].for_clip(np.random.default_rng(4))
    y, _ = render(
        tuple(played),
        bank=bank,
        rng=np.random.default_rng(5),
        duration_sec=played[-1].offset_sec + 0.4,
        offset_cents=cents,
    )
    return np.asarray(y)


def _notes(rows: Sequence[tuple[float, float, int]]) -> tuple[Note, ...]:
    return tuple(Note(i + 1, a, b, p) for i, (a, b, p) in enumerate(rows))


@pytest.mark.parametrize("cents", [-51.0, -45.0, 45.0, 51.0])
def test_a_drone_on_an_open_string_names_the_semitone(cents: float) -> None:
    y = _sound(DRONE * 3, cents, drone=True)
    heard = find_tuned_notes(y, sr=SR, instrument=STANDARD)
    assert heard.offset_cents == pytest.approx(cents, abs=4.0)
    pitches = [n.pitch_midi for n in heard.notes]
    assert pitches.count(45) >= 5
    assert set(pitches) <= {45, 57, 59, 60}


def test_beyond_half_a_semitone_the_sound_alone_says_the_other() -> None:
    """The case above is one: by the nearest semitone, its every note is a semitone too high."""
    y = _sound(DRONE * 3, 51.0, drone=True)
    nearest = tuning_offset_cents(y, sr=SR)
    assert nearest == pytest.approx(-49.0, abs=4.0)
    assert 46 in {n.pitch_midi for n in find_notes(y, sr=SR, offset_cents=nearest)}


def test_where_nothing_tells_the_player_is_told() -> None:
    y = _sound(LINE, 49.0, drone=False)
    heard = find_tuned_notes(y, sr=SR, instrument=STANDARD)
    assert heard.doubt is not None
    assert "half way between two semitones" in sentence(heard.doubt)
    if heard.offset_cents > 0:  # the other reading is a semitone, and so a fret, higher
        assert "one too low, give the tuning as D#4,A#3,F#3,C#3,G#2,D#2" in sentence(heard.doubt)
    else:
        assert "one too high, give the tuning as F4,C4,G#3,D#3,A#2,F2" in sentence(heard.doubt)


@pytest.mark.parametrize("cents", [-33.0, 0.0, 38.0])
def test_within_forty_cents_the_nearest_semitone_is_meant(cents: float) -> None:
    y = _sound(LINE, cents, drone=False)
    heard = find_tuned_notes(y, sr=SR)
    assert heard.doubt is None
    assert heard.offset_cents == tuning_offset_cents(y, sr=SR)
    assert heard.notes == find_notes(y, sr=SR, offset_cents=heard.offset_cents)


def test_silence_has_no_semitone() -> None:
    heard = find_tuned_notes(np.zeros(SR), sr=SR)
    assert (heard.notes, heard.offset_cents, heard.doubt) == ((), 0.0, None)


def test_open_strings_speak_for_the_pitches_they_give() -> None:
    rows = [(0.5 * i, 0.5 * i + 2.0, p) for i, p in enumerate([40, 55, 59, 64, 45, 57, 60, 64])]
    here = open_string_evidence(_notes(rows), STANDARD)
    assert here > open_string_evidence(_notes(rows), STANDARD, shift=1) + 1.0
    assert here > open_string_evidence(_notes(rows), STANDARD, shift=-1) + 1.0
    lower = Instrument(TUNINGS["half-step-down"])
    assert open_string_evidence(_notes(rows), lower, shift=-1) == pytest.approx(here)


def test_a_note_below_the_lowest_string_speaks_against() -> None:
    rows = [(0.5 * i, 0.5 * i + 0.45, p) for i, p in enumerate([40, 43, 46, 48, 40, 43])]
    here = open_string_evidence(_notes(rows), STANDARD)
    assert here > open_string_evidence(_notes(rows), STANDARD, shift=-1) + 3.0
    behind_capo = Instrument(capo=1)
    assert open_string_evidence(_notes(rows), behind_capo, shift=1) == pytest.approx(here)


def test_dead_notes_have_no_pitch_to_go_by() -> None:
    dead = tuple(dataclasses.replace(n, articulation="dead") for n in _notes([(0.0, 0.1, 40)]))
    assert open_string_evidence(dead, STANDARD) == 0.0
