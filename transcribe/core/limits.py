"""The most that a riff or a lesson document may hold. What lies beyond is a slip, or meant to do
harm.

They are far above what a hand plays, and low enough that every step after reading ends in time.
"""

from __future__ import annotations

__all__ = [
    "MAX_BEATS",
    "MAX_BYTES",
    "MAX_DEPTH",
    "MAX_DIGITS",
    "MAX_NOTES",
    "MAX_PARTS",
    "MAX_SEC",
    "MIN_BEAT_SEC",
]

MAX_SEC = 14_400.0  # four hours, of every time in seconds
MIN_BEAT_SEC = 0.02  # from beat to beat and bar to bar: a fifth of a beat at the fastest tempo
MAX_BEATS = 100_000.0  # of every time in beats, and of how many beats there are
MAX_NOTES = 50_000
MAX_PARTS = 500  # of a lesson
MAX_BYTES = 64 * 2**20
MAX_DIGITS = 18  # of a whole number
MAX_DEPTH = 32  # of lists and objects inside each other
