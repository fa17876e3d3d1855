"""The riff document as frozen dataclasses: every fact that the program knows has a typed field.

Conventions: string 1 is the highest-sounding string; fret 0 is open and, with a capo, frets are
counted from the capo; times in seconds (``_sec``); score times in beats (``_beat``), where one
beat is one unit of the meter's denominator (an eighth note in 6/8) and beat 0 is the first
downbeat, so that notes of a pickup have negative beats; pitch in MIDI numbers (69 = A4 = 440 Hz).

Nothing here reads files or computes music. `transcribe.formats.document` turns a `Riff` into JSON
and back: a field of these types is a key of the same name there. ``extra`` holds the keys that
this version does not know, as plain JSON values, so that they survive a read and a write; no key
that the program itself sets or reads is ever in it. Two objects are equal only if their ``extra``
is, but it takes no part in their hash, because JSON values have none.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, Literal

__all__ = [
    "ARTICULATIONS",
    "LEGATO",
    "MARKS",
    "REQUESTS",
    "Alternative",
    "Bend",
    "Change",
    "Drone",
    "FileForm",
    "Instrument",
    "KeyMode",
    "Mark",
    "MeterChoice",
    "Note",
    "Phrase",
    "PhraseDifference",
    "PlayerSettings",
    "Remark",
    "Request",
    "Rhythm",
    "Riff",
    "Segment",
    "Source",
    "Step",
    "Swing",
    "TempoChoice",
    "Timing",
    "WrittenKey",
    "legato_sources",
    "places_of",
    "sort_notes",
]

ARTICULATIONS = (
    "picked",
    "hammer-on",
    "pull-off",
    "slide",
    "bend",
    "vibrato",
    "harmonic",
    "dead",
)
"""Every value that `Note.articulation` may take."""

LEGATO = frozenset({"hammer-on", "pull-off", "slide"})
"""Articulations that carry on from an earlier note of the same string without a new stroke."""


_RARE = {"rare": True}
"""Metadata of a field that the document leaves out while it holds its default."""


@dataclass(frozen=True, slots=True)
class Remark:
    """Something to tell the player, as facts: `transcribe.core.wording.sentence` puts it in words.

    ``kind`` names one of the kinds in `transcribe.core.wording.KINDS`, which says what each
    carries in ``facts`` (JSON values with the unit in the key, such as ``{"sec": 4.2}``).
    ``notes`` are the ids of the notes that it is about, the main one first.
    """

    kind: str
    facts: Mapping[str, Any] = field(default_factory=dict, hash=False)
    notes: tuple[int, ...] = ()
    extra: Mapping[str, Any] = field(default_factory=dict, hash=False)


UNSURE_BELOW = 0.8
"""A note of less confidence is shown as unsure: about one in three of them was not played."""


@dataclass(frozen=True, slots=True)
class Source:
    """Where the notes came from: a ``file``, its ``duration_sec`` and ``sha256`` if known."""

    file: str = ""
    duration_sec: float | None = None
    sha256: str | None = None
    extra: Mapping[str, Any] = field(default_factory=dict, hash=False)


@dataclass(frozen=True, slots=True)
class Instrument:
    """A fretted instrument as it is strung and stopped.

    ``open_midi`` lists the open strings without the capo, string 1 first. ``frets`` counts from
    the nut; with a capo at ``capo`` the highest fret that can be written is ``frets - capo``.
    ``scale_length_mm`` is the length of an open string. ``offset_cents`` is how far the whole
    instrument sounds above A4 = 440 Hz. ``nut_frets`` says
    at which fret of the neck each string begins, string 1 first, and is empty where all begin at
    the nut: the short fifth string of a banjo is open from fret 5 on, and its frets are counted
    as those of the other strings.
    """

    open_midi: tuple[int, ...] = (64, 59, 55, 50, 45, 40)
    capo: int = 0
    frets: int = 22
    scale_length_mm: float = 648.0
    offset_cents: float = 0.0
    nut_frets: tuple[int, ...] = field(default=(), metadata=_RARE)
    extra: Mapping[str, Any] = field(default_factory=dict, hash=False)

    @property
    def top_fret(self) -> int:
        """Highest fret that can be written, counted from the capo."""
        return self.frets - self.capo

    def pitch_midi(self, string: int, fret: int) -> int:
        """Sounding pitch of ``string`` (from 1) stopped at ``fret`` (from the capo)."""
        return self.open_midi[string - 1] + self.capo + max(fret - self._nut(string), 0)

    def fret_of(self, string: int, pitch_midi: int) -> int | None:
        """Fret (from the capo) that sounds ``pitch_midi`` on ``string``; None if none does."""
        fret = pitch_midi - self.open_midi[string - 1] - self.capo
        fret += self._nut(string) if fret > 0 else 0
        return fret if 0 <= fret <= self.top_fret else None

    def _nut(self, string: int) -> int:
        """Fret of the neck, counted from the capo, at which ``string`` begins."""
        return max(self.nut_frets[string - 1] - self.capo, 0) if self.nut_frets else 0

    def places(self, pitch_midi: int) -> tuple[tuple[int, int], ...]:
        """Every (string, fret) that sounds ``pitch_midi``, string 1 first."""
        return _places(self.open_midi, self.capo, self.frets, self.nut_frets, pitch_midi)


@lru_cache(maxsize=4096, typed=True)
def _places(
    open_midi: tuple[int, ...],
    capo: int,
    frets: int,
    nut_frets: tuple[int, ...],
    pitch_midi: int,
) -> tuple[tuple[int, int], ...]:
    neck = Instrument(open_midi, capo, frets, nut_frets=nut_frets)
    strings = range(1, len(open_midi) + 1)
    found = ((string, neck.fret_of(string, pitch_midi)) for string in strings)
    return tuple((string, fret) for string, fret in found if fret is not None)


@dataclass(frozen=True, slots=True)
class Bend:
    """How far a bent note rises; each size is None where it is not known.

    ``cents`` is what was measured in a recording, ``semitones`` what a tab or a score says.
    ``released`` says that the string is let back down while the note sounds.
    """

    cents: float | None = None
    semitones: float | None = None
    released: bool = field(default=False, metadata=_RARE)
    extra: Mapping[str, Any] = field(default_factory=dict, hash=False)

    @property
    def rise_semitones(self) -> float | None:
        """The size as it is written, else as it was measured; None where neither is known.

        >>> Bend(cents=195.0).rise_semitones
        1.95
        """
        if self.semitones is not None or self.cents is None:
            return self.semitones
        return self.cents / 100.0


@dataclass(frozen=True, slots=True)
class Note:
    """One note, by an ``id`` that no other note of the riff has.

    ``onset_sec`` and ``offset_sec`` are when it begins and ends, ``onset_beat`` and
    ``duration_beat`` the same in the score, None where no rhythm is known. ``string`` and
    ``fret`` are None until it is fingered, and the player holds it there where it is
    ``pinned``; ``articulation`` is one of `ARTICULATIONS`. ``cents`` is its distance from
    ``pitch_midi`` after the tuning offset. ``loudness_db`` is relative to full scale,
    ``confidence`` lies in 0 to 1 and is 1 for a note that was not heard but written. ``finger``
    is 0 for an open string and 1 (index) to 4 (little finger). ``palm_mute`` is a note damped
    by the striking hand, ``let_ring`` one that is left to ring, and ``stroke`` the way of the
    hand or the pick, where a file says so or the strings of a strum were heard one after the
    other. ``bend`` is the size of a bend. ``slide`` is the way that a slide arrives, where a
    tab says it. ``soft`` is a note that is struck softly or held over, in brackets in a tab;
    ``tapped`` is a hammer-on of the striking hand; ``added`` is a note that the player put in
    by hand.
    """

    id: int
    onset_sec: float
    offset_sec: float
    pitch_midi: int
    cents: float = 0.0
    loudness_db: float | None = None
    confidence: float = 1.0
    string: int | None = None
    fret: int | None = None
    finger: int | None = None
    articulation: str = "picked"
    pinned: bool = False
    onset_beat: float | None = None
    duration_beat: float | None = None
    bend: Bend | None = field(default=None, metadata=_RARE)
    slide: Literal["up", "down"] | None = field(default=None, metadata=_RARE)
    soft: bool = field(default=False, metadata=_RARE)
    tapped: bool = field(default=False, metadata=_RARE)
    added: bool = field(default=False, metadata=_RARE)
    palm_mute: bool = field(default=False, metadata=_RARE)
    let_ring: bool = field(default=False, metadata=_RARE)
    stroke: Literal["down", "up"] | None = field(default=None, metadata=_RARE)
    extra: Mapping[str, Any] = field(default_factory=dict, hash=False)

    @property
    def unsure(self) -> bool:
        """Whether the note was heard with so much doubt that the player should look at it."""
        return self.confidence < UNSURE_BELOW


@dataclass(frozen=True, slots=True)
class PhraseDifference:
    """One place where a phrase is not like the first phrase of its letter.

    ``beat`` counts from the start of the phrase. ``kind`` is ``changed`` (another pitch),
    ``added`` or ``left out``. ``note`` and ``other`` are the ids of the note in this phrase and
    in the first one, None where there is none.
    """

    beat: float
    kind: Literal["changed", "added", "left out"]
    note: int | None = None
    other: int | None = None
    extra: Mapping[str, Any] = field(default_factory=dict, hash=False)


@dataclass(frozen=True, slots=True)
class Phrase:
    """A stretch of beats, from ``start_beat`` to ``end_beat``.

    Phrases that repeat share a letter in their ``label`` (``A``, varied: ``A'``).

    ``repeats_beat`` is the start of the first phrase of this letter, None in that phrase itself;
    ``differences`` lists where the two differ, in order of beats.
    """

    label: str
    start_beat: float
    end_beat: float
    repeats_beat: float | None = field(default=None, metadata=_RARE)
    differences: tuple[PhraseDifference, ...] = field(default=(), metadata=_RARE)
    extra: Mapping[str, Any] = field(default_factory=dict, hash=False)


@dataclass(frozen=True, slots=True)
class TempoChoice:
    """A tempo that the notes allow: ``bpm`` beats of ``meter`` a minute; ``confidence`` 0 to 1."""

    bpm: float
    meter: tuple[int, int]
    confidence: float
    extra: Mapping[str, Any] = field(default_factory=dict, hash=False)


@dataclass(frozen=True, slots=True)
class MeterChoice:
    """A meter that the notes allow, with its ``confidence``, 0 to 1."""

    meter: tuple[int, int]
    confidence: float
    extra: Mapping[str, Any] = field(default_factory=dict, hash=False)


@dataclass(frozen=True, slots=True)
class Swing:
    """Halves of a beat played long and short.

    ``ratio`` is the long half over the short one (2 in a full triplet swing), ``share`` the long
    half's part of the beat (2/3 there).
    """

    ratio: float
    share: float
    extra: Mapping[str, Any] = field(default_factory=dict, hash=False)


@dataclass(frozen=True, slots=True)
class Rhythm:
    """Tempo, meter and where the beats fell.

    ``bpm`` counts beats (units of the meter's denominator). ``beats_sec`` rises strictly;
    the beat at ``downbeats_sec[0]`` is beat 0, beats before it are a pickup. ``phrases`` follow one
    another without gaps from beat 0.

    The rest is known where the rhythm was found from the notes: ``confidence`` of beats and bars
    together, 0 to 1; ``bpm_choices`` and ``meter_choices``, best first, a single meter where it
    was given; ``swing``, None where the halves are even; ``count_in_sec``, the times of taps
    before the music; and ``pickup_beats``, how many beats the first note is ahead of beat 0.
    """

    bpm: float
    meter: tuple[int, int] = (4, 4)
    beats_sec: tuple[float, ...] = ()
    downbeats_sec: tuple[float, ...] = ()
    phrases: tuple[Phrase, ...] = ()
    confidence: float | None = field(default=None, metadata=_RARE)
    bpm_choices: tuple[TempoChoice, ...] = field(default=(), metadata=_RARE)
    meter_choices: tuple[MeterChoice, ...] = field(default=(), metadata=_RARE)
    swing: Swing | None = field(default=None, metadata=_RARE)
    count_in_sec: tuple[float, ...] = field(default=(), metadata=_RARE)
    pickup_beats: float = field(default=0.0, metadata=_RARE)
    extra: Mapping[str, Any] = field(default_factory=dict, hash=False)


@dataclass(frozen=True, slots=True)
class Timing:
    """What the seconds of a riff's notes mean, and what its file says of tempo and meter.

    ``kind`` is one of

    - ``heard``: the seconds are those of a performance, in which the beats had to be found; they
      stay when another tempo or meter is chosen;
    - ``written``: the beats are those of a score, and the seconds follow from its tempo;
    - ``order``: the notes come from a tab without a count. Their order is known, their seconds
      only stand for columns.

    ``lengths`` is ``known``, or ``ring`` where every note is taken to ring until its string is
    struck again, as in a tab.

    The rest is known of a tab without a count, until it is put in bars: ``column_sec``, the
    seconds that one column stands for; ``bars_sec``, where its bars begin and the last one ends;
    ``meter`` of these bars, given (``meter_given``) or taken from how they are drawn; ``bpm``, a
    tempo that the tab gives, in notes of ``bpm_unit`` (a share of a whole note: 0.25 is a
    quarter), or in beats where that is None.
    """

    kind: Literal["heard", "written", "order"] = "written"
    lengths: Literal["known", "ring"] = field(default="known", metadata=_RARE)
    column_sec: float | None = field(default=None, metadata=_RARE)
    bars_sec: tuple[float, ...] = field(default=(), metadata=_RARE)
    meter: tuple[int, int] | None = field(default=None, metadata=_RARE)
    meter_given: bool = field(default=False, metadata=_RARE)
    bpm: float | None = field(default=None, metadata=_RARE)
    bpm_unit: float | None = field(default=None, metadata=_RARE)
    extra: Mapping[str, Any] = field(default_factory=dict, hash=False)


REQUESTS = (
    "position",
    "no-open-strings",
    "let-ring",
    "along-string",
    "highest-fret",
    "three-a-string",
    "taken",
)
"""Every value that `Request.kind` may take."""


@dataclass(frozen=True, slots=True)
class Request:
    """What the player asks of the fingering, of the whole riff or of some notes.

    ``kind`` is one of `REQUESTS`; ``number`` is the fret of the index finger (``position``), the
    string (``along-string``) or the fret (``highest-fret``). ``notes`` are the ids of the notes
    that it is asked of, None for all. ``taken`` stands for another fingering that was taken:
    ``name`` is what that is called, and ``places`` are its places, by note id.
    """

    kind: str
    number: int | None = field(default=None, metadata=_RARE)
    notes: tuple[int, ...] | None = field(default=None, metadata=_RARE)
    name: str = field(default="", metadata=_RARE)
    places: Mapping[int, tuple[int, int]] = field(default_factory=dict, hash=False, metadata=_RARE)
    extra: Mapping[str, Any] = field(default_factory=dict, hash=False)


@dataclass(frozen=True, slots=True)
class PlayerSettings:
    """What the player gave for the riff as a whole, before the corrections in its history.

    ``hand_span_mm`` is the reach from the index to the little finger that the riff is fingered
    for, None for a usual hand. ``bpm`` (in beats), ``meter`` and ``first_beat_sec`` (where bar 1
    begins) are set where they were given and not found; ``drone`` is ``auto``, ``off`` or
    the number of the drone's string, None where nothing was given; ``keep_echo`` says that the
    copies an echo makes are notes too; ``instrument_given`` says that tuning, capo and neck were
    given by the player. ``requests`` are what was asked of the fingering, in the order in which it
    was asked.
    """

    hand_span_mm: float | None = field(default=None, metadata=_RARE)
    bpm: float | None = field(default=None, metadata=_RARE)
    meter: tuple[int, int] | None = field(default=None, metadata=_RARE)
    first_beat_sec: float | None = field(default=None, metadata=_RARE)
    drone: Literal["auto", "off"] | int | None = field(default=None, metadata=_RARE)
    keep_echo: bool = field(default=False, metadata=_RARE)
    instrument_given: bool = field(default=False, metadata=_RARE)
    requests: tuple[Request, ...] = field(default=(), metadata=_RARE)
    extra: Mapping[str, Any] = field(default_factory=dict, hash=False)


@dataclass(frozen=True, slots=True)
class Drone:
    """An open string that rings under the melody from ``start_sec`` to ``end_sec``.

    ``other_strings`` are those that ring along with it, mostly none.
    """

    string: int
    start_sec: float
    end_sec: float
    other_strings: tuple[int, ...] = field(default=(), metadata=_RARE)
    extra: Mapping[str, Any] = field(default_factory=dict, hash=False)


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of the recording: somebody plays, somebody talks or sings, or neither."""

    start_sec: float
    end_sec: float
    kind: Literal["playing", "talk", "neither"]
    extra: Mapping[str, Any] = field(default_factory=dict, hash=False)


@dataclass(frozen=True, slots=True)
class Alternative:
    """Another way to finger the whole riff: note id -> (string, fret).

    ``cost`` is the effort of the hand, in the measure of `transcribe.fingering.Solver.effort`.
    ``hardest_note`` (id) begins the hardest place, at ``hardest_sec``; ``why`` tells how it
    compares with the first choice.
    """

    name: str
    positions: Mapping[int, tuple[int, int]]
    cost: float
    hardest_note: int | None = field(default=None, metadata=_RARE)
    hardest_sec: float | None = field(default=None, metadata=_RARE)
    why: Remark | None = field(default=None, metadata=_RARE)
    extra: Mapping[str, Any] = field(default_factory=dict, hash=False)


MARKS = ("section", "chord", "words")
"""Every kind of `Mark`, in the order in which they stand at one note."""


@dataclass(frozen=True, slots=True)
class Mark:
    """A text that a file has beside its notes: it stands at the note with id ``note``.

    ``kind`` is ``chord`` (a chord symbol), ``section`` (``Verse``, the name of a part of the riff)
    or ``words`` (a line of words, which are kept and not read).
    """

    kind: Literal["chord", "section", "words"]
    text: str
    note: int = 0
    extra: Mapping[str, Any] = field(default_factory=dict, hash=False)


KeyMode = Literal["ionian", "dorian", "phrygian", "lydian", "mixolydian", "aeolian", "locrian"]
"""The modes that a key signature stands for."""


@dataclass(frozen=True, slots=True)
class WrittenKey:
    """The key that a file writes: a ``tonic``, such as ``F#``, and its ``mode``."""

    tonic: str
    mode: KeyMode
    extra: Mapping[str, Any] = field(default_factory=dict, hash=False)


@dataclass(frozen=True, slots=True)
class Change:
    """A change of an object of the document, as JSON values.

    ``put`` holds values by key, ``inside`` changes of the objects that lie under a key, and
    ``remove`` names the keys that go. The notes are an object here, note by id.
    """

    put: Mapping[str, Any] = field(default_factory=dict, hash=False, metadata=_RARE)
    inside: Mapping[str, Change] = field(default_factory=dict, hash=False, metadata=_RARE)
    remove: tuple[str, ...] = field(default=(), metadata=_RARE)
    extra: Mapping[str, Any] = field(default_factory=dict, hash=False)


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the history: a correction, or ``undo`` or ``redo`` of one.

    ``kind`` says what the player did, such as ``pin`` or ``half time``, and ``notes`` to which
    notes (ids, the one that was named first), if to any. ``undo`` and ``redo`` change the
    document to take a correction back and to make it again. ``solve_again`` says that the
    fingering and the theory have to be found again after that, as in steps of version 1, which
    hold the notes alone.
    """

    kind: str
    notes: tuple[int, ...] = field(default=(), metadata=_RARE)
    undo: Change = field(default=Change(), metadata=_RARE)
    redo: Change = field(default=Change(), metadata=_RARE)
    solve_again: bool = field(default=False, metadata=_RARE)
    extra: Mapping[str, Any] = field(default_factory=dict, hash=False)


@dataclass(frozen=True, slots=True)
class FileForm:
    """How a file beside a document is written.

    ``width`` is the columns of a tab; ``repeats`` says that bars that come again at once are
    written one time, ``fingers`` that a tab has a line of the fretting fingers. ``sha256`` is the
    digest of the file as it was written, None where that is not known, and ``before_sha256`` that
    of the file which it takes the place of: the document is written first, so the older file is
    still there where the program was killed in between. A file of another digest was changed by
    hand since.
    """

    width: int = 80
    repeats: bool = False
    fingers: bool = field(default=False, metadata=_RARE)
    sha256: str | None = None
    before_sha256: str | None = field(default=None, metadata=_RARE)
    extra: Mapping[str, Any] = field(default_factory=dict, hash=False)


@dataclass(frozen=True, slots=True)
class Riff:
    """A whole riff document.

    ``instrument`` is what it is played on, ``source`` where its notes came from, ``timing`` what
    their seconds mean, and ``player`` what the player gave for the whole of it. ``rhythm``,
    ``drone`` and the ``segments`` of the recording are what was found, and ``alternatives`` are
    other fingerings. ``notes`` are sorted by `sort_notes`. ``theory`` holds the theory section as
    plain JSON values. ``history`` lists the corrections in the order they were made.

    ``warnings`` tell what is uncertain or was left out when the riff was made, ``unmet`` which
    pins and notes the fingering could not give their place, and ``cautions`` where the hand may
    be strained; the last two are found again whenever the riff is fingered.

    ``written_places`` are the places (string, fret) that the notes have in the file they come
    from, by note id; a fingering holds them like pins. ``marks`` are the chord symbols, names of
    sections and words of that file, in the order of their notes, and ``written_key`` is the key
    that a score gives. ``left_out`` names the notes of
    a tab that it could put on no string. ``files`` tells how the files beside the document were
    written, by format (``tab``, ``musicxml``, ``midi``, ``jams``), and ``about`` describes a riff
    that ships with the program.
    """

    instrument: Instrument = field(default_factory=Instrument)
    notes: tuple[Note, ...] = ()
    source: Source | None = None
    rhythm: Rhythm | None = None
    drone: Drone | None = None
    theory: Mapping[str, Any] | None = None
    alternatives: tuple[Alternative, ...] = ()
    history: tuple[Step, ...] = ()
    timing: Timing = Timing()
    player: PlayerSettings = field(default=PlayerSettings(), metadata=_RARE)
    warnings: tuple[Remark, ...] = field(default=(), metadata=_RARE)
    unmet: tuple[Remark, ...] = field(default=(), metadata=_RARE)
    cautions: tuple[Remark, ...] = field(default=(), metadata=_RARE)
    written_places: Mapping[int, tuple[int, int]] = field(default_factory=dict, metadata=_RARE)
    marks: tuple[Mark, ...] = field(default=(), metadata=_RARE)
    written_key: WrittenKey | None = field(default=None, metadata=_RARE)
    left_out: tuple[str, ...] = field(default=(), metadata=_RARE)
    files: Mapping[str, FileForm] = field(default_factory=dict, metadata=_RARE)
    about: str = field(default="", metadata=_RARE)
    segments: tuple[Segment, ...] = field(default=(), metadata=_RARE)
    extra: Mapping[str, Any] = field(default_factory=dict, hash=False)

    def note(self, note_id: int) -> Note:
        """The note with ``note_id``. Raises KeyError where there is none."""
        for note in self.notes:
            if note.id == note_id:
                return note
        raise KeyError(note_id)


def sort_notes(notes: tuple[Note, ...] | list[Note]) -> tuple[Note, ...]:
    """Notes in the order that every part relies on: by onset, then pitch, then id."""
    return tuple(sorted(notes, key=lambda n: (n.onset_sec, n.pitch_midi, n.id)))


def places_of(notes: tuple[Note, ...] | list[Note]) -> dict[int, tuple[int, int]]:
    """Note id -> (string, fret) of every note that has a place."""
    return {
        note.id: (note.string, note.fret)
        for note in notes
        if note.string is not None and note.fret is not None
    }


def legato_sources(notes: tuple[Note, ...] | list[Note]) -> dict[int, int]:
    """Which note each hammer-on, pull-off or slide carries on from: note id -> earlier note id.

    The source is the latest earlier note that still sounds, or ended just before,
    on the pitch side that the technique needs (a hammer-on rises, a pull-off falls, a slide does
    either) and within 12 semitones, nearest in pitch where several began together. A chord that
    carries on from one of as many notes does so note by note, from the lowest up. A note that is
    already on a string only takes a source from that string or from none. Notes without a source
    are left out.
    """
    ordered = sort_notes(list(notes))
    sources: dict[int, int] = {}
    for i, note in enumerate(ordered):
        if note.articulation not in LEGATO:
            continue
        best: tuple[float, int, int] | None = None
        # Walking back and stopping at the first onset that holds a source keeps this linear.
        for earlier in reversed(ordered[max(0, i - _LOOK_BACK) : i]):
            if best is not None and earlier.onset_sec < best[0]:
                break
            if not _can_carry(earlier, note):
                continue
            rank = (earlier.onset_sec, -abs(note.pitch_midi - earlier.pitch_midi), earlier.id)
            best = rank if best is None else max(best, rank)
        if best is not None:
            sources[note.id] = best[2]
    return sources | _chord_sources(ordered, sources)


def _chord_sources(notes: tuple[Note, ...], sources: Mapping[int, int]) -> dict[int, int]:
    """The sources of notes that begin together and carry on from as many that began together."""
    by_id = {note.id: note for note in notes}
    slurred: dict[tuple[float, float], list[Note]] = {}
    for note_id, source in sources.items():
        moments = (by_id[note_id].onset_sec, by_id[source].onset_sec)
        slurred.setdefault(moments, []).append(by_id[note_id])
    began: dict[float, list[Note]] = {}
    for note in notes:
        began.setdefault(note.onset_sec, []).append(note)
    found: dict[int, int] = {}
    for (_, moment), chord in slurred.items():
        before = began[moment]
        if len(chord) == len(before) > 1:
            rising = (sorted(group, key=lambda n: n.pitch_midi) for group in (chord, before))
            pairs = list(zip(*rising, strict=True))
            if all(_can_carry(earlier, note) for note, earlier in pairs):
                found |= {note.id: earlier.id for note, earlier in pairs}
    return found


_GAP_SEC = 0.12  # from the end of a note to one that carries on from it
_LOOK_BACK = 64  # notes; a legato source further back than this has long been struck over


def _can_carry(earlier: Note, note: Note) -> bool:
    step = note.pitch_midi - earlier.pitch_midi
    if earlier.onset_sec >= note.onset_sec - 1e-3 or step == 0 or abs(step) > 12:
        return False
    if earlier.offset_sec < note.onset_sec - _GAP_SEC:
        return False
    if note.articulation == "hammer-on" and step < 0:
        return False
    if note.articulation == "pull-off" and step > 0:
        return False
    return None in (note.string, earlier.string) or note.string == earlier.string
