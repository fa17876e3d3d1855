"""What the page asks of the server: JSON in and out, sounds, pictures and files."""

from __future__ import annotations

import contextlib
import json
import os
import re
from collections.abc import Awaitable, Callable, Mapping
from pathlib import Path
from typing import Any
from urllib.parse import unquote

from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Route

from transcribe.core.errors import HandspanError, ParameterError
from transcribe.core.wording import remark_json
from transcribe.library.revisions import ConflictError, HeldError
from transcribe.page.server.guard import LOOK
from transcribe.page.server.jobs import BusyError, Job, Jobs
from transcribe.page.server.service import Service
from transcribe.page.server.store import NotHereError, Store, safe_suffix
from transcribe.page.worker import picture
from transcribe.page.worker.process import error_text

__all__ = ["Api"]

_JSON_BYTES = 2**16
_MADE = re.compile(r"[0-9a-f]{24}")

_Endpoint = Callable[[Request], Awaitable[Response]]


class _Json(JSONResponse):
    """JSON in UTF-8; a file name that is none is shown with marks for what cannot be written."""

    def render(self, content: Any) -> bytes:
        text = json.dumps(content, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
        return text.encode("utf-8", "replace")


class TooLargeError(HandspanError):
    """A body is larger than it may be."""


class Api:
    """Endpoints over one folder."""

    def __init__(self, store: Store, jobs: Jobs, *, max_bytes: int, max_sec: float) -> None:
        self._store = store
        self._jobs = jobs
        self._max_bytes = max_bytes
        self._service = Service(store, jobs, max_sec=max_sec)
        self._max_sec = max_sec

    def routes(self) -> list[Route]:
        """Every route of the page but its files."""
        table: list[tuple[str, str, _Endpoint]] = [
            ("GET", "/api/shelf", self._shelf),
            ("POST", "/api/takes", self._new_take),
            ("POST", "/api/example", self._example),
            ("GET", "/api/jobs", self._live),
            ("GET", "/api/jobs/{job}", self._job),
            ("DELETE", "/api/jobs/{job}", self._cancel),
            ("POST", "/api/sessions", self._new_session),
            ("POST", "/api/lessons", self._new_lesson),
            ("GET", "/api/lessons/{lesson}", self._lesson),
            ("DELETE", "/api/lessons/{lesson}", self._remove_lesson),
            ("GET", "/api/lessons/{lesson}/revision", self._lesson_revision),
            ("POST", "/api/lessons/{lesson}/edits", self._edit_lesson),
            ("POST", "/api/lessons/{lesson}/again", self._hear_again),
            ("POST", "/api/lessons/{lesson}/handout", self._hand_out),
            ("GET", LOOK + "{key}", self._look),
            ("GET", "/api/riffs/{riff}", self._riff),
            ("DELETE", "/api/riffs/{riff}", self._remove),
            ("POST", "/api/removed/{key}/back", self._put_back),
            ("POST", "/api/riffs/{riff}/name", self._rename),
            ("GET", "/api/riffs/{riff}/revision", self._revision),
            ("POST", "/api/riffs/{riff}/edits", self._edit),
            ("GET", "/api/riffs/{riff}/notes/{note:int}", self._note),
            ("GET", "/api/riffs/{riff}/cost", self._cost),
            ("GET", "/api/riffs/{riff}/check", self._check),
            ("DELETE", "/api/riffs/{riff}/check", self._clear_check),
            ("POST", "/api/riffs/{riff}/prepare", self._prepare),
            ("POST", "/api/riffs/{riff}/again", self._again),
            ("POST", "/api/riffs/{riff}/make", self._make),
            ("GET", "/api/riffs/{riff}/tiles/{tile:int}", self._tile),
            ("GET", "/api/riffs/{riff}/take.wav", self._take),
            ("GET", "/api/made/{key}", self._made),
            ("GET", "/api/made/{key}/tiles/{tile:int}", self._made_tile),
        ]
        return [Route(path, self._answering(end), methods=[method]) for method, path, end in table]

    def _answering(self, endpoint: _Endpoint) -> _Endpoint:
        """``endpoint`` with errors as one clear sentence and the fitting status."""

        async def answer(request: Request) -> Response:
            try:
                return await endpoint(request)
            except ClientDisconnect:
                return _Json({"error": "The upload was cut off."}, 400)
            except Exception as error:
                status = next((code for kind, code in _STATUS if isinstance(error, kind)), 500)
                body: dict[str, Any] = {"error": self._store.without_paths(error_text(error))}
                remark = getattr(error, "remark", None)
                if status == 422 and remark is not None:
                    body["remark"] = remark_json(remark)
                return _Json(body, status)

        return answer

    async def _shelf(self, request: Request) -> Response:
        del request
        return _Json(await run_in_threadpool(self._service.shelf))

    async def _new_take(self, request: Request) -> Response:
        """An upload: the body is the file, its name and the settings are headers."""
        name = unquote(request.headers.get("x-file-name", ""))[:200] or "take"
        settings = _settings(request.headers.get("x-settings", ""))
        reference = request.query_params.get("check")
        if reference is not None:
            self._store.entry(reference)
        path = self._store.new_upload(safe_suffix(name))
        try:
            await self._receive(request, path)
            if reference is None:
                job = await run_in_threadpool(self._service.read_take, path, name, settings)
            else:
                job = await run_in_threadpool(self._service.check_take, path, name, reference)
        except BaseException:
            path.unlink(missing_ok=True)
            raise
        return _Json({"job": job.id}, 202)

    async def _new_session(self, request: Request) -> Response:
        """An upload as `_new_take`, of a recorded lesson that is split into its parts."""
        name = unquote(request.headers.get("x-file-name", ""))[:200] or "lesson"
        settings = _settings(request.headers.get("x-settings", ""))
        path = self._store.new_upload(safe_suffix(name))
        try:
            await self._receive(request, path)
            job = await run_in_threadpool(self._service.lessons.split, path, name, settings)
        except BaseException:
            path.unlink(missing_ok=True)
            raise
        return _Json({"job": job.id}, 202)

    async def _new_lesson(self, request: Request) -> Response:
        body = await _body(request)
        return _Json(await run_in_threadpool(self._service.lessons.make, body), 201)

    async def _lesson(self, request: Request) -> Response:
        return _Json(await run_in_threadpool(self._service.lessons.lesson, _lesson_id(request)))

    async def _remove_lesson(self, request: Request) -> Response:
        return _Json(await run_in_threadpool(self._service.lessons.remove, _lesson_id(request)))

    async def _lesson_revision(self, request: Request) -> Response:
        return _Json(await run_in_threadpool(self._service.lessons.revision, _lesson_id(request)))

    async def _edit_lesson(self, request: Request) -> Response:
        return await self._change_lesson(request, self._service.lessons.edit)

    async def _hear_again(self, request: Request) -> Response:
        return await self._change_lesson(request, self._service.lessons.hear_again)

    async def _change_lesson(
        self, request: Request, change: Callable[[str, Mapping[str, Any]], Job | dict[str, Any]]
    ) -> Response:
        body = await _body(request)
        lesson_id = _lesson_id(request)
        try:
            return _started(await run_in_threadpool(change, lesson_id, body))
        except ConflictError as error:
            theirs = await run_in_threadpool(self._service.lessons.lesson, lesson_id)
            return _Json({"error": str(error), "theirs": theirs}, 409)

    async def _hand_out(self, request: Request) -> Response:
        body = await _body(request)
        hand_out = self._service.lessons.hand_out
        return _started(await run_in_threadpool(hand_out, _lesson_id(request), body))

    async def _look(self, request: Request) -> Response:
        """A handout in a frame of the page: `connection` has headers of its own for it."""
        key = str(request.path_params["key"])
        path = await run_in_threadpool(self._service.lessons.look, key)
        return FileResponse(path, media_type="text/html; charset=utf-8")

    async def _example(self, request: Request) -> Response:
        """The recording that ships with the program, read as any other take."""
        del request
        return _started(await run_in_threadpool(self._service.read_example))

    async def _receive(self, request: Request, path: Path) -> None:
        size = 0
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "wb") as file:
            async for chunk in request.stream():
                size += len(chunk)
                if size > self._max_bytes:
                    limit = self._max_bytes // 2**20
                    raise TooLargeError(f"The file is larger than {limit} MB; cut it shorter.")
                file.write(chunk)
        if size == 0:
            raise ParameterError("The file is empty; choose another.")

    async def _live(self, request: Request) -> Response:
        """Work that is under way, so that a window finds it again after a reload."""
        del request
        return _Json({"jobs": [job.as_json() for job in self._jobs.live()]})

    async def _job(self, request: Request) -> Response:
        return _Json(self._find_job(request).as_json())

    async def _cancel(self, request: Request) -> Response:
        job = self._find_job(request)
        await run_in_threadpool(self._jobs.cancel, job)
        return _Json(job.as_json())

    def _find_job(self, request: Request) -> Job:
        job = self._jobs.get(request.path_params["job"])
        if job is None:
            raise NotHereError("That work is forgotten by now; start it again.")
        return job

    async def _riff(self, request: Request) -> Response:
        return _Json(await run_in_threadpool(self._service.riff, _riff_id(request)))

    async def _remove(self, request: Request) -> Response:
        return _Json(await run_in_threadpool(self._service.remove, _riff_id(request)))

    async def _put_back(self, request: Request) -> Response:
        key = str(request.path_params["key"])
        return _Json(await run_in_threadpool(self._service.put_back, key))

    async def _rename(self, request: Request) -> Response:
        body = await _body(request)
        named = await run_in_threadpool(self._service.rename, _riff_id(request), body.get("name"))
        return _Json(named)

    async def _revision(self, request: Request) -> Response:
        return _Json(await run_in_threadpool(self._service.revision, _riff_id(request)))

    async def _edit(self, request: Request) -> Response:
        body = await _body(request)
        riff_id = _riff_id(request)
        try:
            return _Json(await run_in_threadpool(self._service.edit, riff_id, body))
        except ConflictError as error:
            theirs = await run_in_threadpool(self._service.riff, riff_id)
            return _Json({"error": str(error), "theirs": theirs}, 409)

    async def _note(self, request: Request) -> Response:
        note_id = request.path_params["note"]
        return _Json(await run_in_threadpool(self._service.note, _riff_id(request), note_id))

    async def _cost(self, request: Request) -> Response:
        return _Json(await run_in_threadpool(self._service.cost, _riff_id(request)))

    async def _check(self, request: Request) -> Response:
        return _Json(await run_in_threadpool(self._service.check, _riff_id(request)))

    async def _clear_check(self, request: Request) -> Response:
        await run_in_threadpool(self._service.clear_check, _riff_id(request))
        return _Json({})

    async def _prepare(self, request: Request) -> Response:
        return _started(await run_in_threadpool(self._service.prepare, _riff_id(request)))

    async def _again(self, request: Request) -> Response:
        body = await _body(request)
        again = (
            self._service.read_again if body.get("from") == "take" else self._service.finger_again
        )
        settings = _known(body.get("settings"))
        return _started(await run_in_threadpool(again, _riff_id(request), settings))

    async def _make(self, request: Request) -> Response:
        body = await _body(request)
        made = await run_in_threadpool(self._service.make, _riff_id(request), body)
        return _started(made)

    async def _tile(self, request: Request) -> Response:
        path = await run_in_threadpool(self._service.view, _riff_id(request), ".picture")
        return await _tile_of(path, request)

    async def _made_tile(self, request: Request) -> Response:
        key = request.path_params["key"]
        if not _MADE.fullmatch(key):
            raise NotHereError("There is nothing of that name.")
        path = await run_in_threadpool(self._service.made, key, picture=True)
        return await _tile_of(path, request)

    async def _take(self, request: Request) -> Response:
        path = await run_in_threadpool(self._service.view, _riff_id(request), ".wav")
        return FileResponse(path, media_type="audio/wav")

    async def _made(self, request: Request) -> Response:
        key = request.path_params["key"]
        if not _MADE.fullmatch(key):
            raise NotHereError("There is nothing of that name.")
        path = await run_in_threadpool(self._service.made, key)
        kind = _KINDS.get(path.suffix, "application/octet-stream")
        return FileResponse(path, media_type=kind, headers={"content-disposition": "attachment"})


_STATUS: tuple[tuple[type[Exception], int], ...] = (
    (NotHereError, 404),
    (ConflictError, 409),
    (TooLargeError, 413),
    (BusyError, 429),
    (HeldError, 429),
    (HandspanError, 422),
    (OSError, 507),
)
_KINDS = {
    ".wav": "audio/wav",
    ".mid": "audio/midi",
    ".json": "application/json",
    ".txt": "text/plain; charset=utf-8",
    ".musicxml": "application/vnd.recordare.musicxml+xml",
    ".jams": "application/json",
    ".html": "text/html; charset=utf-8",
    ".pdf": "application/pdf",
}


def _lesson_id(request: Request) -> str:
    return str(request.path_params["lesson"])


def _riff_id(request: Request) -> str:
    return str(request.path_params["riff"])


async def _tile_of(path: Path, request: Request) -> Response:
    tile = await run_in_threadpool(picture.read_tile, path, request.path_params["tile"])
    if tile is None:
        raise NotHereError("The picture ends before that.")
    return Response(tile, media_type="application/octet-stream")


def _started(made: Job | dict[str, Any]) -> Response:
    if isinstance(made, Job):
        return _Json({"job": made.id}, 202)
    return _Json(made)


async def _body(request: Request) -> Mapping[str, Any]:
    """The JSON object of a request, within its limit."""
    data = b""
    async for chunk in request.stream():
        data += chunk
        if len(data) > _JSON_BYTES:
            raise TooLargeError("That is more than a correction needs.")
    with contextlib.suppress(ValueError, RecursionError):
        body = json.loads(data)
        if isinstance(body, dict):
            return body
    raise ParameterError("The page sent something that is not a JSON object; reload it.")


_SETTINGS = {"tuning", "capo", "frets", "hand_span_mm", "drone", "bpm", "meter"}


def _settings(text: str) -> dict[str, Any]:
    if not text:
        return {}
    try:
        given = json.loads(unquote(text))
    except (ValueError, RecursionError):
        given = None
    return _known(given)


def _known(given: Any) -> dict[str, Any]:
    """The settings that there are, each a short text or a number."""
    if not isinstance(given, dict):
        raise ParameterError("The settings are not understood; reload the page.")
    kept = {key: value for key, value in given.items() if key in _SETTINGS}
    for key, value in kept.items():
        good = isinstance(value, int | float) or (isinstance(value, str) and len(value) <= 80)
        if not good or isinstance(value, bool):
            raise ParameterError(f"The setting {key} is not understood; reload the page.")
    return kept
