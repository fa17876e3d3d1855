"""Tempo, beats, meter, note values and phrases of a riff.

`find_rhythm` is the way in: it takes notes in seconds and gives the `Rhythm` of the document and
the notes with their score times.
"""

from transcribe.rhythm.find_rhythm import METERS, find_rhythm

__all__ = ["METERS", "find_rhythm"]
