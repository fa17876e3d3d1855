"""A low note that sounds throughout, and the melody over it."""

from __future__ import annotations

import numpy as np

from theory.arrays import Notes

__all__ = ["STROKE_SHARE", "find_drone_pitches", "without_drone"]

STROKE_SHARE = 0.08
"""Share of the usual note's length within which the strings of one stroke are struck."""

_MIN_MELODY_NOTES = 4  # notes beside a drone that make a melody
_STRETCH_COUNT = 8  # equal stretches of a riff, in nearly all of which a drone is struck
_MIN_DRONE_SHARE = 0.15  # of the notes that a drone makes at least
_MIN_ALONE_SHARE = 0.8  # of the notes over a drone that are struck alone at least
_MIN_TURNS_SHARE = 1 / 3  # of them, where it takes turns with the melody,
_MAX_NOTES_BETWEEN = 3  # with this many notes between two strokes

_GAPS_SHARE = 0.9  # of the gaps between its strokes that are no longer than that,
_MIN_MEAN_BETWEEN = 0.5  # and so many notes on average, or it is only struck again and again


def without_drone(notes: Notes, drones: tuple[int, ...]) -> Notes:
    """The notes without the drone's own; all of them where little else sounds."""
    line = ~np.isin(notes.pitch, drones)
    if not drones or line.sum() < _MIN_MELODY_NOTES:
        return notes
    return Notes(notes.onset[line], notes.duration[line], notes.pitch[line], notes.weight[line])


def find_drone_pitches(notes: Notes) -> tuple[int, ...]:
    """The low note that comes back throughout under others, as a drone does; else nothing.

    It is the lowest but for stray notes, is struck in nearly every stretch of the riff, and
    either sounds together with other notes more often than not or takes turns with them: a third
    of the notes or more, and seldom more than three others between two of its strokes. Over it
    goes a single line; under chords it is only their bass.
    """
    if len(notes) < 2 * _STRETCH_COUNT:
        return ()
    low = int(np.sort(notes.pitch)[len(notes) // 20])
    own = notes.pitch == low
    whole = float(notes.end.max() - notes.onset[0])
    stretch = ((notes.onset - notes.onset[0]) / whole * _STRETCH_COUNT).astype(np.int64)
    if own.mean() < _MIN_DRONE_SHARE or np.unique(stretch[own]).size < _STRETCH_COUNT - 2:
        return ()
    rest = notes.onset[~own]
    if (
        rest.size < 2
        or (np.diff(rest) > STROKE_SHARE * np.median(notes.duration)).mean() < _MIN_ALONE_SHARE
    ):
        return ()
    # More notes have begun before a stroke ends than were over when it began.
    begun = np.searchsorted(rest, notes.end[own], side="left")
    over = np.searchsorted(np.sort(notes.end[~own]), notes.onset[own], side="right")
    together = begun > over
    between = np.diff(np.flatnonzero(own)) - 1
    turns = (
        own.mean() >= _MIN_TURNS_SHARE
        and np.quantile(between, _GAPS_SHARE) <= _MAX_NOTES_BETWEEN
        and between.mean() >= _MIN_MEAN_BETWEEN
    )
    return (low,) if turns or np.mean(together) > 0.5 else ()
