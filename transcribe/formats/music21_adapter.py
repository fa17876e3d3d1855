"""Scores that music21 reads (ABC, Humdrum, MEI and others), and riffs as streams of music21.

music21 is optional; it is imported where it is used. A stream becomes a riff, and a riff a stream,
by way of MusicXML, so that strings, frets, repeats, chords and tempo are read in one place.

Source of the fields of ABC (X: number, T: title, L: M: Q: that hold for a whole file): the ABC
notation standard 2.1.
"""

from __future__ import annotations

import contextlib
import copy
import io
import os
import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from transcribe.core.errors import FormatError, HandspanError
from transcribe.core.files import read_bytes
from transcribe.core.riff import Instrument, Remark, Riff, Source
from transcribe.formats.chord_names import AFTER_ROOT
from transcribe.formats.parts import PartName, left_out, pick

__all__ = ["FORMATS", "from_music21", "read_score", "to_music21"]

FORMATS = {
    ".abc": "abc",
    ".krn": "humdrum",
    ".mei": "mei",
}
"""Suffix of a file -> what music21 calls its format."""

_NAMES = {"abc": "ABC", "humdrum": "Humdrum", "mei": "MEI"}
_MAX_MB = 16
_ABC_CHORD = re.compile(rf'"[ \t]*(?P<symbol>(?P<root>[A-G][#b]?){AFTER_ROOT})[ \t]*"')
_AS_WRITTEN = "as written: "  # begins the name of a chord in music21 that the file writes
_SPACED_TEMPO = re.compile(r"(?m)((?:^|\[)Q:[^=\n\]]*?)[ \t]*=[ \t]*")


def read_score(path: str | os.PathLike[str], *, part: str | None = None) -> Riff:
    """Read a file of one of `FORMATS` with music21.

    Parameters
    ----------
    part : str, optional
        The tune of an ABC file that holds several: its number (``X:``), its title (``T:``) or the
        start of that; the first one by default. In any other file the part, as for MusicXML.

    Returns
    -------
    Riff
        With the rhythm of the score. ``warnings`` says what was left out.

    Raises
    ------
    FormatError
        If music21 is not installed, or the file cannot be read or holds no notes.
    ParameterError
        If there is no such tune or part, or several are called that.
    """
    path = Path(path)
    data = read_bytes(path, max_mb=_MAX_MB, expected="a smaller score")
    text = _decoded(data)
    kind = FORMATS.get(path.suffix.lower()) or ("humdrum" if "**kern" in text else "abc")
    warnings: list[Remark] = []
    name = path.name
    if kind == "abc":
        text, tune, warnings, chosen = _one_tune(text, part, path)
        name = tune.name or name
        part = None if chosen else part
        text = _SPACED_TEMPO.sub(r"\1=", text)  # which music21 takes for several note values
    music21 = _music21(f"{path} is read")
    with _errors_in_one_line(path, kind):
        plain, symbols = _plain_chords(text) if kind == "abc" else (text, [])
        stream = music21.converter.parseData(plain, format=kind)
        if symbols and not _name_chords(stream, symbols, music21):
            stream = music21.converter.parseData(text, format=kind)
    riff = _riff(stream, part=part, instrument=None, where=path)
    return replace(riff, source=Source(name), warnings=(*warnings, *riff.warnings))


def from_music21(
    stream: Any, *, part: str | None = None, instrument: Instrument | None = None
) -> Riff:
    """A riff from a stream of music21.

    Parameters
    ----------
    stream : music21.stream.Stream
        A score, a part or any other stream of notes; of an opus, the first score or the one whose
        title or number ``part`` names.
    part : str, optional
        The part of a score with several: its number from 1 or its name. By default the one that
        looks most like a guitar's.
    instrument : Instrument, optional
        What strings and frets in the stream lie on. By default that of the riff which `to_music21`
        made the stream of, or six strings in standard tuning.

    Returns
    -------
    Riff
        With the rhythm of the score. ``warnings`` says what was left out.

    Raises
    ------
    FormatError
        If music21 is not installed, or the stream holds no notes or cannot be written.
    ParameterError
        If there is no such part.

    Examples
    --------
    >>> import music21
    >>> line = music21.converter.parse("tinyNotation: 4/4 d4 f g a")
    >>> [note.pitch_midi for note in from_music21(line).notes]
    [62, 65, 67, 69]
    """
    return _riff(stream, part=part, instrument=instrument, where=Path("the stream"))


def to_music21(riff: Riff) -> Any:
    """The riff as a `music21.stream.Score` of one part, with strings, frets and chord symbols.

    Parameters
    ----------
    riff : Riff

    Returns
    -------
    music21.stream.Score

    Raises
    ------
    FormatError
        If music21 is not installed.

    Examples
    --------
    >>> from transcribe.core.riff import Note
    >>> riff = Riff(notes=(Note(1, 0.0, 0.5, 50, string=4, fret=0),))
    >>> [note.pitch.midi for note in to_music21(riff).recurse().notes]
    [50]
    """
    from transcribe.formats.musicxml.write import write_musicxml

    music21 = _music21("a stream is made")
    converter = music21.converter.Converter()
    with _quiet():
        converter.parseData(write_musicxml(riff, tablature=False), format="musicxml")
    # MusicXML in music21 has no word for how the strings are tuned.
    converter.stream.editorial.handspan = {
        "open_midi": riff.instrument.open_midi,
        "capo": riff.instrument.capo,
        "frets": riff.instrument.frets,
    }
    return converter.stream


def _music21(what: str) -> Any:
    try:
        import music21
    except ImportError:
        raise FormatError(
            f"{what} with music21, which is not installed; pip install 'handspan[music21]'"
        ) from None
    return music21


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """music21 remarks on odd scores on stderr, where a person would take them for errors."""
    with contextlib.redirect_stderr(io.StringIO()), contextlib.redirect_stdout(io.StringIO()):
        yield


@contextlib.contextmanager
def _errors_in_one_line(where: Path, kind: str) -> Iterator[None]:
    """Whatever music21 raises about a malformed score becomes one line."""
    try:
        with _quiet():
            yield
    except HandspanError:
        raise
    # Its readers raise errors of every kind, index and attribute errors among them.
    except Exception as error:
        what = " ".join(str(error).split())[:120] or type(error).__name__
        called = _NAMES.get(kind, kind)
        raise FormatError(f"{where}: cannot be read as {called} by music21 ({what})") from None


def _riff(stream: Any, *, part: str | None, instrument: Instrument | None, where: Path) -> Riff:
    from transcribe.formats.musicxml.read import riff_from_tree
    from transcribe.formats.musicxml.tree import parse_xml

    music21 = _music21(f"{where} is read")
    warnings: list[Remark] = []
    if isinstance(stream, music21.stream.Opus):
        stream, warnings, part = _one_score(stream, part, where)
    if instrument is None and (kept := stream.editorial.get("handspan")):
        instrument = Instrument(**kept)
    title = stream.metadata.bestTitle if stream.metadata is not None else None
    with _errors_in_one_line(where, "a score"):
        # Jumps (da capo, segno) are followed by music21 alone; repeats and endings by the reader of
        # MusicXML, which keeps what joins two notes.
        jumps = stream.recurse().getElementsByClass(music21.repeat.RepeatExpression)
        with contextlib.suppress(music21.exceptions21.Music21Exception):
            stream = stream.expandRepeats() if jumps else stream
        stream, places = _chord_places(stream, music21)
        data = music21.musicxml.m21ToXml.GeneralObjectExporter(stream).parse()
    root = parse_xml(data, where)
    for note in root.iter("note"):
        if (place := places.get(note.get("id", ""))) is not None:
            technical = ET.SubElement(ET.SubElement(note, "notations"), "technical")
            for tag, number in place.items():
                ET.SubElement(technical, tag).text = str(number)
    for kind in root.iterfind(".//harmony/kind"):
        if (text := kind.get("text", "")).startswith(_AS_WRITTEN):
            kind.text = "other"
            kind.set("text", text.removeprefix(_AS_WRITTEN))
    riff = riff_from_tree(root, where, part=part, instrument=instrument)
    source = Source(title) if title else None
    return replace(riff, source=source, warnings=(*warnings, *riff.warnings))


def _chord_places(stream: Any, music21: Any) -> tuple[Any, dict[str, dict[str, int]]]:
    """A copy of the stream in which the upper notes of chords have ids, and their places by id.

    music21 writes the string and the fret of a chord's first note alone.
    """
    stream = copy.deepcopy(stream)
    kinds = {
        "string": music21.articulations.StringIndication,
        "fret": music21.articulations.FretIndication,
    }
    places: dict[str, dict[str, int]] = {}
    for chord in stream.recurse().getElementsByClass(music21.chord.Chord):
        # From a file they all hang on the chord, one for each note.
        held = {
            tag: [sign.number for sign in chord.articulations if isinstance(sign, kind)]
            for tag, kind in kinds.items()
        }
        for i, note in enumerate(chord.notes):
            place = {tag: n[i] for tag, n in held.items() if len(n) == len(chord.notes)}
            if i and place:
                note.id = f"member{len(places)}"
                places[note.id] = place
    return stream, places


def _one_score(opus: Any, wanted: str | None, where: Path) -> tuple[Any, list[Remark], str | None]:
    """The score of an opus that is wanted; what else is wanted names a part of it."""
    scores = list(opus.scores)
    if not scores:
        raise FormatError(f"{where}: found no score in the opus, expected at least one")
    names = [
        PartName(number, (score.metadata.bestTitle or "") if score.metadata is not None else "")
        for number, score in enumerate(scores, 1)
    ]
    if len(scores) == 1:
        return scores[0], [], wanted
    chosen = names[0] if wanted is None else pick(names, wanted, str(where), kind="tune")
    remarks = left_out(names, chosen, kind="tune") if wanted is None else []
    return scores[chosen.number - 1], remarks, None


# ABC ---------------------------------------------------------------------------------------


def _decoded(data: bytes) -> str:
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", "replace")


def _one_tune(
    text: str, wanted: str | None, path: Path
) -> tuple[str, PartName, list[Remark], bool]:
    """The text of one tune, its name, what to say of it, and whether ``wanted`` named it."""
    head, *tunes = re.split(r"(?m)^(?=X:)", text.replace("\r\n", "\n").replace("\r", "\n"))
    if not tunes:
        head, tunes = "", [f"X:1\n{head}"]
    shared = "".join(line + "\n" for line in head.splitlines() if re.match(r"[LMQ]:", line))
    names = _numbered([_field(tune, "X") for tune in tunes], [_field(tune, "T") for tune in tunes])
    chosen, remarks = names[0], []
    if len(names) > 1:
        if wanted is None:
            remarks = left_out(names, chosen, kind="tune")
        else:
            chosen = pick(names, wanted, str(path), kind="tune")
    number, _, rest = tunes[names.index(chosen)].partition("\n")
    return f"{number}\n{shared}{rest}", chosen, remarks, len(names) > 1


def _plain_chords(tune: str) -> tuple[str, list[str]]:
    """The tune with the root alone of each chord symbol, and the symbols as they are written.

    music21 leaves out a symbol that it does not know (Cmaj9, C6/9), and changes others.
    """
    symbols = []

    def root_alone(match: re.Match[str]) -> str:
        symbols.append(match["symbol"])
        return f'"{match["root"]}"'

    lines = [
        line if re.match(r"[A-Za-z+]:|%", line) else _ABC_CHORD.sub(root_alone, line)
        for line in tune.split("\n")
    ]
    return "\n".join(lines), symbols


def _name_chords(stream: Any, symbols: Sequence[str], music21: Any) -> bool:
    """Give the chords of a stream, which are their roots alone, their symbols; False if others."""
    kinds = music21.harmony.ChordSymbol, music21.harmony.NoChord
    chords = [
        chord
        for chord in stream.recurse().getElementsByClass(kinds[0])
        if not isinstance(chord, kinds[1])
    ]
    if [chord.root().step for chord in chords] != [symbol[0] for symbol in symbols]:
        return False
    for chord, symbol in zip(chords, symbols, strict=True):
        chord.chordKindStr = _AS_WRITTEN + re.sub(r"^[A-G][#b]?", "", symbol)
    return True


def _field(tune: str, letter: str) -> str:
    match = re.search(rf"(?m)^{letter}:([^%\n]*)", tune)
    return match[1].strip() if match else ""


def _numbered(numbers: list[str], titles: list[str]) -> list[PartName]:
    """Tunes by the numbers of their ``X:`` where each has its own, else counted from 1."""
    good = len(set(numbers)) == len(numbers) and all(re.fullmatch(r"\d{1,9}", n) for n in numbers)
    counted = [int(n) for n in numbers] if good else range(1, len(numbers) + 1)
    return [PartName(number, title) for number, title in zip(counted, titles, strict=True)]
