"""References that are tabs without a count: bars name the place, but time is not held to them."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from tests.takes.helpers import take
from transcribe import api
from transcribe.core.riff import Note, Riff
from transcribe.formats.document import read_riff, write_riff
from transcribe.formats.tab.read import read_tab
from transcribe.takes.report import html, text

TAB = """\
Rope walk, 4/4, 100 bpm

e|----------------|----------------|
B|----------------|----------------|
G|----------------|----------------|
D|--2-4-5-4-2-----|--2-4-7-4-2-0---|
A|0-------0-------|0-------0-------|
E|----------------|----------------|
"""


def _slip(riff: Riff) -> Riff:
    """A take, uneven and slower, whose first note of bar 2 on string 4 is a fret too high."""
    struck = sorted(riff.notes, key=lambda n: n.onset_sec)
    notes = [
        Note(k, 0.5 + 1.3 * n.onset_sec + 0.06 * (k % 3), 0.8 + 1.3 * n.onset_sec, n.pitch_midi)
        for k, n in enumerate(struck, 1)
    ]
    notes[8] = dataclasses.replace(notes[8], pitch_midi=notes[8].pitch_midi + 1)
    return take(notes)


@pytest.mark.parametrize("kind", ["tab", "file", "riff document"])
def test_a_slip_is_named_by_bar_and_beat(kind: str, tmp_path: Path) -> None:
    riff = read_tab(TAB)
    reference: Riff | Path = riff
    if kind == "file":
        reference = tmp_path / "rope-walk.txt"
        reference.write_text(TAB)
    elif kind == "riff document":
        write_riff(api.finger(riff), tmp_path / "rope-walk.riff.json")
        reference = read_riff(tmp_path / "rope-walk.riff.json")
    comparison = api.compare(_slip(riff), reference)
    wrong = [r for r in comparison.notes if r.verdict == "wrong"]
    assert [(r.bar, r.beat) for r in wrong] == [(2, 4.5)]
    assert not [r for r in comparison.notes if r.verdict in ("early", "late")]
    told = text(comparison)
    assert "bar 2 beat 1&" in told
    assert "no rhythm" not in told
    assert "tab without a count" in " ".join(told.split())
    assert "bar 2" in html(comparison)
    assert "from stroke" not in html(comparison)


def test_a_tab_without_bar_lines_has_no_bars_to_name() -> None:
    riff = read_tab(
        "\n".join(line[:2] + line[2:].replace("|", "") for line in TAB.splitlines()[2:]) + "\n"
    )
    comparison = api.compare(_slip(riff), riff)
    assert all(r.bar is None for r in comparison.notes)
    assert "bar lines in the tab give it bars" in " ".join(text(comparison).split())
