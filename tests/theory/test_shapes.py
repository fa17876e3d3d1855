"""Voicings, ways to play, the scale on the neck and the report."""

from __future__ import annotations

import itertools
import json

import pytest

from tests.bench import theory_riffs as riffs
from theory import (
    TheoryError,
    capo_plans,
    drone_shapes,
    mode_of,
    neck_text,
    parse_chord,
    power_shapes,
    report,
    scale_in_position,
    scale_on_string,
    voicings,
    voicings_by_level,
)
from theory.scale_on_neck import deciding_degrees
from theory.voicing_levels import voicing_levels_text

OPEN = (64, 59, 55, 50, 45, 40)


def heard(shape, open_midi=OPEN):
    return [
        p + shape.capo + f for p, f in zip(open_midi, shape.frets, strict=True) if f is not None
    ]


@pytest.mark.parametrize(
    "symbol", ["C", "F#m7", "Bb7", "Esus4", "Abmaj7", "D/F#", "Gadd9", "C#dim"]
)
def test_voicings_sound_the_chord_and_nothing_else(symbol):
    chord = parse_chord(symbol)
    shapes = voicings(symbol, limit=50)
    assert shapes
    for shape in shapes:
        pitches = heard(shape)
        assert {p % 12 for p in pitches} <= set(chord.pitch_classes)
        assert min(pitches) % 12 == chord.bass_pc
        assert shape.stretch_mm <= 98.0
        assert sorted(pitches) == list(shape.pitch_midi)


def test_voicings_fingers_are_four_and_rise_with_the_frets():
    for symbol in ("C", "F", "Bm", "G7", "Ebmaj7", "A"):
        for shape in voicings(symbol, limit=20):
            stopped = [(f, g) for f, g in zip(shape.frets, shape.fingers, strict=True) if f]
            assert all(g in (1, 2, 3, 4) for _, g in stopped)
            for (f1, g1), (f2, g2) in itertools.combinations(sorted(stopped), 2):
                assert g1 <= g2 or f1 == f2
            shared = [g for _, g in stopped if g != 1]
            assert len(shared) == len(set(shared))  # only the index finger lies flat


def test_voicings_smaller_hand_gets_smaller_shapes():
    wide = voicings("C7", limit=200)
    small = voicings("C7", hand_span_mm=50.0, limit=200)
    assert max(s.stretch_mm for s in wide) > 50.0
    assert all(s.stretch_mm <= 50.0 for s in small)


def test_voicings_leave_out_strings():
    for shape in voicings("D7", leave_out=(1,), limit=20):
        assert shape.frets[0] is None
        assert shape.kind == "partial"
    with pytest.raises(TheoryError, match="string 9"):
        voicings("D7", leave_out=(9,))


def test_voicings_with_a_capo_sound_the_same_chord():
    shape = voicings("A", capo=2)[0]
    assert shape.short == "320003"
    assert {p % 12 for p in heard(shape)} == {9, 1, 4}


def test_voicings_other_instruments():
    ukulele = voicings("C", open_midi=(69, 64, 60, 67), frets=15, scale_length_mm=346.0)
    assert ukulele[0].short == "0003"
    # The shapes of the common ukulele chord charts; common practice, no source.
    for symbol, usual in {
        "G": "0232",
        "F": "2010",
        "Am": "2000",
        "G7": "0212",
        "D": "2220",
    }.items():
        shape = voicings(symbol, open_midi=(69, 64, 60, 67), frets=15, scale_length_mm=346.0)[0]
        assert shape.short == usual
    seven = voicings("Em", open_midi=(*OPEN, 35))
    assert all(len(s.frets) == 7 for s in seven)


def test_wide_shapes_carry_a_caution():
    shapes = voicings("C", limit=200)
    wide = [s for s in shapes if s.stretch_mm >= 80]
    assert wide
    assert all("teacher" in s.caution for s in wide)
    assert all(not s.caution for s in shapes if s.stretch_mm < 80)


def test_the_closing_caution_names_the_widest_shape():
    ways = voicings_by_level(["Am", "F"], drone_string=5)
    wide = [s for w in ways for s in (*w.plain, *w.easier, *w.heavier) if s.caution]
    most = max(wide, key=lambda s: s.stretch_mm)
    (last,) = [
        line for line in voicing_levels_text(ways).splitlines() if line.startswith("Caution")
    ]
    several = "" if len(wide) == 1 else f"{len(wide)} shapes, the widest "
    assert f"wide stretch ({several}{most.symbol} {most.short}, {most.stretch_mm:.0f} mm)" in last
    assert "teacher" in last


def test_diagram_reads_left_to_right_low_to_high():
    lines = voicings("C")[0].diagram().splitlines()
    assert lines[0] == "C  x32010"
    assert lines[1] == "x     o   o"
    assert lines[3] == "| | | | 1 |"
    assert lines[5] == "| 3 | | | |"


def test_power_shapes_are_root_and_fifth():
    for shape in power_shapes("Am"):
        assert {p % 12 for p in heard(shape)} == {9, 4}
        assert min(heard(shape)) % 12 == 9
        assert shape.symbol == "A5"
    assert {s.level for s in power_shapes("Am")} == {"easier", "heavier"}


def test_drone_shapes_have_a_fretted_string():
    """Of G over the open D string, the B at fret 4 beside it, not the open G string."""
    assert drone_shapes("G", drone_string=4, melody_string=3)[0].short == "xx04xx"
    for symbol in ("G", "D", "A", "Em", "Bm", "G5", "Asus4"):
        for drone in range(1, 7):
            shapes = drone_shapes(symbol, drone_string=drone)
            assert shapes
            assert all(any(shape.frets[k] for k in range(6)) for shape in shapes)


def test_drone_shapes_keep_the_drone_open():
    shapes = drone_shapes("C", drone_string=4, melody_string=3)
    assert shapes[0].frets == (None, None, 5, 0, None, None)
    assert shapes[0].degrees[2] == "1"
    same = drone_shapes("D", drone_string=4, melody_string=3)[0]
    assert same.degrees[2] == "3"  # the drone has the root already
    with pytest.raises(TheoryError, match="is the drone"):
        drone_shapes("C", drone_string=4, melody_string=4)


def test_capo_plans_are_easier_and_sound_the_same():
    plans = capo_plans(["Bb", "Eb", "F", "Gm"])
    assert plans
    for plan in plans:
        for symbol, shape in zip(("Bb", "Eb", "F", "Gm"), plan.shapes, strict=True):
            assert {p % 12 for p in heard(shape)} == set(parse_chord(symbol).pitch_classes)
    assert "G" in plans[0].symbols or "C" in plans[0].symbols
    assert capo_plans(["Em", "G"]) == ()


@pytest.mark.parametrize("loop", [("F", "Dm", "Bb", "C"), ("C#m7", "F#9", "Bmaj7"), ("Ebsus4",)])
def test_capo_plans_take_the_handiest_shapes(loop: tuple[str, ...]) -> None:
    """The search for a plan leaves out shapes that cannot be the handiest; `voicings` none."""
    plans = capo_plans(loop)
    assert plans
    for plan in plans:
        for symbol, shape in zip(loop, plan.shapes, strict=True):
            assert shape == voicings(symbol, limit=1, capo=plan.capo)[0]


def test_ways_to_play_have_levels():
    (ways,) = voicings_by_level(["F"])
    assert all(s.level == "easier" for s in ways.easier)
    assert all(s.level == "heavier" for s in ways.heavier)
    assert ways.easier
    assert ways.heavier
    assert ways.plain[0].symbol == "F"


def test_scale_on_string_over_the_drone():
    notes = scale_on_string(mode_of("D", "mixolydian"), string=3, frets=12)
    assert [n.fret for n in notes] == [0, 2, 4, 5, 7, 9, 11, 12]
    assert [n.degree for n in notes if n.mark == "deciding"] == ["b7"]
    text = neck_text(notes, drone_string=4)
    assert "{b7}" in text
    assert "[1]" in text
    assert "(o)" in text


def test_scale_in_position_has_no_gaps():
    for name in ("ionian", "dorian", "minor pentatonic"):
        for tonic in ("A", "C", "F#"):
            mode = mode_of(tonic, name)
            notes = scale_in_position(mode)
            pitches = [n.pitch_midi for n in notes]
            expected = [
                p for p in range(pitches[0], pitches[-1] + 1) if p % 12 in mode.pitch_classes
            ]
            assert pitches == expected
            assert max(n.fret for n in notes) - min(n.fret for n in notes) <= 4


def test_deciding_degrees():
    assert deciding_degrees("lydian") == ("#4",)
    assert deciding_degrees("dorian") == ("6",)
    assert deciding_degrees("locrian") == ("b5",)


def test_neck_text_is_mirrored_for_a_left_handed_player():
    notes = scale_on_string(mode_of("A", "minor pentatonic"), string=5, frets=5)
    right, left = (neck_text(notes, left_handed=side).splitlines() for side in (False, True))
    assert left[0].split() == right[0].split()[::-1]
    cells = [line[6:].replace("‖", "|").strip("|").split("|") for line in (right[1], left[1])]
    assert [c.strip(" -") for c in cells[1]] == [c.strip(" -") for c in cells[0]][::-1]
    assert left[1].rstrip().endswith("‖[1]")


def test_neck_text_refuses():
    with pytest.raises(TheoryError, match="no notes"):
        neck_text([])
    with pytest.raises(TheoryError, match="string 7"):
        scale_on_string(mode_of("A", "dorian"), string=7)


def test_report_of_a_drone_riff():
    riff = riffs.drone_riff(1, "dorian", 4)
    made = report(
        onset_sec=riff.onset,
        duration_sec=riff.duration,
        pitch_midi=riff.pitch,
        beats_sec=riff.beats,
        downbeats_sec=riff.downbeats,
        meter=(4, 4),
        drone_midi=50,
    )
    document = json.loads(json.dumps(made.as_document(), allow_nan=False))
    assert document["mode"]["tonic"] == "D"
    assert document["mode"]["name"] == "dorian"
    assert document["mode"]["parent"] == "C major"
    assert document["mode"]["evidence"]
    for chord in document["chords"]:
        assert chord["start_sec"] < chord["end_sec"]
    text = made.text()
    assert "D dorian" in text
    assert "over the open string 4" in text


def test_report_of_a_strum_prints_ways():
    case = riffs.strum(1)
    made = report(
        onset_sec=case.onset,
        duration_sec=case.duration,
        pitch_midi=case.pitch,
        beats_sec=case.beats,
        downbeats_sec=case.downbeats,
    )
    assert made.loop is not None
    assert list(made.as_document()["loop"]["symbols"]) == list(case.loop)
    assert {w.symbol for w in made.voicings} == set(case.loop)
    assert "easier" in made.text()


def test_report_without_beats_or_notes():
    made = report(onset_sec=[0, 0, 0, 1, 1, 1], duration_sec=[1] * 6, pitch_midi=[48, 52, 55] * 2)
    assert [c.symbol for c in made.chords] == ["C"]
    empty = report(onset_sec=[], duration_sec=[], pitch_midi=[])
    assert empty.mode is None
    assert empty.as_document()["mode"] is None
    assert "No notes" in empty.text()


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"capo": 30}, "capo"),
        ({"open_midi": ()}, "open_midi"),
        ({"scale_length_mm": 5.0}, "scale length"),
        ({"hand_span_mm": 0.0}, "hand span"),
        ({"symbol": "X"}, "not a chord"),
    ],
)
def test_voicings_refuse(change, match):
    arguments = {"symbol": "C"} | change
    with pytest.raises(TheoryError, match=match):
        voicings(arguments.pop("symbol"), **arguments)


@pytest.mark.parametrize(
    ("symbol", "frets", "fingers", "barre"),
    [
        ("A", "x02220", "x01230", None),
        ("E", "022100", "023100", None),
        ("D", "xx0232", "xx0132", None),
        ("C", "x32010", "x32010", None),
        ("Am", "x02210", "x02310", None),
        ("Dm", "xx0231", "xx0231", None),
        ("F", "133211", "134211", (1, 6, 1)),
        ("F", "xx3211", "xx3211", (1, 2, 1)),
        ("Bm", "x24432", "x13421", (2, 5, 1)),
        ("A7", "x02223", "x01112", (2, 4, 2)),
    ],
)
def test_grips_have_the_fingers_that_teachers_write(
    symbol: str, frets: str, fingers: str, barre: tuple[int, int, int] | None
) -> None:
    """Common practice, no source: any chord chart for standard tuning."""
    (shape,) = (s for s in voicings(symbol, limit=50) if s.short == frets)
    digits = "".join("x" if f is None else str(f) for f in reversed(shape.fingers))
    assert (digits, shape.barre) == (fingers, barre)
