"""Sound to practise with: a riff or a few bars of it at one speed after another, time and again.

Conventions: times in seconds, beats and bars as in `transcribe.core.riff`, sound as float32 mono,
speeds as shares of the riff's own tempo (0.6 is 60 %).

Everything is laid on one timeline: at each speed a bar is counted in, then the part is played so
many times in tempo, with a click on every beat. What is played is the tab on synthesised strings,
the player's own take, or something to improvise over.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from transcribe.core.clock import Clock
from transcribe.core.errors import ParameterError
from transcribe.core.pitch import pitch_class
from transcribe.core.riff import Note, Riff
from transcribe.sound.examples import loop_round
from transcribe.sound.playback import render_riff
from transcribe.sound.slowing import FASTEST, SLOWEST, change_speed

__all__ = [
    "CAUTION",
    "CEILING",
    "VOICES",
    "PracticeSound",
    "Round",
    "Voice",
    "check_stretch",
    "play_rounds",
]

Array = npt.NDArray[Any]
Progress = Callable[[str, float], None]

Voice = Literal["tab", "take", "drone", "chords"]
VOICES: tuple[Voice, ...] = ("tab", "take", "drone", "chords")
"""What can be played."""

CEILING = 0.9
"""No sample is larger, of full scale 1."""

CAUTION = (
    "Begin quietly and turn it up slowly, above all in headphones: loud sound can harm your "
    "hearing, and a ringing ear is a reason to stop and ask a clinician."
)
"""What stands wherever these sounds are made or played."""

_CLICK_PEAK = 0.2
_VOICE_PEAK = CEILING - _CLICK_PEAK
_RMS = 0.08  # of what sounds, -22 dB of full scale: the tab and the take are equally loud
_SOUNDING = 0.003  # of the peak; what is softer counts as silence
_CLICK_SEC = 0.04
_CLICK_HZ = (1760.0, 1175.0)  # on the first beat of the bar, and on the others
_TAIL_SEC = 1.5
_LEAD_SEC = 0.06  # a part begins this long before its first attack, as on the page
_FADE_SEC = 0.02
_DRONE_BARS = 4
_LONGEST_SEC = 3600.0


@dataclass(frozen=True, slots=True)
class Round:
    """Once through the part: from ``start_sec`` to ``end_sec`` of the sound, at ``speed``."""

    start_sec: float
    end_sec: float
    speed: float


@dataclass(frozen=True, slots=True, eq=False)
class PracticeSound:
    """What `transcribe.practice_sound` makes: ``y`` float32 mono ``(n,)`` at ``sr`` Hz.

    ``rounds`` are the times that the part is played, in order; ``clicks_sec`` are the moments of
    the clicks, those of the count-in too.
    """

    y: Array
    sr: int
    rounds: tuple[Round, ...]
    clicks_sec: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class _Part:
    """A stretch of a riff in its own seconds, with the notes that begin in it and its beats."""

    start_sec: float
    end_sec: float
    notes: tuple[Note, ...]
    beats_sec: tuple[float, ...]
    per_bar: int

    @property
    def count_sec(self) -> float:
        """Seconds from beat to beat at its start; 0 where no beats are known."""
        return self.beats_sec[1] - self.beats_sec[0] if len(self.beats_sec) > 1 else 0.0


def play_rounds(
    riff: Riff,
    *,
    play: Voice = "tab",
    speeds: Sequence[float] = (1.0,),
    times: int = 4,
    bars: tuple[int, int] | None = None,
    phrase: str | None = None,
    take: Array | None = None,
    sr: int = 44100,
    click: bool = True,
    count_in: bool = True,
    progress: Progress | None = None,
) -> PracticeSound:
    """The timeline of `transcribe.api.practice_sound`, which says what each argument is.

    ``take`` is here the recording itself, float32 mono ``(n,)`` at ``sr`` Hz, and the chord loop
    must be in the riff's theory.

    Raises
    ------
    ParameterError
        If there is nothing to play, or an argument is out of range.
    """
    if play not in VOICES:
        raise ParameterError(f"{play!r} cannot be played; choose one of {', '.join(VOICES)}")
    if not speeds or not all(SLOWEST <= speed <= FASTEST for speed in speeds):
        raise ParameterError(
            f"a speed is {SLOWEST:.0%} to {FASTEST:.0%} of the tempo, not "
            f"{', '.join(f'{speed:.0%}' for speed in speeds) or 'none'}"
        )
    if not 1 <= times <= 99:
        raise ParameterError(f"a part is played 1 to 99 times, not {times}")
    if not riff.notes:
        raise ParameterError("there are no notes to play")
    part = _backing(riff, play) if play in ("drone", "chords") else _part(riff, bars, phrase)
    length = part.end_sec - part.start_sec
    whole = sum(times * length / speed for speed in speeds)
    if not whole <= _LONGEST_SEC:
        raise ParameterError(
            f"that would last {whole / 60:.0f} minutes, and an hour is the most; play it fewer "
            "times or fewer bars of it"
        )
    counted = part.per_bar * part.count_sec if count_in else 0.0
    rounds: list[Round] = []
    clicks: list[tuple[float, bool]] = []
    pieces: list[tuple[float, Array]] = []
    now = 0.0
    for k, speed in enumerate(speeds):
        if counted:
            clicks += [(now + i * part.count_sec / speed, i == 0) for i in range(part.per_bar)]
            now += counted / speed
        starts = [now + turn * length / speed for turn in range(times)]
        rounds += [Round(start, start + length / speed, speed) for start in starts]
        if click:
            clicks += [
                (start + (sec - part.start_sec) / speed, i % part.per_bar == 0)
                for start in starts
                for i, sec in enumerate(part.beats_sec)
            ]
        if play == "take":
            pieces += _of_take(take, part, riff, speed, starts, sr, progress)
        else:
            pieces.append(_of_strings(part, riff, speed, starts, sr, progress))
        now += times * length / speed
        if progress is not None:
            progress("practice sound", (k + 1) / len(speeds))
    y = np.zeros(round((now + _TAIL_SEC) * sr), np.float32)
    for at, piece in pieces:
        _add(y, piece, at, sr)
    y *= np.float32(min(1.0, _VOICE_PEAK / max(float(np.abs(y).max()), 1e-9)))
    for at, strong in clicks:
        _add(y, _click(strong, sr), at, sr)
    return PracticeSound(y, sr, tuple(rounds), tuple(sorted(at for at, _ in clicks)))


def check_stretch(riff: Riff, bars: tuple[int, int] | None, phrase: str | None = None) -> None:
    """Refuse bars or a phrase that ``riff`` does not have, before anything is played.

    Raises
    ------
    ParameterError
        If the tab or the take cannot be played so.

    Examples
    --------
    >>> notes = (Note(1, 0.0, 0.5, 57, onset_beat=0.0),)
    >>> check_stretch(Riff(notes=notes), None)
    """
    if not riff.notes:
        raise ParameterError("there are no notes to play")
    _part(riff, bars, phrase)


def _part(riff: Riff, bars: tuple[int, int] | None, phrase: str | None) -> _Part:
    """The stretch of ``riff`` that is played: some bars, a phrase, or all of it in whole bars."""
    if riff.rhythm is None:
        if bars is not None or phrase is not None:
            raise ParameterError(
                "this riff has no bars yet: play the whole of it, or give it a tempo and a meter"
            )
        start = riff.notes[0].onset_sec
        end = max(note.offset_sec for note in riff.notes)
        return _Part(start, end, riff.notes, (), 4)
    clock, per = Clock(riff.rhythm), riff.rhythm.meter[0]
    beat_of = {
        note.id: clock.beat(note.onset_sec) if note.onset_beat is None else note.onset_beat
        for note in riff.notes
    }
    first, last = (int((edge(beat_of.values()) + 1e-6) // per) for edge in (min, max))
    low, high = float(first * per), float((last + 1) * per)
    where = "the riff"
    if phrase is not None:
        found = [each for each in riff.rhythm.phrases if each.label == phrase]
        if not found:
            labels = ", ".join(dict.fromkeys(each.label for each in riff.rhythm.phrases))
            raise ParameterError(f"no phrase is called {phrase!r}; there are {labels or 'none'}")
        low, high, where = found[0].start_beat, found[0].end_beat, f"phrase {phrase}"
    elif bars is not None:
        if not first + 1 <= bars[0] <= bars[1] <= last + 1:
            raise ParameterError(
                f"bars {bars[0]} to {bars[1]} are not there; the riff has bars {first + 1} to "
                f"{last + 1}"
            )
        low, high, where = (bars[0] - 1) * per, bars[1] * per, f"bars {bars[0]} to {bars[1]}"
    notes = tuple(n for n in riff.notes if low - 1e-6 <= beat_of[n.id] < high - 1e-6)
    if not notes:
        raise ParameterError(f"no note begins in {where}")
    count = max(1, round(high - low))
    beats = tuple(clock.sec(low + i) for i in range(count))
    return _Part(clock.sec(low), clock.sec(high), notes, beats, per)


def _backing(riff: Riff, play: str) -> _Part:
    """What is improvised over, at a steady tempo: the chord loop, or bars of the drone."""
    per, bpm = (riff.rhythm.meter[0], riff.rhythm.bpm) if riff.rhythm else (4, 100.0)
    bar_sec = per * 60.0 / bpm
    if play == "chords":
        notes, span = loop_round(riff)
    else:
        places = _drone_places(riff)
        span = _DRONE_BARS * bar_sec
        notes = [
            Note(0, bar * bar_sec, (bar + 1) * bar_sec, pitch, string=string, fret=fret)
            for bar in range(_DRONE_BARS)
            for pitch, string, fret in places
        ]
    beats = tuple(np.arange(0.0, span - 1e-6, bar_sec / per).tolist())
    return _Part(0.0, span, tuple(notes), beats, per)


def _drone_places(riff: Riff) -> list[tuple[int, int, int]]:
    """Pitch, string and fret of the drone's strings, else of the low tonic and its fifth."""
    neck = riff.instrument
    if riff.drone is not None:
        strings = (riff.drone.string, *riff.drone.other_strings)
        return [(neck.pitch_midi(string, 0), string, 0) for string in strings]
    tonic = ((riff.theory or {}).get("mode") or {}).get("tonic")
    if not tonic:
        raise ParameterError(
            "this riff has no drone, and no mode was found whose tonic could be it"
        )
    low = min(neck.open_midi) + neck.capo
    root = low + (pitch_class(str(tonic)) - low) % 12
    found: list[tuple[int, int, int]] = []
    for pitch in (root, root + 7):
        free = [p for p in neck.places(pitch) if p[0] not in [string for _, string, _ in found]]
        if free:
            string, fret = min(free, key=lambda place: place[1])
            found.append((pitch, string, fret))
    return found


def _of_strings(
    part: _Part,
    riff: Riff,
    speed: float,
    starts: Sequence[float],
    sr: int,
    progress: Progress | None,
) -> tuple[float, Array]:
    """The part on synthesised strings, every round of one speed, and when that sound begins."""
    ahead = 1.0  # seconds of the riff, for a first note that is struck before its beat
    length = part.end_sec - part.start_sec
    notes: list[Note] = []
    for turn in range(len(starts)):
        move = ahead - part.start_sec + turn * length
        for note in part.notes:
            onset, offset = note.onset_sec + move, note.offset_sec + move
            if onset >= 0:
                number = len(notes) + 1
                notes.append(
                    dataclasses.replace(note, id=number, onset_sec=onset, offset_sec=offset)
                )
    played = Riff(instrument=riff.instrument, notes=tuple(notes))
    y = render_riff(played, sr=sr, speed=speed, progress=progress)
    return starts[0] - ahead / speed, _levelled(y)


def _of_take(
    take: Array | None,
    part: _Part,
    riff: Riff,
    speed: float,
    starts: Sequence[float],
    sr: int,
    progress: Progress | None,
) -> list[tuple[float, Array]]:
    """The part of the recording at ``speed``, once for each round, and when each begins."""
    if take is None:
        raise ParameterError("there is no recording of this riff to play")
    after = [n.onset_sec for n in riff.notes if n.onset_sec > part.notes[-1].onset_sec]
    begin = _edge(riff, min(part.start_sec, part.notes[0].onset_sec))
    end = _edge(riff, min(part.end_sec, after[0])) if after else part.end_sec
    tail = 0.0 if after else _TAIL_SEC * speed
    first, last = round(begin * sr), round((end + tail) * sr)
    piece = take[max(0, first) : max(0, last)]
    if not np.any(piece):
        raise ParameterError("the recording is silent, or at an end, where this part is played")
    onsets = [note.onset_sec - begin for note in part.notes]
    slow = _levelled(change_speed(piece, sr=sr, speed=speed, onsets_sec=onsets, progress=progress))
    cut = round((end - begin) / speed * sr)
    rounds = [slow[:cut]] * (len(starts) - 1) + [slow]
    ahead = (part.start_sec - begin) / speed
    return [(at - ahead, _faded(y, sr)) for at, y in zip(starts, rounds, strict=True)]


def _edge(riff: Riff, first_sec: float) -> float:
    """Where to cut the recording before what begins at ``first_sec``: its attack is heard whole."""
    before = max((n.onset_sec for n in riff.notes if n.onset_sec < first_sec), default=-1.0)
    return max(0.0, first_sec - min(_LEAD_SEC, (first_sec - before) / 2))


def _levelled(y: Array) -> Array:
    """``y`` at the loudness that everything is played at."""
    peak = float(np.abs(y).max(initial=0.0))
    if peak == 0:
        return y
    sounding = y[np.abs(y) > _SOUNDING * peak]
    rms = float(np.sqrt(np.mean(sounding.astype(np.float64) ** 2)))
    return np.asarray(y * np.float32(min(_RMS / rms, _VOICE_PEAK / peak)))


def _faded(y: Array, sr: int) -> Array:
    """``y`` without a click at its edges."""
    y = y.copy()
    size = min(len(y) // 2, round(_FADE_SEC * sr))
    ramp = np.linspace(0.0, 1.0, size, dtype=np.float32)
    y[:size] *= ramp
    y[len(y) - size :] *= ramp[::-1]
    return y


def _click(strong: bool, sr: int) -> Array:
    t = np.arange(round(_CLICK_SEC * sr)) / sr
    rise = np.minimum(t / 0.001, 1.0)
    wave = np.sin(2 * np.pi * _CLICK_HZ[0 if strong else 1] * t) * rise * np.exp(-t / 0.008)
    return np.asarray(_CLICK_PEAK * (1.0 if strong else 0.7) * wave, np.float32)


def _add(y: Array, piece: Array, at_sec: float, sr: int) -> None:
    """Mix ``piece`` into ``y`` from ``at_sec`` on; what does not fit is left out."""
    at = round(at_sec * sr)
    piece = piece[max(0, -at) :]
    at = max(0, at)
    piece = piece[: max(0, len(y) - at)]
    y[at : at + len(piece)] += piece
