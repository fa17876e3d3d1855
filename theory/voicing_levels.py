"""Easier, plain and heavier ways to play each chord of a loop."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Unpack

from theory.chord_symbols import KINDS, parse_chord
from theory.json_values import json_fields
from theory.loop import plain_symbol
from theory.neck import Neck, NeckOptions
from theory.shapes import CARE, Shape
from theory.voicing_search import capo_plans, drone_shapes, power_shapes, transpose, voicings

__all__ = [
    "VoicingLevels",
    "caution_text",
    "side_by_side",
    "voicing_levels_text",
    "voicings_by_level",
]

_PLAIN_SHAPES = 3  # listed for each chord; so many a player compares at a glance, set by hand
_CAPO_PLANS = 2


@dataclass(frozen=True, slots=True)
class VoicingLevels:
    """The shapes of the chord ``symbol``: ``plain`` as written, ``easier`` and ``heavier`` than
    that.

    ``capo`` lists (fret of the capo, name of the shape, shape). ``as_played`` names the shape by
    what it would sound without the capo that is on now; it is empty where none is on.
    """

    symbol: str
    plain: tuple[Shape, ...]
    easier: tuple[Shape, ...]
    heavier: tuple[Shape, ...]
    capo: tuple[tuple[int, str, Shape], ...] = ()
    as_played: str = ""

    @property
    def levels(self) -> tuple[tuple[str, tuple[Shape, ...]], ...]:
        """The three levels by name."""
        return (("plain", self.plain), ("easier", self.easier), ("heavier", self.heavier))

    def as_document(self) -> dict[str, Any]:
        """Plain JSON values."""
        return {
            "symbol": self.symbol,
            **({"as_played": self.as_played} if self.as_played else {}),
            **{name: [_shape_document(s) for s in shapes] for name, shapes in self.levels},
            "capo": [
                {"capo": fret, "think": name, "shape": _shape_document(shape)}
                for fret, name, shape in self.capo
            ],
        }


def _shape_document(shape: Shape) -> dict[str, Any]:
    names = (
        "symbol",
        "kind",
        "level",
        "frets",
        "fingers",
        "short",
        "stretch_mm",
        "capo",
        "caution",
    )
    return json_fields(shape, *names)


def voicings_by_level(
    symbols: Iterable[str],
    *,
    drone_string: int | None = None,
    melody_string: int | None = None,
    **neck: Unpack[NeckOptions],
) -> tuple[VoicingLevels, ...]:
    """Plain, easier and heavier shapes for each different chord of a loop.

    Easier: the triad without its added notes, a shape of fewer fingers, two strings over the
    drone, the two-note power chord. Heavier: the power chord of three strings, the full movable
    shape. No shape is listed twice for one chord.

    Parameters
    ----------
    symbols : iterable of str
    drone_string : int, optional
        A string that rings open throughout.
    melody_string : int, optional
        The string beside it that carries the melody; both neighbours by default.
    **neck
        The neck and the hand, as for `Neck`.

    Returns
    -------
    tuple of VoicingLevels
        One for each different symbol, in order.

    Raises
    ------
    TheoryError
        If a symbol cannot be read, the neck is impossible, or it lacks one of the strings.

    Examples
    --------
    >>> (levels,) = voicings_by_level(["F"])
    >>> levels.plain[0].short, levels.heavier[0].short
    ('133211', '133xxx')
    """
    wanted = tuple(dict.fromkeys(symbols))
    options: NeckOptions = {**neck, "open_midi": Neck.of(neck).open_midi}
    plans = capo_plans(wanted, **options)[:_CAPO_PLANS]
    on = Neck.of(options).capo
    out = []
    for i, symbol in enumerate(wanted):
        shapes = voicings(symbol, limit=24, **options)
        as_played = transpose(symbol, -on) if on else ""
        if not shapes:
            power = _power(symbol, options, "easier")
            out.append(VoicingLevels(symbol, (), power, (), as_played=as_played))
            continue
        plain = _without_parts(shapes)
        easier = _easier(symbol, plain, options, drone_string, melody_string)
        out.append(
            VoicingLevels(
                symbol,
                plain,
                easier,
                _heavier(symbol, shapes, (*plain, *easier), options),
                tuple((p.capo, p.symbols[i], p.shapes[i]) for p in plans),
                as_played,
            )
        )
    return tuple(out)


def _without_parts(shapes: Sequence[Shape]) -> tuple[Shape, ...]:
    """The first shapes that do not merely leave strings out of one before."""
    kept: list[Shape] = []
    for shape in shapes:
        part = any(
            all(a is None or a == b for a, b in zip(shape.frets, k.frets, strict=True))
            for k in kept
        )
        if not part and len(kept) < _PLAIN_SHAPES:
            kept.append(shape)
    return tuple(kept)


def _new(shapes: Sequence[Shape], listed: Sequence[Shape]) -> tuple[Shape, ...]:
    """The shapes, each once, that ``listed`` does not hold."""
    held = {s.frets for s in listed}
    return tuple({s.frets: s for s in reversed(shapes) if s.frets not in held}.values())[::-1]


def _easier(
    symbol: str,
    plain: Sequence[Shape],
    neck: NeckOptions,
    drone_string: int | None,
    melody_string: int | None,
) -> tuple[Shape, ...]:
    found: list[Shape] = []
    first = plain[0]
    if drone_string is not None:
        found += drone_shapes(
            symbol, drone_string=drone_string, melody_string=melody_string, **neck
        )[:2]
    simple = plain_symbol(symbol)
    if simple != symbol:
        found += [s for s in voicings(simple, limit=1, **neck) if s.cost < first.cost]
    strings = len(Neck.of(neck).open_midi)
    if strings >= 4:
        for left in ((strings,), (strings, strings - 1)):
            partial = voicings(symbol, limit=1, leave_out=left, **neck)
            found += [s for s in partial if s.fingers_used < first.fingers_used]
    found += _power(symbol, neck, "easier")
    return _new([replace(s, level="easier") for s in found], plain)


def _power(symbol: str, neck: NeckOptions, level: str) -> tuple[Shape, ...]:
    steps = KINDS[parse_chord(symbol).kind].steps
    if 7 not in steps:
        return ()
    return tuple(s for s in power_shapes(symbol, **neck) if s.level == level)[:1]


def _heavier(
    symbol: str, shapes: Sequence[Shape], lighter: Sequence[Shape], neck: NeckOptions
) -> tuple[Shape, ...]:
    """Shapes of more weight than those listed; a movable one sounds all strings but the lowest."""
    full = [
        s
        for s in _new(shapes, lighter)
        if s.kind == "movable" and s.barre and None not in s.frets[:-1]
    ]
    found = [*_power(symbol, neck, "heavier"), *full[:1]]
    return _new([replace(s, level="heavier") for s in found], lighter)


def voicing_levels_text(chords: Sequence[VoicingLevels], *, left_handed: bool = False) -> str:
    """The shapes as text, with diagrams side by side and one caution for all wide ones."""
    order = "high to low" if left_handed else "low to high"
    lines = [f"Ways to play it (strings left to right {order}; digits are fingers):"]
    for chord in chords:
        played = f" (the {chord.as_played} shape at the capo)" if chord.as_played else ""
        lines.append(f"\n{chord.symbol}{played}")
        for name, shapes in chord.levels:
            if shapes:
                lines.append(f"  {'usual grips' if name == 'plain' else name}:")
                lines += ["    " + line for line in side_by_side(shapes, left_handed=left_handed)]
        for fret, name, shape in chord.capo:
            capo = f"with a capo at fret {fret}" if fret else "without the capo"
            lines.append(f"  easier {capo}: the {name} shape {shape.short}")
    caution = caution_text([s for chord in chords for _, shapes in chord.levels for s in shapes])
    return "\n".join([*lines, *([f"\n{caution}"] if caution else [])])


def caution_text(shapes: Sequence[Shape]) -> str:
    """One caution for the wide ones among ``shapes``; empty where none is wide."""
    wide = [shape for shape in shapes if shape.caution]
    if not wide:
        return ""
    most = max(wide, key=lambda s: s.stretch_mm)
    several = "" if len(wide) == 1 else f"{len(wide)} shapes, the widest "
    return (
        f"Caution: wide stretch ({several}{most.symbol} {most.short}, {most.stretch_mm:.0f} mm): "
        f"{CARE}."
    )


def _label(shape: Shape) -> str:
    stopped = [fret for fret in shape.frets if fret]
    if len(stopped) < 2:
        return shape.kind
    span = max(stopped) - min(stopped) + 1
    return f"{shape.kind}, fret span {span}, {shape.stretch_mm:.0f} mm"


def side_by_side(
    shapes: Sequence[Shape], *, labels: bool = True, left_handed: bool = False
) -> list[str]:
    """The lines of several diagrams next to each other, with ``labels`` under them."""
    pictures = [s.diagram(left_handed=left_handed) for s in shapes]
    blocks = [
        [*picture.splitlines(), _label(s) if labels else ""]
        for s, picture in zip(shapes, pictures, strict=True)
    ]
    height = max(len(b) for b in blocks)
    # Pictures of different height end on the same line, so that the labels stand in a row.
    filled = [b[:-1] + [""] * (height - len(b)) + b[-1:] for b in blocks]
    widths = [max(len(line) for line in b) for b in filled]
    rows = []
    for i in range(height):
        row = "    ".join(b[i].ljust(w) for b, w in zip(filled, widths, strict=True))
        rows.append(row.rstrip())
    return rows if labels else rows[:-1]
