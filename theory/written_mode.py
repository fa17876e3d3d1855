"""The mode that a file writes as its key: it settles what the notes leave undecided."""

from __future__ import annotations

from collections.abc import Set

from theory.modes import Candidate, WrittenMode
from theory.scales import MODES, mode_shape, parse_note, spell

__all__ = ["with_written_mode"]

_MIN_HOME = 0.15  # probability of a tonic from which a written mode on it is taken; by hand
_SIGNED_ALIKE = {
    "aeolian": ("harmonic minor", "melodic minor", "blues", "minor pentatonic"),
    "ionian": ("major pentatonic",),
}
# Modes that are written with the key of another one; common practice, no source.


def with_written_mode(
    ranked: tuple[Candidate, ...], written: tuple[str, str], heard: Set[int]
) -> tuple[tuple[Candidate, ...], WrittenMode | None]:
    """The candidates with the written mode first, where the notes leave room for it.

    Parameters
    ----------
    ranked : tuple of Candidate
        What the notes suggest, likeliest first.
    written : (tonic, name of the mode)
    heard : set of int
        Pitch classes that sound.

    Returns
    -------
    tuple
        The candidates, and what became of the written mode. None where the mode found is one that
        is written with the same key, as a harmonic minor is.

    Raises
    ------
    TheoryError
        If the tonic is no note name or there is no such mode.

    Examples
    --------
    >>> ranked = (Candidate("A", "aeolian", 0.6), Candidate("A", "dorian", 0.4))
    >>> with_written_mode(ranked, ("A", "dorian"), {9, 0, 4})[1].held
    True
    >>> with_written_mode(ranked, ("A", "dorian"), {9, 0, 4, 5})[1].against
    'F'
    """
    tonic, name = written[0].strip().capitalize(), mode_shape(written[1]).name
    home, best = parse_note(tonic), ranked[0]
    same_home = parse_note(best.tonic) == home
    if same_home and best.name in _SIGNED_ALIKE.get(name, ()):
        return ranked, None
    against = sorted((heard & _classes(best.tonic, best.name)) - _classes(tonic, name))
    if against:
        note = spell(against[0], best.tonic, best.name)
        return ranked, WrittenMode(tonic, name, held=False, against=note)
    on_home = [c for c in ranked if parse_note(c.tonic) == home]
    if not same_home and sum(c.probability for c in on_home) < _MIN_HOME:
        return ranked, WrittenMode(tonic, name, held=False)
    own = next(c for c in on_home if c.name == name)
    first = Candidate(tonic, name, own.probability)
    return (first, *(c for c in ranked if c is not own)), WrittenMode(tonic, name, held=True)


def _classes(tonic: str, name: str) -> set[int]:
    return {(parse_note(tonic) + step) % 12 for step in MODES[name].semitones}
