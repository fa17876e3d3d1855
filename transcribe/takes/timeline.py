"""Take and reference as events and arrays, and first guesses of how they relate.

Conventions: an event is a set of notes struck together (a chord, or a melody note with its drone).
The reference's clock ``x`` is in seconds at the written tempo (beats * 60 / bpm), or in seconds as
recorded, or one unit per event where the reference has no rhythm.

`likely_transpositions` and `pace_of` count pairs of successive events, which wrong notes leave
mostly intact.
"""

from __future__ import annotations

import dataclasses
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from transcribe.core.clock import Clock
from transcribe.core.riff import Note, Riff
from transcribe.core.strokes import STROKE_SEC
from transcribe.takes.onset_activations import OnsetActivations

__all__ = [
    "PACE_RANGE",
    "Events",
    "NoteArrays",
    "ReferenceClock",
    "has_beats",
    "likely_transpositions",
    "note_arrays",
    "pace_of",
    "reference_clocks",
    "take_events",
]

PACE_RANGE = (0.45, 2.2)
"""Take seconds per reference second that are followed: double to half tempo, and a little more."""

_EVENT_SEC = 0.12  # no event of a take spans more than this
_SCORE_SEC = 1e-3  # notes of one score time, at the written tempo
_LONE_SEC = 1.0  # interval of an event that has no other beside it
_MAX_SHIFT_SEMITONES, _MAX_SHIFTS = 24, 4  # either way; and how many shifts are tried
_VOTE_OCTAVES = 0.02  # width of a bin of the vote for the pace, in powers of two


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

    def with_pitches(self, pitch_midi: np.ndarray) -> Events:
        """The same events with other pitches of the notes, shape (n_notes,)."""
        sets: list[set[int]] = [set() for _ in range(len(self))]
        for event, pitch in zip(self.of.tolist(), pitch_midi.tolist(), strict=True):
            sets[event].add(pitch)
        return dataclasses.replace(self, pitches=tuple(tuple(sorted(s)) for s in sets))

    def members(self) -> list[np.ndarray]:
        """The notes of each event."""
        order = np.argsort(self.of, kind="stable")
        return np.split(order, np.searchsorted(self.of[order], np.arange(1, len(self))))


@dataclass(frozen=True)
class ReferenceClock:
    """One way to read the reference's time. ``kind``: ``score``, ``seconds`` or ``order``."""

    kind: str
    x: np.ndarray  # (n_notes,) onset
    x_end: np.ndarray  # (n_notes,) end
    events: Events


def _gather(at: np.ndarray, pitches: np.ndarray, confidence: np.ndarray, gap: float) -> Events:
    """Notes as events, a new one after more than ``gap``."""
    if not len(at):
        return Events(np.zeros(0), np.zeros(0, dtype=int), (), np.zeros(0))
    order = np.lexsort((pitches, at))
    rising = at[order]
    starts = [0]
    for i in range(1, len(rising)):
        if rising[i] - rising[i - 1] > gap or rising[i] - rising[starts[-1]] > _EVENT_SEC:
            starts.append(i)
    begin = np.array(starts)
    size = np.diff([*starts, len(at)])
    of = np.empty(len(at), dtype=int)
    of[order] = np.repeat(np.arange(len(begin)), size)
    # The onsets rise, so the middle one or two of each event are its median.
    centre = 0.5 * (rising[begin + (size - 1) // 2] + rising[begin + size // 2])
    weight = np.add.reduceat(confidence[order], begin) / size
    return Events(centre, of, ((),) * len(begin), weight).with_pitches(pitches)


def take_events(notes: Sequence[Note]) -> Events:
    """Events of a take from its onsets in seconds."""
    at = np.array([n.onset_sec for n in notes], dtype=float)
    pitches = np.array([n.pitch_midi for n in notes], dtype=int)
    confidence = np.array([n.confidence for n in notes], dtype=float)
    return _gather(at, pitches, confidence, STROKE_SEC)


def has_beats(riff: Riff) -> bool:
    """Whether every note of ``riff`` has its place in a rhythm."""
    return (
        riff.rhythm is not None
        and bool(riff.notes)
        and all(n.onset_beat is not None for n in riff.notes)
    )


def reference_clocks(reference: Riff) -> tuple[ReferenceClock, ...]:
    """The ways to read the reference's time, the one to trust first at the front.

    A reference whose notes have beats is read by the score, and beside it by its seconds, for a
    transcription may have put a beat in the wrong place. One without rhythm that comes from a
    recording is read by its seconds; a tab without a count holds an order and no more.
    """
    pitches = np.array([n.pitch_midi for n in reference.notes], dtype=int)
    ones = np.ones(len(pitches))
    seconds = np.array([n.onset_sec for n in reference.notes], dtype=float)
    ends = np.array([n.offset_sec for n in reference.notes], dtype=float)
    if reference.timing.kind == "order":
        events = _gather(seconds, pitches, ones, 1e-6)
        at = events.of.astype(float)
        ordered = dataclasses.replace(events, at=np.arange(len(events), dtype=float))
        return (ReferenceClock("order", at, at + 1.0, ordered),)
    clocks: list[ReferenceClock] = []
    if has_beats(reference) and reference.rhythm is not None:
        period = 60.0 / reference.rhythm.bpm
        x = period * np.array([n.onset_beat for n in reference.notes], dtype=float)
        length = period * np.array([n.duration_beat or 0.0 for n in reference.notes], dtype=float)
        x_end = x + np.where(length > 0, length, ends - seconds)
        clocks.append(ReferenceClock("score", x, x_end, _gather(x, pitches, ones, _SCORE_SEC)))
    recorded = _gather(seconds, pitches, ones, STROKE_SEC)
    return (*clocks, ReferenceClock("seconds", seconds, ends, recorded))


@dataclass(frozen=True)
class NoteArrays:
    """Both sides of a comparison as notes and arrays, the take's pitch on the reference's footing.

    Attributes
    ----------
    ref_pitch, x, x_end : np.ndarray, shape (n_reference,)
        Pitch, onset and end of the reference's notes on its clock, whose kind is ``timing``.
    interval, next_x : np.ndarray, shape (n_reference,)
        Time to the nearest other event, and when the next one is due.
    take_pitch, at, ends : np.ndarray, shape (n_take,)
        Pitch, onset and end of the take's notes, in seconds.
    pulse, pulse_interval : np.ndarray, shape (n_take,)
        Where the take's own beats put each note, and the time to the nearest other of these; nan
        where they do not.
    from_recording : bool
        Whether the take's notes were heard, so that they may be ghosts or masked.
    lengths : bool
        Whether the reference's lengths are meant as they are written.
    end_sec : float
        When the take's recording ends; infinite where that is not known.
    take_shift : int
        Semitones that the take sounds above ``take_pitch``.
    onset_activations : OnsetActivations or None
        Listens again where a note is in doubt.
    """

    reference: Sequence[Note]
    take: Sequence[Note]
    timing: str
    ref_pitch: np.ndarray
    x: np.ndarray
    x_end: np.ndarray
    interval: np.ndarray
    next_x: np.ndarray
    take_pitch: np.ndarray
    at: np.ndarray
    ends: np.ndarray
    pulse: np.ndarray
    pulse_interval: np.ndarray
    from_recording: bool
    lengths: bool
    end_sec: float
    take_shift: int = 0
    take_offset_cents: float = 0.0
    onset_activations: OnsetActivations | None = None


def note_arrays(
    take: Riff,
    reference: Riff,
    clock: ReferenceClock,
    *,
    ref_pitch: np.ndarray,
    take_pitch: np.ndarray,
    take_shift: int = 0,
    onset_activations: OnsetActivations | None = None,
) -> NoteArrays:
    """Take and reference as arrays, the reference on ``clock``."""
    where, of = clock.events.at, clock.events.of
    pulse, pulse_interval = _own_pulse(take)
    length_sec = take.source.duration_sec if take.source is not None else None
    return NoteArrays(
        reference.notes,
        take.notes,
        clock.kind,
        ref_pitch,
        clock.x,
        clock.x_end,
        _nearest_gap(where)[of],
        np.append(where[1:], np.inf)[of],
        take_pitch,
        np.array([n.onset_sec for n in take.notes], dtype=float),
        np.array([n.offset_sec for n in take.notes], dtype=float),
        pulse,
        pulse_interval,
        from_recording=any(n.confidence < 1.0 for n in take.notes),
        lengths=clock.kind != "order" and reference.timing.lengths == "known",
        end_sec=np.inf if length_sec is None else length_sec,
        take_shift=take_shift,
        take_offset_cents=take.instrument.offset_cents,
        onset_activations=onset_activations,
    )


def _nearest_gap(at: np.ndarray) -> np.ndarray:
    """Distance from each of rising times to the nearest other."""
    if len(at) < 2:
        return np.full(len(at), _LONE_SEC)
    gaps = np.diff(at)
    return np.minimum(np.append(gaps, np.inf), np.insert(gaps, 0, np.inf))


def _own_pulse(take: Riff) -> tuple[np.ndarray, np.ndarray]:
    """Where the take's own beats put each note in seconds, and how far the nearest other is."""
    pulse = np.full(len(take.notes), np.nan)
    if take.rhythm is None or len(take.rhythm.beats_sec) < 2:
        return pulse, pulse
    clock = Clock(take.rhythm)
    for k, note in enumerate(take.notes):
        if note.onset_beat is not None:
            pulse[k] = clock.sec(note.onset_beat)
    dated = np.isfinite(pulse)
    known, of = np.unique(pulse[dated], return_inverse=True)
    interval = np.full(len(pulse), np.nan)
    interval[dated] = _nearest_gap(known)[of]
    return pulse, interval


def _steps_by_pitches(events: Events, lag: int) -> dict[tuple[int, int], list[float]]:
    """Times between events ``lag`` apart, by each pair of their pitches."""
    found: dict[tuple[int, int], list[float]] = defaultdict(list)
    for i in range(len(events) - lag):
        step = float(events.at[i + lag] - events.at[i])
        for p in events.pitches[i]:
            for q in events.pitches[i + lag]:
                found[p, q].append(step)
    return found


def likely_transpositions(take: Events, reference: Events) -> tuple[int, ...]:
    """How many semitones the take may sound above the reference, the likeliest first.

    Every shift is scored by how many pairs of successive pitches the two sides then share. None at
    all (0) stands first unless another explains clearly more, and is always among them.
    """
    t = {key: len(steps) for key, steps in _steps_by_pitches(take, 1).items()}
    r = {key: len(steps) for key, steps in _steps_by_pitches(reference, 1).items()}
    if not t or not r:
        return (0,)
    # A take of several passes has every pair several times; shares make both sides comparable.
    t_sum, r_sum = sum(t.values()), sum(r.values())
    scores = {
        shift: sum(
            min(n / t_sum, r.get((p - shift, q - shift), 0) / r_sum) for (p, q), n in t.items()
        )
        for shift in range(-_MAX_SHIFT_SEMITONES, _MAX_SHIFT_SEMITONES + 1)
    }
    ranked = sorted(scores, key=lambda k: (-scores[k], abs(k)))
    first = ranked[0] if scores[ranked[0]] > 1.4 * scores[0] + 0.05 else 0
    others = [k for k in ranked[:_MAX_SHIFTS] if k != first and scores[k] > 0]
    return tuple(dict.fromkeys((first, *others, 0)))


def pace_of(take: Events, reference: Events) -> float:
    """Seconds of the take per second of the reference, voted by pairs of events that recur.

    Returns 1.0 where nothing votes.
    """
    low, high = np.log2(PACE_RANGE)
    edges = np.arange(low, high + _VOTE_OCTAVES, _VOTE_OCTAVES)
    votes = np.zeros(len(edges))
    for lag in (1, 2):
        ahead = {
            key: Counter(round(step, 3) for step in steps if step > 1e-6).most_common(6)
            for key, steps in _steps_by_pitches(reference, lag).items()
        }
        for key, steps in _steps_by_pitches(take, lag).items():
            known = ahead.get(key)
            if not known:
                continue
            total = sum(count for _, count in known)
            played = np.log2(np.array([s for s in steps if s > 1e-6]))
            for step, count in known:
                place = np.round((played - np.log2(step) - edges[0]) / _VOTE_OCTAVES).astype(int)
                place = place[(place >= 0) & (place < len(edges))]
                np.add.at(votes, place, count / total)
    if not votes.any():
        return 1.0
    smooth = np.convolve(votes, np.exp(-0.5 * (np.arange(-6, 7) / 2.0) ** 2), mode="same")
    # Where two paces explain as much (an even pulse at twice the speed), the nearer one is meant.
    smooth *= np.exp(-0.5 * (edges / 1.5) ** 2)
    return float(2.0 ** edges[int(np.argmax(smooth))])
