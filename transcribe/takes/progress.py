"""Progress over time: one line per take in a plain file beside the riff.

``NAME.progress.jsonl`` holds one JSON object a line, oldest first: when the take was compared,
which file it was (with its SHA-256, so that the same take is not entered twice), and the
figures of its best pass. The file is always written whole, through a temporary file, so that it is
the old one or the new one.
"""

from __future__ import annotations

import json
import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from transcribe.core.errors import FormatError
from transcribe.core.files import write_atomically
from transcribe.takes.comparison import VERDICTS, Comparison
from transcribe.takes.places import bars_named
from transcribe.takes.timeline import bar_of

__all__ = ["Entry", "append", "change", "entry_of", "progress_path", "read"]

_SUFFIX = ".progress.jsonl"
_NUMBERS = ("right_share", "spread_ms", "bias_ms", "tempo_bpm", "tempo_ratio", "drone_share")


@dataclass(frozen=True, slots=True)
class Entry:
    """What is kept of one comparison. Shares are 0 to 1; figures that are not known are None."""

    when: str  # ISO 8601, UTC
    take: str
    sha256: str | None
    counts: Mapping[str, int]
    right_share: float
    spread_ms: float | None = None
    bias_ms: float | None = None
    tempo_bpm: float | None = None
    tempo_ratio: float | None = None
    drone_share: float | None = None
    bars: Mapping[str, int] = field(default_factory=dict)  # bar -> what went wrong in it
    same_riff: bool = True  # False: not a take of this riff, so nothing to keep
    left_out: Sequence[int] = ()  # bars that the take does not reach, or not whole
    extra: Mapping[str, Any] = field(default_factory=dict, hash=False)

    def as_json(self) -> dict[str, Any]:
        """The entry as JSON values, with the keys that this version does not know."""
        out: dict[str, Any] = {
            "when": self.when,
            "take": self.take,
            "sha256": self.sha256,
            "counts": dict(self.counts),
            "bars": dict(self.bars),
            "left_out": list(self.left_out),
        }
        for name in _NUMBERS:
            value = getattr(self, name)
            out[name] = _rounded(value)
        return out | dict(self.extra)


def progress_path(riff: str | os.PathLike[str]) -> Path:
    """The progress file that belongs to a reference: ``NAME.progress.jsonl`` beside it.

    >>> progress_path("class/mooring.riff.json").name
    'mooring.progress.jsonl'
    """
    path = Path(riff)
    name = path.name
    for ending in (".riff.json", ".tab.txt"):
        if name.endswith(ending):
            return path.with_name(name.removesuffix(ending) + _SUFFIX)
    return path.with_name(path.stem + _SUFFIX)


def entry_of(comparison: Comparison, *, when: datetime | None = None) -> Entry:
    """What is worth keeping of ``comparison``; ``when`` is now unless it is given."""
    moment = (when or datetime.now(UTC)).astimezone(UTC)
    source = comparison.take.source
    bars: dict[str, int] = {}
    for row in comparison.notes:
        bad = row.verdict not in ("right", "unsure") and not row.left_out and not row.again
        if bad and row.bar is not None:
            bars[str(row.bar)] = bars.get(str(row.bar), 0) + 1
    rhythm = comparison.reference.rhythm
    beats = [
        comparison.reference.notes[row.reference].onset_beat
        for row in comparison.notes
        if row.left_out and row.reference is not None
    ]
    left_out = {bar_of(b, rhythm.meter) for b in beats if b is not None} if rhythm else set()
    summary = comparison.summary
    return Entry(
        moment.isoformat(timespec="seconds"),
        source.file if source is not None else "",
        source.sha256 if source is not None else None,
        {name: summary.counts.get(name, 0) for name in VERDICTS},
        round(summary.right_share, 4),
        _rounded(summary.spread_ms),
        _rounded(summary.bias_ms),
        _rounded(summary.tempo_bpm),
        _rounded(summary.tempo_ratio),
        _rounded(None if comparison.drone is None else comparison.drone.ringing_share),
        bars,
        comparison.same_riff,
        tuple(sorted(left_out)),
    )


def read(path: str | os.PathLike[str]) -> tuple[Entry, ...]:
    """Every entry of a progress file, oldest first; none where there is no file.

    Raises
    ------
    FormatError
        If the file cannot be read, or a line is not an entry.
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return ()
    except (OSError, UnicodeDecodeError) as error:
        raise FormatError(f"{path} cannot be read: {error}") from None
    entries = []
    for number, line in enumerate(text.splitlines(), start=1):
        if line.strip():
            try:
                entries.append(_entry(json.loads(line)))
            except (ValueError, RecursionError) as error:
                raise FormatError(
                    f"{path}:{number}: not a line of a progress file ({error}); "
                    "mend or delete the line"
                ) from None
    return tuple(entries)


def append(path: str | os.PathLike[str], entry: Entry) -> Entry | None:
    """Add ``entry`` and return the one before it, None where it is the first.

    A take that is already the last entry (the same SHA-256) takes that entry's place. A take of
    another riff would make the next one look like progress: it is not entered, and there is nothing
    to compare it with.

    Raises
    ------
    FormatError
        If the file cannot be read or written, or holds a line that is not an entry.
    """
    entries = list(read(path))
    if not entry.same_riff:
        return None
    if entries and entry.sha256 is not None and entries[-1].sha256 == entry.sha256:
        entries.pop()
    previous = entries[-1] if entries else None
    lines = [
        json.dumps(e.as_json(), ensure_ascii=False, allow_nan=False) for e in [*entries, entry]
    ]
    write_atomically(Path(path), ("\n".join(lines) + "\n").encode("utf-8"))
    return previous


def change(previous: Entry, now: Entry) -> tuple[str, ...]:
    """What changed since the last take, in short sentences, the share of right notes first.

    Figures that read the same are left out, except the share of right notes.
    """
    right = _percent(previous.right_share), _percent(now.right_share)
    if right[0] == right[1]:
        said = [f"right {right[1]} %, as before"]
    else:
        points = right[1] - right[0]
        word = "point" if abs(points) == 1 else "points"
        said = [f"right {right[0]} % -> {right[1]} % ({points:+d} {word})"]
    if previous.spread_ms is not None and now.spread_ms is not None:
        before, after = round(previous.spread_ms), round(now.spread_ms)
        if before != after:
            word = "steadier" if after < before else "less steady"
            said.append(f"spread {before} ms -> {after} ms ({word})")
    if previous.tempo_bpm is not None and now.tempo_bpm is not None:
        before, after = round(previous.tempo_bpm), round(now.tempo_bpm)
        if before != after:
            said.append(f"tempo {before} -> {after}")
    if previous.drone_share is not None and now.drone_share is not None:
        before, after = _percent(previous.drone_share), _percent(now.drone_share)
        if before != after:
            said.append(f"drone ringing {before} % -> {after} %")
    unplayed = {str(bar) for bar in now.left_out}
    better = [bar for bar in previous.bars if bar not in now.bars and bar not in unplayed]
    worse = [bar for bar in now.bars if bar not in previous.bars]
    if better:
        said.append(f"now clean: {_bars(better)}")
    if worse:
        said.append(f"new trouble: {_bars(worse)}")
    return tuple(said)


def _bars(names: list[str]) -> str:
    return bars_named([int(n) for n in names if n.lstrip("-").isdecimal()])


def _percent(share: float) -> int:
    return round(100 * share)


def _entry(value: Any) -> Entry:
    if not isinstance(value, dict):
        raise ValueError("expected an object")
    rest = dict(value)
    numbers: dict[str, Any] = {}
    for name in _NUMBERS:
        number = rest.pop(name, None)
        if number is not None and (
            isinstance(number, bool)
            or not isinstance(number, int | float)
            or not math.isfinite(number)
        ):
            raise ValueError(f"{name} is {number!r}, expected a number")
        numbers[name] = number
    if numbers["right_share"] is None:
        raise ValueError("right_share is missing")
    left_out = rest.pop("left_out", [])
    if not isinstance(left_out, list) or not all(type(bar) is int for bar in left_out):
        raise ValueError("left_out must hold numbers of bars")
    return Entry(
        left_out=tuple(left_out),
        when=_text(rest.pop("when", None), "when"),
        take=_text(rest.pop("take", ""), "take"),
        sha256=rest.pop("sha256", None),
        counts=_counts(rest.pop("counts", {}), "counts"),
        bars=_counts(rest.pop("bars", {}), "bars"),
        extra=rest,
        **numbers,
    )


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 4)


def _text(value: Any, name: str) -> str:
    if not isinstance(value, str):
        raise ValueError(f"{name} is {value!r}, expected text")
    return value


def _counts(value: Any, name: str) -> dict[str, int]:
    if not isinstance(value, dict) or not all(
        isinstance(v, int) and not isinstance(v, bool) for v in value.values()
    ):
        raise ValueError(f"{name} must hold whole numbers")
    return value
