"""MusicXML: what is written adds up and comes back, and other programs' files are read."""

from __future__ import annotations

import xml.etree.ElementTree as ET
import zipfile
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings

from tests.formats.riffs import (
    RIFFS,
    arpeggio_riff,
    chords,
    drone_riff,
    legato_riff,
    looped_riff,
    looped_riffs,
    make_riff,
    riffs,
)
from transcribe.core.errors import FormatError, ParameterError
from transcribe.core.riff import Bend, Instrument, Note, Riff
from transcribe.core.wording import sentence
from transcribe.formats.musicxml.read import read_musicxml
from transcribe.formats.musicxml.write import write_musicxml
from transcribe.formats.tab.write import write_tab

TICKS = 24


def _keys(notes: Iterable[Note], *, lengths: bool = True) -> list[tuple[object, ...]]:
    return sorted(
        (
            round(n.onset_beat or 0.0, 4),
            n.pitch_midi,
            n.string,
            n.fret,
            n.articulation,
            n.finger or None,
            round(n.duration_beat or 0.0, 4) if lengths else None,
        )
        for n in notes
    )


def _root(riff: Riff) -> ET.Element:
    return ET.fromstring(write_musicxml(riff))


def _back(riff: Riff, tmp_path: Path) -> Riff:
    path = tmp_path / "riff.musicxml"
    path.write_bytes(write_musicxml(riff))
    return read_musicxml(path)


@pytest.mark.parametrize("name", RIFFS)
def test_known_riffs_come_back(name: str, tmp_path: Path) -> None:
    riff = RIFFS[name]()
    back = _back(riff, tmp_path)
    assert _keys(back.notes) == _keys(riff.notes)
    assert back.instrument.open_midi == riff.instrument.open_midi
    assert back.instrument.capo == riff.instrument.capo
    assert back.rhythm is not None
    assert riff.rhythm is not None
    assert back.rhythm.meter == riff.rhythm.meter
    assert back.rhythm.bpm == pytest.approx(riff.rhythm.bpm, rel=1e-3)
    assert back.source == riff.source
    assert not back.warnings


@settings(max_examples=60, deadline=None)
@given(riff=riffs(notated=True))
def test_any_riff_comes_back(riff: Riff, tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.mktemp("x") / "riff.musicxml"
    path.write_bytes(write_musicxml(riff))
    back = read_musicxml(path)
    assert _keys(back.notes, lengths=False) == _keys(riff.notes, lengths=False)


@settings(max_examples=60, deadline=None)
@given(riff=riffs())
def test_every_voice_of_every_measure_adds_up(riff: Riff) -> None:
    """Also where an onset lies on no value that notation has."""
    assert riff.rhythm is not None
    top, unit = riff.rhythm.meter
    bar = TICKS * 4 * top // unit
    for measure in _root(riff).iter("measure"):
        sums: dict[str, int] = {}
        for note in measure.iter("note"):
            if note.find("chord") is None:
                voice = note.findtext("voice", "")
                sums[voice] = sums.get(voice, 0) + int(note.findtext("duration", "0"))
        whole = bar if measure.get("implicit") != "yes" else sums["1"]
        assert set(sums.values()) == {whole}
        assert whole <= bar


@pytest.mark.parametrize("name", RIFFS)
def test_written_value_is_the_duration(name: str) -> None:
    """Type, dots and time modification give the duration of each note."""
    quarters = {"whole": 4.0, "half": 2.0, "quarter": 1.0, "eighth": 0.5, "16th": 0.25}
    for note in _root(RIFFS[name]()).iter("note"):
        kind = note.findtext("type")
        if kind is None:  # a rest that fills its measure
            assert note.find("rest") is not None
            continue
        value = quarters.get(kind, 0.125) * (1.5 if note.find("dot") is not None else 1.0)
        if note.find("time-modification") is not None:
            value *= 2 / 3
        assert value * TICKS == pytest.approx(int(note.findtext("duration", "0")))


def test_ties_come_in_pairs_over_the_bar() -> None:
    riff = make_riff([(2, 4, 1, 3), (7, 2.5, 1, 5)])
    notes = [n for n in _root(riff).iter("note") if n.findtext("staff") == "1"]
    starts = sum(t.get("type") == "start" for n in notes for t in n.findall("tie"))
    stops = sum(t.get("type") == "stop" for n in notes for t in n.findall("tie"))
    assert starts == stops
    # Half + half over the first bar line, quarter + dotted quarter over the second.
    assert starts == 2


def test_tuplets_open_and_close() -> None:
    ends = [t.get("type") for t in _root(drone_riff()).iter("tuplet")]
    assert ends == ["start", "stop"] * 2  # once on each staff


def test_drone_and_melody_are_two_voices() -> None:
    root = _root(drone_riff())
    first = next(root.iter("measure"))
    voices = {n.findtext("voice") for n in first.iter("note") if n.findtext("staff") == "1"}
    assert voices == {"1", "2"}
    stems = {
        (n.findtext("voice"), n.findtext("stem"))
        for n in first.iter("note")
        if n.findtext("staff") == "1" and n.find("pitch") is not None
    }
    assert stems == {("1", "up"), ("2", "down")}


def test_beams_open_and_close_within_the_beat() -> None:
    for name in RIFFS:
        level: dict[str, str] = {}
        for note in _root(RIFFS[name]()).iter("note"):
            for beam in note.findall("beam"):
                key = note.findtext("voice", "") + beam.get("number", "")
                before = level.get(key, "end")
                if beam.text in ("continue", "end"):
                    assert before in ("begin", "continue")
                elif beam.text == "begin":
                    assert before not in ("begin", "continue")
                level[key] = beam.text or ""
        assert "begin" not in level.values()


def test_pickup_measure_is_implicit_and_short() -> None:
    first, second = list(_root(legato_riff()).iter("measure"))[:2]
    assert (first.get("number"), first.get("implicit")) == ("0", "yes")
    assert (second.get("number"), second.get("implicit")) == ("1", None)


def test_staff_details_list_strings_from_the_lowest_line() -> None:
    root = _root(arpeggio_riff())
    details = next(root.iter("staff-details"))
    tuning = [
        (t.get("line"), t.findtext("tuning-step"), t.findtext("tuning-octave"))
        for t in details.findall("staff-tuning")
    ]
    assert tuning[0] == ("1", "E", "2")
    assert tuning[-1] == ("6", "E", "4")
    assert details.findtext("capo") == "2"


def test_key_and_mode_and_accidentals() -> None:
    """B aeolian has two sharps: F# needs no accidental, F natural would."""
    root = _root(arpeggio_riff())
    assert root.findtext(".//key/fifths") == "2"
    assert root.findtext(".//key/mode") == "aeolian"
    assert root.find(".//accidental") is None
    theory = {"mode": {"tonic": "A", "name": "dorian", "parent": "G major"}}
    riff = make_riff([(0, 1, 1, 1), (1, 1, 1, 1), (2, 1, 1, 2)], theory=theory)
    signs = [n.findtext("accidental") for n in _root(riff).iter("note") if n.find("stem") is None]
    assert signs[:3] == ["natural", None, "sharp"]


def test_harmony_comes_back(tmp_path: Path) -> None:
    symbols = ["Dm", "G7", "F#m7b5", "Bbmaj7", "C/E", "Asus4", "E5", "G#dim7"]
    theory = {
        "chords": [
            {"start_sec": i * 1.25, "end_sec": i * 1.25 + 1.25, "symbol": s}
            for i, s in enumerate(symbols)
        ]
    }
    riff = make_riff([(2 * i, 2, 2, 3) for i in range(len(symbols))], theory=theory)
    back = _back(riff, tmp_path)
    assert back.theory is not None
    assert [c["symbol"] for c in back.theory["chords"]] == symbols
    for a, b in zip(back.theory["chords"], theory["chords"], strict=True):
        assert a["start_sec"] == pytest.approx(b["start_sec"], abs=1e-4)


@pytest.mark.parametrize(
    ("kind", "degrees", "symbol"),
    [
        ("dominant", [(9, 1, "add")], "C7#9"),
        ("minor-seventh", [(5, -1, "alter")], "Cm7b5"),
        ("major", [(9, 0, "add")], "Cadd9"),
        ("minor", [(9, 0, "add")], "Cmadd9"),
        ("dominant", [(3, 0, "subtract")], "C7(no3)"),
        ("major", [("x", 0, "add")], "C"),
    ],
)
def test_the_degrees_of_a_chord_are_of_its_name(
    tmp_path: Path, kind: str, degrees: list[tuple[object, int, str]], symbol: str
) -> None:
    """Source: the degree element of MusicXML 4.0 (add, alter, subtract)."""
    within = "".join(
        f"<degree><degree-value>{number}</degree-value><degree-alter>{alter}</degree-alter>"
        f"<degree-type>{how}</degree-type></degree>"
        for number, alter, how in degrees
    )
    chord = f"<root><root-step>C</root-step></root><kind>{kind}</kind>{within}"
    score = _score(f"<harmony>{chord}</harmony>" + _note("C", 4), path=tmp_path / "riff.musicxml")
    back = read_musicxml(score)
    assert back.theory is not None
    assert [c["symbol"] for c in back.theory["chords"]] == [symbol]


def test_harmony_inside_a_held_note(tmp_path: Path) -> None:
    theory = {
        "chords": [
            {"start_sec": 0.0, "end_sec": 1.25, "symbol": "Am"},
            {"start_sec": 1.25, "end_sec": 2.5, "symbol": "D"},
        ]
    }
    back = _back(make_riff([(0, 4, 1, 5)], theory=theory), tmp_path)
    assert back.theory is not None
    assert [round(c["start_sec"], 3) for c in back.theory["chords"]] == [0.0, 1.25]


def _grips(riff: Riff) -> list[list[tuple[str | None, ...]]]:
    """(string, fret, finger, side of a barre) of every frame's notes."""
    return [
        [
            (
                *(note.findtext(name) for name in ("string", "fret", "fingering")),
                None if (barre := note.find("barre")) is None else barre.get("type"),
            )
            for note in frame.iter("frame-note")
        ]
        for frame in _root(riff).iter("frame")
    ]


_F = ((6, 1, 1), (5, 3, 3), (4, 3, 4), (3, 2, 2), (2, 1, 1), (1, 1, 1))


def _strummed_f(**more: object) -> Riff:
    theory = {"chords": chords(["F", "C"], beats=4, bpm=96)} | more
    up = [(1, 1, s, fret, "picked", finger) for s, fret, finger in _F[3:]]
    down = [(at, 1, s, fret, "picked", f) for at in (0, 2) for s, fret, f in _F]
    return make_riff([*down, *up, (4, 4, 5, 3, "picked", 3)], theory=theory)


def test_a_struck_chord_has_its_grip_with_fingers_and_barre() -> None:
    assert _grips(_strummed_f()) == [
        [
            ("6", "1", "1", "start"),
            ("5", "3", "3", None),
            ("4", "3", "4", None),
            ("3", "2", "2", None),
            ("2", "1", "1", None),
            ("1", "1", "1", "stop"),
        ]
    ]


def test_a_chord_that_is_not_struck_has_the_grip_that_is_advised(tmp_path: Path) -> None:
    shape = {"frets": [8, 8, 9, 10, 10, None], "fingers": [1, 1, 2, 4, 3, None]}
    riff = _strummed_f(ways=[{"symbol": "C", "plain": [shape]}])
    advised = _grips(riff)[1]
    assert [place[:3] for place in advised] == [
        ("5", "10", "3"),
        ("4", "10", "4"),
        ("3", "9", "2"),
        ("2", "8", "1"),
        ("1", "8", "1"),
    ]
    frame = list(_root(riff).iter("frame"))[1]
    assert (frame.findtext("first-fret"), frame.findtext("frame-frets")) == ("8", "4")
    back = _back(riff, tmp_path)
    assert back.theory is not None
    assert back.theory["ways"][1] == {"symbol": "C", "plain": [{"symbol": "C", **shape}]}
    assert _grips(back) == _grips(riff)


@pytest.mark.parametrize(
    "frame",
    [
        "<frame/>",
        "<frame><frame-strings>6</frame-strings><frame-frets>4</frame-frets></frame>",
        "<frame><frame-strings>999999</frame-strings></frame>",
        "<frame><frame-strings>6</frame-strings><frame-note><string>7</string><fret>1</fret>"
        "</frame-note></frame>",
        "<frame><frame-strings>6</frame-strings><frame-note><string>2</string><fret>-1</fret>"
        "</frame-note></frame>",
    ],
)
def test_a_frame_without_sense_is_passed_over(tmp_path: Path, frame: str) -> None:
    harmony = f"<harmony><root><root-step>C</root-step></root><kind>major</kind>{frame}</harmony>"
    back = read_musicxml(_score(harmony + _note("C", 4), path=tmp_path / "riff.musicxml"))
    assert back.theory is not None
    assert [c["symbol"] for c in back.theory["chords"]] == ["C"]
    assert "ways" not in back.theory


def test_legato_without_a_source_is_kept(tmp_path: Path) -> None:
    riff = make_riff([(0, 1, 1, 5, "hammer-on"), (2, 1, 2, 5, "slide")])
    back = _back(riff, tmp_path)
    assert [n.articulation for n in back.notes] == ["hammer-on", "slide"]


def test_bend_keeps_its_height(tmp_path: Path) -> None:
    riff = make_riff([(0, 1, 1, 5, "bend")])
    note = replace(riff.notes[0], bend=Bend(semitones=2))
    back = _back(replace(riff, notes=(note,)), tmp_path)
    assert back.notes[0].bend == Bend(semitones=2)


def test_without_rhythm_the_seconds_are_kept(tmp_path: Path) -> None:
    riff = drone_riff()
    notes = tuple(replace(n, onset_beat=None, duration_beat=None) for n in riff.notes)
    back = _back(replace(riff, rhythm=None, notes=notes), tmp_path)
    for a, b in zip(riff.notes, back.notes, strict=True):
        assert b.onset_sec == pytest.approx(a.onset_sec, abs=0.045)


def test_notes_without_strings_are_notation_alone(tmp_path: Path) -> None:
    riff = drone_riff()
    bare = replace(
        riff, drone=None, notes=tuple(replace(n, string=None, fret=None) for n in riff.notes)
    )
    root = _root(bare)
    assert root.find(".//staves") is None
    assert len(_back(bare, tmp_path).notes) == len(riff.notes)


def test_empty_riff_is_one_measure_of_rest() -> None:
    root = _root(Riff())
    assert len(list(root.iter("measure"))) == 1
    assert root.find(".//rest") is not None


# Files of other programs -------------------------------------------------------------------

HEAD = '<?xml version="1.0"?>\n<score-partwise version="3.1">\n<part-list>{list}</part-list>\n'


def _note(step: str, octave: int, duration: int = 1, inside: str = "", after: str = "") -> str:
    pitch = f"<pitch><step>{step}</step><octave>{octave}</octave></pitch>"
    return f"<note>{inside}{pitch}<duration>{duration}</duration>{after}</note>"


def _score(*measures: str, attributes: str = "", path: Path) -> Path:
    body = HEAD.format(list='<score-part id="P1"><part-name>Guitar</part-name></score-part>')
    body += '<part id="P1">'
    for i, measure in enumerate(measures):
        start = ""
        if i == 0:
            start = (
                f"<attributes>{attributes}<divisions>1</divisions><time><beats>4</beats>"
                "<beat-type>4</beat-type></time></attributes>"
            )
        body += f'<measure number="{i + 1}">{start}{measure}</measure>\n'
    path.write_text(body + "</part></score-partwise>\n", encoding="utf-8")
    return path


def test_read_transposed_part_sounds_an_octave_lower(tmp_path: Path) -> None:
    transpose = "<transpose><chromatic>0</chromatic><octave-change>-1</octave-change></transpose>"
    path = _score(_note("E", 4, 4), attributes=transpose, path=tmp_path / "a.musicxml")
    assert [n.pitch_midi for n in read_musicxml(path).notes] == [52]


def test_read_octave_clef_is_only_a_sign(tmp_path: Path) -> None:
    """With an octave clef the pitches in the file are the sounding ones (MusicXML 4.0)."""
    clef = "<clef><sign>G</sign><line>2</line><clef-octave-change>-1</clef-octave-change></clef>"
    path = _score(_note("E", 3, 4), attributes=clef, path=tmp_path / "a.musicxml")
    assert [n.pitch_midi for n in read_musicxml(path).notes] == [52]


def test_read_repeats_and_endings(tmp_path: Path) -> None:
    forward = '<barline location="left"><repeat direction="forward"/></barline>'
    backward = '<barline location="right">{}<repeat direction="backward"/></barline>'
    first = '<barline location="left"><ending number="1" type="start"/></barline>'
    second = '<barline location="left"><ending number="2" type="start"/></barline>'
    stop = '<barline location="right"><ending number="2" type="stop"/></barline>'
    path = _score(
        _note("C", 4, 4),
        forward + _note("D", 4, 4),
        first + _note("E", 4, 4) + backward.format('<ending number="1" type="stop"/>'),
        second + _note("F", 4, 4) + stop,
        _note("G", 4, 4),
        path=tmp_path / "a.musicxml",
    )
    riff = read_musicxml(path)
    assert [n.pitch_midi for n in riff.notes] == [60, 62, 64, 62, 65, 67]
    assert [n.onset_beat for n in riff.notes] == [0, 4, 8, 12, 16, 20]


def test_read_repeat_times(tmp_path: Path) -> None:
    again = '<barline location="right"><repeat direction="backward" times="3"/></barline>'
    path = _score(_note("C", 4, 4) + again, _note("D", 4, 4), path=tmp_path / "a.musicxml")
    assert [n.pitch_midi for n in read_musicxml(path).notes] == [60, 60, 60, 62]


def test_read_chords_voices_ties_and_graces(tmp_path: Path) -> None:
    grace = "<note><grace/><pitch><step>B</step><octave>3</octave></pitch></note>"
    path = _score(
        _note("C", 4, 2)
        + _note("E", 4, 2, inside="<chord/>")
        + grace
        + _note("D", 4, 2)
        + "<backup><duration>4</duration></backup>"
        + _note("C", 3, 4, after='<tie type="start"/><voice>2</voice>'),
        _note("C", 3, 4, after='<tie type="stop"/><voice>2</voice>'),
        path=tmp_path / "a.musicxml",
    )
    riff = read_musicxml(path)
    found = [(n.onset_beat, n.pitch_midi, n.duration_beat) for n in riff.notes]
    assert found == [
        (0.0, 48, 8.0),
        (0.0, 60, 2.0),
        (0.0, 64, 2.0),
        (1.875, 59, 0.125),
        (2.0, 62, 2.0),
    ]


def test_read_tempo_changes_reach_the_seconds(tmp_path: Path) -> None:
    path = _score(
        '<direction><sound tempo="60"/></direction>' + _note("C", 4, 4),
        '<direction><sound tempo="120"/></direction>' + _note("D", 4, 4),
        _note("E", 4, 4),
        path=tmp_path / "a.musicxml",
    )
    riff = read_musicxml(path)
    assert [n.onset_sec for n in riff.notes] == [0.0, 4.0, 6.0]
    assert riff.rhythm is not None
    assert riff.rhythm.downbeats_sec[:3] == (0.0, 4.0, 6.0)


def test_read_metronome_without_sound(tmp_path: Path) -> None:
    mark = (
        "<direction><direction-type><metronome><beat-unit>quarter</beat-unit><beat-unit-dot/>"
        "<per-minute>c. 60</per-minute></metronome></direction-type></direction>"
    )
    path = _score(mark + _note("C", 4, 3) + _note("D", 4, 1), path=tmp_path / "a.musicxml")
    assert [n.onset_sec for n in read_musicxml(path).notes] == [0.0, 2.0]


def _tab(string: int, fret: int) -> str:
    return (
        f"<notations><technical><string>{string}</string><fret>{fret}</fret>"
        "</technical></notations>"
    )


def test_read_frets_counted_from_the_nut_under_a_capo(tmp_path: Path) -> None:
    details = "<staff-details><capo>2</capo></staff-details>"
    path = _score(
        _note("G", 4, 2, after=_tab(1, 3)) + _note("A", 4, 2, after=_tab(1, 3)),
        attributes=details,
        path=tmp_path / "a.musicxml",
    )
    riff = read_musicxml(path)
    assert [(n.string, n.fret) for n in riff.notes] == [(1, 1), (1, 3)]


def test_read_pitches_an_octave_up_follow_the_frets(tmp_path: Path) -> None:
    notes = "".join(_note(s, 5, 1, after=_tab(1, f)) for s, f in (("E", 0), ("F", 1), ("G", 3)))
    riff = read_musicxml(_score(notes, path=tmp_path / "a.musicxml"))
    assert [(n.pitch_midi, n.string, n.fret) for n in riff.notes] == [
        (64, 1, 0),
        (65, 1, 1),
        (67, 1, 3),
    ]


def test_read_wrong_position_is_left_out_and_said(tmp_path: Path) -> None:
    notes = _note("E", 4, 2, after=_tab(1, 0)) + _note("F", 4, 2, after=_tab(1, 7))
    riff = read_musicxml(_score(notes, path=tmp_path / "a.musicxml"))
    assert [(n.string, n.fret) for n in riff.notes] == [(1, 0), (None, None)]
    assert any("1 written positions" in sentence(remark) for remark in riff.warnings)


def test_read_picks_the_guitar(tmp_path: Path) -> None:
    listed = (
        '<score-part id="P1"><part-name>Flute</part-name></score-part>'
        '<score-part id="P2"><part-name>Guitar</part-name></score-part>'
    )
    measure = "<attributes><divisions>1</divisions></attributes>{}"
    text = HEAD.format(list=listed) + "".join(
        f'<part id="{i}"><measure number="1">{measure.format(_note(s, 4, 4))}</measure></part>'
        for i, s in (("P1", "A"), ("P2", "B"))
    )
    path = tmp_path / "a.xml"
    path.write_text(text + "</score-partwise>")
    riff = read_musicxml(path)
    assert [n.pitch_midi for n in riff.notes] == [71]
    assert "Guitar" in sentence(riff.warnings[0])
    assert [n.pitch_midi for n in read_musicxml(path, part="Flute").notes] == [69]
    assert [n.pitch_midi for n in read_musicxml(path, part="1").notes] == [69]
    with pytest.raises(ParameterError, match="no part 'Oboe'; there are 1 Flute, 2 Guitar"):
        read_musicxml(path, part="Oboe")


def test_read_timewise(tmp_path: Path) -> None:
    path = tmp_path / "a.musicxml"
    part = '<part id="P1"><attributes><divisions>1</divisions></attributes>{}</part>'
    path.write_text(
        '<score-timewise><part-list><score-part id="P1"/></part-list>'
        f'<measure number="1">{part.format(_note("C", 4, 4))}</measure>'
        f'<measure number="2">{part.format(_note("D", 4, 4))}</measure></score-timewise>'
    )
    assert [n.onset_beat for n in read_musicxml(path).notes] == [0, 4]


def test_read_compressed(tmp_path: Path) -> None:
    path = tmp_path / "a.mxl"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(
            "META-INF/container.xml",
            '<container><rootfiles><rootfile full-path="score.xml"/></rootfiles></container>',
        )
        archive.writestr("score.xml", write_musicxml(drone_riff()))
    assert _keys(read_musicxml(path).notes) == _keys(drone_riff().notes)


# Malformed ---------------------------------------------------------------------------------

BOMB = """<?xml version="1.0"?>
<!DOCTYPE score-partwise [
<!ENTITY a "ha">
<!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;">
<!ENTITY c "&b;&b;&b;&b;&b;&b;&b;&b;&b;&b;">
]>
<score-partwise><part-list/><part id="P1">&c;</part></score-partwise>
"""
OUTSIDE = """<?xml version="1.0"?>
<!DOCTYPE score-partwise [<!ENTITY a SYSTEM "file:///etc/hostname">]>
<score-partwise><part-list/><part id="P1">&a;</part></score-partwise>
"""


@pytest.mark.parametrize(
    ("text", "match"),
    [
        (BOMB, r":3: found an entity declaration \(a\)"),
        (OUTSIDE, r":2: found an entity declaration \(a\)"),
        ("<score-partwise><part>", r":1: found XML that is not well-formed"),
        ("", r":1: found XML that is not well-formed"),
        ("just words", r":1: found XML that is not well-formed"),
        ("<svg/>", r":1: found <svg>, expected <score-partwise>"),
        ("<score-partwise/>", r":1: found no measures"),
        (
            '<?xml version="1.0" encoding="x-none"?><a/>',
            r":1: found (an unknown text encoding|XML)",
        ),
    ],
    ids=["bomb", "outside", "open", "empty", "words", "svg", "no parts", "encoding"],
)
def test_malformed_file(text: str, match: str, tmp_path: Path) -> None:
    path = tmp_path / "a.musicxml"
    path.write_text(text)
    with pytest.raises(FormatError, match=match) as caught:
        read_musicxml(path)
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith(str(path))


@pytest.mark.parametrize(
    ("measure", "attributes", "match"),
    [
        ("<note><pitch><step>C</step><octave>4</octave></pitch></note>", "", "without <duration>"),
        (_note("H", 4), "", "a letter from A to G"),
        (_note("C", 40), "", "MIDI pitch"),
        (_note("C", 4).replace(">4<", ">four<"), "", "'four', expected a number"),
        (_note("C", 4).replace("<duration>1", "<duration>-1"), "", "negative duration"),
        (_note("C", 4), "<divisions>0</divisions>", "<divisions> 0"),
        (_note("C", 4), "<time><beats>x</beats><beat-type>4</beat-type></time>", "no meter"),
        ("<backup><duration>9</duration></backup>" + _note("C", 4), "", "before the measure"),
        ("<note><rest/><duration>4</duration></note>", "", "no notes"),
        (_note("C", 4).replace("<octave>", "<alter>1e99</alter><octave>"), "", "expected a number"),
        (_note("C", 4).replace("<octave>", "<alter>99</alter><octave>"), "", "at most 3 sharps"),
        (
            "<harmony><root><root-step>C</root-step><root-alter>99999999</root-alter></root>"
            f"</harmony>{_note('C', 4)}",
            "",
            "at most 3 sharps",
        ),
        (_note("C", 4).replace("<duration>1", "<duration>1e9999999"), "", "expected a number"),
        ('<direction><sound tempo="quick"/></direction>' + _note("C", 4), "", "tempo 'quick'"),
    ],
    ids=[
        "no duration",
        "step",
        "range",
        "octave",
        "negative",
        "divisions",
        "meter",
        "backup",
        "only rests",
        "alter with an exponent",
        "alter",
        "root",
        "duration with an exponent",
        "tempo",
    ],
)
def test_malformed_music(measure: str, attributes: str, match: str, tmp_path: Path) -> None:
    path = _score(measure, attributes=attributes, path=tmp_path / "a.musicxml")
    with pytest.raises(FormatError, match=match) as caught:
        read_musicxml(path)
    assert "\n" not in str(caught.value)
    assert "expected" in str(caught.value)


def test_damaged_archive(tmp_path: Path) -> None:
    path = tmp_path / "a.mxl"
    path.write_bytes(b"PK\x03\x04" + bytes(200))
    with pytest.raises(FormatError, match="damaged archive"):
        read_musicxml(path)
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("score.xml", "<score-partwise/>")
    with pytest.raises(FormatError, match="damaged archive"):
        read_musicxml(path)


def test_archive_that_swells_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.mxl"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("META-INF/container.xml", b" " * (70 << 20))
    with pytest.raises(FormatError, match="over 64 MB"):
        read_musicxml(path)


def test_missing_file(tmp_path: Path) -> None:
    with pytest.raises(FormatError, match="no such file"):
        read_musicxml(tmp_path / "none.musicxml")


def test_instrument_of_the_document_is_kept() -> None:
    riff = make_riff([(0, 1, 1, 2)], instrument=Instrument((62, 57, 54, 50, 45, 38)))
    steps = [t.findtext("tuning-step") for t in _root(riff).iter("staff-tuning")]
    assert steps == ["D", "A", "D", "F", "A", "D"]


# Repeats -----------------------------------------------------------------------------------


def _signs(riff: Riff) -> list[tuple[str, str, str | None]]:
    """(measure number, direction, times) of every repeat that is written."""
    return [
        (measure.get("number", ""), sign.get("direction", ""), sign.get("times"))
        for measure in ET.fromstring(write_musicxml(riff, repeats=True)).iter("measure")
        for sign in measure.iter("repeat")
    ]


def _held_chords(riff: Riff) -> list[tuple[float, str]]:
    """The chords of a riff where they change."""
    changes: list[tuple[float, str]] = []
    for chord in (riff.theory or {}).get("chords", ()):
        if not changes or changes[-1][1] != chord["symbol"]:
            changes.append((round(chord["start_sec"], 3), chord["symbol"]))
    return changes


def _assert_folds_back(riff: Riff, folder: Path) -> None:
    """Read with its repeats played, a folded file is the same riff as an unfolded one."""
    whole, folded = folder / "whole.musicxml", folder / "folded.musicxml"
    whole.write_bytes(write_musicxml(riff))
    folded.write_bytes(write_musicxml(riff, repeats=True))
    one, other = read_musicxml(whole), read_musicxml(folded)
    assert _keys(other.notes) == _keys(one.notes)
    assert other.rhythm == one.rhythm
    assert other.drone == one.drone
    assert _held_chords(other) == _held_chords(one)
    assert other.warnings == one.warnings


def test_bars_that_come_again_at_once_are_written_once() -> None:
    riff = looped_riff()
    assert _signs(riff) == [
        ("1", "forward", None),
        ("1", "backward", "3"),
        ("4", "forward", None),
        ("5", "backward", None),
    ]
    numbers = [
        m.get("number") for m in ET.fromstring(write_musicxml(riff, repeats=True)).iter("measure")
    ]
    assert numbers == ["0", "1", "4", "5", "8"]
    assert b"<repeat" not in write_musicxml(riff)


@pytest.mark.parametrize("make", [*RIFFS.values(), looped_riff])
def test_folded_riffs_come_back(make: Callable[[], Riff], tmp_path: Path) -> None:
    _assert_folds_back(make(), tmp_path)


@settings(max_examples=100, deadline=None)
@given(riff=looped_riffs())
def test_any_folded_riff_comes_back(riff: Riff, tmp_path_factory: pytest.TempPathFactory) -> None:
    _assert_folds_back(riff, tmp_path_factory.mktemp("x"))


_BAR = [(0, 1, 3, 0), (1, 1, 3, 2), (2, 1, 3, 4), (3, 1, 3, 2)]
_TWICE = [(4 * bar + beat, *rest) for bar in range(2) for beat, *rest in _BAR]


@pytest.mark.parametrize(
    "last",
    [
        (7, 0.5, 3, 2),  # another duration
        (7, 1, 4, 7),  # another place
        (7, 1, 3, 3),  # another pitch
        (7, 1, 3, 2, "vibrato"),
        (7, 1, 3, 2, "picked", 1),  # another finger
    ],
)
def test_bars_that_differ_at_all_are_written_out(last: tuple[object, ...]) -> None:
    assert len(_signs(make_riff(_TWICE))) == 2
    assert _signs(make_riff([*_TWICE[:-1], last])) == []


def test_no_tie_and_no_legato_leads_over_a_repeat() -> None:
    tied = [(4 * bar + 1, 4, 3, 2) for bar in range(3)]
    assert _signs(make_riff(tied)) == []
    slurred = [
        (4 * bar + beat, length, string, fret, "hammer-on" if bar and not beat else "picked")
        for bar in range(4)
        for beat, length, string, fret in [(0, 1, 3, 5), (1, 1, 3, 4), (2, 1, 3, 2), (3, 1, 3, 2)]
    ]
    assert _signs(make_riff(slurred)) == []


def test_a_change_of_chord_is_no_repeat_and_one_that_holds_is() -> None:
    def symbols(*names: str) -> Riff:
        return make_riff(_TWICE, theory={"chords": chords(names, beats=4, bpm=96)})

    assert _signs(symbols("Dm", "G")) == []
    assert len(_signs(symbols("Dm", "Dm"))) == 2


def test_the_chord_is_told_again_where_a_repeat_goes_back_to_it() -> None:
    """Bar 1 and the first bar of the repeat share a chord that the repeat's end has not."""
    items: list[tuple[int, ...]] = [(0, 4, 3, 9)]
    items += [(4 * bar + beat, *rest) for bar in range(1, 5) for beat, *rest in _BAR]
    items = [i for i in items if i[0] not in (9, 17)]
    theory = {"chords": chords(["Dm", "Dm", "G", "Dm", "G"], beats=4, bpm=96)}
    riff = make_riff(items, theory=theory)
    assert [s[0] for s in _signs(riff)] == ["2", "3"]
    root = ET.fromstring(write_musicxml(riff, repeats=True))
    told = [
        (m.get("number"), h.findtext("kind"))
        for m in root.iter("measure")
        for h in m.iter("harmony")
    ]
    assert told == [("1", "minor"), ("2", "minor"), ("3", "major")]
    text = write_tab(riff, repeats=True)
    assert text.count("Dm") == 2
