"""The riff document, ``NAME.riff.json``: JSON in UTF-8, version 1.

`read_riff` checks the shape and every number and says what is wrong in one line; `write_riff`
writes to a temporary file beside the target and renames it, so that a reader never sees half a
document. Keys that this version does not know survive a read and a write.
"""

from __future__ import annotations

import contextlib
import dataclasses
import itertools
import json
import math
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any, BinaryIO

from transcribe.core.errors import FormatError
from transcribe.core.files import write_atomically
from transcribe.core.limits import MOST_BEATS, MOST_BYTES, MOST_NOTES, MOST_SEC
from transcribe.core.riff import (
    ARTICULATIONS,
    Alternative,
    Drone,
    Instrument,
    Note,
    Phrase,
    Rhythm,
    Riff,
    Source,
    sort_notes,
)
from transcribe.formats.untyped import check_history, check_theory, parse, shown

__all__ = [
    "VERSION",
    "from_json",
    "read_riff",
    "to_bytes",
    "to_json",
    "within_limit",
    "write_riff",
]

VERSION = 1

_MIDI = (0, 127)
_MOST = {"sec": MOST_SEC, "beat": MOST_BEATS}  # by the unit that ends a key


class _Reader:
    """Takes keys out of one JSON object and keeps the rest; errors say where they are."""

    def __init__(self, value: Any, where: str) -> None:
        if not isinstance(value, Mapping):
            raise FormatError(f"{where} is {_kind(value)}, expected an object")
        self.rest = dict(value)
        self.where = where

    def take(self, key: str, default: Any = ...) -> Any:
        if key in self.rest:
            return self.rest.pop(key)
        if default is ...:
            raise FormatError(f"{self.where} lacks {key!r}")
        return default

    def number(
        self, key: str, default: Any = ..., *, low: float = -math.inf, high: float = math.inf
    ) -> Any:
        value = self.take(key, default)
        if value is None and default is None:
            return None
        number = self._finite(key, value)
        if not low <= number <= high:
            raise FormatError(f"{self.where}.{key} is {value!r}, expected {low:g} to {high:g}")
        return number

    def _finite(self, key: str, value: Any) -> float:
        """``value`` as a number within the limits of seconds and beats, by the end of its key."""
        number = math.nan
        if isinstance(value, int | float) and not isinstance(value, bool):
            with contextlib.suppress(OverflowError):
                number = float(value)
        if not math.isfinite(number):
            raise FormatError(f"{self.where}.{key} is {shown(value)}, expected a number")
        unit = key.rpartition("_")[2]
        if abs(number) > _MOST.get(unit, math.inf):
            raise FormatError(
                f"{self.where}.{key} is {number:g}, and the most is {_MOST[unit]:g}; cut the riff "
                "shorter"
            )
        return number

    def integer(
        self, key: str, default: Any = ..., *, low: float = -math.inf, high: float = math.inf
    ) -> Any:
        value = self.number(key, default, low=low, high=high)
        if value is None:
            return None
        if value != int(value):
            raise FormatError(f"{self.where}.{key} is {value!r}, expected a whole number")
        return int(value)

    def text(self, key: str, default: Any = ...) -> Any:
        value = self.take(key, default)
        if not isinstance(value, str) and not (value is None and default is None):
            raise FormatError(f"{self.where}.{key} is {_kind(value)}, expected text")
        return value

    def items(self, key: str, default: Any = ...) -> list[Any]:
        value = self.take(key, default)
        if not isinstance(value, list | tuple):
            raise FormatError(f"{self.where}.{key} is {_kind(value)}, expected a list")
        return list(value)

    def numbers(self, key: str, default: Any = ..., *, rising: bool = False) -> tuple[float, ...]:
        values = self.items(key, default)
        if len(values) > MOST_BEATS:
            raise FormatError(
                f"{self.where}.{key} holds {len(values)} numbers, and {MOST_BEATS:g} are the most"
            )
        values = [self._finite(key, value) for value in values]
        if rising and any(b <= a for a, b in itertools.pairwise(values)):
            raise FormatError(f"{self.where}.{key} must rise from each number to the next")
        return tuple(values)


def _kind(value: Any) -> str:
    if value is None:
        return "null"
    names = {dict: "an object", list: "a list", str: "text", bool: "true/false"}
    return names.get(type(value), shown(value))


def _instrument(value: Any) -> Instrument:
    r = _Reader(value, "instrument")
    default = Instrument()
    strings = r.numbers("open_midi", list(default.open_midi))
    if not 1 <= len(strings) <= 12 or any(s != int(s) or not 0 <= s <= 127 for s in strings):
        raise FormatError("instrument.open_midi must list 1 to 12 MIDI numbers, string 1 first")
    frets = r.integer("frets", default.frets, low=1, high=36)
    return Instrument(
        open_midi=tuple(int(s) for s in strings),
        capo=r.integer("capo", 0, low=0, high=frets - 1),
        frets=frets,
        scale_length_mm=r.number("scale_length_mm", default.scale_length_mm, low=100, high=2000),
        offset_cents=r.number("offset_cents", 0.0, low=-1200, high=1200),
        extra=r.rest,
    )


def _note(value: Any, index: int, instrument: Instrument) -> Note:
    r = _Reader(value, f"notes[{index}]")
    strings = len(instrument.open_midi)
    note = Note(
        id=r.integer("id", low=0),
        onset_sec=r.number("onset_sec"),
        offset_sec=r.number("offset_sec"),
        pitch_midi=r.integer("pitch_midi", low=_MIDI[0], high=_MIDI[1]),
        cents=r.number("cents", 0.0),
        loudness_db=r.number("loudness_db", None),
        confidence=r.number("confidence", 1.0, low=0, high=1),
        string=r.integer("string", None, low=1, high=strings),
        fret=r.integer("fret", None, low=0, high=instrument.top_fret),
        finger=r.integer("finger", None, low=0, high=4),
        articulation=r.text("articulation", "picked"),
        pinned=r.take("pinned", False),
        onset_beat=r.number("onset_beat", None),
        duration_beat=r.number("duration_beat", None),
        extra=r.rest,
    )
    if note.offset_sec <= note.onset_sec:
        raise FormatError(f"{r.where} ends at {note.offset_sec:g} s, not after its onset")
    if note.articulation not in ARTICULATIONS:
        raise FormatError(
            f"{r.where}.articulation is {note.articulation!r}, expected one of "
            + ", ".join(ARTICULATIONS)
        )
    if not isinstance(note.pinned, bool):
        raise FormatError(f"{r.where}.pinned is {note.pinned!r}, expected true or false")
    if (note.string is None) != (note.fret is None):
        raise FormatError(f"{r.where} has a string or a fret without the other")
    if note.string is not None and note.fret is not None:
        sounds = instrument.pitch_midi(note.string, note.fret)
        if sounds != note.pitch_midi:
            raise FormatError(
                f"{r.where}: string {note.string} fret {note.fret} sounds {sounds}, "
                f"but pitch_midi is {note.pitch_midi}"
            )
    return note


def _rhythm(value: Any) -> Rhythm:
    r = _Reader(value, "rhythm")
    meter = r.items("meter", [4, 4])
    if len(meter) != 2 or any(not isinstance(m, int) or not 1 <= m <= 64 for m in meter):
        raise FormatError(f"rhythm.meter is {meter!r}, expected two whole numbers such as [4, 4]")
    phrases = []
    for i, item in enumerate(r.items("phrases", [])):
        p = _Reader(item, f"rhythm.phrases[{i}]")
        phrases.append(
            Phrase(p.text("label"), p.number("start_beat"), p.number("end_beat"), extra=p.rest)
        )
    return Rhythm(
        bpm=r.number("bpm", low=1, high=1000),
        meter=(meter[0], meter[1]),
        beats_sec=r.numbers("beats_sec", [], rising=True),
        downbeats_sec=r.numbers("downbeats_sec", [], rising=True),
        phrases=tuple(phrases),
        extra=r.rest,
    )


def _drone(value: Any, instrument: Instrument) -> Drone:
    r = _Reader(value, "drone")
    strings = len(instrument.open_midi)
    others = r.numbers("other_strings", [])
    if any(s != int(s) or not 1 <= s <= strings for s in others):
        raise FormatError(f"drone.other_strings must hold string numbers from 1 to {strings}")
    return Drone(
        string=r.integer("string", low=1, high=strings),
        start_sec=r.number("start_sec"),
        end_sec=r.number("end_sec"),
        other_strings=tuple(int(s) for s in others),
        extra=r.rest,
    )


def _alternative(value: Any, index: int) -> Alternative:
    r = _Reader(value, f"alternatives[{index}]")
    positions: dict[int, tuple[int, int]] = {}
    raw = r.take("positions")
    if not isinstance(raw, Mapping):
        raise FormatError(f"{r.where}.positions is {_kind(raw)}, expected an object")
    for key, place in raw.items():
        good = isinstance(place, list | tuple) and len(place) == 2
        if not good or not all(isinstance(x, int) for x in place) or not str(key).isdecimal():
            raise FormatError(f"{r.where}.positions[{key!r}] is {place!r}, expected [string, fret]")
        positions[int(key)] = (place[0], place[1])
    return Alternative(r.text("name"), positions, r.number("cost"), extra=r.rest)


def from_json(value: Any) -> Riff:
    """A `Riff` from the parsed JSON of a riff document.

    Raises
    ------
    FormatError
        If a key is missing, a number is not finite or out of range, two notes share an id, or a
        string and fret do not sound the note's pitch.
    """
    r = _Reader(value, "the riff document")
    version = r.take("handspan", None)
    if version != VERSION:
        raise FormatError(
            f"the riff document says handspan: {version!r}, expected {VERSION}; "
            "is this a riff document, and made by this version?"
        )
    instrument = _instrument(r.take("instrument", {}))
    listed = r.items("notes")
    if len(listed) > MOST_NOTES:
        raise FormatError(f"there are {len(listed)} notes, and {MOST_NOTES} are the most")
    notes = [_note(item, i, instrument) for i, item in enumerate(listed)]
    ids = {note.id for note in notes}
    if len(ids) != len(notes):
        raise FormatError("two notes of the riff document share an id")
    source = None
    if (raw := r.take("source", None)) is not None:
        s = _Reader(raw, "source")
        source = Source(
            s.text("file", ""), s.number("duration_sec", None), s.text("sha256", None), extra=s.rest
        )
    rhythm = None if (raw := r.take("rhythm", None)) is None else _rhythm(raw)
    drone = None if (raw := r.take("drone", None)) is None else _drone(raw, instrument)
    theory = r.take("theory", None)
    if theory is not None and not isinstance(theory, Mapping):
        raise FormatError(f"theory is {_kind(theory)}, expected an object")
    check_theory(theory)
    history = r.items("history", [])
    if not all(isinstance(op, Mapping) for op in history):
        raise FormatError("history must list objects")
    check_history(history)
    alternatives = [_alternative(a, i) for i, a in enumerate(r.items("alternatives", []))]
    return Riff(
        instrument=instrument,
        notes=sort_notes(notes),
        source=source,
        rhythm=rhythm,
        drone=drone,
        theory=theory,
        alternatives=tuple(alternatives),
        history=tuple(history),
        extra=r.rest,
    )


def _plain(value: Any) -> dict[str, Any]:
    """A dataclass as JSON values, its unknown keys merged back in."""
    out = {f.name: getattr(value, f.name) for f in dataclasses.fields(value) if f.name != "extra"}
    return out | dict(value.extra)


def to_json(riff: Riff) -> dict[str, Any]:
    """The riff document as JSON values, in the order that a reader of the file wants them."""
    rhythm = None
    if riff.rhythm is not None:
        rhythm = _plain(riff.rhythm)
        rhythm["phrases"] = [_plain(p) for p in riff.rhythm.phrases]
    drone = None
    if riff.drone is not None:
        drone = _plain(riff.drone)
        if not riff.drone.other_strings:
            del drone["other_strings"]
    alternatives = []
    for alternative in riff.alternatives:
        plain = _plain(alternative)
        plain["positions"] = {str(i): list(p) for i, p in alternative.positions.items()}
        alternatives.append(plain)
    return {
        "handspan": VERSION,
        "source": None if riff.source is None else _plain(riff.source),
        "instrument": _plain(riff.instrument),
        "rhythm": rhythm,
        "notes": [_plain(note) for note in riff.notes],
        "drone": drone,
        "theory": None if riff.theory is None else dict(riff.theory),
        "alternatives": alternatives,
        "history": [dict(op) for op in riff.history],
    } | dict(riff.extra)


def read_riff(path: str | os.PathLike[str]) -> Riff:
    """Read a riff document.

    Raises
    ------
    FormatError
        If the file cannot be read, is not JSON, or is not a riff document.
    """
    path = Path(path)
    try:
        with path.open("rb") as file:
            text = within_limit(file).decode("utf-8")
    except FileNotFoundError:
        raise FormatError(f"{path}: there is no such file") from None
    except (OSError, UnicodeDecodeError) as error:
        raise FormatError(f"{path} cannot be read: {error}") from None
    try:
        value = parse(text)
    except FormatError as error:
        raise FormatError(f"{path}: {error}") from None
    except (json.JSONDecodeError, RecursionError) as error:
        place = f":{error.lineno}" if isinstance(error, json.JSONDecodeError) else ""
        raise FormatError(f"{path}{place}: not JSON; is this a riff document?") from None
    try:
        return from_json(value)
    except FormatError as error:
        raise FormatError(f"{path}: {error}") from None


def write_riff(riff: Riff, path: str | os.PathLike[str]) -> None:
    """Write a riff document; the file at ``path`` is the old one or the new one, never a part."""
    write_atomically(Path(path), to_bytes(riff))


def to_bytes(riff: Riff) -> bytes:
    """The riff document as it lies on disk.

    Raises
    ------
    FormatError
        If the riff is longer than a document may be, so that it could not be read again.
    """
    for note in riff.notes:
        beat = abs(note.onset_beat or 0.0) + (note.duration_beat or 0.0)
        if note.offset_sec > MOST_SEC or beat > MOST_BEATS:
            raise FormatError(
                f"note {note.id} ends at {note.offset_sec:g} s, on beat {beat:g}, and the most are "
                f"{MOST_SEC:g} s and {MOST_BEATS:g} beats; cut the riff shorter"
            )
    if len(riff.notes) > MOST_NOTES:
        raise FormatError(f"there are {len(riff.notes)} notes, and {MOST_NOTES} are the most")
    text = json.dumps(to_json(riff), indent=1, ensure_ascii=False, allow_nan=False)
    return (text + "\n").encode("utf-8")


def within_limit(file: BinaryIO) -> bytes:
    """What a file holds. Raises FormatError where it is larger than a document may be."""
    data = file.read(MOST_BYTES + 1)
    if len(data) > MOST_BYTES:
        raise FormatError(f"the file is larger than {MOST_BYTES // 2**20} MB, the most for a riff")
    return data
