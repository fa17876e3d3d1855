"""From notes in seconds to notes in beats: tempo, meter, bars, note values and phrases.

Conventions: times in seconds (``_sec``) and in beats (``_beat``); a beat is one unit of the
meter's denominator; beat 0 is the first downbeat and a pickup has negative beats.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from transcribe.errors import ParameterError
from transcribe.riff import Drone, Note, Rhythm, sort_notes

__all__ = ["METERS", "find_rhythm"]

METERS = ((4, 4), (3, 4), (6, 8), (2, 4), (5, 4), (7, 8))
"""The meters that are looked for."""


def find_rhythm(
    notes: Sequence[Note],
    *,
    duration_sec: float,
    y: Any = None,
    sr: int | None = None,
    bpm: float | None = None,
    meter: tuple[int, int] | None = None,
    first_beat_sec: float | None = None,
    drone: Drone | int | None = None,
    progress: Callable[[str, float], None] | None = None,
) -> tuple[Rhythm, tuple[Note, ...]]:
    """Beats, bars and note values for ``notes``."""
    ordered = sort_notes(list(notes))
    meter = meter or (4, 4)
    if bpm is not None and not 20 <= bpm <= 600:
        raise ParameterError(f"bpm is {bpm!r}, expected 20 to 600")
    if not ordered:
        return Rhythm(bpm=bpm or 120.0, meter=meter), ()
    onsets = np.array([n.onset_sec for n in ordered])
    start = float(onsets[0]) if first_beat_sec is None else float(first_beat_sec)
    period = 60.0 / bpm if bpm else _period(onsets)
    count = max(1, math.ceil((max(duration_sec, onsets[-1]) - start) / period))
    lead = max(0, math.ceil((start - onsets[0]) / period - 1e-6))
    beats = [start + k * period for k in range(-lead, count + 1)]
    out = []
    for note in ordered:
        beat = round((note.onset_sec - start) / period * 4) / 4
        length = max(0.25, round((note.offset_sec - note.onset_sec) / period * 4) / 4)
        out.append(dataclasses.replace(note, onset_beat=beat, duration_beat=length))
    rhythm = Rhythm(
        bpm=60.0 / period,
        meter=meter,
        beats_sec=tuple(beats),
        downbeats_sec=tuple(beats[lead :: meter[0]]),
    )
    return rhythm, tuple(out)


def _period(onsets: np.ndarray) -> float:
    periods = np.geomspace(60 / 160, 60 / 70, 200)
    phase = np.exp(2j * np.pi * 4 * (onsets[:, None] - onsets[0]) / periods[None])
    return float(periods[np.argmax(phase.real.sum(0))])
