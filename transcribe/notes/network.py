"""Runs the note network over a take, in overlapping pieces whose seams cannot be seen.

A long take is given out in windows of about two minutes, so that memory does not grow with it.

Conventions: frames are `features.HOP` samples apart; the pitch axis has `PITCHES` columns, one a
semitone from MIDI `FIRST_MIDI`. The weights are ONNX files beside this module; each carries in its
metadata how far to either side a frame's answer reaches, and every piece is read with that much
margin, so that a take gives the same answer whole or in pieces.
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import os
from collections.abc import Callable, Iterator, Sequence
from contextvars import ContextVar
from dataclasses import dataclass
from functools import lru_cache
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np

from transcribe.core.errors import HandspanError
from transcribe.core.meanwhile import in_order
from transcribe.core.riff import ARTICULATIONS
from transcribe.notes import features as feat

__all__ = [
    "FIRST_MIDI",
    "OUTPUTS",
    "PITCHES",
    "WEIGHTS",
    "Activations",
    "Window",
    "articulation_rows",
    "kept_answers",
    "run_in_pieces",
    "run_in_windows",
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
_AT_ONCE = 2  # pieces that are listened to at one time: each takes some 100 MB
_OWN = 8  # pieces of a window
_BESIDE = 2  # pieces before and after them that a window shows as well


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


@dataclass(frozen=True)
class Window:
    """A part of what the network says of a take.

    ``activations`` begin at frame ``first`` of the take. Of them, the frames ``own`` belong to this
    window alone; those before and after, 24 s of them, are there to be looked at.
    """

    activations: Activations
    first: int
    own: range


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


_Pieces = dict[tuple[str, float, Path, int], list[Activations]]
_KEPT: ContextVar[_Pieces | None] = ContextVar("kept", default=None)
_MAX_KEPT = 10  # pieces of a take, about 2 minutes; a longer one is listened to again


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
    """The network's answer for a whole take; None for silence.

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
    pieces = list(
        run_in_pieces(
            y,
            offset_cents=offset_cents,
            weights=weights,
            piece_frames=piece_frames,
            progress=progress,
        )
    )
    return _joined(pieces) if pieces else None


def run_in_windows(
    y: np.ndarray,
    *,
    offset_cents: float = 0.0,
    weights: Path = WEIGHTS,
    piece_frames: int = _PIECE,
    progress: Callable[[str, float], None] | None = None,
) -> Iterator[Window]:
    """The network's answer window by window, for takes of any length; none for silence.

    Parameters and errors are those of `run_network`.
    """
    count = -(-feat.frame_count(y.size) // piece_frames)
    pieces = run_in_pieces(
        y, offset_cents=offset_cents, weights=weights, piece_frames=piece_frames, progress=progress
    )
    held: list[Activations] = []
    begin, start = 0, 0  # the pieces that ``held`` and the window's own frames begin with
    while start < count:
        stop = start + _OWN
        if stop + _BESIDE >= count:
            stop = count  # what would be left is no window of its own
        held += islice(pieces, min(count, stop + _BESIDE) - begin - len(held))
        if not held:
            return
        seen = _joined(held)
        first = begin * piece_frames
        own = range(start * piece_frames, min(stop * piece_frames, first + seen.frames))
        yield Window(seen, first, own)
        start, keep = stop, max(0, stop - _BESIDE)
        held, begin = held[keep - begin :], keep


def run_in_pieces(
    y: np.ndarray,
    *,
    offset_cents: float = 0.0,
    weights: Path = WEIGHTS,
    piece_frames: int = _PIECE,
    progress: Callable[[str, float], None] | None = None,
) -> Iterator[Activations]:
    """The network's answer, ``piece_frames`` frames after another; none for silence.

    Parameters and errors are those of `run_network`.
    """
    frames = feat.frame_count(y.size)
    kept = _KEPT.get()
    if kept is None or frames > _MAX_KEPT * piece_frames:
        yield from _listen(y, offset_cents, weights, piece_frames, progress)
        return
    digest = hashlib.sha256(np.ascontiguousarray(y).data).hexdigest()
    key = (digest, round(offset_cents, 1), weights, piece_frames)
    if key not in kept:
        kept[key] = list(_listen(y, offset_cents, weights, piece_frames, progress))
    yield from kept[key]


def _listen(
    y: np.ndarray,
    offset_cents: float,
    weights: Path,
    piece_frames: int,
    progress: Callable[[str, float], None] | None,
) -> Iterator[Activations]:
    reference = feat.reference_power(y)
    frames = feat.frame_count(y.size)
    if frames == 0 or reference <= 0.0:
        return
    firsts = range(0, frames, piece_frames)
    at_once = min(_threads(), len(firsts), _AT_ONCE)
    session, reach = _session(weights, _threads() // at_once)

    def listened(first: int) -> Activations:
        last = min(frames, first + piece_frames)
        low, high = max(0, first - reach), min(frames, last + reach)
        seen = feat.features(
            y, first=low, last=high, reference=reference, offset_cents=offset_cents
        )
        with _memory_told():
            answer = session.run(None, {"features": seen[None]})[0][0]
        answer = answer[:, first - low : last - low]
        return Activations(
            onset=_share(answer[0]),
            sounding=_share(answer[1]),
            offset=_share(answer[2]),
            shift=answer[3],
            bend=answer[4],
            articulation=answer[articulation_rows()].transpose(1, 2, 0).astype(np.float16),
            voice=_share(answer[OUTPUTS - 1].mean(axis=-1)),
            level=feat.middle_level(seen[:, first - low : last - low]).astype(np.float16),
        )

    done = 0
    for piece in in_order(listened, firsts, at_once=at_once):
        done += piece.frames
        yield piece
        if progress is not None:
            progress("notes", done / frames)


def _joined(pieces: Sequence[Activations]) -> Activations:
    names = [field.name for field in dataclasses.fields(Activations)]
    return Activations(
        **{name: np.concatenate([getattr(piece, name) for piece in pieces]) for name in names}
    )


def _share(logits: np.ndarray) -> np.ndarray:
    return 0.5 * (1.0 + np.tanh(0.5 * logits))
