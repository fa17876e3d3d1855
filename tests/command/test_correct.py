"""Correcting a riff from the command: files that follow, bars and phrases, half time, messages."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.formats.riffs import make_riff
from transcribe.command.main import main
from transcribe.formats import read_any
from transcribe.formats.document import read_riff, write_riff
from transcribe.formats.tab.write import write_tab
from transcribe.library import riff_files

BAR = [(0, 1, 3, 0), (1, 1, 3, 2), (2, 1, 3, 4), (3, 1, 3, 2)]


@pytest.fixture
def loop(tmp_path: Path) -> Path:
    """A bar that is played four times, and after it another one; with its files, repeats folded."""
    items = [(4 * i + beat, *rest) for i in range(4) for beat, *rest in BAR]
    items += [(16 + beat, 1, 2, fret) for beat, fret in enumerate((3, 5, 3, 1))]
    path = tmp_path / "rope-walk.riff.json"
    given = tmp_path / "given.riff.json"
    write_riff(make_riff(items, title="rope-walk.wav"), given)
    riff = read_riff(given)
    given.unlink()
    riff_files.save(riff, tmp_path, "rope-walk", formats=("tab", "musicxml", "midi"), repeats=True)
    return path


def _text(document: Path, suffix: str) -> str:
    return document.with_name(f"rope-walk{suffix}").read_text(encoding="utf-8")


def test_corrections_keep_repeats_folded(loop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pins = [f"--pin={4 * i + 2}=4/7" for i in range(4)]
    assert main(["refinger", str(loop), *pins]) == 0
    tab = _text(loop, ".tab.txt")
    assert "x4" in tab
    assert capsys.readouterr().out.startswith(tab.rstrip("\n"))
    assert _text(loop, ".musicxml").count("<measure ") == 2
    riff = read_riff(loop)
    for suffix in (".tab.txt", ".musicxml", ".mid"):
        again = read_any(loop.with_name(f"rope-walk{suffix}"))
        assert [(n.string, n.fret) for n in again.notes] == [(n.string, n.fret) for n in riff.notes]
    assert not list(loop.parent.glob("*.kept-*"))


def test_a_correction_of_one_pass_opens_the_fold_and_undo_closes_it(loop: Path) -> None:
    assert main(["refinger", str(loop), "--pin", "5=4/5", "--only-here"]) == 0
    assert "x4" not in _text(loop, ".tab.txt")
    assert _text(loop, ".tab.txt") == write_tab(read_riff(loop), repeats=True)
    assert main(["refinger", str(loop), "--undo"]) == 0
    assert "x4" in _text(loop, ".tab.txt")
    assert not list(loop.parent.glob("*.kept-*"))


def test_an_unfolded_tab_stays_unfolded(loop: Path) -> None:
    assert main(["finger", str(loop), "--width", "100", "--no-repeats"]) == 0
    assert main(["refinger", str(loop), "--pin", "2=4/7"]) == 0
    assert _text(loop, ".tab.txt") == write_tab(read_riff(loop), width=100)
    assert main(["refinger", str(loop), "--undo", "--width", "60"]) == 0
    assert _text(loop, ".tab.txt") == write_tab(read_riff(loop), width=60)
    assert not list(loop.parent.glob("*.kept-*"))


@pytest.mark.parametrize("name", ["edited.txt", "rope-walk.tab.txt"])
def test_a_folded_tab_may_be_edited_and_handed_over(name: str, loop: Path) -> None:
    tab = loop.with_name(name)
    lines = _text(loop, ".tab.txt").splitlines()
    g = next(i for i, line in enumerate(lines) if line.startswith("G |"))
    at = lines[g].index("2")
    lines[g] = lines[g][:at] + "-" + lines[g][at + 1 :]
    lines[g + 1] = lines[g + 1][:at] + "7" + lines[g + 1][at + 1 :]
    tab.write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert main(["refinger", str(loop), "--from-tab", str(tab)]) == 0
    riff = read_riff(loop)
    assert [riff.note(4 * i + 2).string for i in range(4)] == [4] * 4
    assert _text(loop, ".tab.txt") == write_tab(riff, repeats=True)
    kept = list(loop.parent.glob("*.kept-*"))
    assert [path.read_text(encoding="utf-8").splitlines() for path in kept] == (
        [lines] if name == "rope-walk.tab.txt" else []
    )


def test_undo_of_a_pin_that_moved_nothing_says_that_it_is_off(
    loop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    note = read_riff(loop).note(5)
    assert main(["refinger", str(loop), "--pin", f"5={note.string}/{note.fret}"]) == 0
    assert "note 5: pinned where it lies, string 3 fret 0" in capsys.readouterr().out
    assert main(["refinger", str(loop), "--undo"]) == 0
    said = capsys.readouterr().out
    assert "note 5: pin taken off, it stays on string 3 fret 0" in said
    assert "no note moved" not in said


def test_pins_of_a_bar_go_by_its_name(loop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["refinger", str(loop), "--pin", "bar:5", "--pin", "bar:2", "--only-here"]) == 0
    assert {n.id for n in read_riff(loop).notes if n.pinned} == {5, 6, 7, 8, 17, 18, 19, 20}
    assert main(["refinger", str(loop), "--unpin", "bar:2", "--unpin", "17", "--only-here"]) == 0
    assert {n.id for n in read_riff(loop).notes if n.pinned} == {18, 19, 20}
    assert main(["refinger", str(loop), "--unpin", "all"]) == 0
    assert not any(n.pinned for n in read_riff(loop).notes)
    capsys.readouterr()
    before = loop.read_bytes()
    for name, words in (
        ("bar:2", "no note of bar 2 is pinned"),
        ("bar:9", "bar 9 holds no notes"),
        ("bar:2=4", "bar:2, phrase:A or all, without a place"),
        ("twelve", "write the ID of a note"),
    ):
        assert main(["refinger", str(loop), "--unpin", name]) == 1
        assert words in capsys.readouterr().err
    assert loop.read_bytes() == before


def test_half_time_and_back(loop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = read_riff(loop)
    assert main(["refinger", str(loop), "--half-time"]) == 0
    assert "rhythm: 4/4 at 96 bpm (quarter = 96) -> 4/4 at 48 bpm" in capsys.readouterr().out
    half = read_riff(loop)
    assert [n.onset_beat for n in half.notes] == [(n.onset_beat or 0) / 2 for n in before.notes]
    assert "Tempo:  48 bpm (quarter = 48)" in _text(loop, ".tab.txt")
    assert main(["refinger", str(loop), "--undo"]) == 0
    assert read_riff(loop).rhythm == before.rhythm
    assert main(["refinger", str(loop), "--double-time", "--meter", "2/4"]) == 0
    twice = read_riff(loop)
    assert twice.rhythm is not None
    assert (twice.rhythm.bpm, twice.rhythm.meter) == (192.0, (2, 4))


def test_meter_and_tempo_can_be_said_of_a_riff(loop: Path) -> None:
    assert main(["refinger", str(loop), "--meter", "2/4"]) == 0
    riff = read_riff(loop)
    assert riff.rhythm is not None
    assert riff.rhythm.meter == (2, 4)
    assert main(["refinger", str(loop), "--first-beat", "0.625"]) == 0
    moved = read_riff(loop)
    assert moved.rhythm is not None
    assert moved.rhythm.downbeats_sec[0] == pytest.approx(0.625)


def test_a_tempo_in_six_eighths_counts_dotted_quarters(
    loop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["refinger", str(loop), "--meter", "6/8", "--bpm", "84"]) == 0
    assert "Tempo:  84 bpm (dotted quarter = 84)" in capsys.readouterr().out
    riff = read_riff(loop)
    assert riff.rhythm is not None
    assert (riff.rhythm.bpm, riff.rhythm.meter) == (252.0, (6, 8))
    assert main(["refinger", str(loop), "--bpm", "90"]) == 0
    again = read_riff(loop)
    assert again.rhythm is not None
    assert again.rhythm.bpm == 270.0
    assert main(["refinger", str(loop), "--bpm", "252"]) == 1
    assert "give 7 to 200" in capsys.readouterr().err


@pytest.mark.parametrize("wrong", [["--half-time", "--double-time"], ["--half-time", "--bpm=90"]])
def test_two_tempos_at_once_are_wrong_usage(loop: Path, wrong: list[str]) -> None:
    with pytest.raises(SystemExit) as stop:
        main(["refinger", str(loop), *wrong])
    assert stop.value.code == 2


def test_a_first_beat_beyond_the_end_names_the_option(
    loop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for command in ("refinger", "finger"):
        assert main([command, str(loop), "--first-beat", "99"]) == 1
        said = capsys.readouterr().err
        assert "--first-beat is 99" in said
        assert "first_beat_sec" not in said


def _cut(document: Path, bar_line: str, old: str, new: str) -> Path:
    """The tab of ``document`` with one sign of its first system changed."""
    text = write_tab(read_riff(document))
    lines = text.splitlines()
    row = next(i for i, line in enumerate(lines) if line.startswith(bar_line))
    assert old in lines[row]
    lines[row] = lines[row].replace(old, new, 1)
    path = document.with_name("edited.txt")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("2", "-", "bar 1 beat 2: the number of note 2 is lost, string 3 fret 2 (A3)"),
        (
            "4",
            "5",
            "bar 1 beat 3: string 3 fret 5 sounds C4, but the note there is B3, string 3 fret 4",
        ),
    ],
)
def test_a_tab_that_lost_a_number_says_where(
    old: str, new: str, words: str, loop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    edited = _cut(loop, "G |", old, new)
    before = loop.read_bytes()
    assert main(["refinger", str(loop), "--from-tab", str(edited)]) == 1
    said = capsys.readouterr().err
    assert words in said
    assert said.startswith("handspan: edited.txt: ")
    assert said.count("\n") == 1
    assert loop.read_bytes() == before


def test_a_tab_with_one_number_more_says_where(
    loop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    edited = _cut(loop, "e |", "|--", "|-3")
    assert main(["refinger", str(loop), "--from-tab", str(edited)]) == 1
    assert "bar 1 beat 1: string 1 fret 3 is not in the riff" in capsys.readouterr().err


def test_a_note_is_taken_out_and_comes_back(loop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["refinger", str(loop), "--delete", "2", "--delete", "3"]) == 0
    said = capsys.readouterr().out
    assert "note 2: A3 is gone" in said
    assert {n.id for n in read_riff(loop).notes} == {1, *range(4, 21)}
    edited = loop.with_name("edited.txt")
    edited.write_text(write_tab(read_riff(loop)), encoding="utf-8")
    assert main(["refinger", str(loop), "--from-tab", str(edited)]) == 0
    assert main(["refinger", str(loop), "--delete", "2"]) == 1
    assert "no note 2 any more" in capsys.readouterr().err
    assert main(["refinger", str(loop), "--undo"]) == 0
    assert "note 3: B3 is there" in capsys.readouterr().out
    assert len(read_riff(loop).notes) == 20


def test_dead_notes_in_an_edited_tab_are_no_fault(tmp_path: Path) -> None:
    path = tmp_path / "slack-water.riff.json"
    items = [(0, 1, 3, 0), (1, 1, 3, 7, "dead"), (2, 1, 3, 4), (3, 1, 3, 2)]
    write_riff(make_riff(items), path)
    tab = tmp_path / "edited.txt"
    tab.write_text(write_tab(read_riff(path)), encoding="utf-8")
    assert main(["refinger", str(path), "--from-tab", str(tab)]) == 0


def test_a_dead_note_moved_out_of_reach_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "slack-water.riff.json"
    write_riff(make_riff([(0, 1, 3, 0), (1, 1, 6, 3, "dead"), (2, 1, 3, 4), (3, 1, 3, 2)]), path)
    edited = _cut(path, "E |", "x", "-")
    column = write_tab(read_riff(path)).split("E |")[1].index("x") + len("E |")
    lines = edited.read_text(encoding="utf-8").splitlines()
    row = next(i for i, line in enumerate(lines) if line.startswith("B |"))
    lines[row] = lines[row][:column] + "x" + lines[row][column + 1 :]
    edited.write_text("\n".join(lines) + "\n", encoding="utf-8")
    before = path.read_bytes()
    assert main(["refinger", str(path), "--from-tab", str(edited)]) == 1
    assert "bar 1 beat 2: the dead note 2 is heard near G2" in capsys.readouterr().err
    assert path.read_bytes() == before


@pytest.mark.parametrize("option", ["--pin", "--unpin"])
@pytest.mark.parametrize("name", ["bar:²", "²"])
def test_digits_that_are_no_number_are_told(
    option: str, name: str, loop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["refinger", str(loop), option, name]) == 1
    said = capsys.readouterr().err
    assert said.startswith("handspan: ")
    assert "²" in said


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("rope-walk.tab.txt", "a text tab, not a riff document; give "),
        ("rope-walk.mid", "a MIDI file, not a riff document; give "),
        ("other.musicxml", "handspan finger other.musicxml makes one"),
        ("take.mp3", "no riff document; handspan transcribe take.mp3 makes one"),
    ],
)
def test_what_is_no_document_is_told_the_way(
    name: str,
    words: str,
    loop: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(loop.parent)
    shutil.copy("rope-walk.musicxml", "other.musicxml")
    Path("take.mp3").write_bytes(b"ID3\x04" + bytes(64))
    files = sorted(loop.parent.iterdir())
    assert main(["refinger", name, "--undo"]) == 1
    said = capsys.readouterr().err
    assert words in said
    assert "JSON" not in said
    assert sorted(loop.parent.iterdir()) == files


def test_notes_and_recordings_are_sent_to_the_right_command(
    loop: Path, takes: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    notes = loop.with_name("rope-walk.mid")
    assert main(["transcribe", str(notes)]) == 1
    assert f"holds notes and no sound; handspan finger {notes}" in capsys.readouterr().err
    sound = takes / "mooring" / "mooring.ogg"
    assert main(["finger", str(sound)]) == 1
    assert f"for a recording, handspan transcribe {sound}" in capsys.readouterr().err


def test_a_folder_is_no_document(loop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["refinger", str(loop.parent), "--undo"]) == 1
    assert "is a folder; name one" in capsys.readouterr().err


def test_finger_of_a_file_beside_a_corrected_riff_keeps_the_corrections(
    loop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["refinger", str(loop), "--pin", "2=4/7", "--only-here"]) == 0
    corrected = read_riff(loop)
    assert main(["finger", str(loop.with_name("rope-walk.mid"))]) == 0
    assert "1 pin carried over" in capsys.readouterr().err
    assert read_riff(loop.with_name("rope-walk.kept-1.riff.json")) == corrected
    assert main(["refinger", str(loop), "--delete", "20"]) == 0
    assert main(["finger", str(loop.with_name("rope-walk.mid"))]) == 0
    assert "1 pin carried over, 1 change of notes not;" in capsys.readouterr().err
    held = [n for n in read_riff(loop).notes if n.pinned]
    assert [(n.string, n.fret) for n in held] == [(4, 7)]


def test_part_names_one_of_several(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    import mido

    file = mido.MidiFile(type=1)
    for name, pitch in (("Flute", 72), ("Guitar", 52)):
        track = mido.MidiTrack([mido.MetaMessage("track_name", name=name)])
        for step in range(4):
            track.append(mido.Message("note_on", note=pitch + step, velocity=80, time=0))
            track.append(mido.Message("note_off", note=pitch + step, velocity=0, time=480))
        file.tracks.append(track)
    path = tmp_path / "boathouse.mid"
    file.save(path)
    document = tmp_path / "boathouse.riff.json"
    for option, pitch in (([], 52), (["--part", "flute"], 72), (["--part", "2"], 52)):
        assert main(["finger", str(path), *option]) == 0
        assert read_riff(document).notes[0].pitch_midi == pitch
        assert ("1 Flute is left out" in capsys.readouterr().out) is (option == [])
    assert main(["show", str(path), "--part", "1", "--notes"]) == 0
    assert "C5" in capsys.readouterr().out
    assert main(["finger", str(path), "--part", "1"]) == 0
    capsys.readouterr()
    take = ["compare", str(document), str(path), "--no-progress"]
    assert main([*take, "--part", "1"]) == 0
    assert "semitones higher" not in capsys.readouterr().out
    assert main(take) == 0  # the guitar, from which the flute's riff is far
    assert "20 semitones higher" in capsys.readouterr().out
    assert main(["theory", str(path), "--part", "oboe"]) == 1
    assert "there are 1 Flute, 2 Guitar" in capsys.readouterr().err
    assert main(["show", str(document), "--part", "1"]) == 1
    assert "no parts to choose from" in capsys.readouterr().err


def test_undo_of_a_deleted_note_brings_its_theory_back(
    loop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from transcribe.correct import note_edits

    assert main(["finger", str(loop)]) == 0
    whole = read_riff(loop)
    write_riff(note_edits.delete(whole, [17, 18, 19, 20]), loop)
    assert read_riff(loop).theory != whole.theory
    assert main(["refinger", str(loop), "--undo"]) == 0
    assert read_riff(loop).theory == whole.theory
    assert "note 17: D4 is there, string 2 fret 3" in capsys.readouterr().out


@pytest.fixture(scope="module")
def take(takes: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A recording that ships, transcribed: its path."""
    path = Path(shutil.copy(takes / "gangplank" / "gangplank.flac", tmp_path_factory.mktemp("t")))
    assert main(["transcribe", str(path), "--quiet"]) == 0
    return path


def test_a_corrected_tempo_outlives_a_second_transcription(
    take: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    document = take.with_name("gangplank.riff.json")
    assert main(["refinger", str(document), "--half-time", "--quiet"]) == 0
    half = read_riff(document)
    assert half.rhythm is not None
    capsys.readouterr()
    assert main(["transcribe", str(take), "--quiet"]) == 0
    assert "the rhythm stays as it was corrected: " in capsys.readouterr().err
    again = read_riff(document)
    assert again.rhythm is not None
    assert again.rhythm.bpm == half.rhythm.bpm
    assert main(["transcribe", str(take), "--quiet"]) == 0  # its history is gone, not what it said
    third = read_riff(document)
    assert third.rhythm is not None
    assert third.rhythm.bpm == half.rhythm.bpm
    assert main(["transcribe", str(take), "--quiet", "--bpm", "125"]) == 0
    anew = read_riff(document)
    assert anew.rhythm is not None
    assert anew.rhythm.bpm == 125.0


def test_nothing_to_correct_is_told_and_writes_nothing(
    loop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = {path: path.read_bytes() for path in loop.parent.iterdir()}
    for more in ([], ["--quiet"], ["--json"], ["--only-here"]):
        assert main(["refinger", str(loop), *more]) == 1
        said = capsys.readouterr().err
        assert "nothing to correct" in said
        assert f"handspan show {loop}" in said
    assert {path: path.read_bytes() for path in loop.parent.iterdir()} == before


def test_a_first_beat_says_what_it_changed(loop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["refinger", str(loop), "--first-beat", "0.625"]) == 0
    said = capsys.readouterr().out
    assert "bar 1: from 0.00 s -> from 0.62 s" in said
    assert "of 20 notes are written at another beat or length" in said
    assert "no note moved" not in said


def test_notes_that_do_not_go_to_a_string_are_named(
    loop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """G3 is the lowest note of bar 1, and string 2 begins at B3 (standard tuning)."""
    assert main(["refinger", str(loop), "--pin", "bar:1=2"]) == 0
    caught = capsys.readouterr()
    assert "bar:1=2: string 2 has no fret for notes 1 (G3), 2 (A3), 4 (A3)" in caught.err
    assert "note 3: string 3 fret 4 -> string 2 fret 0 (pinned)" in caught.out


def test_the_notes_of_a_bar_are_taken_out(loop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["refinger", str(loop), "--delete", "bar:5"]) == 0
    assert len(read_riff(loop).notes) == 16
    assert main(["refinger", str(loop), "--undo"]) == 0
    assert len(read_riff(loop).notes) == 20
    assert main(["refinger", str(loop), "--delete", "bar:9"]) == 1
    assert "bar 9 holds no notes" in capsys.readouterr().err
    assert main(["refinger", str(loop), "--delete", "bar:1=2"]) == 1
    assert "write the ID of a note, bar:2, phrase:A or unsure" in capsys.readouterr().err


def test_places_that_are_only_as_written_are_no_corrections(
    loop: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    tab, out = tmp_path / "mine.txt", tmp_path / "out"
    tab.write_text(write_tab(read_riff(loop)), encoding="utf-8")
    document = out / "mine.riff.json"
    for options in ([], [], ["--anew"]):
        assert main(["finger", str(tab), "-o", str(out), *options]) == 0
        assert "corrections" not in capsys.readouterr().err
    assert not any(note.pinned for note in read_riff(document).notes)
    assert main(["finger", str(tab), "-o", str(out)]) == 0
    assert main(["refinger", str(document), "--pin", "17=3/7", "--only-here"]) == 0
    capsys.readouterr()
    assert main(["finger", str(tab), "-o", str(out), "--anew"]) == 0
    assert "held corrections: 1 pin carried over" in capsys.readouterr().err
    assert [note.id for note in read_riff(document).notes if note.pinned] == [17]
    # All that the document holds is carried over again: no other copy is kept of it.
    assert main(["finger", str(tab), "-o", str(out), "--anew"]) == 0
    assert [note.id for note in read_riff(document).notes if note.pinned] == [17]
    assert [path.name for path in out.glob("*.kept-*")] == ["mine.kept-1.riff.json"]


def test_a_file_is_no_folder_for_files(loop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["finger", str(loop), "-o", str(loop)]) == 1
    assert "is a file; give a folder for the files" in capsys.readouterr().err


def test_a_folder_is_no_page(loop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = loop.parent
    assert main(["compare", str(loop), str(loop), "--report", str(folder)]) == 1
    assert f"--report {folder / 'report.html'}" in capsys.readouterr().err
    assert not list(folder.glob("*.progress.jsonl"))


def test_a_spoilt_progress_file_blocks_no_comparison(
    loop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    diary = loop.with_name("rope-walk.progress.jsonl")
    diary.write_text("not a line of it\n", encoding="utf-8")
    assert main(["compare", str(loop), str(loop)]) == 0
    caught = capsys.readouterr()
    assert caught.out.strip()
    assert "rope-walk.progress.jsonl:1: not a line of a progress file" in caught.err
    assert "left as it is and this take is not added" in caught.err
    assert caught.err.count("\n") == 1
    assert diary.read_text(encoding="utf-8") == "not a line of it\n"


def test_a_reference_is_called_by_the_file_that_was_given(loop: Path, tmp_path: Path) -> None:
    from transcribe import api

    other = Path(shutil.copy(loop, tmp_path / "other.riff.json"))
    held = api.compare(loop, other)
    assert held.reference.source is not None
    assert held.reference.source.file == "other.riff.json"


def test_notes_are_changed_and_what_changed_is_said(
    loop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    edits = ["--add", "6:1=E4", "--pitch", "2=B3", "--move", "3=1:3.5", "--technique", "4=vibrato"]
    assert main(["refinger", str(loop), *edits, "--quiet"]) == 0
    said = capsys.readouterr().out
    assert "note 21: E4 is there, string " in said
    assert "note 2: A3 -> B3, string " in said
    assert "note 3: bar 1 beat 3 -> bar 1 beat 3&" in said
    assert "note 4: picked -> vibrato" in said
    assert "are written at another beat" not in said
    for _ in range(4):
        assert main(["refinger", str(loop), "--undo", "--quiet"]) == 0
    assert len(read_riff(loop).notes) == 20
    assert main(["refinger", str(loop), "--pin", "1,2=4", "--only-here", "--quiet"]) == 0
    assert [(n.string, n.fret) for n in read_riff(loop).notes[:2]] == [(4, 5), (4, 7)]


def test_other_fingerings_are_listed_and_shown_with_their_fingers(
    loop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["finger", str(loop), "--anew", "--quiet"]) == 0
    others = read_riff(loop).alternatives
    capsys.readouterr()
    assert main(["show", str(loop), "--alternative"]) == 0
    own, *listed = capsys.readouterr().out.splitlines()
    assert own.startswith("As it is: cost ")
    assert [line.split(",")[0] for line in listed] == [
        f"{k}: {other.name}" for k, other in enumerate(others, 1)
    ]
    assert main(["show", str(loop), "--alternative", "1", "--fingers"]) == 0
    first, _, *tab = capsys.readouterr().out.splitlines()
    assert first == f"Other fingering {listed[0]}"
    fingers = [line for line in tab if line.startswith("f ")]
    assert fingers
    assert not any("." in line for line in fingers)
    assert main(["show", str(loop), "--alternative", "99"]) == 1
    assert "there is no number 99" in capsys.readouterr().err
