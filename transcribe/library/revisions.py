"""Changing a riff document that someone else may be changing too.

Two windows of the page, or the page and the command, may hold the same document. Each remembers
the revision that it read; a save names that revision, and is refused where the file has moved on.
Looking at the file and replacing it happen under one lock, so that nothing slips in between.

The lock is a file in a hidden folder beside the documents, held with ``flock`` where the system
has it; it is let go when its process dies, however it dies.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

from transcribe.core.errors import FormatError, HandspanError
from transcribe.core.files import write_atomically
from transcribe.core.riff import Riff
from transcribe.formats.document import from_json, to_json

try:
    import fcntl
except ImportError:  # Windows: one process at a time is all that is promised there.
    fcntl = None  # type: ignore[assignment]

__all__ = [
    "HIDDEN",
    "ConflictError",
    "change",
    "current_revision",
    "hold",
    "read_revision",
    "replace",
    "revision_of",
]

HIDDEN = ".handspan"
"""Folder beside the documents for the lock and for what can be made again at any time."""

_threads = threading.RLock()
_held: set[str] = set()  # folders that the thread inside holds


class ConflictError(HandspanError):
    """The document on disk is no longer the one that was read."""


def revision_of(data: bytes) -> str:
    """The revision of a document: a digest of its bytes."""
    return hashlib.sha256(data).hexdigest()[:20]


@contextlib.contextmanager
def hold(folder: Path) -> Iterator[None]:
    """Hold the documents of ``folder``: no other thread or process that asks changes them.

    Raises
    ------
    FormatError
        If the folder cannot be written.
    """
    with _threads:
        key = os.path.realpath(folder)
        # A lock of one open file keeps out another of the same process: take it once.
        if key in _held:
            yield
            return
        try:
            hidden = folder / HIDDEN
            hidden.mkdir(exist_ok=True)
            handle = os.open(hidden / "lock", os.O_RDWR | os.O_CREAT | _NO_FOLLOW, 0o600)
        except OSError as error:
            raise FormatError(f"{folder} cannot be written: {error.strerror}") from None
        try:
            if fcntl is not None:
                fcntl.flock(handle, fcntl.LOCK_EX)
            _held.add(key)
            yield
        finally:
            _held.discard(key)
            os.close(handle)


def read_revision(path: Path) -> tuple[Riff, str]:
    """A document and its revision, from the same bytes.

    Raises
    ------
    FormatError
        If the file cannot be read, is a link, or is no riff document.
    """
    data = _read(path)
    try:
        return from_json(json.loads(data)), revision_of(data)
    except (UnicodeDecodeError, json.JSONDecodeError, RecursionError):
        raise FormatError(f"{path.name}: not JSON; is this a riff document?") from None
    except FormatError as error:
        raise FormatError(f"{path.name}: {error}") from None


def current_revision(path: Path) -> str:
    """The revision of the document at ``path`` now, without reading what it says.

    Raises
    ------
    FormatError
        If the file cannot be read, or is a link.
    """
    return revision_of(_read(path))


def replace(path: Path, riff: Riff, *, expected: str | None) -> str:
    """Replace the document at ``path`` if its revision is still ``expected``.

    ``expected`` is None for a document that must not exist yet. Returns the new revision.

    Raises
    ------
    ConflictError
        If the file is not the one that was read.
    FormatError
        If it cannot be written.
    """
    text = json.dumps(to_json(riff), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    data = text.encode("utf-8")
    with hold(path.parent):
        found = revision_of(_read(path)) if path.exists() else None
        if found != expected:
            raise ConflictError(f"{path.name} was changed elsewhere since it was read")
        write_atomically(path, data)
    return revision_of(data)


def change(path: Path, edit: Callable[[Riff], Riff]) -> tuple[Riff, str]:
    """Read, change and save a document while no one else can.

    Whatever was saved before is what ``edit`` is given, so that nothing of it is lost.
    """
    with hold(path.parent):
        riff, revision = read_revision(path)
        changed = edit(riff)
        return changed, replace(path, changed, expected=revision)


_NO_FOLLOW = getattr(os, "O_NOFOLLOW", 0)


def _read(path: Path) -> bytes:
    try:
        handle = os.open(path, os.O_RDONLY | _NO_FOLLOW)
    except FileNotFoundError:
        raise FormatError(f"{path.name}: there is no such file") from None
    except OSError as error:
        raise FormatError(f"{path.name} cannot be read: {error.strerror}") from None
    try:
        with os.fdopen(handle, "rb") as file:
            return file.read()
    except IsADirectoryError:
        os.close(handle)
        raise FormatError(f"{path.name} is a folder; name one riff document in it") from None
