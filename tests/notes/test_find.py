"""`find_notes` on tones whose notes are known because the test adds them up itself."""

from __future__ import annotations

import numpy as np
import pytest

from transcribe.core.errors import ParameterError
from transcribe.core.instrument import make_instrument
from transcribe.core.riff import ARTICULATIONS, Instrument
from transcribe.notes import find_notes
from transcribe.training.banks import load_banks
from transcribe.training.clips import Clip, make_clip

SR = 22050


def plucked(notes: list[tuple[int, float, float]], *, duration_sec: float) -> np.ndarray:
    """Decaying harmonic tones, (pitch, onset, duration) each."""
    t = np.arange(int(duration_sec * SR)) / SR
    y = np.zeros_like(t)
    for pitch, onset, length in notes:
        hz = 440.0 * 2.0 ** ((pitch - 69) / 12.0)
        sounding = (t >= onset) & (t < onset + length)
        since = t[sounding] - onset
        for n in range(1, 10):
            decay = np.exp(-3.0 * since * (1.0 + 0.2 * n))
            y[sounding] += np.sin(2.0 * np.pi * hz * n * since) / n * decay
    return 0.2 * y


def test_find_notes_hears_a_drone_under_a_melody() -> None:
    truth = [(50, 0.2, 3.0), (62, 0.2, 0.5), (64, 0.8, 0.5), (65, 1.4, 0.5), (69, 2.5, 0.8)]
    found = find_notes(plucked(truth, duration_sec=4.0), sr=SR)
    for pitch, onset, _ in truth:
        assert any(n.pitch_midi == pitch and abs(n.onset_sec - onset) <= 0.05 for n in found)
    assert [n.id for n in found] == list(range(1, len(found) + 1))


@pytest.mark.parametrize("tuning", ["bass", "bass-5"])
def test_find_notes_hears_a_bass_down_to_its_lowest_string(tuning: str) -> None:
    bass = make_instrument(tuning)
    low = min(bass.open_midi)
    truth = [(low + step, 0.3 + 0.5 * k, 0.45) for k, step in enumerate((0, 3, 5, 7, 12, 0))]
    found = find_notes(plucked(truth, duration_sec=4.0), sr=SR, instrument=bass)
    assert [n.pitch_midi for n in found] == [pitch for pitch, _, _ in truth]
    assert [n.onset_sec for n in found] == pytest.approx([t for _, t, _ in truth], abs=0.05)


def test_find_notes_silence_gives_no_notes() -> None:
    assert find_notes(np.zeros(2 * SR), sr=SR) == ()
    assert find_notes(np.zeros(0), sr=SR) == ()


@pytest.mark.parametrize(
    ("y", "sr", "offset_cents", "message"),
    [
        (np.zeros((2, 100)), SR, 0.0, "one channel"),
        (np.array([0.0, np.nan]), SR, 0.0, "NaN"),
        (np.zeros(100), 100, 0.0, "sr is 100 Hz"),
        (np.zeros(100), SR, 140.0, "offset_cents is 140"),
    ],
)
def test_find_notes_bad_input(y: np.ndarray, sr: int, offset_cents: float, message: str) -> None:
    with pytest.raises(ParameterError, match=message):
        find_notes(y, sr=sr, offset_cents=offset_cents)


@pytest.fixture(scope="module")
def clips() -> dict[str, Clip]:
    """Phrases on synthesised strings, by kind."""
    banks = load_banks(None)
    return {
        kind: make_clip((5, k), banks=banks, kind=kind, rough=0.3, codecs=False)
        for k, kind in enumerate(("drone", "strum", "legato"))
    }


@pytest.mark.parametrize("kind", ["drone", "strum", "legato"])
def test_find_notes_hears_what_was_played(clips: dict[str, Clip], kind: str) -> None:
    clip = clips[kind]
    found = find_notes(clip.y, sr=SR, offset_cents=clip.instrument.offset_cents)
    played = [n for n in clip.notes if n.articulation != "dead"]
    heard = [n for n in found if n.articulation != "dead"]
    right = sum(
        any(f.pitch_midi == n.pitch_midi and abs(f.onset_sec - n.onset_sec) <= 0.05 for f in heard)
        for n in played
    )
    assert right >= 0.9 * len(played)
    assert len(heard) <= 1.1 * len(played)
    assert all(f.offset_sec > f.onset_sec for f in found)
    assert {f.articulation for f in found} <= set(ARTICULATIONS)


def test_find_notes_is_the_same_twice(clips: dict[str, Clip]) -> None:
    clip = clips["drone"]
    assert find_notes(clip.y, sr=SR) == find_notes(clip.y, sr=SR)


def test_find_notes_does_not_depend_on_the_level(clips: dict[str, Clip]) -> None:
    clip = clips["drone"]
    loud, soft = (find_notes(clip.y * gain, sr=SR) for gain in (1.0, 0.05))
    assert [(n.pitch_midi, n.articulation) for n in loud] == [
        (n.pitch_midi, n.articulation) for n in soft
    ]
    assert loud[0].loudness_db is not None
    assert soft[0].loudness_db == pytest.approx(loud[0].loudness_db - 26.0, abs=0.3)


def test_find_notes_at_another_rate(clips: dict[str, Clip]) -> None:
    from transcribe.audio import resample

    clip = clips["drone"]
    at_44100 = find_notes(resample(clip.y, sr=SR, to_sr=44100), sr=44100)
    at_22050 = find_notes(clip.y, sr=SR)
    assert abs(len(at_44100) - len(at_22050)) <= 1
    assert at_44100[0].onset_sec == pytest.approx(at_22050[0].onset_sec, abs=0.005)


def test_find_notes_bends_carry_their_size() -> None:
    banks = load_banks(None)
    for seed in range(8):
        clip = make_clip((6, seed), banks=banks, kind="legato", rough=0.0)
        found = find_notes(clip.y, sr=SR, instrument=Instrument())
        bends = [n for n in found if n.articulation == "bend"]
        truth = [n for n in clip.notes if n.articulation == "bend"]
        assert all(n.bend is not None and 20.0 <= n.bend.cents <= 450.0 for n in bends)
        for bent in truth:
            for n in bends:
                if n.pitch_midi == bent.pitch_midi and abs(n.onset_sec - bent.onset_sec) < 0.05:
                    assert n.bend.cents == pytest.approx(bent.bend_cents, abs=60.0)
                    return
    pytest.fail("no bend was found in eight phrases")


def test_find_notes_noise_gives_next_to_nothing(rng: np.random.Generator) -> None:
    assert len(find_notes(0.01 * rng.standard_normal(5 * SR), sr=SR)) <= 2
