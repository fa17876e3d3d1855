"""Who is answered, what is refused, and what is never served."""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import socket
import subprocess
import sys
import threading
import webbrowser
from pathlib import Path
from urllib.parse import urlparse

import pytest

from tests.page.conftest import ROOT, Server
from tests.page.serving import TOKEN
from transcribe.core.errors import FormatError, ParameterError
from transcribe.formats.document import write_riff
from transcribe.library.revisions import hold
from transcribe.page import make_app
from transcribe.page.server.store import Store


def _enter(server: Server, key: str) -> tuple[int, dict]:
    headers = {"Origin": server.url, "X-Handspan-Key": key}
    return server.ask("POST", "/api/key", None, headers, plain=True)[:2]


def test_key_in_the_file_opens_once(server: Server) -> None:
    key = server.address.partition("#key=")[2]
    assert _enter(server, key[:-1] + ("a" if key[-1] != "a" else "b"))[0] == 403
    assert _enter(server, TOKEN)[0] == 403
    assert _enter(server, key) == (200, {"key": TOKEN})
    assert _enter(server, key)[0] == 403
    # The next window finds another one in the file.
    assert _enter(server, server.address.partition("#key=")[2])[0] == 200


def test_file_with_the_key_is_for_this_user_alone(server: Server) -> None:
    assert server.key_file.parent.stat().st_mode & 0o077 == 0
    assert server.key_file.stat().st_uid == os.getuid()


def test_browser_is_given_no_key(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a browser is opened with stands in its command line, for all users to read."""
    from transcribe.page.server import app

    opened: list[str] = []
    running = threading.Event()

    class Idle:
        def run(self, sockets: list[socket.socket]) -> None:
            running.wait(10)

    def open_in_browser(address: str) -> None:
        opened.append(address)
        opened.append(Path(urlparse(address).path).read_text())
        running.set()

    monkeypatch.setattr(app, "server_for", lambda app: Idle())
    monkeypatch.setattr(webbrowser, "open", open_in_browser)
    app.serve(tmp_path)
    assert opened[0].startswith("file://")
    key = re.search(r"#key=([\w-]+)", opened[1]).group(1)
    assert key not in opened[0]


def test_nothing_is_kept_in_a_cookie(server: Server) -> None:
    for path in ("/", "/api/shelf", "/static/main.js"):
        assert "set-cookie" not in server.ask("GET", path)[2]
    assert _enter(server, server.address.partition("#key=")[2])[0] == 200


@pytest.mark.parametrize(
    ("path", "headers"),
    [
        ("/api/shelf", {}),
        ("/api/nothing", {}),
        ("/api/shelf", {"X-Handspan-Key": "a-token-for-the-tests-onlY"}),
        ("/api/shelf", {"X-Handspan-Key": ""}),
        ("/api/shelf", {"X-Handspan-Key": "\xe9"}),
        (f"/api/shelf?key={TOKEN}", {}),
        ("/api/shelf", {"Cookie": "key=" + TOKEN}),
        ("/api/made/" + "0" * 24, {}),
        ("/api/made/" + "0" * 24 + "?key=guess", {}),
    ],
)
def test_without_the_key_nothing_is_answered(
    server: Server, path: str, headers: dict[str, str]
) -> None:
    assert server.ask("GET", path, None, headers, plain=True)[0] == 403


def test_what_the_browser_itself_fetches_has_the_key_in_its_address(server: Server, put) -> None:
    riff_id = put(server, "heard")
    job = server.ask("POST", f"/api/riffs/{riff_id}/make", {"kind": "midi"})[1]["job"]
    url = server.outcome(job)["result"]["url"]
    assert server.ask("GET", f"{url}?key={TOKEN}", plain=True)[0] == 200
    assert server.ask("GET", url, plain=True)[0] == 403


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1", "localhost:1", "127.0.0.1:80"])
def test_foreign_host_is_refused(server: Server, host: str) -> None:
    assert server.ask("GET", "/api/shelf", None, {"Host": host})[0] == 421


def test_localhost_names_the_server_too(server: Server) -> None:
    host = f"localhost:{server.port}"
    headers = {"Host": host, "Origin": f"http://{host}"}
    assert server.ask("GET", "/api/shelf", None, headers)[0] == 200


@pytest.mark.parametrize(
    "origin", ["http://evil.example", "null", "http://127.0.0.1:1", "https://127.0.0.1"]
)
def test_foreign_origin_is_refused(server: Server, origin: str) -> None:
    assert server.ask("GET", "/api/shelf", None, {"Origin": origin})[0] == 403
    assert server.ask("POST", "/api/takes", b"x", {"Origin": origin})[0] == 403


def test_change_without_origin_is_refused(server: Server) -> None:
    key = {"X-Handspan-Key": TOKEN}
    assert server.ask("POST", "/api/takes", b"x", key, plain=True)[0] == 403
    assert server.ask("DELETE", "/api/jobs/0", None, key, plain=True)[0] == 403
    assert server.ask("GET", "/api/shelf", None, key, plain=True)[0] == 200


def test_request_from_another_site_is_refused(server: Server) -> None:
    assert server.ask("GET", "/api/shelf", None, {"Sec-Fetch-Site": "cross-site"})[0] == 403
    assert server.ask("GET", "/api/shelf", None, {"Sec-Fetch-Site": "same-site"})[0] == 403


@pytest.mark.parametrize("path", ["/", "/api/shelf", "/nothing", "/static/main.js"])
def test_every_answer_carries_the_policy(server: Server, path: str) -> None:
    _, _, headers = server.ask("GET", path)
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "script-src 'self';" in policy
    assert "unsafe" not in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "no-referrer"


_POLICY = b"\r\ncontent-security-policy: default-src 'none'"


@pytest.mark.parametrize(
    ("request_text", "status"),
    [
        (b"GET /\r\n\r\n", b"400"),
        (b"GET / HTTP/1.1\r\nHost: {host}\r\nCookie: " + b"x" * 70_000, b"400"),
        (b"GET / HTTP/1.1\r\n\r\n", b"400"),
        (b"GET / HTTP/1.1\r\nHost: elsewhere\r\n\r\n", b"421"),
        (b"POST / HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\n\r\n", b"405"),
        (b"BREW / HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\n\r\n", b"405"),
        (b"GET /x HTTP/1.1\r\nHost: {host}\r\n\r\n", b"404"),
    ],
)
def test_every_refusal_carries_the_policy(
    server: Server, request_text: bytes, status: bytes
) -> None:
    with socket.create_connection(("127.0.0.1", server.port), timeout=20) as line:
        line.sendall(request_text.replace(b"{host}", server.host.encode()))
        answer = line.recv(1 << 16)
    assert answer.split(b" ", 2)[1] == status
    assert answer.lower().count(_POLICY) == 1


def test_silent_connections_keep_nobody_out(start) -> None:
    server = start()
    silent = [socket.create_connection(("127.0.0.1", server.port)) for _ in range(200)]
    silent[-1].sendall(b"GET / HTTP/1.1\r\nHost: ")
    try:
        for _ in range(20):
            assert server.ask("GET", "/api/shelf")[0] == 200
        # Those that say nothing, or only half of it, are hung up on by and by.
        for line in silent:
            line.settimeout(60)
            with contextlib.suppress(ConnectionError):
                assert line.recv(1) == b""
        assert server.ask("GET", "/api/shelf")[0] == 200
    finally:
        for line in silent:
            line.close()


def test_page_holds_no_inline_script_or_style(server: Server) -> None:
    text = server.ask("GET", "/")[1].decode()
    assert not re.search(r"<script(?![^>]*\ssrc=)", text)
    assert not re.search(r"<style|\sstyle=|\son\w+=|javascript:", text)


def test_page_names_no_other_host() -> None:
    import transcribe.page.server.app as app

    static = Path(app.__file__).parents[1] / "static"
    names = 0
    for path in static.rglob("*"):
        for address in re.findall(r"https?://[^\"'\s)]+", path.read_text("utf-8")):
            assert address == "http://www.w3.org/2000/svg", (path.name, address)
            names += 1
    assert names > 0


@pytest.mark.parametrize(
    "path",
    [
        "/static/../app.py",
        "/static/%2e%2e/app.py",
        "/static/..%2fapp.py",
        "/api/made/../../../etc/passwd",
        "/api/made/%2e%2e%2f%2e%2e%2fetc%2fpasswd",
        "/api/made/" + "0" * 24,
        "/api/riffs/../../etc/passwd",
        "/api/riffs/%2e%2e",
        "/api/riffs/000000000000",
        "/api/riffs/000000000000/take.wav",
        "/api/jobs/..",
        "/etc/passwd",
    ],
)
def test_nothing_is_found_by_path(server: Server, path: str) -> None:
    status, body, _ = server.ask("GET", path)
    assert status == 404
    assert b"root:" not in (body if isinstance(body, bytes) else repr(body).encode())


def test_links_out_of_the_folder_are_not_served(start, put, tmp_path: Path, one_riff) -> None:
    server = start()
    outside = tmp_path / "outside"
    outside.mkdir()
    write_riff(one_riff, outside / "secret.riff.json")
    (outside / "secret.wav").write_bytes(b"RIFF")
    (server.folder / "secret.riff.json").symlink_to(outside / "secret.riff.json")
    (server.folder / "linked.wav").symlink_to(outside / "secret.wav")
    riff_id = put(server, "linked")
    names = [riff["name"] for riff in server.ask("GET", "/api/shelf")[1]["riffs"]]
    assert names == ["linked"]
    assert server.ask("GET", f"/api/riffs/{riff_id}")[1]["take"]["there"] is False
    assert server.ask("POST", f"/api/riffs/{riff_id}/prepare", {})[0] == 404


@pytest.fixture
def elsewhere(tmp_path: Path) -> Path:
    """A folder that is no business of the page, with files that look like the page's own."""
    folder = tmp_path / "elsewhere"
    (folder / ("1" * 16)).mkdir(parents=True)
    for name in ("letter.txt", "0" * 24 + ".wav", "1" * 16 + "/letter.txt", "1-a.riff.json"):
        (folder / name).write_text("dear harbour master")
    return folder


def _all(folder: Path) -> list[str]:
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*"))


@pytest.mark.parametrize("name", ["", "incoming", "cache", "removed"])
def test_folder_with_a_link_in_it_is_refused(tmp_path: Path, elsewhere: Path, name: str) -> None:
    before = _all(elsewhere)
    link = tmp_path / "riffs" / ".handspan" / name
    link.parent.mkdir(parents=True)
    link.symlink_to(elsewhere)
    with pytest.raises(FormatError, match=r"is a link or a file where a folder belongs; remove it"):
        Store(tmp_path / "riffs")
    assert _all(elsewhere) == before


@pytest.mark.parametrize("name", ["incoming", "cache", "removed"])
def test_link_that_comes_later_is_not_followed(
    start, put, tmp_path: Path, elsewhere: Path, name: str
) -> None:
    before = _all(elsewhere)
    server = start()
    riff_id = put(server, "a")
    shutil.rmtree(server.folder / ".handspan" / name)
    (server.folder / ".handspan" / name).symlink_to(elsewhere)
    method, path = {
        "incoming": ("POST", "/api/takes"),
        "cache": ("POST", f"/api/riffs/{riff_id}/make"),
        "removed": ("DELETE", f"/api/riffs/{riff_id}"),
    }[name]
    body = b"RIFF" if name == "incoming" else {"kind": "midi"}
    status, answer, _ = server.ask(method, path, body)
    assert status == 422
    assert f".handspan/{name} in" in answer["error"]
    if name == "cache":
        assert server.ask("GET", f"/api/made/{'0' * 24}")[0] == 422
    assert _all(elsewhere) == before
    assert (server.folder / "a.riff.json").is_file()


def test_lock_is_not_made_behind_a_link(tmp_path: Path, elsewhere: Path) -> None:
    before = _all(elsewhere)
    (tmp_path / ".handspan").symlink_to(elsewhere)
    with pytest.raises(FormatError, match="is a link"), hold(tmp_path):
        pass
    assert _all(elsewhere) == before


def test_command_refuses_a_linked_folder(tmp_path: Path, elsewhere: Path, one_riff) -> None:
    before = _all(elsewhere)
    write_riff(one_riff, tmp_path / "a.riff.json")
    saved = (tmp_path / "a.riff.json").read_bytes()
    (tmp_path / ".handspan").symlink_to(elsewhere)
    note = one_riff.notes[0]
    asked = ["refinger", str(tmp_path / "a.riff.json"), "--pin", f"{note.id}=6/5"]
    done = subprocess.run(
        [sys.executable, "-m", "transcribe.command.main", *asked],
        check=False,
        capture_output=True,
        text=True,
        cwd=ROOT,
    )
    assert done.returncode == 1
    assert len(done.stderr.splitlines()) == 1
    assert "is a link" in done.stderr
    assert (tmp_path / "a.riff.json").read_bytes() == saved
    assert _all(elsewhere) == before


def test_only_own_names_are_swept(tmp_path: Path) -> None:
    hidden = tmp_path / ".handspan"
    own = ["incoming/" + "a" * 24 + ".riff.json", "incoming/" + "b" * 16 + "/take.wav"]
    others = ["incoming/notes.txt", "incoming/mine/take.wav", "cache/mine.wav", "../.mine.part"]
    for name in (*own, *others):
        (hidden / name).parent.mkdir(parents=True, exist_ok=True)
        (hidden / name).write_bytes(b"RIFF")
        os.utime(hidden / name, (0, 0))
    Store(tmp_path).trim_cache(max_bytes=0)
    assert [name for name in own if (hidden / name).exists()] == []
    assert [name for name in others if not (hidden / name).exists()] == []


def test_linked_file_of_the_cache_is_not_served(start, put, tmp_path: Path) -> None:
    server = start()
    riff_id = put(server, "a")
    key = "0" * 24
    (tmp_path / "secret").write_bytes(b"secret")
    (server.folder / ".handspan" / "cache" / f"{key}.wav").symlink_to(tmp_path / "secret")
    assert server.ask("GET", f"/api/made/{key}")[0] == 404
    assert server.ask("GET", f"/api/riffs/{riff_id}")[0] == 200


def test_source_that_points_outside_is_not_followed(start, put, one_riff) -> None:
    import dataclasses

    from transcribe.core.riff import Source

    server = start()
    (server.folder.parent / "outside.wav").write_bytes(b"RIFF")
    riff = dataclasses.replace(one_riff, source=Source("../outside.wav", 8.0))
    riff_id = put(server, "crooked", riff=riff)
    assert server.ask("GET", f"/api/riffs/{riff_id}")[1]["take"]["there"] is False


def test_server_listens_on_127_0_0_1_alone(server: Server) -> None:
    with socket.create_connection(("127.0.0.1", server.port), timeout=2):
        pass
    # Any other loopback address would be answered by a server that listens everywhere.
    with pytest.raises(OSError):  # noqa: PT011 - refused or unreachable, as the system says
        socket.create_connection(("127.0.0.2", server.port), timeout=2)


def test_short_token_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ParameterError, match="16 characters"):
        make_app(tmp_path, token="short", port=1)


def test_serve_refuses_a_taken_port_and_a_file(tmp_path: Path, server: Server) -> None:
    from transcribe.core.errors import FormatError
    from transcribe.page import serve

    with pytest.raises(ParameterError, match="cannot be used"):
        serve(tmp_path, port=server.port, open_browser=False)
    with pytest.raises(ParameterError, match="0 to 65535"):
        serve(tmp_path, port=70000, open_browser=False)
    (tmp_path / "file").write_text("x")
    with pytest.raises(FormatError, match="cannot be used"):
        serve(tmp_path / "file", open_browser=False)
