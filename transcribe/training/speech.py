"""Something like talk, made by the project alone: syllables of no language.

A source (a buzzing voice whose pitch falls along the sentence, or breath) goes through moving
formants. It is no speech, but a recording of a lesson sounds like one with it: sentences of
syllables with consonants, pauses between them, a voice of its own pitch and pace.

Conventions: sound as float32 mono at `transcribe.training.banks.SR`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from transcribe.training.banks import SR
from transcribe.training.rough import VOWELS

__all__ = ["Voice", "draw_voice", "spoken"]

Array = npt.NDArray[Any]

_WIDTHS_HZ = (80.0, 110.0, 160.0)  # of the formants, as in `transcribe.training.talk`
_BLOCK = 128  # samples over which the formants stand still
_HISS_HZ = ((1500.0, 3500.0), (2500.0, 5500.0), (3800.0, 8500.0))  # of sh, ch and s, by ear


@dataclass(frozen=True, slots=True)
class Voice:
    """A person who talks: pitch, its range over a sentence, and pace.

    ``pitch_hz`` is where a sentence begins, ``fall`` the share of it at its end; ``syllable_sec``
    is how long a syllable lasts, ``tract`` scales the formants, ``breath`` is the noise in it.
    """

    pitch_hz: float
    fall: float
    syllable_sec: float
    tract: float
    breath: float


def draw_voice(rng: np.random.Generator) -> Voice:
    """A voice between a low one and a high one."""
    pitch = float(np.exp(rng.uniform(np.log(90.0), np.log(230.0))))
    return Voice(
        pitch,
        float(rng.uniform(0.6, 0.8)),
        float(rng.uniform(0.15, 0.24)),
        float(np.clip(0.92 + 0.3 * np.log2(pitch / 100.0) / 1.2, 0.9, 1.2)),
        float(rng.uniform(0.03, 0.1)),
    )


def spoken(rng: np.random.Generator, size: int, voice: Voice) -> Array:
    """Sentences of ``voice`` for ``size`` samples, with pauses; root mean square 1 while it talks.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> spoken(rng, 1000, draw_voice(rng)).shape
    (1000,)
    """
    y = np.zeros(size, np.float32)
    at = round(float(rng.uniform(0.0, 0.2)) * SR)
    while at < size:
        sentence = _sentence(rng, voice)[: size - at]
        edge = min(len(sentence), round(0.03 * SR))
        sentence[len(sentence) - edge :] *= np.linspace(1.0, 0.0, edge, dtype=np.float32)
        y[at : at + len(sentence)] = sentence
        at += len(sentence) + round(float(rng.uniform(0.2, 0.6)) * SR)
    loud = y[np.abs(y) > 0.02 * max(1e-9, float(np.abs(y).max()))]
    return np.asarray(y / max(1e-6, float(np.sqrt(np.mean(loud**2)))), np.float32)


def _sentence(rng: np.random.Generator, voice: Voice) -> Array:
    count = int(rng.integers(5, 14))
    pieces = []
    for k in range(count):
        pitch = voice.pitch_hz * voice.fall ** (k / count) * 2.0 ** float(rng.normal(0.0, 0.12))
        pieces.append(_syllable(rng, voice, pitch))
        if rng.random() < 0.12:
            pieces.append(np.zeros(round(float(rng.uniform(0.05, 0.15)) * SR), np.float32))
    return np.concatenate(pieces)


def _syllable(rng: np.random.Generator, voice: Voice, pitch_hz: float) -> Array:
    """A consonant, and a vowel that glides from one formant shape to another."""
    count = round(voice.syllable_sec * float(np.exp(rng.normal(0.0, 0.25))) * SR)
    t = np.arange(count) / SR
    glide = float(rng.uniform(-0.25, 0.15))
    f0 = (
        pitch_hz
        * 2.0 ** (glide * t / t[-1])
        * (1.0 + 0.008 * rng.standard_normal(count).cumsum() / np.sqrt(count))
    )
    phase = np.cumsum(f0) / SR
    ends = [np.array(VOWELS[int(rng.integers(len(VOWELS)))][:3]) * voice.tract for _ in range(2)]
    blend = np.clip(t / t[-1] * 1.6, 0.0, 1.0)[:, None]
    formants = ends[0] * (1.0 - blend) + ends[1] * blend
    vowel = np.zeros(count)
    middle = float(f0.mean())
    points = np.minimum(np.arange(0, count + _BLOCK, _BLOCK), count - 1)
    for n in range(1, int(5000.0 / middle)):
        hz = n * f0[points]
        gain = sum(
            0.6**k / (1.0 + ((hz - formants[points, k]) / width) ** 2)
            for k, width in enumerate(_WIDTHS_HZ)
        )
        curve = np.interp(np.arange(count), points, np.asarray(gain) + 0.02 / n)
        vowel += curve * np.sin(2.0 * np.pi * n * phase + n * n)
    vowel += voice.breath * rng.standard_normal(count) * np.abs(vowel).max()
    rise, fall = round(0.025 * SR), round(0.05 * SR)
    shape = np.minimum(1.0, np.minimum(np.arange(count) / rise, (count - np.arange(count)) / fall))
    vowel = vowel * shape / max(1e-9, float(np.sqrt(np.mean(vowel**2))))
    return np.concatenate([_consonant(rng), vowel * rng.uniform(0.6, 1.1)]).astype(np.float32)


def _consonant(rng: np.random.Generator) -> Array:
    """A hiss, a stop with its burst, or nothing."""
    kind = rng.random()
    if kind < 0.35:
        count, (low, high) = round(float(rng.uniform(0.05, 0.11)) * SR), _HISS_HZ[rng.integers(3)]
        noise = _band(rng.standard_normal(count), low, high)
        return np.asarray(0.35 * noise * np.hanning(count), np.float32)
    if kind < 0.75:
        gap, burst = round(float(rng.uniform(0.02, 0.06)) * SR), round(0.015 * SR)
        noise = _band(rng.standard_normal(burst), 800.0, 5000.0) * np.exp(-np.arange(burst) / 90.0)
        return np.concatenate([np.zeros(gap), 0.5 * noise]).astype(np.float32)
    return np.zeros(0, np.float32)


def _band(noise: Array, low_hz: float, high_hz: float) -> Array:
    """White noise between two frequencies, root mean square 1."""
    spectrum = np.fft.rfft(noise)
    hz = np.fft.rfftfreq(len(noise), 1.0 / SR)
    spectrum[(hz < low_hz) | (hz > high_hz)] = 0.0
    out = np.fft.irfft(spectrum, len(noise))
    return np.asarray(out / max(1e-9, float(np.sqrt(np.mean(out**2)))))
