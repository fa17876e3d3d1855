"""Every tune of music21's `airdsAirs` and `ryansMammoth`: read, held against music21, fingered.

    python -m tests.bench.tunes [--every N] [--first N] [--quick]

The reference is what music21 reads of the same text, its repeats and jumps played out: pitch and
length of every note but grace notes, which have none there.
"""

from __future__ import annotations

import argparse
import collections
import contextlib
import io
import random
import re
import time
import traceback
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from transcribe import api, fingering
from transcribe.core.errors import HandspanError
from transcribe.core.riff import Riff
from transcribe.formats.music21_adapter import read_score
from transcribe.harmony import theory_report

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


def reference(text: str) -> tuple[collections.Counter[Length], collections.Counter[Length]]:
    """What music21 reads: its notes with ties joined, without grace notes and chord symbols.

    First as played, with repeats and jumps, then as they are written.
    """
    from music21 import converter, exceptions21

    reader = converter.Converter()
    with contextlib.redirect_stderr(io.StringIO()):
        reader.parseData(text, format="abc")
        written = played = reader.stream
        with contextlib.suppress(exceptions21.Music21Exception):
            played = written.expandRepeats()
        return _counted(played), _counted(written)


def _counted(score: Any) -> collections.Counter[Length]:
    from music21 import harmony

    return collections.Counter(
        (pitch.midi, round(float(note.quarterLength), 2))
        for note in score.parts[0].flatten().stripTies().notes
        if not isinstance(note, harmony.Harmony) and not note.duration.isGrace
        for pitch in note.pitches
    )


def lengths(riff: Riff) -> list[Length]:
    """The riff's notes as the reference has them."""
    assert riff.rhythm is not None
    quarters = 4 / riff.rhythm.meter[1]
    return [(n.pitch_midi, round((n.duration_beat or 0.0) * quarters, 2)) for n in riff.notes]


def verdict(riff: Riff, text: str) -> tuple[str, str]:
    """How the notes of ``riff`` compare with the reference, and where they differ.

    Grace notes, which have no length there, are left out.
    """
    mine = collections.Counter(lengths(riff))
    played, written = reference(text)
    grace = round(GRACE_QUARTERS, 2)
    lacks = list((played - mine).elements())
    more = [note for note in (mine - played).elements() if note[1] != grace]
    if not lacks and not more:
        return "equal", ""
    # Where a second repeat has no sign at its start, or a jump is told in words, the two go back
    # to other bars; what they read there is the same.
    alike = all(mine[note] >= count for note, count in written.items())
    if alike and all(note[1] == grace for note in set(mine) - set(written) - set(played)):
        return "equal but for repeats", ""
    return "differ", f"lacks {lacks[:4]}, has besides {more[:4]}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--every", type=int, default=1, metavar="N", help="one in N of the tunes")
    parser.add_argument(
        "--first", type=int, default=0, metavar="N", help="from the N-th on, from 0"
    )
    parser.add_argument("--quick", action="store_true", help="without the other fingerings")
    args = parser.parse_args()
    jobs = list(tunes())
    random.Random(1).shuffle(jobs)
    if args.quick:
        fingering.alternatives = lambda *given, **options: ()
    counts: collections.Counter[str] = collections.Counter()
    begun = time.monotonic()
    for number, (path, text) in enumerate(jobs[args.first :: args.every], 1):
        number_in_file = re.search(r"(?m)^X:\s*0*(\d+)", text)
        part = number_in_file[1] if number_in_file and path.parent.name == FOLDERS[0] else None
        where = f"{path.stem} {part or ''}"
        try:
            riff = read_score(path, part=part)
            kind, told = verdict(riff, text)
            counts[kind] += 1
            if told:
                print(f"differs {where}: {told}", flush=True)
            fingered = api.finger(riff)
            theory_report(fingered).text()
            counts["fingered, with a theory"] += 1
            counts["every note placed"] += all(n.string is not None for n in fingered.notes)
            counts["with a mode"] += bool(fingered.theory and fingered.theory.get("mode"))
        except HandspanError as error:
            counts["refused"] += 1
            print(f"refused {where}: {error}", flush=True)
        except Exception:  # the bench counts them and goes on
            counts["traceback"] += 1
            print(f"traceback {where}: {traceback.format_exc()}", flush=True)
        if number % 10 == 0:
            print(number, dict(counts), f"{time.monotonic() - begun:.0f} s", flush=True)
    print("all", dict(counts))


if __name__ == "__main__":
    main()
