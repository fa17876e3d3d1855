"""The commands that write what students practise with: sound, and the handout."""

from __future__ import annotations

import argparse
import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from transcribe.command.printing import Progress
from transcribe.core.errors import AudioError, FormatError, ParameterError, why_not_written
from transcribe.core.score_place import counted_beats
from transcribe.library.riff_files import riff_name

if TYPE_CHECKING:
    import numpy as np

    from transcribe.core.lesson import LessonPart
    from transcribe.core.riff import Riff
    from transcribe.lesson.take_on_sheet import Checks
    from transcribe.sound.rounds import PracticeSound

__all__ = ["handout", "practise"]

_SR = 44100
_BPM = "-bpm"  # ends the name of a file at a tempo
_SPEEDS = (0.6, 0.75, 0.9, 1.0)  # of a riff that is in no lesson


@dataclass(frozen=True)
class _Piece:
    """One riff to play: where its document lies, the bars, how its files begin, of which part."""

    riff: Riff
    path: Path
    bars: tuple[int, int] | None
    begins: str = ""
    part: LessonPart | None = None


def practise(args: argparse.Namespace, progress: Progress) -> int:
    from transcribe import api
    from transcribe.sound.rounds import CAUTION

    pieces, name = _pieces(args)
    pieces = _playable(args, pieces, progress)
    folder = args.output or args.riff.parent / f"{name}.practice"
    files: list[dict[str, Any]] = []
    for piece in pieces:
        take = _take(args, piece, progress) if "take" in args.play else None
        steps = _steps(args, piece)
        for play in args.play:
            for step in [steps] if args.in_one else [[each] for each in steps]:
                made = api.practice_sound(
                    piece.riff,
                    play=play,
                    speeds=tuple(speed for speed, _ in step),
                    times=args.times,
                    bars=None if args.phrase is not None else piece.bars,
                    phrase=args.phrase,
                    take=take,
                    sr=_SR,
                    click=not args.no_click,
                    count_in=not args.no_count_in,
                    progress=progress,
                )
                path = folder / f"{piece.begins}{_file_name(args, play, step)}.{args.format}"
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
            re.sub(r"[\W_]+", "-", f"{part.shown_name} ").lstrip("-").lower(),
            part,
        )
        for part in parts
    ], args.riff.name.removesuffix(LESSON_SUFFIX)


def _playable(args: argparse.Namespace, pieces: list[_Piece], progress: Progress) -> list[_Piece]:
    """The pieces that have the bars or the phrase that is asked for; the others are told."""
    from transcribe.sound.rounds import check_stretch

    if not {"tab", "take"} & set(args.play):
        return pieces
    found, missing = [], []
    for piece in pieces:
        try:
            check_stretch(piece.riff, None if args.phrase is not None else piece.bars, args.phrase)
            if piece.part is not None and piece.part.bars is not None and args.bars is not None:
                _check_shown(args.bars, piece.part.bars)
        except ParameterError as error:
            if piece.part is None:
                raise
            missing.append(f"part {piece.part.shown_name!r}: {error}")
        else:
            found.append(piece)
    if not found:
        raise ParameterError("; ".join(missing))
    for line in missing:
        progress.say(f"left out: {line}")
    return found


def _check_shown(bars: tuple[int, int], shown: tuple[int, int]) -> None:
    if not shown[0] <= bars[0] <= bars[1] <= shown[1]:
        raise ParameterError(
            f"bars {bars[0]} to {bars[1]} are not there; it shows bars {shown[0]} to {shown[1]}"
        )


def _steps(args: argparse.Namespace, piece: _Piece) -> list[tuple[float, str]]:
    """The speeds, and what files at them are called: those asked for, else the part's own tempi."""
    from transcribe.lesson.handout_content import practice_tempi
    from transcribe.sound.slowing import FASTEST, SLOWEST

    rhythm = piece.riff.rhythm
    if args.speed is None and piece.part is not None and rhythm is not None:
        tempi = practice_tempi(piece.part, piece.riff)
        full = rhythm.bpm / counted_beats(rhythm.meter)
        # The last is the riff's own tempo, which was rounded.
        speeds = [*(tempo / full for tempo in tempi[:-1]), 1.0]
        return [
            (speed, f"{tempo}{_BPM}")
            for speed, tempo in zip(speeds, tempi, strict=True)
            if SLOWEST <= speed <= FASTEST
        ]
    return [(speed, f"{100 * speed:g}") for speed in args.speed or _SPEEDS]


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
                "speed": round(each.speed, 3),
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
    if args.paper is not None and path.suffix.lower() != ".pdf":
        raise ParameterError(f"--paper is for a PDF, and {path.name} is none; add --pdf")
    title = args.title or (getattr(source, "title", "") or name)
    replaced = path.exists()
    write_handout(
        source,
        path,
        folder=args.source.parent,
        title=title,
        fingers=args.fingers,
        paper=args.paper or "a4",
        checks=_last_takes(args, getattr(source, "parts", ())) if args.takes else (),
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


def _last_takes(args: argparse.Namespace, parts: Sequence[LessonPart]) -> Checks:
    """The comparison that is kept beside the riff of each part, or beside the riff itself."""
    from transcribe.library.last_comparison import check_path, read_check

    folder = args.source.parent
    riffs = [folder / part.riff for part in parts] or [args.source]
    checks = [read_check(check_path(path)) for path in riffs]
    if not any(checks):
        raise ParameterError(
            f"no take of {args.source.name} was checked yet; check one on the page (handspan page "
            f"{folder}), or leave out --takes"
        )
    return checks


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


def _file_name(args: argparse.Namespace, play: str, step: Sequence[tuple[float, str]]) -> str:
    """Such as ``tab-bars-3-4-60``; of several speeds the first and the last."""
    words = [play]
    if play in ("tab", "take"):
        if args.bars is not None:
            words.append("bars-" + "-".join(str(bar) for bar in dict.fromkeys(args.bars)))
        if args.phrase is not None:
            words.append("phrase-" + args.phrase.replace("'", "-varied"))
    first, last = step[0][1], step[-1][1]
    speeds = last if first == last else f"{first.removesuffix(_BPM)}-to-{last}"
    return "-".join([*words, speeds])


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FormatError(f"{folder} cannot be made: {why_not_written(error)}") from None
