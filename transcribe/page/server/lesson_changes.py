"""The changes that the page asks of a lesson, checked, and as the lesson that comes of them."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from typing import Any

from transcribe.core.clock import bpm_as_counted
from transcribe.core.errors import ParameterError
from transcribe.core.lesson import Lesson, LessonPart
from transcribe.core.riff import Riff
from transcribe.lesson import lesson_edits as edits
from transcribe.page.worker.settings import number

__all__ = ["MOST_PARTS", "changed", "part_of", "short_text"]

MOST_PARTS = 100
_NAME, _NOTE, _FORM = 200, 4000, 20_000  # letters

_Reader = Callable[[LessonPart], Riff]


def changed(
    lesson: Lesson, edit: Mapping[str, Any], *, riff_of: _Reader, new_riff: Callable[[str], str]
) -> Lesson:
    """``lesson`` with one change, ``edit["op"]``, as the page names it.

    Parameters
    ----------
    riff_of : callable
        The whole riff of a part.
    new_riff : callable
        The file of the riff with an id, for a part that is added.

    Raises
    ------
    ParameterError
        If the change is none, or cannot be made.
    """
    op = edit.get("op")
    if op == "title":
        return dataclasses.replace(lesson, title=short_text(edit, "title", _NAME).strip())
    if op == "form":
        return edits.set_form(lesson, short_text(edit, "form", _FORM))
    if op == "order":
        order = edit.get("parts")
        if not isinstance(order, list) or not all(isinstance(label, str) for label in order):
            raise ParameterError("The page sent no order of the parts; reload it.")
        return edits.reorder(lesson, order)
    if op == "add":
        if len(lesson.parts) >= MOST_PARTS:
            raise ParameterError(f"A lesson has {MOST_PARTS} parts at most; drop one first.")
        file = new_riff(str(edit.get("riff")))
        return edits.add_part(lesson, file, short_text(edit, "name", _NAME).strip())
    part = part_of(lesson, edit.get("part"))
    if op == "call":
        names = {part.label: _name(edit)}
        if edit.get("swap") is not None:
            names[part_of(lesson, edit["swap"]).label] = part.name
        return edits.call_parts(lesson, names)
    if op == "note":
        return edits.change_part(lesson, part.label, note=short_text(edit, "note", _NOTE).strip())
    if op == "bars":
        return edits.change_part(lesson, part.label, bars=_bars(edit, riff_of(part)))
    if op == "start":
        return edits.change_part(lesson, part.label, start_bpm=_start(edit, riff_of(part)))
    if op == "drop":
        return edits.drop_part(lesson, part.label)
    if op == "cut":
        bar = int(number(edit, "bar", 0, 1e5))
        return edits.cut_part(lesson, part.label, bar, riff_of(part))
    if op == "join":
        whole = edits.join_bars(lesson, part.label, part_of(lesson, edit.get("other")).label)
        if whole is not None:
            return whole
        raise ParameterError("These two parts do not show neighbouring bars of one riff.")
    raise ParameterError("The page asked for a change that there is none of; reload it.")


def part_of(lesson: Lesson, label: Any) -> LessonPart:
    """The part with ``label``. Raises ParameterError where there is none."""
    try:
        return lesson.part(str(label))
    except KeyError:
        raise ParameterError("That part is not in the lesson any more.") from None


def short_text(values: Mapping[str, Any], key: str, most: int) -> str:
    """The text under ``key``. Raises ParameterError if it is none or too long."""
    text = values.get(key, "")
    if not isinstance(text, str):
        raise ParameterError(f"The {key} is no text; reload the page.")
    if len(text) > most:
        raise ParameterError(f"The {key} has {len(text)} letters, and {most} are the most.")
    return text


def _name(edit: Mapping[str, Any]) -> str:
    return " ".join(short_text(edit, "name", _NAME).split())


def _bars(edit: Mapping[str, Any], riff: Riff) -> tuple[int, int] | None:
    given = edit.get("bars")
    if given is None:
        return None
    if not isinstance(given, list) or len(given) != 2:
        raise ParameterError("Give the first and the last bar, or none for all.")
    first, last = (int(number({"bar": bar}, "bar", 0, 1e5)) for bar in given)
    return edits.checked_bars(riff, first, last)


def _start(edit: Mapping[str, Any], riff: Riff) -> float | None:
    """Units of the meter a minute, from a tempo as it is counted."""
    if edit.get("bpm") is None:
        return None
    meter = None if riff.rhythm is None else riff.rhythm.meter
    return bpm_as_counted(number(edit, "bpm", 1, 1000), meter)
