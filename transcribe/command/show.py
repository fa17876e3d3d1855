"""The commands that leave a riff as it is: look at it, explain it, hold a take against it."""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from transcribe.command.batch import Done, run
from transcribe.command.printing import Progress, place, print_riff
from transcribe.core.errors import FormatError, ParameterError
from transcribe.core.wording import sentence
from transcribe.harmony import theory_report

if TYPE_CHECKING:
    from transcribe.core.riff import Alternative, Riff

__all__ = ["compare", "page", "show", "theory"]


def theory(args: argparse.Namespace, progress: Progress) -> int:
    return run(args.riff, _theory, args, progress)


def _theory(args: argparse.Namespace, path: Path, progress: Progress) -> Done:
    from transcribe import api

    report = theory_report(api.to_explain(path, part=args.part, progress=progress))

    def show() -> None:
        progress.clear()
        words = report.text if args.long else report.summary
        text = words(left_handed=args.left_handed)
        print(json.dumps(report.as_document(), ensure_ascii=False) if args.json else text)

    return Done(show, report.line(), report.as_document)


def compare(args: argparse.Namespace, progress: Progress) -> int:
    from transcribe import api
    from transcribe.core.files import write_atomically
    from transcribe.library import progress as kept_progress
    from transcribe.takes import report
    from transcribe.takes.summary import TakeFigures, figures_of

    if args.report is not None and args.report.is_dir():
        raise ParameterError(
            f"{args.report} is a folder; name the page too: --report {args.report / 'report.html'}"
        )
    comparison = api.compare(args.take, args.reference, part=args.part, progress=progress)
    earlier: tuple[TakeFigures, ...] = ()
    if not args.no_progress:
        try:
            kept = kept_progress.progress_path(args.reference)
            earlier = kept_progress.append(kept, figures_of(comparison))
        except FormatError as error:
            progress.say(f"{error}; until then it is left as it is and this take is not added")
    progress.clear()
    if args.report is not None:
        replaced = args.report.exists()
        page = report.html(comparison, history=earlier)
        write_atomically(args.report, page.encode("utf-8"))
        progress.say(f"{args.report} is {'replaced' if replaced else 'written'}")
    if args.json:
        print(json.dumps(report.as_json(comparison), ensure_ascii=False))
    else:
        previous = earlier[-1] if earlier else None
        print(report.text(comparison, width=args.width, previous=previous))
    return 0


def show(args: argparse.Namespace, progress: Progress) -> int:
    from transcribe import api
    from transcribe.core.key import note_names
    from transcribe.core.pitch import pitch_name

    riff = api.to_show(args.riff, part=args.part)
    if args.alternative is not None:
        others = [_told(k, other, note_names(riff)) for k, other in enumerate(riff.alternatives, 1)]
        if args.alternative == 0 and not args.json:
            none = "There is no other fingering that differs enough to be worth a look."
            own = [other.cost - other.why.facts["more"] for other in riff.alternatives if other.why]
            print(f"As it is: cost {own[0]:.1f}" if own else none)
            print("\n".join(others))
            return 0
        if not 1 <= args.alternative <= len(others):
            raise ParameterError(
                f"{args.riff} has {len(others)} other fingerings, "
                f"there is no number {args.alternative}"
            )
        if not args.json:
            print(f"Other fingering {others[args.alternative - 1]}\n")
        riff = _fingered_like(riff, riff.alternatives[args.alternative - 1])
    if args.why is not None:
        from transcribe import fingering

        print(sentence(fingering.explain(riff, args.why), note_names(riff)))
        return 0
    if args.notes and not args.json:
        print(f"{'id':>4} {'bar':>4} {'beat':>6} {'seconds':>8} {'pitch':>5}  place")
        beats = riff.rhythm.meter[0] if riff.rhythm else 4
        names = note_names(riff)
        for note in riff.notes:
            bar = beat = ""
            if note.onset_beat is not None:
                bar = str(int(note.onset_beat // beats) + 1)
                beat = f"{note.onset_beat % beats + 1:.2f}"
            marks = "" if note.articulation == "picked" else f"  {note.articulation}"
            marks += "  pinned" if note.pinned else ""
            marks += f"  unsure ({note.confidence:.0%})" if note.unsure else ""
            print(
                f"{note.id:>4} {bar:>4} {beat:>6} {note.onset_sec:8.2f} "
                f"{pitch_name(note.pitch_midi, names):>5}  {place(note)}{marks}"
            )
        return 0
    print_riff(riff, args)
    return 0


def _told(number: int, other: Alternative, names: Sequence[str]) -> str:
    """An alternative in a line: its number, its name, and how it compares with the riff's own."""
    told = f"{number}: {other.name}, cost {other.cost:.1f}"
    return told if other.why is None else f"{told}; {sentence(other.why, names)}"


def _fingered_like(riff: Riff, other: Alternative) -> Riff:
    """``riff`` with the places of an alternative, and fingers for them."""
    import dataclasses

    from transcribe import fingering

    drone = "off" if riff.drone is None else riff.drone
    hand = fingering.hand_of(riff)
    held = fingering.solve(
        riff.notes, riff.instrument, hand=hand, drone=drone, pins=other.positions
    )
    fingers = {note.id: note.finger for note in fingering.apply(riff.notes, held)}
    notes = []
    for note in riff.notes:
        string, fret = other.positions.get(note.id, (note.string, note.fret))
        notes.append(
            dataclasses.replace(note, string=string, fret=fret, finger=fingers.get(note.id))
        )
    return dataclasses.replace(riff, notes=tuple(notes))


def page(args: argparse.Namespace, progress: Progress) -> int:
    from transcribe.page import serve

    if not args.folder.is_dir():
        raise ParameterError(f"{args.folder} is not a folder; name the folder that holds the riffs")
    if not 0 <= args.port <= 65535:
        raise ParameterError(f"a port is 0 to 65535, not {args.port}")
    serve(args.folder, port=args.port, open_browser=not args.no_browser)
    return 0
