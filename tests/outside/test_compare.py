"""The comparison against means outside the project.

Alignment: every monotone alignment of small cases is tried (brute force), and the dynamic time
warping of librosa is asked for the same cost. Pairing: `scipy.optimize.linear_sum_assignment`
(the optimum without the order) bounds it and meets it where times do not cross. Timing statistics:
numpy by hand on a take whose offsets are known. Limits of hearing: Friberg & Sundberg 1995, Time
discrimination in a monotonic, isochronous sequence, JASA 98 (figures from memory).
"""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from tests.takes.helpers import BPM, later, played, reference, take
from transcribe.takes import compare
from transcribe.takes.align import EXTRA, MISS, SUBSTITUTE, align
from transcribe.takes.match import same_pitch
from transcribe.takes.timeline import Events
from transcribe.takes.verdicts import just_noticeable_ms, tolerance_ms


def events(sets: list[tuple[int, ...]]) -> Events:
    """Events a second apart."""
    n = len(sets)
    return Events(np.arange(n, dtype=float), np.arange(n), tuple(sets), np.ones(n))


def worth(a: tuple[int, ...], b: tuple[int, ...]) -> float:
    """Dice's coefficient of two pitch sets (Dice 1945, Ecology 26), or what a swap is worth."""
    shared = len(set(a) & set(b))
    return 2.0 * shared / (len(a) + len(b)) if shared else SUBSTITUTE


def best_by_hand(played: list[tuple[int, ...]], written: list[tuple[int, ...]]) -> float:
    """Greatest score over every monotone alignment that plays first and last event."""
    n, m = len(written), len(played)
    best = -np.inf
    for k in range(1, min(n, m) + 1):
        for rows in itertools.combinations(range(n), k):
            if rows[0] != 0 or rows[-1] != n - 1:
                continue
            for cols in itertools.combinations(range(m), k):
                score = sum(worth(written[i], played[j]) for i, j in zip(rows, cols, strict=True))
                score -= MISS * (n - k) + EXTRA * (m - k)
                best = max(best, score)
    return best


@pytest.mark.parametrize("seed", range(25))
def test_align_finds_the_best_of_all_alignments(seed: int) -> None:
    rng = np.random.default_rng(seed)
    pool = [(60,), (62,), (64,), (45, 60), (45, 62), (45,)]
    written = [pool[k] for k in rng.integers(len(pool), size=rng.integers(2, 7))]
    take_sets = list(written)
    for _ in range(int(rng.integers(0, 3))):
        take_sets.insert(int(rng.integers(len(take_sets) + 1)), pool[int(rng.integers(len(pool)))])
    if len(take_sets) > 3 and rng.random() < 0.6:
        del take_sets[int(rng.integers(1, len(take_sets) - 1))]
    runs, score = align(events(take_sets), events(written), has_times=False, jumps=False)
    at_most = best_by_hand(take_sets, written)
    # Leaving out an end is cheaper than a miss, so what is found can only be as good or better.
    assert score >= at_most - 1e-6
    if runs and runs[0].first == 0 and runs[0].last == len(written) - 1:
        assert score == pytest.approx(at_most, abs=1e-6)
    pairs = [pair for run in runs for pair in run.pairs]
    assert pairs == sorted(set(pairs))


@pytest.mark.parametrize("seed", range(10))
def test_align_agrees_with_librosa_dtw_where_nothing_is_left_out(seed: int) -> None:
    """With each event played once, warping's cheapest path and the search's are both diagonal."""
    import librosa

    rng = np.random.default_rng(seed)
    pool = [(60,), (62,), (64,), (65,), (45, 60), (45, 67)]
    order = [int(k) for k in rng.integers(len(pool), size=12)]
    order = [k for i, k in enumerate(order) if i == 0 or k != order[i - 1]]
    sets = [pool[k] for k in order]
    cost = np.array([[1.0 - max(0.0, worth(a, b)) for b in sets] for a in sets])
    warped, path = librosa.sequence.dtw(C=cost)
    runs, score = align(events(sets), events(sets), has_times=False)
    assert len(runs) == 1
    assert list(runs[0].pairs) == [tuple(int(x) for x in p) for p in path[::-1]]
    assert score == pytest.approx(len(sets) - warped[-1, -1])


@pytest.mark.parametrize("seed", range(20))
def test_pairs_are_the_best_assignment(seed: int) -> None:
    """Worth of the pairing against scipy's assignment (Jonker & Volgenant 1987, via scipy)."""
    from scipy.optimize import linear_sum_assignment

    rng = np.random.default_rng(seed)
    due = np.sort(rng.uniform(0, 4, int(rng.integers(1, 12))))
    at = np.sort(rng.uniform(0, 4, int(rng.integers(1, 12))))
    window = 0.35
    off = np.abs(due[:, None] - at[None, :]) / window
    value = np.where(off <= 1.0, 1.0 - 0.45 * off - 0.45 * np.minimum(1.0, 4 * off), 0.0)
    rows, cols = linear_sum_assignment(value, maximize=True)
    same = np.full(len(due), 60)
    found = same_pitch(due, same, at, np.full(len(at), 60), window_sec=window)
    mine = sum(value[i, j] for i, j in found)
    # In one dimension with a worth that falls with distance, crossing pairs gain at most a little;
    # the pairing must keep the order, so it may lie below the free optimum but never above.
    assert mine <= value[rows, cols].sum() + 1e-9
    assert mine == pytest.approx(_in_order_by_hand(value), abs=1e-9)


def _in_order_by_hand(value: np.ndarray) -> float:
    """Greatest worth of pairs in order, by the textbook recurrence over the whole table."""
    n, m = value.shape
    table = np.zeros((n + 1, m + 1))
    for i in range(n):
        for j in range(m):
            table[i + 1, j + 1] = max(table[i, j + 1], table[i + 1, j], table[i, j] + value[i, j])
    return float(table[-1, -1])


def test_timing_statistics_by_hand() -> None:
    """Offsets that are planted with no trend: numpy's own mean and median say the same."""
    riff = reference(drone=False, repeats=6)
    rng = np.random.default_rng(4)
    planted = rng.permutation(np.linspace(-16, 16, len(riff.notes)))
    notes = [later([n], float(ms) / 1000)[0] for n, ms in zip(played(riff), planted, strict=True)]
    comparison = compare(take(notes), riff)
    found = np.array([row.offset_ms for row in comparison.notes], dtype=float)
    assert np.corrcoef(found, planted)[0, 1] > 0.94
    summary = comparison.summary
    assert summary.bias_ms == pytest.approx(found.mean(), abs=1e-9)
    spread = 1.4826 * np.median(np.abs(found - np.median(found)))
    assert summary.spread_ms == pytest.approx(spread, abs=1e-9)
    assert summary.spread_ms == pytest.approx(1.4826 * np.median(np.abs(planted)), abs=3.0)


def test_tempo_against_the_slope_of_a_straight_line() -> None:
    """A take at an even tempo with scatter: numpy's least-squares line gives the same tempo."""
    riff = reference(drone=False, repeats=4)
    rng = np.random.default_rng(8)
    notes = [later([n], float(rng.normal(0, 0.006)))[0] for n in played(riff, ratio=0.87)]
    beats = np.array([n.onset_beat for n in riff.notes], dtype=float)
    slope = np.polyfit(beats, [n.onset_sec for n in notes], 1)[0]
    comparison = compare(take(notes), riff)
    assert comparison.summary.tempo_bpm == pytest.approx(60.0 / slope, rel=0.005)
    assert comparison.tempo_ratio == pytest.approx(60.0 / slope / BPM, rel=0.005)


def test_the_tolerance_stays_above_the_limit_of_hearing() -> None:
    """Friberg & Sundberg 1995: 2.5 % of the interval, 6 ms for short ones (from memory)."""
    assert just_noticeable_ms(100.0) == 6.0
    assert just_noticeable_ms(240.0) == pytest.approx(6.0)
    assert just_noticeable_ms(800.0) == pytest.approx(20.0)
    for interval in (60.0, 125.0, 250.0, 500.0, 1000.0, 3000.0):
        assert tolerance_ms(interval) > 2 * just_noticeable_ms(interval)
    # Longer notes are given more room, never less.
    allowed = [tolerance_ms(k) for k in (100.0, 300.0, 600.0, 900.0)]
    assert allowed == sorted(allowed)
    assert allowed[-1] > allowed[0]


def test_drone_level_against_the_amplitude_of_a_sine() -> None:
    """A sine of amplitude 0.1 is 20 log10 0.1 = -20 dB (definition of the decibel)."""
    from transcribe.takes.drone_verdict import pitch_level

    sr = 22050
    t = np.arange(2 * sr) / sr
    y = 0.1 * np.sin(2 * np.pi * 146.832 * t)  # D3, equal temperament at A4 = 440 Hz (ISO 16)
    y[sr:] *= 0.1
    times, level = pitch_level(y, sr=sr, pitch_midi=50)
    assert level[np.abs(times - 0.5).argmin()] == pytest.approx(-20.0, abs=0.5)
    assert level[np.abs(times - 1.5).argmin()] == pytest.approx(-40.0, abs=0.5)
    _, other = pitch_level(y, sr=sr, pitch_midi=56)
    assert other[np.abs(times - 0.5).argmin()] < -45.0


def test_a_take_replaced_note_by_note_changes_only_those_verdicts() -> None:
    """Hamming distance by hand: as many wrong verdicts as pitches that differ."""
    riff = reference(drone=False, repeats=3)
    rng = np.random.default_rng(2)
    notes = played(riff)
    changed = set(rng.choice(len(notes), 5, replace=False).tolist())
    for k in changed:
        notes[k] = replace(notes[k], pitch_midi=notes[k].pitch_midi + int(rng.choice([-1, 1])))
    found = {r.reference for r in compare(take(notes), riff).notes if r.verdict == "wrong"}
    assert found == changed
