"""How well each chord explains what is heard in each beat.

Conventions: times in seconds; arrays of beats have one row per beat, arrays of states one column
per state of `states`. All values are natural logarithms of likelihoods unless said otherwise.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from theory.arrays import STROKE_SEC, FloatArray, Notes
from theory.chord_symbols import KINDS
from theory.modes import Mode
from theory.scales import MODES

__all__ = [
    "CHORD_STATES",
    "DRONE",
    "NEAR_BEAT",
    "Strokes",
    "arpeggio_basses",
    "beat_edges",
    "beat_of",
    "chord_pcs",
    "chord_prior",
    "is_single_line",
    "likelihood",
    "states",
    "strokes",
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

_FOREIGN = 0.05  # share of the notes that no chord explains
_BASS_ROOT, _BASS_TONE = 0.8, 0.17  # the lowest note is the root / another chord tone
_HOME = 0.8  # what a drone on the tonic or fifth says in each beat for the tonic's chord
_SHORT = 0.45  # a note shorter than this share of the longest in its stroke is doubted
_OFF_MODE = -1.0
_PRIOR = 0.6  # how much of a chord's chord_prior counts in each beat
_BROKEN = 4  # notes one by one in a bar for a broken chord,
_BASS_GAP = 3  # whose bass lies this many semitones under the rest,
_BROKEN_BASS = 2.0  # and counts for this many strokes
_ENOUGH = 6.0  # notes in a beat that count in full
_RING = 0.35  # a note that only rings on counts for this much of a struck one,
_RING_UNDER = 0.06  # and for this much where others are struck
NEAR_BEAT = 0.25  # of a beat, within which a stroke is meant to be on it
_BAR_STRUCK = 3.0  # notes struck in a bar, after which what rings on from before says little
_LOOK_BACK = 6  # strokes; what was struck before them has been struck over
_MISHEARD_SHARE = 0.2  # of the strokes of a line that may seem to be chords, set by hand
DRONE = 0.12  # and a drone's note for this much, because it sounds whatever the chord is


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
        # The root is doubled more often than the others, which share the rest alike.
        shares = {step: (1.0 + 0.4 * (step == 0)) / (size + 0.4) for step in shape.steps}
        for pc in range(12):
            step = (pc - root) % 12
            inside[row, pc] = step in shares
            p = shares[step] * (1 - _FOREIGN) if step in shares else _FOREIGN / (12 - size)
            log_p[row, pc] = np.log(p)
    return pairs, log_p, inside, prior


def beat_edges(notes: Notes, beats: FloatArray) -> FloatArray:
    """Beat boundaries that cover every note; the last gap is carried on to the end."""
    step = float(np.median(np.diff(beats))) if beats.size > 1 else float(notes.end.max()) + 1.0
    first = beats[0]
    extra = []
    while first > notes.onset.min() + 0.25 * step:
        first -= step
        extra.append(first)
    edges = np.concatenate((np.array(extra[::-1]), beats))
    while edges[-1] < notes.onset.max() + 0.05:
        edges = np.append(edges, edges[-1] + step)
    return edges


def beat_of(notes: Notes, edges: FloatArray) -> npt.NDArray[np.int64]:
    """Beat of each note; one struck a little before a beat belongs to it."""
    early = 0.12 * float(np.median(np.diff(edges))) if edges.size > 1 else 0.0
    slot = np.searchsorted(edges, notes.onset + early, side="right") - 1
    return np.clip(slot, 0, edges.size - 2)


def weights_by_beat(
    notes: Notes,
    struck: Strokes,
    edges: FloatArray,
    drones: tuple[int, ...],
    downbeats: FloatArray | None,
) -> FloatArray:
    """How much of each pitch class every beat holds, shape (beats, 12).

    What rings on from an earlier bar says little where the bar strikes a chord's worth itself.
    """
    n = edges.size - 1
    out = np.zeros((n, 12))
    drone = np.where(np.isin(notes.pitch, drones), DRONE, 1.0)
    strength = notes.weight * drone * struck.lasting
    slot = beat_of(notes, edges)
    np.add.at(out, (slot, notes.pitch % 12), strength)
    length = np.diff(edges)
    begun = out.sum(axis=1)
    bar = _bar_of(edges, downbeats)
    by_bar = np.bincount(bar, weights=begun)
    for i in range(len(notes)):
        for beat in range(slot[i] + 1, n):
            overlap = min(notes.end[i], edges[beat + 1]) - edges[beat]
            if overlap <= 0.25 * length[beat]:
                break
            old = bar[beat] > bar[slot[i]] and by_bar[bar[beat]] >= _BAR_STRUCK
            ring = _RING_UNDER if old or begun[beat] >= 1.5 else _RING
            out[beat, notes.pitch[i] % 12] += ring * strength[i] * overlap / length[beat]
    return out


def _bar_of(edges: FloatArray, downbeats: FloatArray | None) -> npt.NDArray[np.int64]:
    """Which bar each beat lies in, from 0 (a pickup); all in one where bars are not known."""
    n = edges.size - 1
    if downbeats is None:
        return np.zeros(n, dtype=np.int64)
    near = NEAR_BEAT * float(np.median(np.diff(edges)))
    return np.searchsorted(downbeats - near, edges[:-1], side="right").astype(np.int64)


@dataclass(frozen=True, slots=True)
class Strokes:
    """Which notes are struck together, and how far each of them is to be believed.

    ``groups`` are indices of notes, each within `STROKE_SEC` of the note before. ``lasting``, (n,),
    0.1-1, is how long each note lasts against the longest of its stroke: what a listener mishears
    in a full stroke is mostly short; a stroke that is damped as a whole loses nothing.
    """

    groups: list[npt.NDArray[np.int64]]
    lasting: FloatArray


def strokes(notes: Notes) -> Strokes:
    """The strokes of a riff."""
    breaks = np.flatnonzero(np.diff(notes.onset) > STROKE_SEC) + 1
    groups = [np.asarray(g) for g in np.split(np.arange(len(notes)), breaks)]
    lasting = np.ones(len(notes))
    for group in groups:
        longest = float(notes.duration[group].max())
        lasting[group] = np.clip(notes.duration[group] / (_SHORT * longest), 0.1, 1.0)
    return Strokes(groups, lasting)


def is_single_line(notes: Notes, struck: Strokes, drones: tuple[int, ...]) -> bool:
    """Whether the notes beside the drone come one at a time, so that no chord is played.

    Notes struck together make a chord, and so do three that ring into each other, as in an
    arpeggio; a listener mishears a second note now and then.
    """
    line = ~np.isin(notes.pitch, drones)
    chosen = [group[line[group]] for group in struck.groups]
    chosen = [group for group in chosen if group.size]
    chords = 0
    for i, group in enumerate(chosen):
        now = float(notes.onset[group[0]])
        until = float(notes.onset[chosen[i + 1][0]]) if i + 1 < len(chosen) else now
        before = np.concatenate(chosen[max(0, i - _LOOK_BACK) : i] or [group[:0]])
        ringing = before[notes.end[before] > now + 0.5 * (until - now)]
        together = len({int(p) % 12 for p in notes.pitch[group]})
        sounding = len({int(p) % 12 for p in notes.pitch[np.append(group, ringing)]})
        chords += together > 1 or sounding > 2
    return chords < _MISHEARD_SHARE * len(chosen)


def likelihood(
    notes: Notes,
    struck: Strokes,
    edges: FloatArray,
    weights: FloatArray,
    drones: tuple[int, ...],
    common: FloatArray,
) -> FloatArray:
    """Log-likelihood of every beat under every state, shape (beats, states)."""
    log_p = states()[1]
    # Many notes in one beat are not independent evidence: grow with the root of their number.
    total = weights.sum(axis=1, keepdims=True)
    scale = np.where(total > _ENOUGH, np.sqrt(_ENOUGH / np.maximum(total, 1e-9)), 1.0)
    out = (weights * scale) @ log_p.T
    slot = beat_of(notes, edges)
    for group in struck.groups:
        pitches = notes.pitch[group][struck.lasting[group] > 0.5]
        if len(set(pitches % 12)) < 2:
            continue
        low = int(pitches.min())
        if low in drones:
            continue
        # A full stroke starts on the bass; an upstroke of three strings need not.
        out[slot[group[0]]] += (1.0 if len(group) >= 4 else 0.3) * _bass_odds(low)
    quiet = weights.sum(axis=1) <= 0
    out[~quiet] += _PRIOR * common
    out[quiet] = 0.0
    return np.asarray(out, dtype=np.float64)


def tonic_prior(drones: tuple[int, ...], mode: Mode | None) -> FloatArray:
    """What a drone says in every beat about the chord over it, shape (states,).

    Where the drone is the tonic of the mode or its fifth, the tonic's own triad is what is heard
    until the melody says otherwise.
    """
    pairs = states()[0]
    if mode is None:
        return np.zeros(len(pairs))
    shape = MODES[mode.name]
    fifth = 7 if 7 in shape.semitones else 6
    if (min(drones) - mode.tonic_pc) % 12 not in (0, fifth):
        return np.zeros(len(pairs))
    kind = {(3, 7): "m", (3, 6): "dim"}.get((shape.third, fifth), "")
    return _HOME * np.array([pair == (mode.tonic_pc, kind) for pair in pairs], dtype=np.float64)


def chord_prior(mode: Mode | None) -> FloatArray:
    """Logarithm of how common each state is, up to a constant, shape (states,)."""
    pairs, _, _, prior = states()
    if mode is None:
        return prior
    own = {(mode.tonic_pc + step) % 12 for step in MODES[mode.full_name].semitones}
    foreign = np.array([bool(chord_pcs(root, kind) - own) for root, kind in pairs])
    return np.asarray(prior + _OFF_MODE * foreign, dtype=np.float64)


def _bass_odds(low: int) -> FloatArray:
    """Log-likelihood of the lowest note under each state, shape (states,)."""
    pairs, _, inside, _ = states()
    roots = np.array([root for root, _ in pairs])
    other = np.where(inside[:, low % 12], np.log(_BASS_TONE), np.log(1 - _BASS_ROOT - _BASS_TONE))
    return np.asarray(np.where(roots == low % 12, np.log(_BASS_ROOT), other), dtype=np.float64)


def arpeggio_basses(
    notes: Notes,
    struck: Strokes,
    edges: FloatArray,
    drones: tuple[int, ...],
    downbeats: FloatArray | None,
) -> FloatArray:
    """What the first, lowest note of each broken chord says, shape (beats, states).

    A bar that starts on its lowest note, well under the rest, with notes struck one by one,
    is a broken chord on its bass.
    """
    out = np.zeros((edges.size - 1, len(states()[0])))
    if downbeats is None:
        return out
    slot = beat_of(notes, edges)
    single = np.zeros(len(notes), dtype=bool)
    for group in struck.groups:
        single[group] = len(group) == 1
    gap = float(np.median(np.diff(edges)))
    bars = np.flatnonzero(np.abs(edges[:-1, None] - downbeats[None, :]).min(axis=1) <= 0.3 * gap)
    for start, end in zip(bars, np.append(bars, edges.size - 1)[1:], strict=True):
        inside = np.flatnonzero(
            (slot >= start) & (slot < end) & single & ~np.isin(notes.pitch, drones)
        )
        if len(inside) < _BROKEN:
            continue
        first, rest = notes.pitch[inside[0]], notes.pitch[inside[1:]]
        if slot[inside[0]] == start and first <= rest.min() - _BASS_GAP and len(set(rest)) >= 2:
            out[start] += _BROKEN_BASS * _bass_odds(int(first))
    return out


def chord_pcs(root: int, kind: str) -> set[int]:
    return {(root + s) % 12 for s in KINDS[kind].steps}
