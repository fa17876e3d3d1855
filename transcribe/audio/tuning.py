"""How far an instrument sounds above or below A4 = 440 Hz (ISO 16), in cents.

The measure is made on spectral peaks that can be fundamentals or octaves of them. A third, fifth
or seventh partial is left out where the note under it is seen: it lies 2, -14 or -31 cents from
the equal-tempered pitch (frequency ratios 3:1, 5:1, 7:1) and would pull the result.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from transcribe.audio.level import check_samples
from transcribe.core.pitch import hz_to_midi

__all__ = ["tuning_offset_cents"]

_LOW_HZ, _HIGH_HZ = 60.0, 1400.0
_WINDOW_SEC = 0.4
_MAX_FRAMES = 600
_MAX_PEAKS = 12  # per frame
_AROUND_CENTS = 15.0  # how far from the commonest offset a peak may lie and still count


def tuning_offset_cents(y: ArrayLike, *, sr: float) -> float:
    """Tuning of mono samples ``y`` ``(n,)`` against A4 = 440 Hz, -50 to 50 cents.

    0.0 where no tone is found. An instrument a quarter tone off (50 cents) can be read either
    way; the nearer semitone is meant.

    Raises
    ------
    ParameterError, AudioError
        As `check_samples`.
    """
    samples = check_samples(y, sr)
    cents, weight = _peak_offsets(samples, sr)
    if cents.size == 0:
        return 0.0
    centre = _commonest(cents, weight)
    for reach in (_AROUND_CENTS, 8.0):
        away = (cents - centre + 50.0) % 100.0 - 50.0
        near = np.abs(away) <= reach
        if not near.any():
            break
        centre += _weighted_median(away[near], weight[near])
    return float((centre + 50.0) % 100.0 - 50.0)


def _commonest(cents: NDArray[np.float64], weight: NDArray[np.float64]) -> float:
    counts, _ = np.histogram(cents % 100.0, bins=100, range=(0.0, 100.0), weights=weight)
    kernel = np.exp(-0.5 * (np.arange(-15, 16) / 4.0) ** 2)
    padded = np.concatenate([counts[-15:], counts, counts[:15]])
    return float(np.convolve(padded, kernel, mode="valid").argmax() + 0.5)


def _weighted_median(values: NDArray[np.float64], weight: NDArray[np.float64]) -> float:
    order = np.argsort(values)
    total = np.cumsum(weight[order])
    return float(np.interp(0.5 * total[-1], total - 0.5 * weight[order], values[order]))


def _peak_offsets(
    y: NDArray[np.float32], sr: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Distance of each usable peak from the nearest semitone in cents, and its weight."""
    size = min(y.size, int(_WINDOW_SEC * sr))
    if size < 64:
        return np.zeros(0), np.zeros(0)
    # The logarithm of a Gaussian window's spectrum is a parabola, so that three bins give the
    # frequency of a lone sine without bias.
    window = np.exp(-0.5 * ((np.arange(size) - (size - 1) / 2) / (size / 7.0)) ** 2)
    length = 1 << (2 * size - 1).bit_length()
    starts = np.arange(0, y.size - size + 1, max(1, size // 3))
    if starts.size > _MAX_FRAMES:
        starts = starts[np.linspace(0, starts.size - 1, _MAX_FRAMES).astype(int)]
    low, high = int(_LOW_HZ * length / sr), int(min(_HIGH_HZ, 0.45 * sr) * length / sr)
    frames = []
    for start in starts:
        spectrum = np.abs(np.fft.rfft(y[start : start + size] * window, length)[: high + 2])
        frames.append(_frame_peaks(spectrum, low, high, sr / length))
    loudest = max((float(mag.max()) for _, mag in frames if mag.size), default=0.0)
    cents, weights = [np.zeros(0)], [np.zeros(0)]
    for hz, mag in frames:
        keep = mag > 0.01 * loudest
        hz, mag = hz[keep], mag[keep]
        keep = ~_odd_partials(hz, mag)
        pitch = 100.0 * hz_to_midi(hz[keep])
        cents.append((pitch + 50.0) % 100.0 - 50.0)
        weights.append(np.sqrt(mag[keep]))
    return np.concatenate(cents), np.concatenate(weights)


def _frame_peaks(
    spectrum: NDArray[np.float64], low: int, high: int, hz_per_bin: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    inner = spectrum[1:-1]
    at = np.flatnonzero((inner > spectrum[:-2]) & (inner >= spectrum[2:])) + 1
    at = at[(at >= max(1, low)) & (at <= high)]
    if at.size == 0 or spectrum[at].max() <= 0:
        return np.zeros(0), np.zeros(0)
    at = at[spectrum[at] > 0.03 * spectrum[at].max()]
    at = np.sort(at[np.argsort(spectrum[at])[-_MAX_PEAKS:]])
    a, b, c = (np.log(np.maximum(spectrum[at + k], 1e-20)) for k in (-1, 0, 1))
    curve = a - 2 * b + c
    shift = np.where(curve < 0, 0.5 * (a - c) / np.where(curve < 0, curve, -1.0), 0.0)
    return np.asarray((at + shift) * hz_per_bin, np.float64), spectrum[at]


def _odd_partials(hz: NDArray[np.float64], mag: NDArray[np.float64]) -> NDArray[np.bool_]:
    """True for peaks that are a multiple, but not a power of two, of a lower peak."""
    if hz.size < 2:
        return np.zeros(hz.size, bool)
    ratio = hz[:, None] / hz[None, :]
    whole = np.round(ratio)
    close = np.abs(1200.0 * np.log2(np.maximum(ratio, 1e-9) / np.maximum(whole, 1.0))) < 20.0
    odd = close & (whole >= 3) & ~np.isin(whole, (4, 8, 16)) & (mag[None, :] > 0.1 * mag[:, None])
    return np.asarray(odd.any(axis=1))
