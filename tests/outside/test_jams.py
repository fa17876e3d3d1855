"""JAMS files against the schema that the jams library ships (Humphrey et al., ISMIR 2014)."""

from __future__ import annotations

import io
import warnings
from typing import Any

import pytest

from tests.formats.riffs import RIFFS, drone_riff
from transcribe.formats.jams import write_jams


def _load(text: str) -> Any:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import jams

        return jams.load(io.StringIO(text), validate=True, strict=True)


@pytest.mark.parametrize("name", RIFFS)
def test_schema_accepts_it(name: str) -> None:
    riff = RIFFS[name]()
    file = _load(write_jams(riff))
    assert file.validate(strict=True)
    (notes,) = file.search(namespace="note_midi")
    intervals, values = notes.to_interval_values()
    assert [float(v) for v in values] == [float(n.pitch_midi) for n in riff.notes]
    assert intervals[:, 0].tolist() == pytest.approx([n.onset_sec for n in riff.notes])
    assert intervals[:, 1].tolist() == pytest.approx([n.offset_sec for n in riff.notes])


def test_schema_accepts_every_chord_quality_and_mode() -> None:
    """Harte's shorthand (Harte et al., ISMIR 2005) is what the namespace ``chord`` allows."""
    from dataclasses import replace

    from transcribe.formats.chord_names import CHORDS

    suffixes = list(CHORDS)
    chords = [
        {"start_sec": i / 10, "end_sec": (i + 1) / 10, "symbol": f"F#{s}"}
        for i, s in enumerate(suffixes)
    ]
    modes = [
        "ionian",
        "dorian",
        "phrygian",
        "lydian",
        "mixolydian",
        "aeolian",
        "locrian",
        "major",
        "minor",
    ]
    for mode in modes:
        theory = {"chords": chords, "mode": {"tonic": "Eb", "name": mode}}
        file = _load(write_jams(replace(drone_riff(), theory=theory)))
        (found,) = file.search(namespace="chord")
        assert len(found.data) == len(suffixes)
        (key,) = file.search(namespace="key_mode")
        assert key.data[0].value == f"Eb:{mode}"


def test_beats_count_in_the_bar() -> None:
    file = _load(write_jams(drone_riff()))
    (beats,) = file.search(namespace="beat")
    assert [int(o.value) for o in beats.data][:8] == [1, 2, 3, 4, 1, 2, 3, 4]
