"""A document is read and checked once while its bytes stay the same."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from transcribe.core.errors import FormatError
from transcribe.core.riff import Note, Riff
from transcribe.formats.document import from_json, write_riff
from transcribe.library import revisions


def write(path: Path, pitch_midi: int) -> Riff:
    riff = Riff(notes=(Note(1, 0.0, 0.5, pitch_midi, string=1, fret=pitch_midi - 64),))
    write_riff(riff, path)
    return riff


@pytest.fixture
def checks(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    made: list[Any] = []

    def counted(raw: Any) -> Riff:
        made.append(raw)
        return from_json(raw)

    monkeypatch.setattr(revisions, "from_json", counted)
    monkeypatch.setattr(revisions, "_kept", {})
    return made


def test_the_same_bytes_are_checked_once_and_others_anew(tmp_path: Path, checks: list[Any]) -> None:
    path = tmp_path / "quay.riff.json"
    low = write(path, 64)
    first, revision = revisions.read_revision(path)
    assert revisions.read_revision(path) == (first, revision)
    assert len(checks) == 1
    high = write(path, 69)
    second, other = revisions.read_revision(path)
    assert (len(checks), revision == other) == (2, False)
    assert (first.notes, second.notes) == (low.notes, high.notes)


def test_a_damaged_document_is_refused_each_time(tmp_path: Path, checks: list[Any]) -> None:
    path = tmp_path / "quay.riff.json"
    path.write_text("{", encoding="utf-8")
    for _ in range(2):
        with pytest.raises(FormatError, match="not JSON"):
            revisions.read_revision(path)


def test_riffs_are_kept_up_to_a_size(
    tmp_path: Path, checks: list[Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    path, other = tmp_path / "quay.riff.json", tmp_path / "pier.riff.json"
    write(path, 64)
    write(other, 69)
    monkeypatch.setattr(revisions, "_KEPT_BYTES", path.stat().st_size)
    for each in (path, other, path):
        revisions.read_revision(each)
    assert len(checks) == 3
