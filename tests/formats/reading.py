"""Reads files in a process of its own, and tells what became of each.

Sound is decoded in that process itself, as `transcribe.audio.decoding_process` does it: there, the
death of the process is a refusal.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import resource
import signal
import time
import traceback
from collections.abc import Iterator
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path

__all__ = ["MAX_SEC", "Outcome", "Reader", "TimeIsUpError", "time_limit"]

MAX_SEC = 10.0
"""The most processor time that a reader and what follows it may take for one file."""

_SOUND = (".wav",)
_MOST_NOTES_FINGERED = 100
_MOST_BYTES = 3 << 30  # of address space, of which the libraries take most


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a file.

    ``kind`` is ``read``, ``refused``, ``traceback``, ``without end`` or ``died``; ``told`` is the
    line that refuses it, or the traceback; ``sec`` is processor time, None of a process that ended.
    """

    kind: str
    told: str = ""
    sec: float | None = None


class Reader:
    """A child process that reads one file after another; a dead one is replaced."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._process: multiprocessing.process.BaseProcess | None = None

    def __enter__(self) -> Reader:
        return self

    def __exit__(self, *_: object) -> None:
        self._stop()

    def outcome(self, data: bytes, suffix: str) -> Outcome:
        """Read ``data`` as a file of this suffix and work on it, and say how it went."""
        path = self._folder / f"one{suffix}"
        path.write_bytes(data)
        if self._process is None or not self._process.is_alive():
            self._start()
        self._pipe.send(str(path))
        try:
            if self._pipe.poll(12 * MAX_SEC):
                return Outcome(*self._pipe.recv())
            kind = "without end"
        except EOFError:
            kind = "died"
        self._stop()
        if kind == "died" and suffix in _SOUND:
            return Outcome("refused", "the process that decodes it died")
        return Outcome(kind)

    def _start(self) -> None:
        context = multiprocessing.get_context("spawn")
        self._pipe, theirs = context.Pipe()
        self._process = context.Process(target=_serve, args=(theirs,), daemon=True)
        self._process.start()
        theirs.close()
        if self._pipe.recv() != "ready":
            raise RuntimeError("the reading process did not start")

    def _stop(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.join()
            self._pipe.close()
        self._process = None


def _serve(pipe: Connection) -> None:
    from transcribe.audio import decoding  # noqa: F401  (so that its time is nobody's)

    resource.setrlimit(resource.RLIMIT_AS, (_MOST_BYTES, _MOST_BYTES))
    pipe.send("ready")
    while True:
        path = pipe.recv()
        began = time.process_time()
        try:
            with time_limit(MAX_SEC):
                kind, told = _read(Path(path))
        except TimeIsUpError:
            kind, told = "without end", "".join(traceback.format_exc().splitlines(True)[-9:])
        except Exception:
            kind, told = "traceback", traceback.format_exc()
        pipe.send((kind, told, time.process_time() - began))


def _read(path: Path) -> tuple[str, str]:
    """Read a file, find the fingering of a riff document anew, and write it in every format."""
    from transcribe.api import finger
    from transcribe.core.errors import HandspanError
    from transcribe.formats import holds_notes, read_any
    from transcribe.formats.document import from_json, to_json
    from transcribe.formats.jams import write_jams
    from transcribe.formats.midi import write_midi
    from transcribe.formats.musicxml.write import write_musicxml
    from transcribe.formats.tab.write import write_tab

    try:
        if not holds_notes(path):
            _decode(path)
            return "read", ""
        riff = read_any(path)
    except HandspanError as error:
        return "refused", str(error)
    if from_json(to_json(riff)) != riff:
        raise AssertionError("another riff comes back from its own document")
    if len(riff.notes) <= _MOST_NOTES_FINGERED and path.name.endswith(".riff.json"):
        with contextlib.suppress(HandspanError):
            to_json(finger(riff))
    for write in (write_tab, write_musicxml, write_midi, write_jams):
        with contextlib.suppress(HandspanError):
            write(riff)
    return "read", ""


def _decode(path: Path) -> None:
    from transcribe.audio.decoding import measure, write_mono

    mono, sound = path.with_name("mono"), path.with_name("sound")
    decoded = write_mono(path, mono, max_sec=1800.0, say=lambda *_: None)
    measure(mono, decoded, sound, to_sr=22050, say=lambda *_: None)


class TimeIsUpError(BaseException):
    """Past the time limit; no handler of the code under test catches it."""


@contextlib.contextmanager
def time_limit(sec: float) -> Iterator[None]:
    def ring(*_: object) -> None:
        raise TimeIsUpError

    signal.signal(signal.SIGPROF, ring)
    signal.setitimer(signal.ITIMER_PROF, sec)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
