"""The most that a riff document may hold. What lies beyond is a slip, or meant to do harm.

They are far above what a hand plays, and low enough that every step after reading ends in time.
"""

from __future__ import annotations

__all__ = ["MOST_BEATS", "MOST_BYTES", "MOST_DEPTH", "MOST_DIGITS", "MOST_NOTES", "MOST_SEC"]

MOST_SEC = 14_400.0  # four hours, of every time in seconds
MOST_BEATS = 100_000.0  # of every time in beats, and of how many beats there are
MOST_NOTES = 50_000
MOST_BYTES = 64 * 2**20
MOST_DIGITS = 18  # of a whole number
MOST_DEPTH = 32  # of lists and objects inside each other
