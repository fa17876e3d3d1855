"""Solvers are kept for the next time, each for its own instrument and hand."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest

from transcribe.core.riff import Instrument
from transcribe.fingering import Hand
from transcribe.fingering.solver import solver_for


@pytest.mark.parametrize(
    "other",
    [
        {"open_midi": (64, 59, 55, 50, 45, 38)},
        {"capo": 2},
        {"frets": 12},
        {"scale_length_mm": 580.0},
    ],
)
def test_another_instrument_has_a_solver_of_its_own(other: dict[str, Any]) -> None:
    instrument = Instrument()
    changed = dataclasses.replace(instrument, **other)
    for neck in (instrument, changed, instrument):
        kept = solver_for(neck, Hand()).instrument  # perhaps of one that is tuned a little off
        assert dataclasses.replace(kept, offset_cents=0.0) == neck


def test_another_hand_has_a_solver_of_its_own() -> None:
    for span_mm in (80.0, 110.0, 80.0):
        assert solver_for(Instrument(), Hand(span_mm)).hand == Hand(span_mm)


def test_a_solver_is_kept_however_the_guitar_is_tuned_by_cents() -> None:
    flat = dataclasses.replace(Instrument(), offset_cents=-13.0)
    assert solver_for(flat, Hand()) is solver_for(Instrument(), Hand())
