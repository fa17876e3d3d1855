"""Who is answered, what is refused, and what is never served."""

from __future__ import annotations

import re
import socket
from pathlib import Path

import pytest

from tests.page.conftest import Server
from tests.page.serving import TOKEN
from transcribe.core.errors import ParameterError
from transcribe.page import make_app


def test_first_request_with_token_sets_a_strict_cookie(server: Server) -> None:
    status, _, headers = server.ask("GET", f"/?token={TOKEN}", plain=True)
    assert status == 303
    assert headers["location"] == "/"
    cookie = headers["set-cookie"].lower()
    assert cookie.startswith(f"handspan-{server.port}=")
    assert "httponly" in cookie
    assert "samesite=strict" in cookie


@pytest.mark.parametrize(
    ("path", "headers"),
    [
        ("/", {}),
        ("/api/shelf", {}),
        ("/static/main.js", {}),
        ("/?token=a-token-for-the-tests-onlY", {}),
        ("/?token=", {}),
        (f"/api/shelf?token={TOKEN}", {}),
        ("/api/shelf", {"Cookie": "handspan-1=" + TOKEN}),
        ("/api/shelf", {"Cookie": "\x01;;=;"}),
    ],
)
def test_without_the_token_nothing_is_answered(
    server: Server, path: str, headers: dict[str, str]
) -> None:
    assert server.ask("GET", path, None, headers, plain=True)[0] == 403


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
    cookie = {"Cookie": f"handspan-{server.port}={TOKEN}"}
    assert server.ask("POST", "/api/takes", b"x", cookie, plain=True)[0] == 403
    assert server.ask("DELETE", "/api/jobs/0", None, cookie, plain=True)[0] == 403
    assert server.ask("GET", "/api/shelf", None, cookie, plain=True)[0] == 200


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


def test_page_holds_no_inline_script_or_style(server: Server) -> None:
    text = server.ask("GET", "/")[1].decode()
    assert not re.search(r"<script(?![^>]*\ssrc=)", text)
    assert not re.search(r"<style|\sstyle=|\son\w+=|javascript:", text)


def test_page_names_no_other_host() -> None:
    import transcribe.page.app as app

    static = Path(app.__file__).with_name("static")
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
    from transcribe.formats.document import write_riff

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
