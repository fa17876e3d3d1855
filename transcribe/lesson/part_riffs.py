"""The riffs of a lesson's parts: read from beside the lesson, cut to the bars that are shown."""

from __future__ import annotations

import dataclasses
import os
from pathlib import Path

from transcribe.core.errors import FormatError
from transcribe.core.lesson import Lesson, LessonPart
from transcribe.core.riff import Riff
from transcribe.core.score_place import bar_and_beat
from transcribe.formats.document import read_riff

__all__ = ["in_bars", "read_part", "read_parts"]


def read_part(part: LessonPart, folder: str | os.PathLike[str]) -> Riff:
    """The whole riff of a part, whatever its ``bars`` are.

    Parameters
    ----------
    part : LessonPart
    folder : path
        Where the lesson document lies.

    Returns
    -------
    Riff

    Raises
    ------
    FormatError
        If the riff document is not there or is none.
    """
    try:
        return read_riff(Path(folder) / part.riff)
    except FormatError as error:
        raise FormatError(f"part {part.shown_name!r} of the lesson: {error}") from None


def read_parts(lesson: Lesson, folder: str | os.PathLike[str]) -> tuple[Riff, ...]:
    """The whole riff of each part of ``lesson``, in teaching order; see `read_part`.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> from transcribe.core.riff import Note
    >>> from transcribe.formats.document import write_riff
    >>> with TemporaryDirectory() as folder:
    ...     write_riff(Riff(notes=(Note(1, 0.0, 0.5, 50),)), Path(folder) / "intro.riff.json")
    ...     riffs = read_parts(Lesson(parts=(LessonPart("A", "intro.riff.json"),)), folder)
    >>> len(riffs[0].notes)
    1
    """
    return tuple(read_part(part, folder) for part in lesson.parts)


def in_bars(riff: Riff, bars: tuple[int, int] | None) -> Riff:
    """``riff`` with the notes that begin in ``bars`` alone, where they are; all for None.

    Parameters
    ----------
    riff : Riff
    bars : (int, int) or None
        First and last bar, as the tab numbers them: from 1, 0 is the pickup.

    Returns
    -------
    Riff
        Its times are those of the whole riff. A riff without beats has no bars and stays whole.

    Examples
    --------
    >>> from transcribe.core.riff import Note, Rhythm
    >>> notes = tuple(Note(k, k, k + 1.0, 50, onset_beat=float(k)) for k in range(8))
    >>> [note.id for note in in_bars(Riff(notes=notes, rhythm=Rhythm(60.0)), (2, 2)).notes]
    [4, 5, 6, 7]
    """
    rhythm = riff.rhythm
    if bars is None or rhythm is None:
        return riff
    notes = tuple(
        note
        for note in riff.notes
        if note.onset_beat is not None
        and bars[0] <= bar_and_beat(note.onset_beat, rhythm.meter)[0] <= bars[1]
    )
    return dataclasses.replace(riff, notes=notes)
