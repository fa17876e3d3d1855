"""The handout as PDF, read back by pypdf: its pages, its words, its fonts, where its lines lie."""

from __future__ import annotations

import dataclasses
import io
import math
import re
import sys
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

import transcribe
from transcribe.command.main import main
from transcribe.core.errors import ParameterError
from transcribe.core.lesson import Lesson, LessonPart
from transcribe.core.riff import Instrument, Mark, Note, Rhythm, Riff
from transcribe.lesson.handout_pdf import handout_pdf
from transcribe.lesson.part_riffs import read_parts

pypdf = pytest.importorskip("pypdf")
pytest.importorskip("dukpy")
pytest.importorskip("svglib")

FIXTURES = Path(__file__).parents[2] / "fixtures"
FERRY = FIXTURES / "lessons" / "ferry"
TRUTH = FIXTURES / "takes" / "mooring" / "truth.riff.json"
MM = 72 / 25.4
FIGURE, FINGER = 0.82 * 3.3, 0.55 * 3.3  # the sizes of a fret and of a finger in the page's drawing
HEIGHT = 297 * MM
ABOVE, BELOW = HEIGHT - 12 * MM, 15 * MM  # what is printed stays between, beside the foot


def read(data: bytes) -> Any:
    return pypdf.PdfReader(io.BytesIO(data))


def words_of(reader) -> str:
    return "\n".join(page.extract_text() for page in reader.pages)


def letters(page, size: float) -> list[str]:
    """What is written at a size of the page's drawing."""
    found = []

    def take(text, _cm, _tm, _font, at_size) -> None:
        if text.strip() and at_size is not None and math.isclose(at_size, size, rel_tol=0.01):
            found.extend(text.split())

    page.extract_text(visitor_text=take)
    return found


def heights(page) -> list[float]:
    """How high above the foot of the page every corner of what is drawn lies, in points."""
    found, stack = [], []
    here = (1.0, 0.0, 0.0, 1.0, 0.0, 0.0)
    for operands, operator in pypdf.generic.ContentStream(page.get_contents(), page.pdf).operations:
        numbers = [float(each) for each in operands if isinstance(each, int | float)]
        if operator == b"q":
            stack.append(here)
        elif operator == b"Q":
            here = stack.pop()
        elif operator == b"cm":
            a, b, c, d, e, f = numbers
            p, q, r, s, t, u = here
            here = (
                a * p + b * r,
                a * q + b * s,
                c * p + d * r,
                c * q + d * s,
                e * p + f * r + t,
                e * q + f * s + u,
            )
        elif operator in (b"m", b"l", b"c"):
            for x, y in zip(numbers[::2], numbers[1::2], strict=True):
                found.append(here[1] * x + here[3] * y + here[5])
        elif operator == b"re":
            x, y, wide, tall = numbers
            corners = [(x, y), (x + wide, y), (x, y + tall), (x + wide, y + tall)]
            found += [here[1] * x + here[3] * y + here[5] for x, y in corners]
    return found


def steady(bars: int, *, per_bar: int = 4, instrument: Instrument | None = None, **given) -> Riff:
    """A scale up and down an open position, so many notes a bar in 4/4 at 120."""
    step = 4 / per_bar
    frets = [0, 1, 3, 4, 3, 1]
    instrument = instrument or Instrument()
    notes = []
    for k in range(bars * per_bar):
        string, fret = 1 + k // 6 % len(instrument.open_midi), frets[k % 6]
        beat = k * step
        notes.append(
            Note(
                id=k + 1,
                onset_sec=beat / 2,
                offset_sec=(beat + step) / 2,
                pitch_midi=instrument.pitch_midi(string, fret),
                string=string,
                fret=fret,
                finger=fret or None,
                onset_beat=beat,
                duration_beat=step,
            )
        )
    beats = tuple(k / 2 for k in range(4 * bars + 1))
    rhythm = Rhythm(beats_sec=beats, bpm=120.0, meter=(4, 4), downbeats_sec=beats[::4])
    return Riff(notes=tuple(notes), rhythm=rhythm, instrument=instrument, **given)


def alone(riff: Riff, title: str = "Steady", **given) -> Any:
    lesson = Lesson(title, (LessonPart("A", "steady.riff.json", title),))
    return read(handout_pdf(lesson, (riff,), **given))


@pytest.fixture(scope="module")
def ferry() -> tuple[Lesson, Sequence[Riff], Any]:
    lesson = transcribe.read_lesson(FERRY / "truth.lesson.json")
    riffs = read_parts(lesson, FERRY)
    return lesson, riffs, read(handout_pdf(lesson, riffs))


def test_the_shipped_lesson_is_two_pages_of_a4_with_its_title(ferry) -> None:
    lesson, _, reader = ferry
    assert len(reader.pages) == 2
    for page in reader.pages:
        assert [float(each) for each in page.mediabox[2:]] == pytest.approx(
            [210 * MM, 297 * MM], abs=0.1
        )
    assert reader.metadata.title == lesson.title == "The ferry"
    assert reader.trailer["/Root"]["/Lang"] == "en"
    text = words_of(reader)
    assert "The ferry · 1 of 2" in text
    assert "The ferry · 2 of 2" in text


def test_its_words_stand_there_part_by_part(ferry) -> None:
    lesson, _, reader = ferry
    lines = [line.strip() for line in words_of(reader).splitlines()]
    assert lines[0] == "The ferry"
    assert "Form: intro, main ×2, verse, lead, verse, main" in lines
    places = [lines.index(part.name) for part in lesson.parts]
    assert places == sorted(places)
    for part in lesson.parts:
        assert part.note in lines
    assert "100 bpm, 4/4; chords: Dm – G" in lines
    # The lesson says where the first two parts begin; the verse begins at 60 % of its tempo.
    plans = [re.findall(r"□\s(\d+)", line) for line in lines if line.startswith("Practise at")]
    assert plans == [
        ["64", "73", "83", "92"],
        ["68", "80", "92", "104"],
        ["60", "75", "90", "100"],
        ["75", "83", "92", "100"],
    ]
    grips = lines[lines.index("Chords") : lines.index("On the neck")]
    assert [each for each in grips if each in ("Dm", "G", "Am")] == ["Dm", "G"]
    assert {"D5", "G5"} <= set(grips)
    assert "D dorian in one position" in lines


def test_its_outline_and_its_form_lead_to_the_page_of_each_part(ferry) -> None:
    lesson, _, reader = ferry
    texts = [page.extract_text().splitlines() for page in reader.pages]

    def stands_on(name: str) -> int:
        return next(k for k, lines in enumerate(texts) if name in map(str.strip, lines))

    names = [part.name for part in lesson.parts]
    outline = {each.title: reader.get_destination_page_number(each) for each in reader.outline}
    assert list(outline) == [*names, "The whole piece", "Chords", "On the neck"]
    assert outline == {name: stands_on(name) for name in outline}
    assert len(set(outline.values())) == 2
    links = [each.get_object() for each in reader.pages[0]["/Annots"]]
    led = [reader.pages.index(link["/Dest"][0].get_object()) for link in links]
    assert led == [stands_on(name) for name in ("intro", "main", "verse", "lead", "verse", "main")]
    # What a reader of the file has in its window's title.
    assert reader.trailer["/Root"]["/ViewerPreferences"]["/DisplayDocTitle"]


def test_every_fret_is_on_paper_once(ferry) -> None:
    _, riffs, reader = ferry
    drawn = Counter(each for page in reader.pages for each in letters(page, FIGURE))
    assert drawn == Counter(str(note.fret) for riff in riffs for note in riff.notes)


def test_all_its_fonts_are_inside_and_have_the_signs() -> None:
    gentle = dataclasses.replace(transcribe.read_riff(TRUTH), theory=None)
    reader = alone(gentle, "F♯, B♭ and Łódź")
    names = set()
    for page in reader.pages:
        for font in page["/Resources"]["/Font"].values():
            descriptor = font.get_object()["/FontDescriptor"]
            assert "/FontFile2" in descriptor
            names.add(str(descriptor["/FontName"]).partition("+")[2])
    assert names <= {
        "DejaVuSansCondensed",
        "DejaVuSansCondensed-Bold",
        "DejaVuSansCondensed-Oblique",
    }
    text = words_of(reader)
    assert "F♯, B♭ and Łódź" in text
    assert "♭7" in text  # on the neck, the degree of A dorian


def test_no_line_of_the_tab_goes_over_the_end_of_a_page() -> None:
    reader = alone(steady(100))
    assert len(reader.pages) >= 3
    numbers = []
    for page in reader.pages[:-1]:
        lines = heights(page)
        assert max(lines) <= ABOVE
        assert min(lines) >= BELOW
        # Each line of the tab has its letters T, A and B, and its bars, on one page.
        marks = Counter(letters(page, 3.2))
        assert marks["T"] == marks["A"] == marks["B"] >= 4
        numbers.append([int(each) for each in letters(page, 2.4)])
    told = [number for page in numbers for number in page]
    assert told == sorted(told)
    assert len(set(told)) == len(told)
    drawn = sum((Counter(letters(page, FIGURE)) for page in reader.pages), Counter())
    assert sum(drawn.values()) == 100 * 4


def test_fingers_are_written_where_they_are_asked_for() -> None:
    riff = steady(4)
    wanted = Counter(str(note.finger) for note in riff.notes if note.finger)
    with_them = alone(riff, fingers=True)
    assert sum((Counter(letters(page, FINGER)) for page in with_them.pages), Counter()) == wanted
    assert not any(letters(page, FINGER) for page in alone(riff).pages)


def test_letter_paper_is_as_large_as_it_should_be() -> None:
    """US Letter is 8.5 by 11 inches (ANSI/ASME Y14.1, size A)."""
    page = alone(steady(8), paper="letter").pages[0]
    assert [float(each) for each in page.mediabox[2:]] == pytest.approx([612, 792], abs=0.1)
    with pytest.raises(ParameterError, match="a4, letter"):
        alone(steady(1), paper="a5")  # type: ignore[arg-type]


def test_signs_that_the_font_lacks_are_told_of() -> None:
    said: list[str] = []
    riff = dataclasses.replace(steady(2), marks=(Mark("section", "序", 1),))
    reader = alone(riff, "港の歌 <b>&", say=said.append)
    text = words_of(reader)
    assert text.splitlines()[0] == "□□□ <b>&"
    assert "[□]" in text
    assert "□□□ <b>& · 1 of 1" in text
    assert reader.metadata.title == "港の歌 <b>&"
    assert len(said) == 1
    assert all(sign in said[0] for sign in "港の歌序")
    said.clear()
    assert "Λιμάνι и якорь" in words_of(alone(steady(2), "Λιμάνι и якорь", say=said.append))
    assert said == []


@pytest.mark.parametrize(
    "riff",
    [
        Riff(notes=(Note(1, 3.0, 3.5, 57, string=3, fret=2),)),
        Riff(notes=(Note(1, 3.0, 3.5, 57),)),
        steady(1, per_bar=40),
        steady(3, instrument=Instrument(open_midi=(43, 38, 33, 28))),
        steady(3, instrument=Instrument(capo=3)),
    ],
    ids=["no bars", "no place", "a bar wider than the page", "four strings", "capo"],
)
def test_odd_riffs_are_drawn_whole(riff: Riff) -> None:
    reader = alone(riff)
    drawn = sum(len(letters(page, FIGURE)) for page in reader.pages)
    assert drawn == len(riff.notes)
    for page in reader.pages:
        assert all(BELOW <= each <= ABOVE for each in heights(page))


def test_words_longer_than_a_page_go_on_on_the_next() -> None:
    part = LessonPart("A", "x.riff.json", "Intro " * 30, note="Let it ring, gently. " * 600)
    reader = read(handout_pdf(Lesson("Long words " * 20, (part,)), (steady(2),)))
    assert words_of(reader).count("gently") == 600
    assert len(reader.pages) >= 3


def test_the_same_lesson_makes_the_same_file() -> None:
    lesson = Lesson("Steady", (LessonPart("A", "steady.riff.json"),))
    assert handout_pdf(lesson, (steady(2),)) == handout_pdf(lesson, (steady(2),))


def test_the_command_writes_it_by_option_or_by_name(tmp_path, capsys) -> None:
    source = tmp_path / "mooring.riff.json"
    source.write_bytes(TRUTH.read_bytes())
    assert main(["handout", str(source), "--pdf"]) == 0
    path = tmp_path / "mooring.handout.pdf"
    assert f"{path} is written" in capsys.readouterr().out
    assert read(path.read_bytes()).metadata.title == "mooring"
    other = tmp_path / "for the wall.pdf"
    assert main(["handout", str(source), "-o", str(other), "--title", "港", "--fingers"]) == 0
    assert "does not have 港" in capsys.readouterr().err
    assert read(other.read_bytes()).metadata.title == "港"
    assert main(["handout", str(source), "--pdf", "-o", str(tmp_path / "x.html")]) == 1
    assert "does not end in .pdf" in capsys.readouterr().err
    assert not (tmp_path / "x.html").exists()


def test_without_the_libraries_one_line_says_what_to_install(tmp_path, capsys, monkeypatch) -> None:
    source = tmp_path / "mooring.riff.json"
    source.write_bytes(TRUTH.read_bytes())
    monkeypatch.setitem(sys.modules, "dukpy", None)
    path = tmp_path / "mooring.handout.pdf"
    path.write_bytes(b"older")
    assert main(["handout", str(source), "--pdf"]) == 1
    told = capsys.readouterr().err.strip().splitlines()
    assert len(told) == 1
    assert "pip install 'handspan[pdf]'" in told[0]
    assert path.read_bytes() == b"older"


def test_a_riff_that_is_gone_leaves_no_file(tmp_path, capsys) -> None:
    lesson = Lesson("Harbour", (LessonPart("A", "gone.riff.json", "Intro"),))
    transcribe.write_lesson(lesson, tmp_path / "harbour.lesson.json")
    assert main(["handout", str(tmp_path / "harbour.lesson.json"), "--pdf"]) == 1
    assert "part 'Intro'" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["harbour.lesson.json"]


def test_what_the_parts_share_stands_there_once(ferry) -> None:
    lesson, riffs, reader = ferry
    text = " ".join(words_of(reader).split())
    assert "It is not D minor: B rules that out." in text
    assert "The chords of verse: | Dm | G |" in text
    for part in lesson.parts:
        assert f"{part.name}: " in text
    # One scale, of the whole; the lead alone would be told as G mixolydian.
    assert text.count("in one position") == 1
    assert "G mixolydian along" not in text
    assert "heavier" in text
    assert "The whole piece" not in words_of(alone(riffs[0]))
