"""Lessons on the page: made, changed by two at once, put in order by keyboard, handed out."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from tests.page.conftest import ROOT, Server, violations, weight
from transcribe.core.lesson import Lesson
from transcribe.core.riff import Note, Riff
from transcribe.formats.document import read_riff
from transcribe.formats.lesson_document import read_lesson
from transcribe.sound import render_riff

FERRY = ROOT / "fixtures" / "lessons" / "ferry"
SR = 22050


def _expect(locator: Any) -> Any:
    from playwright.sync_api import expect

    return expect(locator)


@pytest.fixture
def taught() -> Callable[..., str]:
    """Puts a lesson of the shipped riffs into a server's folder, under a name; its id."""

    def lay(server: Server, name: str, *labels: str) -> str:
        riffs = []
        for label in labels or ("A", "B", "C"):
            path = server.folder / f"{name}-{label}.riff.json"
            shutil.copy(FERRY / f"truth-{label}.riff.json", path)
            riffs.append(server.id_of(f"{name}-{label}"))
        status, made, _ = server.ask("POST", "/api/lessons", {"title": name, "riffs": riffs})
        assert status == 201, made
        return made["lesson"]

    return lay


def _lesson(server: Server, lesson_id: str) -> dict[str, Any]:
    status, lesson, _ = server.ask("GET", f"/api/lessons/{lesson_id}")
    assert status == 200, lesson
    return lesson


def _edit(server: Server, lesson_id: str, edit: dict[str, Any], **more: Any) -> tuple[int, Any]:
    revision = more.pop("revision", None) or _lesson(server, lesson_id)["revision"]
    body = {"revision": revision, "edit": edit, **more}
    status, answer, _ = server.ask("POST", f"/api/lessons/{lesson_id}/edits", body)
    return status, answer


def _on_disk(server: Server, lesson_id: str) -> Lesson:
    return read_lesson(server.folder / f"{_lesson(server, lesson_id)['name']}.lesson.json")


# -- the server --------------------------------------------------------------------------------


def test_lesson_is_made_of_riffs_and_changed(server: Server, taught) -> None:
    lesson_id = taught(server, "hawser")
    for edit in (
        {"op": "call", "part": "A", "name": "intro"},
        {"op": "call", "part": "B", "name": "main"},
        {"op": "note", "part": "A", "note": "Let it ring.\n"},
        {"op": "bars", "part": "B", "bars": [1, 4]},
        {"op": "start", "part": "B", "bpm": 66},
        {"op": "order", "parts": ["B"]},
        {"op": "form", "form": "intro, main x2, C"},
        {"op": "title", "title": "Hawser in D"},
    ):
        status, shown = _edit(server, lesson_id, edit)
        assert status == 200, shown
    lesson = _on_disk(server, lesson_id)
    assert [part.label for part in lesson.parts] == ["B", "A", "C"]
    assert lesson.part("A").name == "intro"
    assert lesson.part("A").note == "Let it ring."
    assert lesson.part("B").bars == (1, 4)
    assert lesson.part("B").start_bpm == 66
    assert lesson.form == ("A", "B", "B", "C")
    assert lesson.title == "Hawser in D"
    assert shown["form"] == "intro, main x2, hawser-C"
    assert [part["riff_name"] for part in shown["parts"]] == ["hawser-B", "hawser-A", "hawser-C"]
    shelf = server.ask("GET", "/api/shelf")[1]["lessons"]
    assert "Hawser in D" in [one["title"] for one in shelf]


def test_tempo_to_start_from_is_given_as_it_is_counted(server: Server, taught) -> None:
    """Gardner Read, "Music Notation" (2nd ed. 1979), chapter 10: 6/8 has dotted beats."""
    lesson_id = taught(server, "slip", "A")
    path = server.folder / "slip-A.riff.json"
    document = json.loads(path.read_text())
    document["rhythm"]["meter"] = [6, 8]
    path.write_text(json.dumps(document))
    status, shown = _edit(server, lesson_id, {"op": "start", "part": "A", "bpm": 50})
    assert status == 200, shown
    assert _on_disk(server, lesson_id).part("A").start_bpm == 150
    assert shown["parts"][0]["start_bpm"] == 50


def test_cut_join_drop_and_back(server: Server, taught) -> None:
    lesson_id = taught(server, "cleat")
    before = (server.folder / "cleat.lesson.json").read_bytes()
    status, cut = _edit(server, lesson_id, {"op": "cut", "part": "B", "bar": 5})
    assert status == 200, cut
    parts = [(part["label"], part["bars"]) for part in cut["parts"]]
    assert parts == [("A", None), ("B", [1, 4]), ("D", [5, 8]), ("C", None)]
    body = {"revision": cut["revision"], "part": "B", "other": "D"}
    status, whole, _ = server.ask("POST", f"/api/lessons/{lesson_id}/again", body)
    assert status == 200, whole
    assert [(part["label"], part["bars"]) for part in whole["parts"]][1] == ("B", [1, 8])
    status, dropped = _edit(server, lesson_id, {"op": "drop", "part": "A"})
    assert [part["label"] for part in dropped["parts"]] == ["B", "C"]
    for step in (dropped["before"], whole["before"], cut["before"]):
        status, back = _edit(server, lesson_id, {"op": "back", "to": step})
        assert status == 200, back
    assert (server.folder / "cleat.lesson.json").read_bytes() == before
    assert _edit(server, lesson_id, {"op": "back", "to": "0" * 20})[0] == 422


@pytest.mark.parametrize(
    "edit",
    [
        {},
        {"op": "sing"},
        {"op": "call", "part": "Z", "name": "none"},
        {"op": "call", "part": "A", "name": "verse, again"},
        {"op": "call", "part": "A", "name": 7},
        {"op": "note", "part": "A", "note": "x" * 4001},
        {"op": "title", "title": ["x"]},
        {"op": "bars", "part": "A", "bars": [5, 2]},
        {"op": "bars", "part": "A", "bars": [1, 400]},
        {"op": "bars", "part": "A", "bars": "1-2"},
        {"op": "start", "part": "A", "bpm": 0},
        {"op": "start", "part": "A", "bpm": True},
        {"op": "order", "parts": "B"},
        {"op": "order", "parts": ["Z"]},
        {"op": "form", "form": "intro, nowhere"},
        {"op": "form", "form": "A x999, A x999"},
        {"op": "add", "riff": "0" * 12},
        {"op": "add", "riff": "../../etc/passwd"},
        {"op": "cut", "part": "A", "bar": 1},
        {"op": "cut", "part": "A", "bar": "three"},
        {"op": "join", "part": "A", "other": "B"},
    ],
)
def test_impossible_change_leaves_the_lesson_as_it_was(server: Server, taught, edit: dict) -> None:
    path = server.folder / "moor.lesson.json"
    shelf = server.ask("GET", "/api/shelf")[1]["lessons"]
    there = [one["id"] for one in shelf if one["name"] == "moor"]
    lesson_id = there[0] if there else taught(server, "moor")
    before = path.read_bytes()
    status, answer = _edit(server, lesson_id, edit)
    assert status in (404, 422)
    assert answer["error"]
    assert path.read_bytes() == before


def test_larger_body_than_a_change_needs_is_refused(server: Server, taught) -> None:
    lesson_id = taught(server, "barge", "A")
    for path in ("/api/lessons", f"/api/lessons/{lesson_id}/edits"):
        status, answer, _ = server.ask("POST", path, {"edit": "x" * 70_000})
        assert status == 413, answer
    assert server.ask("POST", f"/api/lessons/{lesson_id}/edits", b"[1]")[0] == 422


def test_stale_window_is_told_and_loses_nothing(server: Server, taught) -> None:
    lesson_id = taught(server, "stern")
    old = _lesson(server, lesson_id)["revision"]
    assert _edit(server, lesson_id, {"op": "call", "part": "A", "name": "theirs"})[0] == 200
    mine = {"op": "call", "part": "B", "name": "mine"}
    status, answer = _edit(server, lesson_id, mine, revision=old)
    assert status == 409
    assert answer["theirs"]["parts"][0]["name"] == "theirs"
    status, _ = _edit(server, lesson_id, mine, revision=old, anyway=True)
    assert status == 200
    assert [part.name for part in _on_disk(server, lesson_id).parts[:2]] == ["theirs", "mine"]


def test_lesson_that_cannot_be_read_is_named_and_can_be_set_aside(start, taught) -> None:
    server = start()
    taught(server, "good", "A")
    (server.folder / "bad.lesson.json").write_text('{"handspan_lesson": 1, "parts": [{')
    (server.folder / "newer.lesson.json").write_text('{"handspan_lesson": 9}')
    rows = {row["name"]: row for row in server.ask("GET", "/api/shelf")[1]["lessons"]}
    assert "not JSON" in rows["bad"]["error"]
    assert "handspan_lesson: 9" in rows["newer"]["error"]
    assert "error" not in rows["good"]
    status, gone, _ = server.ask("DELETE", f"/api/lessons/{rows['bad']['id']}")
    assert status == 200
    assert not (server.folder / "bad.lesson.json").exists()
    kept = list((server.folder / ".handspan" / "removed").glob("*-bad.lesson.json"))
    assert len(kept) == 1
    status, back, _ = server.ask("POST", f"/api/removed/{gone['removed']}/back", {})
    assert (status, back["lesson"]) == (200, rows["bad"]["id"])
    assert (server.folder / "bad.lesson.json").exists()


def test_riffs_out_of_the_folder_or_behind_a_link_are_not_read(
    start, taught, tmp_path: Path
) -> None:
    server = start()
    lesson_id = taught(server, "locker", "A", "B")
    outside = tmp_path / "outside"
    outside.mkdir()
    shutil.copy(FERRY / "truth-C.riff.json", outside / "secret.riff.json")
    (server.folder / "linked").symlink_to(outside)
    path = server.folder / "locker.lesson.json"
    document = json.loads(path.read_text())
    document["parts"][0]["riff"] = "linked/secret.riff.json"
    document["parts"][1]["riff"] = ".handspan/lock"
    path.write_text(json.dumps(document))
    shown = _lesson(server, lesson_id)["parts"]
    assert all("is not in the folder" in part["error"] for part in shown)
    assert not any("opening" in part for part in shown)
    assert server.ask("POST", f"/api/lessons/{lesson_id}/handout", {})[0] == 404
    document["parts"][0]["riff"] = "../outside/secret.riff.json"
    path.write_text(json.dumps(document))
    assert server.ask("GET", f"/api/lessons/{lesson_id}")[0] == 422


def test_renamed_riff_stays_in_its_lessons(start, taught) -> None:
    server = start()
    lesson_id = taught(server, "buoy", "A", "B")
    riff_id = server.id_of("buoy-A")
    status, named, _ = server.ask("POST", f"/api/riffs/{riff_id}/name", {"name": "fog bell"})
    assert status == 200
    assert _on_disk(server, lesson_id).part("A").riff == "fog-bell.riff.json"
    assert _lesson(server, lesson_id)["parts"][0]["riff"] == named["riff"]
    # A lesson that is called like a riff keeps its name, and finds its session under the new one.
    path = server.folder / "buoy.lesson.json"
    (server.folder / "buoy-B.ogg").write_bytes(b"the session")
    shutil.copy(path, server.folder / "buoy-B.lesson.json")
    document = json.loads(path.read_text())
    document["session"] = {"file": "buoy-B.ogg"}
    path.write_text(json.dumps(document))
    riff_id = server.id_of("buoy-B")
    assert server.ask("POST", f"/api/riffs/{riff_id}/name", {"name": "bell"})[0] == 200
    lesson = read_lesson(path)
    assert lesson.part("B").riff == "bell.riff.json"
    assert lesson.session is not None
    assert lesson.session.file == "bell.ogg"
    assert (server.folder / "bell.ogg").exists()
    assert (server.folder / "buoy-B.lesson.json").exists()


def test_takes_of_a_part_are_told_with_their_days(server: Server, taught) -> None:
    lesson_id = taught(server, "tide", "A", "B")
    rows = [
        {"when": f"{day}T18:00:00+00:00", "take": "t.m4a", "right_share": share, "bars": {"3": 2}}
        for day, share in (("2026-03-02", 0.5), ("2026-03-09", 0.75), ("2026-03-30", 0.9))
    ]
    lines = "\n".join(map(json.dumps, rows))
    (server.folder / "tide-A.progress.jsonl").write_text(lines + "\n")
    (server.folder / "tide-B.progress.jsonl").write_text("{not a line}\n")
    one, other = (part["takes"] for part in _lesson(server, lesson_id)["parts"])
    assert one["count"] == 3
    assert one["last"]["right_share"] == 0.9
    assert one["last"]["worst_bar"] == "3"
    # 7 and 28 days after the first take, on a scale of days.
    at = [float(x) for x in re.findall(r'<circle[^>]* cx="([\d.]+)"', one["plot"])]
    assert len(at) == 3
    assert (at[1] - at[0]) / (at[2] - at[0]) == pytest.approx(0.25, abs=0.01)
    assert "not a line of a progress file" in other["damaged"]


def _session(path: Path) -> None:
    """Two lines of notes with silence between them, the first played twice."""
    one = (50, 53, 55, 57, 55, 53, 52, 50)
    two = (62, 60, 57, 55, 57, 60, 62, 65)
    sounds = []
    for line in (one, two, one):
        notes = [Note(k, 0.5 * k + 0.2, 0.5 * k + 0.6, pitch) for k, pitch in enumerate(line)]
        sounds += [render_riff(Riff(notes=tuple(notes)), sr=SR), np.zeros(4 * SR, np.float32)]
    soundfile.write(path, np.concatenate(sounds), SR)


def test_recorded_lesson_is_split_into_its_parts(start, tmp_path: Path) -> None:
    server = start()
    (server.folder / "pier-A.riff.json").write_bytes((FERRY / "truth-A.riff.json").read_bytes())
    before = (server.folder / "pier-A.riff.json").read_bytes()
    _session(tmp_path / "pier.wav")
    data = (tmp_path / "pier.wav").read_bytes()
    headers = {"X-File-Name": "pier.wav"}
    status, started, _ = server.ask("POST", "/api/sessions", data, headers)
    assert status == 202, started
    done = server.outcome(started["job"])
    assert done["state"] == "done", done
    # NAME-A was taken, so the lesson has another name, and nothing is written over.
    assert done["result"]["name"] == "pier-2"
    assert (server.folder / "pier-A.riff.json").read_bytes() == before
    lesson_id = done["result"]["lesson"]
    shown = _lesson(server, lesson_id)
    assert [part["riff_name"] for part in shown["parts"]] == ["pier-2-A", "pier-2-B"]
    assert [len(part["playings"]) for part in shown["parts"]] == [2, 1]
    assert shown["session"]
    assert (server.folder / "pier-2.wav").read_bytes() == data
    riff = read_riff(server.folder / "pier-2-A.riff.json")
    assert riff.source is not None
    assert riff.source.file == "pier-2-A.flac"
    assert server.ask("GET", f"/api/riffs/{shown['parts'][0]['riff']}")[1]["take"]["there"]
    # The other playing of the first part is heard again in the session.
    other = next(k for k, one in enumerate(shown["parts"][0]["playings"], 1) if not one["is_take"])
    body = {"revision": shown["revision"], "part": "A", "number": other}
    status, started, _ = server.ask("POST", f"/api/lessons/{lesson_id}/again", body)
    assert status == 202, started
    done = server.outcome(started["job"])
    assert done["state"] == "done", done
    now = _lesson(server, lesson_id)
    assert now["parts"][0]["playings"][other - 1]["is_take"]
    assert _on_disk(server, lesson_id).session.file == "pier-2.wav"  # type: ignore[union-attr]


def test_what_is_no_lesson_is_refused_and_leaves_nothing(start) -> None:
    server = start()
    silence = server.folder.parent / "silence.wav"
    soundfile.write(silence, np.zeros(5 * SR), SR)
    for name, data in (
        ("silence.wav", silence.read_bytes()),
        ("notes.tab.txt", (ROOT / "fixtures" / "tabs" / "net-loft.txt").read_bytes()),
        ("noise.mp3", b"no sound at all" * 100),
    ):
        headers = {"X-File-Name": name}
        status, started, _ = server.ask("POST", "/api/sessions", data, headers)
        assert status == 202, started
        done = server.outcome(started["job"])
        assert done["state"] == "failed"
        assert name in done["error"]
    assert server.ask("POST", "/api/sessions", b"", {"X-File-Name": "e.wav"})[0] == 422
    assert [path.name for path in server.folder.iterdir()] == [".handspan"]
    assert list((server.folder / ".handspan" / "incoming").iterdir()) == []


# -- the browser -------------------------------------------------------------------------------


def _open(open_page, server: Server, lesson_id: str, **kind: Any) -> Any:
    page = open_page(server, **kind)
    page.goto(f"{server.url}/#lesson={lesson_id}")
    page.wait_for_selector(".part")
    return page


def _names(page: Any) -> list[str]:
    return page.locator(".part-name").evaluate_all("(all) => all.map((one) => one.value)")


def _now(page: Any, names: list[str]) -> None:
    page.wait_for_function(
        """(names) => JSON.stringify([...document.querySelectorAll(".part-name")]
            .map((one) => one.value)) === JSON.stringify(names)""",
        arg=names,
    )


def test_parts_are_put_in_order_by_keyboard_alone(server: Server, open_page, taught) -> None:
    lesson_id = taught(server, "keyed")
    page = _open(open_page, server, lesson_id)
    page.locator(".part-number").first.focus()
    page.keyboard.press("ArrowDown")
    _now(page, ["keyed-B", "keyed-A", "keyed-C"])
    # The number that was moved keeps the focus, and what became of it is said.
    page.wait_for_function("() => document.activeElement.textContent === '2'")
    _expect(page.locator("#said")).to_have_text("keyed-A is part 2 of 3.")
    page.keyboard.press("ArrowDown")
    _now(page, ["keyed-B", "keyed-C", "keyed-A"])
    page.keyboard.press("ArrowDown")
    page.get_by_role("button", name="keyed-C earlier").focus()
    page.keyboard.press("Enter")
    _now(page, ["keyed-C", "keyed-B", "keyed-A"])
    assert [part.label for part in _on_disk(server, lesson_id).parts] == ["C", "B", "A"]
    page.locator("h1").click()
    page.keyboard.press("Control+z")
    _now(page, ["keyed-B", "keyed-C", "keyed-A"])
    page.keyboard.press("Control+Shift+Z")
    _now(page, ["keyed-C", "keyed-B", "keyed-A"])


@pytest.mark.parametrize("touch", [False, True])
def test_parts_are_dragged_into_order(server: Server, open_page, taught, touch: bool) -> None:
    name = f"dragged-{touch}".lower()
    lesson_id = taught(server, name)
    kind = {"viewport": {"width": 390, "height": 844}, "has_touch": True} if touch else {}
    page = _open(open_page, server, lesson_id, **kind)
    page.locator(".part").last.scroll_into_view_if_needed()
    handle = page.locator(".part-number").last.bounding_box()
    x, y = handle["x"] + 10, handle["y"] + 10
    if touch:
        line = page.context.new_cdp_session(page)

        def finger(kind_of: str, at: float | None) -> None:
            points = [] if at is None else [{"x": x, "y": at}]
            line.send("Input.dispatchTouchEvent", {"type": kind_of, "touchPoints": points})

        press, go = lambda: finger("touchStart", y), lambda at: finger("touchMove", at)
        let_go = lambda: finger("touchEnd", None)  # noqa: E731
    else:
        page.mouse.move(x, y)
        press, go, let_go = page.mouse.down, lambda at: page.mouse.move(x, at), page.mouse.up
    press()
    go(y - 8)
    go(y - 12)
    # The rows are short meanwhile, and the part is still where the pointer is.
    _expect(page.locator(".sorting .part-note:visible")).to_have_count(0)
    box = page.locator(".dragged .part-number").bounding_box()
    assert box["y"] - 2 <= y - 12 <= box["y"] + box["height"]
    above = page.locator(".part").nth(1).bounding_box()
    go(above["y"] + 10)
    _expect(page.locator(".comes-before")).to_have_count(1)
    let_go()
    _now(page, [f"{name}-A", f"{name}-C", f"{name}-B"])
    assert [part.label for part in _on_disk(server, lesson_id).parts] == ["A", "C", "B"]


def test_parts_are_named_annotated_cut_and_dropped(server: Server, open_page, taught) -> None:
    lesson_id = taught(server, "written")
    page = _open(open_page, server, lesson_id)
    page.get_by_label("Name of part A").fill("intro")
    page.keyboard.press("Tab")
    page.get_by_label("Note to").first.fill("Let <b>it</b> ring.\nThen stop.")
    page.get_by_label("First bar of written-B").fill("3")
    page.get_by_label("Tempo that written-B starts from").fill("60")
    page.get_by_label("How the parts follow each other").fill("intro x2, written-B")
    page.keyboard.press("Enter")
    _expect(page.locator(".saved")).to_have_text("All saved")
    page.locator("summary[aria-label='More about written-C']").click()
    page.get_by_label("Bar at which the second half of written-C begins").fill("5")
    page.get_by_role("button", name="Cut in two at bar: written-C").click()
    _expect(page.locator(".part")).to_have_count(4)
    page.locator("summary[aria-label='More about intro']").click()
    page.get_by_role("button", name="Drop from the lesson: intro").click()
    _expect(page.locator(".part")).to_have_count(3)
    assert _on_disk(server, lesson_id).form == ("B",)
    page.get_by_role("button", name="Take it back").click()
    _expect(page.locator(".part")).to_have_count(4)
    lesson = _on_disk(server, lesson_id)
    assert (lesson.part("A").name, lesson.part("A").note) == (
        "intro",
        "Let <b>it</b> ring.\nThen stop.",
    )
    assert lesson.part("B").bars == (3, 8)
    assert lesson.part("B").start_bpm == 60
    assert lesson.part("C").bars == (1, 4)
    assert lesson.form == ("A", "A", "B")


def test_what_is_refused_stays_as_it_was_typed_with_the_reason_beside_it(
    server: Server, open_page, taught
) -> None:
    lesson_id = taught(server, "typed")
    _edit(server, lesson_id, {"op": "form", "form": "A, B x2"})
    page = _open(open_page, server, lesson_id)
    form = page.get_by_label("How the parts follow each other")
    _expect(form).to_have_value("typed-A, typed-B x2")
    form.fill("typed-A, tpyed-B x2, typed-C")
    page.keyboard.press("Tab")
    reason = page.locator("section[aria-labelledby=form-title] .refused")
    _expect(reason).to_contain_text("No part is called 'tpyed-B'")
    assert form.get_attribute("aria-describedby") == reason.get_attribute("id")
    _expect(page.locator(".saved")).to_have_text("Not all is saved")
    # Another change is saved, and what was refused is still there to be mended.
    name = page.get_by_label("Name of part A")
    name.fill("intro, slow")
    page.keyboard.press("Enter")
    _expect(page.locator(".part .refused")).to_contain_text("without a comma")
    name.fill("typed-A slow")
    page.keyboard.press("Tab")
    _expect(page.locator(".part .refused")).to_have_count(0)
    _expect(form).to_have_value("typed-A, tpyed-B x2, typed-C")
    _expect(page.locator("#notices .notice")).to_have_count(0)
    form.fill("typed-A slow, typed-B x2, typed-C")
    page.keyboard.press("Enter")
    _expect(page.locator(".saved")).to_have_text("All saved")
    _expect(reason).to_have_count(0)
    assert _on_disk(server, lesson_id).form == ("A", "B", "B", "C")
    # Escape gives the field what holds.
    form.fill("nowhere")
    page.keyboard.press("Enter")
    _expect(reason).to_have_count(1)
    page.keyboard.press("Escape")
    _expect(reason).to_have_count(0)
    _expect(form).to_have_value("typed-A slow, typed-B x2, typed-C")
    _expect(page.locator(".saved")).to_have_text("All saved")
    # Two parts of one name could not be told apart in the form.
    other = page.get_by_label("Name of part B")
    other.fill("Typed-a slow")
    page.keyboard.press("Enter")
    _expect(page.locator(".part .refused")).to_contain_text("typed-A slow")
    page.keyboard.press("Escape")
    _expect(other).to_have_value("typed-B")
    # They can change names, though, in one step.
    other.fill("typed-A slow")
    page.keyboard.press("Enter")
    page.get_by_role("button", name="Swap the two names").click()
    _expect(page.locator(".part .refused")).to_have_count(0)
    _expect(name).to_have_value("typed-B")
    _expect(page.locator(".saved")).to_have_text("All saved")
    assert [part.name for part in _on_disk(server, lesson_id).parts[:2]] == [
        "typed-B",
        "typed-A slow",
    ]
    page.get_by_role("button", name="Undo").click()
    _expect(other).to_have_value("typed-B")
    # Bars are mended one field after the other.
    page.get_by_label("Last bar of typed-B").fill("4")
    page.keyboard.press("Tab")
    _expect(page.locator(".saved")).to_have_text("All saved")
    page.get_by_label("First bar of typed-B").fill("5")
    page.keyboard.press("Tab")
    _expect(page.locator(".part .refused")).to_contain_text("Bars 5 to 4")
    page.keyboard.type("8")
    page.keyboard.press("Tab")
    _expect(page.locator(".part .refused")).to_have_count(0)
    _expect(page.locator(".saved")).to_have_text("All saved")
    assert _on_disk(server, lesson_id).part("B").bars == (5, 8)


def test_what_is_typed_while_the_server_is_away_is_saved_once_it_is_back(
    server: Server, open_page, taught
) -> None:
    lesson_id = taught(server, "adrift")
    page = _open(open_page, server, lesson_id)
    page.context.set_offline(True)
    name = page.get_by_label("Name of part A")
    name.fill("intro")
    page.keyboard.press("Tab")
    _expect(page.locator(".part .refused")).to_contain_text("cannot reach its server")
    _expect(page.locator(".saved")).to_have_text("Server gone")
    page.context.set_offline(False)
    _expect(page.locator(".part .refused")).to_have_count(0)
    _expect(page.locator(".saved")).to_have_text("All saved")
    _expect(name).to_have_value("intro")
    assert _on_disk(server, lesson_id).part("A").name == "intro"


def test_take_it_back_is_of_its_own_step_alone(server: Server, open_page, taught) -> None:
    lesson_id = taught(server, "backed")
    page = _open(open_page, server, lesson_id)
    page.get_by_label("Name of part A").fill("intro")
    page.keyboard.press("Enter")
    _expect(page.locator(".saved")).to_have_text("All saved")

    def drop() -> None:
        page.locator("summary[aria-label='More about backed-C']").click()
        page.get_by_role("button", name="Drop from the lesson: backed-C").click()
        _now(page, ["intro", "backed-B"])

    back = page.get_by_role("button", name="Take it back")
    drop()
    _expect(back).to_be_visible()
    page.locator("h1").click()
    page.keyboard.press("Control+z")
    _now(page, ["intro", "backed-B", "backed-C"])
    # The step is undone: there is nothing more to take back in its name.
    _expect(back).to_have_count(0)
    drop()
    page.get_by_label("Note to").first.fill("Let it ring.")
    page.keyboard.press("Tab")
    _expect(page.locator(".saved")).to_have_text("All saved")
    _expect(back).to_have_count(0)
    lesson = _on_disk(server, lesson_id)
    assert [part.name for part in lesson.parts] == ["intro", "backed-B"]
    assert lesson.part("A").note == "Let it ring."


def test_only_what_can_be_joined_is_offered_to_be(server: Server, open_page, taught) -> None:
    lesson_id = taught(server, "apart")
    page = _open(open_page, server, lesson_id)
    page.locator("summary[aria-label='More about apart-B']").click()
    page.get_by_label("Bar at which the second half of apart-B begins").fill("5")
    join = page.get_by_text("Join with the next")
    _expect(join).to_have_count(0)
    page.get_by_role("button", name="Cut in two at bar: apart-B").click()
    _expect(page.locator(".part")).to_have_count(4)
    _expect(join).to_have_count(1)
    join.click()
    _expect(page.locator(".part")).to_have_count(3)
    _expect(join).to_have_count(0)
    # Asked all the same, it says why not.
    body = {"revision": _lesson(server, lesson_id)["revision"], "part": "A", "other": "B"}
    status, answer, _ = server.ask("POST", f"/api/lessons/{lesson_id}/again", body)
    assert status == 422
    assert "separate riffs" in answer["error"]
    body = {"revision": body["revision"], "part": "A", "number": 1}
    status, answer, _ = server.ask("POST", f"/api/lessons/{lesson_id}/again", body)
    assert status == 422
    assert "not split from a recording" in answer["error"]


@pytest.mark.parametrize("answer", ["Keep theirs and make my change too", "Show theirs"])
def test_two_windows_lose_no_change(server: Server, open_page, taught, answer: str) -> None:
    name = "twice-" + answer[:4].lower()
    lesson_id = taught(server, name)
    one = _open(open_page, server, lesson_id)
    two = _open(open_page, server, lesson_id, beside=one)
    two.evaluate("document.querySelector('.lesson').dataset.still = '1'")
    one.get_by_label("Name of part A").fill("theirs")
    one.keyboard.press("Enter")
    _expect(one.locator(".saved")).to_have_text("All saved")
    two.get_by_label("Name of part B").fill("mine")
    two.keyboard.press("Enter")
    two.wait_for_selector("dialog[open]")
    assert [part.name for part in _on_disk(server, lesson_id).parts[:2]] == ["theirs", f"{name}-B"]
    two.locator("dialog button", has_text=answer).click()
    both = answer.startswith("Keep")
    _now(two, ["theirs", "mine" if both else f"{name}-B", f"{name}-C"])
    _expect(two.locator(".saved")).to_have_text("All saved")
    names = [part.name for part in _on_disk(server, lesson_id).parts[:2]]
    assert names == ["theirs", "mine" if both else f"{name}-B"]
    # The other window hears of it, and a correction of a riff is shown by itself.
    if both:
        one.locator(".notice:has-text('in another window')").wait_for()
        one.get_by_role("button", name="Show the new version").click()
        _now(one, ["theirs", "mine", f"{name}-C"])


def test_handout_is_looked_at_without_a_network(server: Server, open_page, taught) -> None:
    lesson_id = taught(server, "handed", "A", "B")
    _edit(server, lesson_id, {"op": "note", "part": "A", "note": "Let <i>it</i> ring."})
    page = _open(open_page, server, lesson_id)
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.get_by_role("button", name="Show it").click()
    page.wait_for_selector("iframe")
    handout = page.frame_locator("iframe")
    _expect(handout.locator("h1")).to_have_text("handed")
    _expect(handout.locator("#part-1 .on-screen .note text").first).to_be_visible()
    page.context.set_offline(True)
    _expect(handout.locator("#part-1 .words")).to_have_text("Let <i>it</i> ring.")
    frame = next(each for each in page.frames if "/look/" in each.url)
    handout.get_by_label("Count a bar in").uncheck()
    handout.get_by_role("button", name="Play handed-A").click()
    frame.wait_for_function(
        """() => Number(document.querySelector(".playing .line-head:not([hidden])")
            ?.getAttribute("x1")) > 100"""
    )
    page.context.set_offline(False)
    assert not [url for url in asked if not url.startswith((server.url, "data:", "blob:"))]
    # It is cut off from the page: neither its key nor anything else is to be had there.
    for reach in ("localStorage.length", "parent.document.title"):
        with pytest.raises(Exception, match=r"SecurityError|Blocked a frame"):
            frame.evaluate(reach)
    with page.expect_download() as kept:
        page.get_by_role("button", name="Save it (HTML)").click()
    assert kept.value.suggested_filename == "handed.handout.html"
    text = Path(kept.value.path()).read_text("utf-8")
    assert "Let &lt;i&gt;it&lt;/i&gt; ring." in text


@pytest.mark.parametrize("size", [(1440, 900), (390, 844)])
def test_handout_is_shown_in_the_window(
    server: Server, open_page, taught, size: tuple[int, int]
) -> None:
    width, height = size
    lesson_id = taught(server, f"seen-{width}")
    page = _open(open_page, server, lesson_id, viewport={"width": width, "height": height})
    page.get_by_role("button", name="Show it").focus()
    page.keyboard.press("Enter")
    frame = page.locator(".handout-frame iframe")
    _expect(frame).to_be_focused()
    box = frame.bounding_box()
    assert box["y"] >= -1
    assert box["y"] + box["height"] <= height + 1


def test_handout_is_made_as_pdf(server: Server, open_page, taught) -> None:
    """Read back by pypdf."""
    pypdf = pytest.importorskip("pypdf")
    lesson_id = taught(server, "printed", "A")
    _edit(server, lesson_id, {"op": "note", "part": "A", "note": "Let it ring."})
    page = _open(open_page, server, lesson_id)
    page.get_by_label("Paper").select_option("letter")
    with page.expect_download() as kept:
        page.get_by_role("button", name="Save it (PDF)").click()
    assert kept.value.suggested_filename == "printed.handout.pdf"
    document = pypdf.PdfReader(kept.value.path())
    text = "\n".join(one.extract_text() for one in document.pages)
    assert "printed-A" in text
    assert "Let it ring." in text
    # Letter is 8.5 by 11 inches of 72 points (common practice, no source).
    assert [float(side) for side in document.pages[0].mediabox[2:]] == [612, 792]
    for odd in ({"kind": "docx"}, {"kind": "pdf", "paper": "a9"}):
        assert server.ask("POST", f"/api/lessons/{lesson_id}/handout", odd)[0] == 422
    riff = server.id_of("printed-A")
    _, started, _ = server.ask("POST", f"/api/riffs/{riff}/make", {"kind": "handout-pdf"})
    made = server.outcome(started["job"])["result"]
    status, data, headers = server.ask("GET", made["url"])
    assert (status, headers["content-type"]) == (200, "application/pdf")
    assert data.startswith(b"%PDF-")


def test_handout_is_answered_to_its_own_address_alone(server: Server, taught) -> None:
    lesson_id = taught(server, "sealed", "A")
    _, started, _ = server.ask("POST", f"/api/lessons/{lesson_id}/handout", {})
    made = server.outcome(started["job"])["result"]
    status, body, headers = server.ask("GET", made["look"], plain=True)
    assert status == 200
    assert b"<h1>sealed</h1>" in body
    policy = headers["content-security-policy"]
    assert policy.startswith("sandbox allow-scripts; default-src 'none'")
    assert "frame-ancestors 'self'" in policy
    assert "connect-src" not in policy
    assert headers["x-frame-options"] == "SAMEORIGIN"
    status, _, headers = server.ask("GET", "/look/" + "x" * 24, plain=True)
    assert status == 404
    elsewhere = {"Sec-Fetch-Site": "cross-site"}
    assert server.ask("GET", made["look"], None, elsewhere, plain=True)[0] == 403
    assert server.ask("GET", made["url"], plain=True)[0] == 403
    assert "sandbox" not in server.ask("GET", made["url"])[2]["content-security-policy"]


def test_take_is_held_against_a_part_and_the_riff_is_a_step_away(
    server: Server, open_page, taught
) -> None:
    lesson_id = taught(server, "held", "A")
    riff = read_riff(server.folder / "held-A.riff.json")
    take = server.folder.parent / "held-take.wav"
    soundfile.write(take, render_riff(riff, sr=SR), SR)
    page = _open(open_page, server, lesson_id)
    _expect(page.locator(".part-takes")).to_contain_text("No take of it yet")
    page.locator(".part-side input[type=file]").set_input_files(take)
    _expect(page.locator(".part-takes")).to_contain_text("1 take.")
    _expect(page.locator(".part-takes strong")).to_have_text(re.compile(r"^\d+ % right$"))
    page.get_by_role("link", name="Note by note: the last take of held-A").click()
    page.wait_for_selector(".tab .note")
    _expect(page.locator(".verdict-line")).to_contain_text("held-take.wav")
    back = page.locator("#crumbs a", has_text="held")
    _expect(back).to_have_attribute("href", f"#lesson={lesson_id}")
    back.click()
    page.wait_for_selector(".part")
    _expect(page.get_by_role("link", name="Open the riff of held-A")).to_be_focused()


def test_long_recording_is_asked_about(start, open_page, tmp_path: Path) -> None:
    server = start()
    _session(tmp_path / "long.wav")
    y, sr = soundfile.read(tmp_path / "long.wav")
    soundfile.write(tmp_path / "long.wav", np.concatenate([y, np.zeros(60 * sr)]), sr)
    page = open_page(server)
    page.set_input_files(".well input[type=file]", tmp_path / "long.wav")
    page.wait_for_selector("dialog[open]")
    assert "1 minute long" in page.inner_text("dialog")
    page.get_by_role("button", name="A lesson in parts").click()
    page.wait_for_selector(".part", timeout=180_000)
    assert page.locator("h1").inner_text() == "long"
    page.click("#crumbs a")
    page.wait_for_selector(".entry")
    _expect(page.locator("section[aria-labelledby=lessons-title] .entry")).to_have_count(1)
    assert "in long" in page.locator("section[aria-labelledby=list-title]").inner_text()


def test_lesson_is_made_on_the_list(start, open_page, put) -> None:
    server = start()
    put(server, "anchor")
    put(server, "capstan")
    page = open_page(server)
    page.get_by_role("button", name="Make a lesson of riffs").click()
    page.get_by_label("Title").fill("On deck")
    page.keyboard.press("Enter")
    # Without a riff it is not made, and what was typed stays.
    _expect(page.locator("dialog .refused")).to_contain_text("Choose")
    _expect(page.get_by_label("Title")).to_have_value("On deck")
    tops = page.locator("dialog label.tick").evaluate_all(
        "(all) => all.map((one) => one.getBoundingClientRect().top)"
    )
    assert len(set(tops)) == 2  # one riff a line
    page.locator("dialog label", has_text="capstan").click()
    page.locator("dialog label", has_text="anchor").click()
    page.get_by_role("button", name="Make it").click()
    page.wait_for_selector(".part")
    assert _names(page) == ["capstan", "anchor"]
    assert page.locator("h1").inner_text() == "On deck"


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1200, 390])
def test_axe_finds_nothing(
    server: Server, open_page, taught, axe: Path, scheme: str, width: int
) -> None:
    name = f"axe-lesson-{scheme}-{width}"
    lesson_id = taught(server, name, "A", "B")
    row = {"take": "t.m4a", "right_share": 0.5, "bars": {"3": 2}}
    lines = [json.dumps({"when": f"2026-03-{d:02}T18:00:00+00:00"} | row) for d in (2, 9)]
    (server.folder / f"{name}-A.progress.jsonl").write_text("\n".join(lines) + "\n")
    page = _open(
        open_page,
        server,
        lesson_id,
        bypass_csp=True,
        color_scheme=scheme,
        viewport={"width": width, "height": 844},
    )
    page.wait_for_selector(".plot")
    page.locator(".part-more summary").first.click()
    page.get_by_role("button", name="Show it").click()
    page.wait_for_selector("iframe")
    found = violations(page, axe)
    if width == 390:
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
    page.get_by_role("button", name="Add riffs").click()
    page.wait_for_selector("dialog[open]")
    found += violations(page, axe)
    page.keyboard.press("Escape")
    page.goto(f"{server.url}/#")
    page.wait_for_selector(".shelf .entry")
    found += violations(page, axe)
    assert not found, "\n".join(found)


def test_everything_to_tap_has_room_for_a_finger(server: Server, open_page, taught) -> None:
    lesson_id = taught(server, "thumb", "A", "B")
    phone = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}
    page = _open(open_page, server, lesson_id, **phone)
    page.locator(".part-more summary").first.tap()
    small = """() => [...document.querySelectorAll("button, summary, select, a, input, textarea")]
        .filter((e) => e.checkVisibility() && !e.closest(".unseen, .skip") && e.type !== "file"
            && !e.matches(".unseen, .skip, [type=checkbox], [aria-hidden]"))
        .map((e) => [e.outerHTML.slice(0, 90), e.getBoundingClientRect()])
        .filter(([, box]) => box.height < 39.5 || box.width < 39.5)
        .map(([html, box]) => `${html} ${box.width} x ${box.height}`)"""
    assert page.evaluate(small) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= 390


def test_lesson_is_light_and_asks_nothing_of_other_machines(
    server: Server, open_page, taught
) -> None:
    lesson_id = taught(server, "feather", "A")
    page = open_page(server)
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(f"{server.url}/#lesson={lesson_id}")
    page.wait_for_selector(".part")
    assert 60_000 < weight(page) < 300_000
    assert {url.split("/")[2] for url in asked if url.startswith("http")} == {server.host}
