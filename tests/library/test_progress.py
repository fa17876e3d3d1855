"""Progress over time, kept beside the riff."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from tests.takes.helpers import STEP, played, reference, take
from transcribe.core.errors import FormatError
from transcribe.core.riff import Source
from transcribe.library import progress
from transcribe.takes import compare
from transcribe.takes.summary import TakeFigures, changes_since, figures_of
from transcribe.takes.verdict_wording import change_words

WHEN = datetime(2026, 3, 4, 18, 30, tzinfo=UTC)


def changed(previous: TakeFigures, now: TakeFigures) -> tuple[str, ...]:
    """What changed, in words."""
    return tuple(change_words(change) for change in changes_since(previous, now))


def entry(sha: str | None = "aa", *, missing: int = 0) -> TakeFigures:
    """An entry of a take that leaves out its last ``missing`` melody notes."""
    riff = reference()
    notes = [n for n in played(riff) if n.pitch_midi != 45]
    drone = [n for n in played(riff) if n.pitch_midi == 45]
    kept = notes[: len(notes) - missing] + drone
    found = replace(take(kept), source=Source("rope-walk.m4a", sha256=sha))
    return figures_of(compare(found, riff), when=WHEN)


@pytest.mark.parametrize(
    ("riff", "name"),
    [
        ("mooring.riff.json", "mooring.progress.jsonl"),
        ("mooring.tab.txt", "mooring.progress.jsonl"),
        ("mooring.musicxml", "mooring.progress.jsonl"),
        ("two.words.mid", "two.words.progress.jsonl"),
    ],
)
def test_progress_path(riff: str, name: str) -> None:
    assert progress.progress_path(Path("class") / riff) == Path("class") / name


def test_what_is_appended_is_read_back(tmp_path: Path) -> None:
    path = tmp_path / "mooring.progress.jsonl"
    assert progress.read(path) == ()
    first, second = entry("aa", missing=2), entry("bb")
    assert progress.append(path, first) == ()
    assert progress.append(path, second) == (first,)
    assert progress.read(path) == (first, second)
    assert [json.loads(line)["when"] for line in path.read_text("utf-8").splitlines()] == [
        "2026-03-04T18:30:00+00:00"
    ] * 2
    assert [p.name for p in tmp_path.iterdir()] == [path.name]


def test_the_same_take_is_not_entered_twice(tmp_path: Path) -> None:
    path = tmp_path / "mooring.progress.jsonl"
    progress.append(path, entry("aa", missing=2))
    progress.append(path, entry("bb"))
    again = entry("bb")
    assert progress.append(path, again) == (entry("aa", missing=2),)
    assert len(progress.read(path)) == 2
    # A take without a known file is always a new one.
    progress.append(path, entry(None))
    progress.append(path, entry(None))
    assert len(progress.read(path)) == 4


def test_unknown_keys_survive(tmp_path: Path) -> None:
    path = tmp_path / "a.progress.jsonl"
    progress.append(path, replace(entry("aa"), extra={"teacher": "says hello"}))
    progress.append(path, entry("bb"))
    assert json.loads(path.read_text("utf-8").splitlines()[0])["teacher"] == "says hello"


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("{", "2: not a line"),
        ("[1]", "expected an object"),
        ('{"when": "x", "right_share": "most"}', "right_share is 'most'"),
        ('{"when": "x"}', "right_share is missing"),
        ('{"when": 3, "right_share": 1}', "when is 3"),
        ('{"when": "x", "right_share": 1, "counts": {"wrong": "two"}}', "counts must hold"),
    ],
)
def test_a_spoilt_line_is_named_and_nothing_is_written(
    tmp_path: Path, line: str, words: str
) -> None:
    path = tmp_path / "a.progress.jsonl"
    progress.append(path, entry("aa"))
    before = path.read_text("utf-8") + line + "\n"
    path.write_text(before, "utf-8")
    with pytest.raises(FormatError, match=words):
        progress.append(path, entry("bb"))
    assert path.read_text("utf-8") == before


def test_a_folder_that_cannot_be_written(tmp_path: Path) -> None:
    with pytest.raises(FormatError, match="cannot be written"):
        progress.append(tmp_path / "nowhere" / "a.progress.jsonl", entry())


def test_change_tells_better_from_worse() -> None:
    old, new = entry("aa", missing=4), entry("bb")
    said = changed(old, new)
    assert said[0].startswith("right 83 % -> 100 %")
    assert "(+17 points)" in said[0]
    assert any(s.startswith("now clean: bar 2") for s in said)
    back = changed(new, old)
    assert any(s.startswith("new trouble: bar 2") for s in back)


def test_change_leaves_out_what_reads_the_same() -> None:
    old = replace(entry("aa"), drone_share=1.0, spread_ms=7.9, tempo_bpm=99.8, right_share=0.951)
    new = replace(old, sha256="bb", drone_share=0.998, spread_ms=8.2, tempo_bpm=100.3)
    assert changed(old, replace(new, right_share=0.954)) == ("right 95 %, as before",)
    said = changed(old, replace(new, drone_share=0.9, tempo_bpm=112.0))
    assert said == ("right 95 %, as before", "100 bpm -> 112 bpm", "drone ringing 100 % -> 90 %")


def test_a_take_of_another_riff_is_not_entered(tmp_path: Path, rng: np.random.Generator) -> None:
    path = tmp_path / "mooring.progress.jsonl"
    progress.append(path, entry("aa"))
    before = path.read_bytes()
    notes = [replace(n, pitch_midi=int(rng.integers(40, 80))) for n in played(reference())]
    other = figures_of(compare(take(notes), reference()), when=WHEN)
    assert progress.append(path, other) == ()
    assert path.read_bytes() == before


def test_change_calls_no_bar_clean_that_was_not_played() -> None:
    notes = played(reference())
    wrong = [replace(n, pitch_midi=n.pitch_midi + 1) if n is notes[-1] else n for n in notes]
    spoilt = figures_of(compare(take(wrong), reference()), when=WHEN)
    assert spoilt.bars == {"2": 1}
    half = [n for n in notes if n.onset_sec < 0.4 + 4 * STEP - 0.01]
    stopped = figures_of(compare(take(half), reference()), when=WHEN)
    assert stopped.left_out == (2,)
    assert not any("clean" in s for s in changed(spoilt, stopped))
    assert any(s == "now clean: bar 2" for s in changed(spoilt, entry("bb")))


def test_the_bars_that_a_take_left_out_survive_the_file(tmp_path: Path) -> None:
    path = tmp_path / "mooring.progress.jsonl"
    kept = replace(entry(), left_out=(0, 3))
    progress.append(path, kept)
    assert progress.read(path) == (kept,)
    path.write_text(path.read_text("utf-8").replace("[0, 3]", '["x"]'), "utf-8")
    with pytest.raises(FormatError, match="numbers of bars"):
        progress.read(path)


def test_change_counts_the_points_that_the_shares_show() -> None:
    old = replace(entry("aa"), right_share=0.494)
    assert changed(old, replace(old, right_share=0.496)) == ("right 49 % -> 50 % (+1 point)",)
