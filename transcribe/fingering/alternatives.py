"""Other ways to finger a whole riff: few, and different in kind."""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Mapping, Sequence

import numpy as np

from transcribe.core.riff import (
    Alternative,
    Drone,
    Instrument,
    Note,
    Phrase,
    Rhythm,
    legato_sources,
    sort_notes,
)
from transcribe.core.strokes import STROKE_SEC
from transcribe.core.wording import text_remark
from transcribe.drone import find_drone
from transcribe.fingering.hand import Hand
from transcribe.fingering.search import off_home
from transcribe.fingering.solver import Fingering, Solver, solver_for

__all__ = ["alternatives", "home_position"]

_FREE_MELODY = dict.fromkeys(("melody_far", "melody_above", "melody_off", "melody_moves"), 0.0)
_POSITION = "one hand position"
_HIGHER = "higher on the neck"
_THREE = "three notes a string"
_ANYWHERE = dict.fromkeys(("fret", "fret_high", "fret_body", "off_first"), 0.0)
_KINDS: tuple[tuple[str, Mapping[str, float]], ...] = (
    (_POSITION, _ANYWHERE | _FREE_MELODY),
    (
        "along one string",
        {"cross": 3.0, "skip_strings": 1.0, "other_place": 1.0, "leap_same_string": -0.5},
    ),
    (_THREE, {}),
    ("lowest on the neck", {"fret": 3.0, "position": 3.0, "thick": 0.0} | _FREE_MELODY),
    (
        "ringing across the strings",
        {
            "step_same_string": 1.5,
            "third_same_string": 2.5,
            "leap_same_string": 2.5,
            "open": -1.0,
            "cut": 4.0,
            "other_place": 0.0,
        }
        | _FREE_MELODY,
    ),
    (_HIGHER, _ANYWHERE | dict.fromkeys(("thick", "thick_high", "position"), 0.0)),
)
"""Names of the kinds and the weights that bring each about."""

_HANDS = (("for a bigger hand", 1.18), ("for a smaller hand", 0.85))
_MOST = 5
_HIGH = 5  # the lowest position that is away from the open strings
_MOST_EFFORT = 0.8  # a note, beyond the first choice; dearer than this is no way to play it
_SCALE_NOTES = 7  # so many pitches make a scale over the strings
_SCALE_STEP = 3  # semitones


def alternatives(
    notes: Sequence[Note],
    instrument: Instrument,
    *,
    hand: Hand = Hand(),  # noqa: B008 - frozen
    drone: Drone | str | int | None = "auto",
    pins: Mapping[int, tuple[int, int]] | None = None,
    phrases: Sequence[Phrase] = (),
    rhythm: Rhythm | None = None,
) -> tuple[Alternative, ...]:
    """Up to five other fingerings that differ from `solve`'s and from one another.

    Each has a plain name, the effort that it costs the hand (`Solver.effort`, lower is easier),
    where it is hardest, and how it compares with the first choice. The arguments and errors are
    those of `solve`.
    """
    if not notes:
        return ()
    found = find_drone(notes, instrument, drone=drone)
    if rhythm is not None and not phrases:
        phrases = rhythm.phrases
    base = solver_for(instrument, hand)
    held = dict(pins or {})
    main = base.solve(notes, drone=found, pins=held, phrases=phrases)
    if not main.positions:
        return ()
    first = sum(base.effort(notes, main.positions, drone=found).values())
    seen = [dict(main.positions)]
    out: list[Alternative] = []
    for name, changes in _KINDS:
        if found is not None and name == "along one string":
            name = "along one string over the drone"
        home, kept = None, held
        if name == _POSITION:
            home = home_position(notes, instrument, held)
        elif name == _HIGHER:
            if found is not None or not _is_low(main, instrument):
                continue
            home = home_position(notes, instrument, held, lowest=_HIGH)
        elif name == _THREE:
            threes = None if found is not None else _three_a_string(notes, main, instrument, held)
            if threes is None:
                continue
            kept = threes
        other = Solver(instrument, hand=hand, weights=base.weights | dict(changes), home=home)
        solved = other.solve(notes, drone=found, pins=kept, phrases=phrases)
        if name == _HIGHER:
            effort = sum(base.effort(notes, solved.positions, drone=found).values())
            if effort - first > _MOST_EFFORT * len(solved.positions):
                continue
        _add(out, seen, name, solved)
    for name, factor in _HANDS:
        span = min(200.0, max(40.0, hand.span_mm * factor))
        other = Solver(instrument, hand=Hand(span), weights=base.weights)
        solved = other.solve(notes, drone=found, pins=held, phrases=phrases)
        _add(out, seen, name, solved)
    return tuple(_described(a, notes, found, base, first) for a in out[:_MOST])


def _is_low(main: Fingering, instrument: Instrument) -> bool:
    """Whether half of the notes or more lie below the positions away from the open strings."""
    frets = [fret for _, fret in main.positions.values()]
    return instrument.top_fret >= _HIGH + 4 and sum(f < _HIGH for f in frets) >= 0.5 * len(frets)


def _three_a_string(
    notes: Sequence[Note],
    main: Fingering,
    instrument: Instrument,
    pins: Mapping[int, tuple[int, int]],
) -> dict[int, tuple[int, int]] | None:
    """A place for every note so that the pitches in turn fill the strings by threes, or None.

    Only a line over a scale lies like that: single notes of seven pitches or more, no two
    neighbours more than three semitones apart. Of the ways to begin that keep ``pins`` and slurs,
    one with three notes on the lowest string is taken where there is one, and of these the
    nearest to where the hand is in ``main``.
    """
    ordered = sort_notes(list(notes))
    scale = sorted({n.pitch_midi for n in ordered})
    apart = [b - a for a, b in itertools.pairwise(scale)]
    if len(scale) < _SCALE_NOTES or max(apart) > _SCALE_STEP:
        return None
    if any(b.onset_sec - a.onset_sec < STROKE_SEC for a, b in itertools.pairwise(ordered)):
        return None
    slurs = legato_sources(list(ordered))
    hand = np.mean([fret for _, fret in main.positions.values()])
    best: tuple[tuple[int, float], dict[int, tuple[int, int]]] | None = None
    for first in range(len(instrument.open_midi), 0, -1):
        for missing in range(3):
            places = {}
            for k, pitch in enumerate(scale):
                string = first - (k + missing) // 3
                fret = instrument.fret_of(string, pitch) if string >= 1 else None
                if not fret:
                    break  # an open string is no place to stop three notes from
                places[pitch] = (string, fret)
            if len(places) < len(scale):
                continue
            chosen = {n.id: places[n.pitch_midi] for n in ordered}
            if any(chosen[i] != place for i, place in pins.items()):
                continue
            if any(chosen[a][0] != chosen[b][0] for a, b in slurs.items()):
                continue
            away = float(abs(np.mean([fret for _, fret in chosen.values()]) - hand))
            if best is None or (missing, away) < best[0]:
                best = ((missing, away), chosen)
    return None if best is None else best[1]


def home_position(
    notes: Sequence[Note],
    instrument: Instrument,
    pins: Mapping[int, tuple[int, int]],
    *,
    lowest: int = 1,
) -> int:
    """The fret at which the index finger lies when the notes lie best within four frets.

    The pins say where on the neck: the position has to hold the first, and of the positions that
    do, those that hold the most. Else it is ``lowest`` or higher.
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
            count * float(off_home(np.array(frets), home).min()) for frets, count in counted.items()
        )

    return min(homes, key=lambda h: (outside(h), h))


def _add(
    out: list[Alternative],
    seen: list[dict[int, tuple[int, int]]],
    name: str,
    fingering: Fingering,
) -> None:
    positions = dict(fingering.positions)
    if positions and positions not in seen:
        seen.append(positions)
        out.append(Alternative(name, positions, fingering.cost))


def _described(
    alternative: Alternative,
    notes: Sequence[Note],
    drone: Drone | None,
    base: Solver,
    first: float,
) -> Alternative:
    """The alternative costed by the hand's effort as the main answer is, with its hardest place."""
    effort = base.effort(notes, alternative.positions, drone=drone)
    total = sum(effort.values())
    ordered = [n for n in sort_notes(list(notes)) if n.id in effort]
    hardest = max(ordered, key=lambda n: effort[n.id])
    place = alternative.positions[hardest.id]
    where = "open" if place[1] == 0 else f"fret {place[1]}"
    more = total - first
    side = "more" if more >= 0 else "less"
    why = text_remark(
        f"costs the hand {abs(more):.1f} {side} than the first choice, hardest "
        f"at {hardest.onset_sec:.2f} s on string {place[0]} {where}"
    )
    return Alternative(
        alternative.name,
        alternative.positions,
        round(total, 3),
        hardest.id,
        round(hardest.onset_sec, 3),
        why,
    )
