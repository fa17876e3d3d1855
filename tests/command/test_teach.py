"""``handspan lesson``: from a session to a lesson, and every change of it."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from tests.lesson.sessions import BUOY, PIER, small_session, write_session
from transcribe.command.main import main
from transcribe.formats.document import read_riff, write_riff
from transcribe.formats.lesson_document import read_lesson


@pytest.fixture(scope="module")
def split_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("class")
    session = write_session(folder / "class.wav", small_session())
    assert main(["lesson", str(session), "--call", "A=pier", "--title", "Harbour", "--quiet"]) == 0
    return folder


@pytest.fixture
def document(split_once: Path, tmp_path: Path) -> Path:
    shutil.copytree(split_once, tmp_path / "class")
    return tmp_path / "class" / "class.lesson.json"


def test_a_session_becomes_a_lesson(document: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["lesson", str(document)]) == 0
    out = capsys.readouterr().out
    assert out.startswith("Harbour: 2 parts, from a session of 0:27\n\nA  pier: class-A.riff.json")
    assert "the tab is of this one" in out
    assert "alike" in out
    assert out.rstrip().endswith("Form: pier, B")
    lesson = read_lesson(document)
    pitches = [
        [n.pitch_midi for n in read_riff(document.parent / p.riff).notes] for p in lesson.parts
    ]
    assert pitches == [list(PIER), list(BUOY)]
    names = {path.name for path in document.parent.iterdir()} - {".handspan"}
    parts = {f"class-{label}{end}" for label in "AB" for end in (".riff.json", ".tab.txt", ".flac")}
    assert names == {"class.wav", "class.lesson.json"} | parts


def test_json_is_the_document(document: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["lesson", str(document), "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == json.loads(document.read_text("utf-8"))


def test_looking_changes_nothing(document: Path) -> None:
    before = document.read_bytes()
    assert main(["lesson", str(document)]) == 0
    assert document.read_bytes() == before


def test_what_is_said_of_the_parts(document: Path) -> None:
    words = ["--call", "B=buoy", "--note", "pier=Let it ring = loud", "--start", "pier=72"]
    words += ["--bars", "buoy=1-2", "--order", "buoy", "--form", "pier, buoy x2"]
    assert main(["lesson", str(document), *words]) == 0
    lesson = read_lesson(document)
    assert [(p.label, p.name) for p in lesson.parts] == [("B", "buoy"), ("A", "pier")]
    assert lesson.part("A").note == "Let it ring = loud"
    assert lesson.part("A").start_bpm == 72
    assert lesson.part("B").bars == (1, 2)
    assert lesson.form == ("A", "B", "B")
    assert main(["lesson", str(document), "--bars", "B=all", "--start", "A=off"]) == 0
    assert read_lesson(document).part("B").bars is None
    assert read_lesson(document).part("A").start_bpm is None


def test_two_parts_change_names_in_one_call(document: Path) -> None:
    assert main(["lesson", str(document), "--call", "B=buoy", "--quiet"]) == 0
    names = [part.name for part in read_lesson(document).parts]
    swap = ["--call", f"A={names[1]}", "--call", f"B={names[0]}"]
    assert main(["lesson", str(document), *swap, "--quiet"]) == 0
    assert [part.name for part in read_lesson(document).parts] == [names[1], names[0], *names[2:]]


def test_a_tempo_is_given_and_told_as_it_is_counted(
    document: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = document.parent / "class-A.riff.json"
    riff = read_riff(path)
    assert riff.rhythm is not None
    write_riff(replace(riff, rhythm=replace(riff.rhythm, meter=(6, 8))), path)
    assert main(["lesson", str(document), "--start", "pier=40"]) == 0
    assert read_lesson(document).part("A").start_bpm == 120
    assert "start from 40 bpm" in capsys.readouterr().out
    assert main(["lesson", str(document), "--start", "pier=400"]) == 1
    assert "give" in capsys.readouterr().err


def test_parts_are_cut_joined_dropped_and_added(document: Path) -> None:
    assert main(["lesson", str(document), "--cut", "pier=2"]) == 0
    assert [(p.label, p.riff) for p in read_lesson(document).parts] == [
        ("A", "class-A.riff.json"),
        ("C", "class-A.riff.json"),
        ("B", "class-B.riff.json"),
    ]
    assert main(["lesson", str(document), "--join", "A,C"]) == 0
    assert [p.label for p in read_lesson(document).parts] == ["A", "B"]
    assert main(["lesson", str(document), "--drop", "pier"]) == 0
    assert [p.label for p in read_lesson(document).parts] == ["B"]
    riff = document.parent / "class-A.riff.json"
    assert main(["lesson", str(document), "--add", str(riff)]) == 0
    assert [(p.label, p.name) for p in read_lesson(document).parts] == [
        ("B", ""),
        ("A", "class-A"),
    ]


def test_another_playing_is_taken(document: Path) -> None:
    lesson = read_lesson(document)
    part = lesson.part("A")
    assert part.take is not None
    other = 2 - part.playings.index(part.take)
    assert main(["lesson", str(document), "--playing", f"A={other}", "--quiet"]) == 0
    assert read_lesson(document).part("A").take == part.playings[other - 1]


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (["--call", "coda=x"], "no part is called 'coda'"),
        (["--call", "intro"], "write a part and =, such as A=intro"),
        (["--form", "pier, coda"], "no part is called"),
        (["--cut", "A=99"], "cut it at bar"),
        (["--cut", "A=two"], "not a whole number"),
        (["--bars", "A=4-2"], "the last bar comes before the first"),
        (["--bars", "A=1-40"], "the riff ends with bar"),
        (["--call", "B=pier"], "is called 'pier' already"),
        (["--call", "pier=B"], "is called 'B' already"),
        (["--form", "pier x0"], "a part is played x1 to x1000"),
        (["--form", "pier x200000"], "a part is played x1 to x1000"),
        (["--start", "A=fast"], "not a tempo"),
        (["--start", "A=0"], "handspan: --start A=0: bpm is 0"),
        (["--playing", "A=9"], "there is no number 9"),
        (["--join", "A"], "two parts or more"),
        (["--join", "A,A"], "cannot be joined with itself"),
        (["--add", "none.riff.json"], "no such file"),
        (["-o", "elsewhere"], "is a lesson already"),
    ],
)
def test_what_cannot_be_done_is_one_line_and_changes_nothing(
    words: list[str], line: str, document: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = document.read_bytes()
    assert main(["lesson", str(document), "--title", "New", *words]) == 1
    err = capsys.readouterr().err
    assert line in err
    assert err.count("\n") == 1
    assert document.read_bytes() == before


def test_names_that_cannot_be_set_are_told_after_the_split(
    split_once: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    session = shutil.copy(split_once / "class.wav", tmp_path)
    words = ["--call", "Q=main", "-o", str(tmp_path / "new"), "--quiet"]
    assert main(["lesson", str(session), *words]) == 1
    written, error = capsys.readouterr().err.splitlines()
    assert written.startswith(f"written: {tmp_path / 'new' / 'class.lesson.json'}, ")
    files = {Path(name) for name in written.removeprefix("written: ").split(", ")}
    assert files == set((tmp_path / "new").iterdir()) - {tmp_path / "new" / ".handspan"}
    assert "no part is called 'Q'; the parts are A, B; the session is split" in error
    assert f"ask it again of {tmp_path / 'new' / 'class.lesson.json'}" in error


def test_a_handout_that_is_older_is_told(
    document: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    page = document.parent / "class.handout.html"
    assert main(["lesson", str(document), "--call", "A=quay", "--handout", "--quiet"]) == 0
    assert main(["lesson", str(document)]) == 0
    assert "older" not in capsys.readouterr().err
    assert main(["lesson", str(document), "--call", "A=jetty"]) == 0
    told = capsys.readouterr().err
    assert told == (
        f"{page} is older than the lesson now; write it again with handspan handout {document}\n"
    )


def test_the_halves_of_a_part_list_the_playings_of_the_whole_once(
    document: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["lesson", str(document), "--cut", "pier=2"]) == 0
    out = capsys.readouterr().out
    first, second = out.split("\n\n")[1:3]
    assert "Playings of the whole riff:\n   1. " in first
    assert second.startswith("C: class-A.riff.json, bar 2")
    assert "notes" not in second


def test_notes_are_no_session(document: Path, capsys: pytest.CaptureFixture[str]) -> None:
    riff = document.parent / "class-A.riff.json"
    assert main(["lesson", str(riff)]) == 1
    assert "holds notes and no sound" in capsys.readouterr().err


def test_a_riff_from_elsewhere_is_not_added(
    document: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copy(document.parent / "class-A.riff.json", tmp_path / "far.riff.json")
    assert main(["lesson", str(document), "--add", str(tmp_path / "far.riff.json")]) == 1
    assert "copy it there first" in capsys.readouterr().err


def test_theory_of_the_whole(document: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["lesson", str(document), "--theory"]) == 0
    out = capsys.readouterr().out
    assert "What each part says:" in out
    assert "  pier  " in out
    assert main(["lesson", str(document), "--theory", "--json"]) == 0
    assert [part["name"] for part in json.loads(capsys.readouterr().out)["parts"]] == ["pier", "B"]


def test_the_handout_is_written_beside_it(
    document: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["lesson", str(document), "--handout", "--quiet"]) == 0
    page = document.parent / "class.handout.html"
    assert f"written: {page}" in capsys.readouterr().out
    assert "Harbour" in page.read_text("utf-8")
