"""Another tempo, meter or bar 1 for a riff that is there already, as one step of its history.

A tempo that is felt twice as fast or half as fast as it was found is one step away, without the
recording. There are three ways to another rhythm: the score or the seconds are scaled, the bars
are counted in another meter, or the beats are found again from the notes. The fingering is solved
again around the pins, and the theory follows.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from typing import Any

import numpy as np

from transcribe.core.clock import MAX_BPM, MIN_BPM, Clock, check_bpm
from transcribe.core.errors import ParameterError
from transcribe.core.instrument import drone_pitches
from transcribe.core.limits import MAX_BEATS
from transcribe.core.riff import MeterChoice, Remark, Rhythm, Riff, TempoChoice
from transcribe.correct.history import record
from transcribe.correct.solving import find_again

__all__ = ["double_time", "half_time", "other_tempo", "remaining_warnings", "retime", "retimed"]

Progress = Callable[[str, float], None]
Meter = tuple[int, int]

_TICKS_PER_BEAT = 24  # places of the score in a beat
_LIKELY_SHARE = 0.2  # confidence from which half or double the tempo is offered; chosen by eye
_SAME_TEMPO = 0.06  # relative difference of two tempi that are one; chosen by eye
_HALF_OR_DOUBLE = 0.1  # relative difference of a given tempo from half or double the one found
_SAME_BARS = 1.25  # ratio of two tempi up to which the bars are taken to stay; chosen by eye


def half_time(riff: Riff, *, meter: Meter | None = None, progress: Progress | None = None) -> Riff:
    """``riff`` with beats twice as long: half as many in a minute, eighths become sixteenths.

    A meter that was given, or is that of a score, stays, and a bar lasts twice as long. One that
    was guessed is weighed against the meter whose bars last as long as they did: six eighths that
    were counted too fast are three quarters.

    Parameters
    ----------
    riff : Riff
        With a rhythm.
    meter : (beats in a bar, unit), optional
        The meter to take, whatever the notes say.
    progress : callable, optional
        Called with the stage and its share, 0 to 1.

    Returns
    -------
    Riff
        With one more step in its history.

    Raises
    ------
    ParameterError
        If the riff has no notes or too few beats, or the tempo would leave the range of 20 to 600.

    Examples
    --------
    >>> from transcribe import Note, finger
    >>> line = [Note(k, 0.5 * k, 0.5 * k + 0.4, p) for k, p in enumerate((50, 53, 55, 57))]
    >>> riff = finger(line, bpm=120.0, meter=(4, 4))
    >>> half_time(riff).rhythm.bpm, double_time(riff).rhythm.bpm
    (60.0, 240.0)
    """
    return _half_or_double(riff, 0.5, "half time", meter, progress)


def double_time(
    riff: Riff, *, meter: Meter | None = None, progress: Progress | None = None
) -> Riff:
    """``riff`` with beats half as long: twice as many in a minute, eighths become quarters.

    Parameters
    ----------
    riff, meter, progress
        As for `half_time`, and so is what becomes of the meter.

    Returns
    -------
    Riff
        With one more step in its history.

    Raises
    ------
    ParameterError
        If the riff has no notes or too few beats, or the tempo would leave the range of 20 to 600.

    Examples
    --------
    >>> from transcribe import Note, finger
    >>> line = [Note(k, 0.5 * k, 0.5 * k + 0.4, p) for k, p in enumerate((50, 53, 55, 57))]
    >>> riff = finger(line, bpm=120.0, meter=(4, 4))
    >>> [note.duration_beat for note in (riff.notes[0], double_time(riff).notes[0])]
    [1.0, 2.0]
    """
    return _half_or_double(riff, 2.0, "double time", meter, progress)


def retime(
    riff: Riff,
    *,
    bpm: float | None = None,
    meter: Meter | None = None,
    first_beat_sec: float | None = None,
    progress: Progress | None = None,
) -> Riff:
    """``riff`` with what is known of its rhythm; fingering and theory follow, as one step.

    See `retimed` for what becomes of the bars, for the parameters and the errors.
    """
    known = {"bpm": bpm, "meter": meter, "first_beat_sec": first_beat_sec}
    new = retimed(riff, **known, progress=progress)  # type: ignore[arg-type]
    return _recorded(riff, new, "rhythm", known)


def retimed(
    riff: Riff,
    *,
    bpm: float | None = None,
    meter: Meter | None = None,
    first_beat_sec: float | None = None,
    progress: Progress | None = None,
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
    if bpm is not None:
        check_bpm(bpm)
    if meter is not None and (meter[0] < 1 or meter[1] not in (2, 4, 8, 16)):
        raise ParameterError(
            f"meter is {meter[0]}/{meter[1]}; give one such as 4/4 or 6/8", parameter="meter"
        )
    old = riff.rhythm
    if old is None or len(old.beats_sec) < 2:
        return _found_again(riff, bpm, meter, first_beat_sec, progress)
    if first_beat_sec is None:
        same = _same_score if riff.timing.kind != "heard" else _same_bars
        kept = same(riff, old, bpm, meter, progress)
        if kept is not None:
            return kept
    if meter is None and _is_known(old):
        meter = old.meter
    if bpm is None:
        bpm = old.bpm * (1.0 if meter is None else _beats_per_beat(riff, old, meter))
    return _found_again(riff, bpm, meter, first_beat_sec, progress)


def other_tempo(rhythm: Rhythm) -> tuple[str, float, Meter, float] | None:
    """Half or double time where that was nearly as likely as the tempo that was found.

    Returns
    -------
    (str, float, (int, int), float) or None
        ``half time`` or ``double time``, its beats a minute, its meter, and its confidence, 0 to 1.
    """
    found: list[tuple[float, str, float, Meter]] = []
    for choice in rhythm.bpm_choices[1:]:
        for kind, factor in (("half time", 0.5), ("double time", 2.0)):
            bpm = factor * rhythm.bpm
            if abs(choice.bpm / bpm - 1) <= _SAME_TEMPO and choice.confidence >= _LIKELY_SHARE:
                found.append((choice.confidence, kind, bpm, choice.meter))
    if not found:
        return None
    share, kind, bpm, meter = max(found)
    return kind, bpm, meter, share


def remaining_warnings(
    riff: Riff, *, bpm: float | None = None, meter: Meter | None = None
) -> tuple[Remark, ...]:
    """The warnings of a riff, but for those that the player has answered since, or answers now."""
    answered = {"tab-no-meter"} if (meter or riff.player.meter) is not None else set()
    answered |= {"tempo-taken"} if (bpm or riff.player.bpm) is not None else set()
    return tuple(remark for remark in riff.warnings if remark.kind not in answered)


def _recorded(riff: Riff, new: Riff, kind: str, known: dict[str, Any]) -> Riff:
    """``new`` as a step of ``riff``, with what the player gave of the rhythm."""
    given = {key: value for key, value in known.items() if value is not None}
    player = dataclasses.replace(riff.player, **given)
    return record(riff, find_again(riff, dataclasses.replace(new, player=player)), kind)


# -- which way ---------------------------------------------------------------------------------


def _half_or_double(
    riff: Riff, factor: float, kind: str, meter: Meter | None, progress: Progress | None
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
    beats = max(len(old.beats_sec), *(note.onset_beat or 0.0 for note in riff.notes))
    if factor * beats > MAX_BEATS:
        raise ParameterError(f"in {kind} this riff would have over {MAX_BEATS:.0f} beats")
    new = _in_other_beats(riff, old, bpm, factor, meter, progress)
    return _recorded(riff, new, kind, {"bpm": bpm, "meter": meter})


def _same_score(
    riff: Riff, old: Rhythm, bpm: float | None, meter: Meter | None, progress: Progress | None
) -> Riff:
    """A written ``riff`` at another tempo, in other bars: its note values are known."""
    new = riff if meter in (None, old.meter) else _rebarred(riff, old, meter, progress)
    rhythm = new.rhythm
    if bpm is None or rhythm is None:
        return new
    return _rescaled(new, rhythm, bpm, seconds=rhythm.bpm / bpm)


def _same_bars(
    riff: Riff, old: Rhythm, bpm: float | None, meter: Meter | None, progress: Progress | None
) -> Riff | None:
    """What was heard, in the bars it has; None where its beats have to be found again."""
    if bpm is None:
        if meter is None or meter[1] == old.meter[1]:
            return None
        factor = _beats_per_beat(riff, old, meter)
        same = math.isclose(factor * old.meter[0], meter[0]) and _fits(riff, factor)
        return _rebarred(riff, old, meter, progress) if same else None
    for factor in (0.5, 2.0):
        if abs(bpm / (factor * old.bpm) - 1) <= _HALF_OR_DOUBLE:
            return _in_other_beats(riff, old, bpm, factor, meter, progress)
    if meter is None and 1 / _SAME_BARS <= bpm / old.bpm <= _SAME_BARS:
        new = _found_again(riff, bpm, old.meter, _bar_1_sec(riff), progress)
        return _with_rhythm(new, meter_choices=old.meter_choices)
    return None


def _in_other_beats(
    riff: Riff,
    old: Rhythm,
    bpm: float,
    factor: float,
    meter: Meter | None,
    progress: Progress | None,
) -> Riff:
    """``riff`` with ``factor`` times as many beats; bar 1 stays where it is."""
    if meter is None:
        meter = old.meter if _is_known(old) else _likelier_meter(riff, old, factor, progress)
    if _fits(riff, factor):
        return _rescaled(riff, old, bpm, beats=factor, meter=meter)
    # Finer notes than the score can hold are placed again.
    new = _found_again(riff, factor * old.bpm, meter, _bar_1_sec(riff), progress)
    return _with_rhythm(new, bpm=bpm)


def _likelier_meter(riff: Riff, old: Rhythm, factor: float, progress: Progress | None) -> Meter:
    """The meter as it is, or the one whose bars last as long as now, whichever the notes show."""
    rhythm = _found_again(riff, factor * old.bpm, None, None, progress).rhythm
    assert rhythm is not None
    chances = {choice.meter: choice.confidence for choice in rhythm.meter_choices}
    same_bar = [m for m in chances if m[0] == factor * old.meter[0] and m != old.meter]
    return max((old.meter, *same_bar), key=lambda m: chances.get(m, 0.0))


def _beats_per_beat(riff: Riff, old: Rhythm, meter: Meter) -> float:
    """How many beats of ``meter`` make one beat of the riff's meter.

    A quarter is two eighths, so that note values stay; but where the beat was divided in three,
    four quarters are twelve eighths (a compound meter; common practice, no source).
    """
    by_unit = meter[1] / old.meter[1]
    by_bar = meter[0] / old.meter[0]
    if by_unit != 2.0 or by_bar != 3.0 or meter[0] % 3:
        return by_unit
    starts = [note.onset_beat for note in riff.notes if note.onset_beat is not None]
    whole = [sum(abs(f * b - round(f * b)) < 1e-6 for b in starts) for f in (by_bar, by_unit)]
    return by_bar if whole[0] > whole[1] else by_unit


def _is_known(rhythm: Rhythm) -> bool:
    """Whether the meter comes from a score or from the player: then there was no choice."""
    return len(rhythm.meter_choices) < 2


def _bar_1_sec(riff: Riff) -> float | None:
    """Where bar 1 begins, in seconds; None where the riff is over before it does."""
    downs = riff.rhythm.downbeats_sec if riff.rhythm else ()
    end = max(note.offset_sec for note in riff.notes)
    return downs[0] if downs and 0.0 <= downs[0] <= end else None


def _fits(riff: Riff, factor: float) -> bool:
    """Whether every place that is multiplied is still one of the score's."""
    starts = [note.onset_beat for note in riff.notes if note.onset_beat is not None]
    ticks = [factor * _TICKS_PER_BEAT * start for start in starts]
    return len(starts) == len(riff.notes) and all(abs(t - round(t)) < 1e-6 for t in ticks)


# -- the three ways ----------------------------------------------------------------------------


def _rescaled(
    riff: Riff,
    old: Rhythm,
    bpm: float,
    *,
    beats: float = 1.0,
    seconds: float = 1.0,
    meter: Meter | None = None,
) -> Riff:
    """``riff`` with score times ``beats`` times and seconds ``seconds`` times what they were.

    Beat 0 stays where it is. ``bpm`` is what the rhythm says, whatever comes of the factors.
    """
    meter = meter or old.meter
    rhythm = dataclasses.replace(
        old,
        bpm=bpm,
        meter=meter,
        beats_sec=tuple(seconds * t for t in old.beats_sec),
        downbeats_sec=tuple(seconds * t for t in old.downbeats_sec),
    )
    if seconds != 1.0 and old.bpm_choices:
        rhythm = dataclasses.replace(rhythm, bpm_choices=(TempoChoice(bpm, meter, 1.0),))
    notes = tuple(
        dataclasses.replace(
            note, onset_sec=seconds * note.onset_sec, offset_sec=seconds * note.offset_sec
        )
        for note in riff.notes
    )
    if beats != 1.0:
        notes = tuple(
            dataclasses.replace(
                note,
                onset_beat=beats * (note.onset_beat or 0.0),
                duration_beat=max(1, round(beats * (note.duration_beat or 0.0) * _TICKS_PER_BEAT))
                / _TICKS_PER_BEAT,
            )
            for note in notes
        )
    if beats != 1.0 or meter != old.meter:
        # The first and last notes must not lie outside the beats.
        onsets = [note.onset_beat or 0.0 for note in notes]
        ends = Clock(old).beat(np.array(old.beats_sec)[[0, -1]]) * beats
        first = min(math.ceil(ends[0]), math.floor(min(onsets)))
        last = max(math.floor(ends[1]), math.ceil(max(onsets)), first + 1)
        numbers = np.arange(first, last + 1)
        times = seconds * Clock(old).sec(numbers / beats)
        rhythm = dataclasses.replace(
            rhythm,
            beats_sec=tuple(times.tolist()),
            downbeats_sec=tuple(times[(numbers >= 0) & (numbers % meter[0] == 0)].tolist()),
            phrases=tuple(
                dataclasses.replace(p, start_beat=beats * p.start_beat, end_beat=beats * p.end_beat)
                for p in old.phrases
            ),
            swing=None,  # what swung were the halves of the old beats, which are halves no longer
            pickup_beats=beats * old.pickup_beats,
        )
    drone = riff.drone and dataclasses.replace(
        riff.drone,
        start_sec=seconds * riff.drone.start_sec,
        end_sec=seconds * riff.drone.end_sec,
    )
    source = riff.source
    if source is not None and source.duration_sec:
        source = dataclasses.replace(source, duration_sec=seconds * source.duration_sec)
    return dataclasses.replace(riff, rhythm=rhythm, notes=notes, drone=drone, source=source)


def _rebarred(riff: Riff, old: Rhythm, meter: Meter, progress: Progress | None) -> Riff:
    """``riff`` in the bars of ``meter``, with their phrases; its meter is no guess any more."""
    from transcribe.rhythm.phrases import find_phrases

    factor = _beats_per_beat(riff, old, meter)
    bpm = factor * old.bpm
    if not _fits(riff, factor):
        return _found_again(riff, bpm, meter, _bar_1_sec(riff), progress)
    new = _rescaled(riff, old, bpm, beats=factor, meter=meter)
    return _with_rhythm(
        new,
        phrases=find_phrases(new.notes, meter=meter),
        bpm_choices=(TempoChoice(bpm, meter, 1.0),) if old.bpm_choices else (),
        meter_choices=(MeterChoice(meter, 1.0),) if old.meter_choices else (),
    )


def _found_again(
    riff: Riff,
    bpm: float | None,
    meter: Meter | None,
    first_beat_sec: float | None,
    progress: Progress | None,
) -> Riff:
    """``riff`` with the rhythm that its notes show when this much is known."""
    from transcribe.rhythm import find_rhythm

    end = max(note.offset_sec for note in riff.notes)
    duration = riff.source.duration_sec if riff.source else None
    unknown = riff.drone is None and riff.player.drone != "off"
    ringing = None if unknown else drone_pitches(riff.drone, riff.instrument)
    rhythm, notes = find_rhythm(
        riff.notes,
        duration_sec=max(end, duration or 0.0),
        bpm=bpm,
        meter=meter,
        first_beat_sec=first_beat_sec,
        drone_midi=ringing,
        progress=progress,
    )
    old = riff.rhythm
    if old is not None:
        # Taps before the music are heard in the recording, which is not listened to here.
        taps = rhythm.count_in_sec or old.count_in_sec
        rhythm = dataclasses.replace(rhythm, count_in_sec=taps, extra=old.extra)
    return dataclasses.replace(riff, rhythm=rhythm, notes=notes)


def _with_rhythm(riff: Riff, **changes: Any) -> Riff:
    assert riff.rhythm is not None
    return dataclasses.replace(riff, rhythm=dataclasses.replace(riff.rhythm, **changes))
