"""The main job on every take that ships: from the recording to notes, places, mode and loop.

The note network was trained on the same recorded single notes that the takes are made of (never
on the takes), so these are no blind figures; `tests/bench/notes.py` measures with a bank left out.

Source of the scoring: mir_eval.transcription (Raffel et al. 2014), onset within 50 ms, pitch
within 50 cents, offsets aside.
"""

from __future__ import annotations

from pathlib import Path

import mir_eval
import numpy as np
import pytest

from transcribe import compare, transcribe
from transcribe.core.instrument import make_instrument
from transcribe.core.riff import Note, Riff
from transcribe.formats.document import read_riff
from transcribe.formats.midi import write_midi
from transcribe.sound import render_riff

TAKES = ("gangplank", "lantern", "mooring", "rope-walk", "slack-water", "tide-table")
DRONES = ("lantern", "mooring", "slack-water")


@pytest.fixture(scope="module")
def heard(takes: Path) -> dict[str, tuple[Riff, Riff]]:
    """Each take as it was meant, and as it is transcribed."""
    pairs = {}
    for name in TAKES:
        truth = read_riff(takes / name / "truth.riff.json")
        audio = next(p for p in (takes / name).iterdir() if p.stem == name)
        capo = truth.instrument.capo
        instrument = make_instrument(capo=capo) if capo else None
        pairs[name] = truth, transcribe(audio, instrument=instrument)
    return pairs


def _arrays(riff: Riff) -> tuple[np.ndarray, np.ndarray]:
    notes = [n for n in riff.notes if n.articulation != "dead"]
    intervals = np.array([[n.onset_sec, n.offset_sec] for n in notes])
    return intervals, mir_eval.util.midi_to_hz(np.array([n.pitch_midi for n in notes]))


def _matches(truth: Riff, found: Riff) -> list[tuple[int, int]]:
    ref, ref_hz = _arrays(truth)
    est, est_hz = _arrays(found)
    pairs = mir_eval.transcription.match_notes(ref, ref_hz, est, est_hz, offset_ratio=None)
    return [(int(r), int(e)) for r, e in pairs]


@pytest.mark.parametrize("name", TAKES)
def test_notes(heard: dict[str, tuple[Riff, Riff]], name: str) -> None:
    truth, found = heard[name]
    hits = len(_matches(truth, found))
    assert 2 * hits / (len(truth.notes) + len(found.notes)) > 0.95


@pytest.mark.parametrize("name", DRONES)
def test_places_of_drone_riffs(heard: dict[str, tuple[Riff, Riff]], name: str) -> None:
    truth, found = heard[name]
    assert truth.drone is not None
    assert found.drone is not None
    assert found.drone.string == truth.drone.string
    pairs = _matches(truth, found)
    same = sum(
        (truth.notes[r].string, truth.notes[r].fret) == (found.notes[e].string, found.notes[e].fret)
        for r, e in pairs
    )
    assert same / len(pairs) > 0.95
    melody = {n.string for n in found.notes if n.string != found.drone.string}
    assert len(melody) == 1


@pytest.mark.parametrize("name", TAKES)
def test_mode_and_loop(heard: dict[str, tuple[Riff, Riff]], name: str) -> None:
    truth, found = heard[name]
    assert truth.theory is not None
    assert found.theory is not None
    for key in ("tonic", "name", "parent"):
        assert found.theory["mode"][key] == truth.theory["mode"][key]
    if truth.theory["loop"]:
        assert found.theory["loop"]["symbols"] == truth.theory["loop"]["symbols"]


@pytest.mark.parametrize("name", TAKES)
def test_tempo_and_bars(heard: dict[str, tuple[Riff, Riff]], name: str) -> None:
    truth, found = heard[name]
    assert truth.rhythm is not None
    assert found.rhythm is not None
    assert found.rhythm.meter == truth.rhythm.meter
    assert found.rhythm.bpm == pytest.approx(truth.rhythm.bpm, rel=0.04)
    pairs = _matches(truth, found)
    on = sum(truth.notes[r].onset_beat == found.notes[e].onset_beat for r, e in pairs)
    assert on / len(pairs) > 0.95


@pytest.mark.parametrize("name", ["rope-walk"])
def test_tuning_offset(heard: dict[str, tuple[Riff, Riff]], name: str) -> None:
    truth, found = heard[name]
    assert found.instrument.offset_cents == pytest.approx(truth.instrument.offset_cents, abs=4)


@pytest.mark.parametrize("name", ["mooring", "slack-water", "rope-walk"])
def test_reference_without_a_word_for_the_drone_has_it_judged(
    takes: Path, tmp_path: Path, name: str
) -> None:
    truth = read_riff(takes / name / "truth.riff.json")
    written = tmp_path / f"{name}.mid"
    written.write_bytes(write_midi(truth))
    drone = compare(truth, written).drone
    assert (drone and drone.string) == (truth.drone and truth.drone.string)


def test_a_bass_is_heard_and_held_against_its_tab() -> None:
    bass = make_instrument("bass")
    line = [(4, 0), (4, 3), (3, 0), (3, 2), (4, 0), (2, 2), (3, 2), (4, 3)] * 2
    notes = tuple(
        Note(k + 1, 0.4 + 0.4 * k, 0.78 + 0.4 * k, bass.pitch_midi(s, f), string=s, fret=f)
        for k, (s, f) in enumerate(line)
    )
    reference = Riff(instrument=bass, notes=notes)
    played = render_riff(reference, sr=22050)
    found = transcribe(played, sr=22050, instrument=bass)
    assert [n.pitch_midi for n in found.notes] == [n.pitch_midi for n in notes]
    held = compare(found, reference, sound=(played, 22050))
    assert held.summary.right_share == 1.0
