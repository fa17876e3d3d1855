"""The player's changes to the notes themselves, in one history with the corrections of fingering.

Conventions: as in `transcribe.correct.pins`, the history of a document only grows. An
entry made here is ``{"op": "edit", "kind": "delete" | "add" | "change" | "merge" | "split" |
"confirm", "group", "removed": [...], "added": [...]}``, both lists holding whole notes as JSON, so
that any edit can be taken back and made again; a step of the whole riff
(`transcribe.correct.whole_riff`) is an edit, too.
Notes that are added get ids that the document never used.
After every change the fingering is solved again around the pins. `undo` and `redo` here take back
and make again whatever came last, pins and edits alike.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Mapping
from typing import Any

from transcribe.core.clock import Clock
from transcribe.core.errors import ParameterError
from transcribe.core.pitch import pitch_name
from transcribe.core.riff import ARTICULATIONS, Note, Remark, Riff, sort_notes
from transcribe.core.wording import refusal
from transcribe.correct.history import Entry, next_group, set_place, stacks
from transcribe.correct.pins import resolve
from transcribe.correct.whole_riff import set_whole
from transcribe.fingering import pins_of
from transcribe.formats.document import from_json, to_json

__all__ = [
    "add",
    "can_redo",
    "can_undo",
    "change",
    "confirm",
    "delete",
    "describe_last",
    "merge",
    "redo",
    "split",
    "undo",
]

_SHORTEST_SEC = 0.02
_GRID = 4  # parts of a beat that an added onset is moved to


def delete(riff: Riff, note_ids: Iterable[int]) -> Riff:
    """``riff`` without some notes.

    Raises
    ------
    ParameterError
        If a note is not there, or none would be left.
    """
    gone = [_note(riff, i) for i in dict.fromkeys(note_ids)]
    if not gone:
        raise ParameterError("no note is chosen; choose at least one to delete")
    if len(gone) == len(riff.notes):
        raise ParameterError("a riff keeps at least one note; delete the riff instead")
    return _edited(riff, "delete", gone, [])


def add(
    riff: Riff,
    *,
    onset_sec: float,
    offset_sec: float,
    pitch_midi: int,
    articulation: str = "picked",
) -> Riff:
    """``riff`` with one more note, put on the beat grid where there is one.

    Raises
    ------
    ParameterError
        If the times or the pitch are out of range, or no string reaches the pitch.
    """
    note = Note(
        _next_id(riff),
        float(onset_sec),
        float(offset_sec),
        int(pitch_midi),
        articulation=articulation,
        added=True,
    )
    return _edited(riff, "add", [], [_timed(riff, note)])


def change(
    riff: Riff,
    note_id: int,
    *,
    pitch_midi: int | None = None,
    articulation: str | None = None,
    onset_sec: float | None = None,
    offset_sec: float | None = None,
) -> Riff:
    """``riff`` with another pitch, technique or time for one note; the note keeps its id.

    A note whose pitch changes loses its pin, which would no longer sound that pitch.

    Raises
    ------
    ParameterError
        If the note is not there, nothing changes, or a value is out of range.
    """
    old = _note(riff, note_id)
    new = old
    if articulation is not None:
        new = dataclasses.replace(new, articulation=articulation)
    if onset_sec is not None or offset_sec is not None:
        new = dataclasses.replace(
            new,
            onset_sec=old.onset_sec if onset_sec is None else float(onset_sec),
            offset_sec=old.offset_sec if offset_sec is None else float(offset_sec),
        )
        new = _timed(riff, new)
    if pitch_midi is not None and int(pitch_midi) != old.pitch_midi:
        new = dataclasses.replace(
            new, pitch_midi=int(pitch_midi), cents=0.0, string=None, fret=None, pinned=False
        )
    if new == old:
        raise refusal(Remark("changes-nothing", notes=(note_id,)))
    return _edited(riff, "change", [old], [new])


def merge(riff: Riff, note_ids: Iterable[int]) -> Riff:
    """``riff`` with several notes made one: the first of them, sounding to the end of the last.

    Raises
    ------
    ParameterError
        If fewer than two notes are named, or one is not there.
    """
    parts = sort_notes([_note(riff, i) for i in dict.fromkeys(note_ids)])
    if len(parts) < 2:
        raise ParameterError("choose at least two notes to merge")
    whole = dataclasses.replace(parts[0], offset_sec=max(note.offset_sec for note in parts))
    ends = [
        note.onset_beat + note.duration_beat
        for note in parts
        if note.onset_beat is not None and note.duration_beat is not None
    ]
    if whole.onset_beat is not None and ends:
        whole = dataclasses.replace(whole, duration_beat=max(ends) - whole.onset_beat)
    return _edited(riff, "merge", list(parts), [whole])


def confirm(riff: Riff, note_ids: Iterable[int]) -> Riff:
    """``riff`` with notes that were heard with doubt taken as played: their confidence is 1.

    Raises
    ------
    ParameterError
        If a note is not there, or all of them are sure already.
    """
    doubtful = [n for n in (_note(riff, i) for i in dict.fromkeys(note_ids)) if n.confidence < 1]
    if not doubtful:
        raise ParameterError("these notes are sure already")
    return _edited(
        riff, "confirm", doubtful, [dataclasses.replace(n, confidence=1.0) for n in doubtful]
    )


def split(riff: Riff, note_id: int, *, at_sec: float | None = None) -> Riff:
    """``riff`` with one note struck again at ``at_sec``, or in its middle.

    Raises
    ------
    ParameterError
        If the note is not there, or ``at_sec`` does not lie inside it.
    """
    note = _note(riff, note_id)
    at = (note.onset_sec + note.offset_sec) / 2 if at_sec is None else float(at_sec)
    if not note.onset_sec + _SHORTEST_SEC <= at <= note.offset_sec - _SHORTEST_SEC:
        facts = {"start_sec": note.onset_sec, "end_sec": note.offset_sec}
        raise refusal(Remark("split-outside", facts, (note_id,)))
    first = _timed(riff, dataclasses.replace(note, offset_sec=at), onset=False)
    second = _timed(
        riff,
        dataclasses.replace(note, id=_next_id(riff), onset_sec=at, articulation="picked"),
    )
    return _edited(riff, "split", [note], [first, second])


def undo(riff: Riff) -> Riff:
    """``riff`` as it was before the last correction or edit that still holds.

    Raises
    ------
    ParameterError
        If there is nothing to undo.
    """
    done, _ = stacks(riff)
    if not done:
        raise ParameterError("there is nothing to undo")
    if "from" in (entry := done[-1][0]):
        before = set_whole(riff, entry["from"], entry["added"], entry["removed"])
        return dataclasses.replace(before, history=(*riff.history, {"op": "undo"}))
    pins = pins_of(riff)
    for entry in reversed(done[-1]):
        if entry["op"] == "edit":
            riff, pins = _swap(riff, pins, entry["added"], entry["removed"])
        else:
            set_place(pins, int(entry["note"]), entry.get("was"))
    return _settled(riff, pins, [{"op": "undo"}])


def redo(riff: Riff) -> Riff:
    """``riff`` with the last undone correction or edit made again.

    Raises
    ------
    ParameterError
        If there is nothing to make again.
    """
    _, undone = stacks(riff)
    if not undone:
        raise ParameterError("there is nothing to make again")
    if "to" in (entry := undone[-1][0]):
        after = set_whole(riff, entry["to"], entry["removed"], entry["added"])
        return dataclasses.replace(after, history=(*riff.history, {"op": "redo"}))
    pins = pins_of(riff)
    for entry in undone[-1]:
        if entry["op"] == "edit":
            riff, pins = _swap(riff, pins, entry["removed"], entry["added"])
        else:
            place = [entry["string"], entry["fret"]] if entry["op"] == "pin" else None
            set_place(pins, int(entry["note"]), place)
    return _settled(riff, pins, [{"op": "redo"}])


def can_undo(riff: Riff) -> bool:
    """Whether `undo` has something to undo."""
    return bool(stacks(riff)[0])


def can_redo(riff: Riff) -> bool:
    """Whether `redo` has something to make again."""
    return bool(stacks(riff)[1])


def describe_last(riff: Riff) -> tuple[Remark | None, Remark | None]:
    """What `undo` would take back and what `redo` would make again; None for nothing."""
    done, undone = stacks(riff)
    return (_told(done[-1]) if done else None, _told(undone[-1]) if undone else None)


# -- inside ------------------------------------------------------------------------------------


def _told(group: list[Entry]) -> Remark:
    what = str(group[0].get("kind", group[0]["op"]))
    notes: tuple[int, ...] = ()
    if what in ("pin", "unpin"):
        notes = (int(group[0]["note"]),)
    elif "from" not in group[0]:
        notes = (int((group[0]["removed"] or group[0]["added"])[0]["id"]),)
    return Remark("correction", {"what": what, "count": len(group)}, notes)


def _note(riff: Riff, note_id: int) -> Note:
    try:
        return riff.note(int(note_id))
    except KeyError:
        raise ParameterError(f"there is no note {note_id} any more") from None


def _edited(riff: Riff, kind: str, removed: list[Note], added: list[Note]) -> Riff:
    for note in added:
        _check(riff, note)
    entry: dict[str, Any] = {
        "op": "edit",
        "kind": kind,
        "group": next_group(riff),
        "removed": _as_json(riff, removed),
        "added": _as_json(riff, added),
    }
    riff, pins = _swap(riff, pins_of(riff), entry["removed"], entry["added"])
    return _settled(riff, pins, [entry])


def _check_times(riff: Riff, note: Note) -> None:
    times = (note.onset_sec, note.offset_sec)
    if not all(math.isfinite(t) for t in times) or note.onset_sec < 0:
        raise ParameterError("a note's times are seconds from the start of the take, 0 or more")
    if note.offset_sec - note.onset_sec < _SHORTEST_SEC:
        raise ParameterError("a note must end after it begins")
    end = riff.source.duration_sec if riff.source else None
    if end is not None and note.onset_sec > end:
        raise ParameterError(f"the take ends at {end:.2f} s; put the note before that")


def _check(riff: Riff, note: Note) -> None:
    _check_times(riff, note)
    if note.articulation not in ARTICULATIONS:
        raise ParameterError(
            f"{note.articulation!r} is no technique; use {', '.join(ARTICULATIONS)}"
        )
    if not riff.instrument.places(note.pitch_midi):
        pitch = pitch_name(note.pitch_midi)
        raise ParameterError(f"no string of this instrument reaches {pitch}")


def _swap(
    riff: Riff,
    pins: dict[int, tuple[int, int]],
    removed: Iterable[Entry],
    added: Iterable[Entry],
) -> tuple[Riff, dict[int, tuple[int, int]]]:
    gone = {int(note["id"]) for note in removed}
    back = _from_json(riff, added)
    kept = [note for note in riff.notes if note.id not in gone]
    pins = {i: place for i, place in pins.items() if i not in gone}
    for note in back:
        if note.pinned and note.string is not None and note.fret is not None:
            pins[note.id] = (note.string, note.fret)
    return dataclasses.replace(riff, notes=sort_notes([*kept, *back])), pins


def _settled(
    riff: Riff, pins: Mapping[int, tuple[int, int]], entries: Iterable[Mapping[str, Any]]
) -> Riff:
    """Solved again around ``pins``, with ``entries`` in the history."""
    solved, _ = resolve(riff, pins=pins)
    return dataclasses.replace(solved, history=(*riff.history, *entries))


def _as_json(riff: Riff, notes: list[Note]) -> list[dict[str, Any]]:
    alone = Riff(instrument=riff.instrument, notes=sort_notes(notes))
    listed: list[dict[str, Any]] = to_json(alone)["notes"]
    return listed


def _from_json(riff: Riff, notes: Iterable[Entry]) -> tuple[Note, ...]:
    frame = to_json(Riff(instrument=riff.instrument))
    return from_json(frame | {"notes": [dict(note) for note in notes]}).notes


def _next_id(riff: Riff) -> int:
    used = {note.id for note in riff.notes}
    for op in riff.history:
        for note in (*op.get("added", ()), *op.get("removed", ())):
            used.add(int(note["id"]))
    return 1 + max(used, default=0)


def _timed(riff: Riff, note: Note, *, onset: bool = True) -> Note:
    """``note`` with its score times from its seconds, to the nearest part of a beat."""
    _check_times(riff, note)
    rhythm = riff.rhythm
    if rhythm is None or len(rhythm.beats_sec) < 2:
        return note
    clock = Clock(rhythm)
    start = note.onset_beat
    if onset or start is None:
        start = round(clock.beat(note.onset_sec) * _GRID) / _GRID
    end = round(clock.beat(note.offset_sec) * _GRID) / _GRID
    return dataclasses.replace(note, onset_beat=start, duration_beat=max(end - start, 1.0 / _GRID))
