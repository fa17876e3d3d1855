"""Which chords sound when, found by a model over time.

Conventions: times in seconds; a chord may begin only on a beat (a power chord wherever it is
struck, see `theory.power_chords`). Every beat is explained by one
chord of `CHORD_STATES`; notes are drawn from the chord's tones (and, rarely, from elsewhere), a
change of chord costs something, least at the start of a bar. `theory.chord_path` finds the most
probable sequence.
"""

from __future__ import annotations

import itertools
from bisect import bisect_left
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from theory.arrays import FloatArray, Notes, as_beats, as_drones, as_notes
from theory.chord_likelihood import (
    CHORD_STATES,
    Played,
    arpeggio_basses,
    bar_of_beats,
    by_beat_and_stroke,
    chord_pcs,
    chord_prior,
    likelihood,
    lowest_of_chord,
    prior_by_beat,
    states,
    tonic_prior,
    weights_by_beat,
)
from theory.chord_path import chord_path
from theory.chord_symbols import KINDS, Chord, chord_tones
from theory.drone_pitches import find_drone_pitches
from theory.errors import TheoryError
from theory.modes import Mode
from theory.power_chords import power_runs
from theory.roman_numerals import borrowed_from, roman_numeral
from theory.scales import USUAL_NAMES

__all__ = ["CHORD_STATES", "ChordSpan", "find_chords"]


_CHANGE_BAR_NATS, _CHANGE_HALF_NATS, _CHANGE_BEAT_NATS = -0.9, -2.4, -4.2
_CHANGE_DRONE_NATS = -0.5  # and this much less likely over a drone
_LINE_HOME_SHARE = 0.5  # how much home is expected under a line alone, against over its drone
# nats, about two strings of a stroke, that move a change off the beat; by hand
_MOVE_GAIN_NATS = 3.0
_MIN_BASS_SHARE = 0.7  # of the full strokes that start on a note, for an inversion to be named

# A strum has so many notes; so many tell the kind of their chord. A note is of it that is struck in
# that share of them, or of those that reach it, and none in less than the other; set by hand.
_STRUM_NOTES, _FEWEST_STRUMS = 3, 3
_STRUCK_SHARE, _STRAY_SHARE, _REACHED_SHARE = 0.6, 0.35, 0.5

_MIN_LOWER_SHARE = 0.4  # of what the commonest lowest note has, for a lower one to be the bass


@dataclass(frozen=True, slots=True)
class ChordSpan:
    """One chord from ``start_sec`` to ``end_sec``, as a ``symbol`` and by root, kind and bass.

    ``confidence`` is the probability of this ``root`` and ``kind``, 0-1. ``roman`` is relative to
    the mode (empty where no mode was given). ``implied`` says that the chord is not played as one:
    the notes come one by one, or fewer than three of its own sound. ``pedal`` names a drone under
    it that is not its own bass; ``borrowed`` says where a chord foreign to the mode comes from.
    ``start_beat`` and ``end_beat`` count the beats given. ``written`` chords are those that a
    player wrote over the notes; ``sounds`` is then the chord that was found there instead, where
    the written one explains less than half of what sounds.
    """

    start_sec: float
    end_sec: float
    symbol: str
    roman: str
    root: str
    kind: str
    bass: str
    confidence: float
    implied: bool = False
    pedal: str | None = None
    borrowed: str | None = None
    start_beat: int = 0
    end_beat: int = 0
    written: bool = False
    sounds: str | None = None

    @property
    def chord(self) -> Chord:
        """The chord itself."""
        return Chord(self.root, self.kind, self.bass)


def find_chords(
    *,
    onset_sec: Iterable[float],
    duration_sec: Iterable[float],
    pitch_midi: Iterable[float],
    beats_sec: Iterable[float],
    downbeats_sec: Iterable[float] | None = None,
    mode: Mode | None = None,
    drone_midi: Iterable[int] | int | None = None,
    confidence: Iterable[float] | None = None,
    name_bass: bool = True,
) -> tuple[ChordSpan, ...]:
    """The chords of a riff, one span per chord, in order of time.

    Parameters
    ----------
    onset_sec, duration_sec, pitch_midi : iterable of float, shape (n,), n >= 0
        The notes, in any order; a duration is above 0, a pitch 0-127. None gives no chords.
    beats_sec : iterable of float, shape (b,), b >= 1, rising
        Where a chord may begin. Notes before the first beat go with it.
    downbeats_sec : iterable of float, rising, optional
        Where bars begin; chords change there most easily.
    mode : Mode, optional
        Gives numerals and spelling, and prefers its own chords a little.
    drone_midi : int or iterable of int, 0-127, optional
        Pitches that ring throughout and say little about the chord; else a low note that comes
        back throughout under a line (`theory.drone_pitches.find_drone_pitches`). Over a drone the
        chord stays the tonic's unless the melody states another for a bar or so.
    confidence : iterable of float, shape (n,), 0-1, optional
        How far each note is to be believed.
    name_bass : bool
        Whether the lowest note of a chord is its bass. In a re-entrant tuning it is not: it lies
        on a middle string.

    Returns
    -------
    tuple of ChordSpan

    Raises
    ------
    TheoryError
        If the arrays are malformed or there is no beat.

    Examples
    --------
    >>> spans = find_chords(
    ...     onset_sec=[0, 0, 0, 2, 2, 2],
    ...     duration_sec=[2] * 6,
    ...     pitch_midi=[48, 52, 55, 45, 48, 52],
    ...     beats_sec=[0, 1, 2, 3, 4],
    ...     downbeats_sec=[0, 2, 4],
    ... )
    >>> [(span.symbol, span.start_sec) for span in spans]
    [('C', 0.0), ('Am', 2.0)]
    """
    notes = as_notes(onset_sec, duration_sec, pitch_midi, confidence)
    beats = as_beats(beats_sec, "beats_sec")
    if beats is None:
        raise TheoryError("beats_sec is empty; give at least one beat")
    downbeats = as_beats(downbeats_sec, "downbeats_sec")
    if len(notes) == 0:
        return ()
    drones = as_drones(drone_midi) or find_drone_pitches(notes)
    played = by_beat_and_stroke(notes, beats, drones, downbeats)
    weights = weights_by_beat(played)
    prior = chord_prior(mode)
    heard = likelihood(played, weights) + arpeggio_basses(played)
    expected = prior_by_beat(played, weights, prior)
    change = _change(played)
    if drones:
        expected += tonic_prior(drones, mode)
        change += _CHANGE_DRONE_NATS
    elif played.is_single_line and mode is not None:
        expected += _LINE_HOME_SHARE * tonic_prior((mode.tonic_pc,), mode)
    prior = prior - np.logaddexp.reduce(prior)
    # What a single line only hints at in one round is no clearer in two.
    bar_starts = None if played.is_single_line else played.bar_starts
    path, sure = chord_path(heard, expected, change, prior, bar_starts)
    emission = heard + expected
    path = _suspended(_as_struck(_sounding(path, played, emission), played), played)
    spans = _spans(played, weights, path, sure, mode, name_bass)
    spans = _moved_to_strokes(spans, played)
    if played.is_single_line:
        spans = tuple(replace(span, implied=True) for span in spans)
    return _with_power(spans, played, mode)  # which are played, over a drone too


def _kind_over_drone(root: int, kind: str, notes: Notes, drones: tuple[int, ...]) -> str:
    """The kind, or root and fifth alone on a drone whose third never sounds in the riff."""
    thirds = {(root + s) % 12 for s in (3, 4) if s in KINDS[kind].steps}
    if not drones or root != min(drones) % 12 or 7 not in KINDS[kind].steps or not thirds:
        return kind
    return kind if thirds & {int(p) % 12 for p in notes.pitch} else "5"


def _change(played: Played) -> FloatArray:
    """Log-probability of a change at the start of each beat."""
    if played.bar_starts is None:
        return np.full(played.beats, 0.5 * (_CHANGE_BAR_NATS + _CHANGE_HALF_NATS))
    out = np.where(played.bar_starts, _CHANGE_BAR_NATS, _CHANGE_BEAT_NATS)
    for a, b in itertools.pairwise(np.flatnonzero(played.bar_starts)):
        if (b - a) % 2 == 0 and b - a >= 4:
            out[(a + b) // 2] = _CHANGE_HALF_NATS
    return np.asarray(out, dtype=np.float64)


def _stretches(path: npt.NDArray[np.int64]) -> Iterator[tuple[int, int]]:
    """First beat of each chord of a path, and the beat after its last."""
    starts = np.flatnonzero(np.diff(path, prepend=-1) != 0)
    return itertools.pairwise([*starts.tolist(), path.size])


def _stroke_slots(played: Played) -> list[int]:
    """The slot that each stroke begins in."""
    return [int(played.slot[stroke[0]]) for stroke in played.strokes]


def _by_bass(
    played: Played, stretches: Iterable[tuple[int, int]], at: list[int]
) -> Iterator[tuple[int, int]]:
    """The stretches, cut at bar lines where the bass of the chord becomes another: C/E | C/G."""
    bar = bar_of_beats(played)
    lines = (np.flatnonzero(np.diff(bar)) + 1).tolist()
    for a, b in stretches:
        start, last = a, None
        for first, end in itertools.pairwise([a, *(k for k in lines if a < k < b), b]):
            inside = played.strokes[bisect_left(at, first) : bisect_left(at, end)]
            bass = _bass(played, [stroke for stroke in inside if len(stroke) > 1])
            if last is not None and bass is not None and bass != last:
                yield start, first
                start = first
            last = last if bass is None else bass
        yield start, b


def _spans(
    played: Played,
    weights: FloatArray,
    path: npt.NDArray[np.int64],
    sure: FloatArray,
    mode: Mode | None,
    name_bass: bool,
) -> tuple[ChordSpan, ...]:
    pairs, _, inside, _ = states()
    notes, edges, slot, drones = played.notes, played.edges, played.slot, played.drones
    at = _stroke_slots(played)
    found = []
    name_bass = name_bass and not played.is_single_line
    stretches = _stretches(path)
    for a, b in _by_bass(played, stretches, at) if name_bass else stretches:
        loud = np.flatnonzero(weights[a:b].sum(axis=1) > 0)
        if loud.size == 0:
            continue
        first, last = a + int(loud[0]), a + int(loud[-1]) + 1
        state = int(path[a])
        root = pairs[state][0]
        kind = _kind_over_drone(*pairs[state], notes, drones)
        heard = {int(p) % 12 for p in notes.pitch[(slot >= a) & (slot < b)]}
        tones = {pc for pc in heard if inside[state, pc]}
        if len(tones) < 2:
            continue  # one note is no chord
        strokes = played.strokes[bisect_left(at, a) : bisect_left(at, b)]
        bass = _bass(played, strokes) if name_bass else None
        found.append(
            _span(
                Chord(_name(root, mode), kind, _name(root, mode)),
                bass if bass is not None and inside[state, bass] else root,
                (float(edges[first]), float(edges[last])),
                (first, last),
                float(sure[a:b, state].mean()),
                len(tones) < min(3, len(KINDS[kind].steps)),
                next((d % 12 for d in sorted(drones) if d % 12 in heard), None),
                mode,
            )
        )
    return _joined(found)


def _sounding(
    path: npt.NDArray[np.int64], played: Played, emission: FloatArray
) -> npt.NDArray[np.int64]:
    """The path with no chord that needs a note never struck, where a plain triad needs none.

    A triad takes the place of a chord whose root, third or seventh nobody strikes in its span if
    its own root and third are struck there and it explains at least as much of what is.
    """
    pairs, _, inside, _ = states()
    pitch, slot = played.notes.pitch, played.slot
    out = path.copy()
    home = {d % 12 for d in played.drones}  # sounds whether or not it is struck
    for a, b in _stretches(path):
        here = (slot >= a) & (slot < b)
        begun = np.bincount(pitch[here] % 12, weights=played.strength[here], minlength=12)
        root, kind = pairs[path[a]]
        if root in home:
            continue
        shape = KINDS[kind]
        if all(begun[(root + s) % 12] > 0 for s in shape.steps if s not in (*shape.optional, 7)):
            continue
        explained = float(inside[path[a]] @ begun) - 1e-9
        plain = [
            row
            for row, (low, name) in enumerate(pairs)
            if name in ("", "m")
            and all(begun[pc] > 0 for pc in chord_pcs(low, name) - {(low + 7) % 12})
            and inside[row] @ begun >= explained
        ]
        if plain:
            out[a:b] = max(plain, key=lambda row: float(emission[a:b, row].sum()))
    return out


def _as_struck(path: npt.NDArray[np.int64], played: Played) -> npt.NDArray[np.int64]:
    """The path, with the kind of a strummed chord that has the very notes of most of its strokes.

    A rare kind is guessed seldom; where stroke after stroke sounds its ninth or seventh, it
    is meant. A stroke that does not reach as far as a note says nothing of it.
    """
    pairs = states()[0]
    pitch = played.notes.pitch
    at = _stroke_slots(played)
    out = path.copy()
    for a, b in _stretches(path):
        strokes = played.strokes[bisect_left(at, a) : bisect_left(at, b)]
        strums = [set(pitch[g]) - set(played.drones) for g in strokes]
        strums = [strum for strum in strums if len(strum) >= _STRUM_NOTES]
        if len(strums) < _FEWEST_STRUMS:
            continue
        share = np.zeros(12)
        for p in set().union(*strums):
            crossed = sum(min(strum) <= p <= max(strum) for strum in strums)
            of = max(crossed, _REACHED_SHARE * len(strums))
            share[p % 12] = max(share[p % 12], sum(p in strum for strum in strums) / of)
        if np.any((share > _STRAY_SHARE) & (share < _STRUCK_SHARE)):
            continue
        tones = set(np.flatnonzero(share >= _STRUCK_SHARE))
        root = pairs[path[a]][0]
        exact = [
            row
            for row, (low, kind) in enumerate(pairs)
            if low == root
            and not tones - chord_pcs(low, kind)
            and not chord_pcs(low, kind) - tones - {(low + s) % 12 for s in KINDS[kind].optional}
        ]
        if exact and path[a] not in exact:
            out[a:b] = exact[0]
    return out


def _suspended(path: npt.NDArray[np.int64], played: Played) -> npt.NDArray[np.int64]:
    """The path, with each bar suspended that strikes a second or fourth in place of the third.

    Such a bar between bars of the plain chord costs two changes, which few notes outweigh.
    """
    if played.bar_starts is None or played.is_single_line:
        return path
    pairs = states()[0]
    out = path.copy()
    bars = np.append(np.flatnonzero(played.bar_starts), played.beats)
    for a, b in itertools.pairwise(bars.tolist()):
        root, kind = pairs[path[a]]
        if kind not in ("", "m") or np.any(path[a:b] != path[a]):
            continue
        struck = played.notes.pitch[(played.slot >= a) & (played.slot < b)]
        steps = {int(pitch - root) % 12 for pitch in struck}
        for name in ("sus2", "sus4"):
            if steps == set(KINDS[name].steps):
                out[a:b] = pairs.index((root, name))
    return out


def _moved_to_strokes(spans: tuple[ChordSpan, ...], played: Played) -> tuple[ChordSpan, ...]:
    """The spans, with a change moved to the stroke that begins it where that is off the beat.

    Players bring a chord in half a beat early or late; the strokes of the two beats around a
    change say which of the two chords each of them belongs to.
    """
    pairs, log_p, _, _ = states()
    pitch, strength = played.notes.pitch, played.strength
    at = _stroke_slots(played)
    out = list(spans)
    for i, (old, new) in enumerate(itertools.pairwise(spans)):
        beat = new.start_beat
        if old.end_beat != beat:
            continue
        rows = [pairs.index((span.chord.root_pc, span.kind)) for span in (old, new)]
        inside = range(max(old.start_beat, beat - 1), min(new.end_beat, beat + 1))
        begin, end = bisect_left(at, inside.start), bisect_left(at, inside.stop)
        around = played.strokes[begin:end]
        gain = np.array(
            [strength[g] @ (log_p[rows[1]] - log_p[rows[0]])[pitch[g] % 12] for g in around]
        )
        # How well the new chord explains all from each stroke on, the old one what is before.
        after = np.append(np.cumsum(gain[::-1])[::-1], 0.0)
        on_beat = bisect_left(at, beat, begin, end) - begin
        best = int(after.argmax())
        if best == len(around) or len(set(pitch[around[best]]) - set(played.drones)) < 2:
            continue  # one note of a line is no chord that comes early
        if after[best] - after[on_beat] < _MOVE_GAIN_NATS:
            continue
        start = float(played.notes.onset[around[best][0]])
        if abs(start - played.edges[beat]) > played.near_sec:
            out[i] = replace(out[i], end_sec=start)
            out[i + 1] = replace(out[i + 1], start_sec=start)
    return tuple(out)


def _with_power(
    spans: tuple[ChordSpan, ...], played: Played, mode: Mode | None
) -> tuple[ChordSpan, ...]:
    """The spans, with those of power chords cut out and each power chord named where it is struck.

    Power chords may change between two beats.
    """
    notes, groups, edges = played.notes, played.strokes, played.edges
    out = list(spans)
    for run in power_runs(notes, groups, played.lasting, played.drones):
        starts = [_snapped(float(notes.onset[groups[i][0]]), played) for i, *_ in run.changes]
        if run.end < len(groups):
            end = _snapped(float(notes.onset[groups[run.end][0]]), played)
        else:
            end = _snapped(float(notes.end[np.concatenate(groups[run.first :])].max()), played)
            end = min(float(edges[np.searchsorted(edges[:-1], end)]), float(edges[-1]))
        own = []
        for (i, root, kind), (start, stop) in zip(
            run.changes, itertools.pairwise([*starts, end]), strict=True
        ):
            name = _name(root, mode)
            beats = (
                int(np.searchsorted(edges, start, side="right")) - 1,
                int(np.searchsorted(edges, stop)),
            )
            sure = float(notes.weight[groups[i]].mean())
            chord = Chord(name, kind, name)
            own.append(_span(chord, root, (start, stop), beats, sure, False, None, mode))
        out = [part for span in out for part in _outside(span, starts[0], end, played)] + own
    return _joined(sorted(out, key=lambda span: span.start_sec))


def _snapped(sec: float, played: Played) -> float:
    """The beat that is meant, where one is near; else the time itself."""
    near = float(played.edges[np.abs(played.edges - sec).argmin()])
    return near if abs(near - sec) <= played.near_sec else sec


def _outside(span: ChordSpan, start: float, end: float, played: Played) -> list[ChordSpan]:
    """What is left of a span outside ``start`` to ``end``; slivers are dropped."""
    edges, least = played.edges, played.near_sec
    parts = []
    if min(span.end_sec, start) - span.start_sec > least:
        last = min(span.end_beat, int(np.searchsorted(edges, start)))
        parts.append(replace(span, end_sec=min(span.end_sec, start), end_beat=last))
    if span.end_sec - max(span.start_sec, end) > least:
        first = max(span.start_beat, int(np.searchsorted(edges, end, side="right")) - 1)
        parts.append(replace(span, start_sec=max(span.start_sec, end), start_beat=first))
    return parts


def _joined(spans: list[ChordSpan]) -> tuple[ChordSpan, ...]:
    """The spans with neighbours of one name made one."""
    out: list[ChordSpan] = []
    for span in spans:
        if out and out[-1].symbol == span.symbol and span.start_sec - out[-1].end_sec < 1e-6:
            out[-1] = replace(out[-1], end_sec=span.end_sec, end_beat=span.end_beat)
        else:
            out.append(span)
    return tuple(out)


def _span(
    chord: Chord,
    bass_pc: int,
    seconds: tuple[float, float],
    beats: tuple[int, int],
    confidence: float,
    implied: bool,
    pedal: int | None,
    mode: Mode | None,
) -> ChordSpan:
    bass = next((name for _, name, pc in chord_tones(chord) if pc == bass_pc), chord.root)
    chord = Chord(chord.root, chord.kind, bass)
    under = None
    if pedal is not None and pedal != chord.root_pc:
        under = mode.spell(pedal) if mode else USUAL_NAMES[pedal]
    return ChordSpan(
        start_sec=seconds[0],
        end_sec=seconds[1],
        symbol=chord.symbol,
        roman=roman_numeral(chord, mode) if mode else "",
        root=chord.root,
        kind=chord.kind,
        bass=bass,
        confidence=confidence,
        implied=implied,
        pedal=under,
        borrowed=borrowed_from(chord, mode) if mode else None,
        start_beat=beats[0],
        end_beat=beats[1],
    )


def _name(root: int, mode: Mode | None) -> str:
    return mode.spell(root) if mode else USUAL_NAMES[root]


def _bass(played: Played, strokes: Sequence[npt.NDArray[np.int64]]) -> int | None:
    """Pitch class of the bass of some strokes: the lowest note of the fullest, or the one before.

    None for a single line.
    """
    broken = [stroke for stroke in strokes if len(stroke) == 1]
    if 2 * len(broken) > len(strokes):
        # Picked one by one: the note that it starts on, if no other lies as low.
        pitches = played.notes.pitch[np.concatenate(list(strokes))]
        first = int(played.notes.pitch[strokes[0]].min())
        return None if first > pitches.min() or first in played.drones else first % 12
    full = [stroke for stroke in strokes if len(stroke) > 1]
    if broken and full and len(strokes[0]) == 1:
        # Bass, then chord: the bass that it starts on, where the chords lie above it.
        first = int(played.notes.pitch[strokes[0][0]])
        if first <= played.notes.pitch[np.concatenate(full)].min():
            return None if first in played.drones else first % 12
    sums: dict[int, float] = {}
    for stroke in strokes:
        low = lowest_of_chord(played, stroke)
        if low is not None:
            sums[low] = sums.get(low, 0.0) + float(len(stroke)) ** 2
    if not sums:
        return None
    top = max(sums.values())
    # An upstroke misses the low strings, so a lower note that comes nearly as often wins.
    low = min(p for p, s in sums.items() if s >= _MIN_LOWER_SHARE * top)
    share = sum(s for p, s in sums.items() if p % 12 == low % 12) / sum(sums.values())
    return None if low in played.drones or share < _MIN_BASS_SHARE else low % 12
