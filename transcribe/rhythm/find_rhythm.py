"""From notes in seconds to notes in beats: tempo, meter, bars, note values and phrases.

Conventions: times in seconds (``_sec``) and in beats (``_beat``); a beat is one unit of the
meter's denominator; beat 0 is the first downbeat and a pickup has negative beats. Score times are
whole multiples of 1/24 beat (1/3 beat is the float 8/24).
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from transcribe.core.clock import check_bpm
from transcribe.core.errors import ParameterError
from transcribe.core.riff import MeterChoice, Note, Rhythm, Swing, TempoChoice, sort_notes
from transcribe.core.score_place import counted_beats
from transcribe.rhythm import count_in
from transcribe.rhythm.bar_evidence import METERS, pulse_beats
from transcribe.rhythm.beats import TICKS, Grid, Track, smooth, track
from transcribe.rhythm.events import Events, group_events, skip_cost
from transcribe.rhythm.meter import Candidates, read_candidates, weigh
from transcribe.rhythm.pauses import begin_again, pauses
from transcribe.rhythm.phrases import find_phrases
from transcribe.rhythm.quantise import (
    PER_BEAT,
    QuantisedOnsets,
    quantise_durations,
    quantise_onsets,
    unswing_ticks,
)
from transcribe.rhythm.strumming import strum_directions

__all__ = ["METERS", "find_rhythm"]

_ON_BEAT_SEC = 0.05  # a note this near to the first beat that was asked for is on it
_FIXED_EVENTS = 400.0  # how many events the first beat that was asked for weighs
_MAX_CHOICES = 5

_USUAL_BPM = 100.0  # where nothing tells the tempo
_BPM_OFF = 0.1  # share by which the notes may differ from a tempo that is given
_TAP_NATS = (5.0, 2.0)  # for a reading whose pulse the taps beat; or its beats, or every other one
_TAP_OFF = 0.1  # share by which a tap may differ from that
_TAP_ON_1_NATS, _NEAR_1_PULSES = 3.0, 0.3  # for one whose bar begins where the next tap would be
_TAP_BAR_NATS, _OVER_BAR_BEATS = 1.0, 0.2  # for one whose bars the taps fill
_SAME_TEMPO_LOG = 0.06  # natural logarithm of the ratio of two tempi that are one
_SAME_DOWNBEAT_BEATS = 0.2


def find_rhythm(
    notes: Sequence[Note],
    *,
    duration_sec: float,
    y: Any = None,
    sr: int | None = None,
    bpm: float | None = None,
    meter: tuple[int, int] | None = None,
    first_beat_sec: float | None = None,
    drone_midi: Collection[int] | None = None,
    ends_known: bool = False,
    progress: Callable[[str, float], None] | None = None,
) -> tuple[Rhythm, tuple[Note, ...]]:
    """Beats, bars, note values and phrases of ``notes``.

    Parameters
    ----------
    notes : sequence of Note
        In seconds; any order. String and fret are not needed.
    duration_sec : float
        Length of the recording.
    y, sr : array (n,) and sample rate, optional
        The recording; only used to find a count-in before the first note.
    bpm, meter, first_beat_sec : optional
        What the player says. ``bpm`` counts units of the meter's denominator or, where no meter
        is given, beats as they are counted, which are dotted in a 6/8; the rhythm then carries
        exactly this tempo, while its beats follow the take. ``meter`` may be any.
        ``first_beat_sec`` is the time of beat 0; notes before it are a pickup.
    drone_midi : collection of int, 0-127, optional
        Pitches of the drone, none where it is known that nothing drones. By default a pitch that
        rings on under the rest is looked for, on whichever string it lies.
    ends_known : bool
        Whether a note's end is where it was let go, as in played MIDI; a string that is not damped
        rings on, and its note is written up to the next.

    Returns
    -------
    rhythm : Rhythm
        With its confidence, the tempos and meters that were weighed, swing, count-in and pickup.
    notes : tuple of Note
        The same notes, sorted, with ``onset_beat``, ``duration_beat`` and, where they are strummed
        and carry none, ``stroke``; seconds are untouched.

    Raises
    ------
    ParameterError
        If ``bpm`` is not within 20-600, the meter is not two positive whole numbers with a
        denominator of 2, 4, 8 or 16, or the first beat is not within the recording.
    """
    _check(duration_sec, bpm, meter, first_beat_sec)
    ordered = sort_notes(list(notes))
    if not ordered:
        return Rhythm(bpm=float(bpm or 120.0), meter=meter or (4, 4), confidence=0.0), ()
    report = progress or (lambda stage, share: None)
    report("rhythm", 0.0)
    taps = count_in.from_notes(ordered)
    tap_sec = tuple(n.onset_sec for n in ordered[:taps])
    music = ordered[taps:]
    if not tap_sec and y is not None and sr is not None:
        tap_sec = count_in.from_audio(y, sr=sr, first_sec=music[0].onset_sec)
    pitches = None if drone_midi is None else frozenset(drone_midi)
    asked = _Given(bpm, meter, first_beat_sec, tap_sec)
    events, fixed = _events(music, pitches, first_beat_sec)
    reading = _read(events, asked, fixed, lambda share: report("rhythm", 0.8 * share))
    report("rhythm", 0.85)
    placed = quantise_onsets(
        _times(events, fixed, first_beat_sec),
        reading.grid,
        meter=reading.meter,
        swing=reading.swing,
        weight=_weight(events, fixed),
        fixed=fixed,
    )
    lengths = quantise_durations(music, events, placed, reading.meter, ends_known=ends_known)
    return _document(ordered, music, events, placed, lengths, reading, asked, report)


def _check(
    duration_sec: float,
    bpm: float | None,
    meter: tuple[int, int] | None,
    first_beat_sec: float | None,
) -> None:
    if bpm is not None:
        check_bpm(bpm)
    if meter is not None and (
        len(meter) != 2 or not 1 <= meter[0] <= 32 or meter[1] not in (2, 4, 8, 16)
    ):
        raise ParameterError(
            f"meter is {meter!r}, expected beats over 2, 4, 8 or 16, such as (3, 4)",
            parameter="meter",
        )
    if first_beat_sec is not None and not 0 <= first_beat_sec <= max(duration_sec, 0):
        raise ParameterError(
            f"first_beat_sec is {first_beat_sec!r}, expected 0 to {duration_sec:g}, "
            "the length of the recording",
            parameter="first_beat_sec",
        )


@dataclass(frozen=True)
class _Given:
    bpm: float | None
    meter: tuple[int, int] | None
    first_beat_sec: float | None
    tap_sec: tuple[float, ...]


@dataclass(frozen=True)
class _Reading:
    """The chosen reading: a grid in score ticks, and what else it might have been."""

    grid: Grid
    meter: tuple[int, int]
    swing: float
    confidence: float
    bpm_choices: tuple[tuple[float, tuple[int, int], float], ...]
    meter_choices: tuple[tuple[tuple[int, int], float], ...]


def _events(
    music: Sequence[Note], pitches: frozenset[int] | None, first_beat_sec: float | None
) -> tuple[Events, int | None]:
    """Events of the music; if a first beat is asked for where no note is, an event without notes
    stands there. Also its index."""
    events = group_events(music, pitches)
    if first_beat_sec is None:
        return events, None
    near = int(np.argmin(np.abs(events.onset_sec - first_beat_sec)))
    if abs(events.onset_sec[near] - first_beat_sec) <= _ON_BEAT_SEC:
        return events, near
    at = int(np.searchsorted(events.onset_sec, first_beat_sec))
    put = {
        "onset_sec": first_beat_sec,
        "size": 1,
        "bass": False,
        "loud": 0.0,
        "length_sec": 0.1,
        "sure": 1.0,
    }
    changed: dict[str, Any] = {k: np.insert(getattr(events, k), at, v) for k, v in put.items()}
    changed["members"] = (*events.members[:at], (), *events.members[at:])
    changed["pitches"] = (*events.pitches[:at], frozenset(), *events.pitches[at:])
    changed["owner"] = np.where(events.owner >= at, events.owner + 1, events.owner)
    return dataclasses.replace(events, **changed), at


def _times(events: Events, fixed: int | None, first_beat_sec: float | None) -> np.ndarray:
    times = events.onset_sec.copy()
    if fixed is not None and first_beat_sec is not None:
        times[fixed] = first_beat_sec
    return times


def _weight(events: Events, fixed: int | None) -> np.ndarray:
    weight = np.clip(events.sure, 0.1, 1.0)
    if fixed is not None:
        weight[fixed] = _FIXED_EVENTS
    return weight


def _read(
    events: Events, asked: _Given, fixed: int | None, report: Callable[[float], None]
) -> _Reading:
    bpm = asked.bpm
    times = _times(events, fixed, asked.first_beat_sec)
    tracks: list[Track] = []
    dotted = asked.meter is None
    if bpm is None:
        tracks = track(times, skip_cost=skip_cost(events), progress=report)
    else:
        bounds = (60 / bpm * (1 - _BPM_OFF), 60 / bpm * (1 + _BPM_OFF))
        tracks = track(times, skip_cost=skip_cost(events), period_sec=bounds, progress=report)
    if not tracks:
        return _without_candidates(times, asked, fixed)
    meters = METERS if asked.meter is None else (asked.meter,)
    events = dataclasses.replace(events, onset_sec=times)
    found = read_candidates(
        events, tracks, bpm=bpm, dotted=dotted, meters=meters, first_beat_sec=asked.first_beat_sec
    )
    if not len(found):  # a meter of long or short beats that the tracks do not offer
        found = read_candidates(
            events,
            tracks,
            bpm=bpm or 60 / tracks[0].period_sec,
            dotted=dotted,
            meters=meters,
            first_beat_sec=asked.first_beat_sec,
        )
    if not len(found):
        return _without_candidates(times, asked, fixed)
    chance = weigh(found)
    if len(asked.tap_sec) >= 2:
        chance = chance * np.exp(_tap_evidence(found, asked.tap_sec))
        chance /= chance.sum()
    return _choose_reading(found, chance, events, fixed)


def _without_candidates(times: np.ndarray, asked: _Given, fixed: int | None) -> _Reading:
    """One event, or none that can be compared: the tempo that is asked for, or 100."""
    start = times[0] if fixed is None else times[fixed]
    bpm = asked.bpm or (
        60 / np.median(np.diff(asked.tap_sec)) if len(asked.tap_sec) > 1 else _USUAL_BPM
    )
    grid = Grid(0, PER_BEAT, start + 60 / bpm * np.arange(2))
    meter = asked.meter or (4, 4)
    return _Reading(grid, meter, 0.5, 0.0, ((float(bpm), meter, 0.0),), ((meter, 0.0),))


def _tap_evidence(found: Candidates, tap_sec: tuple[float, ...]) -> np.ndarray:
    """Nats for the readings that agree with a count-in: taps on beats, the next one on 1."""
    gap = float(np.median(np.diff(tap_sec)))
    out = np.zeros(len(found))
    for i in range(len(found)):
        meter = found.meters[found.meter[i]]
        per_tap = gap * found.bpm[i] / 60
        pulse = pulse_beats(meter)
        if abs(per_tap / pulse - 1) < _TAP_OFF:
            out[i] += _TAP_NATS[0]
        elif abs(per_tap - 1) < _TAP_OFF or abs(per_tap / 2 / pulse - 1) < _TAP_OFF:
            out[i] += _TAP_NATS[1]
        tick = float(found.grids[found.track[i]].tick(tap_sec[-1] + gap))
        beat = (tick - found.offset[i]) / (TICKS * found.factor[i]) - found.down[i]
        if abs((beat + meter[0] / 2) % meter[0] - meter[0] / 2) < _NEAR_1_PULSES * pulse:
            out[i] += _TAP_ON_1_NATS
        if len(tap_sec) * per_tap % meter[0] < _OVER_BAR_BEATS:
            out[i] += _TAP_BAR_NATS
    return out


def _clusters(found: Candidates, chance: np.ndarray) -> list[tuple[float, list[int]]]:
    """Readings of the same tempo (within 6 %): (probability, indices), likeliest first.

    Several tracks tell the same story, so that tempo is chosen by what all of them say.
    """
    groups: list[list[int]] = []
    for i in np.argsort(-chance):
        if chance[i] < 1e-4 and groups:
            break
        for group_ in groups:
            if abs(math.log(found.bpm[group_[0]] / found.bpm[i])) < _SAME_TEMPO_LOG:
                group_.append(int(i))
                break
        else:
            groups.append([int(i)])
    summed = [(float(chance[g].sum()), g) for g in groups]
    return sorted(summed, key=lambda e: -e[0])


def _pick(
    found: Candidates, chance: np.ndarray, start_sec: float, rows: Sequence[int]
) -> tuple[int, float]:
    """The best of ``rows``: first the likeliest meter, then the likeliest downbeat. Its index and
    the probability of all readings that agree with it."""
    weight = np.bincount(found.meter[rows], weights=chance[rows])
    mine = [i for i in rows if found.meter[i] == int(np.argmax(weight))]
    bar = found.meters[found.meter[mine[0]]][0]
    phase = []
    for i in mine:
        tick = float(found.grids[found.track[i]].tick(start_sec)) - found.offset[i]
        phase.append(tick / (TICKS * found.factor[i]) - found.down[i])
    off = np.array(phase)
    agree = np.abs((off[:, None] - off[None] + bar / 2) % bar - bar / 2) < _SAME_DOWNBEAT_BEATS
    total = agree @ chance[mine]
    best = int(np.argmax(total))
    same = [i for i, ok in zip(mine, agree[best], strict=True) if ok]
    return max(same, key=lambda i: chance[i]), float(total[best])


def _choose_reading(
    found: Candidates, chance: np.ndarray, events: Events, fixed: int | None
) -> _Reading:
    times = events.onset_sec
    tempi = _clusters(found, chance)
    best, confidence = _pick(found, chance, float(times[0]), tempi[0][1])
    tr = found.tracks[found.track[best]]
    meter = found.meters[found.meter[best]]
    beats = (tr.beats * TICKS - found.offset[best]) / (TICKS * found.factor[best])
    beats = beats - found.down[best]
    bar = meter[0]
    beats = begin_again(events, beats, meter, float(found.bpm[best]), fixed)
    if fixed is not None:
        beats = beats - round(float(beats[fixed]))
    else:
        pickup = -float(beats[0]) % bar
        shift = -pickup if 1e-6 < pickup <= bar / 2 else (-pickup) % bar
        beats = beats - beats[0] + shift
    weight = np.where(tr.skipped, 1e-3, 1.0)
    if fixed is not None:
        weight[fixed] = _FIXED_EVENTS
    grid = smooth(times, beats * PER_BEAT, step=PER_BEAT, weight=weight)
    if fixed is None and float(grid.at(0)) < 0 < beats[0]:
        grid = Grid(grid.first - bar * PER_BEAT, grid.step, grid.time_sec)
    choices = []
    for share, rows in tempi[:_MAX_CHOICES]:
        pick, _ = _pick(found, chance, float(times[0]), rows)
        choices.append((float(found.bpm[pick]), found.meters[found.meter[pick]], share))
    by_meter = np.bincount(found.meter, weights=chance, minlength=len(found.meters))
    ranked = sorted(zip(found.meters, by_meter.tolist(), strict=True), key=lambda e: -e[1])
    return _Reading(grid, meter, tr.swing, confidence, tuple(choices), tuple(ranked))


def _document(
    ordered: Sequence[Note],
    music: Sequence[Note],
    events: Events,
    placed: QuantisedOnsets,
    lengths: np.ndarray,
    reading: _Reading,
    asked: _Given,
    report: Callable[[str, float], None],
) -> tuple[Rhythm, tuple[Note, ...]]:
    out = []
    ways = strum_directions(music, events.members, placed.ticks, reading.meter)
    for k, note in enumerate(music):
        out.append(
            dataclasses.replace(
                note,
                stroke=note.stroke or ways[events.owner[k]],
                onset_beat=float(placed.ticks[events.owner[k]]) / PER_BEAT,
                duration_beat=float(lengths[k]) / PER_BEAT,
            )
        )
    taps = ordered[: len(ordered) - len(music)]
    for note in reversed(taps):
        tick = unswing_ticks(placed.grid.tick(note.onset_sec), placed.swing)
        beat = float(np.rint(tick / PER_BEAT * 2)) / 2
        out.insert(0, dataclasses.replace(note, onset_beat=beat, duration_beat=0.5))
    report("rhythm", 0.9)
    phrases = find_phrases(out[len(taps) :], meter=reading.meter)
    beats, downbeats = _beats(placed, music, reading.meter, asked.first_beat_sec)
    bpm = _mean_bpm(placed, reading)
    if asked.bpm is not None:
        # Of the beats and the dotted beats that it may have counted, those that were found.
        said = (asked.bpm, asked.bpm * counted_beats(reading.meter))
        bpm = (
            min(said, key=lambda told: abs(math.log(told / bpm)))
            if asked.meter is None
            else said[0]
        )
    rhythm = Rhythm(
        float(bpm),
        reading.meter,
        beats,
        downbeats,
        phrases,
        confidence=round(reading.confidence, 3),
        bpm_choices=tuple(
            TempoChoice(round(b, 1), m, round(c, 3)) for b, m, c in reading.bpm_choices
        ),
        meter_choices=tuple(MeterChoice(m, round(c, 3)) for m, c in reading.meter_choices),
        swing=_swing(placed.swing),
        count_in_sec=tuple(round(t, 3) for t in asked.tap_sec),
        pickup_beats=max(0.0, -float(placed.ticks[0]) / PER_BEAT),
    )
    report("rhythm", 1.0)
    return rhythm, tuple(out)


def _mean_bpm(placed: QuantisedOnsets, reading: _Reading) -> float:
    ticks = placed.ticks
    if ticks[-1] - ticks[0] < PER_BEAT:
        return reading.bpm_choices[0][0]
    sec = placed.grid.at(ticks.astype(float))
    played = np.ones(len(ticks) - 1, dtype=bool)
    after = pauses(sec, ticks / PER_BEAT, reading.meter[0])
    if len(after) < len(played):
        played[after - 1] = False
    return float(60 * np.diff(ticks)[played].sum() / PER_BEAT / np.diff(sec)[played].sum())


def _beats(
    placed: QuantisedOnsets,
    music: Sequence[Note],
    meter: tuple[int, int],
    first_beat_sec: float | None,
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Beats from the one at or before the first note (or beat 0) to the end of the last note."""
    first = min(0, math.floor(placed.ticks[0] / PER_BEAT))
    end = max(n.offset_sec for n in music)
    last = math.ceil(max(float(placed.grid.tick(end)), float(placed.ticks[-1])) / PER_BEAT)
    number = np.arange(first, last + 1)
    time = placed.grid.at(number * float(PER_BEAT))
    needed = (time <= end) | (number <= max(0, placed.ticks[-1] // PER_BEAT))
    number, time = number[needed], time[needed]
    if first_beat_sec is not None:
        # The neighbours give way if the asked time would overtake them.
        time = np.where(number < 0, np.minimum(time, first_beat_sec + 1e-3 * number), time)
        time = np.where(number > 0, np.maximum(time, first_beat_sec + 1e-3 * number), time)
        time[number == 0] = first_beat_sec
    downbeats = time[(number >= 0) & (number % meter[0] == 0)]
    return tuple(float(t) for t in time), tuple(float(t) for t in downbeats)


def _swing(share: float) -> Swing | None:
    """Swing of a grid whose first half of the beat is ``share`` of it; None where it is even."""
    return None if share == 0.5 else Swing(round(share / (1 - share), 2), round(share, 3))
