"""What the parts of a piece share: one mode, one loop of chords, and where a part departs.

Conventions: times in seconds, each part on a clock of its own; pitch in MIDI numbers (60 = C4);
string 1 is the highest-sounding string, frets count from the capo; bars count from 1.
"""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Unpack

import numpy as np

from theory.arrays import FloatArray, Notes, as_beats, as_drones, as_notes
from theory.chord_spans import find_chords
from theory.chord_symbols import chord_tones
from theory.drone_pitches import find_drone_pitches
from theory.errors import TheoryError
from theory.json_values import json_fields
from theory.loop import Loop, find_loop, plain_symbol
from theory.mode_features import candidates
from theory.mode_finder import mode_among, posterior
from theory.mode_reasons import how_sure, not_told, parent_words
from theory.modes import Mode, mode_of
from theory.neck import Neck, NeckOptions
from theory.scale_on_neck import NeckNote, neck_text, scale_in_position, scale_on_string
from theory.scales import MODES
from theory.shapes import Shape
from theory.voicing_levels import caution_text, side_by_side
from theory.voicing_search import CapoPlan, capo_plans, drone_shapes, power_shapes, voicings

__all__ = ["PartNotes", "PartTheory", "Piece", "piece"]

_LEAST_PROBABILITY = 1e-6  # that a part leaves to a mode: none is ruled out by one part alone
_FITS_SHARE = 0.5  # of the sounding time of a bar that must be tones of its chord, set by hand
_STRAY_SHARE = 0.01  # of the sounding time; notes of less may be misheard
_DRAWN_FRETS = 15
_WIDTH_COLUMNS = 88
_PER_ROW = 4


@dataclass(frozen=True, slots=True)
class PartNotes:
    """One part of a piece as plain arrays, with the arguments of `theory.report`.

    ``onset_sec``, ``duration_sec`` and ``pitch_midi`` have one entry a note, as has ``confidence``
    where it is given; ``name`` is what the part is called. ``beats_sec`` and ``downbeats_sec``
    rise, and ``drone_midi`` are pitches that ring throughout. ``written_key`` is the tonic and the
    name of the mode that its file writes.
    """

    name: str
    onset_sec: Sequence[float]
    duration_sec: Sequence[float]
    pitch_midi: Sequence[float]
    confidence: Sequence[float] | None = None
    beats_sec: Sequence[float] | None = None
    downbeats_sec: Sequence[float] | None = None
    drone_midi: Sequence[int] | int | None = None
    written_key: tuple[str, str] | None = None


@dataclass(frozen=True, slots=True)
class PartTheory:
    """What one part, called ``name``, says of the piece.

    ``alone`` (probability ``alone_probability``) is the mode that its own notes make likeliest,
    and ``probability`` what they leave to the mode of the piece. ``deciding`` says whether the
    note that rules the obvious key out is played in it. ``loop`` are its chords in the mode of the
    piece, None without any. ``bars`` is how many bars have notes, and ``misfits`` are those in
    which the chord of the piece's loop does not fit.
    """

    name: str
    alone: str
    alone_probability: float
    probability: float
    deciding: bool
    loop: Loop | None
    bars: int = 0
    misfits: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class PieceWords:
    """A piece in sentences: its mode, its loop, and each part's name, what it says and how it fits.

    The last is empty where the loop's sentences tell it of all parts.
    """

    mode: str
    loop: tuple[str, ...]
    parts: tuple[tuple[str, str, str], ...]


@dataclass(frozen=True, slots=True)
class Piece:
    """What `piece` finds. ``mode`` is that of the whole; ``parts`` in the order given.

    ``obvious`` is the key that most people would name, minor or major by the third, where that is
    not the mode, and ``ruled_out_by`` the notes that are heard and not in it. ``loop`` are the
    chords that all parts are held against, bar by bar, those of ``loop_part``. ``plain`` is one
    easy grip for each bar of it, ``capo`` a capo that makes it easier, ``heavier`` are power
    chords, and ``over_drone`` two-string shapes over the open ``drone_string``. ``scale_on_string``
    and ``scale_in_position`` lay the mode on the neck.
    """

    mode: Mode
    parts: tuple[PartTheory, ...]
    obvious: str = ""
    ruled_out_by: tuple[str, ...] = ()
    loop: tuple[str, ...] = ()
    loop_part: str = ""
    plain: tuple[Shape, ...] = ()
    capo: CapoPlan | None = None
    heavier: tuple[Shape, ...] = ()
    over_drone: tuple[Shape, ...] = ()
    drone_string: int | None = None
    scale_on_string: tuple[NeckNote, ...] = ()
    scale_in_position: tuple[NeckNote, ...] = ()

    @property
    def fits(self) -> bool:
        """Whether every bar of every part fits the loop."""
        return bool(self.loop) and not any(part.misfits for part in self.parts)

    def as_document(self) -> dict[str, Any]:
        """Plain JSON values."""
        shape = ("symbol", "frets", "fingers", "short", "caution")
        note = ("string", "fret", "note", "degree", "mark")
        return {
            "mode": json_fields(self.mode, "tonic", "name", "confidence", "parent", "notes"),
            **json_fields(self, "obvious", "ruled_out_by", "loop", "loop_part", "fits"),
            "parts": [
                json_fields(
                    part, "name", "alone", "alone_probability", "probability", "deciding", "bars"
                )
                | {
                    "misfits": list(part.misfits),
                    "loop": None if part.loop is None else list(part.loop.symbols),
                }
                for part in self.parts
            ],
            **{
                name: [json_fields(one, *shape) for one in getattr(self, name)]
                for name in ("plain", "heavier", "over_drone")
            },
            "capo": None
            if self.capo is None
            else json_fields(self.capo, "capo", "symbols")
            | {"shapes": [json_fields(one, *shape) for one in self.capo.shapes]},
            "drone_string": self.drone_string,
            "scale": {
                "on_string": [json_fields(one, *note) for one in self.scale_on_string],
                "in_position": [json_fields(one, *note) for one in self.scale_in_position],
            },
        }

    def words(self) -> PieceWords:
        """What is found, in sentences; `text` adds the pictures."""
        mode = self.mode
        if mode.candidates:
            head = f"Mode {not_told(mode)}."
        else:
            head = f"The whole piece: {mode} ({how_sure(mode)}). {parent_words(mode)}."
        if self.obvious:
            notes = " and ".join(self.ruled_out_by)
            verb = "rule" if len(self.ruled_out_by) > 1 else "rules"
            head += f" It is not {_key_name(self.obvious)}: {notes} {verb} that out."
        parts = tuple(
            (part.name, _part_words(self, part), _fit_words(self, part)) for part in self.parts
        )
        return PieceWords(head, _loop_words(self), parts)

    def text(self, *, left_handed: bool = False) -> str:
        """The whole of it as plain text; pictures mirrored for a ``left_handed`` player."""
        return "\n\n".join(_paragraphs(self, left_handed))


@dataclass(frozen=True, slots=True)
class _Part:
    """A part with its checked notes."""

    given: PartNotes
    notes: Notes
    drones: tuple[int, ...]
    downbeats: FloatArray | None
    likely: FloatArray = field(repr=False)


def piece(parts: Sequence[PartNotes], **neck: Unpack[NeckOptions]) -> Piece:
    """The theory of a piece from its parts.

    The mode is the one that all parts together make likeliest: each leaves a probability to every
    mode, so that a part that lacks the deciding note leaves the choice to those that play it.

    Parameters
    ----------
    parts : sequence of PartNotes
        In any order; those without notes are passed over.
    **neck
        The neck and the hand, as for `Neck`: ``open_midi``, ``capo``, ``frets``,
        ``scale_length_mm``, ``hand_span_mm``.

    Returns
    -------
    Piece

    Raises
    ------
    TheoryError
        If no part has notes, or an argument is malformed.

    Examples
    --------
    A verse of D minor and G major, and a riff that leaves out the sixth:

    >>> strum = ((50, 57, 62, 65), (43, 50, 55, 59)) * 2
    >>> verse = [(2 * bar, pitch) for bar, chord in enumerate(strum) for pitch in chord]
    >>> riff = list(enumerate((62, 60, 57, 55, 53, 52, 50)))
    >>> found = piece(
    ...     [
    ...         PartNotes(
    ...             name,
    ...             [float(at) for at, _ in notes],
    ...             [2.0 if name == "verse" else 1.0] * len(notes),
    ...             [pitch for _, pitch in notes],
    ...             downbeats_sec=(0.0, 2.0, 4.0, 6.0),
    ...         )
    ...         for name, notes in (("verse", verse), ("riff", riff))
    ...     ]
    ... )
    >>> str(found.mode), found.obvious, found.ruled_out_by, found.loop
    ('D dorian', 'D aeolian', ('B',), ('Dm', 'G'))
    """
    heard = [one for given in parts if (one := _checked(given)) is not None]
    if not heard:
        raise TheoryError("no part has a note; give at least one that has")
    on = Neck.of(neck)
    options: NeckOptions = {**neck, "open_midi": on.open_midi}
    mode = _mode(heard, on)
    obvious, against = _obvious(mode, heard)
    loops = [_loop(one, mode) for one in heard]
    chosen = _shared(heard, loops)
    bars = () if chosen is None else _by_bar(loops[chosen])
    told = tuple(
        _told(one, loop, mode, against, bars) for one, loop in zip(heard, loops, strict=True)
    )
    drone_string = _drone_string(heard, on)
    melody = 1 if drone_string is None else drone_string - 1 or min(2, len(on.open_midi))
    along: NeckOptions = {**options, "frets": min(on.frets, on.capo + _DRAWN_FRETS)}
    plain = tuple(shape for symbol in bars for shape in voicings(symbol, limit=1, **options)[:1])
    plans = capo_plans(dict.fromkeys(bars), **options) if bars else ()
    heavy = [_heaviest(symbol, options) for symbol in bars]
    over = (
        ()
        if drone_string is None
        else tuple(
            shape
            for symbol in dict.fromkeys(bars)
            for shape in drone_shapes(
                symbol, drone_string=drone_string, melody_string=melody, **options
            )[:1]
        )
    )
    return Piece(
        mode,
        told,
        obvious,
        tuple(mode.spell(pc) for pc in against),
        bars,
        "" if chosen is None else heard[chosen].given.name,
        plain,
        plans[0] if plans else None,
        tuple(shape for shape in heavy if shape is not None),
        over,
        drone_string,
        scale_on_string(mode, string=melody, **along),
        scale_in_position(mode, **options),
    )


def _checked(given: PartNotes) -> _Part | None:
    notes = as_notes(given.onset_sec, given.duration_sec, given.pitch_midi, given.confidence)
    if not len(notes):
        return None
    drones = as_drones(given.drone_midi) or find_drone_pitches(notes)
    downbeats = as_beats(given.downbeats_sec, "downbeats_sec")
    return _Part(
        given, notes, drones, downbeats, posterior(notes, drones=drones, downbeats=downbeats)
    )


def _mode(parts: Sequence[_Part], neck: Neck) -> Mode:
    """The mode that the parts together make likeliest, with the reasons that all notes give."""
    start, onset = 0.0, []
    for part in parts:
        onset.append(part.notes.onset - part.notes.onset[0] + start)
        start = float(onset[-1][-1]) + float(part.notes.duration.max()) + 1.0
    whole = Notes(
        np.concatenate(onset),
        np.concatenate([part.notes.duration for part in parts]),
        np.concatenate([part.notes.pitch for part in parts]),
        np.concatenate([part.notes.weight for part in parts]),
    )
    # A drone counts for the whole where most of the piece's time lies over it.
    time = Counter[int]()
    for part in parts:
        for drone in part.drones:
            time[drone] += len(part.notes)
    drones = tuple(sorted(d for d, count in time.items() if 2 * count > len(whole)))
    # Each part is a witness of its own, and so are all notes put end to end. Parts of one piece
    # are no independent witnesses: the power keeps the answer from being surer than it is right.
    each = np.log(np.array([part.likely for part in parts]) + _LEAST_PROBABILITY).sum(axis=0)
    together = np.log(posterior(whole, drones=drones) + _LEAST_PROBABILITY)
    score = 0.5 * (each / np.sqrt(len(parts)) + together) if len(parts) > 1 else each
    likely = np.exp(score - score.max())
    flats = 2 * sum(p % 12 in (1, 3, 6, 8, 10) for p in neck.open_midi) > len(neck.open_midi)
    written = {part.given.written_key for part in parts if part.given.written_key}
    return mode_among(
        likely / likely.sum(),
        whole,
        drones=drones,
        flats=flats,
        written_key=written.pop() if len(written) == 1 else None,
    )


def _obvious(mode: Mode, parts: Sequence[_Part]) -> tuple[str, tuple[int, ...]]:
    """The key that the third alone suggests, and the pitch classes heard that are not in it."""
    name = "aeolian" if MODES[mode.name].minor else "ionian"
    if len(MODES[mode.name].semitones) < 7 or mode.name == name:
        return "", ()
    key = mode_of(mode.tonic, name)
    heard = _heard(parts)
    against = [pc for pc in mode.pitch_classes if pc not in key.pitch_classes and pc in heard]
    against.sort(key=lambda pc: -heard[pc])
    return (str(key), tuple(against)) if against else ("", ())


def _heard(parts: Sequence[_Part]) -> dict[int, float]:
    """Sounding time of each pitch class, but for strays."""
    time = np.zeros(12)
    for part in parts:
        weight = part.notes.duration * part.notes.weight
        time += np.bincount(part.notes.pitch % 12, weights=weight, minlength=12)
    return {pc: float(t) for pc, t in enumerate(time) if t > _STRAY_SHARE * time.sum()}


def _loop(part: _Part, mode: Mode) -> Loop | None:
    """The chords of a part in the mode of the piece."""
    given = part.given
    beats = as_beats(given.beats_sec, "beats_sec")
    if beats is None:
        beats = part.downbeats if part.downbeats is not None else np.unique(part.notes.onset)
    spans = find_chords(
        onset_sec=part.notes.onset,
        duration_sec=part.notes.duration,
        pitch_midi=part.notes.pitch,
        confidence=part.notes.weight,
        beats_sec=[float(beat) for beat in beats],
        downbeats_sec=None if part.downbeats is None else [float(d) for d in part.downbeats],
        mode=mode,
        drone_midi=part.drones or None,
    )
    downbeats = None if part.downbeats is None else [float(d) for d in part.downbeats]
    return find_loop(spans, downbeats_sec=downbeats, mode=mode)


def _shared(parts: Sequence[_Part], loops: Sequence[Loop | None]) -> int | None:
    """Which part's loop the others are held against: one that is played as chords, and comes round.

    Among these the one of most bars played; where no part has chords, the one that hints at most.
    A long row of chords that does not come round is nothing to hold other parts against.
    """
    ranked = [
        (not loop.implied, min(loop.times, 2.0), loop.times * loop.bars, -i)
        for i, loop in enumerate(loops)
        if loop is not None and not loop.is_long_row
    ]
    return -max(ranked)[-1] if ranked else None


def _by_bar(loop: Loop | None) -> tuple[str, ...]:
    """One plain chord for each bar of a loop."""
    if loop is None:
        return ()
    return tuple(plain_symbol(bar[0]) for bar in loop.by_bar if bar)


def _heaviest(symbol: str, neck: NeckOptions) -> Shape | None:
    """The power chord of three strings that lies lowest on the neck, its root on a bass string.

    The bass strings are the two lowest (common practice, no source).
    """
    shapes = [shape for shape in power_shapes(symbol, **neck) if shape.level == "heavier"]
    bass = [shape for shape in shapes if _lowest_string(shape) >= len(shape.frets) - 2]
    return min(bass or shapes, key=_highest_fret, default=None)


def _lowest_string(shape: Shape) -> int:
    return max(i for i, fret in enumerate(shape.frets) if fret is not None)


def _highest_fret(shape: Shape) -> int:
    return max(fret for fret in shape.frets if fret is not None)


def _told(
    part: _Part, loop: Loop | None, mode: Mode, against: Sequence[int], bars: Sequence[str]
) -> PartTheory:
    rows = candidates()
    best = int(np.argmax(part.likely))
    own = mode_among(part.likely, part.notes, drones=part.drones)
    row = rows.index((mode.tonic_pc, mode.name))
    time = np.bincount(part.notes.pitch % 12, weights=part.notes.duration, minlength=12)
    held = against and time[against[0]] > _STRAY_SHARE * time.sum()
    played, misfits = _held_against(part, bars)
    return PartTheory(
        part.given.name,
        str(own),
        float(part.likely[best]),
        float(part.likely[row]),
        bool(held),
        loop,
        played,
        misfits,
    )


def _held_against(part: _Part, bars: Sequence[str]) -> tuple[int, tuple[int, ...]]:
    """How many bars of a part have notes, and in which the loop does not fit, begun where it fits
    best. The notes of a drone fit everything."""
    if not bars or part.downbeats is None or part.downbeats.size < 2:
        return 0, ()
    step = float(np.median(np.diff(part.downbeats)))
    edges = list(part.downbeats)
    while edges[-1] + 0.1 * step < float(part.notes.onset.max()):
        edges.append(edges[-1] + step)
    edges.append(edges[-1] + step)
    line = ~np.isin(part.notes.pitch, part.drones)
    share = np.full((len(edges) - 1, len(bars)), np.nan)
    tones = [{pc for _, _, pc in chord_tones(symbol)} for symbol in bars]
    for k in range(len(edges) - 1):
        length = np.minimum(part.notes.end, edges[k + 1]) - np.maximum(part.notes.onset, edges[k])
        time = np.where(line, np.maximum(length, 0.0) * part.notes.weight, 0.0)
        if time.sum() <= 0.02 * step:
            continue
        for i, own in enumerate(tones):
            inside = np.isin(part.notes.pitch % 12, list(own))
            share[k, i] = time[inside].sum() / time.sum()
    sounding = np.flatnonzero(~np.isnan(share[:, 0]))
    ways = []
    for first in range(len(bars)):
        at = share[sounding, (sounding + first) % len(bars)]
        wrong = tuple(int(k) + 1 for k in sounding[at < _FITS_SHARE])
        ways.append((len(wrong), -float(at.sum()), first, wrong))
    best = min(ways) if len(sounding) else (0, 0.0, 0, ())
    return len(sounding), best[3]


def _drone_string(parts: Sequence[_Part], neck: Neck) -> int | None:
    """The open string that drones in most notes of the piece, of those that drone at all."""
    opens = [pitch + neck.capo for pitch in neck.open_midi]
    count = Counter[int]()
    for part in parts:
        for drone in part.drones[:1]:
            if drone in opens:
                count[opens.index(drone) + 1] += len(part.notes)
    return count.most_common(1)[0][0] if count else None


# In words --------------------------------------------------------------------------------------


def _paragraphs(found: Piece, left_handed: bool) -> list[str]:
    mode, words = found.mode, found.words()
    paragraphs = [textwrap.fill(words.mode, _WIDTH_COLUMNS, subsequent_indent="  ")]
    width = max(len(name) for name, _, _ in words.parts)
    lines = [
        textwrap.fill(
            f"  {name:<{width}}  {says}",
            _WIDTH_COLUMNS,
            subsequent_indent=" " * (width + 4),
        )
        for name, says, _ in words.parts
    ]
    paragraphs.append("\n".join(["What each part says:", *lines]))
    if words.loop:
        held = [f"{name}: {fit}" for name, _, fit in words.parts if fit]
        paragraphs.append("\n".join([*words.loop, *held]))
    over = "" if found.drone_string is None else f" over the open string {found.drone_string}"
    string = found.scale_on_string[0].string
    paragraphs.append(
        f"{mode} along string {string}{over}:\n"
        f"{neck_text(found.scale_on_string, drone_string=found.drone_string)}"
    )
    paragraphs.append(f"{mode} in one position:\n{neck_text(found.scale_in_position)}")
    shapes: list[Shape] = []
    for title, own in (
        ("The plain version, one grip for each bar:", found.plain),
        ("The heavier version, power chords:", found.heavier),
        (f"Two strings{over}:", found.over_drone),
    ):
        if own:
            shapes += own
            paragraphs.append(f"{title}\n{_pictures(own, left_handed)}")
    if found.capo is not None:
        capo = found.capo
        where = f"With a capo at fret {capo.capo}" if capo.capo else "Without the capo"
        names = " - ".join(capo.symbols)
        shapes += capo.shapes
        paragraphs.append(
            f"{where} the plain version is easier, with the shapes {names}:\n"
            f"{_pictures(capo.shapes, left_handed)}"
        )
    if caution := caution_text(shapes):
        paragraphs.append(caution)
    return paragraphs


def _key_name(key: str) -> str:
    """``D minor`` for D aeolian, ``G major`` for G ionian."""
    tonic, _, name = key.partition(" ")
    return f"{tonic} {'minor' if name == 'aeolian' else 'major'}"


def _part_words(found: Piece, part: PartTheory) -> str:
    if part.alone == str(found.mode):
        says = f"{part.alone} ({part.alone_probability:.0%})"
    else:
        says = (
            f"alone it would be {part.alone} ({part.alone_probability:.0%}; "
            f"{found.mode} {part.probability:.0%})"
        )
    if found.ruled_out_by and part.deciding:
        says += f"; it has the {found.ruled_out_by[0]}"
    loop = part.loop
    if loop is not None:
        hint = "hints at" if loop.implied else "chords"
        if loop.is_long_row:
            says += f"; {hint}: {len(set(loop.plain))} different ones"
        else:
            says += f"; {hint} {' '.join(loop.plain)}"
    return f"{says}."


def _loop_words(found: Piece) -> tuple[str, ...]:
    if not found.loop:
        return ()
    chords = f"The chords of {found.loop_part}: | {' | '.join(found.loop)} |"
    if not any(part.bars for part in found.parts):
        return chords, "Which bars they fit is not known: no part has bars."
    return (chords, "Every bar of every part fits them.") if found.fits else (chords,)


def _fit_words(found: Piece, part: PartTheory) -> str:
    if not found.loop or found.fits or not part.bars:
        return ""
    if not part.misfits:
        return "every bar fits."
    bars = ", ".join(map(str, part.misfits))
    word = "bar" if len(part.misfits) == 1 else "bars"
    return f"{len(part.misfits)} of {part.bars} bars do not fit ({word} {bars})."


def _pictures(shapes: Sequence[Shape], left_handed: bool) -> str:
    rows = [shapes[i : i + _PER_ROW] for i in range(0, len(shapes), _PER_ROW)]
    return "\n".join(
        "\n".join(side_by_side(row, labels=False, left_handed=left_handed)) for row in rows
    )
