"""Calls on odd documents: each is answered, or refused in a line.

    python -m tests.bench.calls [--calls 100000] [--seed 1] [--keep FOLDER]

Riff documents with one to four odd values in them (`tests.formats.damage`); those that are read
at all go through every correction, the theory, the comparison, the page's own views and every
writer. ``--keep`` puts the documents that failed into a folder. Exit code 1 if any failed.
"""

from __future__ import annotations

import argparse
import collections
import random
import sys
import tempfile
import traceback
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from tests.formats.damage import damage, seeds
from tests.formats.reading import MAX_SEC, TimeIsUpError, time_limit
from transcribe import api, fingering
from transcribe.core.errors import HandspanError
from transcribe.core.riff import Riff
from transcribe.correct import history, note_edits, pins, retime
from transcribe.formats.document import from_json, to_json
from transcribe.formats.notation import written_rhythm
from transcribe.formats.untyped import parse
from transcribe.harmony import theory_report
from transcribe.library import riff_files
from transcribe.takes import compare, report


def main() -> int:
    parser = argparse.ArgumentParser(description="Calls on odd documents.")
    parser.add_argument("--calls", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="folder for the documents that failed")
    options = parser.parse_args()
    whole = seeds()["riff"]
    rng = random.Random(options.seed)
    counts: collections.Counter[str] = collections.Counter()
    while counts["calls"] < options.calls:
        data = damage("riff", whole, rng)
        try:
            riff = from_json(parse(data))
        except (HandspanError, ValueError, RecursionError):
            counts["documents refused"] += 1
            continue
        counts["documents read"] += 1
        for name, call in _calls(riff) if riff.notes else ():
            counts["calls"] += 1
            what, told = _outcome(call)
            counts[what] += 1
            if what in ("answered", "refused"):
                continue
            print(f"{name}: {what}\n{told}", file=sys.stderr)
            if options.keep is not None:
                options.keep.mkdir(parents=True, exist_ok=True)
                path = options.keep / f"{name.replace(' ', '-')}-{counts['calls']}.riff.json"
                path.write_bytes(data)
    for what in ("documents refused", "documents read", "calls", "answered", "refused"):
        print(f"{counts[what]:8}  {what}")
    failed = ("traceback", "without end")
    for what in failed:
        print(f"{counts[what]:8}  {what}")
    return 1 if any(counts[what] for what in failed) else 0


def _outcome(call: Callable[[], Any]) -> tuple[str, str]:
    """What became of the call, and the traceback of one that failed."""
    try:
        with time_limit(MAX_SEC):
            call()
    except HandspanError:
        return "refused", ""
    except TimeIsUpError:
        return "without end", traceback.format_exc()
    except Exception:
        return "traceback", traceback.format_exc()
    return "answered", ""


def _calls(riff: Riff) -> Iterator[tuple[str, Callable[[], Any]]]:
    first, last = riff.notes[0], riff.notes[-1]
    places = [*riff.instrument.places(first.pitch_midi), (1, 0)]
    steps: dict[str, Callable[[], Riff]] = {
        "delete": lambda: note_edits.delete(riff, [first.id]),
        "split": lambda: note_edits.split(riff, first.id),
        "merge": lambda: note_edits.merge(riff, [first.id, last.id]),
        "confirm": lambda: note_edits.confirm(riff, [first.id]),
        "technique": lambda: note_edits.set_technique(riff, [first.id], "dead"),
        "change": lambda: note_edits.change(riff, first.id, pitch_midi=first.pitch_midi + 1),
        "undo": lambda: history.undo(riff),
        "redo": lambda: history.redo(riff),
        "pin": lambda: pins.pin(riff, {first.id: places[0]}),
        "unpin": lambda: pins.unpin(riff, [first.id]),
        "half time": lambda: retime.half_time(riff),
        "double time": lambda: retime.double_time(riff),
        "finger anew": lambda: api.finger(riff, anew=True, bpm=90),
    }
    for name, step in steps.items():
        yield name, lambda step=step: to_json(step())  # type: ignore[misc]
    yield "theory", lambda: theory_report(riff)
    yield "why", lambda: fingering.explain(riff, first.id)
    yield "places", lambda: list(fingering.places(riff, first.id))
    yield "steps", lambda: [history.remark_of(step) for step in history.steps(riff)[0]]
    yield "rhythm", lambda: written_rhythm(riff)
    yield "compare", lambda: report.as_json(compare(riff, riff))
    folder = Path(tempfile.gettempdir(), "no-such-folder")
    yield "files", lambda: riff_files.followed(riff, steps["delete"](), folder, "riff")
    for kind in ("tab", "musicxml", "midi", "jams"):
        yield (
            kind,
            lambda kind=kind: riff_files.made(  # type: ignore[misc]
                riff, kind, riff_files.usual_form(riff)
            ),
        )


if __name__ == "__main__":
    sys.exit(main())
