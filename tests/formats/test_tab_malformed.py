"""Malformed tabs are refused with file, line, what was found and what was expected."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.formats.riffs import drone_riff, legato_riff, strummed_riff
from transcribe.core.errors import FormatError
from transcribe.formats.tab.read import read_tab
from transcribe.formats.tab.write import write_tab

PEOPLE = "\n".join(["Riff", "", *(f"{n}|-0--3--5-|-7--8----|" for n in "eBGDAE")]) + "\n"


def _refused(text: str, line: int | None, match: str, tmp_path: Path) -> None:
    path = tmp_path / "riff.tab.txt"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(FormatError) as caught:
        read_tab(path)
    message = str(caught.value)
    assert "\n" not in message
    where = str(path) + (f":{line}: found " if line is not None else "")
    assert message.startswith(where), message
    assert "expected" in message
    assert re.search(match, message), message


def _own(change: Callable[[list[str]], list[str] | None]) -> str:
    lines = write_tab(drone_riff()).splitlines()
    return "\n".join(change(lines) or lines) + "\n"


def _set(index: int, text: str) -> Callable[[list[str]], None]:
    def change(lines: list[str]) -> None:
        lines[index] = text

    return change


def _drop(index: int) -> Callable[[list[str]], list[str]]:
    return lambda lines: lines[:index] + lines[index + 1 :]


@pytest.mark.parametrize(
    ("change", "line", "match"),
    [
        (_set(0, "Handspan tab 7: x"), 1, "version 7"),
        (_set(1, "Tuning: E4 H3 G3"), 2, "open strings"),
        (_set(1, "Tuning:"), 2, "open strings"),
        (_drop(1), 2, "no tuning"),
        (_set(2, "Meter:  four four"), 3, "a meter"),
        (_drop(2), 2, "no meter"),
        (_set(3, "Tempo:  fast"), 4, "beats a minute"),
        (_set(3, "Tempo:  9999 quarters a minute"), 4, "1 to 1000"),
        (_set(4, "Capo:   high up"), 5, "a fret"),
        (_set(4, "Capo:   fret 30"), None, "capo"),
        (_set(5, "Mode:   dorian"), 6, "a mode"),
    ],
)
def test_own_header(
    change: Callable[[list[str]], list[str] | None], line: int, match: str, tmp_path: Path
) -> None:
    _refused(_own(change), line, match, tmp_path)


@pytest.mark.parametrize(
    ("change", "line", "match"),
    [
        (lambda t: t.replace("|-2h4-5", "|-2h4--5"), 12, "columns"),
        (lambda t: t.replace("|-2h4-5", "|-2h45"), 12, r"columns|one or two digits"),
        (lambda t: t.replace("-2h4-5-", "2-h4-5-"), 12, "places of the count"),
        (lambda t: t.replace("-2h4-5-", "-2q4-5-"), 12, r"'q' at column 6"),
        (lambda t: t.replace("10~", "99~"), 12, "fret 99 at column 31, expected 0 to 22"),
        (lambda t: t.replace("B |", "C |", 1), 11, "string 2, B"),
        (lambda t: t.replace("1 & 2   3 & 4     1", "1 & 3   3 & 4     1", 1), 16, "beat 3"),
        (lambda t: re.sub(r"\n    1 & 2   3.*", "", t, count=1), 16, "no count"),
        (lambda t: t.replace("1   2   3   4", "1   2   3"), 19, r"bar 4 with beats 1 to 3"),
    ],
    ids=[
        "too long",
        "too short",
        "between places",
        "letter",
        "over the neck",
        "name",
        "beat",
        "count missing",
        "beat missing",
    ],
)
def test_own_music(change: Callable[[str], str], line: int, match: str, tmp_path: Path) -> None:
    text = write_tab(drone_riff())
    assert change(text) != text
    _refused(change(text), line, match, tmp_path)


def test_own_string_missing(tmp_path: Path) -> None:
    lines = write_tab(drone_riff()).splitlines()
    at = next(i for i, line in enumerate(lines) if line.startswith("A |"))
    _refused("\n".join(lines[:at] + lines[at + 1 :]), at + 1, "string 5, A", tmp_path)


def test_own_bar_line_moved(tmp_path: Path) -> None:
    lines = write_tab(strummed_riff()).splitlines()
    at = next(i for i, line in enumerate(lines) if line.startswith("G |"))
    lines[at] = lines[at].replace("-|-", "|--", 1)
    _refused(
        "\n".join(lines), at + 1, "a bar line at column 20, expected it at column 21", tmp_path
    )


def test_own_without_systems(tmp_path: Path) -> None:
    lines = write_tab(legato_riff()).splitlines()
    _refused("\n".join(lines[:5]) + "\n", 5, "no lines of strings", tmp_path)


@pytest.mark.parametrize(
    ("change", "line", "match"),
    [
        (
            lambda t: t.replace("G|-0--3--5-|-7--8----|\n", "").replace("E|", "D|"),
            None,
            "5 strings, e B D A D",
        ),
        (lambda t: t.replace("G|-0--3--5-|", "G|-0--3--5------|"), 5, "bar line at column 17"),
        (lambda t: t.replace("G|-0--3--5-|", "G|-0--3--5--"), 5, "1 bar lines|2 bar lines"),
        (lambda t: t.replace("G|-0--3", "G|-0--Q"), 5, "'Q' at column 7"),
        (lambda t: t.replace("G|-0--3--5", "G|-0--333-"), 5, "'333' at column 7"),
        (lambda t: t.replace("G|-0--3--", "G|-0--39-"), 5, "fret 39"),
        (lambda t: t.replace("G|-0--3--", "G|-0b2-3-").replace("0b2", "5b2"), 5, "bend to 2"),
        (lambda t: "Nothing but words.\nAnd more - words.\n", 1, "no lines of strings"),
        (lambda t: "", None, "no lines of strings|empty"),
    ],
    ids=["string", "bar", "bars", "letter", "digits", "fret", "bend", "words", "empty"],
)
def test_people_s_tab(
    change: Callable[[str], str], line: int | None, match: str, tmp_path: Path
) -> None:
    _refused(change(PEOPLE), line, match, tmp_path)


def test_files_that_are_no_text(tmp_path: Path) -> None:
    path = tmp_path / "riff.tab.txt"
    path.write_bytes(bytes(range(256)) * 4)
    with pytest.raises(FormatError, match="not text"):
        read_tab(path)
    with pytest.raises(FormatError, match="no such file"):
        read_tab(tmp_path / "none.txt")
    with pytest.raises(FormatError, match="cannot be read"):
        read_tab(tmp_path)


def test_a_large_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "riff.tab.txt"
    path.write_bytes(b"-" * (5 << 20))
    with pytest.raises(FormatError, match="over 4 MB"):
        read_tab(path)


def test_repeats_without_end_are_refused(tmp_path: Path) -> None:
    system = "\n".join(["e|:-1-|" * 1 + "-2-:| x99", *(f"{n}|:---|---:|" for n in "BGDAE")])
    text = "\n\n".join([system] * 40)
    _refused(text, None, "over 5000 bars", tmp_path)


def test_text_is_named_tab_in_errors() -> None:
    with pytest.raises(FormatError, match=r"^tab:1: "):
        read_tab("words\nand words\n")
    with pytest.raises(FormatError, match=r"^board:1: "):
        read_tab("words\nand words\n", name="board")


def test_a_bar_that_lost_its_whole_count_is_refused(tmp_path: Path) -> None:
    lines = write_tab(drone_riff()).splitlines()
    count = next(
        i for i, line in enumerate(lines) if line.split()[:1] == ["1"] and "|" in lines[i - 1]
    )
    bar = lines[count - 1].index("|", lines[count - 1].index("|") + 1)
    lines[count] = " " * bar + lines[count][bar:]
    _refused("\n".join(lines) + "\n", None, "over one of the places of the count", tmp_path)
