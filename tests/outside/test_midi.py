"""MIDI files against the MIDI 1.0 specification and a second reader.

Sources: Standard MIDI Files 1.0 and the MIDI 1.0 Detailed Specification (chunks, note numbers,
pitch bend centre 8192, registered parameter 0 = bend range, channel 10 = drums in General MIDI);
pretty_midi as second reader.
"""

from __future__ import annotations

import io
import itertools
import struct

import pretty_midi
import pytest

from tests.formats.riffs import RIFFS, drone_riff, make_riff
from transcribe.core.riff import Riff
from transcribe.formats.midi import write_midi


def _shift(riff: Riff) -> float:
    """Seconds from the start of the first written bar to the riff's second 0."""
    assert riff.rhythm is not None
    first = min(n.onset_beat or 0.0 for n in riff.notes)
    if first >= 0:
        return 0.0
    bar = riff.rhythm.meter[0]
    lead = -int(first // bar) * bar
    return lead * 60.0 / riff.rhythm.bpm - riff.rhythm.downbeats_sec[0]


@pytest.mark.parametrize("name", RIFFS)
def test_second_reader_hears_the_same_notes(name: str) -> None:
    riff = RIFFS[name]()
    other = pretty_midi.PrettyMIDI(io.BytesIO(write_midi(riff)))
    found = sorted((n.start, n.pitch) for i in other.instruments for n in i.notes)
    known = sorted((n.onset_sec + _shift(riff), n.pitch_midi) for n in riff.notes)
    assert len(found) == len(known)
    for (start, pitch), (onset, midi) in zip(found, known, strict=True):
        assert pitch == midi
        assert start == pytest.approx(onset, abs=2e-3)
    assert not any(i.is_drum for i in other.instruments)


@pytest.mark.parametrize("name", RIFFS)
def test_second_reader_finds_the_meter_and_the_beats(name: str) -> None:
    riff = RIFFS[name]()
    assert riff.rhythm is not None
    other = pretty_midi.PrettyMIDI(io.BytesIO(write_midi(riff)))
    (meter,) = other.time_signature_changes
    assert (meter.numerator, meter.denominator) == riff.rhythm.meter
    downbeats = other.get_downbeats()
    bar_sec = riff.rhythm.meter[0] * 60.0 / riff.rhythm.bpm
    for a, b in itertools.pairwise(downbeats):
        assert b - a == pytest.approx(bar_sec, rel=1e-3)


def test_chunks_are_those_of_the_specification() -> None:
    """Header chunk of length 6 with format 1, two tracks, 480 ticks; tracks end with FF 2F 00."""
    data = write_midi(drone_riff())
    assert data[:4] == b"MThd"
    length, kind, tracks, division = struct.unpack(">IHHH", data[4:14])
    assert (length, kind, tracks, division) == (6, 1, 2, 480)
    at = 14
    for _ in range(tracks):
        assert data[at : at + 4] == b"MTrk"
        size = struct.unpack(">I", data[at + 4 : at + 8])[0]
        assert data[at + 8 + size - 3 : at + 8 + size] == b"\xff\x2f\x00"
        at += 8 + size
    assert at == len(data)


def test_middle_c_is_note_60_and_a4_is_69() -> None:
    data = write_midi(make_riff([(0, 1, 2, 1), (1, 1, 1, 5)]))
    assert bytes([0x91, 60]) in data
    assert bytes([0x90, 69]) in data


def test_bend_range_is_registered_parameter_nought() -> None:
    """CC 101 = 0 and CC 100 = 0 choose the range, CC 6 sets it in semitones."""
    data = write_midi(make_riff([(0, 1, 1, 5, "bend")]))
    assert bytes([0xB0, 101, 0]) in data
    assert bytes([101, 0, 0, 0xB0, 100, 0]) in data or bytes([101, 0, 0, 100, 0]) in data
    other = pretty_midi.PrettyMIDI(io.BytesIO(data))
    (guitar,) = [i for i in other.instruments if i.notes]
    bends = [b.pitch for b in guitar.pitch_bends]
    assert max(bends) == pytest.approx(8192 / 12, abs=1)
    assert bends[-1] == 0


def test_program_is_a_guitar_of_general_midi() -> None:
    other = pretty_midi.PrettyMIDI(io.BytesIO(write_midi(drone_riff())))
    names = {pretty_midi.program_to_instrument_name(i.program) for i in other.instruments}
    assert names == {"Acoustic Guitar (steel)"}
