"""Tabs as people write them: names or none, no rhythm, prose between, repeats, other tunings."""

from __future__ import annotations

import itertools
import re
from pathlib import Path

import pytest

from transcribe import finger
from transcribe.core.errors import FormatError
from transcribe.core.riff import Bend, Instrument, Riff
from transcribe.core.wording import sentence
from transcribe.formats.tab.read import read_tab
from transcribe.formats.tab.write import write_tab

PLAIN = """\
Practice for Thursday
Slow and even, let the low string ring!

e|-----------------|-----------------|
B|-----------------|-----------------|
G|-2h4-5---4p2p0---|-7---/9-10~--x---|
D|-0---------------|-0---------------|
A|-----------------|-----------------|
E|-----------------|-----------------|

once more, then rest
"""
PLACES = [
    (3, 2, "picked"),
    (4, 0, "picked"),
    (3, 4, "hammer-on"),
    (3, 5, "picked"),
    (3, 4, "picked"),
    (3, 2, "pull-off"),
    (3, 0, "pull-off"),
    (3, 7, "picked"),
    (4, 0, "picked"),
    (3, 9, "slide"),
    (3, 10, "vibrato"),
    (3, 0, "dead"),
]


def _places(riff: Riff) -> list[tuple[int | None, int | None, str]]:
    """(string, fret, articulation) in order, notes that sound together by string."""
    notes = sorted(riff.notes, key=lambda n: (n.onset_sec, n.string or 0))
    return [(n.string, n.fret, n.articulation) for n in notes]


def test_no_rhythm_is_order_only() -> None:
    riff = read_tab(PLAIN)
    assert _places(riff) == PLACES
    assert riff.rhythm is None
    assert riff.timing.kind == "order"
    assert all(n.onset_beat is None for n in riff.notes)
    assert riff.instrument == Instrument()
    onsets = [n.onset_sec for n in riff.notes]
    assert onsets == sorted(onsets)


@pytest.mark.parametrize(
    "change",
    [
        lambda t: t.replace("\n", "\r\n"),
        lambda t: t.replace("e|", "E|"),
        lambda t: t.lower().replace("2h4", "2H4"),
        lambda t: "\n".join(
            line[1:] if line[:2] in ("e|", "B|", "G|", "D|", "A|", "E|") else line
            for line in t.splitlines()
        ),
        lambda t: "\n".join(
            line[2:].replace("|", "") if line[1:2] == "|" else line for line in t.splitlines()
        ),
        lambda t: t.replace("-", "–"),
        lambda t: t.replace("-", "—").replace("|", "│"),
        lambda t: t.replace("e|", "e |").replace("B|", "B  |"),
        lambda t: t.replace("e|", "  e|").replace("B|", "\tB|"),
        lambda t: re.sub(r"(?m)^([eBGDAE])\|", r"\1:", t),
        lambda t: re.sub(r"(?m)^([eBGDAE])\|", r"\1||", t),
        lambda t: t.replace("\nD|-0", "\nthe drone:\nD|-0"),
        lambda t: t.replace("\n", "   \n"),
        lambda t: "\ufeff" + t,
    ],
    ids=[
        "crlf",
        "capital",
        "lower",
        "no names",
        "no bars",
        "en dashes",
        "box drawing",
        "spaces",
        "indented",
        "colons",
        "double bars",
        "comment inside",
        "trailing spaces",
        "byte order mark",
    ],
)
def test_ways_of_writing_the_same(change: object, tmp_path: Path) -> None:
    assert callable(change)
    path = tmp_path / "tab.txt"
    text = change(PLAIN)
    path.write_bytes(text.encode("utf-8"))
    assert _places(read_tab(path)) == PLACES


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_encodings(encoding: str, tmp_path: Path) -> None:
    path = tmp_path / "tab.txt"
    path.write_bytes(PLAIN.replace("Thursday", "Thursday, é").encode(encoding))
    assert _places(read_tab(path)) == PLACES


@pytest.mark.parametrize(
    ("signs", "places"),
    [
        ("-7h9--", [(7, "picked"), (9, "hammer-on")]),
        ("-7-h-9", [(7, "picked"), (9, "hammer-on")]),
        ("-9p7--", [(9, "picked"), (7, "pull-off")]),
        ("-7/9--", [(7, "picked"), (9, "slide")]),
        ("-9\\7--", [(9, "picked"), (7, "slide")]),
        ("-7s9--", [(7, "picked"), (9, "slide")]),
        ("--/9--", [(9, "slide")]),
        ("-7~---", [(7, "vibrato")]),
        ("-7~~~-", [(7, "vibrato")]),
        ("-7v---", [(7, "vibrato")]),
        ("-7b---", [(7, "bend")]),
        ("-7b9--", [(7, "bend")]),
        ("-7b(9)-", [(7, "bend")]),
        ("-7b9r7-", [(7, "bend")]),
        ("-7^---", [(7, "bend")]),
        ("-<12>-", [(12, "harmonic")]),
        ("-[12]-", [(12, "harmonic")]),
        ("-12*--", [(12, "harmonic")]),
        ("-x-X--", [(0, "dead"), (0, "dead")]),
        ("-(7)--", [(7, "picked")]),
        ("-5t12-", [(5, "picked"), (12, "hammer-on")]),
        ("-10-12", [(10, "picked"), (12, "picked")]),
        ("10h12p10", [(10, "picked"), (12, "hammer-on"), (10, "pull-off")]),
        ("-7===-", [(7, "picked")]),
    ],
)
def test_signs(signs: str, places: list[tuple[int, str]]) -> None:
    blank = "-" * (len(signs) + 3)
    rows = [f"e|{blank}|", f"B|{signs}---|", *(f"{n}|{blank}|" for n in "GDAE")]
    riff = read_tab("\n".join(rows) + "\n")
    assert [(n.fret, n.articulation) for n in riff.notes] == places
    assert {n.string for n in riff.notes} == {2}


def test_bend_keeps_its_height() -> None:
    rows = ["e|-7b9r7-5b---|", *(f"{n}|-----------|" for n in "BGDAE")]
    first, second = read_tab("\n".join(rows)).notes
    assert first.bend == Bend(semitones=2, released=True)
    assert second.bend is None


def test_chords_sound_together_also_where_digits_are_wide() -> None:
    riff = read_tab(
        "e|-10---8-|\nB|--9--10-|\nG|------9-|\nD|--------|\nA|-12-----|\nE|--------|\n"
    )
    onsets: dict[float, list[tuple[int | None, int | None]]] = {}
    for note in riff.notes:
        onsets.setdefault(note.onset_sec, []).append((note.string, note.fret))
    assert [sorted(group) for group in onsets.values()] == [
        [(1, 10), (2, 9), (5, 12)],
        [(1, 8), (2, 10), (3, 9)],
    ]


@pytest.mark.parametrize(
    ("head", "names", "open_midi"),
    [
        ("Tuning: D A D G B E", "eBGDAD", (64, 59, 55, 50, 45, 38)),
        ("tuning: dadgad", "------", (62, 57, 55, 50, 45, 38)),
        ("Tuning: drop D", "------", (64, 59, 55, 50, 45, 38)),
        ("Drop D tuning", "------", (64, 59, 55, 50, 45, 38)),
        ("Tuned to DGDGBD", "------", (62, 59, 55, 50, 43, 38)),
        ("Tuning: Eb Ab Db Gb Bb Eb", "------", (63, 58, 54, 49, 44, 39)),
        ("Tuning: EbAbDbGbBbEb", "------", (63, 58, 54, 49, 44, 39)),
        ("half step down", "------", (64, 59, 55, 50, 45, 40)),
        ("Tuning: half step down", "------", (63, 58, 54, 49, 44, 39)),
        ("Tuning: E2 A2 D3 G3 B3 E4", "------", (64, 59, 55, 50, 45, 40)),
        ("Tuning: E4 B3 G3 D3 A2 E2", "------", (64, 59, 55, 50, 45, 40)),
        ("", "eBGDAE", (64, 59, 55, 50, 45, 40)),
        ("", "dAGDAD", (62, 57, 55, 50, 45, 38)),
        ("", "dBGDGD", (62, 59, 55, 50, 43, 38)),
        ("", "GDAE", (43, 38, 33, 28)),
        ("", "GDAEB", (43, 38, 33, 28, 23)),
        ("", "AECG", (69, 64, 60, 67)),
        ("", "eBGDAEB", (64, 59, 55, 50, 45, 40, 35)),
        ("", "eBF#DAE", (64, 59, 54, 50, 45, 40)),
    ],
)
def test_tunings(head: str, names: str, open_midi: tuple[int, ...]) -> None:
    called = [n.strip("-") for n in re.findall(r"-|[A-Ga-g]#?", names)]
    rows = [f"{n}|--0--5--3--0--|" for n in called]
    riff = read_tab("\n".join([head, "", *rows]) + "\n")
    assert riff.instrument.open_midi == open_midi


def test_lowest_string_on_top_is_turned_over() -> None:
    text = "\n".join(f"{n}|--{i}-----|" for i, n in enumerate("EADGBe"))
    riff = read_tab(text + "\n")
    assert riff.instrument.open_midi == (64, 59, 55, 50, 45, 40)
    assert {(n.string, n.fret) for n in riff.notes} == {(6 - i, i) for i in range(6)}


@pytest.mark.parametrize(
    ("head", "capo"),
    [("Capo 2", 2), ("capo: 3rd fret", 3), ("Capo on fret 5", 5), ("no capo", 0), ("", 0)],
)
def test_capo(head: str, capo: int) -> None:
    riff = read_tab(head + "\n" + PLAIN)
    assert riff.instrument.capo == capo
    assert riff.notes[0].pitch_midi == 50 + capo


def test_count_under_the_strings_gives_rhythm() -> None:
    text = PLAIN.replace("\n\nonce", "\n  1 & 2 & 3 & 4 &   1 & 2 & 3 & 4 &\n\nonce").replace(
        "/9-", "9--"
    )
    riff = read_tab("Tempo: 80 bpm\n" + text)
    assert riff.rhythm is not None
    assert riff.rhythm.bpm == 80
    assert riff.rhythm.meter == (4, 4)
    beats = [n.onset_beat for n in riff.notes if n.string == 3]
    assert beats[:6] == [0.0, 0.5, 1.0, 2.0, 2.5, 3.0]
    assert [n.onset_beat for n in riff.notes if n.string == 4] == [0.0, 4.0]


def test_count_in_sixteenths_and_triplets() -> None:
    rows = ["e|-0-1-3-1-0---3---|", *(f"{n}|-----------------|" for n in "BGDAE")]
    riff = read_tab("\n".join([*rows, "   1 e & a 2   3"]))
    assert [n.onset_beat for n in riff.notes] == [0.0, 0.25, 0.5, 0.75, 1.0, 2.0]


@pytest.mark.parametrize(
    ("text", "frets"),
    [
        ("e|-1-2-| x2\nB|-----|\nG|-----|\nD|-----|\nA|-----|\nE|-----|\n", [1, 2, 1, 2]),
        ("e|-1-2-| (x3)\nB|-----|\nG|-----|\nD|-----|\nA|-----|\nE|-----|\n", [1, 2] * 3),
        ("e|-1-2-|  2x\nB|-----|\nG|-----|\nD|-----|\nA|-----|\nE|-----|\n", [1, 2] * 2),
        (
            "e|:-1-2-:|-3-|\nB|:-----:|---|\nG|:-----:|---|\n"
            "D|:-----:|---|\nA|:-----:|---|\nE|:-----:|---|\n",
            [1, 2, 1, 2, 3],
        ),
        (
            "e|-3-||:-1-2-:||-3-|\nB|---||:-----:||---|\nG|---||:-----:||---|\n"
            "D|---||:-----:||---|\nA|---||:-----:||---|\nE|---||:-----:||---|\n",
            [3, 1, 2, 1, 2, 3],
        ),
        (
            "e|--1-2--|-3-|\nB|-------|---|\nG|*-----*|---|\n"
            "D|*-----*|---|\nA|-------|---|\nE|-------|---|\n",
            [1, 2, 1, 2, 3],
        ),
    ],
    ids=["x2", "(x3)", "2x", "|: :|", "||: :||", "dots"],
)
def test_repeats(text: str, frets: list[int]) -> None:
    assert [n.fret for n in read_tab(text).notes] == frets


def _systems(*rows: str) -> str:
    """Systems with the frets of a row on string 5, and beside string 1 what follows a space."""
    lines = []
    for row in rows:
        frets, _, beside = row.partition(" ")
        empty = re.sub(r"[^|:]", "-", frets)
        lines += [f"e{empty} {beside}".rstrip(), *(f"{n}{empty}" for n in "BGD"), f"A{frets}"]
        lines += [f"E{empty}", ""]
    return "\n".join(lines)


@pytest.mark.parametrize(
    ("rows", "frets", "told"),
    [
        (("|-1-|-2-|", "|-3-|-4-| x2"), [1, 2, 3, 4, 3, 4], True),
        (("|-1-|-2-| x2", "|-3-|-4-|"), [1, 2, 1, 2, 3, 4], False),
        (("|-1-|-2-| x3", "|-3-|-4--| x2"), [1, 2] * 3 + [3, 4] * 2, False),
        (("|:-1-|-2-|", "|-3-|-4-| x2"), [1, 2, 3, 4] * 2, False),
        (("|:-1-|-2-|", "|-3-|-4-:| x3"), [1, 2, 3, 4] * 3, False),
        (("|:-1-:|-2-| x2",), [1, 1, 2, 2], False),
        (("|:-1-:|:-2-:| x3",), [1, 1, 2, 2, 2], False),
    ],
)
def test_a_count_after_a_line_repeats_from_its_sign_or_the_line(
    rows: tuple[str, ...], frets: list[int], told: bool
) -> None:
    riff = read_tab(_systems(*rows))
    assert [n.fret for n in riff.notes] == frets
    assert [r.facts["bar"] for r in riff.warnings if r.kind == "tab-line-repeated"] == [3] * told


def test_a_line_full_of_dead_notes_or_vibrato_is_a_string() -> None:
    riff = read_tab(_systems("|xxxxxxxxxxxxxx|-7~~~~~~~~~~~|"))
    assert [n.articulation for n in riff.notes] == ["dead"] * 14 + ["vibrato"]


@pytest.mark.parametrize(
    "row", ["|-5---h---7-|10|", "|-5--h7-|10|", "|-5h--|-7-|10|", "|-5tr7--|10|"]
)
def test_a_hammer_sign_may_stand_away_from_its_notes(row: str) -> None:
    notes = read_tab(_systems(row)).notes
    assert [(n.fret, n.articulation) for n in notes] == [
        (5, "picked"),
        (7, "hammer-on"),
        (10, "picked"),
    ]


def test_chord_symbols_above() -> None:
    text = PLAIN.replace("\ne|", "\n  Dm                G\ne|")
    riff = read_tab(text)
    assert riff.theory is not None
    assert [c["symbol"] for c in riff.theory["chords"]] == ["Dm", "G"]


def test_a_chord_symbol_near_the_first_beat_holds_from_it() -> None:
    rows = ("e|----------------|----------------|", "B|-1---1---1---1--|-0---0---0---0--|")
    riff = read_tab("     Am             G     Em\n" + "\n".join(rows) + "\n")
    assert [(mark.text, mark.note) for mark in riff.marks] == [("Am", 1), ("G", 5), ("Em", 7)]


def test_prose_above_is_no_chord() -> None:
    riff = read_tab(PLAIN.replace("\ne|", "\nA short riff\ne|"))
    assert riff.theory is None


def test_rules_and_prose_with_dashes_are_no_strings() -> None:
    riff = read_tab("A well-known warm-up - slow\n" + "-" * 40 + "\n\n" + PLAIN + "\n" + "=" * 40)
    assert _places(riff) == PLACES


def test_frets_over_22_lengthen_the_neck() -> None:
    riff = read_tab(PLAIN.replace("10~", "24-"))
    assert riff.instrument.frets == 24


def test_people_s_tab_becomes_an_own_one() -> None:
    text = write_tab(read_tab(PLAIN))
    again = read_tab(text)
    assert _places(again) == PLACES
    assert write_tab(again) == text


def test_two_systems_without_a_blank_line() -> None:
    system = "\n".join(f"{n}|--{i}--|" for i, n in enumerate("eBGDAE"))
    assert len(read_tab(system + "\n" + system + "\n").notes) == 12


@pytest.mark.parametrize(
    ("head", "meter", "bpm"),
    [
        ("Bar riff, 4/4, 100bpm", (4, 4), 100.0),
        ("Song in 3/4 time", (3, 4), None),
        ("tempo 88 3/4", (3, 4), 88.0),
        ("Slow, 60bpm, 3/4", (3, 4), 60.0),
        ("q=88, 3/4", (3, 4), 88.0),
        ("♩ = 70, 4/4", (4, 4), 70.0),
        ("Swell, 6/8, 60 bpm dotted quarter", (6, 8), 180.0),
        ("dotted quarter = 60 in 6/8", (6, 8), 180.0),
        ("♩. = 60, 6/8", (6, 8), 180.0),
        ("6/8, eighth = 120", (6, 8), 120.0),
        ("quarter note = 60, 6/8", (6, 8), 120.0),
        ("half note = 50, 4/4", (4, 4), 100.0),
        ("common time", (4, 4), None),
        ("written on 3/4/2024", None, None),
        ("play it at 3/4 speed, then slide 2/4", None, None),
    ],
)
def test_meter_and_tempo_anywhere_above_the_strings(
    head: str, meter: tuple[int, int] | None, bpm: float | None
) -> None:
    # A metronome mark counts the note value it names: Gould, Behind Bars (2011), from memory.
    timing = read_tab(f"{head}\n{PLAIN}").timing
    assert timing.meter_given is (meter is not None)
    assert timing.meter == (meter or (4, 4))
    bar_sec = timing.bars_sec[1] - timing.bars_sec[0]
    assert bar_sec == pytest.approx((meter or (4, 4))[0] * 60.0 / (bpm or 120.0), abs=1e-5)


def test_meter_and_tempo_of_a_tab_without_bar_lines() -> None:
    rows = "".join(f"{name}|--0-2-3-0-2-3-0-2-----\n" for name in "eBGDAE")
    riff = finger(read_tab("6/8, dotted quarter = 60\n" + rows))
    assert riff.rhythm is not None
    assert (riff.rhythm.meter, riff.rhythm.bpm) == ((6, 8), 180.0)
    assert not {"tab-no-meter", "tempo-taken"} & {warning.kind for warning in riff.warnings}


@pytest.mark.parametrize(
    ("head", "semitones"),
    [
        ("tuned down half a step", 1),
        ("Tune down 1/2 step", 1),
        ("tuned a full step lower", 2),
        ("Eb tuning", 1),
        ("E flat tuning, 4/4", 1),
        ("guitar tuned a whole step down", 2),
    ],
)
@pytest.mark.parametrize("names", ["eBGDAE", "GDAE"])
def test_tunings_that_lower_all_strings(head: str, semitones: int, names: str) -> None:
    rows = [f"{n}|--0--5--3--0--|" for n in names]
    plain = read_tab("\n".join(["", *rows]) + "\n").instrument.open_midi
    lowered = read_tab("\n".join([head, "", *rows]) + "\n").instrument.open_midi
    assert lowered == tuple(m - semitones for m in plain)


def test_a_tempo_beside_no_capo_is_no_fret() -> None:
    for head in ("no capo, 120 bpm", "capo, 4/4"):
        assert read_tab(f"{head}\n{PLAIN}").instrument.capo == 0


BARS = """\
Gangplank, 4/4

e|-----0-----0---|-----1-----1---|---------------|-----3-----3---|
B|---1---1-----1-|---1---1-----1-|---------------|---0---0-----0-|
G|---------------|---------------|---------------|---------------|
D|---------------|---------------|---------------|---------------|
A|-3-------3-----|---------------|---------------|---------------|
E|---------------|-1-------1-----|---------------|-3-------3-----|
   1 & 2 & 3 & 4 &
"""


@pytest.mark.parametrize("tail", ["", " 1 & 2 & 3 & 4 &", "   (count it!)"])
def test_a_count_under_the_first_bars_holds_for_the_others(tail: str) -> None:
    lines = BARS.splitlines()
    counted = lines[-1].rstrip() + tail
    riff = read_tab("\n".join([*lines[:-1], counted, ""]))
    beats = [n.onset_beat for n in riff.notes]
    first = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0]
    assert [b for b in beats if b is not None and b < 4] == [0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0]
    for bar in (1, 3):
        inside = [(b or 0.0) - 4 * bar for b in beats if 4 * bar <= (b or 0.0) < 4 * bar + 4]
        assert inside == [b / 2 for b in first]
    assert len(beats) == 21  # bar 3 is a bar of rest
    assert riff.rhythm is not None
    assert len(riff.rhythm.downbeats_sec) == 5


def test_a_narrow_first_bar_without_a_count_is_a_pickup() -> None:
    bars = ("-2-4-", "-0---2---4---2---", "-0---------------")
    rows = [
        f"{n}|" + "|".join(b if n == "D" else "-" * len(b) for b in bars) + "|" for n in "eBGDAE"
    ]
    riff = read_tab("\n".join([*rows, "         1 & 2 & 3 & 4 &", ""]))
    assert riff.rhythm is not None
    assert [n.onset_beat for n in riff.notes] == [-1.0, -0.5, 0.0, 1.0, 2.0, 3.0, 4.0]


def test_a_system_without_a_count_takes_that_of_another() -> None:
    system = "\n".join(f"{n}|-{i}-{i}---------|" for i, n in enumerate("eBGDAE"))
    riff = read_tab(f"{system}\n   1 & 2 & 3 &\n\n{system}\n")
    assert riff.rhythm is not None
    assert sorted({n.onset_beat or 0.0 for n in riff.notes}) == [0.0, 0.5, 3.0, 3.5]


def test_signs_a_column_beside_the_count_are_on_it() -> None:
    path = Path(__file__).parents[2] / "fixtures" / "tabs" / "halyard-chords.txt"
    riff = read_tab(path)
    assert riff.rhythm is not None
    assert riff.rhythm.meter == (4, 4)
    bass = [(n.onset_beat, n.pitch_midi) for n in riff.notes if n.string in (5, 6)]
    assert [beat for beat, _ in bass] == [0.0, 2.0, 4.0, 6.0, 8.0, 10.0, 12.0, 14.0]
    assert all((n.onset_beat or 0.0) * 2 % 1 == 0 for n in riff.notes)


def test_a_line_with_a_count_is_played_as_often_as_is_said_beside_it() -> None:
    rows = ["e|-1-2-| x3", *(f"{n}|-----|" for n in "BGDAE")]
    riff = read_tab("\n".join([*rows, "   1 2  ", ""]))
    assert riff.rhythm is None  # two marks are no count
    rows = ["e|-1-2-3-| x3", *(f"{n}|-------|" for n in "BGDAE")]
    riff = read_tab("\n".join([*rows, "   1 2 3", ""]))
    assert riff.rhythm is not None
    assert [n.fret for n in riff.notes] == [1, 2, 3] * 3


@pytest.mark.parametrize("words", ["x2", "play that twice, then:", "(3x)", "repeat 4 times"])
def test_repeats_in_words_are_told_not_dropped(words: str) -> None:
    told = [sentence(w) for w in read_tab(f"{PLAIN}\n{words}\n").warnings]
    assert any(f'says "{words}"' in remark for remark in told)
    assert not any("says" in sentence(w) for w in read_tab(BARS).warnings)


def test_a_fret_right_after_the_name_of_its_string() -> None:
    rows = [f"{n}{'0--12---' if n == 'A' else '--------'}" for n in "eBGDAE"]
    assert [(n.string, n.fret) for n in read_tab("\n".join(rows) + "\n").notes] == [(5, 0), (5, 12)]


def test_strings_without_notes_are_no_tab() -> None:
    text = "\n".join(f"{n}|--------|" for n in "eBGDAE")
    with pytest.raises(FormatError, match=r"tab:1: found strings without notes, expected frets"):
        read_tab(text + "\n")


def test_a_count_that_is_shifted_by_a_column_is_pointed_out() -> None:
    text = "\n".join(f"{n}|-{'0-2-4-5' if n == 'D' else '-------'}-|" for n in "eBGDAE")
    straight, shifted = (read_tab(f"{text}\n{' ' * lead}1 2 3 4\n") for lead in (3, 4))
    assert [n.onset_beat for n in shifted.notes] == [n.onset_beat for n in straight.notes]
    assert "count-shifted" not in {remark.kind for remark in straight.warnings}
    (remark,) = (r for r in shifted.warnings if r.kind == "count-shifted")
    assert remark.facts == {"line": 7}


def _shares(text: str) -> list[list[float]]:
    """Where the notes of each bar stand in it, as shares of the bar."""
    riff = read_tab(text)
    bars = riff.timing.bars_sec
    return [
        sorted(
            {
                round((n.onset_sec - a) / (b - a), 4)
                for n in riff.notes
                if a <= n.onset_sec + 1e-6 < b
            }
        )
        for a, b in itertools.pairwise(bars)
    ]


def _lines(body: str, string: str = "E") -> str:
    """A system with ``body`` on one string."""
    blank = re.sub(r"[^|:]", "-", body)
    return "\n".join(f"{n}|{body if n == string else blank}" for n in "eBGDAE") + "\n"


FROM_THE_BEAT = "0---0---0---0---|0---0---0---0---|"
AFTER_A_DASH = "-0---0---0---0---|-0---0---0---0---|"
OFF_THE_BEAT = "--0---0---0---0-|--0---0---0---0-|"
BEATS = [0.0, 0.25, 0.5, 0.75]


@pytest.mark.parametrize("join", ["\n", ""], ids=["two systems", "one system"])
@pytest.mark.parametrize(
    ("first", "second", "shares"),
    [
        (FROM_THE_BEAT, AFTER_A_DASH, [BEATS] * 4),
        (AFTER_A_DASH, FROM_THE_BEAT, [BEATS] * 4),
        (FROM_THE_BEAT, OFF_THE_BEAT, [BEATS] * 2 + [[0.125, 0.375, 0.625, 0.875]] * 2),
        (
            AFTER_A_DASH,
            "-----0---0---0---|---0---0---0---0-|",
            [BEATS] * 2 + [BEATS[1:], [0.125, 0.375, 0.625, 0.875]],
        ),
    ],
    ids=["then a dash", "a dash first", "off the beat", "rests after a dash"],
)
def test_a_dash_after_the_bar_line_is_judged_by_bar(
    first: str, second: str, shares: list[list[float]], join: str
) -> None:
    text = f"{_lines(first)}\n{_lines(second)}" if join else _lines(first + second)
    assert _shares(text) == shares


def test_a_dash_after_one_bar_line_is_seen_in_three_four_too() -> None:
    assert _shares("3/4\n\n" + _lines("3---0---0---|-3---0---0---|")) == [[0.0, 0.3333, 0.6667]] * 2
    riff = read_tab(_lines("3---0---0---|-3---0---0---|-3---0---0---|"))
    assert riff.timing.meter == (3, 4)
    repeated = _lines("3---0---0---|-3---0---0---:|").replace("|3", "|:3")
    repeated = re.sub(r"(?m)^(\w)\|-", r"\1|:-", repeated)
    assert _shares("3/4\n\n" + repeated) == [[0.0, 0.3333, 0.6667]] * 4


@pytest.mark.parametrize(
    ("bar", "meter"),
    [
        ("-3---3---3-|", (3, 4)),
        ("3---3---3-|", (3, 4)),
        ("-3-----3-----3-|", (3, 4)),
        ("-3---3---3---3-|", (4, 4)),
        ("3---3---3---3|", (4, 4)),
        ("-0--0--0--0-|", (4, 4)),
        ("0--0--0--0--0--0--0--0|", (4, 4)),
    ],
)
def test_the_gap_before_a_bar_line_may_be_cut_short(bar: str, meter: tuple[int, int]) -> None:
    signs = sum(c.isdigit() for c in bar)
    riff = read_tab(_lines(bar * 3))
    assert riff.timing.meter == meter
    assert _shares(_lines(bar * 3)) == [[round(k / signs, 4) for k in range(signs)]] * 3
