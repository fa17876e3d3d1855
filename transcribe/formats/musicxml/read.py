"""Read MusicXML of any program into a riff.

Repeats and endings are played out, ties joined, transposition taken into the pitches (a guitar
part with ``<transpose>`` an octave down sounds an octave below what is written), and strings,
frets, fingers and techniques kept. Where a part shows the same notes as notation and tablature,
the tablature is read.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

from transcribe.core.errors import FormatError
from transcribe.core.pitch import SEMITONES, accidentals
from transcribe.core.riff import Bend, Riff, Source
from transcribe.formats.musicxml.tree import Node, load_xml
from transcribe.formats.musicxml.unfold import Builder, Found, Measure, PartFacts, play
from transcribe.formats.names import CHORDS
from transcribe.formats.parts import PartName, left_out, pick

__all__ = ["read_musicxml"]

_SUFFIXES = {kind: suffix for suffix, (kind, _) in reversed(CHORDS.items())}
_GRACE = Fraction(1, 8)  # quarters that a grace note takes from what is before
_UNITS = {
    "whole": Fraction(4),
    "half": Fraction(2),
    "quarter": Fraction(1),
    "eighth": Fraction(1, 2),
    "16th": Fraction(1, 4),
}


def read_musicxml(path: str | os.PathLike[str], *, part: str | None = None) -> Riff:
    """Read a MusicXML file, plain or compressed (``.mxl``).

    Of several parts the one that looks most like a guitar's is read, or the one whose number (from
    1), name or id is ``part``; the riff's ``warnings`` say which, and what else was left out.

    Raises
    ------
    FormatError
        If the file cannot be read, is no MusicXML, or holds no notes; the message names the line.
    ParameterError
        If there is no such part, or ``part`` names several.
    """
    path = Path(path)
    root = load_xml(path)
    parts = _parts(root, path)
    chosen, warnings = _choose(root, parts, part, path)
    reader = _Reader(path)
    measures = [reader.measure(node) for node in parts[chosen]]
    if not any(measure.notes for measure in measures):
        raise FormatError(f"{path}: found no notes in part {chosen}, expected at least one")
    keep = reader.tab_staff(measures)
    for measure in measures:
        measure.notes = [n for n in measure.notes if keep is None or n.staff == keep]
    facts = PartFacts(
        reader.first_meter or (4, 4),
        reader.key,
        reader.tuning,
        reader.capo,
        warnings + reader.warnings(),
    )
    riff = Builder(facts, play(measures, path)).riff()
    title = root.value("work/work-title") or root.value("movement-title") or path.name
    return replace(riff, source=Source(title))


def _parts(root: Node, path: Path) -> dict[str, list[Node]]:
    """Part id -> its measures."""
    parts: dict[str, list[Node]] = {}
    if root.tag == "score-partwise":
        for node in root.all("part"):
            parts.setdefault(node.attrib.get("id", ""), []).extend(node.all("measure"))
    elif root.tag == "score-timewise":
        for measure in root.all("measure"):
            for node in measure.all("part"):
                held = replace(node, attrib=measure.attrib)
                parts.setdefault(node.attrib.get("id", ""), []).append(held)
    else:
        raise FormatError(
            f"{path}:{root.line}: found <{root.tag}>, expected <score-partwise> of MusicXML"
        )
    if not any(parts.values()):
        raise FormatError(f"{path}:{root.line}: found no measures, expected a part with music")
    return parts


def _choose(
    root: Node, parts: dict[str, list[Node]], wanted: str | None, path: Path
) -> tuple[str, list[str]]:
    listed = {n.attrib.get("id", ""): n for n in root.walk("score-part")}
    names = {i: listed[i].value("part-name") if i in listed else "" for i in parts}
    known = {i: PartName(number, names[i], i) for number, i in enumerate(parts, 1)}
    if wanted is not None:
        return pick(list(known.values()), wanted, str(path)).id, []

    def likeness(part_id: str) -> float:
        score = 0.0
        if re.search(r"guit|gtr|git\b", names[part_id], re.IGNORECASE):
            score += 4
        if part_id in listed:
            for program in listed[part_id].walk("midi-program"):
                score += 4 if program.text.strip() in {str(n) for n in range(25, 33)} else 0
        measures = parts[part_id]
        pitched = sum(1 for m in measures for n in m.all("note") if n.get("pitch") is not None)
        frets = any(next(m.walk("fret"), None) is not None for m in measures)
        return score + (6 if frets else 0) + (1 if pitched else -20) + min(pitched, 200) / 400

    chosen = max(parts, key=likeness)
    return chosen, left_out(list(known.values()), known[chosen])


class _Reader:
    """Reads one part's measures in document order, with what carries from one to the next."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.divisions = Fraction(1)
        self.meter = (4, 4)
        self.first_meter: tuple[int, int] | None = None
        self.key: tuple[int, str] | None = None
        self.shift: dict[str, int] = {}
        self.tab: set[str] = set()
        self.tuning: dict[str, tuple[int, ...]] = {}
        self.capo = 0
        self.ending: tuple[int, ...] = ()
        self.jumps = False
        self.changes = False

    def refuse(self, node: Node, found: str, expected: str) -> FormatError:
        return FormatError(f"{self.path}:{node.line}: found {found}, expected {expected}")

    def warnings(self) -> list[str]:
        found = []
        if self.changes and self.first_meter is not None:
            top, unit = self.first_meter
            found.append(f"The meter changes; bars are counted in {top}/{unit}.")
        if self.jumps:
            found.append("Jumps (da capo, segno, coda) are not followed.")
        return found

    def number(self, node: Node, path: str, kind: Callable[[str], Any], default: Any = ...) -> Any:
        child = node.get(path)
        if child is None:
            if default is ...:
                raise self.refuse(node, f"<{node.tag}> without <{path}>", f"a <{path}> in it")
            return default
        try:
            return kind(child.text.strip())
        except (ValueError, ZeroDivisionError):
            raise self.refuse(child, f"<{path}> {child.text.strip()!r}", "a number") from None

    def tab_staff(self, measures: list[Measure]) -> str | None:
        """The staff to read where the part shows the same notes twice; None to read all."""
        staves = {n.staff for m in measures for n in m.notes}
        placed = {n.staff for m in measures for n in m.notes if n.string is not None}
        wanted = sorted(staves & self.tab & placed) or sorted(staves & self.tab)
        return wanted[0] if wanted and len(staves) > 1 else None

    # One measure ---------------------------------------------------------------------------

    def measure(self, node: Node) -> Measure:
        number = node.attrib.get("number", "")
        out = Measure(
            node.line,
            int(number) if re.fullmatch(r"-?\d{1,5}", number) else None,
            implicit=node.attrib.get("implicit") == "yes",
        )
        at = before = Fraction(0)
        reach = Fraction(0)
        for child in node.children:
            if child.tag == "attributes":
                self._attributes(child)
            elif child.tag == "note":
                at, before = self._note(child, out, at, before)
            elif child.tag in ("backup", "forward"):
                length = self.number(child, "duration", Fraction) / self.divisions
                at += length if child.tag == "forward" else -length
                if at < 0:
                    raise self.refuse(child, "a <backup> before the measure's start", "less")
            elif child.tag == "harmony":
                self._harmony(child, out, at)
            elif child.tag in ("direction", "sound"):
                self._direction(child, out, at)
            elif child.tag == "barline":
                self._barline(child, out)
            reach = max(reach, at)
        out.length = reach
        top, unit = self.meter
        out.nominal = Fraction(4 * top, unit)
        out.endings = out.endings or self.ending
        if out.ends:
            self.ending = ()
        return out

    def _attributes(self, node: Node) -> None:
        if node.get("divisions") is not None:
            self.divisions = self.number(node, "divisions", Fraction)
            if self.divisions <= 0:
                raise self.refuse(node, f"<divisions> {self.divisions}", "a number over 0")
        time = node.get("time")
        if time is not None and time.get("beats") is not None:
            parts = time.value("beats").split("+")
            try:
                meter = (sum(int(p) for p in parts), int(time.value("beat-type")))
            except ValueError:
                raise self.refuse(time, "a <time> that is no meter", "such as 4 and 4") from None
            if not (1 <= meter[0] <= 64 and 1 <= meter[1] <= 64):
                raise self.refuse(time, f"meter {meter[0]}/{meter[1]}", "1 to 64 in both")
            self.changes |= self.first_meter is not None and meter != self.first_meter
            self.meter = meter
            self.first_meter = self.first_meter or meter
        if node.get("key/fifths") is not None and self.key is None:
            fifths = self.number(node, "key/fifths", int)
            self.key = (fifths, node.value("key/mode"))
        for clef in node.all("clef"):
            staff = clef.attrib.get("number", "1")
            if clef.value("sign").upper() == "TAB":
                self.tab.add(staff)
        for transpose in node.all("transpose"):
            shift = self.number(transpose, "chromatic", int, 0)
            shift += 12 * self.number(transpose, "octave-change", int, 0)
            self.shift[transpose.attrib.get("number", "")] = shift
        for details in node.all("staff-details"):
            self._staff_details(details)

    def _staff_details(self, node: Node) -> None:
        tuned = {}
        for tuning in node.all("staff-tuning"):
            step = tuning.value("tuning-step").upper()
            if step not in SEMITONES:
                raise self.refuse(tuning, f"tuning step {step!r}", "a letter from A to G")
            alter = self.number(tuning, "tuning-alter", float, 0.0)
            octave = self.number(tuning, "tuning-octave", int)
            try:
                line = int(tuning.attrib.get("line", ""))
            except ValueError:
                raise self.refuse(
                    tuning, "a tuning without its line", "line=1 for the lowest string"
                ) from None
            tuned[line] = 12 * (octave + 1) + SEMITONES[step] + round(alter)
        if tuned:
            midi = tuple(tuned[line] for line in sorted(tuned, reverse=True))
            if not 1 <= len(midi) <= 12 or not all(0 <= m <= 127 for m in midi):
                raise self.refuse(node, f"{len(midi)} tuned strings", "1 to 12 within MIDI range")
            self.tuning[node.attrib.get("number", "1")] = midi
        if node.get("capo") is not None:
            self.capo = self.number(node, "capo", int)
            if not 0 <= self.capo <= 21:
                raise self.refuse(node, f"capo {self.capo}", "0 to 21")

    def _note(
        self, node: Node, out: Measure, at: Fraction, before: Fraction
    ) -> tuple[Fraction, Fraction]:
        """Read a note; returns the time after it and the start that a chord's notes share."""
        if node.get("cue") is not None:
            length = self.number(node, "duration", Fraction, Fraction(0)) / self.divisions
            return at + length, at
        grace = node.get("grace") is not None
        length = Fraction(0)
        if not grace:
            length = self.number(node, "duration", Fraction) / self.divisions
            if length < 0:
                raise self.refuse(node, "a negative duration", "0 or more")
        chord = node.get("chord") is not None
        start = before if chord else at
        pitch = node.get("pitch")
        if pitch is not None:
            note = self._pitched(node, pitch)
            note.start, note.length = start, length
            if grace:
                note.start, note.length = max(Fraction(0), start - _GRACE), _GRACE
            if note.length > 0:
                out.notes.append(note)
        return (at if chord or grace else at + length), start

    def _pitched(self, node: Node, pitch: Node) -> Found:
        step = pitch.value("step").upper()
        if step not in SEMITONES:
            raise self.refuse(pitch, f"<step> {step!r}", "a letter from A to G")
        octave = self.number(pitch, "octave", int)
        alter = round(self.number(pitch, "alter", float, 0.0))
        staff = node.value("staff", "1")
        midi = 12 * (octave + 1) + SEMITONES[step] + alter
        midi += self.shift.get(staff, self.shift.get("", 0))
        if not 0 <= midi <= 127:
            raise self.refuse(pitch, f"MIDI pitch {midi}", "0 to 127")
        note = Found(Fraction(0), Fraction(0), midi, staff, node.value("voice", "1"), node.line)
        note.tied_from = any(t.attrib.get("type") == "stop" for t in node.all("tie"))
        note.tied_to = any(t.attrib.get("type") == "start" for t in node.all("tie"))
        if "release" in node.attrib:
            try:
                note.release = Fraction(node.attrib["release"]) / self.divisions
            except (ValueError, ZeroDivisionError):
                note.release = Fraction(0)
        if node.value("notehead") == "x":
            note.articulation = "dead"
        for notations in node.all("notations"):
            self._notations(notations, note)
        return note

    def _notations(self, node: Node, note: Found) -> None:
        for group in node.children:
            if group.tag in ("slide", "glissando") and group.attrib.get("type") == "stop":
                note.articulation = "slide"
            if group.tag == "ornaments" and group.get("wavy-line") is not None:
                note.articulation = "vibrato"
            if group.tag != "technical":
                continue
            if group.get("string") is not None and group.get("fret") is not None:
                note.string = self.number(group, "string", int)
                note.fret = self.number(group, "fret", int)
            finger = group.value("fingering")
            note.finger = int(finger) if finger in ("0", "1", "2", "3", "4") else note.finger
            for child in group.children:
                if child.tag in ("hammer-on", "pull-off") and child.attrib.get("type") == "stop":
                    note.articulation = child.tag
                elif child.tag == "other-technical" and child.text.strip() in (
                    "hammer-on",
                    "pull-off",
                    "slide",
                ):
                    note.articulation = child.text.strip()
                elif child.tag == "bend":
                    note.articulation = "bend"
                    rise = self.number(child, "bend-alter", float, 0.0)
                    if rise > 0:
                        note.bend = Bend(semitones=round(rise) if rise >= 1 else rise)
                elif child.tag == "harmonic":
                    note.articulation = "harmonic"

    def _harmony(self, node: Node, out: Measure, at: Fraction) -> None:
        step = node.value("root/root-step").upper()
        if step not in SEMITONES:
            return
        root = step + accidentals(self.number(node, "root/root-alter", float, 0.0))
        kind = node.get("kind")
        value = kind.text.strip() if kind is not None else "major"
        suffix = _SUFFIXES.get(value)
        if suffix is None:
            suffix = kind.attrib.get("text", "") if kind is not None else ""
        bass = node.value("bass/bass-step").upper()
        if bass in SEMITONES:
            suffix += "/" + bass + accidentals(self.number(node, "bass/bass-alter", float, 0.0))
        offset = self.number(node, "offset", Fraction, Fraction(0)) / self.divisions
        out.chords.append((max(Fraction(0), at + offset), root + suffix))

    def _direction(self, node: Node, out: Measure, at: Fraction) -> None:
        sound = node if node.tag == "sound" else node.get("sound")
        if sound is not None:
            self.jumps |= any(k in sound.attrib for k in ("dacapo", "dalsegno", "tocoda"))
            tempo = sound.attrib.get("tempo")
            if tempo is not None:
                self._tempo(sound, tempo, Fraction(1), out, at)
                return
        metronome = node.get("direction-type/metronome")
        if metronome is not None and metronome.get("per-minute") is not None:
            unit = _UNITS.get(metronome.value("beat-unit"), Fraction(1))
            if metronome.get("beat-unit-dot") is not None:
                unit *= Fraction(3, 2)
            number = re.search(r"\d+(?:\.\d+)?", metronome.value("per-minute"))
            if number is not None:
                self._tempo(metronome, number[0], unit, out, at)

    def _tempo(self, node: Node, text: str, unit: Fraction, out: Measure, at: Fraction) -> None:
        try:
            tempo = float(text) * float(unit)
        except ValueError:
            raise self.refuse(node, f"tempo {text!r}", "quarters a minute") from None
        if not 1 <= tempo <= 4000:
            raise self.refuse(node, f"tempo {text!r}", "1 to 4000 quarters a minute")
        out.tempos.append((at, tempo))

    def _barline(self, node: Node, out: Measure) -> None:
        repeat = node.get("repeat")
        if repeat is not None:
            if repeat.attrib.get("direction") == "forward":
                out.forward = True
            else:
                times = repeat.attrib.get("times", "2")
                out.backward = max(2, int(times)) if times.isdigit() and len(times) < 4 else 2
        ending = node.get("ending")
        if ending is not None:
            numbers = tuple(int(n) for n in re.findall(r"\d+", ending.attrib.get("number", "")))
            if ending.attrib.get("type") == "start":
                self.ending = numbers
            else:
                out.ends = True
            out.endings = numbers
