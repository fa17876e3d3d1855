"""Tabs without a count: their bar lines are kept, and without bar lines bar 1 comes first."""

from __future__ import annotations

import itertools
import math

import pytest

from transcribe import api
from transcribe.core.riff import Riff
from transcribe.core.wording import sentence
from transcribe.correct import retime
from transcribe.correct.history import undo
from transcribe.correct.retime import remaining_warnings
from transcribe.formats.tab.read import read_tab
from transcribe.formats.tab.write import write_tab

UNEVEN = """\
e|------------|----------|-------------------|-----------|
B|------------|----------|--5p3p1------------|-----------|
G|------0h2---|/4p2p0----|--------4h5p4------|-2p0-------|
D|-2h3p2------|------3p2-|-------------------|----3p0/2--|
A|------------|----------|-------------------|-----------|
E|0-----------|----------|-------------------|-----------|
"""
PICKUP = """\
e|-----|-----------------|-----------------|
B|-----|-----------------|-----------------|
G|-0-2-|-4---2---0-------|-2---4-----------|
D|-----|-------------4---|-----------------|
A|-----|-----------------|-----------------|
E|-----|-----------------|-----------------|
"""
NO_BARS = """\
e|--------------------------------
B|--------------------------------
G|--------------------------------
D|--------7-9-10-9-7---5---4-5-7--
A|--0-----0-----0-----0-----0-----
E|--------------------------------
"""


def _bars(riff: Riff) -> list[int]:
    """How many notes stand in each bar, bar 0 being a pickup; from the first bar there is."""
    assert riff.rhythm is not None
    numbers = [math.floor((n.onset_beat or 0.0) / riff.rhythm.meter[0]) + 1 for n in riff.notes]
    return [numbers.count(bar) for bar in range(min(numbers), max(numbers) + 1)]


def test_bars_of_any_width_are_bars() -> None:
    riff = read_tab(UNEVEN)
    assert riff.rhythm is None
    assert riff.timing.kind == "order"
    starts = riff.timing.bars_sec
    assert [b - a for a, b in itertools.pairwise(starts)] == pytest.approx([2.0] * 4)
    fingered = api.finger(riff)
    assert _bars(fingered) == [6, 5, 6, 5]
    assert fingered.rhythm is not None
    assert fingered.rhythm.meter == (4, 4)
    assert not fingered.timing.bars_sec
    assert any("no meter" in sentence(w) for w in fingered.warnings)
    again = read_tab(write_tab(fingered))
    assert _bars(again) == [6, 5, 6, 5]


@pytest.mark.parametrize(("bpm", "meter"), [(90.0, None), (72.5, (3, 4)), (200.0, (6, 8))])
def test_a_tempo_or_meter_that_is_given_leaves_the_bars(
    bpm: float, meter: tuple[int, int] | None
) -> None:
    fingered = api.finger(read_tab(UNEVEN), bpm=bpm, meter=meter)
    assert _bars(fingered) == [6, 5, 6, 5]
    assert fingered.rhythm is not None
    assert fingered.rhythm.bpm == bpm
    assert fingered.rhythm.meter == (meter or (4, 4))
    steps = [b - a for a, b in itertools.pairwise(fingered.rhythm.beats_sec)]
    assert steps == pytest.approx([60 / bpm] * len(steps), rel=0.15)
    assert any("no meter" in sentence(w) for w in fingered.warnings) is (meter is None)


def test_a_meter_in_the_heading_is_taken() -> None:
    fingered = api.finger(read_tab("Rope walk, 3/4, 90 bpm\nTime: 3/4\n\n" + UNEVEN))
    assert fingered.rhythm is not None
    assert fingered.rhythm.meter == (3, 4)
    assert fingered.rhythm.bpm == 90.0
    assert _bars(fingered) == [6, 5, 6, 5]


@pytest.mark.parametrize(
    ("row", "meter"),
    [
        ("-0-2-4-0-2-4-|-5-4-2-0---2-|-0-2-4-5-4-2-", (3, 4)),
        ("0---2---4---|5---4---2---|0---2-------", (3, 4)),
        ("-0-2-4-0-2-4-5-7-|-5-4-2-0---2-4-5-|-0-2-4-5-4-2-0---", (4, 4)),
        ("0-2-4-0-2-4-|5-4-2-0---2-4-5-7-|0-2-4-", (4, 4)),
        ("-0-----------|-2-----------|-0-----------", (4, 4)),
    ],
)
def test_three_quarters_are_seen_where_bars_are_drawn_for_them(
    row: str, meter: tuple[int, int]
) -> None:
    text = "".join(f"{n}|{row if n == 'D' else _dashed(row)}|\n" for n in "eBGDAE")
    fingered = api.finger(read_tab(text))
    assert fingered.rhythm is not None
    assert fingered.rhythm.meter == meter
    assert f"{meter[0]}/{meter[1]} is assumed" in " ".join(map(sentence, fingered.warnings))
    bars = row.split("|")
    if meter == (3, 4):
        assert _bars(fingered) == [sum(c.isdigit() for c in bar) for bar in bars]
    assert api.finger(read_tab(text), meter=(6, 8)).rhythm.meter == (6, 8)  # type: ignore[union-attr]


def test_a_narrow_first_bar_is_a_pickup() -> None:
    fingered = api.finger(read_tab(PICKUP))
    assert _bars(fingered) == [2, 4, 2]
    assert fingered.notes[0].onset_beat == -1.0
    assert fingered.notes[2].onset_beat == 0.0


def test_without_bar_lines_the_first_note_begins_bar_1() -> None:
    riff = read_tab(NO_BARS)
    assert not riff.timing.bars_sec
    fingered = api.finger(riff)
    assert fingered.notes[0].onset_beat == 0.0
    assert min(_bars(fingered)) > 0
    assert fingered.rhythm is not None
    assert fingered.rhythm.bpm == pytest.approx(120.0)
    melody = [n for n in fingered.notes if n.pitch_midi > 50]
    assert melody[1].onset_beat == pytest.approx((melody[0].onset_beat or 0) + 0.5)


@pytest.mark.parametrize("shift", range(5))
def test_no_run_of_notes_begins_with_a_pickup_by_accident(shift: int) -> None:
    gaps = [(3, 2, 1, 2, 4), (1, 5, 2, 2), (6, 2, 2, 2), (2, 2, 3), (4, 1, 1, 1, 5)][shift]
    row = "--" + "".join(str(n % 8) + "-" * gap for n, gap in enumerate(gaps * 4))
    lines = [f"{name}{row if name == 'D' else '-' * len(row)}" for name in "eBGDAE"]
    fingered = api.finger(read_tab("\n".join(lines) + "\n"))
    assert fingered.notes[0].onset_beat == 0.0


def test_more_signs_than_sixteenths_keep_places_of_their_own() -> None:
    row = "|" + "-".join(str(n % 5) for n in range(20)) + "|" + "-" * 39 + "|"
    lines = [f"{name}{row if name == 'D' else _dashed(row)}" for name in "eBGDAE"]
    riff = read_tab("\n".join(lines) + "\n")
    onsets = [n.onset_sec for n in riff.notes]
    assert len(set(onsets)) == 20
    assert max(onsets) < riff.timing.bars_sec[1]


def _dashed(row: str) -> str:
    """The row with dashes for its numbers."""
    return "".join("-" if c.isdigit() else c for c in row)


def test_the_remark_about_the_meter_goes_once_it_is_given() -> None:
    fingered = api.finger(read_tab(UNEVEN))
    assert any("no meter" in sentence(w) for w in fingered.warnings)
    other = api.finger(fingered, meter=(3, 4))
    assert not any("no meter" in sentence(w) for w in other.warnings)
    again = retime.retime(fingered, meter=(3, 4))
    kinds = ["tab-no-meter", "tempo-taken"]
    assert [remark.kind for remark in remaining_warnings(fingered)] == kinds
    assert [remark.kind for remark in remaining_warnings(again)] == kinds[1:]
    assert [remark.kind for remark in remaining_warnings(undo(again))] == kinds
    with_tempo = retime.retime(again, bpm=90.0)
    assert not remaining_warnings(with_tempo)


def test_a_tempo_that_is_told_counts_beats_of_the_meter_that_is_given() -> None:
    riff = read_tab("100 bpm\n\n" + UNEVEN)
    for meter in ((3, 4), (4, 4), (6, 8)):
        fingered = api.finger(riff, meter=meter)
        assert fingered.rhythm is not None
        assert fingered.rhythm.bpm == 100.0
        assert _bars(fingered) == [6, 5, 6, 5]
