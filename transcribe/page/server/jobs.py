"""Work that takes its time: in processes with a limit on memory and time, progress and cancel.

A job, such as reading a take, has a process of its own, and the page asks how it gets on. What is
short, such as a change of a note, is asked for and waited for; a few processes stand ready for it.

A worker only reads what it is given and writes into its own scratch folder; the server puts the
results in place once the worker has ended well. A job that fails or is cancelled leaves nothing.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import secrets
import shutil
import signal
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from transcribe.core.errors import HandspanError
from transcribe.core.riff import Remark
from transcribe.page.worker.process import error_text
from transcribe.page.worker.process import run as do_tasks

__all__ = ["BusyError", "Job", "Jobs", "WorkError"]

_KEPT = 64  # finished jobs whose outcome can still be asked for
_MAX_WAITING_JOBS = 8
_MAX_ASKED_TASKS = 2  # tasks that are waited for, at one time


class BusyError(HandspanError):
    """Too many jobs wait already."""


class WorkError(HandspanError):
    """A task that was asked for has failed; the message says why."""


@dataclass(slots=True)
class Job:
    """One piece of work. ``state`` is waiting, running, done, failed or cancelled."""

    id: str
    task: str
    label: str
    scratch: Path
    arguments: Mapping[str, Any]
    finish: Callable[[Any, Path], Any]
    state: str = "waiting"
    stage: str = "waiting"
    share: float = 0.0
    result: Any = None
    error: str = ""
    remark: Remark | None = None  # what the error says, as facts
    process: Any = None
    limit_sec: float = 1800.0
    drop: Path | None = None  # thrown away at the end, whatever the end
    about: str = ""  # the riff that it belongs to, if there is one yet
    ended: threading.Event = field(default_factory=threading.Event)

    def as_json(self) -> dict[str, Any]:
        """What the page gets to know of the job; its end only once everything is put in order."""
        ended = self.ended.is_set()
        return {
            "id": self.id,
            "task": self.task,
            "label": self.label,
            "about": self.about,
            "state": self.state if ended or self.state in ("waiting", "cancelled") else "running",
            "stage": self.stage,
            "share": round(self.share, 3),
            "result": self.result,
            "error": self.error,
        }


class _Worker:
    """A process that does tasks, and our end of the pipe to it."""

    def __init__(self, context: Any, memory_bytes: int) -> None:
        self.pipe, theirs = context.Pipe()
        self.process = context.Process(target=do_tasks, args=(theirs, memory_bytes), daemon=True)
        self.process.start()
        theirs.close()

    def stop(self) -> None:
        _stop(self.process)
        self.process.join(10)
        self.pipe.close()


class Jobs:
    """Starts jobs, a few at a time, and remembers how they ended."""

    def __init__(
        self,
        *,
        scratch: Callable[[], Path],
        workers: int = 2,
        memory_bytes: int,
        limit_sec: float = 1800.0,
        ask_sec: float = 90.0,
        shown: Callable[[str], str] = str,
    ) -> None:
        self._scratch = scratch
        self._shown = shown
        self._memory_bytes = memory_bytes
        self._limit_sec = limit_sec
        self._ask_sec = ask_sec
        self._slots = threading.Semaphore(workers)
        self._asks = threading.Semaphore(_MAX_ASKED_TASKS)
        self._jobs: dict[str, Job] = {}
        self._asked: list[Job] = []
        self._idle: list[_Worker] = []
        self._lock = threading.Lock()
        self._closed = False
        methods = multiprocessing.get_all_start_methods()
        self._context: Any = multiprocessing.get_context(
            "forkserver" if "forkserver" in methods else "spawn"
        )
        if "forkserver" in methods:
            # Workers are forked from a process that has the heavy imports behind it.
            self._context.set_forkserver_preload(["transcribe.page.worker.preload"])

    def warm(self) -> None:
        """Start a worker, so that the first task finds the way prepared."""
        threading.Thread(target=lambda: self._rest(self._begun()), daemon=True).start()

    def start(
        self,
        task: str,
        arguments: Mapping[str, Any],
        *,
        label: str,
        finish: Callable[[Any, Path], Any] | None = None,
        drop: Path | None = None,
        about: str = "",
    ) -> Job:
        """Queue a job: ``tasks.TASKS[task](scratch=..., progress=..., **arguments)``.

        ``finish`` is given the result and the scratch folder, in the server, once the worker is
        done; what it returns is the job's result. ``drop`` is a file that is thrown away at the
        end if it is still there.

        Raises
        ------
        BusyError
            If too many jobs wait already.
        """
        with self._lock:
            waiting = sum(job.state in ("waiting", "running") for job in self._jobs.values())
            if self._closed or waiting >= _MAX_WAITING_JOBS:
                raise BusyError("Too many takes are waiting; let some finish first.")
            job_id = secrets.token_hex(8)
            scratch = self._scratch() / job_id
            job = Job(job_id, task, label, scratch, arguments, finish or _as_it_is)
            job.limit_sec, job.drop, job.about = self._limit_sec, drop, about
            self._jobs[job_id] = job
            for old in [j for j in self._jobs.values() if j.ended.is_set()][:-_KEPT]:
                del self._jobs[old.id]
        threading.Thread(target=self._run, args=(job,), daemon=True).start()
        return job

    def ask(self, task: str, arguments: Mapping[str, Any]) -> Any:
        """Do a task in a worker at once and wait for its result, ``ask_sec`` seconds at most.

        Takes that are being read do not stand in its way.

        Raises
        ------
        BusyError
            If others are being waited for all that time.
        WorkError
            If the task fails, or takes too long.
        """
        if self._closed or not self._asks.acquire(timeout=self._ask_sec):
            raise BusyError("Other changes are still being worked out; try again in a moment.")
        job = Job("", task, "", Path(), arguments, _as_it_is, limit_sec=self._ask_sec)
        with self._lock:
            self._asked.append(job)
            worker = self._idle.pop() if self._idle else None
        try:
            if worker is None or not worker.process.is_alive():
                worker = self._begun()
            if self._work(job, worker):
                self._rest(worker)
            else:
                worker.stop()
        finally:
            with self._lock:
                self._asked.remove(job)
            self._asks.release()
        if job.state != "done":
            message = job.error or "The page is being closed; nothing is changed."
            raise WorkError(message, remark=job.remark)
        return job.result

    def get(self, job_id: str) -> Job | None:
        """The job with ``job_id``, while it is remembered."""
        with self._lock:
            return self._jobs.get(job_id)

    def live(self) -> list[Job]:
        """The jobs that wait or run, in the order in which they were started."""
        with self._lock:
            return [job for job in self._jobs.values() if not job.ended.is_set()]

    def cancel(self, job: Job) -> None:
        """Stop a job; its process ends at once."""
        with self._lock:
            if job.state in ("waiting", "running"):
                job.state = "cancelled"
        _stop(job.process)

    def close(self) -> None:
        """Cancel everything and take no more."""
        with self._lock:
            self._closed = True
            jobs = [*self._jobs.values(), *self._asked]
            idle = list(self._idle)
        for worker in idle:
            worker.stop()
        for job in jobs:
            self.cancel(job)

    def _run(self, job: Job) -> None:
        try:
            with self._slots:
                if job.state == "waiting":
                    job.scratch.mkdir()
                    worker = self._begun()
                    try:
                        self._work(job, worker)
                    finally:
                        worker.stop()
        except Exception as error:
            self._fail(job, error_text(error))
        finally:
            shutil.rmtree(job.scratch, ignore_errors=True)
            if job.drop is not None:
                with contextlib.suppress(OSError):
                    job.drop.unlink(missing_ok=True)
            job.ended.set()

    def _begun(self) -> _Worker:
        return _Worker(self._context, self._memory_bytes)

    def _rest(self, worker: _Worker) -> None:
        """Let a worker stand ready for what is asked for next."""
        with self._lock:
            if not self._closed:
                self._idle.append(worker)
                return
        worker.stop()

    def _work(self, job: Job, worker: _Worker) -> bool:
        """Have a job done; whether the worker is ready for another one."""
        with self._lock:
            if job.state != "waiting":
                return True
            job.state, job.process = "running", worker.process
        try:
            worker.pipe.send((job.task, str(job.scratch), dict(job.arguments)))
        except OSError:
            self._fail(job, _died(worker.process.exitcode))
            return False
        return self._listen(job, worker.pipe, worker.process)

    def _listen(self, job: Job, pipe: Connection, process: Any) -> bool:
        deadline = time.monotonic() + job.limit_sec
        while job.state == "running":
            if not pipe.poll(0.1):
                if time.monotonic() > deadline:
                    self._fail(job, _too_long(job.limit_sec))
                if job.state == "running" and not process.is_alive() and not pipe.poll():
                    self._fail(job, _died(process.exitcode))
                continue
            try:
                kind, *rest = pipe.recv()
            except (EOFError, ConnectionError):
                process.join(5)
                self._fail(job, _died(process.exitcode))
                return False
            if kind == "progress":
                job.stage, job.share = rest
            elif kind == "error":
                self._fail(job, *rest)
                return True
            elif kind == "result":
                with self._lock:
                    if job.state != "running":
                        return False
                    # From here on a cancel comes too late: the result is being put in place.
                    job.state, job.stage, job.share = "saving", "saving", 1.0
                job.result = job.finish(rest[0], job.scratch)
                job.state = "done"
                return True
        return False

    def _fail(self, job: Job, message: str, remark: Remark | None = None) -> None:
        with self._lock:
            if job.state != "cancelled":
                job.state, job.error = "failed", self._shown(message)
                job.remark = remark


def _as_it_is(result: Any, scratch: Path) -> Any:
    del scratch
    return result


def _too_long(limit_sec: float) -> str:
    return (
        f"This took longer than {limit_sec:g} s and was stopped, and nothing is changed; try it on "
        "a shorter riff."
    )


def _stop(process: Any) -> None:
    if process is None or process.pid is None or not process.is_alive():
        return
    process.terminate()
    process.join(1)
    if process.is_alive():
        process.kill()


def _died(exitcode: int | None) -> str:
    if exitcode is not None and exitcode == -getattr(signal, "SIGKILL", 9):
        return "The system stopped the work, probably because memory ran out; try a shorter take."
    return "The work ended before it was done; try again, or with a shorter take."
