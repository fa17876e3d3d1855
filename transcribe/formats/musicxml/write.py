"""MusicXML 4.0: written as notation over tablature, read from any program's files.

Written is one part with two staves that hold the same notes: notation (treble clef an octave
down, so that the pitches are the sounding ones) and tablature (string, fret, finger, techniques).
Tempo, meter, key with its mode, chord symbols, ties, tuplets and beams follow the MusicXML 4.0
specification (W3C Music Notation Community Group). What rings on past the next note of its voice
is tied ``let-ring``, with the exact length in the note's ``release`` attribute.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Hashable, Mapping
from dataclasses import dataclass

from transcribe.core.pitch import alteration, key_alteration, spell, split_chord
from transcribe.core.riff import LEGATO, Instrument, Note, Rhythm, Riff, legato_sources
from transcribe.formats.chords import CHORDS, chord_changes, key_of
from transcribe.formats.folds import Fold, chords_within, find_folds
from transcribe.formats.musicxml.measures import TICKS, Event, Measure, make_measures

__all__ = ["write_musicxml"]

_DOCTYPE = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" '
    '"http://www.musicxml.org/dtds/partwise.dtd">\n'
)
_NOTATION, _TAB = 1, 2  # staff numbers
_ACCIDENTALS = {-2: "flat-flat", -1: "flat", 0: "natural", 1: "sharp", 2: "double-sharp"}
_UNITS = {1: "whole", 2: "half", 4: "quarter", 8: "eighth", 16: "16th", 32: "32nd"}


def write_musicxml(riff: Riff, *, repeats: bool = False) -> bytes:
    """The riff as a MusicXML 4.0 document: notation over tablature.

    Parameters
    ----------
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
    score = ET.Element("score-partwise", version="4.0")
    title = riff.source.file if riff.source is not None else ""
    if title:
        _put(_put(score, "work"), "work-title", title)
    identification = _put(score, "identification")
    encoding = _put(identification, "encoding")
    _put(encoding, "software", "Handspan")
    for element in ("accidental", "beam", "stem"):
        ET.SubElement(encoding, "supports", element=element, type="yes")
    listed = ET.SubElement(_put(score, "part-list"), "score-part", id="P1")
    _put(listed, "part-name", "Guitar")
    instrument = ET.SubElement(listed, "score-instrument", id="P1-I1")
    _put(instrument, "instrument-name", "Guitar")
    sound = ET.SubElement(listed, "midi-instrument", id="P1-I1")
    _put(sound, "midi-channel", "1")
    _put(sound, "midi-program", "26")
    part = ET.SubElement(score, "part", id="P1")
    writer = _Writer(riff, rhythm)
    folds = writer.folds(measures) if repeats else []
    dropped = {i for fold in folds for i in fold.dropped}
    opens = {fold.start: fold for fold in folds}
    closes = {fold.last: fold for fold in folds}
    kept = [i for i in range(len(measures)) if i not in dropped]
    for i in kept:
        out = writer.measure(measures[i], first=i == 0)
        if i in opens:
            writer.open_repeat(out, measures, opens[i])
        writer.close(out, closes[i].times if i in closes else 0, last=i == kept[-1])
        part.append(out)
    ET.indent(score, " ")
    body = ET.tostring(score, encoding="unicode")
    return (_DOCTYPE + body + "\n").encode("utf-8")


def _put(parent: ET.Element, tag: str, text: str | int | None = None, /, **how: str) -> ET.Element:
    child = ET.SubElement(parent, tag, how)
    if text is not None:
        child.text = str(text)
    return child


@dataclass(frozen=True, slots=True)
class _Join:
    """A technique between two notes: its kind, its number on the staff, and its ends."""

    kind: str
    number: int
    start: int
    stop: int


class _Writer:
    """Writes measures one after another; knows the riff's key, chords and joined notes."""

    def __init__(self, riff: Riff, rhythm: Rhythm) -> None:
        self.instrument: Instrument = riff.instrument
        self.rhythm = rhythm
        self.fifths, self.mode = key_of(riff.theory)
        per_beat = TICKS * 4 / rhythm.meter[1]
        self.harmonies = [(round(b * per_beat), s) for b, s in chord_changes(riff, rhythm)]
        self.joins = _joins(riff)
        self.tab = any(n.string is not None for n in riff.notes)

    def measure(self, measure: Measure, *, first: bool) -> ET.Element:
        out = ET.Element("measure", number=str(measure.number))
        if measure.pickup:
            out.set("implicit", "yes")
        if first:
            self._attributes(out)
            self._tempo(out)
        self._music(out, measure, self._chords_of(measure))
        return out

    def open_repeat(self, out: ET.Element, measures: list[Measure], fold: Fold) -> None:
        """Begin a repeat; the chord that holds is told where another one holds at its end."""
        first, last = measures[fold.start], measures[fold.last]
        held = self._held_in(first)
        told = any(at == first.start for at, _ in self.harmonies)
        if held and held[0][0] == 0 and not told and held[0][1] != self._held_in(last)[-1][1]:
            holder = ET.Element("measure")
            self._harmony(holder, held[0][1], 0)
            head = ("attributes", "direction")
            at = next((i for i, child in enumerate(out) if child.tag not in head), len(out))
            for child in reversed(holder):
                out.insert(at, child)
        barline = ET.Element("barline", location="left")
        _put(barline, "bar-style", "heavy-light")
        _put(barline, "repeat", direction="forward")
        out.insert(0, barline)

    def close(self, out: ET.Element, times: int, *, last: bool) -> None:
        """End a measure, and a repeat that is played ``times`` times (0: none ends here)."""
        if times > 2:
            direction = ET.SubElement(out, "direction", placement="above")
            _put(_put(direction, "direction-type"), "words", f"x{times}")
            _put(direction, "staff", 1)
        if last or times:
            barline = ET.SubElement(out, "barline", location="right")
            _put(barline, "bar-style", "light-heavy")
            if times:
                how = {"times": str(times)} if times > 2 else {}
                _put(barline, "repeat", direction="backward", **how)

    def folds(self, measures: list[Measure]) -> list[Fold]:
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
        return find_folds([self._written(m) for m in measures], joined=joined)

    def _written(self, measure: Measure) -> Hashable:
        """What is written in a measure, without the numbers that only tell notes apart."""
        out = ET.Element("measure")
        self._music(out, measure, [])
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
        return chords_within(self.harmonies, measure.start, measure.start + measure.ticks)

    def _music(self, out: ET.Element, measure: Measure, chords: list[tuple[int, str]]) -> None:
        voices = sorted(measure.voices)
        for i, voice in enumerate(voices):
            if i:
                self._back(out, measure.ticks)
            altered: dict[tuple[str, int], int] = {}
            stem = None if len(voices) == 1 else ("up" if i == 0 else "down")
            for event in measure.voices[voice]:
                while i == 0 and chords and chords[0][0] < event.start + event.ticks:
                    at, symbol = chords.pop(0)
                    self._harmony(out, symbol, at - event.start)
                self._event(out, event, voice, _NOTATION, stem, altered)
        if self.tab:
            for voice in voices:
                self._back(out, measure.ticks)
                for event in measure.voices[voice]:
                    self._event(out, event, voice + 4, _TAB, None, {})

    def _back(self, out: ET.Element, ticks: int) -> None:
        _put(_put(out, "backup"), "duration", ticks)

    def _chords_of(self, measure: Measure) -> list[tuple[int, str]]:
        return [
            (tick - measure.start, symbol)
            for tick, symbol in self.harmonies
            if measure.start <= tick < measure.start + measure.ticks
        ]

    def _attributes(self, out: ET.Element) -> None:
        attributes = _put(out, "attributes")
        _put(attributes, "divisions", TICKS)
        key = _put(attributes, "key")
        _put(key, "fifths", self.fifths)
        if self.mode is not None:
            _put(key, "mode", self.mode)
        time = _put(attributes, "time")
        _put(time, "beats", self.rhythm.meter[0])
        _put(time, "beat-type", self.rhythm.meter[1])
        if self.tab:
            _put(attributes, "staves", 2)
        clef = ET.SubElement(attributes, "clef", number="1")
        _put(clef, "sign", "G")
        _put(clef, "line", 2)
        _put(clef, "clef-octave-change", -1)
        if not self.tab:
            return
        strings = self.instrument.open_midi
        clef = ET.SubElement(attributes, "clef", number="2")
        _put(clef, "sign", "TAB")
        _put(clef, "line", max(1, len(strings) - 1))
        details = ET.SubElement(attributes, "staff-details", number="2")
        _put(details, "staff-lines", len(strings))
        # Lines are numbered from the lowest string up, strings from the highest down.
        for line, midi in enumerate(reversed(strings), 1):
            step, alter, octave = spell(midi, self.fifths)
            tuning = ET.SubElement(details, "staff-tuning", line=str(line))
            _put(tuning, "tuning-step", step)
            if alter:
                _put(tuning, "tuning-alter", alter)
            _put(tuning, "tuning-octave", octave)
        if self.instrument.capo:
            _put(details, "capo", self.instrument.capo)

    def _tempo(self, out: ET.Element) -> None:
        top, unit = self.rhythm.meter
        direction = ET.SubElement(out, "direction", placement="above")
        metronome = _put(_put(direction, "direction-type"), "metronome")
        bpm = self.rhythm.bpm
        if unit >= 8 and top % 3 == 0 and top > 3 and unit // 2 in _UNITS:
            _put(metronome, "beat-unit", _UNITS[unit // 2])
            _put(metronome, "beat-unit-dot")
            bpm /= 3
        else:
            _put(metronome, "beat-unit", _UNITS.get(unit, "quarter"))
        _put(metronome, "per-minute", f"{bpm:.2f}".rstrip("0").rstrip("."))
        _put(direction, "staff", 1)
        quarters = self.rhythm.bpm * 4 / unit
        _put(direction, "sound", tempo=f"{quarters:.4f}".rstrip("0").rstrip("."))

    def _harmony(self, out: ET.Element, symbol: str, offset: int) -> None:
        parts = split_chord(symbol)
        if parts is None:
            return
        name, suffix, bass = parts
        harmony = ET.SubElement(out, "harmony")
        root = _put(harmony, "root")
        _put(root, "root-step", name[0])
        if len(name) > 1:
            _put(root, "root-alter", alteration(name[1:]))
        kind, _ = CHORDS.get(suffix, ("other", None))
        _put(harmony, "kind", kind, text=suffix)
        if bass is not None:
            under = _put(harmony, "bass")
            _put(under, "bass-step", bass[0])
            if len(bass) > 1:
                _put(under, "bass-alter", alteration(bass[1:]))
        if offset:
            _put(harmony, "offset", offset)
        _put(harmony, "staff", 1)

    def _event(
        self,
        out: ET.Element,
        event: Event,
        voice: int,
        staff: int,
        stem: str | None,
        altered: dict[tuple[str, int], int],
    ) -> None:
        if not event.notes:
            self._rest(out, event, voice, staff)
            return
        for i, item in enumerate(event.notes):
            self._note(out, event, i, item.note, voice, staff, stem, altered)

    def _rest(self, out: ET.Element, event: Event, voice: int, staff: int) -> None:
        note = _put(out, "note")
        # The drone's rests and those of the tablature would only be in the way.
        if voice != 1:
            note.set("print-object", "no")
        rest = _put(note, "rest")
        if event.whole_measure:
            rest.set("measure", "yes")
        _put(note, "duration", event.ticks)
        _put(note, "voice", voice)
        if not event.whole_measure:
            self._value(note, event)
        _put(note, "staff", staff)
        if event.tuplet is not None:
            self._tuplet(_put(note, "notations"), event)

    def _value(self, note: ET.Element, event: Event, accidental: str | None = None) -> None:
        _put(note, "type", event.value)
        for _ in range(event.dots):
            _put(note, "dot")
        if accidental is not None:
            _put(note, "accidental", accidental)
        if event.triplet:
            ratio = _put(note, "time-modification")
            _put(ratio, "actual-notes", 3)
            _put(ratio, "normal-notes", 2)

    def _tuplet(self, notations: ET.Element, event: Event) -> None:
        ET.SubElement(notations, "tuplet", type=str(event.tuplet), number="1")

    def _note(
        self,
        out: ET.Element,
        event: Event,
        index: int,
        source: Note,
        voice: int,
        staff: int,
        stem: str | None,
        altered: dict[tuple[str, int], int],
    ) -> None:
        note = _put(out, "note")
        ring = event.rings[index] if event.rings and not event.tied_to else 0
        if not event.tied_from:
            note.set("id", f"n{source.id}{'t' if staff == _TAB else ''}")
        if ring:
            note.set("release", str(ring))
        if index:
            _put(note, "chord")
        step, alter, octave = spell(source.pitch_midi, self.fifths)
        pitch = _put(note, "pitch")
        _put(pitch, "step", step)
        if alter:
            _put(pitch, "alter", alter)
        _put(pitch, "octave", octave)
        _put(note, "duration", event.ticks)
        if event.tied_from:
            _put(note, "tie", type="stop")
        if event.tied_to:
            _put(note, "tie", type="start")
        _put(note, "voice", voice)
        accidental = None
        if staff == _NOTATION and not event.tied_from:
            accidental = self._accidental(step, alter, octave, altered)
        self._value(note, event, accidental)
        if staff == _TAB:
            _put(note, "stem", "none")
        elif stem is not None:
            _put(note, "stem", stem)
        if source.articulation == "dead":
            _put(note, "notehead", "x")
        _put(note, "staff", staff)
        if index == 0 and staff == _NOTATION:
            for level, beam in enumerate(event.beams, 1):
                _put(note, "beam", beam, number=str(level))
        self._notations(note, event, index, source, staff, ring)

    def _accidental(
        self, step: str, alter: int, octave: int, altered: dict[tuple[str, int], int]
    ) -> str | None:
        """The accidental that this note needs after the key and the measure so far."""
        before = altered.get((step, octave), key_alteration(step, self.fifths))
        altered[step, octave] = alter
        return _ACCIDENTALS.get(alter) if before != alter else None

    def _notations(
        self, note: ET.Element, event: Event, index: int, source: Note, staff: int, ring: int
    ) -> None:
        notations = ET.Element("notations")
        if event.tied_from:
            _put(notations, "tied", type="stop")
        if event.tied_to:
            _put(notations, "tied", type="start")
        if ring > 0:
            _put(notations, "tied", type="let-ring")
        if event.tuplet is not None and index == 0:
            self._tuplet(notations, event)
        starts = not event.tied_from
        if starts:
            self._slides(notations, source)
            if source.articulation == "vibrato":
                ornaments = _put(notations, "ornaments")
                _put(ornaments, "wavy-line", type="start", number="1")
                _put(ornaments, "wavy-line", type="stop", number="1")
        technical = self._technical(source, staff, starts)
        if len(technical):
            notations.append(technical)
        if len(notations):
            note.append(notations)

    def _slides(self, notations: ET.Element, source: Note) -> None:
        for join in self.joins.get(source.id, ()):
            if join.kind == "slide":
                side = "stop" if join.stop == source.id else "start"
                how = {"type": side, "number": str(join.number), "line-type": "solid"}
                ET.SubElement(notations, "slide", how)

    def _technical(self, source: Note, staff: int, starts: bool) -> ET.Element:
        technical = ET.Element("technical")
        if starts and source.finger is not None and source.finger > 0:
            _put(technical, "fingering", source.finger)
        if staff == _TAB and source.string is not None:
            _put(technical, "string", source.string)
            _put(technical, "fret", source.fret)
        if not starts:
            return technical
        joins = self.joins.get(source.id, ())
        for join in joins:
            if join.kind in ("hammer-on", "pull-off"):
                side = "stop" if join.stop == source.id else "start"
                text = {"hammer-on": "H", "pull-off": "P"}[join.kind] if side == "start" else None
                _put(technical, join.kind, text, type=side, number=str(join.number))
        if source.articulation in ("hammer-on", "pull-off", "slide") and not any(
            join.stop == source.id for join in joins
        ):
            _put(technical, "other-technical", source.articulation)
        if source.articulation == "bend":
            alter = (source.bend.semitones if source.bend is not None else None) or 1
            _put(_put(technical, "bend"), "bend-alter", f"{alter:g}")
        if source.articulation == "harmonic":
            _put(_put(technical, "harmonic"), "natural")
        return technical


def _joins(riff: Riff) -> Mapping[int, list[_Join]]:
    """Note id -> the joined techniques that begin or end on it, each pair with its number."""
    found: dict[int, list[_Join]] = {}
    for count, (target, start) in enumerate(sorted(legato_sources(riff.notes).items())):
        join = _Join(riff.note(target).articulation, count % 6 + 1, start, target)
        found.setdefault(start, []).append(join)
        found.setdefault(target, []).insert(0, join)
    return found
