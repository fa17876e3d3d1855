"""The figures of a pass, the bars that need work, and the practice plan."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np

from transcribe.compare.model import DroneVerdict, Practice, Summary, Verdict
from transcribe.riff import Riff

__all__ = ["practice_plan", "summarise"]

_WEIGHT = {"wrong": 1.0, "missed": 1.0, "extra": 0.7, "early": 0.6, "late": 0.6}
_PLACES = 3
_SECTION = 8  # notes; stands for a bar where the reference has none


def summarise(
    rows: Sequence[Verdict],
    *,
    tempo_ratio: float | None,
    reference_bpm: float | None,
    tempo: Sequence[tuple[float, float]],
    own_bpm: float | None = None,
) -> Summary:
    """The figures of one pass from its verdicts; ``tempo`` is (take seconds, pace).

    ``own_bpm`` is the take's own tempo, used where the reference has none.
    """
    counted = [r for r in rows if not r.left_out and not r.again]
    counts = Counter(r.verdict for r in counted)
    judged = sum(n for name, n in counts.items() if name != "unsure")
    offsets = np.array(
        [
            r.offset_ms
            for r in counted
            if r.offset_ms is not None and r.verdict in ("right", "early", "late")
        ]
    )
    bias = spread = None
    if len(offsets):
        bias = float(offsets.mean())
        spread = 1.4826 * float(np.median(np.abs(offsets - np.median(offsets))))
    return Summary(
        counts=dict(counts),
        right_share=counts["right"] / judged if judged else 0.0,
        bias_ms=bias,
        spread_ms=spread,
        tempo_bpm=(
            reference_bpm * tempo_ratio
            if reference_bpm is not None and tempo_ratio is not None
            else own_bpm
            if tempo_ratio is None
            else None
        ),
        reference_bpm=reference_bpm,
        tempo_ratio=tempo_ratio,
        drift_percent=_drift(tempo),
        left_out=sum(r.left_out for r in rows),
        cut_short=sum(r.length == "cut short" for r in counted),
        left_ringing=sum(r.length == "left ringing" for r in counted),
    )


def _drift(tempo: Sequence[tuple[float, float]]) -> float | None:
    """How much faster the end is than the beginning, in percent, by a straight line in log pace."""
    if len(tempo) < 4:
        return None
    at, pace = np.array(tempo).T
    if at[-1] - at[0] < 1.0:
        return None
    slope = np.polyfit(at - at[0], np.log(pace), 1)[0]
    return float(100.0 * (np.exp(-slope * (at[-1] - at[0])) - 1.0))


def practice_plan(
    rows: Sequence[Verdict],
    summary: Summary,
    reference: Riff,
    drone: DroneVerdict | None,
) -> tuple[Practice, ...]:
    """The places that need work, worst first: at most three, and none where nothing is wrong."""
    places: dict[int, list[Verdict]] = {}
    for row in rows:
        if not row.left_out and not row.again:
            key = row.bar if row.bar is not None else _section(row, rows)
            places.setdefault(key, []).append(row)
    gaps = (
        Counter(g.bar for g in drone.gaps if g.bar is not None) if drone is not None else Counter()
    )
    scored = []
    for key, members in places.items():
        weight = sum(_WEIGHT.get(r.verdict, 0.0) for r in members) + 0.5 * gaps[key]
        notes = max(1, sum(r.reference is not None for r in members))
        if weight > 0:
            # Half by count and half by share, so that a short bar with one slip does not lead.
            scored.append((weight * (0.5 + 0.5 / notes), -key, key, weight / notes))
    scored.sort(reverse=True)
    return tuple(
        _line(key, places[key], share, gaps[key], summary, reference)
        for _, _, key, share in scored[:_PLACES]
    )


def _section(row: Verdict, rows: Sequence[Verdict]) -> int:
    if row.reference is not None:
        return row.reference // _SECTION
    before = [r.reference for r in rows if r.reference is not None and _before(r, row)]
    return max(before, default=0) // _SECTION


def _before(a: Verdict, b: Verdict) -> bool:
    return a.time_sec is not None and b.time_sec is not None and a.time_sec <= b.time_sec


def _line(
    key: int,
    members: list[Verdict],
    share: float,
    gaps: int,
    summary: Summary,
    reference: Riff,
) -> Practice:
    errors = Counter(r.verdict for r in members if r.verdict in _WEIGHT)
    if gaps:
        errors["drone"] = gaps
    ids = [r.reference for r in members if r.reference is not None]
    span = (min(ids), max(ids)) if ids else (0, 0)
    bar = members[0].bar
    place = f"notes {span[0] + 1} to {span[1] + 1}" if span[1] > span[0] else f"note {span[0] + 1}"
    if bar is not None:
        place = f"bar {bar}"
    if bar == 0:
        place = "the pickup"
    return Practice(
        bar,
        place,
        _start_tempo(share, summary),
        _listen_for(members, gaps, reference),
        dict(errors),
        span,
    )


def _start_tempo(share: float, summary: Summary) -> float | None:
    """Tempo to begin at: the slower of take and reference, less the more went wrong.

    Practising slowly enough to play it right is common practice, no source; the shares are a
    choice.
    """
    known = [bpm for bpm in (summary.reference_bpm, summary.tempo_bpm) if bpm is not None]
    if not known:
        return None
    usual = min(known)
    factor = 0.85 if share < 0.15 else 0.75 if share < 0.4 else 0.6
    return float(max(1, round(usual * factor)))


def _listen_for(members: list[Verdict], gaps: int, reference: Riff) -> str:
    """One or two things to listen for, the commonest first."""
    said: list[tuple[float, str]] = []
    wrong = [r for r in members if r.verdict == "wrong"]
    if wrong:
        places = Counter(r.played.where for r in wrong if r.played is not None)
        where, count = places.most_common(1)[0] if places else ("", 0)
        beat = _which(wrong[0], reference)
        text = f"{beat}: it was {where}" if where else beat
        said.append((float(len(wrong)), text + (f", {count} times" if count > 1 else "")))
    missed = [r for r in members if r.verdict == "missed"]
    if missed:
        many = (
            "a note that does not sound"
            if len(missed) == 1
            else (f"{len(missed)} notes that do not sound")
        )
        said.append((float(len(missed)), many + _beat(missed[0], reference)))
    extra = [r for r in members if r.verdict == "extra"]
    if extra:
        names = sorted({r.played.where for r in extra if r.played is not None})
        said.append(
            (0.7 * len(extra), "a string that sounds uncalled for: " + ", ".join(names[:3]))
        )
    for verdict in ("late", "early"):
        off = [r for r in members if r.verdict == verdict and r.offset_ms is not None]
        if off:
            middle = abs(float(np.median([r.offset_ms or 0.0 for r in off])))
            first = _beat(off[0], reference)
            who = "a note that comes" if len(off) == 1 else f"{len(off)} notes that come"
            said.append((0.6 * len(off), f"{who} {middle:.0f} ms {verdict}{first}"))
    if gaps:
        said.append((0.9 * gaps, "the drone: it must ring through"))
    said.sort(key=lambda s: -s[0])
    return "; ".join(text for _, text in said[:2])


def _which(row: Verdict, reference: Riff) -> str:
    beat = _beat(row, reference)
    return f"the note{beat}" if beat else f"note {(row.reference or 0) + 1}"


def _beat(row: Verdict, reference: Riff) -> str:
    if row.beat is None or reference.rhythm is None:
        return ""
    within = row.beat % reference.rhythm.meter[0] + 1.0
    return f" on beat {within:.3g}"
