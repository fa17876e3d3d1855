"""Slows a recording down, or speeds it up, without changing its pitch.

Conventions: sound as float32 mono, times in seconds.

Between strokes the sound is stretched by a phase vocoder whose partials keep their phases to each
other (identity phase locking: Laroche & Dolson 1999, IEEE Trans. Speech Audio Process. 7, 323-332).
A stroke is not stretched: each begins with a stretch of the recording as it is, at the moment
where the tempo puts it, and no window before it reaches into it, so that attacks stay sharp and
are neither doubled nor early. A phase vocoder alone moves attacks by up to half its window.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

import numpy as np
import numpy.typing as npt

from transcribe.core.errors import ParameterError

__all__ = ["FASTEST", "SLOWEST", "change_speed"]

Array = npt.NDArray[Any]

SLOWEST, FASTEST = 0.25, 2.0
"""The range of `change_speed`'s ``speed``."""

_WINDOW_SEC = 0.093  # long enough to tell the partials of a low string apart
_SHORTEST_SEC = 0.023  # of a window, between strokes that follow at once
_APART_SEC = 0.05  # strokes nearer than this are one strum, and are moved as one
_AHEAD_SEC = 0.004  # a stroke's own sound begins this long before its attack
_FADE_SEC = 0.003  # from what rings to the stroke
_NUDGE_SEC = 0.004  # a stroke may be moved so far for what rings to go on in phase
_SEEK_SEC = 0.02  # how far from the time of a note its attack is looked for
_WHOLE_SHARE = 0.45  # of a window, after a stroke, that stays as it is


def change_speed(
    y: Array,
    *,
    sr: int,
    speed: float,
    onsets_sec: Iterable[float] = (),
    progress: Callable[[str, float], None] | None = None,
) -> Array:
    """``y`` at another speed and at its own pitch.

    Parameters
    ----------
    y : float32 mono, shape (n,)
    sr : its sample rate in hertz
    speed : 0.5 for half as fast, `SLOWEST` to `FASTEST`
    onsets_sec : when notes begin in ``y``, in any order; their attacks are looked for nearby. Where
        none are given, attacks are smeared over some hundredths of a second.
    progress : called with the stage and the share done

    Returns
    -------
    float32 mono, shape (round(n / speed),). What sounds at t seconds in ``y`` sounds at t / speed;
    strings that are struck within 50 ms keep their distance. No sample is larger than the largest
    of ``y``.

    Raises
    ------
    ParameterError
        If ``speed`` is out of range.

    Examples
    --------
    >>> len(change_speed(np.zeros(1000, np.float32), sr=8000, speed=0.5))
    2000
    """
    if not SLOWEST <= speed <= FASTEST:
        raise ParameterError(f"speed is {speed:g}; give {SLOWEST:g} to {FASTEST:g}")
    y = np.asarray(y, np.float32)
    size = round(len(y) / speed)
    if speed == 1.0 or not len(y):
        return y.copy()
    attacks = _attacks(y, sr, onsets_sec)
    starts = [0, *(at for at in attacks if at > _SHORTEST_SEC * sr)]
    fade = max(2, round(_FADE_SEC * sr))
    nudge = round(_NUDGE_SEC * sr)
    out = np.zeros(size + round(_WINDOW_SEC * sr) + nudge, np.float32)
    at = 0
    for k, start in enumerate(starts):
        end = starts[k + 1] if k + 1 < len(starts) else len(y)
        until = round(end / speed)
        piece = _stretched(y, sr, start, end, until - at + nudge + fade)
        if k:
            before = at - fade
            ramp = np.linspace(0.0, 1.0, fade, dtype=np.float32)
            out[before:at] *= 1 - ramp
            lead = y[max(0, start - fade) : start]
            out[at - len(lead) : at] += lead * ramp[fade - len(lead) :]
            out[at:] = 0
        piece = piece[: len(out) - at]
        out[at : at + len(piece)] = piece
        if end < len(y):
            at = _in_phase(out, y, until, end, nudge, fade, sr)
        if progress is not None and k % 20 == 19:
            progress("slower", end / len(y))
    peak = float(np.abs(y).max())
    return np.clip(out[:size], -peak, peak)


def _attacks(y: Array, sr: int, onsets_sec: Iterable[float]) -> list[int]:
    """The samples at which strokes begin, a little ahead of each attack."""
    bright = np.diff(y, 2) ** 2
    total = np.concatenate([[0.0], np.cumsum(bright, dtype=np.float64)])
    wide = max(2, round(0.005 * sr))
    found: list[int] = []
    for sec in sorted(onsets_sec):
        first = max(wide, round((sec - _SEEK_SEC) * sr))
        last = min(len(bright) - wide, round((sec + _SEEK_SEC) * sr))
        if last <= first:
            continue
        edges = np.arange(first, last)
        after = total[edges + wide] - total[edges]
        before = total[edges] - total[edges - wide]
        floor = 1e-3 * float(after.max()) + 1e-12
        attack = int(edges[np.argmax((after + floor) / (before + floor))])
        begins = max(0, attack + 2 - round(_AHEAD_SEC * sr))
        if not found or begins - found[-1] >= _APART_SEC * sr:
            found.append(begins)
    return found


def _in_phase(out: Array, y: Array, until: int, end: int, nudge: int, fade: int, sr: int) -> int:
    """Where near ``until`` the stroke at ``end`` of ``y`` best goes on from the ringing ``out``."""
    wide = round(0.012 * sr)
    before = y[max(0, end - wide) : end]
    low = max(until - nudge, len(before), fade)
    ringing = out[low - len(before) : until + nudge].astype(np.float64)
    if len(ringing) < len(before) or not np.any(before):
        return max(until, fade)
    match = np.correlate(ringing, before, "valid")
    power = np.concatenate([[0.0], np.cumsum(ringing**2)])
    power = power[len(before) :] - power[: -len(before)]
    return low + int(np.argmax(match / np.sqrt(power + 1e-9)))


def _stretched(y: Array, sr: int, start: int, end: int, wanted: int) -> Array:
    """From ``start`` of ``y``, ``wanted`` samples made of the sound up to ``end``."""
    length = end - start
    hop = round(_WINDOW_SEC * sr / 4)
    while 4 * hop > length and 4 * hop > _SHORTEST_SEC * sr:
        hop //= 2
    size, half = 4 * hop, 2 * hop
    window = np.sqrt(np.hanning(size + 1)[:-1]).astype(np.float32)
    last = max(length - half, round(_WHOLE_SHARE * size))  # centres past it would reach the next
    whole = min(round(_WHOLE_SHARE * size), last, wanted // 2)
    frames = -(-(wanted + half) // hop) + 2
    out = np.zeros(frames * hop + size, np.float32)
    weight = np.zeros_like(out)
    pace = (length - whole) / max(1, wanted - whole)
    turned: Array | None = None
    for k in range(-2, frames - 2):
        centre = k * hop
        here = centre if centre <= whole else round(whole + (centre - whole) * pace)
        here = min(here, last)
        now = np.fft.rfft(window * _read(y, start + here - half, size))
        if centre > whole and turned is not None:
            past = np.fft.rfft(window * _read(y, start + here - hop - half, size))
            now = _locked(now, past, turned)
        turned = now
        a = (k + 2) * hop
        out[a : a + size] += window * np.fft.irfft(now, size).astype(np.float32)
        weight[a : a + size] += window**2
    body = slice(2 * half, 2 * half + wanted)
    return out[body] / np.maximum(weight[body], 0.1)


def _locked(now: Array, past: Array, turned: Array) -> Array:
    """``now``, each peak's phases turned so that it goes on from ``turned`` as from ``past``."""
    level = np.abs(now)
    inner = level[2:-2]
    peaks = 2 + np.flatnonzero(
        (inner > level[1:-3]) & (inner >= level[3:-1]) & (inner > level[:-4]) & (inner >= level[4:])
    )
    if not len(peaks):
        return now
    turn = turned[peaks] * np.conj(past[peaks])
    turn /= np.maximum(np.abs(turn), 1e-20)
    edges = (peaks[1:] + peaks[:-1] + 1) // 2
    return np.asarray(now * turn[np.searchsorted(edges, np.arange(len(now)), side="right")])


def _read(y: Array, first: int, size: int) -> Array:
    """``size`` samples from ``first``, silence where ``y`` has none."""
    if first >= 0 and first + size <= len(y):
        return y[first : first + size]
    piece = np.zeros(size, np.float32)
    a, b = max(0, first), min(len(y), first + size)
    if b > a:
        piece[a - first : b - first] = y[a:b]
    return piece
