"""From a recording of a guitar riff to a tab a hand can play, and back to the player's take.

The verbs are loaded when they are first used, so that ``import transcribe`` stays quick.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from transcribe.api import compare, finger, practice_sound, transcribe, write_sound
    from transcribe.core.instrument import make_instrument
    from transcribe.core.lesson import Lesson, LessonPart, Playing
    from transcribe.core.riff import Drone, Instrument, Note, Phrase, Rhythm, Riff, Source
    from transcribe.correct.history import redo, undo
    from transcribe.correct.pins import pin, unpin
    from transcribe.correct.retime import double_time, half_time
    from transcribe.fingering import Hand
    from transcribe.formats import read_any
    from transcribe.formats.document import read_riff, write_riff
    from transcribe.formats.lesson_document import read_lesson, write_lesson
    from transcribe.formats.music21_adapter import from_music21, to_music21
    from transcribe.harmony import theory_report
    from transcribe.lesson.handout import write_handout
    from transcribe.lesson.lesson_files import make_lesson
    from transcribe.lesson.lesson_theory import lesson_theory

__all__ = [
    "Drone",
    "Hand",
    "Instrument",
    "Lesson",
    "LessonPart",
    "Note",
    "Phrase",
    "Playing",
    "Rhythm",
    "Riff",
    "Source",
    "compare",
    "double_time",
    "finger",
    "from_music21",
    "half_time",
    "lesson_theory",
    "make_instrument",
    "make_lesson",
    "pin",
    "practice_sound",
    "read_any",
    "read_lesson",
    "read_riff",
    "redo",
    "theory_report",
    "to_music21",
    "transcribe",
    "undo",
    "unpin",
    "write_handout",
    "write_lesson",
    "write_riff",
    "write_sound",
]

_HOMES = {
    "transcribe.correct.history": ("redo", "undo"),
    "transcribe.fingering": ("Hand",),
    "transcribe.correct.pins": ("pin", "unpin"),
    "transcribe.harmony": ("theory_report",),
    "transcribe.lesson.handout": ("write_handout",),
    "transcribe.formats": ("read_any",),
    "transcribe.formats.document": ("read_riff", "write_riff"),
    "transcribe.formats.lesson_document": ("read_lesson", "write_lesson"),
    "transcribe.formats.music21_adapter": ("from_music21", "to_music21"),
    "transcribe.lesson.lesson_files": ("make_lesson",),
    "transcribe.lesson.lesson_theory": ("lesson_theory",),
    "transcribe.core.instrument": ("make_instrument",),
    "transcribe.api": ("compare", "finger", "practice_sound", "transcribe", "write_sound"),
    "transcribe.core.lesson": ("Lesson", "LessonPart", "Playing"),
    "transcribe.core.riff": ("Drone", "Instrument", "Note", "Phrase", "Rhythm", "Riff", "Source"),
    "transcribe.correct.retime": ("double_time", "half_time"),
}
_HOME = {name: home for home, names in _HOMES.items() for name in names}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'transcribe' has no attribute {name!r}")
    from importlib import import_module

    found = getattr(import_module(_HOME[name]), name)
    globals()[name] = found
    return found
