"""Bars for a tab that has no count: from its bar lines, or from its first note.

Conventions: times in seconds; such a tab's own seconds only tell the order and spacing of columns.
"""

from __future__ import annotations

import dataclasses
import itertools
import statistics
from collections.abc import Iterable

from transcribe.formats.tab_riff import spread
from transcribe.riff import Riff

__all__ = ["in_bars"]


def in_bars(
    riff: Riff,
    bpm: float | None,
    meter: tuple[int, int] | None,
    first_beat_sec: float | None,
) -> tuple[Riff, float | None, tuple[int, int] | None, float | None]:
    """What a tab without a count tells of its rhythm: its bars, else its first note begins one.

    Its seconds only stand for columns, so that they are stretched to a tempo that is given.

    Parameters
    ----------
    riff : Riff
        As read from a tab without a count: no rhythm, ``extra["timing"]`` is ``"order"``.
    bpm, meter, first_beat_sec
        As they were given, None where they were not.

    Returns
    -------
    tuple
        The riff with its notes in seconds, and the tempo, meter and first beat to take.
    """
    bars = riff.extra.get("bars_sec")
    told = riff.extra.get("meter")
    guessed = meter is None and not riff.extra.get("meter_told")
    meter = meter or (tuple(told) if told else (4, 4))
    onsets = sorted({note.onset_sec for note in riff.notes})
    if bars and len(bars) > 1:
        bar_sec = (bars[-1] - bars[0]) / (len(bars) - 1)
        start, own_bpm = bars[0], 60.0 * meter[0] / bar_sec
        times = _on_the_grid(onsets, start, bar_sec, max(4, meter[0] * 16 // meter[1]))
    else:
        # Most notes of a riff are eighths (common practice, no source).
        gaps = [round(b - a, 3) for a, b in itertools.pairwise(onsets)]
        usual = min(statistics.multimode(gaps)) if gaps else 0.25
        start, own_bpm = onsets[0], 60.0 / (usual * (2 if meter[1] <= 4 else 1))
        times = {onset: onset for onset in onsets}
    wanted = bpm if bpm is not None else min(max(own_bpm, 20.0), 400.0)
    factor = own_bpm / wanted
    used = ("bars_sec", "meter", "meter_told", "column_sec")
    extra = {key: value for key, value in riff.extra.items() if key not in used}
    if guessed:
        remark = f"The tab tells no meter; {meter[0]}/{meter[1]} is taken until another is given."
        extra["warnings"] = [*extra.get("warnings", ()), remark]
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
    riff = dataclasses.replace(riff, notes=notes, extra=extra)
    return riff, wanted, meter, start * factor if first_beat_sec is None else first_beat_sec


def _on_the_grid(
    onsets: Iterable[float], start: float, bar_sec: float, parts: int
) -> dict[float, float]:
    """Seconds -> seconds moved to the ``parts`` of their bar, each to one of its own."""
    bars: dict[int, dict[float, float]] = {}
    for onset in onsets:
        bar, share = divmod((onset - start) / bar_sec + 1e-6, 1.0)
        bars.setdefault(int(bar), {})[onset] = share
    times: dict[float, float] = {}
    for bar, shares in bars.items():
        found = spread(shares.values(), parts)
        times |= {at: start + (bar + found[share]) * bar_sec for at, share in shares.items()}
    return times
