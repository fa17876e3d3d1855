"""`handspan finger` of a thousand files: files a second, and the ratio to one process.

    python -m tests.bench.several [--files 1000] [--jobs N] [--at-once 100]

The files are short riffs of our own as MIDI, 16 to 32 notes each. Pool and single process take
turns, ``--at-once`` files each, so that whatever else the machine does bears on both.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import os
import random
import tempfile
import time
from pathlib import Path

from transcribe.command.main import main as handspan
from transcribe.core.riff import Note, Rhythm, Riff
from transcribe.formats.midi import write_midi

SCALE = (0, 2, 3, 5, 7, 9, 10)


def write_riffs(folder: Path, count: int) -> list[Path]:
    """Riffs in many keys, some over a drone."""
    rng = random.Random(15)
    paths = []
    for number in range(count):
        tonic, beat, notes = rng.randint(40, 52), 0.0, []
        while len(notes) < rng.randint(16, 32):
            length = rng.choice((0.5, 0.5, 1.0))
            pitch = tonic + 12 * rng.randint(0, 1) + rng.choice(SCALE)
            for p in {pitch, tonic} if number % 3 == 0 and beat % 2 == 0 else {pitch}:
                start, end = beat / 2, (beat + length) / 2
                notes.append(
                    Note(len(notes) + 1, start, end, p, onset_beat=beat, duration_beat=length)
                )
            beat += length
        beats = tuple(k / 2 for k in range(int(beat) + 2))
        path = folder / f"riff-{number:04}.mid"
        path.write_bytes(write_midi(Riff(notes=tuple(notes), rhythm=Rhythm(120.0, (4, 4), beats))))
        paths.append(path)
    return paths


def seconds(paths: list[Path], out: Path, jobs: int) -> float:
    begun = time.perf_counter()
    with contextlib.redirect_stdout(io.StringIO()) as told:
        given = [*map(str, paths), "-o", str(out), "--jobs", str(jobs), "--quiet"]
        code = handspan(["finger", *given])
    took = time.perf_counter() - begun
    assert code == 0, told.getvalue()
    assert len(list(out.glob("*.riff.json"))) >= len(paths)
    return took


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=1000)
    parser.add_argument("--jobs", type=int, default=len(os.sched_getaffinity(0)))
    parser.add_argument("--at-once", type=int, default=100)
    args = parser.parse_args()
    pool = single = 0.0
    with tempfile.TemporaryDirectory() as folder:
        paths = write_riffs(Path(folder), args.files)
        for at in range(0, len(paths), args.at_once):
            some = paths[at : at + args.at_once]
            pool += seconds(some, Path(folder) / "pool", args.jobs)
            single += seconds(some, Path(folder) / "single", 1)
            done = at + len(some)
            print(
                f"{done} files: {done / pool:.2f} a second in {args.jobs} processes, "
                f"{done / single:.2f} in one, {single / pool:.2f} times as fast",
                flush=True,
            )


if __name__ == "__main__":
    main()
