"""A riff's notes as the plain arrays of `theory`, and the theory section of the document.

Times are in seconds, pitches in MIDI numbers.
"""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

from transcribe.core.errors import ParameterError
from transcribe.core.riff import Riff

if TYPE_CHECKING:
    from theory import Report

__all__ = ["theory_report", "with_theory"]


def theory_report(riff: Riff) -> Report:
    """The whole `theory.Report` of a riff: mode, chords, loop and ways to play them.

    Raises
    ------
    ParameterError
        If the riff has no notes.
    """
    import theory

    if not riff.notes:
        raise ParameterError("there are no notes to find a mode in")
    notes = [note for note in riff.notes if note.articulation != "dead"] or list(riff.notes)
    rhythm, drone = riff.rhythm, riff.drone
    return theory.report(
        onset_sec=[n.onset_sec for n in notes],
        duration_sec=[n.offset_sec - n.onset_sec for n in notes],
        pitch_midi=[n.pitch_midi for n in notes],
        beats_sec=rhythm.beats_sec if rhythm and rhythm.beats_sec else None,
        downbeats_sec=rhythm.downbeats_sec if rhythm and rhythm.downbeats_sec else None,
        meter=rhythm.meter if rhythm else None,
        drone_midi=None if drone is None else riff.instrument.pitch_midi(drone.string, 0),
        open_midi=riff.instrument.open_midi,
        capo=riff.instrument.capo,
        confidence=[n.confidence for n in notes],
    )


def with_theory(old: Riff, new: Riff) -> Riff:
    """``new`` with its theory found again if its notes are not those of ``old``."""
    sounds = [
        [(note.onset_sec, note.pitch_midi, note.articulation == "dead") for note in riff.notes]
        for riff in (old, new)
    ]
    if sounds[0] == sounds[1] or old.theory is None:
        return new
    return dataclasses.replace(new, theory=theory_report(new).as_document())
