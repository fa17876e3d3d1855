"""From the bars of a text tab to the riff that is played: repeats, seconds, lengths of notes."""

from __future__ import annotations

import itertools
import math
import statistics
from collections.abc import Set
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from transcribe.core.clock import distinct_parts
from transcribe.core.riff import (
    MARKS,
    Bend,
    Drone,
    Instrument,
    Mark,
    Note,
    Rhythm,
    Riff,
    Source,
    Timing,
    places_of,
    sort_notes,
)
from transcribe.formats.bar_repeats import WrittenBar, playing_order
from transcribe.formats.chord_names import chord_section
from transcribe.formats.tab.header import Header
from transcribe.formats.tab.lines import Sign, refuse

__all__ = ["TabBar", "TabNote", "make_riff", "played_bars"]

_COLUMN_SEC = 0.125  # what a column stands for where the tab does not say
_MAX_COLUMNS = 24  # that a note rings in a tab without a count
_MAX_BARS = 5_000
_LEAD_COLUMNS = 2  # that may stand before the first sign of a bar
_MIN_GAPS = 4  # gaps between signs, under which they tell nothing of the meter
_MIN_EVEN = 3  # evenly spaced signs of a bar that tell where its last gap ends
_EVEN_SHARE = 0.8  # share of the signs that stand at whole numbers of the usual gap
_BAR_COLUMNS = 16  # columns that a bar is given where it is written again without its bar lines
_NARROW_SHARE = 0.6  # of the usual width: a bar narrower than this is a part of one


@dataclass(slots=True)
class TabNote:
    """A note of the tab in reading order; ``at`` counts beats, or columns without a count."""

    at: float
    string: int
    sign: Sign
    line: int
    finger: int | None = None
    palm_mute: bool = False
    let_ring: bool = False
    stroke: Literal["down", "up"] | None = None
    marks: list[Mark] = field(default_factory=list)


@dataclass(slots=True)
class TabBar:
    """A bar as it stands in the tab, times counted from its start."""

    number: int
    length: float
    line: int
    hits: list[TabNote] = field(default_factory=list)
    chords: list[tuple[float, str]] = field(default_factory=list)
    endings: tuple[int, ...] = ()  # passes on which it is played; empty: all
    opens: bool = False
    times: int = 0  # how often what is closed here is played; 0 where nothing is closed
    first_beat: int = 0


def played_bars(bars: list[TabBar], name: str) -> list[TabBar]:
    """Bars in the order they are played, with repeats and endings followed.

    Raises
    ------
    FormatError
        If that is over 5,000 bars, or none.
    """
    _fill_endings(bars)
    written = [WrittenBar(bar.opens, bar.endings, bar.times) for bar in bars]
    order = list(itertools.islice(playing_order(written), _MAX_BARS + 1))
    if len(order) > _MAX_BARS:
        raise refuse(name, bars[order[-1]].line, f"over {_MAX_BARS} bars", "fewer bars or repeats")
    if bars and not order:
        raise refuse(
            name, bars[0].line, "endings without a repeat", "|: and :| around what repeats"
        )
    return [bars[i] for i in order]


def _fill_endings(bars: list[TabBar]) -> None:
    """Give all bars of an ending the passes that stand over its first one."""
    for at, bar in enumerate(bars):
        if not bar.endings or bar.times:
            continue
        run = list(
            itertools.takewhile(
                lambda b: not (b.opens or b.endings), itertools.islice(bars, at + 1, None)
            )
        )
        closed = next((k for k, b in enumerate(run) if b.times), None)
        following = None if closed is None else at + closed + 2
        # The last ending goes on without an end; any other one leads to the next.
        if following is not None and following < len(bars) and bars[following].endings:
            for b in run[: following - at - 1]:
                b.endings = bar.endings


@dataclass(slots=True)
class _Grid:
    """Seconds of a tab's beats or columns; ``start`` is where second 0 lies."""

    start: float
    unit_sec: float
    longest: float  # that a note rings
    end: float

    def sec(self, at: float) -> float:
        return round((at - self.start) * self.unit_sec, 6)


def make_riff(
    played: list[TabBar], head: Header, instrument: Instrument, name: str, counted: bool
) -> Riff:
    rhythm = None
    timing = Timing(
        "order",
        "ring",
        meter=head.meter,
        meter_given=head.meter is not None,
        bpm=head.bpm,
        bpm_unit=None if head.bpm is None else head.bpm_of,
    )
    if counted:
        timing = Timing("written", "ring")
        meter = _meter(played, head, name)
        starts = _bar_starts(played, meter[0])
        first = min([0.0, *(s + b.first_beat for s, b in zip(starts, played, strict=True))])
        end = starts[-1] + played[-1].length
        bpm = head.beats_a_minute(meter[1]) or 100.0
        grid = _Grid(first, 60.0 / bpm, float(meter[0]), end)
        beats = range(int(first), int(end) + 1)
        downs = tuple(grid.sec(b) for b in beats if b % meter[0] == 0)
        rhythm = Rhythm(bpm, meter, tuple(grid.sec(b) for b in beats), downs)
    elif len(played) > 1 and not head.own:
        meter = head.meter or _drawn_meter(played)
        played, starts, bar_sec = _evenly(played, meter, head.beats_a_minute(meter[1]))
        grid = _Grid(min(0.0, starts[0]), bar_sec, 1.0, starts[-1] + 1.0)
        bars_sec = [grid.sec(start) for start in starts if start >= 0]
        timing = replace(
            timing,
            column_sec=round(bar_sec / _BAR_COLUMNS, 6),
            bars_sec=(*bars_sec, grid.sec(starts[-1] + 1)),
            meter=meter,
        )
    else:
        starts = [0.0]
        for bar in played:
            starts.append(starts[-1] + bar.length)
        unit = head.column_sec or _COLUMN_SEC
        grid = _Grid(0.0, unit, float(_MAX_COLUMNS), starts.pop() + 8)
        timing = replace(timing, column_sec=unit)
    placed = [
        (start + hit.at, hit) for start, bar in zip(starts, played, strict=True) for hit in bar.hits
    ]
    notes = _notes(placed, instrument, grid, counted, name)
    marks = _marks(placed)
    chords = [
        (start + at, text)
        for start, bar in zip(starts, played, strict=True)
        for at, text in bar.chords
    ]
    return Riff(
        instrument,
        notes,
        Source(head.title) if head.title else None,
        rhythm,
        _drone(head, notes),
        _theory(head, chords, grid),
        timing=timing,
        written_places=places_of(notes),
        marks=tuple(marks),
        written_key=head.key,
    )


def _leads(played: list[TabBar], top: int) -> list[float]:
    """Columns that stand before beat 1 in each bar: the dash that people leave after a bar line.

    That many stand before the first sign of all bars of a system, or of one bar; not where they
    would leave a bar of ``top`` beats that is no whole number of columns for each beat, and the
    fewer of the whole tab would.
    """
    usual = statistics.median(bar.length for bar in played)
    systems: dict[int, list[TabBar]] = {}
    for bar in played:
        systems.setdefault(bar.line, []).append(bar)
    of_system = {line: _lead(bars) for line, bars in systems.items()}
    of_tab = _lead(played)
    leads = []
    for bar in played:
        width = bar.length if bar.length >= _NARROW_SHARE * usual else usual
        common = of_system[bar.line]
        own = _lead([bar]) or common  # a bar that begins with a rest has none of its own
        fitting = (lead for lead in (own, common, of_tab) if (width - lead) % top == 0)
        leads.append(next(fitting, common))
    return leads


def _lead(bars: list[TabBar]) -> float:
    """Columns that stand before the first sign of every bar."""
    lead = min((hit.at for bar in bars for hit in bar.hits), default=0.0)
    return lead if lead <= _LEAD_COLUMNS else 0.0


def _drawn_meter(played: list[TabBar]) -> tuple[int, int]:
    """3/4 where bars of one width are drawn with room for three or six evenly spaced signs.

    Anything else is taken for 4/4: most riffs are, and the columns seldom tell (common practice,
    no source).
    """
    usual = statistics.median(bar.length for bar in played)
    leads = _leads(played, 3)
    full = [
        (bar, lead)
        for bar, lead in zip(played, leads, strict=True)
        if bar.length >= _NARROW_SHARE * usual
    ]
    columns = [sorted({hit.at - lead for hit in bar.hits}) for bar, lead in full]
    widths = [bar.length - lead for bar, lead in full]
    gaps = [b - a for row in columns for a, b in itertools.pairwise(row)]
    if len(gaps) < _MIN_GAPS or max(widths) - min(widths) > 1:
        return (4, 4)
    gap = min(statistics.multimode(gaps))
    even = sum(at % gap == 0 for row in columns for at in row) / sum(map(len, columns))
    # The gap after the last sign may be cut short.
    last = statistics.median(max(row) for row in columns if row)
    signs = max(round(statistics.median(widths) / gap), int(last // gap) + 1)
    return (3, 4) if even >= _EVEN_SHARE and signs in (3, 6) else (4, 4)


def _evenly(
    played: list[TabBar], meter: tuple[int, int], bpm: float | None
) -> tuple[list[TabBar], list[float], float]:
    """Bars of one length each, their times as shares of it, where they start, and its seconds.

    A bar is drawn as wide as its signs need; what it lasts is a bar. The columns tell shares of
    it, to a sixteenth or as fine as its signs need. A first bar that is much narrower than the
    others is a pickup, a last one is not filled.
    """
    top, unit = meter
    usual = statistics.median(bar.length for bar in played)
    parts = max(4, top * 16 // unit)
    even: list[TabBar] = []
    short = 0.0
    for i, (bar, lead) in enumerate(zip(played, _leads(played, top), strict=True)):
        width = bar.length if bar.length >= _NARROW_SHARE * usual else usual
        signs = {hit.at - lead for hit in bar.hits}
        wide = _columns(max(width - lead, 1.0), signs, top)
        columns = {hit.at: (hit.at - lead) / wide for hit in bar.hits}
        # Three columns a beat are thirds, but for signs that all stand at sixteenths.
        thirds = wide in (top * 3, top * 6) and any(
            round(c * parts, 6) % 1 for c in columns.values()
        )
        shares = distinct_parts(columns.values(), top * 3 if thirds else parts)
        places = {at: shares[share] for at, share in columns.items()}
        if i == 0 and width > bar.length and len(played) > 2:
            short = max(1, round(top * bar.length / usual)) / top  # a pickup of whole beats
            places = {at: min(share, short - 0.25 / parts) for at, share in places.items()}
        hits = [replace(hit, at=places[hit.at]) for hit in bar.hits]
        chords = [(min(max(at - lead, 0.0) / width, 0.99), text) for at, text in bar.chords]
        even.append(replace(bar, length=1.0, hits=hits, chords=chords))
    first = -short if short else 0.0
    starts = [first + (i if not short or i == 0 else i - 1 + short) for i in range(len(even))]
    return even, starts, top * 60.0 / (bpm or 30.0 * unit)


def _columns(width: float, signs: Set[float], top: int) -> float:
    """Columns that a bar of ``top`` beats stands for: one may be missing or too many at its end.

    More may be missing where evenly spaced signs leave no other place for the bar line: the gap
    after the last of three, ``-3---3---3-``, is cut short (common practice, no source).
    """
    last = max(signs, default=0.0)
    gap = math.gcd(*map(int, signs))
    if len(signs) >= _MIN_EVEN and width < last + gap and last + gap in (top * gap, 2 * top * gap):
        return last + gap
    if width >= 2 * top - 1:
        for wide in (width, width + 1, width - 1):
            if wide % top == 0 and last < wide:
                return wide
    return width


def _meter(played: list[TabBar], head: Header, name: str) -> tuple[int, int]:
    longest = max(int(bar.length) for bar in played)
    meter = head.meter or ((longest, 8) if longest in (6, 9, 12) else (longest, 4))
    for i, bar in enumerate(played):
        late = bar.first_beat > 0 and i > 0
        if bar.length != meter[0] if head.own else bar.length > meter[0]:
            late = True
        if late:
            raise refuse(
                name,
                bar.line,
                f"bar {bar.number} with beats {bar.first_beat + 1} to {int(bar.length)}",
                f"beats 1 to {meter[0]}",
            )
    return meter


def _bar_starts(played: list[TabBar], in_bar: int) -> list[float]:
    number = played[0].number
    if played[0].first_beat > 0:
        number = min(number, 0)  # a bar that begins late is a pickup
    return [float((number - 1 + i) * in_bar) for i in range(len(played))]


def _notes(
    placed: list[tuple[float, TabNote]],
    instrument: Instrument,
    grid: _Grid,
    counted: bool,
    name: str,
) -> tuple[Note, ...]:
    placed.sort(key=lambda p: (p[0], -p[1].string))
    following: dict[int, float] = {}
    ends: list[float] = []
    for at, hit in reversed(placed):
        end = min(following.get(hit.string, grid.end), at + grid.longest)
        ends.append(max(end, at + 1 / 64))
        following[hit.string] = at
    notes = []
    for number, ((at, hit), end) in enumerate(zip(placed, reversed(ends), strict=True), 1):
        fret = hit.sign.fret or 0
        pitch = instrument.pitch_midi(hit.string, fret)
        if not 0 <= pitch <= 127:
            raise refuse(name, hit.line, f"fret {fret}", "a pitch that MIDI can count")
        notes.append(
            Note(
                number,
                grid.sec(at),
                max(grid.sec(end), grid.sec(at) + 1e-3),
                pitch,
                string=hit.string,
                fret=fret,
                finger=hit.finger,
                onset_beat=round(at, 6) if counted else None,
                duration_beat=round(end - at, 6) if counted else None,
                palm_mute=hit.palm_mute,
                let_ring=hit.let_ring,
                stroke=hit.stroke,
                **_technique(hit.sign),
            )
        )
    return sort_notes(notes)


def _marks(placed: list[tuple[float, TabNote]]) -> list[Mark]:
    """What stands at the notes; sections and words of bars that are played again only once.

    ``placed`` is in the order of the notes, whose ids count from 1.
    """
    seen: set[tuple[int, int]] = set()
    found = []
    for number, (_, hit) in enumerate(placed, 1):
        for i, mark in enumerate(hit.marks):
            if mark.kind == "chord" or (id(hit.sign), i) not in seen:
                found.append(replace(mark, note=number))
            seen.add((id(hit.sign), i))
    return sorted(found, key=lambda mark: (mark.note, MARKS.index(mark.kind)))


def _technique(sign: Sign) -> dict[str, Any]:
    """The fields of a note that its sign tells: its articulation and what goes with it."""
    fields: dict[str, Any] = {"soft": sign.soft}
    if sign.bend_to is not None and sign.fret is not None:
        fields["bend"] = Bend(semitones=sign.bend_to - sign.fret, released=sign.released)
    elif sign.released:
        fields["bend"] = Bend(released=True)
    if sign.fret is None:
        return fields | {"articulation": "dead"}
    if sign.after == "*":
        return fields | {"articulation": "harmonic"}
    if sign.after == "b":
        return fields | {"articulation": "bend"}
    if sign.before in ("/", "\\", "s"):
        way = {"/": "up", "\\": "down"}.get(sign.before)
        return fields | {"articulation": "slide", "slide": way}
    if sign.before == "h":
        return fields | {"articulation": "hammer-on"}
    if sign.before == "t":
        return fields | {"articulation": "hammer-on", "tapped": True}
    if sign.before == "p":
        return fields | {"articulation": "pull-off"}
    return fields | {"articulation": "vibrato" if sign.after == "~" else "picked"}


def _drone(head: Header, notes: tuple[Note, ...]) -> Drone | None:
    if not head.drone:
        return None
    struck = [n for n in notes if n.string in head.drone and n.fret == 0]
    if not struck:
        return None
    start, end = struck[0].onset_sec, max(n.offset_sec for n in struck)
    return Drone(head.drone[0], start, end, tuple(head.drone[1:]))


def _theory(head: Header, chords: list[tuple[float, str]], grid: _Grid) -> dict[str, Any] | None:
    theory: dict[str, Any] = {}
    if head.mode:
        theory["mode"] = dict(head.mode)
    if chords:
        theory["chords"] = chord_section(chords, grid.end, grid.sec)
    if head.loop:
        theory["loop"] = {"symbols": list(head.loop), "bars": len(head.loop)}
        if head.loop_implied:
            theory["loop"]["implied"] = True
        if head.loop_once:
            theory["loop"]["once"] = True
        if head.loop_shapes or head.easier:
            theory["ways"] = _ways(head)
    return theory or None


def _ways(head: Header) -> list[dict[str, Any]]:
    """What the header says of the shapes of each chord of the loop, as in the document."""
    out: dict[str, dict[str, Any]] = {symbol: {"symbol": symbol} for symbol in head.loop}
    for symbol, name in zip(head.loop, head.loop_shapes, strict=False):
        out[symbol]["as_played"] = name
    if head.easier is not None:
        fret, names = head.easier
        for symbol, name in zip(head.loop, names, strict=False):
            out[symbol]["capo"] = [{"capo": fret, "think": name}]
    return list(out.values())
