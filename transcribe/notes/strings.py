"""What strings allow: each sounds one note at a time, and there are only so many.

Conventions: notes are any frozen dataclass with ``onset_sec``, ``offset_sec``, ``pitch_midi``,
``confidence`` and ``last_frame`` (`note_decoding.DetectedNote`). Nothing here picks the string that
a note is played on; it only asks whether there is any way at all.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from transcribe.core.riff import UNSURE_BELOW, Instrument

if TYPE_CHECKING:
    from transcribe.notes.note_decoding import DetectedNote

__all__ = ["can_sound_together", "fit_strings"]

_STRINGS = 6
_TOGETHER_SEC = 0.03  # notes closer than this are struck at once, none of them cuts another


def can_sound_together(pitches_midi: Sequence[int], instrument: Instrument | None) -> bool:
    """Whether every pitch can have a string of its own (six strings of any tuning for None)."""
    if instrument is None:
        return len(pitches_midi) <= _STRINGS
    if len(pitches_midi) > len(instrument.open_midi):
        return False
    choices = [[string for string, _ in instrument.places(p)] for p in pitches_midi]
    taken: dict[int, int] = {}

    def seat(i: int, tried: set[int]) -> bool:
        for string in choices[i]:
            if string in tried:
                continue
            tried.add(string)
            if string not in taken or seat(taken[string], tried):
                taken[string] = i
                return True
        return False

    return all(seat(i, set()) for i in range(len(choices)))


def fit_strings(notes: Sequence[DetectedNote], instrument: Instrument | None) -> list[DetectedNote]:
    """Notes that strings can sound: where there are too many, a ringing one ends or a doubtful
    one goes.

    A new note cuts the ringing note whose end makes room, the one that has rung longest first. Of
    notes struck together that no hand can hold, the least sure goes if it is doubtful; sure notes
    stay, since the instrument may be tuned otherwise than was said.
    """
    out: list[DetectedNote] = []
    ringing: list[int] = []
    for note in sorted(notes, key=lambda n: (n.onset_sec, n.pitch_midi)):
        if instrument is not None and not instrument.places(note.pitch_midi):
            out.append(note)  # cannot be weighed against strings that do not hold it
            continue
        ringing = [i for i in ringing if out[i].offset_sec > note.onset_sec + 1e-6]
        sounding = [out[i].pitch_midi for i in ringing]
        if not can_sound_together([*sounding, note.pitch_midi], instrument):
            cut = _to_cut(note, out, ringing, instrument)
            if cut is None:
                if note.confidence < UNSURE_BELOW:
                    continue
            else:
                out[cut] = replace(
                    out[cut],
                    offset_sec=note.onset_sec,
                    last_frame=min(out[cut].last_frame, note.frame),
                )
                ringing.remove(cut)
        ringing.append(len(out))
        out.append(note)
    return out


def _to_cut(
    note: DetectedNote,
    out: Sequence[DetectedNote],
    ringing: Sequence[int],
    instrument: Instrument | None,
) -> int | None:
    """Which ringing note makes room by ending; None where only notes struck with it would."""
    for i in sorted(ringing, key=lambda i: out[i].onset_sec):
        if note.onset_sec - out[i].onset_sec < _TOGETHER_SEC:
            continue
        rest = [out[j].pitch_midi for j in ringing if j != i]
        if can_sound_together([*rest, note.pitch_midi], instrument):
            return i
    return None
