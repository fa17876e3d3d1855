"""Strummed takes of invented loops: is every stroke one column, and is bar 1 where it is counted?

    python -m tests.bench.rhythm_strums [--takes 48] [--fixed]

Handbook chord shapes, loops and patterns of strokes (tests/bench/theory_riffs.py) are played from
8 ms to 120 ms over six strings, at 70 to 140 quarters a minute, with a hand's jitter (12 ms a
stroke, 2 ms a string), drift of the tempo, a tracker's error (4 ms a note) and strings that are
missed. ``--fixed`` groups by a fixed window of 50 ms instead, as a reference in the same run.
"""

from __future__ import annotations

import argparse
import itertools
from dataclasses import dataclass

import numpy as np

from tests.bench.theory_riffs import LOOPS, OPEN, SHAPES
from transcribe.core.riff import Note, sort_notes
from transcribe.core.strokes import STROKE_SEC, strokes
from transcribe.rhythm import events, find_rhythm

# Strokes on the eighths of a bar of 4/4 or, the last three, of 3/4 and 6/8.
PATTERNS = (
    ("D.D.DUDU", (4, 4)),
    ("D.DU.UDU", (4, 4)),
    ("D.D.D.D.", (4, 4)),
    ("DUDUDUDU", (4, 4)),
    ("D..UDU..", (4, 4)),
    ("D.DUDU", (3, 4)),
    ("D.D.D.", (3, 4)),
    ("D.UD.U", (6, 8)),
)


def stroke_direction(notes: list[Note]) -> str | None:
    """``down`` where the low strings of a stroke come first, ``up`` where the high ones do."""
    ahead = sum(
        np.sign(round(1e4 * (b.onset_sec - a.onset_sec))) * np.sign(b.pitch_midi - a.pitch_midi)
        for a, b in itertools.combinations(notes, 2)
    )
    return None if ahead == 0 else "down" if ahead > 0 else "up"


@dataclass(frozen=True)
class Take:
    """Notes as heard, the stroke each belongs to, and what was played."""

    notes: tuple[Note, ...]
    stroke: tuple[int, ...]
    down: tuple[bool, ...]
    meter: tuple[int, int]
    first_sec: float


def strum(seed: int) -> Take:
    """One take."""
    rng = np.random.default_rng([seed, 4])
    pattern, meter = PATTERNS[seed % len(PATTERNS)]
    symbols = LOOPS[int(rng.integers(len(LOOPS)))].split()
    eighth = 60 / float(rng.uniform(70, 140)) / 2
    spread = float(rng.choice([0.008, 0.02, 0.04, 0.06, 0.09, 0.12]))
    spread = min(spread, 0.6 * eighth)
    start, rounds = float(rng.uniform(0.2, 1.0)), 3 if len(symbols) < 4 else 2
    heard: list[tuple[Note, int]] = []
    down = []
    clock, drift = start, float(rng.uniform(-2e-4, 2e-4))
    for bar in range(rounds * len(symbols)):
        shape = SHAPES[symbols[bar % len(symbols)]]
        for mark in pattern:
            if mark != ".":
                places = [(6 - i, int(c, 16)) for i, c in enumerate(shape) if c != "x"]
                if mark == "U":
                    places = places[::-1][: int(rng.integers(3, 6))]
                at = clock + float(rng.normal(0, 0.012))
                for k, (string, fret) in enumerate(places):
                    if len(places) > 3 and rng.random() < 0.06:
                        continue
                    onset = at + spread * k / 5 + float(rng.normal(0, 0.0045))
                    pitch = OPEN[string - 1] + fret
                    loud = -18 + float(rng.normal(0, 2)) + 3 * (mark == "D")
                    note = Note(0, onset, onset + 1.0, pitch, loudness_db=loud, confidence=0.9)
                    heard.append((note, len(down)))
                down.append(mark == "D")
            clock += eighth
            eighth *= 1 + drift
    heard.sort(key=lambda h: (h[0].onset_sec, h[0].pitch_midi))
    return Take(
        tuple(_until_struck_again([n for n, _ in heard])),
        tuple(s for _, s in heard),
        tuple(down),
        meter,
        start,
    )


def _until_struck_again(notes: list[Note]) -> list[Note]:
    out = []
    for i, note in enumerate(notes):
        later = [n.onset_sec for n in notes[i + 1 : i + 40] if n.pitch_midi == note.pitch_midi]
        end = min([note.onset_sec + 1.2, *later])
        out.append(
            Note(
                i,
                note.onset_sec,
                max(end, note.onset_sec + 0.03),
                note.pitch_midi,
                loudness_db=note.loudness_db,
                confidence=note.confidence,
            )
        )
    return out


def fixed_window(notes: tuple[Note, ...] | list[Note]) -> tuple[tuple[int, ...], ...]:
    """The reference: what is struck within `STROKE_SEC` of the first note."""
    groups: list[list[int]] = []
    for k, note in enumerate(notes):
        if groups and note.onset_sec - notes[groups[-1][0]].onset_sec <= STROKE_SEC:
            groups[-1].append(k)
        else:
            groups.append([k])
    return tuple(tuple(g) for g in groups)


def measure(take: Take) -> dict[str, list[float]]:
    """What each stroke, and the take, got right."""
    notes = sort_notes(list(take.notes))
    rhythm, placed = find_rhythm(notes, duration_sec=notes[-1].offset_sec)
    of = {note.id: take.stroke[note.id] for note in notes}
    columns: dict[int, set[float | None]] = {}
    for note in placed:
        columns.setdefault(of[note.id], set()).add(note.onset_beat)
    whole = {s: len(c) == 1 for s, c in columns.items()}
    shared = [c for c in columns.values() if len(c) == 1]
    apart = len({next(iter(c)) for c in shared}) == len(shared)
    directions = []
    for group in strokes(notes):
        mine = [notes[i] for i in group]
        if len(mine) > 2:
            directions.append((stroke_direction(mine) == "down") == take.down[of[mine[0].id]])
    beat = 60 / rhythm.bpm
    bar_1 = rhythm.downbeats_sec[0] if rhythm.downbeats_sec else -9.0
    return {
        "one column": [float(v) for v in whole.values()],
        "own column": [float(apart)],
        "direction": [float(d) for d in directions],
        "meter": [float(rhythm.meter == take.meter)],
        "bar 1": [float(abs(bar_1 - take.first_sec) < 0.3 * beat)],
    }


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--takes", type=int, default=48)
    parser.add_argument("--fixed", action="store_true", help="the fixed window alone")
    options = parser.parse_args()
    if options.fixed:
        events.strokes = fixed_window  # type: ignore[attr-defined, assignment]
    rows = [measure(strum(seed)) for seed in range(options.takes)]
    print(f"{options.takes} strummed takes" + (", fixed window" if options.fixed else ""))
    for name in rows[0]:
        values = [v for row in rows for v in row[name]]
        print(f"{name:12s} {np.mean(values):.3f}  ({len(values)})")


if __name__ == "__main__":
    main()
