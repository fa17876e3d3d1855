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
from transcribe.takes.passes import Fit
from transcribe.takes.verdicts import Side

__all__ = ["drone_notes", "judge_drone", "pitch_level"]

_SHORTEST_SEC = 0.3  # a gap shorter than this is nothing to hear
_SUSTAIN_SEC = 2.0  # a plucked string that rang this long may die by itself
_DAMPED_SEC = 0.25  # a silence this long before a missed stroke began on its own
_JOIN_SEC = 0.12  # the drone is damped for a moment as it is struck again


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
    fits: Sequence[Fit],
    side: Side,
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
    pitch = int(side.ref_pitch[own[0]])
    unsure = {r.reference for r in rows if r.verdict == "unsure"}
    due = _due_spans([i for i in own if i not in unsure], fits, side)
    if not due:
        return None
    missed = {r.reference for r in rows if r.verdict == "missed"}
    sounding = [
        (float(side.at[j]), float(side.ends[j]))
        for j in range(len(side.at))
        if int(side.take_pitch[j]) == pitch
    ]
    ringing = _join(sounding, _JOIN_SEC)
    silent: list[tuple[float, float]] = []
    expected = 0.0
    for start, end, _ in _merge(due):
        expected += end - start
        silent += [s for s in _outside(start, end, ringing) if s[1] - s[0] >= _SHORTEST_SEC]
    gone = sum(b - a for a, b in silent)
    gaps = _gaps(silent, _unstruck(due, missed))
    return DroneVerdict(
        reference.drone.string,
        pitch,
        expected,
        max(0.0, 1.0 - gone / expected) if expected else 0.0,
        gaps,
        _level(pitch, side, sound, min(d[0] for d in due), max(d[1] for d in due)),
    )


_Span = tuple[float, float, list[tuple[float, int]]]  # start, end, (due time, reference note)


def _due_spans(own: list[int], fits: Sequence[Fit], side: Side) -> list[_Span]:
    members = set(own)
    spans: list[_Span] = []
    for fit in fits:
        for i, due, pace in zip(fit.stretch.reference, fit.due, fit.pace, strict=True):
            if int(i) in members and np.isfinite(due):
                length = float(side.x_end[i] - side.x[i]) * float(pace)
                length = min(
                    length, _SUSTAIN_SEC, max(0.0, side.until - _SHORTEST_SEC - float(due))
                )
                spans.append((float(due), float(due) + length, [(float(due), int(i))]))
    spans.sort(key=lambda s: s[0])
    if not side.lengths and len(spans) > 1:
        # Nobody wrote how long the last stroke is to ring: no longer than the others.
        start, end, strokes = spans[-1]
        usual = float(np.median([b - a for a, b, _ in spans[:-1]]))
        spans[-1] = (start, min(end, start + usual), strokes)
    return spans


def _merge(spans: list[_Span]) -> list[_Span]:
    merged: list[_Span] = []
    for start, end, strokes in spans:
        if merged and start <= merged[-1][1] + _JOIN_SEC:
            a, b, before = merged[-1]
            merged[-1] = (a, max(b, end), before + strokes)
        else:
            merged.append((start, end, list(strokes)))
    return merged


def _join(spans: list[tuple[float, float]], gap: float) -> list[tuple[float, float]]:
    joined: list[tuple[float, float]] = []
    for start, end in sorted(spans):
        if joined and start <= joined[-1][1] + gap:
            joined[-1] = (joined[-1][0], max(joined[-1][1], end))
        else:
            joined.append((start, end))
    return joined


def _outside(
    start: float, end: float, spans: list[tuple[float, float]]
) -> list[tuple[float, float]]:
    """Parts of ``start`` to ``end`` that no span covers."""
    parts, at = [], start
    for a, b in spans:
        if b <= at or a >= end:
            continue
        if a > at:
            parts.append((at, a))
        at = max(at, b)
    if at < end:
        parts.append((at, end))
    return parts


def _unstruck(due: list[_Span], missed: set[int | None]) -> list[tuple[float, float]]:
    """From each run of strokes that were missed: the first of them to the next one played."""
    strokes = sorted(stroke for span in due for stroke in span[2])
    last = max(span[1] for span in due)
    runs: list[tuple[float, float]] = []
    start: float | None = None
    for time, i in strokes:
        if i in missed:
            start = time if start is None else start
        elif start is not None:
            runs.append((start, time))
            start = None
    if start is not None:
        runs.append((start, max(last, start + _SHORTEST_SEC)))
    return runs


def _gaps(
    silent: list[tuple[float, float]], unstruck: list[tuple[float, float]]
) -> tuple[DroneGap, ...]:
    """Silences and missed strokes as gaps, those that overlap as one.

    A drone that fell silent well before the stroke that was missed had stopped ringing.
    """
    parts = sorted([(a, b, "stopped ringing") for a, b in silent])
    parts = sorted(parts + [(a, b, "not struck") for a, b in unstruck])
    gaps: list[DroneGap] = []
    for a, b, kind in parts:
        if gaps and a < gaps[-1].end_sec - 0.02:
            before = gaps[-1]
            struck = "not struck" in (kind, before.kind) and a - before.start_sec < _DAMPED_SEC
            together = "not struck" if struck else before.kind
            gaps[-1] = DroneGap(together, before.start_sec, max(before.end_sec, b))
        else:
            gaps.append(DroneGap(kind, a, b))
    return tuple(gaps)


def pitch_level(
    y: np.ndarray, *, sr: int, pitch_midi: float, step_sec: float = 0.05
) -> tuple[np.ndarray, np.ndarray]:
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
    hop = max(1, round(step_sec * sr))
    padded = np.pad(np.asarray(y, dtype=float), size // 2)
    window = np.hanning(size)
    starts = np.arange(0, len(padded) - size + 1, hop)
    hz = midi_to_hz(pitch_midi)
    partials = np.array([h * hz for h in (1, 2, 3) if h * hz < 0.45 * sr])
    n = np.arange(size)
    # Three probes a partial, 12 cents apart, so that a slightly sharp string is not read as softer.
    probes = (
        np.exp(
            -2j
            * np.pi
            * np.outer(n, np.outer(partials, 2.0 ** (np.array([-1, 0, 1]) / 100)).ravel())
            / sr
        )
        * window[:, None]
        * (2.0 / window.sum())
    )
    amplitude = np.empty(len(starts))
    for begin in range(0, len(starts), 256):
        frames = padded[starts[begin : begin + 256, None] + n]
        found = np.abs(frames @ probes).reshape(-1, len(partials), 3).max(axis=2)
        amplitude[begin : begin + 256] = np.sqrt((found**2).sum(axis=1))
    return starts / sr, 20.0 * np.log10(np.maximum(amplitude, 1e-5))


def _level(
    pitch: int, side: Side, sound: tuple[np.ndarray, int] | None, start: float, end: float
) -> tuple[tuple[float, float], ...]:
    if sound is not None:
        y, sr = sound
        shift = side.take_shift + side.take_offset_cents / 100.0
        times, level = pitch_level(y, sr=sr, pitch_midi=pitch + shift)
        inside = (times >= start - 0.2) & (times <= end + 0.2)
        return tuple(
            (float(t), float(db)) for t, db in zip(times[inside], level[inside], strict=True)
        )
    points: list[tuple[float, float]] = []
    for j in range(len(side.at)):
        loud = side.take[j].loudness_db
        if (
            int(side.take_pitch[j]) == pitch
            and loud is not None
            and start - 0.2 <= side.at[j] <= end
        ):
            # A plucked string falls by about 12 dB a second: drawn so, not measured.
            for after in np.arange(0.0, float(side.ends[j] - side.at[j]), 0.1):
                points.append((float(side.at[j] + after), float(loud) - 12.0 * float(after)))
    return tuple(sorted(points))
