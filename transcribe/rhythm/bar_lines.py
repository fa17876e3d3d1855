"""Bars for a tab without a count: from its bar lines, or from its first note.

Conventions: times in seconds; the seconds of such a tab stand for columns, and tell the order and
spacing of notes.
"""

from __future__ import annotations

import dataclasses
import itertools
import math
import statistics
from collections.abc import Iterable

from transcribe.core.clock import MAX_BPM, MIN_BPM, distinct_parts
from transcribe.core.riff import Remark, Rhythm, Riff, Timing
from transcribe.rhythm.phrases import find_phrases

__all__ = ["in_bars"]


def in_bars(
    riff: Riff,
    bpm: float | None,
    meter: tuple[int, int] | None,
    first_beat_sec: float | None,
) -> tuple[Riff, float | None, tuple[int, int] | None, float | None]:
    """Put a tab without a count in bars: those of its bar lines, else one from its first note on.

    Parameters
    ----------
    riff : Riff
        As read from a tab without a count: no rhythm, and only the order of its notes is known.
    bpm, meter, first_beat_sec
        What is known of the rhythm, None where it is not. The seconds are stretched to ``bpm``.

    Returns
    -------
    tuple
        The riff with its notes in seconds, and the tempo, meter and first beat to find its rhythm
        with. Where it has bar lines it has its rhythm, and only ``first_beat_sec`` is left.
    """
    timing = riff.timing
    bars = timing.bars_sec
    guessed = meter is None and not timing.meter_given
    meter = meter or timing.meter or (4, 4)
    onsets = sorted({note.onset_sec for note in riff.notes})
    by_bars = len(bars) > 1
    if by_bars:
        bar_sec = (bars[-1] - bars[0]) / (len(bars) - 1)
        start, own_bpm = bars[0], 60.0 * meter[0] / bar_sec
        times = {onset: onset for onset in onsets}
        if meter != timing.meter:
            times = _on_the_grid(onsets, start, bar_sec, max(4, meter[0] * 16 // meter[1]))
    else:
        # Most notes of a riff are eighths (common practice, no source).
        gaps = [round(b - a, 3) for a, b in itertools.pairwise(onsets)]
        usual = min(statistics.multimode(gaps)) if gaps else 0.25
        start, own_bpm = onsets[0], 60.0 / (usual * (2 if meter[1] <= 4 else 1))
        times = {onset: onset for onset in onsets}
    if bpm is None and timing.bpm:
        bpm = timing.bpm * (timing.bpm_unit * meter[1] if timing.bpm_unit else 1.0)
    wanted = bpm if bpm is not None else min(max(own_bpm, MIN_BPM), MAX_BPM)
    factor = own_bpm / wanted
    warnings = riff.warnings
    if guessed:
        warnings = (*warnings, Remark("tab-no-meter", {"meter": list(meter)}))
    if bpm is None:
        warnings = (*warnings, Remark("tempo-taken", {"bpm": wanted, "meter": list(meter)}))
    notes = tuple(
        dataclasses.replace(
            note,
            onset_sec=times[note.onset_sec] * factor,
            offset_sec=max(
                times.get(note.offset_sec, note.offset_sec), times[note.onset_sec] + 0.02
            )
            * factor,
        )
        for note in riff.notes
    )
    # The columns and bars of the tab have been used.
    timing = Timing(timing.kind, timing.lengths, extra=timing.extra)
    riff = dataclasses.replace(riff, notes=notes, timing=timing, warnings=warnings)
    start *= factor
    if by_bars:
        end = bars[-1] * factor
        return _with_rhythm(riff, wanted, meter, start, end), None, None, first_beat_sec
    return riff, wanted, meter, start if first_beat_sec is None else first_beat_sec


def _with_rhythm(riff: Riff, bpm: float, meter: tuple[int, int], start: float, end: float) -> Riff:
    """The riff in its bars: a bar line that is written is beat 1, whatever the notes would say."""
    beat_sec = 60.0 / bpm
    notes = tuple(
        dataclasses.replace(
            note,
            onset_beat=round((note.onset_sec - start) / beat_sec, 4),
            duration_beat=round((note.offset_sec - note.onset_sec) / beat_sec, 4),
        )
        for note in riff.notes
    )
    first = math.floor(min(0.0, *(note.onset_beat or 0.0 for note in notes)))
    beats = range(first, round((end - start) / beat_sec) + 1)
    rhythm = Rhythm(
        bpm,
        meter,
        tuple(round(start + beat * beat_sec, 6) for beat in beats),
        tuple(round(start + beat * beat_sec, 6) for beat in beats[-first :: meter[0]]),
        find_phrases(notes, meter=meter),
    )
    return dataclasses.replace(riff, notes=notes, rhythm=rhythm)


def _on_the_grid(
    onsets: Iterable[float], start: float, bar_sec: float, parts: int
) -> dict[float, float]:
    """Seconds -> seconds at the nearest of the ``parts`` of their bar, no two at the same one."""
    bars: dict[int, dict[float, float]] = {}
    for onset in onsets:
        bar, share = divmod((onset - start) / bar_sec + 1e-6, 1.0)
        bars.setdefault(int(bar), {})[onset] = share
    times: dict[float, float] = {}
    for bar, shares in bars.items():
        found = distinct_parts(shares.values(), parts)
        times |= {at: start + (bar + found[share]) * bar_sec for at, share in shares.items()}
    return times
