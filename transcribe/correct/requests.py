"""What a player asks of the fingering, in words, and another fingering taken: as steps.

Words are such as ``7th position``, ``no open strings``, ``let it ring``, ``along string 3``,
``highest fret 12`` and ``three notes a string``, of the whole riff or of a part of it: ``7th
position in bars 3 to 4``, ``let it ring, phrase A``.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Collection, Iterable

from transcribe.core.errors import ParameterError
from transcribe.core.riff import Request, Riff
from transcribe.core.wording import asked_for
from transcribe.correct.history import record
from transcribe.correct.pins import places_as_written
from transcribe.correct.selectors import notes_of
from transcribe.correct.solving import find_again
from transcribe.fingering.asked import check_request, in_the_way
from transcribe.fingering.repeats import repeat_groups

__all__ = ["ask", "name_of_request", "request_of", "take", "withdraw"]

_ORDINALS = (
    *("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth"),
    *("tenth", "eleventh", "twelfth"),
)
_NUMBER = r"(?P<number>\d+)(?:st|nd|rd|th)?"
_WORDS = {
    "position": rf"(?:in )?(?:the )?(?:{_NUMBER} position|position (?P<number2>\d+))",
    "no-open-strings": r"(?:no|without) open(?: strings?)?",
    "let-ring": r"let (?:it |them )?ring",
    "along-string": r"(?:along|on) (?:the )?(?:string (?P<number>\d+))",
    "highest-fret": r"(?:highest fret|up to fret) (?P<number>\d+)",
    "three-a-string": r"(?:three|3) notes (?:a|per) string",
}
_PART = re.compile(
    r"[,;]? ?(?:(?:in|for|of) )?(?:the )?"
    r"(?:bars?[ :](?P<first>\d+)(?: ?(?:-|to|and) ?(?P<last>\d+))?|phrase[ :](?P<phrase>\S+))"
    r"[,;:]? ?",
    re.IGNORECASE,
)


def request_of(riff: Riff, text: str, *, repeats: bool = True) -> Request:
    """The request that ``text`` says in words.

    Parameters
    ----------
    repeats : bool
        Whether what is asked of a bar or a phrase is asked of its repeats, too.

    Raises
    ------
    ParameterError
        If the words are none that are known, the bar or phrase is not there, or the neck lacks
        the position, string or fret.

    Examples
    --------
    >>> request_of(Riff(), "in seventh position")
    Request(kind='position', number=7, notes=None, name='', places={}, extra={})
    """
    words = " ".join(text.lower().split())
    for number, ordinal in enumerate(_ORDINALS, 1):
        words = re.sub(rf"\b{ordinal}\b", f"{number}th", words)
    ids: tuple[int, ...] | None = None
    if part := _PART.search(" ".join(text.split())):
        ids = _notes_of_part(riff, part)
        ids = _with_repeats(riff, ids) if repeats else ids
        words = _PART.sub("", words).strip(" ,;:")
    for kind, pattern in _WORDS.items():
        if match := re.fullmatch(pattern, words):
            groups = match.groupdict()
            number_text = groups.get("number") or groups.get("number2")
            request = Request(kind, None if number_text is None else int(number_text), ids)
            check_request(request, riff.instrument)
            return request
    raise ParameterError(
        f"{text!r} is nothing that can be asked of a fingering; ask for 7th position, no open "
        "strings, let it ring, along string 3, highest fret 12 or three notes a string, and for a "
        "part of the riff add: in bars 3 to 4, or: in phrase A"
    )


def _notes_of_part(riff: Riff, part: re.Match[str]) -> tuple[int, ...]:
    if part["phrase"] is not None:
        return notes_of(riff, f"phrase:{part['phrase'].strip(',;:')}")
    first, last = int(part["first"]), int(part["last"] or part["first"])
    if last < first:
        raise ParameterError(f"bars {first} to {last} run backwards")
    if last - first > len(riff.notes):
        raise ParameterError(f"there is no bar {last}; bars are numbered from 1 as in the tab")
    return tuple(i for bar in range(first, last + 1) for i in notes_of(riff, f"bar:{bar}"))


def _with_repeats(riff: Riff, ids: tuple[int, ...]) -> tuple[int, ...]:
    phrases = () if riff.rhythm is None else riff.rhythm.phrases
    chosen = set(ids)
    alike = {
        other
        for group in repeat_groups(riff.notes, phrases)
        for linked in group
        if chosen & set(linked)
        for other in linked
    }
    return tuple(note.id for note in riff.notes if note.id in chosen | alike)


def ask(riff: Riff, requests: Iterable[Request]) -> Riff:
    """``riff`` solved again as it is asked for, as one step.

    A request takes the place of earlier ones of its kind for the same notes, or for fewer. Where
    it cannot be kept, the document's ``unmet`` names the first note and the reason. Pins hold
    before it; places that a file brought along give way.

    Raises
    ------
    ParameterError
        If the neck lacks the position, string or fret.
    """
    asked = list(riff.player.requests)
    written = places_as_written(riff)
    free: set[int] = set()
    for request in requests:
        check_request(request, riff.instrument)
        asked = [old for old in asked if not _replaces(request, old)]
        asked.append(request)
        free |= in_the_way(request, riff.notes, written) & written.keys()
    return _asked(riff, asked, "request", free=free)


def _replaces(new: Request, old: Request) -> bool:
    same = new.kind == old.kind
    return same and (new.notes is None or set(old.notes or ()) <= set(new.notes) != set())


def withdraw(riff: Riff, numbers: Iterable[int] | None = None) -> Riff:
    """``riff`` without requests, by their number from 1, or without all of them, as one step.

    Raises
    ------
    ParameterError
        If nothing is asked, or there is no request of a number.
    """
    there = riff.player.requests
    if not there:
        raise ParameterError("nothing is asked of this fingering")
    gone = set(range(1, len(there) + 1) if numbers is None else numbers)
    if off := sorted(gone - set(range(1, len(there) + 1))):
        listed = "; ".join(f"{n} {name_of_request(request)}" for n, request in enumerate(there, 1))
        raise ParameterError(f"there is no request {off[0]}; asked are: {listed}")
    left = [request for n, request in enumerate(there, 1) if n not in gone]
    return _asked(riff, left, "withdrawn request")


def name_of_request(request: Request) -> str:
    """A request as a player would say it.

    Examples
    --------
    >>> name_of_request(Request("along-string", 3, (1, 2)))
    'along string 3, of 2 notes'
    """
    if request.kind == "taken":
        return request.name
    part = "" if request.notes is None else f", of {len(request.notes)} notes"
    return asked_for(request.kind, request.number) + part


def take(riff: Riff, number: int) -> Riff:
    """``riff`` fingered like its other fingering ``number``, from 1, as one step.

    Pins stay, and so does what was asked; later corrections leave the rest as it was taken. 0
    gives up what was taken.

    Raises
    ------
    ParameterError
        If there is no such fingering, or the riff is fingered like that already.
    """
    others = riff.alternatives
    asked = [request for request in riff.player.requests if request.kind != "taken"]
    if not 0 <= number <= len(others):
        there = f"there are {len(others)}" if others else "there is none"
        raise ParameterError(f"there is no other fingering {number}; {there}")
    if number:
        other = others[number - 1]
        # What is asked after it is kept before it.
        asked.insert(0, Request("taken", name=other.name, places=dict(other.positions)))
    if tuple(asked) == riff.player.requests:
        raise ParameterError("the riff is fingered like that already")
    return _asked(riff, asked, "other fingering", others=False)


def _asked(
    riff: Riff,
    requests: Iterable[Request],
    kind: str,
    *,
    others: bool = True,
    free: Collection[int] = (),
) -> Riff:
    """``riff`` solved again for ``requests``, the pins of the notes ``free`` let go."""
    player = dataclasses.replace(riff.player, requests=tuple(requests))
    notes = tuple(dataclasses.replace(n, pinned=n.pinned and n.id not in free) for n in riff.notes)
    changed = dataclasses.replace(riff, notes=notes, player=player)
    new = find_again(riff, changed, others=others)
    return record(riff, new, kind)
