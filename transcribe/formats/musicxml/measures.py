"""A riff as measures of notation: voices, note values, ties, tuplets and beams.

Time is counted in ticks, 24 to the quarter, so that a 32nd has 3 and a sixteenth triplet 4. Every
voice of a measure fills it exactly. A drone is a voice of its own under the melody; otherwise all
notes share one voice, a chord where they start together, and a note that rings on past the next
one of its voice is written to there and marked as ringing.
"""

from __future__ import annotations

import bisect
import itertools
import math
from dataclasses import dataclass, field

from transcribe.core.clock import ScoreNote, score_notes
from transcribe.core.riff import Drone, Rhythm, Riff

__all__ = ["TICKS", "Event", "Measure", "make_measures"]

TICKS = 24
"""Ticks to the quarter."""

_BINARY, _THIRDS = 3, 4  # ticks of the finest value in either division
# Note values in ticks without dots: whole to 32nd.
_VALUES = {96: "whole", 48: "half", 24: "quarter", 12: "eighth", 6: "16th", 3: "32nd"}
_BEAMS = {"eighth": 1, "16th": 2, "32nd": 3}


@dataclass(slots=True)
class Event:
    """A chord, a note or a rest (no notes) of one voice, ``start`` counted from the measure."""

    start: int
    ticks: int
    notes: tuple[ScoreNote, ...] = ()
    value: str = "quarter"
    dots: int = 0
    triplet: bool = False
    tuplet: str | None = None  # "start" or "stop" at the ends of a group
    tied_from: bool = False
    tied_to: bool = False
    whole_measure: bool = False
    beams: tuple[str, ...] = ()
    rings: tuple[int, ...] = ()  # per note: ticks that it sounds on after the event's end


@dataclass(slots=True)
class Measure:
    """One measure: ``number`` from 1 (0: pickup), length in ticks, voice -> events."""

    number: int
    start: int
    ticks: int
    bar: int  # length of a whole measure
    voices: dict[int, list[Event]] = field(default_factory=dict)

    @property
    def pickup(self) -> bool:
        """Shorter than the meter says."""
        return self.ticks < self.bar

    @property
    def origin(self) -> int:
        """Where the whole bar would begin, in ticks from beat 0."""
        return self.start + self.ticks - self.bar


@dataclass(slots=True)
class _Chord:
    """Notes of one voice that begin together, in ticks from beat 0."""

    start: int
    end: int
    notes: list[ScoreNote]
    ends: list[int]


def make_measures(riff: Riff, *, drone_apart: bool = True) -> tuple[list[Measure], Rhythm]:
    """The measures of ``riff`` and the rhythm they follow (120 quarters where none is known).

    With ``drone_apart`` the drone's open strings are a voice of their own; without, there is one
    voice, of everything that is struck.
    """
    rhythm = riff.rhythm if riff.rhythm is not None else Rhythm(120.0)
    top, unit = rhythm.meter
    per_beat = TICKS * 4 / unit
    bar = max(1, round(top * per_beat))
    compound = unit >= 8 and top % 3 == 0 and top > 3
    group = round(per_beat * 3) if compound else TICKS
    part = 12 if compound else TICKS  # what a triplet divides
    part = math.gcd(part, bar)
    scored = score_notes(riff, rhythm)
    drone = riff.drone if drone_apart else None
    voices = _voices(drone, _close_gaps(_snap(scored, per_beat, part), scored, per_beat))
    starts = [chord.start for chords in voices.values() for chord in chords]
    first = round(math.floor(min([0, *starts]) / per_beat) * per_beat)
    last = math.ceil((max([0, *starts]) + 1) / bar) * bar
    # What is held over the last bar line gets one bar more; what rings on longer is left to ring.
    held = max((chord.end for chords in voices.values() for chord in chords), default=0)
    if held > last + 2 * _BINARY:
        last += bar
    measures = []
    for index in range(math.floor(first / bar), math.ceil(last / bar)):
        start = max(first, index * bar)
        length = (index + 1) * bar - start
        measures.append(Measure(index + 1, start, length, bar))
    stop = measures[-1].start + measures[-1].ticks
    for voice, chords in voices.items():
        for chord in chords:
            chord.end = min(chord.end, stop)
        _fill(measures, voice, chords, group, part)
    return measures, rhythm


def _snap(scored: list[ScoreNote], per_beat: float, part: int) -> list[tuple[ScoreNote, int, int]]:
    """Onset and end ticks; within one part of time all onsets keep to halves or to thirds."""
    raw = [
        (s, s.onset_beat * per_beat, (s.onset_beat + s.duration_beat) * per_beat) for s in scored
    ]
    within: dict[int, set[float]] = {}
    for _, on, _ in raw:
        within.setdefault(math.floor((on + 0.5) / part), set()).add(round(on, 6))
    thirds = set()
    for index, onsets in within.items():
        errors = [
            sum(abs(on - round(on / grid) * grid) for on in onsets) for grid in (_BINARY, _THIRDS)
        ]
        if errors[1] + 0.25 < errors[0]:
            thirds.add(index)

    def snap(tick: float) -> int:
        grid = _THIRDS if math.floor((tick + 0.5) / part) in thirds else _BINARY
        return round(tick / grid) * grid

    out = []
    for item, on, off in raw:
        start = snap(on)
        end = snap(off)
        if end <= start:
            grid = _THIRDS if math.floor((start + 0.5) / part) in thirds else _BINARY
            end = start + grid
        out.append((item, start, end))
    return out


# Of the time to the next onset, what a hand lets go before it (set by hand; ends of played MIDI lie
# 5 to 12 % before, and a staccato, which is a rest, at half).
_LETTING_GO = 1 / 8


def _close_gaps(
    snapped: list[tuple[ScoreNote, int, int]], scored: list[ScoreNote], per_beat: float
) -> list[tuple[ScoreNote, int, int]]:
    """A note that was played, and let go shortly before the next onset, is written to there.

    Ends on the grid are those of a score, and stay.
    """
    ends = {id(s): (s.onset_beat + s.duration_beat) * per_beat for s in scored}
    onsets = sorted({start for _, start, _ in snapped})
    closed = []
    for item, start, end in snapped:
        k = bisect.bisect_left(onsets, end)
        # After the last onset it is written to the next quarter.
        then = onsets[k] if k < len(onsets) else math.ceil(end / TICKS) * TICKS
        is_played = abs(ends[id(item)] - end) > 0.1
        if is_played and then - end <= max(_BINARY, (then - start) * _LETTING_GO):
            end = then
        closed.append((item, start, end))
    return closed


def _voices(
    drone: Drone | None, snapped: list[tuple[ScoreNote, int, int]]
) -> dict[int, list[_Chord]]:
    strings = set() if drone is None else {drone.string, *drone.other_strings}
    split: dict[int, list[tuple[ScoreNote, int, int]]] = {1: [], 2: []}
    for entry in snapped:
        note = entry[0].note
        under = note.string in strings and note.fret == 0
        split[2 if under else 1].append(entry)
    if not split[1] and split[2]:
        split = {1: split[2]}
    return {voice: _chords(entries) for voice, entries in split.items() if entries or voice == 1}


def _chords(entries: list[tuple[ScoreNote, int, int]]) -> list[_Chord]:
    found: dict[int, list[tuple[ScoreNote, int]]] = {}
    for item, start, end in entries:
        found.setdefault(start, []).append((item, end))
    chords = []
    for start in sorted(found):
        members = sorted(found[start], key=lambda m: (m[0].note.pitch_midi, m[0].note.id))
        ends = [end for _, end in members]
        chords.append(_Chord(start, max(ends), [m for m, _ in members], ends))
    for chord, following in itertools.pairwise(chords):
        chord.end = min(chord.end, following.start)
    return chords


def _fill(measures: list[Measure], voice: int, chords: list[_Chord], group: int, part: int) -> None:
    """Lay the chords of one voice into the measures, rests between them."""
    queue = list(chords)
    held: _Chord | None = None
    for measure in measures:
        stop = measure.start + measure.ticks
        events: list[Event] = []
        at = measure.start
        while at < stop:
            if held is not None:
                end = min(held.end, stop)
                done = end == held.end
                events += _write(held, at, end, measure, group, part, True, not done)
                held = None if done else held
                at = end
            elif queue and queue[0].start < stop:
                chord = queue[0]
                if chord.start > at:
                    events += _rests(at, chord.start, measure, group, part)
                    at = chord.start
                queue.pop(0)
                end = min(chord.end, stop)
                events += _write(chord, at, end, measure, group, part, False, end < chord.end)
                held = chord if end < chord.end else None
                at = end
            else:
                events += _rests(at, stop, measure, group, part)
                at = stop
        if voice > 1 and not any(e.notes for e in events):
            continue
        if not any(e.notes for e in events):
            events = [Event(0, measure.ticks, whole_measure=True, value="whole")]
        _tuplets(events, measure, part)
        _beam(events, measure, group)
        measure.voices[voice] = events


def _write(
    chord: _Chord,
    start: int,
    end: int,
    measure: Measure,
    group: int,
    part: int,
    tied_from: bool,
    tied_to: bool,
) -> list[Event]:
    notes = tuple(chord.notes)
    pieces = _split(start, end, measure, group, part)
    rings = tuple(e - chord.end for e in chord.ends)
    return [
        Event(
            a - measure.start,
            b - a,
            notes,
            value,
            dots,
            triplet,
            tied_from=tied_from or i > 0,
            tied_to=tied_to or i < len(pieces) - 1,
            rings=rings,
        )
        for i, (a, b, value, dots, triplet) in enumerate(pieces)
    ]


def _rests(start: int, end: int, measure: Measure, group: int, part: int) -> list[Event]:
    return [
        Event(a - measure.start, b - a, (), value, dots, triplet)
        for a, b, value, dots, triplet in _split(start, end, measure, group, part)
    ]


_Piece = tuple[int, int, str, int, bool]


def _split(start: int, end: int, measure: Measure, group: int, part: int) -> list[_Piece]:
    """Cut a span into values that can be written: (start, end, value, dots, triplet)."""
    # Beats are counted back from the bar line, so that a pickup keeps those of the whole bar.
    origin = measure.origin
    pieces: list[_Piece] = []
    at = start
    while at < end:
        length, value, dots, triplet = _next_value(at - origin, end - origin, group, part)
        pieces.append((at, at + length, value, dots, triplet))
        at += length
    return pieces


def _next_value(at: int, end: int, group: int, part: int) -> tuple[int, str, int, bool]:
    into = at % part
    next_part = at - into + part
    # Off the halves: this part of time is divided in three, and a value stays inside it.
    if into % _BINARY or (min(end, next_part) - at) % _BINARY:
        room = min(end, next_part) - at
        for ticks, value in _VALUES.items():
            if ticks * 2 == room * 3:
                return room, value, 0, True
        for ticks, value in _VALUES.items():
            if ticks * 2 % 3 == 0 and ticks * 2 // 3 <= room:
                return ticks * 2 // 3, value, 0, True
        return room, "32nd", 0, True
    # A part that is entered whole but left at a third: write up to it first.
    if end > next_part and into == 0 and (end % part) % _BINARY:
        end = end - end % part
    elif end > next_part and (end % part) % _BINARY:
        end = next_part
    for ticks, value in _VALUES.items():
        for dots, length in ((1, ticks * 3 // 2 if ticks > _BINARY else 0), (0, ticks)):
            if length and length <= end - at and _reads_well(at, length, group):
                return length, value, dots, False
    return end - at, "32nd", 0, False


def _reads_well(at: int, length: int, group: int) -> bool:
    """A value may cross a beat only from the start of one, or from its middle by one beat."""
    into = at % group
    if into == 0:
        return length <= group or length % group == 0 or length * 2 == group * 3
    if into + length <= group:
        return True
    return into * 2 == group and length == group


def _tuplets(events: list[Event], measure: Measure, part: int) -> None:
    runs: dict[int, list[Event]] = {}
    for event in events:
        if event.triplet:
            runs.setdefault((measure.start - measure.origin + event.start) // part, []).append(
                event
            )
    for run in runs.values():
        if len(run) > 1:
            run[0].tuplet, run[-1].tuplet = "start", "stop"


def _beam(events: list[Event], measure: Measure, group: int) -> None:
    run: list[Event] = []
    inside: int | None = None
    for event in [*events, None]:
        beams = _BEAMS.get(event.value, 0) if event is not None and event.notes else 0
        where = (measure.start - measure.origin + event.start) // group if event else None
        if run and (not beams or where != inside):
            _join(run)
            run = []
        if beams and event is not None:
            run.append(event)
            inside = where


def _join(run: list[Event]) -> None:
    """Beams of one group: full ones between neighbours, hooks where a neighbour has fewer."""
    if len(run) < 2:
        return
    levels = [_BEAMS[event.value] for event in run]
    for i, event in enumerate(run):
        beams = []
        for level in range(1, levels[i] + 1):
            left = i > 0 and levels[i - 1] >= level
            right = i < len(run) - 1 and levels[i + 1] >= level
            if left and right:
                beams.append("continue")
            elif left:
                beams.append("end")
            elif right:
                beams.append("begin")
            else:
                beams.append("backward hook" if i > 0 else "forward hook")
        event.beams = tuple(beams)
