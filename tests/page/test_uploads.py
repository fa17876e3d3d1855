"""Files that are brought in: good ones, hostile ones, and what is left of them."""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import socket
import subprocess
import sys
from pathlib import Path
from urllib.parse import urlparse

import numpy as np
import pytest
import soundfile

from tests.page.conftest import ROOT, Server
from tests.waiting import until
from transcribe.formats.document import read_riff
from transcribe.page.server.store import clean_name, safe_suffix


def _left(server: Server) -> list[str]:
    """Everything in the folder, hidden or not, but for the lock and the cache."""
    found = []
    for path in server.folder.rglob("*"):
        if path.is_file() and path.name not in ("lock", "page") and path.parent.name != "cache":
            found.append(str(path.relative_to(server.folder)))
    return sorted(found)


def test_take_becomes_a_riff_with_its_recording(start, mooring: Path) -> None:
    server = start()
    status, body = server.send(mooring.read_bytes(), "Mooring, low tide.wav", settings={"capo": 0})
    assert status == 202
    job = server.outcome(body["job"])
    assert job["state"] == "done", job
    assert _left(server) == ["mooring-low-tide.riff.json", "mooring-low-tide.wav"]
    shown = server.ask("GET", f"/api/riffs/{job['result']['riff']}")[1]
    assert shown["document"]["source"]["file"] == "mooring-low-tide.wav"
    assert shown["document"]["source"]["sha256"]
    assert len(shown["document"]["notes"]) > 10
    assert shown["take"]["ready"] is True
    tile = server.ask("GET", f"/api/riffs/{shown['id']}/tiles/0")[1]
    take = shown["take"]
    assert len(tile) == take["tile_sec"] * (
        2 * take["peaks_per_sec"] + take["rows"] * take["frames_per_sec"]
    )
    assert server.ask("GET", f"/api/riffs/{shown['id']}/tiles/99")[0] == 404
    status, part, _ = server.ask(
        "GET", f"/api/riffs/{shown['id']}/take.wav", None, {"Range": "bytes=0-3"}
    )
    assert (status, part) == (206, b"RIFF")


def test_second_take_of_a_name_gets_a_name_of_its_own(start) -> None:
    server = start()
    tab = (ROOT / "fixtures" / "takes" / "gangplank" / "truth.riff.json").read_bytes()
    for _ in range(2):
        job = server.outcome(server.send(tab, "gangplank.riff.json")[1]["job"])
        assert job["state"] == "done", job
    assert _left(server) == ["gangplank-2.riff.json", "gangplank.riff.json"]


def _wav(seconds: float, sr: int = 8000) -> bytes:
    import io

    file = io.BytesIO()
    y = 0.3 * np.sin(2 * np.pi * 220 * np.arange(int(seconds * sr)) / sr)
    soundfile.write(file, y, sr, format="WAV")
    return file.getvalue()


def test_file_of_notes_leaves_no_name_of_ours_in_the_document(server: Server) -> None:
    tab = (ROOT / "fixtures" / "tabs" / "net-loft.txt").read_bytes()
    job = server.outcome(server.send(tab, "loft.txt")[1]["job"])
    assert job["state"] == "done", job
    document = read_riff(server.folder / "loft.riff.json")
    assert document.source is None or document.source.file == ""


def test_places_of_a_tab_stay_as_they_are_written(start) -> None:
    from transcribe.formats import read_any

    server = start()
    path = ROOT / "fixtures" / "tabs" / "cleat-no-rhythm.txt"
    job = server.outcome(server.send(path.read_bytes(), "cleat.txt")[1]["job"])
    assert job["state"] == "done", job
    written = [(n.string, n.fret) for n in read_any(path).notes]
    assert (3, 4) in written

    def now() -> list[tuple]:
        notes = read_riff(server.folder / "cleat.riff.json").notes
        return [(n.string, n.fret) for n in notes]

    assert now() == written
    (brief,) = server.ask("GET", "/api/shelf")[1]["riffs"]
    assert brief["pins"] == 0, "no hand has pinned anything"
    riff_id = job["result"]["riff"]
    shown = server.ask("GET", f"/api/riffs/{riff_id}")[1]
    assert shown["written"] == len(written)
    for op, written_left in (("anew", 0), ("undo", len(written))):
        body = {"revision": shown["revision"], "edit": {"op": op}}
        shown = server.ask("POST", f"/api/riffs/{riff_id}/edits", body)[1]
        assert shown["written"] == written_left
        assert (now() == written) is (op == "undo")


HOSTILE = {
    "noise.wav": bytes(range(256)) * 40,
    "cut.wav": b"RIFF\xff\xff\xff\xffWAVEfmt ",
    "list.m3u8": b"#EXTM3U\n#EXTINF:1,\nfile:///etc/passwd\n",
    "list.wav": b"#EXTM3U\n#EXTINF:1,\nfile:///etc/passwd\n",
    "deep.riff.json": b"[" * 100_000,
    "odd.riff.json": b'{"handspan": 1, "notes": [{"id": 1}]}',
    "nan.riff.json": b'{"handspan": 1, "notes": [{"id":1,"onset_sec":NaN,"offset_sec":1,'
    b'"pitch_midi":60}]}',
    "bomb.musicxml": b'<?xml version="1.0"?><!DOCTYPE a [<!ENTITY b "bbbb"><!ENTITY c '
    b'"&b;&b;&b;"><!ENTITY x SYSTEM "file:///etc/passwd">]><score-partwise>&c;&x;'
    b"</score-partwise>",
    "short.mid": b"MThd\x00\x00\x00\x06\x00\x01\xff\xff\x00\x60MTrk",
    "silence.wav": None,
}


@pytest.mark.parametrize(
    ("name", "data", "words"),
    [
        ("lesson.pdf", b"%PDF-1.4\n1 0 obj", "is a PDF"),
        ("sheet.jpg", b"\xff\xd8\xff\xe0" + bytes(99), "is a picture"),
        ("mooring.riff.json", b'{"handspan": 1, "notes": [', "damaged or cut off"),
    ],
)
def test_papers_and_torn_documents_are_named_for_what_they_are(
    server: Server, name: str, data: bytes, words: str
) -> None:
    job = server.outcome(server.send(data, name)[1]["job"])
    assert job["state"] == "failed"
    assert job["error"].startswith(name)
    assert words in job["error"]
    assert "bring in" in job["error"], "it says what to do"


@pytest.mark.parametrize("name", sorted(HOSTILE))
def test_hostile_file_gives_one_sentence_and_leaves_nothing(server: Server, name: str) -> None:
    before = _left(server)
    data = HOSTILE[name]
    if data is None:
        import io

        file = io.BytesIO()
        soundfile.write(file, np.zeros(16000), 8000, format="WAV")
        data = file.getvalue()
    status, body = server.send(data, name)
    assert status == 202
    job = server.outcome(body["job"])
    assert job["state"] == "failed", job
    assert 10 < len(job["error"]) < 400
    assert "\n" not in job["error"]
    assert "Traceback" not in job["error"]
    assert "incoming" not in job["error"], "the message shows a path of ours"
    assert "root:" not in job["error"]
    assert _left(server) == before


@pytest.mark.parametrize(
    "name",
    [
        "../../../etc/cron.d/x.wav",
        "..\\..\\windows\\x.wav",
        "/etc/passwd",
        "a\x00b.wav",
        ".hidden.wav",
        "con.wav",
        "x" * 5000 + ".wav",
        "\u202egnp.wav",
        "",
    ],
)
def test_hostile_name_never_becomes_a_path(name: str) -> None:
    cleaned = clean_name(name)
    assert cleaned.replace("-", "").isalnum()
    assert cleaned.isascii()
    assert len(cleaned) <= 60
    assert cleaned != "con"
    assert safe_suffix(name) in (".wav", ".take")


def test_hostile_name_lands_in_the_folder(start, tmp_path: Path) -> None:
    server = start()
    tab = (ROOT / "fixtures" / "takes" / "gangplank" / "truth.riff.json").read_bytes()
    job = server.outcome(server.send(tab, "../../../escape.riff.json")[1]["job"])
    assert job["state"] == "done", job
    assert _left(server) == ["escape.riff.json"]
    assert not list(tmp_path.glob("escape*"))


def test_upload_over_the_limit_is_refused(start) -> None:
    server = start("--max-bytes", str(2**20))
    status, body = server.send(b"\0" * (2**20 + 1), "big.wav")
    assert status == 413
    assert "larger than 1 MB" in body["error"]
    assert _left(server) == []


def test_upload_that_hides_its_size_is_cut_off(start) -> None:
    from tests.page.serving import TOKEN

    server = start("--max-bytes", str(2**16))
    head = (
        f"POST /api/takes HTTP/1.1\r\nHost: {server.host}\r\nOrigin: {server.url}\r\n"
        f"X-Handspan-Key: {TOKEN}\r\nTransfer-Encoding: chunked\r\n\r\n"
    )
    chunk = b"8000\r\n" + b"\0" * 0x8000 + b"\r\n"
    with socket.create_connection(("127.0.0.1", server.port), timeout=10) as line:
        line.sendall(head.encode() + 3 * chunk)
        assert line.recv(4096).startswith(b"HTTP/1.1 413 ")
    assert until(lambda: _left(server) == [])
    assert server.ask("GET", "/api/shelf")[1]["riffs"] == []


def test_take_over_the_length_limit_is_refused(start) -> None:
    server = start("--max-sec", "2")
    job = server.outcome(server.send(_wav(3.0), "long.wav")[1]["job"])
    assert job["state"] == "failed"
    assert "long.wav" in job["error"]
    assert _left(server) == []


def test_empty_upload_is_refused(server: Server) -> None:
    status, body = server.send(b"", "nothing.wav")
    assert status == 422
    assert "empty" in body["error"]


@pytest.mark.parametrize(
    "settings",
    [
        {"capo": 99},
        {"tuning": "H9"},
        {"meter": "4/5"},
        {"bpm": 1e9},
        {"hand_span_mm": -1},
        {"drone": "eleven"},
        {"capo": "two"},
        {"capo": float("nan")},
    ],
)
def test_impossible_settings_are_said(server: Server, settings: dict) -> None:
    status, body = server.send(_wav(1.0), "take.wav", settings=settings)
    assert status == 202
    job = server.outcome(body["job"])
    assert job["state"] == "failed"
    assert "inside" not in job["error"], job["error"]


def test_settings_that_are_no_object_are_refused(server: Server) -> None:
    for text in ("[1]", "{", '{"capo": {"a": 1}}'):
        headers = {"X-Settings": text}
        assert server.ask("POST", "/api/takes", _wav(1.0), headers)[0] == 422


@pytest.mark.parametrize("mib", [5, 100, 300])  # enough for no thread, for no work, for a part
def test_worker_without_memory_says_so(start, mib: int) -> None:
    server = start("--memory-bytes", str(mib * 2**20))
    job = server.outcome(server.send(_wav(300.0, 22050), "take.wav")[1]["job"])
    assert job["state"] == "failed"
    assert "shorter" in job["error"] or "memory" in job["error"]
    assert _left(server) == []


def _workers(pid: int) -> list[int]:
    """Ids of the processes that descend from ``pid``."""
    parents = {}
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = path.read_text().rsplit(")", 1)[1].split()
        except OSError:
            continue
        parents[int(path.parent.name)] = int(fields[1])
    found = [pid]
    for one in found:
        found += [child for child, parent in parents.items() if parent == one]
    return found[1:]


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks at processes in /proc")
def test_cancel_ends_the_process_and_leaves_nothing(start) -> None:
    server = start(alone=True)
    rng = np.random.default_rng(3)
    noise = server.folder.parent / "noise.wav"
    soundfile.write(noise, 0.2 * rng.standard_normal(300 * 22050), 22050)
    job = server.send(noise.read_bytes(), "noise.wav")[1]["job"]
    assert until(lambda: server.ask("GET", f"/api/jobs/{job}")[1]["share"] > 0)
    assert server.ask("GET", f"/api/jobs/{job}")[1]["state"] == "running"
    busy = len(_workers(server.process.pid))
    assert server.ask("DELETE", f"/api/jobs/{job}")[0] == 200
    assert server.outcome(job)["state"] == "cancelled"
    assert until(lambda: _left(server) == [])
    assert until(lambda: len(_workers(server.process.pid)) < busy)


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks at processes in /proc")
def test_workers_end_with_a_killed_server(start) -> None:
    server = start(alone=True)
    rng = np.random.default_rng(3)
    noise = server.folder.parent / "noise.wav"
    soundfile.write(noise, 0.2 * rng.standard_normal(300 * 22050), 22050)
    job = server.send(noise.read_bytes(), "noise.wav")[1]["job"]
    assert until(lambda: server.ask("GET", f"/api/jobs/{job}")[1]["share"] > 0)
    workers = _workers(server.process.pid)
    assert workers
    server.process.kill()
    server.process.wait()
    assert until(lambda: not any(_runs(pid) for pid in workers))
    # What the killed server left half-done is swept up by the next one.
    again = start(folder=server.folder)
    assert _left(again) == []


def _runs(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


def _answers(port: int | None) -> bool:
    with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 60) as line:
        line.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n")
        return bool(line.recv(10))
    return False


@pytest.mark.parametrize("end", [signal.SIGINT, signal.SIGTERM])
def test_interrupt_ends_serve_quietly(tmp_path: Path, end: signal.Signals) -> None:
    code = (
        "from pathlib import Path; from transcribe.page import serve; "
        f"serve(Path({str(tmp_path)!r}), open_browser=False)"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", code],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    assert process.stdout is not None
    lines = [process.stdout.readline().strip() for _ in range(7)]
    door = Path(urlparse(lines[2]).path)
    assert re.fullmatch(r"http://127\.0\.0\.1:\d+/#key=[\w-]{32}", lines[6])
    assert f'"{lines[6]}"' in door.read_text()
    assert door.stat().st_uid == os.getuid()
    assert door.parent.stat().st_mode & 0o077 == 0
    port = urlparse(lines[6]).port
    assert until(lambda: _answers(port))
    process.send_signal(end)
    out, err = process.communicate(timeout=20)
    assert process.returncode == 0, err
    assert "Traceback" not in out + err
    assert not door.parent.exists()


def test_body_that_is_no_object_is_refused(server: Server, put) -> None:
    riff_id = put(server, "bodies")
    for body in (b"", b"[]", b"{", b"[" * 50_000, b'"x"'):
        assert server.ask("POST", f"/api/riffs/{riff_id}/edits", body)[0] == 422
    large = json.dumps({"edit": "x" * 70_000}).encode()
    assert server.ask("POST", f"/api/riffs/{riff_id}/edits", large)[0] == 413
