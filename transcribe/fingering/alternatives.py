"""Other ways to finger a whole riff: few, and different in kind."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from transcribe.core.riff import (
    Alternative,
    Drone,
    Instrument,
    Note,
    Phrase,
    Remark,
    Request,
    Rhythm,
    sort_notes,
)
from transcribe.drone import find_drone
from transcribe.fingering.asked import three_a_string
from transcribe.fingering.costs import WORDED_AS
from transcribe.fingering.hand import Hand
from transcribe.fingering.repeats import repeat_groups
from transcribe.fingering.search import off_position
from transcribe.fingering.solver import Fingering, Solver, solver_for

__all__ = ["alternatives", "home_position"]

_FREE_MELODY = dict.fromkeys(("melody_far", "melody_above", "melody_off", "melody_moves"), 0.0)
_NO_BOX = dict.fromkeys(("box_moves", "box_cross", "box_mixed"), 0.0)
_ANYWHERE = dict.fromkeys(("fret", "fret_high", "fret_body", "off_first"), 0.0)


@dataclass(frozen=True, slots=True)
class _Kind:
    """A kind of fingering: its name, and what brings it about.

    ``weights`` replace those of the solver; ``lowest_position`` keeps the hand in one position,
    this one or higher; ``span`` is a share of the hand's. ``named_over_drone`` is the name over a
    drone, None where the kind is not offered over one. With ``away_from_low`` it is offered only
    where the first choice lies low on the neck, and where it is not much harder.
    """

    name: str
    weights: Mapping[str, float] = field(default_factory=dict)
    named_over_drone: str | None = None
    lowest_position: int | None = None
    three_a_string: bool = False
    away_from_low: bool = False
    span: float = 1.0


def _kind(name: str, weights: Mapping[str, float], **options: Any) -> _Kind:
    return _Kind(name, weights, **{"named_over_drone": name, **options})


_HIGH_POSITION = 5  # the lowest position that is away from the open strings
_KINDS = (
    _kind("one hand position", _ANYWHERE | _FREE_MELODY, lowest_position=1),
    _kind(
        "along one string",
        {"cross": 3.0, "skip_strings": 1.0, "other_place": 1.0, "leap_same_string": -0.5} | _NO_BOX,
        named_over_drone="along one string over the drone",
    ),
    _Kind("three notes a string", three_a_string=True),
    _kind(
        "lowest on the neck", {"fret": 3.0, "position": 3.0, "thick": 0.0} | _FREE_MELODY | _NO_BOX
    ),
    _kind(
        "ringing across the strings",
        {
            "step_same_string": 1.5,
            "third_same_string": 2.5,
            "leap_same_string": 2.5,
            "open": -1.0,
            "cut": 4.0,
            "other_place": 0.0,
        }
        | _FREE_MELODY
        | _NO_BOX,
    ),
    _Kind(
        "higher on the neck",
        _ANYWHERE | dict.fromkeys(("thick", "thick_high", "position"), 0.0),
        lowest_position=_HIGH_POSITION,
        away_from_low=True,
    ),
    _kind("for a bigger hand", {}, span=1.18),
    _kind("for a smaller hand", {}, span=0.85),
)
"""In the order in which they are offered. The weights were chosen by eye on the shipped takes."""

_MAX_OFFERED = 5
_MAX_MORE_EFFORT = 0.8  # a note, beyond the first choice; what is harder is no way to play it


def alternatives(
    notes: Sequence[Note],
    instrument: Instrument,
    *,
    hand: Hand = Hand(),  # noqa: B008 - frozen
    drone: Drone | str | int | None = "auto",
    pins: Mapping[int, tuple[int, int]] | None = None,
    phrases: Sequence[Phrase] = (),
    rhythm: Rhythm | None = None,
    requests: Sequence[Request] = (),
) -> tuple[Alternative, ...]:
    """Other fingerings that differ from `solve`'s and from one another.

    Parameters
    ----------
    notes, instrument, hand, drone, pins, phrases, rhythm, requests
        As for `transcribe.fingering.solve`; a fingering that was taken is left aside.

    Returns
    -------
    tuple of Alternative
        At most five. The cost of each is the effort of the hand in the measure of
        `Solver.effort`, as it is for the first choice; ``why`` says how it compares with that,
        and, where it is easier, what the first choice keeps and this one does not.

    Raises
    ------
    ParameterError
        If ``drone`` is none of what `find_drone` takes.

    Examples
    --------
    >>> from transcribe.core.riff import Instrument, Note
    >>> line = [Note(i, 0.3 * i, 0.3 * i + 0.3, 60 + p) for i, p in enumerate((0, 2, 4, 5, 7))]
    >>> [other.name for other in alternatives(line, Instrument())][:2]
    ['one hand position', 'ringing across the strings']
    """
    if not notes:
        return ()
    found = find_drone(notes, instrument, drone=drone)
    if rhythm is not None and not phrases:
        phrases = rhythm.phrases
    base = solver_for(instrument, hand)
    pins = dict(pins or {})
    requests = tuple(request for request in requests if request.kind != "taken")
    first = base.solve(notes, drone=found, pins=pins, phrases=phrases, requests=requests)
    if not first.positions:
        return ()
    judge = _Judge(notes, base, found, phrases, first)
    seen = [dict(first.positions)]
    out: list[Alternative] = []
    for kind in _KINDS:
        name = kind.name if found is None else kind.named_over_drone
        if name is None or (kind.away_from_low and not _is_low(first, instrument)):
            continue
        also: tuple[Request, ...] = ()
        if kind.three_a_string:
            hand_at = float(np.mean([fret for _, fret in first.positions.values()]))
            places = three_a_string(notes, instrument, pins, near_fret=hand_at)
            if isinstance(places, tuple):
                continue
            also = (Request("taken", places=places),)
        near: int | None = None
        if kind.lowest_position is not None:
            near = home_position(notes, instrument, pins, lowest=kind.lowest_position)
        span = min(200.0, max(40.0, hand.span_mm * kind.span))
        solver = solver_for(instrument, Hand(span), kind.weights)
        # What the player asks is kept before what this kind asks.
        asked = (*also, *requests)
        solved = solver.solve(
            notes, drone=found, pins=pins, phrases=phrases, requests=asked, near_position=near
        )
        positions = dict(solved.positions)
        if not positions or positions in seen:
            continue
        other = judge.described(name, positions)
        if kind.away_from_low and other.cost - judge.effort > _MAX_MORE_EFFORT * len(positions):
            continue
        seen.append(positions)
        out.append(other)
        if len(out) == _MAX_OFFERED:
            break
    return tuple(out)


class _Judge:
    """Holds fingerings of one riff against the first choice."""

    def __init__(
        self,
        notes: Sequence[Note],
        solver: Solver,
        drone: Drone | None,
        phrases: Sequence[Phrase],
        first: Fingering,
    ) -> None:
        self._notes = sort_notes(list(notes))
        self._solver, self._drone = solver, drone
        self._repeats = repeat_groups(self._notes, phrases)
        self._first = self._measure(first.positions)
        self.effort = sum(self._first[0].values())

    def _measure(
        self, positions: Mapping[int, tuple[int, int]]
    ) -> tuple[dict[int, float], Mapping[str, float]]:
        """The effort of each note, and what each rule costs."""
        effort, rules = self._solver.costs(self._notes, positions, drone=self._drone)
        strings = [
            {positions[i][0] for i in ids if i in positions} for g in self._repeats for ids in g
        ]
        return effort, rules | {"repeat_off": sum(len(s) > 1 for s in strings)}

    def described(self, name: str, positions: Mapping[int, tuple[int, int]]) -> Alternative:
        """The alternative with what it costs the hand, where it is hardest and why it is second."""
        effort, rules = self._measure(positions)
        total = sum(effort.values())
        hardest = max((n for n in self._notes if n.id in effort), key=lambda n: effort[n.id])
        facts: dict[str, Any] = {
            "more": round(total - self.effort, 3),
            "sec": hardest.onset_sec,
            "place": list(positions[hardest.id]),
        }
        broken = {name: cost - self._first[1].get(name, 0.0) for name, cost in rules.items()}
        if broken and max(broken.values()) > 0.0:
            facts["because"] = WORDED_AS[max(broken, key=lambda name: broken[name])]
        return Alternative(
            name,
            positions,
            round(total, 3),
            hardest.id,
            round(hardest.onset_sec, 3),
            Remark("hardest-place", facts, (hardest.id,)),
        )


def _is_low(first: Fingering, instrument: Instrument) -> bool:
    """Whether half of the notes or more lie below the positions away from the open strings."""
    frets = [fret for _, fret in first.positions.values()]
    return instrument.top_fret >= _HIGH_POSITION + 4 and sum(
        f < _HIGH_POSITION for f in frets
    ) >= 0.5 * len(frets)


def home_position(
    notes: Sequence[Note],
    instrument: Instrument,
    pins: Mapping[int, tuple[int, int]],
    *,
    lowest: int = 1,
) -> int:
    """The fret at which the index finger lies when the notes lie best within four frets.

    With ``pins`` it is one of the positions that hold the first of them, and of these one that
    holds the most. It is never below ``lowest``.
    """
    places = [
        np.array([pins[n.id][1]] if n.id in pins else [f for _, f in found])
        for n in sort_notes(list(notes))
        if (found := instrument.places(n.pitch_midi))
    ]
    pinned = [pins[n.id][1] for n in sort_notes(list(notes)) if n.id in pins and pins[n.id][1]]
    homes = list(range(lowest, max(lowest + 1, instrument.top_fret - 2)))
    if pinned:
        homes = [h for h in homes if h - 1 <= pinned[0] <= h + 4] or homes
        held = {h: sum(h - 1 <= fret <= h + 4 for fret in pinned) for h in homes}
        homes = [h for h in homes if held[h] == max(held.values())]
    counted = Counter(tuple(p.tolist()) for p in places)

    def outside(home: int) -> float:
        return sum(
            count * float(off_position(np.array(frets), home).min())
            for frets, count in counted.items()
        )

    return min(homes, key=lambda h: (outside(h), h))
