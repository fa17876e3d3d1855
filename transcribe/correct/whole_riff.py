"""Another tuning, capo, drone, hand or rhythm of the whole riff, as one step of its history.

The step is one entry of the document's history, ``{"op": "edit", "kind", "group", "removed",
"added", "given", "from", "to"}``: ``removed`` and ``added`` hold the notes that it changed,
``given`` is what the player said of the whole riff, and ``from`` and ``to`` hold what else became
different in the document, ``{"set": {key: value}, "without": [key, ...]}``.
`transcribe.correct.note_edits.undo` and ``redo`` take it back and make it again, exactly as it was.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping
from typing import Any

from transcribe.core.riff import Instrument, Note, Riff
from transcribe.correct.history import next_group
from transcribe.correct.pins import resolve
from transcribe.fingering import alternatives, hand_of, pins_of
from transcribe.formats.document import from_json, to_json

__all__ = ["as_step", "kept_places", "set_whole", "settled"]

_OWN = ("handspan", "source", "notes", "history")


def settled(
    old: Riff, changed: Riff, kind: str, given: Mapping[str, Any], *, others: bool = False
) -> Riff:
    """``changed`` solved again around its pins, with its theory found again, as a step of ``old``.

    With ``others`` the other fingerings are found again, too; see `as_step` for the rest.
    """
    new, _ = resolve(changed)
    if others:
        options: dict[str, Any] = {"drone": new.drone, "pins": pins_of(new), "rhythm": new.rhythm}
        found = alternatives(new.notes, new.instrument, hand=hand_of(new), **options)
        new = dataclasses.replace(new, alternatives=found)
    if old.theory is not None:
        from transcribe.harmony import theory_report

        new = dataclasses.replace(new, theory=theory_report(new).as_document())
    return as_step(old, new, kind, given)


def as_step(old: Riff, new: Riff, kind: str, given: Mapping[str, Any]) -> Riff:
    """``new`` with the history of ``old`` and one entry that leads from the one to the other.

    ``kind`` names the step; ``given`` is what the player said of the riff: ``bpm``, ``meter``,
    ``first_beat_sec``, ``drone``, or ``instrument`` as true.
    """
    before, after = to_json(old), to_json(new)
    was = {note["id"]: note for note in before["notes"]}
    now = {note["id"]: note for note in after["notes"]}
    entry = {
        "op": "edit",
        "kind": kind,
        "group": next_group(old),
        "removed": [note for i, note in was.items() if now.get(i) != note],
        "added": [note for i, note in now.items() if was.get(i) != note],
        "given": {key: list(value) if key == "meter" else value for key, value in given.items()},
        "from": _differing(before, after) | _duration(old),
        "to": _differing(after, before) | _duration(new),
    }
    return dataclasses.replace(new, history=(*old.history, entry))


def set_whole(
    riff: Riff,
    held: Mapping[str, Any],
    gone: Iterable[Mapping[str, Any]],
    back: Iterable[Mapping[str, Any]],
) -> Riff:
    """``riff`` with what an entry's ``from`` or ``to`` holds, and notes exchanged; nothing solved.

    ``gone`` and ``back`` are the entry's notes as JSON: those that go, and those that come back.
    """
    document = to_json(riff)
    away = {int(note["id"]) for note in gone}
    notes = [note for note in document["notes"] if note["id"] not in away]
    document["notes"] = [*notes, *(dict(note) for note in back)]
    for key in held["without"]:
        document.pop(key, None)
    if riff.source is not None and "duration_sec" in held:
        document["source"] = document["source"] | {"duration_sec": held["duration_sec"]}
    return from_json(document | dict(held["set"]))


def kept_places(notes: Iterable[Note], new: Instrument) -> tuple[Note, ...]:
    """``notes`` for another tuning or capo: each stays on its string, where that reaches it.

    Its fret is the one that sounds its pitch there now. Where there is none, or no such string,
    the note is left without a place and without its pin.
    """
    kept = []
    for note in notes:
        if note.string is not None:
            there = note.string <= len(new.open_midi)
            fret = new.fret_of(note.string, note.pitch_midi) if there else None
            if fret is None:
                changed = {"string": None, "fret": None, "finger": None, "pinned": False}
                note = dataclasses.replace(note, **changed)  # type: ignore[arg-type]
            else:
                note = dataclasses.replace(note, fret=fret)
        kept.append(note)
    return tuple(kept)


def _duration(riff: Riff) -> dict[str, Any]:
    """The length of the take, which follows a tempo; the rest of the source may be renamed."""
    return {} if riff.source is None else {"duration_sec": riff.source.duration_sec}


def _differing(one: Mapping[str, Any], other: Mapping[str, Any]) -> dict[str, Any]:
    """What a document has that the other has not, or has otherwise, but for its notes."""
    differing = {
        key: value
        for key, value in one.items()
        if key not in _OWN and (key not in other or other[key] != value)
    }
    return {"set": differing, "without": [key for key in other if key not in one]}
