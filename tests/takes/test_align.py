"""Following a take through long and repetitive references."""

from __future__ import annotations

import time

import numpy as np
import pytest

from transcribe.takes.align import align
from transcribe.takes.take_tempo import find_breaks, smooth_tempo
from transcribe.takes.timeline import Events, likely_transpositions, pace_of


def walk(n: int, seed: int = 0) -> Events:
    """A random line of single notes with uneven steps."""
    rng = np.random.default_rng(seed)
    # Folded, so that the line turns back at either end instead of staying there.
    pitch = 46 + np.abs((np.cumsum(rng.integers(-3, 4, n)) + 14) % 56 - 28)
    at = np.cumsum(rng.choice([0.25, 0.5, 0.5, 1.0], n))
    return Events(at, np.arange(n), tuple((int(p),) for p in pitch), np.ones(n))


def part(events: Events, keep: np.ndarray, *, ratio: float = 1.0) -> Events:
    """Some of the events, at another tempo, as a take."""
    sets = tuple(events.pitches[i] for i in keep)
    steps = np.diff(events.at[keep], prepend=events.at[keep[0]])
    steps[steps < 0] = 1.0
    return Events(np.cumsum(steps) / ratio, np.arange(len(keep)), sets, np.ones(len(keep)))


def test_a_long_reference_is_followed_in_a_band() -> None:
    written = walk(3000)
    keep = np.flatnonzero(np.random.default_rng(1).random(3000) > 0.05)
    runs, _ = align(part(written, keep, ratio=1.3), written, pace=1 / 1.3)
    pairs = [pair for run in runs for pair in run.pairs]
    right = sum(keep[j] == i for i, j in pairs)
    assert right > 0.99 * len(keep)


def test_a_jump_far_across_a_long_reference_is_found() -> None:
    written = walk(2000)
    keep = np.concatenate([np.arange(0, 300), np.arange(1500, 1900)])
    runs, _ = align(part(written, keep), written)
    assert [(r.first, r.last) for r in runs] == [(0, 299), (1500, 1899)]


def test_work_grows_no_faster_than_the_music() -> None:
    def seconds(n: int) -> float:
        written = walk(n)
        best = np.inf
        for _ in range(3):
            begin = time.process_time()
            align(written, written)
            best = min(best, time.process_time() - begin)
        return best

    # Four times the music; quadratic work would take sixteen times as long.
    assert seconds(4800) / seconds(1200) < 8.0


@pytest.mark.parametrize("ratio", [0.5, 0.75, 1.0, 1.4, 2.0])
def test_pace_is_voted_within_a_few_percent(ratio: float) -> None:
    written = walk(60)
    keep = np.array([i for i in range(60) if i % 9 != 4])
    assert pace_of(part(written, keep, ratio=ratio), written) == pytest.approx(1 / ratio, rel=0.03)


def test_no_shift_is_named_without_reason() -> None:
    written = walk(40)
    assert likely_transpositions(written, written)[0] == 0
    higher = Events(
        written.at, written.of, tuple((p[0] + 5,) for p in written.pitches), written.weight
    )
    assert likely_transpositions(higher, written)[0] == 5
    assert 0 in likely_transpositions(higher, written)
    empty = Events(np.zeros(0), np.zeros(0, dtype=int), (), np.zeros(0))
    assert likely_transpositions(empty, written) == (0,)
    assert pace_of(empty, written) == 1.0
    assert align(empty, written) == ([], 0.0)


def test_smooth_leaves_a_late_note_out_of_its_own_line() -> None:
    x = np.arange(20) * 0.5
    t = 1.0 + 1.1 * x
    t[9] += 0.15
    due, pace = smooth_tempo(x, t, x, pace=1.1)
    assert t[9] - due[9] == pytest.approx(0.15, abs=0.002)
    assert np.delete(t - due, 9) == pytest.approx(0.0, abs=0.002)
    assert pace == pytest.approx(1.1, abs=0.01)


def test_breaks_tell_a_pause_from_a_late_note() -> None:
    x = np.arange(16) * 0.5
    late = x.copy()
    late[7] += 0.2
    assert find_breaks(x, late, pace=1.0, beat_sec=0.5) == []
    paused = x.copy()
    paused[7:] += 0.6
    assert find_breaks(x, paused, pace=1.0, beat_sec=0.5) == [7]
