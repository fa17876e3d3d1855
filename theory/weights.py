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
        "on_1": 0.266,
        "on_2": 0.023,
        "on_3": 0.168,
        "on_4": 0.071,
        "on_5": 0.335,
        "on_6": 0.044,
        "on_7": -0.029,
        "off": -0.104,
        "off_heard": -0.296,
        "missing_2": -1.800,
        "missing_3": -1.969,
        "missing_4": -1.934,
        "missing_5": -1.209,
        "missing_6": -2.223,
        "missing_7": -1.851,
        "untold": -1.040,
        "last_1": 1.170,
        "last_5": -0.432,
        "last_off": -0.172,
        "end_1": 0.255,
        "end_5": 0.873,
        "long_1": 2.153,
        "long_5": 0.157,
        "low_1": 0.164,
        "low_5": 1.003,
        "opening_triad": 2.928,
        "closing_triad": 1.146,
        "half_end_1": 0.797,
        "half_end_5": -0.724,
        "half_end_off": 0.024,
        "quarter_end_1": -0.544,
        "quarter_end_5": -0.445,
        "half_start_triad": -0.008,
        "leap_1": 0.472,
        "leap_2": 0.167,
        "leap_3": -0.069,
        "leap_4": 0.209,
        "leap_5": 0.264,
        "leap_6": 0.013,
        "leap_7": 0.414,
        "step_7_to_1": 0.398,
        "step_2_to_1": 0.160,
        "again_1": 0.472,
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
        "is_dorian": 0.935,
        "is_phrygian": 0.000,
        "is_lydian": -0.500,
        "is_mixolydian": 0.768,
        "is_aeolian": 1.079,
        "is_locrian": -0.500,
        "is_harmonic_minor": -1.000,
        "is_melodic_minor": -1.200,
        "is_major_pentatonic": -2.000,
        "is_minor_pentatonic": -1.600,
        "is_blues": -2.000,
    }
)
"""Weight of each feature of `theory.evidence.FEATURES`, in nats per unit."""
