"""Several files in one call, a line for each; and standard input in the place of a file."""

from __future__ import annotations

import argparse
import io
import json
import os
import shutil
import signal
from pathlib import Path
from types import SimpleNamespace

import pytest

from transcribe.command import batch
from transcribe.command.main import main
from transcribe.command.printing import Progress
from transcribe.formats import read_any
from transcribe.formats.document import read_riff
from transcribe.formats.midi import write_midi

TAB = """\
e|-----------------|
B|-----------------|
G|---------7-------|
D|-0-4-5-----9-----|
A|---------------3-|
E|-----------------|
"""
TUNE = "X:1\nT:Bollard\nM:4/4\nL:1/8\nQ:1/4=90\nK:D\nDEFG A2B2|d2A2 F2D2|\n"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Notes of three kinds, and a text that is no tab."""
    folder = tmp_path / "given"
    folder.mkdir()
    (folder / "quay.txt").write_text(TAB, "utf-8")
    (folder / "bollard.abc").write_text(TUNE, "utf-8")
    (folder / "read me.txt").write_text("Tabs of last summer.\n", "utf-8")
    return folder


def _pipe(monkeypatch: pytest.MonkeyPatch, data: bytes) -> None:
    monkeypatch.setattr("sys.stdin", SimpleNamespace(buffer=io.BytesIO(data)))


@pytest.mark.parametrize("verb", ["show", "theory", "finger"])
@pytest.mark.parametrize("text", [TAB, TUNE], ids=["tab", "abc"])
def test_notes_from_standard_input_are_those_of_the_file(
    verb: str,
    text: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    pytest.importorskip("music21")
    monkeypatch.chdir(tmp_path)
    file = tmp_path / ("stdin.txt" if text == TAB else "stdin.abc")
    file.write_text(text, "utf-8")
    options = ["-o", "elsewhere"] if verb == "finger" else []
    assert main([verb, str(file), *options]) == 0
    alone = capsys.readouterr().out
    _pipe(monkeypatch, text.encode())
    assert main([verb, "-", *options]) == 0
    piped = capsys.readouterr().out
    assert piped.replace("stdin.txt", "stdin") == alone.replace("stdin.txt", "stdin")


def test_files_from_standard_input_lie_here_under_a_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    _pipe(monkeypatch, TAB.encode())
    assert main(["finger", "-"]) == 0
    _pipe(monkeypatch, TAB.encode())
    assert main(["finger", "-", "--name", "quay"]) == 0
    assert sorted(p.name for p in tmp_path.iterdir()) == [
        "quay.riff.json",
        "quay.tab.txt",
        "stdin.riff.json",
        "stdin.tab.txt",
    ]
    assert read_riff(tmp_path / "quay.riff.json").notes == (
        read_riff(tmp_path / "stdin.riff.json").notes
    )


def test_every_kind_of_file_is_known_without_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "quay.txt").write_text(TAB, "utf-8")
    assert main(["finger", "quay.txt", "--format", "tab,musicxml,midi,jams"]) == 0
    for suffix in ("riff.json", "tab.txt", "musicxml", "mid", "jams"):
        _pipe(monkeypatch, (tmp_path / f"quay.{suffix}").read_bytes())
        capsys.readouterr()
        assert main(["show", "-", "--json"]) == 0, suffix
        assert len(json.loads(capsys.readouterr().out)["notes"]) == 6, suffix


def test_a_take_and_its_reference_may_come_from_standard_input(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "quay.txt").write_text(TAB, "utf-8")
    for given in (["-", "quay.txt"], ["quay.txt", "-"]):
        _pipe(monkeypatch, TAB.encode())
        assert main(["compare", *given]) == 0
        assert "Right: 6 of 6" in capsys.readouterr().out
    # What lies nowhere has no record of takes beside it.
    assert sorted(p.name for p in tmp_path.iterdir()) == ["quay.progress.jsonl", "quay.txt"]
    assert main(["compare", "-", "-"]) == 1
    assert "once" in capsys.readouterr().err


@pytest.mark.parametrize("data", [b"", b"a shopping list\n"], ids=["empty", "no notes"])
def test_what_cannot_be_read_from_standard_input_is_told_in_a_line(
    data: bytes, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    _pipe(monkeypatch, data)
    assert main(["finger", "-", "--quiet"]) == 1
    told = capsys.readouterr().err
    assert told.startswith("handspan: - holds no notes")
    assert told.count("\n") == 1


def test_a_correction_needs_its_file(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["refinger", "-", "--undo"]) == 1
    assert "give its file" in capsys.readouterr().err


def test_a_folder_is_done_with_a_line_for_each_and_one_exit_code(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pytest.importorskip("music21")
    (folder / "torn.mid").write_bytes(b"MThd\0\0")
    out = tmp_path / "out"
    assert main(["finger", str(folder), "-o", str(out)]) == 1
    told = capsys.readouterr()
    lines = told.out.splitlines()
    assert [line.split(":")[0] for line in lines] == [
        str(folder / name) for name in ("bollard.abc", "quay.txt", "torn.mid")
    ]
    assert "10 notes, D ionian" in lines[0]
    assert f"written: {out / 'quay.riff.json'}, {out / 'quay.tab.txt'}" in lines[1]
    assert "not done: " in lines[2]
    assert str(folder) not in lines[2].split("not done: ")[1]
    assert "2 of 3 files done" in told.err
    # Each is the same as done by itself.
    for name in ("bollard.abc", "quay.txt"):
        assert main(["finger", str(folder / name), "-o", str(tmp_path / "alone")]) == 0
    assert {p.name: p.read_bytes() for p in out.iterdir()} == {
        p.name: p.read_bytes() for p in (tmp_path / "alone").iterdir()
    }


BARE = "-" * 17 + "\n"
WRITTEN = {
    "no names.txt": BARE * 4 + "-0-3-5-0-3-6-5---\n" + BARE,
    "two strings.txt": "my riff\n\nE -3-5-7-\nA -0-0-0-\n",
    "one bar line.txt": "".join(f"{n} --{'3' if n == 'A' else '-'}---|\n" for n in "eBGDAE"),
    "slip.tab": TAB,
    "no suffix": BARE * 3 + "-0-3-5-0-3-6-5---\n" + BARE * 2,
}


def test_a_folder_takes_what_each_of_its_files_would_be_taken_as(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "given"
    folder.mkdir()
    for name, text in WRITTEN.items():
        (folder / name).write_text(text, "utf-8")
        assert main(["show", str(folder / name)]) == 0, name
    (folder / "words.txt").write_text("well-known - and slow --- \n" + "-" * 40 + "\n", "utf-8")
    (folder / "quay.jpg").write_bytes(b"\xff\xd8\xff")
    (folder / "take.wav").write_bytes(b"RIFF")
    (folder / "quay.progress.jsonl").write_text('{"at": 1}\n', "utf-8")
    capsys.readouterr()
    assert main(["finger", str(folder), "-o", str(tmp_path / "out")]) == 0
    told = capsys.readouterr()
    assert [Path(line.split(":")[0]).name for line in told.out.splitlines()] == sorted(WRITTEN)
    assert told.err.splitlines()[-1].endswith(
        "5 of 5 files done; 2 files that hold no notes or sound are left out: quay.jpg, words.txt"
    )


def test_results_in_the_folder_are_no_input(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pytest.importorskip("music21")
    assert main(["finger", str(folder)]) == 0
    first = sorted(p.name for p in folder.glob("[!.]*"))
    capsys.readouterr()
    assert main(["finger", str(folder)]) == 0
    told = capsys.readouterr()
    assert "2 of 2 files done; 1 file that holds no notes or sound is left out: read me.txt" in (
        told.err
    )
    assert "kept" not in told.out
    assert "replaced" not in told.out
    assert sorted(p.name for p in folder.glob("[!.]*")) == first


def test_other_programs_get_a_line_of_json_for_each(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    files = [folder / "quay.txt", folder / "gone.mid"]
    assert main(["finger", *map(str, files), "--json"]) == 1
    good, bad = map(json.loads, capsys.readouterr().out.splitlines())
    assert good["file"] == str(files[0])
    assert len(good["riff"]["notes"]) == 6
    assert bad == {"file": str(files[1]), "error": "there is no such file"}


def test_two_files_of_one_name_never_write_the_same_document(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "quay.mid").write_bytes(write_midi(read_any(folder / "quay.txt")))
    given = [str(folder / "quay.txt"), str(folder / "quay.mid")]
    assert main(["finger", *given, "-o", str(tmp_path / "out")]) == 1
    lines = capsys.readouterr().out.splitlines()
    assert "6 notes" in lines[0]
    assert f"{folder / 'quay.mid'}: not done: {folder / 'quay.txt'} has the same name" in lines[1]


def test_theory_of_several_files_is_a_line_each(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pytest.importorskip("music21")
    shutil.copy(folder / "bollard.abc", folder / "cleat.abc")
    assert main(["theory", str(folder / "bollard.abc"), str(folder / "cleat.abc")]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 2
    assert lines[1].startswith(f"{folder / 'cleat.abc'}: D ionian (")


def _work(args: argparse.Namespace, path: Path, progress: Progress) -> batch.Done:
    """Work that kills its process at one file."""
    if path.name == "fatal":
        os.kill(os.getpid(), signal.SIGKILL)
    return batch.Done(lambda: None, "done", dict)


def test_a_file_that_kills_its_process_stops_no_other(capsys: pytest.CaptureFixture[str]) -> None:
    paths = [Path(name) for name in ("a", "b", "fatal", "c", "d", "e", "f", "g")]
    args = argparse.Namespace(jobs=2, json=False)
    assert batch.run(paths, _work, args, Progress(io.StringIO(), quiet=True)) == 1
    lines = capsys.readouterr().out.splitlines()
    assert [line.split(":")[0] for line in lines] == [p.name for p in paths]
    assert "fatal: not done: the program was killed while it read this file" in lines
    assert sum(line.endswith(": done") for line in lines) == 7
