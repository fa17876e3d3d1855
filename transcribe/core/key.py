"""The key of a riff: its signature, how it is written, and how it spells the notes.

Conventions: a signature is a number of sharps, flats below zero, as in `transcribe.core.pitch`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any, get_args

from transcribe.core.pitch import (
    FLATS,
    SHARPS,
    accidentals,
    fifths_of,
    key_alteration,
    pitch_class,
    pitch_name,
    spell,
)
from transcribe.core.riff import KeyMode, Riff, WrittenKey

__all__ = [
    "KEY_FIELD",
    "MODES",
    "key_of",
    "key_words",
    "names_to_show",
    "note_names",
    "parse_key",
    "pitch_in",
    "string_names",
]

KEY_FIELD = "key given"
"""What files that Handspan writes call the key that a player or another file gave."""

_KEY = re.compile(r"([A-Ga-g])([#b♯♭]?)[ :-]?([A-Za-z]*)")
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


def key_of(theory: Mapping[str, Any] | None) -> tuple[int, str | None]:
    """Sharps (flats below zero) and MusicXML mode name of a riff's mode; (0, None) without one."""
    mode = (theory or {}).get("mode")
    if not isinstance(mode, Mapping):
        return 0, None
    name = str(mode.get("name") or "").lower()
    if name.endswith(" minor"):  # the harmonic and the melodic one have the signature of the plain
        name = "minor"
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


def _signature(riff: Riff) -> int | None:
    """The signature of the mode that was found, else of the key that was given; None without."""
    if isinstance((riff.theory or {}).get("mode"), Mapping):
        return key_of(riff.theory)[0]
    key = riff.written_key
    return None if key is None else fifths_of(key.tonic) + MODES[key.mode]


def note_names(riff: Riff) -> tuple[str, ...]:
    """What each of the twelve pitch classes is called in the key of a riff.

    A degree of its mode is called as the theory spells it, another black key as the nearest part
    of the line of fifths has it, another white key by its plain name (common practice, no source).
    Without a mode the key that was given tells; without either, black keys are sharps.

    Examples
    --------
    >>> note_names(Riff(written_key=WrittenKey("D", "aeolian")))[8:]
    ('Ab', 'A', 'Bb', 'B')
    """
    mode = (riff.theory or {}).get("mode")
    fifths = _signature(riff)
    if fifths is None:
        return SHARPS
    names = []
    for pc, plain in enumerate(SHARPS):
        letter, alter, _ = spell(pc, fifths)
        own = len(plain) > 1 or alter == key_alteration(letter, fifths)
        names.append(letter + accidentals(alter) if own else plain)
    degrees = mode.get("degrees") if isinstance(mode, Mapping) else None
    for degree in degrees or ():
        note = str(degree.get("note"))
        if _NOTE.fullmatch(note):
            names[pitch_class(note)] = note
    return tuple(names)


def string_names(riff: Riff, *, capo: bool = False) -> tuple[str, ...]:
    """The open strings with their octaves, string 1 first; with ``capo`` as they sound behind it.

    All are spelled alike: by flats where the key has them, or where it has no signs and most
    strings are black keys, as on a guitar that is tuned down half a step; else by sharps (common
    practice, no source).

    Examples
    --------
    >>> from transcribe.core.instrument import make_instrument
    >>> string_names(Riff(instrument=make_instrument("half-step-down")))
    ('Eb4', 'Bb3', 'Gb3', 'Db3', 'Ab2', 'Eb2')
    """
    up = riff.instrument.capo if capo else 0
    strings = [midi + up for midi in riff.instrument.open_midi]
    signs = _signature(riff) or 0
    black = sum(len(SHARPS[midi % 12]) > 1 for midi in strings)
    flats = signs < 0 or (signs == 0 and 2 * black > len(strings))
    return tuple(pitch_name(midi, FLATS if flats else SHARPS) for midi in strings)


def names_to_show(riff: Riff) -> dict[str, list[str]]:
    """What the page and the handout call the notes, the open strings, and those behind the capo."""
    return {
        "notes": list(note_names(riff)),
        "open": list(string_names(riff)),
        "strings": list(string_names(riff, capo=True)),
    }


def pitch_in(riff: Riff, pitch_midi: int) -> str:
    """Name of a MIDI pitch with octave in the key of a riff, such as ``Bb3``."""
    return pitch_name(pitch_midi, note_names(riff))


def parse_key(text: str) -> WrittenKey | None:
    """The key that people write as ``A dorian``, ``Am`` or ``F# min``; None where it is none.

    A name alone is major; the name of a mode may be cut short after three letters, as in ABC.

    Examples
    --------
    >>> [key_words(key) for text in ("A dorian", "Bbm", "Edor") if (key := parse_key(text))]
    ['A dorian', 'Bb aeolian', 'E dorian']
    """
    match = _KEY.fullmatch(text.strip())
    if match is None:
        return None
    tonic = match[1].upper() + match[2].replace("♯", "#").replace("♭", "b")
    if match[3] in ("", "m", "M"):
        return WrittenKey(tonic, "aeolian" if match[3] == "m" else "ionian")
    word = match[3].lower()
    names: dict[str, KeyMode] = {name: name for name in get_args(KeyMode)}
    names |= {"major": "ionian", "minor": "aeolian"}
    found = (mode for name, mode in names.items() if len(word) >= 3 and name.startswith(word))
    mode = next(found, None)
    return None if mode is None else WrittenKey(tonic, mode)


def key_words(key: WrittenKey) -> str:
    """A key as ``A dorian``, which `parse_key` reads."""
    return f"{key.tonic} {key.mode}"
