"""How loud a note is, and how far it lies from its semitone.

Conventions: audio is mono at `features.SR`; loudness in decibels of a full-scale sine; cents after
the tuning offset. Both are read from one windowed spectrum just after the attack: a partial's
frequency from the parabola through its peak in decibels and the two bins beside it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from transcribe.core.pitch import midi_to_hz
from transcribe.notes import features as feat

__all__ = ["loudness_and_cents"]

_SIZE = 8192
_AFTER_SEC = 0.025  # the attack itself has no pitch
_LENGTH_SEC = (0.06, 0.35)
_PARTIALS = 6
_TOP_HZ = 4000.0
_SEARCH_CENTS = 60.0
_CLASH_CENTS = 90.0
_QUIETEST_DB = -120.0


def loudness_and_cents(
    y: np.ndarray,
    *,
    onset_sec: float,
    offset_sec: float,
    pitch_midi: int,
    others_midi: Sequence[int] = (),
    offset_cents: float = 0.0,
) -> tuple[float, float]:
    """Loudness in decibels of full scale, and cents from the semitone (0 where none is heard).

    ``others_midi`` are the pitches that sound meanwhile: partials that meet theirs do not count.
    """
    first = round((onset_sec + _AFTER_SEC) * feat.SR)
    length = min(max(offset_sec - onset_sec - _AFTER_SEC, _LENGTH_SEC[0]), _LENGTH_SEC[1])
    piece = y[first : first + round(length * feat.SR)]
    if piece.size < 256:
        return _QUIETEST_DB, 0.0
    from scipy.fft import rfft

    window = np.hanning(piece.size).astype(np.float32)
    spectrum = np.abs(rfft(piece * window, _SIZE)) * (2.0 / float(window.sum()))
    hz = midi_to_hz(pitch_midi + offset_cents / 100.0)
    rivals = np.array(
        [midi_to_hz(p + offset_cents / 100.0) for p in others_midi if p != pitch_midi]
    )
    power, total, weight = 0.0, 0.0, 0.0
    for n in range(1, _PARTIALS + 1):
        if n * hz > _TOP_HZ and n > 1:
            break
        peak = _peak(spectrum, n * hz)
        if peak is None:
            continue
        at_hz, level = peak
        power += level**2
        if _clashes(n * hz, rivals):
            continue
        # Stiffness raises the upper partials, so they count less.
        total += level / n * 1200.0 * float(np.log2(at_hz / (n * hz)))
        weight += level / n
    loudness = 10.0 * float(np.log10(power)) if power > 1e-12 else _QUIETEST_DB
    cents = total / weight if weight > 1e-6 else 0.0
    return max(_QUIETEST_DB, loudness), float(np.clip(cents, -_SEARCH_CENTS, _SEARCH_CENTS))


def _peak(spectrum: np.ndarray, hz: float) -> tuple[float, float] | None:
    """Frequency and level of the highest peak within the search range of ``hz``."""
    spacing = feat.SR / _SIZE
    reach = 2.0 ** (_SEARCH_CENTS / 1200.0)
    low = max(1, int(np.floor(hz / reach / spacing)) - 1)
    high = min(spectrum.size - 2, int(np.ceil(hz * reach / spacing)) + 1)
    if high <= low:
        return None
    k = low + int(np.argmax(spectrum[low : high + 1]))
    left, middle, right = np.log(spectrum[k - 1 : k + 2] + 1e-12)
    if middle < left or middle < right:
        return None
    bow = left - 2.0 * middle + right
    shift = 0.5 * (left - right) / bow if bow < 0 else 0.0
    at = (k + float(np.clip(shift, -0.5, 0.5))) * spacing
    if not 1.0 / reach <= at / hz <= reach:
        return None
    return at, float(np.exp(middle - 0.25 * (left - right) * shift))


def _clashes(hz: float, rivals: np.ndarray) -> bool:
    if rivals.size == 0:
        return False
    nearest = np.maximum(1.0, np.round(hz / rivals)) * rivals
    return bool((np.abs(1200.0 * np.log2(nearest / hz)) < _CLASH_CENTS).any())
