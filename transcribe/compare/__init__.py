"""Holding a take against a reference.

`compare` gives a verdict per note, the passes, the drone, a summary and a practice plan; `report`
sets them under the reference's tab or into one page, and `progress` keeps them beside the riff.
The package can be called, since a verb has its name: ``transcribe.compare(take, reference)`` is
`transcribe.pipeline.compare`, whatever was imported before.
"""

from __future__ import annotations

import sys
import types
from typing import Any

from transcribe.compare.judge import compare
from transcribe.compare.model import (
    Comparison,
    DroneGap,
    DroneVerdict,
    Pass,
    Played,
    Practice,
    Summary,
    Verdict,
)

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


class _Callable(types.ModuleType):
    """A verb and the package behind it share a name; calling the package is the verb."""

    def __call__(self, *args: Any, **kwargs: Any) -> Comparison:
        from transcribe import pipeline

        return pipeline.compare(*args, **kwargs)


sys.modules[__name__].__class__ = _Callable
