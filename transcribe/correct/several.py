"""Several notes at once: all on one string, all within reach of one hand position.

A position is named, as players name it, by the fret of the index finger: in seventh position the
four fingers lie at frets 7 to 10, and each of the outer ones reaches a fret further.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from transcribe.core.errors import ParameterError
from transcribe.core.key import pitch_in
from transcribe.core.riff import Note, Riff, sort_notes
from transcribe.core.strokes import strokes

__all__ = ["places_in_position", "places_on_string"]

_FINGERS = 4
_REACH_FRETS = 1  # frets that the first and the fourth finger reach out of the position

Place = tuple[int, int]


def places_on_string(riff: Riff, note_ids: Iterable[int], string: int) -> dict[int, Place]:
    """The places of some notes on one string.

    Parameters
    ----------
    riff : Riff
    note_ids : iterable of int
    string : int
        From 1, the string of the highest pitch.

    Returns
    -------
    dict of int to (int, int)
        Note id to (string, fret), as `transcribe.correct.pins.pin` takes it.

    Raises
    ------
    ParameterError
        If a note or the string is not there, or the string does not sound a note.
    """
    if not 1 <= string <= len(riff.instrument.open_midi):
        raise ParameterError(f"there is no string {string} on this instrument")
    places = {}
    for note in _notes(riff, note_ids):
        fret = riff.instrument.fret_of(string, note.pitch_midi)
        if fret is None:
            raise ParameterError(
                f"string {string} has no fret for note {note.id} "
                f"({pitch_in(riff, note.pitch_midi)}); "
                "choose another string, or leave that note out"
            )
        places[note.id] = (string, fret)
    return places


def places_in_position(riff: Riff, note_ids: Iterable[int], position: int) -> dict[int, Place]:
    """The places of some notes within reach of a hand that stays in one position.

    Notes that are struck together come to different strings, and as few as can be out of the four
    frets of the position. The drone's open strings stay.

    Parameters
    ----------
    riff : Riff
    note_ids : iterable of int
    position : int
        The fret of the index finger, from 1 to the last fret of the neck.

    Returns
    -------
    dict of int to (int, int)
        Note id to (string, fret), as `transcribe.correct.pins.pin` takes it.

    Raises
    ------
    ParameterError
        If a note or the position is not there, or a note is out of reach.
    """
    last = riff.instrument.frets - riff.instrument.capo
    if not 1 <= position <= last:
        raise ParameterError(f"there is no position {position} on this neck; use 1 to {last}")
    drones = set() if riff.drone is None else {riff.drone.string, *riff.drone.other_strings}
    notes = [n for n in _notes(riff, note_ids) if n.string not in drones or n.fret != 0]
    if not notes:
        raise ParameterError("only the drone is chosen, which needs no hand; choose other notes")
    places: dict[int, Place] = {}
    for stroke in strokes(notes):
        struck = [notes[k] for k in stroke]
        choices = [_reached(riff, note, position) for note in struck]
        found = _apart(choices)
        if found is None:
            blocked = next((n for n, c in zip(struck, choices, strict=True) if not c), struck[-1])
            raise ParameterError(
                f"note {blocked.id} ({pitch_in(riff, blocked.pitch_midi)}) has no place of its own "
                f"within reach of position {position}; choose another position, or leave it out"
            )
        places.update(zip((note.id for note in struck), found, strict=True))
    return places


def _notes(riff: Riff, note_ids: Iterable[int]) -> list[Note]:
    ids = set(note_ids)
    notes = [note for note in sort_notes(riff.notes) if note.id in ids]
    if gone := ids - {note.id for note in notes}:
        raise ParameterError(f"there is no note {min(gone)} any more")
    if not ids:
        raise ParameterError("no note is chosen; choose at least one")
    return notes


def _reached(riff: Riff, note: Note, position: int) -> list[Place]:
    """Where a note lies within reach of a position, its own four frets first."""
    near = range(max(1, position - _REACH_FRETS), position + _FINGERS + _REACH_FRETS)
    inside = range(position, position + _FINGERS)
    places = [place for place in riff.instrument.places(note.pitch_midi) if place[1] in near]
    return sorted(places, key=lambda place: (place[1] not in inside, place[0]))


def _apart(choices: list[list[Place]]) -> list[Place] | None:
    """One place of each, no two on one string, those that come first where it can be."""
    from scipy.optimize import linear_sum_assignment

    strings = 1 + max((string for places in choices for string, _ in places), default=0)
    never = 1.0 + sum(map(len, choices))
    cost = np.full((len(choices), max(strings, len(choices))), never)
    for row, places in zip(cost, choices, strict=True):
        for rank, (string, _) in reversed(list(enumerate(places))):
            row[string] = rank
    rows, columns = linear_sum_assignment(cost)
    if cost[rows, columns].max(initial=0.0) >= never:
        return None
    return [choices[row][int(cost[row, column])] for row, column in zip(rows, columns, strict=True)]
