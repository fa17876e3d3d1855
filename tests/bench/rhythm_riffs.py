"""Invented riffs with a known score, played as people play: drift, jitter, spread and ringing.

Conventions: 12 ticks to a beat; a beat is one unit of the meter's denominator; the tempo that is
drawn (60 to 160) is that of the felt pulse: the quarter note in x/4 and 7/8, the dotted quarter in
6/8. ``bpm`` counts beats, as in the riff document. Times in seconds.

What is drawn for a riff: kind (drone, line, arpeggio, strum), meter, tempo, a small pool of
rhythm cells that suits the tempo (players seldom strike more than about eight notes a second), a
form of repeated phrases (A A B A ...), a tempo curve that strays by up to 6 %, and jitter.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np

from transcribe.core.riff import Note, Phrase, sort_notes

__all__ = ["KINDS", "METERS", "Truth", "make_phrase", "make_riff", "spoil", "tempo_curve"]

KINDS = ("drone", "line", "arpeggio", "strum")
METERS = ((4, 4), (3, 4), (6, 8), (2, 4), (5, 4), (7, 8))
TICKS = 12

_CELLS = {
    # Cells for one quarter note (12 ticks) of x/4, by their shortest value.
    "quarter": [[12]],
    "eighth": [[6, 6]],
    "sixteenth": [[3, 3, 6], [6, 3, 3], [3, 3, 3, 3], [9, 3], [3, 6, 3]],
    "triplet": [[4, 4, 4], [8, 4]],
    # Cells for two quarter notes.
    "two-quarter": [[24], [12, 12]],
    "two-eighth": [[18, 6], [6, 12, 6], [12, 6, 6], [6, 6, 12]],
    # Cells for three and for two eighth notes (36 and 24 ticks) of x/8.
    "three": [[12, 12, 12], [24, 12], [36], [12, 24]],
    "three-fine": [[18, 6, 12], [12, 12, 6, 6], [6, 6, 12, 12], [12, 6, 6, 12]],
    "pair": [[12, 12], [24]],
    "pair-fine": [[12, 6, 6], [6, 6, 12], [18, 6]],
}
_SCALES = ((0, 3, 5, 7, 10), (0, 2, 3, 5, 7, 9, 10), (0, 2, 4, 5, 7, 9, 10), (0, 2, 4, 7, 9))
_SHAPES = ((0, 7, 12, 15, 19), (0, 7, 12, 16, 19), (0, 7, 12, 14, 19), (0, 5, 12, 17, 19))


@dataclass(frozen=True)
class Truth:
    """A played riff: ``notes`` carry seconds and the score's beats; the rest is the score."""

    kind: str
    meter: tuple[int, int]
    bpm: float
    beats_sec: np.ndarray
    downbeats_sec: np.ndarray
    notes: tuple[Note, ...]
    phrases: tuple[Phrase, ...]
    swing: bool
    taps_sec: tuple[float, ...]
    duration_sec: float

    @property
    def bare(self) -> tuple[Note, ...]:
        """The notes without their score times, as a tracker would give them."""
        return tuple(
            dataclasses.replace(n, onset_beat=None, duration_beat=None) for n in self.notes
        )


@dataclass
class _Struck:
    tick: int
    ticks: int
    pitch: int
    role: str  # melody, drone, bass, chord
    rest: bool = False


def _groups(meter: tuple[int, int], rng: np.random.Generator) -> list[int]:
    """Beats in each felt group of the bar."""
    if meter == (6, 8):
        return [3, 3]
    if meter == (7, 8):
        return [[2, 2, 3], [3, 2, 2], [2, 3, 2]][int(rng.integers(3))]
    return [1] * meter[0]


def _pool(meter: tuple[int, int], pulse: float, rng: np.random.Generator) -> dict[str, list]:
    """The cells of this riff, by the number of beats that they fill."""
    if meter[1] == 8:
        eighth = pulse * (3 if meter == (6, 8) else 2)
        fine = rng.random() < np.interp(eighth, [150, 300], [0.6, 0.0])
        three = [
            _CELLS["three"][i] for i in rng.choice(4, 2, replace=False, p=[0.4, 0.3, 0.1, 0.2])
        ]
        pair = list(_CELLS["pair"])
        if fine:
            three.append(_CELLS["three-fine"][int(rng.integers(4))])
            pair.append(_CELLS["pair-fine"][int(rng.integers(3))])
        return {"3": three, "2": pair}
    one: list = []
    two = [_CELLS["two-eighth"][int(rng.integers(4))]]
    if rng.random() < 0.6:
        one.append([12])
    if rng.random() < 0.3:
        two.append(_CELLS["two-quarter"][int(rng.integers(2))])
    if rng.random() < np.interp(pulse, [70, 90, 115, 130], [0.8, 0.6, 0.2, 0.0]):
        picked = rng.choice(5, 2, replace=False)
        one += [_CELLS["sixteenth"][i] for i in picked]
    if rng.random() < 0.12 and pulse < 135:
        one.append(_CELLS["triplet"][int(rng.integers(2))])
    if rng.random() < 0.85 or not one:
        one.append([6, 6])
    return {"1": one, "2": two}


def _bar_rhythm(meter, groups, pool, rng) -> list[int]:
    out: list[int] = []
    i = 0
    while i < len(groups):
        g = groups[i]
        if meter[1] == 8:
            cells = pool[str(g)]
            step = 1
        elif i % 2 == 0 and i + 1 < len(groups) and rng.random() < 0.35:
            cells, step = pool["2"], 2
        else:
            cells, step = pool["1"], 1
        out += cells[int(rng.integers(len(cells)))]
        i += step
    return out


def _line(bars, meter, groups, pool, rng, root, scale) -> list[_Struck]:
    """One phrase of melody over ``bars`` bars."""
    size = meter[0] * TICKS
    notes: list[_Struck] = []
    degree = int(rng.integers(0, 7))
    rhythm = _bar_rhythm(meter, groups, pool, rng)
    for bar in range(bars):
        if rng.random() < 0.4:
            rhythm = _bar_rhythm(meter, groups, pool, rng)
        tick = bar * size
        for k, ticks in enumerate(rhythm):
            degree = int(np.clip(degree + rng.choice([-2, -1, -1, 0, 1, 1, 2, 3]), 0, 12))
            pitch = root + 12 * (degree // len(scale)) + scale[degree % len(scale)]
            draw = rng.random()
            tied = k == 0 and bar > 0 and notes and draw < 0.1
            if tied:
                notes[-1].ticks += ticks
            elif k > 0 and draw < 0.08 and ticks >= 6 and notes:
                notes[-1].rest = True  # a rest stands here
            else:
                notes.append(_Struck(tick, ticks, pitch, "melody"))
            tick += ticks
    if rng.random() < 0.5 and len(notes) > 3:  # come to rest on a long last note
        start = (bars - 1) * size + sum(groups[: len(groups) // 2]) * TICKS
        kept = [n for n in notes if n.tick < start or n.tick == start]
        if kept and kept[-1].tick == start:
            kept[-1].ticks = bars * size - start
            kept[-1].rest = False
            notes = kept
    return notes


def _drone_strikes(bars, meter, groups, style, pitch) -> list[_Struck]:
    size = meter[0] * TICKS
    ticks: list[int] = []
    for bar in range(bars):
        starts = np.cumsum([0, *groups[:-1]]) * TICKS
        if style == "bar":
            starts = starts[:1]
        elif style == "half":
            starts = starts[:: 2 if meter[1] == 4 else 1]
        ticks += [bar * size + int(s) for s in starts]
    ends = [*ticks[1:], bars * size]
    return [_Struck(a, b - a, pitch, "drone") for a, b in zip(ticks, ends, strict=True)]


def _arpeggio(bars, meter, groups, pulse, rng, root) -> list[_Struck]:
    size = meter[0] * TICKS
    if meter[1] == 8:
        step = 12
    else:
        draw = rng.random()
        step = 6
        if draw < np.interp(pulse, [70, 90, 120], [0.6, 0.3, 0.0]):
            step = 3
        elif draw > 0.9 and pulse < 130:
            step = 4
    starts = set((np.cumsum([0, *groups[:-1]]) * TICKS).tolist())
    if meter[1] == 4:
        starts = {0} if rng.random() < 0.5 or len(groups) < 4 else {0, 2 * TICKS}
    pattern = rng.integers(1, 5, size // step)
    skip = set(rng.choice(np.arange(1, size // step), 1).tolist()) if rng.random() < 0.4 else set()
    notes: list[_Struck] = []
    offset = 0
    for bar in range(bars):
        if bar == 0 or rng.random() < 0.7:
            offset = int(rng.choice([0, 3, 5, 7, 10, -2]))
            shape = _SHAPES[int(rng.integers(4))]
        for k in range(size // step):
            if k in skip and k * step not in starts:
                notes[-1].ticks += step
                continue
            voice = 0 if k * step in starts else int(pattern[k])
            role = "bass" if voice == 0 else "chord"
            notes.append(_Struck(bar * size + k * step, step, root + offset + shape[voice], role))
    return notes


def _strum(bars, meter, groups, pool, pulse, rng, root) -> list[_Struck]:
    size = meter[0] * TICKS
    rhythm = _bar_rhythm(meter, groups, pool, rng)
    notes: list[_Struck] = []
    for bar in range(bars):
        offset = int(rng.choice([0, 3, 5, 7, 10, -2]))
        shape = _SHAPES[int(rng.integers(4))]
        tick = bar * size
        for k, ticks in enumerate(rhythm):
            draw = rng.random()
            voices = range(5) if k == 0 or draw < 0.6 else range(2, 5)
            for v in voices:
                notes.append(_Struck(tick, ticks, root + offset + shape[v], "chord"))
            tick += ticks
    return notes


def _vary(notes: list[_Struck], size: int, bars: int, rng: np.random.Generator) -> list[_Struck]:
    """A' of A: the end goes elsewhere, the rhythm mostly stays."""
    out = [dataclasses.replace(n) for n in notes]
    end = bars * size
    late = [n for n in out if n.tick >= end - max(size // 2, size * bars // 4)]
    step = int(rng.choice([-4, -3, -2, 2, 3, 4]))
    for note in late:
        if note.role != "drone":
            note.pitch += step
    return out


def _form(bars: int, rng: np.random.Generator) -> list[str]:
    forms = {
        1: ["AAAAAAAA", "AAABAAAB", "ABABABAB", "AAaAAAaA"],
        2: ["AAAA", "ABAB", "AAaB", "AaAB", "AABA"],
        4: ["AA", "AaB", "AAB", "Aa"],
    }[bars]
    return list(forms[int(rng.integers(len(forms)))])


def tempo_curve(beats: int, drift: float, rng: np.random.Generator) -> np.ndarray:
    """Length of each beat relative to the mean, shape (beats,)."""
    x = np.arange(beats)
    draw = rng.random()
    if draw < 0.35:
        s = np.linspace(-1, 1, beats) * rng.choice([-1, 1])
    else:
        waves = [
            np.sin(2 * np.pi * (x / rng.uniform(20, 60) + rng.random()))
            for _ in range(1 if draw < 0.7 else 3)
        ]
        s = np.sum(waves, axis=0)
        s = s / max(1e-9, np.abs(s).max())
    m = 1 + drift * s
    return m / m.mean()


def make_riff(
    seed: int,
    *,
    kind: str | None = None,
    meter: tuple[int, int] | None = None,
    pulse: float | None = None,
    jitter_sec: float = 0.008,
    drift: float = 0.06,
    swing: bool | None = None,
    pickup: bool | None = None,
    taps: bool | None = None,
) -> Truth:
    """A played riff from a seed; what is not given is drawn."""
    rng = np.random.default_rng(seed)
    kind = kind or str(rng.choice(KINDS))
    meter = meter or METERS[int(rng.integers(6))]
    pulse = pulse or float(rng.uniform(60, 160))
    per_pulse = {(6, 8): 3, (7, 8): 2}.get(meter, 1)
    bpm = pulse * per_pulse
    size = meter[0] * TICKS
    groups = _groups(meter, rng)
    pool = _pool(meter, pulse, rng)
    bar_sec = meter[0] * 60 / bpm
    choices = [b for b in (1, 2, 4) if 1.2 <= b * bar_sec <= 11] or [2]
    bars = int(rng.choice(choices))
    form = _form(bars, rng)
    root = int(rng.integers(40, 48))
    scale = _SCALES[int(rng.integers(4))]
    style = str(rng.choice(["bar", "half", "beat"], p=[0.4, 0.35, 0.25]))

    def fresh() -> list[_Struck]:
        if kind == "arpeggio":
            return _arpeggio(bars, meter, groups, pulse, arp_rng(), root)
        if kind == "strum":
            return _strum(bars, meter, groups, pool, pulse, rng, root)
        notes = _line(bars, meter, groups, pool, rng, root + 12, scale)
        if kind == "drone":
            notes = notes + _drone_strikes(bars, meter, groups, style, root)
        return notes

    pattern_seed = int(rng.integers(2**31))

    def arp_rng() -> np.random.Generator:
        return np.random.default_rng(pattern_seed if rng.random() < 0.7 else rng.integers(2**31))

    made: dict[str, list[_Struck]] = {}
    struck: list[_Struck] = []
    phrases: list[Phrase] = []
    for i, letter in enumerate(form):
        if letter not in made:
            if letter.islower():
                made[letter] = _vary(made[letter.upper()], size, bars, rng)
            else:
                if letter == "B" and rng.random() < 0.5:
                    pool = _pool(meter, pulse, rng)
                made[letter] = fresh()
        start = i * bars * size
        struck += [dataclasses.replace(n, tick=n.tick + start) for n in made[letter]]
        label = letter.upper() + ("'" if letter.islower() else "")
        phrases.append(Phrase(label, start / TICKS, (start + bars * size) / TICKS))
    end = len(form) * bars * size
    if rng.random() < 0.5:  # most riffs stop on a last strong note
        low = min(n.pitch for n in struck)
        struck.append(_Struck(end, size, low, "drone" if kind == "drone" else "melody"))
        end += size
    wants_pickup = rng.random() < 0.2 if pickup is None else pickup
    if wants_pickup:
        unit = 12 if meter[1] == 8 or rng.random() < 0.4 else 6
        count = int(rng.integers(1, 3))
        for k in range(count):
            step = unit * (count - k)
            struck.append(_Struck(-step, unit, root + 12 + int(scale[k]), "melody"))
    swings = swing
    if swings is None:
        swings = meter[1] == 4 and rng.random() < 0.12
    fine = any(n.tick % 6 for n in struck)
    swings = bool(swings and not fine and any(n.tick % 12 for n in struck))
    return _perform(struck, kind, meter, bpm, end, phrases, swings, jitter_sec, drift, taps, rng)


def _perform(struck, kind, meter, bpm, end, phrases, swings, jitter_sec, drift, taps, rng) -> Truth:
    struck = sorted(struck, key=lambda n: (n.tick, n.pitch))
    first = min(0, struck[0].tick)
    lead = -(first // TICKS)  # beats before beat 0
    wants_taps = (rng.random() < 0.12) if taps is None else taps
    count_in = meter[0] if wants_taps else 0
    before = lead + count_in
    beats = before + end // TICKS + 1
    lengths = 60.0 / bpm * tempo_curve(beats, float(rng.uniform(0, drift)), rng)
    grid = np.concatenate([[0.0], np.cumsum(lengths)]) + rng.uniform(0.1, 0.8)
    ratio = float(rng.uniform(0.6, 0.69)) if swings else 0.5
    stress = float(rng.uniform(0.0, 3.0))  # dB on the downbeat; many players give none

    def at(tick: float) -> float:
        beat = tick / TICKS + before
        whole = np.floor(beat)
        part = beat - whole
        if swings and abs(part - 0.5) < 1e-6:
            part = ratio
        return float(np.interp(whole + part, np.arange(len(grid)), grid))

    notes: list[Note] = []
    for tick in sorted({n.tick for n in struck}):
        chord = [n for n in struck if n.tick == tick]
        shift = rng.normal(0, jitter_sec)
        spread = float(rng.uniform(0.002, 0.008)) if len(chord) > 2 else 0.0
        up = tick % TICKS != 0
        for k, n in enumerate(sorted(chord, key=lambda n: -n.pitch if up else n.pitch)):
            own = rng.normal(0, jitter_sec / 2) if len(chord) < 3 else 0.0
            onset = at(tick) + shift + own + k * spread
            full = at(tick + n.ticks) - at(tick)
            share = rng.uniform(0.82, 1.0)
            if kind == "arpeggio":  # everything rings on
                full = max(full, at(tick + 3 * n.ticks) - at(tick))
            accent = stress * (tick % (meter[0] * TICKS) == 0) + stress / 3 * (tick % TICKS == 0)
            notes.append(
                Note(
                    id=0,
                    onset_sec=max(0.0, onset),
                    offset_sec=max(0.0, onset) + max(0.04, share * full),
                    pitch_midi=n.pitch,
                    loudness_db=-18 + accent + float(rng.normal(0, 2.0)),
                    onset_beat=tick / TICKS,
                    duration_beat=n.ticks / TICKS,
                )
            )
    ordered = sort_notes(notes)
    first_bar = grid[before :: meter[0]]
    kept = grid[count_in:]
    last = ordered[-1].offset_sec
    return Truth(
        kind=kind,
        meter=meter,
        bpm=float(60 / np.mean(np.diff(kept))),
        beats_sec=kept[kept <= last],
        downbeats_sec=first_bar[first_bar <= last],
        notes=tuple(dataclasses.replace(n, id=i + 1) for i, n in enumerate(ordered)),
        phrases=tuple(phrases),
        swing=swings,
        taps_sec=tuple(float(t) + float(rng.normal(0, jitter_sec)) for t in grid[:count_in]),
        duration_sec=float(max(n.offset_sec for n in ordered)) + 0.3,
    )


def make_phrase(seed: int, *, kind: str | None = None, duration_sec: float = 12.0) -> Truth:
    """A phrase of the generator that the note network is trained on, as a second opinion.

    It knows nothing of the riffs above: tempo 60 to 180 a quarter, figures of its own, drift of its
    own. Its x/8 meters do not group their eighths, so only x/4 is drawn here; it writes no note
    values that a reader would, so ``duration_beat`` is None.
    """
    from transcribe.training.phrases import make_score

    for again in range(100):
        rng = np.random.default_rng((7, seed, again))
        score = make_score(rng, kind=kind, duration_sec=duration_sec)
        if score.meter[1] == 4 and len(score.notes) >= 6:
            break
    notes = sort_notes(
        [
            Note(
                id=i + 1,
                onset_sec=n.onset_sec,
                offset_sec=n.offset_sec,
                pitch_midi=n.pitch_midi,
                loudness_db=-18.0 + 20.0 * float(np.log10(max(n.velocity, 0.05) / 0.7)),
                articulation=n.articulation,
                onset_beat=n.onset_beat,
            )
            for i, n in enumerate(score.notes)
        ]
    )
    beats = np.array(score.beats_sec)
    return Truth(
        kind=score.kind,
        meter=score.meter,
        bpm=float(60 / np.mean(np.diff(beats))),
        beats_sec=beats,
        downbeats_sec=np.array(score.downbeats_sec),
        notes=notes,
        phrases=score.phrases,
        swing=False,
        taps_sec=(),
        duration_sec=duration_sec,
    )


def spoil(truth: Truth, seed: int, *, missed: float = 0.05, extra: float = 0.05) -> Truth:
    """The same riff with notes missed and notes added, as a tracker would."""
    rng = np.random.default_rng(seed)
    kept = [n for n in truth.notes if rng.random() >= missed]
    for note in truth.notes:
        if rng.random() < extra:
            shift = float(rng.uniform(0.0, 0.3))
            added = dataclasses.replace(
                note,
                id=10_000 + note.id,
                onset_sec=note.onset_sec + shift,
                offset_sec=note.offset_sec + shift,
                pitch_midi=note.pitch_midi + int(rng.choice([12, 7, 0])),
                confidence=0.5,
                onset_beat=None,
                duration_beat=None,
            )
            kept.append(added)
    return dataclasses.replace(truth, notes=sort_notes(kept))
