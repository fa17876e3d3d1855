"""The command as a person meets it: what it writes, prints and exits with."""

from __future__ import annotations

import json
import resource
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.formats.riffs import make_riff
from transcribe.command.main import main
from transcribe.core.riff import Note, Riff
from transcribe.formats import read_any
from transcribe.formats.document import read_riff, write_riff
from transcribe.formats.midi import write_midi
from transcribe.formats.tab.write import write_tab

COMMANDS = ("transcribe", "finger", "refinger", "theory", "compare", "show", "page", "demo")


def _audio(folder: Path) -> Path:
    return next(
        path
        for path in sorted(folder.iterdir())
        if path.suffix in {".flac", ".ogg", ".wav", ".m4a", ".mp3"}
    )


@pytest.fixture(scope="module")
def transcribed(takes: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The drone riff that ships, transcribed once: the path of its document."""
    folder = tmp_path_factory.mktemp("riffs")
    take = shutil.copy(_audio(takes / "mooring"), folder)
    assert main(["transcribe", str(take), "--format", "tab,musicxml,midi,jams"]) == 0
    return folder / (Path(take).stem + ".riff.json")


@pytest.fixture
def riff(transcribed: Path, tmp_path: Path) -> Path:
    """A copy of that document for a test to change."""
    return Path(shutil.copy(transcribed, tmp_path))


@pytest.mark.parametrize("command", COMMANDS)
def test_help_shows_an_example(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stop:
        main([command, "--help"])
    assert stop.value.code == 0
    assert f"example: handspan {command}" in capsys.readouterr().out


def test_help_starts_quickly() -> None:
    """Start-up is held to a ratio of the bare interpreter's, so that no heavy import creeps in."""

    def seconds(*arguments: str) -> float:
        """Of processor, the least of three: other programs may keep this one waiting."""
        spent = []
        for _ in range(3):
            before = resource.getrusage(resource.RUSAGE_CHILDREN)
            subprocess.run([sys.executable, *arguments], check=True, capture_output=True)
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            spent.append(sum(after[:2]) - sum(before[:2]))
        return min(spent)

    bare = seconds("-c", "import argparse, json, pathlib, dataclasses")
    assert seconds("-m", "transcribe.command.main", "--help") < 4 * bare


def test_no_command_is_a_usage_error(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([]) == 2
    assert "transcribe" in capsys.readouterr().err


@pytest.mark.parametrize(
    "arguments",
    [
        ["transcribe"],
        ["transcribe", "a.wav", "--drone", "low"],
        ["transcribe", "a.wav", "--meter", "four"],
        ["transcribe", "a.wav", "--format", "pdf"],
        ["transcribe", "a.wav", "--hand-span", "10"],
        ["show", "a.riff.json", "--width", "3"],
    ],
)
def test_wrong_usage_exits_with_2(arguments: list[str]) -> None:
    with pytest.raises(SystemExit) as stop:
        main(arguments)
    assert stop.value.code == 2


def test_transcribe_writes_the_documents(transcribed: Path) -> None:
    written = sorted(path.suffix for path in transcribed.parent.iterdir())
    assert {".json", ".txt", ".musicxml", ".mid", ".jams"} <= set(written)
    riff = read_riff(transcribed)
    assert riff.source is not None
    assert riff.source.sha256
    assert all(note.string is not None for note in riff.notes)


def test_show_prints_the_tab_of_the_file(
    transcribed: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["show", str(transcribed)]) == 0
    shown = capsys.readouterr().out
    tab = transcribed.with_name(transcribed.name.replace(".riff.json", ".tab.txt"))
    assert shown.startswith(tab.read_text(encoding="utf-8").rstrip("\n"))


@pytest.fixture
def loop(tmp_path: Path) -> Path:
    """A bar that is played four times: the path of its document."""
    bar = [(0, 1, 3, 0), (1, 1, 3, 2), (2, 1, 3, 4), (3, 1, 3, 2)]
    items = [(4 * i + beat, *rest) for i in range(4) for beat, *rest in bar]
    path = tmp_path / "rope-walk.riff.json"
    write_riff(make_riff(items, title="rope-walk.wav"), path)
    return path


def test_show_repeats_writes_bars_that_come_again_once(
    loop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["show", str(loop)]) == 0
    whole = capsys.readouterr().out
    assert main(["show", str(loop), "--repeats"]) == 0
    folded = capsys.readouterr().out
    assert "x4" in folded
    assert "x4" not in whole
    assert len(folded) < len(whole)


def test_finger_repeats_folds_the_files_and_what_is_printed(
    loop: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "folded"
    arguments = ["finger", str(loop), "-o", str(folder), "--format", "tab,musicxml"]
    assert main([*arguments, "--repeats"]) == 0
    tab = (folder / "rope-walk.tab.txt").read_text(encoding="utf-8")
    assert "x4" in tab
    assert capsys.readouterr().out.startswith(tab.rstrip("\n"))
    assert (folder / "rope-walk.musicxml").read_text(encoding="utf-8").count("<measure ") == 1
    for name in ("rope-walk.tab.txt", "rope-walk.musicxml"):
        assert [(n.onset_beat, n.string, n.fret) for n in read_any(folder / name).notes] == [
            (n.onset_beat, n.string, n.fret)
            for n in read_riff(folder / "rope-walk.riff.json").notes
        ]
    assert main(arguments) == 0
    assert "x4" not in (folder / "rope-walk.tab.txt").read_text(encoding="utf-8")
    assert not list(folder.glob("*.kept-*"))


def test_transcribe_repeats_writes_the_tab_that_show_repeats_prints(
    takes: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    take = shutil.copy(_audio(takes / "mooring"), tmp_path)
    assert main(["transcribe", str(take), "--repeats"]) == 0
    document = next(tmp_path.glob("*.riff.json"))
    capsys.readouterr()
    assert main(["show", str(document), "--repeats"]) == 0
    tab = _tab(document).read_text(encoding="utf-8")
    assert capsys.readouterr().out.startswith(tab.rstrip("\n"))
    assert tab == write_tab(read_riff(document), repeats=True)


def test_show_notes_lists_every_id(transcribed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["show", str(transcribed), "--notes"]) == 0
    lines = capsys.readouterr().out.splitlines()[1:]
    assert [int(line.split()[0]) for line in lines] == [n.id for n in read_riff(transcribed).notes]


def test_show_why_names_the_note(transcribed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    note = read_riff(transcribed).notes[3]
    assert main(["show", str(transcribed), "--why", str(note.id)]) == 0
    said = capsys.readouterr().out
    assert f"string {note.string}" in said


def test_json_goes_to_stdout_alone(transcribed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["theory", str(transcribed), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["mode"]["tonic"]


def _movable(path: Path) -> tuple[int, tuple[int, int]]:
    """A fretted note of a riff with another place, and that place."""
    riff = read_riff(path)
    for note in riff.notes:
        others = [
            place
            for place in riff.instrument.places(note.pitch_midi)
            if place != (note.string, note.fret)
            and (riff.drone is None or place[0] != riff.drone.string)
        ]
        if note.fret and others:
            return note.id, min(others, key=lambda place: abs(place[1] - (note.fret or 0)))
    raise AssertionError("the riff has no note with two places")


def test_pin_then_undo_then_redo(riff: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = read_riff(riff)
    note_id, place = _movable(riff)
    assert main(["refinger", str(riff), "--pin", f"{note_id}={place[0]}/{place[1]}"]) == 0
    assert f"note {note_id}: " in capsys.readouterr().out
    pinned = read_riff(riff)
    assert (pinned.note(note_id).string, pinned.note(note_id).fret) == place
    assert pinned.note(note_id).pinned
    assert main(["refinger", str(riff), "--undo"]) == 0
    undone = read_riff(riff)
    assert [(n.string, n.fret, n.pinned) for n in undone.notes] == [
        (n.string, n.fret, n.pinned) for n in before.notes
    ]
    assert main(["refinger", str(riff), "--redo"]) == 0
    again = read_riff(riff)
    assert [(n.string, n.fret, n.pinned) for n in again.notes] == [
        (n.string, n.fret, n.pinned) for n in pinned.notes
    ]


def test_second_transcription_carries_pins_over(
    takes: Path, riff: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    note_id, place = _movable(riff)
    arguments = ["refinger", str(riff), "--pin", f"{note_id}={place[0]}/{place[1]}", "--only-here"]
    assert main(arguments) == 0
    pinned = read_riff(riff)
    take = shutil.copy(_audio(takes / "mooring"), riff.parent)
    assert main(["transcribe", str(take)]) == 0
    assert "1 pin carried over" in capsys.readouterr().err
    again = read_riff(riff)
    onset_sec = pinned.note(note_id).onset_sec
    held = [n for n in again.notes if n.pinned]
    assert [(n.string, n.fret) for n in held] == [place]
    assert held[0].onset_sec == pytest.approx(onset_sec, abs=0.05)
    kept = riff.with_name(riff.name.replace(".riff.json", ".kept-1.riff.json"))
    assert read_riff(kept) == pinned


def test_edited_tab_becomes_pins(transcribed: Path, tmp_path: Path) -> None:
    for name in (transcribed.name, transcribed.name.replace(".riff.json", ".tab.txt")):
        shutil.copy(transcribed.with_name(name), tmp_path)
    riff = tmp_path / transcribed.name
    assert main(["refinger", str(riff), "--from-tab", str(_tab(riff))]) == 0
    unchanged = read_riff(riff)
    assert not any(note.pinned for note in unchanged.notes)


def _tab(riff: Path) -> Path:
    return riff.with_name(riff.name.replace(".riff.json", ".tab.txt"))


@pytest.mark.parametrize("suffix", [".mid", ".musicxml", ".tab.txt", ".jams"])
def test_finger_reads_back_what_transcribe_wrote(
    transcribed: Path, tmp_path: Path, suffix: str
) -> None:
    notes = transcribed.with_name(transcribed.name.replace(".riff.json", suffix))
    assert main(["finger", str(notes), "-o", str(tmp_path)]) == 0
    again = next(tmp_path.glob("*.riff.json"))
    assert sorted(n.pitch_midi for n in read_riff(again).notes) == sorted(
        n.pitch_midi for n in read_riff(transcribed).notes
    )


DRONE_LINE = (52, 55, 57, 55, 52, 50)  # along string 5, over the open string 6

DROPPED = """Drop D

e|-----------------|-----------------|
B|-----------------|-----------------|
G|-----------------|-----------------|
D|-0-0-0-3-0-5-3---|-0-0-0-3-0-6-5---|
A|-0-0-0-3-0-5-3---|-0-0-0-3-0-6-5---|
D|-0-0-0-3-0-5-3---|-0-0-0-3-0-6-5---|
"""


def _drone_midi(path: Path) -> None:
    """Four bars of a line over an open string, as bare notes."""
    notes = []
    for bar in range(4):
        notes.append(Note(len(notes), 2.0 * bar, 2.0 * bar + 1.9, 40))
        for k, pitch in enumerate(DRONE_LINE):
            sec = 2.0 * bar + 0.5 + 0.25 * k
            notes.append(Note(len(notes), sec, sec + 0.2, pitch))
    path.write_bytes(write_midi(Riff(notes=tuple(notes))))


@pytest.mark.parametrize("name", ["hawser.mid", "hawser.txt"])
def test_theory_of_a_file_of_notes_is_that_of_its_fingering(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Its drone, its tuning and its bars count, which the fingering finds."""
    file = tmp_path / name
    if file.suffix == ".txt":
        file.write_text(DROPPED, "utf-8")
    else:
        _drone_midi(file)
    assert main(["finger", str(file)]) == 0
    capsys.readouterr()
    fingered = read_riff(tmp_path / "hawser.riff.json")
    assert main(["theory", str(file), "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == fingered.theory
    assert (fingered.drone is not None) == (file.suffix == ".mid")


def test_theory_counts_the_bars_that_a_tab_draws(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "hawser.txt"
    file.write_text(DROPPED, "utf-8")
    assert main(["theory", str(file)]) == 0
    said = capsys.readouterr().out
    assert "Chords: | D5 F5 D5 G5 F5 | D5 F5 D5 Ab5 G5 |" in said
