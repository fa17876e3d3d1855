"""The practice plan: where to work first, from which tempo, and what to do there.

Every pass of the take counts, since what goes wrong again and again needs the work most. A place
is a bar, with the bars of the same music in which the same slip was made: whoever mends it once
mends it everywhere. Where the reference has no bars, a place is a few notes in a row.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np

from transcribe.core.riff import Note, Riff
from transcribe.takes.comparison import DroneGap, DroneVerdict, Practice, Summary, Verdict
from transcribe.takes.drone_verdict import drone_notes
from transcribe.takes.places import bars_named, beat_name, listed, ranges, rounded, spot

__all__ = ["practice_plan"]

_WEIGHT = {"wrong": 1.2, "missed": 1.0, "extra": 0.7, "early": 0.6, "late": 0.6}
_GAP = 0.5
_PLACES = 3
_POINTS = 2
_BARS = 4  # that a sentence names one by one
_SECTION = 8  # notes; stands for a bar where the reference has none
_DRIFT = 6.0  # percent over the whole take that are worth a line
_SILENT = 0.25  # share of its time that the drone is silent, likewise
_PARTS = ((0.125, "1/8"), (0.25, "1/4"), (1 / 3, "1/3"), (0.5, "half"))
_LEAST_PART = 0.09  # of a beat; less is told in milliseconds alone


@dataclass
class _Place:
    """A bar, or a few notes, with what went wrong there: in how many passes, of how many."""

    key: int
    rows: list[Verdict]
    gaps: list[DroneGap]
    spoilt: set[int]
    passes: int

    @property
    def weight(self) -> float:
        return sum(_WEIGHT.get(r.verdict, 0.0) for r in self.rows) + _GAP * len(self.gaps)

    @property
    def notes(self) -> int:
        return max(1, sum(r.reference is not None for r in self.rows))

    @property
    def rank(self) -> float:
        # Half by count and half by share, so that a short bar with one slip does not lead.
        return self.weight * (0.5 + 0.5 / self.notes)


@dataclass(frozen=True)
class _At:
    """What the sentences about a place refer to: the bars that it names, the take's tempo."""

    reference: Riff
    bars: tuple[int, ...]
    tempo_bpm: float | None


def practice_plan(
    passes: Sequence[Sequence[Verdict]],
    summary: Summary,
    reference: Riff,
    drone: DroneVerdict | None,
) -> tuple[Practice, ...]:
    """The places that need work, worst first: at most three, and none where nothing is wrong.

    Parameters
    ----------
    passes : sequence of sequences of Verdict
        The verdicts of every pass that plays enough of the reference to count.
    summary, drone : Summary, DroneVerdict or None
        Those of the best pass.
    """
    whole = (0, len(reference.notes) - 1)
    tempo = _start_tempo(0.0, summary)
    lines = []
    if drone is not None and drone.ringing_share < 1.0 - _SILENT and len(drone.gaps) > 1:
        share = f"the drone rings {100 * drone.ringing_share:.0f} % of the time it should"
        lines.append(Practice(None, "throughout", tempo, (f"{share}, {_LET_RING}",), {}, whole))
        drone = None  # told once for all
    groups = _groups(_places(passes, drone), reference)
    groups.sort(key=lambda g: (-sum(p.rank for p in g), g[0].key))
    lines += [_line(group, summary, reference) for group in groups[: _PLACES - len(lines)]]
    drift = summary.drift_percent
    if drift is not None and abs(drift) >= _DRIFT:
        way = "faster" if drift > 0 else "slower"
        said = f"you get {abs(drift):.0f} % {way} on the way, play along with a metronome"
        lines.append(Practice(None, "throughout", tempo, (said,), {}, whole))
    return tuple(lines[:_PLACES])


_LET_RING = "let it ring and keep the other fingers off its string"


def _places(passes: Sequence[Sequence[Verdict]], drone: DroneVerdict | None) -> list[_Place]:
    """Every place where something went wrong, in the reference's order."""
    places: dict[int, _Place] = {}
    for k, rows in enumerate(passes):
        for row in rows:
            if not row.left_out and not row.again:
                key = row.bar if row.bar is not None else _section(row, rows)
                place = places.setdefault(key, _Place(key, [], [], set(), len(passes)))
                place.rows.append(row)
                place.spoilt |= {k} if row.verdict in _WEIGHT else set()
    for gap in drone.gaps if drone is not None else ():
        if gap.bar in places:
            places[gap.bar].gaps.append(gap)
    return [places[key] for key in sorted(places) if places[key].weight > 0]


def _section(row: Verdict, rows: Sequence[Verdict]) -> int:
    if row.reference is not None:
        return row.reference // _SECTION
    before = [r.reference for r in rows if r.reference is not None and _before(r, row)]
    return max(before, default=0) // _SECTION


def _before(a: Verdict, b: Verdict) -> bool:
    return a.time_sec is not None and b.time_sec is not None and a.time_sec <= b.time_sec


def _groups(places: Sequence[_Place], reference: Riff) -> list[list[_Place]]:
    """Places that one thing mends, together, the worst of them first.

    Those are bars of the same music that share a slip, and places where only the drone failed.
    """
    groups: list[tuple[Hashable, set[Hashable], list[_Place]]] = []
    drone = set(drone_notes(reference))
    for place in places:
        music, slips = _music(place, reference), _slips(place, reference)
        if all(r.reference in drone for r in place.rows if r.verdict in _WEIGHT):
            music, slips = "the drone alone", {None}
        for known, shared, members in groups:
            if music is not None and music == known and shared & slips:
                members.append(place)
                shared |= slips
                break
        else:
            groups.append((music, slips, [place]))
    return [sorted(members, key=lambda p: (-p.weight, p.key)) for _, _, members in groups]


def _music(place: _Place, reference: Riff) -> Hashable:
    """What a bar holds, as beats and pitches; None where there are no bars."""
    if reference.rhythm is None or any(r.bar is None for r in place.rows):
        return None
    start = (place.key - 1) * reference.rhythm.meter[0]
    notes = (reference.notes[i] for i in {r.reference for r in place.rows} if i is not None)
    return tuple(sorted((round((n.onset_beat or 0.0) - start, 2), n.pitch_midi) for n in notes))


def _slips(place: _Place, reference: Riff) -> set[Hashable]:
    found: set[Hashable] = set()
    for row in place.rows:
        if row.verdict in _WEIGHT and row.reference is not None:
            note = reference.notes[row.reference]
            other = row.played.pitch_midi if row.played is not None else None
            found.add((_beat(row, reference), note.pitch_midi, row.verdict, other))
    return found


def _line(group: list[_Place], summary: Summary, reference: Riff) -> Practice:
    rows = [r for place in group for r in place.rows]
    gaps = [g for place in group for g in place.gaps]
    errors = Counter(r.verdict for r in rows if r.verdict in _WEIGHT)
    if gaps:
        errors["drone"] = len(gaps)
    worst = group[0]
    ids = [r.reference for r in worst.rows if r.reference is not None]
    span = (min(ids), max(ids)) if ids else (0, 0)
    bar = worst.rows[0].bar
    place = f"notes {span[0] + 1} to {span[1] + 1}" if span[1] > span[0] else f"note {span[0] + 1}"
    if bar is not None:
        place = bars_named([p.key for p in group])
    share = max(p.weight / p.notes for p in group)
    points = _points(rows, gaps, _At(reference, tuple(p.key for p in group), summary.tempo_bpm))
    spoilt = set().union(*(p.spoilt for p in group))
    if worst.passes > 1 and spoilt:
        first, *more = points
        points = (f"in {len(spoilt)} of {worst.passes} passes, {first}", *more)
    return Practice(
        bar,
        place,
        _start_tempo(share, summary),
        points,
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


def _points(rows: list[Verdict], gaps: list[DroneGap], at: _At) -> tuple[str, ...]:
    """One or two things to do at a place, the one that mends most first."""
    by_kind: dict[str, list[Verdict]] = defaultdict(list)
    for row in rows:
        by_kind[row.verdict].append(row)
    said: list[tuple[float, str]] = []
    if by_kind["wrong"]:
        said.append((_WEIGHT["wrong"] * len(by_kind["wrong"]), _wrong(by_kind["wrong"], at)))
    if by_kind["missed"]:
        said.append((_WEIGHT["missed"] * len(by_kind["missed"]), _missed(by_kind["missed"], at)))
    if by_kind["extra"]:
        said.append((_WEIGHT["extra"] * len(by_kind["extra"]), _extra(by_kind["extra"], at)))
    for verdict in ("late", "early"):
        if by_kind[verdict]:
            text = _off_the_beat(by_kind[verdict], at)
            said.append((_WEIGHT[verdict] * len(by_kind[verdict]), text))
    # Strokes of the drone that were missed are told as missed notes.
    stopped = [g for g in gaps if g.kind == "stopped ringing"]
    if stopped or (gaps and not by_kind["missed"]):
        told = stopped or gaps
        start = _from(told[0], at.reference)
        what = f"stops{start}, {_LET_RING}" if stopped else f"is not struck{start}, strike it too"
        said.append((0.9 * len(told), f"the drone {what}"))
    said.sort(key=lambda s: -s[0])
    return tuple(text for _, text in said[:_POINTS])


def _wrong(rows: list[Verdict], at: _At) -> str:
    """The commonest wrong note: when, what is written, what it was."""
    kinds = Counter(_wrong_kind(r, at) for r in rows)
    note, what = kinds.most_common(1)[0][0]
    same = [r for r in rows if _wrong_kind(r, at) == (note, what)]
    text = f"{_when(same, at)}: play {note}, it was {what}"
    more = len({r.reference for r in rows} - {r.reference for r in same})
    return text + (f"; {more} more wrong note{'s' if more > 1 else ''}" if more else "")


def _wrong_kind(row: Verdict, at: _At) -> tuple[str, str]:
    played = row.played
    return spot(_note(row, at.reference)), "another note" if played is None else played.where


def _missed(rows: list[Verdict], at: _At) -> str:
    spots = Counter(spot(_note(r, at.reference)) for r in rows)
    (name, most), when = spots.most_common(1)[0], _when(rows, at)
    if len(spots) > 1:
        which = f", most of all {name}" if most > spots.most_common(2)[1][1] else ""
        return f"{when}: {len({r.reference for r in rows})} notes are missing{which}"
    drone = {_note(r, at.reference).id for r in rows} <= {
        at.reference.notes[i].id for i in drone_notes(at.reference)
    }
    how = "strike the drone too" if drone else "fret it firmly and strike it"
    if _note(rows[0], at.reference).fret == 0 and not drone:
        how = "strike it"
    return f"{when}: {name} is missing, {how}"


def _extra(rows: list[Verdict], at: _At) -> str:
    names = sorted({r.played.where for r in rows if r.played is not None})
    when = _when(rows, at)
    many = "is" if len(names) == 1 else "are"
    sound = "sounds" if len(names) == 1 else "sound"
    return f"{when}: {listed(names)} {sound} but {many} not written, damp what is not played"


def _off_the_beat(rows: list[Verdict], at: _At) -> str:
    off = abs(float(np.median([r.offset_ms or 0.0 for r in rows])))
    when = _when(rows, at)
    who = spot(_note(rows[0], at.reference))
    late = {r.reference for r in rows}
    come = "comes" if len(late) == 1 else f"and {len(late) - 1} more come"
    if len({_beat(r, at.reference) for r in rows}) < len(late):
        who, come = "what is played there", "comes"
    part = _part_of_beat(off, at.tempo_bpm)
    return f"{when}: {who} {come} {off:.0f} ms {rows[0].verdict}{part}, count aloud"


def _part_of_beat(off_ms: float, tempo_bpm: float | None) -> str:
    if tempo_bpm is None:
        return ""
    share = off_ms * tempo_bpm / 60000.0
    if share < _LEAST_PART:
        return ""
    name = min(_PARTS, key=lambda part: abs(share - part[0]))[1]
    return f" (about {name} of a beat)" if share < 0.75 else " (most of a beat)"


def _note(row: Verdict, reference: Riff) -> Note:
    return reference.notes[row.reference or 0]


def _beat(row: Verdict, reference: Riff) -> str:
    """The beat of a verdict within its bar, or the note's number; extra notes to the quarter."""
    if row.beat is None or row.bar is None or reference.rhythm is None:
        return str((row.reference or 0) + 1) if row.reference is not None else ""
    within = row.beat - (row.bar - 1) * reference.rhythm.meter[0] + 1.0
    if row.reference is None:
        within = rounded(within, reference.rhythm.meter)
    return beat_name(within)


def _when(rows: Sequence[Verdict], at: _At) -> str:
    """On which beats, bar by bar where the bars differ; else which notes, or at what time."""
    if any(r.beat is None for r in rows):
        numbers = [r.reference + 1 for r in rows if r.reference is not None]
        if not numbers:
            return f"at {listed([f'{r.time_sec or 0.0:.1f} s' for r in rows])}"
        return f"note{'s' if len(numbers) > 1 else ''} {ranges(numbers)}"
    by_bar: dict[int, list[str]] = defaultdict(list)
    for row in sorted(rows, key=lambda r: r.beat or 0.0):
        if (name := _beat(row, at.reference)) not in by_bar[row.bar or 0]:
            by_bar[row.bar or 0].append(name)
    told = list(by_bar.values())
    if len(told) == len(at.bars) and all(beats == told[0] for beats in told):
        return _beats(told[0])
    bars = [
        f"{f'bar {bar}' if bar > 0 else 'pickup'} {_beats(beats)}"
        for bar, beats in sorted(by_bar.items())
    ]
    return ", ".join(bars[:_BARS]) + (" and so on" if len(bars) > _BARS else "")


def _beats(names: list[str]) -> str:
    return f"beat{'s' if len(names) > 1 else ''} {listed(names)}"


def _from(gap: DroneGap, reference: Riff) -> str:
    if gap.start_beat is None or gap.bar is None or reference.rhythm is None:
        return f" at {gap.start_sec:.1f} s"
    within = gap.start_beat - (gap.bar - 1) * reference.rhythm.meter[0] + 1.0
    return f" at beat {beat_name(rounded(within, reference.rhythm.meter, parts=2))}"
