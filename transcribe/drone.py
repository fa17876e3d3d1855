"""Finds a drone: an open string, or two, that rings on under a melody.

A pitch is a drone when it is that of an open string, is struck again and again or held so that it
hardly ever falls silent, lies below the melody, and the melody over it is a line, not chords. A
drone inside the melody or above it is struck with two notes in five, and the melody fits the
thicker string beside it. A low note that is struck once a bar, by itself, under a line that leaps
is the bass of that line and no drone.

This is the one finder for rhythm and fingering; `theory` finds the drone of plain arrays itself.

Conventions: times in seconds, string 1 is the highest-sounding, pitch in MIDI numbers.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from transcribe.core.errors import ParameterError
from transcribe.core.overtones import SURE_CONFIDENCE, likely_overtones
from transcribe.core.riff import Drone, Instrument, Note, sort_notes
from transcribe.core.strokes import STROKE_SEC

__all__ = [
    "DroneChoice",
    "drone_strings",
    "find_drone",
    "forced_drone",
    "is_over",
    "melody_string",
    "stands_apart",
]

DroneChoice = Literal["auto", "off"] | int
"""Find the drone, rule it out, or the number of its string."""

# Where no other source is named, a bound was chosen with `tests.bench.fingering`: drone riffs that
# are made with known strings are found, and no drone is found in published editions. A name with
# ``SHARE`` is a share of 1.
_EARLY_SEC = 0.06  # a melody note struck along with the drone may come this much before it

# The drone itself
_MIN_STRIKES = 3
_MIN_LENGTH_SEC = 1.5
_MIN_SHARE_OF_RIFF = 0.7  # of the time from the first to the last onset
_MIN_SHARE_COVERED = 0.62  # of its length: sounding, or between two strikes of a steady pattern
_MIN_SHARE_OF_STROKES = 0.1  # fewer strikes are enough only where it is covered as much as this:
_MIN_SHARE_COVERED_IF_RARE = 0.85
_MAX_GAPS = 3.2  # usual gaps that two missed strikes, or a rest in the pattern, may leave
_MAX_GAPS_BEFORE = 2.4  # usual gaps from the first onset of the riff to the first strike
_MIN_SHARE_HELD = 0.5  # of the riff, by a pitch that is struck fewer than three times

# The melody over it
_MIN_SHARE_ABOVE = 0.93  # of the melody above the drone; else the drone lies inside the melody
_MAX_SHARE_TOGETHER = 0.14  # of the melody struck along with another note of it
_MELODY_FRETS = 17
_MIN_SHARE_BESIDE = 0.85  # of the melody that one string beside the drone could carry
_MIN_SHARE_BESIDE_THICKER = 0.97
_MAX_SHARE_STOPPED = 0.15  # of the melody that a tab may write on the drone's own string
_SURE_SHARE_BESIDE = 0.975  # makes a string beside the drone the melody's own, whatever the other
_LIKELY_SHARE_BESIDE = 0.95

# A drone inside the melody or above it
_MIN_SHARE_OF_STROKES_INSIDE = 0.4
_MIN_SHARE_COVERED_INSIDE = 0.82
_MIN_SHARE_REGULAR = 0.9  # of the gaps between strikes that are one usual gap long,
_REGULAR_WITHIN = 0.12  # give or take this share of it
_MIN_SHARE_RINGING = 0.93
_MIN_LENGTH_IN_STEPS = 2.5  # how long a strike sounds, in steps from one melody note to the next

# A bass note of the line is no drone
_MAX_SHARE_OF_BASS = 0.35  # of the strokes
_MIN_SHARE_ALONE = 0.76  # of its strikes, with no melody note struck along
_LEAP_SEMITONES = 4  # such a step leaves the hand's place on a string
_MIN_SHARE_LEAPS = 0.28
_MIN_SHARE_STOPPED = 0.9  # of its strikes, that are silent once the next note of the line is struck


@dataclass(frozen=True, slots=True)
class _Measured:
    pitch_midi: int
    string: int
    start_sec: float
    end_sec: float
    score: float


def drone_strings(drone: Drone) -> tuple[int, ...]:
    """Every string of a drone, the main one first."""
    return (drone.string, *drone.other_strings)


def is_over(drone: Drone, time_sec: float) -> bool:
    """Whether a note that begins at ``time_sec`` (seconds) sounds over the drone."""
    return drone.start_sec - _EARLY_SEC <= time_sec <= drone.end_sec + _EARLY_SEC


def stands_apart(open_midi: Sequence[int], string: int) -> bool:
    """Whether ``string`` sounds higher than the one before it, as string 4 of a ukulele does.

    The strings beside it are no neighbours in pitch, so the melody over it may lie on any.

    Examples
    --------
    >>> [stands_apart((69, 64, 60, 67), string) for string in (1, 2, 3, 4)]
    [False, False, False, True]
    """
    return string > 1 and open_midi[string - 1] > open_midi[string - 2]


def melody_string(notes: Sequence[Note], instrument: Instrument, drone: Drone) -> int | None:
    """The string beside ``drone`` that the melody over it can run along, or None.

    It is the thinner string where that carries nearly all of the melody, as in most riffs; else
    the thicker one where that does, so that the melody need not change sides.
    """
    strings = drone_strings(drone)
    open_pitches = {instrument.pitch_midi(s, 0) for s in strings}
    melody = [
        n
        for n in notes
        if is_over(drone, n.onset_sec)
        and n.pitch_midi not in open_pitches
        and n.confidence >= SURE_CONFIDENCE
    ]
    if not melody:
        return None
    thinner, thicker = min(strings) - 1, max(strings) + 1
    for string, share in (
        (thinner, _SURE_SHARE_BESIDE),
        (thicker, _LIKELY_SHARE_BESIDE),
        (thinner, _LIKELY_SHARE_BESIDE),
    ):
        if _beside(melody, (string,), instrument, share):
            return string
    return None


def find_drone(
    notes: Sequence[Note],
    instrument: Instrument,
    *,
    drone: Drone | str | int | None = "auto",
    ends_known: bool = True,
) -> Drone | None:
    """The drone under ``notes``, or None.

    Parameters
    ----------
    notes : sequence of Note
        Their strings matter only where they say that the drone's string is stopped.
    instrument : Instrument
    drone : "auto", "off", a string number, or a Drone
        "auto" looks for one, "off" (or None) gives none, a string number (from 1) takes that
        string as the drone, whatever the notes say.
    ends_known : bool
        Whether the notes' ends are meant. Where each is only taken to ring until its string is
        struck again, as in a tab, a pitch that is struck once or twice is no drone.

    Returns
    -------
    Drone or None

    Raises
    ------
    ParameterError
        If ``drone`` is none of these.

    Examples
    --------
    >>> from transcribe.core.riff import Instrument, Note
    >>> melody = (52, 53, 55, 57, 55, 53, 52, 50)
    >>> notes = [Note(2 * i, 0.5 * i, 0.5 * i + 0.5, 45) for i in range(8)]
    >>> notes += [Note(2 * i + 1, 0.5 * i, 0.5 * i + 0.4, p) for i, p in enumerate(melody)]
    >>> find_drone(notes, Instrument()).string
    5
    """
    if drone is None or drone == "off":
        return None
    if isinstance(drone, Drone):
        return drone
    if drone == "auto":
        return _search(notes, instrument, None, ends_known)
    if isinstance(drone, str) and drone.isdecimal():
        drone = int(drone)
    if isinstance(drone, bool) or not isinstance(drone, int):
        raise ParameterError(f"drone is 'auto', 'off' or a string number, not {drone!r}")
    count = len(instrument.open_midi)
    if not 1 <= drone <= count:
        raise ParameterError(f"a drone string is 1 to {count} on this instrument, not {drone}")
    seen = _search(notes, instrument, (drone,), ends_known)
    return seen if seen is not None else forced_drone(notes, instrument, drone)


def _search(
    notes: Sequence[Note],
    instrument: Instrument,
    strings: Sequence[int] | None,
    ends_known: bool,
) -> Drone | None:
    """The best drone on any string, or on one of ``strings``."""
    ordered = sort_notes(list(notes))
    pitches = Counter(note.pitch_midi for note in ordered)
    if len(ordered) < _MIN_STRIKES + 2:
        return None
    found = []
    for string in range(1, len(instrument.open_midi) + 1):
        if strings is not None and string not in strings:
            continue
        if not ends_known and pitches[instrument.pitch_midi(string, 0)] < _MIN_STRIKES:
            continue
        measured = _measure(ordered, instrument, string, (), ends_known)
        if measured is not None:
            found.append(measured)
    if not found:
        return _find_pair(ordered, instrument, strings, ends_known)
    best = max(found, key=lambda f: f.score)
    others = _companions(ordered, instrument, best, strings)
    return Drone(best.string, best.start_sec, best.end_sec, others)


def forced_drone(notes: Sequence[Note], instrument: Instrument, string: int) -> Drone:
    """A drone on ``string`` from its first to its last strike, or through all notes without one."""
    start = min((n.onset_sec for n in notes), default=0.0)
    end = max((n.offset_sec for n in notes), default=0.0)
    pitch = instrument.open_midi[string - 1] + instrument.capo
    struck = [n for n in notes if n.pitch_midi == pitch]
    if struck:
        start = min(n.onset_sec for n in struck)
        end = max(n.offset_sec for n in struck)
    return Drone(string, start, end)


def _measure(
    notes: tuple[Note, ...],
    instrument: Instrument,
    string: int,
    also: tuple[int, ...],
    ends_known: bool,
) -> _Measured | None:
    """An open string as a drone, or None; ``also`` are the pitches of a second drone string."""
    pitch = instrument.open_midi[string - 1] + instrument.capo
    own = [n for n in notes if n.pitch_midi == pitch]
    if not own or (len(own) < _MIN_STRIKES and not _held(own, notes)):
        return None
    start, end = _longest_run(own, notes)
    inside = [n for n in notes if start - _EARLY_SEC <= n.onset_sec < end]
    overtones = likely_overtones(inside)
    melody = [
        n
        for n in inside
        if n.pitch_midi != pitch and n.pitch_midi not in also and n.id not in overtones
    ]
    if len(melody) < 3 or len({n.pitch_midi for n in melody}) < 3:
        return None
    # Where the notes say their strings, a string that the melody is stopped on cannot ring.
    if sum(n.string == string for n in melody) > _MAX_SHARE_STOPPED * len(melody):
        return None
    whole = notes[-1].onset_sec - notes[0].onset_sec
    length = end - start
    if length < _MIN_LENGTH_SEC or length < _MIN_SHARE_OF_RIFF * whole:
        return None
    struck = [n for n in own if start <= n.onset_sec <= end]
    covered = _covered(struck, start, end)
    below = sum(n.pitch_midi > pitch for n in melody) / len(melody)
    together = 1.0 - len(_strokes(melody)) / len(melody)
    share = len(struck) / max(1, len(_strokes(inside)))
    rare = share < _MIN_SHARE_OF_STROKES and covered < _MIN_SHARE_COVERED_IF_RARE
    if covered < _MIN_SHARE_COVERED or together > _MAX_SHARE_TOGETHER or rare:
        return None
    apart = stands_apart(instrument.open_midi, string)
    near = sorted({s + d for s in _strings_of(instrument, pitch, also) for d in (-1, 1)})
    if not (apart or _beside(melody, near, instrument, _MIN_SHARE_BESIDE)):
        return None
    if share <= _MAX_SHARE_OF_BASS and _a_bass(struck, melody, ends_known):
        return None
    if below < _MIN_SHARE_ABOVE:
        often = (
            share >= _MIN_SHARE_OF_STROKES_INSIDE
            or _regular(struck)
            or _rings(struck, melody, start, end)
        )
        steady = often and covered >= _MIN_SHARE_COVERED_INSIDE
        if (
            not steady
            or length < 0.9 * whole
            or not (apart or _beside(melody, (string + 1,), instrument, _MIN_SHARE_BESIDE_THICKER))
        ):
            return None
    return _Measured(pitch, string, start, end, covered + share + below)


def _a_bass(struck: Sequence[Note], melody: Sequence[Note], ends_known: bool) -> bool:
    """Whether a pitch that is struck now and then is one note of the line.

    A note of the line is struck by itself; a drone is mostly struck along with the melody. No
    player follows leaps along one string for a note that comes once a bar, and a drone rings on
    when the line goes on.
    """
    times = np.array([n.onset_sec for n in melody])
    alone = np.mean([np.abs(times - n.onset_sec).min() > STROKE_SEC for n in struck])
    if alone < _MIN_SHARE_ALONE:
        return False
    steps = np.abs(np.diff([n.pitch_midi for n in melody]))
    if np.mean(steps >= _LEAP_SEMITONES) >= _MIN_SHARE_LEAPS:
        return True
    following = np.searchsorted(times, [n.onset_sec for n in struck], side="right")
    stopped = [
        note.offset_sec <= times[i] + STROKE_SEC
        for note, i in zip(struck, following, strict=True)
        if i < len(times)
    ]
    return ends_known and len(stopped) > 0 and bool(np.mean(stopped) >= _MIN_SHARE_STOPPED)


def _regular(struck: Sequence[Note]) -> bool:
    """Whether nearly all strikes come one usual gap after another."""
    gaps = np.diff([n.onset_sec for n in struck])
    if len(gaps) < _MIN_STRIKES:
        return False
    usual = float(np.median(gaps))
    return bool(np.mean(np.abs(gaps - usual) <= _REGULAR_WITHIN * usual) >= _MIN_SHARE_REGULAR)


def _rings(
    struck: Sequence[Note], melody: Sequence[Note], start_sec: float, end_sec: float
) -> bool:
    """Whether the drone hardly ever falls silent and sounds longer than the melody's notes."""
    if len(struck) < _MIN_STRIKES:
        return False
    lengths = [n.offset_sec - n.onset_sec for n in struck]
    steps = np.diff(_strokes(melody))
    sounds = sum(lengths) >= _MIN_SHARE_RINGING * (end_sec - start_sec)
    return bool(sounds and np.median(lengths) >= _MIN_LENGTH_IN_STEPS * np.median(steps))


def _strings_of(instrument: Instrument, pitch: int, also: Sequence[int]) -> list[int]:
    """The strings that are open at these pitches."""
    opens = {pitch, *also}
    return [s for s, p in enumerate(instrument.open_midi, 1) if p + instrument.capo in opens]


def _beside(
    melody: Sequence[Note], strings: Sequence[int], instrument: Instrument, share: float
) -> bool:
    """Whether one of ``strings`` could carry so large a share of the melody by itself."""
    for string in strings:
        if not 1 <= string <= len(instrument.open_midi):
            continue
        low = instrument.open_midi[string - 1] + instrument.capo
        top = low + min(_MELODY_FRETS, instrument.top_fret)
        if sum(low <= n.pitch_midi <= top for n in melody) >= share * len(melody):
            return True
    return False


def _held(own: Sequence[Note], notes: Sequence[Note]) -> bool:
    """Whether a pitch that is struck once or twice sounds for most of the riff."""
    whole = notes[-1].offset_sec - notes[0].onset_sec
    return sum(n.offset_sec - n.onset_sec for n in own) > _MIN_SHARE_HELD * whole


def _strokes(notes: Sequence[Note]) -> list[float]:
    out: list[float] = []
    for note in notes:
        if not out or note.onset_sec - out[-1] > STROKE_SEC:
            out.append(note.onset_sec)
    return out


def _longest_run(own: Sequence[Note], notes: Sequence[Note]) -> tuple[float, float]:
    """Start and end of the longest stretch of strikes without a long silence between.

    A run reaches to the ends of the riff where these lie within a strike that was missed, and the
    last strike may be read too short.
    """
    gaps = np.diff([n.onset_sec for n in own])
    usual = float(np.median(gaps)) if len(gaps) else 2.0
    limit = min(4.0, max(1.6, 0.9 * usual))
    runs = []
    start, end = own[0].onset_sec, own[0].offset_sec
    last = own[0].onset_sec
    for note in own[1:]:
        silent = note.onset_sec - max(end, last)
        if silent > limit and note.onset_sec - last > _MAX_GAPS * usual:
            runs.append((start, end, last))
            start = note.onset_sec
            end = note.offset_sec
        end = max(end, note.offset_sec)
        last = note.onset_sec
    runs.append((start, end, last))
    start, end, last = max(runs, key=lambda r: r[1] - r[0])
    usual = min(6.0, usual)
    first = notes[0].onset_sec
    final = max(n.offset_sec for n in notes[-4:])
    if start - first <= _MAX_GAPS_BEFORE * usual:
        start = first
    end = max(end, min(final, last + 1.1 * usual))
    return start, end


def _covered(struck: Sequence[Note], start: float, end: float) -> float:
    """Share of the time that the drone sounds, or is between two strikes of a steady pattern."""
    gaps = np.diff([n.onset_sec for n in struck])
    steady = float(np.median(gaps)) * 1.3 if len(gaps) else 0.0
    reach = min(steady, 3.0)
    covered, until = 0.0, start
    for note in struck:
        low = max(until, note.onset_sec)
        high = min(end, max(note.offset_sec, note.onset_sec + reach))
        if high > low:
            covered += high - low
            until = high
    return covered / max(1e-6, end - start)


def _companions(
    notes: tuple[Note, ...],
    instrument: Instrument,
    best: _Measured,
    strings: Sequence[int] | None,
) -> tuple[int, ...]:
    """A second drone string: a neighbour's open pitch struck along with the first."""
    out = []
    for string in (best.string - 1, best.string + 1):
        if not 1 <= string <= len(instrument.open_midi):
            continue
        if strings is not None and string not in strings:
            continue
        pitch = instrument.open_midi[string - 1] + instrument.capo
        own = [n for n in notes if n.pitch_midi == pitch]
        first = [n.onset_sec for n in notes if n.pitch_midi == best.pitch_midi]
        along = sum(any(abs(n.onset_sec - t) <= STROKE_SEC for t in first) for n in own)
        enough = max(3, 0.8 * len(first), 0.8 * len(own))
        rest = [n for n in notes if n.pitch_midi not in (pitch, best.pitch_midi)]
        below = sum(n.pitch_midi > pitch for n in rest) >= _MIN_SHARE_ABOVE * max(1, len(rest))
        thicker = max(string, best.string) + 1
        if not below:
            below = _beside(rest, (thicker,), instrument, _MIN_SHARE_BESIDE_THICKER)
        if below and len({n.pitch_midi for n in rest}) >= 3 and along >= enough:
            out.append(string)
    return tuple(out[:1])


def _find_pair(
    notes: tuple[Note, ...],
    instrument: Instrument,
    strings: Sequence[int] | None,
    ends_known: bool,
) -> Drone | None:
    """Two neighbouring open strings that drone together (neither passes alone)."""
    count = len(instrument.open_midi)
    for low in range(count, 1, -1):
        if strings is not None and not {low, low - 1} <= set(strings):
            continue
        other = instrument.open_midi[low - 2] + instrument.capo
        measured = _measure(notes, instrument, low, (other,), ends_known)
        if measured is None:
            continue
        along = _companions(notes, instrument, measured, (low, low - 1))
        if along:
            return Drone(low, measured.start_sec, measured.end_sec, along)
    return None
