"""What a comparison finds, as facts: verdicts, passes, the drone, figures, remarks, practice.

Conventions: ``reference`` and ``take`` in a `Verdict` count notes from 0 in the order of
`transcribe.core.riff.sort_notes`; None where there is none. ``offset_ms`` is positive for late,
measured after a smooth tempo is taken out. Times ``_sec`` are the take's own clock; ``_beat`` the
score's. Nothing here is a sentence: `transcribe.takes.verdict_wording` makes those.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from transcribe.core.riff import Remark, Riff

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
    "PracticeStep",
    "Reason",
    "Summary",
    "Verdict",
]

VERDICTS = ("right", "wrong", "missed", "extra", "early", "late", "unsure")
"""Every verdict, in the order that reports list them."""

MARKS: Mapping[str, str] = {
    "right": ".",
    "wrong": "*",
    "missed": "_",
    "extra": "+",
    "early": "{",
    "late": "}",
    "unsure": "?",
    "left out": "-",
}
"""The character that stands for each verdict under a tab, none of which is a sign in one."""

WORST_FIRST = ("wrong", "missed", "late", "early", "unsure", "right", "left out")
"""Which verdict stands for notes that are struck together."""


class Reason(StrEnum):
    """Why a note is unsure, or does not count."""

    LOW_CONFIDENCE = "low confidence"  # the note tracker hardly heard the note
    NOT_CERTAIN = "not certain"  # heard, but not as surely as an extra note must be
    OVERTONE = "overtone"  # may be an overtone of a lower note that sounds
    RIGHT_NOTE_TOO = "right note too"  # another pitch was named, and the written one sounds as well
    DEAD_NOTE = "dead note"  # a note without a pitch is hard to hear
    OUT_OF_RANGE = "out of range"  # the note network does not reach this pitch
    WEAK_ONSET = "weak onset"  # the second listening is not sure of the stroke
    STILL_RINGING = "still ringing"  # the string rang on, so a new stroke is hard to tell
    HIDDEN = "hidden"  # a note that was struck with it may hide it
    SHAKEN_STRING = "shaken string"  # a ringing string may have been jolted by other strokes
    FAINT = "faint"  # only the second listening found it
    BEFORE = "before"  # an extra note before the pass
    AFTER = "after"  # an extra note after the pass
    NOT_REACHED = "not reached"  # a note that the pass leaves out


@dataclass(frozen=True, slots=True)
class Played:
    """What was played instead of a note, and where on the neck the finger may have been."""

    pitch_midi: int
    string: int | None = None
    fret: int | None = None


@dataclass(frozen=True, slots=True)
class Verdict:
    """The verdict on one note of the reference, or on one extra note of the take.

    ``left_out`` notes do not count: of the reference, those that the pass does not reach; of the
    take, those that lie before or after the pass. ``again`` marks the worse of two playings.
    ``length`` is ``cut short`` or ``left ringing``.
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
    reason: Reason | None = None

    @property
    def counts(self) -> bool:
        """Whether the verdict is part of the pass, and the better of two playings."""
        return not self.left_out and not self.again


@dataclass(frozen=True, slots=True)
class DroneGap:
    """A stretch in which the drone should sound and does not."""

    kind: str  # "stopped ringing" or "not struck"
    start_sec: float
    end_sec: float
    start_beat: float | None = None
    bar: int | None = None


@dataclass(frozen=True, slots=True)
class DroneVerdict:
    """How well the drone rang: its share of the time it should, its gaps, its level over time."""

    string: int | None
    pitch_midi: int
    expected_sec: float
    ringing_share: float
    gaps: tuple[DroneGap, ...] = ()
    level: tuple[tuple[float, float], ...] = ()  # (take seconds, dB)


@dataclass(frozen=True, slots=True)
class PracticeStep:
    """One thing to mend at a place.

    ``kind`` is one of

    - ``wrong``: ``rows`` are those of the commonest wrong note, ``others`` counts the rest;
    - ``missed``: ``on_drone`` says that the notes are strokes of the drone;
    - ``extra``, and ``late`` or ``early`` with the usual ``offset_ms``, without a sign;
    - ``drone stops`` or ``drone not struck``, with its ``gaps``;
    - ``drone rings``: its ``ringing_share`` of the time it should, 0 to 1;
    - ``drift``: ``drift_percent``, positive for faster.
    """

    kind: str
    rows: tuple[Verdict, ...] = ()
    others: int = 0
    on_drone: bool = False
    offset_ms: float | None = None
    gaps: tuple[DroneGap, ...] = ()
    ringing_share: float | None = None
    drift_percent: float | None = None


@dataclass(frozen=True, slots=True)
class Practice:
    """One line of the practice plan: a place, the tempo to begin at, and what to do there.

    ``bars`` are those of the place, the worst first; empty where the reference has none, or where
    the whole is meant (``throughout``). ``spoilt_passes`` says in how many of ``passes`` passes
    something went wrong there. ``reference`` is the first and last note of the stretch, both
    included.
    """

    steps: tuple[PracticeStep, ...]
    tempo_bpm: float | None
    reference: tuple[int, int]
    bars: tuple[int, ...] = ()
    throughout: bool = False
    errors: Mapping[str, int] = field(default_factory=dict)
    spoilt_passes: int = 0
    passes: int = 1

    @property
    def bar(self) -> int | None:
        """The worst bar of the place."""
        return self.bars[0] if self.bars else None


@dataclass(frozen=True, slots=True)
class Summary:
    """The figures of one pass.

    ``right_share`` is right / (right + wrong + missed + extra + early + late): unsure notes and
    stretches that were left out do not count. ``spread_ms`` is 1.4826 times the median distance
    from the median (a standard deviation that single mistakes do not move); ``bias_ms`` the mean
    offset of the notes that are neither early nor late, beside the smooth tempo. Tempos, here and
    in `Pass` and `Practice`, are in beats as they are counted: dotted quarters in 6/8.
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
    def reaches_half(self) -> bool:
        """Whether the pass reaches half of the reference, so that it is more than a try."""
        return self.reached_share >= 0.5


@dataclass(frozen=True, slots=True)
class Comparison:
    """A take held against a reference. ``passes[best]`` is the pass that ``notes`` speaks of.

    ``differences`` tell how the instruments differ, ``remarks`` what a reader must know beside the
    verdicts; `transcribe.takes.verdict_wording` lists their kinds.
    """

    take: Riff
    reference: Riff
    passes: tuple[Pass, ...]
    best: int
    practice: tuple[Practice, ...] = ()
    transposition: int = 0
    differences: tuple[Remark, ...] = ()
    remarks: tuple[Remark, ...] = ()
    timing: str = "score"  # "score", "seconds", "pulse" or "none": what the timing is held against
    matched_share: float = 1.0  # of the notes of both sides, 0 to 1
    same_riff: bool = True  # False: the take does not look like the reference at all

    @property
    def best_pass(self) -> Pass:
        """The pass that the verdicts speak of."""
        return self.passes[self.best]

    @property
    def notes(self) -> tuple[Verdict, ...]:
        """Verdicts of the best pass, in the reference's order, extra notes where they fell."""
        return self.best_pass.notes if self.passes else ()

    @property
    def summary(self) -> Summary:
        """Figures of the best pass."""
        return self.best_pass.summary

    @property
    def drone(self) -> DroneVerdict | None:
        """The drone in the best pass; None where the reference has none."""
        return self.best_pass.drone

    @property
    def tempo_ratio(self) -> float | None:
        """The take's tempo over the reference's; None where the reference has no rhythm."""
        return self.summary.tempo_ratio
