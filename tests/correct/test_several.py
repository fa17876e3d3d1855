"""Several notes at once: on one string, in one position, played in one way."""

from __future__ import annotations

import pytest

from transcribe.core.errors import ParameterError
from transcribe.core.riff import Drone, Note, Riff
from transcribe.core.wording import sentence
from transcribe.correct import note_edits
from transcribe.correct.history import remark_of, undo
from transcribe.correct.pins import pin
from transcribe.correct.several import places_in_position, places_on_string


def _riff(*pitches: int | tuple[int, ...], drone: Drone | None = None) -> Riff:
    notes = []
    for k, chord in enumerate(pitches):
        for pitch in chord if isinstance(chord, tuple) else (chord,):
            notes.append(Note(len(notes) + 1, 0.5 * k, 0.5 * k + 0.4, pitch))
    return Riff(notes=tuple(notes), drone=drone)


def test_a_scale_lies_in_its_position() -> None:
    # A minor pentatonic in fifth position, two notes a string: common practice, no source.
    scale = (45, 48, 50, 52, 55, 57, 60, 62, 64, 67, 69, 72)
    box = [(6, 5), (6, 8), (5, 5), (5, 7), (4, 5), (4, 7), (3, 5), (3, 7)]
    box += [(2, 5), (2, 8), (1, 5), (1, 8)]
    places = places_in_position(_riff(*scale), range(1, 13), 5)
    assert list(places.values()) == box


def test_notes_struck_together_get_strings_of_their_own() -> None:
    # F major with the barre at fret 1: F2 C3 F3 A3 C4 F4 (common practice, no source).
    places = places_in_position(_riff((41, 48, 53, 57, 60, 65)), range(1, 7), 1)
    assert set(places.values()) == {(6, 1), (5, 3), (4, 3), (3, 2), (2, 1), (1, 1)}
    # Two that have the same string alone in reach cannot both be had.
    with pytest.raises(ParameterError, match="reach of position 12"):
        places_in_position(_riff((52, 53)), [1, 2], 12)


def test_what_is_out_of_reach_is_named() -> None:
    with pytest.raises(ParameterError, match=r"note 2 \(E2\).*position 9"):
        places_in_position(_riff(52, 40), [1, 2], 9)
    with pytest.raises(ParameterError, match=r"string 1 has no fret for note 2 \(E2\)"):
        places_on_string(_riff(64, 40), [1, 2], 1)
    for position in (0, 23):
        with pytest.raises(ParameterError, match="there is no position"):
            places_in_position(_riff(64), [1], position)
    with pytest.raises(ParameterError, match="there is no string 7"):
        places_on_string(_riff(64), [1], 7)
    with pytest.raises(ParameterError, match="there is no note 9 any more"):
        places_on_string(_riff(64), [1, 9], 1)


def test_the_drone_rings_on() -> None:
    riff = _riff(45, 64, drone=Drone(5, 0.0, 1.0))
    riff = pin(riff, {1: (5, 0)}, repeats=False)
    assert places_in_position(riff, [1, 2], 5) == {2: (2, 5)}


def test_a_technique_for_several_is_one_step() -> None:
    riff = _riff(60, 62, 64)
    after = note_edits.set_technique(riff, [1, 2], "vibrato")
    assert [note.articulation for note in after.notes] == ["vibrato", "vibrato", "picked"]
    assert sentence(remark_of(after.history[-1])) == "change of note 1 and 1 more"
    back = undo(after)
    assert [note.articulation for note in back.notes] == ["picked"] * 3
    with pytest.raises(ParameterError, match="vibrato already"):
        note_edits.set_technique(after, [1, 2], "vibrato")
    with pytest.raises(ParameterError, match="no technique"):
        note_edits.set_technique(riff, [1], "whistled")
