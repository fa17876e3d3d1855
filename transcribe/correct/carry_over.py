"""What a new reading of a take keeps of the corrections that its riff has had.

The command and the page both read takes again. What the player has said of the whole riff (tempo,
meter, bar 1, drone, tuning and capo) goes into the new reading, as long as it is the same
recording; pins go to the new notes that they fit.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping
from typing import Any

from transcribe.core.riff import Note, Riff
from transcribe.core.strokes import STROKE_SEC
from transcribe.correct.history import steps
from transcribe.correct.pins import places_as_written
from transcribe.correct.solving import find_again

__all__ = ["carry_pins", "kept_settings", "with_pins", "with_settings"]


Place = tuple[int, int]


def kept_settings(old: Riff, sha256: str | None, given: Mapping[str, Any]) -> dict[str, Any]:
    """What was said of a riff before that holds for reading its take again.

    Parameters
    ----------
    old : Riff
        The riff that was made from the take.
    sha256 : str or None
        The digest of the recording that is read now; of another recording nothing is kept.
    given : mapping
        What is said now, as keyword arguments of `transcribe.transcribe`: ``bpm``, ``meter``,
        ``first_beat_sec``, ``instrument``, ``drone``, ``requests`` and ``keep_echo``; missing,
        None and ``auto`` say nothing.

    Returns
    -------
    dict
        Keyword arguments of `transcribe.transcribe`, none of which is in ``given``. A word on
        tempo, meter or bar 1 takes the place of all that was said of the rhythm.
    """
    if old.source is None or old.source.sha256 is None or old.source.sha256 != sha256:
        return {}
    before = old.player
    kept: dict[str, Any] = {}
    rhythm = ("bpm", "meter", "first_beat_sec")
    if all(given.get(key) is None for key in rhythm):
        kept = {key: getattr(before, key) for key in rhythm if getattr(before, key) is not None}
    if before.instrument_given and given.get("instrument") is None:
        kept["instrument"] = dataclasses.replace(old.instrument, offset_cents=0.0)
    if before.drone is not None and given.get("drone", "auto") == "auto":
        kept["drone"] = before.drone
    # What was asked of some notes, or taken, is of notes that may be others now.
    asked = tuple(r for r in before.requests if r.notes is None and r.kind != "taken")
    if asked and not given.get("requests"):
        kept["requests"] = asked
    if before.keep_echo and given.get("keep_echo") is None:
        kept["keep_echo"] = True
    return kept


def with_settings(riff: Riff, kept: Mapping[str, Any]) -> Riff:
    """``riff`` that notes which of the player's words it was read by, for the next reading."""
    settings = {key: value for key, value in kept.items() if key != "instrument"}
    player = dataclasses.replace(
        riff.player,
        **settings,
        instrument_given=riff.player.instrument_given or "instrument" in kept,
    )
    return dataclasses.replace(riff, player=player)


def carry_pins(old: Riff, notes: Iterable[Note]) -> tuple[dict[int, Place], tuple[Note, ...]]:
    """The pins of an older document that fit new notes.

    A pin fits the nearest new note of the same pitch whose onset lies within 50 ms. The places
    that a file of notes came with are no pins here.

    Returns
    -------
    pins : dict
        New note id -> (string, fret).
    lost : tuple of Note
        Pinned notes of ``old`` that no new note matches.
    """
    mine = {i for step in steps(old)[0] if step.kind == "pin" for i in step.notes}
    not_mine = set(places_as_written(old)) - mine
    free = list(notes)
    pins: dict[int, Place] = {}
    lost: list[Note] = []
    for pinned in old.notes:
        if not pinned.pinned or pinned.id in not_mine:
            continue
        if pinned.string is None or pinned.fret is None:
            continue
        near = [
            note
            for note in free
            if note.pitch_midi == pinned.pitch_midi
            and abs(note.onset_sec - pinned.onset_sec) <= STROKE_SEC
        ]
        if not near:
            lost.append(pinned)
            continue
        match = min(near, key=lambda note: abs(note.onset_sec - pinned.onset_sec))
        free.remove(match)
        pins[match.id] = (pinned.string, pinned.fret)
    return pins, tuple(lost)


def with_pins(riff: Riff, pins: Mapping[int, Place]) -> Riff:
    """``riff`` fingered once around ``pins``; of two that clash the one that fits worse is let go.

    A pin whose string lacks its fret on the riff's instrument is left out.
    """
    fitting = {
        note.id: dataclasses.replace(
            note, string=pins[note.id][0], fret=pins[note.id][1], pinned=True
        )
        for note in riff.notes
        if note.id in pins and pins[note.id] in riff.instrument.places(note.pitch_midi)
    }
    if not fitting:
        return riff
    notes = tuple(fitting.get(note.id, note) for note in riff.notes)
    return find_again(riff, dataclasses.replace(riff, notes=notes), others=True)
