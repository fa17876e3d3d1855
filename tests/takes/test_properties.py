"""What holds for any take and any reference."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from transcribe.core.riff import (
    ARTICULATIONS,
    Drone,
    Instrument,
    Note,
    Rhythm,
    Riff,
    Timing,
    sort_notes,
)
from transcribe.takes import compare, report

_INSTRUMENT = Instrument()


@st.composite
def riffs(draw: st.DrawFn, *, written: bool, least: int) -> Riff:
    """A riff of anything: chords, unisons, notes at one moment, gaps, dead notes."""
    count = draw(st.integers(least, 14))
    timed = written and draw(st.booleans())
    at = 0.0
    notes: list[Note] = []
    used: set[tuple[int, int]] = set()
    for _ in range(count):
        at += draw(st.sampled_from([0.0, 0.0, 0.01, 0.1, 0.25, 0.5, 3.0]))
        string, fret = draw(st.integers(1, 6)), draw(st.integers(0, 5))
        place = (string, round(8.0 * at))
        if written and place in used:
            continue  # a string sounds one note
        used.add(place)
        notes.append(
            Note(
                len(notes) + 1,
                at,
                at + draw(st.sampled_from([0.02, 0.3, 4.0])),
                _INSTRUMENT.pitch_midi(string, fret),
                confidence=draw(st.sampled_from([1.0, 0.99, 0.7, 0.1])),
                string=string if written else None,
                fret=fret if written else None,
                articulation=draw(st.sampled_from(ARTICULATIONS)),
                onset_beat=round(8.0 * at) / 4.0 - 1.0 if timed else None,
                duration_beat=0.5 if timed else None,
            )
        )
    rhythm = Rhythm(120.0, draw(st.sampled_from([(4, 4), (6, 8), (1, 4)])), (0.5, 1.0), (0.5,))
    kind: Any = "order" if written and not timed and draw(st.booleans()) else "written"
    return Riff(
        notes=sort_notes(notes),
        rhythm=rhythm if timed else None,
        drone=Drone(5, 0.0, at + 1.0) if written and draw(st.booleans()) else None,
        timing=Timing(kind),
    )


@settings(max_examples=150, deadline=None)
@given(take=riffs(written=False, least=0), reference=riffs(written=True, least=1))
def test_every_note_gets_one_verdict_and_both_reports_are_written(
    take: Riff, reference: Riff
) -> None:
    comparison = compare(take, reference)
    counted = [r.reference for r in comparison.notes if r.reference is not None and not r.again]
    assert sorted(counted) == list(range(len(reference.notes)))
    played = [r.take for r in comparison.notes if r.take is not None]
    assert len(played) == len(set(played))
    assert all(0 <= j < len(take.notes) for j in played)
    assert 0.0 <= comparison.summary.right_share <= 1.0
    json.dumps(report.as_json(comparison), allow_nan=False)
    assert report.text(comparison, width=60)
    assert "</html>" in report.html(comparison)


@settings(max_examples=60, deadline=None)
@given(reference=riffs(written=True, least=1), ratio=st.sampled_from([0.6, 1.0, 1.7]))
def test_a_take_of_the_reference_itself_has_nothing_wrong(reference: Riff, ratio: float) -> None:
    notes = [
        replace(
            n,
            onset_sec=0.2 + n.onset_sec / ratio,
            offset_sec=0.2 + n.offset_sec / ratio,
            confidence=1.0,
            string=None,
            fret=None,
            onset_beat=None,
            duration_beat=None,
        )
        for n in reference.notes
    ]
    counts = compare(Riff(notes=sort_notes(notes)), reference).summary.counts
    assert counts.get("wrong", 0) == 0
    assert counts.get("right", 0) >= 0.5 * len(notes)
