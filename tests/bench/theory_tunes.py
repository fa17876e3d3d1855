"""Labelled tunes for the theory benchmark: music21's `airdsAirs` and `ryansMammoth`, as arrays.

The label of a tune is its first ``K:`` field (tonic and mode, as the editor of the ABC wrote it).
Notes are what music21 makes of the tune as written: repeats are not played out, grace notes and
chord symbols are left out. Onsets and durations are in quarter notes. Parsing takes minutes, so
the arrays are kept in a cache folder outside the repository (``HANDSPAN_CACHE``, else the user's
cache folder). The corpus folder `oneills1850` is never opened.
"""

from __future__ import annotations

import json
import os
import re
import sys
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

__all__ = ["FOLDERS", "LABELS", "Tune", "load_tunes", "parse_key", "read_tunes"]

FOLDERS = ("airdsAirs", "ryansMammoth")
LABELS = ("major", "minor", "mixolydian", "dorian")
_VERSION = 2
_PC = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_KEY = re.compile(r"^K:\s*([A-G])([#b]?)\s*([A-Za-z]*)")


@dataclass(frozen=True, slots=True)
class Tune:
    """One tune: ``tonic`` as a pitch class, ``label`` as in `LABELS` or the editor's own word."""

    name: str
    title: str
    field: str
    tonic: int
    label: str
    onset: tuple[float, ...]
    duration: tuple[float, ...]
    pitch: tuple[int, ...]
    downbeats: tuple[float, ...]
    music21_key: tuple[int, str]
    music21_score: float
    keys: int


def cache_folder() -> Path:
    """Where the parsed tunes are kept; outside the repository."""
    base = os.environ.get("HANDSPAN_CACHE")
    if base:
        return Path(base)
    return Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")) / "handspan-bench"


def parse_key(line: str) -> tuple[int, str] | None:
    """Pitch class and mode of an ABC ``K:`` line; None where it names no tonic (``K:Hp``).

    Capitals make no difference (ABC 2.1, section 4.6, from memory), so ``K:EM`` is E minor.
    """
    match = _KEY.match(line)
    if match is None:
        return None
    step, accidental, word = match.groups()
    tonic = (_PC[step] + {"#": 1, "b": -1, "": 0}[accidental]) % 12
    word = word.lower()
    if word in ("", "maj", "major", "ion", "ionian"):
        return tonic, "major"
    for start, label in (
        ("mix", "mixolydian"),
        ("dor", "dorian"),
        ("aeo", "minor"),
        ("lyd", "lydian"),
        ("phr", "phrygian"),
        ("loc", "locrian"),
        ("m", "minor"),
    ):
        if word.startswith(start):
            return tonic, label
    return None


def _blocks(text: str) -> list[str]:
    parts = re.split(r"(?m)^(?=X:\s*\d+)", text)
    return [p for p in parts if p.startswith("X:")]


def _one(name: str, block: str) -> dict[str, Any] | None:
    from music21 import converter, key

    lines = [line for line in block.splitlines() if line.startswith("K:")]
    parsed = parse_key(lines[0]) if lines else None
    if parsed is None:
        return None
    title = next((ln[2:].strip() for ln in block.splitlines() if ln.startswith("T:")), "")
    try:
        score = converter.parse(block, format="abc")
    except Exception as error:  # music21 raises many kinds; the tune is listed as unreadable
        print(f"{name}: music21 cannot read it ({error})", file=sys.stderr)
        return None
    notes = []
    for element in score.flatten().notes:
        if element.duration.quarterLength <= 0 or "ChordSymbol" in element.classes:
            continue
        for pitch in element.pitches:
            notes.append((float(element.offset), float(element.duration.quarterLength), pitch.midi))
    if not notes:
        return None
    part = score.parts[0] if score.parts else score
    measures = list(part.getElementsByClass("Measure"))
    lengths = sorted(float(m.duration.quarterLength) for m in measures)
    full = lengths[len(lengths) // 2] if lengths else 0.0
    # A pickup or the first half of a bar cut by a repeat sign starts no bar of its own.
    bars = [float(m.offset) for m in measures if m.duration.quarterLength >= 0.6 * full]
    finder = score.analyze("key")
    assert isinstance(finder, key.Key)
    return {
        "name": name,
        "title": title,
        "field": lines[0],
        "tonic": parsed[0],
        "label": parsed[1],
        "onset": [n[0] for n in notes],
        "duration": [n[1] for n in notes],
        "pitch": [n[2] for n in notes],
        "downbeats": bars,
        "music21_key": [finder.tonic.pitchClass, finder.mode],
        "music21_score": float(finder.correlationCoefficient),
        "keys": len({ln.strip() for ln in lines}),
    }


def _rows(files: Iterable[Path]) -> Iterator[dict[str, Any]]:
    for file in files:
        text = file.read_text(encoding="utf-8", errors="replace")
        for i, block in enumerate(_blocks(text), 1):
            row = _one(f"{file.parent.name}/{file.stem}#{i}", block)
            if row is not None:
                yield row


def _tune(row: dict[str, Any]) -> Tune:
    values: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in row.items()}
    parsed = parse_key(row["field"])
    assert parsed is not None
    return Tune(**(values | {"tonic": parsed[0], "label": parsed[1]}))


def read_tunes(files: Iterable[Path]) -> list[Tune]:
    """The tunes of some ABC files, without the cache."""
    return [_tune(row) for row in _rows(files)]


def load_tunes() -> list[Tune]:
    """Every tune of the two folders that music21 reads and whose ``K:`` field names a tonic."""
    path = cache_folder() / f"tunes-{_VERSION}.json"
    if not path.exists():
        import music21

        root = Path(music21.__file__).parent / "corpus"
        rows = []
        for row in _rows(f for name in FOLDERS for f in sorted((root / name).glob("*.abc"))):
            rows.append(row)
            if len(rows) % 200 == 0:
                print(f"parsed {len(rows)} tunes", file=sys.stderr)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(rows))
    return [_tune(row) for row in json.loads(path.read_text())]
