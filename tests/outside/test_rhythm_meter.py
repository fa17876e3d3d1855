"""Meter and beats against references outside the project.

Sources: music21 (Cuthbert & Ariza 2010, ISMIR) for the accent weights of a bar, which follow
Lerdahl & Jackendoff 1983, "A Generative Theory of Tonal Music", chapter 4; mir_eval (Raffel et al.
2014, ISMIR) for the beat F-measure; librosa (McFee et al. 2015) for a general-purpose beat
tracker.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.bench.rhythm import _pulses, beat_f, render
from tests.bench.rhythm_riffs import KINDS, make_riff
from transcribe.rhythm import find_rhythm
from transcribe.rhythm.bar_evidence import groupings, levels
from transcribe.rhythm.beats import TICKS


@pytest.mark.parametrize("meter", [(4, 4), (3, 4), (2, 4), (6, 8)])
def test_levels_rank_places_as_music21_does(meter: tuple[int, int]) -> None:
    from music21 import meter as m21

    signature = m21.TimeSignature(f"{meter[0]}/{meter[1]}")
    level = levels(meter, groupings(meter)[0])
    per_beat = 4 / meter[1]
    spots = [
        (k, signature.getAccentWeight(k * per_beat, forcePositionMatch=True))
        for k in range(meter[0])
    ]
    mine = [level[k * TICKS] for k, _ in spots]
    for i, (_, a) in enumerate(spots):
        for j, (_, b) in enumerate(spots):
            if a > b:  # a stronger place there is never weaker here
                assert mine[i] <= mine[j]
    strongest = max(w for _, w in spots)
    assert [w == strongest for _, w in spots] == [lv == 0 for lv in mine]


@pytest.mark.parametrize("kind", KINDS)
def test_beats_are_ahead_of_a_general_beat_tracker(kind: str) -> None:
    """On rendered riffs, in one run; the reference is scored at the level that suits it better."""
    import librosa

    mine, theirs = [], []
    for seed in range(4):
        truth = make_riff(900 + seed, kind=kind)
        y, sr = render(truth)
        rhythm, _ = find_rhythm(truth.bare, duration_sec=truth.duration_sec, y=y, sr=sr)
        _, beats = librosa.beat.beat_track(y=y, sr=sr, units="time")
        mine.append(beat_f(truth.beats_sec, rhythm.beats_sec))
        theirs.append(max(beat_f(truth.beats_sec, beats), beat_f(_pulses(truth), beats)))
    assert np.mean(mine) > np.mean(theirs)
