"""How a moment of the score and a place on the neck are called in reports.

Beats are counted as under a tab: ``2&`` is half way from beat 2 to beat 3, ``2e`` and ``2a`` are
the quarters beside it, ``2t`` and ``2l`` the thirds.
"""

from __future__ import annotations

from collections.abc import Sequence

from transcribe.core.pitch import pitch_name
from transcribe.core.riff import Note
from transcribe.formats.tab.layout import COUNTS

__all__ = ["bars_named", "beat_name", "listed", "moment", "ranges", "rounded", "spot"]

_NEAR = 0.03  # beats; further from a counted place a beat is told as a decimal


def beat_name(beat: float) -> str:
    """The name of a beat of a bar, counted from 1.

    >>> beat_name(3.0), beat_name(2.5), beat_name(1.75), beat_name(4 + 1 / 3), beat_name(2.1)
    ('3', '2&', '1a', '4t', '2.1')
    """
    if abs(beat - round(beat)) <= _NEAR:
        return str(round(beat))
    whole = int(beat // 1)
    for parts, signs in COUNTS.items():
        for k, sign in enumerate(signs, start=1):
            if abs(beat - whole - k / parts) <= _NEAR:
                return f"{whole}{sign}"
    return f"{beat:.1f}"


def moment(beat: float, meter: tuple[int, int], *, rough: bool = False) -> str:
    """Bar and beat of a score time; ``rough`` takes the nearest quarter of a beat in the bar.

    >>> moment(9.5, (4, 4)), moment(-1.0, (4, 4)), moment(7.9, (4, 4), rough=True)
    ('bar 3 beat 2&', 'pickup beat 4', 'bar 2 beat 4a')
    """
    bar = int((beat + _NEAR) // meter[0])
    name = f"bar {bar + 1}" if bar >= 0 else "pickup"
    within = beat - bar * meter[0] + 1.0
    return f"{name} beat {beat_name(rounded(within, meter) if rough else within)}"


def rounded(within: float, meter: tuple[int, int], *, parts: int = 4) -> float:
    """A beat of a bar, from 1, to the nearest of its ``parts`` that still lies in the bar.

    >>> rounded(2.45, (4, 4)), rounded(4.95, (4, 4))
    (2.5, 4.75)
    """
    return min(round(parts * within) / parts, meter[0] + 1.0 - 1.0 / parts)


def spot(note: Note) -> str:
    """Where a note is played and what it is called; the name alone where it has no place.

    >>> spot(Note(1, 0.0, 1.0, 45, string=5, fret=0)), spot(Note(1, 0.0, 1.0, 60))
    ('string 5 open (A2)', 'C4')
    """
    name = pitch_name(note.pitch_midi)
    if note.string is None or note.fret is None:
        return name
    fret = f"fret {note.fret}" if note.fret else "open"
    return f"string {note.string} {fret} ({name})"


def listed(names: Sequence[str], *, most: int = 4) -> str:
    """Names in a row with ``and`` before the last.

    >>> listed(["1"]), listed(["1", "2&"]), listed(list("abcdef"))
    ('1', '1 and 2&', 'a, b, c, d and 2 more')
    """
    if len(names) > most + 1:
        return ", ".join(names[:most]) + f" and {len(names) - most} more"
    return " and ".join(filter(None, [", ".join(names[:-1]), *names[-1:]]))


def bars_named(bars: Sequence[int]) -> str:
    """Bars by their numbers, what lies before bar 1 as the pickup.

    >>> bars_named([3, 1, 2]), bars_named([4]), bars_named([0, 2, 3]), bars_named([0])
    ('bars 1 to 3', 'bar 4', 'the pickup and bars 2 and 3', 'the pickup')
    """
    counted = sorted({bar for bar in bars if bar > 0})
    names = ["the pickup"] if len(counted) < len(set(bars)) else []
    if counted:
        names.append(f"bar{'s' if len(counted) > 1 else ''} {ranges(counted)}")
    return " and ".join(names)


def ranges(numbers: Sequence[int]) -> str:
    """Whole numbers as ranges, rising.

    >>> ranges([5, 1, 2, 3]), ranges([4, 5]), ranges([7])
    ('1 to 3 and 5', '4 and 5', '7')
    """
    spans: list[list[int]] = []
    for n in sorted(set(numbers)):
        if spans and n == spans[-1][1] + 1:
            spans[-1][1] = n
        else:
            spans.append([n, n])
    names = []
    for a, b in spans:
        names += [f"{a} to {b}"] if b > a + 1 else [str(n) for n in dict.fromkeys((a, b))]
    return listed(names, most=8)
