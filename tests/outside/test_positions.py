"""Scales in position: three notes a string, the five positions, and one position in five keys.

Sources, all from memory, pages not checked:

- W. Leavitt, A Modern Method for Guitar, volume 1 (Berklee Press, 1966): a position is named by
  the fret of the first finger, each finger has its fret, and the first and the fourth finger
  stretch by one; the major scales of C, F, G, D and A lie in second position (fingering types 1,
  1A, 2, 3 and 4). The patterns are worked out from that rule: where a note is within a stretch of
  either finger, both places count.
- B. Edwards, Fretboard Logic SE: the five forms of the pentatonic scale that join up along the
  neck. They are written out as frets, and checked against what they are: two notes of the scale
  on every string, each form beginning on the scale's next note.
- The five positions of the major scale, and three notes of it on each string in turn: common
  practice, no source; both are checked against what the words mean.

Pitches alone do not say where on the neck a scale is meant: each run is given the place of its
first note (the first two, where one leaves two positions), as a player would pin it, and asked
for in one hand position or with three notes a string.
"""

from __future__ import annotations

import itertools

import pytest

from transcribe.core.riff import Instrument, Note
from transcribe.fingering import alternatives, solve

GUITAR = Instrument()
MAJOR = (0, 2, 4, 5, 7, 9, 11)
MINOR_PENTATONIC = (0, 3, 5, 7, 10)
Place = tuple[int, int]

# A minor pentatonic, the five forms.
PENTATONIC = (
    ("5 8", "5 7", "5 7", "5 7", "5 8", "5 8"),
    ("8 10", "7 10", "7 10", "7 9", "8 10", "8 10"),
    ("10 12", "10 12", "10 12", "9 12", "10 13", "10 12"),
    ("12 15", "12 15", "12 14", "12 14", "13 15", "12 15"),
    ("15 17", "15 17", "14 17", "14 17", "15 17", "15 17"),
)
# G major, the five positions.
FIVE_POSITIONS = (
    ("2 3 5", "2 3 5", "2 4 5", "2 4 5", "3 5", "2 3 5"),
    ("5 7 8", "5 7", "4 5 7", "4 5 7", "5 7 8", "5 7 8"),
    ("7 8 10", "7 9 10", "7 9 10", "7 9", "7 8 10", "7 8 10"),
    ("10 12", "9 10 12", "9 10 12", "9 11 12", "10 12 13", "10 12"),
    ("12 14 15", "12 14 15", "12 14", "11 12 14", "12 13 15", "12 14 15"),
)
SECOND_POSITION = {"C": 0, "F": 5, "G": 7, "D": 2, "A": 9}


def written(pattern: tuple[str, ...]) -> list[Place]:
    return [(6 - i, int(f)) for i, frets in enumerate(pattern) for f in frets.split()]


def moved(places: list[Place], frets: int) -> list[Place]:
    return [(string, fret + frets) for string, fret in places]


def shifts(places: list[Place], *, top: int = 19) -> range:
    """How far a pattern can be moved along the neck, in frets: through all keys or nearly."""
    frets = [fret for _, fret in places]
    return range(1 - min(frets), min(13 - min(frets), top + 1 - max(frets)))


def three_a_string(tonic: int, degree: int) -> list[Place]:
    """Three notes of the major scale of ``tonic`` on each string, from ``degree`` on string 6."""
    scale = [p for p in range(36, 96) if (p - tonic) % 12 in MAJOR]
    start = next(i for i, p in enumerate(scale) if p >= 41 and (p - tonic) % 12 == MAJOR[degree])
    places = []
    for k, pitch in enumerate(scale[start : start + 18]):
        string = 6 - k // 3
        places.append((string, pitch - GUITAR.open_midi[string - 1]))
    return places


def in_position(tonic: int, position: int) -> list[list[Place]]:
    """The places of every note of a major scale that one position allows, from the lowest up."""
    out = []
    low, high = GUITAR.open_midi[5] + position, GUITAR.open_midi[0] + position + 3
    for pitch in range(low, high + 1):
        if (pitch - tonic) % 12 not in MAJOR:
            continue
        frets = [(s, pitch - p) for s, p in enumerate(GUITAR.open_midi, 1)]
        inside = [(s, f) for s, f in frets if position <= f <= position + 3]
        stretched = [(s, f) for s, f in frets if f in (position - 1, position + 4)]
        out.append(inside or stretched)
    return out


def share_right(
    allowed: list[list[Place]],
    *,
    pinned: int = 1,
    kind: str = "one hand position",
    slurred: bool = False,
) -> float:
    """Up and down again; share of the notes that lie where the pattern has them."""
    up = list(range(len(allowed)))
    order = up if slurred else up + up[-2::-1]
    notes = []
    for i, k in enumerate(order):
        pitch = GUITAR.pitch_midi(*allowed[k][0])
        slur = "hammer-on" if slurred and k % 3 else "picked"
        notes.append(Note(i + 1, 0.2 * i, 0.2 * i + 0.2, pitch, articulation=slur))
    pins = {i + 1: allowed[i][0] for i in range(pinned)}
    # A kind that comes to the same as one before it is not offered again.
    others = alternatives(notes, GUITAR, drone="off", pins=pins)
    offered = {other.name: other.positions for other in others}
    found = (
        offered.get(kind)
        or offered.get("one hand position")
        or solve(notes, GUITAR, drone="off", pins=pins).positions
    )
    right = [found[n.id] in allowed[k] for n, k in zip(notes, order, strict=True)]
    return sum(right) / len(right)


def only(places: list[Place]) -> list[list[Place]]:
    return [[place] for place in places]


@pytest.mark.parametrize("box", range(5))
def test_pentatonic_forms_are_two_notes_a_string(box: int) -> None:
    places = written(PENTATONIC[box])
    scale = [p for p in range(40, 90) if (p - 45) % 12 in MINOR_PENTATONIC]
    start = scale.index(45) + box
    assert [GUITAR.pitch_midi(*p) for p in places] == scale[start : start + 12]
    assert [s for s, _ in places] == [s for s in range(6, 0, -1) for _ in range(2)]


@pytest.mark.parametrize("position", range(5))
def test_five_positions_leave_no_note_out_and_stay_in_reach(position: int) -> None:
    places = written(FIVE_POSITIONS[position])
    pitches = [GUITAR.pitch_midi(*p) for p in places]
    assert pitches == [p for p in range(pitches[0], pitches[-1] + 1) if (p - 43) % 12 in MAJOR]
    frets = [f for _, f in places]
    assert max(frets) - min(frets) <= 4


def test_second_position_without_a_stretch_is_unique() -> None:
    # G and D major need no stretch in second position; every note has one place.
    assert in_position(7, 2) == only(written(FIVE_POSITIONS[0]))
    d_major = ("2 3 5", "2 4 5", "2 4 5", "2 4", "2 3 5", "2 3 5")
    assert in_position(2, 2) == only(written(d_major))
    assert any(len(places) == 2 for places in in_position(5, 2))


@pytest.mark.parametrize("degree", range(7))
def test_three_notes_a_string(degree: int) -> None:
    shares = [
        share_right(only(three_a_string(tonic, degree)), kind="three notes a string", slurred=slurs)
        for tonic, slurs in itertools.product((43, 47, 50), (True, False))
    ]
    assert sum(shares) / len(shares) >= 0.95, shares


@pytest.mark.parametrize("box", range(5))
def test_pentatonic_positions(box: int) -> None:
    places = written(PENTATONIC[box])
    shares = [share_right(only(moved(places, k))) for k in list(shifts(places))[::3]]
    assert sum(shares) / len(shares) >= 0.95, shares


@pytest.mark.parametrize("position", range(5))
def test_major_scale_positions(position: int) -> None:
    places = written(FIVE_POSITIONS[position])
    shares = [share_right(only(moved(places, k))) for k in list(shifts(places))[::3]]
    assert sum(shares) / len(shares) >= 0.95, shares


@pytest.mark.parametrize("key", list(SECOND_POSITION))
def test_major_scales_of_one_position(key: str) -> None:
    tonic = SECOND_POSITION[key]
    shares = [share_right(in_position(tonic + k, 2 + k), pinned=2) for k in (0, 3, 7)]
    assert sum(shares) / len(shares) >= 0.95, shares
