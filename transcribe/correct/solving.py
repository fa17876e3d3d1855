"""The fingering, the other fingerings and the theory of a corrected riff, found again."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping

from transcribe.core.riff import Riff
from transcribe.fingering import alternatives, hand_of, pins_of
from transcribe.fingering.solver import Fingering, apply, solve, unmet_remarks
from transcribe.harmony import with_theory

__all__ = ["find_again", "solve_again"]


def solve_again(
    riff: Riff, *, pins: Mapping[int, tuple[int, int]] | None = None
) -> tuple[Riff, Fingering]:
    """``riff`` solved around ``pins``, and what the solver found.

    Parameters
    ----------
    pins : mapping of note id to (string, fret), optional
        Those of the document where left out. A pin that cannot be kept is let go, and the
        document's ``unmet`` says so.
    """
    held = pins_of(riff) if pins is None else dict(pins)
    fingering = solve(
        riff.notes,
        riff.instrument,
        hand=hand_of(riff),
        drone=riff.drone,
        pins=held,
        rhythm=riff.rhythm,
        requests=riff.player.requests,
    )
    failed = {unmet.note_id for unmet in fingering.unmet}
    pinned = held.keys() - failed
    notes = tuple(
        note
        if note.pinned == (note.id in pinned)
        else dataclasses.replace(note, pinned=not note.pinned)
        for note in apply(riff.notes, fingering)
    )
    solved = dataclasses.replace(
        riff,
        notes=notes,
        unmet=unmet_remarks(notes, fingering, riff.instrument),
        cautions=fingering.cautions,
    )
    return solved, fingering


def find_again(old: Riff, changed: Riff, *, others: bool = False) -> Riff:
    """``changed`` solved around its pins, and its theory where it may differ from that of ``old``.

    With ``others`` the other ways to finger it are found again, too.
    """
    new, _ = solve_again(changed)
    if others:
        found = alternatives(
            new.notes,
            new.instrument,
            hand=hand_of(new),
            drone=new.drone,
            pins=pins_of(new),
            rhythm=new.rhythm,
            requests=new.player.requests,
        )
        new = dataclasses.replace(new, alternatives=found)
    return with_theory(old, new)
