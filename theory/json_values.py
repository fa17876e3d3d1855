"""Fields of the library's dataclasses as JSON values."""

from __future__ import annotations

from typing import Any

__all__ = ["json_fields"]

_DIGITS = 4  # after the point; finer than anything here is measured


def json_fields(value: Any, *names: str) -> dict[str, Any]:
    """The named fields of an object, tuples as lists, numbers rounded to four digits.

    Examples
    --------
    >>> from theory.modes import Candidate
    >>> json_fields(Candidate("A", "dorian", 2 / 3), "tonic", "probability")
    {'tonic': 'A', 'probability': 0.6667}
    """
    return {name: _plain(getattr(value, name)) for name in names}


def _plain(value: Any) -> Any:
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    return round(value, _DIGITS) if isinstance(value, float) else value
