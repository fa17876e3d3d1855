"""The fretting hand around one note, as facts that a picture of it is drawn from.

Conventions: string 1 is the highest-sounding, fret 0 is open, frets count from the capo, distances
in millimetres on the real neck.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from transcribe.core.riff import Note, Riff
from transcribe.core.strokes import strokes
from transcribe.drone import drone_strings, is_over
from transcribe.fingering.hand import hand_of, neck_mm

__all__ = ["hand_at"]

_NEIGHBOURS = 2  # strokes on either side that are drawn


def hand_at(riff: Riff, note_id: int) -> dict[str, Any]:
    """What the hand does at a note.

    Returns
    -------
    dict
        ``fret_mm`` (n + 1,): distance of each fret from the nut or capo. ``span_mm``: what the hand
        covers without strain. ``index_fret``: where the index finger lies, None where only open
        strings sound. ``apart_mm``: from the lowest to the highest stopped fret of the stroke, None
        below two. ``from_mm``, ``to_mm``: how far the hand moves to here and on from here, None
        where that is not known. ``together``, ``before``, ``after``: ids of the other notes of the
        stroke, and of the two strokes on either side, in time. ``drone``: strings that ring open.

    Examples
    --------
    >>> line = [Note(k, k, k + 1.0, 57, string=4, fret=f, finger=1) for k, f in enumerate((7, 9))]
    >>> hand = hand_at(Riff(notes=tuple(line)), 0)
    >>> hand["index_fret"], hand["after"], round(hand["to_mm"])
    (7, [1], 47)
    """
    mm = neck_mm(riff.instrument)
    all_strokes = [[riff.notes[i] for i in stroke] for stroke in strokes(riff.notes)]
    at = next(k for k, stroke in enumerate(all_strokes) if note_id in [n.id for n in stroke])
    here = all_strokes[at]
    note = next(n for n in here if n.id == note_id)
    before = all_strokes[max(0, at - _NEIGHBOURS) : at]
    after = all_strokes[at + 1 : at + 1 + _NEIGHBOURS]
    stopped = [n.fret for n in here if n.fret]
    drone = riff.drone
    rings = drone is not None and is_over(drone, note.onset_sec)

    def moved_mm(others: Sequence[Sequence[Note]]) -> float | None:
        there = next((p for p in map(_index_fret, others) if p is not None), None)
        own = _index_fret(here)
        return None if own is None or there is None else abs(mm[own] - mm[there])

    return {
        "fret_mm": [round(d, 2) for d in mm],
        "span_mm": hand_of(riff).span_mm,
        "index_fret": _index_fret(here),
        "apart_mm": mm[max(stopped)] - mm[min(stopped)] if len(stopped) > 1 else None,
        "from_mm": moved_mm(before[::-1]),
        "to_mm": moved_mm(after),
        "together": [n.id for n in here if n.id != note_id],
        "before": [n.id for stroke in before for n in stroke],
        "after": [n.id for stroke in after for n in stroke],
        "drone": sorted(drone_strings(drone)) if drone is not None and rings else [],
    }


def _index_fret(stroke: Sequence[Note]) -> int | None:
    """Where the index finger lies, by the fingers of the stopped notes; None where all are open."""
    frets = [n.fret - max(0, (n.finger or 1) - 1) for n in stroke if n.fret]
    return max(1, min(frets)) if frets else None
