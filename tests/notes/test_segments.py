"""Stretches of playing, talk and neither, and that everything is found on the playing alone."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.notes.test_find import SR, plucked
from transcribe import transcribe
from transcribe.command.main import main
from transcribe.core.riff import Note, Segment
from transcribe.core.wording import segments_line
from transcribe.formats.document import from_json, to_json
from transcribe.notes import find_notes, find_segments
from transcribe.notes.segments import in_talk, talk_stretches
from transcribe.training.talk import sung

TUNE = [(57 + s, 0.3 + 0.5 * k, 0.45) for k, s in enumerate((0, 3, 5, 7, 10, 7, 5, 3, 0, 3, 5, 7))]


@pytest.fixture(scope="module")
def song() -> np.ndarray:
    """Five seconds of sung vowels."""
    return np.asarray(0.2 * sung(np.random.default_rng(4), 5 * SR))


@pytest.fixture(scope="module")
def take(song: np.ndarray, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Seven seconds of playing, then five of singing."""
    path = tmp_path_factory.mktemp("segments") / "quay.wav"
    soundfile.write(path, np.concatenate([plucked(TUNE, duration_sec=7.0), song]), SR)
    return path


def _kinds(segments: tuple[Segment, ...]) -> list[tuple[float, float, str]]:
    return [(s.start_sec, s.end_sec, s.kind) for s in segments]


def test_talk_goes_on_over_a_short_pause() -> None:
    voice = np.zeros(400, np.float32)
    voice[100:200] = voice[220:300] = 1.0
    ((first, last),) = talk_stretches(voice)
    assert first == pytest.approx(2.3, abs=0.1)
    assert last == pytest.approx(7.0, abs=0.1)
    assert in_talk(np.array([first, 3.0, last]), [(first, last)]).tolist() == [True, True, False]


def test_a_short_sound_is_no_talk() -> None:
    voice = np.zeros(400, np.float32)
    voice[100:112] = 1.0
    assert talk_stretches(voice) == []
    assert talk_stretches(np.zeros(0, np.float32)) == []


def test_segments_cover_the_recording_in_order() -> None:
    notes = [Note(1, 1.0, 2.0, 60), Note(2, 2.5, 3.0, 62), Note(3, 9.0, 10.0, 64)]
    found = find_segments(notes, [(4.0, 6.0)], 12.0)
    assert _kinds(found) == [
        (0.0, 0.95, "neither"),
        (0.95, 3.0, "playing"),
        (3.0, 4.0, "neither"),
        (4.0, 6.0, "talk"),
        (6.0, 8.95, "neither"),
        (8.95, 10.0, "playing"),
        (10.0, 12.0, "neither"),
    ]


def test_the_line_names_playing_and_talk_and_is_empty_without_talk() -> None:
    playing, talk = Segment(0.5, 4.0, "playing"), Segment(4.0, 6.25, "talk")
    assert segments_line([Segment(0, 0.5, "neither"), playing, talk]) == (
        "playing 0.5-4.0 s, talk 4.0-6.2 s"
    )
    assert segments_line([playing]) == ""


def test_song_gives_no_notes(song: np.ndarray) -> None:
    assert len(find_notes(song, sr=SR)) <= 1


def test_singing_after_a_riff_is_set_aside(take: Path) -> None:
    riff = transcribe(take)
    alone = transcribe(plucked(TUNE, duration_sec=7.0), sr=SR)
    assert [n.pitch_midi for n in riff.notes] == [n.pitch_midi for n in alone.notes]
    talk = [s for s in riff.segments if s.kind == "talk"]
    assert sum(s.end_sec - s.start_sec for s in talk) > 3.5
    assert all(s.start_sec > 6.0 for s in talk)
    assert riff.segments[0].start_sec == 0.0
    assert riff.segments[-1].end_sec == pytest.approx(12.0)
    assert riff.rhythm is not None
    assert alone.rhythm is not None
    assert riff.rhythm.bpm == pytest.approx(alone.rhythm.bpm, rel=0.02)
    assert riff.theory is not None
    assert alone.theory is not None
    for key in ("tonic", "name"):
        assert riff.theory["mode"][key] == alone.theory["mode"][key]
    assert from_json(json.loads(json.dumps(to_json(riff)))).segments == riff.segments


def test_show_prints_the_segments_in_one_line(
    take: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["transcribe", str(take), "-o", str(tmp_path)]) == 0
    capsys.readouterr()
    assert main(["show", str(tmp_path / "quay.riff.json")]) == 0
    lines = [row for row in capsys.readouterr().out.splitlines() if "talk" in row]
    assert len(lines) == 1
    assert lines[0].startswith("In the recording: playing 0.")
