"""Invented phrases, played as guitarists play: string by string, so that a string sounds one note.

Every phrase is drawn from a seeded generator; nothing here makes sound. `make_score` draws one;
the modules write the kinds (`melodies`, `drones`, `chords`) and play them (`performance`). The
chord shapes, tunings and ways of playing are common practice, no source.
"""

from __future__ import annotations

from transcribe.training.phrases.make import KINDS, make_instrument_for, make_score
from transcribe.training.phrases.setting import MODES, PlayedNote, Score

__all__ = ["KINDS", "MODES", "PlayedNote", "Score", "make_instrument_for", "make_score"]
