"""The ``handspan`` command: parse, call, print.

Results go to stdout, progress and remarks to stderr. Exit code 0: done; 1: the work failed, with
one line that says what to do; 2: the command was used wrongly.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

from transcribe.errors import HandspanError, ParameterError

if TYPE_CHECKING:
    from transcribe.riff import Instrument, Note, Riff

__all__ = ["main"]

_DEMO_TAKE = "mooring"
_SAME_RIFF = 0.25  # share of right notes under which a take is taken for another riff


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command with ``argv`` (without the program's name); returns the exit code."""
    parser = _parser()
    args = parser.parse_args(argv)
    if args.run is None:
        parser.print_help(sys.stderr)
        return 2
    progress = _Progress(sys.stderr, quiet=args.quiet)
    try:
        code = args.run(args, progress)
    except HandspanError as error:
        from transcribe.revisions import ConflictError

        progress.clear()
        again = "; run the command again" if isinstance(error, ConflictError) else ""
        print(f"handspan: {' '.join(str(error).split())}{again}", file=sys.stderr)
        return 1
    except BrokenPipeError:
        # The reader of stdout went away (such as `| head`): no fault of ours, and nothing to say.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        progress.clear()
        print("handspan: stopped; nothing was changed", file=sys.stderr)
        return 130
    progress.clear()
    return int(code or 0)


class _Progress:
    """Stage and share on stderr, once the work has lasted over a second."""

    def __init__(self, stream: Any, *, quiet: bool) -> None:
        self._stream = stream
        self._quiet = quiet
        self._begun = time.monotonic()
        self._shown = ""
        self._is_terminal = stream.isatty()

    def __call__(self, stage: str, share: float) -> None:
        if self._quiet or time.monotonic() - self._begun < 1.0:
            return
        if self._is_terminal:
            text = f"{stage} {share:4.0%}"
            self._stream.write(f"\r{text:<{len(self._shown)}}")
            self._shown = text
        elif stage != self._shown:
            self._stream.write(f"{stage} ...\n")
            self._shown = stage
        self._stream.flush()

    def clear(self) -> None:
        if self._is_terminal and self._shown:
            self._stream.write("\r" + " " * len(self._shown) + "\r")
            self._stream.flush()
        self._shown = ""

    def say(self, sentence: str) -> None:
        self.clear()
        print(sentence, file=self._stream)


# -- arguments ---------------------------------------------------------------------------------


class _Parser(argparse.ArgumentParser):
    """Says in one line what is wrong with the command, and where the options are told."""

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        self._given = list(sys.argv[1:] if args is None else args)
        return super().parse_known_args(args, namespace)

    def error(self, message: str) -> NoReturn:
        hint = f"{self.prog} --help tells the options"
        for word in getattr(self, "_given", ()):
            if word.startswith("-") and word != "-" and os.path.exists(word):
                hint = f"write ./{word} for the file whose name begins with a dash"
        self.exit(2, f"{self.prog}: {' '.join(message.split())}; {hint}\n")


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(
        prog="handspan",
        description="From a rough recording of a guitar riff to a tab a hand can play.",
        epilog="Each command has its own help: handspan transcribe --help",
    )
    parser.add_argument("--version", action="version", version=_version())
    parser.set_defaults(run=None, quiet=False)
    commands = parser.add_subparsers(title="commands", metavar="COMMAND")

    take = _command(
        commands,
        "transcribe",
        _run_transcribe,
        "turn a recording into a riff document and a tab",
        "handspan transcribe take.m4a -o riffs --capo 2 --format tab,musicxml",
    )
    take.add_argument("take", metavar="TAKE", type=Path, help="sound or video file")
    _output_arguments(take)
    _instrument_arguments(take)
    _solver_arguments(take)
    _rhythm_arguments(take)
    take.add_argument(
        "--max-minutes",
        type=_number(0.05, 600),
        default=30.0,
        metavar="N",
        help="refuse longer recordings (30)",
    )

    finger = _command(
        commands,
        "finger",
        _run_finger,
        "find the fingering and the theory of notes from a file",
        "handspan finger riff.mid --tuning drop-d -o riffs",
    )
    finger.add_argument(
        "notes", metavar="NOTES", type=Path, help="MIDI, MusicXML, text tab, JAMS or riff document"
    )
    _output_arguments(finger)
    _instrument_arguments(finger)
    _solver_arguments(finger)
    _rhythm_arguments(finger)

    again = _command(
        commands,
        "refinger",
        _run_refinger,
        "correct the fingering: pin notes to places and solve the rest again",
        "handspan refinger mooring.riff.json --pin 12=3/7",
    )
    again.add_argument("riff", metavar="RIFF", type=Path, help="riff document")
    again.add_argument(
        "--pin",
        action="append",
        default=[],
        metavar="ID=STRING/FRET",
        help="hold a note at a place; a bar or a phrase on a string: bar:2=4, phrase:A=4, or as it "
        "lies: bar:2; may be given several times",
    )
    again.add_argument(
        "--unpin", action="append", default=[], type=int, metavar="ID", help="let a note go again"
    )
    again.add_argument(
        "--only-here", action="store_true", help="leave the repeats of the phrase as they are"
    )
    again.add_argument(
        "--from-tab",
        type=Path,
        metavar="EDITED.txt",
        help="take the numbers that moved in an edited text tab as pins",
    )
    again.add_argument("--undo", action="store_true", help="take the last correction back")
    again.add_argument("--redo", action="store_true", help="make the last undone correction again")
    again.add_argument("--hand-span", type=_number(60, 400), metavar="MM", help=_SPAN_HELP)
    again.add_argument("--width", type=_width, default=80, metavar="COLUMNS", help=_WIDTH_HELP)
    _json_argument(again)

    theory = _command(
        commands,
        "theory",
        _run_theory,
        "say which mode, why, the chord loop, and ways to play its chords",
        "handspan theory mooring.riff.json",
    )
    theory.add_argument(
        "riff", metavar="RIFF", type=Path, help="riff document, MIDI, MusicXML, tab or recording"
    )
    _json_argument(theory)

    held = _command(
        commands,
        "compare",
        _run_compare,
        "hold a take against a reference: a verdict per note and what to practise",
        "handspan compare take.m4a mooring.riff.json --report report.html",
    )
    held.add_argument("take", metavar="TAKE", type=Path, help="recording or riff document")
    held.add_argument(
        "reference", metavar="REFERENCE", type=Path, help="riff document, text tab, MusicXML, MIDI"
    )
    held.add_argument(
        "--no-progress",
        action="store_true",
        help="do not add this take to NAME.progress.jsonl beside the reference",
    )
    held.add_argument("--report", type=Path, metavar="FILE.html", help="write a page to look at")
    held.add_argument("--width", type=_width, default=80, metavar="COLUMNS", help=_WIDTH_HELP)
    _json_argument(held)

    show = _command(
        commands,
        "show",
        _run_show,
        "print the tab, the notes with their ids, or why a note lies where it does",
        "handspan show mooring.riff.json --why 12",
    )
    show.add_argument(
        "riff", metavar="RIFF", type=Path, help="riff document, MIDI, MusicXML or tab"
    )
    show.add_argument("--notes", action="store_true", help="list every note with its id and place")
    show.add_argument("--why", type=int, metavar="ID", help="why this note lies where it does")
    show.add_argument("--alternative", type=int, metavar="N", help="show the N-th other fingering")
    show.add_argument("--width", type=_width, default=80, metavar="COLUMNS", help=_WIDTH_HELP)
    show.add_argument("--repeats", action="store_true", help=_REPEATS_HELP)
    _json_argument(show)

    page = _command(
        commands,
        "page",
        _run_page,
        "open a folder of riffs in the browser, on this machine alone",
        "handspan page riffs",
    )
    page.add_argument(
        "folder", nargs="?", type=Path, default=Path(), metavar="FOLDER", help="the riffs (here)"
    )
    page.add_argument("--port", type=int, default=0, metavar="N", help="a fixed port (any free)")
    page.add_argument("--no-browser", action="store_true", help="only print the address")

    demo = _command(
        commands,
        "demo",
        _run_demo,
        "do the whole job on a recording that ships with the project",
        "handspan demo",
    )
    demo.add_argument("name", nargs="?", default=_DEMO_TAKE, metavar="NAME", help="which recording")
    demo.add_argument(
        "-o", "--output", type=Path, default=Path("handspan-demo"), metavar="DIR", help="folder"
    )
    _json_argument(demo)
    return parser


_SPAN_HELP = "widest comfortable stretch between first and fourth finger, in millimetres"
_WIDTH_HELP = "columns of the tab (80)"
_REPEATS_HELP = "write bars that are played again at once only once"


def _command(
    commands: Any, name: str, run: Any, summary: str, example: str
) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = commands.add_parser(
        name,
        help=summary,
        description=summary[0].upper() + summary[1:] + ".",
        epilog=f"example: {example}",
    )
    parser.set_defaults(run=run)
    parser.add_argument("--quiet", action="store_true", help="no progress on stderr")
    return parser


def _json_argument(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="print JSON for other programs")


def _output_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "-o", "--output", type=Path, metavar="DIR", help="folder for the files (the input's own)"
    )
    parser.add_argument(
        "--format",
        type=_formats,
        default=("tab",),
        metavar="LIST",
        help="files beside the riff document: tab,musicxml,midi,jams (tab)",
    )
    parser.add_argument("--width", type=_width, default=80, metavar="COLUMNS", help=_WIDTH_HELP)
    parser.add_argument("--repeats", action="store_true", help=_REPEATS_HELP)
    _json_argument(parser)


def _instrument_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--tuning", metavar="NAME|E4,B3,...", help="a tuning's name, or the strings from string 1"
    )
    parser.add_argument("--capo", type=int, metavar="N", help="fret of the capo (0)")
    parser.add_argument("--frets", type=int, metavar="N", help="frets on the neck (22)")
    parser.add_argument("--scale-length", type=float, metavar="MM", help="nut to saddle (648)")


def _solver_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--hand-span", type=_number(60, 400), metavar="MM", help=_SPAN_HELP)
    parser.add_argument(
        "--drone",
        type=_drone,
        default="auto",
        metavar="auto|off|STRING",
        help="find the drone string, rule it out, or name it (auto)",
    )


def _rhythm_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--bpm", type=_number(20, 400), metavar="X", help="beats in a minute")
    parser.add_argument("--meter", type=_meter, metavar="3/4", help="beats in a bar")
    parser.add_argument(
        "--first-beat", type=_number(0, 1e5), metavar="SEC", help="where bar 1 begins"
    )


def _number(low: float, high: float) -> Any:
    def parse(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            raise argparse.ArgumentTypeError(f"{text!r} is not a number") from None
        if not low <= value <= high:
            raise argparse.ArgumentTypeError(f"{text} is not within {low:g} to {high:g}")
        return value

    return parse


def _width(text: str) -> int:
    if not text.isdigit() or not 30 <= int(text) <= 1000:
        raise argparse.ArgumentTypeError(f"{text!r} is not a width of 30 to 1000 columns")
    return int(text)


def _formats(text: str) -> tuple[str, ...]:
    known = ("tab", "musicxml", "midi", "jams")
    parts = tuple(dict.fromkeys(part.strip().lower() for part in text.split(",") if part.strip()))
    for part in parts:
        if part not in known:
            raise argparse.ArgumentTypeError(f"no format is called {part!r}; {', '.join(known)}")
    return parts


def _drone(text: str) -> str | int:
    if text in ("auto", "off"):
        return text
    if text.isdigit() and 1 <= int(text) <= 12:
        return int(text)
    raise argparse.ArgumentTypeError(f"{text!r} is not auto, off or the number of a string")


def _meter(text: str) -> tuple[int, int]:
    upper, _, lower = text.partition("/")
    if upper.isdigit() and lower in ("2", "4", "8", "16") and 1 <= int(upper) <= 32:
        return int(upper), int(lower)
    raise argparse.ArgumentTypeError(f"{text!r} is not a meter such as 4/4 or 6/8")


# -- commands ----------------------------------------------------------------------------------


def _instrument(args: argparse.Namespace) -> Instrument | None:
    """The instrument that the arguments name; None where they say nothing of it."""
    if (args.tuning, args.capo, args.frets, args.scale_length) == (None,) * 4:
        return None
    from transcribe.instrument import make_instrument

    return make_instrument(
        args.tuning or "standard",
        capo=args.capo or 0,
        frets=args.frets,
        scale_length_mm=args.scale_length,
    )


def _hand(span_mm: float | None) -> Any:
    from transcribe.fingering import Hand

    return Hand() if span_mm is None else Hand(span_mm=span_mm)


def _run_transcribe(args: argparse.Namespace, progress: _Progress) -> int:
    from transcribe import pipeline, shelf
    from transcribe.revisions import read_revision

    name = shelf.riff_name(args.take)
    folder = args.output if args.output is not None else args.take.parent
    document = folder / f"{name}{shelf.RIFF_SUFFIX}"
    # An unreadable old document is refused before the work, not after it.
    old, revision = read_revision(document.resolve()) if document.exists() else (None, None)
    riff = pipeline.transcribe(
        args.take,
        instrument=_instrument(args),
        hand=_hand(args.hand_span),
        drone=args.drone,
        bpm=args.bpm,
        meter=args.meter,
        first_beat_sec=args.first_beat,
        max_sec=60 * args.max_minutes,
        progress=progress,
    )
    if old is not None and (old.history or any(note.pinned for note in old.notes)):
        pins, lost = shelf.carry_pins(old, riff.notes)
        kept = shelf.keep_old(document)
        progress.say(
            f"{document} held corrections: {len(pins)} pins carried over"
            + (f", {len(lost)} fit no note any more" if lost else "")
            + f"; the old document is kept as {kept}"
        )
        if pins:
            riff = pipeline.finger(
                riff, hand=_hand(args.hand_span), drone=args.drone, pins=pins, progress=progress
            )
    elif old is not None and _other_recording(old, riff):
        # Phones give many recordings the same name.
        kept = shelf.keep_old(document)
        progress.say(f"{document} was made from another recording and is kept as {kept}")
    files = shelf.save(
        riff,
        folder,
        name,
        formats=args.format,
        width=args.width,
        repeats=args.repeats,
        say=progress.say,
        expected=revision,
    )
    _print_riff(riff, args)
    _print_files(files, args, progress)
    return 0


def _other_recording(old: Riff, new: Riff) -> bool:
    if old.source is None or new.source is None or old.source.sha256 is None:
        return False
    return old.source.sha256 != new.source.sha256


def _run_finger(args: argparse.Namespace, progress: _Progress) -> int:
    from transcribe import pipeline, shelf
    from transcribe.formats import read_any

    given = read_any(args.notes)
    riff = pipeline.finger(
        given,
        instrument=_instrument(args),
        hand=_hand(args.hand_span),
        drone=args.drone,
        bpm=args.bpm,
        meter=args.meter,
        first_beat_sec=args.first_beat,
        progress=progress,
    )
    name = shelf.riff_name(args.notes)
    folder = args.output if args.output is not None else args.notes.parent
    files = shelf.save(
        riff,
        folder,
        name,
        formats=args.format,
        width=args.width,
        repeats=args.repeats,
        say=progress.say,
    )
    _print_riff(riff, args)
    moved = [n for n in given.notes if n.string is not None and _has_moved(n, riff)]
    if moved:
        progress.say(
            f"{len(moved)} notes lie elsewhere than {args.notes.name} has them; "
            f"to hold one there, handspan refinger {files[0]} --pin ID=STRING/FRET"
        )
    _print_files(files, args, progress)
    return 0


def _run_theory(args: argparse.Namespace, progress: _Progress) -> int:
    from transcribe import pipeline

    report = pipeline.theory_report(pipeline.describe(args.riff, progress=progress))
    progress.clear()
    print(json.dumps(report.as_document(), ensure_ascii=False) if args.json else report.text())
    return 0


def _run_refinger(args: argparse.Namespace, progress: _Progress) -> int:
    from transcribe import edits, fingering, shelf
    from transcribe.revisions import read_revision
    from transcribe.targets import places_of

    old, revision = read_revision(args.riff.resolve())
    riff = old
    repeats = not args.only_here
    if args.undo and args.redo:
        raise ParameterError("--undo and --redo cancel each other; give one of them")
    if args.undo:
        riff = edits.undo(riff)
    if args.redo:
        riff = edits.redo(riff)
    if args.unpin:
        riff = fingering.unpin(riff, args.unpin, repeats=repeats)
    pins: dict[int, tuple[int, int]] = {}
    for text in args.pin:
        pins |= places_of(riff, text)
    if args.from_tab is not None:
        from transcribe.formats.tab_text import read_tab

        pins |= fingering.pins_from_tab(riff, read_tab(args.from_tab))
    if pins:
        riff = fingering.pin(riff, pins, repeats=repeats)
    if args.hand_span is not None:
        riff = fingering.refinger(riff, hand=_hand(args.hand_span))
    name = shelf.riff_name(args.riff)
    files = shelf.save(
        riff,
        args.riff.parent,
        name,
        formats=("tab",),
        width=args.width,
        say=progress.say,
        expected=revision,
    )
    if args.json:
        _print_riff(riff, args)
        return 0
    moved = _moves(old, riff)
    placed = {note.id for note in old.notes if note.string is not None}
    lost = [note.id for note in riff.notes if note.string is None and note.id in placed]
    if lost:
        progress.say(
            f"no string is left for note {', '.join(map(str, lost))}; --undo takes this back"
        )
    _print_riff(riff, args)
    print()
    print("\n".join(moved) if moved else "no note moved")
    _print_files(files, args, progress)
    return 0


def _has_moved(note: Note, riff: Riff) -> bool:
    now = riff.note(note.id)
    return (now.string, now.fret) != (note.string, note.fret)


def _moves(old: Riff, new: Riff) -> list[str]:
    """One line per note that lies elsewhere than before."""
    before = {note.id: note for note in old.notes}
    lines = []
    for note in new.notes:
        was = before.get(note.id)
        if was is not None and (was.string, was.fret) != (note.string, note.fret):
            pinned = " (pinned)" if note.pinned else ""
            lines.append(f"note {note.id}: {_place(was)} -> {_place(note)}{pinned}")
    return lines


def _place(note: Any) -> str:
    return "nowhere" if note.string is None else f"string {note.string} fret {note.fret}"


def _run_compare(args: argparse.Namespace, progress: _Progress) -> int:
    from transcribe import pipeline
    from transcribe.compare import progress as diary
    from transcribe.compare import report
    from transcribe.formats.document import write_atomically

    comparison = pipeline.compare(args.take, args.reference, progress=progress)
    kept = diary.progress_path(args.reference)
    previous = None
    # A take of something else would make the next one look like progress.
    if not args.no_progress and comparison.summary.right_share >= _SAME_RIFF:
        previous = diary.append(kept, diary.entry_of(comparison))
    progress.clear()
    if args.report is not None:
        replaced = args.report.exists()
        history = () if previous is None else diary.read(kept)[:-1]
        page = report.html(comparison, history=history)
        write_atomically(args.report, page.encode("utf-8"))
        progress.say(f"{args.report} is {'replaced' if replaced else 'written'}")
    if args.json:
        print(json.dumps(comparison.as_json(), ensure_ascii=False))
    else:
        print(report.text(comparison, width=args.width, previous=previous))
    return 0


def _run_show(args: argparse.Namespace, progress: _Progress) -> int:
    import dataclasses

    from transcribe.formats import read_any
    from transcribe.instrument import pitch_name

    riff = read_any(args.riff)
    if args.alternative is not None:
        if not 1 <= args.alternative <= len(riff.alternatives):
            raise ParameterError(
                f"{args.riff} has {len(riff.alternatives)} other fingerings, "
                f"there is no number {args.alternative}"
            )
        other = riff.alternatives[args.alternative - 1]
        notes = []
        for note in riff.notes:
            string, fret = other.positions.get(note.id, (note.string, note.fret))
            notes.append(dataclasses.replace(note, string=string, fret=fret, finger=None))
        riff = dataclasses.replace(riff, notes=tuple(notes))
    if args.why is not None:
        from transcribe import fingering

        print(fingering.explain(riff, args.why))
        return 0
    if args.notes and not args.json:
        print(f"{'id':>4} {'bar':>4} {'beat':>6} {'seconds':>8} {'pitch':>5}  place")
        beats = riff.rhythm.meter[0] if riff.rhythm else 4
        for note in riff.notes:
            bar = beat = ""
            if note.onset_beat is not None:
                bar = str(int(note.onset_beat // beats) + 1)
                beat = f"{note.onset_beat % beats + 1:.2f}"
            marks = "" if note.articulation == "picked" else f"  {note.articulation}"
            marks += "  pinned" if note.pinned else ""
            print(
                f"{note.id:>4} {bar:>4} {beat:>6} {note.onset_sec:8.2f} "
                f"{pitch_name(note.pitch_midi):>5}  {_place(note)}{marks}"
            )
        return 0
    _print_riff(riff, args)
    return 0


def _run_demo(args: argparse.Namespace, progress: _Progress) -> int:
    takes = Path(__file__).resolve().parent.parent / "fixtures" / "takes"
    names = sorted(path.name for path in takes.iterdir()) if takes.is_dir() else []
    if args.name not in names:
        raise ParameterError(
            f"no recording called {args.name!r} ships here; "
            + (f"there are {', '.join(names)}" if names else "run the demo from a source checkout")
        )
    take = next(
        path
        for path in sorted((takes / args.name).iterdir())
        if path.suffix in (".flac", ".ogg", ".wav", ".mp3", ".m4a")
    )
    truth = takes / args.name / "truth.riff.json"
    capo = 0
    if truth.exists():
        from transcribe.formats.document import read_riff

        capo = read_riff(truth).instrument.capo
    progress.say(f"handspan transcribe {take}" + (f" --capo {capo}" if capo else ""))
    command = ["transcribe", str(take), "-o", str(args.output), "--format", "tab,musicxml,midi"]
    command += ["--capo", str(capo)] if capo else []
    command += ["--json"] if args.json else []
    made = _parser().parse_args(command)
    code = _run_transcribe(made, progress)
    if not args.json:
        print()
        made = _parser().parse_args(["theory", str(args.output / f"{take.stem}.riff.json")])
        code = code or _run_theory(made, progress)
    return code


def _run_page(args: argparse.Namespace, progress: _Progress) -> int:
    from transcribe.page import serve

    if not args.folder.is_dir():
        raise ParameterError(f"{args.folder} is not a folder; name the folder that holds the riffs")
    if not 0 <= args.port <= 65535:
        raise ParameterError(f"a port is 0 to 65535, not {args.port}")
    serve(args.folder, port=args.port, open_browser=not args.no_browser)
    return 0


# -- printing ----------------------------------------------------------------------------------


def _print_riff(riff: Riff, args: argparse.Namespace) -> None:
    if args.json:
        from transcribe.formats.document import to_json

        print(json.dumps(to_json(riff), ensure_ascii=False))
        return
    from transcribe.formats.tab_text import write_tab

    width, repeats = getattr(args, "width", 80), getattr(args, "repeats", False)
    print(write_tab(riff, width=width, repeats=repeats).rstrip("\n"))
    for key in ("warnings", "unmet", "cautions"):
        for sentence in riff.extra.get(key, ()):
            print(f"{'! ' if key != 'cautions' else 'take care: '}{sentence}")


def _print_files(files: Sequence[Path], args: argparse.Namespace, progress: _Progress) -> None:
    progress.clear()
    stream = sys.stderr if args.json else sys.stdout
    print("written: " + ", ".join(str(path) for path in files), file=stream)


def _version() -> str:
    from importlib.metadata import PackageNotFoundError, version

    try:
        return f"handspan {version('handspan')}"
    except PackageNotFoundError:
        return "handspan (not installed)"


if __name__ == "__main__":
    sys.exit(main())
