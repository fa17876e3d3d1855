"""The process that a task runs in: its limits, what comes through the pipe and what goes back."""

from __future__ import annotations

import contextlib
import errno
import os
import signal
import threading
import traceback
from multiprocessing.connection import Connection
from pathlib import Path
from queue import SimpleQueue
from typing import Any

from transcribe.core.errors import HandspanError, why_not_written
from transcribe.core.memory import limit_memory
from transcribe.page.worker.tasks import TASKS

__all__ = ["error_text", "run"]


def run(pipe: Connection, memory_bytes: int) -> None:
    """Do the tasks that come through ``pipe`` until the server is gone, one after another.

    A task comes as its name, its scratch folder and its arguments. What goes back is progress, then
    an error or the result.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    tasks: SimpleQueue[tuple[str, str, dict[str, Any]]] = SimpleQueue()
    threading.Thread(target=_receive, args=(pipe, tasks), daemon=True).start()
    # After: a thread that dies for want of memory is waited for without end.
    limit_memory(memory_bytes, for_good=True)
    while True:
        _do(pipe, *tasks.get())


def _receive(pipe: Connection, tasks: SimpleQueue[tuple[str, str, dict[str, Any]]]) -> None:
    """Queue what the server asks for; when reading ends, it is gone, and so is this process."""
    with contextlib.suppress(EOFError, OSError):
        while True:
            tasks.put(pipe.recv())
    os._exit(1)


def _do(pipe: Connection, task: str, scratch: str, arguments: dict[str, Any]) -> None:
    def progress(stage: str, share: float) -> None:
        pipe.send(("progress", stage, float(share)))

    try:
        result = TASKS[task](scratch=Path(scratch), progress=progress, **arguments)
    except Exception as error:
        message = error_text(error)
        path, shown = str(arguments.get("path", "")), str(arguments.get("shown", "the file"))
        if path:
            message = message.replace(path, shown).replace(Path(path).name, shown)
        remark = error.remark if isinstance(error, HandspanError) else None
        pipe.send(("error", message.replace("the samples:", f"{shown}:"), remark))
    else:
        pipe.send(("result", result))


def error_text(error: Exception) -> str:
    """The sentence of an error for the page.

    Of a fault of ours the terminal gets the rest.
    """
    if isinstance(error, HandspanError):
        return " ".join(str(error).split())
    if isinstance(error, MemoryError) or getattr(error, "errno", None) == errno.ENOMEM:
        return "There is not enough memory for this take; try a shorter one."
    if isinstance(error, OSError) and error.strerror:
        return f"The folder cannot be written: {why_not_written(error)}."
    traceback.print_exception(error)
    return "Something went wrong inside; the terminal tells more."
