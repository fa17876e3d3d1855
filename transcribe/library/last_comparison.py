"""The last comparison of a riff, kept beside it so that its verdicts outlive the window.

Conventions: ``NAME.check.json`` is one JSON object, written whole through a temporary file:
``{"check": 1, "when", "take", "sound", "notes": [[id, pitch_midi, onset_sec], ...],
"pitches": [...], "played": [[pitch_midi, onset_sec, offset_sec], ...], "duration_sec",
"rhythm": {...}, "comparison": {...}, "drawings": {name: SVG}, "progress": {...}}``. ``notes`` are
the reference's notes in the order that the verdicts count them in, so that a verdict finds its note
though others came or went since, and no other note in its place; ``pitches`` are the MIDI pitches
of the take's notes, ``played`` those with their times in the take, and ``rhythm`` is the
reference's as it was, so that a beat is the same moment though the bars have been counted in
another way since. A file that is damaged says so in one sentence and is left where it is; the next
comparison replaces it.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from transcribe.core.errors import FormatError
from transcribe.core.files import write_atomically
from transcribe.library.riff_files import RIFF_SUFFIX

__all__ = ["check_path", "read_check", "write_check"]

_SUFFIX = ".check.json"
_MAX_BYTES = 16 * 2**20


def check_path(riff: str | os.PathLike[str]) -> Path:
    """Where the last comparison of a riff document is kept.

    >>> check_path("class/mooring.riff.json").name
    'mooring.check.json'
    """
    path = Path(riff)
    return path.with_name(path.name.removesuffix(RIFF_SUFFIX) + _SUFFIX)


def write_check(path: Path, kept: Mapping[str, Any]) -> None:
    """Keep a comparison in place of the one before.

    Raises
    ------
    FormatError
        If the file cannot be written.
    """
    text = json.dumps({"check": 1, **kept}, ensure_ascii=False, allow_nan=False)
    write_atomically(path, (text + "\n").encode("utf-8"))


def read_check(path: Path) -> dict[str, Any] | None:
    """The comparison that is kept, None where there is none.

    Raises
    ------
    FormatError
        If the file cannot be read or holds no comparison; what to do is in the message.
    """
    try:
        if path.is_symlink() or not path.is_file():
            return None
        if path.stat().st_size > _MAX_BYTES:
            raise ValueError("too large")
        kept = json.loads(path.read_text(encoding="utf-8"), parse_constant=_refuse_nan)
        _validate(kept)
    except (OSError, ValueError, RecursionError):
        raise FormatError(
            f"the verdicts of the last take in {path.name} cannot be read; check a take again to "
            "replace them"
        ) from None
    return dict(kept)


def _validate(kept: Any) -> None:
    """Raise ValueError unless the page can show ``kept``."""
    _require(isinstance(kept, dict) and kept.get("check") == 1)
    _require(isinstance(kept.get("when"), str) and isinstance(kept.get("take"), str))
    _require(kept.get("sound") is None or isinstance(kept["sound"], str))
    notes, pitches = kept.get("notes"), kept.get("pitches")
    _require(isinstance(notes, list) and isinstance(pitches, list))
    _require(all(isinstance(n, list) and len(n) == 3 for n in notes))
    _require(all(_whole(n[0]) and _whole(n[1]) and _number(n[2]) for n in notes))
    _require(all(map(_whole, pitches)))
    played = kept.get("played", [])
    _require(isinstance(played, list) and len(played) in (0, len(pitches)))
    _require(all(isinstance(n, list) and len(n) == 3 and all(map(_number, n)) for n in played))
    _require(kept.get("duration_sec") is None or _number(kept["duration_sec"]))
    comparison = kept.get("comparison")
    _require(isinstance(comparison, dict) and isinstance(comparison.get("summary"), dict))
    _require(_number(comparison["summary"].get("right_share")))
    rows = comparison.get("notes")
    _require(isinstance(rows, list))
    for row in rows:
        _require(isinstance(row, dict) and isinstance(row.get("verdict"), str))
        _require(_is_index(row.get("reference"), notes) and _is_index(row.get("take"), pitches))
        _require(row.get("bar") is None or _whole(row["bar"]))
        _require(row.get("beat") is None or _number(row["beat"]))
        _require(all(isinstance(row.get(key, ""), str) for key in ("place", "words")))
    _validate_words(comparison)
    _require(isinstance(kept.get("progress"), dict | None))
    drawings = kept.get("drawings", {})
    _require(isinstance(drawings, dict) and all(isinstance(d, str) for d in drawings.values()))
    rhythm = kept.get("rhythm")
    if rhythm is not None:
        _require(isinstance(rhythm, dict) and _number(rhythm.get("bpm")))
        meter = rhythm.get("meter")
        _require(isinstance(meter, list) and len(meter) == 2 and all(map(_whole, meter)))
        for key in ("beats_sec", "downbeats_sec"):
            _require(isinstance(rhythm.get(key), list) and all(map(_number, rhythm[key])))


def _validate_words(comparison: Mapping[str, Any]) -> None:
    """Raise ValueError unless what is told of the whole take can be written on a sheet."""
    for key in ("headline", "remarks", "differences"):
        _require(_all_of(str, comparison.get(key, [])))
    drone = comparison.get("drone") or {}
    _require(isinstance(drone, dict) and isinstance(drone.get("words", ""), str))
    _require(_all_of(dict, drone.get("dropouts", [])))
    _require(all(isinstance(gap.get("words", ""), str) for gap in drone.get("dropouts", [])))
    _require(_all_of(dict, comparison.get("practice", [])))
    for line in comparison.get("practice", []):
        _require(isinstance(line.get("place") or "", str) and _all_of(str, line.get("steps", [])))
        _require(line.get("tempo_bpm") is None or _number(line["tempo_bpm"]))
        bars = line.get("bars", [])
        _require(isinstance(bars, list) and all(map(_whole, bars)))


def _all_of(kind: type, values: Any) -> bool:
    return isinstance(values, list) and all(isinstance(value, kind) for value in values)


def _refuse_nan(name: str) -> float:
    """Refuse NaN and Infinity, which JSON has no word for and the page could not be sent."""
    raise ValueError(f"{name} is no number")


def _whole(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _is_index(value: Any, among: Sequence[Any]) -> bool:
    return value is None or (_whole(value) and 0 <= value < len(among))


def _require(good: bool) -> None:
    if not good:
        raise ValueError("not a comparison")
