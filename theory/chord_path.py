"""The most probable chord of every beat, with the rounds of a loop heard together.

The most probable sequence is found by the Viterbi recursion, the confidence by the forward-backward
recursion of the same model (Rabiner 1989, Proceedings of the IEEE 77, 257-286). Arrays of beats
have one row per beat, arrays of states one column per state; values are natural logarithms.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from theory.arrays import FloatArray

__all__ = ["chord_path"]

Path = npt.NDArray[np.int64]

# Set by hand and checked with `tests.bench.theory`.
_MOST_LOOP_BARS = 16
_MOST_DEPARTING = 0.3  # of the bars of a loop may go another way, as in `theory.loop`,
_DEPART_NATS = 6.0  # and each must gain more than this
_LOOP_NATS = 12.0  # a loop must gain more: one of so many periods fits by chance


def chord_path(
    heard: FloatArray,
    expected: FloatArray,
    change: FloatArray,
    prior: FloatArray,
    bar_starts: npt.NDArray[np.bool_] | None,
) -> tuple[Path, FloatArray]:
    """Best state of every beat, and the probability of each state there.

    Where a loop comes round, a chord that is doubtful in one round is told by the others. A loop
    says its chords once, whatever its rounds, and a bar that goes another way costs extra; the
    period that explains the whole riff best is taken, or none.

    Parameters
    ----------
    heard : array, shape (beats, states)
        How well each state explains the notes of each beat.
    expected : array, shape (beats, states)
        How common each state is, as it counts in each beat.
    change : array, shape (beats,)
        Of a change at the start of each beat; it goes to the states by their ``prior``.
    prior : array, shape (states,)
    bar_starts : array of bool, shape (beats,), or None
        Where bars begin. Without them, or where they are not equally long, no loop is sought.

    Returns
    -------
    path : array of int, shape (beats,)
    sure : array, shape (beats, states)
        Probabilities, 0-1.

    Examples
    --------
    >>> heard = np.zeros((12, 2))
    >>> heard[::2, 0], heard[1::2, 1] = 5.0, 5.0
    >>> heard[-1] = 0.5, 0.0  # the last bar is hardly heard
    >>> flat = np.zeros((12, 2)), np.full(12, -1.0), np.log([0.5, 0.5])
    >>> chord_path(heard, *flat, None)[0].tolist()
    [0, 1, 0, 1, 0, 1, 0, 1, 0, 1, 0, 0]
    >>> chord_path(heard, *flat, np.ones(12, dtype=bool))[0].tolist()
    [0, 1, 0, 1, 0, 1, 0, 1, 0, 1, 0, 1]
    """
    emission = heard + expected
    alone, alone_sure = _decode(emission, change, prior)
    best = alone, alone_sure
    size, first = _bars(bar_starts)
    if not size:
        return best
    beats = np.arange(first, len(heard))
    bar = (beats - first) // size
    own = emission[beats, alone[beats]]
    most = float(own.sum()) + _told(alone[beats], change[beats], prior) + _LOOP_NATS
    for period in range(1, min(_MOST_LOOP_BARS, (int(bar[-1]) + 1) // 2) + 1):
        length = period * size
        place = (beats - first) % length
        rounds = np.bincount(place)[:, None]
        # Rounds are alike and so no independent evidence: it grows with the root of their number.
        loop_heard = _summed(heard[beats], length) / np.sqrt(rounds)
        loop_expected = _summed(expected[beats], length) / rounds
        loop_change = change[beats[:length]]
        loop, loop_sure = _decode(loop_heard + loop_expected, loop_change, prior)
        follows = emission[beats, loop[place]]
        gain = np.bincount(bar, weights=own - follows) - _DEPART_NATS
        departs = gain > 0
        if departs.mean() > _MOST_DEPARTING:
            continue
        total = float(follows.sum() + gain[departs].sum())
        total += _told(loop, loop_change, prior)
        if total > most:
            most = total
            kept = beats[~departs[bar]]
            path, sure = alone.copy(), alone_sure.copy()
            path[kept], sure[kept] = loop[place[kept - first]], loop_sure[place[kept - first]]
            best = path, sure
    return best


def _bars(bar_starts: npt.NDArray[np.bool_] | None) -> tuple[int, int]:
    """Beats in a bar and the first bar's first beat; 0 beats where bars are not all as long."""
    bars = np.flatnonzero(bar_starts) if bar_starts is not None else np.empty(0, dtype=np.int64)
    if bar_starts is None or len(bars) < 2:
        return 0, 0
    lengths = np.diff(np.append(bars, len(bar_starts)))
    whole = np.all(lengths[:-1] == lengths[0]) and lengths[-1] <= lengths[0]
    return (int(lengths[0]) if whole else 0), int(bars[0])


def _summed(rows: FloatArray, length: int) -> FloatArray:
    """The sum of every ``length``-th row, for each of the first ones."""
    short = -len(rows) % length
    whole = np.concatenate((rows, np.zeros((short, rows.shape[1]))))
    return np.asarray(whole.reshape(-1, length, rows.shape[1]).sum(axis=0))


def _told(path: Path, change: FloatArray, prior: FloatArray) -> float:
    """Log-probability of the states of a path, whatever is heard."""
    changes = np.diff(path) != 0
    into = path[1:][changes]
    stays = np.log1p(-np.exp(change[1:][~changes]))
    return float(prior[path[0]] + (change[1:][changes] + prior[into]).sum() + stays.sum())


def _decode(emission: FloatArray, change: FloatArray, prior: FloatArray) -> tuple[Path, FloatArray]:
    """Best state of every beat, and the probability of each state there.

    A change goes to the states by their ``prior`` log-probability.
    """
    n, states = emission.shape
    leave = change[:, None] + prior[None, :]
    stay = np.log1p(-np.exp(change))
    score = emission[0] + prior
    back = np.zeros((n, states), dtype=np.int64)
    forward = [score.copy()]
    for t in range(1, n):
        best = int(score.argmax())
        keep = score + stay[t] >= score[best] + leave[t]
        back[t] = np.where(keep, np.arange(states), best)
        score = np.where(keep, score + stay[t], score[best] + leave[t]) + emission[t]
        alpha = forward[-1]
        forward.append(
            np.logaddexp(alpha + stay[t], np.logaddexp.reduce(alpha) + leave[t]) + emission[t]
        )
    path = np.empty(n, dtype=np.int64)
    path[-1] = int(score.argmax())
    for t in range(n - 1, 0, -1):
        path[t - 1] = back[t, path[t]]
    beta = np.zeros(states)
    gamma = np.empty((n, states))
    for t in range(n - 1, -1, -1):
        joint = forward[t] + beta
        gamma[t] = np.exp(joint - np.logaddexp.reduce(joint))
        if t:
            ahead = emission[t] + beta
            beta = np.logaddexp(ahead + stay[t], np.logaddexp.reduce(ahead) + leave[t])
    return path, gamma
