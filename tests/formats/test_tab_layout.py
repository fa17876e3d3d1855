"""The look of the text tab: what stands where, and that it fits."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import pytest

from tests.formats.riffs import (
    RIFFS,
    arpeggio_riff,
    drone_riff,
    legato_riff,
    looped_riff,
    make_riff,
    strummed_riff,
)
from transcribe.core.errors import FormatError, ParameterError
from transcribe.core.instrument import make_instrument
from transcribe.core.riff import Bend, Instrument, Note, Rhythm, Riff, Timing, sort_notes
from transcribe.formats.tab.layout import _Bar, _fit, _Sign, layout, mark_line, string_names
from transcribe.formats.tab.read import read_tab
from transcribe.formats.tab.write import write_tab
from transcribe.takes.comparison import MARKS


def _string_rows(text: str) -> list[str]:
    return [line for line in text.splitlines() if "|" in line]


def test_write_tab_of_one_bar_as_it_is_handed_out() -> None:
    riff = make_riff(
        [
            (0, 4, 4, 0),
            (0, 0.5, 3, 2),
            (0.5, 0.5, 3, 4, "hammer-on"),
            (1, 1, 3, 12),
            (2, 0.5, 3, 10, "slide"),
            (2.5, 0.5, 3, 9, "pull-off"),
            (3, 1, 3, 7, "bend"),
        ],
        theory={"chords": [{"start_sec": 0.0, "end_sec": 2.5, "symbol": "Dm"}]},
    )
    assert write_tab(riff) == (
        "Handspan tab 1: mooring.wav\n"
        "Tuning: E4 B3 G3 D3 A2 E2 (standard)\n"
        "Meter:  4/4\n"
        "Tempo:  96 bpm (quarter = 96)\n"
        "\n"
        "1   Dm\n"
        "e |-------------------------|\n"
        "B |-------------------------|\n"
        "G |-2-h4--12---\\10p9--7b----|\n"
        "D |-0-----------------------|\n"
        "A |-------------------------|\n"
        "E |-------------------------|\n"
        "    1  &  2     3  &  4\n"
        "\n"
        "Signs:  h hammer-on, p pull-off, / \\ slide, b bend\n"
    )


def test_string_names_lower_case_for_a_high_twin() -> None:
    assert string_names(Instrument()) == ("e", "B", "G", "D", "A", "E")
    assert string_names(make_instrument("dadgad")) == ("d", "A", "G", "D", "A", "D")
    assert string_names(make_instrument("half-step-down"))[0] == "d#"
    assert string_names(make_instrument("bass")) == ("G", "D", "A", "E")


@pytest.mark.parametrize("name", RIFFS)
@pytest.mark.parametrize("width", [40, 60, 80, 132])
def test_layout_keeps_the_width(name: str, width: int) -> None:
    for system in layout(RIFFS[name](), width):
        assert max(map(len, system.lines)) <= width


@pytest.mark.parametrize("name", RIFFS)
def test_layout_breaks_no_bar_that_fits(name: str) -> None:
    """Every system of strings begins and ends with a bar line, except in a bar that is too wide."""
    riff = RIFFS[name]()
    for width in (60, 80, 100):
        for system in layout(riff, width):
            for row in system.lines[system.strings_at : system.strings_at + 4]:
                assert row.endswith("|")
                assert row.count("|") >= 2


def test_layout_breaks_a_wide_bar_between_beats() -> None:
    systems = layout(legato_riff(), 30)
    broken = [s for s in systems if not s.lines[s.strings_at].endswith("|")]
    assert broken
    assert max(len(line) for s in systems for line in s.lines) <= 30
    for system in broken:
        count = system.lines[-1].split()
        assert count[0].isdigit()


@pytest.mark.parametrize("name", RIFFS)
def test_layout_columns_hold_the_frets(name: str) -> None:
    riff = RIFFS[name]()
    seen = set()
    for system in layout(riff, 80):
        for note_id, column in system.columns.items():
            note = riff.note(note_id)
            assert note.string is not None
            row = system.lines[system.strings_at + note.string - 1]
            text = "x" if note.articulation == "dead" else str(note.fret)
            assert row[column : column + len(text)] == text
            seen.add(note_id)
    assert seen == {note.id for note in riff.notes}


@pytest.mark.parametrize("name", RIFFS)
def test_layout_every_line_of_a_system_has_its_bars_in_one_column(name: str) -> None:
    for system in layout(RIFFS[name](), 80):
        strings = len(RIFFS[name]().instrument.open_midi)
        rows = system.lines[system.strings_at : system.strings_at + strings]
        bars = {tuple(i for i, c in enumerate(row) if c == "|") for row in rows}
        assert len(bars) == 1
        assert len({len(row) for row in rows}) == 1


def test_layout_spaces_notes_by_time() -> None:
    """Within a bar, columns are proportional to beats."""
    riff = make_riff([(0, 1, 1, 3), (1, 0.5, 1, 5), (1.5, 1.5, 1, 3), (3, 1, 1, 5)])
    (system,) = layout(riff, 80)
    columns = [system.columns[i] for i in (1, 2, 3, 4)]
    steps = [b - a for a, b in itertools.pairwise(columns)]
    assert steps == [2 * steps[1], steps[1], 3 * steps[1]]


def test_layout_balances_its_lines() -> None:
    """Four equal bars of which three would fit stand two and two."""
    riff = make_riff([(i / 4, 0.25, 1, i % 10) for i in range(64)])
    assert [s.bars for s in layout(riff, 112)] == [(1, 2), (3, 4)]


def test_layout_two_digits_do_not_run_together() -> None:
    riff = make_riff([(i / 4, 0.25, 1, 10 + i % 3) for i in range(16)])
    (row,) = [r for r in _string_rows(write_tab(riff)) if r.startswith("e")]
    assert "1011" not in row
    assert row.count("10") == 6


def test_mark_line_stands_under_the_notes() -> None:
    riff = drone_riff()
    system = layout(riff, 80)[0]
    line = mark_line(system, {2: "x", 5: "late"})
    assert line.index("x") == system.columns[2]
    assert line.index("late") == system.columns[5]


def test_pickup_is_bar_nought_and_counts_its_own_beats() -> None:
    text = write_tab(legato_riff())
    lines = text.splitlines()
    top = lines.index("0")
    assert lines[top + 7].split()[:2] == ["4", "&"]


def test_repeats_are_folded_when_asked() -> None:
    riff = strummed_riff()
    folded = write_tab(riff, repeats=True)
    assert "x2" in folded
    assert ":|" in folded
    assert "x2" not in write_tab(riff)
    assert len(folded) < len(write_tab(riff))
    columns = layout(riff, 80, repeats=True)
    assert {i for s in columns for i in s.columns} == {n.id for n in riff.notes}


def test_a_chord_that_holds_is_no_difference_between_bars() -> None:
    """The symbol stands only where it changes; the bars after it are the same all the same."""
    riff = looped_riff()
    text = write_tab(riff, repeats=True)
    assert [s.bars for s in layout(riff, 200, repeats=True)] == [(0, 8)]
    assert text.count("x3") == 1
    assert text.count("x2") == 1
    assert {i for s in layout(riff, 80, repeats=True) for i in s.columns} == {
        n.id for n in riff.notes
    }
    changed = dict(riff.theory or {})
    changed["chords"] = [dict(c) for c in changed["chords"]]
    changed["chords"][1]["symbol"] = "Am"
    assert "x3" not in write_tab(replace(riff, theory=changed), repeats=True)


def test_fingers_stand_in_a_row_of_their_own() -> None:
    text = write_tab(drone_riff(), fingers=True)
    row = next(line for line in text.splitlines() if line.startswith("f "))
    assert row.split()[:4] == ["f", "01", "3", "4"]


def test_chord_symbols_do_not_touch() -> None:
    riff = make_riff(
        [(0, 4, 1, 0)],
        theory={
            "chords": [
                {"start_sec": i * 0.625, "end_sec": i * 0.625 + 0.625, "symbol": s}
                for i, s in enumerate(["F#m7b5", "Bbmaj7", "C#dim7", "G"])
            ]
        },
    )
    assert "F#m7b5 Bbmaj7 C#dim7 G" in " ".join(write_tab(riff).split())


def test_header_tells_capo_drone_mode_and_loop() -> None:
    text = write_tab(arpeggio_riff())
    assert "Capo:   fret 2" in text
    assert "Mode:   B aeolian (notes of D major)" in text
    assert "Drone:  open string 4 (D3)" in write_tab(drone_riff())
    assert "Loop:   Dm G Dm C" in write_tab(drone_riff())


def test_notes_without_a_string_are_named_not_lost() -> None:
    riff = drone_riff()
    loose = replace(riff.notes[3], string=None, fret=None)
    riff = replace(riff, notes=(*riff.notes[:3], loose, *riff.notes[4:]))
    assert "Left out, no string yet: " in write_tab(riff)


def test_without_rhythm_columns_follow_the_seconds() -> None:
    riff = drone_riff()
    notes = tuple(replace(n, onset_beat=None, duration_beat=None) for n in riff.notes)
    text = write_tab(replace(riff, rhythm=None, notes=notes))
    assert "Time:   one column is" in text
    assert "Meter" not in text


def test_empty_riff() -> None:
    assert "Handspan tab 1" in write_tab(Riff())
    assert layout(Riff(), 80) == []
    rhythm = drone_riff().rhythm
    assert len(layout(Riff(rhythm=rhythm), 80)) == 1


def test_width_too_small() -> None:
    with pytest.raises(ParameterError, match="width is 10"):
        write_tab(drone_riff(), width=10)


def test_a_beat_wider_than_the_line_stands_alone() -> None:
    """A pickup of one beat in thirty-seconds, at the least width."""
    items = [(-1 + i / 8, 1 / 8, 4, 10 + i % 3, "bend") for i in range(8)]
    systems = layout(make_riff([*items, (0, 1, 4, 0)]), 24)
    assert [s.bars for s in systems] == [(0, 0), (1, 1)]


def test_two_notes_of_one_string_at_once_are_refused_not_searched_for_ever() -> None:
    bar = _Bar(1, 0, 1, places=[1], signs=[_Sign("3", 0, 0, "7"), _Sign("3", 0, 0, "9")])
    with pytest.raises(FormatError, match="one string"):
        _fit(bar, 4)


@pytest.mark.parametrize("beat", [0.75, 1.5, 2 + 23 / 24, 3 + 47 / 48])
def test_the_later_of_two_notes_at_one_place_has_room_before_the_beat_ends(beat: float) -> None:
    items = [(0, 0.25, 4, 0), (beat, 0.02, 3, 2), (beat, 0.02, 3, 4)]
    again = read_tab(write_tab(make_riff(items), width=400))
    assert [(n.string, n.fret) for n in again.notes] == [(4, 0), (3, 2), (3, 4)]
    first, second = (n.onset_beat or 0.0 for n in again.notes[1:])
    assert beat - 0.02 <= first < second < math.floor(beat) + 1


def test_no_sign_of_a_verdict_is_a_sign_of_the_tab() -> None:
    marks = set("".join(MARKS.values())) - {"."}
    notes = [
        Note(1, 0.0, 0.3, 45, string=5, fret=0, articulation="dead"),
        Note(2, 0.3, 0.6, 57, string=5, fret=12, articulation="harmonic"),
        Note(3, 0.6, 0.9, 60, string=5, fret=15, articulation="hammer-on", tapped=True),
        Note(4, 0.9, 1.2, 62, string=5, fret=17, articulation="bend", bend=Bend(semitones=2)),
        Note(5, 1.2, 1.5, 60, string=5, fret=15, articulation="slide", soft=True),
    ]
    text = write_tab(Riff(notes=tuple(notes), rhythm=Rhythm(100.0)))
    strings = "".join(line for line in text.splitlines() if "|" in line)
    assert not marks - {"-"} & set(strings)
    assert "T15" in strings
    assert "T tapped" in text


@pytest.mark.parametrize(
    ("bend", "written"),
    [
        (Bend(cents=105.0), "7b8-"),
        (Bend(cents=228.0, released=True), "7b9r-"),
        (Bend(cents=55.0), "7b-"),
        (Bend(semitones=0.5), "7b-"),
    ],
)
def test_a_measured_bend_names_the_fret_that_it_comes_near(bend: Bend, written: str) -> None:
    riff = make_riff([(0, 2, 3, 7), (2, 2, 3, 5)])
    note = replace(riff.notes[0], articulation="bend", bend=bend)
    text = write_tab(replace(riff, notes=(note, riff.notes[1])))
    assert f"-{written}" in text
    assert ("r bend let back down" in text) == bend.released
    again = read_tab(text).notes[0].bend or Bend()
    assert again.released == bend.released


def test_a_triplet_count_is_explained_where_it_stands() -> None:
    def counted(parts: int) -> str:
        notes = [
            Note(k + 1, k / parts, (k + 1) / parts, 50 + k, string=4, fret=k, onset_beat=k / parts)
            for k in range(parts)
        ]
        return write_tab(Riff(notes=tuple(notes), rhythm=Rhythm(60.0)))

    assert "1 t l three to a beat" in counted(3)
    assert all("three to a beat" not in counted(parts) for parts in (1, 2, 4))
    assert ". finer parts of a beat" in counted(6)
    assert all("finer parts" not in counted(parts) for parts in (1, 2, 3, 4))


# Handbook shapes (common practice, no source), as string: fret.
_SHAPES = (
    {6: 0, 5: 2, 4: 2, 3: 0, 2: 0, 1: 0},
    {5: 3, 4: 2, 3: 0, 2: 1, 1: 0},
    {6: 3, 5: 2, 4: 0, 3: 0, 2: 0, 1: 3},
    {4: 0, 3: 2, 2: 3, 1: 2},
)


def _loop_twice(*, missed: set[int], stray: int) -> Riff:
    """Four strummed bars, twice, as they are heard: an up stroke reaches what it reaches."""
    reach = itertools.cycle((3, 4, 5))
    instrument, struck = Instrument(), 0
    notes: list[Note] = []
    for bar in range(8):
        for half, way in ((0, "down"), (2, "down"), (3, "up"), (4, "down"), (5, "up"), (7, "up")):
            shape = dict(_SHAPES[bar % 4])
            reached = sorted(shape)[: next(reach)] if way == "up" else sorted(shape)
            for string in reached:
                struck += 1
                if struck in missed:
                    continue
                fret = shape[string] + 12 * (struck == stray)
                beat = 4 * bar + half / 2
                pitch = instrument.pitch_midi(string, fret)
                note = Note(struck, 0.6 * beat, 0.6 * beat + 0.3, pitch, string=string, fret=fret)
                notes.append(replace(note, onset_beat=beat, duration_beat=0.5))
    beats = tuple(0.6 * k for k in range(33))
    return Riff(
        instrument,
        sort_notes(notes),
        rhythm=Rhythm(100.0, (4, 4), beats, beats[::4]),
        timing=Timing("heard"),
    )


def test_strummed_bars_that_are_played_again_are_written_once() -> None:
    """No two strums are alike to the string: four bars that are played twice are four bars, and of
    each that one is written in which every string was heard."""
    riff = _loop_twice(missed={5, 27, 60}, stray=31)
    text = write_tab(riff, repeats=True, width=100)
    rows = [line for line in text.splitlines() if line.startswith("D |")]
    assert len(rows) == 1
    assert rows[0].count("|:") == 1
    assert len(rows[0].split("|")) == 6
    assert "x2" in text
    assert "12" not in rows[0] + "".join(line for line in text.splitlines() if line[1:3] == " |")
    # Every note has its column, also that of a string which is not written.
    columns = [i for system in layout(riff, 100, repeats=True) for i in system.columns]
    assert sorted(columns) == sorted(note.id for note in riff.notes)
    # What is written, and not heard, is the same only where it is the same to the string.
    written = replace(riff, timing=Timing("written"))
    assert "x2" not in write_tab(written, repeats=True, width=100)
