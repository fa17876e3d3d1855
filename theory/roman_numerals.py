"""Roman numerals relative to the tonic and the degrees of a mode.

Conventions: a numeral counts the mode's own degrees, so that C in D mixolydian is VII and C in
A dorian is III; an accidental marks a root that lies off the mode (``bII``). Capitals for a major
third, small letters for a minor one, ``o`` diminished, ``ø`` half-diminished, ``+`` augmented.
Figured bass marks inversions (6, 64; 65, 43, 42); a major seventh is written ``maj7`` because
guitarists read a bare 7 as the minor seventh. A chord without a third takes the case of the
triad that the mode has on that degree.
"""

from __future__ import annotations

from theory.chord_symbols import KINDS, Chord, as_chord
from theory.modes import Mode
from theory.scales import MODES

__all__ = ["borrowed_from", "is_diatonic", "roman_numeral"]

_NUMERALS = ("I", "II", "III", "IV", "V", "VI", "VII")
_TRIAD_FIGURES = ("", "6", "64")
_SEVENTH_FIGURES = ("7", "65", "43", "42")
_SEVENTHS = ("7", "m7", "maj7", "m7b5", "dim7", "mMaj7", "aug7", "augmaj7", "7b5")


def _seven(mode: Mode) -> tuple[int, ...]:
    """Semitones of the seven degrees; a shorter scale borrows those of the full mode it is in."""
    return MODES[mode.full_name].semitones


def _degree(step: int, mode: Mode, letter_number: int | None) -> tuple[int, int]:
    """Degree (from 0) and alteration of a root ``step`` semitones above the tonic."""
    seven = _seven(mode)
    if letter_number is not None:
        shift = (step - seven[letter_number] + 6) % 12 - 6
        if abs(shift) <= 1:
            return letter_number, shift
    if step in seven:
        return seven.index(step), 0
    below = [i for i in range(7) if (seven[i] - 1) % 12 == step]
    above = [i for i in range(7) if (seven[i] + 1) % 12 == step]
    # A root a semitone under the fifth is a raised fourth; the others are lowered degrees.
    if above and (not below or seven[above[0]] == 5):
        return above[0], 1
    return below[0], -1


def roman_numeral(chord: Chord | str, mode: Mode) -> str:
    """Numeral of a chord in a mode, such as ``IV``, ``vi7``, ``bVII`` or ``V65``.

    Parameters
    ----------
    chord : Chord or str
    mode : Mode

    Returns
    -------
    str

    Raises
    ------
    TheoryError
        If a symbol cannot be read.

    Examples
    --------
    >>> from theory import mode_of
    >>> [roman_numeral(symbol, mode_of("C", "ionian")) for symbol in ("F", "Am7", "G7/B", "Bb")]
    ['IV', 'vi7', 'V65', 'bVII']
    """
    chord = as_chord(chord)
    kind = KINDS[chord.kind]
    step = (chord.root_pc - mode.tonic_pc) % 12
    letters = "CDEFGAB"
    number = (letters.index(chord.root[0]) - letters.index(mode.tonic[0])) % 7
    degree, shift = _degree(step, mode, number)
    numeral = _NUMERALS[degree]
    minor = kind.minor if kind.has_third else _third_is_minor(degree, shift, mode)
    if minor:
        numeral = numeral.lower()
    accidental = "#" * shift if shift > 0 else "b" * -shift
    return accidental + numeral + _quality(chord) + _figures(chord)


def _third_is_minor(degree: int, shift: int, mode: Mode) -> bool:
    seven = _seven(mode)
    third = (seven[(degree + 2) % 7] - seven[degree] - shift) % 12
    return third == 3


def _quality(chord: Chord) -> str:
    steps = KINDS[chord.kind].steps
    if 3 in steps and 6 in steps and 7 not in steps:
        return "ø" if 10 in steps else "o"
    if 4 in steps and 8 in steps and 7 not in steps:
        return "+"
    return ""


def _figures(chord: Chord) -> str:
    kind, inversion = chord.kind, chord.inversion
    if kind in ("", "m", "dim", "aug") and 0 <= inversion <= 2:
        return _TRIAD_FIGURES[inversion]
    if kind in _SEVENTHS and 0 <= inversion <= 3:
        major = "maj" if kind in ("maj7", "mMaj7", "augmaj7") else ""
        flat = "b5" if kind == "7b5" else ""
        return f"{major}{_SEVENTH_FIGURES[inversion]}{flat}"
    suffix = kind
    for mark in ("aug", "dim", "mMaj", "m"):
        if kind.startswith(mark) and not kind.startswith("maj"):
            suffix = ("maj" if mark == "mMaj" else "") + kind[len(mark) :]
            break
    slash = "" if inversion == 0 else f"/{chord.bass}"
    return suffix + slash


def is_diatonic(chord: Chord | str, mode: Mode) -> bool:
    """Whether every note of a chord belongs to a mode (for a pentatonic: to its parent).

    Parameters
    ----------
    chord : Chord or str
    mode : Mode

    Returns
    -------
    bool

    Raises
    ------
    TheoryError
        If a symbol cannot be read.

    Examples
    --------
    >>> from theory import mode_of
    >>> is_diatonic("D", mode_of("A", "dorian")), is_diatonic("Dm", mode_of("A", "dorian"))
    (True, False)
    """
    chord = as_chord(chord)
    own = {(mode.tonic_pc + s) % 12 for s in _seven(mode)} | set(mode.pitch_classes)
    return set(chord.pitch_classes) <= own


_LENDERS_MAJOR = (
    "ionian",
    "aeolian",
    "mixolydian",
    "dorian",
    "harmonic minor",
    "lydian",
    "phrygian",
    "melodic minor",
    "locrian",
)
_LENDERS_MINOR = (
    "harmonic minor",
    "aeolian",
    "dorian",
    "phrygian",
    "melodic minor",
    "ionian",
    "mixolydian",
    "lydian",
    "locrian",
)


def borrowed_from(chord: Chord | str, mode: Mode) -> str | None:
    """Where a chord foreign to a mode comes from.

    A dominant that leads to another degree is named so, before a mode on the same tonic that has
    the chord.

    Parameters
    ----------
    chord : Chord or str
    mode : Mode

    Returns
    -------
    str or None
        None for a chord of the mode.

    Raises
    ------
    TheoryError
        If a symbol cannot be read.

    Examples
    --------
    >>> from theory import mode_of
    >>> borrowed_from("Fm", mode_of("C", "ionian")), borrowed_from("A7", mode_of("C", "ionian"))
    ('borrowed from C aeolian', 'dominant of ii')
    """
    chord = as_chord(chord)
    if is_diatonic(chord, mode):
        return None
    kind = KINDS[chord.kind]
    if 4 in kind.steps and 10 in kind.steps and chord.root_pc != mode.tonic_pc:
        target = (chord.root_pc + 5 - mode.tonic_pc) % 12
        seven = _seven(mode)
        if target in seven and target != 0:
            index = seven.index(target)
            numeral = _NUMERALS[index]
            minor = _third_is_minor(index, 0, mode)
            return f"dominant of {numeral.lower() if minor else numeral}"
    for name in _LENDERS_MINOR if MODES[mode.name].minor else _LENDERS_MAJOR:
        own = {(mode.tonic_pc + s) % 12 for s in MODES[name].semitones}
        if name != mode.name and set(chord.pitch_classes) <= own:
            return f"borrowed from {mode.tonic} {name}"
    return "outside every mode on this tonic"
