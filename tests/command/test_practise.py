"""handspan practise: sound files beside a riff."""

from __future__ import annotations

import dataclasses
import json
import shutil
from pathlib import Path

import pytest

import transcribe
from transcribe.audio import read_audio
from transcribe.command.main import main
from transcribe.core.lesson import Lesson, LessonPart
from transcribe.lesson.handout_content import practice_tempi

TAKE = Path(__file__).parent.parent.parent / "fixtures" / "takes" / "mooring"


@pytest.fixture
def riff(tmp_path: Path) -> Path:
    path = tmp_path / "mooring.riff.json"
    shutil.copyfile(TAKE / "truth.riff.json", path)
    return path


def test_a_file_for_each_speed(riff, capsys) -> None:
    assert main(["practise", str(riff), "--bars", "1", "--speed", "60,90", "--times", "1"]) == 0
    folder = riff.parent / "mooring.practice"
    assert sorted(p.name for p in folder.iterdir()) == ["tab-bars-1-60.ogg", "tab-bars-1-90.ogg"]
    out = capsys.readouterr().out
    assert f"{folder / 'tab-bars-1-60.ogg'} is written" in out
    assert "loud sound can harm your hearing" in out
    slow, quick = (read_audio(path).duration_sec for path in sorted(folder.iterdir()))
    assert slow - 1.5 == pytest.approx((quick - 1.5) * 1.5, abs=0.05)  # 1.5 s ring on at the end
    assert main(["practise", str(riff), "--bars", "1", "--speed", "60", "--times", "1"]) == 0
    assert "is replaced" in capsys.readouterr().out


def test_the_take_in_one_file_and_as_json(riff, capsys) -> None:
    argv = ["practise", str(riff), "--play", "take", "--phrase", "A", "--speed", "75,100"]
    assert main([*argv]) == 1
    assert "the recording of this riff, is not there; name it: --take FILE" in (
        capsys.readouterr().err
    )
    argv += ["--take", str(TAKE / "mooring.ogg"), "--in-one", "--times", "1", "--format", "flac"]
    assert main([*argv, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    (made,) = told["files"]
    assert Path(made["file"]).name == "take-phrase-A-75-to-100.flac"
    assert [each["speed"] for each in made["rounds"]] == [0.75, 1.0]
    assert read_audio(made["file"]).duration_sec == pytest.approx(made["duration_sec"], abs=0.01)
    assert "harm your hearing" in told["caution"]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--bars", "3-99"], "the riff has bars 1 to"),
        (["--phrase", "Q"], "no phrase is called 'Q'"),
    ],
)
def test_what_is_not_there_is_said_and_nothing_written(riff, capsys, options, words) -> None:
    assert main(["practise", str(riff), *options]) == 1
    assert words in capsys.readouterr().err
    assert not (riff.parent / "mooring.practice").exists()


@pytest.mark.parametrize(
    "options", [["--speed", "6"], ["--bars", "x"], ["--play", "bagpipe"], ["--times", "0"]]
)
def test_bad_usage_is_refused(riff, options) -> None:
    with pytest.raises(SystemExit) as left:
        main(["practise", str(riff), *options])
    assert left.value.code == 2


@pytest.fixture
def lesson(riff) -> Path:
    parts = (
        LessonPart("A", riff.name, "The intro", bars=(1, 1)),
        LessonPart("B", riff.name, "Main riff", bars=(2, 3)),
    )
    path = riff.parent / "harbour.lesson.json"
    transcribe.write_lesson(Lesson("Harbour", parts), path)
    return path


def test_every_part_of_a_lesson_is_played_in_its_bars(lesson, capsys) -> None:
    options = ["--speed", "100", "--times", "1", "--format", "wav", "--no-count-in", "--json"]
    assert main(["practise", str(lesson), *options]) == 0
    files = json.loads(capsys.readouterr().out)["files"]
    names = [str(Path(each["file"]).relative_to(lesson.parent)) for each in files]
    assert names == [
        "harbour.practice/the-intro-tab-100.wav",
        "harbour.practice/main-riff-tab-100.wav",
    ]
    one, two = (each["rounds"][0]["end_sec"] for each in files)
    assert two == pytest.approx(2 * one, rel=0.05)
    assert main(["practise", str(lesson), "--part", "B", *options]) == 0
    (only,) = json.loads(capsys.readouterr().out)["files"]
    assert only["file"] == files[1]["file"]


def test_a_part_that_is_not_there_is_refused(lesson, riff, capsys) -> None:
    assert main(["practise", str(lesson), "--part", "coda"]) == 1
    assert "is called coda; there are The intro, Main riff" in capsys.readouterr().err
    assert main(["practise", str(riff), "--part", "A"]) == 1
    assert "is no lesson and has no parts" in capsys.readouterr().err


@pytest.mark.parametrize("stretch", [["--bars", "2"], ["--phrase", "A"]])
def test_parts_without_the_bars_or_the_phrase_are_left_out_with_a_line(
    lesson, riff, capsys, stretch
) -> None:
    # The first part has all of it; the second, which is its first bar, has neither.
    whole = transcribe.read_riff(riff)
    short = tuple(note for note in whole.notes if note.onset_beat < 4)
    rhythm = dataclasses.replace(whole.rhythm, phrases=())
    transcribe.write_riff(
        dataclasses.replace(whole, notes=short, rhythm=rhythm), riff.parent / "short.riff.json"
    )
    parts = (LessonPart("A", riff.name, "Intro"), LessonPart("B", "short.riff.json", "Coda"))
    transcribe.write_lesson(Lesson("Harbour", parts), lesson)
    quick = ["--speed", "100", "--times", "1", "--format", "wav"]
    assert main(["practise", str(lesson), *stretch, *quick]) == 0
    told = capsys.readouterr()
    assert "left out: part 'Coda': " in told.err
    assert told.err.count("\n") == 1
    assert [p.name.split("-")[0] for p in (riff.parent / "harbour.practice").iterdir()] == ["intro"]


def test_nothing_is_written_where_no_part_has_the_bars(lesson, capsys) -> None:
    assert main(["practise", str(lesson), "--bars", "90-99", "--speed", "100"]) == 1
    err = capsys.readouterr().err
    assert "part 'The intro': bars 90 to 99 are not there" in err
    assert "part 'Main riff': bars 90 to 99 are not there" in err
    assert not (lesson.parent / "harbour.practice").exists()


def test_bars_that_a_part_does_not_show_are_not_played(lesson, capsys) -> None:
    quick = ["--bars", "1", "--speed", "100", "--times", "1", "--format", "wav"]
    assert main(["practise", str(lesson), *quick]) == 0
    told = capsys.readouterr()
    assert "left out: part 'Main riff': bars 1 to 1 are not there; it shows bars 2 to 3" in told.err
    (made,) = (lesson.parent / "harbour.practice").iterdir()
    assert made.name == "the-intro-tab-bars-1-100.wav"


def test_a_part_is_practised_at_the_tempi_of_its_handout(lesson, riff, capsys) -> None:
    whole = transcribe.read_riff(riff)
    read = transcribe.read_lesson(lesson)
    start = round(whole.rhythm.bpm / 2)
    parts = (dataclasses.replace(read.parts[0], start_bpm=start), read.parts[1])
    transcribe.write_lesson(dataclasses.replace(read, parts=parts), lesson)
    options = ["--part", "A", "--times", "1", "--format", "wav", "--json"]
    assert main(["practise", str(lesson), *options]) == 0
    tempi = practice_tempi(parts[0], whole)
    assert tempi[0] == start
    assert len(tempi) == 4
    files = json.loads(capsys.readouterr().out)["files"]
    names = [Path(each["file"]).name for each in files]
    assert names == [f"the-intro-tab-{tempo}-bpm.wav" for tempo in tempi]
    speeds = [each["rounds"][0]["speed"] for each in files]
    assert speeds == pytest.approx([tempo / whole.rhythm.bpm for tempo in tempi], abs=0.01)
    assert main(["practise", str(lesson), *options, "--in-one"]) == 0
    (made,) = json.loads(capsys.readouterr().out)["files"]
    assert Path(made["file"]).name == f"the-intro-tab-{tempi[0]}-to-{tempi[-1]}-bpm.wav"
