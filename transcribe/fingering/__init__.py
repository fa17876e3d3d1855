"""Where on the neck a hand plays the notes, why there, and what the player corrects."""

from transcribe.fingering.corrections import (
    can_redo,
    can_undo,
    pin,
    pins_of,
    redo,
    repeats_of,
    resolve,
    undo,
    unpin,
)
from transcribe.fingering.drone import find_drone
from transcribe.fingering.hand import HANDS, Hand
from transcribe.fingering.plan import Unmet
from transcribe.fingering.solver import Fingering, apply, solve

__all__ = [
    "HANDS",
    "Fingering",
    "Hand",
    "Unmet",
    "apply",
    "can_redo",
    "can_undo",
    "find_drone",
    "pin",
    "pins_of",
    "redo",
    "repeats_of",
    "resolve",
    "solve",
    "undo",
    "unpin",
]
