"""What a caller reads of the public names: every argument, the answer, the errors, an example."""

from __future__ import annotations

import dataclasses
import inspect
import re

import pytest

import theory
import transcribe

PUBLIC = [(m.__name__, name, getattr(m, name)) for m in (transcribe, theory) for name in m.__all__]
SECTIONS = ("Parameters", "Returns", "Raises", "Examples")


@pytest.mark.parametrize(
    "found", [o for _, _, o in PUBLIC if inspect.isfunction(o)], ids=lambda o: o.__name__
)
def test_a_public_function_says_what_it_takes_gives_and_refuses(found) -> None:
    text = inspect.getdoc(found)
    parts = re.split(r"^(\w+)\n-+$", text, flags=re.MULTILINE)
    sections = dict(zip(parts[1::2], parts[2::2], strict=True))
    assert [name for name in SECTIONS if name not in sections] == []
    assert ">>>" in sections["Examples"]
    named = set(re.findall(r"\w+", sections["Parameters"]))
    assert set(inspect.signature(found).parameters) - named == set()


@pytest.mark.parametrize(
    "found", [o for _, _, o in PUBLIC if dataclasses.is_dataclass(o)], ids=lambda o: o.__name__
)
def test_a_public_type_says_what_its_fields_are(found) -> None:
    words = set(re.findall(r"\w+", inspect.getdoc(found)))
    assert {f.name for f in dataclasses.fields(found)} - words - {"extra"} == set()
