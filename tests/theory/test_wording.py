"""How the report names and words things: flats, one note, missing degrees, shapes listed once.

That players of a guitar tuned down half a step name its notes by flats is common practice, no
source.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from theory import drone_shapes, find_mode, report, voicings_by_level
from theory.report_text import Bars
from transcribe.api import finger
from transcribe.core.riff import Note, Riff
from transcribe.formats import read_any
from transcribe.formats.tab.write import write_tab

DOWN = (63, 58, 54, 49, 44, 39)


def tune(pitches, **more):
    onset = [0.5 * i for i in range(len(pitches))]
    return {
        "onset_sec": onset,
        "duration_sec": [0.5] * len(pitches),
        "pitch_midi": pitches,
        **more,
    }


@pytest.mark.parametrize("pitches", [[52], [40, 52, 64, 52]])
def test_one_note_tells_no_mode(pitches):
    found = report(**tune(pitches))
    assert found.mode is None
    assert found.chords == ()
    assert found.text() == "One note only (E): a mode needs more notes."
    assert found.as_document()["mode"] is None
    assert report(**tune(pitches), drone_midi=45).mode is not None  # over a drone there are two


def test_one_note_of_a_guitar_tuned_down_is_a_flat():
    assert "(Eb)" in report(**tune([51, 51]), open_midi=DOWN).text()


def test_many_missing_degrees_are_said_shortly():
    (line,) = find_mode(**tune([57, 64, 57, 64, 57])).undecided
    assert "modes hold what is heard" in line
    assert line.count("no ") == 1


LINE = [0, 3, 5, 7, 8, 10, 12, 10, 8, 7, 5, 3, 2, 0, 7, 3, 0]


def test_rivals_are_named_as_in_the_key():
    mode = find_mode(**tune([51 + up for up in LINE]))
    assert str(mode) == "Eb aeolian"
    assert not any("D#" in str(c) for c in mode.runners_up)
    said = " ".join((*mode.deciding, *mode.undecided, *mode.evidence))
    assert "Eb" in said
    assert "#" not in said


@pytest.mark.parametrize(("tonic", "name"), [(56, "Ab"), (58, "Bb"), (51, "Eb")])
def test_a_guitar_tuned_down_half_a_step_has_flats(tonic, name):
    found = report(**tune([tonic + up for up in LINE]), open_midi=DOWN)
    assert found.mode is not None
    assert str(found.mode) == f"{name} aeolian"
    assert "#" not in "".join(span.symbol for span in found.chords)


def test_a_guitar_in_standard_tuning_keeps_the_fewest_accidentals():
    found = report(**tune([56 + up for up in LINE]))
    assert str(found.mode) == "G# aeolian"


@pytest.mark.parametrize("symbol", ["A", "Am", "D", "E", "G", "Asus4"])
def test_drone_shapes_state_more_than_the_drone(symbol):
    for string in (4, 5):
        for shape in drone_shapes(symbol, drone_string=string):
            assert len({p % 12 for p in shape.pitch_midi}) == 2


@pytest.mark.parametrize("symbol", ["F#m", "F", "E5", "Am", "G", "Bm7", "A5"])
@pytest.mark.parametrize("drone", [None, 5])
def test_a_shape_is_listed_once_for_a_chord(symbol, drone):
    melody = None if drone is None else drone - 1
    (ways,) = voicings_by_level([symbol], drone_string=drone, melody_string=melody)
    shapes = [s.frets for s in (*ways.plain, *ways.easier, *ways.heavier)]
    assert len(shapes) == len(set(shapes))
    assert ways.plain
    for shape in ways.heavier:
        assert shape.kind == "power" or None not in shape.frets[:-1]


def loop_of(symbols: str, rounds: int = 1, **more):
    """Block chords, one to a bar of 4 beats at 120, as arguments of `report`."""
    grips: dict[str, tuple[int, ...]]
    grips = {"Am": (45, 52, 57, 60, 64), "F": (41, 48, 53, 57, 60), "C": (48, 52, 55, 60, 64)}
    grips |= {"G": (43, 50, 55, 59, 67), "Dm": (50, 57, 62, 65), "Em": (40, 47, 52, 55, 59, 64)}
    grips |= {"C/G": (43, 52, 55, 60, 64), "C/E": (40, 48, 52, 55, 60, 64)}
    names = symbols.split() * rounds
    struck = [
        (2.0 * i + 0.5 * k, p) for i, n in enumerate(names) for k in range(4) for p in grips[n]
    ]
    return {
        "onset_sec": [at for at, _ in struck],
        "duration_sec": [0.45] * len(struck),
        "pitch_midi": [p for _, p in struck],
        "beats_sec": [0.5 * k for k in range(4 * len(names))],
        "downbeats_sec": [2.0 * k for k in range(len(names))],
        **more,
    }


def test_the_summary_is_short_and_shows_one_shape_a_chord():
    made = report(**loop_of("Am F C", 2))
    lines = made.summary().splitlines()
    assert len(lines) < 20
    assert made.mode is not None
    assert str(made.mode) in lines[0]
    assert "| Am | F | C |" in made.summary()
    assert "round 2 times" in made.summary()
    for chord in made.voicings:
        assert made.summary().count(f"{chord.symbol}  {chord.plain[0].short}") == 1
    assert len(made.text().splitlines()) > 3 * len(lines)


def test_the_report_speaks_in_bars_and_lists_a_loop_once():
    text = report(**loop_of("Am F C", 3)).text()
    chords = text.split("Chords:\n")[1].split("\n\n")[0].splitlines()
    assert [line.split()[:3] for line in chords[:3]] == [
        ["bar", "1", "Am"],
        ["bar", "2", "F"],
        ["bar", "3", "C"],
    ]
    assert len(chords) == 4
    assert " s  " not in text


def test_a_chord_between_two_beats_is_placed_there():
    places = Bars((0.0, 2.0, 4.0), tuple(0.5 * k for k in range(12)))
    assert [places.place(at) for at in (0.0, 2.02, 2.5, 2.75, 3.98)] == [
        "bar 1",
        "bar 2",
        "bar 2 beat 2",
        "bar 2 beat 2 and",
        "bar 3",
    ]


@pytest.mark.parametrize("drone", [None, 45])
def test_a_single_line_plays_no_chords(drone):
    """Single notes only hint at a chord, and the report says so."""
    line = [57 + up for up in LINE]
    onset = [0.5 * i for i in range(len(line))]
    duration = [0.45] * len(line)
    if drone:
        onset, duration = onset + [2.0 * k for k in range(4)], duration + [1.9] * 4
    made = report(
        onset_sec=onset,
        duration_sec=duration,
        pitch_midi=line + ([45] * 4 if drone else []),
        drone_midi=drone,
    )
    assert all(span.implied for span in made.chords)
    assert made.loop is None or made.loop.implied
    if drone:
        assert "single line over the drone A" in made.summary()
    assert not report(**loop_of("Am F C", 2)).loop.implied


@pytest.mark.parametrize(
    ("pitches", "single"),
    [
        # A pentatonic lick, up and down by step.
        ([45, 52, 57, 55, 52, 50, 48, 50, 52, 55, 57, 55, 52, 50, 48, 45], True),
        # Am and C, broken.
        ([45, 52, 57, 60, 64, 60, 57, 52, 48, 52, 55, 60, 64, 60, 55, 52], False),
    ],
)
def test_notes_that_ring_make_chords_only_where_they_leap(pitches, single):
    """A tab writes no lengths, so that each note rings until its string is struck again."""
    made = report(
        onset_sec=[0.25 * i for i in range(16)], duration_sec=[1.0] * 16, pitch_midi=pitches
    )
    assert all(span.implied == single for span in made.chords)


def test_a_loop_without_bars_is_counted_in_chords():
    chords = [(50, 57), (53, 60)] * 3 + [(55, 62)]
    known: dict[str, Any] = {
        "onset_sec": [1.0 * k for k in range(7) for _ in range(2)],
        "duration_sec": [0.9] * 14,
        "pitch_midi": [pitch for chord in chords for pitch in chord],
    }
    found = report(**known)
    assert "Loop of 2 chords: | D5 | F5 |" in found.summary()
    assert "bar" not in found.summary().lower()
    assert found.as_document()["loop"]["by_chord"] is True
    barred = report(**known, downbeats_sec=range(7))
    assert "Loop of 2 bars: | D5 | F5 |" in barred.summary()
    assert "  Bar 7 departs from it: G5." in barred.summary()


@pytest.mark.parametrize("symbols", ["C Am F G Em Dm G C", "Am F Am", "C G Am Em F C G C"])
def test_chords_that_do_not_come_round_are_no_loop(symbols):
    """A tune that ends on its first chord comes round no more than one that ends elsewhere."""
    made = report(**loop_of(symbols))
    assert made.loop is not None
    assert (made.loop.once, made.loop.times) == (True, 1.0)
    assert made.loop.symbols == tuple(symbols.split())
    assert f"Chords: | {' | '.join(symbols.split())} |" in made.summary()
    assert "Loop" not in made.text()
    assert "round" not in made.summary()
    assert made.as_document()["loop"]["once"] is True
    assert made.line().endswith(f"; chords {symbols}")


@pytest.mark.parametrize(
    ("symbols", "times"), [("C Am F G C Am", 1.5), ("C Am F G C Am F G C", 2.25)]
)
def test_a_loop_is_called_one_where_half_of_it_comes_again(symbols, times):
    made = report(**loop_of(symbols))
    assert made.loop is not None
    assert made.loop.times == times
    assert "Loop of 4 bars: | C | Am | F | G |" in made.summary()
    assert f"They come round {int(times)} time" in made.summary()
    assert "begin once more" in made.summary()
    assert "once" not in made.as_document()["loop"]


def test_a_long_row_of_chords_is_not_listed_in_one_line():
    rng = np.random.default_rng(5)
    names = ["Am"]
    while len(names) < 220:
        names.append(str(rng.choice([n for n in ("Am", "F", "C", "G", "Dm") if n != names[-1]])))
    made = report(**loop_of(" ".join(names)))
    assert made.loop is not None
    assert made.loop.once
    assert "220 bars, 5 different chords; they do not come round." in made.summary()
    assert made.line().endswith("; 5 different chords, no loop")
    assert max(map(len, made.summary().splitlines())) < 120


@pytest.mark.parametrize(
    "line", [[57, 59, 60, 64, 62, 60, 59, 57], [55, 60, 64, 62, 60, 59, 57, 59]]
)
def test_the_chords_that_a_line_hints_at_are_no_loop_and_have_no_bass(line):
    made = report(
        **tune(line * 4), beats_sec=[0.5 * k for k in range(33)], downbeats_sec=range(0, 17, 2)
    )
    assert made.loop is not None
    assert made.loop.implied
    assert not any("/" in span.symbol for span in made.chords)
    assert "no chords are played" in made.summary()
    assert "Loop" not in made.text()
    assert "loop" not in made.line()


def shuffle_on(root: int) -> dict[str, Any]:
    """A shuffle: the root with its fifth and its sixth in turn, long and short, for four bars."""
    struck = [
        (2.0 * bar + 0.5 * beat + at, pitch)
        for bar in range(4)
        for beat in range(4)
        for at, up in ((0.0, 7), (1 / 3, 9))
        for pitch in (root, root + up)
    ]
    return {
        "onset_sec": [at for at, _ in struck],
        "duration_sec": [0.16] * len(struck),
        "pitch_midi": [pitch for _, pitch in struck],
        "beats_sec": [0.5 * k for k in range(17)],
        "downbeats_sec": [2.0 * k for k in range(5)],
    }


@pytest.mark.parametrize("root", [40, 45])
@pytest.mark.parametrize("given", [True, False])
def test_the_chords_of_a_shuffle_are_played(root, given):
    """Two notes are struck together throughout, over an open string that may count as a drone."""
    made = report(**shuffle_on(root), drone_midi=root if given else None)
    name = "EA"[root == 45]
    assert made.loop is not None
    assert made.loop.symbols == (f"{name}5", f"{name}6")
    assert not made.loop.implied
    assert "no chords are played" not in made.text()
    assert f"| {name}5 {name}6 x4 |" in made.summary()
    assert made.loop.plain == (name,)


@pytest.mark.parametrize("rounds", [1, 2, 4])
def test_a_loop_of_inversions_is_at_home_on_its_first_chord(rounds):
    """The home of a loop is told by the roots of its chords, whatever their basses."""
    made = report(**loop_of("C/G Am F C/E", rounds))
    assert str(made.mode) == "C ionian"
    assert made.loop is not None
    assert made.loop.romans == ("I64", "vi", "IV", "I6")


def test_a_mode_that_nothing_tells_is_not_named_as_one():
    """G, A, D and E are in five modes on G: no third, fourth or seventh is among them."""
    line = [55, 62, 64, 55, 57, 62, 64, 55, 55]
    found = report(**tune(line))
    said = " ".join(found.summary().split())
    held = {"G ionian", "G dorian", "G lydian", "G mixolydian", "G melodic minor"}
    assert set(found.mode.candidates) == held
    assert found.line().startswith("mode not told")
    assert said.startswith("Mode not told by so few different notes; it may be G ")
    assert "a guess" not in said
    assert "Mode: not told" in found.text()
    assert set(found.as_document()["mode"]["candidates"]) == held
    assert report(**tune([*line, 59])).mode.candidates == ()  # the third is heard
    assert report(**tune(line), written_key=("G", "dorian")).mode.candidates == ()


def test_three_notes_tell_no_mode():
    found = report(**tune([52, 60, 58]))
    assert len(found.mode.candidates) == 4
    assert found.line().startswith("mode not told")


def test_a_tab_of_a_mode_that_nothing_tells_says_so(tmp_path):
    riff = Riff(notes=tuple(Note(k, 0.5 * k, 0.5 * k + 0.5, p) for k, p in enumerate((52, 60, 58))))
    made = finger(riff)
    text = write_tab(made)
    assert "\nMode:   not told: " in text
    (tmp_path / "hawser.txt").write_text(text, "utf-8")
    assert "mode" not in (read_any(tmp_path / "hawser.txt").theory or {})
