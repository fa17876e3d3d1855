"""Half time, double time and a given meter, from the document alone."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Literal

import numpy as np
import pytest

from tests.bench.rhythm_riffs import Truth, make_riff
from tests.formats.riffs import make_riff as write_out
from tests.rhythm.test_drone_choice import notes_over_an_open_string
from transcribe import api
from transcribe.core.errors import ParameterError
from transcribe.core.riff import (
    Instrument,
    MeterChoice,
    Note,
    Remark,
    Rhythm,
    Riff,
    Source,
    TempoChoice,
    sort_notes,
)
from transcribe.correct import retime, retune
from transcribe.correct.history import redo, remark_of, steps, undo
from transcribe.correct.pins import pin
from transcribe.formats.document import from_json, to_json
from transcribe.formats.tab.read import read_tab
from transcribe.harmony import theory_report


def _bare(truth: Truth) -> list[Note]:
    return [dataclasses.replace(n, onset_beat=None, duration_beat=None) for n in truth.notes]


def _played(truth: Truth, bpm: float) -> Riff:
    """The riff of ``truth`` as it is written at another tempo: a guess, with its choices."""
    riff = api.finger(_bare(truth), bpm=bpm)
    assert riff.rhythm is not None
    return riff


@pytest.fixture(scope="module")
def truth() -> Truth:
    """Two beats in a bar at about 100 a minute, drone under a melody."""
    return make_riff(12, kind="drone", meter=(4, 4), swing=False, pickup=False, taps=False)


@pytest.fixture(scope="module")
def fast(truth: Truth) -> Riff:
    """That riff with its tempo guessed twice too fast."""
    return _played(truth, 2 * truth.bpm)


def _score(riff: Riff) -> list[tuple[int, float | None, float | None]]:
    return [(n.id, n.onset_beat, n.duration_beat) for n in riff.notes]


def _places(riff: Riff) -> list[tuple[int, int | None, int | None, bool]]:
    return [(n.id, n.string, n.fret, n.pinned) for n in riff.notes]


def test_half_time_writes_what_was_played(truth: Truth, fast: Riff) -> None:
    riff = retime.half_time(fast, meter=(4, 4))
    assert riff.rhythm is not None
    assert riff.rhythm.bpm == pytest.approx(truth.bpm)
    assert riff.rhythm.meter == (4, 4)
    true = {n.id: n for n in truth.notes}
    right = sum(
        n.onset_beat == true[n.id].onset_beat and n.duration_beat == true[n.id].duration_beat
        for n in riff.notes
    )
    assert right >= 0.95 * len(riff.notes)
    assert [n.onset_sec for n in riff.notes] == [n.onset_sec for n in fast.notes]
    assert fast.rhythm is not None
    assert riff.rhythm.phrases != fast.rhythm.phrases


@pytest.mark.parametrize(
    ("there", "back"),
    [(retime.half_time, retime.double_time), (retime.double_time, retime.half_time)],
)
def test_there_and_back_is_the_score_that_was(
    truth: Truth, there: Callable[..., Riff], back: Callable[..., Riff]
) -> None:
    riff = api.finger(_bare(truth), bpm=truth.bpm, meter=(4, 4))
    assert riff.rhythm is not None
    once = there(riff)
    again = back(once)
    assert once.rhythm is not None
    assert again.rhythm is not None
    assert once.rhythm.downbeats_sec[0] == pytest.approx(riff.rhythm.downbeats_sec[0])
    assert again.rhythm.bpm == pytest.approx(riff.rhythm.bpm)
    assert again.rhythm.phrases == riff.rhythm.phrases
    assert _score(again) == _score(riff)
    shared = set(np.round(again.rhythm.beats_sec, 6)) & set(np.round(riff.rhythm.beats_sec, 6))
    assert len(shared) >= len(riff.rhythm.beats_sec) // 2
    factor = once.rhythm.bpm / riff.rhythm.bpm
    assert [n.onset_beat for n in once.notes] == [factor * (n.onset_beat or 0) for n in riff.notes]
    steps = np.diff(once.rhythm.beats_sec)
    assert steps == pytest.approx([60 / once.rhythm.bpm] * len(steps), rel=0.15)


def test_places_too_fine_for_the_score_are_found_anew(truth: Truth) -> None:
    """Thirty-seconds that are halved lie between the places of the score, 24 to a beat."""
    riff = api.finger(_bare(truth), bpm=truth.bpm, meter=(4, 4))
    odd = tuple(
        dataclasses.replace(n, onset_beat=(n.onset_beat or 0) + (1 / 24 if n.id == 3 else 0))
        for n in riff.notes
    )
    half = retime.half_time(dataclasses.replace(riff, notes=odd))
    ticks = [24 * (n.onset_beat or 0) for n in half.notes]
    assert all(abs(t - round(t)) < 1e-6 for t in ticks)


def test_swung_eighths_become_sixteenths() -> None:
    truth = make_riff(1, kind="line", meter=(4, 4), swing=True, pickup=False, taps=False)
    riff = api.finger(_bare(truth), bpm=truth.bpm, meter=(4, 4))
    assert riff.rhythm is not None
    assert riff.rhythm.swing is not None
    half = retime.half_time(riff)
    assert half.rhythm is not None
    assert half.rhythm.bpm == pytest.approx(truth.bpm / 2)
    assert half.rhythm.swing is None
    assert [n.onset_beat for n in half.notes] == [(n.onset_beat or 0) / 2 for n in riff.notes]


def test_a_tab_without_a_count_keeps_bar_1() -> None:
    rows = ["--------", "--------", "--0-2---", "2-------", "------3-", "--------"]
    text = "".join(f"{n}|{row}|{row}|\n" for n, row in zip("eBGDAE", rows, strict=True))
    riff = api.finger(read_tab(text))
    for change in (retime.half_time, retime.double_time, lambda r: retime.retime(r, meter=(3, 4))):
        assert change(riff).notes[0].onset_beat == 0.0


def test_pins_stay_and_undo_brings_everything_back(fast: Riff) -> None:
    note = next(n for n in fast.notes if n.fret and len(fast.instrument.places(n.pitch_midi)) > 1)
    place = next(
        p for p in fast.instrument.places(note.pitch_midi) if p != (note.string, note.fret)
    )
    pinned = pin(fast, {note.id: place}, repeats=False)
    half = retime.half_time(pinned)
    assert (half.note(note.id).string, half.note(note.id).fret) == place
    assert half.note(note.id).pinned
    assert _score(half) != _score(pinned)
    half = from_json(to_json(half))  # as the next command or the page reads it
    assert remark_of(steps(half)[0][-1]) == Remark("correction", {"what": "half time"})
    undone = undo(half)
    assert undone.rhythm == pinned.rhythm
    assert undone.theory == pinned.theory
    assert _score(undone) == _score(pinned)
    assert _places(undone) == _places(pinned)
    again = redo(undone)
    assert (again.rhythm, again.theory) == (half.rhythm, half.theory)
    assert (_score(again), _places(again)) == (_score(half), _places(half))
    twice = undo(undo(again))
    assert _places(twice) == _places(fast)
    assert twice.rhythm == fast.rhythm


def test_theory_follows_the_bars(fast: Riff) -> None:
    half = retime.half_time(fast)
    assert half.theory == theory_report(half).as_document()


def test_quarters_counted_as_six_eighths_come_out_in_threes() -> None:
    """Three quarters a bar and six eighths a bar are the same bars counted at half the tempo:
    a simple and a compound meter of the same length (common practice, no source)."""
    truth = make_riff(5042)
    found = api.finger(_bare(truth), bpm=2 * truth.bpm, meter=(6, 8))
    # The player gave no meter: it was one guess of several.
    assert found.rhythm is not None
    choices = (MeterChoice((6, 8), 0.6), MeterChoice((3, 4), 0.4))
    rhythm = dataclasses.replace(found.rhythm, meter_choices=choices)
    found = dataclasses.replace(found, rhythm=rhythm)
    half = retime.half_time(found)
    assert half.rhythm is not None
    assert half.rhythm.meter == truth.meter == (3, 4)


def test_the_meter_that_was_given_stays(truth: Truth) -> None:
    given = api.finger(_bare(truth), bpm=2 * truth.bpm, meter=(2, 4))
    half = retime.half_time(given)
    assert half.rhythm is not None
    assert half.rhythm.meter == (2, 4)


def test_a_score_keeps_its_meter_and_its_first_bar() -> None:
    items = [(-1, 1, 3, 0)] + [(b, 1, 3, (0, 2, 4, 2)[b % 4]) for b in range(12)]
    riff = write_out(items, bpm=90.0)
    twice = retime.double_time(riff)
    assert twice.rhythm is not None
    assert riff.rhythm is not None
    assert twice.rhythm.meter == (4, 4)
    assert twice.rhythm.bpm == 180.0
    assert twice.rhythm.downbeats_sec[0] == pytest.approx(riff.rhythm.downbeats_sec[0])
    assert [n.onset_beat for n in twice.notes] == [2 * (n.onset_beat or 0) for n in riff.notes]


def test_taps_that_the_recording_held_are_kept(fast: Riff) -> None:
    assert fast.rhythm is not None
    rhythm = dataclasses.replace(fast.rhythm, count_in_sec=(0.1, 0.7))
    fast = dataclasses.replace(fast, rhythm=rhythm)
    half = retime.half_time(fast)
    assert half.rhythm is not None
    assert half.rhythm.count_in_sec == (0.1, 0.7)


def test_retime_takes_the_first_beat(fast: Riff) -> None:
    assert fast.rhythm is not None
    wanted = fast.rhythm.beats_sec[3]
    riff = retime.retime(fast, bpm=fast.rhythm.bpm, first_beat_sec=wanted)
    assert riff.rhythm is not None
    assert riff.rhythm.downbeats_sec[0] == pytest.approx(wanted)
    assert remark_of(steps(riff)[0][-1]) == Remark("correction", {"what": "rhythm"})


@pytest.fixture(scope="module")
def written() -> Riff:
    """Two bars and a pickup of eighths and quarters in 4/4 at 90, as read from a score."""
    items = [(-1, 1, 3, 0)] + [(b / 2, 0.5, 3, (0, 2, 4, 2)[b % 4]) for b in range(16)]
    return write_out(items, bpm=90.0)


def test_a_score_at_another_tempo_keeps_bars_and_note_values(written: Riff) -> None:
    for riff in (retime.retime(written, bpm=135.0), api.finger(written, bpm=135.0)):
        assert riff.rhythm is not None
        assert written.rhythm is not None
        assert (riff.rhythm.meter, riff.rhythm.bpm) == (written.rhythm.meter, 135.0)
        assert _score(riff) == _score(written)
        for note, old in zip(riff.notes, written.notes, strict=True):
            assert note.onset_sec == pytest.approx(old.onset_sec / 1.5)
            assert note.offset_sec == pytest.approx(old.offset_sec / 1.5)
        assert np.diff(riff.rhythm.beats_sec) == pytest.approx(60 / 135)


def test_undo_of_a_tempo_brings_the_seconds_back(written: Riff) -> None:
    solved = api.finger(written, drone=3)
    assert solved.drone is not None
    fast = from_json(to_json(retime.retime(solved, bpm=180.0)))
    assert fast.drone is not None
    assert fast.drone.end_sec == pytest.approx(solved.drone.end_sec / 2)
    back = undo(fast)
    for riff, like in ((back, solved), (redo(back), fast)):
        assert [n.onset_sec for n in riff.notes] == pytest.approx([n.onset_sec for n in like.notes])
        ends = [n.offset_sec for n in like.notes]
        assert [n.offset_sec for n in riff.notes] == pytest.approx(ends)
        assert riff.rhythm == like.rhythm
        assert riff.drone == like.drone
        assert riff.theory == like.theory


def test_a_score_in_another_meter_keeps_its_note_values(written: Riff) -> None:
    """An eighth is half a quarter in every meter (Gehrkens 1914, Music Notation and Terminology;
    from memory)."""
    riff = retime.retime(written, meter=(6, 8))
    assert riff.rhythm is not None
    assert (riff.rhythm.meter, riff.rhythm.bpm) == ((6, 8), 180.0)
    assert [n.onset_beat for n in riff.notes] == [2 * (n.onset_beat or 0) for n in written.notes]
    assert [n.onset_sec for n in riff.notes] == [n.onset_sec for n in written.notes]
    both = retime.retime(written, meter=(6, 8), bpm=90.0)
    assert _score(both) == _score(riff)
    assert both.notes[-1].onset_sec == pytest.approx(2 * riff.notes[-1].onset_sec)


def _guessed(riff: Riff) -> Riff:
    """``riff`` with its meter a guess of several."""
    assert riff.rhythm is not None
    choices = (MeterChoice(riff.rhythm.meter, 0.6), MeterChoice((5, 4), 0.4))
    return dataclasses.replace(riff, rhythm=dataclasses.replace(riff.rhythm, meter_choices=choices))


def test_three_quarters_become_six_eighths_in_the_same_bars() -> None:
    truth = make_riff(5042)
    found = _guessed(api.finger(_bare(truth), bpm=truth.bpm, meter=(3, 4)))
    riff = retime.retime(found, meter=(6, 8))
    assert riff.rhythm is not None
    assert found.rhythm is not None
    assert riff.rhythm.bpm == pytest.approx(2 * found.rhythm.bpm)
    assert riff.rhythm.meter == (6, 8)
    bars = len(found.rhythm.downbeats_sec)
    assert riff.rhythm.downbeats_sec[:bars] == pytest.approx(found.rhythm.downbeats_sec)
    assert [n.onset_beat for n in riff.notes] == [2 * (n.onset_beat or 0) for n in found.notes]


def test_four_quarters_in_threes_become_twelve_eighths() -> None:
    items = [(Fraction(b, 3), Fraction(1, 3), 3, (0, 2, 4)[b % 3]) for b in range(24)]
    riff = retime.retime(write_out(items, bpm=80.0), meter=(12, 8))
    assert riff.rhythm is not None
    assert riff.rhythm.bpm == pytest.approx(240.0)
    assert [n.onset_beat for n in riff.notes] == list(range(24))


@pytest.mark.parametrize("share", [0.82, 0.95, 1.05, 1.2])
def test_a_tempo_near_the_one_that_was_heard_keeps_the_meter(truth: Truth, share: float) -> None:
    found = _guessed(api.finger(_bare(truth), bpm=truth.bpm, meter=(4, 4)))
    riff = retime.retime(found, bpm=share * truth.bpm)
    assert riff.rhythm is not None
    assert found.rhythm is not None
    assert riff.rhythm.meter == (4, 4)
    assert riff.rhythm.bpm == pytest.approx(share * truth.bpm)
    assert riff.rhythm.downbeats_sec[0] == pytest.approx(found.rhythm.downbeats_sec[0])
    assert riff.rhythm.meter_choices == found.rhythm.meter_choices
    assert [n.onset_sec for n in riff.notes] == [n.onset_sec for n in found.notes]


@pytest.mark.parametrize("share", [0.47, 0.5, 0.54])
def test_a_tempo_near_half_is_half_time(fast: Riff, share: float) -> None:
    assert fast.rhythm is not None
    riff, half = retime.retime(fast, bpm=share * fast.rhythm.bpm), retime.half_time(fast)
    assert _score(riff) == _score(half)
    assert riff.rhythm is not None
    assert half.rhythm is not None
    assert riff.rhythm.beats_sec == half.rhythm.beats_sec
    assert riff.rhythm.meter == half.rhythm.meter
    assert riff.rhythm.bpm == pytest.approx(share * fast.rhythm.bpm)


def test_refused(fast: Riff) -> None:
    assert fast.rhythm is not None
    slow = dataclasses.replace(fast, rhythm=dataclasses.replace(fast.rhythm, bpm=30.0))
    with pytest.raises(ParameterError, match="a minute would be 15, outside 20 to 600"):
        retime.half_time(slow)
    for bare in (dataclasses.replace(fast, rhythm=None), dataclasses.replace(fast, notes=())):
        with pytest.raises(ParameterError, match="too few beats"):
            retime.double_time(bare)
    with pytest.raises(ParameterError, match="bpm is 9; give 20 to 600"):
        retime.retime(fast, bpm=9)
    with pytest.raises(ParameterError, match="meter is 3/5; give one such as"):
        retime.retime(fast, meter=(3, 5))
    with pytest.raises(ParameterError, match="no notes"):
        retime.retime(Riff(instrument=Instrument(), notes=sort_notes([]), source=Source("x")))


def test_the_take_that_ships_is_written_in_half_time(takes: Path) -> None:
    from transcribe.formats.document import read_riff

    riff = read_riff(takes / "mooring" / "truth.riff.json")
    half = retime.half_time(riff)
    assert half.rhythm is not None
    assert riff.rhythm is not None
    assert half.rhythm.bpm == pytest.approx(riff.rhythm.bpm / 2)
    shift = (half.notes[0].onset_beat or 0) - (riff.notes[0].onset_beat or 0) / 2
    halved = [(n.onset_beat or 0) / 2 + shift for n in riff.notes]
    same = sum(a.onset_beat == b for a, b in zip(half.notes, halved, strict=True))
    assert same >= 0.9 * len(riff.notes)


def _told(riff: Riff) -> dict[str, object]:
    """What the document says that the player told of its rhythm."""
    player = riff.player
    told = {"bpm": player.bpm, "meter": player.meter, "first_beat_sec": player.first_beat_sec}
    return {key: value for key, value in told.items() if value is not None}


def test_what_was_told_is_what_holds(fast: Riff) -> None:
    assert _told(fast) == {}
    assert fast.rhythm is not None
    half = retime.half_time(fast, meter=(2, 4))
    assert _told(half) == {"bpm": fast.rhythm.bpm / 2, "meter": (2, 4)}
    later = retime.retime(half, first_beat_sec=fast.rhythm.beats_sec[2])
    assert set(_told(from_json(to_json(later)))) == {"bpm", "meter", "first_beat_sec"}
    assert _told(undo(undo(later))) == {}


@pytest.mark.parametrize(
    ("choices", "expected"),
    [
        ([(100, 0.6), (50.5, 0.3)], ("half time", 50.0, (6, 8), 0.3)),
        ([(100, 0.5), (198, 0.25), (50, 0.2)], ("double time", 200.0, (6, 8), 0.25)),
        ([(100, 0.8), (50, 0.1)], None),
        ([(100, 0.5), (150, 0.5)], None),
        ([(100, 1.0)], None),
    ],
)
def test_other_time_is_told_where_it_is_likely(
    choices: list[tuple[float, float]], expected: tuple[str, float, tuple[int, int], float] | None
) -> None:
    weighed = tuple(TempoChoice(bpm, (6, 8), confidence) for bpm, confidence in choices)
    assert retime.other_tempo(Rhythm(100.0, bpm_choices=weighed)) == expected
    assert retime.other_tempo(Rhythm(100.0)) is None


def test_a_riff_that_is_over_before_bar_1_has_its_beats_found_anew() -> None:
    """The second note lies between the places of the score once it is halved."""
    riff = write_out([(-1, 0.25, 3, 0), (-0.5 + 1 / 24, 0.25, 3, 2), (-0.25, 0.125, 3, 4)])
    assert riff.rhythm is not None
    assert riff.rhythm.downbeats_sec[0] > riff.notes[-1].offset_sec
    half = retime.half_time(riff)
    assert half.rhythm is not None
    assert half.rhythm.bpm == pytest.approx(riff.rhythm.bpm / 2)


@pytest.mark.parametrize(("choice", "beats"), [("auto", 4.0), ("off", 0.5)])
def test_what_is_known_of_a_drone_reaches_the_rhythm(
    choice: Literal["auto", "off"], beats: float
) -> None:
    """A string that drones is written on to its next strike, one that does not is not."""
    riff = api.finger(notes_over_an_open_string(), bpm=120.0, meter=(4, 4))
    again = retime.retime(retune.set_drone(riff, choice), bpm=119.0)
    assert {n.duration_beat for n in again.notes if n.pitch_midi == 45} == {beats}
