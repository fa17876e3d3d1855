"""The history of a riff document: which changes hold, and which are undone.

The history only grows. A change is one entry, or several with the same ``group`` in a row:
``pin`` and ``unpin`` from `transcribe.correct.pins`, ``edit`` from `transcribe.correct.note_edits`.
An entry ``undo`` takes back the last change that holds, ``redo`` makes the last undone one
again; a new change drops what could be made again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from transcribe.core.riff import PlayerSettings, Remark, Riff

__all__ = [
    "Entry",
    "next_group",
    "remaining_warnings",
    "said",
    "set_place",
    "stacks",
    "written",
]

Entry = Mapping[str, Any]

CHANGES = ("pin", "unpin", "edit")


def stacks(riff: Riff) -> tuple[list[list[Entry]], list[list[Entry]]]:
    """Changes that hold and changes that are undone, each a list of entries made together."""
    done: list[list[Entry]] = []
    undone: list[list[Entry]] = []
    last: Any = None
    for entry in riff.history:
        op = entry.get("op")
        if op in CHANGES:
            group = entry.get("group")
            if group is not None and group == last and done:
                done[-1].append(entry)
            else:
                done.append([entry])
            undone.clear()
            last = group
            continue
        last = None
        if op == "undo" and done:
            undone.append(done.pop())
        elif op == "redo" and undone:
            done.append(undone.pop())
    return done, undone


def said(riff: Riff) -> PlayerSettings:
    """What the player has said of the whole riff: its settings and the corrections that hold."""
    given: dict[str, Any] = {}
    for group in stacks(riff)[0]:
        for entry in group:
            given |= entry.get("given") or {}
    player = riff.player
    meter = given.get("meter", player.meter)
    return replace(
        player,
        bpm=given.get("bpm", player.bpm),
        meter=None if meter is None else (meter[0], meter[1]),
        first_beat_sec=given.get("first_beat_sec", player.first_beat_sec),
        drone=given.get("drone", player.drone),
        instrument_given=given.get("instrument", player.instrument_given),
    )


def remaining_warnings(riff: Riff) -> tuple[Remark, ...]:
    """The warnings of a riff, but for those that the player has answered since."""
    answered = {"tab-no-meter"} if said(riff).meter is not None else set()
    return tuple(remark for remark in riff.warnings if remark.kind not in answered)


def written(riff: Riff) -> list[int]:
    """The notes that are held where the file that was brought in had them."""
    places = riff.written_places
    return [
        note.id
        for note in riff.notes
        if note.pinned and places.get(note.id) == (note.string, note.fret)
    ]


def next_group(riff: Riff) -> int:
    """A group number that the history has not used."""
    return 1 + max((int(entry.get("group") or 0) for entry in riff.history), default=0)


def set_place(pins: dict[int, tuple[int, int]], note_id: int, place: Any) -> None:
    """Hold a note to ``place`` as an entry lists it, [string, fret]; None lets it go."""
    if place is None:
        pins.pop(note_id, None)
    else:
        pins[note_id] = (int(place[0]), int(place[1]))
