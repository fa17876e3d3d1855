"""What surrounds the notes of a real take: sounds that are part of playing and are no notes.

Conventions: sound float32 mono at 22.05 kHz (`banks.SR`), times in seconds, levels in decibels.
Everything here adds sound or changes levels; the notes of the clip stay as they are, save that a
string falls silent before it is struck again. `Surroundings` says how much of each there is;
`PLAIN` is none of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import fft

from transcribe.training.banks import SR

__all__ = [
    "PLAIN",
    "Surroundings",
    "add_effects",
    "draw_surroundings",
    "level_without_strike",
    "scratch",
]

Array = npt.NDArray[Any]


@dataclass(frozen=True, slots=True)
class Surroundings:
    """How a take sounds beyond its notes; 0 or None leaves a thing out.

    ``rest`` is the share of strikes before which the pick or finger rests on the string,
    ``rest_sec`` how long it does; ``decay`` takes so much more from each string per second and
    ``dulling`` so much more again from its overtones; ``shakes`` are changes of level without a
    strike, per second, ``stirred`` the share of strikes that stir the strings ringing beside them.
    ``half_damped`` is the share of notes that sound on,
    softly, once they are let go; ``releases``, ``landings``, ``early_picks`` and ``slides_in`` are
    shares of notes with the noise of a finger that leaves, of one that lands early, of a pick that
    touches 10 to 40 ms before the note sounds, and with a slide into the note. ``scratches`` are
    muted strokes per second. ``dark`` is how many times its own frequency a note keeps (None: all).
    ``echo`` is (delay in seconds, level of the first copy, share that each next one keeps, how far
    the delay wavers, cut in hertz); ``tremolo`` and ``chorus`` are (rate in hertz, depth);
    ``spring_sec`` and ``plate_sec`` with ``tail`` are reverberation and its level; ``gain`` drives
    an amplifier so hard that tones and their differences sound alike.
    """

    rest: float = 0.0
    rest_sec: tuple[float, float] = (0.005, 0.08)
    decay: float = 0.0
    dulling: float = 0.0
    shakes: float = 0.0
    stirred: float = 0.0
    half_damped: float = 0.0
    releases: float = 0.0
    landings: float = 0.0
    early_picks: float = 0.0
    slides_in: float = 0.0
    scratches: float = 0.0
    dark: float | None = None
    echo: tuple[float, float, float, float, float] | None = None
    tremolo: tuple[float, float] | None = None
    chorus: tuple[float, float] | None = None
    spring_sec: float = 0.0
    plate_sec: float = 0.0
    tail: float = 0.0
    gain: float = 0.0
    lean: float = 0.0


PLAIN = Surroundings()
"""Nothing but the notes."""


def draw_surroundings(rng: np.random.Generator, *, driven: bool = False) -> Surroundings:
    """Surroundings at random, from a dry and careful take to a ringing and careless one.

    ``driven`` says that the guitar may go through a hard driven amplifier.
    """

    def chance(share: float) -> bool:
        return bool(rng.random() < share)

    def between(low: float, high: float) -> float:
        return float(rng.uniform(low, high))

    # Strummed through, picked with care, or planted well before the strike.
    hand = rng.random()
    rests = (0.002, 0.018) if hand < 0.22 else (0.008, between(0.04, 0.1))
    if hand > 0.55:
        rests = (0.05, between(0.12, 0.3))
    echo = None
    if chance(0.17):
        echo = (
            between(0.08, 0.6),
            10.0 ** (-between(2.0, 16.0) / 20.0),
            between(0.2, 0.75),
            between(0.0, 0.002) if chance(0.4) else 0.0,
            float(np.exp(rng.uniform(np.log(1200.0), np.log(9000.0)))),
        )
    return Surroundings(
        rest=between(0.85, 1.0),
        rest_sec=rests,
        decay=between(0.3, 3.5) if chance(0.8) else 0.0,
        dulling=between(0.5, 6.0) if chance(0.6) else 0.0,
        shakes=between(0.2, 3.0) if chance(0.5) else 0.0,
        stirred=between(0.1, 0.9) if chance(0.6) else 0.0,
        half_damped=between(0.1, 0.8) if chance(0.5) else 0.0,
        releases=between(0.1, 0.8) if chance(0.45) else 0.0,
        landings=between(0.03, 0.3) if chance(0.3) else 0.0,
        early_picks=between(0.1, 0.9) if chance(0.3) else 0.0,
        slides_in=between(0.02, 0.1) if chance(0.25) else 0.0,
        scratches=between(0.2, 2.5) if chance(0.1) else 0.0,
        dark=between(1.3, 4.5) if chance(0.15) else None,
        echo=echo,
        tremolo=(between(2.5, 9.0), between(0.15, 0.75)) if chance(0.06) else None,
        chorus=(between(0.2, 2.5), between(0.0008, 0.0035)) if chance(0.07) else None,
        spring_sec=between(0.8, 2.5) if chance(0.07) else 0.0,
        plate_sec=between(0.8, 3.0) if chance(0.07) else 0.0,
        tail=between(0.08, 0.5),
        gain=float(np.exp(rng.uniform(np.log(15.0), np.log(250.0)))) if driven else 0.0,
        lean=between(0.0, 0.5),
    )


# -- one string -------------------------------------------------------------------------------


def level_without_strike(
    y: Array, strikes: Sequence[tuple[int, float]], how: Surroundings, rng: np.random.Generator
) -> Array | None:
    """Gain (n,) of the ringing string ``y`` (n,) that nobody strikes, None where nothing stirs it.

    ``strikes`` are the samples at which other strings are struck, and their levels. What a strike
    passes on is so many decibels under itself: a loud string hardly notices, one that has nearly
    died away comes back. The hand shakes a string as well: a dip, a jump within 6 to 50 ms that
    dies away in 0.1 to 1.2 s, or both.
    """
    size = len(y)
    moments: list[tuple[int, float]] = []
    for at, level in strikes:
        if not 0.05 * SR < at < size or rng.random() >= how.stirred:
            continue
        own = float(np.sqrt(np.mean(np.square(y[max(0, at - 660) : at])))) + 1e-6
        passed = level * 10.0 ** (-rng.uniform(16.0, 44.0) / 20.0)
        moments.append((at, float(np.clip(20.0 * np.log10(1.0 + passed / own), 0.3, 9.0))))
    free = size - round(0.12 * SR)
    if free > 0 and how.shakes > 0:
        for at in rng.integers(size - free, size, int(rng.poisson(how.shakes * free / SR))):
            sign = 1.0 if rng.random() < 0.7 else -0.5
            moments.append((int(at), sign * float(rng.uniform(0.5, 4.5))))
    if not moments:
        return None
    step = 64  # samples of one point of the curve, 3 ms
    t = np.arange(0, size + step, step, dtype=np.float32)
    level_db = np.zeros(len(t), np.float32)
    for at, jump in moments[:40]:
        rise = float(rng.uniform(0.006, 0.05)) * SR
        die = float(rng.uniform(0.1, 1.2)) * SR
        since = t - np.float32(at)
        up = np.clip(since / rise, 0.0, 1.0)
        level_db += np.where(since > 0, jump * up * np.exp(-np.maximum(since, 0) / die), 0.0)
        if rng.random() < 0.35:
            width = float(rng.uniform(0.01, 0.05)) * SR
            dip = min(9.0, 1.5 * abs(jump))
            level_db -= np.float32(dip) * np.exp(-0.5 * ((since + width) / width) ** 2)
    gain = 10.0 ** (np.clip(level_db, -14.0, 10.0) / 20.0)
    return np.interp(np.arange(size), t, gain).astype(np.float32)


def scratch(rng: np.random.Generator, *, seconds: float = 0.05) -> Array:
    """A stroke over muted strings: a short burst of noise with the ring of dead strings in it."""
    size = max(64, round(seconds * SR))
    t = np.arange(size, dtype=np.float32) / SR
    noise = rng.standard_normal(size).astype(np.float32)
    if rng.random() < 0.6:
        noise = np.convolve(noise, np.ones(4, np.float32) / 2.0, "same")
    y = noise * np.exp(-t * np.float32(rng.uniform(40.0, 120.0)))
    for _ in range(int(rng.integers(0, 4))):
        hz = float(np.exp(rng.uniform(np.log(90.0), np.log(900.0))))
        y += np.sin(2 * np.pi * hz * t + rng.uniform(0, 6.3)) * np.exp(-rng.uniform(50, 150) * t)
    y[: max(2, round(0.002 * SR))] *= np.linspace(0.0, 1.0, max(2, round(0.002 * SR)))
    return np.asarray(y / max(float(np.abs(y).max()), 1e-6), np.float32)


# -- the whole take ---------------------------------------------------------------------------


def add_effects(y: Array, how: Surroundings, rng: np.random.Generator) -> Array:
    """``y`` (n,) through the amplifier, pedals and tanks of ``how``; same length, in time."""
    if how.gain > 0:
        y = _driven(y, how.gain, how.lean, rng)
    if how.chorus is not None:
        y = _chorus(y, *how.chorus, rng)
    if how.tremolo is not None:
        rate, depth = how.tremolo
        t = np.arange(len(y), dtype=np.float32) / np.float32(SR)
        wave = 0.5 - 0.5 * np.cos(2 * np.pi * rate * t + rng.uniform(0, 6.3))
        y = y * (1.0 - np.float32(depth) * wave).astype(np.float32)
    if how.echo is not None:
        y = echoed(y, *how.echo, rng=rng)
    if how.spring_sec > 0:
        y = _convolved(y, _spring(rng, how.spring_sec, how.tail))
    if how.plate_sec > 0:
        y = _convolved(y, _plate(rng, how.plate_sec, how.tail))
    return np.asarray(y, np.float32)


def echoed(
    y: Array,
    delay_sec: float,
    level: float,
    keeps: float,
    waver: float,
    cut_hz: float,
    *,
    rng: np.random.Generator,
) -> Array:
    """``y`` with copies of itself, each later, softer and duller than the last."""
    out = np.array(y, np.float32)
    t = np.arange(len(y), dtype=np.float64)
    size = fft.next_fast_len(len(y) + 256, real=True)
    hz = np.linspace(0.0, SR / 2, size // 2 + 1)
    dull = (1.0 / np.sqrt(1.0 + (hz / cut_hz) ** 4)).astype(np.float32)
    copy = y
    gain = level
    for turn in range(1, 9):
        if gain < 0.02 or turn * delay_sec * SR > len(y):
            break
        copy = fft.irfft(fft.rfft(copy, size) * dull, size)[: len(y)]
        late = turn * delay_sec * SR
        if waver > 0:
            rate, phase = rng.uniform(0.3, 3.0), rng.uniform(0, 6.3)
            at = t - late * (1.0 + waver * np.sin(2 * np.pi * rate * t / SR + phase))
            out += np.float32(gain) * np.interp(at, t, copy, left=0.0).astype(np.float32)
        else:
            whole = round(late)
            out[whole:] += np.float32(gain) * copy[: len(y) - whole]
        gain *= keeps
    return out


def _driven(y: Array, gain: float, lean: float, rng: np.random.Generator) -> Array:
    """A hard driven amplifier and its loudspeaker: sums and differences of tones among them."""
    peak = float(np.abs(y).max()) + 1e-9
    size = fft.next_fast_len(len(y) + 1024, real=True)
    hz = np.linspace(0.0, SR / 2, size // 2 + 1)
    low = float(rng.uniform(40.0, 500.0))
    before = hz / np.sqrt(hz**2 + low**2)
    pushed = fft.irfft(fft.rfft(y, size) * before.astype(np.float32), size)[: len(y)]
    pushed = np.float32(gain / peak) * pushed + np.float32(lean)
    hard = np.clip(pushed, -1.0, 1.0) if rng.random() < 0.3 else np.tanh(pushed)
    top = float(np.exp(rng.uniform(np.log(2500.0), np.log(7500.0))))
    after = hz / np.sqrt(hz**2 + 60.0**2) / np.sqrt(1.0 + (hz / top) ** 6)
    out = fft.irfft(fft.rfft(hard.astype(np.float32), size) * after.astype(np.float32), size)
    out = out[: len(y)]
    return np.asarray(out * np.float32(peak / max(float(np.abs(out).max()), 1e-6)), np.float32)


def _chorus(y: Array, rate: float, depth_sec: float, rng: np.random.Generator) -> Array:
    t = np.arange(len(y), dtype=np.float64)
    base = float(rng.uniform(0.004, 0.02))
    wave = np.sin(2 * np.pi * rate * t / SR + rng.uniform(0, 6.3))
    late = np.interp(t - (base + depth_sec * wave) * SR, t, y, left=0.0)
    return np.asarray(y + np.float32(rng.uniform(0.3, 0.9)) * late.astype(np.float32), np.float32)


def _convolved(y: Array, response: Array) -> Array:
    size = fft.next_fast_len(len(y) + len(response), real=True)
    return np.asarray(fft.irfft(fft.rfft(y, size) * fft.rfft(response, size), size)[: len(y)])


def _spring(rng: np.random.Generator, seconds: float, level: float) -> Array:
    """The response of a spring: chirps that come back every 30 to 60 ms, low tones first."""
    size = round(min(seconds, 2.0) * SR)
    bins = size // 2 + 1
    hz = np.linspace(0.0, SR / 2, bins)
    back = float(rng.uniform(0.03, 0.06))
    top = float(rng.uniform(3500.0, 6000.0))
    delay = back * (1.0 + 0.8 * np.minimum(hz / top, 1.0) ** 2)
    phase = -2 * np.pi * np.cumsum(delay) * (hz[1] - hz[0])
    turn = np.where(hz < top, 1.0, 0.0) * np.exp(1j * phase)
    keep = float(10.0 ** (-3.0 * back / seconds))
    total = np.zeros(bins, complex)
    now = turn.copy()
    for n in range(24):
        total += (keep**n) * now
        now = now * turn
    out = fft.irfft(total * (hz > 80.0), size).astype(np.float32)
    out *= np.float32(level / max(float(np.sqrt(np.sum(out**2))), 1e-6))
    out *= np.exp(-6.9 / seconds * np.arange(size, dtype=np.float32) / SR)
    out[0] += 1.0
    return out


def _plate(rng: np.random.Generator, seconds: float, level: float) -> Array:
    """The response of a plate: dense from the start, and slow to die."""
    size = round(min(seconds, 2.5) * SR)
    t = np.arange(size, dtype=np.float32) / SR
    tail = rng.standard_normal(size).astype(np.float32)
    dull = np.convolve(tail, np.ones(4, np.float32) / 2.0, "same")
    tail = dull * np.exp(-6.9 / seconds * t) + 0.6 * tail * np.exp(-16.0 / seconds * t)
    tail *= np.float32(level / max(float(np.sqrt(np.sum(tail**2))), 1e-6))
    tail[0] += 1.0
    return np.asarray(tail, np.float32)
