"""The page: a local server over a folder of riffs, and what it shows in the browser.

Conventions: the server binds to 127.0.0.1 only; riffs are known to the browser by opaque ids;
everything that takes time runs in a process of its own (`transcribe.page.worker`); each change is
saved at once, under the revision that it was made on (`transcribe.library.revisions`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from transcribe.page.server.app import make_app, serve

__all__ = ["make_app", "serve"]


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module 'transcribe.page' has no attribute {name!r}")
    # Loaded at first use: the workers import this package and need no server.
    from transcribe.page.server import app

    return getattr(app, name)
