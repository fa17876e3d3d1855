"""The report in words: long, and as the few lines that a player needs first.

Conventions: bars count from 1 at the first downbeat; a pickup is bar 0.
"""

from __future__ import annotations

import textwrap
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from theory.chord_spans import ChordSpan
from theory.loop import Loop
from theory.mode_reasons import how_sure, not_told, parent_words, written_words
from theory.modes import Mode
from theory.voicing_levels import VoicingLevels, caution_text, side_by_side

__all__ = ["Bars", "chords_text", "loop_line", "loop_text", "summary_text"]

_WIDTH_COLUMNS = 88  # columns of a terminal that everybody has, less a margin
_PER_ROW = 4  # diagrams side by side
_NEAR_BEATS = 0.25  # of a beat, within which a chord begins on it


@dataclass(frozen=True, slots=True)
class Bars:
    """Where the bars begin and the beats fall, in seconds; both empty where that is not known."""

    downbeats_sec: tuple[float, ...] = ()
    beats_sec: tuple[float, ...] = ()

    def place(self, sec: float) -> str:
        """``bar 3``, ``bar 3 beat 2`` or, between two beats, ``bar 3 beat 2 and``."""
        if len(self.downbeats_sec) < 2 or len(self.beats_sec) < 2:
            return f"{sec:.2f} s"
        step = float(np.median(np.diff(self.beats_sec)))
        bar = bisect_right(self.downbeats_sec, sec + _NEAR_BEATS * step)
        if bar == 0:
            return "pickup"
        beats = (sec - self.downbeats_sec[bar - 1]) / step
        whole = int(beats + _NEAR_BEATS)
        off = "" if beats - whole <= _NEAR_BEATS else " and"
        return f"bar {bar}" + (f" beat {whole + 1}{off}" if whole or off else "")


def chords_text(chords: Sequence[ChordSpan], loop: Loop | None, bars: Bars) -> str:
    """Where each chord begins; what comes round is listed once."""
    shown = list(chords)
    again = loop is not None and loop.times >= 2 and not loop.departures
    if again and loop is not None and len(bars.downbeats_sec) > loop.bars:
        end = bars.downbeats_sec[loop.bars] - 1e-6
        first = bars.downbeats_sec[0] - 1e-6
        shown = [span for span in chords if first <= span.start_sec < end] or shown
    hinted = all(span.implied for span in chords)
    lines = ["Chords that the line hints at:" if hinted else "Chords:"]
    for span in shown:
        notes = []
        if span.implied and not hinted:
            notes.append("implied")
        if span.written:
            notes.append("written" if span.sounds is None else f"written; {span.sounds} sounds")
        if span.pedal:
            notes.append(f"over the {span.pedal} drone")
        if span.borrowed:
            notes.append(span.borrowed)
        remark = f"  ({', '.join(notes)})" if notes else ""
        lines.append(f"  {bars.place(span.start_sec):16} {span.symbol:8} {span.roman}{remark}")
    if len(shown) < len(chords):
        lines.append("  and so on, as they come round")
    return "\n".join(lines)


def loop_text(loop: Loop, mode: Mode, voicings: Sequence[VoicingLevels] = ()) -> str:
    """The loop and how often it comes round; a row of chords that does not is called no loop.

    Where single notes only hint at the chords, it says that none is played.

    With the ``voicings`` of its chords it says which shapes are played where a capo is on.
    """
    lines = []
    if loop.implied:
        drone = f" over the drone {mode.spell(min(mode.drone_midi))}" if mode.drone_midi else ""
        lines.append(f"A single line{drone}: no chords are played, its notes only hint at some.")
    if len(loop.symbols) == 1 and not loop.departures:
        roman = f" ({loop.romans[0]})" if loop.romans[0] else ""
        lines.append(
            f"One chord {'fits ' if loop.implied else ''}throughout: {loop.symbols[0]}{roman}"
        )
        return "\n".join([*lines, *_capo_lines(loop, voicings)])
    unit = "chord" if loop.by_chord else "bar"
    size = f"{loop.bars} {unit}" + ("" if loop.bars == 1 else "s")
    if loop.is_long_row:
        lines.append(f"{size}, {_different(loop)}; they do not come round.")
        return "\n".join(lines)
    what = "Chords it hints at" if loop.implied else "Chords" if loop.once else f"Loop of {size}"
    lines.append(f"{what}: | {' | '.join(map(_bar, loop.by_bar))} |")
    if any(loop.romans):
        lines.append(f"  {' - '.join(loop.romans)}")
    lines += _capo_lines(loop, voicings)
    if loop.once and not loop.implied:
        lines.append("  They are played once: no loop is heard.")
    elif not loop.once:
        again = "" if loop.times == int(loop.times) else " and begin once more"
        lines.append(f"  They come round {int(loop.times)} times{again}.")
    for bar, symbols in loop.departures:
        lines.append(f"  {unit.capitalize()} {bar} departs from it: {' '.join(symbols)}.")
    if loop.plain != loop.symbols:
        lines.append(f"  Plain version to sing along: {' - '.join(loop.plain)}")
    return "\n".join(lines)


def loop_line(loop: Loop) -> str:
    """The loop, or what its chords are where they are none, in a few words."""
    if loop.is_long_row:
        return f"{_different(loop)}, no loop"
    what = "hints at" if loop.implied else "chords" if loop.once else "loop"
    return f"{what} {' '.join(loop.symbols)}"


def _different(loop: Loop) -> str:
    return f"{len(set(loop.symbols))} different chords"


def _bar(symbols: Sequence[str]) -> str:
    """The chords of a bar, those that take turns in it told once: ``E5 E6 x4``."""
    for size in range(2, len(symbols) // 2 + 1):
        if tuple(symbols) == tuple(symbols[:size]) * (len(symbols) // size):
            return f"{' '.join(symbols[:size])} x{len(symbols) // size}"
    return " ".join(symbols)


def _capo_lines(loop: Loop, voicings: Sequence[VoicingLevels]) -> list[str]:
    """Which shapes are played at the capo, and where a capo would make the loop easier."""
    by_symbol = {chord.symbol: chord for chord in voicings}
    chords = [by_symbol[symbol] for symbol in loop.symbols if symbol in by_symbol]
    lines = []
    if played := " - ".join(chord.as_played for chord in chords if chord.as_played):
        lines.append(f"  Shapes at the capo: {played}")
    if chords and all(chord.capo for chord in chords):
        fret = chords[0].capo[0][0]
        where = f"with a capo at fret {fret}" if fret else "without the capo"
        names = " - ".join(chord.capo[0][1] for chord in chords)
        lines.append(f"  Easier {where}: the shapes {names}")
    return lines


def summary_text(
    mode: Mode,
    loop: Loop | None,
    voicings: Sequence[VoicingLevels],
    *,
    left_handed: bool = False,
) -> str:
    """Mode and why in one line, the loop, and one shape for each chord."""
    reasons = [*mode.evidence[:1], *mode.deciding[:1], *mode.undecided[:1]]
    why = f" Why: {'; '.join(reasons)}." if reasons else ""
    why += f" But {words}." if (words := written_words(mode)) else ""
    if mode.candidates:
        opening = f"Mode {not_told(mode)}.{why}"
    else:
        opening = f"{mode} ({how_sure(mode)}). {parent_words(mode)}.{why}"
    parts = [textwrap.fill(opening, _WIDTH_COLUMNS, subsequent_indent="  ")]
    if loop is not None:
        parts.append(loop_text(loop, mode, voicings))
    shapes = [chord.plain[0] for chord in voicings if chord.plain]
    rows = [shapes[i : i + _PER_ROW] for i in range(0, len(shapes), _PER_ROW)]
    parts += ["\n".join(side_by_side(row, labels=False, left_handed=left_handed)) for row in rows]
    caution = caution_text(shapes)
    return "\n\n".join([*parts, *([caution] if caution else [])])
