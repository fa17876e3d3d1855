"""Tabs as people write them by hand, all of them our own, each with what must come out.

Every case is a name, the text, and the notes: ``string/fret`` in order, notes that are struck
together joined by ``+`` from string 1 down. A letter behind a note is its technique: ``h``
hammer-on, ``p`` pull-off, ``/`` slide, ``b`` bend, ``~`` vibrato, ``*`` harmonic, ``x`` dead,
``t`` tapped. What else must come out stands in the rest: ``tuning`` (open strings, string 1
first), ``capo``, ``marks`` (kind and text), ``told`` (kinds of remarks), ``palm`` and ``ring``
(numbers of the notes, from 1), ``strokes`` (d and u), ``bars`` (how many).
"""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True)
class Case:
    name: str
    text: str
    notes: str
    tuning: str = "E4 B3 G3 D3 A2 E2"
    capo: int = 0
    marks: tuple[tuple[str, str], ...] = ()
    told: tuple[str, ...] = ()
    palm: tuple[int, ...] = ()
    ring: tuple[int, ...] = ()
    strokes: str = ""
    bars: int | None = None
    extra: dict[str, object] = field(default_factory=dict)


def _six(low: str, names: str = "eBGDAE", string: int = 5, mark: str = "|") -> str:
    """Six lines with ``low`` on one string and dashes on the others."""
    rows = []
    for number, name in enumerate(names.split() if " " in names else names, 1):
        rows.append(f"{name}{mark}{low if number == string else '-' * len(low)}|")
    return "\n".join(rows) + "\n"


LINE = "-0-3-5-0-3-6-5---"
LINE_NOTES = "5/0 5/3 5/5 5/0 5/3 5/6 5/5"

CASES = [
    Case("names", _six(LINE), LINE_NOTES),
    Case("capital names", _six(LINE, "EBGDAE"), LINE_NOTES),
    Case("small names", _six(LINE, "ebgdae"), LINE_NOTES),
    Case(
        "no names",
        "\n".join(f"|{LINE if n == 5 else '-' * 17}|" for n in range(1, 7)),
        LINE_NOTES,
    ),
    Case(
        "no names, no bar lines",
        "\n".join(LINE if n == 5 else "-" * 17 for n in range(1, 7)),
        LINE_NOTES,
    ),
    Case("numbers", _six(LINE, "123456"), LINE_NOTES),
    Case(
        "numbers from the lowest",
        "\n".join(f"{7 - n}|{LINE if n == 2 else '-' * 17}|" for n in range(1, 7)),
        LINE_NOTES,
    ),
    Case("numbers with a bracket", _six(LINE, "123456", mark=") "), LINE_NOTES),
    Case("numbers with a colon", _six(LINE, "123456", mark=":"), LINE_NOTES),
    Case("numbers and a space", _six(LINE, "123456", mark=" "), LINE_NOTES),
    Case(
        "numbers, two lines of music",
        _six("-0-2-", "123456") + "\n" + _six("-3-5-", "123456"),
        "5/0 5/2 5/3 5/5",
    ),
    Case("H for B", _six(LINE, "eHGDAE"), LINE_NOTES),
    Case("small h", _six(LINE, "ehgdae"), LINE_NOTES),
    Case("octaves", _six(LINE, "E4 B3 G3 D3 A2 E2"), LINE_NOTES),
    Case(
        "lowest string on top",
        "\n".join(f"{c}|{LINE if c == 'A' else '-' * 17}|" for c in "EADGBe"),
        LINE_NOTES,
    ),
    Case("quoted", "".join(f"> {line}\n" for line in _six(LINE).splitlines()), LINE_NOTES),
    Case("quoted twice", "".join(f"> > {line}\n" for line in _six(LINE).splitlines()), LINE_NOTES),
    Case(
        "indented in a message",
        "Try this one:\n\n" + "".join(f"    {x}\n" for x in _six(LINE).splitlines()) + "\nSee you.",
        LINE_NOTES,
    ),
    Case("tuning in one word", "EADGBE\n\n" + _six(LINE), LINE_NOTES),
    Case(
        "tuning DADGBE",
        "Tuning: DADGBE\n\n" + _six(LINE, string=6),
        LINE_NOTES.replace("5/", "6/"),
        "E4 B3 G3 D3 A2 D2",
    ),
    Case(
        "drop D in words",
        "Drop D\n\n" + _six("-0-3-5-", string=6),
        "6/0 6/3 6/5",
        "E4 B3 G3 D3 A2 D2",
    ),
    Case(
        "drop-D tuning",
        "(drop-D tuning)\n\n" + _six("-0-3-5-", string=6),
        "6/0 6/3 6/5",
        "E4 B3 G3 D3 A2 D2",
    ),
    Case("Eb", "Tuning: Eb\n\n" + _six("-0-3-5-"), "5/0 5/3 5/5", "D#4 A#3 F#3 C#3 G#2 D#2"),
    Case(
        "half step down",
        "tuned half a step down\n\n" + _six("-0-3-5-"),
        "5/0 5/3 5/5",
        "D#4 A#3 F#3 C#3 G#2 D#2",
    ),
    Case(
        "half-step down",
        "Tuning: half-step down\n\n" + _six("-0-3-5-"),
        "5/0 5/3 5/5",
        "D#4 A#3 F#3 C#3 G#2 D#2",
    ),
    Case(
        "names half a step down",
        _six("-0-3-5-", "Eb Bb Gb Db Ab Eb"),
        "5/0 5/3 5/5",
        "D#4 A#3 F#3 C#3 G#2 D#2",
    ),
    Case(
        "a step down",
        "Tune down a whole step.\n\n" + _six("-0-3-5-"),
        "5/0 5/3 5/5",
        "D4 A3 F3 C3 G2 D2",
    ),
    Case("DADGAD", _six("-0-2-4-", "DAGDAD", 4), "4/0 4/2 4/4", "D4 A3 G3 D3 A2 D2"),
    Case("open G by its names", _six("-0-5-7-", "dBGDGD", 5), "5/0 5/5 5/7", "D4 B3 G3 D3 G2 D2"),
    Case("capo", "Capo 3rd fret\n\n" + _six("-0-2-4-", string=4), "4/0 4/2 4/4", capo=3),
    Case(
        "bass",
        "G|---------|\nD|---------|\nA|-----2-3-|\nE|-0-3-----|\n",
        "4/0 4/3 3/2 3/3",
        "G2 D2 A1 E1",
    ),
    Case(
        "bass by numbers",
        "1|---------|\n2|---------|\n3|-----2-3-|\n4|-0-3-----|\n",
        "4/0 4/3 3/2 3/3",
        "G2 D2 A1 E1",
    ),
    Case("the two lowest strings", "A|-5-7-5-|\nE|-0-0-0-|\n", "5/5+6/0 5/7+6/0 5/5+6/0"),
    Case(
        "two strings in two lines of music",
        "A|-5-7-|\nE|-0-0-|\n\nA|-5-3-|\nE|-0-0-|\n",
        "5/5+6/0 5/7+6/0 5/5+6/0 5/3+6/0",
        bars=2,
    ),
    Case(
        "two strings and no blank line",
        "A|-5-7-|\nE|-0-0-|\nA|-5-3-|\nE|-0-0-|\n",
        "5/5+6/0 5/7+6/0 5/5+6/0 5/3+6/0",
        bars=2,
    ),
    Case("two middle strings", "some words\n\nG|-2-2-4-|\nD|-0-0-0-|\n", "3/2+4/0 3/2+4/0 3/4+4/0"),
    Case("the four highest strings", "e|-----|\nB|-1-3-|\nG|-0-0-|\nD|-----|\n", "2/1+3/0 2/3+3/0"),
    Case("no sixth string", _six("-0-3-", "eBGDA", string=2), "2/0 2/3"),
    Case("no third string", _six("-0-3-", "eBDAE", string=4), "5/0 5/3"),
    Case("a lone low string", "E|-0-0-3-5-|\n", "6/0 6/0 6/3 6/5"),
    Case("a lone high string", "e|-0-0-3-5-|\n", "1/0 1/0 1/3 1/5"),
    Case("H and no lowest string", _six("-0-3-", "eHGDA", string=2), "2/0 2/3"),
    Case(
        "strings left out in one line of music",
        _six("-0-3-") + "\nB|-1-3-|\nG|-0-0-|\n",
        "5/0 5/3 2/1+3/0 2/3+3/0",
        bars=2,
    ),
    Case("lowest of four on top", "D|-0-2-|\nG|-----|\nB|-----|\ne|-3---|\n", "1/3+4/0 4/2"),
    Case(
        "two strings of drop D",
        "Tuning: drop D\n\nA|-0-3-|\nD|-0-3-|\n",
        "5/0+6/0 5/3+6/3",
        "E4 B3 G3 D3 A2 D2",
    ),
    Case(
        "two strings of a bass", "Bass riff\n\nA|-2-2-|\nE|-0---|\n", "3/2+4/0 3/2", "G2 D2 A1 E1"
    ),
    Case(
        "a bass that leaves strings out later",
        "G|-----|\nD|-----|\nA|-----|\nE|-0-3-|\n\nA|-2-2-|\nE|-----|\n",
        "4/0 4/3 3/2 3/2",
        "G2 D2 A1 E1",
        bars=2,
    ),
    Case(
        "words about bass notes",
        "let the bass notes ring\n\nA|-2-2-|\nE|-0---|\n",
        "5/2+6/0 5/2",
    ),
    Case(
        "five-string bass",
        "G|-----|\nD|-----|\nA|-----|\nE|---0-|\nB|-3---|\n",
        "5/3 4/0",
        "G2 D2 A1 E1 B0",
    ),
    Case(
        "ukulele",
        "A|-0-3-|\nE|-0---|\nC|-0---|\nG|-0-0-|\n",
        "1/0+2/0+3/0+4/0 1/3+4/0",
        "A4 E4 C4 G4",
    ),
    Case(
        "banjo",
        "d|-----0-----0-|\nB|---0-----1---|\nG|-0-----0-----|\nD|-------------|\ng|-----0-----7-|\n",
        "3/0 2/0 1/0+5/0 3/0 2/1 1/0+5/7",
        "D4 B3 G3 D3 G4",
        extra={"pitches": (55, 59, 62, 67, 55, 60, 62, 69)},
    ),
    Case(
        "seven strings",
        "e|---|\nB|---|\nG|---|\nD|---|\nA|---|\nE|-0-|\nB|-3-|\n",
        "6/0+7/3",
        "E4 B3 G3 D3 A2 E2 B1",
    ),
    Case(
        "eight strings",
        "\n".join(f"{c}|-{'5' if c == 'F#' else '-'}--|" for c in ("e", *"BGDAEB", "F#")),
        "8/5",
        "E4 B3 G3 D3 A2 E2 B1 F#1",
    ),
    Case("hammer-ons and pull-offs", _six("-5h7p5-3h5-"), "5/5 5/7h 5/5p 5/3 5/5h"),
    Case("spaced hammer-on", _six("-5-h-7-p-5-"), "5/5 5/7h 5/5p"),
    Case("slides", _six("-5/7-7\\5-/9-"), "5/5 5/7/ 5/7 5/5/ 5/9/"),
    Case("slides by s", _six("-5s7-"), "5/5 5/7/"),
    Case(
        "bend with its target",
        _six("-7b9-9b(10)-", string=3),
        "3/7b 3/9b",
        extra={"bends": (2.0, 1.0)},
    ),
    Case(
        "bends in words",
        _six("-7bfull-7b½-7b1/2-", string=3),
        "3/7b 3/7b 3/7b",
        extra={"bends": (2.0, 1.0, 1.0)},
    ),
    Case("bend and release", _six("-7b9r7-5-", string=3), "3/7b 3/5", extra={"bends": (2.0, None)}),
    Case("vibrato", _six("-7~~~-5v-"), "5/7~ 5/5~"),
    Case("harmonics", _six("-<12>-[7]-5*-"), "5/12* 5/7* 5/5*"),
    Case("dead notes", _six("-x-x-5-X-"), "5/0x 5/0x 5/5 5/0x"),
    Case("soft notes", _six("-5-(5)-7-"), "5/5 5/5 5/7"),
    Case("tapping", _six("-5h8t12p8-", string=1), "1/5 1/8h 1/12t 1/8p"),
    Case("two digits", _six("-10-12-9-11-"), "5/10 5/12 5/9 5/11"),
    Case(
        "palm mute",
        "  PM------|\n" + _six("-0-0-0-3-5-", string=6),
        "6/0 6/0 6/0 6/3 6/5",
        palm=(1, 2, 3, 4),
    ),
    Case(
        "palm mute with dots",
        "   P.M. . . |  P.M.\n" + _six("-0-0-0-0-3-5-0-7-", string=6),
        "6/0 6/0 6/0 6/0 6/3 6/5 6/0 6/7",
        palm=(1, 2, 3, 4, 7, 8),
    ),
    Case(
        "let ring",
        "   let ring-------|\n" + _six("-0---2---3-------5-", string=4),
        "4/0 4/2 4/3 4/5",
        ring=(1, 2, 3),
    ),
    Case(
        "strokes under the strings",
        "e|-0-0-0-0-|\nB|-1-1-1-1-|\nG|-0-0-0-0-|\n"
        "D|-2-2-2-2-|\nA|-3-3-3-3-|\nE|---------|\n   d d u u\n",
        " ".join(["1/0+2/1+3/0+4/2+5/3"] * 4),
        strokes="dduu",
    ),
    Case(
        "strokes over the strings",
        "   D U D U\n" + _six("-0-2-3-5-"),
        "5/0 5/2 5/3 5/5",
        strokes="dudu",
    ),
    Case("arrows", _six("-0-2-3-5-") + "   ↓ ↑ ↓ ↑\n", "5/0 5/2 5/3 5/5", strokes="dudu"),
    Case(
        "chord names",
        "  Am      F#m7b5  C/G\n" + _six("-0-------2-------3---"),
        "5/0 5/2 5/3",
        marks=(("chord", "Am"), ("chord", "F#m7b5"), ("chord", "C/G")),
    ),
    Case(
        "no chord",
        "  N.C.    Em\n" + _six("-0-------2---"),
        "5/0 5/2",
        marks=(("chord", "N.C."), ("chord", "Em")),
    ),
    Case(
        "words under the strings",
        _six("-0---2---3---") + "  low tide at the quay\n",
        "5/0 5/2 5/3",
        marks=(("words", "low tide at the quay"),),
    ),
    Case(
        "sections in brackets",
        "[Intro]\n" + _six("-0-2-") + "\n[Verse 1]\n" + _six("-3-5-"),
        "5/0 5/2 5/3 5/5",
        marks=(("section", "Intro"), ("section", "Verse 1")),
    ),
    Case(
        "sections with a colon",
        "Intro:\n\n"
        + _six("-0-2-")
        + "\nCHORUS\n\n"
        + _six("-3-5-")
        + "\n-- Bridge --\n"
        + _six("-7-8-"),
        "5/0 5/2 5/3 5/5 5/7 5/8",
        marks=(("section", "Intro"), ("section", "CHORUS"), ("section", "Bridge")),
    ),
    Case(
        "everything at once",
        "[Verse]\n  G       Em\n  PM----\n"
        + _six("-3-3-3---0-------")
        + "   d d d   u\n  out with the boats\n",
        "5/3 5/3 5/3 5/0",
        marks=(
            ("section", "Verse"),
            ("chord", "G"),
            ("words", "out with the boats"),
            ("chord", "Em"),
        ),
        palm=(1, 2, 3),
        strokes="dddu",
    ),
    Case(
        "a bar that comes again",
        "\n".join(
            f"{c}|:-{'0-2' if c == 'A' else '---'}-:|-{'3' if c == 'A' else '-'}-|"
            for c in "eBGDAE"
        ),
        "5/0 5/2 5/0 5/2 5/3",
    ),
    Case(
        "three times",
        "\n".join(
            f"{c}|-{'0-2' if c == 'A' else '---'}-|" + (" x3" if c == "e" else "") for c in "eBGDAE"
        ),
        "5/0 5/2 5/0 5/2 5/0 5/2",
    ),
    Case(
        "two endings",
        "        |1.----|2.----|\n"
        "e|:-----|-----:|-----|\nB|:-----|-----:|-----|\nG|:-----|-----:|-----|\n"
        "D|:-----|-----:|-----|\nA|:-0-2-|--3--:|--5--|\nE|:-----|-----:|-----|\n",
        "5/0 5/2 5/3 5/0 5/2 5/5",
    ),
    Case(
        "bar lines off",
        "e|-0-----2---|--3-----|\nB|-----------|--------|\nG|-----------|--------|\n"
        "D|-----------|--------|\nA|----------|--------|\nE|--------------|--------|\n",
        "1/0 1/2 1/3",
        told=("bar-lines-moved",),
        bars=2,
    ),
    Case(
        "count",
        _six("-0---2-3-5-------") + "   1 & 2 & 3 & 4 &\n",
        "5/0 5/2 5/3 5/5",
        bars=1,
        told=("tempo-taken",),
        extra={"beats": (0.0, 1.0, 1.5, 2.0)},
    ),
    Case(
        "count a column early",
        _six("-0---2-3-5-------") + "  1 & 2 & 3 & 4 &\n",
        "5/0 5/2 5/3 5/5",
        bars=1,
        told=("count-shifted", "tempo-taken"),
        extra={"beats": (0.0, 1.0, 1.5, 2.0)},
    ),
    Case(
        "count a column late",
        _six("-0---2-3-5-------") + "    1 & 2 & 3 & 4 &\n",
        "5/0 5/2 5/3 5/5",
        bars=1,
        told=("count-shifted", "tempo-taken"),
        extra={"beats": (0.0, 1.0, 1.5, 2.0)},
    ),
    Case(
        "many bars",
        _six("-0-2-|-3-5-|-7-5-|-3-2-").replace("-" * 23, "-----|-----|-----|-----"),
        "5/0 5/2 5/3 5/5 5/7 5/5 5/3 5/2",
        bars=4,
    ),
    Case("two lines of music", _six("-0-2-") + "\n" + _six("-3-5-"), "5/0 5/2 5/3 5/5"),
    Case("box drawing", _six(LINE).replace("-", "─").replace("|", "│"), LINE_NOTES),
    Case("long dashes", _six(LINE).replace("-", "–"), LINE_NOTES),
    Case("equals signs between", _six("-0===3===-"), "5/0 5/3"),
    Case(
        "prose around",
        "Hi all,\nthis is how I play it (capo off!).\n\n"
        + _six(LINE)
        + "\nHave fun - and tell me if it is wrong.\n",
        LINE_NOTES,
    ),
]
