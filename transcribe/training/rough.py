"""What a rough recording does to a guitar: room, microphone, noise, phone and codec.

Conventions: sound float32 mono; levels in decibels; every stage keeps time, so that labels stay
aligned: reverberation begins with the direct sound, equalisers have no delay, and the delay of a
codec is measured and taken out.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import fft

from transcribe.core.errors import ParameterError
from transcribe.training.banks import SR
from transcribe.training.render import smooth_gain

__all__ = ["CLEAN", "CODECS", "Rough", "codecs_available", "draw_rough", "roughen", "through_codec"]

Array = npt.NDArray[Any]


@dataclass(frozen=True, slots=True)
class _Codec:
    encoder: str
    container: str
    rate: int
    sample_format: str
    bitrates: tuple[int, ...]


CODECS: Mapping[str, _Codec] = MappingProxyType(
    {
        "mp3": _Codec("libmp3lame", "mp3", 22050, "s16p", (24000, 32000, 48000, 64000, 96000)),
        "aac": _Codec("aac", "adts", 22050, "fltp", (24000, 32000, 48000, 64000, 96000)),
        "opus": _Codec("libopus", "ogg", 24000, "s16", (12000, 16000, 24000, 32000, 64000)),
    }
)
"""Codecs by name: encoder, container, rate and the bitrates that are drawn."""


@dataclass(frozen=True, slots=True)
class Rough:
    """What is done to a take; None or 0 leaves a stage out.

    ``drive`` 0-1 (distortion of an amplifier), ``reverb_sec`` (time to fall by 60 dB) and
    ``reverb_wet`` (level of the room against the direct sound), ``eq_db`` (spread of a smooth
    equaliser), ``band_hz`` (lowest and highest frequency that pass), ``snr_db`` with
    ``noise_slope`` (decibels per octave: 0 white, -3 pink, -6 brown), ``hum_hz`` and ``hum_db``,
    ``talk_db``, ``knocks`` (sounds of the guitar that are no notes), ``compress`` (decibels taken
    off the loudest), ``pump`` 0-1 (automatic gain that breathes), ``clip`` (share of the peak at
    which the recording clips), ``codec`` with ``bitrate``, ``level_db`` of the peak.
    ``hum_db`` and ``talk_db`` are against the guitar's root mean square.
    """

    drive: float = 0.0
    reverb_sec: float = 0.0
    reverb_wet: float = 0.0
    eq_db: float = 0.0
    band_hz: tuple[float, float] | None = None
    snr_db: float | None = None
    noise_slope: float = -3.0
    hum_hz: float = 0.0
    hum_db: float = -30.0
    talk_db: float | None = None
    knocks: float = 0.0
    compress: float = 0.0
    pump: float = 0.0
    clip: float = 0.0
    codec: str | None = None
    bitrate: int = 32000
    level_db: float = -3.0


CLEAN = Rough()
"""A take as the guitar sounds, at a peak of -3 dB."""


def draw_rough(rng: np.random.Generator, strength: float, *, codecs: bool = True) -> Rough:
    """Draw a rough room and recorder; ``strength`` 0 (clean) to 1 (as bad as is still of use)."""
    if strength <= 0:
        return CLEAN
    x = float(strength)

    def chance(share: float) -> bool:
        return bool(rng.random() < share)

    room = chance(0.35 + 0.5 * x)
    band = None
    if chance(0.1 + 0.4 * x):
        low = float(np.exp(rng.uniform(np.log(40.0), np.log(60.0 + 240.0 * x))))
        high = float(np.exp(rng.uniform(np.log(9500.0 - 6100.0 * x), np.log(10500.0))))
        band = (low, high)
    codec = str(rng.choice(list(CODECS))) if chance(0.1 + 0.2 * x) and codecs else None
    bitrate = int(rng.choice(CODECS[codec].bitrates[: 5 - round(2 * x)])) if codec else 32000
    return Rough(
        drive=float(rng.uniform(0.02, 0.25 + 0.5 * x)) if chance(0.12 + 0.1 * x) else 0.0,
        reverb_sec=float(np.exp(rng.uniform(np.log(0.12), np.log(0.3 + 0.9 * x)))) if room else 0.0,
        reverb_wet=float(rng.uniform(0.05, 0.15 + 0.6 * x)) if room else 0.0,
        eq_db=float(rng.uniform(0.0, 1.5 + 5.0 * x)),
        band_hz=band,
        snr_db=float(rng.uniform(45.0 - 35.0 * x, 50.0 - 15.0 * x)) if chance(0.9) else None,
        noise_slope=float(rng.uniform(-7.0, 1.0)),
        hum_hz=float(rng.choice((50.0, 60.0))) if chance(0.08 + 0.25 * x) else 0.0,
        hum_db=float(rng.uniform(-45.0, -34.0 + 20.0 * x)),
        talk_db=float(rng.uniform(-35.0, -24.0 + 12.0 * x)) if chance(0.12 * x) else None,
        knocks=float(rng.uniform(0.0, 1.0)) if chance(0.15 + 0.35 * x) else 0.0,
        compress=float(rng.uniform(2.0, 4.0 + 14.0 * x)) if chance(0.15 + 0.3 * x) else 0.0,
        pump=float(rng.uniform(0.2, 0.3 + 0.7 * x)) if chance(0.2 * x) else 0.0,
        clip=float(rng.uniform(0.95 - 0.6 * x, 0.95)) if chance(0.2 * x) else 0.0,
        codec=codec,
        bitrate=bitrate,
        level_db=float(rng.uniform(-6.0 - 24.0 * x, -0.5)),
    )


# -- stages ------------------------------------------------------------------------------------


def _rms(y: Array) -> float:
    return float(np.sqrt(np.mean(np.square(y)))) + 1e-9


def _drive(y: Array, amount: float) -> Array:
    """Soft, slightly lopsided saturation, as of an amplifier."""
    peak = float(np.abs(y).max()) + 1e-9
    gain = np.float32(1.0 + 30.0 * amount**2)
    pushed = gain * y / np.float32(peak)
    out = np.tanh(pushed + np.float32(0.15 * amount)) - np.float32(np.tanh(0.15 * amount))
    return np.asarray(out * np.float32(peak / max(float(np.abs(out).max()), 1e-6)), np.float32)


def _room(rng: np.random.Generator, seconds: float, wet: float) -> Array:
    """An impulse response: direct sound, early reflections and a tail that darkens as it dies."""
    size = max(64, round(min(seconds, 1.6) * 0.9 * SR))
    t = np.arange(size, dtype=np.float32) / SR
    tail = rng.standard_normal(size).astype(np.float32)
    dull = np.convolve(tail, np.ones(6, np.float32) / 2.45, "same")
    brightness = np.float32(rng.uniform(0.1, 0.8))
    tail = dull * np.exp(-6.91 / seconds * t) + brightness * tail * np.exp(-13.0 / seconds * t)
    tail *= np.minimum(1.0, t / np.float32(rng.uniform(0.005, 0.03)))
    for _ in range(8):
        at = round(float(rng.uniform(0.002, 0.04)) * SR)
        if at < size:
            tail[at] += np.float32(rng.normal(0.0, 6.0) * np.exp(-40.0 * at / SR))
    tail *= np.float32(wet / max(float(np.sqrt(np.sum(tail**2))), 1e-6))
    tail[0] += 1.0
    return np.asarray(tail, np.float32)


def _convolved(y: Array, response: Array) -> Array:
    size = fft.next_fast_len(len(y) + len(response), real=True)
    return np.asarray(fft.irfft(fft.rfft(y, size) * fft.rfft(response, size), size)[: len(y)])


def _filtered(y: Array, rng: np.random.Generator, eq_db: float, band: Any) -> Array:
    size = fft.next_fast_len(len(y) + 2048, real=True)
    bins = size // 2 + 1
    freq = np.linspace(0.0, SR / 2, 1025)
    gain = smooth_gain(rng, freq, eq_db)
    if band is not None:
        low, high = band
        gain = gain / np.sqrt(1.0 + (low / np.maximum(freq, 1.0)) ** 8)
        gain = gain / np.sqrt(1.0 + (freq / high) ** 12)
    full = np.interp(np.linspace(0.0, SR / 2, bins), freq, gain).astype(np.float32)
    return np.asarray(fft.irfft(fft.rfft(y, size) * full, size)[: len(y)], np.float32)


def _noise(rng: np.random.Generator, size: int, slope_db: float) -> Array:
    """Noise with a spectrum that falls by ``slope_db`` per octave, root mean square 1."""
    whole = fft.next_fast_len(size, real=True)
    bins = whole // 2 + 1
    octave = np.log2(np.maximum(np.linspace(0.0, SR / 2, bins), 40.0) / 1000.0)
    shape = (10.0 ** (slope_db * octave / 20.0)).astype(np.float32)
    parts = rng.standard_normal((2, bins), dtype=np.float32)
    y = fft.irfft((parts[0] + 1j * parts[1]) * shape, whole)[:size]
    # A room is not still: the noise swells and fades a little.
    swell = np.interp(np.arange(size), np.linspace(0, size, 12), rng.uniform(0.75, 1.25, 12))
    y = y * swell.astype(np.float32)
    return np.asarray(y / np.float32(_rms(y)), np.float32)


def _hum(rng: np.random.Generator, size: int, hz: float) -> Array:
    """Mains hum with harmonics, root mean square 1."""
    t = np.arange(size, dtype=np.float32) / np.float32(SR)
    hz = hz * (1.0 + rng.normal(0.0, 2e-4))
    y = np.zeros(size, np.float32)
    for n in (1, 2, 3, 4, 5, 6, 8, 10, 12):
        strength = rng.exponential(1.0) / n**0.7
        y += np.float32(strength) * np.sin(np.float32(2 * np.pi * hz * n) * t + rng.uniform(0, 6.3))
    return np.asarray(y / np.float32(_rms(y)), np.float32)


VOWELS = (
    (730, 1090, 2440),
    (270, 2290, 3010),
    (300, 870, 2240),
    (530, 1840, 2480),
    (570, 840, 2410),
)


def _talk(rng: np.random.Generator, size: int) -> Array:
    """Something like talk in the room: voiced syllables with formants, and hisses between.

    The vowel formants are those of Peterson & Barney 1952 (JASA 24, table II), from memory.
    """
    y = np.zeros(size, np.float32)
    at = int(rng.uniform(0.0, 0.5) * size)
    pitch = float(rng.uniform(85.0, 230.0))
    until = min(size, at + round(rng.uniform(1.0, 5.0) * SR))
    while at < until:
        count = round(rng.uniform(0.09, 0.28) * SR)
        f0 = pitch * 2.0 ** rng.normal(0.0, 0.15)
        t = np.arange(count, dtype=np.float32) / SR
        glide = 1.0 + rng.uniform(-0.12, 0.06) * t / t[-1]
        phase = (2 * np.pi * f0 / SR * np.cumsum(glide)).astype(np.float32)
        formants = VOWELS[int(rng.integers(len(VOWELS)))]
        syllable = np.zeros(count, np.float32)
        for n in range(1, min(24, int(3600 / f0))):
            gain = sum(
                (0.5**k) / (1.0 + ((n * f0 - centre) / (60.0 + 30.0 * k)) ** 2)
                for k, centre in enumerate(formants)
            )
            syllable += np.float32(gain + 0.02) * np.sin(n * phase)
        syllable *= np.hanning(count).astype(np.float32) ** 0.5
        if rng.random() < 0.4:
            hiss = min(count // 3, round(0.07 * SR))
            syllable[:hiss] += 0.5 * np.diff(rng.standard_normal(hiss + 1)).astype(np.float32)
        piece = syllable[: size - at]
        y[at : at + len(piece)] += piece * np.float32(rng.uniform(0.4, 1.0))
        at += count + (round(rng.uniform(0.2, 0.7) * SR) if rng.random() < 0.15 else 0)
    loud = y[np.abs(y) > 1e-4]
    return y / np.float32(_rms(loud)) if len(loud) else y


def _gain_follows(y: Array, take_off_db: float, *, attack_sec: float, release_sec: float) -> Array:
    """Turn ``y`` down where it is loud: compression, or automatic gain when it releases slowly."""
    block = 110  # 5 ms
    frames = len(y) // block + 1
    padded = np.pad(y, (0, frames * block - len(y)))
    level = np.sqrt(np.mean(padded.reshape(frames, block) ** 2, axis=1)) + 1e-7
    level_db = 20.0 * np.log10(level)
    top = float(np.percentile(level_db, 99))
    wanted = -np.clip(level_db - (top - 1.6 * take_off_db), 0.0, None) / 1.6
    rise = float(np.exp(-0.005 / attack_sec))
    fall = float(np.exp(-0.005 / release_sec))
    now = 0.0
    gain = np.empty(frames)
    for i, w in enumerate(wanted.tolist()):
        keep = rise if w < now else fall
        now = keep * now + (1.0 - keep) * w
        gain[i] = now
    centres = (np.arange(frames) + 0.5) * block
    curve = np.interp(np.arange(len(y)), centres, 10.0 ** (gain / 20.0))
    return np.asarray(y * curve.astype(np.float32), np.float32)


# -- codecs --------------------------------------------------------------------------------------


def codecs_available() -> bool:
    """Whether PyAV is installed, which the codecs need."""
    try:
        import av  # noqa: F401
    except ImportError:
        return False
    return True


def _coded(y: Array, codec: _Codec, bitrate: int) -> Array:
    """``y`` encoded and decoded, with the codec's delay still in it."""
    import av

    store = io.BytesIO()
    with av.open(store, "w", format=codec.container) as out:
        stream: Any = out.add_stream(codec.encoder, rate=codec.rate)
        stream.layout = "mono"
        stream.format = codec.sample_format
        stream.bit_rate = bitrate
        resampler = av.AudioResampler(
            codec.sample_format, "mono", codec.rate, stream.frame_size or 1152
        )
        frame = av.AudioFrame.from_ndarray(y[None, :], format="fltp", layout="mono")
        frame.sample_rate = SR
        for piece in [*resampler.resample(frame), *resampler.resample(None)]:
            out.mux(stream.encode(piece))
        out.mux(stream.encode(None))
    store.seek(0)
    pieces = []
    with av.open(store, "r") as back:
        resampler = av.AudioResampler("fltp", "mono", SR)
        for decoded in back.decode(audio=0):
            pieces += [f.to_ndarray()[0] for f in resampler.resample(decoded)]
        pieces += [f.to_ndarray()[0] for f in resampler.resample(None)]
    return np.concatenate(pieces).astype(np.float32)


@cache
def _delay(name: str) -> int:
    """Samples by which a codec delays, measured on noise with sharp starts."""
    rng = np.random.default_rng(7)
    y = _noise(rng, 2 * SR, -4.0) * 0.1
    y *= (np.arange(len(y)) // 2205 % 3 > 0).astype(np.float32)
    codec = CODECS[name]
    back = _coded(y, codec, codec.bitrates[-1])
    size = fft.next_fast_len(len(y) + len(back), real=True)
    cross = fft.irfft(fft.rfft(back, size) * np.conj(fft.rfft(y, size)), size)
    lag = int(np.argmax(cross))
    return lag if lag < size // 2 else lag - size


def through_codec(y: Array, name: str, *, bitrate: int = 32000) -> Array:
    """``y`` (22.05 kHz) as it comes back from a codec, in time with what went in.

    Raises
    ------
    ParameterError
        If the codec is unknown.
    """
    if name not in CODECS:
        raise ParameterError(f"there is no codec {name!r}; choose from {', '.join(CODECS)}")
    delay = _delay(name)
    y = np.asarray(y, np.float32)
    peak = max(1.0, float(np.abs(y).max(initial=0.0)))
    back = _coded(y / np.float32(peak), CODECS[name], bitrate) * np.float32(peak)
    back = back[delay:] if delay >= 0 else np.concatenate([np.zeros(-delay, np.float32), back])
    out = np.zeros(len(y), np.float32)
    out[: min(len(y), len(back))] = back[: len(y)]
    return out


def roughen(y: Array, rough: Rough, rng: np.random.Generator) -> Array:
    """``y`` (n,) at 22.05 kHz after everything that ``rough`` does to it; same length, in time.

    A codec is left out where PyAV is not installed.
    """
    y = np.asarray(y, np.float32)
    if rough.drive > 0:
        y = _drive(y, rough.drive)
    guitar = _rms(y)
    if rough.reverb_sec > 0 and rough.reverb_wet > 0:
        y = _convolved(y, _room(rng, rough.reverb_sec, rough.reverb_wet))
    added = np.zeros(len(y), np.float32)
    if rough.snr_db is not None:
        gain = guitar * 10.0 ** (-rough.snr_db / 20.0)
        added += np.float32(gain) * _noise(rng, len(y), rough.noise_slope)
    if rough.hum_hz > 0:
        gain = guitar * 10.0 ** (rough.hum_db / 20.0)
        added += np.float32(gain) * _hum(rng, len(y), rough.hum_hz)
    if rough.talk_db is not None:
        gain = guitar * 10.0 ** (rough.talk_db / 20.0)
        added += np.float32(gain) * _talk(rng, len(y))
    y = y + added
    if rough.eq_db > 0 or rough.band_hz is not None:
        y = _filtered(y, rng, rough.eq_db, rough.band_hz)
    if rough.compress > 0:
        y = _gain_follows(y, rough.compress, attack_sec=0.008, release_sec=0.15)
    if rough.pump > 0:
        y = _gain_follows(y, 18.0 * rough.pump, attack_sec=0.04, release_sec=1.2)
    peak = float(np.abs(y).max(initial=0.0)) + 1e-9
    if 0 < rough.clip < 1:
        y = np.clip(y, -rough.clip * peak, rough.clip * peak)
        peak *= rough.clip
    y = y * np.float32(10.0 ** (rough.level_db / 20.0) / peak)
    if rough.codec is not None and codecs_available():
        y = through_codec(y, rough.codec, bitrate=rough.bitrate)
    return np.asarray(y, np.float32)
