"""Fits how decoding weighs its evidence: a small logistic model, in ``note_decoding.json``.

    python -m transcribe.training.fit_note_decoding --banks banks.npz --weights heldout.onnx

Clips are fresh phrases on the training banks (never the bank that the weights were trained
without, which is for measuring). A candidate is right where it is the nearest onset of its pitch
to a true note within 50 ms.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from transcribe.notes.network import FIRST_MIDI, WEIGHTS, Activations, run_network
from transcribe.notes.note_decoding import EVIDENCE, FRAME_SEC, candidates, evidence

__all__ = ["fit", "main", "rows_of"]

_NEAR_SEC = 0.05
_RIDGE = 1e-3


def rows_of(clip: Any, activations: Activations | None) -> tuple[np.ndarray, np.ndarray]:
    """Evidence (n, len(EVIDENCE)) of a clip's candidates, and whether each is right (n,)."""
    if activations is None:
        return np.zeros((0, len(EVIDENCE))), np.zeros(0, bool)
    peaks = candidates(activations)
    right = np.zeros(len(peaks), bool)
    for note in clip.notes:
        same = np.flatnonzero((peaks.column == note.pitch_midi - FIRST_MIDI) & ~right)
        apart = np.abs(peaks.onset[same] * FRAME_SEC - note.onset_sec)
        if apart.size and apart.min() <= _NEAR_SEC:
            right[same[int(apart.argmin())]] = True
    return evidence(activations, peaks), right


def fit(rows: np.ndarray, right: np.ndarray) -> tuple[np.ndarray, float]:
    """Weights and bias of the logistic model with the least cross-entropy and a slight ridge."""
    from scipy.optimize import minimize

    sign = np.where(right, 1.0, -1.0)

    def cost(v: np.ndarray) -> tuple[float, np.ndarray]:
        margin = sign * (rows @ v[:-1] + v[-1])
        value = np.logaddexp(0.0, -margin).mean() + _RIDGE * float(v[:-1] @ v[:-1])
        slope = -sign / (1.0 + np.exp(margin)) / len(sign)
        return value, np.append(rows.T @ slope + 2.0 * _RIDGE * v[:-1], slope.sum())

    result = minimize(cost, np.zeros(rows.shape[1] + 1), jac=True, method="L-BFGS-B")
    return result.x[:-1], float(result.x[-1])


def _clips(banks_file: Path, talk: Path | None, count: int, seed: int) -> Iterator[Any]:
    from transcribe.training.recipe import maker

    make, _ = maker(banks_file, talk)
    for i in range(count):
        yield make(seed * 10**8 + i, "rest")


def main(argv: Sequence[str] | None = None) -> None:
    """Fits from the command line and writes the file."""
    parser = argparse.ArgumentParser(prog="python -m transcribe.training.fit_note_decoding")
    parser.add_argument("--banks", type=Path, required=True)
    parser.add_argument("--talk", type=Path)
    parser.add_argument("--weights", type=Path, default=WEIGHTS)
    parser.add_argument("--clips", type=int, default=300)
    parser.add_argument("--seed", type=int, default=51)
    parser.add_argument("-o", "--out", type=Path, default=WEIGHTS.with_name("note_decoding.json"))
    args = parser.parse_args(argv)
    rng = np.random.default_rng(args.seed)
    parts: list[tuple[np.ndarray, np.ndarray]] = []
    for clip in _clips(args.banks, args.talk, args.clips, args.seed):
        offset = clip.instrument.offset_cents + float(rng.normal(0.0, 5.0))
        activations = run_network(clip.y, offset_cents=offset, weights=args.weights)
        parts.append(rows_of(clip, activations))
    rows, right = (np.concatenate(column) for column in zip(*parts, strict=True))
    weights, bias = fit(rows, right)
    model = {
        "weights": {name: round(float(w), 4) for name, w in zip(EVIDENCE, weights, strict=True)},
        "bias": round(bias, 4),
        "clips": args.clips,
        "candidates": len(right),
        "right": round(float(right.mean()), 4),
    }
    args.out.write_text(json.dumps(model, indent=1) + "\n", encoding="utf-8")
    print(json.dumps(model, indent=1))


if __name__ == "__main__":
    main()
