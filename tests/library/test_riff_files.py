"""Saving: nothing that a player changed is lost, and nothing is overwritten in silence."""

from __future__ import annotations

import dataclasses
import hashlib
import os
from pathlib import Path

import pytest

from transcribe.core.errors import FormatError, ParameterError
from transcribe.core.riff import FileForm, Note, Rhythm, Riff
from transcribe.formats.document import read_riff, write_riff
from transcribe.library import riff_files


def _riff(*, pinned: bool = False) -> Riff:
    places = [(62, 3, 7), (64, 3, 9), (65, 3, 10), (64, 3, 9)]
    notes = tuple(
        Note(
            id=i + 1,
            onset_sec=0.5 * i,
            offset_sec=0.5 * i + 0.45,
            pitch_midi=pitch,
            string=string,
            fret=fret,
            pinned=pinned and i == 1,
            onset_beat=float(i),
            duration_beat=1.0,
        )
        for i, (pitch, string, fret) in enumerate(places)
    )
    beats = tuple(0.5 * i for i in range(5))
    return Riff(notes=notes, rhythm=Rhythm(120.0, (4, 4), beats, (0.0, 2.0)))


@pytest.mark.parametrize(
    ("file", "name"),
    [
        ("a/mooring.m4a", "mooring"),
        ("mooring.riff.json", "mooring"),
        ("mooring.tab.txt", "mooring"),
        ("slack.water.wav", "slack.water"),
        (".riff.json", ".riff"),
    ],
)
def test_riff_name(file: str, name: str) -> None:
    assert riff_files.riff_name(file) == name


def test_save_writes_every_format_that_is_asked_for(tmp_path: Path) -> None:
    files = riff_files.save(_riff(), tmp_path / "new", "mooring", formats=tuple(riff_files.FORMATS))
    assert [f.name for f in files] == [
        "mooring.riff.json",
        "mooring.tab.txt",
        "mooring.musicxml",
        "mooring.mid",
        "mooring.jams",
    ]
    assert all(f.stat().st_size > 100 for f in files)
    assert sorted(f.name for f in (tmp_path / "new").iterdir()) == sorted(f.name for f in files)


def test_save_says_what_it_replaces_and_keeps_an_edited_tab(tmp_path: Path) -> None:
    said: list[str] = []
    riff_files.save(_riff(), tmp_path, "mooring", say=said.append)
    assert said == []
    tab = tmp_path / "mooring.tab.txt"
    edited = tab.read_text(encoding="utf-8").replace("7", "5", 1)
    tab.write_text(edited, encoding="utf-8")
    riff_files.save(_riff(), tmp_path, "mooring", say=said.append)
    kept = tmp_path / "mooring.kept-1.tab.txt"
    assert kept.read_text(encoding="utf-8") == edited
    assert any(kept.name in sentence for sentence in said)
    assert tab.read_text(encoding="utf-8") != edited


def test_save_tells_in_one_line_what_it_replaces_and_nothing_where_all_is_the_same(
    tmp_path: Path,
) -> None:
    said: list[str] = []
    for _ in range(2):
        riff_files.save(_riff(), tmp_path, "mooring", formats=("tab", "midi"), say=said.append)
    assert said == []
    slower = dataclasses.replace(_riff(), rhythm=dataclasses.replace(_riff().rhythm, bpm=90.0))
    riff_files.save(slower, tmp_path, "mooring", formats=("tab", "midi"), say=said.append)
    assert len(said) == 1
    assert "mooring.riff.json, mooring.tab.txt" in said[0]


def _loop() -> Riff:
    """The bar of `_riff` three times."""
    riff = _riff()
    notes = tuple(
        dataclasses.replace(
            note,
            id=4 * bar + note.id,
            onset_sec=note.onset_sec + 2 * bar,
            offset_sec=note.offset_sec + 2 * bar,
            onset_beat=(note.onset_beat or 0.0) + 4 * bar,
        )
        for bar in range(3)
        for note in riff.notes
    )
    beats = tuple(0.5 * i for i in range(13))
    return Riff(notes=notes, rhythm=Rhythm(120.0, (4, 4), beats, (0.0, 2.0, 4.0)))


def test_save_writes_bars_that_come_again_once_when_asked(tmp_path: Path) -> None:
    for repeats in (False, True):
        folder = tmp_path / str(repeats)
        riff_files.save(_loop(), folder, "mooring", formats=("tab", "musicxml"), repeats=repeats)
        assert ("x3" in (folder / "mooring.tab.txt").read_text(encoding="utf-8")) is repeats
        score = (folder / "mooring.musicxml").read_text(encoding="utf-8")
        assert score.count("<measure ") == (1 if repeats else 3)
        kept = read_riff(folder / "mooring.riff.json")
        assert dataclasses.replace(kept, files={}) == _loop()
        assert {form.repeats for form in kept.files.values()} == {repeats}


@pytest.mark.parametrize("before", [False, True])
@pytest.mark.parametrize("after", [False, True])
def test_a_tab_in_either_form_is_not_taken_for_an_edited_one(
    before: bool, after: bool, tmp_path: Path
) -> None:
    said: list[str] = []
    riff_files.save(_loop(), tmp_path, "mooring", repeats=before)
    riff_files.save(_loop(), tmp_path, "mooring", repeats=after, say=said.append)
    assert not list(tmp_path.glob("*.kept-*"))
    assert any("mooring.tab.txt" in sentence for sentence in said) is (before != after)


def test_a_folded_tab_that_was_edited_is_kept(tmp_path: Path) -> None:
    said: list[str] = []
    riff_files.save(_loop(), tmp_path, "mooring", repeats=True)
    tab = tmp_path / "mooring.tab.txt"
    edited = tab.read_text(encoding="utf-8").replace("7", "5", 1)
    tab.write_text(edited, encoding="utf-8")
    riff_files.save(_loop(), tmp_path, "mooring", repeats=True, say=said.append)
    assert (tmp_path / "mooring.kept-1.tab.txt").read_text(encoding="utf-8") == edited
    assert any("had been edited" in sentence for sentence in said)


@pytest.mark.parametrize("width", [60, 80, 100])
@pytest.mark.parametrize("repeats", [False, True])
def test_forms_beside_are_those_that_were_written(
    width: int, repeats: bool, tmp_path: Path
) -> None:
    long = _melody(9) if not repeats else _loop()
    riff_files.save(
        long, tmp_path, "mooring", formats=tuple(riff_files.FORMATS), width=width, repeats=repeats
    )
    forms = riff_files.forms_beside(read_riff(tmp_path / "mooring.riff.json"), tmp_path, "mooring")
    assert set(forms) == set(riff_files.FORMATS)
    assert forms["tab"].repeats is repeats
    assert forms["musicxml"].repeats is repeats
    for kind, form in forms.items():
        written = (tmp_path / f"mooring{riff_files.FORMATS[kind]}").read_bytes()
        assert riff_files.made(long, kind, form) == written


def _melody(bars: int) -> Riff:
    """Bars that differ from each other."""
    riff = _loop()
    notes = [
        dataclasses.replace(
            riff.notes[0],
            id=i + 1,
            onset_sec=0.5 * i,
            offset_sec=0.5 * i + 0.45,
            onset_beat=float(i),
            pitch_midi=55 + i * i % 11,
            fret=i * i % 11,
        )
        for i in range(4 * bars)
    ]
    beats = tuple(0.5 * i for i in range(4 * bars + 1))
    return Riff(notes=tuple(notes), rhythm=Rhythm(120.0, (4, 4), beats, beats[::4]))


def test_a_file_that_a_hand_changed_does_not_follow(tmp_path: Path) -> None:
    riff_files.save(_loop(), tmp_path, "mooring", formats=("tab", "musicxml"), repeats=True)
    tab = tmp_path / "mooring.tab.txt"
    tab.write_text(tab.read_text(encoding="utf-8").replace("7", "5", 1), encoding="utf-8")
    saved = read_riff(tmp_path / "mooring.riff.json")
    forms = riff_files.forms_beside(saved, tmp_path, "mooring")
    assert set(forms) == {"musicxml"}
    moved = dataclasses.replace(
        saved,
        notes=tuple(dataclasses.replace(n, string=4, fret=n.fret + 5) for n in _loop().notes),
    )
    before = tab.read_bytes()
    moved, files = riff_files.followed(saved, moved, tmp_path, "mooring")
    assert set(files) == {"musicxml"}
    riff_files.put_beside(tmp_path, "mooring", files)
    assert tab.read_bytes() == before
    score = (tmp_path / "mooring.musicxml").read_text(encoding="utf-8")
    assert score.count("<measure ") == 1
    assert "<string>4</string>" in score
    # It follows no further once a hand has changed it, even after it was looked at.
    _, files = riff_files.followed(moved, _loop(), tmp_path, "mooring")
    assert set(files) == {"musicxml"}
    (tmp_path / "mooring.musicxml").write_text("mine", encoding="utf-8")
    riff_files.put_beside(tmp_path, "mooring", files)
    assert (tmp_path / "mooring.musicxml").read_text(encoding="utf-8") == "mine"


def test_files_beside_a_document_that_tells_nothing_of_them(tmp_path: Path) -> None:
    """As the files of version 1: they are known by what they say, in the usual form."""
    write_riff(_loop(), tmp_path / "mooring.riff.json")
    tab, score = tmp_path / "mooring.tab.txt", tmp_path / "mooring.musicxml"
    tab.write_bytes(riff_files.made(_loop(), "tab", FileForm()))
    score.write_bytes(riff_files.made(_loop(), "musicxml", FileForm()) + b"<!-- mine -->")
    assert set(riff_files.forms_beside(_loop(), tmp_path, "mooring")) == {"tab"}
    riff_files.save(_riff(), tmp_path, "mooring")
    assert not list(tmp_path.glob("*.kept-*"))


def test_a_file_follows_where_a_later_version_would_write_it_otherwise(tmp_path: Path) -> None:
    """What counts is the file as it was written, not as it would be written now."""
    riff_files.save(_loop(), tmp_path, "mooring")
    saved = read_riff(tmp_path / "mooring.riff.json")
    older = b"Handspan tab 1\nas it was written once\n"
    (tmp_path / "mooring.tab.txt").write_bytes(older)
    form = dataclasses.replace(saved.files["tab"], sha256=hashlib.sha256(older).hexdigest())
    write_riff(dataclasses.replace(saved, files={"tab": form}), tmp_path / "mooring.riff.json")
    riff_files.save(_riff(), tmp_path, "mooring")
    assert not list(tmp_path.glob("*.kept-*"))


def test_a_tab_is_folded_again_when_its_bars_are_alike_again(tmp_path: Path) -> None:
    """In between no bar comes again, and both forms are the same."""
    riff_files.save(_loop(), tmp_path, "mooring", repeats=True)
    document = tmp_path / "mooring.riff.json"
    for notes, is_folded in ((_melody(3).notes, False), (_loop().notes, True)):
        old = read_riff(document)
        forms = riff_files.forms_beside(old, tmp_path, "mooring")
        assert forms["tab"].repeats
        new = dataclasses.replace(old, notes=notes)
        riff_files.save(new, tmp_path, "mooring", forms=forms)
        tab = (tmp_path / "mooring.tab.txt").read_text(encoding="utf-8")
        assert ("x3" in tab) is is_folded
    assert not list(tmp_path.glob("*.kept-*"))


def test_save_of_an_unknown_format_writes_nothing(tmp_path: Path) -> None:
    with pytest.raises(ParameterError, match="no format is called 'pdf'"):
        riff_files.save(_riff(), tmp_path, "mooring", formats=("tab", "pdf"))
    assert list(tmp_path.iterdir()) == []


def test_save_into_a_file_is_refused(tmp_path: Path) -> None:
    blocker = tmp_path / "riffs"
    blocker.write_text("not a folder", encoding="utf-8")
    with pytest.raises(FormatError, match="cannot be made"):
        riff_files.save(_riff(), blocker, "mooring")


@pytest.mark.parametrize("suffix", [".riff.json", ".tab.txt", ".mid"])
def test_a_folder_in_the_way_leaves_everything_as_it_was(suffix: str, tmp_path: Path) -> None:
    (tmp_path / f"mooring{suffix}").mkdir()
    with pytest.raises(FormatError, match="is a folder; move it away"):
        riff_files.save(_riff(), tmp_path, "mooring", formats=("tab", "midi"))
    assert [path.name for path in tmp_path.iterdir()] == [f"mooring{suffix}"]


def test_keep_old_never_reuses_a_name(tmp_path: Path) -> None:
    document = tmp_path / "mooring.riff.json"
    write_riff(_riff(pinned=True), document)
    first = riff_files.keep_old(document)
    write_riff(_riff(), document)
    second = riff_files.keep_old(document)
    assert (first.name, second.name) == ("mooring.kept-1.riff.json", "mooring.kept-2.riff.json")
    assert (read_riff(first), read_riff(second)) == (_riff(pinned=True), _riff())


def test_the_same_is_not_kept_twice(tmp_path: Path) -> None:
    document = tmp_path / "mooring.riff.json"
    write_riff(_riff(pinned=True), document)
    assert riff_files.keep_old(document) == riff_files.keep_old(document)
    assert len(list(tmp_path.iterdir())) == 2


def test_files_that_a_kill_left_behind_follow_at_the_next_save(tmp_path: Path) -> None:
    """The document is there, and the files beside it are still those of the one before."""
    kinds = ("tab", "musicxml", "midi")
    riff_files.save(_loop(), tmp_path, "mooring", formats=kinds)
    old = read_riff(tmp_path / "mooring.riff.json")
    new, files = riff_files.followed(
        old, dataclasses.replace(old, notes=_melody(3).notes), tmp_path, "mooring"
    )
    assert set(files) == set(kinds)
    write_riff(new, tmp_path / "mooring.riff.json")  # killed here
    assert set(riff_files.forms_beside(new, tmp_path, "mooring")) == set(kinds)
    later, files = riff_files.followed(
        new, dataclasses.replace(new, about="a quay"), tmp_path, "mooring"
    )
    write_riff(later, tmp_path / "mooring.riff.json")
    riff_files.put_beside(tmp_path, "mooring", files)
    for kind in kinds:
        path = tmp_path / f"mooring{riff_files.FORMATS[kind]}"
        assert path.read_bytes() == riff_files.made(later, kind, FileForm())
    assert not list(tmp_path.glob("*.kept-*"))


def test_a_file_that_a_hand_has_changed_after_a_kill_is_kept(tmp_path: Path) -> None:
    riff_files.save(_loop(), tmp_path, "mooring")
    old = read_riff(tmp_path / "mooring.riff.json")
    new, _ = riff_files.followed(
        old, dataclasses.replace(old, notes=_melody(3).notes), tmp_path, "mooring"
    )
    write_riff(new, tmp_path / "mooring.riff.json")
    tab = tmp_path / "mooring.tab.txt"
    tab.write_text(tab.read_text(encoding="utf-8") + "mine\n", encoding="utf-8")
    assert riff_files.forms_beside(new, tmp_path, "mooring") == {}
    riff_files.save(new, tmp_path, "mooring")
    assert (tmp_path / "mooring.kept-1.tab.txt").read_text(encoding="utf-8").endswith("mine\n")


def test_what_a_kill_left_half_written_is_swept(tmp_path: Path) -> None:
    left, fresh, other = (
        tmp_path / n for n in (".mooring.tab.abcd_123.part", ".quay.abcd_124.part", ".mine.part")
    )
    for path in (left, fresh, other):
        path.write_bytes(b"half")
    for path in (left, other):
        os.utime(path, (1e9, 1e9))
    riff_files.save(_riff(), tmp_path, "mooring")
    assert [path.exists() for path in (left, fresh, other)] == [False, True, True]


def test_a_long_name_has_room(tmp_path: Path) -> None:
    name = "q" * 235
    riff_files.save(_riff(), tmp_path, name, formats=("tab", "musicxml"))
    assert read_riff(tmp_path / f"{name}.riff.json").notes == _riff().notes
    with pytest.raises(FormatError, match="cannot be written: File name too long"):
        riff_files.save(_riff(), tmp_path, "q" * 250)
