"""The shipped takes: bars and tempo as they were played, from the labels and through sound.

The takes were put together by a program (see their ``SOURCE.md``); what they are played in is
part of their labels.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from transcribe.core.riff import Note, Riff
from transcribe.formats.document import read_riff
from transcribe.rhythm import find_rhythm

TAKES = Path(__file__).parents[2] / "fixtures" / "takes"
NAMES = sorted(p.parent.name for p in TAKES.glob("*/truth.riff.json"))


def _truth(name: str) -> Riff:
    return read_riff(TAKES / name / "truth.riff.json")


def _bare(riff: Riff) -> tuple[Note, ...]:
    gone = dict.fromkeys(("string", "fret", "onset_beat", "duration_beat"))
    return tuple(dataclasses.replace(n, **gone) for n in riff.notes)


def test_there_are_takes() -> None:
    assert len(NAMES) >= 8


@pytest.mark.parametrize("name", NAMES)
def test_a_take_is_counted_as_it_was_played(name: str) -> None:
    truth = _truth(name)
    assert truth.rhythm is not None
    end = max(n.offset_sec for n in truth.notes)
    rhythm, notes = find_rhythm(_bare(truth), duration_sec=end)
    assert rhythm.meter == truth.rhythm.meter
    assert rhythm.bpm == pytest.approx(truth.rhythm.bpm, rel=0.04)
    assert rhythm.downbeats_sec[0] == pytest.approx(truth.rhythm.downbeats_sec[0], abs=0.07)
    same = [
        a.onset_beat == pytest.approx(b.onset_beat) for a, b in zip(truth.notes, notes, strict=True)
    ]
    assert sum(same) >= 0.95 * len(same)


@pytest.mark.parametrize("name", ["mooring", "gangplank"])
def test_a_take_is_counted_through_its_sound(name: str) -> None:
    from transcribe.audio import read_audio, tuning_offset_cents
    from transcribe.notes import find_notes

    truth = _truth(name)
    assert truth.rhythm is not None
    (sound,) = (p for p in (TAKES / name).iterdir() if p.stem == name)
    recording = read_audio(sound)
    offset = tuning_offset_cents(recording.y, sr=recording.sr)
    heard = find_notes(recording.y, sr=recording.sr, offset_cents=offset)
    rhythm, _ = find_rhythm(
        heard, duration_sec=recording.duration_sec, y=recording.y, sr=recording.sr
    )
    assert rhythm.meter == truth.rhythm.meter
    assert rhythm.bpm == pytest.approx(truth.rhythm.bpm, rel=0.04)
    assert rhythm.downbeats_sec[0] == pytest.approx(truth.rhythm.downbeats_sec[0], abs=0.07)


def test_the_sum_of_three_phrases_does_not_speak_for_a_bar_of_three() -> None:
    """A A B A in phrases of two bars of 4/4: its first and last phrase lie 24 beats apart, eight
    bars of three; its neighbours lie eight beats apart, which are no bars of three at all."""
    first = [(0, 57), (1, 59), (1.5, 60), (2, 59), (2.5, 57), (3, 55), (4, 54), (5, 55), (5.5, 57)]
    other = [(0, 60), (1, 62), (1.5, 60), (2, 59), (3, 57), (3.5, 55), (4, 54), (4.5, 55), (5, 52)]
    notes = []
    for k, phrase in enumerate((first, first, other, first)):
        for beat, pitch in (*phrase, (6, 57)):
            at = 0.5 + (8 * k + beat) * 0.55
            notes.append(Note(len(notes) + 1, at, at + 0.25, pitch))
    notes.append(Note(len(notes) + 1, 0.5 + 32 * 0.55, 0.5 + 34 * 0.55, 57))
    rhythm, _ = find_rhythm(notes, duration_sec=20.0)
    shares = {c.meter: c.confidence for c in rhythm.meter_choices}
    assert shares[4, 4] > 2 * shares[3, 4]
