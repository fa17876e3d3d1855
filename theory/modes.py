"""A mode as an answer: its tonic, its degrees as they were heard, and the reasons for it."""

from __future__ import annotations

from dataclasses import dataclass

from theory.scales import (
    MODES,
    degree_label,
    mode_shape,
    parent_of,
    parse_note,
    scale_notes,
    seven_note_shape,
    spell,
)

__all__ = ["Candidate", "Degree", "Mode", "WrittenMode", "mode_of"]


@dataclass(frozen=True, slots=True)
class Candidate:
    """A tonic and the ``name`` of a mode on it, with their probability, 0-1."""

    tonic: str
    name: str
    probability: float

    def __str__(self) -> str:
        return f"{self.tonic} {self.name}"


@dataclass(frozen=True, slots=True)
class Degree:
    """One degree as it was heard: its ``label`` against the major scale (``b3``) and its note.

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
class WrittenMode:
    """The ``tonic`` and the ``name`` of the mode that a file writes as its key.

    ``held`` says that it is the answer. If not, ``against`` is a note that sounds and is not in
    it, or empty where another note is home.
    """

    tonic: str
    name: str
    held: bool
    against: str = ""

    def __str__(self) -> str:
        return f"{self.tonic} {self.name}"


@dataclass(frozen=True, slots=True)
class Mode:
    """The mode of a riff: the tonic, and the ``name`` of the mode in `MODES`.

    ``parent`` is the scale whose notes it has (``G major``), ``evidence`` what speaks for the
    tonic, ``runners_up`` are the next likeliest. ``confidence`` is the probability of exactly this
    tonic and mode; ``posterior`` lists every candidate, likeliest first, and sums to 1. ``notes``
    are the notes of the mode from the tonic up; ``degrees`` are those heard (and the mode's own
    that were not). ``deciding`` lists the notes that rule out the nearest rivals, ``undecided``
    what never sounded and would decide; ``drone_midi`` the pitches that rang throughout.
    ``written`` is the mode that the file writes: where it is this one, it is the first of
    ``posterior`` and ``confidence`` is 1. ``candidates`` are the modes that hold what is heard,
    where that is too little to tell the mode: this one is no more than the likeliest then.
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
    drone_midi: tuple[int, ...] = ()
    written: WrittenMode | None = None
    candidates: tuple[str, ...] = ()

    @property
    def tonic_pc(self) -> int:
        """Pitch class of the tonic, 0 = C."""
        return parse_note(self.tonic)

    @property
    def pitch_classes(self) -> tuple[int, ...]:
        """Pitch classes of the mode from the tonic up."""
        return tuple((self.tonic_pc + s) % 12 for s in MODES[self.name].semitones)

    @property
    def full_name(self) -> str:
        """The mode itself, or the likeliest seven-note mode on the tonic of a shorter scale."""
        if len(MODES[self.name].semitones) == 7:
            return self.name
        shape = MODES[self.name]
        core = set(shape.semitones) - ({6} if self.name == "blues" else set())
        full = [c.name for c in self.posterior if c.tonic == self.tonic]
        holding = (name for name in full if core <= set(MODES[name].semitones))
        return next(
            (name for name in holding if len(MODES[name].semitones) == 7),
            seven_note_shape(shape).name,
        )

    def spell(self, pitch: int, *, rising: bool = False) -> str:
        """Name of a pitch (class) in this mode."""
        return spell(pitch % 12, self.tonic, self.name, rising=rising)

    def degree(self, pitch: int) -> str:
        """Degree of a pitch (class) in this mode, such as ``b7``."""
        return degree_label((pitch - self.tonic_pc) % 12, self.name)

    def __str__(self) -> str:
        return f"{self.tonic} {self.name}"


def mode_of(tonic: str, name: str) -> Mode:
    """A mode that is known beforehand, with confidence 1.

    Parameters
    ----------
    tonic : str
        A note name such as ``F#``.
    name : str
        One of `MODES`; ``major`` and ``minor`` are taken for ionian and aeolian.

    Returns
    -------
    Mode
        Without degrees and reasons, for nothing was heard.

    Raises
    ------
    TheoryError
        If the tonic is not a note name or there is no such mode.

    Examples
    --------
    >>> mode_of("A", "dorian").notes
    ('A', 'B', 'C', 'D', 'E', 'F#', 'G')
    """
    shape = mode_shape(name)
    parse_note(tonic)
    tonic = tonic[0].upper() + tonic[1:]
    return Mode(
        tonic, shape.name, 1.0, parent_of(tonic, shape.name), scale_notes(tonic, shape.name)
    )
