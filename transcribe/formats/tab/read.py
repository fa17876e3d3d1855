"""Read a text tab, the project's own or one as people write them.

The project's own tabs (first line ``Handspan tab 1``) are read strictly: the count under the
strings tells the time of every sign. Other tabs are read with more patience; where they carry no
count only the order of the notes is known: then ``rhythm`` is None, ``timing.kind`` is
``order``, and the seconds only follow the columns, or where there are bar lines the shares of a
bar that the columns tell; ``timing.bars_sec`` then lists where bars begin and the last one ends.

A tab does not tell how long notes last. They are taken to ring until the next note of their
string, at most for one bar (in a tab without a count, 24 columns); ``timing.lengths`` is
``ring``.
"""

from __future__ import annotations

import itertools
import os
import re
from dataclasses import replace
from pathlib import Path

from transcribe.core.errors import FormatError
from transcribe.core.files import read_bytes
from transcribe.core.riff import MARKS, FileForm, Instrument, Mark, Remark, Riff, Source
from transcribe.formats.chord_names import AFTER_ROOT
from transcribe.formats.tab.around import Around, is_section, read_around
from transcribe.formats.tab.header import OWN, Header, read_header
from transcribe.formats.tab.layout import string_names
from transcribe.formats.tab.lines import (
    Bar,
    Sign,
    StringLine,
    check_columns,
    columns_of,
    find_own_systems,
    find_systems,
    has_strings,
    plain_lines,
    read_signs,
    refuse,
)
from transcribe.formats.tab.to_riff import TabBar, TabNote, make_riff, played_bars
from transcribe.formats.tab.write import LEFT_OUT, TAKEN

__all__ = ["is_tab", "read_tab"]

_COUNT = re.compile(r"^(?:\d{1,2}|[&+eaitl.]|an?d?|\|)$")
_CHORD = re.compile(rf"^[A-G][#b]?{AFTER_ROOT}$")
_NAMED = {"&": 0.5, "+": 0.5, "and": 0.5, "e": 0.25, "a": 0.75, "t": 1 / 3, "l": 2 / 3, "i": 0.25}
_NARROW_SHARE = 0.6  # of the width of a counted bar: what is narrower is a part of one
_AGAIN = re.compile(
    r"^\W*(?:[x×]\s?\d{1,2}|\d{1,2}\s?[x×])(?!\w)|\b(?:twice|thrice|repeat(?:ed)?|da capo|"
    r"once more|\d{1,2} ?times|(?:two|three|four|six|eight) times)\b",
    re.I,
)
_TIMES = re.compile(r"^[xX×](\d{1,2})$")
_MAX_MB = 4

_Mark = tuple[int, str]
"""Column and text of a word in a line beside the strings."""


def read_tab(source: str | os.PathLike[str], *, name: str | None = None) -> Riff:
    """Read a text tab, the project's own or one as people write them.

    Parameters
    ----------
    source : str or path-like
        A path, or the text of a tab: a string with more than one line.
    name : str, optional
        What errors call the tab; by default its path, or ``tab``.

    Returns
    -------
    Riff
        With a rhythm where the tab counts the beats under its strings. Else only the order of
        the notes is known, and the bars where there are bar lines.

    Raises
    ------
    FormatError
        If the file cannot be read or something in it cannot be a tab: the message says file,
        line, what was found and what was expected.

    Examples
    --------
    >>> riff = read_tab('''
    ... e|---------|
    ... B|---------|
    ... G|---------|
    ... D|-0-2h4---|
    ... A|---------|
    ... E|---------|
    ... ''')
    >>> [(note.string, note.fret, note.articulation) for note in riff.notes]
    [(4, 0, 'picked'), (4, 2, 'picked'), (4, 4, 'hammer-on')]
    """
    text, name, title = _load(source, name)
    lines = plain_lines(text)
    head = read_header(lines, name)
    if head.own and head.open_midi is not None:
        systems = find_own_systems(lines, name, string_names(Instrument(head.open_midi)))
    else:
        systems = find_systems(lines, name, strings=head.strings, likely=head.likely)
        systems = head.string_1_first(systems, name)
    for system in systems:
        for row in system:
            read_signs(row, lines[row.line], name)
    instrument = head.instrument(systems[0], name)
    reader = _Reader(lines, name, head, instrument, systems)
    bars, counted = reader.bars()
    played = played_bars(bars, name)
    if not head.own and not any(bar.hits for bar in played):
        raise refuse(name, systems[0][0].line, "strings without notes", "frets on them, --0--2--")
    riff = make_riff(played, head, instrument, name, counted)
    if not head.own:
        riff = replace(riff, warnings=(*reader.remarks, *_in_words(lines, reader.strings)))
    if riff.rhythm is not None and (
        head.bpm is None or any(line.startswith("Tempo:") and TAKEN in line for line in lines)
    ):
        facts = {"bpm": riff.rhythm.bpm, "meter": list(riff.rhythm.meter)}
        taken = Remark("tempo-taken", facts)
        riff = replace(riff, warnings=(*riff.warnings, taken))
    if any(bar.opens or bar.times > 1 for bar in bars):
        riff = replace(riff, files={"tab": FileForm(repeats=True)})
    if head.own and reader.loose:
        # Chords that stand over no note were found in the notes; they are none of the file's own.
        riff = replace(riff, marks=tuple(mark for mark in riff.marks if mark.kind != "chord"))
    if head.own and (names := _left_out(lines)):
        riff = replace(riff, left_out=tuple(names))
    if riff.source is None and title:
        riff = replace(riff, source=Source(title))
    return riff


def _in_words(lines: list[str], strings: set[int]) -> tuple[Remark, ...]:
    """Remarks on repeats that are written in words, which are not played."""
    signs = any(re.search(r"[:*oO]\|", lines[line]) for line in strings)
    return tuple(
        Remark("tab-repeat-in-words", {"line": i + 1, "text": line.strip()[:60]})
        for i, line in enumerate(lines)
        if i not in strings and _AGAIN.search(line) and not (signs and i + 1 in strings)
    )


def _left_out(lines: list[str]) -> list[str]:
    """The notes that an own tab could not place, as it names them."""
    text = ""
    for line in lines:
        if line.startswith(LEFT_OUT):
            text = line.removeprefix(LEFT_OUT)
        elif text and not line.strip():
            break
        elif text:
            text += ", " + line.strip()
    return [name for name in text.split(", ") if name]


def _load(source: str | os.PathLike[str], name: str | None) -> tuple[str, str, str]:
    if isinstance(source, str) and ("\n" in source or "\r" in source):
        return source, name or "tab", ""
    path = Path(source)
    data = read_bytes(path, max_mb=_MAX_MB, expected="a text tab")
    text = _decoded(data)
    if text is None:
        raise FormatError(f"{path}:1: found bytes that are not text, expected a text tab")
    return text, name or str(path), path.name


def _decoded(data: bytes) -> str | None:
    """The text that ``data`` is, in the encodings that people use; None where it is no text."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16", "replace")
    if b"\0" in data:
        return None
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", "replace")


def is_tab(data: bytes) -> bool:
    """Whether `read_tab` would find strings in what a file begins with."""
    lines = plain_lines(_decoded(data) or "")
    return bool(lines) and (OWN.match(lines[0]) is not None or has_strings(lines))


class _Reader:
    """Turns systems of lines into bars with times."""

    def __init__(
        self,
        lines: list[str],
        name: str,
        head: Header,
        instrument: Instrument,
        systems: list[list[StringLine]],
    ) -> None:
        self.lines, self.name, self.head, self.systems = lines, name, head, systems
        self.top_fret = instrument.top_fret
        self.strings = {row.line for system in systems for row in system}
        self.open_bar: TabBar | None = None
        self.found: list[TabBar] = []
        self.loose = False  # whether a chord symbol stands over no note
        self.remarks: list[Remark] = []
        self.texts: list[Mark] = []  # that wait for the next note
        self.learnt: list[tuple[int, dict[int, float]]] = []  # width and places of counted bars

    def bars(self) -> tuple[list[TabBar], bool]:
        counts = [self._count_row(system) for system in self.systems]
        # People write the count under the first bars and leave it at that.
        counted = all(counts) if self.head.own else any(counts)
        if self.head.own and self.head.meter is not None and not counted:
            bad = self.systems[counts.index(None)] if None in counts else self.systems[0]
            raise refuse(
                self.name, bad[-1].line + 1, "no count", "the beats under the strings, 1 & 2 &"
            )
        barlines = []
        for system in self.systems:
            barlines.append(
                check_columns(system, self.name, strict=self.head.own, moved=self.remarks)
            )
            self._check_frets(system)
        for system, bars, count in zip(self.systems, barlines, counts, strict=True):
            if count is not None and not self.head.own:
                self._learn(system, bars, count)
        for system, bars, count in zip(self.systems, barlines, counts, strict=True):
            line, marks = count or (system[-1].line + 1, [])
            self._read(system, bars, line, marks if counted else None)
        return self.found, bool(counted)

    def _check_frets(self, system: list[StringLine]) -> None:
        for row in system:
            for sign in row.signs:
                if sign.fret is not None and sign.fret > self.top_fret:
                    raise refuse(
                        self.name,
                        row.line,
                        f"fret {sign.fret} at column {sign.column + 1}",
                        f"0 to {self.top_fret}",
                    )

    # Rows beside the strings ---------------------------------------------------------------

    def _below(self, system: list[StringLine]) -> list[int]:
        """Lines under a system, as far as the next blank line or string."""
        found = []
        for line in range(system[-1].line + 1, min(system[-1].line + 9, len(self.lines))):
            if line in self.strings or not self.lines[line].strip():
                break
            found.append(line)
        return found

    def _above(self, system: list[StringLine]) -> list[int]:
        """Lines over a system, the nearest first, as far as the next blank line or string."""
        found = []
        for line in range(system[0].line - 1, max(system[0].line - 9, -1), -1):
            if line in self.strings or not self.lines[line].strip():
                break
            found.append(line)
        return found

    def _around(self, system: list[StringLine]) -> Around:
        """What stands around the strings of a system, but for chords, count and fingers."""
        above, below = self._above(system), self._below(system)
        before = system[0].line - 1
        while before >= 0 and before not in self.strings:
            before -= 1
        between = list(range(before + 1, system[0].line))
        out = read_around(self.lines, above, below, between, self.head.own)
        if not self.head.own:
            out.texts = [t for t in out.texts if t[1].kind != "words" or _is_words(t[1].text)]
            count = self._count_row(system)
            for line in below:
                text = self.lines[line].strip()
                plain = count is None or line != count[0]
                if plain and line not in out.lines and _is_words(text):
                    out.texts.append((0, Mark("words", text)))
        return out

    def _count_row(self, system: list[StringLine]) -> tuple[int, list[_Mark]] | None:
        places = self._below(system)
        if not self.head.own:
            places += self._above(system)[:1]
        for line in places:
            text = self.lines[line]
            if not self.head.own:
                text = re.sub(r"\s\([^()]*\)\s*$", "", text)  # a remark beside the count
            marks = [(column, text) for column, text in _tokens(text) if text != "|"]
            if self.head.own and marks and marks[0][1] == "f":
                continue
            texts = [text for _, text in marks]
            plain = all(_COUNT.match(text) for text in texts)
            if plain and "1" in texts and (self.head.own or len(texts) > 2):
                return line, marks
            if plain and self.head.own and any(text.isdigit() for text in texts):
                return line, marks
        return None

    def _finger_row(self, system: list[StringLine]) -> dict[int, str]:
        if not self.head.own:
            return {}
        for line in self._below(system):
            marks = _tokens(self.lines[line])
            if marks and marks[0] == (0, "f"):
                return dict(marks[1:])
        return {}

    def _chord_row(
        self, system: list[StringLine], used: set[int]
    ) -> tuple[list[_Mark], int | None]:
        """Chord symbols and ``x2`` marks with their columns, and the first bar's number."""
        above = [i for i in self._above(system) if i not in used]
        rows = [
            [m for m in _tokens(self.lines[line]) if m[1] != "|" and not _ENDING.match(m[1])]
            for line in above
        ]
        if not self.head.own:
            return next((row for row in rows if row and all(map(_is_chord, row))), []), None
        if not rows:
            return [], None
        marks, number = rows[0], None
        if marks and marks[0][0] == 0 and re.match(r"^-?\d{1,5}$", marks[0][1]):
            number = int(marks[0][1])
            marks = marks[1:]
        return marks, number

    # Bars ----------------------------------------------------------------------------------

    def _read(
        self, system: list[StringLine], bars: list[Bar], line: int, marks: list[_Mark] | None
    ) -> None:
        """Add the bars of a system; without the ``marks`` of a count columns tell the order."""
        groups = columns_of(system)
        around = self._around(system)
        endings = self._endings(system, around.lines)
        chords, number = self._chord_row(system, around.lines)
        slack = 0 if self.head.own else 1
        texts = [(c, m) for c, m in around.texts]
        named = [(c, text) for c, text in chords if not _TIMES.match(text)]
        struck_at = {column for column, _ in groups}
        self.loose |= any(column not in struck_at for column, _ in named)
        texts += [(c, Mark("chord", text)) for c, text in named]
        spans = _spans(system, bars)
        if not self.head.own:
            texts = _at_bar_starts(texts, spans, struck_at)
        texts.sort(key=lambda t: (t[0], MARKS.index(t[1].kind)))
        fingers = self._finger_row(system)
        strokes = around.strokes_at([column for column, _ in groups])
        before = len(self.found)
        for start, end, opening, closing in spans:
            struck = [(column, group) for column, group in groups if start <= column < end]
            times: dict[int, float] = {}
            if marks is None:
                length = float(max(1, (closing.start if closing is not None else end) - start))
                bar = TabBar(len(self.found) + 1, length, system[0].line)
                bar.opens = opening is not None and opening.opens
                self.found.append(bar)
            else:
                times = self._mark_times([m for m in marks if start <= m[0] < end], line)
                if not times:
                    final = system is self.systems[-1] and end >= spans[-1][1]
                    times = self._as_elsewhere(start, end, final, bool(struck))
                    if not times and not struck:
                        continue
                bar = self._bar_for(start, opening, number, times, system[0].line)
                number = None
            # Signs may stand a column before their marks throughout a bar, or after them.
            bar.endings = next((e for c, e in endings if start - 2 <= c < end), bar.endings)
            self._say_shifted([column for column, _ in struck], times, line)
            early = bool(times) and min((c for c, _ in struck), default=start) < min(times)
            for column, group in struck:
                at = float(column - start)
                if marks is not None:
                    at = self._beat_at(column, times, system[group[0][0] - 1].line, early)
                digits = fingers.get(column, "")
                for (string, sign), finger in zip(group, _per_note(digits, group), strict=True):
                    hit = TabNote(at, string, sign, system[string - 1].line, finger)
                    hit.palm_mute = any(a <= sign.column < b for a, b in around.palm)
                    hit.let_ring = any(a <= sign.column < b for a, b in around.ring)
                    hit.stroke = strokes.get(column)
                    bar.hits.append(hit)
                    # A text stands at the first note at or after its column.
                    while texts and texts[0][0] <= sign.column + slack:
                        self.texts.append(texts.pop(0)[1])
                    hit.marks, self.texts = self.texts, []
            for column, text in chords:
                if start <= column < end and _CHORD.match(text):
                    at = float(column - start) if marks is None else self._nearest(column, times)
                    bar.chords.append((at, text))
            if closing is not None:
                self._close(bar, closing, chords, system if closing is bars[-1] else [])
        self.texts += [mark for _, mark in texts]
        whole = max((row.times for row in system), default=0)
        if whole > 1 and len(self.found) > before and not (bars and bars[-1].closes):
            self._play_again(whole, before, system)

    def _play_again(self, times: int, first: int, system: list[StringLine]) -> None:
        """Repeat the bars up to an ``x2`` after a system, the first of whose bars is ``first``.

        They begin at the repeat sign that waits for its end, or where the system does.
        """
        closed = max((k for k, bar in enumerate(self.found) if bar.times), default=-1)
        opened = [k for k, bar in enumerate(self.found) if bar.opens and k > closed]
        begin = opened[-1] if opened else max(first, closed + 1)
        if begin == len(self.found):
            return
        self.found[begin].opens = True
        self.found[-1].times = times
        if begin and not opened and begin > closed + 1:
            line = next(row.line for row in system if row.times)
            self.remarks.append(
                Remark("tab-line-repeated", {"line": line + 1, "times": times, "bar": begin + 1})
            )

    def _endings(
        self, system: list[StringLine], used: set[int]
    ) -> list[tuple[int, tuple[int, ...]]]:
        """Columns at which first and second endings begin: ``|1.-----|2.---``, ``1st``.

        The lines that tell them are ``used``.
        """
        found = []
        for line in self._above(system):
            text = self.lines[line]
            chords = [token for token in text.split() if _is_chord((0, token))]
            if all(t in chords or _ENDING_TOKEN.fullmatch(t) for t in text.split()):
                for match in _ENDING.finditer(text):
                    passes = tuple(int(n) for n in re.findall(r"\d", match[1]))
                    found.append((match.start(1), passes))
                    used |= set() if chords else {line}
        return sorted(found)

    def _learn(
        self, system: list[StringLine], bars: list[Bar], count: tuple[int, list[_Mark]]
    ) -> None:
        """Keep where the beats of a system's counted bars stand."""
        line, marks = count
        for start, end, _, _ in _spans(system, bars):
            inside = [(c, t) for c, t in marks if start <= c < end]
            if inside and inside[0][1] == "1":
                times = self._mark_times(inside, line)
                self.learnt.append((end - start, {c - start: t for c, t in times.items()}))

    def _as_elsewhere(self, start: int, end: int, final: bool, struck: bool) -> dict[int, float]:
        """Places of the beats of a bar without a count: those of the counted bar most like it."""
        if not self.learnt:
            return {}
        width = end - start
        like, times = min(self.learnt, key=lambda known: abs(known[0] - width))
        narrow = width < _NARROW_SHARE * like
        if narrow and not struck:
            return {}
        if narrow and not self.found:  # a pickup ends where a bar does
            late = {c + width - like: t for c, t in times.items() if c + width >= like}
            first = min((t for t in late.values() if t == int(t)), default=0.0)
            return {start + c: t for c, t in late.items() if t >= first}
        if abs(width - like) <= 1 or (narrow and final):
            return {start + c: t for c, t in times.items() if c < width}
        return {start + c * width // like: t for c, t in times.items()}

    def _bar_for(
        self,
        start: int,
        opening: Bar | None,
        number: int | None,
        times: dict[int, float],
        line: int,
    ) -> TabBar:
        """The bar that begins at ``start``, or the one that a line break cut in two."""
        if self.open_bar is not None and opening is None:
            bar = self.open_bar
        else:
            following = self.found[-1].number + 1 if self.found else 1
            bar = TabBar(number if number is not None else following, 0.0, line)
            bar.first_beat = int(min(times.values(), default=0.0))
            bar.opens = opening is not None and opening.opens
            self.found.append(bar)
        bar.length = max([bar.length, *(int(t) + 1 for t in times.values())])
        self.open_bar = bar
        return bar

    def _close(
        self, bar: TabBar, closing: Bar, chords: list[_Mark], system: list[StringLine]
    ) -> None:
        self.open_bar = None
        if not closing.closes:
            return
        bar.times = 2
        for column, text in chords:
            if (match := _TIMES.match(text)) and abs(column - closing.column) <= 2:
                bar.times = int(match[1])
        bar.times = max([bar.times, *(row.times for row in system)])

    def _mark_times(self, marks: list[_Mark], line: int) -> dict[int, float]:
        """Column of each mark of one bar -> beats from the bar's start."""
        times: dict[int, float] = {}
        if not marks:
            return times
        beats = [i for i, (_, text) in enumerate(marks) if text.isdigit()]
        if not beats or beats[0] != 0:
            raise refuse(
                self.name, line, f"{marks[0][1]!r} at column {marks[0][0] + 1}", "the beat's number"
            )
        for i, j in zip(beats, [*beats[1:], len(marks)], strict=True):
            beat = int(marks[i][1]) - 1
            last = int(max(times.values(), default=beat - 1))
            if beat != last + 1 if self.head.own else beat <= last and i > 0:
                raise refuse(
                    self.name,
                    line,
                    f"beat {beat + 1} at column {marks[i][0] + 1}",
                    f"beat {last + 2}",
                )
            times[marks[i][0]] = float(beat)
            between = marks[i + 1 : j]
            by_name = all(text in _NAMED for _, text in between)
            for k, (column, text) in enumerate(between, 1):
                share = _NAMED[text] if by_name else k / (len(between) + 1)
                times[column] = beat + share
        return times

    def _beat_at(self, column: int, times: dict[int, float], line: int, early: bool) -> float:
        if column in times:
            return times[column]
        if self.head.own:
            raise refuse(
                self.name,
                line,
                f"a fret at column {column + 1}",
                "it over one of the places of the count",
            )
        if not times:
            raise refuse(self.name, line, "a bar without a count", "beats under it, 1 & 2 &")
        near = min(times, key=lambda c: (abs(c - column), -c if early else c))
        if abs(near - column) <= 1:
            return times[near]
        # Between two marks the columns share the time; thirds and quarters are what is meant.
        left = max((c for c in times if c < column), default=None)
        right = min((c for c in times if c > column), default=None)
        if left is None:
            return times[near]
        to = times[right] if right is not None else float(int(times[left]) + 1)
        wide = (right - left) if right is not None else max(4, column - left + 1)
        share = times[left] + (to - times[left]) * (column - left) / wide
        return round(share * 4) / 4 if abs(share * 4 % 1 - 0.5) > 0.2 else round(share * 12) / 12

    def _say_shifted(self, columns: list[int], times: dict[int, float], line: int) -> None:
        """Remark, once, on a count line that stands one column beside its frets."""
        beside = all(min(abs(column - c) for c in times) == 1 for column in columns if times)
        told = any(remark.kind == "count-shifted" for remark in self.remarks)
        if times and len(columns) > 1 and beside and not self.head.own and not told:
            self.remarks.append(Remark("count-shifted", {"line": line + 1}))

    def _nearest(self, column: int, times: dict[int, float]) -> float:
        if not times:
            return 0.0
        return times[min(times, key=lambda c: (abs(c - column), c))]


_ENDING_TOKEN = re.compile(r"[|\d.,_\-stndrh]+")
_ENDING = re.compile(r"(?<!\d)([1-9](?:,[1-9])*)(?:\.|st|nd|rd|th|(?=[_-]))")


def _is_chord(mark: _Mark) -> bool:
    text = mark[1]
    return bool(_CHORD.match(text) or _TIMES.match(text) or text in ("N.C.", "NC"))


def _is_words(text: str) -> bool:
    """Whether a line under the strings is words to keep, and no count or remark on repeats."""
    letters = sum(c.isalpha() for c in text)
    good = letters >= 3 and letters >= 0.5 * len(text.replace(" ", ""))
    if all(_is_chord((0, token)) for token in text.split()):
        return False
    return good and not _AGAIN.search(text) and is_section(text) is None


def _tokens(line: str) -> list[_Mark]:
    return [(m.start(), m.group()) for m in re.finditer(r"\S+", line)]


def _per_note(digits: str, group: list[tuple[int, Sign]]) -> list[int | None]:
    """Finger of each note of a column: digits are written from the lowest string up."""
    if len(digits) != len(group):
        return [None] * len(group)
    order = sorted(range(len(group)), key=lambda i: -group[i][0])
    found: list[int | None] = [None] * len(group)
    for digit, i in zip(digits, order, strict=True):
        found[i] = int(digit) if digit in "01234" else None
    return found


_Span = tuple[int, int, Bar | None, Bar | None]


def _at_bar_starts(
    texts: list[tuple[int, Mark]], spans: list[_Span], struck: set[int]
) -> list[tuple[int, Mark]]:
    """``texts`` with the first chord of a bar over its first note, if it stands near that.

    People write the name over about the first beat. A quarter of the bar counts as that.
    """
    moved = {}
    for start, end, _, _ in spans:
        first = min((column for column in struck if start <= column < end), default=None)
        mine = [c for c, mark in texts if mark.kind == "chord" and start <= c < end]
        if first is not None and mine and first < min(mine) < start + (end - start) / 4:
            moved[min(mine)] = first
    return [(moved.get(c, c) if m.kind == "chord" else c, m) for c, m in texts]


def _spans(system: list[StringLine], bars: list[Bar]) -> list[_Span]:
    """(start, end, opening bar line, closing bar line) of each stretch between bar lines."""
    start = min(row.start for row in system)
    end = max(row.end for row in system)
    edges: list[tuple[int, int, Bar | None]] = [(start, start, None)]
    edges += [(bar.column, bar.end, bar) for bar in bars]
    edges.append((end, end, None))
    spans = []
    for (_, after, opening), (before, _, closing) in itertools.pairwise(edges):
        if before > after:
            spans.append((after, before, opening, closing))
    return spans
