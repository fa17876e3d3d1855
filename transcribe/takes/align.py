"""Following a take through its reference, event by event.

`follow` is a Viterbi search whose states are the events of the reference: each event of the take is
either matched with an event ahead of the last match (what lies between was missed), or is extra, or
the player has jumped (a restart, a repeat left out or added, another pass). A match is worth the
overlap of the two pitch sets (Dice's coefficient) less what its place in time costs; every state
carries the pace that led to it, so the tempo may be anything between half and double, and may bend.
Long references are searched in a band: the blocks of states whose score is near the best one, the
beginning, and the places where the coming notes occur in the reference. That keeps the work linear.

`likely_shifts` and `pace_of` vote with pairs of successive events, which survive wrong notes.
"""

from __future__ import annotations

import itertools
from collections import Counter, defaultdict
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from transcribe.takes.timeline import Events

__all__ = ["EXTRA", "JUMP", "MISS", "SUBSTITUTE", "Run", "follow", "likely_shifts", "pace_of"]

MISS = 0.6
"""Cost of an event of the reference that was not played."""
EXTRA = 0.6
"""Cost of an event of the take that is not in the reference, times its confidence."""
SUBSTITUTE = -0.5
"""Worth of matching two events that share no pitch: better than a miss and an extra together."""
JUMP = 3.0
"""Cost of going on somewhere else in the reference."""
LOOP = 1.0
"""Cost of beginning again after the end."""
EDGE = 1.5
"""Most that beginning late or ending early in the reference can cost."""

_SKIP = 4  # events; a longer stretch that was not played is a jump
_PACE = (0.45, 2.2)  # take seconds per reference second: half to double, and a little more
_SPLIT_SEC = 0.3  # a chord's notes that come further apart are two events for good
_SPLIT = 0.95  # so are those further apart than this share of the usual step
_SPLIT_COST = 0.15
_TIE = 1e-7  # decides where nothing else does
_BLOCK = 32
_DENSE = 600  # events; shorter references are searched whole
_KEEP = 8  # blocks
_BEAM = 6.0
_SEEDS = (4, 8, 16)  # notes in a row that name a place in the reference
_PLACES = 6  # what occurs more often names none


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


def _bigrams(events: Events, lag: int) -> dict[tuple[int, int], list[float]]:
    found: dict[tuple[int, int], list[float]] = defaultdict(list)
    for i in range(len(events) - lag):
        step = float(events.at[i + lag] - events.at[i])
        for p in events.pitches[i]:
            for q in events.pitches[i + lag]:
                found[p, q].append(step)
    return found


def likely_shifts(
    take: Events, reference: Events, *, count: int = 4, limit: int = 24
) -> tuple[int, ...]:
    """How many semitones the take may sound above the reference, the likeliest first.

    Every shift is scored by how many pairs of successive pitches the two sides then share. None at
    all (0) stands first unless another explains clearly more, and is always among them.
    """
    t = {key: len(steps) for key, steps in _bigrams(take, 1).items()}
    r = {key: len(steps) for key, steps in _bigrams(reference, 1).items()}
    if not t or not r:
        return (0,)
    # A take of several passes has every pair several times; shares make both sides comparable.
    t_sum, r_sum = sum(t.values()), sum(r.values())
    scores = {
        shift: sum(
            min(n / t_sum, r.get((p - shift, q - shift), 0) / r_sum) for (p, q), n in t.items()
        )
        for shift in range(-limit, limit + 1)
    }
    ranked = sorted(scores, key=lambda k: (-scores[k], abs(k)))
    clear = scores[ranked[0]] > 1.4 * scores[0] + 0.05
    first = ranked[0] if clear else 0
    others = [k for k in ranked[:count] if k != first and scores[k] > 0]
    return (first, *others) if 0 in (first, *others) else (first, *others, 0)


def pace_of(take: Events, reference: Events) -> float:
    """Seconds of the take per second of the reference, voted by pairs of events that recur.

    Returns 1.0 where nothing votes.
    """
    edges = np.arange(np.log2(_PACE[0]), np.log2(_PACE[1]) + 0.02, 0.02)
    votes = np.zeros(len(edges))
    for lag in (1, 2):
        ahead = {
            key: Counter(round(step, 3) for step in steps if step > 1e-6).most_common(6)
            for key, steps in _bigrams(reference, lag).items()
        }
        for key, steps in _bigrams(take, lag).items():
            known = ahead.get(key)
            if not known:
                continue
            total = sum(count for _, count in known)
            played = np.log2(np.array([s for s in steps if s > 1e-6]))
            for step, count in known:
                place = np.round((played - np.log2(step) - edges[0]) / 0.02).astype(int)
                place = place[(place >= 0) & (place < len(edges))]
                np.add.at(votes, place, count / total)
    if not votes.any():
        return 1.0
    smooth = np.convolve(votes, np.exp(-0.5 * (np.arange(-6, 7) / 2.0) ** 2), mode="same")
    # Where two paces explain as much (an even pulse at twice the speed), the nearer one is meant.
    smooth *= np.exp(-0.5 * (edges / 1.5) ** 2)
    return float(2.0 ** edges[int(np.argmax(smooth))])


def follow(
    take: Events,
    reference: Events,
    *,
    pace: float = 1.0,
    timed: bool = True,
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
    timed : bool
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
    search = _Search(take, reference, pace=pace, timed=timed, jumps=jumps)
    for j in range(len(take)):
        search.step(j)
        if progress is not None and j % 256 == 0:
            progress(j / len(take))
    return search.trace()


class _Search:
    """The tables of one search. State ``i`` lies at index ``i + _SKIP`` of the padded arrays."""

    def __init__(
        self, take: Events, reference: Events, *, pace: float, timed: bool, jumps: bool
    ) -> None:
        self.take, self.reference = take, reference
        self.timed, self.jumps, self.pace = timed, jumps, pace
        n = self.n = len(reference)
        self.rows: dict[int, np.ndarray] = {}
        for i, pitches in enumerate(reference.pitches):
            for p in pitches:
                self.rows.setdefault(p, np.zeros(n, dtype=np.float32))[i] = 1.0
        self.size = np.array([len(p) for p in reference.pitches], dtype=np.float32)
        self.x = np.concatenate([np.full(_SKIP, reference.at[0]), reference.at]).astype(float)
        self.score = np.full(n + _SKIP, -np.inf)
        self.last = np.zeros(n + _SKIP)
        self.speed = np.full(n + _SKIP, pace)
        edge = np.minimum(0.5 * np.arange(n), EDGE)
        self.start_cost, self.end_cost = edge, edge[::-1]
        self.skipped = 0.0  # what leaving out the take so far has cost
        # What each step left: the active states, where each came from, which took two events.
        self.back: list[tuple[np.ndarray, np.ndarray, np.ndarray | None]] = []
        self.earlier: tuple[np.ndarray, float] | None = None  # scores and cost a step ago
        self.usual = float(np.median(np.diff(take.at))) if len(take) > 1 else 0.0
        self.close = min(_SPLIT_SEC, _SPLIT * self.usual)
        self.active = np.arange(n)
        self.lags = np.arange(1, _SKIP + 1)[:, None]
        self.lag_cost = MISS * (self.lags - 1)
        self.seeds = self._seeds() if n > _DENSE else {}

    def _seeds(self) -> dict[tuple[int, ...], list[int]]:
        """Where each run of top notes begins in the reference; the commonest are left out."""
        tops = [p[-1] for p in self.reference.pitches]
        found: dict[tuple[int, ...], list[int]] = defaultdict(list)
        for length in _SEEDS:
            for i in range(len(tops) - length + 1):
                found[tuple(tops[i : i + length])].append(i)
        return {key: places for key, places in found.items() if len(places) <= _PLACES}

    def _choose_band(self, j: int) -> None:
        if self.n <= _DENSE:
            return
        if j % 4:
            return
        blocks = -(-self.n // _BLOCK)
        padded = np.full(blocks * _BLOCK, -np.inf)
        padded[: self.n] = self.score[_SKIP:]
        top = padded.reshape(blocks, _BLOCK).max(axis=1)
        order = np.argsort(-top)[:_KEEP]
        keep = {int(b) for b in order if top[b] > -np.inf and top[b] >= top[order[0]] - _BEAM}
        keep |= {b + 1 for b in keep} | {0}
        tops = [p[-1] for p in self.take.pitches[j : j + 3 + _SEEDS[-1]]]
        for k, length in itertools.product(range(4), _SEEDS):
            for place in self.seeds.get(tuple(tops[k : k + length]), ()):
                keep |= {place // _BLOCK, place // _BLOCK + 1}
        chosen = np.array(sorted(b for b in keep if b < blocks))
        active = (chosen[:, None] * _BLOCK + np.arange(_BLOCK)).ravel()
        active = active[active < self.n]
        gone = np.ones(self.n, dtype=bool)
        gone[active] = False
        self.score[_SKIP:][gone] = -np.inf
        self.active = active

    def _worth(self, pitches: tuple[int, ...]) -> np.ndarray:
        """Worth of matching a set of pitches with each active state."""
        idx = self.active
        hits = np.zeros(len(idx), dtype=np.float32)
        for p in pitches:
            row = self.rows.get(p)
            if row is not None:
                hits += row[idx]
        dice = 2.0 * hits / (self.size[idx] + len(pitches))
        return np.where(hits > 0, dice, SUBSTITUTE)

    def step(self, j: int) -> None:
        """Take in event ``j`` of the take."""
        self._choose_band(j)
        idx = self.active
        at = float(self.take.at[j])
        before = idx + _SKIP - self.lags
        came = self.score[before] - self.lag_cost
        speed = self.speed[before]
        if self.timed:
            due = speed * (self.x[idx + _SKIP] - self.x[before])
            passed = at - self.last[before]
            off = np.abs(passed - due) / (0.3 * due + 0.08)
            came = came - 0.2 * np.minimum(off, 2.0) ** 2
        else:
            # Of equal notes in a row, the one that was missed left the longest gap.
            steps = (at - self.last[before]) / max(self.usual, 1e-3)
            came = came + _TIE * np.minimum(steps, self.lags)
        which = np.argmax(came, axis=0)
        cols = np.arange(len(idx))
        best = came[which, cols]
        source = before[which, cols] - _SKIP
        pace = speed[which, cols]
        if self.timed:
            due, passed = due[which, cols], passed[which, cols]
            with np.errstate(divide="ignore", invalid="ignore"):
                bend = np.clip(np.log(passed / due), -0.3, 0.3)
            bend = np.where(due > 1e-6, np.nan_to_num(bend), 0.0)
            pace = np.clip(pace * np.exp(0.4 * due / (due + 0.4) * bend), *_PACE)
        fresh = -self.start_cost[idx] - min(self.skipped, 3.0)
        begin = fresh > best
        best, source = np.where(begin, fresh, best), np.where(begin, -1, source)
        pace = np.where(begin, self.pace, pace)
        if self.jumps:
            best, source, pace = self._jump(idx, best, source, pace)
        matched = best + self._worth(self.take.pitches[j])
        here = self.score[idx + _SKIP] - EXTRA * float(self.take.weight[j])
        is_match = matched >= here
        two = self._two_as_one(j, np.maximum(matched, here), came_from=before)
        before_step = (self.score.copy(), self.skipped) if not self.timed else None
        self.score[idx + _SKIP] = np.where(is_match, matched, here)
        self.last[idx + _SKIP] = np.where(is_match, at, self.last[idx + _SKIP])
        self.speed[idx + _SKIP] = np.where(is_match, pace, self.speed[idx + _SKIP])
        self.skipped += EXTRA * float(self.take.weight[j])
        # -2: extra, the state stays; -1: the path begins here; else the state it came from.
        chosen = np.where(is_match, source, -2).astype(np.int32)
        taken = None
        if two is not None:
            score, origin, taken = two
            self.score[idx + _SKIP] = np.where(taken, score, self.score[idx + _SKIP])
            chosen = np.where(taken, origin, chosen).astype(np.int32)
        self.back.append((idx, chosen, taken))
        self.earlier = before_step

    def _two_as_one(
        self, j: int, so_far: np.ndarray, *, came_from: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
        """Events ``j - 1`` and ``j`` as one chord whose notes came apart, where that is better.

        Only where the reference holds an order alone: there nothing else tells that a note of a
        chord came late. Returns scores, origins and for which states it is so.
        """
        if self.timed or self.earlier is None:
            return None
        if self.take.at[j] - self.take.at[j - 1] > self.close:
            return None
        idx = self.active
        scores, skipped = self.earlier
        came = scores[came_from] - self.lag_cost
        which = np.argmax(came, axis=0)
        cols = np.arange(len(idx))
        best, origin = came[which, cols], came_from[which, cols] - _SKIP
        fresh = -self.start_cost[idx] - min(skipped, 3.0)
        origin = np.where(fresh > best, -1, origin)
        both = tuple(sorted({*self.take.pitches[j - 1], *self.take.pitches[j]}))
        score = np.maximum(fresh, best) + self._worth(both) - _SPLIT_COST
        return score, origin, score > so_far

    def _jump(
        self, idx: np.ndarray, best: np.ndarray, source: np.ndarray, pace: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        top = int(np.argmax(self.score))
        if self.score[top] == -np.inf:
            return best, source, pace
        leap = np.full(len(idx), self.score[top] - JUMP)
        origin = np.full(len(idx), top - _SKIP)
        tail = self.score[-min(_SKIP, self.n) :] - MISS * np.arange(min(_SKIP, self.n))[::-1]
        end = int(np.argmax(tail)) + self.n - len(tail)
        loop = tail.max() - LOOP - self.start_cost[idx]
        nearer = loop > leap
        leap, origin = np.where(nearer, loop, leap), np.where(nearer, end, origin)
        jump = leap > best
        return (
            np.where(jump, leap, best),
            np.where(jump, origin, source),
            np.where(jump, self.speed[origin + _SKIP], pace),
        )

    def trace(self) -> tuple[list[Run], float]:
        """Runs of the best path, and its score."""
        final = self.score[_SKIP:] - self.end_cost
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
            straight = came >= 0 and 0 < state - came <= _SKIP
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
