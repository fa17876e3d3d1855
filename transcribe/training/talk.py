"""Talk, song, hum and taps: what a phone records beside the riffs, and none of it a note.

Conventions: sound float32 mono at 22.05 kHz (`banks.SR`), root mean square 1 where there is voice;
times in seconds. The voices are those of Debian's package ``espeak-ng``, in many languages, at
many speeds and pitches; the sentences are our own, and the numbers of a count-in are read in every
language. One file holds all of it:

    python -m transcribe.training.talk -o talk.npz

A third of the languages and of the variants of voice are named ``held out``: training leaves them
alone, so that the talk they make can measure.
"""

from __future__ import annotations

import argparse
import itertools
import subprocess
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from transcribe.core.errors import AudioError, HandspanError
from transcribe.training.banks import SR
from transcribe.training.phrases import PlayedNote
from transcribe.training.rough import VOWELS

__all__ = [
    "Talk",
    "add_talk",
    "draw_stretch",
    "load_talk",
    "sung",
    "voice_frames",
    "without_stretch",
]

Array = npt.NDArray[Any]

RATE = 16000
"""Rate at which the file keeps its sentences, in hertz."""

_SENTENCES = {
    "en-gb": (
        "Right, once more from the top, and mind the third finger.",
        "That was nearly it. Now slowly, and let the low string ring.",
        "The ferry leaves at half past nine, so we have time for one more.",
        "Listen, it goes down here and then it comes back up to the open string.",
        "One, two, three, four.",
        "No, wait, I missed the slide. Again.",
    ),
    "en-us": (
        "Okay, so this part sits on the fifth fret, and you stay there.",
        "Can you hear the drone under it? Keep that going.",
        "Two, three, and four, and one.",
        "We played this one at the boat house last summer.",
    ),
    "de": (
        "Also noch einmal von vorn, und bitte nicht schneller werden.",
        "Die tiefe Saite klingt weiter, die Melodie liegt auf der dritten.",
        "Eins, zwei, drei, vier.",
        "Das Boot liegt im Hafen, und der Wind kommt von Westen.",
    ),
    "fr-fr": (
        "On reprend depuis le début, plus lentement cette fois.",
        "Un, deux, trois, quatre. La corde à vide reste libre.",
        "Le bateau rentre au port quand la mer est haute.",
    ),
    "es": (
        "Vamos otra vez desde el principio, sin correr.",
        "Uno, dos, tres, cuatro. Deja sonar la cuerda de abajo.",
        "La barca vuelve al puerto con la marea alta.",
    ),
    "it": (
        "Ancora una volta da capo, con calma.",
        "Uno, due, tre, quattro. La corda bassa suona sempre.",
        "La barca torna al molo prima di sera.",
    ),
    "nl": ("Nog een keer vanaf het begin, en rustig aan.", "De boot ligt al in de haven."),
    "pt": ("Mais uma vez desde o início, devagar.", "O barco chega ao porto antes da noite."),
    "sv": ("En gång till från början, lite långsammare.", "Båten ligger vid bryggan i kväll."),
    "pl": ("Jeszcze raz od początku, trochę wolniej.", "Łódka stoi w porcie od rana."),
    "tr": ("Bir kez daha baştan, biraz yavaş.", "Tekne sabah limana geldi."),
    "fi": ("Vielä kerran alusta, vähän hitaammin.", "Vene on laiturissa illalla."),
    "cs": ("Ještě jednou od začátku, pomaleji.", "Loďka stojí v přístavu."),
    "hu": ("Még egyszer az elejétől, lassabban.", "A csónak a kikötőben áll."),
    "ro": ("Încă o dată de la început, mai încet.", "Barca stă în port."),
    "da": ("En gang til fra begyndelsen, lidt langsommere.", "Båden ligger i havnen."),
}
_COUNTED = (
    "1 2 3 4. 5 6 7 8.",
    "12, 15, 17, 19. 2 3 4.",
    "1 2 3. 1 2 3. 24 31 48.",
)
_COUNTING = (
    "af am ar bg bn ca cmn cy el et eu fa ga hi id is ja ka ko lt lv ms ne nb ru sk sl sq sw ta te "
    "uk ur vi yue"
)
_TWICE = ("en-gb", "de", "fr-fr", "es", "en-us")
_VARIANTS = (
    "m1 m2 m3 m4 m5 m6 m7 m8 f1 f2 f3 f4 f5 klatt klatt2 klatt3 klatt4 croak whisper whisperf"
)
_HELD_OUT_LANGUAGES = "en-us it sv fi ro cmn ja ru hi sw uk ga ca ta lv ko"
_HELD_OUT_VARIANTS = "m3 m7 f2 f5 klatt3"
"""Voices that training leaves alone, so that they can measure."""

_GAP_SEC = 0.35  # a pause within talk that is shorter belongs to it
_QUIET = 0.05  # of the loud parts of the talk; less is a pause


@dataclass(frozen=True, slots=True)
class Talk:
    """Sentences at `SR` with the names of their voices; ``held_out`` says which only measure."""

    sounds: tuple[Array, ...]
    names: tuple[str, ...]
    held_out: tuple[bool, ...]

    def part(self, *, held_out: bool) -> Talk:
        """Only the sentences to measure with, or only those to train on."""
        keep = [i for i, out in enumerate(self.held_out) if out == held_out]
        return Talk(
            tuple(self.sounds[i] for i in keep),
            tuple(self.names[i] for i in keep),
            tuple(self.held_out[i] for i in keep),
        )


def _spoken(voice: str, text: str, speed: int, pitch: int) -> Array:
    """``text`` as ``espeak-ng`` says it, float32 at `RATE`."""
    import soundfile
    from scipy.signal import resample_poly

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "said.wav"
        call = ["espeak-ng", "-v", voice, "-s", str(speed), "-p", str(pitch), "-w", str(path), text]
        try:
            subprocess.run(call, check=True, capture_output=True)
        except (OSError, subprocess.CalledProcessError) as error:
            raise HandspanError(f"espeak-ng does not speak ({error}); install espeak-ng") from None
        y, rate = soundfile.read(path, dtype="float32")
    divisor = int(np.gcd(RATE, rate))
    return np.asarray(resample_poly(y, RATE // divisor, rate // divisor), np.float32)


def prepare(out: Path, *, seed: int = 5) -> int:
    """Speaks every sentence and packs them into ``out``; returns how many there are."""
    rng = np.random.default_rng(seed)
    texts = [(lang, text) for lang, lines in _SENTENCES.items() for text in lines]
    texts += [(lang, str(rng.choice(_COUNTED))) for lang in _COUNTING.split()]
    texts += [(lang, text) for lang, text in texts if lang in _TWICE]
    sounds, names, held = [], [], []
    for lang, text in texts:
        out_of_training = lang in _HELD_OUT_LANGUAGES.split()
        held_variants = _HELD_OUT_VARIANTS.split()
        choice = [v for v in _VARIANTS.split() if (v in held_variants) == out_of_training]
        variant = str(rng.choice(choice))
        y = _spoken(
            f"{lang}+{variant}", text, int(rng.integers(105, 230)), int(rng.integers(5, 95))
        )
        y = y[np.flatnonzero(np.abs(y) > 1e-3)[0] : np.flatnonzero(np.abs(y) > 1e-3)[-1] + 1]
        sounds.append(y[: 6 * RATE] / max(1e-6, float(np.abs(y).max())))
        names.append(f"{lang}+{variant}")
        held.append(out_of_training)
    whole = np.concatenate(sounds)
    # Talk under a mu-law of 8 bits (as ITU-T G.711 companding, mu = 255) is talk enough.
    packed = np.round(127.0 * np.sign(whole) * np.log1p(255.0 * np.abs(whole)) / np.log(256.0))
    np.savez_compressed(
        out,
        sound=packed.astype(np.int8),
        length=np.array([len(y) for y in sounds]),
        name=np.array(names),
        held_out=np.array(held),
    )
    return len(sounds)


def load_talk(path: str | Path) -> Talk:
    """Sentences from the file that `prepare` wrote.

    Raises
    ------
    AudioError
        If the file cannot be read.
    """
    from scipy.signal import resample_poly

    try:
        with np.load(path) as file:
            packed = file["sound"].astype(np.float32) / 127.0
            whole = np.sign(packed) * (np.power(256.0, np.abs(packed)) - 1.0) / 255.0
            pieces = np.split(whole.astype(np.float32), np.cumsum(file["length"])[:-1])
            names = tuple(str(name) for name in file["name"])
            held = tuple(bool(out) for out in file["held_out"])
    except (OSError, ValueError, KeyError) as error:
        raise AudioError(f"{path} is no file of talk ({error}); make it again") from None
    divisor = int(np.gcd(SR, RATE))
    up, down = SR // divisor, RATE // divisor
    sounds = tuple(np.asarray(resample_poly(y, up, down), np.float32) for y in pieces)
    return Talk(sounds, names, held)


# -- what people do between riffs ---------------------------------------------------------------


def _levelled(y: Array) -> Array:
    loud = y[np.abs(y) > 0.02 * max(1e-9, float(np.abs(y).max()))]
    return np.asarray(y / max(1e-6, float(np.sqrt(np.mean(loud**2)))), np.float32)


def _talked(rng: np.random.Generator, size: int, talk: Talk) -> Array:
    """One voice that talks for ``size`` samples, with pauses."""
    y = np.zeros(size, np.float32)
    speed = float(rng.uniform(0.78, 1.3))
    voice = int(rng.integers(len(talk.sounds)))
    at = round(rng.uniform(0.0, 0.4) * SR)
    while at < size - 0.1 * SR:
        sound = talk.sounds[voice]
        where = np.arange(0.0, len(sound) - 1.0, speed)
        said = np.interp(where, np.arange(len(sound)), sound).astype(np.float32)
        first = int(rng.integers(0, max(1, len(said) // 3))) if rng.random() < 0.5 else 0
        said = _levelled(said[first:])[: size - at]
        y[at : at + len(said)] += said
        at += len(said) + round(rng.exponential(0.4) * SR)
        if rng.random() < 0.4:
            voice = int(rng.integers(len(talk.sounds)))
    return y


def sung(rng: np.random.Generator, size: int, *, hummed: bool = False) -> Array:
    """Vowels sung in tune, or hummed with the mouth shut, for ``size`` samples."""
    y = np.zeros(size, np.float32)
    base = float(rng.uniform(40.0, 67.0))
    scale = np.array((0, 2, 3, 4, 5, 7, 9, 10, 12))
    vibrato_hz, depth = float(rng.uniform(4.5, 6.5)), float(rng.uniform(0.0, 0.5))
    at = round(rng.uniform(0.0, 0.3) * SR)
    while at < size - 0.1 * SR:
        count = min(size - at, round(float(np.exp(rng.uniform(np.log(0.15), np.log(1.6)))) * SR))
        t = np.arange(count, dtype=np.float32) / SR
        midi = base + float(rng.choice(scale)) + float(rng.normal(0.0, 0.12))
        scoop = float(rng.uniform(-1.5, 0.4)) * np.exp(-t / np.float32(rng.uniform(0.02, 0.1)))
        waver = depth * np.sin(2 * np.pi * vibrato_hz * t) * np.minimum(1.0, t / 0.3)
        f0 = 440.0 * 2.0 ** ((midi + scoop + waver - 69.0) / 12.0)
        phase = 2 * np.pi * np.cumsum(f0) / SR
        formants = VOWELS[int(rng.integers(len(VOWELS)))]
        note = np.zeros(count, np.float32)
        middle = float(np.median(f0))
        for n in range(1, min(4 if hummed else 30, int(4500 / middle))):
            gain = sum(
                (0.5**k) / (1.0 + ((n * middle - centre) / (80.0 + 30.0 * k)) ** 2)
                for k, centre in enumerate(formants)
            )
            gain = 1.0 / n**2.5 if hummed else gain + 0.03 / n
            note += np.float32(gain) * np.sin(n * phase).astype(np.float32)
        edge = min(count // 2, round(rng.uniform(0.02, 0.12) * SR))
        note[:edge] *= np.linspace(0.0, 1.0, edge, dtype=np.float32)
        note[count - edge :] *= np.linspace(1.0, 0.0, edge, dtype=np.float32)
        note += 0.02 * rng.standard_normal(count).astype(np.float32) * np.abs(note).max(initial=0.0)
        y[at : at + count] += _levelled(note) * np.float32(rng.uniform(0.5, 1.0))
        at += count + (round(rng.uniform(0.05, 0.6) * SR) if rng.random() < 0.3 else 0)
    return y


def taps(rng: np.random.Generator, size: int) -> Array:
    """Taps on the wood or with the foot, in time."""
    y = np.zeros(size, np.float32)
    beat = float(rng.uniform(0.25, 0.8)) * SR
    count = round(0.15 * SR)
    t = np.arange(count, dtype=np.float32) / SR
    parts = [(rng.uniform(60.0, 500.0), rng.uniform(20.0, 90.0)) for _ in range(4)]
    at = float(rng.uniform(0.0, beat))
    while at < size:
        tap = 0.4 * rng.standard_normal(count).astype(np.float32) * np.exp(-200.0 * t)
        for hz, die in parts:
            tap += np.sin(2 * np.pi * hz * t + rng.uniform(0, 6.3)) * np.exp(-die * t)
        tap[:44] *= np.linspace(0.0, 1.0, 44, dtype=np.float32)
        first = max(0, int(at + rng.normal(0.0, 0.01 * SR)))
        piece = tap[: max(0, size - first)]
        y[first : first + len(piece)] += piece * np.float32(rng.uniform(0.5, 1.5))
        at += beat * float(rng.choice((0.5, 1.0, 1.0)))
    return y


def _between(rng: np.random.Generator, size: int, talk: Talk | None) -> tuple[Array, bool]:
    """Something that is no riff, ``size`` samples of it, and whether it is a voice."""
    what = rng.random()
    if what < 0.68 and talk is not None:
        return _talked(rng, size, talk), True
    if what < 0.84:
        return sung(rng, size, hummed=rng.random() < 0.3), True
    if what < 0.92:
        return taps(rng, size), False
    return np.zeros(size, np.float32), False


def draw_stretch(rng: np.random.Generator, duration_sec: float) -> tuple[float, float]:
    """First and last second of a take in which nobody plays: mostly its beginning or its end."""
    if rng.random() < 0.12:
        return 0.0, duration_sec
    length = float(rng.uniform(0.15, 0.75)) * duration_sec
    where = rng.random()
    if where < 0.4:
        return 0.0, length
    first = duration_sec - length
    return (first if where < 0.8 else float(rng.uniform(0.0, first))), first + length


def without_stretch(
    notes: Sequence[PlayedNote], stretch: tuple[float, float]
) -> tuple[PlayedNote, ...]:
    """``notes`` without those that begin within ``stretch``; what rings into it ends there."""
    first, last = stretch
    place: dict[int, int] = {}
    out: list[PlayedNote] = []
    for i, note in enumerate(notes):
        if first - 0.06 <= note.onset_sec < last:
            continue
        place[i] = len(out)
        source = None if note.source is None else place.get(note.source)
        if note.source is not None and source is None:
            note = replace(note, articulation="picked")
        if note.onset_sec < first:
            note = replace(note, offset_sec=min(note.offset_sec, first))
        out.append(replace(note, source=source))
    return tuple(out)


def add_talk(
    y: Array, rng: np.random.Generator, talk: Talk | None, stretch: tuple[float, float]
) -> Array:
    """Puts talk, song, taps or silence into ``stretch`` of ``y`` (n,), in place.

    Returns the voice alone, (n,), of which `voice_frames` says where it speaks.
    """
    voice = np.zeros(len(y), np.float32)
    level = max(0.02, float(np.sqrt(np.mean(np.square(y)))))
    first, last = round(stretch[0] * SR), min(len(y), round(stretch[1] * SR))
    sound, speaks = _between(rng, last - first, talk)
    sound = sound * np.float32(level * 10.0 ** (rng.uniform(-14.0, 9.0) / 20.0))
    y[first:last] += sound
    if speaks:
        voice[first:last] = sound
    return voice


def voice_frames(voice: Array, *, hop: int, frames: int) -> Array:
    """1 where ``voice`` (n,) speaks, 0 elsewhere: int8 (frames,); short pauses belong to it."""
    out = np.zeros(frames, np.int8)
    if not np.any(voice):
        return out
    padded = np.pad(np.square(voice), (hop // 2, hop))
    count = min(frames, (len(padded) - hop) // hop + 1)
    power = padded[: count * hop].reshape(count, hop).mean(axis=1)
    loud = np.sqrt(power) > _QUIET * np.sqrt(np.percentile(power[power > 0], 90))
    at = np.flatnonzero(loud)
    for a, b in itertools.pairwise(at):
        if (b - a) * hop / SR <= _GAP_SEC:
            out[a : b + 1] = 1
    out[at] = 1
    return out


def main(argv: Sequence[str] | None = None) -> None:
    """The command ``python -m transcribe.training.talk``."""
    parser = argparse.ArgumentParser(description="Speak sentences and pack them into one file.")
    parser.add_argument("-o", "--out", type=Path, default=Path("talk.npz"))
    args = parser.parse_args(argv)
    print(f"{prepare(args.out)} sentences")


if __name__ == "__main__":
    main()
