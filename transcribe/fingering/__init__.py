"""Where on the neck a hand plays the notes, and why there."""

from transcribe.drone import find_drone
from transcribe.fingering.alternatives import alternatives
from transcribe.fingering.explain import Choice, choices, explain, places
from transcribe.fingering.hand import Hand, hand_of
from transcribe.fingering.plan import Unmet
from transcribe.fingering.solver import Fingering, apply, pins_of, solve, unmet_remarks
from transcribe.fingering.tuning_guess import InstrumentGuess, instrument_guess

__all__ = [
    "Choice",
    "Fingering",
    "Hand",
    "InstrumentGuess",
    "Unmet",
    "alternatives",
    "apply",
    "choices",
    "explain",
    "find_drone",
    "hand_of",
    "instrument_guess",
    "pins_of",
    "places",
    "solve",
    "unmet_remarks",
]
