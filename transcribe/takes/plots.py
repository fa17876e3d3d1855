"""The drawings of the report page as SVG text: the tab bar by bar, the timing, the drone's level.

Every drawing has a title for those who do not see it; shapes and letters carry what the colours
say. Colours and line styles come from the page's style sheet by class.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from html import escape

import numpy as np

from transcribe.core.riff import Note
from transcribe.core.score_place import bar_name
from transcribe.takes.comparison import MARKS, WORST_FIRST, Comparison, DroneVerdict, Verdict
from transcribe.takes.timeline import has_beats

__all__ = ["Bar", "bars_of", "draw_bar", "draw_drone", "draw_progress", "draw_tempo", "draw_timing"]

_Axis = Callable[[float], float]

# The tab, in pixels.
_STRING_GAP = 14.0
_TOP = 22.0  # of string 1
_STEP = 21.0  # least distance between two frets
_EDGE = 14.0  # before a bar's first beat
_SECTION_STROKES = 8  # chords and single notes, which stand for a bar where there are none

_BREAK_SEC = 0.3  # without a value, over which no line is drawn

_LEFT, _PLOT_TOP = 64, 14  # of a plot inside its drawing, in pixels
_USUAL_WIDTH_PX = 980.0  # pixels of a plot
_FURTHEST_MS = 200.0  # of the timing plot, the same for every take (chosen by eye)
_SECOND_PX = (24.0, 90.0)  # least and most pixels of a second


@dataclass(frozen=True)
class Bar:
    """A bar of the reference, or a stretch of notes where it has no bars."""

    label: str
    start: float  # in beats, or in chords and single notes
    end: float
    notes: tuple[tuple[float, Note], ...]  # (beat or number, note)
    extra: tuple[tuple[float, Verdict], ...]


def bars_of(comparison: Comparison) -> list[Bar]:
    """The reference cut into bars, with the extra notes of the take where they fell."""
    reference = comparison.reference
    on_beats = has_beats(reference)
    length = _SECTION_STROKES
    if on_beats and reference.rhythm is not None:
        length = reference.rhythm.meter[0]
        at = [float(n.onset_beat or 0.0) for n in reference.notes]
    else:
        at = _numbered(reference.notes)
    extra = [
        (_extra_at(row, comparison, at, on_beats), row)
        for row in comparison.notes
        if row.reference is None and row.counts
    ]
    bars = []
    first, last = math.floor(min(at) / length + 1e-6), math.floor(max(at) / length + 1e-6)
    for k in range(first, last + 1):
        low, high = k * length - 1e-6, (k + 1) * length - 1e-6
        inside = tuple((b, n) for b, n in zip(at, reference.notes, strict=True) if low <= b < high)
        there = tuple((b, r) for b, r in extra if low <= b < high)
        label = bar_name(k + 1) if on_beats else f"from stroke {k * _SECTION_STROKES + 1}"
        if inside or on_beats:
            bars.append(Bar(label, k * length, (k + 1) * length, inside, there))
    return bars


def _numbered(notes: Sequence[Note]) -> list[float]:
    """Number of the chord or note that each note belongs to, from 0."""
    out: list[float] = []
    for i, note in enumerate(notes):
        new = i > 0 and note.onset_sec - notes[i - 1].onset_sec > 1e-6
        out.append((out[-1] if out else 0.0) + float(new))
    return out


def _extra_at(row: Verdict, comparison: Comparison, at: Sequence[float], on_beats: bool) -> float:
    """Where an extra note stands: at its beat, or behind what was played before it."""
    if on_beats and row.beat is not None:
        return max(row.beat, min(at))
    before = [
        at[r.reference]
        for r in comparison.notes
        if r.reference is not None
        and r.time_sec is not None
        and r.time_sec <= (row.time_sec or 0.0)
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
        f'height="{height:.0f}" role="img" aria-label="{escape(_aria_label(bar, verdicts))}">',
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
    out += [_mark(x, mark_y, WORST_FIRST[rank]) for x, rank in worst.items()]
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
    beats, pixels = np.array(spots).T
    return lambda beat: float(np.interp(beat, beats, pixels))


def _mark(x: float, y: float, name: str) -> str:
    kind = name.replace(" ", "-")
    sign = "·" if name == "right" else MARKS[name]
    return f'<text class="mark {kind}" x="{x:.1f}" y="{y:.1f}">{escape(sign)}</text>'


def _aria_label(bar: Bar, verdicts: Mapping[int, str]) -> str:
    """The bar for those who do not see it: how many notes have which verdict."""
    counts = Counter(verdicts.get(note.id, "left out") for _, note in bar.notes)
    counts.update(row.verdict for _, row in bar.extra)
    return f"{bar.label}: " + (", ".join(f"{n} {k}" for k, n in counts.items()) or "empty")


class _Plot:
    """A drawing with a scale at its left: where a time and a value stand, and what is drawn."""

    def __init__(
        self,
        x_range: tuple[float, float],
        y_range: tuple[float, float],
        *,
        height: float,
        x_unit: tuple[float, float],
    ) -> None:
        (self.start, self.end), (self.low, self.high) = x_range, y_range
        self.height = height
        # So wide that all fits, between the least and the most pixels of a second or beat.
        self.unit = float(np.clip(_USUAL_WIDTH_PX / max(self.end - self.start, 1e-6), *x_unit))
        self.width = _LEFT + (self.end - self.start) * self.unit + 14.0
        self.body: list[str] = []

    def x(self, at: float) -> float:
        """Pixels from the left."""
        return _LEFT + (at - self.start) * self.unit

    def y(self, value: float) -> float:
        """Pixels from the top; a value outside the scale lies on its edge."""
        value = min(self.high, max(self.low, value))
        return _PLOT_TOP + self.height * (self.high - value) / (self.high - self.low)

    def text(self, x: float, y: float, words: str, kind: str = "tick") -> None:
        """Words at a place in pixels."""
        self.body.append(f'<text class="{kind}" x="{x:.1f}" y="{y:.1f}">{escape(words)}</text>')

    def under(self, at: float, words: str, *, line: int = 0, kind: str = "tick") -> None:
        """Words below the plot."""
        self.text(self.x(at), _PLOT_TOP + self.height + 15.0 + 16.0 * line, words, kind)

    def level_line(self, value: float, kind: str) -> None:
        """A line from side to side."""
        self.body.append(
            f'<path class="{kind}" d="M{_LEFT} {self.y(value):.1f}H{self.width - 10:.0f}"/>'
        )

    def scale(self, about: int, unit: str, *, signed: bool = False) -> None:
        """Lines at round values, with their numbers."""
        for value in _ticks(self.low, self.high, about):
            zero = signed and abs(value) < 1e-9
            self.level_line(value, "zero" if zero else "grid")
            number = "0" if zero else f"{value:+.0f}{unit}" if signed else f"{value:.0f}{unit}"
            self.text(_LEFT - 6, self.y(value) + 4, number, "tick end")

    def seconds(self) -> None:
        """Round numbers of seconds below the plot."""
        about = max(2, int((self.width - _LEFT) / 80))
        for value in _ticks(self.start, self.end, about):
            self.under(value, f"{value:g} s", kind="tick mid")

    def curve(self, points: Iterable[tuple[float, float]], *, break_sec: float = math.inf) -> None:
        """A line through the points, broken where none lies for ``break_sec`` or more."""
        path, last = "", -math.inf
        for at, value in points:
            step = "L" if path and at - last < break_sec else "M"
            path += f"{step}{self.x(at):.1f} {self.y(value):.1f}"
            last = at
        if path:
            self.body.append(f'<path class="curve" d="{path}"/>')

    def svg(self, title: str, *, lines: int = 1) -> str:
        """The drawing, with room for some lines of words below it."""
        height = _PLOT_TOP + self.height + 6.0 + 16.0 * lines
        return (
            f'<svg class="plot" viewBox="0 0 {self.width:.0f} {height:.0f}" '
            f'width="{self.width:.0f}" height="{height:.0f}" role="img" '
            f'aria-label="{escape(title)}">{"".join(self.body)}</svg>'
        )


def _ticks(low: float, high: float, about: int) -> list[float]:
    """Round numbers from ``low`` to ``high``, about so many."""
    raw = (high - low) / max(about, 1)
    power = 10.0 ** math.floor(math.log10(raw)) if raw > 0 else 1.0
    step = next(power * k for k in (1, 2, 5, 10) if power * k >= raw * 0.999)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [k * step for k in range(first, last + 1)]


def draw_timing(comparison: Comparison) -> str:
    """How early or late each note came, against the beats of the reference.

    Late is above the line and early below it; the band is what counts as right. Triangles that
    point to the right and to the left are late and early notes, as the marks under the tab point;
    circles are right ones, crosses notes that were wrong. The scale is the same for every take.
    """
    own = [r for r in comparison.notes if r.reference is not None and not r.again]
    rows = [(_beat(r), r, r.offset_ms) for r in own if r.offset_ms is not None]
    if not rows:
        return ""
    rhythm = comparison.reference.rhythm
    meter = rhythm.meter[0] if rhythm else 8
    beats = [beat for beat, _, _ in rows]
    plot = _Plot(
        (min(0.0, *beats), max(beats) + 1.0),
        (-_FURTHEST_MS, _FURTHEST_MS),
        height=200.0,
        x_unit=(18.0, 64.0),
    )
    plot.body.append(_tolerance(plot, rows))
    plot.scale(6, " ms", signed=True)
    plot.text(_LEFT + 4, _PLOT_TOP + 11, "late")
    plot.text(_LEFT + 4, _PLOT_TOP + plot.height - 4, "early")
    for bar in range(math.ceil(plot.start / meter), math.ceil(plot.end / meter)):
        line = f"M{plot.x(bar * meter):.1f} {_PLOT_TOP}v{plot.height:.0f}"
        plot.body.append(f'<path class="barline" d="{line}"/>')
        if plot.unit * meter > 26 or bar % 4 == 0:
            plot.under(bar * meter, str(bar + 1))
    for beat, row, ms in rows:
        plot.body.append(_point(plot.x(beat), plot.y(ms), row.verdict))
    plot.text(2, _PLOT_TOP + plot.height + 15, "bars" if rhythm else "notes")
    plot.text(2, _PLOT_TOP + plot.height + 31, "missed")
    for row in own:
        if row.verdict == "missed" and not row.left_out and row.beat is not None:
            plot.under(row.beat, MARKS["missed"], line=1, kind="mark missed")
    title = "Timing of each note in milliseconds, late above, early below"
    if comparison.summary.spread_ms is not None:
        title += f"; most notes within {comparison.summary.spread_ms:.0f} ms"
    return plot.svg(title, lines=2)


def _beat(row: Verdict) -> float:
    """Where a verdict stands along the plot: its beat, or the number of its note."""
    return row.beat if row.beat is not None else float(row.reference or 0)


def _tolerance(plot: _Plot, rows: Sequence[tuple[float, Verdict, float]]) -> str:
    """The tolerance of each note as a stepped band around the line."""
    allowed = sorted({(b, r.tolerance_ms) for b, r, _ in rows if r.tolerance_ms is not None})
    if not allowed:
        return ""
    following = [beat for beat, _ in allowed[1:]] + [allowed[-1][0] + 0.5]
    edge = [(x, ms) for (b, ms), after in zip(allowed, following, strict=True) for x in (b, after)]
    corners = edge + [(beat, -ms) for beat, ms in edge[::-1]]
    points = " ".join(f"{plot.x(beat):.1f},{plot.y(ms):.1f}" for beat, ms in corners)
    return f'<polygon class="tolerance" points="{points}"/>'


def _point(x: float, y: float, verdict: str) -> str:
    shapes = {
        "late": f"M{x - 4:.1f} {y - 4.5:.1f}v9l8 -4.5z",
        "early": f"M{x + 4:.1f} {y - 4.5:.1f}v9l-8 -4.5z",
        "wrong": f"M{x - 4:.1f} {y - 4:.1f}l8 8m0 -8l-8 8",
        "unsure": f"M{x - 3.5:.1f} {y - 3.5:.1f}h7v7h-7z",
    }
    if verdict in shapes:
        return f'<path class="dot {verdict}" d="{shapes[verdict]}"/>'
    return f'<circle class="dot right" cx="{x:.1f}" cy="{y:.1f}" r="2.8"/>'


def draw_tempo(comparison: Comparison) -> str:
    """The take's tempo over time; empty where it is not known."""
    points = comparison.best_pass.tempo if comparison.passes else ()
    if len(points) < 4:
        return ""
    values = [bpm for _, bpm in points]
    low, high = min(values), max(values)
    want = comparison.summary.reference_bpm
    if want is not None and 0.85 * low < want < 1.15 * high:
        low, high = min(low, want), max(high, want)
    pad = max(0.03 * high, 0.15 * (high - low))
    times = (points[0][0], points[-1][0])
    plot = _Plot(times, (low - pad, high + pad), height=110.0, x_unit=_SECOND_PX)
    plot.scale(5, "")
    plot.seconds()
    if want is not None and low <= want <= high:
        plot.level_line(want, "zero")
        plot.text(_LEFT + 4, plot.y(want) - 4, f"the reference: {want:.0f}")
    plot.curve(points)
    return plot.svg(f"Tempo over time, {values[0]:.0f} to {values[-1]:.0f}")


def draw_drone(drone: DroneVerdict) -> str:
    """The drone's level over time, with the stretches where it should sound and does not."""
    if not drone.level and not drone.gaps:
        return ""
    times = [t for t, _ in drone.level] + [t for g in drone.gaps for t in (g.start_sec, g.end_sec)]
    levels = [db for _, db in drone.level] or [-40.0, 0.0]
    top = max(levels) + 3.0
    bottom = float(np.clip(min(levels) - 3.0, top - 66.0, top - 20.0))
    start = min(times)
    times_shown = (start, max(*times, start + 1.0))
    plot = _Plot(times_shown, (bottom, top), height=150.0, x_unit=_SECOND_PX)
    plot.scale(5, " dB")
    plot.seconds()
    for gap in drone.gaps:
        x = plot.x(gap.start_sec)
        wide = max(2.0, plot.x(gap.end_sec) - x)
        plot.body.append(
            f'<rect class="gap" x="{x:.1f}" y="{_PLOT_TOP}" width="{wide:.1f}" height="150"/>'
            f'<path class="gapmark" d="M{x:.1f} {_PLOT_TOP + 150}h{wide:.1f}"/>'
        )
        plot.text(x + wide / 2, 30.0, MARKS["missed"], "mark missed")
    plot.curve(drone.level, break_sec=_BREAK_SEC)
    return plot.svg(f"Level of the drone over time; {len(drone.gaps)} gaps")


def draw_progress(shares: Sequence[float], *, whens: Sequence[str] = ()) -> str:
    """The share of right notes from take to take, oldest first; empty below two takes.

    With ``whens``, the moments of the takes in ISO 8601, those of several days stand as far apart
    as their days do.
    """
    if len(shares) < 2:
        return ""
    days = _days(whens)
    if len(days) == len(shares) and days[-1][0] >= 1.0:
        return _draw_days(shares, days)
    plot = _Plot((0.0, float(len(shares) - 1)), (0.0, 115.0), height=120.0, x_unit=(14.0, 64.0))
    _draw_shares(plot, shares, [float(k) for k in range(len(shares))])
    plot.under(0, "oldest take", kind="tick")
    if len(shares) > 3:
        plot.under(len(shares) - 1, "newest", kind="tick end")
    told = ", ".join(f"{100 * share:.0f}" for share in shares)
    return plot.svg(f"Right notes from take to take, in percent, oldest first: {told}")


def _draw_shares(plot: _Plot, shares: Sequence[float], at: Sequence[float]) -> None:
    plot.scale(2, " %")
    percent = [100.0 * share for share in shares]
    plot.curve(zip(at, percent, strict=True))
    free = -math.inf
    for k, (place, value) in enumerate(zip(at, percent, strict=True)):
        plot.body.append(_point(plot.x(place), plot.y(value), "right"))
        # A number only where it lies over no other; that of the last take always.
        if plot.x(place) >= free and (k == len(at) - 1 or plot.x(at[-1]) - plot.x(place) >= 20):
            plot.text(plot.x(place), plot.y(value) - 7, f"{value:.0f}", "tick mid")
            free = plot.x(place) + 20


def _draw_days(shares: Sequence[float], days: Sequence[tuple[float, str]]) -> str:
    """The takes over the days on which they were played, the weeks as lines."""
    span = days[-1][0]
    plot = _Plot((0.0, span), (0.0, 115.0), height=120.0, x_unit=(320.0 / span, 320.0 / span))
    for week in range(0, int(span) + 1, 7):
        x = plot.x(week)
        plot.body.append(
            f'<path class="grid" d="M{x:.1f} {plot.y(plot.high):.1f}V{plot.y(0.0):.1f}"/>'
        )
    _draw_shares(plot, shares, [day for day, _ in days])
    plot.under(0.0, days[0][1], kind="tick")
    plot.under(span, days[-1][1], kind="tick end")
    told = "; ".join(
        f"{name}: {100 * share:.0f}" for share, (_, name) in zip(shares, days, strict=True)
    )
    return plot.svg(f"Right notes from take to take, in percent, oldest first: {told}")


def _days(whens: Sequence[str]) -> list[tuple[float, str]]:
    """For each moment the days since the first, and its date; none where one is no moment."""
    try:
        moments = [datetime.fromisoformat(when) for when in whens]
        since = [(moment - moments[0]).total_seconds() / 86400 for moment in moments]
    except (ValueError, TypeError):
        return []
    if any(later < earlier for earlier, later in itertools.pairwise(since)):
        return []
    return [(day, f"{m.day} {m:%b}") for day, m in zip(since, moments, strict=True)]
