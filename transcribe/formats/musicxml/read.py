"""Read MusicXML of any program into a riff.

Repeats and endings are played out, ties joined, transposition taken into the pitches (a guitar
part with ``<transpose>`` an octave down sounds an octave below what is written), and strings,
frets, fingers, techniques and the first grip of each chord kept. Where a part shows the same
notes as notation and tablature, the tablature is read.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import re
import xml.etree.ElementTree as ET
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any, Literal, get_args

from transcribe.core.errors import FormatError
from transcribe.core.pitch import SEMITONES, accidentals, note_at_fifths
from transcribe.core.riff import (
    LEGATO,
    Bend,
    FileForm,
    Instrument,
    KeyMode,
    Remark,
    Riff,
    Source,
    WrittenKey,
)
from transcribe.formats.chord_names import CHORDS, KEY_FIELD, MODES, parse_key
from transcribe.formats.musicxml.frames import grip_in
from transcribe.formats.musicxml.tree import line_of, load_xml
from transcribe.formats.musicxml.unfold import (
    LET_RING,
    Measure,
    PartFacts,
    RiffBuilder,
    WrittenNote,
    played_measures,
)
from transcribe.formats.parts import PartName, left_out, pick

__all__ = ["read_musicxml", "riff_from_tree"]

_SUFFIXES = {kind: suffix for suffix, (kind, _) in reversed(CHORDS.items())}
_DECIMAL = re.compile(r"[+-]?\d{1,9}(\.\d{0,9})?")
_MAX_ALTER = 3  # semitones that a letter is altered by
_GRACE = Fraction(1, 8)  # quarters that a grace note takes from what is before
_STROKES: dict[str, Literal["down", "up"]] = {"down-bow": "down", "up-bow": "up"}
_MODE_NAMES: dict[str, KeyMode] = {
    **{mode: mode for mode in get_args(KeyMode)},
    "major": "ionian",
    "minor": "aeolian",
}
_MAX_FIFTHS = 7  # sharps or flats of a key
_UNITS = {
    "whole": Fraction(4),
    "half": Fraction(2),
    "quarter": Fraction(1),
    "eighth": Fraction(1, 2),
    "16th": Fraction(1, 4),
}


def read_musicxml(path: str | os.PathLike[str], *, part: str | None = None) -> Riff:
    """Read a MusicXML file, plain or compressed (``.mxl``).

    Repeats and endings are played out; jumps (da capo, segno, coda) are not.

    Parameters
    ----------
    part : str, optional
        The part to read: its number from 1, its name or its id. By default the one that looks
        most like a guitar's; ``warnings`` of the riff then says which, and what was left out.

    Returns
    -------
    Riff
        With the rhythm of the score, and strings and frets where it has tablature.

    Raises
    ------
    FormatError
        If the file cannot be read, is no MusicXML, or holds no notes; the message names the line.
    ParameterError
        If there is no such part, or ``part`` names several.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> score = '''<score-partwise><part id="P1"><measure number="1"><note>
    ...   <pitch><step>D</step><octave>3</octave></pitch><duration>1</duration>
    ... </note></measure></part></score-partwise>'''
    >>> with TemporaryDirectory() as folder:
    ...     path = Path(folder) / "jetty.musicxml"
    ...     _ = path.write_text(score)
    ...     [note.pitch_midi for note in read_musicxml(path).notes]
    [50]
    """
    path = Path(path)
    return riff_from_tree(load_xml(path), path, part=part)


def riff_from_tree(
    root: ET.Element,
    path: Path,
    *,
    part: str | None = None,
    instrument: Instrument | None = None,
) -> Riff:
    """The riff of a MusicXML document that `parse_xml` has read.

    ``path`` is what errors call it; strings and frets lie on ``instrument`` where the document
    does not tell the tuning. The rest is as in `read_musicxml`.
    """
    parts = _parts(root, path)
    chosen, warnings = _choose(root, parts, part, path)
    reader = _PartReader(path)
    measures = [reader.measure(node) for node in parts[chosen]]
    if not any(measure.notes for measure in measures):
        where = f" in part {chosen}" if len(parts) > 1 else ""
        raise FormatError(f"{path}: found no notes{where}, expected at least one")
    keep = reader.tab_staff(measures)
    for measure in measures:
        measure.notes = [n for n in measure.notes if keep is None or n.staff == keep]
    facts = PartFacts(
        reader.first_meter or (4, 4),
        reader.key,
        reader.tuning or ({"1": instrument.open_midi} if instrument is not None else {}),
        reader.capo or (instrument.capo if instrument is not None else 0),
        warnings + reader.warnings(),
        reader.grips,
    )
    riff = RiffBuilder(facts, played_measures(measures, path)).riff()
    title = root.findtext("work/work-title", "") or root.findtext("movement-title", "") or path.name
    riff = replace(riff, source=Source(title), written_key=_written_key(root, reader.key))
    if any(measure.backward or measure.endings for measure in measures):
        riff = replace(riff, files={"musicxml": FileForm(repeats=True)})
    return riff


def _written_key(root: ET.Element, key: tuple[int, str] | None) -> WrittenKey | None:
    """The key of a score, where it tells the mode. One that Handspan found is not given."""
    if any(node.text == "Handspan" for node in root.iter("software")):
        fields = root.iterfind("identification/miscellaneous/miscellaneous-field")
        return next((parse_key(f.text or "") for f in fields if f.get("name") == KEY_FIELD), None)
    if key is None:
        return None
    fifths, name = key
    mode = _MODE_NAMES.get(name.strip().lower())
    if mode is None or abs(fifths) > _MAX_FIFTHS:
        return None
    return WrittenKey(note_at_fifths(fifths - MODES[mode]), mode)


def _parts(root: ET.Element, path: Path) -> dict[str, list[ET.Element]]:
    """Part id -> its measures."""
    parts: dict[str, list[ET.Element]] = {}
    if root.tag == "score-partwise":
        for node in root.findall("part"):
            parts.setdefault(node.get("id", ""), []).extend(node.findall("measure"))
    elif root.tag == "score-timewise":
        for measure in root.findall("measure"):
            for node in measure.findall("part"):
                parts.setdefault(node.get("id", ""), []).append(node)
                node.attrib |= measure.attrib
    else:
        raise FormatError(
            f"{path}:{line_of(root)}: found <{root.tag}>, expected <score-partwise> of MusicXML"
        )
    if not any(parts.values()):
        raise FormatError(f"{path}:{line_of(root)}: found no measures, expected a part with music")
    return parts


def _choose(
    root: ET.Element, parts: dict[str, list[ET.Element]], wanted: str | None, path: Path
) -> tuple[str, list[Remark]]:
    listed = {n.get("id", ""): n for n in root.iter("score-part")}
    names = {i: listed[i].findtext("part-name", "") if i in listed else "" for i in parts}
    known = {i: PartName(number, names[i], i) for number, i in enumerate(parts, 1)}
    if wanted is not None:
        return pick(list(known.values()), wanted, str(path)).id, []

    def likeness(part_id: str) -> float:
        score = 0.0
        if re.search(r"guit|gtr|git\b", names[part_id], re.IGNORECASE):
            score += 4
        if part_id in listed:
            for program in listed[part_id].iter("midi-program"):
                score += 4 if program.text in {str(n) for n in range(25, 33)} else 0
        measures = parts[part_id]
        pitched = sum(1 for m in measures for n in m.findall("note") if n.find("pitch") is not None)
        frets = any(next(m.iter("fret"), None) is not None for m in measures)
        return score + (6 if frets else 0) + (1 if pitched else -20) + min(pitched, 200) / 400

    chosen = max(parts, key=likeness)
    return chosen, left_out(list(known.values()), known[chosen])


def _degree(node: ET.Element) -> str:
    """A note that a chord has beside its kind, or lacks, as symbols write it: #9, add9, (no3)."""
    number, how = node.findtext("degree-value", "").strip(), node.findtext("degree-type", "add")
    alter = node.findtext("degree-alter", "0").strip()
    if not re.fullmatch(r"\d{1,2}", number) or alter not in ("-2", "-1", "0", "1", "2"):
        return ""
    if how.strip() == "subtract":
        return f"(no{number})"
    if alter == "0":
        return f"add{number}"
    return ("#" if int(alter) > 0 else "b") * abs(int(alter)) + number


def _decimal(text: str) -> str:
    """``text`` if it is a plain decimal number of usual length; else ValueError."""
    if not _DECIMAL.fullmatch(text.strip()):
        raise ValueError(text)
    return text


class _PartReader:
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
        self.grips: dict[str, dict[str, Any]] = {}
        self.ending: tuple[int, ...] = ()
        self.jumps = False
        self.changes = False

    def refuse(self, node: ET.Element, found: str, expected: str) -> FormatError:
        return FormatError(f"{self.path}:{line_of(node)}: found {found}, expected {expected}")

    def warnings(self) -> list[Remark]:
        found = []
        if self.changes and self.first_meter is not None:
            found.append(Remark("meter-changes", {"meter": list(self.first_meter)}))
        if self.jumps:
            found.append(Remark("jumps"))
        return found

    def number(
        self, node: ET.Element, path: str, kind: Callable[[str], Any], default: Any = ...
    ) -> Any:
        child = node.find(path)
        if child is None:
            if default is ...:
                raise self.refuse(node, f"<{node.tag}> without <{path}>", f"a <{path}> in it")
            return default
        try:
            return kind(_decimal(child.text or ""))
        except ValueError:
            raise self.refuse(child, f"<{path}> {child.text!r}", "a number") from None

    def alteration(self, node: ET.Element, path: str) -> int:
        """Semitones that an element alters a letter by."""
        alter = round(self.number(node, path, float, 0.0))
        if abs(alter) > _MAX_ALTER:
            raise self.refuse(node, f"<{path}> {alter}", f"at most {_MAX_ALTER} sharps or flats")
        return alter

    def midi(self, node: ET.Element, prefix: str = "") -> int:
        """The pitch that is spelled by the step, alter and octave in an element."""
        step = node.findtext(f"{prefix}step", "").upper()
        if step not in SEMITONES:
            raise self.refuse(node, f"<{prefix}step> {step!r}", "a letter from A to G")
        octave = self.number(node, f"{prefix}octave", int)
        return 12 * (octave + 1) + SEMITONES[step] + self.alteration(node, f"{prefix}alter")

    def note_name(self, node: ET.Element, prefix: str) -> str:
        """Root or bass of a chord symbol, empty where there is none."""
        step = node.findtext(f"{prefix}/{prefix}-step", "").upper()
        alter = self.alteration(node, f"{prefix}/{prefix}-alter")
        return step + accidentals(alter) if step in SEMITONES else ""

    def tab_staff(self, measures: list[Measure]) -> str | None:
        """The staff to read where the part shows the same notes twice; None to read all."""
        staves = {n.staff for m in measures for n in m.notes}
        placed = {n.staff for m in measures for n in m.notes if n.string is not None}
        wanted = sorted(staves & self.tab & placed) or sorted(staves & self.tab)
        return wanted[0] if wanted and len(staves) > 1 else None

    # One measure ---------------------------------------------------------------------------

    def measure(self, node: ET.Element) -> Measure:
        number = node.get("number", "")
        out = Measure(
            line_of(node),
            int(number) if re.fullmatch(r"-?\d{1,5}", number) else None,
            implicit=node.get("implicit") == "yes",
        )
        at = before = Fraction(0)
        reach = Fraction(0)
        for child in node:
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
            # A rest that is not printed only fills up a short measure.
            unseen = child.get("print-object") == "no" and child.find("rest") is not None
            if child.tag in ("note", "forward") and not unseen:
                reach = max(reach, at)
        out.length = reach
        top, unit = self.meter
        out.nominal = Fraction(4 * top, unit)
        out.endings = out.endings or self.ending
        if out.ends:
            self.ending = ()
        return out

    def _attributes(self, node: ET.Element) -> None:
        if node.find("divisions") is not None:
            self.divisions = self.number(node, "divisions", Fraction)
            if self.divisions <= 0:
                raise self.refuse(node, f"<divisions> {self.divisions}", "a number over 0")
        time = node.find("time")
        if time is not None and time.find("beats") is not None:
            parts = time.findtext("beats", "").split("+")
            try:
                meter = (sum(int(p) for p in parts), int(time.findtext("beat-type", "")))
            except ValueError:
                raise self.refuse(time, "a <time> that is no meter", "such as 4 and 4") from None
            if not (1 <= meter[0] <= 64 and 1 <= meter[1] <= 64):
                raise self.refuse(time, f"meter {meter[0]}/{meter[1]}", "1 to 64 in both")
            self.changes |= self.first_meter is not None and meter != self.first_meter
            self.meter = meter
            self.first_meter = self.first_meter or meter
        if node.find("key/fifths") is not None and self.key is None:
            fifths = self.number(node, "key/fifths", int)
            self.key = (fifths, node.findtext("key/mode", ""))
        for clef in node.findall("clef"):
            staff = clef.get("number", "1")
            if clef.findtext("sign", "").upper() == "TAB":
                self.tab.add(staff)
        for transpose in node.findall("transpose"):
            shift = self.number(transpose, "chromatic", int, 0)
            shift += 12 * self.number(transpose, "octave-change", int, 0)
            self.shift[transpose.get("number", "")] = shift
        for details in node.findall("staff-details"):
            self._staff_details(details)

    def _staff_details(self, node: ET.Element) -> None:
        tuned = {}
        for tuning in node.findall("staff-tuning"):
            try:
                line = int(tuning.get("line", ""))
            except ValueError:
                raise self.refuse(
                    tuning, "a tuning without its line", "line=1 for the lowest string"
                ) from None
            tuned[line] = self.midi(tuning, "tuning-")
        if tuned:
            midi = tuple(tuned[line] for line in sorted(tuned, reverse=True))
            if not 1 <= len(midi) <= 12 or not all(0 <= m <= 127 for m in midi):
                raise self.refuse(node, f"{len(midi)} tuned strings", "1 to 12 within MIDI range")
            self.tuning[node.get("number", "1")] = midi
        if node.find("capo") is not None:
            self.capo = self.number(node, "capo", int)
            if not 0 <= self.capo <= 21:
                raise self.refuse(node, f"capo {self.capo}", "0 to 21")

    def _note(
        self, node: ET.Element, out: Measure, at: Fraction, before: Fraction
    ) -> tuple[Fraction, Fraction]:
        """Read a note; returns the time after it and the start that a chord's notes share."""
        if node.find("cue") is not None:
            length = self.number(node, "duration", Fraction, Fraction(0)) / self.divisions
            return at + length, at
        grace = node.find("grace") is not None
        length = Fraction(0)
        if not grace:
            length = self.number(node, "duration", Fraction) / self.divisions
            if length < 0:
                raise self.refuse(node, "a negative duration", "0 or more")
        chord = node.find("chord") is not None
        start = before if chord else at
        pitch = node.find("pitch")
        if pitch is not None:
            note = self._pitched(node, pitch)
            note.start, note.length = start, length
            if grace:
                self._lead_in(out, note, chord)
            if note.length > 0:
                out.notes.append(note)
            for lyric in node.findall("lyric")[:1]:
                goes_on = lyric.findtext("syllabic") in ("begin", "middle")
                text = lyric.findtext("text", "") + ("" if goes_on else " ")
                out.words.setdefault(note.start, text)
        return (at if chord or grace else at + length), start

    def _lead_in(self, out: Measure, note: WrittenNote, chord: bool) -> None:
        """Put a grace note before the note that it leads to, and earlier ones before it."""
        before = itertools.takewhile(lambda n: n.grace, reversed(out.notes))
        run = [n for n in before if n.voice == note.voice and n.start < note.start]
        if chord and run:
            note.start = run[0].start
        else:
            for earlier in run:
                earlier.start -= _GRACE
            note.start -= _GRACE
        note.length, note.grace = _GRACE, True

    def _pitched(self, node: ET.Element, pitch: ET.Element) -> WrittenNote:
        staff = node.findtext("staff", "1")
        midi = self.midi(pitch) + self.shift.get(staff, self.shift.get("", 0))
        if not 0 <= midi <= 127:
            raise self.refuse(pitch, f"MIDI pitch {midi}", "0 to 127")
        note = WrittenNote(Fraction(0), Fraction(0), midi, staff, node.findtext("voice", "1"))
        note.tied_from = any(t.get("type") == "stop" for t in node.findall("tie"))
        note.tied_to = any(t.get("type") == "start" for t in node.findall("tie"))
        with contextlib.suppress(ValueError):
            note.release = Fraction(_decimal(node.get("release", "0"))) / self.divisions
        head = node.find("notehead")
        if head is not None and head.text == "x":
            note.articulation = "dead"
        note.soft = head is not None and head.get("parentheses") == "yes"
        note.palm_mute = node.findtext("play/mute", "") == "palm"
        # The program's own scores tie what only rings on, and say how long.
        ties = (tied.get("type") for tied in node.findall("notations/tied"))
        note.let_ring = "let-ring" in ties and node.get("release") is None
        for notations in node.findall("notations"):
            self._notations(notations, note)
        return note

    def _notations(self, node: ET.Element, note: WrittenNote) -> None:
        for group in node:
            if group.tag in ("slide", "glissando") and group.get("type") == "stop":
                note.articulation = "slide"
            if group.tag == "ornaments" and group.find("wavy-line") is not None:
                note.articulation = "vibrato"
            if group.tag != "technical":
                continue
            if group.find("string") is not None and group.find("fret") is not None:
                note.string = self.number(group, "string", int)
                note.fret = self.number(group, "fret", int)
            finger = group.findtext("fingering", "")
            note.finger = int(finger) if finger in ("0", "1", "2", "3", "4") else note.finger
            for child in group:
                if child.tag in ("hammer-on", "pull-off") and child.get("type") == "stop":
                    note.articulation = child.tag
                elif child.tag == "other-technical" and child.text in LEGATO:
                    note.articulation = child.text
                elif child.tag == "bend":
                    note.articulation = "bend"
                    rise = self.number(child, "bend-alter", float, 0.0)
                    if rise > 0:
                        note.bend = Bend(semitones=round(rise) if rise >= 1 else rise)
                    if child.find("release") is not None:
                        note.bend = replace(note.bend or Bend(), released=True)
                elif child.tag == "harmonic":
                    note.articulation = "harmonic"
                elif child.tag == "tap":
                    note.articulation, note.tapped = "hammer-on", True
                elif child.tag in _STROKES:
                    note.stroke = _STROKES[child.tag]
                elif child.tag == "other-technical" and child.text == LET_RING:
                    note.let_ring = True

    def _harmony(self, node: ET.Element, out: Measure, at: Fraction) -> None:
        root = self.note_name(node, "root")
        if not root:
            return
        kind = node.find("kind")
        if node.findtext("kind") == "none" and node.find("degree") is None:
            return  # no chord is played here
        suffix = _SUFFIXES.get(node.findtext("kind", "major"))
        if suffix is None and kind is not None:
            suffix = kind.get("text", "")  # which holds the degrees too
        else:
            suffix = (suffix or "") + "".join(map(_degree, node.findall("degree")))
        bass = self.note_name(node, "bass")
        offset = self.number(node, "offset", Fraction, Fraction(0)) / self.divisions
        symbol = f"{root}{suffix}" + (f"/{bass}" if bass else "")
        frame = node.find("frame")
        if frame is not None and (grip := grip_in(frame)) is not None:
            self.grips.setdefault(symbol, grip)
        out.chords.append((max(Fraction(0), at + offset), symbol))

    def _direction(self, node: ET.Element, out: Measure, at: Fraction) -> None:
        for rehearsal in node.findall("direction-type/rehearsal"):
            if rehearsal.text:
                out.sections.append((at, " ".join(rehearsal.text.split())))
        sound = node if node.tag == "sound" else node.find("sound")
        if sound is not None:
            self.jumps |= any(k in sound.attrib for k in ("dacapo", "dalsegno", "tocoda"))
            tempo = sound.get("tempo")
            if tempo is not None:
                self._tempo(sound, tempo, Fraction(1), out, at)
                return
        metronome = node.find("direction-type/metronome")
        if metronome is not None and metronome.find("per-minute") is not None:
            unit = _UNITS.get(metronome.findtext("beat-unit", ""), Fraction(1))
            if metronome.find("beat-unit-dot") is not None:
                unit *= Fraction(3, 2)
            number = re.search(r"\d+(?:\.\d+)?", metronome.findtext("per-minute", ""))
            if number is not None:
                self._tempo(metronome, number[0], unit, out, at)

    def _tempo(
        self, node: ET.Element, text: str, unit: Fraction, out: Measure, at: Fraction
    ) -> None:
        try:
            tempo = float(_decimal(text)) * float(unit)
        except ValueError:
            raise self.refuse(node, f"tempo {text!r}", "quarters a minute") from None
        if not 1 <= tempo <= 4000:
            raise self.refuse(node, f"tempo {text!r}", "1 to 4000 quarters a minute")
        out.tempos.append((at, tempo))

    def _barline(self, node: ET.Element, out: Measure) -> None:
        repeat = node.find("repeat")
        if repeat is not None:
            if repeat.get("direction") == "forward":
                out.forward = True
            else:
                times = repeat.get("times", "2")
                out.backward = max(2, int(times)) if times.isdigit() and len(times) < 4 else 2
        ending = node.find("ending")
        if ending is not None:
            numbers = tuple(int(n) for n in re.findall(r"\d{1,3}", ending.get("number", "")))
            if ending.get("type") == "start":
                self.ending = numbers
            else:
                out.ends = True
            out.endings = numbers
