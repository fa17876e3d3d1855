"""Every sensible way to play the notes of one onset: strings, frets, fingers and their own costs.

Conventions: inside the solver strings count from 0 (string 1 of the document is 0 here).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from transcribe.core.riff import Instrument
from transcribe.fingering.chord_shape import movable_shape
from transcribe.fingering.costs import PLACE
from transcribe.fingering.hand import Hand, finger_choices, neck_mm, place_costs

__all__ = ["FINGERS", "MAX_CANDIDATES", "NOWHERE", "Candidates", "Chooser", "Padded", "Places"]

Places = tuple[tuple[int, int], ...]
"""The (string, fret) that one note may take, string from 1."""

FINGERS = 5
"""Fingers 0 (an open string) to 4."""
MAX_CANDIDATES = 32
"""Candidates kept for one onset."""

_MAX_FINGERINGS = 3  # ways to finger one choice of strings, where there are several notes
_MAX_STRING_CHOICES = 400  # choices of strings looked at for one onset
# a chord wider than this many spans cannot be held: looked at if nothing else is
_MAX_REACH_SPANS = 1.45


@dataclass(frozen=True, slots=True, eq=False)
class Padded:
    """The candidates of an onset as arrays of one length, so that those of many can be stacked.

    The last axis counts the candidates and has `MAX_CANDIDATES` places, -1 beyond the last one.
    ``notes``: (3, n, ...), the string, fret and finger of each note. ``fingers``: (2, 4, ...), the
    string and fret of each finger. ``hand``: (5, ...), whether the hand stops a string, its
    position (1 where it does not), the open strings, the cost of the frets and the weighted sum of
    all costs of the places.
    """

    notes: np.ndarray
    fingers: np.ndarray
    hand: np.ndarray


@dataclass(frozen=True, slots=True, eq=False)
class Candidates:
    """``a`` ways to play the ``n`` notes of an onset on ``s`` strings, as arrays.

    ``strings``, ``frets``, ``fingers``: (a, n), in the order of the notes. ``position``: (a,),
    nan where every string is open. ``uses``: (a, s), 1 where the string is played.
    ``finger_string``, ``finger_fret``: (a, 4), -1 where the finger is free. ``static``:
    (a, len(PLACE)). ``own``: (a,), the weighted sum of ``static``. ``in_reach``: whether a hand can
    hold the notes together at all. ``padded``: the same for stacking. ``string_of``, ``place_of``:
    (n, a), the string of each note, and its string and finger as one number, `FINGERS` to a string.
    ``again``: (n, `FINGERS` * (s + 1), a), whether a note that had such a number would keep its
    string but not its finger. ``ways_fretted``, ``ways_open``: the candidates that stop a string,
    and those that do not. ``one_place``: whether they differ in their fingers alone.
    """

    strings: np.ndarray
    frets: np.ndarray
    fingers: np.ndarray
    position: np.ndarray
    fretted: np.ndarray
    uses: np.ndarray
    finger_string: np.ndarray
    finger_fret: np.ndarray
    opens: np.ndarray
    static: np.ndarray
    own: np.ndarray
    in_reach: bool
    padded: Padded
    string_of: np.ndarray
    place_of: np.ndarray
    again: np.ndarray
    ways_fretted: np.ndarray
    ways_open: np.ndarray
    one_place: bool

    def __len__(self) -> int:
        return len(self.own)


class Chooser:
    """Makes candidates for one instrument, hand and table of weights, and remembers them."""

    def __init__(self, instrument: Instrument, hand: Hand, weights: Mapping[str, float]) -> None:
        self.instrument = instrument
        self.hand = hand
        self.weights = np.array([weights[name] for name in PLACE])
        self._memo: dict[tuple[Places, ...], Candidates | None] = {}
        self.planned: dict[bool, tuple[list[Any], list[Any]]] = {}
        """What `plan_onsets` planned last: for each kind of plan its outline and its onsets."""

    def candidates(self, allowed: tuple[Places, ...]) -> Candidates | None:
        """Candidates for notes that may take the places ``allowed``; None where none fits."""
        if allowed not in self._memo:
            self._memo[allowed] = self._make(allowed)
        return self._memo[allowed]

    def _make(self, allowed: tuple[Places, ...]) -> Candidates | None:
        choices = self._string_choices(allowed, _MAX_REACH_SPANS * self.hand.span_mm)
        in_reach = bool(choices)
        if not in_reach:
            choices = self._string_choices(allowed, float("inf"))
        rows = []
        for places in choices:
            ways = [
                (float(np.dot(costs, self.weights)), places, fingers, costs, position)
                for fingers, costs, position in _ways(places, self.instrument, self.hand)
            ]
            ways.sort(key=lambda way: way[0])
            several = len(places) > 1 and len(choices) > 1
            rows += ways[:_MAX_FINGERINGS] if several else ways
        if not rows:
            return None
        rows.sort(key=lambda row: row[0])
        return self._pack(rows[:MAX_CANDIDATES], in_reach)

    def _string_choices(self, allowed: tuple[Places, ...], reach_mm: float) -> list[Places]:
        """Distinct strings for every note, the frets within ``reach_mm`` of one another."""
        mm = neck_mm(self.instrument)
        found: list[Places] = []
        chosen: list[tuple[int, int]] = [(0, 0)] * len(allowed)
        # The note with the fewest places first: a dead end shows early.
        order = sorted(range(len(allowed)), key=lambda i: len(allowed[i]))

        def put(k: int, used: int, low: float, high: float) -> None:
            if len(found) >= _MAX_STRING_CHOICES:
                return
            if k == len(order):
                found.append(tuple(chosen))
                return
            for string, fret in allowed[order[k]]:
                if used >> string & 1:
                    continue
                lo, hi = low, high
                if fret > 0:
                    lo, hi = min(low, mm[fret]), max(high, mm[fret])
                    if hi - lo > reach_mm:
                        continue
                chosen[order[k]] = (string, fret)
                put(k + 1, used | 1 << string, lo, hi)

        put(0, 0, float("inf"), float("-inf"))
        return found

    def _pack(self, rows: Sequence[tuple], in_reach: bool) -> Candidates:
        count, strings = len(rows), len(self.instrument.open_midi)
        notes = len(rows[0][1])
        string = np.array([[s - 1 for s, _ in row[1]] for row in rows], dtype=np.int64)
        fret = np.array([[f for _, f in row[1]] for row in rows], dtype=np.int64)
        finger = np.array([row[2] for row in rows], dtype=np.int64)
        uses = np.zeros((count, strings))
        finger_string = np.full((count, 4), -1, dtype=np.int64)
        finger_fret = np.full((count, 4), -1, dtype=np.int64)
        for a in range(count):
            for n in range(notes):
                uses[a, string[a, n]] = 1.0
                if finger[a, n]:
                    finger_string[a, finger[a, n] - 1] = string[a, n]
                    finger_fret[a, finger[a, n] - 1] = fret[a, n]
        position = np.array([np.nan if row[4] is None else row[4] for row in rows])
        static = np.array([row[3] for row in rows])
        own = static @ self.weights
        fretted = ~np.isnan(position)
        opens = (fret == 0).sum(axis=1).astype(float)
        place_of = (FINGERS * string + finger).T
        had = np.arange(FINGERS * (strings + 1))[None, :, None]
        again = (had // FINGERS == string.T[:, None, :]) & (had != place_of[:, None, :])
        hand = [fretted, np.where(fretted, position, 1.0), opens, static[:, 0], own]
        return Candidates(
            strings=string,
            frets=fret,
            fingers=finger,
            position=position,
            fretted=fretted,
            uses=uses,
            finger_string=finger_string,
            finger_fret=finger_fret,
            opens=opens,
            static=static,
            own=own,
            in_reach=in_reach,
            string_of=np.ascontiguousarray(string.T),
            place_of=place_of.astype(np.int8),
            again=again,
            ways_fretted=np.flatnonzero(fretted),
            ways_open=np.flatnonzero(~fretted),
            one_place=bool((string == string[0]).all()),
            padded=Padded(
                notes=_padded(np.array([string.T, fret.T, finger.T]), np.int8),
                fingers=_padded(np.array([finger_string.T, finger_fret.T]), np.int8),
                hand=_padded(np.array(hand), np.float64),
            ),
        )


@lru_cache(maxsize=4096)
def _ways(
    places: Places, instrument: Instrument, hand: Hand
) -> tuple[tuple[tuple[int, ...], np.ndarray, float | None], ...]:
    """Every way to finger ``places``, its costs and its position; kept, whatever the weights."""
    out = []
    _, apart = movable_shape([instrument.pitch_midi(*place) for place in places])
    for fingers in finger_choices(places, across=apart == 1):
        costs, position = place_costs(places, fingers, instrument, hand)
        out.append((fingers, np.array(costs), position))
    return tuple(out)


def _nowhere() -> Candidates:
    free = np.full((1, 4), -1, dtype=np.int64)
    none = np.zeros((1, 0), dtype=np.int64)
    hand = np.array([[0.0], [1.0], [0.0], [0.0], [0.0]])
    return Candidates(
        strings=none,
        frets=none,
        fingers=none,
        position=np.full(1, np.nan),
        fretted=np.zeros(1, dtype=bool),
        uses=np.zeros((1, 0)),
        finger_string=free,
        finger_fret=free,
        opens=np.zeros(1),
        static=np.zeros((1, len(PLACE))),
        own=np.zeros(1),
        in_reach=True,
        string_of=none.T,
        place_of=none.T,
        again=np.zeros((0, 0, 1), dtype=bool),
        ways_fretted=np.zeros(0, dtype=np.int64),
        ways_open=np.zeros(1, dtype=np.int64),
        one_place=True,
        padded=Padded(
            notes=np.full((3, 0, MAX_CANDIDATES), -1, dtype=np.int8),
            fingers=_padded(np.array([free.T, free.T]), np.int8),
            hand=_padded(hand, np.float64),
        ),
    )


def _padded(values: np.ndarray, kind: type) -> np.ndarray:
    """``values`` with their last axis, the candidates, filled up to `MAX_CANDIDATES` with -1."""
    out = np.full((*values.shape[:-1], MAX_CANDIDATES), -1, dtype=kind)
    out[..., : values.shape[-1]] = values
    return out


NOWHERE = _nowhere()
"""The one way to play no note: where the hand is before it was first placed."""
