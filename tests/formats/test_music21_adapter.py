"""ABC, Humdrum and other scores by music21, and riffs as its streams."""

from __future__ import annotations

import builtins
from pathlib import Path
from typing import Any

import pytest

from transcribe import api, from_music21, read_any, to_music21
from transcribe.command.main import main
from transcribe.core.errors import FormatError, ParameterError
from transcribe.core.riff import Note, Rhythm, Riff
from transcribe.core.wording import sentence
from transcribe.formats import kind_of
from transcribe.formats.document import read_riff

BOOK = """\
% tunes of our own
M:4/4
L:1/8
X:3
T:The Lee Shore
Q:1/4=90
K:Ador
A2|"Am"A2BA G2E2|"G"{f}G4 (3GAB z2|1 A4-A2:|2 A8|]

X:7
T:Slack Water, a jig
M:6/8
K:D
d2A F2A|d3 a3|]
"""
KERN = """\
**kern
*clefG2
*k[b-]
*M3/4
=1
4d
4f
4a
=2
2.dd
==
*-
"""


@pytest.fixture
def book(tmp_path: Path) -> Path:
    path = tmp_path / "book.abc"
    path.write_text(BOOK, encoding="utf-8")
    return path


def _notes(riff: Riff) -> list[tuple[int, float | None, float | None]]:
    return [(n.pitch_midi, n.onset_beat, n.duration_beat) for n in riff.notes]


@pytest.mark.parametrize("tempo", ["1/4=90", "1/4 = 90", '"Slowly" 1/4 =90'])
def test_a_tempo_may_have_spaces(tmp_path: Path, tempo: str) -> None:
    path = tmp_path / "tune.abc"
    path.write_text(f"X:1\nM:2/4\nL:1/8\nQ:{tempo}\nK:D\nDEFG|A2A2|\n", encoding="utf-8")
    rhythm = read_any(path).rhythm
    assert rhythm is not None
    assert rhythm.bpm == pytest.approx(90)


def test_the_chord_names_of_abc_are_kept_as_they_are_written(tmp_path: Path) -> None:
    """Names that music21 leaves out or changes, a flat, a bass, and words that are no chord."""
    names = ["Cmaj9", "C6/9", "Bm7b5", "E7#9", "Cadd9", "C5", "Bb7", "G9sus4", "D/F#"]
    bars = '"N.C."CDEF|' + "|".join(f'"{name}"CDEF' for name in names)
    path = tmp_path / "tune.abc"
    path.write_text(
        f'X:1\nT:The "C" tune\nM:4/4\nL:1/4\nK:C\n{bars}|"^Fine"C4|]\n', encoding="utf-8"
    )
    theory = read_any(path).theory
    assert theory is not None
    assert [chord["symbol"] for chord in theory["chords"]] == names


def test_a_tune_with_pickup_grace_note_triplet_and_endings(book: Path) -> None:
    riff = read_any(book, part="3")
    assert _notes(riff)[:7] == [
        (69, -1.0, 1.0),
        (69, 0.0, 1.0),
        (71, 1.0, 0.5),
        (69, 1.5, 0.5),
        (67, 2.0, 1.0),
        (64, 3.0, 1.0),
        (78, 3.875, 0.125),
    ]
    third = pytest.approx(1 / 3, abs=1e-5)
    assert [n[2] for n in _notes(riff)[8:11]] == [third, third, third]
    # The last bar of the repeat and the pickup fill one bar together.
    assert _notes(riff)[11:14] == [(69, 8.0, 3.0), (69, 11.0, 1.0), (69, 12.0, 1.0)]
    assert riff.rhythm.bpm == 90
    assert riff.source.file == "The Lee Shore"
    assert [chord["symbol"] for chord in riff.theory["chords"]] == ["Am", "G", "Am", "G"]
    assert riff.theory["mode"]["name"] == "dorian"
    assert not riff.warnings


@pytest.mark.parametrize("part", ["7", "slack", "Slack Water, a jig"])
def test_a_tune_by_number_or_title(book: Path, part: str) -> None:
    riff = read_any(book, part=part)
    assert riff.rhythm.meter == (6, 8)
    assert [n.pitch_midi for n in riff.notes] == [74, 69, 66, 69, 74, 81]
    assert [n.duration_beat for n in riff.notes] == [2, 1, 2, 1, 3, 3]


def test_the_first_tune_is_taken_and_the_others_are_named(book: Path) -> None:
    riff = read_any(book)
    assert len(riff.notes) == 24
    told = [sentence(remark) for remark in riff.warnings]
    assert told == ["Tune 3, The Lee Shore, is used; 7 Slack Water, a jig is left out."]
    with pytest.raises(ParameterError, match="has no tune 'Ebb'; there are 3 The Lee Shore, 7"):
        read_any(book, part="Ebb")


def test_tunes_that_share_a_number_are_counted(book: Path) -> None:
    book.write_text(BOOK.replace("X:7", "X:3"), encoding="utf-8")
    assert read_any(book, part="2").rhythm.meter == (6, 8)


def test_humdrum(tmp_path: Path) -> None:
    path = tmp_path / "tide.krn"
    path.write_text(KERN, encoding="utf-8")
    riff = read_any(path)
    assert _notes(riff) == [(62, 0, 1), (65, 1, 1), (69, 2, 1), (74, 3, 3)]
    assert riff.rhythm.meter == (3, 4)


@pytest.mark.parametrize(
    ("name", "text", "kind"),
    [
        ("tune.txt", BOOK.split("\n", 3)[3], "score"),
        ("tide.txt", KERN, "score"),
        ("list.txt", "X: 3 crates\nY: 2 crates\n", "tab"),
        ("tune.mei", "<?xml version='1.0'?><mei/>", "score"),
        ("tune.abc", "", "score"),
    ],
)
def test_the_content_tells_abc_and_humdrum(tmp_path: Path, name: str, text: str, kind: str) -> None:
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    assert kind_of(path) == kind


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("broken.krn", "**kern\nnot a note\n"),
        ("empty.abc", ""),
        ("rests.abc", "X:1\nM:4/4\nL:1/4\nK:C\nz4|\n"),
        ("broken.mei", "<?xml version='1.0'?><mei><score>"),
    ],
)
def test_a_malformed_score_is_one_line(
    tmp_path: Path, name: str, text: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    assert main(["finger", str(path)]) == 1
    caught = capsys.readouterr()
    assert caught.out == ""
    assert caught.err.count("\n") == 1
    assert name in caught.err
    assert list(tmp_path.iterdir()) == [path]


def test_finger_show_theory_and_compare_take_abc(
    book: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["finger", str(book), "--part", "3"]) == 0
    riff = read_riff(book.with_name("book.riff.json"))
    assert all(note.string is not None for note in riff.notes)
    assert main(["theory", str(book), "--part", "slack"]) == 0
    assert "D" in capsys.readouterr().out
    assert main(["show", str(book), "--part", "7", "--notes"]) == 0
    assert main(["compare", str(book.with_name("book.riff.json")), str(book), "--no-progress"]) == 0
    assert "Right: 24 of 24" in capsys.readouterr().out


def test_without_music21_one_line_says_how_to_get_it(
    book: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    imports = builtins.__import__

    def without(name: str, *rest: Any, **named: Any) -> Any:
        if name == "music21":
            raise ImportError(name)
        return imports(name, *rest, **named)

    monkeypatch.setattr(builtins, "__import__", without)
    assert main(["finger", str(book)]) == 1
    told = capsys.readouterr().err
    assert told.count("\n") == 1
    assert "pip install 'handspan[music21]'" in told
    with pytest.raises(FormatError, match="is not installed"):
        to_music21(Riff(notes=(Note(1, 0.0, 0.5, 50),)))


def _riff() -> Riff:
    places = [(5, 0, "picked"), (4, 2, "picked"), (4, 4, "hammer-on"), (4, 2, "pull-off")]
    riff = Riff()
    notes = [
        Note(
            i + 1,
            0.5 * i,
            0.5 * i + 0.5,
            riff.instrument.pitch_midi(string, fret),
            string=string,
            fret=fret,
            articulation=articulation,
            onset_beat=float(i),
            duration_beat=1.0,
        )
        for i, (string, fret, articulation) in enumerate(places)
    ]
    for string, fret in ((5, 3), (4, 2), (3, 0), (2, 1), (1, 0)):
        pitch = riff.instrument.pitch_midi(string, fret)
        number = len(notes) + 1
        notes.append(
            Note(
                number,
                2.0,
                4.0,
                pitch,
                string=string,
                fret=fret,
                onset_beat=4.0,
                duration_beat=4.0,
            )
        )
    beats = tuple(0.5 * i for i in range(9))
    return Riff(notes=tuple(notes), rhythm=Rhythm(120.0, (4, 4), beats, beats[::4]))


def test_a_riff_goes_to_music21_and_back() -> None:
    riff = _riff()
    stream = to_music21(riff)
    played = [
        (float(n.offset), float(n.quarterLength), pitch.midi)
        for n in stream.parts[0].flatten().notes
        for pitch in n.pitches
    ]
    assert sorted(played) == sorted(
        (n.onset_beat, n.duration_beat, n.pitch_midi) for n in riff.notes
    )
    back = from_music21(stream)
    facts = ("pitch_midi", "onset_beat", "duration_beat", "string", "fret", "articulation")
    for note, given in zip(back.notes, riff.notes, strict=True):
        assert [getattr(note, fact) for fact in facts] == [getattr(given, fact) for fact in facts]
    assert back.instrument.open_midi == riff.instrument.open_midi
    assert back.rhythm.bpm == 120


def test_the_tuning_goes_along() -> None:
    from transcribe.core.instrument import TUNINGS, restrung
    from transcribe.core.riff import Instrument

    riff = restrung(_riff(), Instrument(TUNINGS["dadgad"], capo=2))
    back = from_music21(to_music21(riff))
    assert back.instrument == riff.instrument
    assert [(n.string, n.fret) for n in back.notes] == [(n.string, n.fret) for n in riff.notes]


def test_what_people_make_in_music21_is_fingered() -> None:
    from music21 import converter, note, stream

    line = converter.parse("tinynotation: 3/4 d4 f a dd2.")
    assert all(n.string is not None for n in api.finger(from_music21(line)).notes)
    opus = stream.Opus()
    for name in ("D4", "E4"):
        score = stream.Score()
        score.append(stream.Part([note.Note(name)]))
        opus.append(score)
    assert [n.pitch_midi for n in from_music21(opus, part="2").notes] == [64]
    with pytest.raises(FormatError, match="found no notes"):
        from_music21(stream.Part([note.Rest()]))
