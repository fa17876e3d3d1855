"""JAMS, the JSON Annotated Music Specification, version 0.3 (Humphrey et al., ISMIR 2014).

Written are the namespaces ``note_midi``, ``beat`` (value: place in the bar), ``chord`` (Harte's
syntax), ``key_mode`` and, for phrases, ``segment_open``. What JAMS has no namespace for, strings,
frets, fingers, techniques and the instrument, stands in the sandbox of the notes, one entry per
note in the order of the data. Read is any JAMS file with notes; where it has one annotation per
string (``data_source`` 0 for the lowest), the strings are kept.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeGuard

import numpy as np

from transcribe.core.clock import Clock
from transcribe.core.errors import FormatError
from transcribe.core.files import read_bytes
from transcribe.core.pitch import hz_to_midi, pitch_class, split_chord
from transcribe.core.riff import (
    ARTICULATIONS,
    Instrument,
    Note,
    Phrase,
    Rhythm,
    Riff,
    Source,
    WrittenKey,
    places_of,
    sort_notes,
)
from transcribe.formats.chord_names import CHORDS, MODES, key_words, parse_key
from transcribe.formats.untyped import check_characters, shown

__all__ = ["read_jams", "write_jams"]

_VERSION = "0.3.4"
_QUALITIES = {harte: suffix for suffix, (_, harte) in reversed(CHORDS.items())}
_DEGREES = {0: "1", 1: "b2", 2: "2", 3: "b3", 4: "3", 5: "4", 6: "b5", 7: "5", 8: "b6", 9: "6"}
_DEGREES |= {10: "b7", 11: "7"}
_MAX_MB = 64
_MAX_NUMBER = 1e9  # of any time, pitch or beat
_PER_NOTE = ("string", "fret", "finger", "articulation", "onset_beat", "duration_beat")
_METADATA = {
    "curator": {"name": "", "email": ""},
    "annotator": {},
    "version": "",
    "corpus": "",
    "annotation_tools": "Handspan",
    "annotation_rules": "",
    "validation": "",
    "data_source": "program",
}


def write_jams(riff: Riff) -> str:
    """The riff as the text of a JAMS file.

    Times before zero, which a riff that was never recorded may have, are cut: JAMS begins there.

    Returns
    -------
    str
        JSON text.

    Examples
    --------
    >>> riff = Riff(notes=(Note(1, 0.0, 0.5, 50, string=4, fret=0),))
    >>> json.loads(write_jams(riff))["annotations"][0]["namespace"]
    'note_midi'
    """
    notes = [n for n in riff.notes if n.offset_sec > max(0.0, n.onset_sec)]
    known = riff.source.duration_sec if riff.source is not None else None
    duration = max([known or 0.0, *(n.offset_sec for n in riff.notes)])
    theory = riff.theory or {}
    data = {"note_midi": [_note_data(note) for note in notes]}
    if riff.rhythm is not None:
        data |= {"beat": _beat_data(riff.rhythm), "segment_open": _phrase_data(riff.rhythm)}
    data |= {"chord": _chord_data(theory), "key_mode": _key_data(theory, duration)}
    value = {
        "annotations": [
            {
                "namespace": namespace,
                "data": rows,
                "annotation_metadata": _METADATA,
                "sandbox": _positions(riff, notes) if namespace == "note_midi" else {},
                "time": 0,
                "duration": duration,
            }
            for namespace, rows in data.items()
            if rows or namespace in ("note_midi", "beat")
        ],
        "file_metadata": {
            "title": riff.source.file if riff.source is not None else "",
            "artist": "",
            "release": "",
            "duration": duration,
            "identifiers": {},
            "jams_version": _VERSION,
        },
        "sandbox": {},
    }
    return json.dumps(value, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _observation(
    time: float, duration: float, value: Any, confidence: Any = None
) -> dict[str, Any]:
    return {"time": time, "duration": duration, "value": value, "confidence": confidence}


def _note_data(note: Note) -> dict[str, Any]:
    start = max(0.0, note.onset_sec)
    pitch = note.pitch_midi + round(note.cents / 100, 4)
    return _observation(start, note.offset_sec - start, pitch, note.confidence)


def _positions(riff: Riff, notes: list[Note]) -> dict[str, Any]:
    instrument = riff.instrument
    sandbox: dict[str, Any] = {
        "open_midi": list(instrument.open_midi),
        "capo": instrument.capo,
        "frets": instrument.frets,
    }
    sandbox |= {key: [getattr(note, key) for note in notes] for key in _PER_NOTE}
    if riff.written_key is not None:
        sandbox["key_given"] = key_words(riff.written_key)
    if riff.rhythm is not None:
        sandbox |= {"bpm": riff.rhythm.bpm, "meter": list(riff.rhythm.meter)}
    return sandbox


def _beat_data(rhythm: Rhythm) -> list[dict[str, Any]]:
    clock = Clock(rhythm)
    return [
        _observation(sec, 0.0, round(clock.beat(sec)) % rhythm.meter[0] + 1)
        for sec in rhythm.beats_sec
        if sec >= 0
    ]


def _phrase_data(rhythm: Rhythm) -> list[dict[str, Any]]:
    clock = Clock(rhythm)
    data = []
    for phrase in rhythm.phrases:
        start, end = max(0.0, clock.sec(phrase.start_beat)), clock.sec(phrase.end_beat)
        data.append(_observation(start, max(0.0, end - start), phrase.label))
    return data


def _chord_data(theory: Mapping[str, Any]) -> list[dict[str, Any]]:
    data = []
    for chord in theory.get("chords") or ():
        start, end = chord.get("start_sec"), chord.get("end_sec")
        label = _harte(str(chord.get("symbol")))
        if label and isinstance(start, int | float) and isinstance(end, int | float) and start >= 0:
            data.append(_observation(start, max(0.0, end - start), label, chord.get("confidence")))
    return data


def _harte(symbol: str) -> str | None:
    """A chord symbol such as ``F#m7/C#`` in Harte's syntax, ``F#:min7/5``."""
    parts = split_chord(symbol)
    if parts is None or parts[1] not in CHORDS:
        return None
    root, suffix, bass = parts
    label = f"{root}:{CHORDS[suffix][1]}"
    if bass is not None:
        label += "/" + _DEGREES[(pitch_class(bass) - pitch_class(root)) % 12]
    return label


def _symbol(label: str) -> str | None:
    """The chord symbol of a label in Harte's syntax; None for no chord or an unknown quality."""
    match = re.fullmatch(r"([A-G][#b]*)(?::([^/]*))?(?:/[#b]*\d+)?", label)
    if match is None:
        return None
    quality = match[2] or "maj"
    suffix = _QUALITIES.get(quality, quality)  # the namespace knows aug7 and maj11 besides
    return match[1] + suffix if suffix in CHORDS else None


def _key_data(theory: Mapping[str, Any], duration: float) -> list[dict[str, Any]]:
    mode = theory.get("mode")
    if not isinstance(mode, Mapping):
        return []
    tonic, name = str(mode.get("tonic")), str(mode.get("name"))
    if not re.fullmatch(r"[A-G][#b]?", tonic) or name not in MODES:
        return []
    return [_observation(0.0, duration, f"{tonic}:{name}", mode.get("confidence"))]


# Reading -----------------------------------------------------------------------------------


def read_jams(path: str | os.PathLike[str]) -> Riff:
    """Read the notes, beats, phrases, chords and mode of a JAMS file.

    Returns
    -------
    Riff
        With strings and frets where the file is `write_jams`'s, or has one annotation of notes
        for each string of a standard guitar.

    Raises
    ------
    FormatError
        If the file cannot be read, is not JSON, is not JAMS, or holds no notes.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> riff = Riff(notes=(Note(1, 0.0, 0.5, 50, string=4, fret=0),))
    >>> with TemporaryDirectory() as folder:
    ...     path = Path(folder) / "jetty.jams"
    ...     _ = path.write_text(write_jams(riff), encoding="utf-8")
    ...     [(note.pitch_midi, note.string) for note in read_jams(path).notes]
    [(50, 4)]
    """
    path = Path(path)
    value = _load(path)
    annotations = value.get("annotations")
    if not isinstance(annotations, list):
        raise FormatError(f"{path}: found no list of annotations, expected a JAMS file")
    by_name: dict[str, list[Mapping[str, Any]]] = {}
    for annotation in annotations:
        if isinstance(annotation, Mapping):
            by_name.setdefault(str(annotation.get("namespace")), []).append(annotation)
    tracks = by_name.get("note_midi") or by_name.get("note_hz") or []
    if not tracks:
        raise FormatError(
            f"{path}: found {', '.join(sorted(by_name)) or 'no annotations'}, "
            "expected notes (note_midi or note_hz)"
        )
    hz = "note_midi" not in by_name
    first = tracks[0].get("sandbox")
    sandbox: Mapping[str, Any] = first if isinstance(first, Mapping) else {}
    instrument = _instrument(sandbox, path)
    notes: list[Note] = []
    by_string = _tracks_by_string(tracks, len(instrument.open_midi))
    for track in tracks if by_string else tracks[:1]:
        rows = _rows([track], path)
        lists = {key: sandbox.get(key) for key in _PER_NOTE}
        if by_string:
            # Sources count from the lowest string, strings from the highest.
            string = len(instrument.open_midi) - int(_data_source(track))
            lists = {"string": [string] * len(rows)}
        columns = {
            key: values
            for key, values in lists.items()
            if isinstance(values, list) and len(values) == len(rows)
        }
        for i, row in enumerate(rows):
            beside = {key: values[i] for key, values in columns.items()}
            notes.append(_note(row, beside, instrument, hz, f"{path}: note {i + 1}"))
    if not notes:
        raise FormatError(f"{path}: found no notes in note_midi, expected at least one")
    ordered = tuple(replace(note, id=i) for i, note in enumerate(sort_notes(notes), 1))
    file = value.get("file_metadata")
    title = str(file.get("title") or path.name) if isinstance(file, Mapping) else path.name
    return Riff(
        instrument,
        ordered,
        Source(title),
        _rhythm(by_name, sandbox, path),
        theory=_theory(by_name, path),
        written_key=_written_key(by_name, sandbox, path),
        written_places=places_of(ordered),
    )


def _written_key(
    by_name: Mapping[str, list[Mapping[str, Any]]], sandbox: Mapping[str, Any], path: Path
) -> WrittenKey | None:
    """The key that was given; the one that Handspan annotates was found."""
    if "open_midi" in sandbox:
        return parse_key(str(sandbox.get("key_given") or ""))
    rows = _rows(by_name.get("key_mode", []), path)
    return parse_key(str(rows[0].get("value"))) if len(rows) == 1 else None


def _load(path: Path) -> Mapping[str, Any]:
    try:
        text = read_bytes(path, max_mb=_MAX_MB, expected="a smaller JAMS file").decode("utf-8")
        value = json.loads(text)
        check_characters(text, value)
    except FormatError as error:
        raise FormatError(f"{path}: {error}") from None
    except UnicodeDecodeError as error:
        raise FormatError(f"{path} cannot be read: {error}") from None
    except json.JSONDecodeError as error:
        raise FormatError(
            f"{path}:{error.lineno}: found what is not JSON ({error.msg}), expected a JAMS file"
        ) from None
    except (RecursionError, ValueError):
        raise FormatError(
            f"{path}: found JSON nested too deep or a number too long, expected a JAMS file"
        ) from None
    if not isinstance(value, Mapping):
        raise FormatError(f"{path}: found {type(value).__name__}, expected a JAMS object")
    return value


def _data_source(track: Mapping[str, Any]) -> str:
    about = track.get("annotation_metadata")
    return str(about.get("data_source")) if isinstance(about, Mapping) else ""


def _tracks_by_string(tracks: list[Mapping[str, Any]], strings: int) -> bool:
    sources = [_data_source(track) for track in tracks]
    return len(set(sources)) == len(tracks) > 1 and all(
        s.isdecimal() and int(s) < strings for s in sources
    )


def _rows(tracks: list[Mapping[str, Any]], path: Path) -> list[Mapping[str, Any]]:
    """The observations of the first of some annotations; none where there is no annotation."""
    if not tracks:
        return []
    data = tracks[0].get("data")
    if not isinstance(data, list) or not all(isinstance(row, Mapping) for row in data):
        raise FormatError(
            f"{path}: {tracks[0].get('namespace')}: found data that is no list of objects, "
            "expected observations"
        )
    return data


def _is_number(value: Any) -> TypeGuard[float]:
    good = isinstance(value, int | float) and not isinstance(value, bool)
    return good and abs(value) < _MAX_NUMBER


def _is_whole(value: Any, least: int, most: int) -> TypeGuard[int]:
    return isinstance(value, int) and not isinstance(value, bool) and least <= value <= most


def _number(row: Mapping[str, Any], key: str, where: str) -> float:
    value = row.get(key)
    if not _is_number(value):
        raise FormatError(f"{where}: found {key} {value!r}, expected a number")
    return float(value)


def _instrument(sandbox: Mapping[str, Any], path: Path) -> Instrument:
    strings = sandbox.get("open_midi")
    if strings is None:
        return Instrument()
    good = isinstance(strings, list) and 1 <= len(strings) <= 12
    if not good or not all(_is_whole(s, 0, 127) for s in strings):
        raise FormatError(
            f"{path}: found open_midi {shown(strings)}, expected 1 to 12 MIDI numbers"
        )
    capo, frets = sandbox.get("capo", 0), sandbox.get("frets", 22)
    if not _is_whole(frets, 1, 36):
        raise FormatError(f"{path}: found frets {frets!r}, expected 1 to 36")
    if not _is_whole(capo, 0, frets - 1):
        raise FormatError(f"{path}: found capo {capo!r}, expected 0 to {frets - 1}")
    return Instrument(tuple(strings), capo, frets)


def _note(
    row: Mapping[str, Any],
    beside: Mapping[str, Any],
    instrument: Instrument,
    hz: bool,
    where: str,
) -> Note:
    """A note from its observation and from what the sandbox says ``beside`` it."""
    onset, length = _number(row, "time", where), _number(row, "duration", where)
    value = _number(row, "value", where)
    if hz and value <= 0:
        raise FormatError(f"{where}: found {value:g} Hz, expected a frequency over 0")
    pitch = hz_to_midi(value) if hz else value
    pitch_midi = round(pitch)
    if not 0 <= pitch_midi <= 127 or onset + length <= onset:
        raise FormatError(
            f"{where}: found pitch {pitch:g} for {length:g} s, "
            "expected MIDI 0 to 127 and a duration over 0"
        )
    string, fret = beside.get("string"), None
    if _is_whole(string, 1, len(instrument.open_midi)):
        fret = instrument.fret_of(string, pitch_midi)
    confidence, finger = row.get("confidence"), beside.get("finger")
    articulation = beside.get("articulation")
    beats = [beside.get(key) for key in ("onset_beat", "duration_beat")]
    onset_beat, duration_beat = (float(b) if _is_number(b) else None for b in beats)
    return Note(
        0,
        onset,
        onset + length,
        pitch_midi,
        cents=round(100 * (pitch - pitch_midi), 2),
        confidence=min(max(float(confidence), 0.0), 1.0) if _is_number(confidence) else 1.0,
        string=string if fret is not None else None,
        fret=fret,
        finger=finger if _is_whole(finger, 0, 4) else None,
        articulation=articulation if articulation in ARTICULATIONS else "picked",
        onset_beat=onset_beat,
        duration_beat=duration_beat,
    )


def _rhythm(
    by_name: Mapping[str, list[Mapping[str, Any]]], sandbox: Mapping[str, Any], path: Path
) -> Rhythm | None:
    beats: dict[float, Any] = {}  # seconds -> place in the bar
    for row in _rows(by_name.get("beat", []), path):
        beats.setdefault(_number(row, "time", f"{path}: beat"), row.get("value"))
    if len(beats) < 2:
        return None
    times = sorted(beats)
    places = [int(place) if _is_number(place := beats[time]) else 0 for time in times]
    meter = (top if 1 < (top := max(places)) <= 64 else 4, 4)
    given = sandbox.get("meter")
    if isinstance(given, list) and len(given) == 2 and all(n in range(1, 65) for n in given):
        meter = (given[0], given[1])
    bpm = sandbox.get("bpm")
    if not _is_number(bpm) or bpm < 1:
        bpm = 60 / float(np.median(np.diff(times)))
    downs = tuple(time for time, place in zip(times, places, strict=True) if place == 1)
    rhythm = Rhythm(float(bpm), meter, tuple(times), downs)
    clock = Clock(rhythm)
    phrases = []
    for row in _rows(by_name.get("segment_open", []), path):
        start = _number(row, "time", f"{path}: segment_open")
        end = start + _number(row, "duration", f"{path}: segment_open")
        label = str(row.get("value"))
        phrases.append(Phrase(label, round(clock.beat(start), 3), round(clock.beat(end), 3)))
    return replace(rhythm, phrases=tuple(phrases))


def _theory(by_name: Mapping[str, list[Mapping[str, Any]]], path: Path) -> dict[str, Any] | None:
    theory: dict[str, Any] = {}
    chords = []
    for row in _rows(by_name.get("chord", []), path):
        symbol = _symbol(str(row.get("value")))
        if symbol is not None:
            start = _number(row, "time", f"{path}: chord")
            end = start + _number(row, "duration", f"{path}: chord")
            chords.append({"start_sec": start, "end_sec": end, "symbol": symbol})
    if chords:
        theory["chords"] = chords
    for row in _rows(by_name.get("key_mode", []), path)[:1]:
        tonic, _, name = str(row.get("value")).partition(":")
        if name:
            theory["mode"] = {"tonic": tonic, "name": name}
    return theory or None
