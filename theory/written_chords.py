"""Chord names that a player wrote over the notes: they outrank what the notes suggest.

Conventions: times in seconds; a written chord holds until the next one.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from theory.arrays import Notes
from theory.chord_spans import ChordSpan
from theory.chord_symbols import chord_tones, known_symbol, parse_chord
from theory.errors import TheoryError
from theory.modes import Mode
from theory.roman_numerals import borrowed_from, roman_numeral

__all__ = ["with_written_chords"]

_MIN_FIT = 0.5  # of what sounds that a written chord must explain to go unquestioned; by hand


def with_written_chords(
    found: Sequence[ChordSpan],
    written: Iterable[tuple[float, str]],
    *,
    notes: Notes,
    beats_sec: Sequence[float] = (),
    mode: Mode | None = None,
) -> tuple[ChordSpan, ...]:
    """The chords of a riff with those that are written in place of those that were found.

    Parameters
    ----------
    found : sequence of ChordSpan
        What the notes suggest, in order of time. Before the first written chord it stays.
    written : iterable of (float, str)
        Second and symbol. A symbol that names no chord (``N.C.``, a bar's remark) ends the one
        before it and is no chord itself; one of an unknown kind counts as the plainer chord that
        it begins with (``C7alt`` as C7).
    notes : Notes
        What sounds: a written chord that explains less than half of it has in ``sounds`` the
        chord that was found there.
    beats_sec : sequence of float, rising
        Gives ``start_beat`` and ``end_beat``.
    mode : Mode, optional
        Gives numerals.

    Returns
    -------
    tuple of ChordSpan

    Examples
    --------
    >>> from theory.arrays import as_notes
    >>> notes = as_notes([0.0, 0.0, 2.0], [2.0, 2.0, 2.0], [57, 60, 55], None)
    >>> spans = with_written_chords((), [(0.0, "Am7"), (2.0, "G")], notes=notes)
    >>> [(span.symbol, span.start_sec, span.end_sec, span.written) for span in spans]
    [('Am7', 0.0, 2.0, True), ('G', 2.0, 4.0, True)]
    """
    rows = sorted(written)
    if not rows or len(notes) == 0:
        return tuple(found)
    start = rows[0][0]
    out = [replace(span, end_sec=min(span.end_sec, start)) for span in found]
    out = [span for span in out if span.end_sec > span.start_sec]
    ends = [sec for sec, _ in rows[1:]] + [float(notes.end.max())]
    for (sec, symbol), end in zip(rows, ends, strict=True):
        try:
            symbol = known_symbol(symbol)
        except TheoryError:
            continue
        chord = parse_chord(symbol)
        if end <= sec:
            continue
        if out and out[-1].written and out[-1].symbol == symbol and out[-1].end_sec == sec:
            sec = out.pop().start_sec
        other = _sounding(found, sec, end)
        doubt = _fit({pc for *_, pc in chord_tones(chord)}, notes, sec, end) < _MIN_FIT
        out.append(
            ChordSpan(
                start_sec=sec,
                end_sec=end,
                symbol=symbol,
                roman=roman_numeral(chord, mode) if mode else "",
                root=chord.root,
                kind=chord.kind,
                bass=chord.bass,
                confidence=1.0,
                borrowed=borrowed_from(chord, mode) if mode else None,
                start_beat=max(0, bisect_right(beats_sec, sec + 1e-6) - 1),
                end_beat=bisect_left(beats_sec, end - 1e-6),
                written=True,
                sounds=other.symbol if doubt and other and other.root != chord.root else None,
            )
        )
    return tuple(out)


def _fit(tones: set[int], notes: Notes, start: float, end: float) -> float:
    """Share of the sound between two times that lies on ``tones``, by length; 1 where none is."""
    length = np.clip(np.minimum(notes.end, end) - np.maximum(notes.onset, start), 0.0, None)
    inside = np.isin(notes.pitch.astype(int) % 12, sorted(tones))
    total = float(length.sum())
    return float(length[inside].sum()) / total if total > 0 else 1.0


def _sounding(found: Sequence[ChordSpan], start: float, end: float) -> ChordSpan | None:
    """The chord that was found for most of the time from ``start`` to ``end``."""
    shared = [(min(s.end_sec, end) - max(s.start_sec, start), s) for s in found]
    longest = max(shared, key=lambda row: row[0], default=None)
    return longest[1] if longest and longest[0] > 0 else None
