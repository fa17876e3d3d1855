"""From measures as they stand in a MusicXML file to a riff as it is played.

Times here are quarters, as fractions, until the tempo brings them to seconds.
"""

from __future__ import annotations

import bisect
import itertools
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path
from typing import Any, Literal

from transcribe.core.errors import FormatError
from transcribe.core.pitch import note_at_fifths
from transcribe.core.riff import (
    MARKS,
    Bend,
    Drone,
    Instrument,
    Mark,
    Note,
    Remark,
    Rhythm,
    Riff,
    places_of,
    sort_notes,
)
from transcribe.formats.bar_repeats import WrittenBar, playing_order
from transcribe.formats.chord_names import MODES, chord_section

__all__ = ["LET_RING", "Measure", "PartFacts", "RiffBuilder", "WrittenNote", "played_measures"]

_MAX_MEASURES = 10_000
LET_RING = "let ring"
"""What marks a note that is left to ring: MusicXML has no element for it."""


@dataclass(slots=True)
class WrittenNote:
    """A note as it stands in a measure; times in quarters from the measure's start."""

    start: Fraction
    length: Fraction
    pitch: int
    staff: str
    voice: str
    string: int | None = None
    fret: int | None = None
    finger: int | None = None
    articulation: str = "picked"
    bend: Bend | None = None
    tied_from: bool = False
    tied_to: bool = False
    release: Fraction = Fraction(0)
    grace: bool = False
    soft: bool = False
    tapped: bool = False
    palm_mute: bool = False
    let_ring: bool = False
    stroke: Literal["down", "up"] | None = None


@dataclass(slots=True)
class Measure:
    """A measure as it stands in the file; times in quarters from its start."""

    line: int
    number: int | None = None  # None where it is not a number
    length: Fraction = Fraction(0)
    nominal: Fraction = Fraction(4)
    implicit: bool = False
    notes: list[WrittenNote] = field(default_factory=list)
    chords: list[tuple[Fraction, str]] = field(default_factory=list)
    sections: list[tuple[Fraction, str]] = field(default_factory=list)
    words: dict[Fraction, str] = field(default_factory=dict)  # syllables by their start
    tempos: list[tuple[Fraction, float]] = field(default_factory=list)
    forward: bool = False
    backward: int = 0
    endings: tuple[int, ...] = ()  # passes on which this measure is played; empty: all
    ends: bool = False  # the ending stops here


@dataclass(slots=True)
class PartFacts:
    """What a part says of itself outside its notes."""

    meter: tuple[int, int] = (4, 4)
    key: tuple[int, str] | None = None  # sharps, mode
    tuning: Mapping[str, tuple[int, ...]] = field(default_factory=dict)  # by staff
    capo: int = 0
    warnings: list[Remark] = field(default_factory=list)
    grips: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)  # by chord symbol


def played_measures(measures: list[Measure], path: Path) -> list[Measure]:
    """Measures in the order they are played: repeats and endings followed.

    Raises
    ------
    FormatError
        If that is over 10,000 measures.
    """
    written = [
        # The ending after the last one that is named is played on one pass more.
        WrittenBar(
            m.forward, m.endings, m.backward and max([m.backward, *(n + 1 for n in m.endings)])
        )
        for m in measures
    ]
    order = list(itertools.islice(playing_order(written), _MAX_MEASURES + 1))
    if len(order) > _MAX_MEASURES:
        raise FormatError(
            f"{path}:{measures[order[-1]].line}: found over {_MAX_MEASURES} bars when repeats "
            "are played, expected fewer"
        )
    return [measures[i] for i in order]


def _before_the_first(played: list[Measure]) -> list[Measure]:
    """The pickup: measures numbered 0 or less, or a first one that is short and says so.

    A whole measure that some programs count from 0 is none.
    """
    found = list(itertools.takewhile(lambda m: m.number is not None and m.number <= 0, played))
    if len(found) == 1 and not found[0].implicit and found[0].length >= found[0].nominal:
        found = []
    if not found and played[0].implicit and 0 < played[0].length < played[0].nominal:
        found = played[:1]
    return found


def _lengths(played: list[Measure]) -> list[Fraction]:
    """Quarters of each measure: a short one counts in full, unless it is meant to be short.

    That is a pickup, a measure that says so, and two in a row that fill one together, as the last
    of a repeat and the pickup that it goes back to.
    """
    short = [0 < m.length < m.nominal for m in played]
    meant = [m.implicit or (m.number is not None and m.number <= 0) for m in played]
    for i, (measure, following) in enumerate(itertools.pairwise(played)):
        if short[i] and short[i + 1] and measure.length + following.length == measure.nominal:
            meant[i] = meant[i + 1] = True
    return [
        m.length if m.length and brief and as_meant else max(m.nominal, m.length)
        for m, brief, as_meant in zip(played, short, meant, strict=True)
    ]


class RiffBuilder:
    """Joins the played measures into a riff: one time line, ties, positions, tempo."""

    def __init__(self, facts: PartFacts, played: list[Measure]) -> None:
        self.facts, self.played, self.warnings = facts, played, list(facts.warnings)
        self.meter = facts.meter
        self.per_quarter = Fraction(self.meter[1], 4)
        self.tempos: list[tuple[Fraction, float]] = []
        self.starts: list[Fraction] = []
        lengths = _lengths(played)
        at = -sum(lengths[: len(_before_the_first(played))], Fraction(0))
        for measure, length in zip(played, lengths, strict=True):
            self.starts.append(at)
            self.tempos += [(at + t, bpm) for t, bpm in measure.tempos]
            at += length
        self.end = at
        self.first = self.starts[0]
        self.tempos.sort(key=lambda t: t[0])
        if not self.tempos:
            taken = {"bpm": 120.0 * self.meter[1] / 4, "meter": list(self.meter)}
            self.warnings.append(Remark("tempo-taken", taken))
        if not self.tempos or self.tempos[0][0] > self.first:
            self.tempos.insert(0, (self.first, self.tempos[0][1] if self.tempos else 120.0))

    def sec(self, at: Fraction) -> float:
        """Seconds at ``at`` quarters, through every change of tempo."""
        total, last, bpm = 0.0, self.first, self.tempos[0][1]
        for start, tempo in self.tempos:
            if start >= at:
                break
            total += float(start - last) * 60 / bpm
            last, bpm = start, tempo
        return round(total + float(at - last) * 60 / bpm, 6)

    def riff(self) -> Riff:
        joined = self._join()
        instrument, octave = self._instrument([n for _, n in joined])
        wrong = 0
        notes = []
        for number, (start, found) in enumerate(joined, 1):
            pitch = found.pitch + octave
            string, fret = self._position(found, pitch, instrument)
            wrong += found.string is not None and string is None
            end = start + max(found.length + found.release, Fraction(1, 64))
            notes.append(
                Note(
                    number,
                    self.sec(start),
                    max(self.sec(end), self.sec(start) + 1e-3),
                    pitch,
                    string=string,
                    fret=fret,
                    finger=found.finger,
                    articulation=found.articulation,
                    onset_beat=round(float(start * self.per_quarter), 6),
                    duration_beat=round(float((end - start) * self.per_quarter), 6),
                    bend=found.bend,
                    soft=found.soft,
                    tapped=found.tapped,
                    palm_mute=found.palm_mute,
                    let_ring=found.let_ring,
                    stroke=found.stroke,
                )
            )
        if wrong:
            self.warnings.append(Remark("positions-wrong", {"count": wrong}))
        ordered = tuple(replace(n, id=i) for i, n in enumerate(sort_notes(notes), 1))
        return Riff(
            instrument,
            ordered,
            None,
            self._rhythm(),
            self._drone(joined, instrument),
            self._theory(),
            warnings=tuple(self.warnings),
            written_places=places_of(ordered),
            marks=self._marks(ordered),
        )

    def _marks(self, notes: tuple[Note, ...]) -> tuple[Mark, ...]:
        """Chord symbols, sections and a line of words for each measure, at their notes.

        Chord symbols are left out where some stand at no note, as those that were found do.
        """
        at_sec = {note.onset_sec: note.id for note in reversed(notes)}
        onsets = sorted(at_sec)
        timed: list[tuple[float, Literal["chord", "section", "words"], str]] = []
        seen: set[int] = set()
        for start, measure in zip(self.starts, self.played, strict=True):
            timed += [(self.sec(start + at), "chord", text) for at, text in measure.chords]
            if id(measure) in seen:
                continue  # a measure that is played again
            seen.add(id(measure))
            timed += [(self.sec(start + at), "section", text) for at, text in measure.sections]
            if measure.words:
                text = " ".join("".join(measure.words[at] for at in sorted(measure.words)).split())
                timed.append((self.sec(start + min(measure.words)), "words", text))
        loose = any(kind == "chord" and sec not in at_sec for sec, kind, _ in timed)
        found = []
        for sec, kind, text in timed:
            place = bisect.bisect_left(onsets, sec)
            if place < len(onsets) and not (kind == "chord" and loose):
                found.append(Mark(kind, text, at_sec[onsets[place]]))
        return tuple(sorted(found, key=lambda m: (m.note, MARKS.index(m.kind))))

    def _drone(
        self, joined: list[tuple[Fraction, WrittenNote]], instrument: Instrument
    ) -> Drone | None:
        """A lower voice of nothing but one or two open strings is a drone."""
        voices = sorted({note.voice for _, note in joined}, key=lambda v: (len(v), v))
        if len(voices) != 2:
            return None
        under = [(start, note) for start, note in joined if note.voice == voices[1]]
        strings = sorted({note.string or 0 for _, note in under}, reverse=True)
        if len(strings) > 2 or 0 in strings or any(note.fret for _, note in under):
            return None
        if strings[0] > len(instrument.open_midi):
            return None
        end = max(start + note.length + note.release for start, note in under)
        return Drone(strings[0], self.sec(under[0][0]), self.sec(end), tuple(strings[1:]))

    def _join(self) -> list[tuple[Fraction, WrittenNote]]:
        """(start, note) with tied notes made one."""
        everything = [
            (max(start + note.start, self.first), note)  # a grace note may be ahead of its bar
            for start, measure in zip(self.starts, self.played, strict=True)
            for note in measure.notes
        ]
        everything.sort(key=lambda e: (e[0], e[1].pitch))
        # Ties that wait for their other end: pitch, staff and voice -> (end so far, note).
        waiting: dict[tuple[int, str, str], list[tuple[Fraction, WrittenNote]]] = {}
        out: list[tuple[Fraction, WrittenNote]] = []
        for start, note in everything:
            held = waiting.setdefault((note.pitch, note.staff, note.voice), [])
            tied = [entry for entry in held if entry[0] == start]
            # Of two strings in unison, each goes on with itself.
            tied.sort(key=lambda entry: entry[1].string != note.string)
            if note.tied_from and tied:
                held.remove(tied[0])
                joined = tied[0][1]
                joined.length += note.length
                joined.release = note.release
            else:
                joined = replace(note)
                out.append((start, joined))
            if note.tied_to:
                held.append((start + note.length, joined))
        return out

    def _instrument(self, notes: list[WrittenNote]) -> tuple[Instrument, int]:
        """The instrument, and semitones by which pitches are off from where the frets lie."""
        tunings = self.facts.tuning
        strings = next((tunings[s] for s in sorted(tunings)), Instrument().open_midi)
        highest = max((n.fret or 0 for n in notes), default=0)
        frets = max(Instrument().frets, min(36, highest + self.facts.capo))
        instrument = Instrument(strings, self.facts.capo, frets)
        offs = [
            instrument.pitch_midi(n.string, n.fret) - n.pitch
            for n in notes
            if n.string is not None and n.fret is not None and 1 <= n.string <= len(strings)
        ]
        # Some programs write guitar pitches an octave up without saying so.
        for octave in (-12, 12):
            if offs and sum(o == octave for o in offs) > 0.8 * len(offs):
                return instrument, octave
        return instrument, 0

    def _position(
        self, note: WrittenNote, pitch: int, instrument: Instrument
    ) -> tuple[int | None, int | None]:
        if note.string is None or note.fret is None:
            return None, None
        if not 1 <= note.string <= len(instrument.open_midi):
            return None, None
        # Frets may be counted from the capo or from the nut: the pitch tells.
        for fret in (note.fret, note.fret - instrument.capo):
            if (
                instrument.pitch_midi(note.string, fret) == pitch
                and 0 <= fret <= instrument.top_fret
            ):
                return note.string, fret
        return None, None

    def _rhythm(self) -> Rhythm:
        beat = 1 / self.per_quarter
        count = int((self.end - self.first) / beat) + 1
        begin = -int(-self.first / beat)  # whole beats of the pickup
        beats = [self.sec(i * beat) for i in range(begin, begin + count)]
        rising = [b for i, b in enumerate(beats) if i == 0 or b > beats[i - 1]]
        downs = [self.sec(i * beat) for i in range(0, begin + count, self.meter[0])]
        spans = sorted(b - a for a, b in itertools.pairwise(rising))
        bpm = 60 / spans[len(spans) // 2] if spans else self.tempos[0][1]
        return Rhythm(round(bpm, 3), self.meter, tuple(rising), tuple(downs))

    def _theory(self) -> dict[str, Any] | None:
        theory: dict[str, Any] = {}
        chords = [
            (start + at, symbol)
            for start, measure in zip(self.starts, self.played, strict=True)
            for at, symbol in measure.chords
        ]
        chords.sort(key=lambda c: c[0])
        if chords:
            theory["chords"] = chord_section(chords, self.end, self.sec)
        if self.facts.grips:
            theory["ways"] = [
                {"symbol": symbol, "plain": [{"symbol": symbol, **grip}]}
                for symbol, grip in self.facts.grips.items()
            ]
        if self.facts.key is not None and self.facts.key[1] in MODES:
            fifths, name = self.facts.key
            theory["mode"] = {
                "tonic": note_at_fifths(fifths - MODES[name]),
                "name": name,
                "parent": f"{note_at_fifths(fifths)} major",
            }
        return theory or None
