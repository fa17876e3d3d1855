"""Read a recording: a process of its own decodes it, and its samples come back through a file.

Decoders are large, and a file from elsewhere may be made to break them. So they run where they
can only take themselves down (`transcribe.audio.decoding_process`), within limits of memory and
time; a decoder that dies means that the file cannot be decoded, and no more.
"""

from __future__ import annotations

import hashlib
import json
import math
import os
import stat
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from transcribe.audio.level import LevelReport, check_samples
from transcribe.core.errors import AudioError, ParameterError
from transcribe.core.riff import Remark

__all__ = ["MAX_SEC", "Progress", "Recording", "read_audio", "resample"]

MAX_SEC = 1800.0
"""The longest recording that is read unless the caller asks for more, in seconds."""

Progress = Callable[[str, float], None]

_CHILD = (
    "import json, sys; sys.path[:] = json.loads(sys.argv[1]); "
    "from transcribe.audio.decoding_process import main; main(sys.argv[2])"
)


@dataclass(frozen=True, slots=True, eq=False)
class Recording:
    """A decoded recording: mono ``y`` float32 ``(n,)`` at ``sr`` Hz.

    ``y`` may lie in a file that goes with it, so that a long one takes no memory of its own.
    ``warnings`` tells the player what is wrong with it, worst first.
    """

    y: NDArray[np.float32]
    sr: int
    duration_sec: float
    sha256: str
    level: LevelReport
    warnings: tuple[Remark, ...] = ()


def read_audio(
    path: str | os.PathLike[str],
    *,
    max_sec: float = MAX_SEC,
    to_sr: int | None = None,
    copy: Path | None = None,
    progress: Progress | None = None,
) -> Recording:
    """Read a recording as mono at its own sample rate, or at ``to_sr`` Hz.

    Channels of opposite sign are turned before they are mixed, so that they do not cancel. A file
    that is cut off is read as far as it goes, and ``warnings`` says so. ``copy`` names a file for
    the same sound at its own rate, as 16-bit WAV.

    Raises
    ------
    AudioError
        If the file is missing, empty, not a recording, longer than ``max_sec``, silent, holds
        samples that are not numbers, or is so damaged that decoding it ends too early or never.
    ParameterError
        If ``max_sec`` or ``to_sr`` is not positive.
    """
    if not max_sec > 0:
        raise ParameterError(
            f"max_sec is {max_sec!r}; give a length in seconds over 0", parameter="max_sec"
        )
    if to_sr is not None and not to_sr > 0:
        raise ParameterError(f"to_sr is {to_sr!r}; give a sample rate in Hz over 0")
    path = Path(path)
    _check_file(path)
    say = progress if progress is not None else _no_progress
    say("reading", 0.0)
    # Its files are gone with it; where they are still mapped, the system keeps what lies in them.
    with tempfile.TemporaryDirectory(prefix="handspan-", ignore_cleanup_errors=True) as folder:
        sound = Path(folder, "sound")
        request = {
            "path": os.fspath(path.absolute()),
            "shown": os.fspath(path),
            "folder": folder,
            "max_sec": max_sec,
            "to_sr": to_sr,
            "copy": None if copy is None else os.fspath(copy.absolute()),
        }
        found = _decoded(path, request, say)
        level = LevelReport(**found["level"])
        if level.silent:
            raise AudioError(
                f"{path} holds only silence (peak {level.peak_db:.0f} dB); "
                "check the microphone and record again"
            )
        y = np.asarray(np.memmap(sound, np.float32, "c"))
    say("reading", 1.0)
    broken = tuple(Remark(kind, facts) for kind, facts in found["broken"])
    warnings = broken + level.warnings()
    return Recording(y, found["sr"], y.size / found["sr"], _sha256(path), level, warnings)


def _decoded(path: Path, request: dict[str, Any], say: Progress) -> dict[str, Any]:
    """What the decoding process found out about the recording at ``path``."""
    command = [sys.executable, "-I", "-c", _CHILD, json.dumps(sys.path), json.dumps(request)]
    one_thread = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}  # each takes memory
    with subprocess.Popen(
        command,
        stdin=subprocess.PIPE,  # closed when this process ends, however it ends
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,  # decoders write remarks on sound files straight to it
        env=os.environ | one_thread,
    ) as process:
        assert process.stdout is not None
        try:
            for line in process.stdout:
                message = json.loads(line)
                if "error" in message:
                    raise AudioError(message["error"])
                if "level" in message:
                    return dict(message)
                say("reading", message["share"])
        finally:
            process.kill()
    raise AudioError(
        f"{path} cannot be decoded: it is damaged, or asks for more memory or time than a "
        "recording needs; play it in another program and export it as WAV"
    )


def resample(y: ArrayLike, *, sr: float, to_sr: float) -> NDArray[np.float32]:
    """Mono ``y`` ``(n,)`` from ``sr`` to ``to_sr`` Hz, band-limited; ``ceil(n to_sr / sr)`` long.

    Raises
    ------
    ParameterError, AudioError
        If a rate is not positive, or ``y`` is not one-dimensional, empty or not finite.
    """
    samples = check_samples(y, sr)
    if not (math.isfinite(to_sr) and to_sr > 0):
        raise ParameterError(f"to_sr is {to_sr!r}; give a sample rate in Hz over 0")
    if sr == to_sr:
        return samples
    import soxr

    out = np.asarray(soxr.resample(samples, sr, to_sr, quality="HQ"), dtype=np.float32)
    length = math.ceil(samples.size * to_sr / sr)
    return np.pad(out, (0, max(0, length - out.size)))[:length]


def _no_progress(stage: str, share: float) -> None:
    del stage, share


def _check_file(path: Path) -> None:
    try:
        found = path.stat()
        if stat.S_ISDIR(found.st_mode):
            raise AudioError(f"{path} is a folder; name one recording in it")
        if not stat.S_ISREG(found.st_mode):
            raise AudioError(f"{path} is no file; give the recording as a file")
        with path.open("rb"):
            pass
    except FileNotFoundError:
        raise AudioError(f"{path}: there is no such file") from None
    except OSError as error:
        raise AudioError(f"{path} cannot be read: {error.strerror}") from None
    if found.st_size == 0:
        raise AudioError(f"{path} is empty (0 bytes); copy it from the phone again")


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
