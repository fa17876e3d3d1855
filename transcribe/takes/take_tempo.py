"""The smooth tempo of a take, and its pauses.

`smooth_tempo` fits when each event was due. In a window that moves with the music it fits time as
a quadratic of the reference's time by weighted least squares; the weights fall with distance
(tricube) and with the residual (bisquare), as in Cleveland 1979, Robust locally weighted regression
and smoothing scatterplots, JASA 74. An event takes no part in its own fit, so that a late note
cannot pull the line toward itself.
"""

from __future__ import annotations

import numpy as np

__all__ = ["find_breaks", "smooth_tempo"]

_HALF = 12  # events on each side of the window
_MIN_LEFT_OUT = 5  # events; of fewer, each takes part in its own fit
# What is expected of a player: choices, whose effect `tests.bench.compare` measures.
_SLOPE_SD = 0.15  # how far the local pace may stray from the pass's own, as a share
_BEND_SD = 0.0075  # how fast the pace may bend, half its change per second
_NOISE_SEC = 0.015  # the usual scatter of a player with the scatter of measuring
_BREAK_SEC, _BREAK_BEAT = 0.12, 0.2  # a gap that is off by less is no break
_STAYS_OFF = 0.7  # share of a break that must be left after the notes that follow
_PACE_SWAY = (0.8, 1.25)  # of the pass's pace, that the pace around a break may have
_MAD_TO_SD = 1.4826  # of a normal distribution
_BISQUARE = 4.685  # standard deviations without weight (Holland & Welsch 1977, from memory)


def find_breaks(x: np.ndarray, t: np.ndarray, *, pace: float, beat_sec: float) -> list[int]:
    """Where the player stood still or leapt: k for each gap between event k - 1 and k.

    A gap counts if it is off by more than a fifth of a beat and 0.12 s, and what follows stays off
    (a late note alone is followed by a gap as much too short).

    Parameters
    ----------
    x, t : np.ndarray, shape (n,)
        Due time on the reference's clock and onset in the take, in seconds, ``x`` rising.
    pace : float
        Take seconds per reference second.
    beat_sec : float
        Seconds of a beat on the reference's clock.
    """
    if len(x) < 3:
        return []
    gap = np.diff(x)
    ratio = np.diff(t) / np.maximum(gap, 1e-6)
    local = np.clip(_running_median(ratio, 8), *(pace * np.array(_PACE_SWAY)))
    off = np.diff(t) - local * gap
    found = []
    limit = max(_BREAK_SEC, _BREAK_BEAT * beat_sec * pace)
    for k in np.flatnonzero(np.abs(off) > limit):
        after = np.cumsum(off[k : k + 5])[1:]
        before = np.cumsum(off[max(0, k - 4) : k + 1][::-1])[1:]
        sign = np.sign(off[k])
        kept = len(after) >= 2 and np.min(sign * after) > _STAYS_OFF * abs(off[k])
        new = len(before) == 0 or np.min(sign * before) > _STAYS_OFF * abs(off[k])
        # A first event on its own was played late or early, unless it is a whole beat away.
        alone = k == 0 and abs(off[k]) < beat_sec * pace
        if kept and new and not alone:
            found.append(int(k) + 1)
    return found


def smooth_tempo(
    x: np.ndarray, t: np.ndarray, query: np.ndarray, *, pace: float
) -> tuple[np.ndarray, np.ndarray]:
    """When ``query`` was due, and the pace there.

    Parameters
    ----------
    x, t : np.ndarray, shape (n,)
        Due time on the reference's clock (rising) and onset in the take.
    query : np.ndarray, shape (m,)
        Times on the reference's clock. One that equals a time in ``x`` is fitted without it.
    pace : float
        Take seconds per reference second over the whole pass.

    Returns
    -------
    due, local_pace : np.ndarray, shape (m,)
    """
    n = len(x)
    if n == 0:
        return np.full(len(query), np.nan), np.full(len(query), pace)
    weight = _first_weights(x, t, pace)
    for _ in range(4):
        due, _ = _fit(x, t, weight, x, pace)
        residual = t - due
        scale = max(_MAD_TO_SD * float(np.median(np.abs(residual))), 0.008)
        weight = np.clip(1.0 - (residual / (_BISQUARE * scale)) ** 2, 0.0, 1.0) ** 2
        if weight.sum() < 2:
            weight = np.ones(n)
    return _fit(x, t, weight, query, pace)


def _first_weights(x: np.ndarray, t: np.ndarray, pace: float) -> np.ndarray:
    """Weights from the distance to a running median, which half the notes cannot move."""
    off = t - pace * x
    residual = off - _running_median(off, 5)
    scale = max(_MAD_TO_SD * float(np.median(np.abs(residual))), 0.015)
    return np.clip(1.0 - (residual / (6.0 * scale)) ** 2, 0.05, 1.0) ** 2


def _running_median(values: np.ndarray, half: int) -> np.ndarray:
    """Median over ``half`` values on each side, fewer at the ends."""
    padded = np.pad(values, half, constant_values=np.nan)
    windows = np.sort(np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1), axis=1)
    count = np.isfinite(windows).sum(axis=1)  # nan is sorted last
    rows = np.arange(len(values))
    return 0.5 * (windows[rows, (count - 1) // 2] + windows[rows, count // 2])


def _fit(
    x: np.ndarray,
    t: np.ndarray,
    weight: np.ndarray,
    query: np.ndarray,
    pace: float,
) -> tuple[np.ndarray, np.ndarray]:
    n = len(x)
    centre = np.clip(np.searchsorted(x, query), 0, n - 1)
    left = np.maximum(centre - 1, 0)
    centre = np.where(np.abs(x[left] - query) < np.abs(x[centre] - query), left, centre)
    width = min(2 * _HALF + 1, n)
    start = np.clip(centre - _HALF, 0, n - width)
    window = start[:, None] + np.arange(width)
    dx = x[window] - query[:, None]
    rank = np.abs(window - centre[:, None]) / (_HALF + 1.0)
    w = weight[window] * np.clip(1.0 - np.minimum(rank, 0.95) ** 3, 0.0, 1.0) ** 3
    if n >= _MIN_LEFT_OUT:
        w = np.where(np.abs(dx) < 1e-9, 0.0, w)
    dt = t[window] - pace * dx  # what is left over the even pace, so the priors are centred on it
    mid = np.median(dt, axis=1)
    dt = dt - mid[:, None]
    basis = np.stack([np.ones_like(dx), dx, dx * dx], axis=-1)
    gram = np.einsum("qk,qka,qkb->qab", w, basis, basis)
    prior = np.array(
        [1e-9, (_NOISE_SEC / (_SLOPE_SD * pace)) ** 2, (_NOISE_SEC / (_BEND_SD * pace)) ** 2]
    )
    gram = gram + np.diag(prior)
    right = np.einsum("qk,qka,qk->qa", w, basis, dt)
    solved = np.linalg.solve(gram, right[..., None])[..., 0]
    return mid + solved[:, 0], pace + solved[:, 1]
