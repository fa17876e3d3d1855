"""Tab to notes to tab gives the same text, and notes keep strings, frets and onsets."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.formats.riffs import RIFFS, drone_riff, riffs
from transcribe.core.riff import Note, Riff
from transcribe.formats.tab.read import read_tab
from transcribe.formats.tab.write import write_tab


def _keys(notes: Iterable[Note]) -> list[tuple[object, ...]]:
    return sorted(
        (round(n.onset_beat or 0.0, 4), n.string, n.fret, n.pitch_midi, n.articulation)
        for n in notes
    )


def _places(riff: Riff) -> list[tuple[int | None, int | None]]:
    return sorted((n.string, n.fret) for n in riff.notes)


@settings(max_examples=80, deadline=None)
@given(
    riff=riffs(), width=st.sampled_from((24, 40, 80)), fingers=st.booleans(), repeats=st.booleans()
)
def test_tab_notes_tab_is_identical(riff: Riff, width: int, fingers: bool, repeats: bool) -> None:
    text = write_tab(riff, width=width, fingers=fingers, repeats=repeats)
    back = read_tab(text)
    assert write_tab(back, width=width, fingers=fingers, repeats=repeats) == text
    assert _keys(back.notes) == _keys(riff.notes)
    assert back.instrument == riff.instrument
    assert back.rhythm is not None
    assert riff.rhythm is not None
    assert back.rhythm.meter == riff.rhythm.meter
    if fingers:
        kept = {(round(n.onset_beat or 0, 4), n.string): n.finger for n in riff.notes}
        assert {(round(n.onset_beat or 0, 4), n.string): n.finger for n in back.notes} == kept


@settings(max_examples=40, deadline=None)
@given(riff=riffs(), width=st.sampled_from((24, 40, 80)))
def test_tab_without_a_count_is_stable(riff: Riff, width: int) -> None:
    notes = tuple(replace(n, onset_beat=None, duration_beat=None) for n in riff.notes)
    text = write_tab(replace(riff, rhythm=None, notes=notes), width=width)
    back = read_tab(text)
    assert write_tab(back, width=width) == text
    assert back.rhythm is None
    assert back.timing.kind == "order"
    assert _places(back) == _places(riff)


@pytest.mark.parametrize("name", RIFFS)
def test_known_riffs_come_back(name: str) -> None:
    riff = RIFFS[name]()
    back = read_tab(write_tab(riff))
    assert _keys(back.notes) == _keys(riff.notes)
    for a, b in zip(riff.notes, back.notes, strict=True):
        assert b.onset_sec == pytest.approx(a.onset_sec, abs=1e-4)
    assert back.source == riff.source
    assert back.rhythm is not None
    assert riff.rhythm is not None
    assert back.rhythm.bpm == riff.rhythm.bpm


def test_theory_and_drone_come_back() -> None:
    riff = drone_riff()
    back = read_tab(write_tab(riff))
    assert back.theory is not None
    assert riff.theory is not None
    assert back.theory["mode"] == riff.theory["mode"]
    assert back.theory["loop"] == riff.theory["loop"]
    for a, b in zip(back.theory["chords"], riff.theory["chords"], strict=True):
        assert a["symbol"] == b["symbol"]
        assert a["start_sec"] == pytest.approx(b["start_sec"])
    assert back.drone is not None
    assert back.drone.string == 4


def test_drone_rings_until_it_is_struck_again() -> None:
    back = read_tab(write_tab(drone_riff()))
    assert {n.duration_beat for n in back.notes if n.string == 4} == {4.0}
    assert back.timing.lengths == "ring"


def test_ties_between_beats_near_a_grid() -> None:
    """Onsets a hair beside their place, as a tempo map leaves them, stand on it."""
    riff = drone_riff()
    notes = tuple(replace(n, onset_beat=(n.onset_beat or 0) - 0.003) for n in riff.notes)
    assert write_tab(replace(riff, notes=notes)) == write_tab(riff)


def test_two_notes_of_one_string_never_share_a_place() -> None:
    riff = drone_riff()
    notes = list(riff.notes)
    twin = replace(notes[2], id=99, onset_beat=(notes[2].onset_beat or 0) + 0.002)
    text = write_tab(replace(riff, notes=(*notes, twin)))
    assert len(read_tab(text).notes) == len(notes) + 1


def test_notes_left_out_stay_named() -> None:
    riff = drone_riff()
    loose = tuple(replace(n, string=None, fret=None) for n in riff.notes[3:9])
    text = write_tab(replace(riff, notes=(*riff.notes[:3], *loose, *riff.notes[9:])))
    back = read_tab(text)
    assert len(back.left_out) == 6
    assert write_tab(back) == text


def test_compound_time_is_counted_in_dotted_beats_and_comes_back() -> None:
    """A metronome mark of compound time counts dotted notes: Read, Music Notation (1979)."""
    text = write_tab(RIFFS["compound"]())
    assert "Tempo:  60 bpm (dotted quarter = 60)\n" in text
    # As it was written before: in units of the meter.
    for said in ("60 bpm (dotted quarter = 60)", "180 bpm (eighth = 180)", "180 eighths"):
        back = read_tab(text.replace("60 bpm (dotted quarter = 60)", said))
        assert back.rhythm is not None
        assert (back.rhythm.bpm, back.rhythm.meter) == (180.0, (6, 8))
