"""What a place on the neck asks of the fretting hand, in millimetres.

Conventions: fingers 1 (index) to 4 (little), 0 = open string; the *position* is the fret at which
the index finger lies, counted from the capo; frets are counted from the capo, and every distance
in millimetres is taken on the real neck, so that the capo moves the hand to narrower frets.

Sources: fret distances from Fletcher & Rossing, The Physics of Musical Instruments, section 9.2.
The shares of the span that two fingers can open to are common practice, no source.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from transcribe.core.errors import ParameterError
from transcribe.core.instrument import fret_position_mm
from transcribe.core.riff import Instrument, Riff
from transcribe.fingering.costs import PLACE

__all__ = ["Hand", "finger_choices", "hand_of", "neck_mm", "place_costs"]

_ACROSS = 3  # so many strings of a power chord at one fret take one finger
_GRIP = 4  # so many stopped notes leave no finger over for a second note at the lowest fret
_PAIR_SHARE = {
    (1, 2): 0.42,
    (2, 3): 0.32,
    (3, 4): 0.32,
    (1, 3): 0.72,
    (2, 4): 0.64,
    (1, 4): 1.0,
}


@dataclass(frozen=True, slots=True)
class Hand:
    """A fretting hand.

    ``span_mm`` is the distance from the index to the little finger that the hand covers without
    strain along the neck; 98 mm is one finger a fret at the first fret of a 648 mm scale.

    Raises
    ------
    ParameterError
        If the span is not 40 to 200 mm.
    """

    span_mm: float = 98.0

    def __post_init__(self) -> None:
        if not 40.0 <= self.span_mm <= 200.0:
            raise ParameterError(
                f"a hand span is 40 to 200 mm from index to little finger, not {self.span_mm:g}"
            )

    def reach_mm(self, low: int, high: int) -> float:
        """How far fingers ``low`` < ``high`` (1-4) open without strain, in millimetres."""
        return self.span_mm * _PAIR_SHARE[low, high]


def hand_of(riff: Riff) -> Hand:
    """The hand that the document was fingered for, else the usual one."""
    span = riff.player.hand_span_mm
    return Hand() if span is None else Hand(span)


@lru_cache(maxsize=256)
def neck_mm(instrument: Instrument) -> tuple[float, ...]:
    """Distance from the nut to every fret counted from the capo, in millimetres."""
    return tuple(
        fret_position_mm(fret + instrument.capo, instrument.scale_length_mm)
        for fret in range(instrument.top_fret + 1)
    )


def finger_choices(
    places: Sequence[tuple[int, int]], *, across: bool = False
) -> list[tuple[int, ...]]:
    """Every way to put fingers 1-4 on ``places`` ((string, fret), 0 = open), best-ordered none.

    A higher fret takes a higher finger; at one fret the thicker string takes the lower finger,
    or one finger lies across several strings (a barre) where no open string sounds between. The
    index finger lies across all strings of the lowest fret of a grip of four or more stopped notes,
    and index or ring finger across a power chord of three or more at one fret, ``across``, as in a
    drop tuning (common practice, no source).
    """
    fretted = sorted(
        (i for i, (_, fret) in enumerate(places) if fret > 0),
        key=lambda i: (places[i][1], -places[i][0]),
    )
    if not fretted:
        return [(0,) * len(places)]
    open_strings = [string for string, fret in places if fret == 0]
    found: list[tuple[int, ...]] = []
    chosen = [0] * len(places)

    def put(k: int, last: int) -> None:
        if k == len(fretted):
            found.append(tuple(chosen))
            return
        i = fretted[k]
        string, fret = places[i]
        low = 1
        if k:
            before = places[fretted[k - 1]]
            low = last + 1
            if before[1] == fret:
                first = next(places[j][0] for j in fretted if chosen[j] == last)
                if not any(string < o < first for o in open_strings):
                    chosen[i] = last
                    put(k + 1, last)
                    chosen[i] = 0
        for finger in range(low, 5):
            chosen[i] = finger
            put(k + 1, finger)
            chosen[i] = 0

    put(0, 0)
    lowest = [i for i in fretted if places[i][1] == places[fretted[0]][1]]
    if across and len(lowest) == len(places) >= _ACROSS:
        return [fingers for fingers in found if fingers[0] in (1, 3) and len(set(fingers)) == 1]
    if len(fretted) >= _GRIP and len(lowest) > 1:
        barred = [fingers for fingers in found if all(fingers[i] == 1 for i in lowest)]
        return barred or found
    return found


def place_costs(
    places: Sequence[tuple[int, int]],
    fingers: Sequence[int],
    instrument: Instrument,
    hand: Hand,
) -> tuple[list[float], float | None]:
    """The costs of `costs.PLACE`, and the position; None where every string is open.

    ``places`` are the (string, fret) that sound at one onset, ``fingers`` the finger on each.
    """
    mm = neck_mm(instrument)
    last = max(1, len(instrument.open_midi) - 1)
    cost = dict.fromkeys(PLACE, 0.0)
    by_finger: dict[int, int] = {}
    barre: dict[int, list[int]] = {}
    for (string, fret), finger in zip(places, fingers, strict=True):
        thick = (string - 1) / last
        if fret == 0:
            cost["open"] += 1.0
            cost["open_thick"] += thick
            continue
        height = fret + instrument.capo
        cost["fret"] += height / 5.0
        cost["fret_high"] += max(0, height - 5) / 5.0
        cost["fret_body"] += max(0, height - 12) / 5.0
        cost["thick"] += thick * height / 5.0
        cost["thick_high"] += thick * max(0, height - 5) / 5.0
        by_finger[finger] = fret
        barre.setdefault(finger, []).append(string)
    for finger in by_finger:
        if finger > 1:
            cost[f"finger{finger}"] += 1.0
    for strings in barre.values():
        if len(strings) > 1:
            cost["barre"] += 1.0
            cost["barre_width"] += max(strings) - min(strings)
    used = sorted(by_finger)
    for low, high in itertools.pairwise(used):
        apart = mm[by_finger[high]] - mm[by_finger[low]]
        cost["stretch"] += max(0.0, apart - hand.reach_mm(low, high)) / 10.0
        cost["squeeze"] += max(0, (high - low) - (by_finger[high] - by_finger[low]))
    if len(used) > 1:
        apart = mm[by_finger[used[-1]]] - mm[by_finger[used[0]]]
        cost["over_span"] += max(0.0, apart - hand.span_mm) / 10.0
    strings = sorted(string for string, _ in places)
    cost["skipped"] = sum(b - a - 1 for a, b in itertools.pairwise(strings))
    position = None
    if used:
        position = sum(by_finger[f] - f + 1 for f in used) / len(used)
        cost["low_position"] = max(0.0, 1.0 - position)
        cost["position"] = max(0.0, position - 1.0) / 5.0
        cost["off_first"] = min(1.0, abs(position - 1.0))
        cost["uneven"] = sum(abs(by_finger[f] - f + 1 - position) for f in used)
    return [cost[name] for name in PLACE], position
