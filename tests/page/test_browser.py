"""The page as a person meets it, in a real browser."""

from __future__ import annotations

import dataclasses
import json
import re
import subprocess
import sys
from base64 import b64encode
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.page.conftest import ROOT, Server, over_and_over, saved, violations
from transcribe import fingering
from transcribe.api import finger
from transcribe.core.instrument import make_instrument
from transcribe.core.pitch import accidentals, spell
from transcribe.core.riff import Note, Remark, Riff
from transcribe.correct.pins import pin, repeats_of
from transcribe.formats.chord_names import key_of
from transcribe.lesson.handout_content import neck_of_all


def _expect(locator: Any) -> Any:
    """An assertion that waits, as long as a busy machine may take for an answer."""
    from playwright.sync_api import expect

    expect.set_options(timeout=30_000)
    return expect(locator)


def _choose(page: Any, note_id: int) -> None:
    page.locator(f"#note-{note_id}").click()
    _expect(page.locator(f"#note-{note_id}")).to_have_attribute("aria-selected", "true")
    page.wait_for_selector(".place")


def _spelled(pitch_midi: int, riff: Riff) -> str:
    """A pitch as it is written in the key of ``riff``."""
    letter, alter, octave = spell(pitch_midi, key_of(riff.theory)[0])
    return f"{letter}{accidentals(alter)}{octave}".replace("#", "♯").replace("b", "♭")


def _movable(riff: Riff) -> tuple[int, tuple[int, int]]:
    """A note, and a place for it whose pin moves other notes too."""
    for note in riff.notes:
        for place in riff.instrument.places(note.pitch_midi):
            if place == (note.string, note.fret):
                continue
            try:
                after = pin(riff, {note.id: place}, repeats=False)
            except ValueError:
                continue
            moved = [
                n.id
                for n, old in zip(after.notes, riff.notes, strict=True)
                if (n.string, n.fret) != (old.string, old.fret) and n.id != note.id
            ]
            if moved:
                return note.id, place
    raise AssertionError("no pin of this riff moves another note")


def _tab_of(page: Any) -> None:
    """Wait for the tab of what was brought in."""
    page.wait_for_selector(".tab .note, .notice.error", timeout=90_000)
    assert page.locator(".notice.error").all_text_contents() == []


def _place_button(page: Any, place: tuple[int, int]) -> Any:
    return page.locator(f".place[data-place='{place[0]}/{place[1]}']")


# -- bring in ----------------------------------------------------------------------------------


# What was asked for is drawn with the next frame; this resolves with the one after it.
_NEXT_FRAMES = """() => new Promise((done) =>
    requestAnimationFrame(() => requestAnimationFrame(done)))"""


def test_dropped_take_becomes_a_tab_and_stays(server: Server, open_page, mooring: Path) -> None:
    page = open_page(server)
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    # A true drop: a DataTransfer with a file, let go over the page.
    data = mooring.read_bytes()
    transfer = page.evaluate_handle(
        """async (bytes) => {
            const data = Uint8Array.from(atob(bytes), (c) => c.charCodeAt(0));
            const file = new File([data], "low tide.wav");
            const transfer = new DataTransfer();
            transfer.items.add(file);
            return transfer;
        }""",
        b64encode(data).decode(),
    )
    page.dispatch_event(".well", "drop", {"dataTransfer": transfer})
    page.wait_for_selector(".work .stage")
    _tab_of(page)
    _expect(page.locator("h1")).to_have_text("low-tide")
    count = len(saved(server, "low-tide").notes)
    assert count > 10
    _expect(page.locator(".facts")).to_contain_text(f"{count} notes")
    assert page.locator(".tab .note").count() > 5
    # The picture of the sound is there: the canvas is not blank under the ruler.
    page.wait_for_function(
        """() => {
            const canvas = document.querySelector("canvas.picture");
            const data = canvas.getContext("2d").getImageData(0, 60, canvas.width, 100).data;
            return new Set(Array.from(data).filter((_, k) => k % 4 === 3)).size > 20;
        }"""
    )
    page.reload()
    page.wait_for_selector(".tab .note")
    _expect(page.locator("h1")).to_have_text("low-tide")
    assert asked
    for url in asked:
        assert url.startswith((server.url, "blob:")), f"the page asked {url}"


def test_what_stands_around_a_tab_is_drawn_on_the_page_and_on_the_sheet(
    server: Server, open_page
) -> None:
    text = """[Verse]
   Am        G
   d   u     d   u
   PM-----
e|---------|---------|
B|---------|---------|
G|---------|---------|
D|---------|-5---4---|
A|-0---3---|---------|
E|---------|---------|
"""
    page = open_page(server)
    page.set_input_files(
        ".well input[type=file]",
        {"name": "capstan.tab", "mimeType": "text/plain", "buffer": text.encode()},
    )
    _tab_of(page)
    strip = page.locator("svg.tab")
    _expect(strip.locator(".section").first).to_have_text("[Verse]")
    _expect(strip.locator(".hand")).to_have_text(["PM", "PM"])
    _expect(strip.locator(".chord")).to_have_text(["Am", "G"])
    _expect(strip.locator(".strum.down")).to_have_count(2)
    _expect(strip.locator(".strum.up")).to_have_count(2)
    # The places of the tab are kept, as the command keeps them.
    riff = saved(server, "capstan")
    assert [(n.string, n.fret) for n in riff.notes] == [(5, 0), (5, 3), (4, 5), (4, 4)]


def test_file_that_is_no_recording_gives_a_sentence(server: Server, open_page) -> None:
    page = open_page(server)
    page.set_input_files(
        ".well input[type=file]",
        {"name": "<b>bad</b>.wav", "mimeType": "audio/wav", "buffer": b"not sound" * 99},
    )
    page.wait_for_selector(".notice.error", timeout=30_000)
    text = page.inner_text(".notice.error")
    assert "<b>bad</b>.wav" in text
    assert page.locator(".notice.error b:not(strong)").count() == 0
    assert page.locator(".work").count() == 0


def _with_long_work(server: Server, open_page: Callable[..., Any]) -> Any:
    """The list with four minutes of noise being worked at."""
    import io

    import soundfile

    page = open_page(server)
    file = io.BytesIO()
    rng = np.random.default_rng(2)
    soundfile.write(file, 0.2 * rng.standard_normal(240 * 16000), 16000, format="WAV")
    page.set_input_files(
        ".well input[type=file]",
        {"name": "noise.wav", "mimeType": "audio/wav", "buffer": file.getvalue()},
    )
    page.get_by_role("button", name="One riff", exact=True).click()
    page.wait_for_selector(".work progress")
    _expect(page.locator(".work .stage")).not_to_have_text("Sending")
    return page


def test_work_can_be_cancelled(start, open_page) -> None:
    server = start()
    page = _with_long_work(server, open_page)
    page.click(".work button:text-is('Cancel')")
    _expect(page.locator(".work")).to_have_count(0)
    assert page.locator(".notice").count() == 0
    assert not [p for p in server.folder.iterdir() if not p.name.startswith(".")]


def test_microphone_becomes_a_tab(server: Server, open_page) -> None:
    page = open_page(server, permissions=["microphone"])
    page.click("button:text-is('Record')")
    _expect(page.locator(".well .clock")).to_have_text(re.compile(r"^0:0[5-9]"), timeout=20_000)
    page.click("button:text-is('Stop and use it')")
    _tab_of(page)
    name = page.inner_text("h1")
    assert name.startswith("take-")
    duration = saved(server, name).source.duration_sec
    assert 4.5 < duration < 15


def test_names_and_symbols_are_text_not_markup(start, open_page, put, one_riff: Riff) -> None:
    import dataclasses

    server = start()
    mark = "<img src=x onerror=document.title=1>"
    theory = {
        **one_riff.theory,
        "chords": [{"start_sec": 0.3, "end_sec": 1.0, "symbol": mark, "roman": mark}],
        "mode": {**one_riff.theory["mode"], "evidence": [mark], "tonic": mark},
    }
    riff = dataclasses.replace(one_riff, theory=theory, warnings=(Remark("text", {"text": mark}),))
    put(server, f"odd {mark}", riff=riff)
    page = open_page(server)
    assert page.locator("img").count() == 0
    page.click(".entry-name")
    page.wait_for_selector(".tab .note")
    _expect(page.locator("h1")).to_have_text(f"odd {mark}")
    _expect(page.locator(".tab .chord").first).to_have_text(mark)
    assert page.locator("img").count() == 0
    assert page.title().startswith("odd")


# -- correct -----------------------------------------------------------------------------------


def test_pin_moves_the_rest_and_undo_takes_it_back(
    server: Server, open_page, put, one_riff: Riff
) -> None:
    note_id, place = _movable(one_riff)
    page = open_page(server, put(server, "pinned"))
    before = page.locator(".tab .note text").all_text_contents()
    _choose(page, note_id)
    _place_button(page, place).click()
    _expect(page.locator(".place.held")).to_have_count(1)
    _expect(page.locator(".last-change")).to_contain_text("moved")
    after = saved(server, "pinned")
    moved = [
        n.id
        for n in after.notes
        if (n.string, n.fret) != _where(one_riff, n.id) and n.id != note_id
    ]
    assert moved
    _expect(page.locator(".last-change")).to_contain_text(str(len(moved)))
    # Each note that moved shows where it was, and the pinned one is underlined.
    assert page.locator(".tab .was").count() >= 1
    assert page.locator(f"#note-{note_id} .pin").count() == 1
    page.reload()
    page.wait_for_selector(".tab .note")
    assert page.locator(f"#note-{note_id} .pin").count() == 1
    page.click("button:text-is('Undo')")
    _expect(page.locator(f"#note-{note_id} .pin")).to_have_count(0)
    assert page.locator(".tab .note text").all_text_contents() == before
    page.click("button:text-is('Redo')")
    _expect(page.locator(f"#note-{note_id} .pin")).to_have_count(1)
    assert saved(server, "pinned").note(note_id).pinned


def _where(riff: Riff, note_id: int) -> tuple:
    note = riff.note(note_id)
    return note.string, note.fret


def test_repeats_are_offered_the_same_place(server: Server, open_page, put, one_riff: Riff) -> None:
    note = next(
        n
        for n in one_riff.notes
        if repeats_of(one_riff, n.id) and len(one_riff.instrument.places(n.pitch_midi)) > 1
    )
    repeats = repeats_of(one_riff, note.id)
    page = open_page(server, put(server, "repeats"))
    _choose(page, note.id)
    page.locator(".place.current").click()
    offer = page.locator(".repeats button")
    _expect(offer.first).to_be_visible()
    offer.first.click()
    _expect(page.locator(".tab .pin").nth(1)).to_be_attached()  # a level line has no height
    pinned = {n.id for n in saved(server, "repeats").notes if n.pinned}
    assert pinned >= {note.id, repeats[0]}


def test_every_edit_of_a_note(server: Server, open_page, put, one_riff: Riff) -> None:
    page = open_page(server, put(server, "edited"))
    first, second = one_riff.notes[1], one_riff.notes[2]
    _choose(page, first.id)
    page.get_by_label("Technique").select_option("vibrato")
    _expect(page.locator(".last-change")).to_contain_text("Changed")
    assert saved(server, "edited").note(first.id).articulation == "vibrato"
    page.get_by_label("A semitone higher").click()
    higher = _spelled(first.pitch_midi + 1, one_riff)
    _expect(page.locator(".note-facts strong")).to_have_text(higher)
    assert saved(server, "edited").note(first.id).pitch_midi == first.pitch_midi + 1
    page.click("button:text-is('Split in two')")
    _expect(page.locator(".last-change")).to_contain_text("Split")
    assert len(saved(server, "edited").notes) == len(one_riff.notes) + 1
    page.click("button:text-is('Undo')")
    _expect(page.locator(".last-change")).to_contain_text("Taken back")
    _choose(page, first.id)
    page.locator(f"#note-{second.id}").click(modifiers=["Shift"])
    page.click("button:text-is('Merge into one')")
    _expect(page.locator(".last-change")).to_contain_text("Merged")
    assert len(saved(server, "edited").notes) == len(one_riff.notes) - 1
    page.click("button:text-is('Add a note')")
    page.get_by_label("Pitch").fill("C4")
    page.get_by_label("Begins, s").fill("2.00")
    page.click(".note-panel button:text-is('Add')")
    _expect(page.locator(".last-change")).to_contain_text("Added")
    added = [n for n in saved(server, "edited").notes if n.onset_sec == 2.0]
    assert [n.pitch_midi for n in added] == [60]
    page.click("button:text-is('Done adding')")
    _choose(page, added[0].id)
    page.click(".note-panel button:text-is('Delete')")
    _expect(page.locator(".last-change")).to_contain_text("Deleted")
    assert not [n for n in saved(server, "edited").notes if n.onset_sec == 2.0]


def test_missed_note_is_added_from_the_spectrogram(
    server: Server, open_page, put, one_riff: Riff
) -> None:
    sr = 22050
    tone = 0.3 * np.sin(2 * np.pi * 220.0 * np.arange(8 * sr) / sr)
    riff_id = put(server, "spectrogram", take=(tone, sr))
    page = open_page(server, riff_id)
    _expect(page.locator("canvas.picture")).to_have_css("height", "226px", timeout=30_000)
    page.click("button:text-is('Add a note')")
    box = page.locator("canvas.picture").bounding_box()
    x, y = 300, 130
    page.mouse.move(box["x"] + x, box["y"] + y)
    pitch, sec = page.inner_text(".hover").split()[:2]
    page.mouse.click(box["x"] + x, box["y"] + y)
    _expect(page.locator(".last-change")).to_contain_text("Added")
    before = {n.id for n in one_riff.notes}
    (new,) = [n for n in saved(server, "spectrogram").notes if n.id not in before]
    assert pitch == _spelled(new.pitch_midi, one_riff)
    assert abs(new.onset_sec - float(sec)) < 0.02


@pytest.mark.parametrize("refused", [False, True])
def test_a_pinned_note_is_shown_at_once_as_not_saved_yet(
    server: Server, open_page, put, one_riff: Riff, refused: bool
) -> None:
    note_id, (string, fret) = _movable(one_riff)
    page = open_page(server, put(server, f"at-once-{refused}"))
    held = []

    def hold(route) -> None:
        held.append(route)

    page.route("**/edits", hold)
    _choose(page, note_id)
    note = page.locator(f"#note-{note_id}")
    before = note.locator("text").first.text_content()
    _place_button(page, (string, fret)).click()
    _expect(note.locator(".pin-asked")).to_have_count(1)
    _expect(note.locator(".pin")).to_have_count(0)
    _expect(note.locator("text").first).to_have_text(str(fret))
    _expect(page.locator(".saved")).to_have_text("Saving…")
    if refused:
        held[0].fulfill(status=422, json={"error": "No."})
    else:
        held[0].continue_()
    _expect(page.locator(".saved")).to_have_text("All saved")
    _expect(note.locator(".pin-asked")).to_have_count(0)
    _expect(note.locator("text").first).to_have_text(before if refused else str(fret))
    _expect(note.locator(".pin")).to_have_count(0 if refused else 1)


def test_a_note_is_pinned_by_keyboard_alone(server: Server, open_page, put, one_riff: Riff) -> None:
    page = open_page(server, put(server, "keys"))
    for _ in range(60):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.getAttribute('role')") == "listbox":
            break
    assert page.evaluate("document.activeElement.getAttribute('role')") == "listbox"
    for _ in range(3):
        page.keyboard.press("ArrowRight")
    page.wait_for_selector(".place")
    active = page.get_attribute("[role=listbox]", "aria-activedescendant")
    note_id = int(active.removeprefix("note-"))
    _expect(page.locator("#said")).not_to_have_text("")
    page.keyboard.press("Enter")
    page.wait_for_selector(".place:focus")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Enter")
    page.wait_for_selector(".place.held:focus")
    assert saved(server, "keys").note(note_id).pinned
    page.keyboard.press("Control+z")
    _expect(page.locator(".last-change")).to_contain_text("Taken back")
    assert not saved(server, "keys").note(note_id).pinned
    page.keyboard.press("Escape")
    page.locator("[role=listbox]").focus()
    page.keyboard.press("Delete")
    _expect(page.locator(".last-change")).to_contain_text("Deleted")
    assert note_id not in {n.id for n in saved(server, "keys").notes}


def test_a_microphone_that_is_refused_is_told_beside_its_button(
    server: Server, open_page, put, one_riff: Riff
) -> None:
    page = open_page(server, put(server, "refused"))
    page.evaluate(
        "() => { navigator.mediaDevices.getUserMedia = () => Promise.reject("
        "new DOMException('', 'NotAllowedError')); }"
    )
    page.click("button:text-is('Record along')")
    _expect(page.locator(".along .notice.error")).to_contain_text("microphone")
    _expect(page.locator("button:text-is('Record along')")).to_be_visible()


def test_arrow_keys_walk_through_the_notes_from_where_one_is(
    server: Server, open_page, put, one_riff: Riff
) -> None:
    page = open_page(server, put(server, "walk"))
    _expect(page.locator(".place")).to_have_count(0)
    page.locator("body").press("ArrowRight")
    first = one_riff.notes[0]
    _expect(page.locator("[role=listbox]")).to_have_attribute(
        "aria-activedescendant", f"note-{first.id}"
    )
    page.locator(".transport button").first.focus()
    page.keyboard.press("ArrowRight")
    _expect(page.locator("[role=listbox]")).not_to_have_attribute(
        "aria-activedescendant", f"note-{first.id}"
    )
    # A slider keeps its own arrow keys.
    chosen = page.get_attribute("[role=listbox]", "aria-activedescendant")
    page.locator(".transport input[type=range]").first.focus()
    page.keyboard.press("ArrowRight")
    assert page.get_attribute("[role=listbox]", "aria-activedescendant") == chosen


def test_a_note_before_bar_1_lies_in_the_pickup(
    server: Server, open_page, put, one_riff: Riff
) -> None:
    assert one_riff.rhythm is not None
    # The first two beats come before bar 1.
    notes = tuple(
        dataclasses.replace(n, onset_beat=(n.onset_beat or 0.0) - 2.0) for n in one_riff.notes
    )
    later = tuple(0.25 + 0.5 * (2 + 4 * k) for k in range(4))
    rhythm = dataclasses.replace(one_riff.rhythm, downbeats_sec=later, phrases=())
    riff = dataclasses.replace(one_riff, notes=notes, rhythm=rhythm)
    page = open_page(server, put(server, "pickup", riff=riff))
    _choose(page, riff.notes[0].id)
    _expect(page.locator(".note-facts")).to_contain_text("the pickup, beat 3")
    _choose(page, riff.notes[-1].id)
    _expect(page.locator(".note-facts")).to_contain_text("bar 4, beat")
    assert "bar 0" not in (page.locator("body").text_content() or "")


def test_undo_says_what_it_took_back(server: Server, open_page, put, one_riff: Riff) -> None:
    note_id, place = _movable(one_riff)
    page = open_page(server, put(server, "taken-back"))
    _choose(page, note_id)
    _place_button(page, place).click()
    _expect(page.locator(".place.held")).to_have_count(1)
    after = saved(server, "taken-back")
    moved = sum((n.string, n.fret) != _where(one_riff, n.id) for n in after.notes)
    page.click("button:text-is('Undo')")
    # A reader knows a note by its pitch and its bar, not by its number in the document.
    name = _spelled(one_riff.note(note_id).pitch_midi, one_riff)
    words = rf"Taken back: pin of {name} in bar \d+\. {moved} notes? moved\."
    _expect(page.locator(".told p")).to_have_text(re.compile(words))
    page.click("button:text-is('Make it again')")
    _expect(page.locator(f"#note-{note_id} .pin")).to_have_count(1)


_OVERLAPS = """() => {
    const boxes = [...document.querySelectorAll(".tab .note")]
        .map((note) => [note.id, note.querySelector("text").getBoundingClientRect()])
        .concat([...document.querySelectorAll(
            ".tab :is(.deciding, .chord, .bar-number, .phrase)")]
            .map((mark) => [mark.textContent, mark.getBoundingClientRect()]));
    const meet = (a, b) => a.left < b.right && b.left < a.right
        && a.top + 2 < b.bottom && b.top + 2 < a.bottom;
    const found = [];
    for (let i = 0; i < boxes.length; i += 1) for (let j = 0; j < i; j += 1) {
        if (meet(boxes[i][1], boxes[j][1])) found.push([boxes[j][0], boxes[i][0]]);
    }
    return { count: boxes.length, found };
}"""


def _crowded() -> Riff:
    """Fast runs up one string, doubled notes 30 ms apart, and a chord on every beat."""
    from transcribe.core.riff import Note, Phrase, Rhythm

    notes = []
    for k in range(48):
        onset = 0.5 + k * 0.07 + (0.03 if k % 5 == 0 else 0.0)
        fret = 10 + k % 9
        notes.append(Note(len(notes) + 1, onset, onset + 0.06, 59 + fret, string=2, fret=fret))
        if k % 6 == 0:
            onset += 0.03
            notes.append(Note(len(notes) + 1, onset, onset + 0.02, 69, string=2, fret=10))
    beats = tuple(0.5 + 0.28 * k for k in range(14))
    symbols = ("F#m7", "C#m7", "Bmaj7", "G#m7")
    theory = {
        "mode": {
            "tonic": "A",
            "name": "dorian",
            "confidence": 0.9,
            "deciding": ["F# natural", "C natural", "G natural"],
            "degrees": [
                {"degree": d, "note": n, "role": "scale", "share": 0.2}
                for d, n in (("b3", "C"), ("6", "F#"), ("b7", "G"))
            ],
        },
        "chords": [
            {"start_sec": sec, "end_sec": sec + 0.28, "symbol": symbols[k % 4], "roman": ""}
            for k, sec in enumerate(beats[:12])
        ],
    }
    phrases = tuple(Phrase("AB"[k % 2], 2.0 * k, 2.0 * k + 2.0) for k in range(6))
    rhythm = Rhythm(214.0, (2, 4), beats, beats[::2], phrases)
    return Riff(notes=tuple(notes), rhythm=rhythm, theory=theory)


@pytest.mark.parametrize("kind", ["crowded", "rope-walk"])
@pytest.mark.parametrize("width", [1280, 390])
def test_figures_never_lie_over_each_other(
    server: Server, open_page, put, kind: str, width: int
) -> None:
    from transcribe.formats.document import read_riff

    riff = (
        _crowded()
        if kind == "crowded"
        else read_riff(ROOT / "fixtures" / "takes" / kind / "truth.riff.json")
    )
    riff_id = put(server, f"dense-{kind}-{width}", riff=riff)
    page = open_page(server, riff_id, viewport={"width": width, "height": 844})
    for way in ("strip", "lines"):
        if way == "lines":
            page.click("button.in-words")
            page.wait_for_selector(".line .note")
        seen = page.evaluate(_OVERLAPS)
        assert seen["count"] > 20
        assert seen["found"] == []
    # Every line fits the page, and all of them together hold every note.
    for line in page.locator(".line").all():
        line.scroll_into_view_if_needed()
        assert line.bounding_box()["x"] + line.bounding_box()["width"] <= width
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    # However far the view is taken back, nothing runs together.
    page.click("button.in-words")
    for _ in range(6):
        page.click("button:text-is('Closer')")
    page.evaluate(_NEXT_FRAMES)
    assert page.evaluate(_OVERLAPS)["found"] == []


def test_time_and_place_on_the_axis_agree(server: Server, open_page, put) -> None:
    page = open_page(server, put(server, "axis", riff=_crowded()))
    there_and_back = page.evaluate(
        """() => {
            const { axis, duration } = document.querySelector("main").riff.strip;
            const secs = Array.from({ length: 400 }, (_, k) => (k * duration) / 400);
            return secs.map((sec) => [sec, axis.xOf(sec), axis.secAt(axis.xOf(sec))]);
        }"""
    )
    places = [x for _, x, _ in there_and_back]
    assert places == sorted(places)
    assert max(abs(sec - back) for sec, _, back in there_and_back) < 1e-6


def test_tab_in_lines_is_remembered_and_corrected_by_keyboard(
    server: Server, open_page, put, one_riff: Riff
) -> None:
    page = open_page(server, put(server, "in-lines"))
    page.click("button.in-words")
    _expect(page.locator(".line .note")).to_have_count(len(one_riff.notes))
    page.reload()
    _expect(page.locator(".line .note")).to_have_count(len(one_riff.notes))
    page.locator("[role=listbox]").focus()
    page.keyboard.press("End")
    page.keyboard.press("ArrowLeft")
    page.keyboard.press("Enter")
    page.wait_for_selector(".place:focus")
    page.keyboard.press("Enter")
    _expect(page.locator(".line .note .pin")).to_have_count(1)
    assert any(note.pinned for note in saved(server, "in-lines").notes)


def test_several_notes_are_chosen_by_touch(server: Server, open_page, put, one_riff: Riff) -> None:
    phone = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}
    page = open_page(server, put(server, "chosen"), **phone)
    first, second = one_riff.notes[1], one_riff.notes[2]
    page.locator(f"#note-{first.id}").tap()
    page.get_by_role("button", name="Several").tap()
    page.locator(f"#note-{second.id}").tap()
    _expect(page.locator(".note-panel")).to_contain_text("2 notes chosen")
    page.get_by_role("button", name="Loop them").tap()
    _expect(page.locator(".loop-text")).to_contain_text("Loop")
    page.get_by_role("button", name="Several").tap()
    page.locator(f"#note-{first.id}").tap()
    _expect(page.locator(".tab .note.chosen")).to_have_count(1)


def test_pitches_and_strings_are_spelled_in_the_key(server: Server, open_page, put) -> None:
    # F major has a B flat (key signatures in any handbook); a guitar that is tuned down half a step
    # has its strings in flats (common practice, no source).
    scale = [53, 55, 57, 58, 60, 62, 64, 65, 64, 62, 60, 58, 57, 55, 53, 57, 60, 53]
    notes = tuple(Note(k + 1, 0.5 * k, 0.5 * k + 0.45, pitch) for k, pitch in enumerate(scale))
    riff = finger(Riff(notes=notes, instrument=make_instrument("half-step-down")))
    assert key_of(riff.theory)[0] == -1
    page = open_page(server, put(server, "in-flats", riff=riff))
    strings = ["E♭", "B♭", "G♭", "D♭", "A♭", "E♭"]
    _expect(page.locator("svg.tab .names text")).to_have_text(strings)
    _choose(page, 4)
    _expect(page.locator(".note-facts strong")).to_have_text("B♭3")
    assert "B♭3" in page.locator("#note-4").get_attribute("aria-label")
    _expect(page.locator(".neck-box .neck")).to_contain_text("".join(strings))
    page.click("role=tab[name='Files, print']")
    _expect(page.locator(".sheet-preview")).to_contain_text("E♭4 B♭3 G♭3 D♭3 A♭2 E♭2")
    assert "E♭4 B♭3 G♭3 D♭3 A♭2 E♭2" in neck_of_all([riff])


def test_notes_without_a_string_are_listed_and_can_be_chosen(
    server: Server, open_page, put
) -> None:
    below = Note(2, 1.0, 1.4, 30)  # F#1: no string of a guitar in standard tuning reaches it
    riff = Riff(notes=(Note(1, 0.0, 0.4, 64, string=1, fret=0), below))
    page = open_page(server, put(server, "lost", riff=riff))
    # A note at the very start keeps clear of the strings' names.
    names, figure = (page.locator(at).bounding_box() for at in (".names-ground", "#note-1 text"))
    assert figure["x"] >= names["x"] + names["width"]
    remark = page.locator(".remark")
    _expect(remark).to_contain_text("F♯1 at 1.0 s")
    remark.get_by_role("button").click()
    _expect(page.locator("#note-2")).to_have_attribute("aria-selected", "true")
    _expect(page.locator(".note-facts")).to_contain_text("on no string yet")


def test_focus_stays_with_the_keyboard_through_edits(
    server: Server, open_page, put, one_riff: Riff
) -> None:
    page = open_page(server, put(server, "focus"))
    focused = "document.activeElement.getAttribute('aria-label') || document.activeElement.tagName"
    _choose(page, one_riff.notes[1].id)
    page.get_by_label("A semitone higher").focus()
    for _ in range(2):
        before = page.inner_text(".note-facts strong")
        page.keyboard.press("Enter")
        _expect(page.locator(".note-facts strong")).not_to_have_text(before)
        assert page.evaluate(focused) == "A semitone higher"
    page.locator(".place.current").focus()
    page.keyboard.press("Enter")
    page.wait_for_selector(".place.held:focus")
    page.keyboard.press("Control+z")
    _expect(page.locator(".last-change")).to_contain_text("Taken back")
    page.wait_for_selector(".place.current:focus")
    page.keyboard.press("Escape")
    assert page.evaluate("document.activeElement.getAttribute('role')") == "listbox"


def test_what_a_pin_took_away_is_told_with_the_way_back(server: Server, open_page, put) -> None:
    from transcribe.core.riff import Note

    # Two notes at once that both want the lowest string: pinning the one displaces the other.
    low, lower = Note(1, 0.0, 1.0, 45), Note(2, 0.0, 1.0, 41)
    riff = fingering.apply(
        (low, lower), fingering.solve((low, lower), Riff(notes=(low, lower)).instrument)
    )
    page = open_page(server, put(server, "displaced", riff=Riff(notes=riff)))
    before = (server.folder / "displaced.riff.json").read_text("utf-8")
    _choose(page, 1)
    _place_button(page, (6, 5)).click()
    told = page.locator(".last-change")
    _expect(told).to_contain_text(re.compile("lost its string|Nothing was changed"))
    if "Nothing was changed" in told.inner_text():
        # Refused: the document is as it was, and the words name the note that is in the way.
        assert (server.folder / "displaced.riff.json").read_text("utf-8") == before
        assert "F2" in told.inner_text()
    else:
        told.get_by_role("button", name="Take it back").click()
        _expect(page.locator(".tab .note text").first).not_to_have_text("?")
        assert all(note.string is not None for note in saved(server, "displaced").notes)


def test_added_note_says_where_it_came_to_lie(
    server: Server, open_page, put, one_riff: Riff
) -> None:
    page = open_page(server, put(server, "added"))
    page.click("button:text-is('Add a note')")
    page.get_by_label("Pitch").fill("E5")
    page.get_by_label("Begins, s").fill("3.25")
    page.click(".note-panel button:text-is('Add')")
    _expect(page.locator(".told p")).to_contain_text(re.compile(r"Added E5 in bar \d+, on string"))
    page.click("button:text-is('Take it back')")
    _expect(page.locator(".told p")).to_contain_text("Taken back: add")
    assert len(saved(server, "added").notes) == len(one_riff.notes)


# -- two at once -------------------------------------------------------------------------------


@pytest.mark.parametrize("answer", ["Keep theirs and make my change too", "Show theirs"])
def test_two_windows_lose_no_pin(
    server: Server, open_page, put, one_riff: Riff, answer: str
) -> None:
    a, b = one_riff.notes[1], one_riff.notes[5]
    name = "windows-" + answer[:4].lower()
    one = open_page(server, put(server, name))
    two = open_page(server, server.id_of(name), beside=one)
    _choose(two, b.id)
    _choose(one, a.id)
    one.locator(".place.current").click()
    _expect(one.locator(".place.held")).to_have_count(1)
    two.locator(".place.current").click()
    two.wait_for_selector("dialog[open]")
    assert {n.id for n in saved(server, name).notes if n.pinned} == {a.id}
    two.locator("dialog button", has_text=answer).click()
    _expect(two.locator(f"#note-{a.id} .pin")).to_have_count(1)
    both = answer.startswith("Keep")
    _expect(two.locator(f"#note-{b.id} .pin")).to_have_count(1 if both else 0)
    pinned = {n.id for n in saved(server, name).notes if n.pinned}
    assert pinned == ({a.id, b.id} if both else {a.id})


def test_command_that_changes_the_riff_is_noticed(
    server: Server, open_page, put, one_riff: Riff
) -> None:
    page = open_page(server, put(server, "command"))
    note = one_riff.notes[1]
    path = server.folder / "command.riff.json"
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "transcribe.command.main",
            "refinger",
            str(path),
            "--pin",
            f"{note.id}={note.string}/{note.fret}",
        ],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    page.wait_for_selector(".notice:has-text('by the command')", timeout=15_000)
    page.click("button:text-is('Show the new version')")
    _expect(page.locator(f"#note-{note.id} .pin")).to_have_count(1)


# -- hear, check, take away --------------------------------------------------------------------


def test_take_plays_slower_at_its_own_pitch_and_loops(server: Server, open_page, put) -> None:
    sr = 22050
    t = np.arange(8 * sr) / sr
    riff_id = put(server, "tone", take=(0.5 * np.sin(2 * np.pi * 440.0 * t), sr))
    page = open_page(server, riff_id)
    _expect(page.locator("canvas.picture")).to_have_css("height", "226px", timeout=30_000)
    page.locator("input[type=range]").first.fill("40")
    page.evaluate("document.querySelector('main').riff.setLoop([1, 1.6])")
    page.click("button.play")
    # Well into the loop, with the analyser's window full of sound.
    page.wait_for_function(
        "() => document.querySelector('main').riff.player.lead?.currentTime > 1.35"
    )
    heard = page.evaluate(
        """() => {
            const { player } = document.querySelector("main").riff;
            const bins = new Float32Array(player.analyser.frequencyBinCount);
            player.analyser.getFloatFrequencyData(bins);
            let best = 0;
            for (let i = 1; i < bins.length; i += 1) if (bins[i] > bins[best]) best = i;
            return { hz: best * player.context.sampleRate / 2 / bins.length, db: bins[best],
                     rate: player.take.playbackRate };
        }"""
    )
    assert heard["rate"] == 0.4
    assert heard["db"] > -60, "nothing is heard at 40 % speed"
    # The analyser's bins are 3 Hz wide; without pitch kept it would sound at 176 Hz.
    assert abs(heard["hz"] - 440.0) < 8
    places = page.evaluate(
        """() => new Promise((done) => {
            const { lead } = document.querySelector("main").riff.player;
            const found = [];
            const look = () => {
                found.push(lead.currentTime);
                const rounds = found.filter((sec, k) => k && sec < found[k - 1]).length;
                if (rounds < 2 && found.length < 1000) requestAnimationFrame(look);
                else done(found);
            };
            look();
        })"""
    )
    assert all(0.95 <= sec <= 1.75 for sec in places), places
    assert any(b < a for a, b in pairwise(places)), "it never came round"
    page.click("button.play")
    _expect(page.locator("button.play")).to_have_text("Play")


def test_tab_is_played_by_the_strings(server: Server, open_page, put, one_riff: Riff) -> None:
    page = open_page(server, put(server, "strings"))
    page.click("button.play")
    _expect(page.locator("button.play")).to_have_text("Pause", timeout=30_000)
    # Silence would be far below.
    page.wait_for_function(
        """() => {
            const { player } = document.querySelector("main").riff;
            const bins = new Float32Array(player.analyser.frequencyBinCount);
            player.analyser.getFloatFrequencyData(bins);
            return Math.max(...bins) > -90;
        }"""
    )
    page.keyboard.press("Escape")
    page.click("button.play")


def test_count_in_and_click_follow_the_beat(server: Server, open_page, put, one_riff: Riff) -> None:
    page = open_page(server, put(server, "click"))
    page.evaluate(
        """() => {
            const { player } = document.querySelector("main").riff;
            player.ticks = [];
            const tick = player.tick.bind(player);
            player.tick = (when, strong) => {
                player.ticks.push([when, strong]);
                tick(when, strong);
            };
        }"""
    )
    page.get_by_label("Count-in").check()
    page.get_by_role("checkbox", name="Click").check()
    page.click("button.play")
    page.wait_for_function("() => document.querySelector('main').riff.player.ticks.length >= 9")
    page.click("button.play")
    ticks = page.evaluate("document.querySelector('main').riff.player.ticks")
    assert len(ticks) >= 8
    # A bar of four at 120 beats a minute, then the beats of the riff itself, half a second apart.
    gaps = [b[0] - a[0] for a, b in pairwise(ticks)]
    assert all(abs(gap - 0.5) < 0.02 for gap in gaps[:3]), gaps
    assert all(abs(gap - 0.5) < 0.12 for gap in gaps[4:]), gaps
    assert [strong for _, strong in ticks[:4]] == [True, False, False, False]


def test_file_let_go_over_a_riff_is_checked_against_it(
    server: Server, open_page, put, one_riff: Riff
) -> None:
    page = open_page(server, put(server, "under-the-drop"))
    text = (server.folder / "under-the-drop.riff.json").read_text("utf-8")
    transfer = page.evaluate_handle(
        """(text) => {
            const transfer = new DataTransfer();
            transfer.items.add(new File([text], "again.riff.json"));
            return transfer;
        }""",
        text,
    )
    page.dispatch_event("h1", "drop", {"dataTransfer": transfer})
    page.wait_for_selector(".check-result h3", timeout=30_000)
    _expect(page.locator(".check-result")).to_contain_text("100 % right")
    _expect(page.locator("h1")).to_have_text("under-the-drop")


def test_other_fingering_is_shown_then_taken(
    server: Server, open_page, put, one_riff: Riff
) -> None:
    other = next(
        k
        for k, each in enumerate(one_riff.alternatives)
        if any(_where(one_riff, i) != tuple(place) for i, place in each.positions.items())
    )
    page = open_page(server, put(server, "others"))
    page.click("#tab-fingering")
    before = page.locator(".tab .note text").all_text_contents()
    item = page.locator(".others > li").nth(other + 1)  # behind one's own
    # What a fingering asks of the hand stands against what is easier, and adds to what is harder.
    _expect(page.locator(".others h4").first).to_have_text("As it is")
    _expect(item).to_contain_text(re.compile("easier for the hand|as easy|harder for the hand"))
    for said in page.locator(".others p").all_text_contents():
        assert not re.search("harder for the hand, but|eas(ier|y)[^,]*, and", said)
    item.locator("button:text-is('Show')").click()
    _expect(page.locator(".preview-note")).to_be_visible()
    # The tab is drawn with the next frame.
    page.wait_for_function(
        """before => [...document.querySelectorAll(".tab .note text")]
            .map((e) => e.textContent).join() !== before""",
        arg=",".join(before),
    )
    assert not any(note.pinned for note in saved(server, "others").notes)
    item.locator("button", has_text="Use it").click()
    _expect(page.locator(".last-change")).to_contain_text("Taken over")
    after = saved(server, "others")
    for note in after.notes:
        place = one_riff.alternatives[other].positions.get(note.id)
        if place is not None:
            assert (note.string, note.fret) == tuple(place)
    assert not any(note.pinned for note in after.notes)
    page.click("button:text-is('Undo')")
    page.wait_for_function(
        """before => [...document.querySelectorAll(".tab .note text")]
            .map((e) => e.textContent).join() === before""",
        arg=",".join(before),
    )


def test_theory_is_read_and_heard(server: Server, open_page, put, one_riff: Riff) -> None:
    page = open_page(server, put(server, "theory"))
    mode = one_riff.theory["mode"]
    _expect(page.locator(".theory h3").first).to_contain_text(mode["name"])
    page.click("button:text-is('Hear the scale')")
    _expect(page.locator("button:text-is('Hear the scale')")).to_be_enabled(timeout=30_000)
    assert page.locator(".notice.error").count() == 0
    heard = page.evaluate("document.querySelector('main').riff.aside.duration")
    assert heard > 2


def test_take_is_compared_and_the_worst_place_looped(
    server: Server, open_page, put, mooring: Path
) -> None:
    from transcribe.formats.document import read_riff

    truth = read_riff(ROOT / "fixtures" / "takes" / "mooring" / "truth.riff.json")
    page = open_page(server, put(server, "reference", riff=truth))
    page.click("#tab-check")
    slips = ROOT / "fixtures" / "takes" / "mooring-slips" / "mooring-slips.ogg"
    page.set_input_files("#pane-check input[type=file]", slips)
    page.wait_for_selector(".check-result h3, .notice.error", timeout=90_000)
    assert page.locator(".notice.error").all_text_contents() == []
    assert page.locator(".tab .verdict").count() > 3
    _expect(page.locator(".check-result")).to_contain_text("% right")
    assert page.locator(".plot .dot").count() > 5
    page.click("button:text-is('Loop the worst place')")
    place = page.locator(".plan li b").first.inner_text().lower().replace(" and ", "–")
    _expect(page.locator(".loop-text")).to_have_text(f"Loop {place}")
    _expect(page.locator(".band")).to_be_visible()
    # It plays at the tempo that the advice names.
    _expect(page.locator("button.play")).to_have_text("Pause", timeout=60_000)
    advice = page.locator(".plan li").first.inner_text()
    tempo = int(re.search(r"from (\d+) bpm", advice)[1])
    assert truth.rhythm is not None
    speed = page.evaluate("document.querySelector('main').riff.player.speed")
    assert abs(speed * truth.rhythm.bpm - tempo) < 1
    page.click("button.play")
    page.click("button:text-is('Clear the verdicts')")
    _expect(page.locator(".tab .verdict")).to_have_count(0)
    assert (server.folder / "reference.progress.jsonl").exists()


def test_take_of_another_riff_is_told_and_leaves_the_last_verdicts(
    server: Server, open_page, compared: Callable[[str], str]
) -> None:
    page = open_page(server, compared("mistaken"))
    kept = (server.folder / "mistaken.check.json").read_bytes()
    page.click("#tab-check")
    lantern = ROOT / "fixtures" / "takes" / "lantern"
    page.set_input_files("#pane-check input[type=file]", next(lantern.glob("lantern.*[gc]")))
    told = page.locator("#pane-check .notice")
    _expect(told).to_contain_text("does not look like the reference", timeout=90_000)
    _expect(page.locator(".verdict-line")).to_contain_text("mooring-slips.ogg")
    assert (server.folder / "mistaken.check.json").read_bytes() == kept
    assert not (server.folder / "mistaken.progress.jsonl").exists()


def test_verdicts_are_there_again_after_a_reload_and_follow_the_notes(
    server: Server, open_page, compared: Callable[[str], str]
) -> None:
    from datetime import UTC, datetime

    page = open_page(server, compared("kept"))
    _expect(page.locator(".verdict-line")).to_contain_text("mooring-slips.ogg")
    first = saved(server, "kept").notes[0].id
    assert page.locator(".tab .verdict").count() > 3
    marks = page.locator(".tab .verdict").all_text_contents()
    rows = page.locator(".verdicts tbody tr").all_text_contents()
    page.reload()
    _expect(page.locator(".verdict-line")).to_contain_text("mooring-slips.ogg")
    _expect(page.locator(".verdict-line")).to_contain_text(str(datetime.now(UTC).year))
    assert page.locator(".tab .verdict").all_text_contents() == marks
    page.click("button:text-is('What to practise')")
    assert page.locator(".verdicts tbody tr").all_text_contents() == rows
    # A note that goes takes its verdict along, and the others keep theirs.
    _choose(page, first)
    page.click(".note-panel button:text-is('Delete')")
    _expect(page.locator(".verdict-line")).to_contain_text("1 note without a verdict")
    page.click("button:text-is('Undo')")
    _expect(page.locator(".verdict-line")).not_to_contain_text("without a verdict")
    # An extra note stays at its moment though the bars are counted anew.
    extra = ".tab .verdict.extra"
    before = page.locator(extra).get_attribute("x")
    page.get_by_role("button", name="Half time (").click()
    _expect(page.locator(".told p")).to_contain_text("half time")
    after = page.locator(extra).get_attribute("x")
    assert abs(float(before) - float(after)) < 12  # the bar lines move it by a little
    page.click("button:text-is('Take it back')")
    _expect(page.locator(".told p")).to_contain_text("Taken back")
    # Another window shows what is compared, and what is cleared, in this one.
    other = open_page(server, server.id_of("kept"), beside=page)
    _expect(other.locator(".verdict-line")).to_be_visible()
    page.click("button:text-is('Clear the verdicts')")
    _expect(page.locator(".tab .verdict")).to_have_count(0)
    other.bring_to_front()
    _expect(other.locator(".tab .verdict")).to_have_count(0, timeout=12_000)
    page.bring_to_front()
    with page.expect_response(lambda response: response.url.endswith("/check")):
        page.reload()
    page.wait_for_selector(".tab .note")
    page.evaluate(_NEXT_FRAMES)
    assert page.locator(".tab .verdict").count() == 0
    # The figures of each take stay in its history.
    assert (server.folder / "model.progress.jsonl").is_file()


def test_of_two_playings_only_the_one_that_counts_is_shown(
    server: Server, open_page, compared: Callable[[str], str]
) -> None:
    riff_id = compared("twice")
    path = server.folder / "twice.check.json"
    kept = json.loads(path.read_text("utf-8"))
    rows = kept["comparison"]["notes"]
    right = next(row for row in rows if row["verdict"] == "right")
    note_id = kept["notes"][right["reference"]][0]
    wrong = sum(row["verdict"] != "right" and not row.get("left_out") for row in rows)
    rows.append({**right, "verdict": "wrong", "again": True})
    rows.append({**right, "reference": None, "verdict": "extra", "again": True})
    path.write_text(json.dumps(kept), encoding="utf-8")
    page = open_page(server, riff_id)
    _expect(page.locator(".verdict-line")).to_contain_text("mooring-slips.ogg")
    extras = [row for row in rows if row["verdict"] == "extra" and not row.get("again")]
    _expect(page.locator(".tab .verdict.extra")).to_have_count(len(extras))
    page.click("button:text-is('What to practise')")
    _expect(page.locator(".verdicts tbody tr")).to_have_count(wrong)
    name = page.locator(f"#note-{note_id}").get_attribute("aria-label")
    assert name
    column = page.locator(f"#note-{note_id} text").first.get_attribute("x")
    assert not [
        mark
        for mark in page.locator(".tab .verdict.wrong").all()
        if mark.get_attribute("x") == column
    ]


def test_half_time_is_one_step_and_back(server: Server, open_page, put, one_riff: Riff) -> None:
    assert one_riff.rhythm is not None
    page = open_page(server, put(server, "felt"))
    page.click("button:text-is('Half time (60)')")
    _expect(page.locator(".told p")).to_contain_text("half time: 60 bpm")
    _expect(page.locator(".tempo")).to_contain_text("60 bpm, 4/4")
    half = saved(server, "felt")
    assert half.rhythm is not None
    assert abs(half.rhythm.bpm - one_riff.rhythm.bpm / 2) < 0.5
    assert abs(len(half.rhythm.beats_sec) - len(one_riff.rhythm.beats_sec) / 2) <= 2
    page.click("button:text-is('Take it back')")
    _expect(page.locator(".tempo")).to_contain_text("120 bpm")
    assert saved(server, "felt").rhythm == one_riff.rhythm
    page.click("button:text-is('Bars…')")
    page.get_by_label("Beats a minute").fill("240")
    page.click("button:text-is('Find the bars again')")
    _expect(page.locator(".told p")).to_contain_text("240 bpm")


def test_take_begun_on_an_older_list_is_shown_all_the_same(
    server: Server, open_page, mooring: Path
) -> None:
    page = open_page(server)
    page.set_input_files(".well input[type=file]", mooring)
    # The list is drawn anew while the take is on its way.
    page.evaluate("dispatchEvent(new Event('hashchange'))")
    _tab_of(page)
    assert re.fullmatch(r"mooring(-\d+)?", page.inner_text("h1"))


def test_work_goes_on_through_a_reload(start, open_page) -> None:
    server = start()
    page = _with_long_work(server, open_page)
    page.reload()
    _expect(page.locator(".work")).to_contain_text("noise.wav")
    other = open_page(server, beside=page)
    _expect(other.locator(".work")).to_contain_text("noise.wav")
    page.click(".work button:text-is('Cancel')")
    _expect(page.locator(".work")).to_have_count(0)
    _expect(other.locator(".work")).to_have_count(0)


def test_timing_plot_is_legible_on_a_phone(
    server: Server, open_page, compared: Callable[[str], str]
) -> None:
    page = open_page(server, compared("small-plot"), viewport={"width": 375, "height": 740})
    page.click("#tab-check")
    page.wait_for_selector(".plot")
    # The drawing is not shrunk: a unit of its own stays a pixel, so its words keep their size.
    scale = page.evaluate("document.querySelector('.plot').getScreenCTM().a")
    assert scale > 0.95
    assert page.evaluate("document.documentElement.scrollWidth") <= 375
    # Each slip is told with its bar and beat.
    _expect(page.locator(".verdicts tbody tr td:nth-child(2)").first).to_contain_text("beat")


def test_the_sheets_words_do_not_lie_over_its_notes(server: Server, open_page, put) -> None:
    from transcribe.formats.document import read_riff

    truth = read_riff(ROOT / "fixtures" / "takes" / "mooring" / "truth.riff.json")
    assert truth.drone is not None
    page = open_page(server, put(server, "sheet-words", riff=truth))
    page.click("#tab-away")
    page.wait_for_selector(".sheet-preview .system")
    _expect(page.locator(".sheet-preview")).to_contain_text("rings open as a drone")
    over = page.evaluate(
        """() => {
            const sheet = document.querySelector(".sheet-preview");
            const words = [...sheet.querySelectorAll("text")]
                .filter((e) => e.textContent.length > 8);
            const marks = [...sheet.querySelectorAll(".system :is(line, path, rect, text)")];
            const meet = (a, b) => a.left + 1 < b.right && a.right > b.left + 1
                && a.top + 1 < b.bottom && a.bottom > b.top + 1;
            return words.flatMap((word) => marks
                .filter((mark) => mark !== word
                    && meet(word.getBoundingClientRect(), mark.getBoundingClientRect()))
                .map((mark) => [word.textContent, mark.outerHTML]));
        }"""
    )
    assert over == []


@pytest.mark.parametrize(("paper", "points"), [("a4", (595, 842)), ("letter", (612, 792))])
def test_sheet_prints_on_its_paper(
    server: Server, open_page, put, one_riff: Riff, tmp_path: Path, paper: str, points: tuple
) -> None:
    page = open_page(server, put(server, f"sheet-{paper}"))
    page.click("#tab-away")
    page.get_by_label("Paper").select_option(paper)
    figures = page.locator(".sheet-preview .note").count()
    assert figures == len(one_riff.notes)
    out = tmp_path / "sheet.pdf"
    page.pdf(path=out, prefer_css_page_size=True)
    data = out.read_bytes()
    # ISO 216: A4 is 210 x 297 mm; ANSI Letter 8.5 x 11 in; a point is 1/72 in.
    boxes = re.findall(rb"/MediaBox *\[ *0 +0 +([\d.]+) +([\d.]+) *\]", data)
    pages = page.locator(".sheet-preview .sheet-page").count()
    assert len(boxes) == pages
    for width, height in boxes:
        assert abs(float(width) - points[0]) < 1.5
        assert abs(float(height) - points[1]) < 1.5
    # Afterwards the page is itself again.
    assert page.locator("button.play").is_visible()


@pytest.mark.parametrize(
    "label", ["Text tab", "MusicXML", "WAV of the tab", "Handout", "Practice sound"]
)
def test_files_are_taken_away(server: Server, open_page, put, label: str) -> None:
    page = open_page(server, put(server, "away"))
    page.click("#tab-away")
    with page.expect_download(timeout=30_000) as download:
        page.click(f"button:text-is('{label}')")
    assert download.value.suggested_filename.startswith("away")
    assert Path(download.value.path()).stat().st_size > 100


def test_bare_notes_are_shown_and_can_be_pinned(server: Server, open_page, put) -> None:
    from transcribe.core.riff import Note

    notes = tuple(Note(k + 1, 0.5 * k, 0.5 * k + 0.4, 60 + k) for k in range(6))
    page = open_page(server, put(server, "bare", riff=Riff(notes=notes)))
    assert page.locator(".tab .note text").all_text_contents()[0] == "?"
    _choose(page, 3)
    _place_button(page, (2, 3)).click()
    _expect(page.locator("#note-3 .pin")).to_have_count(1)
    after = saved(server, "bare")
    assert (after.note(3).string, after.note(3).fret) == (2, 3)
    assert all(note.string is not None for note in after.notes)
    for tab in ("fingering", "theory", "check", "away"):
        page.click(f"#tab-{tab}")
        page.wait_for_selector(f"#pane-{tab} > *")
    assert page.locator(".sheet-preview .note").count() == 6
    assert page.locator(".notice.error").count() == 0


# -- looks -------------------------------------------------------------------------------------


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1200, 375])
def test_axe_finds_nothing(
    server: Server, open_page, put, axe: Path, one_riff: Riff, scheme: str, width: int
) -> None:
    riff_id = put(server, f"axe-{scheme}-{width}")
    # The checker is a script of its own: only for it the page's policy is set aside.
    page = open_page(
        server,
        bypass_csp=True,
        color_scheme=scheme,
        viewport={"width": width, "height": 800},
        reduced_motion="reduce",
    )
    found = violations(page, axe)
    page.goto(f"{server.url}/#riff={riff_id}")
    page.wait_for_selector(".tab .note")
    page.locator(f"#note-{one_riff.notes[1].id}").click()
    page.wait_for_selector(".place")
    page.locator(".place.current").click()
    page.wait_for_selector(".place.held")
    for tab in ("fingering", "theory", "check", "away"):
        page.click(f"#tab-{tab}")
        page.wait_for_selector(f"#pane-{tab} > *")
        found += violations(page, axe)
        if width == 375:
            assert page.evaluate("document.documentElement.scrollWidth") <= 375
    assert not found, "\n".join(found)


def test_everything_to_tap_has_room_for_a_finger(
    server: Server, open_page, put, one_riff: Riff
) -> None:
    phone = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}
    page = open_page(server, put(server, "finger"), **phone)
    page.locator(f"#note-{one_riff.notes[1].id}").tap()
    page.wait_for_selector(".place")
    # The places come into the window beside the note that was tapped.
    _expect(page.locator(".place.current")).to_be_in_viewport(ratio=1)
    _expect(page.locator(f"#note-{one_riff.notes[1].id}")).to_be_in_viewport(ratio=1)
    page.locator(".place.current").tap()
    page.wait_for_selector(".place.held")
    small = """() => [...document.querySelectorAll("button, summary, select, a, input")]
        .filter((e) => e.checkVisibility() && !e.closest(".unseen, .skip") && e.type !== "file"
            && !e.matches(".unseen, .skip, [type=checkbox]"))
        .map((e) => [e.outerHTML.slice(0, 90), e.getBoundingClientRect()])
        .filter(([, box]) => box.height < 39.5 || box.width < 39.5)
        .map(([html, box]) => `${html} ${box.width} x ${box.height}`)"""
    for tab in ("fingering", "theory", "check", "away"):
        page.locator(f"#tab-{tab}").tap()
        page.wait_for_selector(f"#pane-{tab} > *")
        assert page.evaluate(small) == []
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
    page.goto(f"{server.url}/#")
    page.wait_for_selector(".entry")
    assert page.evaluate(small) == []


def test_long_take_draws_only_what_is_in_view(
    server: Server, open_page, put, one_riff: Riff
) -> None:
    riff = over_and_over(one_riff, times=75)
    assert riff.source is not None
    assert riff.source.duration_sec == 600.0
    assert len(riff.notes) > 1000
    page = open_page(server, put(server, "long", riff=riff))
    assert page.locator(".tab .note").count() < 250
    for share in (0.25, 0.5, 1.0):
        page.evaluate(
            f"(() => {{ const s = document.querySelector('.scroller');"
            f" s.scrollLeft = s.scrollWidth * {share}; }})()"
        )
        page.evaluate(_NEXT_FRAMES)
        drawn = page.locator(".tab .note").count()
        assert 0 < drawn < 250
    last = riff.notes[-1]
    assert page.locator(f"#note-{last.id}").is_visible()
    page.locator("[role=listbox]").focus()
    page.keyboard.press("Home")
    _expect(page.locator(f"#note-{riff.notes[0].id}")).to_have_class(re.compile("chosen"))
