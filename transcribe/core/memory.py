"""How much memory a process may take, where the system can hold it to that."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

__all__ = ["lift_memory_limit", "limit_memory"]


def limit_memory(more_bytes: int, *, for_good: bool) -> None:
    """Let this process take ``more_bytes`` of address space beyond what it holds, and dump no core.

    Parameters
    ----------
    more_bytes : int
        Counted from what imports have taken: the more cores, the more of it.
    for_good : bool
        Whether the limit holds for whatever the process starts, too, and cannot be lifted.
    """
    try:
        import resource
    except ImportError:  # Windows has no such limits.
        return
    wanted = ((resource.RLIMIT_AS, _held() + more_bytes), (resource.RLIMIT_CORE, 0))
    for kind, size in wanted:
        _, hard = resource.getrlimit(kind)
        limit = size if hard == resource.RLIM_INFINITY else min(size, hard)
        with contextlib.suppress(ValueError, OSError):
            resource.setrlimit(kind, (limit, limit if for_good else hard))


def lift_memory_limit() -> None:
    """Take back what `limit_memory` set for a while."""
    try:
        import resource
    except ImportError:
        return
    _, hard = resource.getrlimit(resource.RLIMIT_AS)
    with contextlib.suppress(ValueError, OSError):
        resource.setrlimit(resource.RLIMIT_AS, (hard, hard))


def _held() -> int:
    try:
        pages = int(Path("/proc/self/statm").read_text().split()[0])
    except OSError:  # only Linux tells
        return 0
    return pages * os.sysconf("SC_PAGE_SIZE")
