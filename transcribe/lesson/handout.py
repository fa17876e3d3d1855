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
from collections.abc import Callable, Mapping, Sequence
from html import escape
from itertools import groupby
from pathlib import Path
from typing import Any

from transcribe.core.clock import Clock
from transcribe.core.errors import ParameterError
from transcribe.core.files import write_atomically
from transcribe.core.instrument import tuning_name
from transcribe.core.lesson import Lesson, LessonPart
from transcribe.core.pitch import pitch_name
from transcribe.core.riff import Riff, legato_sources
from transcribe.core.score_place import bar_and_beat, counted_beats
from transcribe.core.wording import sentence
from transcribe.formats.document import to_json
from transcribe.formats.notation import written_rhythm
from transcribe.formats.tab.write import write_tab
from transcribe.harmony import theory_report
from transcribe.lesson.one_script import read_static, script_of
from transcribe.lesson.part_riffs import in_bars, read_parts
from transcribe.sound import render_riff
from transcribe.sound.encoding import sound_bytes
from transcribe.sound.rounds import CAUTION

__all__ = ["MOST_BYTES", "handout_html", "write_handout"]

Progress = Callable[[str, float], None]

MOST_BYTES = 1_500_000
"""What a handout should stay below, so that it goes through any mail."""

_SR = 22050
_BIT_RATES = (64_000, 48_000, 40_000, 32_000, 24_000)  # the first that keeps the file small enough
_AHEAD_SEC = 0.3  # of silence before a part, so that its first attack is whole
_TEXT_WIDTH = 60  # columns of a tab as text, which a telephone shows when it is turned
_NEEDED = ("rhythm", "instrument", "drone", "notes", "marks")
_NEEDED_THEORY = ("mode", "loop", "chords", "ways", "scale")


def write_handout(
    source: Lesson | Riff,
    path: str | os.PathLike[str],
    *,
    folder: str | os.PathLike[str] = ".",
    title: str = "",
    progress: Progress | None = None,
) -> None:
    """Write the handout of a lesson, or of a riff alone: one HTML file that brings all it needs.

    Parameters
    ----------
    source : Lesson or Riff
    path : path
        The HTML file. One that is there is replaced, whole or not at all.
    folder : path
        Where the lesson document lies, from which its parts name their riffs.
    title : str
        What stands over it, instead of the lesson's own title.
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
        If there is no part, or no note in one.

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
    if isinstance(source, Riff):
        name = title or (source.source.file.rpartition(".")[0] if source.source else "") or "Riff"
        lesson = Lesson(title=name, parts=(LessonPart("A", "", name=name),))
        riffs: Sequence[Riff] = (source,)
    else:
        lesson = dataclasses.replace(source, title=title or source.title)
        riffs = read_parts(source, folder)
    text = handout_html(lesson, riffs, progress=progress)
    write_atomically(Path(path), text.encode("utf-8"))


def handout_html(lesson: Lesson, riffs: Sequence[Riff], *, progress: Progress | None = None) -> str:
    """One HTML document for a lesson; ``riffs`` are the whole riffs of its parts, in order.

    Raises
    ------
    ParameterError
        If the lesson has no parts, or one of them has no notes in its bars.
    """
    if not lesson.parts:
        raise ParameterError("the lesson has no parts yet; add one first")
    shown = [
        _with_theory(_in_part(part, riff)) for part, riff in zip(lesson.parts, riffs, strict=True)
    ]
    starts = [_start_sec(riff) - _AHEAD_SEC for riff in shown]
    shown = [_moved(riff, -start) for riff, start in zip(shown, starts, strict=True)]
    sounds = []
    for k, riff in enumerate(shown):
        sounds.append(render_riff(riff, sr=_SR))
        if progress is not None:
            progress("sound of the parts", (k + 1) / len(shown))
    parts = [_part_json(part, riff) for part, riff in zip(lesson.parts, shown, strict=True)]
    body = _body(lesson, shown)
    style = "\n".join(read_static(name) for name in ("page.css", "print.css", "handout.css"))
    script = script_of("handout")
    bare = len((body + style + script + json.dumps(parts)).encode()) + 2000
    seconds = sum(len(y) for y in sounds) / _SR
    room = (MOST_BYTES - bare) * 3 / 4 * 8 / max(seconds, 1.0)  # base64 takes 4 bytes for 3
    rate = next((rate for rate in _BIT_RATES if rate * 1.03 < room), _BIT_RATES[-1])
    for made, y in zip(parts, sounds, strict=True):
        data = sound_bytes(y, sr=_SR, kind="mp3", bit_rate=rate)
        made["sound"] = "data:audio/mpeg;base64," + base64.b64encode(data).decode()
    told = json.dumps({"parts": parts, "caution": CAUTION}, ensure_ascii=False)
    return _PAGE.format(
        policy=_POLICY,
        title=escape(_title(lesson)),
        style=style,
        body=body,
        data=told.replace("<", "\\u003c"),
        script=script.replace("</script", "<\\/script"),
    )


def _title(lesson: Lesson) -> str:
    return lesson.title or " · ".join(part.shown_name for part in lesson.parts[:3])


def _in_part(part: LessonPart, riff: Riff) -> Riff:
    shown = in_bars(riff, part.bars)
    if not shown.notes:
        raise ParameterError(f"part {part.shown_name!r} has no notes in the bars that are shown")
    return shown


def _with_theory(riff: Riff) -> Riff:
    if (riff.theory or {}).get("scale"):
        return riff
    return dataclasses.replace(riff, theory=theory_report(riff).as_document())


def _start_sec(riff: Riff) -> float:
    """Where the first bar that has a note begins, or that note where it comes earlier."""
    first = min(note.onset_sec for note in riff.notes)
    if riff.rhythm is None:
        return first
    per = riff.rhythm.meter[0]
    beats = [note.onset_beat for note in riff.notes if note.onset_beat is not None]
    if not beats:
        return first
    return min(first, Clock(riff.rhythm).sec((min(beats) + 1e-6) // per * per))


def _moved(riff: Riff, sec: float) -> Riff:
    """``riff`` with all its seconds later by ``sec``."""
    notes = tuple(
        dataclasses.replace(n, onset_sec=n.onset_sec + sec, offset_sec=n.offset_sec + sec)
        for n in riff.notes
    )
    rhythm, drone, theory = riff.rhythm, riff.drone, riff.theory
    if rhythm is not None:
        rhythm = dataclasses.replace(
            rhythm,
            beats_sec=tuple(at + sec for at in rhythm.beats_sec),
            downbeats_sec=tuple(at + sec for at in rhythm.downbeats_sec),
        )
    if drone is not None:
        drone = dataclasses.replace(
            drone, start_sec=drone.start_sec + sec, end_sec=drone.end_sec + sec
        )
    if theory is not None and theory.get("chords"):
        chords = [
            {**each, "start_sec": each["start_sec"] + sec, "end_sec": each["end_sec"] + sec}
            for each in theory["chords"]
        ]
        theory = {**theory, "chords": chords}
    return dataclasses.replace(riff, notes=notes, rhythm=rhythm, drone=drone, theory=theory)


def _part_json(part: LessonPart, riff: Riff) -> dict[str, Any]:
    """What the scripts draw and play of one part, in the form that the page gets a riff in."""
    document = to_json(riff)
    told = {key: document[key] for key in _NEEDED if document.get(key) is not None}
    theory = document.get("theory") or {}
    told["theory"] = {key: theory[key] for key in _NEEDED_THEORY if key in theory}
    numbers = [
        bar_and_beat(note.onset_beat, riff.rhythm.meter)[0]
        for note in riff.notes
        if riff.rhythm is not None and note.onset_beat is not None
    ] or [0]
    return {
        "label": part.label,
        "name": part.shown_name,
        "start_bpm": part.start_bpm,
        "document": told,
        "bars": [
            bar for bar in written_rhythm(riff) if min(numbers) <= bar["number"] <= max(numbers)
        ],
        "legato_from": legato_sources(riff.notes),
        "unsure": [note.id for note in riff.notes if note.unsure],
    }


def _body(lesson: Lesson, riffs: Sequence[Riff]) -> str:
    """Everything that can be read without a script."""
    rows = [f"<h1>{escape(_title(lesson))}</h1>"]
    same = _same_neck(riffs)
    if same:
        rows.append(f'<p class="facts">{escape(_printed(_capital(_neck_words(riffs[0]))))}</p>')
    if lesson.form:
        names = {part.label: part.shown_name for part in lesson.parts}
        rounds = [(label, len(list(run))) for label, run in groupby(lesson.form)]
        steps = ", ".join(
            f'<a href="#part-{_anchor(lesson, label)}">{escape(names[label])}</a>'
            + (f" ×{times}" if times > 1 else "")
            for label, times in rounds
        )
        rows.append(f'<p class="form">Form: {steps}</p>')
    rows.append('<section id="sound" aria-label="Sound" hidden></section>')
    # A riff alone has its name over the page already.
    alone = len(lesson.parts) == 1 and lesson.parts[0].shown_name == _title(lesson)
    plain = ' class="unseen"' if alone else ""
    for part, riff in zip(lesson.parts, riffs, strict=True):
        anchor = _anchor(lesson, part.label)
        text = write_tab(riff, width=_TEXT_WIDTH)
        rows += [
            f'<section class="part" id="part-{anchor}" aria-labelledby="name-{anchor}">',
            f'<h2 id="name-{anchor}"{plain}>{escape(part.shown_name)}</h2>',
            f'<p class="facts">{_part_facts(part, riff, neck=not same)}</p>',
            *(f'<p class="words">{escape(line)}</p>' for line in part.note.splitlines() if line),
            *(
                f'<p class="caution"><strong>Take care:</strong> {escape(sentence(remark))}</p>'
                for remark in riff.cautions[:3]
            ),
            '<div class="drawn"></div>',
            f'<details class="as-text" open><summary>As text</summary><pre tabindex="0" '
            f'role="region" aria-label="{escape(part.shown_name)} as text">{escape(text)}</pre>'
            "</details>",
            "</section>",
        ]
    rows.append('<section id="grips" aria-label="Chords" hidden></section>')
    rows.append('<section id="scale" aria-label="Scale" hidden></section>')
    rows.append(
        '<p class="hint foot">All shapes are a suggestion for your own neck and hand. Warm up, '
        "stop if it hurts, and ask your teacher or a clinician about pain that stays.</p>"
    )
    return "\n".join(rows)


def _anchor(lesson: Lesson, label: str) -> int:
    return [part.label for part in lesson.parts].index(label) + 1


def _same_neck(riffs: Sequence[Riff]) -> bool:
    return len({(riff.instrument.open_midi, riff.instrument.capo) for riff in riffs}) == 1


def _neck_words(riff: Riff) -> str:
    """Tuning and capo."""
    strings, capo = riff.instrument.open_midi, riff.instrument.capo
    names = " ".join(pitch_name(midi) for midi in strings)
    tuning = tuning_name(strings)
    words = f"strings from the highest: {names}{f' ({tuning})' if tuning else ''}"
    return words + (f"; capo at fret {capo}" if capo else "")


def _part_facts(part: LessonPart, riff: Riff, *, neck: bool) -> str:
    mode: Mapping[str, Any] = (riff.theory or {}).get("mode") or {}
    facts = [_neck_words(riff)] if neck else []
    if mode and not mode.get("candidates"):
        facts.append(f"{mode['tonic']} {mode['name']}")
    if riff.rhythm is not None:
        meter = "/".join(map(str, riff.rhythm.meter))
        per = counted_beats(riff.rhythm.meter)
        dotted = " (dotted beats)" if per > 1 else ""
        facts.append(f"{riff.rhythm.bpm / per:.0f} bpm{dotted}, {meter}")
        if part.start_bpm:
            facts.append(f"start at {part.start_bpm / per:.0f} bpm")
    loop = (riff.theory or {}).get("loop") or {}
    if loop.get("symbols"):
        hint = " (implied)" if loop.get("implied") else ""
        facts.append(f"chords: {' – '.join(loop['symbols'])}{hint}")
    if riff.drone is not None:
        facts.append(f"string {riff.drone.string} rings open as a drone")
    return escape(_printed(_capital("; ".join(facts))))


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _printed(text: str) -> str:
    """Sharps as they are printed."""
    return text.replace("#", "♯")


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
