"""The neck that chords and scales are laid on, and the hand that plays it.

Conventions: string 1 is the highest-sounding string; frets count from the capo, but ``frets``
(how many the neck has) counts from the nut; distances in millimetres are taken on the real neck.

Source: fret positions x = L (1 - 2^(-n/12)), Fletcher & Rossing, The Physics of Musical
Instruments, section 9.2.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TypedDict

from theory.errors import TheoryError

__all__ = ["Neck", "NeckOptions", "fret_mm"]


class NeckOptions(TypedDict, total=False):
    """The keywords of `Neck`, which every function that needs a neck takes as its own."""

    open_midi: Iterable[int]
    capo: int
    frets: int
    scale_length_mm: float
    hand_span_mm: float


@dataclass(frozen=True, slots=True)
class Neck:
    """A neck, its strings and the hand on it; a guitar in standard tuning by default.

    Parameters
    ----------
    open_midi : iterable of int, shape (n,), 1 <= n <= 12, each 0-127
        The open strings without the capo, string 1 first.
    capo : int, 0 to ``frets - 1``
    frets : int
        How many frets the neck has, counted from the nut.
    scale_length_mm : float, 100-2000
    hand_span_mm : float, above 0
        The widest stretch along the neck from the first to the last finger; 98 mm is one finger
        a fret at the first fret of a 648 mm scale.

    Raises
    ------
    TheoryError
        If a value is out of its range.

    Examples
    --------
    >>> Neck(open_midi=(69, 64, 60, 67), frets=15, scale_length_mm=346.0).top_fret
    15
    """

    open_midi: tuple[int, ...] = (64, 59, 55, 50, 45, 40)
    capo: int = 0
    frets: int = 22
    scale_length_mm: float = 648.0
    hand_span_mm: float = 98.0

    def __post_init__(self) -> None:
        strings = tuple(int(pitch) for pitch in self.open_midi)
        object.__setattr__(self, "open_midi", strings)
        if not 1 <= len(strings) <= 12 or any(not 0 <= p <= 127 for p in strings):
            raise TheoryError("open_midi lists 1 to 12 MIDI numbers (0-127), string 1 first")
        if not 0 <= self.capo < self.frets:
            raise TheoryError(f"a capo sits at fret 0 to {self.frets - 1}, not {self.capo}")
        if not 100.0 <= self.scale_length_mm <= 2000.0:
            raise TheoryError(f"a scale length is 100 to 2000 mm, not {self.scale_length_mm:g}")
        if not self.hand_span_mm > 0:
            raise TheoryError(f"a hand span is above 0 mm, not {self.hand_span_mm:g}")

    @classmethod
    def of(cls, options: NeckOptions) -> Neck:
        """The neck that the keywords of a public function describe."""
        return cls(**options)  # type: ignore[arg-type]  # any iterable becomes a tuple

    @property
    def top_fret(self) -> int:
        """Highest fret that can be stopped, counted from the capo."""
        return self.frets - self.capo

    @property
    def reentrant(self) -> bool:
        """Whether a string sounds higher than the one above it, as a ukulele's fourth does."""
        return any(low > high for high, low in itertools.pairwise(self.open_midi))

    def pitch_midi(self, string: int, fret: int) -> int:
        """Pitch of ``string`` (from 1) at ``fret`` (from the capo)."""
        return self.open_midi[string - 1] + self.capo + fret

    def apart_mm(self, low: int, high: int) -> float:
        """Distance along the neck between two frets counted from the capo."""
        return fret_mm(high + self.capo, self.scale_length_mm) - fret_mm(
            low + self.capo, self.scale_length_mm
        )

    def checked_string(self, string: int) -> int:
        """``string`` itself, where the instrument has it.

        Raises
        ------
        TheoryError
            If it has not.
        """
        if not 1 <= string <= len(self.open_midi):
            raise TheoryError(
                f"string {string} is not on the instrument; it has 1 to {len(self.open_midi)}"
            )
        return string


def fret_mm(fret: float, scale_length_mm: float) -> float:
    """Distance from the nut to a fret counted from the nut, in millimetres.

    Examples
    --------
    >>> fret_mm(12, 648.0)
    324.0
    """
    return float(scale_length_mm * (1.0 - 2.0 ** (-fret / 12.0)))
