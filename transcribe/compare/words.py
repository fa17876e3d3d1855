"""The sentences that the text report and the page share."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from transcribe.compare.model import MARKS, Comparison, Verdict
from transcribe.instrument import pitch_name

__all__ = ["details", "headline", "place_of", "said_of", "verdict_names"]


def headline(comparison: Comparison) -> list[str]:
    """The figures of the best pass in two or three lines."""
    s = comparison.summary
    judged = sum(n for name, n in s.counts.items() if name != "unsure")
    others = [
        f"{name} {s.counts[name]}"
        for name in ("wrong", "missed", "extra", "early", "late", "unsure")
        if s.counts.get(name)
    ]
    first = f"Right: {s.counts.get('right', 0)} of {judged} ({100 * s.right_share:.0f} %)"
    lines = [first + ("; " + ", ".join(others) if others else "")]
    if s.tempo_ratio is not None:
        tempo = f"Tempo: {100 * s.tempo_ratio:.0f} % of the reference's"
        if s.tempo_bpm is not None and s.reference_bpm is not None:
            tempo = f"Tempo: {s.tempo_bpm:.0f} ({tempo[7:]} {s.reference_bpm:.0f})"
        if s.drift_percent is not None:
            way = "gains" if s.drift_percent > 0 else "loses"
            steady = abs(s.drift_percent) < 1.0
            tempo += ", steady" if steady else f", {way} {abs(s.drift_percent):.0f} % on the way"
        lines.append(tempo)
    elif s.tempo_bpm is not None:
        lines.append(f"Tempo: {s.tempo_bpm:.0f}, by the take's own pulse")
    if s.spread_ms is not None and s.bias_ms is not None:
        side = "late" if s.bias_ms > 0 else "early"
        lines.append(
            f"Timing: spread {s.spread_ms:.0f} ms, {abs(s.bias_ms):.0f} ms {side} on average"
        )
    odd = []
    if s.cut_short:
        odd.append(f"{s.cut_short} cut short")
    if s.left_ringing:
        odd.append(f"{s.left_ringing} left ringing")
    if odd:
        lines.append("Length: " + ", ".join(odd))
    return lines


def details(comparison: Comparison) -> list[str]:
    """A line for each note that is not right, in the order of the reference."""
    lines = []
    for row in comparison.notes:
        if row.left_out or row.again or (row.verdict == "right" and row.length is None):
            continue
        lines.append(f"{MARKS[row.verdict]} {place_of(row, comparison)}{said_of(row)}")
    return lines


def place_of(row: Verdict, comparison: Comparison) -> str:
    """Where a verdict belongs: bar and beat, else the note's number, and where it is played."""
    rhythm = comparison.reference.rhythm
    if row.beat is not None and row.bar is not None and rhythm is not None:
        beat = row.beat - (row.bar - 1) * rhythm.meter[0] + 1.0
        where = f"bar {row.bar} beat {beat:.3g}" if row.bar > 0 else f"pickup, beat {beat:.3g}"
    elif row.reference is not None:
        where = f"note {row.reference + 1}"
    else:
        where = f"{row.time_sec:.2f} s"
    if row.reference is None:
        return where
    note = comparison.reference.notes[row.reference]
    name = pitch_name(note.pitch_midi)
    on = f" (string {note.string} fret {note.fret})" if note.string is not None else ""
    return f"{where}, {name}{on}"


def said_of(row: Verdict) -> str:
    """What went otherwise at a note, led by a colon."""
    if row.verdict == "right":
        return f": {row.length}"
    if row.verdict == "wrong" and row.played is not None and row.played.string is None:
        return f": played {row.played.where}"
    if row.verdict == "wrong":
        name = pitch_name(row.played.pitch_midi) if row.played is not None else "?"
        return f": played {name}" + (f", {row.played.where}" if row.played is not None else "")
    if row.verdict in ("early", "late") and row.offset_ms is not None:
        return f": {abs(row.offset_ms):.0f} ms {row.verdict}"
    if row.verdict == "extra":
        name = row.played.where if row.played is not None else ""
        return f": {name} is not in the reference"
    if row.verdict == "missed":
        return ": did not sound"
    return f": {row.verdict}" + (f", {row.reason}" if row.reason else "")


def verdict_names(rows: Iterable[Verdict], ids: Sequence[int]) -> dict[int, str]:
    """The verdict of each reference note by its id, ``left out`` where no pass reached it.

    ``ids`` are the notes' ids in the reference's order.
    """
    found: dict[int, str] = {}
    for row in rows:
        if row.reference is not None and not row.again:
            name = "left out" if row.left_out else row.verdict
            found[ids[row.reference]] = name
    return found
