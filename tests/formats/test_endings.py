"""First and second endings are read, played out, and written again as endings."""

from __future__ import annotations

from pathlib import Path

import pytest

from transcribe import api
from transcribe.command.main import main
from transcribe.core.riff import Riff
from transcribe.formats.musicxml.read import read_musicxml
from transcribe.formats.musicxml.write import write_musicxml
from transcribe.formats.tab.read import read_tab
from transcribe.formats.tab.write import write_tab

ONE_BAR = """\
4/4  q=90
                               1.            2.
e|:------------|-------------|-------------:|--------------|
B|:------------|-------------|-------------:|--------------|
G|:------------|-------------|-------------:|----0---------|
D|:-0--2--4--5-|-5--4--2--0--|-0--0--2--2--:|-0------------|
A|:------------|-------------|-------------:|--------------|
E|:------------|-------------|-------------:|--------------|
   1  2  3  4    1  2  3  4    1  2  3  4     1  2  3  4
"""
UNDER_CHORDS = ONE_BAR.replace(
    "                               1.            2.\n",
    "   G             D             1.----------|  2.\n",
)
TWO_BARS = """\
4/4  q=90
                       1.-----------------  2.
e|:--------|---------|---------|---------|---------:|---------|---------|---------|
B|:--------|---------|---------|---------|---------:|---------|---------|---------|
G|:--------|---------|---------|---------|---------:|---------|---------|---------|
D|:-0-2-4-5|-5-4-2-0-|-0-2-0-2-|-4-4-4-4-|-2-2-2-2-:|-5-5-5-5-|-0-0-0-0-|-7-7-7-7-|
A|:--------|---------|---------|---------|---------:|---------|---------|---------|
E|:--------|---------|---------|---------|---------:|---------|---------|---------|
   1 2 3 4   1 2 3 4   1 2 3 4   1 2 3 4   1 2 3 4    1 2 3 4   1 2 3 4   1 2 3 4
"""
TWO_BARS = TWO_BARS.replace(
    "                       1.-----------------  2.\n",
    "                                1.-----------------   2.\n",
)


def _frets(riff: Riff) -> list[int | None]:
    return [note.fret for note in riff.notes]


@pytest.mark.parametrize("text", [ONE_BAR, UNDER_CHORDS], ids=["own line", "line of chords"])
def test_each_pass_has_its_own_ending(text: str) -> None:
    common = [0, 2, 4, 5, 5, 4, 2, 0]
    assert _frets(read_tab(text)) == [*common, 0, 0, 2, 2, *common, 0, 0]


def test_an_ending_of_several_bars_is_left_out_whole() -> None:
    common = [0, 2, 4, 5, 5, 4, 2, 0, 0, 2, 0, 2]
    played = [*common, 4, 4, 4, 4, 2, 2, 2, 2, *common, 5, 5, 5, 5, 0, 0, 0, 0, 7, 7, 7, 7]
    assert _frets(read_tab(TWO_BARS)) == played


@pytest.mark.parametrize("text", [ONE_BAR, UNDER_CHORDS, TWO_BARS], ids=["one", "chords", "two"])
def test_endings_come_out_as_endings(text: str, tmp_path: Path) -> None:
    riff = api.finger(read_tab(text))
    tab = write_tab(riff, width=200, repeats=True)
    rows = tab.splitlines()
    endings = next(i for i, row in enumerate(rows) if row.split() == ["1.", "2."])
    # The first ending ends with the repeat, and the second one begins after it.
    strings = rows[endings + 2]
    assert strings.index(":|") < rows[endings].index("2.") <= strings.index(":|") + 4
    assert "x2" not in tab
    for found in (read_tab(tab), read_tab(write_tab(riff))):
        assert [(n.string, n.fret, n.onset_beat) for n in found.notes] == [
            (n.string, n.fret, n.onset_beat) for n in riff.notes
        ]
    again = write_tab(read_tab(tab), width=200, repeats=True)
    # Chords that a line only hints at are not those of both passes.
    assert [r for r in again.splitlines() if "|" in r] == [r for r in rows if "|" in r]
    score = tmp_path / "a.musicxml"
    score.write_bytes(write_musicxml(riff, repeats=True))
    assert score.read_text("utf-8").count("<ending ") == 4
    heard = read_musicxml(score)
    assert [(n.fret, n.onset_beat) for n in heard.notes] == [
        (n.fret, n.onset_beat) for n in riff.notes
    ]
    assert heard.files["musicxml"].repeats


def test_endings_are_those_that_music21_plays(tmp_path: Path) -> None:
    music21 = pytest.importorskip("music21")
    riff = api.finger(read_tab(ONE_BAR))
    score = tmp_path / "a.musicxml"
    score.write_bytes(write_musicxml(riff, repeats=True, tablature=False))
    part = music21.converter.parse(score).parts[0]
    assert len(part.getElementsByClass("Measure")) == 4
    played = part.expandRepeats().flatten().stripTies().getElementsByClass("Note")
    assert [n.pitch.midi for n in played] == [n.pitch_midi for n in riff.notes]


def test_repeats_of_a_file_are_kept_without_asking(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "slip.txt"
    file.write_text(ONE_BAR, "utf-8")
    for verb in ("show", "finger"):
        assert main([verb, str(file)]) == 0
        assert "2." in capsys.readouterr().out
        assert main([verb, str(file), "--no-repeats"]) == 0
        assert "2." not in capsys.readouterr().out
