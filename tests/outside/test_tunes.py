"""Tunes in ABC against music21's own reading.

Source: music21 (Cuthbert & Ariza 2010, ISMIR), its corpus folder `ryansMammoth`; all of it and
`airdsAirs` are run by ``python -m tests.bench.tunes``.
"""

from __future__ import annotations

import collections
from pathlib import Path

import pytest

from tests.bench.tunes import lengths, reference, verdict
from transcribe import api
from transcribe.formats.music21_adapter import read_score

# Pickups, endings, triplets, grace notes, 6/8 and 2/4.
TUNES = (
    "7thRegimentReel",
    "ColMcBainsReel",
    "FireHimOutReel",
    "MountYourBaggageJig",
)


def _path(name: str) -> Path:
    music21 = pytest.importorskip("music21")
    return Path(music21.__file__).parent / "corpus" / "ryansMammoth" / f"{name}.abc"


@pytest.mark.parametrize("name", TUNES)
def test_pitches_and_lengths_are_those_of_music21(name: str) -> None:
    path = _path(name)
    riff = read_score(path)
    assert len(riff.notes) > 60
    assert verdict(riff, path.read_text("utf-8")) == ("equal", "")


def test_a_repeat_without_a_sign_at_its_start_goes_back_to_the_end_of_the_last_one() -> None:
    # Source: the ABC notation standard 2.1, section 4.8, from memory; music21 goes back to bar 1.
    path = _path("DickieRogersPedestalClog")
    _, once = reference(path.read_text("utf-8"))
    both = collections.Counter(lengths(read_score(path)))
    assert sum(once.values()) == 254
    assert both == {note: 2 * count for note, count in once.items()}


def test_a_tune_of_the_corpus_is_fingered_with_its_mode() -> None:
    riff = api.finger(read_score(_path("7thRegimentReel")))
    assert all(note.string is not None for note in riff.notes)
    assert riff.theory["mode"]["tonic"]
