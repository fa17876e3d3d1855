"""How each note is played, and how far a bend goes.

Conventions: articulations are named as in `riff.ARTICULATIONS`; bends in cents above the fretted
pitch. The network says at every frame how a note that has just begun is played; here its answers
over the first quarter of a second are put together, and what the hand cannot do is ruled out: a
hammer-on needs a lower note to come from, a pull-off a higher one, a slide either.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

import numpy as np

from transcribe.core.pitch import PARTIAL_SEMITONES
from transcribe.core.riff import ARTICULATIONS, LEGATO, Bend, Instrument
from transcribe.notes.network import FIRST_MIDI, Activations
from transcribe.notes.note_decoding import FRAME_SEC, DetectedNote

__all__ = ["LEANS", "articulations", "bend_cents", "heard_bend"]

_FRAMES = (-1, 10)
_GAP_SEC = 0.12  # between a legato note's onset and the end of the note it comes from, either way
_WIDEST = 12  # semitones from a note to the one it carries on from
_SMALLEST_BEND = 20.0  # cents; less is a hand that presses hard
_TOP_FRAMES = 3
_RELEASED_SHARE = 0.5  # of a bend's top, at its end; those that are held keep 0.8, on renderings
_HARMONICS = PARTIAL_SEMITONES[1:6]  # of an open string, partials 2 to 6

LEANS: Mapping[str, float] = MappingProxyType(
    {
        "picked": 0.0,
        "hammer-on": -2.75,
        "pull-off": -1.25,
        "slide": -0.75,
        "bend": -1.75,
        "vibrato": -2.0,
        "harmonic": 0.0,
        "dead": -0.25,
    }
)
"""Added to the logits: training shows the rare articulations as commoner than they are.
Set by ``transcribe.training.fit_articulation``, except that nothing rare is leaned towards: on
rendered phrases 1 for harmonics and 0.5 for dead notes would be better still, but players play both
more rarely than those phrases do."""


def articulations(
    found: Sequence[DetectedNote],
    activations: Activations,
    *,
    instrument: Instrument | None = None,
    leans: Mapping[str, float] = LEANS,
) -> list[str]:
    """Articulation of every note of ``found``, in its order.

    With an ``instrument``, a natural harmonic needs an open string that has it.
    """
    harmonics = None
    if instrument is not None:
        harmonics = {
            midi + instrument.capo + step for midi in instrument.open_midi for step in _HARMONICS
        }
    lean = np.array([leans[name] for name in ARTICULATIONS])
    out = []
    for note in found:
        first = max(0, note.frame + _FRAMES[0])
        last = max(note.frame + 2, min(note.frame + _FRAMES[1], note.last_frame))
        near = activations.articulation[first:last, note.pitch_midi - FIRST_MIDI].astype(np.float32)
        scores = near.mean(axis=0) + lean
        for k in np.argsort(-scores):
            name = ARTICULATIONS[int(k)]
            if name in LEGATO and not _has_source(note, found, name):
                continue
            if name == "harmonic" and harmonics is not None and note.pitch_midi not in harmonics:
                continue
            if name == "bend" and bend_cents(note, activations) < _SMALLEST_BEND:
                continue
            out.append(name)
            break
    return out


def bend_cents(note: DetectedNote, activations: Activations) -> float:
    """How far a note is bent at its furthest: the mean of its highest frames."""
    curve = _bend_curve(note, activations)
    if curve.size == 0:
        return 0.0
    return 100.0 * float(np.sort(curve)[-_TOP_FRAMES:].mean())


def heard_bend(note: DetectedNote, activations: Activations) -> Bend:
    """The bend of a note: its size, and whether the string is let back down while it sounds."""
    cents, curve = bend_cents(note, activations), _bend_curve(note, activations)
    end = 100.0 * float(curve[-_TOP_FRAMES:].mean()) if len(curve) >= 2 * _TOP_FRAMES else cents
    return Bend(cents=round(cents, 1), released=end < _RELEASED_SHARE * cents)


def _bend_curve(note: DetectedNote, activations: Activations) -> np.ndarray:
    return activations.bend[note.frame : note.last_frame + 1, note.pitch_midi - FIRST_MIDI]


def _has_source(note: DetectedNote, found: Sequence[DetectedNote], name: str) -> bool:
    for other in found:
        step = note.pitch_midi - other.pitch_midi
        if step == 0 or abs(step) > _WIDEST:
            continue
        if (name == "hammer-on" and step < 0) or (name == "pull-off" and step > 0):
            continue
        since = note.onset_sec - other.onset_sec
        # A string sounds one note, so the one before it ends where this one begins.
        ends = abs(other.offset_sec - note.onset_sec) <= _GAP_SEC
        if since >= 2 * FRAME_SEC and ends:
            return True
    return False
