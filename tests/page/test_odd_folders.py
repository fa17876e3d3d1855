"""Folders with documents that are odd, large or slow: the others stay usable, and nobody waits."""

from __future__ import annotations

import dataclasses
import errno
import json
import os
import resource
import socket
import threading
import time
from http.client import HTTPResponse
from pathlib import Path

import pytest

from tests.page.conftest import ROOT, make_riff, over_and_over
from tests.page.serving import TOKEN
from tests.waiting import until
from transcribe.core.errors import FormatError
from transcribe.core.riff import Riff, Source
from transcribe.formats.document import to_json, write_riff
from transcribe.library.revisions import hold
from transcribe.page.server.jobs import Jobs, WorkError
from transcribe.page.server.store import Store


def _odd(riff: Riff) -> dict[str, bytes]:
    plain = to_json(riff)
    listed = {
        "mode": plain | {"theory": {"mode": [1]}},
        "history": plain | {"history": [{"op": "edit"}]},
        "surrogate": plain | {"mine": "\ud83c"},
        "late": plain | {"notes": [*plain["notes"], _late(plain["notes"][-1])]},
    }
    files = {name: json.dumps(value).encode() for name, value in listed.items()}
    digits = b'"notes": [{"id": ' + b"7" * 5000
    files["digits"] = json.dumps(plain).encode().replace(b'"notes": [{"id": 1', digits)
    return files | {"empty": b"", "cut": files["mode"][:300], "bytes": os.urandom(4096)}


def _late(note: dict) -> dict:
    return note | {"id": 9999, "onset_sec": 100_000.0, "offset_sec": 100_001.0}


def test_odd_documents_are_named_and_the_others_served(start, put, one_riff: Riff) -> None:
    server = start()
    good = put(server, "good")
    odd = _odd(one_riff)
    assert b"7" * 5000 in odd["digits"]
    for name, data in odd.items():
        (server.folder / f"{name}.riff.json").write_bytes(data)
    for _ in range(2):  # and after a restart
        status, body, _ = server.ask("GET", "/api/shelf")
        assert status == 200
        riffs = {riff["name"]: riff for riff in body["riffs"]}
        assert set(riffs) == {"good", *odd}
        assert "error" not in riffs["good"]
        for name in odd:
            assert f"{name}.riff.json" in riffs[name]["error"]
            assert "\n" not in riffs[name]["error"]
            assert server.ask("GET", f"/api/riffs/{riffs[name]['id']}")[0] == 422
        assert server.ask("GET", f"/api/riffs/{good}")[0] == 200
        server.stop()
        server = start(folder=server.folder)


def test_a_file_of_notes_beside_its_riff_is_no_recording(start, put, one_riff: Riff) -> None:
    server = start()
    (server.folder / "wharf.mid").write_bytes(b"MThd")
    riff = dataclasses.replace(one_riff, source=Source("wharf.mid"))
    found = server.ask("GET", f"/api/riffs/{put(server, 'wharf', riff=riff)}")[1]
    assert found["take"] == {"there": False, "ready": False}


def test_odd_document_that_is_uploaded_is_refused(start, one_riff: Riff) -> None:
    server = start()
    for name, data in _odd(one_riff).items():
        if name in ("mode", "history", "surrogate", "late", "digits"):
            job = server.send(data, f"{name}.riff.json")[1]["job"]
            outcome = server.outcome(job)
            assert outcome["state"] == "failed"
            assert f"{name}.riff.json" in outcome["error"]
    assert server.ask("GET", "/api/shelf")[1]["riffs"] == []


def test_name_that_is_no_utf8_is_shown_and_can_be_mended(start, one_riff: Riff) -> None:
    server = start()
    write_riff(one_riff, server.folder / "a.riff.json")
    os.rename(
        os.fsencode(server.folder / "a.riff.json"),
        os.fsencode(server.folder) + b"/caf\xe9.riff.json",
    )
    status, body, _ = server.ask("GET", "/api/shelf")
    assert status == 200
    (riff,) = body["riffs"]
    assert riff["name"] == "caf?"
    assert riff["notes"] == len(one_riff.notes)
    assert server.ask("GET", f"/api/riffs/{riff['id']}")[0] == 200
    named = server.ask("POST", f"/api/riffs/{riff['id']}/name", {"name": "cafe"})[1]
    assert named["name"] == "cafe"
    assert (server.folder / "cafe.riff.json").is_file()


def test_errors_tell_no_paths_of_this_machine(start, put, one_riff: Riff) -> None:
    """A folder that cannot be written: the lock's place is taken, as for want of rights."""
    server = start()
    riff_id = put(server, "quay")
    revision = server.ask("GET", f"/api/riffs/{riff_id}")[1]["revision"]
    (server.folder / ".handspan" / "lock").mkdir()
    body = {"revision": revision, "edit": {"op": "delete", "notes": [one_riff.notes[0].id]}}
    status, answer, _ = server.ask("POST", f"/api/riffs/{riff_id}/edits", body)
    assert (status, answer["error"]) == (422, "the folder cannot be written: Is a directory")
    job = server.ask("POST", f"/api/riffs/{riff_id}/again", {"settings": {"bpm": 90}})[1]["job"]
    assert server.outcome(job)["error"] == "the folder cannot be written: Is a directory"


@pytest.fixture
def jobs(tmp_path: Path):
    made: list[Jobs] = []

    def begin(**kind) -> Jobs:
        made.append(Jobs(scratch=lambda: tmp_path, memory_bytes=6 * 2**30, **kind))
        return made[-1]

    yield begin
    for each in made:
        each.close()


def test_change_that_takes_too_long_is_stopped(jobs, one_riff: Riff, tmp_path: Path) -> None:
    long = over_and_over(one_riff, times=300)
    edit = {"op": "delete", "notes": [long.notes[0].id]}
    document = str(tmp_path / "a.riff.json")
    asked = {"riff": long, "edit": edit, "document": document}
    with pytest.raises(WorkError, match=r"longer than 0.2 s and was stopped.*nothing is changed"):
        jobs(ask_sec=0.2).ask("edit", asked)
    short = {"riff": one_riff, "edit": edit, "document": document}
    assert len(jobs().ask("edit", short)["riff"].notes) == len(one_riff.notes) - 1


def test_worker_that_died_is_told_of_and_replaced(jobs, one_riff: Riff) -> None:
    ours = jobs()
    asked = {"riff": one_riff, "note": one_riff.notes[0].id}
    assert ours.ask("note", asked)["places"]
    ours._idle[0].process.kill()
    ours._idle[0].process.join()
    assert ours.ask("note", asked)["places"]


def test_nobody_waits_while_a_long_riff_is_worked_on(start, put, one_riff: Riff) -> None:
    server = start()
    long = over_and_over(one_riff, times=300)
    slow, quick = put(server, "slow", riff=long), put(server, "quick")
    states = {i: server.ask("GET", f"/api/riffs/{i}")[1]["revision"] for i in (slow, quick)}
    done: dict[str, float] = {}

    def delete(riff_id: str, note: int) -> None:
        body = {"revision": states[riff_id], "edit": {"op": "delete", "notes": [note]}}
        assert server.ask("POST", f"/api/riffs/{riff_id}/edits", body)[0] == 200
        done[riff_id] = time.monotonic()

    first = threading.Thread(target=delete, args=(slow, long.notes[0].id))
    first.start()
    time.sleep(0.3)
    with hold(server.folder):  # as the command does
        free = time.monotonic()
    delete(quick, one_riff.notes[0].id)
    first.join()
    assert free < done[slow]
    assert done[quick] < done[slow]


def test_slow_change_of_a_riff_that_moved_on_is_refused(start, put, one_riff: Riff) -> None:
    server = start()
    long = over_and_over(one_riff, times=300)
    riff_id = put(server, "slow", riff=long)
    revision = server.ask("GET", f"/api/riffs/{riff_id}")[1]["revision"]
    answers = []

    def delete() -> None:
        body = {"revision": revision, "edit": {"op": "delete", "notes": [long.notes[0].id]}}
        answers.append(server.ask("POST", f"/api/riffs/{riff_id}/edits", body))

    thread = threading.Thread(target=delete)
    thread.start()
    time.sleep(0.3)
    other = make_riff(seconds=12.0)
    write_riff(other, server.folder / "slow.riff.json")
    saved = (server.folder / "slow.riff.json").read_bytes()
    thread.join()
    assert answers[0][0] == 409
    assert answers[0][1]["theirs"]["document"]["notes"] == to_json(other)["notes"]
    assert (server.folder / "slow.riff.json").read_bytes() == saved


# A folder that two pages share, is full, or may not be written --------------------------------


def test_second_page_leaves_the_uploads_of_the_first_alone(start) -> None:
    first = start()
    data = (ROOT / "fixtures" / "takes" / "gangplank" / "truth.riff.json").read_bytes()
    head = (
        f"POST /api/takes HTTP/1.1\r\nHost: {first.host}\r\nOrigin: {first.url}\r\n"
        f"X-Handspan-Key: {TOKEN}\r\nX-File-Name: gangplank.riff.json\r\n"
        f"Content-Length: {len(data)}\r\n\r\n"
    )
    incoming = first.folder / ".handspan" / "incoming"
    with socket.create_connection(("127.0.0.1", first.port), timeout=60) as line:
        line.sendall(head.encode() + data[:1000])
        assert until(lambda: any(incoming.iterdir()))
        second = start(folder=first.folder)
        line.sendall(data[1000:])
        answer = HTTPResponse(line)
        answer.begin()
        assert answer.status == 202
        job = first.outcome(json.load(answer)["job"])
    assert job["state"] == "done", job
    assert [riff["name"] for riff in second.ask("GET", "/api/shelf")[1]["riffs"]] == ["gangplank"]


def test_full_disk_is_told_of_and_leaves_nothing_behind(start, put) -> None:
    server = start()
    riff_id = put(server, "a")
    before = (server.folder / "a.riff.json").read_bytes()
    shown = server.ask("GET", f"/api/riffs/{riff_id}")[1]
    note = shown["document"]["notes"][0]["id"]
    body = {"revision": shown["revision"], "edit": {"op": "delete", "notes": [note]}}
    limits = resource.prlimit(server.process.pid, resource.RLIMIT_FSIZE)
    # The system then refuses to write on as it does on a full disk.
    resource.prlimit(server.process.pid, resource.RLIMIT_FSIZE, (1024, limits[1]))
    status, told = server.send(b"\0" * 100_000, "take.wav")
    assert status == 507
    assert told["error"].endswith("make room on its disk and try again.")
    status, told, _ = server.ask("POST", f"/api/riffs/{riff_id}/edits", body)
    assert status == 422
    assert told["error"].startswith("a.riff.json cannot be written: ")
    assert told["error"].endswith("make room on its disk and try again")
    assert (server.folder / "a.riff.json").read_bytes() == before
    assert [p.name for p in server.folder.iterdir()] == sorted([".handspan", "a.riff.json"])
    assert not any((server.folder / ".handspan" / "incoming").iterdir())
    resource.prlimit(server.process.pid, resource.RLIMIT_FSIZE, limits)
    assert server.ask("POST", f"/api/riffs/{riff_id}/edits", body)[0] == 200


def test_folder_that_may_not_be_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    monkeypatch.setattr(Path, "mkdir", refuse)
    words = "Read-only file system; allow writing there, or use another folder"
    with pytest.raises(FormatError, match=words):
        Store(tmp_path)
    with pytest.raises(FormatError, match=words), hold(tmp_path):
        pass


def test_riff_with_a_name_of_235_letters(start, put) -> None:
    server = start()
    name = "q" * 235
    riff_id = put(server, name)
    shown = server.ask("GET", f"/api/riffs/{riff_id}")[1]
    note = shown["document"]["notes"][0]["id"]
    body = {"revision": shown["revision"], "edit": {"op": "delete", "notes": [note]}}
    assert server.ask("POST", f"/api/riffs/{riff_id}/edits", body)[0] == 200
    job = server.ask("POST", f"/api/riffs/{riff_id}/make", {"kind": "musicxml"})[1]["job"]
    assert server.outcome(job)["state"] == "done"
    status, gone, _ = server.ask("DELETE", f"/api/riffs/{riff_id}")
    assert status == 200
    status, back, _ = server.ask("POST", f"/api/removed/{gone['removed']}/back")
    assert status == 200
    assert back["name"].startswith("qqqq")
    named = server.ask("POST", f"/api/riffs/{back['riff']}/name", {"name": "short"})
    assert named[:2] == (200, {"riff": server.id_of("short"), "name": "short", "taken": None})
