"""The figures of a pass."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np

from transcribe.takes.comparison import Summary, Verdict

__all__ = ["summarise"]


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
        left_out=sum(r.left_out for r in rows if r.reference is not None),
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
