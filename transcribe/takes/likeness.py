"""Whether a take is a playing of the reference at all.

Any two riffs can be laid over each other so that some notes agree: by another transposition, by
going back again and again, or with onsets scattered about the beat. So the share of notes that
match must be the greater the more of that it took. The bounds were set between phrases of the
training generator played with four fifths of their chords spoilt, and pairs of phrases that have
nothing to do with each other.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from transcribe.takes.comparison import Pass, Verdict

__all__ = ["share_matched", "share_needed"]

_LEAST = 0.5
_MOST = 0.8
_WHOLE = 0.6  # a pass that reaches this share of the reference stands for itself
_MATCHED = {"right": 1.0, "late": 0.5, "early": 0.5}
_RAGGED_MS = 45.0


def share_matched(passes: Sequence[Pass], best: int) -> float:
    """Share of the notes of both sides that are each other's, 0 to 1; half where the time is off.

    Notes that are unsure, or that no pass reaches, do not count. A pass that reaches most of the
    reference is taken alone, so that what was played around it does no harm.
    """
    whole = _share(row for one in passes for row in one.notes)
    if passes[best].reached_share >= _WHOLE:
        counted = (row for row in passes[best].notes if not row.again and not row.left_out)
        return max(whole, _share(counted))
    return whole


def _share(rows: Iterable[Verdict]) -> float:
    matched = 0.0
    written = played = 0
    for row in rows:
        if row.verdict == "unsure" or (row.left_out and row.reference is not None):
            continue
        hit = row.verdict in _MATCHED
        matched += _MATCHED.get(row.verdict, 0.0)
        written += row.reference is not None
        played += row.take is not None or hit
    return 2.0 * matched / (written + played) if matched else 0.0


def share_needed(
    *, transposition: int, restarts: int, events: int, spread_ms: float | None, timed: bool
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
    timed : bool
        Whether the reference has a rhythm to hold against.
    """
    need = _LEAST
    need += 0.15 if transposition % 12 else 0.0
    need += min(0.15, 3.0 * max(0, restarts) / max(1, events))
    if not timed:
        need += 0.13
    elif spread_ms is not None and spread_ms > _RAGGED_MS:
        need += 0.1
    return min(need, _MOST)
