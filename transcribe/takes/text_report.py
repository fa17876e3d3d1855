"""A comparison as text for the terminal; `html` makes the page.

The reference's tab is set as `transcribe.formats.tab.layout` sets it, with a row of marks under the
strings and, where something was played that is not in the reference, a row of ``+`` under that.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from transcribe.core.pitch import pitch_name
from transcribe.formats.tab.layout import System, layout, mark_line
from transcribe.takes import progress
from transcribe.takes.comparison import MARKS, WORST_FIRST, Comparison
from transcribe.takes.html_report import html
from transcribe.takes.wording import (
    details,
    gap_words,
    headline,
    marks_used,
    pass_words,
    sentence,
    verdict_names,
)

__all__ = ["details", "headline", "html", "text"]

_NO_PLACES = (
    "The reference has no places on the neck, so there is no tab to show; finger it to have one."
)
_LINES = 24  # of the list of mistakes


def text(comparison: Comparison, *, width: int = 80, previous: progress.Entry | None = None) -> str:
    """The whole comparison as text of at most ``width`` columns where the tab allows it.

    Parameters
    ----------
    previous : progress.Entry, optional
        The last take of the same riff, to compare with.

    Raises
    ------
    ParameterError
        If ``width`` is under 24.
    """
    said = [sentence(s) for s in (*comparison.differences, *comparison.remarks)]
    if not comparison.same_riff:
        # A list of everything that differs would say nothing: all of it does.
        return "\n".join(_wrap(said, width)) + "\n"
    parts = ["\n".join(_wrap(headline(comparison), width))]
    if said:
        parts.append("\n".join(_wrap(said, width)))
    placed = any(n.string is not None for n in comparison.reference.notes)
    systems = layout(comparison.reference, width) if placed else []
    if not placed:
        parts.append("\n".join(_wrap([_NO_PLACES], width)))
    parts += ["\n".join(_marked(system, comparison)) for system in systems]
    if systems:
        parts.append("\n".join(_wrap([_legend(comparison)], width)))
    bad = details(comparison)
    if bad:
        shown = [f"  {line}" for line in bad[:_LINES]]
        if len(bad) > _LINES:
            shown.append(f"  and {len(bad) - _LINES} more")
        parts.append("\n".join(["Note by note:", *_wrap(shown, width, hang=4)]))
    if comparison.drone is not None:
        parts.append("\n".join(_wrap(_drone_lines(comparison), width, hang=4)))
    if comparison.practice:
        parts.append("\n".join(_wrap(_practice_lines(comparison), width, hang=5)))
    if len(comparison.passes) > 1:
        parts.append("\n".join(_wrap(_pass_lines(comparison), width, hang=5)))
    if previous is not None:
        changed = progress.change(previous, progress.entry_of(comparison))
        since = f"Since the take of {previous.when[:10]}: " + "; ".join(changed) + "."
        parts.append("\n".join(_wrap([since], width)))
    return "\n\n".join(parts) + "\n"


def _marked(system: System, comparison: Comparison) -> list[str]:
    """The lines of a system with the row of marks under its strings."""
    ids = [n.id for n in comparison.reference.notes]
    names = verdict_names(comparison.notes, ids)
    at_column: dict[int, tuple[int, int]] = {}
    for note_id, column in system.columns.items():
        if note_id in names:
            rank = (WORST_FIRST.index(names[note_id]), note_id)
            at_column[column] = min(at_column.get(column, (len(WORST_FIRST), 0)), rank)
    marks = {note_id: MARKS[WORST_FIRST[rank]] for rank, note_id in at_column.values()}
    under = [mark_line(system, marks)]
    plus = _extra_line(system, comparison)
    if plus.strip():
        under.append(plus)
    strings_end = system.strings_at + len(comparison.reference.instrument.open_midi)
    return [*system.lines[:strings_end], *under, *system.lines[strings_end:]]


def _extra_line(system: System, comparison: Comparison) -> str:
    """``+`` where something was played that is not in the reference, between its neighbours."""
    order = {n.id: i for i, n in enumerate(comparison.reference.notes)}
    times = {r.reference: r.time_sec for r in comparison.notes if r.time_sec is not None}
    points = sorted(
        (times[order[i]], column)
        for i, column in system.columns.items()
        if i in order and order[i] in times
    )
    line: list[str] = []
    if not points:
        return ""
    at, columns = np.array(points).T
    edge = 0.5
    for row in comparison.notes:
        if row.reference is not None or row.again or row.left_out or row.time_sec is None:
            continue
        if at[0] - edge <= row.time_sec <= at[-1] + edge:
            column = round(float(np.interp(row.time_sec, at, columns)))
            line += " " * (column + 1 - len(line))
            line[column] = MARKS["extra"] if row.verdict == "extra" else MARKS["unsure"]
    return "".join(line)


def _legend(comparison: Comparison) -> str:
    used = marks_used(comparison)
    signs = [f"{MARKS[name]} {name}" for name in MARKS if name in used]
    return "Marks:  " + "   ".join(signs)


def _drone_lines(comparison: Comparison) -> list[str]:
    drone = comparison.drone
    assert drone is not None
    lines = [
        f"Drone ({pitch_name(drone.pitch_midi)}, string {drone.string}): "
        f"rings {100 * drone.ringing_share:.0f} % of the time it should"
    ]
    lines += [f"  {gap_words(gap, comparison)}" for gap in drone.gaps]
    return lines


def _practice_lines(comparison: Comparison) -> list[str]:
    lines = ["Practise, the most useful first:"]
    for k, line in enumerate(comparison.practice, start=1):
        tempo = f", from tempo {line.tempo_bpm:.0f}" if line.tempo_bpm is not None else ""
        lines.append(f"  {k}. {line.place[:1].upper()}{line.place[1:]}{tempo}")
        lines += [f"     - {point}" for point in line.points]
    return lines


def _pass_lines(comparison: Comparison) -> list[str]:
    lines = ["Passes:"]
    for k, one in enumerate(comparison.passes):
        s = one.summary
        part = pass_words(one, comparison)
        lines.append(
            f"  {k + 1}. {one.start_sec:.1f} to {one.end_sec:.1f} s"
            f"{f', {part}' if part else ''}: "
            f"{s.counts.get('right', 0)} right, {100 * s.right_share:.0f} %"
            f"{'  (best)' if k == comparison.best else ''}"
        )
    return lines


def _wrap(lines: Sequence[str], width: int, *, hang: int = 2) -> list[str]:
    import textwrap

    out: list[str] = []
    for line in lines:
        indent = " " * (len(line) - len(line.lstrip()))
        out += textwrap.wrap(
            line.strip(),
            max(width, 24),
            initial_indent=indent,
            subsequent_indent=" " * _hang(line.strip(), len(indent), hang),
            break_long_words=False,
        ) or [""]
    return out


def _hang(line: str, indent: int, hang: int) -> int:
    """Columns that the rest of a wrapped line goes in: under the words of a point."""
    if line.startswith("- "):
        return indent + 2
    return hang if indent else 2
