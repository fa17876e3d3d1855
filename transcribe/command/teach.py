"""The command for lessons: split a recorded session, look at a lesson, change it."""

from __future__ import annotations

import argparse
import dataclasses
import json
from pathlib import Path
from typing import TYPE_CHECKING

from transcribe.command.new_riff import hand_of, instrument_of
from transcribe.command.printing import Progress
from transcribe.core.errors import FormatError, HandspanError, ParameterError
from transcribe.core.score_place import counted_beats

if TYPE_CHECKING:
    from transcribe.core.lesson import Lesson, LessonPart, Playing

__all__ = ["lesson"]


def lesson(args: argparse.Namespace, progress: Progress) -> int:
    from transcribe.formats.lesson_document import to_json
    from transcribe.lesson.lesson_files import lesson_name, read_with_revision, save_lesson

    path, files = _document(args, progress)
    old, revision = read_with_revision(path)
    try:
        new = _changed(old, path.parent, args, progress)
    except HandspanError as error:
        if not files:
            raise
        progress.say("written: " + ", ".join(str(file) for file in files))
        raise ParameterError(
            f"{error}; the session is split, and nothing else that was asked of its parts is done: "
            f"ask it again of {path}"
        ) from None
    if new != old:
        save_lesson(new, path, expected=revision)
        files = [path, *(file for file in files if file != path)]
    if files:
        _tell_older_handouts(path, args, progress)
    if args.handout:
        from transcribe.lesson.handout import write_handout

        sheet = path.with_name(f"{lesson_name(path)}.handout.html")
        write_handout(
            new,
            sheet,
            folder=path.parent,
            title=new.title,
            say=progress.say,
            progress=progress,
        )
        files.append(sheet)
    progress.clear()
    if args.theory:
        return _print_theory(new, path.parent, args)
    if args.json:
        print(json.dumps(to_json(new), ensure_ascii=False))
        return 0
    print("\n".join(_lines(new, path.parent)))
    if files:
        print("written: " + ", ".join(str(file) for file in files))
    return 0


def _tell_older_handouts(path: Path, args: argparse.Namespace, progress: Progress) -> None:
    from transcribe.lesson.lesson_files import lesson_name

    for kind in ("pdf",) if args.handout else ("html", "pdf"):
        sheet = path.with_name(f"{lesson_name(path)}.handout.{kind}")
        if sheet.exists():
            progress.say(
                f"{sheet} is older than the lesson now; write it again with handspan handout {path}"
                + (" --pdf" if kind == "pdf" else "")
            )


def _print_theory(lesson: Lesson, folder: Path, args: argparse.Namespace) -> int:
    """What the parts share: the mode of the whole, its chords, and ways to play them."""
    from transcribe.lesson.lesson_theory import lesson_theory

    found = lesson_theory(lesson, folder)
    text = found.text(left_handed=args.left_handed)
    print(json.dumps(found.as_document(), ensure_ascii=False) if args.json else text)
    return 0


def _document(args: argparse.Namespace, progress: Progress) -> tuple[Path, list[Path]]:
    """The lesson document that is meant, split from a session where one is given."""
    from transcribe.formats import holds_notes
    from transcribe.formats.lesson_document import LESSON_SUFFIX
    from transcribe.lesson.lesson_files import make_lesson

    source: Path = args.source
    if source.name.lower().endswith(LESSON_SUFFIX):
        if args.output is not None:
            raise ParameterError(
                f"{source} is a lesson already and stays where it is; -o is for a new session"
            )
        return source, []
    if source.is_file() and holds_notes(source):
        raise FormatError(
            f"{source} holds notes and no sound; put it into a lesson with handspan lesson "
            f"NAME{LESSON_SUFFIX} --add {source}"
        )
    made = make_lesson(
        source,
        args.output,
        title=args.title or "",
        name=args.name,
        formats=args.format,
        instrument=instrument_of(args),
        hand=hand_of(args.hand_span),
        drone=args.drone,
        max_sec=60 * args.max_minutes,
        say=progress.say,
        progress=progress,
    )
    if left := made.split.left_out:
        times = ", ".join(_clock(one.start_sec) for one in left[:8])
        more = f" and {len(left) - 8} more" if len(left) > 8 else ""
        progress.say(f"too short for a part and left out: at {times}{more}")
    return made.path, list(made.files)


def _changed(lesson: Lesson, folder: Path, args: argparse.Namespace, progress: Progress) -> Lesson:
    """``lesson`` with what ``args`` ask for: parts first, then what is said of them."""
    from transcribe.lesson import lesson_edits as edits
    from transcribe.lesson.lesson_files import join_takes, riff_to_add, use_playing
    from transcribe.lesson.part_riffs import read_part

    for riff in args.add:
        lesson = edits.add_part(lesson, *riff_to_add(Path(riff), folder))
    for text in args.playing:
        part, number = _of_part(lesson, text, "--playing", "A=2")
        lesson = use_playing(
            lesson,
            folder,
            part.label,
            _whole(number, "--playing"),
            say=progress.say,
            progress=progress,
        )
    for text in args.join:
        names = [name for name in text.split(",") if name.strip()]
        if len(names) < 2:
            raise ParameterError(f"--join {text}: name two parts or more, such as A,B")
        first, *others = [edits.find_part(lesson, name).label for name in names]
        for other in others:
            whole = edits.join_bars(lesson, first, other)
            lesson = whole or join_takes(
                lesson, folder, first, other, say=progress.say, progress=progress
            )
    for text in args.cut:
        part, bar = _of_part(lesson, text, "--cut", "A=5")
        riff = read_part(part, folder)
        lesson = edits.cut_part(lesson, part.label, _whole(bar, "--cut"), riff)
    for text in args.drop:
        lesson = edits.drop_part(lesson, edits.find_part(lesson, text).label)
    called = [_of_part(lesson, text, "--call", "A=intro") for text in args.call]
    lesson = edits.call_parts(lesson, {part.label: name for part, name in called})
    for text in args.note:
        part, note = _of_part(lesson, text, "--note", "A='let the low string ring'")
        lesson = edits.change_part(lesson, part.label, note=note)
    for text in args.bars:
        part, value = _of_part(lesson, text, "--bars", "A=1-4")
        bars = _bars(value)
        if bars is not None:
            bars = edits.checked_bars(read_part(part, folder), *bars)
        lesson = edits.change_part(lesson, part.label, bars=bars)
    for text in args.start:
        part, value = _of_part(lesson, text, "--start", "A=72")
        try:
            start_bpm = _tempo(value, _meter(part, folder))
            lesson = edits.change_part(lesson, part.label, start_bpm=start_bpm)
        except ParameterError as error:
            raise ParameterError(f"--start {text}: {error}") from None
    if args.order is not None:
        lesson = edits.reorder(lesson, [name for name in args.order.split(",") if name.strip()])
    if args.form is not None:
        lesson = edits.set_form(lesson, args.form)
    if args.title is not None:
        lesson = dataclasses.replace(lesson, title=args.title)
    return lesson


def _of_part(lesson: Lesson, text: str, option: str, example: str) -> tuple[LessonPart, str]:
    from transcribe.lesson.lesson_edits import find_part

    which, sign, value = text.partition("=")
    if not sign:
        raise ParameterError(f"{option} {text}: write a part and =, such as {example}")
    return find_part(lesson, which), value.strip()


def _whole(text: str, option: str) -> int:
    if not text.isdecimal() or len(text) > 6:
        raise ParameterError(f"{option}: {text!r} is not a whole number")
    return int(text)


def _bars(text: str) -> tuple[int, int] | None:
    if text == "all":
        return None
    first, _, last = text.partition("-")
    bars = _whole(first, "--bars"), _whole(last or first, "--bars")
    if bars[0] > bars[1]:
        raise ParameterError(f"--bars {text}: the last bar comes before the first")
    return bars


def _tempo(text: str, meter: tuple[int, int] | None) -> float | None:
    """Units of ``meter`` a minute, from a tempo as it is counted."""
    from transcribe.core.clock import bpm_as_counted

    if text == "off":
        return None
    try:
        counted = float(text)
    except ValueError:
        raise ParameterError(f"{text!r} is not a tempo in beats a minute") from None
    return bpm_as_counted(counted, meter)


def _meter(part: LessonPart, folder: Path) -> tuple[int, int] | None:
    """The meter of a part; None where its riff has none or cannot be read."""
    from transcribe.lesson.part_riffs import read_part

    try:
        rhythm = read_part(part, folder).rhythm
    except HandspanError:
        return None
    return None if rhythm is None else rhythm.meter


def _clock(sec: float) -> str:
    return f"{int(sec) // 60}:{int(sec) % 60:02d}"


def _lines(lesson: Lesson, folder: Path) -> list[str]:
    """The lesson in words: its parts, their playings, its form."""
    from transcribe.lesson.lesson_edits import form_text

    count = len(lesson.parts)
    head = f"{lesson.title or 'Lesson'}: {count} part{'' if count == 1 else 's'}"
    if lesson.session is not None and lesson.session.duration_sec is not None:
        head += f", from a session of {_clock(lesson.session.duration_sec)}"
    lines = [head]
    told: set[tuple[str, tuple[Playing, ...]]] = set()
    for part in lesson.parts:
        # The halves of a part that was cut have one riff and the same playings.
        first = (part.riff, part.playings) not in told
        told.add((part.riff, part.playings))
        lines += ["", *_part_lines(part, folder, playings=first)]
    if lesson.parts:
        lines += ["", f"Form: {form_text(lesson)}"]
    return lines


def _part_lines(part: LessonPart, folder: Path, *, playings: bool) -> list[str]:
    facts = [part.riff if (folder / part.riff).is_file() else f"{part.riff} (not there)"]
    if part.bars is not None:
        first, last = part.bars
        facts.append(f"bar {first}" if first == last else f"bars {first} to {last}")
    meter = _meter(part, folder)
    per = 1 if meter is None else counted_beats(meter)
    if part.start_bpm is not None:
        facts.append(f"start from {round(part.start_bpm / per, 1):g} bpm")
    name = f"{part.label}  {part.name}" if part.name else part.label
    lines = [f"{name}: {', '.join(facts)}"]
    lines += [f"   {line}" for line in part.note.splitlines()]
    if not playings or not part.playings:
        return lines
    if part.bars is not None:
        lines.append("   Playings of the whole riff:")
    for i, playing in enumerate(part.playings, 1):
        lines.append(f"   {i}. {_playing_words(playing, playing == part.take, per)}")
    return lines


def _playing_words(playing: Playing, is_take: bool, per: int) -> str:
    words = f"{_clock(playing.start_sec)} to {_clock(playing.end_sec)}"
    if playing.bpm is not None:
        words += f", {playing.bpm / per:.0f} bpm"
    words += f", {playing.notes} notes"
    if playing.unsure:
        words += f" ({playing.unsure} unsure)"
    return words + (", the tab is of this one" if is_take else f", {playing.alike:.0%} alike")
