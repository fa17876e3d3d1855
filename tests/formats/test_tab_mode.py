"""The mode and the drone in a tab's header: how sure the mode is, and names that follow the key."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from transcribe.core.instrument import make_instrument
from transcribe.core.riff import Drone, Note, Riff
from transcribe.formats.tab.read import read_tab
from transcribe.formats.tab.write import write_tab

RIFF = Riff(
    notes=(Note(1, 0.0, 0.5, 40, string=6, fret=0), Note(2, 0.5, 1.0, 47, string=5, fret=2))
)


def _with(**mode: object) -> Riff:
    return replace(RIFF, theory={"mode": {"tonic": "E", "name": "aeolian", **mode}})


def _line(text: str, name: str) -> str:
    (line,) = (line for line in text.splitlines() if line.startswith(name))
    return line.removeprefix(name).strip()


@pytest.mark.parametrize(
    ("mode", "expected"),
    [
        (
            {"confidence": 0.41, "sureness": "a guess", "parent": "G major"},
            "E aeolian (a guess, 41%; notes of G major)",
        ),
        (
            {"confidence": 0.5, "sureness": "more likely than the rest"},
            "E aeolian (more likely than the rest, 50%)",
        ),
        (
            {"confidence": 0.96, "sureness": "sure", "parent": "G major"},
            "E aeolian (notes of G major)",
        ),
        ({"parent": "G major"}, "E aeolian (notes of G major)"),
        ({}, "E aeolian"),
    ],
)
def test_the_mode_says_how_sure_it_is_and_is_read_back(
    mode: dict[str, object], expected: str, tmp_path: Path
) -> None:
    text = write_tab(_with(**mode))
    assert _line(text, "Mode:") == expected
    path = tmp_path / "mooring.tab.txt"
    path.write_text(text, encoding="utf-8")
    back = read_tab(path)
    assert back.theory is not None
    found = back.theory["mode"]
    assert (found["tonic"], found["name"]) == ("E", "aeolian")
    assert found.get("parent") == mode.get("parent")
    if mode.get("sureness") != "sure":
        assert found.get("confidence") == mode.get("confidence")
    assert _line(write_tab(back), "Mode:") == expected


def test_a_drone_is_named_by_a_flat_where_the_key_has_flats() -> None:
    notes = (Note(1, 0.0, 0.5, 39, string=6, fret=0), Note(2, 0.5, 1.0, 46, string=5, fret=2))
    mode = {"tonic": "Eb", "name": "aeolian", "notes": ["Eb", "F", "Gb", "Ab", "Bb", "Cb", "Db"]}
    riff = Riff(
        notes=notes,
        instrument=make_instrument("half-step-down"),
        drone=Drone(6, 0.0, 1.0),
        theory={"mode": mode},
    )
    assert _line(write_tab(riff), "Drone:") == "open string 6 (Eb2)"
