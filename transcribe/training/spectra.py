"""The features of `transcribe.notes.features` in torch, for a batch of clips at once.

Conventions: as there. Each clip has its own tuning offset, since moving the pitch axis under a
clip is the cheapest way to detune or transpose it.
"""

from __future__ import annotations

import torch
from torch import Tensor, nn

from transcribe.core.pitch import A4_HZ
from transcribe.notes import features as feat

__all__ = ["Spectra"]

_FLOOR = 10.0 ** (-feat.FLOOR_DB / 10.0)


class Spectra(nn.Module):
    """Audio to features; the numbers are those of `features.features` up to rounding."""

    def __init__(self) -> None:
        super().__init__()
        self.families = feat.families()
        for i, family in enumerate(self.families):
            self.register_buffer(f"window_{i}", torch.from_numpy(family.window), persistent=False)
            centres = torch.from_numpy(family.bands.ravel().astype("float32"))
            self.register_buffer(f"centres_{i}", centres, persistent=False)

    def _weights(self, index: int, offset_cents: Tensor) -> Tensor:
        family = self.families[index]
        centres = getattr(self, f"centres_{index}")
        midi = centres[None, :] + offset_cents[:, None] / 100.0
        hz = A4_HZ * torch.exp2((midi - 69.0) / 12.0)
        spacing = feat.SR / family.n_fft
        share = feat.THIRD * (1.0 if len(family.thirds) == 3 else 3.0)
        half = torch.clamp(share * hz, min=spacing)
        bins = torch.arange(family.bins, device=hz.device, dtype=torch.float32) * spacing
        weights = torch.clamp(
            1.0 - (bins[None, :, None] - hz[:, None, :]).abs() / half[:, None, :], min=0.0
        )
        return weights / torch.clamp(weights.sum(dim=1, keepdim=True), min=1e-9)

    @torch.no_grad()
    def forward(
        self, audio: Tensor, *, frames: int, reference: Tensor, offset_cents: Tensor
    ) -> Tensor:
        """Features (batch, CHANNELS, frames, SEMITONES) of ``audio`` (batch, samples).

        Frame 0 is centred on sample ``REACH``; ``audio`` must reach ``REACH`` samples past the
        last frame's centre. ``reference`` (batch,) is each clip's power level.
        """
        batch = audio.shape[0]
        out = audio.new_empty((batch, feat.CHANNELS, frames, feat.SEMITONES))
        channel = 0
        for index, family in enumerate(self.families):
            weights = self._weights(index, offset_cents)
            rows = slice(family.rows.start, family.rows.stop)
            thirds = len(family.thirds)
            for shift in family.shifts:
                start = feat.REACH + shift - family.n_fft // 2
                framed = audio[:, start:].unfold(1, family.n_fft, feat.HOP)[:, :frames]
                spectrum = torch.fft.rfft(framed * getattr(self, f"window_{index}"))
                spectrum = spectrum[..., : family.bins]
                power = spectrum.real**2 + spectrum.imag**2
                bands = torch.bmm(power, weights).reshape(batch, frames, -1, thirds)
                out[:, channel : channel + thirds, :, rows] = bands.permute(0, 3, 1, 2)
                channel += thirds
            if index == 0:
                channel = 0
        out = out / reference[:, None, None, None] + _FLOOR
        return torch.log10(out) * (10.0 / feat.FLOOR_DB) + 1.0
