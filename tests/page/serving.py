"""Serves a folder for the tests, as a process of its own: ``python -m tests.page.serving DIR``.

It prints its port and the file that leads to the page.
"""

from __future__ import annotations

import argparse
import contextlib
import socket
from pathlib import Path

TOKEN = "a-token-for-the-tests-only"


def main() -> None:
    # Here and not above: each worker imports this file again, as it does the command's own.
    from transcribe.page import make_app
    from transcribe.page.server.connection import server_for
    from transcribe.page.server.key_file import KeyFile

    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--max-bytes", type=int, default=64 * 2**20)
    parser.add_argument("--max-sec", type=float, default=900.0)
    parser.add_argument("--memory-bytes", type=int, default=6 * 2**30)
    parser.add_argument("--port", type=int, default=0)
    args = parser.parse_args()
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
        print(port, flush=True)
        print(key_file.path, flush=True)
        server_for(app).run(sockets=[listener])


if __name__ == "__main__":
    main()
