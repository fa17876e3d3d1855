"""Another reading of the rhythm of a riff that is there already: half time, double time, or given.

A tempo that is felt twice as fast or half as fast as it was guessed is one step away: the beats,
bars, note values and phrases are found again from the notes at that tempo, without the recording,
the fingering is solved again around the pins, and the theory follows. The step is one entry of the
document's history, ``{"op": "edit", "kind", "group", "removed": [], "added": [], "given", "was",
"now"}``, where ``given`` holds what the player said of the rhythm, and ``was`` and ``now`` what it
changed: ``rhythm``, ``beats`` (note id -> onset and duration) and ``theory``.
`transcribe.edits.undo` and ``redo`` take it back and make it again.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from typing import Any

from transcribe.errors import ParameterError
from transcribe.fingering import resolve
from transcribe.formats.document import from_json, to_json
from transcribe.history import next_group, stacks
from transcribe.riff import Rhythm, Riff

__all__ = ["double_time", "given_time", "half_time", "other_time", "retime", "set_time"]

_SLOWEST, _FASTEST = 20.0, 600.0
_LIKELY = 0.2  # from this share on, half or double the tempo is worth a word
_NEAR = 0.06  # of a tempo: the same one


def half_time(
    riff: Riff,
    *,
    meter: tuple[int, int] | None = None,
    progress: Callable[[str, float], None] | None = None,
) -> Riff:
    """``riff`` with beats twice as long: half as many in a minute, eighths become sixteenths.

    The meter is chosen again where it was a guess (six eighths counted too fast are three
    quarters), and stays where it was given; ``meter`` says it.

    Raises
    ------
    ParameterError
        If the riff has no rhythm, or the tempo would leave the range of 20 to 600.
    """
    return _scaled(riff, 0.5, "half time", meter, progress)


def double_time(
    riff: Riff,
    *,
    meter: tuple[int, int] | None = None,
    progress: Callable[[str, float], None] | None = None,
) -> Riff:
    """``riff`` with beats half as long: twice as many in a minute, eighths become quarters.

    See `half_time` for the meter and the errors.
    """
    return _scaled(riff, 2.0, "double time", meter, progress)


def retime(
    riff: Riff,
    *,
    bpm: float | None = None,
    meter: tuple[int, int] | None = None,
    first_beat_sec: float | None = None,
    kind: str = "rhythm",
    progress: Callable[[str, float], None] | None = None,
) -> Riff:
    """``riff`` with its rhythm found again from its notes, with what is known of it given.

    Parameters
    ----------
    bpm : float, optional
        Beats (units of the meter's denominator) in a minute; found again where left out.
    meter : (int, int), optional
        Found again where it was a guess and is left out.
    first_beat_sec : float, optional
        Where bar 1 begins, in seconds.
    kind : str
        What the history calls the step.

    Raises
    ------
    ParameterError
        If the riff has no notes, or an argument is out of range.
    """
    from transcribe.rhythm import find_rhythm

    if not riff.notes:
        raise ParameterError("there are no notes to find a rhythm in")
    given = {"bpm": bpm, "meter": meter and list(meter), "first_beat_sec": first_beat_sec}
    old = riff.rhythm
    if meter is None and old is not None and _is_given(old):
        meter = old.meter
        if first_beat_sec is None and old.downbeats_sec and not _is_found(old):
            first_beat_sec = old.downbeats_sec[0]
    end = max(note.offset_sec for note in riff.notes)
    told = riff.source.duration_sec if riff.source else None
    rhythm, notes = find_rhythm(
        riff.notes,
        duration_sec=max(end, told or 0.0),
        bpm=bpm,
        meter=meter,
        first_beat_sec=first_beat_sec,
        drone=riff.drone,
        progress=progress,
    )
    if old is not None:
        extra = {**old.extra, **rhythm.extra}
        # Taps before the music are heard in the recording, which is not listened to here.
        extra["count_in_sec"] = rhythm.extra.get("count_in_sec") or old.extra.get(
            "count_in_sec", []
        )
        rhythm = dataclasses.replace(rhythm, extra=extra)
    new, _ = resolve(dataclasses.replace(riff, rhythm=rhythm, notes=notes))
    if riff.theory is not None:
        from transcribe.pipeline import theory_report

        new = dataclasses.replace(new, theory=theory_report(new).as_document())
    entry = {
        "op": "edit",
        "kind": kind,
        "group": next_group(riff),
        "removed": [],
        "added": [],
        "given": {key: value for key, value in given.items() if value is not None},
        "was": _time_of(riff),
        "now": _time_of(new),
    }
    return dataclasses.replace(new, history=(*riff.history, entry))


def given_time(riff: Riff) -> dict[str, Any]:
    """What the player has said of the rhythm, as arguments of `retime`: the steps that hold."""
    given: dict[str, Any] = {}
    for group in stacks(riff)[0]:
        for entry in group:
            given |= entry.get("given") or {}
    if "meter" in given:
        given["meter"] = tuple(given["meter"])
    return given


def other_time(rhythm: Rhythm) -> tuple[str, float, tuple[int, int], float] | None:
    """Half or double time where that was nearly as likely as the tempo that was found.

    Returns
    -------
    (str, float, (int, int), float) or None
        ``half time`` or ``double time``, its beats a minute, its meter, and its confidence, 0 to 1.
    """
    choices = rhythm.extra.get("bpm_choices")
    found: list[tuple[float, str, float, tuple[int, int]]] = []
    for choice in choices[1:] if isinstance(choices, list | tuple) else ():
        for kind, factor in (("half time", 0.5), ("double time", 2.0)):
            bpm, share = factor * rhythm.bpm, float(choice["confidence"])
            if abs(choice["bpm"] / bpm - 1) <= _NEAR and share >= _LIKELY:
                upper, lower = choice.get("meter") or rhythm.meter
                found.append((share, kind, bpm, (int(upper), int(lower))))
    if not found:
        return None
    share, kind, bpm, meter = max(found)
    return kind, bpm, meter, share


def set_time(riff: Riff, time: Mapping[str, Any]) -> Riff:
    """``riff`` with the rhythm, score times and theory that an entry's ``was`` or ``now`` holds.

    The fingering is left as it is.
    """
    frame = to_json(Riff(instrument=riff.instrument)) | {"rhythm": time["rhythm"]}
    beats = time["beats"]
    notes = tuple(
        dataclasses.replace(note, onset_beat=pair[0], duration_beat=pair[1])
        if (pair := beats.get(str(note.id))) is not None
        else note
        for note in riff.notes
    )
    return dataclasses.replace(
        riff, rhythm=from_json(frame).rhythm, notes=notes, theory=time["theory"]
    )


def _scaled(
    riff: Riff,
    factor: float,
    kind: str,
    meter: tuple[int, int] | None,
    progress: Callable[[str, float], None] | None,
) -> Riff:
    if riff.rhythm is None:
        raise ParameterError("this riff has no beats yet, so there is no tempo to change")
    bpm = factor * riff.rhythm.bpm
    if not _SLOWEST <= bpm <= _FASTEST:
        raise ParameterError(
            f"{kind} of {riff.rhythm.bpm:.0f} beats a minute would be {bpm:.0f}, outside "
            f"{_SLOWEST:.0f} to {_FASTEST:.0f}"
        )
    return retime(riff, bpm=bpm, meter=meter, kind=kind, progress=progress)


def _is_found(rhythm: Rhythm) -> bool:
    """Whether the rhythm was found by listening, and not read from a score."""
    return "meter_choices" in rhythm.extra


def _is_given(rhythm: Rhythm) -> bool:
    """Whether the meter comes from a score or from the player: then there was no choice."""
    choices = rhythm.extra.get("meter_choices")
    return not isinstance(choices, list | tuple) or len(choices) < 2


def _time_of(riff: Riff) -> dict[str, Any]:
    return {
        "rhythm": to_json(Riff(rhythm=riff.rhythm))["rhythm"],
        "beats": {str(note.id): [note.onset_beat, note.duration_beat] for note in riff.notes},
        "theory": riff.theory,
    }
