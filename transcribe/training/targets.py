"""From notes in frames to what the network should say, and how far its answer is from it.

Conventions: arrays are torch tensors; a crop's notes are rows of (onset in frames, offset in
frames, column on the pitch axis, index in `MANNERS`), with an onset of -1 where a row is empty.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
import torch.nn.functional as fn
from torch import Tensor

from transcribe.notes.network import MANNERS, PITCHES, manner_rows

__all__ = ["Targets", "loss", "make_targets"]

_MANNER_FRAMES = (-1, 12)  # frames from the onset in which the manner is asked for


@dataclass
class Targets:
    """All (batch, frames, PITCHES); ``manner`` and ``moved`` count where their mask is set."""

    onset: Tensor
    sounding: Tensor
    offset: Tensor
    shift: Tensor
    shift_mask: Tensor
    manner: Tensor
    manner_mask: Tensor
    moved: Tensor
    moved_mask: Tensor


def _near(when: Tensor, frame: Tensor) -> Tensor:
    """1 at the nearest frame, less at the next, by the distance that is over half a frame."""
    return (2.0 - 2.0 * (when - frame).abs()).clamp(0.0, 1.0)


def make_targets(notes: Tensor, moved: Tensor, *, frames: int) -> Targets:
    """Targets of a batch of crops.

    Parameters
    ----------
    notes : (batch, n, 4)
        Rows as in the module's conventions; times from the crop's first frame, may lie outside.
    moved : (batch, m, 3)
        Rows of (frame, column, semitones); a frame outside the crop is left out.
    """
    batch = notes.shape[0]
    shape = (batch, frames, PITCHES)
    device = notes.device
    clip = torch.arange(batch, device=device)[:, None].expand(notes.shape[:2])
    on, off, column, manner = (notes[..., i] for i in range(4))
    good = (on > -1e6) & (column >= 0) & (column < PITCHES) & (off > on) & (on < frames)
    good &= off > 0
    clip, on, off = clip[good], on[good], off[good]
    column, manner = column[good].long(), manner[good]

    def peaks(when: Tensor) -> Tensor:
        out = torch.zeros(shape, device=device)
        for step in (-1, 0, 1):
            frame = when.round().long() + step
            ok = (frame >= 0) & (frame < frames)
            value = _near(when, frame.float())[ok]
            out.view(-1).scatter_reduce_(
                0, _flat(clip[ok], frame[ok], column[ok], frames), value, "amax"
            )
        return out

    def spans(first: Tensor, last: Tensor, value: Tensor) -> Tensor:
        out = torch.zeros((batch, frames + 1, PITCHES), device=device)
        first, last = first.clamp(0, frames), last.clamp(0, frames)
        out.view(-1).index_add_(0, _flat(clip, first, column, frames + 1), value)
        out.view(-1).index_add_(0, _flat(clip, last, column, frames + 1), -value)
        return out.cumsum(1)[:, :frames]

    first = on.round().long()
    last = torch.maximum(off.round().long(), first + 1)
    ones = torch.ones_like(on)
    shift = torch.zeros(shape, device=device)
    for step in (1, -1, 0):
        frame = first + step
        ok = (frame >= 0) & (frame < frames)
        shift.view(-1)[_flat(clip[ok], frame[ok], column[ok], frames)] = (on - frame)[ok]
    onset = peaks(on)
    low, high = _MANNER_FRAMES
    asked = torch.minimum(first + high, torch.maximum(last, first + 3))
    count = spans(first + low, asked, ones)
    total = spans(first + low, asked, manner)
    sounding = spans(first, last, ones)
    deviation = torch.zeros(shape, device=device)
    row = torch.arange(batch, device=device)[:, None].expand(moved.shape[:2])
    ok = (moved[..., 0] >= 0) & (moved[..., 0] < frames)
    ok &= (moved[..., 1] >= 0) & (moved[..., 1] < PITCHES)
    where = _flat(row[ok], moved[..., 0][ok].long(), moved[..., 1][ok].long(), frames)
    deviation.view(-1)[where] = moved[..., 2][ok]
    return Targets(
        onset=onset,
        sounding=(sounding > 0.5).float(),
        offset=peaks(off),
        shift=shift,
        shift_mask=(onset > 0.0).float(),
        manner=(total + 0.5).long().clamp(0, len(MANNERS) - 1),
        manner_mask=((count - 1.0).abs() < 0.5).float(),
        moved=deviation,
        moved_mask=(sounding > 0.5).float(),
    )


def _flat(clip: Tensor, frame: Tensor, column: Tensor, frames: int) -> Tensor:
    return (clip * frames + frame) * PITCHES + column


_MANNER_WEIGHTS = {"picked": 0.5, "hammer-on": 1.5, "pull-off": 1.5, "slide": 2.0, "bend": 1.5}


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

    weights = torch.tensor([_MANNER_WEIGHTS.get(name, 1.0) for name in MANNERS])
    manner = fn.cross_entropy(
        answer[:, manner_rows()],
        targets.manner,
        weight=weights.to(answer.device),
        reduction="none",
    )
    shift = (answer[:, 3] - targets.shift).abs() * targets.shift_mask
    weight = targets.moved_mask * (1.0 + 4.0 * (targets.moved.abs() > 0.1).float())
    moved = (answer[:, 4] - targets.moved).abs() * weight
    parts = {
        "onset": 4.0 * cross(0, targets.onset, 3.0),
        "sounding": cross(1, targets.sounding, 1.5),
        "offset": 0.5 * cross(2, targets.offset, 3.0),
        "shift": 0.5 * shift.sum() / targets.shift_mask.sum().clamp(min=1.0),
        "moved": 0.5 * moved.sum() / weight.sum().clamp(min=1.0),
        "manner": 0.3
        * (manner * targets.manner_mask).sum()
        / targets.manner_mask.sum().clamp(min=1.0),
    }
    total = torch.stack(list(parts.values())).sum()
    return total, {name: value.detach() for name, value in parts.items()}
