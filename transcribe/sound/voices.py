"""Small tools for voices: reading a sound at moving speed, and its level.

Conventions: sound as float32 mono, positions in samples.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["level_before", "read_at"]

Array = npt.NDArray[Any]


def read_at(y: Array, where: Array) -> Array:
    """``y`` at the fractional samples ``where`` (rising), by cubic (Catmull-Rom) interpolation.

    Ends where ``y`` ends, so the answer may be shorter than ``where``.
    """
    where = where[: int(np.searchsorted(where, len(y) - 3))]
    whole = where.astype(np.int32)
    t = (where - whole).astype(np.float32)
    whole = np.maximum(whole, 1)
    a, b, c, d = y[whole - 1], y[whole], y[whole + 1], y[whole + 2]
    return np.asarray(
        b + 0.5 * t * (c - a + t * (2.0 * a - 5.0 * b + 4.0 * c - d + t * (3.0 * (b - c) + d - a))),
        np.float32,
    )


def level_before(y: Array, at: int, size: int) -> float:
    """Root mean square of the ``size`` samples before sample ``at``; 0 where there are none."""
    piece = y[max(0, at - size) : max(0, at)]
    return float(np.sqrt(np.mean(piece**2))) if len(piece) else 0.0
