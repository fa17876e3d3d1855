"""Chord names, numerals, chords over time and loops."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.bench import theory_riffs as riffs
from theory import (
    KINDS,
    ChordSpan,
    TheoryError,
    borrowed_from,
    chord_tones,
    find_chords,
    find_loop,
    is_diatonic,
    mode_of,
    name_chord,
    parse_chord,
    roman_numeral,
    transpose,
)
from theory.loop import bars_of, plain_symbol

VOICED = {
    "Am": [45, 52, 57, 60, 64],
    "D": [50, 57, 62, 66],
    "G": [43, 47, 50, 55, 59, 67],
    "C": [48, 52, 55, 60, 64],
    "G/B": [47, 50, 55, 59, 67],
    "Em7": [40, 47, 52, 55, 59, 62],
    "E5": [40, 47, 52],
    "A5": [45, 52, 57],
    "Dsus4": [50, 57, 62, 67],
    "Dsus2": [50, 57, 62, 64],
    "Cadd9": [48, 52, 55, 62, 64],
    "B7": [47, 51, 57, 59, 66],
    "Cmaj7": [48, 52, 55, 59, 64],
    "Fm": [41, 48, 53, 56, 60, 65],
}


def chords_of(case, **options):
    """The chords of a generated riff in its own bars."""
    return find_chords(
        onset_sec=case.onset,
        duration_sec=case.duration,
        pitch_midi=case.pitch,
        beats_sec=case.beats,
        downbeats_sec=case.downbeats,
        **options,
    )


def strummed(bars, beat=0.5):
    """Each bar of four beats strummed on every beat."""
    onset, duration, pitch = [], [], []
    for bar, symbol in enumerate(bars):
        for stroke in range(4):
            for i, p in enumerate(VOICED[symbol]):
                onset.append((bar * 4 + stroke) * beat + 0.008 * i)
                duration.append(0.9 * beat)
                pitch.append(p)
    beats = np.arange(4 * len(bars)) * beat
    notes = {"onset_sec": onset, "duration_sec": duration, "pitch_midi": pitch}
    return notes, beats, beats[::4]


@pytest.mark.parametrize("symbol", list(VOICED))
def test_find_chords_one_chord(symbol):
    notes, beats, downbeats = strummed([symbol])
    found = find_chords(**notes, beats_sec=beats, downbeats_sec=downbeats)
    assert [c.symbol for c in found] == [symbol]
    assert found[0].confidence > 0.5
    assert found[0].start_sec == pytest.approx(0.0)


def test_find_chords_follows_changes_and_gives_numerals():
    notes, beats, downbeats = strummed(["Am", "G/B", "C", "D"])
    mode = mode_of("A", "dorian")
    found = find_chords(**notes, beats_sec=beats, downbeats_sec=downbeats, mode=mode)
    assert [c.symbol for c in found] == ["Am", "G/B", "C", "D"]
    assert [c.roman for c in found] == ["i", "VII6", "III", "IV"]
    assert [c.start_sec for c in found] == pytest.approx([0, 2, 4, 6])
    assert not any(c.borrowed for c in found)


def test_find_chords_names_borrowed_chords():
    notes, beats, downbeats = strummed(["C", "Fm", "C", "G"])
    mode = mode_of("C", "major")
    found = find_chords(**notes, beats_sec=beats, downbeats_sec=downbeats, mode=mode)
    assert [c.symbol for c in found] == ["C", "Fm", "C", "G"]
    assert found[1].borrowed == "borrowed from C aeolian"
    assert found[1].roman == "iv"


def test_find_chords_implied_over_a_drone():
    # C and E, then B and G, over an open D string that rings on.
    onset, duration, pitch = [], [], []
    for bar, pair in enumerate(([60, 64], [59, 67])):
        for beat in range(4):
            t = bar * 2 + beat * 0.5
            for p in (50, pair[beat % 2]):
                onset.append(t)
                duration.append(0.5)
                pitch.append(p)
    found = find_chords(
        onset_sec=onset,
        duration_sec=duration,
        pitch_midi=pitch,
        beats_sec=np.arange(8) * 0.5,
        downbeats_sec=[0.0, 2.0],
        drone_midi=50,
        mode=mode_of("D", "mixolydian"),
    )
    assert [c.root for c in found] == ["C", "G"]
    assert found[0].implied
    assert found[0].pedal == "D"


@pytest.mark.parametrize("given", [True, False])
def test_find_chords_stays_with_the_tonic_over_its_drone(given):
    # The line of `fixtures/tabs/net-loft.txt`: it circles round E, F# and G over the open A and
    # states no chord of its own, nor the third of A.
    line = [(1, 52), (2, 54), (3, 55), (4, 54), (5, 52)]
    line += [(9, 52), (10, 54), (11, 55), (12, 54), (13, 52), (14, 50)]
    line += [(17, 55), (18, 57), (19, 59), (20, 57), (21, 55)]
    line += [(25, 54), (26, 55), (27, 54), (28, 52), (29, 52)]
    notes = [(0.25 * at, 0.25, p) for at, p in line]
    notes += [(0.5 * i, 0.5, 45) for i in range(15)]
    onset, duration, pitch = zip(*notes, strict=True)
    found = find_chords(
        onset_sec=onset,
        duration_sec=duration,
        pitch_midi=pitch,
        beats_sec=np.arange(16) * 0.5,
        downbeats_sec=[0, 2, 4, 6],
        mode=mode_of("A", "dorian"),
        drone_midi=45 if given else None,
    )
    assert [c.symbol for c in found] == ["A5"]
    assert found[0].roman == "i5"


def test_find_chords_stays_with_the_tonic_over_its_fifth():
    case = riffs.drone_riff(1003, "ionian", 4, fifth=True)
    found = chords_of(case, drone_midi=case.drone, mode=mode_of("G", "ionian"))
    assert [plain_symbol(c.symbol) for c in found] == ["G"]


def test_find_chords_follows_a_change_that_the_melody_states_over_a_drone():
    right = total = 0
    for seed in range(16):
        case = riffs.broken_over_drone(seed)
        found = chords_of(
            case, drone_midi=case.drone, mode=mode_of(riffs.ROOTS[case.tonic], case.mode)
        )
        heard = [plain_symbol(bar[0]) for bar in bars_of(found, case.downbeats)]
        right += sum(h == t for h, t in zip(heard, case.bars, strict=False))
        total += len(case.bars)
    assert right / total >= 0.85


def test_find_chords_nothing_from_one_repeated_note():
    found = find_chords(
        onset_sec=[0, 1, 2], duration_sec=[1, 1, 1], pitch_midi=[45, 45, 57], beats_sec=[0, 1, 2]
    )
    assert found == ()


def test_find_chords_no_notes_and_bad_beats():
    empty: dict[str, Any] = {"onset_sec": [], "duration_sec": [], "pitch_midi": []}
    assert find_chords(**empty, beats_sec=[0.0, 1.0]) == ()
    with pytest.raises(TheoryError, match="beats_sec is empty"):
        find_chords(**empty, beats_sec=[])
    with pytest.raises(TheoryError, match="beats_sec"):
        find_chords(**empty, beats_sec=[1.0, 0.5])


def test_find_loop_shortest_with_departure():
    notes, beats, downbeats = strummed(["Am", "D", "Am", "D", "Am", "C", "Am", "D"])
    mode = mode_of("A", "dorian")
    chords = find_chords(**notes, beats_sec=beats, downbeats_sec=downbeats, mode=mode)
    loop = find_loop(chords, downbeats_sec=downbeats, mode=mode)
    assert loop is not None
    assert loop.symbols == ("Am", "D")
    assert loop.romans == ("i", "IV")
    assert (loop.bars, loop.times) == (2, 4.0)
    assert loop.departures == ((6, ("C",)),)
    assert loop.fit == pytest.approx(7 / 8)


def test_find_loop_plain_version():
    notes, beats, downbeats = strummed(["G/B", "Cadd9", "Dsus4", "Em7"] * 2)
    chords = find_chords(**notes, beats_sec=beats, downbeats_sec=downbeats)
    loop = find_loop(chords, downbeats_sec=downbeats, mode=mode_of("G", "major"))
    assert loop is not None
    assert loop.bars == 4
    assert loop.plain == ("G", "C", "D", "Em")
    assert loop.plain_romans == ("I", "IV", "V", "vi")


def test_find_loop_a_chord_that_stays_two_bars():
    notes, beats, downbeats = strummed(["Am", "Am", "D", "G"] * 2)
    chords = find_chords(**notes, beats_sec=beats, downbeats_sec=downbeats)
    loop = find_loop(chords, downbeats_sec=downbeats)
    assert loop is not None
    assert loop.bars == 4
    assert loop.by_bar == (("Am",), ("Am",), ("D",), ("G",))
    assert loop.symbols == ("Am", "D", "G")


@pytest.mark.parametrize("symbols", [["Am", "C", "D", "G", "G"], ["Am", "G", "G"]])
def test_find_loop_is_not_one_chord_that_bars_depart_from(symbols):
    notes, beats, downbeats = strummed(symbols)
    chords = find_chords(**notes, beats_sec=beats, downbeats_sec=downbeats)
    loop = find_loop(chords, downbeats_sec=downbeats)
    assert loop is not None
    assert loop.symbols == tuple(symbols[:-1])
    assert loop.departures == ()


@pytest.mark.parametrize(
    ("bars", "loop_bars"),
    [
        # A strum of the last bar misses its lowest string; a bass that changes in turn is meant.
        (["D7", "G7", "D7", "A7", "D7", "G7", "D7", "A7/E"], ["D7", "G7", "D7", "A7"]),
        (["D", "D/F#", "D", "D/F#"], ["D", "D/F#"]),
        (["Am", "Am/G", "F", "E", "Am", "Am/G", "F", "E"], ["Am", "Am/G", "F", "E"]),
    ],
)
def test_find_loop_does_not_mind_a_bass_that_is_missed_once(bars, loop_bars):
    spans = [
        ChordSpan(2.0 * i, 2.0 * i + 2, symbol, "", symbol[0], "", symbol[0], 1.0)
        for i, symbol in enumerate(bars)
    ]
    loop = find_loop(spans, downbeats_sec=[2.0 * i for i in range(len(bars))])
    assert loop is not None
    assert [" ".join(bar) for bar in loop.by_bar] == loop_bars
    assert (loop.departures, loop.fit) == ((), 1.0)


def test_find_loop_of_nothing_is_none():
    assert find_loop(()) is None


def test_find_chords_on_strums_of_handbook_shapes():
    right = total = 0
    for seed in range(8):
        case = riffs.strum(seed)
        found = chords_of(case)
        heard = [" ".join(bar) for bar in bars_of(found, case.downbeats)]
        right += sum(h == t for h, t in zip(heard, case.bars, strict=False))
        total += len(case.bars)
    assert right / total >= 0.9


def test_a_picked_chord_keeps_its_seventh_or_second():
    """A loop is picked string by string; every tone of each chord sounds at least once a bar."""
    right = total = 0
    for seed in range(24):
        case = riffs.picked(seed)
        heard = [" ".join(bar) for bar in bars_of(chords_of(case), case.downbeats)]
        right += sum(h == t for h, t in zip(heard, case.bars, strict=False))
        total += len(case.bars)
    assert right / total >= 0.93


def test_a_bar_without_its_third_is_suspended():
    case = riffs.picked(94)
    assert case.loop == ("Am", "Asus2", "Am", "Asus4")
    found = chords_of(case)
    assert [" ".join(bar) for bar in bars_of(found, case.downbeats)] == case.bars


def test_a_round_that_is_badly_heard_is_told_by_the_others():
    case = riffs.picked(19)
    last = case.downbeats[-case.loop_bars]
    gone = [i for i, at in enumerate(case.onset) if at >= last and i % 2]
    for field in (case.onset, case.duration, case.pitch, case.string, case.fret):
        for i in reversed(gone):
            del field[i]
    heard = [" ".join(bar) for bar in bars_of(chords_of(case), case.downbeats)]
    assert heard == case.bars


@pytest.mark.parametrize("kind", list(KINDS))
def test_chord_symbols_round_trip(kind):
    for root in ("C", "F#", "Bb"):
        chord = parse_chord(f"{root}{kind}")
        assert chord.symbol == f"{root}{kind}"
        assert parse_chord(chord.symbol) == chord
        assert [pc for _, _, pc in chord_tones(chord)] == list(chord.pitch_classes)


def test_chord_tones_are_spelled_from_the_root():
    assert [n for _, n, _ in chord_tones("Bbm7")] == ["Bb", "Db", "F", "Ab"]
    assert [n for _, n, _ in chord_tones("C#m")] == ["C#", "E", "G#"]
    assert [n for _, n, _ in chord_tones("Cdim7")] == ["C", "Eb", "Gb", "Bbb"]


@pytest.mark.parametrize("symbol", ["H", "", "Cxyz", "c", "C/H"])
def test_parse_chord_refuses(symbol):
    with pytest.raises(TheoryError):
        parse_chord(symbol)


def test_name_chord_readings():
    assert str(name_chord([48, 52, 55])[0]) == "C"
    assert str(name_chord([52, 55, 60])[0]) == "C/E"
    assert str(name_chord([45, 55, 60, 64])[0]) == "Am7"
    assert str(name_chord([40, 47, 52])[0]) == "E5"
    assert name_chord([60, 61, 62]) == ()
    with pytest.raises(TheoryError):
        name_chord([])


def test_transpose_and_plain():
    assert transpose("Bm7/A", -2) == "Am7/G"
    assert plain_symbol("Cadd9") == "C"
    assert plain_symbol("Am7/G") == "Am"
    assert plain_symbol("Bm7b5") == "Bdim"
    assert plain_symbol("E5") == "E5"


def test_roman_numerals():
    major, mixolydian = mode_of("C", "major"), mode_of("D", "mixolydian")
    assert roman_numeral("G7/B", major) == "V65"
    assert roman_numeral("F#dim7", major) == "#ivo7"
    assert roman_numeral("Bb", major) == "bVII"
    assert roman_numeral("C", mixolydian) == "VII"
    assert roman_numeral("Am7", mixolydian) == "v7"
    assert roman_numeral("D5", mixolydian) == "I5"
    assert is_diatonic("C", mixolydian)
    assert not is_diatonic("A7", mixolydian)
    assert borrowed_from("C", mixolydian) is None
    assert borrowed_from("A7", mode_of("C", "major")) == "dominant of ii"


def test_find_chords_names_each_bar_of_an_arpeggio_by_its_bass() -> None:
    """F#m and D share two notes; broken over their basses they are still two chords."""
    bars = [[42, 54, 57, 61, 57, 54], [50, 54, 57, 62, 57, 54]] * 2
    pitches = [pitch for bar in bars for pitch in bar]
    onset = [0.25 * i for i in range(len(pitches))]
    chords = find_chords(
        onset_sec=onset,
        duration_sec=[0.25] * len(pitches),
        pitch_midi=pitches,
        beats_sec=[0.5 * i for i in range(13)],
        downbeats_sec=[1.5 * i for i in range(5)],
        mode=mode_of("F#", "aeolian"),
    )
    assert [chord.symbol for chord in chords] == ["F#m", "D", "F#m", "D"]


def test_find_chords_of_beats_that_hold_no_downbeat() -> None:
    """A riff that is over before its first bar begins, or in a bar that began long before it."""
    pitches = [45, 57, 60, 64]
    for downbeats in ([4.0], [-4.0]):
        chords = find_chords(
            onset_sec=[0.25 * i for i in range(4)],
            duration_sec=[0.25] * 4,
            pitch_midi=pitches,
            beats_sec=[0.0, 0.5, 1.0],
            downbeats_sec=downbeats,
        )
        assert [chord.symbol for chord in chords] == ["Am"]


@pytest.mark.parametrize("shift", [-0.25, 0.0, 0.25])
def test_a_chord_that_comes_off_the_beat_is_named_where_it_is_struck(shift):
    """Eighths at 120; the second chord is brought in half a beat early, on the bar, or late."""
    am, f = (45, 52, 57, 60, 64), (41, 48, 53, 57, 60)
    times = [0.25 * k for k in range(16)]
    struck = [(at, p) for at in times for p in (am if at < 2.0 + shift - 1e-6 else f)]
    found = find_chords(
        onset_sec=[at for at, _ in struck],
        duration_sec=[0.24] * len(struck),
        pitch_midi=[p for _, p in struck],
        beats_sec=[0.5 * k for k in range(9)],
        downbeats_sec=[0.0, 2.0, 4.0],
    )
    assert [c.symbol for c in found] == ["Am", "F"]
    assert found[1].start_sec == pytest.approx(2.0 + shift)
    assert found[0].end_sec == found[1].start_sec


def spans_of(symbols: str, sec: float = 2.0) -> list[ChordSpan]:
    chords = [parse_chord(symbol) for symbol in symbols.split()]
    return [
        ChordSpan(sec * i, sec * (i + 1), c.symbol, "", c.root, c.kind, c.bass, 1.0)
        for i, c in enumerate(chords)
    ]


@pytest.mark.parametrize("bar_sec", [2.0, 4.0, 8.0, 5.0])
def test_a_loop_that_ends_on_its_first_chord_is_the_loop(bar_sec):
    """Wherever the bar lines lie: one chord a bar, two, four, or out of step with the loop."""
    spans = spans_of("Am F C G Am F C G Am")
    downs = np.arange(0.0, 18.0, bar_sec)
    loop = find_loop(spans, downbeats_sec=downs)
    assert loop is not None
    assert loop.symbols == ("Am", "F", "C", "G")
    assert loop.times >= 2
    assert loop.departures == ()


@pytest.mark.parametrize(
    ("symbol", "pitches", "added"),
    [("Cadd9", (48, 52, 55, 62, 64), 62), ("G7", (43, 47, 50, 55, 59, 65), 65)],
)
def test_a_note_that_most_strokes_sound_is_of_the_chord(symbol, pitches, added):
    """The ninth or seventh is missed in one stroke of four; struck in one alone it is a stray."""

    def found(struck):
        notes = []
        for bar, chord in enumerate((pitches, (50, 57, 62, 66))):
            for k in range(4):
                here = chord if bar or struck[k] else [p for p in chord if p != added]
                notes += [(2 * bar + 0.5 * k, 0.45, p, 0.7) for p in here]
        onset, duration, pitch, confidence = zip(*notes, strict=True)
        spans = find_chords(
            onset_sec=onset,
            duration_sec=duration,
            pitch_midi=pitch,
            confidence=confidence,
            beats_sec=np.arange(8) * 0.5,
            downbeats_sec=[0.0, 2.0],
            mode=mode_of("G", "ionian"),
        )
        return [span.symbol for span in spans]

    plain = {"Cadd9": "C", "G7": "G"}[symbol]
    assert found([True, True, False, True]) == [symbol, "D"]
    assert found([False, True, False, False]) == [plain, "D"]


def test_a_picked_chord_stands_on_the_note_that_it_starts_on():
    """G over B picked from its fifth string; two strings struck together further up say nothing."""
    beat = 0.5
    bars = [[47, 55, 59, 67, 59, 55, 59, 67], [48, 55, 60, 64, 60, 55, 60, 64]] * 2
    notes = [
        (4 * beat * i + 0.5 * beat * k, pitch)
        for i, bar in enumerate(bars)
        for k, pitch in enumerate(bar)
    ]
    notes += [(4 * beat * i + 1.5 * beat, 62) for i in (0, 2)]  # with the fourth note of G/B
    notes.sort()
    found = find_chords(
        onset_sec=[at for at, _ in notes],
        duration_sec=[4 * 0.5 * beat] * len(notes),
        pitch_midi=[pitch for _, pitch in notes],
        beats_sec=[beat * k for k in range(16)],
        downbeats_sec=[4 * beat * i for i in range(4)],
    )
    assert [span.symbol for span in found] == ["G/B", "C", "G/B", "C"]


def test_find_chords_names_another_bass_from_the_next_bar_on():
    """C/E and then C/G, four strokes each: one chord, but not one bass."""
    shapes = [(41, 53, 57, 60, 65), (40, 48, 52, 55, 60), (43, 48, 52, 55, 60), (45, 52, 57, 60)]
    notes = [(0.5 * k, p) for k in range(16) for p in shapes[k // 4]]
    found = find_chords(
        onset_sec=[on for on, _ in notes],
        duration_sec=[0.45] * len(notes),
        pitch_midi=[p for _, p in notes],
        beats_sec=[0.5 * k for k in range(16)],
        downbeats_sec=[0.0, 2.0, 4.0, 6.0],
    )
    assert [span.symbol for span in found] == ["F", "C/E", "C/G", "Am"]


@pytest.mark.parametrize("meter", [3, 4])
def test_find_chords_of_a_bass_note_and_then_chords_stands_on_that_bass(meter):
    """Bass, chord, chord (a waltz), or bass, chord, fifth, chord: the basses are the roots."""
    shapes = {"C": (48, 43, 55, 60, 64), "Dm": (50, 45, 57, 62, 65), "G": (43, 50, 55, 59, 67)}
    names = ["C", "Dm", "G", "C"]
    notes = []
    for bar, name in enumerate(names):
        root, fifth, *upper = shapes[name]
        for beat in range(meter):
            alone = {0: [root], 2: [fifth] if meter == 4 else upper}
            notes += [(0.5 * (meter * bar + beat), p) for p in alone.get(beat, upper)]
    found = find_chords(
        onset_sec=[on for on, _ in notes],
        duration_sec=[0.45] * len(notes),
        pitch_midi=[p for _, p in notes],
        beats_sec=[0.5 * k for k in range(4 * meter)],
        downbeats_sec=[0.5 * meter * bar for bar in range(4)],
    )
    assert [span.symbol for span in found] == names


def test_a_line_alone_hints_at_the_chord_of_its_home():
    """D minor up and down from D: the third below home would explain as many of its notes."""
    line = [50, 52, 53, 52, 50, 48, 46, 45, 48, 46, 52, 53, 57, 53, 52, 50] * 2
    spans = find_chords(
        onset_sec=[0.25 * k for k in range(32)],
        duration_sec=[0.22] * 32,
        pitch_midi=line,
        beats_sec=[0.5 * k for k in range(17)],
        downbeats_sec=[2.0 * k for k in range(5)],
        mode=mode_of("D", "aeolian"),
    )
    assert {span.symbol for span in spans} == {"Dm"}
    assert all(span.implied for span in spans)
