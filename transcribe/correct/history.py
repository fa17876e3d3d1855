"""The history of a riff document: which changes hold, and which are undone.

The history only grows. A change is one entry, or several with the same ``group`` in a row:
``pin`` and ``unpin`` from `transcribe.correct.pins`, ``edit`` from `transcribe.correct.note_edits`.
An entry ``undo`` takes back the last change that holds, ``redo`` makes the last undone one
again; a new change drops what could be made again.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from transcribe.core.riff import Riff

__all__ = [
    "SAID",
    "Entry",
    "as_written",
    "next_group",
    "said",
    "set_place",
    "stacks",
    "written",
]

Entry = Mapping[str, Any]

SAID = "said"  # in the document, what was said of it before its history began
_WRITTEN = "as_written"  # in the document, the places of its file: id -> [string, fret]
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


def said(riff: Riff) -> dict[str, Any]:
    """What the player has said of the whole riff: the ``given`` of the edits that hold.

    What was said of an earlier transcription of the take, whose history is gone, comes first.
    """
    given: dict[str, Any] = dict(riff.extra.get(SAID) or {})
    for group in stacks(riff)[0]:
        for entry in group:
            given |= entry.get("given") or {}
    return given


def as_written(places: Mapping[int, tuple[int, int]]) -> dict[str, Any]:
    """What a document notes of the places that a file's notes had, to be held like pins."""
    return {_WRITTEN: {str(note_id): list(place) for note_id, place in places.items()}}


def written(riff: Riff) -> list[int]:
    """The notes that are held where the file that was brought in had them."""
    places = riff.extra.get(_WRITTEN)
    if not isinstance(places, Mapping):
        return []
    return [
        note.id
        for note in riff.notes
        if note.pinned and places.get(str(note.id)) == [note.string, note.fret]
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
