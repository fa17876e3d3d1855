"""Plays a riff by string synthesis.

Conventions: string 1 is the highest-sounding, times in seconds, sound as float32 mono. Each string
sounds one note: a note ends where it stops, or where its string is struck again.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from transcribe.core.errors import ParameterError
from transcribe.core.pitch import midi_to_hz
from transcribe.core.riff import LEGATO, Bend, Instrument, Note, Riff, legato_sources, sort_notes
from transcribe.sound.plucked_string import StringModel, pluck
from transcribe.sound.voices import level_before, read_at

__all__ = ["PEAK", "render_riff"]

Array = npt.NDArray[Any]

PEAK = 0.35
"""Largest sample of a rendered riff, of full scale 1 (-9 dB)."""

_MAX_RMS = 0.1  # no more than this on average, so that dense strums are no louder than a line
_RELEASE_SEC = 0.045
_TAIL_SEC = 0.4
_BEND_SEC = 0.18  # from the fret's own pitch to the top of a bend; by ear
_BEND_SEMITONES = 1.0  # of a bend whose size is not known
_LONGEST_SEC = 7200.0
_NODE_SHARES = {5: 4, 7: 3, 12: 2, 19: 3, 24: 4}  # fret touched or sounding -> share of the string


def _string_model(open_midi: int) -> StringModel:
    """A steel string tuned to ``open_midi``: low ones wound, ringing long."""
    low = float(np.clip((64 - open_midi) / 24.0, -0.5, 1.5))
    return StringModel(
        stiffness=4e-5 * 2.0 ** (1.3 * low),
        pick_position=0.19,
        ring_sec=4.5 * 2.0 ** (0.9 * low),
        damping=0.7,
        softness=0.35,
        second_plane=0.3,
    )


@dataclass(frozen=True, slots=True)
class _Plan:
    """One note as it will be rendered: samples from its onset to its stop and past it."""

    note: Note
    onset: int
    hold: int
    release: int
    carried_from: int | None
    glide_cents: float  # a slide that leaves this note at its end; 0 for none


def _voice_of(note: Note) -> tuple[int, int]:
    """What sounds one note at a time: the string, or the pitch where no string is known."""
    return (0, note.pitch_midi) if note.string is None else (1, note.string)


def _plans(riff: Riff, sr: int, speed: float) -> list[_Plan]:
    notes = sort_notes(riff.notes)
    sources = legato_sources(notes)
    at = {note.id: i for i, note in enumerate(notes)}
    follower = {at[source]: at[note_id] for note_id, source in sources.items()}
    following: dict[int, int] = {}
    last: dict[tuple[int, int], int] = {}
    for i, note in enumerate(notes):
        if _voice_of(note) in last:
            following[last[_voice_of(note)]] = i
        last[_voice_of(note)] = i
    plans = []
    for i, note in enumerate(notes):
        onset = max(0, round(note.onset_sec / speed * sr))
        stop = round(note.offset_sec / speed * sr)
        release = round(_RELEASE_SEC * sr)
        then = follower.get(i, following.get(i))
        if then is not None:
            struck = round(notes[then].onset_sec / speed * sr)
            if i in follower or struck < stop + release:
                # A carried note leaves no gap; a fresh stroke stops the string as it lands.
                stop = struck if i in follower else min(stop, struck)
                release = min(release, round(0.006 * sr))
        if note.articulation == "dead":
            stop, release = min(stop, onset + round(0.012 * sr)), round(0.03 * sr)
        glide = 0.0
        if i in follower and notes[follower[i]].articulation == "slide":
            glide = 100.0 * (notes[follower[i]].pitch_midi - note.pitch_midi)
        source = sources.get(note.id)
        carried = None if source is None else at[source]
        plans.append(_Plan(note, onset, max(1, stop - onset), release, carried, glide))
    return plans


def _cents(plan: _Plan, size: int, sr: int) -> Array | None:
    """Deviation in cents over the samples of a note; None where the pitch stands still."""
    note = plan.note
    t = np.arange(size) / sr
    if note.articulation == "bend":
        bend = note.bend or Bend()
        known = bend.rise_semitones
        target = 100.0 * (_BEND_SEMITONES if known is None else known)
        held = plan.hold / sr
        rise = min(_BEND_SEC, 0.5 * held)
        share = np.clip(t / rise, 0.0, 1.0)
        if bend.released:
            share = np.minimum(share, np.clip((held - t) / rise, 0.0, 1.0))
        return np.asarray(target * (0.5 - 0.5 * np.cos(np.pi * share)))
    if note.articulation == "vibrato":
        depth = 24.0 * np.clip((t - 0.12) / 0.2, 0.0, 1.0)
        return np.asarray(depth * (0.5 - 0.5 * np.cos(2 * np.pi * 5.4 * t)))
    if plan.glide_cents:
        seconds = min(0.09, 0.5 * plan.hold / sr)
        share = np.clip((t - (plan.hold / sr - seconds)) / seconds, 0.0, 1.0)
        return np.asarray(plan.glide_cents * share)
    return None


def _sound(plan: _Plan, instrument: Instrument, sr: int, gain: float, level: float) -> Array:
    """One note, shape (hold + release,) or shorter; ``level`` is that of the note it carries on."""
    note = plan.note
    size = plan.hold + plan.release
    pitch = note.pitch_midi + instrument.offset_cents / 100.0
    fret = note.fret or 0
    open_midi = note.pitch_midi - fret
    f0 = midi_to_hz(pitch)
    cents = _cents(plan, size, sr)
    longest = 0.0 if cents is None else float(np.max(cents))
    carried = plan.carried_from is not None or note.articulation in LEGATO
    skip = round({"pull-off": 0.012}.get(note.articulation, 0.035) * sr) if carried else 0
    node = _NODE_SHARES.get(fret, 2) if note.articulation == "harmonic" else 1
    while node > 1 and f0 >= 0.46 * sr:
        node -= 1
    f0 = min(f0, 0.45 * sr)
    y = pluck(
        f0 / node,
        sr=sr,
        duration_sec=(skip + size * 2.0 ** (max(longest, 0.0) / 1200.0)) / sr + 0.01,
        string=_string_model(open_midi),
        fret=fret if node == 1 else 0,
        node=node,
    )
    if cents is None:
        y = y[skip : skip + size]
    else:
        y = read_at(y, skip + np.cumsum(2.0 ** (cents / 1200.0)) - 1.0)
    y = y * np.float32(gain)
    if carried:
        rise = min(len(y), max(2, round(0.005 * sr)))
        y[:rise] *= np.linspace(0.0, 1.0, rise, dtype=np.float32)
        now = level_before(y, round(0.03 * sr), round(0.025 * sr))
        wanted = max(0.85 * level, 0.06 * gain)
        y *= np.float32(min(wanted / max(now, 1e-6), 3.0))
    if note.articulation == "dead":
        y *= 0.5 * np.exp(-60.0 * np.arange(len(y), dtype=np.float32) / np.float32(sr))
    tail = y[plan.hold :]
    tail *= np.cos(np.linspace(0.0, np.pi / 2, len(tail), dtype=np.float32)) ** 2
    return y


def _gains(notes: list[Note]) -> list[float]:
    """Loudness of each note against the middle one, kept within 9 dB."""
    known = [n.loudness_db for n in notes if n.loudness_db is not None]
    middle = float(np.median(known)) if known else 0.0
    return [
        1.0
        if n.loudness_db is None
        else 10.0 ** (float(np.clip(n.loudness_db - middle, -9.0, 9.0)) / 20.0)
        for n in notes
    ]


def render_riff(
    riff: Riff,
    *,
    sr: int = 22050,
    speed: float = 1.0,
    progress: Callable[[str, float], None] | None = None,
) -> Array:
    """Play a riff on synthesised strings.

    Parameters
    ----------
    riff : notes in seconds; strings and frets where they are known
    sr : sample rate in hertz, 8000 to 192000
    speed : 1 as played, 0.5 at half speed (pitches stay), 0.1 to 4
    progress : called with the stage and the share done, for riffs that take long

    Returns
    -------
    float32 mono, shape (n,). Second 0 of the riff (divided by ``speed``) is sample 0, so that a
    cursor can follow; a little silence follows the last note. The instrument's own detuning
    (``offset_cents``) is kept, so that the sound can be held against the recording. A bend rises
    by the cents of the note's ``bend`` where they are known, else by a semitone.

    No sample exceeds `PEAK` and the average stays near -20 dB of full scale, so that playback
    starts quiet. Loud listening can still harm hearing, on headphones most of all: turn the volume
    down before the first playback, take breaks, and ask a clinician if your ears ring.

    Raises
    ------
    ParameterError
        If ``sr`` or ``speed`` is out of range, or the riff lasts over two hours.
    """
    if not 8000 <= sr <= 192000:
        raise ParameterError(f"a sample rate is 8000 to 192000 Hz, not {sr!r}")
    if not 0.1 <= speed <= 4.0:
        raise ParameterError(f"speed is 0.1 to 4, not {speed!r}")
    last = max((note.offset_sec for note in riff.notes), default=0.0) / speed
    if not last <= _LONGEST_SEC:
        raise ParameterError(f"the riff lasts {last:.0f} s; playback takes at most two hours")
    plans = _plans(riff, sr, speed)
    out = np.zeros(round((last + _TAIL_SEC) * sr), np.float32)
    levels = np.zeros(len(plans))
    gains = _gains([plan.note for plan in plans])
    for i, plan in enumerate(plans):
        before = 0.0 if plan.carried_from is None else float(levels[plan.carried_from])
        y = _sound(plan, riff.instrument, sr, gains[i], before)
        levels[i] = level_before(y, min(plan.hold, len(y)), round(0.03 * sr))
        y = y[: max(0, len(out) - plan.onset)]
        out[plan.onset : plan.onset + len(y)] += y
        if progress is not None and i % 100 == 99:
            progress("sound", (i + 1) / len(plans))
    peak = float(np.abs(out).max(initial=0.0))
    if peak > 0:
        sounding = np.abs(out) > 0.003 * peak
        rms = float(np.sqrt(np.mean(out[sounding] ** 2)))
        out *= np.float32(min(PEAK / peak, _MAX_RMS / rms))
        np.clip(out, -PEAK, PEAK, out=out)  # rounding may have left a sample a hair above
    return out
