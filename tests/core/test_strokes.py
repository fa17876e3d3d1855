"""Strums of every speed are one stroke; what is played note by note is not.

How long a strum takes (5 to 120 ms over six strings) is common practice, no source.
"""

from __future__ import annotations

import numpy as np
import pytest

from transcribe.core.riff import Note, sort_notes
from transcribe.core.strokes import strokes

CHORD = (40, 47, 52, 56, 59, 64)


def strum(start_sec: float, spread_sec: float, *, up: bool = False, jitter=None) -> list[Note]:
    order = CHORD[::-1] if up else CHORD
    late = np.zeros(len(order)) if jitter is None else jitter
    return [
        Note(k, start_sec + spread_sec * k / 5 + float(late[k]), start_sec + 0.5, pitch)
        for k, pitch in enumerate(order)
    ]


@pytest.mark.parametrize("up", [False, True])
@pytest.mark.parametrize("spread_ms", [0, 5, 20, 40, 60, 80, 100, 120])
def test_a_strum_is_one_stroke(spread_ms: float, up: bool) -> None:
    notes = sort_notes(strum(0.0, spread_ms / 1000, up=up) + strum(0.3, spread_ms / 1000, up=up))
    assert [len(group) for group in strokes(notes)] == [6, 6]


@pytest.mark.parametrize("spread_ms", [30, 60, 90, 120])
def test_a_strum_heard_with_jitter_and_gaps_is_one_stroke(spread_ms: int) -> None:
    rng = np.random.default_rng(spread_ms)
    whole = 0
    for _ in range(200):
        notes = strum(0.0, spread_ms / 1000, jitter=rng.normal(0, 0.003, 6))
        left = rng.integers(1, 5)
        heard = sort_notes([n for k, n in enumerate(notes) if k != left])
        whole += len(strokes(heard)) == 1
    assert whole >= 190


@pytest.mark.parametrize("gap_ms", [62, 94, 150])
def test_an_arpeggio_is_played_note_by_note(gap_ms: float) -> None:
    notes = [Note(k, k * gap_ms / 1000, 1.0, pitch) for k, pitch in enumerate(CHORD)]
    assert len(strokes(notes)) == 6


def test_a_hammered_note_is_no_string_of_a_stroke() -> None:
    notes = [Note(0, 0.0, 0.04, 55), Note(1, 0.03, 0.4, 59)]
    trill = [*notes, Note(2, 0.07, 0.4, 60, articulation="hammer-on")]
    assert strokes(trill) == ((0, 1), (2,))


def test_strings_that_are_missed_in_a_slow_stroke_do_not_split_it() -> None:
    """Three of six strings, 20 ms apart, are not heard: the last comes at the stroke's own pace."""
    slow = [Note(0, 1.324, 2.0, 43), Note(1, 1.344, 2.0, 47), Note(2, 1.424, 2.0, 67)]
    assert strokes(slow) == ((0, 1, 2),)
    # A drone and a melody note that are struck at once take no leap of the line with them.
    at_once = [Note(0, 1.0, 2.0, 45), Note(1, 1.004, 1.09, 52), Note(2, 1.094, 2.0, 64)]
    assert strokes(at_once) == ((0, 1), (2,))


def test_the_pace_of_other_strokes_joins_what_is_left_of_one() -> None:
    """Of a slow stroke only the outer strings are heard; it is as wide as the take's others."""
    whole = [note for beat in range(5) for note in strum(beat * 0.5, 0.1)]
    torn = [Note(0, 2.5, 3.0, CHORD[0]), Note(1, 2.6, 3.0, CHORD[-1])]
    assert [len(group) for group in strokes(sort_notes(whole + torn))] == [6] * 5 + [2]
    # Alone, or among quick strokes, two notes so far apart are two.
    assert strokes(torn) == ((0,), (1,))
    quick = [note for beat in range(5) for note in strum(beat * 0.5, 0.02)]
    assert [len(group) for group in strokes(sort_notes(quick + torn))] == [6] * 5 + [1, 1]
    # A line's steps among slow strokes stay single notes.
    line = [Note(k, 2.5 + 0.1 * k, 2.6 + 0.1 * k, 64 + 2 * k) for k in range(4)]
    assert [len(group) for group in strokes(sort_notes(whole + line))] == [6] * 5 + [1] * 4
