"""The network over a take: pieces, silence, missing weights."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from transcribe.core.errors import HandspanError
from transcribe.notes import features as feat
from transcribe.notes import network
from transcribe.notes.network import WEIGHTS, run_network
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
