"""Guesses the tuning from the notes and the tuning offset, where something speaks for another.

A guess is made only where the tuning at hand cannot be right (a note lies below its lowest
string) or where the whole riff plainly lies easier a small step down; otherwise the tuning
stays, because pitches alone rarely tell one tuning from another.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

from transcribe.instrument import TUNINGS, pitch_name, tuning_name
from transcribe.riff import Instrument, Note

__all__ = ["InstrumentGuess", "instrument_guess"]

_LOWER = {
    "standard": (
        "drop-d",
        "half-step-down",
        "whole-step-down",
        "drop-c",
        "7-string",
        "baritone",
    ),
    "half-step-down": ("whole-step-down", "drop-c", "7-string", "baritone"),
    "bass": ("bass-5",),
}
_MIN_NOTES = 12
_MIN_CONFIDENCE = 0.6


@dataclass(frozen=True, slots=True)
class InstrumentGuess:
    """Another instrument than the one at hand, and the sentence that says why."""

    instrument: Instrument
    name: str
    reason: str


def instrument_guess(
    notes: Sequence[Note], offset_cents: float, instrument: Instrument
) -> InstrumentGuess | None:
    """Another tuning of ``instrument`` that the notes speak for; None where nothing does.

    ``offset_cents`` is how far the recording lies above A4 = 440 Hz. Only notes that are heard
    surely (confidence of 0.6 or more) count; one sure note below the lowest string is enough
    when it comes at least twice or lasts a quarter of a second.
    """
    name = tuning_name(instrument.open_midi)
    if name not in _LOWER or instrument.capo:
        return None
    sure = [n for n in notes if n.confidence >= _MIN_CONFIDENCE]
    lowest = min(instrument.open_midi)
    below = [n for n in sure if n.pitch_midi < lowest]
    weight = sum(1 + int(n.offset_sec - n.onset_sec >= 0.25) for n in below)
    if weight >= 2:
        return _below(name, below, sure, instrument)
    if name == "standard" and not below:
        return _half_step(sure, offset_cents, instrument)
    return None


def _below(
    name: str, below: Sequence[Note], sure: Sequence[Note], instrument: Instrument
) -> InstrumentGuess | None:
    deepest = min(n.pitch_midi for n in below)
    pitches = [n.pitch_midi for n in sure]
    fits = [
        other
        for other in _LOWER[name]
        if min(TUNINGS[other]) <= deepest and max(pitches) <= max(TUNINGS[other]) + instrument.frets
    ]
    if not fits:
        return None
    # The open strings that the riff leans on tell tunings of one depth apart.
    best = max(fits, key=lambda other: (_open_share(pitches, other), -_LOWER[name].index(other)))
    if min(TUNINGS[fits[0]]) == deepest:
        best = fits[0]
    many = "1 note lies" if len(below) == 1 else f"{len(below)} notes lie"
    reason = (
        f"the tuning is guessed to be {best}: {many} below {pitch_name(min(instrument.open_midi))},"
        f" the lowest string of {name}, down to {pitch_name(deepest)}; give the tuning if it is "
        "another"
    )
    return InstrumentGuess(_retuned(instrument, best), best, reason)


def _half_step(
    sure: Sequence[Note], offset_cents: float, instrument: Instrument
) -> InstrumentGuess | None:
    """Half a step down: the riff leans on those open strings and never on the standard ones."""
    pitches = [n.pitch_midi for n in sure]
    if len(pitches) < _MIN_NOTES:
        return None
    here, down = _open_share(pitches, "standard"), _open_share(pitches, "half-step-down")
    bass = {TUNINGS["half-step-down"][s] for s in (3, 4, 5)}
    low = sum(p in bass for p in pitches) / len(pitches)
    if down < 0.5 or down < here + 0.35 or low < 0.2:
        return None
    aside = ""
    if offset_cents <= -25.0:
        aside = f" and the recording lies {-offset_cents:.0f} cents flat"
    reason = (
        f"the tuning is guessed to be half-step-down: {100 * down:.0f} % of the notes are its open "
        f"strings against {100 * here:.0f} % in standard{aside}; give the tuning if it is another"
    )
    return InstrumentGuess(_retuned(instrument, "half-step-down"), "half-step-down", reason)


def _open_share(pitches: Sequence[int], name: str) -> float:
    strings = set(TUNINGS[name])
    return sum(p in strings for p in pitches) / max(1, len(pitches))


def _retuned(instrument: Instrument, name: str) -> Instrument:
    from transcribe.instrument import make_instrument

    usual = make_instrument(name)
    same = tuning_name(instrument.open_midi) in TUNINGS and instrument.scale_length_mm != 648.0
    return dataclasses.replace(
        instrument,
        open_midi=usual.open_midi,
        scale_length_mm=instrument.scale_length_mm if same else usual.scale_length_mm,
    )
