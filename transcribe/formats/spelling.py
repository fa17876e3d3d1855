"""How pitches, keys and chord symbols are written in notation.

The line of fifths (... Bb F C G D ...) orders all spellings; a key with ``fifths`` sharps (flats
below zero) has its own seven notes from ``fifths - 1`` to ``fifths + 5`` on it, and the other
five are spelled from the nearest part of it. Common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

__all__ = ["KINDS", "MODES", "key_of", "spell", "split_symbol"]

_LINE = "FCGDAEB"
_PARENT = re.compile(r"^([A-G])([#b]*) major$")
_NAME = re.compile(r"^([A-G])([#b]*)$")

MODES: Mapping[str, int] = {
    "ionian": 0,
    "major": 0,
    "dorian": -2,
    "phrygian": -4,
    "lydian": 1,
    "mixolydian": -1,
    "aeolian": -3,
    "minor": -3,
    "locrian": -5,
}
"""Mode names that MusicXML knows, with what each adds to the tonic's place among the fifths."""

KINDS: Mapping[str, str] = {
    "": "major",
    "m": "minor",
    "+": "augmented",
    "aug": "augmented",
    "dim": "diminished",
    "7": "dominant",
    "maj7": "major-seventh",
    "m7": "minor-seventh",
    "dim7": "diminished-seventh",
    "m7b5": "half-diminished",
    "aug7": "augmented-seventh",
    "mmaj7": "major-minor",
    "6": "major-sixth",
    "m6": "minor-sixth",
    "9": "dominant-ninth",
    "maj9": "major-ninth",
    "m9": "minor-ninth",
    "11": "dominant-11th",
    "13": "dominant-13th",
    "sus2": "suspended-second",
    "sus4": "suspended-fourth",
    "5": "power",
}
"""Chord symbol suffix -> MusicXML 4.0 kind-value."""


def _fifths(step: str, alter: int) -> int:
    return _LINE.index(step) - 1 + 7 * alter


def key_of(theory: Mapping[str, Any] | None) -> tuple[int, str | None]:
    """Sharps (flats below zero) and MusicXML mode name of a riff's mode; (0, None) without one."""
    mode = (theory or {}).get("mode")
    if not isinstance(mode, Mapping):
        return 0, None
    name = str(mode.get("name") or "").lower()
    known = name if name in MODES else None
    if match := _PARENT.match(str(mode.get("parent") or "")):
        fifths = _fifths(match[1], match[2].count("#") - match[2].count("b"))
    elif (match := _NAME.match(str(mode.get("tonic") or ""))) and known is not None:
        fifths = _fifths(match[1], match[2].count("#") - match[2].count("b")) + MODES[known]
    else:
        return 0, None
    while fifths > 7:
        fifths -= 12
    while fifths < -7:
        fifths += 12
    return fifths, known


def spell(pitch_midi: int, fifths: int = 0) -> tuple[str, int, int]:
    """Step, alteration in semitones and octave of a pitch in a key of ``fifths`` sharps."""
    # The pitch class n lies at 7n on the line of fifths, give or take twelve.
    place = (7 * (pitch_midi % 12) - (fifths - 3)) % 12 + (fifths - 3)
    step = _LINE[(place + 1) % 7]
    alter = (place + 1) // 7
    natural = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}[step]
    return step, alter, (pitch_midi - alter - natural) // 12 - 1


def split_symbol(symbol: str) -> tuple[str, int, str, str | None] | None:
    """Root step, root alteration, suffix and bass name of a chord symbol; None if it is none."""
    match = re.match(r"^([A-G])([#b]*)([^/\s]*)(?:/([A-G][#b]*))?$", symbol)
    if match is None:
        return None
    return match[1], match[2].count("#") - match[2].count("b"), match[3], match[4]
