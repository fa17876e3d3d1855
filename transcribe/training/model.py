"""The note network in torch.

Conventions: the input is what `transcribe.notes.features` makes, (batch, CHANNELS, frames,
SEMITONES); the output is (batch, OUTPUTS, frames, PITCHES), one column a semitone from
`FIRST_MIDI`. Every layer looks only a bounded time to either side (`reach_frames`), which is what
lets a long take be worked in pieces.

The layers follow what a plucked string shows: a small stem reads edges and ridges anywhere on the
pitch axis; a pitch then gathers the stem's view at its own partials; blocks with growing steps in
time weigh attack against ringing; and mixing layers let a pitch see the pitches whose partials
could be taken for it, an octave, a twelfth and two octaves to either side.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import torch
from torch import Tensor, nn

from transcribe.notes.features import CHANNELS, LOW_MIDI, SEMITONES
from transcribe.notes.network import FIRST_MIDI, OUTPUTS, PITCHES

__all__ = ["NoteNet", "Settings"]

_PARTIALS = (-12, 0, 12, 19, 24, 28, 31, 34, 36)
"""Semitones from a pitch to its half, itself and partials 2 to 8, rounded (equal temperament)."""
_RIVALS = (-28, -24, -19, -12, -7, -5, 5, 7, 12, 19, 24, 28)
"""Semitones to the pitches whose partials a pitch can be taken for, or it for theirs."""


@dataclass(frozen=True)
class Settings:
    """Size of the network. ``steps`` are the time steps of the blocks, in frames."""

    stem: int = 32
    width: int = 64
    steps: tuple[int, ...] = (1, 2, 4, 8, 1, 4)
    mix_after: tuple[int, ...] = (0, 2, 4)
    rivals: int = 16
    head: int = 64

    def as_json(self) -> dict[str, Any]:
        """Plain values, for the log."""
        return asdict(self)


class _Block(nn.Module):
    """A look to the next pitches and ``step`` frames to either side, added to what came in.

    Dense kernels on purpose: on a GPU they train several times as fast as ones that look at each
    channel by itself, and on a CPU they cost as much.
    """

    def __init__(self, width: int, step: int) -> None:
        super().__init__()
        self.look = nn.Conv2d(width, width, 3, padding=(step, 1), dilation=(step, 1), bias=False)
        self.norm = nn.BatchNorm2d(width)
        self.down = nn.Conv2d(width, width, 1, bias=False)
        self.norm_out = nn.BatchNorm2d(width)

    def forward(self, x: Tensor) -> Tensor:
        y = torch.relu(self.norm(self.look(x)))
        return torch.relu(x + self.norm_out(self.down(y)))


class _Mix(nn.Module):
    """Adds what the rival pitches and the frame as a whole say."""

    def __init__(self, width: int, rivals: int) -> None:
        super().__init__()
        self.squeeze = nn.Conv2d(width, rivals, 1)
        self.join = nn.Conv2d(rivals * len(_RIVALS), width, 1, bias=False)
        self.frame = nn.Conv2d(width, width, 1, bias=False)
        self.norm = nn.BatchNorm2d(width)

    def forward(self, x: Tensor) -> Tensor:
        small = torch.relu(self.squeeze(x))
        edge = max(abs(step) for step in _RIVALS)
        padded = nn.functional.pad(small, (edge, edge))
        views = [padded[..., edge + step : edge + step + PITCHES] for step in _RIVALS]
        whole = self.frame(x.mean(dim=3, keepdim=True))
        return torch.relu(x + self.norm(self.join(torch.cat(views, dim=1)) + whole))


class NoteNet(nn.Module):
    """Onset, sounding and offset of every semitone, and how each note is played."""

    def __init__(self, settings: Settings | None = None) -> None:
        super().__init__()
        s = self.settings = Settings() if settings is None else settings
        self.stem = nn.Sequential(
            nn.Conv2d(CHANNELS, s.stem, 3, padding=1, bias=False),
            nn.BatchNorm2d(s.stem),
            nn.ReLU(),
            nn.Conv2d(s.stem, s.stem, 3, padding=1, bias=False),
            nn.BatchNorm2d(s.stem),
            nn.ReLU(),
        )
        self.gather = nn.Sequential(
            nn.Conv2d(s.stem * len(_PARTIALS), s.width, 1, bias=False),
            nn.BatchNorm2d(s.width),
            nn.ReLU(),
        )
        layers: list[nn.Module] = []
        for i, step in enumerate(s.steps):
            layers.append(_Block(s.width, step))
            if i in s.mix_after:
                layers.append(_Mix(s.width, s.rivals))
        self.trunk = nn.Sequential(*layers)
        last = nn.Conv2d(s.head, OUTPUTS, 1)
        if last.bias is not None:
            # Most of the plane is silent: begin by saying so.
            last.bias.data[:3] = torch.tensor([-5.0, -3.0, -5.0])
            last.bias.data[-1] = -2.0
        self.head = nn.Sequential(
            nn.Conv2d(s.width, s.head, (3, 1), padding=(1, 0)), nn.ReLU(), last
        )

    @property
    def reach_frames(self) -> int:
        """Frames to either side of a frame that its output depends on."""
        s = self.settings
        return 2 + sum(s.steps) + 1

    def forward(self, x: Tensor) -> Tensor:
        x = self.stem(x)
        base = FIRST_MIDI - LOW_MIDI
        last = SEMITONES - PITCHES - base
        edge = max(0, max(_PARTIALS) - last)
        x = nn.functional.pad(x, (0, edge))
        views = [x[..., base + step : base + step + PITCHES] for step in _PARTIALS]
        return self.head(self.trunk(self.gather(torch.cat(views, dim=1))))
