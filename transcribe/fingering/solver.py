"""Chooses the strings, frets and fingers of a whole riff.

Viterbi over the onsets with a beam: a state is a full choice of strings and fingers for the notes
of an onset, with the position of the hand and what the choices before it left sounding. The
answer has the least sum of the costs in ``costs.py``. Pins are hard. Time and memory grow in
line with the number of notes.

Conventions: string 1 is the highest-sounding, fret 0 is open, frets count from the capo, times in
seconds. The solver is pure: notes, instrument and pins in, a `Fingering` out.
"""

from __future__ import annotations

import dataclasses
from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from transcribe.core.errors import ParameterError
from transcribe.core.overtones import likely_overtones
from transcribe.core.riff import (
    Drone,
    Instrument,
    Note,
    Phrase,
    Remark,
    Request,
    Rhythm,
    Riff,
    places_of,
    sort_notes,
)
from transcribe.core.strokes import STROKE_SEC
from transcribe.drone import find_drone
from transcribe.fingering.asked import Asked, asked_of, check_request, not_kept
from transcribe.fingering.candidates import Chooser
from transcribe.fingering.cautions import cautions
from transcribe.fingering.costs import RULES, default_weights, finger_weights
from transcribe.fingering.hand import Hand
from transcribe.fingering.plan import Unmet, plan_onsets
from transcribe.fingering.repeats import agreed_strings, repeat_groups
from transcribe.fingering.search import Beam

_FINGER_BEAM = 12

__all__ = ["Fingering", "Solver", "apply", "pins_of", "solve", "unmet_facts", "unmet_remarks"]


@dataclass(frozen=True, slots=True)
class Fingering:
    """Where a riff is played.

    ``positions``: note id -> (string, fret). ``fingers``: note id -> 0 (open) to 4. ``cost``: the
    sum of the solver's costs (no unit; lower is easier). ``unmet``: notes without a place and
    pins that could not be kept. ``not_kept``: requests that are not kept everywhere. ``cautions``:
    what to warn the player of.
    """

    positions: Mapping[int, tuple[int, int]]
    fingers: Mapping[int, int]
    cost: float
    unmet: tuple[Unmet, ...] = ()
    drone: Drone | None = None
    not_kept: tuple[Remark, ...] = ()
    cautions: tuple[Remark, ...] = ()
    note_costs: Mapping[int, float] = field(default_factory=dict)


class Solver:
    """Solves riffs for one instrument and hand; keeps what it worked out about each chord."""

    def __init__(
        self,
        instrument: Instrument,
        *,
        hand: Hand = Hand(),  # noqa: B008 - frozen
        weights: Mapping[str, float] | None = None,
        fingers: Mapping[str, float] | None = None,
        beam: int = 24,
    ) -> None:
        self.instrument = instrument
        self.hand = hand
        self.weights = dict(default_weights() if weights is None else weights)
        self.chooser = Chooser(instrument, hand, self.weights)
        self.beam = Beam(instrument, self.weights, width=beam)
        if weights is None and fingers is None:
            fingers = finger_weights()
        # Editors finger by other measures than they choose strings by: with the strings known,
        # the fingers are chosen again by weights of their own.
        self._finger_chooser = Chooser(instrument, hand, fingers) if fingers else None
        self._finger_beam = (
            Beam(instrument, fingers, width=_FINGER_BEAM, choices_only=True) if fingers else None
        )

    def solve(
        self,
        notes: Sequence[Note],
        *,
        drone: Drone | None = None,
        pins: Mapping[int, tuple[int, int]] | None = None,
        phrases: Sequence[Phrase] = (),
        beats: int | None = None,
        requests: Sequence[Request] = (),
        near_position: int | None = None,
    ) -> Fingering:
        """The easiest fingering of ``notes`` around ``pins``; see the function `solve`.

        ``beats`` in a bar, where it is known, lets cautions name the bar. ``near_position`` draws
        the hand to a position without holding it there.
        """
        everything = sort_notes(list(notes))
        held = pins or {}
        unsure = likely_overtones(everything) - set(held)
        overtones = tuple(n for n in everything if n.id in unsure)
        ordered = tuple(n for n in everything if n.id not in unsure)
        asked = asked_of(requests, ordered, self.instrument, held)
        if near_position is not None:
            near = {n.id: near_position for n in ordered} | dict(asked.positions)
            asked = dataclasses.replace(asked, positions=near)
        answer = self._once(ordered, drone, held, None, beats, requests, asked)
        if phrases:
            alike = agreed_strings(
                repeat_groups(ordered, phrases), answer.positions, answer.note_costs, held
            )
            if any(answer.positions[i][0] != s for i, s in alike.items()):
                answer = self._once(ordered, drone, held, alike, beats, requests, asked)
        if not overtones:
            return answer
        positions = dict(answer.positions)
        late = tuple(
            Unmet(i, "overtone")
            for i in _place_overtones(overtones, ordered, self.instrument, positions)
        )
        return dataclasses.replace(answer, positions=positions, unmet=(*answer.unmet, *late))

    def effort(
        self,
        notes: Sequence[Note],
        positions: Mapping[int, tuple[int, int]],
        *,
        drone: Drone | None = None,
    ) -> dict[int, float]:
        """What it costs the hand to play ``notes`` at ``positions``, by note id.

        The costs of `costs.RULES` are left out: they say what is wanted, not what is hard.
        Fingers are chosen again.
        """
        return self.costs(notes, positions, drone=drone)[0]

    def costs(
        self,
        notes: Sequence[Note],
        positions: Mapping[int, tuple[int, int]],
        *,
        drone: Drone | None = None,
    ) -> tuple[dict[int, float], dict[str, float]]:
        """The `effort` of each note at ``positions``, and the sum of each cost of `costs.RULES`."""
        ordered = sort_notes(list(notes))
        plan = plan_onsets(ordered, self.instrument, self.chooser, drone=drone, pins=positions)
        steps = self.beam.run(plan.onsets)
        effort: dict[int, float] = {}
        rules: dict[str, float] = {}
        named = self.beam.account(plan.onsets, [s.choice for s in steps])
        for onset, costs in zip(plan.onsets, named, strict=True):
            hard = 0.0
            for name, cost in costs.items():
                if name in RULES:
                    rules[name] = rules.get(name, 0.0) + cost
                else:
                    hard += cost
            effort |= {ordered[i].id: hard / len(onset.notes) for i in onset.notes}
        return effort, rules

    def _once(
        self,
        ordered: Sequence[Note],
        drone: Drone | None,
        pins: Mapping[int, tuple[int, int]],
        alike: Mapping[int, int] | None,
        beats: int | None,
        requests: Sequence[Request],
        asked: Asked,
    ) -> Fingering:
        plan = plan_onsets(
            ordered,
            self.instrument,
            self.chooser,
            drone=drone,
            pins=pins,
            alike=alike,
            drawn_by=pins,
            asked=asked,
        )
        steps = self.beam.run(plan.onsets)
        positions: dict[int, tuple[int, int]] = {}
        fingers: dict[int, int] = {}
        costs: dict[int, float] = {}
        for onset, step in zip(plan.onsets, steps, strict=True):
            chosen = onset.candidates
            for n, index in enumerate(onset.notes):
                note = ordered[index]
                string = int(chosen.strings[step.choice, n]) + 1
                positions[note.id] = (string, int(chosen.frets[step.choice, n]))
                fingers[note.id] = int(chosen.fingers[step.choice, n])
                costs[note.id] = step.cost / len(onset.notes)
        if self._finger_beam is not None:
            fingers = self._choose_fingers(ordered, drone, positions)
        return Fingering(
            positions=positions,
            fingers=fingers,
            cost=float(sum(step.cost for step in steps)),
            unmet=plan.unmet,
            drone=drone,
            not_kept=tuple(
                not_kept(
                    requests,
                    asked,
                    ordered,
                    positions,
                    self.instrument,
                    pins,
                    plan.drone_ids,
                    plan.sources,
                )
            ),
            cautions=tuple(
                cautions(plan, ordered, positions, self.instrument, self.hand, drone, pins, beats)
            ),
            note_costs=costs,
        )

    def _choose_fingers(
        self,
        ordered: Sequence[Note],
        drone: Drone | None,
        positions: Mapping[int, tuple[int, int]],
    ) -> dict[int, int]:
        """The finger of every note that is held to its place, by the weights for fingers."""
        assert self._finger_chooser is not None
        assert self._finger_beam is not None
        chooser, beam = self._finger_chooser, self._finger_beam
        plan = plan_onsets(ordered, self.instrument, chooser, drone=drone, pins=positions)
        out: dict[int, int] = {}
        for onset, step in zip(plan.onsets, beam.run(plan.onsets), strict=True):
            for n, index in enumerate(onset.notes):
                out[ordered[index].id] = int(onset.candidates.fingers[step.choice, n])
        return out


def _place_overtones(
    overtones: Sequence[Note],
    notes: Sequence[Note],
    instrument: Instrument,
    positions: dict[int, tuple[int, int]],
) -> list[int]:
    """Put each likely overtone on a string that is free at its onset, open or nearest the hand.

    Changes ``positions``; returns the ids of those that no free string has within the hand's reach.
    """
    unmet = []
    onsets = [n.onset_sec for n in notes]
    placed: list[Note] = []
    for overtone in overtones:
        low = bisect_left(onsets, overtone.onset_sec - STROKE_SEC)
        high = bisect_right(onsets, overtone.onset_sec + STROKE_SEC)
        late = [n for n in placed[-6:] if abs(n.onset_sec - overtone.onset_sec) <= STROKE_SEC]
        near = [n for n in (*notes[low:high], *late) if n.id in positions]
        taken = {positions[n.id][0] for n in near}
        hand = [positions[n.id][1] for n in near if positions[n.id][1] > 0]
        free = [
            (max((abs(fret - at) for at in hand), default=fret) if fret else 0, string, fret)
            for string, fret in instrument.places(overtone.pitch_midi)
            if string not in taken
        ]
        if not free or (hand and min(free)[0] > _REACH_FRETS):
            unmet.append(overtone.id)
            continue
        positions[overtone.id] = min(free)[1:]
        placed.append(overtone)
    return unmet


_REACH_FRETS = 4  # from any finger to a doubtful note beside it; common practice, no source

_SOLVERS: dict[tuple[Instrument, Hand, tuple[tuple[str, float], ...] | None], Solver] = {}
_MAX_SOLVERS = 20  # two necks, each with the weights of all kinds of alternatives


def solver_for(
    instrument: Instrument, hand: Hand, changes: Mapping[str, float] | None = None
) -> Solver:
    """A solver with the shipped weights, kept so that solving again is quick.

    With ``changes``, weights in place of those that are shipped, it chooses no fingers.
    """
    neck = dataclasses.replace(instrument, offset_cents=0.0, extra={})
    key = (neck, hand, None if changes is None else tuple(sorted(changes.items())))
    if key not in _SOLVERS:
        while len(_SOLVERS) >= _MAX_SOLVERS:
            _SOLVERS.pop(next(iter(_SOLVERS)))
        weights = None if changes is None else default_weights() | dict(changes)
        _SOLVERS[key] = Solver(instrument, hand=hand, weights=weights)
    return _SOLVERS[key]


def solve(
    notes: Sequence[Note],
    instrument: Instrument,
    *,
    hand: Hand = Hand(),  # noqa: B008 - frozen
    drone: Drone | str | int | None = "auto",
    pins: Mapping[int, tuple[int, int]] | None = None,
    phrases: Sequence[Phrase] = (),
    rhythm: Rhythm | None = None,
    requests: Sequence[Request] = (),
) -> Fingering:
    """The easiest fingering of a riff.

    Parameters
    ----------
    notes : sequence of Note
        With ids, seconds and pitches; their strings and frets are not looked at.
    instrument : Instrument
    hand : Hand
    drone : "auto", "off", a string number, or a Drone
        Whether to look for a drone, leave it, or hold one string (from 1) to be it.
    pins : mapping of note id to (string, fret)
        Places that must be kept.
    phrases : sequence of Phrase
        Phrases with one label are fingered alike; taken from ``rhythm`` where left out.
    rhythm : Rhythm, optional
    requests : sequence of Request
        What the player asks of the fingering. Where one is not kept, ``not_kept`` says why.

    Raises
    ------
    ParameterError
        If two notes share an id, a pin names a note that is not there, a request asks for what
        the neck does not have, or ``drone`` is none of the above.
    """
    ids = {note.id for note in notes}
    if len(ids) != len(notes):
        raise ParameterError("two notes share an id; give every note its own")
    for note_id in pins or {}:
        if note_id not in ids:
            raise ParameterError(f"there is no note {note_id} to pin; ids run over {_span(ids)}")
    for request in requests:
        check_request(request, instrument)
    found = find_drone(notes, instrument, drone=drone)
    if rhythm is not None and not phrases:
        phrases = rhythm.phrases
    beats = rhythm.meter[0] if rhythm is not None else None
    return solver_for(instrument, hand).solve(
        notes, drone=found, pins=pins, phrases=phrases, beats=beats, requests=requests
    )


def _span(ids: set[int]) -> str:
    return f"{min(ids)} to {max(ids)}" if ids else "nothing: there are no notes"


def unmet_remarks(
    notes: Sequence[Note], fingering: Fingering, instrument: Instrument | None = None
) -> tuple[Remark, ...]:
    """What could not be kept, one remark a note or a request.

    Where the ``instrument`` is given and many notes lie off the same end of its neck, or two below
    a capo, one remark names them all: then it is the tuning that is wrong rather than the notes.
    """
    by_id = {note.id: note for note in notes}
    found = []
    together: set[int] = set()
    if instrument is not None:
        for side in ("below", "above"):
            off = [u for u in fingering.unmet if u.facts.get("side") == side]
            if len(off) >= (2 if side == "below" and instrument.capo else _MIN_TOGETHER):
                together |= {unmet.note_id for unmet in off}
                found.append(_all_off([by_id[u.note_id] for u in off], off[0].facts, instrument))
    found += [
        Remark("no-place", *unmet_facts(by_id[unmet.note_id], unmet))
        for unmet in fingering.unmet
        if unmet.note_id not in together
    ]
    return (*found, *fingering.not_kept)


def unmet_facts(note: Note, unmet: Unmet) -> tuple[dict[str, Any], tuple[int, ...]]:
    """Facts and notes of a remark on ``note``, which is the one that is not met."""
    facts = {"pitch_midi": note.pitch_midi, "sec": note.onset_sec, "reason": unmet.reason}
    if unmet.nearest is not None:
        facts["nearest"] = list(unmet.nearest)
    notes = (note.id,) if unmet.fights is None else (note.id, unmet.fights)
    return facts | dict(unmet.facts), notes


_MIN_TOGETHER = 3  # notes off one end of the neck, which then share one remark


def _all_off(notes: Sequence[Note], facts: Mapping[str, Any], instrument: Instrument) -> Remark:
    pitches = [note.pitch_midi for note in notes]
    ordered = sorted(notes, key=lambda n: (n.onset_sec, n.id))
    common = {
        "low_midi": min(pitches),
        "high_midi": max(pitches),
        "sec": ordered[0].onset_sec,
        "capo": instrument.capo,
    }
    return Remark("many-off-the-neck", common | dict(facts), tuple(note.id for note in ordered))


def pins_of(riff: Riff) -> dict[int, tuple[int, int]]:
    """Note id -> (string, fret) of every pinned note."""
    return places_of([note for note in riff.notes if note.pinned])


def apply(notes: Sequence[Note], fingering: Fingering) -> tuple[Note, ...]:
    """``notes`` with the strings, frets and fingers of ``fingering``; None where it has none."""
    out = []
    for note in notes:
        string, fret = fingering.positions.get(note.id, (None, None))
        finger = fingering.fingers.get(note.id)
        if (note.string, note.fret, note.finger) != (string, fret, finger):
            note = dataclasses.replace(note, string=string, fret=fret, finger=finger)
        out.append(note)
    return sort_notes(out)
