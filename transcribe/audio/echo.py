"""Whether an echo repeats a recording, and after how long.

Conventions: audio is mono float, times in seconds. A copy of the sound that comes ``delay`` later
is the same wave again, so the spectrum ripples at every multiple of 1 / ``delay``, and the
autocorrelation of the whitened sound has one sharp peak there (the cepstral sign of an echo,
Bogert, Healy and Tukey 1963). A hand that strikes in time never repeats a wave so exactly.
"""

from __future__ import annotations

import numpy as np

__all__ = ["echo_delay_sec"]

_RANGE_SEC = (0.07, 0.65)
_WINDOW_SEC = 12.0
_BAND_HZ = (80.0, 6000.0)
_WHITENING = 0.2  # power to which the power spectrum is raised: 0 is white, 1 as heard
_MIN_SHARPNESS = 11.0
"""Height of the peak over the root mean square of the 50 ms to either side. Takes of real players
without an echo come to 4 or 5, rendered echoes to 9 and more where they waver, 11 to 28 elsewhere
(``tests/bench/real.py`` and the rendered clips of ``transcribe.training``)."""
# a peak at a half or a third of the delay that is this high is the delay itself
_FIRST_PEAK_SHARE = 0.5
_NEAR_SEC = 0.004


def echo_delay_sec(y: np.ndarray, *, sr: int) -> float | None:
    """Seconds after which an echo repeats the sound ``y`` (n,), 0.07 to 0.65; None without one.

    A sequenced loop of one sampled sound repeats its wave as well: before notes are dropped as
    copies they must be seen to fall.

    >>> rng = np.random.default_rng(0)
    >>> dry = rng.normal(size=44100) * np.exp(-np.arange(44100) % 11025 / 2000.0)
    >>> wet = dry + 0.5 * np.r_[np.zeros(6615), dry[:-6615]]
    >>> echo_delay_sec(wet, sr=22050), echo_delay_sec(dry, sr=22050)
    (0.3, None)
    """
    from scipy import fft
    from scipy.ndimage import uniform_filter1d

    if y.size < 4 * _RANGE_SEC[1] * sr // 2:
        return None
    window = min(y.size, round(_WINDOW_SEC * sr))
    size = fft.next_fast_len(window + round(_RANGE_SEC[1] * sr), real=True)
    hz = np.linspace(0.0, sr / 2.0, size // 2 + 1)
    outside = (hz < _BAND_HZ[0]) | (hz > _BAND_HZ[1])
    total = np.zeros(hz.size)
    for first in range(0, y.size - window // 2, max(1, window // 2)):
        power = np.abs(fft.rfft(y[first : first + window], size)) ** 2
        power[outside] = 0.0
        if (loudest := float(power.max())) > 0.0:
            total += (power / loudest + 1e-9) ** _WHITENING * ~outside
    again = fft.irfft(total, size)
    low, high = (round(edge * sr) for edge in _RANGE_SEC)
    around = np.sqrt(uniform_filter1d(again[:high] ** 2, round(0.1 * sr)))
    sharp = again[:high] / np.maximum(around, 1e-12 * max(float(again[0]), 1e-12))
    best = low + int(np.argmax(sharp[low:]))
    if sharp[best] < _MIN_SHARPNESS:
        return None
    near = round(_NEAR_SEC * sr)
    for parts in (3, 2):
        at = round(best / parts)
        if at - near < low:
            continue
        peak = at - near + int(np.argmax(sharp[at - near : at + near + 1]))
        if sharp[peak] >= _FIRST_PEAK_SHARE * sharp[best]:
            best = peak
            break
    return round(best / sr, 4)
