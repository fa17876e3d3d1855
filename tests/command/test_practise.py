"""handspan practise: sound files beside a riff."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from transcribe.audio import read_audio
from transcribe.command.main import main

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
