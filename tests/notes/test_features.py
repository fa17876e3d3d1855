"""Features of sounds whose place on the pitch axis is known beforehand."""

from __future__ import annotations

import numpy as np
import pytest

from transcribe.notes import features as feat


def _tone(pitch_midi: float, *, seconds: float = 2.0, level: float = 0.5) -> np.ndarray:
    t = np.arange(int(seconds * feat.SR)) / feat.SR
    hz = 440.0 * 2.0 ** ((pitch_midi - 69.0) / 12.0)
    return (level * np.sin(2.0 * np.pi * hz * t)).astype(np.float32)


def _all(y: np.ndarray, **more: float) -> np.ndarray:
    reference = feat.reference_power(y)
    return feat.features(y, first=0, last=feat.frame_count(y.size), reference=reference, **more)


@pytest.mark.parametrize("pitch_midi", [40, 52, 64, 70, 88])
def test_features_peak_at_the_tones_own_row(pitch_midi: int) -> None:
    x = _all(_tone(pitch_midi))
    middle = x[1, x.shape[1] // 2]  # the slow spectrum, the middle third of each semitone
    assert int(middle.argmax()) == pitch_midi - feat.LOW_MIDI
    assert middle.max() == pytest.approx(1.0, abs=0.1)


def test_features_follow_the_tuning() -> None:
    in_tune = _all(_tone(64.0))
    detuned = _all(_tone(64.3), offset_cents=30.0)
    row = 64 - feat.LOW_MIDI
    assert np.abs(in_tune[:3, 40, row] - detuned[:3, 40, row]).max() < 0.02


def test_features_of_a_part_equal_those_of_the_whole(rng: np.random.Generator) -> None:
    y = rng.normal(0.0, 0.1, 3 * feat.SR).astype(np.float32)
    whole = _all(y)
    part = feat.features(y, first=37, last=90, reference=feat.reference_power(y))
    assert np.abs(whole[:, 37:90] - part).max() < 1e-5


def test_reference_power_ignores_silence_and_one_knock() -> None:
    tone = _tone(57, level=0.1)
    level = feat.reference_power(tone)
    with_silence = np.concatenate([np.zeros(5 * feat.SR, np.float32), tone])
    assert feat.reference_power(with_silence) == pytest.approx(level, rel=0.1)
    knocked = tone.copy()
    knocked[20000:20010] = 1.0
    assert feat.reference_power(knocked) == pytest.approx(level, rel=0.1)
    assert feat.reference_power(np.zeros(1000, np.float32)) == 0.0


def test_band_weights_sum_to_one() -> None:
    for family in feat.families():
        weights = feat.band_weights(family, -35.0)
        assert weights.shape == (family.bins, family.bands.size)
        heard = family.bands.ravel() < 123.0  # the very top lies past half the sample rate
        assert np.allclose(weights.sum(axis=0)[heard], 1.0, atol=1e-5)


def test_torch_makes_the_same_features(rng: np.random.Generator) -> None:
    torch = pytest.importorskip("torch")
    from transcribe.training.spectra import Spectra

    y = (rng.normal(0.0, 0.1, 2 * feat.SR) * np.linspace(1.0, 0.0, 2 * feat.SR)).astype(np.float32)
    frames = feat.frame_count(y.size)
    reference = feat.reference_power(y)
    mine = feat.features(y, first=0, last=frames, reference=reference, offset_cents=-23.0)
    theirs = Spectra()(
        torch.from_numpy(np.pad(y, feat.REACH))[None],
        frames=frames,
        reference=torch.tensor([reference]),
        offset_cents=torch.tensor([-23.0]),
    )
    assert np.abs(mine - theirs[0].numpy()).max() < 1e-3
