"""What it costs to go from one way of playing to another, for arrays of any shape.

Each function takes the values before and after as arrays that broadcast against each other, so
that one definition serves a few states of the search and the tables of a whole stretch of notes.
Frets count from the capo, strings from 0; what is not named otherwise has no unit.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

__all__ = [
    "HAND_COSTS",
    "Grip",
    "hand_moves",
    "hurry",
    "open_in_line",
    "rested",
    "stops_ringing",
    "voice_moves",
]

_BOX_FRET = 5  # a line with notes at this fret or higher is played without open strings
_BOX_STEP = 3  # semitones from one note of a pentatonic scale to the next, at most

_NEXT_PITCH = 2  # semitones to the next note of a scale

# Frets from one note to another that a hand stops at once, at most: a finger a fret and one more
# (common practice, no source).
_HELD_FRETS = 4

Array = np.ndarray


@dataclass(frozen=True, slots=True)
class Grip:
    """Where the hand and its fingers are.

    ``placed``: whether the hand stops any string. ``position``: the fret of the index finger, 1
    where the hand is not placed; ``mm``: that fret's distance from the nut. ``finger_string``,
    ``finger_fret``: the four fingers along a first axis of their own, -1 where one is free.
    """

    placed: Array
    position: Array
    mm: Array
    finger_string: Array
    finger_fret: Array

    def parts(self) -> tuple[Array, ...]:
        """Its arrays in the order in which a grip is made of them."""
        return self.placed, self.position, self.mm, self.finger_string, self.finger_fret


HAND_COSTS: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "shift": ("cm", ""),
        "shift_rested": ("cm", "rest"),
        "shift_fast": ("cm", "hurry"),
        "shift_any": ("any", ""),
        "shift_any_rested": ("any", "rest"),
        "box_moves": ("two", "box"),
        "shift_far": ("far", ""),
        "shift_held": ("three", "held"),
        "shift_guided": ("guided", ""),
        "open_up_neck": ("opens_up", ""),
        "open_off_nut": ("opens_off", ""),
        "finger_across": ("across", ""),
        "finger_jumps": ("jumps", ""),
        "finger_guides": ("guides", ""),
        "finger_kept": ("kept", ""),
    }
)
"""Cost -> (the part of `hand_moves` that it counts, what of the onset scales it, if anything).

``rest``: the silence before, from 0.2 s; 1.5 s and more are 1. ``hurry``: 0.25 s over the time
since the hand last stopped a string. ``box``: 1 in a line on a pentatonic scale. ``held``: 1 where
a stopped note still sounds.
"""


def hand_moves(was: Grip, now: Grip, opens: Array) -> dict[str, Array]:
    """The parts of the costs in `HAND_COSTS`; ``opens``: how many open strings are played now."""
    moves = was.placed & now.placed
    frets = np.abs(now.position - was.position) * moves
    any_move = np.minimum(frets, 1.0)
    shape = frets.shape
    both, string, fret, kept = (np.zeros(shape, dtype=np.int8) for _ in range(4))
    for a, b, c, d in zip(
        was.finger_string, now.finger_string, was.finger_fret, now.finger_fret, strict=True
    ):
        down = (a >= 0) & (b >= 0)
        same_string = down & (a == b)
        same_fret = down & (c == d)
        both += down
        string += same_string
        fret += same_fret
        kept += same_string & same_fret
    at = np.where(now.placed, now.position, was.position)
    return {
        "cm": np.abs(now.mm - was.mm) * (0.1 * moves),
        "any": any_move,
        "two": np.minimum(frets, 2.0) / 2.0,
        "three": np.minimum(frets, 3.0),
        "far": np.maximum(frets - 4.0, 0.0),
        "guided": any_move * (string > 0),
        "opens_up": np.maximum(at - 4.0, 0.0) * (0.2 * opens),
        "opens_off": np.minimum(np.maximum(at - 1.0, 0.0), 3.0) * (opens / 3.0),
        "across": fret - kept,
        "jumps": both - string - fret + kept,
        "guides": string - kept,
        "kept": kept,
    }


def rested(rest_sec: float) -> float:
    """The silence before an onset as the moves of the hand count it, 0 to 1."""
    return min(rest_sec, 1.5) / 1.5 if rest_sec > 0.2 else 0.0


def hurry(since_sec: float) -> float:
    """How much a move counts for coming so soon after the hand last stopped a string."""
    return 0.25 / min(max(since_sec, 0.06), 2.0)


def open_in_line(opens: Array, fret_cost: Array, line: Array | float) -> dict[str, Array]:
    """The costs of a line of single notes; ``line`` is 1 there, ``fret_cost`` that of `PLACE`."""
    return {"open_in_line": line * opens, "fret_in_line": line * fret_cost}


def stops_ringing(
    before: Array | int, was: Array | int, string: Array | int, fret: Array | int
) -> Array:
    """Whether a note ends an earlier one that rings: it takes its string, or the hand goes away.

    ``before``, ``was``: string and fret of the earlier note; ``string``, ``fret``: of the later.
    """
    away = (was > 0) & (fret > 0) & (np.abs(was - fret) > _HELD_FRETS)
    return (before == string) | away


def voice_moves(
    before: Array,
    was: Array,
    string: Array,
    fret: Array,
    apart: Array | int,
    box: Array | bool,
    by_pitch: Array,
) -> Iterator[tuple[str, Array]]:
    """The costs of a note after the one before it in its voice.

    ``before``, ``was``: string and fret of the earlier note; ``string``, ``fret``: of the later.
    ``apart``: semitones between them. ``box``: whether both belong to a line on a pentatonic scale.
    ``by_pitch``: the place of each string in their order by pitch. Strings that are next to each
    other in pitch are the next ones to pick, wherever they lie; the hand that stops them follows a
    scale over strings that lie side by side.
    """
    step = np.abs(by_pitch[before] - by_pitch[string])
    one_open = (was == 0) != (fret == 0)
    frets = np.maximum(np.abs(was - fret) - 4, 0) / 5.0
    yield "cross", step
    yield "skip_strings", np.maximum(step - 1, 0)
    yield "open_mixed", one_open * frets
    yield "voice_far", ((was > 0) & (fret > 0)) * frets
    if np.any(box):
        yield "box_mixed", one_open & (np.maximum(was, fret) >= _BOX_FRET) & box
        yield "box_cross", (step > 0) & ((apart <= _BOX_STEP) & box)
    further = np.maximum(np.abs(before - string) - step, 0)
    yield "step_over", further * ((apart > 0) & (apart <= _NEXT_PITCH))
    same = step == 0
    yield "step_same_string", same & ((apart > 0) & (apart <= 2))
    yield "third_same_string", same & ((apart > 2) & (apart <= 4))
    yield "leap_same_string", same & (apart > 4)
