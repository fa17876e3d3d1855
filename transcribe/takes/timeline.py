"""The two sides of a comparison as plain arrays: notes, and the events they are struck in.

Conventions: an event is a set of notes struck together (a chord, or a melody note with its drone).
The reference's clock ``x`` is in seconds at the written tempo (beats * 60 / bpm), or in seconds as
recorded, or one unit per event where the reference has no rhythm.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from transcribe.core.riff import Note, Riff, sort_notes

__all__ = [
    "STRUM_SEC",
    "Clock",
    "Events",
    "bar_of",
    "has_beats",
    "reference_clocks",
    "take_events",
]

STRUM_SEC = 0.05
"""Onsets closer than this belong to one event; a strum passes from string to string faster."""

EVENT_SEC = 0.12
"""No event of a take spans more than this."""


@dataclass(frozen=True)
class Events:
    """Notes gathered into events.

    ``at`` (n_events,) is the time of each event, ``of`` (n_notes,) the event of each note,
    ``pitches`` the sorted pitch sets, ``weight`` (n_events,) the mean confidence.
    """

    at: np.ndarray
    of: np.ndarray
    pitches: tuple[tuple[int, ...], ...]
    weight: np.ndarray

    def __len__(self) -> int:
        return len(self.at)


@dataclass(frozen=True)
class Clock:
    """One way to read the reference's time. ``kind``: ``score``, ``seconds`` or ``order``."""

    kind: str
    x: np.ndarray  # (n_notes,) onset
    x_end: np.ndarray  # (n_notes,) end
    events: Events


def _gather(at: np.ndarray, pitches: np.ndarray, confidence: np.ndarray, gap: float) -> Events:
    """Events from onsets that already rise."""
    of = np.zeros(len(at), dtype=int)
    starts: list[int] = []
    for i, time in enumerate(at):
        new = not starts or time - at[i - 1] > gap or time - at[starts[-1]] > EVENT_SEC
        if new:
            starts.append(i)
        of[i] = len(starts) - 1
    if not starts:
        return Events(np.zeros(0), of, (), np.zeros(0))
    begin = np.array(starts)
    size = np.diff([*starts, len(at)])
    # The onsets rise, so the middle one or two of each event are its median.
    centre = 0.5 * (at[begin + (size - 1) // 2] + at[begin + size // 2])
    weight = np.add.reduceat(confidence, begin) / size
    sets = tuple(
        tuple(sorted({int(p) for p in pitches[a : a + n]}))
        for a, n in zip(starts, size.tolist(), strict=True)
    )
    return Events(centre, of, sets, weight)


def take_events(notes: Sequence[Note]) -> Events:
    """Events of a take from its onsets in seconds."""
    at = np.array([n.onset_sec for n in notes], dtype=float)
    pitches = np.array([n.pitch_midi for n in notes], dtype=int)
    confidence = np.array([n.confidence for n in notes], dtype=float)
    return _gather(at, pitches, confidence, STRUM_SEC)


def has_beats(riff: Riff) -> bool:
    """Whether every note of ``riff`` has its place in a rhythm."""
    return (
        riff.rhythm is not None
        and bool(riff.notes)
        and all(n.onset_beat is not None for n in riff.notes)
    )


def reference_clocks(reference: Riff, *, order_only: bool | None = None) -> tuple[Clock, ...]:
    """The ways to read the reference's time, the one to trust first at the front.

    A reference whose notes have beats is read by the score, and beside it by its seconds, for a
    transcription may have put a beat in the wrong place. One without rhythm that comes from a
    recording is read by its seconds. Anything else holds an order and no more, as does a reference
    that says so (``order_only``, or a `Timing` of the kind ``order``).
    """
    notes = sort_notes(list(reference.notes))
    if order_only is None:
        order_only = reference.timing.kind == "order"
    pitches = np.array([n.pitch_midi for n in notes], dtype=int)
    ones = np.ones(len(notes))
    seconds = np.array([n.onset_sec for n in notes], dtype=float)
    ends = np.array([n.offset_sec for n in notes], dtype=float)
    if order_only:
        events = _gather(seconds, pitches, ones, 1e-6)
        steps = np.arange(len(events), dtype=float)
        ordered = Events(steps, events.of, events.pitches, events.weight)
        at = steps[events.of] if len(notes) else steps
        return (Clock("order", at, at + 1.0, ordered),)
    clocks: list[Clock] = []
    if has_beats(reference) and reference.rhythm is not None:
        period = 60.0 / reference.rhythm.bpm
        beats = np.array([n.onset_beat for n in notes], dtype=float)
        length = np.array([n.duration_beat or 0.0 for n in notes], dtype=float)
        x = beats * period
        x_end = np.where(length > 0, x + length * period, x + (ends - seconds))
        clocks.append(Clock("score", x, x_end, _gather_unsorted(x, pitches, 1e-3)))
    clocks.append(Clock("seconds", seconds, ends, _gather(seconds, pitches, ones, STRUM_SEC)))
    return tuple(clocks)


def _gather_unsorted(x: np.ndarray, pitches: np.ndarray, gap: float) -> Events:
    """Events of score times, which may step back a little where a strum was spread in seconds."""
    order = np.lexsort((pitches, x))
    sorted_events = _gather(x[order], pitches[order], np.ones(len(x)), gap)
    of = np.empty(len(x), dtype=int)
    of[order] = sorted_events.of
    return Events(sorted_events.at, of, sorted_events.pitches, sorted_events.weight)


def bar_of(beat: float, meter: tuple[int, int]) -> int:
    """Number of the bar that holds ``beat``: 1 for the first full bar, 0 for a pickup."""
    return int(np.floor(beat / meter[0] + 1e-6)) + 1
