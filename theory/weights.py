"""How much each piece of evidence for a tonic and mode counts.

Source: fitted by `tests/bench/theory_fit.py` on music21's corpus folders `airdsAirs` and
`ryansMammoth` (tunes that carry their mode), with every mode family given nearly the same say
however often it is played. What unaccompanied tunes of four modes cannot teach is set by hand
there: first note, bar, bass, drone, and how likely the rarer modes are.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

__all__ = ["WEIGHTS"]

WEIGHTS: Mapping[str, float] = MappingProxyType(
    {
        "on_1": 0.267,
        "on_2": 0.028,
        "on_3": 0.176,
        "on_4": 0.073,
        "on_5": 0.340,
        "on_6": 0.050,
        "on_7": -0.027,
        "off": -0.107,
        "off_heard": -0.299,
        "missing_2": -1.807,
        "missing_3": -1.990,
        "missing_4": -1.933,
        "missing_5": -1.208,
        "missing_6": -2.238,
        "missing_7": -1.863,
        "untold": -1.040,
        "last_1": 1.173,
        "last_5": -0.430,
        "last_off": -0.167,
        "end_1": 0.257,
        "end_5": 0.878,
        "long_1": 2.159,
        "long_5": 0.158,
        "low_1": 0.167,
        "low_5": 1.009,
        "opening_triad": 2.938,
        "closing_triad": 1.142,
        "half_end_1": 0.800,
        "half_end_5": -0.725,
        "half_end_off": 0.029,
        "quarter_end_1": -0.545,
        "quarter_end_5": -0.449,
        "half_start_triad": -0.010,
        "leap_1": 0.486,
        "leap_2": 0.180,
        "leap_3": -0.061,
        "leap_4": 0.221,
        "leap_5": 0.278,
        "leap_6": 0.025,
        "leap_7": 0.426,
        "step_7_to_1": 0.404,
        "step_2_to_1": 0.167,
        "again_1": 0.475,
        "first_1": 0.500,
        "first_3": 0.100,
        "first_5": 0.200,
        "downbeat_1": 1.000,
        "downbeat_5": 0.200,
        "bass_1": 2.500,
        "bass_5": 0.500,
        "drone_1": 5.500,
        "drone_5": 1.500,
        "drone_off": -3.000,
        "is_ionian": 0.000,
        "is_dorian": 0.960,
        "is_phrygian": 0.000,
        "is_lydian": -0.500,
        "is_mixolydian": 0.786,
        "is_aeolian": 1.107,
        "is_locrian": -0.500,
        "is_harmonic_minor": -1.000,
        "is_melodic_minor": -1.200,
        "is_major_pentatonic": -2.000,
        "is_minor_pentatonic": -1.600,
        "is_blues": -2.000,
    }
)
"""Weight of each feature of `theory.evidence.FEATURES`, in nats per unit."""
