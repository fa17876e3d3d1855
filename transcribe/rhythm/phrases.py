"""What repeats: phrases found on notes and rhythm, also varied ones, with where they differ.

Conventions: times in beats of the score. A label is a letter; a varied repeat carries primes
(``A'``, another variation ``A''``).

The riff is cut into stretches of equal length in whole bars, and that cut is taken that describes
the riff in the fewest words: a new stretch costs its notes, a repeat only where it differs
(the principle of minimum description length, Rissanen 1978, Automatica 14). A missed or an added
note is therefore a small difference and not another phrase.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from transcribe.core.grips import find_grips
from transcribe.core.riff import Note, Phrase, PhraseDifference

__all__ = ["find_phrases"]

_PER_BEAT = 24
# likeness from which a repeat counts as unvaried; tracking errors leave about 0.9
_SAME_LIKENESS = 0.84
_VARIED_LIKENESS = 0.5  # likeness from which it is the same phrase, varied
# notes that change their pitch, from which a repeat is a varied one all the same
_CHANGED_NOTES = 2
_RHYTHM_ONLY_SHARE = 0.3  # what a note counts that keeps its place and changes its pitch
_NEW_COST = 2.0  # costs, in notes
_REPEAT_COST = 0.5
_VARIATION_COST = 1.0
_SHIFT_COST = 1.5  # for each bar before the first whole phrase
_ODD_LENGTH_COST = 6.0  # for a length that is not whole bars
_BARS_A_PHRASE = (1, 2, 3, 4, 6, 8)
_MAX_STRETCHES = 2000  # a cut into more is not tried
_MAX_HOLDERS = 100  # latest earlier phrases that are asked about each note
_MAX_COMPARED = 8  # earlier phrases that a stretch is compared with in full

_DIFFERENCE_COST = 1.3  # notes, for each note of a repeat that differs
_LAG_SHARE, _NEAR_BEST, _LAG_NOTES = 0.75, 0.95, 6  # of the notes that come again after a lag


_Placed = tuple[int, int, Note]
"""Tick and pitch of what sounds there, and the note that it is."""


@dataclass
class _Stretch:
    start: int  # ticks
    end: int
    notes: dict[tuple[int, int], Note]
    ticks: frozenset[int] = frozenset()

    @property
    def size(self) -> int:
        return len(self.notes)


@dataclass
class _Cut:
    """A way of cutting the riff: for each stretch the phrase and variation that it is."""

    cost: float
    stretches: list[_Stretch] = field(default_factory=list)
    model: list[int] = field(default_factory=list)
    variant: list[int] = field(default_factory=list)
    repeats: int = 0


def _stretches(placed: Sequence[_Placed], length: int, start: int, end: int) -> list[_Stretch]:
    """Notes cut at ``start + k * length``, with whole bars before it as a stretch of their own.

    A pickup is in no stretch.
    """
    bounds = [*range(start, end, length), end]
    if start > 0:
        bounds.insert(0, 0)
    at = np.array([t for t, *_ in placed])
    out = []
    for a, b in itertools.pairwise(bounds):
        i, j = np.searchsorted(at, [a, b])
        inside = {(t - a, pitch): n for t, pitch, n in placed[i:j]}
        out.append(_Stretch(a, b, inside, frozenset(k[0] for k in inside)))
    return out


def _likeness(a: _Stretch, b: _Stretch) -> float:
    """1 where every note is matched in place and pitch, 0 where nothing is."""
    if not a.size or not b.size:
        return 0.0
    shared = a.notes.keys() & b.notes.keys()
    matched = {tick for tick, _ in shared}
    rhythm = len((a.ticks & b.ticks) - matched)
    return 2 * (len(shared) + _RHYTHM_ONLY_SHARE * rhythm) / (a.size + b.size)


def _changed(a: _Stretch, b: _Stretch) -> int:
    """Places where each has a note that the other has not, at another pitch class.

    Players vary a phrase so; tracking mostly misses a note, adds one or slips by an octave.
    """
    only_a = a.notes.keys() - b.notes.keys()
    classes: dict[int, set[int]] = {}
    for tick, pitch in b.notes.keys() - a.notes.keys():
        classes.setdefault(tick, set()).add(pitch % 12)
    return sum(tick in classes and pitch % 12 not in classes[tick] for tick, pitch in only_a)


def _cut(stretches: list[_Stretch], best_cost: float) -> _Cut:
    """Name each stretch after the earlier one that it repeats, or as new."""
    cut = _Cut(0.0, stretches)
    models: list[list[int]] = []  # stretches of each phrase, the first of each variation
    holders: dict[tuple[int, int], list[tuple[int, int]]] = {}  # who has a note: phrase, variation
    for i, stretch in enumerate(stretches):
        like, at, which = 0.0, -1, -1
        # Only those that share notes can be alike; the best few of them are compared in full.
        shared = Counter(h for key in stretch.notes for h in holders.get(key, ())[-_MAX_HOLDERS:])
        for (m, v), _ in shared.most_common(_MAX_COMPARED):
            other = stretches[models[m][v]]
            if stretch.end - stretch.start != other.end - other.start:
                continue
            found = _likeness(stretch, other)
            if found > like:
                like, at, which = found, m, v
        fresh = (
            like < _SAME_LIKENESS
            or _changed(stretch, stretches[models[at][which]]) >= _CHANGED_NOTES
        )
        if like >= _VARIED_LIKENESS:
            cut.cost += _REPEAT_COST + _DIFFERENCE_COST * (1 - like) * stretch.size
            cut.repeats += 1
            if fresh:
                cut.cost += _VARIATION_COST
                models[at].append(i)
                which = len(models[at]) - 1
            cut.model.append(at)
            cut.variant.append(which)
        else:
            cut.cost += _NEW_COST + stretch.size
            models.append([i])
            cut.model.append(len(models) - 1)
            cut.variant.append(0)
        if fresh:
            for key in stretch.notes:
                holders.setdefault(key, []).append((cut.model[-1], cut.variant[-1]))
        if cut.cost > best_cost:
            break
    return cut


def _lag(placed: Sequence[_Placed]) -> int | None:
    """Ticks (whole beats) after which most notes come again, if clearly most do."""
    at = np.array([t for t, *_ in placed[:600]])
    pitch = np.array([p for _, p, _ in placed[:600]])
    span = int(at[-1] - at[0])
    if span < 4 * _PER_BEAT:
        return None
    hits = np.zeros(span // 2 + 1)
    for k in range(1, len(at)):
        gap = at[k:] - at[:-k]
        good = (gap <= span // 2) & (pitch[k:] == pitch[:-k])
        np.add.at(hits, gap[good], 1)
    lags = np.arange(2 * _PER_BEAT, span // 2 + 1, _PER_BEAT)
    if not len(lags):
        return None
    room = np.array([np.count_nonzero(at <= at[-1] - lag) for lag in lags])
    share = hits[lags] / np.maximum(room, 1)
    best = int(np.argmax(share >= _NEAR_BEST * share.max()))
    return int(lags[best]) if share[best] > _LAG_SHARE and room[best] >= _LAG_NOTES else None


def _placed(notes: Sequence[Note]) -> list[_Placed]:
    """Tick, pitch and note in order; of a strum in a take the pitches of its grip, heard or not.

    The lowest note of a strum stands for a pitch of it that was not heard.
    """
    at: dict[int, dict[int, Note]] = {}
    for note in notes:
        if note.onset_beat is not None:
            at.setdefault(round(note.onset_beat * _PER_BEAT), {})[note.pitch_midi] = note
    ticks = sorted(at)
    strums = [frozenset(at[tick]) for tick in ticks]
    heard_them = any(note.confidence < 1 for note in notes)
    grips = find_grips(strums) if heard_them else (None,) * len(strums)
    out = []
    for tick, grip in zip(ticks, grips, strict=True):
        heard = at[tick]
        lowest = heard[min(heard)]
        out += [(tick, pitch, heard.get(pitch, lowest)) for pitch in sorted(grip or heard)]
    return out


def find_phrases(notes: Sequence[Note], *, meter: tuple[int, int]) -> tuple[Phrase, ...]:
    """The phrases of ``notes``, which carry their score times, in order and without gaps from
    beat 0; a pickup is in no phrase.

    Each phrase that repeats an earlier one says where that begins and in what it differs.
    A riff without repeats is one phrase.
    """
    placed = _placed(notes)
    if not placed:
        return ()
    bar = meter[0] * _PER_BEAT
    last = placed[-1][0]
    end = (max(last, 0) // bar + 1) * bar
    lengths = [(k * bar, k, 0.0) for k in _BARS_A_PHRASE]
    lag = _lag(placed)
    if lag is not None and lag % bar:
        lengths.append((lag, 1, _ODD_LENGTH_COST))
    best: _Cut | None = None
    for length, bars, penalty in lengths:
        if length > end and bars > 1:
            continue
        for shift in range(bars):
            start = shift * bar
            if start >= end or (end - start) // length > _MAX_STRETCHES:
                continue
            limit = math.inf if best is None else best.cost
            cut = _cut(_stretches(placed, length, start, end), limit - penalty)
            cut.cost += penalty + _SHIFT_COST * shift
            if best is None or cut.cost < best.cost:
                best = cut
    if best is None or best.repeats == 0:
        return (Phrase("A", 0.0, end / _PER_BEAT),)
    return _named(best)


def _letter(index: int) -> str:
    """A to Z, then AA, AB, ..."""
    out = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        out = chr(65 + rest) + out
    return out


def _named(cut: _Cut) -> tuple[Phrase, ...]:
    names: dict[int, str] = {}
    first: dict[int, _Stretch] = {}
    out: list[Phrase] = []
    for stretch, model, variant in zip(cut.stretches, cut.model, cut.variant, strict=True):
        repeats_beat: float | None = None
        differences: tuple[PhraseDifference, ...] = ()
        if model in first:
            repeats_beat = first[model].start / _PER_BEAT
            differences = _differences(stretch, first[model])
        elif not stretch.size and len(out):
            # A silent stretch belongs to the phrase before it.
            out[-1] = replace(out[-1], end_beat=stretch.end / _PER_BEAT)
            continue
        else:
            first[model] = stretch
            names[model] = _letter(len(names))
        label = names[model] + "'" * variant
        start, end = stretch.start / _PER_BEAT, stretch.end / _PER_BEAT
        out.append(Phrase(label, start, end, repeats_beat, differences))
    return tuple(out)


def _differences(here: _Stretch, there: _Stretch) -> tuple[PhraseDifference, ...]:
    """Where ``here`` is not ``there``, in order of beats."""
    added = sorted(here.notes.keys() - there.notes.keys())
    gone = sorted(there.notes.keys() - here.notes.keys())
    out: list[PhraseDifference] = []
    for tick, pitch in added:
        same = [k for k in gone if k[0] == tick]
        other = min(same, key=lambda k: abs(k[1] - pitch)) if same else None
        if other is not None:
            gone.remove(other)
        out.append(
            PhraseDifference(
                tick / _PER_BEAT,
                "added" if other is None else "changed",
                here.notes[tick, pitch].id,
                None if other is None else there.notes[other].id,
            )
        )
    for key in gone:
        out.append(PhraseDifference(key[0] / _PER_BEAT, "left out", None, there.notes[key].id))
    return tuple(sorted(out, key=lambda d: d.beat))
