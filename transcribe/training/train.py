"""Trains the note network: one command, weights and log out.

    python -m transcribe.training.train --banks banks.npz --out FOLDER --minutes 9

Workers render clips into a folder (``pool``) while the GPU trains on what has come; each clip is
seen many times, each time another stretch of it, transposed, detuned, louder or softer, coloured
and with other noise. The rate follows a cosine over the time that is given; the weights that are
saved are a running average. ``FOLDER`` gets ``weights.pt`` (rewritten as it goes), ``log.json``
and, with ``--valid``, scores. ``--exclude-bank acoustic`` leaves a bank out, to measure honestly.
"""

from __future__ import annotations

import argparse
import copy
import json
import math
import os
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor

from transcribe.notes import features as feat
from transcribe.notes.network import FIRST_MIDI
from transcribe.training.model import NoteNet, Settings
from transcribe.training.pool import MAX_MOVED, MAX_NOTES, Pool, start_rendering
from transcribe.training.spectra import Spectra
from transcribe.training.targets import loss, make_targets

__all__ = ["Plan", "Store", "load_net", "main", "save_net", "train"]


@dataclass(frozen=True)
class Plan:
    """How to train. Training ends after ``seconds`` or ``steps``, whichever comes first."""

    seconds: float = 480.0
    steps: int = 10**9
    batch: int = 48
    frames: int = 256
    rate: float = 3e-3
    decay: float = 1e-2
    warm_steps: int = 200
    average: float = 0.999
    first_clips: int = 256
    capacity: int = 40000
    seed: int = 1
    transpose: int = 2
    settings: Settings = field(default_factory=Settings)


class Store:
    """Clips on the device: audio with silence around it, notes, moved pitches."""

    def __init__(self, capacity: int, samples: int, device: torch.device) -> None:
        self.margin = feat.REACH + feat.HOP
        self.samples = samples
        size = (capacity, samples + 2 * self.margin)
        self.audio = torch.zeros(size, dtype=torch.int16, device=device)
        self.notes = torch.full((capacity, MAX_NOTES, 4), -1.0, device=device)
        self.moved = torch.full((capacity, MAX_MOVED, 3), -1.0, device=device)
        self.reference = torch.zeros(capacity, device=device)
        self.offset_cents = torch.zeros(capacity, device=device)
        frames = feat.frame_count(samples)
        self.voice = torch.full((capacity, frames), -1, dtype=torch.int8, device=device)
        self.capacity = capacity
        self.count = 0
        self._next = 0

    def add(self, arrays: dict[str, np.ndarray]) -> None:
        """Takes the clips of one file in; the oldest make room when it is full."""
        good = np.flatnonzero(arrays["reference"] > 0)[: self.capacity]
        if self._next + len(good) > self.capacity:
            self._next = 0
        at = slice(self._next, self._next + len(good))
        device = self.audio.device

        def there(name: str) -> Tensor:
            return torch.from_numpy(np.ascontiguousarray(arrays[name][good])).to(device)

        audio = there("audio")[:, : self.samples]
        self.audio[at, self.margin : self.margin + audio.shape[1]] = audio
        voice = there("voice")[:, : self.voice.shape[1]]
        self.voice[at] = -1
        self.voice[at, : voice.shape[1]] = voice
        for name in ("notes", "moved", "reference", "offset_cents"):
            getattr(self, name)[at] = there(name)
        self._next = at.stop
        if device.type == "cuda":
            torch.cuda.current_stream(device).synchronize()
        self.count = max(self.count, at.stop)

    def crops(
        self, batch: int, frames: int, generator: torch.Generator, *, transpose: int
    ) -> tuple[Tensor, Tensor, Tensor, Tensor, Tensor, Tensor]:
        """Random stretches: audio, reference, offset in cents, notes, moved pitches, voice."""
        device = self.audio.device

        def draw(*size: int) -> Tensor:
            return torch.rand(*size, device=device, generator=generator)

        rows = (draw(batch) * self.count).long().clamp(max=self.count - 1)
        whole = feat.frame_count(self.samples)
        room = max(0, whole - frames)
        first = (draw(batch) * (room + 1)).long()
        jitter = (draw(batch) * feat.HOP).long()
        start = self.margin - feat.REACH + first * feat.HOP + jitter
        width = (frames - 1) * feat.HOP + 2 * feat.REACH
        index = start[:, None] + torch.arange(width, device=device)
        index = index.clamp(max=self.audio.shape[1] - 1)
        audio = self.audio[rows[:, None], index].float() / 32768.0
        steps = ((draw(batch) * (2 * transpose + 1)).floor() - transpose).long()
        steps = torch.where(draw(batch) < 0.5, steps, torch.zeros_like(steps))
        notes, moved = self.notes[rows].clone(), self.moved[rows].clone()
        late = first.float() + jitter.float() / feat.HOP
        empty = notes[..., 0] < 0
        notes[..., :2] -= late[:, None, None]
        notes[..., 2] -= FIRST_MIDI + steps[:, None]
        notes[..., 0] = torch.where(empty, torch.full_like(notes[..., 0], -1e9), notes[..., 0])
        moved[..., 0] = torch.where(
            moved[..., 0] < 0,
            torch.full_like(moved[..., 0], -1e9),
            (moved[..., 0] - late[:, None]).round(),
        )
        moved[..., 1] -= FIRST_MIDI + steps[:, None]
        # Most takes come with their tuning measured, a little off; some with none.
        tuned = self.offset_cents[rows] + 6.0 * torch.randn(
            batch, device=device, generator=generator
        )
        offset = torch.where(draw(batch) < 0.7, tuned, torch.zeros_like(tuned))
        near = (first[:, None] + torch.arange(frames, device=device)).clamp(max=whole - 1)
        voice = self.voice[rows[:, None], near]
        return audio, self.reference[rows], offset + 100.0 * steps, notes, moved, voice


def _worsen(audio: Tensor, reference: Tensor, generator: torch.Generator) -> tuple[Tensor, Tensor]:
    """Noise under half of the crops and a level that is judged a little wrong."""
    batch = audio.shape[0]
    device = audio.device

    def draw(*size: int) -> Tensor:
        return torch.rand(*size, device=device, generator=generator)

    # The reference is the power of a partial's peak; noise spreads over a thousand bins.
    level = torch.sqrt(reference) * 10.0 ** (-(15.0 + 50.0 * draw(batch)) / 20.0)
    level = torch.where(draw(batch) < 0.5, level, torch.zeros_like(level))
    noise = torch.randn(audio.shape, device=device, generator=generator)
    return audio + noise * level[:, None], reference * 10.0 ** ((draw(batch) - 0.5) * 1.6)


def _colour(x: Tensor, generator: torch.Generator) -> Tensor:
    """A smooth random equaliser of up to about 10 dB, on the features themselves."""
    batch, rows = x.shape[0], x.shape[3]
    axis = torch.linspace(0.0, math.pi, rows, device=x.device)
    curve = torch.zeros(batch, rows, device=x.device)
    for n in range(1, 6):
        size = torch.randn(batch, 1, device=x.device, generator=generator) * (4.0 / n**0.5)
        phase = torch.rand(batch, 1, device=x.device, generator=generator) * 2.0 * math.pi
        curve = curve + size * torch.cos(n * axis + phase)
    used = torch.rand(batch, 1, device=x.device, generator=generator) < 0.5
    curve = torch.where(used, curve, torch.zeros_like(curve)) / feat.FLOOR_DB
    return (x + curve[:, None, None, :]).clamp(min=0.0)


def _rate(plan: Plan, share: float, step: int) -> float:
    warm = min(1.0, (step + 1) / plan.warm_steps)
    return plan.rate * warm * (0.5 + 0.5 * math.cos(math.pi * min(1.0, share))) + 1e-6


def train(
    plan: Plan,
    pool: Pool,
    *,
    out: Path,
    device: torch.device | None = None,
    samples: int = 10 * feat.SR,
    start: NoteNet | None = None,
) -> NoteNet:
    """Trains on the clips that come into ``pool``; returns the averaged network.

    ``start`` gives weights to go on from; its settings must be the plan's.

    Writes ``weights.pt`` and ``log.json`` into ``out`` about once a minute and at the end.
    """
    device = (
        torch.device("cuda" if torch.cuda.is_available() else "cpu") if device is None else device
    )
    torch.manual_seed(plan.seed)
    torch.backends.cuda.matmul.allow_tf32 = True
    torch.backends.cudnn.allow_tf32 = True
    torch.backends.cudnn.benchmark = True
    generator = torch.Generator(device=device)
    generator.manual_seed(plan.seed)
    out.mkdir(parents=True, exist_ok=True)
    store = Store(plan.capacity, samples, device)
    began = time.time()
    feeder = _Feeder(store, pool)
    while store.count < plan.first_clips:
        if time.time() - began > plan.seconds:
            raise TimeoutError(f"only {store.count} clips came in {plan.seconds:.0f} s")
        time.sleep(0.2)
    net: Any = NoteNet(plan.settings).to(device)
    if start is not None:
        net.load_state_dict(start.state_dict())
    net = net.to(memory_format=torch.channels_last)
    spectra = Spectra().to(device)
    average: NoteNet = copy.deepcopy(net).eval()
    decayed = [p for p in net.parameters() if p.ndim > 1]
    plain = [p for p in net.parameters() if p.ndim <= 1]
    optimiser = torch.optim.AdamW(
        [{"params": decayed, "weight_decay": plan.decay}, {"params": plain, "weight_decay": 0.0}],
        lr=plan.rate,
        fused=device.type == "cuda",
    )
    log: list[dict[str, float]] = []
    saved = time.time()
    step = 0
    while step < plan.steps:
        elapsed = time.time() - began
        if elapsed > plan.seconds:
            break
        share = max(elapsed / plan.seconds, step / plan.steps)
        for group in optimiser.param_groups:
            group["lr"] = _rate(plan, share, step)
        audio, reference, offset, notes, moved, voice = store.crops(
            plan.batch, plan.frames, generator, transpose=plan.transpose
        )
        audio, reference = _worsen(audio, reference, generator)
        x = spectra(audio, frames=plan.frames, reference=reference, offset_cents=offset)
        x = _colour(x, generator).to(memory_format=torch.channels_last)
        targets = make_targets(notes, moved, voice, frames=plan.frames)
        with torch.autocast(device.type, dtype=torch.bfloat16, enabled=device.type == "cuda"):
            answer = net(x)
        total, parts = loss(answer, targets)
        optimiser.zero_grad(set_to_none=True)
        total.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        optimiser.step()
        _average(average, net, min(plan.average, (1.0 + step) / (10.0 + step)))
        if step % 100 == 0:
            row = {"step": step, "sec": round(elapsed, 1), "clips": store.count}
            log.append(row | {k: round(float(v), 5) for k, v in parts.items()})
            print(json.dumps(log[-1]), flush=True)
        if time.time() - saved > 60.0:
            saved = time.time()
            save_net(average, out / "weights.pt", plan)
        step += 1
    feeder.stop()
    save_net(average, out / "weights.pt", plan)
    elapsed = time.time() - began
    summary = {"steps": step, "sec": round(elapsed, 1), "clips": store.count, "log": log}
    _write_json(out / "log.json", summary | {"plan": _plan_json(plan)})
    return average


class _Feeder:
    """Moves clips from the pool into the store, on a thread and a stream of its own."""

    def __init__(self, store: Store, pool: Pool) -> None:
        self._done = threading.Event()
        self._thread = threading.Thread(target=self._feed, args=(store, pool), daemon=True)
        self._thread.start()

    def _feed(self, store: Store, pool: Pool) -> None:
        cuda = store.audio.device.type == "cuda"
        stream = torch.cuda.Stream(store.audio.device) if cuda else None
        while not self._done.is_set():
            fresh = pool.fresh(at_most=8)
            with torch.cuda.stream(stream):
                for arrays in fresh:
                    store.add(arrays)
            if not fresh:
                self._done.wait(0.3)

    def stop(self) -> None:
        """Ends the thread and waits for it."""
        self._done.set()
        self._thread.join()


@torch.no_grad()
def _average(average: torch.nn.Module, net: torch.nn.Module, keep: float) -> None:
    mine = [t for t in average.state_dict().values() if t.dtype.is_floating_point]
    new = [t for t in net.state_dict().values() if t.dtype.is_floating_point]
    torch._foreach_lerp_(mine, new, 1.0 - keep)


def _plan_json(plan: Plan) -> dict[str, Any]:
    return {k: v for k, v in vars(plan).items() if k != "settings"} | {
        "settings": plan.settings.as_json()
    }


def save_net(net: NoteNet, path: Path, plan: Plan) -> None:
    """Weights and settings in one file, whole or not at all."""
    part = path.with_suffix(".part")
    state = {k: v.detach().cpu().contiguous() for k, v in net.state_dict().items()}
    torch.save({"state": state, "settings": net.settings.as_json(), "plan": _plan_json(plan)}, part)
    os.replace(part, path)


def load_net(path: Path) -> NoteNet:
    """The network of a file that `save_net` wrote, ready to answer."""
    saved = torch.load(path, map_location="cpu", weights_only=True)
    settings: dict[str, Any] = {
        k: tuple(v) if isinstance(v, list) else v for k, v in saved["settings"].items()
    }
    net = NoteNet(Settings(**settings))
    net.load_state_dict(saved["state"])
    return net.eval()


def _write_json(path: Path, value: Any) -> None:
    part = path.with_suffix(".part")
    part.write_text(json.dumps(value, indent=1) + "\n", encoding="utf-8")
    os.replace(part, path)


def _settings(text: str) -> dict[str, Any]:
    """``width=80,steps=1:2:4`` as keyword arguments of `Settings`."""
    out: dict[str, Any] = {}
    for item in filter(None, text.split(",")):
        key, value = item.split("=")
        numbers = tuple(int(v) for v in value.split(":"))
        out[key] = numbers if key in ("steps", "mix_after") else numbers[0]
    return out


def main(argv: Sequence[str] | None = None) -> None:
    """Trains from the command line."""
    from transcribe.training.recipe import add_render_arguments, maker
    from transcribe.training.score import score_pool

    parser = argparse.ArgumentParser(prog="python -m transcribe.training.train")
    parser.add_argument("--out", type=Path, required=True, help="folder for weights and log")
    parser.add_argument("--minutes", type=float, default=9.0, help="time for training")
    parser.add_argument("--steps", type=int, default=10**9, help="steps at most")
    parser.add_argument("--batch", type=int, default=48)
    parser.add_argument("--rate", type=float, default=3e-3)
    parser.add_argument("--capacity", type=int, default=40000, help="clips kept on the device")
    parser.add_argument("--first-clips", type=int, default=256, help="clips to begin with")
    parser.add_argument("--exclude-bank", default="", help="bank to leave out of training")
    parser.add_argument("--clips", type=Path, help="folder that another process fills")
    parser.add_argument("--valid", type=Path, help="folder of clips to score at the end")
    parser.add_argument("--device", help="such as cuda:1")
    parser.add_argument("--start", type=Path, help="weights.pt to go on from")
    parser.add_argument("--settings", default="", help="such as width=80,steps=1:2:4:8")
    add_render_arguments(parser)
    args = parser.parse_args(argv)
    plan = Plan(
        seconds=60.0 * args.minutes,
        steps=args.steps,
        batch=args.batch,
        rate=args.rate,
        capacity=args.capacity,
        first_clips=args.first_clips,
        seed=args.seed,
        settings=Settings(**_settings(args.settings)),
    )
    clips, workers = args.clips, []
    if clips is None:
        clips = args.out / "clips"
        make, groups = maker(args.banks, args.talk)
        groups = {name: share for name, share in groups.items() if name != args.exclude_bank}
        workers = start_rendering(
            clips, make, groups, workers=args.workers, seconds=plan.seconds, seed=args.seed
        )
    skip = frozenset({args.exclude_bank} - {""})
    device = torch.device(args.device) if args.device else None
    start = load_net(args.start) if args.start else None
    plan = replace(plan, settings=start.settings) if start else plan
    net = train(plan, Pool(clips, skip=skip), out=args.out, device=device, start=start)
    for worker in workers:
        worker.terminate()
    if args.valid is not None:
        scores = score_pool(net, Pool(args.valid), device=device)
        _write_json(args.out / "scores.json", scores)
        print(json.dumps(scores, indent=1))


if __name__ == "__main__":
    main()
