"""Every command, its options, and what runs it."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path
from typing import Any, NoReturn

from transcribe.command.inputs import STANDARD_INPUT
from transcribe.library.shipped import FIRST

__all__ = ["make_parser"]


class _Parser(argparse.ArgumentParser):
    """Says in one line what is wrong with the command, and where the options are listed."""

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        self._given = list(sys.argv[1:] if args is None else args)
        return super().parse_known_args(args, namespace)

    def error(self, message: str) -> NoReturn:
        hint = f"{self.prog} --help tells the options"
        for word in getattr(self, "_given", ()):
            if word.startswith("-") and word != "-" and os.path.exists(word):
                hint = f"write ./{word} for the file whose name begins with a dash"
        self.exit(2, f"{self.prog}: {' '.join(message.split())}; {hint}\n")


def make_parser() -> argparse.ArgumentParser:
    """The parser of the whole command; what it parses names in ``run`` what does the work."""
    parser = _Parser(
        prog="handspan",
        description="From a rough recording of a guitar riff to a tab a hand can play.",
        epilog="Each command has its own help: handspan transcribe --help",
    )
    parser.add_argument("--version", action="version", version=_version())
    parser.set_defaults(run=None, quiet=False)
    commands = parser.add_subparsers(title="commands", metavar="COMMAND")
    _add_transcribe(commands)
    _add_finger(commands)
    _add_refinger(commands)
    _add_theory(commands)
    _add_compare(commands)
    _add_lesson(commands)
    _add_show(commands)
    _add_practise(commands)
    _add_handout(commands)
    _add_page(commands)
    _add_demo(commands)
    return parser


def _add_transcribe(commands: Any) -> None:
    take = _command(
        commands,
        "transcribe",
        "new_riff:transcribe",
        "turn a recording into a riff document and a tab",
        "handspan transcribe take.m4a -o riffs --capo 2 --format tab,musicxml",
    )
    _input_argument(take, "take", "TAKE", "sound or video file")
    _output_arguments(take)
    _instrument_arguments(take)
    _solver_arguments(take)
    _rhythm_arguments(take)
    take.add_argument(
        "--keep-echo",
        action=argparse.BooleanOptionalAction,
        help="write the copies that an echo makes as notes (they are left out)",
    )
    take.add_argument(
        "--max-minutes",
        type=_number(0.05, 600),
        default=30.0,
        metavar="N",
        help="refuse longer recordings (30)",
    )


def _add_finger(commands: Any) -> None:
    finger = _command(
        commands,
        "finger",
        "new_riff:finger",
        "find the fingering and the theory of notes from a file",
        "handspan finger riff.mid --tuning drop-d -o riffs",
    )
    _input_argument(
        finger, "notes", "NOTES", "MIDI, MusicXML, text tab, ABC, Humdrum, JAMS or riff document"
    )
    _part_argument(finger)
    finger.add_argument(
        "--anew",
        action="store_true",
        help="find every place again, also those that a tab or a score has",
    )
    _output_arguments(finger)
    _instrument_arguments(finger)
    _solver_arguments(finger)
    _rhythm_arguments(finger)


def _add_refinger(commands: Any) -> None:
    again = _command(
        commands,
        "refinger",
        "correct:refinger",
        "correct a riff: pin notes to places, another drone, tuning or tempo; the rest is solved "
        "again",
        "handspan refinger mooring.riff.json --pin 12=3/7",
    )
    again.add_argument("riff", metavar="RIFF", type=Path, help="riff document")
    again.add_argument(
        "--pin",
        action="append",
        default=[],
        metavar="ID=STRING/FRET",
        help="hold a note at a place; several, a bar or a phrase on a string: 12,13=4, bar:2=4, "
        "phrase:A=4, or as it lies: bar:2; may be given several times",
    )
    again.add_argument(
        "--unpin",
        action="append",
        default=[],
        metavar="ID",
        help="let a note go again, or those of bar:2, of phrase:A, or all",
    )
    again.add_argument(
        "--delete",
        action="append",
        default=[],
        metavar="ID",
        help="take out a note that was not played, such as an overtone, or several, or all of "
        "bar:2, of phrase:A, or all that are unsure",
    )
    again.add_argument(
        "--confirm",
        action="append",
        default=[],
        metavar="ID",
        help="an unsure note was played: it counts as sure from now on; or all of bar:2, of "
        "phrase:A, or all that are unsure",
    )
    for option, metavar, words in (
        (
            "--add",
            "MOMENT=PITCH",
            "add a note that is missing: 3:2.5=E4 (bar 3, beat 2 and a half) "
            "or 3:2.5=4/7 (string 4 fret 7)",
        ),
        ("--pitch", "ID=PITCH", "give a note another pitch: 12=E4"),
        ("--move", "ID=MOMENT", "put a note elsewhere in time: 12=3:2.5"),
        (
            "--split",
            "ID[=MOMENT]",
            "strike a note twice, the second time in its middle or at a moment inside it",
        ),
        ("--merge", "ID,ID", "make one note of several"),
        (
            "--technique",
            "ID=NAME",
            "how a note is played: picked, hammer-on, pull-off, slide, bend, "
            "vibrato, harmonic or dead; several at once: 12,13=slide, bar:2=vibrato (which "
            "leaves the slurs and bends of the bar)",
        ),
    ):
        again.add_argument(
            option,
            action="append",
            default=[],
            metavar=metavar,
            help=f"{words}; may be given several times",
        )
    again.add_argument(
        "--take",
        type=int,
        metavar="N",
        help="finger the riff like its N-th other fingering, pins kept (handspan show RIFF "
        "--alternative N shows it); 0 goes back",
    )
    _ask_argument(again)
    again.add_argument(
        "--withdraw",
        type=_request_numbers,
        metavar="N|all",
        help="no longer ask for the N-th of what was asked, or for all of it",
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
    tempo = again.add_mutually_exclusive_group()
    tempo.add_argument(
        "--half-time",
        action="store_true",
        help="the beat is felt half as fast: eighths become sixteenths",
    )
    tempo.add_argument(
        "--double-time",
        action="store_true",
        help="the beat is felt twice as fast: eighths become quarters",
    )
    _rhythm_arguments(again, bpm_in=tempo)
    again.add_argument(
        "--drone",
        type=_drone,
        metavar="auto|off|STRING",
        help="look for the drone string again, rule it out, or name it (as it was)",
    )
    _instrument_arguments(again, kept=True)
    again.add_argument("--undo", action="store_true", help="take the last correction back")
    again.add_argument("--redo", action="store_true", help="make the last undone correction again")
    again.add_argument("--hand-span", type=_number(60, 400), metavar="MM", help=_SPAN_HELP)
    again.add_argument(
        "--width", type=_width, metavar="COLUMNS", help="columns of the tab (as it was, or 80)"
    )
    _fingers_argument(again)
    _json_argument(again)


def _add_theory(commands: Any) -> None:
    theory = _command(
        commands,
        "theory",
        "show:theory",
        "say which mode, why, the chord loop, and ways to play its chords",
        "handspan theory mooring.riff.json",
    )
    _input_argument(theory, "riff", "RIFF", "riff document, MIDI, MusicXML, ABC, tab or recording")
    theory.add_argument(
        "--long",
        action="store_true",
        help="also every degree, rival and chord, the scale on the neck, easier and heavier shapes",
    )
    theory.add_argument(
        "--left-handed",
        action="store_true",
        help="pictures as a left-handed player sees the neck: low string and nut on the right",
    )
    _part_argument(theory)
    _json_argument(theory)


def _add_compare(commands: Any) -> None:
    held = _command(
        commands,
        "compare",
        "show:compare",
        "hold a take against a reference: a verdict per note and what to practise",
        "handspan compare take.m4a mooring.riff.json --report report.html",
    )
    held.add_argument(
        "take", metavar="TAKE", type=Path, help="recording or riff document; - for standard input"
    )
    held.add_argument(
        "reference",
        metavar="REFERENCE",
        type=Path,
        help="riff document, text tab, MusicXML, MIDI, ABC; - for standard input",
    )
    _part_argument(held)
    held.add_argument(
        "--no-progress",
        action="store_true",
        help="do not add this take to NAME.progress.jsonl beside the reference",
    )
    held.add_argument("--report", type=Path, metavar="FILE.html", help="write a page to look at")
    held.add_argument("--width", type=_width, default=80, metavar="COLUMNS", help=_WIDTH_HELP)
    _json_argument(held)


def _add_lesson(commands: Any) -> None:
    lesson = _command(
        commands,
        "lesson",
        "teach:lesson",
        "split a recorded lesson into its parts, or look at a lesson and change it",
        "handspan lesson session.m4a -o ferry --title 'The ferry' --call A=intro",
    )
    lesson.add_argument(
        "source",
        metavar="SESSION|LESSON",
        type=Path,
        help="recording of a lesson, with talk between the parts; or NAME.lesson.json",
    )
    lesson.add_argument("--title", metavar="TEXT", help="title of the lesson (as the file)")
    for option, metavar, words in (
        ("--call", "PART=NAME", "name a part, such as A=intro"),
        ("--note", "PART=TEXT", "what you say of a part"),
        ("--bars", "PART=1-4|all", "the bars of a part that are shown"),
        ("--start", "PART=BPM|off", "the tempo to start a part from"),
        ("--playing", "PART=N", "take the N-th playing of a part for its tab"),
        ("--cut", "PART=BAR", "cut a part in two where that bar begins"),
        ("--join", "PART,PART", "make one part of two that follow each other"),
        ("--drop", "PART", "leave a part out; its files stay"),
        ("--add", "RIFF", "add a riff document of the lesson's folder as a part"),
    ):
        several = f"{words}; may be given several times"
        lesson.add_argument(option, action="append", default=[], metavar=metavar, help=several)
    lesson.add_argument("--order", metavar="PART,...", help="teaching order: these parts first")
    lesson.add_argument(
        "--form", metavar="TEXT", help="how the piece goes, such as 'intro, main x2, verse, main'"
    )
    lesson.add_argument(
        "--theory",
        action="store_true",
        help="the mode and the chords of the whole piece, what each part says for them, which bars "
        "do not fit, and ways to play the chords",
    )
    lesson.add_argument(
        "--left-handed",
        action="store_true",
        help="chord pictures as a left-handed player sees the neck",
    )
    lesson.add_argument(
        "--handout", action="store_true", help="write NAME.handout.html for students, too"
    )
    _output_arguments(lesson, of_riffs=False)
    _instrument_arguments(lesson)
    lesson.add_argument("--hand-span", type=_number(60, 400), metavar="MM", help=_SPAN_HELP)
    _drone_argument(lesson)
    lesson.add_argument(
        "--max-minutes",
        type=_number(0.05, 600),
        default=60.0,
        metavar="N",
        help="refuse longer sessions (60)",
    )


def _add_show(commands: Any) -> None:
    show = _command(
        commands,
        "show",
        "show:show",
        "print the tab, the notes with their ids, or why a note lies where it does",
        "handspan show mooring.riff.json --why 12",
    )
    show.add_argument(
        "riff",
        metavar="RIFF",
        type=Path,
        help="riff document, MIDI, MusicXML, ABC or tab; - for standard input",
    )
    _part_argument(show)
    show.add_argument("--notes", action="store_true", help="list every note with its id and place")
    show.add_argument("--why", type=int, metavar="ID", help="why this note lies where it does")
    show.add_argument(
        "--alternative",
        type=int,
        nargs="?",
        const=0,
        metavar="N",
        help="show the N-th other fingering; without a number list them all with what they cost",
    )
    show.add_argument("--width", type=_width, default=80, metavar="COLUMNS", help=_WIDTH_HELP)
    show.add_argument("--repeats", action=argparse.BooleanOptionalAction, help=_REPEATS_HELP)
    _fingers_argument(show)
    _json_argument(show)


def _add_practise(commands: Any) -> None:
    practise = _command(
        commands,
        "practise",
        "practise:practise",
        "write sound to practise with: slowly, time and again, with count-in and click",
        "handspan practise mooring.riff.json --bars 3-4 --speed 60,75,90,100 --in-one",
    )
    practise.add_argument(
        "riff",
        metavar="RIFF|LESSON",
        type=Path,
        help="riff document, MIDI, MusicXML, ABC, tab, or lesson document (all its parts)",
    )
    practise.add_argument(
        "--part", metavar="NAME", help="of a lesson, only the part of this name or label"
    )
    practise.add_argument(
        "--play",
        type=_voices,
        default=("tab",),
        metavar="LIST",
        help="tab (on synthesised strings), take (the recording, slowed at its own pitch), drone, "
        "chords (the loop); a file for each (tab)",
    )
    practise.add_argument(
        "--speed",
        type=_percents,
        metavar="LIST",
        help="in percent of the tempo; a file for each (60,75,90,100; of a lesson the tempi that "
        "its handout names)",
    )
    practise.add_argument(
        "--in-one", action="store_true", help="one file that goes through the speeds in turn"
    )
    stretch = practise.add_mutually_exclusive_group()
    stretch.add_argument("--bars", type=_bars, metavar="3-4", help="only these bars (all)")
    stretch.add_argument("--phrase", metavar="A", help="only this phrase")
    practise.add_argument(
        "--times",
        type=_times,
        default=4,
        metavar="N",
        help="how often it is played at each speed (4)",
    )
    practise.add_argument("--no-click", action="store_true", help="no click on the beats")
    practise.add_argument("--no-count-in", action="store_true", help="no bar counted in")
    practise.add_argument(
        "--take", type=Path, metavar="FILE", help="the recording (the one that the riff names)"
    )
    practise.add_argument(
        "--format",
        choices=("ogg", "mp3", "flac", "wav"),
        default="ogg",
        help="kind of sound file (ogg)",
    )
    practise.add_argument(
        "-o", "--output", type=Path, metavar="DIR", help="folder (NAME.practice beside the riff)"
    )
    _json_argument(practise)


def _add_handout(commands: Any) -> None:
    handout = _command(
        commands,
        "handout",
        "practise:handout",
        "write a lesson or a riff as one file for students: HTML to read, hear and print, or PDF",
        "handspan handout harbour.lesson.json --pdf",
    )
    handout.add_argument(
        "source",
        metavar="LESSON|RIFF",
        type=Path,
        help="lesson document, riff document, MIDI, MusicXML, ABC or tab",
    )
    handout.add_argument(
        "-o",
        "--output",
        type=Path,
        metavar="FILE",
        help="the file (NAME.handout.html beside the source); one that ends in .pdf is a PDF",
    )
    handout.add_argument(
        "--pdf", action="store_true", help="write NAME.handout.pdf; needs handspan[pdf]"
    )
    handout.add_argument("--paper", choices=("a4", "letter"), help="what the PDF is for (a4)")
    handout.add_argument(
        "--fingers", action="store_true", help="write the fretting finger beside each note"
    )
    handout.add_argument(
        "--takes",
        action="store_true",
        help="with the verdicts on the last take that the page has checked, for whoever played it",
    )
    handout.add_argument("--title", default="", help="what stands over it (the lesson's own title)")
    _json_argument(handout)


def _add_page(commands: Any) -> None:
    page = _command(
        commands,
        "page",
        "show:page",
        "open a folder of riffs in the browser, on this machine alone",
        "handspan page riffs",
    )
    page.add_argument(
        "folder", nargs="?", type=Path, default=Path(), metavar="FOLDER", help="the riffs (here)"
    )
    page.add_argument("--port", type=int, default=0, metavar="N", help="a fixed port (any free)")
    page.add_argument("--no-browser", action="store_true", help="only print the address")


def _add_demo(commands: Any) -> None:
    demo = _command(
        commands,
        "demo",
        "new_riff:demo",
        "do the whole job on a recording that ships with the project",
        "handspan demo",
    )
    demo.add_argument("name", nargs="?", default=FIRST, metavar="NAME", help="which recording")
    demo.add_argument(
        "-o", "--output", type=Path, default=Path("handspan-demo"), metavar="DIR", help="folder"
    )
    _json_argument(demo)


_SPAN_HELP = "widest comfortable stretch between first and fourth finger, in millimetres"
_WIDTH_HELP = "columns of the tab (80)"
_REPEATS_HELP = "write bars that come again at once only once (where the file had repeats)"


def _command(
    commands: Any, name: str, run: str, summary: str, example: str
) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = commands.add_parser(
        name,
        help=summary,
        description=summary[0].upper() + summary[1:] + ".",
        epilog=f"example: {example}",
    )
    parser.set_defaults(run=f"transcribe.command.{run}")
    parser.add_argument("--quiet", action="store_true", help="no progress on stderr")
    return parser


def _json_argument(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="print JSON for other programs")


def _input_argument(parser: argparse.ArgumentParser, name: str, metavar: str, what: str) -> None:
    """One file or several, which are done in processes of their own."""
    parser.add_argument(
        name,
        metavar=metavar,
        type=Path,
        nargs="+",
        help=f"{what}; - for standard input; several, or a folder, with a line for each",
    )
    parser.add_argument(
        "--jobs",
        type=_count,
        metavar="N",
        help="of several files, how many are done at once (one for each core)",
    )


def _output_arguments(parser: argparse.ArgumentParser, *, of_riffs: bool = True) -> None:
    """Where files go and how they are written; how a tab looks, for commands ``of_riffs``."""
    parser.add_argument(
        "-o", "--output", type=Path, metavar="DIR", help="folder for the files (the input's own)"
    )
    parser.add_argument(
        "--name",
        type=_file_name,
        help=f"what the files are called (like the input; from standard input {STANDARD_INPUT})",
    )
    parser.add_argument(
        "--format",
        type=_formats,
        default=("tab",),
        metavar="LIST",
        help="files beside the riff document: tab,musicxml,midi,jams (tab)",
    )
    if of_riffs:
        parser.add_argument("--width", type=_width, default=80, metavar="COLUMNS", help=_WIDTH_HELP)
        parser.add_argument("--repeats", action=argparse.BooleanOptionalAction, help=_REPEATS_HELP)
        _fingers_argument(parser)
    _json_argument(parser)


def _instrument_arguments(parser: argparse.ArgumentParser, *, kept: bool = False) -> None:
    """What the riff is played on; with ``kept`` it is as the riff says where it is not given."""
    capo, frets, scale = ("as it was",) * 3 if kept else ("0", "22", "648")
    parser.add_argument(
        "--tuning", metavar="NAME|E4,B3,...", help="a tuning's name, or the strings from string 1"
    )
    parser.add_argument("--capo", type=int, metavar="N", help=f"fret of the capo ({capo})")
    parser.add_argument("--frets", type=int, metavar="N", help=f"frets on the neck ({frets})")
    parser.add_argument("--scale-length", type=float, metavar="MM", help=f"nut to saddle ({scale})")


def _solver_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--hand-span", type=_number(60, 400), metavar="MM", help=_SPAN_HELP)
    _ask_argument(parser)
    _drone_argument(parser)


def _drone_argument(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--drone",
        type=_drone,
        default="auto",
        metavar="auto|off|STRING",
        help="find the drone string, rule it out, or name it (auto)",
    )


def _fingers_argument(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--fingers",
        action="store_true",
        help="a line of fretting fingers in the tab: 1 index to 4 little finger, 0 open",
    )


def _ask_argument(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--ask",
        action="append",
        default=[],
        metavar="WORDS",
        help="what the fingering should be: '7th position', 'no open strings', 'let it ring', "
        "'along string 3', 'highest fret 12', 'three notes a string', of the whole riff or such as "
        "'7th position in bars 3 to 4'; may be given several times",
    )


def _part_argument(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--part",
        metavar="NAME|N",
        help="which part of a score or MIDI file (the one most like a guitar), or which tune of an "
        "ABC file (the first)",
    )


def _rhythm_arguments(parser: argparse.ArgumentParser, *, bpm_in: Any = None) -> None:
    (bpm_in or parser).add_argument(
        "--bpm",
        type=_bpm,
        metavar="X",
        help="beats in a minute, as they are counted: dotted quarters in 6/8",
    )
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


def _count(text: str, most: int = 256) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= most:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of 1 to {most}")
    return int(text)


def _times(text: str) -> int:
    return _count(text, 99)


def _names(text: str, known: tuple[str, ...], refusal: str) -> tuple[str, ...]:
    """The names in ``text``, each once; ``refusal`` is what is said of one that is not known."""
    parts = tuple(dict.fromkeys(part.strip().lower() for part in text.split(",") if part.strip()))
    for part in parts:
        if part not in known:
            raise argparse.ArgumentTypeError(f"{refusal.format(repr(part))}; {', '.join(known)}")
    return parts


def _voices(text: str) -> tuple[str, ...]:
    return _names(text, ("tab", "take", "drone", "chords"), "{} cannot be played")


def _percents(text: str) -> tuple[float, ...]:
    number = _number(25, 200)
    return tuple(number(part.strip().rstrip("%")) / 100 for part in text.split(","))


def _bars(text: str) -> tuple[int, int]:
    first, _, last = text.partition("-")
    if first.isdecimal() and (last or first).isdecimal():
        return int(first), int(last or first)
    raise argparse.ArgumentTypeError(f"{text!r} are no bars such as 3 or 3-4")


def _file_name(text: str) -> str:
    if text != Path(text).name or text.startswith("."):
        raise argparse.ArgumentTypeError(f"{text!r} is not a name without a folder")
    return text


def _bpm(text: str) -> float:
    from transcribe.core.clock import MAX_BPM, MIN_BPM

    bpm: float = _number(MIN_BPM, MAX_BPM)(text)
    return bpm


def _width(text: str) -> int:
    if not text.isdecimal() or not 30 <= int(text) <= 1000:
        raise argparse.ArgumentTypeError(f"{text!r} is not a width of 30 to 1000 columns")
    return int(text)


def _formats(text: str) -> tuple[str, ...]:
    return _names(text, ("tab", "musicxml", "midi", "jams"), "no format is called {}")


def _drone(text: str) -> str | int:
    if text in ("auto", "off"):
        return text
    if text.isdecimal() and 1 <= int(text) <= 12:
        return int(text)
    raise argparse.ArgumentTypeError(f"{text!r} is not auto, off or the number of a string")


def _request_numbers(text: str) -> list[int] | str:
    if text == "all":
        return text
    if text.isdecimal():
        return [int(text)]
    raise argparse.ArgumentTypeError(f"{text!r} is not all or the number of what was asked")


def _meter(text: str) -> tuple[int, int]:
    upper, _, lower = text.partition("/")
    if upper.isdecimal() and lower in ("2", "4", "8", "16") and 1 <= int(upper) <= 32:
        return int(upper), int(lower)
    raise argparse.ArgumentTypeError(f"{text!r} is not a meter such as 4/4 or 6/8")


def _version() -> str:
    from importlib.metadata import PackageNotFoundError, version

    try:
        return f"handspan {version('handspan')}"
    except PackageNotFoundError:
        return "handspan (not installed)"
