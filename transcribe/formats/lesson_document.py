"""The lesson document, ``NAME.lesson.json``: JSON in UTF-8, version 1.

The keys are the fields of the types in `transcribe.core.lesson`, whose docstrings are the
contract. As with a riff document, what is wrong is said in one line, a reader never sees half a
document, and keys that this version does not know survive a read and a write.
"""

from __future__ import annotations

import dataclasses
import json
import os
from collections.abc import Mapping
from pathlib import Path, PurePosixPath
from typing import Any

from transcribe.core.errors import FormatError
from transcribe.core.files import write_atomically
from transcribe.core.lesson import Lesson, LessonPart
from transcribe.formats.document import read_document
from transcribe.formats.typed import plain_values, read_object

__all__ = [
    "LESSON_SUFFIX",
    "VERSION",
    "from_json",
    "read_lesson",
    "to_bytes",
    "to_json",
    "write_lesson",
]

VERSION = 1
LESSON_SUFFIX = ".lesson.json"


def from_json(value: Any) -> Lesson:
    """A `Lesson` from the parsed JSON of a lesson document.

    Raises
    ------
    FormatError
        If a key is missing, a number is out of range, two parts share a label, the form names
        no part, or a riff lies outside the lesson's folder.
    """
    version = value.get("handspan_lesson") if isinstance(value, Mapping) else VERSION
    if version != VERSION:
        raise FormatError(
            f"the lesson document says handspan_lesson: {version!r}, expected {VERSION}; "
            "is this a lesson document, and made by this version?"
        )
    lesson = read_object(Lesson, value, "")
    _check(lesson)
    extra = {key: item for key, item in lesson.extra.items() if key != "handspan_lesson"}
    return dataclasses.replace(lesson, extra=extra)


def _check(lesson: Lesson) -> None:
    """What the types alone do not say: how the pieces of a lesson fit together."""
    labels = [part.label for part in lesson.parts]
    for i, part in enumerate(lesson.parts):
        _check_part(part, f"parts[{i}]")
        if part.label in labels[:i]:
            raise FormatError(f"two parts of the lesson have the label {part.label!r}")
    for i, label in enumerate(lesson.form):
        if label not in labels:
            known = ", ".join(labels) or "there are none"
            raise FormatError(f"form[{i}] is {label!r}, which is no part's label ({known})")
    instrument = lesson.instrument
    if instrument is not None:
        strings = len(instrument.open_midi)
        if not 1 <= strings <= 12 or not all(0 <= midi <= 127 for midi in instrument.open_midi):
            raise FormatError("instrument.open_midi must list 1 to 12 MIDI numbers, string 1 first")
        if instrument.capo >= instrument.frets:
            raise FormatError(f"instrument.capo is {instrument.capo}, beyond the last fret")


def _check_part(part: LessonPart, where: str) -> None:
    if not part.label or part.label != part.label.strip() or "," in part.label:
        raise FormatError(f"{where}.label is {part.label!r}, expected one such as 'A'")
    path = PurePosixPath(part.riff)
    inside = not path.is_absolute() and ".." not in path.parts and "\\" not in part.riff
    if not inside or "\0" in part.riff or ":" in part.riff or path.name in ("", "."):
        raise FormatError(
            f"{where}.riff is {part.riff!r}, expected a file in the lesson's folder, "
            "such as 'intro.riff.json'"
        )
    named = {f"playings[{i}]": playing for i, playing in enumerate(part.playings)}
    if part.take is not None:
        named["take"] = part.take
    for name, playing in named.items():
        if playing.end_sec <= playing.start_sec:
            raise FormatError(f"{where}.{name} ends at {playing.end_sec:g} s, not after its start")
        if playing.unsure > playing.notes:
            raise FormatError(f"{where}.{name}.unsure is {playing.unsure}, more than its notes")


def to_json(lesson: Lesson) -> dict[str, Any]:
    """The lesson document as JSON values."""
    plain: dict[str, Any] = plain_values(lesson)
    return {"handspan_lesson": VERSION} | plain


def to_bytes(lesson: Lesson) -> bytes:
    """The lesson document as it is written.

    Raises
    ------
    FormatError
        If the lesson could not be read again.
    """
    values = to_json(lesson)
    from_json(values)
    text = json.dumps(values, indent=1, ensure_ascii=False, allow_nan=False)
    return (text + "\n").encode("utf-8")


def read_lesson(path: str | os.PathLike[str]) -> Lesson:
    """Read a lesson document.

    Parameters
    ----------
    path : str or path-like
        ``NAME.lesson.json``.

    Returns
    -------
    Lesson
        The riffs of its parts are not read; `transcribe.lesson.part_riffs` reads them.

    Raises
    ------
    FormatError
        If the file cannot be read, is not JSON, or is not a lesson document.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     path = Path(folder) / "harbour.lesson.json"
    ...     write_lesson(Lesson("Harbour", (LessonPart("A", "intro.riff.json"),), ("A", "A")), path)
    ...     read_lesson(path).form
    ('A', 'A')
    """
    return read_document(path, from_json, "lesson")


def write_lesson(lesson: Lesson, path: str | os.PathLike[str]) -> None:
    """Write a lesson document; the file at ``path`` is the old one or the new one, never a part.

    Parameters
    ----------
    lesson : Lesson
    path : str or path-like
        ``NAME.lesson.json``; a file that is there is replaced.

    Returns
    -------
    None

    Raises
    ------
    FormatError
        If the lesson could not be read again, or the file cannot be written.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     path = Path(folder) / "harbour.lesson.json"
    ...     write_lesson(Lesson("Harbour"), path)
    ...     path.stat().st_size > 0
    True
    """
    write_atomically(Path(path), to_bytes(lesson))
