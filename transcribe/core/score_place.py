"""How a moment of the score is called: bar and beat, with a pickup before bar 1.

Conventions: a score time is in beats, one unit of the meter's denominator each; beat 0 is the
first downbeat. Bars and the beats in them are counted from 1; what lies before bar 1 is the pickup,
bar 0. Beats are named as they are counted aloud and under a tab: ``2&`` is half way from beat 2 to
beat 3, ``2e`` and ``2a`` are the quarters beside it, ``2t`` and ``2l`` the thirds (common practice,
no source).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from transcribe.core.riff import Note, Riff

__all__ = [
    "COUNTS",
    "and_list",
    "bar_and_beat",
    "bar_list",
    "bar_name",
    "beat_name",
    "counted_beats",
    "number_ranges",
    "place_name",
    "place_of_note",
    "tempo_words",
]

COUNTS: Mapping[int, tuple[str, ...]] = {2: ("&",), 3: ("t", "l"), 4: ("e", "&", "a")}
"""What is counted at the places after the beat's number, by places in a beat."""

# further than this from a counted place, a beat is named as a decimal; set by eye
_NEAR_BEATS = 0.03


_UNITS = {1: "whole", 2: "half", 4: "quarter", 8: "eighth", 16: "sixteenth"}


def counted_beats(meter: tuple[int, int]) -> int:
    """Units of the meter in one beat as it is counted: three in compound time (6/8, 9/8, 12/8).

    Gardner Read, "Music Notation" (2nd ed. 1979), chapter 10: compound time has dotted beats.

    Examples
    --------
    >>> counted_beats((4, 4)), counted_beats((6, 8)), counted_beats((3, 8)), counted_beats((7, 8))
    (1, 3, 1, 1)
    """
    top, unit = meter
    return 3 if unit in (8, 16) and top > 3 and top % 3 == 0 else 1


def tempo_words(bpm: float, meter: tuple[int, int]) -> str:
    """A tempo of ``bpm`` units of the meter a minute, in beats as they are counted.

    Examples
    --------
    >>> tempo_words(114.42, (4, 4)), tempo_words(252.0, (6, 8)), tempo_words(180.0, (7, 8))
    ('114.4 bpm (quarter = 114.4)', '84 bpm (dotted quarter = 84)', '180 bpm (eighth = 180)')
    """
    per, unit = counted_beats(meter), meter[1]
    note = f"dotted {_UNITS[unit // 2]}" if per > 1 else _UNITS.get(unit, f"1/{unit}")
    shown = f"{round(bpm / per, 1):g}"
    return f"{shown} bpm ({note} = {shown})"


def bar_and_beat(beat: float, meter: tuple[int, int]) -> tuple[int, float]:
    """Number of the bar that holds ``beat``, and the beat in it, from 1.

    A moment just before a bar line belongs to the bar that begins there.

    Examples
    --------
    >>> bar_and_beat(9.5, (4, 4)), bar_and_beat(-1.0, (4, 4)), bar_and_beat(7.99, (4, 4))[0]
    ((3, 2.5), (0, 4.0), 3)
    """
    bar = int((beat + _NEAR_BEATS) // meter[0])
    return bar + 1, beat - bar * meter[0] + 1.0


def bar_name(bar: int) -> str:
    """``bar 3``, or ``pickup`` for what lies before bar 1."""
    return f"bar {bar}" if bar > 0 else "pickup"


def beat_name(beat: float, *, parts: int = 0, beats: int = 0) -> str:
    """Name of a beat of a bar, counted from 1.

    Parameters
    ----------
    beat : float
        The beat in its bar, from 1.
    parts : int, optional
        Round to that part of a beat: 4 for the nearest quarter of a beat.
    beats : int, optional
        Beats of the bar, so that what is rounded stays in it.

    Examples
    --------
    >>> [beat_name(b) for b in (3.0, 2.5, 1.75, 4 + 1 / 3, 2.1)]
    ['3', '2&', '1a', '4t', '2.1']
    >>> beat_name(2.45, parts=4), beat_name(4.95, parts=4, beats=4)
    ('2&', '4a')
    """
    if parts:
        beat = round(parts * beat) / parts
        beat = min(beat, beats + 1.0 - 1.0 / parts) if beats else beat
    if abs(beat - round(beat)) <= _NEAR_BEATS:
        return str(round(beat))
    whole = int(beat // 1)
    for count, signs in COUNTS.items():
        for k, sign in enumerate(signs, start=1):
            if abs(beat - whole - k / count) <= _NEAR_BEATS:
                return f"{whole}{sign}"
    return f"{beat:.1f}"


def place_name(beat: float, meter: tuple[int, int], *, parts: int = 0) -> str:
    """Bar and beat of a score time, the beat to the nearest of its ``parts`` if they are given.

    Examples
    --------
    >>> place_name(9.5, (4, 4)), place_name(-1.0, (4, 4)), place_name(7.9, (4, 4), parts=4)
    ('bar 3 beat 2&', 'pickup beat 4', 'bar 2 beat 4a')
    """
    bar, within = bar_and_beat(beat, meter)
    return f"{bar_name(bar)} beat {beat_name(within, parts=parts, beats=meter[0])}"


def place_of_note(riff: Riff, note: Note) -> str:
    """Where a note stands for a reader: bar and beat, or its time where there are no bars.

    Examples
    --------
    >>> place_of_note(Riff(), Note(1, 2.0, 2.5, 60))
    'at 2.00 s'
    """
    if riff.rhythm is None or note.onset_beat is None:
        return f"at {note.onset_sec:.2f} s"
    return place_name(note.onset_beat, riff.rhythm.meter)


def and_list(names: Sequence[str], *, most: int = 4) -> str:
    """Names in a row with ``and`` before the last; the rest counted where there are many.

    Examples
    --------
    >>> and_list(["1"]), and_list(["1", "2&"]), and_list(list("abcdef"))
    ('1', '1 and 2&', 'a, b, c, d and 2 more')
    """
    if len(names) > most + 1:
        return ", ".join(names[:most]) + f" and {len(names) - most} more"
    return " and ".join(filter(None, [", ".join(names[:-1]), *names[-1:]]))


def bar_list(bars: Sequence[int]) -> str:
    """Bars by their numbers, in order.

    Examples
    --------
    >>> bar_list([3, 1, 2]), bar_list([4]), bar_list([0, 2, 3]), bar_list([0])
    ('bars 1 to 3', 'bar 4', 'the pickup and bars 2 and 3', 'the pickup')
    """
    counted = sorted({bar for bar in bars if bar > 0})
    names = ["the pickup"] if len(counted) < len(set(bars)) else []
    if counted:
        names.append(f"bar{'s' if len(counted) > 1 else ''} {number_ranges(counted)}")
    return " and ".join(names)


def number_ranges(numbers: Sequence[int]) -> str:
    """Whole numbers as ranges, rising.

    Examples
    --------
    >>> number_ranges([5, 1, 2, 3]), number_ranges([4, 5]), number_ranges([7])
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
    return and_list(names, most=8)
