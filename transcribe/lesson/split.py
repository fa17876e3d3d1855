"""A recorded session to a lesson: its playing stretches, which of them are one part, the best take.

The session is listened to once. Talk and pauses cut it into stretches; each gets its beats, and is
held against the parts that were found before it as a student's take is held against a riff
(`transcribe.takes`): it is another playing of that part, or a part of its own. Fingering and theory
are found for the best playing of each part alone.

Conventions: times in seconds; a playing begins a little before its first note, and its riff counts
its seconds from there.
"""

from __future__ import annotations

import dataclasses
import itertools
import os
import string
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING

import numpy as np

from transcribe.core.errors import AudioError
from transcribe.core.lesson import Lesson, LessonPart, Playing
from transcribe.core.riff import Instrument, Note, Remark, Riff, Segment, Source

if TYPE_CHECKING:
    from transcribe.api import Heard
    from transcribe.drone import DroneChoice
    from transcribe.fingering import Hand
    from transcribe.takes import Comparison

__all__ = ["SplitSession", "labels", "rank", "split", "uneven_sec"]

Progress = Callable[[str, float], None]

_AROUND_SEC = 0.25  # that a playing begins before its first note and ends after its last
_FEWEST_NOTES = 5  # of a part; fewer are a sound check, or a note that is shown
_SHORTEST_SEC = 2.0  # of a part, for the same reason
_COMPLETE_SHARE = 0.85  # of the longest playing that one must reach to stand for the part
_LONGEST_REST_SEC = 5.0  # that a playing may have in its middle
_OF_THE_END = ("cut-off", "no-end-mark")  # remarks that speak of the last seconds of a file
_SAME_EVENNESS_SEC = 0.005
_SLOWER = 0.9  # a playing slower than this share of the take's tempo is one to start from


@dataclass(frozen=True, eq=False)
class SplitSession:
    """A lesson with the riffs of its parts, by label, before anything is written.

    ``left_out`` are stretches with too few notes to be a part.
    """

    lesson: Lesson
    riffs: dict[str, Riff]
    left_out: tuple[Segment, ...] = ()


@dataclass(eq=False)
class _Part:
    """Playings of one part, each with its riff, in order of time."""

    playings: list[tuple[Playing, Riff]] = field(default_factory=list)

    @property
    def longest(self) -> Riff:
        return max((riff for _, riff in self.playings), key=lambda riff: len(riff.notes))


def split(
    session: str | os.PathLike[str] | np.ndarray,
    *,
    sr: int | None = None,
    title: str = "",
    name: str | None = None,
    instrument: Instrument | None = None,
    hand: Hand | None = None,
    drone: DroneChoice = "auto",
    max_sec: float = 3600.0,
    copy: Path | None = None,
    progress: Progress | None = None,
) -> SplitSession:
    """Split a recorded session into the parts that are played in it.

    Parameters
    ----------
    session : path or np.ndarray, shape (n,)
        A sound or video file, or mono samples in -1..1 (then ``sr`` is required).
    sr : int, optional
        Sample rate of ``session`` in hertz, for samples only.
    title, name : str, optional
        Title of the lesson, and what the files of its parts are called: ``NAME-A.riff.json``.
        Both are that of the file by default.
    instrument, hand, drone
        As for `transcribe.transcribe`; the tuning is guessed from the whole session.
    max_sec : float
        Longer recordings are refused.
    copy : Path, optional
        A file for the session's sound at its own rate, as 16-bit WAV.
    progress : callable, optional
        Called with the stage and its share.

    Returns
    -------
    SplitSession
        Parts in the order in which they are first played.

    Raises
    ------
    AudioError
        If the file holds no sound that can be read, or nothing that is long enough for a part.
    ParameterError
        If an argument is out of range.

    Examples
    --------
    Two lines that a string model plays, three seconds apart:

    >>> from transcribe.sound import render_riff
    >>> line = [(50, 53, 55, 57, 55, 53), (62, 60, 64, 65, 67, 69)]
    >>> notes = [
    ...     Note(6 * i + k, 7 * i + 0.5 * k + 0.5, 7 * i + 0.5 * k + 0.9, pitch)
    ...     for i in range(2)
    ...     for k, pitch in enumerate(line[i])
    ... ]
    >>> found = split(render_riff(Riff(notes=tuple(notes))), sr=22050, name="pier")
    >>> [part.riff for part in found.lesson.parts]
    ['pier-A.riff.json', 'pier-B.riff.json']
    """
    from transcribe import api

    say = progress or _no_progress
    heard = api.listen(
        session, sr=sr, instrument=instrument, max_sec=max_sec, copy=copy, progress=progress
    )
    whole = heard.riff
    source = whole.source or Source()
    stem = name or (Path(source.file).stem if source.file else "lesson")
    if instrument is None:
        whole = api.with_tuning_guess(whole)
    stretches, left_out = _stretches(whole)
    if not stretches:
        raise AudioError(
            f"{source.file or 'the recording'}: nothing in it is played for long enough to be a "
            f"part ({_FEWEST_NOTES} notes and {_SHORTEST_SEC:g} s); give the recording of a whole "
            "lesson, or handspan transcribe for a single riff"
        )
    parts: list[_Part] = []
    for i, notes in enumerate(stretches):
        say("finding the parts", i / len(stretches))
        playing, riff = _playing(whole, heard, notes)
        _part_of(riff, parts).playings.append((playing, riff))
    for part in parts:
        _mend(part, whole, heard)
    riffs = {}
    made = []
    for i, (label, part) in enumerate(zip(labels(), parts, strict=False)):
        say("fingering", i / len(parts))
        best, playings = rank([(playing, riff) for playing, riff in part.playings])
        riff = api.work_out(part.playings[best][1], hand=hand, drone=drone)
        made.append(
            LessonPart(
                label,
                f"{stem}-{label}.riff.json",
                start_bpm=_start_bpm(playings, best),
                take=playings[best],
                playings=playings,
            )
        )
        file = f"{stem}-{label}.flac" if source.file else ""
        riffs[label] = dataclasses.replace(
            riff, source=dataclasses.replace(riff.source or Source(), file=file)
        )
    tuned = dataclasses.replace(whole.instrument, offset_cents=0.0)
    lesson = Lesson(title or stem, tuple(made), instrument=tuned, session=source)
    return SplitSession(lesson, riffs, left_out)


def labels() -> Iterator[str]:
    """A, B, ... Z, A2, B2, ...: labels for the parts of a lesson."""
    for round_ in itertools.count(1):
        for letter in string.ascii_uppercase:
            yield letter + (str(round_) if round_ > 1 else "")


def _no_progress(stage: str, share: float) -> None:
    del stage, share


def _stretches(riff: Riff) -> tuple[list[tuple[Note, ...]], tuple[Segment, ...]]:
    """The notes of each stretch that may be a part, and the stretches that are too short."""
    found, left_out = [], []
    for segment in riff.segments:
        if segment.kind != "playing":
            continue
        notes = tuple(n for n in riff.notes if segment.start_sec <= n.onset_sec < segment.end_sec)
        long = bool(notes) and segment.end_sec - segment.start_sec >= _SHORTEST_SEC
        if long and len(notes) >= _FEWEST_NOTES:
            found.append(notes)
        else:
            left_out.append(segment)
    return found, tuple(left_out)


def _playing(whole: Riff, heard: Heard, notes: Sequence[Note]) -> tuple[Playing, Riff]:
    """One stretch as a playing, and as a riff of its own with its beats."""
    from transcribe import api

    duration = (whole.source.duration_sec if whole.source else None) or notes[-1].offset_sec
    begin, end = notes[0].onset_sec, max(note.offset_sec for note in notes)
    before = max((last for _, last in heard.talk if last <= begin), default=0.0)
    after = min(
        (first for first, _ in heard.talk if first >= notes[-1].onset_sec), default=duration
    )
    start = round(max(before, begin - _AROUND_SEC, 0.0), 4)
    stop = round(max(min(after, end + _AROUND_SEC, duration), notes[-1].onset_sec + 0.1), 4)
    own = tuple(
        dataclasses.replace(
            note,
            id=i + 1,
            onset_sec=round(note.onset_sec - start, 4),
            offset_sec=round(max(min(note.offset_sec, stop), note.onset_sec + 0.02) - start, 4),
        )
        for i, note in enumerate(notes)
    )
    riff = dataclasses.replace(
        whole,
        notes=own,
        source=Source(duration_sec=round(stop - start, 4)),
        segments=(),
        warnings=_own_warnings(whole),
    )
    riff = api.in_rhythm(riff, sound=heard.before_playing(start))
    playing = Playing(
        start,
        stop,
        len(own),
        sum(note.unsure for note in own),
        uneven_sec(riff),
        None if riff.rhythm is None else round(riff.rhythm.bpm, 2),
    )
    return playing, riff


def _own_warnings(whole: Riff) -> tuple[Remark, ...]:
    """What is said of the session and holds for each of its parts, too."""
    return tuple(remark for remark in whole.warnings if remark.kind not in _OF_THE_END)


def uneven_sec(riff: Riff) -> float | None:
    """How far the notes of a riff lie from an even beat: the median, in seconds.

    The beat is the straight line through onsets in seconds over beats; None where a riff has fewer
    than three notes with beats.

    >>> notes = [Note(k, 0.5 * k, 0.5 * k + 0.4, 50, onset_beat=float(k)) for k in range(4)]
    >>> uneven_sec(Riff(notes=tuple(notes)))
    0.0
    """
    timed = [(n.onset_beat, n.onset_sec) for n in riff.notes if n.onset_beat is not None]
    if len({beat for beat, _ in timed}) < 3:
        return None
    beat, sec = np.array(timed).T
    slope, shift = np.polyfit(beat, sec, 1)
    return round(float(np.median(np.abs(sec - slope * beat - shift))), 4)


def _part_of(riff: Riff, parts: list[_Part]) -> _Part:
    """The part that ``riff`` is another playing of; a new one, put at the end, where it is none."""
    likest: tuple[float, _Part] | None = None
    for part in parts:
        share = _alike(riff, part.longest)
        if share is not None and (likest is None or share > likest[0]):
            likest = share, part
    if likest is None:
        parts.append(_Part())
        return parts[-1]
    return likest[1]


def _mend(part: _Part, whole: Riff, heard: Heard) -> None:
    """Put two stretches in one where they are a single playing, with a long rest in the middle.

    That is so where nobody talks between them, and the second goes on in the longest playing where
    the first leaves off.
    """
    from transcribe.takes import compare

    longest = part.longest
    i = 0
    while i + 1 < len(part.playings):
        (first, one), (second, two) = part.playings[i : i + 2]
        i += 1
        rest = second.start_sec - first.end_sec
        talked = any(first.end_sec <= b and a <= second.start_sec for a, b in heard.talk)
        if talked or rest > _LONGEST_REST_SEC or longest in (one, two):
            continue
        inside = (first.start_sec, second.end_sec)
        notes = tuple(n for n in whole.notes if inside[0] <= n.onset_sec < inside[1])
        joined = _playing(whole, heard, notes)
        held = compare(joined[1], longest)
        alone = max(_reached(compare(riff, longest)) for riff in (one, two))
        if len(held.passes) == 1 and held.same_riff and _reached(held) > alone + 0.1:
            part.playings[i - 1 : i + 1] = [joined]
            i -= 1


def _alike(one: Riff, other: Riff) -> float | None:
    """How much of each other two playings of one part are, 0 to 1; None for different parts."""
    from transcribe.takes import compare

    shorter, longer = sorted((one, other), key=lambda riff: len(riff.notes))
    held = compare(shorter, longer)
    return held.matched_share if held.same_riff and not held.transposition else None


def rank(playings: Sequence[tuple[Playing, Riff]]) -> tuple[int, tuple[Playing, ...]]:
    """Which playing of a part is the best, and all of them as they compare with it.

    Of the playings that reach most of the longest one, the best has the fewest slips, as far as the
    others tell: notes that over half of them do not have, or have otherwise. Among equals it has
    the smallest share of unsure notes, to the nearest twentieth, then lies nearest to an even beat,
    to 5 ms, and then comes first.

    Returns
    -------
    best : int
    playings : tuple of Playing
        With ``alike`` and ``bpm`` against the best one.
    """
    from transcribe.takes import compare

    longest = max((riff for _, riff in playings), key=lambda riff: len(riff.notes))
    complete = [
        i
        for i, (_, riff) in enumerate(playings)
        if riff is longest or _reached(compare(riff, longest)) >= _COMPLETE_SHARE
    ]

    def trouble(i: int) -> tuple[float, float, float]:
        playing, riff = playings[i]
        others = [compare(other, riff) for k, (_, other) in enumerate(playings) if k != i]
        slips = _slips(others) if len(others) > 1 else 0.0
        unsure = round(20.0 * playing.unsure / max(1, playing.notes))
        even = playing.uneven_sec
        return slips, unsure, 9.0 if even is None else round(even / _SAME_EVENNESS_SEC)

    best = min(complete, key=trouble)
    take = playings[best][1]
    out = []
    for i, (playing, riff) in enumerate(playings):
        if i == best:
            out.append(playing)
            continue
        held = compare(riff, take)
        ratio, bpm = held.tempo_ratio if held.passes else None, playing.bpm
        if ratio is not None and take.rhythm is not None:
            bpm = round(take.rhythm.bpm * ratio, 2)  # counted as in the take, not twice as fast
        out.append(dataclasses.replace(playing, bpm=bpm, alike=round(float(held.matched_share), 3)))
    return best, tuple(out)


def _slips(others: Sequence[Comparison]) -> float:
    """How many notes of a playing over half of the others contradict, or have besides.

    ``others`` are the other playings, held against this one.
    """
    against = Counter(
        row.reference
        for held in others
        for row in held.notes
        if row.verdict in ("wrong", "missed") and row.reference is not None
    )
    besides = median(held.summary.counts.get("extra", 0) for held in others)
    return sum(2 * count > len(others) for count in against.values()) + besides


def _reached(held: Comparison) -> float:
    """How much of the reference the pass of a comparison that goes furthest reaches."""
    return max((float(one.reached_share) for one in held.passes), default=0.0)


def _start_bpm(playings: Sequence[Playing], best: int) -> float | None:
    """The slowest tempo that the part was shown at, where that is slower than the take's."""
    own = playings[best].bpm
    slow = [playing.bpm for playing in playings if playing.bpm is not None]
    if own is None or not slow or min(slow) >= _SLOWER * own:
        return None
    return float(round(min(slow)))
