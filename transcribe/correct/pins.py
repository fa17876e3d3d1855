"""The player's corrections: pins, kept in the document with undo and redo.

A pin holds a note to a string and fret; everything else is solved again around it. Each entry of
``Riff.history`` is one note of one correction: ``{"op": "pin", "note", "string", "fret", "group",
"was"}`` or ``{"op": "unpin", "note", "group", "was"}``, where ``was`` is the pin before ([string,
fret] or null) and entries of one ``group`` were made, and are undone, together. ``{"op": "undo"}``
and ``{"op": "redo"}`` are entries too: the history only grows, and nothing that was done is lost.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping
from typing import Any

from transcribe.core.errors import ParameterError
from transcribe.core.overtones import likely_overtones
from transcribe.core.pitch import pitch_name
from transcribe.core.riff import Note, Remark, Riff
from transcribe.core.strokes import STROKE_SEC
from transcribe.core.wording import refusal
from transcribe.correct.history import next_group
from transcribe.fingering.hand import Hand, hand_of
from transcribe.fingering.plan import Unmet
from transcribe.fingering.repeats import repeat_groups
from transcribe.fingering.solver import Fingering, apply, pins_of, solve, unmet_facts, unmet_remarks

__all__ = [
    "pin",
    "pins_from_tab",
    "refinger",
    "repeats_of",
    "resolve",
    "unpin",
]

Place = tuple[int, int]


def refinger(riff: Riff, *, hand: Hand | None = None) -> Riff:
    """``riff`` solved again around its pins; a new ``hand`` is kept in the document."""
    solved, _ = resolve(riff, hand=hand)
    if hand is None:
        return solved
    player = dataclasses.replace(solved.player, hand_span_mm=hand.span_mm)
    return dataclasses.replace(solved, player=player)


def pins_from_tab(riff: Riff, edited: Riff) -> dict[int, Place]:
    """The notes of ``riff`` whose numbers were moved in ``edited``, a tab of it that was edited.

    The notes are matched onset by onset in order of time, and by pitch within an onset, so the
    times of the edited tab need not be exact. Each entry is a pin: note id -> (string, fret).

    Raises
    ------
    ParameterError
        If a note was added, dropped or given another pitch; the message says where.
    """
    mine = [note for note in riff.notes if note.string is not None]
    theirs = [note for note in edited.notes if note.string is not None]
    if len(mine) != len(theirs):
        raise ParameterError(
            f"the edited tab has {len(theirs)} notes and the riff {len(mine)}; move numbers to "
            "other strings, but keep every note"
        )
    pins: dict[int, Place] = {}
    start = 0
    for group in _onset_groups(mine):
        other = theirs[start : start + len(group)]
        start += len(group)
        if sorted(n.pitch_midi for n in group) != sorted(n.pitch_midi for n in other):
            raise ParameterError(_changed_pitch(group, other))
        left = list(other)
        for note in sorted(group, key=lambda n: n.pitch_midi):
            same = [n for n in left if n.pitch_midi == note.pitch_midi]
            match = next((n for n in same if n.string == note.string), same[0])
            left.remove(match)
            if match.string is not None and match.fret is not None and match.string != note.string:
                pins[note.id] = (match.string, match.fret)
    return pins


def _onset_groups(notes: list[Note]) -> list[list[Note]]:
    groups: list[list[Note]] = []
    for note in notes:
        if groups and _together(groups[-1][0], note):
            groups[-1].append(note)
        else:
            groups.append([note])
    return groups


def _together(first: Note, note: Note) -> bool:
    if first.onset_beat is not None and note.onset_beat is not None:
        return abs(note.onset_beat - first.onset_beat) < 1e-3
    return note.onset_sec - first.onset_sec < 0.05


def _changed_pitch(mine: list[Note], theirs: list[Note]) -> str:
    missing = [n for n in mine if n.pitch_midi not in {o.pitch_midi for o in theirs}]
    note = missing[0] if missing else mine[0]
    found = ", ".join(pitch_name(n.pitch_midi) for n in theirs)
    return (
        f"the edited tab has {found} where note {note.id} at {note.onset_sec:.2f} s is "
        f"{pitch_name(note.pitch_midi)}; a moved number must sound the same pitch"
    )


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
    hand: Hand | None = None,
) -> Riff:
    """``riff`` with notes held to ``places`` (id -> (string, fret)) and the rest solved again.

    With ``repeats`` the same notes of every repeat of the phrase are held to the same places,
    as one correction that is undone together. A repeat where that cannot be keeps its own place,
    and the document's ``unmet`` says so.

    Raises
    ------
    ParameterError
        If a note is not there, a place does not sound its pitch, two notes that begin together
        would share a string, or a note that begins with a pinned one would be left without a
        string; the message names the other note and the nearest place.
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
    solved, wanted, left = _pinned(riff, before, wanted, asked, hand)
    if left:
        solved = dataclasses.replace(solved, unmet=(*solved.unmet, *left))
    group = next_group(riff)
    entries = [
        {
            "op": "pin",
            "note": note_id,
            "string": place[0],
            "fret": place[1],
            "group": group,
            "was": _listed(before.get(note_id)),
        }
        for note_id, place in sorted(wanted.items())
    ]
    return dataclasses.replace(solved, history=(*riff.history, *entries))


def _pinned(
    riff: Riff,
    before: Mapping[int, Place],
    wanted: Mapping[int, Place],
    asked: frozenset[int],
    hand: Hand | None,
) -> tuple[Riff, dict[int, Place], list[Remark]]:
    """The riff solved around ``before`` and ``wanted``; pins that fight in a repeat are let go.

    Returns the riff, the pins of ``wanted`` that are kept, and a remark on each that is not.
    Raises ParameterError where one of ``asked`` cannot be kept.
    """
    kept = dict(wanted)
    left: list[Remark] = []
    while True:
        solved, fingering = resolve(riff, pins={**before, **kept}, hand=hand)
        clash = _clash(riff, fingering, before, kept)
        if clash is None:
            return solved, kept, left
        culprits = _culprits(riff, clash.note_id, kept)
        for note_id in culprits:
            if note_id in asked:
                others = {i: p for i, p in kept.items() if i != note_id}
                others = {**before, **others}
                raise refusal(_refused(riff, note_id, kept[note_id], clash, others))
        if not culprits:
            raise refusal(_refused(riff, clash.note_id, None, clash, before))
        for note_id in culprits:
            left.append(Remark("repeat-not-pinned", *_why(riff, clash, note_id)))
            del kept[note_id]


def _clash(
    riff: Riff, fingering: Fingering, before: Mapping[int, Place], new: Mapping[int, Place]
) -> Unmet | None:
    """A pin that is not kept, or a note that a ``new`` pin robs of its string; else None.

    An overtone that has found no string is no clash: it may not have been played at all.
    """
    had = {note.id for note in riff.notes if note.string is not None} - likely_overtones(riff.notes)
    for unmet in fingering.unmet:
        if unmet.note_id in before or unmet.note_id in new:
            return unmet
        if unmet.note_id in had and _culprits(riff, unmet.note_id, new):
            return unmet
    return None


def _culprits(riff: Riff, note_id: int, pins: Mapping[int, Place]) -> list[int]:
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
    hand: Hand | None = None,
) -> Riff:
    """``riff`` without the pins of ``note_ids`` (and of their repeats), solved again.

    Raises
    ------
    ParameterError
        If none of the notes is pinned.
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
    group = next_group(riff)
    entries = [{"op": "unpin", "note": i, "group": group, "was": _listed(before[i])} for i in gone]
    after = {i: place for i, place in before.items() if i not in gone}
    return _changed(riff, after, entries, hand)


def resolve(
    riff: Riff,
    *,
    pins: Mapping[int, Place] | None = None,
    hand: Hand | None = None,
) -> tuple[Riff, Fingering]:
    """``riff`` solved again around ``pins`` (those of the document where left out).

    What could not be kept, and wide stretches, are in the document's ``unmet`` and ``cautions``.
    """
    held = pins_of(riff) if pins is None else dict(pins)
    hand = hand_of(riff) if hand is None else hand
    fingering = solve(
        riff.notes, riff.instrument, hand=hand, drone=riff.drone, pins=held, rhythm=riff.rhythm
    )
    failed = {u.note_id for u in fingering.unmet}
    notes = tuple(
        dataclasses.replace(note, pinned=note.id in held and note.id not in failed)
        for note in apply(riff.notes, fingering)
    )
    solved = dataclasses.replace(
        riff,
        notes=notes,
        cautions=fingering.cautions,
        unmet=unmet_remarks(notes, fingering, riff.instrument),
    )
    return solved, fingering


def _changed(
    riff: Riff,
    pins: Mapping[int, Place],
    entries: list[dict[str, Any]],
    hand: Hand | None,
) -> Riff:
    solved, _ = resolve(riff, pins=pins, hand=hand)
    return dataclasses.replace(solved, history=(*riff.history, *entries))


def _why(riff: Riff, clash: Unmet, note_id: int) -> tuple[dict[str, Any], tuple[int, ...]]:
    """Facts and notes of a remark on a note whose pin brings about ``clash``."""
    note = riff.note(note_id)
    if clash.note_id == note_id:
        return unmet_facts(note, clash)
    lost = riff.note(clash.note_id)
    robbed = Unmet(note_id, "note-robbed", {"other_midi": lost.pitch_midi}, fights=lost.id)
    return unmet_facts(note, robbed)


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
        _, fingering = resolve(riff, pins={**others, note_id: other})
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
        raise refusal(Remark("no-such-string", facts, (note_id,)))
    if riff.instrument.fret_of(string, note.pitch_midi) != fret:
        raise refusal(_wrong_place(riff, note, place))


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


def _listed(place: Place | None) -> list[int] | None:
    return None if place is None else [place[0], place[1]]
