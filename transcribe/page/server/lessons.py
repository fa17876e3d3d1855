"""What is done to a lesson on the page: made, shown with its takes, changed, handed out."""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import os
import secrets
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from transcribe.core.errors import FormatError, HandspanError, ParameterError
from transcribe.core.lesson import Lesson, LessonPart
from transcribe.core.riff import Riff
from transcribe.core.score_place import counted_beats
from transcribe.formats.document import from_json as riff_from_json
from transcribe.formats.document import to_json as riff_to_json
from transcribe.formats.lesson_document import LESSON_SUFFIX, from_json, to_bytes, to_json
from transcribe.lesson.lesson_edits import add_part, form_text, join_bars, last_bar
from transcribe.lesson.lesson_files import (
    HeardAgain,
    put_heard,
    read_with_revision,
    save_lesson,
    write_part_files,
)
from transcribe.lesson.part_riffs import in_bars
from transcribe.library import progress
from transcribe.library.last_comparison import check_path, read_check
from transcribe.library.revisions import ConflictError, current_revision, hold, read_revision
from transcribe.library.riff_files import RIFF_SUFFIX, riff_name
from transcribe.page.server.brief import mode_words, opening_of
from transcribe.page.server.jobs import Job, Jobs
from transcribe.page.server.lesson_changes import MOST_PARTS, changed, part_of, short_text
from transcribe.page.server.store import Entry, NotHereError, Store, is_own_file
from transcribe.page.worker.process import error_text
from transcribe.page.worker.settings import paper_of
from transcribe.takes.plots import draw_progress

__all__ = ["Lessons"]

_TRIES = 20  # of a change that is to be made whatever others save meanwhile
_SHOWN_TAKES = 40  # of a part's progress
_PREVIEWS = 32  # that can be looked at, the newest
_ELSEWHERE = "This lesson was changed elsewhere since this window read it."


class Lessons:
    """The work behind the endpoints. Methods may be called from several threads."""

    def __init__(self, store: Store, jobs: Jobs, *, max_sec: float, cache_bytes: int) -> None:
        self._store = store
        self._jobs = jobs
        self._max_sec = max_sec
        self._cache_bytes = cache_bytes
        self._previews: dict[str, Path] = {}
        self._riffs: dict[Path, tuple[str | None, Riff]] = {}

    # -- reading ---------------------------------------------------------------------------

    def shelf(self) -> list[dict[str, Any]]:
        """Every lesson of the folder in brief; one that cannot be read says why."""
        found = []
        ids = {entry.path: entry.id for entry in self._store.entries()}
        for entry in self._store.lessons():
            brief: dict[str, Any] = {"id": entry.id, "name": entry.name}
            try:
                lesson, _ = read_with_revision(entry.path)
                parts = [
                    {"name": part.shown_name, "riff": ids.get(self._store.folder / part.riff)}
                    for part in lesson.parts
                ]
                found.append(brief | {"title": lesson.title or entry.name, "parts": parts})
            except Exception as error:  # one lesson must not take the others off the list
                found.append(brief | {"error": self._store.without_paths(error_text(error))})
        return found

    def lesson(self, lesson_id: str) -> dict[str, Any]:
        """A whole lesson as the page shows it."""
        entry = self._store.lesson(lesson_id)
        return self._shown(entry, *read_with_revision(entry.path))

    def revision(self, lesson_id: str) -> dict[str, Any]:
        """The revision of a lesson on disk now, and a mark of its riffs and their takes."""
        lesson, revision = read_with_revision(self._store.lesson(lesson_id).path)
        return {"revision": revision, "stamp": self._stamp(lesson)}

    def _stamp(self, lesson: Lesson) -> str:
        states = []
        for part in lesson.parts:
            path = self._store.below(part.riff)
            if path is not None:
                states += [_state(path), _state(progress.progress_path(path))]
                states.append(_state(check_path(path)))
        return hashlib.sha256(repr(states).encode()).hexdigest()[:16]

    def _shown(self, entry: Entry, lesson: Lesson, revision: str) -> dict[str, Any]:
        ids = {one.path: one.id for one in self._store.entries()}
        session = lesson.session
        return {
            "id": entry.id,
            "name": entry.name,
            "revision": revision,
            "stamp": self._stamp(lesson),
            "title": lesson.title,
            "form": form_text(lesson) if lesson.form else "",
            "teaching_order": form_text(dataclasses.replace(lesson, form=())),
            "session": session is not None and self._session(lesson) is not None,
            "parts": [self._part(part, ids) for part in lesson.parts],
        }

    def _part(self, part: LessonPart, ids: Mapping[Path, str]) -> dict[str, Any]:
        shown: dict[str, Any] = {
            "label": part.label,
            "name": part.name,
            "note": part.note,
            "bars": part.bars,
            "start_bpm": part.start_bpm,
            "riff_name": riff_name(part.riff),
            "riff": None,
            "playings": _playings(part, 1),
        }
        path = self._store.below(part.riff)
        try:
            if path is None:
                raise NotHereError(f"{part.riff} is not in the folder any more")
            riff = self._riff(path)
            shown |= {"riff": ids.get(path)} | _riff_shown(part, riff)
        except Exception as error:  # the others are taught all the same
            return shown | {"error": self._store.without_paths(error_text(error))}
        return shown | {"takes": _takes(path)}

    def _riff(self, path: Path) -> Riff:
        """The riff document at ``path``, read again only where it has changed."""
        state = _state(path)
        kept = self._riffs.get(path)
        if kept is None or kept[0] != state:
            if len(self._riffs) > 2 * MOST_PARTS:
                self._riffs.clear()
            kept = self._riffs[path] = (state, read_revision(path)[0])
        return kept[1]

    def _riff_of(self, part: LessonPart) -> Riff:
        path = self._store.below(part.riff)
        if path is None:
            raise NotHereError(f"{part.riff} is not in the folder any more.")
        return self._riff(path)

    def _session(self, lesson: Lesson) -> Path | None:
        file = None if lesson.session is None else lesson.session.file
        return self._store.below(file) if file and ".." not in Path(file).parts else None

    # -- making, taking away ---------------------------------------------------------------

    def make(self, body: Mapping[str, Any]) -> dict[str, Any]:
        """A new lesson of the riffs whose ids ``body["riffs"]`` lists, in that order."""
        title = short_text(body, "title", 200).strip()
        riffs = body.get("riffs")
        if not isinstance(riffs, list) or not 1 <= len(riffs) <= MOST_PARTS:
            raise ParameterError(f"A lesson is made of 1 to {MOST_PARTS} riffs; choose some.")
        lesson = Lesson(title)
        for riff_id in riffs:
            entry = self._store.entry(str(riff_id))
            read_revision(entry.path)
            lesson = add_part(lesson, entry.path.name, entry.name)
        with self._store.new_name(f"{title or 'lesson'}.") as free:
            path = self._store.folder / f"{free}{LESSON_SUFFIX}"
            save_lesson(lesson, path, expected=None)
        return self._named(path)

    def _named(self, path: Path) -> dict[str, Any]:
        made = next(entry for entry in self._store.lessons() if entry.path == path)
        return {"lesson": made.id, "name": made.name}

    def split(self, path: Path, name: str, settings: Mapping[str, Any]) -> Job:
        """Split an upload into a lesson and its riffs; all of it is gone if that fails."""

        def finish(result: dict[str, Any], scratch: Path) -> dict[str, Any]:
            lesson = from_json(result["lesson"])
            folder = self._store.folder
            written: list[Path] = []
            with self._store.new_name(name, parts=True) as free:
                try:
                    parts = []
                    for part in lesson.parts:
                        document = folder / f"{free}-{part.label}{RIFF_SUFFIX}"
                        riff = riff_from_json(result["riffs"][part.label])
                        sound = (scratch / f"{part.label}.flac").read_bytes()
                        written += write_part_files(document, riff, sound, ())
                        parts.append(dataclasses.replace(part, riff=document.name))
                    session = folder / f"{free}{path.suffix}"
                    os.replace(path, session)
                    written.append(session)
                    assert lesson.session is not None
                    source = dataclasses.replace(lesson.session, file=session.name)
                    lesson = dataclasses.replace(lesson, parts=tuple(parts), session=source)
                    document = folder / f"{free}{LESSON_SUFFIX}"
                    save_lesson(lesson, document, expected=None)
                except BaseException:
                    for file in written:
                        file.unlink(missing_ok=True)
                    raise
            return self._named(document) | {"left_out": result["left_out"]}

        arguments = {
            "path": str(path),
            "shown": name,
            "settings": {**settings, "max_sec": self._max_sec},
        }
        return self._jobs.start("split", arguments, label=name, finish=finish, drop=path)

    def remove(self, lesson_id: str) -> dict[str, Any]:
        """Put a lesson aside; its riffs stay. ``removed`` is the key that puts it back."""
        entry = self._store.lesson(lesson_id)
        return {"name": entry.name, "removed": self._store.remove(entry)}

    def follow_name(self, old: str, new: str) -> None:
        """Let every lesson name the files of the riff ``new`` that was called ``old`` before."""

        def named(file: str) -> str:
            ours = file.startswith(f"{old}.") and self._store.below(file) is None
            return f"{new}{file[len(old) :]}" if ours else file

        for entry in self._store.lessons():
            with contextlib.suppress(FormatError), hold(self._store.folder):
                before, revision = read_with_revision(entry.path)
                parts = tuple(
                    dataclasses.replace(part, riff=named(part.riff)) for part in before.parts
                )
                session = before.session and dataclasses.replace(
                    before.session, file=named(before.session.file)
                )
                lesson = dataclasses.replace(before, parts=parts, session=session)
                if lesson != before:
                    save_lesson(lesson, entry.path, expected=revision)

    # -- changing --------------------------------------------------------------------------

    def edit(self, lesson_id: str, body: Mapping[str, Any]) -> dict[str, Any]:
        """Make one change and save it, if the lesson is still the one that the page shows.

        With ``anyway`` the change is made to whatever is saved by now. ``before`` in the answer is
        the revision that the change ``back`` goes back to.

        Raises
        ------
        ConflictError
            If the lesson was changed elsewhere.
        ParameterError
            If the change cannot be made.
        """
        entry = self._store.lesson(lesson_id)
        wanted = body.get("edit")
        if not isinstance(wanted, Mapping):
            raise ParameterError("The page sent no change; reload it.")
        # To go back would take away what the others have saved.
        anyway = body.get("anyway") is True and wanted.get("op") != "back"
        for _ in range(_TRIES if anyway else 1):
            old, revision = read_with_revision(entry.path)
            if body.get("revision") != revision and not anyway:
                raise ConflictError(_ELSEWHERE)
            if wanted.get("op") == "back":
                new = self._earlier(wanted.get("to"))
            else:
                new = changed(old, wanted, riff_of=self._riff_of, new_riff=self._file_of)
            if new == old:
                return self._shown(entry, old, revision) | {"before": None}
            self._keep(old, revision)
            with contextlib.suppress(ConflictError):
                saved = save_lesson(new, entry.path, expected=revision)
                return self._shown(entry, new, saved) | {"before": revision}
        raise ConflictError(_ELSEWHERE)

    def _file_of(self, riff_id: str) -> str:
        entry = self._store.entry(riff_id)
        read_revision(entry.path)
        return entry.path.name

    def _keep(self, lesson: Lesson, revision: str) -> None:
        """Keep a lesson as it was, for as long as the cache has room, to go back to."""
        path = self._store.cached(f"lesson {revision}", ".json")
        if not is_own_file(path):
            path.write_bytes(to_bytes(lesson))

    def _earlier(self, revision: Any) -> Lesson:
        path = self._store.cached(f"lesson {revision}", ".json")
        if not is_own_file(path):
            raise ParameterError("That step is too long ago to be taken back.")
        return read_with_revision(path)[0]

    def hear_again(self, lesson_id: str, body: Mapping[str, Any]) -> Job | dict[str, Any]:
        """Join a part with another, or take it from another of its playings in the session.

        Parts that show neighbouring bars of one riff are joined at once, as an edit is.
        """
        entry = self._store.lesson(lesson_id)
        old, revision = read_with_revision(entry.path)
        if body.get("revision") != revision:
            raise ConflictError(_ELSEWHERE)
        part = part_of(old, body.get("part"))
        other = body.get("other")
        if other is not None:
            other = part_of(old, other).label
            if join_bars(old, part.label, other) is not None:
                edit = {"op": "join", "part": part.label, "other": other}
                return self.edit(lesson_id, {"revision": revision, "edit": edit})
        number = body.get("number")
        if other is None and (not isinstance(number, int) or isinstance(number, bool)):
            raise ParameterError("Name the playing by its number, from 1.")
        if old.session is None:
            raise ParameterError(_no_session(part, None if other is None else old.part(other)))
        session = self._session(old)
        if session is None:
            raise NotHereError("The sound of the session that this lesson was split from is gone.")
        assert old.session is not None
        file = old.session.file

        def finish(result: dict[str, Any], scratch: Path) -> dict[str, Any]:
            lesson = from_json(result["lesson"])
            assert lesson.session is not None
            source = dataclasses.replace(lesson.session, file=file)
            lesson = dataclasses.replace(lesson, session=source)
            riff = riff_from_json(result["riff"])
            heard = HeardAgain(lesson, part.label, riff, (scratch / "sound").read_bytes())
            said: list[str] = []
            with hold(self._store.folder):
                if read_with_revision(entry.path)[1] != revision:
                    raise ConflictError(_ELSEWHERE)
                if self._store.below(part.riff) is None:
                    raise NotHereError(f"{part.riff} is not in the folder any more.")
                put_heard(heard, self._store.folder, said.append)
                save_lesson(lesson, entry.path, expected=revision)
            kept = [self._store.without_paths(line) for line in said if "is kept as" in line]
            return {"lesson": entry.id, "kept": kept}

        there = dataclasses.replace(
            old, session=dataclasses.replace(old.session, file=session.name)
        )
        arguments = {
            "path": str(session),
            "shown": session.name,
            "lesson": to_json(there),
            "part": part.label,
            "number": number,
            "other": other,
        }
        label = part.shown_name
        return self._jobs.start("hear", arguments, label=label, finish=finish, about=entry.id)

    # -- handing out -----------------------------------------------------------------------

    def hand_out(self, lesson_id: str, body: Mapping[str, Any]) -> Job | dict[str, Any]:
        """Make the handout, as ``body["kind"]``: ``html`` or ``pdf``.

        Returns
        -------
        Job or dict
            ``{"url": ...}``, of HTML with ``"look"``, an address where it can be looked at: at once
            where it was made before, else the job that makes it.
        """
        kind = body.get("kind", "html")
        if kind not in ("html", "pdf"):
            raise ParameterError(f"there is no handout as {kind!r}; choose html or pdf")
        fingers, paper = body.get("fingers") is True, paper_of(body)
        takes = body.get("takes") is True
        entry = self._store.lesson(lesson_id)
        lesson, revision = read_with_revision(entry.path)
        riffs, revisions, checks = [], [], []
        for part in lesson.parts:
            path = self._store.below(part.riff)
            if path is None:
                raise NotHereError(
                    f"part {part.shown_name!r}: {part.riff} is not in the folder any more; put it "
                    "back, or drop the part"
                )
            riffs.append(riff_to_json(self._riff(path)))
            revisions.append(current_revision(path))
            if takes:
                checks.append(read_check(check_path(path)))
                revisions.append(str(_state(check_path(path))))
        look = f"{kind} {fingers} {paper if kind == 'pdf' else ''}"
        path = self._store.cached(f"lesson handout {look} {revision} {revisions!r}", f".{kind}")
        if is_own_file(path):
            os.utime(path)
            return self._handed(path)

        def finish(result: list[str], scratch: Path) -> dict[str, Any]:
            os.replace(scratch / "made", path)
            self._store.trim_cache(max_bytes=self._cache_bytes)
            return self._handed(path) | {"said": result}

        titled = dataclasses.replace(lesson, title=lesson.title or entry.name)
        arguments = {
            "lesson": to_json(titled),
            "riffs": riffs,
            "kind": kind,
            "fingers": fingers,
            "paper": paper,
            "checks": checks,
        }
        return self._jobs.start("handout", arguments, label=entry.name, finish=finish)

    def _handed(self, path: Path) -> dict[str, Any]:
        """Where a handout is; an address to look at it opens for nobody who was not given it."""
        if path.suffix != ".html":
            return {"url": f"/api/made/{path.stem}"}
        look = next((key for key, kept in self._previews.items() if kept == path), None)
        if look is None:
            look = secrets.token_urlsafe(18)
            self._previews[look] = path
            while len(self._previews) > _PREVIEWS:
                del self._previews[next(iter(self._previews))]
        return {"url": f"/api/made/{path.stem}", "look": f"/look/{look}"}

    def look(self, key: str) -> Path:
        """The handout that the address with ``key`` is of."""
        path = self._previews.get(key)
        if path is None or not is_own_file(path):
            raise NotHereError("That handout is gone by now; show it again.")
        return path


def _no_session(part: LessonPart, other: LessonPart | None) -> str:
    """Why nothing is heard again where a lesson was made of riffs."""
    if other is None:
        return "This lesson was not split from a recording; its parts have no other playings."
    if part.riff == other.riff:
        return "These parts do not show neighbouring bars of one riff, one after the other."
    return "These parts are separate riffs; the form puts them one after the other."


def _riff_shown(part: LessonPart, riff: Riff) -> dict[str, Any]:
    rhythm = riff.rhythm
    per = 1 if rhythm is None else counted_beats(rhythm.meter)
    known: dict[str, Any] = {"last_bar": None, "bpm": None, "meter": None}
    known["playings"] = _playings(part, per)
    if rhythm is not None:
        with contextlib.suppress(HandspanError):
            known["last_bar"] = last_bar(riff)
        known |= {"bpm": round(rhythm.bpm / per, 1), "meter": "/".join(map(str, rhythm.meter))}
        if part.start_bpm is not None:
            known["start_bpm"] = round(part.start_bpm / per, 1)
    return known | {
        "opening": opening_of(in_bars(riff, part.bars)),
        "mode": mode_words(riff),
        "drone": None if riff.drone is None else riff.drone.string,
        "unsure": sum(note.unsure for note in riff.notes),
    }


def _playings(part: LessonPart, per: int) -> list[dict[str, Any]]:
    """The playings of a part; their tempo counts ``per`` units of the meter as a beat."""
    return [
        {"start_sec": one.start_sec, "end_sec": one.end_sec, "bpm": one.bpm and one.bpm / per}
        | {"is_take": one == part.take}
        for one in part.playings
    ]


def _takes(riff: Path) -> dict[str, Any]:
    """How the takes of a riff went so far, the last one told apart."""
    path = progress.progress_path(riff)
    try:
        takes = progress.read(path) if is_own_file(path) else ()
    except FormatError as error:
        return {"count": 0, "damaged": str(error).replace(str(path), path.name)}
    shown = takes[-_SHOWN_TAKES:]
    told: dict[str, Any] = {"count": len(takes), "last": None, "plot": ""}
    told["verdicts"] = is_own_file(check_path(riff))
    if shown:
        last = shown[-1]
        worst = max(last.bars, key=lambda bar: last.bars[bar], default=None)
        told["last"] = {"when": last.when, "take": last.take, "right_share": last.right_share}
        told["last"] |= {"worst_bar": worst, "tempo_bpm": last.tempo_bpm}
        told["first_share"] = takes[0].right_share
        told["plot"] = draw_progress(
            [take.right_share for take in shown], whens=[take.when for take in shown]
        )
    return told


def _state(path: Path) -> str | None:
    """What changes whenever a file is written; None where there is none."""
    try:
        stat = path.stat()
    except OSError:
        return None
    return f"{stat.st_mtime_ns} {stat.st_size} {stat.st_ino}"
