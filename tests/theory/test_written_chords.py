"""Chord names that a player wrote outrank what the notes suggest."""

from __future__ import annotations

from pathlib import Path

import transcribe
from transcribe.harmony import theory_report

_OVER_A_LINE = """\
   Am7             D9              Gmaj7           Cmaj7
e|-----------------|-----------------|-----------------|-----------------|
B|-1---3---5---3---|-1---3---5---3---|-0---3---0---3---|-1---0---1---3---|
G|-----------------|-----------------|-----------------|-----------------|
D|-----------------|-----------------|-----------------|-----------------|
A|-----------------|-----------------|-----------------|-----------------|
E|-----------------|-----------------|-----------------|-----------------|
"""


def _riff(tab: str, folder: Path) -> transcribe.Riff:
    path = folder / "quay.txt"
    path.write_text(tab, encoding="utf-8")
    return transcribe.finger(transcribe.read_any(path))


def test_a_name_of_an_unknown_kind_counts_as_the_chord_that_it_begins_with(tmp_path: Path) -> None:
    tab = _OVER_A_LINE.replace("D9  ", "D7alt", 1).replace("Gmaj7   ", "Gmaj7#11", 1)
    riff = _riff(tab, tmp_path)
    assert [m.text for m in riff.marks if m.kind == "chord"] == [
        "Am7",
        "D7alt",
        "Gmaj7#11",
        "Cmaj7",
    ]
    symbols = [span.symbol for span in theory_report(riff).chords]
    assert symbols == ["Am7", "D7", "Gmaj7", "Cmaj7"]


def test_the_loop_is_the_one_that_is_written(tmp_path: Path) -> None:
    riff = _riff(_OVER_A_LINE, tmp_path)
    report = theory_report(riff)
    assert [span.symbol for span in report.chords] == ["Am7", "D9", "Gmaj7", "Cmaj7"]
    assert all(span.written and not span.implied for span in report.chords)
    assert report.loop is not None
    assert report.loop.symbols == ("Am7", "D9", "Gmaj7", "Cmaj7")
    assert "(written)" in report.text()
    assert [c["written"] for c in (riff.theory or {})["chords"]] == [True] * 4


def test_a_written_chord_that_does_not_sound_is_held_against_what_does(tmp_path: Path) -> None:
    strum = """\
   C               Ebm
e|-0---0---0---0---|-0---0---0---0---|
B|-1---1---1---1---|-1---1---1---1---|
G|-0---0---0---0---|-2---2---2---2---|
D|-2---2---2---2---|-2---2---2---2---|
A|-3---3---3---3---|-0---0---0---0---|
E|-----------------|-----------------|
"""
    report = theory_report(_riff(strum, tmp_path))
    assert [(span.symbol, span.sounds) for span in report.chords] == [("C", None), ("Ebm", "Am")]
    assert "written; Am sounds" in report.text()
