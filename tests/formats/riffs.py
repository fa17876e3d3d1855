"""Invented riffs that the tests of the formats share, and a strategy that draws more."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from hypothesis import strategies as st

from transcribe.core.riff import Drone, Instrument, Note, Rhythm, Riff, Source, sort_notes

Item = tuple[Any, ...]


def make_riff(
    items: Sequence[Item],
    *,
    meter: tuple[int, int] = (4, 4),
    bpm: float = 96.0,
    instrument: Instrument | None = None,
    title: str = "mooring.wav",
    **more: Any,
) -> Riff:
    """A riff from ``(beat, beats, string, fret[, articulation[, finger]])``, played in time."""
    instrument = instrument or Instrument()
    lead = math.ceil(max(0.0, -min(item[0] for item in items)))
    beat_sec = 60.0 / bpm
    notes = []
    for number, item in enumerate(items, 1):
        beat, length, string, fret = item[:4]
        onset = (beat + lead) * beat_sec
        notes.append(
            Note(
                number,
                onset,
                onset + length * beat_sec,
                instrument.pitch_midi(string, fret),
                string=string,
                fret=fret,
                finger=item[5] if len(item) > 5 else None,
                articulation=item[4] if len(item) > 4 else "picked",
                onset_beat=float(beat),
                duration_beat=float(length),
            )
        )
    count = math.ceil(max(item[0] + item[1] for item in items)) + lead + 1
    beats = tuple(i * beat_sec for i in range(count))
    downs = tuple(i * beat_sec for i in range(lead, count, meter[0]))
    return Riff(
        instrument, sort_notes(notes), Source(title), Rhythm(bpm, meter, beats, downs), **more
    )


def chords(symbols: Sequence[str], *, beats: int, bpm: float) -> list[dict[str, Any]]:
    """One chord every ``beats`` beats."""
    sec = beats * 60.0 / bpm
    return [
        {"start_sec": i * sec, "end_sec": (i + 1) * sec, "symbol": s} for i, s in enumerate(symbols)
    ]


def drone_riff() -> Riff:
    """An open D under a line on the G string: legato, a triplet, a harmonic, a bend."""
    bar = [
        (0, 0.5, 3, 2, "picked", 1),
        (0.5, 0.5, 3, 4, "hammer-on", 3),
        (1, 1, 3, 5, "picked", 4),
        (2, 0.5, 3, 4, "picked", 3),
        (2.5, 0.5, 3, 2, "pull-off", 1),
        (3, 1, 3, 0, "pull-off", 0),
    ]
    items: list[Item] = [(4 * i, 4, 4, 0, "picked", 0) for i in range(4)]
    items += bar
    items += [
        (4, 0.75, 3, 7),
        (4.75, 0.25, 3, 9, "slide"),
        (5, 1, 3, 10, "vibrato"),
        (6, 1 / 3, 3, 9),
        (6 + 1 / 3, 1 / 3, 3, 7, "pull-off"),
        (6 + 2 / 3, 1 / 3, 3, 5),
        (7, 1, 3, 4, "slide"),
    ]
    items += [(b + 8, *rest) for b, *rest in bar]
    items += [(12, 2, 3, 12, "harmonic"), (14, 2, 3, 2, "bend")]
    theory = {
        "mode": {"tonic": "D", "name": "dorian", "parent": "C major"},
        "chords": chords(["Dm", "G", "Dm", "C"], beats=4, bpm=96),
        "loop": {"symbols": ["Dm", "G", "Dm", "C"], "bars": 4},
    }
    return make_riff(items, drone=Drone(4, 0.0, 10.0), theory=theory)


def legato_riff() -> Riff:
    """Sixteenths over two strings after a pickup of two eighths."""
    frets = (5, 7, 8, 7, 5, 5, 7, 8)
    first = ("picked", "hammer-on", "hammer-on", "pull-off", "pull-off")
    how = (*first, "picked", "hammer-on", "hammer-on")
    items: list[Item] = [(-1, 0.5, 2, 5), (-0.5, 0.5, 2, 7, "hammer-on")]
    items += [(i * 0.25, 0.25, 2 if i % 8 < 5 else 1, frets[i % 8], how[i % 8]) for i in range(32)]
    items.append((8, 4, 1, 10))
    return make_riff(items, title="gangplank.m4a")


def arpeggio_riff() -> Riff:
    """Six bars of eighths in 3/4 that ring on, capo at the second fret."""
    bass, third = (0, 3, 2, 0, 3, 2), (2, 0, 2, 2, 0, 2)
    items: list[Item] = []
    for bar in range(6):
        shape = [(5, bass[bar]), (4, 2), (3, third[bar]), (2, 1), (1, 0), (2, 1)]
        for i, (string, fret) in enumerate(shape):
            length = 1.0 if i == 3 else 0.5 if i == 5 else 3 - i * 0.5
            items.append((3 * bar + 0.5 * i, length, string, fret))
    theory = {
        "mode": {"tonic": "B", "name": "aeolian", "parent": "D major"},
        "chords": chords(["Bm", "D", "F#m7b5", "Bm", "D", "F#m7b5"], beats=3, bpm=84),
    }
    return make_riff(
        items,
        meter=(3, 4),
        bpm=84,
        instrument=Instrument(capo=2),
        title="slack-water.wav",
        theory=theory,
    )


def strummed_riff() -> Riff:
    """Four bars of two chords, with a muted stroke on every fourth beat."""
    shapes = (
        [(1, 3), (2, 0), (3, 0), (4, 0), (5, 2), (6, 3)],
        [(1, 0), (2, 1), (3, 0), (4, 2), (5, 3)],
    )
    items: list[Item] = []
    for bar in range(4):
        for beat, length in ((0, 1), (1, 0.5), (1.5, 1), (2.5, 0.5), (3, 0.5), (3.5, 0.5)):
            for string, fret in shapes[bar % 2]:
                dead = "dead" if beat == 3 else "picked"
                items.append((4 * bar + beat, length, string, 0 if beat == 3 else fret, dead))
    theory = {"chords": chords("GCGC", beats=4, bpm=110)}
    return make_riff(items, bpm=110, title="rope-walk.wav", theory=theory)


def compound_riff() -> Riff:
    """6/8 on a four-string instrument tuned in its own way, dotted values and ties over bars."""
    instrument = Instrument((59, 52, 47, 40), frets=19)
    items: list[Item] = []
    for bar in range(3):
        at = 6 * bar
        items += [(at, 3, 3, 2), (at + 3, 1, 2, 4), (at + 4, 1, 2, 5), (at + 5, 2, 1, 2)]
    return make_riff(items, meter=(6, 8), bpm=180, instrument=instrument, title="tide-table.flac")


RIFFS = {
    "drone": drone_riff,
    "legato": legato_riff,
    "arpeggio": arpeggio_riff,
    "strummed": strummed_riff,
    "compound": compound_riff,
}
"""Every riff of this module by name."""

_TUNINGS = (
    (64, 59, 55, 50, 45, 40),
    (62, 57, 54, 50, 45, 38),
    (64, 59, 55, 50, 45, 40, 35),
    (43, 38, 33, 28),
    (69, 64, 60, 67),
    (60, 50, 40),
)
_METERS = ((4, 4), (3, 4), (6, 8), (2, 4), (5, 4), (7, 8), (12, 8), (2, 2))
_GRIDS = (1, 2, 3, 4, 6, 8)


@st.composite
def riffs(draw: st.DrawFn, *, notated: bool = False) -> Riff:
    """Riffs of any meter and instrument with notes on a grid of any division of the beat.

    With ``notated`` only divisions down to 32nds and sixteenth triplets.
    """
    open_midi = draw(st.sampled_from(_TUNINGS))
    capo = draw(st.integers(0, 5))
    instrument = Instrument(open_midi, capo, frets=draw(st.sampled_from((19, 22, 24))))
    meter = draw(st.sampled_from(_METERS))
    divisions = _GRIDS if not notated or meter[1] <= 4 else (1, 2, 3, 4)
    grids: dict[int, int] = {}
    taken: set[tuple[float, int]] = set()
    items: list[Item] = []
    first = draw(st.sampled_from((0, -1, -meter[0], -meter[0] - 1)))
    for _ in range(draw(st.integers(1, 24))):
        beat = draw(st.integers(first, 3 * meter[0]))
        grid = grids.setdefault(beat, draw(st.sampled_from(divisions)))
        at = beat + draw(st.integers(0, grid - 1)) / grid
        string = draw(st.integers(1, len(open_midi)))
        if (round(at, 6), string) in taken:
            continue
        taken.add((round(at, 6), string))
        how = draw(
            st.sampled_from(
                ("picked",) * 4
                + ("hammer-on", "pull-off", "slide", "bend", "vibrato", "harmonic", "dead")
            )
        )
        fret = 0 if how == "dead" else draw(st.integers(0, instrument.top_fret))
        finger = draw(st.sampled_from((None, 0, 1, 2, 3, 4)))
        items.append((at, draw(st.sampled_from((0.25, 0.5, 1, 3))), string, fret, how, finger))
    return make_riff(
        items,
        meter=meter,
        bpm=draw(st.sampled_from((60.0, 96.0, 133.5))),
        instrument=instrument,
        title=draw(st.sampled_from(("mooring.wav", ""))),
    )


def looped_riff() -> Riff:
    """A pickup, a bar over a drone three times, two bars twice with a tie and legato inside."""
    items: list[Item] = [(-1, 1, 3, 4)]
    for bar in range(3):
        items += [(4 * bar + b, 1, 3, f) for b, f in enumerate((0, 2, 4, 2))]
    for bar in (3, 5):
        at = 4 * bar
        items += [(at, 1, 3, 5), (at + 1, 1, 3, 7, "hammer-on", 3), (at + 2, 3, 3, 9, "slide")]
        items += [(at + 5, 1, 3, 7, "pull-off"), (at + 6, 2, 3, 5)]
    items += [(28, 4, 3, 2)]
    items += [(4 * bar, 4, 4, 0) for bar in range(8)]
    theory = {"chords": chords(["Dm"] * 3 + ["G", "Dm", "G", "Dm", "C"], beats=4, bpm=96)}
    # Second 0 is the pickup, one beat before the first chord.
    for chord in theory["chords"]:
        chord.update({k: chord[k] + 60 / 96 for k in ("start_sec", "end_sec")})
    return make_riff(items, drone=Drone(4, 0.0, 20.0), theory=theory)


@st.composite
def looped_riffs(draw: st.DrawFn) -> Riff:
    """A few short riffs of one or two bars in 4/4, each played up to four times at once."""
    items: list[Item] = []
    at = draw(st.sampled_from((0, 0, -4)))
    for _ in range(draw(st.integers(1, 3))):
        bars = draw(st.integers(1, 2))
        hows = ("picked",) * 4 + ("hammer-on", "pull-off", "slide", "vibrato")
        loop = [
            (beat / 2, draw(st.sampled_from((0.5, 1, 2, 5))), draw(st.integers(2, 3)), fret, how)
            for beat in sorted(draw(st.sets(st.integers(0, 8 * bars - 1), min_size=1, max_size=8)))
            for fret, how in [(draw(st.integers(0, 9)), draw(st.sampled_from(hows)))]
        ]
        for _ in range(draw(st.integers(1, 4))):
            items += [(at + beat, *rest) for beat, *rest in loop]
            at += 4 * bars
    symbols = draw(st.lists(st.sampled_from(("Am", "G")), max_size=8))
    return make_riff(items, theory={"chords": chords(symbols, beats=4, bpm=96)})
