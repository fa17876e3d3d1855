"""From a recording to notes.

Conventions: audio is mono float, times in seconds, pitch in MIDI numbers (69 = A4 = 440 Hz).
"""

from __future__ import annotations

from transcribe.notes.features import SR
from transcribe.notes.find import find_notes
from transcribe.notes.segments import find_segments
from transcribe.notes.semitone import Tuned, find_tuned_notes

__all__ = ["SR", "Tuned", "find_notes", "find_segments", "find_tuned_notes"]
