"""The figures of a pass: its counts, timing and tempo, and how much of it matches the reference.

`share_matched` and `share_needed` decide whether a take is a playing of the reference at all. Any
two riffs can be laid over each other so that some notes agree: by another transposition, by going
back again and again, or with onsets scattered about the beat. So the share of notes that match must
be the greater the more of that it took. The bounds were set between phrases of the training
generator played with four fifths of their chords spoilt, and pairs of phrases that have nothing to
do with each other.

`TakeFigures` are what is worth keeping of a comparison; `changes_since` compares two of them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import numpy as np

from transcribe.core.score_place import bar_and_beat
from transcribe.takes.comparison import VERDICTS, Comparison, Pass, Summary, Verdict
from transcribe.takes.match import StretchFit
from transcribe.takes.timeline import NoteArrays

__all__ = [
    "Change",
    "TakeFigures",
    "changes_since",
    "figures_of",
    "pass_score",
    "share_matched",
    "share_needed",
    "summarise",
    "tempo_curve",
]

_MAD_TO_SD = 1.4826  # of a normal distribution

_USUAL_SHARE_NEEDED, _MAX_SHARE_NEEDED = 0.5, 0.8
_WHOLE_SHARE = 0.6  # a pass that reaches this share of the reference stands for itself
# fewer matching notes than this name no riff: what the take leaves out counts, too
_MIN_NAMING_NOTES = 4
_MATCHED = {"right": 1.0, "late": 0.5, "early": 0.5}
_SCATTERED_MS = 45.0  # a take whose onsets scatter more may match by chance


def summarise(
    rows: Sequence[Verdict],
    fits: Sequence[StretchFit],
    arrays: NoteArrays,
    *,
    reference_bpm: float | None,
    take_bpm: float | None,
) -> Summary:
    """The figures of one pass from its verdicts and the tempo that its stretches were fitted with.

    ``take_bpm`` is the take's own tempo, used where the reference has none.
    """
    counted = [r for r in rows if r.counts]
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
        spread = _MAD_TO_SD * float(np.median(np.abs(offsets - np.median(offsets))))
    ratio = _tempo_ratio(fits, arrays) if arrays.timing != "order" else None
    bpm = take_bpm
    if ratio is not None:
        bpm = None if reference_bpm is None else reference_bpm * ratio
    return Summary(
        counts=dict(counts),
        right_share=counts["right"] / judged if judged else 0.0,
        bias_ms=bias,
        spread_ms=spread,
        tempo_bpm=bpm,
        reference_bpm=reference_bpm,
        tempo_ratio=ratio,
        drift_percent=_drift(tempo_curve(fits, arrays)),
        left_out=sum(r.left_out for r in rows if r.reference is not None),
        cut_short=sum(r.length == "cut short" for r in counted),
        left_ringing=sum(r.length == "left ringing" for r in counted),
    )


def tempo_curve(fits: Sequence[StretchFit], arrays: NoteArrays) -> list[tuple[float, float]]:
    """(take seconds, take seconds per reference second) at each time of the reference."""
    points = []
    for fit in fits:
        if len(fit.pairs) >= 3:
            _, first = np.unique(np.round(arrays.x[fit.stretch.reference], 6), return_index=True)
            points += [(float(fit.due[k]), float(fit.pace[k])) for k in first]
    return sorted(p for p in points if np.isfinite(p[0]) and p[1] > 0)


def _tempo_ratio(fits: Sequence[StretchFit], arrays: NoteArrays) -> float | None:
    """The pass's tempo over the reference's: written time over played time, without the pauses."""
    written = taken = 0.0
    for fit in fits:
        x, first = np.unique(np.round(arrays.x[fit.stretch.reference], 6), return_index=True)
        if len(fit.pairs) >= 3 and len(x) >= 2:
            written += float(x[-1] - x[0])
            pace = fit.pace[first]
            taken += float(np.sum(np.diff(x) * 0.5 * (pace[1:] + pace[:-1])))
    return written / taken if taken > 0 else None


def _drift(tempo: Sequence[tuple[float, float]]) -> float | None:
    """How much faster the end is than the beginning, in percent, by a straight line in log pace."""
    if len(tempo) < 4:
        return None
    at, pace = np.array(tempo).T
    if at[-1] - at[0] < 1.0:
        return None
    slope = np.polyfit(at - at[0], np.log(pace), 1)[0]
    return float(100.0 * (np.exp(-slope * (at[-1] - at[0])) - 1.0))


def pass_score(one: Pass) -> float:
    """What a pass is worth: what is right in it less half of what is not."""
    count = Counter(one.summary.counts)
    timing = count["late"] + count["early"]
    return count["right"] + 0.5 * (timing - count["wrong"] - count["missed"] - count["extra"])


# Is it this riff? ------------------------------------------------------------------------------


def share_matched(passes: Sequence[Pass], best: int) -> float:
    """Share of the notes of both sides that are each other's, 0 to 1; half where the time is off.

    Notes that are unsure, or that no pass reaches, do not count; a few notes alone are held
    against the whole reference. A pass that reaches most of the reference is taken alone, so that
    what was played around it does no harm.
    """
    whole = _share(row for one in passes for row in one.notes)
    if passes[best].reached_share >= _WHOLE_SHARE:
        return max(whole, _share(row for row in passes[best].notes if row.counts))
    return whole


def _share(rows: Iterable[Verdict]) -> float:
    matched = 0.0
    hits = written = played = left_out = 0
    for row in rows:
        if row.left_out and row.reference is not None:
            left_out += 1
        elif row.verdict != "unsure":
            hit = row.verdict in _MATCHED
            hits += hit
            matched += _MATCHED.get(row.verdict, 0.0)
            written += row.reference is not None
            played += row.take is not None or hit
    written += left_out if hits < _MIN_NAMING_NOTES else 0
    return 2.0 * matched / (written + played) if matched else 0.0


def share_needed(
    *, transposition: int, restarts: int, events: int, spread_ms: float | None, has_times: bool
) -> float:
    """Share of matching notes under which a take is not taken for the reference.

    Parameters
    ----------
    transposition : int
        Semitones that the take sounds above the reference.
    restarts : int
        How often the way through the reference jumps within a pass.
    events : int
        Chords and single notes of the take.
    spread_ms : float or None
        How the matched notes scatter about the smooth tempo.
    has_times : bool
        Whether the reference has a rhythm to hold against.
    """
    need = _USUAL_SHARE_NEEDED
    need += 0.15 if transposition % 12 else 0.0
    need += min(0.15, 3.0 * max(0, restarts) / max(1, events))
    if not has_times:
        need += 0.13
    elif spread_ms is not None and spread_ms > _SCATTERED_MS:
        need += 0.1
    return min(need, _MAX_SHARE_NEEDED)


# From take to take -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class TakeFigures:
    """What is kept of one comparison. Shares are 0 to 1; figures that are not known are None."""

    when: str  # ISO 8601, UTC
    take: str
    sha256: str | None
    counts: Mapping[str, int]
    right_share: float
    spread_ms: float | None = None
    bias_ms: float | None = None
    tempo_bpm: float | None = None
    tempo_ratio: float | None = None
    drone_share: float | None = None
    bars: Mapping[str, int] = field(default_factory=dict)  # bar -> how many notes went wrong
    same_riff: bool = True  # False: not a take of this riff, so nothing to keep
    left_out: Sequence[int] = ()  # bars that the take does not reach, or not whole
    extra: Mapping[str, Any] = field(default_factory=dict)


def figures_of(comparison: Comparison, *, when: datetime | None = None) -> TakeFigures:
    """What is worth keeping of ``comparison``; ``when`` is now unless it is given."""
    moment = (when or datetime.now(UTC)).astimezone(UTC)
    source, summary, rhythm = (
        comparison.take.source,
        comparison.summary,
        comparison.reference.rhythm,
    )
    bad = (r for r in comparison.notes if r.counts and r.verdict not in ("right", "unsure"))
    left_out = set()
    for row in comparison.notes:
        if row.left_out and row.reference is not None and rhythm is not None:
            beat = comparison.reference.notes[row.reference].onset_beat
            left_out |= set() if beat is None else {bar_and_beat(beat, rhythm.meter)[0]}

    def rounded(value: float | None) -> float | None:
        return None if value is None else round(value, 4)

    return TakeFigures(
        moment.isoformat(timespec="seconds"),
        source.file if source is not None else "",
        source.sha256 if source is not None else None,
        {name: summary.counts.get(name, 0) for name in VERDICTS},
        round(summary.right_share, 4),
        rounded(summary.spread_ms),
        rounded(summary.bias_ms),
        rounded(summary.tempo_bpm),
        rounded(summary.tempo_ratio),
        rounded(None if comparison.drone is None else comparison.drone.ringing_share),
        dict(Counter(str(row.bar) for row in bad if row.bar is not None)),
        comparison.same_riff,
        tuple(sorted(left_out)),
    )


@dataclass(frozen=True, slots=True)
class Change:
    """One thing that changed from a take to the next.

    ``kind`` is ``right`` or ``drone`` (percent), ``spread`` (ms) or ``tempo`` (beats a minute),
    rounded as they are read, or ``clean bars`` or ``spoilt bars``.
    """

    kind: str
    before: int = 0
    after: int = 0
    bars: tuple[int, ...] = ()


def changes_since(previous: TakeFigures, now: TakeFigures) -> tuple[Change, ...]:
    """What changed since the last take, the share of right notes first.

    Figures that read the same are left out, except the share of right notes.
    """
    changes = []
    for kind, scale, name in (
        ("right", 100, "right_share"),
        ("spread", 1, "spread_ms"),
        ("tempo", 1, "tempo_bpm"),
        ("drone", 100, "drone_share"),
    ):
        before, after = getattr(previous, name), getattr(now, name)
        if before is not None and after is not None:
            change = Change(kind, round(scale * before), round(scale * after))
            if kind == "right" or change.before != change.after:
                changes.append(change)
    clean = set(previous.bars) - set(now.bars) - {str(bar) for bar in now.left_out}
    spoilt = set(now.bars) - set(previous.bars)
    for kind, names in (("clean bars", clean), ("spoilt bars", spoilt)):
        bars = sorted(int(n) for n in names if n.lstrip("-").isdecimal())
        if bars:
            changes.append(Change(kind, bars=tuple(bars)))
    return tuple(changes)
