"""Version 1 of the riff document: where its facts stand in version 2.

Version 1 kept what the program came to know in keys beside those of its contract: a bend's size
in the note, a tab's bar lines and the player's settings at the top, remarks as sentences. Every
one of them has a place in version 2; keys of other programs stay where they were.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from transcribe.formats.history_1 import steps
from transcribe.formats.untyped import check_history

__all__ = ["from_version_1"]

_TIMING = {  # key of version 1 -> key of "timing"
    "column_sec": "column_sec",
    "bars_sec": "bars_sec",
    "meter": "meter",
    "meter_told": "meter_given",
}
_PARTS = {  # key of version 2 -> the keys of version 1 that it is made of
    "timing": (*_TIMING, "timing", "durations", "bpm_told", "rhythm"),
    "player": ("hand_span_mm", "said"),
    "written_places": ("as_written",),
}


def from_version_1(value: Mapping[str, Any]) -> dict[str, Any]:
    """The JSON of a document of version 1 as that of version 2.

    Values are moved, not checked: the reader of version 2 does that.
    """
    new = _top(value)
    if isinstance(history := value.get("history"), list):
        check_history(history)
        entries = [_entry(entry, value) for entry in history]
        new["history"], new["player"] = steps(entries, new.get("player", {}))
    return new | {"handspan": 2}


def _top(value: Mapping[str, Any]) -> dict[str, Any]:
    """Everything at the top of a document but its history."""
    new = dict(value)
    for key in (
        "player",
        "written_places",
        "files",
    ):  # keys of other programs, which had these names free
        if key in new:
            new[f"{key}_1"] = new.pop(key)
    rhythm = new.get("rhythm")
    timing = {ours: new.pop(key) for key, ours in _TIMING.items() if key in new}
    order = new.pop("timing", None) == "order"
    # A riff that was heard has the meters that were weighed for it.
    heard = isinstance(rhythm, Mapping) and "meter_choices" in rhythm
    timing["kind"] = "order" if order else "heard" if heard else "written"
    if new.pop("durations", None) == "ring":
        timing["lengths"] = "ring"
    if "bpm_told" in new:
        tempo = new.pop("bpm_told")
        pair = isinstance(tempo, list) and len(tempo) == 2
        timing |= {"bpm": tempo[0], "bpm_unit": tempo[1]} if pair else {"bpm": tempo}
    new["timing"] = timing
    new |= _player(new.pop("said", {}), new.pop("hand_span_mm", None))
    if new.pop("fold_repeats", False):
        new["files"] = {kind: {"repeats": True} for kind in ("tab", "musicxml")}
    if "as_written" in new:
        new["written_places"] = new.pop("as_written")
    if isinstance(rhythm, Mapping):
        new["rhythm"] = _rhythm(rhythm)
    for key in ("warnings", "unmet", "cautions"):
        if isinstance(said := new.get(key), list):
            new[key] = [_remark(text) if isinstance(text, str) else text for text in said]
    for key, change in (("notes", _note), ("alternatives", _alternative)):
        if isinstance(items := new.get(key), list):
            new[key] = [change(item) if isinstance(item, Mapping) else item for item in items]
    return new


def _player(said: Any, hand_span_mm: Any) -> dict[str, Any]:
    if not isinstance(said, Mapping):
        return {"player": said}
    names = {"instrument": "instrument_given"}
    player = {names.get(key, key): item for key, item in said.items()}
    if hand_span_mm is not None:
        player["hand_span_mm"] = hand_span_mm
    return {"player": player} if player else {}


def _remark(text: str) -> dict[str, Any]:
    return {"kind": "text", "facts": {"text": text}, "notes": []}


def _note(note: Mapping[str, Any]) -> dict[str, Any]:
    new = dict(note)
    names = {"bend_cents": "cents", "bend_semitones": "semitones", "released": "released"}
    bend = {ours: new.pop(key) for key, ours in names.items() if key in new}
    return new | ({"bend": bend} if bend else {})


def _rhythm(rhythm: Mapping[str, Any]) -> dict[str, Any]:
    new = dict(rhythm)
    if isinstance(choices := new.get("bpm_choices"), list):
        meter = new.get("meter", [4, 4])
        new["bpm_choices"] = [
            {"meter": meter, **choice} if isinstance(choice, Mapping) else choice
            for choice in choices
        ]
    if isinstance(choices := new.get("meter_choices"), list):
        new["meter_choices"] = [
            {key: item for key, item in choice.items() if key != "bpm"}
            if isinstance(choice, Mapping)
            else choice
            for choice in choices
        ]
    if isinstance(phrases := new.get("phrases"), list):
        new["phrases"] = [_phrase(p) if isinstance(p, Mapping) else p for p in phrases]
    return new


def _phrase(phrase: Mapping[str, Any]) -> dict[str, Any]:
    new = dict(phrase)
    if "repeats" in new:
        new["repeats_beat"] = new.pop("repeats")
    return new


def _alternative(alternative: Mapping[str, Any]) -> dict[str, Any]:
    new = dict(alternative)
    if isinstance(why := new.get("why"), str):
        new["why"] = _remark(why)
    return new


def _entry(entry: Any, document: Mapping[str, Any]) -> Any:
    """An entry of the history, whose notes and parts of documents are of version 1, too."""
    if not isinstance(entry, Mapping):
        return entry
    new = dict(entry)
    for key in ("removed", "added"):
        if isinstance(notes := new.get(key), list):
            new[key] = [_note(note) if isinstance(note, Mapping) else note for note in notes]
    for key in ("from", "to"):
        if isinstance(held := new.get(key), Mapping):
            new[key] = _part(held, document)
    return new


def _part(held: Mapping[str, Any], document: Mapping[str, Any]) -> dict[str, Any]:
    """What an entry holds of the document before or after it.

    A key of version 2 that is made of several of version 1 takes those that the entry does not
    hold from the document itself: no step of version 1 changed one without the others.
    """
    new = dict(held)
    changed, without = new.get("set"), new.get("without")
    if not isinstance(changed, Mapping) or not isinstance(without, list):
        return new
    then = {key: item for key, item in document.items() if key not in without}
    whole = _top({key: item for key, item in then.items() if key != "notes"} | dict(changed))
    parts = {old: name for name, olds in _PARTS.items() for old in olds}
    touched = {key for key in (*changed, *without) if isinstance(key, str)}
    names = {parts.get(key, key) for key in touched}
    if "rhythm" in touched:
        names.add("rhythm")
    new["set"] = {name: whole[name] for name in names if name in whole}
    new["without"] = sorted(name for name in names if name not in whole)
    return new
