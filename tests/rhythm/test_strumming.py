"""The way of each strum: from the order of its strings, and what the hand does in every bar."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.bench.rhythm_strums import measure, strum
from transcribe.core.riff import Note
from transcribe.core.strokes import strokes
from transcribe.rhythm.strumming import strum_directions

E_MINOR = (40, 47, 52, 55, 59, 64)  # the open chord of every handbook: 022000


def _strums(
    ways: str, *, apart_sec: float, stray_sec: float = 0.0, seed: int = 0
) -> tuple[list[Note], np.ndarray]:
    """Strums on the eighths of bars of 4/4 (``.`` none, ``?`` all strings at once), and ticks."""
    rng = np.random.default_rng(seed)
    notes: list[Note] = []
    ticks = []
    for k, way in enumerate(ways):
        if way == ".":
            continue
        ticks.append(12 * k)
        for i, pitch in enumerate(E_MINOR):
            rank = {"d": i, "u": 5 - i, "?": 0}[way]
            at = 1.0 + 0.3 * k + apart_sec * rank + rng.normal(0, stray_sec)
            notes.append(Note(len(notes), at, at + 0.25, pitch))
    return sorted(notes, key=lambda n: n.onset_sec), np.array(ticks)


def _told(notes: list[Note], ticks: np.ndarray, meter: tuple[int, int] = (4, 4)) -> str:
    found = strum_directions(notes, strokes(notes), ticks, meter)
    return "".join("?" if way is None else way[0] for way in found)


@pytest.mark.parametrize("apart_sec", [0.002, 0.006, 0.02])
def test_the_order_of_the_strings_is_the_way_of_the_hand(apart_sec: float) -> None:
    """Down is from the low strings to the high ones (common practice, no source)."""
    ways = "d.d.dudud.d.duuu"
    notes, ticks = _strums(ways, apart_sec=apart_sec)
    assert _told(notes, ticks) == ways.replace(".", "")


def test_a_hand_may_go_down_on_every_eighth() -> None:
    notes, ticks = _strums("dddddddddddddddd", apart_sec=0.004, stray_sec=0.003)
    assert _told(notes, ticks) == "d" * 16


def test_strings_that_are_struck_at_once_have_no_way() -> None:
    notes, ticks = _strums("????????????????", apart_sec=0.0, stray_sec=0.004)
    assert _told(notes, ticks) == "?" * 16


def test_what_a_blurred_strum_does_not_tell_its_place_in_the_bars_does() -> None:
    ways = "d.dudud." * 8
    notes, ticks = _strums(ways, apart_sec=0.004, stray_sec=0.002)
    blurred = [n.onset_sec if abs(n.onset_sec - 1.0 - 0.3 * 24) > 0.05 else 8.2 for n in notes]
    notes = [Note(n.id, at, at + 0.2, n.pitch_midi) for n, at in zip(notes, blurred, strict=True)]
    assert _told(sorted(notes, key=lambda n: n.onset_sec), ticks) == ways.replace(".", "")


def test_two_strings_are_no_strum() -> None:
    notes = [Note(0, 0.0, 0.2, 45), Note(1, 0.02, 0.2, 57)]
    assert strum_directions(notes, strokes(notes), np.array([0]), (4, 4)) == [None]


def test_ways_of_strummed_takes_are_told_right() -> None:
    rows: list[dict[str, Any]] = [measure(strum(seed)) for seed in range(8, 16)]
    told = [right for row in rows for right in row["  where told"]]
    assert len(told) > 250
    assert np.mean(told) >= 0.95


@pytest.mark.parametrize("seed", [7, 23, 55, 63])
def test_a_held_pulse_and_one_in_threes_are_six_eighths_slow_and_fast(seed: int) -> None:
    """Down, then down-up-down, at 146 to 272 eighths a minute: neither 3/4 nor triplets in 4/4."""
    take = strum(seed)
    assert take.meter == (6, 8)
    assert measure(take)["meter"] == [1.0]
