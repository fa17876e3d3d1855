"""The practice plan as a student reads it."""

from __future__ import annotations

from dataclasses import replace

from tests.takes.helpers import STEP, later, played, reference, take
from transcribe.core.riff import Note, Riff, Timing
from transcribe.takes import Comparison, compare
from transcribe.takes.verdict_wording import practice_place, practice_steps


def spoilt(
    riff: Riff,
    *,
    wrong: dict[tuple[int, float], int] | None = None,
    late: dict[tuple[int, float], float] | None = None,
    missed: tuple[tuple[int, float], ...] = (),
    extra: tuple[Note, ...] = (),
) -> Comparison:
    """The riff played with slips, each named by its (string, beat)."""
    notes = []
    for note, sound in zip(riff.notes, played(riff), strict=True):
        key = (note.string or 0, note.onset_beat or 0.0)
        if key in missed:
            continue
        step, off = (wrong or {}).get(key, 0), (late or {}).get(key, 0.0)
        notes += later([replace(sound, pitch_midi=sound.pitch_midi + step)], off)
    return compare(take([*notes, *extra]), riff)


def plan(comparison: Comparison) -> list[tuple[str, tuple[str, ...]]]:
    """Places and steps, in the plan's order."""
    return [
        (practice_place(line), tuple(practice_steps(line, comparison)))
        for line in comparison.practice
    ]


def test_the_same_slip_in_bars_of_the_same_music_is_told_once() -> None:
    # Bars 1, 3 and 5 are the same.
    riff = reference(repeats=3)
    comparison = spoilt(riff, wrong={(4, 1.5): 1, (4, 9.5): 1, (4, 17.5): 1})
    point = "beat 2&: play string 4 fret 12 (D4), it was 1 fret too high on string 4"
    assert plan(comparison) == [("bars 1, 3 and 5", (point,))]
    assert comparison.practice[0].errors == {"wrong": 3}


def test_a_slip_in_one_of_the_bars_names_its_bar() -> None:
    riff = reference(repeats=2)
    comparison = spoilt(riff, wrong={(4, 1.5): 1, (4, 9.5): 1}, missed=((4, 10.0),))
    ((place, points),) = plan(comparison)
    assert place == "bars 1 and 3"
    assert (
        points[1] == "bar 3 beat 3: string 4 fret 14 (E4) is missing, fret it firmly and strike it"
    )


def test_different_slips_in_bars_of_the_same_music_stay_apart() -> None:
    riff = reference(repeats=2)
    comparison = spoilt(riff, wrong={(4, 1.5): 1}, missed=((4, 10.5),))
    assert [place for place, _ in plan(comparison)] == ["bar 1", "bar 3"]


def test_missed_strokes_of_the_drone_are_one_thing() -> None:
    riff = reference(repeats=2)
    comparison = spoilt(riff, missed=((5, 2.0), (5, 3.0), (5, 5.0)))
    ((place, points),) = plan(comparison)
    assert place == "bars 1 and 2"
    said = "bar 1 beats 3 and 4, bar 2 beat 2: string 5 open (A2) is missing, strike the drone too"
    assert points == (said,)


def test_a_late_note_is_told_as_a_share_of_a_beat() -> None:
    riff = reference(drone=False)
    # 150 ms at 100 beats a minute are a quarter of a beat.
    comparison = spoilt(riff, late={(4, 3.0): 0.15})
    ((_, points),) = plan(comparison)
    assert points[0].startswith("beat 4: string 4 fret 10 (C4) comes 15")
    assert points[0].endswith("ms late (about 1/4 of a beat), count aloud")


def test_an_extra_note_says_what_to_damp() -> None:
    riff = reference(drone=False)
    comparison = spoilt(riff, extra=(Note(99, 2.05, 2.3, 67),))
    ((place, points),) = plan(comparison)
    assert place == "bar 1"
    assert points == ("beat 3a: G4 sounds but is not written, damp what is not played",)


def test_an_extra_note_at_the_end_of_a_bar_is_told_within_the_bar() -> None:
    riff = reference(drone=False, repeats=2)
    # Bar 1 ends 2.4 s after the first note, at 2.8 s.
    comparison = spoilt(riff, extra=(Note(99, 2.77, 2.9, 67),))
    ((place, points),) = plan(comparison)
    assert place == "bar 1"
    assert points[0].startswith("beat 4a: G4 sounds")


def test_a_take_that_runs_away_is_told_to_use_a_metronome() -> None:
    riff = reference(repeats=4)
    length = riff.notes[-1].offset_sec

    def bent(t: float) -> float:
        return 0.3 + t - 0.05 * t * t / length

    notes = [
        replace(n, onset_sec=bent(n.onset_sec), offset_sec=bent(n.offset_sec)) for n in riff.notes
    ]
    ((place, points),) = plan(compare(take(notes), riff))
    assert place == "throughout"
    assert "faster on the way, play along with a metronome" in points[0]


def test_a_drone_that_does_not_ring_is_told_once_and_first() -> None:
    riff = reference(repeats=2)
    notes = [
        replace(n, offset_sec=n.onset_sec + 0.2) if n.pitch_midi == 45 else n for n in played(riff)
    ]
    notes[4] = replace(notes[4], pitch_midi=notes[4].pitch_midi + 1)
    told = plan(compare(take(notes), riff))
    assert told[0][0] == "throughout"
    assert told[0][1][0].startswith("the drone rings ")
    assert not any("drone" in point for _, points in told[1:] for point in points)
    assert any("it was 1 fret too high" in point for _, points in told[1:] for point in points)


def test_a_reference_without_rhythm_names_notes() -> None:
    riff = reference(drone=False)
    bare = tuple(replace(n, onset_beat=None, duration_beat=None) for n in riff.notes)
    notes = played(riff)
    notes[4] = replace(notes[4], pitch_midi=notes[4].pitch_midi + 1)
    comparison = compare(take(notes), Riff(notes=bare, timing=Timing("order")))
    point = "note 5: play string 4 fret 14 (E4), it was 1 fret too high on string 4"
    assert plan(comparison) == [("notes 1 to 8", (point,))]


def test_what_goes_wrong_in_pass_after_pass_is_told_though_the_best_is_right() -> None:
    riff = reference()
    good = played(riff)
    bad = list(good)
    bad[4] = replace(bad[4], pitch_midi=bad[4].pitch_midi + 1)
    comparison = compare(take([*bad, *later(good, 6.0), *later(bad, 12.0)]), riff)
    assert comparison.best == 1
    assert comparison.summary.right_share == 1.0
    point = "in 2 of 3 passes, beat 2: play string 4 fret 10 (C4), it was 1 fret too high on "
    ((place, points),) = plan(comparison)
    assert place == "bar 1"
    assert points == (point + "string 4",)
    assert comparison.practice[0].errors == {"wrong": 2}


def test_a_false_start_asks_for_no_practice() -> None:
    riff = reference(repeats=2)
    start = [n for n in played(riff, start_sec=0.0) if n.onset_sec < 2.0]
    start[3] = replace(start[3], pitch_midi=start[3].pitch_midi + 1)
    assert plan(compare(take([*start, *later(played(riff), 2.6)]), riff)) == []


def test_the_pickup_is_named_beside_the_bars_that_share_its_slip() -> None:
    # The riff begins two beats before bar 1; the drone fails there, in bar 1 and in bar 2.
    whole = reference(repeats=2)
    notes = tuple(replace(n, onset_beat=(n.onset_beat or 0.0) - 2.0) for n in whole.notes)
    rhythm = replace(whole.rhythm, downbeats_sec=tuple(2 * STEP + k * 4 * STEP for k in range(3)))
    riff = replace(whole, notes=notes, rhythm=rhythm)
    ((place, points),) = plan(spoilt(riff, missed=((5, -1.0), (5, 1.0), (5, 4.0))))
    assert place == "the pickup and bars 1 and 2"
    assert points[0].startswith("pickup beat 4, bar 1 beat 2, bar 2 beat 1: string 5 open (A2)")


def test_no_missed_note_leads_where_each_was_missed_once() -> None:
    riff = reference()
    ((_, points),) = plan(spoilt(riff, missed=((4, 1.0), (4, 1.5))))
    assert points == ("beats 2 and 2&: 2 notes are missing",)
