"""Six invented riffs of a guitar class in a boathouse, as the shipped takes play them.

Conventions: a riff is written in cells; a cell lists notes as ``beat length string/fret`` with a
mark for how the note is played (h hammer-on, p pull-off, s slide, v vibrato; none picked) and
``~`` as the length of a note that rings until its string is struck again. Frets count from the
capo; string 1 is the highest. A beat is one unit of the meter's denominator.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from transcribe.core.errors import ParameterError
from transcribe.core.instrument import TUNINGS
from transcribe.training.rough import Rough

__all__ = ["RIFFS", "CellNote", "WrittenRiff", "over_drone", "read_cell", "strokes"]

_MARKS = {"": "picked", "h": "hammer-on", "p": "pull-off", "s": "slide", "v": "vibrato"}


@dataclass(frozen=True, slots=True)
class CellNote:
    """A note of a cell; ``length`` None rings on. ``delay_sec`` is the stroke's own delay."""

    beat: float
    length: float | None
    string: int
    fret: int
    articulation: str = "picked"
    delay_sec: float = 0.0
    velocity: float = 0.75


@dataclass(frozen=True, slots=True)
class WrittenRiff:
    """A riff on paper, and how its take is recorded.

    ``cells`` by label; ``form`` their order; ``chords`` the loop, one symbol and roman numeral
    per bar (none for riffs over a drone and for single lines, which claim no loop).
    """

    name: str
    about: str
    bpm: float
    meter: tuple[int, int]
    tonic: str
    mode: str
    parent: str
    degrees: str
    cells: Mapping[str, tuple[CellNote, ...]]
    cell_beats: float
    form: str
    ending: tuple[CellNote, ...]
    rough: Rough
    file: str
    seed: int
    capo: int = 0
    open_midi: tuple[int, ...] = TUNINGS["standard"]
    offset_cents: float = 0.0
    drone_string: int | None = None
    chords: tuple[tuple[str, str], ...] = ()
    rate: int = 22050


def read_cell(text: str, *, velocity: float = 0.75) -> tuple[CellNote, ...]:
    """The notes of a cell written as text, in the order of their beats.

    Raises
    ------
    ParameterError
        If a note is not ``beat length string/fret`` with an optional mark.
    """
    notes = []
    for item in text.replace("\n", ",").split(","):
        if not item.strip():
            continue
        try:
            beat, length, place = item.split()
            string, fret = place.rstrip("hpsv").split("/")
            mark = place[len(place.rstrip("hpsv")) :]
            notes.append(
                CellNote(
                    float(beat),
                    None if length == "~" else float(length),
                    int(string),
                    int(fret),
                    _MARKS[mark],
                    velocity=velocity,
                )
            )
        except (ValueError, KeyError):
            raise ParameterError(
                f"{item.strip()!r} is not a note of a cell; write beat length string/fret"
            ) from None
    return tuple(sorted(notes, key=lambda n: (n.beat, -n.string)))


def over_drone(melody: str, string: int, beats: str) -> tuple[CellNote, ...]:
    """A melody with an open string struck on ``beats``; the lower string sounds first."""
    notes = []
    struck = {float(beat) for beat in beats.split()}
    for note in read_cell(melody):
        lower = note.string < string
        late = 0.009 if lower and note.beat in struck else 0.0
        notes.append(
            CellNote(note.beat, note.length, note.string, note.fret, note.articulation, late, 0.8)
        )
    notes += [CellNote(beat, None, string, 0, velocity=0.66) for beat in struck]
    return tuple(sorted(notes, key=lambda n: (n.beat, -n.string)))


def strokes(shape: str, marks: str, start: float = 0.0) -> tuple[CellNote, ...]:
    """A bar of strums on ``shape`` (frets of strings 6 to 1), an eighth for each of ``marks``.

    D is a stroke down, U one up, . nothing.
    """
    chord = [(6 - i, int(c)) for i, c in enumerate(shape) if c != "x"]
    notes = []
    for i, mark in enumerate(marks):
        if mark == ".":
            continue
        order = chord if mark == "D" else chord[::-1][:4]
        step = 0.024 / max(1, len(order) - 1) if mark == "D" else 0.005
        loud = (0.8 if i % 4 == 0 else 0.68) if mark == "D" else 0.55
        for k, (string, fret) in enumerate(order):
            notes.append(
                CellNote(start + i / 2, None, string, fret, "picked", k * step, loud - 0.02 * k)
            )
    return tuple(notes)


def _picked(shape: str, order: str, start: float) -> tuple[CellNote, ...]:
    """A bar picked in eighths over ``shape``: ``order`` names the strings; all ring on."""
    fret = {6 - i: int(c) for i, c in enumerate(shape) if c != "x"}
    return tuple(
        CellNote(start + i / 2, None, int(s), fret[int(s)], velocity=0.8 if i == 0 else 0.66)
        for i, s in enumerate(order)
    )


_MOORING = WrittenRiff(
    name="mooring",
    about="a drone on the open A string, struck together with a melody on the D string",
    bpm=114.0,
    meter=(4, 4),
    tonic="A",
    mode="dorian",
    parent="G major",
    degrees="C natural makes the third minor, F sharp makes the sixth major, G the seventh minor",
    cells={
        "A": over_drone(
            """0 1 4/7, 1 .5 4/9, 1.5 .5 4/10, 2 .5 4/9, 2.5 .5 4/7, 3 1 4/5
            4 1 4/4, 5 .5 4/5, 5.5 .5 4/7, 6 2 4/7""",
            5,
            "0 1 2 3 4 5 6",
        ),
        "B": over_drone(
            """0 1 4/10, 1 .5 4/12, 1.5 .5 4/10p, 2 1 4/9, 3 .5 4/7, 3.5 .5 4/5
            4 .5 4/4, 4.5 .5 4/5h, 5 .5 4/4, 5.5 .5 4/2, 6 2 4/2""",
            5,
            "0 1 2 3 4 5 6",
        ),
    },
    cell_beats=8.0,
    form="AABA",
    ending=(CellNote(0.0, 2.0, 5, 0, velocity=0.7), CellNote(0.0, 2.0, 4, 7, "picked", 0.011, 0.7)),
    rough=Rough(
        reverb_sec=0.55, reverb_wet=0.28, eq_db=2.0, snr_db=31.0, noise_slope=-4.0, level_db=-6.0
    ),
    file="mooring.ogg",
    seed=11,
    offset_cents=6.0,
    drone_string=5,
)

_SLACK_WATER = WrittenRiff(
    name="slack-water",
    about="a drone on the open D string, struck twice a bar and let ring under the G string",
    bpm=78.0,
    meter=(4, 4),
    tonic="D",
    mode="lydian",
    parent="A major",
    degrees="G sharp raises the fourth, F sharp makes the third major, C sharp the seventh major",
    cells={
        "A": over_drone(
            """0 1.5 3/7, 1.5 .5 3/9h, 2 1 3/11, 3 .5 3/9, 3.5 .5 3/7p
            4 1 3/6, 5 .5 3/4, 5.5 .5 3/2p, 6 1.5 3/1, 7.5 .5 3/2h""",
            4,
            "0 2 4 6",
        ),
        "B": over_drone(
            """0 1 3/1, 1 1 3/2h, 2 .5 3/4, 2.5 .5 3/6h, 3 1 3/7
            4 1 3/11, 5 .5 3/9, 5.5 .5 3/7p, 6 2 3/7""",
            4,
            "0 2 4 6",
        ),
    },
    cell_beats=8.0,
    form="AAB",
    ending=(),
    rough=Rough(
        reverb_sec=0.8,
        reverb_wet=0.35,
        eq_db=2.5,
        snr_db=27.0,
        noise_slope=-5.0,
        hum_hz=50.0,
        hum_db=-38.0,
        compress=5.0,
        level_db=-4.0,
    ),
    file="slack-water.m4a",
    seed=12,
    offset_cents=-11.0,
    drone_string=4,
    rate=44100,
)

_GANGPLANK = WrittenRiff(
    name="gangplank",
    about="a single line from the open low string, with hammer-ons, pull-offs and slides",
    bpm=124.0,
    meter=(4, 4),
    tonic="E",
    mode="phrygian",
    parent="C major",
    degrees="F natural lowers the second, G the third, C the sixth and D the seventh",
    cells={
        "A": read_cell(
            """0 1 6/0, 1 .5 5/7, 1.5 .5 5/8h, 2 .5 5/7p, 2.5 .5 4/5, 3 1 4/7h
            4 .5 4/9s, 4.5 .5 4/7p, 5 .5 4/5p, 5.5 .5 5/8, 6 2 5/7p"""
        ),
        "B": read_cell(
            """0 .5 3/9, .5 .5 3/7p, 1 1 3/5p, 2 .5 4/9, 2.5 .5 4/10h, 3 1 4/9p
            4 .5 4/7, 4.5 .5 4/5p, 5 .5 5/8, 5.5 .5 5/5p, 6 2 5/7s"""
        ),
    },
    cell_beats=8.0,
    form="AABA",
    ending=(),
    rough=Rough(
        reverb_sec=0.35, reverb_wet=0.2, eq_db=2.0, snr_db=33.0, noise_slope=-3.0, level_db=-9.0
    ),
    file="gangplank.flac",
    seed=13,
    offset_cents=2.0,
)

_TIDE_TABLE = WrittenRiff(
    name="tide-table",
    about="chords picked string by string in three time, capo at fret 2, everything ringing",
    bpm=126.0,
    meter=(3, 4),
    tonic="F#",
    mode="aeolian",
    parent="A major",
    degrees="A natural makes the third minor, D the sixth, E the seventh; G sharp the second major",
    cells={
        "A": (
            *_picked("022000", "643234", 0.0),
            *_picked("x32010", "543234", 3.0),
            *_picked("320003", "643234", 6.0),
            *_picked("xx0232", "432123", 9.0),
        )
    },
    cell_beats=12.0,
    form="AAA",
    ending=tuple(
        CellNote(0.0, 4.0, s, f, "picked", 0.018 * i, 0.7)
        for i, (s, f) in enumerate([(6, 0), (4, 2), (3, 0), (2, 0)])
    ),
    rough=Rough(
        reverb_sec=0.6,
        reverb_wet=0.25,
        eq_db=2.0,
        band_hz=(90.0, 7500.0),
        snr_db=29.0,
        noise_slope=-2.0,
        level_db=-7.0,
    ),
    file="tide-table.ogg",
    seed=14,
    capo=2,
    offset_cents=-4.0,
    chords=(("F#m", "i"), ("D", "VI"), ("A", "III"), ("E", "VII")),
)

_ROPE_WALK = WrittenRiff(
    name="rope-walk",
    about="four bars of strummed chords, played twice, the whole guitar a third of a semitone flat",
    bpm=118.0,
    meter=(4, 4),
    tonic="C",
    mode="ionian",
    parent="C major",
    degrees="E makes the third major, F the fourth perfect, B the seventh major",
    cells={
        "A": (
            *strokes("x32010", "D.DU.UDU", 0.0),
            *strokes("320003", "D.DU.UDU", 4.0),
            *strokes("x02210", "D.DU.UDU", 8.0),
            *strokes("133211", "D.DU.UD.", 12.0),
        )
    },
    cell_beats=16.0,
    form="AA",
    ending=tuple(
        CellNote(0.0, 3.0, s, f, "picked", 0.012 * i, 0.75)
        for i, (s, f) in enumerate([(5, 3), (4, 2), (3, 0), (2, 1), (1, 0)])
    ),
    rough=Rough(
        reverb_sec=0.5,
        reverb_wet=0.3,
        eq_db=2.5,
        snr_db=26.0,
        noise_slope=-4.0,
        compress=6.0,
        level_db=-3.0,
    ),
    file="rope-walk.ogg",
    seed=15,
    offset_cents=-33.0,
    chords=(("C", "I"), ("G", "V"), ("Am", "vi"), ("F", "IV")),
)


def _alternating(frets: str) -> tuple[CellNote, ...]:
    """Eighths that alternate: the open G string, then the next fret on the B string."""
    notes = []
    for i, fret in enumerate(frets.split()):
        notes.append(CellNote(float(i), None, 3, 0, velocity=0.68))
        notes.append(CellNote(i + 0.5, 1.0, 2, int(fret), velocity=0.78))
    return tuple(notes)


_LANTERN = WrittenRiff(
    name="lantern",
    about="the open G string and a melody on the B string, struck in turn",
    bpm=122.0,
    meter=(4, 4),
    tonic="G",
    mode="mixolydian",
    parent="C major",
    degrees="B natural makes the third major, F natural makes the seventh minor",
    cells={
        "A": _alternating("8 6 5 3 1 0 1 3"),
        "B": _alternating("12 10 8 10 6 5 6 8"),
    },
    cell_beats=8.0,
    form="AABA",
    ending=(CellNote(0.0, 3.0, 3, 0, velocity=0.7), CellNote(0.0, 3.0, 2, 8, "picked", 0.01, 0.7)),
    rough=Rough(
        reverb_sec=0.45,
        reverb_wet=0.25,
        eq_db=2.0,
        snr_db=28.0,
        noise_slope=-3.0,
        hum_hz=50.0,
        hum_db=-42.0,
        knocks=0.3,
        level_db=-8.0,
    ),
    file="lantern.ogg",
    seed=16,
    offset_cents=9.0,
    drone_string=3,
)

RIFFS: Mapping[str, WrittenRiff] = MappingProxyType(
    {
        riff.name: riff
        for riff in (_MOORING, _SLACK_WATER, _GANGPLANK, _TIDE_TABLE, _ROPE_WALK, _LANTERN)
    }
)
"""The riffs by name."""
