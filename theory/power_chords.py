"""Power chords as they are struck: root and fifth together, and nothing else.

A hand moves one shape along the neck, so every stroke names its own chord: no key, no bar line
and no neighbour has a say in it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from theory.arrays import Notes

__all__ = ["PowerRun", "power_runs"]

_MIN_STROKES = 3  # strokes that make a run, on two roots at least, where they are most of the riff,
_MIN_STROKES_AMONG_CHORDS = 6  # and where they are not: a strum may miss a third by chance
_MIN_LASTING = 0.5  # a note shorter than this against its stroke is doubted

_SHUFFLE = {9: "6", 10: "7"}  # semitones over the root that take turns with the fifth
_UPPER = {"5": 7, "6": 9, "7": 10}

Group = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class PowerRun:
    """Strokes ``first`` to ``end`` (not included) are power chords.

    ``changes`` lists (index of the stroke, pitch class of the root, kind of chord) wherever the
    chord is new; the kind is ``5``, ``6`` or ``7``.
    """

    first: int
    end: int
    changes: tuple[tuple[int, int, str], ...]


def power_runs(
    notes: Notes, groups: Sequence[Group], lasting: npt.NDArray[np.float64], drones: tuple[int, ...]
) -> tuple[PowerRun, ...]:
    """Stretches in which every stroke is a power chord, in order of time.

    ``groups`` are the notes struck together, ``lasting`` how far each note is believed. Between
    the strokes a part of the chord just struck may sound alone, or the lowest note of another.
    Strokes of one chord only are no run, nor are those that only add a fifth to a drone. Where
    the fifth gives way to the sixth or seventh over the same lowest note, as in a shuffle, the
    chord is named by that, and no other chord is read out of two notes.
    """
    struck = [
        {int(p) for p in notes.pitch[g][lasting[g] > _MIN_LASTING]} or {int(notes.pitch[g][0])}
        for g in groups
    ]
    roots = [_root(pitches) for pitches in struck]
    kinds = ["5"] * len(roots)
    shuffled = {p % 12 for pitches in struck for p in pitches if p not in drones}
    shuffle = bool(drones) and shuffled <= {(min(drones) + up) % 12 for up in (0, 7, *_SHUFFLE)}
    over = [bool(set(drones) & pitches) and not shuffle for pitches in struck]
    if sum(r is not None and not d for r, d in zip(roots, over, strict=True)) < _MIN_STROKES:
        roots = [None if d else r for r, d in zip(roots, over, strict=True)]
    basses = {min(p): r for p, r in zip(struck, roots, strict=True) if r is not None}
    for i, pitches in enumerate(struck):
        low = min(pitches)
        steps = {(p - low) % 12 for p in pitches} - {0}
        if roots[i] is None and basses.get(low) == low % 12 and len(steps) == 1:
            kind = _SHUFFLE.get(steps.pop())
            if kind is not None:
                roots[i], kinds[i] = low % 12, kind
    full = sum(len(pitches) > 1 for pitches in struck)
    least = (
        _MIN_STROKES if 2 * sum(r is not None for r in roots) > full else _MIN_STROKES_AMONG_CHORDS
    )
    runs: list[PowerRun] = []
    changes: list[tuple[int, int, str]] = []
    strokes = first = 0
    for i, (pitches, root, kind) in enumerate(zip(struck, roots, kinds, strict=True)):
        now, now_kind = changes[-1][1:] if changes else (None, "5")
        held = now is not None and {(p - now) % 12 for p in pitches} <= {0, _UPPER[now_kind]}
        if root is None and not held and len(pitches) == 1 and changes:
            root, alone = basses.get(min(pitches)), True
        else:
            alone = False
        if root is None and not held:
            runs += _run(first, i, changes, strokes >= least)
            changes, strokes, first = [], 0, i + 1
            continue
        strokes += len(pitches) > 1 and not alone
        if root is not None and (root, kind) != (now, now_kind) and not (alone and held):
            changes.append((i, root, kind))
    return tuple(runs + _run(first, len(groups), changes, strokes >= least))


def _root(pitches: set[int]) -> int | None:
    """Root of a stroke that holds a root, its fifth and their octaves only; else None."""
    classes = sorted({p % 12 for p in pitches})
    if len(classes) != 2:
        return None
    low, high = classes
    return {7: low, 5: high}.get(high - low)


def _run(first: int, end: int, changes: list[tuple[int, int, str]], enough: bool) -> list[PowerRun]:
    if not enough or len({change[1:] for change in changes}) < 2:
        return []
    return [PowerRun(first, end, tuple(changes))]
