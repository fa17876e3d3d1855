"""What a correction names: one note, a bar or a phrase, and where its notes should lie.

Written on the command line as ``12=3/7`` (note 12 on string 3, fret 7), ``12,13=4`` (both on string
4), ``bar:2=4`` (the notes of bar 2 on string 4), ``phrase:A=4``, or ``bar:2`` alone (the notes of
bar 2 stay where they lie). Pins are let go by ``12``, ``bar:2``, ``phrase:A`` or ``all``, notes
taken out by ``12``, ``bar:2`` or ``phrase:A``. A text tab that was edited names its places by
itself.
"""

from __future__ import annotations

import dataclasses
import os
import re
from collections.abc import Sequence

from transcribe.core.errors import ParameterError
from transcribe.core.key import pitch_in
from transcribe.core.riff import Note, Remark, Riff, places_of
from transcribe.core.score_place import place_of_note
from transcribe.core.strokes import STROKE_SEC
from transcribe.correct.several import places_on_string

__all__ = [
    "notes_of",
    "pinned_of",
    "places_asked",
    "places_in_tab",
    "unmoved",
]

_SAME_BEATS = 0.02  # beats that a note of an edited tab may lie from the riff's
_MAX_FAULTS = 3

_NOTE = re.compile(r"^(\d+)=(\d+)/(\d+)$")
_NOTES = re.compile(r"^(\d+(?:,\d+)*)=(\d+)$")
_STRETCH = re.compile(r"^(bar|phrase):([^=]+)(?:=(\d+))?$")


def places_asked(riff: Riff, text: str) -> dict[int, tuple[int, int]]:
    """The places that ``text`` asks for: note id -> (string, fret).

    For a bar or a phrase with a string, open strings of the drone stay, and so do notes that the
    string cannot sound; a phrase means its first pass (its repeats follow it anyway).

    Raises
    ------
    ParameterError
        If ``text`` is none of the forms above, names a bar or phrase that is not there, or
        moves no note.
    """
    if match := _NOTE.match(text):
        note_id, wanted_string, wanted_fret = (int(part) for part in match.groups())
        return {note_id: (wanted_string, wanted_fret)}
    if match := _NOTES.match(text):
        return places_on_string(riff, notes_of(riff, match[1]), int(match[2]))
    if not (match := _STRETCH.match(text)):
        raise ParameterError(
            f"{text!r} is not a pin; write ID=STRING/FRET such as 12=3/7, or 12,13=4 for notes on "
            "a string, or bar:2=4, phrase:A=4, or bar:2 to hold a bar as it is"
        )
    kind, name, wanted = match.groups()
    notes = _of_stretch(riff, kind, name)
    if wanted is None:
        return places_of(notes)
    string = int(wanted)
    if not 1 <= string <= len(riff.instrument.open_midi):
        raise ParameterError(f"there is no string {string} on this instrument")
    drones = set() if riff.drone is None else {riff.drone.string, *riff.drone.other_strings}
    places = {}
    for note in notes:
        fret = riff.instrument.fret_of(string, note.pitch_midi)
        if fret is not None and not (note.string in drones and note.fret == 0):
            places[note.id] = (string, fret)
    if not places:
        raise ParameterError(f"no note of {kind} {name} can be played on string {string}")
    return places


def unmoved(riff: Riff, text: str) -> tuple[Remark, ...]:
    """The notes of a bar or phrase that do not go to the string which ``text`` asks for, and why.

    Empty where all of them go; raises what `places_asked` raises.
    """
    match = _STRETCH.match(text)
    if match is None or match[3] is None:
        return ()
    going = places_asked(riff, text)
    kind, name, string = match[1], match[2], int(match[3])
    left = [note for note in _of_stretch(riff, kind, name) if note.id not in going]
    reasons: dict[str, list[Note]] = {}
    for note in left:
        no_fret = riff.instrument.fret_of(string, note.pitch_midi) is None
        reasons.setdefault("no-fret" if no_fret else "drone", []).append(note)
    return tuple(
        Remark(
            "not-moved",
            {"string": string, "reason": reason, "pitches_midi": [n.pitch_midi for n in notes]},
            tuple(n.id for n in notes),
        )
        for reason, notes in sorted(reasons.items(), reverse=True)
    )


def notes_of(riff: Riff, text: str) -> tuple[int, ...]:
    """The ids of the notes that ``text`` names: ``12``, ``bar:2``, ``phrase:A`` or ``unsure``.

    Several of these are joined by commas.

    Raises
    ------
    ParameterError
        If ``text`` is none of these, the bar or phrase is not there, or no note is unsure.
    """
    if "," in text:
        return tuple(i for part in text.split(",") for i in notes_of(riff, part.strip()))
    if text.isdecimal():
        return (int(text),)
    if text == "unsure":
        unsure = tuple(note.id for note in riff.notes if note.unsure)
        if not unsure:
            raise ParameterError("no note of this riff is unsure")
        return unsure
    match = _STRETCH.match(text)
    if match is None or match[3] is not None:
        raise ParameterError(
            f"{text!r} names no notes; write the ID of a note, bar:2, phrase:A or unsure, several "
            "joined by commas"
        )
    notes = _of_stretch(riff, match[1], match[2])
    return tuple(note.id for note in notes)


def pinned_of(riff: Riff, text: str) -> tuple[int, ...]:
    """The ids of the pinned notes that ``text`` names: ``12``, ``bar:2``, ``phrase:A`` or ``all``.

    A note that is named by its id is given back pinned or not.

    Raises
    ------
    ParameterError
        If ``text`` is none of these, or no note of the bar or phrase is pinned.
    """
    if text.isdecimal():
        return (int(text),)
    if text == "all":
        notes, what = list(riff.notes), "the riff"
    elif (match := _STRETCH.match(text)) and match[3] is None:
        what = f"{match[1]} {match[2]}"
        notes = _of_stretch(riff, match[1], match[2])
    else:
        raise ParameterError(
            f"{text!r} names no pin to let go; write the ID of a note, bar:2, phrase:A or all, "
            "without a place"
        )
    pinned = tuple(note.id for note in notes if note.pinned)
    if not pinned:
        others = ", ".join(str(n.id) for n in riff.notes if n.pinned)
        raise ParameterError(f"no note of {what} is pinned; pinned are: {others or 'none'}")
    return pinned


def places_in_tab(riff: Riff, source: str | os.PathLike[str]) -> dict[int, tuple[int, int]]:
    """The places of the notes whose numbers were moved in an edited text tab of ``riff``.

    Raises
    ------
    FormatError
        If the tab cannot be read.
    ParameterError
        If a number was lost, added or sounds another pitch, or a dead note was moved to a string
        that does not reach its pitch; the message says where.
    """
    from transcribe.formats.tab.read import read_tab

    edited = read_tab(source)
    name = os.path.basename(os.fspath(source)) if "\n" not in str(source) else "the tab"
    mine = [note for note in riff.notes if note.string is not None]
    pins: dict[int, tuple[int, int]] = {}
    missed = 0
    left = list(edited.notes)
    for note in mine:
        match = _match(note, left)
        if match is None:
            missed += 1
            continue
        left.remove(match)
        found = _sounding(note, match, riff, name)
        if found.string is not None and found.fret is not None and found.string != note.string:
            pins[note.id] = (found.string, found.fret)
    if missed or left:
        faults = _faults(riff, mine, list(edited.notes))
        more = len(faults) - _MAX_FAULTS
        raise ParameterError(
            f"{name}: {'; '.join(faults[:_MAX_FAULTS])}{f'; and {more} more' if more > 0 else ''}; "
            "move numbers to other strings, where they sound the same pitch, and keep every note "
            "(--delete ID takes one out)"
        )
    return pins


def _apart(a: Note, b: Note) -> float:
    """How far apart two notes begin, in shares of what still is together."""
    if a.onset_beat is not None and b.onset_beat is not None:
        return abs(a.onset_beat - b.onset_beat) / _SAME_BEATS
    return abs(a.onset_sec - b.onset_sec) / STROKE_SEC


def _match(note: Note, others: Sequence[Note]) -> Note | None:
    """The note of an edited tab that is ``note``, on the same string where there are two."""
    same = [
        other
        for other in others
        if _apart(note, other) <= 1
        and (
            other.pitch_midi == note.pitch_midi
            or (other.articulation == "dead" and note.articulation == "dead")
        )
    ]
    return min(same, key=lambda o: (o.string != note.string, o.id), default=None)


def _sounding(note: Note, found: Note, riff: Riff, name: str) -> Note:
    """``found`` with the pitch of ``note``: a dead note has none of its own in a tab."""
    if found.pitch_midi == note.pitch_midi or found.string is None:
        return found
    fret = riff.instrument.fret_of(found.string, note.pitch_midi)
    if fret is None:
        raise ParameterError(
            f"{name}: {place_of_note(riff, note)}: the dead note {note.id} is heard near "
            f"{pitch_in(riff, note.pitch_midi)}, which string {found.string} does not reach; "
            "move it to a string that does"
        )
    return dataclasses.replace(found, pitch_midi=note.pitch_midi, fret=fret)


def _faults(riff: Riff, mine: Sequence[Note], theirs: Sequence[Note]) -> list[str]:
    """What an edited tab lost, added or changed, in order of time."""
    lost, new = list(mine), list(theirs)
    for note in mine:
        if (match := _match(note, new)) is not None:
            lost.remove(note)
            new.remove(match)
    faults: list[tuple[float, str]] = []
    for note in lost:
        where, name = place_of_note(riff, note), pitch_in(riff, note.pitch_midi)
        near = [other for other in new if _apart(note, other) <= 1]
        near = [other for other in near if other.string == note.string] or near
        if near:
            other = near[0]
            new.remove(other)
            text = (
                f"{where}: string {other.string} fret {other.fret} sounds "
                f"{pitch_in(riff, other.pitch_midi)}, but the note there is {name}, string "
                f"{note.string} fret {note.fret}"
            )
        else:
            text = (
                f"{where}: the number of note {note.id} is lost, string {note.string} fret "
                f"{note.fret} ({name})"
            )
        faults.append((note.onset_sec, text))
    for other in new:
        where = place_of_note(riff, other)
        text = f"{where}: string {other.string} fret {other.fret} is not in the riff"
        faults.append((other.onset_sec, text))
    return [text for _, text in sorted(faults, key=lambda pair: pair[0])]


def _of_stretch(riff: Riff, kind: str, name: str) -> list[Note]:
    return _of_bar(riff, name) if kind == "bar" else _of_phrase(riff, name)


def _of_bar(riff: Riff, name: str) -> list[Note]:
    if riff.rhythm is None or not name.isdecimal():
        raise ParameterError(
            f"bar {name!r} cannot be found; bars are numbered from 1 as in the tab"
        )
    beats = riff.rhythm.meter[0]
    first = (int(name) - 1) * beats
    return _between(riff, first, first + beats, f"bar {name}")


def _of_phrase(riff: Riff, name: str) -> list[Note]:
    phrases = () if riff.rhythm is None else riff.rhythm.phrases
    for phrase in phrases:
        if phrase.label == name:
            return _between(riff, phrase.start_beat, phrase.end_beat, f"phrase {name}")
    labels = ", ".join(dict.fromkeys(phrase.label for phrase in phrases))
    raise ParameterError(f"there is no phrase {name!r}; there are: {labels or 'none'}")


def _between(riff: Riff, start_beat: float, end_beat: float, what: str) -> list[Note]:
    notes = [
        note
        for note in riff.notes
        if note.onset_beat is not None and start_beat - 1e-6 <= note.onset_beat < end_beat - 1e-6
    ]
    if not notes:
        raise ParameterError(f"{what} holds no notes")
    return notes
