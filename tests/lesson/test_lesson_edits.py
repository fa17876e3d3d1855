"""What a teacher changes in a lesson: the parts that are meant, and nothing else."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from transcribe.core.errors import ParameterError
from transcribe.core.lesson import Lesson, LessonPart
from transcribe.core.riff import Note, Rhythm, Riff
from transcribe.formats.lesson_document import from_json, to_json
from transcribe.lesson import lesson_edits as edits

LESSON = Lesson(
    "Slip",
    (
        LessonPart("A", "a.riff.json", "intro"),
        LessonPart("B", "b.riff.json", "main"),
        LessonPart("C", "c.riff.json", "verse"),
    ),
    ("A", "B", "B", "C", "B"),
)
EIGHT_BARS = Riff(
    notes=tuple(Note(k, k, k + 1.0, 50, onset_beat=float(k)) for k in range(32)),
    rhythm=Rhythm(60.0),
)


@pytest.mark.parametrize("which", ["B", "main", "MAIN", " main ", "b", "2"])
def test_a_part_is_found_by_label_name_or_number(which: str) -> None:
    assert edits.find_part(LESSON, which).label == "B"


def test_a_part_that_is_not_there_is_refused_with_those_that_are() -> None:
    with pytest.raises(ParameterError, match=r"no part is called 'coda'; .*A \(intro\), B"):
        edits.find_part(LESSON, "coda")
    twice = replace(LESSON, parts=(*LESSON.parts[:2], replace(LESSON.parts[2], name="main")))
    with pytest.raises(ParameterError, match="more than one part is called 'main'"):
        edits.find_part(twice, "main")


@pytest.mark.parametrize(
    ("text", "form"),
    [
        ("intro, main x2, verse, main", "ABBCB"),
        ("A B B C B", "ABBCB"),
        ("A,B,B", "ABB"),
        ("main ×3", "BBB"),
        ("3, 1", "CA"),
        ("", ""),
    ],
)
def test_a_form_is_read_as_people_write_it(text: str, form: str) -> None:
    assert edits.set_form(LESSON, text).form == tuple(form)


@pytest.mark.parametrize(
    "text", ["main x0", "intro, main x1001", "main x200000", "main x" + "9" * 5000]
)
def test_a_count_that_is_none_is_refused_in_a_form(text: str) -> None:
    with pytest.raises(ParameterError, match="a part is played x1 to x1000"):
        edits.set_form(LESSON, text)


@pytest.mark.parametrize("name", ["main", "Main", "b", "B"])
def test_a_name_or_a_label_of_another_part_is_refused(name: str) -> None:
    with pytest.raises(ParameterError, match=r"part B \(main\) is called .* already"):
        edits.change_part(LESSON, "C", name=name)
    assert edits.change_part(LESSON, "B", name=name).part("B").name == name


def test_two_parts_change_names_in_one_step() -> None:
    names = {part.label: part.name for part in LESSON.parts[:2]}
    (one, other) = names
    swapped = edits.call_parts(LESSON, {one: names[other], other: names[one]})
    assert [part.name for part in swapped.parts[:2]] == [names[other], names[one]]
    assert swapped.parts[2:] == LESSON.parts[2:]
    with pytest.raises(ParameterError, match="already"):
        edits.call_parts(LESSON, {one: "bridge", other: "Bridge"})


def test_a_name_has_no_comma() -> None:
    with pytest.raises(ParameterError, match="without a comma"):
        edits.change_part(LESSON, "C", name="verse, slow")


def test_a_part_that_is_added_or_cut_takes_no_name_of_another() -> None:
    more = edits.add_part(edits.add_part(LESSON, "b.riff.json", "main"), "b.riff.json", "Main")
    assert [part.name for part in more.parts[3:]] == ["main 2", "Main 3"]
    called = edits.change_part(LESSON, "A", name="d")
    assert edits.add_part(called, "x.riff.json").parts[-1].label == "E"


@pytest.mark.parametrize(
    ("bars", "why"), [((3, 40), "ends with bar 8"), ((4, 2), "ends with"), ((0, 0), "no note")]
)
def test_bars_that_the_riff_lacks_are_refused(bars: tuple[int, int], why: str) -> None:
    with pytest.raises(ParameterError, match=why):
        edits.checked_bars(EIGHT_BARS, *bars)
    assert edits.checked_bars(EIGHT_BARS, 8, 8) == (8, 8)


def test_a_form_is_written_as_it_is_read() -> None:
    assert edits.form_text(LESSON) == "intro, main x2, verse, main"
    assert edits.set_form(LESSON, edits.form_text(LESSON)) == LESSON
    assert edits.form_text(replace(LESSON, form=())) == "intro, main, verse"


@pytest.mark.parametrize("text", ["intro, coda", "A D", "main x999, main x999"])
def test_a_form_that_names_no_part_or_has_no_end_is_refused(text: str) -> None:
    with pytest.raises(ParameterError):
        edits.set_form(LESSON, text)


def test_parts_are_reordered_and_the_form_stays() -> None:
    moved = edits.reorder(LESSON, ["verse"])
    assert [part.label for part in moved.parts] == ["C", "A", "B"]
    assert moved.form == LESSON.form


def test_a_dropped_part_leaves_the_form() -> None:
    rest = edits.drop_part(LESSON, "B")
    assert [part.label for part in rest.parts] == ["A", "C"]
    assert rest.form == ("A", "C")


def test_a_part_is_cut_at_a_bar_and_joined_again() -> None:
    cut = edits.cut_part(LESSON, "B", 5, EIGHT_BARS)
    assert [(p.label, p.bars, p.riff) for p in cut.parts[1:3]] == [
        ("B", (1, 4), "b.riff.json"),
        ("D", (5, 8), "b.riff.json"),
    ]
    assert cut.form == tuple("ABDBDCBD")
    whole = edits.join_bars(cut, "B", "D")
    assert whole is not None
    assert whole.form == LESSON.form
    assert whole.part("B").bars == (1, 8)
    assert edits.join_bars(cut, "D", "B") is None
    assert edits.join_bars(LESSON, "A", "B") is None


@pytest.mark.parametrize("bar", [0, 1, 9])
def test_a_cut_outside_the_part_is_refused(bar: int) -> None:
    with pytest.raises(ParameterError, match="has bars 1 to 8; cut it at bar 2 to 8"):
        edits.cut_part(LESSON, "B", bar, EIGHT_BARS)
    with pytest.raises(ParameterError, match="no bars"):
        edits.cut_part(LESSON, "B", bar, Riff())


def test_a_part_that_is_added_gets_a_label_of_its_own() -> None:
    more = edits.add_part(edits.drop_part(LESSON, "B"), "lead.riff.json", "lead")
    assert [(part.label, part.name) for part in more.parts] == [
        ("A", "intro"),
        ("C", "verse"),
        ("B", "lead"),
    ]


def test_a_tempo_that_is_none_is_refused() -> None:
    with pytest.raises(ParameterError, match="bpm is 0"):
        edits.change_part(LESSON, "A", start_bpm=0.0)


_CHANGES: tuple[Callable[[Lesson], Any], ...] = (
    lambda lesson: edits.drop_part(lesson, "A"),
    lambda lesson: edits.reorder(lesson, ["C", "B"]),
    lambda lesson: edits.cut_part(lesson, "C", 3, EIGHT_BARS),
    lambda lesson: edits.add_part(lesson, "x.riff.json"),
    lambda lesson: edits.set_form(lesson, "verse x4"),
    lambda lesson: edits.joined(lesson, "B", "C"),
)


@pytest.mark.parametrize("change", _CHANGES)
def test_every_change_gives_a_document_that_can_be_read(change: Callable[[Lesson], Any]) -> None:
    changed = change(LESSON)
    assert from_json(to_json(changed)) == changed
    assert changed != LESSON
