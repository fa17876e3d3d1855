"""Notes that were heard with doubt: shown, listed, and taken out or kept in one step."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import pytest

from transcribe.api import compare
from transcribe.command.main import main
from transcribe.core.errors import ParameterError
from transcribe.core.riff import Note, Riff
from transcribe.core.wording import sentence
from transcribe.correct import note_edits
from transcribe.correct.history import remark_of, steps, undo
from transcribe.correct.selectors import notes_of
from transcribe.formats.document import read_riff, write_riff
from transcribe.formats.tab.read import read_tab
from transcribe.formats.tab.write import write_tab


@pytest.fixture
def riff(takes: Path) -> Riff:
    """A shipped riff, three of whose notes were heard with doubt."""
    whole = read_riff(takes / "mooring" / "truth.riff.json")
    doubt = {3: 0.79, 8: 0.5, 20: 0.61}
    notes = tuple(
        dataclasses.replace(n, confidence=doubt.get(n.id, n.confidence)) for n in whole.notes
    )
    return dataclasses.replace(whole, notes=notes)


def test_the_tab_counts_and_lists_them(riff: Riff) -> None:
    assert "Unsure: 3 notes (3, 8, 20)\n" in write_tab(riff)
    assert "Unsure" not in write_tab(note_edits.confirm(riff, notes_of(riff, "unsure")))
    assert [n.pitch_midi for n in read_tab(write_tab(riff)).notes] == [
        n.pitch_midi for n in riff.notes
    ]


def test_all_are_taken_out_in_one_step(riff: Riff) -> None:
    after = note_edits.delete(riff, notes_of(riff, "unsure"))
    assert {n.id for n in riff.notes} - {n.id for n in after.notes} == {3, 8, 20}
    back = undo(after)
    assert [(n.id, n.onset_sec, n.pitch_midi, n.confidence) for n in back.notes] == [
        (n.id, n.onset_sec, n.pitch_midi, n.confidence) for n in riff.notes
    ]


def test_all_are_kept_in_one_step(riff: Riff) -> None:
    after = note_edits.confirm(riff, notes_of(riff, "unsure"))
    assert not any(n.unsure for n in after.notes)
    assert sentence(remark_of(steps(after)[0][-1])) == "confirm of note 3 and 2 more"
    assert [n.confidence for n in undo(after).notes] == [n.confidence for n in riff.notes]
    with pytest.raises(ParameterError, match="sure already"):
        note_edits.confirm(after, [3])
    with pytest.raises(ParameterError, match="no note of this riff is unsure"):
        notes_of(after, "unsure")


def test_the_command_lists_and_takes_them_out(
    riff: Riff, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "mooring.riff.json"
    write_riff(riff, path)
    assert main(["show", str(path), "--notes"]) == 0
    listed = [line for line in capsys.readouterr().out.splitlines() if "unsure (" in line]
    assert [int(line.split()[0]) for line in listed] == [3, 8, 20]
    assert main(["refinger", str(path), "--confirm", "8", "--delete", "20"]) == 0
    assert "1 note is sure now" in capsys.readouterr().out
    assert {n.id for n in read_riff(path).notes if n.unsure} == {3}
    assert main(["refinger", str(path), "--delete", "unsure"]) == 0
    left = {n.id for n in read_riff(path).notes}
    assert main(["refinger", str(path), "--undo"]) == 0
    assert main(["refinger", str(path), "--undo"]) == 0
    assert "1 note is unsure again" in capsys.readouterr().out
    assert 8 in left
    assert not {3, 20} & left


def test_an_unsure_note_of_a_take_gets_no_verdict(riff: Riff, takes: Path) -> None:
    """One note more than is written, heard with doubt: nobody is told of a wrong note."""
    reference = read_riff(takes / "mooring" / "truth.riff.json")
    last = riff.notes[-1]
    for confidence, verdict in ((0.7, "unsure"), (0.99, "extra")):
        more = dataclasses.replace(
            last,
            id=last.id + 1,
            pitch_midi=last.pitch_midi + 6,
            onset_sec=riff.notes[10].onset_sec + 0.25,
            offset_sec=riff.notes[10].onset_sec + 0.5,
            confidence=confidence,
            string=None,
            fret=None,
        )
        notes = (*(dataclasses.replace(n, confidence=0.99) for n in riff.notes), more)
        rows = compare(dataclasses.replace(riff, notes=notes), reference).notes
        assert [row.verdict for row in rows if row.reference is None] == [verdict]


def test_the_way_out_that_is_named_works(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "jetty.riff.json"
    notes = [Note(k, 0.5 * k, 0.5 * k + 0.4, 52 + k, confidence=0.6) for k in (1, 2)]
    write_riff(Riff(notes=(Note(3, 0.0, 0.4, 52), *notes)), path)
    assert main(["finger", str(path)]) == 0
    told = re.search(
        r"2 notes heard with doubt: handspan (.* --delete unsure)", capsys.readouterr().err
    )
    assert told
    assert main(told[1].split()) == 0
    assert [note.id for note in read_riff(path).notes] == [3]
    assert main(["finger", str(path)]) == 0
    assert "doubt" not in capsys.readouterr().err
