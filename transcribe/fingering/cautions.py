"""What to warn the player of in a solved riff: wide stretches, a silenced drone, torn slurs.

Conventions: string 1 is the highest-sounding, fret 0 is open, frets count from the capo.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from transcribe.core.riff import Drone, Instrument, Note, Remark, sort_notes
from transcribe.drone import drone_strings, is_over
from transcribe.fingering.hand import Hand, neck_mm
from transcribe.fingering.plan import Plan

__all__ = ["FarUp", "cautions", "far_up"]

Places = Mapping[int, tuple[int, int]]
"""Note id -> (string, fret)."""

# times the span of the hand; chosen so that one finger a fret is never called wide
_WIDE_SPANS = 1.08
_HIGH_FRET = 12
_FAR_FRETS = 7  # above the melody notes beside it
_NEAR_FRETS = 6  # from those to a nearer place


@dataclass(frozen=True, slots=True)
class FarUp:
    """A melody note alone far up its string.

    ``above``: frets above the melody notes beside it; ``nearer``: the (string, fret) near those.
    """

    note: Note
    above: int
    nearer: tuple[int, int]


def far_up(
    notes: Sequence[Note],
    positions: Places,
    instrument: Instrument,
    drone: Drone | None,
) -> list[FarUp]:
    """Melody notes that lie far above the others only to stay beside the drone.

    ``positions``: note id -> (string, fret). Only notes at fret 12 or higher, seven frets or more
    above the melody notes on either side, with a place on another string near those.
    """
    if drone is None:
        return []
    strings = drone_strings(drone)
    over = [
        n
        for n in sort_notes(list(notes))
        if n.id in positions and positions[n.id][0] not in strings and is_over(drone, n.onset_sec)
    ]
    found = []
    for k, note in enumerate(over):
        string, fret = positions[note.id]
        beside = max(
            (positions[n.id][1] for n in (*over[max(0, k - 1) : k], *over[k + 1 : k + 2])),
            default=fret,
        )
        if fret < _HIGH_FRET or fret - beside < _FAR_FRETS:
            continue
        near = [
            (abs(f - beside), abs(s - string), (s, f))
            for s, f in instrument.places(note.pitch_midi)
            if s not in (string, *strings) and abs(f - beside) <= _NEAR_FRETS
        ]
        if near:
            found.append(FarUp(note, fret - beside, min(near)[2]))
    return found


def cautions(
    plan: Plan,
    notes: Sequence[Note],
    positions: Places,
    instrument: Instrument,
    hand: Hand,
    drone: Drone | None,
    pins: Places,
    beats: int | None,
) -> Iterator[Remark]:
    """A remark on each kind of thing that the player has to know of, with the worst place.

    ``beats`` in a bar, where it is known, lets the remarks name the bar.
    """
    yield from _wide(plan, notes, positions, instrument, hand, beats)
    yield from _too_wide(plan, notes, beats)
    yield from _on_the_drone(plan, notes, positions)
    yield from _far_up(notes, positions, instrument, drone, pins)
    yield from _torn(notes, positions, plan.sources)


def _wide(
    plan: Plan,
    notes: Sequence[Note],
    positions: Places,
    instrument: Instrument,
    hand: Hand,
    beats: int | None,
) -> Iterator[Remark]:
    mm = neck_mm(instrument)
    wide: list[tuple[float, int]] = []
    for k, onset in enumerate(plan.onsets):
        frets = [fret for i in onset.notes if (fret := positions[notes[i].id][1]) > 0]
        if frets and (apart := mm[max(frets)] - mm[min(frets)]) > _WIDE_SPANS * hand.span_mm:
            wide.append((apart, -k))
    if not wide:
        return
    apart, k = max(wide)
    widest = plan.onsets[-k].notes
    places = (positions[notes[i].id] for i in widest)
    stopped = sorted((fret, string) for string, fret in places if fret > 0)
    (low, from_string), (high, to_string) = stopped[0], stopped[-1]
    first = notes[widest[0]]
    facts = {
        "count": len(wide),
        "span_mm": hand.span_mm,
        "widest_mm": apart,
        "from": [from_string, low],
        "to": [to_string, high],
    } | _when(first, beats)
    yield Remark("wide-stretch", facts, tuple(notes[i].id for i in widest))


def _too_wide(plan: Plan, notes: Sequence[Note], beats: int | None) -> Iterator[Remark]:
    """Chords that no hand can hold, with the least that has to be left out."""
    if not plan.too_wide:
        return
    chord, out = plan.too_wide[0]
    by_id = {note.id: note for note in notes}
    facts = _when(by_id[chord[0]], beats) | {
        "left_out_midi": [by_id[i].pitch_midi for i in out],
        "others": len(plan.too_wide) - 1,
    }
    yield Remark("too-wide", facts, out)


def _when(note: Note, beats: int | None) -> dict[str, Any]:
    """When a note begins, as facts of a remark."""
    when: dict[str, Any] = {"sec": note.onset_sec}
    if beats is not None and note.onset_beat is not None:
        when |= {"beat": note.onset_beat, "beats_in_bar": beats}
    return when


def _on_the_drone(plan: Plan, notes: Sequence[Note], positions: Places) -> Iterator[Remark]:
    """Melody notes that take the drone's string, so that it has to fall silent there."""
    found = []
    for onset in plan.onsets:
        for n in onset.melody:
            note = notes[onset.notes[n]]
            string, fret = positions[note.id]
            if string - 1 in onset.drone_strings and fret > 0:
                found.append((note.id, string))
    if found:
        yield Remark("drone-silenced", {"string": found[0][1]}, tuple(i for i, _ in found))


def _far_up(
    notes: Sequence[Note],
    positions: Places,
    instrument: Instrument,
    drone: Drone | None,
    pins: Places,
) -> Iterator[Remark]:
    found = [f for f in far_up(notes, positions, instrument, drone) if f.note.id not in pins]
    if not found:
        return
    first = max(found, key=lambda f: (f.above, -f.note.onset_sec))
    facts = {
        "pitch_midi": first.note.pitch_midi,
        "place": list(positions[first.note.id]),
        "above_frets": first.above,
        "nearest": list(first.nearer),
    }
    others = (f.note.id for f in found if f is not first)
    yield Remark("far-up", facts, (first.note.id, *others))


def _torn(notes: Sequence[Note], positions: Places, sources: Mapping[int, int]) -> Iterator[Remark]:
    """Slurs whose two notes lie on two strings."""
    found = [
        (note, source)
        for note, source in sources.items()
        if note in positions and source in positions and positions[note][0] != positions[source][0]
    ]
    if not found:
        return
    note, source = found[0]
    facts = {
        "articulation": next(n.articulation for n in notes if n.id == note),
        "string": positions[note][0],
        "source_string": positions[source][0],
        "others": len(found) - 1,
    }
    yield Remark("torn-slur", facts, (note, source))
