"""The riff document as frozen dataclasses.

Conventions: string 1 is the highest-sounding string; fret 0 is open and, with a capo, frets are
counted from the capo; times in seconds (``_sec``); score times in beats (``_beat``), where one
beat is one unit of the meter's denominator (an eighth note in 6/8) and beat 0 is the first
downbeat, so that notes of a pickup have negative beats; pitch in MIDI numbers (69 = A4 = 440 Hz).

Nothing here reads files or computes music. ``formats.document`` turns a `Riff` into JSON and
back; every type carries the keys that this version does not know in ``extra``, so that they
survive a read and a write.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

__all__ = [
    "ARTICULATIONS",
    "LEGATO",
    "Alternative",
    "Drone",
    "Instrument",
    "Note",
    "Phrase",
    "Rhythm",
    "Riff",
    "Source",
    "legato_sources",
    "sort_notes",
]

ARTICULATIONS = (
    "picked",
    "hammer-on",
    "pull-off",
    "slide",
    "bend",
    "vibrato",
    "harmonic",
    "dead",
)
"""Every value that `Note.articulation` may take."""

LEGATO = frozenset({"hammer-on", "pull-off", "slide"})
"""Articulations that carry on from an earlier note of the same string without a new stroke."""


@dataclass(frozen=True, slots=True)
class Source:
    """Where the notes came from."""

    file: str
    duration_sec: float | None = None
    sha256: str | None = None
    extra: Mapping[str, Any] = field(default_factory=dict, compare=False)


@dataclass(frozen=True, slots=True)
class Instrument:
    """A fretted instrument as it is strung and stopped.

    ``open_midi`` lists the open strings without the capo, string 1 first. ``frets`` counts from
    the nut; with a capo at ``capo`` the highest fret that can be written is ``frets - capo``.
    ``offset_cents`` is how far the whole instrument sounds above A4 = 440 Hz.
    """

    open_midi: tuple[int, ...] = (64, 59, 55, 50, 45, 40)
    capo: int = 0
    frets: int = 22
    scale_length_mm: float = 648.0
    offset_cents: float = 0.0
    extra: Mapping[str, Any] = field(default_factory=dict, compare=False)

    @property
    def top_fret(self) -> int:
        """Highest fret that can be written, counted from the capo."""
        return self.frets - self.capo

    def pitch_midi(self, string: int, fret: int) -> int:
        """Sounding pitch of ``string`` (from 1) stopped at ``fret`` (from the capo)."""
        return self.open_midi[string - 1] + self.capo + fret

    def fret_of(self, string: int, pitch_midi: int) -> int | None:
        """Fret (from the capo) that sounds ``pitch_midi`` on ``string``; None if none does."""
        fret = pitch_midi - self.open_midi[string - 1] - self.capo
        return fret if 0 <= fret <= self.top_fret else None

    def places(self, pitch_midi: int) -> tuple[tuple[int, int], ...]:
        """Every (string, fret) that sounds ``pitch_midi``, string 1 first."""
        found = []
        for string in range(1, len(self.open_midi) + 1):
            fret = self.fret_of(string, pitch_midi)
            if fret is not None:
                found.append((string, fret))
        return tuple(found)


@dataclass(frozen=True, slots=True)
class Note:
    """One note. ``cents`` is its distance from ``pitch_midi`` after the tuning offset."""

    id: int
    onset_sec: float
    offset_sec: float
    pitch_midi: int
    cents: float = 0.0
    loudness_db: float | None = None
    confidence: float = 1.0
    string: int | None = None
    fret: int | None = None
    finger: int | None = None
    articulation: str = "picked"
    pinned: bool = False
    onset_beat: float | None = None
    duration_beat: float | None = None
    extra: Mapping[str, Any] = field(default_factory=dict, compare=False)


@dataclass(frozen=True, slots=True)
class Phrase:
    """A stretch of beats; phrases that repeat share a label (``A``, varied: ``A'``)."""

    label: str
    start_beat: float
    end_beat: float
    extra: Mapping[str, Any] = field(default_factory=dict, compare=False)


@dataclass(frozen=True, slots=True)
class Rhythm:
    """Tempo, meter and where the beats fell.

    ``bpm`` counts beats (units of the meter's denominator). ``beats_sec`` rises strictly;
    the beat at ``downbeats_sec[0]`` is beat 0, beats before it are a pickup.
    """

    bpm: float
    meter: tuple[int, int] = (4, 4)
    beats_sec: tuple[float, ...] = ()
    downbeats_sec: tuple[float, ...] = ()
    phrases: tuple[Phrase, ...] = ()
    extra: Mapping[str, Any] = field(default_factory=dict, compare=False)


@dataclass(frozen=True, slots=True)
class Drone:
    """An open string (or two) that rings under the melody from ``start_sec`` to ``end_sec``."""

    string: int
    start_sec: float
    end_sec: float
    other_strings: tuple[int, ...] = ()
    extra: Mapping[str, Any] = field(default_factory=dict, compare=False)


@dataclass(frozen=True, slots=True)
class Alternative:
    """Another way to finger the whole riff: note id -> (string, fret)."""

    name: str
    positions: Mapping[int, tuple[int, int]]
    cost: float
    extra: Mapping[str, Any] = field(default_factory=dict, compare=False)


@dataclass(frozen=True, slots=True)
class Riff:
    """A whole riff document.

    ``notes`` are sorted by `sort_notes`. ``theory`` holds the theory section as plain JSON
    values. ``history`` lists the corrections in the order they were made.
    """

    instrument: Instrument = field(default_factory=Instrument)
    notes: tuple[Note, ...] = ()
    source: Source | None = None
    rhythm: Rhythm | None = None
    drone: Drone | None = None
    theory: Mapping[str, Any] | None = None
    alternatives: tuple[Alternative, ...] = ()
    history: tuple[Mapping[str, Any], ...] = ()
    extra: Mapping[str, Any] = field(default_factory=dict, compare=False)

    def note(self, note_id: int) -> Note:
        """The note with ``note_id``. Raises KeyError where there is none."""
        for note in self.notes:
            if note.id == note_id:
                return note
        raise KeyError(note_id)


def sort_notes(notes: tuple[Note, ...] | list[Note]) -> tuple[Note, ...]:
    """Notes in the order that every part relies on: by onset, then pitch, then id."""
    return tuple(sorted(notes, key=lambda n: (n.onset_sec, n.pitch_midi, n.id)))


def legato_sources(
    notes: tuple[Note, ...] | list[Note], *, gap_sec: float = 0.12
) -> dict[int, int]:
    """Which note each hammer-on, pull-off or slide carries on from: note id -> earlier note id.

    The source is the latest earlier note that still sounds, or ended at most ``gap_sec`` before,
    on the pitch side that the technique needs (a hammer-on rises, a pull-off falls, a slide does
    either) and within 12 semitones, nearest in pitch where several began together. A note that is
    already on a string only takes a source from that string or from none. Notes without a source
    are left out.
    """
    ordered = sort_notes(list(notes))
    sources: dict[int, int] = {}
    for i, note in enumerate(ordered):
        if note.articulation not in LEGATO:
            continue
        best: tuple[float, int, int] | None = None
        # Walking back and stopping at the first onset that holds a source keeps this linear.
        for earlier in reversed(ordered[max(0, i - _LOOK_BACK) : i]):
            if best is not None and earlier.onset_sec < best[0]:
                break
            if not _can_carry(earlier, note, gap_sec):
                continue
            rank = (earlier.onset_sec, -abs(note.pitch_midi - earlier.pitch_midi), earlier.id)
            best = rank if best is None else max(best, rank)
        if best is not None:
            sources[note.id] = best[2]
    return sources


_LOOK_BACK = 64  # notes; a legato source further back than this has long been struck over


def _can_carry(earlier: Note, note: Note, gap_sec: float) -> bool:
    step = note.pitch_midi - earlier.pitch_midi
    if earlier.onset_sec >= note.onset_sec - 1e-3 or step == 0 or abs(step) > 12:
        return False
    if earlier.offset_sec < note.onset_sec - gap_sec:
        return False
    if note.articulation == "hammer-on" and step < 0:
        return False
    if note.articulation == "pull-off" and step > 0:
        return False
    return None in (note.string, earlier.string) or note.string == earlier.string
