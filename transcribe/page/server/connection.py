"""Connections of the page's server: none is held open by someone who says nothing.

A connection has a few seconds for the head of its request. Of those that have not come so far, the
oldest is closed where there are too many; so idle connections never keep out one that has
something to ask.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from typing import Any

import h11
import uvicorn
from starlette.applications import Starlette
from uvicorn.protocols.http.h11_impl import H11Protocol

from transcribe.page.server.guard import HEADERS, LOOK, LOOK_HEADERS

__all__ = ["server_for"]

_HEAD_SEC = 10.0
_MAX_SILENT = 50  # connections that have not sent a whole head
_MAX_CONNECTIONS = 500  # connections, those that are being answered with them


def server_for(app: Starlette) -> uvicorn.Server:
    """A server of ``app``, all of whose answers carry `guard.HEADERS` or `guard.LOOK_HEADERS`."""
    silent: dict[_Connection, asyncio.TimerHandle] = {}

    def connection(*given: Any, **named: Any) -> _Connection:
        made = _Connection(*given, **named)
        made.silent = silent
        return made

    config = uvicorn.Config(
        app,
        http=connection,  # type: ignore[arg-type]
        ws="none",
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        headers=list(HEADERS.items()),
        limit_concurrency=_MAX_CONNECTIONS,
        timeout_graceful_shutdown=2,
    )
    return uvicorn.Server(config)


def _encoded(headers: Mapping[str, str]) -> list[tuple[bytes, bytes]]:
    return [(name.encode(), value.encode()) for name, value in headers.items()]


class _Connection(H11Protocol):
    """``silent`` holds the connections that wait for the head of a request, oldest first."""

    silent: dict[_Connection, asyncio.TimerHandle]

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._wait()

    def handle_events(self) -> None:
        super().handle_events()
        # The answer is not begun yet: its headers are those of what was asked for.
        if self.cycle is not None and self.cycle.scope["path"].startswith(LOOK):
            self.cycle.default_headers = _encoded(LOOK_HEADERS)

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        if self.conn.their_state is not h11.IDLE:
            self._wait_no_more()

    def on_response_complete(self) -> None:
        super().on_response_complete()
        if not self.transport.is_closing() and self.conn.their_state is h11.IDLE:
            self._wait()

    def connection_lost(self, exc: Exception | None) -> None:
        self._wait_no_more()
        super().connection_lost(exc)

    def send_400_response(self, msg: str) -> None:
        headers = {"content-type": "text/plain; charset=utf-8", "connection": "close", **HEADERS}
        head = h11.Response(status_code=400, headers=list(headers.items()), reason=b"Bad Request")
        for event in (head, h11.Data(data=msg.encode("ascii")), h11.EndOfMessage()):
            self.transport.write(self.conn.send(event) or b"")
        self.transport.close()

    def _wait(self) -> None:
        self._wait_no_more()
        self.silent[self] = self.loop.call_later(_HEAD_SEC, self.transport.close)
        if len(self.silent) > _MAX_SILENT:
            next(iter(self.silent)).transport.close()

    def _wait_no_more(self) -> None:
        timer = self.silent.pop(self, None)
        if timer is not None:
            timer.cancel()
