"""An open string under a melody, and two strings or one alone: what overtones make hard to hear."""

from __future__ import annotations

import numpy as np

from transcribe.training.phrases.form import accent, by_form, fill_beats
from transcribe.training.phrases.melodies import string_line
from transcribe.training.phrases.setting import RINGS, Event, Setting

__all__ = ["write_drone", "write_low", "write_octaves"]


def write_drone(s: Setting) -> None:
    """An open string under (or over) a melody on its neighbour."""
    drone = s.drone_string
    assert drone is not None
    melody = drone - 1 if drone > 1 and (drone == 6 or s.chance(0.75)) else drone + 1
    manner = str(s.one_of(("together", "pulse", "alternating", "let ring", "together")))
    pulse = float(s.rng.choice((0.5, 1.0, 1.0, 2.0)))
    struck = float(s.rng.uniform(0.4, 1.0))
    second = drone + (1 if drone > melody else -1)
    both = 1 <= second <= 6 and s.chance(0.15)
    loud = float(s.rng.uniform(0.6, 1.1))
    ring = s.chance(0.15)
    drone_first = drone > melody
    apart = float(s.rng.uniform(0.0, 0.02))

    def strike(beat: float, delay: float = 0.0) -> list[Event]:
        velocity = min(1.0, accent(s, beat) * loud)
        out = [Event(beat, RINGS, drone, 0, velocity=velocity, delay_sec=delay)]
        if both:
            out.append(Event(beat, RINGS, second, 0, velocity=velocity * 0.9, delay_sec=delay))
        return out

    def write(length: float) -> list[Event]:
        dense = float(s.rng.uniform(0.1, 0.8))
        out: list[Event] = []
        if manner == "alternating":
            step = s.step(float(s.rng.choice((0.25, 0.5, 0.5))))
            line = string_line(s, melody, length, 0.3)
            run = [e.fret for e in line] or [0]
            order = s.chance(0.5)
            for i, beat in enumerate(np.arange(0.0, length - 1e-6, step)):
                if (i % 2 == 0) == order:
                    out += strike(float(beat))
                elif not s.chance(0.08):
                    fret = run[(i // 2) % len(run)]
                    size = RINGS if ring else 2 * step
                    out.append(
                        Event(float(beat), size, melody, fret, velocity=accent(s, float(beat)))
                    )
            return out
        line = string_line(s, melody, length, dense)
        at = set()
        if manner in ("pulse", "let ring"):
            every = pulse if manner == "pulse" else float(s.meter[0])
            at = {round(float(b), 4) for b in np.arange(0.0, length - 1e-6, every)}
        else:
            for event in line:
                picked = event.articulation not in ("hammer-on", "pull-off", "slide")
                if picked and (event.beat == 0 or s.chance(struck)):
                    at.add(round(event.beat, 4))
        for beat in sorted(at):
            out += strike(beat, 0.0 if drone_first else apart)
        for event in line:
            together = round(event.beat, 4) in at
            event.delay_sec = apart if together and drone_first else 0.0
            if ring and event.articulation == "picked":
                event.length = max(event.length, 1.0)
            out.append(event)
        return out

    by_form(s, write)


_PAIRS = (12, 12, 7, 19, 24, 5, 4, 3, 9, 8, 12, 19)


def write_octaves(s: Setting) -> None:
    """Two strings struck together: octaves, fifths, twelfths, double octaves, thirds, sixths."""
    interval = _PAIRS[int(s.rng.integers(len(_PAIRS)))]
    mixed = s.chance(0.4)

    def write(length: float) -> list[Event]:
        out: list[Event] = []
        for beat, size in fill_beats(s, length, dense=float(s.rng.uniform(0.1, 0.7))):
            gap = _PAIRS[int(s.rng.integers(len(_PAIRS)))] if mixed else interval
            pairs = []
            for low in range(6, 1, -1):
                fret = s.whole(0, 12)
                if not s.fits(low, fret):
                    continue
                pitch = s.pitch(low, fret)
                for high in range(low - 1, 0, -1):
                    other = s.instrument.fret_of(high, pitch + gap)
                    if other is None or not s.fits(high, other):
                        continue
                    if fret == 0 or other == 0 or abs(other - fret) <= 4:
                        pairs.append((low, fret, high, other))
            if not pairs:
                continue
            low, fret, high, other = pairs[int(s.rng.integers(len(pairs)))]
            hold = RINGS if s.chance(0.3) else size
            apart = float(s.rng.uniform(0.0, 0.012))
            # At times only the low note is struck: its own overtones must not count as notes.
            alone = s.chance(0.3)
            out.append(Event(beat, hold, low, fret, velocity=accent(s, beat)))
            if not alone:
                velocity = accent(s, beat) * float(s.rng.uniform(0.4, 1.0))
                out.append(Event(beat, hold, high, other, velocity=velocity, delay_sec=apart))
        return out

    by_form(s, write)


def write_low(s: Setting) -> None:
    """Lone low notes that ring long, with strong overtones and nothing above them."""

    def write(length: float) -> list[Event]:
        out = []
        for beat, size in fill_beats(s, length, dense=float(s.rng.uniform(0.0, 0.4))):
            string = int(s.rng.choice((6, 6, 5, 5, 4)))
            fret = 0 if s.chance(0.4) else s.whole(0, 7)
            if not s.fits(string, fret):
                continue
            hold = RINGS if s.chance(0.4) else size
            out.append(Event(beat, hold, string, fret, velocity=accent(s, beat)))
        return out

    by_form(s, write)
