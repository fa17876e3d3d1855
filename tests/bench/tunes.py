"""Every tune of music21's `airdsAirs` and `ryansMammoth`: read, held against music21, fingered.

    python -m tests.bench.tunes [--every N]

The reference is what music21 reads of the same text, its repeats and jumps played out: pitch and
length of every note but grace notes, which have none there. Takes one in N of the tunes.
"""

from __future__ import annotations

import argparse
import collections
import contextlib
import io
import random
import re
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from transcribe import api
from transcribe.core.errors import HandspanError
from transcribe.core.riff import Riff
from transcribe.formats.music21_adapter import read_score

FOLDERS = ("airdsAirs", "ryansMammoth")
GRACE_QUARTERS = 0.125

Length = tuple[int, float]
"""Pitch in MIDI numbers and length in quarters."""


def tunes() -> Iterator[tuple[Path, str]]:
    """Each tune's file and its text; every one of them has its own number in its file."""
    from music21 import corpus

    for path in corpus.getCorePaths():
        if path.parent.name in FOLDERS:
            for text in re.split(r"(?m)^(?=X:)", path.read_text("utf-8", "replace"))[1:]:
                yield path, text


def reference(text: str, *, played: bool = True) -> collections.Counter[Length]:
    """What music21 reads: its notes with ties joined, without grace notes and chord symbols.

    ``played`` says whether its repeats and jumps are played out.
    """
    from music21 import converter, exceptions21, harmony

    reader = converter.Converter()
    with contextlib.redirect_stderr(io.StringIO()):
        reader.parseData(text, format="abc")
        score: Any = reader.stream
        with contextlib.suppress(exceptions21.Music21Exception):
            score = score.expandRepeats() if played else score
        notes = score.parts[0].flatten().stripTies().notes
    return collections.Counter(
        (pitch.midi, round(float(note.quarterLength), 2))
        for note in notes
        if not isinstance(note, harmony.Harmony) and not note.duration.isGrace
        for pitch in note.pitches
    )


def lengths(riff: Riff) -> list[Length]:
    """The riff's notes as the reference has them."""
    assert riff.rhythm is not None
    quarters = 4 / riff.rhythm.meter[1]
    return [(n.pitch_midi, round((n.duration_beat or 0.0) * quarters, 2)) for n in riff.notes]


def differences(riff: Riff, text: str) -> tuple[list[Length], list[Length]]:
    """Notes that the riff lacks, and those that it has besides; grace notes are left out."""
    mine, theirs = collections.Counter(lengths(riff)), reference(text)
    grace = round(GRACE_QUARTERS, 2)
    more = [note for note in (mine - theirs).elements() if note[1] != grace]
    return list((theirs - mine).elements()), more


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--every", type=int, default=1)
    every = parser.parse_args().every
    jobs = list(tunes())
    random.Random(1).shuffle(jobs)
    counts: collections.Counter[str] = collections.Counter()
    begun = time.monotonic()
    for number, (path, text) in enumerate(jobs[::every], 1):
        number_in_file = re.search(r"(?m)^X:\s*0*(\d+)", text)
        part = number_in_file[1] if number_in_file and path.parent.name == FOLDERS[0] else None
        where = f"{path.stem} {part or ''}"
        try:
            riff = read_score(path, part=part)
            fingered = api.finger(riff)
        except HandspanError as error:
            counts["refused"] += 1
            print(f"refused {where}: {error}", flush=True)
            continue
        lacks, more = differences(riff, text)
        if lacks or more:
            # Where a second repeat has no sign at its start, or a jump is told in words, the two
            # go back to other bars; what they read there is the same.
            once = reference(text, played=False)
            both = collections.Counter(lengths(fingered))
            alike = all(both[note] >= count for note, count in once.items())
            grace = round(GRACE_QUARTERS, 2)
            if alike and not {note for note in set(both) - set(once) if note[1] != grace}:
                counts["equal but for repeats"] += 1
                lacks, more = [], []
            else:
                counts["differ"] += 1
        else:
            counts["equal"] += 1
        counts["every note placed"] += all(n.string is not None for n in fingered.notes)
        counts["with a mode"] += bool(fingered.theory and fingered.theory.get("mode"))
        if lacks or more:
            print(f"differs {where}: lacks {lacks[:4]}, has besides {more[:4]}", flush=True)
        if number % 10 == 0:
            print(number, dict(counts), f"{time.monotonic() - begun:.0f} s", flush=True)
    print("all", dict(counts))


if __name__ == "__main__":
    main()
