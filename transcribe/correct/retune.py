"""Another drone, tuning or capo for a riff that is there already, as one step of its history.

The pitches stay as they were heard or written; the places on the neck are found again around the
pins, and so are the other fingerings and the theory.
`transcribe.correct.whole_riff` says what a step holds.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable

from transcribe.core.riff import Instrument, Note, Riff
from transcribe.correct.history import said
from transcribe.correct.whole_riff import kept_places, settled
from transcribe.drone import DroneChoice, find_drone

__all__ = ["given_drone", "given_instrument", "set_drone", "set_instrument"]


def set_drone(riff: Riff, choice: DroneChoice) -> Riff:
    """``riff`` with its drone looked for again (``auto``), ruled out (``off``), or on a string.

    Raises
    ------
    ParameterError
        If there is no such string.
    """
    drone = find_drone(_free(riff.notes), riff.instrument, drone=choice)
    new = dataclasses.replace(riff, drone=drone)
    return settled(riff, new, "drone", {"drone": choice}, others=True)


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
    drone = find_drone(notes, instrument, drone=given_drone(riff) or "auto")
    new = dataclasses.replace(riff, instrument=instrument, notes=notes, drone=drone)
    return settled(riff, new, "tuning", {"instrument": True}, others=True)


def given_drone(riff: Riff) -> DroneChoice | None:
    """What the player has said of the drone; None where nothing that holds."""
    choice = said(riff).drone
    return choice if choice in ("auto", "off") or isinstance(choice, int) else None


def given_instrument(riff: Riff) -> Instrument | None:
    """The riff's instrument where the player has corrected it, else None."""
    return riff.instrument if said(riff).instrument_given else None


def _free(notes: Iterable[Note]) -> tuple[Note, ...]:
    """``notes`` without places but for the pins: where they lie now comes of the drone that was,
    and must not speak for it."""
    return tuple(n if n.pinned else dataclasses.replace(n, string=None, fret=None) for n in notes)
