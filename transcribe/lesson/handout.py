"""The handout: a lesson, or a riff alone, as one HTML file that brings all that it needs.

It opens from a mail or a folder, without a network and without this program: tabs with their
rhythm, the grips, the scale on the neck, the teacher's words, and each part played at any speed.
The drawing and the playing are the page's own scripts; the sound is rendered here. Where scripts
do not run, as in the preview of a mail, the tabs are there as text.

Conventions: times in seconds; in what goes into the file, second 0 of a part is that of its sound.
"""

from __future__ import annotations

import base64
import dataclasses
import json
import os
from collections.abc import Callable, Sequence
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING

from transcribe.core.errors import ParameterError
from transcribe.core.files import write_atomically
from transcribe.core.lesson import Lesson, LessonPart
from transcribe.core.riff import Riff
from transcribe.formats.tab.write import write_tab
from transcribe.lesson.handout_content import (
    CARE,
    NECK_KEY,
    PLAN_WORDS,
    TAKE_NOTES,
    TAKE_PRACTICE,
    WHOLE,
    cautions_of,
    form_steps,
    neck_of_all,
    part_data,
    part_facts,
    practice_tempi,
    printed,
    shown_parts,
    stands_alone,
    title_of,
    whole_data,
    whole_of,
    whole_words,
)
from transcribe.lesson.handout_pdf import Paper, handout_pdf
from transcribe.lesson.one_script import read_static, script_of
from transcribe.lesson.part_riffs import in_bars, read_parts
from transcribe.lesson.take_on_sheet import Checks, SheetTake, takes_on_sheet
from transcribe.sound import render_riff
from transcribe.sound.encoding import sound_bytes
from transcribe.sound.rounds import CAUTION

if TYPE_CHECKING:
    from theory import Piece

__all__ = ["MOST_BYTES", "handout_html", "write_handout"]

Progress = Callable[[str, float], None]

_SUFFIXES = (".html", ".htm", ".pdf")

MOST_BYTES = 1_500_000
"""What a handout should stay below, so that it goes through any mail."""

_SR = 22050
_BIT_RATES = (64_000, 48_000, 40_000, 32_000, 24_000)  # the first that keeps the file small enough
_TEXT_WIDTH = 60  # columns of a tab as text, which a telephone shows when it is turned


def write_handout(
    source: Lesson | Riff,
    path: str | os.PathLike[str],
    *,
    folder: str | os.PathLike[str] = ".",
    title: str = "",
    fingers: bool = False,
    paper: Paper = "a4",
    checks: Checks = (),
    say: Callable[[str], None] | None = None,
    progress: Progress | None = None,
) -> None:
    """Write the handout of a lesson, or of a riff alone: one file that brings all it needs.

    Parameters
    ----------
    source : Lesson or Riff
    path : path
        The file: a PDF where it ends in ``.pdf``, HTML where it ends in ``.html`` or ``.htm``. One
        that is there is replaced, whole or not at all.
    folder : path
        Where the lesson document lies, from which its parts name their riffs.
    title : str
        What stands over it, instead of the lesson's own title.
    fingers : bool
        Whether the fretting finger stands at each note.
    paper : {"a4", "letter"}
        What the PDF is for; HTML is printed on any.
    checks : sequence of mapping or None, optional
        The last comparison of a take with each part, as `transcribe.library.last_comparison` keeps
        it: its verdicts stand under the tab, and what to practise beside them.
    say : callable, optional
        Called with a sentence where a part has unsure notes, or the font of the PDF lacks a sign.
    progress : callable, optional
        Called with the stage and its share.

    Returns
    -------
    None

    Raises
    ------
    FormatError
        If the riff of a part cannot be read, or the file cannot be written.
    ParameterError
        If the file ends in anything else; if there is no part, or no note in one; for a PDF, if
        what draws it is not installed (``pip install 'handspan[pdf]'``).

    Examples
    --------
    >>> from pathlib import Path
    >>> from tempfile import TemporaryDirectory
    >>> from transcribe.core.riff import Note
    >>> riff = Riff(notes=(Note(1, 0.0, 0.5, 57, string=3, fret=2),))
    >>> with TemporaryDirectory() as place:
    ...     write_handout(riff, Path(place) / "line.html", title="One note")
    ...     "<h1>One note</h1>" in (Path(place) / "line.html").read_text("utf-8")
    True
    """
    kind = Path(path).suffix.lower()
    if kind not in _SUFFIXES:  # a document or a recording must not be written over by mistake
        raise ParameterError(f"{path}: a handout is written as NAME.html or as NAME.pdf")
    if isinstance(source, Riff):
        name = title or (source.source.file.rpartition(".")[0] if source.source else "") or "Riff"
        lesson = Lesson(title=name, parts=(LessonPart("A", "", name=name),))
        riffs: Sequence[Riff] = (source,)
    else:
        lesson = dataclasses.replace(source, title=title or source.title)
        riffs = read_parts(source, folder)
    if kind == ".pdf":
        data = handout_pdf(
            lesson, riffs, fingers=fingers, paper=paper, checks=checks, say=say, progress=progress
        )
    else:
        made = handout_html(lesson, riffs, fingers=fingers, checks=checks, progress=progress)
        data = made.encode("utf-8")
    write_atomically(Path(path), data)
    if say is not None:
        for part, riff in zip(lesson.parts, riffs, strict=True):
            if unsure := sum(note.unsure for note in in_bars(riff, part.bars).notes):
                notes = "1 note is" if unsure == 1 else f"{unsure} notes are"
                say(f"part {part.shown_name!r}: {notes} unsure; listen and confirm or delete first")


def handout_html(
    lesson: Lesson,
    riffs: Sequence[Riff],
    *,
    fingers: bool = False,
    checks: Checks = (),
    progress: Progress | None = None,
) -> str:
    """One HTML document for a lesson; ``riffs`` are the whole riffs of its parts, in order.

    ``checks`` are as `write_handout` has them.

    Raises
    ------
    ParameterError
        If the lesson has no parts, or one of them has no notes in its bars.
    """
    shown = shown_parts(lesson, riffs)
    sounds = []
    for k, riff in enumerate(shown):
        sounds.append(render_riff(riff, sr=_SR))
        if progress is not None:
            progress("sound of the parts", (k + 1) / len(shown))
    takes = takes_on_sheet(checks, lesson, riffs)
    parts = [
        part_data(part, riff, take)
        for part, riff, take in zip(lesson.parts, shown, takes, strict=True)
    ]
    whole = whole_of(lesson, shown)
    body = _body(lesson, shown, whole, takes)
    style = "\n".join(read_static(name) for name in ("page.css", "print.css", "handout.css"))
    script = script_of("handout")
    bare = len((body + style + script + json.dumps(parts)).encode()) + 2000
    seconds = sum(len(y) for y in sounds) / _SR
    room = (MOST_BYTES - bare) * 3 / 4 * 8 / max(seconds, 1.0)  # base64 takes 4 bytes for 3
    rate = next((rate for rate in _BIT_RATES if rate * 1.03 < room), _BIT_RATES[-1])
    for made, y in zip(parts, sounds, strict=True):
        data = sound_bytes(y, sr=_SR, kind="mp3", bit_rate=rate)
        made["sound"] = "data:audio/mpeg;base64," + base64.b64encode(data).decode()
    told = json.dumps(
        {"parts": parts, "caution": CAUTION, "neckKey": NECK_KEY, "fingers": fingers}
        | {"whole": whole_data(whole)},
        ensure_ascii=False,
    )
    return _PAGE.format(
        policy=_POLICY,
        title=escape(title_of(lesson)),
        style=style,
        body=body,
        data=told.replace("<", "\\u003c"),
        script=script.replace("</script", "<\\/script"),
    )


def _body(
    lesson: Lesson, riffs: Sequence[Riff], whole: Piece | None, takes: Sequence[SheetTake | None]
) -> str:
    """Everything that can be read without a script."""
    rows = [f"<h1>{escape(title_of(lesson))}</h1>"]
    neck = neck_of_all(riffs)
    if neck:
        rows.append(f'<p class="facts">{escape(neck)}</p>')
    anchors = {part.label: number for number, part in enumerate(lesson.parts, start=1)}
    if lesson.form:
        steps = ", ".join(
            f'<a href="#part-{anchors[part.label]}">{escape(part.shown_name)}</a>'
            + (f" ×{times}" if times > 1 else "")
            for part, times in form_steps(lesson)
        )
        rows.append(f'<p class="form">Form: {steps}</p>')
    rows.append(f'<p class="hint">{PLAN_WORDS}</p>')
    rows.append('<section id="sound" aria-label="Sound" hidden></section>')
    plain = ' class="unseen"' if stands_alone(lesson) else ""
    for part, riff, take in zip(lesson.parts, riffs, takes, strict=True):
        anchor = anchors[part.label]
        text = write_tab(riff, width=_TEXT_WIDTH)
        facts = part_facts(part, riff, neck=not neck, mode=whole is None)
        rows += [
            f'<section class="part" id="part-{anchor}" aria-labelledby="name-{anchor}">',
            f'<h2 id="name-{anchor}"{plain}>{escape(part.shown_name)}</h2>',
            f'<p class="facts">{escape(facts)}</p>',
            *(f'<p class="words">{escape(line)}</p>' for line in part.note.splitlines() if line),
            *(
                f'<p class="caution"><strong>Take care:</strong> {escape(words)}</p>'
                for words in cautions_of(riff)
            ),
            *_practise_at(practice_tempi(part, riff)),
            *_take_head(take),
            '<div class="drawn"></div>',
            *_take_notes(take),
            f'<details class="as-text" open><summary>As text</summary><pre tabindex="0" '
            f'role="region" aria-label="{escape(part.shown_name)} as text">{escape(text)}</pre>'
            "</details>",
            "</section>",
        ]
    if whole is not None:
        head, says = whole_words(whole)
        items = "".join(f"<li>{escape(line)}</li>" for line in says)
        rows.append(
            f'<section id="whole" aria-labelledby="whole-name"><h2 id="whole-name">{WHOLE}</h2>'
            f"<p>{escape(head)}</p><ul>{items}</ul></section>"
        )
    rows.append('<section id="grips" aria-label="Chords" hidden></section>')
    rows.append('<section id="scale" aria-label="Scale" hidden></section>')
    rows.append(f'<p class="hint foot">{CARE}</p>')
    return "\n".join(rows)


def _take_head(take: SheetTake | None) -> list[str]:
    """What a take shows of the whole, and what to practise."""
    if take is None:
        return []
    rows = [f"<h3>{escape(take.head)}</h3>"]
    if take.says:
        rows.append(f'<p class="take">{escape(printed(" ".join(take.says)))}</p>')
    if take.practice:
        places = "".join(
            f"<li><b>{escape(place)}</b><ul>"
            + "".join(f"<li>{escape(printed(step))}</li>" for step in steps)
            + "</ul></li>"
            for place, steps in take.practice
        )
        rows.append(f"<h4>{TAKE_PRACTICE}</h4><ol>{places}</ol>")
    return [f'<div class="take-told">{"".join(rows)}</div>']


def _take_notes(take: SheetTake | None) -> list[str]:
    if take is None or not take.notes:
        return []
    lines = "".join(f"<li>{escape(printed(line))}</li>" for line in take.notes)
    return [f'<div class="take-told"><h4>{TAKE_NOTES}</h4><ul>{lines}</ul></div>']


def _practise_at(tempi: Sequence[int]) -> list[str]:
    if not tempi:
        return []
    steps = " · ".join(f'<span class="tempo">{tempo}</span>' for tempo in tempi)
    return [f'<p class="plan">Practise at {steps} bpm</p>']


_POLICY = (  # nothing is loaded: all that it needs is in the file
    "default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; media-src data:"
)
_PAGE = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="{policy}">
<title>{title}</title>
<style>
{style}
</style>
</head>
<body class="handout">
<main>
{body}
</main>
<script type="application/json" id="lesson">{data}</script>
<script>
{script}
</script>
</body>
</html>
"""
