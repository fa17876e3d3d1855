"""Ways to play a chord, searched on the instrument.

Conventions: string 1 is the highest-sounding string, ``open_midi`` lists string 1 first; frets
count from the capo. Nothing is looked up: every shape that sounds the chord's notes and no other
within the hand span is built string by string, and the handiest are kept.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from functools import lru_cache

from theory.errors import TheoryError
from theory.kinds import KINDS, Chord, chord_tones, parse_chord
from theory.shapes import (
    CAUTION,
    WIDE_MM,
    Shape,
    check_neck,
    finger_frets,
    fret_mm,
    stretch_mm,
)

__all__ = ["CapoPlan", "capo_plans", "drone_shapes", "power_shapes", "transpose", "voicings"]

_TOP_FRET = 12  # shapes higher up repeat those an octave lower
_ABOUT_AS_HANDY = 0.5  # finger
_OPEN_TOP = 4  # an open shape stops no string above this fret


@dataclass(frozen=True, slots=True)
class _Neck:
    open_midi: tuple[int, ...]
    capo: int
    frets: int
    scale_length_mm: float
    span_mm: float
    silent: frozenset[int]  # string indices from 0

    def pitch(self, string: int, fret: int) -> int:
        return self.open_midi[string] + self.capo + fret


def voicings(
    symbol: str | Chord,
    *,
    open_midi: Iterable[int] = (64, 59, 55, 50, 45, 40),
    capo: int = 0,
    frets: int = 22,
    scale_length_mm: float = 648.0,
    hand_span_mm: float = 98.0,
    leave_out: Iterable[int] = (),
    drone_string: int | None = None,
    limit: int = 12,
) -> tuple[Shape, ...]:
    """Playable shapes for a chord, handiest first.

    Every shape sounds all the chord's notes (a fifth or other note that players leave out may be
    missing, at a cost) and none besides, with the bass that the symbol asks for wherever the
    instrument has it. With ``drone_string`` the two-string shapes over that open string follow.

    Parameters
    ----------
    symbol : chord symbol such as ``Am7`` or ``C/E``
    open_midi : open strings without the capo, string 1 first
    leave_out : strings (from 1) that must stay silent
    hand_span_mm : the widest stretch along the neck between the first and the last finger

    Raises
    ------
    TheoryError
        If the symbol cannot be read, the instrument is impossible, or a string number is not on
        the instrument.
    """
    chord = parse_chord(symbol) if isinstance(symbol, str) else symbol
    neck = _neck(open_midi, capo, frets, scale_length_mm, hand_span_mm, leave_out)
    found = list(_search(chord, neck)[: max(limit, 0)])
    if drone_string is not None:
        found.extend(_drone_shapes(chord, neck, drone_string, None))
    return tuple(found)


def _neck(
    open_midi: Iterable[int],
    capo: int,
    frets: int,
    scale_length_mm: float,
    hand_span_mm: float,
    leave_out: Iterable[int],
) -> _Neck:
    strings = tuple(int(p) for p in open_midi)
    check_neck(strings, capo, frets, scale_length_mm)
    if not hand_span_mm > 0:
        raise TheoryError(f"a hand span is above 0 mm, not {hand_span_mm:g}")
    silent = frozenset(int(s) - 1 for s in leave_out)
    for string in silent:
        if not 0 <= string < len(strings):
            raise TheoryError(
                f"string {string + 1} is not on the instrument; it has 1 to {len(strings)}"
            )
    return _Neck(strings, capo, frets, float(scale_length_mm), float(hand_span_mm), silent)


@lru_cache(maxsize=512)
def _search(chord: Chord, neck: _Neck) -> tuple[Shape, ...]:
    tones = {pc: degree for degree, _, pc in chord_tones(chord)}
    if chord.bass_pc not in tones:
        tones[chord.bass_pc] = "bass"
    kind = KINDS[chord.kind]
    optional = {(chord.root_pc + s) % 12 for s in kind.optional} - {chord.bass_pc}
    if neck.silent and len(kind.steps) > 3:
        # With strings left out on purpose a seventh may go without its third as well.
        optional |= {(chord.root_pc + s) % 12 for s in kind.steps if s in (3, 4, 7)}
    needed = frozenset(set(tones) - optional)
    shapes: dict[tuple[int | None, ...], Shape] = {}
    for strict in (True, False):
        for frets in _candidates(tones, needed, neck):
            if frets in shapes:
                continue
            shape = _shape(chord, frets, tones, neck, strict_bass=strict)
            if shape is not None:
                shapes[frets] = shape
        if shapes:
            break  # another bass only where the instrument cannot give the right one
    ranked = sorted(shapes.values(), key=lambda s: (s.cost, s.short))
    return _varied(ranked)


def _varied(ranked: list[Shape]) -> tuple[Shape, ...]:
    """The shapes without those that only leave out strings of one about as handy."""
    full = [shape for shape in ranked if not _holes(shape)]
    return tuple(
        shape
        for shape in ranked
        if not any(
            other is not shape
            and other.cost <= shape.cost + _ABOUT_AS_HANDY
            and _fingers(other) <= _fingers(shape)
            and _within(shape.frets, other.frets)
            for other in full
        )
    )


def _fingers(shape: Shape) -> int:
    return len({f for f in shape.fingers if f})


def _holes(shape: Shape) -> bool:
    """Whether a silent string lies between sounding ones."""
    sounding = [s for s, f in enumerate(shape.frets) if f is not None]
    return any(f is None for f in shape.frets[sounding[0] : sounding[-1]])


def _within(small: tuple[int | None, ...], large: tuple[int | None, ...]) -> bool:
    return all(a is None or a == b for a, b in zip(small, large, strict=True))


def _candidates(
    tones: dict[int, str], needed: frozenset[int], neck: _Neck
) -> Iterator[tuple[int | None, ...]]:
    """Every set of frets that holds the needed notes within one hand position."""
    top = min(_TOP_FRET, neck.frets - neck.capo)
    n = len(neck.open_midi)
    for low in range(0, top + 1):
        # ``low`` is the lowest stopped fret; 0 stands for nothing but open strings.
        reach = [
            f
            for f in range(low, top + 4)
            if f <= neck.frets - neck.capo and _apart(low, f, neck) <= neck.span_mm
        ]
        options: list[list[int | None]] = []
        for string in range(n):
            choice: list[int | None] = [None]
            if string not in neck.silent:
                stops = [0, *reach] if low else [0]
                choice += [f for f in stops if neck.pitch(string, f) % 12 in tones]
            options.append(choice)
        yield from _combine(options, low, needed, neck)


def _apart(low: int, high: int, neck: _Neck) -> float:
    return fret_mm(high + neck.capo, neck.scale_length_mm) - fret_mm(
        low + neck.capo, neck.scale_length_mm
    )


def _combine(
    options: list[list[int | None]], low: int, needed: frozenset[int], neck: _Neck
) -> Iterator[tuple[int | None, ...]]:
    n = len(options)

    def walk(
        string: int, chosen: tuple[int | None, ...], left: frozenset[int], holes: int
    ) -> Iterator[tuple[int | None, ...]]:
        if string == n:
            if not left and (low == 0 or low in chosen):
                yield chosen
            return
        if len(left) > n - string:
            return
        for fret in options[string]:
            stopped = sum(1 for f in chosen if f and f > low) + bool(fret and fret > low)
            if stopped > 4:
                continue
            rest = left if fret is None else left - {neck.pitch(string, fret) % 12}
            yield from walk(string + 1, (*chosen, fret), rest, holes)

    yield from walk(0, (), needed, 0)


def _shape(
    chord: Chord,
    frets: tuple[int | None, ...],
    tones: dict[int, str],
    neck: _Neck,
    *,
    strict_bass: bool,
) -> Shape | None:
    sounding = [s for s, f in enumerate(frets) if f is not None]
    holes = [s for s in range(sounding[0], sounding[-1]) if frets[s] is None]
    inner = [s for s in holes if s not in neck.silent]
    if len(inner) > 1:
        return None
    pitches = {s: neck.pitch(s, f) for s, f in enumerate(frets) if f is not None}
    bass_right = min(pitches.values()) % 12 == chord.bass_pc
    if strict_bass and not bass_right:
        return None
    stretch = stretch_mm(frets, capo=neck.capo, scale_length_mm=neck.scale_length_mm)
    if stretch > neck.span_mm:
        return None
    held = finger_frets(frets, capo=neck.capo, scale_length_mm=neck.scale_length_mm)
    if held is None:
        return None
    fingers, barre = held
    open_strings = sum(1 for f in frets if f == 0)
    stopped = [f for f in frets if f]
    is_open = open_strings > 0 and max(stopped, default=0) <= _OPEN_TOP
    kind = "partial" if neck.silent else "open" if open_strings else "movable"
    cost = _cost(chord, frets, pitches, fingers, barre, stretch, len(inner), is_open)
    return Shape(
        symbol=chord.symbol,
        kind="power" if chord.kind == "5" else kind,
        level="plain",
        frets=frets,
        fingers=fingers,
        pitch_midi=tuple(sorted(pitches.values())),
        degrees=tuple(
            None if s not in pitches else tones[pitches[s] % 12] for s in range(len(frets))
        ),
        missing=tuple(
            degree
            for degree, _, pc in chord_tones(chord)
            if pc not in {p % 12 for p in pitches.values()}
        ),
        stretch_mm=round(stretch, 1),
        cost=round(cost + (0.0 if bass_right else 2.0), 2),
        barre=barre,
        capo=neck.capo,
        caution=CAUTION if stretch >= WIDE_MM else "",
    )


def _cost(
    chord: Chord,
    frets: tuple[int | None, ...],
    pitches: dict[int, int],
    fingers: tuple[int | None, ...],
    barre: tuple[int, int, int] | None,
    stretch: float,
    inner: int,
    is_open: bool,
) -> float:
    """How unhandy a shape is, in units of about one finger (by hand)."""
    stopped = [f for f in frets if f]
    used = len({f for f in fingers if f})
    classes = [p % 12 for p in pitches.values()]
    missing = len(set(chord.pitch_classes) - set(classes))
    third = [pc for pc in classes if (pc - chord.root_pc) % 12 in (3, 4)]
    has_third = KINDS[chord.kind].has_third
    high_up = min(stopped, default=0)
    mixed = 0 in frets and not is_open
    return (
        0.45 * used
        + (0.9 if barre is not None else 0.0)
        + stretch / 40.0
        + 0.36 * high_up
        + 0.9 * (6 / len(frets)) ** 2 * sum(1 for f in frets if f is None)
        + 3.2 * inner
        + 1.2 * missing
        + (0.8 if not third and has_third else 0.0)
        + 0.25 * max(0, len(third) - 1)
        + (2.0 if mixed else 0.0)
        + (1.5 if _cramped(frets, barre) else 0.0)
        + (1.0 if barre is not None and 0 in frets[: barre[2]] else 0.0)
        + (0.0 if 0 in frets else 0.6)
    )


def _cramped(frets: tuple[int | None, ...], barre: tuple[int, int, int] | None) -> bool:
    """Whether two fingers share the lowest fret far apart, with nothing between to lie on."""
    stopped = [(f, s) for s, f in enumerate(frets) if f]
    if barre is not None or not stopped:
        return False
    low = min(f for f, _ in stopped)
    strings = sorted(s for f, s in stopped if f == low)
    return any(b - a >= 3 for a, b in itertools.pairwise(strings))


def power_shapes(
    symbol: str | Chord,
    *,
    open_midi: Iterable[int] = (64, 59, 55, 50, 45, 40),
    capo: int = 0,
    frets: int = 22,
    scale_length_mm: float = 648.0,
    hand_span_mm: float = 98.0,
) -> tuple[Shape, ...]:
    """Root and fifth (and the octave) from each low string on which the root lies.

    Raises
    ------
    TheoryError
        As `voicings`.
    """
    chord = parse_chord(symbol) if isinstance(symbol, str) else symbol
    neck = _neck(open_midi, capo, frets, scale_length_mm, hand_span_mm, ())
    power = Chord(chord.root, "5", chord.root)
    tones = {pc: degree for degree, _, pc in chord_tones(power)}
    n = len(neck.open_midi)
    found = []
    for root_string in range(n - 1, 1, -1):
        fret = (power.root_pc - neck.pitch(root_string, 0)) % 12
        if fret > neck.frets - neck.capo:
            continue
        for size in (3, 2):
            stops: list[int | None] = [None] * n
            stops[root_string] = fret
            root = neck.pitch(root_string, fret)
            for i, interval in enumerate((7, 12)[: size - 1], 1):
                stops[root_string - i] = root + interval - neck.pitch(root_string - i, 0)
            chosen = [f for f in stops if f is not None]
            if min(chosen) < 0 or max(chosen) > neck.frets - neck.capo:
                continue
            shape = _shape(power, tuple(stops), tones, neck, strict_bass=True)
            if shape is not None:
                found.append(replace(shape, level="heavier" if size == 3 else "easier"))
    return tuple(sorted(found, key=lambda s: (s.cost, s.short)))


def drone_shapes(
    symbol: str | Chord,
    *,
    drone_string: int,
    melody_string: int | None = None,
    open_midi: Iterable[int] = (64, 59, 55, 50, 45, 40),
    capo: int = 0,
    frets: int = 22,
    scale_length_mm: float = 648.0,
) -> tuple[Shape, ...]:
    """Two-string shapes: the drone string open and one stopped note that states the chord.

    ``melody_string`` is the string beside the drone that carries the notes (both neighbours
    where it is None). The root states a chord best; where the drone already sounds the root, the
    third does. A stopped note that only doubles the drone states nothing: it is given where there
    is no other.

    Raises
    ------
    TheoryError
        If a string is not on the instrument, or the two are the same.
    """
    chord = parse_chord(symbol) if isinstance(symbol, str) else symbol
    neck = _neck(open_midi, capo, frets, scale_length_mm, 98.0, ())
    return _drone_shapes(chord, neck, drone_string, melody_string)


def _drone_shapes(
    chord: Chord, neck: _Neck, drone_string: int, melody_string: int | None
) -> tuple[Shape, ...]:
    n = len(neck.open_midi)
    for string in (drone_string, melody_string):
        if string is not None and not 1 <= string <= n:
            raise TheoryError(f"string {string} is not on the instrument; it has 1 to {n}")
    if melody_string == drone_string:
        raise TheoryError(f"string {drone_string} is the drone; give another melody string")
    drone = drone_string - 1
    drone_pc = neck.pitch(drone, 0) % 12
    neighbours = [drone - 1, drone + 1] if melody_string is None else [melody_string - 1]
    order = ["third", "root", "fifth"] if drone_pc == chord.root_pc else ["root", "third", "fifth"]
    steps = {"root": (0,), "third": (3, 4, 5, 2), "fifth": (7, 6, 8)}
    tones = {pc: degree for degree, _, pc in chord_tones(chord)}
    found = []
    for rank, part in enumerate(order):
        for melody in neighbours:
            if not 0 <= melody < n:
                continue
            own = [s for s in steps[part] if s in KINDS[chord.kind].steps]
            if not own:
                continue
            pc = (chord.root_pc + own[0]) % 12
            # An octave up it is the same shape again, only further off.
            fret = (pc - neck.pitch(melody, 0)) % 12
            if fret <= neck.frets - neck.capo:
                found.append(_two_strings(chord, neck, drone, melody, fret, tones, rank))
    stated = [s for s in found if len({p % 12 for p in s.pitch_midi}) > 1]
    return tuple(sorted(stated or found, key=lambda s: s.cost))


def _two_strings(
    chord: Chord, neck: _Neck, drone: int, melody: int, fret: int, tones: dict[int, str], rank: int
) -> Shape:
    frets: list[int | None] = [None] * len(neck.open_midi)
    frets[drone], frets[melody] = 0, fret
    degrees: list[str | None] = [None] * len(frets)
    degrees[drone] = tones.get(neck.pitch(drone, 0) % 12, "drone")
    degrees[melody] = tones[neck.pitch(melody, fret) % 12]
    fingers: list[int | None] = [None] * len(frets)
    fingers[drone], fingers[melody] = 0, 1 if fret else 0
    return Shape(
        symbol=chord.symbol,
        kind="drone",
        level="easier",
        frets=tuple(frets),
        fingers=tuple(fingers),
        pitch_midi=tuple(sorted((neck.pitch(drone, 0), neck.pitch(melody, fret)))),
        degrees=tuple(degrees),
        missing=tuple(degree for degree, _, _ in chord_tones(chord) if degree not in degrees),
        stretch_mm=0.0,
        cost=round(rank * 2.0 + fret * 0.1, 2),
        capo=neck.capo,
    )


@dataclass(frozen=True, slots=True)
class CapoPlan:
    """Playing a loop with a capo: the shapes to think of at ``capo``, and how handy they are.

    ``symbols`` are the shapes by the names that hands know (a G shape at capo 2 sounds A);
    ``cost`` is the mean cost of the handiest shape of each chord, and a little for each fret.
    """

    capo: int
    symbols: tuple[str, ...]
    shapes: tuple[Shape, ...]
    cost: float


_PLAIN = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")


def transpose(symbol: str, semitones: int) -> str:
    """The chord symbol moved by ``semitones``, with the commonest names.

    >>> transpose("Bm7/A", -2)
    'Am7/G'
    """
    chord = parse_chord(symbol)
    root = _PLAIN[(chord.root_pc + semitones) % 12]
    bass = _PLAIN[(chord.bass_pc + semitones) % 12]
    if chord.bass_pc == chord.root_pc:
        bass = root
    return Chord(root, chord.kind, bass).symbol


def capo_plans(
    symbols: Iterable[str],
    *,
    open_midi: Iterable[int] = (64, 59, 55, 50, 45, 40),
    capo: int = 0,
    frets: int = 22,
    scale_length_mm: float = 648.0,
    hand_span_mm: float = 98.0,
    top_capo: int = 7,
) -> tuple[CapoPlan, ...]:
    """Easier ways to play a loop with a capo, handiest first; empty where none is easier.

    Compared with playing it at ``capo``; every plan sounds the same chords.

    Raises
    ------
    TheoryError
        As `voicings`.
    """
    wanted = tuple(dict.fromkeys(symbols))
    strings = tuple(open_midi)

    def plan(fret: int) -> CapoPlan | None:
        shapes = []
        for symbol in wanted:
            found = voicings(
                symbol,
                open_midi=strings,
                capo=fret,
                frets=frets,
                scale_length_mm=scale_length_mm,
                hand_span_mm=hand_span_mm,
                limit=1,
            )
            if not found:
                return None
            shapes.append(found[0])
        named = tuple(transpose(symbol, -fret) for symbol in wanted)
        mean = sum(shape.cost for shape in shapes) / max(1, len(shapes))
        # A capo far up the neck thins the sound, so it has to earn its place.
        return CapoPlan(fret, named, tuple(shapes), round(mean + 0.08 * fret, 2))

    here = plan(capo)
    if here is None or not wanted:
        return ()
    if all(shape.barre is None and 0 in shape.frets for shape in here.shapes):
        return ()  # open shapes as it stands: a capo would make nothing easier
    others = [plan(f) for f in range(0, min(top_capo, frets - 1) + 1) if f != capo]
    better = [p for p in others if p is not None and p.cost < here.cost - 0.3]
    return tuple(sorted(better, key=lambda p: (p.cost, p.capo)))
