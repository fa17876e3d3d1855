"""The theory of a riff: mode, chords, loop and ways to play them.

It stands alone: plain arrays in, small frozen dataclasses out. Conventions: times in seconds
(``_sec``), pitch in MIDI numbers (60 = C4), string 1 is the highest-sounding string, lists of
strings run from string 1, frets count from the capo. Errors are `TheoryError`.
"""

from __future__ import annotations

from theory.chord_spans import ChordSpan, find_chords
from theory.chord_symbols import KINDS, Chord, chord_tones, name_chord, parse_chord
from theory.errors import TheoryError
from theory.loop import Loop, find_loop
from theory.mode_finder import find_mode
from theory.mode_reasons import sureness, sureness_level
from theory.modes import Candidate, Degree, Mode, mode_of
from theory.neck import Neck
from theory.piece import PartNotes, PartTheory, Piece, piece
from theory.roman_numerals import borrowed_from, is_diatonic, roman_numeral
from theory.scale_on_neck import NeckNote, neck_text, scale_in_position, scale_on_string
from theory.scales import MODES, scale_notes
from theory.shapes import Shape
from theory.theory_report import Report, report
from theory.voicing_levels import VoicingLevels, voicings_by_level
from theory.voicing_search import (
    CapoPlan,
    capo_plans,
    drone_shapes,
    power_shapes,
    transpose,
    voicings,
)

__all__ = [
    "KINDS",
    "MODES",
    "Candidate",
    "CapoPlan",
    "Chord",
    "ChordSpan",
    "Degree",
    "Loop",
    "Mode",
    "Neck",
    "NeckNote",
    "PartNotes",
    "PartTheory",
    "Piece",
    "Report",
    "Shape",
    "TheoryError",
    "VoicingLevels",
    "borrowed_from",
    "capo_plans",
    "chord_tones",
    "drone_shapes",
    "find_chords",
    "find_loop",
    "find_mode",
    "is_diatonic",
    "mode_of",
    "name_chord",
    "neck_text",
    "parse_chord",
    "piece",
    "power_shapes",
    "report",
    "roman_numeral",
    "scale_in_position",
    "scale_notes",
    "scale_on_string",
    "sureness",
    "sureness_level",
    "transpose",
    "voicings",
    "voicings_by_level",
]
