"""Read a file up to a limit; write a file whole or not at all."""

from __future__ import annotations

import contextlib
import hashlib
import os
import tempfile
from pathlib import Path

from transcribe.core.errors import FormatError, why_not_written

__all__ = ["SOUND_SUFFIXES", "read_bytes", "sha256_of", "write_atomically"]

SOUND_SUFFIXES = (
    *(".wav", ".flac", ".ogg", ".oga", ".opus", ".mp3", ".m4a", ".m4b", ".aac", ".mp4", ".mov"),
    *(".webm", ".mkv", ".mka", ".aif", ".aiff", ".aifc", ".caf", ".amr", ".3gp", ".wma", ".au"),
)
"""Suffixes by which a recording is known where its content is not looked at."""


def sha256_of(path: Path) -> str | None:
    """The SHA-256 of a file, in hexadecimal; None where it cannot be read: its reader says why."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return None


def read_bytes(path: Path, *, max_mb: int, expected: str) -> bytes:
    """The bytes of a file.

    Parameters
    ----------
    max_mb : int
        How large it may be, in MB of 2**20 bytes; no more than that is read.
    expected : str
        What the error for a larger one asks for, such as ``a text tab``.

    Raises
    ------
    FormatError
        If there is no such file, or it cannot be read or is too large.
    """
    try:
        with path.open("rb") as file:
            data = file.read((max_mb << 20) + 1)
    except FileNotFoundError:
        raise FormatError(f"{path}: there is no such file") from None
    except OSError as error:
        raise FormatError(f"{path} cannot be read: {error.strerror}") from None
    if len(data) > max_mb << 20:
        raise FormatError(f"{path}: found over {max_mb} MB, expected {expected}")
    return data


def write_atomically(path: Path, data: bytes) -> None:
    """Write ``data`` to a temporary file beside ``path``, flush it to disk, and rename it.

    Raises
    ------
    FormatError
        If the folder cannot be written.
    """
    try:
        # Not all of the name: a long one has no room for more.
        prefix = f".{path.name[:40]}."
        handle, name = tempfile.mkstemp(prefix=prefix, suffix=".part", dir=path.parent)
    except OSError as error:
        raise FormatError(f"{path} cannot be written: {why_not_written(error)}") from None
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        mode = path.stat().st_mode & 0o777 if path.exists() else 0o666 & ~_umask()
        os.chmod(name, mode)
        os.replace(name, path)
        _sync(path.parent)
    except OSError as error:
        with contextlib.suppress(OSError):
            os.unlink(name)
        raise FormatError(f"{path} cannot be written: {why_not_written(error)}") from None


def _sync(folder: Path) -> None:
    """Have the renaming on disk, too, where the system can do that."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
