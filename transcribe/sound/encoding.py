"""Sound as the bytes of a file: WAV, FLAC, Ogg Vorbis or MP3.

Conventions: sound as float32 mono, full scale at 1.
"""

from __future__ import annotations

import io
from typing import Any

import numpy as np
import numpy.typing as npt

from transcribe.core.errors import ParameterError

__all__ = ["SOUND_KINDS", "sound_bytes"]

Array = npt.NDArray[Any]

SOUND_KINDS = ("wav", "flac", "ogg", "mp3")
"""Every kind of file that `sound_bytes` can make."""

_FORMS = {"wav": ("WAV", "PCM_16"), "flac": ("FLAC", "PCM_16"), "ogg": ("OGG", "VORBIS")}
_BLOCK = 65536  # samples; the Vorbis encoder keeps what it is given on its stack


def sound_bytes(y: Array, *, sr: int, kind: str, bit_rate: int = 128_000) -> bytes:
    """Mono ``y``, shape (n,), as the bytes of a file.

    Parameters
    ----------
    kind : one of `SOUND_KINDS`
    bit_rate : of MP3, in bits a second

    Raises
    ------
    ParameterError
        If there is no such kind, or MP3 cannot be written here.
    """
    if kind == "mp3":
        return _mp3(y, sr, bit_rate)
    if kind not in _FORMS:
        raise ParameterError(f"no sound file is called {kind!r}; choose {', '.join(SOUND_KINDS)}")
    import soundfile

    form, subtype = _FORMS[kind]
    out = io.BytesIO()
    with soundfile.SoundFile(
        out, "w", samplerate=sr, channels=1, format=form, subtype=subtype
    ) as file:
        for start in range(0, len(y), _BLOCK):
            file.write(y[start : start + _BLOCK])
    return out.getvalue()


def _mp3(y: Array, sr: int, bit_rate: int) -> bytes:
    import av

    try:
        av.codec.Codec("libmp3lame", "w")
    except ValueError:
        raise ParameterError("MP3 cannot be written here; choose ogg, flac or wav") from None
    out = io.BytesIO()
    with av.open(out, "w", format="mp3") as file:
        stream = file.add_stream("libmp3lame", rate=sr, bit_rate=bit_rate, layout="mono")
        for start in range(0, len(y), _BLOCK):
            block = np.ascontiguousarray(y[None, start : start + _BLOCK], np.float32)
            frame = av.AudioFrame.from_ndarray(block, format="fltp", layout="mono")
            frame.sample_rate, frame.pts = sr, start
            file.mux(stream.encode(frame))
        file.mux(stream.encode(None))
    return out.getvalue()
