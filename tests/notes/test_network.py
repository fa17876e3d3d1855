"""The network over a take: pieces, silence, missing weights."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import numpy as np
import pytest

from transcribe.core.errors import HandspanError
from transcribe.notes import features as feat
from transcribe.notes import find, network
from transcribe.notes.find import find_notes
from transcribe.notes.network import WEIGHTS, run_in_windows, run_network
from transcribe.notes.note_decoding import decode
from transcribe.training.banks import load_banks
from transcribe.training.clips import make_clip

_LIMIT = 4 * 2**20


@pytest.fixture(scope="module")
def take() -> np.ndarray:
    """Six seconds of drone and melody on synthesised strings."""
    clip = make_clip(11, banks=load_banks(None), kind="drone", rough=0.3, duration_sec=6.0)
    return np.asarray(clip.y)


def test_hear_does_not_depend_on_where_the_pieces_meet(take: np.ndarray) -> None:
    whole = run_network(take)
    assert whole is not None
    for piece in (64, 97):
        parts = run_network(take, piece_frames=piece)
        assert parts is not None
        assert np.abs(parts.onset - whole.onset).max() < 1e-3
        assert np.abs(parts.sounding - whole.sounding).max() < 1e-3
        notes = [[(n.frame, n.last_frame, n.pitch_midi) for n in decode(h)] for h in (parts, whole)]
        assert notes[0] == notes[1]
        assert len(notes[0]) > 5


def test_windows_give_every_frame_once_and_show_what_is_beside_it(take: np.ndarray) -> None:
    whole = run_network(take, piece_frames=16)
    assert whole is not None
    windows = list(run_in_windows(take, piece_frames=16))
    assert len(windows) == 2
    own = [frame for window in windows for frame in window.own]
    assert own == list(range(whole.frames))
    for window in windows:
        shown = range(window.first, window.first + window.activations.frames)
        assert shown.start == max(0, window.own.start - 32)
        assert shown.stop == min(whole.frames, window.own.stop + 32)
        for name in ("onset", "level", "voice", "articulation"):
            part = getattr(whole, name)[shown.start : shown.stop]
            np.testing.assert_array_equal(getattr(window.activations, name), part)


def test_windows_of_silence(take: np.ndarray) -> None:
    assert list(run_in_windows(np.zeros(SILENT, np.float32))) == []
    assert list(run_in_windows(np.zeros(0, np.float32))) == []


def test_notes_do_not_depend_on_the_windows(
    take: np.ndarray, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = find_notes(take, sr=feat.SR)
    monkeypatch.setattr(find, "run_in_windows", partial(run_in_windows, piece_frames=20))
    parts = find_notes(take, sr=feat.SR)
    assert [(n.pitch_midi, n.articulation) for n in parts] == [
        (n.pitch_midi, n.articulation) for n in whole
    ]
    assert np.allclose([n.onset_sec for n in parts], [n.onset_sec for n in whole], atol=0.002)
    # What rings on past the end of a window is cut there, 0.9 s on.
    near = [abs(a.offset_sec - b.offset_sec) < 0.03 for a, b in zip(parts, whole, strict=True)]
    assert sum(near) > 0.8 * len(near)


def test_hear_tells_how_far_it_is(take: np.ndarray) -> None:
    told: list[float] = []
    run_network(take, piece_frames=100, progress=lambda stage, share: told.append(share))
    assert told == sorted(told)
    assert len(told) == -(-feat.frame_count(take.size) // 100)
    assert told[-1] == 1.0


def test_hear_silence_is_none() -> None:
    assert run_network(np.zeros(SILENT, np.float32)) is None
    assert run_network(np.zeros(0, np.float32)) is None


SILENT = 3 * feat.SR


def test_hear_missing_weights(take: np.ndarray, tmp_path: Path) -> None:
    with pytest.raises(HandspanError, match="weights are missing"):
        run_network(take, weights=tmp_path / "none.onnx")


def test_weights_are_small() -> None:
    assert WEIGHTS.stat().st_size < _LIMIT


@pytest.mark.parametrize(
    ("words", "kind"),
    [
        ("Non-zero status code: Failed to allocate memory for requested buffer", MemoryError),
        ("std::bad_alloc", MemoryError),
        ("Invalid rank for input: features", RuntimeError),
    ],
)
def test_hear_tells_missing_memory_from_other_faults(
    take: np.ndarray, monkeypatch: pytest.MonkeyPatch, words: str, kind: type[Exception]
) -> None:
    class Failing:
        def run(self, *_: object) -> None:
            raise RuntimeError(words)

    monkeypatch.setattr(network, "_session", lambda path, threads: (Failing(), 8))
    with pytest.raises(kind):
        run_network(take)
