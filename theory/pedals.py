"""A low note that sounds throughout, and the melody over it."""

from __future__ import annotations

import numpy as np

from theory.arrays import Notes

__all__ = ["melody", "pedals"]

_LEAST = 4  # notes beside a drone that make a melody
_STRETCHES = 8  # equal stretches of a riff, in nearly all of which a drone is struck
_SHARE = 0.15  # of the notes that a drone makes at least


def melody(notes: Notes, drones: tuple[int, ...]) -> Notes:
    """The notes without the drone's own; all of them where little else sounds."""
    line = ~np.isin(notes.pitch, drones)
    if not drones or line.sum() < _LEAST:
        return notes
    return Notes(notes.onset[line], notes.duration[line], notes.pitch[line], notes.weight[line])


def pedals(notes: Notes) -> tuple[int, ...]:
    """The low note that comes back throughout under others, as a drone does; else nothing.

    It is the lowest but for stray notes, is struck in nearly every stretch of the riff, and
    sounds together with other notes more often than not.
    """
    if len(notes) < 2 * _STRETCHES:
        return ()
    low = int(np.sort(notes.pitch)[len(notes) // 20])
    own = notes.pitch == low
    whole = float(notes.end.max() - notes.onset[0])
    stretch = ((notes.onset - notes.onset[0]) / whole * _STRETCHES).astype(np.int64)
    if own.mean() < _SHARE or np.unique(stretch[own]).size < _STRETCHES - 2:
        return ()
    together = [
        bool(((notes.onset < end) & (notes.end > start) & ~own).any())
        for start, end in zip(notes.onset[own], notes.end[own], strict=True)
    ]
    return (low,) if np.mean(together) > 0.5 else ()
