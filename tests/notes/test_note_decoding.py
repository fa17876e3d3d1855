"""Decoding, strings, articulation and measuring, on answers that the tests write themselves."""

from __future__ import annotations

import numpy as np
import pytest

from transcribe.core.riff import ARTICULATIONS, Bend, Instrument
from transcribe.notes.articulation import articulations, bend_cents, heard_bend
from transcribe.notes.features import LOW_MIDI, SEMITONES, SR
from transcribe.notes.measure import loudness_and_cents
from transcribe.notes.network import FIRST_MIDI, PITCHES, Activations
from transcribe.notes.note_decoding import (
    EVIDENCE,
    FRAME_SEC,
    DetectedNote,
    candidates,
    confidence,
    decode,
    evidence,
    prior_shift,
)
from transcribe.notes.strings import can_sound_together, fit_strings


def _heard(
    notes: list[tuple[int, int, int]], *, frames: int = 120, articulation: str = "picked"
) -> Activations:
    """A network's answer that is sure of (first frame, last frame, pitch), and a sound in which
    each of these is a strike: its partials rise by 24 dB."""
    shape = (frames, PITCHES)
    onset, sounding, offset = (np.full(shape, 0.01, np.float32) for _ in range(3))
    articulation_said = np.zeros((*shape, len(ARTICULATIONS)), np.float16)
    level = np.full((frames, SEMITONES), 0.3, np.float32)
    for first, last, pitch in notes:
        column = pitch - FIRST_MIDI
        onset[first, column] = 0.97
        sounding[first:last, column] = 0.97
        offset[last - 1 : last, column] = 0.8
        articulation_said[first : first + 12, column, ARTICULATIONS.index(articulation)] = 9.0
        partials = pitch - LOW_MIDI + np.array([0, 12, 19, 24])
        level[first:last, partials] = 0.6
        level[last:, partials] = 0.3
    zero = np.zeros(shape, np.float32)
    silent = np.zeros(frames, np.float32)
    return Activations(onset, sounding, offset, zero, zero.copy(), articulation_said, silent, level)


def _found(onset: float, offset: float, pitch: int, confidence: float = 0.95) -> DetectedNote:
    frame = round(onset / FRAME_SEC)
    return DetectedNote(onset, offset, pitch, confidence, frame, round(offset / FRAME_SEC))


def test_decode_finds_notes_with_their_ends() -> None:
    found = decode(_heard([(10, 60, 50), (10, 30, 62), (40, 70, 64)]))
    assert [(n.frame, n.pitch_midi) for n in found] == [(10, 50), (10, 62), (40, 64)]
    assert found[1].offset_sec == pytest.approx(30 * FRAME_SEC, abs=2 * FRAME_SEC)
    assert all(0.5 < n.confidence <= 1.0 for n in found)


def test_decode_keeps_a_note_that_is_struck_again() -> None:
    found = decode(_heard([(10, 40, 50), (40, 70, 50)]))
    assert [n.frame for n in found] == [10, 40]
    assert found[0].offset_sec <= found[1].onset_sec + 1e-6


def test_decode_refines_the_onset_within_a_frame() -> None:
    activations = _heard([(20, 40, 55)])
    activations.shift[20, 55 - FIRST_MIDI] = 0.4
    assert decode(activations)[0].onset_sec == pytest.approx(20.4 * FRAME_SEC)


def test_decode_needs_more_for_pitches_that_no_string_gives() -> None:
    activations = _heard([(10, 40, 37)])
    activations.onset[10, 37 - FIRST_MIDI] = 0.9
    alone = decode(activations)
    assert len(alone) == 1
    assert 0.5 < alone[0].confidence < 0.85
    assert decode(activations, instrument=Instrument()) == []
    activations.onset[10, 37 - FIRST_MIDI] = 0.999
    assert len(decode(activations, instrument=Instrument())) == 1


def test_evidence_sees_the_note_an_octave_below() -> None:
    alone = _heard([(10, 40, 64)])
    over = _heard([(10, 40, 52), (10, 40, 64)])
    column = EVIDENCE.index("octave below")
    at = [evidence(h, candidates(h))[-1, column] for h in (alone, over)]
    assert at[1] > at[0] + 1.0


def test_candidates_one_peak_within_46_ms() -> None:
    activations = _heard([(10, 40, 60)])
    activations.onset[12, 60 - FIRST_MIDI] = 0.6
    peaks = candidates(activations)
    assert peaks.frame.tolist() == [10]


def test_can_sound_together_counts_strings() -> None:
    standard = Instrument()
    assert can_sound_together([40, 45, 50, 55, 59, 64], standard)
    assert not can_sound_together([40, 41], standard)  # both lie on string 6 alone
    assert not can_sound_together([50, 52, 53, 55, 57, 59, 60], None)


def test_fit_strings_ends_the_note_whose_string_is_needed() -> None:
    low, next_low = _found(0.0, 3.0, 40), _found(1.0, 2.0, 41)
    fitted = fit_strings([low, next_low], Instrument())
    assert [n.pitch_midi for n in fitted] == [40, 41]
    assert fitted[0].offset_sec == pytest.approx(1.0)


def test_fit_strings_drops_only_doubtful_notes_struck_together() -> None:
    doubtful = [_found(0.0, 1.0, 40), _found(0.01, 1.0, 41, confidence=0.6)]
    assert len(fit_strings(doubtful, Instrument())) == 1
    sure = [_found(0.0, 1.0, 40), _found(0.01, 1.0, 41)]
    assert len(fit_strings(sure, Instrument())) == 2


def test_articulations_rule_out_what_has_no_source() -> None:
    activations = _heard([(10, 30, 60), (30, 60, 62)], articulation="hammer-on")
    names = articulations(decode(activations), activations)
    assert names == ["picked", "hammer-on"]
    falling = _heard([(10, 30, 62), (30, 60, 60)], articulation="hammer-on")
    assert articulations(decode(falling), falling)[1] != "hammer-on"


def test_bend_cents_is_the_furthest_of_the_bend() -> None:
    activations = _heard([(10, 50, 62)], articulation="bend")
    activations.bend[20:40, 62 - FIRST_MIDI] = 1.98
    note = decode(activations)[0]
    assert bend_cents(note, activations) == pytest.approx(198.0)
    assert heard_bend(note, activations) == Bend(cents=198.0, released=True)
    activations.bend[40:50, 62 - FIRST_MIDI] = 1.7
    assert not heard_bend(note, activations).released
    assert articulations([note], activations) == ["bend"]
    activations.bend[:] = 0.05
    assert articulations([note], activations) != ["bend"]


@pytest.mark.parametrize(("pitch_midi", "cents"), [(45, -18.0), (57, 12.0), (69, 0.0), (76, 31.0)])
def test_loudness_and_cents_of_a_known_tone(pitch_midi: int, cents: float) -> None:
    t = np.arange(SR) / SR
    hz = 440.0 * 2.0 ** ((pitch_midi + cents / 100.0 - 69.0) / 12.0)
    y = sum(0.1 / n * np.sin(2.0 * np.pi * n * hz * t) for n in range(1, 5))
    loudness, found = loudness_and_cents(
        np.asarray(y, np.float32), onset_sec=0.1, offset_sec=0.8, pitch_midi=pitch_midi
    )
    assert found == pytest.approx(cents, abs=3.0)
    power = sum((0.1 / n) ** 2 for n in range(1, 5))
    assert loudness == pytest.approx(10.0 * np.log10(power), abs=0.7)


def test_loudness_and_cents_past_the_end_says_nothing() -> None:
    assert loudness_and_cents(
        np.zeros(SR, np.float32), onset_sec=0.999, offset_sec=1.5, pitch_midi=60
    ) == (-120.0, 0.0)


def test_confidence_grows_with_the_evidence_and_is_never_certain() -> None:
    sure = confidence(np.array([-40.0, -1.0, 0.0, 1.0, 3.0, 40.0]))
    assert (np.diff(sure) > 0).all()
    assert sure[0] == pytest.approx(0.0, abs=1e-6)
    assert 0.9 < sure[-1] < 1.0


def test_prior_shift_finds_how_many_candidates_are_notes() -> None:
    # Scores of a logistic model fitted where four in five are right, on takes with other shares:
    # two normal distributions three apart, whose log odds are known in closed form.
    rng = np.random.default_rng(2)
    right, count = 0.8, 4000
    for share in (0.8, 0.6, 0.4):
        notes = int(share * count)
        x = np.r_[rng.normal(3.0, 1.0, notes), rng.normal(0.0, 1.0, count - notes)]
        log_odds = 3.0 * x - 4.5 + np.log(right / (1.0 - right))
        expected = np.log(share / (1.0 - share)) - np.log(right / (1.0 - right))
        assert prior_shift(log_odds, right=right) == pytest.approx(expected, abs=0.12)


def test_prior_shift_neither_emboldens_nor_empties_a_take() -> None:
    assert prior_shift(np.full(50, 9.0), right=0.8) == 0.0
    assert prior_shift(np.full(50, -9.0), right=0.8) == -2.0
    assert prior_shift(np.zeros(0), right=0.8) == 0.0
