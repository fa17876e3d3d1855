"""What is done to a riff on the page: read, correct, make into files, check a take against it."""

from __future__ import annotations

import contextlib
import dataclasses
import os
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from transcribe.core.errors import FormatError, ParameterError
from transcribe.core.instrument import tuning_name
from transcribe.core.key import names_to_show, note_names
from transcribe.core.riff import Riff, legato_sources
from transcribe.core.wording import remark_json
from transcribe.correct.history import remark_of, steps
from transcribe.correct.pins import places_as_written
from transcribe.correct.requests import name_of_request
from transcribe.formats.document import to_json
from transcribe.formats.notation import written_rhythm
from transcribe.library import riff_files
from transcribe.library.last_comparison import check_path, read_check, write_check
from transcribe.library.revisions import (
    ConflictError,
    current_revision,
    hold,
    read_revision,
    replace,
)
from transcribe.library.shipped import shipped_take
from transcribe.page.server.brief import brief_of, duration_sec, mode_words
from transcribe.page.server.jobs import Job, Jobs
from transcribe.page.server.lessons import Lessons
from transcribe.page.server.store import Entry, NotHereError, Store, clean_name, is_own_file
from transcribe.page.worker.picture import describe
from transcribe.page.worker.process import error_text
from transcribe.page.worker.settings import number, paper_of, practice_options
from transcribe.takes.plots import draw_progress

__all__ = ["Service"]

_CACHE_BYTES = 4 * 2**30
_SESSION_TAKES = 2.0  # longest session of a lesson, in longest takes
_TRIES = 20  # of a change that is to be made whatever others save meanwhile
_ELSEWHERE = "This riff was changed elsewhere since this window read it."
_SUFFIXES = {
    "tab": ".txt",
    "musicxml": ".musicxml",
    "midi": ".mid",
    "jams": ".jams",
    "riff": ".json",
    "wav": ".wav",
    "hear": ".wav",
    "handout": ".html",
    "handout-pdf": ".pdf",
    "practice": ".mp3",
}


class Service:
    """The work behind the endpoints. Methods may be called from several threads."""

    def __init__(self, store: Store, jobs: Jobs, *, max_sec: float) -> None:
        self._store = store
        self._jobs = jobs
        self._max_sec = max_sec
        self._briefs: dict[str, tuple[tuple[int, ...], dict[str, Any]]] = {}
        longest = _SESSION_TAKES * max_sec
        self.lessons = Lessons(store, jobs, max_sec=longest, cache_bytes=_CACHE_BYTES)

    # -- reading ---------------------------------------------------------------------------

    def shelf(self) -> dict[str, Any]:
        """Every riff of the folder in brief; one that cannot be read says why."""
        riffs = []
        for entry in self._store.entries():
            brief: dict[str, Any] = {"id": entry.id, "name": entry.name}
            try:
                stat = entry.path.stat()
                state = (stat.st_mtime_ns, stat.st_size, stat.st_ino)
                # A long shelf is read again only where something has changed.
                if entry.id not in self._briefs or self._briefs[entry.id][0] != state:
                    self._briefs[entry.id] = (state, brief_of(read_revision(entry.path)[0]))
                when = {"changed_sec": stat.st_mtime}
                riffs.append(brief | when | self._briefs[entry.id][1])
            except Exception as error:  # one riff must not take the others off the list
                riffs.append(brief | {"error": self._store.without_paths(error_text(error))})
        return {
            "folder": self._store.folder.name,
            "riffs": riffs,
            "lessons": self.lessons.shelf(),
            "max_sec": self._max_sec,
        }

    def riff(self, riff_id: str) -> dict[str, Any]:
        """A whole riff as the page shows it."""
        entry = self._store.entry(riff_id)
        riff, revision = read_revision(entry.path)
        return self._shown(entry, riff, revision)

    def revision(self, riff_id: str) -> dict[str, Any]:
        """The revision of a riff on disk now, and a mark of its last comparison."""
        path = self._store.entry(riff_id).path
        return {"revision": current_revision(path), "check": _stamp(check_path(path))}

    def _shown(self, entry: Entry, riff: Riff, revision: str) -> dict[str, Any]:
        done, undone = steps(riff)
        take = self._take_path(riff)
        ready = take is not None and self._has_views(take)
        document = to_json(riff)
        names = note_names(riff)
        # The history grows without limit and the page has no use for it.
        del document["history"]
        document["names"] = names_to_show(riff)
        return {
            "id": entry.id,
            "name": entry.name,
            "revision": revision,
            "document": document,
            "remarks": {
                key: [remark_json(remark, names) for remark in remarks]
                for key, remarks in (
                    ("unmet", riff.unmet),
                    ("warnings", riff.warnings),
                    ("cautions", riff.cautions),
                )
            },
            "legato_from": legato_sources(riff.notes),
            "bars": written_rhythm(riff),
            "unsure": [note.id for note in riff.notes if note.unsure],
            "undo": remark_json(remark_of(done[-1]), names) if done else None,
            "redo": remark_json(remark_of(undone[-1]), names) if undone else None,
            "requests": [name_of_request(request) for request in riff.player.requests],
            "written": len(places_as_written(riff)),
            "mode": mode_words(riff),
            "duration_sec": duration_sec(riff),
            "tuning": tuning_name(riff.instrument.open_midi),
            "take": {"there": take is not None, "ready": ready}
            | (describe(duration_sec(riff)) if ready else {}),
        }

    def note(self, riff_id: str, note_id: int) -> dict[str, Any]:
        """Everywhere a note can be played, with costs, why it lies where it lies, its repeats."""
        riff, revision = read_revision(self._store.entry(riff_id).path)
        try:
            riff.note(note_id)
        except KeyError:
            raise NotHereError(f"There is no note {note_id} any more.") from None
        found = self._jobs.ask("note", {"riff": riff, "note": note_id})
        return {"revision": revision, "note": note_id, **found}

    def cost(self, riff_id: str) -> dict[str, Any]:
        """What the fingering as it is costs the hand, to hold the other fingerings against."""
        riff, revision = read_revision(self._store.entry(riff_id).path)
        cost = self._jobs.ask("cost", {"riff": riff}) if riff.alternatives else None
        return {"revision": revision, "cost": cost}

    def rename(self, riff_id: str, wanted: Any) -> dict[str, Any]:
        """Give a riff another name."""
        if not isinstance(wanted, str) or not wanted.strip():
            raise ParameterError("A riff needs a name; write one.")
        entry = self._store.entry(riff_id)
        if clean_name(f"{wanted}.") == entry.name:
            return {"riff": entry.id, "name": entry.name, "taken": None}
        asked = clean_name(f"{wanted[:200]}.")
        renamed = self._store.rename(entry, f"{wanted[:200]}.")
        self.lessons.follow_name(entry.name, renamed.name)
        # The player hears of a name that is taken, for the riff does not get it.
        taken = asked if renamed.name != asked else None
        return {"riff": renamed.id, "name": renamed.name, "taken": taken}

    def remove(self, riff_id: str) -> dict[str, Any]:
        """Put a riff aside; ``removed`` is the key that puts it back."""
        entry = self._store.entry(riff_id)
        return {"name": entry.name, "removed": self._store.remove(entry)}

    def put_back(self, key: str) -> dict[str, Any]:
        """Put what was removed back in its place, or beside what has its name by now."""
        entry = self._store.put_back(key)
        kind = "riff" if entry.path.name.endswith(riff_files.RIFF_SUFFIX) else "lesson"
        return {kind: entry.id, "name": entry.name}

    # -- correcting ------------------------------------------------------------------------

    def edit(self, riff_id: str, body: Mapping[str, Any]) -> dict[str, Any]:
        """Make one change and save it, if the riff is still the one that the page shows.

        With ``anyway`` the change is made to whatever is saved by now.

        Raises
        ------
        ConflictError
            If the riff was changed elsewhere.
        ParameterError
            If the change cannot be made.
        """
        entry = self._store.entry(riff_id)
        wanted = body.get("edit")
        if not isinstance(wanted, Mapping):
            raise ParameterError("The page sent no change; reload it.")
        anyway = body.get("anyway") is True
        for _ in range(_TRIES if anyway else 1):
            old, revision = read_revision(entry.path)
            if body.get("revision") != revision and not anyway:
                raise ConflictError(_ELSEWHERE)
            arguments = {"riff": old, "edit": dict(wanted), "document": str(entry.path)}
            made = self._jobs.ask("edit", arguments)
            if made is None:
                return self._shown(entry, old, revision) | {"moved": []}
            new: Riff = made["riff"]
            with contextlib.suppress(ConflictError):
                revision = _rewritten(entry, new, revision, made["files"])
                return self._shown(entry, new, revision) | {"moved": made["moved"]}
        raise ConflictError(_ELSEWHERE)

    # -- jobs ------------------------------------------------------------------------------

    def read_take(self, path: Path, name: str, settings: Mapping[str, Any]) -> Job:
        """Turn an upload into a riff in the folder; the upload is gone if that fails."""

        def finish(result: dict[str, Any], scratch: Path) -> dict[str, Any]:
            riff: Riff = result["riff"]
            with self._store.new_name(name) as free:
                if not result["notes_only"]:
                    take = self._store.folder / f"{free}{path.suffix}"
                    os.chmod(path, 0o666 & ~_umask())
                    os.replace(path, take)
                    self._keep_views(take, scratch)
                    assert riff.source is not None
                    source = dataclasses.replace(riff.source, file=take.name)
                    riff = dataclasses.replace(riff, source=source)
                elif riff.source is not None and riff.source.file == path.name:
                    # A file of notes is not kept, and its upload's name means nothing to anyone.
                    riff = dataclasses.replace(
                        riff, source=dataclasses.replace(riff.source, file="")
                    )
                document = self._store.folder / f"{free}{riff_files.RIFF_SUFFIX}"
                replace(document, riff, expected=None)
            made = next(e for e in self._store.entries() if e.path == document)
            return {"riff": made.id, "name": made.name}

        arguments = {
            "path": str(path),
            "shown": name,
            "settings": {**settings, "max_sec": self._max_sec},
        }
        return self._jobs.start("read", arguments, label=name, finish=finish, drop=path)

    def read_example(self) -> Job:
        """Turn the recording that ships with the program into a riff in the folder."""
        take, capo = shipped_take()
        path = self._store.new_upload(take.suffix)
        try:
            shutil.copyfile(take, path)
            return self.read_take(path, take.name, {"capo": capo} if capo else {})
        except BaseException:
            path.unlink(missing_ok=True)
            raise

    def finger_again(self, riff_id: str, settings: Mapping[str, Any]) -> Job:
        """Find rhythm, fingering and theory of a riff's notes again with other settings.

        It is one step of the history, which `note_edits.undo` takes back. Pins stay where their
        place on the neck is still the same; the result counts those that are lost.
        """
        entry = self._store.entry(riff_id)
        old, revision = read_revision(entry.path)

        def finish(result: dict[str, Any], scratch: Path) -> dict[str, Any]:
            del scratch
            riff: Riff = result["riff"]
            _rewritten(entry, riff, revision, result["files"])
            changes = {key: result[key] for key in ("pins", "lost", "moved")}
            return {"riff": entry.id, "name": entry.name, **changes}

        arguments = {
            "riff": old,
            "settings": dict(settings),
            "document": str(entry.path),
        }
        return self._jobs.start(
            "finger", arguments, label=entry.name, finish=finish, about=entry.id
        )

    def read_again(self, riff_id: str, settings: Mapping[str, Any]) -> Job:
        """Transcribe a riff's take again with other settings; pins that still fit are kept."""
        entry = self._store.entry(riff_id)
        old, revision = read_revision(entry.path)
        take = self._take_path(old)
        if take is None:
            raise NotHereError("The recording of this riff is not in the folder.")

        def finish(result: dict[str, Any], scratch: Path) -> dict[str, Any]:
            del scratch
            riff: Riff = result["riff"]
            with hold(self._store.folder):
                if current_revision(entry.path) != revision:  # before a copy of it is left behind
                    raise ConflictError("This riff was changed elsewhere while its take was read.")
                kept = riff_files.keep_old(entry.path)
                _rewritten(entry, riff, revision, result["files"])
            changes = {"kept": kept.name, "carried": result["carried"], "lost": result["lost"]}
            return {"riff": entry.id, "name": entry.name, **changes}

        arguments = {
            "path": str(take),
            "shown": take.name,
            "settings": {**settings, "max_sec": self._max_sec},
            "old": old,
            "document": str(entry.path),
        }
        return self._jobs.start("read", arguments, label=entry.name, finish=finish, about=entry.id)

    def check_take(self, path: Path, name: str, riff_id: str) -> Job:
        """Hold an upload against a riff; the take itself is only kept to be heard."""
        entry = self._store.entry(riff_id)
        reference = read_revision(entry.path)[0]

        def finish(result: dict[str, Any], scratch: Path) -> dict[str, Any]:
            figures = result["figures"]
            kept = {
                "when": figures["when"],
                "take": name,
                "sound": self._keep_take(scratch, path.name),
                "duration_sec": result["duration_sec"],
                "notes": [
                    [note.id, note.pitch_midi, round(note.onset_sec, 4)] for note in reference.notes
                ],
                "pitches": [pitch for pitch, _, _ in result["played"]],
                "played": result["played"],
                "rhythm": to_json(reference)["rhythm"],
                "comparison": result["comparison"],
                "drawings": result["drawings"],
            }
            with hold(self._store.folder):
                kept["progress"] = self._keep_progress(entry, figures)
                kept["drawings"]["progress"] = draw_progress(
                    kept["progress"]["shares"], whens=kept["progress"]["whens"]
                )
                # A take of another riff would take the place of the last verdicts for nothing.
                if result["comparison"]["same_riff"]:
                    write_check(check_path(entry.path), kept)
            return self._check_shown(kept)

        arguments = {
            "path": str(path),
            "shown": name,
            "settings": {"max_sec": self._max_sec},
            "reference": reference,
        }
        return self._jobs.start(
            "compare", arguments, label=name, finish=finish, drop=path, about=entry.id
        )

    def check(self, riff_id: str) -> dict[str, Any]:
        """The last comparison of a riff, ``check`` None where there is none.

        One that cannot be read is named in ``damaged`` and the others are listed all the same.
        """
        path = check_path(self._store.entry(riff_id).path)
        stamp = _stamp(path)
        try:
            kept = read_check(path)
        except FormatError as error:
            return {"check": None, "stamp": stamp, "damaged": str(error)}
        return {"check": None if kept is None else self._check_shown(kept), "stamp": stamp}

    def clear_check(self, riff_id: str) -> None:
        """Put the last comparison of a riff aside; the figures of its progress stay."""
        self._store.put_aside(check_path(self._store.entry(riff_id).path))

    def _check_shown(self, kept: dict[str, Any]) -> dict[str, Any]:
        """``kept`` for the page: its sound as an address, while it is there to be heard."""
        key = kept.get("sound")
        there = key is not None and is_own_file(self._store.cache / f"{key}.wav")
        drawn = there and is_own_file(self._store.cache / f"{key}.picture")
        view = describe(kept["duration_sec"]) if drawn and kept.get("duration_sec") else None
        return {**kept, "sound": f"/api/made/{key}" if there else None, "view": view}

    def _keep_take(self, scratch: Path, name: str) -> str | None:
        """Keep the sound and the picture of a take that was compared; their key."""
        if not (scratch / "take.wav").exists():
            return None
        sound = self._store.cached(f"check {name}", ".wav")
        os.replace(scratch / "take.wav", sound)
        os.replace(scratch / "picture", sound.with_suffix(".picture"))
        return sound.stem

    def _keep_progress(self, entry: Entry, figures: Mapping[str, Any]) -> dict[str, Any]:
        """Enter a comparison in the riff's progress; what changed since the one before."""
        from transcribe.library import progress
        from transcribe.takes.summary import TakeFigures, changes_since
        from transcribe.takes.verdict_wording import change_words

        now = TakeFigures(**figures)
        with hold(self._store.folder):
            earlier = progress.append(progress.progress_path(entry.path), now)
        changes = changes_since(earlier[-1], now) if earlier else ()
        return {
            "since": [change_words(change) for change in changes],
            "shares": [take.right_share for take in (*earlier, now)[-40:]],
            "whens": [take.when for take in (*earlier, now)[-40:]],
        }

    def prepare(self, riff_id: str) -> Job | dict[str, Any]:
        """Make the picture and the sound of a take that has none yet."""
        entry = self._store.entry(riff_id)
        riff, _ = read_revision(entry.path)
        take = self._take_path(riff)
        if take is None:
            raise NotHereError("The recording of this riff is not in the folder.")
        if self._has_views(take):
            return {"ready": True}

        def finish(result: dict[str, Any], scratch: Path) -> dict[str, Any]:
            del result
            self._keep_views(take, scratch)
            return {"ready": True}

        arguments = {"path": str(take), "shown": take.name, "max_sec": self._max_sec}
        return self._jobs.start("prepare", arguments, label=entry.name, finish=finish)

    def make(self, riff_id: str, body: Mapping[str, Any]) -> Job | dict[str, Any]:
        """Make a file from a riff: one of the formats, or a sound.

        Returns
        -------
        Job or dict
            ``{"url": ...}`` at once where it was made before, else the job that makes it.
        """
        entry = self._store.entry(riff_id)
        kind = str(body.get("kind"))
        if kind not in _SUFFIXES:
            raise ParameterError(f"no file is called {kind!r}; use one of {', '.join(_SUFFIXES)}")
        riff, revision = read_revision(entry.path)
        options: dict[str, Any] = {}
        if kind == "wav":
            options["speed"] = number(body, "speed", 0.25, 2.0, default=1.0)
        if kind == "hear":
            options["what"] = str(body.get("what"))
            options["frets"] = body.get("frets")
        seen = None
        if kind in ("handout", "handout-pdf"):
            options["title"] = entry.name
            if body.get("take") is True:
                check = check_path(entry.path)
                options["checks"], seen = [read_check(check)], _stamp(check)
        if kind == "handout-pdf":
            options["paper"] = paper_of(body)
        if kind == "practice":
            options |= practice_options(body)
            if options["play"] == "take":
                take = self._take_path(riff)
                if take is None:
                    raise NotHereError("The recording of this riff is not in the folder.")
                options["take"] = str(take)
        told = sorted(item for item in options.items() if item[0] != "checks")
        key_text = f"{kind} {revision} {told!r} {seen}"
        path = self._store.cached(key_text, _SUFFIXES[kind])
        if is_own_file(path):
            os.utime(path)
            return {"url": f"/api/made/{path.stem}"}

        def finish(result: Any, scratch: Path) -> dict[str, Any]:
            del result
            os.replace(scratch / "made", path)
            self._store.trim_cache(max_bytes=_CACHE_BYTES)
            return {"url": f"/api/made/{path.stem}"}

        arguments = {"kind": kind, "riff": riff, "options": options}
        return self._jobs.start("make", arguments, label=entry.name, finish=finish)

    # -- files -----------------------------------------------------------------------------

    def made(self, key: str, *, picture: bool = False) -> Path:
        """A made thing by its key, or its picture, looked up among the files of the cache."""
        for path in self._store.cache.iterdir():
            if path.stem == key and (path.suffix == ".picture") == picture and is_own_file(path):
                return path
        raise NotHereError("That file is gone by now; make it again.")

    def view(self, riff_id: str, suffix: str) -> Path:
        """The picture or the sound of a riff's take."""
        riff, _ = read_revision(self._store.entry(riff_id).path)
        take = self._take_path(riff)
        path = None if take is None else self._view_path(take, suffix)
        if path is None or not is_own_file(path):
            raise NotHereError("The picture of this take is not made yet.")
        return path

    def _take_path(self, riff: Riff) -> Path | None:
        return self._store.take_path(riff.source.file if riff.source else None)

    def _view_path(self, take: Path, suffix: str) -> Path:
        stat = take.stat()
        return self._store.cached(
            f"view 1 {take.name} {stat.st_size} {stat.st_mtime_ns} {suffix}", suffix
        )

    def _has_views(self, take: Path) -> bool:
        return all(is_own_file(self._view_path(take, suffix)) for suffix in (".picture", ".wav"))

    def _keep_views(self, take: Path, scratch: Path) -> None:
        os.replace(scratch / "picture", self._view_path(take, ".picture"))
        os.replace(scratch / "take.wav", self._view_path(take, ".wav"))
        self._store.trim_cache(max_bytes=_CACHE_BYTES)


def _rewritten(
    entry: Entry, new: Riff, revision: str, files: Mapping[str, tuple[bytes, bytes]]
) -> str:
    """Save ``new`` where ``revision`` still lies, and the files beside it; its own revision."""
    with hold(entry.path.parent):
        saved = replace(entry.path, new, expected=revision)
        riff_files.put_beside(entry.path.parent, entry.name, files)
    return saved


def _stamp(path: Path) -> str | None:
    """What changes whenever a file is written; None where there is no file."""
    try:
        return str(path.stat().st_mtime_ns)
    except OSError:
        return None


def _umask() -> int:
    mask = os.umask(0o077)
    os.umask(mask)
    return mask
