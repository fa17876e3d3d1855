"""Notes that are struck together become one rhythmic event.

Conventions: times in seconds. A chord, also one whose strum is spread, is one event; a grace of
tracking errors is left to the later steps.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from transcribe.riff import Note

__all__ = ["Events", "drone_pitches", "group"]

CHORD_SEC = 0.05
"""Onsets this close to the first of them are one event (the issue of a strum's spread); it is
below the shortest notated value that a hand plays, a sixteenth at 160 beats a minute, 94 ms."""


@dataclass(frozen=True)
class Events:
    """Events in order of time; every array has shape (n,) but ``members`` and ``pitches``.

    ``members[i]`` lists indices into the notes that were grouped, ``owner[k]`` is the event of
    note ``k``. ``bass`` marks events that strike the drone or the lowest register, ``loud`` is in
    dB above the riff's median (0 where loudness is unknown), ``sure`` the highest confidence of the
    members.
    """

    onset_sec: np.ndarray
    owner: np.ndarray
    members: tuple[tuple[int, ...], ...]
    pitches: tuple[frozenset[int], ...]
    size: np.ndarray
    bass: np.ndarray
    loud: np.ndarray
    length_sec: np.ndarray
    sure: np.ndarray
    drone: frozenset[int]

    def __len__(self) -> int:
        return len(self.onset_sec)


def drone_pitches(notes: Sequence[Note]) -> frozenset[int]:
    """The pitch that is struck again and again under the rest, if there is one.

    It must be the lowest but for rare exceptions, come at least four times, and sound through the
    onsets of other notes for most of its strikes.
    """
    if len(notes) < 8:
        return frozenset()
    counts = Counter(n.pitch_midi for n in notes)
    onsets = np.array(sorted(n.onset_sec for n in notes))
    below = 0
    for pitch in sorted(counts):
        count = counts[pitch]
        if count >= 4 and count >= 0.06 * len(notes) and below <= 0.05 * len(notes):
            strikes = [n for n in notes if n.pitch_midi == pitch]
            through = sum(
                int(np.searchsorted(onsets, n.offset_sec - 0.03))
                > int(np.searchsorted(onsets, n.onset_sec + CHORD_SEC))
                for n in strikes
            )
            if through >= 0.5 * count and _stands_apart(pitch, counts):
                return frozenset({pitch})
        below += count
        if below > 0.05 * len(notes):
            break
    return frozenset()


def _stands_apart(pitch: int, counts: Counter[int]) -> bool:
    others = [p for p in counts if p != pitch]
    return bool(others) and counts[pitch] >= np.median([counts[p] for p in others])


def group(notes: Sequence[Note], drone: frozenset[int] | None = None) -> Events:
    """Group ``notes`` (sorted by onset) into events.

    The time of an event is the mean of its onsets, which averages the jitter of its notes.
    """
    if drone is None:
        drone = drone_pitches(notes)
    members: list[list[int]] = []
    struck: set[int] = set()
    for k, note in enumerate(notes):
        near = members and note.onset_sec - notes[members[-1][0]].onset_sec <= CHORD_SEC
        if near and note.pitch_midi not in struck:
            members[-1].append(k)
            struck.add(note.pitch_midi)
        else:
            members.append([k])
            struck = {note.pitch_midi}
    owner = np.zeros(len(notes), dtype=int)
    for i, group_members in enumerate(members):
        owner[group_members] = i
    pitches = tuple(frozenset(notes[k].pitch_midi for k in m) for m in members)
    loud = np.array([max((notes[k].loudness_db or -99.0) for k in m) for m in members], dtype=float)
    known = loud > -98
    loud = np.where(known, loud - (np.median(loud[known]) if known.any() else 0.0), 0.0)
    return Events(
        onset_sec=np.array([np.mean([notes[k].onset_sec for k in m]) for m in members]),
        owner=owner,
        members=tuple(tuple(m) for m in members),
        pitches=pitches,
        size=np.array([len(m) for m in members]),
        bass=_bass(pitches, drone),
        loud=loud,
        length_sec=np.array(
            [max(notes[k].offset_sec for k in m) - notes[m[0]].onset_sec for m in members]
        ),
        sure=np.array([max(notes[k].confidence for k in m) for m in members]),
        drone=drone,
    )


def _bass(pitches: Sequence[frozenset[int]], drone: frozenset[int]) -> np.ndarray:
    lowest = np.array([min(p) for p in pitches], dtype=float)
    if drone:
        return np.array([bool(p & drone) for p in pitches])
    if len(lowest) < 4:
        return np.zeros(len(lowest), dtype=bool)
    # Without a drone: lower than what is around it, so that a bass line that moves still counts.
    floor = np.array(
        [np.quantile(lowest[max(0, i - 12) : i + 13], 0.15) for i in range(len(lowest))]
    )
    middle = np.array([np.median(lowest[max(0, i - 12) : i + 13]) for i in range(len(lowest))])
    return (lowest <= floor + 2) & (lowest <= middle - 4)
