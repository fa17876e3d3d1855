"""From a recording of a guitar riff to a tab a hand can play, and back to the player's take.

The verbs are loaded when they are first used, so that ``import transcribe`` stays quick.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from transcribe.formats.document import read_riff, write_riff
    from transcribe.riff import Drone, Instrument, Note, Phrase, Rhythm, Riff, Source

__all__ = [
    "Drone",
    "Instrument",
    "Note",
    "Phrase",
    "Rhythm",
    "Riff",
    "Source",
    "read_riff",
    "write_riff",
]

_HOME = {
    "read_riff": "transcribe.formats.document",
    "write_riff": "transcribe.formats.document",
} | dict.fromkeys(
    ("Drone", "Instrument", "Note", "Phrase", "Rhythm", "Riff", "Source"), "transcribe.riff"
)


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'transcribe' has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(_HOME[name]), name)
