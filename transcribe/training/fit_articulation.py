"""Finds how far the rare articulations are leaned against in `transcribe.notes.articulation`.

    python -m transcribe.training.fit_articulation --banks banks.npz --weights heldout.onnx

Training shows the rare articulations as commoner than they are, so that they are learned at all;
here one number for each is set, by trying, where its F1 on fresh phrases of the training banks is
best. Prints the table; the numbers are kept in ``articulation.py``.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from transcribe.core.riff import ARTICULATIONS
from transcribe.notes import articulation
from transcribe.notes.network import WEIGHTS, Activations, run_network
from transcribe.notes.note_decoding import DetectedNote, decode

__all__ = ["best_leans", "main"]

_TRIED = np.arange(-5.0, 1.01, 0.25)
_NEAR_SEC = 0.05
_KINDS = ("legato", "line", "mixed", "drone", "harmonics", "arpeggio", "strum")
_ROUNDS = 3

Case = tuple[list[DetectedNote], Activations, list[str]]


def best_leans(cases: Sequence[Case]) -> dict[str, float]:
    """Leans that give each articulation its best F1, one after another, a few times round.

    A case is a take's notes, the network's answer and the true articulation of each note (empty
    where the note is wrong).
    """
    leans = dict.fromkeys(ARTICULATIONS, 0.0)
    for _ in range(_ROUNDS):
        for name in ARTICULATIONS[1:]:
            scores = [_f1(cases, leans | {name: float(lean)}, name) for lean in _TRIED]
            leans[name] = float(_TRIED[int(np.argmax(scores))])
    return leans


def _f1(cases: Sequence[Case], leans: dict[str, float], name: str) -> float:
    right = given = true = 0
    for found, activations, truth in cases:
        said = articulation.articulations(found, activations, leans=leans)
        right += sum(a == b == name for a, b in zip(said, truth, strict=True))
        given += said.count(name)
        true += truth.count(name)
    return 2.0 * right / max(1, given + true)


def main(argv: Sequence[str] | None = None) -> None:
    """Prints the leans."""
    from transcribe.training.banks import load_banks
    from transcribe.training.clips import make_clip
    from transcribe.training.surroundings import PLAIN

    parser = argparse.ArgumentParser(prog="python -m transcribe.training.fit_articulation")
    parser.add_argument("--banks", type=Path, required=True)
    parser.add_argument("--weights", type=Path, default=WEIGHTS)
    parser.add_argument("--exclude-bank", default="acoustic", help="the bank to measure on")
    parser.add_argument("--clips", type=int, default=150)
    args = parser.parse_args(argv)
    banks = load_banks(args.banks, exclude=(args.exclude_bank,))
    cases: list[Case] = []
    for i in range(args.clips):
        kind = _KINDS[i % len(_KINDS)]
        # Every other round of kinds may have surroundings, as a take of a real player has.
        around = PLAIN if i // len(_KINDS) % 2 == 0 else None
        clip = make_clip((61, i), banks=banks, kind=kind, around=around)
        activations = run_network(
            clip.y, offset_cents=clip.instrument.offset_cents, weights=args.weights
        )
        if activations is None:
            continue
        found = decode(activations)
        truth = [""] * len(found)
        for note in clip.notes:
            for k, f in enumerate(found):
                same = f.pitch_midi == note.pitch_midi and not truth[k]
                if same and abs(f.onset_sec - note.onset_sec) <= _NEAR_SEC:
                    truth[k] = note.articulation
                    break
        cases.append((found, activations, truth))
    leans = best_leans(cases)
    for name, lean in leans.items():
        print(f"{name:10s} lean {lean:5.2f} F1 {_f1(cases, leans, name):.3f}")


if __name__ == "__main__":
    main()
