"""Who may speak to the page: a guard in front of every request.

The page is for the browser of the person who started it. A request is answered only if it names
this server as its host (so that no foreign name can be pointed at it) and comes from this page and
no other site. Whatever concerns the riffs must carry the key that `key_file` leads to, in a header;
the page's own files hold nothing of anyone and are free.
"""

from __future__ import annotations

import hmac
import re
from collections.abc import Iterable

from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["HEADERS", "LOOK", "LOOK_HEADERS", "Guard"]

_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; "
    "media-src 'self' blob:; connect-src 'self'; font-src 'self'; worker-src 'self'; "
    "frame-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
# A handout is a page with scripts of its own: cut off from this one, and from every network.
_LOOK_POLICY = (
    "sandbox allow-scripts; default-src 'none'; script-src 'unsafe-inline'; "
    "style-src 'unsafe-inline'; media-src data: blob:; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'self'"
)

HEADERS: dict[str, str] = {
    "content-security-policy": _POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "microphone=(self), camera=(), geolocation=()",
}
"""Headers on every answer; `connection.server_for` sets them."""

LOOK = "/look/"
"""Where handouts are looked at: a frame can send no key, so each address is a secret of its own."""

LOOK_HEADERS = HEADERS | {
    "content-security-policy": _LOOK_POLICY,
    "x-frame-options": "SAMEORIGIN",
}
"""Headers on every answer below `LOOK`, in the place of `HEADERS`."""

_STRANGER = "Open the file that the handspan page command named; this window lacks its key."
_OPEN = "/api/key"  # what gives out the key cannot ask for it
# What the browser itself fetches to play or keep can send no header of ours.
_MEDIA = re.compile(r"/api/made/[^/]+|/api/riffs/[^/]+/take\.wav")


class Guard:
    """ASGI middleware. ``hosts`` are the values of Host that name this server."""

    def __init__(self, app: ASGIApp, *, token: str, hosts: Iterable[str], max_bytes: int) -> None:
        self._app = app
        self._token = token
        self._hosts = frozenset(hosts)
        self._max_bytes = max_bytes

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            await send({"type": "websocket.close", "code": 1008})
            return

        async def send_unkept(message: Message) -> None:
            if message["type"] == "http.response.start":
                present = {name.lower() for name, _ in message["headers"]}
                if b"cache-control" not in present:
                    message["headers"] = [*message["headers"], (b"cache-control", b"no-store")]
            await send(message)

        request = Request(scope)
        refusal = self._refusal(request)
        await (refusal or self._app)(scope, receive, send_unkept)

    def _refusal(self, request: Request) -> Response | None:
        """The answer to a request that may not pass; None where it may."""
        host = request.headers.get("host", "")
        if host not in self._hosts:
            return PlainTextResponse("This server answers only to its own address.", 421)
        origin = request.headers.get("origin")
        changes = request.method not in ("GET", "HEAD")
        if (origin is None and changes) or (origin is not None and origin != f"http://{host}"):
            return PlainTextResponse("Only this page itself may ask that.", 403)
        # A link from another site may open the page; nothing else from there is answered.
        site = request.headers.get("sec-fetch-site", "same-origin")
        path = request.url.path
        opens = path == "/" and not changes
        if site not in ("same-origin", "none") and not opens:
            return PlainTextResponse("Only this page itself may ask that.", 403)
        if path.startswith("/api/") and path != _OPEN and not self._knows(request):
            return PlainTextResponse(_STRANGER, 403)
        if int_or(request.headers.get("content-length"), 0) > self._max_bytes:
            limit = self._max_bytes // 2**20
            answer = {"error": f"The file is larger than {limit} MB; cut it shorter."}
            return JSONResponse(answer, 413)
        return None

    def _knows(self, request: Request) -> bool:
        given = request.headers.get("x-handspan-key")
        if given is None and _MEDIA.fullmatch(request.url.path):
            given = request.query_params.get("key")
        return hmac.compare_digest((given or "").encode(), self._token.encode())


def int_or(text: str | None, default: int) -> int:
    """``text`` as a whole number, or ``default`` where it is none."""
    return int(text) if text is not None and text.isdigit() else default
