"""From a recording of a guitar riff to a tab a hand can play, and back to the player's take.

The verbs are loaded when they are first used, so that ``import transcribe`` stays quick.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from transcribe.edits import redo, undo
    from transcribe.fingering import Hand, pin, unpin
    from transcribe.formats import read_any
    from transcribe.formats.document import read_riff, write_riff
    from transcribe.instrument import make_instrument
    from transcribe.pipeline import compare, finger, theory_report, transcribe
    from transcribe.riff import Drone, Instrument, Note, Phrase, Rhythm, Riff, Source
    from transcribe.tempo import double_time, half_time

__all__ = [
    "Drone",
    "Hand",
    "Instrument",
    "Note",
    "Phrase",
    "Rhythm",
    "Riff",
    "Source",
    "compare",
    "double_time",
    "finger",
    "half_time",
    "make_instrument",
    "pin",
    "read_any",
    "read_riff",
    "redo",
    "theory_report",
    "transcribe",
    "undo",
    "unpin",
    "write_riff",
]

_HOMES = {
    "transcribe.edits": ("redo", "undo"),
    "transcribe.fingering": ("Hand", "pin", "unpin"),
    "transcribe.formats": ("read_any",),
    "transcribe.formats.document": ("read_riff", "write_riff"),
    "transcribe.instrument": ("make_instrument",),
    "transcribe.pipeline": ("compare", "finger", "theory_report", "transcribe"),
    "transcribe.riff": ("Drone", "Instrument", "Note", "Phrase", "Rhythm", "Riff", "Source"),
    "transcribe.tempo": ("double_time", "half_time"),
}
_HOME = {name: home for home, names in _HOMES.items() for name in names}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'transcribe' has no attribute {name!r}")
    from importlib import import_module

    found = getattr(import_module(_HOME[name]), name)
    # Once loaded, `compare` must stay the verb: importing the sub-package of the same name
    # binds that to this module, and this puts the verb back.
    globals()[name] = found
    return found
