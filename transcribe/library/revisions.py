"""Changing a riff document that someone else may be changing too.

Two windows of the page, or the page and the command, may hold the same document. Each remembers
the revision that it read; a save names that revision, and is refused where the file has moved on.
Looking at the file and replacing it happen under one lock, so that nothing slips in between;
whatever takes time happens before it, so that nobody waits.

The lock is a file in a hidden folder beside the documents, held with ``flock`` where the system
has it; it is let go when its process dies, however it dies.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import stat
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Literal

from transcribe.core.errors import FormatError, HandspanError, why_not_written
from transcribe.core.files import write_atomically
from transcribe.core.riff import Riff
from transcribe.formats.document import from_json, to_bytes, within_limit
from transcribe.formats.untyped import parse

try:
    import fcntl
except ImportError:  # Windows: one process at a time is all that is promised there.
    fcntl = None  # type: ignore[assignment]

__all__ = [
    "HIDDEN",
    "ConflictError",
    "HeldError",
    "current_revision",
    "hold",
    "own_folder",
    "read_bytes",
    "read_revision",
    "replace",
    "revision_of",
]

HIDDEN = ".handspan"
"""Folder beside the documents for the lock and for what can be made again at any time."""

_WAIT_SEC = 10.0  # for the lock, which is only ever held to compare and replace files
_LOOK_SEC = 0.02

_threads = threading.RLock()
_held: set[str] = set()  # folders that the thread inside holds


class ConflictError(HandspanError):
    """The document on disk is no longer the one that was read."""


class HeldError(HandspanError):
    """Someone else has held the documents of a folder for too long."""


def own_folder(folder: Path, *names: str) -> Path:
    """A folder that is ours alone below ``folder``'s hidden one, made where there is none.

    Ask again at each use: a link may have been put in its place that leads out of ``folder``.

    >>> import tempfile
    >>> own_folder(Path(tempfile.mkdtemp()), "cache").name
    'cache'

    Raises
    ------
    FormatError
        If a link or a file is in the place of a folder, or it cannot be made.
    """
    path = folder
    for name in (HIDDEN, *names):
        path = path / name
        try:
            with contextlib.suppress(FileExistsError):
                path.mkdir()
            ours = stat.S_ISDIR(os.lstat(path).st_mode)
        except OSError as error:
            raise FormatError(f"{folder} cannot be written: {why_not_written(error)}") from None
        if not ours:
            where = path.relative_to(folder)
            raise FormatError(
                f"{where} in {folder} is a link or a file where a folder belongs; remove it and "
                "try again"
            )
    return path


def revision_of(data: bytes) -> str:
    """The revision of a document: a digest of its bytes."""
    return hashlib.sha256(data).hexdigest()[:20]


@contextlib.contextmanager
def hold(folder: Path) -> Iterator[None]:
    """Hold the documents of ``folder``: no other thread or process that asks changes them.

    Hold it to compare and replace files, never while something is worked out.

    Raises
    ------
    HeldError
        If someone else holds them for longer than a few seconds.
    FormatError
        If the folder cannot be written.
    """
    end = time.monotonic() + _WAIT_SEC
    if not _threads.acquire(timeout=_WAIT_SEC):
        raise _held_by_others(folder)
    try:
        key = os.path.realpath(folder)
        # A lock of one open file keeps out another of the same process: take it once.
        if key in _held:
            yield
            return
        handle = _opened_lock(folder)
        try:
            _lock(handle, folder, end)
            _held.add(key)
            yield
        finally:
            _held.discard(key)
            os.close(handle)
    finally:
        _threads.release()


def _opened_lock(folder: Path) -> int:
    try:
        return os.open(own_folder(folder) / "lock", os.O_RDWR | os.O_CREAT | _NO_FOLLOW, 0o600)
    except OSError as error:
        raise FormatError(f"{folder} cannot be written: {why_not_written(error)}") from None


def _lock(handle: int, folder: Path, end: float) -> None:
    while fcntl is not None:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return
        except BlockingIOError:
            if time.monotonic() > end:
                raise _held_by_others(folder) from None
            time.sleep(_LOOK_SEC)


def _held_by_others(folder: Path) -> HeldError:
    return HeldError(
        f"another window or command has been saving in {folder} for {_WAIT_SEC:g} s; nothing is "
        "changed, try again in a moment"
    )


def read_revision(path: Path) -> tuple[Riff, str]:
    """A document and its revision, from the same bytes.

    Raises
    ------
    FormatError
        If the file cannot be read, is a link, or is no riff document.
    """
    data = read_bytes(path)
    try:
        return _parsed(data), revision_of(data)
    except (UnicodeDecodeError, json.JSONDecodeError, RecursionError):
        raise FormatError(f"{path.name}: not JSON; is this a riff document?") from None
    except FormatError as error:
        raise FormatError(f"{path.name}: {error}") from None


_KEPT_BYTES = 2_000_000  # of documents whose riffs are kept, the last ones that were read
_kept: dict[bytes, Riff] = {}
_keeping = threading.Lock()


def _parsed(data: bytes) -> Riff:
    """The riff in ``data``, which is read and checked once while the same bytes come again."""
    with _keeping:
        riff = _kept.pop(data, None)
    riff = from_json(parse(data)) if riff is None else riff
    with _keeping:
        _kept[data] = riff
        while sum(map(len, _kept)) > _KEPT_BYTES:
            del _kept[next(iter(_kept))]
    return riff


def current_revision(path: Path) -> str:
    """The revision of the document at ``path`` now, without reading what it says.

    Raises
    ------
    FormatError
        If the file cannot be read, or is a link.
    """
    return revision_of(read_bytes(path))


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
    data = to_bytes(riff)
    with hold(path.parent):
        found = revision_of(read_bytes(path)) if path.exists() else None
        if found != expected:
            raise ConflictError(f"{path.name} was changed elsewhere since it was read")
        write_atomically(path, data)
    return revision_of(data)


_NO_FOLLOW = getattr(os, "O_NOFOLLOW", 0)


def read_bytes(path: Path, kind: Literal["riff", "lesson"] = "riff") -> bytes:
    """What a document of a ``kind`` holds.

    Raises
    ------
    FormatError
        If the file cannot be read, is a link, or is larger than a document may be.
    """
    try:
        handle = os.open(path, os.O_RDONLY | _NO_FOLLOW)
    except FileNotFoundError:
        raise FormatError(f"{path.name}: there is no such file") from None
    except OSError as error:
        raise FormatError(f"{path.name} cannot be read: {error.strerror}") from None
    try:
        with os.fdopen(handle, "rb") as file:
            return within_limit(file, kind)
    except FormatError as error:
        raise FormatError(f"{path.name}: {error}") from None
    except IsADirectoryError:
        os.close(handle)
        raise FormatError(f"{path.name} is a folder; name one {kind} document in it") from None
