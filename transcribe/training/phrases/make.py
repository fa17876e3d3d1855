"""Drawing a phrase: its kind, its instrument, its setting, then the notes."""

from __future__ import annotations

from collections.abc import Callable
from types import MappingProxyType

import numpy as np

from transcribe.core.errors import ParameterError
from transcribe.core.instrument import TUNINGS
from transcribe.core.riff import Instrument
from transcribe.training.phrases.chords import (
    write_arpeggio,
    write_mixed,
    write_power,
    write_strum,
)
from transcribe.training.phrases.drones import write_drone, write_low, write_octaves
from transcribe.training.phrases.melodies import write_harmonics, write_legato, write_lines
from transcribe.training.phrases.performance import play, tempo_curve
from transcribe.training.phrases.setting import MODES, Score, Setting

__all__ = ["KINDS", "make_instrument_for", "make_score"]

_WRITERS: dict[str, Callable[[Setting], None]] = {
    "drone": write_drone,
    "line": write_lines,
    "legato": write_legato,
    "arpeggio": write_arpeggio,
    "strum": write_strum,
    "power": write_power,
    "octaves": write_octaves,
    "low": write_low,
    "harmonics": write_harmonics,
    "mixed": write_mixed,
}

KINDS = MappingProxyType(
    {
        "drone": 0.27,
        "line": 0.12,
        "legato": 0.14,
        "arpeggio": 0.12,
        "strum": 0.13,
        "power": 0.05,
        "octaves": 0.06,
        "low": 0.03,
        "harmonics": 0.02,
        "mixed": 0.06,
    }
)
"""Kinds of phrase and how often each is drawn."""


def make_instrument_for(rng: np.random.Generator, offset_cents: float = 0.0) -> Instrument:
    """An instrument as guitars come: mostly in standard tuning, at times another, or a capo."""
    names = [
        "standard",
        "drop-d",
        "half-step-down",
        "dadgad",
        "open-g",
        "open-d",
        "whole-step-down",
    ]
    share = np.array([0.66, 0.09, 0.09, 0.05, 0.04, 0.04, 0.03])
    name = names[int(rng.choice(len(names), p=share / share.sum()))]
    capo = int(rng.integers(1, 8)) if rng.random() < 0.18 else 0
    return Instrument(TUNINGS[name], capo=capo, offset_cents=offset_cents)


def make_score(
    rng: np.random.Generator,
    *,
    kind: str | None = None,
    instrument: Instrument | None = None,
    duration_sec: float = 10.0,
    low_midi: int = 36,
    high_midi: int = 88,
) -> Score:
    """Draw one phrase of ``kind`` (any of `KINDS`; None draws one) for ``duration_sec``.

    Notes keep to ``low_midi``-``high_midi``. The notes are in the order of their onsets and no
    two of one string overlap.

    Raises
    ------
    ParameterError
        If ``kind`` is unknown or the instrument has not six strings.
    """
    if kind is None:
        kind = str(rng.choice(list(KINDS), p=np.array(list(KINDS.values())) / sum(KINDS.values())))
    if kind not in KINDS:
        raise ParameterError(f"there is no phrase kind {kind!r}; choose from {', '.join(KINDS)}")
    instrument = instrument or make_instrument_for(rng)
    if len(instrument.open_midi) != 6:
        raise ParameterError("phrases are drawn for six strings")
    bpm = float(rng.uniform(60.0, 180.0))
    meter = [(4, 4), (4, 4), (4, 4), (3, 4), (6, 8), (5, 4), (7, 8)][
        int(rng.choice(7, p=[0.3, 0.2, 0.15, 0.17, 0.1, 0.04, 0.04]))
    ]
    if meter[1] == 8:
        bpm *= 1.6
    start = float(rng.uniform(0.05, 0.6))
    bars = max(1, int(np.ceil((duration_sec - start) * bpm / 60.0 / meter[0])))
    drone_string = int(rng.choice((1, 2, 3, 4, 5, 6), p=(0.08, 0.12, 0.15, 0.25, 0.22, 0.18)))
    tonic = int(rng.integers(12))
    if kind == "drone":
        while not low_midi <= instrument.pitch_midi(drone_string, 0) <= high_midi:
            drone_string = int(rng.integers(1, 7))
        # The open string is the tonic, seldom its fifth or another degree.
        tonic = (instrument.pitch_midi(drone_string, 0) - int(rng.choice((0, 0, 0, 0, 7, 5)))) % 12
    setting = Setting(
        rng,
        instrument,
        low_midi,
        high_midi,
        tonic,
        str(rng.choice(list(MODES))),
        meter,
        bars,
        expression=float(rng.uniform(0.0, 1.0)),
        beat_sec=60.0 / bpm,
        dynamics=float(rng.uniform(0.03, 0.24)),
        drone_string=drone_string if kind == "drone" else None,
    )
    _WRITERS[kind](setting)
    total = bars * meter[0]
    beats_sec = tempo_curve(setting, bpm, start, total + 1)
    swing = float(rng.uniform(0.1, 0.34)) if rng.random() < 0.2 else 0.0
    notes = play(setting, beats_sec, swing, duration_sec)
    inside = beats_sec[beats_sec < duration_sec]
    return Score(
        tuple(notes),
        instrument,
        kind,
        bpm,
        meter,
        tuple(float(b) for b in inside),
        tuple(float(b) for b in inside[:: meter[0]]),
        tuple(setting.phrases),
        tonic,
        setting.mode,
        setting.drone_string,
    )
