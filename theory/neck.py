"""A mode on the neck, as text and as SVG: along one string, and in one position.

Conventions: string 1 is the highest-sounding string; frets count from the capo. A picture of the
neck has string 1 on top and the nut on the left, as tablature does. The tonic and the deciding
degrees (those that tell the mode from its neighbours on the same tonic) are marked by brackets in
text and by shape in SVG, so nothing depends on colour: a square is the tonic, a diamond a
deciding degree, a circle any other.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from xml.sax.saxutils import escape

from theory.errors import TheoryError
from theory.modes import Mode
from theory.scales import MODES, degree_label
from theory.shapes import check_neck, fret_mm

__all__ = [
    "NeckNote",
    "deciding_degrees",
    "neck_svg",
    "neck_text",
    "scale_in_position",
    "scale_on_string",
]


@dataclass(frozen=True, slots=True)
class NeckNote:
    """One note of the mode on the neck. ``mark`` is ``tonic``, ``deciding`` or ``plain``."""

    string: int
    fret: int
    pitch_midi: int
    note: str
    degree: str
    mark: str


def deciding_degrees(name: str) -> tuple[str, ...]:
    """Degrees that tell a mode from its neighbours: same kind of third, one note changed.

    >>> deciding_degrees("mixolydian"), deciding_degrees("dorian")
    (('b7',), ('6',))
    """
    shape = MODES[name]
    own = set(shape.semitones)
    found = set()
    for other in MODES.values():
        theirs = set(other.semitones)
        near = len(theirs) == len(own) and other.third == shape.third
        # Harmonic and melodic minor are told from the seven modes, not the other way round.
        if shape.parent == "major" and other.parent != "major":
            continue
        if near and len(own - theirs) == 1:
            found |= own - theirs
    if not found:  # a scale of five or six notes is told by its third and seventh
        found = {s for s, n in zip(shape.semitones, shape.numbers, strict=True) if n in (3, 7)}
    if name == "blues":
        found.add(6)
    return tuple(degree_label(s, name) for s in shape.semitones if s in found)


def scale_on_string(
    mode: Mode,
    *,
    string: int,
    open_midi: Iterable[int] = (64, 59, 55, 50, 45, 40),
    capo: int = 0,
    frets: int = 22,
) -> tuple[NeckNote, ...]:
    """Every note of the mode along one string, from the open string up.

    Raises
    ------
    TheoryError
        If the string is not on the instrument, or the instrument is impossible.
    """
    strings = _checked(open_midi, capo, frets)
    if not 1 <= string <= len(strings):
        raise TheoryError(f"string {string} is not on the instrument; it has 1 to {len(strings)}")
    return tuple(_notes(mode, string, range(0, frets - capo + 1), strings, capo))


_LEAN = 1.1  # in a scale the hand leans out for one note at a time, a little past its span


def scale_in_position(
    mode: Mode,
    *,
    open_midi: Iterable[int] = (64, 59, 55, 50, 45, 40),
    capo: int = 0,
    frets: int = 22,
    scale_length_mm: float = 648.0,
    hand_span_mm: float = 98.0,
) -> tuple[NeckNote, ...]:
    """The mode in one hand position on all strings, the tonic under a low finger.

    The position is the lowest one that reaches every note of the mode from the lowest tonic on
    the two lowest strings; a unison is played once, on the lower string.

    Raises
    ------
    TheoryError
        If the instrument is impossible.
    """
    strings = _checked(open_midi, capo, frets)
    top = frets - capo
    best: tuple[tuple[int, int], tuple[NeckNote, ...]] | None = None
    for low in range(1, max(2, min(top, 13))):
        high = low
        while high < top and (
            fret_mm(high + 1 + capo, scale_length_mm) - fret_mm(low + capo, scale_length_mm)
            <= _LEAN * hand_span_mm
            and high - low < 4
        ):
            high += 1
        window = _position(mode, strings, capo, range(low, high + 1))
        missing = _gaps(mode, window)
        rooted = any(
            n.mark == "tonic" and n.string >= len(strings) - 1 and n.fret <= low + 1 for n in window
        )
        rank = (missing + (0 if rooted else 1), low)
        if best is None or rank < best[0]:
            best = (rank, window)
    assert best is not None
    return best[1]


def _checked(open_midi: Iterable[int], capo: int, frets: int) -> tuple[int, ...]:
    strings = tuple(int(p) for p in open_midi)
    check_neck(strings, capo, frets, 648.0)
    return strings


def _notes(
    mode: Mode, string: int, frets: Iterable[int], strings: tuple[int, ...], capo: int
) -> list[NeckNote]:
    own = set(mode.pitch_classes)
    deciding = set(deciding_degrees(mode.name))
    found = []
    for fret in frets:
        pitch = strings[string - 1] + capo + fret
        if pitch % 12 not in own:
            continue
        degree = mode.degree(pitch)
        mark = "deciding" if degree in deciding else "plain"
        if pitch % 12 == mode.tonic_pc:
            mark = "tonic"
        found.append(NeckNote(string, fret, pitch, mode.spell(pitch), degree, mark))
    return found


def _position(
    mode: Mode, strings: tuple[int, ...], capo: int, frets: range
) -> tuple[NeckNote, ...]:
    found: dict[int, NeckNote] = {}
    for string in range(len(strings), 0, -1):
        for note in _notes(mode, string, frets, strings, capo):
            found.setdefault(note.pitch_midi, note)
    return tuple(found[p] for p in sorted(found))


def _gaps(mode: Mode, window: tuple[NeckNote, ...]) -> int:
    """Notes of the mode that the position skips between its lowest and highest note."""
    if not window:
        return 99
    have = {n.pitch_midi for n in window}
    own = set(mode.pitch_classes)
    return sum(
        p % 12 in own and p not in have
        for p in range(window[0].pitch_midi, window[-1].pitch_midi + 1)
    )


def _cell(note: NeckNote, label: str) -> str:
    text = note.degree if label == "degree" else note.note
    if note.mark == "tonic":
        return f"[{text}]"
    return f"<{text}>" if note.mark == "deciding" else f" {text} "


def neck_text(
    notes: Iterable[NeckNote], *, label: str = "degree", drone_string: int | None = None
) -> str:
    """The notes on a neck of text, string 1 on top; [ ] the tonic, < > a deciding degree.

    ``label`` is ``degree`` or ``note``. A ``drone_string`` that carries no note is drawn open.

    Raises
    ------
    TheoryError
        If there are no notes, or the label is neither of the two.
    """
    placed = _placed(notes, label)
    strings = {n.string for n in placed} | ({drone_string} if drone_string else set())
    frets = _fret_range(placed)
    by_place = {(n.string, n.fret): n for n in placed}
    width = max(len(_cell(n, label)) for n in placed)
    lines = ["      " + "".join(str(f).center(width + 1) for f in frets).rstrip()]
    for string in range(min(strings), max(strings) + 1):
        cells = []
        for fret in frets:
            note = by_place.get((string, fret))
            text = _cell(note, label) if note else ""
            if note is None and string == drone_string and fret == 0:
                text = "(o)"
            cells.append(
                text.strip().center(width, "-" if fret else " ") + ("‖" if fret == 0 else "|")
            )
        lines.append(f"{string:>4}  " + "".join(cells))
    lines.append("      [ ] tonic   < > deciding degree" + ("   (o) drone" if drone_string else ""))
    return "\n".join(lines)


def _placed(notes: Iterable[NeckNote], label: str) -> tuple[NeckNote, ...]:
    placed = tuple(notes)
    if not placed:
        raise TheoryError("there are no notes to draw; give those of scale_on_string")
    if label not in ("degree", "note"):
        raise TheoryError(f"label is {label!r}; use 'degree' or 'note'")
    return placed


def _fret_range(placed: tuple[NeckNote, ...]) -> range:
    low, high = min(n.fret for n in placed), max(n.fret for n in placed)
    return range(0 if low <= 1 else low, high + 1)


_ROW, _COLUMN, _LEFT, _TOP = 30, 44, 40, 40


def neck_svg(
    notes: Iterable[NeckNote],
    *,
    label: str = "degree",
    title: str = "",
    drone_string: int | None = None,
) -> str:
    """The notes on a neck as one SVG picture: square tonic, diamond deciding degree, circle other.

    Raises
    ------
    TheoryError
        As `neck_text`.
    """
    placed = _placed(notes, label)
    named = {n.string for n in placed} | ({drone_string} if drone_string else set())
    strings = range(min(named), max(named) + 1)
    frets = _fret_range(placed)
    width = _LEFT * 2 + _COLUMN * len(frets)
    height = _TOP * 2 + _ROW * max(1, len(strings)) + 24
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" '
        f'width="{width}" height="{height}" role="img" font-family="sans-serif" font-size="12">',
        f"<title>{escape(title or 'Scale on the neck')}</title>",
        f'<rect width="{width}" height="{height}" fill="white"/>',
    ]
    bottom = _TOP + _ROW * (len(strings) - 1)
    for i, fret in enumerate(frets):
        x = _LEFT + _COLUMN * i
        parts.append(
            f'<text x="{x + _COLUMN / 2:g}" y="{_TOP - 18}" text-anchor="middle">{fret}</text>'
        )
        line = x + _COLUMN
        parts.append(
            f'<line x1="{line}" y1="{_TOP - 8}" x2="{line}" y2="{bottom + 8}" stroke="#555" '
            f'stroke-width="{4 if fret == 0 else 1}"/>'
        )
    for i, string in enumerate(strings):
        y = _TOP + _ROW * i
        parts.append(
            f'<line x1="{_LEFT}" y1="{y}" x2="{_LEFT + _COLUMN * len(frets)}" y2="{y}" '
            'stroke="#555"/>'
        )
        parts.append(f'<text x="{_LEFT - 14}" y="{y + 4}" text-anchor="end">{string}</text>')
        if string == drone_string and not any(n.string == string and n.fret == 0 for n in placed):
            parts.append(_mark("drone", _LEFT + _COLUMN / 2, y, "o"))
    for note in placed:
        middle = _LEFT + _COLUMN * (note.fret - frets[0] + 0.5)
        y = _TOP + _ROW * (note.string - strings[0])
        parts.append(_mark(note.mark, middle, y, note.degree if label == "degree" else note.note))
    parts.append(
        f'<text x="{_LEFT}" y="{height - 14}">square: tonic   diamond: deciding degree   '
        "circle: other notes of the mode</text>"
    )
    parts.append("</svg>")
    return "\n".join(parts)


def _mark(kind: str, x: float, y: float, text: str) -> str:
    r = 12.0
    if kind == "tonic":
        shape = f'<rect x="{x - r:g}" y="{y - r:g}" width="{2 * r:g}" height="{2 * r:g}" '
        fill, ink = "#222", "white"
    elif kind == "deciding":
        d = r + 3.0
        points = f"{x:g},{y - d:g} {x + d:g},{y:g} {x:g},{y + d:g} {x - d:g},{y:g}"
        shape = f'<polygon points="{points}" '
        fill, ink = "#f2f2f2", "black"
    else:
        shape = f'<circle cx="{x:g}" cy="{y:g}" r="{r:g}" '
        fill, ink = "white", "black"
    return (
        f'<g>{shape}fill="{fill}" stroke="#222" stroke-width="1.5"/>'
        f'<text x="{x:g}" y="{y + 4:g}" text-anchor="middle" fill="{ink}">{escape(text)}</text></g>'
    )
