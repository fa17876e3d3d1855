"""How the rhythm of a riff is written: note values, rests, ties and beams, to be drawn."""

from __future__ import annotations

from typing import Any

from transcribe.core.riff import Riff
from transcribe.formats.musicxml.measures import TICKS, Event, make_measures

__all__ = ["written_rhythm"]


def written_rhythm(riff: Riff) -> list[dict[str, Any]]:
    """The bars of ``riff`` as JSON values, in one voice; empty where there is no rhythm.

    Returns
    -------
    list of dict
        ``number`` (from 1, a pickup 0), ``beat`` and ``beats`` (where the bar begins and how long
        it is, in beats) and ``events``: ``beat`` and ``beats`` likewise, the ids of its ``notes``
        (none: a rest), ``value`` (``quarter``), ``dots``, ``triplet``, ``tied_from``,
        ``tied_to``, ``whole`` (a rest of the whole bar) and ``beams`` (``begin``, ``continue``,
        ``end`` or a hook, the first beam first).
    """
    if riff.rhythm is None or len(riff.rhythm.beats_sec) < 2:
        return []
    measures, rhythm = make_measures(riff, drone_apart=False)
    per_beat = TICKS * 4 / rhythm.meter[1]
    return [
        {
            "number": measure.number,
            "beat": measure.start / per_beat,
            "beats": measure.ticks / per_beat,
            "events": [
                _event(event, (measure.start + event.start) / per_beat, event.ticks / per_beat)
                for event in measure.voices.get(1, [])
            ],
        }
        for measure in measures
    ]


def _event(event: Event, beat: float, beats: float) -> dict[str, Any]:
    return {
        "beat": beat,
        "beats": beats,
        "notes": [scored.note.id for scored in event.notes],
        "value": event.value,
        "dots": event.dots,
        "triplet": event.triplet,
        "tied_from": event.tied_from,
        "tied_to": event.tied_to,
        "whole": event.whole_measure,
        "beams": list(event.beams),
    }
