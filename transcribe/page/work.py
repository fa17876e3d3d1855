"""What the workers do. Everything here runs in a process of its own, never in the server."""

from __future__ import annotations

import contextlib
import dataclasses
import json
import math
import os
import signal
import threading
import traceback
from collections.abc import Callable, Mapping
from multiprocessing.connection import Connection
from pathlib import Path
from queue import SimpleQueue
from typing import TYPE_CHECKING, Any

from transcribe.core.errors import HandspanError, ParameterError
from transcribe.core.riff import Remark
from transcribe.core.wording import as_told
from transcribe.formats.document import from_json, to_json

if TYPE_CHECKING:
    from transcribe.core.riff import Instrument, Riff

__all__ = ["TASKS", "meter_of", "run"]

_Progress = Callable[[str, float], None]


def run(pipe: Connection, memory_bytes: int) -> None:
    """Do the tasks that come through ``pipe`` until the server is gone, one after another.

    A task comes as its name, its scratch folder and its arguments. What is told of it is progress,
    then an error or the result.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _limit(memory_bytes)
    tasks: SimpleQueue[tuple[str, str, dict[str, Any]]] = SimpleQueue()
    threading.Thread(target=_hear, args=(pipe, tasks), daemon=True).start()
    while True:
        _do(pipe, *tasks.get())


def _hear(pipe: Connection, tasks: SimpleQueue[tuple[str, str, dict[str, Any]]]) -> None:
    """Queue what the server asks for; when reading ends, it is gone, and so is this process."""
    with contextlib.suppress(EOFError, OSError):
        while True:
            tasks.put(pipe.recv())
    os._exit(1)


def _do(pipe: Connection, task: str, scratch: str, arguments: dict[str, Any]) -> None:
    def progress(stage: str, share: float) -> None:
        pipe.send(("progress", stage, float(share)))

    try:
        result = TASKS[task](scratch=Path(scratch), progress=progress, **arguments)
    except HandspanError as error:
        message = " ".join(str(error).split())
        path, shown = str(arguments.get("path", "")), str(arguments.get("shown", "the file"))
        if path:
            message = message.replace(path, shown).replace(Path(path).name, shown)
        pipe.send(("error", message.replace("the samples:", f"{shown}:")))
    except MemoryError:
        pipe.send(("error", "There is not enough memory for this take; try a shorter one."))
    except Exception as error:
        # A fault of ours: its story goes to the terminal, one sentence to the page.
        traceback.print_exc()
        name = type(error).__name__
        pipe.send(("error", f"Something went wrong inside ({name}); the terminal tells more."))
    else:
        pipe.send(("result", result))


def _limit(memory_bytes: int) -> None:
    """Hold this process to ``memory_bytes`` of address space, and let it leave no core dump."""
    try:
        import resource
    except ImportError:  # Windows has no such limits.
        return
    for kind, most in ((resource.RLIMIT_AS, memory_bytes), (resource.RLIMIT_CORE, 0)):
        _, hard = resource.getrlimit(kind)
        limit = most if hard == resource.RLIM_INFINITY else min(most, hard)
        with contextlib.suppress(ValueError, OSError):
            resource.setrlimit(kind, (limit, limit))


# -- tasks -------------------------------------------------------------------------------------


def _read_take(
    *,
    scratch: Path,
    progress: _Progress,
    path: str,
    shown: str,
    settings: Mapping[str, Any],
    old: Mapping[str, Any] | None = None,
    document: str = "",
) -> dict[str, Any]:
    """A riff from a recording or a file of notes, and the picture and sound for the page.

    Where it takes the place of ``old``, saved as ``document``, the pins that still fit are held.
    """
    from transcribe import api
    from transcribe.formats import holds_notes

    options = _options(settings)
    _refuse_papers(path, shown)
    if holds_notes(path):
        progress("reading", 0.0)
        riff = _read_notes(path, shown)
        if not (str(path).endswith(".riff.json") and _is_fingered(riff)):
            riff = _placed(riff, shown, options, progress)
        return _read(riff, old, document) | {"notes_only": True}
    from transcribe.audio import read_audio
    from transcribe.core.riff import Source

    recording = read_audio(path, max_sec=float(settings.get("max_sec", 1800)), progress=progress)
    riff = api.transcribe(recording.y, sr=recording.sr, progress=progress, **options)
    source = Source(shown, round(recording.duration_sec, 4), recording.sha256)
    warnings = (*recording.warnings, *riff.warnings)
    riff = dataclasses.replace(riff, source=source, warnings=warnings)
    progress("drawing", 0.0)
    _write_views(recording.y, recording.sr, scratch)
    progress("drawing", 1.0)
    return _read(riff, old, document) | {"notes_only": False}


def _read(riff: Riff, old: Mapping[str, Any] | None, document: str) -> dict[str, Any]:
    """A riff that was read, with the pins of the one that it takes the place of."""
    if old is None:
        return {"riff": to_json(riff)}
    from transcribe.correct.pins import pin
    from transcribe.fingering import hand_of
    from transcribe.library import riff_files

    before = from_json(old)
    if riff.source is not None and before.source is not None:
        source = dataclasses.replace(riff.source, file=before.source.file)
        riff = dataclasses.replace(riff, source=source)
    pins, lost = riff_files.carry_pins(before, riff.notes)
    for note_id, place in pins.items():
        # Two old pins may clash on the new notes: the first one holds.
        with contextlib.suppress(ParameterError):
            hand = hand_of(riff)
            riff = pin(riff, {note_id: place}, repeats=False, hand=hand)
    return _outcome(before, riff, document) | {"carried": len(pins), "lost": len(lost)}


def _outcome(old: Riff, new: Riff, document: str) -> dict[str, Any]:
    """What is saved as ``document`` after ``old``, the files beside it, and what moved."""
    from transcribe.library import riff_files

    path = Path(document)
    files = riff_files.followed(old, new, path.parent, riff_files.riff_name(path))
    return {"riff": to_json(new), "files": files, "moved": _moved(old, new)}


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
    riff: Mapping[str, Any],
    edit: Mapping[str, Any],
    document: str,
) -> dict[str, Any] | None:
    """One change of the page made to a riff; None where that changes nothing."""
    del scratch, progress
    from transcribe.page.changes import changed

    old = from_json(riff)
    new = changed(old, edit)
    return None if new is old else _outcome(old, new, document)


def _note(
    *, scratch: Path, progress: _Progress, riff: Mapping[str, Any], note: int
) -> dict[str, Any]:
    """Everywhere a note can be played, with costs, why it lies where it lies, its repeats."""
    del scratch, progress
    from transcribe import fingering
    from transcribe.correct.pins import repeats_of

    document = from_json(riff)
    places = [
        {"string": place[0], "fret": place[1], "cost": _finite(place[2])}
        for place in fingering.places(document, note)
    ]
    return {
        "places": places,
        "why": as_told(fingering.explain(document, note)),
        "repeats": list(repeats_of(document, note)),
    }


def _finite(cost: float) -> float | None:
    return float(cost) if math.isfinite(cost) else None


def _cost(*, scratch: Path, progress: _Progress, riff: Mapping[str, Any]) -> float | None:
    """What the fingering costs the hand, in the measure of the other fingerings'."""
    del scratch, progress
    from transcribe.fingering import hand_of
    from transcribe.fingering.solver import solver_for

    document = from_json(riff)
    places = {
        note.id: (note.string, note.fret)
        for note in document.notes
        if note.string is not None and note.fret is not None
    }
    if not document.alternatives or not places:
        return None
    solver = solver_for(document.instrument, hand_of(document))
    effort = solver.effort(document.notes, places, drone=document.drone)
    return round(float(sum(effort.values())), 3)


def _placed(riff: Riff, shown: str, options: dict[str, Any], progress: _Progress) -> Riff:
    """A riff from a file of notes, fingered around the places that are written in it.

    Those are held like pins, and noted, so that they are not taken for what a hand has corrected.
    """
    from transcribe import api

    written = {n.id: (n.string, n.fret) for n in riff.notes if n.string and n.fret is not None}
    written = {i: place for i, place in written.items() if not riff.note(i).pinned}
    if not written:
        return api.finger(riff, progress=progress, **options)
    instrument = options.setdefault("instrument", riff.instrument)
    strings = len(instrument.open_midi)
    pins = {
        i: place
        for i, place in written.items()
        if place[0] <= strings and instrument.fret_of(place[0], riff.note(i).pitch_midi) == place[1]
    }
    if lost := len(written) - len(pins):
        facts = {"count": lost, "of": len(written), "file": shown}
        remark = Remark("places-not-kept", facts)
        riff = dataclasses.replace(riff, warnings=(*riff.warnings, remark))
    riff = dataclasses.replace(riff, written_places=pins)
    return api.finger(riff, pins=pins, progress=progress, **options)


def _prepare(
    *, scratch: Path, progress: _Progress, path: str, shown: str, max_sec: float
) -> dict[str, Any]:
    """The picture and the sound of a take whose riff is there already."""
    del shown
    from transcribe.audio import read_audio

    recording = read_audio(path, max_sec=max_sec, progress=progress)
    progress("drawing", 0.0)
    _write_views(recording.y, recording.sr, scratch)
    return {"sha256": recording.sha256}


def _compare(
    *,
    scratch: Path,
    progress: _Progress,
    path: str,
    shown: str,
    settings: Mapping[str, Any],
    reference: Mapping[str, Any],
) -> dict[str, Any]:
    """Hold a take against a riff document."""
    from transcribe import api
    from transcribe.audio import read_audio
    from transcribe.core.riff import Source
    from transcribe.formats import holds_notes
    from transcribe.takes import report
    from transcribe.takes.summary import figures_of

    against = from_json(reference)
    instrument = dataclasses.replace(against.instrument, offset_cents=0.0)
    sound = None
    _refuse_papers(path, shown)
    if holds_notes(path):
        take = _read_notes(path, shown)
    else:
        recording = read_audio(
            path, max_sec=float(settings.get("max_sec", 1800)), progress=progress
        )
        take = api.transcribe(
            recording.y, sr=recording.sr, instrument=instrument, progress=progress
        )
        source = Source(shown, round(recording.duration_sec, 4), recording.sha256)
        take = dataclasses.replace(take, source=source)
        _write_views(recording.y, recording.sr, scratch)
        sound = (recording.y, recording.sr)
    progress("comparing", 0.0)
    comparison = api.compare(take, against, sound=sound)
    return {
        "comparison": report.as_json(comparison),
        "drawings": report.drawings(comparison),
        "pitches": [note.pitch_midi for note in comparison.take.notes],
        "figures": dataclasses.asdict(figures_of(comparison)) | {"take": shown},
    }


def _finger(
    *,
    scratch: Path,
    progress: _Progress,
    riff: Mapping[str, Any],
    settings: Mapping[str, Any],
    document: str,
) -> dict[str, Any]:
    """Rhythm, fingering and theory anew for the notes of a riff document."""
    del scratch
    from transcribe import api
    from transcribe.correct.whole_riff import as_step, kept_places
    from transcribe.fingering import hand_of, pins_of

    old = from_json(riff)
    options = _options(settings)
    instrument = _refitted(old.instrument, settings)
    # What is not said stays as it is; a stretch of 0 is the usual hand again.
    if not settings.get("hand_span_mm"):
        options["hand"] = hand_of(old) if settings.get("hand_span_mm") is None else None
    options["instrument"] = instrument
    notes = kept_places(old.notes, instrument)
    player = dataclasses.replace(old.player, hand_span_mm=None)
    ready = dataclasses.replace(old, notes=notes, player=player, instrument=instrument)
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
    given: dict[str, Any] = {
        key: options[key] for key in ("bpm", "meter", "drone") if key in options
    }
    if instrument != old.instrument:
        given["instrument"] = True
    before, after = pins_of(old), pins_of(new)
    step = as_step(old, new, "fingering anew", given)
    lost = sorted(set(before) - set(after))
    return _outcome(old, step, document) | {"pins": len(before), "lost": lost}


def _refitted(old: Instrument, settings: Mapping[str, Any]) -> Instrument:
    """The instrument with what the settings say of it; a capo of 0 says that there is none."""
    from transcribe.core.instrument import parse_tuning, refitted

    capo = None if settings.get("capo") in (None, "") else int(_figure(settings, "capo"))
    tuning = str(settings.get("tuning") or "").strip() or None
    # The page sends the tuning as it is: that is no other neck.
    if tuning and parse_tuning(tuning) == old.open_midi:
        tuning = None
    frets = int(_figure(settings, "frets")) or None
    return refitted(old, tuning=tuning, capo=capo, frets=frets)


def _make(
    *,
    scratch: Path,
    progress: _Progress,
    kind: str,
    riff: Mapping[str, Any],
    options: Mapping[str, Any],
) -> None:
    """A file from a riff: ``made`` in the scratch folder."""

    document = from_json(riff)
    progress("writing", 0.0)
    if kind in ("wav", "hear"):
        from transcribe.sound import render_riff

        sr = 44100
        if kind == "hear":
            from transcribe.page.hear import example

            document = example(document, what=options["what"], frets=options["frets"])
        y = render_riff(document, sr=sr, speed=float(options.get("speed", 1.0)))
        _write_wav(y, sr, scratch / "made")
        return
    if kind == "riff":
        (scratch / "made").write_bytes(json.dumps(riff, indent=1, ensure_ascii=False).encode())
        return
    from transcribe.library import riff_files

    (scratch / "made").write_bytes(riff_files.made(document, kind, riff_files.Form()))


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
    """A riff from a file of notes; JSON that is cut off is told of in plain words."""
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


def _options(settings: Mapping[str, Any]) -> dict[str, Any]:
    """Arguments of the pipeline from the settings of the page, checked by what they make."""
    from transcribe.core.instrument import make_instrument
    from transcribe.fingering import Hand

    options: dict[str, Any] = {}
    if any(settings.get(key) for key in ("tuning", "capo", "frets")):
        options["instrument"] = make_instrument(
            str(settings.get("tuning") or "standard"),
            capo=int(_figure(settings, "capo") or 0),
            frets=int(_figure(settings, "frets") or 0) or None,
        )
    if settings.get("hand_span_mm"):
        options["hand"] = Hand(span_mm=_figure(settings, "hand_span_mm"))
    if settings.get("bpm"):
        from transcribe.core.clock import check_bpm

        bpm = _figure(settings, "bpm")
        check_bpm(bpm)
        options["bpm"] = bpm
    if settings.get("meter"):
        options["meter"] = meter_of(settings["meter"])
    drone = settings.get("drone")
    if drone in ("auto", "off"):
        options["drone"] = drone
    elif drone:
        options["drone"] = int(_figure(settings, "drone"))
    return options


def meter_of(text: Any) -> tuple[int, int]:
    """A meter as the page sends it, such as ``"6/8"``. Raises ParameterError if it is none."""
    upper, _, lower = str(text).partition("/")
    upper, lower = upper.strip(), lower.strip()
    if not (upper.isdecimal() and lower in ("2", "4", "8", "16") and 1 <= int(upper) <= 32):
        raise ParameterError(f"{text!r} is not a meter such as 4/4 or 6/8")
    return int(upper), int(lower)


def _figure(settings: Mapping[str, Any], key: str) -> float:
    """A setting that must be a number; 0 where it is not given."""
    try:
        figure = float(settings.get(key) or 0)
    except (TypeError, ValueError):
        figure = math.nan
    if not math.isfinite(figure):
        name = key.replace("_", " ")
        raise ParameterError(f"the {name} is {settings[key]!r}, which is not a number; correct it")
    return figure


def _is_fingered(riff: Any) -> bool:
    return all(note.string is not None for note in riff.notes)


def _write_views(y: Any, sr: int, scratch: Path) -> None:
    from transcribe.page.picture import write_picture

    write_picture(y, sr=sr, path=scratch / "picture")
    _write_wav(y, sr, scratch / "take.wav")


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
}
"""Every task that a job may name."""
