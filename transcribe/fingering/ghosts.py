"""Notes that may be overtones of a note struck with them: they must not lead the hand.

A recording read by ear or by a network holds such notes an octave or a twelfth above a real one,
with little confidence. They get whatever string is free once the sure notes have theirs.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence

from transcribe.core.riff import Instrument, Note

__all__ = ["SURE", "TOGETHER_SEC", "ghosts_of", "place_ghosts"]

SURE = 0.6
"""A note of this confidence or more is taken for played."""

TOGETHER_SEC = 0.05
"""Notes that begin within this are one stroke."""
_OVERTONES = (12, 19, 24)  # semitones of the second, third and fourth partial above the first


def ghosts_of(notes: Sequence[Note]) -> frozenset[int]:
    """Ids of the unsure notes that may be overtones of one that begins with them.

    ``notes`` are sorted by onset.
    """
    found = set()
    first = 0
    for note in notes:
        if note.confidence >= SURE:
            continue
        while notes[first].onset_sec < note.onset_sec - TOGETHER_SEC:
            first += 1
        for k in range(first, len(notes)):
            other = notes[k]
            if other.onset_sec > note.onset_sec + TOGETHER_SEC:
                break
            apart = note.pitch_midi - other.pitch_midi
            if apart in _OVERTONES and other.confidence > note.confidence:
                found.add(note.id)
                break
    return frozenset(found)


def place_ghosts(
    ghosts: Sequence[Note],
    notes: Sequence[Note],
    instrument: Instrument,
    positions: dict[int, tuple[int, int]],
) -> list[int]:
    """Put each ghost on a string that is free at its onset, nearest the hand.

    Changes ``positions``; returns the ids of the ghosts that found no string.
    """
    unmet = []
    onsets = [n.onset_sec for n in notes]
    placed: list[Note] = []
    for ghost in ghosts:
        low = bisect_left(onsets, ghost.onset_sec - TOGETHER_SEC)
        high = bisect_right(onsets, ghost.onset_sec + TOGETHER_SEC)
        late = [n for n in placed[-6:] if abs(n.onset_sec - ghost.onset_sec) <= TOGETHER_SEC]
        near = [n for n in (*notes[low:high], *late) if n.id in positions]
        taken = {positions[n.id][0] for n in near}
        hand = [positions[n.id][1] for n in near if positions[n.id][1] > 0] or [0]
        free = [p for p in instrument.places(ghost.pitch_midi) if p[0] not in taken]
        if not free:
            unmet.append(ghost.id)
            continue
        positions[ghost.id] = min(free, key=lambda p: (abs(p[1] - hand[0]), p[0]))
        placed.append(ghost)
    return unmet
