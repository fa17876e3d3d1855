"""DEVELOPERS.md names files and functions that are there."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
GUIDE = (ROOT / "DEVELOPERS.md").read_text("utf-8")

PATHS = sorted(set(re.findall(r"`((?:transcribe|theory|tests|\.ci)/[\w./-]*)`", GUIDE)))
PLACES = sorted(set(re.findall(r"`(\w+)` in `([\w./-]+\.py)`", GUIDE)))
BENCHES = sorted(set(re.findall(r"python -m ([\w.]+)", GUIDE)))


def test_the_guide_names_many_places() -> None:
    assert len(PATHS) > 40
    assert len(PLACES) > 15
    assert len(BENCHES) > 5


@pytest.mark.parametrize("path", PATHS)
def test_a_path_of_the_guide_is_there(path: str) -> None:
    assert (ROOT / path).exists()


@pytest.mark.parametrize(("name", "path"), PLACES)
def test_a_name_of_the_guide_is_defined_there(name: str, path: str) -> None:
    text = (ROOT / path).read_text("utf-8")
    assert re.search(rf"^(?:def|class) {name}\b|^{name}\b.*=", text, re.MULTILINE)


@pytest.mark.parametrize("module", BENCHES)
def test_a_module_that_the_guide_runs_is_there(module: str) -> None:
    assert (ROOT / module.replace(".", "/")).with_suffix(".py").exists()


def test_every_room_has_its_line() -> None:
    """Each package and module at the top of ``transcribe`` stands in the table of the rooms."""
    rooms = {
        f"transcribe/{path.name}" + "/" * path.is_dir()
        for path in (ROOT / "transcribe").iterdir()
        if not path.name.startswith(("_", ".")) and path.name not in ("api.py", "demo", "py.typed")
    }
    assert {room for room in rooms if f"| `{room}` |" not in GUIDE} == set()
