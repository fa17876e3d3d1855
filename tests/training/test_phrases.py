"""Invented phrases: playable, known note by note, and drawn as the kinds say."""

from __future__ import annotations

import itertools
from collections import Counter

import numpy as np
import pytest

from transcribe.core.errors import ParameterError
from transcribe.core.riff import Instrument
from transcribe.training.phrases import KINDS, MODES, Score, make_score

SEEDS = range(25)


def _scores(kind: str | None = None, seeds: range = SEEDS) -> list[Score]:
    return [make_score(np.random.default_rng(seed), kind=kind) for seed in seeds]


@pytest.mark.parametrize("kind", list(KINDS))
def test_a_string_sounds_one_note(kind: str) -> None:
    counted = 0
    for score in _scores(kind):
        onsets = [n.onset_sec for n in score.notes]
        assert onsets == sorted(onsets)
        for string in range(1, 7):
            line = [n for n in score.notes if n.string == string]
            for a, b in itertools.pairwise(line):
                assert a.offset_sec <= b.onset_sec + 1e-9
                assert b.onset_sec - a.onset_sec >= 0.045
                counted += 1
    assert counted > 100


@pytest.mark.parametrize("kind", list(KINDS))
def test_notes_lie_on_the_neck_and_within_the_limits(kind: str) -> None:
    for seed in SEEDS:
        score = make_score(np.random.default_rng(seed), kind=kind, low_midi=40, high_midi=76)
        for note in score.notes:
            assert score.instrument.pitch_midi(note.string, note.fret) == note.pitch_midi
            assert 0 <= note.fret <= score.instrument.top_fret
            assert 40 <= note.pitch_midi <= 76
            assert 0 < note.onset_sec < note.offset_sec <= 10.0


def test_legato_carries_on_from_the_same_string() -> None:
    seen: Counter[str] = Counter()
    for score in _scores("legato", range(60)):
        for note in score.notes:
            if note.articulation not in ("hammer-on", "pull-off", "slide"):
                assert note.source is None
                continue
            assert note.source is not None
            source = score.notes[note.source]
            assert source.string == note.string
            assert source.offset_sec == note.onset_sec
            step = note.fret - source.fret
            assert step > 0 if note.articulation == "hammer-on" else step != 0
            assert step < 0 if note.articulation == "pull-off" else step != 0
            seen[note.articulation] += 1
    assert min(seen[how] for how in ("hammer-on", "pull-off", "slide")) > 40


def test_bends_and_vibrato_know_their_size() -> None:
    bends = [n for s in _scores("legato", range(60)) for n in s.notes if n.articulation == "bend"]
    assert len(bends) > 20
    for note in bends:
        assert 40.0 <= note.bend_cents <= 320.0
        assert max(cents for _, cents in note.curve) == note.bend_cents
        assert note.curve[-1][0] <= note.offset_sec - note.onset_sec + 0.01
    assert any(n.vibrato for s in _scores("line") for n in s.notes)


def test_a_drone_rings_open_beside_its_melody() -> None:
    strings: Counter[int | None] = Counter()
    modes = set()
    struck_together = restruck = 0
    for score in _scores("drone", range(120)):
        drone = score.drone_string
        strings[drone] += 1
        modes.add(score.mode)
        assert drone is not None
        assert score.mode is not None
        assert score.tonic is not None
        strokes = [n for n in score.notes if n.string == drone]
        melody = [n for n in score.notes if n.string != drone and n.fret > 0]
        assert strokes
        assert all(n.fret == 0 for n in strokes)
        assert len({n.string for n in melody}) <= 1
        assert all(abs(n.string - drone) == 1 for n in melody)
        assert all((n.pitch_midi - score.tonic) % 12 in MODES[score.mode] for n in melody)
        onsets = np.array([n.onset_sec for n in melody] or [99.0])
        struck_together += sum(bool(np.abs(onsets - n.onset_sec).min() < 0.03) for n in strokes)
        restruck += sum(b.onset_sec - a.offset_sec < 1e-6 for a, b in itertools.pairwise(strokes))
    assert set(strings) == set(range(1, 7))
    assert modes == set(MODES)
    assert struck_together > 500
    assert restruck > 500


def test_strums_cross_the_strings_at_hand_speed() -> None:
    spans, ups, downs = [], 0, 0
    for score in _scores("strum"):
        by_beat: dict[float, list[tuple[float, int]]] = {}
        for note in score.notes:
            assert note.onset_beat is not None
            by_beat.setdefault(note.onset_beat, []).append((note.onset_sec, note.string))
        for stroke in by_beat.values():
            if len(stroke) < 4:
                continue
            stroke.sort()
            spans.append(stroke[-1][0] - stroke[0][0])
            if stroke[0][1] > stroke[-1][1]:
                downs += 1
            else:
                ups += 1
    assert downs > ups > 20
    assert 0.008 <= float(np.percentile(spans, 10)) <= float(np.percentile(spans, 80)) <= 0.05
    assert max(spans) < 0.13


def test_octave_pairs_and_lone_low_notes_both_come() -> None:
    gaps: Counter[int] = Counter()
    alone = 0
    for score in _scores("octaves", range(40)):
        for beat in {n.onset_beat for n in score.notes}:
            pair = sorted(n.pitch_midi for n in score.notes if n.onset_beat == beat)
            if len(pair) == 2:
                gaps[pair[1] - pair[0]] += 1
            alone += len(pair) == 1
    assert min(gaps[12], gaps[19], gaps[24], gaps[7]) > 10
    assert alone > 50
    low = [n.pitch_midi for s in _scores("low") for n in s.notes]
    assert np.percentile(low, 90) < 60


def test_phrases_repeat() -> None:
    repeated = 0
    for score in _scores("line"):
        by_label: dict[str, list[list[tuple[float, int]]]] = {}
        for phrase in score.phrases:
            inside = [
                (round(n.onset_beat - phrase.start_beat, 3), n.pitch_midi)
                for n in score.notes
                if n.onset_beat is not None
                and phrase.start_beat <= n.onset_beat < phrase.end_beat - 1e-6
            ]
            by_label.setdefault(phrase.label, []).append(inside)
        for takes in by_label.values():
            if len(takes) > 1 and len(takes[0]) > 3:
                same = len(set(takes[0]) & set(takes[1])) / len(takes[0])
                repeated += same > 0.8
    assert repeated > 10


def test_capos_and_tunings_vary() -> None:
    instruments = {(s.instrument.open_midi, s.instrument.capo) for s in _scores(None, range(150))}
    assert len({tuning for tuning, _ in instruments}) >= 4
    assert len({capo for _, capo in instruments}) >= 4


def test_the_same_seed_draws_the_same_phrase() -> None:
    assert _scores(None, range(3)) == _scores(None, range(3))
    assert _scores("drone", range(1)) != _scores("drone", range(1, 2))


def test_the_modes_are_the_rotations_of_the_major_scale() -> None:
    # Every theory primer's definition, common practice: the same notes from another tonic.
    major = (0, 2, 4, 5, 7, 9, 11)
    rotated = [tuple(sorted((s - tonic) % 12 for s in major)) for tonic in major]
    assert list(MODES.values()) == rotated
    assert next(iter(MODES)) == "ionian"
    assert MODES["dorian"] == rotated[1]


def test_unknown_kinds_and_other_instruments_are_refused(rng: np.random.Generator) -> None:
    with pytest.raises(ParameterError, match="no phrase kind 'polka'"):
        make_score(rng, kind="polka")
    with pytest.raises(ParameterError, match="six strings"):
        make_score(rng, instrument=Instrument((43, 38, 33, 28)))
