"""The drawings of the report page as SVG text: the tab bar by bar, the timing, the drone's level.

Every drawing has a title for those who do not see it; shapes and letters carry what the colours
say. Colours and line styles come from the page's style sheet by class.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from html import escape

import numpy as np

from transcribe.core.riff import Note
from transcribe.core.score_place import bar_name
from transcribe.takes.comparison import MARKS, WORST_FIRST, Comparison, DroneVerdict, Verdict

__all__ = ["Bar", "bars_of", "draw_bar", "draw_drone", "draw_tempo", "draw_timing"]

_Axis = Callable[[float], float]

_STRING_GAP = 14.0
_TOP = 22.0
_STEP = 21.0  # least distance between two frets
_EDGE = 14.0
_BREAK_SEC = 0.3


@dataclass(frozen=True)
class Bar:
    """A bar of the reference, or a stretch of notes where it has no bars."""

    label: str
    start: float
    end: float
    notes: tuple[tuple[float, Note], ...]  # (beat or number, note)
    extra: tuple[tuple[float, Verdict], ...]


def bars_of(comparison: Comparison) -> list[Bar]:
    """The reference cut into bars, with the extra notes of the take where they fell."""
    reference = comparison.reference
    rhythm = reference.rhythm
    timed = rhythm is not None and all(n.onset_beat is not None for n in reference.notes)
    if timed and rhythm is not None:
        length = float(rhythm.meter[0])
        at = [float(n.onset_beat or 0.0) for n in reference.notes]
    else:
        length = 8.0
        at = _events(reference.notes)
    extra = [
        (_extra_at(row, comparison, at, timed), row)
        for row in comparison.notes
        if row.reference is None and not row.again and not row.left_out
    ]
    bars = []
    first, last = math.floor(min(at) / length + 1e-6), math.floor(max(at) / length + 1e-6)
    for k in range(first, last + 1):
        low, high = k * length - 1e-6, (k + 1) * length - 1e-6
        inside = tuple((b, n) for b, n in zip(at, reference.notes, strict=True) if low <= b < high)
        there = tuple((b, r) for b, r in extra if low <= b < high)
        label = f"from stroke {k * 8 + 1}"
        if timed:
            label = bar_name(k + 1)
        if inside or timed:
            bars.append(Bar(label, k * length, (k + 1) * length, inside, there))
    return bars


def _events(notes: Sequence[Note]) -> list[float]:
    """Number of the chord or note that each note belongs to, from 0."""
    out: list[float] = []
    for i, note in enumerate(notes):
        new = i > 0 and note.onset_sec - notes[i - 1].onset_sec > 1e-6
        out.append((out[-1] if out else 0.0) + float(new))
    return out


def _extra_at(row: Verdict, comparison: Comparison, at: Sequence[float], timed: bool) -> float:
    if timed and row.beat is not None:
        return max(row.beat, min(at))
    before = [
        at[r.reference]
        for r in comparison.notes
        if r.reference is not None
        and r.time_sec is not None
        and row.time_sec is not None
        and r.time_sec <= row.time_sec
    ]
    return max(before, default=min(at)) + 0.5


def draw_bar(bar: Bar, comparison: Comparison, verdicts: Mapping[int, str]) -> str:
    """One bar of the tab with its marks under the strings, as an SVG element.

    ``verdicts`` gives the verdict of each note by its id.
    """
    strings = len(comparison.reference.instrument.open_midi)
    places = sorted({round(b, 4) for b, _ in bar.notes})
    x_of = _columns(places, bar)
    width = max(x_of(bar.end), 120.0) + 2.0
    foot = _TOP + (strings - 1) * _STRING_GAP
    mark_y, extra_y = foot + 24.0, foot + 40.0
    height = extra_y + 8.0
    out = [
        f'<svg class="bar" viewBox="0 0 {width:.0f} {height:.0f}" width="{width:.0f}" '
        f'height="{height:.0f}" role="img" aria-label="{escape(_spoken(bar, verdicts))}">',
        f'<text class="barname" x="2" y="11">{escape(bar.label)}</text>',
    ]
    for s in range(strings):
        y = _TOP + s * _STRING_GAP
        out.append(f'<path class="string" d="M0 {y:.0f}H{width:.0f}"/>')
    for x in (0.5, width - 0.5):
        out.append(f'<path class="barline" d="M{x:.1f} {_TOP:.0f}V{foot:.0f}"/>')
    worst: dict[float, int] = {}
    for beat, note in bar.notes:
        name = verdicts.get(note.id, "left out")
        x = x_of(round(beat, 4))
        rank = WORST_FIRST.index(name)
        worst[x] = min(worst.get(x, rank), rank)
        if note.string is None:
            continue
        y = _TOP + (note.string - 1) * _STRING_GAP
        fret = "x" if note.articulation == "dead" else str(note.fret)
        half = 5.0 + 3.5 * (len(fret) - 1)
        kind = name.replace(" ", "-")
        out.append(
            f'<g class="fret {kind}"><rect x="{x - half:.1f}" y="{y - 6.5:.1f}" '
            f'width="{2 * half:.1f}" height="13" rx="3"/>'
            f'<text x="{x:.1f}" y="{y + 4:.1f}">{escape(fret)}</text></g>'
        )
    for x, rank in worst.items():
        name = WORST_FIRST[rank]
        out.append(_mark(x, mark_y, name))
    for beat, row in bar.extra:
        out.append(_mark(x_of(beat), extra_y, "extra" if row.verdict == "extra" else "unsure"))
    out.append("</svg>")
    return "".join(out)


def _columns(places: list[float], bar: Bar) -> _Axis:
    """Where a beat stands: in proportion, but no two places closer than a fret needs."""
    gaps = [b - a for a, b in itertools.pairwise(places)]
    fine = min(_STEP / min(gaps), 120.0) if gaps else 34.0
    unit = max(34.0, fine, 120.0 / max(bar.end - bar.start, 1e-6))
    spots = [(bar.start, _EDGE)]
    for place in places:
        at, x = spots[-1]
        spots.append((place, x + max((place - at) * unit, _STEP if len(spots) > 1 else 0.0)))
    at, x = spots[-1]
    spots.append((bar.end, x + max((bar.end - at) * unit, _STEP)))

    def column(beat: float) -> float:
        for (a, x_a), (b, x_b) in itertools.pairwise(spots):
            if beat <= b:
                return x_a if b <= a else x_a + (x_b - x_a) * (beat - a) / (b - a)
        return spots[-1][1]

    return column


def _mark(x: float, y: float, name: str) -> str:
    kind = name.replace(" ", "-")
    sign = "·" if name == "right" else MARKS[name]
    return f'<text class="mark {kind}" x="{x:.1f}" y="{y:.1f}">{escape(sign)}</text>'


def _spoken(bar: Bar, verdicts: Mapping[int, str]) -> str:
    counts: dict[str, int] = {}
    for _, note in bar.notes:
        name = verdicts.get(note.id, "left out")
        counts[name] = counts.get(name, 0) + 1
    for _, row in bar.extra:
        counts[row.verdict] = counts.get(row.verdict, 0) + 1
    return f"{bar.label}: " + (", ".join(f"{n} {k}" for k, n in counts.items()) or "empty")


def _ticks(low: float, high: float, about: int) -> list[float]:
    """Round numbers from ``low`` to ``high``, about so many."""
    raw = (high - low) / max(about, 1)
    power = 10.0 ** math.floor(math.log10(raw)) if raw > 0 else 1.0
    step = next(power * k for k in (1, 2, 5, 10) if power * k >= raw * 0.999)
    return [
        k * step for k in range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1)
    ]


def _frame(width: float, height: float, title: str, body: list[str]) -> str:
    return (
        f'<svg class="plot" viewBox="0 0 {width:.0f} {height:.0f}" width="{width:.0f}" '
        f'height="{height:.0f}" role="img" aria-label="{escape(title)}">' + "".join(body) + "</svg>"
    )


def draw_timing(comparison: Comparison) -> str:
    """How early or late each note came, against the beats of the reference.

    Late is above the line and early below it; the band is what counts as right. Up and down
    triangles are late and early notes, circles right ones, crosses notes that were wrong.
    """
    rows = [
        r
        for r in comparison.notes
        if r.offset_ms is not None and r.reference is not None and not r.again
    ]
    if not rows:
        return ""
    at = [r.beat if r.beat is not None else float(r.reference or 0) for r in rows]
    meter = comparison.reference.rhythm.meter[0] if comparison.reference.rhythm else 8
    start, end = min(0.0, *at), max(at) + 1.0
    furthest = max(abs(r.offset_ms or 0.0) for r in rows)
    reach = float(np.clip(1.1 * furthest, 100.0, 400.0))
    left, top, tall = 64.0, 14.0, 200.0
    per_beat = float(np.clip(980.0 / (end - start), 18.0, 64.0))
    width = left + (end - start) * per_beat + 14.0

    def x_of(beat: float) -> float:
        return left + (beat - start) * per_beat

    def y_of(ms: float) -> float:
        return top + tall / 2 - max(-reach, min(reach, ms)) / reach * tall / 2

    body = [_band(rows, at, x_of, y_of)]
    for ms in _ticks(-reach, reach, 6):
        kind = "zero" if abs(ms) < 1e-9 else "grid"
        body.append(f'<path class="{kind}" d="M{left:.0f} {y_of(ms):.1f}H{width - 10:.0f}"/>')
        word = "0" if abs(ms) < 1e-9 else f"{ms:+.0f} ms"
        body.append(
            f'<text class="tick end" x="{left - 6:.0f}" y="{y_of(ms) + 4:.1f}">{word}</text>'
        )
    body.append(f'<text class="tick" x="{left + 4:.0f}" y="{top + 11:.0f}">late</text>')
    body.append(f'<text class="tick" x="{left + 4:.0f}" y="{top + tall - 4:.0f}">early</text>')
    bar = math.ceil(start / meter)
    while bar * meter < end:
        x = x_of(bar * meter)
        body.append(f'<path class="barline faint" d="M{x:.1f} {top:.0f}V{top + tall:.0f}"/>')
        if per_beat * meter > 26 or bar % 4 == 0:
            body.append(
                f'<text class="tick" x="{x + 2:.1f}" y="{top + tall + 15:.0f}">{bar + 1}</text>'
            )
        bar += 1
    for row, beat in zip(rows, at, strict=True):
        body.append(_point(x_of(beat), y_of(row.offset_ms or 0.0), row.verdict))
    body.append(f'<text class="tick" x="2" y="{top + tall + 31:.0f}">missed</text>')
    for row in comparison.notes:
        if row.verdict == "missed" and not row.left_out and row.beat is not None and not row.again:
            body.append(_mark(x_of(row.beat), top + tall + 30, "missed"))
    unit = "bars" if comparison.reference.rhythm else "notes"
    body.append(f'<text class="tick" x="2" y="{top + tall + 15:.0f}">{unit}</text>')
    s = comparison.summary
    title = "Timing of each note in milliseconds, late above, early below"
    if s.spread_ms is not None:
        title += f"; spread {s.spread_ms:.0f} ms"
    return _frame(width, top + tall + 36.0, title, body)


def _band(rows: Sequence[Verdict], at: Sequence[float], x_of: _Axis, y_of: _Axis) -> str:
    """The tolerance of each note as a stepped band around the line."""
    allowed = sorted(
        {(b, r.tolerance_ms) for b, r in zip(at, rows, strict=True) if r.tolerance_ms is not None}
    )
    if not allowed:
        return ""
    upper, lower = [], []
    for k, (beat, ms) in enumerate(allowed):
        following = allowed[k + 1][0] if k + 1 < len(allowed) else beat + 0.5
        upper += [(x_of(beat), y_of(ms)), (x_of(following), y_of(ms))]
        lower += [(x_of(beat), y_of(-ms)), (x_of(following), y_of(-ms))]
    points = " ".join(f"{x:.1f},{y:.1f}" for x, y in upper + lower[::-1])
    return f'<polygon class="tolerance" points="{points}"/>'


def _point(x: float, y: float, verdict: str) -> str:
    if verdict == "late":
        shape = f"M{x - 4.5:.1f} {y + 4:.1f}h9l-4.5 -8z"
    elif verdict == "early":
        shape = f"M{x - 4.5:.1f} {y - 4:.1f}h9l-4.5 8z"
    elif verdict == "wrong":
        shape = f"M{x - 4:.1f} {y - 4:.1f}l8 8m0 -8l-8 8"
    elif verdict == "unsure":
        shape = f"M{x - 3.5:.1f} {y - 3.5:.1f}h7v7h-7z"
    else:
        return f'<circle class="dot right" cx="{x:.1f}" cy="{y:.1f}" r="2.8"/>'
    return f'<path class="dot {verdict}" d="{shape}"/>'


def draw_tempo(comparison: Comparison) -> str:
    """The take's tempo over time; empty where it is not known."""
    points = comparison.passes[comparison.best].tempo if comparison.passes else ()
    if len(points) < 4:
        return ""
    times, values = [t for t, _ in points], [b for _, b in points]
    low, high = min(values), max(values)
    want = comparison.summary.reference_bpm
    if want is not None and 0.85 * low < want < 1.15 * high:
        low, high = min(low, want), max(high, want)
    pad = max(0.03 * high, 0.15 * (high - low))
    low, high = low - pad, high + pad
    body, x_of, y_of, width = _axes(times[0], times[-1], low, high, 110.0, "", "s")
    if want is not None and low < want < high:
        body.append(f'<path class="zero" d="M64 {y_of(want):.1f}H{width - 10:.0f}"/>')
        body.append(
            f'<text class="tick" x="68" y="{y_of(want) - 4:.1f}">the reference: {want:.0f}</text>'
        )
    path = " ".join(f"{x_of(t):.1f},{y_of(v):.1f}" for t, v in points)
    body.append(f'<polyline class="curve" points="{path}"/>')
    return _frame(width, 160.0, f"Tempo over time, {values[0]:.0f} to {values[-1]:.0f}", body)


def draw_drone(drone: DroneVerdict) -> str:
    """The drone's level over time, with the stretches where it should sound and does not."""
    if not drone.level and not drone.gaps:
        return ""
    times = [t for t, _ in drone.level] + [t for g in drone.gaps for t in (g.start_sec, g.end_sec)]
    start = min(times)
    end = max(*times, start + 1.0)
    levels = [db for _, db in drone.level] or [-40.0, 0.0]
    top = max(levels) + 3.0
    bottom = float(np.clip(min(levels) - 3.0, top - 66.0, top - 20.0))
    body, x_of, y_of, width = _axes(start, end, bottom, top, 150.0, " dB", "s")
    for gap in drone.gaps:
        x, wide = x_of(gap.start_sec), max(2.0, x_of(gap.end_sec) - x_of(gap.start_sec))
        body.append(f'<rect class="gap" x="{x:.1f}" y="14" width="{wide:.1f}" height="150"/>')
        body.append(f'<path class="gapmark" d="M{x:.1f} 164h{wide:.1f}"/>')
        body.append(_mark(x + wide / 2, 30.0, "missed"))
    level = [(t, max(db, bottom)) for t, db in drone.level]
    body.append(_line(level, x_of, y_of, "curve"))
    title = f"Level of the drone over time; {len(drone.gaps)} gaps"
    return _frame(width, 200.0, title, body)


def _axes(
    start: float, end: float, low: float, high: float, tall: float, unit: str, under: str
) -> tuple[list[str], _Axis, _Axis, float]:
    """Grid lines with their numbers, where a time and a value stand, and the width."""
    left, top = 64.0, 14.0
    per_second = float(np.clip(980.0 / max(end - start, 1e-6), 24.0, 90.0))
    width = left + (end - start) * per_second + 14.0

    def x_of(time: float) -> float:
        return left + (time - start) * per_second

    def y_of(value: float) -> float:
        return top + tall * (high - value) / (high - low)

    body = []
    for value in _ticks(low, high, 5):
        y = y_of(value)
        body.append(f'<path class="grid" d="M{left:.0f} {y:.1f}H{width - 10:.0f}"/>')
        body.append(
            f'<text class="tick end" x="{left - 6:.0f}" y="{y + 4:.1f}">{value:.0f}{unit}</text>'
        )
    for value in _ticks(start, end, max(2, int((width - left) / 80))):
        body.append(
            f'<text class="tick mid" x="{x_of(value):.1f}" y="{top + tall + 16:.0f}">'
            f"{value:g} {under}</text>"
        )
    return body, x_of, y_of, width


def _line(points: Iterable[tuple[float, float]], x_of: _Axis, y_of: _Axis, kind: str) -> str:
    """A line through the points, broken where none lies for 0.3 s or more."""
    path, last = "", -math.inf
    for time, value in points:
        path += f"{'L' if time - last < _BREAK_SEC else 'M'}{x_of(time):.1f} {y_of(value):.1f}"
        last = time
    return f'<path class="{kind}" d="{path}"/>' if path else ""
