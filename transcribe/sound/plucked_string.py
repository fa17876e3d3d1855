"""A plucked stiff string on a wooden body, as a sum of decaying partials.

Conventions: frequencies in hertz, times in seconds, sound as float32 mono. A string is described
where it is open; stopping it at a fret shortens it, which stiffens it.

Sources: stiff-string partials f_n = n f_0 sqrt(1 + B n^2) (Fletcher 1964, "Normal vibration
frequencies of a stiff piano string", JASA 36, 203-209); B grows as 1/L^2 at equal tension (same
paper), so it doubles every six frets; a string plucked at the share p of its length drives the
bridge with partials of strength sin(n pi p) / n, and the two planes of vibration decay at unlike
rates (Fletcher & Rossing, The Physics of Musical Instruments, chapters 2 and 9). The sizes of B,
the decay times and the body resonances are set by ear and from memory of measured guitars.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from transcribe.core.errors import ParameterError

__all__ = ["Body", "StringModel", "body_gain", "fretted_stiffness", "partials_hz", "pluck"]

Array = npt.NDArray[Any]

_BLOCK = 256  # samples; partials advance by whole blocks, so that the sum is one matrix product


@dataclass(frozen=True, slots=True)
class Body:
    """Resonances of the body: centre, quality and strength of each, and where sound gives out."""

    resonances: tuple[tuple[float, float, float], ...] = (
        (102.0, 14.0, 1.6),
        (196.0, 18.0, 2.0),
        (385.0, 20.0, 0.9),
        (560.0, 16.0, 0.5),
    )
    low_hz: float = 75.0


@dataclass(frozen=True, slots=True)
class StringModel:
    """One string as it is strung and plucked.

    ``stiffness`` is B of the open string; ``pick_position`` the share of the sounding length
    between bridge and pick; ``ring_sec`` the time in which the lowest partial falls by 60 dB;
    ``damping`` how much faster high partials die (per kilohertz, relative); ``softness`` the
    extra slope of the partials as a power of n (0 = hard narrow pick, 1 = flesh of the thumb);
    ``second_plane`` the strength of the plane of vibration that dies slowly.
    """

    stiffness: float = 6e-5
    pick_position: float = 0.17
    ring_sec: float = 5.0
    damping: float = 0.9
    softness: float = 0.3
    second_plane: float = 0.25
    plane_split_cents: float = 0.8


def fretted_stiffness(stiffness: float, fret: float) -> float:
    """B of a string stopped at ``fret``: B goes as 1/L^2, and L as 2^(-fret/12)."""
    return float(stiffness * 2.0 ** (fret / 6.0))


def partials_hz(f0_hz: float, stiffness: float, count: int) -> Array:
    """The first ``count`` partials of a stiff string, shape (count,). Source: Fletcher 1964.

    ``f0_hz`` is the frequency that the string would have without stiffness.
    """
    n = np.arange(1, count + 1)
    return np.asarray(n * f0_hz * np.sqrt(1.0 + stiffness * n**2))


def body_gain(freq_hz: Array, body: Body) -> Array:
    """Strength with which the body passes each of ``freq_hz`` on, 1 far from every resonance."""
    freq = np.maximum(np.asarray(freq_hz, dtype=float), 1e-3)
    gain = np.ones_like(freq)
    for centre, quality, strength in body.resonances:
        gain += strength / (1.0 + (quality * (freq / centre - centre / freq)) ** 2)
    ratio = (freq / body.low_hz) ** 2
    return np.asarray(gain * ratio / (1.0 + ratio))


def pluck(
    f0_hz: float,
    *,
    sr: int,
    duration_sec: float,
    string: StringModel | None = None,
    fret: float = 0.0,
    body: Body | None = None,
    node: int = 1,
    max_partials: int = 60,
) -> Array:
    """The sound of one pluck, shape (round(duration_sec * sr),), float32, peak near 1.

    The attack begins at sample 0. ``node`` = 2 touches the string at half its length (natural
    harmonic at fret 12), so that only every second partial sounds; 3 at a third (fret 7 or 19).

    Raises
    ------
    ParameterError
        If ``f0_hz`` does not lie above 0 and below half of ``sr``.
    """
    if not 0.0 < f0_hz < sr / 2:
        raise ParameterError(f"a string sounds between 0 and {sr / 2:g} Hz, not {f0_hz!r}")
    string = string or StringModel()
    body = body or Body()
    size = max(1, round(duration_sec * sr))
    stiffness = fretted_stiffness(string.stiffness, fret)
    count = max(1, min(max_partials * node, int(0.46 * sr / f0_hz)))
    n = np.arange(1, count + 1)
    freq = partials_hz(f0_hz, stiffness, count)
    keep = (freq < 0.46 * sr) & (n % node == 0)
    if not keep.any():
        keep[:1] = True
    n, freq = n[keep], freq[keep]
    strength = np.sin(np.pi * n * string.pick_position) / n ** (1.0 + string.softness)
    if node > 1:
        strength = np.abs(strength) + 0.2 / n  # the pick moves so that a touched string speaks
    strength = strength * body_gain(freq, body)
    rate = (6.91 / string.ring_sec) * (
        1.0 + string.damping * freq / 1000.0 + 0.06 * (freq / 1000.0) ** 2
    )
    split = 2.0 ** (string.plane_split_cents / 1200.0)
    freq = np.concatenate([freq, freq * split])
    strength = np.concatenate([strength, strength * string.second_plane])
    rate = np.concatenate([rate * 1.6, rate * 0.6])
    pole = (2j * np.pi * freq - rate) / sr
    blocks = -(-size // _BLOCK)
    starts = np.exp(np.outer(np.arange(blocks) * float(_BLOCK), pole)) * strength
    steps = np.exp(np.outer(pole, np.arange(_BLOCK)))
    # Only the real part of the product is wanted: two real products instead of a complex one.
    s, t = starts.astype(np.complex64), steps.astype(np.complex64)
    y = (s.real @ t.real - s.imag @ t.imag).ravel()[:size]
    peak = float(np.abs(y[: sr // 4]).max())
    if peak > 0:
        y *= 1.0 / peak
    rise = min(size, max(2, round(0.0004 * sr)))
    y[:rise] *= np.linspace(0.0, 1.0, rise, dtype=np.float32)
    return np.asarray(y, dtype=np.float32)
