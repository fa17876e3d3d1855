"""Files are written whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from transcribe.core.errors import FormatError
from transcribe.core.files import write_atomically


def test_write_atomically_leaves_the_old_file_when_it_fails(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.txt"
    write_atomically(path, b"old")

    def full(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(FormatError, match="No space left"):
        write_atomically(path, b"new and longer")
    assert path.read_bytes() == b"old"
    assert os.listdir(tmp_path) == ["a.txt"]


def test_write_atomically_keeps_the_mode_and_refuses_no_folder(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    write_atomically(path, b"old")
    path.chmod(0o600)
    write_atomically(path, b"new")
    assert path.stat().st_mode & 0o777 == 0o600
    with pytest.raises(FormatError, match="cannot be written"):
        write_atomically(tmp_path / "none" / "a.txt", b"")
