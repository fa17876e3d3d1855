"""What the page does with its questions and its steps for a whole riff, in a real browser."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from tests.page.conftest import ROOT, Server, saved
from transcribe.core.riff import Riff
from transcribe.correct.pins import pin


def _expect(locator: Any) -> Any:
    from playwright.sync_api import expect

    return expect(locator)


def test_finger_again_tells_of_the_pins_and_can_be_taken_back(
    server: Server, open_page, put, one_riff: Riff
) -> None:
    low = next(n for n in one_riff.notes if n.pitch_midi == 45)
    riff = pin(one_riff, {low.id: (low.string, low.fret)}, repeats=False)
    page = open_page(server, put(server, "again", riff=riff))
    page.get_by_role("tab", name="Fingerings").click()
    pane = page.locator("#pane-fingering")
    for capo, words in (("2", "0 of 1 pin kept, 1 lost"), ("0", "Fingered anew")):
        pane.get_by_label("Capo at fret").fill(capo)
        pane.get_by_role("button", name="Finger the notes again").click()
        _expect(pane.locator(".notice")).to_contain_text(words, timeout=30_000)
        page.wait_for_function(
            "(there) => document.querySelector('.facts').textContent.includes('capo') === there",
            arg=capo == "2",
        )
    pane.locator(".notice").get_by_role("button", name="Take it back").click()
    _expect(page.locator(".facts")).to_contain_text("capo 2")
    page.get_by_role("button", name="Undo fingering anew").click()
    _expect(page.locator(".facts")).not_to_contain_text("capo")
    assert saved(server, "again").note(low.id).pinned


def test_enter_renames_once_and_a_taken_name_is_told(server: Server, open_page, put) -> None:
    put(server, "had")
    page = open_page(server, put(server, "wanting"))
    page.get_by_role("button", name="Rename wanting").focus()
    page.keyboard.press("Enter")
    page.locator("dialog input").fill("had")
    page.keyboard.press("Enter")
    _expect(page.locator("h1")).to_have_text("had-2")
    _expect(page.locator("#notices")).to_contain_text("There is a had already")
    assert page.locator("dialog").count() == 0


def test_a_refused_name_stays_to_be_mended(server: Server, open_page, put) -> None:
    page = open_page(server, put(server, "misnamed"))
    page.get_by_role("button", name="Rename misnamed").click()
    field = page.locator("dialog input")
    field.fill("   ")
    page.keyboard.press("Enter")
    _expect(page.locator("dialog .refused")).not_to_be_empty()
    _expect(field).to_have_value("   ")
    field.fill("well-named")
    page.keyboard.press("Enter")
    _expect(page.locator("h1")).to_have_text("well-named")
    _expect(page.locator("dialog")).to_have_count(0)


def test_removed_riff_is_put_back_from_the_list(server: Server, open_page, put) -> None:
    put(server, "ebb")
    page = open_page(server)
    page.get_by_label("More about ebb").click()
    page.get_by_role("button", name="Remove ebb").click()
    page.get_by_role("button", name="Remove", exact=True).last.click()
    _expect(page.locator("a.entry-name", has_text="ebb")).to_have_count(0)
    page.get_by_role("button", name="Put it back").click()
    _expect(page.locator("a.entry-name", has_text="ebb")).to_have_count(1)
    assert saved(server, "ebb").notes


def test_places_of_a_tab_are_told_of_and_given_up_in_one_step(server: Server, open_page) -> None:
    tab: Path = ROOT / "fixtures" / "tabs" / "cleat-no-rhythm.txt"
    page = open_page(server)
    page.set_input_files(".well input[type=file]", str(tab))
    page.wait_for_selector(".tab .note", timeout=60_000)
    button = page.get_by_role("button", name="Finger it anew")
    button.first.click()
    _expect(button).to_have_count(0)
    assert not any(note.pinned for note in saved(server, "cleat-no-rhythm").notes)
