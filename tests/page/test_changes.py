"""Edits, revisions and the history that they share with the pins: no browser needed."""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import json
import multiprocessing
import threading
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.page.conftest import Server, make_riff, saved
from transcribe.core.errors import FormatError
from transcribe.core.instrument import make_instrument
from transcribe.core.riff import Riff, Source, Step
from transcribe.core.wording import sentence
from transcribe.correct import note_edits
from transcribe.correct.history import remark_of, steps
from transcribe.correct.pins import pin, repeats_of
from transcribe.correct.retime import half_time
from transcribe.correct.retune import set_drone, set_instrument
from transcribe.formats.document import read_riff, to_json, write_riff
from transcribe.library.last_comparison import check_path, read_check, write_check
from transcribe.library.revisions import ConflictError, HeldError, hold, read_revision, replace

# -- revisions ---------------------------------------------------------------------------------


def test_replace_refuses_an_older_revision(tmp_path: Path, one_riff: Riff) -> None:
    path = tmp_path / "a.riff.json"
    first = replace(path, one_riff, expected=None)
    other = note_edits.delete(one_riff, [1])
    second = replace(path, other, expected=first)
    with pytest.raises(ConflictError, match="changed elsewhere"):
        replace(path, one_riff, expected=first)
    with pytest.raises(ConflictError):
        replace(path, one_riff, expected=None)
    assert read_revision(path) == (other, second)


def test_hold_may_be_taken_again_inside(tmp_path: Path) -> None:
    with hold(tmp_path), hold(tmp_path):
        pass


def _sit_on(folder: str, ready: Any) -> None:
    with hold(Path(folder)):
        ready.set()
        time.sleep(60)


def test_lock_that_is_never_let_go_is_told_of(
    tmp_path: Path, one_riff: Riff, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("transcribe.library.revisions._WAIT_SEC", 0.3)
    context = multiprocessing.get_context("spawn")
    ready = context.Event()
    other = context.Process(target=_sit_on, args=(str(tmp_path), ready))
    other.start()
    try:
        assert ready.wait(60)
        with pytest.raises(HeldError, match="try again in a moment"):
            replace(tmp_path / "a.riff.json", one_riff, expected=None)
    finally:
        other.kill()
        other.join()
    replace(tmp_path / "a.riff.json", one_riff, expected=None)


def test_links_are_not_read(tmp_path: Path, one_riff: Riff) -> None:
    write_riff(one_riff, tmp_path / "a.riff.json")
    (tmp_path / "b.riff.json").symlink_to(tmp_path / "a.riff.json")
    with pytest.raises(FormatError, match="cannot be read"):
        read_revision(tmp_path / "b.riff.json")


def _mark(path: str, name: str, times: int) -> None:
    for k in range(times):
        saved = False
        while not saved:
            riff, revision = read_revision(Path(path))
            marked = dataclasses.replace(
                riff, history=(*riff.history, Step("mark", extra={name: k}))
            )
            with contextlib.suppress(ConflictError):
                replace(Path(path), marked, expected=revision)
                saved = True


def test_two_processes_lose_nothing_of_each_other(tmp_path: Path, one_riff: Riff) -> None:
    path = tmp_path / "a.riff.json"
    write_riff(one_riff, path)
    context = multiprocessing.get_context("spawn")
    workers = [context.Process(target=_mark, args=(str(path), name, 20)) for name in "xy"]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join(60)
    history = read_riff(path).history
    for name in "xy":
        assert [step.extra[name] for step in history if name in step.extra] == list(range(20))


# -- the comparison that is kept --------------------------------------------------------------


def _a_check() -> dict:
    row = {"reference": 0, "take": None, "verdict": "missed", "offset_ms": None, "bar": 1}
    return {
        "when": "2024-05-06T07:08:09+00:00",
        "take": "mine.wav",
        "sound": None,
        "notes": [[1, 45, 0.25]],
        "pitches": [],
        "comparison": {"summary": {"right_share": 0.0}, "notes": [row]},
        "drawings": {"timing": "<svg></svg>"},
        "progress": {"since": [], "shares": [0.0]},
    }


def test_comparison_is_kept_beside_the_riff(tmp_path: Path) -> None:
    path = check_path(tmp_path / "a.riff.json")
    assert read_check(path) is None
    write_check(path, _a_check())
    kept = read_check(path)
    assert kept is not None
    assert kept == {"check": 1, **_a_check()}


@pytest.mark.parametrize(
    "spoil",
    [
        lambda text: text[: len(text) // 2],
        lambda text: "[]",
        lambda text: "[" * 100_000,
        lambda text: text.replace('"reference": 0', '"reference": 7'),
        lambda text: text.replace('"right_share": 0.0', '"right_share": "all"'),
        lambda text: text.replace('"notes": [[1, 45, 0.25]]', '"notes": [[1]]'),
        lambda text: text.replace('"<svg></svg>"', "7"),
        lambda text: text.replace('"offset_ms": null', '"offset_ms": NaN'),
    ],
)
def test_damaged_comparison_is_told_of_and_harms_nothing(
    server: Server, put, tmp_path: Path, spoil
) -> None:
    riff_id = put(server, "damaged")
    path = server.folder / "damaged.check.json"
    write_check(path, _a_check())
    path.write_text(spoil(path.read_text("utf-8")), encoding="utf-8")
    status, answer, _ = server.ask("GET", f"/api/riffs/{riff_id}/check")
    assert (status, answer["check"]) == (200, None)
    assert "check a take again" in answer["damaged"]
    assert server.ask("GET", f"/api/riffs/{riff_id}")[0] == 200


def test_comparison_goes_along_with_a_rename_and_is_put_aside(start, put) -> None:
    server = start()
    riff_id = put(server, "old-name")
    write_check(server.folder / "old-name.check.json", _a_check())
    made = server.ask("POST", f"/api/riffs/{riff_id}/name", {"name": "new name"})[1]
    shown = server.ask("GET", f"/api/riffs/{made['riff']}/check")[1]["check"]
    assert shown["take"] == "mine.wav"
    assert server.ask("DELETE", f"/api/riffs/{made['riff']}/check")[0] == 200
    assert server.ask("GET", f"/api/riffs/{made['riff']}/check")[1]["check"] is None
    assert server.ask("DELETE", f"/api/riffs/{made['riff']}/check")[0] == 200
    assert list((server.folder / ".handspan" / "removed").glob("*.check.json"))


# -- through the server ------------------------------------------------------------------------


def _pin(server: Server, riff_id: str, note: int, place: tuple, revision: str, **more):
    body = {
        "revision": revision,
        "edit": {"op": "pin", "note": note, "string": place[0], "fret": place[1]},
        **more,
    }
    return server.ask("POST", f"/api/riffs/{riff_id}/edits", body)[:2]


def test_pin_is_saved_and_answered_with_what_moved(server: Server, put, one_riff: Riff) -> None:
    riff_id = put(server, "pins")
    note = next(n for n in one_riff.notes if len(one_riff.instrument.places(n.pitch_midi)) > 2)
    place = next(
        p for p in one_riff.instrument.places(note.pitch_midi) if p != (note.string, note.fret)
    )
    shown = server.ask("GET", f"/api/riffs/{riff_id}")[1]
    status, after = _pin(server, riff_id, note.id, place, shown["revision"])
    assert status == 200
    assert {"note": note.id, "from": [note.string, note.fret], "to": list(place)} in after["moved"]
    on_disk = saved(server, "pins").note(note.id)
    assert (on_disk.string, on_disk.fret, on_disk.pinned) == (*place, True)


def test_a_fingering_is_asked_for_in_words_and_given_up(server: Server, put) -> None:
    riff_id = put(server, "asked")
    revision = server.ask("GET", f"/api/riffs/{riff_id}")[1]["revision"]
    before = saved(server, "asked").notes
    for edit in ({"op": "ask", "words": "highest fret 3"}, {"op": "withdraw", "number": 0}):
        body = {"revision": revision, "edit": edit}
        status, after, _ = server.ask("POST", f"/api/riffs/{riff_id}/edits", body)
        assert status == 200, after
        revision = after["revision"]
        asked = saved(server, "asked").player.requests
        assert [request.kind for request in asked] == ["highest-fret"] * (edit["op"] == "ask")
    assert saved(server, "asked").notes == before


def test_stale_window_is_told_and_loses_nothing(server: Server, put, one_riff: Riff) -> None:
    riff_id = put(server, "stale")
    shown = server.ask("GET", f"/api/riffs/{riff_id}")[1]
    a, b = one_riff.notes[1], one_riff.notes[4]
    assert _pin(server, riff_id, a.id, (a.string, a.fret), shown["revision"])[0] == 200
    status, body = _pin(server, riff_id, b.id, (b.string, b.fret), shown["revision"])
    assert status == 409
    theirs = {n["id"]: n for n in body["theirs"]["document"]["notes"]}
    assert theirs[a.id]["pinned"]
    assert not theirs[b.id]["pinned"]
    status, _ = _pin(server, riff_id, b.id, (b.string, b.fret), shown["revision"], anyway=True)
    assert status == 200
    pinned = {n.id for n in saved(server, "stale").notes if n.pinned}
    assert pinned == {a.id, b.id}


@pytest.mark.parametrize(
    "edit",
    [
        {"op": "pin", "note": 1, "string": 1, "fret": 0},
        {"op": "pin", "note": "1", "string": 1, "fret": 0},
        {"op": "pin", "note": 1},
        {"op": "pin", "note": 10**9, "string": 1, "fret": 0},
        {"op": "pin", "note": 1, "string": -1, "fret": 0},
        {"op": "unpin", "note": 1},
        {"op": "delete", "notes": "all"},
        {"op": "delete", "notes": [True]},
        {"op": "add", "onset_sec": 1e99, "offset_sec": 2, "pitch_midi": 60},
        {"op": "add", "onset_sec": 1, "offset_sec": 2, "pitch_midi": 60.5},
        {"op": "change", "note": 1, "articulation": ["bend"]},
        {"op": "alternative", "number": 99},
        {"op": "ask", "words": "softly"},
        {"op": "ask", "words": ["7th position"]},
        {"op": "withdraw", "number": 0},
        {"op": "retime", "bpm": 1e9},
        {"op": "retime", "meter": "waltz"},
        {"op": "retime", "first_beat_sec": "early"},
        {"op": "explode"},
        {},
        "delete",
    ],
)
def test_impossible_change_leaves_the_file_as_it_was(server: Server, put, edit) -> None:
    riff_id = put(server, "untouched")
    path = server.folder / "untouched.riff.json"
    before = path.read_bytes()
    revision = server.ask("GET", f"/api/riffs/{riff_id}")[1]["revision"]
    body = {"revision": revision, "edit": edit}
    status, answer, _ = server.ask("POST", f"/api/riffs/{riff_id}/edits", body)
    assert status == 422, answer
    assert len(answer["error"]) > 10
    assert path.read_bytes() == before


def test_text_tab_follows_unless_a_hand_changed_it(server: Server, put, one_riff: Riff) -> None:
    from transcribe.formats.tab.write import write_tab

    riff_id = put(server, "follows")
    tab = server.folder / "follows.tab.txt"
    tab.write_text(write_tab(one_riff), encoding="utf-8")
    revision = server.ask("GET", f"/api/riffs/{riff_id}")[1]["revision"]
    edit = {"op": "delete", "notes": [one_riff.notes[-1].id]}
    body = {"revision": revision, "edit": edit}
    revision = server.ask("POST", f"/api/riffs/{riff_id}/edits", body)[1]["revision"]
    assert tab.read_text("utf-8") == write_tab(saved(server, "follows"))
    tab.write_text("my own tab", encoding="utf-8")
    body = {"revision": revision, "edit": {"op": "undo"}}
    assert server.ask("POST", f"/api/riffs/{riff_id}/edits", body)[0] == 200
    assert tab.read_text("utf-8") == "my own tab"


def test_files_follow_a_correction_in_the_form_they_had(
    server: Server, put, one_riff: Riff
) -> None:
    from transcribe.core.riff import FileForm
    from transcribe.library import riff_files

    riff_id = put(server, "folded")
    form = FileForm(width=100, repeats=True)
    forms = {"tab": form, "musicxml": FileForm(repeats=True), "midi": FileForm()}
    riff_files.save(one_riff, server.folder, "folded", formats=(), forms=forms)
    revision = server.ask("GET", f"/api/riffs/{riff_id}")[1]["revision"]
    edit = {"op": "delete", "notes": [one_riff.notes[-1].id]}
    body = {"revision": revision, "edit": edit}
    assert server.ask("POST", f"/api/riffs/{riff_id}/edits", body)[0] == 200
    for kind, how in forms.items():
        path = server.folder / f"folded{riff_files.FORMATS[kind]}"
        assert path.read_bytes() == riff_files.made(saved(server, "folded"), kind, how)


def test_killed_server_leaves_the_old_or_the_new(start, put) -> None:
    riff = make_riff(seconds=16.0)
    server = start()
    riff_id = put(server, "killed", riff=riff)
    confirmed: list[int] = []

    def pins() -> None:
        for note in riff.notes:
            try:
                status, _ = _pin(
                    server, riff_id, note.id, (note.string, note.fret), "", anyway=True
                )
            except OSError:
                return
            if status == 200:
                confirmed.append(note.id)

    threads = [threading.Thread(target=pins) for _ in range(2)]
    for thread in threads:
        thread.start()
    while len(confirmed) < 4:
        time.sleep(0.01)
    server.process.kill()
    for thread in threads:
        thread.join(30)
    after = saved(server, "killed")
    pinned = {note.id for note in after.notes if note.pinned}
    assert set(confirmed) <= pinned, "a pin that was confirmed is lost"
    again = start(folder=server.folder)
    shown = again.ask("GET", f"/api/riffs/{again.id_of('killed')}")[1]
    assert len(shown["document"]["notes"]) == len(riff.notes)


def test_note_tells_every_place_and_its_repeats(server: Server, put, one_riff: Riff) -> None:
    riff_id = put(server, "places")
    note = one_riff.notes[1]
    body = server.ask("GET", f"/api/riffs/{riff_id}/notes/{note.id}")[1]
    found = {(place["string"], place["fret"]) for place in body["places"]}
    assert found == set(one_riff.instrument.places(note.pitch_midi))
    assert body["why"]["notes"] == [note.id]
    assert str(note.id) in body["why"]["sentence"]
    assert set(body["repeats"]) == set(repeats_of(one_riff, note.id))
    assert body["repeats"], "the riff was made to repeat"
    assert server.ask("GET", f"/api/riffs/{riff_id}/notes/9999")[0] == 404


def test_document_that_cannot_be_read_is_named_and_left_alone(start) -> None:
    server = start()
    bad = server.folder / "bad.riff.json"
    bad.write_text("{", encoding="utf-8")
    (riff,) = server.ask("GET", "/api/shelf")[1]["riffs"]
    assert "not JSON" in riff["error"]
    assert server.ask("GET", f"/api/riffs/{riff['id']}")[0] == 422
    assert bad.read_text("utf-8") == "{"


def test_renamed_riff_takes_its_files_along(start, put, one_riff: Riff) -> None:
    server = start()
    sr = 8000
    riff_id = put(server, "take-1", take=(0.1 * np.ones(8 * sr), sr))
    put(server, "slack-water")
    put(server, "take-10")
    (server.folder / "take-1.tab.txt").write_text("tab", encoding="utf-8")
    ask = server.ask("POST", f"/api/riffs/{riff_id}/name", {"name": "../Slack Water"})
    assert ask[0] == 200, ask
    assert ask[1]["name"] == "slack-water-2"
    names = sorted(p.name for p in server.folder.iterdir() if not p.name.startswith("."))
    assert names == [
        "slack-water-2.riff.json",
        "slack-water-2.tab.txt",
        "slack-water-2.wav",
        "slack-water.riff.json",
        "take-10.riff.json",
    ]
    renamed = saved(server, "slack-water-2")
    assert renamed.source is not None
    assert renamed.source.file == "slack-water-2.wav"
    assert renamed.notes == one_riff.notes
    assert server.ask("GET", f"/api/riffs/{riff_id}")[0] == 404
    new_id = ask[1]["riff"]
    assert server.ask("POST", f"/api/riffs/{new_id}/name", {"name": " "})[0] == 422
    assert server.ask("POST", f"/api/riffs/{new_id}/name", {"name": 5})[0] == 422


def test_removed_riff_is_kept_aside(start, put) -> None:
    server = start()
    riff_id = put(server, "gone")
    assert server.ask("DELETE", f"/api/riffs/{riff_id}")[0] == 200
    assert server.ask("GET", f"/api/riffs/{riff_id}")[0] == 404
    (kept,) = (server.folder / ".handspan" / "removed").iterdir()
    assert read_riff(kept).notes


def test_finger_again_on_another_tuning_keeps_pins_that_fit(start, put, one_riff: Riff) -> None:
    server = start()
    note = next(n for n in one_riff.notes if n.pitch_midi != 45 and n.string not in (None, 6))
    riff = pin(one_riff, {note.id: (note.string, note.fret)}, repeats=False)
    riff_id = put(server, "drop", riff=riff)
    body = {"from": "notes", "settings": {"tuning": "drop-d"}}
    job = server.ask("POST", f"/api/riffs/{riff_id}/again", body)[1]["job"]
    assert server.outcome(job)["state"] == "done"
    after = saved(server, "drop")
    assert after.instrument.open_midi[5] == 38
    assert after.note(note.id).pinned
    assert [n.pitch_midi for n in after.notes] == [n.pitch_midi for n in riff.notes]


def _again(server: Server, riff_id: str, **settings: object) -> dict:
    body = {"from": "notes", "settings": settings}
    job = server.ask("POST", f"/api/riffs/{riff_id}/again", body)[1]["job"]
    outcome = server.outcome(job)
    assert outcome["state"] == "done", outcome
    return outcome["result"]


def _bare(riff: Riff) -> dict:
    return {key: value for key, value in to_json(riff).items() if key != "history"}


def test_finger_again_is_one_step_that_is_taken_back_whole(start, put, one_riff: Riff) -> None:
    server = start()
    low = next(n for n in one_riff.notes if n.fret == 0)
    high = next(n for n in one_riff.notes if n.fret and n.fret >= 2 and n.onset_sec > low.onset_sec)
    places = {n.id: (n.string, n.fret) for n in (low, high)}
    riff = pin(one_riff, places, repeats=False)
    riff_id = put(server, "capo", riff=riff)
    before = _bare(saved(server, "capo"))
    made = _again(server, riff_id, capo=2, hand_span_mm=90, bpm=100, meter="3/4")
    after = saved(server, "capo")
    assert (after.instrument.capo, after.player.hand_span_mm) == (2, 90)
    assert after.rhythm is not None
    assert after.rhythm.meter == (3, 4)
    # The pin above the capo is where it was on the neck; no open string sounds so low any more.
    assert (after.note(high.id).string, after.note(high.id).fret) == (high.string, high.fret - 2)
    assert after.note(high.id).pinned
    assert not after.note(low.id).pinned
    assert (made["pins"], made["lost"]) == (2, [low.id])
    assert sentence(remark_of(steps(after)[0][-1])) == "fingering anew"
    whole = _bare(after)
    for op, state in (("undo", before), ("redo", whole), ("undo", before)):
        body = {"revision": None, "anyway": True, "edit": {"op": op}}
        status, answer, _ = server.ask("POST", f"/api/riffs/{riff_id}/edits", body)
        assert status == 200, answer
        assert _bare(saved(server, "capo")) == state
    # What was done before the step is still there to be taken back.
    body = {"revision": None, "anyway": True, "edit": {"op": "undo"}}
    assert server.ask("POST", f"/api/riffs/{riff_id}/edits", body)[0] == 200
    assert not any(note.pinned for note in saved(server, "capo").notes)


def test_capo_can_be_taken_off_again(start, put) -> None:
    server = start()
    riff_id = put(server, "off")
    for capo, hand in ((2, 90), (0, 0)):
        _again(server, riff_id, capo=capo, hand_span_mm=hand)
        assert saved(server, "off").instrument.capo == capo
    assert saved(server, "off").player.hand_span_mm is None


def test_removed_riff_is_put_back(start, put, one_riff: Riff) -> None:
    server = start()
    riff_id = put(server, "gone")
    gone = server.ask("DELETE", f"/api/riffs/{riff_id}")[1]
    put(server, "gone", riff=dataclasses.replace(one_riff, notes=one_riff.notes[:3]))
    status, back, _ = server.ask("POST", f"/api/removed/{gone['removed']}/back", {})
    assert (status, back["name"]) == (200, "gone-2")
    assert len(saved(server, "gone").notes) == 3
    assert saved(server, "gone-2").notes == one_riff.notes
    assert server.ask("POST", f"/api/removed/{gone['removed']}/back", {})[0] == 404


def test_name_that_is_taken_is_told_of(start, put) -> None:
    server = start()
    put(server, "one")
    riff_id = put(server, "two")
    named = server.ask("POST", f"/api/riffs/{riff_id}/name", {"name": "One"})[1]
    assert (named["name"], named["taken"]) == ("one-2", "one")
    named = server.ask("POST", f"/api/riffs/{named['riff']}/name", {"name": "three"})[1]
    assert (named["name"], named["taken"]) == ("three", None)


def test_files_are_made_and_read_back(start, put, one_riff: Riff, tmp_path: Path) -> None:
    from transcribe.formats import read_any

    server = start()
    riff_id = put(server, "made")
    suffixes = {"tab": ".txt", "musicxml": ".musicxml", "midi": ".mid", "jams": ".jams"}
    pitches = sorted(n.pitch_midi for n in one_riff.notes)
    for kind, suffix in suffixes.items():
        job = server.ask("POST", f"/api/riffs/{riff_id}/make", {"kind": kind})[1]["job"]
        done = server.outcome(job)
        assert done["state"] == "done", done
        status, data, headers = server.ask("GET", done["result"]["url"])
        assert status == 200
        assert headers["content-disposition"].startswith("attachment")
        path = tmp_path / f"made{suffix}"
        path.write_bytes(data if isinstance(data, bytes) else json.dumps(data).encode())
        assert sorted(n.pitch_midi for n in read_any(path).notes) == pitches, kind
    again = server.ask("POST", f"/api/riffs/{riff_id}/make", {"kind": "tab"})
    assert again[0] == 200, "made before: answered at once"


def test_sound_at_half_speed_is_twice_as_long(start, put) -> None:
    import io

    import soundfile

    server = start()
    riff_id = put(server, "slow")
    seconds = []
    for speed in (1.0, 0.5):
        body = {"kind": "wav", "speed": speed}
        done = server.outcome(server.ask("POST", f"/api/riffs/{riff_id}/make", body)[1]["job"])
        data, sr = soundfile.read(io.BytesIO(server.ask("GET", done["result"]["url"])[1]))
        seconds.append(len(data) / sr)
        assert np.abs(data).max() > 0.01
    assert 1.7 < seconds[1] / seconds[0] < 2.1
    assert server.ask("POST", f"/api/riffs/{riff_id}/make", {"kind": "wav", "speed": 9})[0] == 422
    assert server.ask("POST", f"/api/riffs/{riff_id}/make", {"kind": "exe"})[0] == 422


def test_reading_a_take_again_keeps_tempo_drone_tuning_and_pins(start, takes: Path) -> None:
    server = start()
    take = server.folder / "mooring.ogg"
    take.write_bytes((takes / "mooring" / "mooring.ogg").read_bytes())
    riff = read_riff(takes / "mooring" / "truth.riff.json")
    digest = hashlib.sha256(take.read_bytes()).hexdigest()
    riff = dataclasses.replace(riff, source=Source("mooring.ogg", 18.9, sha256=digest))
    riff = set_instrument(riff, make_instrument("drop-d", capo=0))
    riff = set_drone(half_time(riff), "off")
    note = next(n for n in riff.notes if n.pitch_midi == 57)
    place = riff.instrument.places(note.pitch_midi)[-1]
    riff = pin(riff, {note.id: place}, repeats=False)
    write_riff(riff, server.folder / "mooring.riff.json")
    body = {"from": "take", "settings": {}}
    path = f"/api/riffs/{server.id_of('mooring')}/again"
    outcome = server.outcome(server.ask("POST", path, body)[1]["job"])
    assert outcome["state"] == "done", outcome
    after = saved(server, "mooring")
    assert after.rhythm is not None
    assert riff.rhythm is not None
    assert after.rhythm.bpm == pytest.approx(riff.rhythm.bpm, rel=0.04)
    assert after.drone is None
    assert after.instrument.open_midi[5] == 38
    assert [(n.string, n.fret) for n in after.notes if n.pinned] == [place]
    assert (after.player.drone, after.player.instrument_given) == ("off", True)
