"""Played notes to sound: one voice per string, from the notes of a bank.

Conventions: times in seconds, sound float32 mono at 22.05 kHz (`banks.SR`). A note's onset is the
sample at which the attack of its recording begins, so labels are exact by construction; its
offset is moved to where its own level has fallen 40 dB below its peak, if that comes first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import fft

from transcribe.core.pitch import midi_to_hz
from transcribe.sound.plucked_string import StringModel, pluck
from transcribe.sound.voices import level_before, read_at
from transcribe.training.banks import SR, Bank, RecordedBank
from transcribe.training.phrases import PlayedNote
from transcribe.training.surroundings import PLAIN, Surroundings, level_without_strike, scratch

__all__ = [
    "Touch",
    "add_guitar_noise",
    "add_sympathy",
    "draw_touch",
    "moved_cents",
    "render",
    "smooth_gain",
]

Array = npt.NDArray[Any]

_DIED_DB = 40.0
_BLOCK = 220  # samples of one step of the level, 10 ms


@dataclass(frozen=True, slots=True)
class Touch:
    """How one player and guitar sound in one take.

    ``colour_db`` is the spread of each note's own smooth equaliser, ``softness`` how much of the
    treble soft notes lose, ``beating`` the depth of slow beating, ``decay`` the spread of extra
    decay (per second), ``out_of_tune_cents`` the spread over strings, ``note_cents`` over notes,
    ``pick_noise`` its level against the notes. ``attack_sec`` softens the attack, as flesh does.
    """

    colour_db: float = 0.0
    softness: float = 0.0
    beating: float = 0.0
    decay: float = 0.0
    out_of_tune_cents: float = 0.0
    note_cents: float = 0.0
    pick_noise: float = 0.0
    release_sec: tuple[float, float] = (0.02, 0.08)
    string_gain_db: float = 0.0
    legato_db: tuple[float, float] = (-4.0, 1.0)
    attack_sec: float = 0.0


def draw_touch(rng: np.random.Generator) -> Touch:
    """A player and guitar at random, from even to uneven."""
    return Touch(
        colour_db=float(rng.uniform(0.0, 7.0)),
        softness=float(rng.uniform(0.0, 1.0)),
        beating=float(rng.uniform(0.0, 0.35)),
        decay=float(rng.exponential(0.5)),
        out_of_tune_cents=float(rng.uniform(0.0, 6.0)),
        note_cents=float(rng.uniform(0.0, 5.0)),
        pick_noise=float(rng.exponential(0.03)),
        release_sec=(0.015, float(rng.uniform(0.04, 0.1))),
        string_gain_db=float(rng.uniform(0.0, 3.0)),
        attack_sec=float(rng.uniform(0.001, 0.012)) if rng.random() < 0.3 else 0.0,
    )


def smooth_gain(rng: np.random.Generator, freq_hz: Array, spread_db: float) -> Array:
    """A smooth random equaliser: gain at each frequency, about ``spread_db`` of deviation."""
    octave = np.log2(np.maximum(freq_hz, 20.0) / 20.0)
    knots = np.arange(0.0, 11.0, 0.8)
    values = rng.normal(0.0, spread_db, len(knots))
    return np.asarray(10.0 ** (np.interp(octave, knots, values) / 20.0), np.float32)


def moved_cents(note: PlayedNote, since_sec: Array) -> Array:
    """How far a bend or vibrato moves a note, in cents, ``since_sec`` (n,) after its onset."""
    cents = np.zeros(len(since_sec), since_sec.dtype)
    if note.curve:
        at, value = zip(*note.curve, strict=True)
        cents += np.interp(since_sec, at, value).astype(since_sec.dtype)
    if note.vibrato is not None:
        rate, depth, delay = note.vibrato
        after = np.maximum(since_sec - delay, 0.0)
        grow = np.clip(after / 0.2, 0.0, 1.0)
        # A finger can only bend upwards from the fret.
        cents += depth * grow * (0.5 - 0.5 * np.cos(2 * np.pi * rate * after))
    return cents


def _cents(
    note: PlayedNote, size: int, glide: tuple[float, float, bool] | None, hold: int
) -> Array | None:
    """Deviation in cents over the samples of a note; None where there is none.

    ``glide`` is (seconds, cents, stepped) of a slide that leaves the note at its end.
    """
    if not note.curve and note.vibrato is None and glide is None:
        return None
    t = np.arange(size, dtype=np.float32) / SR
    cents = moved_cents(note, t)
    if glide is not None:
        seconds, target, stepped = glide
        share = np.clip((t - (hold / SR - seconds)) / seconds, 0.0, 1.0)
        if stepped:
            steps = max(1, round(abs(target) / 100.0))
            share = np.floor(share * steps + 0.15) / steps
        cents += np.clip(share, 0.0, 1.0) * target
    return cents


class _Player:
    """Renders the notes of one take, string by string."""

    def __init__(
        self,
        notes: Sequence[PlayedNote],
        bank: Bank,
        rng: np.random.Generator,
        touch: Touch,
        offset_cents: float,
        size: int,
        around: Surroundings = PLAIN,
        around_rng: np.random.Generator | None = None,
    ) -> None:
        self.notes = list(notes)
        self.around = around
        # Its own generator: a take sounds the same with or without what surrounds its notes.
        self.around_rng = np.random.default_rng(0) if around_rng is None else around_rng
        struck = [n for n in notes if n.source is None]
        self.strikes = np.array([round(n.onset_sec * SR) for n in struck])
        self.strike_levels = np.array([0.3 * n.velocity**1.3 for n in struck])
        self.bank = bank
        self.rng = rng
        self.touch = touch
        self.offset_cents = offset_cents
        self.y = np.zeros(size, np.float32)
        self.string_level: dict[int, float] = {}  # what a string rings at, for legato to take over
        strings = sorted({note.string for note in notes})
        self.string_cents = {s: rng.normal(0.0, touch.out_of_tune_cents) for s in strings}
        self.string_gain = {
            s: 10.0 ** (rng.normal(0.0, touch.string_gain_db) / 20.0) for s in strings
        }
        self.slides = {
            note.source: i for i, note in enumerate(notes) if note.articulation == "slide"
        }
        self.followed = {note.source for note in notes if note.source is not None}
        self.next_on: dict[int, int] = {}
        last: dict[int, int] = {}
        for i, note in enumerate(notes):
            if note.string in last:
                self.next_on[last[note.string]] = i
            last[note.string] = i
        self.level_at = np.zeros(len(notes))

    def play(self) -> list[PlayedNote]:
        return [self._note(i, note) for i, note in enumerate(self.notes)]

    def _glide(self, index: int, note: PlayedNote) -> tuple[float, float, bool] | None:
        follower = self.slides.get(index)
        if follower is None:
            return None
        target = self.notes[follower]
        hold = note.offset_sec - note.onset_sec
        seconds = min(float(self.rng.uniform(0.03, 0.13)), 0.6 * hold)
        return seconds, 100.0 * (target.pitch_midi - note.pitch_midi), bool(self.rng.random() < 0.5)

    def _note(self, index: int, note: PlayedNote) -> PlayedNote:
        rng, touch = self.rng, self.touch
        onset = round(note.onset_sec * SR)
        hold = max(1, round(note.offset_sec * SR) - onset)
        follower = self.next_on.get(index)
        meets = follower is not None and self.notes[follower].onset_sec - note.offset_sec < 0.012
        # A string that is struck again stops when the pick lands, a moment before it sounds.
        if index in self.followed:
            release = round(0.006 * SR)
        elif meets:
            release = round(rng.uniform(0.002, 0.01) * SR)
            hold = max(1, hold - release - self._rest(hold, follower))
        else:
            release = round(rng.uniform(*touch.release_sec) * SR)
        dead = note.articulation == "dead"
        if dead:
            hold, release = round(0.01 * SR), round(0.04 * SR)
        room = len(self.y) - onset
        rings_on = 0
        if index not in self.followed and not dead:
            until = self.notes[follower].onset_sec * SR if follower is not None else len(self.y)
            rings_on = self._rings_on(int(until) - onset - hold - release)
        length = min(hold + release + rings_on, room)
        if length <= 8:
            return note
        cents = self.string_cents[note.string] + rng.normal(0.0, touch.note_cents)
        pitch = note.pitch_midi + (self.offset_cents + cents) / 100.0
        glide = self._glide(index, note)
        carried = note.source is not None
        node = _node(note)
        way = "damped" if note.muted else "picked"
        if note.articulation == "hammer-on" and "hammered" in self.bank.others:
            way = "hammered"
        sound, own, lead = self.bank.take(
            pitch,
            rng=rng,
            duration_sec=length / SR * (1.4 if note.curve or glide else 1.05) + 0.2,
            fret=note.fret,
            node=node,
            way=way,
        )
        ratio = 2.0 ** ((pitch - own) / 12.0)
        bend = self._pulled(note, _cents(note, length, glide, hold), length, hold, carried)
        skip = 0.0
        if carried and way != "hammered":
            if note.articulation == "pull-off":
                skip = rng.uniform(0.006, 0.03) * SR
            else:
                skip = rng.uniform(0.03, 0.08) * SR
        before = 0 if carried else int(min(lead / ratio, onset))
        if bend is None:
            where = lead + skip + ratio * np.arange(-before, length, dtype=np.float64)
        else:
            speed = ratio * 2.0 ** (bend.astype(np.float64) / 1200.0)
            where = lead + skip + np.cumsum(speed) - speed[0]
            if before:
                lead_in = lead + ratio * np.arange(-before, 0, dtype=np.float64)
                where = np.concatenate([lead_in, where])
        y = read_at(sound, np.maximum(where, 0.0))
        if len(y) <= 8:
            return note
        y = self._shape(y, note, carried, before, hold, release, rings_on)
        y = self._levelled(y, note, carried, before)
        start = onset - before
        y = y[: len(self.y) - start]
        self.y[start : start + len(y)] += y
        if self.around is not PLAIN and not dead:
            self._fingers(note, y, onset, before, hold, index in self.followed, carried)
        peak, offset = _own_offset(y[before : before + hold + release])
        self.string_level[note.string] = level_before(y, before + hold, 441)
        self.level_at[index] = peak
        end_sec = min(note.offset_sec, note.onset_sec + max(offset / SR, 0.03))
        if self.around is not PLAIN:
            end_sec = min(end_sec, note.onset_sec + max((hold + release) / SR, 0.03))
        if dead:
            end_sec = min(note.offset_sec, note.onset_sec + (hold + release) / SR)
        return replace(note, offset_sec=end_sec)

    def _shape(
        self,
        y: Array,
        note: PlayedNote,
        carried: bool,
        before: int,
        hold: int,
        release: int,
        rings_on: int = 0,
    ) -> Array:
        """Colour, softness, beating, decay and the ends of one note."""
        rng, touch = self.rng, self.touch
        size = fft.next_fast_len(len(y) + 512, real=True)
        cut = self._cut(note, carried)
        if touch.colour_db > 0.3 or cut < 9000.0:
            freq = np.linspace(0.0, SR / 2, size // 2 + 1)
            gain = smooth_gain(rng, freq[::16], touch.colour_db)
            if cut < 9000.0:
                gain = gain / np.sqrt(1.0 + (freq[::16] / cut) ** 4)
            full = np.interp(freq, freq[::16], gain).astype(np.float32)
            y = fft.irfft(fft.rfft(y, size) * full, size)[: len(y)]
        t = np.arange(len(y), dtype=np.float32) / SR
        if touch.beating > 0.02:
            rate = float(np.exp(rng.uniform(np.log(0.3), np.log(4.0))))
            depth = touch.beating * rng.random()
            y = y * (1.0 + depth * np.sin(2 * np.pi * (rate * t + rng.random())))
        fall = touch.decay * rng.exponential(0.7)
        if note.muted:
            fall += rng.uniform(9.0, 22.0)
        if note.articulation == "dead":
            fall += rng.uniform(60.0, 120.0)
        fall += self.around.decay
        if fall > 0.02:
            y = y * np.exp(-np.float32(fall) * t)
        if carried:
            rise = min(len(y), round(rng.uniform(0.003, 0.009) * SR))
            y[:rise] *= np.sin(np.linspace(0.0, np.pi / 2, rise, dtype=np.float32)) ** 2
        elif touch.attack_sec > 0 and before < len(y):
            rise = min(len(y) - before, max(2, round(touch.attack_sec * rng.uniform(0.5, 1) * SR)))
            y[:before] *= 0.3
            y[before : before + rise] *= np.linspace(0.3, 1.0, rise, dtype=np.float32)
        stop = before + hold
        if stop < len(y):
            tail = min(release, len(y) - stop)
            fade = np.cos(np.linspace(0, np.pi / 2, tail, dtype=np.float32)) ** 2
            left = np.float32(0.0)
            if rings_on:
                left = np.float32(10.0 ** (-self.around_rng.uniform(12.0, 32.0) / 20.0))
            y[stop : stop + tail] *= left + (1.0 - left) * fade
            if rings_on:
                y[stop + tail :] *= left * self._dying(len(y) - stop - tail)
            else:
                y[stop + tail :] = 0.0
        if self.around is not PLAIN and note.articulation != "dead":
            y = self._shaken(y, note, before)
        return np.asarray(y, np.float32)

    # -- what surrounds a note ------------------------------------------------------------------

    def _rest(self, hold: int, follower: int | None) -> int:
        """Samples for which the pick or finger rests on the string before it strikes again."""
        around, rng = self.around, self.around_rng
        if around.rest <= 0 or follower is None or rng.random() >= around.rest:
            return 0
        if self.notes[follower].source is not None:
            return 0
        return int(min(rng.uniform(*around.rest_sec) * SR, rng.uniform(0.3, 0.65) * hold))

    def _rings_on(self, room: int) -> int:
        """Samples for which a string that was let go sounds on, half damped."""
        around, rng = self.around, self.around_rng
        if around.half_damped <= 0 or room < 0.05 * SR or rng.random() >= around.half_damped:
            return 0
        return int(min(room - 0.02 * SR, rng.uniform(0.1, 1.2) * SR))

    def _dying(self, size: int) -> Array:
        t = np.arange(max(0, size), dtype=np.float32) / SR
        curve = np.exp(-np.float32(self.around_rng.uniform(2.0, 12.0)) * t)
        last = min(len(curve), round(0.02 * SR))
        if last:
            curve[-last:] *= np.linspace(1.0, 0.0, last, dtype=np.float32)
        return np.asarray(curve, np.float32)

    def _pulled(
        self, note: PlayedNote, bend: Array | None, length: int, hold: int, carried: bool
    ) -> Array | None:
        """``bend`` with a slide into the note, and the pull of the finger that leaves it."""
        around, rng = self.around, self.around_rng
        if around is PLAIN or note.fret == 0 or note.articulation in ("harmonic", "dead"):
            return bend
        slid = not carried and rng.random() < around.slides_in
        pulled = rng.random() < 0.3 * around.releases
        if not slid and not pulled:
            return bend
        cents = np.zeros(length, np.float32) if bend is None else bend.copy()
        t = np.arange(length, dtype=np.float32) / SR
        if slid:
            away = float(rng.choice((-200.0, -100.0, -100.0, 100.0)))
            seconds = float(rng.uniform(0.02, 0.06))
            cents += away * np.clip(1.0 - t / seconds, 0.0, 1.0)
        if pulled:
            seconds = float(rng.uniform(0.015, 0.06))
            cents += float(rng.uniform(10.0, 70.0)) * np.clip(
                (t - (hold / SR - seconds)) / seconds, 0.0, 1.0
            )
        return cents

    def _shaken(self, y: Array, note: PlayedNote, before: int) -> Array:
        """The note as its neighbours and the hand disturb it, and without overtones if dark."""
        around, rng = self.around, self.around_rng
        if around.dark is not None:
            f0 = 440.0 * 2.0 ** ((note.pitch_midi - 69) / 12.0)
            cut = f0 * around.dark * float(np.exp(rng.normal(0.0, 0.15)))
            size = fft.next_fast_len(len(y) + 256, real=True)
            hz = np.linspace(0.0, SR / 2, size // 2 + 1)
            dull = (1.0 / (1.0 + (hz / cut) ** 4)).astype(np.float32)
            y = fft.irfft(fft.rfft(y, size) * dull, size)[: len(y)]
        if around.dulling > 0.1 and note.articulation != "harmonic":
            size = fft.next_fast_len(len(y) + 256, real=True)
            hz = np.linspace(0.0, SR / 2, size // 2 + 1)
            edge = 1.5 * 440.0 * 2.0 ** ((note.pitch_midi - 69) / 12.0)
            low = (1.0 / (1.0 + (hz / edge) ** 6)).astype(np.float32)
            lower = fft.irfft(fft.rfft(y, size) * low, size)[: len(y)]
            t = np.maximum(np.arange(-before, len(y) - before, dtype=np.float32), 0.0) / SR
            fall = np.float32(around.dulling * rng.uniform(0.5, 1.5))
            y = lower + (y - lower) * np.exp(-fall * t)
        if around.shakes > 0 or around.stirred > 0:
            first = round(note.onset_sec * SR) - before
            beside = self.strikes - first
            inside = np.flatnonzero((beside > 0) & (beside < len(y)))
            near = zip(beside[inside].tolist(), self.strike_levels[inside].tolist(), strict=True)
            gain = level_without_strike(y, list(near), around, rng)
            if gain is not None and rng.random() < 0.4:
                # Often only some of the partials gain.
                size = fft.next_fast_len(len(y) + 256, real=True)
                hz = np.linspace(0.0, SR / 2, size // 2 + 1)
                edge = 440.0 * 2.0 ** ((note.pitch_midi - 69) / 12.0) * rng.choice((1.5, 2.5, 3.5))
                low = (1.0 / (1.0 + (hz / edge) ** 8)).astype(np.float32)
                lower = fft.irfft(fft.rfft(y, size) * low, size)[: len(y)]
                y = lower * gain + (y - lower) if rng.random() < 0.5 else lower + (y - lower) * gain
            elif gain is not None:
                y = y * gain
        return np.asarray(y, np.float32)

    def _fingers(
        self,
        note: PlayedNote,
        y: Array,
        onset: int,
        before: int,
        hold: int,
        followed: bool,
        carried: bool,
    ) -> None:
        """The noises of the fingers and the pick at both ends of a note, added to the take."""
        around, rng = self.around, self.around_rng
        peak = float(np.abs(y[before : before + round(0.1 * SR)]).max(initial=0.0))
        if not carried and rng.random() < around.early_picks:
            size = round(rng.uniform(0.003, 0.01) * SR)
            click = np.diff(rng.standard_normal(size + 1)).astype(np.float32) * np.hanning(size)
            early = round(rng.uniform(0.01, 0.04) * SR)
            self._add(click, onset - early, 0.5 * peak * 10.0 ** (-rng.uniform(4.0, 26.0) / 20.0))
        if not carried and note.fret > 0 and rng.random() < around.landings:
            # The finger lands on the fret before the string is struck: the note, very soft.
            early = round(rng.uniform(0.04, 0.16) * SR)
            soft = y[before + round(0.03 * SR) :][:early]
            if len(soft) > 200:
                soft = soft * np.linspace(1.0, 0.0, len(soft), dtype=np.float32)
                soft[:60] *= np.linspace(0.0, 1.0, 60, dtype=np.float32)
                self._add(soft, onset - early, 10.0 ** (-rng.uniform(20.0, 36.0) / 20.0))
        if not followed and rng.random() < around.releases:
            sound = self.bank.release(note.pitch_midi, rng)
            if sound is None:
                sound = scratch(rng, seconds=float(rng.uniform(0.015, 0.06)))
            level = peak * 10.0 ** (-rng.uniform(14.0, 40.0) / 20.0)
            self._add(sound, onset + hold + round(rng.normal(0.0, 0.01) * SR), level)

    def _add(self, sound: Array, at: int, gain: float) -> None:
        if at < 0:
            return
        sound = sound[: max(0, len(self.y) - at)]
        self.y[at : at + len(sound)] += np.float32(gain) * sound

    def scratches(self) -> None:
        """Muted strokes over the strings, added to the take: rhythm, and no notes."""
        count = int(self.around_rng.poisson(self.around.scratches * len(self.y) / SR))
        if not count:
            return
        peak = float(np.percentile(np.abs(self.y), 99.0))
        for _ in range(count):
            sound = scratch(self.around_rng, seconds=float(self.around_rng.uniform(0.02, 0.09)))
            at = int(self.around_rng.integers(len(self.y)))
            self._add(sound, at, peak * 10.0 ** (-self.around_rng.uniform(0.0, 20.0) / 20.0))

    def _cut(self, note: PlayedNote, carried: bool) -> float:
        """Frequency in hertz above which the note is dulled."""
        rng = self.rng
        f0 = midi_to_hz(note.pitch_midi)
        soft = self.touch.softness * (1.0 - note.velocity)
        cut = 9500.0 * 2.0 ** (-4.0 * soft)
        if carried:
            cut = min(cut, rng.uniform(2500.0, 8000.0))
        if note.muted:
            cut = min(cut, rng.uniform(700.0, 2500.0))
        if note.articulation == "harmonic" and isinstance(self.bank, RecordedBank):
            cut = min(cut, rng.uniform(1.2, 2.5) * f0)
        return float(max(cut, 1.3 * f0))

    def _levelled(self, y: Array, note: PlayedNote, carried: bool, before: int) -> Array:
        """The note as loud as it is struck, or as its string rings where it carries on."""
        rng = self.rng
        own = self.string_gain[note.string]
        if carried:
            now = level_before(y, round(0.03 * SR), 441)
            low, high = self.touch.legato_db
            wanted = self.string_level.get(note.string, 0.0) * 10.0 ** (
                rng.uniform(low, high) / 20.0
            )
            floor = 0.05 * own * note.velocity
            y = y * np.float32(max(wanted, floor) / max(now, 1e-6))
            return np.clip(y, -2.0, 2.0)
        y = y * np.float32(own * note.velocity**1.3)
        if self.around is not PLAIN and note.articulation != "dead":
            # A strike stands out from what its string still rings at.
            rings = self.string_level.get(note.string, 0.0)
            now = level_before(y, before + round(0.06 * SR), 662)
            wanted = rings * 10.0 ** (self.around_rng.uniform(2.0, 14.0) / 20.0)
            if 0.0 < now < wanted:
                y = y * np.float32(min(wanted / now, 2.0))
        if self.touch.pick_noise > 0.002 or note.articulation == "dead":
            self._pick(y, note, before)
        return y

    def _pick(self, y: Array, note: PlayedNote, before: int) -> None:
        """The click of the pick, or the thud of a dead note, added in place."""
        rng = self.rng
        dead = note.articulation == "dead"
        size = min(len(y) - before, round((0.03 if dead else 0.008) * SR))
        if size < 16:
            return
        noise = rng.standard_normal(size).astype(np.float32)
        if dead or rng.random() < 0.5:
            noise = np.convolve(noise, np.ones(5, np.float32) / 2.2, "same")
        noise *= np.exp(-np.arange(size, dtype=np.float32) / np.float32(size / 5))
        level = 0.12 * note.velocity if dead else self.touch.pick_noise * rng.random()
        y[before : before + size] += noise * np.float32(level)


def _node(note: PlayedNote) -> int:
    """By how much the touched point divides the string: 1 for every note but a harmonic."""
    if note.articulation != "harmonic":
        return 1
    return {12: 2, 19: 3, 24: 4}.get(note.fret, 2)


def _own_offset(y: Array) -> tuple[float, int]:
    """Peak level and the sample from which the note stays 40 dB below it."""
    frames = len(y) // _BLOCK
    if frames < 2:
        return float(np.abs(y).max(initial=0.0)), len(y)
    level = np.sqrt((y[: frames * _BLOCK].reshape(frames, _BLOCK) ** 2).mean(axis=1))
    peak = float(level.max())
    loud = np.flatnonzero(level > peak * 10.0 ** (-_DIED_DB / 20.0))
    return peak, (int(loud[-1]) + 1) * _BLOCK if len(loud) else _BLOCK


def render(
    notes: Sequence[PlayedNote],
    *,
    bank: Bank,
    rng: np.random.Generator,
    duration_sec: float,
    touch: Touch | None = None,
    offset_cents: float = 0.0,
    around: Surroundings = PLAIN,
    around_rng: np.random.Generator | None = None,
) -> tuple[Array, tuple[PlayedNote, ...]]:
    """Sound of ``notes`` (sorted by onset) and the notes with their true offsets.

    Returns float32 samples, shape (round(duration_sec * SR),), not yet levelled, and the notes in
    the same order. ``offset_cents`` detunes the whole instrument. Notes that are masked from
    their start (60 dB below the loudest) keep their place but end after 30 ms. ``around`` adds what
    surrounds the notes, drawn from ``around_rng``.
    """
    size = max(1, round(duration_sec * SR))
    player = _Player(notes, bank, rng, touch or Touch(), offset_cents, size, around, around_rng)
    played = player.play()
    player.scratches()
    loudest = float(player.level_at.max(initial=0.0))
    out = [
        replace(note, offset_sec=note.onset_sec + 0.03)
        if level < 1e-3 * loudest and note.offset_sec > note.onset_sec + 0.03
        else note
        for note, level in zip(played, player.level_at, strict=True)
    ]
    return player.y, tuple(out)


def add_sympathy(
    y: Array, open_midi: Sequence[float], rng: np.random.Generator, level_db: float
) -> None:
    """Open strings that ring along without being struck, added in place.

    Each string answers what the others play with its own partials, as an echo that is in tune
    with it alone. ``level_db`` is how strongly it answers at its strongest partial, against the
    sound that drives it.
    """
    size = round(1.2 * SR)
    answer = np.zeros(size, np.float32)
    for midi in open_midi:
        hz = midi_to_hz(midi + rng.normal(0.0, 0.03))
        string = StringModel(
            pick_position=float(rng.uniform(0.08, 0.45)), ring_sec=float(rng.uniform(1.0, 3.0))
        )
        sound = pluck(hz, sr=SR, duration_sec=1.2, string=string, max_partials=16)
        answer += sound * np.float32(rng.uniform(0.2, 1.0))
    answer *= np.linspace(1.0, 0.0, size, dtype=np.float32)
    whole = fft.next_fast_len(len(y) + size, real=True)
    response = fft.rfft(answer, whole)
    response *= np.float32(10.0 ** (level_db / 20.0) / max(float(np.abs(response).max()), 1e-9))
    y += fft.irfft(fft.rfft(y, whole) * response, whole)[: len(y)]


def add_guitar_noise(y: Array, rng: np.random.Generator, level: float) -> None:
    """Sounds of a guitar that are no notes, added in place: knocks, squeaks, handling.

    ``level`` is against the root mean square of ``y``; 1 is heavy.
    """
    size = len(y)
    base = float(np.sqrt(np.mean(y**2))) * level
    for _ in range(int(rng.poisson(2.0 * level))):
        count = round(rng.uniform(0.08, 0.25) * SR)
        t = np.arange(count, dtype=np.float32) / SR
        knock = np.zeros(count, np.float32)
        for _ in range(3):
            freq, die = rng.uniform(70.0, 420.0), rng.uniform(20.0, 60.0)
            knock += np.sin(2 * np.pi * freq * t + rng.uniform(0, 6.3)) * np.exp(-die * t)
        knock += 0.4 * rng.standard_normal(count).astype(np.float32) * np.exp(-250.0 * t)
        _mix(y, knock, int(rng.integers(size)), base * rng.uniform(0.5, 3.0))
    for _ in range(int(rng.poisson(1.5 * level))):
        count = round(rng.uniform(0.05, 0.2) * SR)
        t = np.arange(count, dtype=np.float32) / SR
        sweep = rng.uniform(900.0, 2500.0) + rng.uniform(-3000.0, 6000.0) * t
        phase = 2 * np.pi * np.cumsum(np.clip(sweep, 400.0, 6000.0)) / SR
        rough = np.repeat(rng.standard_normal(count // 20 + 1), 20)[:count].astype(np.float32)
        squeak = np.sin(phase + 2.0 * np.cumsum(rough) / 20.0) * np.hanning(count)
        squeak += 0.5 * np.diff(rng.standard_normal(count + 1)) * np.hanning(count)
        _mix(y, squeak.astype(np.float32), int(rng.integers(size)), base * rng.uniform(0.1, 0.7))
    for _ in range(int(rng.poisson(1.0 * level))):
        count = round(rng.uniform(0.1, 0.6) * SR)
        rumble = np.cumsum(rng.standard_normal(count)).astype(np.float32)
        rumble -= np.linspace(rumble[0], rumble[-1], count, dtype=np.float32)
        rumble *= np.hanning(count).astype(np.float32) / max(float(np.abs(rumble).max()), 1e-6)
        _mix(y, rumble, int(rng.integers(size)), base * rng.uniform(0.3, 2.0))


def _mix(y: Array, sound: Array, at: int, gain: float) -> None:
    sound = sound[: len(y) - at]
    y[at : at + len(sound)] += sound * np.float32(gain)
