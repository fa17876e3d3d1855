"""The fit of the weights, on invented pieces whose editor plays by known weights."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest

from transcribe.core.riff import Instrument, Note
from transcribe.fingering.candidates import Chooser
from transcribe.fingering.costs import FITTED, JUDGED_WEIGHTS, PLACE
from transcribe.fingering.hand import Hand
from transcribe.fingering.plan import plan_onsets
from transcribe.fingering.search import Beam
from transcribe.fingering.solver import Solver
from transcribe.training.editions import ROWS, Piece, read_pieces
from transcribe.training.fit_fingering import (
    _values,
    cross_validate,
    fit,
    folds_by_work,
    predict,
    score,
)
from transcribe.training.lattice import _OF_STATE, Lattice, lay_out, passes

EDITOR = dict(JUDGED_WEIGHTS) | {"open": 2.0, "fret": 0.0, "thick": 0.0, "position": 0.0}
"""An editor who shuns open strings and does not mind the neck."""


def line(seed: int, count: int = 40) -> tuple[Note, ...]:
    rng = np.random.default_rng(seed)
    notes, pitch = [], 60
    for i in range(count):
        pitch = int(np.clip(pitch + rng.integers(-4, 5), 50, 74))
        notes.append(Note(i, 0.25 * i, 0.25 * i + 0.2, pitch))
    return tuple(notes)


def piece(seed: int, work: str, row: str = "written") -> Piece:
    instrument = Instrument(frets=19)
    notes = line(seed)
    solved = Solver(instrument, weights=EDITOR).solve(notes)
    none: tuple[int | None, ...] = (None,) * len(notes)
    labels = dict.fromkeys(ROWS, none)
    labels[row] = tuple(solved.positions[n.id][0] for n in notes)
    return Piece(f"{work}-{seed}", work, instrument, notes, labels)


@pytest.fixture(scope="module")
def pieces() -> list[Piece]:
    return [piece(seed, f"work{seed % 3}") for seed in range(6)]


def test_read_pieces_keeps_labels_where_there_is_a_choice(tmp_path: Path) -> None:
    (tmp_path / "pieces").mkdir()
    notes = [
        {"onset": 0, "duration": 1, "pitch": 64, "string": 2, "finger": 4},
        {"onset": 1, "duration": 1, "pitch": 40, "string": 6},  # only the lowest string has it
        {"onset": 2, "duration": 1, "pitch": 59, "implied_string": 2, "implied_by": "open"},
        {"onset": 3, "duration": 1, "pitch": 62, "implied_string": 3, "implied_by": "position"},
    ]
    text = json.dumps({"id": "rope-walk_g2", "tuning": [64, 59, 55, 50, 45, 40], "notes": notes})
    (tmp_path / "pieces" / "a.json").write_text(text, "utf-8")
    (read,) = read_pieces(tmp_path)
    assert read.work == "rope-walk"
    assert read.labels["written"] == (2, None, None, None)
    assert read.labels["open"] == (None, None, 2, None)
    assert read.labels["position"] == (None, None, None, 3)
    assert read.labels["finger"] == (4, None, None, None)
    assert [n.onset_sec for n in read.notes] == [0.0, 0.5, 1.0, 1.5]


def test_folds_by_work_keeps_the_parts_of_a_work_together(pieces: list[Piece]) -> None:
    for division in range(4):
        folds = folds_by_work(pieces, 3, division=division)
        assert sorted(p.name for fold in folds for p in fold) == sorted(p.name for p in pieces)
        for work in {p.work for p in pieces}:
            assert sum(any(p.work == work for p in fold) for fold in folds) == 1


def test_folds_by_work_gives_other_divisions_that_come_out_alike_each_time() -> None:
    many = [piece(seed, f"work{seed:02}") for seed in range(12)]

    def parts(division: int) -> set[frozenset[str]]:
        folds = folds_by_work(many, 4, division=division)
        return {frozenset(p.name for p in fold) for fold in folds}

    assert parts(1) == parts(1)
    assert len({frozenset(parts(d)) for d in range(4)}) == 4


@pytest.mark.parametrize("evenness", [0.0, 0.5, 1.0])
def test_values_share_out_a_row_among_works(evenness: float) -> None:
    small, large = piece(0, "small"), piece(1, "large")
    few = (*small.labels["written"][:4], *[None] * (len(small.notes) - 4))
    small = dataclasses.replace(small, labels={**small.labels, "written": few})
    share = np.array([0.4, 0.3, 0.3, 0.2])
    mine, yours = _values([small, large], share, evenness)
    whole = 4 * mine[0] + len(large.notes) * yours[0]
    assert whole == pytest.approx(0.4)
    assert 4 * mine[0] / whole == pytest.approx(
        4 ** (1 - evenness) / (4 ** (1 - evenness) + len(large.notes) ** (1 - evenness))
    )


def expected(lattice: Lattice, weight: np.ndarray, gain: np.ndarray) -> tuple[float, np.ndarray]:
    cost = 3.0 * lattice.costs(weight)
    coef = np.zeros(len(cost))
    edges = (lattice.edges, lattice.edge_start, lattice.state_start)
    mean, _ = passes()(*edges, cost, gain, coef)
    return mean, -3.0 * lattice.slope(coef)


def test_slope_of_the_expected_agreement_is_that_of_small_steps(pieces: list[Piece]) -> None:
    lattice = lay_out(pieces[0], JUDGED_WEIGHTS, 6)
    weight = np.array([JUDGED_WEIGHTS[name] for name in FITTED])
    gain = lattice.hits @ np.ones(len(ROWS))
    _, slope = expected(lattice, weight, gain)
    for name in ("fret", "open", "shift_any", "shift_guided", "cross", "voice_far"):
        step = np.zeros(len(weight))
        step[FITTED.index(name)] = 1e-2
        up, down = (expected(lattice, weight + s, gain)[0] for s in (step, -step))
        assert slope[FITTED.index(name)] == pytest.approx((up - down) / 2e-2, rel=0.02, abs=2e-3)


def test_costs_kept_once_a_state_are_decided_by_the_state(pieces: list[Piece]) -> None:
    notes = (*pieces[0].notes[:20], *(Note(90 + k, 6.0, 7.0, p) for k, p in enumerate((57, 64))))
    instrument, beam = pieces[0].instrument, Beam(pieces[0].instrument, JUDGED_WEIGHTS)
    chooser = Chooser(instrument, Hand(), JUDGED_WEIGHTS)
    states, seen = beam.start(), set()
    for onset in plan_onsets(notes, instrument, chooser, drone=None, pins={}).onsets:
        for name, values in beam.features(states, onset):
            if name in _OF_STATE:
                seen.add(name)
                assert values.shape[0] == 1, name
        local = onset.candidates.own[None, :] + beam.between(states, onset)
        states = beam.follow(states, onset, local, *beam.survivors(states, onset, local))
        assert len(states.cost) > 1
    assert seen == _OF_STATE - set(PLACE)


def test_cheapest_way_through_a_lattice_is_what_the_solver_finds(pieces: list[Piece]) -> None:
    lattice = lay_out(pieces[1], JUDGED_WEIGHTS, 16)
    cost = lattice.costs(np.array([JUDGED_WEIGHTS[name] for name in FITTED]))
    best = np.zeros(1)
    for t in range(len(lattice.state_start) - 1):
        at = slice(lattice.edge_start[t], lattice.edge_start[t + 1])
        here = np.full(lattice.state_start[t + 1] - lattice.state_start[t], np.inf)
        np.minimum.at(here, lattice.edges[at, 1], best[lattice.edges[at, 0]] + cost[at])
        best = here
    solved = Solver(pieces[1].instrument, weights=JUDGED_WEIGHTS, beam=16).solve(pieces[1].notes)
    assert best.min() == pytest.approx(solved.cost, rel=1e-4)


def test_fit_learns_the_editor_and_comes_out_alike_each_time(pieces: list[Piece]) -> None:
    options = {"rounds": 1, "iterations": 8, "width": 8, "sharpness": (3.0, 6.0)}
    learnt = fit(pieces[:3], **options)  # type: ignore[arg-type]
    assert learnt == fit(pieces[:3], **options)  # type: ignore[arg-type]
    held = pieces[3:]

    def agreement(weights: dict[str, float]) -> float:
        return score((p, *predict(p, weights)) for p in held)["written"]

    assert agreement(learnt) > agreement(dict(JUDGED_WEIGHTS)) + 0.1
    assert learnt["drone_off"] == JUDGED_WEIGHTS["drone_off"]


def test_fit_gives_the_mean_of_its_climbs(pieces: list[Piece]) -> None:
    options = {"rounds": 1, "iterations": 3, "width": 4}
    sharp = (2.0, 6.0)
    both = fit(pieces[:1], sharpness=sharp, **options)  # type: ignore[arg-type]
    each = [fit(pieces[:1], sharpness=(s,), **options) for s in sharp]  # type: ignore[arg-type]
    assert each[0] != each[1]
    for name in FITTED:
        assert both[name] == pytest.approx(np.mean([w[name] for w in each]))


def test_cross_validate_never_fits_on_the_works_it_predicts(
    pieces: list[Piece], monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[set[str]] = []

    def fit_none(rest: list[Piece], **options: object) -> tuple[dict[str, float], dict[str, float]]:
        seen.append({p.work for p in rest})
        return dict(JUDGED_WEIGHTS), dict(JUDGED_WEIGHTS)

    monkeypatch.setattr("transcribe.training.fit_fingering.fit_both", fit_none)
    rates, predicted = cross_validate(pieces, folds=3)
    assert [len(works) for works in seen] == [2, 2, 2]
    assert {p.name for p, _, _ in predicted} == {p.name for p in pieces}
    assert 0.0 < rates["written"] < 1.0
