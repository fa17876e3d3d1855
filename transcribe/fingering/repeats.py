"""Which notes are the same note of a phrase that comes again.

Conventions: onsets of notes and phrases in beats (see `transcribe.core.riff`).
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Sequence

from transcribe.core.riff import Note, Phrase

__all__ = ["agreed_strings", "repeat_groups"]

_SAME_BEAT = 0.2  # beats within which notes of two phrases correspond; near a sixteenth of a 4/4


def _base(label: str) -> str:
    """``A`` for ``A``, ``A'`` and ``A''``."""
    return label.rstrip("'\u2032")


def repeat_groups(
    notes: Sequence[Note], phrases: Sequence[Phrase]
) -> tuple[tuple[tuple[int, ...], ...], ...]:
    """Groups of phrases that repeat, as note ids that belong together.

    One entry for each label that comes more than once; in it, one tuple of note ids for each note
    of the phrase that is found (same pitch, same place in the phrase) at least twice, in time.
    """
    timed = sorted(
        ((n.onset_beat, n.pitch_midi, n.id) for n in notes if n.onset_beat is not None),
    )
    beats = [t[0] for t in timed]
    by_label: dict[str, list[Phrase]] = {}
    for phrase in phrases:
        by_label.setdefault(_base(phrase.label), []).append(phrase)
    out = []
    for same in by_label.values():
        if len(same) < 2:
            continue
        table: dict[tuple[int, int], list[int]] = {}
        for phrase in sorted(same, key=lambda p: p.start_beat):
            taken: set[tuple[int, int]] = set()
            low = bisect_left(beats, phrase.start_beat - 0.05)
            high = bisect_left(beats, phrase.end_beat - 0.05)
            for beat, pitch, note_id in timed[low:high]:
                slot = round((beat - phrase.start_beat) / _SAME_BEAT)
                for key in ((slot, pitch), (slot - 1, pitch), (slot + 1, pitch)):
                    if key in table and key not in taken:
                        break
                else:
                    key = (slot, pitch)
                if key in taken:
                    continue
                taken.add(key)
                table.setdefault(key, []).append(note_id)
        linked = tuple(tuple(ids) for ids in table.values() if len(ids) > 1)
        if linked:
            out.append(linked)
    return tuple(out)


def agreed_strings(
    groups: Sequence[Sequence[Sequence[int]]],
    positions: Mapping[int, tuple[int, int]],
    costs: Mapping[int, float],
    pins: Mapping[int, tuple[int, int]],
) -> dict[int, int]:
    """The string that each note of a repeated phrase should have in all its repeats.

    The repeat that is easiest a note sets the example. A note that is pinned in some repeats and
    not in others keeps its own way there; where all are pinned there is nothing to agree on.
    """
    out: dict[int, int] = {}
    for linked in groups:
        repeats = max(len(ids) for ids in linked)
        full = [ids for ids in linked if len(ids) == repeats]

        def ease(k: int, full: Sequence[Sequence[int]] = full) -> float:
            return sum(costs.get(ids[k], 0.0) + 100.0 * (ids[k] in pins) for ids in full)

        best = min(range(repeats), key=ease)
        for ids in linked:
            placed = [i for i in ids if i in positions and i not in pins]
            if len(placed) < 2:
                continue
            lead = ids[best] if len(ids) == repeats and ids[best] in placed else placed[0]
            for i in placed:
                out[i] = positions[lead][0]
    return out
