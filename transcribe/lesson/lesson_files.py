"""A lesson on disk: ``NAME.lesson.json``, and for each part its riff, its tab and its sound.

The parts' files are written before the lesson, so that a lesson never names a riff that is not
there. A second split of the same session keeps what the teacher has done to the lesson, and leaves
a riff that was corrected as it is.
"""

from __future__ import annotations

import dataclasses
import hashlib
import io
import itertools
import json
import os
import tempfile
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from transcribe.core.errors import AudioError, FormatError, ParameterError
from transcribe.core.files import sha256_of, write_atomically
from transcribe.core.lesson import Lesson, LessonPart, Playing
from transcribe.core.riff import Riff, Source
from transcribe.formats.document import read_riff
from transcribe.formats.lesson_document import (
    LESSON_SUFFIX,
    from_json,
    read_lesson,
    to_bytes,
    write_lesson,
)
from transcribe.formats.untyped import parse
from transcribe.lesson.lesson_edits import joined
from transcribe.lesson.part_riffs import read_part
from transcribe.lesson.split import SplitSession, split, uneven_sec
from transcribe.library import revisions, riff_files

if TYPE_CHECKING:
    from transcribe.core.riff import Instrument
    from transcribe.drone import DroneChoice
    from transcribe.fingering import Hand

__all__ = [
    "HeardAgain",
    "Made",
    "cut_sound",
    "following",
    "hear_joined",
    "hear_playing",
    "join_takes",
    "lesson_name",
    "make_lesson",
    "put_heard",
    "read_with_revision",
    "riff_to_add",
    "save_lesson",
    "session_path",
    "use_playing",
    "write_part_files",
]

_MAX_SEC = 14_400.0  # of a session that is read again, as of every time in a document
_FADE_SEC = 0.01  # at both ends of a part's sound

Progress = Callable[[str, float], None]
Say = Callable[[str], None]


@dataclasses.dataclass(frozen=True)
class Made:
    """A lesson that was written: the document, its path, and every file beside it."""

    lesson: Lesson
    path: Path
    files: tuple[Path, ...]
    split: SplitSession


@dataclasses.dataclass(frozen=True)
class HeardAgain:
    """A lesson with the part ``label`` heard again in its session, before anything is written.

    ``sound`` is that of the part, as FLAC.
    """

    lesson: Lesson
    label: str
    riff: Riff
    sound: bytes


def lesson_name(path: str | os.PathLike[str]) -> str:
    """NAME of a session or of ``NAME.lesson.json``.

    >>> lesson_name("class/ferry.lesson.json"), lesson_name("ferry.ogg")
    ('ferry', 'ferry')
    """
    name = Path(path).name
    if name.lower().endswith(LESSON_SUFFIX) and len(name) > len(LESSON_SUFFIX):
        return name[: -len(LESSON_SUFFIX)]
    return Path(name).stem


def make_lesson(
    session: str | os.PathLike[str],
    folder: str | os.PathLike[str] | None = None,
    *,
    title: str = "",
    name: str | None = None,
    formats: Iterable[str] = ("tab",),
    instrument: Instrument | None = None,
    hand: Hand | None = None,
    drone: DroneChoice = "auto",
    max_sec: float = 3600.0,
    say: Say = lambda sentence: None,
    progress: Progress | None = None,
) -> Made:
    """Split a recorded session and write its lesson.

    Parameters
    ----------
    session : path
        A sound or video file.
    folder : path, optional
        Where the files go; the session's own folder by default.
    title, name : str, optional
        Title of the lesson, and NAME of its files; both that of the session by default.
    formats : iterable of str
        Files beside each riff document: ``tab``, ``musicxml``, ``midi``, ``jams``.
    instrument, hand, drone, max_sec
        As for `transcribe.lesson.split.split`.
    say : callable
        Called with a sentence about each file that is replaced, kept or left as it is.
    progress : callable, optional
        Called with the stage and its share.

    Returns
    -------
    Made

    Raises
    ------
    AudioError
        If the session cannot be read, or nothing in it is long enough for a part.
    FormatError
        If a file cannot be written, or an old lesson of that name cannot be read.

    Examples
    --------
    A line of eight notes, which a string model plays:

    >>> import soundfile
    >>> from transcribe.core.riff import Note
    >>> from transcribe.sound import render_riff
    >>> line = (50, 53, 55, 57, 55, 53, 52, 50)
    >>> notes = [Note(k, 0.5 * k + 0.2, 0.5 * k + 0.6, pitch) for k, pitch in enumerate(line)]
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     session = Path(folder) / "pier.wav"
    ...     soundfile.write(session, render_riff(Riff(notes=tuple(notes))), 22050)
    ...     made = make_lesson(session)
    >>> [(part.label, part.riff) for part in made.lesson.parts], made.path.name
    ([('A', 'pier-A.riff.json')], 'pier.lesson.json')
    """
    session = Path(session)
    folder = session.parent if folder is None else Path(folder)
    if folder.is_file():
        raise ParameterError(f"{folder} is a file; give a folder for the lesson, such as -o lesson")
    name = name or lesson_name(session)
    path = folder / f"{name}{LESSON_SUFFIX}"
    # An unreadable old document is refused before the work, not after it.
    old = read_lesson(path) if path.exists() else None
    if old is not None and _sha(old) != sha256_of(session):
        raise ParameterError(
            f"{path} is the lesson of another session, or of none; give the new one another name "
            "or another folder"
        )
    with tempfile.TemporaryDirectory(prefix="handspan-") as scratch:
        copy = Path(scratch, "session.wav")
        found = split(
            session,
            title=title,
            name=name,
            instrument=instrument,
            hand=hand,
            drone=drone,
            max_sec=max_sec,
            copy=copy,
            progress=progress,
        )
        lesson, files = found.lesson, []
        assert lesson.session is not None
        lesson = dataclasses.replace(
            lesson, session=dataclasses.replace(lesson.session, file=_relative(session, folder))
        )
        if old is not None:
            lesson = _carried(old, lesson, title=title)
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise FormatError(
                f"{folder} cannot be made: {error.strerror}; give another folder, such as -o lesson"
            ) from None
        for part in lesson.parts:
            riff = found.riffs.get(_source_label(part, found.lesson))
            if riff is not None and part.take is not None:
                files += _write_part(part, riff, part.take, folder, copy, formats, say)
    write_lesson(lesson, path)
    return Made(lesson, path, (path, *files), found)


def _sha(lesson: Lesson) -> str | None:
    return None if lesson.session is None else lesson.session.sha256


def _source_label(part: LessonPart, found: Lesson) -> str:
    """The label that the split has given a part."""
    return next((one.label for one in found.parts if one.take == part.take), "")


def _relative(session: Path, folder: Path) -> str:
    """The way from ``folder`` to the session, with ``/`` between folders."""
    try:
        return Path(os.path.relpath(session.absolute(), folder.absolute())).as_posix()
    except ValueError:  # another drive
        return session.name


def _carried(old: Lesson, new: Lesson, *, title: str) -> Lesson:
    """``new`` with what the teacher has said of the parts of ``old``, a lesson of the same session.

    Parts are the same where their takes overlap by more than half.
    """
    free = list(new.parts)
    kept: list[LessonPart] = []
    for part in old.parts:
        match = next((one for one in free if _overlap(part, one) > 0.5), None)
        if match is not None:
            free.remove(match)
            changes: dict[str, Any] = {"take": match.take, "playings": match.playings}
            kept.append(dataclasses.replace(part, **changes))
        elif part.take is None:
            kept.append(part)  # it came from a file of its own
    taken = {part.label for part in kept}
    files = {part.riff for part in kept}
    fresh = []
    for part in free:
        if part.label in taken or part.riff in files:
            from transcribe.lesson.split import labels

            label = next(one for one in labels() if one not in taken)
            part = dataclasses.replace(
                part, label=label, riff=part.riff.replace(f"-{part.label}.riff", f"-{label}.riff")
            )
        taken.add(part.label)
        fresh.append(part)
    return dataclasses.replace(
        new,
        title=title or old.title,
        parts=(*kept, *fresh),
        form=tuple(label for label in old.form if label in taken),
        extra=old.extra,
    )


def _overlap(one: LessonPart, other: LessonPart) -> float:
    """Share of the longer take that two parts have in common."""
    if one.take is None or other.take is None:
        return 0.0
    a, b = one.take, other.take
    both = min(a.end_sec, b.end_sec) - max(a.start_sec, b.start_sec)
    return both / max(a.end_sec - a.start_sec, b.end_sec - b.start_sec)


def _write_part(
    part: LessonPart,
    riff: Riff,
    take: Playing,
    folder: Path,
    copy: Path,
    formats: Iterable[str],
    say: Say,
) -> list[Path]:
    """The riff, the tab and the sound of a part; a riff that was corrected is left as it is."""
    document = folder / part.riff
    data = cut_sound(copy, take)
    if document.exists():
        old = read_riff(document)
        if old.history and old.source and old.source.sha256 == hashlib.sha256(data).hexdigest():
            say(f"{document} was corrected and stays as it is; move it away to have it made again")
            return []
        if old.history:
            say(f"{document} was corrected and is kept as {riff_files.keep_old(document)}")
    return write_part_files(document, riff, data, formats, say)


def write_part_files(
    document: Path,
    riff: Riff,
    data: bytes,
    formats: Iterable[str],
    say: Say = lambda sentence: None,
) -> list[Path]:
    """Write the riff, its ``formats`` and the sound of a take, which is ``data``; their paths."""
    name = riff_files.riff_name(document)
    sound = document.with_name(f"{name}.flac")
    document.parent.mkdir(parents=True, exist_ok=True)
    write_atomically(sound, data)
    source = dataclasses.replace(
        riff.source or Source(), file=sound.name, sha256=hashlib.sha256(data).hexdigest()
    )
    riff = dataclasses.replace(riff, source=source)
    return [*riff_files.save(riff, document.parent, name, formats=formats, say=say), sound]


def cut_sound(copy: Path, take: Playing) -> bytes:
    """A playing as FLAC, from the WAV ``copy`` of its session, with its ends faded."""
    import numpy as np
    import soundfile

    with soundfile.SoundFile(os.fspath(copy)) as file:
        rate = file.samplerate
        file.seek(min(file.frames, round(take.start_sec * rate)))
        y = file.read(max(1, round((take.end_sec - take.start_sec) * rate)), dtype="float32")
    fade = min(len(y) // 2, round(_FADE_SEC * rate))
    if fade:
        slope = np.linspace(0.0, 1.0, fade, dtype=np.float32)
        y[:fade] *= slope
        y[len(y) - fade :] *= slope[::-1]
    store = io.BytesIO()
    soundfile.write(store, y, rate, format="FLAC", subtype="PCM_16")
    return store.getvalue()


def read_with_revision(path: Path) -> tuple[Lesson, str]:
    """A lesson document and its revision, from the same bytes, for `save_lesson`.

    Raises
    ------
    FormatError
        If the file cannot be read, is a link, or is no lesson document.
    """
    data = revisions.read_bytes(path, "lesson")
    try:
        return from_json(parse(data)), revisions.revision_of(data)
    except (UnicodeDecodeError, json.JSONDecodeError, RecursionError):
        raise FormatError(f"{path.name}: not JSON; is this a lesson document?") from None
    except FormatError as error:
        raise FormatError(f"{path.name}: {error}") from None


def save_lesson(lesson: Lesson, path: Path, *, expected: str | None) -> str:
    """Replace a lesson document if its revision is still ``expected``; its new revision.

    ``expected`` is None for a document that must not exist yet.

    Raises
    ------
    ConflictError
        If it was changed since it was read.
    FormatError
        If it cannot be written.
    """
    data = to_bytes(lesson)
    with revisions.hold(path.parent):
        there = path.exists()
        found = revisions.revision_of(revisions.read_bytes(path, "lesson")) if there else None
        if found != expected:
            raise revisions.ConflictError(f"{path.name} was changed elsewhere since it was read")
        write_atomically(path, data)
    return revisions.revision_of(data)


def riff_to_add(riff: Path, folder: Path) -> tuple[str, str]:
    """A riff document as a part names it, and the name that the part gets.

    Raises
    ------
    FormatError
        If it is no riff document.
    ParameterError
        If it does not lie in the lesson's folder.
    """
    read_riff(riff)
    try:
        inside = riff.resolve().relative_to(folder.resolve())
    except ValueError:
        raise ParameterError(
            f"{riff} does not lie in {folder}, the folder of the lesson; copy it there first"
        ) from None
    return inside.as_posix(), riff_files.riff_name(riff)


# Another take from the session -----------------------------------------------------------------


def session_path(lesson: Lesson, folder: str | os.PathLike[str]) -> Path:
    """Where the sound of a lesson's session lies.

    Raises
    ------
    AudioError
        If the lesson has none, or it is not there any more.
    """
    if lesson.session is None or not lesson.session.file:
        raise AudioError("the lesson was not split from a recorded session, so there is no sound")
    path = Path(folder) / lesson.session.file
    if not path.is_file():
        raise AudioError(
            f"{path}: the session's sound is not there any more; put it back to hear it again"
        )
    return path


def use_playing(
    lesson: Lesson,
    folder: str | os.PathLike[str],
    label: str,
    number: int,
    *,
    say: Say = lambda sentence: None,
    progress: Progress | None = None,
) -> Lesson:
    """The riff of a part from another of its playings in the session, which is listened to again.

    Parameters
    ----------
    number : int
        Which playing, from 1, in order of time.

    Returns
    -------
    Lesson
        Not written yet; the part's riff, tab and sound are.

    Raises
    ------
    ParameterError
        If the part has no such playing.
    AudioError
        If the session's sound is not there.
    """
    heard = hear_playing(lesson, folder, label, number, progress=progress)
    put_heard(heard, Path(folder), say)
    return heard.lesson


def hear_playing(
    lesson: Lesson,
    folder: str | os.PathLike[str],
    label: str,
    number: int,
    *,
    progress: Progress | None = None,
) -> HeardAgain:
    """As `use_playing`, but nothing is written; `put_heard` does that."""
    part = lesson.part(label)
    if not 1 <= number <= len(part.playings):
        raise ParameterError(
            f"part {part.shown_name!r} has {len(part.playings)} playings, "
            f"there is no number {number}"
        )
    new = dataclasses.replace(part, take=part.playings[number - 1])
    riff, sound = _heard(lesson, new, Path(folder), progress)
    return HeardAgain(_with_part(lesson, new), label, riff, sound)


def join_takes(
    lesson: Lesson,
    folder: str | os.PathLike[str],
    first: str,
    second: str,
    *,
    say: Say = lambda sentence: None,
    progress: Progress | None = None,
) -> Lesson:
    """One part in the place of two that are played one after the other in the session.

    Their takes are joined where these follow each other, else a pair of other playings that do.
    The session is listened to again from the start of the one to the end of the other; the pins
    of both takes are kept where these are in it.

    Returns
    -------
    Lesson
        Not written yet; the riff, tab and sound of ``first`` are. Those of ``second`` stay.

    Raises
    ------
    ParameterError
        If no playing of the second follows one of the first.
    AudioError
        If the session's sound is not there.
    """
    heard = hear_joined(lesson, folder, first, second, progress=progress)
    put_heard(heard, Path(folder), say)
    return heard.lesson


def hear_joined(
    lesson: Lesson,
    folder: str | os.PathLike[str],
    first: str,
    second: str,
    *,
    progress: Progress | None = None,
) -> HeardAgain:
    """As `join_takes`, but nothing is written; `put_heard` does that."""
    one, two = lesson.part(first), lesson.part(second)
    if one is two:
        raise ParameterError(
            f"part {one.shown_name!r} cannot be joined with itself; name two parts"
        )
    if one.take is None or two.take is None:
        raise ParameterError(
            f"parts {one.shown_name!r} and {two.shown_name!r} are not both from the session; only "
            "such parts, or neighbouring bars of one riff, can be joined"
        )
    before, after = following(lesson, one, two)
    start, end = before.start_sec, after.end_sec
    take = Playing(start, end)
    new = dataclasses.replace(one, take=take, bars=None)
    riff, sound = _heard(lesson, new, Path(folder), progress)
    pinned = [(one, one.take.start_sec - start), (two, two.take.start_sec - start)]
    riff = _with_pins_of(pinned, riff, Path(folder))
    unsure = sum(note.unsure for note in riff.notes)
    bpm = None if riff.rhythm is None else round(riff.rhythm.bpm, 2)
    take = Playing(start, end, len(riff.notes), unsure, uneven_sec(riff), bpm)
    lesson = joined(lesson, first, second, bars=None, take=take, playings=(take,))
    return HeardAgain(lesson, first, riff, sound)


def following(lesson: Lesson, one: LessonPart, two: LessonPart) -> tuple[Playing, Playing]:
    """A playing of ``one`` and that of ``two`` right after it; their takes where these are so.

    Raises
    ------
    ParameterError
        If no playing of the one is followed by one of the other.
    """
    played = [(each, part) for part in lesson.parts for each in part.playings or _take_of(part)]
    found: list[tuple[Playing, Playing]] = []
    between: list[tuple[float, LessonPart]] = []
    for before, after in itertools.product(
        *([each for each, part in played if part is mine] for mine in (one, two))
    ):
        if after.start_sec < before.start_sec:
            continue
        others = [
            (each.start_sec, part)
            for each, part in played
            if each not in (before, after)
            and each.start_sec < after.end_sec
            and each.end_sec > before.start_sec
        ]
        if not others:
            found.append((before, after))
        elif not between or len(others) < len(between):
            between = others
    if found:
        return max(found, key=lambda pair: (pair[0] == one.take) + (pair[1] == two.take))
    why = f"{two.shown_name!r} is never played after {one.shown_name!r}"
    if between:
        name = min(between, key=lambda each: each[0])[1].shown_name
        why = f"{name!r} is played between them"
    raise ParameterError(
        f"parts {one.shown_name!r} and {two.shown_name!r} do not follow each other in the "
        f"session ({why}); put parts one after another with the form instead"
    )


def _take_of(part: LessonPart) -> tuple[Playing, ...]:
    return () if part.take is None else (part.take,)


def _with_part(lesson: Lesson, new: LessonPart) -> Lesson:
    parts = tuple(new if part.label == new.label else part for part in lesson.parts)
    return dataclasses.replace(lesson, parts=parts)


def _heard(
    lesson: Lesson, part: LessonPart, folder: Path, progress: Progress | None
) -> tuple[Riff, bytes]:
    """A part's take transcribed anew, and its sound as FLAC."""
    from transcribe import api
    from transcribe.audio import read_audio
    from transcribe.notes import SR

    session, take = session_path(lesson, folder), part.take
    assert take is not None
    with tempfile.TemporaryDirectory(prefix="handspan-") as scratch:
        copy = Path(scratch, "session.wav")
        recording = read_audio(session, max_sec=_MAX_SEC, to_sr=SR, copy=copy, progress=progress)
        y = recording.y[round(take.start_sec * SR) : round(take.end_sec * SR)]
        heard = api.listen(y, sr=SR, instrument=lesson.instrument, progress=progress)
        riff = api.in_rhythm(heard.riff, sound=heard.before_playing())
        return api.work_out(riff, progress=progress), cut_sound(copy, take)


def _with_pins_of(parts: list[tuple[LessonPart, float]], riff: Riff, folder: Path) -> Riff:
    """``riff`` with the pins of parts that it holds, each from so many seconds on."""
    from transcribe.correct.carry_over import carry_pins, with_pins

    pins: dict[int, tuple[int, int]] = {}
    for part, later in parts:
        if not (folder / part.riff).is_file():
            continue
        old = read_part(part, folder)
        moved = tuple(
            dataclasses.replace(n, onset_sec=n.onset_sec + later, offset_sec=n.offset_sec + later)
            for n in old.notes
        )
        found, _ = carry_pins(
            dataclasses.replace(old, notes=moved), (n for n in riff.notes if n.id not in pins)
        )
        pins |= found
    return with_pins(riff, pins) if pins else riff


def put_heard(heard: HeardAgain, folder: Path, say: Say) -> None:
    """Write the riff, the tab and the sound of what was heard again, but not the lesson.

    A riff that was corrected is kept beside the new one.

    Raises
    ------
    FormatError
        If a file cannot be written.
    """
    part = heard.lesson.part(heard.label)
    document = folder / part.riff
    forms: tuple[str, ...] = ("tab",)
    if document.exists():
        old = read_part(part, folder)
        forms = tuple(old.files)
        if old.history:
            say(f"{document} was corrected and is kept as {riff_files.keep_old(document)}")
    write_part_files(document, heard.riff, heard.sound, forms, say)
