"""Every fact that a comparison can hold has its words."""

from __future__ import annotations

import ast
from dataclasses import replace
from pathlib import Path

import pytest

import transcribe.takes
from tests.takes.helpers import reference
from transcribe.takes import Played, Reason, Verdict
from transcribe.takes.verdict_wording import REMARKS, reason_words, verdict_words
from transcribe.takes.verdicts import where_played

SOURCES = sorted(Path(transcribe.takes.__file__).parent.glob("*.py"))


def kinds_made() -> set[str]:
    """The kinds of the remarks that the package makes, from its source: literals, or a loop."""
    found = set()
    for path in SOURCES:
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Call) and ast.unparse(node.func) == "Remark":
                first = node.args[0]
                if isinstance(first, ast.Constant) and isinstance(first.value, str):
                    found.add(first.value)
    return found


def test_every_kind_of_remark_has_words() -> None:
    looped = {"notes-before", "notes-after", "false-starts", "parts"}
    assert kinds_made() | looped == set(REMARKS)


@pytest.mark.parametrize("reason", Reason)
def test_every_reason_has_words(reason: Reason) -> None:
    assert len(reason_words(Verdict(0, None, "unsure", reason=reason))) > 4


@pytest.mark.parametrize(
    ("step", "words"),
    [
        (2, "played E4, 2 frets too high on string 4"),
        (-1, "played C#4, 1 fret too low on string 4"),
        (5, "played G4, fret 12 on string 3 instead of string 4"),
        (60, "played D9, which this neck does not have"),
    ],
)
def test_a_wrong_note_tells_what_the_finger_did(step: int, words: str) -> None:
    riff = reference(drone=False)
    note = riff.notes[3]
    assert (note.string, note.fret, note.pitch_midi) == (4, 12, 62)
    played = where_played(note, note.pitch_midi + step, riff.instrument)
    assert verdict_words(Verdict(3, 3, "wrong", played=played), riff) == words


def test_without_a_place_on_the_neck_a_wrong_note_is_told_by_name() -> None:
    riff = reference(drone=False)
    bare = replace(riff, notes=tuple(replace(n, string=None, fret=None) for n in riff.notes))
    row = Verdict(3, 3, "wrong", played=Played(63))
    assert verdict_words(row, bare) == "played D#4 instead of D4"
