"""Which beat, which meter, which bar: every reading of the grid is weighed by the same evidence.

Conventions: ticks, 12 to a beat of the reading; a bar of meter (n, d) has ``12 * n`` ticks.

The tempo curve of `beats` leaves open what a beat is. Here each track is read at several beat
lengths and phases, in each meter and with each beat of the bar as the downbeat; every such
candidate gets numbers (`FEATURES`): how well its places in the bar explain where events fall
(the marginal likelihood of a Beta-Bernoulli model per place, so that a rhythm that comes back bar
after bar speaks for that bar), where the drone or bass, long, loud and big events and changes of
harmony fall, whether the riff repeats itself at whole bars, how it starts and ends, how many bars
and which tempo and shortest values that would mean, and how much there is to go by. A small network
gives each reading a score, and a softmax turns the scores into probabilities. It is fitted on
invented riffs and on published tunes, played by the computer as people play
(``tests/bench/rhythm_fit.py``).
"""

from __future__ import annotations

import functools
import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import resources

import numpy as np

from transcribe.core.score_place import counted_beats
from transcribe.rhythm.bar_evidence import (
    DIVISIONS_4,
    DIVISIONS_8,
    METERS,
    Snapped,
    bar_evidence,
    find_accents,
    mark_strengths,
    nearest_repeats,
    pulse_beats,
    repeat_boundaries,
    repeat_shares,
    repeats_fit,
    snap,
)
from transcribe.rhythm.beats import TICKS, Grid, Track, move_middle, smooth
from transcribe.rhythm.events import Events

__all__ = ["FEATURES", "Candidates", "Network", "read_candidates", "shipped_network", "weigh"]

_FACTORS = (1.0, 0.5, 2.0, 1 / 3, 2 / 3, 1.5, 3.0, 0.25, 4.0)
_QUARTER_SEC = (0.3, 1.2)  # lengths of a beat that are tried, x/4
_EIGHTH_SEC = (0.11, 0.62)  # and x/8
_MAX_EVENTS = 200  # the meter is settled on this many, about as many as it was fitted on
_WINDOW_SEC = 24.0  # the farthest lag at which the riff is compared with itself

# Set by hand before the network was fitted to the features (`tests.bench.rhythm_fit`).
_MAX_TRACKS, _TRACK_NATS = 5, 18.0  # tracks that are read, and how much worse the last may be
_BPM_OFF = 1.12  # ratio by which a reading may differ from the tempo that is given
_DOTTED_OFF = 1.04  # or its dotted beats, which are one meaning of a number among two
_DOWNBEAT_BEATS = 0.25  # how far a reading's downbeat may lie from a first beat that is given
_MIN_PHASE_SHARE, _MAX_PHASES = 0.12, 3  # of the events on a phase of the beat, to be tried
_RARE_SHARE = 0.03  # of the events: a division that is used less is not used
_MIN_HALVES = 0.1  # of the events, in a riff that has halves
_MIN_LAST_THIRDS = 0.15  # of the events, in a beat that swings in eighths
_SLOW, _SLOW_THREES = 0.5, 0.8  # octaves under 100 a minute from which a felt pulse is slow: 70,
# and 57 where its three parts are counted as well
_SAME_DOWNBEAT = 0.01  # of a bar
_MIN_REPEAT, _NEAR_BEST = 0.3, 0.92  # a lag's share that is a repeat; of the best, as good as that

# fmt: off
FEATURES = (
    "here", "bass", "long", "loud", "big", "turn", "here_whole", "bass_whole", "long_whole",
    "loud_whole", "big_whole", "turn_whole", "bass_down", "long_down", "loud_down", "big_down",
    "turn_down", "bass_group", "long_group", "loud_group", "big_group", "turn_group",
    "bass_beat", "long_beat", "loud_beat", "big_beat", "turn_beat", "loud_half", "loud_fine",
    "syncopated", "syncopated_whole", "timing", "values", "track", "swing", "swing_gain",
    "never_middle", "threes", "twos", "bar_again", "bars_again", "bar_over_beats", "off_bar",
    "phrase_whole", "phrase_even", "repeats_fit", "repeats_off", "repeats_even", "starts_down",
    "pickup", "pickup_long", "ends_down", "repeat_down", "boundary_down", "boundary_beat",
    "tempo", "tempo_square", "tempo_fast", "tempo_slow", "beats_filled", "halves", "quarters",
    "thirds", "no_parts", "quarters_fast", "quarters_slow", "no_parts_slow", "no_parts_fast",
    "halves_only_slow", "bar_sec", "meter_3_4", "meter_6_8", "meter_2_4", "meter_5_4",
    "meter_7_8", "events", "chords", "basses", "drone", "bars", "bars_by_2", "bars_by_4",
    "bars_2", "bars_4", "bars_8", "to_downbeat_by_2", "to_downbeat_by_4",
)
# fmt: on
"""Names of the numbers that each candidate gets, in order."""
_COLUMN = {name: k for k, name in enumerate(FEATURES)}


@dataclass(frozen=True)
class Network:
    """A score for each candidate: a weighted sum of its features, and of some units of them.

    Features are shifted by ``mean`` (f,) and divided by ``spread`` (f,) first; then ``direct`` (f,)
    weighs them, ``hidden`` (f, h) and ``bias`` (h,) make the units, ``out`` (h,) weighs those.
    """

    mean: np.ndarray
    spread: np.ndarray
    direct: np.ndarray
    hidden: np.ndarray
    bias: np.ndarray
    out: np.ndarray

    def score(self, values: np.ndarray) -> np.ndarray:
        """Score of each candidate, (n,), from its features (n, f)."""
        x = (values - self.mean) / self.spread
        unit = np.maximum(x @ self.hidden + self.bias, 0.0)
        return np.asarray(x @ self.direct + unit @ self.out)


@functools.cache
def shipped_network() -> Network:
    """The network that `tests.bench.rhythm_fit` wrote."""
    text = resources.files("transcribe.rhythm").joinpath("meter_weights.json").read_text("utf-8")
    return Network(**{k: np.array(v) for k, v in json.loads(text)["network"].items()})


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


def read_candidates(
    events: Events,
    tracks: Sequence[Track],
    *,
    bpm: float | None = None,
    dotted: bool = False,
    meters: Sequence[tuple[int, int]] = METERS,
    first_beat_sec: float | None = None,
) -> Candidates:
    """Every reading of ``tracks`` with its features.

    ``bpm`` keeps the readings within 12 % of it (``dotted``: or with dotted beats that are),
    ``meters`` those meters, ``first_beat_sec`` those with a downbeat within a quarter of a beat of
    it (the nearest, if none is).
    """
    best = min(t.cost for t in tracks)
    swing_gain = _swing_gain(tracks)
    to_go_by = {
        "events": math.log(min(len(events), _MAX_EVENTS)),
        "chords": math.log(max(1.0, float(np.mean(events.size)))),
        "basses": float(np.mean(events.bass)),
        "drone": float(bool(events.drone)),
    }
    tracks = [t for t in tracks if t.cost < best + _TRACK_NATS][:_MAX_TRACKS]
    onset = events.onset_sec[:_MAX_EVENTS]
    n = len(onset)
    gap_sec = np.diff(events.onset_sec)
    marks = {k: v[:n] for k, v in find_accents(events, gap_sec).items()}
    strengths = mark_strengths(events, marks, gap_sec)
    readings: list[_Row] = []
    grids: list[Grid] = []
    for t, tr in enumerate(tracks):
        grid = smooth(events.onset_sec, tr.beats * TICKS, weight=np.where(tr.skipped, 1e-3, 1.0))
        grids.append(grid)
        beat = move_middle(grid.tick(onset) / TICKS, tr.swing, 0.5)  # as written
        period = float(np.median(np.diff(grid.time_sec)))
        window = int(min(_WINDOW_SEC / period * TICKS, tr.ticks[n - 1] - tr.ticks[0]))
        again, room = repeat_shares(events, tr.ticks[:n], max(window, 1))
        common = {
            "track": (best - tr.cost) / 4,
            "swing": float(tr.swing != 0.5),
            "swing_gain": swing_gain if tr.swing != 0.5 else 0.0,
            **to_go_by,
        }
        joints = repeat_boundaries(events, tr.ticks[:n], again, room)
        twins = nearest_repeats(events, tr.ticks[:n], max(window, 1))
        twins = twins[twins > 0] / TICKS
        for factor in _FACTORS if tr.swing == 0.5 else (1.0,):
            length = period * factor
            for offset in _offsets(tr.ticks[:n], factor):
                for short in (False, True):
                    wanted = [
                        (i, m)
                        for i, m in enumerate(meters)
                        if (m[1] >= 8) == short and _in_tempo(length, m, bpm, dotted)
                    ]
                    if not wanted:
                        continue
                    mine = (beat - offset / TICKS) / factor
                    snapped = snap(mine, length, DIVISIONS_8 if short else DIVISIONS_4)
                    on_beat = _BeatReading(t, factor, offset, length, short, snapped, joints)
                    alike = _by_beat(again, room, factor)
                    for m, meter in wanted:
                        evidence = bar_evidence(snapped.ticks, marks, strengths, meter)
                        fixed = common | _fixed_features(on_beat, meter, alike)
                        by_twins = repeats_fit(twins / factor, meter[0])
                        fixed |= zip(
                            ("repeats_fit", "repeats_off", "repeats_even"), by_twins, strict=True
                        )
                        readings += _readings(on_beat, m, meter, fixed, evidence)
    rows = np.array([reading[:-1] for reading in readings], dtype=float).reshape(len(readings), 6)
    track, meter, down = rows[:, [0, 3, 4]].T.astype(int)
    values = np.array([reading[-1] for reading in readings]).reshape(len(readings), len(FEATURES))
    found = Candidates(
        track,
        *(rows[:, 1], rows[:, 2], meter, down, rows[:, 5], values),
        tracks=tuple(tracks),
        grids=tuple(grids),
        meters=tuple(meters),
    )
    return found if first_beat_sec is None else _with_downbeat_at(found, first_beat_sec)


def _in_tempo(length_sec: float, meter: tuple[int, int], bpm: float | None, dotted: bool) -> bool:
    """Whether a beat of that length may be tried in ``meter``."""
    if bpm is None:
        low, high = _EIGHTH_SEC if meter[1] >= 8 else _QUARTER_SEC
        return low <= length_sec <= high
    if 1 / _BPM_OFF <= length_sec * bpm / 60 <= _BPM_OFF:
        return True
    per = counted_beats(meter) if dotted else 1
    return per > 1 and 1 / _DOTTED_OFF <= per * length_sec * bpm / 60 <= _DOTTED_OFF


@dataclass(frozen=True)
class _BeatReading:
    """One length and phase of the beat, and the events on it."""

    track: int
    factor: float
    offset: float
    length_sec: float
    short: bool  # the beat is an eighth or shorter
    snapped: Snapped
    joints: np.ndarray


_Row = tuple[int, float, float, int, int, float, np.ndarray]
"""One row of `Candidates`: its arrays in order, the features last."""


def _swing_gain(tracks: Sequence[Track]) -> float:
    """Tens of nats by which the best swung track is better than the best straight one."""
    straight = [t.cost for t in tracks if t.swing == 0.5]
    swung = [t.cost for t in tracks if t.swing != 0.5]
    if not straight or not swung:
        return 0.0
    return float(np.clip((min(straight) - min(swung)) / 10, -3, 3))


def _by_beat(again: np.ndarray, room: np.ndarray, factor: float) -> np.ndarray:
    """Share of events that come again after 1, 2, ... beats, less sure where few could."""
    lags = np.arange(1, max(2, int(len(again) / (TICKS * factor)))) * TICKS * factor
    at = np.rint(lags).astype(int)
    at = at[at < len(again)]
    return np.asarray(again[at] * np.minimum(1.0, room[at] / 8))


def _with_downbeat_at(found: Candidates, time_sec: float) -> Candidates:
    away = np.zeros(len(found))
    for i in range(len(found)):
        tick = float(found.grids[found.track[i]].tick(time_sec))
        beat = (tick - found.offset[i]) / (TICKS * found.factor[i])
        bar = found.meters[found.meter[i]][0]
        away[i] = abs((beat - found.down[i] + bar / 2) % bar - bar / 2)
    keep = away <= max(_DOWNBEAT_BEATS, away.min(initial=np.inf) + 1e-9)
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
    return [float(k) for k in order[:_MAX_PHASES] if share[k] >= _MIN_PHASE_SHARE]


def _fixed_features(
    reading: _BeatReading, meter: tuple[int, int], by_beat: np.ndarray
) -> dict[str, float]:
    """Features that do not depend on which beat is the downbeat."""
    ticks = reading.snapped.ticks
    n = len(ticks)
    bar = meter[0]
    parts = ticks % TICKS
    halves = _share(parts == 6)
    quarters = _share((parts == 3) | (parts == 9))
    thirds = _share((parts == 4) | (parts == 8))
    long = float(not reading.short)
    no_parts = float(halves + quarters + thirds < _RARE_SHARE) * long
    span = max(1, (ticks[-1] - ticks[0]) / TICKS)
    filled = len(np.unique(ticks[parts == 0])) / (span + 1)
    top = by_beat.max(initial=0.0)
    strongest = int(np.argmax(by_beat >= _NEAR_BEST * top)) + 1 if top > _MIN_REPEAT else 0
    tempo = math.log2(60 / (reading.length_sec * pulse_beats(meter)) / 100)
    multiples = [float(by_beat[k * bar - 1]) for k in (1, 2, 4, 8) if k * bar <= len(by_beat)]
    others = [float(by_beat[k - 1]) for k in range(1, 2 * bar) if k % bar and k <= len(by_beat)]
    best = max(multiples, default=0.0)
    return {
        "timing": -reading.snapped.timing / math.sqrt(n),
        "values": -reading.snapped.values / math.sqrt(n),
        "bar_again": multiples[0] if multiples else 0.0,
        "bars_again": best,
        "bar_over_beats": best - max(others, default=0.0),
        "off_bar": max((float(x) for k, x in enumerate(by_beat, 1) if k % bar), default=0.0),
        "phrase_whole": float(strongest > 0 and strongest % bar == 0),
        "phrase_even": float(strongest > 0 and strongest / bar in (1, 2, 4, 8)),
        "tempo": tempo,
        "tempo_square": tempo**2,
        "tempo_fast": max(0.0, tempo - 0.7),
        "tempo_slow": max(0.0, -(_SLOW_THREES if pulse_beats(meter) == 3 else _SLOW) - tempo),
        "beats_filled": filled * long,
        "halves": halves * long,
        "quarters": quarters * long + halves * (1 - long),
        "thirds": thirds * long,
        "no_parts": no_parts,
        "quarters_fast": quarters * max(0.0, tempo),
        "quarters_slow": quarters * max(0.0, -tempo),
        "no_parts_slow": no_parts * max(0.0, -tempo),
        "no_parts_fast": no_parts * max(0.0, tempo),
        "halves_only_slow": float(quarters < _RARE_SHARE and halves > _MIN_HALVES)
        * max(0.0, -tempo)
        * long,
        "bar_sec": abs(math.log2(bar * reading.length_sec / 2.2)),
        **{f"meter_{a}_{b}": float(meter == (a, b)) for a, b in METERS[1:]},
    }


def _threes(ticks: np.ndarray, first: int) -> tuple[float, float]:
    """How far the felt pulses of three beats from beat ``first`` on that hold events are divided in
    threes, and the share of them that is divided in two halves alone.

    A pulse whose middle third is struck counts twice, for long and short may be a swung beat; so
    where every second pulse has all its thirds, as when one is held, that is threes all through.
    """
    pulse, within = np.divmod(ticks - first * TICKS, 3 * TICKS)
    middle = np.unique(pulse[within == TICKS])
    third = np.union1d(middle, pulse[within == 2 * TICKS])
    half = np.setdiff1d(pulse[within == 3 * TICKS // 2], third)
    held = len(np.unique(pulse))
    return min(1.0, (len(third) + len(middle)) / held), len(half) / held


def _number_of_bars(bars: float) -> dict[str, float]:
    """How many bars there are, where the last event begins ``bars`` after the first downbeat.

    People play two, four or eight bars; a last event on a downbeat may belong to them or end them.
    """
    held = math.floor(bars + _SAME_DOWNBEAT) + 1
    on_downbeat = abs(bars - round(bars)) < _SAME_DOWNBEAT
    until = round(bars) if on_downbeat else held
    return {
        "bars": math.log2(max(bars, 0.2)),
        **{f"bars_by_{k}": float(held % k == 0) for k in (2, 4)},
        **{f"bars_{k}": float(held == k) for k in (2, 4, 8)},
        **{f"to_downbeat_by_{k}": float(until % k == 0) for k in (2, 4)},
    }


def _share(which: np.ndarray) -> float:
    """Share of ``which`` (n,) that is true, 0 of none."""
    return np.count_nonzero(which) / len(which) if len(which) else 0.0


def _readings(
    reading: _BeatReading,
    m: int,
    meter: tuple[int, int],
    fixed: dict[str, float],
    evidence: dict[str, np.ndarray],
) -> list[_Row]:
    """A row for each beat of the bar as the downbeat."""
    ticks = reading.snapped.ticks
    bar = meter[0]
    first, last = ticks[0] / TICKS, ticks[-1] / TICKS
    on_beat = ticks[ticks % TICKS == 0] // TICKS
    thirds = np.bincount(on_beat % 3, minlength=3) / len(ticks)
    joint_beats = ticks[reading.joints] / TICKS
    divided = [(0.0, 0.0)] * 3
    if pulse_beats(meter) == 3:
        divided = [_threes(ticks, k) for k in range(3)]
    own: list[dict[str, float]] = []
    for down, where in enumerate((joint_beats[None] - np.arange(bar)[:, None]) % bar):
        pickup = (down - first) % bar  # beats from the first event to the next downbeat
        never_middle = 0.0
        if pulse_beats(meter) == 3:  # long and short only: a swung beat, not three eighths
            eighth = thirds[(np.arange(3) + down) % 3]
            never_middle = float(eighth[1] < _RARE_SHARE and eighth[2] > _MIN_LAST_THIRDS)
        own.append(
            _number_of_bars((last - first - pickup) / bar + (pickup > bar / 2))
            | {
                "starts_down": float(pickup == 0),
                "pickup": float(0 < pickup <= bar / 2),
                "pickup_long": float(pickup > bar / 2),
                "ends_down": float((last - down) % bar == 0),
                "never_middle": never_middle,
                "threes": divided[down % 3][0],
                "twos": divided[down % 3][1],
                "repeat_down": float(len(where) > 0 and where[0] == 0),
                "boundary_down": _share(where[1:] == 0),
                "boundary_beat": _share(where % 1 == 0),
            }
        )
    table = np.zeros((bar, len(FEATURES)))
    table[:, [_COLUMN[name] for name in fixed]] = list(fixed.values())
    table[:, [_COLUMN[name] for name in evidence]] = np.array(list(evidence.values())).T
    table[:, [_COLUMN[name] for name in own[0]]] = [list(row.values()) for row in own]
    bpm = 60 / reading.length_sec
    return [
        (reading.track, reading.factor, reading.offset, m, down, bpm, table[down])
        for down in range(bar)
    ]


def weigh(candidates: Candidates, network: Network | None = None) -> np.ndarray:
    """Probability of each candidate, shape (n,)."""
    score = (network or shipped_network()).score(candidates.values)
    score = np.exp(score - score.max(initial=-np.inf))
    return score / score.sum()
