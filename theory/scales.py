"""The modes as read-only tables, and how their notes are spelled.

Conventions: a pitch class is 0-11 with 0 = C; ``semitones`` count up from the tonic; names of
notes are a letter with ``#`` or ``b``; a degree is written against the major scale on the same
tonic (``b3`` is a minor third).

Sources: the seven modes, harmonic and melodic (ascending) minor are the tables of any theory
primer, e.g. Aldwell & Schachter, Harmony and Voice Leading, chapter 1 (from memory). The
pentatonics and the six-note blues scale: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType

from theory.errors import TheoryError

__all__ = [
    "MODES",
    "USUAL_NAMES",
    "ModeShape",
    "degree_label",
    "mode_shape",
    "note_name",
    "parent_of",
    "parse_note",
    "scale_notes",
    "seven_note_shape",
    "spell",
    "tonic_name",
]

USUAL_NAMES = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")
"""Name of each pitch class where no key says how to spell it; common practice, no source."""

_LETTERS = "CDEFGAB"
_LETTER_PC = (0, 2, 4, 5, 7, 9, 11)
_MAJOR = (0, 2, 4, 5, 7, 9, 11)


@dataclass(frozen=True, slots=True)
class ModeShape:
    """One mode: its semitones above the tonic and the degree number (1-7) of each of them."""

    name: str
    semitones: tuple[int, ...]
    numbers: tuple[int, ...]
    parent_step: int
    """Semitones from the tonic up to the tonic of the parent scale."""
    parent: str
    """Kind of the parent scale: ``major``, or the mode's own name where it has no other."""

    @property
    def third(self) -> int | None:
        """Semitones of the third degree, None where there is none."""
        return self.semitones[self.numbers.index(3)] if 3 in self.numbers else None

    @property
    def minor(self) -> bool:
        """Whether the third is minor."""
        return self.third == 3


def _seven(name: str, text: str, parent_step: int, parent: str) -> ModeShape:
    return ModeShape(
        name, tuple(int(s) for s in text.split()), (1, 2, 3, 4, 5, 6, 7), parent_step, parent
    )


MODES: Mapping[str, ModeShape] = MappingProxyType(
    {
        shape.name: shape
        for shape in (
            _seven("ionian", "0 2 4 5 7 9 11", 0, "major"),
            _seven("dorian", "0 2 3 5 7 9 10", 10, "major"),
            _seven("phrygian", "0 1 3 5 7 8 10", 8, "major"),
            _seven("lydian", "0 2 4 6 7 9 11", 7, "major"),
            _seven("mixolydian", "0 2 4 5 7 9 10", 5, "major"),
            _seven("aeolian", "0 2 3 5 7 8 10", 3, "major"),
            _seven("locrian", "0 1 3 5 6 8 10", 1, "major"),
            _seven("harmonic minor", "0 2 3 5 7 8 11", 0, "harmonic minor"),
            _seven("melodic minor", "0 2 3 5 7 9 11", 0, "melodic minor"),
            ModeShape("major pentatonic", (0, 2, 4, 7, 9), (1, 2, 3, 5, 6), 0, "major"),
            ModeShape("minor pentatonic", (0, 3, 5, 7, 10), (1, 3, 4, 5, 7), 3, "major"),
            ModeShape("suspended pentatonic", (0, 2, 5, 7, 10), (1, 2, 4, 5, 7), 10, "major"),
            ModeShape("blues", (0, 3, 5, 6, 7, 10), (1, 3, 4, 5, 5, 7), 3, "major"),
        )
    }
)
"""Every mode that `theory` knows, by name."""

_ALIASES = {"major": "ionian", "minor": "aeolian", "natural minor": "aeolian"}


def mode_shape(name: str) -> ModeShape:
    """The mode called ``name`` (``major`` and ``minor`` are taken for ionian and aeolian).

    Raises
    ------
    TheoryError
        If there is no such mode.
    """
    key = " ".join(name.strip().lower().replace("-", " ").split())
    key = _ALIASES.get(key, key)
    if key not in MODES:
        raise TheoryError(f"no mode is called {name!r}; use one of {', '.join(MODES)}")
    return MODES[key]


@lru_cache(maxsize=256)
def parse_note(text: str) -> int:
    """Pitch class of a note name such as ``F#`` or ``Bb``.

    Raises
    ------
    TheoryError
        If the text is not a letter A-G with sharps or flats behind it.
    """
    letter, accidentals = text.strip()[:1].upper(), text.strip()[1:]
    if letter not in _LETTERS or not letter or (accidentals.strip("#") and accidentals.strip("b")):
        raise TheoryError(f"{text!r} is not a note; write a letter A-G, then # or b, such as F#")
    shift = accidentals.count("#") - accidentals.count("b")
    return (_LETTER_PC[_LETTERS.index(letter)] + shift) % 12


def note_name(letter: int, pc: int) -> str:
    """Name of pitch class ``pc`` on the letter with index ``letter`` (0 = C)."""
    shift = (pc - _LETTER_PC[letter % 7] + 6) % 12 - 6
    return _LETTERS[letter % 7] + ("#" * shift if shift > 0 else "b" * -shift)


def _spelled(tonic_letter: int, tonic_pc: int, shape: ModeShape) -> tuple[str, ...]:
    return tuple(
        note_name(tonic_letter + number - 1, (tonic_pc + step) % 12)
        for step, number in zip(shape.semitones, shape.numbers, strict=True)
    )


def _accidentals(names: tuple[str, ...]) -> int:
    return sum(len(name) - 1 + (5 if len(name) > 2 else 0) for name in names)


_USUAL = frozenset({"C#", "Eb", "F#", "G#", "Bb"})


def seven_note_shape(shape: ModeShape) -> ModeShape:
    """The mode itself, or the seven-note mode of the same parent and tonic as a shorter scale.

    Examples
    --------
    >>> seven_note_shape(MODES["minor pentatonic"]).name
    'aeolian'
    """
    if len(shape.numbers) == 7:
        return shape
    return next(s for s in MODES.values() if s.parent_step == shape.parent_step)


def tonic_name(tonic_pc: int, mode: str, *, flats: bool = False) -> str:
    """Name of the tonic that spells ``mode`` with the fewest accidentals.

    Where two spellings tie, the tonic is C#, Eb, F#, G# or Bb. With ``flats`` a black key is a
    flat wherever no note of the mode needs two.

    Examples
    --------
    >>> tonic_name(8, "aeolian"), tonic_name(8, "aeolian", flats=True)
    ('G#', 'Ab')
    """
    shape = mode_shape(mode)
    # The seven-note parent decides, so that a pentatonic is spelled like its full scale.
    full = seven_note_shape(shape)
    best: tuple[int, int, int, str] | None = None
    for letter in range(7):
        name = note_name(letter, tonic_pc)
        if len(name) > 2:
            continue
        if name in ("E#", "B#", "Cb", "Fb"):
            continue
        names = _spelled(letter, tonic_pc, full)
        sharp = flats and ("#" in name or any(len(n) > 2 for n in names))
        rank = (sharp, _accidentals(names), name not in _USUAL, name)
        best = rank if best is None or rank < best else best
    assert best is not None
    return best[3]


def scale_notes(tonic: str, mode: str) -> tuple[str, ...]:
    """The notes of a mode, each degree on its own letter.

    Parameters
    ----------
    tonic : str
        A note name such as ``F#``.
    mode : str
        One of `MODES`.

    Returns
    -------
    tuple of str
        From the tonic up.

    Raises
    ------
    TheoryError
        If the tonic is not a note name or there is no such mode.

    Examples
    --------
    >>> scale_notes("D", "mixolydian")
    ('D', 'E', 'F#', 'G', 'A', 'B', 'C')
    """
    return _spelled(_LETTERS.index(tonic[0].upper()), parse_note(tonic), mode_shape(mode))


def parent_of(tonic: str, mode: str) -> str:
    """Parent scale of a mode in words, such as ``G major`` for A dorian."""
    shape = mode_shape(mode)
    if shape.parent != "major":
        return f"{tonic} {shape.parent}"
    number = {0: 1, 10: 7, 8: 6, 7: 5, 5: 4, 3: 3, 1: 2}[shape.parent_step]
    letter = _LETTERS.index(tonic[0].upper()) + number - 1
    return f"{note_name(letter, (parse_note(tonic) + shape.parent_step) % 12)} major"


_FOREIGN = {1: (2, "b2"), 3: (3, "b3"), 4: (3, "3"), 6: (4, "#4"), 8: (6, "b6"), 10: (7, "b7")}


def degree_label(step: int, mode: str, *, rising: bool = False) -> str:
    """Degree of the note ``step`` semitones above the tonic, such as ``b3`` or ``#4``.

    A note of the mode takes the mode's own degree. Another takes the usual name of a chromatic
    note; ``rising`` says that it resolves a semitone up, and then it is a raised degree.
    """
    number = _number(step % 12, mode, rising)
    shift = (step - _MAJOR[number - 1] + 6) % 12 - 6
    return ("#" * shift if shift > 0 else "b" * -shift) + str(number)


def _number(step: int, mode: str, rising: bool) -> int:
    shape = mode_shape(mode)
    if step in shape.semitones:
        return shape.numbers[shape.semitones.index(step)]
    if rising and (step + 1) % 12 in shape.semitones and step in (1, 3, 6, 8):
        above = shape.numbers[shape.semitones.index((step + 1) % 12)]
        raised = (above - 2) % 7 + 1
        if _MAJOR[raised - 1] == step - 1:
            return raised
    if step == 6:
        return 5 if shape.minor else 4
    if step in _MAJOR:
        return _MAJOR.index(step) + 1
    return _FOREIGN[step][0]


def spell(pc: int, tonic: str, mode: str, *, rising: bool = False) -> str:
    """Name of pitch class ``pc`` in the key of ``tonic`` and ``mode``.

    Examples
    --------
    >>> spell(10, "D", "aeolian"), spell(1, "D", "harmonic minor")
    ('Bb', 'C#')
    """
    number = _number((pc - parse_note(tonic)) % 12, mode, rising)
    name = note_name(_LETTERS.index(tonic[0].upper()) + number - 1, pc % 12)
    if len(name) <= 2:
        return name
    if pc % 12 in _LETTER_PC:
        return _LETTERS[_LETTER_PC.index(pc % 12)]
    step = -1 if rising or "#" in name else 1  # one accidental instead of two
    return note_name(_LETTER_PC.index((pc + step) % 12), pc % 12)
