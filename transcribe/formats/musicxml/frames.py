"""The grip of a chord as MusicXML keeps it: a ``frame`` under the chord's symbol.

Conventions: ``frets`` and ``fingers`` list string 1, the highest, first; fret 0 is open, None is
a string that is not played; fingers 1 (index) to 4 (little finger), 0 for an open string.

A finger that stops several strings is marked as a barre, from the lowest string to the highest.
The order of elements is that of ``frame`` and ``frame-note`` in MusicXML 4.0.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from transcribe.core.riff import Note
from transcribe.formats.musicxml.tree import tag

__all__ = ["frame_of", "grip_in", "grip_struck"]

_FEWEST_STRINGS = 3  # of a chord: two strings together are an interval
_LEAST_FRETS = 4  # that a frame shows, as the pictures of chords do
_MAX_STRINGS, _MAX_FRET = 12, 36  # of any instrument


def frame_of(frets: Sequence[int | None], fingers: Sequence[int | None]) -> ET.Element:
    """The ``frame`` element of a grip.

    Examples
    --------
    >>> frame = frame_of((1, 1, 2, 3, 3, 1), (1, 1, 2, 4, 3, 1))
    >>> [n.find("barre").get("type") for n in frame.iter("frame-note") if n.find("barre") != None]
    ['start', 'stop']
    """
    stopped = [fret for fret in frets if fret]
    first = min(stopped) if stopped and max(stopped) > _LEAST_FRETS else 1
    rows = max([_LEAST_FRETS, *(fret - first + 1 for fret in stopped)])
    held = list(enumerate(zip(frets, fingers, strict=True), 1))
    barres = dict(_barres({string: place for string, place in held if place[0]}))
    notes = (
        tag(
            "frame-note",
            tag("string", string),
            tag("fret", fret),
            tag("fingering", finger) if finger else None,
            tag("barre", type=barres[string]) if string in barres else None,
        )
        for string, (fret, finger) in reversed(held)
        if fret is not None
    )
    return tag(
        "frame",
        tag("frame-strings", len(frets)),
        tag("frame-frets", rows),
        tag("first-fret", first) if first > 1 else None,
        *notes,
        unplayed="x",
    )


def _barres(
    places: Mapping[int, tuple[int | None, int | None]],
) -> Iterable[tuple[int, str]]:
    """(string, side) of the ends of every barre among stopped places, (fret, finger) by string."""
    strings: dict[tuple[int, int], list[int]] = {}
    for string, (fret, finger) in places.items():
        if fret and finger:
            strings.setdefault((fret, finger), []).append(string)
    for under in strings.values():
        if len(under) > 1:
            yield max(under), "start"
            yield min(under), "stop"


def grip_in(frame: ET.Element) -> dict[str, Any] | None:
    """``frets`` and ``fingers`` of a ``frame`` element, None where it makes no sense.

    Examples
    --------
    >>> grip_in(frame_of((0, 1, 0, 2, 3, None), (0, 1, 0, 2, 3, None)))
    {'frets': [0, 1, 0, 2, 3, None], 'fingers': [0, 1, 0, 2, 3, None]}
    """
    strings = _whole(frame, "frame-strings", _MAX_STRINGS)
    if not strings:
        return None
    frets: list[int | None] = [None] * strings
    fingers: list[int | None] = [None] * strings
    for note in frame.findall("frame-note"):
        string, fret = _whole(note, "string", strings), _whole(note, "fret", _MAX_FRET)
        if not string or fret is None:
            return None
        frets[string - 1] = fret
        fingers[string - 1] = _whole(note, "fingering", 4) if fret else 0
    return {"frets": frets, "fingers": fingers} if any(f is not None for f in frets) else None


def _whole(node: ET.Element, name: str, most: int) -> int | None:
    """The whole number of a child, 0 to ``most``; None where it is no such number."""
    text = node.findtext(name, "").strip()
    return int(text) if text.isdecimal() and len(text) < 4 and int(text) <= most else None


def grip_struck(strokes: Iterable[Sequence[Note]], strings: int) -> dict[str, Any] | None:
    """The grip of the fullest of ``strokes``, of these the one struck most often; None without.

    An up stroke reaches fewer strings than the hand holds. Dead notes sound no string.
    """
    count: Counter[tuple[tuple[int | None, int | None], ...]] = Counter()
    for stroke in strokes:
        held = {n.string: n for n in stroke if n.string and n.articulation != "dead"}
        if len(held) >= _FEWEST_STRINGS:
            notes = [held.get(string) for string in range(1, strings + 1)]
            count[tuple((n.fret, n.finger) if n else (None, None) for n in notes)] += 1
    if not count:
        return None
    fullest = max(count, key=lambda grip: (sum(f is not None for f, _ in grip), count[grip]))
    return {"frets": [fret for fret, _ in fullest], "fingers": [finger for _, finger in fullest]}
