"""The main figures of the benches over time, in one table: ``tests/bench/results.csv``.

Pipe what a bench prints into this module. It shows the text and adds the figures named in
`FIGURES` to the table, each beside the reference that the same run measured::

    python -m tests.bench.theory | python -m tests.bench.results theory

A run with ``--commit`` files figures that another commit printed.
"""

from __future__ import annotations

import argparse
import csv
import re
import subprocess
import sys
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path

TABLE = Path(__file__).with_name("results.csv")


def row(label: str, column: int = 1) -> str:
    """A pattern for one number of a printed row: its label, then the number's column from 1."""
    return rf"^\s*{re.escape(label)}" + r"\s+\S+" * (column - 1) + r"\s+([\d.]+)"


def _notes(kind: str, state: str) -> str:
    """A pattern for the F1 of one row of the notes bench: kind, state, notes, P, R, F1."""
    return rf"^{kind}\s+{state}" + r"\s+\S+" * 3 + r"\s+([\d.]+)"


# Bench, figure: where the bench prints it, and where it prints the reference.
FIGURES: dict[str, dict[str, tuple[str, str | None]]] = {
    "notes": {
        "note F1, clean": (_notes("all", "clean"), _notes("pyin, all", "clean")),
        "note F1, rough": (_notes("all", "rough"), _notes("pyin, all", "rough")),
        "legato, slide and bend, F1": (r"^legato, slide and bend together: F1 ([\d.]+)", None),
    },
    "rhythm": {
        "tempo right": (row("all", 2), None),
        "beats F1": (row("all", 5), None),
        "downbeats F1": (row("all", 6), None),
        "meter right": (row("all", 7), None),
        "note values right": (row("all", 8), None),
        "repeats found": (row("all", 10), None),
    },
    "strums": {
        "strums through sound: one column": (row("one column"), None),
        "strums through sound: way of the stroke": (row("direction"), None),
        "strums through sound: tempo": (row("tempo"), row("librosa tempo")),
        "strums through sound: meter": (row("meter"), None),
        "strums through sound: bar 1": (row("bar 1"), None),
        "strums through sound: loop exact": (row("loop"), None),
    },
    "fingering": {
        "editions: string right %": (
            row("cross-validated by work, as recorded with the weights"),
            row("lowest fret"),
        ),
        "editions: position right %": (
            row("cross-validated by work, as recorded with the weights", 2),
            row("lowest fret", 2),
        ),
        "drone riffs, true notes: places right %": (row("true notes", 2), row("true notes", 3)),
        "drone riffs, as read: places right %": (
            row("as read, rough", 2),
            row("as read, rough", 3),
        ),
        "a pin in 200 notes, median ms": (r"a pin .* 200 notes\s+([\d.]+)", None),
        "a pin in 1,200 notes, median ms": (r"a pin .* 1,200 notes\s+([\d.]+)", None),
        "5,000 notes solved, median ms": (r"fingers of 5,000 notes\s+([\d.]+)", None),
        "10,000 notes solved, median ms": (r"fingers of 10,000 notes\s+([\d.]+)", None),
    },
    "theory": {
        "tunes: tonic and mode right": (
            row("the same model, held out with its variants"),
            row("music21 key finder"),
        ),
        "drone riffs, rough: mode right": (row("8 % lost, 6 % overtones added, 3 % wrong"), None),
        "chord symbols read right": (row("symbol read: same notes, same bass"), None),
        "strummed loops, rough: bars right": (
            row("8 % lost, 6 % overtones added, 2 % wrong", 2),
            None,
        ),
        "handbook shape among the first three": (
            row("handbook open chord among the first three of 43"),
            None,
        ),
    },
    "long": {
        "30 minutes: MB that are no file's": (row("30", 6), row("5", 6)),
        "30 minutes: seconds of processor for the notes": (row("30", 3), None),
        "30 minutes: time a minute, times that of 5 minutes": (row("30", 7), row("5", 7)),
        "10,000 notes: s to finger": (row("10000", 1), row("1000", 1)),
        "10,000 notes: s of theory": (row("10000", 2), row("1000", 2)),
    },
    "lesson": {
        "playings of a session found": (row("the lesson"), row("silences and pitches")),
        "playings told that are right": (row("the lesson", 2), row("silences and pitches", 2)),
        "two playings of one part told so": (row("the lesson", 3), row("silences and pitches", 3)),
        "two parts told apart": (row("the lesson", 4), row("silences and pitches", 4)),
    },
    "page": {
        "20 s take to its tab, median s": (row("20 s take, dropped, to its tab"), None),
        "19 s take to its verdicts, median s": (row("19 s take, ended, to its verdicts"), None),
    },
    "compare": {
        "planted mistakes, F1": (row("all", 4), None),
        "lateness error, median ms": (r"lateness error: median ([\d.]+)", None),
        "faultless takes: notes right": (r"^faultless.*: right ([\d.]+)", None),
    },
}


def figures(bench: str, text: str) -> Iterator[tuple[str, str, str]]:
    """Each figure of a bench that the text holds: its name, its value and its reference's value.

    >>> text = "the same model, held out with its variants  0.891\\nmusic21 key finder  0.777"
    >>> list(figures("theory", text))
    [('tunes: tonic and mode right', '0.891', '0.777')]
    """

    def number(pattern: str | None) -> str:
        match = re.search(pattern, text, re.MULTILINE) if pattern else None
        return match[1] if match else ""

    for name, (pattern, reference) in FIGURES[bench].items():
        if value := number(pattern):
            yield name, value, number(reference)


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.results")
    parser.add_argument("bench", choices=FIGURES)
    parser.add_argument("--date", default=datetime.now(UTC).date().isoformat())
    parser.add_argument("--commit", help="what the bench measured, if not what is checked out")
    options = parser.parse_args(arguments)
    git = ["git", "-C", str(TABLE.parent), "rev-parse", "--short", "HEAD"]
    commit = options.commit or subprocess.check_output(git, text=True).strip()
    text = sys.stdin.read()
    print(text, end="")
    found = list(figures(options.bench, text))
    if not found:
        sys.exit(f"no figure of {options.bench} in that text; see FIGURES in {Path(__file__).name}")
    with TABLE.open("a", newline="", encoding="utf-8") as file:
        lines = csv.writer(file, lineterminator="\n")
        lines.writerows((options.date, commit, options.bench, *figure) for figure in found)
    print(f"{len(found)} figures added to {TABLE.name}", file=sys.stderr)
    return 0


if __name__ == "__main__":
    sys.exit(main())
