"""The verdict on each note of a stretch.

Early and late. The smallest displacement of one tone in an even sequence that listeners notice is
about 2.5 % of the interval between onsets from 240 ms upward, and about 6 ms below that (Friberg &
Sundberg 1995, Time discrimination in a monotonic, isochronous sequence, JASA 98; the figures are
from memory). A player is not asked to be that exact: the tolerance here is 35 ms, which is what the
hand and the measuring scatter, and twice the limit of hearing on top. That is this project's own
choice. Intervals over a second count as a second, the end of the range that was studied.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

import numpy as np

from transcribe.core.pitch import pitch_name
from transcribe.core.riff import Instrument, Note
from transcribe.takes.comparison import Played, Verdict
from transcribe.takes.listen import Ear
from transcribe.takes.pairs import other_pitch
from transcribe.takes.passes import Fit

__all__ = ["Side", "judge_stretch", "just_noticeable_ms", "tolerance_ms", "where_played"]

ALLOWANCE_MS = 35.0
_DOUBT = 0.5  # a note of the take with less confidence than this may be no note at all
_SURE_EXTRA = 0.9  # nothing speaks for a note that is not in the reference but its own sound
_CLEAR = 0.965  # a note this sure is no overtone
_FAINT = 0.12  # onset share at which an expected note was played
_FAINT_MASKED = 0.18  # the same where another sound could be taken for it
_BOTH = 0.5  # the same where another note was named in its place
_NOTHING = 0.05  # below this it was not
_NOTHING_MASKED = 0.02
_LISTEN_SEC = 0.1
_OVERTONES = (12, 19, 24, 28, 31, 34, 36)  # semitones of partials 2 to 8 above the first
_STRUM_MS = 90.0  # a chord's notes this close to its middle were struck with it
_PAIR_MS = 30.0  # so were two notes this close to theirs: 60 ms from one to the other
_TOGETHER_SEC = 0.06


def just_noticeable_ms(interval_ms: float) -> float:
    """Smallest displacement of one tone that is noticed among tones ``interval_ms`` apart.

    Source: Friberg & Sundberg 1995, JASA 98 (figures from memory).

    >>> just_noticeable_ms(100.0), just_noticeable_ms(600.0)
    (6.0, 15.0)
    """
    return max(6.0, 0.025 * min(interval_ms, 1000.0))


def tolerance_ms(interval_ms: float) -> float:
    """How far a note may be from where it was due and still be right.

    >>> tolerance_ms(250.0), tolerance_ms(600.0)
    (47.5, 65.0)
    """
    return ALLOWANCE_MS + 2.0 * just_noticeable_ms(interval_ms)


@dataclass(frozen=True)
class Side:
    """Both sides as notes and arrays, the pitch of the take on the reference's footing.

    ``interval`` (n_reference,) is the time to the nearest other event on the reference's clock,
    ``next_x`` the time of the next one; ``lengths`` tells that written lengths are meant.
    ``pulse`` (n_take,) is where the take's own beats put each of its notes, nan where they do not,
    and ``pulse_interval`` the time to the nearest other of these. ``ear`` listens again where a
    note is in doubt. The take sounds ``take_shift`` semitones above its ``take_pitch``, and its
    guitar ``take_offset_cents`` above A4 = 440 Hz. ``heard`` tells that the take comes from a
    recording, so that notes may be ghosts or masked; it ends at ``until``, in seconds.
    """

    reference: Sequence[Note]
    take: Sequence[Note]
    ref_pitch: np.ndarray
    take_pitch: np.ndarray
    at: np.ndarray
    ends: np.ndarray
    x: np.ndarray
    x_end: np.ndarray
    interval: np.ndarray
    instrument: Instrument
    heard: bool
    timing: str
    next_x: np.ndarray
    pulse: np.ndarray
    pulse_interval: np.ndarray
    lengths: bool = True
    ear: Ear | None = None
    take_shift: int = 0
    take_offset_cents: float = 0.0
    until: float = np.inf


def where_played(note: Note, pitch_midi: int, instrument: Instrument) -> Played:
    """Where on the neck a wrong note suggests the finger went.

    Along the same string first, then the same fret on another string; a step along the string and
    a step across count alike, as far as a hand that is one off would reach.
    """
    name = pitch_name(pitch_midi)
    if note.string is None or note.fret is None:
        return Played(pitch_midi, where=f"{name} instead of {pitch_name(note.pitch_midi)}")
    options = []
    for string, fret in instrument.places(pitch_midi):
        across, along = abs(string - note.string), abs(fret - note.fret)
        options.append((2.0 * across + along, across, string, fret))
    if not options:
        return Played(pitch_midi, where=f"{name}, which this neck does not have")
    _, across, string, fret = min(options)
    if across == 0:
        step = fret - note.fret
        frets = "fret" if abs(step) == 1 else "frets"
        where = f"{abs(step)} {frets} too {'high' if step > 0 else 'low'} on string {string}"
    elif fret == note.fret:
        where = f"fret {fret} on string {string} instead of string {note.string}"
    else:
        where = f"string {string} fret {fret} instead of string {note.string} fret {note.fret}"
    return Played(pitch_midi, string, fret, where)


def judge_stretch(fit: Fit, side: Side) -> list[Verdict]:
    """Verdicts of the reference notes of a stretch, then of what was played beside them."""
    ids = fit.stretch.reference
    due = dict(zip(ids.tolist(), fit.due.tolist(), strict=True))
    pace = dict(zip(ids.tolist(), fit.pace.tolist(), strict=True))
    matched = dict(fit.pairs)
    used = set(matched.values())
    free = [j for j in fit.stretch.take.tolist() if j not in used]
    matched, free = _dead_notes(ids, due, matched, free, side)
    swapped = _swapped(ids, due, pace, matched, free, side)
    used = set(swapped.values())
    free = [j for j in free if j not in used]
    events = _event_offsets(ids, due, matched, side)
    ends = _ring_on(matched, free, side)
    rows = []
    for i in ids.tolist():
        if i in matched:
            rows.append(_played_row(i, matched[i], due[i], pace[i], events, ends, side))
        elif i in swapped:
            rows.append(_wrong_row(i, swapped[i], due[i], side))
        else:
            rows.append(_missed_row(i, due[i], pace[i], side))
    rows += [_extra_row(j, side) for j in free]
    return rows


def _dead_notes(
    ids: np.ndarray, due: dict[int, float], matched: dict[int, int], free: list[int], side: Side
) -> tuple[dict[int, int], list[int]]:
    """Let a dead note of the reference be any note near it: its pitch says nothing."""
    matched = dict(matched)
    for i in ids.tolist():
        if side.reference[i].articulation != "dead" or i in matched:
            continue
        near = [j for j in free if abs(side.at[j] - due[i]) < 0.12]
        if near:
            j = min(near, key=lambda j: abs(side.at[j] - due[i]))
            matched[i] = j
            free = [k for k in free if k != j]
    return matched, free


def _swapped(
    ids: np.ndarray,
    due: dict[int, float],
    pace: dict[int, float],
    matched: dict[int, int],
    free: list[int],
    side: Side,
) -> dict[int, int]:
    """Reference notes with what was played in their place."""
    left = [
        i for i in ids.tolist() if i not in matched and side.reference[i].articulation != "dead"
    ]
    if not left or not free:
        return {}
    window = np.array([np.clip(0.5 * side.interval[i] * pace[i], 0.08, 0.2) for i in left])
    if side.timing == "order":
        window = np.array([max(0.05, 0.45 * pace[i]) for i in left])
    pairs = other_pitch(
        np.array([due[i] for i in left]),
        side.ref_pitch[left],
        side.at[free],
        side.take_pitch[free],
        window_sec=window,
    )
    return {left[a]: free[b] for a, b in pairs}


def _event_offsets(
    ids: np.ndarray, due: dict[int, float], matched: dict[int, int], side: Side
) -> dict[float, tuple[float, int]]:
    """For each time of the reference, the middle offset of what was struck there, in ms."""
    groups: dict[float, list[float]] = {}
    for i in ids.tolist():
        if i in matched:
            off = 1000.0 * (side.at[matched[i]] - due[i])
            groups.setdefault(round(float(side.x[i]), 6), []).append(off)
    return {key: (median(offs), len(offs)) for key, offs in groups.items()}


def _played_row(
    i: int,
    j: int,
    due: float,
    pace: float,
    events: dict[float, tuple[float, int]],
    ends: dict[int, float],
    side: Side,
) -> Verdict:
    note = side.take[j]
    verdict, reason, offset, allowed = "right", "", None, None
    if side.timing == "order":
        verdict, offset, allowed = _against_pulse(j, side)
    else:
        offset = 1000.0 * (float(side.at[j]) - due)
        allowed = tolerance_ms(1000.0 * float(side.interval[i]) * pace)
        middle, size = events[round(float(side.x[i]), 6)]
        together = abs(offset - middle) <= (_STRUM_MS if size > 2 else _PAIR_MS)
        weighed = middle if together else offset
        if abs(weighed) > allowed:
            verdict = "late" if weighed > 0 else "early"
            if side.ear is not None and abs(weighed) > 1.5 * allowed:
                # A false stroke may have been taken for a note that came in time, but softly.
                share, at = side.ear.strongest(
                    int(side.take_pitch[j]) + side.take_shift,
                    due,
                    window_sec=0.05,
                    taken=side.at[j : j + 1],
                )
                if share > _FAINT_MASKED:
                    return _faint_row(i, due, at, pace, side)
            if note.confidence < _DOUBT:
                verdict, reason = "unsure", "the note was hardly heard"
    return Verdict(
        i,
        j,
        verdict,
        offset,
        tolerance_ms=allowed,
        time_sec=float(side.at[j]),
        length=_length(i, float(side.at[j]), ends.get(j, float(side.ends[j])), pace, side),
        reason=reason,
    )


def _against_pulse(j: int, side: Side) -> tuple[str, float | None, float | None]:
    """Verdict, offset and tolerance of a note that only the take's own pulse can date."""
    if not np.isfinite(side.pulse[j]):
        return "right", None, None
    offset = 1000.0 * float(side.at[j] - side.pulse[j])
    allowed = tolerance_ms(1000.0 * float(side.pulse_interval[j]))
    verdict = "right" if abs(offset) <= allowed else "late" if offset > 0 else "early"
    return verdict, offset, allowed


def _ring_on(matched: dict[int, int], free: list[int], side: Side) -> dict[int, float]:
    """When those matched notes end that a false stroke of their own pitch cuts in two."""
    ends: dict[int, float] = {}
    by_pitch: dict[int, list[int]] = {}
    for j in sorted(free):
        by_pitch.setdefault(int(side.take_pitch[j]), []).append(j)
    for j in matched.values():
        end = float(side.ends[j])
        for k in by_pitch.get(int(side.take_pitch[j]), ()):
            if side.at[k] > side.at[j] and abs(float(side.at[k]) - end) < _TOGETHER_SEC:
                end = ends[j] = max(end, float(side.ends[k]))
    return ends


def _length(i: int, start: float, end: float, pace: float, side: Side) -> str | None:
    """``cut short`` or ``left ringing`` where the note's length is plainly not what is written."""
    if not side.lengths or side.reference[i].articulation == "dead":
        return None
    written = float(side.x_end[i] - side.x[i]) * pace
    played = end - start
    # What sounds to the end of the recording was cut by that, not by the hand.
    to_the_end = end > side.until - 0.15
    if played < 0.5 * written and written - played > 0.2 and not to_the_end:
        return "cut short"
    # Only where the reference asks for silence after the note: strings are let ring elsewhere.
    silence = float(side.next_x[i] - side.x_end[i]) > 0.15
    if silence and played - written > max(0.35, 0.75 * written):
        return "left ringing"
    return None


def _is_ghost(j: int, side: Side) -> bool:
    """Whether a note of the take may be an overtone of another that sounds with it."""
    for k in _sounding(float(side.at[j]), side):
        if k != j and int(side.take_pitch[j] - side.take_pitch[k]) in _OVERTONES:
            return True
    return False


def _sounding(time: float, side: Side) -> list[int]:
    """Notes of the take that sound at ``time``, or are struck just after it."""
    last = int(np.searchsorted(side.at, time + _TOGETHER_SEC, side="right"))
    first = max(0, last - 48)
    return [k for k in range(first, last) if side.ends[k] > time]


def _doubt(j: int, side: Side) -> str:
    """Why a note of the take may not be one; empty where it is sure."""
    if not side.heard:
        return ""
    sure = side.take[j].confidence
    if sure < _DOUBT:
        return "hardly heard"
    if sure < _CLEAR and _is_ghost(j, side):
        return "may be an overtone of a lower note"
    return ""


def _wrong_row(i: int, j: int, due: float, side: Side) -> Verdict:
    offset = None if side.timing == "order" else 1000.0 * (float(side.at[j]) - due)
    reason = _doubt(j, side)
    if not reason and side.ear is not None and _second_share(i, due, side)[0] > _BOTH:
        reason = "the right note may have sounded as well"
    played = where_played(side.reference[i], int(side.take_pitch[j]), side.instrument)
    return Verdict(
        i,
        j,
        "unsure" if reason else "wrong",
        offset,
        time_sec=float(side.at[j]),
        played=played,
        reason=reason,
    )


def _missed_row(i: int, due: float, pace: float, side: Side) -> Verdict:
    when = float(due) if np.isfinite(due) else None
    if side.reference[i].articulation == "dead":
        return Verdict(i, None, "unsure", time_sec=when, reason="a dead note is hard to hear")
    if not side.heard or when is None:
        return Verdict(i, None, "missed", time_sec=when)
    if side.ear is not None and not side.ear.reaches(int(side.ref_pitch[i]) + side.take_shift):
        return Verdict(i, None, "unsure", time_sec=when, reason="too low or too high to be heard")
    hidden, rings = _hidden(i, due, side), _rings_through(int(side.ref_pitch[i]), due, side)
    if side.ear is not None:
        share, at = _second_share(i, due, side)
        enough = _FAINT_MASKED if hidden or rings else _FAINT
        if share > enough:
            return _faint_row(i, due, at, pace, side)
        if share < (_NOTHING_MASKED if hidden or rings else _NOTHING):
            return Verdict(i, None, "missed", time_sec=when)
        if not hidden and not rings:
            return Verdict(
                i, None, "unsure", time_sec=when, reason="hardly heard, if it was played"
            )
    reason = ""
    if rings:
        reason = "its string was still ringing; whether it was struck again is not clear"
    elif hidden:
        reason = "may be hidden in another note that was struck with it"
    return Verdict(i, None, "unsure" if reason else "missed", time_sec=when, reason=reason)


def _second_share(i: int, due: float, side: Side) -> tuple[float, float]:
    """What the ear says of a note that is due: the onset share, and when."""
    assert side.ear is not None
    pitch = int(side.ref_pitch[i])
    near = np.flatnonzero((side.take_pitch == pitch) & (np.abs(side.at - due) < 0.4))
    return side.ear.strongest(
        pitch + side.take_shift, due, window_sec=_LISTEN_SEC, taken=side.at[near]
    )


def _faint_row(i: int, due: float, at: float, pace: float, side: Side) -> Verdict:
    """A note that only the second listening found: right where it came in time."""
    offset = 1000.0 * (at - due)
    allowed = tolerance_ms(1000.0 * float(side.interval[i]) * pace)
    timed = side.timing != "order"
    right = not timed or abs(offset) <= allowed
    return Verdict(
        i,
        None,
        "right" if right else "unsure",
        offset if timed else None,
        tolerance_ms=allowed if timed else None,
        time_sec=at,
        reason="heard faintly",
    )


def _hidden(i: int, due: float, side: Side) -> bool:
    """Whether a note may lie within another that was struck with it: a unison or an overtone."""
    pitch = int(side.ref_pitch[i])
    for k in _sounding(due, side):
        step = pitch - int(side.take_pitch[k])
        apart = abs(float(side.at[k]) - due)
        if (step in _OVERTONES and apart < 2 * _TOGETHER_SEC) or (
            not step and apart < _TOGETHER_SEC
        ):
            return True
    return False


def _rings_through(pitch: int, due: float, side: Side) -> bool:
    """Whether an earlier note of this pitch sounds on past the time that this one was due."""
    last = int(np.searchsorted(side.at, due - _TOGETHER_SEC))
    for k in range(last - 1, max(-1, last - 64), -1):
        if int(side.take_pitch[k]) == pitch:
            return float(side.ends[k]) > due + 0.1
    return False


def _extra_row(j: int, side: Side) -> Verdict:
    reason = "a dead note" if side.take[j].articulation == "dead" else _doubt(j, side)
    if not reason and side.heard and side.take[j].confidence < _SURE_EXTRA:
        reason = "not heard for certain"
    if not reason and side.heard and _struck_along(j, side):
        reason = "its string was ringing already, or sounds just before or after"
    return Verdict(
        None,
        j,
        "unsure" if reason else "extra",
        time_sec=float(side.at[j]),
        played=Played(int(side.take_pitch[j]), where=pitch_name(int(side.take_pitch[j]))),
        reason=reason,
    )


def _struck_along(j: int, side: Side) -> bool:
    """Whether a note begins with others while its own pitch rings or is about to be struck.

    Trackers take the jolt that a chord gives a ringing string for a stroke of its own.
    """
    at, pitch = float(side.at[j]), int(side.take_pitch[j])
    low, high = np.searchsorted(side.at, [at - _TOGETHER_SEC, at + _TOGETHER_SEC])
    if high - low < 2:
        return False
    first, last = np.searchsorted(side.at, [at - 4.0, at + 0.4])
    for k in range(int(first), int(last)):
        if k != j and int(side.take_pitch[k]) == pitch:
            rang = side.at[k] < at and side.ends[k] > at - 0.1
            if rang or abs(float(side.at[k]) - at) < 0.4:
                return True
    return False
