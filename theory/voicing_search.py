"""Shapes to play a chord, searched on the instrument.

Conventions: string 1 is the highest-sounding string, ``open_midi`` lists string 1 first; frets
count from the capo. Nothing is looked up: every shape that sounds the chord's notes and no other
within the hand span is built string by string, and the handiest are kept.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from operator import itemgetter
from typing import Unpack

from theory.chord_symbols import KINDS, Chord, as_chord, chord_tones, parse_chord
from theory.errors import TheoryError
from theory.neck import Neck, NeckOptions
from theory.scales import USUAL_NAMES
from theory.shapes import Shape, finger_frets, stretch_mm

__all__ = ["CapoPlan", "capo_plans", "drone_shapes", "power_shapes", "transpose", "voicings"]

# Set by hand on handbook chords (tests/bench/theory_outside.py), unless said otherwise.
_TOP_FRET = 12  # shapes higher up repeat those an octave lower
_NEAR = 0.5  # fingers from the handiest shape: further ones seldom decide which is listed first
_ROUNDED = 0.01  # costs are rounded to hundredths
_HANDY_MARGIN = 0.5  # fingers; of two shapes this near, the one with more strings is listed
_MAX_HOLES = 1  # silent strings between sounding ones that are not left out on purpose
_OPEN_TOP_FRET = 4  # an open shape stops no string above this fret
# fingers a fret: a capo far up the neck thins the sound and has to earn its place
_CAPO_COST = 0.08
_CAPO_GAIN = 0.3  # fingers that a capo must save to be worth naming

# How unhandy a shape is, in fingers: what each thing about it costs.
_FINGER = 0.45  # a finger that holds a string, since not every finger is a burden
_BARRE = 0.9
_STRETCH_MM = 40.0  # of stretch that are as hard as one finger
_FRET_UP = 0.36  # each fret up the neck
_SILENT_STRING = 0.9  # on six strings; fewer strings are missed more
_HOLE = 3.2  # a silent string between sounding ones
_MISSING_NOTE = 1.2
_NO_THIRD, _SECOND_THIRD = 0.8, 0.25
_MIXED = 2.0  # open strings beside high frets
_CRAMPED = 1.5  # two fingers far apart on one fret
_BARRE_OVER_OPEN = 1.0
_NO_OPEN_STRING = 0.6
_WRONG_BASS = 2.0
_DRONE_PART, _DRONE_FRET = 2.0, 0.1  # over a drone: a part that states the chord worse, and a fret


def voicings(
    symbol: str | Chord,
    *,
    leave_out: Iterable[int] = (),
    limit: int = 12,
    **neck: Unpack[NeckOptions],
) -> tuple[Shape, ...]:
    """Playable shapes for a chord, handiest first.

    Every shape sounds all the chord's notes (a fifth or other note that players leave out may be
    missing, at a cost) and none besides, with the bass that the symbol asks for wherever the
    instrument has it. In a re-entrant tuning, where the lowest note lies on a middle string, only
    a slash asks for a bass.

    Parameters
    ----------
    symbol : str or Chord
        Such as ``Am7`` or ``C/E``.
    leave_out : iterable of int, 1 to the number of strings
        Strings that must stay silent.
    limit : int
        How many shapes at most.
    **neck
        The neck and the hand, as for `Neck`: ``open_midi``, ``capo``, ``frets``,
        ``scale_length_mm``, ``hand_span_mm``.

    Returns
    -------
    tuple of Shape
        Empty where the instrument or the hand has none.

    Raises
    ------
    TheoryError
        If the symbol cannot be read, the neck is impossible, or it lacks one of the strings.

    Examples
    --------
    >>> [shape.short for shape in voicings("C", limit=2)]
    ['x32010', 'x32013']
    >>> voicings("G", open_midi=(69, 64, 60, 67), frets=15, scale_length_mm=346.0)[0].short
    '0232'
    """
    on = Neck.of(neck)
    silent = frozenset(on.checked_string(int(string)) for string in leave_out)
    ranked = _search(as_chord(symbol), on, silent)
    return tuple(itertools.islice(_varied(ranked), max(limit, 0)))


@lru_cache(maxsize=512)
def _search(
    chord: Chord, neck: Neck, silent: frozenset[int], near: float = math.inf
) -> tuple[Shape, ...]:
    """The shapes of a chord, handiest first: at least those within ``near`` of the handiest."""
    tones = {pc: degree for degree, _, pc in chord_tones(chord)}
    if chord.bass_pc not in tones:
        tones[chord.bass_pc] = "bass"
    kind = KINDS[chord.kind]
    optional = {(chord.root_pc + s) % 12 for s in kind.optional} - {chord.bass_pc}
    if silent and len(kind.steps) > 3:
        # With strings left out on purpose a seventh may go without its third as well.
        optional |= {(chord.root_pc + s) % 12 for s in kind.steps if s in (3, 4, 7)}
    needed = frozenset(set(tones) - optional)
    shapes: list[Shape] = []
    for strict in (True, False):
        best = math.inf
        for low in range(min(_TOP_FRET, neck.top_fret) + 1):
            # What the silent strings of a shape may cost that is to lie within ``near``.
            room = best + near - _least_at(low)
            if room < 0:
                break
            for least, frets in _candidates(tones, needed, neck, silent, low, room):
                if least > best + near:
                    break
                shape = _shape(chord, frets, tones, neck, silent, strict_bass=strict)
                if shape is not None:
                    shapes.append(shape)
                    best = min(best, shape.cost)
        if shapes:
            break  # another bass only where the instrument cannot give the right one
    return tuple(sorted(shapes, key=lambda s: (s.cost, s.short)))


@lru_cache(maxsize=4096)
def _handiest(chord: Chord, neck: Neck) -> Shape | None:
    for near in (_NEAR, math.inf):
        ranked = _search(chord, neck, frozenset(), near)
        shape = next(_varied(ranked), None)
        # The choice hangs on shapes within a margin: none of those may lie beyond what is searched.
        if shape is None or shape.cost + _HANDY_MARGIN <= ranked[0].cost + near:
            break
    return shape


def _varied(ranked: Sequence[Shape]) -> Iterator[Shape]:
    """The shapes without those that only leave out strings of one about as handy."""
    full = [shape for shape in ranked if not _has_gap(shape)]
    for shape in ranked:
        handy = itertools.takewhile(lambda s: s.cost <= shape.cost + _HANDY_MARGIN, full)  # noqa: B023 - used up at once
        if not any(
            other is not shape
            and _within(shape.frets, other.frets)
            and other.fingers_used <= shape.fingers_used
            for other in handy
        ):
            yield shape


def _has_gap(shape: Shape) -> bool:
    """Whether a silent string lies between sounding ones."""
    sounding = [s for s, f in enumerate(shape.frets) if f is not None]
    return any(f is None for f in shape.frets[sounding[0] : sounding[-1]])


def _within(small: tuple[int | None, ...], large: tuple[int | None, ...]) -> bool:
    return all(a is None or a == b for a, b in zip(small, large, strict=True))


def _candidates(
    tones: dict[int, str],
    needed: frozenset[int],
    neck: Neck,
    silent: frozenset[int],
    low: int,
    room: float,
) -> list[tuple[float, tuple[int | None, ...]]]:
    """The sets of frets that hold the needed notes in one position, with what they cost at least.

    ``low`` is the lowest stopped fret; 0 stands for nothing but open strings. ``room`` is what the
    silent strings may cost. The cheapest come first.
    """
    stops = [0]
    if low:
        top = min(_TOP_FRET + 3, neck.top_fret)
        stops += [f for f in range(low, top + 1) if neck.apart_mm(low, f) <= neck.hand_span_mm]
    strings = len(neck.open_midi)
    options = [
        [
            fret
            for fret in stops
            if string not in silent and neck.pitch_midi(string, fret) % 12 in tones
        ]
        for string in range(1, strings + 1)
    ]
    most_silent = int(min(room / _silent_string(strings), strings))
    found = _combine(options, low, needed, neck, silent, most_silent)
    # Where nothing is too far from the handiest, the order does not matter.
    costs = [_least_cost(f, neck) for f in found] if room < math.inf else [0.0] * len(found)
    return sorted(zip(costs, found, strict=True), key=itemgetter(0))


def _combine(
    options: list[list[int]],
    low: int,
    needed: frozenset[int],
    neck: Neck,
    silent: frozenset[int],
    most_silent: int,
) -> list[tuple[int | None, ...]]:
    """Choices of a fret or silence a string with the needed notes, for four fingers."""
    n = len(options)
    bit = {pc: 1 << i for i, pc in enumerate(sorted(needed))}
    # Of each option: the fret, whether it is above the lowest, and the needed note that it sounds.
    ways = [
        [(f, bool(f and f > low), bit.get(neck.pitch_midi(s, f) % 12, 0)) for f in own]
        for s, own in enumerate(options, 1)
    ]
    is_hole = [string not in silent for string in range(1, n + 1)]
    found: list[tuple[int | None, ...]] = []

    def walk(
        chosen: tuple[int | None, ...],
        left: int,
        above_low: int,
        silence: int,
        holes: int,
        gap: int,
    ) -> None:
        """``silence``: how many more strings may be silent; ``holes``: silent strings between
        sounding ones; ``gap``: those since, below 0 before.
        """
        string = len(chosen)
        if string == n:
            if not left and (low == 0 or low in chosen):
                found.append(chosen)
            return
        if left.bit_count() > n - string:
            return
        if silence:
            walk((*chosen, None), left, above_low, silence - 1, holes, gap + is_hole[string])
        inner = holes + max(gap, 0)
        if inner > _MAX_HOLES:
            return
        for fret, above, note in ways[string]:
            if above_low + above <= 4:
                walk((*chosen, fret), left & ~note, above_low + above, silence, inner, 0)

    walk((), sum(bit.values()), 0, most_silent, 0, -n)
    return found


def _shape(
    chord: Chord,
    frets: tuple[int | None, ...],
    tones: dict[int, str],
    neck: Neck,
    silent: frozenset[int] = frozenset(),
    *,
    strict_bass: bool,
) -> Shape | None:
    sounding = [s for s, f in enumerate(frets) if f is not None]
    holes = [s for s in range(sounding[0], sounding[-1]) if frets[s] is None]
    inner = [s for s in holes if s + 1 not in silent]
    if len(inner) > _MAX_HOLES:
        return None
    pitches = {s: neck.pitch_midi(s + 1, f) for s, f in enumerate(frets) if f is not None}
    any_bass = chord.bass_pc == chord.root_pc and neck.reentrant
    bass_right = any_bass or min(pitches.values()) % 12 == chord.bass_pc
    if strict_bass and not bass_right:
        return None
    stretch = stretch_mm(frets, neck)
    if stretch > neck.hand_span_mm:
        return None
    held = finger_frets(frets, neck)
    if held is None:
        return None
    fingers, barre = held
    open_strings = sum(1 for f in frets if f == 0)
    stopped = [f for f in frets if f]
    is_open = open_strings > 0 and max(stopped, default=0) <= _OPEN_TOP_FRET
    kind = "partial" if silent else "open" if open_strings else "movable"
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
        cost=round(cost + _WRONG_BASS * (not bass_right), 2),
        barre=barre,
        capo=neck.capo,
    )


def _silent_string(strings: int) -> float:
    """What a silent string costs on an instrument with so many."""
    return _SILENT_STRING * (6 / strings) ** 2


def _least_at(low: int) -> float:
    """What a shape with its lowest stopped fret at ``low`` costs at least; see `_least_cost`."""
    far = min(_NO_OPEN_STRING, _MIXED) if low > _OPEN_TOP_FRET else 0.0
    return _FINGER * (low > 0) + _FRET_UP * low + far - _ROUNDED


def _least_cost(frets: tuple[int | None, ...], neck: Neck) -> float:
    """What a shape costs at least, however it is fingered and whatever it sounds; see `_cost`."""
    stopped = [f for f in frets if f]
    low, high = min(stopped, default=0), max(stopped, default=0)
    return (
        _FINGER * len(set(stopped))
        + (neck.apart_mm(low, high) / _STRETCH_MM if high > low else 0.0)
        + _FRET_UP * low
        + _silent_string(len(frets)) * frets.count(None)
        + (_NO_OPEN_STRING if 0 not in frets else _MIXED * (high > _OPEN_TOP_FRET))
        - _ROUNDED
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
    """How unhandy a shape is, in fingers."""
    stopped = [f for f in frets if f]
    used = len({f for f in fingers if f})
    classes = [p % 12 for p in pitches.values()]
    missing = len(set(chord.pitch_classes) - set(classes))
    third = [pc for pc in classes if (pc - chord.root_pc) % 12 in (3, 4)]
    has_third = KINDS[chord.kind].has_third
    high_up = min(stopped, default=0)
    mixed = 0 in frets and not is_open
    return (
        _FINGER * used
        + _BARRE * (barre is not None)
        + stretch / _STRETCH_MM
        + _FRET_UP * high_up
        + _silent_string(len(frets)) * frets.count(None)
        + _HOLE * inner
        + _MISSING_NOTE * missing
        + _NO_THIRD * (not third and has_third)
        + _SECOND_THIRD * max(0, len(third) - 1)
        + _MIXED * mixed
        + _CRAMPED * _is_cramped(frets, barre)
        + _BARRE_OVER_OPEN * (barre is not None and 0 in frets[: barre[2]])
        + _NO_OPEN_STRING * (0 not in frets)
    )


def _is_cramped(frets: tuple[int | None, ...], barre: tuple[int, int, int] | None) -> bool:
    """Whether two fingers share the lowest fret far apart, with nothing between to lie on."""
    stopped = [(f, s) for s, f in enumerate(frets) if f]
    if barre is not None or not stopped:
        return False
    low = min(f for f, _ in stopped)
    strings = sorted(s for f, s in stopped if f == low)
    return any(b - a >= 3 for a, b in itertools.pairwise(strings))


def power_shapes(symbol: str | Chord, **neck: Unpack[NeckOptions]) -> tuple[Shape, ...]:
    """Root and fifth (and the octave) from each low string on which the root lies.

    Parameters
    ----------
    symbol : str or Chord
        Only its root counts.
    **neck
        The neck and the hand, as for `Neck`.

    Returns
    -------
    tuple of Shape
        Handiest first; three strings are ``heavier``, two ``easier``.

    Raises
    ------
    TheoryError
        If the symbol cannot be read or the neck is impossible.

    Examples
    --------
    >>> [shape.short for shape in power_shapes("Am")][:2]
    ['x022xx', 'x02xxx']
    """
    on = Neck.of(neck)
    root = as_chord(symbol).root
    power = Chord(root, "5", root)
    tones = {pc: degree for degree, _, pc in chord_tones(power)}
    n = len(on.open_midi)
    found = []
    for string in range(n, 2, -1):
        fret = (power.root_pc - on.pitch_midi(string, 0)) % 12
        for size in (3, 2):
            stops: list[int | None] = [None] * n
            stops[string - 1] = fret
            for i, interval in enumerate((7, 12)[: size - 1], 1):
                pitch = on.pitch_midi(string, fret) + interval
                stops[string - 1 - i] = pitch - on.pitch_midi(string - i, 0)
            if any(f is not None and not 0 <= f <= on.top_fret for f in stops):
                continue
            shape = _shape(power, tuple(stops), tones, on, strict_bass=True)
            if shape is not None:
                found.append(replace(shape, level="heavier" if size == 3 else "easier"))
    return tuple(sorted(found, key=lambda s: (s.cost, s.short)))


def drone_shapes(
    symbol: str | Chord,
    *,
    drone_string: int,
    melody_string: int | None = None,
    **neck: Unpack[NeckOptions],
) -> tuple[Shape, ...]:
    """Two-string shapes: the drone string open and one stopped note that states the chord.

    The root states a chord best; where the drone already sounds the root, the third does. A
    stopped note that only doubles the drone states nothing: it is given where there is no other. An
    open string beside the drone is never the stopped note.

    Parameters
    ----------
    symbol : str or Chord
    drone_string : int
    melody_string : int, optional
        The string beside the drone that carries the notes; both neighbours by default.
    **neck
        The neck, as for `Neck`.

    Returns
    -------
    tuple of Shape
        The best statement of the chord first.

    Raises
    ------
    TheoryError
        If a string is not on the instrument, or the two are the same.

    Examples
    --------
    >>> drone_shapes("C", drone_string=4, melody_string=3)[0].short
    'xx05xx'
    """
    on = Neck.of(neck)
    chord = as_chord(symbol)
    on.checked_string(drone_string)
    if melody_string is None:
        beside = [s for s in (drone_string - 1, drone_string + 1) if 1 <= s <= len(on.open_midi)]
    else:
        beside = [on.checked_string(melody_string)]
    if melody_string == drone_string:
        raise TheoryError(f"string {drone_string} is the drone; give another melody string")
    same = on.pitch_midi(drone_string, 0) % 12 == chord.root_pc
    order = ("third", "root", "fifth") if same else ("root", "third", "fifth")
    steps = {"root": (0,), "third": (3, 4, 5, 2), "fifth": (7, 6, 8)}
    found = []
    for (rank, part), melody in itertools.product(enumerate(order), beside):
        own = [s for s in steps[part] if s in KINDS[chord.kind].steps]
        if not own:
            continue
        # An octave up it is the same shape again, only further off.
        fret = (chord.root_pc + own[0] - on.pitch_midi(melody, 0)) % 12
        if 0 < fret <= on.top_fret:  # two open strings are two drones, and no shape
            found.append(_two_strings(chord, on, drone_string, melody, fret, rank))
    stated = [s for s in found if len({p % 12 for p in s.pitch_midi}) > 1]
    return tuple(sorted(stated or found, key=lambda s: s.cost))


def _two_strings(chord: Chord, neck: Neck, drone: int, melody: int, fret: int, rank: int) -> Shape:
    tones = {pc: degree for degree, _, pc in chord_tones(chord)}
    frets: list[int | None] = [None] * len(neck.open_midi)
    fingers = list(frets)
    frets[drone - 1], frets[melody - 1] = 0, fret
    fingers[drone - 1], fingers[melody - 1] = 0, min(fret, 1)
    pitches = (neck.pitch_midi(drone, 0), neck.pitch_midi(melody, fret))
    degrees: list[str | None] = [None] * len(frets)
    degrees[drone - 1] = tones.get(pitches[0] % 12, "drone")
    degrees[melody - 1] = tones[pitches[1] % 12]
    return Shape(
        symbol=chord.symbol,
        kind="drone",
        level="easier",
        frets=tuple(frets),
        fingers=tuple(fingers),
        pitch_midi=tuple(sorted(pitches)),
        degrees=tuple(degrees),
        missing=tuple(degree for degree, _, _ in chord_tones(chord) if degree not in degrees),
        stretch_mm=0.0,
        cost=round(rank * _DRONE_PART + fret * _DRONE_FRET, 2),
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


def transpose(symbol: str, semitones: int) -> str:
    """A chord symbol moved by ``semitones``, with the commonest names.

    Parameters
    ----------
    symbol : str
    semitones : int
        Up where positive.

    Returns
    -------
    str

    Raises
    ------
    TheoryError
        If the symbol cannot be read.

    Examples
    --------
    >>> transpose("Bm7/A", -2)
    'Am7/G'
    """
    chord = parse_chord(symbol)
    root, bass = (USUAL_NAMES[(pc + semitones) % 12] for pc in (chord.root_pc, chord.bass_pc))
    return Chord(root, chord.kind, bass).symbol


def capo_plans(
    symbols: Iterable[str], *, top_capo: int = 7, **neck: Unpack[NeckOptions]
) -> tuple[CapoPlan, ...]:
    """Easier ways to play a loop with a capo, handiest first; empty where none is easier.

    Every plan sounds the same chords as the loop does with the capo that is on now.

    Parameters
    ----------
    symbols : iterable of str
        The chords as they sound.
    top_capo : int
        Highest fret for the capo.
    **neck
        The neck and the hand, as for `Neck`; ``capo`` is where it is now.

    Returns
    -------
    tuple of CapoPlan

    Raises
    ------
    TheoryError
        If a symbol cannot be read or the neck is impossible.

    Examples
    --------
    >>> plan = capo_plans(["Bb", "Eb", "F", "Gm"])[0]
    >>> plan.capo, plan.symbols
    (3, ('G', 'C', 'D', 'Em'))
    """
    wanted = tuple(dict.fromkeys(as_chord(symbol) for symbol in symbols))
    on = Neck.of(neck)

    def plan(fret: int, below: float = math.inf) -> CapoPlan | None:
        """The plan with the capo at ``fret``, if every chord has a shape and it costs less."""
        shapes: list[Shape] = []
        total = cost = 0.0
        for chord in wanted:
            shape = _handiest(chord, replace(on, capo=fret))
            if shape is None:
                return None
            shapes.append(shape)
            total += shape.cost
            cost = round(total / len(wanted) + _CAPO_COST * fret, 2)
            if cost >= below:  # no shape costs less than nothing
                return None
        named = tuple(transpose(chord.symbol, -fret) for chord in wanted)
        return CapoPlan(fret, named, tuple(shapes), cost)

    here = plan(on.capo) if wanted else None
    if here is None or all(shape.barre is None and 0 in shape.frets for shape in here.shapes):
        return ()  # open shapes as it stands: a capo would make nothing easier
    below = here.cost - _CAPO_GAIN
    others = [plan(f, below) for f in range(min(top_capo, on.frets - 1) + 1) if f != on.capo]
    better = [p for p in others if p is not None]
    return tuple(sorted(better, key=lambda p: (p.cost, p.capo)))
