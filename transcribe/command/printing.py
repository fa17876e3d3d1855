"""What the commands print: results on stdout, progress and remarks on stderr."""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from transcribe.core.riff import FileForm, Note, Riff

__all__ = ["Progress", "changes", "place", "print_files", "print_riff", "repeats_wanted"]


class Progress:
    """Stage and share on stderr, once the work has lasted over a second."""

    def __init__(self, stream: Any, *, quiet: bool) -> None:
        self._stream = stream
        self._quiet = quiet
        self._begun = time.monotonic()
        self._shown = ""
        self._is_terminal = stream.isatty()

    def __call__(self, stage: str, share: float) -> None:
        if self._quiet or time.monotonic() - self._begun < 1.0:
            return
        if self._is_terminal:
            text = f"{stage} {share:4.0%}"
            self._stream.write(f"\r{text:<{len(self._shown)}}")
            self._shown = text
        elif stage != self._shown:
            self._stream.write(f"{stage} ...\n")
            self._shown = stage
        self._stream.flush()

    def clear(self) -> None:
        """Take the progress off the terminal, so that something else can be printed."""
        if self._is_terminal and self._shown:
            self._stream.write("\r" + " " * len(self._shown) + "\r")
            self._stream.flush()
            self._shown = ""

    def say(self, sentence: str) -> None:
        """Print a remark on a line of its own."""
        self.clear()
        print(sentence, file=self._stream)


def print_riff(riff: Riff, args: argparse.Namespace, form: FileForm | None = None) -> None:
    """Print the tab and what is to be said of it, or the document for other programs.

    ``form`` of the tab is that of ``args`` where left out.
    """
    if args.json:
        from transcribe.formats.document import to_json

        print(json.dumps(to_json(riff), ensure_ascii=False))
        return
    from transcribe.core.key import note_names
    from transcribe.core.riff import FileForm
    from transcribe.core.wording import segments_line, sentence
    from transcribe.correct.retime import remaining_warnings
    from transcribe.formats.tab.write import write_tab

    if form is None:
        form = FileForm(args.width, repeats_wanted(riff, args), args.fingers)
    tab = write_tab(riff, width=form.width, repeats=form.repeats, fingers=form.fingers)
    print(tab.rstrip("\n"))
    if heard := segments_line(riff.segments):
        print(f"In the recording: {heard}")
    for mark, remarks in (
        ("! ", remaining_warnings(riff)),
        ("! ", riff.unmet),
        ("take care: ", riff.cautions),
    ):
        for remark in remarks:
            print(f"{mark}{sentence(remark, note_names(riff))}")


def repeats_wanted(riff: Riff, args: argparse.Namespace) -> bool:
    """Whether bars that come again are written once: as ``args`` say, else as the file has them."""
    from transcribe.library.riff_files import usual_form

    return usual_form(riff).repeats if args.repeats is None else bool(args.repeats)


def print_files(files: Sequence[Path], args: argparse.Namespace, progress: Progress) -> None:
    """Say which files were written."""
    progress.clear()
    stream = sys.stderr if args.json else sys.stdout
    print("written: " + ", ".join(str(path) for path in files), file=stream)


def changes(old: Riff, new: Riff) -> list[str]:
    """What a correction changed, a line for the rhythm, tuning and drone and one for each note."""
    from transcribe.core.key import note_names
    from transcribe.core.pitch import pitch_name
    from transcribe.core.score_place import place_of_note

    before = {note.id: note for note in old.notes}
    names = note_names(new)
    lines = []
    if old.rhythm is not None and new.rhythm is not None and _tempo(old) != _tempo(new):
        lines.append(f"rhythm: {_tempo(old)} -> {_tempo(new)}")
    lines += _rebarred(old, new)
    for name, words in (("tuning", _strings), ("drone", _drone)):
        if words(old) != words(new):
            lines.append(f"{name}: {words(old)} -> {words(new)}")
    here = [n for n in new.notes if n.id in before]
    for unsure, now in ((False, "sure now"), (True, "unsure again")):
        if count := sum(n.unsure == unsure != before[n.id].unsure for n in here):
            lines.append(f"{count} note{'s are' if count > 1 else ' is'} {now}")
    for note in new.notes:
        was = before.pop(note.id, None)
        name = f"note {note.id}"
        if was is None:
            lines.append(f"{name}: {pitch_name(note.pitch_midi, names)} is there, {place(note)}")
        elif was.pitch_midi != note.pitch_midi:
            pitches = f"{pitch_name(was.pitch_midi, names)} -> {pitch_name(note.pitch_midi, names)}"
            lines.append(f"{name}: {pitches}, {place(note)}")
        elif (was.string, was.fret) != (note.string, note.fret):
            pinned = " (pinned)" if note.pinned else ""
            pinned = " (pin taken off)" if was.pinned and not note.pinned else pinned
            lines.append(f"{name}: {place(was)} -> {place(note)}{pinned}")
        elif was.pinned and not note.pinned:
            lines.append(f"{name}: pin taken off, it stays on {place(note)}")
        elif note.pinned and not was.pinned:
            lines.append(f"{name}: pinned where it lies, {place(note)}")
        if was is not None and was.articulation != note.articulation:
            lines.append(f"{name}: {was.articulation} -> {note.articulation}")
        if was is not None and was.onset_sec != note.onset_sec:
            lines.append(f"{name}: {place_of_note(old, was)} -> {place_of_note(new, note)}")
        elif was is not None and was.offset_sec != note.offset_sec:
            longer = "longer" if note.offset_sec > was.offset_sec else "shorter"
            lines.append(f"{name}: {longer}, to {note.offset_sec:.2f} s")
    lines += [f"note {i}: {pitch_name(n.pitch_midi, names)} is gone" for i, n in before.items()]
    return lines


def _tempo(riff: Riff) -> str:
    from transcribe.core.score_place import tempo_words

    rhythm = riff.rhythm
    assert rhythm is not None
    upper, unit = rhythm.meter
    return f"{upper}/{unit} at {tempo_words(rhythm.bpm, rhythm.meter)}"


def _rebarred(old: Riff, new: Riff) -> list[str]:
    """Says where bar 1 begins now, and how many notes stand elsewhere in the bars."""
    if old.rhythm is None or new.rhythm is None:
        return []
    lines = []
    firsts = [r.rhythm.downbeats_sec[:1] if r.rhythm else () for r in (old, new)]
    if firsts[0] and firsts[1] and abs(firsts[0][0] - firsts[1][0]) >= 0.005:
        lines.append(f"bar 1: from {firsts[0][0]:.2f} s -> from {firsts[1][0]:.2f} s")
    before = {note.id: note for note in old.notes}
    now = [n for n in new.notes if n.id in before]
    moved = sum(
        (n.onset_beat, n.duration_beat) != (was.onset_beat, was.duration_beat)
        for n in now
        for was in (before[n.id],)
        if (n.onset_sec, n.offset_sec) == (was.onset_sec, was.offset_sec)
    )
    if moved:
        lines.append(f"bars: {moved} of {len(now)} notes are written at another beat or length")
    return lines


def _strings(riff: Riff) -> str:
    from transcribe.core.instrument import tuning_name
    from transcribe.core.pitch import pitch_name
    from transcribe.core.riff import Instrument

    instrument = riff.instrument
    known = tuning_name(instrument.open_midi)
    words = known or " ".join(pitch_name(m) for m in instrument.open_midi)
    words += f", capo {instrument.capo}" if instrument.capo else ""
    usual = Instrument()
    if instrument.frets != usual.frets:
        words += f", {instrument.frets} frets"
    if instrument.scale_length_mm != usual.scale_length_mm:
        words += f", {instrument.scale_length_mm:g} mm"
    return words


def _drone(riff: Riff) -> str:
    if riff.drone is None:
        return "none"
    strings = (riff.drone.string, *riff.drone.other_strings)
    return "open string " + " and ".join(str(string) for string in strings)


def place(note: Note) -> str:
    """Where a note lies, in words."""
    return "nowhere" if note.string is None else f"string {note.string} fret {note.fret}"
