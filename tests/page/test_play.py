"""Looking, playing along and finding the way back, in a real browser."""

from __future__ import annotations

import dataclasses
import json
import re
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
import soundfile

from tests.page.conftest import ROOT, Server, over_and_over, saved
from transcribe.core.riff import Riff
from transcribe.formats.document import read_riff


def _expect(locator: Any) -> Any:
    from playwright.sync_api import expect

    return expect(locator)


_MOORING = read_riff(ROOT / "fixtures" / "takes" / "mooring" / "truth.riff.json")


@pytest.fixture(scope="session")
def truth() -> Riff:
    """A shipped riff whose strums begin a little before the beat."""
    return _MOORING


def test_a_bar_is_looped_by_its_own_notes(server: Server, open_page, put, truth: Riff) -> None:
    page = open_page(server, put(server, "bar-loop", riff=truth))
    bar_2 = [note for note in truth.notes if 4 <= (note.onset_beat or 0) < 8]
    assert bar_2[0].onset_sec < truth.rhythm.downbeats_sec[1], "struck before its beat"
    page.locator(f"#note-{bar_2[0].id}").click()
    page.click("button:text-is('Loop this bar')")
    start, end = page.evaluate("document.querySelector('main').riff.loop")
    assert [n.id for n in truth.notes if start < n.onset_sec < end] == [n.id for n in bar_2]
    # Pressed again with no note chosen, it stays on that bar.
    page.locator("[role=listbox]").focus()
    page.keyboard.press("Escape")
    page.click("button:text-is('Loop this bar')")
    assert page.evaluate("document.querySelector('main').riff.loop") == [start, end]


def test_recording_is_counted_in_and_can_be_called_off(
    server: Server, open_page, put, one_riff: Riff
) -> None:
    page = open_page(server, put(server, "counted-in"))
    page.click("#tab-check")
    page.get_by_label("Count me in before recording").check()
    record = page.locator("#pane-check button:text-is('Record')")
    record.click()
    count = page.locator(".counter output")
    for number in "1234":
        _expect(count).to_have_text(number)
    _expect(page.locator("#pane-check button:text-is('Stop and use it')")).to_be_visible()
    before = page.evaluate("document.querySelector('main').riff.player.now")
    page.wait_for_timeout(300)
    assert page.evaluate("document.querySelector('main').riff.player.now") > before
    page.click("#pane-check button:text-is('Discard')")
    _expect(page.locator("button.play")).to_have_text("Play")
    record.click()
    _expect(count).to_have_text("2")
    page.keyboard.press("Escape")
    _expect(page.locator(".counter")).to_be_hidden()
    _expect(record).to_be_enabled()
    page.wait_for_timeout(1500)
    assert page.locator("#pane-check button:text-is('Stop and use it')").count() == 0


# The boxes of the chosen note and of its panel, and the height of the window.
_SEEN = """() => {
    const box = (at) => {
        const { left, right, top, bottom } = document.querySelector(at).getBoundingClientRect();
        return { left, right, top, bottom };
    };
    return [box(".tab .note.chosen"), box(".note-panel"), window.innerHeight];
}"""


@pytest.mark.parametrize("size", [(1440, 900), (820, 1180), (390, 844)])
@pytest.mark.parametrize("way", ["strip", "lines"])
def test_the_chosen_note_is_seen_with_its_panel(
    server: Server, open_page, put, one_riff: Riff, size: tuple[int, int], way: str
) -> None:
    riff = over_and_over(one_riff, times=20)
    width, height = size
    riff_id = put(server, f"docked-{way}-{width}", riff=riff)
    page = open_page(server, riff_id, viewport={"width": width, "height": height})
    if way == "lines":
        page.click("button:text-is('Tab in lines')")
        page.wait_for_selector(".line .note")
    page.locator("[role=listbox]").focus()
    for key in ("Home", "End", "ArrowLeft"):
        page.keyboard.press(key)
        page.wait_for_selector(".place")
        page.wait_for_timeout(300)
        note, panel, window = page.evaluate(_SEEN)
        assert note["top"] >= 0
        assert note["bottom"] <= window
        assert panel["top"] >= 0
        assert panel["bottom"] <= window + 0.5
        beside = note["right"] <= panel["left"]
        assert beside or note["bottom"] <= panel["top"]
        assert beside == (width == 1440)
        if not beside:
            assert panel["bottom"] - panel["top"] <= window / 3 + 1


def test_several_notes_get_a_position_a_string_and_a_technique_at_once(
    server: Server, open_page, put, one_riff: Riff
) -> None:
    page = open_page(server, put(server, "several-at-once"))
    line = [n for n in one_riff.notes if n.pitch_midi > 55][:3]
    page.locator(f"#note-{line[0].id}").click()
    for note in line[1:]:
        page.locator(f"#note-{note.id}").click(modifiers=["Shift"])
    _expect(page.locator(".note-facts")).to_contain_text("3 notes chosen")
    page.get_by_label("Technique").select_option("vibrato")
    _expect(page.locator(".last-change")).to_contain_text("3 notes: vibrato")
    page.get_by_label("Position").fill("9")
    page.click("button:text-is('Play them there')")
    _expect(page.locator(".last-change")).to_contain_text("Pinned 3 notes")
    after = saved(server, "several-at-once")
    for note in line:
        now = after.note(note.id)
        assert now.articulation == "vibrato"
        assert now.pinned
        assert 8 <= now.fret <= 13
    # Each is one step.
    page.click("button:text-is('Undo')")
    _expect(page.locator(".tab .pin")).to_have_count(0)
    page.click("button:text-is('Undo')")
    _expect(page.locator(".last-change")).to_contain_text("Taken back: change of")
    assert {n.articulation for n in saved(server, "several-at-once").notes} == {"picked"}
    page.locator(".note-panel label", has_text="String").locator("select").select_option("3")
    _expect(page.locator(".last-change")).to_contain_text("Pinned 3 notes to string 3")
    after = saved(server, "several-at-once")
    assert {after.note(note.id).string for note in line} == {3}
    # What cannot be is refused with the note that stands in the way.
    page.locator("#note-1").click(modifiers=["Shift"])
    page.get_by_label("Position").fill("9")
    page.click("button:text-is('Play them there')")
    _expect(page.locator(".last-change .error")).to_contain_text("within reach of position 9")


def test_a_server_that_is_gone_is_told_at_once_and_found_again(
    start, open_page, put, one_riff: Riff
) -> None:
    first = start()
    page = open_page(first, put(first, "adrift"))
    state, told = page.locator(".saved"), page.locator("#notices .notice")
    _expect(state).to_have_text("All saved")
    first.stop()
    _expect(state).to_have_text("Server gone")
    _expect(told).to_contain_text("does not answer")
    again = start("--port", str(first.port), folder=first.folder)
    _expect(state).to_have_text("All saved")
    _expect(told).to_have_count(0)
    # Its file is gone, and comes back.
    path = again.folder / "adrift.riff.json"
    path.rename(again.folder / "aside")
    _expect(state).to_have_text("File gone")
    (again.folder / "aside").rename(path)
    _expect(state).to_have_text("All saved")
    # Another key: opening the new address in any window is the one step.
    cookies = page.context.cookies()
    page.context.clear_cookies()
    _expect(state).to_have_text("Key lost")
    _expect(told).to_contain_text("Open the address")
    page.context.add_cookies(cookies)
    _expect(state).to_have_text("All saved")
    _expect(told).to_have_count(0)


@pytest.fixture(scope="session")
def doubtful(one_riff: Riff) -> Riff:
    """The riff with a few notes that were heard with doubt."""
    notes = [
        dataclasses.replace(note, confidence=0.6 if k % 7 == 3 else 0.97)
        for k, note in enumerate(one_riff.notes)
    ]
    return dataclasses.replace(one_riff, notes=tuple(notes))


def test_unsure_notes_are_seen_counted_and_kept_or_taken_out_in_one_step(
    server: Server, open_page, put, doubtful: Riff
) -> None:
    unsure = [note.id for note in doubtful.notes if note.unsure]
    assert 1 < len(unsure) < len(doubtful.notes)
    page = open_page(server, put(server, "doubtful", riff=doubtful))
    facts, lighter = page.locator(".facts"), page.locator(".tab .note.unsure")
    _expect(facts).to_contain_text(f"{len(unsure)} notes unsure")
    _expect(lighter).to_have_count(len(unsure))
    ink = "(each) => getComputedStyle(each.querySelector('text')).fill"
    others = page.locator(".tab .note:not(.unsure)").first
    assert lighter.first.evaluate(ink) != others.evaluate(ink)
    _expect(page.locator(f"#note-{unsure[0]}")).to_have_attribute(
        "aria-label", re.compile("unsure")
    )
    # All of them in one step, and the step is taken back.
    page.click("button:text-is('Keep them')")
    _expect(lighter).to_have_count(0)
    _expect(facts).not_to_contain_text("unsure")
    assert not any(note.unsure for note in saved(server, "doubtful").notes)
    page.click("button:text-is('Undo')")
    _expect(lighter).to_have_count(len(unsure))
    page.click("button:text-is('Take them out')")
    _expect(page.locator(".tab .note")).to_have_count(len(doubtful.notes) - len(unsure))
    page.click("button:text-is('Undo')")
    _expect(page.locator(".tab .note")).to_have_count(len(doubtful.notes))
    # One alone, from its panel; the count leads there.
    page.click(f"button:text-is('{len(unsure)} notes unsure')")
    _expect(page.locator(f"#note-{unsure[0]}")).to_have_attribute("aria-selected", "true")
    page.click(".note-panel button:text-is('Keep')")
    _expect(lighter).to_have_count(len(unsure) - 1)
    assert saved(server, "doubtful").note(unsure[0]).confidence == 1


def test_talk_and_playing_are_told_apart_in_words(
    server: Server, open_page, put, one_riff: Riff
) -> None:
    riff_id = put(server, "talked")
    path = server.folder / "talked.riff.json"
    document = json.loads(path.read_text())
    stretches = [(0.0, 4.2, "playing"), (4.2, 6.0, "talk"), (6.0, 8.5, "neither")]
    document["segments"] = [
        {"start_sec": start, "end_sec": end, "kind": kind} for start, end, kind in stretches
    ]
    path.write_text(json.dumps(document))
    page = open_page(server, riff_id)
    words = page.locator(".segment text")
    _expect(words).to_have_text(["playing", "talk"])
    _expect(page.locator(".facts")).to_contain_text("0:01.8 of talk set aside")
    page.click("button:text-is('Tab in lines')")
    _expect(page.locator(".line .segment.talk")).to_have_count(1)
    # Where nothing was told apart there is no band.
    page = open_page(server, put(server, "silent-on-talk"))
    _expect(page.locator(".segment")).to_have_count(0)


@pytest.mark.parametrize(("size", "rows"), [((1440, 900), 2), ((820, 1180), 2), ((390, 844), 1)])
def test_the_music_comes_first(
    server: Server, open_page, put, mooring: Path, size: tuple[int, int], rows: int
) -> None:
    width, height = size
    sound = soundfile.read(mooring)
    riff_id = put(server, f"first-{width}", riff=_MOORING, take=sound)
    page = open_page(server, riff_id, viewport={"width": width, "height": height})
    _expect(page.locator("canvas.picture")).not_to_have_css("height", "18px")
    tab = page.locator("svg.tab").bounding_box()
    assert tab["y"] < height / 3
    tops = page.evaluate(
        """(end) => [...document.querySelectorAll("main button, main input, main select")]
            .filter((each) => !each.closest(".title"))
            .map((each) => each.getBoundingClientRect())
            .filter((box) => box.height && box.bottom <= end)
            .map((box) => (box.top + box.bottom) / 2)
            .sort((a, b) => a - b)""",
        tab["y"],
    )
    assert 1 + sum(b - a > 16 for a, b in pairwise(tops)) <= rows
    assert page.locator("main button").evaluate_all(
        "(all) => all.filter((each) => !each.closest('.title'))[0].textContent"
    ) == ("Play")
