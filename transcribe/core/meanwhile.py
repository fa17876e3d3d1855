"""Work that another thread does meanwhile, where there is memory to start one.

`threading.Thread.start` waits without end for a thread that dies for want of memory before its
first line, as may happen in a process whose memory is limited. Here nobody waits for a thread that
has not begun: whoever asks for the result first does the work.
"""

from __future__ import annotations

import _thread
import contextlib
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from typing import Generic, TypeVar

__all__ = ["Meanwhile", "in_order"]

Item = TypeVar("Item")
Result = TypeVar("Result")


class Meanwhile(Generic[Result]):
    """``work()``, begun in another thread if one can be had.

    Examples
    --------
    >>> squares = Meanwhile(lambda: [n * n for n in range(4)])
    >>> squares.result()
    [0, 1, 4, 9]
    """

    def __init__(self, work: Callable[[], Result]) -> None:
        self._work = work
        self._begun = _thread.allocate_lock()
        self._working = _thread.allocate_lock()
        self._working.acquire()
        self._results: list[Result] = []
        self._error: BaseException | None = None
        with contextlib.suppress(RuntimeError, MemoryError):  # no thread can be had
            _thread.start_new_thread(self._do, ())

    def _do(self) -> None:
        if not self._begun.acquire(blocking=False):
            return
        try:
            self._results.append(self._work())
        except BaseException as error:
            self._error = error
        finally:
            self._working.release()

    def result(self) -> Result:
        """What ``work`` gives; its error is raised here."""
        self._do()
        with self._working:
            pass
        if self._error is not None:
            raise self._error
        return self._results[0]

    def leave(self) -> None:
        """Wait until no thread is at the work any more; it is not begun if it was not."""
        if not self._begun.acquire(blocking=False):
            with self._working:
                pass


def in_order(
    work: Callable[[Item], Result], given: Iterable[Item], *, at_once: int
) -> Iterator[Result]:
    """``work`` of each of ``given``, at most ``at_once`` of them at one time.

    Examples
    --------
    >>> list(in_order(lambda n: n * n, range(5), at_once=2))
    [0, 1, 4, 9, 16]
    """
    if at_once == 1:
        yield from map(work, given)
        return
    begun: deque[Meanwhile[Result]] = deque()
    try:
        for item in given:
            begun.append(Meanwhile(lambda item=item: work(item)))  # type: ignore[misc]
            if len(begun) == at_once:
                yield begun.popleft().result()
        while begun:
            yield begun.popleft().result()
    finally:
        for piece in begun:
            piece.leave()
