"""Changes of the notes as they are written on the command line.

A moment is written ``3:2.5`` or ``3:2&`` (bar 3, beat 2 and a half, as beats are counted under the
tab), or ``4.2s`` in seconds; notes are written as in `transcribe.correct.selectors`.
"""

from __future__ import annotations

import re

from transcribe.core.clock import Clock
from transcribe.core.errors import ParameterError
from transcribe.core.pitch import parse_pitch
from transcribe.core.riff import Remark, Riff
from transcribe.core.score_place import COUNTS
from transcribe.correct import note_edits
from transcribe.correct.selectors import notes_of

__all__ = ["add", "merge", "move", "set_pitch", "set_technique", "split", "with_own_technique"]

_SECONDS = re.compile(r"(\d+(?:\.\d+)?)s")
_BEAT = re.compile(r"(?:bar:?)?(\d+):(\d+)(\.\d+|[ea&tl]?)")
_PLACE = re.compile(r"(\d+)/(\d+)")
_PARTS = {sign: k / n for n, signs in COUNTS.items() for k, sign in enumerate(signs, 1)}
_BEATS, _SEC = 1.0, 0.5  # an added note lasts so long, or to the next note


def add(riff: Riff, text: str) -> Riff:
    """``riff`` with the note that ``text`` says: ``3:2.5=E4``, or ``3:2.5=4/7`` on its place.

    It sounds to the next note, at most for a beat.

    Raises
    ------
    ParameterError
        If ``text`` is no such note, or the note cannot be there.
    """
    at, what = _halves(text, "a note to add", "3:2.5=E4 (bar 3, beat 2 and a half) or 3:2.5=4/7")
    onset_sec = _sec(riff, at)
    place = None
    if match := _PLACE.fullmatch(what):
        place = (int(match[1]), int(match[2]))
        pitch = _sounds(riff, place)
    else:
        pitch = parse_pitch(what)
    later = [n.onset_sec for n in riff.notes if n.onset_sec > onset_sec + note_edits.SHORTEST_SEC]
    end = min([onset_sec + _SEC if _clock(riff) is None else _after(riff, onset_sec), *later])
    return note_edits.add(riff, onset_sec=onset_sec, offset_sec=end, pitch_midi=pitch, place=place)


def set_pitch(riff: Riff, text: str) -> Riff:
    """``riff`` with another pitch for one note: ``12=E4``.

    Raises
    ------
    ParameterError
        If ``text`` is no such change, or the note cannot have that pitch.
    """
    note, pitch = _halves(text, "a change of pitch", "12=E4")
    return note_edits.change(riff, _number(note), pitch_midi=parse_pitch(pitch))


def move(riff: Riff, text: str) -> Riff:
    """``riff`` with one note at another moment, as long as it was: ``12=3:2.5``.

    Raises
    ------
    ParameterError
        If ``text`` is no such change, or the note cannot be there.
    """
    note_id, at = _halves(text, "a move", "12=3:2.5 (note 12 to bar 3, beat 2 and a half)")
    onset_sec = _sec(riff, at)
    note = next((n for n in riff.notes if n.id == _number(note_id)), None)
    length = 0.0 if note is None else note.offset_sec - note.onset_sec
    return note_edits.change(
        riff, _number(note_id), onset_sec=onset_sec, offset_sec=onset_sec + length
    )


def split(riff: Riff, text: str) -> Riff:
    """``riff`` with one note struck twice: ``12`` in its middle, ``12=3:2.5`` again at that moment.

    Raises
    ------
    ParameterError
        If ``text`` is no such change, or the moment lies outside the note.
    """
    note, _, at = text.partition("=")
    return note_edits.split(riff, _number(note), at_sec=_sec(riff, at) if at else None)


def merge(riff: Riff, text: str) -> Riff:
    """``riff`` with several notes made one: ``12,13``.

    Raises
    ------
    ParameterError
        If ``text`` names fewer than two notes, or one that is not there.
    """
    return note_edits.merge(riff, notes_of(riff, text))


def set_technique(riff: Riff, text: str) -> Riff:
    """``riff`` with notes played in another way: ``12=hammer-on``, ``bar:2=vibrato``.

    Vibrato for a bar or a phrase goes to its notes that are picked plainly: a note has one
    technique, and the others keep theirs (`with_own_technique`) unless they are named by their ids.

    Raises
    ------
    ParameterError
        If ``text`` is no such change, or there is no such note or technique.
    """
    notes, how = _halves(text, "a technique", "12=hammer-on, 12,13=slide or bar:2=vibrato")
    own = {i for remark in with_own_technique(riff, text) for i in remark.notes}
    chosen = [i for i in notes_of(riff, notes) if i not in own]
    if not chosen:
        raise ParameterError(
            f"the notes of {notes} have techniques of their own; name those that are {how} "
            f"instead, such as {min(own)}={how}"
        )
    return note_edits.set_technique(riff, chosen, how)


def with_own_technique(riff: Riff, text: str) -> tuple[Remark, ...]:
    """The notes that `set_technique` leaves as they are, in one remark; none where there is none.

    Raises what `set_technique` raises.
    """
    notes, how = _halves(text, "a technique", "12=hammer-on, 12,13=slide or bar:2=vibrato")
    if how != "vibrato":
        return ()
    named = {int(part) for part in notes.split(",") if part.strip().isdecimal()}
    there = [riff.note(i) for i in notes_of(riff, notes) if i not in named]
    own = [note for note in there if note.articulation not in ("picked", how)]
    if not own:
        return ()
    facts = {"technique": how, "own": [note.articulation for note in own]}
    return (Remark("own-technique", facts, tuple(note.id for note in own)),)


def _halves(text: str, what: str, such_as: str) -> tuple[str, str]:
    before, sign, after = (part.strip() for part in text.partition("="))
    if not (before and sign and after):
        raise ParameterError(f"{text!r} is not {what}; write {such_as}")
    return before, after


def _number(text: str) -> int:
    if not text.strip().isdecimal():
        raise ParameterError(
            f"{text!r} is no note; write the ID of one, as handspan show RIFF --notes lists them"
        )
    return int(text)


def _clock(riff: Riff) -> Clock | None:
    return None if riff.rhythm is None else Clock(riff.rhythm)


def _after(riff: Riff, onset_sec: float) -> float:
    """The end of a beat that begins at ``onset_sec``."""
    clock = _clock(riff)
    assert clock is not None
    return float(clock.sec(clock.beat(onset_sec) + _BEATS))


def _sec(riff: Riff, text: str) -> float:
    """The moment that ``text`` says, in seconds."""
    if match := _SECONDS.fullmatch(text):
        return float(match[1])
    match = _BEAT.fullmatch(text)
    clock = _clock(riff)
    if match is None or clock is None:
        way = "in seconds, such as 4.2s" if clock is None else "such as 3:2.5 or 3:2& (bar 3), 4.2s"
        raise ParameterError(f"{text!r} is no moment; write one {way}")
    assert riff.rhythm is not None
    top = riff.rhythm.meter[0]
    bar, beat, part = int(match[1]), int(match[2]), match[3]
    if not 1 <= beat <= top:
        raise ParameterError(f"{text!r}: the beats of a bar are numbered 1 to {top}")
    within = float(part) if part.startswith(".") else _PARTS.get(part, 0.0)
    return float(clock.sec((bar - 1) * top + beat - 1 + within))


def _sounds(riff: Riff, place: tuple[int, int]) -> int:
    """The pitch of a place on the neck."""
    neck = riff.instrument
    if not (1 <= place[0] <= len(neck.open_midi) and 0 <= place[1] <= neck.top_fret):
        raise ParameterError(
            f"there is no string {place[0]} fret {place[1]} on this neck "
            f"(strings 1 to {len(neck.open_midi)}, frets 0 to {neck.top_fret})"
        )
    return neck.pitch_midi(*place)
