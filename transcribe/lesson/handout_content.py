"""What a handout tells of a lesson, in whichever file: its parts as they are shown, the words on
them, the form, and the tempi to practise at.

Conventions: times in seconds; second 0 of a part is that of its own sound. Texts are plain, with
sharps and flats as they are printed.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Mapping, Sequence
from itertools import groupby
from typing import TYPE_CHECKING, Any

from transcribe.core.clock import Clock
from transcribe.core.errors import ParameterError
from transcribe.core.instrument import tuning_name
from transcribe.core.key import names_to_show, note_names, string_names
from transcribe.core.lesson import Lesson, LessonPart
from transcribe.core.riff import Riff, legato_sources
from transcribe.core.score_place import bar_and_beat, counted_beats
from transcribe.core.wording import sentence
from transcribe.formats.document import to_json
from transcribe.formats.notation import written_rhythm
from transcribe.harmony import piece_theory, theory_report
from transcribe.lesson.part_riffs import in_bars
from transcribe.lesson.take_on_sheet import SheetTake

if TYPE_CHECKING:
    from theory import Piece

__all__ = [
    "CARE",
    "NECK_KEY",
    "PLAN_WORDS",
    "TAKE_NOTES",
    "TAKE_PRACTICE",
    "WHOLE",
    "cautions_of",
    "form_steps",
    "neck_of_all",
    "part_data",
    "part_facts",
    "practice_tempi",
    "printed",
    "shown_parts",
    "stands_alone",
    "title_of",
    "whole_data",
    "whole_of",
    "whole_words",
]

AHEAD_SEC = 0.3
"""Of silence before a part, so that its first attack is whole."""

CARE = (
    "All shapes are a suggestion for your own neck and hand. Warm up, stop if it hurts, and ask "
    "your teacher or a clinician about pain that stays."
)
"""What stands at the end of every handout."""

NECK_KEY = (
    "Filled: the tonic. A heavy ring: a degree that tells the mode from its neighbours. "
    "A heavy string: the drone."
)
"""How the picture of the scale is read."""

TAKE_PRACTICE = "To practise, the most useful first"
TAKE_NOTES = "Note by note"
"""The headings over what the student's take asks for, and over what was not right in it."""

PLAN_WORDS = (
    "Practise each part at its first tempo until it goes twice without a slip, then at the next."
)
"""How the tempi to practise at are meant (common practice, no source)."""

WHOLE = "The whole piece"
"""The heading over what the parts share."""

_SHARES = (0.6, 0.75, 0.9, 1.0)  # of the tempo, where none to start from was told
_STEPS = 4
_FLAT = re.compile(r"(?<=\b[A-G])b(?=(maj|min|m|dim|aug|sus|add)?(?![a-z]))")
_NEEDED = ("rhythm", "instrument", "drone", "notes", "marks")
_NEEDED_THEORY = ("mode", "loop", "chords", "ways", "scale")


def shown_parts(lesson: Lesson, riffs: Sequence[Riff]) -> list[Riff]:
    """The bars that each part shows, with their theory; ``riffs`` are the whole riffs, in order.

    Second 0 of each is `AHEAD_SEC` before its first bar.

    Raises
    ------
    ParameterError
        If the lesson has no parts, or one of them has no notes in its bars.
    """
    if not lesson.parts:
        raise ParameterError("the lesson has no parts yet; add one first")
    shown = [
        _with_theory(_in_part(part, riff)) for part, riff in zip(lesson.parts, riffs, strict=True)
    ]
    return [_moved(riff, AHEAD_SEC - _start_sec(riff)) for riff in shown]


def title_of(lesson: Lesson) -> str:
    """What stands over the handout."""
    return lesson.title or " · ".join(part.shown_name for part in lesson.parts[:3])


def _in_part(part: LessonPart, riff: Riff) -> Riff:
    shown = in_bars(riff, part.bars)
    if not shown.notes:
        raise ParameterError(f"part {part.shown_name!r} has no notes in the bars that are shown")
    return shown


def _with_theory(riff: Riff) -> Riff:
    if (riff.theory or {}).get("scale"):
        return riff
    return dataclasses.replace(riff, theory=theory_report(riff).as_document())


def _start_sec(riff: Riff) -> float:
    """Where the first bar that has a note begins, or that note where it comes earlier."""
    first = min(note.onset_sec for note in riff.notes)
    if riff.rhythm is None:
        return first
    per = riff.rhythm.meter[0]
    beats = [note.onset_beat for note in riff.notes if note.onset_beat is not None]
    if not beats:
        return first
    return min(first, Clock(riff.rhythm).sec((min(beats) + 1e-6) // per * per))


def _moved(riff: Riff, sec: float) -> Riff:
    """``riff`` with all its seconds later by ``sec``."""
    notes = tuple(
        dataclasses.replace(n, onset_sec=n.onset_sec + sec, offset_sec=n.offset_sec + sec)
        for n in riff.notes
    )
    rhythm, drone, theory = riff.rhythm, riff.drone, riff.theory
    if rhythm is not None:
        rhythm = dataclasses.replace(
            rhythm,
            beats_sec=tuple(at + sec for at in rhythm.beats_sec),
            downbeats_sec=tuple(at + sec for at in rhythm.downbeats_sec),
        )
    if drone is not None:
        drone = dataclasses.replace(
            drone, start_sec=drone.start_sec + sec, end_sec=drone.end_sec + sec
        )
    if theory is not None and theory.get("chords"):
        chords = [
            {**each, "start_sec": each["start_sec"] + sec, "end_sec": each["end_sec"] + sec}
            for each in theory["chords"]
        ]
        theory = {**theory, "chords": chords}
    return dataclasses.replace(riff, notes=notes, rhythm=rhythm, drone=drone, theory=theory)


def part_data(part: LessonPart, riff: Riff, take: SheetTake | None = None) -> dict[str, Any]:
    """What the scripts draw and play of one part, in the form that the page gets a riff in.

    The verdicts on a ``take`` stand under its tab.
    """
    document = to_json(riff)
    told = {key: document[key] for key in _NEEDED if document.get(key) is not None}
    theory = document.get("theory") or {}
    told["names"] = names_to_show(riff)
    told["theory"] = {key: theory[key] for key in _NEEDED_THEORY if key in theory}
    numbers = [
        bar_and_beat(note.onset_beat, riff.rhythm.meter)[0]
        for note in riff.notes
        if riff.rhythm is not None and note.onset_beat is not None
    ] or [0]
    return {
        "label": part.label,
        "name": part.shown_name,
        "document": told,
        "bars": [
            bar for bar in written_rhythm(riff) if min(numbers) <= bar["number"] <= max(numbers)
        ],
        "legato_from": legato_sources(riff.notes),
        "unsure": [note.id for note in riff.notes if note.unsure],
        "verdicts": [] if take is None else list(take.verdicts.items()),
        "extras": [] if take is None else list(take.extras),
    }


def stands_alone(lesson: Lesson) -> bool:
    """Whether it is a riff alone, which has its name over the page already."""
    return len(lesson.parts) == 1 and lesson.parts[0].shown_name == title_of(lesson)


def whole_of(lesson: Lesson, shown: Sequence[Riff]) -> Piece | None:
    """What the parts share, of two parts or more whose mode can be told."""
    if len(lesson.parts) < 2:
        return None
    names = [part.shown_name for part in lesson.parts]
    found = piece_theory(list(zip(names, shown, strict=True)))
    return None if found.mode.candidates else found


def whole_data(whole: Piece | None) -> dict[str, Any] | None:
    """What the scripts draw of what the parts share."""
    if whole is None:
        return None
    document = whole.as_document()
    return {key: document[key] for key in ("mode", "heavier", "drone_string", "scale")}


def whole_words(whole: Piece) -> tuple[str, list[str]]:
    """What the parts share, and for each part what it says and where it fits."""
    words = whole.words()
    head = words.mode.removeprefix(f"{WHOLE}: ")
    says = [" ".join(words.loop)] if words.loop else []
    says += [
        f"{name}: {says}{f' Over these chords, {fit}' if fit else ''}"
        for name, says, fit in words.parts
    ]
    return printed(head), [printed(line) for line in says]


def form_steps(lesson: Lesson) -> list[tuple[LessonPart, int]]:
    """The parts in the order of the form, each with how often it is played in a row."""
    return [(lesson.part(label), len(list(run))) for label, run in groupby(lesson.form)]


def neck_of_all(riffs: Sequence[Riff]) -> str:
    """Tuning and capo where all parts have the same, else nothing."""
    necks = {(riff.instrument.open_midi, riff.instrument.capo) for riff in riffs}
    return printed(_capital(_neck_words(riffs[0]))) if len(necks) == 1 else ""


def cautions_of(riff: Riff) -> list[str]:
    """What may hurt in it, the first three."""
    return [sentence(remark, note_names(riff)) for remark in riff.cautions[:3]]


def practice_tempi(part: LessonPart, riff: Riff) -> tuple[int, ...]:
    """The tempi to practise a part at, from slow to its own, in counted beats a minute.

    They begin where the lesson says, else at 60 % of the part's own tempo; empty without bars.

    Examples
    --------
    >>> from transcribe.core.riff import Note, Rhythm
    >>> rhythm = Rhythm(beats_sec=(0.0, 0.5, 1.0), bpm=120.0, meter=(4, 4), downbeats_sec=(0.0,))
    >>> riff = Riff(notes=(Note(1, 0.0, 0.5, 57),), rhythm=rhythm)
    >>> practice_tempi(LessonPart("A", "x.riff.json"), riff)
    (72, 90, 108, 120)
    >>> practice_tempi(LessonPart("A", "x.riff.json", start_bpm=60), riff)
    (60, 80, 100, 120)
    """
    if riff.rhythm is None:
        return ()
    per = counted_beats(riff.rhythm.meter)
    full = riff.rhythm.bpm / per
    start = part.start_bpm / per if part.start_bpm else None
    if start is None:
        tempi = [full * share for share in _SHARES]
    elif start < full:
        tempi = [start + (full - start) * k / (_STEPS - 1) for k in range(_STEPS)]
    else:
        tempi = [full]
    return tuple(dict.fromkeys(round(each) for each in tempi))


def _neck_words(riff: Riff) -> str:
    """Tuning and capo."""
    strings, capo = riff.instrument.open_midi, riff.instrument.capo
    names = " ".join(string_names(riff))
    tuning = tuning_name(strings)
    words = f"strings from the highest: {names}{f' ({tuning})' if tuning else ''}"
    return words + (f"; capo at fret {capo}" if capo else "")


def part_facts(part: LessonPart, riff: Riff, *, neck: bool, mode: bool = True) -> str:
    """Tempo, chords and drone of a part; its tuning and capo, its own mode where they are asked."""
    from theory.loop import MAX_ROW

    found: Mapping[str, Any] = (riff.theory or {}).get("mode") or {}
    facts = [_neck_words(riff)] if neck else []
    if mode and found and not found.get("candidates"):
        facts.append(f"{found['tonic']} {found['name']}")
    if riff.rhythm is not None:
        meter = "/".join(map(str, riff.rhythm.meter))
        per = counted_beats(riff.rhythm.meter)
        dotted = " (dotted beats)" if per > 1 else ""
        facts.append(f"{riff.rhythm.bpm / per:.0f} bpm{dotted}, {meter}")
    loop = (riff.theory or {}).get("loop") or {}
    symbols = loop.get("symbols") or ()
    if symbols:
        what = "chords it hints at" if loop.get("implied") else "chords"
        listed = not loop.get("once") or len(symbols) <= MAX_ROW
        row = " – ".join(symbols) if listed else f"{len(set(symbols))} different ones"
        facts.append(f"{what}: {row}")
    if riff.drone is not None:
        facts.append(f"string {riff.drone.string} rings open as a drone")
    return printed(_capital("; ".join(facts)))


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def printed(text: str) -> str:
    """Sharps and flats as they are printed, and no line that ends before a ``%``."""
    return _FLAT.sub("♭", text.replace("#", "♯")).replace(" %", "\u00a0%")
