"""Verdicts of whole takes, by what a player did."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import transcribe
from tests.takes.helpers import (
    STEP,
    between,
    differences_of,
    in_order,
    later,
    played,
    reference,
    remarks_of,
    take,
)
from transcribe.core.errors import ParameterError
from transcribe.core.instrument import make_instrument
from transcribe.core.riff import Instrument, Note, Riff, Source, Timing
from transcribe.formats.document import read_riff, write_riff
from transcribe.takes import Comparison, compare
from transcribe.takes.onset_activations import OnsetActivations
from transcribe.takes.report import as_json
from transcribe.takes.verdict_wording import played_words


def verdicts(comparison: Comparison) -> dict[str, list[int | None]]:
    """Reference notes by verdict (takes' notes for extra), right ones left out."""
    out: dict[str, list[int | None]] = {}
    for row in comparison.notes:
        if row.verdict != "right" or row.left_out:
            name = "left out" if row.left_out else row.verdict
            out.setdefault(name, []).append(row.take if row.reference is None else row.reference)
    return out


@pytest.mark.parametrize("ratio", [0.5, 0.8, 1.0, 1.25, 2.0])
def test_a_faultless_take_is_right_at_any_tempo(ratio: float) -> None:
    riff = reference()
    comparison = compare(take(played(riff, ratio=ratio)), riff)
    assert verdicts(comparison) == {}
    assert comparison.summary.right_share == 1.0
    assert comparison.tempo_ratio == pytest.approx(ratio, rel=0.01)
    assert comparison.summary.tempo_bpm == pytest.approx(100.0 * ratio, rel=0.01)


def test_tempo_that_drifts_is_followed_and_told() -> None:
    riff = reference(repeats=4)
    # Ten percent faster at the end than at the beginning.
    length = riff.notes[-1].offset_sec

    def bent(t: float) -> float:
        return 0.3 + t - 0.5 * 0.1 / 1.05 * t * t / length

    notes = [
        replace(n, onset_sec=bent(n.onset_sec), offset_sec=bent(n.offset_sec)) for n in riff.notes
    ]
    comparison = compare(take(notes), riff)
    assert verdicts(comparison) == {}
    assert comparison.summary.drift_percent == pytest.approx(10.0, abs=2.0)


def test_a_wrong_note_says_where_the_finger_went() -> None:
    riff = reference()
    notes = played(riff)
    assert riff.notes[4].string == 4
    notes[4] = replace(notes[4], pitch_midi=notes[4].pitch_midi + 1)
    comparison = compare(take(notes), riff)
    assert verdicts(comparison) == {"wrong": [4]}
    said = comparison.notes[4].played
    assert said is not None
    assert said.string == 4
    assert said.fret == (riff.notes[4].fret or 0) + 1
    words = played_words(comparison.notes[4], riff)
    assert words == "1 fret too high on string 4"


def test_a_wrong_string_is_told_from_a_wrong_fret() -> None:
    riff = reference(drone=False)
    notes = played(riff)
    note = riff.notes[3]
    assert note.fret is not None
    notes[3] = replace(notes[3], pitch_midi=Instrument().pitch_midi(3, note.fret))
    comparison = compare(take(notes), riff)
    said = comparison.notes[3].played
    assert said is not None
    assert (said.string, said.fret) == (3, note.fret)


def test_missed_and_extra_notes_are_found() -> None:
    riff = reference()
    notes = played(riff)
    gone = notes.pop(10)
    notes.append(Note(99, 2.05, 2.3, 67))
    comparison = compare(take(notes), riff)
    found = verdicts(comparison)
    assert found["missed"] == [10]
    assert len(found["extra"]) == 1
    assert set(found) == {"missed", "extra"}
    row = next(r for r in comparison.notes if r.verdict == "missed")
    assert row.take is None
    assert row.time_sec == pytest.approx(gone.onset_sec, abs=0.01)


@pytest.mark.parametrize(("shift", "verdict"), [(0.11, "late"), (-0.09, "early")])
def test_one_note_off_the_beat(shift: float, verdict: str) -> None:
    riff = reference(drone=False)
    notes = played(riff, ratio=0.9)
    notes[7] = later([notes[7]], shift)[0]
    comparison = compare(take(notes), riff)
    assert verdicts(comparison) == {verdict: [7]}
    row = comparison.notes[7]
    assert row.offset_ms == pytest.approx(1000 * shift, abs=8)


@pytest.mark.parametrize("ratio", [0.8, 1.0])
def test_a_note_that_comes_after_the_next_one_is_late(ratio: float) -> None:
    riff = reference(drone=False)
    notes = played(riff, ratio=ratio)
    shift = 0.75 * STEP / ratio  # the next note is half a beat away
    notes[10] = later([notes[10]], shift)[0]
    comparison = compare(take(notes), riff)
    assert verdicts(comparison) == {"late": [10]}
    assert comparison.notes[10].offset_ms == pytest.approx(1000 * shift, abs=15)


def test_a_late_melody_note_over_a_drone_on_time() -> None:
    riff = reference()
    notes = played(riff)
    k = next(i for i, n in enumerate(riff.notes) if n.string == 4 and n.onset_beat == 3.0)
    notes[k] = later([notes[k]], 0.12)[0]
    assert verdicts(compare(take(notes), riff)) == {"late": [k]}


def test_scatter_within_the_tolerance_is_right(rng: np.random.Generator) -> None:
    riff = reference(repeats=2)
    notes = [later([n], float(rng.normal(0, 0.008)))[0] for n in played(riff)]
    comparison = compare(take(notes), riff)
    assert verdicts(comparison) == {}
    assert comparison.summary.spread_ms == pytest.approx(8.0, abs=4.0)


def test_a_pause_is_told_and_not_counted() -> None:
    riff = reference(repeats=2)
    notes = played(riff)
    stop = 0.4 + 8 * STEP - 0.01
    notes = between(notes, 0, stop) + later(between(notes, stop, 99), 1.7)
    comparison = compare(take(notes), riff)
    assert verdicts(comparison) == {}
    (pause,) = comparison.passes[0].pauses
    assert pause[1] == pytest.approx(1.7, abs=0.05)
    assert any("pause" in remark for remark in remarks_of(comparison))


def test_each_pass_is_judged_and_the_best_named() -> None:
    riff = reference()
    good = played(riff)
    bad = [n for i, n in enumerate(good) if i % 6 != 3]
    notes = bad + later(good, 6.0) + later(bad, 12.0)
    comparison = compare(take(notes), riff)
    assert len(comparison.passes) == 3
    assert comparison.best == 1
    assert verdicts(comparison) == {}
    assert comparison.passes[0].summary.counts["missed"] == len(good) - len(bad)
    assert any("played 3 times" in remark for remark in remarks_of(comparison))
    told = as_json(comparison)["passes"]
    assert [sum(r["verdict"] == "missed" for r in p["notes"]) for p in told] == [
        len(good) - len(bad),
        0,
        len(good) - len(bad),
    ]
    # `take` counts over the whole recording, not over the pass.
    assert comparison.notes[0].take == len(bad)


def test_a_false_start_is_a_pass_of_its_own() -> None:
    riff = reference(repeats=2)
    notes = between(played(riff), 0, 2.0) + later(played(riff), 2.6)
    comparison = compare(take(notes), riff)
    assert comparison.best == len(comparison.passes) - 1
    assert verdicts(comparison) == {}


def test_going_back_a_bar_counts_once() -> None:
    riff = reference(repeats=2)
    notes = played(riff, start_sec=0.0)
    slip = between(notes, 0, 9 * STEP - 0.01)
    slip[-2] = replace(slip[-2], pitch_midi=slip[-2].pitch_midi + 2)
    again = later(between(notes, 4 * STEP - 0.01, 99), 5.5 * STEP)
    comparison = compare(take(slip + again), riff)
    counted = [r for r in comparison.notes if not r.again and not r.left_out]
    assert len([r for r in counted if r.reference is not None]) == len(riff.notes)
    assert sum(r.verdict == "right" for r in counted) >= len(riff.notes) - 1
    assert any(r.again for r in comparison.notes)


def test_a_repeat_left_out_is_not_missed() -> None:
    riff = reference(repeats=3)
    comparison = compare(take(played(reference(repeats=2))), riff)
    assert set(verdicts(comparison)) == {"left out"}
    assert comparison.summary.right_share == 1.0
    assert comparison.summary.left_out == len(riff.notes) // 3


@pytest.mark.parametrize("steps", [-12, -2, 3, 12])
def test_transposition_is_stated_and_not_counted(steps: int) -> None:
    riff = reference()
    notes = [replace(n, pitch_midi=n.pitch_midi + steps) for n in played(riff)]
    comparison = compare(take(notes), riff)
    assert verdicts(comparison) == {}
    assert comparison.transposition == steps
    assert "than the reference throughout" in differences_of(comparison)[0]


def test_capo_is_named_where_the_take_has_one() -> None:
    riff = reference()
    notes = [replace(n, pitch_midi=n.pitch_midi + 2) for n in played(riff)]
    capoed = replace(take(notes), instrument=Instrument(capo=2))
    comparison = compare(capoed, riff)
    assert "capo at fret 2 instead of 0" in differences_of(comparison)[0]


def test_one_string_tuned_otherwise_is_stated_and_not_counted() -> None:
    riff = reference(repeats=2)
    notes = [
        replace(p, pitch_midi=p.pitch_midi - 2) if n.string == 4 else p
        for p, n in zip(played(riff), riff.notes, strict=True)
    ]
    # The melody alone is two semitones low; the drone on string 5 is not.
    comparison = compare(take(notes), riff)
    assert verdicts(comparison) == {}
    assert any("string 4" in said or "string 5" in said for said in differences_of(comparison))


def test_order_only_reference_is_compared_in_order() -> None:
    riff = reference(drone=False)
    even = [
        replace(n, onset_sec=0.1 * k, offset_sec=0.1 * k + 0.1, onset_beat=None, duration_beat=None)
        for k, n in enumerate(riff.notes)
    ]
    tab = Riff(notes=tuple(even), timing=Timing("order"))
    notes = played(riff)
    notes[5] = later([notes[5]], 0.12)[0]  # without a rhythm nobody can call this late
    del notes[9]
    comparison = compare(take(notes), tab)
    assert verdicts(comparison) == {"missed": [9]}
    assert comparison.tempo_ratio is None
    assert comparison.timing == "none"
    assert any("no rhythm" in remark for remark in remarks_of(comparison))


@pytest.mark.parametrize("gone", [3, 4, 5, 6])
def test_of_equal_notes_in_a_row_the_gap_tells_which_was_missed(gone: int) -> None:
    riff = reference(drone=False)
    even = tuple(
        replace(n, pitch_midi=57, fret=7) if 2 <= k <= 7 else n for k, n in enumerate(riff.notes)
    )
    riff = replace(riff, notes=even)
    notes = played(riff)
    del notes[gone]
    assert verdicts(compare(take(notes), in_order(riff))) == {"missed": [gone]}


def test_a_chord_that_comes_apart_is_one_chord_where_only_the_order_is_known() -> None:
    riff = reference()
    notes = played(riff)
    k = next(i for i, n in enumerate(riff.notes) if n.string == 4 and n.onset_beat == 3.0)
    notes[k] = later([notes[k]], 0.14)[0]
    before = next(i for i, n in enumerate(riff.notes) if n.string == 4 and n.onset_beat == 2.0)
    notes[before] = replace(notes[before], pitch_midi=notes[before].pitch_midi + 1)
    comparison = compare(take(notes), in_order(riff))
    assert verdicts(comparison) == {"wrong": [before]}


def test_notes_written_in_a_row_and_played_as_one_chord_are_right() -> None:
    riff = reference(drone=False)
    notes = played(riff)
    # The last three notes of bar 1, rolled in 20 ms.
    for k in (6, 7):
        notes[k] = later([notes[k]], notes[5].onset_sec + 0.01 * (k - 5) - notes[k].onset_sec)[0]
    assert verdicts(compare(take(notes), in_order(riff))) == {}


def heard(notes: list[Note]) -> list[Note]:
    """The same notes as a tracker is sure of them."""
    return [replace(n, confidence=0.95) for n in notes]


def test_a_faint_extra_note_is_unsure() -> None:
    riff = reference()
    notes = heard(played(riff))
    notes.append(Note(99, 2.05, 2.3, 66, confidence=0.3))
    found = verdicts(compare(take(notes), riff))
    assert set(found) == {"unsure"}


@pytest.mark.parametrize("above", [12, 19, 24])
def test_an_overtone_of_a_sounding_note_is_unsure(above: int) -> None:
    riff = reference()
    notes = heard(played(riff))
    notes.append(Note(99, notes[0].onset_sec + 0.01, notes[0].onset_sec + 0.4, 45 + above, 0, -20))
    notes[-1] = replace(notes[-1], confidence=0.8)
    found = verdicts(compare(take(notes), riff))
    assert "extra" not in found
    assert "wrong" not in found


def test_a_faint_wrong_note_is_unsure() -> None:
    riff = reference()
    notes = heard(played(riff))
    notes[6] = replace(notes[6], pitch_midi=notes[6].pitch_midi + 1, confidence=0.3)
    found = verdicts(compare(take(notes), riff))
    assert found == {"unsure": [6]}


def test_a_stroke_on_a_string_that_rings_is_unsure_when_not_heard() -> None:
    riff = reference()
    notes = heard(played(riff))
    drones = [i for i, n in enumerate(riff.notes) if n.string == 5]
    first, second = drones[2], drones[3]
    notes[first] = replace(notes[first], offset_sec=notes[second].offset_sec)
    del notes[second]
    found = verdicts(compare(take(notes), riff))
    assert found == {"unsure": [second]}


def test_a_sure_take_of_notes_alone_has_no_unsure_notes() -> None:
    riff = reference()
    notes = played(riff)
    notes.append(Note(99, notes[0].onset_sec, notes[0].onset_sec + 0.3, 69))
    found = verdicts(compare(take(notes), riff))
    assert set(found) == {"extra"}


def test_dead_notes_are_not_held_to_a_pitch() -> None:
    riff = reference(drone=False)
    dead = replace(
        riff, notes=(*riff.notes[:3], replace(riff.notes[3], articulation="dead"), *riff.notes[4:])
    )
    notes = played(riff)
    notes[3] = replace(notes[3], pitch_midi=41)
    assert verdicts(compare(take(notes), dead)) == {}
    del notes[3]
    assert verdicts(compare(take(notes), dead)) == {"unsure": [3]}


def with_a_long_last_note() -> Riff:
    """The reference with a last note of two seconds."""
    riff = reference(drone=False)
    last = riff.notes[-1]
    long = replace(last, offset_sec=last.onset_sec + 2.0, duration_beat=2.0 / STEP)
    return replace(riff, notes=(*riff.notes[:-1], long))


def test_a_note_cut_short_and_one_left_ringing() -> None:
    riff = with_a_long_last_note()
    notes = played(riff)
    notes[-1] = replace(notes[-1], offset_sec=notes[-1].onset_sec + 0.3)
    assert compare(take(notes), riff).notes[-1].length == "cut short"
    long = riff.notes[-1]
    short = replace(long, offset_sec=long.onset_sec + 0.2, duration_beat=0.2 / STEP)
    riff = replace(riff, notes=(*riff.notes[:-1], short))
    notes[-1] = replace(notes[-1], offset_sec=notes[-1].onset_sec + 1.5)
    comparison = compare(take(notes), riff)
    assert comparison.notes[-1].length == "left ringing"
    assert comparison.summary.left_ringing == 1
    assert comparison.notes[-1].verdict == "right"


def test_a_note_that_the_end_of_the_recording_cuts_is_not_cut_short() -> None:
    riff = with_a_long_last_note()
    notes = played(riff)
    notes[-1] = replace(notes[-1], offset_sec=notes[-1].onset_sec + 0.3)
    end = notes[-1].offset_sec + 0.02
    cut = replace(take(notes), source=Source("take.wav", duration_sec=end))
    assert compare(cut, riff).notes[-1].length is None
    whole = replace(take(notes), source=Source("take.wav", duration_sec=end + 2.0))
    assert compare(whole, riff).notes[-1].length == "cut short"


def test_a_false_stroke_does_not_cut_a_note_short() -> None:
    riff = with_a_long_last_note()
    notes = played(riff)
    at = notes[-1].onset_sec + 0.3
    ghost = replace(notes[-1], id=99, onset_sec=at, confidence=0.3)
    notes[-1] = replace(notes[-1], offset_sec=at)
    comparison = compare(take([*notes, ghost]), riff)
    assert comparison.summary.cut_short == 0
    assert comparison.summary.counts["unsure"] == 1
    assert compare(take(notes), riff).summary.cut_short == 1


def test_a_note_below_what_the_network_hears_is_unsure() -> None:
    riff = reference()
    # An octave lower the open string 5 is A1, MIDI 33; the ear begins at 35.
    notes = [
        replace(n, pitch_midi=n.pitch_midi - 12)
        for n in heard(played(riff))
        if n.pitch_midi - 12 >= 35
    ]
    found = verdicts(compare(take(notes), riff, shares=shares_of([])))
    drone = [i for i, n in enumerate(riff.notes) if n.pitch_midi == 45]
    assert found == {"unsure": drone}


def test_the_reference_must_hold_notes() -> None:
    with pytest.raises(ParameterError, match="holds no notes"):
        compare(take(played(reference())), Riff())


def test_an_empty_take_misses_everything() -> None:
    riff = reference()
    comparison = compare(Riff(), riff)
    assert comparison.summary.counts == {"missed": len(riff.notes)}
    assert comparison.summary.right_share == 0.0


def test_other_music_is_said_to_be_other_music(rng: np.random.Generator) -> None:
    riff = reference(repeats=2)
    notes = [replace(n, pitch_midi=int(rng.integers(40, 80))) for n in played(riff)]
    comparison = compare(take(notes), riff)
    assert not comparison.same_riff
    assert comparison.matched_share < 0.3
    assert comparison.practice == ()
    assert comparison.differences == ()
    said = remarks_of(comparison)
    assert said[0].startswith("this take does not look like the reference: ")
    assert "nothing is kept as progress" in said[0]
    assert said[2].startswith("written first: A2+A3 B3 A2+C4")
    assert as_json(comparison)["same_riff"] is False


def test_the_shipped_riffs_are_told_apart(takes) -> None:  # type: ignore[no-untyped-def]
    names = ("mooring", "lantern", "gangplank", "slack-water", "tide-table")
    riffs = {name: read_riff(takes / name / "truth.riff.json") for name in names}
    for one, take_ in riffs.items():
        for other, riff in riffs.items():
            assert compare(take_, riff).same_riff == (one == other), (one, other)


def test_a_riff_of_the_same_notes_in_another_order_is_another_riff(
    rng: np.random.Generator,
) -> None:
    riff = reference(drone=False, repeats=2)
    pitches = rng.permutation([n.pitch_midi for n in riff.notes]).tolist()
    notes = [replace(n, pitch_midi=p) for n, p in zip(played(riff), pitches, strict=True)]
    assert not compare(take(notes), riff).same_riff


def test_a_take_with_every_fourth_note_wrong_is_still_the_riff() -> None:
    riff = reference(repeats=2)
    notes = [
        replace(n, pitch_midi=n.pitch_midi + 1) if k % 4 == 1 else n
        for k, n in enumerate(played(riff))
    ]
    comparison = compare(take(notes), riff)
    assert comparison.same_riff
    assert comparison.summary.counts["wrong"] == len(riff.notes) // 4


def test_json_has_the_shape_that_is_promised() -> None:
    riff = reference()
    notes = played(riff)
    notes[4] = replace(notes[4], pitch_midi=notes[4].pitch_midi + 1)
    del notes[9]
    value = as_json(compare(take(notes), riff))
    assert {"summary", "tempo_ratio", "notes", "drone", "practice"} <= set(value)
    assert [row["reference"] for row in value["notes"]] == list(range(len(riff.notes)))
    for row in value["notes"]:
        assert row["verdict"] in {"right", "wrong", "missed", "extra", "early", "late", "unsure"}
        assert {"reference", "take", "verdict", "offset_ms"} <= set(row)
    assert value["notes"][9] | {"take": None, "verdict": "missed"} == value["notes"][9]


def test_the_verb_reads_files(tmp_path: Path) -> None:
    riff = reference()
    write_riff(riff, tmp_path / "reference.riff.json")
    write_riff(take(played(riff)), tmp_path / "take.riff.json")
    held = transcribe.compare(tmp_path / "take.riff.json", tmp_path / "reference.riff.json")
    assert held.summary.right_share == 1.0


def test_an_instrument_with_other_strings(takes) -> None:  # type: ignore[no-untyped-def]
    ukulele = make_instrument("ukulele")
    notes = tuple(
        Note(
            k + 1,
            0.3 * k,
            0.3 * k + 0.3,
            ukulele.pitch_midi(1 + k % 4, k % 3),
            string=1 + k % 4,
            fret=k % 3,
        )
        for k in range(12)
    )
    riff = Riff(instrument=ukulele, notes=notes)
    assert compare(take(played(riff)), riff).summary.right_share == 1.0


@pytest.mark.parametrize("name", ["mooring-steady", "mooring-slips"])
def test_the_shipped_mistakes_are_found_note_by_note(takes, name: str) -> None:  # type: ignore[no-untyped-def]
    import json

    riff = read_riff(takes / "mooring" / "truth.riff.json")
    comparison = compare(read_riff(takes / name / "truth.riff.json"), riff)
    truth = json.loads((takes / name / "mistakes.json").read_text("utf-8"))
    said = {(row["reference"], row["take"]): row["verdict"] for row in as_json(comparison)["notes"]}
    assert said == {(row["reference"], row["take"]): row["verdict"] for row in truth["notes"]}
    assert comparison.tempo_ratio == pytest.approx(truth["tempo_ratio"], rel=0.01)


def test_order_only_reference_dates_notes_by_the_takes_own_pulse() -> None:
    riff = reference(drone=False)
    tab = Riff(
        notes=tuple(replace(n, onset_beat=None, duration_beat=None) for n in riff.notes),
        timing=Timing("order"),
    )
    assert riff.rhythm is not None
    beats = tuple(t / 0.9 for t in riff.rhythm.beats_sec)
    notes = [
        replace(p, onset_beat=n.onset_beat)
        for p, n in zip(played(riff, ratio=0.9, start_sec=0.0), riff.notes, strict=True)
    ]
    notes[6] = later([notes[6]], 0.1)[0]
    own = replace(riff.rhythm, bpm=90.0, beats_sec=beats, downbeats_sec=beats[::4])
    comparison = compare(replace(take(notes), rhythm=own), tab)
    assert verdicts(comparison) == {"late": [6]}
    assert comparison.notes[6].offset_ms == pytest.approx(100.0, abs=1.0)
    assert comparison.timing == "pulse"
    assert comparison.summary.tempo_bpm == pytest.approx(90.0)
    assert comparison.tempo_ratio is None


def test_two_strings_in_unison_are_heard_as_one() -> None:
    riff = reference(drone=False)
    twin = replace(riff.notes[4], id=99, string=3, fret=riff.notes[4].pitch_midi - 55)
    double = replace(riff, notes=(*riff.notes[:5], twin, *riff.notes[5:]))
    found = verdicts(compare(take(heard(played(riff))), double))
    assert set(found) == {"unsure"}
    assert len(found["unsure"]) == 1
    # Told by notes alone, the second string was not struck.
    assert set(verdicts(compare(take(played(riff)), double))) == {"missed"}
    assert set(verdicts(compare(take(played(riff)), in_order(double)))) == {"missed"}


def test_recorded_times_win_where_the_written_beats_are_wrong() -> None:
    riff = reference(drone=False, repeats=3)
    # The beats were found as straight eighths under a line that swings.
    swung = tuple(
        replace(n, onset_sec=n.onset_sec + (0.1 if k % 2 else 0.0), offset_sec=n.offset_sec + 0.05)
        for k, n in enumerate(riff.notes)
    )
    comparison = compare(take(played(replace(riff, notes=swung))), replace(riff, notes=swung))
    assert verdicts(comparison) == {}
    assert comparison.timing == "seconds"
    assert any("recorded times" in remark for remark in remarks_of(comparison))
    # A take of the straight line is held against the beats.
    straight = compare(take(played(riff)), replace(riff, notes=swung))
    assert verdicts(straight) == {}
    assert straight.timing == "score"


def shares_of(notes: list[tuple[float, int, float]]) -> OnsetActivations:
    """Onset shares at (seconds, pitch, share) and nowhere else."""
    onset = np.zeros((1000, 54))
    for at, pitch, share in notes:
        onset[round(at / 0.0116), pitch - 35] = share
    return OnsetActivations(onset, np.zeros((1000, 54)), 0.0116, 35)


@pytest.mark.parametrize(("share", "verdict"), [(0.5, "right"), (0.1, "unsure"), (0.01, "missed")])
def test_a_second_listening_decides_on_a_note_that_was_not_named(
    share: float, verdict: str
) -> None:
    riff = reference(drone=False)
    notes = heard(played(riff))
    gone = notes.pop(6)
    shares = shares_of([(gone.onset_sec, gone.pitch_midi, share)])
    row = compare(take(notes), riff, shares=shares).notes[6]
    assert row.verdict == verdict
    assert row.take is None


def test_a_second_listening_takes_no_other_stroke_for_the_one_that_is_due() -> None:
    riff = reference(drone=False)
    notes = heard(played(riff))
    gone = notes.pop(6)
    shares = shares_of([(gone.onset_sec + 0.3, gone.pitch_midi, 0.9)])
    assert compare(take(notes), riff, shares=shares).notes[6].verdict == "missed"


@pytest.mark.parametrize("count", [1, 2, 3])
def test_a_few_notes_of_a_long_riff_are_no_take_of_it(count: int) -> None:
    riff = reference(drone=False, repeats=2)
    comparison = compare(take(played(riff)[:count]), riff)
    assert not comparison.same_riff
    assert comparison.matched_share < 0.3


def test_a_bar_of_a_long_riff_is_a_take_of_it() -> None:
    riff = reference(drone=False, repeats=4)
    assert compare(take(played(riff)[:8]), riff).same_riff


def test_a_tempo_in_six_eighths_counts_dotted_quarters() -> None:
    """A metronome mark of compound time counts dotted notes: Read, Music Notation (1979)."""
    riff = reference(drone=False)
    assert riff.rhythm is not None
    riff = replace(riff, rhythm=replace(riff.rhythm, meter=(6, 8)))
    comparison = compare(take(played(riff, ratio=0.9)), riff)
    assert comparison.summary.reference_bpm == pytest.approx(riff.rhythm.bpm / 3)
    assert comparison.summary.tempo_bpm == pytest.approx(0.9 * riff.rhythm.bpm / 3, rel=0.02)
    assert all(abs(bpm - 30.0) < 1.0 for _, bpm in comparison.best_pass.tempo)
