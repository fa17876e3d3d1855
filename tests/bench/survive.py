"""Programs that are killed, two that write at once, and a server that is asked odd things.

    python -m tests.bench.survive [--kills 1000] [--rounds 200] [--requests 500] [--seed 1]

A table of counts each; the columns after the first two must be 0. Exit code 1 if one is not.
"""

from __future__ import annotations

import argparse
import collections
import contextlib
import os
import random
import signal
import sys
import tempfile
import time
from collections.abc import Callable
from http.client import HTTPConnection, HTTPException
from pathlib import Path

from tests.page.conftest import Server, make_riff
from tests.page.serving import TOKEN
from transcribe.core.riff import Riff
from transcribe.correct.pins import pin
from transcribe.formats.document import read_riff
from transcribe.formats.midi import write_midi
from transcribe.library.revisions import ConflictError, hold, read_revision
from transcribe.library.riff_files import save

_FORMATS = ("tab", "midi", "musicxml", "jams")


def main() -> int:
    parser = argparse.ArgumentParser(description="Kills, two writers, odd requests.")
    parser.add_argument("--kills", type=int, default=1000)
    parser.add_argument("--rounds", type=int, default=200)
    parser.add_argument("--requests", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    rng = random.Random(options.seed)
    riff = make_riff()
    done = (
        _told("kills", _kills(riff, options.kills, rng)),
        _told("two writers", _two_writers(riff, options.rounds)),
        _told("odd requests", _requests(riff, options.requests, rng)),
    )
    return 0 if all(done) else 1


def _told(name: str, counts: dict[str, int]) -> bool:
    print(name)
    for what, count in counts.items():
        print(f"    {count:6}  {what}", flush=True)
    return not any(list(counts.values())[2:])


def _pinned(riff: Riff, note_id: int) -> Riff:
    """With the note pinned, on another string where there is one."""
    note = riff.note(note_id)
    places = list(riff.instrument.places(note.pitch_midi))
    others = [place for place in places if place != (note.string, note.fret)]
    return pin(riff, {note_id: (others or places)[0]})


def _in_child(work: Callable[[], None]) -> int:
    """Start ``work`` in a copy of this process; its id."""
    child = os.fork()
    if child:
        return child
    with contextlib.suppress(BaseException):
        work()
        os._exit(0)
    os._exit(1)


def _kills(riff: Riff, count: int, rng: random.Random) -> dict[str, int]:
    """A writer is killed at any moment while it saves one pin after another."""
    states = [riff]
    for note in riff.notes[:6]:
        states.append(_pinned(states[-1], note.id))
    pins = [sum(note.pinned for note in state.notes) for state in states]
    found: collections.Counter[str] = collections.Counter()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = folder / "a.riff.json"
        told = folder / "told"
        for _ in range(count):
            for left in folder.glob("a.*"):
                left.unlink()
            save(riff, folder, "a", formats=_FORMATS)
            told.write_text("0")

            def work() -> None:
                for number, state in enumerate(states[1:], 1):
                    revision = read_revision(path)[1]
                    save(state, folder, "a", formats=_FORMATS, expected=revision)
                    told.write_text(str(number))

            child = _in_child(work)
            time.sleep(rng.random() * 0.6)
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
            confirmed = int(told.read_text() or 0)
            found["killed before the last pin"] += confirmed < len(states) - 1
            try:
                after = read_riff(path)
            except Exception:
                found["document unreadable"] += 1
                continue
            found["pin lost"] += sum(note.pinned for note in after.notes) < pins[confirmed]
            try:
                with hold(folder):
                    pass
            except Exception:
                found["lock left"] += 1
            # The next change brings the files beside the document up to date.
            last = _pinned(after, riff.notes[-1].id)
            save(last, folder, "a", formats=_FORMATS, expected=read_revision(path)[1])
            found["files left behind"] += (folder / "a.mid").read_bytes() != write_midi(last)
            kept = [p.name for p in folder.iterdir() if ".kept-" in p.name]
            found["own file taken for a hand's"] += bool(kept)
    names = ("document unreadable", "pin lost", "lock left", "files left behind")
    first = {"kills": count, "killed before the last pin": found["killed before the last pin"]}
    return first | {name: found[name] for name in (*names, "own file taken for a hand's")}


def _two_writers(riff: Riff, rounds: int) -> dict[str, int]:
    """Two writers change the same revision: one is saved, the other one is told."""
    changed = [_pinned(riff, note.id) for note in riff.notes[:2]]
    found: collections.Counter[str] = collections.Counter()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = folder / "a.riff.json"
        for _ in range(rounds):
            for left in folder.glob("a.*"):
                left.unlink()
            save(riff, folder, "a")
            revision = read_revision(path)[1]
            children = []
            for number, new in enumerate(changed):
                answer = folder / f"answer-{number}"

                def work(new: Riff = new, to: Path = answer, was: str = revision) -> None:
                    try:
                        save(new, folder, "a", expected=was)
                        to.write_text("saved")
                    except ConflictError:
                        to.write_text("told")

                children.append(_in_child(work))
            for child in children:
                os.waitpid(child, 0)
            answers = [(folder / f"answer-{number}").read_text() for number in range(2)]
            found["one saved, the other told"] += sorted(answers) == ["saved", "told"]
            found["both saved"] += answers == ["saved", "saved"]
            found["neither saved"] += "saved" not in answers
            if "saved" in answers:
                won = changed[answers.index("saved")]
                found["other notes than those saved"] += read_riff(path).notes != won.notes
    names = ("one saved, the other told", "both saved", "neither saved")
    last = "other notes than those saved"
    return {"rounds": rounds} | {name: found[name] for name in (*names, last)}


_PATHS = (
    *("/", "/api/shelf", "/api/takes", "/api/key", "/api/jobs", "/api/jobs/x", "/api/example2"),
    *("/api/riffs/{riff}", "/api/riffs/{riff}/edits", "/api/riffs/{riff}/make", "//", "/%00"),
    *("/api/riffs/{riff}/notes/99999999999999999999", "/api/riffs/{riff}/tiles/-1", "/api/made/x"),
    *("/api/riffs/{riff}/again", "/api/riffs/{riff}/name", "/static/../x", "/api/removed/x/back"),
)
_BODIES = (
    *(b"", b"{}", b"[]", b"null", b"{", b'{"edit": 1}', b'{"edit": {"op": []}}', b"\xff" * 40),
    *(b'{"kind": {}}', b'{"name": 1e999}', b'{"edit": {"op": "pin", "note": 1e400}}', b"[" * 9000),
    *(b'{"revision": NaN, "edit": {"op": "delete", "notes": [[]]}}', b'{"name": "\\ud800"}'),
    *(b'{"settings": {"bpm": -1e308}, "from": "take"}', b"x" * 70_000, b'{"kind": "wav"}'),
)


def _requests(riff: Riff, count: int, rng: random.Random) -> dict[str, int]:
    """Odd paths, methods, bodies and headers; each is answered, and none with a fault of ours."""
    from transcribe.formats.document import write_riff

    found: collections.Counter[str] = collections.Counter()
    with tempfile.TemporaryDirectory() as name:
        server = Server(Path(name))
        try:
            write_riff(riff, Path(name) / "a.riff.json")
            riff_id = server.id_of("a")
            for _ in range(count):
                method = rng.choice(("GET", "POST", "POST", "POST", "DELETE", "PUT", "BREW"))
                path = rng.choice(_PATHS).replace("{riff}", riff_id)
                if (method, path) == ("DELETE", f"/api/riffs/{riff_id}"):
                    continue  # it is there to be asked for again
                headers = {"Origin": server.url, "X-Handspan-Key": TOKEN}
                headers |= rng.choice(
                    ({}, {"X-Settings": "%7B"}, {"Host": "x"}, {"X-Handspan-Key": "\xe9"})
                )
                line = HTTPConnection("127.0.0.1", server.port, timeout=120)
                try:
                    line.request(method, path, rng.choice(_BODIES), headers)
                    answer = line.getresponse()
                    text = answer.read()
                except (OSError, HTTPException):
                    found["no answer"] += 1
                    continue
                finally:
                    line.close()
                found["answered"] += 1
                found["a fault of ours (500)"] += answer.status == 500
                found["without the headers"] += "default-src 'none'" not in (
                    answer.getheader("content-security-policy") or ""
                )
                found["tells a path or a traceback"] += name.encode() in text or b"Trace" in text
                found["riff changed on disk but unreadable"] += not _readable(Path(name))
            found["server gone"] = server.process.poll() is not None
        finally:
            server.stop()
    names = ("a fault of ours (500)", "without the headers", "tells a path or a traceback")
    others = ("no answer", "riff changed on disk but unreadable", "server gone")
    first = {"requests": count, "answered": found["answered"]}
    return first | {name: found[name] for name in (*names, *others)}


def _readable(folder: Path) -> bool:
    try:
        return all(read_riff(path).notes for path in folder.glob("*.riff.json"))
    except Exception:
        return False


if __name__ == "__main__":
    sys.exit(main())
