"""Power chords named stroke by stroke, and no chord named by notes that nobody strikes.

A power chord is a root and its fifth (Gorow, Hearing and Writing Music, 2nd ed. 2002); that it
keeps its shape as the hand moves is common practice, no source.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from theory import ChordSpan, find_chords, find_loop, mode_of

ROOT = {"E5": 40, "F5": 41, "G5": 43, "Ab5": 44, "A5": 45, "Bb5": 46, "B5": 47, "D5": 38}


def named(strokes, step=0.5, meter=4, drone=None, mode=None) -> tuple[ChordSpan, ...]:
    """What is heard in ``strokes``, (seconds, pitches), over an even grid of beats."""
    onset, length, pitch = [], [], []
    ends = [sec for sec, _ in strokes[1:]] + [strokes[-1][0] + step]
    for (sec, pitches), end in zip(strokes, ends, strict=True):
        for i, p in enumerate(pitches):
            onset.append(sec + 0.006 * i)
            length.append(end - sec)
            pitch.append(p)
    beats = np.arange(0.0, ends[-1] - 1e-6, step)
    return find_chords(
        onset_sec=onset,
        duration_sec=length,
        pitch_midi=pitch,
        beats_sec=beats,
        downbeats_sec=beats[::meter],
        drone_midi=drone,
        mode=mode,
    )


def power(name, strings=3):
    return [ROOT[name] + up for up in (0, 7, 12)[:strings]]


@pytest.mark.parametrize("strings", [2, 3])
def test_every_beat_its_own_power_chord(strings):
    names = ["B5", "A5", "G5", "A5", "E5", "G5", "A5", "G5"]
    found = named([(0.5 * i, power(n, strings)) for i, n in enumerate(names)])
    assert [c.symbol for c in found] == names
    assert [c.start_sec for c in found] == pytest.approx(0.5 * np.arange(8))
    assert not any(c.implied for c in found)
    loop = find_loop(found, downbeats_sec=[0.0, 2.0])
    assert loop is not None
    assert loop.by_bar == (tuple(names[:4]), tuple(names[4:]))


@pytest.mark.parametrize("bars", [2, 4])
def test_a_shuffle_of_fifth_and_sixth_is_named_by_them(bars):
    """E-B and E-C# in turn are E5 and E6 (common practice, no source), and one loop of both."""
    strokes = [(0.25 * k, [40, 47 if k % 4 < 2 else 49]) for k in range(8 * bars)]
    found = named(strokes)
    assert [c.symbol for c in found] == ["E5", "E6"] * 2 * bars
    assert [c.start_sec for c in found] == pytest.approx(0.5 * np.arange(4 * bars))
    loop = find_loop(found, downbeats_sec=2.0 * np.arange(bars))
    assert loop is not None
    assert loop.symbols == ("E5", "E6")
    assert loop.bars == 1


def test_a_shuffle_moves_with_the_chords():
    roots = [40, 40, 45, 40]
    strokes = [
        (0.25 * (8 * bar + k), [root, root + (7 if k % 4 < 2 else 9)])
        for bar, root in enumerate(roots)
        for k in range(8)
    ]
    assert {c.symbol for c in named(strokes)} == {"E5", "E6", "A5", "A6"}


def test_power_chords_may_change_between_two_beats():
    line = [(0.0, "D5"), (0.25, "D5"), (0.5, "D5"), (1.0, "Ab5"), (1.25, "G5"), (1.5, "F5")]
    found = named([(sec, power(name)) for sec, name in line])
    assert [(c.symbol, c.start_sec) for c in found] == [
        ("D5", 0.0),
        ("Ab5", 1.0),
        ("G5", 1.25),
        ("F5", 1.5),
    ]
    assert (found[1].end_sec, found[-1].end_sec) == (1.25, 2.0)
    loop = find_loop(found, downbeats_sec=[0.0])
    assert loop is not None
    assert loop.symbols == ("D5", "Ab5", "G5", "F5")


def test_a_drone_that_is_only_one_of_the_power_chords_hides_none():
    names = ["D5", "F5", "G5", "D5", "Bb5", "A5", "G5", "F5"]
    found = named([(0.5 * i, power(n)) for i, n in enumerate(names)], drone=38)
    assert [c.symbol for c in found] == names


def test_fifths_over_a_drone_are_no_power_chords_of_a_run():
    line = [47, 48, 50, 47, 52, 50, 48, 47]  # over a low E, which with B alone makes a fifth
    home = mode_of("E", "aeolian")
    found = named([(0.5 * i, [40, p]) for i, p in enumerate(line)], drone=40, mode=home)
    assert len(found) == 1
    assert found[0].root == "E"


def test_power_chords_among_triads():
    triads = [[48, 52, 55, 60, 64]] * 4 + [[45, 52, 57, 60, 64]] * 4
    strokes = [(0.5 * i, notes) for i, notes in enumerate(triads)]
    names = ["E5", "E5", "G5", "G5", "A5", "A5", "G5", "G5"]
    strokes += [(4.0 + 0.5 * i, power(n)) for i, n in enumerate(names)]
    found = named(strokes)
    assert [c.symbol for c in found] == ["C", "Am", "E5", "G5", "A5", "G5"]
    assert [c.start_sec for c in found] == pytest.approx([0, 2, 4, 5, 6, 7])
    for before, after in itertools.pairwise(found):
        assert before.end_sec == pytest.approx(after.start_sec)


def test_a_third_missed_in_three_strokes_makes_no_power_chords():
    full = {"E": [40, 47, 52, 56, 59, 64], "B": [47, 54, 59, 63, 66]}
    bars = (["E"] * 4 + ["B"] * 4) * 2
    strokes = [(0.5 * i, list(full[name])) for i, name in enumerate(bars)]
    strokes[3] = (1.5, [40, 47, 52, 59, 64])
    strokes[4] = (2.0, [47, 54, 59, 66])
    strokes[5] = (2.5, [47, 54, 59, 66])
    assert [c.symbol for c in named(strokes)] == ["E", "B", "E", "B"]


def test_a_note_ringing_on_from_the_bar_before_names_no_chord():
    # A broken D, whose F# rings on under a broken A: there is no F#m.
    broken = [50, 57, 62, 66, 62, 57], [45, 57, 61, 69, 61, 57, 52]
    onset = [*np.arange(6) * 1.0, *np.arange(7) * 1.0 + 6.0]
    onset[-1] = 11.5
    length = [6.0, 4.0, 4.0, 9.0, 2.0, 1.0, 6.0, 4.0, 2.0, 4.0, 2.0, 2.0, 0.5]
    found = find_chords(
        onset_sec=onset,
        duration_sec=length,
        pitch_midi=[*broken[0], *broken[1]],
        beats_sec=np.arange(12) * 1.0,
        downbeats_sec=[0.0, 6.0],
    )
    assert [c.symbol for c in found] == ["D", "A"]
    assert found[1].confidence > 0.5


def test_no_chord_whose_root_is_not_struck_where_a_triad_explains_the_notes():
    # Two notes of A, over which F# only rings from long before, without a bar line between.
    found = find_chords(
        onset_sec=[0.0, 4.0, 5.0, 6.0, 7.0],
        duration_sec=[8.0, 1.0, 1.0, 1.0, 1.0],
        pitch_midi=[54, 57, 61, 57, 61],
        beats_sec=np.arange(8) * 1.0,
        downbeats_sec=[0.0, 4.0],
    )
    late = [c for c in found if c.start_sec >= 4.0]
    assert all(c.root == "A" for c in late)
