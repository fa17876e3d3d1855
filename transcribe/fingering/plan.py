"""Cuts a riff into onsets and works out what each one looks back at.

All of it depends on the notes alone, not on where they are played: which earlier note each one
follows in its voice, what still sounds, where the same pitch came last, which note a slur comes
from, and which places the pins, the drone and the neck leave.
"""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np

from transcribe.core.overtones import SURE_CONFIDENCE
from transcribe.core.riff import LEGATO, Drone, Instrument, Note, legato_sources
from transcribe.core.strokes import STROKE_SEC
from transcribe.drone import drone_strings, is_over, melody_string, stands_apart
from transcribe.fingering.asked import Asked, silences, with_slurs_whole
from transcribe.fingering.candidates import Candidates, Chooser, Places
from transcribe.fingering.movable_shapes import mark_shapes
from transcribe.fingering.onsets import MEMORY, Onset

__all__ = ["Plan", "Unmet", "plan_onsets"]

# The bounds were chosen with `tests.bench.fingering` on published editions, cross-validated.
_SAME_STROKE_SEC = 0.012  # notes nearer than this are struck at one moment
_VOICE_ONSETS = 3  # how many onsets back the neighbour of a voice may lie
_OVERLAP_SEC = 0.08  # a shorter overlap is how notes are read from sound, not how they are played
_SAME_PITCH_SEC = 6.0  # a pitch struck again later than this may lie elsewhere
_RECENT_ONSETS = 5
_RECENT_SEC = 1.6
_ROUND_ONSETS = 6  # a figure goes round within so many onsets
_LINE_ONSETS = 12  # looked at on either side, to tell whether single notes run
_RUN_ONSETS = 6  # fewer are no line
_PENTATONIC = (0, 3, 5, 7, 10)  # semitones of the minor form; the major has the same
_PENTATONICS = [{(tonic + step) % 12 for step in _PENTATONIC} for tonic in range(12)]
_BOX_PITCHES = 4  # so many pitch classes of the scale make a line on it
_BOX_STEP = 3  # semitones from one note of the scale to the next, at most
_BOX_BY_STEP = 0.5  # so large a share of the line goes by step; a figure through a chord leaps
_BOX_REST_SEC = 1.0
_RING_SHARES = (1.0, 0.15, 0.1)  # how much a note one, two or three onsets back should ring on
_BESIDE_FRETS = 19  # above this fret a melody note need not stay beside the drone,
_TOO_FAR_UP = 0.1  # and decides so much less about the melody's string
_PIN_ONSETS = 8  # a pin draws the hand for so many onsets on either side, less and less,
_PIN_REST_SEC = 1.0  # and not across a silence of this length
_OUTLINES = 4  # outlines that are kept: a riff, a window of it that is explained, and others


@dataclass(frozen=True, slots=True)
class Unmet:
    """A note without a place, or a pin that could not be kept.

    ``reason`` is one of those that `transcribe.core.wording` has words for, ``facts`` its numbers.
    ``fights``: the note that stands in the way; ``nearest``: the (string, fret) to take instead.
    """

    note_id: int
    reason: str
    facts: Mapping[str, Any] = field(default_factory=dict, hash=False)
    fights: int | None = None
    nearest: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True)
class Plan:
    """A riff ready to be solved.

    ``unmet``: notes without a place and pins that cannot be kept. ``sources``: note id -> the note
    that it is slurred from. ``too_wide``: for each chord that no hand can hold, the ids of its
    notes and of the least that has to be left out of it. ``drone_ids``: the notes that are the
    drone.
    """

    onsets: list[Onset]
    unmet: tuple[Unmet, ...]
    sources: Mapping[int, int]
    too_wide: tuple[tuple[tuple[int, ...], tuple[int, ...]], ...] = ()
    drone_ids: frozenset[int] = frozenset()


def _groups(notes: Sequence[Note]) -> list[list[int]]:
    """Notes that begin together. A pitch struck again and a slurred note begin a new group."""
    groups: list[list[int]] = []
    for i, note in enumerate(notes):
        if groups and note.onset_sec - notes[groups[-1][0]].onset_sec <= STROKE_SEC:
            before = [
                notes[j]
                for j in groups[-1]
                if notes[j].onset_sec < note.onset_sec - _SAME_STROKE_SEC
            ]
            later = note.articulation in LEGATO or any(
                n.pitch_midi == note.pitch_midi for n in before
            )
            # A note that begins at one moment with one of the group always belongs to it.
            if not later or len(before) < len(groups[-1]):
                groups[-1].append(i)
                continue
        groups.append([i])
    return groups


def plan_onsets(
    notes: Sequence[Note],
    instrument: Instrument,
    chooser: Chooser,
    *,
    drone: Drone | None,
    pins: Mapping[int, tuple[int, int]],
    alike: Mapping[int, int] | None = None,
    drawn_by: Mapping[int, tuple[int, int]] | None = None,
    asked: Asked = Asked(),  # noqa: B008 - frozen
) -> Plan:
    """The onsets of sorted ``notes`` with their candidates, and what cannot be met.

    ``pins``: note id -> (string, fret) that is kept. ``drawn_by``: those of the pins that draw the
    notes around them into their position. ``alike``: note id -> string (from 1) that the same note
    has in another repeat. ``asked``: what the player asks, kept wherever a hand can play it so.
    """
    unmet: list[Unmet] = []
    too_wide: list[tuple[tuple[int, ...], tuple[int, ...]]] = []
    outline = _outline(notes, instrument, drone)
    over = outline.over
    if asked.places:
        asked = with_slurs_whole(asked, notes, outline.sources, pins, instrument)
    kept: list[tuple[int, ...]] = []
    found: list[Candidates] = []
    for group in outline.groups:
        group, allowed = _allowed(notes, group, instrument, over, pins, outline.stopped, unmet)
        if asked.places:
            allowed = _as_asked(notes, group, allowed, over, pins, asked, chooser)
        candidates = chooser.candidates(tuple(allowed)) if group else None
        if group and candidates is None:
            playable = _playable(notes, group, allowed, pins, chooser)
            others = [notes[group[k]] for k in playable]
            unmet += [
                _no_string_left(notes[i], others, pins, instrument)
                for k, i in enumerate(group)
                if k not in playable
            ]
            group, allowed = [group[k] for k in playable], [allowed[k] for k in playable]
            candidates = chooser.candidates(tuple(allowed)) if group else None
        if candidates is None:
            continue
        if not candidates.in_reach:
            held = _playable(notes, group, allowed, pins, chooser, in_reach=True)
            chord = tuple(notes[i].id for i in group)
            too_wide.append((chord, tuple(i for k, i in enumerate(chord) if k not in held)))
        kept.append(tuple(group))
        found.append(candidates)
    made = outline.onsets(tuple(kept), notes, found)
    onsets = list(made)
    drawn = _pulls(onsets, notes, drawn_by) if drawn_by else {}
    ringing = _ringing(onsets, notes, asked.ring) if asked.ring else {}
    of, latest = chooser.planned.get(alike is None, (made, made))
    if of is not made:
        latest = made
    for t, candidates in enumerate(found):
        ids = [notes[i].id for i in kept[t]]
        own = _Own(
            candidates,
            drawn.get(t),
            next((asked.positions[i] for i in ids if i in asked.positions), None),
            ringing.get(t, []),
            [(n, alike[i] - 1) for n, i in enumerate(ids) if i in alike] if alike else [],
        )
        onsets[t] = _owned(latest[t], own)
    chooser.planned[alike is None] = (made, onsets)
    drone_ids = frozenset() if over is None else over.strikes
    return Plan(onsets, tuple(unmet), outline.sources, tuple(too_wide), drone_ids)


class _Own(NamedTuple):
    """What of an `Onset` does not follow from the notes and the drone."""

    candidates: Candidates
    pin: tuple[int, float] | None
    position: int | None
    ring: list[tuple[int, int, int, float]]
    alike: list[tuple[int, int]]


def _owned(onset: Onset, own: _Own) -> Onset:
    """``onset`` with ``own``; itself, where it has that already."""
    if (onset.candidates, onset.pin, onset.position, onset.ring, onset.alike) == own:
        return onset
    other = onset.copy()
    other.candidates, other.pin, other.position, other.ring, other.alike = own
    return other


@dataclass(slots=True)
class _Outline:
    """What a plan takes from the notes and the drone alone, kept while a riff is corrected.

    ``made``: the onsets of each choice of notes that have a place.
    """

    groups: list[list[int]]
    over: _OverDrone | None
    sources: Mapping[int, int]
    stopped: frozenset[int]
    made: dict[tuple[tuple[int, ...], ...], list[Onset]] = field(default_factory=dict)

    def onsets(
        self,
        groups: tuple[tuple[int, ...], ...],
        notes: Sequence[Note],
        candidates: Sequence[Candidates],
    ) -> list[Onset]:
        """The onsets of ``groups``, with what each one looks back at."""
        if groups not in self.made:
            if len(self.made) == _OUTLINES:
                self.made.clear()
            self.made[groups] = self._make(groups, notes, candidates)
        return self.made[groups]

    def _make(
        self,
        groups: Sequence[tuple[int, ...]],
        notes: Sequence[Note],
        candidates: Sequence[Candidates],
    ) -> list[Onset]:
        index = {note.id: i for i, note in enumerate(notes)}
        look = _LookBack(notes)
        onsets: list[Onset] = []
        for group, found in zip(groups, candidates, strict=True):
            time = notes[group[0]].onset_sec
            onset = Onset(
                notes=group,
                time_sec=time,
                gap_sec=time - onsets[-1].time_sec if onsets else 1.0,
                candidates=found,
                pitches=tuple(notes[i].pitch_midi for i in group),
            )
            if self.over is not None and self.over.holds(time):
                _mark_drone(onset, notes, self.over)
            look.fill(onset, self.sources, index)
            onsets.append(onset)
        _look_around(onsets)
        _mark_boxes(onsets)
        mark_shapes(onsets)
        return onsets


_KEPT_OUTLINES: dict[tuple[Any, ...], _Outline] = {}


def _outline(notes: Sequence[Note], instrument: Instrument, drone: Drone | None) -> _Outline:
    """The outline of a riff; those of the last few riffs are kept."""
    heard = tuple(
        (n.id, n.onset_sec, n.offset_sec, n.pitch_midi, n.confidence, n.articulation) for n in notes
    )
    key = (heard, dataclasses.replace(instrument, offset_cents=0.0, extra={}), drone)
    if key not in _KEPT_OUTLINES:
        while len(_KEPT_OUTLINES) >= _OUTLINES:
            _KEPT_OUTLINES.pop(next(iter(_KEPT_OUTLINES)))
        over = None if drone is None else _over_drone(notes, instrument, drone)
        sources = _sources(notes) if over is None else over.sources
        _KEPT_OUTLINES[key] = _Outline(_groups(notes), over, sources, _stopped(notes, sources))
    return _KEPT_OUTLINES[key]


@dataclass(frozen=True, slots=True)
class _OverDrone:
    """A drone and what it makes of the notes over it.

    ``strikes``: ids of the notes that are the drone. ``lane``: the string (from 1) beside it that
    the melody can run along. ``sources``: as `legato_sources` gives them, but a melody carries on
    from its own notes where it can, not from the drone struck in between. ``top_midi``: the highest
    pitch that the strings beside the drone sound below the body. ``apart``: whether the drone's
    string has no neighbours in pitch, so that the melody lies anywhere but on it.
    """

    drone: Drone
    strikes: frozenset[int]
    lane: int | None
    sources: Mapping[int, int]
    top_midi: int
    apart: bool

    def holds(self, time_sec: float) -> bool:
        return is_over(self.drone, time_sec)

    def reaches(self, pitch_midi: int) -> bool:
        """Whether a melody note lies well on a string beside the drone."""
        return pitch_midi <= self.top_midi


def _sources(notes: Sequence[Note]) -> dict[int, int]:
    """Note id -> the note it is slurred from, by pitch and time alone."""
    if not any(note.articulation in LEGATO for note in notes):
        return {}
    return legato_sources([dataclasses.replace(note, string=None) for note in notes])


def _stopped(notes: Sequence[Note], sources: Mapping[int, int]) -> frozenset[int]:
    """The notes of a slide, bend or vibrato, which needs a finger on the string."""
    slid = {n.id for n in notes if n.articulation == "slide"}
    slid |= {source for i, source in sources.items() if i in slid}
    return frozenset(slid | {n.id for n in notes if n.articulation in ("bend", "vibrato")})


def _over_drone(notes: Sequence[Note], instrument: Instrument, drone: Drone) -> _OverDrone:
    pitches = {instrument.pitch_midi(s, 0) for s in drone_strings(drone)}
    lane = melody_string(notes, instrument, drone)
    beside = {s + d for s in drone_strings(drone) for d in (-1, 1)} - set(drone_strings(drone))
    on_neck = [s for s in beside if 1 <= s <= len(instrument.open_midi)]
    top = max(
        (instrument.pitch_midi(s, min(_BESIDE_FRETS, instrument.top_fret)) for s in on_neck),
        default=127,
    )
    apart = stands_apart(instrument.open_midi, drone.string)
    over = _OverDrone(drone, frozenset(), lane, {}, top, apart)
    # Of two at one moment one is the drone and the other the melody, stopped beside it.
    struck = {(n.onset_sec, n.pitch_midi): n.id for n in reversed(notes) if n.pitch_midi in pitches}
    own = {i for (onset_sec, _), i in struck.items() if over.holds(onset_sec)}
    sources = _sources(notes)
    melody = _sources([n for n in notes if n.id not in own])
    if lane is not None and lane > drone.string:
        # On a thicker string the melody passes through the drone's pitch, stopped: a slur there
        # is the melody's, since an open string beside it cannot be slurred to.
        slurred = own & set(sources)
        slurred |= {s for i, s in sources.items() if i not in own and i not in melody} & own
        own -= slurred
        melody = _sources([n for n in notes if n.id not in own])
    return _OverDrone(drone, frozenset(own), lane, {**sources, **melody}, top, apart)


def _look_around(onsets: Sequence[Onset]) -> None:
    """Fill in what depends on the onsets around: ``recent``, ``line``, ``parallel``."""
    melody = [
        [
            (i, p)
            for n, (i, p) in enumerate(zip(o.notes, o.pitches, strict=True))
            if n not in o.droned
        ]
        for o in onsets
    ]
    sets = [{p for _, p in group} for group in melody]
    single = [
        len(group) <= 1 and not onset.sounding for group, onset in zip(melody, onsets, strict=True)
    ]
    sums = [0]
    for flag in single:
        sums.append(sums[-1] + flag)
    for last, onset in itertools.pairwise(onsets):
        onset.previous = last.notes
        onset.parallel = _parallel(last, onset)
    ends = range(len(onsets) + _ROUND_ONSETS + 1)
    lately = [set().union(*sets[max(0, end - _ROUND_ONSETS) : end]) for end in ends]
    times = [onset.time_sec for onset in onsets]
    for t, onset in enumerate(onsets):
        low, high = max(0, t - _LINE_ONSETS), min(len(onsets), t + _LINE_ONSETS + 1)
        runs = high - low >= _RUN_ONSETS and sums[high] - sums[low] >= 0.8 * (high - low)
        onset.line = float(runs)
        ahead = lately[t + 1 + _ROUND_ONSETS]
        oldest = onset.notes[-1] - MEMORY + 1
        for n, pitch in enumerate(onset.pitches):
            if n in onset.droned:
                continue
            seen = {pitch}
            for u in range(t - 1, max(-1, t - 1 - _RECENT_ONSETS), -1):
                if times[t] - times[u] > _RECENT_SEC:
                    break
                for j, other in melody[u]:
                    if other in seen or j < oldest:
                        continue
                    seen.add(other)
                    apart = abs(other - pitch)
                    size = 0 if apart <= 2 else 1 if apart <= 4 else 2
                    if other in ahead or pitch in lately[u]:
                        onset.recent.append((n, j, size))
                    elif size and u < t - 1:
                        onset.recent.append((n, j, 2 + size))


def _mark_boxes(onsets: Sequence[Onset]) -> None:
    """Mark the longest runs of single notes that one pentatonic scale holds."""
    start = 0
    classes: set[int] = set()

    def close(end: int) -> None:
        rises = [abs(b.pitches[0] - a.pitches[0]) for a, b in itertools.pairwise(onsets[start:end])]
        by_step = sum(rise <= _BOX_STEP for rise in rises) >= _BOX_BY_STEP * len(rises)
        if len(classes) >= _BOX_PITCHES and by_step:
            for onset in onsets[start:end]:
                onset.box = True
                onset.recent = []  # such a line is not meant to ring on

    for t, onset in enumerate(onsets):
        single = len(onset.notes) == 1 and not onset.sounding and not onset.drone_strings
        pitch = onset.pitches[0] % 12
        if not single or onset.rest_sec > _BOX_REST_SEC or not _on_pentatonic({*classes, pitch}):
            close(t)
            start, classes = t, set()
        if single:
            classes.add(pitch)
        else:
            start = t + 1
    close(len(onsets))


def _on_pentatonic(classes: set[int]) -> bool:
    """Whether some pentatonic scale holds all these pitch classes."""
    return any(classes <= scale for scale in _PENTATONICS)


def _pulls(
    onsets: Sequence[Onset], notes: Sequence[Note], pins: Mapping[int, tuple[int, int]]
) -> dict[int, tuple[int, float]]:
    """The fret of the nearest pinned note that is stopped, before each onset or after it.

    By the onset's number, with how much it draws the hand there; see `Onset.pin`.
    """
    out: dict[int, tuple[int, float]] = {}
    for direction in (1, -1):
        found: tuple[int, int] | None = None  # the pin's fret, and how many onsets away it is
        silent = 0.0
        for t in range(len(onsets))[::direction]:
            onset = onsets[t]
            frets = [f for i in onset.notes for _, f in (pins.get(notes[i].id, (0, 0)),) if f]
            silent = onset.rest_sec if direction == 1 else silent
            if frets:
                found = (min(frets), 0)
            elif found is not None:
                far = found[1] + 1
                found = None if far > _PIN_ONSETS or silent > _PIN_REST_SEC else (found[0], far)
            if found is not None:
                share = 1.0 - found[1] / (_PIN_ONSETS + 1)
                if t not in out or share > out[t][1]:
                    out[t] = (found[0], share)
            silent = onset.rest_sec
    return out


def _ringing(
    onsets: Sequence[Onset], notes: Sequence[Note], ids: frozenset[int]
) -> dict[int, list[tuple[int, int, int, float]]]:
    """The notes just before each onset that should ring on beside its own; see `Onset.ring`."""
    out: dict[int, list[tuple[int, int, int, float]]] = {}
    for t, onset in enumerate(onsets):
        for back, share in enumerate(_RING_SHARES[:t], 1):
            out.setdefault(t, []).extend(
                (n, j, notes[j].pitch_midi, share)
                for n, i in enumerate(onset.notes)
                for j in onsets[t - back].notes
                if ids >= {notes[i].id, notes[j].id} and silences(notes[i], notes[j])
            )
    return out


def _parallel(before: Onset, onset: Onset) -> list[tuple[int, int]]:
    """The voices of two chords that move the same way, within a semitone as far."""
    size = len(onset.pitches)
    if size < 2 or len(before.pitches) != size:
        return []
    was = sorted(range(size), key=lambda n: before.pitches[n])
    now = sorted(range(size), key=lambda n: onset.pitches[n])
    rises = [onset.pitches[b] - before.pitches[a] for a, b in zip(was, now, strict=True)]
    together = max(rises) - min(rises) <= 1 and (min(rises) > 0 or max(rises) < 0)
    return [(b, before.notes[a]) for a, b in zip(was, now, strict=True)] if together else []


def _allowed(
    notes: Sequence[Note],
    group: Sequence[int],
    instrument: Instrument,
    over: _OverDrone | None,
    pins: Mapping[int, tuple[int, int]],
    stopped: frozenset[int],
    unmet: list[Unmet],
) -> tuple[list[int], list[Places]]:
    """The notes of a group that have a place at all, and the places of each.

    ``stopped``: ids of the notes that no open string can play.
    """
    kept: list[int] = []
    allowed: list[Places] = []
    taken: dict[int, int] = {}
    for i in group:
        note = notes[i]
        places = instrument.places(note.pitch_midi)
        if not places:
            unmet.append(_off_the_neck(note, instrument))
            continue
        pin = pins.get(note.id)
        if pin is not None:
            pin = (int(pin[0]), int(pin[1]))
            if pin not in places:
                nearest = min(places, key=lambda p: (abs(p[0] - pin[0]), p[1]))
                unmet.append(Unmet(note.id, "wrong-pitch", {"place": list(pin)}, nearest=nearest))
            elif pin[0] in taken:
                other = taken[pin[0]]
                there = pins[other][1]
                rest = [p for p in places if p[0] not in taken]
                # Nearest to where the pin that stays puts the hand.
                free = min(rest, key=lambda p: abs(p[1] - there)) if rest else None
                unmet.append(
                    Unmet(
                        note.id,
                        "string-pinned",
                        {"string": pin[0]},
                        fights=other,
                        nearest=free,
                    )
                )
            else:
                places = (pin,)
                taken[pin[0]] = note.id
        elif over is not None and note.id in over.strikes:
            places = _drone_places(note, places, group, notes, over, pins)
        elif over is not None and over.apart and over.holds(note.onset_sec):
            beside = tuple(p for p in places if p[0] not in drone_strings(over.drone))
            places = beside or places
        if pin is None and note.id in stopped:
            places = tuple(p for p in places if p[1]) or places
        kept.append(i)
        allowed.append(places)
    return kept, allowed


def _as_asked(
    notes: Sequence[Note],
    group: Sequence[int],
    allowed: list[Places],
    over: _OverDrone | None,
    pins: Mapping[int, tuple[int, int]],
    asked: Asked,
    chooser: Chooser,
) -> list[Places]:
    """The places of a group as they are asked for, but for the fewest notes that cannot keep it."""
    free = {
        k: asked.places[notes[i].id]
        for k, i in enumerate(group)
        if notes[i].id in asked.places
        and notes[i].id not in pins
        and (over is None or notes[i].id not in over.strikes)
    }
    if not free:
        return allowed
    best = chooser.candidates(tuple(allowed))
    reach = best is not None and best.in_reach
    for count in range(len(free)):
        for out in itertools.combinations(free, count):
            narrowed = [free[k] if k in free and k not in out else p for k, p in enumerate(allowed)]
            found = chooser.candidates(tuple(narrowed))
            if found is not None and (found.in_reach or not reach):
                return narrowed
    return allowed


def _drone_places(
    note: Note,
    places: Places,
    group: Sequence[int],
    notes: Sequence[Note],
    over: _OverDrone,
    pins: Mapping[int, tuple[int, int]],
) -> Places:
    """A note of the drone's own pitch is the drone, unless it is struck twice in one stroke.

    Where a pin takes the drone's string, the drone's note may lie elsewhere.
    """
    twins = sum(
        notes[i].pitch_midi == note.pitch_midi and notes[i].id in over.strikes for i in group
    )
    pinned = {pins[notes[i].id][0] for i in group if notes[i].id in pins}
    for string in drone_strings(over.drone):
        if twins == 1 and string not in pinned and (string, 0) in places:
            return ((string, 0),)
    return places


def _off_the_neck(note: Note, instrument: Instrument) -> Unmet:
    low = min(instrument.open_midi) + instrument.capo
    high = max(instrument.open_midi) + instrument.frets
    facts: dict[str, Any] = {"side": "between"}
    if note.pitch_midi < low:
        facts = {"side": "below", "limit_midi": low}
        if instrument.capo:
            facts |= {"capo": instrument.capo, "open_midi": low - instrument.capo}
    elif note.pitch_midi > high:
        facts = {"side": "above", "limit_midi": high}
    return Unmet(note.id, "off-the-neck", facts)


def _playable(
    notes: Sequence[Note],
    group: Sequence[int],
    allowed: Sequence[Places],
    pins: Mapping[int, tuple[int, int]],
    chooser: Chooser,
    *,
    in_reach: bool = False,
) -> tuple[int, ...]:
    """The most notes of a group (counted from 0) that can sound together, the surest of them.

    Each takes a string of its own and four fingers stop them all; with ``in_reach`` a hand can
    reach them, too.
    """

    def fits(kept: Sequence[int]) -> bool:
        found = chooser.candidates(tuple(allowed[k] for k in kept))
        return found is not None and (found.in_reach or not in_reach)

    everything = tuple(range(len(group)))
    if not group or fits(everything):
        return everything

    def surety(k: int) -> tuple[bool, float, int]:
        note = notes[group[k]]
        return (note.id in pins, note.confidence, -len(allowed[k]))

    kept = _with_strings(allowed, sorted(everything, key=surety, reverse=True))
    for count in range(len(kept)):
        # The least sure are tried first.
        for out in itertools.combinations(sorted(kept, key=surety), count):
            rest = tuple(sorted(set(kept) - set(out)))
            if fits(rest):
                return rest
    return ()


def _with_strings(allowed: Sequence[Places], order: Sequence[int]) -> list[int]:
    """As many notes as can have a string of their own, those that come first in ``order`` kept."""
    from scipy.sparse import csr_array
    from scipy.sparse.csgraph import maximum_bipartite_matching

    last = max(string for places in allowed for string, _ in places)
    kept: list[int] = []
    for k in order:
        table = np.zeros((len(kept) + 1, last + 1), dtype=np.int8)
        for row, note in enumerate([*kept, k]):
            table[row, [string for string, _ in allowed[note]]] = 1
        # A note that fits beside those kept so far is never a mistake: sets of notes that have
        # strings of their own form a matroid.
        if (maximum_bipartite_matching(csr_array(table), perm_type="column") >= 0).all():
            kept.append(k)
    return kept


def _no_string_left(
    note: Note,
    kept: Sequence[Note],
    pins: Mapping[int, tuple[int, int]],
    instrument: Instrument,
) -> Unmet:
    strings = {s for s, _ in instrument.places(note.pitch_midi)}

    def closeness(other: Note) -> tuple[bool, int]:
        shared = {s for s, _ in instrument.places(other.pitch_midi)} <= strings
        return (not shared, abs(other.pitch_midi - note.pitch_midi))

    fights = min(kept, key=closeness).id if kept else None
    reason = "pin-in-the-way" if note.id in pins else "no-string"
    return Unmet(note.id, reason, fights=fights)


def _mark_drone(onset: Onset, notes: Sequence[Note], over: _OverDrone) -> None:
    onset.drone_strings = tuple(s - 1 for s in drone_strings(over.drone))
    onset.lane = None if over.lane is None else over.lane - 1
    onset.droned = tuple(n for n, i in enumerate(onset.notes) if notes[i].id in over.strikes)
    rest = [n for n in range(len(onset.notes)) if n not in onset.droned and not over.apart]
    # The surest note leads: what is heard beside it may be an overtone.
    onset.melody = tuple(sorted(rest, key=lambda n: (_trust(notes[onset.notes[n]]), n)))
    onset.trust = tuple(
        _trust(notes[i]) * (1.0 if over.reaches(notes[i].pitch_midi) else _TOO_FAR_UP)
        for i in onset.notes
    )


def _trust(note: Note) -> float:
    """How much a note may decide about the melody over a drone."""
    return 1.0 if note.confidence >= SURE_CONFIDENCE else 0.1


class _LookBack:
    """Goes through the onsets in order and keeps what later ones look back at."""

    def __init__(self, notes: Sequence[Note]) -> None:
        self.notes = notes
        self.recent: list[tuple[int, ...]] = []
        self.last_of_pitch: dict[int, int] = {}
        self.active: list[int] = []
        self.placed: set[int] = set()
        self.until = 0.0

    def fill(self, onset: Onset, sources: Mapping[int, int], index: Mapping[int, int]) -> None:
        notes, time = self.notes, onset.time_sec
        onset.rest_sec = max(0.0, time - self.until) if self.last_of_pitch else 0.0
        onset.lengths = tuple(
            min(2.0, notes[i].offset_sec - notes[i].onset_sec) for i in onset.notes
        )
        self.until = max(self.until, *(notes[i].offset_sec for i in onset.notes))
        oldest = onset.notes[-1] - MEMORY + 1
        self.active = [
            j for j in self.active if notes[j].offset_sec > time + _OVERLAP_SEC and j >= oldest
        ]
        onset.sounding = [
            (j, min(1.5, notes[j].offset_sec - time), notes[j].pitch_midi) for j in self.active
        ]
        for n, i in enumerate(onset.notes):
            note = notes[i]
            neighbour = self._voice(onset, n, oldest)
            if neighbour is not None:
                rise = note.pitch_midi - notes[neighbour].pitch_midi
                onset.voice.append((n, neighbour, rise))
            before = self.last_of_pitch.get(note.pitch_midi)
            if (
                before is not None
                and before >= oldest
                and time - notes[before].onset_sec <= _SAME_PITCH_SEC
            ):
                onset.same.append((n, before))
            source = index.get(sources.get(note.id, -1), -1)
            if source >= oldest and source in self.placed:
                onset.legato.append((n, source))
        for i in onset.notes:
            self.last_of_pitch[notes[i].pitch_midi] = i
            self.active.append(i)
            self.placed.add(i)
        self.recent.append(tuple(i for n, i in enumerate(onset.notes) if n not in onset.droned))
        if len(self.recent) > _VOICE_ONSETS:
            del self.recent[0]

    def _voice(self, onset: Onset, n: int, oldest: int) -> int | None:
        """The earlier note that this one follows in its voice: near in pitch and in time."""
        pitch = self.notes[onset.notes[n]].pitch_midi
        if n in onset.droned:
            return None
        ranked = [
            (abs(self.notes[j].pitch_midi - pitch) + 4.0 * back, j)
            for back, group in enumerate(reversed(self.recent))
            for j in group
            if j >= oldest
        ]
        return min(ranked)[1] if ranked else None
