"""The public verbs: each walks the stages in order and hands back a riff document.

A recording goes through audio, notes, rhythm, fingering and theory; notes from a file skip the
first two. The stages know nothing of each other: what one needs of another is passed here.
"""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from transcribe.core.errors import AudioError, ParameterError
from transcribe.core.riff import (
    Drone,
    Instrument,
    Note,
    PlayerSettings,
    Remark,
    Request,
    Riff,
    Source,
    Timing,
    sort_notes,
)

if TYPE_CHECKING:
    import numpy as np

    from transcribe.audio import Recording
    from transcribe.drone import DroneChoice
    from transcribe.fingering import Hand
    from transcribe.sound.rounds import PracticeSound, Voice
    from transcribe.takes import Comparison

__all__ = [
    "Heard",
    "Progress",
    "compare",
    "compare_recording",
    "describe",
    "finger",
    "in_rhythm",
    "listen",
    "practice_sound",
    "to_explain",
    "to_show",
    "transcribe",
    "with_tuning_guess",
    "work_out",
    "write_sound",
]

Progress = Callable[[str, float], None]
"""Called with the name of the stage and the share of it that is done, 0 to 1."""


def transcribe(
    take: str | os.PathLike[str] | np.ndarray,
    *,
    sr: int | None = None,
    instrument: Instrument | None = None,
    hand: Hand | None = None,
    drone: DroneChoice = "auto",
    pins: Mapping[int, tuple[int, int]] | None = None,
    requests: Sequence[Request | str] = (),
    bpm: float | None = None,
    meter: tuple[int, int] | None = None,
    first_beat_sec: float | None = None,
    keep_echo: bool | None = None,
    max_sec: float = 1800.0,
    progress: Progress | None = None,
) -> Riff:
    """Turn a recording into a riff document.

    Parameters
    ----------
    take : path or np.ndarray, shape (n,)
        A sound or video file, or mono samples in -1..1 (then ``sr`` is required).
    sr : int, optional
        Sample rate of ``take`` in hertz, for samples only.
    instrument : Instrument, optional
        Tuning, capo and neck; six strings in standard tuning by default. The tuning offset that
        is measured in the recording is added to it.
    hand, drone, pins, requests
        As for `finger`; ``pins`` name notes by their place in onset order, from 1.
    bpm, meter, first_beat_sec
        Taken as given instead of found.
    keep_echo : bool, optional
        Write the copies that an echo makes as notes; they are left out by default.
    max_sec : float
        Longer recordings are refused.
    progress : callable, optional
        Called with the stage and its share.

    Returns
    -------
    Riff
        Its ``warnings`` tell what is uncertain about the recording.

    Raises
    ------
    AudioError
        If the file holds no sound that can be read, is silent, or no note is heard in it.
    ParameterError
        If an argument is out of range.

    Examples
    --------
    Four notes that a string model plays:

    >>> from transcribe.sound import render_riff
    >>> line = [Note(k, 0.5 * k + 0.2, 0.5 * k + 0.6, p) for k, p in enumerate((50, 53, 55, 57))]
    >>> heard = transcribe(render_riff(Riff(notes=tuple(line))), sr=22050)
    >>> [note.pitch_midi for note in heard.notes]
    [50, 53, 55, 57]
    """
    heard = listen(
        take,
        sr=sr,
        instrument=instrument,
        keep_echo=bool(keep_echo),
        max_sec=max_sec,
        progress=progress,
    )
    riff = _with_grounds(
        heard.riff,
        guess_tuning=instrument is None,
        sound=heard.before_playing(),
        drone=drone,
        bpm=bpm,
        meter=meter,
        first_beat_sec=first_beat_sec,
        progress=progress,
    )
    return _fingered(riff, hand=hand, pins=pins, requests=requests, progress=progress)


@dataclasses.dataclass(frozen=True, eq=False)
class Heard:
    """What `listen` hears in a recording: a riff of notes alone, and the sound they are in.

    ``y`` (n,) at ``sr`` Hz may lie in a file; ``talk`` are the stretches (first and last second)
    in which somebody talks.
    """

    riff: Riff
    y: np.ndarray
    sr: int
    talk: tuple[tuple[float, float], ...] = ()

    def before_playing(self, start_sec: float = 0.0) -> tuple[np.ndarray, int]:
        """The sound from ``start_sec`` to the first note after it, without talk, and its rate.

        The beats are found in the playing alone, and nothing after its first note is listened to.
        """
        import numpy as np

        first_sec = next(n.onset_sec for n in self.riff.notes if n.onset_sec >= start_sec)
        begin = round(start_sec * self.sr)
        y = np.array(self.y[begin : max(begin, round(first_sec * self.sr))], np.float32)
        for first, last in self.talk:
            inside = [max(0, round(sec * self.sr) - begin) for sec in (first, last)]
            y[inside[0] : inside[1]] = 0.0
        return y, self.sr


def listen(
    take: str | os.PathLike[str] | np.ndarray,
    *,
    sr: int | None = None,
    instrument: Instrument | None = None,
    keep_echo: bool = False,
    max_sec: float = 1800.0,
    copy: Path | None = None,
    progress: Progress | None = None,
) -> Heard:
    """The notes of a recording in seconds, without beats, places or theory.

    ``copy`` names a file for its sound at its own rate, as 16-bit WAV. Other parameters, and the
    errors, are those of `transcribe`.
    """
    from transcribe import audio
    from transcribe.notes import SR, find_segments, find_tuned_notes

    guess_tuning = instrument is None
    instrument = instrument or Instrument()
    if isinstance(take, str | os.PathLike):
        recording = audio.read_audio(take, max_sec=max_sec, to_sr=SR, copy=copy, progress=progress)
        name: str = Path(take).name
        y, sr = recording.y, recording.sr
        source = Source(name, round(recording.duration_sec, 4), recording.sha256)
        warnings = list(recording.warnings)
    else:
        if sr is None:
            raise ParameterError("samples need their sample rate: pass sr=")
        name = "the samples"
        y = audio.check_samples(take, sr=sr)
        source = Source("", round(len(y) / sr, 4))
        warnings = []
    heard = find_tuned_notes(
        y,
        sr=sr,
        instrument=instrument,
        tuning_known=not guess_tuning,
        progress=progress,
        keep_echo=keep_echo,
    )
    notes = heard.notes
    instrument = dataclasses.replace(instrument, offset_cents=round(heard.offset_cents, 1))
    if heard.doubt is not None:
        warnings.append(heard.doubt)
    if heard.echo_sec is not None and not keep_echo:
        warnings.append(Remark("echo", {"delay_sec": round(heard.echo_sec, 3)}))
    if not notes:
        raise AudioError(
            f"{name}: no notes are heard in it; record closer to the guitar, without other sound, "
            "and check that the right file was given"
        )
    duration = source.duration_sec or len(y) / sr
    riff = Riff(
        instrument,
        notes,
        source,
        timing=Timing("heard"),
        player=PlayerSettings(keep_echo=keep_echo),
        warnings=tuple(warnings),
        segments=find_segments(notes, heard.talk, duration),
    )
    return Heard(riff, y, sr, heard.talk)


def finger(
    notes: Riff | Iterable[Note],
    *,
    instrument: Instrument | None = None,
    hand: Hand | None = None,
    drone: DroneChoice = "auto",
    pins: Mapping[int, tuple[int, int]] | None = None,
    requests: Sequence[Request | str] = (),
    anew: bool = False,
    bpm: float | None = None,
    meter: tuple[int, int] | None = None,
    first_beat_sec: float | None = None,
    progress: Progress | None = None,
) -> Riff:
    """Find where on the neck a hand plays given notes, and the theory of them.

    Parameters
    ----------
    notes : Riff or iterable of Note
        The places that a riff has from a file (``written_places``) and those of pinned notes are
        kept; all others are found. A riff that has a rhythm keeps it, except for ``bpm``, ``meter``
        and ``first_beat_sec`` where they are given; see `transcribe.correct.retime.retimed`.
    instrument : Instrument, optional
        The riff's own, or six strings in standard tuning, by default.
    hand : transcribe.fingering.Hand, optional
        A medium hand by default.
    drone : "auto", "off" or int
        Find the drone string, rule it out, or name it (from 1).
    pins : mapping of note id to (string, fret), optional
        Places that must be kept, besides the notes that are pinned already.
    requests : sequence of Request or str, optional
        What is asked of the fingering, such as ``"7th position in bars 3 to 4"``; see
        `transcribe.correct.requests`. What a riff was asked before stays.
    anew : bool
        Whether places from a file are found again, too.
    progress : callable, optional
        Called with the stage and its share, 0 to 1.

    Returns
    -------
    Riff
        With places, rhythm, theory and other fingerings. ``unmet`` names the notes without a place.

    Raises
    ------
    ParameterError
        If there are no notes, or a pin names no note or a place that does not sound its pitch.

    Examples
    --------
    >>> line = [Note(k, 0.5 * k, 0.5 * k + 0.4, p) for k, p in enumerate((50, 53, 55, 57))]
    >>> riff = finger(line, pins={3: (4, 7)}, requests=["along string 4"])
    >>> [(note.string, note.fret) for note in riff.notes]
    [(4, 0), (4, 3), (4, 5), (4, 7)]
    """
    riff = notes if isinstance(notes, Riff) else Riff(notes=sort_notes(list(notes)))
    if not riff.notes:
        raise ParameterError("there are no notes to finger")
    clock: dict[str, Any] = {"bpm": bpm, "meter": meter, "first_beat_sec": first_beat_sec}
    return _fingered(
        _on_grounds(riff, instrument, drone=drone, anew=anew, progress=progress, **clock),
        hand=hand,
        pins=pins,
        requests=requests,
        progress=progress,
    )


def _on_grounds(
    riff: Riff,
    instrument: Instrument | None = None,
    *,
    drone: DroneChoice = "auto",
    anew: bool = False,
    bpm: float | None = None,
    meter: tuple[int, int] | None = None,
    first_beat_sec: float | None = None,
    progress: Progress | None = None,
) -> Riff:
    """``riff`` as a file has it, with the tuning, rhythm and drone that its fingering is found on.

    The theory of a file that is not fingered is found on the same.
    """
    if riff.rhythm is None and riff.timing.kind == "order":
        from transcribe.rhythm.bar_lines import in_bars

        riff, bpm, meter, first_beat_sec = in_bars(riff, bpm, meter, first_beat_sec)
    if riff.rhythm is not None and (bpm, meter, first_beat_sec) != (None, None, None):
        from transcribe.correct import retime

        riff = retime.retimed(
            riff, bpm=bpm, meter=meter, first_beat_sec=first_beat_sec, progress=progress
        )
        left = retime.remaining_warnings(riff, bpm=bpm, meter=meter)
        riff = dataclasses.replace(riff, warnings=left)
    given = instrument is not None
    riff = _hold_written(riff, instrument or riff.instrument, anew)
    return _with_grounds(
        riff,
        guess_tuning=not given and riff.instrument == Instrument() and not riff.written_places,
        drone=drone,
        bpm=bpm,
        meter=meter,
        first_beat_sec=first_beat_sec,
        progress=progress,
    )


def _hold_written(riff: Riff, instrument: Instrument, anew: bool) -> Riff:
    """``riff`` on ``instrument``, with its notes pinned where its file has them, or let go.

    A riff that has been fingered or corrected since it was read keeps the pins that it has.
    """
    written = riff.written_places
    if anew:
        notes = tuple(
            dataclasses.replace(n, pinned=n.pinned and written.get(n.id) != (n.string, n.fret))
            for n in riff.notes
        )
        return dataclasses.replace(riff, instrument=instrument, notes=notes, written_places={})
    if not written or riff.history or any(note.pinned for note in riff.notes):
        return dataclasses.replace(riff, instrument=instrument)
    kept = {
        note.id: written[note.id]
        for note in riff.notes
        if note.id in written and written[note.id] in instrument.places(note.pitch_midi)
    }
    warnings = riff.warnings
    if len(kept) < len(written):
        name = (riff.source.file if riff.source else "") or "the file"
        facts = {"count": len(written) - len(kept), "of": len(written), "file": name}
        warnings = (*warnings, Remark("places-not-kept", facts))
    notes = tuple(
        dataclasses.replace(n, string=kept[n.id][0], fret=kept[n.id][1], pinned=True)
        if n.id in kept
        else n
        for n in riff.notes
    )
    return dataclasses.replace(
        riff, instrument=instrument, notes=notes, written_places=kept, warnings=warnings
    )


def compare(
    take: Riff | str | os.PathLike[str],
    reference: Riff | str | os.PathLike[str],
    *,
    sound: tuple[np.ndarray, int] | None = None,
    part: str | None = None,
    progress: Progress | None = None,
) -> Comparison:
    """Hold a take against a reference: a verdict per note and what to practise.

    Parameters
    ----------
    take : Riff or path
        A riff document, or a recording, which is transcribed for the reference's instrument.
    reference : Riff or path
        A riff, or a riff document, text tab, MusicXML or MIDI file; where its notes have no
        places on the neck they are fingered first.
    sound : (samples, sample rate), optional
        The recording behind a take that is given as a riff: it is listened to again where the
        reference expects a note that was not heard. A take that is a recording brings its own.
    part : str, optional
        Name or number of the part of a reference in MusicXML or MIDI.
    progress : callable, optional
        Called with the stage and its share, 0 to 1.

    Returns
    -------
    Comparison
        ``notes`` holds the verdicts of the best pass; `transcribe.takes.report` sets it as text, as
        a page or as JSON values.

    Raises
    ------
    FormatError
        If the reference is malformed.
    AudioError
        If the recording cannot be read or holds no notes.

    Examples
    --------
    A riff on string 4, and a take of it that is a fret too high on the third note:

    >>> from dataclasses import replace
    >>> frets = (7, 10, 12, 14, 12, 10)
    >>> notes = [
    ...     Note(k, 0.5 * k, 0.5 * k + 0.4, 50 + fret, string=4, fret=fret)
    ...     for k, fret in enumerate(frets)
    ... ]
    >>> played = [replace(note, pitch_midi=note.pitch_midi + (note.id == 2)) for note in notes]
    >>> comparison = compare(Riff(notes=tuple(played)), Riff(notes=tuple(notes)))
    >>> comparison.notes[2].verdict, comparison.notes[2].played
    ('wrong', Played(pitch_midi=63, string=4, fret=13))
    """
    from transcribe.formats import holds_notes, kind_of
    from transcribe.takes import compare as hold_against

    if not isinstance(reference, Riff):
        path = reference
        reference = describe(path, part=part)
        # It goes by the name of the file that was given, whatever that was made from.
        source = dataclasses.replace(reference.source or Source(""), file=Path(path).name)
        reference = dataclasses.replace(reference, source=source)
        # A riff document knows whether it has a drone; the other files have no word for it.
        if reference.drone is None and kind_of(path) != "riff":
            reference = dataclasses.replace(reference, drone=_written_drone(reference))
    reference = _as_reference(reference, progress)
    if not isinstance(take, Riff):
        if holds_notes(take):
            take = describe(take)
        else:
            from transcribe.audio import read_audio
            from transcribe.notes import SR

            path, recording = take, read_audio(take, to_sr=SR, progress=progress)
            return compare_recording(recording, Path(path).name, reference, progress=progress)
    return hold_against(take, reference, sound=sound, progress=progress)


def _as_reference(riff: Riff, progress: Progress | None) -> Riff:
    """``riff`` with bars, so that verdicts name them, and with places on the neck."""
    if riff.rhythm is None and riff.timing.bars_sec and riff.notes:
        from transcribe.rhythm.bar_lines import in_bars

        riff = in_bars(riff, None, None, None)[0]  # so that verdicts name the bar
    if any(note.string is None for note in riff.notes):
        riff = finger(riff, progress=progress)
    return riff


def compare_recording(
    recording: Recording, name: str, reference: Riff, *, progress: Progress | None = None
) -> Comparison:
    """Hold a recording called ``name`` against a riff, as `compare` does.

    Only what a comparison looks at is found of the take: its notes and its beats. The network
    listens once, for the notes and for what is asked of it again where a note is missing.
    """
    from transcribe.notes.network import kept_answers
    from transcribe.takes import compare as hold_against

    reference = _as_reference(reference, progress)
    instrument = dataclasses.replace(reference.instrument, offset_cents=0.0)
    sound = (recording.y, recording.sr)
    with kept_answers():
        heard = listen(sound[0], sr=sound[1], instrument=instrument, progress=progress)
        take = in_rhythm(heard.riff, sound=heard.before_playing(), progress=progress)
        source = Source(name, round(recording.duration_sec, 4), recording.sha256)
        take = dataclasses.replace(take, source=source)
        return hold_against(take, reference, sound=sound, progress=progress)


def _written_drone(riff: Riff, choice: DroneChoice = "auto") -> Drone | None:
    """The drone of notes that have their places: found from the notes, on the string they say."""
    from transcribe.fingering import find_drone

    drone = find_drone(
        riff.notes, riff.instrument, drone=choice, ends_known=riff.timing.lengths == "known"
    )
    if drone is None or choice != "auto":
        return drone
    open_pitch = riff.instrument.pitch_midi(drone.string, 0)
    strings = [note.string for note in riff.notes if note.pitch_midi == open_pitch]
    return drone if 2 * strings.count(drone.string) > len(strings) else None


def describe(
    path: str | os.PathLike[str],
    *,
    part: str | None = None,
    progress: Progress | None = None,
) -> Riff:
    """A riff from any file that holds one: notes are read, a recording is transcribed.

    ``part`` is the name or number of the part of a MusicXML or MIDI file.
    """
    from transcribe.formats import holds_notes, read_any

    if part is not None or holds_notes(path):
        return read_any(path, part=part)
    return transcribe(path, progress=progress)


def to_explain(
    path: str | os.PathLike[str],
    *,
    part: str | None = None,
    progress: Progress | None = None,
) -> Riff:
    """The riff of any file as its theory is found: a document as it stands, notes as for `finger`.

    ``part`` is as in `describe`.
    """
    from transcribe.formats import kind_of

    riff = describe(path, part=part, progress=progress)
    if kind_of(path) in (None, "riff") or not riff.notes:
        return riff
    return _on_grounds(riff, progress=progress)


def to_show(path: str | os.PathLike[str], *, part: str | None = None) -> Riff:
    """The riff of a file of notes as it is shown: in its bars, and fingered where it has no places.

    ``part`` is as in `transcribe.read_any`.
    """
    from transcribe.formats import read_any

    riff = read_any(path, part=part)
    if not riff.notes or all(note.string is None for note in riff.notes):
        return finger(riff) if riff.notes else riff
    if riff.rhythm is None and len(riff.timing.bars_sec) > 1:
        from transcribe.rhythm.bar_lines import in_bars

        riff = in_bars(riff, None, None, None)[0]
    return riff


def practice_sound(
    riff: Riff,
    *,
    play: Voice = "tab",
    speeds: Sequence[float] = (1.0,),
    times: int = 4,
    bars: tuple[int, int] | None = None,
    phrase: str | None = None,
    take: str | os.PathLike[str] | np.ndarray | None = None,
    sr: int = 44100,
    click: bool = True,
    count_in: bool = True,
    progress: Progress | None = None,
) -> PracticeSound:
    """Play a riff, or some bars of it, again and again at each of ``speeds``, to practise with.

    Parameters
    ----------
    riff : Riff
        With at least one note.
    play : "tab", "take", "drone" or "chords"
        The tab on synthesised strings; the recording that the riff came from, slowed down at its
        own pitch; or, to improvise over, the riff's drone (else the tonic of its mode with the
        fifth) or its chord loop.
    speeds : sequence of float
        Shares of the riff's tempo, 0.25 to 2, one after the other.
    times : int
        How often each speed goes through the part, 1 to 99.
    bars : (int, int), optional
        The first and the last bar to play, from 1; all by default. A pickup is bar 0.
    phrase : str, optional
        The label of a phrase to play, instead of ``bars``.
    take : path or np.ndarray, shape (n,), optional
        The recording that the riff came from, or mono samples of it at ``sr``, for ``play="take"``.
    sr : int
        Sample rate of the sound in hertz, 8000 to 192000.
    click, count_in : bool
        A click on every beat; a bar of clicks before each speed. Neither where no beats are known.
    progress : callable, optional
        Called with the stage and its share.

    Returns
    -------
    PracticeSound
        Samples ``y`` and the ``rounds`` in them. The samples stay below full scale, and whatever is
        played is about equally loud. Loud listening can harm hearing, on headphones most of all:
        begin quietly, take breaks, and ask a clinician if your ears ring.

    Raises
    ------
    AudioError
        If the recording cannot be read.
    ParameterError
        If there is nothing to play, or an argument is out of range.

    Examples
    --------
    >>> line = Riff(notes=(Note(1, 0.0, 0.5, 57, string=3, fret=2),))
    >>> made = practice_sound(line, speeds=(0.5, 1.0), times=2)
    >>> [(each.speed, round(each.end_sec - each.start_sec, 2)) for each in made.rounds]
    [(0.5, 1.0), (0.5, 1.0), (1.0, 0.5), (1.0, 0.5)]
    """
    from transcribe.sound.rounds import play_rounds

    if take is not None and play == "take" and isinstance(take, str | os.PathLike):
        from transcribe.audio import read_audio

        take = read_audio(take, to_sr=sr, progress=progress).y
    missing = {"drone": "mode", "chords": "loop"}.get(play)
    if missing and riff.notes and not (riff.theory or {}).get(missing):
        from transcribe.harmony import theory_report

        riff = dataclasses.replace(riff, theory=theory_report(riff).as_document())
    return play_rounds(
        riff,
        play=play,
        speeds=speeds,
        times=times,
        bars=bars,
        phrase=phrase,
        take=None if isinstance(take, str | os.PathLike) else take,
        sr=sr,
        click=click,
        count_in=count_in,
        progress=progress,
    )


def write_sound(sound: PracticeSound, path: str | os.PathLike[str]) -> None:
    """Write what `practice_sound` made to a WAV, FLAC, Ogg or MP3 file, by its suffix.

    Parameters
    ----------
    sound : PracticeSound
    path : path
        A file that is there is replaced, whole or not at all.

    Returns
    -------
    None

    Raises
    ------
    FormatError
        If the file cannot be written.
    ParameterError
        If the suffix is none of ``.wav``, ``.flac``, ``.ogg``, ``.mp3``.

    Examples
    --------
    >>> import tempfile
    >>> made = practice_sound(Riff(notes=(Note(1, 0.0, 0.5, 57, string=3, fret=2),)))
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_sound(made, Path(folder) / "line.flac")
    """
    from transcribe.core.files import write_atomically
    from transcribe.sound.encoding import sound_bytes

    path = Path(path)
    kind = path.suffix.lower().lstrip(".")
    write_atomically(path, sound_bytes(sound.y, sr=sound.sr, kind=kind))


def _with_grounds(
    riff: Riff,
    *,
    guess_tuning: bool = False,
    sound: tuple[np.ndarray, int] | None = None,
    drone: DroneChoice = "auto",
    bpm: float | None = None,
    meter: tuple[int, int] | None = None,
    first_beat_sec: float | None = None,
    progress: Progress | None = None,
) -> Riff:
    """``riff`` with its tuning, its rhythm, where it has none, and its drone found, in this order.

    These come before the fingering and the theory.
    """
    from transcribe import fingering

    if guess_tuning:
        riff = with_tuning_guess(riff)
    if riff.rhythm is None:
        riff = in_rhythm(
            riff,
            sound=sound,
            drone=drone,
            bpm=bpm,
            meter=meter,
            first_beat_sec=first_beat_sec,
            progress=progress,
        )
    has_places = all(note.id in riff.written_places for note in riff.notes)
    if has_places:
        found = _written_drone(riff, drone)
    else:
        found = fingering.find_drone(
            riff.notes, riff.instrument, drone=drone, ends_known=riff.timing.lengths == "known"
        )
    return dataclasses.replace(riff, drone=found)


def with_tuning_guess(riff: Riff) -> Riff:
    """``riff`` on the instrument that its notes suggest, with a remark, where they suggest one."""
    from transcribe import fingering

    guess = fingering.instrument_guess(riff.notes, riff.instrument.offset_cents, riff.instrument)
    if guess is None:
        return riff
    warnings = (*riff.warnings, guess.remark)
    return dataclasses.replace(riff, instrument=guess.instrument, warnings=warnings)


def work_out(
    riff: Riff,
    *,
    hand: Hand | None = None,
    drone: DroneChoice = "auto",
    progress: Progress | None = None,
) -> Riff:
    """``riff``, whose beats and instrument are known, with its drone, places and theory found."""
    riff = _with_grounds(riff, drone=drone, progress=progress)
    return _fingered(riff, hand=hand, progress=progress)


def _fingered(
    riff: Riff,
    *,
    hand: Hand | None = None,
    pins: Mapping[int, tuple[int, int]] | None = None,
    requests: Sequence[Request | str] = (),
    progress: Progress | None = None,
) -> Riff:
    """``riff``, which `_with_grounds` made, with its fingerings and its theory."""
    from transcribe import fingering
    from transcribe.correct.requests import request_of
    from transcribe.harmony import theory_report

    hand = hand or fingering.Hand()
    notes, instrument, rhythm = riff.notes, riff.instrument, riff.rhythm
    assert rhythm is not None
    if progress:
        progress("fingering", 0.0)
    held = dict(pins or {})
    for note in notes:
        if note.pinned and note.string is not None and note.fret is not None:
            held.setdefault(note.id, (note.string, note.fret))
    asked = tuple(request_of(riff, r) if isinstance(r, str) else r for r in requests)
    asked = (*riff.player.requests, *asked)
    options: dict[str, Any] = {
        "hand": hand,
        "drone": riff.drone,
        "pins": held,
        "phrases": rhythm.phrases,
        "rhythm": rhythm,
        "requests": asked,
    }
    solved = fingering.solve(notes, instrument, **options)
    others = fingering.alternatives(notes, instrument, **options)
    placed = tuple(
        dataclasses.replace(n, pinned=n.id in held and held[n.id] == (n.string, n.fret))
        for n in fingering.apply(notes, solved)
    )
    if progress:
        progress("theory", 0.0)
    player = dataclasses.replace(riff.player, requests=asked)
    if hand != fingering.Hand():
        player = dataclasses.replace(player, hand_span_mm=hand.span_mm)
    riff = dataclasses.replace(
        riff,
        notes=placed,
        drone=solved.drone,
        alternatives=tuple(others),
        player=player,
        unmet=fingering.unmet_remarks(notes, solved, instrument),
        cautions=solved.cautions,
    )
    return dataclasses.replace(riff, theory=theory_report(riff).as_document())


def in_rhythm(
    riff: Riff,
    *,
    sound: tuple[np.ndarray, int] | None = None,
    drone: DroneChoice = "auto",
    bpm: float | None = None,
    meter: tuple[int, int] | None = None,
    first_beat_sec: float | None = None,
    progress: Progress | None = None,
) -> Riff:
    """``riff`` with the beats of its notes found; ``sound`` is what is heard before the first."""
    from transcribe import fingering
    from transcribe.core.instrument import drone_pitches
    from transcribe.rhythm import find_rhythm

    y, sr = sound if sound is not None else (None, None)
    # Where no open string drones, a stopped note may still ring on under the rest: unless the
    # player rules a drone out, the rhythm looks for one by itself.
    ends_known = riff.timing.lengths == "known"
    known = fingering.find_drone(riff.notes, riff.instrument, drone=drone, ends_known=ends_known)
    ringing = None if known is None and drone != "off" else drone_pitches(known, riff.instrument)
    duration = riff.source.duration_sec if riff.source else None
    rhythm, notes = find_rhythm(
        riff.notes,
        duration_sec=duration or max(note.offset_sec for note in riff.notes),
        y=y,
        sr=sr,
        bpm=bpm or riff.player.bpm,
        meter=meter or riff.player.meter,
        first_beat_sec=first_beat_sec if first_beat_sec is not None else riff.player.first_beat_sec,
        drone_midi=ringing,
        ends_known=sound is None and riff.timing.kind == "heard",
        progress=progress,
    )
    timing = riff.timing
    if timing.kind == "written":
        timing = dataclasses.replace(timing, kind="heard")
    return dataclasses.replace(riff, notes=notes, rhythm=rhythm, timing=timing)
