"""The last take on the handout: what was planted in it, and what of it still holds."""

from __future__ import annotations

import dataclasses
import io
import json
from pathlib import Path
from typing import Any

import pytest

import transcribe
from transcribe.command.main import main
from transcribe.core.errors import FormatError
from transcribe.core.lesson import Lesson, LessonPart
from transcribe.core.riff import Riff
from transcribe.formats.document import read_riff, to_json, write_riff
from transcribe.lesson.handout_pdf import handout_pdf
from transcribe.lesson.take_on_sheet import take_on_sheet
from transcribe.library.last_comparison import check_path, read_check, write_check
from transcribe.takes import report

TAKES = Path(__file__).parents[2] / "fixtures" / "takes"
SLIPS = TAKES / "mooring-slips"


@pytest.fixture(scope="module")
def riff() -> Riff:
    return read_riff(TAKES / "mooring" / "truth.riff.json")


@pytest.fixture(scope="module")
def kept(riff: Riff) -> dict[str, Any]:
    """As the page keeps it, of the notes that are in the recording with planted mistakes."""
    comparison = transcribe.compare(read_riff(SLIPS / "truth.riff.json"), riff)
    return {
        "when": "2026-11-05T18:30:00+00:00",
        "take": "mooring-slips.ogg",
        "notes": [[n.id, n.pitch_midi, round(n.onset_sec, 4)] for n in riff.notes],
        "pitches": [n.pitch_midi for n in comparison.take.notes],
        "rhythm": to_json(riff)["rhythm"],
        "comparison": report.as_json(comparison),
    }


def test_the_planted_mistakes_stand_on_the_sheet(riff: Riff, kept: dict[str, Any]) -> None:
    planted = json.loads((SLIPS / "mistakes.json").read_text("utf-8"))["notes"]
    take = take_on_sheet(kept, riff)
    assert take is not None
    assert take.verdicts == {
        riff.notes[row["reference"]].id: row["verdict"]
        for row in planted
        if row["reference"] is not None
    }
    bad = [row for row in planted if row["verdict"] != "right"]
    assert len(take.notes) == len(bad)
    assert len(take.extras) == sum(row["verdict"] == "extra" for row in bad)
    assert take.head == "The take of 5 November 2026 (mooring-slips.ogg)"
    right = sum(row["verdict"] == "right" for row in planted)
    assert take.says[0].startswith(f"Right: {right} of {len(planted)} ")
    assert take.practice
    assert all(steps for _, steps in take.practice)


def test_a_part_tells_of_its_own_bars(riff: Riff, kept: dict[str, Any]) -> None:
    take = take_on_sheet(kept, riff, (3, 4))
    assert take is not None
    assert all(line.startswith(("Bar 3", "Bar 4")) for line in take.notes)
    per = riff.rhythm.meter[0]
    assert set(take.verdicts) == {n.id for n in riff.notes if 2 * per <= n.onset_beat < 4 * per}
    assert all(head.startswith(("Bar 3", "Bar 4")) for head, _ in take.practice)
    assert "of the whole riff" in take.says[0]


def test_what_was_changed_since_is_held_against_nobody(riff: Riff, kept: dict[str, Any]) -> None:
    missed = next(
        n.id for n in riff.notes if take_on_sheet(kept, riff).verdicts.get(n.id) == "missed"
    )
    for changed in ({"pitch_midi": 40}, {"confidence": 0.1}, {"onset_sec": 0.3}):
        note = dataclasses.replace(riff.note(missed), **changed)
        others = tuple(n for n in riff.notes if n.id != missed)
        take = take_on_sheet(kept, dataclasses.replace(riff, notes=(*others, note)))
        assert missed not in take.verdicts, changed
    gone = tuple(n for n in riff.notes if n.id != missed)
    assert missed not in take_on_sheet(kept, dataclasses.replace(riff, notes=gone)).verdicts
    # Counted anew, the bars that were named are others: a note is told by where it is now.
    later = dataclasses.replace(riff.rhythm, downbeats_sec=riff.rhythm.downbeats_sec[1:])
    moved = tuple(dataclasses.replace(n, onset_beat=n.onset_beat - 4) for n in riff.notes)
    take = take_on_sheet(kept, dataclasses.replace(riff, rhythm=later, notes=moved))
    assert not take.practice
    assert not take.extras
    was = [line for line in take_on_sheet(kept, riff).notes if "not written" not in line]
    assert [int(line.split()[1]) for line in take.notes] == [int(x.split()[1]) - 1 for x in was]


def test_it_is_printed_with_the_handout(riff: Riff, kept: dict[str, Any]) -> None:
    """Read back by pypdf."""
    pypdf = pytest.importorskip("pypdf")
    pytest.importorskip("dukpy")
    pytest.importorskip("svglib")
    lesson = Lesson("Mooring", (LessonPart("A", "", name="Mooring"),))

    def words(**given: Any) -> str:
        pages = pypdf.PdfReader(io.BytesIO(handout_pdf(lesson, [riff], **given))).pages
        return " ".join("\n".join(page.extract_text() for page in pages).split())

    text = words(checks=[kept])
    take = take_on_sheet(kept, riff)
    assert take.head in text
    # The mark stands once in the explanation of the signs, and under each note that was missed.
    assert text.count("○") == 1 + list(take.verdicts.values()).count("missed")
    assert "The take of" not in words()


def test_the_command_hands_it_out(
    riff: Riff, kept: dict[str, Any], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "mooring.riff.json"
    write_riff(riff, path)
    transcribe.write_lesson(
        Lesson("Quay", (LessonPart("A", path.name, "Intro"),)), tmp_path / "quay.lesson.json"
    )
    assert main(["handout", str(path), "--takes"]) == 1
    assert "no take of mooring.riff.json was checked yet" in capsys.readouterr().err
    write_check(check_path(path), kept)
    for source in ("mooring.riff.json", "quay.lesson.json"):
        made = tmp_path / f"{source}.html"
        assert main(["handout", str(tmp_path / source), "--takes", "-o", str(made)]) == 0
        assert "The take of 5 November 2026" in made.read_text("utf-8")
    assert main(["handout", str(path), "-o", str(made)]) == 0
    assert "The take of" not in made.read_text("utf-8")


@pytest.mark.parametrize(
    "odd",
    [
        {"headline": "Right"},
        {"headline": [1]},
        {"practice": [{"steps": "x"}]},
        {"practice": [{"tempo_bpm": "slow"}]},
        {"practice": [{"bars": ["1"]}]},
        {"drone": {"dropouts": [1]}},
        {"drone": {"words": 1}},
    ],
)
def test_a_damaged_comparison_is_refused(
    riff: Riff, kept: dict[str, Any], tmp_path: Path, odd: dict[str, Any]
) -> None:
    path = tmp_path / "mooring.check.json"
    write_check(path, kept)
    assert take_on_sheet(read_check(path), riff) is not None
    write_check(path, {**kept, "comparison": {**kept["comparison"], **odd}})
    with pytest.raises(FormatError, match="cannot be read"):
        read_check(path)
