"""Fits the weights of `theory.weights` and says, by cross-validation, what they are worth.

Run as ``python -m tests.bench.theory_fit [--write]``. A conditional logit over the twelve tonics
and the four modes of the labels. Every label is weighted by its frequency to the power -`BALANCE`,
because the modes of riffs are spread more evenly than those of the tune books. Weights that
unaccompanied tunes of four modes cannot teach are set by hand (`HAND`, looking at generated riffs
of all seven modes over a drone) and stay as they are. The
answers are then read as `theory.find_mode` gives them, with every mode allowed: ionian and major
pentatonic count as major; aeolian, harmonic and melodic minor, minor pentatonic and blues as minor.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
from scipy.optimize import minimize

from tests.bench.theory_tunes import LABELS, Tune, load_tunes
from theory.arrays import as_notes
from theory.evidence import FEATURES, candidates, features

BALANCE = 0.87
RIDGE = 15.0
FOLDS = 10
FAMILY = {
    "ionian": "major",
    "major pentatonic": "major",
    "aeolian": "minor",
    "harmonic minor": "minor",
    "melodic minor": "minor",
    "minor pentatonic": "minor",
    "blues": "minor",
}
PLAIN = ("ionian", "aeolian", "mixolydian", "dorian")
HAND = {
    "first_1": 0.5,
    "first_3": 0.1,
    "first_5": 0.2,
    "downbeat_1": 1.0,
    "downbeat_5": 0.2,
    "bass_1": 2.5,
    "bass_5": 0.5,
    "drone_1": 5.5,
    "drone_5": 1.5,
    "drone_off": -3.0,
    "is_ionian": 0.0,
    "is_phrygian": 0.0,
    "is_lydian": -0.5,
    "is_locrian": -0.5,
    "is_harmonic_minor": -1.0,
    "is_melodic_minor": -1.2,
    "is_major_pentatonic": -2.0,
    "is_minor_pentatonic": -1.6,
    "is_blues": -2.0,
}
HEAD = '''"""How much each piece of evidence for a tonic and mode counts.

Source: fitted by `tests/bench/theory_fit.py` on music21's corpus folders `airdsAirs` and
`ryansMammoth` (tunes that carry their mode), with every mode family given nearly the same say
however often it is played. What unaccompanied tunes of four modes cannot teach is set by hand
there: first note, bar, bass, drone, and how likely the rarer modes are.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

__all__ = ["WEIGHTS"]

WEIGHTS: Mapping[str, float] = MappingProxyType(
    {
'''
TAIL = '''    }
)
"""Weight of each feature of `theory.evidence.FEATURES`, in nats per unit."""
'''


def family(name: str) -> str:
    """Label of the tune books that a mode of `theory` counts as."""
    return FAMILY.get(name, name)


class Problem:
    """The tunes as arrays: features (tunes, candidates, features) and the candidates allowed."""

    def __init__(self, tunes: list[Tune]) -> None:
        pairs = candidates()
        self.x = np.stack([features(as_notes(t.onset, t.duration, t.pitch)) for t in tunes]).astype(
            np.float32
        )
        names = [(tonic, family(name)) for tonic, name in pairs]
        self.plain = [i for i, (_, name) in enumerate(pairs) if name in PLAIN]
        self.right = np.array([[names[i] == (t.tonic, t.label) for i in self.plain] for t in tunes])
        self.label = np.array([LABELS.index(t.label) for t in tunes])
        share = np.bincount(self.label, minlength=len(LABELS)) / len(tunes)
        self.weight = share[self.label] ** -BALANCE
        self.weight = (self.weight / self.weight.mean()).astype(np.float32)
        self.names = names
        hand = np.array([HAND.get(f, 0.0) for f in FEATURES])
        spread = np.sqrt(((self.x - self.x.mean(1, keepdims=True)) ** 2).mean((0, 1)))
        self.free = [i for i, f in enumerate(FEATURES) if f not in HAND and spread[i] > 0]
        self.spread = spread[self.free]
        plain = self.x[:, self.plain]
        self.z = (plain[:, :, self.free] / self.spread).astype(np.float32)
        self.offset = (plain @ hand.astype(np.float32)).astype(np.float32)

    def fit(self, rows: np.ndarray) -> np.ndarray:
        """Weights of all features from the tunes ``rows``."""
        z, right = self.z[rows], self.right[rows].astype(np.float32)
        weight, offset = self.weight[rows], self.offset[rows]
        flat = z.reshape(-1, z.shape[2])

        def loss(w: np.ndarray) -> tuple[float, np.ndarray]:
            score = (flat @ w.astype(np.float32)).reshape(z.shape[:2]) + offset
            likely = np.exp(score - score.max(1, keepdims=True))
            total, good = likely.sum(1), (likely * right).sum(1) + 1e-30
            slope = (likely / total[:, None] - likely * right / good[:, None]) * weight[:, None]
            value = float(-(weight * np.log(good / total)).sum() + 0.5 * RIDGE * w @ w)
            return value, (slope.reshape(-1) @ flat).astype(float) + RIDGE * w

        found = minimize(
            loss, np.zeros(len(self.free)), jac=True, method="L-BFGS-B", options={"maxiter": 150}
        )
        out = np.array([HAND.get(f, 0.0) for f in FEATURES])
        out[self.free] = found.x / self.spread
        return out

    def answer(self, rows: np.ndarray, weights: np.ndarray) -> list[tuple[int, str]]:
        """The tonic and family of the likeliest candidate, as `find_mode` answers."""
        score = self.x[rows] @ weights
        return [self.names[i] for i in score.argmax(1)]


def cross_validated(problem: Problem) -> list[tuple[int, str]]:
    """Answers for every tune from weights that were fitted without it."""
    n = len(problem.x)
    fold = np.random.default_rng(0).permutation(n) % FOLDS
    out: list[tuple[int, str]] = [(0, "")] * n
    for k in range(FOLDS):
        held = np.flatnonzero(fold == k)
        weights = problem.fit(np.flatnonzero(fold != k))
        for i, found in zip(held, problem.answer(held, weights), strict=True):
            out[i] = found
    return out


def table(tunes: list[Tune], answers: list[tuple[int, str]]) -> dict[str, float]:
    """Share of exact answers: all tunes, each label, and the mean of the labels."""
    right = {label: [] for label in LABELS}  # type: dict[str, list[bool]]
    for tune, found in zip(tunes, answers, strict=True):
        right[tune.label].append(found == (tune.tonic, tune.label))
    out = {label: float(np.mean(hits)) for label, hits in right.items()}
    every = [hit for hits in right.values() for hit in hits]
    return {"all": float(np.mean(every)), "mean of modes": float(np.mean(list(out.values())))} | out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--write", action="store_true", help="write theory/weights.py")
    parser.add_argument("--quick", action="store_true", help="fit on all tunes only")
    args = parser.parse_args()
    tunes = [t for t in load_tunes() if t.label in LABELS]
    problem = Problem(tunes)
    rows = np.arange(len(tunes))
    weights = problem.fit(rows)
    print("fitted   ", _line(table(tunes, problem.answer(rows, weights))))
    if not args.quick:
        print("held out ", _line(table(tunes, cross_validated(problem))))
    if args.write:
        body = "".join(
            f'        "{name}": {value:.3f},\n'
            for name, value in zip(FEATURES, weights, strict=True)
        )
        path = Path(__file__).parents[2] / "theory" / "weights.py"
        path.write_text(HEAD + body + TAIL)
        print(f"wrote {path.name}")


def _line(scores: dict[str, float]) -> str:
    return "  ".join(f"{name} {value:.3f}" for name, value in scores.items())


if __name__ == "__main__":
    main()
