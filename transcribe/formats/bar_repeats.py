"""Repeats of bars, for every format alike: which bars are written once, and which are played when.

To write, a format says of each bar what it would write for it; bars of which that is equal are the
same. To read, it says where repeats and endings begin and how often they are played.
"""

from __future__ import annotations

from collections.abc import Collection, Hashable, Iterator, Sequence
from dataclasses import dataclass

__all__ = ["Repeat", "WrittenBar", "find_repeats", "playing_order"]

_MAX_TIMES = 9  # more passes than a player counts are written as another repeat


@dataclass(frozen=True, slots=True)
class Repeat:
    """``length`` bars from ``start`` on, an index from 0, that are played ``times`` times.

    Where ``ending`` is not 0, the two passes end differently: the last ``ending`` bars of each are
    its first and its second ending, and both are written.
    """

    start: int
    length: int
    times: int
    ending: int = 0

    @property
    def last(self) -> int:
        """Index of the last bar that is written before the passes begin again."""
        return self.start + self.length - 1

    @property
    def dropped(self) -> range:
        """Indices of the bars that are not written."""
        return range(self.last + 1, self.end - self.ending)

    @property
    def end(self) -> int:
        """Index after the last bar that is played."""
        return self.start + self.length * self.times

    @property
    def endings(self) -> tuple[range, ...]:
        """Indices of the bars of the first and of the second ending; none where there are none."""
        if not self.ending:
            return ()
        first = range(self.last + 1 - self.ending, self.last + 1)
        return first, range(self.dropped.stop, self.end)

    def as_written(self, dropped: int) -> int:
        """Index of the bar that is written for one that is dropped."""
        return self.start + (dropped - self.start) % self.length


def find_repeats(bars: Sequence[Hashable], *, joined: Collection[int] = ()) -> list[Repeat]:
    """Repeats of bars that follow each other at once, in order and apart from each other.

    From each bar on, the repeat is taken that saves the most bars, and of those the shortest.

    Parameters
    ----------
    bars : sequence
        What is written in each bar; equal things are the same bar.
    joined : collection of int
        Indices of bars into which something leads from the bar before, such as a tie: no pass
        begins or ends at one.
    """
    repeats: list[Repeat] = []
    at = 0
    while at < len(bars):
        best: Repeat | None = None
        for length in range(1, (len(bars) - at) // 2 + 1):
            times = _times(bars, at, length, joined)
            ending = _ending(bars, at, length, joined) if times == 1 else 0
            if times > 1 or ending:
                found = Repeat(at, length, max(times, 2), ending)
                if best is None or len(found.dropped) > len(best.dropped):
                    best = found
        if best is not None:
            repeats.append(best)
        at = best.end if best is not None else at + 1
    return repeats


def _ending(bars: Sequence[Hashable], at: int, length: int, joined: Collection[int]) -> int:
    """Bars of the endings of two passes of which more than half of the bars are the same, or 0."""
    common = 0
    while common < length and bars[at + common] == bars[at + length + common]:
        common += 1
    edges = (at, at + length, at + common, at + length + common)
    if 2 * common <= length or common == length or any(edge in joined for edge in edges):
        return 0
    return length - common


def _times(bars: Sequence[Hashable], at: int, length: int, joined: Collection[int]) -> int:
    """How often the bars from ``at`` on are played one pass after the other."""
    if at in joined or at + length in joined:
        return 1
    times = 1
    while times < _MAX_TIMES:
        start = at + times * length
        if start + length > len(bars) or start + length in joined:
            break
        if any(bars[at + i] != bars[start + i] for i in range(length)):
            break
        times += 1
    return times


@dataclass(frozen=True, slots=True)
class WrittenBar:
    """The signs of a bar: a repeat begins here, the passes on which it is played, its repeat's end.

    ``endings`` is empty where the bar is played on all passes; ``times`` says how often what is
    closed here is played, 0 where nothing is closed.
    """

    opens: bool
    endings: tuple[int, ...]
    times: int


def playing_order(bars: Sequence[WrittenBar]) -> Iterator[int]:
    """Index of each bar in the order in which they are played, repeats and endings followed.

    Examples
    --------
    >>> first, second = WrittenBar(False, (1,), 2), WrittenBar(False, (2,), 0)
    >>> list(playing_order([WrittenBar(True, (), 0), first, second]))
    [0, 1, 0, 2]
    """
    at, start, turn = 0, 0, 1
    while at < len(bars):
        bar = bars[at]
        if bar.opens and at != start:
            start, turn = at, 1
        if bar.endings and turn not in bar.endings:
            at += 1
            continue
        yield at
        if turn < bar.times:
            at, turn = start, turn + 1
            continue
        last_ending = bar.endings and not (at + 1 < len(bars) and bars[at + 1].endings)
        if bar.times or last_ending:
            start, turn = at + 1, 1
        at += 1
