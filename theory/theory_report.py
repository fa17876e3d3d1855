"""Everything that theory says about one riff, in one object.

Conventions: times in seconds, string 1 is the highest-sounding string, frets count from the capo.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Unpack

import numpy as np

from theory.arrays import STROKE_SEC, as_beats, as_drones, as_notes
from theory.chord_spans import ChordSpan, find_chords
from theory.drone_pitches import find_drone_pitches
from theory.json_values import json_fields
from theory.loop import Loop, find_loop
from theory.mode_finder import find_mode
from theory.mode_reasons import how_sure, mode_text, not_told, sureness
from theory.modes import Mode
from theory.neck import Neck, NeckOptions
from theory.report_text import Bars, chords_text, loop_line, loop_text, summary_text
from theory.scale_on_neck import NeckNote, neck_text, scale_in_position, scale_on_string
from theory.scales import tonic_name
from theory.voicing_levels import VoicingLevels, voicing_levels_text, voicings_by_level
from theory.written_chords import with_written_chords

__all__ = ["Report", "report"]

_NECK_NOTE = ("string", "fret", "note", "degree", "mark")  # what a document keeps of it
_DRAWN_FRETS = 15  # of the string that carries the mode: an octave and a third


@dataclass(frozen=True, slots=True)
class Report:
    """Mode, chords, loop and the shapes to play the loop with.

    ``voicings`` are the shapes of each chord of the loop. ``drone_midi`` are the pitches that ring
    throughout, on the open ``drone_string`` if there is one. ``scale_on_string`` and
    ``scale_in_position`` lay the mode on the neck, ``bars`` says where its bars lie.
    ``mode`` is None where no note sounds, or only one whatever the octave: then ``only_note`` is
    its name.
    """

    mode: Mode | None
    chords: tuple[ChordSpan, ...]
    loop: Loop | None
    voicings: tuple[VoicingLevels, ...]
    drone_midi: tuple[int, ...]
    scale_on_string: tuple[NeckNote, ...] = ()
    scale_in_position: tuple[NeckNote, ...] = ()
    drone_string: int | None = None
    only_note: str = ""
    bars: Bars | None = None

    def as_document(self) -> dict[str, Any]:
        """The ``theory`` section of the riff document, as plain JSON values."""
        return {
            "mode": None if self.mode is None else _mode_document(self.mode),
            "chords": [_chord_document(span) for span in self.chords],
            "loop": None if self.loop is None else _loop_document(self.loop),
            "ways": [chord.as_document() for chord in self.voicings],
            "scale": {
                name: [json_fields(note, *_NECK_NOTE) for note in notes]
                for name, notes in (
                    ("on_string", self.scale_on_string),
                    ("in_position", self.scale_in_position),
                )
            },
        }

    def _without_mode(self) -> str:
        if self.only_note:
            return f"One note only ({self.only_note}): a mode needs more notes."
        return "No notes, so no mode and no chords."

    def summary(self, *, left_handed: bool = False) -> str:
        """The mode and why, the loop, and one shape for each chord, in a few lines.

        The pictures are as the player sees the neck, for a ``left_handed`` one mirrored.
        """
        if self.mode is None:
            return self._without_mode()
        return summary_text(self.mode, self.loop, self.voicings, left_handed=left_handed)

    def line(self) -> str:
        """The mode and the loop in one line."""
        if self.mode is None:
            return self._without_mode().rstrip(".")
        loop = "" if self.loop is None else f"; {loop_line(self.loop)}"
        if self.mode.candidates:
            return f"mode {not_told(self.mode)}{loop}"
        return f"{self.mode} ({how_sure(self.mode)}){loop}"

    def text(self, *, left_handed: bool = False) -> str:
        """The whole report as plain text, pictures mirrored for a ``left_handed`` player."""
        if self.mode is None:
            return self._without_mode()
        parts = [mode_text(self.mode)]
        if self.chords:
            parts.append(chords_text(self.chords, self.loop, self.bars or Bars()))
        if self.loop is not None:
            parts.append(loop_text(self.loop, self.mode, self.voicings))
        if self.scale_on_string:
            parts.append(self.scale_text(left_handed=left_handed))
        if self.voicings:
            parts.append(voicing_levels_text(self.voicings, left_handed=left_handed))
        return "\n\n".join(parts)

    def scale_text(self, *, left_handed: bool = False) -> str:
        """The mode on one string (over the drone, where there is one) and in one position."""
        if self.mode is None or not self.scale_on_string:
            return ""
        over = "" if self.drone_string is None else f" over the open string {self.drone_string}"
        string = self.scale_on_string[0].string
        return "\n".join(
            (
                f"{self.mode} along string {string}{over}:",
                neck_text(
                    self.scale_on_string, drone_string=self.drone_string, left_handed=left_handed
                ),
                "",
                f"{self.mode} in one position:",
                neck_text(self.scale_in_position, left_handed=left_handed),
            )
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
    confidence: Iterable[float] | None = None,
    written_chords: Iterable[tuple[float, str]] = (),
    written_key: tuple[str, str] | None = None,
    **neck: Unpack[NeckOptions],
) -> Report:
    """Mode, chords, loop and shapes to play it with, from note arrays.

    Parameters
    ----------
    onset_sec, duration_sec, pitch_midi : iterable of float, shape (n,), n >= 0
        The notes, in any order; a duration is above 0, a pitch 0-127.
    beats_sec, downbeats_sec : iterable of float, rising, optional
        Without beats a chord may begin at any stroke; without downbeats, bars are counted from
        the first beat by ``meter``.
    meter : (beats in a bar, unit), optional
    drone_midi : int or iterable of int, 0-127, optional
        Pitches that ring throughout; else a low note that comes back throughout under a line
        (`theory.drone_pitches.find_drone_pitches`).
    confidence : iterable of float, shape (n,), 0-1, optional
        How far each note is to be believed.
    written_chords : iterable of (float, str), optional
        Second and symbol of chords that a player wrote over the notes: each holds to the next and
        outranks what the notes suggest.
    written_key : (tonic, name of the mode), optional
        The key that the file writes: the mode where the notes leave it open.
    **neck
        The neck and the hand, as for `Neck`: ``open_midi``, ``capo``, ``frets``,
        ``scale_length_mm``, ``hand_span_mm``.

    Returns
    -------
    Report

    Raises
    ------
    TheoryError
        If an argument is malformed.

    Examples
    --------
    >>> strum = [45, 52, 57, 60, 64]  # A minor, open
    >>> made = report(onset_sec=[0] * 5, duration_sec=[2] * 5, pitch_midi=strum)
    >>> made.loop.symbols, made.voicings[0].plain[0].short
    (('Am',), 'x02210')
    """
    played: dict[str, Any] = {
        "onset_sec": list(onset_sec),
        "duration_sec": list(duration_sec),
        "pitch_midi": list(pitch_midi),
        "confidence": None if confidence is None else list(confidence),
    }
    notes = as_notes(**played)
    on = Neck.of(neck)
    options: NeckOptions = {**neck, "open_midi": on.open_midi}
    drones = as_drones(drone_midi) or find_drone_pitches(notes)
    if len(notes) == 0:
        return Report(None, (), None, (), drones)
    flats = _tuned_to_flats(on.open_midi)
    classes = {int(p) % 12 for p in notes.pitch} | {d % 12 for d in drones}
    if len(classes) == 1:
        only = tonic_name(classes.pop(), "ionian", flats=flats)
        return Report(None, (), None, (), drones, only_note=only)
    beats, downbeats = _grid(notes.onset, beats_sec, downbeats_sec, meter)
    known: dict[str, Any] = {**played, "drone_midi": drones, "downbeats_sec": downbeats}
    mode = find_mode(**known, flats=flats, written_key=written_key)
    chords = find_chords(**known, beats_sec=beats, mode=mode, name_bass=not on.reentrant)
    chords = with_written_chords(chords, written_chords, notes=notes, beats_sec=beats, mode=mode)
    loop = find_loop(chords, downbeats_sec=downbeats, mode=mode)
    drone_string = _string_of(drones, on)
    melody = _beside(drone_string, len(on.open_midi))
    voicings = voicings_by_level(
        loop.symbols if loop is not None else (),
        drone_string=drone_string,
        melody_string=None if drone_string is None else melody,
        **options,
    )
    along: NeckOptions = {**options, "frets": min(on.frets, on.capo + _DRAWN_FRETS)}
    return Report(
        mode,
        chords,
        loop,
        voicings,
        drones,
        scale_on_string(mode, string=melody, **along),
        scale_in_position(mode, **options),
        drone_string,
        bars=Bars(tuple(downbeats or ()), tuple(beats)),
    )


def _tuned_to_flats(open_midi: Sequence[int]) -> bool:
    """Whether most open strings are black keys, as when a guitar is tuned down half a step."""
    return 2 * sum(p % 12 in (1, 3, 6, 8, 10) for p in open_midi) > len(open_midi)


def _beside(drone_string: int | None, strings: int) -> int:
    """The melody's string: next above the drone, next below where the drone is string 1."""
    if drone_string is None:
        return 1
    return drone_string - 1 or min(2, strings)


def _grid(
    onset: np.ndarray,
    beats_sec: Iterable[float] | None,
    downbeats_sec: Iterable[float] | None,
    meter: tuple[int, int] | None,
) -> tuple[list[float], list[float] | None]:
    """Beats and downbeats; without beats, every stroke may begin a chord."""
    beats = as_beats(beats_sec, "beats_sec")
    downbeats = as_beats(downbeats_sec, "downbeats_sec")
    if beats is None:
        strokes = onset[np.diff(onset, prepend=-np.inf) > STROKE_SEC]
        beats = strokes if downbeats is None else np.unique(np.concatenate((strokes, downbeats)))
    elif downbeats is None and meter is not None and beats.size:
        downbeats = beats[:: meter[0]]
    return [float(b) for b in beats], None if downbeats is None else [float(d) for d in downbeats]


def _string_of(drones: Sequence[int], neck: Neck) -> int | None:
    """The open string that sounds the lowest drone; None where none does."""
    opens = [pitch + neck.capo for pitch in neck.open_midi]
    return next((opens.index(drone) + 1 for drone in sorted(drones) if drone in opens), None)


def _mode_document(mode: Mode) -> dict[str, Any]:
    return {
        **json_fields(mode, "tonic", "name", "confidence"),
        "sureness": sureness(mode.confidence),
        **json_fields(mode, "parent", "notes"),
        "evidence": [*mode.evidence, *mode.deciding],
        **json_fields(mode, "deciding", "undecided"),
        "degrees": [
            {"degree": degree.label, **json_fields(degree, "note", "count", "share", "role")}
            for degree in mode.degrees
        ],
        "runners_up": [
            json_fields(rival, "tonic", "name") | {"confidence": round(rival.probability, 4)}
            for rival in mode.runners_up
        ],
        **({"candidates": list(mode.candidates)} if mode.candidates else {}),
        **(
            {}
            if mode.written is None
            else {"written": json_fields(mode.written, "tonic", "name", "held", "against")}
        ),
    }


def _chord_document(span: ChordSpan) -> dict[str, Any]:
    beside = json_fields(span, "implied", "pedal", "borrowed", "written", "sounds")
    return json_fields(span, "start_sec", "end_sec", "symbol", "roman", "confidence") | {
        name: value for name, value in beside.items() if value
    }


def _loop_document(loop: Loop) -> dict[str, Any]:
    return {
        **json_fields(loop, "symbols", "romans", "bars", "by_bar", "times"),
        "departures": [{"bar": bar, "symbols": list(s)} for bar, s in loop.departures],
        **json_fields(loop, "plain", "plain_romans"),
        **({"implied": True} if loop.implied else {}),
        **({"by_chord": True} if loop.by_chord else {}),
        **({"once": True} if loop.once else {}),
    }
