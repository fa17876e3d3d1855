"""The shortest chord loop that explains a riff, and a plainer one to sing along with.

A row of chords is a loop only where it comes round: twice, or once and half of it again. One chord
that comes again proves nothing, for tunes end on the chord they begin with.

Conventions: chords are compared bar by bar (each bar as the chords of its beats), so the loop is
a whole number of bars; without downbeats one chord counts as one bar.
"""

from __future__ import annotations

import itertools
from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from theory.arrays import as_beats
from theory.chord_spans import ChordSpan
from theory.chord_symbols import KINDS, Chord, parse_chord
from theory.modes import Mode
from theory.roman_numerals import roman_numeral

__all__ = ["MAX_ROW", "Loop", "bars_of", "find_loop", "plain_symbol"]

_BAR_COST = 1.0  # describing one bar of the loop
_MISS_COST = 1.25  # describing one bar that departs from it
_BASS_COST = 0.45  # describing one bar that has the chord over another bass
_MAX_BASS_SHARE = 0.25  # share of the bars up to which that is chance: a string that is not reached
_MAX_MISSED_SHARE = 0.3  # share of the bars that may depart; common practice, no source
_MAX_WRONG_SHARE = 0.4  # and of the bars after the first round, which alone can depart; by hand
_MIN_AGAIN = 2  # bars of a loop, and half of it, that come again; by hand

MAX_ROW = 16
"""Chords that are played once and still told in one line; by hand."""

# Shares of a bar or of a chord, set by hand and checked with `tests.bench.theory`.
_MIN_LAST_BAR = 0.3  # of a bar that the last chord must reach into, for the bar to count
_MIN_FIRST_BAR = 0.7  # of a bar that the first chord must begin ahead of it
_MIN_OF_BAR, _MIN_OF_CHORD = 0.2, 0.6  # a chord is in a bar that it fills so far, or lies in so far


@dataclass(frozen=True, slots=True)
class Loop:
    """A chord loop, or a row of chords that is played ``once``.

    ``symbols`` and ``romans`` list its chords in order (one that lasts several bars stands once);
    ``by_bar`` holds the chords of each bar. ``times`` is how often it comes round (a part of a
    round counts; 1 where it does not come round), ``departures`` names the bars that differ
    (counted from 1) with what is played there. ``plain`` (``plain_romans``) is the loop in triads,
    at most four of them; ``fit`` the share of bars that the loop gets right. ``implied`` says that
    single notes only hint at the chords, ``by_chord`` that no bars are known: a bar is one chord
    then, wherever bars are counted.
    """

    symbols: tuple[str, ...]
    romans: tuple[str, ...]
    bars: int
    by_bar: tuple[tuple[str, ...], ...]
    times: float
    departures: tuple[tuple[int, tuple[str, ...]], ...]
    plain: tuple[str, ...]
    plain_romans: tuple[str, ...]
    fit: float
    implied: bool = False
    by_chord: bool = False

    @property
    def once(self) -> bool:
        """Whether the chords do not come round, so that they are no loop."""
        return self.times <= 1.0

    @property
    def is_long_row(self) -> bool:
        """Whether the chords do not come round and are too many to tell in one line."""
        return self.once and len(self.symbols) > MAX_ROW


def find_loop(
    chords: Iterable[ChordSpan],
    *,
    downbeats_sec: Iterable[float] | None = None,
    mode: Mode | None = None,
) -> Loop | None:
    """The shortest loop that explains the chords of a riff.

    Parameters
    ----------
    chords : iterable of ChordSpan
        In order of time, as `find_chords` gives them.
    downbeats_sec : iterable of float, rising, optional
        First beats of the bars; without two of them one chord counts as one bar.
    mode : Mode, optional
        Gives numerals.

    Returns
    -------
    Loop or None
        None where there are no chords; `Loop.once` where they do not come round.

    Raises
    ------
    TheoryError
        If ``downbeats_sec`` is malformed.

    Examples
    --------
    >>> from theory import ChordSpan
    >>> spans = [
    ...     ChordSpan(2.0 * i, 2.0 * i + 2, root, "", root, "", root, 1.0)
    ...     for i, root in enumerate("GCGC")
    ... ]
    >>> loop = find_loop(spans, downbeats_sec=[0, 2, 4, 6])
    >>> loop.symbols, loop.bars, loop.times
    (('G', 'C'), 2, 2.0)
    """
    spans = tuple(chords)
    if not spans:
        return None
    downbeats = as_beats(downbeats_sec, "downbeats_sec")
    bars = _last_bar_whole(bars_of(spans, downbeats))
    period = _period(bars)
    pattern = _pattern(bars, period)
    wrong = tuple(
        (i + 1, bar)
        for i, bar in enumerate(bars)
        if bar and _bare(bar) != _bare(pattern[i % period])
    )
    symbols = _one_round(_merge([symbol for bar in pattern for symbol in bar]))
    times = len(bars) / period
    sequence = _merge([span.symbol for span in spans])
    again = _one_round(sequence)
    if period == len(bars) and again != sequence:  # it comes round, but not at the bar lines
        symbols, times = again, len(sequence) / len(again)
        period = max(1, round(period / times))
        pattern, wrong = pattern[:period], ()
    plain = _without_power(_merge([plain_symbol(symbol) for symbol in symbols]))
    if times > 1.0:
        plain = _at_most_four(plain, spans)
    return Loop(
        symbols=symbols,
        romans=_romans(symbols, spans, mode),
        bars=period,
        by_bar=tuple(pattern),
        times=round(times, 2),
        departures=wrong,
        plain=plain,
        plain_romans=tuple(roman_numeral(s, mode) for s in plain) if mode else (),
        fit=1.0 - len(wrong) / len(bars),
        implied=all(span.implied for span in spans),
        by_chord=downbeats is None or downbeats.size < 2,
    )


def bars_of(
    spans: Sequence[ChordSpan], downbeats_sec: Iterable[float] | None
) -> list[tuple[str, ...]]:
    """Symbols of every bar in order of time; an empty bar repeats what sounded before.

    Without two downbeats, one chord counts as one bar.

    Raises
    ------
    TheoryError
        If ``downbeats_sec`` is malformed.
    """
    downbeats = as_beats(downbeats_sec, "downbeats_sec")
    if not spans:
        return []
    if downbeats is None or downbeats.size < 2:
        return [(span.symbol,) for span in spans]
    step = float(np.median(np.diff(downbeats)))
    edges = list(downbeats)
    while edges[-1] + _MIN_LAST_BAR * step < spans[-1].end_sec:
        edges.append(edges[-1] + step)
    while edges[0] - _MIN_FIRST_BAR * step > spans[0].start_sec:
        edges.insert(0, edges[0] - step)
    bars: list[tuple[str, ...]] = []
    starts = [s.start_sec for s in spans]
    ends = list(itertools.accumulate((s.end_sec for s in spans), max))
    for start, end in itertools.pairwise(edges):
        inside = [
            s.symbol
            for s in spans[bisect_right(ends, start) : bisect_left(starts, end)]
            if min(s.end_sec, end) - max(s.start_sec, start)
            > min(_MIN_OF_BAR * (end - start), _MIN_OF_CHORD * (s.end_sec - s.start_sec))
        ]
        if not inside:
            if not bars:
                continue
            if start >= spans[-1].end_sec - _MIN_LAST_BAR * step:
                break
            inside = [bars[-1][-1]]
        bars.append(tuple(_merge(inside)))
    return bars or [(span.symbol,) for span in spans]


def _merge(symbols: Sequence[str]) -> tuple[str, ...]:
    """The symbols without immediate repeats."""
    out: list[str] = []
    for symbol in symbols:
        if not out or out[-1] != symbol:
            out.append(symbol)
    return tuple(out)


def _last_bar_whole(bars: list[tuple[str, ...]]) -> list[tuple[str, ...]]:
    """The bars, with the last one filled up where the riff ends within the loop's bar."""
    *before, last = bars
    if not before:
        return bars
    period = _period(before)
    full = _pattern(before, period)[len(before) % period]
    cut = period < len(before) and full[: len(last)] == last
    return [*before, full] if cut else bars


def _one_round(symbols: tuple[str, ...]) -> tuple[str, ...]:
    """The chords of one round, where they come round twice at least; the last may be cut short."""
    for size in range(2, len(symbols) // 2 + 1):
        if all(symbol == symbols[i % size] for i, symbol in enumerate(symbols)):
            return symbols[:size]
    return symbols


def _bare(bar: tuple[str, ...]) -> tuple[str, ...]:
    """The chords of a bar whatever their bass: a strum may miss its lowest string."""
    return tuple(symbol.partition("/")[0] for symbol in bar)


def _pattern(bars: list[tuple[str, ...]], period: int) -> list[tuple[str, ...]]:
    """What the bars at each place of the loop agree on most often (the first on a tie): the chords
    first, then their bass."""
    pattern = []
    for place in range(period):
        here = bars[place::period]
        chords = Counter(map(_bare, here)).most_common(1)[0][0]
        pattern.append(Counter(b for b in here if _bare(b) == chords).most_common(1)[0][0])
    return pattern


def _period(bars: list[tuple[str, ...]]) -> int:
    """Period with the shortest description: the bars of the loop plus the bars that depart."""
    n = len(bars)
    whole, bare = _numbered(bars), _numbered([_bare(bar) for bar in bars])
    best = (float("inf"), n)
    for period in range(1, n + 1):
        if _BAR_COST * period >= best[0]:
            break  # no longer one can cost less
        misses = _departing(bare, period)
        basses = max(0, _departing(whole, period) - misses)
        if basses > _MAX_BASS_SHARE * n:
            misses, basses = misses + basses, 0
        again = n - period
        if again and misses > min(_MAX_MISSED_SHARE * n, _MAX_WRONG_SHARE * again):
            continue  # bars that mostly go another way are no loop
        if again and again - misses < min(period, max(_MIN_AGAIN, period / 2)):
            continue  # too little of it comes again
        cost = _BAR_COST * period + _MISS_COST * misses + _BASS_COST * basses
        best = min(best, (cost, period))
    return best[1]


def _numbered(bars: list[tuple[str, ...]]) -> np.ndarray:
    """A number for each bar, (n,), the same for bars that are alike."""
    names = {bar: k for k, bar in enumerate(dict.fromkeys(bars))}
    return np.array([names[bar] for bar in bars])


def _departing(code: np.ndarray, period: int) -> int:
    """How many bars are not what most bars at their place of the loop are."""
    n, kinds = len(code), int(code.max()) + 1
    counts = np.bincount(np.arange(n) % period * kinds + code, minlength=period * kinds)
    return n - int(counts.reshape(period, -1).max(axis=1).sum())


def plain_symbol(symbol: str) -> str:
    """The chord as its triad (or power chord): ``Am7/G`` becomes ``Am``, ``Dsus4`` ``D``."""
    chord = parse_chord(symbol)
    steps = KINDS[chord.kind].steps
    if chord.kind == "5":
        return f"{chord.root}5"
    if 3 in steps and 4 not in steps:
        kind = "dim" if 6 in steps and 7 not in steps else "m"
    else:
        kind = "aug" if 4 in steps and 8 in steps and 7 not in steps else ""
    return Chord(chord.root, kind, chord.root).symbol


def _without_power(symbols: tuple[str, ...]) -> tuple[str, ...]:
    """The triads, without a power chord on the root of one: a shuffle stays on one chord."""
    chords = [parse_chord(symbol) for symbol in symbols]
    triads = {chord.root: chord.symbol for chord in reversed(chords) if chord.kind != "5"}
    return _merge([triads.get(c.root, c.symbol) if c.kind == "5" else c.symbol for c in chords])


def _at_most_four(symbols: tuple[str, ...], spans: Sequence[ChordSpan]) -> tuple[str, ...]:
    """The loop with no more than four different chords: those that sound longest."""
    if len(set(symbols)) <= 4:
        return symbols
    time: dict[str, float] = {}
    for span in spans:
        name = plain_symbol(span.symbol)
        time[name] = time.get(name, 0.0) + span.end_sec - span.start_sec
    kept = set(sorted(time, key=lambda name: -time[name])[:4])
    return _merge([symbol for symbol in symbols if symbol in kept])


def _romans(
    symbols: tuple[str, ...], spans: Sequence[ChordSpan], mode: Mode | None
) -> tuple[str, ...]:
    known = {span.symbol: span.roman for span in spans}
    return tuple(known[s] or (roman_numeral(s, mode) if mode else "") for s in symbols)
