"""A string of a grip that is barely heard between two that are."""

from __future__ import annotations

from transcribe.notes.grip_strings import grip_strings
from transcribe.notes.note_decoding import DetectedNote

A_MINOR = (45, 52, 57, 60, 64)  # x02210


def _note(onset_sec: float, pitch: int, confidence: float = 0.97) -> DetectedNote:
    frame = round(onset_sec * 43)
    return DetectedNote(onset_sec, onset_sec + 0.4, pitch, confidence, frame, frame + 17)


def _strums(left_out: dict[int, tuple[int, ...]]) -> list[DetectedNote]:
    """Four strokes of A minor, 12 ms from string to string, without the pitches left out."""
    return [
        _note(0.5 * stroke + 0.012 * k, pitch)
        for stroke in range(4)
        for k, pitch in enumerate(A_MINOR)
        if pitch not in left_out.get(stroke, ())
    ]


def _found(left_out: dict[int, tuple[int, ...]], *doubtful: DetectedNote) -> list[DetectedNote]:
    notes = _strums(left_out)
    return grip_strings(notes, ["picked"] * len(notes), doubtful)


def test_a_string_between_two_that_are_heard_is_of_the_stroke_and_stays_unsure() -> None:
    (found,) = _found({2: (57,)}, _note(1.024, 57, confidence=0.3))
    assert found.pitch_midi == 57
    assert 0.5 < found.confidence < 0.8


def test_what_is_not_of_the_grip_stays_out() -> None:
    assert _found({2: (57,)}, _note(1.024, 58, confidence=0.3)) == []


def test_a_string_that_the_stroke_may_not_have_reached_stays_out() -> None:
    assert _found({2: (64,)}, _note(1.05, 64, confidence=0.3)) == []


def test_what_is_heard_between_the_strokes_stays_out() -> None:
    assert _found({2: (57,)}, _note(1.3, 57, confidence=0.3)) == []


def test_a_single_line_has_no_grips() -> None:
    line = [_note(0.25 * k, 57 + k % 3) for k in range(12)]
    assert grip_strings(line, ["picked"] * 12, [_note(0.5, 58, confidence=0.3)]) == []
