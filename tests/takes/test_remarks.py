"""What is said beside the verdicts: parts that are not judged, and how the instruments differ."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from tests.takes.helpers import (
    STEP,
    between,
    differences_of,
    later,
    played,
    reference,
    remarks_of,
    take,
)
from transcribe.core.riff import Instrument, Note, Riff, Source
from transcribe.takes import Comparison, compare, report
from transcribe.takes.remarks import pass_remarks
from transcribe.takes.verdict_wording import remark_words

BAR = 4 * STEP


def mistakes(comparison: Comparison) -> int:
    """Notes that count and are not right."""
    counts = comparison.summary.counts
    return sum(n for name, n in counts.items() if name != "right")


@pytest.fixture
def four_bars() -> Riff:
    """Four bars in which no bar comes again, so that every part has one place only."""
    riff = reference(repeats=2)
    notes = [
        replace(n, pitch_midi=n.pitch_midi + 1, fret=(n.fret or 0) + 1)
        if n.string == 4 and (n.onset_beat or 0.0) >= 8.0
        else n
        for n in riff.notes
    ]
    return replace(riff, notes=tuple(notes))


@pytest.mark.parametrize(
    ("first", "last", "said"),
    [
        (3, 4, ["the take starts at bar 3 beat 1; the 24 notes before that are not counted"]),
        (1, 2, ["the take stops at bar 2 beat 4&; the 24 notes after that are not counted"]),
        (
            2,
            3,
            [
                "the take starts at bar 2 beat 1; the 12 notes before that are not counted",
                "the take stops at bar 3 beat 4&; the 12 notes after that are not counted",
            ],
        ),
    ],
)
def test_a_take_of_a_part(four_bars: Riff, first: int, last: int, said: list[str]) -> None:
    whole = played(four_bars, start_sec=0.0)
    notes = later(between(whole, (first - 1) * BAR - 0.01, last * BAR - 0.01), 0.5)
    comparison = compare(take(notes), four_bars)
    assert mistakes(comparison) == 0
    assert [s for s in remarks_of(comparison) if "recorded times" not in s] == said


def test_a_part_left_out_in_the_middle(four_bars: Riff) -> None:
    whole = played(four_bars, start_sec=0.5)
    end = 0.5 + 3 * BAR - 0.01
    notes = between(whole, 0, 0.5 + BAR - 0.01) + later(between(whole, end, 99), -2 * BAR)
    comparison = compare(take(notes), four_bars)
    assert mistakes(comparison) == 0
    assert "bar 2 beat 1 to bar 3 beat 4& is left out; not counted" in remarks_of(comparison)


def test_a_count_in_on_the_drone_is_not_counted() -> None:
    riff = reference(repeats=2)
    count = [Note(100 + k, 0.4 + k * STEP, 0.4 + (k + 0.8) * STEP, 45) for k in range(4)]
    comparison = compare(take(count + later(played(riff), BAR)), riff)
    assert mistakes(comparison) == 0
    assert len(comparison.passes) == 1
    assert "4 notes before the riff begins are not counted" in remarks_of(comparison)


def test_what_is_tried_before_and_after_the_riff_is_not_counted(rng: np.random.Generator) -> None:
    riff = reference(repeats=2)
    tried = [Note(100 + k, 0.31 * k, 0.31 * k + 0.3, int(rng.integers(45, 70))) for k in range(12)]
    comparison = compare(take(tried + later(played(riff), 5.0) + later(tried, 20.0)), riff)
    assert comparison.same_riff
    assert mistakes(comparison) == 0
    assert "12 notes before the riff begins are not counted" in remarks_of(comparison)
    assert "12 notes after the riff ends are not counted" in remarks_of(comparison)


def test_a_false_start_and_a_part_at_the_end_are_told_from_passes() -> None:
    riff = reference(repeats=2)
    start = between(played(riff, start_sec=0.0), 0, 2.0)
    notes = start + later(played(riff), 2.6) + later(start, 13.0)
    comparison = compare(take(notes), riff)
    assert comparison.best == 1
    assert any(s.startswith("a false start at 0.0 s is not") for s in remarks_of(comparison))
    assert any(s.startswith("a part at 13.0 s is not") for s in remarks_of(comparison))
    assert not any("times; these" in s for s in remarks_of(comparison))
    assert re.search(r"1\. 0\.0 to \d\.\d s, bar 1 beat 1 to 4: ", report.text(comparison))


def transposed(riff: Riff, steps: int) -> list[Note]:
    """The riff as a take that sounds ``steps`` semitones higher."""
    return [replace(n, pitch_midi=n.pitch_midi + steps) for n in played(riff)]


@pytest.mark.parametrize(
    ("steps", "capo", "said"),
    [
        (-1, 0, "1 semitone lower than the reference throughout (as with every string tuned half"),
        (-2, 0, "2 semitones lower than the reference throughout (as with every string tuned a "),
        (-3, 3, "3 semitones lower than the reference throughout (as without the capo, which the"),
        (3, 0, "3 semitones higher than the reference throughout (as with a capo at fret 3); "),
        (12, 0, "an octave higher than the reference throughout; this is not counted"),
        (-24, 0, "2 octaves lower than the reference throughout; this is not counted"),
    ],
)
def test_a_constant_transposition_is_told_with_its_likely_cause(
    steps: int, capo: int, said: str
) -> None:
    plain = reference()
    riff = replace(
        plain,
        instrument=Instrument(capo=capo),
        notes=tuple(replace(n, pitch_midi=n.pitch_midi + capo) for n in plain.notes),
    )
    # The take's document does not know of the capo, as a recording does not.
    comparison = compare(replace(take(transposed(riff, steps)), instrument=riff.instrument), riff)
    assert mistakes(comparison) == 0
    assert said in differences_of(comparison)[0]


def test_a_take_in_standard_tuning_of_a_tab_that_is_tuned_down_is_told() -> None:
    plain = reference()
    low = replace(
        plain,
        instrument=Instrument(tuple(m - 1 for m in plain.instrument.open_midi)),
        notes=tuple(replace(n, pitch_midi=n.pitch_midi - 1) for n in plain.notes),
    )
    # A recording is read for the reference's instrument, so the take's own says nothing.
    notes = replace(take(played(plain)), instrument=low.instrument)
    said = differences_of(compare(notes, low))[0]
    assert "1 semitone higher than the reference throughout (as in standard tuning)" in said


def test_a_recording_that_is_played_back_slower_is_told() -> None:
    riff = reference(repeats=2)
    ratio = 0.75  # 12 log2 0.75 = -4.98 semitones
    notes = [replace(n, pitch_midi=n.pitch_midi - 5) for n in played(riff, ratio=ratio)]
    slow = replace(take(notes), instrument=Instrument(offset_cents=2.0))
    comparison = compare(slow, riff)
    assert mistakes(comparison) == 0
    assert "played back at 75 % of its speed" in differences_of(comparison)[0]
    # Five semitones lower at the written tempo are a matter of tuning alone.
    plain = compare(take(transposed(riff, -5)), riff)
    assert "played back" not in differences_of(plain)[0]


def test_parts_of_a_semitone_are_told_with_the_semitones() -> None:
    riff = reference()
    flat = replace(take(transposed(riff, -1)), instrument=Instrument(offset_cents=40.0))
    assert "sounds 0.6 semitones lower" in differences_of(compare(flat, riff))[0]


def test_a_take_of_another_riff_is_told_in_a_few_lines(rng: np.random.Generator) -> None:
    riff = replace(reference(), source=Source("mooring <1>.riff.json"))
    notes = [replace(n, pitch_midi=int(rng.integers(40, 80))) for n in played(riff)]
    comparison = compare(take(notes), riff)
    text = report.text(comparison)
    assert " ".join(text.split()).startswith(
        "This take does not look like the reference (mooring <1>.riff.json): "
    )
    assert len(text.splitlines()) < 8
    page = report.html(comparison)
    assert "Another riff?" in page
    assert "mooring &lt;1&gt;.riff.json" in page
    assert "<svg" not in page


def test_an_unclear_take_asks_for_a_better_recording() -> None:
    riff = reference()
    notes = [
        replace(n, pitch_midi=n.pitch_midi + 1, confidence=0.3) if k % 3 == 0 else n
        for k, n in enumerate(played(riff))
    ]
    comparison = compare(take(notes), riff)
    assert comparison.summary.counts["unsure"] == 8
    assert any("a recording closer to the guitar" in s for s in remarks_of(comparison))
    text = report.text(comparison)
    assert text.count("\n  ? ") == 1
    assert "? 8 notes in bars 1 and 2: not clear enough to judge, not counted" in text
    assert "8 notes in bars 1 and 2: not clear enough" in report.html(comparison)


@pytest.mark.parametrize(
    ("ratio", "said"),
    [
        (0.6, "everything is right at 60 bpm: try 65 next, on the way to 100"),
        (0.94, "everything is right at 94 bpm: try 100 next"),
        (1.0, None),
        (1.2, None),
    ],
)
def test_a_slow_take_without_a_mistake_may_go_faster(ratio: float, said: str | None) -> None:
    riff = reference()
    found = [s for s in remarks_of(compare(take(played(riff, ratio=ratio)), riff)) if "next" in s]
    assert found == ([said] if said else [])


def test_a_slow_take_with_a_mistake_is_not_sent_on() -> None:
    riff = reference()
    notes = played(riff, ratio=0.6)
    notes[5] = replace(notes[5], pitch_midi=notes[5].pitch_midi + 1)
    assert not any("next" in s for s in remarks_of(compare(take(notes), riff)))


def test_many_pauses_are_told_in_one_line(four_bars: Riff) -> None:
    one = compare(take(played(four_bars)), four_bars).passes[0]

    def said(*pauses: tuple[float, float]) -> list[str]:
        stopped = replace(one, pauses=pauses)
        told = pass_remarks(four_bars, timing="score", passes=[stopped], best=0)
        return [remark_words(r, four_bars) for r in told if r.kind in ("pause", "pauses")]

    few = said((3.0, 2.0), (6.0, 0.3), (9.0, 1.0))
    assert few == [
        "a pause of 2.0 s before 3.0 s is not counted",
        "a pause of 1.0 s before 9.0 s is not counted",
    ]
    many = said(*((float(t), 0.5 * t) for t in range(1, 7)))
    assert many == ["5 pauses, the longest of 3.0 s before 6.0 s, are not counted"]
