"""Strokes as rhythmic events, and what marks them.

Conventions: times in seconds. A chord, also one whose strum is spread, is one event.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from transcribe.core.grips import find_grips
from transcribe.core.riff import Note
from transcribe.core.strokes import STROKE_SEC, strokes

__all__ = ["Events", "group_events", "ringing_pitches", "skip_cost"]

# Found by hand on the drone riffs of tests/bench/rhythm.py.
_RARE_SHARE = 0.05  # of the notes that may lie beyond the ringing pitch
_FEWEST_STRIKES = 3
_RINGS_SHARE = 0.6  # of its strikes that must sound through the next onset
_OTHERS_RING_SHARE = 0.5  # of the other notes, from which everything rings and nothing stands out
_PAST_ONSET_SEC = 0.04  # a note that lasts this long past an onset sounds through it
_RINGS_ON_GAPS = 1.25  # a note that lasts so many gaps to the next onset rings on
_SKIP_NATS, _SKIP_SURE_NATS = 4.0, 4.0  # to skip an event; and what its confidence adds
_MAX_CHORD_NATS = 3.0  # what the other notes of a chord add, one each
_LOUDNESS_UNKNOWN_DB = -99.0


@dataclass(frozen=True)
class Events:
    """Events in order of time; every array has shape (n,) but ``members`` and ``pitches``.

    ``members[i]`` lists indices into the notes that were grouped, ``owner[k]`` is the event of
    note ``k``. ``pitches[i]`` are those of the grip, where a strum is of one. ``bass`` marks events
    that strike the drone or the lowest register, ``loud`` is in dB above the riff's median (0 where
    loudness is unknown), ``sure`` the highest confidence of the members.
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


def ringing_pitches(notes: Sequence[Note]) -> frozenset[int]:
    """The pitch that rings on under (or over) the rest of ``notes``, if there is one.

    It may be stopped and lie on any string, unlike a drone (`transcribe.drone`), whose melody must
    also suit the hand. It must be the lowest or highest but for rare exceptions, come at least
    three times, and sound on through other notes' onsets wherever it could, while the other notes
    do not ring through the line's next onset: where everything rings, as in an arpeggio, nothing
    stands out.
    """
    if len(notes) < 6:
        return frozenset()
    counts = Counter(n.pitch_midi for n in notes)
    for pitch in (*_extremes(sorted(counts), counts), *_extremes(sorted(counts)[::-1], counts)):
        if counts[pitch] < _FEWEST_STRIKES:
            continue
        others = [n for n in notes if n.pitch_midi != pitch]
        strikes = [n for n in notes if n.pitch_midi == pitch]
        rings = others and _rings(strikes, others) >= _RINGS_SHARE
        if rings and _rings_on(others) < _OTHERS_RING_SHARE:
            return frozenset({pitch})
    return frozenset()


def _extremes(pitches: list[int], counts: Counter[int]) -> list[int]:
    """The first pitches in order up to the first that is not rare."""
    total, passed, out = sum(counts.values()), 0, []
    for pitch in pitches:
        out.append(pitch)
        passed += counts[pitch]
        if passed > _RARE_SHARE * total:
            break
    return out


def _rings(strikes: list[Note], others: list[Note]) -> float:
    """Of the strikes that have another onset before the next strike, how many sound through it."""
    onsets = np.array([n.onset_sec for n in others])
    could = through = 0
    for i, note in enumerate(strikes):
        until = strikes[i + 1].onset_sec if i + 1 < len(strikes) else np.inf
        at = int(np.searchsorted(onsets, note.onset_sec + STROKE_SEC))
        if at < len(onsets) and onsets[at] < until - STROKE_SEC:
            could += 1
            through += note.offset_sec > onsets[at] + _PAST_ONSET_SEC
    return through / could if could >= _FEWEST_STRIKES else 0.0


def _rings_on(notes: list[Note]) -> float:
    """Share of notes that sound well past the next onset among them."""
    onsets = np.array([n.onset_sec for n in notes])
    nexts = np.searchsorted(onsets, onsets + STROKE_SEC)
    known = nexts < len(onsets)
    gap = onsets[np.minimum(nexts, len(onsets) - 1)] - onsets
    length = np.array([n.offset_sec - n.onset_sec for n in notes])
    return float(np.mean(length[known] > _RINGS_ON_GAPS * gap[known])) if known.any() else 0.0


def group_events(notes: Sequence[Note], drone: frozenset[int] | None = None) -> Events:
    """The strokes of ``notes`` (sorted by onset) as events.

    ``drone`` holds the pitches that ring throughout; None looks for one. The time of an event is
    the mean of its onsets, which averages the jitter of its notes.
    """
    if drone is None:
        drone = ringing_pitches(notes)
    members = strokes(notes)
    owner = np.repeat(np.arange(len(members)), [len(m) for m in members])
    struck = tuple(frozenset(notes[k].pitch_midi for k in m) for m in members)
    # No two strums of a grip are alike: what comes again is the grip.
    pitches = tuple(g or s for g, s in zip(find_grips(struck), struck, strict=True))
    loud = np.array([max(_loudness(notes[k]) for k in m) for m in members], dtype=float)
    known = loud > _LOUDNESS_UNKNOWN_DB
    loud = np.where(known, loud - (np.median(loud[known]) if known.any() else 0.0), 0.0)
    return Events(
        onset_sec=np.array([np.mean([notes[k].onset_sec for k in m]) for m in members]),
        owner=owner,
        members=members,
        pitches=pitches,
        size=np.array([len(m) for m in members]),
        bass=_bass(struck, drone),
        loud=loud,
        length_sec=np.array(
            [max(notes[k].offset_sec for k in m) - notes[m[0]].onset_sec for m in members]
        ),
        sure=np.array([max(notes[k].confidence for k in m) for m in members]),
        drone=drone,
    )


def _loudness(note: Note) -> float:
    return _LOUDNESS_UNKNOWN_DB if note.loudness_db is None else note.loudness_db


def skip_cost(events: Events) -> np.ndarray:
    """Nats to leave each event out as none of the music, (n,).

    A lone unsure note may be an error of tracking; a chord is not.
    """
    more = np.minimum(events.size - 1, _MAX_CHORD_NATS)
    return _SKIP_NATS + _SKIP_SURE_NATS * np.clip(events.sure, 0, 1) + more


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
