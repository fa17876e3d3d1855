"""What the note network sees: log-frequency spectrograms with windows of four lengths.

Conventions: audio is mono at `SR`; frame ``t`` is centred on sample ``t * HOP``; the pitch axis has
`SEMITONES` rows from MIDI `LOW_MIDI`, shifted by the tuning offset; three ``thirds`` of a semitone
lie at -1/3, 0 and +1/3. Channels, in this order:

- 3 thirds of the slow spectrum (windows of 372 ms up to MIDI `SPLIT_MIDI`, 186 ms above);
- 3 x 3 thirds of the middle spectrum (93 ms), half a hop early, on time and half a hop late;
- 4 of the quick spectrum (46 ms, one band a semitone) at -1/4, 0, 1/4 and 1/2 of a hop.

Values are decibels over the take's own level, laid on 0 (80 dB under it) to about 1. The level is
one number for the whole take (`reference_power`), so a take in pieces gives the same frames as in
one go. Nothing here needs more than numpy and scipy; the training code does the same in torch.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from typing import Any

import numpy as np

from transcribe.core.pitch import midi_to_hz

__all__ = [
    "CHANNELS",
    "FLOOR_DB",
    "HOP",
    "LOW_MIDI",
    "REACH",
    "SEMITONES",
    "SPLIT_MIDI",
    "SR",
    "THIRD",
    "Family",
    "band_weights",
    "families",
    "features",
    "frame_count",
    "middle_level",
    "reference_power",
]

SR = 22050
"""Rate of the audio in Hz."""
HOP = 512
"""Samples from one frame to the next (23.2 ms)."""
LOW_MIDI = 23
"""Pitch of the lowest row: an octave under the lowest note that is looked for."""
SEMITONES = 102
"""Rows of the pitch axis; the highest, MIDI 124, is 10.5 kHz, just under half of `SR`."""
CHANNELS = 16
SPLIT_MIDI = 64
"""Up to this pitch the slow spectrum takes its longest window."""
REACH = 4096
"""Samples to either side of a frame's centre that it depends on."""

FLOOR_DB = 80.0
"""How far under the take's own level the features reach."""
THIRD = 2.0 ** (1.0 / 36.0) - 1.0
"""A third of a semitone, as a share of a frequency."""
_LEVEL_RANGE_DB = 40.0
_LEVEL_SHARE = 0.8
_SILENT = 1e-12  # power of a sine of amplitude 1e-6, under the step of 16-bit audio


class Family:
    """One kind of spectrum: its window, the moments it is taken at, and its rows.

    ``shifts`` are in samples from the frame's centre; ``bands`` is (rows, thirds) of pitches in
    MIDI, and ``first_row`` says which row of the pitch axis they begin at.
    """

    def __init__(
        self, n_fft: int, shifts: tuple[int, ...], rows: range, thirds: tuple[float, ...]
    ) -> None:
        self.n_fft = n_fft
        self.shifts = shifts
        self.rows = rows
        self.thirds = thirds
        self.bands = np.array([[LOW_MIDI + row + third for third in thirds] for row in rows])
        window = np.hanning(n_fft + 1)[:-1]
        # A sine of amplitude 1 then has a peak power of 1 in every family.
        self.window = (window * 2.0 / window.sum()).astype(np.float32)
        top_hz = midi_to_hz(self.bands.max() + 2.0)
        self.bins = min(n_fft // 2 + 1, int(np.ceil(top_hz * n_fft / SR)) + 3)
        """FFT bins that any band can draw on, with a semitone of tuning to spare."""


@lru_cache(maxsize=1)
def families() -> tuple[Family, ...]:
    """The four spectra: slow and low, slow and high, middle, quick."""
    thirds = (-1.0 / 3.0, 0.0, 1.0 / 3.0)
    split = SPLIT_MIDI - LOW_MIDI + 1
    return (
        Family(8192, (0,), range(split), thirds),
        Family(4096, (0,), range(split, SEMITONES), thirds),
        Family(2048, (-HOP // 2, 0, HOP // 2), range(SEMITONES), thirds),
        Family(1024, (-HOP // 4, 0, HOP // 4, HOP // 2), range(SEMITONES), (0.0,)),
    )


def band_weights(family: Family, offset_cents: float) -> np.ndarray:
    """How much each FFT bin counts in each band: float32 (bins, rows * thirds), columns sum to 1.

    A band is a triangle as wide as a third of a semitone (a whole one where there is but one band
    a semitone), and never narrower than the spacing of the bins.
    """
    centres = midi_to_hz(family.bands.ravel() + offset_cents / 100.0)
    spacing = SR / family.n_fft
    share = THIRD if len(family.thirds) == 3 else 3.0 * THIRD
    half = np.maximum(share * centres, spacing)
    bins = np.arange(family.bins)[:, None] * spacing
    weights = np.maximum(0.0, 1.0 - np.abs(bins - centres) / half)
    return (weights / np.maximum(weights.sum(axis=0), 1e-9)).astype(np.float32)


@lru_cache(maxsize=16)
def _weights(index: int, offset_cents: float) -> Any:
    # Nearly all weights are 0, and a dense product would wake every core for it.
    from scipy.sparse import csr_matrix

    return csr_matrix(band_weights(families()[index], offset_cents).T)


def frame_count(samples: int) -> int:
    """Frames of a take of ``samples`` samples at `SR`."""
    return 1 + samples // HOP if samples else 0


def _frames(y: np.ndarray, family: Family, first: int, last: int, shift: int) -> np.ndarray:
    """Windowed frames ``first`` to ``last`` of ``y``, with silence around it: (frames, n_fft)."""
    half = family.n_fft // 2
    start = first * HOP + shift - half
    stop = (last - 1) * HOP + shift + half
    piece = y[max(0, start) : max(0, stop)]
    pad = (max(0, -start), max(0, stop - max(0, start) - piece.size))
    if any(pad):
        piece = np.pad(piece, pad)
    view = np.lib.stride_tricks.sliding_window_view(piece, family.n_fft)[::HOP]
    return view * family.window


def _power(y: np.ndarray, family: Family, first: int, last: int, shift: int) -> np.ndarray:
    from scipy.fft import rfft

    spectrum = rfft(_frames(y, family, first, last, shift), axis=-1)[:, : family.bins]
    return spectrum.real**2 + spectrum.imag**2


def reference_power(y: np.ndarray) -> float:
    """The take's own level: a high share of the peaks of its loud frames, as a power.

    Frames more than 40 dB under the loudest do not count, so silence around the playing does not
    lower it, and one knock on the microphone hardly raises it. 0 for silence.

    Parameters
    ----------
    y : float32 (n,)
        The whole take at `SR`.
    """
    middle = families()[2]
    peaks = [
        _power(y, middle, first, last, 0)[:, 4:].max(axis=1)
        for first, last in _pieces(frame_count(y.size), 2048)
    ]
    if not peaks:
        return 0.0
    peak = np.concatenate(peaks)
    loud = peak[peak > max(_SILENT, float(peak.max()) * 10.0 ** (-_LEVEL_RANGE_DB / 10.0))]
    return float(np.quantile(loud, _LEVEL_SHARE)) if loud.size else 0.0


def _pieces(count: int, size: int) -> Iterator[tuple[int, int]]:
    for first in range(0, count, size):
        yield first, min(count, first + size)


def features(
    y: np.ndarray, *, first: int, last: int, reference: float, offset_cents: float = 0.0
) -> np.ndarray:
    """Frames ``first`` to ``last`` (exclusive) of a take: float32 (CHANNELS, frames, SEMITONES).

    Parameters
    ----------
    y : float32 (n,)
        The whole take at `SR`, or a part that holds all that those frames depend on (`REACH`).
    reference : float
        `reference_power` of the whole take; must be over 0.
    offset_cents : float
        Tuning of the whole instrument; the pitch axis moves with it.
    """
    count = last - first
    out = np.empty((CHANNELS, count, SEMITONES), np.float32)
    channel = 0
    offset = round(float(offset_cents), 1)
    for index, family in enumerate(families()):
        weights = _weights(index, offset)
        rows = slice(family.rows.start, family.rows.stop)
        for shift in family.shifts:
            bands = weights @ _power(y, family, first, last, shift).T
            bands = bands.reshape(len(family.rows), len(family.thirds), count)
            out[channel : channel + len(family.thirds), :, rows] = bands.transpose(1, 2, 0)
            channel += len(family.thirds)
        if index == 0:
            channel = 0  # the second slow family fills the upper rows of the same channels
    return _scale(out, reference)


def middle_level(seen: np.ndarray) -> np.ndarray:
    """Level at each pitch row, (frames, SEMITONES), of `features` (CHANNELS, frames, SEMITONES):
    the loudest third of a semitone of the middle spectrum, on time."""
    return np.asarray(seen[6:9].max(axis=0))


def _scale(power: np.ndarray, reference: float) -> np.ndarray:
    floor = 10.0 ** (-FLOOR_DB / 10.0)
    np.multiply(power, 1.0 / reference, out=power)
    np.add(power, floor, out=power)
    np.log10(power, out=power)
    np.multiply(power, 10.0 / FLOOR_DB, out=power)
    np.add(power, 1.0, out=power)
    return power
