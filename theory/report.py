"""Everything that theory says about one riff, in one object.

Conventions: times in seconds, string 1 is the highest-sounding string, frets count from the capo.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from theory.arrays import as_beats, as_notes
from theory.chords import ChordSpan, find_chords
from theory.errors import TheoryError
from theory.loop import Loop, find_loop
from theory.modes import Mode, find_mode
from theory.neck import NeckNote, neck_svg, neck_text, scale_in_position, scale_on_string
from theory.pedals import pedals
from theory.reasons import mode_text, sureness
from theory.scales import tonic_name
from theory.ways import Ways, ways_text, ways_to_play

__all__ = ["Report", "report"]

_DRAWN = 15  # frets of the string that carries the mode: an octave and a third


@dataclass(frozen=True, slots=True)
class Report:
    """Mode, chords, loop and the ways to play the loop.

    ``mode`` is None where no note sounds, or only one whatever the octave: then ``only_note`` is
    its name.
    """

    mode: Mode | None
    chords: tuple[ChordSpan, ...]
    loop: Loop | None
    ways: tuple[Ways, ...]
    open_midi: tuple[int, ...]
    capo: int
    drone_midi: tuple[int, ...]
    scale_on_string: tuple[NeckNote, ...] = ()
    scale_in_position: tuple[NeckNote, ...] = ()
    drone_string: int | None = None
    only_note: str = ""

    def as_document(self) -> dict[str, Any]:
        """The ``theory`` section of the riff document, as plain JSON values."""
        return {
            "mode": None if self.mode is None else _mode_document(self.mode),
            "chords": [_chord_document(span) for span in self.chords],
            "loop": None if self.loop is None else _loop_document(self.loop),
            "ways": [way.as_document() for way in self.ways],
            "scale": {
                "on_string": [_neck_document(n) for n in self.scale_on_string],
                "in_position": [_neck_document(n) for n in self.scale_in_position],
            },
        }

    def text(self) -> str:
        """The report as plain text."""
        if self.mode is None and self.only_note:
            return f"One note only ({self.only_note}): no mode can be told."
        if self.mode is None:
            return "No notes, so no mode and no chords."
        parts = [mode_text(self.mode)]
        if self.chords:
            parts.append(_chords_text(self.chords))
        if self.loop is not None:
            parts.append(_loop_text(self.loop))
        if self.scale_on_string:
            parts.append(self.scale_text())
        if self.ways:
            parts.append(ways_text(self.ways))
        return "\n\n".join(parts)

    def scale_text(self) -> str:
        """The mode on one string (over the drone, where there is one) and in one position."""
        if self.mode is None or not self.scale_on_string:
            return ""
        over = "" if self.drone_string is None else f" over the open string {self.drone_string}"
        string = self.scale_on_string[0].string
        return "\n".join(
            (
                f"{self.mode} along string {string}{over}:",
                neck_text(self.scale_on_string, drone_string=self.drone_string),
                "",
                f"{self.mode} in one position:",
                neck_text(self.scale_in_position),
            )
        )

    def scale_svg(self) -> tuple[str, ...]:
        """The same two pictures as SVG; none where there is no mode."""
        if self.mode is None or not self.scale_on_string:
            return ()
        title = f"{self.mode} on one string"
        return (
            neck_svg(self.scale_on_string, title=title, drone_string=self.drone_string),
            neck_svg(self.scale_in_position, title=f"{self.mode} in one position"),
        )


def report(
    *,
    onset_sec: Iterable[float],
    duration_sec: Iterable[float],
    pitch_midi: Iterable[float],
    beats_sec: Iterable[float] | None = None,
    downbeats_sec: Iterable[float] | None = None,
    meter: tuple[int, int] | None = None,
    drone_midi: Iterable[int] | int | None = None,
    open_midi: Iterable[int] = (64, 59, 55, 50, 45, 40),
    capo: int = 0,
    frets: int = 22,
    scale_length_mm: float = 648.0,
    hand_span_mm: float = 98.0,
    melody_string: int | None = None,
    loudness_db: Iterable[float] | None = None,
    confidence: Iterable[float] | None = None,
) -> Report:
    """Mode, chords, loop and ways to play, from note arrays.

    Parameters
    ----------
    onset_sec, duration_sec, pitch_midi : shape (n,)
    beats_sec, downbeats_sec : rising, optional
        Without beats a chord may begin at any stroke; without downbeats, bars are counted from
        the first beat by ``meter``.
    meter : (beats in a bar, unit), optional
    drone_midi : int or list of int, optional
        Else a low note that comes back throughout under a line (`theory.pedals.pedals`).
    open_midi : open strings without the capo, string 1 first
    melody_string : string that carries the melody over the drone, optional
        Else the next higher string beside the drone, or string 1 where nothing rings.
    loudness_db : shape (n,), optional
        Notes far below the loudest count less.
    confidence : shape (n,), 0-1, optional

    Raises
    ------
    TheoryError
        If an argument is malformed.
    """
    onset, duration, pitch = list(onset_sec), list(duration_sec), list(pitch_midi)
    weight = _weight(len(onset), loudness_db, confidence)
    notes = as_notes(onset, duration, pitch, weight)
    strings = tuple(int(p) for p in open_midi)
    drones = _as_tuple(drone_midi) or pedals(notes)
    if len(notes) == 0:
        return Report(None, (), None, (), strings, capo, drones)
    flats = _tuned_to_flats(strings)
    classes = {int(p) % 12 for p in notes.pitch} | {d % 12 for d in drones}
    if len(classes) == 1:
        only = tonic_name(classes.pop(), "ionian", flats=flats)
        return Report(None, (), None, (), strings, capo, drones, only_note=only)
    beats, downbeats = _grid(notes.onset, notes.end, beats_sec, downbeats_sec, meter)
    mode = find_mode(
        onset_sec=onset,
        duration_sec=duration,
        pitch_midi=pitch,
        drone_midi=drones,
        downbeats_sec=downbeats,
        confidence=weight,
        flats=flats,
    )
    chords = find_chords(
        onset_sec=onset,
        duration_sec=duration,
        pitch_midi=pitch,
        beats_sec=beats,
        downbeats_sec=downbeats,
        mode=mode,
        drone_midi=drones,
        confidence=weight,
    )
    loop = find_loop(chords, downbeats_sec=downbeats, mode=mode)
    drone_string = _string_of(drones, strings, capo)
    melody = melody_string or _beside(drone_string, len(strings))
    ways = (
        ()
        if loop is None
        else ways_to_play(
            loop.symbols,
            open_midi=strings,
            capo=capo,
            frets=frets,
            scale_length_mm=scale_length_mm,
            hand_span_mm=hand_span_mm,
            drone_string=drone_string,
            melody_string=None if drone_string is None else melody,
        )
    )
    neck: dict[str, Any] = {"open_midi": strings, "capo": capo}
    return Report(
        mode,
        chords,
        loop,
        ways,
        strings,
        capo,
        drones,
        scale_on_string(mode, string=melody, frets=min(frets, capo + _DRAWN), **neck),
        scale_in_position(mode, scale_length_mm=scale_length_mm, hand_span_mm=hand_span_mm, **neck),
        drone_string,
    )


def _tuned_to_flats(open_midi: Sequence[int]) -> bool:
    """Whether most open strings are black keys, as when a guitar is tuned down half a step."""
    return 2 * sum(p % 12 in (1, 3, 6, 8, 10) for p in open_midi) > len(open_midi)


def _beside(drone_string: int | None, strings: int) -> int:
    """The melody's string: next above the drone, next below where the drone is string 1."""
    if drone_string is None:
        return 1
    return drone_string - 1 if drone_string > 1 else min(2, strings)


def _as_tuple(value: Iterable[int] | int | None) -> tuple[int, ...]:
    if value is None:
        return ()
    if isinstance(value, int | np.integer):
        return (int(value),)
    return tuple(int(v) for v in value)


def _weight(
    n: int, loudness_db: Iterable[float] | None, confidence: Iterable[float] | None
) -> list[float]:
    weight = np.ones(n) if confidence is None else np.array(list(confidence), dtype=float)
    if loudness_db is None:
        return [float(w) for w in weight]
    loud = np.array([np.nan if v is None else v for v in loudness_db], dtype=float)
    if loud.size != n or weight.size != n:
        raise TheoryError(f"loudness_db holds {loud.size} numbers for {n} notes; give one per note")
    if not np.isfinite(loud).any():
        return [float(w) for w in weight]
    below = np.nan_to_num(np.nanmax(loud) - loud, nan=0.0)
    # A note 20 dB under the loudest is half as much worth; none is ever worth nothing.
    return [float(w) for w in weight * np.clip(1.0 - below / 40.0, 0.2, 1.0)]


def _grid(
    onset: np.ndarray,
    end: np.ndarray,
    beats_sec: Iterable[float] | None,
    downbeats_sec: Iterable[float] | None,
    meter: tuple[int, int] | None,
) -> tuple[list[float], list[float] | None]:
    """Beats and downbeats; without beats, every stroke may begin a chord."""
    beats = as_beats(beats_sec, "beats_sec")
    downbeats = as_beats(downbeats_sec, "downbeats_sec")
    if beats is None:
        strokes = onset[np.diff(onset, prepend=-np.inf) > 0.06]
        beats = strokes if downbeats is None else np.unique(np.concatenate((strokes, downbeats)))
    elif downbeats is None and meter is not None and beats.size:
        downbeats = beats[:: meter[0]]
    return [float(b) for b in beats], None if downbeats is None else [float(d) for d in downbeats]


def _string_of(drones: Sequence[int], strings: tuple[int, ...], capo: int) -> int | None:
    """The open string that sounds the lowest drone; None where none does."""
    for drone in sorted(drones):
        if drone - capo in strings:
            return strings.index(drone - capo) + 1
    return None


def _mode_document(mode: Mode) -> dict[str, Any]:
    return {
        "tonic": mode.tonic,
        "name": mode.name,
        "confidence": round(mode.confidence, 4),
        "sureness": sureness(mode.confidence),
        "parent": mode.parent,
        "notes": list(mode.notes),
        "evidence": [*mode.evidence, *mode.deciding],
        "deciding": list(mode.deciding),
        "undecided": list(mode.undecided),
        "degrees": [
            {
                "degree": d.label,
                "note": d.note,
                "count": d.count,
                "share": round(d.share, 4),
                "role": d.role,
            }
            for d in mode.degrees
        ],
        "runners_up": [
            {"tonic": c.tonic, "name": c.name, "confidence": round(c.probability, 4)}
            for c in mode.runners_up
        ],
    }


def _chord_document(span: ChordSpan) -> dict[str, Any]:
    out: dict[str, Any] = {
        "start_sec": round(span.start_sec, 4),
        "end_sec": round(span.end_sec, 4),
        "symbol": span.symbol,
        "roman": span.roman,
        "confidence": round(span.confidence, 4),
    }
    if span.implied:
        out["implied"] = True
    if span.pedal is not None:
        out["pedal"] = span.pedal
    if span.borrowed is not None:
        out["borrowed"] = span.borrowed
    return out


def _neck_document(note: NeckNote) -> dict[str, Any]:
    return {
        "string": note.string,
        "fret": note.fret,
        "note": note.note,
        "degree": note.degree,
        "mark": note.mark,
    }


def _loop_document(loop: Loop) -> dict[str, Any]:
    return {
        "symbols": list(loop.symbols),
        "romans": list(loop.romans),
        "bars": loop.bars,
        "by_bar": [list(bar) for bar in loop.by_bar],
        "times": loop.times,
        "departures": [{"bar": bar, "symbols": list(s)} for bar, s in loop.departures],
        "plain": list(loop.plain),
        "plain_romans": list(loop.plain_romans),
    }


def _chords_text(chords: Sequence[ChordSpan]) -> str:
    lines = ["Chords:"]
    for span in chords:
        notes = []
        if span.implied:
            notes.append("implied")
        if span.pedal:
            notes.append(f"over the {span.pedal} drone")
        if span.borrowed:
            notes.append(span.borrowed)
        remark = f"  ({', '.join(notes)})" if notes else ""
        lines.append(
            f"  {span.start_sec:6.2f}-{span.end_sec:.2f} s  {span.symbol:8} {span.roman}{remark}"
        )
    return "\n".join(lines)


def _loop_text(loop: Loop) -> str:
    if len(loop.symbols) == 1 and not loop.departures:
        return f"One chord throughout: {loop.symbols[0]}" + (
            f" ({loop.romans[0]})" if loop.romans[0] else ""
        )
    bars = "1 bar" if loop.bars == 1 else f"{loop.bars} bars"
    lines = [f"Loop of {bars}: | {' | '.join(' '.join(bar) for bar in loop.by_bar)} |"]
    if any(loop.romans):
        lines.append(f"  {' - '.join(loop.romans)}")
    if loop.times > 1:
        lines.append(f"  It comes round {loop.times:g} times.")
    else:
        lines.append("  It is played once; whether it comes round is not heard.")
    for bar, symbols in loop.departures:
        lines.append(f"  Bar {bar} departs from it: {' '.join(symbols)}.")
    if loop.plain != loop.symbols:
        lines.append(f"  Plain version to sing along: {' - '.join(loop.plain)}")
    return "\n".join(lines)
