"""The registry of the solver's costs: every name once, with its weight and its words.

Conventions: a cost has no unit and lower is easier. What a cost counts is said where it is
computed: costs of kind ``place`` in `transcribe.fingering.hand`, the others in
`transcribe.fingering.search`.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from types import MappingProxyType
from typing import Any, Literal

__all__ = [
    "COSTS",
    "FITTED",
    "JUDGED_WEIGHTS",
    "PLACE",
    "RECENT",
    "RULES",
    "Cost",
    "default_weights",
    "finger_weights",
    "weights_table",
]


@dataclass(frozen=True, slots=True)
class Cost:
    """One cost of a fingering.

    ``kind``: ``place`` for what the places of one onset cost by themselves, ``move`` for what lies
    between one onset and what came before it, ``rule`` for what is wanted of a drone, a chord
    shape, a repeat, a slur or a position, whatever it costs the hand. ``judged``: the weight by
    judgement, toward which the fit of a ``place`` or ``move`` cost is held; the editions hold no
    drones and no power chords, so the weights of rules are by judgement alone. ``words``: what to
    say where this cost is higher at one place than at another.
    """

    name: str
    kind: Literal["place", "move", "rule"]
    judged: float
    words: str


COSTS = (
    Cost("fret", "place", 0.12, "it lies higher on the neck"),
    Cost("fret_high", "place", 0.2, "it lies higher on the neck"),
    Cost("fret_body", "place", 0.8, "it lies close to the body"),
    Cost("thick", "place", 0.15, "it lies high on a thick string"),
    Cost("thick_high", "place", 0.3, "it lies high on a thick string"),
    Cost("open", "place", -0.1, "it gives up an open string"),
    Cost("open_thick", "place", 0.0, "it uses a thick open string"),
    Cost("finger2", "place", 0.05, "it asks more of finger 2"),
    Cost("finger3", "place", 0.12, "it asks more of finger 3"),
    Cost("finger4", "place", 0.25, "it asks more of finger 4"),
    Cost("barre", "place", 0.5, "it needs a barre"),
    Cost("barre_width", "place", 0.15, "it needs a wider barre"),
    Cost("stretch", "place", 0.9, "it opens the fingers wider"),
    Cost("over_span", "place", 1.0, "it stretches past the hand's span"),
    Cost("squeeze", "place", 0.35, "it crowds the fingers"),
    Cost("low_position", "place", 0.8, "it leaves the hand below the first fret"),
    Cost("skipped", "place", 0.03, "it skips strings"),
    Cost("position", "place", 0.05, "the hand stays higher on the neck"),
    Cost("off_first", "place", 0.0, "the hand leaves the first position"),
    Cost("uneven", "place", 0.0, "the fingers lie unevenly over the frets"),
    Cost("shift", "move", 0.12, "the hand moves further"),
    Cost("shift_any", "move", 0.35, "the hand moves more often"),
    Cost("shift_far", "move", 0.1, "the hand jumps further"),
    Cost("shift_fast", "move", 0.05, "the hand has to move faster"),
    Cost("shift_rested", "move", -0.05, "the hand moves further"),
    Cost("shift_any_rested", "move", -0.1, "the hand moves more often"),
    Cost("shift_held", "move", 1.5, "the hand moves while a note is held"),
    Cost("open_up_neck", "move", 0.15, "an open string breaks in while the hand is high"),
    Cost("open_off_nut", "move", 0.0, "an open string breaks in away from the nut"),
    Cost("open_long", "move", 0.0, "a long note lies on an open string"),
    Cost("open_mixed", "move", 0.1, "open and high notes stand side by side"),
    Cost("open_in_line", "move", 0.0, "an open string breaks into the line"),
    Cost("fret_in_line", "move", 0.0, "the line lies higher on the neck"),
    Cost("finger_across", "move", 0.15, "a finger goes across strings"),
    Cost("finger_jumps", "move", 0.4, "a finger jumps across strings"),
    Cost("finger_guides", "move", 0.0, "a finger slides along its string"),
    Cost("finger_kept", "move", -0.2, "a finger has to be lifted"),
    Cost("refinger", "move", 0.4, "the same pitch changes finger"),
    Cost("cross", "move", 0.05, "the line crosses more strings"),
    Cost("skip_strings", "move", 0.05, "the line skips strings"),
    Cost("step_same_string", "move", -0.15, "a step leaves its string"),
    Cost("third_same_string", "move", 0.0, "a third changes how it lies on the strings"),
    Cost("leap_same_string", "move", 0.2, "a leap has to be made along one string"),
    Cost("ring_step", "move", 0.0, "notes of a figure cannot ring together"),
    Cost("ring_third", "move", 0.15, "notes of a figure cannot ring together"),
    Cost("ring_leap", "move", 0.3, "notes of a figure cannot ring together"),
    Cost("recent_third", "move", 0.0, "a string is taken again too soon"),
    Cost("recent_leap", "move", 0.1, "a string is taken again too soon"),
    Cost("cut", "move", 2.0, "a note that still rings is cut off"),
    Cost("cut_any", "move", 0.8, "a note that still rings is cut off"),
    Cost("other_place", "move", 0.4, "the same pitch was played elsewhere just before"),
    Cost("other_place_next", "move", 0.2, "a note struck again changes its place"),
    Cost("parallel_off", "move", 0.3, "a chord that moves as one changes strings"),
    Cost("shift_guided", "move", -0.1, "the hand moves with no finger to guide it"),
    Cost("voice_far", "move", 0.1, "the line jumps along the neck"),
    Cost("legato", "rule", 200.0, "the slur would have to change strings"),
    Cost("shape_off", "rule", 6.0, "the chord leaves its movable shape"),
    Cost("shape_moves", "rule", 6.0, "the chord's shape moves to other strings"),
    Cost("struck_off", "rule", 12.0, "a chord struck again, or a note of it, changes its place"),
    Cost("repeat_off", "rule", 4.0, "it differs from the other repeats"),
    Cost("drone_off", "rule", 60.0, "the drone would leave its open string"),
    Cost("melody_on_drone", "rule", 40.0, "it would silence the drone"),
    Cost("melody_far", "rule", 12.0, "it leaves the string beside the drone"),
    Cost("melody_above", "rule", 0.6, "it lies on the far side of the drone"),
    Cost("melody_off", "rule", 4.0, "it leaves the string that the melody runs along"),
    Cost("melody_moves", "rule", 9.0, "the melody changes strings"),
    Cost("off_pin", "rule", 0.8, "it leaves the position of the pin beside it"),
    Cost("box_moves", "rule", 2.0, "the hand moves within a line on one scale"),
    Cost("box_cross", "rule", 0.8, "a step within a line on one scale changes strings"),
    Cost("box_mixed", "rule", 1.5, "an open string breaks into a line higher on the neck"),
    Cost("off_home", "rule", 3.0, "it leaves the position"),
)
"""Every cost; `hand.place_costs` gives those of kind ``place`` in this order."""

PLACE = tuple(cost.name for cost in COSTS if cost.kind == "place")
"""Names of the costs that one onset's places have by themselves."""

FITTED = tuple(cost.name for cost in COSTS if cost.kind != "rule")
"""Names of the costs whose weights are fitted on editions."""

RULES = frozenset(cost.name for cost in COSTS if cost.kind == "rule")
"""Names of the costs that say what is wanted, not what is hard for the hand."""

RECENT = ("ring_step", "ring_third", "ring_leap", "recent_third", "recent_leap")
"""Costs of a note on the string of a note a few onsets back: in a figure that goes round
(``ring``: one of the two notes comes again about the other, so both may ring), or passed only
once; by the interval."""

JUDGED_WEIGHTS: Mapping[str, float] = MappingProxyType({cost.name: cost.judged for cost in COSTS})
"""The weight of every cost by judgement."""


@lru_cache(maxsize=1)
def weights_table() -> Mapping[str, Any]:
    """The shipped table: ``weights``, ``finger_weights`` and ``provenance``.

    Example
    -------
    >>> sorted(weights_table())
    ['finger_weights', 'provenance', 'weights']
    """
    text = resources.files("transcribe.fingering").joinpath("weights.json").read_text("utf-8")
    return MappingProxyType(json.loads(text))


def default_weights() -> dict[str, float]:
    """The shipped weight of every cost; a cost that the table lacks keeps its judged weight."""
    return dict(JUDGED_WEIGHTS) | weights_table()["weights"]


def finger_weights() -> dict[str, float]:
    """The shipped weights for choosing fingers once the strings are known."""
    return dict(JUDGED_WEIGHTS) | weights_table()["finger_weights"]
