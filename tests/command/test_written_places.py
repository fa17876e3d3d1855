"""A tab is a fingering: `finger` keeps the places of a file and completes what is missing."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from transcribe.command.main import main
from transcribe.core.instrument import TUNINGS
from transcribe.core.riff import Instrument, Note, Rhythm, Riff
from transcribe.correct.pins import places_as_written
from transcribe.formats import read_any
from transcribe.formats.document import read_riff
from transcribe.formats.jams import write_jams
from transcribe.formats.musicxml.write import write_musicxml

OPEN_D = """\
e|-----------------|
B|-----------------|
G|---------7-------|
D|-0-4-5-----9-----|
A|---------------3-|
E|-----------------|
"""
ARPEGGIO = """\
e|-------0-------|-------0-------|
B|-----0---0-----|-----1---1-----|
G|---0-------0---|---0-------0---|
D|---------------|-2-----------2-|
A|---------------|---------------|
E|-0-----------0-|---------------|
"""
DADGAD = """\
Tuning: DADGAD

D|-------0-------|-------2-------|
A|-----0---0-----|-----0---0-----|
G|---0-------0---|---2-------2---|
D|-0-----------0-|-0-----------0-|
A|-0-------------|---------------|
D|-0-------------|---------------|
"""


def _places(riff: Riff) -> list[tuple[float, int | None, int | None]]:
    return sorted((n.onset_sec, n.string, n.fret) for n in riff.notes)


def _in_order(riff: Riff) -> list[tuple[int | None, int | None]]:
    return [(string, fret) for _, string, fret in _places(riff)]


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "slipway.txt"


@pytest.mark.parametrize("text", [OPEN_D, ARPEGGIO, DADGAD], ids=["open D", "arpeggio", "dadgad"])
def test_a_tab_keeps_its_places(text: str, file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file.write_text(text, encoding="utf-8")
    given = read_any(file)
    assert main(["finger", str(file)]) == 0
    riff = read_riff(file.with_name("slipway.riff.json"))
    assert _in_order(riff) == _in_order(given)
    assert [n.pitch_midi for n in riff.notes] == [n.pitch_midi for n in given.notes]
    assert riff.instrument.open_midi == given.instrument.open_midi
    assert list(places_as_written(riff)) == [note.id for note in riff.notes]
    assert not riff.unmet
    assert "every note keeps the place that slipway.txt has; --anew" in capsys.readouterr().err


def test_a_tab_is_fingered_anew_by_option(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file.write_text(OPEN_D, encoding="utf-8")
    assert main(["finger", str(file), "--anew"]) == 0
    riff = read_riff(file.with_name("slipway.riff.json"))
    given = read_any(file)
    assert [n.pitch_midi for n in riff.notes] == [n.pitch_midi for n in given.notes]
    assert _in_order(riff) != _in_order(given)
    assert not any(note.pinned for note in riff.notes)
    assert not riff.written_places
    assert "--anew" not in capsys.readouterr().err
    # What was kept is let go, too, where the document itself is fingered anew.
    document = str(file.with_name("slipway.riff.json"))
    assert main(["finger", str(file)]) == 0
    assert main(["finger", document]) == 0
    assert _in_order(read_riff(document)) == _in_order(given)
    assert main(["finger", document, "--anew"]) == 0
    assert _in_order(read_riff(document)) == _in_order(riff)


def test_a_tuning_that_is_told_for_a_tab_leaves_the_hand_where_it_is(file: Path) -> None:
    file.write_text(DADGAD.split("\n", 2)[2].replace("D|", "|").replace("A|", "|"), "utf-8")
    assert main(["finger", str(file), "--tuning", "dadgad", "--capo", "2"]) == 0
    riff = read_riff(file.with_name("slipway.riff.json"))
    assert riff.instrument == Instrument(TUNINGS["dadgad"], capo=2)
    assert _in_order(riff) == _in_order(read_any(file))
    for note in riff.notes:
        assert note.pitch_midi == TUNINGS["dadgad"][note.string - 1] + 2 + note.fret


def test_the_told_tuning_of_a_tab_holds_where_only_the_capo_is_given(file: Path) -> None:
    file.write_text(DADGAD, encoding="utf-8")
    assert main(["finger", str(file), "--capo", "5"]) == 0
    riff = read_riff(file.with_name("slipway.riff.json"))
    assert riff.instrument.open_midi == TUNINGS["dadgad"]
    assert riff.instrument.capo == 5


def test_strings_that_the_told_tuning_lacks_are_refused(
    file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file.write_text(OPEN_D, encoding="utf-8")
    assert main(["finger", str(file), "--tuning", "ukulele"]) == 1
    assert "this instrument has 4 strings" in capsys.readouterr().err
    assert not file.with_name("slipway.riff.json").exists()


def _line() -> Riff:
    """A line high on the thick strings, as no solver would lay it."""
    places = [(5, 10), (5, 12), (4, 9), (4, 10), (5, 12), (5, 10)]
    notes = tuple(
        Note(
            i + 1,
            0.5 * i,
            0.5 * i + 0.5,
            Instrument().pitch_midi(*place),
            string=place[0],
            fret=place[1],
            onset_beat=float(i),
            duration_beat=1.0,
        )
        for i, place in enumerate(places)
    )
    beats = tuple(0.5 * i for i in range(9))
    return Riff(notes=notes, rhythm=Rhythm(120.0, (4, 4), beats, beats[::4]))


@pytest.mark.parametrize("suffix", [".musicxml", ".jams"])
def test_a_score_keeps_its_places_and_the_rest_is_found(suffix: str, tmp_path: Path) -> None:
    riff = _line()
    bare = replace(riff.notes[2], string=None, fret=None)
    riff = replace(riff, notes=(*riff.notes[:2], bare, *riff.notes[3:]))
    path = tmp_path / f"slipway{suffix}"
    if suffix == ".jams":
        path.write_text(write_jams(riff), encoding="utf-8")
    else:
        path.write_bytes(write_musicxml(riff))
    assert main(["finger", str(path)]) == 0
    found = read_riff(tmp_path / "slipway.riff.json")
    assert [n.pitch_midi for n in found.notes] == [n.pitch_midi for n in riff.notes]
    for note, given in zip(found.notes, riff.notes, strict=True):
        if given.string is not None:
            assert (note.string, note.fret, note.pinned) == (given.string, given.fret, True)
    assert (found.notes[2].string, found.notes[2].pinned) in ((3, False), (4, False), (5, False))


def test_places_that_another_tuning_does_not_sound_are_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "slipway.musicxml"
    path.write_bytes(write_musicxml(_line()))
    assert main(["finger", str(path), "--tuning", "dadgad"]) == 0
    assert "places written in" not in capsys.readouterr().out  # strings 4 and 5 are the same there
    assert main(["finger", str(path), "--tuning", "open-g"]) == 0
    assert "4 of 6 places written in" in capsys.readouterr().out
    found = read_riff(tmp_path / "slipway.riff.json")
    assert [n.pitch_midi for n in found.notes] == [n.pitch_midi for n in _line().notes]


def test_two_notes_of_a_score_on_one_string_at_once_leave_one_to_be_found(tmp_path: Path) -> None:
    riff = _line()
    double = Note(7, 0.0, 0.5, 57, string=5, fret=12, onset_beat=0.0, duration_beat=1.0)
    path = tmp_path / "slipway.jams"
    path.write_text(write_jams(replace(riff, notes=(*riff.notes, double))), encoding="utf-8")
    assert main(["finger", str(path)]) == 0
    found = read_riff(tmp_path / "slipway.riff.json")
    together = [n for n in found.notes if n.onset_sec == 0.0]
    assert len({n.string for n in together}) == 2
    assert sum(n.pinned for n in together) == 1
