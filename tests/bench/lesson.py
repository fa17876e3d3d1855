"""How well a recorded session is split into its parts: twenty generated ones, with talk.

    python -m tests.bench.lesson [--banks banks.npz] [--sessions 20]

Each session has four to six parts, all in one key: phrases of `transcribe.training.phrases`, of
two kinds in a session, so that some of its parts are of one kind. Each part is played one to four
times, now slower, now faster, with a slip in up to one note of thirty, and between the playings
somebody talks (syllables that the project makes), or there is a pause alone. The rooms are rough. A
playing is found where one stretch begins and ends within half a second of it; two playings are told
right where they are put in one part exactly if they are one. Beside it stand, in the same run and
from the same notes, the figures of the simplest thing that could be done: cut wherever no note
sounds for a second, and call stretches the same whose pitches are shared out alike.
"""

from __future__ import annotations

import argparse
import itertools
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from tests.bench.compare_takes import plant, written
from transcribe.core.riff import Note
from transcribe.training.banks import SR, Bank, SynthBank, load_banks
from transcribe.training.lesson_session import Laid, Pause, Playing, lay
from transcribe.training.render import draw_touch, render
from transcribe.training.rough import draw_rough
from transcribe.training.speech import draw_voice

_SEED = 2201
_NEAR_SEC = 0.5  # that both ends of a stretch may be off
_KINDS = ("drone", "line", "legato", "arpeggio", "strum", "power")


@dataclass
class Tally:
    """What was found of all sessions."""

    found: int = 0
    playings: int = 0
    stretches: int = 0
    same: int = 0  # pairs of playings of one part that are put in one
    same_of: int = 0
    apart: int = 0  # pairs of playings of two parts that are put in two
    apart_of: int = 0
    seconds: float = 0.0
    sound_sec: float = 0.0

    def add(self, laid: Sequence[Laid], spans: Sequence[tuple[float, float, int]]) -> None:
        """``spans`` are first and last second of each stretch, and the number of its part."""
        part_of: list[int | None] = []
        for truth in laid:
            hits = [
                part
                for a, b, part in spans
                if abs(a - truth.start_sec) <= _NEAR_SEC and abs(b - truth.end_sec) <= _NEAR_SEC
            ]
            part_of.append(hits[0] if hits else None)
        self.found += sum(part is not None for part in part_of)
        self.playings += len(laid)
        self.stretches += len(spans)
        known = [(t.part, p) for t, p in zip(laid, part_of, strict=True) if p is not None]
        for (a, p), (b, q) in itertools.combinations(known, 2):
            if a == b:
                self.same_of += 1
                self.same += p == q
            else:
                self.apart_of += 1
                self.apart += p != q

    def row(self, name: str) -> str:
        shares = (
            self.found / max(1, self.playings),
            self.found / max(1, self.stretches),
            self.same / max(1, self.same_of),
            self.apart / max(1, self.apart_of),
        )
        return f"{name:<24}" + "".join(f"{share:10.3f}" for share in shares)


def session(number: int, bank: Bank) -> tuple[np.ndarray, tuple[Laid, ...]]:
    """One generated session: its sound, and where each playing lies in it."""
    rng = np.random.default_rng((_SEED, number))
    guitar, touch, voice = bank.for_clip(rng), draw_touch(rng), draw_voice(rng)
    cents = float(rng.uniform(-30.0, 30.0))
    order = []
    parts = {}
    key = int(rng.choice((0, 2, 4, 7, 9))), str(rng.choice(("ionian", "dorian", "aeolian")))
    kinds = rng.choice(_KINDS, size=2, replace=False)
    for k in range(int(rng.integers(4, 7))):
        parts[f"part {k}"] = written(
            rng,
            kind=str(rng.choice(kinds)),
            duration_sec=float(rng.uniform(7.0, 14.0)),
            key=key,
        )
        order += [f"part {k}"] * int(rng.choice((1, 2, 2, 3)))
    if rng.random() < 0.5:
        order.append(str(rng.choice(list(parts))))  # one is played again at the end
    items: list[Pause | Playing] = [Pause(float(rng.uniform(3.0, 8.0)))]
    for name in order:
        reference, played = parts[name]
        ratio = float(rng.choice((0.65, 0.8, 1.0, 1.0, 1.0, 1.1)))
        planted = plant(
            rng, reference, played, ratio=ratio, share=float(rng.choice((0.0, 0.015, 0.03)))
        )
        y, true = render(
            planted.played,
            bank=guitar,
            rng=rng,
            duration_sec=planted.duration_sec + 0.3,
            touch=touch,
            offset_cents=cents,
        )
        first = min(note.onset_sec for note in true)
        last = max(note.offset_sec for note in true)
        items.append(Playing(name, y / max(1e-6, float(np.abs(y).max())), first, last))
        pause = rng.random() < 0.2
        length = float(rng.uniform(2.5, 5.0) if pause else rng.uniform(2.5, 9.0))
        items.append(Pause(length, talk=not pause))
    rough = replace(draw_rough(rng, float(rng.uniform(0.2, 0.6)), codecs=False), talk_db=None)
    y, laid, _ = lay(items, voice=voice, rough=rough, rng=rng, talk_db=float(rng.uniform(-10, 3)))
    return y, laid


def simple(notes: Sequence[Note]) -> list[tuple[float, float, int]]:
    """Stretches between silences of a second; one part where pitches are shared out alike."""
    stretches: list[list[Note]] = []
    for note in notes:
        if not stretches or note.onset_sec - max(n.offset_sec for n in stretches[-1]) > 1.0:
            stretches.append([])
        stretches[-1].append(note)
    spans = []
    profiles: list[np.ndarray] = []
    for own in stretches:
        if len(own) < 5:
            continue
        profile = np.bincount([n.pitch_midi for n in own], minlength=128).astype(float)
        profile /= np.linalg.norm(profile)
        alike = [float(profile @ other) for other in profiles]
        part = int(np.argmax(alike)) if alike and max(alike) > 0.9 else len(profiles)
        if part == len(profiles):
            profiles.append(profile)
        spans.append((own[0].onset_sec, max(n.offset_sec for n in own), part))
    return spans


def run(sessions: int, bank: Bank, *, first: int = 0, verbose: bool = False) -> tuple[Tally, Tally]:
    """Tallies of the lesson and of the simplest way."""
    from transcribe import api
    from transcribe.lesson import split as splitting

    tally, plain = Tally(), Tally()
    for number in range(first, first + sessions):
        y, laid = session(number, bank)
        begin = time.perf_counter()
        found = splitting.split(y, sr=SR)
        seconds = time.perf_counter() - begin
        tally.seconds += seconds
        tally.sound_sec += len(y) / SR
        spans = [
            (one.start_sec, one.end_sec, i)
            for i, part in enumerate(found.lesson.parts)
            for one in part.playings
        ]
        own = Tally()
        own.add(laid, spans)
        tally.add(laid, spans)
        plain.add(laid, simple(api.listen(y, sr=SR).riff.notes))
        if verbose:
            print(own.row(f"session {number}"), f"{seconds:6.1f} s of {len(y) / SR:4.0f}")
            for truth in laid:
                hits = [s for s in spans if s[0] < truth.end_sec and s[1] > truth.start_sec]
                shown = " ".join(f"{a:.2f}-{b:.2f}={p}" for a, b, p in hits)
                print(f"    {truth.part} {truth.start_sec:.2f}-{truth.end_sec:.2f}: {shown}")
    return tally, plain


def main() -> None:
    parser = argparse.ArgumentParser(description="Split generated sessions into their parts.")
    parser.add_argument(
        "--banks", type=Path, help="packed banks of recorded notes, for other guitars"
    )
    parser.add_argument("--bank", default="acoustic", help="the one of them that plays")
    parser.add_argument("--sessions", type=int, default=20)
    parser.add_argument("--first", type=int, default=0, help="number of the first session")
    parser.add_argument("--verbose", action="store_true", help="a line for each playing")
    args = parser.parse_args()
    bank: Bank = load_banks(args.banks)[args.bank] if args.banks else SynthBank()
    tally, plain = run(args.sessions, bank, first=args.first, verbose=args.verbose)
    print(
        f"{args.sessions} sessions, {tally.playings} playings, {tally.sound_sec / 60:.0f} minutes"
    )
    print(f"{'':<24}{'found':>10}{'precision':>10}{'one part':>10}{'two parts':>10}")
    print(tally.row("the lesson"))
    print(plain.row("silences and pitches"))
    print(f"seconds of work for a second of sound: {tally.seconds / tally.sound_sec:.3f}")


if __name__ == "__main__":
    main()
