"""What a correction names: one note, a bar or a phrase, and where its notes should lie.

Written on the command line as ``12=3/7`` (note 12 on string 3, fret 7), ``bar:2=4`` (the notes
of bar 2 on string 4), ``phrase:A=4``, or ``bar:2`` alone (the notes of bar 2 stay where they lie).
"""

from __future__ import annotations

import re

from transcribe.errors import ParameterError
from transcribe.riff import Note, Riff

__all__ = ["places_of"]

_NOTE = re.compile(r"^(\d+)=(\d+)/(\d+)$")
_STRETCH = re.compile(r"^(bar|phrase):([^=]+)(?:=(\d+))?$")


def places_of(riff: Riff, text: str) -> dict[int, tuple[int, int]]:
    """The places that ``text`` asks for: note id -> (string, fret).

    For a bar or a phrase with a string, open strings of the drone stay, and so do notes that the
    string cannot sound; a phrase means its first pass (its repeats follow it anyway).

    Raises
    ------
    ParameterError
        If ``text`` is none of the forms above, names a bar or phrase that is not there, or
        moves no note.
    """
    if match := _NOTE.match(text):
        note_id, wanted_string, wanted_fret = (int(part) for part in match.groups())
        return {note_id: (wanted_string, wanted_fret)}
    if not (match := _STRETCH.match(text)):
        raise ParameterError(
            f"{text!r} is not a pin; write ID=STRING/FRET such as 12=3/7, "
            "or bar:2=4, phrase:A=4, or bar:2 to hold a bar as it is"
        )
    kind, name, wanted = match.groups()
    notes = _of_bar(riff, name) if kind == "bar" else _of_phrase(riff, name)
    if wanted is None:
        return {
            n.id: (n.string, n.fret) for n in notes if n.string is not None and n.fret is not None
        }
    string = int(wanted)
    if not 1 <= string <= len(riff.instrument.open_midi):
        raise ParameterError(f"there is no string {string} on this instrument")
    drones = set() if riff.drone is None else {riff.drone.string, *riff.drone.other_strings}
    places = {}
    for note in notes:
        fret = riff.instrument.fret_of(string, note.pitch_midi)
        if fret is not None and not (note.string in drones and note.fret == 0):
            places[note.id] = (string, fret)
    if not places:
        raise ParameterError(f"no note of {kind} {name} can be played on string {string}")
    return places


def _of_bar(riff: Riff, name: str) -> list[Note]:
    if riff.rhythm is None or not name.isdigit():
        raise ParameterError(
            f"bar {name!r} cannot be found; bars are numbered from 1 as in the tab"
        )
    beats = riff.rhythm.meter[0]
    first = (int(name) - 1) * beats
    return _between(riff, first, first + beats, f"bar {name}")


def _of_phrase(riff: Riff, name: str) -> list[Note]:
    phrases = () if riff.rhythm is None else riff.rhythm.phrases
    for phrase in phrases:
        if phrase.label == name:
            return _between(riff, phrase.start_beat, phrase.end_beat, f"phrase {name}")
    labels = ", ".join(dict.fromkeys(phrase.label for phrase in phrases))
    raise ParameterError(f"there is no phrase {name!r}; there are: {labels or 'none'}")


def _between(riff: Riff, start_beat: float, end_beat: float, what: str) -> list[Note]:
    notes = [
        note
        for note in riff.notes
        if note.onset_beat is not None and start_beat - 1e-6 <= note.onset_beat < end_beat - 1e-6
    ]
    if not notes:
        raise ParameterError(f"{what} holds no notes")
    return notes
