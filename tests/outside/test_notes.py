"""The note stage against outside truth.

Sources: A4 = 440 Hz is ISO 16:1975; MIDI 1.0 numbers it 69, and a semitone is the twelfth root of
two. The matching rule and its scores are those of mir_eval (Raffel et al. 2014, ISMIR). The
partials of a stiff string, f_n = n f_0 sqrt(1 + B n^2), are from Fletcher 1964, JASA 36.
"""

from __future__ import annotations

import mir_eval.transcription
import numpy as np
import pytest

from transcribe.notes import find_notes

SR = 22050


def _stiff_string(hz: float, *, onset_sec: float, seconds: float, stiffness: float) -> np.ndarray:
    """A plucked stiff string, added up partial by partial."""
    t = np.arange(int(seconds * SR)) / SR - onset_sec
    y = np.zeros_like(t)
    for n in range(1, 16):
        partial = n * hz * np.sqrt(1.0 + stiffness * n**2)
        if partial > 0.45 * SR:
            break
        level = np.sin(np.pi * n / 5.0) / n
        fall = np.exp(-np.maximum(t, 0.0) * (1.2 + 0.25 * n))
        y += np.where(t >= 0, level * fall * np.sin(2.0 * np.pi * partial * t), 0.0)
    return 0.3 * y


@pytest.mark.parametrize(
    ("hz", "pitch_midi"),
    # Equal temperament from A4 = 440 Hz, as printed in handbooks, to the hundredth of a hertz.
    [
        (82.41, 40),
        (110.00, 45),
        (146.83, 50),
        (196.00, 55),
        (246.94, 59),
        (329.63, 64),
        (440.0, 69),
    ],
)
def test_find_notes_names_the_pitches_of_the_tables(hz: float, pitch_midi: int) -> None:
    y = _stiff_string(hz, onset_sec=0.3, seconds=1.6, stiffness=5e-5)
    found = find_notes(y, sr=SR)
    assert [n.pitch_midi for n in found] == [pitch_midi]
    assert found[0].onset_sec == pytest.approx(0.3, abs=0.02)
    assert abs(found[0].cents) < 6.0


def test_find_notes_scored_by_mir_eval() -> None:
    # A drone on D3 with a melody over it; the truth goes to mir_eval as seconds and hertz.
    truth = [(0.2, 146.83), (0.2, 293.66), (0.7, 329.63), (1.2, 349.23), (1.7, 392.0)]
    y = sum(_stiff_string(hz, onset_sec=onset, seconds=3.0, stiffness=3e-5) for onset, hz in truth)
    found = find_notes(np.asarray(y), sr=SR)
    precision, recall, f1, _ = mir_eval.transcription.precision_recall_f1_overlap(
        np.array([(onset, 3.0) for onset, _ in truth]),
        np.array([hz for _, hz in truth]),
        np.array([(n.onset_sec, n.offset_sec) for n in found]),
        np.array([440.0 * 2.0 ** ((n.pitch_midi - 69) / 12.0) for n in found]),
        onset_tolerance=0.05,
        pitch_tolerance=50.0,
        offset_ratio=None,
    )
    assert recall == 1.0
    assert precision >= 0.8
    assert f1 >= 0.9


def test_match_agrees_with_mir_eval(rng: np.random.Generator) -> None:
    pytest.importorskip("torch")
    from transcribe.training.score import match

    for _ in range(20):
        truth = [
            (float(t), int(p))
            for t, p in zip(rng.random(30), rng.integers(60, 64, 30), strict=True)
        ]
        found = [
            (float(t), int(p))
            for t, p in zip(rng.random(25), rng.integers(60, 64, 25), strict=True)
        ]

        def arrays(notes: list[tuple[float, int]]) -> tuple[np.ndarray, np.ndarray]:
            spans = np.array([(t, t + 0.5) for t, _ in notes])
            return spans, np.array([440.0 * 2.0 ** ((p - 69) / 12.0) for _, p in notes])

        theirs = mir_eval.transcription.match_notes(
            *arrays(truth), *arrays(found), onset_tolerance=0.05, offset_ratio=None
        )
        assert len(match(truth, found)) == len(theirs)
