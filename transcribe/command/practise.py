"""The commands that write what students practise with: sound, and the handout."""

from __future__ import annotations

import argparse
import json
import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from transcribe.command.printing import Progress
from transcribe.core.errors import AudioError, FormatError, ParameterError, why_not_written
from transcribe.library.riff_files import riff_name

if TYPE_CHECKING:
    import numpy as np

    from transcribe.core.riff import Riff
    from transcribe.sound.rounds import PracticeSound

__all__ = ["handout", "practise"]

_SR = 44100


@dataclass(frozen=True)
class _Piece:
    """One riff to play: where its document lies, the bars, and how its files begin."""

    riff: Riff
    path: Path
    bars: tuple[int, int] | None
    begins: str = ""


def practise(args: argparse.Namespace, progress: Progress) -> int:
    from transcribe import api
    from transcribe.sound.rounds import CAUTION

    pieces, name = _pieces(args)
    folder = args.output or args.riff.parent / f"{name}.practice"
    wanted = [args.speed] if args.in_one else [(speed,) for speed in args.speed]
    files: list[dict[str, Any]] = []
    for piece in pieces:
        take = _take(args, piece, progress) if "take" in args.play else None
        for play in args.play:
            for speeds in wanted:
                made = api.practice_sound(
                    piece.riff,
                    play=play,
                    speeds=speeds,
                    times=args.times,
                    bars=None if args.phrase is not None else piece.bars,
                    phrase=args.phrase,
                    take=take,
                    sr=_SR,
                    click=not args.no_click,
                    count_in=not args.no_count_in,
                    progress=progress,
                )
                path = folder / f"{piece.begins}{_file_name(args, play, speeds)}.{args.format}"
                replaced = path.exists()
                _make_folder(folder)
                api.write_sound(made, path)
                files.append(_told(path, play, made))
                progress.clear()
                if not args.json:
                    print(f"{path} is {'replaced' if replaced else 'written'}")
    print(json.dumps({"files": files, "caution": CAUTION}) if args.json else CAUTION)
    return 0


def _pieces(args: argparse.Namespace) -> tuple[list[_Piece], str]:
    """What is played: the riff, or the parts of the lesson, and what that is called."""
    from transcribe import api
    from transcribe.formats.lesson_document import LESSON_SUFFIX, read_lesson
    from transcribe.lesson.part_riffs import read_part

    if not args.riff.name.endswith(LESSON_SUFFIX):
        if args.part is not None:
            raise ParameterError(f"{args.riff} is no lesson and has no parts; leave out --part")
        piece = _Piece(api.to_show(args.riff), args.riff, args.bars)
        return [piece], riff_name(args.riff)
    lesson, folder = read_lesson(args.riff), args.riff.parent
    parts = [p for p in lesson.parts if args.part in (None, p.label, p.name)]
    if not parts:
        known = ", ".join(part.shown_name for part in lesson.parts) or "none"
        raise ParameterError(f"no part of {args.riff} is called {args.part}; there are {known}")
    return [
        _Piece(
            read_part(part, folder),
            folder / part.riff,
            args.bars or part.bars,
            f"{re.sub(r'[^0-9A-Za-z]+', '-', part.shown_name).strip('-').lower()}-",
        )
        for part in parts
    ], args.riff.name.removesuffix(LESSON_SUFFIX)


def _told(path: Path, play: str, made: PracticeSound) -> dict[str, Any]:
    """A file for other programs."""
    return {
        "file": str(path),
        "play": play,
        "duration_sec": round(len(made.y) / made.sr, 3),
        "rounds": [
            {
                "start_sec": round(each.start_sec, 3),
                "end_sec": round(each.end_sec, 3),
                "speed": each.speed,
            }
            for each in made.rounds
        ],
    }


def handout(args: argparse.Namespace, progress: Progress) -> int:
    from transcribe import api
    from transcribe.formats.lesson_document import LESSON_SUFFIX, read_lesson
    from transcribe.lesson.handout import MOST_BYTES, write_handout

    is_lesson = args.source.name.endswith(LESSON_SUFFIX)
    source = read_lesson(args.source) if is_lesson else api.to_show(args.source)
    name = args.source.name.removesuffix(LESSON_SUFFIX) if is_lesson else riff_name(args.source)
    path = args.output or args.source.parent
    if path.is_dir():
        path = path / f"{name}.handout.{'pdf' if args.pdf else 'html'}"
    if args.pdf and path.suffix.lower() != ".pdf":
        raise ParameterError(f"--pdf: {path} does not end in .pdf; name it so, or leave out --pdf")
    title = args.title or (getattr(source, "title", "") or name)
    replaced = path.exists()
    write_handout(
        source,
        path,
        folder=args.source.parent,
        title=title,
        fingers=args.fingers,
        paper=args.paper,
        say=progress.say,
        progress=progress,
    )
    size = path.stat().st_size
    progress.clear()
    if args.json:
        print(json.dumps({"file": str(path), "bytes": size}))
    else:
        print(f"{path} is {'replaced' if replaced else 'written'} ({size / 1e6:.1f} MB)")
    if size > MOST_BYTES:
        progress.say("it may be too large for a mail; show fewer bars of its parts")
    return 0


def _take(args: argparse.Namespace, piece: _Piece, progress: Progress) -> np.ndarray:
    """The recording of the riff, as samples."""
    from transcribe.audio import read_audio

    path, source = args.take, piece.riff.source
    if path is None:
        if source is None or not source.file:
            raise AudioError(f"{piece.path} names no recording; name it: --take FILE")
        path = piece.path.parent / source.file
        if not path.exists():
            raise AudioError(
                f"{path}, the recording of this riff, is not there; name it: --take FILE"
            )
    return read_audio(path, to_sr=_SR, progress=progress).y


def _file_name(args: argparse.Namespace, play: str, speeds: tuple[float, ...]) -> str:
    """Such as ``tab-bars-3-4-60``; of several speeds the first and the last."""
    words = [play]
    if play in ("tab", "take"):
        if args.bars is not None:
            words.append("bars-" + "-".join(str(bar) for bar in dict.fromkeys(args.bars)))
        if args.phrase is not None:
            words.append("phrase-" + args.phrase.replace("'", "-varied"))
    percents = dict.fromkeys(f"{100 * speed:g}" for speed in (speeds[0], speeds[-1]))
    return "-".join([*words, "-to-".join(percents)])


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FormatError(f"{folder} cannot be made: {why_not_written(error)}") from None
