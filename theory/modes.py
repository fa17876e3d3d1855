"""Which mode a riff is in, and how sure that is.

Conventions: times in seconds, pitch in MIDI numbers (60 = C4), one entry per note. The answer
is a posterior over every tonic and mode of `theory.scales.MODES`, read off a log-linear model of
the evidence (`theory.evidence`, weights in `theory.weights`).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from theory.arrays import FloatArray, Notes, as_beats, as_notes
from theory.errors import TheoryError
from theory.evidence import FEATURES, candidates, features
from theory.pedals import pedals
from theory.scales import (
    MODES,
    degree_label,
    mode_shape,
    parent_of,
    parse_note,
    scale_notes,
    spell,
    tonic_name,
)
from theory.weights import WEIGHTS

__all__ = ["Candidate", "Degree", "Mode", "find_mode", "mode_of"]

_FEW = 3  # different notes; of fewer, one is taken for the tonic


@dataclass(frozen=True, slots=True)
class Candidate:
    """One tonic and mode with its probability."""

    tonic: str
    name: str
    probability: float

    def __str__(self) -> str:
        return f"{self.tonic} {self.name}"


@dataclass(frozen=True, slots=True)
class Degree:
    """One degree as it was heard.

    ``share`` is its part of the sounding time (0-1, the drone left out), ``count`` how many
    notes. ``role`` is ``tonic``, ``scale``, ``passing`` (foreign, between two neighbours a step
    away), ``neighbour`` (foreign, leaves a note and returns to it) or ``chromatic``; a degree of
    the mode that never sounds has count 0.
    """

    label: str
    note: str
    count: int
    share: float
    role: str


@dataclass(frozen=True, slots=True)
class Mode:
    """The mode of a riff.

    ``confidence`` is the probability of exactly this tonic and mode; ``posterior`` lists every
    candidate, likeliest first, and sums to 1. ``notes`` are the notes of the mode from the tonic
    up; ``degrees`` are those heard (and the mode's own that were not). ``deciding`` lists the
    notes that rule out the nearest rivals, ``undecided`` what never sounded and would decide.
    """

    tonic: str
    name: str
    confidence: float
    parent: str
    notes: tuple[str, ...]
    degrees: tuple[Degree, ...] = ()
    deciding: tuple[str, ...] = ()
    undecided: tuple[str, ...] = ()
    evidence: tuple[str, ...] = ()
    runners_up: tuple[Candidate, ...] = ()
    posterior: tuple[Candidate, ...] = ()

    @property
    def tonic_pc(self) -> int:
        """Pitch class of the tonic, 0 = C."""
        return parse_note(self.tonic)

    @property
    def pitch_classes(self) -> tuple[int, ...]:
        """Pitch classes of the mode from the tonic up."""
        return tuple((self.tonic_pc + s) % 12 for s in MODES[self.name].semitones)

    def spell(self, pitch: int, *, rising: bool = False) -> str:
        """Name of a pitch (class) in this mode."""
        return spell(pitch % 12, self.tonic, self.name, rising=rising)

    def degree(self, pitch: int, *, rising: bool = False) -> str:
        """Degree of a pitch (class) in this mode, such as ``b7``."""
        return degree_label((pitch - self.tonic_pc) % 12, self.name, rising=rising)

    def __str__(self) -> str:
        return f"{self.tonic} {self.name}"


def mode_of(tonic: str, name: str) -> Mode:
    """A mode that is known beforehand, such as ``mode_of("A", "dorian")``, with confidence 1.

    Raises
    ------
    TheoryError
        If the tonic is not a note name or there is no such mode.
    """
    shape = mode_shape(name)
    parse_note(tonic)
    tonic = tonic[0].upper() + tonic[1:]
    return Mode(
        tonic, shape.name, 1.0, parent_of(tonic, shape.name), scale_notes(tonic, shape.name)
    )


def find_mode(
    *,
    onset_sec: Iterable[float],
    duration_sec: Iterable[float],
    pitch_midi: Iterable[float],
    drone_midi: Iterable[int] | int | None = None,
    downbeats_sec: Iterable[float] | None = None,
    confidence: Iterable[float] | None = None,
    flats: bool = False,
) -> Mode:
    """Tonic and mode of a riff with the reasons for them.

    Parameters
    ----------
    onset_sec, duration_sec, pitch_midi : shape (n,), n >= 1
        The notes; the drone's notes may be among them.
    drone_midi : int or list of int, optional
        Pitch of the open string or strings that ring throughout. Else a low note that comes
        back throughout under a line (`theory.pedals.pedals`).
    downbeats_sec : shape (m,), optional
        First beats of the bars.
    confidence : shape (n,), 0-1, optional
        How far each note is to be believed.
    flats : bool
        Name black keys by their flats, as players of an instrument tuned down half a step do.

    Raises
    ------
    TheoryError
        If there is no note, or the arrays are malformed.
    """
    notes = as_notes(onset_sec, duration_sec, pitch_midi, confidence)
    if len(notes) == 0:
        raise TheoryError("there are no notes to find a mode in; give at least one")
    drones = _drones(drone_midi) or pedals(notes)
    downbeats = as_beats(downbeats_sec, "downbeats_sec")
    probability = posterior(notes, drones=drones, downbeats=downbeats)
    order = np.argsort(-probability, kind="stable")
    pairs = candidates()
    tonic, name = pairs[order[0]]
    home = tonic_name(tonic, name, flats=flats)
    # Its rivals are named as in its own key: Eb phrygian, not D# phrygian, beside Eb aeolian.
    ranked = tuple(
        Candidate(
            _rival_name(pairs[i], (home, name), flats=flats), pairs[i][1], float(probability[i])
        )
        for i in order
    )
    best = ranked[0]
    from theory.reasons import describe

    return describe(best, ranked, notes, drones=drones, downbeats=downbeats)


def _rival_name(rival: tuple[int, str], key: tuple[str, str], *, flats: bool) -> str:
    """Name of a rival's tonic in the key of another mode, where the key has that note."""
    tonic, name = rival
    step = (tonic - parse_note(key[0])) % 12
    if step in MODES[key[1]].semitones:
        own = spell(tonic, *key)
        odd = own in ("E#", "B#", "Cb", "Fb") or len(own) > 2
        if not odd and not any(len(note) > 3 for note in scale_notes(own, name)):
            return own
    return tonic_name(tonic, name, flats=flats or "b" in "".join(scale_notes(*key)))


def _drones(drone_midi: Iterable[int] | int | None) -> tuple[int, ...]:
    if drone_midi is None:
        return ()
    values = (drone_midi,) if isinstance(drone_midi, int | np.integer) else tuple(drone_midi)
    for value in values:
        if not 0 <= value <= 127:
            raise TheoryError(f"drone_midi is {value}; MIDI numbers run from 0 to 127")
    return tuple(int(v) for v in values)


def posterior(
    notes: Notes, *, drones: tuple[int, ...] = (), downbeats: FloatArray | None = None
) -> FloatArray:
    """Probability of every candidate of `theory.evidence.candidates`; shape ``(candidates,)``.

    Where only one or two different notes sound, home is one of them.
    """
    columns = features(notes, drones=drones, downbeats=downbeats)
    score = columns @ np.array([WEIGHTS[name] for name in FEATURES])
    heard = {int(p) % 12 for p in (*notes.pitch, *drones)}
    if len(heard) < _FEW:
        score[[tonic not in heard for tonic, _ in candidates()]] = -np.inf
    score -= score.max()
    likely = np.exp(score)
    return np.asarray(likely / likely.sum(), dtype=np.float64)
