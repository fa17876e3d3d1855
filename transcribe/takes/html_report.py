"""A comparison as one page: no script, no file beside it, light or dark as the reader has it."""

from __future__ import annotations

from html import escape
from importlib import resources

from transcribe.core.pitch import pitch_name
from transcribe.takes import progress
from transcribe.takes.comparison import MARKS, VERDICTS, Comparison
from transcribe.takes.plots import bars_of, draw_bar, draw_drone, draw_tempo, draw_timing
from transcribe.takes.wording import (
    gap_words,
    headline,
    marks_used,
    otherwise,
    pass_words,
    place_of,
    said_of,
    sentence,
    verdict_names,
)

__all__ = ["html"]

_MEANING = {
    "right": "right",
    "wrong": "another pitch was played",
    "missed": "did not sound",
    "extra": "not in the reference",
    "early": "came early",
    "late": "came late",
    "unsure": "could not be heard for certain; not counted",
    "left out": "not played in this pass; not counted",
}


def html(
    comparison: Comparison,
    *,
    title: str | None = None,
    history: tuple[progress.Entry, ...] = (),
) -> str:
    """The page as text; write it as UTF-8.

    Parameters
    ----------
    title : str, optional
        The page's heading; the names of the take and the reference are used if left out.
    history : tuple of progress.Entry
        Earlier takes of the same riff, oldest first.
    """
    heading = title or _title(comparison)
    style = resources.files("transcribe.takes").joinpath("page.css").read_text("utf-8")
    sections = [_other_riff(comparison)]
    if comparison.same_riff:
        sections = [
            _summary(comparison),
            _practice(comparison),
            _tab(comparison),
            _timing(comparison),
            _drone(comparison),
            _notes(comparison),
            _passes(comparison),
            _history(comparison, history),
        ]
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


def _other_riff(comparison: Comparison) -> str:
    """All that there is to say of a take of something else."""
    paragraphs = [f"<p>{escape(sentence(s))}</p>" for s in comparison.remarks]
    return (
        '<section aria-labelledby="h-other"><h2 id="h-other">Another riff?</h2>'
        f"{''.join(paragraphs)}</section>"
    )


def _summary(comparison: Comparison) -> str:
    lines = "".join(f"<li>{escape(line)}</li>" for line in headline(comparison))
    counts = comparison.summary.counts
    tiles = "".join(
        f'<div class="tile {name}"><dt><span class="sign" aria-hidden="true">'
        f"{escape(MARKS[name])}</span> {name}</dt><dd>{counts.get(name, 0)}</dd></div>"
        for name in VERDICTS
    )
    said = [*comparison.differences, *comparison.remarks]
    notes = "".join(f"<li>{escape(sentence(s))}</li>" for s in said)
    return (
        '<section aria-labelledby="h-sum"><h2 id="h-sum">In short</h2>'
        f'<ul class="plain">{lines}</ul><dl class="tiles">{tiles}</dl>'
        + (f'<ul class="remarks">{notes}</ul>' if notes else "")
        + "</section>"
    )


def _practice(comparison: Comparison) -> str:
    if not comparison.practice:
        return ""
    items = []
    for line in comparison.practice:
        tempo = f" from tempo {line.tempo_bpm:.0f}" if line.tempo_bpm is not None else ""
        points = "".join(f"<li>{escape(sentence(point))}</li>" for point in line.points)
        items.append(
            f"<li><strong>{escape(line.place[:1].upper() + line.place[1:])}</strong>"
            f"{tempo}<ul>{points}</ul></li>"
        )
    return (
        '<section aria-labelledby="h-plan"><h2 id="h-plan">What to practise</h2>'
        f"<ol>{''.join(items)}</ol></section>"
    )


def _tab(comparison: Comparison) -> str:
    names = verdict_names(comparison.notes, [n.id for n in comparison.reference.notes])
    bars = "".join(draw_bar(bar, comparison, names) for bar in bars_of(comparison))
    used = marks_used(comparison)
    legend = "".join(
        f'<li><span class="sign {name.replace(" ", "-")}">'
        f"{escape('·' if name == 'right' else sign)}</span> {_MEANING[name]}</li>"
        for name, sign in MARKS.items()
        if name in used
    )
    missing = sum(n.string is None for n in comparison.reference.notes)
    note = f"<p>{missing} notes have no place on the neck and are not drawn.</p>" if missing else ""
    return (
        '<section aria-labelledby="h-tab"><h2 id="h-tab">The reference, note by note</h2>'
        f'<div class="tab">{bars}</div><ul class="legend">{legend}</ul>{note}</section>'
    )


def _scroll(drawing: str, label: str) -> str:
    return f'<div class="scroll" tabindex="0" role="region" aria-label="{label}">{drawing}</div>'


def _timing(comparison: Comparison) -> str:
    drawing = draw_timing(comparison)
    if not drawing:
        return ""
    out = (
        '<section aria-labelledby="h-time"><h2 id="h-time">Early and late</h2>'
        "<p>Each note against the beat it belongs to, after the take's own smooth tempo is taken "
        "out. The band is what counts as right. Triangles point up for late and down for early "
        "notes, crosses are wrong notes, squares unsure ones.</p>" + _scroll(drawing, "Timing plot")
    )
    tempo = draw_tempo(comparison)
    if tempo:
        out += "<h3>Tempo</h3>" + _scroll(tempo, "Tempo plot")
    return out + "</section>"


def _drone(comparison: Comparison) -> str:
    drone = comparison.drone
    if drone is None:
        return ""
    gaps = "".join(f"<li>{escape(gap_words(g, comparison))}</li>" for g in drone.gaps)
    drawing = draw_drone(drone)
    return (
        '<section aria-labelledby="h-drone"><h2 id="h-drone">The drone</h2>'
        f"<p>String {drone.string}, {escape(pitch_name(drone.pitch_midi))}, rings "
        f"{100 * drone.ringing_share:.0f} % of the time it should.</p>"
        + (_scroll(drawing, "The drone's level") if drawing else "")
        + (f"<ul>{gaps}</ul>" if gaps else "")
        + "</section>"
    )


def _notes(comparison: Comparison) -> str:
    rows, counted = otherwise(comparison)
    told = "".join(f"<p>{escape(sentence(words))}</p>" for _, words in counted)
    if not rows and not told:
        return ""
    head = '<section aria-labelledby="h-notes"><h2 id="h-notes">What went otherwise</h2>'
    if not rows:
        return head + told + "</section>"
    body = "".join(
        f'<tr><th scope="row">{escape(place_of(r, comparison))}</th>'
        f'<td><span class="sign {r.verdict}" aria-hidden="true">{escape(MARKS[r.verdict])}</span> '
        f"{r.verdict}</td><td>{escape(said_of(r).removeprefix(': '))}</td></tr>"
        for r in rows
    )
    return (
        head + '<div class="scroll" tabindex="0" role="region" '
        'aria-label="Notes that went otherwise">'
        '<table><thead><tr><th scope="col">Where</th><th scope="col">Verdict</th>'
        f'<th scope="col">What</th></tr></thead><tbody>{body}</tbody></table></div>{told}</section>'
    )


def _passes(comparison: Comparison) -> str:
    if len(comparison.passes) < 2:
        return ""
    body = "".join(
        f'<tr><th scope="row">{k + 1}{" (best)" if k == comparison.best else ""}</th>'
        f"<td>{p.start_sec:.1f} to {p.end_sec:.1f} s</td>"
        f"<td>{escape(pass_words(p, comparison) or 'the whole')}</td>"
        f"<td>{p.summary.counts.get('right', 0)}</td>"
        f"<td>{100 * p.summary.right_share:.0f} %</td></tr>"
        for k, p in enumerate(comparison.passes)
    )
    return (
        '<section aria-labelledby="h-pass"><h2 id="h-pass">Passes</h2><table><thead><tr>'
        '<th scope="col">Pass</th><th scope="col">When</th><th scope="col">Part</th>'
        '<th scope="col">Right notes</th>'
        f'<th scope="col">Share</th></tr></thead><tbody>{body}</tbody></table></section>'
    )


def _history(comparison: Comparison, history: tuple[progress.Entry, ...]) -> str:
    if not history:
        return ""
    now = progress.entry_of(comparison)
    changed = "".join(f"<li>{escape(s)}</li>" for s in progress.change(history[-1], now))
    body = "".join(
        f'<tr><th scope="row">{escape(e.when[:10])}</th><td>{escape(e.take)}</td>'
        f"<td>{100 * e.right_share:.0f} %</td>"
        f"<td>{'' if e.spread_ms is None else f'{e.spread_ms:.0f} ms'}</td>"
        f"<td>{'' if e.tempo_bpm is None else f'{e.tempo_bpm:.0f}'}</td></tr>"
        for e in (*history[-12:], now)
    )
    return (
        '<section aria-labelledby="h-since"><h2 id="h-since">Since the last take</h2>'
        f"<ul>{changed}</ul>"
        '<div class="scroll" tabindex="0" role="region" aria-label="Earlier takes"><table><thead>'
        '<tr><th scope="col">Day</th><th scope="col">Take</th><th scope="col">Right</th>'
        '<th scope="col">Spread</th><th scope="col">Tempo</th></tr></thead>'
        f"<tbody>{body}</tbody></table></div></section>"
    )
