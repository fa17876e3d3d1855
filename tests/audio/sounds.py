"""Sounds and files for the tests of `transcribe.audio`."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

RIFF_MIDI = (50, 62, 64, 65, 50, 67, 69, 71, 55, 52, 57, 60, 62, 45, 50, 74)
"""A D below a line on one string, and a few low notes: what a drone riff holds."""


def pluck(hz: float, *, sr: int, sec: float, partials: int = 8) -> NDArray[np.float64]:
    """A decaying stiff string with partials at n f sqrt(1 + B n^2)."""
    t = np.arange(int(sec * sr)) / sr
    y = np.zeros(t.size)
    for n in range(1, partials + 1):
        partial = n * hz * np.sqrt(1 + 5e-5 * n * n)
        if partial < 0.45 * sr:
            y += np.exp(-t * (1 + 0.5 * n)) * np.sin(2 * np.pi * partial * t + n) / n
    return y


def riff_sound(
    *, sr: int = 22050, sec: float = 6.0, cents: float = 0.0, noise: float = 0.003, seed: int = 5
) -> NDArray[np.float32]:
    """`RIFF_MIDI` plucked every 0.4 s, the whole instrument ``cents`` off, peak 0.5."""
    y = np.zeros(int(sec * sr))
    for i, midi in enumerate(RIFF_MIDI):
        at = int(0.4 * i * sr)
        note = pluck(440.0 * 2 ** ((midi - 69 + cents / 100) / 12), sr=sr, sec=2.0)
        room = max(0, y.size - at)
        y[at : at + note.size] += note[:room]
    y *= 0.5 / np.abs(y).max()
    y += np.random.default_rng(seed).normal(0, noise, y.size)
    return y.astype(np.float32)


def encode(
    path: Path, y: NDArray[np.float32], sr: int, codec: str, *, bit_rate: int | None = None
) -> Path:
    """Write ``y`` of shape ``(n,)`` or ``(n, channels)`` with one of FFmpeg's encoders."""
    import av

    samples = y[:, None] if y.ndim == 1 else y
    layout = {1: "mono", 2: "stereo"}[samples.shape[1]]
    with av.open(str(path), "w") as out:
        stream = out.add_stream(codec, rate=sr)
        stream.layout = layout
        if bit_rate is not None:
            stream.bit_rate = bit_rate
        frame = av.AudioFrame.from_ndarray(
            np.ascontiguousarray(samples.T.astype(np.float32)), format="fltp", layout=layout
        )
        frame.sample_rate = sr
        resampler = av.AudioResampler(
            format=stream.format.name, layout=layout, rate=sr, frame_size=stream.frame_size or None
        )
        for part in [*resampler.resample(frame), *resampler.resample(None)]:
            for packet in stream.encode(part):  # type: ignore[arg-type]
                out.mux(packet)
        for packet in stream.encode(None):
            out.mux(packet)
    return path
