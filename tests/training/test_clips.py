"""Clips: the same from the same seed, and true to what was asked."""

from __future__ import annotations

import numpy as np
import pytest

from transcribe.core.errors import ParameterError
from transcribe.notes import features
from transcribe.training.banks import SR, load_banks
from transcribe.training.clips import make_clip
from transcribe.training.phrases import KINDS
from transcribe.training.rough import CLEAN, Rough


@pytest.fixture(scope="module")
def banks():
    return load_banks(None)


@pytest.mark.parametrize("kind", list(KINDS))
def test_clips_hold_sound_where_notes_are(banks, kind: str) -> None:
    clip = make_clip(3, banks=banks, kind=kind, duration_sec=5.0)
    assert clip.y.shape == (5 * SR,)
    assert clip.y.dtype == np.float32
    assert np.isfinite(clip.y).all()
    assert 0.001 < np.abs(clip.y).max() <= 1.5
    assert clip.kind == kind
    assert len(clip.notes) > 3
    assert all(0 <= n.onset_sec < n.offset_sec <= 5.0 for n in clip.notes)


def test_clips_come_at_the_rate_of_the_networks_features() -> None:
    assert SR == features.SR


def test_the_same_seed_gives_the_same_clip(banks) -> None:
    a, b = (make_clip((2, 9), banks=banks, duration_sec=3.0) for _ in range(2))
    assert np.array_equal(a.y, b.y)
    assert a.notes == b.notes
    assert not np.array_equal(a.y, make_clip((2, 10), banks=banks, duration_sec=3.0).y)


def test_rough_may_be_given_exactly(banks) -> None:
    wanted = Rough(snr_db=10.0)
    clip = make_clip(1, banks=banks, rough=wanted, offset_cents=12.5, duration_sec=2.0)
    assert clip.rough == wanted
    assert clip.instrument.offset_cents == 12.5
    assert make_clip(1, banks=banks, rough=0.0, duration_sec=2.0).rough == CLEAN


def test_detuning_is_drawn_up_to_45_cents(banks) -> None:
    cents = [
        make_clip(i, banks=banks, kind="low", rough=1.0, duration_sec=1.0).instrument.offset_cents
        for i in range(60)
    ]
    assert -45.0 <= min(cents) < -25.0
    assert 25.0 < max(cents) <= 45.0


def test_most_clips_are_rough(banks) -> None:
    clean = [make_clip(i, banks=banks, duration_sec=1.0).rough == CLEAN for i in range(60)]
    assert 4 <= sum(clean) <= 24


def test_beats_and_downbeats_are_known(banks) -> None:
    clip = make_clip(6, banks=banks, kind="strum", duration_sec=8.0)
    gaps = np.diff(clip.beats_sec)
    assert np.all(np.abs(gaps * clip.bpm / 60.0 - 1.0) < 0.3)
    assert clip.downbeats_sec == clip.beats_sec[:: clip.meter[0]]


def test_bad_arguments_are_refused(banks) -> None:
    with pytest.raises(ParameterError, match="at least one bank"):
        make_clip(1, banks={})
    with pytest.raises(ParameterError, match="1 s or more"):
        make_clip(1, banks=banks, duration_sec=0.2)
    with pytest.raises(ParameterError, match="no phrase kind"):
        make_clip(1, banks=banks, kind="polka")
