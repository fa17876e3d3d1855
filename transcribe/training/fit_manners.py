"""Finds how far the rare manners are leaned against in `transcribe.notes.articulation`.

    python -m transcribe.training.fit_manners --banks banks.npz --weights heldout.onnx --clips 150

Training shows the rare manners as commoner than they are, so that they are learned at all; here
one number a manner is set, by trying, where its F1 on fresh phrases of the training banks is best.
Prints the table; the numbers are kept in ``articulation.py``.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from transcribe.notes import articulation
from transcribe.notes.decode import Found, decode
from transcribe.notes.network import MANNERS, WEIGHTS, Heard, hear

__all__ = ["best_leans", "main"]

_TRIED = np.arange(-5.0, 1.01, 0.25)
_NEAR_SEC = 0.05
_KINDS = ("legato", "line", "mixed", "drone", "harmonics", "arpeggio", "strum")
_ROUNDS = 3

Case = tuple[list[Found], Heard, list[str]]


def best_leans(cases: Sequence[Case]) -> dict[str, float]:
    """Leans that give each manner its best F1, one manner after another, a few times round.

    A case is a take's notes, the network's answer and the true manner of each note (empty where
    the note is wrong).
    """
    leans = dict.fromkeys(MANNERS, 0.0)
    for _ in range(_ROUNDS):
        for name in MANNERS[1:]:
            scores = [_f1(cases, leans | {name: float(lean)}, name) for lean in _TRIED]
            leans[name] = float(_TRIED[int(np.argmax(scores))])
    return leans


def _f1(cases: Sequence[Case], leans: dict[str, float], name: str) -> float:
    right = given = true = 0
    for found, heard, truth in cases:
        said = articulation.manners(found, heard, leans=leans)
        right += sum(a == b == name for a, b in zip(said, truth, strict=True))
        given += said.count(name)
        true += truth.count(name)
    return 2.0 * right / max(1, given + true)


def main(argv: Sequence[str] | None = None) -> None:
    """Prints the leans."""
    from transcribe.training.banks import load_banks
    from transcribe.training.clips import make_clip

    parser = argparse.ArgumentParser(prog="python -m transcribe.training.fit_manners")
    parser.add_argument("--banks", type=Path, required=True)
    parser.add_argument("--weights", type=Path, default=WEIGHTS)
    parser.add_argument("--exclude-bank", default="acoustic", help="the bank to measure on")
    parser.add_argument("--clips", type=int, default=150)
    args = parser.parse_args(argv)
    banks = load_banks(args.banks, exclude=(args.exclude_bank,))
    cases: list[Case] = []
    for i in range(args.clips):
        clip = make_clip((61, i), banks=banks, kind=_KINDS[i % len(_KINDS)])
        heard = hear(clip.y, offset_cents=clip.instrument.offset_cents, weights=args.weights)
        if heard is None:
            continue
        found = decode(heard)
        truth = [""] * len(found)
        for note in clip.notes:
            for k, f in enumerate(found):
                same = f.pitch_midi == note.pitch_midi and not truth[k]
                if same and abs(f.onset_sec - note.onset_sec) <= _NEAR_SEC:
                    truth[k] = note.articulation
                    break
        cases.append((found, heard, truth))
    leans = best_leans(cases)
    for name, lean in leans.items():
        print(f"{name:10s} lean {lean:5.2f} F1 {_f1(cases, leans, name):.3f}")


if __name__ == "__main__":
    main()
