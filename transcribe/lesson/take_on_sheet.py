"""What the last take of a riff shows on the sheet that goes back to the student.

The comparison is the one that is kept beside the riff (`transcribe.library.last_comparison`). Its
sentences were made then; here is chosen what still holds for the riff as it is now.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from transcribe.core.lesson import Lesson
from transcribe.core.riff import Note, Riff
from transcribe.core.score_place import place_of_note
from transcribe.lesson.part_riffs import in_bars
from transcribe.takes.verdict_wording import sentence

__all__ = ["Checks", "SheetTake", "take_on_sheet", "takes_on_sheet"]

Checks = Sequence[Mapping[str, Any] | None]
"""The kept comparison of each part of a lesson, in their order; empty for none at all."""

_MAX_NOTES = 24  # that are listed one by one
_NEAR_SEC = 0.05  # within which a note is still the one that a verdict is about


@dataclass(frozen=True)
class SheetTake:
    """A take as a handout tells of it.

    ``head`` names it; ``says`` are sentences about the whole; ``practice`` are places to practise,
    each with its steps; ``notes`` are lines about what was not right, the marks of the tab not
    among them. ``verdicts`` are by the id of the note, ``extras`` the beats of notes that were
    played and are not in the riff.
    """

    head: str
    says: tuple[str, ...]
    practice: tuple[tuple[str, tuple[str, ...]], ...]
    notes: tuple[str, ...]
    verdicts: Mapping[int, str] = field(default_factory=dict)
    extras: tuple[float, ...] = ()


def take_on_sheet(
    kept: Mapping[str, Any] | None, riff: Riff, bars: tuple[int, int] | None = None
) -> SheetTake | None:
    """What a kept comparison says of ``riff`` or some of its ``bars``; None where there is none.

    Parameters
    ----------
    kept : mapping, optional
        As `transcribe.library.last_comparison.read_check` gives it.
    riff : Riff
        The whole riff as it is now. Of a note that is gone, or sounds otherwise, nothing is said;
        nor is what the riff itself is unsure of held against anyone. Where its bars were counted
        anew, the places to practise and the extra notes, which are told by the old ones, are left
        out.
    bars : (int, int), optional
        First and last bar that is shown.
    """
    if kept is None:
        return None
    comparison = kept["comparison"]
    shown = {note.id: note for note in in_bars(riff, bars).notes if not note.unsure}
    same = _downbeats(kept.get("rhythm")) == (
        None if riff.rhythm is None else list(riff.rhythm.downbeats_sec)
    )
    verdicts: dict[int, str] = {}
    extras: list[float] = []
    notes: list[str] = []
    for row in comparison["notes"]:
        if row.get("left_out") or row.get("again"):
            continue
        if row.get("reference") is None:
            if not same or not _within(row.get("bar"), bars) or row["verdict"] != "extra":
                continue
            if row.get("beat") is not None:
                extras.append(float(row["beat"]))
            where = row.get("place")
        else:
            note_id, pitch_midi, onset_sec = kept["notes"][row["reference"]]
            note = shown.get(note_id)
            if note is None or not _sounds(note, pitch_midi, onset_sec):
                continue
            verdicts[note.id] = row["verdict"]
            where = (row.get("place") if same else None) or place_of_note(riff, note)
        if row["verdict"] != "right" and where:
            notes.append(_capital(f"{where}: {row.get('words') or row['verdict']}"))
    if len(notes) > _MAX_NOTES:
        notes[_MAX_NOTES:] = [f"and {len(notes) - _MAX_NOTES} more"]
    return SheetTake(
        f"The take of {_day(kept['when'])} ({kept['take']})",
        tuple(_says(comparison, whole=bars is None)),
        tuple(_practice(comparison.get("practice") or (), bars)) if same else (),
        tuple(notes),
        verdicts,
        tuple(extras),
    )


def takes_on_sheet(checks: Checks, lesson: Lesson, riffs: Sequence[Riff]) -> list[SheetTake | None]:
    """`take_on_sheet` for each part of a lesson; ``checks`` are in the order of the parts, or none.

    ``riffs`` are the whole riffs of the parts.
    """
    kept = checks or [None] * len(lesson.parts)
    return [
        take_on_sheet(check, riff, part.bars)
        for check, part, riff in zip(kept, lesson.parts, riffs, strict=True)
    ]


def _says(comparison: Mapping[str, Any], *, whole: bool) -> list[str]:
    drone = comparison.get("drone") or {}
    lines = [
        *(comparison.get("headline") or ()),
        *(comparison.get("remarks") or ()),
        *(comparison.get("differences") or ()),
        drone.get("words") or "",
        *(f"The drone, {gap['words']}" for gap in drone.get("dropouts") or () if "words" in gap),
    ]
    if not whole:
        lines.insert(0, "What is said here is of the whole riff")
    return [sentence(line) for line in lines if line]


def _practice(
    plan: Sequence[Mapping[str, Any]], bars: tuple[int, int] | None
) -> list[tuple[str, tuple[str, ...]]]:
    found = []
    for line in plan:
        if bars is not None and not any(_within(bar, bars) for bar in line.get("bars") or ()):
            continue
        tempo = line.get("tempo_bpm")
        head = _capital(line.get("place") or "here") + (f", from {tempo:.0f} bpm" if tempo else "")
        found.append((head, tuple(sentence(step) for step in line.get("steps") or ())))
    return found


def _downbeats(rhythm: Mapping[str, Any] | None) -> list[float] | None:
    return None if rhythm is None else list(rhythm["downbeats_sec"])


def _within(bar: int | None, bars: tuple[int, int] | None) -> bool:
    return bars is None or (bar is not None and bars[0] <= bar <= bars[1])


def _sounds(note: Note, pitch_midi: int, onset_sec: float) -> bool:
    return note.pitch_midi == pitch_midi and abs(note.onset_sec - onset_sec) < _NEAR_SEC


def _day(when: str) -> str:
    """``28 November 2026`` of a moment in ISO 8601; what is none stays."""
    try:
        day = datetime.fromisoformat(when).astimezone()
    except ValueError:
        return when
    return f"{day.day} {day:%B %Y}"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
