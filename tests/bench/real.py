"""Measures the note tracker on takes of real players that were labelled by hand.

    python -m tests.bench.real FOLDER [--verbose] [--weights FILE.onnx]

``FOLDER`` holds ``clips/NAME.flac`` and ``labels/NAME.json``; a label file has ``notes``, rows of
[onset in seconds, MIDI pitch, "sure" or "unsure", technique or null], ``kind``, and perhaps
``onset_tolerance_sec``. A sure label must be found within 50 ms (or the clip's own tolerance, where
that is more) at the same semitone; an unsure label counts neither way; every other note is false.

Prints F1, precision and recall for each clip, what the false notes are, how many natural harmonics
were heard that are none, what the confidence means, and `librosa.pyin` cut at onsets on the same
clips. The rule of matching is that of mir_eval (Raffel et al. 2014, ISMIR). No such takes ship
with the project.
"""

from __future__ import annotations

import argparse
import itertools
import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from tests.bench.notes import pyin_notes
from transcribe.core.riff import Instrument, Note
from transcribe.notes import features as feat
from transcribe.notes import find_tuned_notes
from transcribe.notes.network import WEIGHTS

_NEAR_SEC = 0.05
_NEAR_UNSURE_SEC = 0.12
_AGAIN_SEC = 3.0
_OVERTONES = (5, 7, 12, 19, 24)


@dataclass
class Score:
    """Counts over clips. ``sure`` holds (confidence, right) of every note that counts."""

    right: int = 0
    missed: int = 0
    false: int = 0
    kinds: Counter[str] = field(default_factory=Counter)
    false_harmonics: int = 0
    notes: int = 0
    sure: list[tuple[float, bool]] = field(default_factory=list)

    def add(self, other: Score) -> None:
        self.right += other.right
        self.missed += other.missed
        self.false += other.false
        self.kinds.update(other.kinds)
        self.false_harmonics += other.false_harmonics
        self.notes += other.notes
        self.sure += other.sure

    @property
    def f1(self) -> float:
        return 2 * self.right / max(1, 2 * self.right + self.missed + self.false)

    def row(self) -> str:
        precision = self.right / max(1, self.right + self.false)
        recall = self.right / max(1, self.right + self.missed)
        return f"F1 {self.f1:.3f}  precision {precision:.3f}  recall {recall:.3f}"


def matched(
    truth: Sequence[tuple[float, int]], found: Sequence[tuple[float, int]], near_sec: float
) -> list[tuple[int, int]]:
    """Pairs (truth, found) of (onset, pitch) by mir_eval's rule, onsets ``near_sec`` apart."""
    from mir_eval.transcription import match_notes

    if not truth or not found:
        return []

    def arrays(notes: Sequence[tuple[float, int]]) -> tuple[np.ndarray, np.ndarray]:
        spans = np.array([(onset, onset + 0.1) for onset, _ in notes])
        return spans, np.array([440.0 * 2.0 ** ((pitch - 69) / 12.0) for _, pitch in notes])

    pairs = match_notes(
        *arrays(truth),
        *arrays(found),
        onset_tolerance=near_sec,
        pitch_tolerance=50.0,
        offset_ratio=None,
    )
    return [(int(a), int(b)) for a, b in pairs]


def kind_of(onset: float, pitch: int, labels: Sequence[tuple[float, int]]) -> str:
    """What a false note most likely is."""
    if any(p == pitch and 0.05 < onset - t < _AGAIN_SEC for t, p in labels):
        return "same pitch again"
    if any(0 < abs(p - pitch) <= 2 and abs(onset - t) < 0.2 for t, p in labels):
        return "beside a note, 1-2 semitones"
    if any(abs(p - pitch) in _OVERTONES and abs(onset - t) < 0.08 for t, p in labels):
        return "overtone at a strike"
    return "at a strike, other" if any(abs(onset - t) < 0.08 for t, _ in labels) else "between"


def score_clip(label: dict[str, Any], notes: Sequence[Note]) -> Score:
    """Counts of one clip."""
    found = [(n.onset_sec, round(n.pitch_midi)) for n in notes]
    every = [(n[0], n[1]) for n in label["notes"]]
    sure = [(n[0], n[1]) for n in label["notes"] if n[2] == "sure"]
    unsure = [(n[0], n[1]) for n in label["notes"] if n[2] != "sure"]
    near = max(_NEAR_SEC, label.get("onset_tolerance_sec") or _NEAR_SEC)
    right = {j for _, j in matched(sure, found, near)}
    rest = [j for j in range(len(found)) if j not in right]
    spared = {rest[j] for _, j in matched(unsure, [found[j] for j in rest], _NEAR_UNSURE_SEC)}
    false = [j for j in rest if j not in spared]
    true_harmonics = sum("harmonic" in str(n[3]) for n in label["notes"])
    said = sum(n.articulation == "harmonic" for n in notes)
    return Score(
        right=len(right),
        missed=len(sure) - len(right),
        false=len(false),
        kinds=Counter(kind_of(*found[j], every) for j in false),
        false_harmonics=max(0, said - true_harmonics),
        notes=len(notes),
        sure=[(n.confidence, j in right) for j, n in enumerate(notes) if j not in spared],
    )


def calibration_error(sure: Sequence[tuple[float, bool]]) -> float:
    """Expected calibration error over ten equal bins of confidence (Naeini et al. 2015)."""
    if not sure:
        return 0.0
    said, right = np.array([s for s, _ in sure]), np.array([r for _, r in sure], float)
    error = 0.0
    for low, high in itertools.pairwise(np.linspace(0.0, 1.0, 11)):
        inside = (said > low) & (said <= high)
        if inside.any():
            error += abs(said[inside].mean() - right[inside].mean()) * inside.mean()
    return float(error)


def main(argv: Sequence[str] | None = None) -> None:
    """Runs the benchmark from the command line."""
    import soundfile

    from transcribe.audio import resample

    parser = argparse.ArgumentParser(prog="python -m tests.bench.real")
    parser.add_argument("folder", type=Path, help="folder with clips/ and labels/")
    parser.add_argument("--weights", type=Path, default=WEIGHTS)
    parser.add_argument("--verbose", action="store_true", help="name the false and missed notes")
    args = parser.parse_args(argv)
    total, plain, each = Score(), Score(), []
    for path in sorted((args.folder / "labels").glob("*.json")):
        label = json.loads(path.read_text(encoding="utf-8"))
        if not label.get("notes"):
            continue
        y, rate = soundfile.read(
            args.folder / "clips" / f"{path.stem}.flac", dtype="float32", always_2d=True
        )
        y = resample(y.mean(axis=1), sr=rate, to_sr=feat.SR)
        notes = find_tuned_notes(
            y, sr=feat.SR, instrument=Instrument(), tuning_known=False, weights=args.weights
        ).notes
        score = score_clip(label, notes)
        total.add(score)
        plain.add(score_clip(label, pyin_notes(y)))
        each.append(score.f1)
        print(f"{path.stem:24s} {label['kind']:16s} {score.row()}  false {dict(score.kinds)}")
        if args.verbose:
            print("   ", [(n.onset_sec, n.pitch_midi, n.confidence) for n in notes])
    print(f"\nfalse notes: {dict(total.kinds.most_common())}")
    print(f"real takes    {total.row()}  mean over clips {np.mean(each):.3f}")
    print(f"pyin, onsets  {plain.row()}")
    print(f"false harmonics {total.false_harmonics} of {total.notes} notes")
    print(f"expected calibration error of the confidence {calibration_error(total.sure):.3f}")


if __name__ == "__main__":
    main()
