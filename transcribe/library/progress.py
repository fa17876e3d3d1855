"""Progress over time: one line per take in a plain file beside the riff.

``NAME.progress.jsonl`` holds one JSON object a line, oldest first: when the take was compared,
which file it was (with its SHA-256, so that the same take is not entered twice), and the
figures of its best pass. The file is always written whole, through a temporary file, so that it is
the old one or the new one.
"""

from __future__ import annotations

import dataclasses
import json
import math
import os
from pathlib import Path
from typing import Any

from transcribe.core.errors import FormatError
from transcribe.core.files import write_atomically
from transcribe.takes.summary import TakeFigures

__all__ = ["append", "as_json", "progress_path", "read"]

_SUFFIX = ".progress.jsonl"
_FIGURES = ("right_share", "spread_ms", "bias_ms", "tempo_bpm", "tempo_ratio", "drone_share")


def progress_path(riff: str | os.PathLike[str]) -> Path:
    """The progress file that belongs to a reference: ``NAME.progress.jsonl`` beside it.

    >>> progress_path("class/mooring.riff.json").name
    'mooring.progress.jsonl'
    """
    path = Path(riff)
    for ending in (".riff.json", ".tab.txt"):
        if path.name.endswith(ending):
            return path.with_name(path.name.removesuffix(ending) + _SUFFIX)
    return path.with_name(path.stem + _SUFFIX)


def read(path: str | os.PathLike[str]) -> tuple[TakeFigures, ...]:
    """The figures of every take in a progress file, oldest first; none where there is no file.

    Raises
    ------
    FormatError
        If the file cannot be read, or a line does not hold the figures of a take.
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return ()
    except (OSError, UnicodeDecodeError) as error:
        raise FormatError(f"{path} cannot be read: {error}") from None
    takes = []
    for number, line in enumerate(text.splitlines(), start=1):
        if line.strip():
            try:
                takes.append(_from_json(json.loads(line)))
            except (ValueError, RecursionError) as error:
                raise FormatError(
                    f"{path}:{number}: not a line of a progress file ({error}); "
                    "mend or delete the line"
                ) from None
    return tuple(takes)


def append(path: str | os.PathLike[str], now: TakeFigures) -> tuple[TakeFigures, ...]:
    """Add the figures of a take, and return those of the takes before it, oldest first.

    A take that is already the last one (the same SHA-256) takes its place. A take of another riff
    would make the next one look like progress: it is not entered, and there is nothing to compare
    it with.

    Raises
    ------
    FormatError
        If the file cannot be read or written, or a line does not hold the figures of a take.
    """
    takes = read(path)
    if not now.same_riff:
        return ()
    if takes and now.sha256 is not None and takes[-1].sha256 == now.sha256:
        takes = takes[:-1]
    lines = [
        json.dumps(as_json(take), ensure_ascii=False, allow_nan=False) for take in (*takes, now)
    ]
    write_atomically(Path(path), ("\n".join(lines) + "\n").encode("utf-8"))
    return takes


def as_json(take: TakeFigures) -> dict[str, Any]:
    """The figures as JSON values, with the keys that this version does not know."""
    out = dataclasses.asdict(take)
    del out["same_riff"], out["extra"]
    return out | {"left_out": list(take.left_out)} | dict(take.extra)


def _from_json(value: Any) -> TakeFigures:
    if not isinstance(value, dict):
        raise ValueError("expected an object")
    rest = dict(value)
    figures = {name: rest.pop(name, None) for name in _FIGURES}
    for name, number in figures.items():
        known = isinstance(number, int | float) and not isinstance(number, bool)
        if number is not None and not (known and math.isfinite(number)):
            raise ValueError(f"{name} is {number!r}, expected a number")
    if figures["right_share"] is None:
        raise ValueError("right_share is missing")
    names = {"when": rest.pop("when", None), "take": rest.pop("take", "")}
    for name, text in names.items():
        if not isinstance(text, str):
            raise ValueError(f"{name} is {text!r}, expected text")
    counts = {"counts": rest.pop("counts", {}), "bars": rest.pop("bars", {})}
    for name, count in counts.items():
        if not isinstance(count, dict) or not all(type(n) is int for n in count.values()):
            raise ValueError(f"{name} must hold whole numbers")
    left_out = rest.pop("left_out", [])
    if not isinstance(left_out, list) or not all(type(bar) is int for bar in left_out):
        raise ValueError("left_out must hold numbers of bars")
    sha256 = rest.pop("sha256", None)
    return TakeFigures(
        **names, **figures, **counts, sha256=sha256, left_out=tuple(left_out), extra=rest
    )
