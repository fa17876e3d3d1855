"""Runs the note network over a take, in overlapping pieces whose seams cannot be seen.

Conventions: frames are `features.HOP` samples apart; the pitch axis has `PITCHES` columns, one a
semitone from MIDI `FIRST_MIDI`. The weights are ONNX files beside this module; each carries in its
metadata how far to either side a frame's answer reaches, and every piece is read with that much
margin, so that a take gives the same answer whole or in pieces.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
from collections.abc import Callable, Iterator
from contextvars import ContextVar
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from transcribe.core.errors import HandspanError
from transcribe.core.riff import ARTICULATIONS
from transcribe.notes import features as feat

__all__ = [
    "FIRST_MIDI",
    "OUTPUTS",
    "PITCHES",
    "WEIGHTS",
    "Activations",
    "articulation_rows",
    "kept_answers",
    "run_network",
]

FIRST_MIDI = 35
"""Lowest pitch that the network names: B1, the low string of seven."""
PITCHES = 54
"""Up to MIDI 88, E6."""
OUTPUTS = 6 + len(ARTICULATIONS)
"""Onset, sounding and offset (logits); onset shift in frames; bend in semitones; articulations, in
the order of `riff.ARTICULATIONS`, which the weights keep; and the share of each pitch in the logit
that says whether somebody talks or sings."""
WEIGHTS = Path(__file__).with_name("weights.onnx")
"""The weights that ship."""

_PIECE = 512  # frames a piece, about 12 s


@dataclass(frozen=True)
class Activations:
    """What the network says of a take; every array is (frames, PITCHES) unless noted.

    ``onset``, ``sounding`` and ``offset`` are shares of 0 to 1. ``shift`` says how far, in frames,
    the onset lies from the frame's centre; ``bend`` is in semitones. ``articulation`` is
    (frames, PITCHES, len(ARTICULATIONS)), logits. ``voice`` is (frames,): the share of 0 to 1 that
    somebody talks, sings or hums. ``level`` is (frames, SEMITONES), the sound itself: its level at
    each pitch row of `features`, in windows of 93 ms and on their scale, where 1 is 80 dB.
    """

    onset: np.ndarray
    sounding: np.ndarray
    offset: np.ndarray
    shift: np.ndarray
    bend: np.ndarray
    articulation: np.ndarray
    voice: np.ndarray
    level: np.ndarray

    @property
    def frames(self) -> int:
        """Number of frames."""
        return int(self.onset.shape[0])


def articulation_rows() -> slice:
    """Where the articulations lie among the network's outputs."""
    return slice(5, 5 + len(ARTICULATIONS))


@contextlib.contextmanager
def _memory_told() -> Iterator[None]:
    """Raise MemoryError where memory runs out: the runtime only says so in words."""
    try:
        yield
    except Exception as error:
        if any(words in str(error) for words in ("Failed to allocate memory", "bad_alloc")):
            raise MemoryError("the note network") from error
        raise


@lru_cache(maxsize=4)
def _session(path: Path, threads: int) -> tuple[Any, int]:
    import onnxruntime

    if not path.is_file():
        raise HandspanError(f"the note network's weights are missing: {path}; install it again")
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = threads
    options.inter_op_num_threads = 1
    options.log_severity_level = 3
    # Threads that spin while they wait slow each other down on a machine that does other work too.
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")
    with _memory_told():
        session = onnxruntime.InferenceSession(
            str(path), sess_options=options, providers=["CPUExecutionProvider"]
        )
    reach = int(session.get_modelmeta().custom_metadata_map["reach_frames"])
    return session, reach


def _threads() -> int:
    set_by_hand = os.environ.get("OMP_NUM_THREADS", "")
    if set_by_hand.isdigit() and int(set_by_hand) > 0:
        return int(set_by_hand)
    return max(1, min(4, os.cpu_count() or 1))


_KEPT: ContextVar[dict[tuple[str, float, Path], Activations] | None] = ContextVar(
    "kept", default=None
)


@contextlib.contextmanager
def kept_answers() -> Iterator[None]:
    """Within it the network listens once to what it is given twice, at the same tenth of a cent."""
    token = _KEPT.set({})
    try:
        yield
    finally:
        _KEPT.reset(token)


def run_network(
    y: np.ndarray,
    *,
    offset_cents: float = 0.0,
    weights: Path = WEIGHTS,
    piece_frames: int = _PIECE,
    progress: Callable[[str, float], None] | None = None,
) -> Activations | None:
    """The network's answer for a take; None for silence.

    Parameters
    ----------
    y : float32 (n,)
        The whole take at `features.SR`.
    offset_cents : float
        Tuning of the whole instrument.
    weights : Path
        ONNX file made by ``transcribe.training.export``.
    piece_frames : int
        Frames worked at once; the result does not depend on it.

    Raises
    ------
    HandspanError
        If the weights are missing.
    MemoryError
        If there is not enough memory for a piece.
    """
    kept = _KEPT.get()
    key = ("", 0.0, weights)
    if kept is not None:
        digest = hashlib.sha256(np.ascontiguousarray(y).data).hexdigest()
        key = (digest, round(offset_cents, 1), weights)
        if key in kept:
            return kept[key]
    reference = feat.reference_power(y)
    frames = feat.frame_count(y.size)
    if frames == 0 or reference <= 0.0:
        return None
    session, reach = _session(weights, _threads())
    rows = {
        name: np.empty((frames, PITCHES), np.float32)
        for name in ("onset", "sounding", "offset", "shift", "bend")
    }
    articulation = np.empty((frames, PITCHES, len(ARTICULATIONS)), np.float16)
    voice = np.empty(frames, np.float32)
    level = np.empty((frames, feat.SEMITONES), np.float16)
    for first in range(0, frames, piece_frames):
        last = min(frames, first + piece_frames)
        low, high = max(0, first - reach), min(frames, last + reach)
        seen = feat.features(
            y, first=low, last=high, reference=reference, offset_cents=offset_cents
        )
        with _memory_told():
            answer = session.run(None, {"features": seen[None]})[0][0]
        answer = answer[:, first - low : last - low]
        for i, name in enumerate(("onset", "sounding", "offset")):
            rows[name][first:last] = _share(answer[i])
        rows["shift"][first:last] = answer[3]
        rows["bend"][first:last] = answer[4]
        articulation[first:last] = answer[articulation_rows()].transpose(1, 2, 0)
        level[first:last] = feat.middle_level(seen[:, first - low : last - low])
        voice[first:last] = _share(answer[OUTPUTS - 1].mean(axis=-1))
        if progress is not None:
            progress("notes", last / frames)
    found = Activations(**rows, articulation=articulation, voice=voice, level=level)
    if kept is not None:
        kept[key] = found
    return found


def _share(logits: np.ndarray) -> np.ndarray:
    return 0.5 * (1.0 + np.tanh(0.5 * logits))
