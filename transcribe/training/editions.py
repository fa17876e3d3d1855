"""Published editions as the fit reads them: the notes of a piece and what its editor wrote.

A folder of editions holds a ``pieces`` folder of JSON files, one a piece: ``id``, ``tuning``
(pitches in MIDI numbers, string 1 first) and ``notes`` with ``onset`` and ``duration`` in quarter
notes, ``pitch``, and where the editor says so ``string``, ``implied_string`` with ``implied_by``
(``open`` or ``position``), and ``finger``. No such data is part of the project.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from transcribe.core.riff import Instrument, Note

__all__ = ["ROWS", "Piece", "read_pieces"]

ROWS = ("written", "position", "open", "finger")
"""The kinds of label: string number, implied by position, implied by open string, finger."""

_CHOICE_FRETS = 19  # a label counts where another string could play the note up to this fret
_QUARTER_SEC = 0.5  # pieces are written, not played: a quarter note is taken as half a second


@dataclass(frozen=True, slots=True)
class Piece:
    """One piece: its notes, and for each row of `ROWS` the label of each note (None: none)."""

    name: str
    work: str
    instrument: Instrument
    notes: tuple[Note, ...]
    labels: Mapping[str, tuple[int | None, ...]]


def read_pieces(folder: Path) -> list[Piece]:
    """Every piece of ``folder / "pieces"``, sorted by name."""
    files = sorted((folder / "pieces").glob("*.json"))
    if not files:
        raise SystemExit(f"{folder}: there is no pieces folder with JSON files in it")
    return [_piece(json.loads(file.read_text("utf-8"))) for file in files]


def _piece(raw: Mapping[str, Any]) -> Piece:
    instrument = Instrument(tuple(raw["tuning"]), 0, _CHOICE_FRETS)
    notes, labels = [], {row: [] for row in ROWS}  # type: ignore[var-annotated]
    for i, n in enumerate(raw["notes"]):
        start = n["onset"] * _QUARTER_SEC
        length = max(n["duration"], 0.1) * _QUARTER_SEC
        notes.append(Note(i, start, start + length, n["pitch"]))
        choice = len(instrument.places(n["pitch"])) > 1
        found = dict.fromkeys(ROWS)
        if n.get("string") is not None:
            if choice:
                found["written"] = n["string"]
        elif n.get("implied_string") is not None and choice:
            found[n["implied_by"]] = n["implied_string"]
        found["finger"] = n.get("finger")
        for row in ROWS:
            labels[row].append(found[row])
    name = raw["id"]
    work = name.rsplit("_g", 1)[0] if name.endswith(("_g1", "_g2")) else name
    return Piece(name, work, instrument, tuple(notes), {row: tuple(v) for row, v in labels.items()})
