"""A server over a folder, a client that speaks to it, a browser that shows it, riffs to show."""

from __future__ import annotations

import contextlib
import dataclasses
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from http.client import HTTPConnection
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np
import pytest
import soundfile

from tests.page.serving import TOKEN
from transcribe.api import finger
from transcribe.core.riff import Note, Phrase, Rhythm, Riff, Source, sort_notes
from transcribe.formats.document import read_riff, write_riff

ROOT = Path(__file__).resolve().parents[2]
# The first has no window around the page, which takes a third of the processor's time otherwise.
_BROWSERS = ("/usr/bin/chromium-headless-shell", "/usr/bin/chromium")
CHROMIUM = os.environ.get("CHROMIUM") or next(filter(shutil.which, _BROWSERS), _BROWSERS[0])
_PATIENCE_MSEC = 60_000  # for what a page will show, also on a machine with much else to do
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
    "--mute-audio",
    "--autoplay-policy=no-user-gesture-required",
    "--use-fake-ui-for-media-stream",
    "--use-fake-device-for-media-stream",
]


def missing(what: str) -> None:
    """Skip where a person runs the tests; fail where they must all run."""
    if os.environ.get("CI"):
        pytest.fail(what)
    pytest.skip(what)


class Forked:
    """A server that another process has forked, as `subprocess.Popen` would show it."""

    def __init__(self, pid: int) -> None:
        self.pid = pid

    def poll(self) -> int | None:
        try:
            os.kill(self.pid, 0)
        except ProcessLookupError:
            return 0
        return None

    def wait(self, timeout: float = 60.0) -> None:
        end = time.monotonic() + timeout
        while self.poll() is None:
            if time.monotonic() > end:
                raise subprocess.TimeoutExpired("the server", timeout)
            time.sleep(0.01)

    def terminate(self) -> None:
        self._send(signal.SIGTERM)

    def kill(self) -> None:
        self._send(signal.SIGKILL)

    def _send(self, sign: signal.Signals) -> None:
        with contextlib.suppress(ProcessLookupError):
            os.kill(self.pid, sign)


def _serving(*arguments: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "tests.page.serving", *arguments],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )


class Server:
    """A running page server and a plain HTTP client for it.

    ``forks`` is a process that forks servers; without it this one is started by itself.
    """

    def __init__(
        self, folder: Path, *options: str, forks: subprocess.Popen[str] | None = None
    ) -> None:
        self.folder = folder
        arguments = [str(folder), *options]
        self.process: subprocess.Popen[str] | Forked
        told = forks or _serving(*arguments)
        assert told.stdin is not None
        assert told.stdout is not None
        if forks is None:
            self.process = told
        else:
            told.stdin.write(json.dumps(arguments) + "\n")
            told.stdin.flush()
            self.process = Forked(int(told.stdout.readline()))
        line = told.stdout.readline()
        assert line.strip().isdigit(), "the server did not start"
        self.port = int(line)
        self.host = f"127.0.0.1:{self.port}"
        self.url = f"http://{self.host}"
        self.key_file = Path(told.stdout.readline().strip())

    @property
    def address(self) -> str:
        """The page's address with a key that opens once."""
        return re.search(r'href="([^"]*)"', self.key_file.read_text()).group(1)

    def ask(
        self,
        method: str,
        path: str,
        body: Any = None,
        headers: dict[str, str] | None = None,
        *,
        plain: bool = False,
    ) -> tuple[int, Any, dict[str, str]]:
        """Status, body (JSON where it is that) and headers. ``plain`` adds no headers of ours."""
        sent = {} if plain else {"X-Handspan-Key": TOKEN, "Origin": self.url}
        sent |= headers or {}
        data = body if isinstance(body, bytes) or body is None else json.dumps(body).encode()
        connection = HTTPConnection("127.0.0.1", self.port, timeout=60)
        try:
            connection.request(method, path, data, sent)
            response = connection.getresponse()
            raw = response.read()
        finally:
            connection.close()
        found = {name.lower(): value for name, value in response.getheaders()}
        if found.get("content-type", "").startswith("application/json"):
            return response.status, json.loads(raw), found
        return response.status, raw, found

    def send(
        self, data: bytes, name: str, *, settings: dict | None = None, check: str | None = None
    ) -> tuple[int, Any]:
        """Upload a file; status and body."""
        headers = {"X-File-Name": quote(name)}
        if settings is not None:
            headers["X-Settings"] = quote(json.dumps(settings))
        query = f"?check={check}" if check else ""
        status, body, _ = self.ask("POST", f"/api/takes{query}", data, headers)
        return status, body

    def outcome(self, job: str, *, limit_sec: float = 180.0) -> dict[str, Any]:
        """A job once it has ended."""
        end = time.monotonic() + limit_sec
        while time.monotonic() < end:
            body = self.ask("GET", f"/api/jobs/{job}")[1]
            if body["state"] in ("done", "failed", "cancelled"):
                return body
            time.sleep(0.05)
        raise AssertionError(f"job {job} did not end")

    def id_of(self, name: str) -> str:
        """The opaque id of the riff called ``name``."""
        riffs = self.ask("GET", "/api/shelf")[1]["riffs"]
        return next(riff["id"] for riff in riffs if riff["name"] == name)

    def stop(self) -> None:
        self.process.terminate()
        try:
            self.process.wait(10)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait(10)
        if isinstance(self.process, subprocess.Popen):
            for end in (self.process.stdin, self.process.stdout):
                assert end is not None
                end.close()


@pytest.fixture(scope="session")
def forks() -> Iterator[subprocess.Popen[str]]:
    """A process that forks servers, which takes a tenth of the time of starting each anew."""
    with _serving() as running:
        yield running


@pytest.fixture
def start(tmp_path: Path, forks: subprocess.Popen[str]) -> Iterator[Callable[..., Server]]:
    """Starts servers of a test's own; ``alone`` has workers that belong to no other server."""
    running: list[Server] = []

    def begin(*options: str, folder: Path | None = None, alone: bool = False) -> Server:
        server = Server(folder or tmp_path / "riffs", *options, forks=None if alone else forks)
        running.append(server)
        return server

    yield begin
    for server in running:
        server.stop()


@pytest.fixture(scope="session")
def server(
    tmp_path_factory: pytest.TempPathFactory, forks: subprocess.Popen[str]
) -> Iterator[Server]:
    """One server for the tests that leave it as it was, but for riffs of their own."""
    running = Server(tmp_path_factory.mktemp("riffs"), forks=forks)
    yield running
    running.stop()


def make_riff(*, seconds: float = 8.0, seed: int = 7) -> Riff:
    """Two alike phrases over a low drone, with bars, fingered and with its theory."""
    rng = np.random.default_rng(seed)
    beat_sec = 0.5
    line = rng.choice([57, 60, 62, 64, 66, 67, 69], size=8)
    notes: list[Note] = []
    for k in range(int(seconds / beat_sec)):
        beat = float(k)
        onset = 0.25 + k * beat_sec
        if k % 4 == 0:
            notes.append(
                Note(len(notes) + 1, onset, onset + 1.9, 45, onset_beat=beat, duration_beat=4.0)
            )
        notes.append(
            Note(
                len(notes) + 1,
                onset,
                onset + 0.45,
                int(line[k % 8]),
                onset_beat=beat,
                duration_beat=1.0,
            )
        )
    beats = tuple(0.25 + beat_sec * k for k in range(int(seconds / beat_sec) + 1))
    half = len(beats) // 16 * 8
    phrases = tuple(Phrase("A", 8.0 * k, 8.0 * k + 8.0) for k in range(max(1, half // 4)))
    rhythm = Rhythm(120.0, (4, 4), beats, beats[::4], phrases if half else ())
    riff = finger(Riff(notes=sort_notes(notes), rhythm=rhythm))
    return dataclasses.replace(riff, source=Source("", duration_sec=seconds + 0.5))


def over_and_over(riff: Riff, *, times: int) -> Riff:
    """``riff`` many times in a row, as one long take, without the work of fingering it anew."""
    assert riff.rhythm is not None
    bars = len(riff.rhythm.beats_sec) // 4
    beats, seconds, most = 4.0 * bars, 2.0 * bars, max(note.id for note in riff.notes)
    notes = [
        dataclasses.replace(
            note,
            id=note.id + k * most,
            onset_sec=note.onset_sec + k * seconds,
            offset_sec=note.offset_sec + k * seconds,
            onset_beat=(note.onset_beat or 0.0) + k * beats,
        )
        for k in range(times)
        for note in riff.notes
    ]
    grid = tuple(0.25 + 0.5 * k for k in range(int(times * beats)))
    return dataclasses.replace(
        riff,
        notes=sort_notes(notes),
        rhythm=Rhythm(120.0, (4, 4), grid, grid[::4]),
        source=Source("", duration_sec=times * seconds),
        alternatives=(),
        theory=None,
        drone=None,
    )


@pytest.fixture(scope="session")
def one_riff() -> Riff:
    return make_riff()


@pytest.fixture
def put(one_riff: Riff) -> Callable[..., str]:
    """Puts the riff into a server's folder under a name, with a take if samples are given."""

    def lay(server: Server, name: str, *, riff: Riff | None = None, take: Any = None) -> str:
        riff = riff or one_riff
        if take is not None:
            soundfile.write(server.folder / f"{name}.wav", take[0], take[1])
            source = Source(f"{name}.wav", len(take[0]) / take[1])
            riff = dataclasses.replace(riff, source=source)
        write_riff(riff, server.folder / f"{name}.riff.json")
        return server.id_of(name)

    return lay


@pytest.fixture(scope="session")
def mooring(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Ten seconds of a shipped take."""
    from transcribe.audio import read_audio

    recording = read_audio(ROOT / "fixtures" / "takes" / "mooring" / "mooring.ogg")
    path = tmp_path_factory.mktemp("takes") / "mooring.wav"
    soundfile.write(path, recording.y[: 10 * recording.sr], recording.sr)
    return path


@pytest.fixture(scope="session")
def axe() -> Path:
    """The accessibility checker axe-core: AXE_CORE names it, or npm put it near the project."""
    near = [folder / "node_modules" for folder in (ROOT, *ROOT.parents, Path.home())]
    named = os.environ.get("AXE_CORE")
    for path in [Path(named)] if named else [n / "axe-core" / "axe.min.js" for n in near]:
        if path.is_file():
            return path
    missing("axe-core is not here: npm install --prefix DIR axe-core, and set AXE_CORE to its file")
    raise AssertionError


def weight(page: Any) -> int:
    """Bytes of the scripts and styles that the page has loaded."""
    return page.evaluate(
        """() => performance.getEntriesByType("resource")
            .filter((each) => each.name.includes("/static/"))
            .reduce((sum, each) => sum + each.decodedBodySize, 0)"""
    )


def violations(page: Any, axe: Path) -> list[str]:
    """What the accessibility checker finds on a page, whatever its weight."""
    if not page.evaluate("typeof axe !== 'undefined'"):
        page.add_script_tag(path=str(axe))
    result = page.evaluate("axe.run(document, { resultTypes: ['violations'] })")
    assert result["passes"], "axe looked at nothing"
    return [
        f"{v['id']} ({v['impact']}): {v['nodes'][0]['html'][:200]}" for v in result["violations"]
    ]


@pytest.fixture(scope="session")
def chromium(mooring: Path) -> Iterator[Any]:
    """Chromium, whose microphone hears a shipped take."""
    try:
        from playwright.sync_api import expect, sync_playwright
    except ImportError:
        missing("playwright is not installed: pip install -e .[test]")
    if shutil.which(CHROMIUM) is None:
        missing(
            f"{CHROMIUM} is not here: install Debian's chromium-headless-shell or chromium, or set "
            "CHROMIUM"
        )
    expect.set_options(timeout=_PATIENCE_MSEC)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=CHROMIUM,
            args=[*FLAGS, f"--use-file-for-fake-audio-capture={mooring}"],
        )
        yield browser
        browser.close()


@pytest.fixture
def open_page(chromium: Any) -> Iterator[Callable[..., Any]]:
    """Opens pages at a server; at the end, none of them may have met an error of its own."""
    contexts: list[Any] = []
    troubles: list[str] = []

    def begin(
        server: Server, riff_id: str | None = None, *, beside: Any = None, **kind: Any
    ) -> Any:
        kind.setdefault("viewport", {"width": 1200, "height": 900})
        if beside is None:
            contexts.append(chromium.new_context(**kind))
            contexts[-1].set_default_timeout(_PATIENCE_MSEC)
        page = (beside.context if beside is not None else contexts[-1]).new_page()
        page.on("pageerror", lambda error: troubles.append(str(error)))
        page.on(
            "console",
            lambda message: (
                troubles.append(message.text) if "Content Security" in message.text else None
            ),
        )
        page.goto(server.address)
        page.wait_for_selector("h1")
        if riff_id is not None:
            page.goto(f"{server.url}/#riff={riff_id}")
            page.wait_for_selector(".tab .note")
        return page

    yield begin
    for context in contexts:
        context.close()
    assert not troubles, troubles


def saved(server: Server, name: str) -> Riff:
    """What lies on disk."""
    return read_riff(server.folder / f"{name}.riff.json")


@pytest.fixture(scope="session")
def compared(server: Server) -> Callable[[str], str]:
    """Lays a riff into the folder with the comparison of a take with slips kept beside it."""
    takes = ROOT / "fixtures" / "takes"
    truth = (takes / "mooring" / "truth.riff.json").read_bytes()
    (server.folder / "model.riff.json").write_bytes(truth)
    slips = (takes / "mooring-slips" / "mooring-slips.ogg").read_bytes()
    job = server.send(slips, "mooring-slips.ogg", check=server.id_of("model"))[1]["job"]
    done = server.outcome(job)
    assert done["state"] == "done", done
    kept = (server.folder / "model.check.json").read_bytes()

    def lay(name: str) -> str:
        (server.folder / f"{name}.riff.json").write_bytes(truth)
        (server.folder / f"{name}.check.json").write_bytes(kept)
        return server.id_of(name)

    return lay
