"""MIDI that a hand played: its beats are found from the notes, as in a recording."""

from __future__ import annotations

from pathlib import Path

import mido
import numpy as np
import pytest

from transcribe import finger, read_any
from transcribe.core.riff import Note, Riff
from transcribe.formats.midi import read_midi
from transcribe.rhythm import find_rhythm

_TAKES = Path(__file__).parents[2] / "fixtures" / "takes"
_TICKS = 480
_FILE_BPM = 120  # of a file that names no tempo (Standard MIDI Files 1.0)


def _write(path: Path, strikes: list[tuple[float, float, int]], bpm: float = _FILE_BPM) -> Path:
    """A file of one track that holds (onset in seconds, length in seconds, pitch)."""
    events = []
    for onset, length, pitch in strikes:
        events.append((onset, 1, pitch))
        events.append((onset + length, 0, pitch))
    events.sort()
    file = mido.MidiFile(type=0, ticks_per_beat=_TICKS)
    track = mido.MidiTrack()
    file.tracks.append(track)
    if bpm != _FILE_BPM:
        track.append(mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(bpm)))
    now = 0
    for sec, struck, pitch in events:
        tick = max(now, round(sec * _TICKS * bpm / 60))
        velocity = 80 if struck else 0
        track.append(mido.Message("note_on", note=pitch, velocity=velocity, time=tick - now))
        now = tick
    file.save(path)
    return path


def _played(riff: Riff, *, jitter_sec: float, drift: float) -> list[tuple[float, float, int]]:
    """A riff's notes with every stroke off by ``jitter_sec``, strings of a stroke by 4 ms, and a
    tempo that rises and falls by the share ``drift``."""
    assert riff.rhythm is not None
    rng = np.random.default_rng(8)
    onsets = np.array([n.onset_beat for n in riff.notes], float)
    strokes, stroke_of = np.unique(onsets, return_inverse=True)
    sway = drift * np.sin(2.0 * np.pi * strokes / (strokes[-1] + 1.0))
    gaps = np.diff(strokes, prepend=strokes[0]) * 60.0 / riff.rhythm.bpm * (1.0 + sway)
    sec = 0.7 + np.cumsum(gaps) + rng.normal(0.0, jitter_sec, strokes.size)
    out = []
    for note, stroke in zip(riff.notes, stroke_of, strict=True):
        assert note.duration_beat is not None
        length = note.duration_beat * 60.0 / riff.rhythm.bpm
        onset = float(sec[stroke] + abs(rng.normal(0.0, 0.004)))
        out.append((onset, max(0.05, 0.95 * length - 0.01), note.pitch_midi))
    return out


def _score(notes: tuple[Note, ...]) -> list[tuple[float, int, float]]:
    first = min(n.onset_beat or 0.0 for n in notes)
    rows = [((n.onset_beat or 0.0) - first, n.pitch_midi, n.duration_beat or 0.0) for n in notes]
    return sorted((round(onset, 2), pitch, round(length, 2)) for onset, pitch, length in rows)


@pytest.mark.parametrize("name", ["mooring", "rope-walk", "slack-water", "tide-table"])
def test_notes_played_freely_come_out_as_written(name: str, tmp_path: Path) -> None:
    truth = read_any(_TAKES / name / "truth.riff.json")
    path = _write(tmp_path / "played.mid", _played(truth, jitter_sec=0.008, drift=0.02))
    riff = read_midi(path)
    assert riff.rhythm is None
    assert [(w.kind, w.facts["to_the_click"]) for w in riff.warnings] == [("midi-played", False)]
    _, notes = find_rhythm(
        riff.notes, duration_sec=max(n.offset_sec for n in riff.notes), ends_known=True
    )
    found, written = _score(notes), _score(truth.notes)
    assert {onset for onset, *_ in found} == {onset for onset, *_ in written}
    same = [a == b for a, b in zip(found, written, strict=True)]
    assert np.mean(same) >= 0.95


def test_notes_played_to_the_files_tempo_keep_its_bars(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    beats = [4.0 + 0.5 * k for k in range(32)]
    strikes = [(beat * 60 / 92 + rng.normal(0.0, 0.012), 0.3, 50 + k % 5) for k, beat in
               enumerate(beats)]  # fmt: skip
    riff = finger(read_midi(_write(tmp_path / "click.mid", strikes, bpm=92)))
    assert riff.rhythm is not None
    assert riff.rhythm.bpm == pytest.approx(92.0)
    assert [n.onset_beat for n in riff.notes] == [beat - 4.0 for beat in beats]
    (remark,) = (w for w in riff.warnings if w.kind == "midi-played")
    assert remark.facts["to_the_click"] is True


def test_a_file_without_a_tempo_has_no_click(tmp_path: Path) -> None:
    """At 90 bpm quarters are two thirds of a beat at 120, which the format assumes."""
    rng = np.random.default_rng(3)
    steps = [0, 1, 2, 3, 5, 6, 7, 8, 9, 12, 13, 14, 15, 17, 18, 19, 20, 21]
    strikes = [(0.3 + step * 60 / 90 + rng.normal(0.0, 0.01), 0.5, 57 + step % 7) for step in steps]
    riff = read_midi(_write(tmp_path / "free.mid", strikes))
    (remark,) = (w for w in riff.warnings if w.kind == "midi-played")
    assert remark.facts["to_the_click"] is False


def test_notes_that_a_program_wrote_stay_where_it_put_them(tmp_path: Path) -> None:
    beats = [0.0, 0.5, 0.75, 1.0, 4 / 3, 5 / 3, 2.0, 2.125, 3.0]
    strikes = [(beat * 0.5, 0.05, 50) for beat in beats]
    riff = read_midi(_write(tmp_path / "written.mid", strikes))
    assert riff.rhythm is not None
    assert [n.onset_beat for n in riff.notes] == pytest.approx(beats, abs=2e-3)
