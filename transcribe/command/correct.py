"""The command that corrects a riff: pins, an edited tab, half and double time, notes, undo."""

from __future__ import annotations

import argparse
import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING

from transcribe.command.printing import Progress, changes, print_files, print_riff
from transcribe.core.errors import FormatError, ParameterError

if TYPE_CHECKING:
    from transcribe.core.riff import Instrument, Riff

__all__ = ["refinger"]


def refinger(args: argparse.Namespace, progress: Progress) -> int:
    from transcribe.correct.pins import set_hand
    from transcribe.fingering import Hand
    from transcribe.library import riff_files
    from transcribe.library.revisions import read_revision

    if args.undo and args.redo:
        raise ParameterError("--undo and --redo cancel each other; give one of them")
    _check_kind(args.riff)
    old, revision = read_revision(args.riff.resolve())
    if not _asks(args):
        raise ParameterError(
            f"nothing to correct in {args.riff}; say what, such as --pin ID=STRING/FRET, --drone "
            "off or --half-time (handspan refinger --help tells all); to look at it, handspan "
            f"show {args.riff}"
        )
    riff = _corrected(old, args, progress)
    if args.hand_span is not None:
        riff = set_hand(riff, Hand(span_mm=args.hand_span))
    folder, name = args.riff.parent, riff_files.riff_name(args.riff)
    forms = riff_files.forms_beside(old, folder, name)
    tab = forms.get("tab", riff_files.usual_form(old))
    tab = dataclasses.replace(
        tab, width=args.width or tab.width, fingers=args.fingers or tab.fingers
    )
    forms["tab"] = tab
    files = riff_files.save(
        riff, folder, name, formats=(), forms=forms, say=progress.say, expected=revision
    )
    if args.json:
        print_riff(riff, args)
        return 0
    placed = {note.id for note in old.notes if note.string is not None}
    lost = [note.id for note in riff.notes if note.string is None and note.id in placed]
    if lost:
        progress.say(
            f"no string is left for note{'s' if len(lost) > 1 else ''} "
            f"{', '.join(map(str, lost))}; --undo takes this back"
        )
    print_riff(riff, args, tab)
    print()
    print("\n".join(changes(old, riff) or ["no note moved"]))
    print_files(files, args, progress)
    return 0


def _asks(args: argparse.Namespace) -> bool:
    """Whether a correction is asked for, or another width of the tab."""
    own = ("run", "quiet", "json", "riff", "only_here")
    return any(
        value is not None and value is not False and value != []
        for name, value in vars(args).items()
        if name not in own
    )


def _corrected(riff: Riff, args: argparse.Namespace, progress: Progress) -> Riff:
    """``riff`` with what ``args`` ask for: back, tempo, tuning, requests, notes, then pins."""
    from transcribe.core.clock import bpm_as_counted
    from transcribe.core.key import note_names
    from transcribe.core.wording import sentence
    from transcribe.correct import note_edits, requests, retime, retune, worded_edits
    from transcribe.correct.history import redo, undo
    from transcribe.correct.pins import pin, unpin
    from transcribe.correct.selectors import (
        notes_of,
        pinned_of,
        places_asked,
        places_in_tab,
        unmoved,
    )

    repeats = not args.only_here
    if args.undo:
        riff = undo(riff)
    if args.redo:
        riff = redo(riff)
    if args.half_time:
        riff = retime.half_time(riff, meter=args.meter, progress=progress)
    elif args.double_time:
        riff = retime.double_time(riff, meter=args.meter, progress=progress)
    elif (args.bpm, args.meter, args.first_beat) != (None, None, None):
        meter = args.meter or (riff.rhythm.meter if riff.rhythm is not None else None)
        riff = retime.retime(
            riff,
            bpm=None if args.bpm is None else bpm_as_counted(args.bpm, meter),
            meter=args.meter,
            first_beat_sec=args.first_beat,
            progress=progress,
        )
    if (instrument := _instrument(riff, args)) is not None:
        riff = retune.set_instrument(riff, instrument)
    if args.drone is not None:
        riff = retune.set_drone(riff, args.drone)
    if args.take is not None:
        riff = requests.take(riff, args.take)
    if args.withdraw is not None:
        riff = requests.withdraw(riff, None if args.withdraw == "all" else args.withdraw)
    if args.ask:
        asked = [requests.request_of(riff, text, repeats=repeats) for text in args.ask]
        for text, request in zip(args.ask, asked, strict=True):
            if request != requests.request_of(riff, text, repeats=False):
                progress.say(f"{text}: asked of the repeats, too; --only-here leaves them")
        riff = requests.ask(riff, asked)
    if args.delete:
        gone = [i for text in args.delete for i in notes_of(riff, text)]
        riff = note_edits.delete(riff, gone)
    if args.confirm:
        played = [i for text in args.confirm for i in notes_of(riff, text)]
        riff = note_edits.confirm(riff, played)
    for option, edit in (
        ("pitch", worded_edits.set_pitch),
        ("technique", worded_edits.set_technique),
        ("move", worded_edits.move),
        ("split", worded_edits.split),
        ("merge", worded_edits.merge),
        ("add", worded_edits.add),
    ):
        for text in getattr(args, option):
            if option == "technique":
                for remark in worded_edits.with_own_technique(riff, text):
                    progress.say(f"{text}: {sentence(remark, note_names(riff))}")
            riff = edit(riff, text)
    if args.unpin:
        wanted = {i for text in args.unpin for i in pinned_of(riff, text)}
        riff = unpin(riff, wanted, repeats=repeats)
    pins: dict[int, tuple[int, int]] = {}
    for text in args.pin:
        pins |= places_asked(riff, text)
        for remark in unmoved(riff, text):
            progress.say(f"{text}: {sentence(remark, note_names(riff))}")
    if args.from_tab is not None:
        pins |= places_in_tab(riff, args.from_tab)
    return pin(riff, pins, repeats=repeats) if pins else riff


def _instrument(riff: Riff, args: argparse.Namespace) -> Instrument | None:
    """The riff's instrument with what ``args`` say of it; None where they say nothing."""
    if (args.tuning, args.capo, args.frets, args.scale_length) == (None,) * 4:
        return None
    from transcribe.core.instrument import change_instrument

    return change_instrument(
        riff.instrument,
        tuning=args.tuning,
        capo=args.capo,
        frets=args.frets,
        scale_length_mm=args.scale_length,
    )


def _check_kind(path: Path) -> None:
    """Refuse what is no riff document and say which command makes one of it."""
    from transcribe.formats import kind_of
    from transcribe.library import riff_files

    kind = kind_of(path)
    if kind == "riff" or not path.is_file():
        return
    document = path.with_name(f"{riff_files.riff_name(path)}{riff_files.RIFF_SUFFIX}")
    names = {"tab": "a text tab", "musicxml": "MusicXML", "midi": "a MIDI file", "jams": "JAMS"}
    if kind is None:
        what, command = "no riff document", "transcribe"
    else:
        what, command = f"{names.get(kind, 'a score')}, not a riff document", "finger"
    way = f"handspan {command} {path} makes one"
    if document.is_file():
        way = f"give {document}"
        if kind == "tab":
            way += f", and the tab with --from-tab {path}"
    raise FormatError(f"{path} is {what}; {way}")
