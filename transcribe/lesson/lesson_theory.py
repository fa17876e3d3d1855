"""The theory of a whole lesson, from the riffs of its parts."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from transcribe.core.lesson import Lesson
from transcribe.harmony import piece_theory
from transcribe.lesson.part_riffs import in_bars, read_parts

if TYPE_CHECKING:
    from theory import Piece

__all__ = ["lesson_theory"]


def lesson_theory(lesson: Lesson, folder: str | os.PathLike[str] = ".") -> Piece:
    """The mode and the chords that the parts of a lesson share, and where a part departs from them.

    Parameters
    ----------
    lesson : Lesson
        Of each part, the bars that it shows.
    folder : path
        Where the lesson document lies.

    Returns
    -------
    theory.Piece

    Raises
    ------
    FormatError
        If the riff of a part is not there or is none.
    ParameterError
        If no part has a note.

    Examples
    --------
    >>> from pathlib import Path
    >>> from tempfile import TemporaryDirectory
    >>> from transcribe.core.lesson import LessonPart
    >>> from transcribe.core.riff import Note, Riff
    >>> from transcribe.formats.document import write_riff
    >>> strum = [Note(i, 0.0, 2.0, pitch) for i, pitch in enumerate((45, 52, 57, 60, 64))]
    >>> with TemporaryDirectory() as folder:
    ...     write_riff(Riff(notes=tuple(strum)), Path(folder) / "verse.riff.json")
    ...     found = lesson_theory(Lesson(parts=(LessonPart("A", "verse.riff.json"),)), folder)
    >>> found.loop
    ('Am',)
    """
    riffs = read_parts(lesson, folder)
    return piece_theory(
        [
            (part.shown_name, in_bars(riff, part.bars))
            for part, riff in zip(lesson.parts, riffs, strict=True)
        ]
    )
