"""Chords and keys of a riff as the formats write and read them.

Sources: kind-value of MusicXML 4.0 (W3C Music Notation Community Group); Harte's shorthand (Harte
et al., ISMIR 2005).
"""

from __future__ import annotations

import bisect
import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any, get_args

from transcribe.core.clock import Clock, score_notes
from transcribe.core.pitch import fifths_of
from transcribe.core.riff import KeyMode, Rhythm, Riff, WrittenKey

__all__ = [
    "CHORDS",
    "KEY_FIELD",
    "MODES",
    "are_implied",
    "chord_changes",
    "chord_section",
    "chords_within",
    "key_of",
    "key_words",
    "parse_key",
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
    "aug7": ("augmented-seventh", "aug(b7)"),
    "mMaj7": ("major-minor", "minmaj7"),
    "mmaj7": ("major-minor", "minmaj7"),
    "6": ("major-sixth", "maj6"),
    "m6": ("minor-sixth", "min6"),
    "9": ("dominant-ninth", "9"),
    "maj9": ("major-ninth", "maj9"),
    "m9": ("minor-ninth", "min9"),
    "11": ("dominant-11th", "11"),
    "maj11": ("major-11th", "maj9(11)"),
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


def chord_changes(riff: Riff, rhythm: Rhythm) -> list[tuple[int, str]]:
    """(beat, symbol) of each chord on the nearest beat: as written, else as theory finds them."""
    clock = Clock(rhythm)
    at: dict[int, str] = {}
    written = {mark.note: mark.text for mark in riff.marks if mark.kind == "chord"}
    if written:
        for item in score_notes(riff, rhythm):
            if (symbol := written.get(item.note.id)) is not None:
                at.setdefault(round(item.onset_beat), symbol)
        return sorted(at.items())
    for chord in (riff.theory or {}).get("chords") or ():
        symbol, sec = chord.get("symbol"), chord.get("start_sec")
        if isinstance(symbol, str) and symbol.split() == [symbol] and isinstance(sec, int | float):
            at[round(clock.beat(sec))] = symbol
    changes: list[tuple[int, str]] = []
    for beat in sorted(at):
        if not changes or changes[-1][1] != at[beat]:
            changes.append((beat, at[beat]))
    return changes


def are_implied(riff: Riff) -> bool:
    """Whether the chords of a riff are only what a single line hints at.

    They depend on what comes before and after, so that a bar that comes again is the same bar
    under another one of them.
    """
    chords = (riff.theory or {}).get("chords") or ()
    marked = any(mark.kind == "chord" for mark in riff.marks)
    return not marked and any(chord.get("implied") for chord in chords)


def chord_section(
    changes: Sequence[tuple[Any, str]], end: Any, sec: Callable[[Any], float]
) -> list[dict[str, Any]]:
    """The chords of a theory section: each holds to the next one, the last one to ``end``.

    ``changes`` are (time, symbol) in order; ``sec`` turns their times and ``end`` into seconds.
    """
    ends = [at for at, _ in changes[1:]] + [max(end, at) for at, _ in changes[-1:]]
    return [
        {"start_sec": sec(at), "end_sec": sec(stop), "symbol": symbol}
        for (at, symbol), stop in zip(changes, ends, strict=True)
    ]


def chords_within(
    changes: Sequence[tuple[int, str]], start: int, end: int
) -> tuple[tuple[int, str], ...]:
    """(time from ``start``, symbol) of the chords that hold from ``start`` to before ``end``.

    ``changes`` are the times at which chords begin, in order; one that began earlier and still
    holds at ``start`` is given there.
    """
    held = bisect.bisect_right(changes, start, key=lambda change: change[0])
    within = [(0, symbol) for _, symbol in changes[max(held - 1, 0) : held]]
    within += [(at - start, symbol) for at, symbol in changes[held:] if at < end]
    return tuple(within)
