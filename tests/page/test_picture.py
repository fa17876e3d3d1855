"""The picture behind the tab, and the small riffs that are made to be heard."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from transcribe.core.errors import ParameterError
from transcribe.core.riff import Riff
from transcribe.page.worker import picture
from transcribe.sound.examples import example


def _tile(path: Path, number: int) -> tuple[np.ndarray, np.ndarray]:
    raw = picture.read_tile(path, number)
    assert raw is not None
    split = 2 * picture.TILE_SEC * picture.PEAKS_PER_SEC
    peaks = np.frombuffer(raw[:split], np.int8).reshape(-1, 2)
    cells = np.frombuffer(raw[split:], np.uint8).reshape(picture.ROWS, -1)
    return peaks, cells


@pytest.mark.parametrize("sr", [22050, 44100, 48000])
@pytest.mark.parametrize("pitch_midi", [45, 57, 69, 81])
def test_a_sine_is_brightest_at_its_pitch(tmp_path: Path, sr: int, pitch_midi: int) -> None:
    # A4 = 440 Hz (ISO 16), equal temperament.
    hz = 440.0 * 2 ** ((pitch_midi - 69) / 12)
    t = np.arange(3 * sr) / sr
    y = np.where(t >= 1.0, 0.5 * np.sin(2 * np.pi * hz * t), 0.0).astype(np.float32)
    path = tmp_path / "p"
    picture.write_picture(y, sr=sr, path=path)
    peaks, cells = _tile(path, 0)
    column = cells[:, 2 * picture.FRAMES_PER_SEC]
    row = int(np.argmax(column))
    shown = picture.LOW_MIDI + (picture.ROWS - 1 - row) / 2
    assert abs(shown - pitch_midi) <= 0.5
    assert cells[:, : int(0.8 * picture.FRAMES_PER_SEC)].max() < 40
    loud = np.abs(peaks.astype(int)).max(axis=1)
    first = int(np.argmax(loud > 60))
    assert abs(first / picture.PEAKS_PER_SEC - 1.0) < 0.02


def test_tiles_cover_the_take_and_no_more(tmp_path: Path) -> None:
    y = np.random.default_rng(1).uniform(-0.1, 0.1, 21 * 22050).astype(np.float32)
    path = tmp_path / "p"
    picture.write_picture(y, sr=22050, path=path)
    meta = json.loads(picture.read_tile(path, None) or b"")
    assert meta["tiles"] == 3
    assert meta["duration_sec"] == 21.0
    peaks, cells = _tile(path, 2)
    assert np.all(peaks[picture.PEAKS_PER_SEC + 2 :] == 0)
    assert cells.shape == (picture.ROWS, picture.TILE_SEC * picture.FRAMES_PER_SEC)
    assert picture.read_tile(path, 3) is None
    assert picture.read_tile(path, -1) is None


def test_scale_is_the_mode_up_and_down(one_riff: Riff) -> None:
    scale = example(one_riff, what="scale")
    mode = (one_riff.theory or {})["mode"]
    pitches = [note.pitch_midi for note in scale.notes]
    count = len(mode["notes"])
    assert pitches[count] - pitches[0] == 12
    assert pitches[: count + 1] == sorted(set(pitches[: count + 1]))
    assert pitches == pitches[::-1]


def test_chord_is_strummed_from_the_lowest_string(one_riff: Riff) -> None:
    chord = example(one_riff, what="chord", frets=[0, 1, 0, 2, 3, None])
    # C major in open position: E4 C4 G3 E3 C3, string 1 first (common practice, no source).
    assert [n.pitch_midi for n in chord.notes] == [48, 52, 55, 60, 64]
    onsets = [n.onset_sec for n in chord.notes]
    assert onsets == sorted(onsets)


@pytest.mark.parametrize("frets", [None, [0], "000000", [0, 0, 0, 0, 0, 99], [0.5] * 6, {}])
def test_chord_of_wrong_frets_is_refused(one_riff: Riff, frets: object) -> None:
    with pytest.raises(ParameterError, match="each string"):
        example(one_riff, what="chord", frets=frets)


def test_nothing_to_hear_is_said() -> None:
    with pytest.raises(ParameterError, match="no mode"):
        example(Riff(), what="scale")
    with pytest.raises(ParameterError, match="no loop"):
        example(Riff(), what="loop")
    with pytest.raises(ParameterError, match="to hear"):
        example(Riff(), what="engine")
