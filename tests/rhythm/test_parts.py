"""The stages by themselves: events, tempo curve, places, values, levels."""

from __future__ import annotations

import numpy as np
import pytest

from transcribe.core.riff import Note
from transcribe.rhythm import count_in, find_rhythm
from transcribe.rhythm.bar_evidence import (
    MARKS,
    METERS,
    bar_evidence,
    find_accents,
    groupings,
    levels,
    nearest_repeats,
    repeats_fit,
)
from transcribe.rhythm.beats import TICKS, smooth, track
from transcribe.rhythm.events import group_events, ringing_pitches
from transcribe.rhythm.quantise import (
    PER_BEAT,
    quantise_durations,
    quantise_onsets,
    swing_ticks,
    unswing_ticks,
)


def _notes(*rows: tuple[float, float, int]) -> tuple[Note, ...]:
    return tuple(Note(i + 1, a, b, p) for i, (a, b, p) in enumerate(rows))


def test_group_keeps_chords_together_and_repeated_pitches_apart() -> None:
    events = group_events(_notes((0.0, 1, 40), (0.04, 1, 47), (0.3, 1, 40), (0.33, 1, 40)))
    assert events.members == ((0, 1), (2,), (3,))
    assert events.onset_sec[0] == pytest.approx(0.02)
    assert list(events.owner) == [0, 0, 1, 2]


def test_a_drone_rings_under_notes_that_do_not() -> None:
    drone = [(float(k), k + 0.95, 45) for k in range(6)]
    melody = [(k / 2, k / 2 + 0.45, 57 + k % 5) for k in range(12)]
    assert ringing_pitches(_notes(*sorted(drone + melody))) == {45}


def test_a_drone_may_lie_on_top() -> None:
    drone = [(float(k), k + 0.95, 64) for k in range(6)]
    melody = [(k / 2, k / 2 + 0.45, 50 + k % 5) for k in range(12)]
    assert ringing_pitches(_notes(*sorted(drone + melody))) == {64}


def test_where_everything_rings_nothing_is_a_drone() -> None:
    notes = [(k / 2, k / 2 + 1.6, 45 if k % 4 == 0 else 57 + k % 4) for k in range(24)]
    assert ringing_pitches(_notes(*notes)) == frozenset()


def test_harmony_turns_on_the_stroke_with_another_chord() -> None:
    """Em C G, three strokes each; one of them misses a string."""
    chords = [(40, 47, 52, 55, 59, 64), (48, 52, 55, 60, 64), (43, 47, 50, 55, 59, 67)]
    chords = [c for chord in chords for c in (chord, chord[1:], chord)]
    events = group_events(
        _notes(*[(0.5 * k, 0.5 * k + 0.45, p) for k, chord in enumerate(chords) for p in chord])
    )
    turn = find_accents(events, np.diff(events.onset_sec))["turn"]
    assert np.flatnonzero(turn).tolist() == [3, 6]


def test_track_reads_a_grid_up_to_its_level() -> None:
    rng = np.random.default_rng(3)
    ticks = np.cumsum(np.array([6, 6, 12, 3, 3, 6] * 8))
    onset = 0.4 + ticks / 12 * 0.6 + rng.normal(0, 0.008, len(ticks))
    best = track(onset)[0]
    ratio = np.polyfit(ticks, best.ticks, 1)[0]
    assert np.abs(best.ticks - best.ticks[0] - ratio * (ticks - ticks[0])).max() < 0.6


def test_track_leaves_out_what_fits_nowhere() -> None:
    onset = 0.5 + 0.4 * np.arange(24)
    spoiled = np.sort(np.append(onset, [2.62, 5.83]))
    best = track(spoiled, skip_cost=np.full(26, 5.0))[0]
    kept = best.ticks[~best.skipped]
    strays = np.isin(spoiled, [2.62, 5.83])
    assert best.skipped.sum() <= 2
    assert len(set(np.diff(best.ticks[~strays]))) == 1
    assert np.all(np.diff(kept) > 0)


@pytest.mark.parametrize("count", [0, 1])
def test_track_of_too_few_onsets_is_empty(count: int) -> None:
    assert track(np.arange(count, dtype=float)) == []


def test_smooth_follows_drift_and_averages_jitter() -> None:
    rng = np.random.default_rng(5)
    period = 0.5 * (1 + 0.05 * np.sin(np.arange(80) / 8))
    true = np.concatenate([[0], np.cumsum(period)])
    played = true[:80] + rng.normal(0, 0.008, 80)
    grid = smooth(played, TICKS * np.arange(80))
    found = grid.at(TICKS * np.arange(80))
    assert np.abs(found - true[:80]).mean() < 0.75 * np.abs(played - true[:80]).mean()
    assert np.abs(found - true[:80]).max() < 0.02


def test_grid_at_and_tick_are_inverse_beyond_its_ends_too() -> None:
    grid = smooth(np.array([0.0, 0.5, 1.1, 1.6]), TICKS * np.arange(4))
    ticks = np.linspace(-40, 90, 27)
    assert grid.tick(grid.at(ticks)) == pytest.approx(ticks)


@pytest.mark.parametrize("swing", [0.5, 0.6, 2 / 3])
def test_sounding_and_written_are_inverse(swing: float) -> None:
    ticks = np.arange(-30, 60, dtype=float)
    assert unswing_ticks(swing_ticks(ticks, swing), swing) == pytest.approx(ticks)
    assert swing_ticks(np.array([12.0]), swing)[0] == pytest.approx(PER_BEAT * swing)


def _place(beats: list[float], seed: int, jitter_sec: float = 0.008) -> np.ndarray:
    rng = np.random.default_rng(seed)
    beat = np.array(beats)
    onset = 1.0 + 0.6 * beat + rng.normal(0, jitter_sec, len(beat))
    grid = smooth(onset, PER_BEAT * beat, step=PER_BEAT)
    return quantise_onsets(onset, grid, meter=(4, 4)).ticks / PER_BEAT


@pytest.mark.parametrize("seed", range(6))
def test_place_reads_mixed_values(seed: int) -> None:
    bar = [0, 0.5, 1, 1.25, 1.5, 1.75, 2, 2 + 1 / 3, 2 + 2 / 3, 3, 3.75]
    beats = [4 * k + b for k in range(5) for b in bar]
    assert _place(beats, seed) == pytest.approx(beats, abs=1e-6)


def test_place_beats_rounding_note_by_note() -> None:
    """Against the plain way: each onset to the nearest quarter or third of its true beat."""
    bar = [0, 1 / 3, 2 / 3, 1, 1.5, 2, 2.25, 2.5, 2.75, 3, 3 + 1 / 3, 3 + 2 / 3]
    beats = np.array([4 * k + b for k in range(8) for b in bar])
    rng = np.random.default_rng(11)
    spots = np.array([0, 3, 4, 6, 8, 9, 12]) / 12
    model = plain = 0
    for _ in range(10):
        onset = 1.0 + 0.45 * beats + rng.normal(0, 0.014, len(beats))
        grid = smooth(onset, PER_BEAT * beats, step=PER_BEAT)
        found = quantise_onsets(onset, grid, meter=(4, 4)).ticks / PER_BEAT
        exact = (onset - 1.0) / 0.45
        whole = np.floor(exact)
        near = spots[np.argmin(np.abs((exact - whole)[:, None] - spots[None]), axis=1)]
        model += int(np.sum(np.abs(found - beats) < 0.01))
        plain += int(np.sum(np.abs(whole + near - beats) < 0.01))
    assert model > plain
    assert model > 0.97 * 10 * len(beats)


def test_places_rise_even_where_onsets_crowd() -> None:
    onset = np.sort(np.concatenate([0.5 + 0.5 * np.arange(12), [1.53, 2.56, 2.61]]))
    grid = smooth(0.5 + 0.5 * np.arange(12), PER_BEAT * np.arange(12), step=PER_BEAT)
    assert np.all(np.diff(quantise_onsets(onset, grid, meter=(4, 4)).ticks) >= 0)


def _values(rows: list[tuple[float, float, int]]) -> list[float]:
    """Durations in beats of notes given as (onset beat, beats sounded, pitch) at 60 bpm."""
    rows = sorted(rows)
    notes = _notes(*[(1 + a, 1 + a + d, p) for a, d, p in rows])
    events = group_events(notes)
    onset = events.onset_sec
    beats = np.round((onset - 1) * 12) / 12
    grid = smooth(onset, PER_BEAT * beats, step=PER_BEAT)
    placed = quantise_onsets(onset, grid, meter=(4, 4))
    return [v / PER_BEAT for v in quantise_durations(notes, events, placed, (4, 4))]


def test_values_run_to_the_next_note_of_a_line() -> None:
    assert _values([(0, 0.85, 60), (1, 0.45, 62), (1.5, 0.42, 64), (2, 1.9, 65)])[:3] == [
        1,
        0.5,
        0.5,
    ]


def test_values_leave_a_rest_where_a_note_is_cut_short() -> None:
    assert _values([(0, 0.95, 60), (2, 0.95, 62), (4, 0.46, 64), (6, 1.0, 60)])[:3] == [1, 1, 0.5]


def test_values_of_a_staccato_take_are_written_full() -> None:
    assert _values([(k / 2, 0.22, 57 + k % 5) for k in range(16)])[:15] == [0.5] * 15


def test_values_let_a_drone_ring_under_the_melody() -> None:
    drone = [(float(4 * k), 3.8, 45) for k in range(4)]
    melody = [(k / 2, 0.46, 57 + k % 5) for k in range(32)]
    found = dict(zip([r[2] for r in sorted(drone + melody)], _values(drone + melody), strict=True))
    assert found[45] == 4.0
    assert found[57] == 0.5


def test_values_write_what_rings_on_up_to_the_next_note() -> None:
    notes = [(k / 2, 1.7, 45 + (k * 7) % 24) for k in range(16)]
    assert _values(notes)[:12] == [0.5] * 12


@pytest.mark.parametrize("meter", METERS)
def test_groupings_add_up_and_levels_have_one_downbeat(meter: tuple[int, int]) -> None:
    for groups in groupings(meter):
        assert sum(groups) == meter[0]
        level = levels(meter, groups)
        assert len(level) == TICKS * meter[0]
        assert np.flatnonzero(level == 0).tolist() == [0]
        assert np.count_nonzero(level == 1) == len(groups) - 1


def _taps(times: list[float], *, noise: float = 1e-3, sr: int = 22050) -> np.ndarray:
    rng = np.random.default_rng(2)
    y = rng.normal(0, noise, int(4 * sr))
    for t in times:
        n = int(0.03 * sr)
        start = int(t * sr)
        y[start : start + n] += rng.normal(0, 0.2, n) * np.exp(-np.arange(n) / (0.006 * sr))
    return y


def test_taps_before_the_first_note_are_found() -> None:
    times = [0.5, 1.0, 1.5, 2.0]
    assert count_in.from_audio(_taps(times), sr=22050, first_sec=2.5) == pytest.approx(
        times, abs=0.02
    )


@pytest.mark.parametrize("times", [[], [1.0], [0.5, 0.7, 1.6, 2.1], [0.5, 1.0, 1.5, 2.33]])
def test_other_noises_are_no_count_in(times: list[float]) -> None:
    assert count_in.from_audio(_taps(times), sr=22050, first_sec=2.5) == ()


def test_dead_notes_in_the_music_are_no_count_in() -> None:
    notes = [Note(i, 0.5 * i, 0.5 * i + 0.1, 40, articulation="dead") for i in range(3)]
    played = [Note(9, 3.17, 3.5, 50)]
    assert count_in.from_notes([*notes, *played]) == 0
    assert count_in.from_notes(notes) == 0


def test_the_nearest_twin_is_found_not_the_farther_one() -> None:
    # A A B A: the last A lies two phrases after the second one, not three after the first.
    phrase = [57, 59, 60, 59, 57, 55, 54, 55]
    other = [64, 62, 60, 58, 61, 63, 65, 66]
    pitches = [*phrase, *phrase, *other, *phrase]
    events = group_events(_notes(*((0.5 * k, 0.5 * k + 0.4, p) for k, p in enumerate(pitches))))
    lags = nearest_repeats(events, np.arange(32) * TICKS, 32 * TICKS) / TICKS
    assert list(lags[:8]) == [0] * 8
    assert list(lags[8:16]) == [8] * 8
    assert list(lags[24:]) == [16] * 8


def test_twins_speak_for_bars_that_divide_them() -> None:
    lags = np.full(20, 8.0)
    fits, off, even = repeats_fit(lags, 4)
    assert (fits, off, even) == (20 / 23, 0.0, 20 / 23)
    assert repeats_fit(lags, 3)[:2] == (0.0, 20 / 23)
    # Half a bar that comes again is at home in the bar too, but six bars are no usual phrase.
    assert repeats_fit(np.full(20, 2.0), 4)[0] == 20 / 23
    assert repeats_fit(np.full(20, 24.0), 4)[2] == 0.0


@pytest.mark.parametrize("meter", [(4, 4), (3, 4), (6, 8)])
def test_loudness_between_beats_tells_a_beat_from_half_of_it(meter: tuple[int, int]) -> None:
    """Every second event is struck harder: read with those as beats, and with beats half as long
    or twice as long, where strong events lie between the beats or weak ones on them."""

    def soft(step: int) -> float:
        """Loudness half way between beats when events come every ``step`` ticks."""
        strengths = np.zeros((len(MARKS), 48))
        strengths[MARKS.index("loud")] = np.tile([1.0, -1.0], 24)
        marks = {k: np.zeros(48, dtype=bool) for k in MARKS}
        found = bar_evidence(step * np.arange(48), marks, strengths, meter)
        return float(found["loud_half"][0])

    right = 6 if meter[1] == 4 else 12
    assert soft(right) < -1.0
    assert soft(right // 2) > soft(right) + 1.0


def test_a_note_that_sounds_most_of_the_way_is_written_up_to_the_next() -> None:
    """Quarters that ring over into the next, and two that stop at 84 % of the way to it."""
    line = (57, 59, 60, 62, 64, 62, 60, 59) * 2
    notes = tuple(
        Note(k, 0.5 * k, 0.5 * k + (0.42 if k in (5, 10) else 0.7), pitch)
        for k, pitch in enumerate(line)
    )
    _, placed = find_rhythm(notes, duration_sec=9.0, bpm=120.0, meter=(4, 4), drone_midi=())
    assert {note.duration_beat for note in placed[:-1]} == {1.0}
