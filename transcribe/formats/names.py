"""What MusicXML and JAMS call the chords and modes of a riff.

Sources: kind-value of MusicXML 4.0 (W3C Music Notation Community Group); Harte's shorthand (Harte
et al., ISMIR 2005) as the JAMS namespace ``chord`` extends it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from transcribe.core.pitch import fifths_of

__all__ = ["CHORDS", "MODES", "key_of"]

_NOTE = re.compile(r"[A-G][#b]*")

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
"""Mode -> what it adds to the tonic's place on the line of fifths to give the key's sharps."""

CHORDS: dict[str, tuple[str, str]] = {
    "": ("major", "maj"),
    "m": ("minor", "min"),
    "aug": ("augmented", "aug"),
    "+": ("augmented", "aug"),
    "dim": ("diminished", "dim"),
    "7": ("dominant", "7"),
    "maj7": ("major-seventh", "maj7"),
    "m7": ("minor-seventh", "min7"),
    "dim7": ("diminished-seventh", "dim7"),
    "m7b5": ("half-diminished", "hdim7"),
    "aug7": ("augmented-seventh", "aug7"),
    "mMaj7": ("major-minor", "minmaj7"),
    "mmaj7": ("major-minor", "minmaj7"),
    "6": ("major-sixth", "maj6"),
    "m6": ("minor-sixth", "min6"),
    "9": ("dominant-ninth", "9"),
    "maj9": ("major-ninth", "maj9"),
    "m9": ("minor-ninth", "min9"),
    "11": ("dominant-11th", "11"),
    "maj11": ("major-11th", "maj11"),
    "m11": ("minor-11th", "min11"),
    "13": ("dominant-13th", "13"),
    "maj13": ("major-13th", "maj13"),
    "m13": ("minor-13th", "min13"),
    "sus2": ("suspended-second", "sus2"),
    "sus4": ("suspended-fourth", "sus4"),
    "5": ("power", "(1,5)"),
}
"""Suffix of a chord symbol -> its MusicXML kind and its JAMS quality; usual spellings first."""


def key_of(theory: Mapping[str, Any] | None) -> tuple[int, str | None]:
    """Sharps (flats below zero) and MusicXML mode name of a riff's mode; (0, None) without one."""
    mode = (theory or {}).get("mode")
    if not isinstance(mode, Mapping):
        return 0, None
    name = str(mode.get("name") or "").lower()
    known = name if name in MODES else None
    parent, _, kind = str(mode.get("parent") or "").partition(" ")
    tonic = str(mode.get("tonic") or "")
    if kind == "major" and _NOTE.fullmatch(parent):
        fifths = fifths_of(parent)
    elif known is not None and _NOTE.fullmatch(tonic):
        fifths = fifths_of(tonic) + MODES[known]
    else:
        return 0, None
    # Beyond seven signs the key is written by its other name.
    while abs(fifths) > 7:
        fifths -= 12 if fifths > 0 else -12
    return fifths, known
