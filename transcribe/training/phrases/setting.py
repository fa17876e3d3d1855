"""What every phrase is made of: the notes it gives, the events it is written in, its setting.

Conventions: string 1 is the highest-sounding, frets count from the capo, pitch in MIDI numbers,
times in seconds, score times in beats (a beat is one unit of the meter's denominator).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np

from theory.scales import MODES as _KNOWN
from transcribe.core.riff import Instrument, Phrase

__all__ = ["MODES", "RINGS", "Event", "PlayedNote", "Score", "Setting"]

MODES = MappingProxyType(
    {
        name: shape.semitones
        for name, shape in _KNOWN.items()
        if shape.parent == "major" and len(shape.semitones) == 7
    }
)
"""Semitones of the seven modes of the major scale above their tonic."""

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
class Event:
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
class Setting:
    """What one phrase is drawn in; the writers add to ``events`` and ``phrases``.

    ``low`` and ``high`` are MIDI numbers that bound the pitch, ``tonic`` a pitch class, ``mode``
    one of `MODES`. ``expression`` (0 none, 1 much; legato runs ask for up to 2) says how many notes
    are slurred, bent or shaken, ``dynamics`` is the spread of how hard notes are struck.
    """

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
    events: list[Event] = field(default_factory=list)
    phrases: list[Phrase] = field(default_factory=list)
    drone_string: int | None = None

    @property
    def beats(self) -> float:
        """Length of the phrase in beats."""
        return float(self.bars * self.meter[0])

    def in_scale(self, pitch: int) -> bool:
        """Whether a MIDI pitch belongs to the mode on the tonic."""
        return (pitch - self.tonic) % 12 in MODES[self.mode]

    def pitch(self, string: int, fret: int) -> int:
        """The MIDI pitch at a place on the neck."""
        return self.instrument.pitch_midi(string, fret)

    def step(self, beats: float) -> float:
        """``beats``, doubled until a hand can play at that pace."""
        while beats * self.beat_sec < 0.085:
            beats *= 2.0
        return beats

    def chance(self, share: float) -> bool:
        """True as often as ``share`` (0 to 1) says."""
        return bool(self.rng.random() < share)

    def whole(self, low: int, high: int) -> int:
        """A whole number from low to high, both may come."""
        return int(self.rng.integers(low, high + 1))

    def one_of(self, items: Sequence[object]) -> object:
        """One of ``items``, each as likely."""
        return items[int(self.rng.integers(len(items)))]

    def fits(self, string: int, fret: int) -> bool:
        """Whether the neck has the place and it sounds within ``low`` to ``high``."""
        return (
            0 <= fret <= self.instrument.top_fret
            and self.low <= self.pitch(string, fret) <= self.high
        )
