"""The registry of the solver's costs: every name once, with its weight and the name of its words.

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
    "WORDED_AS",
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
    drones and no power chords, so the weights of rules are by judgement alone. ``worded_as``: the
    cost under whose words in `transcribe.core.wording` this one is put, itself where left out.
    """

    name: str
    kind: Literal["place", "move", "rule"]
    judged: float
    worded_as: str = ""


COSTS = (
    Cost("fret", "place", 0.12),
    Cost("fret_high", "place", 0.2, worded_as="fret"),
    Cost("fret_body", "place", 0.8),
    Cost("thick", "place", 0.15),
    Cost("thick_high", "place", 0.3, worded_as="thick"),
    Cost("open", "place", -0.1),
    Cost("open_thick", "place", 0.0),
    Cost("finger2", "place", 0.05),
    Cost("finger3", "place", 0.12),
    Cost("finger4", "place", 0.25),
    Cost("barre", "place", 0.5),
    Cost("barre_width", "place", 0.15),
    Cost("stretch", "place", 0.9),
    Cost("over_span", "place", 1.0),
    Cost("squeeze", "place", 0.35),
    Cost("low_position", "place", 0.8),
    Cost("skipped", "place", 0.03),
    Cost("position", "place", 0.05),
    Cost("off_first", "place", 0.0),
    Cost("uneven", "place", 0.0),
    Cost("shift", "move", 0.12),
    Cost("shift_any", "move", 0.35),
    Cost("shift_far", "move", 0.1),
    Cost("shift_fast", "move", 0.05),
    Cost("shift_rested", "move", -0.05, worded_as="shift"),
    Cost("shift_any_rested", "move", -0.1, worded_as="shift_any"),
    Cost("shift_held", "move", 1.5),
    Cost("open_up_neck", "move", 0.15),
    Cost("open_off_nut", "move", 0.0),
    Cost("open_long", "move", 0.0),
    Cost("open_mixed", "move", 0.1),
    Cost("open_in_line", "move", 0.0),
    Cost("fret_in_line", "move", 0.0),
    Cost("finger_across", "move", 0.15),
    Cost("finger_jumps", "move", 0.4),
    Cost("finger_guides", "move", 0.0),
    Cost("finger_kept", "move", -0.2),
    Cost("refinger", "move", 0.4),
    Cost("cross", "move", 0.05),
    Cost("skip_strings", "move", 0.05),
    Cost("step_same_string", "move", -0.15),
    Cost("third_same_string", "move", 0.0),
    Cost("leap_same_string", "move", 0.2),
    Cost("ring_step", "move", 0.0),
    Cost("ring_third", "move", 0.15, worded_as="ring_step"),
    Cost("ring_leap", "move", 0.3, worded_as="ring_step"),
    Cost("recent_third", "move", 0.0),
    Cost("recent_leap", "move", 0.1, worded_as="recent_third"),
    Cost("cut", "move", 2.0),
    Cost("cut_any", "move", 0.8, worded_as="cut"),
    Cost("other_place", "move", 0.4),
    Cost("other_place_next", "move", 0.2),
    Cost("parallel_off", "move", 0.3),
    Cost("shift_guided", "move", -0.1),
    Cost("voice_far", "move", 0.1),
    Cost("legato", "rule", 200.0),
    Cost("step_over", "rule", 0.5, worded_as="skip_strings"),
    Cost("shape_off", "rule", 6.0),
    Cost("shape_moves", "rule", 6.0),
    Cost("struck_off", "rule", 12.0),
    Cost("struck_refinger", "rule", 2.0, worded_as="refinger"),
    Cost("repeat_off", "rule", 4.0),
    Cost("drone_off", "rule", 60.0),
    Cost("melody_on_drone", "rule", 40.0),
    Cost("melody_far", "rule", 12.0),
    Cost("melody_above", "rule", 0.6),
    Cost("melody_off", "rule", 4.0),
    Cost("melody_moves", "rule", 9.0),
    Cost("off_pin", "rule", 0.8),
    Cost("box_moves", "rule", 6.0),
    Cost("box_cross", "rule", 0.8),
    Cost("box_mixed", "rule", 1.5),
    Cost("off_position", "rule", 3.0),
    Cost("ring_off", "rule", 20.0),
)
"""Every cost; `hand.place_costs` gives those of kind ``place`` in this order."""

PLACE = tuple(cost.name for cost in COSTS if cost.kind == "place")
"""Names of the costs that one onset's places have by themselves."""

WORDED_AS: Mapping[str, str] = MappingProxyType(
    {cost.name: cost.worded_as or cost.name for cost in COSTS}
)
"""The cost whose words each one is put in."""

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

    Examples
    --------
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
