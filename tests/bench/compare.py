"""How many planted mistakes a comparison finds, and how many it invents.

Run from the notes alone as ``python -m tests.bench.compare``, and through sound as
``python -m tests.bench.compare --banks banks.npz --weights tests/bench/data/notes_heldout.onnx``,
which are weights that never heard the bank that plays. Phrases are drawn from the training
generator by seeds of their own, played again at another tempo with known slips, and compared. Each
table gives precision, recall and F1 over wrong, missed, extra, and early or late notes together;
"unsure" finds nothing and accuses nobody. Times are given as a ratio within the run.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from tests.bench.compare_takes import Planted, plant, reference_of, take_of, written
from transcribe.core.riff import Instrument, Riff, Timing
from transcribe.takes import Comparison, compare
from transcribe.takes.onset_activations import OnsetActivations, onset_activations
from transcribe.training.phrases import make_score

_KINDS = ("wrong", "missed", "extra", "shifted")
_SEED = 90_000  # far from any seed that trains or that a threshold was chosen by

Hear = Callable[[np.random.Generator, Planted], tuple[Riff, OnsetActivations | None]]


@dataclass
class Tally:
    """Counts over many takes."""

    found: Counter[str] = field(default_factory=Counter)
    invented: Counter[str] = field(default_factory=Counter)
    lost: Counter[str] = field(default_factory=Counter)
    late_error_ms: list[float] = field(default_factory=list)
    right: int = 0
    notes: int = 0
    clean_of_missed: int = 0
    takes: int = 0

    def add(self, comparison: Comparison, planted: Planted, reference: Riff) -> None:
        """Count one take."""
        said, truth = _said(comparison), _truth(planted)
        for kind in _KINDS:
            hits = _matched(said[kind], truth[kind])
            self.found[kind] += hits
            self.invented[kind] += len(said[kind]) - hits
            self.lost[kind] += len(truth[kind]) - hits
        for row in comparison.notes:
            if row.reference in planted.shifted and row.offset_ms is not None:
                self.late_error_ms.append(abs(row.offset_ms - planted.shifted[row.reference]))
        self.right += comparison.summary.counts.get("right", 0)
        self.notes += len(reference.notes)
        self.clean_of_missed += not said["missed"] - truth["missed"]
        self.takes += 1

    def score(self, kinds: Iterable[str] = _KINDS) -> tuple[float, float, float]:
        """Precision, recall and F1 of ``kinds`` taken together."""
        hit, wrong, gone = (
            sum(counter[k] for k in kinds) for counter in (self.found, self.invented, self.lost)
        )
        precision = hit / (hit + wrong) if hit + wrong else 1.0
        recall = hit / (hit + gone) if hit + gone else 1.0
        return precision, recall, 2 * hit / max(1, 2 * hit + wrong + gone)


def _said(comparison: Comparison) -> dict[str, set]:
    said: dict[str, set] = defaultdict(set)
    for row in comparison.notes:
        if row.again or row.left_out:
            continue
        if row.verdict == "extra" and row.take is not None:
            note = comparison.take.notes[row.take]
            said["extra"].add((note.onset_sec, note.pitch_midi))
        elif row.verdict in ("early", "late"):
            said["shifted"].add(row.reference)
        elif row.verdict in ("wrong", "missed"):
            said[row.verdict].add(row.reference)
    # A stretch that the comparison takes for left out is as good as missed to whoever played it.
    said["missed"] |= {r.reference for r in comparison.notes if r.left_out}
    return said


def _truth(planted: Planted) -> dict[str, set]:
    return {
        "wrong": set(planted.wrong),
        "missed": set(planted.missed),
        "shifted": set(planted.shifted),
        "extra": set(planted.extra),
    }


def _matched(said: set, truth: set) -> int:
    """How many agree; extra notes agree in pitch and to 60 ms."""
    if not truth or not isinstance(next(iter(truth)), tuple):
        return len(said & truth)
    free = list(said)
    hits = 0
    for onset, pitch in sorted(truth):
        near = [s for s in free if s[1] == pitch and abs(s[0] - onset) < 0.06]
        if near:
            free.remove(min(near, key=lambda s: abs(s[0] - onset)))
            hits += 1
    return hits


def by_notes(rng: np.random.Generator, planted: Planted) -> tuple[Riff, None]:
    """The take as it was played, every note known."""
    return take_of(planted), None


def by_sound(banks_file: str, bank_name: str, weights: Path | None, rough: bool) -> Hear:
    """The take rendered on a bank and heard by the note tracker."""
    from transcribe.audio import tuning_offset_cents
    from transcribe.notes import find_notes
    from transcribe.notes.network import WEIGHTS
    from transcribe.training.banks import SR, load_banks
    from transcribe.training.render import draw_touch, render
    from transcribe.training.rough import draw_rough, roughen

    banks = load_banks(banks_file)

    def hear(rng: np.random.Generator, planted: Planted) -> tuple[Riff, OnsetActivations | None]:
        cents = float(rng.uniform(-40, 40)) if rough else 0.0
        y, _ = render(
            planted.played,
            bank=banks[bank_name].for_clip(rng),
            rng=rng,
            duration_sec=planted.duration_sec,
            touch=draw_touch(rng),
            offset_cents=cents,
        )
        strength = float(rng.uniform(0.3, 0.9)) if rough else 0.0
        y = roughen(y, draw_rough(rng, strength, codecs=False), rng)
        offset = tuning_offset_cents(y, sr=SR)
        notes = find_notes(
            y, sr=SR, offset_cents=offset, instrument=Instrument(), weights=weights or WEIGHTS
        )
        shares = onset_activations(y, sr=SR, offset_cents=offset, weights=weights)
        return Riff(instrument=Instrument(offset_cents=offset), notes=notes), shares

    return hear


def planted_takes(
    takes: int,
    hear: Hear,
    *,
    share: float = 0.04,
    first: int = 0,
    order_only: bool = False,
) -> Tally:
    """Compare ``takes`` takes with planted mistakes, or without (``share`` 0)."""
    tally = Tally()
    for k in range(takes):
        rng = np.random.default_rng((_SEED, first + k))
        reference, played = written(rng)
        if order_only:
            reference = replace(reference, timing=Timing("order"))
        planted = plant(rng, reference, played, share=share)
        take, shares = hear(rng, planted)
        tally.add(compare(take, reference, shares=shares), planted, reference)
    return tally


def told_apart(takes: int) -> tuple[int, int, int, int]:
    """Takes of another riff that are told so, of how many; takes of the riff that are kept, of how
    many. A take of the riff has slips of each kind in 15 of 100 notes; another riff is a phrase of
    any kind, or as the riff is one over a drone.
    """
    told = others = kept = own = 0
    for k in range(takes):
        rng = np.random.default_rng((_SEED + 3, k))
        kind = "drone" if k % 2 else None
        reference, played = written(rng, kind=kind)
        other, other_played = written(rng, kind=kind)
        kept += compare(take_of(plant(rng, reference, played, share=0.15)), reference).same_riff
        told += not compare(take_of(plant(rng, other, other_played)), reference).same_riff
        own, others = own + 1, others + 1
    return told, others, kept, own


def drone_takes(takes: int, hear: Hear) -> tuple[int, int, int]:
    """Drop-outs of the drone: found, invented, lost; a gap is found if the two overlap by half."""
    found = invented = lost = 0
    for k in range(takes):
        rng = np.random.default_rng((_SEED + 1, k))
        reference, played = written(rng, kind="drone")
        planted = plant(rng, reference, played, share=0.0, drone_gaps=2)
        take, shares = hear(rng, planted)
        drone = compare(take, reference, shares=shares).drone
        gaps = [] if drone is None else [(g.start_sec, g.end_sec) for g in drone.gaps]
        for a, b in planted.gaps:
            over = [g for g in gaps if min(b, g[1]) - max(a, g[0]) > 0.5 * (b - a)]
            found += bool(over)
            lost += not over
            gaps = [g for g in gaps if g not in over]
        invented += len(gaps)
    return found, invented, lost


def long_reference(notes: int) -> tuple[Riff, tuple]:
    """A reference of ``notes`` notes, phrase after phrase."""
    rng = np.random.default_rng(_SEED + 2)
    kept: list = []
    beat = start = 0.0
    while len(kept) < notes:
        kind = str(rng.choice(["drone", "line", "arpeggio"]))
        score = make_score(rng, kind=kind, instrument=Instrument(), low_midi=40)
        for n in score.notes:
            kept.append(
                replace(
                    n,
                    onset_beat=(n.onset_beat or 0.0) + beat,
                    onset_sec=n.onset_sec + start,
                    offset_sec=n.offset_sec + start,
                )
            )
        beat = float(np.ceil(max(n.onset_beat for n in kept))) + 1.0
        start = max(n.offset_sec for n in kept)
    places = {(round(n.onset_beat, 4), n.pitch_midi): n for n in kept[:notes]}
    ordered = sorted(places.values(), key=lambda n: n.onset_sec)
    return reference_of(ordered, 120.0, (4, 4), False)


def seconds_for(notes: int) -> float:
    """Processor seconds of one comparison with ``notes`` reference notes, the best of three."""
    reference, played = long_reference(notes)
    take = take_of(plant(np.random.default_rng(_SEED), reference, played, share=0.02))
    best = np.inf
    for _ in range(3):
        begin = time.process_time()
        compare(take, reference)
        best = min(best, time.process_time() - begin)
    return best


def _table(name: str, tally: Tally) -> None:
    print(f"\n{name}: {tally.takes} takes, {tally.notes} notes")
    print(f"  {'':10s} {'planted':>8s} {'precision':>10s} {'recall':>8s} {'F1':>8s}")
    for kind in (*_KINDS, "all"):
        kinds = _KINDS if kind == "all" else (kind,)
        planted = sum(tally.found[k] + tally.lost[k] for k in kinds)
        p, r, f = tally.score(kinds)
        print(f"  {kind:10s} {planted:8d} {p:10.3f} {r:8.3f} {f:8.3f}")
    if tally.late_error_ms:
        print(f"  lateness error: median {np.median(tally.late_error_ms):.1f} ms")


def main(argv: Sequence[str] | None = None) -> None:
    """Print every table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--banks", help="packed banks of recorded notes; without, notes alone")
    parser.add_argument("--bank", default="acoustic", help="the bank that plays")
    parser.add_argument(
        "--weights", type=Path, help="the note network; give one that has not heard the bank"
    )
    parser.add_argument("--takes", type=int, default=40)
    args = parser.parse_args(argv)
    _table("from notes alone", planted_takes(5 * args.takes, by_notes))
    _faultless("faultless, from notes alone", planted_takes(5 * args.takes, by_notes, share=0.0))
    _drone("drone, from notes alone", drone_takes(args.takes, by_notes))
    _table(
        "from notes alone, the reference's order only (which of two equal notes in a row is "
        "missed cannot be told, nor who is late)",
        planted_takes(2 * args.takes, by_notes, order_only=True),
    )
    told, others, kept, own = told_apart(2 * args.takes)
    print(
        f"\nanother riff: told so {told} of {others}; the riff, badly played: kept {kept} of {own}"
    )
    if args.banks:
        clean = by_sound(args.banks, args.bank, args.weights, rough=False)
        rough = by_sound(args.banks, args.bank, args.weights, rough=True)
        _table("through sound, clean", planted_takes(args.takes, clean))
        _table("through sound, rough", planted_takes(args.takes, rough))
        faultless = planted_takes(args.takes, rough, share=0.0, first=1000)
        _faultless("faultless, rough", faultless)
        _drone("drone, rough", drone_takes(args.takes, rough))
    times = {n: seconds_for(n) for n in (1000, 2000, 4000, 8000)}
    print("\nsize of the reference: seconds, and growth per doubling")
    for n, seconds in times.items():
        growth = f"{seconds / times[n // 2]:6.2f}" if n // 2 in times else ""
        print(f"  {n:6d} {seconds:8.2f} {growth}")


def _faultless(name: str, tally: Tally) -> None:
    print(
        f"\n{name}: right {tally.right / tally.notes:.3f} of {tally.notes} notes; "
        f"no false missed in {tally.clean_of_missed} of {tally.takes} takes"
    )


def _drone(name: str, counts: tuple[int, int, int]) -> None:
    found, invented, lost = counts
    f1 = 2 * found / max(1, 2 * found + invented + lost)
    print(f"\n{name}: {found} found, {invented} invented, {lost} lost, F1 {f1:.3f}")


if __name__ == "__main__":
    main()
