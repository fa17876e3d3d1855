"""Small riffs and takes for the tests of the comparison."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from transcribe.core.riff import Drone, Instrument, Note, Rhythm, Riff, Timing, sort_notes
from transcribe.takes import Comparison
from transcribe.takes.verdict_wording import remark_words

BPM = 100.0
STEP = 60.0 / BPM

# Two bars of A dorian on string 4 over the open string 5, struck on every beat; eighths above.
MELODY = (57, 59, 60, 62, 64, 62, 60, 59, 57, 55, 57, 60, 59, 57, 55, 52)


def reference(*, drone: bool = True, repeats: int = 1) -> Riff:
    """The written riff: beats, seconds at the written tempo, strings and frets."""
    instrument = Instrument()
    notes: list[Note] = []
    for k, pitch in enumerate(MELODY * repeats):
        beat = 0.5 * k
        notes.append(_note(len(notes) + 1, beat, 0.5, pitch, 4, pitch - 50))
        if drone and k % 2 == 0:
            notes.append(_note(len(notes) + 1, beat, 1.0, 45, 5, 0))
    beats = len(MELODY) * repeats // 2
    rhythm = Rhythm(
        BPM,
        (4, 4),
        tuple(k * STEP for k in range(beats)),
        tuple(k * STEP for k in range(0, beats, 4)),
    )
    held = Drone(5, 0.0, beats * STEP) if drone else None
    return Riff(instrument=instrument, notes=sort_notes(notes), rhythm=rhythm, drone=held)


def _note(id_: int, beat: float, length: float, pitch: int, string: int, fret: int) -> Note:
    start = beat * STEP
    end = start + length * STEP
    return Note(
        id_, start, end, pitch, string=string, fret=fret, onset_beat=beat, duration_beat=length
    )


def in_order(riff: Riff) -> Riff:
    """The same riff as a reference whose times mean nothing but an order."""
    return replace(riff, timing=Timing("order"))


def played(riff: Riff, *, ratio: float = 1.0, start_sec: float = 0.4) -> list[Note]:
    """The notes of ``riff`` as a take: its own seconds, no strings, no beats."""
    return [
        Note(
            n.id,
            start_sec + n.onset_sec / ratio,
            start_sec + n.offset_sec / ratio,
            n.pitch_midi,
        )
        for n in riff.notes
    ]


def take(notes: Sequence[Note]) -> Riff:
    """A riff of notes alone, numbered anew."""
    ordered = sort_notes(list(notes))
    return Riff(notes=tuple(replace(n, id=i + 1) for i, n in enumerate(ordered)))


def later(notes: Sequence[Note], seconds: float) -> list[Note]:
    """The same notes ``seconds`` later."""
    return [
        replace(n, onset_sec=n.onset_sec + seconds, offset_sec=n.offset_sec + seconds)
        for n in notes
    ]


def between(notes: Sequence[Note], start: float, end: float) -> list[Note]:
    """Those notes whose onsets lie from ``start`` to before ``end``."""
    return [n for n in notes if start <= n.onset_sec < end]


def remarks_of(comparison: Comparison) -> list[str]:
    """The remarks of a comparison in words."""
    return [remark_words(remark, comparison.reference) for remark in comparison.remarks]


def differences_of(comparison: Comparison) -> list[str]:
    """How the instruments differ, in words."""
    return [remark_words(remark, comparison.reference) for remark in comparison.differences]
