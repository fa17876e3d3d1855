"""Where a riff's files lie, and how they are written without losing what a player changed.

A riff called NAME has ``NAME.riff.json`` and beside it, as asked for, ``NAME.tab.txt``,
``NAME.musicxml``, ``NAME.mid`` and ``NAME.jams``. A second transcription of the same take
carries the pins over where the notes still match; where one does not, and wherever a text tab
was edited by hand, the old file is kept under a numbered name and that is said. After a
correction the files beside the document follow it, each in the form that it was written in.
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import os
import re
import stat
import time
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path

from transcribe.core.errors import (
    FormatError,
    HandspanError,
    ParameterError,
    why_not_written,
)
from transcribe.core.files import write_atomically
from transcribe.core.riff import FileForm, Riff
from transcribe.formats.document import read_riff, write_riff
from transcribe.library import revisions

__all__ = [
    "FORMATS",
    "RIFF_SUFFIX",
    "followed",
    "forms_beside",
    "keep_old",
    "made",
    "put_beside",
    "riff_name",
    "save",
    "sweep_parts",
    "usual_form",
]

_PART = re.compile(r"\..+\.[a-z0-9_]{8}\.part")  # as `write_atomically` names them
_PART_SEC = 3600.0  # an older one is not being written any more

RIFF_SUFFIX = ".riff.json"
TAB_SUFFIX = ".tab.txt"

FORMATS: dict[str, str] = {
    "tab": TAB_SUFFIX,
    "musicxml": ".musicxml",
    "midi": ".mid",
    "jams": ".jams",
}
"""Name of each format that can be asked for, and the suffix of its file."""


def riff_name(path: str | os.PathLike[str]) -> str:
    """NAME of a file such as ``NAME.wav``, ``NAME.riff.json`` or ``NAME.tab.txt``."""
    name = Path(path).name
    for suffix in (RIFF_SUFFIX, TAB_SUFFIX):
        if name.lower().endswith(suffix) and len(name) > len(suffix):
            return name[: -len(suffix)]
    return Path(name).stem


def keep_old(path: Path) -> Path:
    """Copy a file to the next free numbered name beside it, ``NAME.kept-1.riff.json``.

    Where a copy of it lies there already, that one will do.
    """
    for suffix in (RIFF_SUFFIX, TAB_SUFFIX):
        if path.name.endswith(suffix):
            stem = path.name[: -len(suffix)]
            break
    else:
        stem, suffix = path.stem, path.suffix
    number = 1
    try:
        data = path.read_bytes()
        while (kept := path.with_name(f"{stem}.kept-{number}{suffix}")).exists():
            if kept.is_file() and kept.read_bytes() == data:
                return kept
            number += 1
    except OSError as error:
        raise FormatError(f"{path} cannot be kept: {why_not_written(error)}") from None
    write_atomically(kept, data)
    return kept


def forms_beside(riff: Riff, folder: Path, name: str) -> dict[str, FileForm]:
    """The files beside a document that say what ``riff`` says, and so have to follow it.

    A file that a hand has changed says something else, and one that is a link is left alone.

    Returns
    -------
    dict
        Name of the format -> how the file is written.
    """
    found = {}
    for kind, suffix in FORMATS.items():
        path = folder / f"{name}{suffix}"
        if path.is_symlink() or not path.is_file():
            continue
        with contextlib.suppress(HandspanError, OSError):
            if _is_as_written(riff, kind, path.read_bytes()):
                found[kind] = riff.files.get(kind, FileForm())
    return found


def usual_form(riff: Riff) -> FileForm:
    """How a tab of ``riff`` is written where none tells: with repeats if its files have them."""
    return FileForm(repeats=any(form.repeats for form in riff.files.values()))


def followed(
    old: Riff, new: Riff, folder: Path, name: str
) -> tuple[Riff, dict[str, tuple[bytes, bytes]]]:
    """The files beside a document that have to follow it from ``old`` to ``new``.

    A format that cannot hold ``new`` is left out: the document counts.

    Returns
    -------
    new : Riff
        With the forms of these files.
    files : dict
        Name of the format -> what the file holds, and what it has to hold.
    """
    files: dict[str, tuple[bytes, bytes]] = {}
    forms = dict(old.files)
    for kind, form in forms_beside(old, folder, name).items():
        with contextlib.suppress(HandspanError, OSError):
            data = made(new, kind, form)
            before = (folder / f"{name}{FORMATS[kind]}").read_bytes()
            files[kind] = before, data
            forms[kind] = _written_as(form, data, before)
    return dataclasses.replace(new, files=forms), files


def put_beside(folder: Path, name: str, files: Mapping[str, tuple[bytes, bytes]]) -> None:
    """Write what `followed` found, but over no file that a hand has changed since."""
    for kind, (before, data) in files.items():
        path = folder / f"{name}{FORMATS[kind]}"
        with contextlib.suppress(HandspanError, OSError):
            if not path.is_symlink() and path.read_bytes() == before:
                write_atomically(path, data)


def save(
    riff: Riff,
    folder: Path,
    name: str,
    *,
    formats: Iterable[str] = ("tab",),
    width: int = 80,
    repeats: bool = False,
    fingers: bool = False,
    forms: Mapping[str, FileForm] | None = None,
    say: Callable[[str], None] = lambda sentence: None,
    expected: str | None = None,
) -> list[Path]:
    """Write the document and the other formats; nothing is overwritten without saying so.

    Everything is made in memory first, so that a format that fails leaves every file as it was.

    Parameters
    ----------
    repeats : bool
        Whether the tab and MusicXML write bars that are played again at once only one time.
    fingers : bool
        Whether the tab has a line of the fretting fingers.
    forms : mapping of format to FileForm, optional
        Formats that are written too, or in another form than the words above say.
    say : callable
        Called with a sentence that says which files were replaced, and which old ones were kept.
    expected : str, optional
        Revision of the document that this one follows, from `revisions.read_revision`.

    Returns
    -------
    list of Path
        The files written, the document first.

    Raises
    ------
    ParameterError
        If a format is unknown.
    FormatError
        If a file cannot be written.
    ConflictError
        If the document is no longer the one that was ``expected``.
    """
    wanted = {kind: FileForm(width, repeats, fingers) for kind in formats} | dict(forms or {})
    files = {kind: made(riff, kind, form) for kind, form in wanted.items()}
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FormatError(
            f"{folder} cannot be made: {error.strerror}; give another folder, such as -o riffs"
        ) from None
    document = folder / f"{name}{RIFF_SUFFIX}"
    sweep_parts(folder)
    before = _content(document)
    there = {kind: _content(folder / f"{name}{FORMATS[kind]}") for kind in files}
    edited = _edited_tab(document, folder / f"{name}{TAB_SUFFIX}")
    written_as = {
        kind: _written_as(form, files[kind], None if kind == "tab" and edited else there[kind])
        for kind, form in wanted.items()
    }
    riff = dataclasses.replace(riff, files={**riff.files, **written_as})
    written = [document]
    if expected is None:
        write_riff(riff, document)
    else:
        revisions.replace(document.resolve(), riff, expected=expected)
    replaced = [document.name] if before not in (None, _content(document)) else []
    for kind, data in files.items():
        path = folder / f"{name}{FORMATS[kind]}"
        if kind == "tab" and edited:
            say(f"{path} had been edited; the edited tab is kept as {keep_old(path)}")
        elif there[kind] not in (None, data):
            replaced.append(path.name)
        write_atomically(path, data)
        written.append(path)
    if replaced:
        say(f"replaced in {folder}: {', '.join(replaced)}")
    return written


def _content(path: Path) -> bytes | None:
    """What a file holds that is to be replaced; None where there is none."""
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return None
    except IsADirectoryError:
        raise FormatError(f"{path} is a folder; move it away, or write to another folder") from None
    except OSError as error:
        raise FormatError(f"{path} cannot be written: {why_not_written(error)}") from None


def sweep_parts(folder: Path) -> None:
    """Throw away the files in ``folder`` that a killed program has left half-written."""
    for path in folder.glob(".*.part"):
        with contextlib.suppress(OSError):
            state = path.lstat()
            old = time.time() - state.st_mtime > _PART_SEC
            if old and _PART.fullmatch(path.name) and stat.S_ISREG(state.st_mode):
                path.unlink()


def _digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _written_as(form: FileForm, data: bytes, before: bytes | None) -> FileForm:
    """The form of a file that is to hold ``data``, in the place of ``before``."""
    was = None if before is None or before == data else _digest(before)
    return dataclasses.replace(form, sha256=_digest(data), before_sha256=was)


def _is_as_written(riff: Riff, kind: str, data: bytes) -> bool:
    """Whether a file beside a document is one that was written here, and not by a hand."""
    form = riff.files.get(kind, FileForm())
    if form.sha256 is None:
        return data == made(riff, kind, form)
    return _digest(data) in (form.sha256, form.before_sha256)


def made(riff: Riff, kind: str, form: FileForm) -> bytes:
    """The file of a format (a key of `FORMATS`) that says what ``riff`` says.

    Raises
    ------
    ParameterError
        If there is no such format.
    """
    if kind == "tab":
        from transcribe.formats.tab.write import write_tab

        text = write_tab(riff, width=form.width, repeats=form.repeats, fingers=form.fingers)
        return text.encode("utf-8")
    if kind == "musicxml":
        from transcribe.formats.musicxml.write import write_musicxml

        return _bytes(write_musicxml(riff, repeats=form.repeats))
    if kind == "midi":
        from transcribe.formats.midi import write_midi

        return _bytes(write_midi(riff))
    if kind == "jams":
        from transcribe.formats.jams import write_jams

        return _bytes(write_jams(riff))
    raise ParameterError(f"no format is called {kind!r}; use {', '.join(FORMATS)}")


def _bytes(data: str | bytes) -> bytes:
    return data.encode("utf-8") if isinstance(data, str) else data


def _edited_tab(document: Path, tab: Path) -> bool:
    """Whether a text tab differs from what its document says: a hand has changed it."""
    if not tab.exists():
        return False
    if not document.exists():
        return True
    try:
        return not _is_as_written(read_riff(document), "tab", tab.read_bytes())
    except FormatError:
        return True
