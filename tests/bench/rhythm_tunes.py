"""Published tunes with their bars, for the rhythm benchmark: music21's folders of ABC files.

The meter and the bars are those of the editor, the notes what music21 makes of the tune as written:
repeats are not played out, grace notes and chord symbols are left out. Parsing takes minutes, so
what was read is kept in the cache folder of `tests.bench.theory_tunes`. ``oneills1850`` is never
opened.
"""

from __future__ import annotations

import contextlib
import io
import itertools
import json
import re
import sys
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.bench.theory_tunes import cache_folder

__all__ = ["FITTED", "UNSEEN", "BarredTune", "load_barred", "training_part"]

FITTED = ("airdsAirs", "ryansMammoth")
"""Folders whose tunes the meter is fitted on, but for a quarter of them."""
UNSEEN = ("essenFolksong",)
"""Folk songs that nothing is fitted on."""
_EVERY = {"essenFolksong": 8}  # it holds over 8,000
_VERSION = 1
_METERS = {(2, 2): (4, 4)} | {m: m for m in ((4, 4), (2, 4), (3, 4), (6, 8))}


@dataclass(frozen=True, slots=True)
class BarredTune:
    """One tune: ``meter`` with 2/2 as 4/4, onsets and durations in its beats, a pickup below 0."""

    name: str
    meter: tuple[int, int]
    onset: tuple[float, ...]
    duration: tuple[float, ...]
    pitch: tuple[int, ...]

    @property
    def held_out(self) -> bool:
        """Whether it is of the quarter that nothing is fitted on."""
        return zlib.crc32(self.name.encode()) % 4 == 0


def training_part(tunes: list[BarredTune]) -> list[BarredTune]:
    """Those that may be fitted on."""
    return [t for t in tunes if not t.held_out and t.name.split("/")[0] in FITTED]


def _read(name: str, text: str) -> dict[str, Any] | None:
    """A tune in one meter all through, whose bars come at even distances; else None."""
    from music21 import converter, harmony

    reader = converter.Converter()
    try:
        with contextlib.redirect_stderr(io.StringIO()):
            reader.parseData(text, format="abc")
    except Exception as error:  # music21 raises many kinds; the tune is left out
        print(f"{name}: music21 cannot read it ({error})", file=sys.stderr)
        return None
    score = reader.stream
    part = score.parts[0] if score.parts else score
    flat = part.flatten()
    signs = {(s.numerator, s.denominator) for s in flat.getElementsByClass("TimeSignature")}
    meter = _METERS.get(signs.pop()) if len(signs) == 1 else None
    if meter is None:
        return None
    bar = 4 * meter[0] / meter[1]
    starts = sorted({float(m.offset) for m in part.getElementsByClass("Measure")})
    full = [a for a, b in itertools.pairwise(starts) if abs(b - a - bar) < 1e-6]
    if len(full) < 4 or full[0] >= bar or any((b - full[0]) % bar > 1e-6 for b in full):
        return None
    per = meter[1] / 4
    notes = [
        ((float(n.offset) - full[0]) * per, float(n.quarterLength) * per, n.pitch.midi)
        for n in flat.stripTies().notes
        if n.isNote and not isinstance(n, harmony.Harmony) and not n.duration.isGrace
    ]
    if not notes:
        return None
    onset, duration, pitch = zip(*notes, strict=True)
    return {"name": name, "meter": meter, "onset": onset, "duration": duration, "pitch": pitch}


def _rows() -> Iterator[dict[str, Any]]:
    import music21

    root = Path(music21.__file__).parent / "corpus"
    for folder in (*FITTED, *UNSEEN):
        texts = [
            (f"{folder}/{file.stem}#{i}", text)
            for file in sorted((root / folder).glob("*.abc"))
            for i, text in enumerate(
                re.split(r"(?m)^(?=X:)", file.read_text("utf-8", "replace"))[1:], 1
            )
        ]
        for name, text in texts[:: _EVERY.get(folder, 1)]:
            row = _read(name, text)
            if row is not None:
                yield row


def load_barred() -> list[BarredTune]:
    """Every tune of the folders that is in a meter the program looks for."""
    path = cache_folder() / f"barred-{_VERSION}.json"
    if not path.exists():
        rows = []
        for row in _rows():
            rows.append(row)
            if len(rows) % 200 == 0:
                print(f"parsed {len(rows)} tunes", file=sys.stderr)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(rows))
    return [
        BarredTune(
            row["name"],
            (row["meter"][0], row["meter"][1]),
            tuple(row["onset"]),
            tuple(row["duration"]),
            tuple(row["pitch"]),
        )
        for row in json.loads(path.read_text())
    ]
