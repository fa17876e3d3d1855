"""A recording slowed at its own pitch, held against the synthesis played at that tempo."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from transcribe.audio import read_audio
from transcribe.core.errors import ParameterError
from transcribe.formats.document import read_riff
from transcribe.sound import render_riff
from transcribe.sound.slowing import change_speed

SR = 22050
TAKES = Path(__file__).parent.parent.parent / "fixtures" / "takes"


def attack_sec(y: np.ndarray, near_sec: float, room_sec: float) -> float | None:
    """Where the high part of the sound rises fastest; None where nothing is struck."""
    first = max(0, round((near_sec - room_sec) * SR))
    bright = np.diff(y[first : round((near_sec + room_sec) * SR)], 2) ** 2
    wide = round(0.005 * SR)
    total = np.concatenate([[0.0], np.cumsum(bright, dtype=np.float64)])
    mean = (total[wide:] - total[:-wide]) / wide
    rise = (mean[wide:] + 1e-10) / (mean[:-wide] + 1e-10)
    k = int(np.argmax(rise))
    return (first + k + wide) / SR if rise[k] > 8 else None


def pitch_midi(y: np.ndarray, start: float, end: float, near: float) -> float:
    """The peak of the spectrum within half a semitone of ``near``, by a parabola through it."""
    piece = y[round(start * SR) : round(end * SR)]
    size = 1 << 18
    level = np.abs(np.fft.rfft(piece * np.hanning(len(piece)), size))
    low, high = (int(440 * 2 ** ((near + d - 69) / 12) * size / SR) for d in (-0.5, 0.5))
    k = low + int(np.argmax(level[low:high]))
    a, b, c = np.log(level[k - 1 : k + 2])
    hz = (k + 0.5 * (a - c) / (a - 2 * b + c)) * SR / size
    return float(69 + 12 * np.log2(hz / 440))


@pytest.fixture(scope="module", params=["mooring", "tide-table", "lantern"])
def played(request):
    riff = read_riff(TAKES / request.param / "truth.riff.json")
    return riff, render_riff(riff, sr=SR)


def held_against_the_synthesis(riff, y, slow, speed: float) -> tuple[np.ndarray, np.ndarray]:
    """How far strokes lie from where the tempo puts them (s), pitches from the truth (cents)."""
    onsets = np.array([note.onset_sec for note in riff.notes])
    truth = render_riff(riff, sr=SR, speed=speed)
    late, cents = [], []
    for note in riff.notes:
        if note.articulation not in ("picked", "hammer-on", "pull-off"):
            continue
        # Strings of one strum keep their distance; a stroke by itself lies where the tempo puts it.
        alone = not np.any((onsets < note.onset_sec) & (onsets > note.onset_sec - 0.08))
        wanted = attack_sec(y, note.onset_sec, 0.02)
        if alone and wanted is not None and note.articulation == "picked":
            found = attack_sec(slow, note.onset_sec / speed, 0.05)
            late.append(np.inf if found is None else found - wanted / speed)
        end = min([note.offset_sec, *onsets[onsets > note.onset_sec + 0.03]])
        near = [
            other
            for other in riff.notes
            if other is not note
            and abs(other.pitch_midi - note.pitch_midi) in (0, 1, 2, 12, 19, 24)
            and other.onset_sec < end
            and other.offset_sec > note.onset_sec - 0.2
        ]
        span = ((note.onset_sec + 0.06) / speed, (end - 0.02) / speed)
        if not near and (end - note.onset_sec) > 0.23:
            a, b = (pitch_midi(sound, *span, note.pitch_midi) for sound in (slow, truth))
            cents.append(100 * (a - b))
    return np.array(late), np.array(cents)


@pytest.mark.parametrize("speed", [0.6, 0.75, 0.9, 1.25])
def test_strokes_and_pitches_are_those_of_the_tempo(played, speed: float) -> None:
    riff, y = played
    slow = change_speed(y, sr=SR, speed=speed, onsets_sec=[n.onset_sec for n in riff.notes])
    late, cents = held_against_the_synthesis(riff, y, slow, speed)
    assert len(late) > 20
    assert np.abs(late).max() < 0.010
    assert len(cents) > 0
    assert np.abs(cents).max() < 3.0


@pytest.mark.parametrize("name", ["lantern.ogg", "tide-table.ogg", "gangplank.flac"])
def test_strokes_of_a_recorded_take_lie_where_the_tempo_puts_them(name: str) -> None:
    folder = TAKES / name.partition(".")[0]
    riff, y = read_riff(folder / "truth.riff.json"), read_audio(folder / name, to_sr=SR).y
    onsets = np.array([note.onset_sec for note in riff.notes])
    slow = change_speed(y, sr=SR, speed=0.6, onsets_sec=onsets)
    late = []
    for note in riff.notes:
        alone = not np.any((onsets < note.onset_sec) & (onsets > note.onset_sec - 0.08))
        wanted = attack_sec(y, note.onset_sec, 0.02)
        if alone and wanted is not None and note.articulation == "picked":
            found = attack_sec(slow, note.onset_sec / 0.6, 0.05)
            late.append(np.inf if found is None else found - wanted / 0.6)
    assert len(late) > 12
    assert np.abs(late).max() < 0.010


@pytest.mark.parametrize("speed", [0.5, 0.77, 1.3])
def test_length_and_level_stay(played, speed: float) -> None:
    riff, y = played
    slow = change_speed(y, sr=SR, speed=speed, onsets_sec=[n.onset_sec for n in riff.notes])
    assert len(slow) == round(len(y) / speed)
    assert np.abs(slow).max() <= np.abs(y).max()
    assert 20 * np.log10(np.std(slow) / np.std(y)) == pytest.approx(0, abs=0.6)


def test_a_steady_tone_stays_steady() -> None:
    t = np.arange(3 * SR) / SR
    y = (0.3 * np.sin(2 * np.pi * 220 * t)).astype(np.float32)
    slow = change_speed(y, sr=SR, speed=0.6)
    assert pitch_midi(slow, 0.5, 4.5, 57) == pytest.approx(57, abs=0.005)
    blocks = slow[SR : 4 * SR].reshape(-1, SR // 10)
    assert np.ptp(20 * np.log10(blocks.std(axis=1))) < 0.3


@pytest.mark.parametrize("onsets", [[], [-1.0, 0.0, 99.0], [0.01, 0.02, 0.03, 0.04]])
def test_odd_onsets_do_no_harm(onsets: list[float]) -> None:
    y = np.random.default_rng(3).normal(0, 0.1, SR).astype(np.float32)
    slow = change_speed(y, sr=SR, speed=0.7, onsets_sec=onsets)
    assert len(slow) == round(SR / 0.7)
    assert np.all(np.isfinite(slow))


@pytest.mark.parametrize("size", [0, 1, 7, 300])
def test_a_scrap_of_sound_is_stretched_too(size: int) -> None:
    slow = change_speed(np.full(size, 0.1, np.float32), sr=SR, speed=0.5, onsets_sec=[0.001])
    assert len(slow) == 2 * size


@pytest.mark.parametrize("speed", [0.0, -1.0, 0.1, 3.0, float("nan")])
def test_a_speed_out_of_range_is_refused(speed: float) -> None:
    with pytest.raises(ParameterError, match=r"speed is .*; give 0\.25 to 2"):
        change_speed(np.zeros(10, np.float32), sr=SR, speed=speed)
