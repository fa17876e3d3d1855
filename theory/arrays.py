"""Checks that every public function makes on its note arrays, done once and in one order."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from theory.errors import TheoryError

__all__ = ["STROKE_SEC", "FloatArray", "Notes", "as_beats", "as_drones", "as_notes"]

FloatArray = npt.NDArray[np.float64]

STROKE_SEC = 0.06
"""Onsets this close to the one before are struck together: the strings of a slow strum follow each
other by up to 24 ms (common practice, no source), and one between two may be missed."""


@dataclass(frozen=True, slots=True)
class Notes:
    """Checked notes sorted by onset, then pitch. All arrays have shape ``(n,)``.

    ``weight`` is 0-1: how far each note is to be believed. ``pitch`` holds whole MIDI numbers.
    """

    onset: FloatArray
    duration: FloatArray
    pitch: npt.NDArray[np.int64]
    weight: FloatArray

    def __len__(self) -> int:
        return int(self.onset.size)

    @property
    def end(self) -> FloatArray:
        """When each note stops, in the unit of the onsets."""
        return self.onset + self.duration


def _column(values: Iterable[float], name: str) -> FloatArray:
    try:
        array = np.array(list(values), dtype=np.float64)
    except (TypeError, ValueError):
        raise TheoryError(f"{name} must be a flat list of numbers") from None
    if array.ndim != 1:
        raise TheoryError(f"{name} must be a flat list of numbers, not {array.ndim}-dimensional")
    bad = np.flatnonzero(~np.isfinite(array))
    if bad.size:
        raise TheoryError(f"{name}[{bad[0]}] is {array[bad[0]]}; give finite numbers")
    return array


def as_notes(
    onset_sec: Iterable[float],
    duration_sec: Iterable[float],
    pitch_midi: Iterable[float],
    confidence: Iterable[float] | None = None,
) -> Notes:
    """Checked copies of the note arrays, sorted by onset, then pitch.

    Raises
    ------
    TheoryError
        If lengths differ, a number is not finite, a duration is not above 0, a pitch is outside
        MIDI 0-127 or a confidence outside 0-1.
    """
    onset = _column(onset_sec, "onset_sec")
    duration = _column(duration_sec, "duration_sec")
    pitch = _column(pitch_midi, "pitch_midi")
    weight = np.ones(onset.size) if confidence is None else _column(confidence, "confidence")
    for name, array in (
        ("duration_sec", duration),
        ("pitch_midi", pitch),
        ("confidence", weight),
    ):
        if array.size != onset.size:
            raise TheoryError(
                f"onset_sec holds {onset.size} numbers but {name} {array.size}; give one per note"
            )
    short = np.flatnonzero(duration <= 0)
    if short.size:
        raise TheoryError(
            f"duration_sec[{short[0]}] is {duration[short[0]]:g}; a note lasts longer than 0"
        )
    outside = np.flatnonzero((pitch < 0) | (pitch > 127))
    if outside.size:
        raise TheoryError(
            f"pitch_midi[{outside[0]}] is {pitch[outside[0]]:g}; MIDI numbers run from 0 to 127"
        )
    unsure = np.flatnonzero((weight < 0) | (weight > 1))
    if unsure.size:
        raise TheoryError(f"confidence[{unsure[0]}] is {weight[unsure[0]]:g}; it runs from 0 to 1")
    whole = np.rint(pitch).astype(np.int64)
    order = np.lexsort((whole, onset))
    return Notes(onset[order], duration[order], whole[order], weight[order])


def as_beats(times_sec: Iterable[float] | None, name: str) -> FloatArray | None:
    """Checked copy of rising times; None and an empty list give None.

    Raises
    ------
    TheoryError
        If a time is not finite or does not come after the one before.
    """
    if times_sec is None:
        return None
    times = _column(times_sec, name)
    back = np.flatnonzero(np.diff(times) <= 0)
    if back.size:
        raise TheoryError(
            f"{name}[{back[0] + 1}] is {times[back[0] + 1]:g}, not after the time before it"
        )
    return times if times.size else None


def as_drones(drone_midi: Iterable[int] | int | None) -> tuple[int, ...]:
    """The drone's pitches as a tuple; None gives none.

    Raises
    ------
    TheoryError
        If a pitch is outside MIDI 0-127.
    """
    if drone_midi is None:
        return ()
    pitches = (drone_midi,) if isinstance(drone_midi, int | np.integer) else tuple(drone_midi)
    for pitch in pitches:
        if not 0 <= pitch <= 127:
            raise TheoryError(f"drone_midi is {pitch}; MIDI numbers run from 0 to 127")
    return tuple(int(pitch) for pitch in pitches)
