"""Chords: strummed, broken, power chords, and a bass with a line over it.

The chord shapes and ways of playing are common practice, no source.
"""

from __future__ import annotations

import numpy as np

from transcribe.training.phrases.form import accent, by_form, fill_beats
from transcribe.training.phrases.melodies import position_line
from transcribe.training.phrases.setting import RINGS, Event, Setting

__all__ = ["write_arpeggio", "write_mixed", "write_power", "write_strum"]

# Frets of strings 6 to 1 in standard tuning, x = not played.
_OPEN = (
    "x32010 320003 xx0232 022100 x02220 022000 x02210 xx0231 133211 x24442 320001 x32310 xx0212 "
    "020100 x02020 xx0211 x21202 022030 xx0233 x02230 x02200 320033 x32033 022400 x00232 xx2210"
)
# Movable shapes, root fret added: barre chords on strings 6 and 5, small chords on upper strings.
_BARRE = (
    "022100 022000 020100 020000 x02220 x02210 x02020 x02010 xxx211 xxx210 xx2210 xx0232 xx0121"
)


def _draw_shape(s: Setting) -> list[tuple[int, int]]:
    """A chord as (string, fret), string 6 first."""
    for _ in range(12):
        if s.chance(0.55):
            text, up = str(s.one_of(_OPEN.split())), 0
        else:
            text, up = str(s.one_of(_BARRE.split())), s.whole(1, 10)
        notes = [(6 - i, int(c) + up) for i, c in enumerate(text) if c != "x"]
        notes = [(string, fret) for string, fret in notes if s.fits(string, fret)]
        if len(notes) >= 3:
            return notes
    return [(string, 0) for string in range(6, 0, -1) if s.fits(string, 0)]


def _strum_stroke(
    s: Setting, chord: list[tuple[int, int]], beat: float, length: float, *, up: bool
) -> list[Event]:
    """A strum over the strings of ``chord``: each string a little after the one before."""
    order = sorted(chord, key=lambda p: p[0], reverse=not up)
    if up and len(order) > 3:
        order = order[: s.whole(2, len(order))]
    elif len(order) > 4 and s.chance(0.25):
        order = order[s.whole(0, 2) :] if s.chance(0.5) else order[: -s.whole(1, 2)]
    whole = float(s.rng.uniform(0.008, 0.04)) if s.chance(0.9) else float(s.rng.uniform(0.04, 0.09))
    step = whole / max(1, len(order) - 1)
    base = accent(s, beat) * (0.8 if up else 1.0)
    out = []
    at = 0.0
    for string, fret in order:
        velocity = float(np.clip(base + s.rng.normal(0.0, 0.1), 0.15, 1.0))
        out.append(Event(beat, length, string, fret, velocity=velocity, delay_sec=at))
        at += step * float(s.rng.uniform(0.6, 1.4))
    return out


def write_strum(s: Setting) -> None:
    """Chords strummed to one grid of down and up strokes, some of them dead."""
    chords = [_draw_shape(s) for _ in range(s.whole(2, 4))]
    grids = (
        "D.D.D.D.",
        "D.DU.UDU",
        "D.D.DUDU",
        "D.......",
        "D...D...",
        "D.DUD.DU",
        "DUDUDUDU",
        "D..UD..U",
        "D.xUD.xU",
    )
    grid = str(s.one_of(grids))
    per_chord = float(s.meter[0]) if s.chance(0.7) else s.meter[0] / 2
    stop = s.chance(0.15)
    pace = 0.5
    while pace * s.beat_sec < 0.12:
        pace *= 2.0

    def write(length: float) -> list[Event]:
        out = []
        first = s.whole(0, len(chords) - 1) if s.chance(0.3) else 0
        for i, beat in enumerate(np.arange(0.0, length - 1e-6, pace)):
            mark = grid[i % len(grid)]
            if mark == "." or (mark != "D" and s.chance(0.05)):
                continue
            chord = chords[(first + int(beat / per_chord)) % len(chords)]
            stroke = _strum_stroke(s, chord, float(beat), 0.4 if stop else RINGS, up=mark == "U")
            if mark == "x":
                for event in stroke:
                    event.articulation, event.length = "dead", 0.2
            out += stroke
        return out

    by_form(s, write)


def write_arpeggio(s: Setting) -> None:
    """Chords broken note by note, ringing on: upward, up and down, by a pattern, with a pinch."""
    chords = [_draw_shape(s) for _ in range(s.whole(2, 4))]
    step = s.step(float(s.rng.choice((0.25, 0.5, 0.5, 1 / 3))))
    pattern = [s.whole(0, 5) for _ in range(s.whole(4, 8))]
    manner = str(s.one_of(("up", "up-down", "pattern", "pinch")))

    def write(length: float) -> list[Event]:
        out: list[Event] = []
        for i, beat in enumerate(np.arange(0.0, length - 1e-6, step)):
            chord = chords[int(beat / s.meter[0]) % len(chords)]
            n = len(chord)
            if manner == "up":
                at = i % n
            elif manner == "up-down":
                turn = i % max(1, 2 * n - 2)
                at = turn if turn < n else 2 * n - 2 - turn
            else:
                at = pattern[i % len(pattern)] % n
            string, fret = chord[at]
            if s.chance(0.05):
                continue
            b = float(beat)
            out.append(Event(b, RINGS, string, fret, velocity=accent(s, b)))
            if manner == "pinch" and i % len(pattern) == 0 and at != 0:
                string, fret = chord[0]
                out.append(Event(b, RINGS, string, fret, velocity=accent(s, b)))
        return out

    by_form(s, write)


def write_power(s: Setting) -> None:
    """Roots with their fifths, at times damped by the palm."""
    three = s.chance(0.5)
    palm = s.chance(0.35)
    roots = [(int(s.rng.choice((6, 6, 5, 5, 4))), s.whole(0, 9)) for _ in range(s.whole(2, 5))]

    def write(length: float) -> list[Event]:
        out = []
        for beat, size in fill_beats(s, length, dense=float(s.rng.uniform(0.2, 0.9))):
            string, fret = roots[int(s.rng.integers(len(roots)))]
            chord = [(string, fret), (string - 1, fret + 2)]
            if three:
                chord.append((string - 2, fret + 2 + (1 if string == 4 else 0)))
            chord = [p for p in chord if s.fits(*p)]
            muted = palm and s.chance(0.5)
            dead = s.chance(0.06)
            for event in _strum_stroke(s, chord, beat, size * (0.7 if muted else 1.0), up=False):
                event.muted = muted
                event.delay_sec *= 0.6
                if dead:
                    event.articulation, event.length = "dead", 0.2
                out.append(event)
        return out

    by_form(s, write)


def write_mixed(s: Setting) -> None:
    """A bass note and a line over it, as fingers play; or chords between lines."""

    def write(length: float) -> list[Event]:
        out = [e for e in position_line(s, length) if e.string <= 4]
        every = float(s.rng.choice((1.0, 2.0, 2.0, 4.0)))
        for i, beat in enumerate(np.arange(0.0, length - 1e-6, every)):
            if s.chance(0.15):
                chord = _draw_shape(s)
                out += _strum_stroke(s, chord, float(beat), RINGS, up=False)
                continue
            string = (6, 5, 4)[i % 2 if s.chance(0.8) else 2]
            options = [
                f for f in range(0, 5) if s.fits(string, f) and s.in_scale(s.pitch(string, f))
            ]
            if options:
                fret = options[s.whole(0, len(options) - 1)]
                velocity = accent(s, float(beat))
                out.append(Event(float(beat), RINGS, string, fret, velocity=velocity))
        return out

    by_form(s, write)
