"""One module per file format; each reads into and writes from `transcribe.core.riff.Riff`.

`read_any` picks the reader by the file's suffix and, where that does not tell, by its content.
"""

from __future__ import annotations

import importlib
import os
import re
from pathlib import Path
from typing import TYPE_CHECKING

from transcribe.core.errors import FormatError, ParameterError
from transcribe.formats.music21_adapter import FORMATS

if TYPE_CHECKING:
    from transcribe.core.riff import Riff

__all__ = ["SUFFIXES", "holds_notes", "kind_of", "looks_like_tab", "read_any"]

SUFFIXES = {
    ".json": "riff",
    ".tab": "tab",
    ".txt": "tab",
    ".musicxml": "musicxml",
    ".mxl": "musicxml",
    ".xml": "musicxml",
    ".mid": "midi",
    ".midi": "midi",
    ".smf": "midi",
    ".jams": "jams",
    **dict.fromkeys(FORMATS, "score"),
}
"""The kind of file that each suffix stands for."""

_READERS = {
    "riff": ("document", "read_riff"),
    "tab": ("tab.read", "read_tab"),
    "musicxml": ("musicxml.read", "read_musicxml"),
    "midi": ("midi", "read_midi"),
    "jams": ("jams", "read_jams"),
    "score": ("music21_adapter", "read_score"),
}
"""Module and function that read each kind; loaded when a file of the kind comes."""

_WITH_PARTS = ("musicxml", "midi", "score")


def kind_of(path: str | os.PathLike[str]) -> str | None:
    """``riff``, ``tab``, ``musicxml``, ``midi``, ``jams`` or ``score``; None for anything else.

    A ``score`` is what music21 reads: ABC, Humdrum, MEI and a few others. The first bytes decide
    where they can (MIDI, zipped or plain XML, JSON, ABC, Humdrum), else the suffix, and of a file
    without a suffix whether it has lines of strings. A file that cannot be opened is judged by its
    suffix alone.
    """
    path = Path(path)
    by_suffix = SUFFIXES.get(path.suffix.lower())
    try:
        with path.open("rb") as file:
            head = file.read(4096)
    except OSError:
        return by_suffix
    if head.startswith(b"MThd") or (head.startswith(b"RIFF") and head[8:12] == b"RMID"):
        return "midi"
    text = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    if by_suffix == "score" or _IS_SCORE.match(text):
        return "score"
    if text.startswith((b"<?xml", b"<score-", b"<!DOCTYPE")):
        return "musicxml"
    if text.startswith(b"{") and by_suffix != "tab":
        if by_suffix in ("riff", "jams"):
            return by_suffix
        return "jams" if b'"annotations"' in head or b'"file_metadata"' in head else "riff"
    if head.startswith(b"PK\x03\x04"):
        return "musicxml" if by_suffix == "musicxml" or _SCORE_ZIP.search(head) else None
    if by_suffix is None and not path.suffix and looks_like_tab(path):
        return "tab"
    return by_suffix


def looks_like_tab(path: Path) -> bool:
    """Whether a text has lines of strings, of dashes and frets, as `read_any` would read them."""
    from transcribe.formats.tab.read import is_tab

    with path.open("rb") as file:
        return is_tab(file.read(_TEXT_BYTES))


_TEXT_BYTES = 1 << 16
_SCORE_ZIP = re.compile(rb"META-INF/container\.xml|application/vnd\.recordare\.musicxml")


_IS_SCORE = re.compile(rb"X:\s*\d+\s*\n(?=(?s:.*?)^K:)|(?s:.{0,2000}?)^\*\*kern\b", re.M)
"""A tune in ABC, which begins with ``X:`` and has a ``K:``, or Humdrum in a file of any name."""


def holds_notes(path: str | os.PathLike[str]) -> bool:
    """True where the file is of a kind that `read_any` reads; False for recordings."""
    return kind_of(path) is not None


def read_any(path: str | os.PathLike[str], *, part: str | None = None) -> Riff:
    """Read a riff document, text tab, MusicXML, MIDI or JAMS file, or a score by music21.

    Parameters
    ----------
    path : str or path-like
        The file; its first bytes and its suffix tell the kind (`kind_of`).
    part : str, optional
        The part of a MusicXML or MIDI file or of another score: its number from 1, its name or
        the start of it, or its id; by default the one that looks most like a guitar's. Of an ABC
        file with several tunes, the tune: its number or title; by default the first one.

    Returns
    -------
    Riff
        The notes with what the file tells of instrument, rhythm and theory. ``warnings`` says
        what was left out.

    Raises
    ------
    FormatError
        If the file is missing, of no known kind, or malformed; the message names the place.
    ParameterError
        If there is no such part, or the file is of a kind that has no parts.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     path = Path(folder) / "jetty.tab.txt"
    ...     _ = path.write_text("".join(f"{name}|--0--2--|\\n" for name in "eBGDAE"))
    ...     len(read_any(path).notes)
    12
    """
    path = Path(path)
    if not path.exists():
        raise FormatError(f"{path}: there is no such file")
    if path.is_dir():
        raise FormatError(f"{path} is a folder; name one file in it")
    kind = kind_of(path)
    if part is not None and kind not in _WITH_PARTS:
        raise ParameterError(f"{path} has no parts to choose from; leave out the part")
    if kind in _READERS:
        module, name = _READERS[kind]
        read = getattr(importlib.import_module(f"transcribe.formats.{module}"), name)
        riff: Riff = read(path) if part is None else read(path, part=part)
        return riff if kind == "riff" else _checked(riff, path)
    raise FormatError(
        f"{path}: not a kind of file that holds notes; give a riff document (.riff.json), "
        "a text tab (.tab.txt), MusicXML, MIDI, JAMS, ABC or Humdrum"
    )


def _checked(riff: Riff, path: Path) -> Riff:
    """``riff``, if it can be kept as a riff document; else FormatError."""
    from transcribe.formats.document import from_json, to_json

    try:
        from_json(to_json(riff))
    except FormatError as error:
        raise FormatError(f"{path}: {error}") from None
    return riff
