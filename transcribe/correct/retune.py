"""Another drone, tuning or capo for a riff that is there already, as one step of its history.

The pitches stay as they were heard or written; the places on the neck are found again around the
pins, and so are the other fingerings and the theory.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable

from transcribe.core.riff import Instrument, Note, Riff
from transcribe.correct.history import record
from transcribe.correct.pins import places_as_written
from transcribe.correct.solving import find_again
from transcribe.drone import DroneChoice, find_drone

__all__ = ["kept_places", "set_drone", "set_instrument"]


def set_drone(riff: Riff, choice: DroneChoice) -> Riff:
    """``riff`` with its drone looked for again (``auto``), ruled out (``off``), or on a string.

    Raises
    ------
    ParameterError
        If there is no such string.
    """
    known = riff.timing.lengths == "known"
    drone = find_drone(_free(riff.notes), riff.instrument, drone=choice, ends_known=known)
    player = dataclasses.replace(riff.player, drone=choice)
    new = dataclasses.replace(riff, drone=drone, player=player)
    return record(riff, find_again(riff, new, others=True), "drone")


def set_instrument(riff: Riff, instrument: Instrument) -> Riff:
    """``riff`` on another tuning, capo or neck; what was measured of its pitch stays.

    A pin stays on its string at the fret that sounds its note now, or is let go where there is
    none; the places of a file are let go together where one of them is lost. The drone is looked
    for again, unless the player has named it or ruled it out.

    Raises
    ------
    ParameterError
        If the drone that was named is on a string that the instrument lacks.
    """
    instrument = dataclasses.replace(instrument, offset_cents=riff.instrument.offset_cents)
    kept = kept_places(riff, instrument)
    notes = _free(kept.notes)
    known = riff.timing.lengths == "known"
    drone = find_drone(notes, instrument, drone=riff.player.drone or "auto", ends_known=known)
    player = dataclasses.replace(riff.player, instrument_given=True)
    new = dataclasses.replace(kept, instrument=instrument, notes=notes, drone=drone, player=player)
    return record(riff, find_again(riff, new, others=True), "tuning")


def kept_places(riff: Riff, new: Instrument) -> Riff:
    """``riff`` with its places as they are on another tuning or capo, and nothing else changed.

    Each note stays on its string, at the fret that sounds its pitch there now. Where there is
    none, or no such string, the note is left without a place and without its pin. Places that a
    file brought along stay together or not at all: the rest of them would hold the hand nowhere.
    """
    written = places_as_written(riff)
    moved = {i: (s, _fret_on(new, s, riff.note(i).pitch_midi)) for i, (s, _) in written.items()}
    whole = all(fret is not None for _, fret in moved.values())
    kept = []
    for note in riff.notes:
        if note.string is not None:
            fret = _fret_on(new, note.string, note.pitch_midi)
            if fret is None or (note.id in written and not whole):
                note = dataclasses.replace(note, string=None, fret=None, finger=None, pinned=False)
            else:
                note = dataclasses.replace(note, fret=fret)
        kept.append(note)
    places = {i: (s, fret) for i, (s, fret) in moved.items() if whole and fret is not None}
    return dataclasses.replace(riff, notes=tuple(kept), written_places=places)


def _fret_on(instrument: Instrument, string: int, pitch_midi: int) -> int | None:
    """The fret of a string that sounds a pitch; None where there is no such fret or string."""
    return instrument.fret_of(string, pitch_midi) if string <= len(instrument.open_midi) else None


def _free(notes: Iterable[Note]) -> tuple[Note, ...]:
    """``notes`` without places but for the pins.

    Where the others lie now follows from the drone that was, and must not speak for it.
    """
    return tuple(n if n.pinned else dataclasses.replace(n, string=None, fret=None) for n in notes)
