"""How quick the page is: ``python -m tests.bench.page``.

Everything is measured in Chromium against a server of its own, and each figure stands beside the
bar it is held to. The pin is also given as a ratio to solving the same riff once, in the same run,
since both share the machine that they run on.
"""

from __future__ import annotations

import os
import statistics
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from tests.page.conftest import FLAGS, ROOT, Server, make_riff, over_and_over
from transcribe.correct.pins import pin
from transcribe.formats.document import write_riff

_TIMES = 5
_CHROMIUM = os.environ.get("CHROMIUM", "/usr/bin/chromium")  # with its window, as people have it


def main() -> None:
    from playwright.sync_api import sync_playwright

    folder = Path(tempfile.mkdtemp(prefix="handspan-bench-"))
    server = Server(folder)
    try:
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=_CHROMIUM, args=FLAGS)
            page = browser.new_page(viewport={"width": 1280, "height": 900})
            page.goto(server.address)
            page.wait_for_selector("h1")
            time.sleep(6)  # the workers' imports are done before anybody has chosen a file
            rows = [*_opening(page, server), *_drop(page, server, folder), *_verdict(page, server)]
            rows += [*_pin(page, server), *_scroll(page, server)]
            browser.close()
    finally:
        server.stop()
    print(f"{'what':46s} {'median':>10s} {'worst':>10s} {'bar':>10s}")
    for name, values, unit, bar in rows:
        middle, worst = statistics.median(values), max(values)
        print(f"{name:46s} {middle:8.3g} {unit} {worst:8.3g} {unit} {bar:>10s}")


def _opening(page: Any, server: Server) -> list[tuple]:
    seconds, paints = [], []
    for _ in range(_TIMES):
        begun = time.perf_counter()
        page.goto(f"{server.url}/")
        page.wait_for_selector("body[data-ready]")
        seconds.append(time.perf_counter() - begun)
        paints.append(
            page.evaluate(
                "performance.getEntriesByName('first-contentful-paint')[0]?.startTime / 1000 || 0"
            )
        )
    return [
        ("address to a list that can be used", seconds, "s", "1 s"),
        ("address to first paint", paints, "s", ""),
    ]


def _drop(page: Any, server: Server, folder: Path) -> list[tuple]:
    from transcribe.audio import read_audio

    recording = read_audio(ROOT / "fixtures" / "takes" / "mooring" / "mooring.ogg")
    path = folder.parent / "twenty-seconds.wav"
    soundfile.write(path, recording.y[: 20 * recording.sr], recording.sr)
    seconds = []
    for _ in range(_TIMES):
        page.goto(f"{server.url}/#")
        page.wait_for_selector(".well")
        begun = time.perf_counter()
        page.set_input_files(".well input[type=file]", path)
        page.wait_for_selector(".tab .note", timeout=60_000)
        seconds.append(time.perf_counter() - begun)
    return [("20 s take, dropped, to its tab", seconds, "s", "4 s")]


def _verdict(page: Any, server: Server) -> list[tuple]:
    """From the end of a take that was recorded, to its verdicts under the tab."""
    slips = ROOT / "fixtures" / "takes" / "mooring-slips" / "mooring-slips.ogg"
    page.wait_for_selector("#tab-check")
    page.click("#tab-check")
    page.wait_for_selector("#pane-check input[type=file]", state="attached")
    seconds = []
    riff_id = page.url.split("riff=")[1]
    for _ in range(_TIMES):
        # The one before is taken off the disk as well, or the page would show it again.
        server.ask("DELETE", f"/api/riffs/{riff_id}/check")
        page.evaluate("document.querySelector('main').riff.check.hide()")
        time.sleep(2.5)  # by now the page has seen that it is gone
        begun = time.perf_counter()
        page.set_input_files("#pane-check input[type=file]", slips)
        page.wait_for_selector(".tab .verdict", timeout=60_000)
        seconds.append(time.perf_counter() - begun)
    return [("19 s take, ended, to its verdicts", seconds, "s", "3 s")]


_CLICK = """([id, place]) => new Promise((resolve) => {
    const button = document.querySelector(`.place[data-place='${place}']`);
    const begun = performance.now();
    button.click();
    let asked = null;
    const look = () => {
        const sec = (performance.now() - begun) / 1000;
        if (document.querySelector(`#note-${id} .pin-asked`)) asked ??= sec;
        if (document.querySelector(`#note-${id} .pin`)) resolve([asked ?? sec, sec]);
        else requestAnimationFrame(look);
    };
    look();
})"""


def _pin(page: Any, server: Server) -> list[tuple]:
    riff = make_riff(seconds=80.0)
    write_riff(riff, server.folder / "two-hundred.riff.json")
    page.goto(f"{server.url}/#riff={server.id_of('two-hundred')}")
    page.wait_for_selector(".tab .note")
    asked, seconds, alone = [], [], []
    for note in [n for n in riff.notes if n.pitch_midi > 50][2 : 2 + _TIMES]:
        begun = time.perf_counter()
        pin(riff, {note.id: (note.string or 1, note.fret or 0)}, repeats=False)
        alone.append(time.perf_counter() - begun)
        page.locator(f"#note-{note.id}").click()
        page.wait_for_selector(f".place.current[data-place='{note.string}/{note.fret}']")
        shown = page.evaluate(_CLICK, [note.id, f"{note.string}/{note.fret}"])
        asked.append(shown[0])
        seconds.append(shown[1])
    ratio = [a / b for a, b in zip(seconds, alone, strict=True)]
    return [
        (f"a pin among {len(riff.notes)} notes, click to shown, saved", seconds, "s", "0.15 s"),
        ("  click to shown as asked for, not saved yet", asked, "s", ""),
        ("  of which solving around it, alone", alone, "s", ""),
        ("  ratio of the two", ratio, " ", ""),
    ]


_SCROLL = """() => new Promise((resolve) => {
    const scroller = document.querySelector(".scroller");
    const end = scroller.scrollWidth - scroller.clientWidth;
    const frames = [];
    let last = performance.now();
    let k = 0;
    const step = (now) => {
        frames.push((now - last) / 1000);
        last = now;
        k += 1;
        scroller.scrollLeft = (end * k) / 240;
        if (k < 240) requestAnimationFrame(step);
        else resolve(frames.slice(2));
    };
    requestAnimationFrame(step);
})"""


def _scroll(page: Any, server: Server) -> list[tuple]:
    riff = over_and_over(make_riff(), times=38)
    sr = 22050
    rng = np.random.default_rng(1)
    soundfile.write(server.folder / "five-minutes.wav", 0.1 * rng.standard_normal(304 * sr), sr)
    import dataclasses

    from transcribe.core.riff import Source

    riff = dataclasses.replace(riff, source=Source("five-minutes.wav", 304.0))
    write_riff(riff, server.folder / "five-minutes.riff.json")
    page.goto(f"{server.url}/#riff={server.id_of('five-minutes')}")
    page.wait_for_selector(".tab .note")
    page.wait_for_selector("canvas.picture[style*='226px']", timeout=120_000)
    frames = page.evaluate(_SCROLL)
    return [(f"frame while 5 min ({len(riff.notes)} notes) scroll by", frames, "s", "0.0167 s")]


if __name__ == "__main__":
    main()
