"""Which grip a strum is of: whichever strings it reached, missed, or heard beside it."""

from __future__ import annotations

import numpy as np
import pytest

from transcribe.core.grips import find_grips, grips_of_notes
from transcribe.core.riff import Note

# Handbook shapes as they sound (common practice, no source).
C = frozenset({48, 52, 55, 60, 64})
A_MINOR = frozenset({45, 52, 57, 60, 64})
A_MINOR_7 = frozenset({45, 52, 55, 60, 64})
F = frozenset({41, 48, 53, 57, 60, 65})
G = frozenset({43, 47, 50, 55, 59, 67})


def _heard(grip: frozenset[int], rng: np.random.Generator, *, up: bool) -> frozenset[int]:
    """A stroke as it is heard: up strokes reach the high strings, one string in twenty is missed,
    and now and then an octave is heard that nobody struck."""
    reached = sorted(grip)[-int(rng.integers(3, 6)) :] if up else sorted(grip)
    out = {p for p in reached if len(reached) < 4 or rng.random() > 0.05}
    return frozenset(out | ({min(out) + 12} if rng.random() < 0.04 else set()))


@pytest.mark.parametrize("loop", [(C, A_MINOR, F, G), (A_MINOR, F), (G, C, G, C)])
def test_the_grips_of_a_loop_are_found_whole(loop: tuple[frozenset[int], ...]) -> None:
    rng = np.random.default_rng(3)
    held = [grip for _ in range(3) for grip in loop for _ in range(6)]
    strums = [_heard(grip, rng, up=k % 3 == 2) for k, grip in enumerate(held)]
    assert len(set(strums)) > len(set(loop))
    assert list(find_grips(strums)) == held


def test_a_chord_that_differs_in_one_string_is_another_grip() -> None:
    strums = [A_MINOR] * 4 + [A_MINOR_7] * 4
    assert list(find_grips(strums)) == strums


def test_a_strum_like_no_other_is_a_grip_of_its_own() -> None:
    assert find_grips([C, C, F, C]) == (C, C, F, C)


def test_single_notes_and_foreign_pairs_are_of_no_grip() -> None:
    pair, foreign = frozenset({60, 64}), frozenset({61, 66})
    assert find_grips([frozenset({48}), C, pair, foreign]) == (None, C, C, None)
    assert find_grips([]) == ()
    assert find_grips([pair, pair]) == (None, None)


def test_notes_of_a_strum_share_its_score_time() -> None:
    notes = [Note(k, 0.01 * k, 1.0, p, onset_beat=0.0) for k, p in enumerate(sorted(C))]
    notes.append(Note(9, 0.5, 1.0, 48, onset_beat=1.0))
    assert grips_of_notes(notes) == dict.fromkeys(range(5), C)
