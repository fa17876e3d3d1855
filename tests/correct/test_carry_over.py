"""A take that is read again keeps what its riff was corrected to."""

from __future__ import annotations

import dataclasses

import pytest

from transcribe.core.instrument import make_instrument
from transcribe.core.riff import Note, PlayerSettings, Rhythm, Riff, Source
from transcribe.correct import carry_over
from transcribe.correct.pins import pin
from transcribe.correct.retime import half_time
from transcribe.correct.retune import set_drone, set_instrument


def _riff() -> Riff:
    places = [(62, 3, 7), (64, 3, 9), (65, 3, 10), (64, 3, 9)]
    notes = tuple(
        Note(i + 1, 0.5 * i, 0.5 * i + 0.45, pitch, string=string, fret=fret, onset_beat=float(i))
        for i, (pitch, string, fret) in enumerate(places)
    )
    beats = tuple(0.5 * i for i in range(5))
    rhythm = Rhythm(120.0, (4, 4), beats, (0.0, 2.0))
    return Riff(notes=notes, rhythm=rhythm, source=Source("take.wav", 2.5, sha256="a1"))


def _pinned() -> Riff:
    return pin(_riff(), {2: (4, 14)}, repeats=False)


def test_pins_follow_notes_that_moved_a_little() -> None:
    old = _pinned()
    new = [dataclasses.replace(n, id=n.id + 10, onset_sec=n.onset_sec + 0.03) for n in old.notes]
    assert carry_over.carry_pins(old, new) == ({12: (4, 14)}, ())


def test_a_pin_that_fits_no_note_is_named() -> None:
    old = _pinned()
    new = [dataclasses.replace(n, onset_sec=n.onset_sec + 0.06) for n in old.notes]
    pins, lost = carry_over.carry_pins(old, new)
    assert pins == {}
    assert [note.id for note in lost] == [2]


def test_places_of_a_file_are_no_pins_of_the_player() -> None:
    riff = _riff()
    held = tuple(dataclasses.replace(note, pinned=True) for note in riff.notes)
    places = {n.id: (n.string, n.fret) for n in held}
    old = dataclasses.replace(riff, notes=held, written_places=places)  # type: ignore[arg-type]
    assert carry_over.carry_pins(old, riff.notes) == ({}, ())


def test_what_was_said_is_kept_for_the_same_recording_alone() -> None:
    old = set_drone(half_time(_riff()), "off")
    kept = carry_over.kept_settings(old, "a1", {})
    assert kept["bpm"] == pytest.approx(60.0)
    assert kept["drone"] == "off"
    assert "instrument" not in kept
    assert carry_over.kept_settings(old, "b2", {}) == {}
    assert carry_over.kept_settings(old, None, {}) == {}


def test_what_is_said_now_comes_first() -> None:
    old = set_drone(half_time(_riff()), "off")
    kept = carry_over.kept_settings(old, "a1", {"meter": (3, 4), "drone": 5})
    assert kept == {}
    assert carry_over.kept_settings(old, "a1", {"bpm": None, "drone": "auto"}) != {}


def test_an_echo_that_was_kept_stays_until_it_is_said_otherwise() -> None:
    old = dataclasses.replace(_riff(), player=PlayerSettings(keep_echo=True))
    assert carry_over.kept_settings(old, "a1", {"keep_echo": None}) == {"keep_echo": True}
    assert carry_over.kept_settings(old, "a1", {"keep_echo": False}) == {}
    assert carry_over.with_settings(_riff(), {"keep_echo": True}).player.keep_echo


def test_a_corrected_tuning_is_kept_and_measured_anew() -> None:
    old = set_instrument(_riff(), make_instrument("drop-d", capo=2))
    old = dataclasses.replace(
        old, instrument=dataclasses.replace(old.instrument, offset_cents=-12.0)
    )
    instrument = carry_over.kept_settings(old, "a1", {})["instrument"]
    assert instrument == make_instrument("drop-d", capo=2)


def test_words_are_noted_for_the_next_reading() -> None:
    kept = {"bpm": 60.0, "drone": 5, "instrument": make_instrument("drop-d")}
    riff = carry_over.with_settings(_riff(), kept)
    assert riff.player == PlayerSettings(bpm=60.0, drone=5, instrument_given=True)
    assert carry_over.kept_settings(riff, "a1", {}).keys() == kept.keys()


def test_pins_are_held_and_the_rest_is_fingered_around_them() -> None:
    riff = carry_over.with_pins(_riff(), {2: (4, 14), 3: (5, 20)})
    assert (riff.note(2).string, riff.note(2).fret, riff.note(2).pinned) == (4, 14, True)
    assert (riff.note(3).string, riff.note(3).fret, riff.note(3).pinned) == (5, 20, True)
    assert not riff.note(1).pinned
    assert all(note.string for note in riff.notes)


def test_a_pin_that_does_not_sound_its_note_is_left_out() -> None:
    riff = carry_over.with_pins(_riff(), {2: (4, 3)})
    assert not any(note.pinned for note in riff.notes)
