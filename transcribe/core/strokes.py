"""Which notes are struck together: the strings of one stroke of the picking hand.

Conventions: times in seconds; notes in the order of `transcribe.core.riff.sort_notes`.
"""

from __future__ import annotations

import itertools
import statistics
from collections.abc import Sequence

from transcribe.core.riff import LEGATO, Note

__all__ = ["STROKE_SEC", "strokes"]

STROKE_SEC = 0.05
"""Onsets this close to the first of them are one stroke, whatever their order. The shortest value
that a hand plays note by note, a sixteenth at 160 quarters a minute, takes 94 ms."""

_SLOW_STROKE_SEC = 0.14
"""A stroke that crosses the strings one after the other may take so long. Six strings take 5 to
120 ms (common practice, no source), and a note tracker is off by up to 10 ms at either end."""

_NEXT_STRING_SEC = 0.056
"""The longest time from one string of such a stroke to the next that is heard; a string between
them may be missed. Arpeggios are slower: a sixteenth triplet at 160 takes 62 ms."""

_MISSED_SEC, _MISSED_TIMES = 0.02, 3.0
"""Where several strings are missed, it may be longer: so many times what the stroke has taken for
each semitone so far, and a little more. Notes that are struck at once take no other with them."""

_PACE_STROKES, _PACE_STRINGS = 4, 4
"""So many strokes of so many strings tell how fast the hand of a take crosses the strings."""

_PACE_SEC = 0.035
"""How far a string may be heard from where that pace puts it. A sixteenth at 160 is farther from
its neighbour on the next string."""


def strokes(notes: Sequence[Note]) -> tuple[tuple[int, ...], ...]:
    """The notes of each stroke.

    A pitch that comes twice begins a new stroke: a string is struck once in each. A slow stroke
    rises or falls in pitch from string to string, but for one note that is heard out of turn, and
    a note that is hammered on, pulled off or slid to is no string of it. Where several strings of a
    stroke are missed, the pace of the take's other strokes tells that the rest belong to it.

    Parameters
    ----------
    notes : sequence of Note, shape (n,)
        In order of time.

    Returns
    -------
    tuple of tuple of int
        Indices into ``notes``, each once, in order of time.

    Examples
    --------
    >>> strum = [Note(k, 0.024 * k, 1.0, pitch) for k, pitch in enumerate((40, 47, 52, 56))]
    >>> line = [Note(4, 0.5, 0.6, 64), Note(5, 0.6, 0.9, 66)]
    >>> strokes([*strum, *line])
    ((0, 1, 2, 3), (4,), (5,))
    """
    groups: list[list[int]] = []
    for k, note in enumerate(notes):
        if groups and _joins(note, [notes[i] for i in groups[-1]]):
            groups[-1].append(k)
        else:
            groups.append([k])
    pace = _pace([[notes[i] for i in group] for group in groups])
    whole: list[list[int]] = []
    for group in groups:
        if (
            pace
            and whole
            and _goes_on([notes[i] for i in whole[-1]], [notes[i] for i in group], pace)
        ):
            whole[-1] += group
        else:
            whole.append(group)
    return tuple(tuple(group) for group in whole)


def _pace(groups: Sequence[Sequence[Note]]) -> float:
    """Seconds a semitone that the strokes of a take take across the strings, 0 where few tell."""
    paces = []
    for group in groups:
        if len(group) >= _PACE_STRINGS:
            first, last = group[0], group[-1]
            crossed = abs(last.pitch_midi - first.pitch_midi)
            if crossed:
                paces.append((last.onset_sec - first.onset_sec) / crossed)
    return statistics.median(paces) if len(paces) >= _PACE_STROKES else 0.0


def _goes_on(stroke: Sequence[Note], rest: Sequence[Note], pace: float) -> bool:
    """Whether ``rest`` are the last strings of ``stroke``, of which those between were missed."""
    first = stroke[0]
    if rest[0].articulation in LEGATO or rest[-1].onset_sec - first.onset_sec > _SLOW_STROKE_SEC:
        return False
    pitches, others = ([note.pitch_midi for note in part] for part in (stroke, rest))
    if not (max(pitches) < min(others) or min(pitches) > max(others)):
        return False
    return all(
        abs(note.onset_sec - first.onset_sec - pace * abs(note.pitch_midi - first.pitch_midi))
        <= _PACE_SEC
        for note in rest
    )


def _joins(note: Note, stroke: Sequence[Note]) -> bool:
    pitches = [struck.pitch_midi for struck in stroke]
    since = note.onset_sec - stroke[0].onset_sec
    if note.pitch_midi in pitches or since > _SLOW_STROKE_SEC:
        return False
    if since <= STROKE_SEC:
        return True
    wait = note.onset_sec - stroke[-1].onset_sec
    if note.articulation in LEGATO or wait > max(_NEXT_STRING_SEC, _longest_wait(note, stroke)):
        return False
    above = sum(note.pitch_midi > pitch for pitch in pitches)
    turn = above - (len(pitches) - above)
    rises = sum(_sign(b - a) for a, b in itertools.pairwise(pitches))
    return abs(turn) >= max(1, len(pitches) - 2) and rises * turn >= 0


def _longest_wait(note: Note, stroke: Sequence[Note]) -> float:
    """Seconds to ``note`` at the pace of the stroke, 0 where it has none that leads there."""
    first, last = stroke[0], stroke[-1]
    crossed, step = last.pitch_midi - first.pitch_midi, note.pitch_midi - last.pitch_midi
    if crossed * step <= 0:
        return 0.0
    return _MISSED_TIMES * (last.onset_sec - first.onset_sec) * step / crossed + _MISSED_SEC


def _sign(step: int) -> int:
    return (step > 0) - (step < 0)
