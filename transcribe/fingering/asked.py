"""What the player asks of the fingering: a hand position, no open strings, notes that ring on.

A request narrows the places that its notes may take. Where two requests cannot both be kept at a
note, the later one holds there; a pin holds before all of them, and a slur stays on one string.
Where a request is not kept, a remark names the first note at which it is not, and why.

Conventions: string 1 is the highest-sounding, fret 0 is open, frets count from the capo; the
*position* is the fret at which the index finger lies.
"""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from transcribe.core.errors import ParameterError
from transcribe.core.riff import (
    LEGATO,
    Instrument,
    Note,
    Remark,
    Request,
    legato_sources,
    sort_notes,
)
from transcribe.core.strokes import STROKE_SEC, strokes
from transcribe.fingering.candidates import Places
from transcribe.fingering.moves import stops_ringing

__all__ = [
    "Asked",
    "asked_of",
    "check_request",
    "in_the_way",
    "not_kept",
    "silences",
    "three_a_string",
    "with_slurs_whole",
]

Place = tuple[int, int]

_BELOW, _ABOVE = 1, 4
"""Frets from the position that the index finger stretches back to and the little finger on to
(common practice, no source)."""

_SCALE_NOTES = 7  # so many pitches make a scale over the strings
_SCALE_STEP = 3  # semitones


def check_request(request: Request, instrument: Instrument) -> None:
    """Refuse a request whose number the neck does not have.

    Raises
    ------
    ParameterError
        With the numbers that there are.
    """
    top, strings = instrument.top_fret, len(instrument.open_midi)
    lowest, most, what = {
        "position": (1, top, "a position"),
        "along-string": (1, strings, "a string"),
        "highest-fret": (0, top, "a highest fret"),
    }.get(request.kind, (None, None, ""))
    if lowest is None or most is None:
        return
    if request.number is None or not lowest <= request.number <= most:
        raise ParameterError(
            f"{what} on this neck is {lowest} to {most}, and {request.number} was asked for"
        )


def _in_position(place: Place, position: int) -> bool:
    return place[1] == 0 or position - _BELOW <= place[1] <= position + _ABOVE


_KEEPS: Mapping[str, Callable[[Place, int], bool]] = {
    "position": _in_position,
    "no-open-strings": lambda place, _: place[1] > 0,
    "along-string": lambda place, string: place[0] == string,
    "highest-fret": lambda place, fret: place[1] <= fret,
}
"""Whether a place keeps a request with this number, for the kinds that one note can keep."""


@dataclass(frozen=True, slots=True)
class Asked:
    """Requests as they bear on the notes of a riff, by note id.

    ``places`` are those that keep what is asked of the note, where it is narrowed at all;
    ``positions`` where the index finger should lie; ``ring`` the notes that should ring on.
    ``refused`` holds for a request (by its index) why it cannot be kept at all, and at which note.
    """

    places: Mapping[int, Places] = field(default_factory=dict)
    positions: Mapping[int, int] = field(default_factory=dict)
    ring: frozenset[int] = frozenset()
    refused: Mapping[int, tuple[str, int]] = field(default_factory=dict)


def _notes_of(request: Request, notes: Sequence[Note]) -> list[Note]:
    if request.notes is None:
        return list(notes)
    chosen = set(request.notes)
    return [note for note in notes if note.id in chosen]


def asked_of(
    requests: Sequence[Request],
    notes: Sequence[Note],
    instrument: Instrument,
    pins: Mapping[int, Place],
) -> Asked:
    """What ``requests`` leave of the places of ``notes``; ``pins`` are held whatever is asked."""
    places: dict[int, Places] = {}
    positions: dict[int, int] = {}
    ring: set[int] = set()
    refused: dict[int, tuple[str, int]] = {}
    # A request narrows what those after it leave.
    for index in reversed(range(len(requests))):
        request = requests[index]
        among = [n for n in _notes_of(request, notes) if n.id not in pins]
        given: Mapping[int, Place] = request.places
        if request.kind == "let-ring":
            ring.update(note.id for note in _notes_of(request, notes))
            continue
        if request.kind == "three-a-string":
            chosen = _notes_of(request, notes)
            if not chosen:
                continue
            found = three_a_string(chosen, instrument, pins)
            if isinstance(found, tuple):
                refused[index] = found
                continue
            given = found
        for note in among:
            left = places.get(note.id) or instrument.places(note.pitch_midi)
            if request.kind in _KEEPS:
                keeps, number = _KEEPS[request.kind], request.number or 0
                narrowed = tuple(place for place in left if keeps(place, number))
                if request.kind == "position":
                    positions.setdefault(note.id, number)
                    # An open string does not move the hand; it serves where no stopped one can.
                    narrowed = tuple(p for p in narrowed if p[1]) or narrowed
                if not narrowed and left and request.kind in ("position", "highest-fret"):
                    # A note that cannot keep a fret comes as near to it as it can.
                    narrowed = (min(left, key=lambda place: abs(place[1] - number)),)
            else:
                narrowed = tuple(place for place in left if place == given.get(note.id))
            if narrowed and narrowed != instrument.places(note.pitch_midi):
                places[note.id] = narrowed
    return Asked(places, positions, frozenset(ring), refused)


def with_slurs_whole(
    asked: Asked,
    notes: Sequence[Note],
    sources: Mapping[int, int],
    pins: Mapping[int, Place],
    instrument: Instrument,
) -> Asked:
    """``asked`` where no hammer-on, pull-off or slide has to change strings to keep a request.

    ``sources``: note id -> the note that it is slurred from. Where what is asked leaves the notes
    of a slur no string in common, they go to the one on which they lie the fewest frets outside.
    """
    pitch = {note.id: note.pitch_midi for note in notes}
    places = dict(asked.places)
    for slur in _slurs(sources):
        if not any(i in places for i in slur):
            continue
        on_neck = [(pins[i],) if i in pins else instrument.places(pitch[i]) for i in slur]
        strings = set.intersection(*({s for s, _ in wide} for wide in on_neck))
        left = [places.get(i, wide) for i, wide in zip(slur, on_neck, strict=True)]
        if not strings or set.intersection(*({s for s, _ in near} for near in left)):
            continue
        outside = dict.fromkeys(strings, 0)
        for i, wide, near in zip(slur, on_neck, left, strict=True):
            for string, fret in wide:
                if string in strings and (string, fret) not in near:
                    outside[string] += max(1, _frets_out(fret, asked.positions.get(i)))
        least = min(outside.values())
        for i, wide in zip(slur, on_neck, strict=True):
            places[i] = tuple(p for p in wide if outside.get(p[0]) == least)
    return dataclasses.replace(asked, places=places)


def in_the_way(
    request: Request, notes: Sequence[Note], places: Mapping[int, Place]
) -> frozenset[int]:
    """The notes that have to leave ``places`` for a request to be kept, with those of their slurs.

    All that a request is of, where it asks for more than each note can keep by itself.
    """
    among = [n for n in _notes_of(request, notes) if n.id in places]
    if keeps := _KEEPS.get(request.kind):
        among = [n for n in among if not keeps(places[n.id], request.number or 0)]
    out = {n.id for n in among}
    slurs = _slurs(legato_sources(list(notes)))
    return frozenset(out.union(*(slur for slur in slurs if not out.isdisjoint(slur))))


def _slurs(sources: Mapping[int, int]) -> list[list[int]]:
    """The ids of the notes of each slur, in any order: those that ``sources`` lead from and to."""
    slurs: dict[int, list[int]] = {}
    for note_id in {*sources, *sources.values()}:
        first = note_id
        while first in sources:
            first = sources[first]
        slurs.setdefault(first, []).append(note_id)
    return list(slurs.values())


def _frets_out(fret: int, position: int | None) -> int:
    """How many frets a place lies outside a position; 0 where none is asked for."""
    if position is None or fret == 0:
        return 0
    return max(position - _BELOW - fret, fret - position - _ABOVE, 0)


def not_kept(
    requests: Sequence[Request],
    asked: Asked,
    notes: Sequence[Note],
    positions: Mapping[int, Place],
    instrument: Instrument,
    pins: Mapping[int, Place],
    drone_ids: frozenset[int],
    sources: Mapping[int, int],
) -> Iterator[Remark]:
    """A remark on each request that is not kept everywhere, with the first note and the reason.

    ``drone_ids`` are the notes that are the drone: their open string is asked for by that.
    ``sources``: note id -> the note that it is slurred from.
    """
    placed = [n for n in sort_notes(list(notes)) if n.id in positions]
    for index, request in enumerate(requests):
        facts: dict[str, Any] = {"request": request.kind, "number": request.number}
        if index in asked.refused:
            reason, note_id = asked.refused[index]
            note = next(n for n in notes if n.id == note_id)
            facts |= {"count": 1, "reason": reason, "whole": True}
            yield Remark("request-not-kept", facts | _pitch_and_time(note), (note_id,))
            continue
        off = list(_off(request, _notes_of(request, placed), positions, instrument))
        if request.kind not in ("let-ring", "no-open-strings"):
            off = [(note, other) for note, other in off if note.id not in drone_ids]
        if not off:
            continue
        note, other = off[0]
        facts |= {"count": len(off)} | _pitch_and_time(note)
        ids = (note.id,) if other is None else (note.id, other.id)
        if request.kind != "let-ring":
            reason, other_id = _reason(request, note, placed, positions, instrument, pins, sources)
            if note.id in drone_ids:
                reason, other_id = "drone", None
            if request.kind == "taken" and reason in ("pinned", "other-request"):
                continue  # the player has asked for something else since
            facts["reason"] = reason
            if reason == "other-request":
                facts |= _ruled_out_by(request, requests[index + 1 :], note, instrument)
            ids = (note.id,) if other_id is None else (note.id, other_id)
        else:
            together = other is None or positions[note.id][0] == positions[other.id][0]
            facts["reason"] = "cuts-off" if together else "hand-leaves"
        yield Remark("request-not-kept", facts, ids)


def silences(note: Note, before: Note) -> bool:
    """Whether ``note`` would end ``before`` if it took its string, where that should ring on.

    A slur needs the string of the note that it comes from, and the same pitch rings on anyway.
    """
    return note.articulation not in LEGATO and note.pitch_midi != before.pitch_midi


def _pitch_and_time(note: Note) -> dict[str, Any]:
    return {"pitch_midi": note.pitch_midi, "sec": note.onset_sec}


def _off(
    request: Request,
    notes: Sequence[Note],
    positions: Mapping[int, Place],
    instrument: Instrument,
) -> Iterator[tuple[Note, Note | None]]:
    """The notes that do not keep a request, each with the note that it silences, if it does."""
    if request.kind in _KEEPS:
        keeps = _KEEPS[request.kind]
        for note in notes:
            if not keeps(positions[note.id], request.number or 0):
                yield note, None
    elif request.kind == "let-ring":
        for before, stroke in itertools.pairwise(strokes(notes)):
            for note in (notes[i] for i in stroke):
                for other in (notes[i] for i in before):
                    ends = stops_ringing(*positions[other.id], *positions[note.id])
                    if ends and silences(note, other):
                        yield note, other
    elif request.kind == "taken":
        for note in notes:
            wanted = request.places.get(note.id)
            fits = wanted in instrument.places(note.pitch_midi)
            if fits and wanted != positions[note.id]:
                yield note, None
    else:
        on_string: dict[int, set[int]] = {}
        for note in notes:
            pitches = on_string.setdefault(positions[note.id][0], set())
            pitches.add(note.pitch_midi)
            if len(pitches) > 3:
                yield note, None


def _reason(
    request: Request,
    note: Note,
    notes: Sequence[Note],
    positions: Mapping[int, Place],
    instrument: Instrument,
    pins: Mapping[int, Place],
    sources: Mapping[int, int],
) -> tuple[str, int | None]:
    """Why a note does not keep a request, and the note that stands in the way, if one does."""
    if note.id in pins:
        return "pinned", None
    wanted = _wanted(request, note, instrument)
    if not wanted and request.kind != "three-a-string":
        return "no-such-place", None
    strings = {string for string, _ in wanted}
    for other_id in (pair[pair[0] == note.id] for pair in sources.items() if note.id in pair):
        if other_id in positions and positions[other_id][0] not in strings:
            return "slurred", other_id
    beside = [
        other
        for other in notes
        if other.id != note.id and abs(other.onset_sec - note.onset_sec) <= STROKE_SEC
    ]
    for other in sorted(beside, key=lambda o: positions[o.id][0] not in strings):
        return "beside", other.id
    return "other-request", None


def _wanted(request: Request, note: Note, instrument: Instrument) -> list[Place]:
    """The places of a note that keep a request."""
    keeps = _KEEPS.get(request.kind)
    return [
        place
        for place in instrument.places(note.pitch_midi)
        if (keeps(place, request.number or 0) if keeps else place == request.places.get(note.id))
    ]


def _ruled_out_by(
    request: Request, later: Sequence[Request], note: Note, instrument: Instrument
) -> dict[str, Any]:
    """The last of the later requests that leaves a note no place to keep ``request``, as facts."""
    wanted = _wanted(request, note, instrument)
    for other in reversed(later):
        keeps = _KEEPS.get(other.kind)
        if other.kind == "let-ring" or not _notes_of(other, [note]):
            continue
        if keeps is None or not any(keeps(place, other.number or 0) for place in wanted):
            return {"by": other.kind, "by_number": other.number}
    return {}


def three_a_string(
    notes: Sequence[Note],
    instrument: Instrument,
    pins: Mapping[int, Place],
    *,
    near_fret: float | None = None,
) -> dict[int, Place] | tuple[str, int]:
    """A place for each of ``notes``, at least one, so that the pitches fill the strings by threes.

    Only a line over a scale lies like that: single notes of seven pitches or more, no two
    neighbours more than three semitones apart. Of the ways to begin that keep ``pins`` and slurs,
    one with three notes on the lowest string is taken where there is one, and of these the
    nearest to ``near_fret``, or the lowest where that is left out.

    Returns
    -------
    dict of note id to (string, fret), or (reason, note id)
        Why there is none, and the note that shows it.
    """
    ordered = sort_notes(list(notes))
    first_of = {n.pitch_midi: n.id for n in reversed(ordered)}
    scale = sorted(first_of)
    if len(scale) < _SCALE_NOTES:
        return "few-pitches", ordered[0].id
    for a, b in itertools.pairwise(ordered):
        if b.onset_sec - a.onset_sec < STROKE_SEC:
            return "together", b.id
    for low, high in itertools.pairwise(scale):
        if high - low > _SCALE_STEP:
            return "leap", first_of[high]
    slurs = legato_sources(list(ordered))
    best: tuple[tuple[int, float], dict[int, Place]] | None = None
    fights = ("off-the-strings", first_of[scale[-1]])
    for lowest in range(len(instrument.open_midi), 0, -1):
        for missing in range(3):
            places = {}
            for k, pitch in enumerate(scale):
                string = lowest - (k + missing) // 3
                fret = instrument.fret_of(string, pitch) if string >= 1 else None
                if not fret:
                    break  # an open string is no place to stop three notes from
                places[pitch] = (string, fret)
            if len(places) < len(scale):
                continue
            chosen = {n.id: places[n.pitch_midi] for n in ordered}
            other_place = [i for i in chosen if i in pins and chosen[i] != pins[i]]
            torn = [a for a, b in slurs.items() if chosen[a][0] != chosen[b][0]]
            if other_place or torn:
                fights = ("pinned", other_place[0]) if other_place else ("slurred", torn[0])
                continue
            mean = float(np.mean([fret for _, fret in chosen.values()]))
            away = mean if near_fret is None else abs(mean - near_fret)
            if best is None or (missing, away) < best[0]:
                best = ((missing, away), chosen)
    return fights if best is None else best[1]
