"""The handout in a browser: from the file system, without a network, on paper."""

from __future__ import annotations

import base64
import json
import re
from pathlib import Path

import numpy as np
import pytest

import transcribe
from tests.page.conftest import violations
from tests.sound.test_slowing import attack_sec
from transcribe.audio import read_audio
from transcribe.audio.recording import resample
from transcribe.core.lesson import Lesson, LessonPart
from transcribe.formats.document import read_riff
from transcribe.lesson.handout import MOST_BYTES, write_handout

TAKES = Path(__file__).resolve().parents[2] / "fixtures" / "takes"
TITLE = "Down to the water & back"


_KEEP_ANALYSERS = """
  window.analysers = [];
  const make = AudioContext.prototype.createAnalyser;
  AudioContext.prototype.createAnalyser = function () {
    window.analysers.push(make.call(this));
    return window.analysers[window.analysers.length - 1];
  };
"""


@pytest.fixture(scope="module")
def handout(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("lesson")
    riff = read_riff(TAKES / "mooring" / "truth.riff.json")
    transcribe.write_riff(riff, folder / "mooring.riff.json")
    lesson = Lesson(
        title=TITLE,
        parts=(
            LessonPart("A", "mooring.riff.json", "Intro", "Let it ring <all the way>.", (1, 2), 60),
            LessonPart("B", "mooring.riff.json", "Main riff", bars=(3, 6)),
            LessonPart("C", "mooring.riff.json", "Verse", "Softly.\nThen less.", bars=(1, 4)),
            LessonPart("D", "mooring.riff.json", "Lead"),
        ),
        form=("A", "B", "B", "C", "D", "B"),
    )
    path = folder / "water.html"
    write_handout(lesson, path, folder=folder)
    return path


@pytest.fixture
def look(chromium, handout):
    contexts, troubles = [], []

    def begin(**kind):
        kind.setdefault("viewport", {"width": 1100, "height": 900})
        contexts.append(chromium.new_context(offline=True, **kind))
        page = contexts[-1].new_page()
        page.on("pageerror", lambda error: troubles.append(str(error)))
        page.on("console", lambda message: troubles.append(message.text))
        page.on(
            "request",
            lambda asked: (
                None if asked.url.startswith(("file:", "data:")) else troubles.append(asked.url)
            ),
        )
        page.add_init_script(_KEEP_ANALYSERS)
        page.goto(handout.as_uri())
        return page

    yield begin
    for context in contexts:
        context.close()
    assert troubles == []


def _told(handout: Path) -> dict:
    text = handout.read_text("utf-8")
    return json.loads(re.search(r'id="lesson">(.*?)</script>', text, re.DOTALL).group(1))


def test_it_brings_everything_and_goes_through_a_mail(handout) -> None:
    text = handout.read_text("utf-8")
    assert handout.stat().st_size < MOST_BYTES
    assert not re.search(r"https?://(?!www\.w3\.org/2000/svg)", text)
    assert not re.search(r"<(?:link|img|iframe)\b|@import|url\(", text)
    assert "default-src 'none'" in text


def test_the_sound_of_a_part_is_its_notes(handout, tmp_path) -> None:
    for part in _told(handout)["parts"]:
        path = tmp_path / f"{part['label']}.mp3"
        path.write_bytes(base64.b64decode(part["sound"].partition(",")[2]))
        heard = read_audio(path)
        assert 0.2 < np.abs(heard.y).max() < 1.0
        y = resample(heard.y, sr=heard.sr, to_sr=22050)
        notes = part["document"]["notes"]
        onsets = np.array([note["onset_sec"] for note in notes])
        assert 0.2 < onsets.min() < 0.4
        late = []
        for note in notes:
            alone = not np.any((onsets < note["onset_sec"]) & (onsets > note["onset_sec"] - 0.08))
            if alone and note["articulation"] == "picked":
                found = attack_sec(y, note["onset_sec"], 0.03)
                late += [] if found is None else [found - note["onset_sec"]]
        assert len(late) >= 8
        assert np.abs(late).max() < 0.010


def test_parts_form_and_words_are_read(look) -> None:
    page = look()
    assert page.inner_text("h1") == TITLE
    assert page.inner_text(".form") == "Form: Intro, Main riff ×2, Verse, Lead, Main riff"
    assert page.locator(".part h2").all_inner_texts() == ["Intro", "Main riff", "Verse", "Lead"]
    assert page.locator("#part-1 .words").all_inner_texts() == ["Let it ring <all the way>."]
    # The mode is that of the whole, and stands there once.
    assert page.inner_text("#part-1 .facts").startswith("114 bpm, 4/4; ")
    assert page.inner_text("#whole p").startswith("A dorian (")
    assert page.locator("#whole li").count() >= 4
    assert page.locator("#scale svg").count() == 2
    # The tempo to start from is the first of the practice plan.
    assert page.inner_text("#part-1 .plan") == "Practise at 60 · 78 · 96 · 114 bpm"
    assert "loud sound can harm your hearing" in page.inner_text("#sound")


def test_the_tab_has_the_notes_of_its_bars(look, handout) -> None:
    page = look()
    for number, part in enumerate(_told(handout)["parts"], start=1):
        drawn = page.locator(f"#part-{number} .on-screen .note text").all_text_contents()
        written = [str(note["fret"]) for note in part["document"]["notes"]]
        assert sorted(drawn) == sorted(written)
        assert page.locator(f"#part-{number} .on-screen .stem").count() > 0
    bars = page.locator("#part-2 .on-screen .bar-number").all_text_contents()
    assert bars == ["3", "4", "5", "6"]


def test_the_scale_picture_has_the_notes_of_the_mode(look) -> None:
    """Outside truth: the scale of music21."""
    scale = pytest.importorskip("music21.scale")
    label = look().locator("#scale .neck").first.get_attribute("aria-label")
    shown = {name.replace("♯", "#") for name in re.findall(r"[:;] ([A-G][♯♭]?) ", label)}
    dorian = {p.name.replace("-", "b") for p in scale.DorianScale("A").getPitches("A3", "G4")}
    assert shown == dorian


def test_a_part_plays_loops_and_goes_slower(look) -> None:
    page = look()
    page.get_by_label("Count a bar in").uncheck()
    page.get_by_label("Speed of Intro").fill("100")
    page.get_by_role("button", name="Play Intro").click()
    at = "() => document.querySelector('.playing .line-head:not([hidden])')?.getAttribute('x1')"
    page.wait_for_function(f"() => Number(({at})()) > 60")
    before = float(page.evaluate(at))
    page.wait_for_function(
        """() => window.analysers.some((each) => {
             const y = new Float32Array(each.fftSize);
             each.getFloatTimeDomainData(y);
             return Math.max(...y) > 0.005;
           })"""
    )
    # Two bars at 114 bpm come round after some four seconds: the marker is back where it was.
    page.wait_for_function(f"() => Number(({at})()) < {before}", timeout=15_000)
    page.get_by_role("button", name="Pause Intro").click()
    assert page.locator(".playing").count() == 0
    page.get_by_label("Loop").first.uncheck()
    page.get_by_label("Speed of Intro").fill("120")
    page.get_by_role("button", name="Play Intro").click()
    page.wait_for_selector(".playing")
    page.wait_for_selector(".playing", state="detached", timeout=15_000)


def test_a_part_begins_at_the_first_tempo_of_its_plan(look) -> None:
    page = look()
    assert page.locator("#part-1 output").first.inner_text() == "53 %, 60 bpm"
    assert page.inner_text("#part-2 .plan").startswith("Practise at 68 ")
    assert page.locator("#part-2 output").first.inner_text() == "60 %, 68 bpm"


def test_a_tempo_of_the_plan_sets_the_speed(look) -> None:
    page = look()
    page.get_by_role("button", name="Intro at 96 bpm").click()
    assert page.locator("#part-1 output").first.inner_text() == "84 %, 96 bpm"


def test_the_pdf_has_the_drawing_of_the_page(look, handout) -> None:
    """The same lines, letters and places, drawn in a browser and by the engine of the PDF."""
    pytest.importorskip("dukpy")
    from transcribe.lesson.page_drawing import lesson_svg

    told = _told(handout)
    drawn = lesson_svg(told["parts"], whole=told["whole"], width_mm=222)
    page = look()
    read = """(svg) => {
      const box = document.createElement("div");
      if (typeof svg === "string") box.innerHTML = svg;
      else box.append(svg.cloneNode(true));
      return [...box.querySelectorAll("line, rect, circle, path, text")].map((each) => [
        each.localName,
        each.children.length ? "" : each.textContent,
        ...[...each.attributes].map(({ name, value }) => `${name}=${value}`).sort(),
      ]);
    }"""
    for number, part in enumerate(drawn["parts"], start=1):
        of_page = page.locator(f"#part-{number} .on-paper svg").all()
        assert len(of_page) == len(part["systems"])
        for shown, svg in zip(of_page, part["systems"], strict=True):
            assert shown.evaluate(read) == page.evaluate(read, svg)
    assert any(grip["heavier"] for grip in drawn["grips"])
    for shown, grip in zip(page.locator("#grips svg").all(), drawn["grips"], strict=True):
        assert shown.evaluate(read) == page.evaluate(read, grip["svg"])


def test_one_part_plays_at_a_time_and_a_bar_is_counted_in(look) -> None:
    page = look()
    page.get_by_role("button", name="Play Verse").click()
    page.wait_for_function("() => document.querySelector('#part-3 .count-in').textContent === '2'")
    page.get_by_role("button", name="Play Lead").click()
    assert page.locator(".playing h2").all_inner_texts() == ["Lead"]


def test_a_touched_bar_is_where_it_goes_on(look) -> None:
    page = look()
    bar = page.locator("#part-4 .on-screen svg").nth(1)
    bar.scroll_into_view_if_needed()
    bar.click()
    head = page.locator("#part-4 .on-screen svg").nth(1).locator(".line-head")
    assert head.get_attribute("hidden") is None


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [390, 1100])
def test_axe_finds_nothing(look, axe, scheme: str, width: int) -> None:
    page = look(viewport={"width": width, "height": 844}, color_scheme=scheme, bypass_csp=True)
    assert violations(page, axe) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_it_prints_to_two_clean_pages(look, scheme: str) -> None:
    page = look(color_scheme=scheme)
    pdf = page.pdf(format="A4", prefer_css_page_size=True)
    assert len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf)) == 2
    page.emulate_media(media="print")
    assert page.locator(".controls:visible, .as-text:visible, .line-head:visible").count() == 0
    assert page.locator(".on-paper svg:visible").count() > 4
    colour = "getComputedStyle(document.querySelector('.on-paper text')).fill"
    assert page.evaluate(colour) == "rgb(0, 0, 0)"
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"


def test_the_shipped_lesson_fits_a_mail_and_two_pages(chromium, tmp_path) -> None:
    folder = TAKES.parent / "lessons" / "ferry"
    path = tmp_path / "ferry.html"
    write_handout(transcribe.read_lesson(folder / "truth.lesson.json"), path, folder=folder)
    assert path.stat().st_size < MOST_BYTES
    page = chromium.new_page()
    page.goto(path.as_uri())
    pdf = page.pdf(format="A4", prefer_css_page_size=True)
    page.close()
    assert len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf)) == 2


def test_without_scripts_the_tabs_are_there_as_text(look) -> None:
    page = look(java_script_enabled=False)
    text = page.inner_text("#part-1 pre")
    assert "D |-7" in text
    assert page.locator(".as-text[open]").count() == 4


def test_the_page_makes_practice_sound_of_some_bars(server, put, one_riff, tmp_path) -> None:
    riff_id = put(server, "practice")
    body = {"kind": "practice", "play": "tab", "speeds": [0.5, 1.0], "times": 1, "bars": [1, 1]}
    job = server.outcome(server.ask("POST", f"/api/riffs/{riff_id}/make", body)[1]["job"])
    assert job["state"] == "done", job
    path = tmp_path / "bars.mp3"
    path.write_bytes(server.ask("GET", job["result"]["url"])[1])
    bar_sec = 4 * 60 / one_riff.rhythm.bpm
    # A bar of count and the bar itself, at half speed and at the whole, and 1.5 s that ring on.
    assert read_audio(path).duration_sec == pytest.approx(6 * bar_sec + 1.5, abs=0.15)


@pytest.mark.parametrize(
    "wrong",
    [
        {"play": "bagpipe"},
        {"speeds": []},
        {"speeds": [9]},
        {"bars": [1]},
        {"times": 0},
        {"bars": ["a", 2]},
    ],
)
def test_odd_wishes_for_practice_sound_are_refused(server, put, wrong: dict) -> None:
    body = {"kind": "practice", "speeds": [1.0], **wrong}
    status, answer, _ = server.ask("POST", f"/api/riffs/{put(server, 'odd')}/make", body)
    assert status == 422
    assert answer["error"]
