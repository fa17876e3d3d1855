"""The parts of a file that holds several, as a person names them: by number, name or id."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from transcribe.core.errors import ParameterError
from transcribe.core.riff import Remark

__all__ = ["PartName", "left_out", "listed", "pick"]

_MAX_LISTED = 12


@dataclass(frozen=True, slots=True)
class PartName:
    """A part's ``number`` from 1, its ``name`` as people see it, and its ``id`` in the file."""

    number: int
    name: str = ""
    id: str = ""


def pick(parts: Sequence[PartName], wanted: str, where: str, *, kind: str = "part") -> PartName:
    """The part that is called ``wanted``: its id, its number, its name, or the start of that.

    Case does not matter. ``where`` is what the error calls the file, ``kind`` what it
    calls a part of it: ``part`` or ``tune``.

    Raises
    ------
    ParameterError
        If no part is called that, or several are; the message lists the parts.
    """
    text = wanted.strip().casefold()
    ways = (
        [p for p in parts if p.id and p.id.casefold() == text],
        [p for p in parts if str(p.number) == text],
        [p for p in parts if text and p.name.strip().casefold() == text],
        [p for p in parts if text and p.name.strip().casefold().startswith(text)],
    )
    for found in ways:
        if len(found) == 1:
            return found[0]
        if found:
            raise ParameterError(
                f"{where} has {len(found)} {kind}s called {wanted!r}, {listed(found)}; "
                "name one by its number"
            )
    raise ParameterError(f"{where} has no {kind} {wanted!r}; there are {listed(parts)}")


def listed(parts: Iterable[PartName]) -> str:
    """Numbers and names, such as ``1 Flute, 2 Guitar``."""
    texts = [_called(part) for part in parts]
    more = len(texts) - _MAX_LISTED
    return ", ".join(texts[:_MAX_LISTED]) + (f" and {more} more" if more > 0 else "")


def _called(part: PartName) -> str:
    return f"{part.number} {part.name.strip() or part.id}".strip()


def left_out(parts: Sequence[PartName], chosen: PartName, *, kind: str = "part") -> list[Remark]:
    """The remark, if any, that says which of several parts was read and which were not."""
    others = [part for part in parts if part != chosen]
    if not others:
        return []
    facts = {
        "kind": kind,
        "number": chosen.number,
        "name": chosen.name.strip() or chosen.id or "without a name",
        "others": [_called(part) for part in others],
    }
    return [Remark("part-chosen", facts)]
