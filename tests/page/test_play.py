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
from transcribe.core.riff import Riff, Source
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
    page.click("button:has-text('Loop this bar')")
    start, end = page.evaluate("document.querySelector('main').riff.loop")
    assert [n.id for n in truth.notes if start < n.onset_sec < end] == [n.id for n in bar_2]
    # Pressed again with no note chosen, it stays on that bar.
    page.locator("[role=listbox]").focus()
    page.keyboard.press("Escape")
    page.click("button:has-text('Loop this bar')")
    assert page.evaluate("document.querySelector('main').riff.loop") == [start, end]


def test_recording_is_counted_in_and_can_be_called_off(
    server: Server, open_page, put, one_riff: Riff
) -> None:
    page = open_page(server, put(server, "counted-in"))
    # Slowly, so that each number is seen.
    page.evaluate("document.querySelector('main').riff.transport.setSpeed(40)")
    record = page.locator(".along button").first
    record.click()
    count = page.locator(".counter output")
    for number in "1234":
        _expect(count).to_have_text(number)
    _expect(record).to_have_text("Stop and use it")
    before = page.evaluate("document.querySelector('main').riff.player.now")
    page.wait_for_function(
        "(before) => document.querySelector('main').riff.player.now > before", arg=before
    )
    page.keyboard.press("Escape")
    _expect(page.locator("button.play")).to_have_text("Play")
    _expect(record).to_have_text("Record along")
    record.click()
    _expect(count).to_have_text("2")
    page.keyboard.press("Escape")
    _expect(page.locator(".counter")).to_be_hidden()
    _expect(record).to_have_text("Record along")
    # What is left of the count leads to no recording.
    turn = "document.querySelector('main').riff.player"
    page.evaluate(f"{turn}.count({turn}.turn)")
    _expect(record).to_have_text("Record along")
    assert page.evaluate("document.querySelector('main').riff.along.recorder") is None


# Until two frames in a row find the window and the tab where they were.
_AT_REST = """() => new Promise((done) => {
    let before = "";
    const look = () => {
        const now = `${window.scrollY} ${document.querySelector(".scroller, .lines").scrollLeft}`;
        if (now === before) done();
        else {
            before = now;
            requestAnimationFrame(() => requestAnimationFrame(look));
        }
    };
    look();
})"""

# The boxes of the chosen note and of its panel, and the height of the window.
_SEEN = """() => {
    const box = (at) => {
        const { left, right, top, bottom } = document.querySelector(at).getBoundingClientRect();
        return { left, right, top, bottom };
    };
    return [box(".tab .note.chosen"), box(".note-panel"), window.innerHeight];
}"""


@pytest.mark.parametrize("size", [(1440, 900), (820, 1180), (390, 844), (844, 390)])
@pytest.mark.parametrize("way", ["strip", "lines"])
def test_the_chosen_note_is_seen_with_its_panel(
    server: Server, open_page, put, one_riff: Riff, size: tuple[int, int], way: str
) -> None:
    riff = over_and_over(one_riff, times=20)
    width, height = size
    riff_id = put(server, f"docked-{way}-{width}", riff=riff)
    page = open_page(server, riff_id, viewport={"width": width, "height": height})
    if way == "lines":
        page.click("button.in-words")
        page.wait_for_selector(".line .note")
    page.locator("[role=listbox]").focus()
    for key in ("Home", "End", "ArrowLeft"):
        page.keyboard.press(key)
        page.wait_for_selector(".place")
        # The window comes to rest where the note is.
        page.evaluate(_AT_REST)
        note, panel, window = page.evaluate(_SEEN)
        assert note["top"] >= 0
        assert note["bottom"] <= window
        assert panel["top"] >= 0
        if height > 500:
            assert panel["bottom"] <= window + 0.5
        else:
            # Its foot is a turn of the wheel away, but the neck is seen.
            neck = page.locator(".neck-box").bounding_box()
            assert neck["y"] + neck["height"] <= window + 1
        beside = note["right"] <= panel["left"]
        assert beside or note["bottom"] <= panel["top"]
        assert beside == (size in [(1440, 900), (844, 390)])
        if not beside:
            assert panel["bottom"] - panel["top"] <= window / 3 + 1


@pytest.mark.parametrize("size", [(1440, 900), (820, 1180), (390, 844)])
@pytest.mark.parametrize("way", ["strip", "lines"])
def test_play_and_the_way_back_stay_at_hand(
    server: Server, open_page, put, one_riff: Riff, size: tuple[int, int], way: str
) -> None:
    width, height = size
    riff = over_and_over(one_riff, times=20)
    riff_id = put(server, f"at-hand-{way}-{width}", riff=riff)
    page = open_page(server, riff_id, viewport={"width": width, "height": height})
    if way == "lines":
        page.click("button.in-words")
        page.wait_for_selector(".line .note")
    page.locator("[role=listbox]").focus()
    for key in ("End", "ArrowLeft", "ArrowLeft"):
        page.keyboard.press(key)
    page.wait_for_selector(".place.current")
    page.evaluate(_AT_REST)
    before = page.evaluate("window.scrollY")
    # To the places and to another one, by keys: the page stays where it is.
    page.keyboard.press("Enter")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Enter")
    _expect(page.locator(".last-change")).to_contain_text("Pinned")
    page.wait_for_selector(".place.held")
    page.evaluate(_AT_REST)
    assert abs(page.evaluate("window.scrollY") - before) < 200
    note, panel, window = page.evaluate(_SEEN)
    assert 0 <= note["top"] < note["bottom"] <= window
    assert note["right"] <= panel["left"] or note["bottom"] <= panel["top"]
    for name in ("Play", "Take it back"):
        button = page.get_by_role("button", name=name, exact=True)
        _expect(button).to_be_in_viewport(ratio=1)
        # Nothing lies over it.
        button.click(trial=True)


@pytest.mark.parametrize("talk_sec", [4, 30])
def test_a_take_that_begins_with_talk_opens_at_its_first_note(
    server: Server, open_page, put, one_riff: Riff, talk_sec: int
) -> None:
    def later(sec: float) -> float:
        return sec + talk_sec

    late = [
        dataclasses.replace(
            note, onset_sec=later(note.onset_sec), offset_sec=later(note.offset_sec)
        )
        for note in one_riff.notes
    ]
    beats = dataclasses.replace(
        one_riff.rhythm,
        beats_sec=tuple(map(later, one_riff.rhythm.beats_sec)),
        downbeats_sec=tuple(map(later, one_riff.rhythm.downbeats_sec)),
    )
    riff = dataclasses.replace(one_riff, notes=tuple(late), rhythm=beats, drone=None)
    # Long enough that the window does not hold what follows the talk.
    riff = dataclasses.replace(riff, source=Source("", duration_sec=late[-1].offset_sec + 8))
    page = open_page(server, put(server, f"talked-{talk_sec}", riff=riff))
    # Near the left edge, so that what follows is seen, however long the talk was.
    page.wait_for_function(
        """(id) => {
            const left = (what) => document.querySelector(what)?.getBoundingClientRect().left;
            const far = left(id) - left(".scroller");
            return far > 0 && far < 200;
        }""",
        arg=f"#note-{late[0].id}",
    )
    minutes, seconds = page.locator(".clock").inner_text().split(":")
    before = late[0].onset_sec - 60 * int(minutes) - float(seconds)
    assert 0 <= before <= 2, before


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
    page.locator(".note-panel").get_by_label("Position").fill("9")
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
    _expect(page.locator(".note-facts")).to_contain_text("4 notes chosen")
    page.locator(".note-panel").get_by_label("Position").fill("9")
    # What is typed outlasts the panel, which is drawn anew when a change is saved.
    page.evaluate(
        "document.querySelector('main').riff.panel.show([...document.querySelector('main').riff.chosen])"
    )
    _expect(page.locator(".note-panel").get_by_label("Position")).to_have_value("9")
    page.click("button:text-is('Play them there')")
    _expect(page.locator(".last-change .error")).to_contain_text("within reach of position 9")


def test_chord_pictures_are_mirrored_for_the_left_hand_and_stay_so(
    server: Server, open_page, put
) -> None:
    page = open_page(server, put(server, "left-handed"))
    lines = "[...document.querySelector('.chord-box').querySelectorAll('.string')]"
    strings = f"{lines}.map((line) => line.x1.baseVal.value)"
    page.get_by_role("tab", name="Theory").click()
    _expect(page.locator(".chord-box").first).to_be_visible()
    right = page.evaluate(strings)
    page.get_by_label("Left-handed pictures").check()
    left = page.evaluate(strings)
    assert right[0] > right[-1]
    assert left == right[::-1]
    page.reload()
    page.get_by_role("tab", name="Theory").click()
    _expect(page.get_by_label("Left-handed pictures")).to_be_checked()
    assert page.evaluate(strings) == left


def test_a_position_is_asked_for_on_the_page_and_given_up(
    server: Server, open_page, put, one_riff: Riff
) -> None:
    page = open_page(server, put(server, "asked-on-page"))
    before = saved(server, "asked-on-page").notes
    line = [n for n in one_riff.notes if n.pitch_midi > 55][:2]
    page.locator(f"#note-{line[0].id}").click()
    page.locator(f"#note-{line[1].id}").click(modifiers=["Shift"])
    page.get_by_role("tab", name="Fingerings").click()
    page.get_by_label("Ask for").select_option("Up to a fret")
    page.get_by_label("Fret", exact=True).fill("4")
    page.get_by_label("For which notes").select_option("the 2 chosen notes")
    page.click("button:text-is('Ask for it')")
    _expect(page.locator(".again")).to_contain_text("Asked: highest fret 4, of 2 notes.")
    (request,) = saved(server, "asked-on-page").player.requests
    assert (request.kind, request.number) == ("highest-fret", 4)
    assert request.notes == tuple(note.id for note in line)
    page.get_by_label("For which notes").select_option("the whole riff")
    page.get_by_label("Ask for").select_option("No open strings")
    page.click("button:text-is('Ask for it')")
    _expect(page.locator(".again")).to_contain_text("Asked: no open strings.")
    for left in (1, 0):
        page.locator("button:text-is('Give it up')").first.click()
        _expect(page.locator("button:text-is('Give it up')")).to_have_count(left)
    assert saved(server, "asked-on-page").notes == before


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
    # Another key: opening the new file in any window is the one step.
    page.evaluate("localStorage.removeItem('key')")
    page.evaluate("document.dispatchEvent(new Event('lost'))")
    _expect(state).to_have_text("Key lost")
    _expect(told).to_contain_text("Open the file")
    open_page(again, beside=page)
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
    page.click("button.in-words")
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


def test_each_string_of_a_stroke_has_its_own_verdict(server: Server, open_page, compared) -> None:
    riff_id = compared("stringwise")
    path = server.folder / "stringwise.check.json"
    kept = json.loads(path.read_text())
    ids = [note_id for note_id, *_ in kept["notes"]]
    riff = saved(server, "stringwise")
    drone, melody = sorted(
        (n for n in riff.notes if n.onset_beat == riff.notes[0].onset_beat), key=lambda n: n.fret
    )
    for row in kept["comparison"]["notes"]:
        if row.get("reference") is not None and not row.get("again"):
            verdicts = {drone.id: "missed", melody.id: "right"}
            row["verdict"] = verdicts.get(ids[row["reference"]], "early")
    path.write_text(json.dumps(kept))
    page = open_page(server, riff_id)
    _expect(page.locator(".verdict-line")).to_be_visible()
    x = page.locator(f"#note-{melody.id} text").first.get_attribute("x")
    marks = page.locator(f".tab .verdict[x='{x}']")
    # The highest string first.
    _expect(marks).to_have_text(["✓", "○"])
    # What came early points to the left, in the tab as in the plot.
    assert set(page.locator(".tab .verdict.early").all_text_contents()) == {"←"}


def test_marks_of_degrees_move_no_bar(server: Server, open_page, put, one_riff: Riff) -> None:
    bars = "[...document.querySelectorAll('.tab .bar')].map((each) => each.getAttribute('x1'))"
    places = []
    for name, deciding in (("marked", one_riff.theory["mode"]["deciding"]), ("unmarked", [])):
        mode = {**one_riff.theory["mode"], "deciding": deciding}
        riff = dataclasses.replace(one_riff, theory={**one_riff.theory, "mode": mode})
        page = open_page(server, put(server, name, riff=riff))
        _expect(page.locator(".tab .deciding").first).to_have_count(1 if deciding else 0)
        for _ in range(6):
            page.click("button:text-is('Closer')")
        page.evaluate(_AT_REST)
        places.append(page.evaluate(bars))
    assert len(places[0]) > 3
    assert places[0] == places[1]


def test_the_sheet_tells_its_meter_and_its_signs_and_is_filled(
    server: Server, open_page, put, one_riff: Riff
) -> None:
    notes = [
        dataclasses.replace(note, articulation="vibrato" if k == 4 else note.articulation)
        for k, note in enumerate(one_riff.notes)
    ]
    mode = {**one_riff.theory["mode"], "confidence": 0.3}
    theory = {**one_riff.theory, "mode": mode}
    riff = dataclasses.replace(one_riff, notes=tuple(notes), theory=theory)
    page = open_page(server, put(server, "sheeted", riff=riff))
    page.click("#tab-away")
    sheet = page.locator(".sheet-page").first
    _expect(sheet).to_contain_text(f"a guess: {mode['tonic']} {mode['name']}")
    _expect(sheet.locator(".meter")).to_have_text(["4", "4"])
    _expect(sheet).to_contain_text("wave: vibrato")
    found = sheet.evaluate(
        """(page) => {
            const box = (each) => each.getBoundingClientRect();
            const apart = (a, b) =>
                a.right <= b.left || b.right <= a.left || a.bottom <= b.top || b.bottom <= a.top;
            const figures = [...page.querySelectorAll(".note .knock")].map(box);
            const letters = [...page.querySelectorAll(".phrase")].map(box);
            const systems = [...page.querySelectorAll(".system")].map(box);
            const lowest = Math.max(...systems.map((each) => each.bottom));
            return {
                letters: letters.length,
                chopped: letters.filter((a) => figures.some((b) => !apart(a, b))).length,
                filled: (lowest - box(page).top) / box(page).height,
            };
        }"""
    )
    assert found["letters"] >= 2
    assert found["chopped"] == 0
    assert found["filled"] > 0.5


def test_a_pin_that_is_there_is_no_step_and_a_pin_is_told_once(
    server: Server, open_page, put, one_riff: Riff
) -> None:
    page = open_page(server, put(server, "pinned-twice"))
    note = one_riff.notes[1]
    page.locator(f"#note-{note.id}").click()
    page.click(".place.current")
    _expect(page.locator(".place.held")).to_have_count(1)
    _expect(page.locator(".last-change")).to_contain_text("Pinned")
    # Heard under the tab, and nowhere a second time.
    assert "Pinned" not in page.inner_text("#said")
    before = saved(server, "pinned-twice")
    page.click(".place.held")
    _expect(page.locator(".last-change")).to_contain_text("nothing was changed")
    assert saved(server, "pinned-twice").history == before.history
    page.click("button:text-is('Undo')")
    _expect(page.locator(".tab .pin")).to_have_count(0)
    _expect(page.locator("button:text-is('Undo')")).to_be_disabled()


def test_messages_name_notes_and_beats_in_one_way(
    server: Server, open_page, put, one_riff: Riff
) -> None:
    note = next(n for n in one_riff.notes if n.pitch_midi > 55)
    half = dataclasses.replace(note, onset_beat=2.5, onset_sec=1.5, offset_sec=1.7)
    notes = [half if n.id == note.id else n for n in one_riff.notes]
    riff = dataclasses.replace(one_riff, notes=tuple(sorted(notes, key=lambda n: n.onset_sec)))
    page = open_page(server, put(server, "named-so", riff=riff))
    page.locator(f"#note-{note.id}").click()
    _expect(page.locator(".note-facts")).to_contain_text("beat 3&")
    edit = {"op": "pin", "note": note.id, "string": 6, "fret": 0}
    page.evaluate("(edit) => document.querySelector('main').riff.edit(edit)", edit)
    refused = page.locator(".last-change .error")
    _expect(refused).to_contain_text("Nothing was changed")
    assert not re.search(r"[Nn]ote \d", refused.inner_text())
    # The nearest place is one step away.
    refused.get_by_role("button", name="Pin it to").click()
    _expect(page.locator(f"#note-{note.id} .pin")).to_have_count(1)


def test_a_refused_meter_is_told_beside_its_field(server: Server, open_page, put) -> None:
    page = open_page(server, put(server, "refused-meter"))
    page.click("button:text-is('Bars…')")
    meter = page.locator(".tempo-form").get_by_label("Meter")
    meter.fill("4/5")
    page.click("button:text-is('Find the bars again')")
    told = page.locator(".tempo-form .error")
    _expect(told).to_be_visible()
    assert abs(told.bounding_box()["y"] - meter.bounding_box()["y"]) < 160


def test_the_list_is_where_it_was_left(start, open_page, put) -> None:
    server = start()
    for k in range(24):
        put(server, f"riff-{k:02}")
    page = open_page(server, viewport={"width": 800, "height": 500})
    last = page.locator("a.entry-name", has_text="riff-20")
    last.scroll_into_view_if_needed()
    before = page.evaluate("window.scrollY")
    assert before > 300
    last.click()
    page.wait_for_selector(".tab .note")
    page.go_back()
    page.wait_for_selector("a.entry-name")
    page.wait_for_function("(top) => Math.abs(window.scrollY - top) < 40", arg=before)


def test_on_a_phone_the_neck_shows_the_note_and_says_that_it_goes_on(
    server: Server, open_page, put, one_riff: Riff
) -> None:
    page = open_page(server, put(server, "phone-neck"), viewport={"width": 390, "height": 844})
    note = max(one_riff.notes, key=lambda n: n.fret or 0)
    page.locator(f"#note-{note.id}").click()
    place = page.locator(".place.current")
    _expect(place).to_be_visible()
    frets = page.get_by_role("group", name="Places on the neck for this note")
    box, neck = place.bounding_box(), frets.bounding_box()
    assert neck["x"] <= box["x"]
    assert box["x"] + box["width"] <= neck["x"] + neck["width"]
    _expect(page.locator(".neck-holder")).to_contain_text("The neck goes on")


def test_a_slur_from_a_bent_note_begins_behind_its_arrow(
    server: Server, open_page, put, one_riff: Riff
) -> None:
    notes = list(one_riff.notes)
    line = [k for k, n in enumerate(notes) if n.pitch_midi > 55][:2]
    first, second = notes[line[0]], notes[line[1]]
    notes[line[0]] = dataclasses.replace(first, articulation="bend", string=2, fret=10)
    notes[line[1]] = dataclasses.replace(second, articulation="pull-off", string=2, fret=7)
    page = open_page(
        server, put(server, "bent", riff=dataclasses.replace(one_riff, notes=tuple(notes)))
    )
    arrow = page.locator(".tab .head").first.bounding_box()
    slur = [
        float(d[1:].split()[0])
        for d in page.locator(".tab path.slur").evaluate_all(
            "(all) => all.map((each) => each.getAttribute('d')).filter((d) => /Q.* .* .*/.test(d))"
        )
    ]
    left = page.locator(".tab svg, svg.tab").first.bounding_box()["x"]
    shift = page.evaluate("document.querySelector('svg.tab > g').transform.baseVal[0].matrix.e")
    arcs = [x for x in slur if x + shift + left > arrow["x"] + arrow["width"] - 1]
    assert arcs, "the arc of the pull-off begins right of the arrow's head"


def test_the_rhythm_stands_under_the_tab_in_strip_and_lines(
    server: Server, open_page, put, one_riff: Riff
) -> None:
    long, short, rest = (n for n in one_riff.notes if n.pitch_midi > 55 and n.onset_beat < 3)
    changed = {
        long.id: dataclasses.replace(long, duration_beat=1.5),
        short.id: dataclasses.replace(short, onset_beat=1.5, duration_beat=0.5, onset_sec=1.0),
        rest.id: dataclasses.replace(rest, duration_beat=1.0),
    }
    notes = [changed.get(n.id, n) for n in one_riff.notes]
    # The drone is left out, so that bar 1 ends with a rest.
    notes = [n for n in notes if n.pitch_midi > 55 and not 3 <= n.onset_beat < 4]
    riff = dataclasses.replace(one_riff, notes=tuple(notes), drone=None)
    page = open_page(server, put(server, "in-rhythm", riff=riff))
    for at in (".tab .rhythm", ".line .rhythm"):
        _expect(page.locator(f"{at} .dot")).to_have_count(1)
        _expect(page.locator(f"{at} .rest.quarter")).to_have_count(1)
        _expect(page.locator(f"{at} .flag")).to_have_count(1)
        stems = page.locator(f"{at} > .stem")
        _expect(stems).to_have_count(len(notes))
        counted = page.locator(f"{at} .count").all_text_contents()
        assert counted[:5] == ["1", "2", "&", "3", "4"]
        # Each stem stands under its figure.
        figure = page.locator(f"#note-{short.id} text").first.get_attribute("x")
        assert figure in stems.evaluate_all("(all) => all.map((each) => each.getAttribute('x1'))")
        page.get_by_label("Fingers").check()
        _expect(page.locator(".tab .finger").first).to_be_visible()
        page.get_by_label("Fingers").uncheck()
        page.click("button.in-words")
    page.get_by_role("checkbox", name="Rhythm").uncheck()
    _expect(page.locator(".rhythm")).to_have_count(0)
    page.reload()
    page.wait_for_selector(".tab .note")
    _expect(page.get_by_role("checkbox", name="Rhythm")).not_to_be_checked()


def test_a_loop_gets_faster_up_to_the_speed_of_the_take(server: Server, open_page, put) -> None:
    page = open_page(server, put(server, "faster"))
    page.evaluate("document.querySelector('main').riff.setLoop([0.2, 0.7])")
    page.get_by_label("Speed").evaluate(
        "(each) => { each.value = '85'; each.dispatchEvent(new Event('input')); }"
    )
    page.get_by_label("Each time round").select_option("10")
    page.click("button:text-is('Play')")
    speed = page.locator(".transport .slider output")
    _expect(speed).to_have_text("95 %")
    _expect(speed).to_have_text("100 %")
    rounds = page.evaluate(
        """() => new Promise((done) => {
            const { player } = document.querySelector("main").riff;
            const told = player.onRound;
            let left = 2;
            player.onRound = () => { told(); left -= 1; if (!left) done(player.speed); };
        })"""
    )
    assert rounds == 1
    page.click("button:text-is('Pause')")


def test_an_empty_page_offers_an_example(start, open_page) -> None:
    server = start()
    page = open_page(server)
    page.click("button:text-is('Try it on an example')")
    page.wait_for_selector(".tab .note, .notice.error", timeout=180_000)
    _expect(page.locator(".notice.error")).to_have_count(0)
    _expect(page.locator("h1")).to_have_text("mooring")
    assert len(saved(server, "mooring").notes) > 50


def test_riffs_are_found_ordered_heard_and_renamed_in_the_list(
    start, open_page, put, one_riff: Riff
) -> None:
    server = start()
    for name, riff in (
        ("ebb", one_riff),
        ("flood", one_riff),
        ("neap", _MOORING),
        ("spring", one_riff),
    ):
        put(server, name, riff=riff)
    page = open_page(server)
    names = page.locator("a.entry-name")
    _expect(names).to_have_text(["ebb", "flood", "neap", "spring"])
    page.get_by_role("searchbox").fill("floo")
    _expect(names).to_have_text(["flood"])
    page.get_by_role("searchbox").fill("nothing of the kind")
    _expect(page.locator(".contents").first).to_contain_text("No riff here")
    page.get_by_role("searchbox").fill("")
    page.locator(".finding select").select_option("longest")
    _expect(names.first).to_have_text("neap")
    # The first bar of each is seen.
    assert page.locator(".opening text").count() > 8
    page.get_by_label("Play ebb").click()
    page.get_by_label("Stop ebb").click()
    _expect(page.get_by_label("Play ebb")).to_be_visible()
    page.get_by_label("More about ebb").click()
    page.get_by_label("Rename ebb").click()
    page.get_by_label("New name").fill("slack")
    page.keyboard.press("Enter")
    _expect(names.filter(has_text="slack")).to_have_count(1)
    assert (server.folder / "slack.riff.json").is_file()
