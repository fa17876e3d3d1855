"""Guesses the tuning from the notes and the tuning offset, where something speaks for another.

A guess is made only where the tuning at hand cannot be right (a note lies below its lowest
string) or where the whole riff plainly lies easier a small step down: it leans on those open
strings, it has a drone on one of them and none in the tuning at hand, or its chords have notes
that find no string otherwise. Else the tuning stays, because pitches alone rarely tell one tuning
from another. A drone half a step down sounds the same as one on the next thicker string behind a
capo at fret 4; where that is so, the reason says it.
"""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from transcribe.core.instrument import TUNINGS, tuning_name
from transcribe.core.overtones import SURE_CONFIDENCE, likely_overtones
from transcribe.core.riff import Drone, Instrument, Note, Remark, sort_notes
from transcribe.core.strokes import STROKE_SEC
from transcribe.drone import find_drone
from transcribe.fingering.hand import Hand
from transcribe.fingering.plan import plan_onsets
from transcribe.fingering.solver import solver_for

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
_MIN_STRINGS = 4  # so many open strings have to come, each with this share of the notes
_MIN_OF_STRING = 0.05
_MIN_STRIKES = 4
_MIN_STRUCK = 0.12  # share of the strokes that the drone is struck with
_MIN_HELD = 0.9  # or share of the time that few strikes sound on, each so long
_MIN_HELD_SEC = 2.0
_MIN_BESIDE = 0.97  # share of the melody that the thinner string beside the drone carries
_MELODY_FRETS = 17
_MIN_STEPS = 0.25  # a figure through a chord has none; a melody along a string goes by step
_MAX_LEAPS = 0.5
_STEP, _LEAP = 2, 5  # semitones
_MIN_NOWHERE = 0.02  # share of the notes that find no string in the tuning at hand


@dataclass(frozen=True, slots=True)
class InstrumentGuess:
    """Another instrument than the one at hand, and what speaks for it."""

    instrument: Instrument
    name: str
    remark: Remark


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
    sure = [n for n in notes if n.confidence >= SURE_CONFIDENCE]
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
    facts = {
        "tuning": best,
        "sign": "notes-below",
        "count": len(below),
        "lowest_midi": min(instrument.open_midi),
        "deepest_midi": deepest,
        "instead_of": name,
    }
    return InstrumentGuess(_retuned(instrument, best), best, Remark("tuning-guessed", facts))


def _half_step(
    sure: Sequence[Note], offset_cents: float, instrument: Instrument
) -> InstrumentGuess | None:
    """Half a step down, where the open strings, a drone or the chords speak for it."""
    if len(sure) < _MIN_NOTES:
        return None
    down = _retuned(instrument, "half-step-down")
    why = _leans(sure) or _drones(sure, instrument, down) or _chords(sure, instrument, down)
    if why is None:
        return None
    name = "half-step-down"
    facts = {"tuning": name, **why}
    if offset_cents <= -25.0:
        facts["flat_cents"] = -offset_cents
    return InstrumentGuess(down, name, Remark("tuning-guessed", facts))


def _leans(sure: Sequence[Note]) -> dict[str, Any] | None:
    """The riff leans on the open strings half a step down and never on the standard ones."""
    pitches = [n.pitch_midi for n in sure]
    here, down = _open_share(pitches, "standard"), _open_share(pitches, "half-step-down")
    strings = TUNINGS["half-step-down"]
    low = sum(p in strings[3:] for p in pitches) / len(pitches)
    # Power chords at fret 4 sound three of these pitches, too.
    used = sum(pitches.count(p) >= _MIN_OF_STRING * len(pitches) for p in strings)
    if down < 0.5 or down < here + 0.35 or low < 0.2 or used < _MIN_STRINGS:
        return None
    return {"sign": "open-strings", "open_share": down, "standard_share": here}


def _drones(
    sure: Sequence[Note], instrument: Instrument, down: Instrument
) -> dict[str, Any] | None:
    """A drone that only half a step down is an open string, under a melody along one string."""
    notes = sort_notes(list(sure))
    if find_drone(notes, instrument) is not None:
        return None
    drone = find_drone(notes, down)
    if drone is None or not 1 < drone.string < len(down.open_midi):
        return None
    if not _is_plain(notes, drone, down):
        return None
    pitch = down.pitch_midi(drone.string, 0)
    struck = sum(n.pitch_midi == pitch for n in notes)
    return {"sign": "drone", "pitch_midi": pitch, "struck": struck}


def _is_plain(notes: Sequence[Note], drone: Drone, instrument: Instrument) -> bool:
    """Whether a drone is beyond doubt: struck often, under a line that one string can carry."""
    pitch = instrument.pitch_midi(drone.string, 0)
    inside = [n for n in notes if drone.start_sec - 0.06 <= n.onset_sec < drone.end_sec]
    overtones = likely_overtones(inside)
    melody = [n.pitch_midi for n in inside if n.pitch_midi != pitch and n.id not in overtones]
    struck = [n for n in inside if n.pitch_midi == pitch]
    strokes = 1 + sum(b.onset_sec - a.onset_sec > STROKE_SEC for a, b in itertools.pairwise(inside))
    often = len(struck) >= max(_MIN_STRIKES, _MIN_STRUCK * strokes)
    lengths = [n.offset_sec - n.onset_sec for n in struck]
    held = sum(lengths) >= _MIN_HELD * (drone.end_sec - drone.start_sec)
    held = held and min(lengths) >= _MIN_HELD_SEC and len(lengths) > 1
    if not (often or held):
        return False
    low = instrument.pitch_midi(drone.string - 1, 0)
    along = sum(low <= p <= low + _MELODY_FRETS for p in melody)
    steps = [abs(b - a) for a, b in itertools.pairwise(melody) if a != b]
    small, large = sum(s <= _STEP for s in steps), sum(s >= _LEAP for s in steps)
    line = small >= _MIN_STEPS * len(steps) and large <= _MAX_LEAPS * len(steps)
    return line and along >= _MIN_BESIDE * len(melody)


def _chords(
    sure: Sequence[Note], instrument: Instrument, down: Instrument
) -> dict[str, Any] | None:
    """Notes struck together want one string in standard, and find their own half a step down."""
    here, there = _nowhere(sure, instrument), _nowhere(sure, down)
    if here < max(3, _MIN_NOWHERE * len(sure)) or there > 0.1 * here:
        return None
    return {"sign": "chords", "standard_count": here, "count": there}


def _nowhere(notes: Sequence[Note], instrument: Instrument) -> int:
    """How many notes find no string beside those that begin with them."""
    chooser = solver_for(instrument, Hand()).chooser
    plan = plan_onsets(sort_notes(list(notes)), instrument, chooser, drone=None, pins={})
    return len(plan.unmet)


def _open_share(pitches: Sequence[int], name: str) -> float:
    strings = set(TUNINGS[name])
    return sum(p in strings for p in pitches) / max(1, len(pitches))


def _retuned(instrument: Instrument, name: str) -> Instrument:
    from transcribe.core.instrument import make_instrument

    usual = make_instrument(name)
    same = tuning_name(instrument.open_midi) in TUNINGS and instrument.scale_length_mm != 648.0
    return dataclasses.replace(
        instrument,
        open_midi=usual.open_midi,
        scale_length_mm=instrument.scale_length_mm if same else usual.scale_length_mm,
    )
