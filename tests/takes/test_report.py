"""The report as text and as a page."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser
from xml.etree import ElementTree

import pytest

from tests.takes.helpers import later, played, reference, take
from transcribe.core.errors import ParameterError
from transcribe.core.riff import Note, Riff, Source, Timing
from transcribe.takes import Comparison, compare, report
from transcribe.takes.plots import bars_of, draw_bar, draw_drone, draw_timing
from transcribe.takes.summary import figures_of


@pytest.fixture
def slips() -> Comparison:
    """A take with one of each: wrong, missed, extra, late, and a drone that is not struck."""
    riff = reference(repeats=2)
    notes = played(riff, ratio=0.95)
    by_place = {(n.string, n.onset_beat): i for i, n in enumerate(riff.notes)}
    wrong, late = by_place[4, 1.5], by_place[4, 6.0]
    notes[wrong] = replace(notes[wrong], pitch_midi=notes[wrong].pitch_midi + 2)
    notes[late] = later([notes[late]], 0.13)[0]
    gone = {by_place[4, 3.5], by_place[5, 9.0], by_place[5, 10.0]}
    kept = [n for i, n in enumerate(notes) if i not in gone]
    kept.append(Note(999, 7.77, 7.9, 71))
    found = replace(take(kept), source=Source("mooring <tuesday>.m4a"))
    return compare(found, replace(riff, source=Source("mooring.riff.json")))


def test_marks_stand_under_their_notes(slips: Comparison) -> None:
    text = report.text(slips, width=100)
    lines = text.splitlines()
    strings = next(i for i, line in enumerate(lines) if line.startswith("D "))
    marks = lines[strings + 3]
    wrong = next(r for r in slips.notes if r.verdict == "wrong")
    assert wrong.reference is not None
    fret = str(slips.reference.notes[wrong.reference].fret)
    column = marks.index("*")
    assert lines[strings][column : column + len(fret)] == fret
    # Every system has its own row of marks, the second line under the last string.
    rows = [lines[i + 3] for i, line in enumerate(lines) if line.startswith("D |")]
    drawn = "".join(rows).replace(" ", "")
    assert {sign: drawn.count(sign) for sign in "*_}"} == {"*": 1, "_": 3, "}": 1}
    assert drawn.count(".") == len(columns_of(slips)) - 5


def columns_of(comparison: Comparison) -> set[float | None]:
    """The moments of the reference, each a column of the tab."""
    return {n.onset_beat for n in comparison.reference.notes}


def test_text_says_what_went_wrong_and_what_to_practise(slips: Comparison) -> None:
    text = report.text(slips)
    assert "wrong 1" in text
    assert "missed 3" in text
    assert "extra 1" in text
    assert "2 frets too high on string 4" in text
    assert re.search(r"\d+ ms late", text)
    assert "not struck" in text
    assert "Practise, the most useful first:" in text
    assert "  1. Bar 3, from 71 bpm" in text
    assert "- beats 2 and 3: string 5 open (A2) is missing, strike the drone too" in text
    assert "Marks:" in text


def test_a_drone_that_is_never_struck_is_told_in_one_line() -> None:
    riff = reference(repeats=2)
    kept = [n for n in played(riff) if n.pitch_midi != 45 or n.onset_sec < 1.0]
    told = report.details(compare(take(kept), riff))
    assert told == ["_ string 5 open (A2): was not played, 15 times in bars 1 to 4"]


@pytest.mark.parametrize("width", [40, 60, 80, 120])
def test_text_keeps_to_its_width(slips: Comparison, width: int) -> None:
    assert max(len(line) for line in report.text(slips, width=width).splitlines()) <= width


def test_text_refuses_a_width_that_no_tab_fits(slips: Comparison) -> None:
    with pytest.raises(ParameterError, match="width is 10"):
        report.text(slips, width=10)


def test_a_faultless_take_gets_no_practice_plan() -> None:
    riff = reference()
    text = report.text(compare(take(played(riff)), riff))
    assert "100 %" in text
    assert "Practise" not in text


def test_the_plan_names_the_worst_bars_first(slips: Comparison) -> None:
    assert 1 <= len(slips.practice) <= 3
    for line in slips.practice:
        assert line.bar is not None
        assert line.steps
        assert line.tempo_bpm is not None
        assert line.tempo_bpm < (slips.summary.tempo_bpm or 0)
        low, high = line.reference
        beats = [slips.reference.notes[k].onset_beat or 0.0 for k in range(low, high + 1)]
        assert all((line.bar - 1) * 4 <= b < line.bar * 4 for b in beats)
    weights = [sum(line.errors.values()) for line in slips.practice]
    assert weights[0] == max(weights)


class _Tags(HTMLParser):
    """Checks nesting and gathers what a screen reader needs."""

    VOID = frozenset({"meta", "br", "hr", "img", "link", "input"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_page_is_whole_and_stands_alone(slips: Comparison) -> None:
    page = report.html(slips)
    tags = _Tags()
    tags.feed(page)
    assert tags.open == []
    names = [tag for tag, _ in tags.seen]
    assert "script" not in names
    assert "link" not in names
    assert names.count("main") == names.count("h1") == 1
    assert not re.search(r'(?:src|href)="|url\(|https?://', page)
    assert tags.seen[0] == ("html", {"lang": "en"})
    ids = [attrs["id"] for _, attrs in tags.seen if "id" in attrs]
    assert len(ids) == len(set(ids))
    for tag, attrs in tags.seen:
        if tag == "svg":
            assert attrs["role"] == "img"
            assert attrs["aria-label"]
        if "aria-labelledby" in attrs:
            assert attrs["aria-labelledby"] in ids
        if attrs.get("class") == "scroll":
            assert attrs["tabindex"] == "0"
            assert attrs["aria-label"]


def test_page_escapes_the_names_of_files(slips: Comparison) -> None:
    page = report.html(slips)
    assert "<tuesday>" not in page
    assert "mooring &lt;tuesday&gt;.m4a" in page


def test_page_tells_state_by_signs_and_words(slips: Comparison) -> None:
    page = report.html(slips)
    for sign, words in (("*", "another pitch was played"), ("_", "was not played")):
        assert f">{sign}</span> {words}" in page
    assert '<text class="mark wrong"' in page
    assert '<path class="dot late"' in page


def test_every_drawing_is_well_formed(slips: Comparison) -> None:
    bars = bars_of(slips)
    assert [bar.label for bar in bars] == ["bar 1", "bar 2", "bar 3", "bar 4"]
    assert slips.drone is not None
    verdicts = {
        slips.reference.notes[r.reference].id: r.verdict
        for r in slips.notes
        if r.reference is not None
    }
    drawings = [draw_bar(bar, slips, verdicts) for bar in bars]
    drawings += [draw_timing(slips), draw_drone(slips.drone)]
    for drawing in drawings:
        root = ElementTree.fromstring(drawing)
        assert float(root.attrib["width"]) > 0
    frets = sum(drawing.count('class="fret') for drawing in drawings)
    assert frets == len(slips.reference.notes)


def test_order_only_reference_is_drawn_without_bars() -> None:
    riff = reference(drone=False)
    tab = Riff(
        notes=tuple(replace(n, onset_beat=None, duration_beat=None) for n in riff.notes),
        timing=Timing("order"),
    )
    comparison = compare(take(played(riff)), tab)
    assert "no rhythm" in report.text(comparison)
    assert "from stroke 9" in report.html(comparison)
    assert "Early and late" not in report.html(comparison)


def test_reports_of_an_empty_take() -> None:
    comparison = compare(Riff(), reference())
    text = report.text(comparison)
    assert text == "The take holds no notes; nothing is kept as progress.\n"
    assert text.strip() in report.html(comparison)


def test_progress_shows_in_both_reports(slips: Comparison) -> None:
    now = figures_of(slips)
    old = replace(now, right_share=0.5, when="2026-01-02T10:00:00+00:00", take="monday.wav")
    assert "Since the take of 2026-01-02: right 50 % ->" in report.text(slips, previous=old)
    page = report.html(slips, history=(old,))
    assert "monday.wav" in page
    assert "Since the last take" in page


def test_reference_without_places_on_the_neck() -> None:
    riff = reference(drone=False)
    bare = replace(riff, notes=tuple(replace(n, string=None, fret=None) for n in riff.notes))
    notes = played(riff)
    notes[3] = replace(notes[3], pitch_midi=notes[3].pitch_midi + 1)
    comparison = compare(take(notes), bare)
    text = report.text(comparison)
    assert "no places on the neck" in text
    assert ": played D#4 instead of D4" in text
    assert "16 notes have no place on the neck" in report.html(comparison)


def test_json_has_fields_beside_the_words(slips: Comparison) -> None:
    value = report.as_json(slips)
    for line, found in zip(value["practice"], slips.practice, strict=True):
        assert line["bars"] == list(found.bars)
        assert line["listen_for"] == "; ".join(line["steps"])
    wrong = next(row for row in value["notes"] if row["verdict"] == "wrong")
    assert wrong["words"].endswith(wrong["played"]["where"])
    assert value["headline"][0].startswith("Right: ")


def test_the_page_in_the_browser_shows_the_drawings_of_the_report(slips: Comparison) -> None:
    page = report.html(slips)
    drawings = report.drawings(slips)
    assert set(drawings) == {"timing", "drone"}
    assert all(drawing in page for drawing in drawings.values())
