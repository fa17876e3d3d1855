"""From notes in frames to what the network should say, and how far its answer is from it.

Conventions: arrays are torch tensors; a crop's notes are rows of (onset in frames, offset in
frames, column on the pitch axis, index in `riff.ARTICULATIONS`), with an onset of -1 where a row is
empty.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
import torch.nn.functional as fn
from torch import Tensor

from transcribe.core.riff import ARTICULATIONS
from transcribe.notes.network import OUTPUTS, PITCHES, articulation_rows

__all__ = ["Targets", "loss", "make_targets"]

_MANNER_FRAMES = (-1, 12)  # frames from the onset in which the articulation is asked for


@dataclass
class Targets:
    """All (batch, frames, PITCHES); ``articulation`` and ``moved`` count where their mask is set.

    ``voice`` is (batch, frames): 1, 0, or -1 where it does not count.
    """

    onset: Tensor
    sounding: Tensor
    offset: Tensor
    shift: Tensor
    shift_mask: Tensor
    articulation: Tensor
    articulation_mask: Tensor
    moved: Tensor
    moved_mask: Tensor
    voice: Tensor


def _near(when: Tensor, frame: Tensor) -> Tensor:
    """1 at the nearest frame, less at the next, by the distance that is over half a frame."""
    return (2.0 - 2.0 * (when - frame).abs()).clamp(0.0, 1.0)


def make_targets(notes: Tensor, moved: Tensor, voice: Tensor, *, frames: int) -> Targets:
    """Targets of a batch of crops.

    Parameters
    ----------
    notes : (batch, n, 4)
        Rows as in the module's conventions; times from the crop's first frame, may lie outside.
    moved : (batch, m, 3)
        Rows of (frame, column, semitones); a frame outside the crop is left out.
    voice : (batch, frames)
        1 where somebody talks, 0 where nobody does, -1 where it does not count.
    """
    plane = _Plane(notes.shape[0], frames, notes.device)
    on, off, column, articulation = (notes[..., i] for i in range(4))
    good = (on > -1e6) & (column >= 0) & (column < PITCHES) & (off > on)
    good &= (on < frames) & (off > 0)
    on, off = torch.where(good, on, -9.0), torch.where(good, off, -9.0)
    column = column.long()
    first = on.round().long()
    last = torch.maximum(off.round().long(), first + 1)
    low, high = _MANNER_FRAMES
    asked = torch.minimum(first + high, torch.maximum(last, first + 3))
    ones = good.float()
    onset = plane.peaks(on, column, good)
    sounding = plane.spans(first, last, column, ones) > 0.5
    count = plane.spans(first + low, asked, column, ones)
    total = plane.spans(first + low, asked, column, ones * articulation)
    shift = plane.empty()
    for step in (1, -1, 0):
        frame = first + step
        shift[plane.index(frame, column, good)] = (on - frame).flatten()
    offset = plane.peaks(off, column, good)
    deviation = plane.empty()
    column, frame = moved[..., 1].long(), moved[..., 0].long()
    deviation[plane.index(frame, column, torch.ones_like(frame, dtype=torch.bool))] = moved[
        ..., 2
    ].flatten()
    return Targets(
        onset=onset,
        sounding=sounding.float(),
        offset=offset,
        shift=plane.whole(shift),
        shift_mask=(onset > 0.0).float(),
        articulation=(total + 0.5).long().clamp(0, len(ARTICULATIONS) - 1),
        articulation_mask=((count - 1.0).abs() < 0.5).float(),
        moved=plane.whole(deviation),
        moved_mask=sounding.float(),
        voice=voice.float(),
    )


class _Plane:
    """Scatters rows of notes into (batch, frames, PITCHES).

    Rows that fall outside go to one spare element past the end: throwing them away by a mask
    would make the GPU wait for the processor at every batch.
    """

    def __init__(self, batch: int, frames: int, device: torch.device) -> None:
        self.shape = (batch, frames, PITCHES)
        self.device = device
        self.batch = batch
        self.frames = frames

    def empty(self, frames: int | None = None) -> Tensor:
        frames = self.frames if frames is None else frames
        return torch.zeros(self.batch * frames * PITCHES + 1, device=self.device)

    def whole(self, flat: Tensor, frames: int | None = None) -> Tensor:
        frames = self.frames if frames is None else frames
        return flat[:-1].view(self.batch, frames, PITCHES)

    def index(
        self, frame: Tensor, column: Tensor, good: Tensor, frames: int | None = None
    ) -> Tensor:
        frames = self.frames if frames is None else frames
        good = good & (frame >= 0) & (frame < frames) & (column >= 0) & (column < PITCHES)
        clip = torch.arange(self.batch, device=self.device)[:, None]
        flat = (clip * frames + frame) * PITCHES + column
        return torch.where(good, flat, self.batch * frames * PITCHES).flatten()

    def peaks(self, when: Tensor, column: Tensor, good: Tensor) -> Tensor:
        out = self.empty()
        for step in (-1, 0, 1):
            frame = when.round().long() + step
            value = _near(when, frame.float()).flatten()
            out.scatter_reduce_(0, self.index(frame, column, good), value, "amax")
        return self.whole(out)

    def spans(self, first: Tensor, last: Tensor, column: Tensor, value: Tensor) -> Tensor:
        more = self.frames + 1
        out = self.empty(more)
        good = value >= 0
        for when, sign in ((first, 1.0), (last, -1.0)):
            at = self.index(when.clamp(0, self.frames), column, good, more)
            out.index_add_(0, at, sign * value.flatten())
        return self.whole(out, more).cumsum(1)[:, : self.frames]


_MANNER_WEIGHTS = {
    "picked": 0.3,
    "hammer-on": 3.0,
    "pull-off": 3.0,
    "slide": 3.0,
    "bend": 2.0,
    "vibrato": 2.0,
    "harmonic": 1.0,
    "dead": 1.0,
}
"""Rare articulations weigh more than their share; nearly every note is picked."""


def loss(answer: Tensor, targets: Targets) -> tuple[Tensor, dict[str, Tensor]]:
    """What the optimiser lowers, and its parts.

    ``answer`` is the network's output (batch, OUTPUTS, frames, PITCHES). Every part is a sum
    per sounding frame or per onset, so that busy and sparse batches weigh alike.
    """
    answer = answer.float()
    frames = answer.shape[0] * answer.shape[2]

    def cross(row: int, target: Tensor, heavier: float) -> Tensor:
        weight = torch.tensor(heavier, device=answer.device)
        value = fn.binary_cross_entropy_with_logits(
            answer[:, row], target, pos_weight=weight, reduction="sum"
        )
        return value / frames

    weights = torch.tensor([_MANNER_WEIGHTS[name] for name in ARTICULATIONS])
    articulation = fn.cross_entropy(
        answer[:, articulation_rows()],
        targets.articulation,
        weight=weights.to(answer.device),
        reduction="none",
    )
    shift = (answer[:, 3] - targets.shift).abs() * targets.shift_mask
    weight = targets.moved_mask * (1.0 + 4.0 * (targets.moved.abs() > 0.1).float())
    moved = (answer[:, 4] - targets.moved).abs() * weight
    voice = fn.binary_cross_entropy_with_logits(
        answer[:, OUTPUTS - 1].mean(dim=2), targets.voice.clamp(min=0.0), reduction="none"
    )
    asked = (targets.voice >= 0.0).float()
    parts = {
        "onset": 4.0 * cross(0, targets.onset, 3.0),
        "sounding": cross(1, targets.sounding, 1.5),
        "offset": 0.5 * cross(2, targets.offset, 3.0),
        "shift": 0.5 * shift.sum() / targets.shift_mask.sum().clamp(min=1.0),
        "moved": 0.5 * moved.sum() / weight.sum().clamp(min=1.0),
        "articulation": 0.6
        * (articulation * targets.articulation_mask).sum()
        / targets.articulation_mask.sum().clamp(min=1.0),
        "voice": 0.5 * (voice * asked).sum() / asked.sum().clamp(min=1.0),
    }
    total = torch.stack(list(parts.values())).sum()
    return total, {name: value.detach() for name, value in parts.items()}
