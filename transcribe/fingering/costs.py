"""The table of the solver's weights: one number for each cost, with where it came from."""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import lru_cache
from importlib import resources
from types import MappingProxyType
from typing import Any

from transcribe.fingering.hand import STATIC
from transcribe.fingering.plan import RECENT

__all__ = [
    "ALIKE",
    "CHORDS",
    "DRONE",
    "FITTED",
    "HAND_SET",
    "TRANSITION",
    "default_weights",
    "finger_weights",
    "weights_table",
]

TRANSITION = (
    "shift",
    "shift_any",
    "shift_far",
    "shift_fast",
    "shift_rested",
    "shift_any_rested",
    "shift_held",
    "open_up_neck",
    "open_off_nut",
    "open_long",
    "open_mixed",
    "open_in_line",
    "fret_in_line",
    "finger_across",
    "finger_jumps",
    "finger_guides",
    "finger_kept",
    "refinger",
    "cross",
    "skip_strings",
    "step_same_string",
    "third_same_string",
    "leap_same_string",
    *RECENT,
    "cut",
    "cut_any",
    "other_place",
    "other_place_next",
    "parallel_off",
    "shift_guided",
    "voice_far",
)
"""Names of the costs between one onset and what came before it."""

DRONE = ("drone_off", "melody_on_drone", "melody_far", "melody_above", "melody_off", "melody_moves")
"""Names of the costs under a drone; near-hard, set by hand: no edition holds such riffs."""

CHORDS = ("shape_off", "shape_moves", "struck_off")
"""Names of the costs of chord shapes; set by hand: the editions hold no power chords."""

ALIKE = "repeat_off"
"""Name of the cost of a note that lies elsewhere than in another repeat of its phrase."""

FITTED = STATIC + TRANSITION
"""The costs whose weights are fitted on editions."""

HAND_SET: Mapping[str, float] = MappingProxyType(
    {
        "fret": 0.12,
        "fret_high": 0.2,
        "fret_body": 0.8,
        "thick": 0.15,
        "thick_high": 0.3,
        "open": -0.1,
        "open_thick": 0.0,
        "finger2": 0.05,
        "finger3": 0.12,
        "finger4": 0.25,
        "barre": 0.5,
        "barre_width": 0.15,
        "stretch": 0.9,
        "over_span": 1.0,
        "squeeze": 0.35,
        "low_position": 0.8,
        "skipped": 0.03,
        "position": 0.05,
        "off_first": 0.0,
        "uneven": 0.0,
        "shift": 0.12,
        "shift_any": 0.35,
        "shift_far": 0.1,
        "shift_fast": 0.05,
        "shift_rested": -0.05,
        "shift_any_rested": -0.1,
        "shift_held": 1.5,
        "open_up_neck": 0.15,
        "open_off_nut": 0.0,
        "open_long": 0.0,
        "open_mixed": 0.1,
        "open_in_line": 0.0,
        "fret_in_line": 0.0,
        "finger_across": 0.15,
        "finger_jumps": 0.4,
        "finger_guides": 0.0,
        "finger_kept": -0.2,
        "refinger": 0.4,
        "cross": 0.05,
        "skip_strings": 0.05,
        "step_same_string": -0.15,
        "third_same_string": 0.0,
        "leap_same_string": 0.2,
        "ring_step": 0.0,
        "ring_third": 0.15,
        "ring_leap": 0.3,
        "recent_third": 0.0,
        "recent_leap": 0.1,
        "cut": 2.0,
        "cut_any": 0.8,
        "other_place": 0.4,
        "other_place_next": 0.2,
        "parallel_off": 0.3,
        "shift_guided": -0.1,
        "voice_far": 0.1,
        "off_home": 3.0,
        "shape_off": 6.0,
        "shape_moves": 6.0,
        "struck_off": 12.0,
        "repeat_off": 4.0,
        "drone_off": 60.0,
        "melody_on_drone": 40.0,
        "melody_far": 12.0,
        "melody_above": 0.6,
        "melody_off": 4.0,
        "melody_moves": 9.0,
    }
)
"""Weights by judgement, toward which the fit is held."""


@lru_cache(maxsize=1)
def weights_table() -> Mapping[str, Any]:
    """The shipped table: ``weights`` and ``provenance``."""
    text = resources.files("transcribe.fingering").joinpath("weights.json").read_text("utf-8")
    return MappingProxyType(json.loads(text))


def default_weights() -> dict[str, float]:
    """The shipped weight of every cost; a cost that the table lacks keeps its hand-set weight."""
    return dict(HAND_SET) | {k: float(v) for k, v in weights_table()["weights"].items()}


def finger_weights() -> dict[str, float] | None:
    """The shipped weights for choosing fingers once the strings are known; None without them."""
    found = weights_table().get("finger_weights")
    return dict(HAND_SET) | {k: float(v) for k, v in found.items()} if found else None
