"""Holding a take against a reference.

`compare` gives a verdict per note, the passes, the drone, a summary and a practice plan; `report`
sets them under the reference's tab or into one page, and `progress` keeps them beside the riff."""

from __future__ import annotations

from transcribe.takes.comparison import (
    Comparison,
    DroneGap,
    DroneVerdict,
    Pass,
    Played,
    Practice,
    Summary,
    Verdict,
)
from transcribe.takes.judge import compare

__all__ = [
    "Comparison",
    "DroneGap",
    "DroneVerdict",
    "Pass",
    "Played",
    "Practice",
    "Summary",
    "Verdict",
    "compare",
]
