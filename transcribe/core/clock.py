"""Seconds to beats and back along a riff's own beats, and the score times of its notes.

Beat 0 is the first downbeat; one beat is one unit of the meter's denominator. Between two beats
time runs evenly; outside the beats that are known it runs at the riff's tempo.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from transcribe.core.riff import Note, Rhythm, Riff

__all__ = ["Clock", "ScoreNote", "score_notes"]

_SAME_SEC = 0.02  # how close the first downbeat must be to a beat to be that beat


class Clock:
    """The bridge between seconds and beats of one `Rhythm`."""

    def __init__(self, rhythm: Rhythm) -> None:
        self._beat_sec = 60.0 / rhythm.bpm
        beats = np.asarray(rhythm.beats_sec, dtype=float)
        first = rhythm.downbeats_sec[0] if rhythm.downbeats_sec else None
        if beats.size == 0:
            beats = np.array([0.0 if first is None else first])
        index = 0 if first is None else int(np.abs(beats - first).argmin())
        if first is not None and abs(beats[index] - first) > max(_SAME_SEC, 0.25 * self._beat_sec):
            beats = np.sort(np.append(beats, first))
            index = int(np.searchsorted(beats, first))
        self._sec = beats
        self._beat = np.arange(beats.size, dtype=float) - index

    def beat(self, sec: float) -> float:
        """Score time in beats at ``sec`` seconds."""
        if sec <= self._sec[0]:
            return float(self._beat[0] + (sec - self._sec[0]) / self._beat_sec)
        if sec >= self._sec[-1]:
            return float(self._beat[-1] + (sec - self._sec[-1]) / self._beat_sec)
        return float(np.interp(sec, self._sec, self._beat))

    def sec(self, beat: float) -> float:
        """Performance time in seconds at ``beat``."""
        if beat <= self._beat[0]:
            return float(self._sec[0] + (beat - self._beat[0]) * self._beat_sec)
        if beat >= self._beat[-1]:
            return float(self._sec[-1] + (beat - self._beat[-1]) * self._beat_sec)
        return float(np.interp(beat, self._beat, self._sec))


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
            length = max(clock.beat(note.offset_sec) - clock.beat(note.onset_sec), 1 / 16)
        found.append(ScoreNote(note, onset, length))
    found.sort(key=lambda s: (s.onset_beat, s.note.pitch_midi, s.note.id))
    return found
