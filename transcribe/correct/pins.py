"""Pins: notes that the player holds to a string and a fret, and the rest solved around them.

A pin is kept in the document as ``Note.pinned``. Pinning and letting go are steps of the history.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping
from typing import Any

from transcribe.core.errors import ParameterError
from transcribe.core.key import note_names
from transcribe.core.overtones import likely_overtones
from transcribe.core.riff import Note, Remark, Riff
from transcribe.core.strokes import STROKE_SEC
from transcribe.core.wording import refusal
from transcribe.correct.history import record
from transcribe.correct.solving import solve_again
from transcribe.fingering import Fingering, Hand, Unmet, pins_of
from transcribe.fingering.repeats import repeat_groups
from transcribe.fingering.solver import unmet_facts

__all__ = ["pin", "places_as_written", "repeats_of", "set_hand", "unpin"]

Place = tuple[int, int]


def set_hand(riff: Riff, hand: Hand) -> Riff:
    """``riff`` solved again for another hand, which is kept in the document, as one step."""
    player = dataclasses.replace(riff.player, hand_span_mm=hand.span_mm)
    solved, _ = solve_again(dataclasses.replace(riff, player=player))
    return record(riff, solved, "hand span")


def places_as_written(riff: Riff) -> dict[int, Place]:
    """The pins that only hold a note where the file that the riff came from had it."""
    return {i: place for i, place in pins_of(riff).items() if riff.written_places.get(i) == place}


def repeats_of(riff: Riff, note_id: int) -> tuple[int, ...]:
    """The same note in every other repeat of its phrase, in time; empty where there is none."""
    if riff.rhythm is None:
        return ()
    for group in repeat_groups(riff.notes, riff.rhythm.phrases):
        for ids in group:
            if note_id in ids:
                return tuple(i for i in ids if i != note_id)
    return ()


def pin(
    riff: Riff,
    places: Mapping[int, Place],
    *,
    repeats: bool = True,
) -> Riff:
    """``riff`` with notes held to places and the rest solved again.

    Parameters
    ----------
    riff : Riff
    places : mapping of note id to (string, fret)
        Strings from 1, frets from the capo.
    repeats : bool
        Whether the same notes of every repeat of the phrase are held to the same places, as one
        correction that is undone together. A repeat where that cannot be keeps its own place, and
        the document's ``unmet`` says so.

    Returns
    -------
    Riff
        With one more step in its history.

    Raises
    ------
    ParameterError
        If a note is not there, a place does not sound its pitch, two notes that begin together
        would share a string, or a note that begins with a pinned one would be left without a
        string; the message names the other note and the nearest place.

    Examples
    --------
    >>> from transcribe import Note, finger
    >>> line = [Note(k, 0.5 * k, 0.5 * k + 0.4, p) for k, p in enumerate((50, 53, 55, 57))]
    >>> held = pin(finger(line), {3: (4, 7)})
    >>> held.notes[3].string, held.notes[3].fret, held.notes[3].pinned
    (4, 7, True)
    """
    wanted = {int(k): (int(s), int(f)) for k, (s, f) in places.items()}
    if not wanted:
        raise ParameterError("nothing to pin; give at least one note with its string and fret")
    for note_id, place in wanted.items():
        _check(riff, note_id, place)
    asked = frozenset(wanted)
    if repeats:
        for note_id in asked:
            for other in repeats_of(riff, note_id):
                wanted.setdefault(other, wanted[note_id])
    before = pins_of(riff)
    solved, wanted, left = _pinned(riff, before, wanted, asked)
    if left:
        solved = dataclasses.replace(solved, unmet=(*solved.unmet, *left))
    return record(riff, solved, "pin", sorted(wanted))


def _pinned(
    riff: Riff,
    before: Mapping[int, Place],
    wanted: Mapping[int, Place],
    asked: frozenset[int],
) -> tuple[Riff, dict[int, Place], list[Remark]]:
    """The riff solved around ``before`` and ``wanted``; pins that fight in a repeat are let go.

    Returns the riff, the pins of ``wanted`` that are kept, and a remark on each that is not.
    Raises ParameterError where one of ``asked`` cannot be kept.
    """
    kept = dict(wanted)
    left: list[Remark] = []
    while True:
        solved, fingering = solve_again(riff, pins={**before, **kept})
        clash = _clash(riff, fingering, before, kept)
        if clash is None:
            return solved, kept, left
        in_the_way = _in_the_way(riff, clash.note_id, kept)
        for note_id in in_the_way:
            if note_id in asked:
                others = {i: p for i, p in kept.items() if i != note_id}
                others = {**before, **others}
                raise refusal(
                    _refused(riff, note_id, kept[note_id], clash, others), note_names(riff)
                )
        if not in_the_way:
            raise refusal(_refused(riff, clash.note_id, None, clash, before), note_names(riff))
        for note_id in in_the_way:
            left.append(Remark("repeat-not-pinned", *_why(riff, clash, note_id)))
            del kept[note_id]


def _clash(
    riff: Riff, fingering: Fingering, before: Mapping[int, Place], new: Mapping[int, Place]
) -> Unmet | None:
    """A pin that is not kept, or a note that a ``new`` pin leaves without a string; else None.

    An overtone that has found no string is no clash: it may not have been played at all.
    """
    had = {note.id for note in riff.notes if note.string is not None} - likely_overtones(riff.notes)
    for unmet in fingering.unmet:
        if unmet.note_id in before or unmet.note_id in new:
            return unmet
        if unmet.note_id in had and _in_the_way(riff, unmet.note_id, new):
            return unmet
    return None


def _in_the_way(riff: Riff, note_id: int, pins: Mapping[int, Place]) -> list[int]:
    """Those of ``pins`` that stand in the way of a note: itself, or those that begin with it."""
    if note_id in pins:
        return [note_id]
    onset = riff.note(note_id).onset_sec
    return [i for i in pins if abs(riff.note(i).onset_sec - onset) <= STROKE_SEC]


def unpin(
    riff: Riff,
    note_ids: Iterable[int],
    *,
    repeats: bool = True,
) -> Riff:
    """``riff`` without the pins of some notes, solved again.

    Parameters
    ----------
    riff : Riff
    note_ids : iterable of int
    repeats : bool
        Whether the pins of the same notes in every repeat of the phrase go, too.

    Returns
    -------
    Riff
        With one more step in its history.

    Raises
    ------
    ParameterError
        If none of the notes is pinned.

    Examples
    --------
    >>> from transcribe import Note, finger
    >>> line = [Note(k, 0.5 * k, 0.5 * k + 0.4, p) for k, p in enumerate((50, 53, 55, 57))]
    >>> any(note.pinned for note in unpin(finger(line, pins={3: (4, 7)}), [3]).notes)
    False
    """
    before = pins_of(riff)
    chosen = {int(i) for i in note_ids}
    if repeats:
        for note_id in list(chosen):
            chosen.update(repeats_of(riff, note_id))
    gone = sorted(chosen & set(before))
    if not gone:
        raise ParameterError(
            "none of these notes is pinned; pinned are: "
            + (", ".join(str(i) for i in sorted(before)) or "none")
        )
    kept = {i: place for i, place in before.items() if i not in gone}
    return record(riff, solve_again(riff, pins=kept)[0], "unpin", gone)


def _why(riff: Riff, clash: Unmet, note_id: int) -> tuple[dict[str, Any], tuple[int, ...]]:
    """Facts and notes of a remark on a note whose pin brings about ``clash``."""
    note = riff.note(note_id)
    if clash.note_id == note_id:
        return unmet_facts(note, clash)
    lost = riff.note(clash.note_id)
    blocked = Unmet(note_id, "note-robbed", {"other_midi": lost.pitch_midi}, fights=lost.id)
    return unmet_facts(note, blocked)


def _refused(
    riff: Riff,
    note_id: int,
    place: Place | None,
    clash: Unmet,
    others: Mapping[int, Place],
) -> Remark:
    """Why a note cannot be pinned at ``place`` beside the pins ``others``, and where it can."""
    facts, notes = _why(riff, clash, note_id)
    if facts.get("nearest") is None and place is not None:
        near = _nearest(riff, note_id, place, others)
        facts |= {} if near is None else {"nearest": list(near)}
    return Remark("pin-refused", facts, notes)


def _nearest(riff: Riff, note_id: int, place: Place, others: Mapping[int, Place]) -> Place | None:
    """The nearest place to ``place`` where the note can be pinned and nothing else is lost."""
    for other in _by_distance(riff, riff.note(note_id), place):
        _, fingering = solve_again(riff, pins={**others, note_id: other})
        if other != place and _clash(riff, fingering, others, {note_id: other}) is None:
            return other
    return None


def _by_distance(riff: Riff, note: Note, place: Place) -> list[Place]:
    places = riff.instrument.places(note.pitch_midi)
    return sorted(places, key=lambda p: (abs(p[0] - place[0]), abs(p[1] - place[1])))


def _check(riff: Riff, note_id: int, place: Place) -> None:
    try:
        note = riff.note(note_id)
    except KeyError:
        raise ParameterError(f"there is no note {note_id} to pin") from None
    string, fret = place
    strings = len(riff.instrument.open_midi)
    if not 1 <= string <= strings:
        facts = {"string": string, "strings": strings}
        raise refusal(Remark("no-such-string", facts, (note_id,)), note_names(riff))
    if riff.instrument.fret_of(string, note.pitch_midi) != fret:
        raise refusal(_wrong_place(riff, note, place), note_names(riff))


def _wrong_place(riff: Riff, note: Note, place: Place) -> Remark:
    places = _by_distance(riff, note, place)
    top = riff.instrument.top_fret
    facts: dict[str, Any] = {
        "pitch_midi": note.pitch_midi,
        "place": list(place),
        "sounds_midi": riff.instrument.pitch_midi(*place) if 0 <= place[1] <= top else None,
        "top_fret": top,
        "nearest": list(places[0]) if places else None,
    }
    return Remark("pin-other-pitch", facts, (note.id,))
