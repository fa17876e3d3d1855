"""The beam search: which candidates follow one another at the least cost.

A state carries, beside its candidate, the position of the hand (kept through open strings), the
place of every finger at the last fretted onset, and the strings of the last `plan.MEMORY` notes.
States that end in one candidate are merged into the best of them; a candidate of open strings
only does not move the hand, so there every state goes on by itself.

Inside this module strings count from 0.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from transcribe.core.riff import Instrument
from transcribe.fingering.candidates import FINGERS, NOWHERE, Candidates
from transcribe.fingering.costs import PLACE, RECENT
from transcribe.fingering.hand import neck_mm
from transcribe.fingering.moves import (
    HAND_COSTS,
    Grip,
    hand_moves,
    hurry,
    open_in_line,
    rested,
    stops_ringing,
    voice_moves,
)
from transcribe.fingering.onsets import MEMORY, Onset
from transcribe.fingering.tables import BACK, MELODY, Known, Tables

__all__ = ["Beam", "States", "Step", "off_position"]

_WIDE_SHARE = 0.2  # octaves and sixths keep their shape less strictly: editions open strings
_KEPT_RUNS = 3  # a riff with repeats is searched twice, and a third may be of another window
_KEPT_ONSETS = 2000  # a longer riff would take more than 2 MB a run
_NOTHING = 1e-9  # two sums of the same costs differ by less
_PLACES = MELODY + 1  # where the places of the last notes begin in the memory of a state
_BLOCK = 128  # onsets whose tables are made together
_KEPT_BLOCK = 64  # the same in a run that is kept: the states before each of its blocks are


@dataclass(frozen=True, slots=True)
class Step:
    """The candidate chosen at one onset and what it cost there."""

    choice: int
    cost: float


@dataclass(slots=True)
class States:
    """``k`` ways to have played everything so far; arrays of length ``k``."""

    cost: np.ndarray
    position: np.ndarray  # nan before the first fretted note
    fretted_sec: np.ndarray  # when the hand last stopped a string
    finger_string: np.ndarray  # (k, 4)
    finger_fret: np.ndarray  # (k, 4)
    strings: np.ndarray  # (k, MEMORY)
    fingers: np.ndarray  # (k, MEMORY)
    melody: np.ndarray  # last string of the melody over a drone, -1 before


@dataclass(slots=True)
class _Front:
    """The ``k`` states that the search goes on from, as it looks them up in tables.

    ``cost``: (k,). ``hand``: the onset at which the hand last stopped a string, -1 before;
    ``way``: its candidate there. ``memory``: (k, 2 * MEMORY + 1), the strings of the last notes,
    that of the melody over a drone, and string and finger of the last notes as
    `Candidates.place_of`; where there is none, that of the string after the last.
    """

    cost: np.ndarray
    hand: np.ndarray
    way: np.ndarray
    memory: np.ndarray

    def like(self, other: _Front) -> np.ndarray | None:
        """The order in which these states are those of ``other``, at a cost of their own.

        None where they are not the same, or where their costs do not differ by one number.
        """
        if len(self.cost) != len(other.cost):
            return None
        mine, theirs = np.argsort(self.cost, kind="stable"), np.argsort(other.cost, kind="stable")
        more = self.cost[mine] - other.cost[theirs]
        if np.ptp(more) > _NOTHING:
            return None
        for a, b in (
            (self.hand, other.hand),
            (self.way, other.way),
            (self.memory, other.memory),
        ):
            if not np.array_equal(a[mine], b[theirs]):
                return None
        order = np.empty_like(mine)
        order[theirs] = mine
        return order


_Back = tuple[np.ndarray, np.ndarray, np.ndarray]
"""Of the states after an onset: the state before, the candidate, and the cost so far."""


@dataclass(frozen=True, slots=True)
class _Run:
    """A search that is kept: ``fronts`` are the states before each block of onsets."""

    onsets: list[Onset]
    back: list[_Back]
    fronts: list[_Front]


def _trace(back: Sequence[_Back]) -> list[Step]:
    """The steps of the cheapest state at the end, from (parents, choices, costs) of each onset."""
    steps: list[Step] = []
    if not back:
        return steps
    k = int(np.argmin(back[-1][2]))
    for t in range(len(back) - 1, -1, -1):
        parents, choices, total = back[t]
        before = back[t - 1][2][parents[k]] if t else 0.0
        steps.append(Step(int(choices[k]), float(total[k] - before)))
        k = int(parents[k])
    steps.reverse()
    return steps


def _same(states: States, j: int, onset: Onset, n: int) -> np.ndarray:
    """Where note ``n`` of an onset lies on the string that the earlier note ``j`` has, (k, a)."""
    return states.strings[:, j % MEMORY][:, None] == onset.candidates.strings[None, :, n]


def _other_finger(states: States, j: int, onset: Onset, n: int) -> np.ndarray:
    """Where note ``n`` of an onset has another finger than the earlier note ``j``, (k, a)."""
    return states.fingers[:, j % MEMORY][:, None] != onset.candidates.fingers[None, :, n]


def _share(onset: Onset) -> float:
    """How strictly the shape of an onset is kept."""
    return _WIDE_SHARE if onset.apart == 2 else 1.0


def off_position(frets: np.ndarray, position: int) -> np.ndarray:
    """How many frets each of ``frets`` lies outside the four of ``position``.

    The index finger stretches back more easily than the little finger on (common practice, no
    source), so a fret below counts 0.6; an open string is outside by 1.5.
    """
    below = 0.6 * np.maximum(position - frets, 0)
    above = np.maximum(frets - position - 3, 0)
    return np.where(frets == 0, 1.5, below + above)


class Beam:
    """Runs over the onsets of a riff for one instrument and table of weights.

    With ``choices_only`` the costs of its steps may lack what is the same for every choice: the
    search for fingers needs no costs of strings where all notes are held to their places.
    """

    def __init__(
        self,
        instrument: Instrument,
        weights: Mapping[str, float],
        *,
        width: int = 24,
        choices_only: bool = False,
    ) -> None:
        self.instrument = instrument
        self.weights = dict(weights)
        self.width = width
        self.choices_only = choices_only
        self.known = Known()
        self._kept: list[_Run] = []
        self._mm = np.array(neck_mm(instrument))
        self.open = np.array(instrument.open_midi) + instrument.capo
        self.by_pitch = np.argsort(np.argsort(-self.open, kind="stable"))
        nut = np.array(instrument.nut_frets or (0,) * len(self.open)) - instrument.capo
        self._nut = np.maximum(nut, 0)

    def start(self) -> States:
        """The one state before anything is played."""
        return States(
            cost=np.zeros(1),
            position=np.full(1, np.nan),
            fretted_sec=np.full(1, -np.inf),
            finger_string=np.full((1, 4), -1, dtype=np.int64),
            finger_fret=np.full((1, 4), -1, dtype=np.int64),
            strings=np.full((1, MEMORY), -1, dtype=np.int8),
            fingers=np.full((1, MEMORY), -1, dtype=np.int8),
            melody=np.full(1, -1, dtype=np.int64),
        )

    def run(self, onsets: Sequence[Onset]) -> list[Step]:
        """The best candidate of every onset.

        The states of the last short riffs are kept: when one of them comes again with a pin, the
        search goes on from the first onset that the pin changes, until its states are again those
        that were kept.
        """
        onsets = list(onsets)
        short = len(onsets) <= _KEPT_ONSETS
        kept, same, rest = self._most_alike(onsets) if short else (None, 0, len(onsets))
        if kept and same == len(onsets) == len(kept.onsets):
            return _trace(kept.back)
        size = _KEPT_BLOCK if short else _BLOCK
        at = same // size * size
        back = kept.back[:at] if kept else []
        fronts = kept.fronts[: at // size] if kept else []
        front = kept.fronts[at // size] if kept and at < len(kept.onsets) else self._front()
        strings_count = not (self.choices_only and all(o.candidates.one_place for o in onsets))
        while at < len(onsets):
            if kept and at >= rest and self._joined(kept, at, front, back, fronts):
                break
            fronts.append(front)
            block, before = onsets[at : at + size], onsets[max(0, at - BACK) : at]
            tables = Tables(self, block, before, strings_count)
            for t in range(len(tables.onsets)):
                front = self._go_on(tables, t, at + t, front, onsets, back)
            at += size
        if short:
            self._kept = [*self._kept[1 - _KEPT_RUNS :], _Run(onsets, back, fronts)]
        return _trace(back)

    def _front(self) -> _Front:
        memory = np.full((1, _PLACES + MEMORY), len(self.open), dtype=np.int8)
        memory[:, _PLACES:] *= FINGERS
        return _Front(
            cost=np.zeros(1),
            hand=np.full(1, -1),
            way=np.zeros(1, dtype=np.int64),
            memory=memory,
        )

    def _most_alike(self, onsets: Sequence[Onset]) -> tuple[_Run | None, int, int]:
        """The kept run most like ``onsets``, how many begin it, and from where on all are alike."""
        best: tuple[_Run | None, int, int] = (None, 0, len(onsets))
        for run in self._kept:
            pairs = list(zip(onsets, run.onsets, strict=False))
            same = next((t for t, (a, b) in enumerate(pairs) if a != b), len(pairs))
            rest = len(onsets)
            if len(run.onsets) == len(onsets):
                while rest > same and onsets[rest - 1] == run.onsets[rest - 1]:
                    rest -= 1
            if same and same - rest > best[1] - best[2]:
                best = (run, same, rest)
        return best

    def _joined(
        self, kept: _Run, at: int, front: _Front, back: list[_Back], fronts: list[_Front]
    ) -> bool:
        """Whether the states before onset ``at`` are those of ``kept``: then the rest is taken."""
        old = kept.fronts[at // _KEPT_BLOCK]
        order = front.like(old)
        if order is None:
            return False
        parents, choices, cost = back[-1]
        back[-1] = (parents[order], choices[order], cost[order])
        more = float(front.cost[order[0]] - old.cost[0])
        back += [(p, c, cost + more) for p, c, cost in kept.back[at:]]
        fronts += [
            _Front(f.cost + more, f.hand, f.way, f.memory) for f in kept.fronts[at // _KEPT_BLOCK :]
        ]
        return True

    def _go_on(
        self,
        tables: Tables,
        t: int,
        at: int,
        front: _Front,
        onsets: Sequence[Onset],
        back: list[_Back],
    ) -> _Front:
        """The states after onset ``at``, which is number ``t`` of ``tables``."""
        onset = tables.onsets[t]
        cand = onset.candidates
        many = len(cand)
        memory = front.memory
        total = self._hand_costs(tables, t, at, front, onsets)
        total += tables.alone[t, :many]
        for n, looks in tables.links[t] if tables.strings_count else ():
            slot, table = looks[0]
            found = table.take(memory[:, slot], axis=0)
            for slot, table in looks[1:]:
                found += table.take(memory[:, slot], axis=0)
            total += found.take(cand.string_of[n], axis=1)
        for name, pairs in (("refinger", onset.same), ("struck_refinger", onset.struck)):
            if weight := self.weights[name]:
                for n, j in pairs:
                    had = memory[:, _PLACES + j % MEMORY]
                    total += weight * cand.again[n].take(had, axis=0)
        if tables.strings_count and (onset.struck or onset.shape_from):
            for name, values in self.joint(memory, onset):
                total += self.weights[name] * values
        total += front.cost[:, None]
        parents, choices, cost = self._kept_states(total, cand)
        memory = memory.take(parents, axis=0)
        for n, i in enumerate(onset.notes):
            memory[:, i % MEMORY] = cand.string_of[n].take(choices)
            memory[:, _PLACES + i % MEMORY] = cand.place_of[n].take(choices)
        if onset.melody and onset.trust[onset.melody[-1]] == 1.0:
            memory[:, MELODY] = cand.string_of[onset.melody[-1]].take(choices)
        if len(cand.ways_open):
            placed = cand.fretted.take(choices)
            hand = np.where(placed, at, front.hand.take(parents))
            way = np.where(placed, choices, front.way.take(parents))
        else:
            hand, way = np.full(len(choices), at), choices
        back.append((parents, choices, cost))
        return _Front(cost, hand, way, memory)

    def _hand_costs(
        self,
        tables: Tables,
        t: int,
        at: int,
        front: _Front,
        onsets: Sequence[Onset],
    ) -> np.ndarray:
        """What the moves of the hand to an onset cost, (k, a)."""
        onset, held = tables.onsets[t], None
        if onset.sounding and at:
            # Where the strings do not count, all states have the same.
            held = self.held(front.memory if tables.strings_count else front.memory[:1], onset)
        total = np.empty((len(front.cost), len(onset.candidates)))
        # Mostly all states placed the hand at the onset before.
        lone = at > 0 and not len(onsets[at - 1].candidates.ways_open)
        placed = {at - 1} if lone else set(front.hand.tolist())
        for hand in placed:
            way, rows = front.way, held
            if len(placed) > 1:
                here = np.flatnonzero(front.hand == hand)
                way = way.take(here)
                rows = held if held is None or len(held) == 1 else held.take(here)
            table, more = tables.moves(t, onsets[hand] if hand >= 0 else None)
            costs = table.take(way, axis=0)
            if rows is not None and more is not None:
                costs += rows[:, None] * more.take(way, axis=0)
            if len(placed) == 1:
                return costs
            total[here] = costs
        return total

    def _kept_states(
        self, total: np.ndarray, cand: Candidates
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Which states go on to which candidates, at most ``width``, and what they cost then."""
        count, many = total.shape
        if not len(cand.ways_open):
            parents, choices = total.argmin(axis=0), cand.ways_fretted
        else:
            best = total[:, cand.ways_fretted].argmin(axis=0)
            parents = np.concatenate([best, np.tile(np.arange(count), len(cand.ways_open))])
            choices = np.concatenate([cand.ways_fretted, np.repeat(cand.ways_open, count)])
        cost = total.take(parents * many + choices)
        if len(parents) > self.width:
            keep = np.argpartition(cost, self.width - 1)[: self.width]
            parents, choices, cost = parents[keep], choices[keep], cost[keep]
        return parents, choices, cost

    def account(self, onsets: Sequence[Onset], choices: Sequence[int]) -> list[dict[str, float]]:
        """What each cost came to at every onset, weighted, when ``choices`` are played."""
        states = self.start()
        out = []
        moves = self._chosen_moves(onsets, choices)
        for t, (onset, choice) in enumerate(zip(onsets, choices, strict=True)):
            cand = onset.candidates
            costs: dict[str, float] = {}

            def add(name: str, value: float, costs: dict[str, float] = costs) -> None:
                if value:
                    costs[name] = costs.get(name, 0.0) + float(self.weights[name] * value)

            for name, value in zip(PLACE, cand.static[choice].tolist(), strict=True):
                add(name, value)
            for name, every in moves.items():
                add(name, every[t])
            for name, values in self._but_moves(states, onset):
                add(name, values[0, choice if values.shape[1] > 1 else 0])
            local = np.full((1, len(cand)), sum(costs.values()))
            states = self.follow(states, onset, local, np.array([0]), np.array([choice]))
            out.append(costs)
        return out

    def _chosen_moves(
        self, onsets: Sequence[Onset], choices: Sequence[int]
    ) -> dict[str, list[float]]:
        """The costs of `_moves` at every onset by name, not weighted, when ``choices`` are played.

        All onsets are worked out at once.
        """
        ways = [(o.candidates.padded, c) for o, c in zip(onsets, choices, strict=True)]
        # One more stands at the end for the hand before it was first placed.
        hand = np.stack([*(p.hand[:3, c] for p, c in ways), NOWHERE.padded.hand[:3, 0]], axis=1)
        fingers = np.stack(
            [*(p.fingers[..., c] for p, c in ways), NOWHERE.padded.fingers[..., 0]], axis=2
        )
        last, strings = -1, dict[int, int]()
        since: list[int] = []
        held: list[bool] = []
        for t, (onset, choice) in enumerate(zip(onsets, choices, strict=True)):
            since.append(last)
            held.append(any(self.open[strings[j]] != pitch for j, _, pitch in onset.sounding))
            last = t if onset.candidates.fretted[choice] else last
            strings |= zip(onset.notes, onset.candidates.strings[choice].tolist(), strict=True)
        grips = Grip(hand[0] > 0, hand[1], self.neck(hand[1]), *fingers)
        was = Grip(*(part[..., since] for part in grips.parts()))
        parts = hand_moves(was, Grip(*(part[..., :-1] for part in grips.parts())), hand[2, :-1])
        waits = [o.time_sec - onsets[u].time_sec for o, u in zip(onsets, since, strict=True)]
        scales = {
            "": np.ones(len(onsets)),
            "rest": np.array([rested(o.rest_sec) for o in onsets]),
            # A hand that was not placed before does not move.
            "hurry": np.array([hurry(wait) for wait in waits]),
            "box": np.array([float(o.box) for o in onsets]),
            "held": np.array(held, dtype=float),
        }
        return {
            name: (parts[part] * scales[scale]).tolist()
            for name, (part, scale) in HAND_COSTS.items()
        }

    def between(self, states: States, onset: Onset) -> np.ndarray:
        """Weighted costs of going from every state to every candidate, (k, a)."""
        total = np.zeros((len(states.cost), len(onset.candidates)))
        for name, values in self.features(states, onset):
            if weight := self.weights[name]:
                total += weight * values
        return total

    def features(self, states: States, onset: Onset) -> Iterator[tuple[str, np.ndarray]]:
        """The costs between states and candidates by name, each to be broadcast to (k, a)."""
        yield from self._moves(states, onset)
        yield from self._but_moves(states, onset)

    def _but_moves(self, states: States, onset: Onset) -> Iterator[tuple[str, np.ndarray]]:
        """The costs but those of `_moves`; the last axis has one place where all are alike."""
        yield from self._voices(states, onset)
        yield from self._recent(states, onset)
        yield from self._sounding(states, onset)
        for n, j, pitch, share in onset.ring:
            before = states.strings[:, j % MEMORY]
            was = self.frets_of(pitch, before)
            now = onset.candidates.strings[:, n], onset.candidates.frets[:, n]
            yield "ring_off", share * stops_ringing(before[:, None], was[:, None], *now)
        for name, values in self.alone(onset):
            yield name, values[None, :]
        yield from self.joint(states.strings, onset)
        if onset.melody:
            string = onset.candidates.strings[:, onset.melody[-1]]
            moved = (states.melody[:, None] >= 0) & (states.melody[:, None] != string[None, :])
            yield "melody_moves", onset.trust[onset.melody[-1]] * moved

    def alone(self, onset: Onset) -> Iterator[tuple[str, np.ndarray]]:
        """The costs of each candidate by itself, beyond its places, (a,)."""
        cand = onset.candidates
        if cand.opens.any():
            yield "open_long", (cand.frets == 0) @ np.array(onset.lengths)
        if onset.line:
            yield from open_in_line(cand.opens, cand.static[:, 0], onset.line).items()
        yield from self.wanted(onset)

    def wanted(self, onset: Onset) -> Iterator[tuple[str, np.ndarray]]:
        """What is wanted of each candidate by itself, (a,): few onsets have such wishes."""
        cand = onset.candidates
        if onset.position is not None:
            off = off_position(cand.frets, onset.position)
            off[:, list(onset.droned)] = 0.0
            yield "off_position", off.sum(axis=1)
        if onset.pin is not None:
            yield "off_pin", self._off_pin(onset, cand)
        for n, string in onset.alike:
            yield "repeat_off", cand.strings[:, n] != string
        if onset.drone_strings:
            yield from self._drone(onset, cand)
        if onset.shape:
            strings = cand.strings[:, list(onset.shape)]
            off = np.diff(strings, axis=1) != -onset.apart
            yield "shape_off", _share(onset) * off.sum(axis=1)

    def joint(self, strings: np.ndarray, onset: Onset) -> Iterator[tuple[str, np.ndarray]]:
        """The costs of a chord that looks back at several notes together, (k, a).

        ``strings``: (k, MEMORY or more), as in `States`.
        """
        for name, pairs in (("struck_off", onset.struck), ("shape_moves", onset.shape_from)):
            if not pairs:
                continue
            was = strings[:, None, [j % MEMORY for _, j in pairs]]
            now = onset.candidates.strings[None, :, [n for n, _ in pairs]]
            moved = (was != now).any(axis=2)
            if name == "shape_moves":
                # Between strings tuned otherwise the shape itself changes as well.
                bent = np.diff(self.open[was], axis=2) != np.diff(self.open[now], axis=2)
                moved = _share(onset) * (moved + 0.5 * bent.any(axis=2))
            yield name, moved

    def held(self, strings: np.ndarray, onset: Onset) -> np.ndarray:
        """In which rows of ``strings``, as in `States`, a stopped note sounds on, (k,)."""
        slots = [j % MEMORY for j, _, _ in onset.sounding]
        pitches = np.array([pitch for _, _, pitch in onset.sounding])
        return (self.open[strings[:, slots]] != pitches).any(axis=1)

    def _moves(self, states: States, onset: Onset) -> Iterator[tuple[str, np.ndarray]]:
        cand = onset.candidates
        known = states.position == states.position  # not nan: the hand has a position
        was = np.where(known, states.position, 1.0)
        now = np.where(cand.fretted, cand.position, 1.0)
        parts = hand_moves(
            Grip(
                known[:, None],
                was[:, None],
                self.neck(was)[:, None],
                states.finger_string.T[:, :, None],
                states.finger_fret.T[:, :, None],
            ),
            Grip(
                cand.fretted,
                now,
                self.neck(now),
                cand.finger_string.T[:, None, :],
                cand.finger_fret.T[:, None, :],
            ),
            cand.opens,
        )
        scales: dict[str, np.ndarray | float] = {
            "": 1.0,
            "rest": rested(onset.rest_sec),
            "hurry": np.array([[hurry(onset.time_sec - sec)] for sec in states.fretted_sec]),
            "box": float(onset.box),
            "held": self.held(states.strings, onset)[:, None] if onset.sounding else 0.0,
        }
        for name, (part, scale) in HAND_COSTS.items():
            if np.any(by := scales[scale]):
                yield name, parts[part] * by

    def _off_pin(self, onset: Onset, cand: Candidates) -> np.ndarray:
        """How far the notes lie from the fret of the pin beside them, in frets beyond a hand's.

        An open string is out of place the more the higher the pin lies; notes of the drone are
        never out of place.
        """
        assert onset.pin is not None
        fret, share = onset.pin
        away = np.clip(np.abs(cand.frets - fret) - 3.0, 0.0, 4.0)
        opens = min(2.0, max(0.0, 0.5 * (fret - 3.0)))
        away = np.where(cand.frets == 0, opens, away)
        if onset.droned:
            away[:, list(onset.droned)] = 0.0
        return share * away.sum(axis=1)

    def neck(self, position: np.ndarray) -> np.ndarray:
        """How far each position (a fret, a fraction as well) lies from the nut, in millimetres."""
        return np.interp(position, np.arange(len(self._mm)), self._mm)

    def _voices(self, states: States, onset: Onset) -> Iterator[tuple[str, np.ndarray]]:
        cand = onset.candidates
        for n, j, rise in onset.voice:
            before = states.strings[:, j % MEMORY]
            was = self.frets_of(onset.pitches[n] - rise, before)
            now = cand.strings[:, n], cand.frets[:, n]
            yield from voice_moves(
                before[:, None], was[:, None], *now, abs(rise), onset.box, self.by_pitch
            )
        for n, j in onset.same:
            other = ~_same(states, j, onset, n)
            yield "other_place", other
            if j in onset.previous:
                yield "other_place_next", other
            yield "refinger", _other_finger(states, j, onset, n) & ~other
        for n, j in onset.struck:
            kept = _same(states, j, onset, n)
            yield "struck_refinger", _other_finger(states, j, onset, n) & kept
        for n, j in onset.parallel:
            yield "parallel_off", ~_same(states, j, onset, n)
        for n, j in onset.legato:
            yield "legato", ~_same(states, j, onset, n)

    def frets_of(self, pitch: np.ndarray | int, string: np.ndarray) -> np.ndarray:
        """The frets that sound a pitch (MIDI) on strings (from 0); nonsense where none does."""
        fret = pitch - self.open[string]
        return fret + self._nut[string] * (fret > 0)

    def _recent(self, states: States, onset: Onset) -> Iterator[tuple[str, np.ndarray]]:
        for n, j, kind in onset.recent:
            yield RECENT[kind], _same(states, j, onset, n)

    def _sounding(self, states: States, onset: Onset) -> Iterator[tuple[str, np.ndarray]]:
        uses = onset.candidates.uses.T
        for j, left, pitch in onset.sounding:
            hit = uses[states.strings[:, j % MEMORY]]
            if pitch in onset.pitches:
                hit = hit * ~_same(states, j, onset, onset.pitches.index(pitch))
            yield "cut", left * hit
            yield "cut_any", hit

    def _drone(self, onset: Onset, cand: Candidates) -> Iterator[tuple[str, np.ndarray]]:
        drones = np.array(onset.drone_strings)
        top = drones.min()
        for n in onset.droned:
            yield "drone_off", ~np.isin(cand.strings[:, n], drones) | (cand.frets[:, n] != 0)
        for n in onset.melody:
            string, trust = cand.strings[:, n], onset.trust[n]
            yield "melody_on_drone", trust * np.isin(string, drones)
            near = np.abs(string[:, None] - drones[None, :]).min(axis=1)
            yield "melody_far", trust * np.maximum(near - 1, 0)
            yield "melody_above", trust * (string > top)
            if onset.lane is not None:
                yield "melody_off", trust * (string != onset.lane)

    def survivors(
        self, states: States, onset: Onset, local: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Which states go on to which candidates: (parent, candidate) of at most ``width``."""
        return self._kept_states(states.cost[:, None] + local, onset.candidates)[:2]

    def follow(
        self,
        states: States,
        onset: Onset,
        local: np.ndarray,
        parents: np.ndarray,
        choices: np.ndarray,
    ) -> States:
        """The states after ``choices`` follow ``parents``."""
        cand = onset.candidates
        fretted = cand.fretted[choices]
        strings, fingers = states.strings[parents], states.fingers[parents]
        for n, i in enumerate(onset.notes):
            strings[:, i % MEMORY] = cand.strings[choices, n]
            fingers[:, i % MEMORY] = cand.fingers[choices, n]
        melody = states.melody[parents]
        if onset.melody and onset.trust[onset.melody[-1]] == 1.0:
            melody = cand.strings[choices, onset.melody[-1]]
        return States(
            cost=states.cost[parents] + local[parents, choices],
            position=np.where(fretted, cand.position[choices], states.position[parents]),
            fretted_sec=np.where(fretted, onset.time_sec, states.fretted_sec[parents]),
            finger_string=np.where(
                fretted[:, None], cand.finger_string[choices], states.finger_string[parents]
            ),
            finger_fret=np.where(
                fretted[:, None], cand.finger_fret[choices], states.finger_fret[parents]
            ),
            strings=strings,
            fingers=fingers,
            melody=melody,
        )
