"""The one bridge between seconds and beats, and the range that a tempo may have.

Conventions: beat 0 is the first downbeat; one beat is one unit of the meter's denominator; a tempo
counts beats a minute. Between two beats time runs evenly; before the first and after the last it
goes on as in the outermost beat. Where fewer than two beats are known it runs at the tempo.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, overload

import numpy as np

from transcribe.core.errors import ParameterError
from transcribe.core.riff import Note, Rhythm, Riff
from transcribe.core.score_place import counted_beats

__all__ = [
    "MAX_BPM",
    "MIN_BPM",
    "Clock",
    "ScoreNote",
    "bpm_as_counted",
    "check_bpm",
    "distinct_parts",
    "interpolate",
    "score_notes",
]

MIN_BPM, MAX_BPM = 20.0, 600.0
"""Slowest and fastest tempo; 600 eighths a minute are a 6/8 of 200 dotted quarters."""

_SHORTEST_BEATS = 1 / 16  # of a note whose seconds fall on one moment of the score


def check_bpm(bpm: float) -> None:
    """Refuse a tempo that is out of range or no number.

    Raises
    ------
    ParameterError
        If ``bpm`` is not within `MIN_BPM` to `MAX_BPM`.
    """
    if not MIN_BPM <= bpm <= MAX_BPM:
        raise ParameterError(
            f"bpm is {bpm:g}; give {MIN_BPM:.0f} to {MAX_BPM:.0f} beats a minute", parameter="bpm"
        )


def bpm_as_counted(counted: float, meter: tuple[int, int] | None) -> float:
    """Units of ``meter`` a minute, from a tempo as a player counts it: dotted quarters in 6/8.

    Where no meter is known, the number stays as it is.

    Raises
    ------
    ParameterError
        If that is not within `MIN_BPM` to `MAX_BPM`.

    Examples
    --------
    >>> bpm_as_counted(84.0, (6, 8)), bpm_as_counted(96.0, (4, 4)), bpm_as_counted(84.0, None)
    (252.0, 96.0, 84.0)
    """
    per = 1 if meter is None else counted_beats(meter)
    if meter is not None and per > 1 and not MIN_BPM <= per * counted <= MAX_BPM:
        raise ParameterError(
            f"{counted:g} beats a minute; a beat of {meter[0]}/{meter[1]} is {per} of its units: "
            f"give {MIN_BPM / per:.0f} to {MAX_BPM / per:.0f}",
            parameter="bpm",
        )
    return per * counted


def interpolate(at: Any, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """``y`` at ``at``: linear between the points ``x``, and on along the outermost two.

    Parameters
    ----------
    at : float or np.ndarray
        Where to look.
    x, y : np.ndarray, shape (n,), n at least 2
        Points; ``x`` rises strictly.
    """
    at = np.asarray(at, dtype=float)
    out = np.interp(at, x, y)
    out = np.where(at < x[0], y[0] + (at - x[0]) * ((y[1] - y[0]) / (x[1] - x[0])), out)
    last = (y[-1] - y[-2]) / (x[-1] - x[-2])
    return np.where(at > x[-1], y[-1] + (at - x[-1]) * last, out)


def distinct_parts(shares: Iterable[float], parts: int) -> dict[float, float]:
    """Shares of a bar moved to the nearest of its ``parts``, no two to the same one.

    Where there are more shares than parts, the parts are halved.

    Examples
    --------
    >>> distinct_parts([0.0, 0.24, 0.26], 4)
    {0.0: 0.0, 0.24: 0.25, 0.26: 0.5}
    """
    ordered = sorted(set(shares))
    while parts < len(ordered):
        parts *= 2
    found: dict[float, float] = {}
    free = 0
    for i, share in enumerate(ordered):
        part = min(max(round(share * parts), free), parts - len(ordered) + i)
        found[share] = part / parts
        free = part + 1
    return found


class Clock:
    """The bridge between seconds and beats of one `Rhythm`.

    Examples
    --------
    >>> clock = Clock(Rhythm(120.0, beats_sec=(1.0, 1.5, 2.0), downbeats_sec=(1.5,)))
    >>> clock.beat(1.75), clock.sec(3)
    (0.5, 3.0)
    """

    def __init__(self, rhythm: Rhythm) -> None:
        first = rhythm.downbeats_sec[0] if rhythm.downbeats_sec else None
        beats = np.asarray(rhythm.beats_sec, dtype=float)
        if beats.size == 0:
            beats = np.array([first or 0.0])
        zero = 0 if first is None else int(np.abs(beats - first).argmin())
        if beats.size == 1:
            beats = np.append(beats, beats + 60.0 / rhythm.bpm)
        self._sec = beats
        self._beat = np.arange(beats.size, dtype=float) - zero

    @overload
    def beat(self, sec: float) -> float: ...
    @overload
    def beat(self, sec: np.ndarray) -> np.ndarray: ...
    def beat(self, sec: Any) -> Any:
        """Score time in beats at ``sec`` seconds."""
        found = interpolate(sec, self._sec, self._beat)
        return found if found.ndim else float(found)

    @overload
    def sec(self, beat: float) -> float: ...
    @overload
    def sec(self, beat: np.ndarray) -> np.ndarray: ...
    def sec(self, beat: Any) -> Any:
        """Performance time in seconds at ``beat``."""
        found = interpolate(beat, self._beat, self._sec)
        return found if found.ndim else float(found)


@dataclass(frozen=True, slots=True)
class ScoreNote:
    """A note with its score times in beats."""

    note: Note
    onset_beat: float
    duration_beat: float


def score_notes(riff: Riff, rhythm: Rhythm) -> list[ScoreNote]:
    """Every note with score times, by onset; notes without any get theirs from the seconds."""
    clock = Clock(rhythm)
    found = []
    for note in riff.notes:
        onset = note.onset_beat if note.onset_beat is not None else clock.beat(note.onset_sec)
        length = note.duration_beat
        if length is None or length <= 0:
            length = clock.beat(note.offset_sec) - clock.beat(note.onset_sec)
            length = max(length, _SHORTEST_BEATS)
        found.append(ScoreNote(note, onset, length))
    found.sort(key=lambda s: (s.onset_beat, s.note.pitch_midi, s.note.id))
    return found
