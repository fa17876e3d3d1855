"""The right reader for a file, by its suffix and its content."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
import soundfile

from tests.audio.sounds import riff_sound
from tests.formats.riffs import drone_riff
from transcribe.core.errors import FormatError
from transcribe.core.riff import Riff
from transcribe.formats import holds_notes, kind_of, read_any
from transcribe.formats.document import to_json
from transcribe.formats.jams import write_jams
from transcribe.formats.midi import write_midi
from transcribe.formats.musicxml.write import write_musicxml
from transcribe.formats.tab.write import write_tab

WRITERS: dict[str, Callable[[Riff], bytes]] = {
    "riff": lambda r: json.dumps(to_json(r)).encode(),
    "tab": lambda r: write_tab(r).encode(),
    "musicxml": write_musicxml,
    "midi": write_midi,
    "jams": lambda r: write_jams(r).encode(),
}
SUFFIX = {
    "riff": ".riff.json",
    "tab": ".tab.txt",
    "musicxml": ".musicxml",
    "midi": ".mid",
    "jams": ".jams",
}


@pytest.mark.parametrize("kind", WRITERS)
def test_read_any_by_suffix(kind: str, tmp_path: Path) -> None:
    path = tmp_path / f"mooring{SUFFIX[kind]}"
    path.write_bytes(WRITERS[kind](drone_riff()))
    assert kind_of(path) == kind
    assert holds_notes(path)
    found = sorted((n.string, n.fret) for n in read_any(path).notes)
    assert found == sorted((n.string, n.fret) for n in drone_riff().notes)


@pytest.mark.parametrize(
    ("kind", "name"),
    [("midi", "a.bin"), ("midi", "a.txt"), ("musicxml", "a.txt"), ("musicxml", "a"), ("riff", "a")],
)
def test_read_any_by_content(kind: str, name: str, tmp_path: Path) -> None:
    path = tmp_path / name
    path.write_bytes(WRITERS[kind](drone_riff()))
    assert kind_of(path) == kind
    assert len(read_any(path).notes) == len(drone_riff().notes)


def test_capital_suffix(tmp_path: Path) -> None:
    path = tmp_path / "MOORING.MID"
    path.write_bytes(write_midi(drone_riff()))
    assert kind_of(path) == "midi"


def test_recordings_hold_no_notes(tmp_path: Path) -> None:
    path = tmp_path / "take.wav"
    soundfile.write(path, riff_sound(sec=1.0), 22050)
    assert not holds_notes(path)
    assert not holds_notes(tmp_path / "none.m4a")
    assert holds_notes(tmp_path / "none.mid")
    with pytest.raises(FormatError, match="not a kind of file"):
        read_any(path)


def test_missing_and_folder(tmp_path: Path) -> None:
    with pytest.raises(FormatError, match="no such file"):
        read_any(tmp_path / "none.mid")
    with pytest.raises(FormatError, match="is a folder"):
        read_any(tmp_path)
