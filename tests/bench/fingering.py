"""Measures the fingering: ``python -m tests.bench.fingering EDITIONS [--cross-validate]``.

``EDITIONS`` is a folder of published editions as `transcribe.training.fit_fingering` reads them.
Each table sets the solver beside a simpler reference in the same run.
"""

from __future__ import annotations

import argparse
import contextlib
import dataclasses
import statistics
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import numpy as np

from tests.fingering.riffs import MODES, PATTERNS, SPARSE_PATTERNS, DroneRiff, drone_riff, rough
from transcribe.core.errors import ParameterError
from transcribe.core.riff import Instrument, Note, Phrase, Rhythm, Riff, sort_notes
from transcribe.correct.pins import pin, repeats_of
from transcribe.drone import drone_strings
from transcribe.fingering import (
    apply,
    find_drone,
    instrument_guess,
    solve,
)
from transcribe.fingering.costs import weights_table
from transcribe.fingering.plan import plan_onsets
from transcribe.fingering.solver import Solver
from transcribe.formats.document import read_riff
from transcribe.training.editions import ROWS, Piece, read_pieces
from transcribe.training.fit_fingering import cross_validate, score

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures" / "takes"


def lowest_frets(piece: Piece) -> dict[int, int]:
    """The reference: at each onset the strings with the least sum of frets."""
    groups: dict[float, list[Note]] = {}
    for note in piece.notes:
        groups.setdefault(note.onset_sec, []).append(note)
    out: dict[int, int] = {}
    for group in groups.values():
        best: tuple[float, dict[int, int]] = (float("inf"), {})

        def put(k: int, used: frozenset[int], cost: float, chosen: dict[int, int]) -> None:
            nonlocal best
            if cost >= best[0]:
                return
            if k == len(group):  # noqa: B023 - called at once
                best = (cost, dict(chosen))
                return
            note = group[k]  # noqa: B023
            for string, fret in piece.instrument.places(note.pitch_midi):
                if string not in used:
                    put(k + 1, used | {string}, cost + fret, chosen | {note.id: string})
            put(k + 1, used, cost + 1000, chosen)

        put(0, frozenset(), 0.0, {})
        out |= best[1]
    return out


def editions(folder: Path, *, again: bool) -> None:
    pieces = read_pieces(folder)
    began = time.perf_counter()
    shipped = []
    for piece in pieces:
        solved = solve(piece.notes, piece.instrument, drone="off")
        strings = {i: p[0] for i, p in solved.positions.items()}
        shipped.append((piece, strings, dict(solved.fingers)))
    took = time.perf_counter() - began
    table: dict[str, Mapping[str, float]] = {
        "lowest fret": score((p, lowest_frets(p), {}) for p in pieces),
        "shipped weights (fitted on these pieces)": score(shipped),
    }
    if again:
        table["cross-validated by work, now"], _ = cross_validate(pieces, say=print)
    else:
        recorded = weights_table()["provenance"].get("cross_validated_by_work", {})
        table["cross-validated by work, as recorded with the weights"] = recorded
    print(f"\nPublished editions: {len(pieces)} pieces, agreement in % ({took:.1f} s to solve)")
    print(f"{'':55}" + "".join(f"{row:>10}" for row in (*ROWS, "balanced")))
    for name, rates in table.items():
        cells = "".join(
            f"{100 * rates.get(row, float('nan')):10.1f}" for row in (*ROWS, "balanced")
        )
        print(f"{name:55}{cells}")
    false = [p.name for p in pieces if find_drone(p.notes, p.instrument) is not None]
    print(f"drones found in them (none is one): {len(false)} {false or ''}")


def drones(patterns: Sequence[str], count: int = 420) -> None:
    print(f"\nDrone riffs made here: {count}, all modes and strings, {', '.join(patterns)}")
    print(f"{'':22}{'drone missed %':>16}{'positions %':>14}{'lowest fret %':>15}")
    for title, make in (("true notes", False), ("as read, rough", True)):
        rng = np.random.default_rng(7)
        missed, right, low, total = 0, 0, 0, 0
        for k in range(count):
            riff = drone_riff(
                rng,
                mode=list(MODES)[k % 7],
                drone_string=1 + k % 6,
                pattern=patterns[(k // 42) % len(patterns)],
            )
            notes = rough(rng, riff) if make else riff.notes
            solved = solve(notes, riff.instrument)
            missed += solved.drone is None or solved.drone.string != riff.drone_string
            for note in notes:
                if note.string is None:
                    continue
                total += 1
                right += solved.positions.get(note.id) == (note.string, note.fret)
                places = riff.instrument.places(note.pitch_midi)
                low += min(places, key=lambda p: p[1]) == (note.string, note.fret)
        print(
            f"{title:22}{100 * missed / count:16.1f}{100 * right / total:14.2f}"
            f"{100 * low / total:15.1f}"
        )


def training_phrases(count: int = 200) -> None:
    """Drone phrases drawn as the training clips are: any instrument, slurs, two-string drones."""
    from transcribe.training.phrases import make_score

    rng, noise = np.random.default_rng(5), np.random.default_rng(1)
    sums: dict[tuple[str, str], list[int]] = {}
    for _ in range(count):
        made = make_score(rng, kind="drone")
        notes = sort_notes(
            [
                Note(
                    i + 1,
                    n.onset_sec,
                    max(n.offset_sec, n.onset_sec + 0.03),
                    n.pitch_midi,
                    string=n.string,
                    fret=n.fret,
                    articulation=n.articulation,
                )
                for i, n in enumerate(made.notes)
            ]
        )
        drone = made.drone_string or 0
        others = [n.string for n in made.notes if n.string != drone]
        melody = statistics.mode(others) if others else 0
        side = "thinner" if melody < drone else "thicker"
        riff = DroneRiff(notes, made.instrument, drone, melody, made.mode or "", "")
        for reading, read in (("true notes", notes), ("as read, rough", rough(noise, riff))):
            bare = [dataclasses.replace(n, string=None, fret=None) for n in read]
            solved = solve(bare, made.instrument)
            strings = () if solved.drone is None else drone_strings(solved.drone)
            row = sums.setdefault((reading, side), [0, 0, 0, 0])
            row[0] += 1
            row[1] += drone not in strings
            known = [n for n in read if n.string is not None]
            row[2] += sum(solved.positions.get(n.id) == (n.string, n.fret) for n in known)
            row[3] += len(known)
    print("\nDrone phrases drawn for training")
    for (reading, side), (riffs, missed, right, total) in sorted(sums.items()):
        print(
            f"{reading:16}melody on the {side} string: {riffs} phrases, drone missed "
            f"{100 * missed / riffs:.1f} %, positions {100 * right / total:.1f} %"
        )


def tunings(count: int = 210) -> None:
    """How often half a step down is guessed when all notes lie so many semitones elsewhere.

    A drone a semitone down sounds as the one on the next thicker string behind a capo at fret 4
    does: what is guessed at -1 is guessed at +4, too (and at +3, -5 and -6 over strings 3 and 2,
    whose interval is another).
    """

    def guessed(notes: Sequence[Note], semitones: int) -> bool:
        bare = [
            dataclasses.replace(n, pitch_midi=n.pitch_midi + semitones, string=None, fret=None)
            for n in notes
        ]
        guess = instrument_guess(bare, 0.0, Instrument())
        return guess is not None and guess.name == "half-step-down"

    def row(name: str, riffs: Sequence[Sequence[Note]]) -> None:
        cells = "".join(f"{sum(guessed(r, k) for r in riffs):5}" for k in range(-6, 7))
        print(f"{name:24}{len(riffs):5}{cells}")

    rng = np.random.default_rng(7)
    made = [
        drone_riff(
            rng,
            mode=list(MODES)[k % 7],
            drone_string=1 + k % 6,
            pattern=PATTERNS[(k // 6) % len(PATTERNS)],
        )
        for k in range(count)
    ]
    print("\nHalf a step down guessed, by semitones that the notes were shifted")
    print(f"{'':24}{'of':>5}" + "".join(f"{k:+5}" for k in range(-6, 7)))
    row("shipped takes", [read_riff(p).notes for p in sorted(FIXTURES.glob("*/truth.riff.json"))])
    for string in range(1, 7):
        riffs = [riff.notes for riff in made if riff.drone_string == string]
        row(f"drone on string {string}", riffs)


def scales() -> None:
    """The families of scale patterns of `tests.outside.test_positions`, in all keys."""
    from tests.outside import test_positions as known

    three = "three notes a string"
    rows: dict[str, list[float]] = {}
    for degree in range(7):
        for tonic in range(40, 52):
            places = known.only(known.three_a_string(tonic, degree))
            for title, slurred in (("slurred", True), ("picked", False)):
                share = known.share_right(places, kind=three, slurred=slurred)
                rows.setdefault(f"{three}, {title}", []).append(share)
    for title, family in (
        ("pentatonic, five forms", known.PENTATONIC),
        ("major, five positions", known.FIVE_POSITIONS),
    ):
        for pattern in family:
            written = known.written(pattern)
            for k in known.shifts(written):
                share = known.share_right(known.only(known.moved(written, k)))
                rows.setdefault(title, []).append(share)
    for tonic in known.SECOND_POSITION.values():
        for k in range(11):
            places = known.in_position(tonic + k, 2 + k)
            for pinned in (1, 2):
                title = f"major, five keys of one position, {pinned} pinned"
                rows.setdefault(title, []).append(known.share_right(places, pinned=pinned))
    print("\nScale patterns, up and down, the first note pinned where not said otherwise")
    for title, shares in rows.items():
        print(
            f"{title:48}{len(shares):4} runs, {100 * np.mean(shares):6.1f} % of the notes, "
            f"worst run {100 * min(shares):.0f} %"
        )


def takes() -> None:
    print("\nShipped takes, positions from their true notes")
    for path in sorted(FIXTURES.glob("*/truth.riff.json")):
        riff = read_riff(path)
        bare = [dataclasses.replace(n, string=None, fret=None) for n in riff.notes]
        solved = solve(bare, riff.instrument, rhythm=riff.rhythm)
        right = [solved.positions.get(n.id) == (n.string, n.fret) for n in riff.notes]
        drone = "-" if solved.drone is None else solved.drone.string
        truth = "-" if riff.drone is None else riff.drone.string
        print(f"{path.parent.name:16}{100 * np.mean(right):8.1f} %  drone {drone} (true {truth})")


def random_walk(count: int, seed: int = 3) -> list[Note]:
    """A line with a chord now and then, as dense as a fast riff."""
    rng = np.random.default_rng(seed)
    notes, pitch, time_sec = [], 57, 0.0
    while len(notes) < count:
        pitch = int(np.clip(pitch + rng.integers(-4, 5), 45, 76))
        group = (pitch, pitch + 4, pitch + 7) if rng.random() < 0.1 else (pitch,)
        for p in group:
            notes.append(Note(len(notes) + 1, time_sec, time_sec + 0.2, p))
        time_sec += 0.15
    return notes[:count]


def _step_by_step_sec(notes: Sequence[Note], instrument: Instrument) -> float:
    """The reference: processor time to search by the named costs of one onset after another."""
    solver = Solver(instrument)
    plan = plan_onsets(sort_notes(list(notes)), instrument, solver.chooser, drone=None, pins={})
    began = time.process_time()
    states = solver.beam.start()
    for onset in plan.onsets:
        local = onset.candidates.own[None, :] + solver.beam.between(states, onset)
        states = solver.beam.follow(
            states, onset, local, *solver.beam.survivors(states, onset, local)
        )
    return time.process_time() - began


def speed() -> None:
    """Processor time; the reference searches the strings of 1,200 notes step by step."""
    instrument = Instrument()
    reference = _step_by_step_sec(random_walk(1200), instrument)
    print(
        "\nProcessor time, 22 frets, beside a search of the strings of 1,200 notes by their named "
        f"costs, one onset after another ({1000 * reference:.0f} ms)"
    )
    print(f"{'':38}{'median ms':>10}{'worst ms':>10}{'ratio':>8}")

    def row(name: str, spent: Sequence[float]) -> None:
        middle = statistics.median(spent)
        print(f"{name:38}{1000 * middle:10.0f}{1000 * max(spent):10.0f}{middle / reference:8.2f}")

    for count in (200, 1200):
        notes = random_walk(count)
        riff = Riff(instrument, apply(notes, solve(notes, instrument)))
        rng = np.random.default_rng(1)
        spent = []
        for _ in range(40):
            note = riff.notes[int(rng.integers(len(riff.notes)))]
            places = instrument.places(note.pitch_midi)
            place = places[int(rng.integers(len(places)))]
            began = time.process_time()
            with contextlib.suppress(ParameterError):  # one that robs another note is refused
                pin(riff, {note.id: place})
                spent.append(time.process_time() - began)
        row(f"a pin and what it changes, {count:,} notes", spent)
    for count in (1200, 5000, 10000):
        spent = []
        for seed in range(3):
            big = random_walk(count, seed=seed)
            fresh = Solver(instrument)
            began = time.process_time()
            fresh.solve(big)
            spent.append(time.process_time() - began)
        row(f"strings and fingers of {count:,} notes", spent)


def _corrections(riff: Riff, wish: Mapping[int, tuple[int, int]], *, repeats: bool) -> int:
    """Pins until the riff lies as the player wishes: always the first note that does not."""
    count = 0
    while count < 400:
        off = [n for n in riff.notes if n.id in wish and (n.string, n.fret) != wish[n.id]]
        if not off:
            break
        riff = pin(riff, {off[0].id: wish[off[0].id]}, repeats=repeats)
        count += 1
    return count


def corrections(count: int = 24) -> None:
    players = {
        "stays along one string": {"cross": 3.0, "skip_strings": 1.0, "other_place": 1.0},
        "shuns open strings": {"open": 2.0},
        "stays low on the neck": {"fret": 3.0, "position": 3.0},
    }
    base = Solver(Instrument())
    print("\nCorrections a simulated player makes until it agrees, per 100 notes")
    print(f"{'':26}{'repeats along':>15}{'one by one':>12}")
    for name, changes in players.items():
        other = Solver(Instrument(), weights=base.weights | changes)
        with_repeats, single, total = 0, 0, 0
        for k in range(count):
            rng = np.random.default_rng(100 + k)
            phrase = random_walk(12, seed=200 + k)
            notes = []
            for r in range(3):
                for i, note in enumerate(phrase):
                    at = 2.0 * r + note.onset_sec
                    beat = 2 * (r * 12 + i)
                    notes.append(
                        dataclasses.replace(
                            note,
                            id=len(notes) + 1,
                            onset_sec=at,
                            offset_sec=at + float(rng.uniform(0.1, 0.2)),
                            onset_beat=float(beat),
                            duration_beat=1.0,
                        )
                    )
            phrases = tuple(Phrase("A", 24.0 * r, 24.0 * r + 24.0) for r in range(3))
            rhythm = Rhythm(400.0, phrases=phrases)
            wish = other.solve(notes, phrases=phrases).positions
            solved = solve(notes, Instrument(), rhythm=rhythm, drone="off")
            riff = Riff(Instrument(), apply(sort_notes(notes), solved), rhythm=rhythm)
            assert repeats_of(riff, 1)
            with_repeats += _corrections(riff, wish, repeats=True)
            single += _corrections(riff, wish, repeats=False)
            total += len(notes)
        print(f"{name:26}{100 * with_repeats / total:15.1f}{100 * single / total:12.1f}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("editions", type=Path, nargs="?", help="folder of published editions")
    parser.add_argument("--cross-validate", action="store_true", help="fit again, some minutes")
    args = parser.parse_args()
    if args.editions is not None:
        editions(args.editions, again=args.cross_validate)
    parts: tuple[Callable[[], None], ...] = (
        lambda: drones(PATTERNS),
        lambda: drones(SPARSE_PATTERNS, 252),
        training_phrases,
        tunings,
        scales,
        takes,
        speed,
        corrections,
    )
    for part in parts:
        part()


if __name__ == "__main__":
    main()
