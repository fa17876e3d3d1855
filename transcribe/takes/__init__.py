"""Holding a take against a reference.

`compare` gives a verdict per note, the passes, the drone, a summary and a practice plan;
`transcribe.takes.report` sets them under the reference's tab or into one page."""

from __future__ import annotations

from transcribe.takes.comparison import (
    Comparison,
    DroneGap,
    DroneVerdict,
    Pass,
    Played,
    Practice,
    PracticeStep,
    Reason,
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
    "PracticeStep",
    "Reason",
    "Summary",
    "Verdict",
    "compare",
]
