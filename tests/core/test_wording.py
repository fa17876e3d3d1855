"""Every kind of remark has words, every kind in the code is in a registry, nothing reads words."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from transcribe.core.errors import ParameterError
from transcribe.core.riff import Remark
from transcribe.core.wording import KINDS, NoteName, parts, refusal, remark_json, sentence
from transcribe.fingering.costs import WORDED_AS
from transcribe.takes.verdict_wording import REMARKS

ROOT = Path(__file__).resolve().parents[2]
SOURCES = sorted(p for room in ("transcribe", "theory") for p in (ROOT / room).rglob("*.py"))

_PIN = {"pitch_midi": 57, "sec": 4.2}
_HERE = {"pitch_midi": 57, "place": [3, 2], "pinned": True}
_COSTS = [
    {"name": "shift", "more": 1.25, "moved_mm": 31.4, "in_sec": 0.5},
    {"name": "barre", "more": 0.5},
]

# Kind, facts, notes, sentence; a kind may stand here several times.
EXAMPLES: list[tuple[str, dict[str, Any], tuple[int, ...], str]] = [
    ("cut-off", {"there_sec": 3}, (), "The file is cut off: 3.0 s are there; copy it again"),
    ("cut-off", {"there_sec": 3, "promised_sec": 5}, (), "promises 5.0 s and 3.0 s are there"),
    ("damaged", {"there_sec": 3}, (), "damaged; 3.0 s could be read"),
    ("no-end-mark", {"there_sec": 3}, (), "lacks its end mark"),
    ("clipped", {"clipped_share": 0.012}, (), "clipped (1.2 % of the samples)"),
    ("quiet", {"peak_db": -41.4}, (), "very quiet (peak -41 dB)"),
    ("noisy", {"floor_db": -30}, (), "a lot of noise (floor -30 dB)"),
    ("hum", {"hz": 50, "db": -33}, (), "mains hum at 50 Hz (-33 dB)"),
    ("echo", {"delay_sec": 0.347}, (), "every 0.35 s; its copies are left out"),
    (
        "tuning-half-way",
        {"offset_cents": 48, "other_is_below": True, "other_open_midi": [63, 58]},
        (),
        "48 cents above A4 = 440 Hz, about half way between two semitones; if every fret is one "
        "too low, give the tuning as D#4,A#3",
    ),
    (
        "tuning-guessed",
        {
            **{"tuning": "drop-d", "sign": "notes-below", "count": 1, "lowest_midi": 40},
            **{"deepest_midi": 38, "instead_of": "standard", "flat_cents": 30},
        },
        (),
        "the tuning is guessed to be drop-d: 1 note lies below E2, the lowest string of standard, "
        "down to D2, and the recording lies 30 cents flat; give the tuning if it is another",
    ),
    (
        "tuning-guessed",
        {"tuning": "half-step-down", "sign": "open-strings", "open_share": 0.6}
        | {"standard_share": 0.1},
        (),
        "60 % of the notes are its open strings against 10 % in standard",
    ),
    (
        "tuning-guessed",
        {"tuning": "half-step-down", "sign": "drone", "pitch_midi": 44, "struck": 9},
        (),
        "G#2 rings on under the melody as an open string does, struck 9 times",
    ),
    (
        "tuning-guessed",
        {"tuning": "half-step-down", "sign": "chords", "standard_count": 9, "count": 0},
        (),
        "9 notes find no string in standard beside those that begin with them, and none here",
    ),
    (
        "part-chosen",
        {"number": 2, "name": "Nylon", "others": ["1 Piano"]},
        (),
        "Part 2, Nylon, is used; 1 Piano is left out.",
    ),
    (
        "part-chosen",
        {"kind": "tune", "number": 1, "name": "Tide", "others": ["2 Ebb", "3 Flow", "4 Neap"]},
        (),
        "Tune 1, Tide, is used; 2 Ebb, 3 Flow and 4 Neap are left out.",
    ),
    (
        "bar-lines-moved",
        {"line": 4, "columns": 3},
        (),
        "In line 4 the bar lines are 3 columns off; they are taken for those of the other",
    ),
    (
        "tempo-taken",
        {"bpm": 120.0, "meter": [4, 4]},
        (),
        "The file gives no tempo; 120 bpm (quarter = 120) is assumed until you give one.",
    ),
    ("meter-impossible", {}, (), "A meter that no music has is left out."),
    ("meter-changes", {"meter": [3, 4]}, (), "The meter changes; bars are counted in 3/4."),
    ("jumps", {}, (), "Jumps (da capo, segno, coda) are not followed."),
    ("positions-wrong", {"count": 3}, (), "3 written positions do not sound the written pitch"),
    ("tab-no-meter", {"meter": [4, 4]}, (), "gives no meter; 4/4 is assumed"),
    ("midi-played", {"to_the_click": True}, (), "they are set to the beats of the file's tempo"),
    ("midi-played", {"to_the_click": False}, (), "the beats are found from them"),
    ("count-shifted", {"line": 9}, (), "The count in line 9 stands one column beside its frets"),
    ("tab-repeat-in-words", {"line": 3, "text": "twice"}, (), 'Line 3 says "twice"'),
    (
        "tab-line-repeated",
        {"line": 9, "times": 2, "bar": 3},
        (),
        "The x2 in line 9 is taken to repeat what stands in that line, from bar 3 on; write |:",
    ),
    ("places-not-kept", {"count": 2, "of": 9, "file": "a.mid"}, (), "2 of 9 places written in a"),
    (
        "no-place",
        _PIN | {"reason": "no-string"},
        (12,),
        "No free string for A3 (note 12 at 4.20 s)",
    ),
    ("no-place", _PIN | {"reason": "pin-in-the-way"}, (12,), "its pin leaves no string"),
    ("no-place", _PIN | {"reason": "overtone"}, (12,), "it may be an overtone"),
    (
        "no-place",
        _PIN | {"reason": "off-the-neck", "side": "below", "limit_midi": 64},
        (12,),
        "A3 has no place: it lies below the lowest string, E4",
    ),
    (
        "no-place",
        _PIN | {"reason": "off-the-neck", "side": "below", "limit_midi": 59, "open_midi": 57},
        (12,),
        "lies below the lowest string, B3; without the capo the strings would reach it",
    ),
    (
        "no-place",
        _PIN | {"reason": "off-the-neck", "side": "between"},
        (12,),
        "it lies between what the strings reach",
    ),
    (
        "no-place",
        _PIN | {"reason": "wrong-pitch", "place": [3, 4], "nearest": [3, 2]},
        (12,),
        "string 3 fret 4 does not sound note 12; string 3 fret 2 does",
    ),
    (
        "many-off-the-neck",
        {"low_midi": 31, "high_midi": 38, "sec": 1, "capo": 2, "side": "above", "limit_midi": 86},
        (2, 3, 4),
        "3 notes have no place, G1 to D2, the first of them note 2 at 1.00 s: they lie above the "
        "last fret, D6; check the tuning and the capo, or the octave of the notes",
    ),
    (
        "many-off-the-neck",
        {"low_midi": 45, "high_midi": 46, "sec": 1, "capo": 7, "side": "below"}
        | {"limit_midi": 47, "open_midi": 40},
        (2, 4),
        "2 notes have no place, A2 to A#2, the first of them note 2 at 1.00 s: they lie below the "
        "lowest string, B2; a capo at fret 5 or lower would reach them; else check the tuning, or "
        "the octave of the notes",
    ),
    (
        "repeat-not-pinned",
        _PIN | {"reason": "string-pinned", "string": 3},
        (12, 13),
        "note 12 (A3 at 4.20 s) is not pinned along with the other repeats: string 3 is already "
        "pinned for note 13, which begins at the same time",
    ),
    (
        "pin-refused",
        _PIN | {"reason": "note-robbed", "other_midi": 60},
        (12, 13),
        "note 12 cannot be pinned there: note 13 (C4), which begins at the same time, would be "
        "left without a string; no other place helps, so delete note 13 first if it is not played",
    ),
    (
        "pin-refused",
        _PIN | {"reason": "no-string", "nearest": [4, 7]},
        (12,),
        "no free string for it beside the notes that begin with it; nearest: string 4 fret 7",
    ),
    (
        "pin-other-pitch",
        {"pitch_midi": 57, "place": [3, 4], "sounds_midi": 59, "top_fret": 22, "nearest": [3, 2]},
        (12,),
        "note 12 is A3, and string 3 fret 4 sounds B3; nearest: string 3 fret 2",
    ),
    (
        "pin-other-pitch",
        {"pitch_midi": 57, "place": [3, 40], "sounds_midi": None, "top_fret": 22, "nearest": None},
        (12,),
        "note 12 is A3, and string 3 fret 40 is not on the neck (frets 0 to 22)",
    ),
    (
        "wide-stretch",
        {
            **{"count": 1, "span_mm": 98, "widest_mm": 120, "sec": 1.0},
            **{"from": [6, 1], "to": [4, 6]},
        },
        (2, 3),
        "1 place stretches the hand beyond 98 mm, the widest 120 mm at 1.00 s, from string 6 "
        "fret 1 to string 4 fret 6: warm up, stop if it hurts, and ask a teacher or a clinician "
        "about pain that stays",
    ),
    (
        "wide-stretch",
        {
            **{"count": 2, "span_mm": 98, "widest_mm": 130, "sec": 4.5, "beat": 9.0},
            **{"beats_in_bar": 4, "from": [6, 1], "to": [4, 6]},
        },
        (2, 3),
        "2 places stretch the hand beyond 98 mm, the widest 130 mm in bar 3 beat 2 (4.50 s), from "
        "string 6 fret 1 to string 4 fret 6: warm up, stop if it hurts, and ask a teacher or a "
        "clinician about pain that stays",
    ),
    (
        "too-wide",
        {"sec": 4.5, "left_out_midi": [40], "others": 1},
        (2,),
        "no hand can hold the chord at 4.50 s on this neck (and 1 more like it): leave out note 2 "
        "(E2), or play its notes one after the other",
    ),
    ("drone-silenced", {"string": 4}, (3,), "note 3 takes the drone's string 4"),
    ("drone-silenced", {"string": 4}, (3, 5), "note 3, note 5 take the drone's string 4"),
    (
        "far-up",
        {"pitch_midi": 76, "place": [3, 21], "above_frets": 16, "nearest": [1, 12]},
        (12, 14),
        "note 12 (E5) lies at fret 21 of string 3, 16 frets above the melody around it, to stay "
        "beside the drone (and 1 more like it); string 1 fret 12 is nearer",
    ),
    (
        "request-not-kept",
        {"request": "position", "number": 7, "count": 2, "reason": "beside"} | _PIN,
        (12, 11),
        '"7th position" is not kept, at 2 notes, the first of them note 12 (A3 at 4.20 s): '
        "note 11, which begins with it, leaves it no such place",
    ),
    (
        "request-not-kept",
        {"request": "three-a-string", "number": None, "count": 1, "reason": "leap", "whole": True}
        | _PIN,
        (12,),
        '"three notes a string" is not kept, see note 12 (A3 at 4.20 s): it lies more than three',
    ),
    (
        "torn-slur",
        {"articulation": "hammer-on", "string": 2, "source_string": 3, "others": 0},
        (8, 7),
        "the hammer-on to note 8 is on string 2, and note 7 that it comes from on string 3: put",
    ),
    (
        "hardest-place",
        {"more": -0.5, "sec": 2, "place": [2, 0]},
        (4,),
        "easier; hardest at 2.00 s on string 2 open",
    ),
    (
        "hardest-place",
        {"more": -0.5, "sec": 2, "place": [2, 0], "because": "melody_on_drone"},
        (4,),
        "easier, but it would silence the drone; hardest at 2.00 s",
    ),
    ("why-here", {"pitch_midi": 30}, (1,), "Note 1 (F#1) has no place yet"),
    ("why-here", {"pitch_midi": 30, "side": "below"}, (1,), "it lies below the lowest string."),
    ("why-here", _HERE, (1,), "Note 1 (A3) is on string 3 fret 2, where it is pinned: no other"),
    (
        "why-here",
        _HERE
        | {"pinned": False, "drone": {"is": "beside", "string": 4, "above_frets": 9}}
        | {"other": {"place": [4, 7], "more": 2.5, "costs": _COSTS}},
        (1,),
        "Note 1 (A3) is on string 3 fret 2 beside the drone on string 4, 9 frets above the melody "
        "around it; string 4 fret 7, the next best, would cost 2.5 more: the hand moves 31 mm in "
        "0.50 s (+1.2) and it needs a barre (+0.5).",
    ),
    ("correction", {"what": "pin"}, (12, 14, 20), "pin of note 12 and 2 more"),
    ("correction", {"what": "half time"}, (), "half time"),
    ("no-such-string", {"string": 9, "strings": 6}, (1,), "note 1: there is no string 9; use 1"),
    (
        "not-moved",
        {"string": 5, "reason": "no-fret", "pitches_midi": [69, 71]},
        (3, 4),
        "string 5 has no fret for notes 3 (A4), 4 (B4)",
    ),
    (
        "not-moved",
        {"string": 5, "reason": "drone", "pitches_midi": [50] * 8},
        tuple(range(1, 9)),
        "the drone's open string keeps notes 1 (D3), 2 (D3), 3 (D3), 4 (D3), 5 (D3), 6 (D3) and 2 ",
    ),
    (
        "own-technique",
        {"technique": "vibrato", "own": ["slide"]},
        (4,),
        "note 4 (slide) keeps its technique; vibrato for 4 alone replaces it there",
    ),
    ("changes-nothing", {}, (1,), "note 1 is like that already"),
    ("split-outside", {"start_sec": 1, "end_sec": 2}, (1,), "note 1 sounds from 1.00 to 2.00 s"),
    ("text", {"text": "The boat leaks."}, (), "The boat leaks."),
]


@pytest.mark.parametrize(("kind", "facts", "notes", "expected"), EXAMPLES)
def test_a_kind_has_its_words(
    kind: str, facts: dict[str, Any], notes: tuple[int, ...], expected: str
) -> None:
    assert expected in sentence(Remark(kind, facts, notes))


def test_every_kind_has_an_example() -> None:
    assert {kind for kind, *_ in EXAMPLES} == set(KINDS)


def test_a_sentence_leads_to_its_notes() -> None:
    remark = Remark("no-place", _PIN | {"reason": "string-pinned", "string": 3}, (12, 13))
    names = [part for part in parts(remark) if isinstance(part, NoteName)]
    assert names == [NoteName(12, "note 12 (A3 at 4.20 s)"), NoteName(13, "note 13")]
    told = remark_json(remark)
    texts = [part if isinstance(part, str) else part["text"] for part in told["parts"]]
    assert "".join(texts) == told["sentence"] == sentence(remark)
    assert {p["note"] for p in told["parts"] if not isinstance(p, str)} == set(told["notes"])


def test_a_refusal_carries_its_facts() -> None:
    remark = Remark("changes-nothing", notes=(3,))
    error = refusal(remark)
    assert isinstance(error, ParameterError)
    assert (str(error), error.remark) == ("note 3 is like that already", remark)


def test_a_kind_of_a_later_version_is_named() -> None:
    assert "tide" in sentence(Remark("tide", {"height_m": 3}))


# The code ------------------------------------------------------------------------------------


def _nodes() -> Iterator[tuple[Path, ast.AST]]:
    for path in SOURCES:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            yield path, node


def _text(node: ast.AST) -> str | None:
    return node.value if isinstance(node, ast.Constant) and isinstance(node.value, str) else None


def test_every_kind_in_the_code_is_in_a_registry() -> None:
    used = set()
    for path, node in _nodes():
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Remark" and node.args:
            kind = _text(node.args[0])
            if kind is not None:
                assert kind in (REMARKS if "takes" in path.relative_to(ROOT).parts else KINDS), (
                    f"{path}: {kind}"
                )
                used.add(kind)
    assert set(KINDS) - used <= {"text"}
    assert len(used) > 40


_READERS = {"startswith", "endswith", "removeprefix", "removesuffix", "partition", "split"}
_READERS |= {"rpartition", "rsplit", "find", "index", "count", "match", "search", "fullmatch"}


def _words(text: str) -> str:
    return " ".join(re.findall(r"[a-z]{2,}", text.lower()))


def _compared(node: ast.AST) -> list[str]:
    """The texts that a node compares with, looks for in another, or takes off it."""
    if isinstance(node, ast.Compare):
        sides: list[ast.AST] = [node.left, *node.comparators]
    elif isinstance(node, ast.Call) and getattr(node.func, "attr", "") in _READERS:
        sides = list(node.args)
    else:
        return []
    inside = [item for side in sides for item in ast.walk(side)]
    return [text for item in inside if (text := _text(item)) is not None]


def test_every_cost_has_words() -> None:
    facts = _HERE | {"pinned": False}
    for name in WORDED_AS.values():
        other = {"place": [4, 7], "more": 2.5, "costs": [{"name": name, "more": 1.0}]}
        assert "(+1.0)" in sentence(Remark("why-here", facts | {"other": other}, (1,)))


def test_no_code_compares_with_the_words_of_a_remark() -> None:
    """A text of three words or more that stands in a sentence of the registry is never matched."""
    told = [_words(sentence(Remark(kind, facts, notes))) for kind, facts, notes, _ in EXAMPLES]
    found = [
        f"{path.name}: {text!r}"
        for path, node in _nodes()
        for text in _compared(node)
        if len(_words(text).split()) >= 3 and any(_words(text) in words for words in told)
    ]
    assert found == []


def test_no_script_of_the_page_looks_for_words_in_a_remark() -> None:
    """What the page does with a remark hangs on its kind and facts, never on its sentence."""
    for path in sorted((ROOT / "transcribe" / "page" / "static").glob("*.js")):
        text = path.read_text(encoding="utf-8")
        for way in (".match(", ".matchAll(", ".exec(", ".includes(", ".startsWith(", ".split("):
            for line in text.splitlines():
                if way in line:
                    assert "sentence" not in line, f"{path.name}: {line.strip()}"
                    assert not re.search(r"\bnote \(|nearest", line), f"{path.name}: {line.strip()}"
