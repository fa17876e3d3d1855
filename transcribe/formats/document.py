"""The riff document, ``NAME.riff.json``: JSON in UTF-8, version 2.

The keys are the fields of the types in `transcribe.core.riff`, whose docstrings are the contract;
those that are rarely set are left out while they hold their default. `read_riff` checks the shape
and every number and says what is wrong in one line; `write_riff` writes to a temporary file beside
the target and renames it, so that a reader never sees half a document. Keys that this version does
not know survive a read and a write. Documents of version 1 are read, too
(`transcribe.formats.document_1`), and written as version 2.
"""

from __future__ import annotations

import dataclasses
import json
import os
import re
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, BinaryIO, Literal, TypeVar

from transcribe.core.errors import FormatError
from transcribe.core.files import write_atomically
from transcribe.core.limits import MAX_BEATS, MAX_BYTES, MAX_NOTES, MAX_SEC
from transcribe.core.riff import Instrument, Note, Remark, Riff, sort_notes
from transcribe.core.wording import sentence
from transcribe.formats.document_1 import from_version_1
from transcribe.formats.typed import plain_values, read_object
from transcribe.formats.untyped import check_theory, parse, shown

__all__ = [
    "VERSION",
    "from_json",
    "read_document",
    "read_riff",
    "to_bytes",
    "to_json",
    "within_limit",
    "write_riff",
]

VERSION = 2

_T = TypeVar("_T")

_NOTE_NAME = re.compile(r"[A-G](#{0,2}|b{0,2})")


def _check_remark(remark: Remark, where: str) -> None:
    try:
        sentence(remark)
    except (LookupError, TypeError, ValueError):
        raise FormatError(f"{where}.facts lack what a remark {remark.kind!r} says") from None


def _check_note(note: Note, where: str, instrument: Instrument) -> None:
    if note.offset_sec <= note.onset_sec:
        raise FormatError(f"{where} ends at {note.offset_sec:g} s, not after its onset")
    if note.string is None or note.fret is None:
        if note.string != note.fret:
            raise FormatError(f"{where} has a string or a fret without the other")
        return
    _check_range(note.string, f"{where}.string", 1, len(instrument.open_midi))
    _check_range(note.fret, f"{where}.fret", 0, instrument.top_fret)
    sounds = instrument.pitch_midi(note.string, note.fret)
    if sounds != note.pitch_midi:
        raise FormatError(
            f"{where}: string {note.string} fret {note.fret} sounds {sounds}, "
            f"but pitch_midi is {note.pitch_midi}"
        )


def _check_range(value: int, where: str, low: int, high: int) -> None:
    if not low <= value <= high:
        raise FormatError(f"{where} is {value}, expected {low} to {high}")


def _check(riff: Riff) -> None:
    """What the types alone do not say: how the parts of a document fit together."""
    instrument = riff.instrument
    strings = len(instrument.open_midi)
    if not 1 <= strings <= 12 or not all(0 <= midi <= 127 for midi in instrument.open_midi):
        raise FormatError("instrument.open_midi must list 1 to 12 MIDI numbers, string 1 first")
    _check_range(instrument.capo, "instrument.capo", 0, instrument.frets - 1)
    for i, note in enumerate(riff.notes):
        _check_note(note, f"notes[{i}]", instrument)
    if len({note.id for note in riff.notes}) != len(riff.notes):
        raise FormatError("two notes of the riff document share an id")
    if riff.drone is not None:
        for string in (riff.drone.string, *riff.drone.other_strings):
            _check_range(string, "drone.string", 1, strings)
    for name in ("warnings", "unmet", "cautions"):
        for i, remark in enumerate(getattr(riff, name)):
            _check_remark(remark, f"{name}[{i}]")
    for i, alternative in enumerate(riff.alternatives):
        if alternative.why is not None:
            _check_remark(alternative.why, f"alternatives[{i}].why")
    if riff.written_key is not None and not _NOTE_NAME.fullmatch(riff.written_key.tonic):
        found = shown(riff.written_key.tonic)
        raise FormatError(f"written_key.tonic is {found}, expected a note such as F#")
    check_theory(riff.theory)


def from_json(value: Any) -> Riff:
    """A `Riff` from the parsed JSON of a riff document.

    Raises
    ------
    FormatError
        If a key is missing, a number is not finite or out of range, two notes share an id, or a
        string and fret do not sound the note's pitch.
    """
    version = value.get("handspan") if isinstance(value, Mapping) else VERSION
    if version == 1:
        value = from_version_1(value)
    elif version != VERSION:
        raise FormatError(
            f"the riff document says handspan: {version!r}, expected {VERSION}; "
            "is this a riff document, and made by this version?"
        )
    riff = read_object(Riff, value, "")
    _check(riff)
    extra = {key: item for key, item in riff.extra.items() if key != "handspan"}
    return dataclasses.replace(riff, notes=sort_notes(riff.notes), extra=extra)


def to_json(riff: Riff) -> dict[str, Any]:
    """The riff document as JSON values, in the order that a reader of the file wants them."""
    plain = plain_values(riff)
    first = {key: plain.pop(key) for key in ("source", "instrument", "timing", "rhythm", "notes")}
    return {"handspan": VERSION} | first | plain


def read_document(
    path: str | os.PathLike[str], from_json: Callable[[Any], _T], kind: Literal["riff", "lesson"]
) -> _T:
    """What a document of JSON in UTF-8 holds, in the words of errors a ``kind`` document.

    Raises
    ------
    FormatError
        If the file cannot be read, is too large, is not JSON, or ``from_json`` refuses its values.
    """
    path = Path(path)
    try:
        with path.open("rb") as file:
            text = within_limit(file, kind).decode("utf-8")
    except FileNotFoundError:
        raise FormatError(f"{path}: there is no such file") from None
    except (OSError, UnicodeDecodeError) as error:
        raise FormatError(f"{path} cannot be read: {error}") from None
    try:
        return from_json(parse(text))
    except FormatError as error:
        raise FormatError(f"{path}: {error}") from None
    except (json.JSONDecodeError, RecursionError) as error:
        place = f":{error.lineno}" if isinstance(error, json.JSONDecodeError) else ""
        raise FormatError(f"{path}{place}: not JSON; is this a {kind} document?") from None


def read_riff(path: str | os.PathLike[str]) -> Riff:
    """Read a riff document.

    Parameters
    ----------
    path : str or path-like
        ``NAME.riff.json``, of this version or of version 1.

    Returns
    -------
    Riff

    Raises
    ------
    FormatError
        If the file cannot be read, is not JSON, or is not a riff document.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     path = Path(folder) / "jetty.riff.json"
    ...     write_riff(Riff(notes=(Note(1, 0.0, 0.5, 50),)), path)
    ...     [note.pitch_midi for note in read_riff(path).notes]
    [50]
    """
    return read_document(path, from_json, "riff")


def write_riff(riff: Riff, path: str | os.PathLike[str]) -> None:
    """Write a riff document; the file at ``path`` is the old one or the new one, never a part.

    Parameters
    ----------
    riff : Riff
    path : str or path-like
        ``NAME.riff.json``; a file that is there is replaced.

    Returns
    -------
    None

    Raises
    ------
    FormatError
        If the riff is longer than a document may be, or the file cannot be written.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     path = Path(folder) / "jetty.riff.json"
    ...     write_riff(Riff(), path)
    ...     path.stat().st_size > 0
    True
    """
    write_atomically(Path(path), to_bytes(riff))


def to_bytes(riff: Riff) -> bytes:
    """The riff document as it lies on disk.

    Raises
    ------
    FormatError
        If the riff is longer than a document may be, so that it could not be read again.
    """
    for note in riff.notes:
        beat = abs(note.onset_beat or 0.0) + (note.duration_beat or 0.0)
        if note.offset_sec > MAX_SEC or beat > MAX_BEATS:
            raise FormatError(
                f"note {note.id} ends at {note.offset_sec:g} s, on beat {beat:g}, and the most are "
                f"{MAX_SEC:g} s and {MAX_BEATS:g} beats; cut the riff shorter"
            )
    if len(riff.notes) > MAX_NOTES:
        raise FormatError(f"there are {len(riff.notes)} notes, and {MAX_NOTES} are the most")
    text = json.dumps(to_json(riff), indent=1, ensure_ascii=False, allow_nan=False)
    return (text + "\n").encode("utf-8")


def within_limit(file: BinaryIO, kind: str = "riff") -> bytes:
    """What a file holds. Raises FormatError where it is larger than a document may be."""
    data = file.read(MAX_BYTES + 1)
    if len(data) > MAX_BYTES:
        raise FormatError(f"the file is larger than {MAX_BYTES // 2**20} MB, the most for a {kind}")
    return data
