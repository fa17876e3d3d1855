"""Which semitone a guitar half way between two is meant to sound.

Conventions: a guitar ``offset_cents`` above A4 = 440 Hz at one semitone lies ``offset_cents - 100``
above it at the next: the same sound, every note named a semitone higher. Near 50 cents either
reading is as good as the other by the sound alone, and a measure that is a few cents off falls to
the wrong side. What the hand does tells them apart: open strings ring, drones and the lowest note
are open strings, chords hold some, and no note lies below the lowest string (common practice, no
source; the weights are fitted on generated phrases of every kind in all tunings, half of the
pairs a semitone off).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from transcribe.core.instrument import TUNINGS
from transcribe.core.riff import Instrument, Note, Remark
from transcribe.core.strokes import STROKE_SEC
from transcribe.notes.find import NotesAndTalk, find_notes_and_talk
from transcribe.notes.network import WEIGHTS

__all__ = ["Tuned", "find_tuned_notes", "open_string_evidence"]

_ASK_FROM_CENTS = 40.0
_USUAL_CENTS = 10.0
"""How far guitars stray from A4 = 440 Hz (standard deviation; common practice, no source)."""
_SURE_NATS = 3.0  # a difference between the two readings that is smaller is shown to the player
_USUAL_TUNINGS = (
    ("standard", (0,), 0.6),
    ("half-step-down", (0,), 0.09),
    ("drop-d", (0,), 0.08),
    ("dadgad", (0,), 0.04),
    ("open-g", (0,), 0.03),
    ("open-d", (0,), 0.03),
    ("whole-step-down", (0,), 0.03),
    ("standard", (1, 2, 3, 4, 5), 0.1),
)
"""Tuning, frets of the capo, and the share of guitars, where nobody says how the guitar is strung
(common practice, no source)."""

_MAX_LENGTH_SEC = 1.5
_RINGS_SEC = 0.05  # a note that sounds this far past another's onset rings over it
_DRONE_STRIKES = 8  # strikes from which a ringing pitch is a drone in full
_WEIGHTS = {"long": 1.25, "ring": 1.15, "below": -2.0, "lowest": 0.45, "drone": 1.0, "chords": 0.45}


@dataclass(frozen=True)
class Tuned:
    """Notes, the tuning they are named by (-100 to 100 cents), and what is doubtful about it.

    ``doubt`` is set where the tuning lies about half way between two semitones. ``talk`` holds the
    first and last second of stretches of talk, ``echo_sec`` the delay of an echo, None without one.
    """

    notes: tuple[Note, ...]
    offset_cents: float
    doubt: Remark | None = None
    talk: tuple[tuple[float, float], ...] = ()
    echo_sec: float | None = None


def find_tuned_notes(
    y: ArrayLike,
    *,
    sr: int,
    instrument: Instrument | None = None,
    tuning_known: bool = True,
    progress: Callable[[str, float], None] | None = None,
    weights: Path = WEIGHTS,
    keep_echo: bool = False,
) -> Tuned:
    """Notes of a recording whose tuning in cents is not known: it is measured first.

    Within 40 cents of A4 = 440 Hz the nearest semitone is meant. Beyond, both readings are held
    against the open strings of ``instrument``, and of two that fit as well the one that is less
    out of tune is taken. ``tuning_known`` is False where ``instrument`` is only taken for
    granted: the open strings of other usual tunings then count as well, as they do without an
    instrument. ``keep_echo`` writes the copies of an echo as notes.

    Other parameters, and the errors, are those of `find_notes` and
    `transcribe.audio.tuning_offset_cents`.
    """
    from transcribe.audio import tuning_offset_cents

    def find(offset_cents: float) -> NotesAndTalk:
        return find_notes_and_talk(
            y,
            sr=sr,
            offset_cents=offset_cents,
            instrument=instrument,
            progress=progress,
            weights=weights,
            keep_echo=keep_echo,
        )

    offset = tuning_offset_cents(y, sr=sr)
    found = find(offset)
    notes = found.notes
    if abs(offset) < _ASK_FROM_CENTS or not notes:
        return Tuned(notes, offset, None, found.talk, found.echo_sec)
    strings = instrument or Instrument()
    known = strings if tuning_known and instrument is not None else None
    step = 1 if offset > 0 else -1
    other = offset - 100.0 * step
    spread = 2.0 * _USUAL_CENTS**2
    gain = _fit(notes, known, step) - _fit(notes, known, 0) + (offset**2 - other**2) / spread
    if gain > 0:
        offset, step = other, -step
        found = find(offset)
    doubtful = abs(gain) < _SURE_NATS
    doubt = _half_way(offset, step, strings) if doubtful else None
    return Tuned(found.notes, offset, doubt, found.talk, found.echo_sec)


def _fit(notes: Sequence[Note], known: Instrument | None, shift: int) -> float:
    """Nats for the notes ``shift`` semitones higher on the known strings, or on the usual ones."""
    if known is not None:
        return open_string_evidence(notes, known, shift=shift)
    each = [
        np.log(share / len(capos))
        + open_string_evidence(notes, Instrument(TUNINGS[name], capo=capo), shift=shift)
        for name, capos, share in _USUAL_TUNINGS
        for capo in capos
    ]
    return float(np.logaddexp.reduce(each))


def open_string_evidence(notes: Sequence[Note], instrument: Instrument, *, shift: int = 0) -> float:
    """How well ``notes``, ``shift`` semitones higher, lie on the open strings of ``instrument``,
    in nats; only the difference between two shifts means anything. 0 without pitched notes."""
    pitched = [n for n in notes if n.articulation not in ("dead", "harmonic")]
    if not pitched:
        return 0.0
    strings = np.array(instrument.open_midi) + instrument.capo
    onset = np.array([n.onset_sec for n in pitched])
    offset = np.array([n.offset_sec for n in pitched])
    pitch = np.array([n.pitch_midi for n in pitched]) + shift
    is_open = np.isin(pitch, strings)
    rings = _ring_over(onset, offset, pitch)
    length = np.clip(offset - onset, 0.01, _MAX_LENGTH_SEC)
    held = pitch[rings & is_open]
    commonest = int(np.unique(held, return_counts=True)[1].max()) if held.size else 0
    found = {
        "long": float(np.average(is_open, weights=length)),
        "ring": float(np.mean(is_open & rings)),
        "below": min(2.0, float(np.count_nonzero(pitch < strings.min()))),
        "lowest": float(pitch.min() in strings),
        "drone": min(1.0, commonest / _DRONE_STRIKES),
        "chords": _open_chords(onset, is_open),
    }
    return sum(_WEIGHTS[name] * value for name, value in found.items())


def _ring_over(onset: np.ndarray, offset: np.ndarray, pitch: np.ndarray) -> np.ndarray:
    """Which notes sound on while another pitch is struck, (n,)."""
    order = np.sort(onset)
    first = np.searchsorted(order, onset + _RINGS_SEC)
    last = np.searchsorted(order, offset - _RINGS_SEC)
    rings = last > first
    for i in np.flatnonzero(rings):
        inside = (onset > onset[i] + _RINGS_SEC) & (onset < offset[i] - _RINGS_SEC)
        rings[i] = bool((pitch[inside] != pitch[i]).any())
    return rings


def _open_chords(onset: np.ndarray, is_open: np.ndarray) -> float:
    """Share of chords of three and more notes that hold an open string; 0 for under three."""
    chords: list[list[int]] = []
    for i in np.argsort(onset, kind="stable").tolist():
        if chords and onset[i] - onset[chords[-1][0]] < STROKE_SEC:
            chords[-1].append(i)
        else:
            chords.append([i])
    full = [bool(is_open[chord].any()) for chord in chords if len(chord) >= 3]
    return sum(full) / len(full) if len(full) >= 3 else 0.0


def _half_way(offset_cents: float, step: int, instrument: Instrument) -> Remark:
    """What a player should know; ``step`` is the way to the other reading, in semitones."""
    facts = {
        "offset_cents": round(offset_cents, 1),
        "other_is_below": step > 0,
        "other_open_midi": [midi - step for midi in instrument.open_midi],
    }
    return Remark("tuning-half-way", facts)
