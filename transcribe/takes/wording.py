"""The sentences that the text report and the page share."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from transcribe.core.pitch import pitch_name
from transcribe.takes.comparison import MARKS, Comparison, DroneGap, Pass, Verdict
from transcribe.takes.places import bars_named, moment, spot
from transcribe.takes.remarks import stretch_words

__all__ = [
    "details",
    "gap_words",
    "headline",
    "marks_used",
    "otherwise",
    "pass_words",
    "place_of",
    "said_of",
    "sentence",
    "verdict_names",
]

_BIAS_MS = 3.0  # less is not worth a word
_FEW = 3  # notes of a kind that are named one by one
_RINGING = 0.98  # share of its time at which the drone never fell silent

_COUNTED = {
    "unsure": "not clear enough to judge, not counted",
    "cut short": "cut short",
    "left ringing": "left ringing",
}


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
        timing = f"Timing: spread {s.spread_ms:.0f} ms (two notes in three lie within it)"
        if abs(s.bias_ms) >= _BIAS_MS:
            side = "late" if s.bias_ms > 0 else "early"
            timing += f", {abs(s.bias_ms):.0f} ms {side} on average"
        lines.append(timing)
    odd = []
    if s.cut_short:
        odd.append(f"{s.cut_short} cut short")
    if s.left_ringing:
        odd.append(f"{s.left_ringing} left ringing")
    if odd:
        lines.append("Length: " + ", ".join(odd))
    return lines


def marks_used(comparison: Comparison) -> set[str]:
    """Which of the names in `MARKS` a report of the comparison shows."""
    return {
        "left out" if r.left_out else r.verdict
        for r in comparison.notes
        if not r.again and (r.reference is not None or not r.left_out)
    }


def otherwise(comparison: Comparison) -> tuple[list[Verdict], list[tuple[str, str]]]:
    """What went otherwise: verdicts to name one by one, then what is only counted.

    Unsure notes, and notes of another length, are counted where they are more than a few: a long
    list of them would hide what matters. Each count is (verdict, sentence without its stop).
    """
    rows = [
        r
        for r in comparison.notes
        if not r.left_out and not r.again and (r.verdict != "right" or r.length is not None)
    ]
    counted = []
    for kind, words in _COUNTED.items():
        own = [r for r in rows if _kind(r) == kind]
        if len(own) > _FEW:
            rows = [r for r in rows if _kind(r) != kind]
            bars = [r.bar for r in own if r.bar is not None]
            where = f" in {bars_named(bars)}" if bars else ""
            counted.append((own[0].verdict, f"{len(own)} notes{where}: {words}"))
    return rows, counted


def _kind(row: Verdict) -> str | None:
    return row.length if row.verdict == "right" else row.verdict


def details(comparison: Comparison) -> list[str]:
    """A line for each note that is not right, in the order of the reference."""
    rows, counted = otherwise(comparison)
    lines = [f"{MARKS[r.verdict]} {place_of(r, comparison)}{said_of(r)}" for r in rows]
    return lines + [f"{MARKS[verdict]} {words}" for verdict, words in counted]


def place_of(row: Verdict, comparison: Comparison) -> str:
    """Where a verdict belongs: bar and beat, else the note's number, and where it is played."""
    rhythm = comparison.reference.rhythm
    if row.beat is not None and row.bar is not None and rhythm is not None:
        where = moment(row.beat, rhythm.meter, rough=row.reference is None)
    elif row.reference is not None:
        where = f"note {row.reference + 1}"
    else:
        where = f"{row.time_sec:.2f} s"
    if row.reference is None:
        return where
    return f"{where}, {spot(comparison.reference.notes[row.reference])}"


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
        return f": {name} is not written there"
    if row.verdict == "missed":
        return ": did not sound"
    why = row.reason or "not heard for certain"
    if row.reference is None and row.played is not None:
        return f": {row.played.where} may have sounded too ({why})"
    return f": not sure, {why}"


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


def gap_words(gap: DroneGap, comparison: Comparison) -> str:
    """Where the drone has a gap, for how long, and of which kind."""
    rhythm = comparison.reference.rhythm
    where = f"{gap.start_sec:.1f} s"
    if gap.start_beat is not None and rhythm is not None:
        where = f"{moment(gap.start_beat, rhythm.meter, rough=True)}, at {where}"
    drone = comparison.drone
    rings_on = gap.kind == "not struck" and drone is not None and drone.ringing_share > _RINGING
    still = ", still ringing from before" if rings_on else ""
    return f"{where}, for {gap.end_sec - gap.start_sec:.1f} s: {gap.kind}{still}"


def pass_words(one: Pass, comparison: Comparison) -> str:
    """Which part of the reference a pass reaches; empty where it is the whole."""
    span = one.reach
    last = len(comparison.reference.notes) - 1
    if span is None or span == (0, last):
        return ""
    return stretch_words(comparison.reference, range(span[0], span[1] + 1))


def sentence(words: str) -> str:
    """Words as a sentence: a capital first, one full stop last unless they end otherwise.

    >>> sentence("is it this riff?"), sentence("not counted")
    ('Is it this riff?', 'Not counted.')
    """
    end = "" if words.endswith((".", "?", "!")) else "."
    return words[:1].upper() + words[1:] + end
