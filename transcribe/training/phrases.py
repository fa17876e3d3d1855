"""Invented phrases, played as guitarists play: string by string, so that a string sounds one note.

Conventions: string 1 is the highest-sounding, frets count from the capo, pitch in MIDI numbers,
times in seconds, score times in beats (a beat is one unit of the meter's denominator). Every
phrase is drawn from a seeded generator; nothing here makes sound.

The chord shapes, tunings and ways of playing are common practice, no source.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np

from transcribe.errors import ParameterError
from transcribe.instrument import TUNINGS
from transcribe.riff import Instrument, Phrase

__all__ = ["KINDS", "MODES", "PlayedNote", "Score", "make_instrument_for", "make_score"]

MODES = MappingProxyType(
    {
        "ionian": (0, 2, 4, 5, 7, 9, 11),
        "dorian": (0, 2, 3, 5, 7, 9, 10),
        "phrygian": (0, 1, 3, 5, 7, 8, 10),
        "lydian": (0, 2, 4, 6, 7, 9, 11),
        "mixolydian": (0, 2, 4, 5, 7, 9, 10),
        "aeolian": (0, 2, 3, 5, 7, 8, 10),
        "locrian": (0, 1, 3, 5, 6, 8, 10),
    }
)
"""Semitones of the seven modes above their tonic."""

RINGS = float("inf")
"""Duration of a note that rings until its string is struck again."""


@dataclass(frozen=True, slots=True)
class PlayedNote:
    """One note as it is played; ``onset_sec`` is where its attack begins to sound.

    ``offset_sec`` is where it is damped, struck over or no longer heard. ``source`` is the index
    of the note that a hammer-on, pull-off or slide carries on from. ``curve`` holds points
    (seconds after the onset, cents) of a bend; ``vibrato`` is (rate in hertz, depth in cents,
    delay in seconds) or None.
    """

    onset_sec: float
    offset_sec: float
    pitch_midi: int
    string: int
    fret: int
    articulation: str = "picked"
    bend_cents: float = 0.0
    velocity: float = 0.8
    onset_beat: float | None = None
    duration_beat: float | None = None
    source: int | None = None
    curve: tuple[tuple[float, float], ...] = ()
    vibrato: tuple[float, float, float] | None = None
    muted: bool = False


@dataclass(frozen=True, slots=True)
class Score:
    """A phrase: notes by onset, and what the generator meant by them."""

    notes: tuple[PlayedNote, ...]
    instrument: Instrument
    kind: str
    bpm: float
    meter: tuple[int, int]
    beats_sec: tuple[float, ...]
    downbeats_sec: tuple[float, ...]
    phrases: tuple[Phrase, ...] = ()
    tonic: int | None = None
    mode: str | None = None
    drone_string: int | None = None


@dataclass(slots=True)
class _Event:
    """A note on the score: beats, string, fret, and how it is played."""

    beat: float
    length: float  # beats until it is damped; RINGS until the string is struck again
    string: int
    fret: int
    articulation: str = "picked"
    velocity: float = 0.75
    delay_sec: float = 0.0
    muted: bool = False


@dataclass(slots=True)
class _Setting:
    """What one phrase is drawn in."""

    rng: np.random.Generator
    instrument: Instrument
    low: int
    high: int
    tonic: int
    mode: str
    meter: tuple[int, int]
    bars: int
    expression: float
    beat_sec: float
    dynamics: float
    events: list[_Event] = field(default_factory=list)
    phrases: list[Phrase] = field(default_factory=list)
    drone_string: int | None = None

    @property
    def beats(self) -> float:
        return float(self.bars * self.meter[0])

    def in_scale(self, pitch: int) -> bool:
        return (pitch - self.tonic) % 12 in MODES[self.mode]

    def pitch(self, string: int, fret: int) -> int:
        return self.instrument.pitch_midi(string, fret)

    def step(self, beats: float) -> float:
        """``beats``, doubled until a hand can play at that pace."""
        while beats * self.beat_sec < 0.085:
            beats *= 2.0
        return beats

    def chance(self, share: float) -> bool:
        return bool(self.rng.random() < share)

    def whole(self, low: int, high: int) -> int:
        """A whole number from low to high, both may come."""
        return int(self.rng.integers(low, high + 1))

    def one_of(self, items: Sequence[object]) -> object:
        return items[int(self.rng.integers(len(items)))]

    def fits(self, string: int, fret: int) -> bool:
        return (
            0 <= fret <= self.instrument.top_fret
            and self.low <= self.pitch(string, fret) <= self.high
        )


def make_instrument_for(rng: np.random.Generator, offset_cents: float = 0.0) -> Instrument:
    """An instrument as guitars come: mostly in standard tuning, at times another, or a capo."""
    names = [
        "standard",
        "drop-d",
        "half-step-down",
        "dadgad",
        "open-g",
        "open-d",
        "whole-step-down",
    ]
    share = np.array([0.66, 0.09, 0.09, 0.05, 0.04, 0.04, 0.03])
    name = names[int(rng.choice(len(names), p=share / share.sum()))]
    capo = int(rng.integers(1, 8)) if rng.random() < 0.18 else 0
    return Instrument(TUNINGS[name], capo=capo, offset_cents=offset_cents)


# -- rhythm ------------------------------------------------------------------------------------

_FIGURES = (
    (1.0,),
    (0.5, 0.5),
    (0.5, 0.5),
    (0.25, 0.25, 0.5),
    (0.5, 0.25, 0.25),
    (0.25, 0.25, 0.25, 0.25),
    (0.75, 0.25),
    (1 / 3, 1 / 3, 1 / 3),
    (1.5, 0.5),
    (2.0,),
)


def _rhythm(s: _Setting, length: float, *, dense: float) -> list[tuple[float, float]]:
    """(beat, length) pairs that fill ``length`` beats; ``dense`` 0 calm to 1 busy."""
    weight = np.array([2.0, 3.0, 2.0, 0.7, 0.7, 1.6, 0.7, 0.5, 0.8, 1.0])
    count = np.array([len(f) / sum(f) for f in _FIGURES])
    weight = weight * np.exp((dense - 0.5) * 1.6 * (count - 1.8))
    quickest = np.array([min(f) for f in _FIGURES]) * s.beat_sec
    weight = np.where(quickest < 0.085, 0.0, weight)
    out: list[tuple[float, float]] = []
    at = 0.0
    while at < length - 1e-6:
        figure = _FIGURES[int(s.rng.choice(len(_FIGURES), p=weight / weight.sum()))]
        for step in figure:
            if at >= length - 1e-6:
                break
            step = min(step, length - at)
            out.append((at, step))
            at += step
    return out


def _form(s: _Setting) -> list[tuple[str, float, float]]:
    """Phrases (label, start, end) over all bars; most repeat."""
    size = 2 if s.bars >= 4 and s.chance(0.7) else 1
    pattern = str(s.one_of(("AAAA", "AABA", "ABAB", "AABB", "ABAC", "AAB", "ABCD")))
    out = []
    for i, start in enumerate(range(0, s.bars, size)):
        label = pattern[i % len(pattern)]
        end = min(s.bars, start + size)
        out.append((label, float(start * s.meter[0]), float(end * s.meter[0])))
    return out


def _by_form(s: _Setting, write: Callable[[float], list[_Event]]) -> None:
    """Write each label once and repeat it where it comes again, seldom varied."""
    written: dict[str, list[_Event]] = {}
    for label, start, end in _form(s):
        if label not in written:
            written[label] = write(end - start)
        for event in written[label]:
            if event.beat < end - start - 1e-6 and not s.chance(0.02):
                s.events.append(replace_event(event, start))
        s.phrases.append(Phrase(label, start, end))


def replace_event(event: _Event, shift: float) -> _Event:
    """The event ``shift`` beats later."""
    return replace(event, beat=event.beat + shift)


# -- melodies ----------------------------------------------------------------------------------


def _walk(s: _Setting, count: int, size: int, start: int) -> list[int]:
    """Indices into a ladder of ``size`` steps, moving as melodies move: mostly by step."""
    at = min(max(start, 0), size - 1)
    out = []
    drift = int(s.rng.choice((-1, 1)))
    for _ in range(count):
        out.append(at)
        step = int(s.rng.choice((0, 1, 2, 3, 4), p=(0.1, 0.52, 0.2, 0.11, 0.07)))
        if s.chance(0.25):
            drift = -drift
        at += drift * step
        if not 0 <= at < size:
            drift = -drift
            at = min(max(at, 0), size - 1)
    return out


def _express(s: _Setting, line: list[_Event], legato: float) -> None:
    """Turn some notes of a line into legato, slides, bends and vibrato, where a hand can."""
    for a, b in itertools.pairwise(line):
        gap = b.beat - (a.beat + a.length)
        if a.string != b.string or gap > 0.01 or a.articulation in ("dead", "harmonic", "bend"):
            continue
        step = b.fret - a.fret
        if step == 0 or not s.chance(legato):
            continue
        kinds = []
        if 0 < step <= 4:
            kinds += ["hammer-on"] * 3
        if -4 <= step < 0:
            kinds += ["pull-off"] * 3
        if 0 < abs(step) <= 5 and a.fret > 0 and b.fret > 0:
            kinds += ["slide"] * 2
        if kinds:
            b.articulation = str(s.one_of(kinds))
            a.length = max(a.length, b.beat - a.beat)
    for event in line:
        if event.articulation != "picked" or event.fret < 2:
            continue
        if event.length >= 0.5 and s.chance(0.25 * s.expression):
            event.articulation = "bend"
        elif event.length >= 0.75 and s.chance(0.4 * s.expression):
            event.articulation = "vibrato"


def _accent(s: _Setting, beat: float) -> float:
    base = 0.82 if abs(beat - round(beat)) < 1e-3 else 0.7
    return float(np.clip(base + s.rng.normal(0.0, s.dynamics), 0.15, 1.0))


def _line(s: _Setting, length: float) -> list[_Event]:
    """A line in one position over neighbouring strings."""
    top = s.instrument.top_fret
    base = s.whole(0, min(14, top - 4))
    span = s.whole(3, 4)
    ladder = [
        (s.pitch(string, fret), string, fret)
        for string in range(1, 7)
        for fret in ([0] if base <= 3 else []) + list(range(max(base, 1), base + span + 1))
        if s.fits(string, fret) and s.in_scale(s.pitch(string, fret))
    ]
    ladder.sort()
    ladder = [p for i, p in enumerate(ladder) if i == 0 or p[0] != ladder[i - 1][0]]
    if not ladder:
        return []
    rhythm = _rhythm(s, length, dense=float(s.rng.uniform(0.2, 1.0)))
    path = _walk(s, len(rhythm), len(ladder), s.whole(0, len(ladder) - 1))
    rests = float(s.rng.uniform(0.0, 0.2))
    staccato = float(s.rng.uniform(0.5, 0.9)) if s.chance(0.15) else 1.0
    ring = s.chance(0.15)
    line = []
    for (beat, size), at in zip(rhythm, path, strict=True):
        if beat > 0 and s.chance(rests):
            continue
        _, string, fret = ladder[at]
        line.append(
            _Event(
                beat, RINGS if ring else size * staccato, string, fret, velocity=_accent(s, beat)
            )
        )
    if not ring:
        _express(s, line, s.expression * float(s.rng.uniform(0.4, 1.0)))
    for event in line:
        if event.articulation == "picked" and s.chance(0.02):
            event.articulation = "dead"
    return line


def _strings_line(s: _Setting, string: int, length: float, dense: float) -> list[_Event]:
    """A line along one string."""
    top = min(s.instrument.top_fret, 17)
    ladder = [f for f in range(0, top + 1) if s.fits(string, f) and s.in_scale(s.pitch(string, f))]
    if not ladder:
        return []
    low = s.whole(0, max(0, len(ladder) - 5))
    ladder = ladder[low : low + s.whole(5, 9)]
    rhythm = _rhythm(s, length, dense=dense)
    path = _walk(s, len(rhythm), len(ladder), s.whole(0, len(ladder) - 1))
    rests = float(s.rng.uniform(0.0, 0.15))
    line = []
    for (beat, size), at in zip(rhythm, path, strict=True):
        if beat > 0 and s.chance(rests):
            continue
        line.append(_Event(beat, size, string, ladder[at], velocity=_accent(s, beat)))
    _express(s, line, s.expression * float(s.rng.uniform(0.2, 0.7)))
    return line


def _drone(s: _Setting) -> None:
    """An open string under (or over) a melody on its neighbour."""
    drone = s.drone_string
    assert drone is not None
    melody = drone - 1 if drone > 1 and (drone == 6 or s.chance(0.75)) else drone + 1
    manner = str(s.one_of(("together", "pulse", "alternating", "let ring", "together")))
    pulse = float(s.rng.choice((0.5, 1.0, 1.0, 2.0)))
    struck = float(s.rng.uniform(0.4, 1.0))
    second = drone + (1 if drone > melody else -1)
    both = 1 <= second <= 6 and s.chance(0.15)
    loud = float(s.rng.uniform(0.6, 1.1))
    ring = s.chance(0.15)
    drone_first = drone > melody
    apart = float(s.rng.uniform(0.0, 0.02))

    def strike(beat: float, delay: float = 0.0) -> list[_Event]:
        velocity = min(1.0, _accent(s, beat) * loud)
        out = [_Event(beat, RINGS, drone, 0, velocity=velocity, delay_sec=delay)]
        if both:
            out.append(_Event(beat, RINGS, second, 0, velocity=velocity * 0.9, delay_sec=delay))
        return out

    def write(length: float) -> list[_Event]:
        dense = float(s.rng.uniform(0.1, 0.8))
        out: list[_Event] = []
        if manner == "alternating":
            step = s.step(float(s.rng.choice((0.25, 0.5, 0.5))))
            line = _strings_line(s, melody, length, 0.3)
            run = [e.fret for e in line] or [0]
            order = s.chance(0.5)
            for i, beat in enumerate(np.arange(0.0, length - 1e-6, step)):
                if (i % 2 == 0) == order:
                    out += strike(float(beat))
                elif not s.chance(0.08):
                    fret = run[(i // 2) % len(run)]
                    size = RINGS if ring else 2 * step
                    out.append(
                        _Event(float(beat), size, melody, fret, velocity=_accent(s, float(beat)))
                    )
            return out
        line = _strings_line(s, melody, length, dense)
        at = set()
        if manner in ("pulse", "let ring"):
            every = pulse if manner == "pulse" else float(s.meter[0])
            at = {round(float(b), 4) for b in np.arange(0.0, length - 1e-6, every)}
        else:
            for event in line:
                picked = event.articulation not in ("hammer-on", "pull-off", "slide")
                if picked and (event.beat == 0 or s.chance(struck)):
                    at.add(round(event.beat, 4))
        for beat in sorted(at):
            out += strike(beat, 0.0 if drone_first else apart)
        for event in line:
            together = round(event.beat, 4) in at
            event.delay_sec = apart if together and drone_first else 0.0
            if ring and event.articulation == "picked":
                event.length = max(event.length, 1.0)
            out.append(event)
        return out

    _by_form(s, write)


# -- chords ------------------------------------------------------------------------------------

# Frets of strings 6 to 1 in standard tuning, x = not played.
_OPEN = (
    "x32010 320003 xx0232 022100 x02220 022000 x02210 xx0231 133211 x24442 320001 x32310 xx0212 "
    "020100 x02020 xx0211 x21202 022030 xx0233 x02230 x02200 320033 x32033 022400 x00232 xx2210"
)
# Movable shapes, root fret added: barre chords on strings 6 and 5, small chords on upper strings.
_BARRE = (
    "022100 022000 020100 020000 x02220 x02210 x02020 x02010 xxx211 xxx210 xx2210 xx0232 xx0121"
)


def _shape(s: _Setting) -> list[tuple[int, int]]:
    """A chord as (string, fret), string 6 first."""
    for _ in range(12):
        if s.chance(0.55):
            text, up = str(s.one_of(_OPEN.split())), 0
        else:
            text, up = str(s.one_of(_BARRE.split())), s.whole(1, 10)
        notes = [(6 - i, int(c) + up) for i, c in enumerate(text) if c != "x"]
        notes = [(string, fret) for string, fret in notes if s.fits(string, fret)]
        if len(notes) >= 3:
            return notes
    return [(string, 0) for string in range(6, 0, -1) if s.fits(string, 0)]


def _stroke(
    s: _Setting, chord: list[tuple[int, int]], beat: float, length: float, *, up: bool
) -> list[_Event]:
    """A strum over the strings of ``chord``: each string a little after the one before."""
    order = sorted(chord, key=lambda p: p[0], reverse=not up)
    if up and len(order) > 3:
        order = order[: s.whole(2, len(order))]
    elif len(order) > 4 and s.chance(0.25):
        order = order[s.whole(0, 2) :] if s.chance(0.5) else order[: -s.whole(1, 2)]
    whole = float(s.rng.uniform(0.008, 0.04)) if s.chance(0.9) else float(s.rng.uniform(0.04, 0.09))
    step = whole / max(1, len(order) - 1)
    base = _accent(s, beat) * (0.8 if up else 1.0)
    out = []
    at = 0.0
    for string, fret in order:
        velocity = float(np.clip(base + s.rng.normal(0.0, 0.1), 0.15, 1.0))
        out.append(_Event(beat, length, string, fret, velocity=velocity, delay_sec=at))
        at += step * float(s.rng.uniform(0.6, 1.4))
    return out


def _strum(s: _Setting) -> None:
    chords = [_shape(s) for _ in range(s.whole(2, 4))]
    grids = (
        "D.D.D.D.",
        "D.DU.UDU",
        "D.D.DUDU",
        "D.......",
        "D...D...",
        "D.DUD.DU",
        "DUDUDUDU",
        "D..UD..U",
        "D.xUD.xU",
    )
    grid = str(s.one_of(grids))
    per_chord = float(s.meter[0]) if s.chance(0.7) else s.meter[0] / 2
    stop = s.chance(0.15)
    pace = 0.5
    while pace * s.beat_sec < 0.12:
        pace *= 2.0

    def write(length: float) -> list[_Event]:
        out = []
        first = s.whole(0, len(chords) - 1) if s.chance(0.3) else 0
        for i, beat in enumerate(np.arange(0.0, length - 1e-6, pace)):
            mark = grid[i % len(grid)]
            if mark == "." or (mark != "D" and s.chance(0.05)):
                continue
            chord = chords[(first + int(beat / per_chord)) % len(chords)]
            stroke = _stroke(s, chord, float(beat), 0.4 if stop else RINGS, up=mark == "U")
            if mark == "x":
                for event in stroke:
                    event.articulation, event.length = "dead", 0.2
            out += stroke
            # A change of chord stops the strings that the new one does not use.
        return out

    _by_form(s, write)


def _arpeggio(s: _Setting) -> None:
    chords = [_shape(s) for _ in range(s.whole(2, 4))]
    step = s.step(float(s.rng.choice((0.25, 0.5, 0.5, 1 / 3))))
    pattern = [s.whole(0, 5) for _ in range(s.whole(4, 8))]
    manner = str(s.one_of(("up", "up-down", "pattern", "pinch")))

    def write(length: float) -> list[_Event]:
        out: list[_Event] = []
        for i, beat in enumerate(np.arange(0.0, length - 1e-6, step)):
            chord = chords[int(beat / s.meter[0]) % len(chords)]
            n = len(chord)
            if manner == "up":
                at = i % n
            elif manner == "up-down":
                turn = i % max(1, 2 * n - 2)
                at = turn if turn < n else 2 * n - 2 - turn
            else:
                at = pattern[i % len(pattern)] % n
            string, fret = chord[at]
            if s.chance(0.05):
                continue
            b = float(beat)
            out.append(_Event(b, RINGS, string, fret, velocity=_accent(s, b)))
            if manner == "pinch" and i % len(pattern) == 0 and at != 0:
                string, fret = chord[0]
                out.append(_Event(b, RINGS, string, fret, velocity=_accent(s, b)))
        return out

    _by_form(s, write)


def _power(s: _Setting) -> None:
    three = s.chance(0.5)
    palm = s.chance(0.35)
    roots = [(int(s.rng.choice((6, 6, 5, 5, 4))), s.whole(0, 9)) for _ in range(s.whole(2, 5))]

    def write(length: float) -> list[_Event]:
        out = []
        for beat, size in _rhythm(s, length, dense=float(s.rng.uniform(0.2, 0.9))):
            string, fret = roots[int(s.rng.integers(len(roots)))]
            chord = [(string, fret), (string - 1, fret + 2)]
            if three:
                chord.append((string - 2, fret + 2 + (1 if string == 4 else 0)))
            chord = [p for p in chord if s.fits(*p)]
            muted = palm and s.chance(0.5)
            dead = s.chance(0.06)
            for event in _stroke(s, chord, beat, size * (0.7 if muted else 1.0), up=False):
                event.muted = muted
                event.delay_sec *= 0.6
                if dead:
                    event.articulation, event.length = "dead", 0.2
                out.append(event)
        return out

    _by_form(s, write)


_PAIRS = (12, 12, 7, 19, 24, 5, 4, 3, 9, 8, 12, 19)


def _octaves(s: _Setting) -> None:
    """Two strings struck together: octaves, fifths, twelfths, double octaves, thirds, sixths."""
    interval = _PAIRS[int(s.rng.integers(len(_PAIRS)))]
    mixed = s.chance(0.4)

    def write(length: float) -> list[_Event]:
        out: list[_Event] = []
        for beat, size in _rhythm(s, length, dense=float(s.rng.uniform(0.1, 0.7))):
            gap = _PAIRS[int(s.rng.integers(len(_PAIRS)))] if mixed else interval
            pairs = []
            for low in range(6, 1, -1):
                fret = s.whole(0, 12)
                if not s.fits(low, fret):
                    continue
                pitch = s.pitch(low, fret)
                for high in range(low - 1, 0, -1):
                    other = s.instrument.fret_of(high, pitch + gap)
                    if other is None or not s.fits(high, other):
                        continue
                    if fret == 0 or other == 0 or abs(other - fret) <= 4:
                        pairs.append((low, fret, high, other))
            if not pairs:
                continue
            low, fret, high, other = pairs[int(s.rng.integers(len(pairs)))]
            hold = RINGS if s.chance(0.3) else size
            apart = float(s.rng.uniform(0.0, 0.012))
            # At times only the low note is struck: its own overtones must not count as notes.
            alone = s.chance(0.3)
            out.append(_Event(beat, hold, low, fret, velocity=_accent(s, beat)))
            if not alone:
                velocity = _accent(s, beat) * float(s.rng.uniform(0.4, 1.0))
                out.append(_Event(beat, hold, high, other, velocity=velocity, delay_sec=apart))
        return out

    _by_form(s, write)


def _low(s: _Setting) -> None:
    """Lone low notes that ring long, with strong overtones and nothing above them."""

    def write(length: float) -> list[_Event]:
        out = []
        for beat, size in _rhythm(s, length, dense=float(s.rng.uniform(0.0, 0.4))):
            string = int(s.rng.choice((6, 6, 5, 5, 4)))
            fret = 0 if s.chance(0.4) else s.whole(0, 7)
            if not s.fits(string, fret):
                continue
            hold = RINGS if s.chance(0.4) else size
            out.append(_Event(beat, hold, string, fret, velocity=_accent(s, beat)))
        return out

    _by_form(s, write)


def _legato(s: _Setting) -> None:
    """Runs where most notes carry on from the one before."""
    s.expression = float(s.rng.uniform(1.0, 2.0))

    def write(length: float) -> list[_Event]:
        if s.chance(0.35):
            return _line(s, length)
        line = _strings_line(s, s.whole(1, 6), length, float(s.rng.uniform(0.3, 0.9)))
        return _trills(s, line) if s.chance(0.3) else line

    _by_form(s, write)


def _trills(s: _Setting, line: list[_Event]) -> list[_Event]:
    """Some long notes broken into quick hammer-ons and pull-offs."""
    step = s.step(0.125)
    out = []
    for event in line:
        turns = int(event.length / step)
        if event.articulation != "picked" or not 3 <= turns <= 12 or not s.chance(0.5):
            out.append(event)
            continue
        above = event.fret + s.whole(1, 3)
        for i in range(turns):
            up = i % 2 == 1
            how = "picked" if i == 0 else "hammer-on" if up else "pull-off"
            out.append(
                replace(
                    event,
                    beat=event.beat + i * step,
                    length=step if i < turns - 1 else event.length - i * step,
                    fret=above if up else event.fret,
                    articulation=how,
                )
            )
    return [e for e in out if s.fits(e.string, e.fret)]


def _lines(s: _Setting) -> None:
    _by_form(s, lambda length: _line(s, length))


def _harmonics(s: _Setting) -> None:
    """Natural harmonics at frets 12, 7 and 5, among a line."""

    def write(length: float) -> list[_Event]:
        out = _line(s, length) if s.chance(0.4) else []
        for beat, _ in _rhythm(s, length, dense=0.1):
            string = s.whole(1, 6)
            # Touched at 12, 7 and 5 they sound as frets 12, 19 and 24 would.
            fret = int(s.rng.choice((12, 12, 12, 19, 19, 24)))
            if s.fits(string, fret):
                out.append(_Event(beat, RINGS, string, fret, "harmonic", velocity=_accent(s, beat)))
        return out

    _by_form(s, write)


def _mixed(s: _Setting) -> None:
    """A bass note and a line over it, as fingers play; or chords between lines."""

    def write(length: float) -> list[_Event]:
        out = [e for e in _line(s, length) if e.string <= 4]
        every = float(s.rng.choice((1.0, 2.0, 2.0, 4.0)))
        for i, beat in enumerate(np.arange(0.0, length - 1e-6, every)):
            if s.chance(0.15):
                chord = _shape(s)
                out += _stroke(s, chord, float(beat), RINGS, up=False)
                continue
            string = (6, 5, 4)[i % 2 if s.chance(0.8) else 2]
            options = [
                f for f in range(0, 5) if s.fits(string, f) and s.in_scale(s.pitch(string, f))
            ]
            if options:
                fret = options[s.whole(0, len(options) - 1)]
                velocity = _accent(s, float(beat))
                out.append(_Event(float(beat), RINGS, string, fret, velocity=velocity))
        return out

    _by_form(s, write)


_WRITERS: dict[str, Callable[[_Setting], None]] = {
    "drone": _drone,
    "line": _lines,
    "legato": _legato,
    "arpeggio": _arpeggio,
    "strum": _strum,
    "power": _power,
    "octaves": _octaves,
    "low": _low,
    "harmonics": _harmonics,
    "mixed": _mixed,
}

KINDS = MappingProxyType(
    {
        "drone": 0.27,
        "line": 0.12,
        "legato": 0.14,
        "arpeggio": 0.12,
        "strum": 0.13,
        "power": 0.05,
        "octaves": 0.06,
        "low": 0.03,
        "harmonics": 0.02,
        "mixed": 0.06,
    }
)
"""Kinds of phrase and how often each is drawn."""


# -- from beats to seconds -----------------------------------------------------------------------


def _clock(s: _Setting, bpm: float, start_sec: float, beats: int) -> np.ndarray:
    """Seconds of beats 0 to ``beats``: the tempo drifts and wavers as hands do."""
    drift = float(s.rng.normal(0.0, 0.0012))
    waver = float(s.rng.uniform(0.0, 0.02))
    n = np.arange(beats)
    tempo = np.exp(drift * n + np.cumsum(s.rng.normal(0.0, waver / 6, beats)))
    length = 60.0 / bpm / np.clip(tempo, 0.8, 1.25)
    return np.concatenate([[start_sec], start_sec + np.cumsum(length)])


def _bend(s: _Setting, hold_sec: float) -> tuple[float, tuple[tuple[float, float], ...]]:
    size = float(s.rng.choice((50.0, 100.0, 100.0, 200.0, 200.0, 300.0), p=None))
    size *= float(s.rng.uniform(0.9, 1.05))
    wait = float(s.rng.uniform(0.0, 0.35)) * hold_sec
    rise = min(float(s.rng.uniform(0.06, 0.3)), 0.55 * hold_sec)
    points = [(0.0, 0.0), (wait, 0.0), (wait + rise, size)]
    if s.chance(0.3) and hold_sec > wait + rise + 0.25:
        back = float(s.rng.uniform(0.1, 0.25))
        top = min(hold_sec - back, wait + rise + float(s.rng.uniform(0.1, 0.4)))
        points += [(top, size), (top + back, 0.0)]
    return size, tuple(points)


def _play(
    s: _Setting, beats_sec: np.ndarray, swing: float, duration_sec: float
) -> list[PlayedNote]:
    """Events as played notes: jitter, one note per string, legato bound to its source."""
    grid = np.arange(len(beats_sec))
    jitter = float(s.rng.uniform(0.001, 0.014))

    def seconds(beat: float) -> float:
        whole = np.floor(beat + 1e-9)
        part = beat - whole
        if swing > 0 and abs(part * 4 - round(part * 4)) < 1e-3:
            part = (
                part * (1 + swing)
                if part <= 0.5
                else 0.5 * (1 + swing) + (part - 0.5) * (1 - swing)
            )
        return float(np.interp(whole + part, grid, beats_sec))

    hand = {}  # notes struck together share the jitter of the hand
    timed: list[tuple[float, float, _Event]] = []
    for event in sorted(s.events, key=lambda e: (e.beat, e.delay_sec)):
        key = round(event.beat, 4)
        if key not in hand:
            hand[key] = float(np.clip(s.rng.normal(0.0, jitter), -0.03, 0.03))
        onset = seconds(event.beat) + hand[key] + event.delay_sec
        end = np.inf if event.length == RINGS else seconds(event.beat + event.length)
        timed.append((max(onset, 0.02), float(end), event))
    timed.sort(key=lambda t: t[0])
    last_on: dict[int, int] = {}
    notes: list[PlayedNote] = []
    for onset, end, event in timed:
        if onset > duration_sec - 0.12:
            continue
        previous = last_on.get(event.string)
        if previous is not None and onset - notes[previous].onset_sec < 0.045:
            continue  # nobody strikes one string twice within 45 ms
        articulation = event.articulation
        source = None
        if articulation in ("hammer-on", "pull-off", "slide"):
            ok = (
                previous is not None
                and notes[previous].fret != event.fret
                and notes[previous].articulation not in ("dead", "harmonic")
            )
            if ok and previous is not None and notes[previous].offset_sec > onset - 0.08:
                source = previous
            else:
                articulation = "picked"
        if previous is not None and (notes[previous].offset_sec > onset or source is not None):
            notes[previous] = replace(notes[previous], offset_sec=onset)
        note = PlayedNote(
            onset,
            min(max(end, onset + 0.05), duration_sec),
            s.pitch(event.string, event.fret),
            event.string,
            event.fret,
            articulation,
            velocity=float(np.clip(event.velocity, 0.12, 1.0)),
            onset_beat=event.beat,
            duration_beat=None if event.length == RINGS else event.length,
            source=source,
            muted=event.muted,
        )
        last_on[event.string] = len(notes)
        notes.append(note)
    carried_by_slide = {n.source for n in notes if n.articulation == "slide"}
    for i, note in enumerate(notes):
        hold = note.offset_sec - note.onset_sec
        if note.articulation == "bend":
            if hold < 0.2 or i in carried_by_slide:
                notes[i] = replace(note, articulation="picked")
                continue
            size, curve = _bend(s, hold)
            notes[i] = replace(note, bend_cents=size, curve=curve)
        elif note.articulation == "vibrato":
            if hold < 0.35 or i in carried_by_slide:
                notes[i] = replace(note, articulation="picked")
                continue
            vibrato = (
                float(s.rng.uniform(4.0, 7.0)),
                float(s.rng.uniform(12.0, 45.0)),
                float(s.rng.uniform(0.02, 0.25)),
            )
            notes[i] = replace(note, vibrato=vibrato)
        elif note.articulation == "dead":
            notes[i] = replace(note, offset_sec=min(note.offset_sec, note.onset_sec + 0.12))
    return notes


def make_score(
    rng: np.random.Generator,
    *,
    kind: str | None = None,
    instrument: Instrument | None = None,
    duration_sec: float = 10.0,
    low_midi: int = 36,
    high_midi: int = 88,
) -> Score:
    """Draw one phrase of ``kind`` (any of `KINDS`; None draws one) for ``duration_sec``.

    Notes keep to ``low_midi``-``high_midi``. The notes are in the order of their onsets and no
    two of one string overlap.

    Raises
    ------
    ParameterError
        If ``kind`` is unknown or the instrument has not six strings.
    """
    if kind is None:
        kind = str(rng.choice(list(KINDS), p=np.array(list(KINDS.values())) / sum(KINDS.values())))
    if kind not in KINDS:
        raise ParameterError(f"there is no phrase kind {kind!r}; choose from {', '.join(KINDS)}")
    instrument = instrument or make_instrument_for(rng)
    if len(instrument.open_midi) != 6:
        raise ParameterError("phrases are drawn for six strings")
    bpm = float(rng.uniform(60.0, 180.0))
    meter = [(4, 4), (4, 4), (4, 4), (3, 4), (6, 8), (5, 4), (7, 8)][
        int(rng.choice(7, p=[0.3, 0.2, 0.15, 0.17, 0.1, 0.04, 0.04]))
    ]
    if meter[1] == 8:
        bpm *= 1.6
    start = float(rng.uniform(0.05, 0.6))
    bars = max(1, int(np.ceil((duration_sec - start) * bpm / 60.0 / meter[0])))
    drone_string = int(rng.choice((1, 2, 3, 4, 5, 6), p=(0.08, 0.12, 0.15, 0.25, 0.22, 0.18)))
    tonic = int(rng.integers(12))
    if kind == "drone":
        while not low_midi <= instrument.pitch_midi(drone_string, 0) <= high_midi:
            drone_string = int(rng.integers(1, 7))
        # The open string is the tonic, seldom its fifth or another degree.
        tonic = (instrument.pitch_midi(drone_string, 0) - int(rng.choice((0, 0, 0, 0, 7, 5)))) % 12
    setting = _Setting(
        rng,
        instrument,
        low_midi,
        high_midi,
        tonic,
        str(rng.choice(list(MODES))),
        meter,
        bars,
        expression=float(rng.uniform(0.0, 1.0)),
        beat_sec=60.0 / bpm,
        dynamics=float(rng.uniform(0.03, 0.24)),
        drone_string=drone_string if kind == "drone" else None,
    )
    _WRITERS[kind](setting)
    total = bars * meter[0]
    beats_sec = _clock(setting, bpm, start, total + 1)
    swing = float(rng.uniform(0.1, 0.34)) if rng.random() < 0.2 else 0.0
    notes = _play(setting, beats_sec, swing, duration_sec)
    inside = beats_sec[beats_sec < duration_sec]
    return Score(
        tuple(notes),
        instrument,
        kind,
        bpm,
        meter,
        tuple(float(b) for b in inside),
        tuple(float(b) for b in inside[:: meter[0]]),
        tuple(setting.phrases),
        tonic,
        setting.mode,
        setting.drone_string,
    )
