"""What a list says of a riff: its length, its mode, the first bar as a picture."""

from __future__ import annotations

from typing import Any

from transcribe.core.riff import Riff
from transcribe.correct.pins import places_as_written

__all__ = ["brief_of", "duration_sec", "mode_words", "opening_of"]


def brief_of(riff: Riff) -> dict[str, Any]:
    """What the list of riffs says of one."""
    return {
        "notes": len(riff.notes),
        "pins": sum(note.pinned for note in riff.notes) - len(places_as_written(riff)),
        "duration_sec": duration_sec(riff),
        "mode": mode_words(riff),
        "opening": opening_of(riff),
        "unsure": sum(note.unsure for note in riff.notes),
    }


def opening_of(riff: Riff) -> dict[str, Any]:
    """The notes of the first bar, or of the first two seconds: share of it, string, fret."""
    beat = riff.rhythm is not None and all(note.onset_beat is not None for note in riff.notes)
    length = riff.rhythm.meter[0] if beat and riff.rhythm is not None else 2.0
    whens = [note.onset_beat if beat else note.onset_sec for note in riff.notes]
    first = min((when for when in whens if when is not None), default=0.0)
    start = max(0.0, first // length * length) if beat else first
    return {
        "strings": len(riff.instrument.open_midi),
        "notes": [
            [round((when - start) / length, 3), note.string, note.fret]
            for note, when in zip(riff.notes, whens, strict=True)
            if when is not None and start <= when < start + length and note.string is not None
        ],
    }


def mode_words(riff: Riff) -> str:
    """The mode as the page names it; one that is not sure is not stated as a fact."""
    from theory import sureness_level

    mode = (riff.theory or {}).get("mode") or {}
    name = " ".join(str(mode[key]) for key in ("tonic", "name") if mode.get(key))
    confidence = mode.get("confidence")
    if mode.get("candidates"):
        return "mode not told"
    if not name or not isinstance(confidence, int | float):
        return name
    doubt = {"leading": "probably ", "guess": "a guess: "}
    return doubt.get(sureness_level(confidence), "") + name


def duration_sec(riff: Riff) -> float:
    """Seconds of the take, or of its notes where it is not known."""
    end = max((note.offset_sec for note in riff.notes), default=0.0)
    return max(end, (riff.source.duration_sec or 0.0) if riff.source else 0.0)
