"""JAMS, the JSON Annotated Music Specification, version 0.3 (Humphrey et al., ISMIR 2014).

Written are the namespaces ``note_midi``, ``beat`` (value: place in the bar), ``chord`` (Harte's
syntax), ``key_mode`` and, for phrases, ``segment_open``. What JAMS has no namespace for, strings,
frets, fingers, techniques and the instrument, stands in the sandbox of the notes, one entry per
note in the order of the data. Read is any JAMS file with notes; where it has one annotation per
string (``data_source`` 0 for the lowest), the strings are kept.
"""

from __future__ import annotations

import itertools
import json
import math
import os
import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from transcribe.core.clock import Clock
from transcribe.core.errors import FormatError
from transcribe.core.pitch import hz_to_midi, pitch_class, split_chord
from transcribe.core.riff import (
    ARTICULATIONS,
    Instrument,
    Note,
    Phrase,
    Rhythm,
    Riff,
    Source,
    sort_notes,
)
from transcribe.formats.names import CHORDS, MODES

__all__ = ["read_jams", "write_jams"]

_VERSION = "0.3.4"
_QUALITIES = {harte: suffix for suffix, (_, harte) in reversed(CHORDS.items())}
_DEGREES = {0: "1", 1: "b2", 2: "2", 3: "b3", 4: "3", 5: "4", 6: "b5", 7: "5", 8: "b6", 9: "6"}
_DEGREES |= {10: "b7", 11: "7"}
_MAX_BYTES = 64 << 20


def write_jams(riff: Riff) -> str:
    """The riff as the text of a JAMS file."""
    ends = [n.offset_sec for n in riff.notes]
    told = riff.source.duration_sec if riff.source is not None else None
    duration = max([told or 0.0, *ends])
    annotations = [_annotation("note_midi", _note_data(riff), duration, _positions(riff))]
    if riff.rhythm is not None:
        annotations.append(_annotation("beat", _beat_data(riff.rhythm), duration))
        if riff.rhythm.phrases:
            annotations.append(_annotation("segment_open", _phrase_data(riff.rhythm), duration))
    theory = riff.theory or {}
    if chords := _chord_data(theory):
        annotations.append(_annotation("chord", chords, duration))
    if key := _key_value(theory):
        observation = _observation(0.0, duration, key, theory["mode"].get("confidence"))
        annotations.append(_annotation("key_mode", [observation], duration))
    title = riff.source.file if riff.source is not None else ""
    value = {
        "annotations": annotations,
        "file_metadata": {
            "title": title,
            "artist": "",
            "release": "",
            "duration": duration,
            "identifiers": {},
            "jams_version": _VERSION,
        },
        "sandbox": {},
    }
    return json.dumps(value, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _annotation(
    namespace: str,
    data: list[dict[str, Any]],
    duration: float,
    sandbox: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    return {
        "namespace": namespace,
        "data": data,
        "annotation_metadata": {
            "curator": {"name": "", "email": ""},
            "annotator": {},
            "version": "",
            "corpus": "",
            "annotation_tools": "Handspan",
            "annotation_rules": "",
            "validation": "",
            "data_source": "program",
        },
        "sandbox": dict(sandbox or {}),
        "time": 0,
        "duration": duration,
    }


def _observation(time: float, duration: float, value: Any, confidence: Any) -> dict[str, Any]:
    return {"time": time, "duration": duration, "value": value, "confidence": confidence}


def _note_data(riff: Riff) -> list[dict[str, Any]]:
    # Times may lie before zero in a riff that was never recorded; JAMS begins at zero.
    return [
        _observation(
            max(0.0, n.onset_sec),
            n.offset_sec - max(0.0, n.onset_sec),
            n.pitch_midi + round(n.cents / 100, 4),
            n.confidence,
        )
        for n in riff.notes
        if n.offset_sec > max(0.0, n.onset_sec)
    ]


def _positions(riff: Riff) -> dict[str, Any]:
    kept = [n for n in riff.notes if n.offset_sec > max(0.0, n.onset_sec)]
    instrument = riff.instrument
    sandbox: dict[str, Any] = {
        "open_midi": list(instrument.open_midi),
        "capo": instrument.capo,
        "frets": instrument.frets,
        "string": [n.string for n in kept],
        "fret": [n.fret for n in kept],
        "finger": [n.finger for n in kept],
        "articulation": [n.articulation for n in kept],
        "onset_beat": [n.onset_beat for n in kept],
        "duration_beat": [n.duration_beat for n in kept],
    }
    if riff.rhythm is not None:
        sandbox["bpm"] = riff.rhythm.bpm
        sandbox["meter"] = list(riff.rhythm.meter)
    return sandbox


def _beat_data(rhythm: Rhythm) -> list[dict[str, Any]]:
    clock = Clock(rhythm)
    return [
        _observation(sec, 0.0, round(clock.beat(sec)) % rhythm.meter[0] + 1, None)
        for sec in rhythm.beats_sec
        if sec >= 0
    ]


def _phrase_data(rhythm: Rhythm) -> list[dict[str, Any]]:
    clock = Clock(rhythm)
    data = []
    for phrase in rhythm.phrases:
        start, end = max(0.0, clock.sec(phrase.start_beat)), clock.sec(phrase.end_beat)
        data.append(_observation(start, max(0.0, end - start), phrase.label, None))
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
    suffix = None if match is None else _QUALITIES.get(match[2] or "maj")
    return None if match is None or suffix is None else match[1] + suffix


def _key_value(theory: Mapping[str, Any]) -> str | None:
    mode = theory.get("mode")
    if not isinstance(mode, Mapping):
        return None
    tonic, name = str(mode.get("tonic")), str(mode.get("name"))
    good = re.match(r"^[A-G][#b]?$", tonic) and name in MODES
    return f"{tonic}:{name}" if good else None


# Reading -----------------------------------------------------------------------------------


def read_jams(path: str | os.PathLike[str]) -> Riff:
    """Read the notes, beats, chords and mode of a JAMS file.

    Raises
    ------
    FormatError
        If the file cannot be read, is not JSON, is not JAMS, or holds no notes.
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
        # Sources count from the lowest string, strings from the highest.
        string = len(instrument.open_midi) - int(_data_source(track)) if by_string else None
        rows = _rows(track, path)
        notes += _notes(rows, sandbox, instrument, string, hz, path)
    if not notes:
        raise FormatError(f"{path}: found no notes in note_midi, expected at least one")
    ordered = [replace(note, id=i) for i, note in enumerate(sort_notes(notes), 1)]
    file = value.get("file_metadata")
    title = str(file.get("title") or path.name) if isinstance(file, Mapping) else path.name
    return Riff(
        instrument,
        sort_notes(ordered),
        Source(title),
        _rhythm(by_name.get("beat"), by_name.get("segment_open"), sandbox, path),
        theory=_theory(by_name, path),
    )


def _load(path: Path) -> Mapping[str, Any]:
    try:
        if path.stat().st_size > _MAX_BYTES:
            raise FormatError(f"{path}: found over 64 MB, expected a smaller JAMS file")
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise FormatError(f"{path}: there is no such file") from None
    except (OSError, UnicodeDecodeError) as error:
        raise FormatError(f"{path} cannot be read: {error}") from None
    try:
        value = json.loads(text)
    except json.JSONDecodeError as error:
        raise FormatError(
            f"{path}:{error.lineno}: found what is not JSON ({error.msg}), expected a JAMS file"
        ) from None
    except RecursionError:
        raise FormatError(f"{path}: found JSON nested too deep, expected a JAMS file") from None
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


def _rows(track: Mapping[str, Any], path: Path) -> list[Mapping[str, Any]]:
    data = track.get("data")
    where = f"{path}: {track.get('namespace')}"
    if isinstance(data, Mapping):  # version 0.1 kept columns
        columns = [data.get(k) or [] for k in ("time", "duration", "value", "confidence")]
        names = ("time", "duration", "value", "confidence")
        return [dict(zip(names, row, strict=False)) for row in zip(*columns, strict=False)]
    if not isinstance(data, list) or not all(isinstance(row, Mapping) for row in data):
        raise FormatError(f"{where}: found data that is no list of objects, expected observations")
    return data


def _number(row: Mapping[str, Any], key: str, where: str) -> float:
    value = row.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise FormatError(f"{where}: found {key} {value!r}, expected a number")
    return float(value)


def _instrument(sandbox: Mapping[str, Any], path: Path) -> Instrument:
    strings = sandbox.get("open_midi")
    if strings is None:
        return Instrument()
    good = isinstance(strings, list) and 1 <= len(strings) <= 12
    if not good or not all(isinstance(s, int) and 0 <= s <= 127 for s in strings):
        raise FormatError(f"{path}: found open_midi {strings!r}, expected 1 to 12 MIDI numbers")
    capo, frets = sandbox.get("capo", 0), sandbox.get("frets", 22)
    if not (isinstance(frets, int) and 1 <= frets <= 36):
        raise FormatError(f"{path}: found frets {frets!r}, expected 1 to 36")
    if not (isinstance(capo, int) and 0 <= capo < frets):
        raise FormatError(f"{path}: found capo {capo!r}, expected 0 to {frets - 1}")
    return Instrument(tuple(strings), capo, frets)


def _notes(
    rows: list[Mapping[str, Any]],
    sandbox: Mapping[str, Any],
    instrument: Instrument,
    string: int | None,
    hz: bool,
    path: Path,
) -> list[Note]:
    notes = []
    for i, row in enumerate(rows):
        where = f"{path}: note {i + 1}"
        onset, length = _number(row, "time", where), _number(row, "duration", where)
        value = _number(row, "value", where)
        if hz and value <= 0:
            raise FormatError(f"{where}: found {value:g} Hz, expected a frequency over 0")
        pitch = float(hz_to_midi(value)) if hz else value
        if not 0 <= round(pitch) <= 127 or length <= 0:
            raise FormatError(
                f"{where}: found pitch {pitch:g} for {length:g} s, "
                "expected MIDI 0 to 127 and a duration over 0"
            )
        placed = string if string is not None else _entry(sandbox, "string", i, len(rows))
        fret = None
        if isinstance(placed, int) and 1 <= placed <= len(instrument.open_midi):
            fret = instrument.fret_of(placed, round(pitch))
        confidence = row.get("confidence")
        articulation = _entry(sandbox, "articulation", i, len(rows))
        finger = _entry(sandbox, "finger", i, len(rows))
        notes.append(
            Note(
                i,
                onset,
                onset + length,
                round(pitch),
                cents=round(100 * (pitch - round(pitch)), 2),
                confidence=min(max(float(confidence), 0.0), 1.0)
                if isinstance(confidence, int | float)
                else 1.0,
                string=placed if fret is not None else None,
                fret=fret,
                finger=finger if isinstance(finger, int) and 0 <= finger <= 4 else None,
                articulation=articulation if articulation in ARTICULATIONS else "picked",
                onset_beat=_beat(sandbox, "onset_beat", i, len(rows)),
                duration_beat=_beat(sandbox, "duration_beat", i, len(rows)),
            )
        )
    return notes


def _entry(sandbox: Mapping[str, Any], key: str, index: int, count: int) -> Any:
    values = sandbox.get(key)
    return values[index] if isinstance(values, list) and len(values) == count else None


def _beat(sandbox: Mapping[str, Any], key: str, index: int, count: int) -> float | None:
    value = _entry(sandbox, key, index, count)
    return float(value) if isinstance(value, int | float) and math.isfinite(value) else None


def _rhythm(
    beats: list[Mapping[str, Any]] | None,
    segments: list[Mapping[str, Any]] | None,
    sandbox: Mapping[str, Any],
    path: Path,
) -> Rhythm | None:
    if not beats:
        return None
    rows = sorted(_rows(beats[0], path), key=lambda r: _number(r, "time", f"{path}: beat"))
    times: list[float] = []
    downs: list[float] = []
    top = 1
    for row in rows:
        time, value = _number(row, "time", f"{path}: beat"), row.get("value")
        if times and time <= times[-1]:
            continue
        times.append(time)
        if isinstance(value, int | float):
            top = max(top, int(value))
            if value == 1:
                downs.append(time)
    if len(times) < 2:
        return None
    meter = sandbox.get("meter")
    pair = (top if top > 1 else 4, 4)
    if isinstance(meter, list) and len(meter) == 2 and all(isinstance(m, int) for m in meter):
        pair = (meter[0], meter[1])
    steps = sorted(b - a for a, b in itertools.pairwise(times))
    told = sandbox.get("bpm")
    bpm = float(told) if isinstance(told, int | float) else 60 / steps[len(steps) // 2]
    rhythm = Rhythm(bpm, pair, tuple(times), tuple(downs))
    clock = Clock(rhythm)
    phrases = []
    for row in _rows(segments[0], path) if segments else []:
        where = f"{path}: segment_open"
        start = _number(row, "time", where)
        end = start + _number(row, "duration", where)
        label = str(row.get("value"))
        phrases.append(Phrase(label, round(clock.beat(start), 3), round(clock.beat(end), 3)))
    return Rhythm(bpm, pair, tuple(times), tuple(downs), tuple(phrases))


def _theory(by_name: Mapping[str, list[Mapping[str, Any]]], path: Path) -> dict[str, Any] | None:
    theory: dict[str, Any] = {}
    chords = []
    for row in _rows(by_name["chord"][0], path) if "chord" in by_name else []:
        symbol = _symbol(str(row.get("value")))
        if symbol is not None:
            start = _number(row, "time", f"{path}: chord")
            end = start + _number(row, "duration", f"{path}: chord")
            chords.append({"start_sec": start, "end_sec": end, "symbol": symbol})
    if chords:
        theory["chords"] = chords
    for row in _rows(by_name["key_mode"][0], path)[:1] if "key_mode" in by_name else []:
        tonic, _, name = str(row.get("value")).partition(":")
        if name:
            theory["mode"] = {"tonic": tonic, "name": name}
    return theory or None
