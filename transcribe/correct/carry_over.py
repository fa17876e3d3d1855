"""What the player corrected, carried over to a new transcription of the same recording.

The command and the page both come here: first `settings_to_keep` for the transcription, then
`carry_over` for its notes.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from typing import Any

from transcribe.core.riff import Note, Riff
from transcribe.correct.history import steps
from transcribe.correct.pins import places_as_written
from transcribe.correct.retune import kept_places
from transcribe.correct.solving import find_again
from transcribe.fingering import pins_of

__all__ = ["CarriedOver", "carry_over", "settings_to_keep"]

_SAME_ONSET_SEC = 0.05  # as near as a note of a second transcription begins; mir_eval's own window
_RHYTHM = ("bpm", "meter", "first_beat_sec")
_NOTE_EDITS = ("delete", "add", "change", "merge", "split")


@dataclasses.dataclass(frozen=True, slots=True)
class CarriedOver:
    """A new transcription with the player's pins, and what could not be carried over.

    ``pins`` counts the pins that hold on the new notes, ``lost`` those whose note was not found
    again or that can not be kept beside the others, and ``edits`` the changes of notes that were
    made by hand and are not made again.
    """

    riff: Riff
    pins: int = 0
    lost: int = 0
    edits: int = 0


def settings_to_keep(old: Riff, sha256: str | None, asked: Mapping[str, Any]) -> dict[str, Any]:
    """What the player corrected of tempo, tuning and drone, unless it is asked for anew.

    Parameters
    ----------
    old : Riff
        The document that the new transcription takes the place of.
    sha256 : str or None
        Digest of the recording. Nothing is kept where ``old`` was made from another one.
    asked : mapping
        Arguments of `transcribe.transcribe` that are asked for now; None and a drone of ``auto``
        ask for nothing.

    Returns
    -------
    dict
        Arguments of `transcribe.transcribe` to use: ``bpm``, ``meter`` and ``first_beat_sec``,
        ``instrument``, ``drone``, those that were corrected.
    """
    if old.source is None or sha256 is None or old.source.sha256 != sha256:
        return {}
    player = old.player
    kept: dict[str, Any] = {}
    if all(asked.get(key) is None for key in _RHYTHM):
        kept |= {key: getattr(player, key) for key in _RHYTHM}
    if player.instrument_told and asked.get("instrument") is None:
        kept["instrument"] = old.instrument
    if asked.get("drone", "auto") == "auto":
        kept["drone"] = player.drone
    return {key: value for key, value in kept.items() if value is not None}


def carry_over(old: Riff, new: Riff, kept: Mapping[str, Any] | None = None) -> CarriedOver:
    """``new`` with the settings ``kept`` and the pins of ``old``, solved once around them.

    A pin is carried over to the nearest new note of its pitch that begins within 50 ms, on the
    string that it had. Places that only stand in the file that ``old`` came from are not the player's pins.
    """
    told = {key: value for key, value in (kept or {}).items() if key != "instrument"}
    if kept:
        told["instrument_told"] = "instrument" in kept
        new = dataclasses.replace(new, player=dataclasses.replace(new.player, **told))
    done, _ = steps(old)
    edits = sum(step.kind in _NOTE_EDITS for step in done)
    by_hand = {i for step in done if step.kind == "pin" for i in step.notes}
    free = set(places_as_written(old)) - by_hand
    pinned = [note for note in old.notes if note.id in pins_of(old) and note.id not in free]
    if not pinned:
        return CarriedOver(new, edits=edits)
    held = _matched(pinned, new)
    notes = tuple(held.get(note.id, note) for note in new.notes)
    solved = find_again(new, dataclasses.replace(new, notes=notes), others=True)
    kept_ids = pins_of(solved).keys() & held.keys()
    return CarriedOver(solved, len(kept_ids), len(pinned) - len(kept_ids), edits)


def _matched(pinned: Sequence[Note], new: Riff) -> dict[int, Note]:
    """The new notes, by id, that a pin fits, each pinned on its string."""
    left = list(new.notes)
    held: dict[int, Note] = {}
    for pin in kept_places(pinned, new.instrument):
        if pin.string is None:
            continue
        near = [
            note
            for note in left
            if note.pitch_midi == pin.pitch_midi
            and abs(note.onset_sec - pin.onset_sec) <= _SAME_ONSET_SEC
        ]
        if near:
            match = min(near, key=lambda note: abs(note.onset_sec - pin.onset_sec))
            left.remove(match)
            held[match.id] = dataclasses.replace(
                match, string=pin.string, fret=pin.fret, pinned=True
            )
    return held
