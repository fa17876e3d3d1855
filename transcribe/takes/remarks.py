"""What a reader must know beside the verdicts: how the instruments differ, what was not judged.

All of it travels as `Remark`s, whose kinds `transcribe.takes.verdict_wording` lists; ``notes`` are
ids of the reference's notes.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from transcribe.core.instrument import tuning_name
from transcribe.core.riff import Instrument, Note, Remark, Riff
from transcribe.core.strokes import strokes
from transcribe.takes.comparison import Pass, Reason, Summary
from transcribe.takes.timeline import has_beats

__all__ = ["instrument_differences", "pass_remarks", "remarks_on_another_riff"]

_CENTS = 10  # a difference of tuning that is worth a word
_SPEED_SEMITONES = 0.8  # a transposition that a slower playback may explain
_FIRST_CHORDS = 8
_FULL_TEMPO_SHARE = 0.95  # share of the reference's tempo that is as good as all of it
_FASTER_FACTOR = 1.08  # by which to raise the tempo of a take without a mistake
_MIN_RIGHT_NOTES = 8  # right notes that are more than a try
_PAUSE_SEC = 0.5  # longer than written; less is part of the timing
_MAX_PAUSE_REMARKS = 3  # that get a remark each
_UNCLEAR_SHARE, _UNCLEAR_NOTES = 0.25, 4  # unsure notes at which another recording would help
_HIGHEST_CAPO = 9


def instrument_differences(
    take: Riff,
    reference: Riff,
    *,
    transposition: int,
    retuned: Mapping[int, int],
    tempo_ratio: float | None,
) -> tuple[Remark, ...]:
    """How the take's instrument differs from the reference's.

    Parameters
    ----------
    transposition : int
        Semitones that the take sounds above the reference.
    retuned : mapping
        Strings that are tuned differently beside that: string -> semitones.
    tempo_ratio : float or None
        The take's tempo over the reference's.
    """
    found = []
    cents = take.instrument.offset_cents - reference.instrument.offset_cents
    if transposition:
        total = transposition + (cents / 100.0 if abs(cents) >= _CENTS else 0.0)
        cause = _playback_cause(total, tempo_ratio) or _tuning_cause(
            take.instrument, reference.instrument, transposition
        )
        found.append(Remark("transposed", {"semitones": total, **cause}))
    for string, step in sorted(retuned.items()):
        written = reference.instrument.open_midi[string - 1] + transposition
        facts = {"string": string, "written_midi": written, "played_midi": written + step}
        found.append(Remark("string-retuned", facts))
    if not transposition and abs(cents) >= _CENTS:
        found.append(Remark("tuned-off", {"cents": cents}))
    return tuple(found)


def _playback_cause(semitones: float, tempo_ratio: float | None) -> dict[str, Any]:
    """Whether pitch and tempo changed alike, as a recording that is played back slower."""
    if tempo_ratio is None or abs(semitones) < _SPEED_SEMITONES:
        return {}
    alike = abs(12.0 * math.log2(tempo_ratio) - semitones) < 0.3
    return {"cause": "playback", "speed": tempo_ratio} if alike else {}


def _tuning_cause(take: Instrument, reference: Instrument, shift: int) -> dict[str, Any]:
    """The likeliest reason for a transposition; empty where none is likely."""
    same_strings = take.open_midi == reference.open_midi
    if same_strings and take.capo - reference.capo == shift:
        return {"cause": "capo", "take_capo": take.capo, "reference_capo": reference.capo}
    steps = {a - b for a, b in zip(take.open_midi, reference.open_midi, strict=False)}
    same_count = len(take.open_midi) == len(reference.open_midi)
    if same_count and take.capo == reference.capo and steps == {shift}:
        return {"cause": "tuning", "tuning": tuning_name(take.open_midi) or ""}
    if reference.capo and shift == -reference.capo:
        return {"cause": "no-capo", "reference_capo": reference.capo}
    if shift % 12 == 0:
        return {}
    if tuning_name(tuple(midi + shift for midi in reference.open_midi)) == "standard":
        return {"cause": "standard-tuning"}
    if 0 < reference.capo + shift <= _HIGHEST_CAPO:
        return {"cause": "as-with-capo", "take_capo": reference.capo + shift}
    return {"cause": "tuned-down", "down": -shift} if shift in (-1, -2) else {}


def remarks_on_another_riff(
    take: Riff, reference: Riff, *, matched: float, transposition: int
) -> tuple[Remark, ...]:
    """What to say of a take that does not look like the reference, the plain word first."""
    if not take.notes:
        return (Remark("empty-take"),)
    facts = {
        "reference": reference.source.file if reference.source is not None else "",
        "matched_share": matched,
        "semitones": transposition,
    }
    return (
        Remark("another-riff", facts),
        Remark("heard-first", _first_chords(take.notes)),
        Remark("written-first", _first_chords(reference.notes)),
    )


def _first_chords(notes: Sequence[Note]) -> dict[str, Any]:
    """The pitches of the first few notes, those struck together as one; whether more follow."""
    chords = [[notes[i].pitch_midi for i in stroke] for stroke in strokes(notes)]
    return {"chords_midi": chords[:_FIRST_CHORDS], "more": len(chords) > _FIRST_CHORDS}


def pass_remarks(
    reference: Riff, *, timing: str, passes: Sequence[Pass], best: int
) -> tuple[Remark, ...]:
    """What a reader must know to read the verdicts rightly; ``timing`` as in `Comparison`."""
    found = []
    from_tab = reference.timing.kind == "order"
    if timing in ("pulse", "none") and from_tab and has_beats(reference):
        found.append(Remark("tab-without-count"))
    elif timing in ("pulse", "none"):
        found.append(Remark("no-rhythm", {"from_tab": from_tab}))
    elif timing == "seconds" and reference.rhythm is not None:
        found.append(Remark("recorded-times"))
    found += _about_passes(passes, best)
    rows = passes[best].notes
    found += _not_reached(reference, passes[best])
    again = sorted({r.reference for r in rows if r.again and r.reference is not None})
    if again:
        found.append(Remark("played-again", notes=_ids(reference, again)))
    for kind, reason in (("notes-before", Reason.BEFORE), ("notes-after", Reason.AFTER)):
        count = sum(r.left_out and r.reason is reason for r in rows)
        if count:
            found.append(Remark(kind, {"count": count}))
    found += _pauses(passes[best])
    found += _next_tempo(passes[best].summary)
    unsure = sum(r.verdict == "unsure" and r.counts for r in rows)
    if unsure >= _UNCLEAR_NOTES and unsure > _UNCLEAR_SHARE * len(reference.notes):
        found.append(Remark("unclear", {"count": unsure}))
    return tuple(found)


def _ids(reference: Riff, indices: Sequence[int]) -> tuple[int, ...]:
    return tuple(reference.notes[i].id for i in indices)


def _about_passes(passes: Sequence[Pass], best: int) -> list[Remark]:
    """How often the riff was played, and which verdicts these are."""
    short = [k for k, one in enumerate(passes) if k != best and not one.reaches_half]
    full = len(passes) - len(short)
    found = [Remark("passes", {"count": full, "best": best + 1})] if full > 1 else []
    starts = [passes[k].start_sec for k in short if k < best]
    parts = [passes[k].start_sec for k in short if k > best]
    for kind, at in (("false-starts", starts), ("parts", parts)):
        if at:
            found.append(Remark(kind, {"at_sec": at}))
    return found


def _not_reached(reference: Riff, one: Pass) -> list[Remark]:
    """What of the reference the pass leaves out: its start, its end, something between."""
    out = sorted(r.reference for r in one.notes if r.left_out and r.reference is not None)
    reach = one.reach
    if not out:
        return []
    if reach is None:
        return [Remark("nothing-found")]
    found = []
    first, last = reach
    before, after = sum(i < first for i in out), sum(i > last for i in out)
    if before:
        found.append(Remark("starts-late", {"count": before}, _ids(reference, [first])))
    if after:
        found.append(Remark("stops-early", {"count": after}, _ids(reference, [last])))
    stretch: list[int] = []
    for i in [i for i in out if first < i < last]:
        if stretch and i > stretch[-1] + 1:
            found.append(Remark("left-out", notes=_ids(reference, stretch)))
            stretch = []
        stretch.append(i)
    if stretch:
        found.append(Remark("left-out", notes=_ids(reference, stretch)))
    return found


def _pauses(one: Pass) -> list[Remark]:
    """Where the player stopped; in one remark where that was often."""
    long = [
        Remark("pause", {"sec": time, "longer_sec": longer})
        for time, longer in one.pauses
        if longer > _PAUSE_SEC
    ]
    if len(long) <= _MAX_PAUSE_REMARKS:
        return long
    longest = max(long, key=lambda pause: pause.facts["longer_sec"])
    return [Remark("pauses", {"count": len(long), **longest.facts})]


def _next_tempo(summary: Summary) -> list[Remark]:
    """What to do after a slow take without a mistake: a little faster (common practice)."""
    now, goal = summary.tempo_bpm, summary.reference_bpm
    if now is None or goal is None or summary.right_share < 1.0 or now > _FULL_TEMPO_SHARE * goal:
        return []
    if summary.counts.get("right", 0) < _MIN_RIGHT_NOTES:
        return []
    return [
        Remark(
            "faster", {"bpm": now, "next_bpm": min(goal, _FASTER_FACTOR * now), "goal_bpm": goal}
        )
    ]
