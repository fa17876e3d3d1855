"""A chord shape on the neck: its notes, its fingers, its stretch and its picture.

Conventions: string 1 is the highest-sounding string; ``frets`` and ``fingers`` list string 1
first; fret 0 is open (with a capo: at the capo), None is a string that is not played. Pictures
and the short form ``x32010`` run the other way, as players write them: low string on the left.
Fingers: 1 index to 4 little finger, 0 open.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

from theory.neck import Neck

__all__ = ["CARE", "WIDE_MM", "Shape", "finger_frets", "stretch_mm"]

WIDE_MM = 80.0
"""From this stretch on, a shape carries a caution; set by hand, no source."""

CARE = "go into it slowly, stop if it hurts, and ask a teacher or a clinician if it keeps hurting"
"""What to do about a wide stretch."""

_REACH_MM = (72.0, 48.0, 48.0)
# How far index-middle, middle-ring and ring-little open along the neck; set by hand, no source.


def stretch_mm(frets: tuple[int | None, ...], neck: Neck) -> float:
    """Distance along the neck between the outermost stopped frets; 0 with fewer than two."""
    stopped = [f for f in frets if f]
    return neck.apart_mm(min(stopped), max(stopped)) if len(stopped) > 1 else 0.0


@dataclass(frozen=True, slots=True)
class Shape:
    """One way to play a chord: ``frets`` and ``fingers`` of each string, string 1 first.

    ``pitch_midi`` lists what sounds, lowest first; ``stretch_mm`` is taken along the neck behind a
    ``capo`` at that fret. ``symbol`` is what sounds (a power chord for Am is ``A5``). ``kind`` is
    ``open``, ``movable``, ``power``, ``drone`` or ``partial`` (strings left out on purpose).
    ``level`` compares it with the chord as written: ``easier``, ``plain`` or ``heavier``.
    ``degrees`` names what each string sounds, ``barre`` is (fret, lowest string, highest string) or
    None, ``missing`` lists degrees of the chord that do not sound. ``cost`` ranks shapes: lower is
    handier.
    """

    symbol: str
    kind: str
    level: str
    frets: tuple[int | None, ...]
    fingers: tuple[int | None, ...]
    pitch_midi: tuple[int, ...]
    degrees: tuple[str | None, ...]
    stretch_mm: float
    cost: float
    barre: tuple[int, int, int] | None = None
    missing: tuple[str, ...] = ()
    capo: int = 0

    @property
    def fingers_used(self) -> int:
        """How many fingers hold the shape, 0-4."""
        return len({f for f in self.fingers if f})

    @property
    def caution(self) -> str:
        """What to mind about a wide stretch; empty where it is not wide."""
        return f"wide stretch: {CARE}" if self.stretch_mm >= WIDE_MM else ""

    @property
    def short(self) -> str:
        """The frets from the low string to the high one: ``x32010``, wider ones with dashes."""
        cells = ["x" if f is None else str(f) for f in reversed(self.frets)]
        return "".join(cells) if all(len(c) == 1 for c in cells) else "-".join(cells)

    def diagram(self, *, left_handed: bool = False) -> str:
        """A picture in text, the digits on it are fingers.

        The low string is on the left, for a left-handed player on the right, as the neck is seen.
        """
        strings = range(len(self.frets))
        columns = list(strings if left_handed else reversed(strings))
        stopped = [f for f in self.frets if f]
        top = 1 if not stopped or max(stopped) <= 4 else min(stopped)
        bottom = max(top + 3, max(stopped, default=0))
        head = " ".join(
            "x" if self.frets[c] is None else "o" if self.frets[c] == 0 else " " for c in columns
        )
        width = 2 * len(columns) - 1
        where = "nut" if self.capo == 0 else f"capo {self.capo}"
        edge = "=" * width + f"  {where}" if top == 1 else "-" * width
        lines = [f"{self.symbol}  {self.short}", head.rstrip(), edge]
        for fret in range(top, bottom + 1):
            row = " ".join(str(self.fingers[c]) if self.frets[c] == fret else "|" for c in columns)
            lines.append(row + (f"  fret {fret}" if fret == top and top > 1 else ""))
        return "\n".join(lines)


def finger_frets(
    frets: tuple[int | None, ...], neck: Neck
) -> tuple[tuple[int | None, ...], tuple[int, int, int] | None] | None:
    """Fingers for a shape and its barre (fret, lowest string, highest string), or None.

    The index finger lies flat where the lowest stopped fret stands on several strings and more
    fingers than four would be needed, or where the barre is the handier way; a barre may cross no
    open and no silent string. None where four fingers cannot hold the shape.
    """
    stopped = [(f, s) for s, f in enumerate(frets) if f]
    if not stopped:
        return tuple(0 if f == 0 else None for f in frets), None
    low = min(f for f, _ in stopped)
    on_low = [s for f, s in stopped if f == low]
    plans: list[tuple[int, int, int] | None] = []
    if len(stopped) <= 4:
        plans.append(None)
    if len(on_low) >= 2:
        between = range(min(on_low), max(on_low) + 1)
        if all(frets[s] for s in between):
            plans.append((low, max(on_low) + 1, min(on_low) + 1))
    # Three neighbours on one fret beside an open string are three fingers, as in an open A: under
    # one finger the strings beside them hardly ring (common practice, no source).
    three_fingers = len(stopped) == len(on_low) == 3 and 0 in frets
    barre_first = len(on_low) >= 3 and not three_fingers
    if barre_first or not plans or (len(stopped) > 3 and len(on_low) >= 2):
        plans.reverse()  # many strings on one fret lie more easily under one finger
    for barre in plans:
        fingers = _assign(frets, barre, neck)
        if fingers is not None:
            return fingers, barre
    return None


def _assign(
    frets: tuple[int | None, ...],
    barre: tuple[int, int, int] | None,
    neck: Neck,
) -> tuple[int | None, ...] | None:
    out: list[int | None] = [0 if f == 0 else None for f in frets]
    # Low strings first: on one fret the finger nearer the index takes the lower string.
    notes = sorted(((f, -s) for s, f in enumerate(frets) if f))
    low = notes[0][0]
    if barre is not None:
        for s, f in enumerate(frets):
            if f == barre[0]:
                out[s] = 1
        notes = [(f, s) for f, s in notes if f != barre[0]]
    used = 1 if barre is not None else 0
    if len(notes) + used > 4:
        return None
    hand = [(1, low)] if barre is not None else []
    for i, (fret, negative) in enumerate(notes):
        left = len(notes) - i - 1
        # One finger a fret where the hand has fingers to spare.
        finger = min(max(used + 1, fret - low + 1), 4 - left)
        out[-negative] = finger
        used = finger
        hand.append((finger, fret))
    for (f1, a), (f2, b) in itertools.pairwise(hand):
        if neck.apart_mm(a, b) > sum(_REACH_MM[f1 - 1 : f2 - 1]):
            return None
    return tuple(out)
