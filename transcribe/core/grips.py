"""Which grip each strum is of: what the hand holds, whichever of its strings a stroke reached.

Conventions: pitch in MIDI numbers; a grip is the set of pitches that a hand holds.

No two strums of a grip are alike: an up stroke reaches the high strings alone, and a string is
missed here and there, or heard where it was not struck. The grips of a riff are the fewest sets of
pitches that explain all its strums, and a grip is held on from one strum to the next.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from transcribe.core.riff import Note

__all__ = ["find_grips", "grips_of_notes"]

# Costs in nats, set by hand on the takes of `tests.bench.rhythm_strums`.
_FEWEST_STRINGS = 3  # of a stroke that is one of a grip
_STRAY_COST, _MISSED_COST = 3.2, 0.8  # a pitch that is not of the grip; one of it, not heard
_OCTAVE_COST = 1.5  # a stray pitch that is an octave of one of the grip, as overtones are
_EDGE_COST = 0.12  # a pitch of the grip beyond those that are reached: the stroke was short
_NEW_COST = 3.6  # one grip more: over a stray pitch, under one in the place of another
_CHANGE_COST = 0.8  # another grip than in the strum before
_ALONE_COST = 6.0  # a strum that is of no grip
_MEMBER_SHARE = 0.5  # of the strums that cross a pitch, from which it is of the grip
_EDGE_SHARE = 0.3  # of all its strums: the outer strings are not reached by each
_MAX_SETS = 400  # different strums that are weighed as grips


def find_grips(strokes: Sequence[frozenset[int]]) -> tuple[frozenset[int] | None, ...]:
    """The grip of each stroke, None for a single note and for two that are not of the grip held.

    A grip holds every pitch that most of its strums sound, where they reach so far. A strum that is
    like no other is a grip of its own.

    Examples
    --------
    >>> down, up = frozenset({40, 47, 52, 55, 59, 64}), frozenset({55, 59, 64})
    >>> missed = down - {52}
    >>> grips = find_grips([down, up, missed, up, down, frozenset({45})])
    >>> sorted(grips[1]), len(set(grips[:5])), grips[5]
    ([40, 47, 52, 55, 59, 64], 1, None)
    """
    strums = [i for i, pitches in enumerate(strokes) if len(pitches) >= _FEWEST_STRINGS]
    grips: list[frozenset[int] | None] = [None] * len(strokes)
    if not strums:
        return tuple(grips)
    sets, of = _distinct([strokes[i] for i in strums])
    count = np.bincount(of, minlength=len(sets))
    cost = _costs(sets)
    chosen = _fewest(cost, count)
    path = _held(cost[chosen][:, of])
    for k in range(len(chosen)):
        mine = [strokes[strums[j]] for j in np.flatnonzero(path == k)]
        whole = _members(mine)
        for j in np.flatnonzero(path == k):
            grips[strums[j]] = whole
    for j in np.flatnonzero(path < 0):
        grips[strums[j]] = strokes[strums[j]]
    for i in range(1, len(strokes)):  # two strings of the grip that is held
        held = grips[i - 1]
        if len(strokes[i]) == 2 and held is not None and strokes[i] <= held:
            grips[i] = held
    return tuple(grips)


def grips_of_notes(notes: Sequence[Note]) -> dict[int, frozenset[int]]:
    """The grip of every note of a strum, by note id; a strum is what shares its score time."""
    at: dict[float, list[Note]] = {}
    for note in notes:
        if note.onset_beat is not None:
            at.setdefault(note.onset_beat, []).append(note)
    strums = [at[beat] for beat in sorted(at)]
    grips = find_grips([frozenset(note.pitch_midi for note in strum) for strum in strums])
    return {
        note.id: grip
        for strum, grip in zip(strums, grips, strict=True)
        if grip is not None
        for note in strum
    }


def _distinct(strums: Sequence[frozenset[int]]) -> tuple[list[frozenset[int]], np.ndarray]:
    names: dict[frozenset[int], int] = {}
    of = np.array([names.setdefault(pitches, len(names)) for pitches in strums])
    return list(names), of


def _costs(sets: Sequence[frozenset[int]]) -> np.ndarray:
    """What it costs to explain strum ``j`` as grip ``i``, (sets, sets)."""
    low = min(min(s) for s in sets)
    table = np.zeros((len(sets), max(max(s) for s in sets) - low + 1), dtype=bool)
    for i, pitches in enumerate(sets):
        table[i, [p - low for p in pitches]] = True
    has = table.astype(np.float32)
    inside = has @ has.T
    size = has.sum(axis=1)
    reached = np.maximum.accumulate(table, axis=1)
    reached &= np.maximum.accumulate(table[:, ::-1], axis=1)[:, ::-1]
    within = has @ reached.T.astype(np.float32)  # pitches of grip i between those of strum j
    classes = np.zeros((len(sets), 12), dtype=bool)
    for i, pitches in enumerate(sets):
        classes[i, [p % 12 for p in pitches]] = True
    named = classes[:, (low + np.arange(table.shape[1])) % 12].astype(np.float32) @ has.T
    stray, octaves = size[None] - named, named - inside
    missed = within - inside
    beyond = size[:, None] - within
    cost = _STRAY_COST * stray + _OCTAVE_COST * octaves
    return np.asarray(cost + _MISSED_COST * missed + _EDGE_COST * beyond)


def _fewest(cost: np.ndarray, count: np.ndarray) -> np.ndarray:
    """Indices of the sets that serve as grips: each next one is that which saves the most."""
    best = np.full(cost.shape[1], _ALONE_COST)
    allowed = np.argsort(-count, kind="stable")[:_MAX_SETS]
    chosen: list[int] = []
    while True:
        saved = (np.maximum(best[None] - cost[allowed], 0.0) * count[None]).sum(axis=1)
        at = int(np.argmax(saved))
        if saved[at] <= _NEW_COST:
            return np.array(chosen, dtype=int)
        chosen.append(int(allowed[at]))
        best = np.minimum(best, cost[allowed[at]])


def _held(cost: np.ndarray) -> np.ndarray:
    """Which grip each strum is of, -1 for none: the cheapest way through, a change at a cost."""
    none = np.full((1, cost.shape[1]), _ALONE_COST)
    table = np.vstack([cost, none])
    total, back = table[:, 0], np.zeros(table.shape, dtype=int)
    for j in range(1, table.shape[1]):
        at = int(np.argmin(total))
        change = total[at] + _CHANGE_COST
        back[:, j] = np.where(total <= change, np.arange(len(total)), at)
        total = np.minimum(total, change) + table[:, j]
    path = np.zeros(table.shape[1], dtype=int)
    path[-1] = int(np.argmin(total))
    for j in range(table.shape[1] - 1, 0, -1):
        path[j - 1] = back[path[j], j]
    return np.where(path == len(cost), -1, path)


def _members(strums: Sequence[frozenset[int]]) -> frozenset[int]:
    """The pitches that most of the strums sound which reach so far."""
    out = set()
    for pitch in frozenset().union(*strums):
        crossed = sum(min(s) <= pitch <= max(s) for s in strums)
        needed = max(_MEMBER_SHARE * crossed, _EDGE_SHARE * len(strums))
        if sum(pitch in s for s in strums) >= needed:
            out.add(pitch)
    return frozenset(out)
