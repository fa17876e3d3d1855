"""MusicXML read back by music21, which shares no code with the writer.

Sources: music21 as second reader; the element order of MusicXML 4.0 (W3C Music Notation Community
Group, final report of June 2021), from memory of the specification's `note`, `attributes`,
`staff-details`, `barline` and `repeat` pages.
"""

from __future__ import annotations

import warnings
import xml.etree.ElementTree as ET
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from tests.formats.riffs import RIFFS, arpeggio_riff, drone_riff, looped_riff, make_riff
from transcribe.core.riff import Riff
from transcribe.formats.musicxml.write import write_musicxml

NOTE_ORDER = (
    "grace", "cue", "chord", "pitch", "unpitched", "rest", "duration", "tie", "instrument",
    "footnote", "level", "voice", "type", "dot", "accidental", "time-modification", "stem",
    "notehead", "notehead-text", "staff", "beam", "notations", "lyric", "play",
)  # fmt: skip
ATTRIBUTE_ORDER = (
    "divisions", "key", "time", "staves", "part-symbol", "instruments", "clef", "staff-details",
    "transpose",
)  # fmt: skip
DETAIL_ORDER = ("staff-type", "staff-lines", "line-detail", "staff-tuning", "capo", "staff-size")
HARMONY_ORDER = (
    "root", "numeral", "function", "kind", "inversion", "bass", "degree", "frame", "offset",
    "staff",
)  # fmt: skip


@cache
def _score(name: str) -> Any:
    import music21

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return music21.converter.parseData(
            write_musicxml(RIFFS[name]()).decode(), format="musicxml"
        )


def _sounding(part: Any) -> list[tuple[float, int, float]]:
    """(onset in quarters, MIDI pitch, quarters) of each note, ties joined."""
    out = []
    for element in part.stripTies().flatten().notes:
        if "ChordSymbol" in element.classes:
            continue
        for pitch in element.pitches:
            onset, length = float(element.offset), float(element.quarterLength)
            out.append((round(onset, 3), pitch.midi, round(length, 3)))
    return sorted(out)


def _known(riff: Riff) -> list[tuple[float, int]]:
    assert riff.rhythm is not None
    quarter = 4 / riff.rhythm.meter[1]
    lead = -min([0.0, *(n.onset_beat or 0.0 for n in riff.notes)])
    return sorted(
        (round(((n.onset_beat or 0.0) + lead) * quarter, 3), n.pitch_midi) for n in riff.notes
    )


@pytest.mark.parametrize("name", RIFFS)
@pytest.mark.parametrize("staff", [0, 1])
def test_music21_reads_the_same_notes_on_both_staves(name: str, staff: int) -> None:
    score = _score(name)
    assert len(score.parts) == 2
    found = [(onset, pitch) for onset, pitch, _ in _sounding(score.parts[staff])]
    assert found == _known(RIFFS[name]())


def test_music21_reads_the_same_values_where_nothing_overlaps() -> None:
    riff = drone_riff()
    found = [(pitch, length) for _, pitch, length in _sounding(_score("drone").parts[0])]
    known = [(n.pitch_midi, round(n.duration_beat or 0.0, 3)) for n in riff.notes]
    assert sorted(found) == sorted(known)


def _placed(part: Any) -> list[tuple[float, int, tuple[int, int]]]:
    """(onset in quarters, MIDI pitch, (string, fret)) of each note on the tablature."""
    found = []
    for element in part.flatten().notes:
        if element.tie is not None and element.tie.type in ("stop", "continue"):
            continue
        kinds: dict[str, list[int]] = {"StringIndication": [], "FretIndication": []}
        for mark in element.articulations:
            if type(mark).__name__ in kinds:
                kinds[type(mark).__name__].append(int(mark.number))
        pitches = [p.midi for p in element.pitches]
        places = list(zip(kinds["StringIndication"], kinds["FretIndication"], strict=True))
        found += [(round(float(element.offset), 3), *p) for p in zip(pitches, places, strict=True)]
    return sorted(found)


@pytest.mark.parametrize("name", RIFFS)
def test_music21_reads_the_same_strings_and_frets(name: str) -> None:
    riff = RIFFS[name]()
    assert riff.rhythm is not None
    quarter = 4 / riff.rhythm.meter[1]
    lead = -min([0.0, *(n.onset_beat or 0.0 for n in riff.notes)])
    known = [
        (round(((n.onset_beat or 0.0) + lead) * quarter, 3), n.pitch_midi, (n.string, n.fret))
        for n in riff.notes
    ]
    assert _placed(_score(name).parts[1]) == sorted(known)


def _assert_full(score: Any) -> None:
    for part in score.parts:
        measures = list(part.getElementsByClass("Measure"))
        for measure in measures:
            want = measure.barDuration.quarterLength - measure.paddingLeft
            voices = list(measure.voices) or [measure]
            for voice in voices:
                length = sum(
                    e.quarterLength for e in voice.notesAndRests if "ChordSymbol" not in e.classes
                )
                assert float(length) == pytest.approx(float(want))


@pytest.mark.parametrize("name", RIFFS)
def test_music21_finds_every_measure_full(name: str) -> None:
    _assert_full(_score(name))


@pytest.mark.parametrize(
    "make", [RIFFS["legato"], RIFFS["arpeggio"], RIFFS["strummed"], RIFFS["compound"], looped_riff]
)
def test_music21_plays_repeats_out_to_the_same_music(make: Callable[[], Riff]) -> None:
    """`expandRepeats` of what is written with repeats is what is written without."""
    import music21

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        whole, folded = (
            music21.converter.parseData(
                write_musicxml(make(), repeats=repeats).decode(), format="musicxml"
            )
            for repeats in (False, True)
        )
        played = folded.expandRepeats()
    _assert_full(folded)
    _assert_full(played)
    bars = [
        [len(part.getElementsByClass("Measure")) for part in score.parts]
        for score in (folded, played, whole)
    ]
    assert bars[0] < bars[1] == bars[2]
    for one, other in zip(played.parts, whole.parts, strict=True):
        assert _sounding(one) == _sounding(other)
    assert _placed(played.parts[1]) == _placed(whole.parts[1])


@pytest.mark.parametrize("name", RIFFS)
def test_music21_reads_meter_and_tempo(name: str) -> None:
    riff = RIFFS[name]()
    assert riff.rhythm is not None
    score = _score(name)
    meter = next(iter(score.recurse().getElementsByClass("TimeSignature")))
    assert (meter.numerator, meter.denominator) == riff.rhythm.meter
    mark = next(iter(score.recurse().getElementsByClass("MetronomeMark")))
    quarters = riff.rhythm.bpm * 4 / riff.rhythm.meter[1]
    assert mark.getQuarterBPM() == pytest.approx(quarters, rel=1e-3)


def test_music21_reads_key_and_mode() -> None:
    key = next(iter(_score("drone").recurse().getElementsByClass("Key")))
    assert (key.tonic.name, key.mode, key.sharps) == ("D", "dorian", 0)


def test_music21_reads_chord_symbols_where_they_stand() -> None:
    found = [
        (float(c.offset), c.figure.replace("ø7", "m7b5"))
        for c in _score("arpeggio").parts[0].flatten().getElementsByClass("ChordSymbol")
    ]
    theory = arpeggio_riff().theory
    assert theory is not None
    assert [at for at, _ in found] == [0.0, 3.0, 6.0, 9.0, 12.0, 15.0]
    assert [figure for _, figure in found] == [c["symbol"] for c in theory["chords"]]


@pytest.mark.parametrize(
    ("symbol", "pitch_classes"),
    [
        ("Am", {9, 0, 4}), ("G7", {7, 11, 2, 5}), ("Cmaj7", {0, 4, 7, 11}), ("Dsus4", {2, 7, 9}),
        ("F#m7b5", {6, 9, 0, 4}), ("Bdim7", {11, 2, 5, 8}), ("E5", {4, 11}), ("A6", {9, 1, 4, 6}),
        ("Bbm7", {10, 1, 5, 8}), ("Daug", {2, 6, 10}), ("Esus2", {4, 6, 11}),
        ("G9", {7, 11, 2, 5, 9}),
    ],
)  # fmt: skip
def test_music21_builds_the_same_chord_from_the_kind(symbol: str, pitch_classes: set[int]) -> None:
    import music21

    theory = {"chords": [{"start_sec": 0.0, "end_sec": 1.0, "symbol": symbol}]}
    data = write_musicxml(make_riff([(0, 4, 1, 0)], theory=theory)).decode()
    score = music21.converter.parseData(data, format="musicxml")
    chord = next(iter(score.recurse().getElementsByClass("ChordSymbol")))
    assert set(chord.pitchClasses) == pitch_classes


def test_music21_hears_guitar_pitch_under_the_octave_clef() -> None:
    """The lowest open E sounds E2 (82.41 Hz) though it is written an octave higher."""
    import music21

    data = write_musicxml(make_riff([(0, 4, 6, 0)])).decode()
    score = music21.converter.parseData(data, format="musicxml").toSoundingPitch()
    note = next(iter(score.parts[0].recurse().notes))
    assert note.pitch.nameWithOctave == "E2"
    assert note.pitch.frequency == pytest.approx(82.41, abs=0.01)


@pytest.mark.parametrize("name", RIFFS)
def test_element_order_is_the_specifications(name: str) -> None:
    root = ET.fromstring(write_musicxml(RIFFS[name]()))
    assert root.get("version") == "4.0"
    for tag, order in (
        ("note", NOTE_ORDER),
        ("attributes", ATTRIBUTE_ORDER),
        ("staff-details", DETAIL_ORDER),
        ("harmony", HARMONY_ORDER),
    ):
        for element in root.iter(tag):
            places = [order.index(child.tag) for child in element]
            assert places == sorted(places)


def test_frames_are_as_the_schema_says() -> None:
    """Order and number of the elements of a frame.

    Source: the schema of MusicXML 2.0 that music21 ships; its types ``frame`` and ``frame-note``
    are those of 4.0, which adds the attribute ``unplayed`` (from memory).
    """
    import music21

    schema = ET.parse(Path(music21.__file__).parent / "musicxml" / "musicxml.xsd")
    xs = {"xs": "http://www.w3.org/2001/XMLSchema"}
    root = ET.fromstring(write_musicxml(RIFFS["strummed"]()))
    assert len(list(root.iter("frame"))) == 4
    for name in ("frame", "frame-note"):
        known = schema.findall(f"xs:complexType[@name='{name}']/xs:sequence/xs:element", xs)
        order = [element.get("name") for element in known]
        needed = {e.get("name") for e in known if e.get("minOccurs") != "0"}
        for element in root.iter(name):
            places = [order.index(child.tag) for child in element]
            assert places == sorted(places)
            assert needed <= {child.tag for child in element}


def test_repeats_are_written_as_the_specification_says() -> None:
    """bar-style before repeat, a left barline before the music; times where it is not two."""
    root = ET.fromstring(write_musicxml(looped_riff(), repeats=True))
    found = []
    for measure in root.iter("measure"):
        for place, barline in enumerate(measure):
            if barline.tag != "barline" or barline.find("repeat") is None:
                continue
            assert [child.tag for child in barline] == ["bar-style", "repeat"]
            assert place == (0 if barline.get("location") == "left" else len(measure) - 1)
            repeat = barline.find("repeat")
            assert repeat is not None
            found.append((barline.get("location"), barline.findtext("bar-style"), repeat.attrib))
    assert found == [
        ("left", "heavy-light", {"direction": "forward"}),
        ("right", "light-heavy", {"direction": "backward", "times": "3"}),
        ("left", "heavy-light", {"direction": "forward"}),
        ("right", "light-heavy", {"direction": "backward"}),
    ]


def test_doctype_is_the_specifications(tmp_path: Path) -> None:
    text = write_musicxml(drone_riff()).decode()
    assert '"-//Recordare//DTD MusicXML 4.0 Partwise//EN"' in text.splitlines()[1]


@pytest.mark.parametrize("name", RIFFS)
def test_techniques_come_in_pairs(name: str) -> None:
    """hammer-on, pull-off and slide: each start has its stop, on each staff (MusicXML 4.0)."""
    root = ET.fromstring(write_musicxml(RIFFS[name]()))
    for staff in ("1", "2"):
        for tag in ("hammer-on", "pull-off", "slide"):
            waiting: dict[str, int] = {}
            for note in root.iter("note"):
                if note.findtext("staff") != staff:
                    continue
                for mark in sorted(note.iter(tag), key=lambda m: m.get("type") == "start"):
                    number = mark.get("number", "1")
                    step = 1 if mark.get("type") == "start" else -1
                    waiting[number] = waiting.get(number, 0) + step
                    assert waiting[number] in (0, 1)
            assert not any(waiting.values())
