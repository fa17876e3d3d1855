"""Fits the weights of the costs on published editions.

Run as ``python -m transcribe.fingering.fit FOLDER -o weights.json``.

``FOLDER`` holds a ``pieces`` folder of JSON files, one a piece, whose notes carry the strings and
fingers that editors wrote (fields as read by `read_pieces`). The data stays outside the project;
what comes back is the table ``weights.json``.

Method: the beam search lays out a lattice of the likely ways to play each piece; a softmax over
its paths makes the expected agreement with the editors a smooth function of the weights, whose
exact gradient comes from one pass forward and one back. It is maximised by L-BFGS with a square
penalty toward the hand-set weights; the lattice is laid out anew a few times on the way. What is
maximised is a mean of the agreement on string numbers, on strings implied by position and
finger, and on open strings (so that no kind of label is favoured), plus a share of the agreement
on fingers. Cross-validation leaves out whole works, all parts of one work together.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from transcribe.fingering.beam import LEGATO_COST, Beam
from transcribe.fingering.candidates import Chooser
from transcribe.fingering.costs import FITTED, HAND_SET
from transcribe.fingering.hand import STATIC, Hand
from transcribe.fingering.plan import plan_onsets
from transcribe.fingering.solver import Solver
from transcribe.riff import Instrument, Note, sort_notes

__all__ = [
    "ROWS",
    "Piece",
    "cross_validate",
    "fit",
    "fit_both",
    "folds_by_work",
    "main",
    "predict",
    "read_pieces",
    "score",
    "weights_document",
]

ROWS = ("written", "position", "open", "finger")
"""The kinds of label: string number, implied by position, implied by open string, finger."""

_CHOICE_FRETS = 19  # a label counts where another string could play the note up to this fret
_QUARTER_SEC = 0.5  # pieces are written, not played: a quarter note is taken as half a second


@dataclass(frozen=True, slots=True)
class Piece:
    """One piece: its notes, and for each row of `ROWS` the label of each note (None: none)."""

    name: str
    work: str
    instrument: Instrument
    notes: tuple[Note, ...]
    labels: Mapping[str, tuple[int | None, ...]]


def read_pieces(folder: Path) -> list[Piece]:
    """Every piece of ``folder / "pieces"``, sorted by name."""
    files = sorted((folder / "pieces").glob("*.json"))
    if not files:
        raise SystemExit(f"{folder}: there is no pieces folder with JSON files in it")
    return [_piece(json.loads(file.read_text("utf-8"))) for file in files]


def _piece(raw: Mapping[str, Any]) -> Piece:
    instrument = Instrument(tuple(raw["tuning"]), 0, _CHOICE_FRETS)
    notes, labels = [], {row: [] for row in ROWS}  # type: ignore[var-annotated]
    for i, n in enumerate(raw["notes"]):
        start = n["onset"] * _QUARTER_SEC
        length = max(n["duration"], 0.1) * _QUARTER_SEC
        notes.append(Note(i, start, start + length, n["pitch"]))
        choice = len(instrument.places(n["pitch"])) > 1
        found = dict.fromkeys(ROWS)
        if n.get("string") is not None:
            if choice:
                found["written"] = n["string"]
        elif n.get("implied_string") is not None and choice:
            found[n["implied_by"]] = n["implied_string"]
        found["finger"] = n.get("finger")
        for row in ROWS:
            labels[row].append(found[row])
    name = raw["id"]
    work = name.rsplit("_g", 1)[0] if name.endswith(("_g1", "_g2")) else name
    return Piece(name, work, instrument, tuple(notes), {row: tuple(v) for row, v in labels.items()})


@dataclass(slots=True)
class _Lattice:
    """A piece's likely ways to be played: onset t has ``width[t]`` states."""

    width: np.ndarray
    edges: np.ndarray  # (edges, 2): state before and state after, counted within their onsets
    edge_start: np.ndarray  # (onsets + 1,)
    state_start: np.ndarray  # (onsets + 1,)
    features: np.ndarray  # (edges, len(FITTED))
    fixed: np.ndarray  # (edges,): costs that are not fitted
    hits: np.ndarray  # (states, len(ROWS)): labels met by the state


def _lattice(
    piece: Piece,
    weights: Mapping[str, float],
    width: int,
    places: Mapping[int, tuple[int, int]] | None = None,
) -> _Lattice:
    chooser = Chooser(piece.instrument, Hand(), weights)
    beam = Beam(piece.instrument, weights, width=width)
    notes = sort_notes(piece.notes)
    plan = plan_onsets(notes, piece.instrument, chooser, drone=None, pins=places or {})
    states = beam.start()
    column = {name: i for i, name in enumerate(FITTED)}
    weight = np.array([weights[name] for name in FITTED])
    edges, features, fixed, hits, widths = [], [], [], [], []
    for onset in plan.onsets:
        cand = onset.candidates
        shape = (len(states.cost), len(cand))
        table = np.zeros((*shape, len(FITTED)), dtype=np.float32)
        table[:, :, : len(STATIC)] = cand.static[None, :, :]
        rest = np.zeros(shape)
        for name, values in beam.features(states, onset):
            if name in column:
                table[:, :, column[name]] += values
            else:
                rest += LEGATO_COST * np.broadcast_to(values, shape)
        local = table @ weight + rest
        parents, choices = beam.survivors(states, onset, local)
        free = ~cand.fretted[choices]
        # A state of open strings only goes on from one state; any other from all of them.
        before = np.repeat(np.arange(shape[0])[:, None], len(choices), axis=1)
        after = np.broadcast_to(np.arange(len(choices))[None, :], before.shape)
        keep = ~free[None, :] | (before == parents[None, :])
        before, after = before[keep], after[keep]
        edges.append(np.stack([before, after], axis=1))
        features.append(table[before, choices[after]])
        fixed.append(rest[before, choices[after]])
        hits.append(_hits(piece, [notes[i].id for i in onset.notes], cand, choices))
        widths.append(len(choices))
        states = beam.follow(states, onset, local, parents, choices)
        states.cost -= states.cost.min()
    return _Lattice(
        width=np.array(widths),
        edges=np.concatenate(edges),
        edge_start=np.cumsum([0, *(len(e) for e in edges)]),
        state_start=np.cumsum([0, *widths]),
        features=np.concatenate(features),
        fixed=np.concatenate(fixed),
        hits=np.concatenate(hits),
    )


def _hits(piece: Piece, ids: Sequence[int], cand: Any, choices: np.ndarray) -> np.ndarray:
    out = np.zeros((len(choices), len(ROWS)))
    for n, note_id in enumerate(ids):
        for r, row in enumerate(ROWS):
            label = piece.labels[row][note_id]
            if label is None:
                continue
            table = cand.fingers if row == "finger" else cand.strings + 1
            out[:, r] += table[choices, n] == label
    return out


@lru_cache(maxsize=1)
def _passes() -> Callable[..., tuple[float, float]]:
    """The forward and backward pass over a lattice, compiled."""
    import numba

    @numba.njit(cache=False)
    def run(edges, edge_start, state_start, cost, gain, coef):  # type: ignore[no-untyped-def]
        onsets = len(state_start) - 1
        states = state_start[-1]
        logf = np.full(states, -1e30)
        expf = np.zeros(states)
        for t in range(onsets):
            s0 = state_start[t]
            p0 = state_start[t - 1] if t else 0
            for e in range(edge_start[t], edge_start[t + 1]):
                a = s0 + edges[e, 1]
                v = -cost[e] + (logf[p0 + edges[e, 0]] if t else 0.0)
                logf[a] = max(logf[a], v)
            total = np.zeros(state_start[t + 1] - s0)
            for e in range(edge_start[t], edge_start[t + 1]):
                a = edges[e, 1]
                p = p0 + edges[e, 0]
                v = -cost[e] + (logf[p] if t else 0.0)
                w = np.exp(v - logf[s0 + a])
                total[a] += w
                expf[s0 + a] += w * (expf[p] if t else 0.0)
            for a in range(len(total)):
                expf[s0 + a] = expf[s0 + a] / total[a] + gain[s0 + a]
                logf[s0 + a] += np.log(total[a])
        last = state_start[onsets - 1]
        top = logf[last:].max()
        z = 0.0
        mean = 0.0
        for a in range(last, states):
            w = np.exp(logf[a] - top)
            z += w
            mean += w * expf[a]
        mean /= z
        logz = top + np.log(z)
        logb = np.zeros(states)
        expb = np.zeros(states)
        for t in range(onsets - 1, -1, -1):
            s0 = state_start[t]
            p0 = state_start[t - 1] if t else 0
            n_before = s0 - p0 if t else 1
            top_b = np.full(n_before, -1e30)
            for e in range(edge_start[t], edge_start[t + 1]):
                a = s0 + edges[e, 1]
                p = edges[e, 0]
                before = logf[p0 + p] if t else 0.0
                mass = np.exp(before - cost[e] + logb[a] - logz)
                through = (expf[p0 + p] if t else 0.0) + gain[a] + expb[a]
                coef[e] = mass * (through - mean)
                top_b[p] = max(top_b[p], -cost[e] + logb[a])
            if t:
                total = np.zeros(n_before)
                for e in range(edge_start[t], edge_start[t + 1]):
                    a = s0 + edges[e, 1]
                    p = edges[e, 0]
                    w = np.exp(-cost[e] + logb[a] - top_b[p])
                    total[p] += w
                    expb[p0 + p] += w * (gain[a] + expb[a])
                for p in range(n_before):
                    if total[p] > 0:
                        expb[p0 + p] /= total[p]
                        logb[p0 + p] = top_b[p] + np.log(total[p])
                    else:
                        logb[p0 + p] = -1e30
        return mean, logz

    return run


def fit(
    pieces: Sequence[Piece],
    *,
    start: Mapping[str, float] = HAND_SET,
    l2: float = 0.001,
    open_share: float = 1 / 3,
    finger_share: float = 0.35,
    sharpness: float = 3.0,
    rounds: int = 2,
    iterations: int = 30,
    width: int = 16,
    strings: Mapping[str, float] | None = None,
    say: Callable[[str], None] | None = None,
) -> dict[str, float]:
    """Weights that raise the expected agreement with the editors of ``pieces``.

    ``open_share`` is how much open-string labels count among those of strings, the other two
    kinds share the rest; ``l2`` pulls each weight toward ``start`` (on the scale 0.1 + |start|);
    ``sharpness`` scales the costs in the softmax; the lattice is laid out ``rounds`` times. With
    ``strings``, weights that choose the strings, only the fingers on those strings are fitted.
    """
    from scipy.optimize import minimize

    run = _passes()
    base = np.array([start[name] for name in FITTED])
    scale = 0.1 + np.abs(base)
    rest = (1.0 - open_share) / 2
    share = np.array([rest, rest, open_share, finger_share])
    counts = np.array(
        [sum(x is not None for p in pieces for x in p.labels[row]) for row in ROWS], dtype=float
    )
    value = share / np.maximum(counts, 1.0)
    if strings is not None:
        share = np.array([0.0, 0.0, 0.0, 1.0])
        value = share / np.maximum(counts, 1.0)
    used = [p for p in pieces if _labelled(p, ROWS if strings is None else ("finger",))]
    places = {
        p.name: None
        if strings is None
        else Solver(p.instrument, weights=strings).solve(p.notes).positions
        for p in used
    }
    weights = dict(start)
    for number in range(rounds):
        lattices = [_lattice(p, weights, width, places[p.name]) for p in used]

        def loss(x: np.ndarray, lattices: list[_Lattice] = lattices) -> tuple[float, np.ndarray]:
            w = base + scale * x
            gained, slope = 0.0, np.zeros(len(w))
            for lat in lattices:
                cost = sharpness * (lat.features @ w.astype(np.float32) + lat.fixed)
                coef = np.zeros(len(cost))
                mean, _ = run(
                    lat.edges, lat.edge_start, lat.state_start, cost, lat.hits @ value, coef
                )
                gained += mean
                slope -= sharpness * (coef.astype(np.float32) @ lat.features)
            return -gained + l2 * float(x @ x), -slope * scale + 2 * l2 * x

        x0 = (np.array([weights[name] for name in FITTED]) - base) / scale
        done = minimize(
            loss, x0, jac=True, method="L-BFGS-B", options={"maxiter": iterations, "maxcor": 12}
        )
        found = base + scale * done.x
        weights = dict(start) | {k: float(v) for k, v in zip(FITTED, found, strict=True)}
        if say:
            say(f"round {number + 1}: expected agreement {-done.fun:.4f} after {done.nit} steps")
    return weights


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


def folds_by_work(pieces: Sequence[Piece], count: int = 7) -> list[list[Piece]]:
    """``pieces`` in ``count`` folds of about as many labels, all parts of one work together."""
    works: dict[str, list[Piece]] = {}
    for piece in pieces:
        works.setdefault(piece.work, []).append(piece)

    def weight(group: Sequence[Piece]) -> float:
        """Labels of a work, each kind by its scarcity."""
        rate = {"written": 1 / 600, "position": 1 / 1600, "open": 1 / 450, "finger": 0.0}
        return sum(
            rate[row] * (x is not None) for p in group for row in ROWS for x in p.labels[row]
        )

    folds: list[list[Piece]] = [[] for _ in range(count)]
    for group in sorted(works.values(), key=lambda g: (-weight(g), g[0].name)):
        min(folds, key=lambda f: (weight(f), len(f))).extend(group)
    return folds


def fit_both(
    pieces: Sequence[Piece], *, finger_options: Mapping[str, Any] | None = None, **options: Any
) -> tuple[dict[str, float], dict[str, float]]:
    """Weights for choosing strings, and weights for the fingers on them."""
    weights = fit(pieces, **options)
    mine: dict[str, Any] = {"say": options.get("say")} | dict(finger_options or {})
    return weights, fit(pieces, strings=weights, **mine)


def cross_validate(
    pieces: Sequence[Piece],
    *,
    folds: int = 7,
    say: Callable[[str], None] | None = None,
    **options: Any,
) -> tuple[dict[str, float], list[tuple[Piece, dict[int, int], dict[int, int]]]]:
    """Agreement on works that the weights were not fitted on, and the predictions."""
    out = []
    for number, held in enumerate(folds_by_work(pieces, folds)):
        names = {p.name for p in held}
        rest = [p for p in pieces if p.name not in names]
        weights, fingers = fit_both(rest, **options)
        here = [(p, *predict(p, weights, fingers)) for p in held]
        out += here
        if say:
            rates = ", ".join(f"{k} {100 * v:.1f}" for k, v in score(here).items())
            say(f"fold {number + 1}: {rates} ({', '.join(sorted(names))})")
    return score(out), out


def weights_document(
    pieces: Sequence[Piece],
    weights: Mapping[str, float],
    fingers: Mapping[str, float],
    options: Mapping[str, Any],
    validated: Mapping[str, float],
    inside: Mapping[str, float],
) -> dict[str, Any]:
    """The table as it is shipped: both sets of weights, and where they come from."""
    return {
        "provenance": {
            "data": "string and finger marks of published guitar editions, "
            f"{len(pieces)} pieces, {sum(len(p.notes) for p in pieces)} notes, from the "
            "LilyPond sources of the Mutopia sheet-music library (the open half of 60 pieces)",
            "method": "expected agreement through a softmax over the beam's lattice, "
            "L-BFGS, square penalty toward the hand-set weights (transcribe.fingering.fit)",
            "options": dict(options),
            "cross_validated_by_work": {k: round(v, 4) for k, v in validated.items()},
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
    parser.add_argument("--l2", type=float, default=0.001)
    parser.add_argument("--open-share", type=float, default=1 / 3)
    parser.add_argument("--finger-share", type=float, default=0.35)
    parser.add_argument("--sharpness", type=float, default=3.0)
    parser.add_argument("--rounds", type=int, default=2)
    parser.add_argument("--iterations", type=int, default=30)
    parser.add_argument("--finger-l2", type=float, default=0.0003)
    parser.add_argument("--finger-sharpness", type=float, default=4.0)
    args = parser.parse_args(argv)

    def say(text: str) -> None:
        print(text, file=sys.stderr, flush=True)

    began = time.monotonic()
    pieces = read_pieces(args.folder)
    options: dict[str, Any] = {
        "l2": args.l2,
        "open_share": args.open_share,
        "finger_share": args.finger_share,
        "sharpness": args.sharpness,
        "rounds": args.rounds,
        "iterations": args.iterations,
        "finger_options": {
            "l2": args.finger_l2,
            "sharpness": args.finger_sharpness,
            "rounds": args.rounds,
            "iterations": args.iterations,
        },
    }
    rates: dict[str, float] = {}
    if args.folds > 1:
        rates, _ = cross_validate(pieces, folds=args.folds, say=say, **options)
        say("cross-validated: " + ", ".join(f"{k} {100 * v:.1f}" for k, v in rates.items()))
    if args.output:
        weights, fingers = fit_both(pieces, say=say, **options)
        inside = score((p, *predict(p, weights, fingers)) for p in pieces)
        table = weights_document(pieces, weights, fingers, options, rates, inside)
        args.output.write_text(json.dumps(table, indent=1) + "\n", "utf-8")
    say(f"{time.monotonic() - began:.0f} s")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
