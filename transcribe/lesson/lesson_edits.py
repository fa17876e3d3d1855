"""What a teacher changes in a lesson: names, notes, order, form, and parts cut or put together.

Every function takes a lesson and gives another; nothing is read or written. A part is named by its
label, by its name, or by its place in teaching order, from 1.
"""

from __future__ import annotations

import dataclasses
import itertools
import re
from collections.abc import Mapping, Sequence
from typing import Any

from transcribe.core.clock import check_bpm
from transcribe.core.errors import ParameterError
from transcribe.core.lesson import Lesson, LessonPart
from transcribe.core.riff import Riff
from transcribe.core.score_place import bar_and_beat
from transcribe.lesson.part_riffs import in_bars
from transcribe.lesson.split import labels

__all__ = [
    "add_part",
    "call_parts",
    "change_part",
    "checked_bars",
    "cut_part",
    "drop_part",
    "find_part",
    "form_text",
    "join_bars",
    "joined",
    "last_bar",
    "reorder",
    "set_form",
]

_TIMES = re.compile(r"(.*\S)\s*[x×]\s*(\d+)")


def find_part(lesson: Lesson, which: str) -> LessonPart:
    """The part that is called ``which``: its label, its name in any case, or its number.

    Raises
    ------
    ParameterError
        If no part or more than one is called so.

    Examples
    --------
    >>> lesson = Lesson(parts=(LessonPart("A", "a.riff.json", "intro"),))
    >>> find_part(lesson, "Intro").label, find_part(lesson, "1").label
    ('A', 'A')
    """
    text = which.strip()
    for part in lesson.parts:
        if part.label == text:
            return part
    named = [part for part in lesson.parts if text.casefold() in _names(part)]
    if not named and text.isdecimal() and 0 < int(text) <= len(lesson.parts):
        return lesson.parts[int(text) - 1]
    if len(named) != 1:
        known = ", ".join(_called(part) for part in lesson.parts) or "none"
        why = "more than one part is" if named else "no part is"
        raise ParameterError(f"{why} called {which!r}; the parts are {known}")
    return named[0]


def _called(part: LessonPart) -> str:
    return f"{part.label} ({part.name})" if part.name else part.label


def change_part(lesson: Lesson, label: str, **changes: Any) -> Lesson:
    """``lesson`` with fields of the part ``label`` replaced.

    Raises
    ------
    ParameterError
        If ``start_bpm`` is no tempo, or ``name`` has a comma or is that of another part.
    """
    if changes.get("start_bpm") is not None:
        check_bpm(changes["start_bpm"])
    if name := changes.get("name"):
        _check_name(lesson, label, name)
    parts = tuple(
        dataclasses.replace(part, **changes) if part.label == label else part
        for part in lesson.parts
    )
    return dataclasses.replace(lesson, parts=parts)


def call_parts(lesson: Lesson, names: Mapping[str, str]) -> Lesson:
    """``lesson`` with the parts of these labels called anew, all at once: two can change names.

    Raises
    ------
    ParameterError
        If a name has a comma or is that of another part in the end.

    Examples
    --------
    >>> both = (LessonPart("A", "a.riff.json", "intro"), LessonPart("B", "b.riff.json", "main"))
    >>> swapped = call_parts(Lesson(parts=both), {"A": "main", "B": "intro"})
    >>> [part.name for part in swapped.parts]
    ['main', 'intro']
    """
    parts = [
        dataclasses.replace(part, name=names.get(part.label, part.name)) for part in lesson.parts
    ]
    lesson = dataclasses.replace(lesson, parts=tuple(parts))
    for label, name in names.items():
        if name:
            _check_name(lesson, label, name)
    return lesson


def _check_name(lesson: Lesson, label: str, name: str) -> None:
    if "," in name:
        raise ParameterError("give the part a name without a comma; the form puts them between")
    for part in lesson.parts:
        if part.label != label and name.casefold() in _names(part):
            raise ParameterError(
                f"part {_called(part)} is called {name!r} already; give each part its own name"
            )


def _names(part: LessonPart) -> tuple[str, str]:
    """What a part is called, for comparing."""
    return part.label.casefold(), part.name.casefold()


def checked_bars(riff: Riff, first: int, last: int) -> tuple[int, int]:
    """The bars that a part of ``riff`` is to show, if it has them.

    Raises
    ------
    ParameterError
        If the riff has no bars or ends before ``last``, or no note begins in them.

    Examples
    --------
    >>> from transcribe.core.riff import Note, Rhythm
    >>> notes = tuple(Note(k, k, k + 1.0, 50, onset_beat=float(k)) for k in range(16))
    >>> checked_bars(Riff(notes=notes, rhythm=Rhythm(60.0)), 3, 4)
    (3, 4)
    """
    end = last_bar(riff)
    if not first <= last <= end:
        raise ParameterError(
            f"bars {first} to {last} cannot be shown; the riff ends with bar {end}, and the first "
            "bar comes before the last"
        )
    if not in_bars(riff, (first, last)).notes:
        raise ParameterError(f"bars {first} to {last} cannot be shown; no note begins in them")
    return first, last


def reorder(lesson: Lesson, first: Sequence[str]) -> Lesson:
    """``lesson`` with the parts called ``first`` at its beginning, the others after them as before.

    >>> lesson = Lesson(parts=tuple(LessonPart(label, f"{label}.riff.json") for label in "ABC"))
    >>> [part.label for part in reorder(lesson, ["C", "A"]).parts]
    ['C', 'A', 'B']
    """
    chosen = list(dict.fromkeys(find_part(lesson, which) for which in first))
    rest = [part for part in lesson.parts if part not in chosen]
    return dataclasses.replace(lesson, parts=(*chosen, *rest))


def drop_part(lesson: Lesson, label: str) -> Lesson:
    """``lesson`` without a part, in its form neither; the part's files stay."""
    return dataclasses.replace(
        lesson,
        parts=tuple(part for part in lesson.parts if part.label != label),
        form=tuple(one for one in lesson.form if one != label),
    )


def add_part(lesson: Lesson, riff: str, name: str = "") -> Lesson:
    """``lesson`` with a part of its own for the riff document ``riff``, at the end.

    Where another part is called ``name``, a number is put after it.
    """
    label = _new_label(lesson)
    taken = {each for part in lesson.parts for each in _names(part)}
    numbered = (f"{name} {number}" for number in itertools.count(2))
    if name and name.casefold() in taken:
        name = next(each for each in numbered if each.casefold() not in taken)
    return dataclasses.replace(lesson, parts=(*lesson.parts, LessonPart(label, riff, name)))


def _new_label(lesson: Lesson) -> str:
    taken = {name for part in lesson.parts for name in _names(part)}
    return next(label for label in labels() if label.casefold() not in taken)


def last_bar(riff: Riff) -> int:
    """Number of the last bar in which a note of ``riff`` begins.

    Raises
    ------
    ParameterError
        If no beats are known.
    """
    beats = [note.onset_beat for note in riff.notes if note.onset_beat is not None]
    if riff.rhythm is None or not beats:
        raise ParameterError("its riff has no bars; finger it with a meter and a tempo first")
    return bar_and_beat(max(beats), riff.rhythm.meter)[0]


def cut_part(lesson: Lesson, label: str, bar: int, riff: Riff) -> Lesson:
    """Two parts in the place of one, the second from ``bar`` on; both show bars of the same riff.

    In the form the two follow each other.

    Raises
    ------
    ParameterError
        If nothing of the part lies before or after the cut.

    Examples
    --------
    >>> from transcribe.core.riff import Note, Rhythm
    >>> notes = tuple(Note(k, k, k + 1.0, 50, onset_beat=float(k)) for k in range(16))
    >>> lesson = Lesson(parts=(LessonPart("A", "a.riff.json", "verse"),), form=("A",))
    >>> cut = cut_part(lesson, "A", 3, Riff(notes=notes, rhythm=Rhythm(60.0)))
    >>> [(part.label, part.bars) for part in cut.parts], cut.form
    ([('A', (1, 2)), ('B', (3, 4))], ('A', 'B'))
    """
    part = lesson.part(label)
    beats = [n.onset_beat for n in riff.notes if n.onset_beat is not None]
    first, last = part.bars or (0 if beats and min(beats) < 0.0 else 1, last_bar(riff))
    if not first < bar <= last:
        raise ParameterError(
            f"part {part.shown_name!r} has bars {first} to {last}; cut it at bar {first + 1} to "
            f"{last}, where the second half is to begin"
        )
    new = _new_label(lesson)
    one = dataclasses.replace(part, bars=(first, bar - 1))
    two = dataclasses.replace(part, label=new, name="", note="", bars=(bar, last))
    parts = itertools.chain(*((one, two) if p.label == label else (p,) for p in lesson.parts))
    form = itertools.chain(*((label, new) if one == label else (one,) for one in lesson.form))
    return dataclasses.replace(lesson, parts=tuple(parts), form=tuple(form))


def join_bars(lesson: Lesson, first: str, second: str) -> Lesson | None:
    """One part in the place of two that show neighbouring bars of one riff; None where they do not.

    It has the label and the name of the first.
    """
    one, two = lesson.part(first), lesson.part(second)
    if one.riff != two.riff or one.bars is None or two.bars is None:
        return None
    if two.bars[0] != one.bars[1] + 1:
        return None
    return joined(lesson, first, second, bars=(one.bars[0], two.bars[1]))


def joined(lesson: Lesson, first: str, second: str, **changes: Any) -> Lesson:
    """``lesson`` with the part ``second`` gone into ``first``, whose fields are replaced.

    Notes of both are kept. In the form, the second goes where it follows the first, and is the
    first elsewhere.
    """
    one, two = lesson.part(first), lesson.part(second)
    note = "\n".join(text for text in (one.note, two.note) if text)
    form: list[str] = []
    before = ""
    for label in lesson.form:
        if not (label == second and before == first):
            form.append(first if label == second else label)
        before = label
    lesson = dataclasses.replace(lesson, form=tuple(form))
    return change_part(drop_part(lesson, second), first, note=note, **changes)


def set_form(lesson: Lesson, text: str) -> Lesson:
    """``lesson`` with its form as people write it: ``intro, main x2, verse, main``, or ``A B B A``.

    Raises
    ------
    ParameterError
        If it names no part, a count is not 1 to 1,000, or it is longer than 1,000 parts.

    Examples
    --------
    >>> lesson = Lesson(
    ...     parts=(LessonPart("A", "a.riff.json", "intro"), LessonPart("B", "b.riff.json", "main"))
    ... )
    >>> set_form(lesson, "intro, main x2").form, set_form(lesson, "A B A").form
    (('A', 'B', 'B'), ('A', 'B', 'A'))
    """
    known = {part.label for part in lesson.parts}
    words = text.replace(",", " ").split()
    items = words if words and set(words) <= known else text.split(",")
    form: list[str] = []
    for item in items:
        if not item.strip():
            continue
        times, name = 1, item.strip()
        if match := _TIMES.fullmatch(name):
            name, times = match.group(1), int(match.group(2)[:9])
            if not 1 <= times <= _LONGEST_FORM:
                raise ParameterError(f"{item.strip()!r}: a part is played x1 to x{_LONGEST_FORM}")
        form += [find_part(lesson, name).label] * times
    if len(form) > _LONGEST_FORM:
        raise ParameterError(f"the form has {len(form)} parts, and {_LONGEST_FORM} are the most")
    return dataclasses.replace(lesson, form=tuple(form))


_LONGEST_FORM = 1000


def form_text(lesson: Lesson) -> str:
    """The form as people write it; the parts in teaching order where there is none.

    >>> lesson = Lesson(parts=(LessonPart("A", "a.riff.json", "intro"), LessonPart("B", "b")))
    >>> form_text(Lesson(parts=lesson.parts, form=("A", "B", "B", "A")))
    'intro, B x2, intro'
    """
    order = lesson.form or tuple(part.label for part in lesson.parts)
    pieces = []
    for label, run in itertools.groupby(order):
        count = len(list(run))
        pieces.append(lesson.part(label).shown_name + (f" x{count}" if count > 1 else ""))
    return ", ".join(pieces)
