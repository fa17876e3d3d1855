"""Notes that are struck together become one rhythmic event.

Conventions: times in seconds. A chord, also one whose strum is spread, is one event; a grace of
tracking errors is left to the later steps.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from transcribe.core.riff import Note

__all__ = ["Events", "doubts", "drone_pitches", "group"]

CHORD_SEC = 0.05
"""Onsets this close to the first of them are one event, as the spread of a strum needs; it is
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
    """The pitch that is struck again and again under (or over) the rest, if there is one.

    It must be the lowest or highest but for rare exceptions, come at least three times, and sound
    on through other notes' onsets wherever it could, while the other notes do not ring through
    the line's next onset: where everything rings, as in an arpeggio, nothing is a drone.
    """
    if len(notes) < 6:
        return frozenset()
    counts = Counter(n.pitch_midi for n in notes)
    for pitch in (*_extremes(sorted(counts), counts), *_extremes(sorted(counts)[::-1], counts)):
        if counts[pitch] < 3:
            continue
        others = [n for n in notes if n.pitch_midi != pitch]
        strikes = [n for n in notes if n.pitch_midi == pitch]
        if others and _rings(strikes, others) >= 0.6 and _rings_on(others) < 0.5:
            return frozenset({pitch})
    return frozenset()


def _extremes(pitches: list[int], counts: Counter[int]) -> list[int]:
    """The first pitches in order up to the first that is not rare."""
    total, passed, out = sum(counts.values()), 0, []
    for pitch in pitches:
        out.append(pitch)
        passed += counts[pitch]
        if passed > 0.05 * total:
            break
    return out


def _rings(strikes: list[Note], others: list[Note]) -> float:
    """Of the strikes that have another onset before the next strike, how many sound through it."""
    onsets = np.array([n.onset_sec for n in others])
    could = through = 0
    for i, note in enumerate(strikes):
        until = strikes[i + 1].onset_sec if i + 1 < len(strikes) else np.inf
        at = int(np.searchsorted(onsets, note.onset_sec + CHORD_SEC))
        if at < len(onsets) and onsets[at] < until - CHORD_SEC:
            could += 1
            through += note.offset_sec > onsets[at] + 0.04
    return through / could if could >= 3 else 0.0


def _rings_on(notes: list[Note]) -> float:
    """Share of notes that sound well past the next onset among them."""
    onsets = np.array([n.onset_sec for n in notes])
    nexts = np.searchsorted(onsets, onsets + CHORD_SEC)
    known = nexts < len(onsets)
    gap = onsets[np.minimum(nexts, len(onsets) - 1)] - onsets
    length = np.array([n.offset_sec - n.onset_sec for n in notes])
    return float(np.mean(length[known] > 1.25 * gap[known])) if known.any() else 0.0


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
    loud = np.array([max(_loudness(notes[k]) for k in m) for m in members], dtype=float)
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


def _loudness(note: Note) -> float:
    return -99.0 if note.loudness_db is None else note.loudness_db


def doubts(events: Events) -> np.ndarray:
    """Nats to leave each event out as none of the music, (n,): a lone unsure note may be an error
    of tracking, a chord is none."""
    return 4.0 + 4.0 * np.clip(events.sure, 0, 1) + np.minimum(events.size - 1, 3)


def _bass(pitches: Sequence[frozenset[int]], drone: frozenset[int]) -> np.ndarray:
    lowest = np.array([min(p) for p in pitches], dtype=float)
    if drone:
        return np.array([bool(p & drone) for p in pitches])
    if len(lowest) < 4:
        return np.zeros(len(lowest), dtype=bool)
    # Without a drone: lower than what is around it, so that a bass line that moves still counts.
    around = np.pad(lowest, 12, mode="edge")
    windows = np.sort(np.lib.stride_tricks.sliding_window_view(around, 25), axis=1)
    return (lowest <= windows[:, 4] + 2) & (lowest <= windows[:, 12] - 4)
