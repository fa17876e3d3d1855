"""Small riffs made to be heard: a scale, the loop of chords, one way to play a chord."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any

from transcribe.core.errors import ParameterError
from transcribe.core.pitch import pitch_class
from transcribe.core.riff import Instrument, Note, Riff

__all__ = ["example", "loop_round"]

_STRUM_SEC = 0.022


def example(riff: Riff, *, what: str, frets: Any = None) -> Riff:
    """A riff to be rendered, on the instrument of ``riff``.

    Parameters
    ----------
    what : "scale", "loop" or "chord"
    frets : list of int or None per string, string 1 first, for "chord"

    Raises
    ------
    ParameterError
        If the riff has no mode or loop to play, or the frets are not one per string.
    """
    theory = riff.theory or {}
    if what == "scale":
        notes = _scale(theory.get("mode") or {}, riff.instrument)
    elif what == "loop":
        notes, span = loop_round(riff)
        notes += [_later(note, span) for note in notes]
    elif what == "chord":
        notes = _strum(_checked(frets, riff.instrument), riff.instrument, 0.0, 2.5)
    else:
        raise ParameterError(f"there is nothing called {what!r} to hear")
    numbered = tuple(dataclasses.replace(note, id=k + 1) for k, note in enumerate(notes))
    return Riff(instrument=riff.instrument, notes=numbered)


def _scale(mode: Any, instrument: Instrument) -> list[Note]:
    """Up and down one octave from the lowest tonic that leaves room for it."""
    names = mode.get("notes") or []
    if not names:
        raise ParameterError("no mode was found in this riff, so there is no scale to hear")
    classes = [pitch_class(str(name)) for name in names]
    low = min(instrument.open_midi) + instrument.capo
    first = low + (classes[0] - low) % 12
    up = [first + (pc - classes[0]) % 12 for pc in classes] + [first + 12]
    sounded = []
    for k, pitch in enumerate([*up, *up[-2::-1]]):
        places = instrument.places(pitch)
        if not places:
            raise ParameterError("this instrument is too short for an octave of the scale")
        string, fret = min(places, key=lambda place: place[1])
        length = 0.9 if k == 2 * len(up) - 2 else 0.38
        sounded.append(Note(k, 0.38 * k, 0.38 * k + length, pitch, string=string, fret=fret))
    return sounded


def _later(note: Note, sec: float) -> Note:
    return dataclasses.replace(
        note, onset_sec=note.onset_sec + sec, offset_sec=note.offset_sec + sec
    )


def loop_round(riff: Riff) -> tuple[list[Note], float]:
    """Once through the chord loop of ``riff``, a strum on every beat, and its length in seconds.

    The tempo is that of the riff, the grips are the usual ones of its theory.

    Raises
    ------
    ParameterError
        If the riff has no loop that can be strummed.
    """
    theory = riff.theory or {}
    loop = theory.get("loop") or {}
    shapes = {way.get("symbol"): way for way in theory.get("ways") or ()}
    bars = loop.get("by_bar") or [[symbol] for symbol in loop.get("symbols") or ()]
    beats, unit = riff.rhythm.meter if riff.rhythm else (4, 4)
    beat_sec = 60.0 / riff.rhythm.bpm if riff.rhythm else 0.6
    notes: list[Note] = []
    start = 0.0
    for bar in bars:
        for symbol in bar:
            span = beats * beat_sec / len(bar)
            way = shapes.get(symbol) or {}
            found = next(
                (way[level] for level in ("plain", "easier", "heavier") if way.get(level)), None
            )
            if found is not None:
                strokes = max(1, round(span / (beat_sec * (2 if unit >= 8 else 1))))
                for k in range(strokes):
                    at = start + k * span / strokes
                    frets = _checked(found[0].get("frets"), riff.instrument)
                    notes += _strum(frets, riff.instrument, at, span / strokes)
            start += span
    if not notes:
        raise ParameterError("no loop was found in this riff that can be strummed")
    return notes, start


def _strum(
    frets: Sequence[int | None], instrument: Instrument, start_sec: float, length_sec: float
) -> list[Note]:
    sounded = [
        (string, fret)
        for string, fret in enumerate(frets, start=1)
        if fret is not None and fret >= 0
    ]
    notes = []
    for k, (string, fret) in enumerate(reversed(sounded)):
        onset = start_sec + k * _STRUM_SEC
        pitch = instrument.pitch_midi(string, fret)
        notes.append(Note(0, onset, start_sec + length_sec, pitch, string=string, fret=fret))
    return notes


def _checked(frets: Any, instrument: Instrument) -> list[int | None]:
    good = isinstance(frets, list | tuple) and len(frets) == len(instrument.open_midi)
    if not good or not all(
        fret is None or (isinstance(fret, int) and -1 <= fret <= instrument.top_fret)
        for fret in frets
    ):
        raise ParameterError("a chord needs one fret, or none, for each string")
    return list(frets)
