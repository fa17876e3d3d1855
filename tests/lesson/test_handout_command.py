"""handspan handout: one HTML file from a lesson or a riff."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

import transcribe
from transcribe.command.main import main
from transcribe.core.errors import ParameterError
from transcribe.core.lesson import Lesson, LessonPart
from transcribe.core.riff import Note, Riff
from transcribe.lesson.handout import MOST_BYTES, handout_html
from transcribe.lesson.one_script import read_static, script_of

TRUTH = Path(__file__).parents[2] / "fixtures" / "takes" / "mooring" / "truth.riff.json"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    shutil.copyfile(TRUTH, tmp_path / "mooring.riff.json")
    part = LessonPart("A", "mooring.riff.json", "Intro", bars=(1, 2))
    transcribe.write_lesson(Lesson("Harbour", (part,)), tmp_path / "harbour.lesson.json")
    return tmp_path


def test_a_riff_alone_has_a_handout(folder, capsys) -> None:
    assert main(["handout", str(folder / "mooring.riff.json")]) == 0
    path = folder / "mooring.handout.html"
    assert f"{path} is written" in capsys.readouterr().out
    assert "<h1>mooring</h1>" in path.read_text("utf-8")


def test_a_lesson_has_one_and_says_how_large(folder, capsys) -> None:
    path = folder / "for students.html"
    argv = ["handout", str(folder / "harbour.lesson.json"), "-o", str(path), "--json"]
    assert main(argv) == 0
    told = json.loads(capsys.readouterr().out)
    assert told == {"file": str(path), "bytes": path.stat().st_size}
    assert "<h1>Harbour</h1>" in path.read_text("utf-8")
    assert main([*argv[:-1], "--title", "A < B"]) == 0
    assert "is replaced" in capsys.readouterr().out
    assert "<h1>A &lt; B</h1>" in path.read_text("utf-8")


def test_unsure_notes_are_told_before_students_see_them(folder, capsys) -> None:
    path = folder / "mooring.riff.json"
    riff = transcribe.read_riff(path)
    notes = tuple(replace(n, confidence=0.6) if n.id in (1, 2) else n for n in riff.notes)
    transcribe.write_riff(replace(riff, notes=notes), path)
    assert main(["handout", str(folder / "harbour.lesson.json")]) == 0
    assert "part 'Intro': 2 notes are unsure" in capsys.readouterr().err


@pytest.mark.parametrize(
    "name", ["harbour.lesson.json", "mooring.riff.json", "mooring.flac", "new.docx", "new"]
)
def test_only_html_and_pdf_are_written_and_no_document_is_lost(folder, capsys, name: str) -> None:
    path = folder / name
    before = path.read_bytes() if path.exists() else None
    assert main(["handout", str(folder / "harbour.lesson.json"), "-o", str(path)]) == 1
    assert "NAME.html or as NAME.pdf" in capsys.readouterr().err
    assert (path.read_bytes() if path.exists() else None) == before


def test_paper_is_for_a_pdf(folder, capsys) -> None:
    assert main(["handout", str(folder / "harbour.lesson.json"), "--paper", "letter"]) == 1
    assert "--paper is for a PDF" in capsys.readouterr().err
    assert not (folder / "harbour.handout.html").exists()


def test_a_riff_that_is_gone_is_named_and_nothing_written(folder, capsys) -> None:
    (folder / "mooring.riff.json").unlink()
    assert main(["handout", str(folder / "harbour.lesson.json")]) == 1
    assert "part 'Intro' of the lesson" in capsys.readouterr().err
    assert not (folder / "harbour.handout.html").exists()


def test_what_has_nothing_to_show_is_refused() -> None:
    with pytest.raises(ParameterError, match="no parts yet"):
        handout_html(Lesson("Empty"), ())
    part = LessonPart("A", "x.riff.json", "Intro", bars=(40, 41))
    with pytest.raises(ParameterError, match="part 'Intro' has no notes in the bars"):
        handout_html(Lesson("x", (part,)), (transcribe.read_riff(TRUTH),))


def test_a_riff_without_bars_and_a_title_like_a_script_are_no_trouble() -> None:
    riff = Riff(notes=(Note(1, 3.0, 3.5, 57, string=3, fret=2),))
    part = LessonPart("A", "x.riff.json", "</script><script>alert(1)")
    text = handout_html(Lesson("", (part,)), (riff,))
    assert "<script>alert" not in text


def test_long_parts_are_packed_tighter_to_go_through_a_mail() -> None:
    long = Riff(notes=(Note(1, 0.0, 280.0, 45, string=5, fret=0),))
    text = handout_html(Lesson("Long", (LessonPart("A", "x.riff.json"),)), (long,))
    assert 1_000_000 < len(text.encode()) < MOST_BYTES


def test_one_script_has_each_module_once_and_no_imports() -> None:
    text = script_of("handout")
    for name in ("dom", "music", "player", "sheet", "handout"):
        assert text.count(f"const module_{name} = ") == 1
    assert "import " not in "\n".join(
        line for line in text.splitlines() if line.startswith(("import", "export"))
    )
    assert "drawSystems" in read_static("systems.js")
