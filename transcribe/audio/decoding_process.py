"""The process that decodes a recording: its limits, what it is asked for and what it tells.

It is asked in JSON and tells one JSON object a line: ``share`` while it works, and at the end
``error``, or ``sr``, ``level`` and ``broken`` (the kind and the facts of remarks). The samples go
into a file.
"""

from __future__ import annotations

import dataclasses
import errno
import faulthandler
import json
import os
import shutil
import sys
import threading
from pathlib import Path
from typing import Any

from transcribe.audio.decoding import measure, write_mono
from transcribe.core.errors import AudioError
from transcribe.core.memory import lift_memory_limit, limit_memory

__all__ = ["main"]

_MEMORY = 1 << 30  # bytes for decoding; the longest recording needs no more
_MAX_SILENT_SEC = 30.0  # a decoder that tells of no progress for so long has lost its way


def main(request: str) -> None:
    """Decode what ``request`` asks for."""
    asked = json.loads(request)
    _end_when_lost()
    threading.Thread(target=_end_with_the_parent, args=(asked["folder"],), daemon=True).start()
    try:
        _send(_decode(Path(asked["path"]), asked))
    except AudioError as error:
        _send({"error": str(error).replace(asked["path"], asked["shown"])})
    except OSError as error:
        if error.errno in (None, errno.ENOMEM):
            raise  # it is not the disk
        where = f"{error.strerror}, in {asked['folder']}"
        _send({"error": f"{asked['shown']} cannot be decoded: {where}; make room there"})


def _decode(path: Path, asked: dict[str, Any]) -> dict[str, Any]:
    folder = Path(asked["folder"])
    limit_memory(_MEMORY, for_good=False)

    def say(stage: str, share: float) -> None:
        del stage
        _send({"share": share})

    mono = write_mono(path, folder / "mono", max_sec=asked["max_sec"], say=say)
    # What follows is no foreign sound any more, and maps files as large as the recording is long.
    lift_memory_limit()
    sr = asked["to_sr"] or mono.sr
    copy = None if asked["copy"] is None else Path(asked["copy"])
    level = measure(folder / "mono", mono, folder / "sound", to_sr=sr, copy=copy, say=say)
    broken = [] if mono.broken is None else [(mono.broken.kind, dict(mono.broken.facts))]
    return {"sr": sr, "level": dataclasses.asdict(level), "broken": broken}


def _send(message: dict[str, Any]) -> None:
    sys.stdout.write(json.dumps(message) + "\n")
    sys.stdout.flush()
    _end_when_lost()


def _end_when_lost() -> None:
    """End if nothing is told for long; unlike Python's threads, this one is never held up."""
    faulthandler.dump_traceback_later(_MAX_SILENT_SEC, exit=True)


def _end_with_the_parent(folder: str) -> None:
    """End when the process that asked is gone, however it went, and leave none of its files."""
    sys.stdin.buffer.read()
    shutil.rmtree(folder, ignore_errors=True)
    os._exit(1)
