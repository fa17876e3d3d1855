"""Standard MIDI files (MIDI 1.0, format 1), written and read with mido.

Conventions: times follow the riff's own beats through a tempo map where a rhythm is known, else
120 quarters a minute; pitch in MIDI numbers (69 = A4, 60 = middle C, MIDI 1.0 Detailed
Specification). String ``n`` of the instrument plays on channel ``n`` (10, the drums' channel, is
passed over), so that bends of one string leave the others alone and the strings can be read back.
"""

from __future__ import annotations

import dataclasses
import io
import itertools
import os
import re
from bisect import bisect_left
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from transcribe.core.clock import Clock, ScoreNote, interpolate, score_notes
from transcribe.core.errors import FormatError, HandspanError
from transcribe.core.files import read_bytes
from transcribe.core.instrument import parse_tuning
from transcribe.core.pitch import note_at_fifths, pitch_name
from transcribe.core.riff import (
    ARTICULATIONS,
    Bend,
    Instrument,
    Mark,
    Note,
    PlayerSettings,
    Remark,
    Rhythm,
    Riff,
    Source,
    Timing,
    WrittenKey,
    sort_notes,
)
from transcribe.formats.chord_names import (
    KEY_FIELD,
    chord_changes,
    chord_section,
    key_of,
    key_words,
    parse_key,
)
from transcribe.formats.parts import PartName, left_out, pick

__all__ = ["read_midi", "write_midi"]

_TICKS = 480  # per quarter
_DRUMS = 9  # channel 10, counted from 0
_NO_STRING = 15
_BEND_STEPS = 8  # messages of a bend, so that it glides
_BEND_RANGE = 12  # semitones, sent as registered parameter 0 on every channel used
_MARK = "handspan 1"
_OWN = re.compile(r"^handspan 1 tuning (\S+) capo (\d+) frets (\d+) start (-?[\d.]+) beat (-?\d+)$")
_MAX_DELTA = 0x0FFFFFFF  # ticks; a time has four bytes at the most (MIDI 1.0, Standard MIDI Files)
_MAX_MB = 16
_MAX_BEATS = 100_000
_MAX_METER = 64  # of either number; a damaged file can tell of notes of 1/2 to the 255th
_FINEST = 24  # places in a quarter at which notes are written: 32nds and sixteenth triplets
_WRITTEN = 0.7  # mean resultant length on those places, from which a program wrote the notes
_TO_THE_CLICK = 0.5  # on sixteenths or triplets, from which a hand kept the file's tempo
_FEWEST_TO_JUDGE = 4
_STEEL_GUITAR = 25  # General MIDI program 26, counted from 0


def write_midi(riff: Riff) -> bytes:
    """The riff as a standard MIDI file, format 1: a tempo track and one track for the guitar.

    With a rhythm the notes stand at their score times and the tempo map follows the beats, so
    that both clocks are kept; without one they stand at their performance times. Techniques are
    text events before their notes, bends are pitch bend, chord symbols are markers.

    Returns
    -------
    bytes
        The file.

    Examples
    --------
    >>> riff = Riff(notes=(Note(1, 0.0, 0.5, 50, string=4, fret=0),))
    >>> write_midi(riff)[:4]
    b'MThd'
    """
    import mido

    timing = _Timing(riff)
    guitar = mido.MidiTrack()
    guitar.append(mido.MetaMessage("track_name", name="Guitar", time=0))
    for channel in sorted({_channel(n.string) for n in riff.notes}):
        guitar.append(mido.Message("program_change", channel=channel, program=_STEEL_GUITAR))
        for control, value in ((101, 0), (100, 0), (6, _BEND_RANGE), (38, 0)):
            guitar.append(
                mido.Message("control_change", channel=channel, control=control, value=value)
            )
    guitar.extend(_in_time(_note_events(timing)))
    file = mido.MidiFile(type=1, ticks_per_beat=_TICKS, charset="utf-8")
    file.tracks += [_head(riff, timing), guitar]
    out = io.BytesIO()
    file.save(file=out)
    return out.getvalue()


# Writing -----------------------------------------------------------------------------------

_Event = tuple[int, int, Any]  # tick, order at that tick, message


class _Timing:
    """Ticks of a riff's notes, and the tempo map that brings ticks back to seconds."""

    def __init__(self, riff: Riff) -> None:
        # Without a rhythm one beat is half a second: the tempo a MIDI file has if it says none.
        self.rhythm = riff.rhythm if riff.rhythm is not None else Rhythm(120.0)
        self.clock = Clock(self.rhythm)
        self.per_beat = _TICKS * 4 // self.rhythm.meter[1]
        self.notes: list[ScoreNote] = score_notes(riff, self.rhythm)
        first = min((s.onset_beat for s in self.notes), default=0.0)
        bar = self.rhythm.meter[0]
        self.start_beat = int(min(0.0, first) // bar) * bar
        self.end_beat = max((s.onset_beat + s.duration_beat for s in self.notes), default=1.0)

    def tick(self, beat: float) -> int:
        return max(0, round((beat - self.start_beat) * self.per_beat))


def _channel(string: int | None) -> int:
    if string is None:
        return _NO_STRING
    return string - 1 if string <= _DRUMS else string


def _in_time(events: list[_Event]) -> Iterable[Any]:
    last = 0
    for tick, _, message in sorted(events, key=lambda e: (e[0], e[1])):
        yield message.copy(time=tick - last)
        last = tick


def _head(riff: Riff, timing: _Timing) -> Any:
    """The tempo track: title, what the reader needs to know, meter, tempo, chord symbols."""
    import mido

    instrument = riff.instrument
    strings = ",".join(pitch_name(m) for m in instrument.open_midi)
    about = (
        f"{_MARK} tuning {strings} capo {instrument.capo} frets {instrument.frets} "
        f"start {timing.clock.sec(timing.start_beat):.6f} beat {timing.start_beat}"
    )
    top, unit = timing.rhythm.meter
    unit = unit if unit & (unit - 1) == 0 else 4
    title = riff.source.file if riff.source is not None and riff.source.file else "riff"
    events: list[_Event] = [
        (0, 0, mido.MetaMessage("track_name", name=title)),
        (0, 1, mido.MetaMessage("text", text=about)),
        (0, 2, mido.MetaMessage("time_signature", numerator=top, denominator=unit)),
    ]
    fifths, mode = key_of(riff.theory)
    if mode is not None or fifths:
        # MIDI knows major and minor alone; the signature is the mode's own.
        minor = mode in ("minor", "aeolian")
        key = note_at_fifths(fifths + 3) + "m" if minor else note_at_fifths(fifths)
        events.append((0, 2, mido.MetaMessage("key_signature", key=key)))
    if riff.written_key is not None:
        given = f"{KEY_FIELD} {key_words(riff.written_key)}"
        events.append((0, 2, mido.MetaMessage("text", text=given)))
    last = 0
    for beat in range(timing.start_beat, int(timing.end_beat) + 2):
        length = timing.clock.sec(beat + 1) - timing.clock.sec(beat)
        tempo = min(max(round(length * 1e6 * timing.rhythm.meter[1] / 4), 1), 0xFFFFFF)
        if tempo != last:
            events.append((timing.tick(beat), 3, mido.MetaMessage("set_tempo", tempo=tempo)))
            last = tempo
    events += [
        (timing.tick(beat), 4, mido.MetaMessage("marker", text=symbol))
        for beat, symbol in chord_changes(riff, timing.rhythm)
    ]
    track = mido.MidiTrack()
    track.extend(_in_time(events))
    return track


def _note_events(timing: _Timing) -> list[_Event]:
    import mido

    events: list[_Event] = []
    following: dict[tuple[int, int], int] = {}
    next_on: dict[int, int] = {}
    for item in reversed(timing.notes):
        note, channel = item.note, _channel(item.note.string)
        start = timing.tick(item.onset_beat)
        # A pitch is let go before it is struck again, or the second note would be cut by the
        # first one's end.
        end = timing.tick(item.onset_beat + item.duration_beat)
        end = max(start + 1, min(end, following.get((channel, note.pitch_midi), end)))
        following[channel, note.pitch_midi] = start
        how = {"channel": channel, "note": note.pitch_midi}
        if note.articulation != "picked":
            text = f"{note.articulation} on string {note.string or 0}"
            events.append((start, 2, mido.MetaMessage("text", text=text)))
        events.append((start, 3, mido.Message("note_on", velocity=_velocity(note), **how)))
        events.append((end, 0, mido.Message("note_off", velocity=64, **how)))
        if note.articulation == "bend":
            # A bend moves its whole channel, so that it ends where the string is struck again.
            events += _bend(
                note, channel, start, max(start + 1, min(end, next_on.get(channel, end)))
            )
        next_on[channel] = start
    return events


def _velocity(note: Note) -> int:
    if note.articulation == "dead":
        return 40
    if note.loudness_db is None:
        return 80
    return int(min(120, max(20, round(100 + 1.5 * (note.loudness_db + 12)))))


def _bend(note: Note, channel: int, start: int, end: int) -> list[_Event]:
    import mido

    bend = note.bend or Bend()
    known = bend.rise_semitones
    rise = known if known is not None and known > 0 else 1.0
    top = min(8191, round(8192 * rise / _BEND_RANGE))
    shares = [step / _BEND_STEPS for step in range(1, _BEND_STEPS + 1)]
    if bend.released:
        shares += shares[-2::-1]
    # Up in the first half of the note; where the string is let down, up and down in all of it.
    over = (end - start) * (1.0 if bend.released else 0.5) / (len(shares) + bend.released)
    events: list[_Event] = [
        (
            start + int(over * step),
            4,
            mido.Message("pitchwheel", channel=channel, pitch=round(top * share)),
        )
        for step, share in enumerate(shares, 1)
    ]
    return [*events, (end, 1, mido.Message("pitchwheel", channel=channel, pitch=0))]


# Reading -----------------------------------------------------------------------------------


@dataclass(slots=True)
class _Part:
    """The notes of one track or channel, as (tick, end tick, pitch, velocity, channel)."""

    number: int
    name: str = ""
    programs: set[int] = field(default_factory=set)
    notes: list[tuple[int, int, int, int, int]] = field(default_factory=list)
    rises: dict[tuple[int, int, int], float] = field(default_factory=dict)  # semitones bent

    def likeness(self) -> float:
        """How much the part looks like a guitar's."""
        score = 0.0
        if any(24 <= program <= 31 for program in self.programs):  # General MIDI's guitars
            score += 4.0
        if any(32 <= program <= 39 for program in self.programs):  # its basses
            score -= 1.0
        if re.search(r"guit|gtr|git\b", self.name, re.IGNORECASE):
            score += 4.0
        reach = sum(40 <= pitch <= 88 for _, _, pitch, _, _ in self.notes)
        return score + 2.0 * reach / len(self.notes) + min(len(self.notes), 200) / 400


def read_midi(path: str | os.PathLike[str], *, part: str | None = None) -> Riff:
    """Read a standard MIDI file, format 0 or 1.

    Drums are left out. Strings and techniques come back from files that `write_midi` made.

    Parameters
    ----------
    part : str, optional
        The part to read: its number from 1 or its name. By default the one that looks most like
        a guitar's; ``warnings`` of the riff then says which, and what was left out.

    Returns
    -------
    Riff
        With the rhythm that the file's tempo map and meter tell.

    Raises
    ------
    FormatError
        If the file cannot be read, is malformed, or has no notes.
    ParameterError
        If there is no such part, or ``part`` names several.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> riff = Riff(notes=(Note(1, 0.0, 0.5, 50, string=4, fret=0),))
    >>> with TemporaryDirectory() as folder:
    ...     path = Path(folder) / "jetty.mid"
    ...     _ = path.write_bytes(write_midi(riff))
    ...     [(note.pitch_midi, note.string) for note in read_midi(path).notes]
    [(50, 4)]
    """
    path = Path(path)
    file = _load(path)
    texts = [str(m.text).strip() for t in file.tracks for m in t if m.type == "text"]
    own = next((match for text in texts if (match := _OWN.match(text))), None)
    parts = _parts(file, whole_tracks=own is not None or file.type == 1)
    if not parts:
        raise FormatError(f"{path}: found no notes, expected at least one outside the drums")
    chosen, warnings = _choose(parts, part, path)
    grid = _Grid(file, own, max(end for _, end, *_ in chosen.notes))
    if grid.end > _MAX_BEATS * grid.per_beat:
        raise FormatError(f"{path}: found over {_MAX_BEATS} beats, expected fewer")
    instrument = Instrument()
    if own is not None:
        try:
            instrument = Instrument(parse_tuning(own[1]), int(own[2]), int(own[3]))
        except HandspanError as error:
            raise FormatError(f"{path}: the tuning in its text event: {error}") from None
    marks = _marks(file) if own is not None else {}
    notes = []
    for i, (start, end, pitch, velocity, channel) in enumerate(sorted(chosen.notes), 1):
        string = _string(channel, instrument) if own is not None else None
        fret = instrument.fret_of(string, pitch) if string is not None else None
        rise = chosen.rises.get((start, channel, pitch), 0.0)
        bent = own is None and rise >= 0.8
        articulation = marks.get((start, string or 0), "bend" if bent else "picked")
        notes.append(
            Note(
                i,
                grid.sec(start),
                max(grid.sec(end), grid.sec(start) + 1e-3),
                pitch,
                loudness_db=round((velocity - 100) / 1.5 - 12, 1),
                string=string if fret is not None else None,
                fret=fret,
                articulation=articulation,
                onset_beat=grid.beat(start),
                duration_beat=grid.length(end - start),
                bend=Bend(semitones=round(rise)) if articulation == "bend" and rise else None,
            )
        )
    riff = Riff(
        instrument,
        sort_notes(notes),
        Source(path.name),
        theory=_chord_markers(file, grid),
        written_key=_written_key(file, None if own is None else texts),
        warnings=tuple(warnings),
    )
    if own is None:
        riff = dataclasses.replace(riff, marks=_chord_marks(riff))
    starts = np.array([start for start, *_ in chosen.notes]) / grid.per_quarter
    if own is not None or starts.size < _FEWEST_TO_JUDGE or _on_grid(starts, _FINEST) >= _WRITTEN:
        return dataclasses.replace(
            riff, rhythm=grid.rhythm(), warnings=(*riff.warnings, *grid.warnings)
        )
    # A file without a tempo has no click, and keeps to 120 bpm only by chance.
    has_tempo = any(message.type == "set_tempo" for track in file.tracks for message in track)
    near = max(_on_grid(starts, 4), _on_grid(starts, 3)) >= _TO_THE_CLICK
    return _played(riff, grid, to_the_click=has_tempo and near)


def _written_key(file: Any, own_texts: Sequence[str] | None) -> WrittenKey | None:
    """The key that was given: in an own file its text event, else the first key signature.

    C major is what programs write where nobody gave a key.
    """
    if own_texts is not None:
        given = (text.removeprefix(KEY_FIELD) for text in own_texts if text.startswith(KEY_FIELD))
        return next(map(parse_key, given), None)
    names = (m.key for track in file.tracks for m in track if m.type == "key_signature")
    key = parse_key(next(names, ""))
    return None if key == WrittenKey("C", "ionian") else key


def _on_grid(quarters: np.ndarray, per_quarter: int) -> float:
    """How closely times, (n,) in quarters, keep to ``per_quarter`` places of a quarter.

    0 (anywhere) to 1 (exactly): the mean resultant length of the times as angles on a circle that
    is one place long (Mardia and Jupp 2000, "Directional Statistics", 2.3).
    """
    return float(np.abs(np.mean(np.exp(2j * np.pi * per_quarter * quarters))))


def _played(riff: Riff, grid: _Grid, to_the_click: bool) -> Riff:
    """``riff`` as a hand played it: its beats are to be found from the notes.

    Where it was played to the file's own tempo, that and the file's bars are given.
    """
    notes = tuple(
        dataclasses.replace(note, onset_beat=None, duration_beat=None) for note in riff.notes
    )
    player = PlayerSettings()
    if to_the_click:
        rhythm = grid.rhythm()
        before = [sec for sec in rhythm.downbeats_sec if sec <= notes[0].onset_sec + 0.05]
        player = PlayerSettings(
            bpm=rhythm.bpm, meter=rhythm.meter, first_beat_sec=before[-1] if before else None
        )
    remark = Remark("midi-played", {"to_the_click": to_the_click})
    return dataclasses.replace(
        riff,
        notes=notes,
        timing=Timing("heard"),
        player=player,
        warnings=(*riff.warnings, remark),
    )


def _load(path: Path) -> Any:
    import mido

    data = read_bytes(path, max_mb=_MAX_MB, expected="a MIDI file of a riff")
    if data[:4] == b"RIFF":  # a MIDI file in a RIFF wrapper
        data = data[data.find(b"MThd") :] if b"MThd" in data[:64] else data
    if data[:4] != b"MThd":
        raise FormatError(f"{path}: found {data[:4]!r} at its start, expected b'MThd' of MIDI")
    try:
        file = mido.MidiFile(file=io.BytesIO(data), clip=True)
    except Exception as error:  # mido lets through whatever the damaged bytes lead to
        what = str(error)[:60] or "the end of the file inside a track"
        raise FormatError(
            f"{path}: found a damaged MIDI file ({what}), expected whole tracks; export it again"
        ) from None
    if file.type == 2:
        raise FormatError(f"{path}: found MIDI format 2 (separate patterns), expected 0 or 1")
    if file.ticks_per_beat == 0:
        raise FormatError(f"{path}: found 0 ticks to the quarter, expected 1 or more")
    if any(message.time > _MAX_DELTA for track in file.tracks for message in track):
        raise FormatError(
            f"{path}: found a time of over four bytes, expected a MIDI file of a riff"
        )
    return file


def _with_ticks(messages: Iterable[Any]) -> Iterator[tuple[int, Any]]:
    """(tick, message) of a track."""
    now = 0
    for message in messages:
        now += message.time
        yield now, message


def _parts(file: Any, *, whole_tracks: bool) -> list[_Part]:
    parts: dict[int, _Part] = {}
    for index, messages in enumerate(file.tracks):
        now, name = 0, ""
        held: dict[tuple[int, int], list[tuple[int, int]]] = {}
        programs: dict[int, int] = {}
        reach: dict[int, float] = {}
        parameter: dict[int, tuple[int, int]] = {}
        for now, message in _with_ticks(messages):
            if message.type == "track_name":
                name = _text(message.name).strip()
            channel = getattr(message, "channel", None)
            if channel is None or channel == _DRUMS:
                continue
            key = index if whole_tracks else channel
            if message.type == "program_change":
                programs[channel] = message.program
            elif message.type == "control_change":
                _bend_range(message, parameter, reach)
            elif message.type == "pitchwheel":
                bent = message.pitch / 8192 * reach.get(channel, 2.0)
                for (c, pitch), starts in held.items():
                    if c == channel and starts:
                        part = parts[key]
                        at = (starts[0][0], channel, pitch)
                        part.rises[at] = max(part.rises.get(at, 0.0), bent)
            elif message.type == "note_on" and message.velocity > 0:
                part = parts.setdefault(key, _Part(key + 1))
                part.name = part.name or name
                part.programs.add(programs.get(channel, 0))
                held.setdefault((channel, message.note), []).append((now, message.velocity))
            elif message.type in ("note_on", "note_off") and held.get((channel, message.note)):
                start, velocity = held[channel, message.note].pop(0)
                end = max(now, start + 1)
                parts[key].notes.append((start, end, message.note, velocity, channel))
        for (channel, pitch), starts in held.items():  # never let go: they end with the track
            for start, velocity in starts:
                key = index if whole_tracks else channel
                parts[key].notes.append((start, max(now, start + 1), pitch, velocity, channel))
    return [part for part in parts.values() if part.notes]


def _bend_range(
    message: Any, parameter: dict[int, tuple[int, int]], reach: dict[int, float]
) -> None:
    """Follow registered parameter 0, the pitch bend range in semitones (MIDI 1.0)."""
    high, low = parameter.get(message.channel, (127, 127))
    if message.control == 101:
        parameter[message.channel] = (message.value, low)
    elif message.control == 100:
        parameter[message.channel] = (high, message.value)
    elif message.control == 6 and (high, low) == (0, 0):
        reach[message.channel] = float(message.value)


def _choose(parts: list[_Part], wanted: str | None, path: Path) -> tuple[_Part, list[Remark]]:
    names = [PartName(part.number, part.name) for part in parts]
    by_number = {part.number: part for part in parts}
    if wanted is not None:
        return by_number[pick(names, wanted, str(path)).number], []
    part = max(parts, key=lambda p: (p.likeness(), -p.number))
    return part, left_out(names, PartName(part.number, part.name))


def _string(channel: int, instrument: Instrument) -> int | None:
    if channel == _NO_STRING:
        return None
    string = channel + 1 if channel < _DRUMS else channel
    return string if string <= len(instrument.open_midi) else None


def _marks(file: Any) -> dict[tuple[int, int], str]:
    """(tick, string) -> articulation, from the text events before notes."""
    found = {}
    for now, message in itertools.chain.from_iterable(map(_with_ticks, file.tracks)):
        if message.type == "text":
            name, _, string = str(message.text).partition(" on string ")
            if name in ARTICULATIONS and string.isdecimal():
                found[now, int(string)] = name
    return found


def _text(raw: str) -> str:
    """A name as it was meant: mido reads bytes as Latin-1, most files are UTF-8."""
    try:
        return raw.encode("latin-1").decode("utf-8")
    except UnicodeError:
        return raw


def _chord_markers(file: Any, grid: _Grid) -> dict[str, Any] | None:
    chords = [
        (now, message.text)
        for now, message in itertools.chain.from_iterable(map(_with_ticks, file.tracks))
        if message.type == "marker" and re.match(r"^[A-G][#b]?[^\s]{0,8}$", message.text)
    ]
    return {"chords": chord_section(chords, grid.end, grid.sec)} if chords else None


def _chord_marks(riff: Riff) -> tuple[Mark, ...]:
    """The chords of the file's markers, each at the first note that begins with it or later."""
    chords = (riff.theory or {}).get("chords") or ()
    onsets = [note.onset_sec for note in riff.notes]
    places = [(bisect_left(onsets, c["start_sec"] - 1e-3), c["symbol"]) for c in chords]
    return tuple(
        Mark("chord", symbol, riff.notes[place].id)
        for place, symbol in places
        if place < len(onsets)
    )


class _Grid:
    """Ticks to seconds and beats, from the file's tempo and meter events."""

    def __init__(self, file: Any, own: re.Match[str] | None, end: int) -> None:
        self.end = end
        self.warnings: list[Remark] = []
        self.per_quarter = file.ticks_per_beat
        tempos: dict[int, float] = {}
        meters = []
        for now, message in itertools.chain.from_iterable(map(_with_ticks, file.tracks)):
            if message.type == "set_tempo" and message.tempo > 0:
                tempos[now] = message.tempo
            elif message.type == "time_signature":
                meters.append((now, (message.numerator, message.denominator)))
        if self.per_quarter < 0:  # time code: frames a second and ticks a frame, no beats
            per_sec = max(1, -(self.per_quarter >> 8) * (self.per_quarter & 0xFF))
            self.per_quarter = max(1, round(0.5 * per_sec))
            tempos = {0: self.per_quarter * 1_000_000 / per_sec}
        has_tempo = bool(tempos)
        tempos.setdefault(0, 500_000)  # what a file has until it says another
        # A point after the last change of tempo carries that tempo on.
        changes = sorted(tempos)
        self.ticks = np.array([*changes, changes[-1] + self.per_quarter], dtype=float)
        rates = [tempos[tick] / 1e6 / self.per_quarter for tick in changes]
        self.secs = np.append(0.0, np.cumsum(np.diff(self.ticks) * rates))
        meters.sort(key=lambda m: m[0])
        count = len(meters)
        meters = [m for m in meters if all(1 <= number <= _MAX_METER for number in m[1])]
        if len(meters) < count:
            self.warnings.append(Remark("meter-impossible"))
        self.meter = meters[0][1] if meters else (4, 4)
        if any(meter != self.meter for _, meter in meters):
            self.warnings.append(Remark("meter-changes", {"meter": list(self.meter)}))
        if not has_tempo:
            facts = {"bpm": 120.0 * self.meter[1] / 4, "meter": list(self.meter)}
            self.warnings.append(Remark("tempo-taken", facts))
        self.per_beat = self.per_quarter * 4 / self.meter[1]
        self.start_sec = float(own[4]) if own is not None else 0.0
        self.start_beat = int(own[5]) if own is not None else 0

    def sec(self, tick: float) -> float:
        return round(self.start_sec + float(interpolate(tick, self.ticks, self.secs)), 6)

    def beat(self, tick: int) -> float:
        return round(self.start_beat + tick / self.per_beat, 6)

    def length(self, ticks: int) -> float:
        return round(ticks / self.per_beat, 6)

    def rhythm(self) -> Rhythm:
        count = int(self.end / self.per_beat) + 2
        beats = [self.sec(i * self.per_beat) for i in range(count)]
        spans = sorted(b - a for a, b in itertools.pairwise(beats))
        bpm = 60.0 / spans[len(spans) // 2]
        downs = (
            beats[-self.start_beat :: self.meter[0]]
            if self.start_beat < 0
            else beats[:: self.meter[0]]
        )
        return Rhythm(round(bpm, 3), self.meter, tuple(beats), tuple(downs))
