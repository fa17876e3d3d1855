"""A command for one file or for several: these in a pool of processes, with a line for each."""

from __future__ import annotations

import argparse
import copy
import io
import json
import multiprocessing
import os
import signal
import traceback
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from transcribe.command.inputs import files_in
from transcribe.command.printing import Progress
from transcribe.core.errors import HandspanError, ParameterError

__all__ = ["Done", "Work", "run"]


@dataclass(frozen=True)
class Done:
    """What became of one file: how it is shown alone, in a line, and to other programs."""

    show: Callable[[], None]
    line: str
    document: Callable[[], Mapping[str, Any]]


Work = Callable[[argparse.Namespace, Path, Progress], Done]
"""Does the work of a command for one file."""


def run(
    given: Sequence[Path],
    work: Work,
    args: argparse.Namespace,
    progress: Progress,
    *,
    sound: bool = False,
    names: Callable[[Path], Path] | None = None,
) -> int:
    """Do ``work`` for the one file that is given, or for each of several; the exit code.

    Of several, a file that fails stops nothing: its line says why, and the exit code is 1.

    Parameters
    ----------
    given : sequence of Path
        Files, and folders that stand for the files in them (`files_in`).
    work : Work
        A function of a module, which another process can call too.
    sound : bool
        Whether the files are recordings.
    names : callable, optional
        The document that is written for a file: two files never write the same one.
    """
    if len(given) == 1 and not given[0].is_dir():
        work(args, given[0], progress).show()
        return 0
    if getattr(args, "name", None) is not None:
        raise ParameterError("--name is for one file; several keep their own names")
    paths, left_out = files_in(given, sound=sound)
    outcomes = {} if names is None else _clashes(paths, names, args)
    begun = [path for path in paths if path not in outcomes]
    jobs = min(args.jobs or _cores(), len(begun))
    failed = shown = 0
    try:
        for path, outcome in _each(begun, work, args, jobs):
            outcomes[path] = outcome
            progress("files", (shown + 1) / len(paths))
            # In the order in which they were given, each as soon as those before it are there.
            while shown < len(paths) and paths[shown] in outcomes:
                outcome = outcomes[paths[shown]]
                failed += not outcome.good
                progress.clear()
                print(outcome.text, flush=True)
                shown += 1
    except KeyboardInterrupt:
        progress.say(f"stopped; {len(outcomes)} of {len(paths)} files were done")
        return 130
    progress.say(f"{len(paths) - failed} of {len(paths)} files done{_left_out(left_out)}")
    return 1 if failed else 0


def _left_out(paths: Sequence[Path]) -> str:
    """What is said of the files of a folder that no command reads."""
    if not paths:
        return ""
    names = ", ".join(path.name for path in paths[:_MAX_NAMED])
    names += ", ..." if len(paths) > _MAX_NAMED else ""
    if len(paths) == 1:
        return f"; 1 file that holds no notes or sound is left out: {names}"
    return f"; {len(paths)} files that hold no notes or sound are left out: {names}"


_MAX_NAMED = 8


def _cores() -> int:
    """How many processes can run at once here."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


@dataclass(frozen=True)
class _Outcome:
    """The line of one file."""

    text: str
    good: bool


def _failed(path: Path, why: str, args: argparse.Namespace) -> _Outcome:
    why = why.removeprefix(f"{path}: ")
    if args.json:
        return _Outcome(json.dumps({"file": str(path), "error": why}, ensure_ascii=False), False)
    return _Outcome(f"{path}: not done: {why}", False)


def _clashes(
    paths: Sequence[Path], names: Callable[[Path], Path], args: argparse.Namespace
) -> dict[Path, _Outcome]:
    """The files whose document an earlier one of the same call writes already."""
    first: dict[Path, Path] = {}
    clashes = {}
    for path in paths:
        earlier = first.setdefault(names(path), path)
        if earlier != path:
            why = f"{earlier} has the same name; do this one by itself, with --name"
            clashes[path] = _failed(path, why, args)
    return clashes


def _each(
    paths: Sequence[Path], work: Work, args: argparse.Namespace, jobs: int
) -> Iterator[tuple[Path, _Outcome]]:
    """Each file with its line, in the order in which they are finished."""
    left = list(paths)
    while left:
        broken = False
        for path, outcome in _pool(left, work, args, jobs):
            if outcome is None:
                broken = True
                break
            left.remove(path)
            yield path, outcome
        if broken:
            # A process was killed, for memory or by a library's fault, and took the others along.
            # The files that were being read are tried alone.
            for path in left[: 2 * jobs]:
                for _, outcome in _pool([path], work, args, 1):
                    left.remove(path)
                    why = "the program was killed while it read this file"
                    yield path, outcome or _failed(path, why, args)


def _pool(
    paths: Sequence[Path], work: Work, args: argparse.Namespace, jobs: int
) -> Iterator[tuple[Path, _Outcome | None]]:
    """Each file with its line from a pool of processes; None where the pool broke."""
    os.environ.setdefault("OMP_NUM_THREADS", "1")  # the processes share the cores already
    pool = ProcessPoolExecutor(
        jobs, multiprocessing.get_context("spawn"), signal.signal, (signal.SIGINT, signal.SIG_IGN)
    )
    with pool:
        futures: dict[Future[_Outcome], Path] = {
            pool.submit(_one, work, args, path): path for path in paths
        }
        try:
            for future in as_completed(futures):
                try:
                    yield futures[future], future.result()
                except BrokenProcessPool:
                    yield futures[future], None
        finally:
            pool.shutdown(cancel_futures=True)


def _one(work: Work, args: argparse.Namespace, path: Path) -> _Outcome:
    """The work of one file in a process of the pool."""
    said = io.StringIO()
    progress = Progress(said, quiet=True)
    try:
        done = work(copy.copy(args), path, progress)
    except HandspanError as error:
        return _failed(path, " ".join(str(error).split()), args)
    except MemoryError:
        return _failed(path, "there is not enough memory for this file", args)
    except Exception as error:  # a bug is reported with the file that shows it, and stops no other
        traceback.print_exc()
        return _failed(path, f"this is a bug of the program ({error!r})", args)
    if args.json:
        text = json.dumps({"file": str(path), **done.document()}, ensure_ascii=False)
        return _Outcome(text, True)
    return _Outcome(f"{path}: " + "; ".join([done.line, *said.getvalue().splitlines()]), True)
