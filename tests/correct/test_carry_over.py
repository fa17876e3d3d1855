"""Corrections that are carried over to a second transcription of the same recording."""

from __future__ import annotations

import dataclasses

import pytest

from tests.formats.riffs import make_riff
from transcribe import api
from transcribe.core.instrument import make_instrument
from transcribe.core.riff import Instrument, Riff, Source
from transcribe.correct import note_edits, retime, retune
from transcribe.correct.carry_over import carry_over, settings_to_keep
from transcribe.correct.history import undo
from transcribe.correct.pins import pin
from transcribe.fingering import pins_of

SHA = "5" * 64


@pytest.fixture(scope="module")
def riff() -> Riff:
    """Two bars of a melody over the open D string, from a recording."""
    items = []
    for beat in range(8):
        items += [(beat, 1, 4, 0), (beat, 0.5, 3, (2, 4, 5, 7)[beat % 4])]
    found = api.finger(make_riff(items))
    return dataclasses.replace(found, source=Source("pier.wav", 8.0, SHA))


def transcribed_again(riff: Riff, later_sec: float = 0.0, raised: int = 0) -> Riff:
    """``riff`` as a second transcription finds it: other ids, no pins, no history."""
    notes = tuple(
        dataclasses.replace(
            note,
            id=note.id + 100,
            onset_sec=note.onset_sec + later_sec,
            offset_sec=note.offset_sec + later_sec,
            pitch_midi=note.pitch_midi + raised,
            string=None,
            fret=None,
            pinned=False,
        )
        for note in riff.notes
    )
    return api.finger(dataclasses.replace(riff, notes=notes, history=()))


def elsewhere(riff: Riff, k: int) -> tuple[int, tuple[int, int]]:
    """A note and a place where it does not lie."""
    note = riff.notes[k]
    places = riff.instrument.places(note.pitch_midi)
    return note.id, next(p for p in places if p != (note.string, note.fret))


def test_settings_that_were_corrected_are_kept(riff: Riff) -> None:
    assert settings_to_keep(riff, SHA, {}) == {}
    now = retune.set_drone(retime.retime(riff, bpm=150.0, meter=(3, 4)), "off")
    now = retune.set_instrument(now, make_instrument("drop-d"))
    assert settings_to_keep(now, SHA, {"drone": "auto", "bpm": None}) == {
        "bpm": 150.0,
        "meter": (3, 4),
        "drone": "off",
        "instrument": now.instrument,
    }
    assert settings_to_keep(undo(now), SHA, {}).keys() == {"bpm", "meter", "drone"}
    assert settings_to_keep(now, "6" * 64, {}) == {}
    assert settings_to_keep(now, None, {}) == {}


def test_what_is_asked_for_anew_is_not_kept(riff: Riff) -> None:
    now = retune.set_drone(retime.retime(riff, bpm=150.0, meter=(3, 4)), "off")
    assert settings_to_keep(now, SHA, {"meter": (4, 4)}) == {"drone": "off"}
    assert settings_to_keep(now, SHA, {"drone": 4}).keys() == {"bpm", "meter"}
    tuned = retune.set_instrument(riff, make_instrument("drop-d"))
    assert settings_to_keep(tuned, SHA, {"instrument": Instrument()}) == {}


def test_kept_settings_are_the_players_in_the_new_document_too(riff: Riff) -> None:
    carried = carry_over(riff, transcribed_again(riff), {"bpm": 150.0, "drone": "off"})
    assert settings_to_keep(carried.riff, SHA, {}) == {"bpm": 150.0, "drone": "off"}


def test_pins_follow_notes_that_moved_a_little(riff: Riff) -> None:
    note_id, place = elsewhere(riff, 3)
    pinned = pin(riff, {note_id: place}, repeats=False)
    carried = carry_over(pinned, transcribed_again(riff, 0.03))
    assert (carried.pins, carried.lost, carried.edits) == (1, 0, 0)
    assert pins_of(carried.riff) == {note_id + 100: place}
    for other in carried.riff.alternatives:
        assert other.positions[note_id + 100] == place


def test_a_pin_that_fits_no_note_is_counted(riff: Riff) -> None:
    note_id, place = elsewhere(riff, 3)
    pinned = pin(riff, {note_id: place}, repeats=False)
    for again in (transcribed_again(riff, 0.06), transcribed_again(riff, raised=1)):
        carried = carry_over(pinned, again)
        assert (carried.pins, carried.lost) == (0, 1)
        assert pins_of(carried.riff) == {}


def test_a_pin_keeps_its_string_on_another_tuning(riff: Riff) -> None:
    note = next(n for n in riff.notes if n.string == 3 and n.fret == 7)
    pinned = pin(riff, {note.id: (3, 7)}, repeats=False)
    capo = dataclasses.replace(riff, instrument=dataclasses.replace(riff.instrument, capo=2))
    assert pins_of(carry_over(pinned, transcribed_again(capo)).riff) == {note.id + 100: (3, 5)}


def test_two_pins_that_clash_on_the_new_notes_keep_one(riff: Riff) -> None:
    low, high = riff.notes[0], riff.notes[1]
    pinned = pin(riff, {low.id: (5, 5), high.id: (4, 7)}, repeats=False)
    new = transcribed_again(riff)
    both = tuple(
        dataclasses.replace(note, string=4, fret=note.pitch_midi - 50, pinned=True)
        if note.id in (low.id, high.id)
        else note
        for note in pinned.notes
    )
    carried = carry_over(dataclasses.replace(pinned, notes=both), new)
    assert (carried.pins, carried.lost) == (1, 1)


def test_edits_of_notes_are_counted_and_places_of_a_file_are_no_pins(riff: Riff) -> None:
    cut = note_edits.delete(riff, [riff.notes[-1].id])
    assert carry_over(cut, transcribed_again(riff)).edits == 1
    places = {n.id: (n.string or 0, n.fret or 0) for n in riff.notes}
    notes = tuple(dataclasses.replace(n, pinned=True) for n in riff.notes)
    read = dataclasses.replace(riff, notes=notes, written_places=places)
    assert carry_over(read, transcribed_again(riff)).pins == 0
