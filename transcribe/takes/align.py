"""Following a take through its reference, event by event.

`align` is a Viterbi search whose states are the events of the reference: each event of the take is
either matched with an event ahead of the last match (what lies between was missed), or is extra, or
the player has jumped (a restart, a repeat left out or added, another pass). A match is worth the
overlap of the two pitch sets (Dice's coefficient) less what its place in time costs; every state
carries the pace that led to it, so the tempo may be anything between half and double, and may bend.
Long references are searched in a band: the blocks of states whose score is near the best one, the
beginning, and the places where the coming notes occur in the reference. That keeps the work linear.
"""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from transcribe.takes.timeline import PACE_RANGE, Events

__all__ = ["EXTRA", "MISS", "SUBSTITUTE", "Run", "align"]

# Worths and costs are in matches: one event that is played as it is written is worth 1. They are
# choices, whose effect `tests.bench.compare` measures on takes with planted mistakes.
MISS = 0.6
"""Cost of an event of the reference that was not played."""
EXTRA = 0.6
"""Cost of an event of the take that is not in the reference, times its confidence."""
SUBSTITUTE = -0.5
"""Worth of matching two events that share no pitch: better than a miss and an extra together."""

_JUMP_COST = 3.0  # going on somewhere else in the reference
_LOOP_COST = 1.0  # beginning again after the end
_EDGE_COST = 0.5  # each event left out at the beginning or the end ...
_MAX_EDGE_COST = 1.5  # ... and the most that these cost
_MAX_LEAD_COST = 3.0  # the most that extra events before the beginning cost
_OFF_COST = 0.2  # the square of an event's distance from its due time, in tolerances ...
_MAX_OFF_TOLERANCES = 2.0  # ... and the greatest distance that counts
_TOLERANCE = (0.3, 0.08)  # share of the time since the last match, and seconds, that make one
_BEND_SHARE = 0.4  # how far a path's pace follows the last step ...
_MAX_BEND_LOG = 0.3  # ... of a pace that is at most this far off, in natural logarithms
_BEND_SEC = 0.4  # a step of this length moves the pace half as far as a long one
_TIE_WORTH = 1e-7  # decides where nothing else does

_MAX_SKIPPED_EVENTS = 4  # events; a longer stretch that was not played is a jump
_SPLIT_SEC = 0.3  # a chord's notes that come further apart are two events for good
_SPLIT_SHARE = 0.95  # so are those further apart than this share of the usual step
_SPLIT_COST = 0.15  # cost of a chord that came apart

# The band of a long reference.
_MAX_UNBANDED_EVENTS = 600  # events; shorter references are searched whole
_BLOCK_EVENTS = 32  # events
_MAX_BLOCKS = 8  # with the best scores
_BEAM_MATCHES = 6.0  # matches below the best block at which a block is dropped
_SEED_LENGTHS = (4, 8, 16)  # top notes in a row that name a place in the reference
_MAX_SEED_PLACES = 6  # a run that occurs more often names no place


@dataclass(frozen=True)
class Run:
    """A stretch that was played straight on: matched (reference event, take event) pairs."""

    pairs: tuple[tuple[int, int], ...]

    @property
    def first(self) -> int:
        """First event of the reference."""
        return self.pairs[0][0]

    @property
    def last(self) -> int:
        """Last event of the reference."""
        return self.pairs[-1][0]


def align(
    take: Events,
    reference: Events,
    *,
    pace: float = 1.0,
    has_times: bool = True,
    jumps: bool = True,
    progress: Callable[[float], None] | None = None,
) -> tuple[list[Run], float]:
    """The best way through the reference, as runs, and its score.

    Parameters
    ----------
    take, reference : Events
        ``at`` in seconds; the pitches of both on the same footing (transposition taken out).
    pace : float
        Take seconds per reference second to begin with; each path goes on to find its own.
    has_times : bool
        Whether the reference's ``at`` means time, or only order.
    jumps : bool
        Whether the player may go on elsewhere; without, the result is one monotone alignment.
    progress : callable, optional
        Called with the share that is done, 0 to 1.

    Returns
    -------
    runs : list of Run
        In the order of the take. Empty where nothing matches.
    score : float
        Worth of the matches less all costs.
    """
    if not len(take) or not len(reference):
        return [], 0.0
    search = _Search(take, reference, pace=pace, has_times=has_times, jumps=jumps)
    for j in range(len(take)):
        search.step(j)
        if progress is not None and j % 256 == 0:
            progress(j / len(take))
    return search.trace()


class _Search:
    """The tables of one search.

    A state is the event of the reference that was matched last; state ``i`` lies at index
    ``i + _MAX_SKIPPED_EVENTS`` of the padded arrays ``score``, ``last`` (take seconds of the match)
    and ``speed`` (the path's pace).
    """

    def __init__(
        self, take: Events, reference: Events, *, pace: float, has_times: bool, jumps: bool
    ) -> None:
        self.take, self.reference = take, reference
        self.has_times, self.jumps, self.pace = has_times, jumps, pace
        n = self.n = len(reference)
        self.states_of: dict[int, np.ndarray] = {}  # pitch -> 1 where the event holds it
        for i, pitches in enumerate(reference.pitches):
            for p in pitches:
                self.states_of.setdefault(p, np.zeros(n, dtype=np.float32))[i] = 1.0
        self.size = np.array([len(p) for p in reference.pitches], dtype=np.float32)
        self.x = np.concatenate([np.full(_MAX_SKIPPED_EVENTS, reference.at[0]), reference.at])
        self.score = np.full(n + _MAX_SKIPPED_EVENTS, -np.inf)
        self.last = np.zeros(n + _MAX_SKIPPED_EVENTS)
        self.speed = np.full(n + _MAX_SKIPPED_EVENTS, pace)
        edge = np.minimum(_EDGE_COST * np.arange(n), _MAX_EDGE_COST)
        self.start_cost, self.end_cost = edge, edge[::-1]
        self.lead = 0.0  # what leaving out the take so far has cost
        # What each step left: the active states, where each came from, which took two events.
        self.back: list[tuple[np.ndarray, np.ndarray, np.ndarray | None]] = []
        self.earlier: tuple[np.ndarray, float] | None = None  # scores and lead a step ago
        self.usual = float(np.median(np.diff(take.at))) if len(take) > 1 else 0.0
        self.close = min(_SPLIT_SEC, _SPLIT_SHARE * self.usual)
        self.active = np.arange(n)
        self.lags = np.arange(1, _MAX_SKIPPED_EVENTS + 1)[:, None]
        self.seeds = self._seeds() if n > _MAX_UNBANDED_EVENTS else {}

    def _seeds(self) -> dict[tuple[int, ...], list[int]]:
        """Where each run of top notes begins in the reference; the commonest are left out."""
        tops = [p[-1] for p in self.reference.pitches]
        found: dict[tuple[int, ...], list[int]] = defaultdict(list)
        for length in _SEED_LENGTHS:
            for i in range(len(tops) - length + 1):
                found[tuple(tops[i : i + length])].append(i)
        return {key: places for key, places in found.items() if len(places) <= _MAX_SEED_PLACES}

    def _choose_band(self, j: int) -> None:
        """The blocks of states to go on with, chosen again every fourth event."""
        if self.n <= _MAX_UNBANDED_EVENTS or j % 4:
            return
        blocks = -(-self.n // _BLOCK_EVENTS)
        padded = np.full(blocks * _BLOCK_EVENTS, -np.inf)
        padded[: self.n] = self.score[_MAX_SKIPPED_EVENTS:]
        top = padded.reshape(blocks, _BLOCK_EVENTS).max(axis=1)
        order = np.argsort(-top)[:_MAX_BLOCKS]
        keep = {
            int(b) for b in order if top[b] > -np.inf and top[b] >= top[order[0]] - _BEAM_MATCHES
        }
        keep |= {b + 1 for b in keep} | {0}
        tops = [p[-1] for p in self.take.pitches[j : j + 3 + _SEED_LENGTHS[-1]]]
        for k, length in itertools.product(range(4), _SEED_LENGTHS):
            for place in self.seeds.get(tuple(tops[k : k + length]), ()):
                keep |= {place // _BLOCK_EVENTS, place // _BLOCK_EVENTS + 1}
        chosen = np.array(sorted(b for b in keep if b < blocks))
        active = (chosen[:, None] * _BLOCK_EVENTS + np.arange(_BLOCK_EVENTS)).ravel()
        active = active[active < self.n]
        gone = np.ones(self.n, dtype=bool)
        gone[active] = False
        self.score[_MAX_SKIPPED_EVENTS:][gone] = -np.inf
        self.active = active

    def _worth(self, pitches: tuple[int, ...]) -> np.ndarray:
        """Worth of matching a set of pitches with each active state."""
        idx = self.active
        hits = np.zeros(len(idx), dtype=np.float32)
        for p in pitches:
            if p in self.states_of:
                hits += self.states_of[p][idx]
        dice = 2.0 * hits / (self.size[idx] + len(pitches))
        return np.where(hits > 0, dice, SUBSTITUTE)

    def step(self, j: int) -> None:
        """Take in event ``j`` of the take."""
        self._choose_band(j)
        idx, at = self.active, float(self.take.at[j])
        here = idx + _MAX_SKIPPED_EVENTS
        before = here - self.lags
        came = self.score[before] - MISS * (self.lags - 1)
        speed = self.speed[before]
        due = speed * (self.x[here] - self.x[before])
        passed = at - self.last[before]
        if self.has_times:
            share, least = _TOLERANCE
            off = np.abs(passed - due) / (share * due + least)
            came = came - _OFF_COST * np.minimum(off, _MAX_OFF_TOLERANCES) ** 2
        else:
            # Of equal notes in a row, the one that was missed left the longest gap.
            came = came + _TIE_WORTH * np.minimum(passed / max(self.usual, 1e-3), self.lags)
        first = np.argmax(came, axis=0), np.arange(len(idx))
        best, source, pace = came[first], before[first] - _MAX_SKIPPED_EVENTS, speed[first]
        if self.has_times:
            due, passed = due[first], passed[first]
            with np.errstate(divide="ignore", invalid="ignore"):
                bend = np.clip(np.log(passed / due), -_MAX_BEND_LOG, _MAX_BEND_LOG)
            bend = np.where(due > 1e-6, np.nan_to_num(bend), 0.0)
            pace = np.clip(pace * np.exp(_BEND_SHARE * due / (due + _BEND_SEC) * bend), *PACE_RANGE)
        fresh = -self.start_cost[idx] - min(self.lead, _MAX_LEAD_COST)
        begin = fresh > best
        best, source = np.where(begin, fresh, best), np.where(begin, -1, source)
        pace = np.where(begin, self.pace, pace)
        if self.jumps:
            best, source, pace = self._jump(idx, best, source, pace)
        matched = best + self._worth(self.take.pitches[j])
        extra = EXTRA * float(self.take.weight[j])
        stayed = self.score[here] - extra
        is_match = matched >= stayed
        score = np.maximum(matched, stayed)
        # -2: extra, the state stays; -1: the path begins here; else the state it came from.
        chosen = np.where(is_match, source, -2).astype(np.int32)
        taken = None
        if not self.has_times:
            split = self._split_chord(j, before)
            earlier = (self.score.copy(), self.lead)
            if split is not None:
                taken = split[0] > score
                score = np.where(taken, split[0], score)
                chosen = np.where(taken, split[1], chosen).astype(np.int32)
            self.earlier = earlier
        self.score[here] = score
        self.last[here] = np.where(is_match, at, self.last[here])
        self.speed[here] = np.where(is_match, pace, self.speed[here])
        self.lead += extra
        self.back.append((idx, chosen, taken))

    def _split_chord(self, j: int, before: np.ndarray) -> tuple[np.ndarray, np.ndarray] | None:
        """Events ``j - 1`` and ``j`` as one chord whose notes came apart: scores and origins.

        Only where the reference holds an order alone: there nothing else tells that a note of a
        chord came late.
        """
        if self.earlier is None or self.take.at[j] - self.take.at[j - 1] > self.close:
            return None
        scores, lead = self.earlier
        came = scores[before] - MISS * (self.lags - 1)
        first = np.argmax(came, axis=0), np.arange(came.shape[1])
        best, origin = came[first], before[first] - _MAX_SKIPPED_EVENTS
        fresh = -self.start_cost[self.active] - min(lead, _MAX_LEAD_COST)
        origin = np.where(fresh > best, -1, origin)
        both = tuple(sorted({*self.take.pitches[j - 1], *self.take.pitches[j]}))
        return np.maximum(fresh, best) + self._worth(both) - _SPLIT_COST, origin

    def _jump(
        self, idx: np.ndarray, best: np.ndarray, source: np.ndarray, pace: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """The same with the ways that leap: on from the best state, or again from the end."""
        top = int(np.argmax(self.score))
        if self.score[top] == -np.inf:
            return best, source, pace
        leap = np.full(len(idx), self.score[top] - _JUMP_COST)
        origin = np.full(len(idx), top - _MAX_SKIPPED_EVENTS)
        last = min(_MAX_SKIPPED_EVENTS, self.n)
        tail = self.score[-last:] - MISS * np.arange(last)[::-1]
        loop = tail.max() - _LOOP_COST - self.start_cost[idx]
        nearer = loop > leap
        leap = np.where(nearer, loop, leap)
        origin = np.where(nearer, int(np.argmax(tail)) + self.n - last, origin)
        jump = leap > best
        return (
            np.where(jump, leap, best),
            np.where(jump, origin, source),
            np.where(jump, self.speed[origin + _MAX_SKIPPED_EVENTS], pace),
        )

    def trace(self) -> tuple[list[Run], float]:
        """Runs of the best path, and its score."""
        final = self.score[_MAX_SKIPPED_EVENTS:] - self.end_cost
        state = int(np.argmax(final))
        score = float(final[state])
        if score == -np.inf:
            return [], 0.0
        pairs: list[tuple[int, int, bool]] = []  # reference event, take event, straight on
        j = len(self.back)
        while j > 0:
            j -= 1
            idx, source, two = self.back[j]
            k = int(np.searchsorted(idx, state))
            came = int(source[k])
            if came == -2:
                continue
            straight = came >= 0 and 0 < state - came <= _MAX_SKIPPED_EVENTS
            if two is not None and two[k]:
                pairs.append((state, j, True))
                j -= 1
            pairs.append((state, j, straight))
            if came == -1:
                break
            state = came
        pairs.reverse()
        runs: list[list[tuple[int, int]]] = []
        for i, j, straight in pairs:
            if not runs or not straight:
                runs.append([])
            runs[-1].append((i, j))
        return [Run(tuple(run)) for run in runs], score
