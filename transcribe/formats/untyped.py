"""What is checked of the parts of a riff document that are kept as plain JSON values.

`parse` takes only JSON that can be written again; `check_theory` and `check_history` hold the two
sections to the shapes below. A key that is not named there may hold anything; ``null`` stands for
a value that is not there.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from typing import Any

from transcribe.core.errors import FormatError
from transcribe.core.limits import MAX_DEPTH, MAX_DIGITS, MAX_SEC

__all__ = ["check_characters", "check_history", "check_theory", "parse", "shown"]

_SHAPE = {"symbol": str, "frets": [int], "fingers": [int], "short": str, "caution": str}
_FRET = {"string": int, "fret": int, "note": str, "degree": str, "mark": str}
_MODE = {
    **{"tonic": str, "name": str, "confidence": float, "sureness": str, "parent": str},
    **{"notes": [str], "evidence": [str], "deciding": [str], "undecided": [str]},
    "candidates": [str],
    "degrees": [{"degree": str, "note": str, "count": int, "share": float, "role": str}],
    "runners_up": [{"tonic": str, "name": str, "confidence": float}],
    "written": {"tonic": str, "name": str, "held": bool, "against": str},
}
_THEORY = {
    "mode": _MODE,
    "chords": [{"start_sec": float, "end_sec": float, "symbol": str, "roman": str}],
    "loop": {
        **{"symbols": [str], "romans": [str], "bars": int, "times": float, "by_bar": [[str]]},
        **{"plain": [str], "plain_romans": [str], "departures": [{"bar": int, "symbols": [str]}]},
    },
    "ways": [
        {
            **{
                "symbol": str,
                "as_played": str,
                "plain": [_SHAPE],
                "easier": [_SHAPE],
                "heavier": [_SHAPE],
            },
            "capo": [{"capo": int, "think": str, "shape": _SHAPE}],
        }
    ],
    "scale": {"on_string": [_FRET], "in_position": [_FRET]},
}
_STATE = {"set": {}, "without": [str]}
_GIVEN = {"bpm": float, "meter": [int], "first_beat_sec": float, "instrument": bool}
_ENTRY = {
    **{"op": str, "kind": str, "group": int, "note": int, "string": int, "fret": int},
    **{"was": [int], "removed": [{"id": int}], "added": [{"id": int}]},
    **{"given": _GIVEN, "from": _STATE, "to": _STATE},
}
_NEEDED = {"pin": ("note", "string", "fret"), "unpin": ("note",), "edit": ("removed", "added")}


def parse(text: str | bytes) -> Any:
    """The JSON values of ``text``.

    Raises
    ------
    FormatError
        If a number is too large or none, text breaks off inside a character, or lists and objects
        lie too deep in each other.
    json.JSONDecodeError, UnicodeDecodeError, RecursionError
        If it is not JSON.
    """
    text = text if isinstance(text, str) else text.decode("utf-8")
    odd: list[str] = []

    def number(digits: str) -> float:
        found = float(digits)
        if not math.isfinite(found):
            odd.append(digits)
        return found

    value = json.loads(text, parse_int=_whole, parse_float=number, parse_constant=number)
    _check_depth(value)
    if odd:
        raise FormatError(
            f"{_place_of_odd(value)} is {odd[0][:24]}, expected a number that is finite"
        )
    check_characters(text, value)
    return value


def check_characters(text: str, value: Any) -> None:
    """Raise FormatError if ``value``, which the JSON ``text`` holds, has half a character in it."""
    if re.search(r"\\u[dD][89a-fA-F]", text):
        try:
            json.dumps(value, ensure_ascii=False).encode("utf-8")
        except UnicodeEncodeError:
            raise FormatError("a text in it holds half a character (a lone surrogate)") from None


def check_theory(theory: Any) -> None:
    """Raise FormatError unless the theory section is made as `theory.Report` makes it."""
    _check(theory, _THEORY, "theory")


def check_history(history: Any) -> None:
    """Raise FormatError unless every entry can be undone or passed over."""
    for i, entry in enumerate(history):
        where = f"history[{i}]"
        if entry is None:
            raise FormatError(f"{where} is null")
        _check(entry, _ENTRY, where)
        for key in _NEEDED.get(entry.get("op"), ()):
            if entry.get(key) is None:
                raise FormatError(f"{where} lacks {key!r}")
        if entry.get("op") == "edit":
            whole = [entry.get(key) for key in ("from", "to")]
            if any(whole) and not all(s and "set" in s and "without" in s for s in whole):
                raise FormatError(f"{where} lacks what it was made from or led to")
            notes = [*entry["removed"], *entry["added"]]
            if any(note.get("id") is None for note in notes):
                raise FormatError(f"{where} holds a note without 'id'")
            if not notes and not any(whole):
                raise FormatError(f"{where} changes no note")
        if (was := entry.get("was")) is not None and len(was) != 2:
            raise FormatError(f"{where}.was is {shown(was)}, expected [string, fret]")


def shown(value: Any) -> str:
    """``value`` as an error message shows it: on one line, and not long."""
    try:
        text = " ".join(repr(value).split())
    except ValueError:  # a whole number with more digits than Python writes
        return "a number of too many digits"
    return text if len(text) <= 40 else f"{text[:37]}..."


def _check(value: Any, shape: Any, where: str) -> None:
    if value is None:
        return
    if isinstance(shape, dict):
        if not isinstance(value, Mapping):
            raise FormatError(f"{where} is {shown(value)}, expected an object")
        for key in value.keys() & shape.keys():
            _check(value[key], shape[key], f"{where}.{key}")
    elif isinstance(shape, list):
        if not isinstance(value, list | tuple):
            raise FormatError(f"{where} is {shown(value)}, expected a list")
        for i, item in enumerate(value):
            if item is None and shape[0] is not int:
                raise FormatError(f"{where}[{i}] is null")
            _check(item, shape[0], f"{where}[{i}]")
    elif not _is(value, shape):
        names = {str: "text", int: "a whole number", float: "a number", bool: "true or false"}
        raise FormatError(f"{where} is {shown(value)}, expected {names[shape]}")
    elif where.endswith("_sec") and abs(value) > MAX_SEC:
        raise FormatError(f"{where} is {shown(value)}, expected at most {MAX_SEC:g} seconds")


def _is(value: Any, kind: type) -> bool:
    if kind in (int, float) and isinstance(value, bool):
        return False
    if kind is float:
        return isinstance(value, int) or (isinstance(value, float) and math.isfinite(value))
    return isinstance(value, kind)


def _whole(digits: str) -> int:
    if len(digits) > MAX_DIGITS + 1:
        raise FormatError(
            f"the number {digits[:12]}... has {len(digits)} digits, and {MAX_DIGITS} are the most"
        )
    return int(digits)


def _place_of_odd(value: Any, where: str = "") -> str | None:
    """Where the first number lies that is not finite; None where there is none."""
    if isinstance(value, float) and not math.isfinite(value):
        return where or "the document"
    inner: list[tuple[str, Any]] = []
    if isinstance(value, dict):
        inner = [(f"{where}.{key[:40]}" if where else key[:40], value[key]) for key in value]
    elif isinstance(value, list):
        inner = [(f"{where}[{i}]", item) for i, item in enumerate(value)]
    return next((found for at, item in inner if (found := _place_of_odd(item, at))), None)


def _check_depth(value: Any) -> None:
    level = [value]
    for _ in range(MAX_DEPTH):
        level = [
            item
            for outer in level
            if type(outer) in (dict, list)
            for item in (outer.values() if type(outer) is dict else outer)
            if type(item) in (dict, list)
        ]
        if not level:
            return
    raise FormatError(f"lists and objects lie more than {MAX_DEPTH} deep in each other")
