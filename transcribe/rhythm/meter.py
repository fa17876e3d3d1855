"""Which beat, which meter, which bar: every reading of the grid is weighed by the same evidence.

Conventions: ticks, 12 to a beat of the reading; a bar of meter (n, d) has ``12 * n`` ticks.

The tempo curve of `beats` leaves open what a beat is. Here each track is read at several beat
lengths and phases, in each meter and with each beat of the bar as the downbeat; every such
candidate gets numbers (`FEATURES`): how well its places in the bar explain where events fall
(the marginal likelihood of a Beta-Bernoulli model per place, so that a rhythm that comes back bar
after bar speaks for that bar), where the drone or bass, long, loud and big events and changes of
harmony fall, whether the riff repeats itself at whole bars, how it starts and ends, and which
tempo and shortest values that would mean. A weighted sum and a softmax turn them into
probabilities; the weights are fitted on generated riffs (``tests/bench/rhythm_fit.py``).
"""

from __future__ import annotations

import functools
import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import resources

import numpy as np

from transcribe.rhythm.beats import JITTER_SEC, TICKS, Grid, Track, smooth
from transcribe.rhythm.events import Events

__all__ = [
    "FEATURES",
    "METERS",
    "Candidates",
    "groupings",
    "levels",
    "pulse_beats",
    "read_candidates",
    "weigh",
]

METERS = ((4, 4), (3, 4), (6, 8), (2, 4), (5, 4), (7, 8))
"""The meters that are looked for."""

_GROUPS = {
    (4, 4): ((2, 2),),
    (3, 4): ((3,),),
    (6, 8): ((3, 3),),
    (2, 4): ((2,),),
    (5, 4): ((3, 2), (2, 3)),
    (7, 8): ((2, 2, 3), (3, 2, 2), (2, 3, 2)),
}
"""How the beats of a bar may be grouped; the groups' first beats are stronger."""


def groupings(meter: tuple[int, int]) -> tuple[tuple[int, ...], ...]:
    """The ways to group the beats of a bar, each adding up to its number of beats."""
    if meter in _GROUPS:
        return _GROUPS[meter]
    beats, unit = meter
    if unit >= 8 and beats % 3 == 0:
        return ((3,) * (beats // 3),)
    if beats % 2 == 0:
        return ((2,) * (beats // 2),)
    return (
        ((2,) * ((beats - 3) // 2) + (3,), (3,) + (2,) * ((beats - 3) // 2))
        if beats > 2
        else ((1,),)
    )


def pulse_beats(meter: tuple[int, int]) -> float:
    """Beats of the meter's denominator in one felt pulse."""
    if meter[1] < 8:
        return 1.0
    return 3.0 if meter[0] % 3 == 0 else 2.0


_FACTORS = (1.0, 0.5, 2.0, 1 / 3, 2 / 3, 1.5, 3.0, 0.25, 4.0)
_QUARTER_SEC = (0.3, 1.2)  # lengths of a beat that are tried, x/4
_EIGHTH_SEC = (0.11, 0.62)  # and x/8
_MOST_EVENTS = 400  # the meter is settled on this many events
_WINDOW_SEC = 24.0  # the farthest lag at which the riff is compared with itself

# Beta priors of "an event is here" by level: downbeat, group, beat, half, quarter, third.
_HERE = np.array([[5, 0.6], [3, 1], [2, 1.3], [0.7, 1.0], [0.2, 1.5], [0.1, 1.5], [0.02, 3]])
# Beta priors of "this event is marked" by level, for each kind of mark.
_MARKED = {
    "bass": np.array([[2.5, 0.7], [1.2, 1.5], [0.6, 1.8], [0.3, 3], [0.2, 3], [0.2, 3], [0.2, 3]]),
    "long": np.array([[1, 1.5], [0.8, 1.6], [0.7, 2], [0.5, 2.5], [0.2, 3], [0.2, 3], [0.2, 3]]),
    "loud": np.array(
        [[1.5, 1.2], [1, 1.8], [0.8, 2], [0.6, 2.2], [0.5, 2.5], [0.5, 2.5], [0.5, 3]]
    ),
    "big": np.array([[2, 1], [1.4, 1.4], [1, 1.6], [0.7, 2], [0.5, 2.5], [0.5, 2.5], [0.5, 3]]),
    "turn": np.array([[2, 1], [0.6, 1.8], [0.4, 2.5], [0.2, 3], [0.1, 3], [0.1, 3], [0.1, 3]]),
}

FEATURES = (
    "here",
    "bass",
    "long",
    "loud",
    "big",
    "turn",
    "timing",
    "values",
    "track",
    "swing",
    "bar_again",
    "bars_again",
    "bar_over_beats",
    "phrase_whole",
    "phrase_even",
    "starts_down",
    "pickup",
    "pickup_long",
    "ends_down",
    "tempo",
    "tempo_square",
    "tempo_fast",
    "tempo_slow",
    "beats_filled",
    "halves",
    "quarters",
    "thirds",
    "no_parts",
    "quarters_fast",
    "quarters_slow",
    "no_parts_slow",
    "no_parts_fast",
    "halves_only_slow",
    "bar_sec",
    "meter_3_4",
    "meter_6_8",
    "meter_2_4",
    "meter_5_4",
    "meter_7_8",
)
"""Names of the numbers that each candidate gets, in order."""


@dataclass(frozen=True)
class Candidates:
    """Readings to choose from; every array has one row per reading.

    A reading is track ``track``, a beat of ``factor`` of the track's beats that starts
    ``offset`` ticks of the track after its beat, meter ``meters[meter]``, and the downbeat
    at beats ``down`` modulo the bar. ``bpm`` counts its beats, ``values`` is (n, len(FEATURES)).
    """

    track: np.ndarray
    factor: np.ndarray
    offset: np.ndarray
    meter: np.ndarray
    down: np.ndarray
    bpm: np.ndarray
    values: np.ndarray
    tracks: tuple[Track, ...]
    grids: tuple[Grid, ...]
    meters: tuple[tuple[int, int], ...] = METERS

    def __len__(self) -> int:
        return len(self.track)


def levels(meter: tuple[int, int], groups: Sequence[int]) -> np.ndarray:
    """Metrical level of each tick of a bar, shape (12 * n,): 0 downbeat, 1 first beat of a group,
    2 beat, 3 half, 4 quarter, 5 third of a beat, 6 anything else."""
    within = np.full(TICKS, 6)
    within[[0, 6]] = 2, 3
    within[[3, 9]] = 4
    within[[4, 8]] = 5
    out = np.tile(within, meter[0])
    out[np.cumsum([0, *groups[:-1]]) * TICKS] = 1
    out[0] = 0
    return out


def _log_beta(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    from scipy.special import betaln

    return np.asarray(betaln(a, b))


def _marginal(k: np.ndarray, n: np.ndarray, prior: np.ndarray) -> np.ndarray:
    """Log marginal likelihood of ``k`` of ``n`` under Beta ``prior`` (..., 2)."""
    a, b = prior[..., 0], prior[..., 1]
    return _log_beta(a + k, b + n - k) - _log_beta(a, b)


def _marks(events: Events, gap_sec: np.ndarray) -> dict[str, np.ndarray]:
    """Which events are marked, by kind of mark; each (n,) of bool."""
    n = len(events)
    gap = np.append(gap_sec, max(gap_sec.max(initial=0.3), 0.3))
    typical = np.median(gap)
    size = events.size - (events.bass & bool(events.drone))
    turn = np.zeros(n, dtype=bool)
    chroma = np.zeros((n, 12))
    for i, pitches in enumerate(events.pitches):
        for p in pitches:
            chroma[i, p % 12] = 1
    # Harmony turns where what is struck from here on differs from what came before.
    total = np.vstack([np.zeros(12), np.cumsum(chroma, axis=0)])
    for i in range(1, n):
        before = total[i] - total[max(0, i - 4)]
        after = total[min(n, i + 4)] - total[i]
        norm = np.linalg.norm(before) * np.linalg.norm(after)
        turn[i] = norm > 0 and before @ after / norm < 0.45
    loud = events.loud > 1.5
    return {
        "bass": events.bass,
        "long": gap > 1.6 * typical,
        "loud": loud,
        "big": size > np.median(size),
        "turn": turn,
    }


@dataclass(frozen=True)
class _Snapped:
    """Events on the grid of one reading of the beat: ticks (12 a beat) and what that costs."""

    ticks: np.ndarray
    timing: float
    values: float


_DIVISIONS_4 = ((1, 0.0), (2, 0.2), (4, 1.2), (3, 2.2), (6, 5.0), (8, 5.0))
_DIVISIONS_8 = ((1, 0.0), (2, 0.9), (4, 4.0), (3, 4.5))


def _snap(beat: np.ndarray, period_sec: float, divisions: Sequence[tuple[int, float]]) -> _Snapped:
    """Put each event on a division of its beat; the division is chosen beat by beat, and one that
    the riff uses often is cheaper."""
    index = np.floor(beat + 0.1).astype(int)
    index -= index.min()
    count = index.max() + 1
    each = np.zeros((len(divisions), count))
    ticks = np.zeros((len(divisions), len(beat)))
    off_cost = np.zeros((len(divisions), len(beat)))
    for d, (parts, dear) in enumerate(divisions):
        at = np.rint(beat * parts) / parts
        ticks[d] = at * TICKS
        off = (beat - at) * period_sec / JITTER_SEC
        cost = np.minimum(0.5 * off**2, 12.0)
        same = np.zeros(len(beat))
        same[1:] = np.diff(at) < 1e-6
        off_cost[d] = cost
        np.add.at(each[d], index, cost + 6.0 * same)
        each[d] += dear
    filled = np.bincount(index, minlength=count) > 0
    for _ in range(2):
        chosen = np.argmin(each, axis=0)
        used = np.bincount(chosen[filled], minlength=len(divisions)) + np.array(
            [4 * math.exp(-dear) for _, dear in divisions]
        )
        rare = -np.log(used / used.sum())
        penalty = np.array([0.5 * dear for _, dear in divisions]) + rare
        base = np.array([dear for _, dear in divisions])
        chosen = np.argmin(each - base[:, None] + penalty[:, None], axis=0)
    pick = chosen[index]
    at_all = np.arange(len(beat))
    values = float(penalty[chosen[filled]].sum())
    return _Snapped(
        np.rint(ticks[pick, at_all]).astype(int), float(off_cost[pick, at_all].sum()), values
    )


def _written_beats(track: Track, grid: Grid, onset_sec: np.ndarray) -> np.ndarray:
    """Where events stand on the track's grid as written: swung off-beats are moved to halves."""
    beat = grid.tick(onset_sec) / TICKS
    if track.swing == 0.5:
        return beat
    whole = np.floor(beat)
    part = beat - whole
    straight = np.where(
        part < track.swing,
        part * 0.5 / track.swing,
        0.5 + (part - track.swing) * 0.5 / (1 - track.swing),
    )
    return whole + straight


def _again(events: Events, ticks: np.ndarray, window: int) -> tuple[np.ndarray, np.ndarray]:
    """Share of events that come again with the same pitches (and at all) after each lag in ticks,
    each (window + 1,)."""
    same = np.zeros(window + 1)
    n = len(ticks)
    # Compare sets of pitches by number, and by their top note alone at half weight.
    names: dict[frozenset[int], int] = {}
    label = np.array([names.setdefault(p, len(names)) for p in events.pitches])
    top = np.array([max(p) for p in events.pitches])
    for k in range(1, n):
        lag = ticks[k:] - ticks[:-k]
        if lag.min() > window:
            break
        near = lag <= window
        hit = np.where(label[k:] == label[:-k], 1.0, np.where(top[k:] == top[:-k], 0.5, 0.0))
        np.add.at(same, lag[near], hit[near])
    span = ticks[-1] - ticks
    room = np.array([np.count_nonzero(span >= lag) for lag in range(window + 1)])
    return np.where(room >= 3, same / np.maximum(room, 1), 0.0), room


def read_candidates(
    events: Events,
    tracks: Sequence[Track],
    *,
    bpm: float | None = None,
    meters: Sequence[tuple[int, int]] = METERS,
    first_beat_sec: float | None = None,
) -> Candidates:
    """Every reading of ``tracks`` with its features.

    ``bpm`` keeps the readings within 12 % of it, ``meters`` those meters, ``first_beat_sec`` those
    with a downbeat within a quarter of a beat of it (the nearest, if none is).
    """
    best = min(t.cost for t in tracks)
    tracks = [t for t in tracks if t.cost < best + 18.0][:5]
    onset = events.onset_sec[:_MOST_EVENTS]
    n = len(onset)
    marks = {k: v[:n] for k, v in _marks(events, np.diff(events.onset_sec)).items()}
    rows: list[tuple[int, float, float, int, int, float]] = []
    values: list[np.ndarray] = []
    grids: list[Grid] = []
    for t, tr in enumerate(tracks):
        grid = smooth(events.onset_sec, tr.beats * TICKS)
        grids.append(grid)
        beat = _written_beats(tr, grid, onset)
        period = float(np.median(np.diff(grid.time_sec)))
        window = int(min(_WINDOW_SEC / period * TICKS, tr.ticks[n - 1] - tr.ticks[0]))
        again, room = _again(events, tr.ticks[:n], max(window, 1))
        factors = _FACTORS if tr.swing == 0.5 else (1.0,)
        for factor in factors:
            length = period * factor
            for offset in _offsets(tr.ticks[:n], factor):
                shared = (tr, t, beat, factor, offset, length, again, room, best)
                for short in (False, True):
                    low, high = _EIGHTH_SEC if short else _QUARTER_SEC
                    if bpm is not None:
                        low, high = 60 / bpm / 1.12, 60 / bpm * 1.12
                    wanted = [(i, m) for i, m in enumerate(meters) if (m[1] >= 8) == short]
                    if wanted and low <= length <= high:
                        _read(shared, wanted, short, marks, rows, values)
    columns = list(zip(*rows, strict=True)) if rows else [()] * 6
    found = Candidates(
        track=np.array(columns[0], dtype=int),
        factor=np.array(columns[1], dtype=float),
        offset=np.array(columns[2], dtype=float),
        meter=np.array(columns[3], dtype=int),
        down=np.array(columns[4], dtype=int),
        bpm=np.array(columns[5], dtype=float),
        values=np.array(values).reshape(len(rows), len(FEATURES)),
        tracks=tuple(tracks),
        grids=tuple(grids),
        meters=tuple(meters),
    )
    return found if first_beat_sec is None else _with_downbeat_at(found, first_beat_sec)


def _with_downbeat_at(found: Candidates, time_sec: float) -> Candidates:
    away = np.zeros(len(found))
    for i in range(len(found)):
        tick = float(found.grids[found.track[i]].tick(time_sec))
        beat = (tick - found.offset[i]) / (TICKS * found.factor[i])
        bar = found.meters[found.meter[i]][0]
        away[i] = abs((beat - found.down[i] + bar / 2) % bar - bar / 2)
    keep = away <= max(0.25, away.min(initial=np.inf) + 1e-9)
    return Candidates(
        **{
            name: getattr(found, name)[keep]
            for name in ("track", "factor", "offset", "meter", "down", "bpm", "values")
        },
        tracks=found.tracks,
        grids=found.grids,
        meters=found.meters,
    )


def _offsets(ticks: np.ndarray, factor: float) -> list[float]:
    """Phases of the new beat, in the track's ticks, on which enough events fall."""
    length = max(1, round(factor * TICKS))
    share = np.bincount(ticks % length, minlength=length) / len(ticks)
    order = np.argsort(-share)
    return [float(k) for k in order[:3] if share[k] >= 0.12]


def _read(shared, wanted, short, marks, rows, values) -> None:  # type: ignore[no-untyped-def]
    """Append the candidates of one beat length and phase, in the ``wanted`` meters."""
    tr, t, beat, factor, offset, length, again, room, best = shared
    mine = (beat - offset / TICKS) / factor
    snapped = _snap(mine, length, _DIVISIONS_8 if short else _DIVISIONS_4)
    ticks = snapped.ticks
    n = len(ticks)
    parts = ticks % TICKS
    share = {
        "halves": float(np.mean(parts == 6)),
        "quarters": float(np.mean((parts == 3) | (parts == 9))),
        "thirds": float(np.mean((parts == 4) | (parts == 8))),
    }
    no_parts = float(share["halves"] + share["quarters"] + share["thirds"] < 0.03)
    span = max(1, (ticks[-1] - ticks[0]) / TICKS)
    filled = len(np.unique(ticks[parts == 0])) / (span + 1)
    lags = np.arange(1, max(2, int(len(again) / (TICKS * factor)))) * TICKS * factor
    at = np.rint(lags).astype(int)
    at = at[at < len(again)]
    by_beat = again[at] * np.minimum(1.0, room[at] / 8)
    top = by_beat.max(initial=0.0)
    strongest = int(np.argmax(by_beat >= 0.92 * top)) + 1 if top > 0.3 else 0
    for m, meter in wanted:
        bar = meter[0]
        pulse_sec = length * pulse_beats(meter)
        tempo = math.log2(60 / pulse_sec / 100)
        multiples = [by_beat[k * bar - 1] for k in (1, 2, 4, 8) if k * bar <= len(by_beat)]
        bar_again = multiples[0] if multiples else 0.0
        others = [by_beat[k - 1] for k in range(1, 2 * bar) if k % bar and k <= len(by_beat)]
        evidence = _evidence(ticks, marks, meter)
        fixed = {
            "timing": -snapped.timing / math.sqrt(n),
            "values": -snapped.values / math.sqrt(n),
            "track": (best - tr.cost) / 4,
            "swing": float(tr.swing != 0.5),
            "bar_again": bar_again,
            "bars_again": max(multiples, default=0.0),
            "bar_over_beats": max(multiples, default=0.0) - max(others, default=0.0),
            "phrase_whole": float(strongest > 0 and strongest % bar == 0),
            "phrase_even": float(strongest > 0 and strongest / bar in (1, 2, 4, 8)),
            "tempo": tempo,
            "tempo_square": tempo**2,
            "tempo_fast": max(0.0, tempo - 0.7),
            "tempo_slow": max(0.0, -0.74 - tempo),
            "beats_filled": filled if not short else 0.0,
            "halves": share["halves"] * (not short),
            "quarters": share["quarters"] * (not short) + share["halves"] * short,
            "thirds": share["thirds"] * (not short),
            "no_parts": no_parts * (not short),
            "quarters_fast": share["quarters"] * max(0.0, tempo),
            "quarters_slow": share["quarters"] * max(0.0, -tempo),
            "no_parts_slow": no_parts * max(0.0, -tempo) * (not short),
            "no_parts_fast": no_parts * max(0.0, tempo) * (not short),
            "halves_only_slow": float(share["quarters"] < 0.03 and share["halves"] > 0.1)
            * max(0.0, -tempo)
            * (not short),
            "bar_sec": abs(math.log2(bar * length / 2.2)),
            **{f"meter_{a}_{b}": float(meter == (a, b)) for a, b in METERS[1:]},
        }
        first = ticks[0] / TICKS
        for down in range(bar):
            pickup = (down - first) % bar  # beats from the first event to the next downbeat
            last = ((ticks[-1] / TICKS) - down) % bar
            starts = {
                "starts_down": float(pickup == 0),
                "pickup": float(0 < pickup <= bar / 2),
                "pickup_long": float(pickup > bar / 2),
                "ends_down": float(last == 0),
            }
            named = fixed | starts | {k: v[down] for k, v in evidence.items()}
            values.append(np.array([named[f] for f in FEATURES]))
            rows.append((t, factor, offset, m, down, 60 / length))


def _evidence(
    ticks: np.ndarray, marks: dict[str, np.ndarray], meter: tuple[int, int]
) -> dict[str, np.ndarray]:
    """Log evidence for each beat of the bar as the downbeat, by kind, each (beats of the bar,).

    Scaled by the square root of the number of events: bars of one riff are not independent.
    """
    size = meter[0] * TICKS
    slot = ticks % size
    here = np.bincount(slot, minlength=size)
    span = ticks[-1] - ticks[0] + 1
    start = ticks[0] % size
    chances = np.full(size, span // size)
    extra = (start + np.arange(span % size)) % size
    np.add.at(chances, extra, 1)
    chances = np.maximum(chances, here)
    scale = 1 / math.sqrt(len(ticks))
    marked = {k: np.bincount(slot[v], minlength=size) for k, v in marks.items()}
    out: dict[str, np.ndarray] = {}
    total_best = np.full(meter[0], -np.inf)
    used = np.flatnonzero(np.arange(size) % TICKS % 3 * (np.arange(size) % TICKS % 4) == 0)
    for groups in groupings(meter):
        level = levels(meter, groups)
        found = {k: np.zeros(meter[0]) for k in ("here", *marked)}
        for down in range(meter[0]):
            lv = np.roll(level, down * TICKS)
            found["here"][down] = _marginal(here[used], chances[used], _HERE[lv[used]]).sum()
            for k, hits in marked.items():
                filled = np.flatnonzero(here)
                prior = _MARKED[k][lv[filled]]
                found[k][down] = _marginal(hits[filled], here[filled], prior).sum()
        total = sum(found.values())
        for k, v in found.items():
            out[k] = np.where(total > total_best, v, out.get(k, v))
        total_best = np.maximum(total, total_best)
    return {k: v * scale for k, v in out.items()}


@functools.cache
def _weights() -> np.ndarray:
    text = resources.files("transcribe.rhythm").joinpath("meter_weights.json").read_text()
    named = json.loads(text)["weights"]
    return np.array([named[f] for f in FEATURES])


def weigh(candidates: Candidates, weights: np.ndarray | None = None) -> np.ndarray:
    """Probability of each candidate, shape (n,)."""
    score = candidates.values @ (_weights() if weights is None else weights)
    score = np.exp(score - score.max(initial=-np.inf))
    return score / score.sum()
