"""A comparison as text for the terminal, as one page, and as JSON values.

The text sets the reference's tab as `transcribe.formats.tab.layout` sets it, with a row of marks
under the strings and, where something was played that is not in the reference, a row of ``+`` under
that. The page needs no script and no file beside it, and is light or dark as the reader has it.
"""

from __future__ import annotations

import dataclasses
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from html import escape
from importlib import resources
from typing import Any

import numpy as np

from transcribe.core.riff import Riff
from transcribe.formats.tab.layout import System, layout, mark_line
from transcribe.takes import plots
from transcribe.takes.comparison import (
    MARKS,
    VERDICTS,
    WORST_FIRST,
    Comparison,
    DroneVerdict,
    Practice,
    Summary,
    Verdict,
)
from transcribe.takes.summary import TakeFigures, changes_since, figures_of
from transcribe.takes.verdict_wording import (
    change_words,
    counted_words,
    drone_words,
    gap_words,
    headline,
    missed_words,
    pass_words,
    place_words,
    played_words,
    practice_place,
    practice_steps,
    reason_words,
    remark_words,
    sentence,
    verdict_words,
)

__all__ = ["as_json", "details", "drawings", "html", "text"]

_MAX_DETAIL_LINES = 24  # lines of the list of mistakes in the text
_MAX_NAMED_NOTES = 3  # unsure notes, or notes of another length, that are named one by one
_MAX_EARLIER_TAKES = 12  # earlier takes on the page
_EDGE_SEC = 0.5  # before a line's first note and after its last, in which extra notes are marked

_MEANING = {
    "right": "right",
    "wrong": "another pitch was played",
    "missed": "was not played",
    "extra": "not in the reference",
    "early": "came early",
    "late": "came late",
    "unsure": "could not be heard for certain; not counted",
    "left out": "not played in this pass; not counted",
}


# What both show ----------------------------------------------------------------------------------


def _remarks(comparison: Comparison) -> list[str]:
    """Differences and remarks as sentences."""
    remarks = (*comparison.differences, *comparison.remarks)
    return [sentence(remark_words(remark, comparison.reference)) for remark in remarks]


def _marks_used(comparison: Comparison) -> list[str]:
    """Which of the names in `MARKS` a report of the comparison shows, in their order."""
    used = {
        "left out" if r.left_out else r.verdict
        for r in comparison.notes
        if not r.again and (r.reference is not None or not r.left_out)
    }
    return [name for name in MARKS if name in used]


def _not_right(comparison: Comparison) -> tuple[list[Verdict], list[tuple[str, str]]]:
    """What was not right: verdicts to name one by one, then what is only counted.

    Unsure notes, notes of another length, and one note that is missed again and again, such as a
    drone, are counted where they are more than a few: a long list of them would hide what matters.
    Each count is (verdict, words).
    """

    def kind(row: Verdict) -> str | None:
        return row.length if row.verdict == "right" else row.verdict

    def missed_note(row: Verdict) -> tuple[int | None, int] | None:
        if row.verdict != "missed" or row.reference is None:
            return None
        note = comparison.reference.notes[row.reference]
        return note.string, note.pitch_midi

    rows = [r for r in comparison.notes if r.counts and kind(r) is not None]
    counted = []
    for name in ("unsure", "cut short", "left ringing"):
        own = [r for r in rows if kind(r) == name]
        if len(own) > _MAX_NAMED_NOTES:
            rows = [r for r in rows if kind(r) != name]
            counted.append((own[0].verdict, counted_words(name, own)))
    missed: dict[tuple[int | None, int] | None, list[Verdict]] = {}
    for row in rows:
        missed.setdefault(missed_note(row), []).append(row)
    again = {n: own for n, own in missed.items() if n is not None and len(own) > _MAX_NAMED_NOTES}
    rows = [r for r in rows if missed_note(r) not in again]
    counted += [("missed", missed_words(own, comparison.reference)) for own in again.values()]
    return rows, counted


def details(comparison: Comparison) -> list[str]:
    """A line for each note that is not right, in the order of the reference."""
    rows, counted = _not_right(comparison)
    reference = comparison.reference
    lines = [
        f"{MARKS[r.verdict]} {place_words(r, reference)}: {verdict_words(r, reference)}"
        for r in rows
    ]
    return lines + [f"{MARKS[verdict]} {words}" for verdict, words in counted]


# Text --------------------------------------------------------------------------------------------


def text(comparison: Comparison, *, width: int = 80, previous: TakeFigures | None = None) -> str:
    """The whole comparison as text of at most ``width`` columns where the tab allows it.

    Parameters
    ----------
    previous : TakeFigures, optional
        Those of the last take of the same riff, to compare with.

    Raises
    ------
    ParameterError
        If ``width`` is under 24.
    """
    if not comparison.same_riff:
        # A list of everything that differs would say nothing: all of it does.
        return "\n".join(_wrap(_remarks(comparison), width)) + "\n"
    parts = [_wrap(headline(comparison.summary), width), _wrap(_remarks(comparison), width)]
    if any(n.string is not None for n in comparison.reference.notes):
        systems = layout(comparison.reference, width)
        parts += [_marked(system, comparison) for system in systems]
        signs = [f"{MARKS[name]} {name}" for name in _marks_used(comparison)]
        parts.append(_wrap(["Marks:  " + "   ".join(signs)] if systems else [], width))
    else:
        no_tab = (
            "The reference has no places on the neck, so there is no tab to show; finger it to "
        )
        parts.append(_wrap([no_tab + "have one."], width))
    if bad := details(comparison):
        more = [f"and {len(bad) - _MAX_DETAIL_LINES} more"] if len(bad) > _MAX_DETAIL_LINES else []
        shown = [f"  {line}" for line in (*bad[:_MAX_DETAIL_LINES], *more)]
        parts.append(["Note by note:", *_wrap(shown, width, hang=4)])
    parts.append(_wrap(_drone_lines(comparison), width, hang=4))
    parts.append(_wrap(_practice_lines(comparison), width, hang=5))
    parts.append(_wrap(_pass_lines(comparison), width, hang=5))
    if previous is not None:
        changed = map(change_words, changes_since(previous, figures_of(comparison)))
        since = f"Since the take of {previous.when[:10]}: " + "; ".join(changed) + "."
        parts.append(_wrap([since], width))
    return "\n\n".join("\n".join(part) for part in parts if part) + "\n"


def _verdict_of(comparison: Comparison) -> dict[int, str]:
    """The verdict of each reference note by its id, ``left out`` where no pass reached it."""
    notes = comparison.reference.notes
    return {
        notes[row.reference].id: "left out" if row.left_out else row.verdict
        for row in comparison.notes
        if row.reference is not None and not row.again
    }


def _marked(system: System, comparison: Comparison) -> list[str]:
    """The lines of a system with the row of marks under its strings."""
    verdicts = _verdict_of(comparison)
    worst: dict[int, tuple[int, int]] = {}  # column -> (rank of the verdict, note)
    for note_id, column in system.columns.items():
        if note_id in verdicts:
            rank = (WORST_FIRST.index(verdicts[note_id]), note_id)
            worst[column] = min(worst.get(column, rank), rank)
    marks = {note_id: MARKS[WORST_FIRST[rank]] for rank, note_id in worst.values()}
    under = [mark_line(system, marks), _extra_line(system, comparison)]
    strings_end = system.strings_at + len(comparison.reference.instrument.open_midi)
    shown = under if under[1].strip() else under[:1]
    return [*system.lines[:strings_end], *shown, *system.lines[strings_end:]]


def _extra_line(system: System, comparison: Comparison) -> str:
    """``+`` where something was played that is not in the reference, between its neighbours."""
    order = {n.id: i for i, n in enumerate(comparison.reference.notes)}
    times = {r.reference: r.time_sec for r in comparison.notes if r.time_sec is not None}
    points = sorted(
        (times[order[i]], column)
        for i, column in system.columns.items()
        if i in order and order[i] in times
    )
    if not points:
        return ""
    line: list[str] = []
    at, columns = np.array(points).T
    for row in comparison.notes:
        if row.reference is not None or not row.counts or row.time_sec is None:
            continue
        if at[0] - _EDGE_SEC <= row.time_sec <= at[-1] + _EDGE_SEC:
            column = round(float(np.interp(row.time_sec, at, columns)))
            line += " " * (column + 1 - len(line))
            line[column] = MARKS["extra"] if row.verdict == "extra" else MARKS["unsure"]
    return "".join(line)


def _drone_lines(comparison: Comparison) -> list[str]:
    drone = comparison.drone
    if drone is None:
        return []
    lines = [drone_words(drone, comparison.reference)]
    return lines + [f"  {gap_words(gap, comparison)}" for gap in drone.gaps]


def _practice_lines(comparison: Comparison) -> list[str]:
    lines = []
    for k, line in enumerate(comparison.practice, start=1):
        place = practice_place(line)
        tempo = f", from {line.tempo_bpm:.0f} bpm" if line.tempo_bpm is not None else ""
        lines.append(f"  {k}. {place[:1].upper()}{place[1:]}{tempo}")
        lines += [f"     - {step}" for step in practice_steps(line, comparison)]
    return ["Practise, the most useful first:", *lines] if lines else []


def _pass_lines(comparison: Comparison) -> list[str]:
    if len(comparison.passes) < 2:
        return []
    lines = ["Passes:"]
    for k, one in enumerate(comparison.passes):
        part = pass_words(one, comparison.reference)
        lines.append(
            f"  {k + 1}. {one.start_sec:.1f} to {one.end_sec:.1f} s{f', {part}' if part else ''}: "
            f"{one.summary.counts.get('right', 0)} right, {100 * one.summary.right_share:.0f} %"
            f"{'  (best)' if k == comparison.best else ''}"
        )
    return lines


def _wrap(lines: Sequence[str], width: int, *, hang: int = 2) -> list[str]:
    """Lines of at most ``width``; the rest of a line that is indented goes in by ``hang``."""
    out: list[str] = []
    for line in lines:
        words = line.lstrip()
        indent = len(line) - len(words)
        # The rest of a point goes under its words.
        rest = indent + 2 if words.startswith("- ") else hang if indent else 2
        out += textwrap.wrap(
            words.rstrip(),
            max(width, 24),
            initial_indent=" " * indent,
            subsequent_indent=" " * rest,
            break_long_words=False,
        ) or [""]
    return out


# The page ----------------------------------------------------------------------------------------


def html(comparison: Comparison, *, history: tuple[TakeFigures, ...] = ()) -> str:
    """The page as text; write it as UTF-8.

    Parameters
    ----------
    history : tuple of TakeFigures
        Those of earlier takes of the same riff, oldest first.
    """
    heading = _title(comparison)
    folder = resources.files("transcribe.takes")
    style = "".join(folder.joinpath(n).read_text("utf-8") for n in ("page.css", "plots.css"))
    if comparison.same_riff:
        sections = [
            _summary_section(comparison),
            _practice_section(comparison),
            _tab_section(comparison),
            _timing_section(comparison),
            _drone_section(comparison),
            _notes_section(comparison),
            _passes_section(comparison),
            _history_section(comparison, history),
        ]
    else:
        remarks = "".join(f"<p>{escape(words)}</p>" for words in _remarks(comparison))
        sections = [_section("other", "Another riff?", remarks)]
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="color-scheme" content="light dark">\n'
        f"<title>{escape(heading)}</title>\n<style>\n{style}</style>\n</head>\n<body>\n"
        f"<main>\n<h1>{escape(heading)}</h1>\n" + "\n".join(s for s in sections if s)
    ) + "\n</main>\n</body>\n</html>\n"


def _title(comparison: Comparison) -> str:
    take = comparison.take.source.file if comparison.take.source else ""
    reference = comparison.reference.source.file if comparison.reference.source else ""
    if take and reference:
        return f"{take} against {reference}"
    return f"{take or reference or 'A take'} held against the reference"


def _section(key: str, heading: str, body: str) -> str:
    start = f'<section aria-labelledby="h-{key}"><h2 id="h-{key}">{heading}</h2>'
    return f"{start}{body}</section>"


def _items(words: Iterable[str], *, kind: str = "") -> str:
    """A list, empty where there is nothing in it."""
    items = "".join(f"<li>{escape(line)}</li>" for line in words)
    start = f'<ul class="{kind}">' if kind else "<ul>"
    return f"{start}{items}</ul>" if items else ""


def _table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table of cells that are HTML already; the first of each row is its heading."""
    head = "".join(f'<th scope="col">{name}</th>' for name in heads)
    body = "".join(
        f'<tr><th scope="row">{first}</th>' + "".join(f"<td>{cell}</td>" for cell in rest) + "</tr>"
        for first, *rest in rows
    )
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def _scroll(body: str, label: str) -> str:
    return f'<div class="scroll" tabindex="0" role="region" aria-label="{label}">{body}</div>'


def _summary_section(comparison: Comparison) -> str:
    counts = comparison.summary.counts
    tiles = "".join(
        f'<div class="tile {name}"><dt><span class="sign" aria-hidden="true">'
        f"{escape(MARKS[name])}</span> {name}</dt><dd>{counts.get(name, 0)}</dd></div>"
        for name in VERDICTS
    )
    body = _items(headline(comparison.summary), kind="plain") + f'<dl class="tiles">{tiles}</dl>'
    return _section("sum", "In short", body + _items(_remarks(comparison), kind="remarks"))


def _practice_section(comparison: Comparison) -> str:
    items = []
    for line in comparison.practice:
        tempo = f" from {line.tempo_bpm:.0f} bpm" if line.tempo_bpm is not None else ""
        place = practice_place(line)
        steps = _items(sentence(step) for step in practice_steps(line, comparison))
        strong = f"<strong>{escape(place[:1].upper() + place[1:])}</strong>"
        items.append(f"<li>{strong}{tempo}{steps}</li>")
    return _section("plan", "What to practise", f"<ol>{''.join(items)}</ol>") if items else ""


def _tab_section(comparison: Comparison) -> str:
    verdicts = _verdict_of(comparison)
    bars = "".join(plots.draw_bar(bar, comparison, verdicts) for bar in plots.bars_of(comparison))
    legend = "".join(
        f'<li><span class="sign {name.replace(" ", "-")}">'
        f"{escape('·' if name == 'right' else MARKS[name])}</span> {_MEANING[name]}</li>"
        for name in _marks_used(comparison)
    )
    missing = sum(n.string is None for n in comparison.reference.notes)
    note = f"<p>{missing} notes have no place on the neck and are not drawn.</p>" if missing else ""
    body = f'<div class="tab">{bars}</div><ul class="legend">{legend}</ul>{note}'
    return _section("tab", "The reference, note by note", body)


def _timing_section(comparison: Comparison) -> str:
    drawing = plots.draw_timing(comparison)
    if not drawing:
        return ""
    body = (
        "<p>Each note against the beat it belongs to, after the take's own smooth tempo is taken "
        "out. The band is what counts as right. Triangles point up for late and down for early "
        "notes, crosses are wrong notes, squares unsure ones.</p>" + _scroll(drawing, "Timing plot")
    )
    tempo = plots.draw_tempo(comparison)
    if tempo:
        body += "<h3>Tempo</h3>" + _scroll(tempo, "Tempo plot")
    return _section("time", "Early and late", body)


def _drone_section(comparison: Comparison) -> str:
    drone = comparison.drone
    if drone is None:
        return ""
    drawing = plots.draw_drone(drone)
    return _section(
        "drone",
        "The drone",
        f"<p>{escape(sentence(drone_words(drone, comparison.reference)))}</p>"
        + (_scroll(drawing, "The drone's level") if drawing else "")
        + _items(gap_words(gap, comparison) for gap in drone.gaps),
    )


def _notes_section(comparison: Comparison) -> str:
    rows, counted = _not_right(comparison)
    reference = comparison.reference
    counts = "".join(f"<p>{escape(sentence(words))}</p>" for _, words in counted)
    cells = [
        (
            escape(place_words(r, reference)),
            f'<span class="sign {r.verdict}" aria-hidden="true">{escape(MARKS[r.verdict])}</span> '
            f"{r.verdict}",
            escape(verdict_words(r, reference)),
        )
        for r in rows
    ]
    if not cells and not counts:
        return ""
    table = _table(("Where", "Verdict", "What"), cells) if cells else ""
    shown = _scroll(table, "Notes that were not right") if table else ""
    return _section("notes", "What was not right", shown + counts)


def _passes_section(comparison: Comparison) -> str:
    if len(comparison.passes) < 2:
        return ""
    rows = [
        (
            f"{k + 1}{' (best)' if k == comparison.best else ''}",
            f"{p.start_sec:.1f} to {p.end_sec:.1f} s",
            escape(pass_words(p, comparison.reference) or "the whole"),
            f"{p.summary.counts.get('right', 0)}",
            f"{100 * p.summary.right_share:.0f} %",
        )
        for k, p in enumerate(comparison.passes)
    ]
    return _section(
        "pass", "Passes", _table(("Pass", "When", "Part", "Right notes", "Share"), rows)
    )


def _history_section(comparison: Comparison, history: tuple[TakeFigures, ...]) -> str:
    if not history:
        return ""
    now = figures_of(comparison)
    rows = [
        (
            escape(e.when[:10]),
            escape(e.take),
            f"{100 * e.right_share:.0f} %",
            "" if e.spread_ms is None else f"{e.spread_ms:.0f} ms",
            "" if e.tempo_bpm is None else f"{e.tempo_bpm:.0f}",
        )
        for e in (*history[-_MAX_EARLIER_TAKES:], now)
    ]
    table = _table(("Day", "Take", "Right", "Spread", "Tempo"), rows)
    changed = _items(map(change_words, changes_since(history[-1], now)))
    return _section("since", "Since the last take", changed + _scroll(table, "Earlier takes"))


# The browser's page ------------------------------------------------------------------------------


def drawings(comparison: Comparison) -> dict[str, str]:
    """The drawings of the report that the page in the browser shows as well, as SVG elements."""
    drone = comparison.drone
    return {
        "timing": plots.draw_timing(comparison),
        "drone": "" if drone is None else plots.draw_drone(drone),
    }


# JSON --------------------------------------------------------------------------------------------

_DIGITS = {"sec": 4, "ms": 1, "bpm": 2, "percent": 2}  # after the point, by unit; 4 for others


def as_json(comparison: Comparison) -> dict[str, Any]:
    """The whole comparison as JSON values: facts, with the finished words beside them."""
    found, reference = comparison, comparison.reference
    several = len(found.passes) > 1
    return {
        "summary": _summary_json(found.summary),
        "headline": headline(found.summary),
        "tempo_ratio": _plain(found.tempo_ratio),
        "notes": [_verdict_json(row, reference) for row in found.notes],
        "drone": None if found.drone is None else _drone_json(found.drone, found),
        "practice": [_practice_json(line, found) for line in found.practice],
        "same_riff": found.same_riff,
        "matched_share": _plain(found.matched_share),
        "timing": found.timing,
        "transposition": found.transposition,
        "differences": [remark_words(remark, reference) for remark in found.differences],
        "remarks": [remark_words(remark, reference) for remark in found.remarks],
        "passes": [
            {
                "start_sec": _plain(one.start_sec, "sec"),
                "end_sec": _plain(one.end_sec, "sec"),
                "summary": _summary_json(one.summary),
                "tempo_ratio": _plain(one.summary.tempo_ratio),
                "pauses": _plain(one.pauses, "sec"),
                **({"notes": [_verdict_json(r, reference) for r in one.notes]} if several else {}),
            }
            for one in found.passes
        ],
        "best_pass": found.best,
    }


def _plain(value: Any, name: str = "") -> Any:
    """A fact as a JSON value; figures are rounded by the unit at the end of their name."""
    if dataclasses.is_dataclass(value):
        names = [field.name for field in dataclasses.fields(value)]
        return {name: _plain(getattr(value, name), name) for name in names}
    if isinstance(value, float):
        return round(value, _DIGITS.get(name.rpartition("_")[2], 4))
    if isinstance(value, list | tuple):
        return [_plain(item, name) for item in value]
    return dict(value) if isinstance(value, Mapping) else value


def _verdict_json(row: Verdict, reference: Riff) -> dict[str, Any]:
    """A verdict; keys that say nothing are left out."""
    out = _plain(row) | {"reason": reason_words(row) or None, "reason_kind": row.reason}
    if row.played is not None:
        out["played"]["where"] = played_words(row, reference)
    if row.verdict != "right":
        out |= {"place": place_words(row, reference), "words": verdict_words(row, reference)}
    always = ("reference", "take", "verdict", "offset_ms")
    return {key: v for key, v in out.items() if key in always or not (v is None or v is False)}


def _summary_json(summary: Summary) -> dict[str, Any]:
    out = _plain(summary)
    counts = out.pop("counts")
    timing = {name: out.pop(name) for name in ("bias_ms", "spread_ms")}
    return {name: counts.get(name, 0) for name in VERDICTS} | out | {"timing": timing}


def _drone_json(drone: DroneVerdict, comparison: Comparison) -> dict[str, Any]:
    out = _plain(drone)
    gaps = zip(out.pop("gaps"), drone.gaps, strict=True)
    dropouts = [{**told, "words": gap_words(gap, comparison)} for told, gap in gaps]
    return {"dropouts": dropouts} | out | {"words": drone_words(drone, comparison.reference)}


def _practice_json(line: Practice, comparison: Comparison) -> dict[str, Any]:
    steps = practice_steps(line, comparison)
    return {
        "bar": line.bar,
        "bars": list(line.bars),
        "place": practice_place(line),
        "tempo_bpm": line.tempo_bpm,
        "listen_for": "; ".join(steps),
        "steps": steps,
        "errors": dict(line.errors),
        "reference": list(line.reference),
    }
