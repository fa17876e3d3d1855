"""A part of a file, as a person names it."""

from __future__ import annotations

import pytest

from transcribe.core.errors import ParameterError
from transcribe.core.wording import sentence
from transcribe.formats.parts import PartName, left_out, pick

PARTS = (
    PartName(1, "Flute", "P1"),
    PartName(2, "Guitar", "P2"),
    PartName(3, "Guitar", "P3"),
    PartName(4, "", "P4"),
    PartName(5, "12", "P5"),
)


@pytest.mark.parametrize(
    ("wanted", "number"),
    [("P3", 3), ("2", 2), ("flute", 1), ("FL", 1), (" Flute ", 1), ("p4", 4), ("12", 5)],
)
def test_pick_by_id_number_name_or_its_start(wanted: str, number: int) -> None:
    assert pick(PARTS, wanted, "boathouse.musicxml").number == number


def test_pick_lists_those_of_one_name() -> None:
    with pytest.raises(ParameterError, match="2 parts called 'guitar', 2 Guitar, 3 Guitar; name"):
        pick(PARTS, "guitar", "boathouse.musicxml")


@pytest.mark.parametrize("wanted", ["Oboe", "9", "", "uitar"])
def test_pick_lists_all_where_there_is_none(wanted: str) -> None:
    with pytest.raises(ParameterError, match="there are 1 Flute, 2 Guitar, 3 Guitar, 4 P4, 5 12"):
        pick(PARTS, wanted, "boathouse.musicxml")


def test_left_out_counts_and_names_the_others() -> None:
    assert left_out(PARTS[:1], PARTS[0]) == []
    told = sentence(left_out(PARTS[:3], PARTS[1])[0])
    assert told == "Part 2, Guitar, is used; 1 Flute and 3 Guitar are left out."
    many = [PartName(n, "Strings") for n in range(1, 21)]
    assert sentence(left_out(many, many[0])[0]).endswith("and 7 more are left out.")
