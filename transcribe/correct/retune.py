"""Another drone, tuning or capo for a riff that is there already, as one step of its history.

The pitches stay as they were heard or written; the places on the neck are found again around the
pins, and so are the other fingerings and the theory.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable

from transcribe.core.riff import Instrument, Note, Riff
from transcribe.correct.history import record
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
    none. The drone is looked for again, unless the player has named it or ruled it out.

    Raises
    ------
    ParameterError
        If the drone that was named is on a string that the instrument lacks.
    """
    instrument = dataclasses.replace(instrument, offset_cents=riff.instrument.offset_cents)
    notes = _free(kept_places(riff.notes, instrument))
    known = riff.timing.lengths == "known"
    drone = find_drone(notes, instrument, drone=riff.player.drone or "auto", ends_known=known)
    player = dataclasses.replace(riff.player, instrument_given=True)
    new = dataclasses.replace(riff, instrument=instrument, notes=notes, drone=drone, player=player)
    return record(riff, find_again(riff, new, others=True), "tuning")


def kept_places(notes: Iterable[Note], new: Instrument) -> tuple[Note, ...]:
    """``notes`` for another tuning or capo: each stays on its string, where that reaches it.

    Its fret is the one that sounds its pitch there now. Where there is none, or no such string,
    the note is left without a place and without its pin.
    """
    kept = []
    for note in notes:
        if note.string is not None:
            there = note.string <= len(new.open_midi)
            fret = new.fret_of(note.string, note.pitch_midi) if there else None
            if fret is None:
                note = dataclasses.replace(note, string=None, fret=None, finger=None, pinned=False)
            else:
                note = dataclasses.replace(note, fret=fret)
        kept.append(note)
    return tuple(kept)


def _free(notes: Iterable[Note]) -> tuple[Note, ...]:
    """``notes`` without places but for the pins.

    Where the others lie now follows from the drone that was, and must not speak for it.
    """
    return tuple(n if n.pinned else dataclasses.replace(n, string=None, fret=None) for n in notes)
