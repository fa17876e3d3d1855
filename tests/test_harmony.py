"""The player's own neck and hand reach the theory of a riff."""

from __future__ import annotations

import dataclasses

import pytest

from transcribe.core.instrument import make_instrument
from transcribe.core.riff import Bend, Instrument, Note, PlayerSettings, Riff
from transcribe.harmony import theory_report


def strummed(instrument: Instrument, frets: str, **more) -> Riff:
    """One chord struck four times; ``frets`` from the low string to the high one."""
    pitches = [
        instrument.pitch_midi(string, int(fret))
        for string, fret in zip(range(len(frets), 0, -1), frets, strict=True)
        if fret != "x"
    ]
    notes = [Note(0, float(k), k + 0.9, pitch) for k in range(4) for pitch in sorted(pitches)]
    numbered = tuple(dataclasses.replace(n, id=i) for i, n in enumerate(notes, 1))
    return Riff(instrument=instrument, notes=numbered, **more)


def shapes_of(riff: Riff) -> dict[str, str]:
    return {chord.symbol: chord.plain[0].short for chord in theory_report(riff).voicings}


def test_a_ukulele_gets_its_own_shapes() -> None:
    """G on a ukulele is 0232; common practice, no source."""
    assert shapes_of(strummed(make_instrument("ukulele"), "0232")) == {"G": "0232"}


def test_shapes_are_counted_from_the_capo() -> None:
    """An open G shape behind a capo at fret 2 sounds A; common practice, no source."""
    assert shapes_of(strummed(make_instrument("standard", capo=2), "320003")) == {"A": "320003"}
    assert shapes_of(strummed(make_instrument("standard"), "x02220")) == {"A": "x02220"}


def test_no_shape_lies_past_the_last_fret() -> None:
    report = theory_report(strummed(make_instrument("standard", frets=4), "133211"))
    frets = [f for c in report.voicings for _, level in c.levels for s in level for f in s.frets]
    assert max(f for f in frets if f is not None) <= 4
    assert max(n.fret for n in (*report.scale_on_string, *report.scale_in_position)) <= 4


@pytest.mark.parametrize("span_mm", [60.0, 110.0])
def test_shapes_fit_the_hand(span_mm: float) -> None:
    riff = strummed(
        make_instrument("standard"), "x13331", player=PlayerSettings(hand_span_mm=span_mm)
    )
    report = theory_report(riff)
    shapes = [s for c in report.voicings for _, level in c.levels for s in level]
    assert shapes
    assert all(shape.stretch_mm <= span_mm for shape in shapes)
    assert any(shape.stretch_mm > 60.0 for shape in shapes) == (span_mm > 60.0)


def test_a_longer_scale_has_wider_stretches() -> None:
    guitar, baritone = (
        theory_report(strummed(make_instrument("standard", scale_length_mm=mm), "x32010"))
        for mm in (648.0, 700.0)
    )
    wide = baritone.voicings[0].plain[0].stretch_mm / guitar.voicings[0].plain[0].stretch_mm
    assert wide == pytest.approx(700 / 648, rel=0.01)


@pytest.mark.parametrize("bend", [Bend(semitones=2.0), Bend(cents=205.0)])
def test_a_bend_counts_at_the_pitch_it_reaches(bend: Bend) -> None:
    """A lick of A minor pentatonic whose E is bent up from D; common practice, no source."""
    pitches = (57, 60, 62, 62, 67, 69, 67, 62, 60, 57)
    notes = tuple(
        Note(k, 0.5 * k, 0.5 * k + 0.45, pitch, bend=bend if k in (3, 7) else None)
        for k, pitch in enumerate(pitches)
    )
    bent, plain = (
        theory_report(Riff(notes=notes)).mode,
        theory_report(Riff(notes=tuple(dataclasses.replace(n, bend=None) for n in notes))).mode,
    )
    assert bent is not None
    assert plain is not None
    assert str(bent) == "A minor pentatonic"
    assert [d.count for d in bent.degrees if d.note == "E"] == [2]
    assert not any(d.count for d in plain.degrees if d.note == "E")
