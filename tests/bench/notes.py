"""Measures `transcribe.notes` on phrases of a guitar that its weights were not trained on.

    python -m tests.bench.notes --banks banks.npz [--clips 6] [--sweep] [--command]
    python -m tests.bench.notes --soundfont FILE.sf2

``banks.npz`` comes from ``python -m transcribe.training.banks``; the weights beside this module
(``data/notes_heldout.onnx``) were trained without the bank ``acoustic``, and every clip here is a
fresh phrase on that bank. Prints notes found, by kind of phrase, clean and rough; articulation;
what the confidence means; `librosa.pyin` with onset picking on the same clips, and both speeds on
one clip in one run. ``--sweep`` adds how the score falls with noise, detuning, narrow bands, codecs
and reverb; ``--command`` times the command itself on a take of 10 s. ``--soundfont`` plays the same
phrases on the guitars (presets 24 to 29) of a General MIDI soundfont that nothing was trained on,
with the weights that ship: a blind measurement, which is not for tuning anything on.

The rule of matching is that of mir_eval (Raffel et al. 2014, ISMIR): onsets within 50 ms, pitch
within 50 cents, each note matched once; with offset: within 20 % of the note's length or 50 ms.
Dead notes have no pitch to be right about: they are left out of the truth, and notes that were
heard as dead are left out of the answer. The tuning is measured, as the command does, not told.
"""

from __future__ import annotations

import argparse
import itertools
import subprocess
import sys
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from transcribe.core.riff import Note
from transcribe.notes import find_notes, find_tuned_notes
from transcribe.notes.network import WEIGHTS
from transcribe.training.clips import make_clip
from transcribe.training.phrases import KINDS
from transcribe.training.rough import CLEAN, Rough

SR = 22050
HELD_OUT = Path(__file__).parent / "data" / "notes_heldout.onnx"
BANK = "acoustic"
_LOWEST_STRING = 40
_GUITARS = range(24, 30)  # General MIDI counts programs from 0 here: nylon to overdriven guitar
_LEGATO = ("hammer-on", "pull-off")
_ARTICULATIONS = ("legato", "slide", "bend", "vibrato", "harmonic", "dead")
_ROUGHNESS = (0.2, 0.4, 0.6, 0.8)
_SEED = 90210
_PYIN_CLIPS = 2  # of each kind and state: it is slow, and its score is far off


@dataclass
class Tally:
    """Notes that match, notes given and notes played."""

    right: int = 0
    right_offset: int = 0
    given: int = 0
    played: int = 0

    def add(self, other: Tally) -> None:
        self.right += other.right
        self.right_offset += other.right_offset
        self.given += other.given
        self.played += other.played

    def row(self) -> str:
        precision, recall = self.right / max(1, self.given), self.right / max(1, self.played)
        both = max(1, self.given + self.played)
        f1, f1_offset = 2 * self.right / both, 2 * self.right_offset / both
        return f"{self.played:6d} {precision:6.3f} {recall:6.3f} {f1:6.3f} {f1_offset:7.3f}"


def _arrays(notes: Sequence[Any]) -> tuple[np.ndarray, np.ndarray]:
    spans = np.array([(n.onset_sec, max(n.offset_sec, n.onset_sec + 0.01)) for n in notes])
    hz = np.array([440.0 * 2.0 ** ((n.pitch_midi - 69) / 12.0) for n in notes])
    return spans.reshape(-1, 2), hz


def pairs(truth: Sequence[Any], found: Sequence[Any], *, offset: bool) -> list[tuple[int, int]]:
    """Matched (truth, found) by mir_eval's rule."""
    from mir_eval.transcription import match_notes

    if not truth or not found:
        return []
    matched = match_notes(
        *_arrays(truth),
        *_arrays(found),
        onset_tolerance=0.05,
        pitch_tolerance=50.0,
        offset_ratio=0.2 if offset else None,
    )
    return [(int(a), int(b)) for a, b in matched]


def tally(truth: Sequence[Any], found: Sequence[Any]) -> Tally:
    """Counts for one clip, dead notes left out."""
    truth = [n for n in truth if n.articulation != "dead"]
    found = [n for n in found if n.articulation != "dead"]
    right = len(pairs(truth, found, offset=False))
    return Tally(right, len(pairs(truth, found, offset=True)), len(found), len(truth))


def hear_clip(clip: Any, weights: Path) -> tuple[Note, ...]:
    """Notes of a clip as the command finds them: tuning measured first."""
    return find_tuned_notes(clip.y, sr=SR, weights=weights).notes


def pyin_notes(y: np.ndarray) -> tuple[Note, ...]:
    """`librosa.pyin` cut at onsets: one pitch at a time, the median between two onsets."""
    import librosa

    hop = 512
    f0, voiced, _ = librosa.pyin(y, fmin=73.4, fmax=1318.5, sr=SR, hop_length=hop)
    onsets = librosa.onset.onset_detect(y=y, sr=SR, hop_length=hop)
    edges = [*onsets.tolist(), len(f0)]
    notes = []
    for first, last in itertools.pairwise(edges):
        heard = f0[first:last][voiced[first:last]]
        if heard.size < 2:
            continue
        pitch = round(float(np.median(librosa.hz_to_midi(heard))))
        off = first + int(np.flatnonzero(voiced[first:last])[-1]) + 1
        notes.append(Note(len(notes) + 1, first * hop / SR, off * hop / SR, pitch))
    return tuple(notes)


def _articulation(name: str) -> str:
    return "legato" if name in _LEGATO else name


def by_kind(banks: Mapping[str, Any], clips: int, weights: Path) -> None:
    """Prints the main tables."""
    scores: dict[tuple[str, str], Tally] = defaultdict(Tally)
    plain: dict[str, Tally] = defaultdict(Tally)
    hits: Counter[str] = Counter()
    said: Counter[str] = Counter()
    true: Counter[str] = Counter()
    sure: list[tuple[float, bool]] = []
    bends: list[float] = []
    late: list[float] = []
    for state in ("clean", "rough"):
        for k, kind in enumerate(KINDS):
            for i in range(clips):
                rough = 0.0 if state == "clean" else _ROUGHNESS[i % len(_ROUGHNESS)]
                seed = (_SEED, k, i, int(state == "rough"))
                clip = make_clip(seed, banks=banks, kind=kind, rough=rough)
                found = hear_clip(clip, weights)
                score = tally(clip.notes, found)
                scores[kind, state].add(score)
                scores["all", state].add(score)
                if i < _PYIN_CLIPS:
                    plain[state].add(tally(clip.notes, pyin_notes(clip.y)))
                matched = pairs(clip.notes, found, offset=False)
                right = {b for _, b in matched}
                sure += [(n.confidence, j in right) for j, n in enumerate(found)]
                true.update(_articulation(n.articulation) for n in clip.notes)
                said.update(_articulation(n.articulation) for n in found)
                for a, b in matched:
                    late.append(found[b].onset_sec - clip.notes[a].onset_sec)
                    name = _articulation(clip.notes[a].articulation)
                    hits[name] += name == _articulation(found[b].articulation)
                    if name == "bend" == found[b].articulation:
                        given = float(found[b].bend.cents)
                        bends.append(given - clip.notes[a].bend_cents)
    print(f"{'kind':10s} {'':5s} {'notes':>6s} {'P':>6s} {'R':>6s} {'F1':>6s} {'F1 off':>7s}")
    for state in ("clean", "rough"):
        for kind in ("all", *KINDS):
            print(f"{kind:10s} {state:5s} {scores[kind, state].row()}")
        print(f"{'pyin, all':10s} {state:5s} {plain[state].row()}")
    print("\narticulation (onset, pitch and articulation right)")
    for name in _ARTICULATIONS:
        f1 = 2 * hits[name] / max(1, said[name] + true[name])
        print(f"{name:10s} {true[name]:6d} F1 {f1:6.3f}")
    three = ("legato", "slide", "bend")
    f1 = 2 * sum(hits[n] for n in three) / max(1, sum(said[n] + true[n] for n in three))
    print(f"legato, slide and bend together: F1 {f1:.3f}")
    if bends:
        error = np.abs(bends)
        print(f"size of bends: median error {np.median(error):.0f} cents, {len(bends)} bends")
    spread = np.percentile(late, [5, 50, 95]) * 1000.0
    print(f"onset error in ms, 5/50/95 %: {spread[0]:.1f} {spread[1]:.1f} {spread[2]:.1f}")
    _calibration(sure)


def _calibration(sure: Sequence[tuple[float, bool]]) -> None:
    print("\nconfidence: share that is right")
    given = np.array([s for s, _ in sure])
    right = np.array([r for _, r in sure])
    edges = np.array([0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.99, 1.0001])
    error = 0.0
    for low, high in itertools.pairwise(edges):
        inside = (given >= low) & (given < high)
        if inside.any():
            mean, share = given[inside].mean(), right[inside].mean()
            error += abs(mean - share) * inside.mean()
            print(
                f"{low:.2f}-{min(high, 1):.2f} {inside.sum():6d} said {mean:.3f} right {share:.3f}"
            )
    print(f"expected calibration error {error:.3f}")


def speeds(banks: Mapping[str, Any], weights: Path) -> None:
    """Prints both speeds on one clip of 10 s, after start-up, the median of five."""
    import librosa

    clip = make_clip((_SEED, 1), banks=banks, kind="drone", rough=0.5)
    tasks: dict[str, Callable[[], Any]] = {
        "find_notes": lambda: find_notes(clip.y, sr=SR, weights=weights),
        "librosa.pyin": lambda: librosa.pyin(clip.y, fmin=73.4, fmax=1318.5, sr=SR),
    }
    times: dict[str, list[float]] = {name: [] for name in tasks}
    for turn in range(6):
        for name, task in tasks.items():
            began = time.perf_counter()
            task()
            if turn:
                times[name].append(time.perf_counter() - began)
    mine, other = (float(np.median(times[name])) for name in tasks)
    print(f"\nspeed on 10 s: find_notes {mine:.3f} s, pyin {other:.3f} s, ratio {other / mine:.1f}")


def sweep(banks: Mapping[str, Any], clips: int, weights: Path) -> None:
    """Prints F1 on drone riffs and lines while one thing gets worse."""

    def score(rough: Rough, offset_cents: float = 0.0) -> str:
        total = Tally()
        for i in range(clips):
            kind = ("drone", "line", "arpeggio", "strum")[i % 4]
            clip = make_clip(
                (_SEED, 7, i), banks=banks, kind=kind, rough=rough, offset_cents=offset_cents
            )
            total.add(tally(clip.notes, hear_clip(clip, weights)))
        return total.row()

    print(f"\n{'what':22s} {'notes':>6s} {'P':>6s} {'R':>6s} {'F1':>6s} {'F1 off':>7s}")
    print(f"{'nothing':22s} {score(CLEAN)}")
    for snr in (40, 30, 20, 15, 10, 5):
        print(f"{f'noise, {snr} dB':22s} {score(Rough(snr_db=float(snr)))}")
    for cents in (-45, -25, 25, 45):
        print(f"{f'detuned {cents} cents':22s} {score(CLEAN, float(cents))}")
    for band in ((100.0, 8000.0), (200.0, 5000.0), (300.0, 3400.0)):
        print(f"{f'band {band[0]:.0f}-{band[1]:.0f} Hz':22s} {score(Rough(band_hz=band))}")
    for codec, rate in (("mp3", 32000), ("aac", 32000), ("opus", 16000)):
        rough = Rough(codec=codec, bitrate=rate)
        print(f"{f'{codec} at {rate // 1000} kbit/s':22s} {score(rough)}")
    for seconds, wet in ((0.3, 0.2), (0.7, 0.4), (1.2, 0.7)):
        rough = Rough(reverb_sec=seconds, reverb_wet=wet)
        print(f"{f'reverb {seconds} s, wet {wet}':22s} {score(rough)}")


def command(banks: Mapping[str, Any]) -> None:
    """Prints how long the command takes on a take of 10 s, start-up included."""
    import soundfile

    clip = make_clip((_SEED, 1), banks=banks, kind="drone", rough=0.5)
    with tempfile.TemporaryDirectory() as folder:
        take = Path(folder) / "mooring.wav"
        soundfile.write(take, clip.y, SR)
        call = [
            sys.executable,
            "-m",
            "transcribe.command.main",
            "transcribe",
            str(take),
            "-o",
            folder,
        ]
        times = []
        for _ in range(3):
            began = time.perf_counter()
            subprocess.run(call, check=True, capture_output=True)
            times.append(time.perf_counter() - began)
    print(
        f"\nhandspan transcribe on 10 s, start-up included: {np.median(times):.2f} s (median of 3)"
    )


def whole_necks(banks: Sequence[Any]) -> dict[str, Any]:
    """Banks by name, down to the lowest string: where a soundfont has no samples so low, it plays
    its lowest one slower, and so does this."""
    from transcribe.training.banks import RecordedBank

    class Stretched(RecordedBank):
        __slots__ = ()

        @property
        def low_midi(self) -> int:
            return min(_LOWEST_STRING, int(np.ceil(self.notes[0].pitch)))

    return {bank.name: Stretched(bank.name, bank.notes) for bank in banks}


def main(argv: Sequence[str] | None = None) -> None:
    """Runs the benchmark from the command line."""
    from transcribe.training.banks import load_banks, read_soundfont

    parser = argparse.ArgumentParser(prog="python -m tests.bench.notes")
    source = parser.add_mutually_exclusive_group(required=True)
    source.add_argument("--banks", type=Path, help="from transcribe.training.banks")
    source.add_argument("--soundfont", type=Path, help="a soundfont that was not trained on")
    parser.add_argument("--weights", type=Path, help="other weights than the table's own")
    parser.add_argument("--clips", type=int, default=6, help="clips for each kind and state")
    parser.add_argument("--sweep", action="store_true", help="how the score falls as it gets rough")
    parser.add_argument("--command", action="store_true", help="time the command as well")
    args = parser.parse_args(argv)
    if args.soundfont is not None:
        bank = whole_necks(read_soundfont(args.soundfont, _GUITARS))
        print(f"guitars of {args.soundfont.name}: {', '.join(sorted(bank))}")
        weights = args.weights or WEIGHTS
    else:
        bank = {BANK: load_banks(args.banks)[BANK]}
        weights = args.weights or HELD_OUT
    by_kind(bank, args.clips, weights)
    speeds(bank, weights)
    if args.sweep:
        sweep(bank, max(4, args.clips), weights)
    if args.command:
        command(bank)


if __name__ == "__main__":
    main()
