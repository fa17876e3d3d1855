"""The notes of a recording: the one door to this package.

Conventions: audio is mono float, times in seconds, pitch in MIDI numbers (69 = A4 = 440 Hz),
``cents`` is the distance from ``pitch_midi`` after the tuning offset.
"""

from __future__ import annotations

import bisect
import dataclasses
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from transcribe.audio.echo import echo_delay_sec
from transcribe.core.errors import ParameterError
from transcribe.core.riff import Bend, Instrument, Note
from transcribe.notes import features as feat
from transcribe.notes.articulation import articulations, heard_bend
from transcribe.notes.echo_copies import copies, is_echo
from transcribe.notes.grip_strings import grip_strings
from transcribe.notes.measure import loudness_and_cents
from transcribe.notes.network import FIRST_MIDI, WEIGHTS, run_in_windows
from transcribe.notes.note_decoding import FRAME_SEC, DetectedNote, decode_with_doubtful
from transcribe.notes.segments import talk_stretches

__all__ = ["NotesAndTalk", "find_notes", "find_notes_and_talk", "octaves_up", "raised"]

Progress = Callable[[str, float], None]

_OFFSET_RANGE = (-100.0, 100.0)
_RATES = (4000, 384000)
_BEFORE_BEND_SEC = 0.12  # a bend's own pitch is that of its beginning
_BESIDE_SEC = 0.08
_CHECKED = 1 << 20  # samples at a time, so that a long take needs no mask of its own length
_NEIGHBOUR_NOTES = 24  # notes to either side that are looked at


@dataclasses.dataclass(frozen=True)
class NotesAndTalk:
    """Notes, the stretches (first and last second) of talk, song or humming beside them, and the
    delay in seconds of an echo that repeats them, None without one."""

    notes: tuple[Note, ...]
    talk: tuple[tuple[float, float], ...] = ()
    echo_sec: float | None = None


def find_notes(
    y: ArrayLike,
    *,
    sr: int,
    offset_cents: float = 0.0,
    instrument: Instrument | None = None,
    progress: Progress | None = None,
    weights: Path = WEIGHTS,
) -> tuple[Note, ...]:
    """Notes that sound in a recording of one guitar.

    Parameters
    ----------
    y : float (n,)
        Mono audio.
    sr : int
        Its rate in Hz, 4,000 to 384,000.
    offset_cents : float
        How far the whole instrument sounds above A4 = 440 Hz, -100 to 100.
    instrument : Instrument, optional
        How many strings there are and where each pitch can be played; a note that no string can
        give must be surer than others. Six strings of any tuning if left out. A bass, whose strings
        go lower than the network names, is listened to at twice the speed, an octave up.
    progress : callable, optional
        Called with a stage name and the share of it that is done, 0 to 1.
    weights : Path
        ONNX weights to use instead of those that ship.

    Returns
    -------
    tuple of Note
        Sorted by onset, then pitch, ids from 1; string and fret are left open. What is heard while
        somebody talks, and the copies that an echo makes, are left out. A bend has its size in
        cents. Silence gives none.

    Raises
    ------
    ParameterError
        If ``y`` is not one row of finite numbers, or ``sr`` or ``offset_cents`` is out of range.
    HandspanError
        If the weights are missing.
    """
    return find_notes_and_talk(
        y,
        sr=sr,
        offset_cents=offset_cents,
        instrument=instrument,
        progress=progress,
        weights=weights,
    ).notes


def find_notes_and_talk(
    y: ArrayLike,
    *,
    sr: int,
    offset_cents: float = 0.0,
    instrument: Instrument | None = None,
    progress: Progress | None = None,
    weights: Path = WEIGHTS,
    keep_echo: bool = False,
) -> NotesAndTalk:
    """As `find_notes`, with the stretches in which somebody talks, and the delay of an echo.

    The copies that an echo makes are left out unless ``keep_echo`` is set.
    """
    audio = _validate(y, sr, offset_cents)
    if audio.size == 0:
        return NotesAndTalk(())
    if sr != feat.SR:
        from transcribe.audio import resample

        audio = resample(audio, sr=sr, to_sr=feat.SR)
    octaves = octaves_up(instrument)
    sound, strings = raised(audio, octaves), instrument
    if instrument is not None and octaves:
        up = tuple(pitch + 12 * octaves for pitch in instrument.open_midi)
        strings = dataclasses.replace(instrument, open_midi=up)
    echo_sec = echo_delay_sec(audio, sr=feat.SR)
    kept_frames = echo_sec / 2**octaves / FRAME_SEC if echo_sec and keep_echo else None
    voice: list[np.ndarray] = [np.zeros(0)]
    found: list[DetectedNote] = []
    doubtful: list[DetectedNote] = []
    names: list[str] = []
    bends: list[Bend] = []
    for window in run_in_windows(
        sound, offset_cents=offset_cents, weights=weights, progress=progress
    ):
        seen, first = window.activations, window.first
        voice.append(seen.voice[window.own.start - first : window.own.stop - first])
        talk = talk_stretches(seen.voice)
        here, faint = decode_with_doubtful(
            seen, instrument=strings, echo_frames=kept_frames, talk=talk
        )
        doubtful += [_later(note, first) for note in faint if note.frame + first in window.own]
        played = articulations(here, seen, instrument=strings)
        for note, name in zip(here, played, strict=True):
            if note.frame + first in window.own:
                found.append(_later(note, first))
                names.append(name)
                bends.append(heard_bend(note, seen))
    for note in grip_strings(found, names, doubtful):
        _put_in(note, found, names, bends)
    talk = talk_stretches(np.concatenate(voice))
    if octaves:
        talk = [(begin * 2**octaves, end * 2**octaves) for begin, end in talk]
        found = [_lowered(note, octaves) for note in found]
    notes = []
    for i, (note, name) in enumerate(zip(found, names, strict=True)):
        loudness_db, cents = loudness_and_cents(
            audio,
            onset_sec=note.onset_sec,
            offset_sec=note.onset_sec + _BEFORE_BEND_SEC if name == "bend" else note.offset_sec,
            pitch_midi=note.pitch_midi,
            others_midi=_beside(found, i),
            offset_cents=offset_cents,
        )
        notes.append(
            Note(
                id=i + 1,
                onset_sec=round(note.onset_sec, 4),
                offset_sec=round(note.offset_sec, 4),
                pitch_midi=note.pitch_midi,
                cents=round(cents, 1),
                loudness_db=round(loudness_db, 1),
                confidence=round(note.confidence, 3),
                articulation=name,
                bend=bends[i] if name == "bend" else None,
            )
        )
    if echo_sec and not keep_echo:
        if is_echo(notes, echo_sec):
            left_out = copies(notes, echo_sec)
            notes = [note for note in notes if note.id not in left_out]
            notes = [dataclasses.replace(note, id=i + 1) for i, note in enumerate(notes)]
        else:
            echo_sec = None
    return NotesAndTalk(tuple(notes), tuple(talk), echo_sec)


def octaves_up(instrument: Instrument | None) -> int:
    """How many octaves a recording is raised to bring the lowest string within the network."""
    if instrument is None:
        return 0
    return int(min(instrument.open_midi) + instrument.capo < FIRST_MIDI)


def raised(audio: np.ndarray, octaves: int) -> np.ndarray:
    """``audio`` (n,) at `features.SR` as it sounds when played 2 ** ``octaves`` times as fast."""
    if not octaves:
        return audio
    from transcribe.audio import resample

    return resample(audio, sr=feat.SR * 2**octaves, to_sr=feat.SR)


def _later(note: DetectedNote, frames: int) -> DetectedNote:
    """A note of a window that begins at frame ``frames`` of the take."""
    return dataclasses.replace(
        note,
        onset_sec=note.onset_sec + frames * FRAME_SEC,
        offset_sec=note.offset_sec + frames * FRAME_SEC,
        frame=note.frame + frames,
        last_frame=note.last_frame + frames,
    )


def _put_in(
    note: DetectedNote, found: list[DetectedNote], names: list[str], bends: list[Bend]
) -> None:
    """Put a picked note in its place by time; its string sounds one note at a time."""
    at = bisect.bisect([n.onset_sec for n in found], note.onset_sec)
    for i in range(max(0, at - _NEIGHBOUR_NOTES), min(len(found), at + _NEIGHBOUR_NOTES)):
        other = found[i]
        if other.pitch_midi != note.pitch_midi:
            continue
        if i < at:
            ends = min(other.offset_sec, note.onset_sec)
            found[i] = dataclasses.replace(other, offset_sec=ends)
        else:
            note = dataclasses.replace(note, offset_sec=min(note.offset_sec, other.onset_sec))
            break
    found.insert(at, note)
    names.insert(at, "picked")
    bends.insert(at, Bend())


def _lowered(note: DetectedNote, octaves: int) -> DetectedNote:
    """A note that was found `raised`, as it was played; its frames stay as found."""
    return dataclasses.replace(
        note,
        onset_sec=note.onset_sec * 2**octaves,
        offset_sec=note.offset_sec * 2**octaves,
        pitch_midi=note.pitch_midi - 12 * octaves,
    )


def _beside(found: list[DetectedNote], index: int) -> list[int]:
    """Pitches that sound just after the onset of note ``index``."""
    moment = found[index].onset_sec + _BESIDE_SEC
    near = found[max(0, index - _NEIGHBOUR_NOTES) : index + _NEIGHBOUR_NOTES]
    return [n.pitch_midi for n in near if n.onset_sec <= moment <= n.offset_sec]


def _validate(y: ArrayLike, sr: int, offset_cents: float) -> np.ndarray:
    audio = np.asarray(y, dtype=np.float32)
    if audio.ndim != 1:
        raise ParameterError(
            f"audio has the shape {audio.shape}; pass one channel, such as y.mean(axis=0)"
        )
    finite = (np.isfinite(audio[i : i + _CHECKED]).all() for i in range(0, audio.size, _CHECKED))
    if not all(finite):
        raise ParameterError("audio holds NaN or infinity; decode the file again or clean it first")
    if not _RATES[0] <= sr <= _RATES[1]:
        raise ParameterError(f"sr is {sr} Hz; it must be {_RATES[0]} to {_RATES[1]}")
    if not _OFFSET_RANGE[0] <= offset_cents <= _OFFSET_RANGE[1]:
        raise ParameterError(
            f"offset_cents is {offset_cents:g}; it must be -100 to 100 (pass the nearest tuning)"
        )
    return audio
