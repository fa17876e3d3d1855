"""Pitch as MIDI numbers, frequencies and names, and how chords and keys spell it.

Conventions: pitch in MIDI numbers, 60 = C4, 69 = A4 = 440 Hz (ISO 16; MIDI 1.0 Detailed
Specification). A name is a letter, ``#`` or ``b`` for each semitone up or down, and where the
octave counts, its number.

The line of fifths (... Bb F C G D ...) orders all spellings. A key with ``fifths`` sharps (flats
below zero) has its own seven notes from ``fifths - 1`` to ``fifths + 5`` on it; the other five are
spelled from the nearest part of it (common practice, no source).
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, overload

from transcribe.core.errors import ParameterError

if TYPE_CHECKING:
    import numpy as np

__all__ = [
    "A4_HZ",
    "FLATS",
    "PARTIAL_SEMITONES",
    "SEMITONES",
    "SHARPS",
    "accidentals",
    "alteration",
    "fifths_of",
    "hz_to_midi",
    "key_alteration",
    "midi_to_hz",
    "note_at_fifths",
    "parse_pitch",
    "pitch_class",
    "pitch_name",
    "spell",
    "split_chord",
]

A4_HZ = 440.0
"""Concert pitch (ISO 16)."""

SEMITONES: Mapping[str, int] = MappingProxyType(
    {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
)
"""Semitones of each letter above C."""

PARTIAL_SEMITONES = (0, 12, 19, 24, 28, 31, 34, 36)
"""Semitones from a pitch to its partials 1 to 8, rounded: ``round(12 * log2(n))``."""

_LINE = "FCGDAEB"  # the naturals on the line of fifths, C at 0
SHARPS = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
"""Names of the pitch classes with a sharp for each black key."""

FLATS = ("C", "Db", "D", "Eb", "E", "F", "Gb", "G", "Ab", "A", "Bb", "B")
"""Names of the pitch classes with a flat for each black key."""

_PITCH = re.compile(r"([A-Ga-g])([#b♯♭]{0,2})(-?\d{1,2})")
_CHORD = re.compile(r"([A-G][#b]*)(\S*?)(?:/([A-G][#b]*))?")


@overload
def midi_to_hz(pitch_midi: float) -> float: ...
@overload
def midi_to_hz(pitch_midi: np.ndarray) -> np.ndarray: ...
def midi_to_hz(pitch_midi: Any) -> Any:
    """Frequency of a pitch in equal temperament, in hertz.

    Parameters
    ----------
    pitch_midi : float or np.ndarray
        MIDI numbers; fractions are cents over 100.

    Examples
    --------
    >>> midi_to_hz(57)
    220.0
    """
    return A4_HZ * 2.0 ** ((pitch_midi - 69.0) / 12.0)


@overload
def hz_to_midi(hz: float) -> float: ...
@overload
def hz_to_midi(hz: np.ndarray) -> np.ndarray: ...
def hz_to_midi(hz: Any) -> Any:
    """MIDI number of a frequency over 0, not rounded.

    Examples
    --------
    >>> float(hz_to_midi(220.0))
    57.0
    """
    import numpy as np

    return 69.0 + 12.0 * np.log2(hz / A4_HZ)


def alteration(signs: str) -> int:
    """Semitones that the sharps and flats in ``signs`` add up to."""
    return signs.count("#") + signs.count("♯") - signs.count("b") - signs.count("♭")


def accidentals(alter: float) -> str:
    """Sharps or flats for an alteration in semitones."""
    return "#" * round(alter) if alter > 0 else "b" * -round(alter)


def pitch_class(name: str) -> int:
    """Pitch class, 0-11 from C, of a letter of either case with sharps or flats behind it.

    Examples
    --------
    >>> pitch_class("Bb"), pitch_class("b"), pitch_class("F#")
    (10, 11, 6)
    """
    return (SEMITONES[name[0].upper()] + alteration(name[1:])) % 12


def parse_pitch(text: str) -> int:
    """MIDI number of a pitch such as ``E4``, ``F#3`` or ``Bb2``.

    Raises
    ------
    ParameterError
        If the text is not a letter, optional ``#`` or ``b``, and an octave, or lies outside 0-127.

    Examples
    --------
    >>> parse_pitch("E4")
    64
    """
    match = _PITCH.fullmatch(text.strip())
    if match is None:
        raise ParameterError(
            f"{text!r} is not a pitch; write a letter, # or b, and the octave, such as E4 or Bb2"
        )
    midi = 12 * (int(match[3]) + 1) + SEMITONES[match[1].upper()] + alteration(match[2])
    if not 0 <= midi <= 127:
        raise ParameterError(f"{text!r} lies outside the MIDI range C-1 to G9")
    return midi


def pitch_name(pitch_midi: int, names: Sequence[str] = SHARPS) -> str:
    """Name of a MIDI pitch with octave, such as ``F#3``.

    Parameters
    ----------
    pitch_midi : int
    names : sequence of 12 str
        What each pitch class is called, as `transcribe.core.key.note_names` gives it for a riff.

    Examples
    --------
    >>> pitch_name(58), pitch_name(58, FLATS)
    ('A#3', 'Bb3')
    """
    name = names[pitch_midi % 12]
    return f"{name}{(pitch_midi - alteration(name[1:]) - SEMITONES[name[0]]) // 12 - 1}"


def spell(pitch_midi: int, fifths: int = 0) -> tuple[str, int, int]:
    """Letter, alteration in semitones and octave of a pitch in a key of ``fifths`` sharps.

    Examples
    --------
    >>> spell(61, fifths=-4), spell(61, fifths=2)
    (('D', -1, 4), ('C', 1, 4))
    """
    # The pitch class n lies at 7n on the line of fifths, give or take twelve.
    place = (7 * (pitch_midi % 12) - (fifths - 3)) % 12 + (fifths - 3)
    alter, step = divmod(place + 1, 7)
    letter = _LINE[step]
    return letter, alter, (pitch_midi - alter - SEMITONES[letter]) // 12 - 1


def fifths_of(note: str) -> int:
    """Place of a note such as ``Bb`` on the line of fifths; the sharps of its major key.

    Examples
    --------
    >>> fifths_of("D"), fifths_of("Bb")
    (2, -2)
    """
    return _LINE.index(note[0]) - 1 + 7 * alteration(note[1:])


def note_at_fifths(fifths: int) -> str:
    """The note at a place on the line of fifths; the tonic of the major key with those sharps."""
    alter, step = divmod(fifths + 1, 7)
    return _LINE[step] + accidentals(alter)


def key_alteration(letter: str, fifths: int) -> int:
    """Alteration in semitones of a letter in a key of ``fifths`` sharps."""
    return (fifths + 6 - _LINE.index(letter)) // 7


def split_chord(symbol: str) -> tuple[str, str, str | None] | None:
    """Root, suffix and bass (None: the root) of a chord symbol; None if it is none.

    Examples
    --------
    >>> split_chord("F#m7/C#")
    ('F#', 'm7', 'C#')
    >>> split_chord("C6/9")
    ('C', '6/9', None)
    """
    match = _CHORD.fullmatch(symbol)
    return None if match is None else (match[1], match[2], match[3])
