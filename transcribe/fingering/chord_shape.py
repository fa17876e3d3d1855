"""The movable shape of a chord: of a power chord, an octave or a sixth.

A power chord is a root and its fifth, doubled at the octave or not; its shape takes adjacent
strings from the lowest note up. An octave alone is none: its two notes lie two strings apart, the
one between muted; so do those of a sixth. All these shapes move along the neck as they are (common
practice, no source).
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

__all__ = ["movable_shape"]

_FOURTH, _FIFTH = 5, 7
_OVER_A_STRING = (8, 9, 12)  # semitones of sixths and of an octave


def movable_shape(pitches: Sequence[int]) -> tuple[tuple[int, ...], int]:
    """The places of a chord's notes in ``pitches`` (MIDI), lowest first, and the strings between.

    The second number says how many strings further each note lies than the one below it: 1 for a
    power chord (fourths and fifths by turns: root, fifth and octave, or the fifth below the root),
    2 for an octave or a sixth. ``((), 0)`` for any other chord and for single notes.
    """
    order = tuple(sorted(range(len(pitches)), key=lambda n: pitches[n]))
    steps = [pitches[b] - pitches[a] for a, b in itertools.pairwise(order)]
    if len(steps) == 1 and steps[0] in _OVER_A_STRING:
        return order, 2
    by_turns = all(a != b for a, b in itertools.pairwise(steps))
    if steps and by_turns and all(step in (_FOURTH, _FIFTH) for step in steps):
        return order, 1
    return (), 0
