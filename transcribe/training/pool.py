"""A folder of rendered clips that grows while the trainer reads it.

Rendering is work for many processor cores and training for one GPU, so they meet in a folder:
workers here write small files of clips, each from one group of banks, and `Pool` reads whatever
has come. Two trainers may read one folder, the one that leaves a bank out skipping its files.

    python -m transcribe.training.pool --banks banks.npz --out FOLDER --workers 16 --minutes 9

Conventions: audio at `features.SR`; a clip's notes are rows of (onset in frames, offset in frames,
pitch in MIDI, index in `riff.ARTICULATIONS`); its moved pitches are rows of (frame, pitch in MIDI,
semitones above it).
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import time
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from transcribe.core.riff import ARTICULATIONS
from transcribe.notes import features as feat
from transcribe.training.render import moved_cents
from transcribe.training.talk import voice_frames

__all__ = ["MAX_MOVED", "MAX_NOTES", "Labelled", "Pool", "label", "render_pool", "start_rendering"]

MAX_NOTES = 400
"""Notes kept of a clip."""
MAX_MOVED = 1600
"""Frames of moved pitch kept of a clip."""

_FRAME_SEC = feat.HOP / feat.SR
_PER_FILE = 8
_LOOK_EVERY_SEC = 3.0


@dataclass(frozen=True)
class Labelled:
    """One clip as the trainer wants it.

    ``audio`` is int16 (samples,); ``reference`` its power level on the scale of ``audio`` over
    32768; ``notes`` float32 (n, 4) and ``moved`` float32 (m, 3) as in the module's conventions.
    ``voice`` int8 (frames,) is 1 where somebody talks or sings, 0 where nobody does, -1 where
    somebody mumbles under the guitar.
    """

    audio: np.ndarray
    reference: float
    offset_cents: float
    notes: np.ndarray
    moved: np.ndarray
    voice: np.ndarray


def label(clip: Any) -> Labelled:
    """A clip of `clips.make_clip` with its labels in frames."""
    y = np.asarray(clip.y, np.float32)
    peak = float(np.abs(y).max()) if y.size else 0.0
    y = y * (0.98 / peak) if peak > 0 else y
    audio = np.round(y * 32767.0).astype(np.int16)
    rows, moved = [], []
    for note in clip.notes:
        on, off = note.onset_sec / _FRAME_SEC, note.offset_sec / _FRAME_SEC
        rows.append((on, off, note.pitch_midi, ARTICULATIONS.index(note.articulation)))
        if note.curve or note.vibrato:
            frames = np.arange(int(np.ceil(on)), int(off) + 1)
            semitones = moved_cents(note, frames * _FRAME_SEC - note.onset_sec) / 100.0
            moved += [(f, note.pitch_midi, s) for f, s in zip(frames, semitones, strict=True)]
    return Labelled(
        audio,
        feat.reference_power(audio.astype(np.float32) / 32768.0),
        float(clip.instrument.offset_cents),
        np.array(rows[:MAX_NOTES], np.float32).reshape(-1, 4),
        np.array(moved[:MAX_MOVED], np.float32).reshape(-1, 3),
        _voice(clip, feat.frame_count(audio.size)),
    )


def _voice(clip: Any, frames: int) -> np.ndarray:
    if clip.voice is None:
        return np.full(frames, 0 if clip.rough.talk_db is None else -1, np.int8)
    return voice_frames(clip.voice, hop=feat.HOP, frames=frames)


def _save(path: Path, clips: Sequence[Labelled]) -> None:
    """Writes clips of one length to ``path``, whole or not at all."""
    notes = np.full((len(clips), MAX_NOTES, 4), -1.0, np.float32)
    moved = np.full((len(clips), MAX_MOVED, 3), -1.0, np.float32)
    for i, clip in enumerate(clips):
        notes[i, : len(clip.notes)] = clip.notes
        moved[i, : len(clip.moved)] = clip.moved
    part = path.with_suffix(".part")
    with part.open("wb") as file:
        np.savez(
            file,
            audio=np.stack([clip.audio for clip in clips]),
            reference=np.array([clip.reference for clip in clips], np.float32),
            offset_cents=np.array([clip.offset_cents for clip in clips], np.float32),
            notes=notes,
            moved=moved,
            voice=np.stack([clip.voice for clip in clips]),
        )
    os.replace(part, path)


def _work(
    worker: int,
    out: Path,
    make: Callable[[int, str], Any],
    groups: Mapping[str, float],
    seeds: Iterable[int],
    deadline: float,
    most: int,
) -> None:
    rng = np.random.default_rng([worker, 77])
    names = list(groups)
    weights = np.array([groups[name] for name in names])
    clips: list[Labelled] = []
    group = ""
    files = 0
    for seed in seeds:
        if time.time() > deadline or files >= most:
            return
        if not clips:
            group = names[int(rng.choice(len(names), p=weights / weights.sum()))]
        clips.append(label(make(seed, group)))
        if len(clips) == _PER_FILE:
            _save(out / f"{group}-{seed:010d}.npz", clips)
            clips = []
            files += 1


def render_pool(
    out: Path,
    make: Callable[[int, str], Any],
    *,
    groups: Mapping[str, float],
    workers: int,
    seconds: float,
    first_seed: int = 0,
    most_files: int = 10**9,
) -> list[multiprocessing.Process]:
    """Starts workers that fill ``out`` for ``seconds`` seconds; returns them, running.

    ``make`` (seed, group) gives a clip; ``groups`` says how often each group's turn comes. A worker
    stops early at its share of ``most_files``.
    """
    out.mkdir(parents=True, exist_ok=True)
    deadline = time.time() + seconds
    started = []
    for worker in range(workers):
        seeds = range(first_seed + worker, first_seed + 10**8, workers)
        process = multiprocessing.Process(
            target=_work,
            args=(worker, out, make, groups, seeds, deadline, -(-most_files // workers)),
            daemon=True,
        )
        process.start()
        started.append(process)
    return started


def start_rendering(
    folder: Path,
    make: Callable[[int, str], Any],
    groups: Mapping[str, float],
    *,
    workers: int,
    seconds: float,
    seed: int,
) -> list[multiprocessing.Process]:
    """`render_pool` with seeds that no other ``seed`` shares."""
    # Each worker does plain arithmetic on one core; more threads would only get in the way.
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ[name] = "1"
    return render_pool(
        folder,
        make,
        groups=groups,
        workers=workers,
        seconds=seconds,
        first_seed=seed * 10**8,
    )


class Pool:
    """Reads a growing folder of clips; files whose group is in ``skip`` are left alone."""

    def __init__(self, folder: Path, *, skip: frozenset[str] = frozenset()) -> None:
        self.folder = folder
        self.skip = skip
        self.seen: set[str] = set()
        self._waiting: deque[str] = deque()
        self._looked = 0.0

    def fresh(self, *, at_most: int = 64) -> list[dict[str, np.ndarray]]:
        """Files that have come since the last call, as arrays by name, oldest seed first."""
        found: list[dict[str, np.ndarray]] = []
        while len(found) < at_most:
            if not self._waiting and not self._look():
                break
            with np.load(self.folder / self._waiting.popleft()) as file:
                found.append({name: file[name] for name in file.files})
        return found

    def _look(self) -> bool:
        # The folder grows to thousands of files and the trainer waits meanwhile: look seldom.
        if time.time() - self._looked < _LOOK_EVERY_SEC:
            return False
        self._looked = time.time()
        new = [
            name
            for name in os.listdir(self.folder)
            if name.endswith(".npz")
            and name not in self.seen
            and name.split("-")[0] not in self.skip
        ]
        new.sort(key=lambda name: name.split("-")[-1])
        self.seen.update(new)
        self._waiting.extend(new)
        return bool(new)


def main(argv: Sequence[str] | None = None) -> None:
    """Fills a folder from the command line."""
    from transcribe.training.recipe import add_render_arguments, maker

    parser = argparse.ArgumentParser(prog="python -m transcribe.training.pool")
    parser.add_argument("--out", type=Path, required=True, help="folder to fill")
    parser.add_argument("--minutes", type=float, default=9.0, help="how long to render")
    parser.add_argument("--most-files", type=int, default=10**9, help="files to stop at")
    parser.add_argument("--only", help="render this group alone, such as acoustic")
    add_render_arguments(parser)
    args = parser.parse_args(argv)
    make, groups = maker(args.banks, args.talk)
    if args.only:
        groups = {args.only: groups[args.only]}
    for process in render_pool(
        args.out,
        make,
        groups=groups,
        workers=args.workers,
        seconds=60.0 * args.minutes,
        first_seed=args.seed * 10**8,
        most_files=args.most_files,
    ):
        process.join()


if __name__ == "__main__":
    main()
