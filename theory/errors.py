"""The error that the theory library raises on purpose."""

from __future__ import annotations

__all__ = ["TheoryError"]


class TheoryError(ValueError):
    """An argument is outside what it may be; the message says what to do about it."""
