"""The history of a riff document of version 1 as steps of version 2.

Version 1 held one entry for each pin, with a ``group`` for those that were made together, whole
notes for an edit, and the whole rest of the document for a step such as half time. What the player
said of the whole riff stood in its steps; in version 2 it is a part of the document.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

__all__ = ["steps"]

_Json = dict[str, Any]


def steps(entries: Sequence[Any], player: Any) -> tuple[list[Any], Any]:
    """The entries as steps, and the player's settings with what was said in those that hold.

    Parameters
    ----------
    entries : list of JSON objects
        With their notes and parts of the document as in version 2 already.
    player : JSON object
        The settings from before the history.
    """
    made: list[Any] = []
    done: list[tuple[Any, Any]] = []  # the settings before and after each correction
    undone: list[tuple[Any, Any]] = []
    group = None
    for entry in entries:
        if not isinstance(entry, Mapping):
            made.append(entry)
            continue
        op = entry.get("op")
        if op in ("pin", "unpin"):
            step = _pinned(entry)
            if group is not None and entry.get("group") == group:
                made[-1] = _joined(made[-1], step)
                continue
            group = entry.get("group")
            made.append(step)
            done.append((player, player))
            undone.clear()
            continue
        group = None
        if op == "edit":
            step, after = _edited(entry, player)
            made.append(step)
            done.append((player, after))
            undone.clear()
            player = after
            continue
        if op == "undo" and done:
            undone.append(done.pop())
            player = undone[-1][0]
        elif op == "redo" and undone:
            done.append(undone.pop())
            player = done[-1][1]
        rest = {key: value for key, value in entry.items() if key != "op"}
        made.append({"kind": str(op)} | rest)
    return made, player


def _pinned(entry: Mapping[str, Any]) -> _Json:
    was = entry.get("was")
    held = {"string": entry.get("string"), "fret": entry.get("fret"), "pinned": True}
    before: _Json = {"pinned": False}
    if isinstance(was, list) and len(was) == 2:
        before = {"string": was[0], "fret": was[1], "pinned": True}
    after = held if entry["op"] == "pin" else {"pinned": False}
    note = entry.get("note")
    return {
        "kind": entry["op"],
        "notes": [note],
        "undo": _of_notes({str(note): {"put": before}}),
        "redo": _of_notes({str(note): {"put": after}}),
        "solve_again": True,
    }


def _joined(one: _Json, other: _Json) -> _Json:
    """Two pins of one group as one step."""
    changes = {
        key: _of_notes(
            one[key]["inside"]["notes"]["inside"] | other[key]["inside"]["notes"]["inside"]
        )
        for key in ("undo", "redo")
    }
    return one | changes | {"notes": [*one["notes"], *other["notes"]]}


def _of_notes(changes: _Json) -> _Json:
    return {"inside": {"notes": {"inside": changes}}}


def _edited(entry: Mapping[str, Any], player: Any) -> tuple[_Json, Any]:
    """An edit as a step, and the player's settings after it."""
    removed, added = _by_id(entry.get("removed")), _by_id(entry.get("added"))
    undo: _Json = {"inside": {"notes": {"remove": list(added), "put": removed}}}
    redo: _Json = {"inside": {"notes": {"remove": list(removed), "put": added}}}
    step = {"kind": str(entry.get("kind", "edit")), "undo": undo, "redo": redo}
    if "from" not in entry:
        notes = [note.get("id") for note in (removed or added).values()]
        return step | {"notes": notes[:1], "solve_again": True}, player
    before, after = (_state(entry, key) for key in ("from", "to"))
    given = entry.get("given") or {}
    then = _settings(player, before, {})
    now = _settings(player, after, given)
    for change, state, settings in ((undo, before, then), (redo, after, now)):
        change["put"] = state["set"] | {"player": settings}
        change["remove"] = [key for key in state["without"] if key != "player"]
        if "duration_sec" in state:
            change["inside"]["source"] = {"put": {"duration_sec": state["duration_sec"]}}
    return step, now


def _state(entry: Mapping[str, Any], key: str) -> _Json:
    state = entry.get(key)
    state = dict(state) if isinstance(state, Mapping) else {}
    changed, without = state.get("set"), state.get("without")
    return state | {
        "set": dict(changed) if isinstance(changed, Mapping) else {},
        "without": list(without) if isinstance(without, list) else [],
    }


def _settings(player: Any, state: _Json, given: Mapping[str, Any]) -> Any:
    """The player's settings with what a step says, and the hand span that its state holds."""
    if not isinstance(player, Mapping):
        return player
    names = {"instrument": "instrument_given"}
    settings = dict(player) | {names.get(key, key): value for key, value in given.items()}
    held = state["set"].get("player")
    if "player" in state["without"] or isinstance(held, Mapping):
        span = held.get("hand_span_mm") if isinstance(held, Mapping) else None
        settings.pop("hand_span_mm", None)
        settings |= {} if span is None else {"hand_span_mm": span}
    return settings


def _by_id(notes: Any) -> _Json:
    items = notes if isinstance(notes, list) else []
    return {str(note.get("id")): note for note in items if isinstance(note, Mapping)}
