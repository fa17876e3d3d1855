"""The history of a riff document: its steps, and how they are taken back and made again.

The history only grows. Each correction adds a `Step`, which holds what to change in the document
to take it back (``undo``) and to make it again (``redo``), so that both give the very same
document and nothing is solved. A step ``undo`` takes back the last correction that holds, ``redo``
makes the last undone one again; a new correction drops what could be made again.

"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping
from types import MappingProxyType
from typing import Any

from transcribe.core.errors import ParameterError
from transcribe.core.riff import Change, Remark, Riff, Step
from transcribe.correct.solving import find_again
from transcribe.formats.document import VERSION, from_json, to_json
from transcribe.formats.typed import plain_values

__all__ = ["next_note_id", "record", "redo", "remark_of", "steps", "undo"]

_NOTHING = Change()


def record(old: Riff, new: Riff, kind: str, note_ids: Iterable[int] = ()) -> Riff:
    """``new`` with the history of ``old`` and a step that leads from the one to the other.

    Where nothing changed it is ``old`` itself.

    Parameters
    ----------
    kind : str
        What the player did, such as ``pin`` or ``half time``.
    note_ids : iterable of int
        The notes that were corrected, the one that was named first.
    """
    before = _document(old)
    # A correction leaves most notes as they are: those are the same in both documents.
    after = _document(new, {id(note): before["notes"][str(note.id)] for note in old.notes})
    for document in (before, after):
        if document["source"] is not None:  # files may be renamed after the step
            document["source"] = {"duration_sec": document["source"]["duration_sec"]}
    if before == after:
        return old
    step = Step(kind, tuple(note_ids), _difference(after, before), _difference(before, after))
    return dataclasses.replace(new, history=(*old.history, step))


def undo(riff: Riff) -> Riff:
    """``riff`` as it was before the last correction that holds.

    Parameters
    ----------
    riff : Riff

    Returns
    -------
    Riff
        With one more step in its history, so that the correction can be made again.

    Raises
    ------
    ParameterError
        If there is nothing to undo.
    FormatError
        If the history is damaged.

    Examples
    --------
    >>> from transcribe import Note, finger, pin
    >>> line = [Note(k, 0.5 * k, 0.5 * k + 0.4, p) for k, p in enumerate((50, 53, 55, 57))]
    >>> riff = finger(line)
    >>> undo(pin(riff, {3: (4, 7)})).notes == riff.notes
    True
    """
    done, _ = steps(riff)
    if not done:
        raise ParameterError("there is nothing to undo")
    return _changed(riff, done[-1], done[-1].undo, "undo")


def redo(riff: Riff) -> Riff:
    """``riff`` with the last undone correction made again.

    Parameters
    ----------
    riff : Riff

    Returns
    -------
    Riff
        With one more step in its history.

    Raises
    ------
    ParameterError
        If there is nothing to make again.
    FormatError
        If the history is damaged.

    Examples
    --------
    >>> from transcribe import Note, finger, pin
    >>> line = [Note(k, 0.5 * k, 0.5 * k + 0.4, p) for k, p in enumerate((50, 53, 55, 57))]
    >>> held = pin(finger(line), {3: (4, 7)})
    >>> redo(undo(held)).notes == held.notes
    True
    """
    _, undone = steps(riff)
    if not undone:
        raise ParameterError("there is nothing to make again")
    return _changed(riff, undone[-1], undone[-1].redo, "redo")


def steps(riff: Riff) -> tuple[list[Step], list[Step]]:
    """The corrections that hold and those that are undone, the next to undo or redo last."""
    done: list[Step] = []
    undone: list[Step] = []
    for step in riff.history:
        if step.kind == "undo" and done:
            undone.append(done.pop())
        elif step.kind == "redo" and undone:
            done.append(undone.pop())
        elif step.undo != _NOTHING or step.redo != _NOTHING:
            done.append(step)
            undone.clear()
    return done, undone


def remark_of(step: Step) -> Remark:
    """What a step corrected, as a remark of kind ``correction``.

    Examples
    --------
    >>> from transcribe.core.wording import sentence
    >>> sentence(remark_of(Step("pin", (3, 11, 19))))
    'pin of note 3 and 2 more'
    """
    return Remark("correction", {"what": step.kind}, step.notes)


def next_note_id(riff: Riff) -> int:
    """An id that no note of the document has or ever had."""
    used = {note.id for note in riff.notes}
    for step in riff.history:
        for change in (step.undo, step.redo):
            if (notes := change.inside.get("notes")) is not None:
                ids = (*notes.put, *notes.inside, *notes.remove)
                used.update(int(note_id) for note_id in ids if note_id.isdecimal())
    return 1 + max(used, default=0)


def _changed(riff: Riff, step: Step, change: Change, kind: str) -> Riff:
    document = _patched(_document(riff), change)
    if isinstance(notes := document.get("notes"), dict):
        document["notes"] = list(notes.values())
    new = from_json({"handspan": VERSION, **document})
    if step.solve_again:
        new = find_again(riff, new)
    return dataclasses.replace(new, history=(*riff.history, Step(kind)))


def _document(riff: Riff, known: Mapping[int, Any] = MappingProxyType({})) -> dict[str, Any]:
    """The document as plain JSON values without what no step changes, its notes by id.

    ``known``: the values of some notes, by the identity of the note.
    """
    document = to_json(dataclasses.replace(riff, history=(), notes=()))
    del document["handspan"], document["history"]
    document["notes"] = {
        str(note.id): known[id(note)] if id(note) in known else plain_values(note)
        for note in riff.notes
    }
    return document


def _difference(old: Mapping[str, Any], new: Mapping[str, Any]) -> Change:
    """The change that makes ``new`` of ``old``."""
    put: dict[str, Any] = {}
    inside: dict[str, Change] = {}
    for key, value in new.items():
        if key in old and old[key] == value:
            continue
        if isinstance(value, dict) and isinstance(old.get(key), dict):
            inside[key] = _difference(old[key], value)
        else:
            put[key] = value
    return Change(put, inside, tuple(key for key in old if key not in new))


def _patched(old: Mapping[str, Any], change: Change) -> dict[str, Any]:
    """``old`` with a change made; what the change expects and does not find is left out."""
    new = {key: value for key, value in old.items() if key not in change.remove}
    new.update(change.put)
    for key, inside in change.inside.items():
        if isinstance(new.get(key), dict):
            new[key] = _patched(new[key], inside)
    return new
