"""One onset of a riff as the search sees it: its notes, its candidates and what it looks back at.

Conventions: notes are counted from 0 over the sorted notes of the riff; ``n`` counts the notes of
one onset from 0; strings count from 0; times in seconds, pitch in MIDI numbers.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from transcribe.fingering.candidates import Candidates

__all__ = ["MEMORY", "Onset"]

MEMORY = 64
"""How many notes back a choice can be looked up."""


@dataclass(slots=True)
class Onset:
    """Notes that begin together.

    Two onsets are equal when the search would do the same at both: every field is compared, so a
    plan that begins like an earlier one is compared with it by ``==``.
    """

    notes: tuple[int, ...]
    time_sec: float
    gap_sec: float
    """From the onset before; 1 at the first."""
    candidates: Candidates
    pitches: tuple[int, ...]

    previous: tuple[int, ...] = ()
    """The notes of the onset before."""
    rest_sec: float = 0.0
    """The silence before it."""
    lengths: tuple[float, ...] = ()
    """How long each note sounds, in seconds, at most 2."""
    line: float = 0.0
    """1 where single notes run, 0 in chords and voices."""
    voice: list[tuple[int, int, int]] = field(default_factory=list)
    """(n, the earlier note that it follows in its voice, semitones up from that)."""
    same: list[tuple[int, int]] = field(default_factory=list)
    """(n, earlier note of the same pitch)."""
    legato: list[tuple[int, int]] = field(default_factory=list)
    """(n, note that it is slurred from)."""
    sounding: list[tuple[int, float, int]] = field(default_factory=list)
    """(earlier note that still sounds, for how many seconds more, its pitch)."""
    recent: list[tuple[int, int, int]] = field(default_factory=list)
    """(n, note a few onsets back, index into `costs.RECENT`)."""

    parallel: list[tuple[int, int]] = field(default_factory=list)
    """(n, note of the onset before) where a chord moves up or down as one."""
    shape: tuple[int, ...] = ()
    """The n of a power chord, an octave or a sixth, lowest note first."""
    apart: int = 0
    """How many strings lie from each note of ``shape`` to the next."""
    struck: list[tuple[int, int]] = field(default_factory=list)
    """(n, earlier note) where a chord, or one note of it, is struck again."""
    shape_from: list[tuple[int, int]] = field(default_factory=list)
    """(n, earlier note) where such a chord follows another of its build."""
    box: bool = False
    """Whether the note belongs to a line on a pentatonic scale, to be played in one position."""
    pin: tuple[int, float] | None = None
    """The fret of the nearest pin, and how much it draws the hand there, 0 to 1."""
    position: int | None = None
    """The position that the hand was asked to keep here."""
    ring: list[tuple[int, int, int, float]] = field(default_factory=list)
    """(n, earlier note that should ring on, its pitch, how much that matters, 0 to 1)."""
    alike: list[tuple[int, int]] = field(default_factory=list)
    """(n, string) that the note has in another repeat of its phrase."""

    drone_strings: tuple[int, ...] = ()
    droned: tuple[int, ...] = ()
    """The n of the notes that are the drone."""
    melody: tuple[int, ...] = ()
    """The n of the melody over a drone, the leading note last."""
    trust: tuple[float, ...] = ()
    """How much each note may decide about the melody over a drone, 0 to 1."""
    lane: int | None = None
    """The string beside the drone that the melody runs along."""

    def copy(self) -> Onset:
        """The same onset again, to be changed; it shares the lists."""
        other = object.__new__(Onset)
        for name in _FIELDS:
            setattr(other, name, getattr(self, name))
        return other


_FIELDS = tuple(Onset.__dataclass_fields__)
