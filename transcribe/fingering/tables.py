"""The costs of a stretch of onsets worked out at once, as tables that the search looks up.

Every cost of going on depends on where the hand was last placed, on the string of an earlier note,
or on neither. So a stretch has, for each onset, one table of the moves of the hand, by the way in
which it was placed, and one of each look back at a note, by that note's string. The formulas are
those of `transcribe.fingering.moves` and of `Beam.features`; a test holds the two together.

Inside this module strings count from 0; the string after the last one stands for none.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from transcribe.fingering.candidates import FINGERS, Candidates
from transcribe.fingering.costs import RECENT
from transcribe.fingering.moves import (
    HAND_COSTS,
    Grip,
    hand_moves,
    hurry,
    open_in_line,
    rested,
    voice_moves,
)
from transcribe.fingering.onsets import MEMORY, Onset

if TYPE_CHECKING:
    from transcribe.fingering.search import Beam

__all__ = ["BACK", "MELODY", "Moves", "Pairs", "Tables"]

MELODY = MEMORY
"""The slot after those of the notes, which holds the last string of the melody over a drone."""

BACK = 3
"""How many onsets back the hand may have been placed, open strings since, to have a table."""
_STEP = 8  # tables are made together whose candidates are as many, up to the next of these
_MAX_PAIRS = 1000  # 20 MB
_SCALES = ("", "hurry", "rest", "box", "held")

Moves = tuple[np.ndarray, "np.ndarray | None"]
"""(ways before, candidates): what a move costs, and how much more where a note is held."""
Pairs = dict[tuple[int, int], tuple[np.ndarray, ...]]
"""By the identity of two sets of candidates: the moves from one to the other by `_SCALES`."""


class Tables:
    """The tables of ``onsets``.

    ``before``: the onset before the first and those that it is reached from, the last one last.
    ``pairs``: the moves between candidates that were met before in the same riff, which are added
    to.

    ``moves[t]`` maps how many onsets back the hand was placed to its `Moves`; ``slots[t]`` and
    ``rows[t]`` tell where the strings looked at are kept and where their rows in ``looks`` begin;
    ``finger_slots[t]``, ``finger_rows[t]`` and ``finger_looks`` are the same for notes of the same
    pitch, by string and finger.
    """

    def __init__(
        self, beam: Beam, onsets: Sequence[Onset], before: Sequence[Onset], pairs: Pairs
    ) -> None:
        self.beam, self.onsets = beam, onsets
        self.weights = beam.weights
        self._strings = len(beam.open)
        self._stack()
        self.alone = self._alone()
        self.moves = self._moves(before, pairs)
        self._look_back()

    def _stack(self) -> None:
        self._many = max(len(o.candidates) for o in self.onsets)
        padded = [o.candidates.padded for o in self.onsets]
        notes = np.concatenate([p.notes for p in padded], axis=1)[:, :, : self._many]
        self._string, self._fret, self._finger = notes
        self._hand = np.stack([p.hand for p in padded])[:, :, : self._many]
        counts = [len(o.notes) for o in self.onsets]
        self._first = np.cumsum([0, *counts[:-1]])  # row of each onset's first note

    def _alone(self) -> np.ndarray:
        """The costs of each candidate by itself, (onsets, candidates)."""
        _, _, opens, fret_cost, own = self._hand.transpose(1, 0, 2)
        line = np.array([o.line for o in self.onsets])[:, None]
        lengths = np.array([length for o in self.onsets for length in o.lengths])
        long = np.add.reduceat((self._fret == 0) * lengths[:, None], self._first, axis=0)
        total = own + self.weights["open_long"] * long
        for name, values in open_in_line(opens, fret_cost, line).items():
            total += self.weights[name] * values
        for t, onset in enumerate(self.onsets):
            for name, wanted in self.beam.wanted(onset):
                total[t, : len(onset.candidates)] += self.weights[name] * wanted
        return total

    def _moves(self, before: Sequence[Onset], pairs: Pairs) -> list[dict[int, Moves]]:
        """The moves to every onset from those before it that may have placed the hand last."""
        run = [*before, *self.onsets]
        skip = len(before)
        links: list[tuple[int, int, tuple[int, int]]] = []
        new: dict[tuple[int, int], dict[tuple[int, int], tuple[Candidates, Candidates]]] = {}
        if len(pairs) > _MAX_PAIRS:
            pairs.clear()
        for t, onset in enumerate(self.onsets):
            for back in range(1, min(BACK, t + skip) + 1):
                last, now = run[t + skip - back].candidates, onset.candidates
                if len(last.ways_fretted):
                    key = (id(last), id(now))
                    links.append((t, back, key))
                    if key not in pairs:
                        size = (-len(last) // _STEP, -len(now) // _STEP)
                        new.setdefault(size, {})[key] = (last, now)
                if not len(last.ways_open):
                    break
        for (a, b), sets in new.items():
            self._weigh_pairs(sets, -a * _STEP, -b * _STEP, pairs)
        out: list[dict[int, Moves]] = [{} for _ in self.onsets]
        for t, back, key in links:
            plain, hurried, rest, box, held = pairs[key]
            goal = self.onsets[t]
            table = hurried * hurry(goal.time_sec - run[t + skip - back].time_sec)
            table += plain
            if by := rested(goal.rest_sec):
                table += by * rest
            if goal.box:
                table += box
            out[t][back] = (table, held if goal.sounding else None)
        return out

    def _weigh_pairs(
        self,
        sets: Mapping[tuple[int, int], tuple[Candidates, Candidates]],
        ways: int,
        many: int,
        pairs: Pairs,
    ) -> None:
        """Add the weighted moves of pairs of candidates, at most (``ways``, ``many``) each."""
        was, _ = self._grips([a for a, _ in sets.values()], ways)
        now, opens = self._grips([b for _, b in sets.values()], many)
        sums = self.weigh(hand_moves(_spread(was, -1), _spread(now, -2), opens[:, None, :]))
        for k, key in enumerate(sets):
            pairs[key] = tuple(sums[scale][k] for scale in _SCALES)

    def weigh(self, parts: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
        """The parts of `hand_moves` weighted, in a sum for each scale of `HAND_COSTS`."""
        sums: dict[str, np.ndarray] = {}
        for name, (part, scale) in HAND_COSTS.items():
            value = self.weights[name] * parts[part]
            sums[scale] = sums[scale] + value if scale in sums else value
        return sums

    def _grips(self, sets: Sequence[Candidates], many: int) -> tuple[Grip, np.ndarray]:
        """The hands of candidates, (sets, many), and how many open strings each has."""
        hand = np.stack([c.padded.hand for c in sets])[:, :, :many]
        fingers = np.stack([c.padded.fingers for c in sets], axis=2)[..., :many]
        position = hand[:, 1]
        return (
            Grip(hand[:, 0] > 0, position, self.beam.neck(position), fingers[0], fingers[1]),
            hand[:, 2],
        )

    def _look_back(self) -> None:
        """Fill in ``looks`` and ``finger_looks`` with where each onset finds its rows."""
        links: list[tuple[np.ndarray, np.ndarray, np.ndarray]] = []  # onsets, slots, costs
        for made in (self._voices(), self._same_string(), self._sounding(), self._melody()):
            if made is not None:
                links.append(made)
        self.slots, self.rows, self.looks = self._in_order(links, self._strings + 1)
        fingers = self._refingered()
        self.finger_slots, self.finger_rows, self.finger_looks = self._in_order(
            [] if fingers is None else [fingers], FINGERS * (self._strings + 1)
        )

    def _in_order(
        self, links: list[tuple[np.ndarray, np.ndarray, np.ndarray]], rows: int
    ) -> tuple[list[np.ndarray], list[np.ndarray], np.ndarray]:
        if not links:
            nothing = np.zeros(0, dtype=np.int64)
            return [nothing] * len(self.onsets), [nothing] * len(self.onsets), np.zeros((0, 0))
        onsets, slots, costs = (np.concatenate(part) for part in zip(*links, strict=True))
        order = np.argsort(onsets, kind="stable")
        slots, costs = slots[order], costs[order]
        ends = np.cumsum(np.bincount(onsets, minlength=len(self.onsets)))
        begin = rows * np.arange(len(slots))
        bounds = [0, *ends.tolist()]
        pairs = list(itertools.pairwise(bounds))
        return (
            [slots[a:b] for a, b in pairs],
            [begin[a:b] for a, b in pairs],
            costs.reshape(-1, costs.shape[-1]),
        )

    def _before(self) -> np.ndarray:
        """Every string and none, to be held against candidates: (strings + 1, 1)."""
        return np.arange(self._strings + 1)[:, None]

    def _voices(self) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
        found = [
            (t, first + n, j % MEMORY, rise, onset.pitches[n] - rise, onset.box)
            for t, (onset, first) in enumerate(zip(self.onsets, self._first.tolist(), strict=True))
            for n, j, rise in onset.voice
        ]
        if not found:
            return None
        t, row, slot, rise, pitch, box = np.array(found, dtype=np.int64).T
        strings = np.arange(self._strings)
        was = np.zeros((len(t), self._strings + 1), dtype=np.int64)
        was[:, :-1] = self.beam.frets_of(pitch[:, None], strings[None, :])
        costs = np.zeros((len(t), self._strings + 1, self._many))
        for name, values in voice_moves(
            self._before().astype(np.int8),
            was.astype(np.int8)[:, :, None],
            self._string[row][:, None, :],
            self._fret[row][:, None, :],
            np.abs(rise)[:, None, None],
            (box > 0)[:, None, None],
        ):
            if weight := self.weights[name]:
                costs += weight * values
        costs[:, -1] = 0.0
        return t, slot, costs

    def _same_string(self) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
        """What counts only whether a note lies on an earlier note's string."""
        weights = self.weights
        recent = [weights[name] for name in RECENT]
        other, other_next = weights["other_place"], weights["other_place_next"]
        parallel, legato, ring = weights["parallel_off"], weights["legato"], weights["ring_off"]
        found: list[tuple[int, int, int, float, float]] = []
        for t, (onset, first) in enumerate(zip(self.onsets, self._first.tolist(), strict=True)):
            for n, j, kind in onset.recent:
                found.append((t, first + n, j, recent[kind], 0.0))
            for n, j in onset.same:
                next_to = other + (other_next if j in onset.previous else 0.0)
                found.append((t, first + n, j, 0.0, next_to))
            for n, j in onset.parallel:
                found.append((t, first + n, j, 0.0, parallel))
            for n, j in onset.legato:
                found.append((t, first + n, j, 0.0, legato))
            for n, j, share in onset.ring:
                found.append((t, first + n, j, ring * share, 0.0))
        if not found:
            return None
        t, row, slot, on, off = np.array(found).T
        here = self._string[row.astype(np.int64)][:, None, :]
        same = self._before().astype(np.int8) == here
        costs = same * (on - off)[:, None, None] + off[:, None, None]
        costs[:, -1] = 0.0
        return t.astype(np.int64), slot.astype(np.int64) % MEMORY, costs

    def _refingered(self) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
        found = [
            (t, first + n, j % MEMORY)
            for t, (onset, first) in enumerate(zip(self.onsets, self._first.tolist(), strict=True))
            for n, j in onset.same
        ]
        if not found or not self.weights["refinger"]:
            return None
        t, row, slot = np.array(found, dtype=np.int64).T
        same = self._before().astype(np.int8) == self._string[row][:, None, :]
        fingers = np.arange(FINGERS, dtype=np.int8)[:, None]
        again = fingers != self._finger[row][:, None, :]
        costs = self.weights["refinger"] * (same[:, :, None, :] & again[:, None, :, :])
        return t, slot, costs.reshape(len(t), -1, self._many)

    def _sounding(self) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
        """What is cut off by playing its string; a pitch struck again is not."""
        found = [
            (t, j % MEMORY, left, first + onset.pitches.index(p) if p in onset.pitches else -1)
            for t, (onset, first) in enumerate(zip(self.onsets, self._first.tolist(), strict=True))
            for j, left, p in onset.sounding
        ]
        if not found:
            return None
        t, slot, left, again = np.array(found).T
        onset = t.astype(np.int64)
        uses = np.zeros((len(t), self._strings + 1, self._many), dtype=bool)
        string = self._before().astype(np.int8)
        for n in range(max(len(o.notes) for o in self.onsets)):
            has = np.array([n < len(o.notes) for o in self.onsets])[onset]
            row = self._first[onset[has]] + n
            hit = string == self._string[row][:, None, :]
            hit &= (again[has] != row)[:, None, None]
            uses[has] |= hit
        uses[:, -1] = False
        weight = self.weights["cut"] * left + self.weights["cut_any"]
        return onset, slot.astype(np.int64), uses * weight[:, None, None]

    def _melody(self) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
        leads = [(t, o.melody[-1]) for t, o in enumerate(self.onsets) if o.melody]
        if not leads:
            return None
        t, n = np.array(leads, dtype=np.int64).T
        trust = np.array([self.onsets[a].trust[b] for a, b in leads])
        other = self._before().astype(np.int8) != self._string[self._first[t] + n][:, None, :]
        other[:, -1] = False
        costs = (self.weights["melody_moves"] * trust)[:, None, None] * other
        return t, np.full(len(t), MELODY), costs


def _spread(grip: Grip, axis: int) -> Grip:
    """A grip with an axis of length 1 put in, to be held against another."""
    return Grip(
        *(
            np.expand_dims(part, axis)
            for part in (
                grip.placed,
                grip.position,
                grip.mm,
                grip.finger_string,
                grip.finger_fret,
            )
        )
    )
