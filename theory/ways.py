"""Easier, plain and heavier ways to play each chord of a loop."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from theory.kinds import KINDS, parse_chord
from theory.loop import plain_symbol
from theory.shapes import Shape
from theory.voicings import capo_plans, drone_shapes, power_shapes, voicings

__all__ = ["Ways", "ways_text", "ways_to_play"]


@dataclass(frozen=True, slots=True)
class Ways:
    """The ways to play one chord: ``plain`` as written, ``easier`` and ``heavier`` than that."""

    symbol: str
    plain: tuple[Shape, ...]
    easier: tuple[Shape, ...]
    heavier: tuple[Shape, ...]
    capo: tuple[tuple[int, str, Shape], ...] = ()

    def as_document(self) -> dict[str, Any]:
        """Plain JSON values."""
        return {
            "symbol": self.symbol,
            "plain": [_shape_document(s) for s in self.plain],
            "easier": [_shape_document(s) for s in self.easier],
            "heavier": [_shape_document(s) for s in self.heavier],
            "capo": [
                {"capo": fret, "think": name, "shape": _shape_document(shape)}
                for fret, name, shape in self.capo
            ],
        }


def _shape_document(shape: Shape) -> dict[str, Any]:
    return {
        "symbol": shape.symbol,
        "kind": shape.kind,
        "level": shape.level,
        "frets": list(shape.frets),
        "fingers": list(shape.fingers),
        "short": shape.short,
        "stretch_mm": shape.stretch_mm,
        "capo": shape.capo,
        "caution": shape.caution,
    }


def ways_to_play(
    symbols: Iterable[str],
    *,
    open_midi: Iterable[int] = (64, 59, 55, 50, 45, 40),
    capo: int = 0,
    frets: int = 22,
    scale_length_mm: float = 648.0,
    hand_span_mm: float = 98.0,
    drone_string: int | None = None,
    melody_string: int | None = None,
) -> tuple[Ways, ...]:
    """Ways to play each different chord of a loop.

    Easier: the triad without its added notes, a shape of fewer fingers, two strings over the
    drone, the two-note power chord. Heavier: the power chord of three strings, the full movable
    shape. No shape is listed twice for one chord.

    Raises
    ------
    TheoryError
        As `theory.voicings.voicings`.
    """
    strings = tuple(open_midi)
    wanted = tuple(dict.fromkeys(symbols))
    neck = {
        "open_midi": strings,
        "capo": capo,
        "frets": frets,
        "scale_length_mm": scale_length_mm,
    }
    span: dict[str, Any] = {**neck, "hand_span_mm": hand_span_mm}
    plans = capo_plans(wanted, **span)[:2] if wanted else ()
    out = []
    for i, symbol in enumerate(wanted):
        shapes = voicings(symbol, limit=24, **span)
        if not shapes:
            out.append(Ways(symbol, (), _power(symbol, span, "easier"), ()))
            continue
        plain = _different(shapes, 3)
        easier = _easier(symbol, plain, span, neck, drone_string, melody_string)
        out.append(
            Ways(
                symbol,
                plain,
                easier,
                _heavier(symbol, shapes, (*plain, *easier), span),
                tuple((p.capo, p.symbols[i], p.shapes[i]) for p in plans),
            )
        )
    return tuple(out)


def _different(shapes: Sequence[Shape], n: int) -> tuple[Shape, ...]:
    """The first ``n`` shapes that do not merely leave strings out of one before."""
    kept: list[Shape] = []
    for shape in shapes:
        part = any(
            all(a is None or a == b for a, b in zip(shape.frets, k.frets, strict=True))
            for k in kept
        )
        if not part and len(kept) < n:
            kept.append(shape)
    return tuple(kept)


def _new(shapes: Sequence[Shape], listed: Sequence[Shape]) -> tuple[Shape, ...]:
    """The shapes, each once, that ``listed`` does not hold."""
    held = {s.frets for s in listed}
    return tuple({s.frets: s for s in reversed(shapes) if s.frets not in held}.values())[::-1]


def _fingers(shape: Shape) -> int:
    return len({f for f in shape.fingers if f})


def _easier(
    symbol: str,
    plain: Sequence[Shape],
    span: dict[str, Any],
    neck: dict[str, Any],
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
        found += [s for s in voicings(simple, limit=1, **span) if s.cost < first.cost]
    strings = len(span["open_midi"])
    if strings >= 4:
        for left in ((strings,), (strings, strings - 1)):
            partial = voicings(symbol, limit=1, leave_out=left, **span)
            found += [s for s in partial if _fingers(s) < _fingers(first)]
    found += _power(symbol, span, "easier")
    return _new([replace(s, level="easier") for s in found], plain)


def _power(symbol: str, span: dict[str, Any], level: str) -> tuple[Shape, ...]:
    steps = KINDS[parse_chord(symbol).kind].steps
    if 7 not in steps:
        return ()
    return tuple(s for s in power_shapes(symbol, **span) if s.level == level)[:1]


def _heavier(
    symbol: str, shapes: Sequence[Shape], lighter: Sequence[Shape], span: dict[str, Any]
) -> tuple[Shape, ...]:
    """Shapes of more weight than those listed; a movable one sounds all strings but the lowest."""
    full = [
        s
        for s in _new(shapes, lighter)
        if s.kind == "movable" and s.barre and None not in s.frets[:-1]
    ]
    found = [*_power(symbol, span, "heavier"), *full[:1]]
    return _new([replace(s, level="heavier") for s in found], lighter)


def ways_text(ways: Sequence[Ways]) -> str:
    """The ways as text with diagrams side by side."""
    lines = ["Ways to play it (strings left to right low to high; digits are fingers):"]
    for way in ways:
        lines.append(f"\n{way.symbol}")
        for name, shapes in (
            ("as written", way.plain),
            ("easier", way.easier),
            ("heavier", way.heavier),
        ):
            if shapes:
                lines.append(f"  {name}:")
                lines += ["    " + line for line in _side_by_side(shapes)]
        for fret, name, shape in way.capo:
            lines.append(f"  easier with a capo at fret {fret}: the {name} shape {shape.short}")
    wide = [s for w in ways for s in (*w.plain, *w.easier, *w.heavier) if s.caution]
    if wide:
        most = max(wide, key=lambda s: s.stretch_mm)
        what, _, advice = most.caution.partition(": ")
        several = "" if len(wide) == 1 else f"{len(wide)} shapes, the widest "
        lines.append(
            f"\nCaution: {what} ({several}{most.symbol} {most.short}, {most.stretch_mm:.0f} mm): "
            f"{advice}."
        )
    return "\n".join(lines)


def _label(shape: Shape) -> str:
    return f"{shape.kind}, stretch {shape.stretch_mm:.0f} mm"


def _side_by_side(shapes: Sequence[Shape], gap: str = "    ") -> list[str]:
    blocks = [[*s.diagram().splitlines(), _label(s)] for s in shapes]
    height = max(len(b) for b in blocks)
    # Pictures of different height end on the same line, so that the labels stand in a row.
    filled = [b[:-1] + [""] * (height - len(b)) + b[-1:] for b in blocks]
    widths = [max(len(line) for line in b) for b in filled]
    rows = []
    for i in range(height):
        row = gap.join(b[i].ljust(w) for b, w in zip(filled, widths, strict=True))
        rows.append(row.rstrip())
    return rows
