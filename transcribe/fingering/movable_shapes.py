"""Marks the chords of a movable shape, and the chords that one keeps its places or shape from."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

from transcribe.fingering.chord_shape import movable_shape
from transcribe.fingering.onsets import MEMORY, Onset

__all__ = ["mark_shapes"]

_SAME_CHORD_SEC = 4.0  # a chord struck again within a bar or so keeps its shape
_CHORDS_AROUND = 8
_FULL_CHORD_NOTES = 4  # notes of a full chord, as it is strummed
_MOSTLY_SHARE = 0.6  # share of the chords around that have the same kind of shape


def mark_shapes(onsets: Sequence[Onset]) -> None:
    """Fill in what chords look back at: ``shape``, ``apart``, ``struck``, ``shape_from``."""
    chords = [onset for onset in onsets if len(onset.pitches) > 1]
    shapes = _shapes(onsets, chords)
    sums = {
        kind: [0, *itertools.accumulate(apart == kind for _, apart in shapes)] for kind in (1, 2)
    }
    full = [
        0,
        *itertools.accumulate(
            apart == 1 or len(onset.pitches) >= _FULL_CHORD_NOTES
            for onset, (_, apart) in zip(chords, shapes, strict=True)
        ),
    ]
    runs = _bare_runs(onsets)
    last: dict[tuple[int, ...], int] = {}
    last_shape: dict[int, Onset] = {}
    for t, (onset, (order, apart)) in enumerate(zip(chords, shapes, strict=True)):
        low, high = max(0, t - _CHORDS_AROUND), min(len(chords), t + _CHORDS_AROUND + 1)
        # A fifth or fourth now and then among thirds and sixths is two voices, no power chord;
        # one with its octave among full chords is one.
        alike = sums[apart][high] - sums[apart][low] if order else 0
        strummed = full[high] - full[low] if len(order) > 2 else 0
        if order and max(alike, strummed) >= _MOSTLY_SHARE * (high - low):
            onset.shape, onset.apart = order, apart
        rising = _rising(onset)
        pitches = tuple(onset.pitches[n] for n in rising)
        ago = last.get(pitches, t)
        last[pitches] = t
        before = chords[ago] if ago < t else None
        # Over a bass or among a line, a chord other than these may well come back another way.
        kept = onset.shape or runs[t] == runs[ago]
        kept = kept or (before is not None and before.notes == onset.previous)
        if before is not None and kept and not onset.droned and _within(before, onset):
            pairs = zip(rising, _rising(before), strict=True)
            onset.struck = [(n, before.notes[k]) for n, k in pairs]
        if not onset.shape:
            continue
        # With or without the octave on top, it is the same shape.
        build = onset.pitches[onset.shape[1]] - onset.pitches[onset.shape[0]]
        before = last_shape.get(build)
        last_shape[build] = onset
        if before is not None and not onset.struck and _within(before, onset):
            pairs = zip(onset.shape, before.shape, strict=False)
            onset.shape_from = [(n, before.notes[k]) for n, k in pairs]
    _hold_roots(onsets)


def _shapes(onsets: Sequence[Onset], chords: Sequence[Onset]) -> list[tuple[tuple[int, ...], int]]:
    """The shape of each chord; none over a drone, where the melody's own string decides."""
    shapes = [((), 0) if onset.droned else movable_shape(onset.pitches) for onset in chords]
    over = {onset.notes for onset, (_, apart) in zip(chords, shapes, strict=True) if apart == 2}
    after = {a.notes: b.notes for a, b in itertools.pairwise(onsets)}
    for t, (onset, (_, apart)) in enumerate(zip(chords, shapes, strict=True)):
        # A bass note under its octave is two voices; octaves or sixths in a row are one.
        if apart == 2 and not {onset.previous, after.get(onset.notes)} & over:
            shapes[t] = ((), 0)
    return shapes


def _hold_roots(onsets: Sequence[Onset]) -> None:
    """Keep a note picked on under a power chord where the hand still holds it."""
    for before, onset in itertools.pairwise(onsets):
        held = before.apart == 1 or (len(before.notes) == 1 and before.struck)
        if held and len(onset.notes) == 1 and not onset.droned and _within(before, onset):
            pitch = onset.pitches[0]
            if pitch in before.pitches:
                onset.struck = [(0, before.notes[before.pitches.index(pitch)])]


def _bare_runs(onsets: Sequence[Onset]) -> list[int]:
    """For each chord the number of its run: chords of one size in a row, nothing else sounding."""
    runs, run, size = [], 0, 0
    for onset in onsets:
        run += len(onset.pitches) != size or bool(onset.sounding)
        size = len(onset.pitches)
        if size > 1:
            runs.append(run)
    return runs


def _rising(onset: Onset) -> list[int]:
    """The places of an onset's notes, lowest first."""
    return sorted(range(len(onset.pitches)), key=lambda n: onset.pitches[n])


def _within(before: Onset, onset: Onset) -> bool:
    """Whether a chord is so lately before another that the hand still has its shape."""
    lately = onset.time_sec - before.time_sec <= _SAME_CHORD_SEC
    return lately and before.notes[0] > onset.notes[-1] - MEMORY
