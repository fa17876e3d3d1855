"""Invented riffs and strums with their truth, for the theory benchmark and tests.

A drone riff: one open string struck on the beat, a line on the neighbouring string that wanders
through a mode, returns to its tonic at the ends of phrases, and sounds the degree that decides
the mode at least twice (a riff that never does is in no mode that anyone could name). A strum: a
loop of chords in the shapes that handbooks teach (common practice, no source), down and up, one
chord to a bar or two. The table of modes is that of `theory.scales`, which is checked against
music21 elsewhere; nothing else here comes from `theory`.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from theory.scales import MODES

OPEN = (64, 59, 55, 50, 45, 40)
SEVEN = {
    name: shape.semitones
    for name, shape in MODES.items()
    if shape.parent == "major" and len(shape.semitones) == 7
}
# What tells each mode from the modes one note away: each of these sounds at least twice.
DECIDING = {
    "ionian": (3, 6),
    "dorian": (2, 5),
    "phrygian": (1, 2),
    "lydian": (2, 3),
    "mixolydian": (2, 6),
    "aeolian": (1, 2, 5),
    "locrian": (1, 4),
}
DRONE_STRINGS = (6, 5, 4, 3)
ROOTS = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")

# Handbook shapes, low string first, x not played (common practice, no source).
SHAPES = {
    "C": "x32010",
    "A": "x02220",
    "G": "320003",
    "E": "022100",
    "D": "xx0232",
    "Am": "x02210",
    "Em": "022000",
    "Dm": "xx0231",
    "F": "133211",
    "Bm": "x24432",
    "F#m": "244222",
    "B7": "x21202",
    "A7": "x02020",
    "E7": "020100",
    "D7": "xx0212",
    "G7": "320001",
    "Am7": "x02010",
    "Em7": "022030",
    "Dm7": "xx0211",
    "Cmaj7": "x32000",
    "Gmaj7": "320002",
    "Fmaj7": "xx3210",
    "Amaj7": "x02120",
    "Dmaj7": "xx0222",
    "Asus4": "x02230",
    "Dsus2": "xx0230",
    "Esus2": "024400",
    "Esus4": "022200",
    "Asus2": "x02200",
    "Dsus4": "xx0233",
    "Cadd9": "x32030",
    "Bb": "x13331",
    "Gm": "355333",
    "Cm": "x35543",
    "C#m": "x46654",
    "B": "x24442",
}
# Loops, and the modes that a teacher would name for them (common practice, no source).
LOOP_MODES = {
    "G D Em C": ("G ionian",),
    "Am F C G": (
        "A aeolian",
        "C ionian",
    ),
    "C G Am F": ("C ionian",),
    "D A G D": ("D ionian",),
    "Am G F G": ("A aeolian",),
    "Em C G D": (
        "E aeolian",
        "G ionian",
    ),
    "A D E7 D": ("A ionian",),
    "D C G D": ("D mixolydian",),
    "Am D": ("A dorian",),
    "E A B7 A": ("E ionian",),
    "C Am Dm7 G7": ("C ionian",),
    "G Cadd9 D Em7": ("G ionian",),
    "Em7 A7": ("E dorian",),
    "Bm G D A": (
        "B aeolian",
        "D ionian",
    ),
    "Dm Bb C Dm": ("D aeolian",),
    "Gm Bb F C": ("G dorian",),
    "F#m D A E": (
        "F# aeolian",
        "A ionian",
    ),
    "Cmaj7 Am7 Dm7 G": ("C ionian",),
    "A Asus2 D Dsus4": ("A mixolydian",),
    "Gmaj7 Cmaj7": ("G ionian",),
    "Cm Gm Bb F": ("C dorian",),
    "E D A E": ("E mixolydian",),
    "C#m A E B": (
        "C# aeolian",
        "E ionian",
    ),
    "D7 G7 D7 A7": ("D mixolydian",),
}
LOOPS = tuple(LOOP_MODES)
# Loops that are picked more often than strummed (common practice, no source).
PICKED_LOOPS = (
    *LOOPS,
    "Am Asus2 Am Asus4",
    "D Dsus2 D Dsus4",
    "Am7 Dm7 G7 Cmaj7",
    "Cmaj7 Am7 Fmaj7 G7",
    "Dmaj7 Bm Em7 A7",
    "Gmaj7 Em7 Am7 D7",
    "Em7 Cadd9 G D",
    "Am Am7 Fmaj7 E7",
    "E7 A7 E7 B7",
    "Amaj7 Dmaj7",
    "Em Esus4 Em Esus2",
)
STROKES = ("D.D.DUDU", "D.DU.UDU", "D...D...", "D.D.D.D.", "DUDUDUDU", "D..UDU..")


@dataclass(frozen=True, slots=True)
class Played:
    """Notes with their places, and the truth. Arrays have one entry per note, times in seconds."""

    onset: list[float]
    duration: list[float]
    pitch: list[int]
    string: list[int]
    fret: list[int]
    tonic: int
    mode: str
    drone: int | None
    beats: list[float]
    downbeats: list[float]
    bars: list[str]
    loop: tuple[str, ...]
    loop_bars: int
    confidence: list[float] = field(default_factory=list)


def drone_riff(seed: int, mode: str, drone_string: int, *, fifth: bool = False) -> Played:
    """A riff of 10 to 20 s over an open string: its tonic, or with ``fifth`` the mode's own fifth.

    That is a flat one in locrian, which has no other: a drone a fifth above its tonic would be a
    note that the mode lacks.
    """
    rng = np.random.default_rng([seed, sorted(SEVEN).index(mode), drone_string])
    melody = drone_string - 1
    drone = OPEN[drone_string - 1]
    tonic = (drone - (SEVEN[mode][4] if fifth else 0)) % 12
    scale = [fret for fret in range(0, 16) if (OPEN[melody - 1] + fret - tonic) % 12 in SEVEN[mode]]
    degree = {f: SEVEN[mode].index((OPEN[melody - 1] + f - tonic) % 12) for f in scale}
    homes = [i for i, f in enumerate(scale) if degree[f] == 0]
    for _ in range(200):
        line = _line(rng, scale, homes)
        heard = [degree[f] for f in line]
        if all(heard.count(k) >= 2 for k in DECIDING[mode]):
            break
    beat = 60.0 / float(rng.uniform(80, 130))
    lengths: list[float] = []
    pattern = [float(v) for _ in range(4) for v in rng.choice([0.5, 0.5, 1.0, 0.25], 2)]
    while len(lengths) < len(line):
        lengths += pattern
    at, notes = 0.0, []
    for fret, length in zip(line, lengths, strict=False):
        notes.append((at, length, OPEN[melody - 1] + fret, melody, fret))
        at += length
    every = float(rng.choice((1.0, 1.0, 2.0)))
    for t in np.arange(0.0, at, every):
        notes.append((float(t), every, drone, drone_string, 0))
    notes.sort()
    whole = int(np.ceil(at / 4)) * 4
    return Played(
        [n[0] * beat for n in notes],
        [n[1] * beat * 0.95 for n in notes],
        [n[2] for n in notes],
        [n[3] for n in notes],
        [n[4] for n in notes],
        tonic,
        mode,
        drone,
        [i * beat for i in range(whole)],
        [i * beat for i in range(0, whole, 4)],
        [],
        (),
        0,
    )


def _line(rng: np.random.Generator, scale: list[int], homes: list[int]) -> list[int]:
    """A phrase, its return, another phrase, and the first again; ends on the tonic."""
    parts = []
    for _ in range(2):
        place = int(rng.choice(homes))
        phrase = [place] if rng.random() < 0.7 else []
        place = phrase[0] if phrase else int(rng.integers(len(scale)))
        for _ in range(int(rng.integers(7, 12))):
            place += int(rng.choice((-3, -2, -1, -1, 1, 1, 2, 3)))
            place = min(max(place, 0), len(scale) - 1)
            phrase.append(place)
        parts.append(phrase)
    first, second = parts
    end = min(homes, key=lambda h: abs(h - first[-1]))
    order = [*first, *first[:-1], end, *second, *first[:-1], end]
    return [scale[i] for i in order]


OVER_DRONE = (
    ("dorian", (1, 4)),
    ("mixolydian", (1, 7)),
    ("aeolian", (1, 7, 6, 7)),
    ("ionian", (1, 4, 5, 1)),
    ("aeolian", (1, 6, 3, 7)),
    ("lydian", (1, 2)),
    ("dorian", (1, 3, 4, 1)),
    ("mixolydian", (1, 7, 4, 1)),
)
"""Modes and the degrees whose triads the melody breaks, bar by bar (common practice, no source)."""


def broken_over_drone(seed: int, *, home: bool = False) -> Played:
    """A line over its tonic's open string that breaks one triad a bar, with passing notes.

    With ``home`` it wanders through the mode by step instead and never leaves the tonic's chord
    for long: first and last note of each bar belong to it.
    """
    rng = np.random.default_rng([seed, 78])
    mode, degrees = OVER_DRONE[seed % len(OVER_DRONE)]
    string = int(rng.choice(DRONE_STRINGS))
    drone = OPEN[string - 1]
    beat = 60.0 / float(rng.uniform(80, 130))
    scale = SEVEN[mode]
    bars = 8
    notes, truth = [], []
    for bar in range(bars):
        degree = 1 if home else degrees[bar % len(degrees)]
        place = [degree - 1, degree + 1, degree + 3]
        root, third = (drone + scale[place[0] % 7]) % 12, scale[place[1] % 7] - scale[place[0] % 7]
        truth.append(ROOTS[root] + ("m" if third % 12 == 3 else ""))
        line = list(rng.permutation(place)) + [int(rng.choice(place)) for _ in range(5)]
        for k in range(1, 7):
            if rng.random() < (0.6 if home else 0.15):
                line[k] = line[k - 1] + int(rng.choice((-1, 1)))
        for k, step in enumerate(line):
            octave, at = divmod(int(step), 7)
            pitch = drone + 12 + 12 * octave + scale[at]
            notes.append((4 * bar + k / 2, 0.5, pitch, string - 1, pitch - OPEN[string - 2]))
        for k in range(4):
            notes.append((4.0 * bar + k, 1.0, drone, string, 0))
    notes.sort()
    return Played(
        [n[0] * beat for n in notes],
        [n[1] * beat * 0.95 for n in notes],
        [n[2] for n in notes],
        [n[3] for n in notes],
        [n[4] for n in notes],
        drone % 12,
        mode,
        drone,
        [i * beat for i in range(4 * bars)],
        [i * beat for i in range(0, 4 * bars, 4)],
        truth,
        tuple(truth[: len(degrees)]),
        1 if home else len(degrees),
    )


def strum(seed: int) -> Played:
    """A loop of handbook chords, strummed two to four times round."""
    rng = np.random.default_rng([seed, 77])
    symbols = LOOPS[seed % len(LOOPS)].split()
    two_to_a_bar = len(symbols) == 4 and rng.random() < 0.25
    beats = 4
    per_chord = beats // 2 if two_to_a_bar else beats
    beat = 60.0 / float(rng.uniform(80, 140))
    loop_bars = len(symbols) * per_chord // beats
    rounds = 4 if loop_bars <= 2 else int(rng.integers(2, 4))
    stroke = STROKES[int(rng.integers(len(STROKES)))]
    bars = loop_bars * rounds
    notes = []
    truth = []
    for bar in range(bars):
        here = []
        for half in range(beats * 2):
            chord = symbols[(bar * beats + half // 2) // per_chord % len(symbols)]
            if not here or here[-1] != chord:
                here.append(chord)
            first = half % (per_chord * 2) == 0
            mark = "D" if first else stroke[half % len(stroke)]
            if mark == ".":
                continue
            places = [(6 - i, int(c, 16)) for i, c in enumerate(SHAPES[chord]) if c != "x"]
            if mark == "U":
                places = places[::-1][: int(rng.integers(3, 5))]
            for k, (string, fret) in enumerate(places):
                at = (bar * beats + half / 2) * beat + k * 0.009
                notes.append((at, string, fret))
        truth.append(" ".join(here))
    notes.sort()
    return Played(
        [n[0] for n in notes],
        _until_struck_again(notes, bars * beats * beat, beat),
        [OPEN[n[1] - 1] + n[2] for n in notes],
        [n[1] for n in notes],
        [n[2] for n in notes],
        0,
        "",
        None,
        [i * beat for i in range(bars * beats)],
        [i * beat for i in range(0, bars * beats, beats)],
        truth,
        tuple(symbols),
        loop_bars,
    )


# Eighths of a bar: b the lowest string of the grip, n the next one, 1 to 4 the strings.
PICKINGS = ("b3212321", "b2n3b1n2", "b3213213", "bn321232", "b4321234", "b1b2b3b2", "b32n123n")


def picked(seed: int, *, tune: bool = False) -> Played:
    """A loop of handbook chords picked string by string, a chord a bar, every tone at least once.

    With ``tune`` a melody by step goes over it, on the two upper strings.
    """
    rng = np.random.default_rng([seed, 79])
    symbols = PICKED_LOOPS[seed % len(PICKED_LOOPS)].split()
    beat = 60.0 / float(rng.uniform(60, 110))
    bars = len(symbols) * (4 if len(symbols) <= 2 else 2)
    scale = {
        (OPEN[5 - i] + int(c, 16)) % 12
        for s in symbols
        for i, c in enumerate(SHAPES[s])
        if c != "x"
    }
    first = int(rng.integers(len(PICKINGS)))
    notes, truth = [], []
    for bar in range(bars):
        symbol = symbols[bar % len(symbols)]
        grip = {6 - i: int(c, 16) for i, c in enumerate(SHAPES[symbol]) if c != "x"}
        tones = {(OPEN[s - 1] + f) % 12 for s, f in grip.items()}
        truth.append(symbol)
        for pattern in np.roll(PICKINGS, -first):
            low = sorted(grip, reverse=True)
            strings = [low[0] if c == "b" else low[1] if c == "n" else int(c) for c in pattern]
            here = [(s, grip[s]) for s in strings if s in grip]
            if {(OPEN[s - 1] + f) % 12 for s, f in here} == tones:
                break
        line = [(s, grip[s]) for s in strings]
        if tune:
            for k in sorted(rng.choice(range(1, 8), size=int(rng.integers(1, 4)), replace=False)):
                string = int(rng.integers(1, 3))
                frets = [f for f in range(6) if (OPEN[string - 1] + f) % 12 in scale]
                line[k] = (string, int(rng.choice(frets)))
        notes += [((4 * bar + k / 2) * beat, string, fret) for k, (string, fret) in enumerate(line)]
    return Played(
        [n[0] for n in notes],
        _until_struck_again(notes, 4 * bars * beat, beat),
        [OPEN[n[1] - 1] + n[2] for n in notes],
        [n[1] for n in notes],
        [n[2] for n in notes],
        0,
        "",
        None,
        [i * beat for i in range(4 * bars)],
        [i * beat for i in range(0, 4 * bars, 4)],
        truth,
        tuple(symbols),
        len(symbols),
    )


def _until_struck_again(
    notes: list[tuple[float, int, int]], end: float, beat: float
) -> list[float]:
    """A string rings until it is struck again, or for two beats."""
    out = []
    for i, (at, string, _) in enumerate(notes):
        later = [t for t, s, _ in notes[i + 1 :] if s == string]
        out.append(max(0.05, min(later[0] if later else end, at + 2 * beat, end + 0.5) - at))
    return out


def spoil(played: Played, seed: int, *, lost: float, extra: float, wrong: float) -> Played:
    """The notes as a listener might mishear them: some lost, some overtones added, some off."""
    rng = np.random.default_rng([seed, 3])
    rows = []
    columns = zip(
        played.onset, played.duration, played.pitch, played.string, played.fret, strict=True
    )
    for onset, duration, pitch, string, fret in columns:
        if rng.random() < lost:
            continue
        if rng.random() < wrong:
            pitch += int(rng.choice((-1, 1)))
        rows.append((onset, duration, pitch, string, fret))
        if rng.random() < extra:
            ghost = pitch + int(rng.choice((12, 19, 24)))
            rows.append((onset, duration / 2, min(ghost, 127), string, fret))
    rows.sort()
    return replace(
        played,
        onset=[r[0] for r in rows],
        duration=[r[1] for r in rows],
        pitch=[r[2] for r in rows],
        string=[r[3] for r in rows],
        fret=[r[4] for r in rows],
    )
