"""Work in another thread ends, whether that thread begins, cannot be had, or dies at once."""

from __future__ import annotations

import _thread
import threading
import time
from typing import Any

import pytest

from transcribe.core.meanwhile import Meanwhile, in_order


def _none_to_be_had(*given: Any) -> int:
    raise RuntimeError("can't start new thread")


def _dies_at_once(*given: Any) -> int:
    return 0


@pytest.fixture(params=[None, _none_to_be_had, _dies_at_once])
def starting(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    if request.param is not None:
        monkeypatch.setattr(_thread, "start_new_thread", request.param)


@pytest.mark.usefixtures("starting")
def test_the_work_is_done_once() -> None:
    done: list[int] = []
    piece = Meanwhile(lambda: done.append(1))
    piece.result()
    piece.leave()
    assert done == [1]


@pytest.mark.usefixtures("starting")
def test_its_error_is_raised_where_the_result_is_asked_for() -> None:
    def fails() -> None:
        raise MemoryError("the picture")

    with pytest.raises(MemoryError, match="the picture"):
        Meanwhile(fails).result()


@pytest.mark.usefixtures("starting")
@pytest.mark.parametrize("at_once", [1, 2, 3])
def test_results_come_in_order(at_once: int) -> None:
    def square(n: int) -> int:
        time.sleep(0.01 * (n % 2))
        return n * n

    assert list(in_order(square, range(7), at_once=at_once)) == [n * n for n in range(7)]


def test_no_more_are_worked_on_than_allowed_and_none_once_it_is_left() -> None:
    now: list[int] = []
    most: list[int] = []
    lock = threading.Lock()

    def work(n: int) -> int:
        with lock:
            now.append(n)
            most.append(len(now))
        time.sleep(0.02)
        with lock:
            now.remove(n)
        return n

    pieces = in_order(work, range(8), at_once=2)
    assert [next(pieces) for _ in range(4)] == [0, 1, 2, 3]
    pieces.close()  # type: ignore[attr-defined]
    assert now == []
    assert max(most) == 2


def test_work_goes_on_while_others_do_theirs() -> None:
    begun, go = threading.Event(), threading.Event()

    def work() -> str:
        begun.set()
        go.wait(30)
        return "drawn"

    piece = Meanwhile(work)
    assert begun.wait(30)
    go.set()
    assert piece.result() == "drawn"
