"""The practice plan: where to work first, from which tempo, and what to do there.

Every pass of the take counts, since what goes wrong again and again needs the work most. A place
is a bar, with the bars of the same music in which the same slip was made: a player who mends it
once mends it everywhere. Where the reference has no bars, a place is a few notes in a row. The
weights and shares are choices of this project.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from statistics import median

from transcribe.core.riff import Riff
from transcribe.core.score_place import bar_and_beat, beat_name
from transcribe.takes.comparison import (
    DroneGap,
    DroneVerdict,
    Practice,
    PracticeStep,
    Summary,
    Verdict,
)
from transcribe.takes.drone_verdict import drone_notes

__all__ = ["practice_plan"]

_WEIGHT = {"wrong": 1.2, "missed": 1.0, "extra": 0.7, "early": 0.6, "late": 0.6}
_GAP_WEIGHT = 0.5  # of a gap of the drone in a place's rank ...
_DRONE_WEIGHT = 0.9  # ... and in the order of the steps there
_MAX_LINES = 3
_MAX_STEPS_A_PLACE = 2
_SECTION_NOTES = 8  # notes; stands for a bar where the reference has none
_DRIFT_PERCENT = 6.0  # over the whole take that are worth a line
_SILENT_SHARE = 0.25  # of its time that the drone is silent, likewise
_SLOWER = ((0.15, 0.85), (0.4, 0.75))  # what went wrong, per note; share of the tempo to begin at
_SLOWEST = 0.6


@dataclass
class _Place:
    """A bar, or a few notes, with what went wrong there: in how many passes, of how many."""

    key: int
    rows: list[Verdict]
    gaps: list[DroneGap]
    spoilt: set[int]

    @property
    def weight(self) -> float:
        return sum(_WEIGHT.get(r.verdict, 0.0) for r in self.rows) + _GAP_WEIGHT * len(self.gaps)

    @property
    def share(self) -> float:
        return self.weight / max(1, sum(r.reference is not None for r in self.rows))

    @property
    def rank(self) -> float:
        # Half by count and half by share, so that a short bar with one slip does not lead.
        return 0.5 * (self.weight + self.share)

    @property
    def wrong_rows(self) -> list[Verdict]:
        return [r for r in self.rows if r.verdict in _WEIGHT]


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

    def throughout(step: PracticeStep) -> Practice:
        whole = (0, len(reference.notes) - 1)
        return Practice((step,), _start_tempo(0.0, summary), whole, throughout=True)

    lines = []
    if drone is not None and drone.ringing_share < 1.0 - _SILENT_SHARE and len(drone.gaps) > 1:
        lines.append(throughout(PracticeStep("drone rings", ringing_share=drone.ringing_share)))
        drone = None  # one line for all of it
    groups = _groups(_places(passes, drone), reference)
    groups.sort(key=lambda g: (-sum(p.rank for p in g), g[0].key))
    lines += [
        _line(group, len(passes), summary, reference) for group in groups[: _MAX_LINES - len(lines)]
    ]
    drift = summary.drift_percent
    if drift is not None and abs(drift) >= _DRIFT_PERCENT:
        lines.append(throughout(PracticeStep("drift", drift_percent=drift)))
    return tuple(lines[:_MAX_LINES])


def _places(passes: Sequence[Sequence[Verdict]], drone: DroneVerdict | None) -> list[_Place]:
    """Every place where something went wrong, in the reference's order."""
    places: dict[int, _Place] = {}
    for k, rows in enumerate(passes):
        for row in rows:
            if row.counts:
                key = row.bar if row.bar is not None else _section(row, rows)
                place = places.setdefault(key, _Place(key, [], [], set()))
                place.rows.append(row)
                place.spoilt |= {k} if row.verdict in _WEIGHT else set()
    for gap in drone.gaps if drone is not None else ():
        if gap.bar in places:
            places[gap.bar].gaps.append(gap)
    return [places[key] for key in sorted(places) if places[key].weight > 0]


def _section(row: Verdict, rows: Sequence[Verdict]) -> int:
    """Which few notes a verdict belongs to, an extra note's with what was played before it."""
    if row.reference is not None:
        return row.reference // _SECTION_NOTES
    time = row.time_sec or 0.0
    before = [
        r.reference
        for r in rows
        if r.reference is not None and r.time_sec is not None and r.time_sec <= time
    ]
    return max(before, default=0) // _SECTION_NOTES


def _groups(places: Sequence[_Place], reference: Riff) -> list[list[_Place]]:
    """Places that one thing mends, together, the worst of them first.

    Those are bars of the same music that share a slip, and places where only the drone failed.
    """
    groups: list[tuple[Hashable, set[Hashable], list[_Place]]] = []
    drone = set(drone_notes(reference))
    for place in places:
        music, slips = _music(place, reference), _slips(place, reference)
        if all(r.reference in drone for r in place.wrong_rows):
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
    """What went wrong with which note of a bar."""
    found: set[Hashable] = set()
    for row in place.wrong_rows:
        if row.reference is not None:
            where: str | int = row.reference
            if row.beat is not None and reference.rhythm is not None:
                where = beat_name(bar_and_beat(row.beat, reference.rhythm.meter)[1])
            other = row.played.pitch_midi if row.played is not None else None
            found.add((where, reference.notes[row.reference].pitch_midi, row.verdict, other))
    return found


def _line(group: list[_Place], passes: int, summary: Summary, reference: Riff) -> Practice:
    rows = [r for place in group for r in place.rows]
    gaps = [g for place in group for g in place.gaps]
    errors = Counter(r.verdict for r in rows if r.verdict in _WEIGHT)
    if gaps:
        errors["drone"] = len(gaps)
    ids = [r.reference for r in group[0].rows if r.reference is not None]
    has_bars = group[0].rows[0].bar is not None
    return Practice(
        _steps(rows, gaps, reference),
        _start_tempo(max(p.share for p in group), summary),
        (min(ids), max(ids)) if ids else (0, 0),
        tuple(p.key for p in group) if has_bars else (),
        errors=dict(errors),
        spoilt_passes=len(set().union(*(p.spoilt for p in group))),
        passes=passes,
    )


def _start_tempo(share: float, summary: Summary) -> float | None:
    """Tempo to begin at: the slower of take and reference, less the more went wrong.

    Practising slowly enough to play it right is common practice, no source.
    """
    known = [bpm for bpm in (summary.reference_bpm, summary.tempo_bpm) if bpm is not None]
    if not known:
        return None
    factor = next((slower for most, slower in _SLOWER if share < most), _SLOWEST)
    return float(max(1, round(min(known) * factor)))


def _steps(rows: list[Verdict], gaps: list[DroneGap], reference: Riff) -> tuple[PracticeStep, ...]:
    """One or two things to do at a place, the one that mends most first."""
    by_kind: dict[str, list[Verdict]] = defaultdict(list)
    for row in rows:
        by_kind[row.verdict].append(row)
    steps = [
        (_WEIGHT[kind] * len(by_kind[kind]), _step(kind, by_kind[kind], reference))
        for kind in ("wrong", "missed", "extra", "late", "early")
        if by_kind[kind]
    ]
    # Strokes of the drone that were missed are listed as missed notes.
    stopped = tuple(g for g in gaps if g.kind == "stopped ringing")
    if stopped:
        steps.append((_DRONE_WEIGHT * len(stopped), PracticeStep("drone stops", gaps=stopped)))
    elif gaps and not by_kind["missed"]:
        step = PracticeStep("drone not struck", gaps=tuple(gaps))
        steps.append((_DRONE_WEIGHT * len(gaps), step))
    steps.sort(key=lambda step: -step[0])
    return tuple(step for _, step in steps[:_MAX_STEPS_A_PLACE])


def _step(kind: str, rows: list[Verdict], reference: Riff) -> PracticeStep:
    """What to mend of the notes of one verdict."""
    if kind == "missed":
        drone = set(drone_notes(reference))
        return PracticeStep(kind, tuple(rows), on_drone=all(r.reference in drone for r in rows))
    if kind in ("late", "early"):
        off = abs(median(r.offset_ms or 0.0 for r in rows))
        return PracticeStep(kind, tuple(rows), offset_ms=off)
    if kind == "extra":
        return PracticeStep(kind, tuple(rows))

    def slip(row: Verdict) -> Hashable:
        note = reference.notes[row.reference or 0]
        return note.string, note.fret, note.pitch_midi, row.played

    commonest = Counter(slip(row) for row in rows).most_common(1)[0][0]
    same = tuple(row for row in rows if slip(row) == commonest)
    others = {row.reference for row in rows} - {row.reference for row in same}
    return PracticeStep(kind, same, others=len(others))
