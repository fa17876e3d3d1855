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
from transcribe.fingering.candidates import Candidates
from transcribe.fingering.costs import PLACE, RECENT
from transcribe.fingering.hand import neck_mm
from transcribe.fingering.onsets import MEMORY, Onset

__all__ = ["Beam", "States", "Step", "off_position"]

_OCTAVE_SHARE = 0.2  # an octave keeps its shape less strictly: editions often open a string
_BOX_FRET = 5  # a line with notes at this fret or higher is played without open strings
_BOX_STEP = 3  # semitones from one note of a pentatonic scale to the next, at most
_KEPT_RUNS = 3  # a riff with repeats is searched twice, and a third may be of another window
_KEPT_ONSETS = 600  # the states of a longer riff would take more than 30 MB


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


_Reached = tuple[States, np.ndarray, np.ndarray]
"""The states after an onset, and which state and which candidate each comes from."""


def _trace(back: Sequence[tuple[np.ndarray, np.ndarray, np.ndarray]]) -> list[Step]:
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


def off_position(frets: np.ndarray, position: int) -> np.ndarray:
    """How many frets each of ``frets`` lies outside the four of ``position``.

    The index finger stretches back more easily than the little finger on (common practice, no
    source), so a fret below counts 0.6; an open string is outside by 1.5.
    """
    below = 0.6 * np.maximum(position - frets, 0)
    above = np.maximum(frets - position - 3, 0)
    return np.where(frets == 0, 1.5, below + above)


class Beam:
    """Runs over the onsets of a riff for one instrument and table of weights."""

    def __init__(
        self,
        instrument: Instrument,
        weights: Mapping[str, float],
        *,
        width: int = 24,
    ) -> None:
        self.instrument = instrument
        self.weights = dict(weights)
        self.width = width
        self._kept: list[tuple[list[Onset], list[_Reached]]] = []
        self._mm = np.array(neck_mm(instrument))
        self._open = np.array(instrument.open_midi) + instrument.capo
        self._finger_table = np.array(
            [0.0]
            + [
                self.weights[name]
                for name in ("finger_jumps", "finger_across", "finger_guides", "finger_kept")
            ]
        )

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

        The states of the last short riff are kept: when the same riff comes again with a pin,
        the search goes on from the first onset that the pin changes.
        """
        short = len(onsets) <= _KEPT_ONSETS
        kept = self._longest_kept(onsets) if short else []
        same = len(kept)
        states = kept[-1][0] if kept else self.start()
        back = [(parents, choices, after.cost) for after, parents, choices in kept]
        for onset in onsets[same:]:
            local = onset.candidates.own[None, :] + self.between(states, onset)
            parents, choices = self.survivors(states, onset, local)
            states = self.follow(states, onset, local, parents, choices)
            back.append((parents, choices, states.cost))
            if short:
                kept.append((states, parents, choices))
        if short:
            self._kept = [*self._kept[1 - _KEPT_RUNS :], (list(onsets), kept)]
        return _trace(back)

    def _longest_kept(self, onsets: Sequence[Onset]) -> list[_Reached]:
        """What is kept of the run that shares most of its beginning with ``onsets``."""
        best: list[_Reached] = []
        for old_onsets, kept in self._kept:
            same = 0
            for new, old in zip(onsets, old_onsets, strict=False):
                if new != old:
                    break
                same += 1
            if same > len(best):
                best = kept[:same]
        return best

    def account(self, onsets: Sequence[Onset], choices: Sequence[int]) -> list[dict[str, float]]:
        """What each cost came to at every onset, weighted, when ``choices`` are played."""
        states = self.start()
        out = []
        for onset, choice in zip(onsets, choices, strict=True):
            cand = onset.candidates
            costs = {
                name: float(self.weights[name] * value)
                for name, value in zip(PLACE, cand.static[choice], strict=True)
                if value
            }
            for name, values in self.features(states, onset):
                row = np.broadcast_to(values, (1, len(cand)))[0]
                if row[choice]:
                    costs[name] = costs.get(name, 0.0) + float(self.weights[name] * row[choice])
            local = np.full((1, len(cand)), sum(costs.values()))
            states = self.follow(states, onset, local, np.array([0]), np.array([choice]))
            out.append(costs)
        return out

    def between(self, states: States, onset: Onset) -> np.ndarray:
        """Weighted costs of going from every state to every candidate, (k, a)."""
        shape = (len(states.cost), len(onset.candidates))
        total = np.zeros(shape)
        total += self._finger_costs(states, onset.candidates)
        for name, values in self.features(states, onset, fingers=False):
            if weight := self.weights[name]:
                total += weight * values
        return total

    def _finger_costs(self, states: States, cand: Candidates) -> np.ndarray:
        """The weighted costs of `_fingers` in one sum, by looking up each finger's case."""
        was, now = states.finger_string[:, None, :], cand.finger_string[None, :, :]
        same_fret = states.finger_fret[:, None, :] == cand.finger_fret[None, :, :]
        case = 1 + 2 * (was == now) + same_fret
        case *= (was >= 0) & (now >= 0)
        return self._finger_table[case].sum(axis=2)

    def features(
        self, states: States, onset: Onset, *, fingers: bool = True
    ) -> Iterator[tuple[str, np.ndarray]]:
        """The costs between states and candidates by name, each to be broadcast to (k, a)."""
        cand = onset.candidates
        yield from self._moves(states, onset, cand)
        if fingers:
            yield from self._fingers(states, onset, cand)
        yield from self._voices(states, onset, cand)
        yield from self._recent(states, onset, cand)
        yield from self._sounding(states, onset, cand)
        if onset.position is not None:
            off = off_position(cand.frets, onset.position)
            off[:, list(onset.droned)] = 0.0
            yield "off_position", off.sum(axis=1)[None, :]
        for n, j, share in onset.ring:
            silenced = states.strings[:, j % MEMORY][:, None] == cand.strings[None, :, n]
            yield "ring_off", share * silenced
        if onset.pin is not None:
            yield "off_pin", self._off_pin(onset, cand)
        for n, string in onset.alike:
            yield "repeat_off", (cand.strings[:, n] != string)[None, :]
        if onset.drone_strings:
            yield from self._drone(states, onset, cand)

    def _moves(
        self, states: States, onset: Onset, cand: Candidates
    ) -> Iterator[tuple[str, np.ndarray]]:
        known = states.position == states.position  # not nan: the hand has a position
        here = np.where(known, states.position, 1.0)
        there = np.where(cand.fretted, cand.position, 1.0)
        moves = known[:, None] & cand.fretted[None, :]
        frets = np.abs(there[None, :] - here[:, None]) * moves
        mm = np.abs(self._neck(there)[None, :] - self._neck(here)[:, None]) * (0.1 * moves)
        any_move = np.minimum(frets, 1.0)
        yield "shift", mm
        yield "shift_any", any_move
        if onset.box:
            yield "box_moves", np.minimum(frets, 2.0) / 2.0
        yield "shift_far", np.maximum(frets - 4.0, 0.0)
        was, now = states.finger_string[:, None, :], cand.finger_string[None, :, :]
        yield "shift_guided", any_move * ((was >= 0) & (was == now)).any(axis=2)
        if onset.rest_sec > 0.2:
            rest = min(onset.rest_sec, 1.5) / 1.5
            yield "shift_rested", mm * rest
            yield "shift_any_rested", any_move * rest
        since = np.minimum(np.maximum(onset.time_sec - states.fretted_sec, 0.06), 2.0)
        yield "shift_fast", mm * (0.25 / since)[:, None]
        if cand.opens.any():
            at = np.where(cand.fretted[None, :], there[None, :], here[:, None])
            opens = cand.opens[None, :]
            yield "open_up_neck", np.maximum(at - 4.0, 0.0) * (0.2 * opens)
            yield "open_off_nut", np.minimum(np.maximum(at - 1.0, 0.0), 3.0) * (opens / 3.0)
            yield "open_long", ((cand.frets == 0) @ np.array(onset.lengths))[None, :]
            if onset.line:
                yield "open_in_line", opens
        if onset.line:
            yield "fret_in_line", cand.static[None, :, 0]
        if onset.sounding:
            held = np.zeros(len(here), dtype=bool)
            for j, _, pitch in onset.sounding:
                string = states.strings[:, j % MEMORY]
                held |= (string >= 0) & (pitch != self._open[string])
            yield "shift_held", np.minimum(frets, 3.0) * held[:, None]

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
        return share * away.sum(axis=1)[None, :]

    def _neck(self, position: np.ndarray) -> np.ndarray:
        return np.interp(position, np.arange(len(self._mm)), self._mm)

    def _fingers(
        self, states: States, onset: Onset, cand: Candidates
    ) -> Iterator[tuple[str, np.ndarray]]:
        was, now = states.finger_string[:, None, :], cand.finger_string[None, :, :]
        both = (was >= 0) & (now >= 0)
        same_string = both & (was == now)
        same_fret = states.finger_fret[:, None, :] == cand.finger_fret[None, :, :]
        across = both & ~same_string
        yield "finger_across", (across & same_fret).sum(axis=2)
        yield "finger_jumps", (across & ~same_fret).sum(axis=2)
        yield "finger_guides", (same_string & ~same_fret).sum(axis=2)
        yield "finger_kept", (same_string & same_fret).sum(axis=2)

    def _voices(
        self, states: States, onset: Onset, cand: Candidates
    ) -> Iterator[tuple[str, np.ndarray]]:
        cross: np.ndarray | float = 0.0
        skip: np.ndarray | float = 0.0
        mix: np.ndarray | float = 0.0
        far: np.ndarray | float = 0.0
        kept: dict[str, np.ndarray | float] = {}
        for n, j, rise in onset.voice:
            apart = abs(rise)
            before = states.strings[:, j % MEMORY]
            step = np.abs(before[:, None] - cand.strings[None, :, n])
            was = onset.pitches[n] - rise - self._open[before]
            now = cand.frets[:, n]
            one = (was[:, None] == 0) != (now[None, :] == 0)
            apart_frets = np.maximum(np.abs(was[:, None] - now[None, :]) - 4, 0) / 5.0
            mix = mix + one * apart_frets
            if onset.box:
                high = np.maximum(was[:, None], now[None, :]) >= _BOX_FRET
                yield "box_mixed", one & high
                yield "box_cross", (step > 0) & (apart <= _BOX_STEP)
            far = far + ((was > 0)[:, None] & (now > 0)[None, :]) * apart_frets
            cross = cross + step
            skip = skip + np.maximum(step - 1, 0)
            if apart:
                name = "step" if apart <= 2 else "third" if apart <= 4 else "leap"
                kept[name] = kept.get(name, 0.0) + (step == 0)
        if onset.voice:
            yield "cross", np.asarray(cross)
            yield "skip_strings", np.asarray(skip)
            yield "open_mixed", np.asarray(mix)
            yield "voice_far", np.asarray(far)
        for name, values in kept.items():
            yield f"{name}_same_string", np.asarray(values)
        for n, j in onset.same:
            slot = j % MEMORY
            other = states.strings[:, slot][:, None] != cand.strings[None, :, n]
            yield "other_place", other
            if j in onset.previous:
                yield "other_place_next", other
            finger = states.fingers[:, slot][:, None] != cand.fingers[None, :, n]
            yield "refinger", finger & ~other
        if onset.parallel:
            off = [
                states.strings[:, j % MEMORY][:, None] != cand.strings[None, :, n]
                for n, j in onset.parallel
            ]
            yield "parallel_off", np.sum(off, axis=0)
        yield from self._chords(states, onset, cand)
        for n, j in onset.legato:
            yield "legato", states.strings[:, j % MEMORY][:, None] != cand.strings[None, :, n]

    def _chords(
        self, states: States, onset: Onset, cand: Candidates
    ) -> Iterator[tuple[str, np.ndarray]]:
        share = _OCTAVE_SHARE if onset.apart == 2 else 1.0
        if onset.shape:
            strings = cand.strings[:, list(onset.shape)]
            off = np.diff(strings, axis=1) != -onset.apart
            yield "shape_off", share * off.sum(axis=1)[None, :]
        for name, pairs in (("struck_off", onset.struck), ("shape_moves", onset.shape_from)):
            if not pairs:
                continue
            was = states.strings[:, None, [j % MEMORY for _, j in pairs]]
            now = cand.strings[None, :, [n for n, _ in pairs]]
            moved = (was != now).any(axis=2)
            if name == "shape_moves":
                # Between strings tuned otherwise the shape itself changes as well.
                bent = np.diff(self._open[was], axis=2) != np.diff(self._open[now], axis=2)
                moved = share * (moved + 0.5 * bent.any(axis=2))
            yield name, moved

    def _recent(
        self, states: States, onset: Onset, cand: Candidates
    ) -> Iterator[tuple[str, np.ndarray]]:
        if not onset.recent:
            return
        if len(onset.notes) == 1:
            slots = [j % MEMORY for _, j, _ in onset.recent]
            same = states.strings[:, slots][:, None, :] == cand.strings[None, :, :1]
            kinds = [kind for _, _, kind in onset.recent]
            for kind in sorted(set(kinds)):
                which = [i for i, k in enumerate(kinds) if k == kind]
                yield RECENT[kind], same[:, :, which].sum(axis=2)
            return
        table: dict[str, np.ndarray] = {}
        for n, j, kind in onset.recent:
            hit = states.strings[:, j % MEMORY][:, None] == cand.strings[None, :, n]
            name = RECENT[kind]
            table[name] = table[name] + hit if name in table else hit.astype(float)
        yield from table.items()

    def _sounding(
        self, states: States, onset: Onset, cand: Candidates
    ) -> Iterator[tuple[str, np.ndarray]]:
        if not onset.sounding:
            return
        cut: np.ndarray | float = 0.0
        count: np.ndarray | float = 0.0
        uses = cand.uses.T
        for j, left, pitch in onset.sounding:
            hit = uses[states.strings[:, j % MEMORY]]
            if pitch in onset.pitches:
                n = onset.pitches.index(pitch)
                again = states.strings[:, j % MEMORY][:, None] == cand.strings[None, :, n]
                hit = hit * ~again
            cut = cut + left * hit
            count = count + hit
        yield "cut", np.asarray(cut)
        yield "cut_any", np.asarray(count)

    def _drone(
        self, states: States, onset: Onset, cand: Candidates
    ) -> Iterator[tuple[str, np.ndarray]]:
        drones = np.array(onset.drone_strings)
        top = drones.min()
        for n in onset.droned:
            off = ~np.isin(cand.strings[:, n], drones) | (cand.frets[:, n] != 0)
            yield "drone_off", off[None, :].astype(float)
        for n in onset.melody:
            string, trust = cand.strings[:, n], onset.trust[n]
            on = np.isin(string, drones)
            yield "melody_on_drone", trust * on[None, :]
            near = np.abs(string[:, None] - drones[None, :]).min(axis=1)
            yield "melody_far", trust * np.maximum(near - 1, 0)[None, :]
            yield "melody_above", trust * (string > top)[None, :]
            if onset.lane is not None:
                yield "melody_off", trust * (string != onset.lane)[None, :]
        if onset.melody:
            string = cand.strings[:, onset.melody[-1]]
            moved = (states.melody[:, None] >= 0) & (states.melody[:, None] != string[None, :])
            yield "melody_moves", onset.trust[onset.melody[-1]] * moved

    def survivors(
        self, states: States, onset: Onset, local: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Which states go on to which candidates: (parent, candidate) of at most ``width``."""
        cand = onset.candidates
        total = states.cost[:, None] + local
        fretted = np.flatnonzero(cand.fretted)
        best = total[:, fretted].argmin(axis=0)
        rest = np.flatnonzero(~cand.fretted)
        parents = np.concatenate([best, np.tile(np.arange(len(states.cost)), len(rest))])
        choices = np.concatenate([fretted, np.repeat(rest, len(states.cost))])
        if len(parents) > self.width:
            keep = np.argpartition(total[parents, choices], self.width - 1)[: self.width]
            parents, choices = parents[keep], choices[keep]
        return parents, choices

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
