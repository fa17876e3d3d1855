"""Serves a folder for the tests, as a process of its own: ``python -m tests.page.serving DIR``.

It prints its port and the file that leads to the page. Without arguments it reads those of any
number of servers, a JSON list a line, and forks one for each, which prints its process id first:
what a server imports is imported once then, and so is what its workers do.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import multiprocessing
import os
import signal
import socket
import sys
import traceback
from collections.abc import Callable, Sequence
from multiprocessing import forkserver
from pathlib import Path
from typing import Any, NoReturn

TOKEN = "a-token-for-the-tests-only"


def main() -> None:
    if sys.argv[1:]:
        _serve(sys.argv[1:], lambda line: print(line, flush=True))
    else:
        _fork_servers()


def _fork_servers() -> None:
    # The workers of all these servers are forked from one process.
    multiprocessing.set_forkserver_preload(["transcribe.page.worker.preload"])
    forkserver.ensure_running()
    forkserver._forkserver.ensure_running = lambda: None  # type: ignore[attr-defined, method-assign]
    _imports()
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # nobody waits for them here
    for line in sys.stdin:
        if os.fork() == 0:
            _as_forked(json.loads(line))


def _as_forked(arguments: Sequence[str]) -> NoReturn:
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    told = [f"{os.getpid()}\n"]
    out = os.dup(1)
    os.dup2(2, 1)

    def tell(line: object) -> None:
        told.append(f"{line}\n")
        if len(told) == 3:
            os.write(out, "".join(told).encode())
            os.close(out)

    try:
        _serve(arguments, tell)
    except BaseException:
        traceback.print_exc()
    finally:
        if len(told) < 3:
            os.write(out, (told[0] + "none\n\n").encode())
        os._exit(0)


def _imports() -> tuple[Callable[..., Any], ...]:
    # Here and not above: each worker imports this file again, as it does the command's own.
    from transcribe.page import make_app
    from transcribe.page.server.connection import server_for
    from transcribe.page.server.key_file import KeyFile

    return make_app, server_for, KeyFile


def _serve(arguments: Sequence[str], tell: Callable[[object], object]) -> None:
    make_app, server_for, KeyFile = _imports()
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--max-bytes", type=int, default=64 * 2**20)
    parser.add_argument("--max-sec", type=float, default=900.0)
    parser.add_argument("--memory-bytes", type=int, default=6 * 2**30)
    parser.add_argument("--port", type=int, default=0)
    args = parser.parse_args(arguments)
    listener = socket.socket()
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    listener.bind(("127.0.0.1", args.port))
    listener.listen(64)
    port = listener.getsockname()[1]
    with contextlib.closing(KeyFile(f"http://127.0.0.1:{port}")) as key_file:
        app = make_app(
            args.folder,
            token=TOKEN,
            port=port,
            key_file=key_file,
            max_bytes=args.max_bytes,
            max_sec=args.max_sec,
            memory_bytes=args.memory_bytes,
        )
        tell(port)
        tell(key_file.path)
        server_for(app).run(sockets=[listener])


if __name__ == "__main__":
    main()
