"""Repeats: found on notes and rhythm, also varied, with where they differ."""

from __future__ import annotations

import itertools

import pytest

from transcribe.core.riff import Note
from transcribe.rhythm.phrases import find_phrases

A = [(0.0, 52), (1.0, 55), (1.5, 57), (2.0, 59), (3.0, 57), (3.5, 55)]
B = [(0.0, 48), (0.5, 60), (1.0, 62), (2.0, 64), (2.5, 65), (3.0, 67)]
C = [(0.5, 70), (1.25, 71), (2.25, 74), (2.75, 76), (3.25, 79)]


def _riff(*bars: list[tuple[float, int]], beats: float = 4.0) -> tuple[Note, ...]:
    ids = itertools.count(1)
    out = []
    for k, bar in enumerate(bars):
        for onset, pitch in bar:
            at = k * beats + onset
            out.append(Note(next(ids), at, at + 0.4, pitch, onset_beat=at, duration_beat=0.5))
    return tuple(out)


def _labels(notes: tuple[Note, ...], meter: tuple[int, int] = (4, 4)) -> list[str]:
    return [p.label for p in find_phrases(notes, meter=meter)]


def test_no_notes_have_no_phrases() -> None:
    assert find_phrases((), meter=(4, 4)) == ()


def test_a_riff_without_repeats_is_one_phrase() -> None:
    (phrase,) = find_phrases(_riff(A, B, C), meter=(4, 4))
    assert (phrase.label, phrase.start_beat, phrase.end_beat) == ("A", 0.0, 12.0)


def test_bars_that_come_again_share_a_label() -> None:
    assert _labels(_riff(A, A, B, A)) == ["A", "A", "B", "A"]


def test_two_bar_phrases_are_kept_whole() -> None:
    phrases = find_phrases(_riff(A, B, A, B, A, B), meter=(4, 4))
    # Either one-bar phrases A B A B or two-bar phrases A A say the same; pairs must map.
    spans = {p.end_beat - p.start_beat for p in phrases}
    assert spans in ({4.0}, {8.0})
    first = phrases[0].label
    assert [p.start_beat for p in phrases if p.label == first][:2] == [0.0, 8.0]


def test_a_varied_repeat_carries_a_prime_and_says_where_it_differs() -> None:
    varied = [*A[:4], (3.0, 60), (3.5, 62)]
    phrases = find_phrases(_riff(A, B, varied, B, A, B), meter=(4, 4))
    by_start = {p.start_beat: p for p in phrases}
    prime = by_start[8.0]
    assert prime.label == "A'"
    assert prime.repeats_beat == 0.0
    assert [(d.beat, d.kind) for d in prime.differences] == [
        (3.0, "changed"),
        (3.5, "changed"),
    ]
    assert [(d.note, d.other) for d in prime.differences] == [(17, 5), (18, 6)]
    assert by_start[16.0].label == "A"
    assert by_start[16.0].differences == ()


def test_two_variations_get_two_names() -> None:
    one = [*A[:3], (2.0, 60), (3.0, 62), (3.5, 64)]
    two = [(0.0, 52), (1.0, 55), (1.5, 57), (2.0, 45), (3.0, 43), (3.5, 47)]
    assert _labels(_riff(A, A, one, two, A)) == ["A", "A", "A'", "A''", "A"]


def test_a_missed_and_an_added_note_do_not_make_another_phrase() -> None:
    long = [(k / 2, 50 + k * 5 % 9) for k in range(8)]
    missed = long[:3] + long[4:]
    added = sorted([*long, (1.25, 71)])
    phrases = find_phrases(_riff(long, missed, added, long), meter=(4, 4))
    assert [p.label for p in phrases] == ["A", "A", "A", "A"]
    assert [d.kind for d in phrases[1].differences] == ["left out"]
    assert [d.kind for d in phrases[2].differences] == ["added"]


def test_same_rhythm_on_other_notes_is_another_phrase() -> None:
    other = [(t, p + 1 + k % 3) for k, (t, p) in enumerate(A)]
    assert _labels(_riff(A, other, other, A)) == ["A", "B", "B", "A"]


def test_a_pickup_is_in_no_phrase() -> None:
    notes = (Note(99, -0.5, -0.1, 64, onset_beat=-0.5, duration_beat=0.5), *_riff(A, A))
    phrases = find_phrases(notes, meter=(4, 4))
    assert [p.start_beat for p in phrases] == [0.0, 4.0]


@pytest.mark.parametrize("meter", [(3, 4), (7, 8), (5, 4)])
def test_phrases_are_whole_bars_without_gaps(meter: tuple[int, int]) -> None:
    size = float(meter[0])
    bar = [(t, p) for t, p in A if t < size - 0.5]
    phrases = find_phrases(_riff(bar, bar, B[:3], bar, beats=size), meter=meter)
    assert phrases[0].start_beat == 0.0
    for a, b in itertools.pairwise(phrases):
        assert a.end_beat == b.start_beat
    assert all((p.end_beat - p.start_beat) % size == 0 for p in phrases)


def test_a_phrase_that_is_not_whole_bars_is_still_found() -> None:
    # Seven beats again and again under a meter of four.
    seven = [*A, (4.0, 62), (4.5, 64), (5.0, 66), (6.0, 61)]
    phrases = find_phrases(_riff(*[seven] * 5, beats=7.0), meter=(4, 4))
    assert {p.end_beat - p.start_beat for p in phrases[:-1]} <= {7.0, 28.0}
    assert len({p.label for p in phrases if p.end_beat - p.start_beat == 7.0}) <= 1
