"""What a command is given: standard input in the place of a file, and the files of a folder."""

from __future__ import annotations

import argparse
import contextlib
import shutil
import sys
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

from transcribe.core.errors import ParameterError
from transcribe.core.files import SOUND_SUFFIXES

__all__ = ["STANDARD_INPUT", "files_in", "standard_input"]

STANDARD_INPUT = "stdin"
"""What a riff from standard input is called where ``--name`` does not say."""

_DASH = Path("-")
_READ = ("take", "notes", "riff", "reference")  # the arguments that name what is read


@contextlib.contextmanager
def standard_input(args: argparse.Namespace) -> Iterator[Path | None]:
    """Let ``-`` among the arguments stand for a file that holds what standard input brings.

    The files that the command writes lie in the current folder, unless ``args`` name another.

    Yields
    ------
    Path or None
        That file, which is gone afterwards; None where standard input is not read.

    Raises
    ------
    ParameterError
        If it is to be read twice, or corrected.
    """
    held = {name: vars(args)[name] for name in _READ if name in vars(args)}
    given = {name: v if isinstance(v, list) else [v] for name, v in held.items()}
    count = sum(values.count(_DASH) for values in given.values())
    if not count:
        yield None
        return
    if count > 1:
        raise ParameterError("standard input can be read once; give a file for the other -")
    if args.run.endswith(":refinger"):
        raise ParameterError("a correction is kept in the riff document; give its file, not -")
    with tempfile.TemporaryDirectory(prefix="handspan-") as folder:
        file = Path(folder) / STANDARD_INPUT
        with file.open("wb") as held_file:
            shutil.copyfileobj(sys.stdin.buffer, held_file)
        for name, values in given.items():
            values = [file if value == _DASH else value for value in values]
            setattr(args, name, values if isinstance(held[name], list) else values[0])
        if getattr(args, "output", file) is None:
            args.output = Path()
        if getattr(args, "reference", None) == file:
            args.no_progress = True  # there is nothing to keep it beside
        yield file


def files_in(given: Sequence[Path], *, sound: bool) -> tuple[list[Path], list[Path]]:
    """The files that are given, and for a folder those in it that a command reads, by name.

    Parameters
    ----------
    sound : bool
        Whether recordings are wanted, else files of notes. Riff documents, and files beside one
        that say what it says, are results and no input.

    Returns
    -------
    tuple of two lists
        The files to read, and the files of the folders that hold neither notes nor sound.

    Raises
    ------
    ParameterError
        If a folder holds no such file.
    """
    found: list[Path] = []
    left_out: list[Path] = []
    for path in given:
        if not path.is_dir():
            found.append(path)
            continue
        names = sorted(p for p in path.iterdir() if p.is_file() and not p.name.startswith("."))
        kinds = {p: _kind(p) for p in names}
        made = set() if sound else _made_in(names)
        inside = [
            p
            for p, kind in kinds.items()
            if (kind == "sound" if sound else kind not in ("sound", "riff", None) and p not in made)
        ]
        if not inside:
            raise ParameterError(f"{path} holds no {'recordings' if sound else 'files of notes'}")
        found += inside
        left_out += [p for p, kind in kinds.items() if kind is None]
    return list(dict.fromkeys(found)), list(dict.fromkeys(left_out))


def _kind(path: Path) -> str | None:
    """``sound``, or the kind of notes that a file of a folder holds; None for anything else."""
    from transcribe.formats import kind_of, looks_like_tab

    if path.suffix.lower() in SOUND_SUFFIXES:
        return "sound"
    try:
        kind = kind_of(path)
        return None if kind == "tab" and not looks_like_tab(path) else kind
    except OSError:
        return kind_of(path)  # by its name: that it cannot be read is said where it is read


def _made_in(names: Sequence[Path]) -> set[Path]:
    """The riff documents among files, and the files beside them that say the same."""
    from transcribe.core.errors import HandspanError
    from transcribe.formats.document import read_riff
    from transcribe.library import riff_files

    made: set[Path] = set()
    for path in names:
        if path.name.endswith(riff_files.RIFF_SUFFIX):
            made.add(path)
            name = riff_files.riff_name(path)
            with contextlib.suppress(HandspanError):
                beside = riff_files.forms_beside(read_riff(path), path.parent, name)
                made |= {path.with_name(f"{name}{riff_files.FORMATS[kind]}") for kind in beside}
    return made
