"""One change of the page, made to a riff: what the browser asks for, checked and carried out."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

from transcribe.core.clock import MAX_BPM, MIN_BPM, bpm_as_counted
from transcribe.core.errors import ParameterError
from transcribe.core.riff import Riff
from transcribe.correct import note_edits, requests
from transcribe.correct.history import redo, undo
from transcribe.page.worker.settings import meter_of, number

__all__ = ["changed"]


def changed(riff: Riff, wanted: Mapping[str, Any]) -> Riff:
    """``riff`` with one change of the page made.

    Raises
    ------
    ParameterError
        If there is no such change, or it cannot be made.
    """
    from transcribe.correct.pins import pin, places_as_written, unpin

    op = wanted.get("op")
    if op == "pin":
        place = (_whole(wanted, "string"), _whole(wanted, "fret"))
        places = {_whole(wanted, "note"): place}
        for other in _wholes(wanted, "also") if "also" in wanted else ():
            places[other] = place
        return pin(riff, places, repeats=wanted.get("repeats") is True)
    if op == "several":
        return _several(riff, wanted)
    if op == "alternative":
        return requests.take(riff, _whole(wanted, "number") + 1)
    if op == "ask":
        text = str(wanted.get("words", ""))[:200]
        asked = requests.request_of(riff, text, repeats=wanted.get("repeats") is True)
        if "notes" in wanted:
            asked = dataclasses.replace(asked, notes=tuple(_wholes(wanted, "notes")))
        return requests.ask(riff, [asked])
    if op == "withdraw":
        return requests.withdraw(riff, [_whole(wanted, "number") + 1])
    if op == "unpin":
        repeats = wanted.get("repeats") is True
        return unpin(riff, [_whole(wanted, "note")], repeats=repeats)
    if op == "anew":
        ids = places_as_written(riff)
        if not ids:
            raise ParameterError("no note is held where it was written any more")
        return unpin(riff, ids, repeats=False)
    if op == "undo":
        return undo(riff)
    if op == "redo":
        return redo(riff)
    if op == "delete":
        return note_edits.delete(riff, _wholes(wanted, "notes"))
    if op == "confirm":
        return note_edits.confirm(riff, _wholes(wanted, "notes"))
    if op == "add":
        return note_edits.add(
            riff,
            onset_sec=number(wanted, "onset_sec", 0, 1e5),
            offset_sec=number(wanted, "offset_sec", 0, 1e5),
            pitch_midi=_whole(wanted, "pitch_midi"),
        )
    if op == "change":
        pitch = _whole(wanted, "pitch_midi") if "pitch_midi" in wanted else None
        times = {
            key: number(wanted, key, 0, 1e5) for key in ("onset_sec", "offset_sec") if key in wanted
        }
        technique = str(wanted["articulation"]) if "articulation" in wanted else None
        return note_edits.change(
            riff, _whole(wanted, "note"), pitch_midi=pitch, articulation=technique, **times
        )
    if op == "merge":
        return note_edits.merge(riff, _wholes(wanted, "notes"))
    if op in ("half-time", "double-time", "retime"):
        return _retimed(riff, str(op), wanted)
    if op == "split":
        at = number(wanted, "at_sec", 0, 1e5) if "at_sec" in wanted else None
        return note_edits.split(riff, _whole(wanted, "note"), at_sec=at)
    raise ParameterError(f"there is no change called {op!r}")


def _several(riff: Riff, wanted: Mapping[str, Any]) -> Riff:
    """``riff`` with several notes on one string, in one position, or played in one way."""
    from transcribe.correct.pins import pin
    from transcribe.correct.several import places_in_position, places_on_string

    ids = _wholes(wanted, "notes")
    if "articulation" in wanted:
        return note_edits.set_technique(riff, ids, str(wanted["articulation"]))
    if "position" in wanted:
        places = places_in_position(riff, ids, _whole(wanted, "position"))
    else:
        places = places_on_string(riff, ids, _whole(wanted, "string"))
    return pin(riff, places, repeats=False)


def _retimed(riff: Riff, op: str, wanted: Mapping[str, Any]) -> Riff:
    """``riff`` with its beats twice or half as long, or found again from what is known."""
    from transcribe.correct import retime

    if op == "half-time":
        return retime.half_time(riff)
    if op == "double-time":
        return retime.double_time(riff)
    known: dict[str, Any] = {}
    if wanted.get("meter"):
        known["meter"] = meter_of(wanted["meter"])
    if wanted.get("bpm") is not None:
        meter = known.get("meter") or (riff.rhythm.meter if riff.rhythm is not None else None)
        known["bpm"] = bpm_as_counted(number(wanted, "bpm", MIN_BPM, MAX_BPM), meter)
    if wanted.get("first_beat_sec") is not None:
        known["first_beat_sec"] = number(wanted, "first_beat_sec", 0, 1e5)
    return retime.retime(riff, **known)


def _whole(values: Mapping[str, Any], key: str) -> int:
    value = values.get(key)
    if isinstance(value, bool) or not isinstance(value, int):
        raise ParameterError(f"{key} is {value!r}, expected a whole number")
    return value


def _wholes(values: Mapping[str, Any], key: str) -> list[int]:
    given = values.get(key)
    if not isinstance(given, list) or len(given) > 10_000:
        raise ParameterError(f"{key} must list notes")
    return [_whole({key: item}, key) for item in given]
