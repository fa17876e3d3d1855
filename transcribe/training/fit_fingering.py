"""Fits the weights of the costs on published editions.

Run as ``python -m transcribe.training.fit_fingering FOLDER -o weights.json``.

``FOLDER`` holds a ``pieces`` folder of JSON files, one a piece, whose notes carry the strings and
fingers that editors wrote (see `transcribe.training.editions`). The data stays outside the
project; what comes back is the table ``weights.json``.

Method: the beam search lays out a lattice of the likely ways to play each piece; a softmax over
its paths makes the expected agreement with the editors a smooth function of the weights, whose
exact gradient comes from one pass forward and one back. It is maximised by L-BFGS with a square
penalty toward the hand-set weights; the lattice is laid out anew a few times on the way. What is
maximised is a mean of the agreement on string numbers, on strings implied by position and
finger, and on open strings, plus a share of the agreement on fingers. A work with many labels of
a kind would drown the others: a label counts the less the more of its kind its work has
(``evenness``). There are many maxima near one another, and which of them a climb ends in is
chance: several climbs are made, each through a softmax of its own ``sharpness``, and the table is
the mean of where they end. Cross-validation leaves out whole works, all parts of one work
together; over other divisions into folds it shows how far the figures are chance.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from inspect import signature
from multiprocessing import get_context
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np

from transcribe.fingering.costs import FITTED, JUDGED_WEIGHTS
from transcribe.fingering.solver import Solver
from transcribe.training.editions import ROWS, Piece, read_pieces
from transcribe.training.lattice import Lattice, lay_out, passes

__all__ = [
    "FINGER_OPTIONS",
    "cross_validate",
    "fit",
    "fit_both",
    "folds_by_work",
    "main",
    "predict",
    "score",
    "weights_document",
]

FINGER_OPTIONS: Mapping[str, Any] = MappingProxyType({"l2": 0.0003, "sharpness": (4.0,)})
"""How the fit of the fingers, once the strings are known, differs from that of the strings."""


def fit(
    pieces: Sequence[Piece],
    *,
    start: Mapping[str, float] = JUDGED_WEIGHTS,
    l2: float = 0.001,
    open_share: float = 0.39,
    finger_share: float = 0.5,
    evenness: float = 0.5,
    sharpness: Sequence[float] = (2.0, 3.0, 4.0, 6.0),
    rounds: int = 2,
    iterations: int = 30,
    width: int = 16,
    strings: Mapping[str, float] | None = None,
    say: Callable[[str], None] | None = None,
) -> dict[str, float]:
    """Weights that raise the expected agreement with the editors of ``pieces``.

    ``open_share`` is how much open-string labels count among those of strings, the other two
    kinds share the rest. ``evenness``: 0 counts every label alike, 1 every work alike, whatever
    the number of its labels. ``l2`` pulls each weight toward ``start`` (on the scale
    0.1 + |start|). ``sharpness`` scales the costs in the softmax: one climb for each, and the mean
    of where they end. The lattice is laid out ``rounds`` times, at the mean so far. With
    ``strings``, weights that choose the strings, only the fingers on those strings are fitted.
    """
    rest = (1.0 - open_share) / 2
    share = np.array([rest, rest, open_share, finger_share])
    if strings is not None:
        share = np.array([0.0, 0.0, 0.0, 1.0])
    used = [p for p in pieces if _labelled(p, ROWS if strings is None else ("finger",))]
    places = {
        p.name: None
        if strings is None
        else Solver(p.instrument, weights=strings).solve(p.notes).positions
        for p in used
    }
    base = np.array([start[name] for name in FITTED])
    task = _Task(
        value=_values(used, share, evenness),
        base=base,
        scale=0.1 + np.abs(base),
        l2=l2,
        iterations=iterations,
    )
    ends = [np.zeros(len(base)) for _ in sharpness]
    for number in range(rounds):
        weights = dict(start) | task.weights(np.mean(ends, axis=0))
        lattices = [lay_out(p, weights, width, places[p.name]) for p in used]
        for climb, sharp in enumerate(sharpness):
            ends[climb], gained, steps = task.climb(lattices, ends[climb], sharp)
            if say:
                said = f"expected agreement {gained:.4f} after {steps} steps"
                say(f"round {number + 1}, sharpness {sharp:g}: {said}")
    return dict(start) | task.weights(np.mean(ends, axis=0))


def _values(pieces: Sequence[Piece], share: np.ndarray, evenness: float) -> list[np.ndarray]:
    """What one label of each row of `ROWS` is worth in each piece; all of a row, its share."""
    counts: dict[str, np.ndarray] = {}
    for p in pieces:
        own = [float(sum(x is not None for x in p.labels[row])) for row in ROWS]
        counts[p.work] = counts.get(p.work, np.zeros(len(ROWS))) + own
    worth = {work: np.maximum(n, 1.0) ** -evenness for work, n in counts.items()}
    total = sum((n * worth[work] for work, n in counts.items()), np.zeros(len(ROWS)))
    return [share * worth[p.work] / np.maximum(total, 1e-9) for p in pieces]


@dataclass(frozen=True, slots=True)
class _Task:
    """What is maximised: the agreement by ``value`` over the lattices, less the penalty."""

    value: Sequence[np.ndarray]
    base: np.ndarray
    scale: np.ndarray
    l2: float
    iterations: int

    def weights(self, x: np.ndarray) -> dict[str, float]:
        """The weights at ``x``, which counts from the start on the scale of the penalty."""
        return dict(zip(FITTED, (self.base + self.scale * x).tolist(), strict=True))

    def climb(
        self, lattices: Sequence[Lattice], x: np.ndarray, sharpness: float
    ) -> tuple[np.ndarray, float, int]:
        """Where a climb from ``x`` ends, what is reached there, and the steps to it."""
        from scipy.optimize import minimize

        run = passes()

        def loss(x: np.ndarray) -> tuple[float, np.ndarray]:
            w = self.base + self.scale * x
            gained, slope = 0.0, np.zeros(len(w))
            for lat, value in zip(lattices, self.value, strict=True):
                cost = sharpness * lat.costs(w)
                coef = np.zeros(len(cost))
                mean, _ = run(
                    lat.edges, lat.edge_start, lat.state_start, cost, lat.hits @ value, coef
                )
                gained += mean
                slope -= sharpness * lat.slope(coef)
            penalty = self.l2 * float(x @ x)
            return penalty - gained, 2 * self.l2 * x - slope * self.scale

        done = minimize(
            loss, x, jac=True, method="L-BFGS-B", options={"maxiter": self.iterations, "maxcor": 12}
        )
        return done.x, -float(done.fun), int(done.nit)


def _labelled(piece: Piece, rows: Sequence[str]) -> bool:
    return any(x is not None for row in rows for x in piece.labels[row])


def predict(
    piece: Piece,
    weights: Mapping[str, float],
    fingers: Mapping[str, float] | None = None,
    *,
    beam: int = 24,
) -> tuple[dict[int, int], dict[int, int]]:
    """Strings and fingers of a piece by note id."""
    solver = Solver(piece.instrument, weights=weights, fingers=fingers, beam=beam)
    solved = solver.solve(piece.notes)
    return {i: p[0] for i, p in solved.positions.items()}, dict(solved.fingers)


def score(
    pieces: Iterable[tuple[Piece, Mapping[int, int], Mapping[int, int]]],
) -> dict[str, float]:
    """Agreement (0-1) on each row of `ROWS`, and ``balanced``: the mean of the three of strings."""
    hit, count = dict.fromkeys(ROWS, 0), dict.fromkeys(ROWS, 0)
    for piece, strings, fingers in pieces:
        for row in ROWS:
            table = fingers if row == "finger" else strings
            for note_id, label in enumerate(piece.labels[row]):
                if label is not None:
                    count[row] += 1
                    hit[row] += table.get(note_id) == label
    rates = {row: hit[row] / max(1, count[row]) for row in ROWS}
    return rates | {"balanced": sum(rates[row] for row in ROWS[:3]) / 3}


def folds_by_work(
    pieces: Sequence[Piece], count: int = 7, *, division: int = 0
) -> list[list[Piece]]:
    """``pieces`` in ``count`` folds of about as many labels, all parts of one work together.

    Division 0 is as even as it gets; each other number is another division, less even, the same
    each time.
    """
    works: dict[str, list[Piece]] = {}
    for piece in pieces:
        works.setdefault(piece.work, []).append(piece)

    def weight(group: Sequence[Piece]) -> float:
        """Labels of a work, each kind by its scarcity."""
        rate = {"written": 1 / 600, "position": 1 / 1600, "open": 1 / 450, "finger": 0.0}
        return sum(
            rate[row] * (x is not None) for p in group for row in ROWS for x in p.labels[row]
        )

    rng = np.random.default_rng(division)

    def chance(spread: float) -> float:
        return float(np.exp(rng.normal(0.0, spread))) if division else 1.0

    ranked = sorted(works.values(), key=lambda group: (-weight(group) * chance(0.7), group[0].name))
    folds: list[list[Piece]] = [[] for _ in range(count)]
    for group in ranked:
        min(folds, key=lambda fold: (weight(fold) * chance(0.3), len(fold))).extend(group)
    return folds


def fit_both(
    pieces: Sequence[Piece], *, finger_options: Mapping[str, Any] | None = None, **options: Any
) -> tuple[dict[str, float], dict[str, float]]:
    """Weights for choosing strings, and weights for the fingers on them."""
    weights = fit(pieces, **options)
    mine: dict[str, Any] = {"say": options.get("say")} | dict(finger_options or FINGER_OPTIONS)
    return weights, fit(pieces, strings=weights, **mine)


def cross_validate(
    pieces: Sequence[Piece],
    *,
    folds: int = 7,
    division: int = 0,
    jobs: int = 1,
    say: Callable[[str], None] | None = None,
    **options: Any,
) -> tuple[dict[str, float], list[tuple[Piece, dict[int, int], dict[int, int]]]]:
    """Agreement on works that the weights were not fitted on, and the predictions.

    ``division`` chooses the folds (see `folds_by_work`); ``jobs`` folds are fitted at a time,
    each in a process of its own.
    """
    held = folds_by_work(pieces, folds, division=division)
    out = []

    def take(number: int, here: list[tuple[Piece, dict[int, int], dict[int, int]]]) -> None:
        out.extend(here)
        if say:
            rates = ", ".join(f"{k} {100 * v:.1f}" for k, v in score(here).items())
            names = ", ".join(sorted(p.name for p in held[number]))
            say(f"fold {number + 1}: {rates} ({names})")

    if jobs == 1:
        for number in range(folds):
            take(number, _held_out(pieces, held[number], options))
        return score(out), out
    # Spawned, not forked: the compiled passes and the libraries beneath keep threads.
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        tasks = [pool.submit(_held_out, pieces, fold, options) for fold in held]
        for number, task in enumerate(tasks):
            take(number, task.result())
    return score(out), out


def _held_out(
    pieces: Sequence[Piece], held: Sequence[Piece], options: Mapping[str, Any]
) -> list[tuple[Piece, dict[int, int], dict[int, int]]]:
    """What the weights that are fitted without the pieces ``held`` predict for them."""
    names = {p.name for p in held}
    weights, fingers = fit_both([p for p in pieces if p.name not in names], **options)
    return [(p, *predict(p, weights, fingers)) for p in held]


def weights_document(
    pieces: Sequence[Piece],
    weights: Mapping[str, float],
    fingers: Mapping[str, float],
    options: Mapping[str, Any],
    validated: Sequence[Mapping[str, float]],
    inside: Mapping[str, float],
) -> dict[str, Any]:
    """The table as it is shipped: both sets of weights, and where they come from.

    ``validated``: the agreement of each cross-validation, one a division into folds.
    """
    rows = list(inside)
    mean = {k: sum(v[k] for v in validated) / len(validated) for k in rows if validated}
    return {
        "provenance": {
            "data": "string and finger marks of published guitar editions, "
            f"{len(pieces)} pieces, {sum(len(p.notes) for p in pieces)} notes, from the "
            "LilyPond sources of the Mutopia sheet-music library (the open half of 60 pieces)",
            "method": "expected agreement through a softmax over the beam's lattice, "
            "L-BFGS, square penalty toward the hand-set weights, mean of several climbs "
            "(transcribe.training.fit_fingering)",
            "options": dict(options),
            "cross_validated_by_work": {k: round(v, 4) for k, v in mean.items()},
            "each_division_into_folds": [{k: round(v[k], 4) for k in rows} for v in validated],
            "on_the_fitted_pieces": {k: round(v, 4) for k, v in inside.items()},
        },
        "weights": {name: round(weights[name], 4) for name in FITTED},
        "finger_weights": {name: round(fingers[name], 4) for name in FITTED},
    }


def main(argv: Sequence[str] | None = None) -> int:
    """Fit, cross-validate, and write the table."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("folder", type=Path, help="folder of editions, with a pieces folder in it")
    parser.add_argument("-o", "--output", type=Path, help="table to write")
    parser.add_argument("--folds", type=int, default=7)
    parser.add_argument(
        "--divisions", type=int, default=2, help="cross-validations over other folds; 0: none"
    )
    parser.add_argument("--jobs", type=int, default=1, help="folds fitted at a time")
    usual = {name: option.default for name, option in signature(fit).parameters.items()}
    for name in ("l2", "open_share", "finger_share", "evenness"):
        parser.add_argument(f"--{name.replace('_', '-')}", type=float, default=usual[name])
    parser.add_argument("--sharpness", type=float, nargs="+", default=usual["sharpness"])
    for name in ("rounds", "iterations"):
        parser.add_argument(f"--{name}", type=int, default=usual[name])
    mine = FINGER_OPTIONS
    parser.add_argument("--finger-l2", type=float, default=mine["l2"])
    parser.add_argument("--finger-sharpness", type=float, nargs="+", default=mine["sharpness"])
    args = parser.parse_args(argv)

    def say(text: str) -> None:
        print(text, file=sys.stderr, flush=True)

    began = time.monotonic()
    pieces = read_pieces(args.folder)
    shared = {"evenness": args.evenness, "rounds": args.rounds, "iterations": args.iterations}
    options: dict[str, Any] = shared | {
        "l2": args.l2,
        "open_share": args.open_share,
        "finger_share": args.finger_share,
        "sharpness": args.sharpness,
        "finger_options": shared
        | {
            "l2": args.finger_l2,
            "sharpness": args.finger_sharpness,
        },
    }
    validated = []
    for division in range(args.divisions):
        rates, _ = cross_validate(
            pieces, folds=args.folds, division=division, jobs=args.jobs, say=say, **options
        )
        said = ", ".join(f"{k} {100 * v:.1f}" for k, v in rates.items())
        say(f"cross-validated, division {division}: {said}")
        validated.append(rates)
    if args.output:
        weights, fingers = fit_both(pieces, say=say, **options)
        inside = score((p, *predict(p, weights, fingers)) for p in pieces)
        said_with = options | {"folds": args.folds}
        table = weights_document(pieces, weights, fingers, said_with, validated, inside)
        args.output.write_text(json.dumps(table, indent=1) + "\n", "utf-8")
    say(f"{time.monotonic() - began:.0f} s")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
