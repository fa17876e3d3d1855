"""The ``handspan`` command: parse, call, print.

Results go to stdout, progress and remarks to stderr. Exit code 0: done; 1: the work failed, with
one line that says what to do; 2: the command was used wrongly.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from importlib import import_module

from transcribe.command.arguments import make_parser
from transcribe.command.inputs import standard_input
from transcribe.command.printing import Progress
from transcribe.core.errors import HandspanError

__all__ = ["main"]

# Messages name parameters of the Python verbs; a user of the command knows its options.
_OPTIONS = {
    "first_beat_sec": "--first-beat",
    "max_sec": "--max-minutes",
    "bpm": "--bpm",
    "meter": "--meter",
}


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command with ``argv`` (without the program's name); returns the exit code."""
    parser = make_parser()
    args = parser.parse_args(argv)
    if args.run is None:
        parser.print_help(sys.stderr)
        return 2
    progress = Progress(sys.stderr, quiet=args.quiet)
    module, _, name = args.run.partition(":")
    piped = None
    try:
        with standard_input(args) as piped:
            code = getattr(import_module(module), name)(args, progress)
    except HandspanError as error:
        progress.clear()
        line = _error_line(error)
        line = line if piped is None else line.replace(str(piped), "-")
        print(f"handspan: {line}", file=sys.stderr)
        return 1
    except MemoryError:
        progress.clear()
        print(
            "handspan: there is not enough memory for this take; try a shorter one", file=sys.stderr
        )
        return 1
    except BrokenPipeError:
        # The reader of stdout went away (such as `| head`): no fault of ours, and nothing to say.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        progress.clear()
        print("handspan: stopped; no file is half-written", file=sys.stderr)
        return 130
    progress.clear()
    return int(code or 0)


def _error_line(error: HandspanError) -> str:
    """The error in one line, with the option in the place of the argument that it is about."""
    from transcribe.library.revisions import ConflictError

    text = " ".join(str(error).split())
    if error.parameter in _OPTIONS:
        text = text.replace(error.parameter, _OPTIONS[error.parameter], 1)
    return text + ("; run the command again" if isinstance(error, ConflictError) else "")


if __name__ == "__main__":
    sys.exit(main())
