"""Long takes and riffs of many notes: time should grow with them, memory should not.

    python -m tests.bench.long [--minutes 5,30] [--notes 1000,10000]

Each row is a process of its own. Seconds are of processor time, of the process and of what it
started; the last column of each part says how many times the first row's time per minute, or per
note, a row takes (1 where time is linear). Memory is the most that was resident: all, and without
the pages of files, which the system takes back when others need the room.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import resource
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

_SR = 44100
TAKES = Path(__file__).resolve().parents[2] / "fixtures" / "takes"


def main() -> None:
    parser = argparse.ArgumentParser(description="Long takes, and riffs of many notes.")
    parser.add_argument("--minutes", default="5,30")
    parser.add_argument("--notes", default="1000,10000")
    options = parser.parse_args()
    minutes = [float(text) for text in options.minutes.split(",") if text]
    notes = [int(text) for text in options.notes.split(",") if text]
    if minutes:
        print("minutes   notes   read, s   notes, s   rhythm, s   MB   MB own   per minute")
    first = 0.0
    for length in minutes:
        row = _in_a_process(_sound, length)
        sec = row["read"] + row["heard"] + row["rhythm"]
        first = first or sec / length
        print(f"{length:7g}{row['count']:8}{row['read']:10.1f}{row['heard']:11.1f}", end="")
        print(f"{row['rhythm']:12.1f}{row['mb']:5.0f}{row['own_mb']:9.0f}", end="")
        print(f"{sec / length / first:13.2f}", flush=True)
    if notes:
        print("  notes   finger, s   theory, s   delete, s   per note")
    first = 0.0
    for count in notes:
        row = _in_a_process(_notes, count)
        sec = row["finger"] + row["theory"] + row["delete"]
        first = first or sec / count
        print(
            f"{count:7}{row['finger']:12.1f}{row['theory']:12.1f}{row['delete']:12.1f}"
            f"{sec / count / first:11.2f}",
            flush=True,
        )


def _in_a_process(work: Callable[[Any], dict[str, float]], given: float) -> dict[str, float]:
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    process = context.Process(target=_send, args=(theirs, work, given))
    process.start()
    theirs.close()
    found: dict[str, float] = ours.recv()
    process.join()
    return found


def _send(pipe: Any, work: Callable[[Any], dict[str, float]], given: Any) -> None:
    pipe.send(work(given))


def _sec() -> float:
    spent = os.times()
    return spent.user + spent.system + spent.children_user + spent.children_system


def _sound(minutes: float) -> dict[str, float]:
    """The shipped takes in a row, over and over, as one recording."""
    import numpy as np
    import soundfile

    from transcribe.audio import read_audio
    from transcribe.notes import SR, find_tuned_notes
    from transcribe.rhythm import find_rhythm

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "long.flac")
        written, wanted = 0, minutes * 60 * _SR
        with soundfile.SoundFile(path, "w", _SR, 1) as file:
            while written < wanted:
                for take in sorted(TAKES.glob("*/*.ogg")):
                    y, sr = soundfile.read(take)
                    file.write(np.repeat(y, _SR // sr))  # at a rate that phones record at
                    written += y.size * _SR // sr
        own = _watched()
        began = _sec()
        recording = read_audio(path, max_sec=1e6, to_sr=SR)
        read = _sec()
        heard = find_tuned_notes(recording.y, sr=SR)
        listened = _sec()
        find_rhythm(heard.notes, duration_sec=recording.duration_sec)
        done = _sec()
    most = max(
        resource.getrusage(who).ru_maxrss
        for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    )
    return {
        "count": len(heard.notes),
        "read": read - began,
        "heard": listened - read,
        "rhythm": done - listened,
        "mb": most / 1024,
        "own_mb": own[0] / 1024,
    }


def _watched() -> list[int]:
    """The most memory in KB that is not a file's, looked at ten times a second from now on."""
    most = [0]

    def watch() -> None:
        while True:
            for line in Path("/proc/self/status").read_text().splitlines():
                if line.startswith("RssAnon"):
                    most[0] = max(most[0], int(line.split()[1]))
            time.sleep(0.1)

    threading.Thread(target=watch, daemon=True).start()
    return most


def _notes(count: int) -> dict[str, float]:
    from tests.page.conftest import make_riff, over_and_over
    from transcribe.api import finger
    from transcribe.correct.note_edits import delete
    from transcribe.harmony import theory_report

    one = make_riff(seconds=32.0)
    long = over_and_over(one, times=-(-count // len(one.notes)))
    began = _sec()
    riff = finger(long)
    fingered = _sec()
    theory_report(riff)
    told = _sec()
    delete(riff, [riff.notes[count // 2].id])
    return {"finger": fingered - began, "theory": told - fingered, "delete": _sec() - told}


if __name__ == "__main__":
    main()
