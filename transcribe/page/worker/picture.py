"""What the page draws behind the tab: the outline of the waveform and a spectrogram, in tiles.

Conventions: a tile covers `TILE_SEC` seconds. It holds ``TILE_SEC * PEAKS_PER_SEC`` pairs of
signed bytes, the lowest and the highest sample of each stretch (127 = the take's peak), and then
a spectrogram of ``TILE_SEC * FRAMES_PER_SEC`` columns by `ROWS` rows of bytes, row by row from the
highest pitch down, 0 = `FLOOR_DB` below the take's loudest cell or less, 255 = that cell. Rows lie
half a semitone apart, from MIDI `LOW_MIDI` up. The last tile is filled up with silence.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from transcribe.core.files import write_atomically
from transcribe.core.pitch import midi_to_hz

__all__ = [
    "FLOOR_DB",
    "FRAMES_PER_SEC",
    "LOW_MIDI",
    "PEAKS_PER_SEC",
    "ROWS",
    "TILE_SEC",
    "describe",
    "read_tile",
    "write_picture",
]

TILE_SEC = 10
PEAKS_PER_SEC = 200
FRAMES_PER_SEC = 50
ROWS = 128
LOW_MIDI = 34.0
FLOOR_DB = 66.0

_SR = 22050
_HOP = _SR // FRAMES_PER_SEC
_WINDOW = 4096
_TILE_BYTES = TILE_SEC * (2 * PEAKS_PER_SEC + ROWS * FRAMES_PER_SEC)


def describe(duration_sec: float) -> dict[str, Any]:
    """What the page must know to draw the tiles."""
    return {
        "duration_sec": duration_sec,
        "tiles": max(1, int(np.ceil(duration_sec / TILE_SEC))),
        "tile_sec": TILE_SEC,
        "peaks_per_sec": PEAKS_PER_SEC,
        "frames_per_sec": FRAMES_PER_SEC,
        "rows": ROWS,
        "low_midi": LOW_MIDI,
    }


def write_picture(y: NDArray[np.float32], *, sr: int, path: Path) -> None:
    """Write the tiles of mono ``y`` ``(n,)`` at ``sr`` Hz, and their description, to ``path``."""
    meta = describe(len(y) / sr)
    tiles: int = meta["tiles"]
    peaks = _peaks(y, sr, tiles * TILE_SEC * PEAKS_PER_SEC)
    cells = _cells(y, sr, tiles * TILE_SEC * FRAMES_PER_SEC)
    per = TILE_SEC * FRAMES_PER_SEC
    parts = [json.dumps(meta).encode().ljust(_HEAD)]
    for k in range(tiles):
        chunk = peaks[k * TILE_SEC * PEAKS_PER_SEC : (k + 1) * TILE_SEC * PEAKS_PER_SEC]
        parts += [chunk.tobytes(), cells[k * per : (k + 1) * per].T[::-1].tobytes()]
    write_atomically(path, b"".join(parts))


_HEAD = 512


def read_tile(path: Path, number: int | None) -> bytes | None:
    """The bytes of tile ``number``, or the description as JSON for None; None if out of range."""
    with path.open("rb") as file:
        head = file.read(_HEAD).strip()
        if number is None:
            return head
        if not 0 <= number < int(json.loads(head)["tiles"]):
            return None
        file.seek(_HEAD + number * _TILE_BYTES)
        return file.read(_TILE_BYTES)


def _peaks(y: NDArray[np.float32], sr: int, count: int) -> NDArray[np.int8]:
    edges = np.minimum((np.arange(count) * (sr / PEAKS_PER_SEC)).astype(np.int64), len(y) - 1)
    used = max(1, int(np.ceil(len(y) / sr * PEAKS_PER_SEC)))
    low = np.minimum.reduceat(y, edges[:used])
    high = np.maximum.reduceat(y, edges[:used])
    top = max(float(y.max()), -float(y.min()), 1e-9)
    out = np.zeros((count, 2), np.int8)
    out[:used, 0] = np.round(low / top * 127)
    out[:used, 1] = np.round(high / top * 127)
    return out


def _cells(y: NDArray[np.float32], sr: int, columns: int) -> NDArray[np.uint8]:
    """Spectrogram ``(columns, ROWS)`` on a pitch scale, lowest pitch first."""
    from transcribe.audio import resample

    y = resample(y, sr=sr, to_sr=_SR)
    bands = _bands()
    window = np.hanning(_WINDOW).astype(np.float32)
    out = np.empty((columns, ROWS), np.float32)
    block = 512  # frames at a time keep the memory bounded
    for start in range(0, columns, block):
        stop = min(columns, start + block)
        first, last = start * _HOP - _WINDOW // 2, (stop - 1) * _HOP + _WINDOW // 2
        part = y[max(0, first) : max(0, last)]
        before = max(0, -first)
        part = np.pad(part, (before, last - first - before - len(part)))
        chunk = np.lib.stride_tricks.sliding_window_view(part, _WINDOW)[::_HOP] * window
        out[start:stop] = np.abs(np.fft.rfft(chunk, axis=1)).astype(np.float32) @ bands
    np.log10(np.maximum(out, 1e-9, out=out), out=out)
    out *= 20
    out -= out.max() - FLOOR_DB
    out *= 255 / FLOOR_DB
    return np.round(np.clip(out, 0, 255, out=out), out=out).astype(np.uint8)


def _bands() -> NDArray[np.float32]:
    """Weights ``(_WINDOW // 2 + 1, ROWS)``: a triangle a semitone wide, two bins at the least."""
    hz = midi_to_hz(LOW_MIDI + np.arange(ROWS) / 2)
    step = _SR / _WINDOW
    bins = np.arange(_WINDOW // 2 + 1) * step
    width = np.maximum(hz * (2 ** (0.5 / 12) - 1), step)
    triangles = np.clip(1 - np.abs(bins[:, None] - hz) / width, 0, None)
    return (triangles / triangles.sum(axis=0)).astype(np.float32)
