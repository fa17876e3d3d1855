"""How loud a recording is, how noisy, whether it is clipped and whether mains hum lies under it.

Levels in dB of full scale (1.0); frames of 50 ms for levels, of 2 s for hum.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from transcribe.core.errors import AudioError, ParameterError
from transcribe.core.riff import Remark

__all__ = ["LevelReport", "check_samples", "clipped_share", "level_report"]

_FLOOR_DB = -120.0  # what digital silence is called
_SILENT_DB = -75.0  # a peak under this is the converter's own noise
_CLIPPED_SHARE = 2e-4  # of the samples; below this nobody hears it
_NOISE_DB = -35.0  # a noise floor over this masks soft notes
_MAINS_HZ = (50.0, 60.0)
_PIECE_SAMPLES = 1 << 20  # samples


@dataclass(frozen=True, slots=True)
class LevelReport:
    """What the level alone says about a recording.

    ``clipped_share``: share of samples cut flat (0-1). ``noise_floor_db``: level of the noise, in
    the quietest tenth of the take and between the lines of its spectrum. ``peak_db``: highest
    sample. ``signal_db``: level of the loudest tenth.
    ``hum_hz``: 50 or 60 where mains hum is found, else None. ``hum_db``: level of that hum, None
    without one.
    """

    clipped_share: float
    noise_floor_db: float
    peak_db: float
    signal_db: float
    hum_hz: float | None
    hum_db: float | None

    @property
    def silent(self) -> bool:
        """Nothing but the converter's own noise."""
        return self.peak_db < _SILENT_DB

    def warnings(self) -> tuple[Remark, ...]:
        """What the player can do better next time."""
        found = []
        if self.clipped_share > _CLIPPED_SHARE:
            found.append(Remark("clipped", {"clipped_share": self.clipped_share}))
        if self.silent:
            return tuple(found)
        if self.peak_db < -40.0:
            found.append(Remark("quiet", {"peak_db": self.peak_db}))
        if self.noise_floor_db > _NOISE_DB and self.signal_db - self.noise_floor_db < 15.0:
            found.append(Remark("noisy", {"floor_db": self.noise_floor_db}))
        if self.hum_db is not None and self.hum_db > self.signal_db - 30.0:
            found.append(Remark("hum", {"hz": self.hum_hz, "db": self.hum_db}))
        return tuple(found)


def check_samples(y: ArrayLike, sr: float) -> NDArray[np.float32]:
    """``y`` as finite mono float32 ``(n,)``.

    Raises
    ------
    ParameterError
        If ``sr`` is not positive or ``y`` is not one-dimensional.
    AudioError
        If ``y`` is empty or holds NaN or infinite samples.
    """
    if not (math.isfinite(sr) and sr > 0):
        raise ParameterError(f"sr is {sr!r}; give the sample rate in Hz, such as 44100")
    samples = np.asarray(y, dtype=np.float32)
    if samples.ndim != 1:
        raise ParameterError(
            f"y has shape {samples.shape}; give mono samples of shape (n,), one channel only"
        )
    if samples.size == 0:
        raise AudioError("the recording is empty; record again")
    count = sum(int(np.count_nonzero(~np.isfinite(piece))) for piece in _pieces(samples))
    if count:
        raise AudioError(f"{count} samples are not numbers (NaN or infinite); export it again")
    return samples


def _pieces(y: NDArray[np.float32], size: int = _PIECE_SAMPLES) -> Iterator[NDArray[np.float32]]:
    """``y`` part by part, so that a long take needs no copies of itself."""
    return (y[first : first + size] for first in range(0, y.size, size))


def _db(power: float) -> float:
    return max(_FLOOR_DB, 10.0 * math.log10(power)) if power > 0 else _FLOOR_DB


def clipped_share(y: NDArray[np.float32], peak: float | None = None, mean: float = 0.0) -> float:
    """Share of samples that are cut flat, 0-1.

    A converter that runs out of range repeats its highest value; a lossy coder turns such a flat
    top into samples over full scale. So counted: runs of three or more equal samples within 3 %
    of ``peak`` (default: of the highest sample), and every sample over full scale. ``mean`` is
    taken off every sample first.
    """
    if y.size < 3:
        return 0.0
    offset = np.float32(mean)
    top = float(max(y.max() - offset, offset - y.min())) if peak is None else peak
    if top < 10.0 ** (_SILENT_DB / 20.0):
        return 0.0
    return sum(_flat_samples(piece - offset, top) for piece in _pieces(y)) / y.size


def _flat_samples(y: NDArray[np.float32], top: float) -> int:
    size = np.abs(y)
    over = size > 1.0
    if y.size < 3:
        return int(np.count_nonzero(over))
    same = (y[1:] == y[:-1]) & (size[1:] >= 0.97 * top)
    middle = same[1:] & same[:-1]
    flat = np.zeros(y.size, bool)
    flat[1:-1] |= middle
    flat[:-2] |= middle
    flat[2:] |= middle
    return int(np.count_nonzero(flat | over))


def level_report(y: ArrayLike, *, sr: float) -> LevelReport:
    """Measure the level of mono samples ``y`` of shape ``(n,)`` at ``sr`` Hz.

    Raises
    ------
    ParameterError, AudioError
        As `check_samples`.
    """
    samples = check_samples(y, sr)
    mean = np.float32(samples.mean(dtype=np.float64))
    peak = float(max(samples.max() - mean, mean - samples.min()))
    size = min(samples.size, max(1, round(0.05 * sr)))
    whole = samples[: samples.size // size * size]
    frames = ((part - mean).reshape(-1, size) for part in _pieces(whole, 1024 * size))
    power = np.concatenate([np.einsum("ij,ij->i", f, f, dtype=np.float64) / size for f in frames])
    power.sort()
    tenth = max(1, power.size // 10)
    hum_hz, hum_power = _hum(samples, sr, mean)
    return LevelReport(
        clipped_share=clipped_share(samples, mean=float(mean)),
        noise_floor_db=_db(min(float(power[:tenth].mean()), _ground(samples, sr, mean))),
        peak_db=_db(peak * peak),
        signal_db=_db(float(power[-tenth:].mean())),
        hum_hz=hum_hz,
        hum_db=None if hum_hz is None else _db(hum_power),
    )


def _hum(y: NDArray[np.float32], sr: float, mean: np.float32) -> tuple[float | None, float]:
    """Mains frequency, None where there is no hum, and the power of the hum, in ``y - mean``.

    Hum is steady: its lines stand out even in the windows where they are weakest.
    """
    size = int(min(y.size, round(2.0 * sr)))
    if size < 256 or sr / size > 0.7:  # in under 1.5 s, mains and a string look alike
        return None, 0.0
    step = max(1, size // 2)
    window = np.hanning(size)
    # At most about 120 windows, spread over the take: enough for a percentile, and bounded work.
    starts = np.arange(0, y.size - size + 1, step)
    if starts.size > 120:
        starts = starts[np.linspace(0, starts.size - 1, 120).astype(int)]
    top = min(size // 2, int(5000.0 * size / sr)) + 1
    spectra = np.empty((starts.size, top))
    for i, start in enumerate(starts):
        spectra[i] = np.abs(np.fft.rfft((y[start : start + size] - mean) * window)[:top]) ** 2
    spectra *= 2.0 / (np.sum(window) ** 2)  # a sine's own power at its peak bin
    hz = np.arange(top) * sr / size
    low = np.percentile(spectra, 10, axis=0)
    best: tuple[float | None, float] = (None, 0.0)
    for mains in _MAINS_HZ:
        lines, power = 0, 0.0
        for harmonic in range(1, 7):
            off = np.abs(hz - mains * harmonic)
            near, around = off <= 1.01, (off <= 9.0) & (off >= 3.0)
            peak = float(low[near].max(initial=0.0))
            centred = off[near][low[near].argmax()] < 0.6
            if centred and peak > 1e-12 and peak > 20.0 * float(np.median(low[around])):
                lines += 1
                power += peak
        if lines >= 2 and power > best[1]:
            best = (mains, power)
    return best


def _ground(y: NDArray[np.float32], sr: float, mean: np.float32) -> float:
    """Power of the noise between the lines of the spectrum of ``y - mean``, where it is least.

    Windows of 0.2 s: short enough to lie between two attacks, long enough to part the lines of a
    ringing string, which would otherwise count as noise. The powers of noise are exponentially
    distributed, so that their median is ln 2 of their mean.
    """
    size = int(0.2 * sr)
    width = 40  # bins, about 200 Hz
    if y.size < size or size < 4 * width:
        return math.inf
    window = np.hanning(size)
    starts = np.arange(0, y.size - size + 1, max(1, size // 2))
    if starts.size > 600:
        starts = starts[np.linspace(0, starts.size - 1, 600).astype(int)]
    power = np.empty(starts.size)
    for i, start in enumerate(starts):
        spectrum = np.abs(np.fft.rfft((y[start : start + size] - mean) * window)) ** 2
        bands = spectrum[: spectrum.size // width * width].reshape(-1, width)
        power[i] = np.median(bands, axis=1).sum() * width
    power *= 2.0 / (math.log(2.0) * size * np.sum(window**2))
    power.sort()
    return float(power[: max(1, power.size // 10)].mean())
