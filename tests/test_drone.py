"""Drones: found where they are, kept open and free, and not found where there are none."""

from __future__ import annotations

import dataclasses
import itertools
from collections import Counter
from collections.abc import Mapping, Sequence

import numpy as np
import pytest

from tests.fingering.riffs import MODES, PATTERNS, SPARSE_PATTERNS, drone_riff, rough
from transcribe import api as transcribe_api
from transcribe.core.errors import ParameterError
from transcribe.core.instrument import make_instrument
from transcribe.core.riff import Instrument, Note, Riff
from transcribe.core.wording import sentence
from transcribe.correct.pins import pin
from transcribe.drone import drone_strings, melody_string
from transcribe.fingering import apply, explain, find_drone, solve
from transcribe.formats.tab.read import read_tab
from transcribe.training.phrases import make_score

CASES = list(itertools.product(range(1, 7), (*PATTERNS, *SPARSE_PATTERNS)))


@pytest.mark.parametrize(("string", "pattern"), CASES)
def test_find_drone_and_melody_beside_it(string: int, pattern: str) -> None:
    rng = np.random.default_rng(100 * string + CASES.index((string, pattern)) % 9)
    for mode in ("dorian", "phrygian"):
        riff = drone_riff(rng, mode=mode, drone_string=string, pattern=pattern)
        drone = find_drone(riff.notes, riff.instrument)
        assert drone is not None
        assert drone.string == string
        solved = solve(riff.notes, riff.instrument)
        right = [solved.positions[n.id] == (n.string, n.fret) for n in riff.notes]
        assert np.mean(right) >= 0.98


@pytest.mark.parametrize("mode", list(MODES))
def test_find_drone_in_a_rough_reading(mode: str, rng: np.random.Generator) -> None:
    right: list[bool] = []
    for pattern in PATTERNS[:3]:
        riff = drone_riff(rng, mode=mode, pattern=pattern)
        notes = rough(rng, riff)
        solved = solve(notes, riff.instrument)
        assert solved.drone is not None
        assert solved.drone.string == riff.drone_string
        right += [
            solved.positions.get(n.id) == (n.string, n.fret) for n in notes if n.string is not None
        ]
    assert np.mean(right) >= 0.95


@pytest.mark.parametrize("pattern", SPARSE_PATTERNS)
def test_find_drone_struck_seldom_in_a_rough_reading(pattern: str) -> None:
    rng = np.random.default_rng(17)
    found = []
    for mode in MODES:
        riff = drone_riff(rng, mode=mode, pattern=pattern)
        drone = find_drone(rough(rng, riff), riff.instrument)
        found.append(drone is not None and drone.string == riff.drone_string)
    assert np.mean(found) >= 0.85


def test_find_drone_low_e_every_fourth_note_under_a_melody_on_string_5() -> None:
    """The strikes ring for a second only, and one of them was not heard."""
    melody = (45, 47, 48, 50, 52, 50, 48, 47, 45, 47, 48, 52, 53, 52, 50, 48) * 2
    notes = [Note(i, 0.3 * i, 0.3 * i + 0.28, pitch) for i, pitch in enumerate(melody, 1)]
    times = [0.3 * i for i in range(1, 33, 4) if i != 13]
    notes += [Note(100 + k, t, t + 1.0, 40) for k, t in enumerate(times)]
    solved = solve(notes, Instrument())
    assert solved.drone is not None
    assert solved.drone.string == 6
    assert {solved.positions[i][0] for i in range(1, 33)} == {5}


def test_melody_leaves_the_string_beside_the_drone_where_that_would_lie_on_the_body() -> None:
    """Fret 21 beside the drone is worse than fret 16 one string on."""
    melody = (57, 60, 62, 64, 62, 60, 57, 62, 71, 71, 62, 60, 57, 60, 62, 64)
    notes = [Note(i, 0.4 * i, 0.4 * i + 0.38, pitch) for i, pitch in enumerate(melody, 1)]
    notes += [Note(100 + i, 0.4 * i, 0.4 * i + 0.38, 45) for i in range(1, 17)]
    solved = solve(notes, Instrument())
    assert solved.drone is not None
    assert solved.drone.string == 5
    high = {i for i, pitch in enumerate(melody, 1) if pitch == 71}
    assert all(solved.positions[i][1] <= 16 for i in high)
    assert {solved.positions[i][0] for i in range(1, 17) if i not in high} == {4}


@pytest.mark.parametrize("tuning", ["drop-d", "dadgad", "baritone", "bass", "ukulele"])
def test_find_drone_on_other_instruments(tuning: str, rng: np.random.Generator) -> None:
    instrument = make_instrument(tuning, capo=1)
    riff = drone_riff(rng, instrument=instrument, drone_string=len(instrument.open_midi) - 1)
    solved = solve(riff.notes, instrument)
    assert solved.drone is not None
    assert solved.drone.string == riff.drone_string


def test_find_drone_two_strings_struck_together() -> None:
    notes, k = [], 1
    for i, pitch in enumerate((57, 59, 60, 62, 64, 62, 60, 59, 57, 60, 59, 55)):
        for low in (40, 45):
            notes.append(Note(k, 0.4 * i, 0.4 * i + 0.38, low))
            k += 1
        notes.append(Note(k, 0.4 * i + 0.2, 0.4 * i + 0.38, pitch))
        k += 1
    drone = find_drone(notes, Instrument())
    assert drone is not None
    assert {drone.string, *drone.other_strings} == {5, 6}
    solved = solve(notes, Instrument())
    melody = [solved.positions[n.id][0] for n in notes if n.pitch_midi > 45]
    assert set(melody) == {4}


def _over(drone: int, melody: Sequence[int], slurs: Mapping[int, str] | None = None) -> list[Note]:
    """A drone struck with every other note of a melody; ``slurs`` by place in the melody."""
    notes: list[Note] = []
    for i, pitch in enumerate(melody):
        at = 0.3 * i
        if i % 2 == 0:
            notes.append(Note(len(notes) + 1, at, at + 0.58, drone))
        how = (slurs or {}).get(i, "picked")
        notes.append(Note(len(notes) + 1, at, at + 0.3, pitch, articulation=how))
    return notes


def test_solve_melody_that_only_the_thicker_string_carries_stays_on_it() -> None:
    # Over open D3: E3 to D4, which string 3 (from G3) would have to share with another.
    notes = _over(50, (52, 53, 55, 57, 59, 60, 62, 60, 59, 57, 55, 53, 52, 55, 57, 52))
    solved = solve(notes, Instrument())
    assert solved.drone is not None
    assert solved.drone.string == 4
    melody = {solved.positions[n.id] for n in notes if n.pitch_midi != 50}
    assert melody == {(5, p - 45) for p in (52, 53, 55, 57, 59, 60, 62)}


def test_solve_melody_that_both_sides_carry_takes_the_thinner_string() -> None:
    notes = _over(50, (55, 57, 59, 60, 62, 60, 59, 57, 55, 57, 59, 55))
    solved = solve(notes, Instrument())
    assert {solved.positions[n.id][0] for n in notes if n.pitch_midi != 50} == {3}


def test_solve_slur_through_the_pitch_of_the_drone_is_the_melodys() -> None:
    # D3 hammered on from C3 cannot be the open string beside it; D3 struck alone is.
    melody = (48, 50, 52, 53, 52, 48, 52, 53, 55, 53, 52, 48)
    notes = _over(50, melody, slurs={1: "hammer-on"})
    solved = solve(notes, Instrument())
    assert solved.drone is not None
    assert solved.drone.string == 4
    slurred = next(n for n in notes if n.articulation == "hammer-on")
    assert solved.positions[slurred.id] == (5, 5)
    others = [n for n in notes if n.pitch_midi == 50 and n is not slurred]
    assert {solved.positions[n.id] for n in others} == {(4, 0)}


def test_solve_slur_carries_on_from_the_melody_and_not_from_the_drone_between() -> None:
    notes = [
        Note(1, 0.0, 0.9, 45),
        Note(2, 0.0, 0.5, 52),
        Note(3, 0.3, 1.2, 45),
        Note(4, 0.5, 0.9, 55, articulation="hammer-on"),
    ]
    tail = _over(45, (52, 53, 55, 57, 55, 53, 52, 50, 52, 53))
    notes += [
        dataclasses.replace(
            n, id=n.id + 4, onset_sec=n.onset_sec + 1.2, offset_sec=n.offset_sec + 1.2
        )
        for n in tail
    ]
    solved = solve(notes, Instrument())
    assert solved.drone is not None
    assert solved.positions[4] == (4, 5)
    assert solved.positions[3] == (5, 0)


def test_find_drone_under_a_melody_on_the_thicker_string() -> None:
    found, right, total = 0, 0, 0
    rng = np.random.default_rng(5)
    phrases = 0
    while phrases < 24:
        made = make_score(rng, kind="drone", instrument=Instrument())
        melody = Counter(n.string for n in made.notes if n.string != made.drone_string)
        drone = made.drone_string or 0
        if not melody or melody.most_common(1)[0][0] < drone:
            continue
        phrases += 1
        notes = [
            Note(i, n.onset_sec, n.offset_sec, n.pitch_midi, articulation=n.articulation)
            for i, n in enumerate(made.notes, start=1)
        ]
        solved = solve(notes, made.instrument)
        if solved.drone is None or drone not in drone_strings(solved.drone):
            continue
        found += 1
        if melody_string(notes, made.instrument, solved.drone) != melody.most_common(1)[0][0]:
            continue  # the thinner string carries it all as well: nothing tells them apart
        total += len(notes)
        right += sum(
            solved.positions[i] == (n.string, n.fret) for i, n in enumerate(made.notes, start=1)
        )
    assert found >= 0.9 * phrases
    assert total > 0
    assert right >= 0.9 * total


def _walk(pitches: list[int], step: float = 0.25) -> list[Note]:
    return [Note(i + 1, i * step, (i + 1) * step, p) for i, p in enumerate(pitches)]


@pytest.mark.parametrize(
    "notes",
    [
        _walk([40, 43, 45, 47, 50, 52, 55, 57, 59, 62, 64, 62, 59, 57, 55, 52, 50, 47]),
        _walk([64, 65, 67, 69, 71, 72, 71, 69, 67, 65, 64, 62] * 2),
        [
            Note(10 * i + k, 0.5 * i, 0.5 * i + 0.45, p)
            for i in range(8)
            for k, p in enumerate((45, 52, 57, 60, 64) if i % 2 else (40, 47, 52, 55, 59))
        ],
        _walk([45, 45, 45, 45, 45, 45, 45, 45]),
        [],
    ],
    ids=["a line", "a scale over its own root", "chords", "one note", "nothing"],
)
def test_find_drone_where_there_is_none(notes: list[Note]) -> None:
    assert find_drone(notes, Instrument()) is None


def test_find_drone_forced_and_forbidden(rng: np.random.Generator) -> None:
    riff = drone_riff(rng, mode="dorian", drone_string=5, pattern="every beat")
    assert find_drone(riff.notes, riff.instrument, drone="off") is None
    forced = find_drone(riff.notes, riff.instrument, drone=6)
    assert forced is not None
    assert forced.string == 6
    held = find_drone(_walk([52, 53, 55]), Instrument(), drone="4")
    assert held is not None
    assert (held.string, held.start_sec) == (4, 0.0)


@pytest.mark.parametrize("drone", [0, 7, "x", 2.5, True])
def test_find_drone_bad_choice(drone: object) -> None:
    with pytest.raises(ParameterError):
        find_drone([], Instrument(), drone=drone)  # type: ignore[arg-type]


def test_solve_melody_note_that_only_the_drone_string_has_is_placed_and_said() -> None:
    # Drone on the lowest string: a note between E2 and A2 has no other string.
    notes, k = [], 1
    for i, pitch in enumerate((47, 48, 50, 43, 47, 50, 52, 50, 48, 47)):
        notes.append(Note(k, 0.5 * i, 0.5 * i + 0.2, 40))
        notes.append(Note(k + 1, 0.5 * i + 0.25, 0.5 * i + 0.45, pitch))
        k += 2
    solved = solve(notes, Instrument())
    assert solved.drone is not None
    assert solved.drone.string == 6
    low = next(n for n in notes if n.pitch_midi == 43)
    assert solved.positions[low.id] == (6, 3)
    assert any(f"note {low.id}" in c and "drone" in c for c in map(sentence, solved.cautions))


def test_solve_says_which_note_is_far_up_the_string_beside_the_drone() -> None:
    melody = (52, 53, 55, 53, 52, 53, 69, 53, 52, 55, 53, 52)
    notes = _over(45, melody)
    solved = solve(notes, Instrument())
    high = next(n for n in notes if n.pitch_midi == 69)
    assert solved.positions[high.id] == (4, 19)
    (said,) = map(sentence, solved.cautions)
    assert said.startswith(f"note {high.id} (A4) lies at fret 19 of string 4, 16 frets above")
    assert "string 1 fret 5 is nearer: pin it there" in said
    riff = Riff(notes=apply(notes, solved), drone=solved.drone)
    assert "16 frets above the melody around it" in sentence(explain(riff, high.id))
    pinned = pin(riff, {high.id: (1, 5)})
    assert not pinned.cautions
    assert {pinned.note(n.id).string for n in notes if 45 < n.pitch_midi < 69} == {4}


def test_solve_does_not_call_a_melody_far_up_that_goes_there() -> None:
    notes = _over(45, (52, 55, 57, 60, 62, 64, 67, 69, 67, 69, 67, 64, 62, 60, 57, 55, 52))
    assert solve(notes, Instrument()).cautions == ()


def test_find_drone_is_not_a_string_that_the_tab_stops() -> None:
    # Common practice, no source: a fretted note ends the open note of its string.
    tab = ((45, 5, 0), (48, 5, 3), (50, 4, 0), (52, 4, 2), (48, 5, 3), (50, 4, 0), (52, 4, 2))
    notes = [
        Note(k, 0.4 * k, 0.4 * k + 1.5, pitch, string=string, fret=fret)
        for k, (pitch, string, fret) in enumerate(tab * 2 + tab[:1], start=1)
    ]
    assert find_drone(notes, make_instrument("standard")) is None
    unsaid = [dataclasses.replace(n, string=None, fret=None) for n in notes]
    assert find_drone(unsaid, make_instrument("standard")) is not None


def _written(text: str, *, step: float = 0.3) -> list[Note]:
    """One "string:fret" a step, each ringing until its string is taken, a bar at most."""
    instrument = Instrument()
    places = [tuple(int(x) for x in word.split(":")) for word in text.split()]
    notes = []
    for k, (string, fret) in enumerate(places):
        again = next((j for j in range(k + 1, len(places)) if places[j][0] == string), len(places))
        pitch = instrument.pitch_midi(string, fret)
        notes.append(
            Note(k + 1, step * k, step * min(again, k + 8), pitch, string=string, fret=fret)
        )
    return notes


LEAPING = {
    "once a bar": "6:0 5:2 4:2 5:3 5:2 4:2 5:3 5:2 6:0 5:2 4:2 5:3 4:5 4:4 4:2 4:0 " * 2,
    "twice a bar": "6:0 5:2 4:2 3:0 6:0 5:2 4:2 3:0 6:0 5:3 4:2 3:0 6:0 5:3 4:2 3:0 " * 2,
    "on string 5": "5:0 4:2 3:2 4:3 4:2 3:2 4:3 4:2 5:0 4:2 3:2 4:3 3:4 3:2 4:2 4:0 " * 2,
}


@pytest.mark.parametrize("name", list(LEAPING))
def test_a_bass_note_of_a_line_that_leaps_is_no_drone(name: str) -> None:
    notes = _written(LEAPING[name])
    bare = [dataclasses.replace(n, string=None, fret=None) for n in notes]
    solved = solve(bare, Instrument())
    assert solved.drone is None
    assert max(fret for _, fret in solved.positions.values()) <= 5


def test_a_drone_struck_once_a_bar_under_a_line_by_step_stays_one() -> None:
    steps = "6:0 5:2 5:3 5:5 5:3 5:2 5:3 5:5 6:0 5:7 5:5 5:3 5:5 5:3 5:2 5:0 "
    notes = [dataclasses.replace(n, string=None, fret=None) for n in _written(steps * 2)]
    solved = solve(notes, Instrument())
    assert solved.drone is not None
    assert solved.drone.string == 6
    assert {solved.positions[n.id][0] for n in notes if n.pitch_midi != 40} == {5}


def test_a_tab_in_which_an_open_string_is_struck_twice_has_no_drone() -> None:
    """How long a string rings, a tab does not say: two strikes of twelve notes are no drone."""
    rows = ("-" * 26,) * 3
    line = (
        "-" * 9 + "2-4-5" + "-" * 12,
        "---2-3-5-------5-3-2------",
        "-0-------------------3-0--",
    )
    riff = transcribe_api.finger(read_tab("\n".join((*rows, *line)) + "\n"))
    assert len(riff.notes) == 12
    assert riff.drone is None
    held = transcribe_api.finger(riff, drone=6)
    assert held.drone is not None
    assert held.drone.string == 6


@pytest.mark.parametrize(("rings_beats", "string"), [(1.0, None), (6.0, 4)])
def test_a_note_of_the_line_falls_silent_where_a_drone_rings_on(
    rings_beats: float, string: int | None
) -> None:
    """D F G A, B A G F E, D C: the D of each bar is the open string's pitch."""
    bar = [(0.0, 50), (1.0, 53), (1.5, 55), (2.0, 57), (3.0, 59), (3.5, 57), (4.0, 55), (5.0, 53)]
    bar += [(5.5, 52), (6.0, 50), (7.0, 57)]
    beats = [(8 * k + beat, pitch) for k in range(4) for beat, pitch in bar]
    ends = [start for start, _ in beats[1:]] + [32.0]
    notes = [
        Note(i, 0.5 * at, 0.5 * (at + rings_beats if pitch == 50 else end), pitch)
        for i, ((at, pitch), end) in enumerate(zip(beats, ends, strict=True))
    ]
    drone = find_drone(notes, Instrument())
    assert (drone.string if drone else None) == string


def test_a_melody_in_unison_with_its_drone_stays_on_its_own_string() -> None:
    """The open first string under a melody on string 2, which begins on the drone's own pitch."""
    guitar = Instrument()
    notes = []
    for k, fret in enumerate((5, 5, 7, 7, 9, 9, 10, 9, 9, 7, 7, 5, 5, 7)):
        for string, at in ((1, 0), (2, fret)):
            pitch = guitar.pitch_midi(string, at)
            notes.append(Note(len(notes) + 1, 0.3 * k, 0.3 * k + 0.3, pitch))
    solved = solve(notes, guitar)
    assert solved.drone is not None
    assert solved.drone.string == 1
    for k in range(0, len(notes), 2):
        pair = {solved.positions[n.id] for n in notes[k : k + 2]}
        assert (1, 0) in pair
        assert {string for string, _ in pair} == {1, 2}
