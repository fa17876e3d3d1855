"""The riffs of a lesson's parts are read from beside it, so that a correction shows in it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from tests.formats.riffs import drone_riff
from transcribe.core.errors import FormatError
from transcribe.core.lesson import Lesson, LessonPart
from transcribe.core.riff import Riff
from transcribe.formats.document import write_riff
from transcribe.lesson.part_riffs import in_bars, read_parts

LESSON = Lesson("Slip", (LessonPart("A", "one.riff.json"), LessonPart("B", "in/two.riff.json")))


def test_a_correction_of_a_riff_shows_in_the_lesson(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    write_riff(drone_riff(), tmp_path / "one.riff.json")
    write_riff(drone_riff(), tmp_path / "in" / "two.riff.json")
    assert read_parts(LESSON, tmp_path) == (drone_riff(), drone_riff())
    corrected = replace(drone_riff(), notes=drone_riff().notes[1:])
    write_riff(corrected, tmp_path / "one.riff.json")
    assert read_parts(LESSON, tmp_path)[0] == corrected


def test_a_part_without_its_riff_is_named(tmp_path: Path) -> None:
    with pytest.raises(FormatError, match=r"part 'A' of the lesson: .*no such file"):
        read_parts(LESSON, tmp_path)


def test_bars_are_those_of_the_tab() -> None:
    riff = drone_riff()
    assert riff.rhythm is not None
    beats = riff.rhythm.meter[0]
    shown = in_bars(riff, (2, 2))
    assert 0 < len(shown.notes) < len(riff.notes)
    assert {int((n.onset_beat or 0.0) // beats) for n in shown.notes} == {1}
    assert in_bars(riff, None) is riff
    assert in_bars(Riff(notes=riff.notes), (2, 2)).notes == riff.notes
