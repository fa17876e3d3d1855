"""Write a file whole or not at all."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path

from transcribe.core.errors import FormatError

__all__ = ["write_atomically"]


def write_atomically(path: Path, data: bytes) -> None:
    """Write ``data`` to a temporary file beside ``path``, flush it to disk, and rename it.

    Raises
    ------
    FormatError
        If the folder cannot be written.
    """
    try:
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
    except OSError as error:
        raise FormatError(f"{path} cannot be written: {error.strerror}") from None
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        mode = path.stat().st_mode & 0o777 if path.exists() else 0o666 & ~_umask()
        os.chmod(name, mode)
        os.replace(name, path)
    except OSError as error:
        with contextlib.suppress(OSError):
            os.unlink(name)
        raise FormatError(f"{path} cannot be written: {error.strerror}") from None


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
