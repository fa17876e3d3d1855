"""Scales in position: three notes a string, and the five positions.

The patterns are those of every scale book for standard tuning; they are worked out here from what
the words mean (each string takes three scale notes in turn; each position covers the scale within
the reach of one hand) - common practice, no source. The five positions of the minor pentatonic
and of the major scale are written out as frets from string 6 to string 1.

Pitches alone do not say where on the neck a scale is meant: each run is given its first note's
place, as a player would pin it, and asked for in one hand position; the three-note runs are
slurred as they are played, one stroke and two hammer-ons a string.
"""

from __future__ import annotations

import pytest

from transcribe.fingering import alternatives, solve
from transcribe.riff import Instrument, Note

GUITAR = Instrument()
MAJOR = (0, 2, 4, 5, 7, 9, 11)

# A minor pentatonic, the five boxes (common practice, no source).
PENTATONIC = (
    ("5 8", "5 7", "5 7", "5 7", "5 8", "5 8"),
    ("8 10", "7 10", "7 10", "7 9", "8 10", "8 10"),
    ("10 12", "10 12", "10 12", "9 12", "10 13", "10 12"),
    ("12 15", "12 15", "12 14", "12 14", "13 15", "12 15"),
    ("15 17", "15 17", "14 17", "14 17", "15 17", "15 17"),
)
# G major, the five positions (common practice, no source).
FIVE_POSITIONS = (
    ("2 3 5", "2 3 5", "2 4 5", "2 4 5", "3 5", "2 3 5"),
    ("5 7 8", "5 7", "4 5 7", "4 5 7", "5 7 8", "5 7 8"),
    ("7 8 10", "7 9 10", "7 9 10", "7 9", "7 8 10", "7 8 10"),
    ("10 12", "9 10 12", "9 10 12", "9 11 12", "10 12 13", "10 12"),
    ("12 14 15", "12 14 15", "12 14", "11 12 14", "12 13 15", "12 14 15"),
)


def written(pattern: tuple[str, ...]) -> list[tuple[int, int]]:
    return [(6 - i, int(f)) for i, frets in enumerate(pattern) for f in frets.split()]


def three_a_string(tonic: int, degree: int) -> list[tuple[int, int]]:
    """Three notes of the major scale of ``tonic`` on each string, from ``degree`` on string 6."""
    scale = [p for p in range(36, 96) if (p - tonic) % 12 in MAJOR]
    start = next(i for i, p in enumerate(scale) if p >= 41 and (p - tonic) % 12 == MAJOR[degree])
    places = []
    for k, pitch in enumerate(scale[start : start + 18]):
        string = 6 - k // 3
        places.append((string, pitch - GUITAR.open_midi[string - 1]))
    return places


def share_right(places: list[tuple[int, int]], *, slurred: bool = False) -> float:
    """Up and down again; share of the notes that lie where the pattern has them."""
    up = list(range(len(places)))
    order = up if slurred else up + up[-2::-1]
    notes = []
    for i, k in enumerate(order):
        pitch = GUITAR.pitch_midi(*places[k])
        slur = "hammer-on" if slurred and k % 3 else "picked"
        notes.append(Note(i + 1, 0.2 * i, 0.2 * i + 0.2, pitch, articulation=slur))
    pins = {1: places[0]}
    # Where one hand position is the first choice already, it is not offered again.
    found = solve(notes, GUITAR, drone="off", pins=pins).positions
    for other in alternatives(notes, GUITAR, drone="off", pins=pins):
        if other.name == "one hand position":
            found = other.positions
    right = [found[n.id] == places[k] for n, k in zip(notes, order, strict=True)]
    return sum(right) / len(right)


@pytest.mark.parametrize("degree", range(7))
def test_three_notes_a_string(degree: int) -> None:
    shares = [share_right(three_a_string(tonic, degree), slurred=True) for tonic in (43, 45, 48)]
    assert sum(shares) / len(shares) >= 0.95, shares


@pytest.mark.parametrize("box", range(5))
def test_pentatonic_positions(box: int) -> None:
    assert share_right(written(PENTATONIC[box])) >= 0.95


@pytest.mark.parametrize("position", range(5))
def test_major_scale_positions(position: int) -> None:
    assert share_right(written(FIVE_POSITIONS[position])) >= 0.95
