"""The recordings that ship with the program: to try it on, and to see what it makes of them."""

from __future__ import annotations

from pathlib import Path

from transcribe.core.errors import ParameterError

__all__ = ["FIRST", "shipped_take"]

FIRST = "mooring"
"""The one to begin with."""

_SUFFIXES = (".flac", ".ogg", ".wav", ".mp3", ".m4a")


def shipped_take(name: str = FIRST) -> tuple[Path, int]:
    """A recording that ships with the program, and the fret of the capo that it was played with.

    Raises
    ------
    ParameterError
        If no recording of that name ships.
    """
    package = Path(__file__).resolve().parents[1]
    takes = package.parent / "fixtures" / "takes"
    if not takes.is_dir():
        takes = package / "demo"  # an installed package brings one of the recordings
    names = sorted(path.name for path in takes.iterdir() if path.is_dir())
    if name not in names:
        raise ParameterError(
            f"no recording called {name!r} ships here; there are {', '.join(names)}"
        )
    take = next(path for path in sorted((takes / name).iterdir()) if path.suffix in _SUFFIXES)
    from transcribe.formats.document import read_riff

    truth = take.parent / "truth.riff.json"
    return take, read_riff(truth).instrument.capo if truth.exists() else 0
