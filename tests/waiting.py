"""Waiting for what another process does, as long as it takes on a busy machine."""

from __future__ import annotations

import time
from collections.abc import Callable

__all__ = ["until"]


def until(condition: Callable[[], bool], *, limit_sec: float = 60.0) -> bool:
    """Wait until ``condition`` holds; False if it does not within ``limit_sec``."""
    end = time.monotonic() + limit_sec
    while not condition():
        if time.monotonic() > end:
            return False
        time.sleep(0.02)
    return True
