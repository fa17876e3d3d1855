"""A mode on the neck: along one string, in one position, and as text.

Conventions: string 1 is the highest-sounding string; frets count from the capo. The text has
string 1 on top and the nut on the left, as tablature does. Brackets mark the tonic and the
deciding degrees (those that tell the mode from its neighbours on the same tonic).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Unpack

from theory.errors import TheoryError
from theory.modes import Mode
from theory.neck import Neck, NeckOptions
from theory.scales import MODES, degree_label

__all__ = [
    "NeckNote",
    "deciding_degrees",
    "neck_text",
    "scale_in_position",
    "scale_on_string",
]


@dataclass(frozen=True, slots=True)
class NeckNote:
    """One note of the mode at a ``string`` and ``fret``: ``pitch_midi``, name and ``degree``.

    ``mark`` is ``tonic``, ``deciding`` or ``plain``.
    """

    string: int
    fret: int
    pitch_midi: int
    note: str
    degree: str
    mark: str


def deciding_degrees(name: str) -> tuple[str, ...]:
    """Degrees that tell a mode from its neighbours: same kind of third, one note changed.

    Examples
    --------
    >>> deciding_degrees("mixolydian"), deciding_degrees("dorian")
    (('b7',), ('6',))
    """
    shape = MODES[name]
    own = set(shape.semitones)
    found = set()
    for other in MODES.values():
        theirs = set(other.semitones)
        near = len(theirs) == len(own) and other.third == shape.third
        # The seven modes are compared with each other only, not with harmonic and melodic minor.
        if shape.parent == "major" and other.parent != "major":
            continue
        if near and len(own - theirs) == 1:
            found |= own - theirs
    if not found:  # a scale of five or six notes: its third and seventh
        found = {s for s, n in zip(shape.semitones, shape.numbers, strict=True) if n in (3, 7)}
    if name == "blues":
        found.add(6)
    return tuple(degree_label(s, name) for s in shape.semitones if s in found)


def scale_on_string(
    mode: Mode, *, string: int, **neck: Unpack[NeckOptions]
) -> tuple[NeckNote, ...]:
    """Every note of a mode along one string, from the open string up.

    Parameters
    ----------
    mode : Mode
    string : int, 1 to the number of strings
    **neck
        The neck, as for `Neck`.

    Returns
    -------
    tuple of NeckNote
        By rising fret.

    Raises
    ------
    TheoryError
        If the string is not on the instrument, or the neck is impossible.

    Examples
    --------
    >>> from theory import mode_of
    >>> [n.fret for n in scale_on_string(mode_of("D", "mixolydian"), string=3, frets=12)]
    [0, 2, 4, 5, 7, 9, 11, 12]
    """
    on = Neck.of(neck)
    return tuple(_notes(mode, on.checked_string(string), range(on.top_fret + 1), on))


_LEAN_SHARE = 1.1
# In a scale the hand leans out for one note at a time, so far past its span; set by hand.
_MAX_FRETS_ABOVE = 4  # above the lowest fret of the position, one finger a fret and one stretch
_TOP_POSITION = 12  # higher positions repeat those an octave lower


def scale_in_position(mode: Mode, **neck: Unpack[NeckOptions]) -> tuple[NeckNote, ...]:
    """A mode in one hand position on all strings, the tonic under a low finger.

    The position is the lowest one that reaches every note of the mode from the lowest tonic on
    the two lowest strings; a unison is played once, on the lower string.

    Parameters
    ----------
    mode : Mode
    **neck
        The neck and the hand, as for `Neck`.

    Returns
    -------
    tuple of NeckNote
        By rising pitch.

    Raises
    ------
    TheoryError
        If the neck is impossible.

    Examples
    --------
    >>> from theory import mode_of
    >>> min(n.fret for n in scale_in_position(mode_of("A", "minor pentatonic")))
    5
    """
    on = Neck.of(neck)
    positions: list[tuple[int, int, tuple[NeckNote, ...]]] = []
    for low in range(1, max(2, min(on.top_fret, _TOP_POSITION + 1))):
        high = low
        while (
            high < min(on.top_fret, low + _MAX_FRETS_ABOVE)
            and on.apart_mm(low, high + 1) <= _LEAN_SHARE * on.hand_span_mm
        ):
            high += 1
        window = _position(mode, range(low, high + 1), on)
        rooted = any(
            n.mark == "tonic" and n.string >= len(on.open_midi) - 1 and n.fret <= low + 1
            for n in window
        )
        positions.append((_gaps(mode, window) + (not rooted), low, window))
    return min(positions, key=lambda found: found[:2])[2]


def _notes(mode: Mode, string: int, frets: Iterable[int], neck: Neck) -> list[NeckNote]:
    own = set(mode.pitch_classes)
    deciding = set(deciding_degrees(mode.name))
    found = []
    for fret in frets:
        pitch = neck.pitch_midi(string, fret)
        if pitch % 12 not in own:
            continue
        degree = mode.degree(pitch)
        mark = "deciding" if degree in deciding else "plain"
        if pitch % 12 == mode.tonic_pc:
            mark = "tonic"
        found.append(NeckNote(string, fret, pitch, mode.spell(pitch), degree, mark))
    return found


def _position(mode: Mode, frets: range, neck: Neck) -> tuple[NeckNote, ...]:
    found: dict[int, NeckNote] = {}
    for string in range(len(neck.open_midi), 0, -1):
        for note in _notes(mode, string, frets, neck):
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


def _cell(note: NeckNote) -> str:
    around = {"tonic": "[{}]", "deciding": "{{{}}}"}.get(note.mark, " {} ")
    return around.format(note.degree)


def neck_text(
    notes: Iterable[NeckNote], *, drone_string: int | None = None, left_handed: bool = False
) -> str:
    """Notes on a neck of text, string 1 on top; [ ] the tonic, { } a deciding degree.

    Parameters
    ----------
    notes : iterable of NeckNote, at least one
    drone_string : int, optional
        String that is drawn open where it carries no note.
    left_handed : bool
        The nut on the right, as a left-handed player sees the neck.

    Returns
    -------
    str
        One line a string between a line of fret numbers and one that explains the brackets.

    Raises
    ------
    TheoryError
        If there are no notes.

    Examples
    --------
    >>> from theory import mode_of
    >>> notes = scale_on_string(mode_of("A", "minor pentatonic"), string=5, frets=5)
    >>> print(neck_text(notes))
            0    1    2    3    4    5
       5  [1] ‖----|----|{b3}|----|-4--|
          [ ] tonic   { } deciding degree
    """
    placed = tuple(notes)
    if not placed:
        raise TheoryError("there are no notes to draw; give those of scale_on_string")
    strings = {n.string for n in placed} | ({drone_string} if drone_string else set())
    low, high = min(n.fret for n in placed), max(n.fret for n in placed)
    frets = range(0 if low <= 1 else low, high + 1)
    cells = {(n.string, n.fret): _cell(n) for n in placed}
    if drone_string:
        cells.setdefault((drone_string, 0), "(o)")
    width = max(len(cell) for cell in cells.values())
    across = tuple(reversed(frets)) if left_handed else tuple(frets)
    lines = ["      " + "".join(str(f).center(width + 1) for f in across).rstrip()]
    for string in range(min(strings), max(strings) + 1):
        row = ""
        for fret in across:
            cell = cells.get((string, fret), "").strip().center(width, "-" if fret else " ")
            wire = "|" if fret else "‖"
            row += wire + cell if left_handed else cell + wire
        lines.append(f"{string:>4}  {row.rstrip()}")
    lines.append("      [ ] tonic   { } deciding degree" + ("   (o) drone" if drone_string else ""))
    return "\n".join(lines)
