"""A riff's notes, neck and hand as the plain arrays of `theory`, and its findings back.

Conventions: times in seconds, pitch in MIDI numbers.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from transcribe.core.errors import ParameterError
from transcribe.core.riff import Note, Riff

if TYPE_CHECKING:
    from theory import Piece, Report
    from theory.neck import NeckOptions

__all__ = ["piece_theory", "theory_report", "with_theory"]


def theory_report(riff: Riff) -> Report:
    """The theory of a riff: mode, chords, loop and shapes for the player's own neck and hand.

    Parameters
    ----------
    riff : Riff
        With at least one note. Its beats, drone, instrument and hand span are used where it has
        them; dead notes are left out where there are others.

    Returns
    -------
    theory.Report

    Raises
    ------
    ParameterError
        If the riff has no notes.

    Examples
    --------
    >>> from transcribe.core.riff import Note, Riff
    >>> strum = [Note(i, 0.0, 2.0, pitch) for i, pitch in enumerate((45, 52, 57, 60, 64))]
    >>> theory_report(Riff(notes=tuple(strum))).loop.symbols
    ('Am',)
    """
    import theory

    if not riff.notes:
        raise ParameterError("there are no notes to find a mode in")
    return theory.report(
        **_arrays(riff),
        meter=riff.rhythm.meter if riff.rhythm else None,
        written_chords=_written_chords(riff),
        written_key=_written_key(riff),
        **_neck(riff),
    )


def piece_theory(parts: Sequence[tuple[str, Riff]]) -> Piece:
    """The theory that the parts of a piece share.

    Parameters
    ----------
    parts : sequence of (name, Riff)
        The neck and the hand are those of the first one.

    Returns
    -------
    theory.Piece

    Raises
    ------
    ParameterError
        If no part has a note.

    Examples
    --------
    >>> from transcribe.core.riff import Note, Riff
    >>> strum = [Note(i, 0.0, 2.0, pitch) for i, pitch in enumerate((45, 52, 57, 60, 64))]
    >>> piece_theory([("verse", Riff(notes=tuple(strum)))]).loop
    ('Am',)
    """
    import theory

    heard = [(name, riff) for name, riff in parts if riff.notes]
    if not heard:
        raise ParameterError("no part of the lesson has a note to find a mode in")
    given = [
        theory.PartNotes(name, **_arrays(riff), written_key=_written_key(riff))
        for name, riff in heard
    ]
    return theory.piece(given, **_neck(heard[0][1]))


def _arrays(riff: Riff) -> dict[str, Any]:
    """The riff as plain arrays, without dead notes where there are others."""
    notes = [note for note in riff.notes if note.articulation != "dead"] or list(riff.notes)
    rhythm, drone = riff.rhythm, riff.drone
    return {
        "onset_sec": [n.onset_sec for n in notes],
        "duration_sec": [n.offset_sec - n.onset_sec for n in notes],
        "pitch_midi": [_reached_midi(n) for n in notes],
        "confidence": [n.confidence for n in notes],
        "beats_sec": rhythm.beats_sec if rhythm and rhythm.beats_sec else None,
        "downbeats_sec": rhythm.downbeats_sec if rhythm and rhythm.downbeats_sec else None,
        "drone_midi": riff.instrument.pitch_midi(drone.string, 0) if drone else None,
    }


def _written_chords(riff: Riff) -> list[tuple[float, str]]:
    """(second, symbol) of the chord names that stand over notes of the riff."""
    onset = {note.id: note.onset_sec for note in riff.notes}
    return [
        (onset[mark.note], mark.text)
        for mark in riff.marks
        if mark.kind == "chord" and mark.note in onset
    ]


def _written_key(riff: Riff) -> tuple[str, str] | None:
    """Tonic and mode of the key that was given."""
    key = riff.written_key
    return None if key is None else (key.tonic, key.mode)


def _reached_midi(note: Note) -> int:
    """The pitch that a note stands for: of a bend that is held, the one it reaches."""
    bend = note.bend
    if bend is None or bend.released:
        return note.pitch_midi
    return note.pitch_midi + round(bend.rise_semitones or 0.0)


def _neck(riff: Riff) -> NeckOptions:
    """The neck and the hand that the riff is fingered for."""
    instrument = riff.instrument
    neck: NeckOptions = {
        "open_midi": instrument.open_midi,
        "capo": instrument.capo,
        "frets": instrument.frets,
        "scale_length_mm": instrument.scale_length_mm,
    }
    if riff.player.hand_span_mm is not None:
        neck["hand_span_mm"] = riff.player.hand_span_mm
    return neck


def with_theory(old: Riff, new: Riff) -> Riff:
    """``new`` with its theory found again where it may differ from that of ``old``.

    Parameters
    ----------
    old, new : Riff
        A riff before and after a correction.

    Returns
    -------
    Riff
        ``new`` itself where ``old`` has no theory, or nothing changed that it is found from.

    Raises
    ------
    ParameterError
        If ``new`` has no notes.

    Examples
    --------
    >>> from transcribe.core.riff import Riff
    >>> with_theory(Riff(), Riff()) == Riff()
    True
    """
    if old.theory is None or _theory_key(old) == _theory_key(new):
        return new
    return dataclasses.replace(new, theory=theory_report(new).as_document())


def _theory_key(riff: Riff) -> tuple[object, ...]:
    """Everything that the theory of a riff is found from."""
    sounds = [
        (n.onset_sec, n.offset_sec, _reached_midi(n), n.articulation, n.confidence)
        for n in riff.notes
    ]
    written = (_written_chords(riff), riff.written_key)
    return (sounds, written, riff.rhythm, riff.drone, riff.instrument, riff.player.hand_span_mm)
