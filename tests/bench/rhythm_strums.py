"""Strummed takes of invented loops: is every stroke one column, which way did the hand go, and is
bar 1 where it is counted, and are the chords the loop?

    python -m tests.bench.rhythm_strums [--takes 48] [--fixed] [--audio BANKS [--rough 0.5]]

Handbook chord shapes, loops and patterns of strokes (tests/bench/theory_riffs.py) are played from
8 ms to 120 ms over six strings, at 70 to 140 quarters a minute, with a hand's jitter (12 ms a
stroke, 2 ms a string), drift of the tempo, a tracker's error (4 ms a note) and strings that are
missed. ``--fixed`` groups by a fixed window of 50 ms and takes the direction from the strings'
order alone, as a reference in the same run. ``--audio`` plays the takes on the recorded guitar that
the network beside this module was trained without (``python -m transcribe.training.banks`` makes
the file), hears them again, and sets `librosa.beat` on the same sound beside the tempo found.
"""

from __future__ import annotations

import argparse
import dataclasses
import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from tests.bench.theory_riffs import LOOPS, OPEN, SHAPES
from theory import transpose
from transcribe.core.riff import Instrument, Note, Rhythm, Riff, sort_notes
from transcribe.core.strokes import STROKE_SEC, strokes
from transcribe.harmony import theory_report
from transcribe.rhythm import events, find_rhythm
from transcribe.rhythm.bar_evidence import pulse_beats

# Strokes on the eighths of a bar of 4/4 or, the last three, of 3/4 and 6/8. Six eighths of long and
# short alone are a shuffle in 4/4 as well, and D.DDUD is struck like D.DUDU in 3/4: nobody could
# tell those.
PATTERNS = (
    ("D.D.DUDU", (4, 4)),
    ("D.DU.UDU", (4, 4)),
    ("D.D.D.D.", (4, 4)),
    ("DUDUDUDU", (4, 4)),
    ("D..UDU..", (4, 4)),
    ("D.DUDU", (3, 4)),
    ("D.D.D.", (3, 4)),
    ("D..DUD", (6, 8)),
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
    """Notes as heard, the stroke each belongs to, and what was played.

    ``struck`` holds (onset in seconds, string, fret, loudness in dB, stroke) of every string that
    the hand struck, ``eighth_sec`` the length of an eighth at the start, ``eighths_sec`` when each
    eighth came after the first.
    """

    notes: tuple[Note, ...]
    stroke: tuple[int, ...]
    down: tuple[bool, ...]
    meter: tuple[int, int]
    first_sec: float
    eighth_sec: float
    eighths_sec: tuple[float, ...]
    loop: tuple[str, ...]
    struck: tuple[tuple[float, int, int, float, int], ...]


def strum(seed: int) -> Take:
    """One take."""
    rng = np.random.default_rng([seed, 4])
    pattern, meter = PATTERNS[seed % len(PATTERNS)]
    symbols = LOOPS[int(rng.integers(len(LOOPS)))].split()
    eighth = first_eighth = 60 / float(rng.uniform(70, 140)) / 2
    spread = float(rng.choice([0.008, 0.02, 0.04, 0.06, 0.09, 0.12]))
    spread = min(spread, 0.6 * eighth)
    start, rounds = float(rng.uniform(0.2, 1.0)), 3 if len(symbols) < 4 else 2
    heard: list[tuple[Note, int]] = []
    struck = []
    down = []
    fingers = np.random.default_rng([seed, 5])
    clock, drift = start, float(rng.uniform(-2e-4, 2e-4))
    eighths = []
    for bar in range(rounds * len(symbols)):
        shape = SHAPES[symbols[bar % len(symbols)]]
        for mark in pattern:
            eighths.append(clock - start)
            if mark != ".":
                places = [(6 - i, int(c, 16)) for i, c in enumerate(shape) if c != "x"]
                if mark == "U":
                    places = places[::-1][: int(rng.integers(3, 6))]
                at = clock + float(rng.normal(0, 0.012))
                for k, (string, fret) in enumerate(places):
                    exact = at + spread * k / 5 + float(fingers.normal(0, 0.002))
                    struck.append((exact, string, fret, -18.0 + 3 * (mark == "D"), len(down)))
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
        first_eighth,
        tuple(eighths),
        tuple(symbols),
        tuple(sorted(struck)),
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


def render(take: Take, bank: Any, *, rough: float, seed: int) -> tuple[np.ndarray, int]:
    """The take on a recorded guitar, each string ringing until it is struck again."""
    from transcribe.notes.features import SR
    from transcribe.training.phrases import PlayedNote
    from transcribe.training.render import render as play
    from transcribe.training.rough import draw_rough, roughen

    played = []
    for i, (onset, string, fret, loud, _) in enumerate(take.struck):
        again = [o for o, s, *_ in take.struck[i + 1 :] if s == string]
        played.append(
            PlayedNote(
                onset,
                min([onset + 2.5, *again]),
                OPEN[string - 1] + fret,
                string,
                fret,
                velocity=0.55 * 10 ** ((loud + 18) / 20),
            )
        )
    rng = np.random.default_rng([seed, 6])
    y, _ = play(tuple(played), bank=bank, rng=rng, duration_sec=take.struck[-1][0] + 2.5)
    y = y / np.abs(y).max() * 0.5
    if rough:
        y = roughen(y, draw_rough(rng, rough), rng)
    return np.asarray(y, np.float32), SR


def heard_again(take: Take, sound: tuple[np.ndarray, int], weights: Path) -> Take:
    """The take as the note finder hears it; a note that was not struck is of no stroke, -1."""
    from transcribe.notes import find_notes

    y, sr = sound
    notes = sort_notes(list(find_notes(y, sr=sr, weights=weights)))
    of = []
    for note in notes:
        near = [
            (abs(onset - note.onset_sec), stroke)
            for onset, string, fret, _, stroke in take.struck
            if OPEN[string - 1] + fret == note.pitch_midi and abs(onset - note.onset_sec) < 0.08
        ]
        of.append(min(near)[1] if near else -1)
    numbered = [dataclasses.replace(note, id=i) for i, note in enumerate(notes)]
    return dataclasses.replace(take, notes=tuple(numbered), stroke=tuple(of))


def fixed_window(notes: tuple[Note, ...] | list[Note]) -> tuple[tuple[int, ...], ...]:
    """The reference: what is struck within `STROKE_SEC` of the first note."""
    groups: list[list[int]] = []
    for k, note in enumerate(notes):
        if groups and note.onset_sec - notes[groups[-1][0]].onset_sec <= STROKE_SEC:
            groups[-1].append(k)
        else:
            groups.append([k])
    return tuple(tuple(g) for g in groups)


def measure(take: Take, *, fixed: bool = False, loop: bool = False) -> dict[str, list[float]]:
    """What each stroke, and the take, got right; ``loop``: its chords as well."""
    notes = sort_notes(list(take.notes))
    rhythm, placed = find_rhythm(notes, duration_sec=notes[-1].offset_sec)
    of = {note.id: take.stroke[note.id] for note in notes if take.stroke[note.id] >= 0}
    columns: dict[int, set[float | None]] = {}
    for note in placed:
        if note.id in of:
            columns.setdefault(of[note.id], set()).add(note.onset_beat)
    whole = {s: len(c) == 1 for s, c in columns.items()}
    shared = [c for c in columns.values() if len(c) == 1]
    apart = len({next(iter(c)) for c in shared}) == len(shared)
    directions, claimed = [], []
    for group in strokes(placed):
        mine = [placed[i] for i in group]
        real = [of[note.id] for note in mine if note.id in of]
        if len(real) < 3:
            continue
        way = stroke_direction(mine) if fixed else mine[0].stroke
        right = way == ("down" if take.down[real[0]] else "up")
        directions.append(right)
        if way is not None:
            claimed.append(right)
    beat = 60 / rhythm.bpm
    bar_1 = rhythm.downbeats_sec[0] if rhythm.downbeats_sec else -9.0
    felt = 60 / take.eighth_sec / (3 if take.meter == (6, 8) else 2)
    return {
        "one column": [float(v) for v in whole.values()],
        "own column": [float(apart)],
        "direction": [float(d) for d in directions],
        "  where told": [float(d) for d in claimed],
        "tempo": [float(abs(rhythm.bpm / pulse_beats(rhythm.meter) / felt - 1) < 0.06)],
        "meter": [float(rhythm.meter == take.meter)],
        "bar 1": [float(abs(bar_1 - take.first_sec) < 0.3 * beat)],
        "loop": [_loop_right(take, rhythm, placed)] if loop else [],
    }


def _loop_right(take: Take, rhythm: Rhythm, placed: Sequence[Note]) -> float:
    riff = Riff(instrument=Instrument(), rhythm=rhythm, notes=tuple(placed))
    loop = theory_report(riff).loop
    return float(loop is not None and _chords(loop.symbols) == _chords(take.loop))


def _chords(symbols: Sequence[str]) -> list[str]:
    """The chords in order, with one name for each root; one that lasts several bars once."""
    return [name for name, _ in itertools.groupby(transpose(symbol, 0) for symbol in symbols)]


def _librosa(take: Take, sound: tuple[np.ndarray, int]) -> float:
    """Whether `librosa.beat` finds the tempo: of quarters or, in 6/8, of dotted quarters."""
    import librosa

    bpm = float(np.atleast_1d(librosa.beat.beat_track(y=sound[0], sr=sound[1])[0])[0])
    per = 3 if take.meter == (6, 8) else 2
    return float(abs(bpm / (60 / take.eighth_sec / per) - 1) < 0.06)


def print_table(rows: Sequence[dict[str, list[float]]]) -> None:
    """The mean of each figure over all takes, and how many it is of."""
    for name in rows[0]:
        values = [v for row in rows for v in row.get(name, [])]
        print(f"{name:14s} {np.mean(values):.3f}  ({len(values)})")


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--takes", type=int, default=48)
    parser.add_argument("--seed", type=int, default=0, help="the first take")
    parser.add_argument("--fixed", action="store_true", help="the fixed window alone")
    parser.add_argument("--audio", type=Path, metavar="BANKS", help="played and heard again")
    parser.add_argument("--rough", type=float, default=0.0, help="0 clean, 1 as rough as it gets")
    options = parser.parse_args()
    if options.fixed:
        events.strokes = fixed_window  # type: ignore[attr-defined, assignment]
    bank = None
    if options.audio is not None:
        from tests.bench.notes import BANK, HELD_OUT
        from transcribe.training.banks import load_banks

        bank = load_banks(options.audio)[BANK]
    rows = []
    for seed in range(options.seed, options.seed + options.takes):
        take = strum(seed)
        if bank is None:
            rows.append(measure(take, fixed=options.fixed, loop=True))
            continue
        sound = render(take, bank, rough=options.rough, seed=seed)
        row = measure(heard_again(take, sound, HELD_OUT), fixed=options.fixed, loop=True)
        rows.append(row | {"librosa tempo": [_librosa(take, sound)]})
    print(f"{options.takes} strummed takes" + (", fixed window" if options.fixed else ""))
    print_table(rows)


if __name__ == "__main__":
    main()
