"""A recorded session of a lesson, put together: parts that are played, and talk between them.

A session is a list of stretches, each of them a playing of a part or a pause, with talk or
without. `lay` puts them one after another on one track and keeps where each begins and ends.

Conventions: sound as float32 mono at `transcribe.training.banks.SR`; times in seconds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from transcribe.training.banks import SR
from transcribe.training.rough import Rough, roughen
from transcribe.training.speech import Voice, spoken

__all__ = ["Laid", "Pause", "Playing", "lay"]

Array = npt.NDArray[Any]

_EDGE_SEC = 0.25  # of silence between a pause and the talk in it
_FADE_SEC = 0.02


@dataclass(frozen=True, slots=True)
class Pause:
    """``length_sec`` in which nobody plays; somebody talks where ``talk`` is set."""

    length_sec: float
    talk: bool = True


@dataclass(frozen=True, slots=True, eq=False)
class Playing:
    """A playing of the part called ``part``: its sound, and its first onset and last end in it."""

    part: str
    y: Array
    first_sec: float
    last_sec: float


@dataclass(frozen=True, slots=True)
class Laid:
    """Where a playing lies in the session; ``offset_sec`` is where its own second 0 does."""

    part: str
    start_sec: float
    end_sec: float
    offset_sec: float


def lay(
    items: Sequence[Pause | Playing],
    *,
    voice: Voice,
    rough: Rough,
    rng: np.random.Generator,
    talk_db: float = -3.0,
) -> tuple[Array, tuple[Laid, ...], tuple[tuple[float, float], ...]]:
    """The session as sound, where each playing lies in it, and where somebody talks.

    ``talk_db`` is the level of the talk against the playing, both as root mean square.
    """
    levels = [float(np.sqrt(np.mean(item.y**2))) for item in items if isinstance(item, Playing)]
    loud = float(np.median(levels)) if levels else 0.1
    pieces: list[Array] = []
    laid: list[Laid] = []
    talk: list[tuple[float, float]] = []
    at = 0
    for item in items:
        if isinstance(item, Playing):
            piece = np.array(item.y, np.float32)
            fade = round(_FADE_SEC * SR)
            piece[-fade:] *= np.linspace(1.0, 0.0, fade, dtype=np.float32)
            start = at / SR
            laid.append(Laid(item.part, start + item.first_sec, start + item.last_sec, start))
        else:
            piece = np.zeros(round(item.length_sec * SR), np.float32)
            edge = round(_EDGE_SEC * SR)
            if item.talk and len(piece) > 4 * edge:
                gain = np.float32(loud * 10.0 ** (talk_db / 20.0))
                piece[edge:-edge] = gain * spoken(rng, len(piece) - 2 * edge, voice)
                talk.append((at / SR + _EDGE_SEC, (at + len(piece)) / SR - _EDGE_SEC))
        pieces.append(piece)
        at += len(piece)
    return roughen(np.concatenate(pieces), rough, rng), tuple(laid), tuple(talk)
