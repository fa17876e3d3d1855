"""The names before the strings of a tab: their pitch classes, and which strings they call."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

from transcribe.core.instrument import TUNINGS
from transcribe.core.pitch import pitch_class

__all__ = ["STANDARD", "classes_of", "is_known", "strings_called", "tuning_classes"]


def tuning_classes(open_midi: Sequence[int]) -> tuple[int, ...]:
    """The pitch classes of open strings, string 1 first."""
    return tuple(midi % 12 for midi in open_midi)


STANDARD = tuning_classes(TUNINGS["standard"])


def classes_of(names: Sequence[str]) -> tuple[int, ...] | None:
    """Pitch classes of names as people write them; None where one is missing.

    Examples
    --------
    >>> classes_of(["e", "H", "G"]), classes_of(["Eb", "Bb"])
    ((4, 11, 7), (3, 10))
    """
    if not all(names):
        return None
    upper = [name.upper().replace("♯", "#").replace("♭", "B") for name in names]
    if any(name.startswith("H") for name in upper):
        # Where H is B natural, B is B flat (common practice in German, no source).
        upper = ["BB" if name == "B" else name.replace("H", "B", 1) for name in upper]
    return tuple(pitch_class(name[0] + name[1:].lower()) for name in upper)


def is_known(classes: tuple[int, ...]) -> bool:
    """Whether these are all strings of a named tuning, from either end."""
    known = {tuning_classes(tuning) for tuning in TUNINGS.values()}
    return classes in known or classes[::-1] in known


def strings_called(
    classes: Sequence[int], tuning: Sequence[int], *, low: bool = False
) -> tuple[int, ...] | None:
    """The strings of ``tuning``, from 0, that ``classes`` call in order; None where they do not.

    Of several ways the strings lie closest together; ``low`` says to take the lowest ones then.

    Examples
    --------
    >>> strings_called(classes_of("AE"), STANDARD), strings_called(classes_of("eBG"), STANDARD)
    ((4, 5), (0, 1, 2))
    """
    ways = [
        way
        for way in itertools.combinations(range(len(tuning)), len(classes))
        if all(tuning[i] == c for i, c in zip(way, classes, strict=True))
    ]
    return min(ways, key=lambda w: (w[-1] - w[0], -w[0] if low else w[0]), default=None)
