"""Says why a note is where it is, and what every other place would cost.

Conventions: string 1 is the highest-sounding, fret 0 is open; costs have no unit, lower is easier.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from transcribe.core.errors import ParameterError
from transcribe.core.riff import Note, Remark, Request, Riff, places_of
from transcribe.drone import drone_strings, is_over
from transcribe.fingering.asked import Asked, asked_of
from transcribe.fingering.cautions import far_up
from transcribe.fingering.costs import WORDED_AS
from transcribe.fingering.hand import hand_of, neck_mm
from transcribe.fingering.plan import plan_onsets
from transcribe.fingering.solver import Solver, pins_of, solver_for

__all__ = ["Choice", "choices", "explain", "places"]

Place = tuple[int, int]

_WINDOW = 24  # notes on either side that are solved again when one place is tried


@dataclass(frozen=True, slots=True)
class _Tried:
    """The window around a note with the note held to one place."""

    place: Place
    cost: float
    finger: int
    costs: Mapping[str, float]
    position_before: float | None
    position: float | None
    gap_sec: float


@dataclass(frozen=True, slots=True)
class Choice:
    """One place for a note. ``more``: what it costs above the cheapest place (no unit).

    ``index_fret``: the fret at which the index finger lies then, None where nothing is stopped.
    ``because``: names of up to two costs by which it is above the cheapest, the largest first; of
    the cheapest none.
    """

    string: int
    fret: int
    cost: float
    more: float
    finger: int
    index_fret: int | None
    because: tuple[str, ...] = ()


def choices(riff: Riff, note_id: int) -> tuple[Choice, ...]:
    """Every place for a note as `places` gives them, with what each asks of the hand.

    Raises
    ------
    ParameterError
        If there is no such note.

    Examples
    --------
    >>> riff = Riff(notes=(Note(1, 0.0, 1.0, 45, string=5, fret=0),))
    >>> [(c.string, c.fret) for c in choices(riff, 1)]
    [(5, 0), (6, 5)]
    """
    tried = _try_all(riff, note_id)
    return tuple(
        Choice(
            *one.place,
            cost=one.cost,
            more=one.cost - tried[0].cost,
            finger=one.finger,
            index_fret=None if one.position is None else max(1, round(one.position)),
            because=tuple(cost["name"] for cost in _largest(riff, one, tried[0])),
        )
        for one in tried
    )


def places(riff: Riff, note_id: int) -> list[tuple[int, int, float]]:
    """Every (string, fret, cost) for a note: the least cost of the riff with the note held there.

    The cost is that of the notes around it (24 on either side), solved again between the places
    that the rest of the riff has; the cheapest comes first.

    Raises
    ------
    ParameterError
        If there is no such note.
    """
    return [(*tried.place, tried.cost) for tried in _try_all(riff, note_id)]


def explain(riff: Riff, note_id: int) -> Remark:
    """Why a note is where it is and not elsewhere, with the numbers.

    Raises
    ------
    ParameterError
        If there is no such note.
    """
    note = _note(riff, note_id)
    facts: dict[str, Any] = {"pitch_midi": note.pitch_midi}
    if note.string is None or note.fret is None:
        low = min(riff.instrument.open_midi) + riff.instrument.capo
        if not riff.instrument.places(note.pitch_midi):
            facts["side"] = "below" if note.pitch_midi < low else "above"
        return Remark("why-here", facts, (note_id,))
    facts |= {"place": [note.string, note.fret], "pinned": note.pinned}
    tried = _try_all(riff, note_id)
    here = next((t for t in tried if t.place == (note.string, note.fret)), None)
    others = [t for t in tried if t is not here]
    if here is None or not others:
        return Remark("why-here", facts, (note_id,))
    facts["drone"] = _at_the_drone(riff, note)
    other = others[0]
    if not note.pinned and (request := _kept_request(riff, note, other.place)) is not None:
        facts["asked"] = {"kind": request.kind, "number": request.number}
    more = other.cost - here.cost
    dear, cheap = (here, other) if more < 0 else (other, here)
    costs = _largest(riff, dear, cheap)
    facts["other"] = {"place": list(other.place), "more": more, "costs": costs}
    return Remark("why-here", facts, (note_id,))


def _note(riff: Riff, note_id: int) -> Note:
    try:
        return riff.note(note_id)
    except KeyError:
        raise ParameterError(f"there is no note {note_id} in this riff") from None


def _kept_request(riff: Riff, note: Note, other: Place) -> Request | None:
    """The request that a note keeps where it is and would not keep at ``other``; the last of them.

    A request that the note does not keep itself holds no other place against it.
    """
    assert note.string is not None
    assert note.fret is not None
    for request in reversed(riff.player.requests):
        asked = asked_of((request,), riff.notes, riff.instrument, pins_of(riff))
        left = asked.places.get(note.id)
        if left is not None and (note.string, note.fret) in left and other not in left:
            return request
    return None


def _at_the_drone(riff: Riff, note: Note) -> dict[str, Any] | None:
    """How a note lies to the drone; None where it has nothing to do with one."""
    drone = riff.drone
    if drone is None or not is_over(drone, note.onset_sec):
        return None
    strings = drone_strings(drone)
    if note.string in strings:
        return {"is": "drone" if note.fret == 0 else "on-its-string"}
    if not any(abs((note.string or 0) - s) == 1 for s in strings):
        return None
    beside: dict[str, Any] = {"is": "beside", "string": strings[0]}
    for far in far_up(riff.notes, places_of(riff.notes), riff.instrument, drone):
        if far.note.id == note.id:
            beside["above_frets"] = far.above
    return beside


def _try_all(riff: Riff, note_id: int) -> list[_Tried]:
    note = _note(riff, note_id)
    solver = solver_for(riff.instrument, hand_of(riff))
    at = next(i for i, n in enumerate(riff.notes) if n.id == note_id)
    window = riff.notes[max(0, at - _WINDOW) : at + _WINDOW + 1]
    pins = {i: p for i, p in pins_of(riff).items() if i != note_id}
    edge = [*window[:4], *window[-4:]]
    inside = riff.notes[0] is not window[0], riff.notes[-1] is not window[-1]
    for k, n in enumerate(edge):
        held = inside[0] if k < 4 else inside[1]
        if held and n.id != note_id and n.string is not None and n.fret is not None:
            pins[n.id] = (n.string, n.fret)
    asked = asked_of(riff.player.requests, riff.notes, riff.instrument, pins_of(riff))
    tried = []
    for place in riff.instrument.places(note.pitch_midi):
        one = _try(solver, riff, window, pins | {note_id: place}, note_id, asked)
        if one is not None:
            tried.append(one)
    return sorted(tried, key=lambda t: t.cost)


def _try(
    solver: Solver,
    riff: Riff,
    window: Sequence[Note],
    pins: Mapping[int, Place],
    note_id: int,
    asked: Asked,
) -> _Tried | None:
    here = {n.id for n in window}
    pins = {i: p for i, p in pins.items() if i in here}
    plan = plan_onsets(
        window, riff.instrument, solver.chooser, drone=riff.drone, pins=pins, asked=asked
    )
    if any(u.note_id in pins for u in plan.unmet):
        return None
    steps = solver.beam.run(plan.onsets)
    sums: dict[str, float] = {}
    for costs in solver.beam.account(plan.onsets, [s.choice for s in steps]):
        for name, value in costs.items():
            sums[name] = sums.get(name, 0.0) + value
    before: float | None = None
    for onset, step in zip(plan.onsets, steps, strict=True):
        ids = [window[i].id for i in onset.notes]
        position = float(onset.candidates.position[step.choice])
        if note_id in ids:
            n = ids.index(note_id)
            return _Tried(
                place=pins[note_id],
                cost=float(sum(s.cost for s in steps)),
                finger=int(onset.candidates.fingers[step.choice, n]),
                costs=sums,
                position_before=before,
                position=None if position != position else position,
                gap_sec=onset.gap_sec,
            )
        if position == position:
            before = position
    return None


_SHIFTS = frozenset({"shift", "shift_rested", "shift_fast"})  # shown as one move, in mm


def _largest(riff: Riff, dear: _Tried, cheap: _Tried) -> list[dict[str, Any]]:
    """The two largest costs by which ``dear`` is above ``cheap``: their names and by how much."""
    move = _move(riff, dear)
    sums: dict[str, float] = {}
    for name in set(dear.costs) | set(cheap.costs):
        key = "shift" if move and name in _SHIFTS else WORDED_AS[name]
        sums[key] = sums.get(key, 0.0) + dear.costs.get(name, 0.0) - cheap.costs.get(name, 0.0)
    ranked = sorted(sums.items(), key=lambda item: -item[1])
    return [
        {"name": name, "more": more} | (move if move and name == "shift" else {})
        for name, more in ranked[:2]
        if more >= 0.05
    ]


def _move(riff: Riff, tried: _Tried) -> dict[str, Any] | None:
    """How far the hand moves to the note, and in which time."""
    if tried.position is None or tried.position_before is None:
        return None
    mm = neck_mm(riff.instrument)
    top = len(mm) - 1
    at, was = (min(top, max(0, round(p))) for p in (tried.position, tried.position_before))
    if at == was:
        return None
    return {"moved_mm": abs(mm[at] - mm[was]), "in_sec": tried.gap_sec}
