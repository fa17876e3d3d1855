"""The lines of a text tab: which of them are strings, and what signs stand on each.

Tabs as people write them are met here: names before the strings in either case or none, bars
drawn with ``|`` or not at all, dashes of any kind, numbers of two digits, techniques as letters,
repeats, and prose between the systems. What cannot be read is refused with its file, line and
what was expected there.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

from transcribe.core.errors import FormatError
from transcribe.core.instrument import TUNINGS
from transcribe.core.pitch import pitch_name
from transcribe.core.riff import Remark
from transcribe.formats.tab.names import classes_of, is_known, strings_called, tuning_classes

__all__ = [
    "Bar",
    "Sign",
    "StringLine",
    "check_columns",
    "columns_of",
    "find_own_systems",
    "find_systems",
    "has_strings",
    "plain_lines",
    "read_signs",
    "refuse",
    "string_line",
]

_DASHES = str.maketrans(dict.fromkeys("‐‑‒–—―─━−﹣－¯", "-") | dict.fromkeys("│┃¦❘｜", "|"))
_NAME = re.compile(
    r"^\s*(?:(?P<name>[A-Ha-h][#b♯♭]?)(?P<octave>\d(?=\s*[|:]))?\s*(?=[|:-]|\d{1,2}-)"
    r"|(?=[|\d-]))"
)
_SIGNS = set("0123456789-|:*hHpPbBrRxXtTsSoO/\\~()<>[]{}^=.vV ")
_MAX_LINES = 20_000


def refuse(name: str, line: int, found: str, expected: str) -> FormatError:
    """The error for line ``line`` (from 0) of the tab ``name``."""
    return FormatError(f"{name}:{line + 1}: found {found}, expected {expected}")


@dataclass(slots=True)
class Sign:
    """A note on a string line: ``column`` of its fret's first character, ``end`` after it.

    ``fret`` is None for a dead note. ``before`` is the technique that leads to it, ``after`` what
    is done to it, both by their letters.
    """

    column: int
    end: int
    fret: int | None
    before: str = ""
    after: str = ""
    bend_to: int | None = None
    released: bool = False
    soft: bool = False  # in brackets: struck softly or held over


@dataclass(slots=True)
class Bar:
    """A bar line at ``column``; ``opens`` and ``closes`` a repeat.

    ``start`` is the column of the sign before it that closes the repeat, or its own.
    """

    start: int
    column: int
    end: int
    opens: bool = False
    closes: bool = False


@dataclass(slots=True)
class StringLine:
    """One string's line of a system."""

    line: int
    name: str  # as written, empty where there is none
    octave: int | None
    start: int  # column of the body
    end: int
    signs: list[Sign] = field(default_factory=list)
    bars: list[Bar] = field(default_factory=list)
    times: int = 0  # a trailing ``x2``
    number: int | None = None  # of the string, where its line is labelled by one


def plain_lines(text: str) -> list[str]:
    """The lines of a tab with tabs expanded and all kinds of dashes and bars made plain."""
    lines = [
        line.expandtabs(8).rstrip() for line in text.translate(_DASHES).splitlines()[:_MAX_LINES]
    ]
    # Tabs that are quoted in a message.
    quoted = [bool(line.startswith(">")) for line in lines if line]
    if sum(quoted) > len(quoted) // 2:
        lines = [_QUOTED.sub("", line) for line in lines]
    return lines


_QUOTED = re.compile(r"^(?:> ?)+")


def find_systems(
    lines: list[str],
    name: str,
    *,
    strings: int | None = None,
    likely: Sequence[tuple[int, ...]] = (),
) -> list[list[StringLine]]:
    """Systems of string lines, each with the same number of strings, signs not yet read.

    ``strings`` is how many there are where a header tells it. Lines that are named after some
    strings of a ``likely`` tuning (pitch classes, string 1 first) are those strings, and the
    others stand empty between them.

    Raises
    ------
    FormatError
        If there is no tab in ``lines``, or a system lacks a string.
    """
    kept = _string_lines(lines, strings)
    if not kept:
        raise refuse(name, 0, "no lines of strings", "a tab such as e|--0--2--| for each string")
    if (systems := _by_name(kept, likely)) is not None:
        return systems
    count = strings or _count_strings(kept)
    if (period := _period(kept)) and (strings is None or period == strings):
        systems = [kept[i : i + period] for i in range(0, len(kept), period)]
        return systems
    systems = []
    for run in _runs(kept):
        if len(run) % count:
            plural = "line" if len(run) == 1 else "lines"
            raise refuse(
                name,
                run[-1].line,
                f"{len(run)} string {plural} together",
                f"{count}, one for each string",
            )
        systems += [run[i : i + count] for i in range(0, len(run), count)]
    return systems


def has_strings(lines: list[str]) -> bool:
    """Whether any of the lines of a text are strings of a tab."""
    return bool(_string_lines(lines, None))


def _string_lines(lines: list[str], strings: int | None) -> list[StringLine]:
    numbers = _numbers(lines)
    found = []
    for i, line in enumerate(lines):
        label = numbers.get(i)
        if label is not None:
            line = _NUMBER.sub(lambda match: " " * len(match[0]), line)
        row = string_line(i, line, labelled=label is not None)
        if row is not None:
            row.number = label
            found.append(row)
    runs = _runs(found)
    # A lone rule of dashes between paragraphs is no string, and tabs have three strings or more.
    return [
        row
        for run in runs
        for row in run
        if row.name or row.number or len(run) >= 3 or strings == len(run)
    ]


_NUMBER = re.compile(r"^\s*([1-9])(?:[):\].]|(?=\s*\|)|(?=\s+-))")


def _numbers(lines: list[str]) -> dict[int, int]:
    """Line -> the number that labels its string: lines that count from 1 up or down to it."""
    found: dict[int, int] = {}
    run: list[int] = []
    for i, line in enumerate([*lines, ""]):
        match = _NUMBER.match(line)
        number = int(match[1]) if match else 0
        follows = (
            run
            and abs(number - run[-1]) == 1
            and (len(run) < 2 or number - run[-1] == run[-1] - run[-2])
        )
        if not (number and follows):
            if len(run) >= 3 and 1 in (run[0], run[-1]):
                found |= {i - len(run) + k: label for k, label in enumerate(run)}
            run = []
        if number:
            run.append(number)
    return found


def find_own_systems(lines: list[str], name: str, names: tuple[str, ...]) -> list[list[StringLine]]:
    """Systems of one of the project's own tabs, whose strings are called ``names``.

    Raises
    ------
    FormatError
        If a line that should be a string is not, or there is no system.
    """
    systems: list[list[StringLine]] = []
    at = 0
    while at < len(lines):
        if _OWN_LINE.match(lines[at]) is None:
            at += 1
            continue
        system = []
        for offset, called in enumerate(names):
            line = lines[at + offset] if at + offset < len(lines) else ""
            match = _OWN_LINE.match(line)
            if match is None or match[1].lower() != called.lower():
                start = repr(line[:8]) if line.strip() else "an empty line"
                raise refuse(name, at + offset, start, f"string {offset + 1}, {called} |")
            system.append(StringLine(at + offset, match[1], None, match.end(), len(line)))
            # The bar line that opens a system is one of its bar lines.
            system[-1].start -= match[0].endswith("|")
        systems.append(system)
        at += len(names)
    if not systems:
        raise refuse(
            name, len(lines) - 1, "no lines of strings", f"a system from {names[0]} | down"
        )
    return systems


_OWN_LINE = re.compile(r"^([A-Ga-g][#b]?) *[|:]")


def string_line(index: int, line: str, *, labelled: bool = False) -> StringLine | None:
    """``line`` as the string line number ``index``, signs not yet read; None if it is none.

    ``labelled`` says that a number before the line, which is taken away, named the string.
    """
    if _ENDINGS.match(line):
        return None
    match = _NAME.match(line)
    if match is None:
        return None
    start = match.end()
    if line[start : start + 1] == ":" and line[start + 1 : start + 2] != "|":
        start += 1  # a colon that only parts the name from the string
    body = line[start:]
    plain = _BEND_WORDS.sub("", body)
    dashes = plain.count("-") + plain.count("=")
    signs = len(body) - len(plain) + sum(c in _SIGNS for c in plain)
    # A line may be full of dead notes, or of one long vibrato.
    filled = dashes + sum(c.isdigit() or c in "xX~" for c in body)
    if signs < 0.8 * len(body) or filled < 0.4 * len(body):
        return None
    called = labelled or match["name"] is not None
    named = called and body.startswith("|")
    if dashes < (1 if named else 2 if called else 4):
        return None
    octave = int(match["octave"]) if match["octave"] else None
    row = StringLine(index, match["name"] or "", octave, start, len(line))
    # What follows the last bar line after a space is a remark, a number of repeats among them.
    last = line.rfind("|")
    if last > start and (tail := line[last + 1 :]) and "-" not in tail:
        if times := re.search(r"[xX×]\s*(\d{1,2})|(\d{1,2})\s*[xX×]", tail):
            row.times = int(times[1] or times[2])
        if tail[0] == " " or row.times:
            row.end = last + 1
    return row


_ENDINGS = re.compile(r"^[\s|]*[1-9](?:,[1-9])*\.[\s|_\-\d.,]*$")
_BEND_WORDS = re.compile(r"(?<=[bB^])(?:full|½|1/2)", re.I)


def _runs(rows: list[StringLine]) -> list[list[StringLine]]:
    runs: list[list[StringLine]] = []
    for row in rows:
        if runs and runs[-1][-1].line == row.line - 1:
            runs[-1].append(row)
        else:
            runs.append([row])
    return runs


def _count_strings(rows: list[StringLine]) -> int:
    lengths = [len(run) for run in _runs(rows)]
    if all(length % 6 == 0 for length in lengths):
        return 6
    return Counter(lengths).most_common(1)[0][0]


def _period(rows: list[StringLine]) -> int | None:
    """Number of strings by the names before the lines, where they come round and round."""
    if any(not (row.name or row.number) for row in rows):
        return None
    # Case tells the highest E from the lowest, but nobody keeps to it throughout.
    names = [row.name.lower() or str(row.number) for row in rows]
    for period in range(3, min(12, len(names)) + 1):
        if len(names) % period == 0 and all(n == names[i % period] for i, n in enumerate(names)):
            return period
    return None


def _by_name(
    rows: list[StringLine], likely: Sequence[tuple[int, ...]]
) -> list[list[StringLine]] | None:
    """Systems, string 1 first, of lines whose names are some of a tuning's strings; else None."""
    classes = classes_of([row.name for row in rows])
    if classes is None or any(row.octave is not None for row in rows):
        return None
    if (period := _period(rows)) and is_known(classes[:period]):
        return None
    at = {row.line: c for row, c in zip(rows, classes, strict=True)}
    runs = _runs(rows)
    bass = tuning_classes(TUNINGS["bass"])
    if any(tuple(at[row.line] for row in run) == bass for run in runs):
        likely = [bass, *likely]
    for tuning in likely:
        for order in (1, -1):
            found = [_filled(run[::order], at, tuning) for run in runs]
            if None not in found:
                whole = [systems or [] for systems in found]
                return [system for systems in whole for system in systems[::order]]
    return None


def _filled(
    run: list[StringLine], at: dict[int, int], tuning: tuple[int, ...]
) -> list[list[StringLine]] | None:
    """The systems of adjacent lines, with the strings of ``tuning`` that they leave out."""
    classes = [at[row.line] for row in run]
    for count in range(len(run), 0, -1):
        if len(run) % count or any(c != classes[i % count] for i, c in enumerate(classes)):
            continue
        low = run[0].name.isupper()
        called = strings_called(classes[:count], tuning, low=low)
        if called is None:
            continue
        systems = []
        for first in range(0, len(run), count):
            some = dict(zip(called, run[first : first + count], strict=True))
            near = run[first]
            system = []
            for string, pitch in enumerate(tuning):
                near = some.get(string, near)
                empty = StringLine(near.line, pitch_name(pitch)[:-2], None, near.start, near.start)
                system.append(some.get(string, empty))
            systems.append(system)
        return systems
    return None


# Signs -------------------------------------------------------------------------------------


def read_signs(row: StringLine, line: str, name: str) -> None:
    """Fill ``row`` with the signs and bar lines of ``line``.

    Raises
    ------
    FormatError
        If a character has no meaning in a tab, a number is no fret, or a bracket is not closed.
    """
    text = line[: row.end]
    at = row.start
    pending = ""
    while at < row.end:
        char = text[at]
        if char == "|" or (char in ":*oO" and _beside_bar(text, at, row)):
            at = _read_bar(row, text, at)
            continue
        if match := _NOTE.match(text, at, row.end):
            at, pending = _read_note(row, text, match, pending, name)
            continue
        if char in "-= .":
            at += 1
            continue
        last = row.signs[-1] if row.signs else None
        touching = last is not None and last.end == at
        if char in "~vV" and last is not None:
            last.after = last.after or "~"
            last.end = at + 1 if touching else last.end
        elif char in "bB^" and touching and last is not None:
            at = _read_bend(last, text, at, row, name)
            continue
        elif char == "*" and touching and last is not None:
            last.after, last.end = "*", at + 1
        elif char in _LEADS:
            pending = _LEADS[char]
            at += text[at : at + 2].lower() == "tr"  # a trill is hammered on
        else:
            raise refuse(
                name,
                row.line,
                f"{char!r} at column {at + 1}",
                "a fret, one of h p / \\ b ~ x < >, a dash or a bar line",
            )
        at += 1


_NOTE = re.compile(
    r"(?P<fret>\d+)|(?P<dead>[xX])|[<\[](?P<harmonic>\d+)[>\]]|[({](?P<soft>\d+|[xX])[)}]"
)
_LEADS = dict(zip("hHpP/\\sStT", "hhpp/\\sstt", strict=True))


def _beside_bar(text: str, at: int, row: StringLine) -> bool:
    before = at > 0 and text[at - 1] == "|"
    after = at + 1 < row.end and text[at + 1] == "|"
    return before or after


def _read_bar(row: StringLine, text: str, at: int) -> int:
    match = _BAR.match(text, at, row.end)
    assert match is not None  # _beside_bar saw a bar line here
    line = match.start(2)
    bar = Bar(match.start(), line, match.end(), opens=bool(match[3]), closes=bool(match[1]))
    row.bars.append(bar)
    return match.end()


_BAR = re.compile(r"([:*oO]?)(\|+)([:*oO]?)")


def _read_note(
    row: StringLine, text: str, match: re.Match[str], pending: str, name: str
) -> tuple[int, str]:
    digits = match["fret"] or match["harmonic"] or match["soft"] or "x"
    if len(digits) > 2:
        raise refuse(
            name,
            row.line,
            f"{digits!r} at column {match.start() + 1}",
            "a fret of one or two digits",
        )
    fret = int(digits) if digits.isdigit() else None
    first = match.start() + (0 if match["fret"] or match["dead"] else 1)
    sign = Sign(first, match.end(), fret, before=pending)
    if match["harmonic"]:
        sign.after = "*"
    sign.soft = match["soft"] is not None
    row.signs.append(sign)
    return match.end(), ""


def _read_bend(last: Sign, text: str, at: int, row: StringLine, name: str) -> int:
    """``7b``, ``7b9``, ``7b(9)``, ``7bfull``, ``7b1/2`` and each with ``r7`` after it."""
    match = _BEND.match(text, at, row.end)
    assert match is not None  # it begins with the letter that brought us here
    last.after = "b"
    target = match["fret"] or match["round"]
    if match["step"] is not None and last.fret is not None:
        last.bend_to = last.fret + (2 if match["step"].lower() == "full" else 1)
    elif target is not None:
        if last.fret is None or not last.fret < int(target) <= last.fret + 5:
            raise refuse(
                name,
                row.line,
                f"a bend to {target} at column {at + 1}",
                "the fret whose pitch it reaches, one to five above",
            )
        last.bend_to = int(target)
    last.released = match["back"] is not None
    last.end = match.end()
    return match.end()


_BEND = re.compile(
    r"[bB^](?:(?P<step>full|½|1/2)|(?P<fret>\d{1,2})|\((?P<round>\d{1,2})\))?"
    r"(?P<back>[rR](?:\d{1,2}|\(\d{1,2}\))?)?",
    re.I,
)


def check_columns(
    system: list[StringLine], name: str, *, strict: bool, moved: list[Remark] | None = None
) -> list[Bar]:
    """Bring the bar lines of a system's strings under one another; returns the bar lines.

    With ``strict`` every line must be as long as the first and its bar lines at the same columns;
    else a line may be up to four columns off at a bar line, and is moved there; ``moved`` takes a
    remark on each line that is off by more than one.

    Raises
    ------
    FormatError
        If the bar lines do not match.
    """
    model = next((row for row in system if row.bars), system[0])
    for row in system:
        # Names before the strings may be of different lengths; the music begins together.
        _shift(row, model.start - row.start)
    for row in system:
        if strict and row.end != system[0].end:
            raise refuse(
                name,
                row.line,
                f"{row.end} columns",
                f"{system[0].end}, as in line {system[0].line + 1}",
            )
        if not row.bars and not strict:
            continue
        if len(row.bars) != len(model.bars):
            raise refuse(
                name,
                row.line,
                f"{len(row.bars)} bar lines",
                f"{len(model.bars)}, as in line {model.line + 1}",
            )
        for bar, reference in zip(row.bars, model.bars, strict=True):
            off = bar.column - reference.column
            if off and (strict or abs(off) > _MAX_OFF_COLUMNS):
                raise refuse(
                    name,
                    row.line,
                    f"a bar line at column {bar.column + 1}",
                    f"it at column {reference.column + 1}, as in line {model.line + 1}",
                )
        offs = [b.column - m.column for b, m in zip(row.bars, model.bars, strict=True)]
        if moved is not None and (most := max(map(abs, offs), default=0)) > 1:
            moved.append(Remark("bar-lines-moved", {"line": row.line + 1, "columns": most}))
        _move(row, model)
    bars = []
    for i, bar in enumerate(model.bars):
        rows = [row.bars[i] for row in system if row.bars]
        opens, closes = any(b.opens for b in rows), any(b.closes for b in rows)
        bars.append(Bar(bar.start, bar.column, bar.end, opens, closes))
    return bars


_MAX_OFF_COLUMNS = 4  # columns


def _shift(row: StringLine, columns: int) -> None:
    row.start += columns
    row.end += columns
    for sign in row.signs:
        sign.column += columns
        sign.end += columns
    for bar in row.bars:
        bar.start += columns
        bar.column += columns
        bar.end += columns


def _move(row: StringLine, model: StringLine) -> None:
    shifts = [
        (bar.column, ref.column - bar.column) for bar, ref in zip(row.bars, model.bars, strict=True)
    ]
    for sign in row.signs:
        shift = next((s for column, s in reversed(shifts) if column < sign.column), 0)
        sign.column += shift
        sign.end += shift


def columns_of(system: list[StringLine]) -> list[tuple[int, list[tuple[int, Sign]]]]:
    """(column, [(string, sign)]) of a system's signs; signs that overlap sound together."""
    signs = sorted(
        ((sign.column, string, sign) for string, row in enumerate(system, 1) for sign in row.signs),
        key=lambda s: (s[0], s[1]),
    )
    groups: list[tuple[int, list[tuple[int, Sign]]]] = []
    reach = -1
    for column, string, sign in signs:
        width = len(str(sign.fret)) if sign.fret is not None else 1
        apart = column >= reach or any(string == s for s, _ in groups[-1][1])
        if not groups or apart:
            groups.append((column, []))
            reach = column + width
        groups[-1][1].append((string, sign))
        reach = max(reach, column + width)
    return groups
