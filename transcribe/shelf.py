"""Where a riff's files lie, and how they are written without losing what a player changed.

A riff called NAME has ``NAME.riff.json`` and beside it, as asked for, ``NAME.tab.txt``,
``NAME.musicxml``, ``NAME.mid`` and ``NAME.jams``. A second transcription of the same take
carries the pins over where the notes still match; where one does not, and wherever a text tab
was edited by hand, the old file is kept under a numbered name and that is said.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from pathlib import Path

from transcribe import revisions
from transcribe.errors import FormatError, ParameterError
from transcribe.formats.document import read_riff, write_atomically, write_riff
from transcribe.riff import Note, Riff

__all__ = ["FORMATS", "RIFF_SUFFIX", "carry_pins", "keep_old", "riff_name", "save"]

RIFF_SUFFIX = ".riff.json"
TAB_SUFFIX = ".tab.txt"

FORMATS: dict[str, str] = {
    "tab": TAB_SUFFIX,
    "musicxml": ".musicxml",
    "midi": ".mid",
    "jams": ".jams",
}
"""Name of each format that can be asked for, and the suffix of its file."""

_SAME_ONSET_SEC = 0.05


def riff_name(path: str | os.PathLike[str]) -> str:
    """NAME of a file such as ``NAME.wav``, ``NAME.riff.json`` or ``NAME.tab.txt``."""
    name = Path(path).name
    for suffix in (RIFF_SUFFIX, TAB_SUFFIX):
        if name.lower().endswith(suffix) and len(name) > len(suffix):
            return name[: -len(suffix)]
    return Path(name).stem


def carry_pins(
    old: Riff, notes: Iterable[Note]
) -> tuple[dict[int, tuple[int, int]], tuple[Note, ...]]:
    """Pins of an older document that fit new notes.

    A pin fits the nearest new note of the same pitch whose onset lies within 50 ms.

    Returns
    -------
    pins : dict
        New note id -> (string, fret).
    lost : tuple of Note
        Pinned notes of ``old`` that no new note matches.
    """
    free = list(notes)
    pins: dict[int, tuple[int, int]] = {}
    lost: list[Note] = []
    for pinned in old.notes:
        if not pinned.pinned or pinned.string is None or pinned.fret is None:
            continue
        near = [
            note
            for note in free
            if note.pitch_midi == pinned.pitch_midi
            and abs(note.onset_sec - pinned.onset_sec) <= _SAME_ONSET_SEC
        ]
        if not near:
            lost.append(pinned)
            continue
        match = min(near, key=lambda note: abs(note.onset_sec - pinned.onset_sec))
        free.remove(match)
        pins[match.id] = (pinned.string, pinned.fret)
    return pins, tuple(lost)


def keep_old(path: Path) -> Path:
    """Copy a file to the next free numbered name beside it, ``NAME.kept-1.riff.json``."""
    for suffix in (RIFF_SUFFIX, TAB_SUFFIX):
        if path.name.endswith(suffix):
            stem = path.name[: -len(suffix)]
            break
    else:
        stem, suffix = path.stem, path.suffix
    number = 1
    while (kept := path.with_name(f"{stem}.kept-{number}{suffix}")).exists():
        number += 1
    try:
        data = path.read_bytes()
    except OSError as error:
        raise FormatError(f"{path} cannot be read: {error.strerror}") from None
    write_atomically(kept, data)
    return kept


def save(
    riff: Riff,
    folder: Path,
    name: str,
    *,
    formats: Iterable[str] = ("tab",),
    width: int = 80,
    repeats: bool = False,
    say: Callable[[str], None] = lambda sentence: None,
    expected: str | None = None,
) -> list[Path]:
    """Write the document and the other formats; nothing is overwritten without saying so.

    Everything is made in memory first, so that a format that fails leaves every file as it was.

    Parameters
    ----------
    repeats : bool
        Whether the tab and MusicXML write bars that are played again at once only one time.
    say : callable
        Told, in one sentence each, which files were replaced and which old ones were kept.
    expected : str, optional
        Revision of the document that this one follows, from `revisions.read_revision`.

    Returns
    -------
    list of Path
        The files written, the document first.

    Raises
    ------
    ParameterError
        If a format is unknown.
    FormatError
        If a file cannot be written.
    ConflictError
        If the document is no longer the one that was ``expected``.
    """
    made = {kind: _make(riff, kind, width, repeats) for kind in formats}
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FormatError(f"{folder} cannot be made: {error.strerror}") from None
    document = folder / f"{name}{RIFF_SUFFIX}"
    edited = _edited_tab(document, folder / f"{name}{TAB_SUFFIX}", width)
    written = [document]
    replaced = document.exists()
    if expected is None:
        write_riff(riff, document)
    else:
        revisions.replace(document.resolve(), riff, expected=expected)
    if replaced:
        say(f"{document} is replaced")
    for kind, data in made.items():
        path = folder / f"{name}{FORMATS[kind]}"
        if path.exists():
            if kind == "tab" and edited:
                say(f"{path} had been edited; the edited tab is kept as {keep_old(path)}")
            elif path.read_bytes() != data:
                say(f"{path} is replaced")
        write_atomically(path, data)
        written.append(path)
    return written


def _make(riff: Riff, kind: str, width: int, repeats: bool) -> bytes:
    if kind == "tab":
        from transcribe.formats.tab_text import write_tab

        return write_tab(riff, width=width, repeats=repeats).encode("utf-8")
    if kind == "musicxml":
        from transcribe.formats.musicxml import write_musicxml

        return _bytes(write_musicxml(riff, repeats=repeats))
    if kind == "midi":
        from transcribe.formats.midi import write_midi

        return _bytes(write_midi(riff))
    if kind == "jams":
        from transcribe.formats.jams import write_jams

        return _bytes(write_jams(riff))
    raise ParameterError(f"no format is called {kind!r}; use {', '.join(FORMATS)}")


def _bytes(data: str | bytes) -> bytes:
    return data.encode("utf-8") if isinstance(data, str) else data


def _edited_tab(document: Path, tab: Path, width: int) -> bool:
    """Whether a text tab differs from what its document says: a hand has changed it."""
    if not tab.exists():
        return False
    if not document.exists():
        return True
    try:
        riff, written = read_riff(document), tab.read_bytes()
        return all(_make(riff, "tab", width, repeats) != written for repeats in (False, True))
    except FormatError:
        return True
