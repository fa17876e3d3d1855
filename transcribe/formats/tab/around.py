"""What stands around the strings of a tab: palm mutes, let ring, strokes, sections and words.

Read and written here, so that both agree. Above the strings stand sections (``[Verse]``), palm
mutes (``PM---``) and notes left to ring (``LR---``), each over the columns of its notes; under
them strokes (``d`` down, ``u`` up) and words, which begin with a quotation mark in the project's
own tabs. People write the same in more ways.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from transcribe.core.riff import Mark, Note

__all__ = ["Around", "is_section", "read_around", "rows_around"]

_DASHES = r"(?: ?[-._~>])*\|?"
_PALM = re.compile(rf"(?<![A-Za-z])P\.?M\.?(?![A-Za-z]){_DASHES}")
_RING = re.compile(rf"(?i)\blet ring\b{_DASHES}|(?<![A-Za-z])L\.?R\.?(?![A-Za-z]){_DASHES}")
_DOWN, _UP = "dD↓⊓", "uU↑∨vV^"
_PLAIN_STROKES = set("du↓↑")
_STROKES: dict[str, Literal["down", "up"]] = {
    **dict.fromkeys(_DOWN, "down"),
    **dict.fromkeys(_UP, "up"),
}
_PARTS = (
    "intro|verse|pre-?chorus|chorus|bridge|solo|outro|interlude|refrain|coda|ending|hook|"
    "break(?:down)?|fill|theme|head|turnaround|vamp|(?:main |first |second )?riff|part|section"
)
_SECTION = re.compile(
    r"^\W{0,8}?(?:\[(?P<in>[^\]|\d][^\]|]{0,40})\]|"
    rf"(?P<bare>(?:{_PARTS})(?: (?:\d{{1,2}}|[A-H]))?))"
    r"\s*:?\s*(?:\(?(?:[x×] ?\d{1,2}|\d{1,2} ?[x×])\)?\W{0,8}|\W{0,8}"
    r"|\((?P<remark>[^()]+)\)\W{0,8}|(?<=:)\s+(?P<words>\w.*))$",
    re.I,
)
_OWN_SECTION = re.compile(r"\[([^\]]+)\]")
_OWN_STROKES = re.compile(r"^s(?= )")
_OWN_WORDS = re.compile(r'^ *"(.*?)"?$')


@dataclass(slots=True)
class Around:
    """What stands around one system; spans are of columns, the end not in them."""

    palm: list[tuple[int, int]] = field(default_factory=list)
    ring: list[tuple[int, int]] = field(default_factory=list)
    strokes: dict[int, Literal["down", "up"]] = field(default_factory=dict)
    texts: list[tuple[int, Mark]] = field(default_factory=list)
    lines: set[int] = field(default_factory=set)

    def strokes_at(self, columns: Sequence[int]) -> dict[int, Literal["down", "up"]]:
        """The strokes by the columns of notes, each at the nearest one, at most two away."""
        found = {}
        for column, stroke in self.strokes.items():
            near = min(columns, key=lambda c: abs(c - column), default=column)
            if abs(near - column) <= 2:
                found[near] = stroke
        return found


def is_section(line: str) -> str | None:
    """The name of a section, where a line holds nothing else but words on it."""
    found = _section(line)
    return None if found is None else found[0]


def _section(line: str) -> tuple[str, str] | None:
    """The name of a section, and the words after it in brackets or after a colon."""
    match = _SECTION.match(line.strip())
    if match is None:
        return None
    name = " ".join((match["in"] or match["bare"]).split())
    return name, (match["remark"] or match["words"] or "").strip()


def read_around(
    lines: Sequence[str],
    above: Sequence[int],
    below: Sequence[int],
    between: Sequence[int],
    own: bool,
) -> Around:
    """Read the lines ``above`` and ``below`` the strings of a system.

    ``between`` are all lines from the system before it, among which people write sections.
    """
    out = Around()
    for line in above:
        _read_spans(lines[line], line, out)
    if own:
        for line in above:
            for match in _OWN_SECTION.finditer(lines[line]):
                out.texts.append((match.start(), Mark("section", match[1])))
                out.lines.add(line)
        for line in below:
            if (words := _OWN_WORDS.match(lines[line])) is not None:
                out.texts.append((words.start(1) - 1, Mark("words", words[1].strip())))
                out.lines.add(line)
            elif _OWN_STROKES.match(lines[line]):
                _read_strokes(lines[line][1:], 1, line, out)
        return out
    for line in between:
        if (section := _section(lines[line])) is not None:
            out.texts.append((0, Mark("section", section[0])))
            if section[1]:
                out.texts.append((0, Mark("words", section[1])))
            out.lines.add(line)
    for line in (*above, *below):
        tokens = lines[line].split()
        kinds = {_STROKES.get(token) for token in tokens}
        if (
            len(tokens) > 1
            and None not in kinds
            and (len(kinds) == 2 or set(tokens) <= _PLAIN_STROKES)
        ):
            _read_strokes(lines[line], 0, line, out)
    for line in below:
        _read_spans(lines[line], line, out)
    return out


def _read_spans(text: str, line: int, out: Around) -> None:
    for pattern, spans in ((_PALM, out.palm), (_RING, out.ring)):
        for match in pattern.finditer(text):
            spans.append((match.start(), match.end()))
            out.lines.add(line)


def _read_strokes(text: str, shift: int, line: int, out: Around) -> None:
    for match in re.finditer(r"\S", text):
        out.strokes[match.start() + shift] = _STROKES[match[0]]
    out.lines.add(line)


# Writing -----------------------------------------------------------------------------------


def rows_around(
    columns: Mapping[int, int],
    notes: Mapping[int, Note],
    marks: Iterable[Mark],
    *,
    chords: bool = False,
) -> tuple[list[str], list[str]]:
    """The lines above and below the strings of a system whose notes stand at ``columns``.

    ``chords`` says whether chord symbols have no row of their own in the system.
    """
    ordered = sorted(((c, notes[i]) for i, c in columns.items()), key=lambda item: item[0])
    placed = sorted(((columns[m.note], m) for m in marks if m.note in columns), key=lambda p: p[0])
    sections = [(c, f"[{m.text}]") for c, m in placed if m.kind == "section"]
    above = _rows(sections)
    above += _span_row("PM", [(c, n.palm_mute) for c, n in ordered])
    above += _span_row("LR", [(c, n.let_ring) for c, n in ordered])
    if chords:
        above += _rows([(c, m.text) for c, m in placed if m.kind == "chord"])
    strokes = {c: n.stroke[0] for c, n in ordered if n.stroke is not None}
    below = []
    if strokes:
        row = ["s", *" " * max(strokes)]
        for column, sign in strokes.items():
            row[column] = sign
        below.append("".join(row).rstrip())
    for column, mark in placed:
        if mark.kind == "words":
            below.append(f'{" " * column}"{mark.text}"')
    return above, below


def _rows(texts: list[tuple[int, str]]) -> list[str]:
    """Texts at their columns, on as few lines as hold them."""
    rows: list[str] = []
    for column, text in texts:
        for i, row in enumerate(rows):
            if len(row) < column:
                rows[i] = row.ljust(column) + text
                break
        else:
            rows.append(" " * column + text)
    return rows


def _span_row(label: str, flags: list[tuple[int, bool]]) -> list[str]:
    """One line with ``label---`` over each run of notes that are flagged; none without any."""
    columns: dict[int, bool] = {}
    for column, flag in flags:
        columns[column] = columns.get(column, False) or flag
    row = ""
    for flagged, run in itertools.groupby(sorted(columns.items()), key=lambda item: item[1]):
        held = [column for column, _ in run]
        if flagged:
            row = row.ljust(held[0]) + label.ljust(held[-1] + 1 - held[0], "-")
    return [row] if row else []
