"""The verdict on each note of a stretch.

Early and late. The smallest displacement of one tone in an even sequence that listeners notice is
about 2.5 % of the interval between onsets from 240 ms upward, and about 6 ms below that (Friberg &
Sundberg 1995, Time discrimination in a monotonic, isochronous sequence, JASA 98; the figures are
from memory). A player is not asked to be that exact: the tolerance here is 35 ms, which is what the
hand and the measuring scatter, and twice the limit of hearing on top. That is this project's own
choice. Intervals over a second count as a second, the end of the range that was studied.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from statistics import median

import numpy as np

from transcribe.core.pitch import PARTIAL_SEMITONES
from transcribe.core.riff import Instrument, Note
from transcribe.takes.comparison import Played, Reason, Verdict
from transcribe.takes.match import StretchFit, pair_other_pitch
from transcribe.takes.timeline import NoteArrays

__all__ = ["judge_stretch", "just_noticeable_ms", "tolerance_ms", "where_played"]

_ALLOWANCE_MS = 35.0  # the hand's and the measuring's scatter; this project's choice
_OVERTONES = PARTIAL_SEMITONES[1:]
_STRUM_MS = 90.0  # a chord's notes this close to its middle were struck with it
_PAIR_MS = 30.0  # so were two notes this close to theirs: 60 ms from one to the other
_TOGETHER_SEC = 0.06  # onsets this close may hide each other, or come from one stroke
_DEAD_SEC = 0.12  # a dead note is any note this close to its due time
_WRONG_SEC = (0.08, 0.2)  # a wrong note lies this close to its due time, by the notes around it
_LISTEN_SEC = 0.1  # window of the second listening
_LISTEN_LATE_SEC = 0.05  # the same where a late note was named
_KNOWN_SEC = 0.4  # strokes of a pitch that are known this close to its due time

# Confidence of the take's notes, and onset shares of the second listening, from 0 to 1: choices,
# whose effect `tests.bench.compare` measures through sound.
_SURE_EXTRA = 0.9  # nothing speaks for a note that is not in the reference but its own sound
_CLEAR = 0.965  # a note this sure is no overtone
_FAINT, _FAINT_MASKED = 0.12, 0.18  # an expected note was played; where another may mask it
_NOTHING, _NOTHING_MASKED = 0.05, 0.02  # below this it was not
_BOTH = 0.5  # it was played beside another note that was named in its place

# Lengths, in seconds and as shares of what is written.
_CUT_SHARE, _CUT_SEC = 0.5, 0.2  # shorter than this share, and by more than this: cut short
_RANG_SHARE, _RANG_SEC = 0.75, 0.35  # longer by more than both: left ringing ...
_SILENCE_SEC = 0.15  # ... where at least this much silence is written after it
_END_SEC = 0.15  # what sounds until this short before the end was cut by the recording


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
    return _ALLOWANCE_MS + 2.0 * just_noticeable_ms(interval_ms)


def where_played(note: Note, pitch_midi: int, instrument: Instrument) -> Played:
    """Where on the neck a wrong note suggests the finger went; no place where there is none.

    The nearest place: a string further counts as much as two frets further.
    """
    if note.string is None or note.fret is None:
        return Played(pitch_midi)
    options = []
    for string, fret in instrument.places(pitch_midi):
        across, along = abs(string - note.string), abs(fret - note.fret)
        options.append((2.0 * across + along, across, string, fret))
    return Played(pitch_midi, *min(options)[2:]) if options else Played(pitch_midi)


@dataclass(frozen=True)
class _Due:
    """A note of the reference: its index, when it was due, and the pace there."""

    note: int
    sec: float
    pace: float


def judge_stretch(fit: StretchFit, arrays: NoteArrays, instrument: Instrument) -> list[Verdict]:
    """Verdicts of the reference notes of a stretch, then of what was played beside them."""
    notes = [
        _Due(int(i), float(sec), float(pace))
        for i, sec, pace in zip(fit.stretch.reference, fit.due, fit.pace, strict=True)
    ]
    matched = dict(fit.pairs)
    used = set(matched.values())
    free = [j for j in fit.stretch.take.tolist() if j not in used]
    matched, free = _dead_notes(notes, matched, free, arrays)
    replaced = _replaced([due for due in notes if due.note not in matched], free, arrays)
    used = set(replaced.values())
    free = [j for j in free if j not in used]
    events = _event_offsets(notes, matched, arrays)
    ends = _ends_of_cut_notes(matched, free, arrays)
    rows = []
    for due in notes:
        if (j := matched.get(due.note)) is not None:
            rows.append(_judge_played(due, j, events, ends, arrays))
        elif (j := replaced.get(due.note)) is not None:
            rows.append(_judge_wrong(due, j, arrays, instrument))
        else:
            rows.append(_judge_missed(due, arrays))
    return rows + [_judge_extra(j, arrays) for j in free]


def _is_dead(i: int, arrays: NoteArrays) -> bool:
    return arrays.reference[i].articulation == "dead"


def _dead_notes(
    notes: list[_Due], matched: dict[int, int], free: list[int], arrays: NoteArrays
) -> tuple[dict[int, int], list[int]]:
    """Let a dead note of the reference be any note near it: its pitch says nothing."""
    matched = dict(matched)
    for due in notes:
        if due.note in matched or not _is_dead(due.note, arrays):
            continue
        near = [j for j in free if abs(arrays.at[j] - due.sec) < _DEAD_SEC]
        if near:
            j = min(near, key=lambda j: abs(arrays.at[j] - due.sec))
            matched[due.note] = j
            free = [k for k in free if k != j]
    return matched, free


def _replaced(notes: list[_Due], free: list[int], arrays: NoteArrays) -> dict[int, int]:
    """Reference notes with what was played in their place."""
    left = [due for due in notes if not _is_dead(due.note, arrays)]
    if not left or not free:
        return {}
    ids = [due.note for due in left]
    pace = np.array([due.pace for due in left])
    if arrays.timing == "order":
        window = np.maximum(0.05, 0.45 * pace)
    else:
        window = np.clip(0.5 * arrays.interval[ids] * pace, *_WRONG_SEC)
    pairs = pair_other_pitch(
        np.array([due.sec for due in left]),
        arrays.ref_pitch[ids],
        arrays.at[free],
        arrays.take_pitch[free],
        window_sec=window,
    )
    return {ids[a]: free[b] for a, b in pairs}


def _event_key(i: int, arrays: NoteArrays) -> float:
    """What the notes of one event have in common: their time on the reference's clock."""
    return round(float(arrays.x[i]), 6)


def _event_offsets(
    notes: list[_Due], matched: dict[int, int], arrays: NoteArrays
) -> dict[float, tuple[float, int]]:
    """For each time of the reference, the middle offset of what was struck there, in ms."""
    groups: dict[float, list[float]] = {}
    for due in notes:
        if due.note in matched:
            off = 1000.0 * (arrays.at[matched[due.note]] - due.sec)
            groups.setdefault(_event_key(due.note, arrays), []).append(off)
    return {key: (median(offs), len(offs)) for key, offs in groups.items()}


def _ends_of_cut_notes(
    matched: dict[int, int], free: list[int], arrays: NoteArrays
) -> dict[int, float]:
    """When those matched notes end that a false stroke of their own pitch cuts in two."""
    ends: dict[int, float] = {}
    by_pitch: dict[int, list[int]] = {}
    for j in sorted(free):
        by_pitch.setdefault(int(arrays.take_pitch[j]), []).append(j)
    for j in matched.values():
        end = float(arrays.ends[j])
        for k in by_pitch.get(int(arrays.take_pitch[j]), ()):
            if arrays.at[k] > arrays.at[j] and abs(float(arrays.at[k]) - end) < _TOGETHER_SEC:
                end = ends[j] = max(end, float(arrays.ends[k]))
    return ends


# One note --------------------------------------------------------------------------------------


def _judge_played(
    due: _Due,
    j: int,
    events: dict[float, tuple[float, int]],
    ends: dict[int, float],
    arrays: NoteArrays,
) -> Verdict:
    """A note that sounds as it is written: right, early or late."""
    at = float(arrays.at[j])
    length = _length(due, at, ends.get(j, float(arrays.ends[j])), arrays)
    if arrays.timing == "order":
        return _against_pulse(Verdict(due.note, j, "right", time_sec=at, length=length), j, arrays)
    offset, allowed = 1000.0 * (at - due.sec), _allowed_ms(due, arrays)
    row = Verdict(due.note, j, "right", offset, allowed, time_sec=at, length=length)
    middle, size = events[_event_key(due.note, arrays)]
    together = abs(offset - middle) <= (_STRUM_MS if size > 2 else _PAIR_MS)
    weighed = middle if together else offset
    if abs(weighed) <= allowed:
        return row
    if arrays.onset_activations is not None and abs(weighed) > 1.5 * allowed:
        # A false stroke may have been taken for a note that came in time, but softly.
        share, heard_sec = arrays.onset_activations.strongest(
            int(arrays.take_pitch[j]) + arrays.take_shift,
            due.sec,
            window_sec=_LISTEN_LATE_SEC,
            taken=arrays.at[j : j + 1],
        )
        if share > _FAINT_MASKED:
            return _judge_found_again(due, heard_sec, arrays)
    if arrays.take[j].unsure:
        return dataclasses.replace(row, verdict="unsure", reason=Reason.LOW_CONFIDENCE)
    return dataclasses.replace(row, verdict="late" if weighed > 0 else "early")


def _allowed_ms(due: _Due, arrays: NoteArrays) -> float:
    return tolerance_ms(1000.0 * float(arrays.interval[due.note]) * due.pace)


def _against_pulse(row: Verdict, j: int, arrays: NoteArrays) -> Verdict:
    """A note that only the take's own pulse can date."""
    if not np.isfinite(arrays.pulse[j]):
        return row
    offset = 1000.0 * float(arrays.at[j] - arrays.pulse[j])
    allowed = tolerance_ms(1000.0 * float(arrays.pulse_interval[j]))
    verdict = "right" if abs(offset) <= allowed else "late" if offset > 0 else "early"
    return dataclasses.replace(row, verdict=verdict, offset_ms=offset, tolerance_ms=allowed)


def _length(due: _Due, start: float, end: float, arrays: NoteArrays) -> str | None:
    """``cut short`` or ``left ringing`` where the note's length is plainly not what is written."""
    i = due.note
    if not arrays.lengths or _is_dead(i, arrays):
        return None
    written = float(arrays.x_end[i] - arrays.x[i]) * due.pace
    played = end - start
    # What sounds to the end of the recording was cut by that, not by the hand.
    to_the_end = end > arrays.end_sec - _END_SEC
    if played < _CUT_SHARE * written and written - played > _CUT_SEC and not to_the_end:
        return "cut short"
    # Only where the reference asks for silence after the note: strings are let ring elsewhere.
    silence = float(arrays.next_x[i] - arrays.x_end[i]) > _SILENCE_SEC
    if silence and played - written > max(_RANG_SEC, _RANG_SHARE * written):
        return "left ringing"
    return None


def _judge_wrong(due: _Due, j: int, arrays: NoteArrays, instrument: Instrument) -> Verdict:
    """A note in whose place another pitch was played."""
    reason = _unsure_reason(j, arrays)
    if reason is None and _check_again(due, arrays)[0] > _BOTH:
        reason = Reason.RIGHT_NOTE_TOO
    return Verdict(
        due.note,
        j,
        "wrong" if reason is None else "unsure",
        None if arrays.timing == "order" else 1000.0 * (float(arrays.at[j]) - due.sec),
        time_sec=float(arrays.at[j]),
        played=where_played(arrays.reference[due.note], int(arrays.take_pitch[j]), instrument),
        reason=reason,
    )


def _judge_missed(due: _Due, arrays: NoteArrays) -> Verdict:
    """A note that the take does not name: missed, unless it may be there all the same."""
    when = due.sec if np.isfinite(due.sec) else None
    missed = Verdict(due.note, None, "missed", time_sec=when)

    def unsure(reason: Reason) -> Verdict:
        return dataclasses.replace(missed, verdict="unsure", reason=reason)

    if _is_dead(due.note, arrays):
        return unsure(Reason.DEAD_NOTE)
    if not arrays.from_recording or when is None:
        return missed
    pitch, shares = int(arrays.ref_pitch[due.note]), arrays.onset_activations
    if shares is not None and not shares.reaches(pitch + arrays.take_shift):
        return unsure(Reason.OUT_OF_RANGE)
    rings, hidden = _rings_through(pitch, due.sec, arrays), _is_hidden(pitch, due.sec, arrays)
    masked = rings or hidden
    if shares is not None:
        share, heard_sec = _check_again(due, arrays)
        if share > (_FAINT_MASKED if masked else _FAINT):
            return _judge_found_again(due, heard_sec, arrays)
        if share < (_NOTHING_MASKED if masked else _NOTHING):
            return missed
    if rings:
        return unsure(Reason.STILL_RINGING)
    if hidden:
        return unsure(Reason.HIDDEN)
    return missed if shares is None else unsure(Reason.WEAK_ONSET)


def _check_again(due: _Due, arrays: NoteArrays) -> tuple[float, float]:
    """Onset share of a note that is due, and when; 0 where there is nothing to listen to."""
    if arrays.onset_activations is None:
        return 0.0, due.sec
    pitch = int(arrays.ref_pitch[due.note])
    known = (arrays.take_pitch == pitch) & (np.abs(arrays.at - due.sec) < _KNOWN_SEC)
    return arrays.onset_activations.strongest(
        pitch + arrays.take_shift, due.sec, window_sec=_LISTEN_SEC, taken=arrays.at[known]
    )


def _judge_found_again(due: _Due, at: float, arrays: NoteArrays) -> Verdict:
    """A note that only the second listening found: right where it came in time."""
    offset, allowed = 1000.0 * (at - due.sec), _allowed_ms(due, arrays)
    has_times = arrays.timing != "order"
    return Verdict(
        due.note,
        None,
        "right" if not has_times or abs(offset) <= allowed else "unsure",
        offset if has_times else None,
        tolerance_ms=allowed if has_times else None,
        time_sec=at,
        reason=Reason.FAINT,
    )


def _judge_extra(j: int, arrays: NoteArrays) -> Verdict:
    """A note that the reference does not hold."""
    note, heard = arrays.take[j], arrays.from_recording
    reason = Reason.DEAD_NOTE if note.articulation == "dead" else _unsure_reason(j, arrays)
    if reason is None and heard and note.confidence < _SURE_EXTRA:
        reason = Reason.NOT_CERTAIN
    if reason is None and heard and _is_shaken(j, arrays):
        reason = Reason.SHAKEN_STRING
    return Verdict(
        None,
        j,
        "extra" if reason is None else "unsure",
        time_sec=float(arrays.at[j]),
        played=Played(int(arrays.take_pitch[j])),
        reason=reason,
    )


# Doubt ------------------------------------------------------------------------------------------


def _unsure_reason(j: int, arrays: NoteArrays) -> Reason | None:
    """Why a note of the take may not be one."""
    confidence = arrays.take[j].confidence
    if arrays.from_recording and arrays.take[j].unsure:
        return Reason.LOW_CONFIDENCE
    if arrays.from_recording and confidence < _CLEAR and _is_overtone(j, arrays):
        return Reason.OVERTONE
    return None


def _sounding(time: float, arrays: NoteArrays) -> list[int]:
    """Notes of the take that sound at ``time``, or are struck just after it."""
    last = int(np.searchsorted(arrays.at, time + _TOGETHER_SEC, side="right"))
    first = max(0, last - 48)  # more notes than that do not sound at once
    return [k for k in range(first, last) if arrays.ends[k] > time]


def _is_overtone(j: int, arrays: NoteArrays) -> bool:
    """Whether a note of the take may be an overtone of another that sounds with it."""
    pitch = int(arrays.take_pitch[j])
    sounding = _sounding(float(arrays.at[j]), arrays)
    return any(k != j and pitch - int(arrays.take_pitch[k]) in _OVERTONES for k in sounding)


def _is_hidden(pitch: int, due_sec: float, arrays: NoteArrays) -> bool:
    """Whether a note may lie within another that was struck with it: a unison or an overtone."""
    for k in _sounding(due_sec, arrays):
        step = pitch - int(arrays.take_pitch[k])
        apart = abs(float(arrays.at[k]) - due_sec)
        if apart < (2 * _TOGETHER_SEC if step in _OVERTONES else 0 if step else _TOGETHER_SEC):
            return True
    return False


def _rings_through(pitch: int, due_sec: float, arrays: NoteArrays) -> bool:
    """Whether an earlier note of this pitch sounds on past the time that this one was due."""
    last = int(np.searchsorted(arrays.at, due_sec - _TOGETHER_SEC))
    for k in range(last - 1, max(-1, last - 64), -1):
        if int(arrays.take_pitch[k]) == pitch:
            return float(arrays.ends[k]) > due_sec + 0.1
    return False


def _is_shaken(j: int, arrays: NoteArrays) -> bool:
    """Whether a note begins with others while its own pitch rings or is about to be struck.

    A note tracker may take the jolt that a chord gives a ringing string for a stroke on it.
    """
    at, pitch = float(arrays.at[j]), int(arrays.take_pitch[j])
    low, high = np.searchsorted(arrays.at, [at - _TOGETHER_SEC, at + _TOGETHER_SEC])
    if high - low < 2:
        return False
    first, last = np.searchsorted(arrays.at, [at - 4.0, at + _KNOWN_SEC])
    near = np.arange(first, last)
    near = near[(arrays.take_pitch[near] == pitch) & (near != j)]
    rang = (arrays.at[near] < at) & (arrays.ends[near] > at - 0.1)
    return bool(np.any(rang | (np.abs(arrays.at[near] - at) < _KNOWN_SEC)))
