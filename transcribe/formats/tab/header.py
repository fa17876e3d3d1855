"""What the lines around a text tab say: tuning, capo, tempo, meter, and in own tabs the rest.

Tunings as people write them (``Tuning: D A D G B E``, ``drop D``, ``DADGAD``) list the lowest
string first, as is common practice; with octaves (``E4 B3 G3 D3 A2 E2``) the pitches tell the
order. Without a tuning, the names before the strings give it: where they are some of the strings
of a guitar in standard tuning the others are left out because they are not played, else each is in
the octave nearest to the usual tuning for that number of strings.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from transcribe.core.errors import HandspanError
from transcribe.core.instrument import TUNINGS, make_instrument, parse_tuning
from transcribe.core.pitch import parse_pitch, pitch_class, pitch_name
from transcribe.core.riff import Instrument, WrittenKey
from transcribe.formats.chord_names import parse_key
from transcribe.formats.tab.lines import StringLine, refuse, string_line
from transcribe.formats.tab.names import STANDARD, classes_of, tuning_classes

__all__ = ["NOT_TOLD", "OWN", "Header", "read_header"]

NOT_TOLD = "not told: "
"""What goes before the modes that a line may be in, where too little tells which."""

OWN = re.compile(r"^Handspan tab (\d+)(?:: (.*))?$")
"""The first line of the project's own tabs: version and title."""

_VERSION = "1"
_FIELD = re.compile(
    r"^(Tuning|Capo|Frets|Meter|Tempo|Time|Drone|Key|Mode|Loop|Chords|Easier|Unsure):\s*(.*)$"
)
_ALSO = {
    "e-standard": "standard",
    "eb": "half-step-down",
    "eb-standard": "half-step-down",
    "d-standard": "whole-step-down",
}
_LOWERED = {"half-step-down": 1, "whole-step-down": 2}
_USUAL = {
    3: "C4 G3 D3",
    4: "G2 D2 A1 E1",
    5: "G2 D2 A1 E1 B0",
    6: "E4 B3 G3 D3 A2 E2",
    7: "E4 B3 G3 D3 A2 E2 B1",
    8: "E4 B3 G3 D3 A2 E2 B1 F#1",
}


@dataclass(slots=True)
class Header:
    """What the header says; None or empty where it says nothing."""

    own: bool = False
    title: str = ""
    open_midi: tuple[int, ...] | None = None
    classes: tuple[int, ...] | None = None  # pitch classes, string 1 first
    capo: int = 0
    frets: int | None = None
    meter: tuple[int, int] | None = None
    bpm: float | None = None
    bpm_of: float | None = None  # what ``bpm`` counts as a share of a whole; None: beats
    bass: bool = False  # whether the tab says that it is one for a bass
    lowered: int = 0  # semitones that all strings are tuned down, in a tab that names no tuning
    column_sec: float | None = None
    drone: tuple[int, ...] = ()
    key: WrittenKey | None = None
    mode: Mapping[str, Any] = field(default_factory=dict)
    loop: tuple[str, ...] = ()
    loop_implied: bool = False
    loop_once: bool = False
    loop_shapes: tuple[str, ...] = ()
    easier: tuple[int, tuple[str, ...]] | None = None

    def beats_a_minute(self, unit: int) -> float | None:
        """The tempo in beats of 1/``unit``; None where the tab gives none."""
        if self.bpm is None or self.bpm_of is None:
            return self.bpm
        return self.bpm * self.bpm_of * unit

    @property
    def strings(self) -> int | None:
        """Number of strings, where the tuning tells it."""
        if self.open_midi is not None:
            return len(self.open_midi)
        return len(self.classes) if self.classes is not None else None

    @property
    def likely(self) -> list[tuple[int, ...]]:
        """Pitch classes of the tunings whose strings a tab may call by name, leaving some out."""
        told = self.classes or (self.open_midi and tuning_classes(self.open_midi))
        likely = [told] if told else [tuning_classes(TUNINGS["bass"])] if self.bass else []
        return likely if told and len(told) != len(STANDARD) else [*likely, STANDARD]

    def string_1_first(self, systems: list[list[StringLine]], name: str) -> list[list[StringLine]]:
        """The systems with string 1 first; some people write the lowest string on top.

        Raises
        ------
        FormatError
            If the names are those of a known tuning but for one string.
        """
        numbers = [row.number for row in systems[0]]
        if None not in numbers:
            over = (numbers[0] or 0) > (numbers[-1] or 0)
            return [system[::-1] for system in systems] if over else systems
        octaves = [row.octave for row in systems[0]]
        classes = _named_classes(systems[0])
        if classes is None:
            return systems
        _check_complete(systems[0], classes, name)
        if None not in octaves:
            pitches = [12 * ((o or 0) + 1) + c for o, c in zip(octaves, classes, strict=True)]
            over = pitches[0] < pitches[-1]
            self.open_midi = self.open_midi or tuple(pitches[::-1] if over else pitches)
        else:
            known = {tuple(m % 12 for m in tuning) for tuning in TUNINGS.values()}
            if self.classes is not None:
                known = {self.classes}
            over = classes not in known and classes[::-1] in known
        return [system[::-1] for system in systems] if over else systems

    def instrument(self, system: list[StringLine], name: str) -> Instrument:
        """The instrument of a tab whose first system is ``system``; its lines may be turned over.

        Raises
        ------
        FormatError
            If the capo or the number of frets cannot be.
        """
        open_midi = self.open_midi
        if open_midi is None:
            classes = self.classes or _named_classes(system)
            open_midi = _nearest(len(system), classes)
            # Names before the strings that are lowered already say the same once more.
            if self.lowered and open_midi[-1] % 12 == _usual(len(system))[-1] % 12:
                open_midi = tuple(m - self.lowered for m in open_midi)
        highest = max((s.fret or 0 for row in system for s in row.signs), default=0)
        frets = self.frets
        if frets is None:
            frets = Instrument().frets if self.own or highest + self.capo <= 22 else 24
        try:
            base = make_instrument(
                ",".join(pitch_name(m) for m in open_midi), capo=self.capo, frets=frets
            )
        except HandspanError as error:
            raise refuse(name, 0, f"capo {self.capo} and {frets} frets", str(error)) from None
        return base


def _named_classes(system: list[StringLine]) -> tuple[int, ...] | None:
    return classes_of([row.name for row in system])


def _check_complete(system: list[StringLine], classes: tuple[int, ...], name: str) -> None:
    """Refuse a system whose names are a six-string tuning with one line missing."""
    known = {tuple(m % 12 for m in tuning): tuning for tuning in TUNINGS.values()}
    if system[-1].name != "g":  # the short string of a banjo; G may be string 5 of open G
        known.pop(tuple(m % 12 for m in TUNINGS["banjo"]), None)
    if len(classes) != 5 or classes in known or classes[::-1] in known:
        return
    for whole in known:
        for order in (whole, whole[::-1]):
            if len(order) == 6 and any(order[:i] + order[i + 1 :] == classes for i in range(6)):
                found = " ".join(row.name for row in system)
                expected = " ".join(pitch_name(60 + c).rstrip("-0123456789") for c in order)
                raise refuse(name, system[-1].line, f"5 strings, {found}", f"6, {expected}")


def _nearest(strings: int, classes: tuple[int, ...] | None) -> tuple[int, ...]:
    """Open strings with these pitch classes, string 1 first."""
    if classes is None:
        return _usual(strings)
    for tuning in TUNINGS.values():
        if tuple(m % 12 for m in tuning) == classes:
            return tuning
    usual = _usual(strings)
    return tuple(m + (c - m + 6) % 12 - 6 for m, c in zip(usual, classes, strict=True))


def _usual(strings: int) -> tuple[int, ...]:
    if strings in _USUAL:
        return tuple(parse_pitch(p) for p in _USUAL[strings].split())
    top = parse_pitch("E4")
    return tuple(top - 5 * i for i in range(strings))


def read_header(lines: list[str], name: str) -> Header:
    """Read the lines that are no strings.

    Raises
    ------
    FormatError
        If a line of an own tab's header holds what cannot be, or its version is not known.
    """
    match = OWN.match(lines[0]) if lines else None
    if match is None:
        return _read_lenient(lines)
    if match[1] != _VERSION:
        raise refuse(name, 0, f"version {match[1]}", f"version {_VERSION} of these tabs")
    head = Header(own=True, title=match[2] or "")
    for i, line in enumerate(lines[1:], 1):
        if not line.strip():
            break
        if (entry := _FIELD.match(line)) is not None:
            _take(head, entry[1], entry[2].strip(), i, name)
    if head.open_midi is None:
        raise refuse(name, 1, "no tuning", "a line such as Tuning: E4 B3 G3 D3 A2 E2")
    if head.meter is None and head.column_sec is None:
        raise refuse(name, 1, "no meter", "a line such as Meter: 4/4")
    return head


def _take(head: Header, key: str, value: str, line: int, name: str) -> None:
    def need(pattern: str, expected: str) -> re.Match[str]:
        match = re.match(pattern, value)
        if match is None:
            raise refuse(name, line, repr(value), expected)
        return match

    if key == "Tuning":
        strings = value.partition("(")[0]
        try:
            head.open_midi = parse_tuning(strings)
        except HandspanError:
            raise refuse(
                name, line, repr(value), "open strings from string 1, E4 B3 G3 D3 A2 E2"
            ) from None
    elif key == "Capo":
        head.capo = int(need(r"fret (\d{1,2})\b", "a fret, such as: fret 2")[1])
    elif key == "Frets":
        head.frets = int(need(r"(\d{1,2})$", "the number of frets")[1])
    elif key == "Meter":
        match = need(r"(\d{1,2})/(\d{1,2})$", "a meter, such as 4/4")
        head.meter = (max(1, int(match[1])), max(1, int(match[2])))
    elif key == "Tempo":
        head.bpm = float(need(r"(\d{1,4}(?:\.\d+)?) ", "beats a minute, such as 96 quarters")[1])
        if not 1 <= head.bpm <= 1000:
            raise refuse(name, line, f"{head.bpm:g} beats a minute", "1 to 1000")
        if named := re.search(rf"\({_NOTE} =", value):
            head.bpm_of = _share(named)
    elif key == "Time":
        match = need(r"one column is (\d+(?:\.\d+)?) s", "how many seconds one column is")
        head.column_sec = float(match[1])
        if not 0 < head.column_sec < 100:
            raise refuse(name, line, f"{match[1]} s", "over 0 and under 100 s")
    elif key == "Drone":
        head.drone = tuple(int(n) for n in re.findall(r"string (\d{1,2})", value))
    elif key == "Key":
        head.key = parse_key(value)
        if head.key is None:
            raise refuse(name, line, repr(value), "a key, such as A dorian or Em")
    elif key == "Mode" and not value.startswith(NOT_TOLD):
        match = need(
            r"([A-G][#b]*) (\S[^(]*?)"
            r"(?: \((?:([a-z ]+), (\d{1,3})%)?(?:; )?(?:notes of (.+))?\))?$",
            "a mode, A dorian",
        )
        mode: dict[str, Any] = {"tonic": match[1], "name": match[2]}
        if match[3]:
            mode |= {"sureness": match[3], "confidence": min(100, int(match[4])) / 100}
        if match[5]:
            mode |= {"parent": match[5]}
        head.mode = mode
    elif key in ("Loop", "Chords"):
        match = need(r"([^(]*?)(?: \((implied)?(?:; )?(?:shapes (.+))?\))?$", "chords, Am D")
        head.loop, head.loop_implied = tuple(match[1].split()), bool(match[2])
        head.loop_once = key == "Chords" and not head.loop_implied
        head.loop_shapes = tuple((match[3] or "").split())
    elif key == "Easier":
        match = need(
            r"with(?:out the capo| a capo at fret (\d{1,2})), shapes (.+)$",
            "a capo and its shapes, with a capo at fret 3, shapes G C",
        )
        head.easier = (int(match[1] or 0), tuple(match[2].split()))


# The lines around a tab as people write them: ``key: value``, or what they put in a heading.

_NOTES = {"whole": 1.0, "half": 0.5, "quarter": 0.25, "eighth": 0.125, "sixteenth": 0.0625}
_NOTES |= {"h": 0.5, "q": 0.25, "e": 0.125, "♩": 0.25, "♪": 0.125}
_NOTE = (
    r"(?P<dotted>dotted[ -])?(?P<note>whole|half|quarter|eighth|sixteenth|[hqe]\b|♩|♪)"
    r"(?:[ -]note)?(?P<dot>\.)?"
)
_TEMPI = (
    re.compile(rf"(?<!\w){_NOTE}\s*=\s*(?P<bpm>\d{{2,3}})\b", re.I),
    re.compile(rf"(?<!\d)(?P<bpm>\d{{2,3}})\s*bpm\b(?:[\s,]+{_NOTE})?", re.I),
    re.compile(rf"\b(?:tempo|bpm)\b\D{{0,12}}(?P<bpm>\d{{2,3}})\b(?!\s*[/%])(?:\s+{_NOTE})?", re.I),
)
_METER = re.compile(
    r"(?:^|\b(?:time|meter|signature)\b[^\d/]{0,14})(\d{1,2})\s?/\s?(2|4|8|16)\b(?!/)", re.I
)
_BARE_METER = re.compile(
    r"(?<![\w/.,:])(?<!slide )(?<!part )(?<!page )(?<!take )(?<!fret )(?<!frets )(?<!string )"
    r"(2|3|4|5|6|7|9|12)\s?/\s?(2|4|8)(?![\w/])"
    r"(?!\s*(?:=|(?:of|speed|size|step|steps|tone|tempo|the|way|down|up)\b))",
    re.I,
)
_CAPO = re.compile(r"(?<!no )\bcapo\b\D{0,12}(\d{1,2})(?!\d|\s*/|\s*bpm)", re.I)
_KEY = re.compile(
    r"\bkey(?:\s*[:=]\s*|\s+of\s+|\s+)([A-G][#b♯♭]?(?:\s?(?:m|min|minor|maj|major|ionian|dorian|"
    r"phrygian|lydian|mixolydian|aeolian|locrian))?)(?![\w#♯♭])",
    re.I,
)
_STEP = r"(?P<{0}>half|1/2|whole|full)[\s-]*(?:an?\s)?(?:step|tone)"
_DOWN = re.compile(
    r"\b(?:tun(?:e|ed|ing)|guitars?)\b\D{0,20}?"
    rf"(?:down\s+(?:by\s+)?(?:an?\s)?{_STEP.format('a')}|{_STEP.format('b')}\s+(?:down|lower))",
    re.I,
)
_TUNING_BEFORE = re.compile(
    r"(?:^|[\s,;(-])((?:double[ -])?(?:drop(?:ped)?[ -]|open[ -])?"
    r"[A-G](?:b|♭|[ -]flat)?(?: standard)?|[A-G]{6})\s+tuning\b",
    re.I,
)
_TUNING_AFTER = re.compile(r"\btun(?:ing|ed)\b(?:\s+to)?\s*[:=]?\s*(.+)$", re.I)
_BASS = re.compile(r"\bbass\b(?! ?(?:note|string|drum|run)s?\b)", re.I)
_DROP_D = re.compile(r"\bdrop(?:ped)?[ -]d\b", re.I)


def _read_lenient(lines: list[str]) -> Header:
    head = Header()
    above = True  # above the first string, where a meter needs no word such as ``time`` beside it
    for line in lines:
        above = above and string_line(0, line) is None
        if len(line) > 200 or line.count("-") > 5:
            continue
        text = line.strip()
        if head.open_midi is None and head.classes is None:
            _lenient_tuning(head, text, above)
        head.bass |= above and len(text) < 40 and _BASS.search(text) is not None
        if match := _CAPO.search(text):
            head.capo = int(match[1])
        if head.key is None and (match := _KEY.search(text)):
            head.key = parse_key(match[1])
        if head.bpm is None:
            _lenient_tempo(head, text)
        if head.meter is None:
            match = _METER.search(text) or (_BARE_METER.search(text) if above else None)
            if match is not None:
                head.meter = (max(1, int(match[1])), int(match[2]))
            elif above and "common time" in text.lower():
                head.meter = (4, 4)
    if head.capo:
        head.key = None  # people give the key of the shapes or of what sounds
    return head


def _lenient_tempo(head: Header, text: str) -> None:
    match = next((found for pattern in _TEMPI if (found := pattern.search(text))), None)
    if match is None or not int(match["bpm"]):
        return
    head.bpm = float(match["bpm"])
    if match["note"]:
        head.bpm_of = _share(match)


def _share(note: re.Match[str]) -> float:
    """The share of a whole note that a match of `_NOTE` names."""
    dotted = note["dotted"] or note["dot"]
    return _NOTES[note["note"].lower()] * (1.5 if dotted else 1.0)


def _lenient_tuning(head: Header, text: str, above: bool) -> None:
    if (down := _DOWN.search(text)) is not None:
        head.lowered = 1 if (down["a"] or down["b"]).lower() in ("half", "1/2") else 2
    elif before := _TUNING_BEFORE.search(text):
        _take_tuning(head, re.sub(r"[ -]flat", "b", before[1], flags=re.I))
    elif after := _TUNING_AFTER.search(text):
        value = re.sub(r"\(.*?\)", "", after[1]).strip(" .;")
        # Other things in the same line come after a comma: ``Tuning: drop D, 4/4``.
        if not _take_tuning(head, value):
            _take_tuning(head, value.split(",")[0].strip())
    elif _DROP_D.search(text) and (above or len(text) < 40):
        head.open_midi = TUNINGS["drop-d"]


def _take_tuning(head: Header, value: str) -> bool:
    """Take a tuning by its name or its strings; False where ``value`` is neither."""
    name = re.sub(r"[\s_-]+", "-", value.lower().replace("♭", "b")).replace("dropped", "drop")
    name = _ALSO.get(name, name)
    if name in _LOWERED:
        head.lowered = _LOWERED[name]
        return True
    if name in TUNINGS:
        head.open_midi = TUNINGS[name]
        return True
    strings = re.split(r"[\s,-]+", value)
    if len(strings) == 1:
        # Run together, ``b`` is a string of its own in DADGBE and a flat in EbAbDbGbBbEb.
        flats = re.fullmatch(r"(?:[A-G]b)+", value)
        strings = re.findall(r"[A-G]b" if flats else r"[A-Ga-g][#♯♭]?", value)
        if "".join(strings) != value:
            return False
    if not 3 <= len(strings) <= 12:
        return False
    if all(re.fullmatch(r"[A-Ga-g][#b♯♭]?\d", string) for string in strings):
        # People write the strings from either end; `parse_tuning` takes them from string 1.
        if parse_pitch(strings[0]) < parse_pitch(strings[-1]):
            strings.reverse()
        head.open_midi = parse_tuning(" ".join(strings))
    elif all(re.fullmatch(r"[A-Ga-g][#b♯♭]?", string) for string in strings):
        head.classes = tuple(pitch_class(string) for string in reversed(strings))
    else:
        return False
    return True
