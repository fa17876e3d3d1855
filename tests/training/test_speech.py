"""The talk of generated sessions is taken for talk, and holds no notes."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from transcribe.core.riff import Riff
from transcribe.formats.document import read_riff
from transcribe.formats.lesson_document import read_lesson
from transcribe.notes.find import find_notes_and_talk
from transcribe.training.banks import SR
from transcribe.training.ferry import PARTS
from transcribe.training.fixtures import written_notes
from transcribe.training.lesson_session import Pause, Playing, lay
from transcribe.training.rough import CLEAN
from transcribe.training.speech import draw_voice, spoken

FERRY = Path(__file__).resolve().parents[2] / "fixtures" / "lessons" / "ferry"


@pytest.mark.parametrize("seed", range(3))
def test_it_is_heard_as_talk(seed: int) -> None:
    rng = np.random.default_rng(seed)
    y = 0.1 * spoken(rng, 6 * SR, draw_voice(rng))
    found = find_notes_and_talk(y + 1e-4 * rng.standard_normal(len(y)), sr=SR)
    assert sum(last - first for first, last in found.talk) > 4.0
    assert len(found.notes) <= 1


def test_the_same_seed_says_the_same() -> None:
    first, second = (
        spoken(np.random.default_rng(4), SR, draw_voice(np.random.default_rng(4))) for _ in range(2)
    )
    assert np.array_equal(first, second)
    assert np.isfinite(first).all()


def test_playings_lie_where_they_are_said_to_lie() -> None:
    rng = np.random.default_rng(1)
    click = np.zeros(SR, np.float32)
    click[SR // 2] = 1.0
    items: list[Pause | Playing] = [
        Pause(1.0, talk=False),
        Playing("A", click, 0.5, 0.9),
        Pause(3.0),
        Playing("A", click, 0.5, 0.9),
    ]
    y, laid, talk = lay(items, voice=draw_voice(rng), rough=CLEAN, rng=rng)
    assert len(y) == 6 * SR
    assert [(one.start_sec, one.end_sec) for one in laid] == [(1.5, 1.9), (5.5, 5.9)]
    assert int(np.argmax(np.abs(y[: 2 * SR]))) == round(1.5 * SR)
    assert talk == ((2.25, 4.75),)


def test_the_shipped_lesson_is_what_is_written_here() -> None:
    lesson = read_lesson(FERRY / "truth.lesson.json")
    assert {part.label: part.name for part in lesson.parts} == {k: r.name for k, r in PARTS.items()}
    assert set(lesson.form) == set(PARTS)
    for part in lesson.parts:
        riff = read_riff(FERRY / part.riff)
        assert len(riff.notes) == len(written_notes(PARTS[part.label]))
        assert _in_mode(riff)
    assert (FERRY / "ferry.ogg").stat().st_size < 1.5e6
    assert lesson.session is not None
    assert 180 <= (lesson.session.duration_sec or 0.0) <= 300
    assert json.loads((FERRY / "truth.lesson.json").read_text())["handspan_lesson"] == 1


def _in_mode(riff: Riff) -> bool:
    """Whether every note is one of D dorian: the white keys."""
    return {note.pitch_midi % 12 for note in riff.notes} <= {0, 2, 4, 5, 7, 9, 11}
