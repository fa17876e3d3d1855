"""Finds a drone: an open string, or two, that rings on under a melody.

A pitch is a drone when it can be an open string, is struck again and again or held so that it
hardly ever falls silent, lies below the melody, and the melody over it is a line, not chords. In
the midst of a melody or above it, it has to be struck with two notes in five, and the melody has
to fit the thicker string beside it. A low note that is struck once a bar, by itself, under a line
that leaps is that line's bass and no drone.
Asking only how often the pitch is struck would take every pedal bass for a drone.

Conventions: times in seconds, string 1 is the highest-sounding, pitch in MIDI numbers.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from transcribe.core.errors import ParameterError
from transcribe.core.overtones import SURE_CONFIDENCE, TOGETHER_SEC, likely_overtones
from transcribe.core.riff import Drone, Instrument, Note, sort_notes

__all__ = [
    "FarUp",
    "drone_strings",
    "far_up",
    "find_drone",
    "forced_drone",
    "is_over",
    "melody_string",
]

_SLACK_SEC = 0.06
_MIN_STRIKES = 3
_MIN_LENGTH_SEC = 1.5
_MIN_COVER = 0.62
_MIN_OF_RIFF = 0.7
_MIN_BELOW = 0.93
_MIN_SHARE_INSIDE = 0.4  # a drone in or above the melody has to be struck more
_MIN_COVER_INSIDE = 0.82
_MIN_REGULAR = 0.9  # share of the gaps between strikes that make them regular
_GAP_SLACK = 0.12
_MIN_RINGING = 0.93
_MIN_OUTLASTS = 2.5
_MIN_BESIDE = 0.85  # share of the melody that one string beside the drone could carry
_MIN_BESIDE_THICKER = 0.97  # the same, where the melody runs on the thicker side
_MELODY_FRETS = 17
_SURE_LANE = 0.975  # share of the melody that makes a string beside the drone the melody's own
_MIN_LANE = 0.95
_MAX_MELODY_TOGETHER = 0.14
_MIN_ONSET_SHARE = 0.12
_MIN_COVER_IF_RARE = 0.85
_MIN_HELD = 0.5
_MAX_BASS_SHARE = 0.35  # struck more often than this it is no bass note of a line
_MIN_ALONE = 0.65
_LEAP, _MIN_LEAPS = 4, 0.28  # semitones that leave the hand's place on a string, and their share
_HIGH_FRET, _FAR_FRETS, _NEAR_FRETS = 12, 7, 6
_MAX_STOPPED = 0.15  # share of the melody that a tab may write on the drone's own string


@dataclass(frozen=True, slots=True)
class _Found:
    pitch_midi: int
    string: int
    start_sec: float
    end_sec: float
    score: float


@dataclass(frozen=True, slots=True)
class FarUp:
    """A melody note alone far up its string: frets above its neighbours, and a nearer place."""

    note: Note
    above: int
    nearer: tuple[int, int]


def drone_strings(drone: Drone) -> tuple[int, ...]:
    """Every string of a drone, the main one first."""
    return (drone.string, *drone.other_strings)


def is_over(drone: Drone, time_sec: float) -> bool:
    """Whether what begins at ``time_sec`` sounds over the drone, give or take a stroke."""
    return drone.start_sec - _SLACK_SEC <= time_sec <= drone.end_sec + _SLACK_SEC


def melody_string(notes: Sequence[Note], instrument: Instrument, drone: Drone) -> int | None:
    """The string beside ``drone`` that the melody over it can run along, or None.

    The thinner one where it carries nearly all of the melody, as most riffs have it; else the
    thicker one where that does, so that the melody need not change sides.
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
    for string, share in ((thinner, _SURE_LANE), (thicker, _MIN_LANE), (thinner, _MIN_LANE)):
        if _beside(melody, (string,), instrument, share):
            return string
    return None


def far_up(
    notes: Sequence[Note],
    positions: Mapping[int, tuple[int, int]],
    instrument: Instrument,
    drone: Drone | None,
) -> list[FarUp]:
    """Melody notes that the rule of one string beside the drone puts far above the others.

    ``positions``: note id -> (string, fret). Only notes at fret 12 or higher, seven frets or more
    above the melody notes on either side, with a place on another string near those.
    """
    if drone is None:
        return []
    strings = drone_strings(drone)
    over = [
        n
        for n in sort_notes(list(notes))
        if n.id in positions and positions[n.id][0] not in strings and is_over(drone, n.onset_sec)
    ]
    found = []
    for k, note in enumerate(over):
        string, fret = positions[note.id]
        beside = max(
            (positions[n.id][1] for n in (*over[max(0, k - 1) : k], *over[k + 1 : k + 2])),
            default=fret,
        )
        if fret < _HIGH_FRET or fret - beside < _FAR_FRETS:
            continue
        near = [
            (abs(f - beside), abs(s - string), (s, f))
            for s, f in instrument.places(note.pitch_midi)
            if s not in (string, *strings) and abs(f - beside) <= _NEAR_FRETS
        ]
        if near:
            found.append(FarUp(note, fret - beside, min(near)[2]))
    return found


def find_drone(
    notes: Sequence[Note],
    instrument: Instrument,
    *,
    drone: Drone | str | int | None = "auto",
) -> Drone | None:
    """The drone under ``notes``, or None.

    Parameters
    ----------
    notes : sequence of Note
    instrument : Instrument
    drone : "auto", "off", a string number, or a Drone
        "auto" looks for one, "off" (or None) gives none, a string number holds that string to be
        the drone, whatever the notes say.

    Raises
    ------
    ParameterError
        If ``drone`` is none of these.
    """
    if drone is None or drone == "off":
        return None
    if isinstance(drone, Drone):
        return drone
    if drone == "auto":
        return _look(notes, instrument, None)
    if isinstance(drone, str) and drone.isdecimal():
        drone = int(drone)
    if isinstance(drone, bool) or not isinstance(drone, int):
        raise ParameterError(f"drone is 'auto', 'off' or a string number, not {drone!r}")
    count = len(instrument.open_midi)
    if not 1 <= drone <= count:
        raise ParameterError(f"a drone string is 1 to {count} on this instrument, not {drone}")
    seen = _look(notes, instrument, (drone,))
    return seen if seen is not None else forced_drone(notes, instrument, drone)


def _look(
    notes: Sequence[Note], instrument: Instrument, strings: Sequence[int] | None
) -> Drone | None:
    """`find_drone` over all open strings, or over ``strings`` only."""
    ordered = sort_notes(list(notes))
    if len(ordered) < _MIN_STRIKES + 2:
        return None
    found = []
    for string in range(1, len(instrument.open_midi) + 1):
        if strings is not None and string not in strings:
            continue
        measured = _measure(ordered, instrument, string, ())
        if measured is not None:
            found.append(measured)
    if not found:
        pair = _find_pair(ordered, instrument, strings)
        return pair
    best = max(found, key=lambda f: f.score)
    others = _companions(ordered, instrument, best, strings)
    return Drone(best.string, best.start_sec, best.end_sec, others)


def forced_drone(notes: Sequence[Note], instrument: Instrument, string: int) -> Drone:
    """A drone on ``string`` from the first to the last note, whatever the notes say."""
    start = min((n.onset_sec for n in notes), default=0.0)
    end = max((n.offset_sec for n in notes), default=0.0)
    pitch = instrument.open_midi[string - 1] + instrument.capo
    struck = [n for n in notes if n.pitch_midi == pitch]
    if struck:
        start = min(n.onset_sec for n in struck)
        end = max(n.offset_sec for n in struck)
    return Drone(string, start, end)


def _measure(
    notes: tuple[Note, ...], instrument: Instrument, string: int, also: tuple[int, ...]
) -> _Found | None:
    """How far an open string is a drone; ``also`` are pitches of a second drone string."""
    pitch = instrument.open_midi[string - 1] + instrument.capo
    own = [n for n in notes if n.pitch_midi == pitch]
    if not own or (len(own) < _MIN_STRIKES and not _held(own, notes)):
        return None
    start, end = _longest_run(own, notes)
    inside = [n for n in notes if start - _SLACK_SEC <= n.onset_sec < end]
    overtones = likely_overtones(inside)
    melody = [
        n
        for n in inside
        if n.pitch_midi != pitch and n.pitch_midi not in also and n.id not in overtones
    ]
    if len(melody) < 3 or len({n.pitch_midi for n in melody}) < 3:
        return None
    # Where the notes say their strings, a string that the melody is stopped on cannot ring.
    if sum(n.string == string for n in melody) > _MAX_STOPPED * len(melody):
        return None
    whole = notes[-1].onset_sec - notes[0].onset_sec
    length = end - start
    if length < _MIN_LENGTH_SEC or length < _MIN_OF_RIFF * whole:
        return None
    struck = [n for n in own if start <= n.onset_sec <= end]
    covered = _covered(struck, start, end)
    below = sum(n.pitch_midi > pitch for n in melody) / len(melody)
    together = 1.0 - len(_strokes(melody)) / len(melody)
    share = len(struck) / max(1, len(_strokes(inside)))
    rare = share < _MIN_ONSET_SHARE and covered < _MIN_COVER_IF_RARE
    if covered < _MIN_COVER or together > _MAX_MELODY_TOGETHER or rare:
        return None
    if share <= _MAX_BASS_SHARE and _a_bass(struck, melody):
        return None
    near = {s + d for s in _strings_of(instrument, pitch, also) for d in (-1, 1)}
    if not _beside(melody, sorted(near), instrument, _MIN_BESIDE):
        return None
    if below < _MIN_BELOW:
        often = share >= _MIN_SHARE_INSIDE or _regular(struck) or _rings(struck, melody, start, end)
        steady = often and covered >= _MIN_COVER_INSIDE
        if (
            not steady
            or length < 0.9 * whole
            or not _beside(melody, (string + 1,), instrument, _MIN_BESIDE_THICKER)
        ):
            return None
    return _Found(pitch, string, start, end, covered + share + below)


def _a_bass(struck: Sequence[Note], melody: Sequence[Note]) -> bool:
    """Whether a pitch that is struck now and then is one note of a line that leaps.

    A bass note takes its own place in the line; a drone mostly sounds along with the melody. No
    hand follows leaps along one string for the sake of a note that comes once a bar.
    """
    times = np.array([n.onset_sec for n in melody])
    alone = np.mean([np.abs(times - n.onset_sec).min() > TOGETHER_SEC for n in struck])
    steps = np.abs(np.diff([n.pitch_midi for n in melody]))
    return bool(alone >= _MIN_ALONE and np.mean(steps >= _LEAP) >= _MIN_LEAPS)


def _regular(struck: Sequence[Note]) -> bool:
    """Whether the strikes come like a clock's: nearly all of them one usual gap apart."""
    gaps = np.diff([n.onset_sec for n in struck])
    if len(gaps) < _MIN_STRIKES:
        return False
    usual = float(np.median(gaps))
    return bool(np.mean(np.abs(gaps - usual) <= _GAP_SLACK * usual) >= _MIN_REGULAR)


def _rings(
    struck: Sequence[Note], melody: Sequence[Note], start_sec: float, end_sec: float
) -> bool:
    """Whether the drone hardly ever falls silent and outlasts the notes of the melody."""
    if len(struck) < _MIN_STRIKES:
        return False
    lengths = [n.offset_sec - n.onset_sec for n in struck]
    steps = np.diff(_strokes(melody))
    sounds = sum(lengths) >= _MIN_RINGING * (end_sec - start_sec)
    return bool(sounds and np.median(lengths) >= _MIN_OUTLASTS * np.median(steps))


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
    return sum(n.offset_sec - n.onset_sec for n in own) > _MIN_HELD * whole


def _strokes(notes: Sequence[Note]) -> list[float]:
    out: list[float] = []
    for note in notes:
        if not out or note.onset_sec - out[-1] > TOGETHER_SEC:
            out.append(note.onset_sec)
    return out


def _longest_run(own: Sequence[Note], notes: Sequence[Note]) -> tuple[float, float]:
    """Start and end of the longest stretch of strikes without a long silence between.

    A run reaches to the ends of the riff where these lie within one usual gap, since the first
    strike may be missed and the last may be read too short.
    """
    gaps = np.diff([n.onset_sec for n in own])
    usual = float(np.median(gaps)) if len(gaps) else 2.0
    limit = min(4.0, max(1.6, 0.9 * usual))
    runs = []
    start, end = own[0].onset_sec, own[0].offset_sec
    last = own[0].onset_sec
    for note in own[1:]:
        silent = note.onset_sec - max(end, last)
        if silent > limit and note.onset_sec - last > 2.4 * usual:
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
    if start - first <= 1.2 * usual:
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
    best: _Found,
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
        along = sum(any(abs(n.onset_sec - t) <= TOGETHER_SEC for t in first) for n in own)
        enough = max(3, 0.8 * len(first), 0.8 * len(own))
        rest = [n for n in notes if n.pitch_midi not in (pitch, best.pitch_midi)]
        below = sum(n.pitch_midi > pitch for n in rest) >= _MIN_BELOW * max(1, len(rest))
        thicker = max(string, best.string) + 1
        if not below:
            below = _beside(rest, (thicker,), instrument, _MIN_BESIDE_THICKER)
        if below and len({n.pitch_midi for n in rest}) >= 3 and along >= enough:
            out.append(string)
    return tuple(out[:1])


def _find_pair(
    notes: tuple[Note, ...], instrument: Instrument, strings: Sequence[int] | None
) -> Drone | None:
    """Two neighbouring open strings that drone together (neither passes alone)."""
    count = len(instrument.open_midi)
    for low in range(count, 1, -1):
        if strings is not None and not {low, low - 1} <= set(strings):
            continue
        other = instrument.open_midi[low - 2] + instrument.capo
        measured = _measure(notes, instrument, low, (other,))
        if measured is None:
            continue
        along = _companions(notes, instrument, measured, (low, low - 1))
        if along:
            return Drone(low, measured.start_sec, measured.end_sec, along)
    return None
