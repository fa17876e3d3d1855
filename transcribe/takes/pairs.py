"""Which note of the take is which note of the reference, once it is known when each was due.

`same_pitch` pairs notes of one pitch in order so that the sum of their worth is greatest: a pair is
worth 1 on time and less the further it is off. `other_pitch` then pairs what is left with what was
played in its place.
"""

from __future__ import annotations

import numpy as np

__all__ = ["other_pitch", "same_pitch"]


def same_pitch(
    due: np.ndarray,
    due_pitch: np.ndarray,
    at: np.ndarray,
    at_pitch: np.ndarray,
    *,
    window_sec: float = 0.35,
) -> list[tuple[int, int]]:
    """Pairs (reference, take) of equal pitch within ``window_sec``, in order for each pitch.

    Parameters
    ----------
    due, due_pitch : np.ndarray, shape (n,)
        When each note of the reference was due, in the take's seconds, and its pitch.
    at, at_pitch : np.ndarray, shape (m,)
        Onset and pitch of each note of the take.
    """
    pairs: list[tuple[int, int]] = []
    for pitch in np.intersect1d(due_pitch, at_pitch):
        a = np.flatnonzero(due_pitch == pitch)
        b = np.flatnonzero(at_pitch == pitch)
        a = a[np.argsort(due[a], kind="stable")]
        b = b[np.argsort(at[b], kind="stable")]
        for i, j in _in_order(due[a], at[b], window_sec):
            pairs.append((int(a[i]), int(b[j])))
    return sorted(pairs)


def _in_order(due: np.ndarray, at: np.ndarray, window: float) -> list[tuple[int, int]]:
    """Best pairing in order of two rising sequences, by dynamic programming in a band."""
    low = np.searchsorted(at, due - window)
    high = np.searchsorted(at, due + window, side="right")
    # values[j - first]: greatest worth of the notes so far with the take's first j. Both ends of
    # the band rise from row to row: right of its band a row is flat, left of it it is never asked.
    rows: list[tuple[int, list[float], list[bool]]] = []
    previous_start, previous = 0, [0.0]
    due_list, at_list = due.tolist(), at.tolist()
    for i in range(len(due_list)):
        first, last = int(low[i]), int(high[i])
        values = [_value(previous_start, previous, first)]
        taken = [False]
        for j in range(first, last):
            skip_take = values[-1]
            skip_due = _value(previous_start, previous, j + 1)
            off = abs(at_list[j] - due_list[i]) / window
            match = _value(previous_start, previous, j) + 1.0 - 0.45 * off - 0.45 * min(1, 4 * off)
            best = max(skip_take, skip_due, match)
            values.append(best)
            taken.append(match >= best)
        rows.append((first, values, taken))
        previous_start, previous = first, values
    pairs = []
    j = len(at_list)
    for i in range(len(due_list) - 1, -1, -1):
        first, values, taken = rows[i]
        j = min(j, first + len(values) - 1)
        above = rows[i - 1] if i else (0, [0.0], [False])
        while j > first:
            here = values[j - first]
            if taken[j - first]:
                pairs.append((i, j - 1))
                j -= 1
                break
            if _value(above[0], above[1], j) >= here - 1e-12:
                break
            j -= 1
    pairs.reverse()
    return pairs


def _value(start: int, values: list[float], j: int) -> float:
    """Entry ``j`` of a row that is known from column ``start`` on, and flat right of its band."""
    return values[min(max(j - start, 0), len(values) - 1)]


def other_pitch(
    due: np.ndarray,
    due_pitch: np.ndarray,
    at: np.ndarray,
    at_pitch: np.ndarray,
    *,
    window_sec: np.ndarray,
    furthest: int = 12,
) -> list[tuple[int, int]]:
    """Pairs (reference, take) of notes that stand for each other though the pitch differs.

    The nearest go first: distance in time as a share of ``window_sec`` (n,), and in pitch.
    """
    order = np.argsort(at, kind="stable")
    rising = at[order]
    found = []
    for i in range(len(due)):
        first = np.searchsorted(rising, due[i] - window_sec[i])
        last = np.searchsorted(rising, due[i] + window_sec[i], side="right")
        for j in order[first:last]:
            step = abs(int(at_pitch[j]) - int(due_pitch[i]))
            if 0 < step <= furthest:
                cost = abs(at[j] - due[i]) / window_sec[i] + step / furthest
                found.append((float(cost), i, int(j)))
    found.sort()
    used_due: set[int] = set()
    used_at: set[int] = set()
    pairs = []
    for _, i, j in found:
        if i not in used_due and j not in used_at:
            used_due.add(i)
            used_at.add(j)
            pairs.append((i, j))
    return sorted(pairs)
