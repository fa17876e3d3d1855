"""From beats to seconds: a wavering tempo, a scattering hand, a string that sounds one note."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from transcribe.training.phrases.setting import RINGS, Event, PlayedNote, Setting

__all__ = ["play", "tempo_curve"]


def tempo_curve(s: Setting, bpm: float, start_sec: float, beats: int) -> np.ndarray:
    """Seconds of beats 0 to ``beats``, shape ``(beats + 1,)``: it drifts and wavers."""
    drift = float(s.rng.normal(0.0, 0.0012))
    waver = float(s.rng.uniform(0.0, 0.02))
    n = np.arange(beats)
    tempo = np.exp(drift * n + np.cumsum(s.rng.normal(0.0, waver / 6, beats)))
    length = 60.0 / bpm / np.clip(tempo, 0.8, 1.25)
    return np.concatenate([[start_sec], start_sec + np.cumsum(length)])


def _bend(s: Setting, hold_sec: float) -> tuple[float, tuple[tuple[float, float], ...]]:
    """Size in cents and curve (seconds after the onset, cents) of a bend."""
    size = float(s.rng.choice((50.0, 100.0, 100.0, 200.0, 200.0, 300.0)))
    size *= float(s.rng.uniform(0.9, 1.05))
    wait = float(s.rng.uniform(0.0, 0.35)) * hold_sec
    rise = min(float(s.rng.uniform(0.06, 0.3)), 0.55 * hold_sec)
    points = [(0.0, 0.0), (wait, 0.0), (wait + rise, size)]
    if s.chance(0.3) and hold_sec > wait + rise + 0.25:
        back = float(s.rng.uniform(0.1, 0.25))
        top = min(hold_sec - back, wait + rise + float(s.rng.uniform(0.1, 0.4)))
        points += [(top, size), (top + back, 0.0)]
    return size, tuple(points)


def play(s: Setting, beats_sec: np.ndarray, swing: float, duration_sec: float) -> list[PlayedNote]:
    """Events as played notes: jitter, one note per string, legato bound to its source.

    ``beats_sec`` holds the seconds of beats 0, 1, ...; ``swing`` (0 to 1) lengthens the first half
    of each beat by that share; what begins in the last 0.12 s of ``duration_sec`` is left out.
    """
    grid = np.arange(len(beats_sec))
    jitter = float(s.rng.uniform(0.001, 0.014))

    def seconds(beat: float) -> float:
        whole = np.floor(beat + 1e-9)
        part = beat - whole
        if swing > 0 and abs(part * 4 - round(part * 4)) < 1e-3:
            part = (
                part * (1 + swing)
                if part <= 0.5
                else 0.5 * (1 + swing) + (part - 0.5) * (1 - swing)
            )
        return float(np.interp(whole + part, grid, beats_sec))

    hand = {}  # notes struck together share the jitter of the hand
    timed: list[tuple[float, float, Event]] = []
    for event in sorted(s.events, key=lambda e: (e.beat, e.delay_sec)):
        key = round(event.beat, 4)
        if key not in hand:
            hand[key] = float(np.clip(s.rng.normal(0.0, jitter), -0.03, 0.03))
        onset = seconds(event.beat) + hand[key] + event.delay_sec
        end = np.inf if event.length == RINGS else seconds(event.beat + event.length)
        timed.append((max(onset, 0.02), float(end), event))
    timed.sort(key=lambda t: t[0])
    last_on: dict[int, int] = {}
    notes: list[PlayedNote] = []
    for onset, end, event in timed:
        if onset > duration_sec - 0.12:
            continue
        previous = last_on.get(event.string)
        if previous is not None and onset - notes[previous].onset_sec < 0.045:
            continue  # nobody strikes one string twice within 45 ms
        articulation = event.articulation
        source = None
        if articulation in ("hammer-on", "pull-off", "slide"):
            ok = (
                previous is not None
                and notes[previous].fret != event.fret
                and notes[previous].articulation not in ("dead", "harmonic")
            )
            if ok and previous is not None and notes[previous].offset_sec > onset - 0.08:
                source = previous
            else:
                articulation = "picked"
        if previous is not None and (notes[previous].offset_sec > onset or source is not None):
            notes[previous] = replace(notes[previous], offset_sec=onset)
        note = PlayedNote(
            onset,
            min(max(end, onset + 0.05), duration_sec),
            s.pitch(event.string, event.fret),
            event.string,
            event.fret,
            articulation,
            velocity=float(np.clip(event.velocity, 0.12, 1.0)),
            onset_beat=event.beat,
            duration_beat=None if event.length == RINGS else event.length,
            source=source,
            muted=event.muted,
        )
        last_on[event.string] = len(notes)
        notes.append(note)
    carried_by_slide = {n.source for n in notes if n.articulation == "slide"}
    for i, note in enumerate(notes):
        hold = note.offset_sec - note.onset_sec
        if note.articulation == "bend":
            if hold < 0.2 or i in carried_by_slide:
                notes[i] = replace(note, articulation="picked")
                continue
            size, curve = _bend(s, hold)
            notes[i] = replace(note, bend_cents=size, curve=curve)
        elif note.articulation == "vibrato":
            if hold < 0.35 or i in carried_by_slide:
                notes[i] = replace(note, articulation="picked")
                continue
            vibrato = (
                float(s.rng.uniform(4.0, 7.0)),
                float(s.rng.uniform(12.0, 45.0)),
                float(s.rng.uniform(0.02, 0.25)),
            )
            notes[i] = replace(note, vibrato=vibrato)
        elif note.articulation == "dead":
            notes[i] = replace(note, offset_sec=min(note.offset_sec, note.onset_sec + 0.12))
    return notes
