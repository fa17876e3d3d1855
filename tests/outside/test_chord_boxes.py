"""Chord boxes as they are drawn, read back as frets, against a published table of chords.

Source: the npm package `@tombatossals/chords-db` 0.5.1 (MIT licence), `lib/guitar.json`: of each
chord the first position, its frets from string 6 to string 1, x for a string that is not played.
"""

from __future__ import annotations

from xml.etree import ElementTree

import pytest

from transcribe.core.lesson import Lesson, LessonPart
from transcribe.core.riff import Instrument, Note, Rhythm, Riff
from transcribe.lesson.handout_content import part_data, shown_parts
from transcribe.lesson.page_drawing import lesson_svg

pytest.importorskip("dukpy")

CHORDS_DB = {
    "C": "x32010",
    "C7": "x32310",
    "D": "xx0232",
    "Dm": "xx0231",
    "D7": "xx0212",
    "E": "022100",
    "Em": "022000",
    "E7": "020100",
    "F": "133211",
    "G": "320003",
    "G7": "320001",
    "A": "x02220",
    "Am": "x02210",
    "A7": "x02020",
    "B7": "x21202",
}
GUITAR = Instrument()


def strummed(frets: str) -> Riff:
    """Four bars of one chord."""
    notes = []
    for bar in range(4):
        for k, fret in enumerate(frets):
            if fret != "x":
                place = (6 - k, int(fret))
                start = 2.0 * bar
                notes.append(
                    Note(
                        id=len(notes) + 1,
                        onset_sec=start,
                        offset_sec=start + 1.9,
                        pitch_midi=GUITAR.pitch_midi(*place),
                        string=place[0],
                        fret=place[1],
                        onset_beat=4.0 * bar,
                        duration_beat=4.0,
                    )
                )
    beats = tuple(0.5 * k for k in range(17))
    rhythm = Rhythm(beats_sec=beats, bpm=120.0, meter=(4, 4), downbeats_sec=beats[::4])
    return Riff(notes=tuple(notes), rhythm=rhythm)


def frets_of(svg: str) -> str:
    """The frets that a chord box shows, by where its marks lie between its lines."""
    drawn = [
        (each.get("class", ""), each)
        for each in ElementTree.fromstring(svg).iter()
        if each.tag.endswith(("line", "circle", "text"))
    ]

    def at(each: ElementTree.Element, name: str) -> float:
        return float(each.get(name, "nan"))

    strings = sorted(at(each, "x1") for kind, each in drawn if kind == "string")
    lines = sorted(at(each, "y1") for kind, each in drawn if kind in ("nut", "fret"))
    assert [kind for kind, _ in drawn].count("nut") == 1  # so that the first fret is fret 1
    found = dict.fromkeys(strings, "?")
    for kind, each in drawn:
        if kind == "open":
            found[at(each, "cx")] = "0"
        elif kind == "stopped":
            found[at(each, "cx")] = str(sum(line < at(each, "cy") for line in lines))
        elif each.text == "×":
            found[at(each, "x")] = "x"
    return "".join(found[x] for x in strings)


def test_the_chord_boxes_are_those_of_the_table() -> None:
    lesson = Lesson("Chords", tuple(LessonPart(name, "", name) for name in CHORDS_DB))
    shown = shown_parts(lesson, [strummed(frets) for frets in CHORDS_DB.values()])
    parts = [part_data(part, riff) for part, riff in zip(lesson.parts, shown, strict=True)]
    grips = lesson_svg(parts, width_mm=222)["grips"]
    assert {grip["name"]: frets_of(grip["svg"]) for grip in grips} == CHORDS_DB
