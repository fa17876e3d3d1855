"""Whether the drone rang for as long as it should, where it stopped, and its level over time.

The drone is due from each of its strokes in the reference until the note written there ends, but
not longer than a string can be trusted to sustain; strokes that are unsure ask for nothing. A gap
is a stretch in which it is due and no note of its pitch sounds in the take, or one in which strokes
are missed, though the string may still ring from the stroke before.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from transcribe.core.pitch import midi_to_hz
from transcribe.core.riff import Riff
from transcribe.takes.comparison import DroneGap, DroneVerdict, Verdict
from transcribe.takes.match import StretchFit
from transcribe.takes.timeline import NoteArrays

__all__ = ["drone_notes", "judge_drone", "pitch_level"]

# Choices, whose effect `tests.bench.compare` measures on planted gaps.
_SHORTEST_SEC = 0.3  # a gap shorter than this is nothing to hear
_SUSTAIN_SEC = 2.0  # a plucked string that rang this long may die by itself
_DAMPED_SEC = 0.25  # a silence this long before a missed stroke began on its own
_JOIN_SEC = 0.12  # the drone is damped for a moment as it is struck again
_FALL_DB = 12.0  # by which a plucked string falls in a second, about; for drawing only
_MARGIN_SEC = 0.2  # of the level that is shown before the first stroke and after the last
_LEVEL_STEP_SEC = 0.05  # from one value of the level to the next
_SILENT_AMPLITUDE = 1e-5  # -100 dB

_Span = tuple[float, float]  # start and end in take seconds


def drone_notes(reference: Riff) -> list[int]:
    """Index of each note of the reference that is the drone's, by `sort_notes`' order."""
    drone = reference.drone
    if drone is None:
        return []
    pitch = reference.instrument.pitch_midi(drone.string, 0)
    return [
        i
        for i, note in enumerate(reference.notes)
        if note.pitch_midi == pitch
        and note.string in (None, drone.string)
        and drone.start_sec - 0.05 <= note.onset_sec <= drone.end_sec + 0.05
    ]


def judge_drone(
    reference: Riff,
    fits: Sequence[StretchFit],
    arrays: NoteArrays,
    rows: Sequence[Verdict],
    *,
    sound: tuple[np.ndarray, int] | None = None,
) -> DroneVerdict | None:
    """The drone of one pass; None where the reference has none or too little of it was played.

    Parameters
    ----------
    sound : (y, sr), optional
        The take's samples, mono, for a level measured from the sound; else the level is drawn from
        the loudness of the notes.
    """
    own = drone_notes(reference)
    if not own or reference.drone is None:
        return None
    pitch = int(arrays.ref_pitch[own[0]])
    unsure = {r.reference for r in rows if r.verdict == "unsure"}
    strokes = _strokes([i for i in own if i not in unsure], fits, arrays)
    if not strokes:
        return None
    missed = {r.reference for r in rows if r.verdict == "missed"}
    due = _joined([span for _, span in strokes])
    of_pitch = arrays.take_pitch == pitch
    sounding = zip(arrays.at[of_pitch].tolist(), arrays.ends[of_pitch].tolist(), strict=True)
    silent = [
        part
        for part in _outside(due, _joined(list(sounding)))
        if part[1] - part[0] >= _SHORTEST_SEC
    ]
    expected = sum(end - start for start, end in due)
    gone = sum(end - start for start, end in silent)
    last = max(end for _, end in due)
    return DroneVerdict(
        reference.drone.string,
        pitch,
        expected,
        max(0.0, 1.0 - gone / expected) if expected else 0.0,
        _gaps(silent, _not_struck(strokes, missed, last)),
        _level(pitch, arrays, sound, due[0][0], last),
    )


def _strokes(
    own: list[int], fits: Sequence[StretchFit], arrays: NoteArrays
) -> list[tuple[int, _Span]]:
    """The strokes of the drone by time: which note, and from when to when it should ring."""
    members = set(own)
    strokes: list[tuple[int, _Span]] = []
    for fit in fits:
        for i, due, pace in zip(fit.stretch.reference, fit.due, fit.pace, strict=True):
            if int(i) in members and np.isfinite(due):
                written = float(arrays.x_end[i] - arrays.x[i]) * float(pace)
                until_end = max(0.0, arrays.end_sec - _SHORTEST_SEC - float(due))
                length = min(written, _SUSTAIN_SEC, until_end)
                strokes.append((int(i), (float(due), float(due) + length)))
    strokes.sort(key=lambda stroke: (stroke[1][0], stroke[0]))
    if not arrays.lengths and len(strokes) > 1:
        # Nobody wrote how long the last stroke is to ring: no longer than the others.
        i, (start, end) = strokes[-1]
        usual = float(np.median([b - a for _, (a, b) in strokes[:-1]]))
        strokes[-1] = (i, (start, min(end, start + usual)))
    return strokes


def _joined(spans: list[_Span]) -> list[_Span]:
    """Spans in order, those that nearly touch as one."""
    joined: list[_Span] = []
    for start, end in sorted(spans):
        if joined and start <= joined[-1][1] + _JOIN_SEC:
            joined[-1] = (joined[-1][0], max(joined[-1][1], end))
        else:
            joined.append((start, end))
    return joined


def _outside(due: list[_Span], sounding: list[_Span]) -> list[_Span]:
    """The parts of the spans ``due`` in which nothing sounds."""
    parts = []
    for start, end in due:
        at = start
        for a, b in sounding:
            if b > at and a < end:
                if a > at:
                    parts.append((at, a))
                at = max(at, b)
        if at < end:
            parts.append((at, end))
    return parts


def _not_struck(
    strokes: list[tuple[int, _Span]], missed: set[int | None], last: float
) -> list[_Span]:
    """From each run of strokes that were missed: the first of them to the next one played."""
    runs: list[_Span] = []
    start: float | None = None
    for i, (time, _) in strokes:
        if i in missed:
            start = time if start is None else start
        elif start is not None:
            runs.append((start, time))
            start = None
    if start is not None:
        runs.append((start, max(last, start + _SHORTEST_SEC)))
    return runs


def _gaps(silent: list[_Span], not_struck: list[_Span]) -> tuple[DroneGap, ...]:
    """Silences and missed strokes as gaps, those that overlap as one.

    A drone that fell silent well before the stroke that was missed had stopped ringing.
    """
    parts = [(*span, "stopped ringing") for span in silent]
    parts += [(*span, "not struck") for span in not_struck]
    gaps: list[DroneGap] = []
    for a, b, kind in sorted(parts):
        if gaps and a < gaps[-1].end_sec - 0.02:
            before = gaps[-1]
            struck = "not struck" in (kind, before.kind) and a - before.start_sec < _DAMPED_SEC
            together = "not struck" if struck else before.kind
            gaps[-1] = DroneGap(together, before.start_sec, max(before.end_sec, b))
        else:
            gaps.append(DroneGap(kind, a, b))
    return tuple(gaps)


def pitch_level(y: np.ndarray, *, sr: int, pitch_midi: float) -> tuple[np.ndarray, np.ndarray]:
    """Level of one pitch over time in dB re full scale, from its first three partials.

    Parameters
    ----------
    y : np.ndarray, shape (n,)
        Mono samples.
    sr : int
        Samples per second.
    pitch_midi : float
        The pitch, A4 = 69 = 440 Hz.

    Returns
    -------
    times, level_db : np.ndarray, shape (n_frames,)
        Frame centres in seconds, and 20 log10 of the amplitude; -100 dB where there is nothing.
    """
    size = 1 << int(np.ceil(np.log2(0.18 * sr)))
    padded = np.pad(np.asarray(y, dtype=float), size // 2)
    starts = np.arange(0, len(padded) - size + 1, max(1, round(_LEVEL_STEP_SEC * sr)))
    window = np.hanning(size)
    hz = midi_to_hz(pitch_midi)
    partials = np.array([h * hz for h in (1, 2, 3) if h * hz < 0.45 * sr])
    # Three probes a partial, 12 cents apart, so that a slightly sharp string is not read as softer.
    probed = np.outer(partials, 2.0 ** (np.array([-1, 0, 1]) / 100)).ravel()
    n = np.arange(size)
    probes = np.exp(-2j * np.pi * np.outer(n, probed) / sr) * window[:, None] * 2.0 / window.sum()
    amplitude = np.empty(len(starts))
    for begin in range(0, len(starts), 256):
        frames = padded[starts[begin : begin + 256, None] + n]
        found = np.abs(frames @ probes).reshape(-1, len(partials), 3).max(axis=2)
        amplitude[begin : begin + 256] = np.sqrt((found**2).sum(axis=1))
    return starts / sr, 20.0 * np.log10(np.maximum(amplitude, _SILENT_AMPLITUDE))


def _level(
    pitch: int, arrays: NoteArrays, sound: tuple[np.ndarray, int] | None, start: float, end: float
) -> tuple[tuple[float, float], ...]:
    """The drone's level, (take seconds, dB), measured where there is sound, else drawn."""
    if sound is not None:
        y, sr = sound
        shift = arrays.take_shift + arrays.take_offset_cents / 100.0
        times, level = pitch_level(y, sr=sr, pitch_midi=pitch + shift)
        inside = (times >= start - _MARGIN_SEC) & (times <= end + _MARGIN_SEC)
        return tuple(zip(times[inside].tolist(), level[inside].tolist(), strict=True))
    points: list[tuple[float, float]] = []
    for note, at, stop, sounds in zip(
        arrays.take, arrays.at, arrays.ends, arrays.take_pitch, strict=True
    ):
        if sounds == pitch and note.loudness_db is not None and start - _MARGIN_SEC <= at <= end:
            after = np.arange(0.0, float(stop - at), 0.1)
            loud = note.loudness_db - _FALL_DB * after
            points += zip((at + after).tolist(), loud.tolist(), strict=True)
    return tuple(sorted(points))
