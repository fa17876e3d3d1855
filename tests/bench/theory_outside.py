"""Outside truth for chords, numerals and shapes: music21, and the shapes that handbooks print.

Sources: music21 (Cuthbert & Ariza 2010, ISMIR): ``harmony.CHORD_TYPES``, ``harmony.ChordSymbol``,
``chord.Chord`` and ``roman.romanNumeralFromChord``. The handbook shapes are common practice, from
memory, no source.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from theory import chord_tones, mode_of, name_chord, parse_chord, roman_numeral, voicings
from theory.neck import fret_mm
from theory.scales import tonic_name

ROOTS = ("C", "C#", "D", "E-", "E", "F", "F#", "G", "A-", "A", "B-", "B")

# What handbooks print as the usual open chords; a second form where books differ.
HANDBOOK = {
    "C": "x32010",
    "A": "x02220",
    "G": "320003 320033",
    "E": "022100",
    "D": "xx0232",
    "Am": "x02210",
    "Em": "022000",
    "Dm": "xx0231",
    "F": "133211",
    "A7": "x02020 x02223",
    "B7": "x21202",
    "C7": "x32310",
    "D7": "xx0212",
    "E7": "020100 022130",
    "G7": "320001",
    "Am7": "x02010",
    "Dm7": "xx0211",
    "Em7": "020000 022030",
    "Amaj7": "x02120",
    "Cmaj7": "x32000",
    "Dmaj7": "xx0222",
    "Emaj7": "021100",
    "Fmaj7": "xx3210",
    "Gmaj7": "320002",
    "Asus2": "x02200",
    "Asus4": "x02230",
    "Dsus2": "xx0230",
    "Dsus4": "xx0233",
    "Esus4": "022200",
    "Gsus4": "330013",
    "Cadd9": "x32030 x32033",
    "Bm": "x24432",
    "F#m": "244222",
    "Bb": "x13331",
    "B": "x24442",
    "Fm": "133111",
    "Gm": "355333",
    "C/G": "332010",
    "G/B": "x20003 x20033",
    "D/F#": "200232 2x0232",
    "Am/C": "x32210",
    "E5": "022xxx",
    "A5": "x022xx",
}


@dataclass(frozen=True, slots=True)
class ChordCase:
    """One chord of music21: its symbol in our spelling, and the notes that music21 gives it."""

    symbol: str
    kind: str
    root: int
    bass: int
    midi: tuple[int, ...]


@dataclass(slots=True)
class SymbolResult:
    read: float = 0.0
    named: float = 0.0
    rooted: float = 0.0
    renamed: Counter[tuple[str, str]] = field(default_factory=Counter)
    differences: list[str] = field(default_factory=list)


def chord_cases() -> list[ChordCase]:
    """All roots x all kinds of ``harmony.CHORD_TYPES`` x all inversions."""
    from music21 import harmony

    cases = []
    for kind, (_, abbreviations) in harmony.CHORD_TYPES.items():
        for root in ROOTS:
            plain = harmony.ChordSymbol(root=root, kind=kind)
            for tone in plain.pitches:
                bass = tone.name
                low = tone.midi % 12 + 36
                upper = {p.midi % 12 for p in plain.pitches}
                # The bass below, every note of the chord above it: an inversion by definition.
                midi = (low, *sorted(pc + 60 for pc in upper))
                slash = "" if tone.pitchClass == plain.root().pitchClass else f"/{bass}"
                cases.append(
                    ChordCase(
                        f"{root}{abbreviations[0]}{slash}".replace(f"{root}", _ours(root), 1)
                        if not slash
                        else f"{_ours(root)}{abbreviations[0]}/{_ours(bass)}",
                        kind,
                        plain.root().pitchClass,
                        tone.pitchClass,
                        midi,
                    )
                )
    return cases


def _ours(name: str) -> str:
    return name.replace("-", "b")


def compare_symbols(cases: list[ChordCase]) -> SymbolResult:
    """Symbols read into notes, and notes named as symbols."""
    result = SymbolResult()
    read, named, rooted = [], [], []
    for case in cases:
        wanted = {p % 12 for p in case.midi}
        chord = parse_chord(case.symbol)
        same = set(chord.pitch_classes) == wanted and chord.bass_pc == case.bass
        read.append(same)
        if not same:
            result.differences.append(f"{case.symbol} ({case.kind}) read as {chord.pitch_classes}")
        readings = name_chord(case.midi)
        # Some notes have several names (C6 and Am7); any that stands for exactly these notes,
        # with this bass, is right, and those that put another name first are counted apart.
        exact = bool(readings) and _notes(readings[0].symbol) == wanted
        named.append(exact and readings[0].bass_pc == case.bass)
        if readings and readings[0].kind != chord.kind:
            result.renamed[(case.kind, readings[0].kind)] += 1
        mine = name_chord(case.midi, root=case.root)
        hit = any(set(c.pitch_classes) == wanted and c.kind == chord.kind for c in mine)
        rooted.append(hit)
        if not named[-1]:
            result.differences.append(f"{case.symbol} ({case.kind}) named {readings[:2]}")
    result.read, result.named, result.rooted = (float(np.mean(x)) for x in (read, named, rooted))
    return result


def _notes(symbol: str) -> set[int]:
    """Pitch classes of a symbol by music21's degrees where it knows the kind, else by ours."""
    return set(parse_chord(symbol).pitch_classes)


@dataclass(slots=True)
class NumeralResult:
    count: int = 0
    same: float = 0.0
    accidental: float = 0.0
    differences: Counter[str] = field(default_factory=Counter)


_KINDS = ("", "m", "dim", "aug", "7", "m7", "maj7", "m7b5", "dim7")
_MODES = ("ionian", "dorian", "phrygian", "lydian", "mixolydian", "aeolian", "locrian")


def compare_numerals(*, tonics: Iterable[int] = range(12)) -> NumeralResult:
    """Every diatonic triad and seventh of seven modes, in every inversion."""
    from music21 import chord as m21chord
    from music21 import key, pitch, roman

    result = NumeralResult()
    same, accidental = [], []
    for name in _MODES:
        word = {"ionian": "major", "aeolian": "minor"}.get(name, name)
        for pc in tonics:
            tonic = tonic_name(pc, name)
            mode = mode_of(tonic, name)
            there = key.Key(tonic.replace("b", "-"), word)
            for symbol in _diatonic(mode.notes, mode.pitch_classes):
                tones = chord_tones(symbol)
                for inversion in range(len(tones)):
                    order = [*tones[inversion:], *tones[:inversion]]
                    written = []
                    last = 47
                    for _, note, tone_pc in order:
                        midi = last + 1 + (tone_pc - last - 1) % 12
                        last = midi
                        p = pitch.Pitch(note.replace("b", "-"))
                        p.octave = 4
                        p.octave += round((midi - p.midi) / 12)
                        written.append(p)
                    theirs = roman.romanNumeralFromChord(m21chord.Chord(written), there).figure
                    slash = "" if inversion == 0 else f"/{order[0][1]}"
                    ours = roman_numeral(f"{symbol}{slash}", mode)
                    a, b = _parts(ours), _parts(theirs)
                    same.append(a[1:] == b[1:])
                    accidental.append(a == b)
                    if a != b:
                        result.differences[f"{word}: {ours} / music21 {theirs}"] += 1
    result.count = len(same)
    result.same, result.accidental = float(np.mean(same)), float(np.mean(accidental))
    return result


def compare_foreign() -> float:
    """Share of the same numerals for triads and sevenths on all twelve roots in four keys."""
    from music21 import chord as m21chord
    from music21 import harmony, key, roman

    same = []
    for tonic, word in (("C", "major"), ("A", "minor"), ("D", "mixolydian"), ("A", "dorian")):
        mode, there = mode_of(tonic, word), key.Key(tonic, word)
        for root in (*ROOTS, "D-"):
            for kind, suffix in (("major", ""), ("minor", "m"), ("dominant-seventh", "7")):
                notes = harmony.ChordSymbol(root=root, kind=kind).pitches
                theirs = roman.romanNumeralFromChord(m21chord.Chord(notes), there).figure
                ours = roman_numeral(_ours(root) + suffix, mode)
                same.append(_parts(ours)[1:] == _parts(theirs)[1:])
    return float(np.mean(same))


def _diatonic(notes: tuple[str, ...], pcs: tuple[int, ...]) -> list[str]:
    """Triad and seventh on each degree, as symbols."""
    from theory import KINDS

    found = []
    for degree in range(7):
        for size in (3, 4):
            steps = {(pcs[(degree + 2 * i) % 7] - pcs[degree]) % 12 for i in range(size)}
            kind = next(k for k in _KINDS if set(KINDS[k].steps) == steps)
            found.append(notes[degree] + kind)
    return found


def _parts(figure: str) -> tuple[str, str, str, str]:
    """Accidental, numeral in its case, quality sign, and the figures of the inversion.

    Figures are reduced to the inversion: music21 adds accidentals to them where the key signature
    of its parent differs from the chord (``Ib753``), and we write ``maj7`` for a major seventh.
    """
    import re

    match = re.match(r"^([#b]*)([ivIV]+)([oø+]?)(.*)$", figure)
    assert match, figure
    accidental, numeral, quality, rest = match.groups()
    digits = re.sub(r"[^0-9]", "", re.sub(r"\[.*?\]", "", rest))
    full = {"5": "", "53": "", "63": "6", "753": "7", "653": "65", "643": "43", "642": "42"}
    digits = full.get(digits, digits)
    return accidental, numeral, quality, digits


@dataclass(slots=True)
class ShapeResult:
    chords: int = 0
    shapes: int = 0
    right: float = 0.0
    within: float = 0.0
    found: float = 0.0


def check_shapes(
    open_midi: tuple[int, ...] = (64, 59, 55, 50, 45, 40),
    *,
    span_mm: float = 98.0,
    kinds: tuple[str, ...] = (
        *("", "m", "7", "m7", "maj7", "5", "sus4", "sus2", "dim", "m7b5", "dim7", "aug"),
        *("add9", "6", "m6", "7sus4", "9"),
    ),
) -> ShapeResult:
    """Each shape worked out again from its frets: notes, bass, and stretch."""
    from theory import KINDS

    right, within, found = [], [], []
    for kind in kinds:
        for root in ROOTS:
            symbol = _ours(root) + kind
            shapes = voicings(symbol, open_midi=open_midi, hand_span_mm=span_mm, limit=40)
            found.append(bool(shapes))
            base = parse_chord(symbol).root_pc
            own = {(base + s) % 12 for s in KINDS[kind].steps}
            needed = own - {(base + s) % 12 for s in KINDS[kind].optional}
            for shape in shapes:
                pitches = [
                    p + f for p, f in zip(open_midi, shape.frets, strict=True) if f is not None
                ]
                heard = {p % 12 for p in pitches}
                right.append(needed <= heard <= own and min(pitches) % 12 == base)
                stopped = [f for f in shape.frets if f]
                apart = fret_mm(max(stopped), 648) - fret_mm(min(stopped), 648) if stopped else 0.0
                within.append(apart <= span_mm)
    return ShapeResult(
        len(found), len(right), float(np.mean(right)), float(np.mean(within)), float(np.mean(found))
    )


def handbook_rank(symbol: str) -> int | None:
    """Place of the handbook's shape in the list of `voicings`, from 1; None if it is not there."""
    wanted = HANDBOOK[symbol].split()
    found = [s.short for s in voicings(symbol, limit=60)]
    ranks = [found.index(w) + 1 for w in wanted if w in found]
    return min(ranks) if ranks else None
