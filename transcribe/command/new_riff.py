"""The commands that make a riff: from a recording, from a file of notes, and the demo."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from transcribe.command.arguments import make_parser
from transcribe.command.batch import Done, run
from transcribe.command.printing import Progress, print_files, print_riff, repeats_wanted
from transcribe.core.errors import FormatError, ParameterError
from transcribe.core.files import sha256_of
from transcribe.correct.history import steps
from transcribe.correct.note_edits import NOTE_EDITS
from transcribe.correct.pins import places_as_written

if TYPE_CHECKING:
    from transcribe.core.riff import Instrument, Riff

__all__ = ["demo", "finger", "hand_of", "instrument_of", "transcribe"]


def transcribe(args: argparse.Namespace, progress: Progress) -> int:
    return run(args.take, _transcribe, args, progress, sound=True, names=_documents(args))


def finger(args: argparse.Namespace, progress: Progress) -> int:
    return run(args.notes, _finger, args, progress, names=_documents(args))


def _documents(args: argparse.Namespace) -> Callable[[Path], Path]:
    return lambda path: _Place.of(args, path).document


def _transcribe(args: argparse.Namespace, path: Path, progress: Progress) -> Done:
    from transcribe import api
    from transcribe.correct import carry_over

    _check_kind(path, notes=False)
    place = _Place.of(args, path)
    # An unreadable old document is refused before the work, not after it.
    old, revision = place.old()
    settings = _settings(args) | {"keep_echo": args.keep_echo}
    kept: dict[str, Any] = {}
    if old is not None:
        kept = carry_over.kept_settings(old, sha256_of(path), settings)
        _say_kept(kept, old, progress)
    settings |= kept
    riff = api.transcribe(path, max_sec=60 * args.max_minutes, progress=progress, **settings)
    if old is not None:
        riff = _keeping(old, riff, place.document, progress)
    riff = carry_over.with_settings(riff, kept)
    return _save(riff, place, args, progress, revision)


def _finger(args: argparse.Namespace, path: Path, progress: Progress) -> Done:
    from transcribe import api
    from transcribe.core.instrument import restrung
    from transcribe.formats import kind_of, read_any

    _check_kind(path, notes=True)
    place = _Place.of(args, path)
    old, revision = place.old()
    given = read_any(path, part=args.part)
    meter = given.rhythm.meter if given.rhythm is not None else given.timing.meter
    settings = _settings(args, meter)
    if settings["instrument"] is not None:
        settings["instrument"] = _refitted(given.instrument, args)
        if kind_of(path) == "tab" and not args.anew:
            given = restrung(given, settings["instrument"])
    riff = api.finger(given, anew=args.anew, progress=progress, **settings)
    if old is not None and path.resolve() != place.document.resolve():
        riff = _keeping(old, riff, place.document, progress)
    remark = ""
    if kept := len(places_as_written(riff)):
        everything = kept == len(riff.notes)
        remark = (
            f"{'every note keeps' if everything else f'{kept} of {len(riff.notes)} notes keep'} "
            f"the place that {path.name} has; --anew fingers it anew"
        )
    return _save(riff, place, args, progress, revision, remark=remark)


def _check_kind(path: Path, *, notes: bool) -> None:
    """Name the other command where a recording is given for notes, or notes for a recording."""
    from transcribe.formats import holds_notes

    if not path.is_file() or holds_notes(path) is notes:
        return
    if notes:
        raise FormatError(
            f"{path} holds no notes that can be read; for a recording, handspan transcribe {path}; "
            "else give a riff document, a text tab, MusicXML, MIDI, JAMS, ABC or Humdrum"
        )
    raise FormatError(f"{path} holds notes and no sound; handspan finger {path}")


@dataclass(frozen=True)
class _Place:
    """Where the riff of a file is written."""

    folder: Path
    name: str
    document: Path

    @classmethod
    def of(cls, args: argparse.Namespace, path: Path) -> _Place:
        from transcribe.library import riff_files

        folder = args.output if args.output is not None else path.parent
        if folder.is_file():
            raise ParameterError(
                f"{folder} is a file; give a folder for the files, such as -o riffs"
            )
        name = args.name or riff_files.riff_name(path)
        return cls(folder, name, folder / f"{name}{riff_files.RIFF_SUFFIX}")

    def old(self) -> tuple[Riff, str] | tuple[None, None]:
        """The document that is there already and its revision."""
        from transcribe.library.revisions import read_revision

        return read_revision(self.document.resolve()) if self.document.exists() else (None, None)


def _settings(args: argparse.Namespace, meter: tuple[int, int] | None = None) -> dict[str, Any]:
    """What is said of a riff; ``meter`` is the one that its file has, if any."""
    from transcribe.core.clock import bpm_as_counted

    return {
        "instrument": instrument_of(args),
        "hand": hand_of(args.hand_span),
        "drone": args.drone,
        "requests": tuple(args.ask),
        "bpm": None if args.bpm is None else bpm_as_counted(args.bpm, args.meter or meter),
        "meter": args.meter,
        "first_beat_sec": args.first_beat,
    }


def _say_kept(kept: Mapping[str, Any], old: Riff, progress: Progress) -> None:
    """Say what stays as it was corrected before."""
    from transcribe.core.score_place import tempo_words

    kept_words = []
    if "bpm" in kept:
        meter = old.rhythm.meter if old.rhythm is not None else (4, 4)
        kept_words.append(tempo_words(kept["bpm"], kept.get("meter", meter)))
    if "first_beat_sec" in kept:
        kept_words.append(f"bar 1 at {kept['first_beat_sec']:.2f} s")
    kept_words += ["{}/{}".format(*kept["meter"])] if "meter" in kept else []
    if kept_words:
        progress.say(f"the rhythm stays as it was corrected: {', '.join(kept_words)}")
    others = ["tuning and capo"] if "instrument" in kept else []
    others += [f"drone {kept['drone']}"] if "drone" in kept else []
    others += ["the echo's copies are notes"] if "keep_echo" in kept else []
    if others:
        progress.say(f"as it was corrected: {', '.join(others)}")


def _keeping(old: Riff, riff: Riff, document: Path, progress: Progress) -> Riff:
    """``riff`` with the pins of the document that it replaces; what would be lost is kept aside."""
    from transcribe.correct import carry_over
    from transcribe.library import riff_files

    pins, lost = carry_over.carry_pins(old, riff.notes)
    if old.history or pins or lost:
        if not old.history and not lost:
            # The new document holds all that the old one held: there is nothing to keep aside.
            progress.say(f"{_count(len(pins), 'pin')} of {document} carried over")
            return carry_over.with_pins(riff, pins)
        edited = sum(step.kind in NOTE_EDITS for step in steps(old)[0])
        kept = riff_files.keep_old(document)
        progress.say(
            f"{document} held corrections: {_count(len(pins), 'pin')} carried over"
            + (f", {_count(len(lost), 'pin')} without a note" if lost else "")
            + (f", {_count(edited, 'change')} of notes not" if edited else "")
            + f"; the old document is kept as {kept}"
        )
        return carry_over.with_pins(riff, pins)
    if _other_recording(old, riff):
        # Phones give many recordings the same name.
        kept = riff_files.keep_old(document)
        progress.say(f"{document} was made from another recording and is kept as {kept}")
    return riff


def _other_recording(old: Riff, new: Riff) -> bool:
    if old.source is None or new.source is None or old.source.sha256 is None:
        return False
    return old.source.sha256 != new.source.sha256


def _save(
    riff: Riff,
    place: _Place,
    args: argparse.Namespace,
    progress: Progress,
    revision: str | None,
    *,
    remark: str = "",
) -> Done:
    """Write the files; how to print the tab, and say what was written."""
    from transcribe.formats.document import to_json
    from transcribe.library import riff_files

    files = riff_files.save(
        riff,
        place.folder,
        place.name,
        formats=args.format,
        width=args.width,
        repeats=repeats_wanted(riff, args),
        fingers=args.fingers,
        say=progress.say,
        expected=revision,
    )

    def show() -> None:
        print_riff(riff, args)
        if args.bpm is None:
            _say_other_tempo(riff, place.document, progress)
        if count := sum(note.unsure for note in riff.notes):
            progress.say(
                f"{_count(count, 'note')} heard with doubt: handspan refinger {place.document} "
                "--delete unsure takes them out, --confirm unsure keeps them"
            )
        if remark:
            progress.say(remark)
        print_files(files, args, progress)

    return Done(show, _line(riff, files), lambda: {"riff": to_json(riff)})


def _line(riff: Riff, files: Sequence[Path]) -> str:
    """What a riff is, and its files, in a line."""
    from transcribe.correct.retime import remaining_warnings

    mode = (riff.theory or {}).get("mode") or {}
    line = _count(len(riff.notes), "note")
    told = mode.get("tonic") and mode.get("name") and not mode.get("candidates")
    line += f", {mode['tonic']} {mode['name']}" if told else ""
    homeless = sum(note.string is None for note in riff.notes)
    line += f", {homeless} without a place" if homeless else ""
    remarks = len(remaining_warnings(riff)) + len(riff.cautions)
    line += f", {_count(remarks, 'remark')}" if remarks else ""
    return f"{line}; written: {', '.join(map(str, files))}"


def _say_other_tempo(riff: Riff, document: Path, progress: Progress) -> None:
    """Say that half or double time is nearly as likely, and how to have it."""
    from transcribe.core.score_place import tempo_words
    from transcribe.correct.retime import other_tempo

    other = None if riff.rhythm is None else other_tempo(riff.rhythm)
    if other is not None:
        kind, bpm, meter, share = other
        progress.say(
            f"it may be felt in {kind} ({share:.0%}), {meter[0]}/{meter[1]} at "
            f"{tempo_words(round(bpm), meter)}: "
            f"handspan refinger {document} --{kind.replace(' ', '-')}"
        )


def demo(args: argparse.Namespace, progress: Progress) -> int:
    from transcribe.library.shipped import shipped_take

    take, capo = shipped_take(args.name)
    progress.say(f"handspan transcribe {take}" + (f" --capo {capo}" if capo else ""))
    command = ["transcribe", str(take), "-o", str(args.output), "--format", "tab,musicxml,midi"]
    command += ["--capo", str(capo)] if capo else []
    command += ["--json"] if args.json else []
    made = make_parser().parse_args(command)
    code = transcribe(made, progress)
    if not args.json:
        from transcribe.command.show import theory

        print()
        made = make_parser().parse_args(["theory", str(args.output / f"{take.stem}.riff.json")])
        code = code or theory(made, progress)
    return code


def instrument_of(args: argparse.Namespace) -> Instrument | None:
    """The instrument that the arguments name; None where they say nothing of it."""
    if (args.tuning, args.capo, args.frets, args.scale_length) == (None,) * 4:
        return None
    from transcribe.core.instrument import make_instrument

    return make_instrument(
        args.tuning or "standard",
        capo=args.capo or 0,
        frets=args.frets,
        scale_length_mm=args.scale_length,
    )


def _refitted(old: Instrument, args: argparse.Namespace) -> Instrument:
    """The instrument of a file of notes, with what the arguments say of it."""
    from transcribe.core.instrument import change_instrument

    return change_instrument(
        old,
        tuning=args.tuning,
        capo=args.capo,
        frets=args.frets,
        scale_length_mm=args.scale_length,
    )


def hand_of(span_mm: float | None) -> Any:
    """The hand of a span; a usual one for None."""
    from transcribe.fingering import Hand

    return Hand() if span_mm is None else Hand(span_mm=span_mm)


def _count(number: int, word: str) -> str:
    return f"{number} {word}" + ("" if number == 1 else "s")
