"""MIDI: both clocks, strings and techniques come back; files of any program are read."""

from __future__ import annotations

import io
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

import mido
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.formats.riffs import RIFFS, drone_riff, legato_riff, make_riff, riffs
from transcribe.core.errors import FormatError, ParameterError
from transcribe.core.riff import Bend, Instrument, Note, Rhythm, Riff
from transcribe.core.wording import sentence
from transcribe.formats.midi import read_midi, write_midi


def _keys(notes: Iterable[Note]) -> list[tuple[object, ...]]:
    return sorted(
        (round(n.onset_beat or 0.0, 3), n.pitch_midi, n.string, n.fret, n.articulation)
        for n in notes
    )


def _back(riff: Riff, folder: Path) -> Riff:
    path = folder / "riff.mid"
    path.write_bytes(write_midi(riff))
    return read_midi(path)


@pytest.mark.parametrize("name", RIFFS)
def test_known_riffs_come_back(name: str, tmp_path: Path) -> None:
    riff = RIFFS[name]()
    back = _back(riff, tmp_path)
    assert _keys(back.notes) == _keys(riff.notes)
    assert back.instrument == riff.instrument
    assert back.rhythm is not None
    assert riff.rhythm is not None
    assert back.rhythm.meter == riff.rhythm.meter
    assert back.rhythm.bpm == pytest.approx(riff.rhythm.bpm, rel=1e-3)
    for a, b in zip(riff.notes, back.notes, strict=True):
        assert b.onset_sec == pytest.approx(a.onset_sec, abs=1e-3)


@settings(max_examples=60, deadline=None)
@given(riff=riffs())
def test_any_riff_comes_back(riff: Riff, tmp_path_factory: pytest.TempPathFactory) -> None:
    assert _keys(_back(riff, tmp_path_factory.mktemp("m")).notes) == _keys(riff.notes)


def test_tempo_map_follows_the_beats(tmp_path: Path) -> None:
    """A take that slows down: score times stay on the grid, seconds follow the player."""
    riff = drone_riff()
    assert riff.rhythm is not None
    beats = np.cumsum(np.concatenate([[0.4], np.linspace(0.5, 0.8, 17)]))
    sec = {float(i): float(t) for i, t in enumerate(beats)}
    rhythm = Rhythm(96.0, (4, 4), tuple(beats), tuple(beats[::4]))

    def at(beat: float) -> float:
        return float(np.interp(beat, list(sec), list(sec.values())))

    notes = tuple(
        replace(
            n,
            onset_sec=at(n.onset_beat or 0.0),
            offset_sec=at((n.onset_beat or 0.0) + (n.duration_beat or 1.0)),
        )
        for n in riff.notes
    )
    back = _back(replace(riff, rhythm=rhythm, notes=notes), tmp_path)
    for a, b in zip(notes, back.notes, strict=True):
        assert b.onset_beat == pytest.approx(a.onset_beat, abs=1e-3)
        assert b.onset_sec == pytest.approx(a.onset_sec, abs=2e-3)


def test_without_rhythm_the_seconds_are_kept(tmp_path: Path) -> None:
    riff = drone_riff()
    notes = tuple(replace(n, onset_beat=None, duration_beat=None) for n in riff.notes)
    back = _back(replace(riff, rhythm=None, notes=notes), tmp_path)
    for a, b in zip(riff.notes, back.notes, strict=True):
        assert b.onset_sec == pytest.approx(a.onset_sec, abs=1.1e-3)
        assert b.offset_sec == pytest.approx(a.offset_sec, abs=1.1e-3)


def test_one_channel_for_each_string_without_the_drums() -> None:
    riff = make_riff(
        [(i, 1, i + 1, 0) for i in range(12)], instrument=Instrument(tuple(range(80, 20, -5)))
    )
    file = mido.MidiFile(file=io.BytesIO(write_midi(riff)))
    channels = [m.channel for t in file.tracks for m in t if m.type == "note_on"]
    assert channels == [0, 1, 2, 3, 4, 5, 6, 7, 8, 10, 11, 12]


def test_a_pitch_struck_again_is_let_go_first() -> None:
    riff = make_riff([(0, 4, 4, 0), (2, 4, 4, 0)])
    file = mido.MidiFile(file=io.BytesIO(write_midi(riff)))
    kinds = [m.type for t in file.tracks for m in t if m.type.startswith("note_")]
    assert kinds == ["note_on", "note_off", "note_on", "note_off"]


@pytest.mark.parametrize("rise", [1, 2, 3])
def test_bend_rises_to_its_height(rise: int, tmp_path: Path) -> None:
    riff = make_riff([(0, 2, 2, 7, "bend"), (0, 2, 1, 5)])
    notes = tuple(
        replace(n, bend=Bend(semitones=rise)) if n.articulation == "bend" else n for n in riff.notes
    )
    data = write_midi(replace(riff, notes=notes))
    wheel = [
        (m.channel, m.pitch)
        for t in mido.MidiFile(file=io.BytesIO(data)).tracks
        for m in t
        if m.type == "pitchwheel"
    ]
    assert {channel for channel, _ in wheel} == {1}
    assert max(p for _, p in wheel) / 8192 * 12 == pytest.approx(rise, abs=0.01)
    assert wheel[-1][1] == 0
    path = tmp_path / "riff.mid"
    path.write_bytes(data)
    bent = next(n for n in read_midi(path).notes if n.articulation == "bend")
    assert bent.bend == Bend(semitones=rise)


def test_a_bend_that_was_heard_rises_as_far_and_falls_where_it_is_let_down(tmp_path: Path) -> None:
    riff = make_riff([(0, 2, 2, 7, "bend"), (0, 2, 1, 5)])
    heard = Bend(cents=195.0, released=True)
    notes = tuple(replace(n, bend=heard) if n.articulation == "bend" else n for n in riff.notes)
    data = write_midi(replace(riff, notes=notes))
    track = mido.MidiFile(file=io.BytesIO(data)).tracks[1]
    wheel = [m.pitch for m in track if m.type == "pitchwheel"]
    top = int(np.argmax(wheel))
    assert wheel[top] == round(8192 * 1.95 / 12)
    assert wheel[top:] == sorted(wheel[top:], reverse=True)
    assert wheel[-1] == 0
    path = tmp_path / "bent.mid"
    path.write_bytes(data)
    bent = next(n for n in read_midi(path).notes if n.articulation == "bend")
    assert bent.bend == Bend(semitones=2)


def test_pickup_keeps_its_negative_beats(tmp_path: Path) -> None:
    back = _back(legato_riff(), tmp_path)
    assert [n.onset_beat for n in back.notes[:3]] == [-1.0, -0.5, 0.0]
    assert back.rhythm is not None
    assert back.rhythm.downbeats_sec[0] == pytest.approx(legato_riff().notes[2].onset_sec)


def test_loudness_is_velocity() -> None:
    riff = make_riff([(0, 1, 1, 0), (1, 1, 1, 2)])
    soft, loud = riff.notes
    notes = (replace(soft, loudness_db=-35.0), replace(loud, loudness_db=-8.0))
    file = mido.MidiFile(file=io.BytesIO(write_midi(replace(riff, notes=notes))))
    first, second = (m.velocity for t in file.tracks for m in t if m.type == "note_on")
    assert 1 <= first < second <= 127


def test_chord_markers_come_back(tmp_path: Path) -> None:
    back = _back(drone_riff(), tmp_path)
    assert back.theory is not None
    assert [c["symbol"] for c in back.theory["chords"]] == ["Dm", "G", "Dm", "C"]


def test_title_in_any_script() -> None:
    riff = replace(drone_riff(), source=replace(drone_riff().source, file="Übung für Čet – 弦.wav"))  # type: ignore[type-var]
    assert write_midi(riff).startswith(b"MThd")


def test_empty_riff_is_a_file() -> None:
    assert mido.MidiFile(file=io.BytesIO(write_midi(Riff()))).length >= 0


# Files of other programs -------------------------------------------------------------------


def _file(tracks: list[list[Any]], *, kind: int = 1, ticks: int = 96) -> mido.MidiFile:
    file = mido.MidiFile(type=kind, ticks_per_beat=ticks)
    for messages in tracks:
        track = mido.MidiTrack()
        track.extend(messages)
        file.tracks.append(track)
    return file


def _notes(*pitches: int, channel: int = 0, ticks: int = 96) -> list[Any]:
    out = []
    for pitch in pitches:
        out.append(mido.Message("note_on", channel=channel, note=pitch, velocity=90, time=0))
        out.append(mido.Message("note_on", channel=channel, note=pitch, velocity=0, time=ticks))
    return out


def _saved(file: mido.MidiFile, folder: Path) -> Path:
    path = folder / "other.mid"
    file.save(path)
    return path


def test_read_format_0(tmp_path: Path) -> None:
    tempo = [mido.MetaMessage("set_tempo", tempo=1_000_000)]
    meter = [mido.MetaMessage("time_signature", numerator=3, denominator=4)]
    riff = read_midi(_saved(_file([tempo + meter + _notes(60, 62, 64)], kind=0), tmp_path))
    assert [n.pitch_midi for n in riff.notes] == [60, 62, 64]
    assert [n.onset_sec for n in riff.notes] == [0.0, 1.0, 2.0]
    assert [n.onset_beat for n in riff.notes] == [0.0, 1.0, 2.0]
    assert all(n.string is None for n in riff.notes)
    assert riff.rhythm is not None
    assert riff.rhythm.meter == (3, 4)
    assert riff.rhythm.bpm == pytest.approx(60)


def test_read_tempo_change_in_another_track(tmp_path: Path) -> None:
    tempo = [
        mido.MetaMessage("set_tempo", tempo=500_000),
        mido.MetaMessage("set_tempo", tempo=1_000_000, time=96),
    ]
    riff = read_midi(_saved(_file([tempo, _notes(60, 62, 64)]), tmp_path))
    assert [n.onset_sec for n in riff.notes] == [0.0, 0.5, 1.5]


def test_read_leaves_the_drums_out(tmp_path: Path) -> None:
    riff = read_midi(_saved(_file([_notes(36, 38, channel=9), _notes(60)]), tmp_path))
    assert [n.pitch_midi for n in riff.notes] == [60]
    with pytest.raises(FormatError, match="no notes"):
        read_midi(_saved(_file([_notes(36, 38, channel=9)]), tmp_path))


def test_read_picks_the_guitar_and_says_so(tmp_path: Path) -> None:
    piano = [mido.MetaMessage("track_name", name="Piano"), *_notes(*range(60, 80))]
    guitar = [
        mido.MetaMessage("track_name", name="Nylon"),
        mido.Message("program_change", program=24),
        *_notes(52, 55),
    ]
    path = _saved(_file([piano, guitar]), tmp_path)
    riff = read_midi(path)
    assert [n.pitch_midi for n in riff.notes] == [52, 55]
    assert sentence(riff.warnings[0]) == "Part 2, Nylon, is used; 1 Piano is left out."
    for name in ("1", "Piano", "pia"):
        piano_riff = read_midi(path, part=name)
        assert piano_riff.notes[0].pitch_midi == 60
        assert [remark.kind for remark in piano_riff.warnings] == ["tempo-taken"]
    with pytest.raises(ParameterError, match="no part '3'; there are 1 Piano, 2 Nylon"):
        read_midi(path, part="3")


def test_read_format_0_with_several_channels(tmp_path: Path) -> None:
    both = [mido.Message("program_change", program=26, channel=2)]
    both += _notes(*range(70, 90), channel=1) + _notes(50, 52, channel=2)
    riff = read_midi(_saved(_file([both], kind=0), tmp_path))
    assert [n.pitch_midi for n in riff.notes] == [50, 52]


def test_read_running_status_and_notes_never_let_go(tmp_path: Path) -> None:
    """Bytes by hand: status 0x90 once, then pairs of data; the last note is never ended."""
    events = bytes([0, 0x90, 60, 80, 96, 60, 0, 0, 64, 80, 96, 0xFF, 0x2F, 0])
    data = b"MThd" + (6).to_bytes(4, "big") + bytes([0, 0, 0, 1, 0, 96])
    data += b"MTrk" + len(events).to_bytes(4, "big") + events
    path = tmp_path / "hand.mid"
    path.write_bytes(data)
    riff = read_midi(path)
    assert [(n.pitch_midi, n.onset_sec, n.offset_sec) for n in riff.notes] == [
        (60, 0.0, 0.5),
        (64, 0.5, 1.0),
    ]


def test_read_time_code_division(tmp_path: Path) -> None:
    """25 frames of 40 ticks: a tick is a millisecond (MIDI 1.0, division with bit 15 set)."""
    events = bytes([0, 0x90, 60, 80, 0x83, 0x74, 0x80, 60, 0, 0, 0xFF, 0x2F, 0])  # 500 ticks
    data = b"MThd" + (6).to_bytes(4, "big") + bytes([0, 0, 0, 1, 0xE7, 40])
    data += b"MTrk" + len(events).to_bytes(4, "big") + events
    path = tmp_path / "code.mid"
    path.write_bytes(data)
    (note,) = read_midi(path).notes
    assert note.offset_sec - note.onset_sec == pytest.approx(0.5)


def test_read_bends_of_other_programs(tmp_path: Path) -> None:
    bend = [
        mido.Message("note_on", note=60, velocity=80),
        mido.Message("pitchwheel", pitch=8191, time=48),
        mido.Message("note_off", note=60, time=48),
        mido.Message("pitchwheel", pitch=0),
        *_notes(62),
    ]
    first, second = read_midi(_saved(_file([bend]), tmp_path)).notes
    assert (first.articulation, first.bend) == ("bend", Bend(semitones=2))
    assert second.articulation == "picked"


def test_read_meter_change_is_said(tmp_path: Path) -> None:
    meters = [
        mido.MetaMessage("time_signature", numerator=4, denominator=4),
        mido.MetaMessage("time_signature", numerator=3, denominator=4, time=384),
    ]
    riff = read_midi(_saved(_file([meters, _notes(60, 62)]), tmp_path))
    assert "meter changes" in sentence(riff.warnings[0])


# Malformed ---------------------------------------------------------------------------------

GOOD = write_midi(drone_riff())


@pytest.mark.parametrize(
    ("data", "match"),
    [
        (b"", "expected b'MThd'"),
        (b"RIFFxxxxWAVE", "expected b'MThd'"),
        (b"Dear students,\n", "expected b'MThd'"),
        (GOOD[:10], "damaged"),
        (GOOD[: len(GOOD) // 2], "damaged"),
        (GOOD[:8] + bytes([0, 2]) + GOOD[10:], "format 2"),
        (GOOD[:12] + bytes([0, 0]) + GOOD[14:], "0 ticks"),
        (b"MThd" + (6).to_bytes(4, "big") + bytes([0, 1, 0, 0, 0, 96]), "no notes"),
    ],
    ids=["empty", "wav", "text", "head", "half", "format 2", "ticks", "no tracks"],
)
def test_malformed(data: bytes, match: str, tmp_path: Path) -> None:
    path = tmp_path / "riff.mid"
    path.write_bytes(data)
    with pytest.raises(FormatError, match=match) as caught:
        read_midi(path)
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith(str(path))


@pytest.mark.parametrize("meter", [(4, 127), (0, 2), (200, 2)])
def test_a_meter_that_no_music_has_is_left_out(meter: tuple[int, int], tmp_path: Path) -> None:
    """One byte can tell of a beat so short that the file has no end of beats (SMF 1.0, FF 58)."""
    path = tmp_path / "riff.mid"
    at = GOOD.index(b"\xff\x58\x04") + 3
    path.write_bytes(GOOD[:at] + bytes(meter) + GOOD[at + 2 :])
    riff = read_midi(path)
    assert riff.rhythm is not None
    assert riff.rhythm.meter == (4, 4)
    assert [sentence(r) for r in riff.warnings] == ["A meter that no music has is left out."]
    assert len(riff.notes) == len(drone_riff().notes)


def test_a_riff_without_end_is_refused(tmp_path: Path) -> None:
    """A note that begins after 33 million quarters."""
    track = b"\x8f\xff\xff\x7f\x90\x40\x40\xff\xff\xff\x7f\x80\x40\x40\x00\xff\x2f\x00"
    head = b"MThd" + (6).to_bytes(4, "big") + bytes([0, 0, 0, 1, 0, 1])
    path = tmp_path / "riff.mid"
    path.write_bytes(head + b"MTrk" + len(track).to_bytes(4, "big") + track)
    with pytest.raises(FormatError, match="over 100000 beats"):
        read_midi(path)


def test_missing_and_folder(tmp_path: Path) -> None:
    with pytest.raises(FormatError, match="no such file"):
        read_midi(tmp_path / "none.mid")
    with pytest.raises(FormatError, match="cannot be read"):
        read_midi(tmp_path)


@settings(max_examples=150, deadline=None)
@given(data=riffs().map(write_midi), at=st.integers(14, 400))
def test_a_scratched_byte_is_read_or_refused(
    data: bytes, at: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """No damage leads to anything but a riff or one FormatError."""
    path = tmp_path_factory.mktemp("s") / "riff.mid"
    at %= len(data)
    path.write_bytes(data[:at] + bytes([data[at] ^ 0x5A]) + data[at + 1 :])
    try:
        riff = read_midi(path)
    except FormatError as error:
        refused = str(error)
        path.write_text(refused)
    else:
        assert riff.notes
