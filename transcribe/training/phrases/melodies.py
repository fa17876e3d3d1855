"""Melodies: lines in one position or along one string, legato runs, harmonics."""

from __future__ import annotations

import itertools
from dataclasses import replace

from transcribe.training.phrases.form import accent, by_form, fill_beats
from transcribe.training.phrases.setting import RINGS, Event, Setting

__all__ = ["position_line", "string_line", "write_harmonics", "write_legato", "write_lines"]


def _walk(s: Setting, count: int, size: int, start: int) -> list[int]:
    """Indices into a ladder of ``size`` steps, moving as melodies move: mostly by step."""
    at = min(max(start, 0), size - 1)
    out = []
    drift = int(s.rng.choice((-1, 1)))
    for _ in range(count):
        out.append(at)
        step = int(s.rng.choice((0, 1, 2, 3, 4), p=(0.1, 0.52, 0.2, 0.11, 0.07)))
        if s.chance(0.25):
            drift = -drift
        at += drift * step
        if not 0 <= at < size:
            drift = -drift
            at = min(max(at, 0), size - 1)
    return out


def _express(s: Setting, line: list[Event], legato: float) -> None:
    """Turn some notes of a line into legato, slides, bends and vibrato, where a hand can."""
    for a, b in itertools.pairwise(line):
        gap = b.beat - (a.beat + a.length)
        if a.string != b.string or gap > 0.01 or a.articulation in ("dead", "harmonic", "bend"):
            continue
        step = b.fret - a.fret
        if step == 0 or not s.chance(legato):
            continue
        kinds = []
        if 0 < step <= 4:
            kinds += ["hammer-on"] * 3
        if -4 <= step < 0:
            kinds += ["pull-off"] * 3
        if 0 < abs(step) <= 5 and a.fret > 0 and b.fret > 0:
            kinds += ["slide"] * 2
        if kinds:
            b.articulation = str(s.one_of(kinds))
            a.length = max(a.length, b.beat - a.beat)
    for event in line:
        if event.articulation != "picked" or event.fret < 2:
            continue
        if event.length >= 0.5 and s.chance(0.25 * s.expression):
            event.articulation = "bend"
        elif event.length >= 0.75 and s.chance(0.4 * s.expression):
            event.articulation = "vibrato"


def position_line(s: Setting, length: float) -> list[Event]:
    """A line in one position over neighbouring strings."""
    top = s.instrument.top_fret
    base = s.whole(0, min(14, top - 4))
    span = s.whole(3, 4)
    ladder = [
        (s.pitch(string, fret), string, fret)
        for string in range(1, 7)
        for fret in ([0] if base <= 3 else []) + list(range(max(base, 1), base + span + 1))
        if s.fits(string, fret) and s.in_scale(s.pitch(string, fret))
    ]
    ladder.sort()
    ladder = [p for i, p in enumerate(ladder) if i == 0 or p[0] != ladder[i - 1][0]]
    if not ladder:
        return []
    rhythm = fill_beats(s, length, dense=float(s.rng.uniform(0.2, 1.0)))
    path = _walk(s, len(rhythm), len(ladder), s.whole(0, len(ladder) - 1))
    rests = float(s.rng.uniform(0.0, 0.2))
    staccato = float(s.rng.uniform(0.5, 0.9)) if s.chance(0.15) else 1.0
    ring = s.chance(0.15)
    line = []
    for (beat, size), at in zip(rhythm, path, strict=True):
        if beat > 0 and s.chance(rests):
            continue
        _, string, fret = ladder[at]
        line.append(
            Event(beat, RINGS if ring else size * staccato, string, fret, velocity=accent(s, beat))
        )
    if not ring:
        _express(s, line, s.expression * float(s.rng.uniform(0.4, 1.0)))
    for event in line:
        if event.articulation == "picked" and s.chance(0.02):
            event.articulation = "dead"
    return line


def string_line(s: Setting, string: int, length: float, dense: float) -> list[Event]:
    """A line along one string."""
    top = min(s.instrument.top_fret, 17)
    ladder = [f for f in range(0, top + 1) if s.fits(string, f) and s.in_scale(s.pitch(string, f))]
    if not ladder:
        return []
    low = s.whole(0, max(0, len(ladder) - 5))
    ladder = ladder[low : low + s.whole(5, 9)]
    rhythm = fill_beats(s, length, dense=dense)
    path = _walk(s, len(rhythm), len(ladder), s.whole(0, len(ladder) - 1))
    rests = float(s.rng.uniform(0.0, 0.15))
    line = []
    for (beat, size), at in zip(rhythm, path, strict=True):
        if beat > 0 and s.chance(rests):
            continue
        line.append(Event(beat, size, string, ladder[at], velocity=accent(s, beat)))
    _express(s, line, s.expression * float(s.rng.uniform(0.2, 0.7)))
    return line


def write_lines(s: Setting) -> None:
    """Lines in one position."""
    by_form(s, lambda length: position_line(s, length))


def write_legato(s: Setting) -> None:
    """Runs where most notes carry on from the one before."""
    s.expression = float(s.rng.uniform(1.0, 2.0))

    def write(length: float) -> list[Event]:
        if s.chance(0.35):
            return position_line(s, length)
        line = string_line(s, s.whole(1, 6), length, float(s.rng.uniform(0.3, 0.9)))
        return _trills(s, line) if s.chance(0.3) else line

    by_form(s, write)


def _trills(s: Setting, line: list[Event]) -> list[Event]:
    """Some long notes broken into quick hammer-ons and pull-offs."""
    step = s.step(0.125)
    out = []
    for event in line:
        turns = int(event.length / step)
        if event.articulation != "picked" or not 3 <= turns <= 12 or not s.chance(0.5):
            out.append(event)
            continue
        above = event.fret + s.whole(1, 3)
        for i in range(turns):
            up = i % 2 == 1
            how = "picked" if i == 0 else "hammer-on" if up else "pull-off"
            out.append(
                replace(
                    event,
                    beat=event.beat + i * step,
                    length=step if i < turns - 1 else event.length - i * step,
                    fret=above if up else event.fret,
                    articulation=how,
                )
            )
    return [e for e in out if s.fits(e.string, e.fret)]


def write_harmonics(s: Setting) -> None:
    """Natural harmonics at frets 12, 7 and 5, among a line."""

    def write(length: float) -> list[Event]:
        out = position_line(s, length) if s.chance(0.4) else []
        for beat, _ in fill_beats(s, length, dense=0.1):
            string = s.whole(1, 6)
            # Touched at 12, 7 and 5 they sound as frets 12, 19 and 24 would.
            fret = int(s.rng.choice((12, 12, 12, 19, 19, 24)))
            if s.fits(string, fret):
                out.append(Event(beat, RINGS, string, fret, "harmonic", velocity=accent(s, beat)))
        return out

    by_form(s, write)
