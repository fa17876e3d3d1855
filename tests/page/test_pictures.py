"""Pictures instead of sentences, and the take beside the riff, in a real browser."""

from __future__ import annotations

import dataclasses
import json
from collections import Counter
from pathlib import Path
from typing import Any
from urllib.parse import urlparse

import pytest
import soundfile

from tests.page.conftest import ROOT, Server, over_and_over, saved, violations, weight
from transcribe.core.instrument import fret_position_mm
from transcribe.core.riff import Riff
from transcribe.formats.document import read_riff


def _expect(locator: Any) -> Any:
    from playwright.sync_api import expect

    return expect(locator)


@pytest.fixture(scope="session")
def truth() -> Riff:
    return read_riff(ROOT / "fixtures" / "takes" / "mooring" / "truth.riff.json")


# -- the neck


def test_the_hand_is_seen_on_the_neck_and_costs_are_words(
    server: Server, open_page, put, truth: Riff
) -> None:
    riff = dataclasses.replace(truth, player=dataclasses.replace(truth.player, hand_span_mm=90.0))
    page = open_page(server, put(server, "hand", riff=riff))
    note = next(n for n in truth.notes if n.string != truth.drone.string and (n.fret or 0) >= 5)
    page.locator(f"#note-{note.id}").click()
    neck = page.locator(".neck-holder")
    # What the hand covers, in millimetres of the real neck, where frets lie at L (1 - 2^(-n/12)).
    _expect(neck.locator(".reach-edge + text")).to_have_text("90 mm")
    box, edges = neck.locator(".reach").bounding_box(), {}
    for line in neck.locator(".fret").all():
        edges[len(edges) + 1] = line.bounding_box()["x"]
    index = note.fret - ((note.finger or 1) - 1)
    mm = [fret_position_mm(n, truth.instrument.scale_length_mm) for n in range(13)]
    scale = (edges[12] - edges[1]) / (mm[12] - mm[1])
    wanted = (mm[index] - mm[index - 1] + 90) * scale
    assert box["width"] == pytest.approx(wanted, abs=3)
    _expect(neck.locator(".drone")).to_have_count(1)
    assert neck.locator(".spot.before, .spot.after").count() >= 2
    _expect(neck).to_contain_text("The index finger lies at fret")
    words = neck.locator(".place small").all_text_contents()
    assert "easiest" in words
    assert "silences the drone" in words, "the place on the drone's own string"
    assert not any(any(letter.isdigit() for letter in word) for word in words)
    assert "(+" not in page.inner_text(".why")
    neck.get_by_label("Costs in numbers").check()
    _expect(neck.locator(".place small", has_text="+")).not_to_have_count(0)
    _expect(page.locator(".why")).to_contain_text("(+")


def test_another_place_shows_where_the_hand_would_lie(
    server: Server, open_page, put, truth: Riff
) -> None:
    page = open_page(server, put(server, "hand-elsewhere", riff=truth))
    note = next(n for n in truth.notes if n.string != truth.drone.string and (n.fret or 0) >= 5)
    page.locator(f"#note-{note.id}").click()
    here = page.locator(".reach").bounding_box()["x"]
    page.locator(".place:not(.current)").last.focus()
    assert page.locator(".reach").bounding_box()["x"] > here + 20
    _expect(page.locator(".hand-told")).not_to_contain_text("to the next")


def test_the_mode_is_drawn_along_the_string_and_in_one_position(
    server: Server, open_page, put, truth: Riff
) -> None:
    from transcribe.harmony import theory_report

    theory = theory_report(truth).as_document()
    page = open_page(server, put(server, "on-neck", riff=dataclasses.replace(truth, theory=theory)))
    drawn = page.locator(".on-neck .neck")
    _expect(drawn).to_have_count(2)
    for k, name in enumerate(("on_string", "in_position")):
        spots = drawn.nth(k).locator(".spot")
        _expect(spots).to_have_count(len(theory["scale"][name]))
        for mark in ("tonic", "deciding"):
            count = sum(note["mark"] == mark for note in theory["scale"][name])
            _expect(drawn.nth(k).locator(f".spot.{mark}")).to_have_count(count)
    _expect(drawn.first.locator(".drone")).to_have_count(1)
    bars = page.locator(".degrees .bar").evaluate_all("(all) => all.map((b) => b.offsetHeight)")
    shares = [degree["share"] for degree in theory["mode"]["degrees"]]
    assert len(bars) == len(shares)
    assert bars.index(max(bars)) == shares.index(max(shares))


def test_fingerings_are_cards_with_a_small_neck(
    server: Server, open_page, put, truth: Riff
) -> None:
    from transcribe.api import finger

    riff = finger(dataclasses.replace(truth, source=None))
    assert riff.alternatives
    page = open_page(server, put(server, "cards", riff=riff))
    page.click("#tab-fingering")
    _expect(page.locator(".card .neck")).to_have_count(len(riff.alternatives) + 1)
    for k, other in enumerate(riff.alternatives):
        places = {tuple(place) for place in other.positions.values()}
        spots = page.locator(".card").nth(k + 1).locator(".spot")
        assert spots.count() >= len(places)
    _expect(page.locator(".card").nth(1)).to_contain_text("for the hand")


# -- the take beside the riff


def test_the_take_lies_under_each_line_of_the_tab(server: Server, open_page, compared) -> None:
    riff_id = compared("under-lines")
    page = open_page(server, riff_id, viewport={"width": 900, "height": 900})
    _expect(page.locator("canvas.lane")).to_be_visible()
    page.wait_for_selector(".tab .verdict")
    page.evaluate("document.querySelector('main').riff.strip.zoom(1e-3)")
    page.wait_for_function("() => document.querySelectorAll('.tab .note').length > 60")
    in_strip = page.locator(".tab .verdict").count()
    page.evaluate("document.querySelector('main').riff.strip.zoom(14)")
    page.get_by_role("button", name="Tab in lines").click()
    page.wait_for_function("() => document.querySelectorAll('.lines .note').length > 60")
    lanes = page.locator(".lines canvas.lane")
    assert lanes.count() == page.locator(".lines svg.line").count() > 2
    # As in the strip: one mark for each string of a stroke that went wrong, and no more.
    assert page.locator(".lines .verdict").count() == in_strip > 0
    kept = json.loads((server.folder / "under-lines.check.json").read_text())
    rights = [
        (kept["notes"][row["reference"]][0], kept["played"][row["take"]][0])
        for row in kept["comparison"]["notes"]
        if row["verdict"] == "right" and row["take"] is not None and not row.get("again")
    ]
    assert len(rights) > 20
    # Each note that was played lies under its figure, at the height of its pitch.
    under = """([id, midi]) => {
        const { lane, lines } = document.querySelector("main").riff.strip;
        const figure = document.querySelector(`#note-${id}`);
        const line = lines.lines.find((each) => each.svg.contains(figure));
        const box = line.take.getBoundingClientRect();
        const at = figure.querySelector(".knock").getBoundingClientRect();
        const x = Math.round(at.left + at.width / 2 - box.left);
        const y = Math.round(20 + 58 * (1 - (midi - lane.low) / (lane.high - lane.low)));
        const { data } = line.take.getContext("2d").getImageData(x - 7, y - 1, 15, 3);
        let inked = 0;
        for (let k = 3; k < data.length; k += 4) inked += data[k] > 200;
        return inked;
    }"""
    page.wait_for_function(f"(right) => ({under})(right) > 3", arg=rights[0])
    missing = [right for right in rights if page.evaluate(under, list(right)) < 4]
    assert not missing
    page.click("#tab-check")
    page.click("button:text-is('Clear the verdicts')")
    _expect(lanes.first).to_be_hidden()


def test_the_take_lies_under_the_tab_and_is_heard_at_the_same_place(
    server: Server, open_page, put, truth: Riff, mooring: Path
) -> None:
    sound = soundfile.read(mooring)
    page = open_page(server, put(server, "beside", riff=truth, take=sound))
    page.click("#tab-check")
    slips = ROOT / "fixtures" / "takes" / "mooring-slips" / "mooring-slips.ogg"
    page.set_input_files("#pane-check input[type=file]", slips)
    hear = page.get_by_role("button", name="Hear the compared take")
    hear.wait_for(timeout=120_000)
    lane = page.locator("canvas.lane")
    _expect(lane).to_be_visible()
    dark = """(lane) => {
        const { data } = lane.getContext("2d").getImageData(0, 20, lane.width, lane.height - 20);
        let found = 0;
        for (let k = 3; k < data.length; k += 4) found += data[k] > 40;
        return found;
    }"""
    # The tiles of its wave form come in, and its notes lie over it.
    page.wait_for_function(f"(lane) => ({dark})(lane) > 4000", arg=lane.element_handle())
    # Each note of the riff is due in the take where the comparison found it.
    kept = json.loads((server.folder / "beside.check.json").read_text())
    rows = [r for r in kept["comparison"]["notes"] if r["verdict"] == "right" and "take" in r]
    player = "document.querySelector('main').riff.player"
    for row in rows[5::9]:
        if row["take"] is None or row.get("again"):
            continue
        due = page.evaluate(f"{player}.map.toTake({kept['notes'][row['reference']][2]})")
        assert due == pytest.approx(kept["played"][row["take"]][1], abs=0.08)
    # Played, and switched: it goes on at the same place of the music.
    page.evaluate("document.querySelector('main').riff.setLoop([2.5, 8])")
    page.click("button.play")
    page.wait_for_function(f"() => {player}.playing && {player}.now > 2.6")
    hear.click()
    _expect(hear).to_have_attribute("aria-pressed", "true")
    page.wait_for_function(f"() => {player}.playing && !{player}.other.paused")
    at = page.evaluate(f"[{player}.now, {player}.other.currentTime, {player}.take.paused]")
    assert 2.4 < at[0] < 8.1
    assert at[2] is True
    assert at[1] == pytest.approx(page.evaluate(f"{player}.map.toTake({at[0]})"), abs=0.05)
    page.locator("[role=listbox]").focus()
    page.keyboard.press("t")
    _expect(hear).to_have_attribute("aria-pressed", "false")
    page.wait_for_function(f"() => {player}.playing && !{player}.take.paused")
    page.keyboard.press("Space")
    # Bar by bar.
    loop = "document.querySelector('main').riff.loop"
    page.evaluate("document.querySelector('main').riff.setLoop(null)")
    page.get_by_label("Loop the bar after").click()
    first = page.evaluate(loop)
    page.get_by_label("Loop the bar after").click()
    second = page.evaluate(loop)
    assert second[0] == pytest.approx(first[1])
    page.get_by_label("Loop the bar before").click()
    assert page.evaluate(loop) == first
    page.click("button:text-is('Clear the verdicts')")
    _expect(lane).to_be_hidden()


def test_the_verdicts_go_back_to_the_student_on_a_sheet(
    server: Server, open_page, compared, chromium, axe: Path, tmp_path: Path
) -> None:
    name = "handed-back"
    page = open_page(server, compared(name))
    page.locator(".verdict-line").get_by_role("button", name="What to practise").click()
    with page.expect_download() as kept:
        page.get_by_role("button", name="Sheet for the student").click()
    assert kept.value.suggested_filename == f"{name}.take.html"
    path = tmp_path / kept.value.suggested_filename
    kept.value.save_as(path)
    rows = json.loads((server.folder / f"{name}.check.json").read_text())["comparison"]["notes"]
    bad = Counter(row["verdict"] for row in rows if row["verdict"] != "right")
    context = chromium.new_context(offline=True)
    sheet = context.new_page()
    sheet.goto(path.as_uri())
    _expect(sheet.locator(".take-told h3")).to_contain_text("mooring-slips.ogg")
    for verdict, count in bad.items():
        _expect(sheet.locator(f".on-screen .verdict.{verdict}")).to_have_count(count)
    _expect(sheet.locator(".on-screen .verdict.right")).to_have_count(0)
    # Each stands under its note.
    figure, mark = (
        sheet.locator(f".on-screen {what}").first.bounding_box()
        for what in ("svg:has(.verdict.wrong)", ".verdict.wrong")
    )
    assert figure["y"] < mark["y"] < figure["y"] + figure["height"]
    assert violations(sheet, axe) == []
    context.close()


def test_a_lesson_is_handed_out_with_its_last_takes_where_that_is_wanted(
    server: Server, open_page, compared
) -> None:
    riffs = [compared("with-take")]
    _, made, _ = server.ask("POST", "/api/lessons", {"title": "Handed", "riffs": riffs})
    page = open_page(server)
    page.goto(f"{server.url}/#lesson={made['lesson']}")
    _expect(page.get_by_label("With the last takes")).to_have_count(1)
    # Of one part it is one press away.
    with page.expect_download() as kept:
        page.get_by_role("button", name="Sheet for the student").click()
    assert kept.value.suggested_filename == "with-take.take.html"
    texts = []
    for ticked in (False, True):
        page.get_by_label("With the last takes").set_checked(ticked)
        with page.expect_download() as kept:
            page.get_by_role("button", name="Save it (HTML)").click()
        texts.append(Path(kept.value.path()).read_text("utf-8"))
    assert ["mooring-slips.ogg" in text for text in texts] == [False, True]


def test_progress_from_take_to_take_is_a_plot(server: Server, open_page, compared) -> None:
    from transcribe.takes.plots import draw_progress

    riff_id = compared("progressing")
    path = server.folder / "progressing.check.json"
    kept = json.loads(path.read_text())
    kept["progress"] = {"since": [], "shares": [0.4, 0.7, 0.65, 0.9]}
    kept["drawings"]["progress"] = draw_progress(kept["progress"]["shares"])
    path.write_text(json.dumps(kept))
    page = open_page(server, riff_id)
    page.click("#tab-check")
    plot = page.get_by_role("region", name="Takes so far")
    dots = plot.locator("circle")
    _expect(dots).to_have_count(4)
    heights = [float(y) for y in dots.evaluate_all("(all) => all.map((d) => d.cy.baseVal.value)")]
    assert heights[0] > heights[2] > heights[1] > heights[3], "the better, the higher"


def test_record_along_ends_by_itself_and_again_without_the_mouse(
    server: Server, open_page, put, truth: Riff
) -> None:
    """The microphone hears the shipped take over and over; two bars are recorded, twice."""
    page = open_page(server, put(server, "along", riff=truth))
    page.evaluate(
        """() => {
            const { riff } = document.querySelector("main");
            riff.setLoop(riff.bars.loopOf(riff.notes, 1, 4));
            riff.transport.setSpeed(150);
            const { onCount } = riff.player;
            window.counts = [];
            riff.player.onCount = (number) => {
                window.counts.push(number);
                onCount(number);
            };
        }"""
    )
    page.locator("[role=listbox]").focus()
    state, button = page.locator(".along-state"), page.locator(".along button").first
    for _ in range(2):
        page.keyboard.press("r")
        _expect(button).to_have_text("Stop and use it")
        assert page.evaluate("window.counts.slice(-4)") in ([1, 2, 3, 4], [2, 3, 4, None])
        start = page.evaluate("document.querySelector('main').riff.player.now")
        page.wait_for_function(
            "(start) => document.querySelector('main').riff.player.now > start", arg=start
        )
        # It stops at the end of the loop, and the verdict comes by itself, if there is one.
        _expect(button).to_have_text("Record along", timeout=120_000)
        page.wait_for_function(
            "() => document.querySelector('.along-state').textContent.includes('% right') "
            "|| document.querySelector('.check .notice')",
            timeout=120_000,
        )
    page.evaluate("document.querySelector('main').riff.transport.setSpeed(25)")
    page.keyboard.press("r")
    _expect(page.locator(".counter")).to_be_visible()
    page.keyboard.press("Escape")
    _expect(page.locator(".counter")).to_be_hidden()
    _expect(button).to_have_text("Record along")
    _expect(state).to_have_text("")


def test_on_a_phone_the_tab_is_seen_while_it_is_recorded_along_and_the_end_is_at_hand(
    server: Server, open_page, put, truth: Riff
) -> None:
    riff_id = put(server, "along-phone", riff=truth)
    page = open_page(server, riff_id, viewport={"width": 390, "height": 844})
    page.locator(".along button").first.click()
    stop = page.get_by_role("button", name="Stop", exact=True)
    _expect(page.locator(".along button").first).to_have_text("Stop and use it")
    _expect(page.locator("svg.tab")).to_be_in_viewport(ratio=0.9)
    _expect(page.locator(".playhead")).to_be_in_viewport()
    play = page.locator(".play")
    _expect(play).to_have_text("Stop")
    play.click()
    # What was played so far is used.
    _expect(page.locator(".along button").first).to_have_text("Record along", timeout=120_000)
    _expect(stop).to_have_count(0)
    page.wait_for_function(
        "() => document.querySelector('.along-state').textContent.includes('% right') "
        "|| document.querySelector('.check .notice')",
        timeout=120_000,
    )


# -- long riffs, and what the page weighs


def test_a_long_riff_has_an_overview_that_leads_through_it(
    server: Server, open_page, put, one_riff: Riff
) -> None:
    page = open_page(server, put(server, "overlooked", riff=over_and_over(one_riff, times=20)))
    overview = page.get_by_role("slider", name="Overview of the riff")
    frame = page.locator(".overview-frame")
    _expect(overview).to_have_attribute("aria-valuenow", "0")
    box, before = overview.bounding_box(), frame.bounding_box()
    assert before["width"] < box["width"] / 2
    overview.click(position={"x": box["width"] / 2, "y": 20})
    page.wait_for_function(
        "() => Math.abs(document.querySelector('.overview').ariaValueNow - 50) < 8"
    )
    moved = frame.bounding_box()
    assert abs(moved["x"] + moved["width"] / 2 - box["x"] - box["width"] / 2) < 8
    overview.press("ArrowRight")
    page.wait_for_function(
        "(x) => document.querySelector('.overview-frame').getBoundingClientRect().x > x + 1",
        arg=moved["x"],
    )
    page = open_page(server, put(server, "short-enough"), viewport={"width": 1600, "height": 900})
    _expect(page.get_by_role("slider", name="Overview of the riff")).to_have_count(0)


def test_a_riff_with_its_verdicts_is_light(server: Server, open_page, compared) -> None:
    page = open_page(server, compared("weighed-verdicts"))
    page.wait_for_selector(".theory h3")
    page.wait_for_selector(".tab .verdict")
    assert 150_000 < weight(page) < 300_000


def test_the_page_is_light_and_asks_nothing_of_other_machines(
    server: Server, open_page, put, one_riff: Riff
) -> None:
    """What the browser loads to show the list and a riff; the panes come as they are opened."""
    page = open_page(server, put(server, "weighed"))
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.wait_for_selector(".theory h3")
    assert 150_000 < weight(page) < 300_000
    for tab in ("fingering", "check", "away", "theory"):
        page.click(f"#tab-{tab}")
        _expect(page.locator(f"#pane-{tab} h3, #pane-{tab} .well").first).to_be_visible()
    page.click("button:text-is('Record along')")
    _expect(page.locator(".along button").first).to_have_text("Stop and use it")
    page.keyboard.press("Escape")
    assert f"{server.url}/static/recorder.js" in asked
    assert {urlparse(url).hostname for url in asked if not url.startswith("blob:")} == {"127.0.0.1"}


def test_the_kept_take_is_found_by_its_key_alone(server: Server, open_page, compared) -> None:
    riff_id = compared("kept-take")
    check = server.ask("GET", f"/api/riffs/{riff_id}/check")[1]["check"]
    status, tile, _ = server.ask("GET", f"{check['sound']}/tiles/0")
    assert status == 200
    assert len(tile) > 10_000
    assert server.ask("GET", f"{check['sound']}/tiles/999")[0] == 404
    assert server.ask("GET", f"/api/made/{'0' * 24}/tiles/0")[0] == 404
    assert server.ask("GET", "/api/made/..%2fx/tiles/0")[0] == 404
    status, _, headers = server.ask("GET", check["sound"])
    assert (status, headers["content-type"]) == (200, "audio/wav")
    assert saved(server, "kept-take").notes


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_in_any_view(
    server: Server, open_page, put, compared, axe: Path, one_riff: Riff, scheme: str
) -> None:
    # The checker is a script of its own: only for it the page's policy is set aside.
    page = open_page(
        server, compared(f"axe-{scheme}"), bypass_csp=True, color_scheme=scheme,
        reduced_motion="reduce",
    )  # fmt: skip
    found = {}
    page.get_by_role("button", name="Hear the compared take").wait_for()
    for tab in ("check", "theory"):
        page.click(f"#tab-{tab}")
        found[f"compared, {tab}"] = violations(page, axe)
    page.get_by_label("Loop the bar after").click()
    notes = page.locator(".tab .note")
    notes.nth(2).click()
    page.wait_for_selector(".place")
    found["a loop and a note"] = violations(page, axe)
    notes.nth(4).click(modifiers=["Shift"])
    found["several notes"] = violations(page, axe)
    page.click("button:text-is('Add a note')")
    found["a note is added"] = violations(page, axe)
    page.click("button:text-is('Done adding')")
    page.click("button:text-is('Bars…')")
    page.click("button.in-words")
    page.wait_for_selector(".line .note")
    found["in lines, with the form of the bars"] = violations(page, axe)
    page.click("button.in-words")
    page.get_by_role("button", name=f"Rename axe-{scheme}").click()
    found["a question"] = violations(page, axe)
    page.click("button:text-is('Leave it')")
    page.keyboard.press("r")
    page.wait_for_selector(".counter:not([hidden])")
    page.keyboard.press("Escape")
    found["after a count that was called off"] = violations(page, axe)
    long = put(server, f"axe-long-{scheme}", riff=over_and_over(one_riff, times=20))
    page.goto(f"{server.url}/#riff={long}")
    _expect(page.get_by_role("slider", name="Overview of the riff")).to_be_visible()
    found["a long riff"] = violations(page, axe)
    assert not any(found.values()), found
