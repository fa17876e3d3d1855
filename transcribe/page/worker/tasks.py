"""The tasks of the page: what takes time or opens a file that may be hostile.

They run in a process of their own (`transcribe.page.worker.process`), never in the server.
"""

from __future__ import annotations

import contextlib
import dataclasses
import json
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from transcribe.core.key import note_names
from transcribe.core.meanwhile import Meanwhile
from transcribe.core.wording import remark_json
from transcribe.formats.document import from_json, to_json
from transcribe.page.worker.settings import instrument_of, options_of

if TYPE_CHECKING:
    from transcribe.audio import Recording
    from transcribe.core.riff import Riff

__all__ = ["TASKS"]

_Progress = Callable[[str, float], None]


def _read_take(
    *,
    scratch: Path,
    progress: _Progress,
    path: str,
    shown: str,
    settings: Mapping[str, Any],
    old: Riff | None = None,
    document: str = "",
) -> dict[str, Any]:
    """A riff from a recording or a file of notes, and the picture and sound for the page.

    Where it takes the place of ``old``, saved as ``document``, what was said of the same recording
    and the pins that still fit are kept.
    """
    from transcribe import api
    from transcribe.correct import carry_over
    from transcribe.formats import holds_notes

    options = options_of(settings)
    _refuse_papers(path, shown)
    if holds_notes(path):
        progress("reading", 0.0)
        riff = _read_notes(path, shown)
        if riff.source is not None and riff.source.file == Path(path).name:
            # The name under which an upload lies is none that anybody knows.
            riff = dataclasses.replace(riff, source=dataclasses.replace(riff.source, file=""))
        if not (str(path).endswith(".riff.json") and _is_fingered(riff)):
            options = options_of(settings, None if riff.rhythm is None else riff.rhythm.meter)
            riff = api.finger(riff, progress=progress, **options)
        return _read(riff, old, document) | {"notes_only": True}
    from transcribe.core.riff import Source

    recording = _heard(path, float(settings.get("max_sec", 1800)), scratch, progress)
    if settings.get("keep_echo") is not None:
        options["keep_echo"] = bool(settings["keep_echo"])
    kept = carry_over.kept_settings(old, recording.sha256, options) if old else {}
    with _drawn_meanwhile(recording, scratch, progress):
        riff = api.transcribe(recording.y, sr=recording.sr, progress=progress, **(options | kept))
        riff = carry_over.with_settings(riff, kept)
        source = Source(shown, round(recording.duration_sec, 4), recording.sha256)
        warnings = (*recording.warnings, *riff.warnings)
        riff = dataclasses.replace(riff, source=source, warnings=warnings)
    return _read(riff, old, document) | {"notes_only": False}


def _read(riff: Riff, old: Riff | None, document: str) -> dict[str, Any]:
    """A riff that was read, with the pins of the one that it takes the place of."""
    if old is None:
        return {"riff": riff}
    from transcribe.correct import carry_over

    if riff.source is not None and old.source is not None:
        source = dataclasses.replace(riff.source, file=old.source.file)
        riff = dataclasses.replace(riff, source=source)
    pins, lost = carry_over.carry_pins(old, riff.notes)
    riff = carry_over.with_pins(riff, pins)
    return _outcome(old, riff, document) | {"carried": len(pins), "lost": len(lost)}


def _outcome(old: Riff, new: Riff, document: str) -> dict[str, Any]:
    """What is saved as ``document`` after ``old``, the files beside it, and what moved."""
    from transcribe.library import riff_files

    path = Path(document)
    new, files = riff_files.followed(old, new, path.parent, riff_files.riff_name(path))
    return {"riff": new, "files": files, "moved": _moved(old, new)}


def _moved(old: Riff, new: Riff) -> list[dict[str, Any]]:
    before = {note.id: note for note in old.notes}
    moved = []
    for note in new.notes:
        was = before.get(note.id)
        if was is not None and (was.string, was.fret) != (note.string, note.fret):
            places = {"from": [was.string, was.fret], "to": [note.string, note.fret]}
            moved.append({"note": note.id, **places})
    return moved


def _edit(
    *,
    scratch: Path,
    progress: _Progress,
    riff: Riff,
    edit: Mapping[str, Any],
    document: str,
) -> dict[str, Any] | None:
    """One change of the page made to a riff; None where that changes nothing."""
    del scratch, progress
    from transcribe.page.worker.edits import changed

    new = changed(riff, edit)
    return None if new is riff else _outcome(riff, new, document)


def _note(*, scratch: Path, progress: _Progress, riff: Riff, note: int) -> dict[str, Any]:
    """Every place of a note and what it asks of the hand, the hand there, why, its repeats."""
    del scratch, progress
    from transcribe import fingering
    from transcribe.correct.pins import repeats_of
    from transcribe.fingering.hand_at import hand_at

    why = fingering.explain(riff, note)
    in_words = dataclasses.replace(why, facts={**why.facts, "in_words": True})
    return {
        "places": [
            dataclasses.asdict(choice) | {"cost": _finite(choice.cost)}
            for choice in fingering.choices(riff, note)
        ],
        "hand": hand_at(riff, note),
        "why": remark_json(why, note_names(riff)),
        "why_in_words": remark_json(in_words, note_names(riff)),
        "repeats": list(repeats_of(riff, note)),
    }


def _finite(cost: float) -> float | None:
    return float(cost) if math.isfinite(cost) else None


def _cost(*, scratch: Path, progress: _Progress, riff: Riff) -> float | None:
    """What the fingering costs the hand, in the measure of the other fingerings'."""
    del scratch, progress
    from transcribe.fingering import hand_of
    from transcribe.fingering.solver import solver_for

    places = {
        note.id: (note.string, note.fret)
        for note in riff.notes
        if note.string is not None and note.fret is not None
    }
    if not riff.alternatives or not places:
        return None
    solver = solver_for(riff.instrument, hand_of(riff))
    effort = solver.effort(riff.notes, places, drone=riff.drone)
    return round(float(sum(effort.values())), 3)


def _prepare(
    *, scratch: Path, progress: _Progress, path: str, shown: str, max_sec: float
) -> dict[str, Any]:
    """The picture and the sound of a take whose riff is there already."""
    del shown
    recording = _heard(path, max_sec, scratch, progress)
    with _drawn_meanwhile(recording, scratch, progress):
        pass
    return {"sha256": recording.sha256}


def _compare(
    *,
    scratch: Path,
    progress: _Progress,
    path: str,
    shown: str,
    settings: Mapping[str, Any],
    reference: Riff,
) -> dict[str, Any]:
    """Hold a take against a riff document."""
    from transcribe import api
    from transcribe.formats import holds_notes
    from transcribe.takes import report
    from transcribe.takes.summary import figures_of

    _refuse_papers(path, shown)
    recording = None
    if holds_notes(path):
        comparison = api.compare(_read_notes(path, shown), reference, progress=progress)
    else:
        recording = _heard(path, float(settings.get("max_sec", 1800)), scratch, progress)
        with _drawn_meanwhile(recording, scratch, progress):
            comparison = api.compare_recording(recording, shown, reference, progress=progress)
    return {
        "comparison": report.as_json(comparison),
        "drawings": report.drawings(comparison),
        "duration_sec": None if recording is None else recording.duration_sec,
        "played": [
            [note.pitch_midi, round(note.onset_sec, 4), round(note.offset_sec, 4)]
            for note in comparison.take.notes
        ],
        "figures": dataclasses.asdict(figures_of(comparison)) | {"take": shown},
    }


def _finger(
    *,
    scratch: Path,
    progress: _Progress,
    riff: Riff,
    settings: Mapping[str, Any],
    document: str,
) -> dict[str, Any]:
    """Rhythm, fingering and theory found again for the notes of a riff document."""
    del scratch
    from transcribe import api
    from transcribe.correct.history import record
    from transcribe.correct.retune import kept_places
    from transcribe.fingering import hand_of, pins_of

    old = riff
    options = options_of(settings, None if old.rhythm is None else old.rhythm.meter)
    instrument = instrument_of(old.instrument, settings)
    # What is not said stays as it is; a stretch of 0 is the usual hand again.
    if not settings.get("hand_span_mm"):
        options["hand"] = hand_of(old) if settings.get("hand_span_mm") is None else None
    options["instrument"] = instrument
    player = dataclasses.replace(old.player, hand_span_mm=None)
    ready = dataclasses.replace(kept_places(old, instrument), player=player, instrument=instrument)
    new = api.finger(ready, progress=progress, **options)
    unmet = {note.id for note in new.notes if note.string is None}
    if unmet:
        new = dataclasses.replace(
            new,
            notes=tuple(
                dataclasses.replace(note, pinned=note.pinned and note.id not in unmet)
                for note in new.notes
            ),
        )
    given: dict[str, Any] = {k: options[k] for k in ("bpm", "meter", "drone") if k in options}
    if instrument != old.instrument:
        given["instrument_given"] = True
    new = dataclasses.replace(new, player=dataclasses.replace(new.player, **given))
    before, after = pins_of(old), pins_of(new)
    lost = sorted(set(before) - set(after))
    new = record(old, new, "fingering anew")
    return _outcome(old, new, document) | {"pins": len(before), "lost": lost}


def _make(
    *,
    scratch: Path,
    progress: _Progress,
    kind: str,
    riff: Riff,
    options: Mapping[str, Any],
) -> None:
    """A file from a riff: ``made`` in the scratch folder."""

    document = riff
    progress("writing", 0.0)
    if kind in ("wav", "hear"):
        from transcribe.sound import render_riff

        sr = 44100
        if kind == "hear":
            from transcribe.sound.examples import example

            document = example(document, what=options["what"], frets=options["frets"])
        y = render_riff(document, sr=sr, speed=float(options.get("speed", 1.0)))
        _write_wav(y, sr, scratch / "made")
        return
    if kind == "practice":
        from transcribe import api
        from transcribe.sound.encoding import sound_bytes

        given = dict(options, speeds=tuple(options["speeds"]))
        given["bars"] = None if given["bars"] is None else tuple(given["bars"])
        made = api.practice_sound(document, progress=progress, **given)
        (scratch / "made").write_bytes(sound_bytes(made.y, sr=made.sr, kind="mp3"))
        return
    if kind in ("handout", "handout-pdf"):
        from transcribe.lesson.handout import write_handout

        path = scratch / ("made.pdf" if kind == "handout-pdf" else "made.html")
        write_handout(document, path, progress=progress, **options)
        path.rename(scratch / "made")
        return
    if kind == "riff":
        text = json.dumps(to_json(riff), indent=1, ensure_ascii=False)
        (scratch / "made").write_bytes(text.encode())
        return
    from transcribe.core.riff import FileForm
    from transcribe.library import riff_files

    (scratch / "made").write_bytes(riff_files.made(document, kind, FileForm()))


def _split(
    *,
    scratch: Path,
    progress: _Progress,
    path: str,
    shown: str,
    settings: Mapping[str, Any],
) -> dict[str, Any]:
    """The parts of a recorded session: a lesson, its riffs by label, their sounds as files."""
    from transcribe.core.errors import FormatError
    from transcribe.formats import holds_notes
    from transcribe.formats.lesson_document import to_json as lesson_to_json
    from transcribe.lesson.lesson_files import cut_sound
    from transcribe.lesson.split import split

    _refuse_papers(path, shown)
    if holds_notes(path):
        raise FormatError(
            f"{shown} holds notes and no sound, so it cannot be split into parts; bring it in as "
            "a riff, and make a lesson of riffs"
        )
    given = options_of({key: settings.get(key) for key in ("tuning", "capo", "frets", "drone")})
    copy = scratch / "session.wav"
    found = split(
        path,
        title=Path(shown).stem,
        max_sec=float(settings.get("max_sec", 3600)),
        copy=copy,
        progress=progress,
        **given,
    )
    for part in found.lesson.parts:
        assert part.take is not None
        (scratch / f"{part.label}.flac").write_bytes(cut_sound(copy, part.take))
    return {
        "lesson": lesson_to_json(found.lesson),
        "riffs": {label: to_json(riff) for label, riff in found.riffs.items()},
        "left_out": len(found.left_out),
    }


def _hear_part(
    *,
    scratch: Path,
    progress: _Progress,
    path: str,
    shown: str,
    lesson: Mapping[str, Any],
    part: str,
    number: int | None,
    other: str | None,
) -> dict[str, Any]:
    """A part from another of its playings in the session, or joined with the part after it."""
    del shown
    from transcribe.formats.lesson_document import from_json as lesson_from_json
    from transcribe.formats.lesson_document import to_json as lesson_to_json
    from transcribe.lesson.lesson_files import hear_joined, hear_playing

    document = lesson_from_json(lesson)
    folder = Path(path).parent  # of the session
    if other is not None:
        heard = hear_joined(document, folder, part, other, progress=progress)
    else:
        heard = hear_playing(document, folder, part, number or 0, progress=progress)
    (scratch / "sound").write_bytes(heard.sound)
    return {"lesson": lesson_to_json(heard.lesson), "riff": to_json(heard.riff)}


def _hand_out(
    *,
    scratch: Path,
    progress: _Progress,
    lesson: Mapping[str, Any],
    riffs: Sequence[Mapping[str, Any]],
    kind: str,
    fingers: bool,
    paper: Literal["a4", "letter"],
    checks: Sequence[Mapping[str, Any] | None],
) -> list[str]:
    """The handout of a lesson: ``made`` in the scratch folder; what is to be said of it."""
    from transcribe.formats.lesson_document import from_json as lesson_from_json
    from transcribe.lesson.handout import handout_html
    from transcribe.lesson.handout_pdf import handout_pdf

    progress("writing", 0.0)
    document = lesson_from_json(lesson)
    said: list[str] = []
    whole = [from_json(riff) for riff in riffs]
    if kind == "pdf":
        data = handout_pdf(
            document,
            whole,
            fingers=fingers,
            paper=paper,
            checks=checks,
            say=said.append,
            progress=progress,
        )
    else:
        made = handout_html(document, whole, fingers=fingers, checks=checks, progress=progress)
        data = made.encode("utf-8")
    (scratch / "made").write_bytes(data)
    return said


_PAPERS = (
    (b"%PDF-", "a PDF"),
    (b"\xff\xd8\xff", "a picture"),
    (b"\x89PNG", "a picture"),
    (b"GIF8", "a picture"),
)


def _refuse_papers(path: str, shown: str) -> None:
    """What teachers have their tabs in, and no program can hear. Raises FormatError."""
    from transcribe.core.errors import FormatError

    with open(path, "rb") as file:
        head = file.read(8)
    for mark, kind in _PAPERS:
        if head.startswith(mark):
            raise FormatError(
                f"{shown} is {kind}, which cannot be heard or read as notes; bring in a recording "
                "of the riff, or the tab as text, MusicXML or MIDI"
            )


def _read_notes(path: str, shown: str) -> Any:
    """A riff from a file of notes; JSON that is cut off is named as that."""
    from transcribe.core.errors import FormatError
    from transcribe.formats import read_any

    if shown.lower().endswith(".json"):
        try:
            json.loads(Path(path).read_text(encoding="utf-8"))
        except (ValueError, RecursionError):
            raise FormatError(
                f"{shown} is damaged or cut off, and cannot be read as a riff document; bring in "
                "another copy, or the recording itself"
            ) from None
    return read_any(path)


def _is_fingered(riff: Any) -> bool:
    return all(note.string is not None for note in riff.notes)


def _heard(path: str, max_sec: float, scratch: Path, progress: _Progress) -> Recording:
    """A recording at the rate that it is worked on, and in the scratch folder as it sounds."""
    from transcribe.audio import read_audio
    from transcribe.notes import SR

    take = scratch / "take.wav"
    return read_audio(path, max_sec=max_sec, to_sr=SR, copy=take, progress=progress)


@contextlib.contextmanager
def _drawn_meanwhile(recording: Recording, scratch: Path, progress: _Progress) -> Iterator[None]:
    """The picture of a recording is drawn while the block does other work."""
    from transcribe.page.worker.picture import write_picture

    drawn = Meanwhile(lambda: write_picture(recording.y, sr=recording.sr, path=scratch / "picture"))
    try:
        yield
        progress("drawing", 0.0)
        drawn.result()
        progress("drawing", 1.0)
    finally:
        drawn.leave()


def _write_wav(y: Any, sr: int, path: Path) -> None:
    import numpy as np
    import soundfile

    top = float(np.max(np.abs(y), initial=0.0))
    soundfile.write(path, y / top if top > 1.0 else y, sr, subtype="PCM_16", format="WAV")


TASKS: dict[str, Callable[..., Any]] = {
    "read": _read_take,
    "prepare": _prepare,
    "compare": _compare,
    "finger": _finger,
    "edit": _edit,
    "note": _note,
    "cost": _cost,
    "make": _make,
    "split": _split,
    "hear": _hear_part,
    "handout": _hand_out,
}
"""Every task that a job may name."""
