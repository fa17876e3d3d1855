"""Sentences for remarks: the one place where the facts of a `Remark` become words.

Every part of the program that has something to tell makes a `Remark` with a kind and numbers;
whoever shows it calls `sentence`. Nothing ever reads a sentence back.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType
from typing import Any

from transcribe.core.riff import Remark

__all__ = ["KINDS", "sentence", "text_remark"]

_Facts = Mapping[str, Any]


def _meter(meter: Sequence[int]) -> str:
    return f"{meter[0]}/{meter[1]}"


KINDS: Mapping[str, Callable[[_Facts], str]] = MappingProxyType(
    {
        "tab-no-meter": lambda facts: (
            f"The tab tells no meter; {_meter(facts['meter'])} is taken until another is given."
        ),
        "text": lambda facts: str(facts["text"]),
    }
)
"""Kind of a remark -> what makes a sentence of its facts."""


def sentence(remark: Remark) -> str:
    """The remark as a sentence in plain English.

    A kind that a later version of the program wrote has no words here; it is named.

    Examples
    --------
    >>> from transcribe.core.riff import Remark
    >>> sentence(Remark("text", {"text": "The recording is clipped."}))
    'The recording is clipped.'
    """
    words = KINDS.get(remark.kind)
    return f"a remark of another version: {remark.kind}" if words is None else words(remark.facts)


def text_remark(text: str) -> Remark:
    """A remark that was never more than its sentence."""
    return Remark("text", {"text": text})
