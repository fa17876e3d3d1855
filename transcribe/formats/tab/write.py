"""The text tab, ``NAME.tab.txt``: written here, read by `transcribe.formats.tab.read`.

A tab opens with ``Handspan tab 1`` and a few ``Name: value`` lines, then systems of music, then a
key to the signs in it. A system is the bar number and chord symbols, one line per string with
string 1 on top, and the count; see `transcribe.formats.tab.layout` for how columns tell time.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from transcribe.core.instrument import tuning_name
from transcribe.core.key import note_names
from transcribe.core.pitch import pitch_name
from transcribe.core.riff import Drone, Instrument, Note, Rhythm, Riff
from transcribe.core.score_place import tempo_words
from transcribe.formats.chord_names import key_words
from transcribe.formats.tab.header import NOT_TOLD
from transcribe.formats.tab.layout import System, column_sec, layout, mark_line, string_names

__all__ = ["System", "layout", "mark_line", "string_names", "write_tab"]

LEFT_OUT = "Left out, no string yet: "
"""What the list of notes without a string begins with."""

TAKEN = "none is given"
"""What the line of a tempo says where no file gives one."""

SHAPES = "shapes "
"""What goes before the chord shapes that a loop is played with at a capo."""

_COUNTED = (
    (re.compile(r"^ +\d[^\"]* t +l\b"), "1 t l three to a beat"),
    (re.compile(r"^ +\d[^\"]* \."), ". finer parts of a beat"),
)
"""What of the count under the strings is not everybody's, and its meaning."""

_MAX_LISTED_IDS = 8  # ids of unsure notes in the header, which should stay on one line
_SIGNS = (
    ("hammer-on", "h hammer-on"),
    ("pull-off", "p pull-off"),
    ("slide", "/ \\ slide"),
    ("bend", "b bend"),
    ("vibrato", "~ vibrato"),
    ("harmonic", "<12> harmonic"),
    ("dead", "x dead note"),
)


def write_tab(riff: Riff, *, width: int = 80, fingers: bool = False, repeats: bool = False) -> str:
    """The riff as a text tab.

    Parameters
    ----------
    width : int
        Columns of the longest line, at least 24.
    fingers : bool
        Whether a row under the strings names the fretting fingers: 1 index to 4 little finger,
        0 open.
    repeats : bool
        Whether bars that come again at once are written only one time, between ``|:`` and ``:|``.

    Returns
    -------
    str
        Lines of at most ``width`` columns. Notes that have no string are listed at the end.

    Raises
    ------
    ParameterError
        If ``width`` is under 24.

    Examples
    --------
    >>> from transcribe.core.riff import Note
    >>> notes = (Note(1, 0.0, 0.5, 50, string=4, fret=0), Note(2, 0.5, 1.0, 54, string=4, fret=4))
    >>> print(write_tab(Riff(notes=notes, rhythm=Rhythm(120.0)), width=40))
    Handspan tab 1
    Tuning: E4 B3 G3 D3 A2 E2 (standard)
    Meter:  4/4
    Tempo:  120 bpm (quarter = 120)
    <BLANKLINE>
    1
    e |-----------------|
    B |-----------------|
    G |-----------------|
    D |-0---4-----------|
    A |-----------------|
    E |-----------------|
        1   2   3   4
    <BLANKLINE>
    """
    systems = layout(riff, width, fingers=fingers, repeats=repeats)
    head = _header(riff)
    body = ["\n".join(system.lines) for system in systems]
    counts = [
        system.lines[system.strings_at + len(riff.instrument.open_midi) :] for system in systems
    ]
    counted = [
        meaning
        for sign, meaning in _COUNTED
        if riff.rhythm is not None and any(sign.search(line) for lines in counts for line in lines)
    ]
    foot = _footer(riff, width, counted=counted)
    return "\n\n".join(["\n".join(head), *body, *foot]) + "\n"


def _header(riff: Riff) -> list[str]:
    title = riff.source.file if riff.source is not None else ""
    lines = [f"Handspan tab 1: {title}" if title else "Handspan tab 1"]
    instrument = riff.instrument
    known = tuning_name(instrument.open_midi)
    strings = " ".join(pitch_name(m) for m in instrument.open_midi)
    lines.append(f"Tuning: {strings}" + (f" ({known})" if known else ""))
    if instrument.capo:
        lines.append(f"Capo:   fret {instrument.capo} (frets count from it)")
    default = Instrument()
    if instrument.frets != default.frets:
        lines.append(f"Frets:  {instrument.frets}")
    if riff.rhythm is not None:
        taken = riff.player.bpm is None and any(w.kind == "tempo-taken" for w in riff.warnings)
        lines += _rhythm_lines(riff.rhythm, taken)
    else:
        lines.append(f"Time:   one column is {column_sec(riff):g} s, no bars")
    if riff.drone is not None:
        lines.append(_drone_line(riff.drone, instrument, note_names(riff)))
    if riff.written_key is not None:
        lines.append(f"Key:    {key_words(riff.written_key)}")
    return lines + _theory_lines(riff.theory) + _unsure_lines(riff.notes)


def _rhythm_lines(rhythm: Rhythm, taken: bool) -> list[str]:
    top, unit = rhythm.meter
    tempo = tempo_words(rhythm.bpm, rhythm.meter) + (f", assumed: {TAKEN}" if taken else "")
    return [f"Meter:  {top}/{unit}", f"Tempo:  {tempo}"]


def _drone_line(drone: Drone, instrument: Instrument, names: Sequence[str]) -> str:
    strings = (drone.string, *drone.other_strings)
    where = " and ".join(
        f"string {s} ({pitch_name(instrument.pitch_midi(s, 0), names)})" for s in strings
    )
    return f"Drone:  open {where}"


def _unsure_lines(notes: Sequence[Note]) -> list[str]:
    """How many notes were heard with doubt, and which: the first few by their ids."""
    unsure = [note.id for note in notes if note.unsure]
    if not unsure:
        return []
    listed = ", ".join(map(str, unsure[:_MAX_LISTED_IDS])) + (
        ", ..." if len(unsure) > _MAX_LISTED_IDS else ""
    )
    counted = "1 note" if len(unsure) == 1 else f"{len(unsure)} notes"
    return [f"Unsure: {counted} ({listed})"]


def _theory_lines(theory: Mapping[str, Any] | None) -> list[str]:
    lines = []
    mode = (theory or {}).get("mode")
    if isinstance(mode, Mapping) and mode.get("tonic") and mode.get("name"):
        candidates = [str(name) for name in mode.get("candidates") or ()]
        remarks = []
        sureness, confidence = mode.get("sureness"), mode.get("confidence")
        # What the report calls a guess must not look like a fact here.
        if sureness and sureness != "sure" and isinstance(confidence, int | float):
            remarks.append(f"{sureness}, {confidence:.0%}")
        if mode.get("parent"):
            remarks.append(f"notes of {mode['parent']}")
        remark = f" ({'; '.join(remarks)})" if remarks else ""
        named = f"{mode['tonic']} {mode['name']}{remark}"
        lines.append(f"Mode:   {NOT_TOLD + ', '.join(candidates) if candidates else named}")
    loop = (theory or {}).get("loop")
    if isinstance(loop, Mapping) and loop.get("symbols"):
        symbols = [str(symbol) for symbol in loop["symbols"]]
        played, fret, easier = _shapes(theory, symbols)
        remarks = ["implied"] if loop.get("implied") else []
        if played:
            remarks.append(f"{SHAPES}{' '.join(played)}")
        remark = f" ({'; '.join(remarks)})" if remarks else ""
        name = "Chords" if loop.get("implied") or loop.get("once") else "Loop"
        lines.append(f"{name + ':':<8}{' '.join(symbols)}{remark}")
        if easier:
            where = f"with a capo at fret {fret}" if fret else "without the capo"
            lines.append(f"Easier: {where}, {SHAPES}{' '.join(easier)}")
    return lines


def _shapes(
    theory: Mapping[str, Any] | None, symbols: Sequence[str]
) -> tuple[list[str], int, list[str]]:
    """The shapes of a loop's chords at the capo that is on, the fret of one that makes them easier.

    Last the shapes there; no shapes where no capo is on, or none makes the loop easier.
    """
    ways = {way.get("symbol"): way for way in (theory or {}).get("ways") or ()}
    chords = [ways.get(symbol) or {} for symbol in symbols]
    played = [chord.get("as_played") for chord in chords]
    plans = [(chord.get("capo") or [{}])[0] for chord in chords]
    easier = [plan.get("think") for plan in plans]
    frets = {plan.get("capo") for plan in plans}
    return (
        [str(name) for name in played] if all(played) else [],
        next(iter(frets)) or 0,
        [str(name) for name in easier] if all(easier) and len(frets) == 1 else [],
    )


def _footer(riff: Riff, width: int, *, counted: Sequence[str]) -> list[str]:
    used = {n.articulation for n in riff.notes if n.string is not None}
    signs = [text for name, text in _SIGNS if name in used]
    placed = [note for note in riff.notes if note.string is not None]
    also = (
        (any(note.bend and note.bend.released for note in placed), "r bend let back down"),
        (any(note.tapped for note in placed), "T tapped"),
        (any(note.soft for note in placed), "(5) soft or held over"),
        (any(note.palm_mute for note in placed), "PM palm mute"),
        (any(note.let_ring for note in placed), "LR let ring"),
        (any(note.stroke for note in placed), "d u stroke down, up"),
    )
    signs += [text for is_there, text in also if is_there]
    signs += counted
    parts = []
    if signs:
        parts.append("\n".join(_wrap("Signs:  ", signs, width)))
    names = list(riff.left_out)
    missing = [n for n in riff.notes if n.string is None]
    called = note_names(riff)
    names += [f"{pitch_name(n.pitch_midi, called)} at {n.onset_sec:.2f} s" for n in missing]
    if names:
        parts.append("\n".join(_wrap(LEFT_OUT, names, width)))
    return parts


def _wrap(label: str, items: list[str], width: int) -> list[str]:
    lines = [label + items[0]]
    for item in items[1:]:
        if len(lines[-1]) + 2 + len(item) > width:
            lines.append(" " * 8 + item)
        else:
            lines[-1] += ", " + item
    return lines
