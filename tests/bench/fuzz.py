"""Damaged files by the thousand: each is read, or refused in one line, in time and in memory.

    python -m tests.bench.fuzz [--inputs 2000] [--seed 1] [--kinds riff,tab] [--keep FOLDER]

Each input is a whole file of the project's own with one to four things wrong in it
(`tests.formats.damage`); what is read is written again in every format. ``--keep`` puts the
inputs that failed into a folder, with what happened beside them. Exit code 1 if any failed.
"""

from __future__ import annotations

import argparse
import collections
import random
import sys
import tempfile
from pathlib import Path

from tests.formats.damage import SUFFIX, damage, seeds
from tests.formats.reading import Reader

_FAILURES = ("traceback", "without end", "died", "long or many lines")
_MOST_LETTERS = 400  # of a refusal


def main() -> int:
    parser = argparse.ArgumentParser(description="Damaged files, read or refused.")
    parser.add_argument("--inputs", type=int, default=2000, help="of each kind")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kinds", default=",".join(SUFFIX))
    parser.add_argument("--keep", type=Path, help="folder for the inputs that failed")
    options = parser.parse_args()
    print(f"{'':10}{'inputs':>8}{'read':>8}{'refused':>9}", end="")
    print("".join(f"{name:>20}" for name in _FAILURES) + f"{'slowest, s':>12}")
    whole = seeds()
    failed = 0
    with tempfile.TemporaryDirectory() as folder, Reader(Path(folder)) as reader:
        for kind in options.kinds.split(","):
            rng = random.Random(f"{options.seed} {kind}")
            counts: collections.Counter[str] = collections.Counter()
            slowest = 0.0
            for number in range(options.inputs):
                data = damage(kind, whole[kind], rng)
                outcome = reader.outcome(data, SUFFIX[kind])
                what = outcome.kind
                if what == "refused" and (
                    "\n" in outcome.told or len(outcome.told) > _MOST_LETTERS
                ):
                    what = "long or many lines"
                counts[what] += 1
                slowest = max(slowest, outcome.sec or 0.0)
                if what in _FAILURES and options.keep is not None:
                    options.keep.mkdir(parents=True, exist_ok=True)
                    stem = options.keep / f"{kind}-{options.seed}-{number}"
                    stem.with_name(stem.name + SUFFIX[kind]).write_bytes(data)
                    stem.with_name(stem.name + ".said").write_text(f"{what}\n{outcome.told}")
            failed += sum(counts[name] for name in _FAILURES)
            print(f"{kind:10}{options.inputs:8}{counts['read']:8}{counts['refused']:9}", end="")
            print("".join(f"{counts[name]:20}" for name in _FAILURES) + f"{slowest:12.2f}")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
