"""The notes of a recording: the one door to this package.

Conventions: audio is mono float, times in seconds, pitch in MIDI numbers (69 = A4 = 440 Hz),
``cents`` is the distance from ``pitch_midi`` after the tuning offset.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike

from transcribe.errors import ParameterError
from transcribe.riff import Instrument, Note

__all__ = ["find_notes"]

Progress = Callable[[str, float], None]

_OFFSET_RANGE = (-100.0, 100.0)
_RATES = (4000, 384000)


def find_notes(
    y: ArrayLike,
    *,
    sr: int,
    offset_cents: float = 0.0,
    instrument: Instrument | None = None,
    progress: Progress | None = None,
) -> tuple[Note, ...]:
    """Notes that sound in a recording of one guitar.

    Parameters
    ----------
    y : float (n,)
        Mono audio.
    sr : int
        Its rate in Hz, 4,000 to 384,000.
    offset_cents : float
        How far the whole instrument sounds above A4 = 440 Hz, -100 to 100.
    instrument : Instrument, optional
        Bounds the pitches that can be; six strings in standard tuning if left out.
    progress : callable, optional
        Called with a stage name and the share of it that is done, 0 to 1.

    Returns
    -------
    tuple of Note
        Sorted by onset, then pitch, ids from 1; string and fret are left open. Silence gives none.

    Raises
    ------
    ParameterError
        If ``y`` is not one row of finite numbers, or ``sr`` or ``offset_cents`` is out of range.
    """
    audio = _validate(y, sr, offset_cents)
    from transcribe.notes.templates import template_notes

    return template_notes(
        audio,
        sr=sr,
        offset_cents=offset_cents,
        instrument=Instrument() if instrument is None else instrument,
        progress=progress,
    )


def _validate(y: ArrayLike, sr: int, offset_cents: float) -> np.ndarray:
    audio = np.asarray(y, dtype=np.float32)
    if audio.ndim != 1:
        raise ParameterError(
            f"audio has the shape {audio.shape}; pass one channel, such as y.mean(axis=0)"
        )
    if audio.size and not np.isfinite(audio).all():
        raise ParameterError("audio holds NaN or infinity; decode the file again or clean it first")
    if not _RATES[0] <= sr <= _RATES[1]:
        raise ParameterError(f"sr is {sr} Hz; it must be {_RATES[0]} to {_RATES[1]}")
    if not _OFFSET_RANGE[0] <= offset_cents <= _OFFSET_RANGE[1]:
        raise ParameterError(
            f"offset_cents is {offset_cents:g}; it must be -100 to 100 (pass the nearest tuning)"
        )
    return audio
