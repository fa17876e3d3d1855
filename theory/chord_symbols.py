"""Chord kinds as read-only tables; chord symbols read, written and named from notes.

Conventions: a chord is a root (pitch class, 0 = C), a kind and a bass (pitch class); a symbol is
written root, kind, then ``/bass`` where the bass is not the root (``Am7/G``). ``steps`` are
semitones above the root.

Source: the chord kinds are those of the MusicXML 4.0 ``kind`` element (W3C Music Notation
Community Group); added-note, seventh-with-suspension and six-nine chords are common practice.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType

from theory.errors import TheoryError
from theory.scales import USUAL_NAMES, note_name, parse_note

__all__ = [
    "KINDS",
    "Chord",
    "ChordKind",
    "as_chord",
    "chord_tones",
    "known_symbol",
    "name_chord",
    "parse_chord",
]


@dataclass(frozen=True, slots=True)
class ChordKind:
    """One kind: what is written after the root, its notes, and how it is ranked and voiced.

    ``rank`` orders kinds from plain to rare. ``optional`` are steps that players leave out.
    ``degrees`` are the labels of the steps.
    """

    suffix: str
    words: str
    steps: tuple[int, ...]
    degrees: tuple[str, ...]
    rank: int
    optional: tuple[int, ...] = ()

    @property
    def minor(self) -> bool:
        """Whether the third is minor (False where there is no third)."""
        return 3 in self.steps and 4 not in self.steps

    @property
    def has_third(self) -> bool:
        """Whether a third sounds at all."""
        return 3 in self.steps or 4 in self.steps


_SEMITONES = {"1": 0, "2": 2, "3": 4, "4": 5, "5": 7, "6": 9, "7": 11, "9": 14, "11": 17, "13": 21}


def _step(degree: str) -> int:
    number = degree.lstrip("b#")
    return (_SEMITONES[number] + degree.count("#") - degree.count("b")) % 12


def _table() -> dict[str, ChordKind]:
    # suffix; words; degrees (those in brackets may be left out); plain kinds first
    rows = """
    ; major; 1 3 5
    m; minor; 1 b3 5
    7; dominant seventh; 1 3 (5) b7
    m7; minor seventh; 1 b3 (5) b7
    maj7; major seventh; 1 3 (5) 7
    5; power chord; 1 5
    sus4; suspended fourth; 1 4 5
    sus2; suspended second; 1 2 5
    dim; diminished; 1 b3 b5
    m7b5; half-diminished seventh; 1 b3 b5 b7
    dim7; diminished seventh; 1 b3 b5 bb7
    aug; augmented; 1 3 #5
    add9; added ninth; 1 3 5 9
    6; sixth; 1 3 (5) 6
    m6; minor sixth; 1 b3 (5) 6
    7sus4; seventh with suspended fourth; 1 4 (5) b7
    madd9; minor with added ninth; 1 b3 5 9
    mMaj7; minor with major seventh; 1 b3 (5) 7
    9; dominant ninth; 1 3 (5) b7 9
    m9; minor ninth; 1 b3 (5) b7 9
    maj9; major ninth; 1 3 (5) 7 9
    6/9; six-nine; 1 3 (5) 6 9
    m6/9; minor six-nine; 1 b3 (5) 6 9
    add11; added eleventh; 1 3 5 11
    aug7; augmented seventh; 1 3 #5 b7
    7b5; seventh with flat fifth; 1 3 b5 b7
    7b9; seventh with flat ninth; 1 3 (5) b7 b9
    7#9; seventh with sharp ninth; 1 3 (5) b7 #9
    9sus4; ninth with suspended fourth; 1 4 (5) b7 9
    augmaj7; augmented major seventh; 1 3 #5 7
    mMaj9; minor-major ninth; 1 b3 (5) 7 9
    augmaj9; augmented major ninth; 1 3 #5 7 9
    aug9; augmented ninth; 1 3 #5 b7 9
    m9b5; half-diminished ninth; 1 b3 b5 b7 9
    m7b5b9; half-diminished with flat ninth; 1 b3 b5 b7 b9
    dim9; diminished ninth; 1 b3 b5 bb7 9
    dim7b9; diminished with flat ninth; 1 b3 b5 bb7 b9
    11; dominant eleventh; 1 (3) (5) b7 9 11
    m11; minor eleventh; 1 b3 (5) b7 (9) 11
    maj11; major eleventh; 1 (3) (5) 7 9 11
    mMaj11; minor-major eleventh; 1 b3 (5) 7 (9) 11
    augmaj11; augmented major eleventh; 1 3 #5 7 9 11
    aug11; augmented eleventh; 1 3 #5 b7 9 11
    m11b5; half-diminished eleventh; 1 b3 b5 b7 9 11
    dim11; diminished eleventh; 1 b3 b5 bb7 9 11
    13; dominant thirteenth; 1 3 (5) b7 (9) (11) 13
    m13; minor thirteenth; 1 b3 (5) b7 (9) (11) 13
    maj13; major thirteenth; 1 3 (5) 7 (9) (11) 13
    mMaj13; minor-major thirteenth; 1 b3 (5) 7 (9) (11) 13
    augmaj13; augmented major thirteenth; 1 3 #5 7 9 11 13
    aug13; augmented thirteenth; 1 3 #5 b7 9 11 13
    m13b5; half-diminished thirteenth; 1 b3 b5 b7 9 11 13
    (b5); major with flat fifth; 1 3 b5
    N6; Neapolitan sixth; 1 b2 3 b5
    It6; Italian sixth; 1 #4 b6
    Fr6; French sixth; 1 2 #4 b6
    Ger6; German sixth; 1 b3 #4 b6
    tristan; Tristan chord; 1 #4 #6 #9
    1; single note; 1
    """
    kinds = {}
    for rank, row in enumerate(rows.strip().splitlines()):
        suffix, words, degrees = (part.strip() for part in row.split(";"))
        labels = [d.strip("()") for d in degrees.split()]
        optional = tuple(_step(d.strip("()")) for d in degrees.split() if d.startswith("("))
        kinds[suffix] = ChordKind(
            suffix, words, tuple(_step(d) for d in labels), tuple(labels), rank, optional
        )
    return kinds


KINDS: Mapping[str, ChordKind] = MappingProxyType(_table())
"""Every chord kind by its suffix, plain kinds first."""

_COMMON = KINDS["maj9"].rank  # kinds up to here are read before the root in the bass is preferred
_PRE_DOMINANT = KINDS["N6"].rank  # Neapolitan and augmented sixths are named last of all

_SPELLINGS = (
    (r"^(?:minmaj|mmaj|mM|-M)", "mMaj"),
    (r"^\+(?:M|maj)", "augmaj"),
    (r"^Δ$", "maj7"),
    (r"^(?:maj|Maj|ma(?!dd|j)|j|Δ|M)(?!or)", "maj"),
    (r"^(?:min|mi(?!n)|-)(?!or)", "m"),
    (r"^dom(?=\d)", ""),
    (r"^\+", "aug"),
    (r"^[o°]", "dim"),
    (r"^ø7?$", "m7b5"),
    (r"^ø(\d+)$", r"m\1b5"),
)
"""How people begin a kind in other ways, and its usual beginning."""

_ALIASES: Mapping[str, str] = MappingProxyType(
    {
        alias: suffix
        for suffix, names in {
            "": "maj major",
            "m": "minor",
            "7": "dom",
            "5": "power no3",
            "sus4": "sus",
            "m7b5": "hdim7",
            "aug": "#5",
            "add9": "add2",
            "madd9": "madd2",
            "6": "maj6 add6",
            "7sus4": "7sus",
            "9sus4": "9sus",
            "mMaj7": "m#7",
            "6/9": "69 6add9",
            "m6/9": "m69",
            "add11": "add4",
            "aug7": "7+ 7#5",
            "7b5": "7dim5",
            "augmaj7": "maj7#5",
            "aug9": "9#5",
            "m7b5b9": "øb9",
            "dim7b9": "dimb9",
            "(b5)": "b5",
            "It6": "It+6 It",
            "Fr6": "Fr+6 Fr",
            "Ger6": "Gr+6 Ger",
            "1": "pedal",
        }.items()
        for alias in names.split()
    }
)
_SYMBOL = re.compile(r"^([A-G](?:##?|bb?)?)(.*)$")


@dataclass(frozen=True, slots=True)
class Chord:
    """A chord: ``root`` and ``bass`` are note names, ``kind`` is one of `KINDS`."""

    root: str
    kind: str
    bass: str

    @property
    def root_pc(self) -> int:
        """Pitch class of the root."""
        return parse_note(self.root)

    @property
    def bass_pc(self) -> int:
        """Pitch class of the bass."""
        return parse_note(self.bass)

    @property
    def pitch_classes(self) -> tuple[int, ...]:
        """Pitch classes from the root up; a bass foreign to the chord comes last."""
        own = tuple((self.root_pc + s) % 12 for s in KINDS[self.kind].steps)
        return own if self.bass_pc in own else (*own, self.bass_pc)

    @property
    def inversion(self) -> int:
        """0 in root position, 1 with the third in the bass, ...; -1 for a foreign bass."""
        own = [(self.root_pc + s) % 12 for s in KINDS[self.kind].steps]
        return own.index(self.bass_pc) if self.bass_pc in own else -1

    @property
    def symbol(self) -> str:
        """The chord symbol."""
        slash = "" if self.bass_pc == self.root_pc else f"/{self.bass}"
        return f"{self.root}{self.kind}{slash}"

    def __str__(self) -> str:
        return self.symbol


_ALTERATION = re.compile(r"(?!\d*$)(?:alt|no|omit|add|sus|maj|[#b♯♭+(), -]|\d)+", re.I)
"""What may follow a chord that is named by its beginning."""


def parse_chord(symbol: str) -> Chord:
    """The chord that a symbol such as ``F#m7``, ``Bbsus4`` or ``C/E`` names.

    Parameters
    ----------
    symbol : str

    Returns
    -------
    Chord

    Raises
    ------
    TheoryError
        If the symbol does not start with a note A-G or its kind is unknown.

    Examples
    --------
    >>> parse_chord("Cmin7/Bb")
    Chord(root='C', kind='m7', bass='Bb')
    """
    text = symbol.strip().replace("♯", "#").replace("♭", "b")
    match = _SYMBOL.match(text)
    if match is None:
        raise TheoryError(f"{symbol!r} is not a chord; start with a note A-G, such as F#m7 or C/E")
    root, rest = match.groups()
    bass = root
    if _suffix_of(rest) is None and "/" in rest:
        rest, _, slash = rest.rpartition("/")
        parse_note(slash)
        bass = slash[0].upper() + slash[1:]
    kind = _suffix_of(rest)
    if kind is None:
        raise TheoryError(
            f"{symbol!r}: no chord kind is written {rest!r}; use one such as "
            "m, 7, m7, maj7, sus4, sus2, dim, aug, add9, 6 or 5"
        )
    return Chord(root, kind, bass)


def known_symbol(symbol: str) -> str:
    """A symbol that `parse_chord` reads: the given one, or the plainer chord that it begins with.

    Of ``Cmaj7#11``, whose own kind is unknown, that is ``Cmaj7``. A word that begins with the
    letter of a note (``Ad lib``) is no chord.

    Raises
    ------
    TheoryError
        If no chord begins it, or what follows is no alteration.

    Examples
    --------
    >>> known_symbol("Cm7"), known_symbol("C7alt"), known_symbol("Am7(no5)/G")
    ('Cm7', 'C7', 'Am7/G')
    """
    try:
        parse_chord(symbol)
        return symbol
    except TheoryError:
        whole, slash, bass = symbol.strip().rpartition("/")
        text = whole if slash and re.fullmatch(r"[A-G][#b♯♭]?", bass) else symbol.strip()
        slash = symbol.strip()[len(text) :]
        for end in range(len(text) - 1, 0, -1):
            if _ALTERATION.fullmatch(text[end:]):
                with contextlib.suppress(TheoryError):
                    return parse_chord(text[:end] + slash).symbol
        raise


def _suffix_of(text: str) -> str | None:
    """The suffix in `KINDS` of a kind, however people write it; None where it is no kind."""
    if text in KINDS:
        return text
    text = text.replace("(", "").replace(")", "")
    for beginning, usual in _SPELLINGS:
        text = re.sub(beginning, usual, text)
    return text if text in KINDS else _ALIASES.get(text)


def as_chord(chord: Chord | str) -> Chord:
    """A chord given as itself or by its symbol."""
    return parse_chord(chord) if isinstance(chord, str) else chord


@lru_cache(maxsize=256)
def chord_tones(chord: Chord | str) -> tuple[tuple[str, str, int], ...]:
    """The notes of a chord, spelled from the root.

    Parameters
    ----------
    chord : Chord or str

    Returns
    -------
    tuple of (degree, note name, pitch class 0-11)
        From the root up.

    Raises
    ------
    TheoryError
        If the symbol cannot be read.

    Examples
    --------
    >>> chord_tones("D7")
    (('1', 'D', 2), ('3', 'F#', 6), ('5', 'A', 9), ('b7', 'C', 0))
    """
    chord = as_chord(chord)
    kind = KINDS[chord.kind]
    letter = "CDEFGAB".index(chord.root[0])
    return tuple(
        (
            degree,
            note_name(letter + int(degree.lstrip("b#")) - 1, (chord.root_pc + step) % 12),
            (chord.root_pc + step) % 12,
        )
        for degree, step in zip(kind.degrees, kind.steps, strict=True)
    )


def name_chord(
    pitch_midi: Iterable[int], *, root: int | None = None, names: Mapping[int, str] | None = None
) -> tuple[Chord, ...]:
    """Every reading of the notes as a chord, best first; empty where no kind fits exactly.

    The notes must be the chord's notes, no more; a fifth or other note that players leave out may
    be missing. Readings are ordered: complete before incomplete, root in the bass before
    inversions, plain kinds before rare ones.

    Parameters
    ----------
    pitch_midi : iterable of int, at least one
        MIDI numbers; the lowest is the bass.
    root : int, 0-11, optional
        Keep only readings on this pitch class.
    names : mapping of int to str, optional
        Pitch class to note name, for roots and basses; else the commonest names.

    Returns
    -------
    tuple of Chord

    Raises
    ------
    TheoryError
        If there are no notes.

    Examples
    --------
    >>> [chord.symbol for chord in name_chord([57, 60, 64, 67])]
    ['Am7', 'C6/A']
    """
    pitches = sorted(int(p) for p in pitch_midi)
    if not pitches:
        raise TheoryError("there are no notes to name a chord from; give at least one")
    bass = pitches[0] % 12
    heard = {p % 12 for p in pitches}
    spelled = dict(enumerate(USUAL_NAMES)) | dict(names or {})
    found = []
    for candidate in range(12) if root is None else (root % 12,):
        steps = {(pc - candidate) % 12 for pc in heard}
        if 0 not in steps:
            continue
        for kind in KINDS.values():
            extra = steps - set(kind.steps)
            missing = set(kind.steps) - steps
            if extra or missing - set(kind.optional):
                continue
            inverted = candidate != bass and kind.suffix not in ("m", "")
            rare = (kind.rank > _COMMON) + (kind.rank >= _PRE_DOMINANT)
            rank = (len(missing), rare, inverted, kind.rank)
            name = spelled[candidate]
            chord = Chord(name, kind.suffix, name)
            low = next((n for _, n, pc in chord_tones(chord) if pc == bass), spelled[bass])
            found.append((rank, Chord(name, kind.suffix, name if bass == candidate else low)))
    return tuple(chord for _, chord in sorted(found, key=lambda item: item[0]))
