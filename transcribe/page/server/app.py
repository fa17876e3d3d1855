"""The server: the routes behind the guard, and `serve`, which opens the page in a browser."""

from __future__ import annotations

import contextlib
import hashlib
import mimetypes
import secrets
import signal
import socket
import sys
import threading
import webbrowser
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from importlib import resources
from pathlib import Path

from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from transcribe.core.errors import ParameterError
from transcribe.page.server.connection import server_for
from transcribe.page.server.guard import Guard
from transcribe.page.server.jobs import Jobs
from transcribe.page.server.key_file import KeyFile
from transcribe.page.server.routes import Api
from transcribe.page.server.store import Store

__all__ = ["make_app", "serve"]

_STATIC = Path(__file__).parents[1] / "static"
_MIB = 2**20


def make_app(
    folder: Path,
    *,
    token: str,
    port: int,
    key_file: KeyFile | None = None,
    max_bytes: int = 256 * _MIB,
    max_sec: float = 1800.0,
    memory_bytes: int = 6 * 1024 * _MIB,
) -> Starlette:
    """The page over ``folder`` as an ASGI application.

    Parameters
    ----------
    token : str
        The key that the page holds; anyone who knows it may use the page.
    port : int
        The port that it is served on, which the Host of every request must name.
    key_file : KeyFile, optional
        What the page gets ``token`` from, for a key that opens once.
    max_bytes, max_sec : int, float
        Largest upload, and longest take in seconds.
    memory_bytes : int
        Address space that each worker may take for its tasks.

    Raises
    ------
    FormatError
        If the folder cannot be used.
    """
    if len(token) < 16:
        raise ParameterError("the page's token must have at least 16 characters")
    store = Store(folder)
    jobs = Jobs(
        scratch=lambda: store.incoming, shown=store.without_paths, memory_bytes=memory_bytes
    )
    api = Api(store, jobs, max_bytes=max_bytes, max_sec=max_sec)
    key_route = _key_route(key_file, token)

    @contextlib.asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        del app
        jobs.warm()
        yield
        jobs.close()

    return Starlette(
        routes=[*_static_routes(), key_route, *api.routes()],
        middleware=[
            Middleware(
                Guard,
                token=token,
                hosts=(f"127.0.0.1:{port}", f"localhost:{port}"),
                max_bytes=max_bytes,
            )
        ],
        lifespan=lifespan,
    )


def _key_route(key_file: KeyFile | None, token: str) -> Route:
    """Where the page's script trades the key that opens once for the one that it keeps."""

    async def enter(request: Request) -> Response:
        given = request.headers.get("x-handspan-key", "")
        if key_file is None or not key_file.redeem(given):
            why = (
                "This key is not valid, or was used already. Open the page from the terminal again."
            )
            return JSONResponse({"error": why}, 403)
        return JSONResponse({"key": token})

    return Route("/api/key", enter, methods=["POST"])


def _static_routes() -> list[Route]:
    """One route per file that ships with the page: nothing is looked up on disk by name."""
    routes = []
    for path in sorted(_STATIC.rglob("*")):
        if not path.is_file():
            continue
        name = path.relative_to(_STATIC).as_posix()
        where = "/" if name == "index.html" else f"/static/{name}"
        routes.append(Route(where, _file_endpoint(path), methods=["GET"]))
    plots = resources.files("transcribe.takes").joinpath("plots.css")
    routes.append(Route("/static/plots.css", _file_endpoint(Path(str(plots))), methods=["GET"]))
    return routes


def _file_endpoint(path: Path) -> Callable[[Request], Awaitable[Response]]:
    kind = {".js": "text/javascript", ".svg": "image/svg+xml"}.get(
        path.suffix, mimetypes.guess_type(path.name)[0] or "application/octet-stream"
    )

    async def endpoint(request: Request) -> Response:
        data = path.read_bytes()
        tag = f'"{hashlib.sha256(data).hexdigest()[:16]}"'
        headers = {"etag": tag, "cache-control": "no-cache"}
        if request.headers.get("if-none-match") == tag:
            return Response(status_code=304, headers=headers)
        return Response(data, media_type=kind, headers=headers)

    return endpoint


def serve(folder: Path, *, port: int = 0, open_browser: bool = True) -> None:
    """Serve the page over ``folder`` on 127.0.0.1 until it is interrupted.

    Parameters
    ----------
    port : int
        0 for any that is free.
    open_browser : bool
        Whether to open the address in the default browser, besides printing it.

    Raises
    ------
    ParameterError
        If the port is out of range or taken.
    FormatError
        If the folder cannot be used.
    """
    if not 0 <= port <= 65535:
        raise ParameterError(f"a port is 0 to 65535, not {port}")
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind(("127.0.0.1", port))
        # From here on a browser that is quicker than the server waits instead of failing.
        listener.listen(64)
    except OSError as error:
        listener.close()
        raise ParameterError(
            f"port {port} cannot be used ({error.strerror}); try another"
        ) from None
    with contextlib.closing(listener):
        port = listener.getsockname()[1]
        key_file = KeyFile(f"http://127.0.0.1:{port}")
        with contextlib.closing(key_file):
            app = make_app(folder, token=secrets.token_urlsafe(24), port=port, key_file=key_file)
            print(f"The page over {folder} opens with\n\n  {key_file.path.as_uri()}\n", flush=True)
            print(f"or once, in any browser of yours, at\n\n  {key_file.address}\n", flush=True)
            print("It answers to this machine only. Stop it with Ctrl-C.", file=sys.stderr)
            if open_browser:
                timer = threading.Timer(0.3, webbrowser.open, args=(key_file.path.as_uri(),))
                timer.daemon = True
                timer.start()
            with contextlib.suppress(KeyboardInterrupt), _end_as_interrupted():
                server_for(app).run(sockets=[listener])


@contextlib.contextmanager
def _end_as_interrupted() -> Iterator[None]:
    """Lets SIGTERM raise KeyboardInterrupt, so that what is open is closed and taken away."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)
