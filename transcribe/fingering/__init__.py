"""Where on the neck a hand plays the notes, why there, and what the player corrects."""

from transcribe.correct.pins import (
    pin,
    pins_from_tab,
    refinger,
    repeats_of,
    resolve,
    unpin,
)
from transcribe.drone import find_drone
from transcribe.fingering.alternatives import alternatives
from transcribe.fingering.explain import explain, places
from transcribe.fingering.hand import HANDS, Hand, hand_of
from transcribe.fingering.plan import Unmet
from transcribe.fingering.solver import Fingering, apply, pins_of, solve, unmet_sentences
from transcribe.fingering.tuning_guess import InstrumentGuess, instrument_guess

__all__ = [
    "HANDS",
    "Fingering",
    "Hand",
    "InstrumentGuess",
    "Unmet",
    "alternatives",
    "apply",
    "explain",
    "find_drone",
    "hand_of",
    "instrument_guess",
    "pin",
    "pins_from_tab",
    "pins_of",
    "places",
    "refinger",
    "repeats_of",
    "resolve",
    "solve",
    "unmet_sentences",
    "unpin",
]
