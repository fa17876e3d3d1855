"""Corrections that name a note, a bar or a phrase."""

from __future__ import annotations

import re

import pytest

from transcribe.core.errors import ParameterError
from transcribe.core.riff import Drone, Note, Phrase, Rhythm, Riff
from transcribe.correct.selectors import places_asked


@pytest.fixture
def riff() -> Riff:
    """Two bars of 2/4: the open fourth string under a melody on the third."""
    notes = []
    for i, (pitch, string, fret) in enumerate([(62, 3, 7), (64, 3, 9), (59, 3, 4), (50, 4, 0)]):
        notes.append(
            Note(
                i + 1,
                0.5 * i,
                0.5 * i + 0.4,
                pitch,
                string=string,
                fret=fret,
                onset_beat=float(i),
                duration_beat=1.0,
            )
        )
    phrases = (Phrase("A", 0.0, 2.0), Phrase("B", 2.0, 4.0))
    rhythm = Rhythm(120.0, (2, 4), (0.0, 0.5, 1.0, 1.5, 2.0), (0.0, 1.0), phrases)
    return Riff(notes=tuple(notes), rhythm=rhythm, drone=Drone(4, 0.0, 2.0))


def test_one_note(riff: Riff) -> None:
    assert places_asked(riff, "2=4/14") == {2: (4, 14)}


def test_bar_on_another_string(riff: Riff) -> None:
    assert places_asked(riff, "bar:1=2") == {1: (2, 3), 2: (2, 5)}


def test_phrase_on_another_string_leaves_the_drone(riff: Riff) -> None:
    assert places_asked(riff, "phrase:B=5") == {3: (5, 14)}


def test_bar_as_it_lies(riff: Riff) -> None:
    assert places_asked(riff, "bar:2") == {3: (3, 4), 4: (4, 0)}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("2", "is not a pin"),
        ("2=4/", "is not a pin"),
        ("bar:9=2", "bar 9 holds no notes"),
        ("bar:x=2", "bars are numbered"),
        ("phrase:C=2", "there are: A, B"),
        ("bar:1=9", "no string 9"),
        ("phrase:B=1", "no note of phrase B"),
    ],
)
def test_refused(riff: Riff, text: str, words: str) -> None:
    with pytest.raises(ParameterError, match=re.escape(words)):
        places_asked(riff, text)
