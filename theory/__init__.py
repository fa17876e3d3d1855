"""The theory of a riff: mode, chords, loop and ways to play them.

A library of its own: plain arrays in, small frozen dataclasses out. Conventions: times in seconds
(``_sec``), pitch in MIDI numbers (60 = C4), string 1 is the highest-sounding string, lists of
strings run from string 1, frets count from the capo. Errors are `TheoryError`.
"""

from __future__ import annotations

from theory.chords import ChordSpan, find_chords
from theory.errors import TheoryError
from theory.kinds import KINDS, Chord, chord_tones, name_chord, parse_chord
from theory.loop import Loop, find_loop
from theory.modes import Candidate, Degree, Mode, find_mode, mode_of
from theory.neck import NeckNote, neck_svg, neck_text, scale_in_position, scale_on_string
from theory.numerals import borrowed_from, is_diatonic, roman_numeral
from theory.report import Report, report
from theory.scales import MODES, scale_notes
from theory.shapes import Shape
from theory.voicings import CapoPlan, capo_plans, drone_shapes, power_shapes, transpose, voicings
from theory.ways import Ways, ways_to_play

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
    "NeckNote",
    "Report",
    "Shape",
    "TheoryError",
    "Ways",
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
    "neck_svg",
    "neck_text",
    "parse_chord",
    "power_shapes",
    "report",
    "roman_numeral",
    "scale_in_position",
    "scale_notes",
    "scale_on_string",
    "transpose",
    "voicings",
    "ways_to_play",
]
