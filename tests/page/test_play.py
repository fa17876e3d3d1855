"""Playing, looping and counting in, as a person meets them in a real browser."""

from __future__ import annotations

from typing import Any

import pytest

from tests.page.conftest import ROOT, Server
from transcribe.core.riff import Riff
from transcribe.formats.document import read_riff


def _expect(locator: Any) -> Any:
    from playwright.sync_api import expect

    return expect(locator)


@pytest.fixture(scope="session")
def truth() -> Riff:
    """A shipped riff whose strums begin a little before the beat."""
    return read_riff(ROOT / "fixtures" / "takes" / "mooring" / "truth.riff.json")


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
