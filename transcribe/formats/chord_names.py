"""Chords and keys of a riff as the formats write and read them.

Sources: kind-value of MusicXML 4.0 (W3C Music Notation Community Group); Harte's shorthand (Harte
et al., ISMIR 2005).
"""

from __future__ import annotations

import bisect
from collections.abc import Callable, Sequence
from typing import Any

from transcribe.core.clock import Clock, score_notes
from transcribe.core.key import KEY_FIELD, MODES, key_of, key_words, parse_key
from transcribe.core.riff import Rhythm, Riff

__all__ = [
    "AFTER_ROOT",
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

AFTER_ROOT = r"(?:maj|min|dim|aug|sus|add|alt|no|m|M|6/9|\d|[#b+°ø()-])*(?:/[A-G][#b]?)?"
"""Pattern of what people write after the root of a chord: its kind, and its bass."""

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
