"""find_rhythm as a whole: what it is told is obeyed, what it finds is the score."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import numpy as np
import pytest

from tests.bench.rhythm import beat_f, exact_values, render, repeats
from tests.bench.rhythm_riffs import KINDS, METERS, make_riff, spoil
from tests.bench.theory_riffs import picked
from transcribe.core.errors import ParameterError
from transcribe.core.riff import Note
from transcribe.rhythm import find_rhythm

STEADY = tuple(Note(i + 1, 0.5 + 0.5 * i, 0.95 + 0.5 * i, 52 + i % 4) for i in range(24))


def _played(
    beats: Sequence[tuple[float, float]],
    *,
    bpm: float,
    start_sec: float = 0.5,
    pitches: list[int] | None = None,
    jitter_sec: float = 0.0,
    seed: int = 0,
) -> tuple[Note, ...]:
    """Notes for (onset, duration) in beats, played nine tenths as long as written."""
    rng = np.random.default_rng(seed)
    out = []
    for k, (onset, length) in enumerate(beats):
        at = start_sec + onset * 60 / bpm + rng.normal(0, jitter_sec)
        pitch = 52 + (k * 5) % 7 if pitches is None else pitches[k]
        out.append(Note(k + 1, at, at + 0.9 * length * 60 / bpm, pitch))
    return tuple(out)


def test_no_notes_give_an_empty_rhythm_and_no_notes() -> None:
    rhythm, notes = find_rhythm((), duration_sec=3.0, bpm=87.0, meter=(3, 4))
    assert notes == ()
    assert (rhythm.bpm, rhythm.meter, rhythm.beats_sec) == (87.0, (3, 4), ())


@pytest.mark.parametrize("count", [1, 2, 3])
def test_few_notes_get_a_score_time(count: int) -> None:
    rhythm, notes = find_rhythm(STEADY[:count], duration_sec=3.0)
    assert [n.id for n in notes] == list(range(1, count + 1))
    assert all(n.onset_beat is not None and n.duration_beat > 0 for n in notes)
    assert rhythm.beats_sec[0] <= notes[0].onset_sec + 0.05


# A swung one, pickups, a count-in, a drone, and every meter but 2/4 among them.
@pytest.mark.parametrize("seed", [2, 4, 5, 9, 11, 19])
def test_the_document_is_consistent(seed: int) -> None:
    truth = make_riff(seed)
    rhythm, notes = find_rhythm(truth.bare, duration_sec=truth.duration_sec)
    beats = np.array(rhythm.beats_sec)
    assert np.all(np.diff(beats) > 0)
    assert set(rhythm.downbeats_sec) <= set(rhythm.beats_sec)
    zero = rhythm.beats_sec.index(rhythm.downbeats_sec[0])
    number = np.arange(len(beats)) - zero
    assert list(beats[(number >= 0) & (number % rhythm.meter[0] == 0)]) == list(
        rhythm.downbeats_sec
    )
    for before, after in zip(truth.bare, notes, strict=True):
        # Performance times and everything else stay as they were.
        as_played = dataclasses.replace(after, onset_beat=None, duration_beat=None, stroke=None)
        assert as_played == before
        assert after.onset_beat * 24 == pytest.approx(round(after.onset_beat * 24), abs=1e-6)
        assert after.duration_beat * 24 >= 3 - 1e-6
    # The score times and the beats in seconds tell the same story.
    if rhythm.swing is None:
        inside = [n for n in notes if number[0] <= n.onset_beat <= number[-1]]
        off = [np.interp(n.onset_beat, number, beats) - n.onset_sec for n in inside]
        assert np.percentile(np.abs(off), 90) < 0.04


@pytest.mark.parametrize("bpm", [75.0, 120.25, 150.0])
def test_bpm_is_obeyed(bpm: float) -> None:
    beats = [(0.5 * k, 0.5) for k in range(32)]
    notes = _played(beats, bpm=120.0)
    rhythm, _ = find_rhythm(notes, duration_sec=9.0, bpm=bpm)
    assert rhythm.bpm == bpm


def test_half_and_double_tempo_can_be_asked_for() -> None:
    notes = _played([(0.5 * k, 0.5) for k in range(32)], bpm=100.0)
    slow, at_50 = find_rhythm(notes, duration_sec=11.0, bpm=50.0)
    fast, at_200 = find_rhythm(notes, duration_sec=11.0, bpm=200.0)
    assert at_50[0].duration_beat == 0.25
    assert at_200[0].duration_beat == 1.0
    assert np.diff(slow.beats_sec).mean() == pytest.approx(1.2, rel=0.02)
    assert np.diff(fast.beats_sec).mean() == pytest.approx(0.3, rel=0.02)


@pytest.mark.parametrize("meter", [*METERS, (12, 8), (2, 2), (3, 8)])
def test_meter_is_obeyed(meter: tuple[int, int]) -> None:
    truth = make_riff(3, kind="line", meter=(4, 4), taps=False)
    rhythm, _ = find_rhythm(truth.bare, duration_sec=truth.duration_sec, meter=meter)
    assert rhythm.meter == meter
    zero = rhythm.beats_sec.index(rhythm.downbeats_sec[0])
    assert rhythm.beats_sec[zero :: meter[0]] == rhythm.downbeats_sec


@pytest.mark.parametrize("shift", [0.0, 1.0, 2.5, -0.2])
def test_first_beat_is_obeyed(shift: float) -> None:
    start = 0.5 + shift * 0.5
    rhythm, notes = find_rhythm(STEADY, duration_sec=13.0, first_beat_sec=start, bpm=120.0)
    assert rhythm.downbeats_sec[0] == start
    assert start in rhythm.beats_sec
    assert notes[0].onset_beat == pytest.approx(-shift, abs=0.26)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"bpm": 0.0}, "bpm is 0; give 20 to 600 beats a minute"),
        ({"bpm": float("nan")}, "bpm is nan; give 20 to 600 beats a minute"),
        ({"meter": (4, 5)}, "meter.*expected"),
        ({"meter": (0, 4)}, "meter.*expected"),
        ({"first_beat_sec": -1.0}, "first_beat_sec.*expected"),
        ({"first_beat_sec": 99.0}, "first_beat_sec.*expected"),
    ],
)
def test_bad_arguments_say_what_is_expected(arguments: dict, message: str) -> None:
    with pytest.raises(ParameterError, match=message):
        find_rhythm(STEADY, duration_sec=13.0, **arguments)


def test_a_pickup_has_negative_beats() -> None:
    # One eighth before the bar, then bars that open on a low long note.
    bar = [(0.0, 1.0), (1.0, 0.5), (1.5, 0.5), (2.0, 1.0), (3.0, 0.5), (3.5, 0.5)]
    low = [40, 52, 55, 57, 55, 52]
    beats, pitches = [(-0.5, 0.5)], [59]
    for k in range(6):
        beats += [(4 * k + b, d) for b, d in bar]
        pitches += low
    rhythm, notes = find_rhythm(
        _played(beats, bpm=100.0, pitches=pitches, jitter_sec=0.006, start_sec=0.8),
        duration_sec=16.0,
    )
    assert notes[0].onset_beat == -0.5
    assert notes[1].onset_beat == 0.0
    assert rhythm.meter == (4, 4)
    assert rhythm.pickup_beats == 0.5


def test_drift_of_six_percent_is_followed() -> None:
    rng = np.random.default_rng(4)
    period = 0.6 * (1 + 0.06 * np.sin(np.arange(64) * 2 * np.pi / 32))
    beat_sec = 0.5 + np.concatenate([[0], np.cumsum(period)])
    onsets = [(float(k), beat_sec[k]) for k in range(64)]
    onsets += [(k + 0.5, (beat_sec[k] + beat_sec[k + 1]) / 2) for k in range(0, 64, 2)]
    notes = [
        Note(i + 1, t + rng.normal(0, 0.008), t + 0.25, 50 + int(b) % 4 * 2)
        for i, (b, t) in enumerate(sorted(onsets))
    ]
    rhythm, found = find_rhythm(notes, duration_sec=42.0)
    assert beat_f(beat_sec[:64], rhythm.beats_sec) > 0.97
    assert [n.onset_beat - found[0].onset_beat for n in found] == [b for b, _ in sorted(onsets)]


@pytest.mark.parametrize("seed", range(5))
def test_jitter_never_makes_a_sixty_fourth(seed: int) -> None:
    beats = [(0.25 * k, 0.25) for k in range(64)]
    notes = _played(beats, bpm=80.0, jitter_sec=0.012, seed=seed)
    _, found = find_rhythm(notes, duration_sec=13.0, bpm=80.0, meter=(4, 4))
    assert {n.duration_beat for n in found[:-1]} == {0.25}


def test_chords_are_one_event_however_they_are_strummed() -> None:
    notes = []
    for k in range(16):
        for string in range(5):
            at = 0.5 + 0.6 * k + 0.009 * string
            notes.append(Note(len(notes) + 1, at, at + 0.55, 45 + 5 * string + k % 2))
    _, found = find_rhythm(notes, duration_sec=11.0)
    onsets = [n.onset_beat for n in found]
    assert len(set(onsets)) == 16
    assert all(len(set(onsets[5 * k : 5 * k + 5])) == 1 for k in range(16))


def test_swing_is_stated_and_written_straight() -> None:
    notes = []
    for k in range(32):
        for part, at in ((0.0, 0.0), (0.5, 0.64)):
            t = 0.5 + 0.5 * (k + at)
            notes.append(Note(len(notes) + 1, t, t + 0.2, 52 + (3 * k + int(2 * part)) % 8))
    rhythm, found = find_rhythm(notes, duration_sec=17.0)
    assert rhythm.swing.ratio == pytest.approx(0.64 / 0.36, abs=0.15)
    assert {n.onset_beat % 1 for n in found} == {0.0, 0.5}


def test_straight_notes_do_not_swing_and_triplets_stay_triplets() -> None:
    beats = []
    for k in range(12):
        parts = (0, 1 / 3, 2 / 3) if k % 3 else (0, 0.5)
        beats += [(k + p, 1 / len(parts)) for p in parts]
    rhythm, found = find_rhythm(
        _played(beats, bpm=90.0, jitter_sec=0.008), duration_sec=9.0, bpm=90.0, meter=(3, 4)
    )
    assert rhythm.swing is None
    assert [n.onset_beat for n in found] == pytest.approx([b for b, _ in beats], abs=1e-6)


def test_a_count_in_of_dead_notes_is_not_music() -> None:
    taps = [Note(900 + k, 0.4 + 0.6 * k, 0.45 + 0.6 * k, 40, articulation="dead") for k in range(4)]
    bar = [(0.0, 1.0), (1.0, 0.5), (1.5, 0.5), (2.0, 1.0), (3.0, 1.0)]
    beats = [(4 * k + b, d) for k in range(4) for b, d in bar]
    music = _played(beats, bpm=100.0, start_sec=0.4 + 4 * 0.6)
    rhythm, found = find_rhythm([*taps, *music], duration_sec=13.0)
    by_id = {n.id: n for n in found}
    assert by_id[1].onset_beat == 0.0
    assert rhythm.downbeats_sec[0] == pytest.approx(2.8, abs=0.03)
    assert rhythm.count_in_sec == pytest.approx([0.4, 1.0, 1.6, 2.2])
    assert [by_id[900 + k].onset_beat for k in range(4)] == [-4.0, -3.0, -2.0, -1.0]
    assert rhythm.phrases[0].start_beat == 0.0


def test_foot_taps_in_the_sound_decide_the_tempo() -> None:
    # Even notes alone could be quarters or eighths; the taps say that they are eighths.
    truth = make_riff(8, kind="line", meter=(4, 4), pulse=84, taps=True, pickup=False, swing=False)
    y, sr = render(truth)
    rhythm, _ = find_rhythm(truth.bare, duration_sec=truth.duration_sec, y=y, sr=sr)
    assert rhythm.count_in_sec == pytest.approx(list(truth.taps_sec), abs=0.03)
    assert abs(rhythm.bpm / truth.bpm - 1) < 0.04


def test_choices_are_ranked_and_hold_half_or_double() -> None:
    # Even notes alone could be quarters or eighths.
    pitches = (57, 60, 62, 64, 67, 64, 62, 60) * 2
    notes = [Note(k, 0.42 * k + 0.3, 0.42 * k + 0.7, p) for k, p in enumerate(pitches, 1)]
    rhythm, _ = find_rhythm(notes, duration_sec=8.0)
    choices = rhythm.bpm_choices
    shares = [c.confidence for c in choices]
    assert shares == sorted(shares, reverse=True)
    ratios = [c.bpm / choices[0].bpm for c in choices[1:]]
    assert any(abs(r - 2) < 0.1 or abs(r - 0.5) < 0.03 for r in ratios)
    meters = rhythm.meter_choices
    assert {m.meter for m in meters} == set(METERS)
    assert meters[0].meter == rhythm.meter


def test_a_lick_of_four_bars_is_in_four() -> None:
    # Quarters and eighths of a pentatonic, the last note held: 16 beats are four bars of four.
    beats = (0, 0.5, 1, 2, 2.5, 3, 3.5, 4, 5, 5.5, 6, 7, 8, 8.5, 9, 10, 10.5, 11, 11.5, 12, 13, 14)
    pitches = (
        57,
        60,
        62,
        64,
        62,
        60,
        57,
        55,
        57,
        60,
        62,
        64,
        57,
        60,
        62,
        67,
        64,
        62,
        60,
        62,
        60,
        57,
    )
    ends = (*beats[1:], 16)
    notes = [
        Note(k, 0.3 + 0.6 * on, 0.3 + 0.6 * end - 0.03, pitch)
        for k, (on, end, pitch) in enumerate(zip(beats, ends, pitches, strict=True), 1)
    ]
    rhythm, placed = find_rhythm(notes, duration_sec=10.5)
    assert rhythm.meter == (4, 4)
    assert rhythm.bpm == pytest.approx(100, rel=0.02)
    assert [note.onset_beat for note in placed] == list(beats)


@pytest.mark.parametrize("seed", range(79, 87))
def test_six_bars_of_picked_chords_are_in_four(seed: int) -> None:
    # Eight picked eighths a bar, a chord a bar: neither 2/4 nor chords of half a bar.
    played = picked(seed)
    end = 6 * 4
    notes = [
        Note(k, on + 0.3, on + 0.3 + length, pitch)
        for k, (on, length, pitch) in enumerate(
            zip(played.onset, played.duration, played.pitch, strict=True), 1
        )
        if on < played.beats[1] * end
    ]
    rhythm, _ = find_rhythm(notes, duration_sec=notes[-1].offset_sec)
    assert rhythm.meter == (4, 4)
    assert rhythm.bpm == pytest.approx(60 / played.beats[1], rel=0.02)
    assert rhythm.downbeats_sec[0] == pytest.approx(0.3, abs=0.05)


@pytest.mark.parametrize(
    ("seed", "kind", "meter", "pulse"),
    [(7015, "strum", (4, 4), 120), (7020, "drone", (3, 4), 70), (7024, "drone", (6, 8), 70)],
)
def test_a_riff_played_eight_times_over_keeps_its_tempo(
    seed: int, kind: str, meter: tuple[int, int], pulse: float
) -> None:
    truth = make_riff(seed, kind=kind, meter=meter, pulse=pulse, taps=False, pickup=False)
    first, last = truth.downbeats_sec[0], truth.downbeats_sec[-1]
    once = [n for n in truth.bare if first - 0.05 <= n.onset_sec < last - 0.05]
    notes = [
        dataclasses.replace(
            n,
            id=10_000 * k + n.id,
            onset_sec=n.onset_sec + k * (last - first),
            offset_sec=n.offset_sec + k * (last - first),
        )
        for k in range(8)
        for n in once
    ]
    rhythm, _ = find_rhythm(notes, duration_sec=notes[-1].offset_sec + 1)
    assert rhythm.meter == meter
    assert abs(rhythm.bpm / truth.bpm - 1) < 0.05


@pytest.mark.parametrize("kind", KINDS)
def test_riffs_of_every_kind_are_read(kind: str) -> None:
    """Floors well under what the bench measures: a broken stage falls far below them."""
    tempo, beats, values, pairs, hit = [], [], [], 0, 0
    for seed in (700, 701, 703, 706, 708):  # 3/4, 4/4, 7/8, 5/4 and 6/8
        truth = make_riff(seed, kind=kind)
        told = find_rhythm(
            truth.bare, duration_sec=truth.duration_sec, bpm=truth.bpm, meter=truth.meter
        )
        free, _ = find_rhythm(truth.bare, duration_sec=truth.duration_sec)
        tempo.append(abs(free.bpm / truth.bpm - 1) < 0.04)
        beats.append(beat_f(truth.beats_sec, free.beats_sec))
        values.append(exact_values(truth.notes, told[1]))
        found = repeats(truth, told[0])
        pairs, hit = pairs + found[0], hit + found[1]
    assert np.mean(tempo) >= 0.6
    assert np.mean(beats) >= 0.75
    assert np.mean(values) >= 0.8
    assert hit >= 0.75 * pairs


def test_missed_and_added_notes_leave_the_rest_in_place() -> None:
    scores = []
    for seed in range(8):
        truth = make_riff(800 + seed, meter=(4, 4), swing=False)
        played = spoil(truth, seed)
        _, found = find_rhythm(
            played.bare, duration_sec=truth.duration_sec, bpm=truth.bpm, meter=truth.meter
        )
        by_id = {n.id: n for n in found}
        kept = [n for n in truth.notes if n.id in by_id]
        shifts = [by_id[n.id].onset_beat - n.onset_beat for n in kept]
        usual = max(set(shifts), key=shifts.count)
        scores.append(np.mean([abs(s - usual) < 0.01 for s in shifts]))
    assert np.mean(scores) > 0.9


def test_time_grows_in_step_with_the_riff() -> None:
    """Four times the notes may take at most eight times as long (measured in one run)."""
    import time

    def cost(count: int) -> float:
        rng = np.random.default_rng(1)
        notes = [
            Note(i + 1, 0.5 + 0.25 * i + rng.normal(0, 0.006), 0.7 + 0.25 * i, 50 + i * 7 % 12)
            for i in range(count)
        ]
        start = time.process_time()
        find_rhythm(notes, duration_sec=0.3 * count)
        return time.process_time() - start

    cost(100)  # imports
    small = min(cost(300) for _ in range(2))
    assert cost(1200) < 8 * small


def test_progress_is_reported_from_start_to_end() -> None:
    seen: list[tuple[str, float]] = []
    find_rhythm(
        STEADY, duration_sec=13.0, progress=lambda stage, share: seen.append((stage, share))
    )
    shares = [s for _, s in seen]
    assert shares[0] == 0.0
    assert shares[-1] == 1.0
    assert shares == sorted(shares)
    assert not any(math.isnan(s) for s in shares)


def test_an_odd_triplet_does_not_make_six_eighths() -> None:
    """Quarters and eighths with one triplet in each second bar, no accents."""
    beats, pitches = [], []
    for bar in range(8):
        figures = [(0, 1), (0, 2), (0, 1), (0, 3) if bar % 2 else (0, 2)]
        for beat, (_, parts) in enumerate(figures):
            beats += [(4 * bar + beat + k / parts, 1 / parts) for k in range(parts)]
    walk = [57, 59, 60, 62, 64, 62, 60, 59, 55, 57, 59, 52, 55]
    pitches = [walk[k % 13] for k in range(len(beats))]
    rhythm, _ = find_rhythm(
        _played(beats, bpm=100.0, pitches=pitches, jitter_sec=0.006), duration_sec=20.5
    )
    assert rhythm.meter[1] == 4
    assert rhythm.bpm == pytest.approx(100.0, rel=0.04)


def test_threes_all_through_are_six_eighths() -> None:
    """A bass note opens each group of three."""
    bar = [(0, 2), (2, 1), (3, 1), (4, 1), (5, 1)]
    beats = [(6 * k + b, d) for k in range(8) for b, d in bar]
    pitches = [p + (k // 5 % 2) * 2 for k, p in enumerate([45, 57, 45, 60, 59] * 8)]
    rhythm, _ = find_rhythm(
        _played(beats, bpm=240.0, pitches=pitches, jitter_sec=0.006), duration_sec=13.0
    )
    assert rhythm.meter == (6, 8)
    assert rhythm.bpm == pytest.approx(240.0, rel=0.04)


@pytest.mark.parametrize(("meter", "said", "bpm"), [(None, 82.0, 246.0), ((6, 8), 246.0, 246.0)])
def test_a_tempo_may_count_dotted_beats_where_no_meter_is_given(
    meter: tuple[int, int] | None, said: float, bpm: float
) -> None:
    bar = [(0, 2), (2, 1), (3, 1), (4, 1), (5, 1)]
    beats = [(6 * k + b, d) for k in range(8) for b, d in bar]
    pitches = [p + (k // 5 % 2) * 2 for k, p in enumerate([45, 57, 45, 60, 59] * 8)]
    notes = _played(beats, bpm=240.0, pitches=pitches, jitter_sec=0.006)
    rhythm, _ = find_rhythm(notes, duration_sec=13.0, bpm=said, meter=meter)
    assert (rhythm.meter, rhythm.bpm) == ((6, 8), bpm)


_PICKED = (  # four bars of chords picked in eighths, the bass on the first beat of each
    *(45, 55, 60, 64, 52, 55, 60, 64),
    *(50, 57, 60, 65, 57, 60, 65, 60),
    *(43, 55, 59, 65, 50, 55, 59, 65),
    *(48, 55, 59, 64, 52, 55, 59, 64),
)


@pytest.mark.parametrize("pause_beats", [6.5, 7.0, 8.0, 9.25, 11.5])
def test_playing_after_a_pause_begins_at_a_bar_of_its_own(pause_beats: float) -> None:
    one = [k / 2 for k in range(32)]
    again = one[-1] + 0.5 + pause_beats
    onsets = [*one, *(again + at for at in one)]
    notes = _played([(at, 0.5) for at in onsets], bpm=92, pitches=[*_PICKED] * 2, jitter_sec=0.006)
    rhythm, found = find_rhythm(notes, duration_sec=notes[-1].offset_sec + 1, meter=(4, 4))
    assert rhythm.bpm == pytest.approx(92, rel=0.01)
    beats = [n.onset_beat for n in found]
    first, second = np.array(beats[:32]), np.array(beats[32:])
    assert first.tolist() == one
    assert second[0] % 4 == 0
    assert (second - second[0]).tolist() == one
    assert abs(second[0] - onsets[32]) <= 2  # the pause gives way by half a bar at most


def test_a_short_try_before_the_playing_has_its_own_bars() -> None:
    one = [k / 2 for k in range(32)]
    onsets = [*one[:16], *(15.25 + at for at in one)]
    notes = _played([(at, 0.5) for at in onsets], bpm=92, pitches=[*_PICKED[:16], *_PICKED])
    known = {"duration_sec": notes[-1].offset_sec + 1, "meter": (4, 4)}
    _, found = find_rhythm(notes, **known)  # type: ignore[arg-type]
    beats = np.array([n.onset_beat for n in found])
    assert beats[:16].tolist() == one[:16]
    assert (beats[16:] - beats[16]).tolist() == one
    assert beats[16] % 4 == 0
    # A first beat that is given moves the bars around it alone.
    _, given = find_rhythm(notes, first_beat_sec=notes[0].onset_sec, **known)  # type: ignore[arg-type]
    assert [n.onset_beat for n in given] == beats.tolist()


def test_a_rest_that_is_counted_through_keeps_its_beats() -> None:
    one = [k / 2 for k in range(32)]
    onsets = [*one, *(24.0 + at for at in one)]
    notes = _played([(at, 0.5) for at in onsets], bpm=92, pitches=[*_PICKED] * 2)
    _, found = find_rhythm(notes, duration_sec=notes[-1].offset_sec + 1)
    assert [n.onset_beat for n in found] == onsets
