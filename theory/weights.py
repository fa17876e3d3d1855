"""How much each piece of evidence for a tonic and mode counts.

Source: fitted by `tests/bench/theory_fit.py` on music21's corpus folders `airdsAirs` and
`ryansMammoth` (tunes that carry their mode), as a conditional logit in which every mode family
weighs the same however often it is played. Drone and bass cannot be learned from unaccompanied
tunes; their weights are chosen by hand and marked so.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

__all__ = ["WEIGHTS"]

WEIGHTS: Mapping[str, float] = MappingProxyType(
    {
        "on_1": 0.932,
        "on_2": 0.379,
        "on_3": 0.268,
        "on_4": 0.273,
        "on_5": 0.679,
        "on_6": 0.029,
        "on_7": 0.280,
        "off_leading": -1.094,
        "off_other": -0.276,
        "off_heard": -0.528,
        "missing_2": -3.246,
        "missing_3": -2.002,
        "missing_4": -2.355,
        "missing_5": -3.297,
        "missing_6": -2.920,
        "missing_7": -2.448,
        "last_1": 1.564,
        "last_3": 0.128,
        "last_5": -0.488,
        "last_off": -0.105,
        "first_1": 0.610,
        "first_3": 0.315,
        "first_5": 1.182,
        "end_1": 0.129,
        "end_3": 1.242,
        "end_5": 0.802,
        "long_1": 2.239,
        "long_5": 0.468,
        "low_1": 0.099,
        "low_5": 0.592,
        "downbeat_1": 0.000,
        "downbeat_3": 0.000,
        "downbeat_5": 0.000,
        "bass_1": 2.000,
        "bass_5": 0.500,
        "drone_1": 4.000,
        "drone_5": 1.500,
        "drone_off": -3.000,
        "step_home": -2.549,
        "is_ionian": 0.000,
        "is_dorian": -0.142,
        "is_phrygian": -5.529,
        "is_lydian": -6.914,
        "is_mixolydian": 0.024,
        "is_aeolian": 0.203,
        "is_locrian": -4.985,
        "is_harmonic_minor": -0.811,
        "is_melodic_minor": -2.015,
        "is_major_pentatonic": -2.689,
        "is_minor_pentatonic": -2.512,
        "is_blues": -2.535,
    }
)
"""Weight of each feature of `theory.evidence.FEATURES`, in nats per unit."""
