"""With a capo, chords are told by the shape that is played and by what it sounds."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from transcribe.core.instrument import make_instrument
from transcribe.core.riff import Note, Rhythm, Riff
from transcribe.fingering import apply, solve
from transcribe.formats.tab.read import read_tab
from transcribe.formats.tab.write import write_tab
from transcribe.harmony import theory_report

AM, F, C, G = "x02210", "133211", "x32010", "320003"
BB, GM, EB = "x13331", "355333", "x68886"


def strummed(shapes: list[str], capo: int) -> Riff:
    """Each shape for a bar of four strums, the whole twice, solved and read."""
    instrument = make_instrument(capo=capo)
    notes = []
    for beat in range(8 * len(shapes)):
        shape = shapes[beat // 4 % len(shapes)]
        for string, fret in zip(range(6, 0, -1), shape, strict=True):
            if fret != "x":
                pitch = instrument.pitch_midi(string, int(fret))
                at = len(notes) + 1
                time = 0.5 * beat
                notes.append(Note(at, time, time + 0.48, pitch, onset_beat=beat, duration_beat=1.0))
    bars = 2 * len(shapes)
    beats = tuple(0.5 * b for b in range(4 * bars + 1))
    rhythm = Rhythm(120.0, (4, 4), beats, beats[::4])
    solved = solve(notes, instrument, drone="off", rhythm=rhythm)
    riff = Riff(instrument, apply(notes, solved), rhythm=rhythm)
    return dataclasses.replace(riff, theory=theory_report(riff).as_document())


def test_a_loop_at_a_capo_is_told_by_its_shapes_and_its_sound() -> None:
    riff = strummed([AM, F, C, G], capo=3)
    places = {(n.string, n.fret) for n in riff.notes if n.onset_sec < 0.1}
    assert places == {(5, 0), (4, 2), (3, 2), (2, 1), (1, 0)}
    # Three semitones up from A minor, F, C and G (common practice, no source).
    assert "Loop:   Cm Ab Eb Bb (shapes Am F C G)\n" in write_tab(riff)
    report = theory_report(riff)
    assert "Shapes at the capo: Am - F - C - G" in report.summary()
    assert "Cm (the Am shape at the capo)" in report.text()


def test_pictures_for_the_left_hand_are_mirrored_and_say_so() -> None:
    report = theory_report(strummed([C], capo=0))
    right, left = (report.summary(left_handed=flag).splitlines() for flag in (False, True))
    # C is x32010: fingers 3, 2 and 1 on strings 5, 4 and 2 (common practice, no source).
    assert "| | | | 1 |" in right
    assert "| 1 | | | |" in left
    assert "| | | 2 | |" in left
    assert "o   o     x" in [line.rstrip() for line in left]
    assert "high to low" in report.text(left_handed=True)


def test_without_a_capo_no_shape_is_named_beside_the_chord() -> None:
    riff = strummed([AM, F, C, G], capo=0)
    assert "Loop:   Am F C G\n" in write_tab(riff)
    assert "at the capo" not in theory_report(riff).summary() + theory_report(riff).text()


def test_a_tab_says_in_one_line_where_a_capo_makes_the_loop_easier() -> None:
    # Bb, Gm, Eb and F are G, Em, C and D three frets up (common practice, no source).
    text = write_tab(strummed([BB, GM, EB, F], capo=0))
    assert "\nEasier: with a capo at fret 3, shapes G Em C D\n" in text
    assert "Easier" not in write_tab(strummed([AM, C, G], capo=0))


@pytest.mark.parametrize(("shapes", "capo"), [([AM, F, C, G], 3), ([BB, GM, EB, F], 0)])
def test_what_a_tab_says_of_a_capo_is_read_again(
    tmp_path: Path, shapes: list[str], capo: int
) -> None:
    path = tmp_path / "quay.tab.txt"
    path.write_text(write_tab(strummed(shapes, capo)))
    text = write_tab(read_tab(path))
    path.write_text(text)
    assert "hapes" in text
    assert write_tab(read_tab(path)) == text
