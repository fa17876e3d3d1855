"""The riff document, ``NAME.riff.json``: JSON in UTF-8, version 2.

The keys are the fields of the types in `transcribe.core.riff`, whose docstrings are the contract;
those that are rarely set are left out while they hold their default. `read_riff` checks the shape
and every number and says what is wrong in one line; `write_riff` writes to a temporary file beside
the target and renames it, so that a reader never sees half a document. Keys that this version does
not know survive a read and a write. Documents of version 1 are read, too
(`transcribe.formats.document_1`), and written as version 2.
"""

from __future__ import annotations

import contextlib
import dataclasses
import functools
import itertools
import json
import math
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any, BinaryIO

from transcribe.core.errors import FormatError
from transcribe.core.files import write_atomically
from transcribe.core.limits import MOST_BEATS, MOST_BYTES, MOST_DIGITS, MOST_NOTES, MOST_SEC
from transcribe.core.riff import (
    ARTICULATIONS,
    REQUESTS,
    Alternative,
    Bend,
    Drone,
    FileForm,
    Instrument,
    MeterChoice,
    Note,
    Phrase,
    PhraseDifference,
    PlayerSettings,
    Remark,
    Request,
    Rhythm,
    Riff,
    Segment,
    Source,
    Step,
    Swing,
    TempoChoice,
    Timing,
    sort_notes,
)
from transcribe.core.wording import sentence
from transcribe.formats.document_1 import from_version_1
from transcribe.formats.untyped import check_theory, parse, shown

__all__ = [
    "VERSION",
    "from_json",
    "read_riff",
    "to_bytes",
    "to_json",
    "within_limit",
    "write_riff",
]

VERSION = 2

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

    def one_of(self, key: str, values: tuple[str, ...], default: Any = ...) -> Any:
        value = self.take(key, default)
        if value not in values and not (value is None and default is None):
            expected = ", ".join(values)
            raise FormatError(f"{self.where}.{key} is {shown(value)}, expected one of {expected}")
        return value

    def flag(self, key: str) -> bool:
        value = self.take(key, False)
        if not isinstance(value, bool):
            raise FormatError(f"{self.where}.{key} is {shown(value)}, expected true or false")
        return value

    def mapping(self, key: str) -> dict[str, Any]:
        value = self.take(key, {})
        if not isinstance(value, Mapping):
            raise FormatError(f"{self.where}.{key} is {_kind(value)}, expected an object")
        return dict(value)

    def inside(self, key: str) -> _Reader | None:
        """The object under ``key``; None where there is none."""
        value = self.take(key, None)
        return None if value is None else _Reader(value, f"{self.where}.{key}")

    def texts(self, key: str) -> tuple[str, ...]:
        values = self.items(key, [])
        if not all(isinstance(value, str) for value in values):
            raise FormatError(f"{self.where}.{key} must list texts")
        return tuple(values)

    def each(self, key: str) -> list[_Reader]:
        """The objects of the list under ``key``."""
        items = self.items(key, [])
        return [_Reader(item, f"{self.where}.{key}[{i}]") for i, item in enumerate(items)]

    def meter(self, key: str, default: Any = ...) -> Any:
        value = self.take(key, default)
        if value is None and default is None:
            return None
        good = isinstance(value, list | tuple) and len(value) == 2
        if not good or any(type(m) is not int or not 1 <= m <= 64 for m in value):
            raise FormatError(
                f"{self.where}.{key} is {shown(value)}, expected two whole numbers such as [4, 4]"
            )
        return (value[0], value[1])

    def places(self, key: str, default: Any = ...) -> dict[int, tuple[int, int]]:
        raw = self.take(key, default)
        if not isinstance(raw, Mapping):
            raise FormatError(f"{self.where}.{key} is {_kind(raw)}, expected an object")
        found: dict[int, tuple[int, int]] = {}
        for note, place in raw.items():
            good = isinstance(place, list | tuple) and len(place) == 2
            good = good and all(type(x) is int for x in place) and len(str(note)) <= MOST_DIGITS
            if not good or not str(note).isdecimal():
                raise FormatError(
                    f"{self.where}.{key}[{note!r}] is {shown(place)}, expected [string, fret]"
                )
            found[int(note)] = (place[0], place[1])
        return found

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
        articulation=r.one_of("articulation", ARTICULATIONS, "picked"),
        pinned=r.flag("pinned"),
        onset_beat=r.number("onset_beat", None),
        duration_beat=r.number("duration_beat", None),
        bend=_bend(r.inside("bend")),
        slide=r.one_of("slide", ("up", "down"), None),
        soft=r.flag("soft"),
        tapped=r.flag("tapped"),
        added=r.flag("added"),
        extra=r.rest,
    )
    if note.offset_sec <= note.onset_sec:
        raise FormatError(f"{r.where} ends at {note.offset_sec:g} s, not after its onset")
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


def _bend(r: _Reader | None) -> Bend | None:
    if r is None:
        return None
    return Bend(
        cents=r.number("cents", None, low=-2400, high=2400),
        semitones=r.number("semitones", None, low=-24, high=24),
        released=r.flag("released"),
        extra=r.rest,
    )


def _phrase(r: _Reader) -> Phrase:
    return Phrase(
        label=r.text("label"),
        start_beat=r.number("start_beat"),
        end_beat=r.number("end_beat"),
        repeats_beat=r.number("repeats_beat", None),
        differences=tuple(
            PhraseDifference(
                beat=d.number("beat"),
                kind=d.one_of("kind", ("changed", "added", "left out")),
                note=d.integer("note", None, low=0),
                other=d.integer("other", None, low=0),
                extra=d.rest,
            )
            for d in r.each("differences")
        ),
        extra=r.rest,
    )


def _rhythm(value: Any) -> Rhythm:
    r = _Reader(value, "rhythm")
    swing = r.inside("swing")
    return Rhythm(
        bpm=r.number("bpm", low=1, high=1000),
        meter=r.meter("meter", (4, 4)),
        beats_sec=r.numbers("beats_sec", [], rising=True),
        downbeats_sec=r.numbers("downbeats_sec", [], rising=True),
        phrases=tuple(_phrase(p) for p in r.each("phrases")),
        confidence=r.number("confidence", None, low=0, high=1),
        bpm_choices=tuple(
            TempoChoice(
                bpm=c.number("bpm", low=1, high=1000),
                meter=c.meter("meter"),
                confidence=c.number("confidence", low=0, high=1),
                extra=c.rest,
            )
            for c in r.each("bpm_choices")
        ),
        meter_choices=tuple(
            MeterChoice(
                meter=c.meter("meter"),
                confidence=c.number("confidence", low=0, high=1),
                extra=c.rest,
            )
            for c in r.each("meter_choices")
        ),
        swing=None
        if swing is None
        else Swing(
            ratio=swing.number("ratio", low=0),
            share=swing.number("share", low=0, high=1),
            extra=swing.rest,
        ),
        count_in_sec=r.numbers("count_in_sec", []),
        pickup_beats=r.number("pickup_beats", 0.0, low=0),
        extra=r.rest,
    )


def _timing(value: Any) -> Timing:
    r = _Reader(value, "timing")
    return Timing(
        kind=r.one_of("kind", ("heard", "written", "order"), "written"),
        lengths=r.one_of("lengths", ("known", "ring"), "known"),
        column_sec=r.number("column_sec", None, low=0),
        bars_sec=r.numbers("bars_sec", [], rising=True),
        meter=r.meter("meter", None),
        meter_told=r.flag("meter_told"),
        bpm=r.number("bpm", None, low=0),
        bpm_unit=r.number("bpm_unit", None, low=0),
        extra=r.rest,
    )


def _player(value: Any) -> PlayerSettings:
    r = _Reader(value, "player")
    drone = r.take("drone", None)
    if drone not in (None, "auto", "off") and (type(drone) is not int or not 1 <= drone <= 12):
        raise FormatError(f"player.drone is {drone!r}, expected auto, off or a string's number")
    return PlayerSettings(
        hand_span_mm=r.number("hand_span_mm", None, low=0),
        bpm=r.number("bpm", None, low=1, high=1000),
        meter=r.meter("meter", None),
        first_beat_sec=r.number("first_beat_sec", None),
        drone=drone,
        instrument_told=r.flag("instrument_told"),
        requests=tuple(_request(request) for request in r.each("requests")),
        extra=r.rest,
    )


def _request(r: _Reader) -> Request:
    notes = r.take("notes", None)
    if notes is not None:
        good = isinstance(notes, list | tuple) and len(notes) <= MOST_NOTES
        if not good or any(type(note) is not int for note in notes):
            raise FormatError(f"{r.where}.notes is {shown(notes)}, expected a list of notes")
    return Request(
        kind=r.one_of("kind", REQUESTS),
        number=r.integer("number", None, low=0, high=36),
        notes=None if notes is None else tuple(notes),
        name=r.text("name", ""),
        places=r.places("places", {}),
        extra=r.rest,
    )


def _remark(r: _Reader) -> Remark:
    facts = r.take("facts", {})
    if not isinstance(facts, Mapping):
        raise FormatError(f"{r.where}.facts is {_kind(facts)}, expected an object")
    notes = tuple(int(note) for note in r.numbers("notes", []))
    remark = Remark(kind=r.text("kind"), facts=facts, notes=notes, extra=r.rest)
    try:
        sentence(remark)
    except (LookupError, TypeError, ValueError):
        raise FormatError(f"{r.where}.facts lack what a remark {remark.kind!r} says") from None
    return remark


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
    why = r.inside("why")
    return Alternative(
        name=r.text("name"),
        positions=r.places("positions"),
        cost=r.number("cost"),
        hardest_note=r.integer("hardest_note", None, low=0),
        hardest_sec=r.number("hardest_sec", None),
        why=None if why is None else _remark(why),
        extra=r.rest,
    )


def _step(r: _Reader) -> Step:
    return Step(
        kind=r.text("kind"),
        notes=tuple(int(note) for note in r.numbers("notes", [])),
        undo=_change(r.take("undo", {}), f"{r.where}.undo"),
        redo=_change(r.take("redo", {}), f"{r.where}.redo"),
        solve_again=r.flag("solve_again"),
        extra=r.rest,
    )


def _change(value: Any, where: str) -> Mapping[str, Any]:
    """A change of an object, as `transcribe.correct.history` makes it; its values may be any."""
    r = _Reader(value, where)
    r.mapping("set")
    r.texts("remove")
    for key, inside in r.mapping("in").items():
        _change(inside, f"{where}.in.{key}")
    if r.rest:
        raise FormatError(f"{where} holds {next(iter(r.rest))!r}, expected set, in or remove")
    return dict(value)


def _files(r: _Reader | None) -> dict[str, FileForm]:
    if r is None:
        return {}
    forms = {kind: _Reader(value, f"{r.where}.{kind}") for kind, value in r.rest.items()}
    return {
        kind: FileForm(
            width=f.integer("width", 80, low=1),
            repeats=f.flag("repeats"),
            sha256=f.text("sha256", None),
            extra=f.rest,
        )
        for kind, f in forms.items()
    }


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
    if version == 1:
        return from_json(from_version_1(value))
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
    alternatives = [_alternative(a, i) for i, a in enumerate(r.items("alternatives", []))]
    return Riff(
        instrument=instrument,
        notes=sort_notes(notes),
        source=source,
        rhythm=rhythm,
        drone=drone,
        theory=theory,
        alternatives=tuple(alternatives),
        history=tuple(_step(item) for item in r.each("history")),
        timing=_timing(r.take("timing", {})),
        player=_player(r.take("player", {})),
        warnings=tuple(_remark(item) for item in r.each("warnings")),
        unmet=tuple(_remark(item) for item in r.each("unmet")),
        cautions=tuple(_remark(item) for item in r.each("cautions")),
        written_places=r.places("written_places", {}),
        left_out=r.texts("left_out"),
        files=_files(r.inside("files")),
        about=r.text("about", ""),
        segments=tuple(
            Segment(
                start_sec=s.number("start_sec", low=0),
                end_sec=s.number("end_sec", low=0),
                kind=s.one_of("kind", ("playing", "talk", "neither")),
                extra=s.rest,
            )
            for s in r.each("segments")
        ),
        extra=r.rest,
    )


@functools.cache
def _fields(kind: type) -> tuple[tuple[str, bool, Any], ...]:
    """Name, whether it is left out at its default, and default of each field of a dataclass."""
    return tuple(
        (
            f.name,
            bool(f.metadata.get("rare")),
            f.default if f.default_factory is dataclasses.MISSING else f.default_factory(),
        )
        for f in dataclasses.fields(kind)
        if f.name != "extra"
    )


def _plain(value: Any) -> Any:
    """A value as JSON values: an object for a dataclass, its unknown keys merged back in."""
    if dataclasses.is_dataclass(value):
        out: dict[str, Any] = {}
        for name, rare, default in _fields(value.__class__):
            item = getattr(value, name)
            if not (rare and item == default):
                out[name] = _plain(item)
        return out | dict(getattr(value, "extra"))  # noqa: B009 - every type of the riff has it
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    return value


def to_json(riff: Riff) -> dict[str, Any]:
    """The riff document as JSON values, in the order that a reader of the file wants them."""
    plain = _plain(riff)
    first = {key: plain.pop(key) for key in ("source", "instrument", "timing", "rhythm", "notes")}
    return {"handspan": VERSION} | first | plain


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
