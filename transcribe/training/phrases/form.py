"""How a phrase fills its bars: note values, accents, and which bars come again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from transcribe.core.riff import Phrase
from transcribe.training.phrases.setting import Event, Setting

__all__ = ["accent", "by_form", "fill_beats"]

_FIGURES = (
    (1.0,),
    (0.5, 0.5),
    (0.5, 0.5),
    (0.25, 0.25, 0.5),
    (0.5, 0.25, 0.25),
    (0.25, 0.25, 0.25, 0.25),
    (0.75, 0.25),
    (1 / 3, 1 / 3, 1 / 3),
    (1.5, 0.5),
    (2.0,),
)


def fill_beats(s: Setting, length: float, *, dense: float) -> list[tuple[float, float]]:
    """(beat, length) pairs that fill ``length`` beats; ``dense`` 0 calm to 1 busy."""
    weight = np.array([2.0, 3.0, 2.0, 0.7, 0.7, 1.6, 0.7, 0.5, 0.8, 1.0])
    count = np.array([len(f) / sum(f) for f in _FIGURES])
    weight = weight * np.exp((dense - 0.5) * 1.6 * (count - 1.8))
    quickest = np.array([min(f) for f in _FIGURES]) * s.beat_sec
    weight = np.where(quickest < 0.085, 0.0, weight)
    out: list[tuple[float, float]] = []
    at = 0.0
    while at < length - 1e-6:
        figure = _FIGURES[int(s.rng.choice(len(_FIGURES), p=weight / weight.sum()))]
        for step in figure:
            if at >= length - 1e-6:
                break
            step = min(step, length - at)
            out.append((at, step))
            at += step
    return out


def accent(s: Setting, beat: float) -> float:
    """How hard a note at ``beat`` is struck, 0.15 to 1: harder on the beat."""
    base = 0.82 if abs(beat - round(beat)) < 1e-3 else 0.7
    return float(np.clip(base + s.rng.normal(0.0, s.dynamics), 0.15, 1.0))


def _form(s: Setting) -> list[tuple[str, float, float]]:
    """Phrases (label, start, end) over all bars; most repeat."""
    size = 2 if s.bars >= 4 and s.chance(0.7) else 1
    pattern = str(s.one_of(("AAAA", "AABA", "ABAB", "AABB", "ABAC", "AAB", "ABCD")))
    out = []
    for i, start in enumerate(range(0, s.bars, size)):
        label = pattern[i % len(pattern)]
        end = min(s.bars, start + size)
        out.append((label, float(start * s.meter[0]), float(end * s.meter[0])))
    return out


def by_form(s: Setting, write: Callable[[float], list[Event]]) -> None:
    """Write each label once and repeat it where it comes again, seldom varied."""
    written: dict[str, list[Event]] = {}
    for label, start, end in _form(s):
        if label not in written:
            written[label] = write(end - start)
        for event in written[label]:
            if event.beat < end - start - 1e-6 and not s.chance(0.02):
                s.events.append(_later(event, start))
        s.phrases.append(Phrase(label, start, end))


def _later(event: Event, shift: float) -> Event:
    """The event ``shift`` beats later."""
    return replace(event, beat=event.beat + shift)
