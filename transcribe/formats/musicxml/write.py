"""MusicXML 4.0: written as notation over tablature, read from any program's files.

Written is one part with two staves that hold the same notes: notation (treble clef an octave
down, so that the pitches are the sounding ones) and tablature (string, fret, finger, techniques).
Tempo, meter, key with its mode, chord symbols with their grips, ties, tuplets and beams follow the
MusicXML 4.0 specification (W3C Music Notation Community Group). What rings on past the next note
of its voice is tied ``let-ring``, with the exact length in the note's ``release`` attribute.
"""

from __future__ import annotations

import bisect
import itertools
import xml.etree.ElementTree as ET
from collections.abc import Hashable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from transcribe.core.pitch import alteration, key_alteration, spell, split_chord
from transcribe.core.riff import LEGATO, Bend, Instrument, Mark, Note, Rhythm, Riff, legato_sources
from transcribe.core.score_place import counted_beats
from transcribe.formats.bar_repeats import Repeat, find_repeats
from transcribe.formats.chord_names import (
    CHORDS,
    KEY_FIELD,
    are_implied,
    chord_changes,
    chords_within,
    key_of,
    key_words,
)
from transcribe.formats.musicxml.frames import frame_of, grip_struck
from transcribe.formats.musicxml.measures import TICKS, Event, Measure, make_measures
from transcribe.formats.musicxml.tree import tag
from transcribe.formats.musicxml.unfold import LET_RING

__all__ = ["write_musicxml"]

_DOCTYPE = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" '
    '"http://www.musicxml.org/dtds/partwise.dtd">\n'
)
_NOTATION, _TAB = 1, 2  # staff numbers
_ACCIDENTALS = {-2: "flat-flat", -1: "flat", 0: "natural", 1: "sharp", 2: "double-sharp"}
_SIGNS = {"hammer-on": "H", "pull-off": "P"}
_UNITS = {1: "whole", 2: "half", 4: "quarter", 8: "eighth", 16: "16th", 32: "32nd"}


def write_musicxml(riff: Riff, *, repeats: bool = False, tablature: bool = True) -> bytes:
    """The riff as a MusicXML 4.0 document: notation over tablature.

    Parameters
    ----------
    tablature : bool
        Whether a staff of tablature stands under the notation, if any note has a string; else the
        strings and frets stand in the notation.
    repeats : bool
        Whether bars that are played again at once are written only one time, between repeat
        signs, where everything in them is the same and no tie, hammer-on, pull-off or slide leads
        over the signs. Bars keep the numbers that they have when the repeats are played.

    Returns
    -------
    bytes
        XML in UTF-8.

    Examples
    --------
    >>> riff = Riff(notes=(Note(1, 0.0, 0.5, 50, string=4, fret=0),))
    >>> b"<fret>0</fret>" in write_musicxml(riff)
    True
    """
    measures, rhythm = make_measures(riff)
    title = riff.source.file if riff.source is not None else ""
    encoding = tag(
        "encoding",
        tag("software", "Handspan"),
        *(tag("supports", element=name, type="yes") for name in ("accidental", "beam", "stem")),
    )
    guitar = tag(
        "score-part",
        tag("part-name", "Guitar"),
        tag("score-instrument", tag("instrument-name", "Guitar"), id="P1-I1"),
        tag("midi-instrument", tag("midi-channel", 1), tag("midi-program", 26), id="P1-I1"),
        id="P1",
    )
    score = tag(
        "score-partwise",
        tag("work", tag("work-title", title)) if title else None,
        tag("identification", encoding, _given(riff)),
        tag("part-list", guitar),
        tag("part", *_Writer(riff, rhythm, measures, tablature).measures(repeats), id="P1"),
        version="4.0",
    )
    ET.indent(score, " ")
    body = ET.tostring(score, encoding="unicode")
    return (_DOCTYPE + body + "\n").encode("utf-8")


def _given(riff: Riff) -> ET.Element | None:
    """The key that was given. ``<key>`` has the one of the mode, which may have been found."""
    if riff.written_key is None:
        return None
    key = tag("miscellaneous-field", key_words(riff.written_key), name=KEY_FIELD)
    return tag("miscellaneous", key)


def _alter(name: str, alter: int) -> ET.Element | None:
    return tag(name, alter) if alter else None


def _plain(number: float, digits: int) -> str:
    return f"{number:.{digits}f}".rstrip("0").rstrip(".")


@dataclass(frozen=True, slots=True)
class _Join:
    """A technique between two notes: its kind, its number on the staff, and its ends."""

    kind: str
    number: int
    start: int
    stop: int

    def at(self, note: Note) -> dict[str, str]:
        """The attributes of its element at one of its ends."""
        side = "stop" if self.stop == note.id else "start"
        return {"type": side, "number": str(self.number)}


class _Writer:
    """Writes measures one after another; knows the riff's key, chords and joined notes."""

    def __init__(
        self, riff: Riff, rhythm: Rhythm, measures: list[Measure], tablature: bool
    ) -> None:
        self.all = measures
        self.instrument: Instrument = riff.instrument
        self.rhythm = rhythm
        self.fifths, self.mode = key_of(riff.theory)
        per_beat = TICKS * 4 / rhythm.meter[1]
        self.harmonies = [(round(b * per_beat), s) for b, s in chord_changes(riff, rhythm)]
        self.implied = are_implied(riff)
        starts = self._starts()
        if written := {mark.note: mark.text for mark in riff.marks if mark.kind == "chord"}:
            self.harmonies = sorted((starts[i], text) for i, text in written.items() if i in starts)
        self.strokes = self._strokes(riff, starts)
        self.ways = {way.get("symbol"): way for way in (riff.theory or {}).get("ways") or ()}
        self.joins = _joins(riff)
        self.marks: dict[int, list[Mark]] = {}
        for mark in riff.marks:
            self.marks.setdefault(mark.note, []).append(mark)
        self.tab = tablature and any(n.string is not None for n in riff.notes)
        self.placed_in = _TAB if self.tab else _NOTATION

    def _starts(self) -> dict[int, int]:
        """Note id -> the tick at which it is written."""
        return {
            item.note.id: measure.start + event.start
            for measure in reversed(self.all)
            for events in measure.voices.values()
            for event in events
            for item in event.notes
            if not event.tied_from
        }

    @staticmethod
    def _strokes(riff: Riff, starts: Mapping[int, int]) -> list[tuple[int, list[Note]]]:
        """(tick, the notes that begin there), in order."""
        struck: dict[int, list[Note]] = {}
        for note in riff.notes:
            if note.id in starts:
                struck.setdefault(starts[note.id], []).append(note)
        return sorted(struck.items())

    def measures(self, repeats: bool) -> Iterator[ET.Element]:
        """The elements of the measures; with ``repeats`` those that come again are left out."""
        measures = self.all
        found = self._repeats(measures) if repeats else []
        dropped = {i for repeat in found for i in repeat.dropped}
        opens = {repeat.start: repeat for repeat in found}
        closes = {repeat.last: repeat.times for repeat in found}
        begins: dict[int, int] = {}  # measure -> number of the ending that begins there
        stops: dict[int, int] = {}
        for repeat in found:
            for number, ending in enumerate(repeat.endings, 1):
                begins[ending[0]] = stops[ending[-1]] = number
            if repeat.endings:
                opens[repeat.dropped.stop] = repeat  # after the first ending another chord may hold
        kept = [i for i in range(len(measures)) if i not in dropped]
        for i in kept:
            measure = measures[i]
            out = tag("measure", number=str(measure.number))
            if measure.pickup or measure.number < 1:
                out.set("implicit", "yes")
            if i in opens and i == opens[i].start:
                out.append(_barline("left", "heavy-light", tag("repeat", direction="forward")))
            if i in begins:
                out.append(tag("barline", _ending(begins[i], "start"), location="left"))
            if i == 0:
                out.extend((self._attributes(), self._tempo()))
            if i in opens:
                out.extend(self._restated_chord(measure, measures[opens[i].last]))
            out.extend(self._music(measure, self._chords_of(measure)))
            stop = _ending(stops[i], "stop") if i in stops else None
            out.extend(self._end(closes.get(i, 0), stop, last=i == kept[-1]))
            yield out

    def _restated_chord(self, first: Measure, last: Measure) -> list[ET.Element]:
        """The chord that holds where a repeat begins, where another one holds at its end."""
        held = self._held_in(first)
        stated = any(at == first.start for at, _ in self.harmonies)
        if stated or not held or held[0][0] != 0 or held[0][1] == self._held_in(last)[-1][1]:
            return []
        return self._harmony(held[0][1], first.start, 0)

    def _end(self, times: int, ending: ET.Element | None, *, last: bool) -> Iterator[ET.Element]:
        """The end of a measure, and of a repeat that is played ``times`` times (0: none)."""
        if times > 2:
            words = tag("direction-type", tag("words", f"x{times}"))
            yield tag("direction", words, tag("staff", 1), placement="above")
        if times:
            how = {"direction": "backward"} | ({"times": str(times)} if times > 2 else {})
            yield _barline("right", "light-heavy", ending, tag("repeat", **how))
        elif last:
            yield _barline("right", "light-heavy", ending)
        elif ending is not None:
            yield tag("barline", ending, location="right")

    def _repeats(self, measures: list[Measure]) -> list[Repeat]:
        """The repeats of measures in which everything that is written is the same."""
        joined = {
            i
            for i, measure in enumerate(measures)
            if any(e.start == 0 and e.tied_from for v in measure.voices.values() for e in v)
        }
        where = {
            item.note.id: i
            for i, measure in reversed(list(enumerate(measures)))
            for events in measure.voices.values()
            for event in events
            for item in event.notes
        }
        for joins in self.joins.values():
            for join in joins:
                joined.update(range(where[join.start] + 1, where[join.stop] + 1))
        return find_repeats([self._written(m) for m in measures], joined=joined)

    def _written(self, measure: Measure) -> Hashable:
        """What is written in a measure, without the numbers that only tell notes apart."""
        out = tag("measure", *self._music(measure, []))
        numbers: dict[str, str] = {}
        for element in out.iter():
            element.attrib.pop("id", None)
            if element.tag in LEGATO:
                number = element.attrib["number"]
                element.set("number", numbers.setdefault(number, str(len(numbers))))
        # Measures before the first only lead to it, and are counted back from it: they stay.
        return (
            min(measure.number, 1),
            measure.ticks,
            self._held_in(measure),
            ET.tostring(out),
        )

    def _held_in(self, measure: Measure) -> tuple[tuple[int, str], ...]:
        held = [] if self.implied else self.harmonies
        return chords_within(held, measure.start, measure.start + measure.ticks)

    def _chords_of(self, measure: Measure) -> list[tuple[int, str]]:
        return [
            (tick - measure.start, symbol)
            for tick, symbol in self.harmonies
            if measure.start <= tick < measure.start + measure.ticks
        ]

    def _music(self, measure: Measure, chords: list[tuple[int, str]]) -> Iterator[ET.Element]:
        staves = (_NOTATION, _TAB) if self.tab else (_NOTATION,)
        back = False
        for staff, voice in itertools.product(staves, sorted(measure.voices)):
            if back:
                yield tag("backup", tag("duration", measure.ticks))
            altered: dict[tuple[str, int], int] = {}
            stem = None if len(measure.voices) == 1 else "down" if back else "up"
            for event in measure.voices[voice]:
                while not back and chords and chords[0][0] < event.start + event.ticks:
                    at, symbol = chords.pop(0)
                    yield from self._harmony(symbol, measure.start + at, at - event.start)
                if not back:
                    yield from self._sections(event)
                if not event.notes:
                    yield self._rest(event, voice, staff)
                for i in range(len(event.notes)):
                    yield self._note(event, i, voice, staff, stem, altered)
            back = True

    def _attributes(self) -> ET.Element:
        top, unit = self.rhythm.meter
        key = tag("key", tag("fifths", self.fifths), tag("mode", self.mode) if self.mode else None)
        time = tag("time", tag("beats", top), tag("beat-type", unit))
        octave = tag("clef-octave-change", -1)
        clef = tag("clef", tag("sign", "G"), tag("line", 2), octave, number="1")
        divisions = tag("divisions", TICKS)
        if not self.tab:
            return tag("attributes", divisions, key, time, clef)
        strings = self.instrument.open_midi
        line = tag("line", max(1, len(strings) - 1))
        tab_clef = tag("clef", tag("sign", "TAB"), line, number="2")
        # Lines are numbered from the lowest string up, strings from the highest down.
        tuned = (self._tuning(line, midi) for line, midi in enumerate(reversed(strings), 1))
        capo = self.instrument.capo
        details = tag(
            "staff-details",
            tag("staff-lines", len(strings)),
            *tuned,
            tag("capo", capo) if capo else None,
            number="2",
        )
        return tag("attributes", divisions, key, time, tag("staves", 2), clef, tab_clef, details)

    def _tuning(self, line: int, midi: int) -> ET.Element:
        step, alter, octave = spell(midi, self.fifths)
        return tag(
            "staff-tuning",
            tag("tuning-step", step),
            _alter("tuning-alter", alter),
            tag("tuning-octave", octave),
            line=str(line),
        )

    def _tempo(self) -> ET.Element:
        unit = self.rhythm.meter[1]
        bpm = self.rhythm.bpm
        beat = [tag("beat-unit", _UNITS.get(unit, "quarter"))]
        if (per := counted_beats(self.rhythm.meter)) > 1:
            beat = [tag("beat-unit", _UNITS[unit // 2]), tag("beat-unit-dot")]
            bpm /= per
        metronome = tag("metronome", *beat, tag("per-minute", _plain(bpm, 2)))
        return tag(
            "direction",
            tag("direction-type", metronome),
            tag("staff", 1),
            tag("sound", tempo=_plain(self.rhythm.bpm * 4 / unit, 4)),
            placement="above",
        )

    def _harmony(self, symbol: str, tick: int, offset: int) -> list[ET.Element]:
        parts = split_chord(symbol)
        if parts is None:
            return []
        root, suffix, bass = parts
        kind, _ = CHORDS.get(suffix, ("other", None))
        grip = self._grip(symbol, tick)
        harmony = tag(
            "harmony",
            _named("root", root),
            tag("kind", kind, text=suffix),
            _named("bass", bass) if bass is not None else None,
            frame_of(grip["frets"], grip["fingers"]) if grip is not None else None,
            tag("offset", offset) if offset else None,
            tag("staff", 1),
        )
        return [harmony]

    def _grip(self, symbol: str, tick: int) -> Mapping[str, Any] | None:
        """The grip of a chord that holds from ``tick``: as it is struck, else as it is advised."""
        following = bisect.bisect_right(self.harmonies, tick, key=lambda change: change[0])
        stop = self.harmonies[following][0] if following < len(self.harmonies) else None
        first = bisect.bisect_left(self.strokes, tick, key=lambda stroke: stroke[0])
        within = itertools.takewhile(lambda s: stop is None or s[0] < stop, self.strokes[first:])
        strings = len(self.instrument.open_midi)
        if (struck := grip_struck((notes for _, notes in within), strings)) is not None:
            return struck
        way = self.ways.get(symbol) or {}
        shapes = (
            shape for level in ("plain", "easier", "heavier") for shape in way.get(level) or ()
        )
        shape: Mapping[str, Any] = next(shapes, {})
        whole = shape.get("frets") and len(shape["frets"]) == len(shape.get("fingers") or ())
        return shape if whole else None

    def _rest(self, event: Event, voice: int, staff: int) -> ET.Element:
        rest = tag("rest", measure="yes") if event.whole_measure else tag("rest")
        note = tag(
            "note",
            rest,
            tag("duration", event.ticks),
            tag("voice", _voice(voice, staff)),
            *([] if event.whole_measure else self._value(event)),
            tag("staff", staff),
            tag("notations", self._tuplet(event)) if event.tuplet is not None else None,
        )
        # The drone's rests and those of the tablature would only be in the way.
        if (voice, staff) != (1, _NOTATION):
            note.set("print-object", "no")
        return note

    def _value(self, event: Event, accidental: str | None = None) -> Iterator[ET.Element]:
        yield tag("type", event.value)
        yield from (tag("dot") for _ in range(event.dots))
        if accidental is not None:
            yield tag("accidental", accidental)
        if event.triplet:
            yield tag("time-modification", tag("actual-notes", 3), tag("normal-notes", 2))

    def _tuplet(self, event: Event) -> ET.Element:
        return tag("tuplet", type=str(event.tuplet), number="1")

    def _note(
        self,
        event: Event,
        index: int,
        voice: int,
        staff: int,
        stem: str | None,
        altered: dict[tuple[str, int], int],
    ) -> ET.Element:
        source = event.notes[index].note
        ring = event.rings[index] if event.rings and not event.tied_to else 0
        step, alter, octave = spell(source.pitch_midi, self.fifths)
        pitch = tag("pitch", tag("step", step), _alter("alter", alter), tag("octave", octave))
        accidental = None
        if staff == _NOTATION and not event.tied_from:
            accidental = self._accidental(step, alter, octave, altered)
        stem = "none" if staff == _TAB else stem
        beams = event.beams if index == 0 and staff == _NOTATION else ()
        notations = self._notations(event, index, source, staff, ring)
        note = tag(
            "note",
            tag("chord") if index else None,
            pitch,
            tag("duration", event.ticks),
            tag("tie", type="stop") if event.tied_from else None,
            tag("tie", type="start") if event.tied_to else None,
            tag("voice", _voice(voice, staff)),
            *self._value(event, accidental),
            tag("stem", stem) if stem is not None else None,
            self._head(source),
            tag("staff", staff),
            *(tag("beam", beam, number=str(level)) for level, beam in enumerate(beams, 1)),
            notations if len(notations) else None,
            *(self._words(source) if staff == _NOTATION and not event.tied_from else ()),
            tag("play", tag("mute", "palm")) if source.palm_mute else None,
        )
        if not event.tied_from:
            note.set("id", f"n{source.id}{'t' if staff == _TAB else ''}")
        if ring:
            note.set("release", str(ring))
        return note

    def _head(self, source: Note) -> ET.Element | None:
        brackets = {"parentheses": "yes"} if source.soft else {}
        if source.articulation == "dead":
            return tag("notehead", "x", **brackets)
        return tag("notehead", "normal", **brackets) if brackets else None

    def _words(self, source: Note) -> list[ET.Element]:
        lines = [mark.text for mark in self.marks.get(source.id, ()) if mark.kind == "words"]
        return [
            tag("lyric", tag("syllabic", "single"), tag("text", line), number=str(number))
            for number, line in enumerate(lines, 1)
        ]

    def _sections(self, event: Event) -> Iterator[ET.Element]:
        for item in event.notes if not event.tied_from else ():
            for mark in self.marks.get(item.note.id, ()):
                if mark.kind == "section":
                    text = tag("direction-type", tag("rehearsal", mark.text))
                    yield tag("direction", text, tag("staff", 1), placement="above")

    def _accidental(
        self, step: str, alter: int, octave: int, altered: dict[tuple[str, int], int]
    ) -> str | None:
        """The accidental that this note needs after the key and the measure so far."""
        before = altered.get((step, octave), key_alteration(step, self.fifths))
        altered[step, octave] = alter
        return _ACCIDENTALS.get(alter) if before != alter else None

    def _notations(
        self, event: Event, index: int, source: Note, staff: int, ring: int
    ) -> ET.Element:
        starts = not event.tied_from
        slides = [join for join in self.joins.get(source.id, ()) if join.kind == "slide"]
        technical = self._technical(source, staff, starts)
        notations = tag(
            "notations",
            tag("tied", type="stop") if event.tied_from else None,
            tag("tied", type="start") if event.tied_to else None,
            tag("tied", type="let-ring") if ring > 0 else None,
            self._tuplet(event) if event.tuplet is not None and index == 0 else None,
        )
        if starts:
            slide = {"line-type": "solid"}
            notations.extend(tag("slide", **join.at(source), **slide) for join in slides)
            if source.articulation == "vibrato":
                ends = (tag("wavy-line", type=side, number="1") for side in ("start", "stop"))
                notations.append(tag("ornaments", *ends))
        if len(technical):
            notations.append(technical)
        return notations

    def _technical(self, source: Note, staff: int, starts: bool) -> ET.Element:
        technical = tag("technical")
        if starts and source.finger is not None and source.finger > 0:
            technical.append(tag("fingering", source.finger))
        if staff == self.placed_in and source.string is not None:
            technical.extend((tag("string", source.string), tag("fret", source.fret)))
        if not starts:
            return technical
        if source.stroke is not None:
            technical.append(tag(f"{source.stroke}-bow"))
        if source.tapped:
            technical.append(tag("tap"))
        if source.let_ring:
            technical.append(tag("other-technical", LET_RING))
        joins = self.joins.get(source.id, ())
        for join in joins:
            if join.kind in _SIGNS:
                how = join.at(source)
                text = _SIGNS[join.kind] if how["type"] == "start" else None
                technical.append(tag(join.kind, text, **how))
        if source.articulation in LEGATO and not any(join.stop == source.id for join in joins):
            technical.append(tag("other-technical", source.articulation))
        if source.articulation == "bend":
            bend = source.bend or Bend()
            alter = bend.semitones or 1
            if bend.semitones is None and bend.cents is not None:
                alter = max(0.5, round(bend.cents / 50) / 2)  # scores go by quarter tones
            technical.append(tag("bend", tag("bend-alter", f"{alter:g}")))
            if bend.released:
                technical.append(tag("bend", tag("bend-alter", f"{-alter:g}"), tag("release")))
        if source.articulation == "harmonic":
            technical.append(tag("harmonic", tag("natural")))
        return technical


def _voice(voice: int, staff: int) -> int:
    """The number of a voice on its staff: voices of the tablature have their own."""
    return voice if staff == _NOTATION else voice + 4


def _named(name: str, note: str) -> ET.Element:
    """The root or bass of a chord."""
    alter = _alter(f"{name}-alter", alteration(note[1:]))
    return tag(name, tag(f"{name}-step", note[0]), alter)


def _barline(location: str, style: str, *held: ET.Element | None) -> ET.Element:
    return tag("barline", tag("bar-style", style), *held, location=location)


def _ending(number: int, kind: str) -> ET.Element:
    return tag("ending", number=str(number), type=kind)


def _joins(riff: Riff) -> Mapping[int, list[_Join]]:
    """Note id -> the joined techniques that begin or end on it, each pair with its number."""
    found: dict[int, list[_Join]] = {}
    for count, (target, start) in enumerate(sorted(legato_sources(riff.notes).items())):
        join = _Join(riff.note(target).articulation, count % 6 + 1, start, target)
        found.setdefault(start, []).append(join)
        found.setdefault(target, []).insert(0, join)
    return found
