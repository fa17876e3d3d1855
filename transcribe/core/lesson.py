"""The lesson document as frozen dataclasses: a piece that is taught in parts.

Conventions are those of `transcribe.core.riff`. A part is a riff document of its own; the lesson
only names its file, so that a correction of the riff shows in every lesson that uses it.

Nothing here reads files. `transcribe.formats.lesson_document` turns a `Lesson` into JSON and back:
a field of these types is a key of the same name there. ``extra`` holds the keys that this version
does not know.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from transcribe.core.riff import Instrument, Source

__all__ = ["Lesson", "LessonPart", "Playing"]

_RARE = {"rare": True}
"""Metadata of a field that the document leaves out while it holds its default."""


@dataclass(frozen=True, slots=True)
class Playing:
    """One time that a part is played in the recorded session, from ``start_sec`` to ``end_sec``.

    ``notes`` is how many notes were heard in it and ``unsure`` how many of them with doubt.
    ``uneven_sec`` is how far its notes lie from the even beat, in the middle of them; ``bpm`` is
    its tempo in beats a minute. The last two are None where no beat was found. ``alike`` (0 to 1)
    is how much of the part's best playing it has, 1 for that itself.
    """

    start_sec: float
    end_sec: float
    notes: int = 0
    unsure: int = 0
    uneven_sec: float | None = field(default=None, metadata=_RARE)
    bpm: float | None = field(default=None, metadata=_RARE)
    alike: float = field(default=1.0, metadata=_RARE)
    extra: Mapping[str, Any] = field(default_factory=dict, hash=False)


@dataclass(frozen=True, slots=True)
class LessonPart:
    """One part of a lesson, such as the intro.

    ``label`` is what the form calls it (``A``), and no other part has it; ``name`` is what people
    call it. ``riff`` is the part's riff document, as a path from the folder of the lesson with
    ``/`` between folders. ``note`` holds the teacher's own words. ``bars`` are the first and the
    last bar that are shown, from 1 (0 is the pickup), None for all. ``start_bpm`` is the tempo to
    start from, in beats of the riff a minute. ``take`` is the playing in the lesson's ``session``
    that the riff was heard in, and ``playings`` are all of them, in order of time; None and empty
    where the part comes from a file of its own.
    """

    label: str
    riff: str
    name: str = ""
    note: str = ""
    bars: tuple[int, int] | None = None
    start_bpm: float | None = None
    take: Playing | None = field(default=None, metadata=_RARE)
    playings: tuple[Playing, ...] = field(default=(), metadata=_RARE)
    extra: Mapping[str, Any] = field(default_factory=dict, hash=False)

    @property
    def shown_name(self) -> str:
        """Its name, or its label where it has none."""
        return self.name or self.label


@dataclass(frozen=True, slots=True)
class Lesson:
    """A whole lesson document.

    ``title`` is what it is called, and ``parts`` stand in teaching order. ``form`` is the order in
    which they are played through, as their labels (``A B B C B``), empty where it was not given.
    ``session`` is the recording that the lesson was split from, its ``file`` as a path from the
    folder of the lesson. ``instrument`` is the tuning and capo of the lesson, None
    where its parts say that alone.
    """

    title: str = ""
    parts: tuple[LessonPart, ...] = ()
    form: tuple[str, ...] = ()
    instrument: Instrument | None = None
    session: Source | None = field(default=None, metadata=_RARE)
    extra: Mapping[str, Any] = field(default_factory=dict, hash=False)

    def part(self, label: str) -> LessonPart:
        """The part with ``label``. Raises KeyError where there is none."""
        for part in self.parts:
            if part.label == label:
                return part
        raise KeyError(label)
