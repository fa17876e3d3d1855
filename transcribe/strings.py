"""Another drone, tuning or capo for a riff that is there already, as one step of its history.

The pitches stay as they were heard or written; the places on the neck are found again around the
pins, and so are the other fingerings and the theory. The step is ``{"op": "edit", "kind",
"group", "removed": [], "added": [], "given", "was", "now"}``: ``given`` is what the player said
(``drone``, or ``instrument`` as true), ``was`` and ``now`` hold ``drone``, ``alternatives``,
``theory`` and, for another tuning, ``instrument`` and ``pins`` (note id -> string and fret).
`transcribe.edits.undo` and ``redo`` take it back and make it again.
"""

from __future__ import annotations

import dataclasses
from typing import Any, Literal

from transcribe.fingering import alternatives, find_drone, hand_of, pins_of, resolve
from transcribe.formats.document import to_json
from transcribe.history import next_group, said
from transcribe.riff import Instrument, Riff

__all__ = ["given_drone", "given_instrument", "set_drone", "set_instrument"]

DroneChoice = Literal["auto", "off"] | int


def set_drone(riff: Riff, choice: DroneChoice) -> Riff:
    """``riff`` with its drone looked for again (``auto``), ruled out (``off``), or on a string.

    Raises
    ------
    ParameterError
        If there is no such string.
    """
    # Where the notes lie now comes of the drone that was, and must not speak for it.
    free = [n if n.pinned else dataclasses.replace(n, string=None, fret=None) for n in riff.notes]
    drone = find_drone(free, riff.instrument, drone=choice)
    return _settled(riff, dataclasses.replace(riff, drone=drone), "drone", {"drone": choice})


def set_instrument(riff: Riff, instrument: Instrument) -> Riff:
    """``riff`` on another tuning, capo or neck; what was measured of its pitch stays.

    A pin stays on its string at the fret that sounds its note now, or is let go where there is
    none. The drone is looked for again, unless the player has named it or ruled it out.

    Raises
    ------
    ParameterError
        If the drone that was named is on a string that the instrument lacks.
    """
    instrument = dataclasses.replace(instrument, offset_cents=riff.instrument.offset_cents)
    pins: dict[int, tuple[int, int]] = {}
    for note_id, (on, _) in pins_of(riff).items():
        if on <= len(instrument.open_midi):
            now = instrument.fret_of(on, riff.note(note_id).pitch_midi)
            if now is not None:
                pins[note_id] = (on, now)
    notes = []
    for note in riff.notes:
        held = pins.get(note.id)
        string, fret = held or (None, None)
        notes.append(
            dataclasses.replace(
                note, string=string, fret=fret, pinned=held is not None, finger=None
            )
        )
    choice = given_drone(riff) or "auto"
    new = dataclasses.replace(
        riff,
        instrument=instrument,
        notes=tuple(notes),
        drone=find_drone(notes, instrument, drone=choice),
    )
    return _settled(riff, new, "tuning", {"instrument": True})


def given_drone(riff: Riff) -> DroneChoice | None:
    """What the player has said of the drone; None where nothing that holds."""
    choice = said(riff).get("drone")
    return choice if choice in ("auto", "off") or isinstance(choice, int) else None


def given_instrument(riff: Riff) -> Instrument | None:
    """The riff's instrument where the player has corrected it, else None."""
    return riff.instrument if said(riff).get("instrument") else None


def _settled(riff: Riff, changed: Riff, kind: str, given: dict[str, Any]) -> Riff:
    """``changed`` solved again around its pins, with its theory and an entry of the step."""
    new, _ = resolve(changed)
    options: dict[str, Any] = {"drone": new.drone, "pins": pins_of(new), "rhythm": new.rhythm}
    others = alternatives(new.notes, new.instrument, hand=hand_of(new), **options)
    new = dataclasses.replace(new, alternatives=others)
    if riff.theory is not None:
        from transcribe.pipeline import theory_report

        new = dataclasses.replace(new, theory=theory_report(new).as_document())
    entry = {
        "op": "edit",
        "kind": kind,
        "group": next_group(riff),
        "removed": [],
        "added": [],
        "given": given,
        "was": _state(riff, kind),
        "now": _state(new, kind),
    }
    return dataclasses.replace(new, history=(*riff.history, entry))


def _state(riff: Riff, kind: str) -> dict[str, Any]:
    whole = to_json(riff)
    state = {key: whole[key] for key in ("drone", "alternatives", "theory")}
    if kind == "tuning":
        state["instrument"] = whole["instrument"]
        state["pins"] = {str(i): list(place) for i, place in pins_of(riff).items()}
    return state
