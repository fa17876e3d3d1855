"""Another reading of the rhythm of a riff that is there already: half time, double time, or given.

A tempo that is felt twice as fast or half as fast as it was guessed is one step away, without the
recording: every note value is doubled or halved, bar 1 stays where it is, and the bars are counted
anew; the fingering is solved again around the pins, and the theory follows.

`transcribe.correct.whole_riff` says what such a step holds.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from transcribe.core.clock import MAX_BPM, MIN_BPM, Clock, check_bpm
from transcribe.core.errors import ParameterError
from transcribe.core.instrument import drone_pitches
from transcribe.core.riff import MeterChoice, Rhythm, Riff, TempoChoice
from transcribe.correct.history import said
from transcribe.correct.whole_riff import settled

__all__ = ["double_time", "given_time", "half_time", "other_time", "retime", "timed"]

_PER_BEAT = 24  # places of the score in a beat
_LIKELY = 0.2  # from this share on, half or double the tempo is worth a word
_NEAR = 0.06  # of a tempo: the same one
_MEANT = 0.1  # of a tempo that a player says: half or double of the one that was found
_KEPT = 1.25  # times or over the tempo that was found: another tempo of the same bars


def half_time(
    riff: Riff,
    *,
    meter: tuple[int, int] | None = None,
    progress: Callable[[str, float], None] | None = None,
) -> Riff:
    """``riff`` with beats twice as long: half as many in a minute, eighths become sixteenths.

    A meter that was given, or is that of a score, stays, and a bar lasts twice as long. One that
    was guessed is weighed against the meter whose bars last as long as they did: six eighths that
    were counted too fast are three quarters. ``meter`` says it.

    Raises
    ------
    ParameterError
        If the riff has no notes or too few beats, or the tempo would leave the range of 20 to 600.
    """
    return _scaled(riff, 0.5, "half time", meter, progress)


def double_time(
    riff: Riff,
    *,
    meter: tuple[int, int] | None = None,
    progress: Callable[[str, float], None] | None = None,
) -> Riff:
    """``riff`` with beats half as long: twice as many in a minute, eighths become quarters.

    See `half_time` for the meter and the errors.
    """
    return _scaled(riff, 2.0, "double time", meter, progress)


def retime(
    riff: Riff,
    *,
    bpm: float | None = None,
    meter: tuple[int, int] | None = None,
    first_beat_sec: float | None = None,
    progress: Callable[[str, float], None] | None = None,
) -> Riff:
    """``riff`` with what is known of its rhythm given; fingering and theory follow, as one step.

    See `timed` for what becomes of the bars, for the parameters and the errors.
    """
    given = {"bpm": bpm, "meter": meter, "first_beat_sec": first_beat_sec}
    found = timed(riff, **given, progress=progress)  # type: ignore[arg-type]
    return _settled(riff, found, "rhythm", given)


def timed(
    riff: Riff,
    *,
    bpm: float | None = None,
    meter: tuple[int, int] | None = None,
    first_beat_sec: float | None = None,
    progress: Callable[[str, float], None] | None = None,
) -> Riff:
    """``riff`` with another rhythm and nothing else: no fingering, theory or history.

    What is written (a score, a tab) keeps its bars and note values at another tempo, and its
    seconds follow. In what was heard the seconds stay: half or double the tempo, within a tenth,
    is half or double time, a tempo within a quarter of it has the beats found again in the same
    meter, and any other has the meter found again too, where it was a guess. A meter of another
    unit keeps the length of the bars where it can: six eighths are three quarters.

    Parameters
    ----------
    bpm : float, optional
        Beats (units of the meter's denominator) in a minute; as it was where left out, counted in
        the unit of the meter.
    meter : (int, int), optional
        Found again where it was a guess, is left out, and the beats are found again.
    first_beat_sec : float, optional
        Where bar 1 begins, in seconds; where left out, found again with the beats of a take, and
        as it was in what comes from a score or a tab.

    Raises
    ------
    ParameterError
        If the riff has no notes, or an argument is out of range.
    """
    if not riff.notes:
        raise ParameterError("there are no notes to find a rhythm in")
    _check(bpm, meter)
    old = riff.rhythm
    if old is None or len(old.beats_sec) < 2:
        return _found(riff, bpm, meter, first_beat_sec, progress)
    if first_beat_sec is None:
        if not _is_heard(riff):
            return _rewritten(riff, bpm, meter, progress)
        kept = _heard_anew(riff, bpm, meter, progress)
        if kept is not None:
            return kept
    if meter is None and _is_given(old):
        meter = old.meter
    if bpm is None:
        bpm = old.bpm * (1.0 if meter is None else _unit_factor(riff, meter))
    if first_beat_sec is None and not _is_heard(riff):
        first_beat_sec = _bar_1(riff)
    return _found(riff, bpm, meter, first_beat_sec, progress)


def _check(bpm: float | None, meter: tuple[int, int] | None) -> None:
    if bpm is not None:
        check_bpm(bpm)
    if meter is not None and (meter[0] < 1 or meter[1] not in (2, 4, 8, 16)):
        raise ParameterError(
            f"meter is {meter[0]}/{meter[1]}; give one such as 4/4 or 6/8", parameter="meter"
        )


def _rewritten(
    riff: Riff,
    bpm: float | None,
    meter: tuple[int, int] | None,
    progress: Callable[[str, float], None] | None,
) -> Riff:
    """A written ``riff`` at another tempo, in other bars: its note values are known."""
    old = riff.rhythm
    assert old is not None
    factor = 1.0 if meter is None else _unit_factor(riff, meter)
    new = riff
    if meter is not None and meter != old.meter:
        if not _fits(riff, factor):
            start = _bar_1(riff)
            new = _found(riff, factor * old.bpm, meter, start, progress)
        else:
            new = _in_bars_of(_multiplied(riff, factor, meter))
    if bpm is None or new.rhythm is None:
        return new
    return _stretched(new, new.rhythm.bpm / bpm, bpm)


def _in_bars_of(riff: Riff) -> Riff:
    """``riff`` with the phrases of its bars, and its meter no longer a guess."""
    from transcribe.rhythm.phrases import find_phrases

    rhythm = riff.rhythm
    assert rhythm is not None
    rhythm = dataclasses.replace(
        rhythm,
        phrases=find_phrases(riff.notes, meter=rhythm.meter),
        bpm_choices=_only_tempo(rhythm, rhythm.bpm),
        meter_choices=(MeterChoice(rhythm.meter, 1.0),) if rhythm.meter_choices else (),
    )
    return dataclasses.replace(riff, rhythm=rhythm)


def _only_tempo(rhythm: Rhythm, bpm: float) -> tuple[TempoChoice, ...]:
    """The tempo that was given in the place of those that were weighed, if any were."""
    return (TempoChoice(bpm, rhythm.meter, 1.0),) if rhythm.bpm_choices else ()


def _stretched(riff: Riff, factor: float, bpm: float) -> Riff:
    """``riff`` with every second ``factor`` times as long; beats and note values stay."""
    old = riff.rhythm
    assert old is not None
    rhythm = dataclasses.replace(
        old,
        bpm=bpm,
        beats_sec=tuple(factor * t for t in old.beats_sec),
        downbeats_sec=tuple(factor * t for t in old.downbeats_sec),
        bpm_choices=_only_tempo(old, bpm),
    )
    notes = tuple(
        dataclasses.replace(
            note, onset_sec=factor * note.onset_sec, offset_sec=factor * note.offset_sec
        )
        for note in riff.notes
    )
    drone = riff.drone and dataclasses.replace(
        riff.drone, start_sec=factor * riff.drone.start_sec, end_sec=factor * riff.drone.end_sec
    )
    source = riff.source
    if source is not None and source.duration_sec:
        source = dataclasses.replace(source, duration_sec=factor * source.duration_sec)
    return dataclasses.replace(riff, rhythm=rhythm, notes=notes, drone=drone, source=source)


def _heard_anew(
    riff: Riff,
    bpm: float | None,
    meter: tuple[int, int] | None,
    progress: Callable[[str, float], None] | None,
) -> Riff | None:
    """What was heard, in the bars it has; None where its beats have to be found again."""
    old = riff.rhythm
    assert old is not None
    if bpm is None:
        if meter is None or meter[1] == old.meter[1]:
            return None
        factor = _unit_factor(riff, meter)
        if math.isclose(factor * old.meter[0], meter[0]) and _fits(riff, factor):
            return _in_bars_of(_multiplied(riff, factor, meter))
        return None
    for factor in (0.5, 2.0):
        if abs(bpm / (factor * old.bpm) - 1) <= _MEANT:
            new = _in_time(riff, factor, meter, progress)
            assert new.rhythm is not None
            return dataclasses.replace(new, rhythm=dataclasses.replace(new.rhythm, bpm=bpm))
    if meter is None and 1 / _KEPT <= bpm / old.bpm <= _KEPT:
        start = _bar_1(riff)
        new = _found(riff, bpm, old.meter, start, progress)
        assert new.rhythm is not None
        rhythm = dataclasses.replace(new.rhythm, meter_choices=old.meter_choices)
        return dataclasses.replace(new, rhythm=rhythm)
    return None


def _unit_factor(riff: Riff, meter: tuple[int, int]) -> float:
    """How many beats of ``meter`` make one beat of the riff's meter.

    A quarter is two eighths, so that note values stay; but where the beat was parted in three,
    four quarters are twelve eighths (a compound meter; common practice, no source).
    """
    old = riff.rhythm
    assert old is not None
    by_unit = meter[1] / old.meter[1]
    by_bar = meter[0] / old.meter[0]
    if by_unit != 2.0 or by_bar != 3.0 or meter[0] % 3:
        return by_unit
    starts = [note.onset_beat for note in riff.notes if note.onset_beat is not None]
    whole = [sum(abs(f * b - round(f * b)) < 1e-6 for b in starts) for f in (by_bar, by_unit)]
    return by_bar if whole[0] > whole[1] else by_unit


def _bar_1(riff: Riff) -> float | None:
    """Where bar 1 begins, in seconds; None where the riff is over before it does."""
    downs = riff.rhythm.downbeats_sec if riff.rhythm else ()
    end = max(note.offset_sec for note in riff.notes)
    return downs[0] if downs and 0.0 <= downs[0] <= end else None


def _found(
    riff: Riff,
    bpm: float | None,
    meter: tuple[int, int] | None,
    first_beat_sec: float | None,
    progress: Callable[[str, float], None] | None,
) -> Riff:
    """``riff`` with the rhythm that its notes show when this much is known."""
    from transcribe.rhythm import find_rhythm

    end = max(note.offset_sec for note in riff.notes)
    told = riff.source.duration_sec if riff.source else None
    rhythm, notes = find_rhythm(
        riff.notes,
        duration_sec=max(end, told or 0.0),
        bpm=bpm,
        meter=meter,
        first_beat_sec=first_beat_sec,
        drone_midi=drone_pitches(riff.drone, riff.instrument) or None,
        progress=progress,
    )
    old = riff.rhythm
    if old is not None:
        # Taps before the music are heard in the recording, which is not listened to here.
        taps = rhythm.count_in_sec or old.count_in_sec
        rhythm = dataclasses.replace(rhythm, count_in_sec=taps, extra=old.extra)
    return dataclasses.replace(riff, rhythm=rhythm, notes=notes)


def _scaled(
    riff: Riff,
    factor: float,
    kind: str,
    meter: tuple[int, int] | None,
    progress: Callable[[str, float], None] | None,
) -> Riff:
    old = riff.rhythm
    if old is None or len(old.beats_sec) < 2 or not riff.notes:
        raise ParameterError("this riff has too few beats, so there is no tempo to change")
    bpm = factor * old.bpm
    if not MIN_BPM <= bpm <= MAX_BPM:
        raise ParameterError(
            f"{kind} of {old.bpm:.0f} beats a minute would be {bpm:.0f}, outside "
            f"{MIN_BPM:.0f} to {MAX_BPM:.0f}"
        )
    given = {"bpm": bpm, "meter": meter, "first_beat_sec": None}
    return _settled(riff, _in_time(riff, factor, meter, progress), kind, given)


def _in_time(
    riff: Riff,
    factor: float,
    meter: tuple[int, int] | None,
    progress: Callable[[str, float], None] | None,
) -> Riff:
    """``riff`` with ``factor`` times as many beats; bar 1 stays where it is."""
    old = riff.rhythm
    assert old is not None
    bpm = factor * old.bpm
    if meter is None:
        meter = old.meter if _is_given(old) else _likelier_meter(riff, bpm, factor, progress)
    if _fits(riff, factor):
        return _multiplied(riff, factor, meter)
    # Finer notes than the score can hold are placed anew.
    start = _bar_1(riff)
    return _found(riff, bpm, meter, start, progress)


def _likelier_meter(
    riff: Riff, bpm: float, factor: float, progress: Callable[[str, float], None] | None
) -> tuple[int, int]:
    """The meter as it is, or the one whose bars last as long as now, whichever the notes show."""
    assert riff.rhythm is not None
    old = riff.rhythm.meter
    rhythm = _found(riff, bpm, None, None, progress).rhythm
    assert rhythm is not None
    chances = {choice.meter: choice.confidence for choice in rhythm.meter_choices}
    beats = factor * old[0]
    same_bar = [m for m in chances if m[0] == beats and m != old]
    return max((old, *same_bar), key=lambda m: chances.get(m, 0.0))


def _fits(riff: Riff, factor: float) -> bool:
    """Whether every place that is multiplied is still one of the score's."""
    starts = [note.onset_beat for note in riff.notes if note.onset_beat is not None]
    ticks = [factor * _PER_BEAT * start for start in starts]
    return len(starts) == len(riff.notes) and all(abs(t - round(t)) < 1e-6 for t in ticks)


def _multiplied(riff: Riff, factor: float, meter: tuple[int, int]) -> Riff:
    """``riff`` with every score time ``factor`` times as long; beat 0 stays where it is."""
    old = riff.rhythm
    assert old is not None
    beats = old.beats_sec
    zero = 0
    if old.downbeats_sec:
        zero = min(range(len(beats)), key=lambda k: abs(beats[k] - old.downbeats_sec[0]))
    first, last = math.ceil(-zero * factor), math.floor((len(beats) - 1 - zero) * factor)
    # The first and last notes must not lie outside the beats.
    ends = [(note.onset_beat or 0.0) * factor for note in riff.notes]
    first, last = min(first, math.floor(min(ends))), max(last, math.ceil(max(ends)), first + 1)
    numbers = range(first, last + 1)
    times = tuple(Clock(old).sec(np.array(numbers) / factor).tolist())
    downs = tuple(
        t for number, t in zip(numbers, times, strict=True) if number >= 0 == number % meter[0]
    )
    phrases = tuple(
        dataclasses.replace(p, start_beat=factor * p.start_beat, end_beat=factor * p.end_beat)
        for p in old.phrases
    )
    rhythm = dataclasses.replace(
        old,
        bpm=factor * old.bpm,
        meter=meter,
        beats_sec=times,
        downbeats_sec=downs,
        phrases=phrases,
        swing=None,  # what swung were the halves of the old beats, which are halves no longer
        pickup_beats=factor * old.pickup_beats,
    )
    shortest = 1.0 / _PER_BEAT
    notes = tuple(
        dataclasses.replace(
            note,
            onset_beat=factor * (note.onset_beat or 0.0),
            duration_beat=max(
                shortest, round(factor * (note.duration_beat or 0.0) * _PER_BEAT) / _PER_BEAT
            ),
        )
        for note in riff.notes
    )
    return dataclasses.replace(riff, rhythm=rhythm, notes=notes)


def _settled(riff: Riff, timed: Riff, kind: str, given: Mapping[str, Any]) -> Riff:
    told = {key: value for key, value in given.items() if value is not None}
    return settled(riff, timed, kind, told)


def given_time(riff: Riff) -> dict[str, Any]:
    """What the player has said of the rhythm, as arguments of `retime`: the steps that hold."""
    told = said(riff)
    given = {"bpm": told.bpm, "meter": told.meter, "first_beat_sec": told.first_beat_sec}
    return {key: value for key, value in given.items() if value is not None}


def other_time(rhythm: Rhythm) -> tuple[str, float, tuple[int, int], float] | None:
    """Half or double time where that was nearly as likely as the tempo that was found.

    Returns
    -------
    (str, float, (int, int), float) or None
        ``half time`` or ``double time``, its beats a minute, its meter, and its confidence, 0 to 1.
    """
    found: list[tuple[float, str, float, tuple[int, int]]] = []
    for choice in rhythm.bpm_choices[1:]:
        for kind, factor in (("half time", 0.5), ("double time", 2.0)):
            bpm = factor * rhythm.bpm
            if abs(choice.bpm / bpm - 1) <= _NEAR and choice.confidence >= _LIKELY:
                found.append((choice.confidence, kind, bpm, choice.meter))
    if not found:
        return None
    share, kind, bpm, meter = max(found)
    return kind, bpm, meter, share


def _is_heard(riff: Riff) -> bool:
    """Whether the seconds are those of a performance, whose beats had to be found."""
    return riff.timing.kind == "heard"


def _is_given(rhythm: Rhythm) -> bool:
    """Whether the meter comes from a score or from the player: then there was no choice."""
    return len(rhythm.meter_choices) < 2
