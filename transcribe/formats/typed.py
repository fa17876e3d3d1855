"""The dataclasses of `transcribe.core.riff` and `lesson` from JSON values and back.

They are read by their own type hints.

A key is a field, a key that is no field goes to ``extra``, and a field without a default must be
there. Whatever is of another type, is not finite or lies outside its range is refused in one line
that says where it is.
"""

from __future__ import annotations

import contextlib
import dataclasses
import functools
import itertools
import math
import types
import typing
from collections.abc import Callable, Mapping
from typing import Any, Literal, TypeVar

from transcribe.core.errors import FormatError
from transcribe.core.lesson import Lesson
from transcribe.core.limits import (
    MAX_BEATS,
    MAX_DIGITS,
    MAX_NOTES,
    MAX_PARTS,
    MAX_SEC,
    MIN_BEAT_SEC,
)
from transcribe.core.riff import ARTICULATIONS, REQUESTS
from transcribe.formats.untyped import shown

__all__ = ["plain_values", "read_object"]

_Convert = Callable[[Any, str], Any]
"""A JSON value, and where it stands -> the value of the field."""

_T = TypeVar("_T")

_ANY = (-math.inf, math.inf)
_NATURAL = (0.0, math.inf)
_SHARE = (0.0, 1.0)
_BPM = (1.0, 1000.0)
_LIMITS = {"sec": MAX_SEC, "beat": MAX_BEATS}  # of a number, by the unit that ends its key
_RANGES = {  # of the other numbers, by type and field
    "Instrument.frets": (1, 36),
    "Instrument.capo": _NATURAL,
    "Instrument.scale_length_mm": (100, 2000),
    "Instrument.offset_cents": (-1200, 1200),
    "Note.id": _NATURAL,
    "Note.pitch_midi": (0, 127),
    "Note.confidence": _SHARE,
    "Note.fret": _NATURAL,
    "Note.finger": (0, 4),
    "Bend.cents": (-2400, 2400),
    "Bend.semitones": (-24, 24),
    "PhraseDifference.note": _NATURAL,
    "PhraseDifference.other": _NATURAL,
    "Rhythm.bpm": _BPM,
    "Rhythm.confidence": _SHARE,
    "Rhythm.pickup_beats": _NATURAL,
    "TempoChoice.bpm": _BPM,
    "TempoChoice.confidence": _SHARE,
    "MeterChoice.confidence": _SHARE,
    "Swing.ratio": _NATURAL,
    "Swing.share": _SHARE,
    "Timing.column_sec": _NATURAL,
    "Timing.bpm": _NATURAL,
    "Timing.bpm_unit": _NATURAL,
    "PlayerSettings.hand_span_mm": _NATURAL,
    "PlayerSettings.bpm": _BPM,
    "PlayerSettings.drone": (1, 12),
    "Segment.start_sec": _NATURAL,
    "Segment.end_sec": _NATURAL,
    "Request.number": (0, 36),
    "Alternative.hardest_note": _NATURAL,
    "FileForm.width": (1, math.inf),
    "Playing.start_sec": _NATURAL,
    "Playing.notes": _NATURAL,
    "Playing.unsure": _NATURAL,
    "Playing.uneven_sec": _NATURAL,
    "Playing.bpm": _BPM,
    "Playing.alike": _SHARE,
    "LessonPart.start_bpm": _BPM,
}
_CHOICES = {"Note.articulation": ARTICULATIONS, "Request.kind": REQUESTS}
_RISING = {"Rhythm.beats_sec", "Rhythm.downbeats_sec", "Timing.bars_sec"}
_NEEDED = {"Riff.notes"}  # though they have a default
_MAX_ITEMS = {"Riff.notes": MAX_NOTES, "Lesson.parts": MAX_PARTS}


def read_object(kind: Callable[..., _T], value: Any, where: str) -> _T:
    """An object of a dataclass with a field ``extra``.

    Parameters
    ----------
    kind : type
        The dataclass that is wanted.
    value : Any
        JSON values.
    where : str
        What errors call the object; empty for the document itself.

    Raises
    ------
    FormatError
        If ``value`` is no object, lacks a key, or holds a value of another type or out of range.

    Examples
    --------
    >>> from transcribe.core.riff import Swing
    >>> read_object(Swing, {"ratio": 2, "share": 0.667, "mine": 1}, "rhythm.swing")
    Swing(ratio=2.0, share=0.667, extra={'mine': 1})
    """
    name = where or f"the {'lesson' if kind is Lesson else 'riff'} document"
    if not isinstance(value, Mapping):
        raise FormatError(f"{name} is {_kind_name(value)}, expected an object")
    rest = dict(value)
    found = {}
    for key, needed, convert in _plan(kind):
        if key in rest:
            found[key] = convert(rest.pop(key), f"{where}.{key}" if where else key)
        elif needed:
            raise FormatError(f"{name} lacks {key!r}")
    return kind(**found, extra=rest)


def _kind_name(value: Any) -> str:
    """What an error calls a JSON value of the wrong type."""
    if value is None:
        return "null"
    names = {dict: "an object", list: "a list", str: "text", bool: "true/false"}
    return names.get(type(value), shown(value))


@functools.cache
def _plan(kind: Any) -> tuple[tuple[str, bool, _Convert], ...]:
    """Name of each field of a dataclass, whether it must be there, and how its value is read."""
    hints = typing.get_type_hints(kind)
    plan = []
    for field in dataclasses.fields(kind):
        path = f"{kind.__name__}.{field.name}"
        defaults = (field.default, field.default_factory)
        needed = path in _NEEDED or all(d is dataclasses.MISSING for d in defaults)
        if field.name != "extra":
            plan.append((field.name, needed, _converter(hints[field.name], path)))
    return tuple(plan)


def _converter(hint: Any, path: str) -> _Convert:
    """How a value of a type is read; ``path`` is its type and field."""
    origin, inner = typing.get_origin(hint), typing.get_args(hint)
    if origin in (types.UnionType, typing.Union):
        return _union([option for option in inner if option is not types.NoneType], path)
    if origin is Literal or path in _CHOICES:
        return functools.partial(_choice, inner or _CHOICES[path])
    if origin is tuple and inner == (int, int):
        return _bars if path == "LessonPart.bars" else _meter
    if origin is tuple:
        return functools.partial(_items, _converter(inner[0], path), path)
    if inner == (int, tuple[int, int]):
        return _places
    if inner == (str, Any):
        return _object
    if origin is not None:  # a mapping of objects
        return lambda value, where: {
            key: read_object(inner[1], item, f"{where}.{key}")
            for key, item in _object(value, where).items()
        }
    if hint in (int, float):
        return functools.partial(_number, _RANGES.get(path, _ANY), hint is int)
    if hint in (bool, str):
        return _flag if hint is bool else _text
    return functools.partial(read_object, hint)


def _union(options: list[Any], path: str) -> _Convert:
    """A value of one of some types, or null; a number decides for a number."""
    readers = [_converter(option, path) for option in options]

    def read(value: Any, where: str) -> Any:
        number = isinstance(value, int | float)
        return None if value is None else readers[-1 if number else 0](value, where)

    return read


def _finite(value: Any, where: str) -> float:
    """A number within the limits of seconds and beats, by the end of its key."""
    number = math.nan
    if isinstance(value, int | float) and not isinstance(value, bool):
        with contextlib.suppress(OverflowError):
            number = float(value)
    if not math.isfinite(number):
        raise FormatError(f"{where} is {shown(value)}, expected a number")
    limit = _LIMITS.get(where.rpartition(".")[2].partition("[")[0].rpartition("_")[2], math.inf)
    if abs(number) > limit:
        raise FormatError(f"{where} is {number:g}, and the most is {limit:g}; cut the riff shorter")
    return number


def _number(limits: tuple[float, float], whole: bool, value: Any, where: str) -> float | int:
    number, (low, high) = _finite(value, where), limits
    if not low <= number <= high:
        raise FormatError(f"{where} is {value!r}, expected {low:g} to {high:g}")
    if whole and number != int(number):
        raise FormatError(f"{where} is {value!r}, expected a whole number")
    return int(value) if whole else number


def _text(value: Any, where: str) -> str:
    if not isinstance(value, str):
        raise FormatError(f"{where} is {_kind_name(value)}, expected text")
    return value


def _flag(value: Any, where: str) -> bool:
    if not isinstance(value, bool):
        raise FormatError(f"{where} is {shown(value)}, expected true or false")
    return value


def _choice(values: tuple[str, ...], value: Any, where: str) -> str:
    if value not in values:
        raise FormatError(f"{where} is {shown(value)}, expected one of {', '.join(values)}")
    return str(value)


def _object(value: Any, where: str) -> Mapping[str, Any]:
    if not isinstance(value, Mapping):
        raise FormatError(f"{where} is {_kind_name(value)}, expected an object")
    return value


def _items(convert: _Convert, path: str, value: Any, where: str) -> tuple[Any, ...]:
    if not isinstance(value, list | tuple):
        raise FormatError(f"{where} is {_kind_name(value)}, expected a list")
    most = _MAX_ITEMS.get(path, int(MAX_BEATS))
    if len(value) > most:
        raise FormatError(f"{where} lists {len(value)}, and {most} are the most")
    items = tuple(convert(item, f"{where}[{i}]") for i, item in enumerate(value))
    if path in _RISING and any(b - a < MIN_BEAT_SEC for a, b in itertools.pairwise(items)):
        raise FormatError(f"{where} must rise by {MIN_BEAT_SEC:g} s from each number to the next")
    return items


def _pair(value: Any) -> tuple[int, int] | None:
    """Two whole numbers; None where they are something else."""
    good = isinstance(value, list | tuple) and len(value) == 2
    return (value[0], value[1]) if good and all(type(n) is int for n in value) else None


def _meter(value: Any, where: str) -> tuple[int, int]:
    meter = _pair(value)
    if meter is None or not all(1 <= number <= 64 for number in meter):
        raise FormatError(f"{where} is {shown(value)}, expected two whole numbers such as [4, 4]")
    return meter


def _bars(value: Any, where: str) -> tuple[int, int]:
    bars = _pair(value)
    if bars is None or not 0 <= bars[0] <= bars[1] <= MAX_BEATS:
        raise FormatError(f"{where} is {shown(value)}, expected a first and a last bar, as [1, 4]")
    return bars


def _places(value: Any, where: str) -> dict[int, tuple[int, int]]:
    """Note ids, as text, with (string, fret)."""
    found = {}
    for note, place in _object(value, where).items():
        pair = _pair(place)
        if pair is None or not note.isdecimal() or len(note) > MAX_DIGITS:
            raise FormatError(f"{where}[{note!r}] is {shown(place)}, expected [string, fret]")
        found[int(note)] = pair
    return found


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


_SCALARS = frozenset({str, int, float, bool, type(None)})


def plain_values(value: Any) -> Any:
    """A value as JSON values: an object for a dataclass, its unknown keys merged back in.

    A field that is rarely set is left out while it holds its default.
    """
    if value.__class__ in _SCALARS:
        return value
    if dataclasses.is_dataclass(value):
        out: dict[str, Any] = {}
        for name, rare, default in _fields(value.__class__):
            item = getattr(value, name)
            if not (rare and item == default):
                out[name] = item if item.__class__ in _SCALARS else plain_values(item)
        return out | dict(getattr(value, "extra"))  # noqa: B009 - every type of the riff has it
    if isinstance(value, Mapping):
        return {str(key): plain_values(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain_values(item) for item in value]
    return value
