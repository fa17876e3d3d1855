"""How well each chord explains what is heard in each beat.

Conventions: times in seconds; arrays of beats have one row per beat, arrays of states one column
per state of `states`. Values are natural logarithms of likelihoods, unless a line says otherwise.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from theory.arrays import STROKE_SEC, FloatArray, Notes
from theory.chord_symbols import KINDS
from theory.modes import Mode
from theory.scales import MODES

__all__ = [
    "CHORD_STATES",
    "Played",
    "arpeggio_basses",
    "bar_of_beats",
    "by_beat_and_stroke",
    "chord_pcs",
    "chord_prior",
    "likelihood",
    "lowest_of_chord",
    "prior_by_beat",
    "states",
    "tonic_prior",
    "weights_by_beat",
]

CHORD_STATES: Mapping[str, float] = MappingProxyType(
    {
        "": 0.0,
        "m": 0.0,
        "5": -0.6,
        "7": -1.2,
        "m7": -1.2,
        "maj7": -1.4,
        "sus4": -1.6,
        "sus2": -1.8,
        "add9": -2.4,
        "madd9": -2.8,
        "dim": -2.4,
        "aug": -3.0,
        "6": -2.6,
        "m6": -3.0,
        "7sus4": -2.8,
        "m7b5": -2.8,
        "dim7": -3.0,
        "9": -3.4,
        "m9": -3.6,
        "mMaj7": -3.8,
    }
)
"""Kinds that a beat may be heard as, with the logarithm of how common each is (by hand)."""

_FOREIGN_SHARE = 0.05  # share of the notes that no chord explains
_P_BASS_ROOT, _P_BASS_TONE = 0.8, 0.17  # the lowest note is the root / another chord tone
_HOME_NATS = 0.8  # what a drone on the tonic or fifth says in each beat for the tonic's chord
_SHORT_SHARE = 0.45  # a note shorter than this share of the longest in its stroke is doubted
_OFF_MODE_NATS = -1.0
_PRIOR_SHARE = 0.6  # how much of a chord's chord_prior counts in each beat,
_PRIOR_NOTES = 8.0  # of so many notes or more; in a beat of fewer it counts for less
_MIN_BROKEN_NOTES = 4  # notes one by one in a bar for a broken chord,
_BASS_GAP_SEMITONES = 3  # whose bass lies this many semitones under the rest,
_BROKEN_BASS_STROKES = 2.0  # and counts for this many strokes
_FULL_COUNT_NOTES = 6.0  # notes in a beat that count in full
_RING_SHARE = 0.35  # a note that only rings on counts for this much of a struck one,
_RING_UNDER_SHARE = 0.06  # and for this much where others are struck
_DRONE_SHARE = 0.12  # and a drone's note for this much, because it sounds whatever the chord is
_NEAR_BEATS = 0.25  # of a beat, within which a stroke is meant to be on it
_BAR_STRUCK_NOTES = 3.0  # notes struck in a bar, after which what rings on from before says little
_LOOK_BACK_STROKES = 6  # strokes; what was struck before them has been struck over
_MAX_BROKEN_STEPS_SHARE = 0.4  # of the moves of broken chords that are steps, set by hand
_MAX_MISHEARD_SHARE = 0.2  # of the strokes of a line that may seem to be chords, set by hand

# In beats, unless the name says otherwise; set by hand and checked with `tests.bench.theory`.
_EARLY_BEATS = 0.12  # a note struck so little before a beat belongs to it
_BAR_NEAR_BEATS = 0.3  # so near to a downbeat a beat begins the bar
_LEAD_BEATS = 0.25  # notes so little before the first beat go with it
_AFTER_LAST_SEC = 0.05  # a note so little after the last beat's end still belongs to it
_MIN_OVERLAP_BEATS = 0.25  # a note that rings less far into a beat says nothing there
_STRUCK_NOTES = 1.5  # struck in a beat, from which what rings on from before counts less
_MIN_LASTING = 0.5  # of the longest note of its stroke: a shorter one is no bass
_FULL_STROKE_NOTES = 4  # a full stroke starts on the bass; an upstroke of fewer strings need not,
_PART_STROKE_SHARE = 0.3  # and its lowest note counts for this much
_ROOT_DOUBLED = 0.4  # how much more often a root is sounded than another note of its chord


@lru_cache(maxsize=1)
def states() -> tuple[tuple[tuple[int, str], ...], FloatArray, npt.NDArray[np.bool_], FloatArray]:
    """States, log P(note | state), whether a pitch class is in the state, log prior."""
    pairs = tuple((root, kind) for kind in CHORD_STATES for root in range(12))
    log_p = np.empty((len(pairs), 12))
    inside = np.zeros((len(pairs), 12), dtype=bool)
    prior = np.array([CHORD_STATES[kind] for _, kind in pairs])
    for row, (root, kind) in enumerate(pairs):
        shape = KINDS[kind]
        size = len(shape.steps)
        shares = {
            step: (1.0 + _ROOT_DOUBLED * (step == 0)) / (size + _ROOT_DOUBLED)
            for step in shape.steps
        }
        for pc in range(12):
            step = (pc - root) % 12
            inside[row, pc] = step in shares
            p = (
                shares[step] * (1 - _FOREIGN_SHARE)
                if step in shares
                else _FOREIGN_SHARE / (12 - size)
            )
            log_p[row, pc] = np.log(p)
    return pairs, log_p, inside, prior


@dataclass(frozen=True)
class Played:
    """The notes of a riff by beat and by stroke.

    ``edges`` (beats + 1,) are where beats begin and the last one ends; they cover every note.
    ``strokes`` are indices of notes, each within `STROKE_SEC` of the note before. ``lasting`` (n,),
    0.1-1, is how long each note lasts against the longest of its stroke: a note that a listener
    mishears in a full stroke is mostly short; a stroke that is damped as a whole loses nothing.
    ``drones`` are the pitches of the drone, ``downbeats`` where bars begin, None if not known.
    """

    notes: Notes
    edges: FloatArray
    strokes: list[npt.NDArray[np.int64]]
    lasting: FloatArray
    drones: tuple[int, ...]
    downbeats: FloatArray | None

    @property
    def beats(self) -> int:
        """How many beats there are."""
        return self.edges.size - 1

    @cached_property
    def beat_sec(self) -> float:
        """The usual length of a beat in seconds."""
        return float(np.median(np.diff(self.edges)))

    @property
    def near_sec(self) -> float:
        """How near to a beat a stroke is meant to be on it."""
        return _NEAR_BEATS * self.beat_sec

    @cached_property
    def slot(self) -> npt.NDArray[np.int64]:
        """Beat of each note (n,); one struck a little before a beat belongs to it."""
        early = _EARLY_BEATS * self.beat_sec
        slot = np.searchsorted(self.edges, self.notes.onset + early, side="right") - 1
        return np.clip(slot, 0, self.beats - 1)

    @cached_property
    def on_drone(self) -> npt.NDArray[np.bool_]:
        """Whether each note (n,) is the drone's."""
        return np.isin(self.notes.pitch, self.drones)

    @cached_property
    def strength(self) -> FloatArray:
        """How much each note (n,) says of the chord."""
        return np.asarray(
            self.notes.weight * self.lasting * np.where(self.on_drone, _DRONE_SHARE, 1.0)
        )

    @cached_property
    def bar_starts(self) -> npt.NDArray[np.bool_] | None:
        """Whether a bar begins with each beat (beats,); None where bars are not known."""
        if self.downbeats is None:
            return None
        beats, near = self.edges[:-1], _BAR_NEAR_BEATS * self.beat_sec
        after = np.searchsorted(self.downbeats, beats - near)
        ahead = np.append(self.downbeats, np.inf)[after] - beats
        return np.asarray(ahead <= near)

    @cached_property
    def is_single_line(self) -> bool:
        """Whether the notes beside the drone come one at a time, so that no chord is played.

        Notes struck together make a chord, and so do three that ring into each other, as in an
        arpeggio, which leaps from string to string: a line that goes by steps is one although its
        notes ring, as all that a tab writes are taken to do. A listener mishears a second note now
        and then.
        """
        notes, line = self.notes, ~self.on_drone
        chosen = [own for stroke in self.strokes if (own := stroke[line[stroke]]).size]
        moves = np.abs(np.diff([int(notes.pitch[stroke].min()) for stroke in chosen]))
        steps = np.count_nonzero((moves == 1) | (moves == 2))
        broken = steps <= _MAX_BROKEN_STEPS_SHARE * np.count_nonzero(moves)
        chords = 0
        for i, stroke in enumerate(chosen):
            now = float(notes.onset[stroke[0]])
            until = float(notes.onset[chosen[i + 1][0]]) if i + 1 < len(chosen) else now
            before = np.concatenate(chosen[max(0, i - _LOOK_BACK_STROKES) : i] or [stroke[:0]])
            ringing = before[notes.end[before] > now + 0.5 * (until - now)]
            together = len({int(p) % 12 for p in notes.pitch[stroke]})
            sounding = len({int(p) % 12 for p in notes.pitch[np.append(stroke, ringing)]})
            chords += bool(together > 1 or (broken and sounding > 2))
        return chords < _MAX_MISHEARD_SHARE * len(chosen)


def by_beat_and_stroke(
    notes: Notes, beats: FloatArray, drones: tuple[int, ...], downbeats: FloatArray | None
) -> Played:
    """The notes by beat and stroke; the outermost beats are carried on until they cover them."""
    step = float(np.median(np.diff(beats))) if beats.size > 1 else float(notes.end.max()) + 1.0
    first = beats[0]
    extra = []
    while first > notes.onset.min() + _LEAD_BEATS * step:
        first -= step
        extra.append(first)
    edges = np.concatenate((np.array(extra[::-1]), beats))
    while edges[-1] < notes.onset.max() + _AFTER_LAST_SEC:
        edges = np.append(edges, edges[-1] + step)
    breaks = np.flatnonzero(np.diff(notes.onset) > STROKE_SEC) + 1
    strokes = [np.asarray(g) for g in np.split(np.arange(len(notes)), breaks)]
    lasting = np.ones(len(notes))
    for stroke in strokes:
        longest = float(notes.duration[stroke].max())
        lasting[stroke] = np.clip(notes.duration[stroke] / (_SHORT_SHARE * longest), 0.1, 1.0)
    return Played(notes, edges, strokes, lasting, drones, downbeats)


def weights_by_beat(played: Played) -> FloatArray:
    """How much of each pitch class every beat holds, shape (beats, 12).

    What rings on from an earlier bar says little where the bar strikes a chord's worth itself.
    """
    notes, edges, slot, n = played.notes, played.edges, played.slot, played.beats
    out = np.zeros((n, 12))
    np.add.at(out, (slot, notes.pitch % 12), played.strength)
    length = np.diff(edges)
    begun = out.sum(axis=1)
    bar = bar_of_beats(played)
    by_bar = np.bincount(bar, weights=begun)
    for i in range(len(notes)):
        for beat in range(slot[i] + 1, n):
            overlap = min(notes.end[i], edges[beat + 1]) - edges[beat]
            if overlap <= _MIN_OVERLAP_BEATS * length[beat]:
                break
            old = bar[beat] > bar[slot[i]] and by_bar[bar[beat]] >= _BAR_STRUCK_NOTES
            ring = _RING_UNDER_SHARE if old or begun[beat] >= _STRUCK_NOTES else _RING_SHARE
            share = overlap / length[beat]
            out[beat, notes.pitch[i] % 12] += ring * played.strength[i] * share
    return out


def bar_of_beats(played: Played) -> npt.NDArray[np.int64]:
    """Which bar each beat lies in, from 0 (a pickup); all in one where bars are not known."""
    if played.downbeats is None:
        return np.zeros(played.beats, dtype=np.int64)
    starts = played.downbeats - played.near_sec
    return np.searchsorted(starts, played.edges[:-1], side="right").astype(np.int64)


def likelihood(played: Played, weights: FloatArray) -> FloatArray:
    """Log-likelihood of every beat under every state, shape (beats, states)."""
    log_p = states()[1]
    # Many notes in one beat are not independent evidence: grow with the root of their number.
    total = weights.sum(axis=1, keepdims=True)
    scale = np.where(
        total > _FULL_COUNT_NOTES, np.sqrt(_FULL_COUNT_NOTES / np.maximum(total, 1e-9)), 1.0
    )
    out = (weights * scale) @ log_p.T
    for stroke in played.strokes:
        low = lowest_of_chord(played, stroke)
        if low is not None and low not in played.drones:
            share = 1.0 if len(stroke) >= _FULL_STROKE_NOTES else _PART_STROKE_SHARE
            out[played.slot[stroke[0]]] += share * _bass_odds(low)
    out[weights.sum(axis=1) <= 0] = 0.0
    return np.asarray(out, dtype=np.float64)


def prior_by_beat(played: Played, weights: FloatArray, prior: FloatArray) -> FloatArray:
    """How much the ``prior`` of the states counts in every beat, shape (beats, states).

    It counts by the notes that it is weighed against, so that a chord that is picked is named as
    the same one that is strummed; the few notes of a single line only hint at a chord.
    """
    total = weights.sum(axis=1, keepdims=True)
    if played.is_single_line:
        share = (total > 0).astype(np.float64)
    else:
        share = np.minimum(1.0, total / _PRIOR_NOTES)
    return np.asarray(_PRIOR_SHARE * share * prior, dtype=np.float64)


def lowest_of_chord(played: Played, stroke: npt.NDArray[np.int64]) -> int | None:
    """Lowest pitch of a stroke of two different notes or more, without what is too short."""
    pitches = played.notes.pitch[stroke][played.lasting[stroke] > _MIN_LASTING]
    return int(pitches.min()) if len(set(pitches % 12)) > 1 else None


def tonic_prior(drones: tuple[int, ...], mode: Mode | None) -> FloatArray:
    """What a drone says in every beat about the chord over it, shape (states,).

    Where the drone is the tonic of the mode or its fifth, the tonic's own triad is what is heard
    until the melody states another chord.
    """
    pairs = states()[0]
    if mode is None:
        return np.zeros(len(pairs))
    shape = MODES[mode.full_name]
    fifth = 7 if 7 in shape.semitones else 6
    if (min(drones) - mode.tonic_pc) % 12 not in (0, fifth):
        return np.zeros(len(pairs))
    kind = ("m" if fifth == 7 else "dim") if shape.minor else ""
    return _HOME_NATS * np.array(
        [pair == (mode.tonic_pc, kind) for pair in pairs], dtype=np.float64
    )


def chord_prior(mode: Mode | None) -> FloatArray:
    """Logarithm of how common each state is, up to a constant, shape (states,)."""
    pairs, _, _, prior = states()
    if mode is None:
        return prior
    own = {(mode.tonic_pc + step) % 12 for step in MODES[mode.full_name].semitones}
    foreign = np.array([bool(chord_pcs(root, kind) - own) for root, kind in pairs])
    return np.asarray(prior + _OFF_MODE_NATS * foreign, dtype=np.float64)


def _bass_odds(low: int) -> FloatArray:
    """Log-likelihood of the lowest note under each state, shape (states,)."""
    pairs, _, inside, _ = states()
    roots = np.array([root for root, _ in pairs])
    other = np.where(
        inside[:, low % 12], np.log(_P_BASS_TONE), np.log(1 - _P_BASS_ROOT - _P_BASS_TONE)
    )
    return np.asarray(np.where(roots == low % 12, np.log(_P_BASS_ROOT), other), dtype=np.float64)


def arpeggio_basses(played: Played) -> FloatArray:
    """What the first, lowest note of each broken chord says, shape (beats, states).

    A bar that starts on its lowest note, well under the rest, with notes struck one by one,
    is a broken chord on its bass.
    """
    out = np.zeros((played.beats, len(states()[0])))
    if played.bar_starts is None:
        return out
    notes, slot = played.notes, played.slot
    single = np.zeros(len(notes), dtype=bool)
    for stroke in played.strokes:
        single[stroke] = len(stroke) == 1
    bars = np.flatnonzero(played.bar_starts)
    for start, end in zip(bars, np.append(bars, played.beats)[1:], strict=True):
        inside = np.flatnonzero((slot >= start) & (slot < end) & single & ~played.on_drone)
        if len(inside) < _MIN_BROKEN_NOTES:
            continue
        first, rest = notes.pitch[inside[0]], notes.pitch[inside[1:]]
        if (
            slot[inside[0]] == start
            and first <= rest.min() - _BASS_GAP_SEMITONES
            and len(set(rest)) >= 2
        ):
            out[start] += _BROKEN_BASS_STROKES * _bass_odds(int(first))
    return out


def chord_pcs(root: int, kind: str) -> set[int]:
    return {(root + s) % 12 for s in KINDS[kind].steps}
