"""Over 60 tabs in the styles that people use: what comes out, and the way there and back."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from tests.formats.tabs_by_hand import CASES, Case
from transcribe.core.pitch import parse_pitch
from transcribe.core.riff import Note, Rhythm, Riff
from transcribe.formats.musicxml.read import read_musicxml
from transcribe.formats.musicxml.write import write_musicxml
from transcribe.formats.tab.read import read_tab
from transcribe.formats.tab.write import write_tab
from transcribe.rhythm.bar_lines import in_bars

_LETTERS = {"hammer-on": "h", "pull-off": "p", "slide": "/", "bend": "b", "vibrato": "~"}
_LETTERS |= {"harmonic": "*", "dead": "x", "picked": ""}


def _letter(note: Note) -> str:
    return "t" if note.tapped else _LETTERS[note.articulation]


def _notes(riff: Riff) -> str:
    together: dict[float, list[Note]] = {}
    for note in riff.notes:
        together.setdefault(note.onset_sec, []).append(note)
    return " ".join(
        "+".join(f"{n.string}/{n.fret}{_letter(n)}" for n in sorted(group, key=lambda n: n.string))
        for group in together.values()
    )


def test_there_are_enough_of_them() -> None:
    assert len(CASES) >= 60
    assert len({case.name for case in CASES}) == len(CASES)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_what_comes_out(case: Case) -> None:
    riff = read_tab(case.text + "\n")
    assert _notes(riff) == case.notes
    assert riff.instrument.open_midi == tuple(parse_pitch(p) for p in case.tuning.split())
    assert riff.instrument.capo == case.capo
    assert sorted((m.kind, m.text) for m in riff.marks) == sorted(case.marks)
    assert {remark.kind for remark in riff.warnings} == set(case.told)
    assert tuple(i for i, n in enumerate(riff.notes, 1) if n.palm_mute) == case.palm
    assert tuple(i for i, n in enumerate(riff.notes, 1) if n.let_ring) == case.ring
    strokes = {n.onset_sec: n.stroke[0] for n in riff.notes if n.stroke}
    assert "".join(strokes.values()) == case.strokes
    if "pitches" in case.extra:
        assert tuple(n.pitch_midi for n in riff.notes) == case.extra["pitches"]
    if "bends" in case.extra:
        bends = tuple(n.bend.semitones if n.bend else None for n in riff.notes)
        assert bends == case.extra["bends"]
    if "beats" in case.extra:
        assert tuple(n.onset_beat for n in riff.notes) == case.extra["beats"]
    if case.bars is not None:
        riff = in_bars(riff, None, None, None)[0] if riff.rhythm is None else riff
        assert max(n.onset_beat // riff.rhythm.meter[0] for n in riff.notes) + 1 == case.bars


def _facts(riff: Riff) -> list[object]:
    """Places, techniques, bars and names: all that has to survive."""
    in_bar = riff.rhythm.meter[0] if riff.rhythm else None
    notes = [
        (
            note.string,
            note.fret,
            note.pitch_midi,
            _letter(note),
            note.slide or "up",
            note.bend,
            note.soft,
            note.palm_mute,
            note.let_ring,
            note.stroke,
            None if in_bar is None else note.onset_beat // in_bar,
        )
        for note in riff.notes
    ]
    marks = [(m.kind, m.text, m.note) for m in riff.marks]
    return [riff.instrument.open_midi, riff.instrument.capo, notes, marks]


@pytest.mark.parametrize("repeats", [False, True], ids=["whole", "repeats"])
@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_there_and_back(case: Case, repeats: bool) -> None:
    riff = read_tab(case.text + "\n")
    if riff.rhythm is None and len(riff.timing.bars_sec) > 1:
        riff = in_bars(riff, None, None, None)[0]
    text = write_tab(riff, repeats=repeats)
    assert all(len(line) <= 80 for line in text.splitlines())
    back = read_tab(text)
    assert _facts(back) == _facts(riff)
    assert write_tab(back, repeats=repeats) == text


def test_a_tempo_that_is_taken_is_no_fact(tmp_path: Path) -> None:
    text = next(case for case in CASES if case.name == "many bars").text
    riff = in_bars(read_tab(text), None, None, None)[0]
    assert "Tempo:  120 bpm (quarter = 120), assumed: none is given" in write_tab(riff)
    told = in_bars(read_tab("90 bpm\n" + text), None, None, None)[0]
    assert "Tempo:  90 bpm (quarter = 90)\n" in write_tab(told)
    assert "tempo-taken" not in {remark.kind for remark in told.warnings}


MARKED = [case for case in CASES if case.marks or case.palm or case.ring or case.strokes]


@pytest.mark.parametrize("case", MARKED, ids=lambda case: case.name)
def test_what_stands_around_the_notes_goes_through_musicxml(case: Case, tmp_path: Path) -> None:
    riff = read_tab(case.text + "\n")
    if riff.rhythm is None:
        riff = in_bars(riff, None, None, None)[0]
    if riff.rhythm is None:  # one bar, whose rhythm comes from the notes
        riff = replace(riff, rhythm=Rhythm(120.0, beats_sec=tuple(0.5 * i for i in range(20))))
    path = tmp_path / "tab.musicxml"
    path.write_bytes(write_musicxml(riff))
    back = read_musicxml(path)
    # MusicXML has no symbol for no chord.
    given = [m for m in riff.marks if m.text != "N.C."]
    assert [(m.kind, m.text, m.note) for m in back.marks] == [
        (m.kind, m.text, m.note) for m in given
    ]
    for note, other in zip(back.notes, riff.notes, strict=True):
        assert note.palm_mute == other.palm_mute
        assert note.let_ring == other.let_ring
        assert note.stroke == other.stroke


def test_what_stands_around_the_notes_is_read_by_music21_too(tmp_path: Path) -> None:
    # Source: MusicXML 4.0 (rehearsal, lyric, up-bow and down-bow), as music21 reads it.
    music21 = pytest.importorskip("music21")
    case = next(case for case in CASES if case.name == "everything at once")
    riff = in_bars(read_tab(case.text + "|\n" + case.text), None, None, None)[0]
    path = tmp_path / "tab.musicxml"
    path.write_bytes(write_musicxml(riff))
    score = music21.converter.parse(path, forceSource=True)
    marks = score.recurse().getElementsByClass(music21.expressions.RehearsalMark)
    assert {mark.content for mark in marks} == {"Verse"}
    assert "out with the boats" in {n.lyric for n in score.recurse().notes}
    names = {type(sign).__name__ for n in score.recurse().notes for sign in n.articulations}
    assert {"DownBow", "UpBow"} <= names
