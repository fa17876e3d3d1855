"""Who may speak to the page: a guard in front of every request.

The page is for the browser of the person who started it. A request is answered only if it names
this server as its host (so that no foreign name can be pointed at it), comes from this page and
no other site, and carries the token: once in the address that is opened, and from then on in a
cookie. Every answer carries the same strict headers, and a body may not grow beyond its limit.
"""

from __future__ import annotations

import hmac
from collections.abc import Iterable
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs

from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["HEADERS", "Guard"]

_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; "
    "media-src 'self' blob:; connect-src 'self'; font-src 'self'; worker-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
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
"""Headers on every answer."""

_STRANGER = "Open the address that the handspan page command printed; this one lacks its token."


class Guard:
    """ASGI middleware. ``hosts`` are the values of Host that name this server."""

    def __init__(self, app: ASGIApp, *, token: str, hosts: Iterable[str], max_bytes: int) -> None:
        self._app = app
        self._token = token
        self._hosts = frozenset(hosts)
        self._max_bytes = max_bytes
        port = next(iter(sorted(self._hosts))).rpartition(":")[2]
        # Cookies are shared by every port of a host: the name keeps two servers apart.
        self._cookie = f"handspan-{port}"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            await send({"type": "websocket.close", "code": 1008})
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                present = {name.lower() for name, _ in message["headers"]}
                added = [
                    (name.encode(), value.encode())
                    for name, value in HEADERS.items()
                    if name.encode() not in present
                ]
                if b"cache-control" not in present:
                    added.append((b"cache-control", b"no-store"))
                message["headers"] = [*message["headers"], *added]
            await send(message)

        request = Request(scope)
        refusal = self._refusal(request)
        if refusal is not None:
            await refusal(scope, receive, send_guarded)
            return
        await self._app(scope, self._limited(receive), send_guarded)

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
        opens = request.url.path == "/" and not changes
        if site not in ("same-origin", "none") and not opens:
            return PlainTextResponse("Only this page itself may ask that.", 403)
        if int_or(request.headers.get("content-length"), 0) > self._max_bytes:
            return self._too_large()
        if self._knows(self._cookies(request).get(self._cookie)):
            return None
        given = parse_qs(request.url.query).get("token", [""])[0]
        if request.url.path == "/" and not changes and self._knows(given):
            response = RedirectResponse("/", 303)
            response.set_cookie(
                self._cookie, self._token, httponly=True, samesite="strict", path="/"
            )
            return response
        return PlainTextResponse(_STRANGER, 403)

    def _cookies(self, request: Request) -> dict[str, str]:
        try:
            jar = SimpleCookie(request.headers.get("cookie", ""))
        except CookieError:
            return {}
        return {name: morsel.value for name, morsel in jar.items()}

    def _knows(self, given: str | None) -> bool:
        return hmac.compare_digest((given or "").encode(), self._token.encode())

    def _too_large(self) -> Response:
        limit = self._max_bytes // 2**20
        return JSONResponse({"error": f"The file is larger than {limit} MB; cut it shorter."}, 413)

    def _limited(self, receive: Receive) -> Receive:
        """A body without a stated length is cut off once it passes the limit."""
        seen = 0

        async def receive_limited() -> Message:
            nonlocal seen
            message = await receive()
            if message["type"] == "http.request":
                seen += len(message.get("body", b""))
                if seen > self._max_bytes:
                    return {"type": "http.disconnect"}
            return message

        return receive_limited


def int_or(text: str | None, default: int) -> int:
    """``text`` as a whole number, or ``default`` where it is none."""
    return int(text) if text is not None and text.isdigit() else default
