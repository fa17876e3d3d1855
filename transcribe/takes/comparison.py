"""What a comparison says: a verdict per note, the passes, the drone, the summary, the practice.

Conventions: ``reference`` and ``take`` in a `Verdict` count notes from 0 in the order of
`transcribe.core.riff.sort_notes`; None where there is none. ``offset_ms`` is positive for late,
measured after a smooth tempo is taken out. Times ``_sec`` are the take's own clock; ``_beat`` the
score's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from transcribe.core.riff import Riff

__all__ = [
    "MARKS",
    "VERDICTS",
    "WORST_FIRST",
    "Comparison",
    "DroneGap",
    "DroneVerdict",
    "Pass",
    "Played",
    "Practice",
    "Summary",
    "Verdict",
]

VERDICTS = ("right", "wrong", "missed", "extra", "early", "late", "unsure")
"""Every verdict, in the order that reports list them."""

MARKS: Mapping[str, str] = {
    "right": ".",
    "wrong": "x",
    "missed": "o",
    "extra": "+",
    "early": "<",
    "late": ">",
    "unsure": "?",
    "left out": "-",
}
"""The character that stands for each verdict under a tab."""

WORST_FIRST = ("wrong", "missed", "late", "early", "unsure", "right", "left out")
"""Which verdict stands for notes that are struck together."""


@dataclass(frozen=True, slots=True)
class Played:
    """What was played instead of a note, and where on the neck that suggests the finger went."""

    pitch_midi: int
    string: int | None = None
    fret: int | None = None
    where: str = ""


@dataclass(frozen=True, slots=True)
class Verdict:
    """The verdict on one note of the reference, or on one extra note of the take.

    ``left_out`` notes do not count: of the reference, those that the pass does not reach; of the
    take, those that lie before or after the pass. ``again`` marks the worse of two playings.
    """

    reference: int | None
    take: int | None
    verdict: str
    offset_ms: float | None = None
    tolerance_ms: float | None = None
    beat: float | None = None
    bar: int | None = None
    time_sec: float | None = None
    length: str | None = None
    left_out: bool = False
    again: bool = False
    played: Played | None = None
    reason: str = ""

    def as_json(self) -> dict[str, Any]:
        """The verdict as JSON values; keys that say nothing are left out."""
        out: dict[str, Any] = {
            "reference": self.reference,
            "take": self.take,
            "verdict": self.verdict,
            "offset_ms": _rounded(self.offset_ms, 1),
        }
        if self.bar is not None:
            out["bar"] = self.bar
        if self.beat is not None:
            out["beat"] = _rounded(self.beat, 4)
        if self.time_sec is not None:
            out["time_sec"] = _rounded(self.time_sec, 4)
        if self.tolerance_ms is not None:
            out["tolerance_ms"] = _rounded(self.tolerance_ms, 1)
        if self.length is not None:
            out["length"] = self.length
        if self.left_out:
            out["left_out"] = True
        if self.again:
            out["again"] = True
        if self.played is not None:
            out["played"] = {
                "pitch_midi": self.played.pitch_midi,
                "string": self.played.string,
                "fret": self.played.fret,
                "where": self.played.where,
            }
        if self.reason:
            out["reason"] = self.reason
        return out


@dataclass(frozen=True, slots=True)
class DroneGap:
    """A stretch in which the drone should sound and does not."""

    kind: str  # "stopped ringing" or "not struck"
    start_sec: float
    end_sec: float
    start_beat: float | None = None
    bar: int | None = None

    def as_json(self) -> dict[str, Any]:
        """The gap as JSON values."""
        return {
            "kind": self.kind,
            "start_sec": round(self.start_sec, 3),
            "end_sec": round(self.end_sec, 3),
            "start_beat": _rounded(self.start_beat, 3),
            "bar": self.bar,
        }


@dataclass(frozen=True, slots=True)
class DroneVerdict:
    """How well the drone rang: its share of the time it should, its gaps, its level over time."""

    string: int | None
    pitch_midi: int
    expected_sec: float
    ringing_share: float
    gaps: tuple[DroneGap, ...] = ()
    level: tuple[tuple[float, float], ...] = ()  # (take seconds, dB)

    def as_json(self) -> dict[str, Any]:
        """The drone as JSON values."""
        return {
            "string": self.string,
            "pitch_midi": self.pitch_midi,
            "expected_sec": round(self.expected_sec, 3),
            "ringing_share": round(self.ringing_share, 4),
            "dropouts": [gap.as_json() for gap in self.gaps],
            "level": [[round(t, 3), round(db, 1)] for t, db in self.level],
        }


@dataclass(frozen=True, slots=True)
class Practice:
    """One line of the practice plan: a place, the tempo to begin at, and what to do there.

    ``bar`` is the worst of the bars that ``place`` names; None where it names notes, or the whole.
    """

    bar: int | None
    place: str
    tempo_bpm: float | None
    points: tuple[str, ...]
    errors: Mapping[str, int] = field(default_factory=dict)
    reference: tuple[int, int] = (0, 0)  # first and last note of the stretch, both included

    @property
    def listen_for(self) -> str:
        """What to do there, in one line."""
        return "; ".join(self.points)

    def as_json(self) -> dict[str, Any]:
        """The line as JSON values."""
        return {
            "bar": self.bar,
            "place": self.place,
            "tempo_bpm": _rounded(self.tempo_bpm, 1),
            "listen_for": self.listen_for,
            "errors": dict(self.errors),
            "reference": list(self.reference),
        }


@dataclass(frozen=True, slots=True)
class Summary:
    """The figures of one pass.

    ``right_share`` is right / (right + wrong + missed + extra + early + late): unsure notes and
    stretches that were left out do not count. ``spread_ms`` is 1.4826 times the median distance
    from the median (a standard deviation that single mistakes do not move); ``bias_ms`` the mean
    offset of the notes that are neither early nor late, beside the smooth tempo.
    """

    counts: Mapping[str, int]
    right_share: float
    bias_ms: float | None
    spread_ms: float | None
    tempo_bpm: float | None
    reference_bpm: float | None
    tempo_ratio: float | None
    drift_percent: float | None
    left_out: int = 0
    cut_short: int = 0
    left_ringing: int = 0

    def as_json(self) -> dict[str, Any]:
        """The figures as JSON values."""
        return {
            **{name: self.counts.get(name, 0) for name in VERDICTS},
            "right_share": round(self.right_share, 4),
            "timing": {
                "bias_ms": _rounded(self.bias_ms, 1),
                "spread_ms": _rounded(self.spread_ms, 1),
            },
            "tempo_bpm": _rounded(self.tempo_bpm, 2),
            "reference_bpm": _rounded(self.reference_bpm, 2),
            "drift_percent": _rounded(self.drift_percent, 2),
            "left_out": self.left_out,
            "cut_short": self.cut_short,
            "left_ringing": self.left_ringing,
        }


@dataclass(frozen=True, slots=True)
class Pass:
    """One playing of the reference within the take."""

    start_sec: float
    end_sec: float
    notes: tuple[Verdict, ...]
    summary: Summary
    drone: DroneVerdict | None = None
    pauses: tuple[tuple[float, float], ...] = ()  # (take seconds, seconds longer than written)
    tempo: tuple[tuple[float, float], ...] = ()  # (take seconds, beats per minute)

    @property
    def reach(self) -> tuple[int, int] | None:
        """First and last note of the reference that the pass reaches; None if it reaches none."""
        ids = [r.reference for r in self.notes if r.reference is not None and not r.left_out]
        return (min(ids), max(ids)) if ids else None

    @property
    def reached_share(self) -> float:
        """Share of the reference's notes that the pass reaches, 0 to 1."""
        own = [r for r in self.notes if r.reference is not None and not r.again]
        return sum(not r.left_out for r in own) / max(1, len(own))

    @property
    def enough(self) -> bool:
        """Whether the pass reaches half of the reference, so that it is more than a try."""
        return self.reached_share >= 0.5

    def as_json(self, *, with_notes: bool = False) -> dict[str, Any]:
        """The pass as JSON values."""
        notes = {"notes": [row.as_json() for row in self.notes]} if with_notes else {}
        return {
            "start_sec": round(self.start_sec, 3),
            "end_sec": round(self.end_sec, 3),
            "summary": self.summary.as_json(),
            "tempo_ratio": _rounded(self.summary.tempo_ratio, 4),
            "pauses": [[round(t, 3), round(d, 3)] for t, d in self.pauses],
        } | notes


@dataclass(frozen=True, slots=True)
class Comparison:
    """A take held against a reference. ``passes[best]`` is the pass that ``notes`` speaks of."""

    take: Riff
    reference: Riff
    passes: tuple[Pass, ...]
    best: int
    practice: tuple[Practice, ...] = ()
    transposition: int = 0
    differences: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    timing: str = "score"  # "score", "seconds", "pulse" or "none": what the timing is held against
    matched_share: float = 1.0  # of the notes of both sides, 0 to 1
    same_riff: bool = True  # False: the take does not look like the reference at all

    @property
    def notes(self) -> tuple[Verdict, ...]:
        """Verdicts of the best pass, in the reference's order, extra notes where they fell."""
        return self.passes[self.best].notes if self.passes else ()

    @property
    def summary(self) -> Summary:
        """Figures of the best pass."""
        return self.passes[self.best].summary

    @property
    def drone(self) -> DroneVerdict | None:
        """The drone in the best pass; None where the reference has none."""
        return self.passes[self.best].drone

    @property
    def tempo_ratio(self) -> float | None:
        """The take's tempo over the reference's; None where the reference has no rhythm."""
        return self.summary.tempo_ratio

    def as_json(self) -> dict[str, Any]:
        """The whole comparison as JSON values."""
        return {
            "summary": self.summary.as_json(),
            "tempo_ratio": _rounded(self.tempo_ratio, 4),
            "notes": [row.as_json() for row in self.notes],
            "drone": None if self.drone is None else self.drone.as_json(),
            "practice": [line.as_json() for line in self.practice],
            "same_riff": self.same_riff,
            "matched_share": round(self.matched_share, 4),
            "timing": self.timing,
            "transposition": self.transposition,
            "differences": list(self.differences),
            "remarks": list(self.remarks),
            "passes": [p.as_json(with_notes=len(self.passes) > 1) for p in self.passes],
            "best_pass": self.best,
        }


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(float(value), digits)
