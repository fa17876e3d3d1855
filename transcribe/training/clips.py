"""Training clips: a phrase, played on a bank, recorded roughly, with every note known.

    banks = load_banks("banks.npz", exclude=("acoustic",))
    clip = make_clip(7, banks=banks)

The same seed and banks give the same clip. Needs numpy and scipy; PyAV only for codecs.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from transcribe.core.errors import ParameterError
from transcribe.core.riff import Instrument, Phrase
from transcribe.training.banks import Bank
from transcribe.training.phrases import PlayedNote, make_score
from transcribe.training.render import add_guitar_noise, add_sympathy, draw_touch, render
from transcribe.training.rough import CLEAN, Rough, draw_rough, roughen
from transcribe.training.surroundings import PLAIN, Surroundings, add_effects, draw_surroundings
from transcribe.training.talk import Talk, add_talk, draw_stretch, without_stretch

__all__ = ["Clip", "make_clip"]

Array = npt.NDArray[Any]

_SHARE = {
    "strings": 3.2,
    "acoustic": 2.0,
    "electric": 1.4,
    "nylon": 1.4,
    "strikes": 2.0,
    "gm28": 0.25,
    "gm31": 0.25,
}
_SHARE_OTHER = 0.7
_DRIVEN = frozenset({"electric", "gm26", "gm27", "gm29", "gm30"})
_HIGHEST_MIDI = 88
_PLAIN_SHARE = 0.25
"""Clips without anything around the notes, where nobody says."""
_TALK_SHARE = 0.2
_DRIVEN_SHARE = 0.12
_DRIVEN_KINDS = ("line", "legato", "power", "octaves", "low", "mixed", "drone")


@dataclass(frozen=True, slots=True)
class Clip:
    """``y`` is float32 (n,) at 22.05 kHz; ``notes`` are sorted by onset.

    ``rough`` says what was done to the sound, ``instrument.offset_cents`` how far the whole
    guitar is out of tune, ``bank`` which guitar plays. ``voice`` is the talk alone, (n,), where
    there is any, before the room; ``around`` is what surrounds the notes.
    """

    y: Array
    notes: tuple[PlayedNote, ...]
    kind: str
    rough: Rough
    instrument: Instrument
    bank: str
    bpm: float
    meter: tuple[int, int]
    beats_sec: tuple[float, ...]
    downbeats_sec: tuple[float, ...]
    phrases: tuple[Phrase, ...]
    tonic: int | None
    mode: str | None
    drone_string: int | None
    around: Surroundings = PLAIN
    voice: Array | None = None


def make_clip(
    seed: int | Sequence[int],
    *,
    banks: Mapping[str, Bank],
    kind: str | None = None,
    rough: float | Rough | None = None,
    duration_sec: float = 10.0,
    offset_cents: float | None = None,
    codecs: bool = True,
    around: Surroundings | None = PLAIN,
    talk: Talk | None = None,
    talk_share: float = _TALK_SHARE,
) -> Clip:
    """Make one clip.

    Parameters
    ----------
    seed : whole number or several (such as ``(epoch, index)``)
    banks : bank by name, from `banks.load_banks`
    kind : one of `phrases.KINDS`; None draws one
    rough : 0 (clean) to 1 (very rough), or a `Rough` that says exactly what is done; None draws:
        one clip in five clean, the others anywhere between
    duration_sec : length of the clip, 1 s or more
    offset_cents : detuning of the whole guitar; None draws up to 45 cents either way for rough
        clips and a few cents for clean ones
    codecs : False leaves codecs out of what is drawn (they need PyAV)
    around : what surrounds the notes; None draws it, and with it, in ``talk_share`` of the clips,
        a stretch of talk, song, taps or silence in place of the notes there
    talk : sentences to talk with; without any there is only song

    Raises
    ------
    ParameterError
        If ``kind`` is unknown, ``banks`` is empty, or ``duration_sec`` is under 1 s.
    """
    if not banks:
        raise ParameterError("make_clip needs at least one bank")
    if not duration_sec >= 1.0:
        raise ParameterError(f"a clip lasts 1 s or more, not {duration_sec!r}")
    rng = np.random.default_rng(seed)
    if rough is None:
        rough = 0.0 if rng.random() < 0.2 else float(rng.uniform(0.1, 1.0))
    strength = rough if isinstance(rough, int | float) else 0.5
    recorder = rough if isinstance(rough, Rough) else draw_rough(rng, float(rough), codecs=codecs)
    names = sorted(banks)
    share = np.array([_SHARE.get(name, _SHARE_OTHER) for name in names])
    name = names[int(rng.choice(len(names), p=share / share.sum()))]
    bank = banks[name].for_clip(rng)
    if offset_cents is None:
        wide = strength > 0 and rng.random() < 0.75
        offset_cents = float(rng.uniform(-45.0, 45.0) if wide else rng.normal(0.0, 4.0))
    # Its own generator: the phrase and the guitar are the same whatever surrounds them.
    more = np.random.default_rng([*np.atleast_1d(np.array(seed, object)), 4711])
    stretch = None
    if around is None:
        driven = more.random() < _DRIVEN_SHARE
        if driven and kind is None:
            kind = str(more.choice(_DRIVEN_KINDS))
        around = PLAIN
        if driven or more.random() >= _PLAIN_SHARE:
            around = draw_surroundings(more, driven=driven)
        if driven:
            recorder = replace(recorder, drive=0.0)
        if recorder is not CLEAN and more.random() < (0.5 if driven else 0.08):
            # A phone, or a guitar through one: no fundamentals.
            band = (float(more.uniform(180.0, 420.0)), float(more.uniform(2900.0, 4200.0)))
            recorder = replace(recorder, band_hz=band)
        if more.random() < talk_share:
            stretch = draw_stretch(more, duration_sec)
    score = make_score(
        rng,
        kind=kind,
        duration_sec=duration_sec,
        low_midi=max(36, bank.low_midi),
        high_midi=min(_HIGHEST_MIDI, bank.high_midi),
    )
    played = score.notes if stretch is None else without_stretch(score.notes, stretch)
    y, notes = render(
        played,
        bank=bank,
        rng=rng,
        duration_sec=duration_sec,
        touch=draw_touch(rng),
        offset_cents=offset_cents,
        around=around,
        around_rng=more,
    )
    if rng.random() < 0.07 and name != "strings" and "strings" in banks:
        # A second guitar in unison, quieter: the colours of two instruments in one note.
        other = banks["strings"].for_clip(rng)
        second, _ = render(
            played, bank=other, rng=rng, duration_sec=duration_sec, offset_cents=offset_cents
        )
        y = y + np.float32(rng.uniform(0.2, 0.6)) * second
    if rng.random() < 0.35:
        cents = offset_cents / 100.0
        open_strings = [m + score.instrument.capo + cents for m in score.instrument.open_midi]
        add_sympathy(y, open_strings, rng, float(rng.uniform(-14.0, 7.0)))
    y = add_effects(y, around, more)
    if name in _DRIVEN and recorder.drive == 0 and recorder is not CLEAN and rng.random() < 0.4:
        recorder = replace(recorder, drive=float(rng.uniform(0.05, 0.9)))
    if recorder.knocks > 0:
        add_guitar_noise(y, rng, recorder.knocks)
    voice = None
    if stretch is not None:
        voice = add_talk(y, more, talk, stretch)
        last = stretch[1]
        if any(n.onset_sec >= last for n in notes) and recorder.talk_db is not None:
            recorder = replace(recorder, talk_db=None)
    y = roughen(y, recorder, rng)
    return Clip(
        y,
        notes,
        score.kind,
        recorder,
        replace(score.instrument, offset_cents=offset_cents),
        name,
        score.bpm,
        score.meter,
        score.beats_sec,
        score.downbeats_sec,
        score.phrases,
        score.tonic,
        score.mode,
        score.drone_string,
        around,
        voice,
    )
