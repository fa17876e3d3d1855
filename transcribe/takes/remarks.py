"""What a reader must know beside the verdicts: how the instruments differ, what was not judged."""

from __future__ import annotations

import math
from collections.abc import Sequence

from transcribe.core.instrument import tuning_name
from transcribe.core.pitch import pitch_name
from transcribe.core.riff import Instrument, Note, Riff
from transcribe.takes.comparison import Pass, Summary
from transcribe.takes.places import listed, moment, ranges
from transcribe.takes.timeline import has_beats

__all__ = ["differences", "other_riff", "remarks", "stretch_words"]

_CENTS = 10  # a difference of tuning that is worth a word
_FIRST_NOTES = 8
_NEARLY = 0.95  # share of the reference's tempo that is as good as all of it
_ENOUGH = 8  # right notes that are more than a try
_PAUSE_SEC = 0.5  # longer than written; less is part of the timing
_PAUSES = 3  # that are told one by one
_UNCLEAR = 0.25  # share of unsure notes at which another recording would help


def differences(
    take: Riff,
    reference: Riff,
    *,
    transposition: int,
    retuned: dict[int, int],
    tempo_ratio: float | None,
) -> tuple[str, ...]:
    """How the take's instrument differs from the reference's, in plain sentences.

    Parameters
    ----------
    transposition : int
        Semitones that the take sounds above the reference.
    retuned : dict
        Strings that sound otherwise beside that: string -> semitones.
    tempo_ratio : float or None
        The take's tempo over the reference's.
    """
    said = []
    cents = take.instrument.offset_cents - reference.instrument.offset_cents
    if transposition:
        total = transposition + (cents / 100.0 if abs(cents) >= _CENTS else 0.0)
        side = "higher" if total > 0 else "lower"
        hint = _slowed(total, tempo_ratio) or _capo_hint(
            take.instrument, reference.instrument, transposition
        )
        said.append(
            f"the take sounds {_steps(abs(total))} {side} than the reference throughout"
            f"{hint}; this is not counted"
        )
    for string, step in sorted(retuned.items()):
        want = reference.instrument.open_midi[string - 1]
        side = "higher" if step > 0 else "lower"
        said.append(
            f"string {string} sounds {_steps(abs(step))} {side} than in the reference: "
            f"it seems tuned to {pitch_name(want + step + transposition)} "
            f"instead of {pitch_name(want + transposition)}; this is not counted"
        )
    if not transposition and abs(cents) >= _CENTS:
        side = "sharper" if cents > 0 else "flatter"
        said.append(f"the take is tuned {abs(cents):.0f} cents {side} than the reference")
    return tuple(said)


def _steps(count: float) -> str:
    """An interval in words; parts of a semitone as a decimal."""
    if count % 12 == 0:
        return "an octave" if count == 12 else f"{count / 12:.0f} octaves"
    return f"{count:.3g} semitone" + ("s" if count != 1 else "")


def _slowed(semitones: float, tempo_ratio: float | None) -> str:
    """A hint where pitch and tempo changed alike, as a recording that is played back slower."""
    if tempo_ratio is None or abs(semitones) < 0.8:
        return ""
    alike = abs(12.0 * math.log2(tempo_ratio) - semitones) < 0.3
    percent = f"{100 * tempo_ratio:.0f} %"
    return f" (the recording seems to be played back at {percent} of its speed)" if alike else ""


def _capo_hint(take: Instrument, reference: Instrument, shift: int) -> str:
    same_strings = take.open_midi == reference.open_midi
    if same_strings and take.capo - reference.capo == shift:
        return f" (capo at fret {take.capo} instead of {reference.capo})"
    steps = {a - b for a, b in zip(take.open_midi, reference.open_midi, strict=False)}
    same_count = len(take.open_midi) == len(reference.open_midi)
    if same_count and take.capo == reference.capo and steps == {shift}:
        name = tuning_name(take.open_midi)
        return f" (the strings are tuned so{': ' + name if name else ''})"
    if reference.capo and shift == -reference.capo:
        return f" (as without the capo, which the reference has at fret {reference.capo})"
    if shift % 12 == 0:
        return ""
    if tuning_name(tuple(midi + shift for midi in reference.open_midi)) == "standard":
        return " (as in standard tuning)"
    if 0 < reference.capo + shift <= 9:
        return f" (as with a capo at fret {reference.capo + shift})"
    if shift in (-1, -2):
        step = "half a step" if shift == -1 else "a whole step"
        return f" (as with every string tuned {step} down)"
    return ""


def other_riff(
    take: Riff, reference: Riff, *, matched: float, transposition: int
) -> tuple[str, ...]:
    """What to say of a take that does not look like the reference, the plain word first."""
    if not take.notes:
        return ("the take holds no notes; nothing is kept as progress",)
    file = reference.source.file if reference.source is not None else ""
    name = f"the reference ({file})" if file else "the reference"
    even = ""
    if transposition:
        even = f", even {_steps(abs(transposition))} {'higher' if transposition > 0 else 'lower'}"
    said = [
        f"this take does not look like {name}: only {100 * matched:.0f} % of the notes match"
        f"{even}; check that both files are the right ones and that the take holds this riff "
        "alone; nothing is kept as progress"
    ]
    said.append(f"heard first: {_first_notes(take.notes)}")
    said.append(f"written first: {_first_notes(reference.notes)}")
    return tuple(said)


def _first_notes(notes: Sequence[Note]) -> str:
    """The first few notes by name, those struck together joined by a plus."""
    groups: list[list[str]] = []
    start = -math.inf
    for note in notes:
        if note.onset_sec - start > 0.05:
            groups.append([])
            start = note.onset_sec
        groups[-1].append(pitch_name(note.pitch_midi))
        if len(groups) > _FIRST_NOTES:
            break
    more = " ..." if len(groups) > _FIRST_NOTES else ""
    return " ".join("+".join(group) for group in groups[:_FIRST_NOTES]) + more


def remarks(reference: Riff, *, timing: str, passes: Sequence[Pass], best: int) -> tuple[str, ...]:
    """What a reader must know to read the verdicts rightly; ``timing`` as in `Comparison`."""
    said = []
    from_tab = reference.timing.kind == "order"
    if timing in ("pulse", "none") and from_tab and has_beats(reference):
        said.append(
            "the reference comes from a tab without a count: the order of its notes is sure, their "
            "time is not, so that timing is held only against the take's own pulse; a count under "
            "the strings (1 & 2 &) has it held against the tab"
        )
    elif timing in ("pulse", "none"):
        said.append(
            "the reference has no rhythm: notes are compared in order, "
            "and timing only against the take's own pulse"
            + ("; bar lines in the tab give it bars, a count under them beats" if from_tab else "")
        )
    elif timing == "seconds" and reference.rhythm is not None:
        said.append(
            "the take follows the reference's recorded times more closely than its written beats: "
            "timing is held against the recorded times"
        )
    said += _of_passes(reference, passes, best)
    rows = passes[best].notes
    said += _not_reached(reference, passes[best])
    again = sorted({r.reference for r in rows if r.again and r.reference is not None})
    if again:
        said.append(
            f"the take goes back over {stretch_words(reference, again)}; the better playing counts"
        )
    for where in ("before", "after"):
        around = [r for r in rows if r.reference is None and r.left_out and r.reason == where]
        if around:
            notes = "1 note" if len(around) == 1 else f"{len(around)} notes"
            edge = "begins" if where == "before" else "ends"
            said.append(f"{notes} {where} the riff {edge} {_are(len(around))} not counted")
    said += _pauses(passes[best])
    said += _faster(passes[best].summary)
    unsure = sum(r.verdict == "unsure" and not r.again and not r.left_out for r in rows)
    if unsure >= 4 and unsure > _UNCLEAR * len(reference.notes):
        said.append(
            f"{unsure} notes are not clear enough to judge: a recording closer to the guitar, in a "
            "quiet room, would tell more"
        )
    return tuple(said)


def _pauses(one: Pass) -> list[str]:
    """Where the player stopped; in one line where that was often."""
    long = [(time, longer) for time, longer in one.pauses if longer > _PAUSE_SEC]
    if len(long) > _PAUSES:
        at, most = max(long, key=lambda p: p[1])
        return [
            f"{len(long)} pauses, the longest of {most:.1f} s before {at:.1f} s, are not counted"
        ]
    return [
        f"a pause of {longer:.1f} s before {time:.1f} s is not counted" for time, longer in long
    ]


def _faster(summary: Summary) -> list[str]:
    """What to do after a slow take without a mistake: a little faster (common practice)."""
    now, goal = summary.tempo_bpm, summary.reference_bpm
    right = summary.counts.get("right", 0)
    if now is None or goal is None or summary.right_share < 1.0 or right < _ENOUGH:
        return []
    following = min(goal, 1.08 * now)
    if now > _NEARLY * goal:
        return []
    goes_on = f", on the way to {goal:.0f}" if following < goal else ""
    return [f"everything is right at tempo {now:.0f}: try {following:.0f} next{goes_on}"]


def _are(count: int) -> str:
    return "is" if count == 1 else "are"


def _of_passes(reference: Riff, passes: Sequence[Pass], best: int) -> list[str]:
    """How often the riff was played, and which verdicts these are."""
    short = [k for k, one in enumerate(passes) if k != best and not one.enough]
    full = len(passes) - len(short)
    said = []
    if full > 1:
        said.append(
            f"the riff is played {full} times; these are the verdicts of the best, pass {best + 1}"
        )
    starts = [k for k in short if k < best]
    for what, which in (("false start", starts), ("part", [k for k in short if k > best])):
        if which:
            times = listed([f"{passes[k].start_sec:.1f} s" for k in which])
            many = f"a {what}" if len(which) == 1 else f"{len(which)} {what}s"
            said.append(f"{many} at {times} {_are(len(which))} not counted")
    return said


def _not_reached(reference: Riff, one: Pass) -> list[str]:
    """What of the reference the pass leaves out: its start, its end, something between."""
    out = sorted(r.reference for r in one.notes if r.left_out and r.reference is not None)
    span = one.reach
    if not out:
        return []
    if span is None:
        return ["nothing of the reference is found in the take"]
    said = []
    before = [i for i in out if i < span[0]]
    after = [i for i in out if i > span[1]]
    between = [i for i in out if span[0] < i < span[1]]
    if before:
        said.append(
            f"the take starts at {_at(reference, span[0])}; the {_notes(len(before))} before that "
            f"{_are(len(before))} not counted"
        )
    if after:
        said.append(
            f"the take stops at {_at(reference, span[1])}; the {_notes(len(after))} after that "
            f"{_are(len(after))} not counted"
        )
    for stretch in _stretches(between):
        said.append(f"{stretch_words(reference, stretch)} is left out; not counted")
    return said


def _notes(count: int) -> str:
    return "note" if count == 1 else f"{count} notes"


def _stretches(ids: Sequence[int]) -> list[list[int]]:
    """Runs of successive numbers."""
    out: list[list[int]] = []
    for i in ids:
        if out and i == out[-1][-1] + 1:
            out[-1].append(i)
        else:
            out.append([i])
    return out


def _at(reference: Riff, index: int) -> str:
    beat = reference.notes[index].onset_beat
    if reference.rhythm is None or beat is None:
        return f"note {index + 1}"
    return moment(beat, reference.rhythm.meter)


def stretch_words(reference: Riff, ids: Sequence[int]) -> str:
    """Where the first and the last of some notes lie, or the notes' numbers without rhythm."""
    beats = [reference.notes[i].onset_beat for i in ids]
    if reference.rhythm is None or None in beats:
        return f"note{'s' if len(ids) > 1 else ''} {ranges([i + 1 for i in ids])}"
    meter = reference.rhythm.meter
    first, last = float(beats[0] or 0.0), float(beats[-1] or 0.0)
    if first == last:
        return moment(first, meter)
    start, end = moment(first, meter), moment(last, meter)
    bar, _, beat = end.rpartition(" beat ")
    return f"{start} to {beat if start.startswith(f'{bar} ') else end}"
