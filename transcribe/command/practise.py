"""The commands that write what students practise with: sound, and the handout."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from transcribe.command.printing import Progress
from transcribe.core.errors import AudioError, FormatError, why_not_written
from transcribe.library.riff_files import riff_name

if TYPE_CHECKING:
    import numpy as np

    from transcribe.core.riff import Riff

__all__ = ["handout", "practise"]

_SR = 44100


def practise(args: argparse.Namespace, progress: Progress) -> int:
    from transcribe import api
    from transcribe.sound.rounds import CAUTION

    riff = api.to_show(args.riff)
    folder = args.output or args.riff.parent / f"{riff_name(args.riff)}.practice"
    take = _take(args, riff, progress) if "take" in args.play else None
    wanted = [args.speed] if args.in_one else [(speed,) for speed in args.speed]
    files: list[dict[str, Any]] = []
    for play in args.play:
        for speeds in wanted:
            made = api.practice_sound(
                riff,
                play=play,
                speeds=speeds,
                times=args.times,
                bars=args.bars,
                phrase=args.phrase,
                take=take,
                sr=_SR,
                click=not args.no_click,
                count_in=not args.no_count_in,
                progress=progress,
            )
            path = folder / f"{_file_name(args, play, speeds)}.{args.format}"
            replaced = path.exists()
            _make_folder(folder)
            api.write_sound(made, path)
            files.append(
                {
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
            )
            progress.clear()
            if not args.json:
                print(f"{path} is {'replaced' if replaced else 'written'}")
    print(json.dumps({"files": files, "caution": CAUTION}) if args.json else CAUTION)
    return 0


def handout(args: argparse.Namespace, progress: Progress) -> int:
    from transcribe import api
    from transcribe.formats.lesson_document import LESSON_SUFFIX, read_lesson
    from transcribe.lesson.handout import MOST_BYTES, write_handout

    is_lesson = args.source.name.endswith(LESSON_SUFFIX)
    source = read_lesson(args.source) if is_lesson else api.to_show(args.source)
    name = args.source.name.removesuffix(LESSON_SUFFIX) if is_lesson else riff_name(args.source)
    path = args.output or args.source.parent / f"{name}.handout.html"
    if path.is_dir():
        path = path / f"{name}.handout.html"
    title = args.title or (getattr(source, "title", "") or name)
    replaced = path.exists()
    write_handout(source, path, folder=args.source.parent, title=title, progress=progress)
    size = path.stat().st_size
    progress.clear()
    if args.json:
        print(json.dumps({"file": str(path), "bytes": size}))
    else:
        print(f"{path} is {'replaced' if replaced else 'written'} ({size / 1e6:.1f} MB)")
    if size > MOST_BYTES:
        progress.say("it may be too large for a mail; show fewer bars of its parts")
    return 0


def _take(args: argparse.Namespace, riff: Riff, progress: Progress) -> np.ndarray:
    """The recording of the riff, as samples."""
    from transcribe.audio import read_audio

    path = args.take
    if path is None:
        if riff.source is None or not riff.source.file:
            raise AudioError(f"{args.riff} names no recording; name it: --take FILE")
        path = args.riff.parent / riff.source.file
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
