"""Which bars are written once: the decision that the tab and MusicXML share."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from transcribe.formats.bar_repeats import Repeat, find_repeats
from transcribe.formats.chord_names import chords_within


@pytest.mark.parametrize(
    ("bars", "repeated"),
    [
        ("", []),
        ("abcabd", [(0, 3, 2, 1)]),
        ("abcdeabcfg", [(0, 5, 2, 2)]),
        ("abcdabef", []),  # half of the passes would be endings
        ("abcabdabe", [(0, 3, 2, 1)]),
        ("aa", [(0, 1, 2)]),
        ("aaab", [(0, 1, 3)]),
        ("abab", [(0, 2, 2)]),
        ("xababy", [(1, 2, 2)]),
        ("aabb", [(0, 1, 2), (2, 1, 2)]),
        ("abcba", []),
        # Four bars saved by the long repeat, against one by the short one inside it.
        ("aabcaabc", [(0, 4, 2)]),
    ],
)
def test_find_repeats(bars: str, repeated: list[tuple[int, int, int]]) -> None:
    assert find_repeats(bars) == [Repeat(*repeat) for repeat in repeated]


def test_no_more_than_nine_times_between_one_pair_of_signs() -> None:
    assert find_repeats("a" * 11)[0].times * find_repeats("a" * 11)[0].length <= 11
    assert all(repeat.times <= 9 for repeat in find_repeats("a" * 40))


@pytest.mark.parametrize(
    ("joined", "repeated"),
    [
        ((0,), [(1, 1, 2)]),  # led into from before: the first bar stands alone
        ((1,), []),  # the first pass leads into the second
        ((3,), [(0, 1, 2)]),  # the third pass leads out: it stands alone
        ((2,), []),
    ],
)
def test_nothing_leads_over_the_signs_of_a_repeat(
    joined: tuple[int, ...], repeated: list[tuple[int, int, int]]
) -> None:
    found = find_repeats("aaab", joined=joined)
    assert found == [Repeat(*repeat) for repeat in repeated]


def test_what_leads_over_a_bar_line_inside_a_pass_repeats() -> None:
    assert find_repeats("abab", joined=(1, 3)) == [Repeat(0, 2, 2)]


@given(bars=st.text("ab", max_size=14), joined=st.sets(st.integers(0, 14)))
def test_repeats_play_out_to_the_same_bars(bars: str, joined: set[int]) -> None:
    played, at = "", 0
    for repeat in find_repeats(bars, joined=joined):
        assert repeat.start >= at
        assert repeat.times > 1
        edges = range(repeat.start, repeat.end, repeat.length)
        assert not joined & set(edges)
        played += bars[at : repeat.start]
        common = bars[repeat.start : repeat.last + 1 - repeat.ending]
        ends = [bars[e.start : e.stop] for e in repeat.endings] or [""] * repeat.times
        played += "".join(common + end for end in ends)
        assert all(bars[i] == bars[repeat.as_written(i)] for i in repeat.dropped)
        at = repeat.end
    assert played + bars[at:] == bars


def test_a_chord_is_told_where_it_still_holds() -> None:
    changes = [(4, "Dm"), (8, "G"), (10, "C")]
    assert chords_within(changes, 0, 4) == ()
    assert chords_within(changes, 2, 6) == ((2, "Dm"),)
    assert chords_within(changes, 6, 10) == ((0, "Dm"), (2, "G"))
    assert chords_within(changes, 10, 14) == ((0, "C"),)
