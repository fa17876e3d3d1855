"""From the network's answer to notes, knowing what a guitar can do.

Conventions: frames are `features.HOP` samples apart; candidates are kept as arrays, one row each,
until the last step makes `DetectedNote` notes in seconds.

Every peak of the onset share is a candidate. What speaks for and against each (`evidence`) is
weighed by a small logistic model, fitted by ``transcribe.training.fit_note_decoding`` and kept in
``note_decoding.json``: above all, whether a note an octave, a twelfth or two octaves lower is
struck at that moment, of which the candidate may be but an overtone, and whether its own string
still rings, so that it would be struck again. How many candidates are notes differs from take to
take, and is estimated from the take itself (`prior_shift`). The result is the note's confidence: of
notes with 0.9, nine in ten are right. A string then sounds one note: what cannot be held together
is cut or dropped.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from transcribe.core.pitch import PARTIAL_SEMITONES
from transcribe.core.riff import ARTICULATIONS, Instrument
from transcribe.notes import features as feat
from transcribe.notes.network import FIRST_MIDI, PITCHES, Activations
from transcribe.notes.segments import in_talk
from transcribe.notes.strings import fit_strings

__all__ = [
    "EVIDENCE",
    "FRAME_SEC",
    "Candidates",
    "DetectedNote",
    "candidates",
    "confidence",
    "decode",
    "decode_with_doubtful",
    "evidence",
    "prior_shift",
]

FRAME_SEC = feat.HOP / feat.SR

_ONSET_FLOOR = 0.12  # a peak lower than this is never looked at
_COPY_FLOOR = 0.03  # the same for the copies of an echo, which the network was taught to pass by
_COPY_NEAR = 0.5  # frames (12 ms) from its place
_APART = 2  # frames within which one pitch has but one onset (46 ms)
_STILL = 0.4  # a note sounds on while its share is over this
_MIN_LENGTH_FRAMES = 2
_MAX_SHIFT = 2.0
"""The most that `prior_shift` takes from the log odds of a take's candidates: more would empty a
take that is unclear all over. Chosen on rendered clips with a driven amplifier."""
_MAX_CONFIDENCE = 0.98  # no rendered clip holds all that a real take does, so no note is surer
_MAX_ROUNDS = 100
_CONVERGED = 1e-4  # log odds
_MIN_CONFIDENCE = 0.5  # confidence of a note that is kept
_MIN_CONFIDENCE_OUTSIDE = 0.85  # the same, for pitches that no string can give
_MIN_DOUBTFUL = 0.08  # confidence of what is no note, unless the hand holds its grip there
_BELOW = PARTIAL_SEMITONES[1:5]  # from a pitch to those it is partial 2, 3, 4 or 5 of

EVIDENCE = (
    "onset",
    "onset, squared",
    "sounds at once",
    "sounds later",
    "rang before",
    "rang before x onset",
    "struck below",
    "struck below x onset",
    "rings below",
    "octave below",
    "struck beside",
    "just struck",
    "stops here",
    "stops here x rang before",
    "struck together",
    "dead",
    "rise",
    "rise x rang before",
    "rise x onset",
    "most rise",
    "most rise x rang before",
    "rise of its own tone",
    "rise against its decay",
    "rise against its decay x rang before",
    "level",
    "struck below x rise",
)
"""Names of the columns of `evidence`."""


@dataclass(frozen=True)
class DetectedNote:
    """One note: seconds, MIDI pitch, how sure (0 to 1), and its first and last frame."""

    onset_sec: float
    offset_sec: float
    pitch_midi: int
    confidence: float
    frame: int
    last_frame: int


@dataclass(frozen=True)
class Candidates:
    """Onset peaks, one row each, sorted by frame: (n,) arrays. ``onset`` is in frames."""

    frame: np.ndarray
    column: np.ndarray
    share: np.ndarray
    onset: np.ndarray

    def __len__(self) -> int:
        return int(self.frame.size)

    def part(self, chosen: np.ndarray) -> Candidates:
        """The rows that ``chosen``, (n,) bool, marks."""
        return Candidates(
            self.frame[chosen], self.column[chosen], self.share[chosen], self.onset[chosen]
        )


def candidates(activations: Activations, *, floor: float = _ONSET_FLOOR) -> Candidates:
    """Peaks of the onset share over time, one for each pitch within 46 ms.

    ``onset`` is refined by the network's own estimate of where in the frame it lies.
    """
    on = activations.onset
    before = np.pad(on, ((1, 0), (0, 0)))[:-1]
    after = np.pad(on, ((0, 1), (0, 0)))[1:]
    frame, column = np.nonzero((on >= floor) & (on > before) & (on >= after))
    share = on[frame, column]
    keep = np.ones(frame.size, bool)
    last: dict[int, int] = {}
    for i in range(frame.size):
        j = last.get(int(column[i]))
        if j is not None and frame[i] - frame[j] <= _APART:
            worse = i if share[i] <= share[j] else j
            keep[worse] = False
            if worse == i:
                continue
        last[int(column[i])] = i
    frame, column, share = frame[keep], column[keep], share[keep]
    shift = np.clip(activations.shift[frame, column], -1.2, 1.2)
    return Candidates(frame, column, share, frame + shift)


def _logit(share: np.ndarray) -> np.ndarray:
    clipped = np.clip(share, 1e-3, 1.0 - 1e-3)
    return np.log(clipped / (1.0 - clipped)) / 4.0


def evidence(activations: Activations, found: Candidates) -> np.ndarray:
    """What speaks for and against each candidate: (n, len(EVIDENCE)), each about -2 to 2."""
    t, p = found.frame, found.column
    edge = 12
    low = max(_BELOW)
    on = np.pad(activations.onset, ((edge, edge), (low, 1)))
    sounding = np.pad(activations.sounding, ((edge, edge), (low, 1)), mode="edge")
    sounding[:, :low] = 0.0

    def mean(plane: np.ndarray, first: int, last: int, down: int = 0) -> np.ndarray:
        rows = [plane[t + edge + k, p + low - down] for k in range(first, last + 1)]
        return np.mean(rows, axis=0)

    def top(plane: np.ndarray, first: int, last: int, down: int) -> np.ndarray:
        rows = [plane[t + edge + k, p + low - down] for k in range(first, last + 1)]
        return np.max(rows, axis=0)

    share = _logit(found.share)
    before = mean(sounding, -5, -2)
    struck = [_logit(top(on, -2, 2, down)) for down in _BELOW]
    below = np.max(struck, axis=0)
    rings = np.max([mean(sounding, -5, -2, down) for down in _BELOW], axis=0)
    beside = np.maximum(top(on, -2, 2, 1), top(on, -2, 2, -1))
    lately = np.max([on[t + edge - k, p + low] * (1.0 - k / 10.0) for k in range(3, 9)], axis=0)
    off = np.pad(activations.offset, ((edge, edge), (0, 0)))
    stops = np.max([off[t + edge + k, p] for k in range(-2, 3)], axis=0)
    count = (activations.onset > 0.4).sum(axis=1)
    count = np.pad(count, (edge, edge))
    together = np.max([count[t + edge + k] for k in range(-2, 3)], axis=0)
    articulation = activations.articulation[t, p].astype(np.float32)
    shares = np.exp(articulation - articulation.max(axis=1, keepdims=True))
    dead = shares[:, ARTICULATIONS.index("dead")] / shares.sum(axis=1)
    rise, most, tone, against, loudest = _rise(activations, found)
    return np.stack(
        [
            share,
            share**2,
            mean(sounding, 1, 3),
            mean(sounding, 4, 8),
            before,
            before * share,
            below,
            below * share,
            rings,
            struck[0],
            beside,
            lately,
            stops,
            stops * before,
            np.log1p(together) / 2.0,
            dead,
            rise,
            rise * before,
            rise * share,
            most,
            most * before,
            tone,
            against,
            against * before,
            loudest,
            below * rise,
        ],
        axis=1,
    )


_PARTIAL_STEPS = PARTIAL_SEMITONES[:6]
_FAINT = 0.12  # within 10 dB of the floor of the features: nothing to measure a rise by
_RISE_DB = 15.0  # rise that is 1 among the evidence
_RISE_SCALE = feat.FLOOR_DB / _RISE_DB


def _rise(activations: Activations, found: Candidates) -> tuple[np.ndarray, ...]:
    """How far the partials of each candidate rise over its onset: five arrays (n,).

    Middle, most and own tone: the level 46 to 93 ms after against 46 to 93 ms before, over the
    first six partials. The fourth is the middle against what the string's own decay would leave,
    the last the level of the loudest partial.
    """
    t = found.frame
    edge = 12
    level = np.pad(activations.level.astype(np.float32), ((edge, edge), (0, 0)), mode="edge")
    first = found.column + FIRST_MIDI - feat.LOW_MIDI
    rows = first[:, None] + np.array(_PARTIAL_STEPS)
    inside = rows < feat.SEMITONES
    rows = np.minimum(rows, feat.SEMITONES - 1)

    def mean(low: int, high: int) -> np.ndarray:
        frames = [level[(t + edge + k)[:, None], rows] for k in range(low, high + 1)]
        return np.maximum(np.mean(frames, axis=0), _FAINT)

    after, before, long_before = mean(2, 4), mean(-4, -2), mean(-9, -7)
    heard_at_all = inside & (np.maximum(after, before) > _FAINT + 0.01)
    rise = np.where(heard_at_all, after - before, np.nan)
    # A string that falls goes on falling: six frames on, it would be this much lower.
    falls = np.clip(long_before - before, 0.0, 0.15) * 6.0 / 5.0
    own = np.where(heard_at_all, after - before + falls, np.nan)
    none = ~heard_at_all.any(axis=1)
    rise[none], own[none] = 0.0, 0.0
    loudest = np.where(inside, after, 0.0).max(axis=1)
    measured = (
        np.nanmedian(rise, axis=1),
        np.nanmax(rise, axis=1),
        np.nan_to_num(rise[:, 0]),
        np.nanmedian(own, axis=1),
    )
    return (*(np.clip(value * _RISE_SCALE, -2.0, 2.5) for value in measured), loudest)


@dataclass(frozen=True)
class _Model:
    """A logistic model, and the share of candidates that were notes where it was fitted."""

    weights: np.ndarray
    bias: float
    right: float


@lru_cache(maxsize=1)
def _model() -> _Model:
    text = Path(__file__).with_name("note_decoding.json").read_text(encoding="utf-8")
    model = json.loads(text)
    weights = np.array([model["weights"][name] for name in EVIDENCE])
    return _Model(weights, float(model["bias"]), float(model["right"]))


def prior_shift(log_odds: np.ndarray, *, right: float) -> float:
    """Log odds to add to every candidate of a take because it holds more that is no note.

    The share of candidates that are notes is estimated from the take's own answers by expectation
    and maximisation (Saerens, Latinne and Decaestecker 2002, "Adjusting the outputs of a classifier
    to new a priori probabilities", Neural Computation 14).

    Parameters
    ----------
    log_odds : float (n,)
        Of the take's candidates, by a model that was fitted where a share ``right`` were notes.
    right : float
        That share, over 0 and under 1.

    Returns
    -------
    float
        -2 to 0: a take is never read more boldly than the clips that the model was fitted on.

    >>> prior_shift(np.array([6.0, 5.0, 7.0, 6.0]), right=0.8)
    0.0
    >>> round(prior_shift(np.array([6.0, 5.0, 0.5, -1.0, -2.0, -1.0]), right=0.8), 1)
    -1.9
    """
    usual = np.log(right / (1.0 - right))
    shift = 0.0
    for _ in range(_MAX_ROUNDS):
        share = float(np.mean(1.0 / (1.0 + np.exp(-log_odds - shift)))) if log_odds.size else right
        share = min(max(share, 1e-6), 1.0 - 1e-6)
        now = min(0.0, max(-_MAX_SHIFT, np.log(share / (1.0 - share)) - usual))
        if abs(now - shift) < _CONVERGED:
            break
        shift = now
    return float(shift)


def confidence(log_odds: np.ndarray) -> np.ndarray:
    """Share of notes that are right, of those with such log odds, (n,)."""
    return _MAX_CONFIDENCE / (1.0 + np.exp(-log_odds))


def decode(
    activations: Activations,
    *,
    instrument: Instrument | None = None,
    echo_frames: float | None = None,
    talk: Sequence[tuple[float, float]] = (),
) -> list[DetectedNote]:
    """Notes of a take, by onset and pitch.

    Parameters
    ----------
    activations : Activations
        The network's answer.
    instrument : Instrument, optional
        Its strings; six strings of any tuning if left out.
    echo_frames : float, optional
        The delay of an echo whose copies are notes too, however soft, with the confidence that
        they would have as strikes.
    talk : sequence of (float, float)
        First and last second of stretches without notes.
    """
    return decode_with_doubtful(
        activations, instrument=instrument, echo_frames=echo_frames, talk=talk
    )[0]


def decode_with_doubtful(
    activations: Activations,
    *,
    instrument: Instrument | None = None,
    echo_frames: float | None = None,
    talk: Sequence[tuple[float, float]] = (),
) -> tuple[list[DetectedNote], list[DetectedNote]]:
    """As `decode`; also what alone is too doubtful to be a note, and might be one string more of a
    strum (`grip_strings`)."""
    peaks = candidates(activations, floor=_ONSET_FLOOR if echo_frames is None else _COPY_FLOOR)
    peaks = peaks.part(~in_talk(peaks.onset * FRAME_SEC, talk))
    if not len(peaks):
        return [], []
    model = _model()
    log_odds = evidence(activations, peaks) @ model.weights + model.bias
    high = peaks.share >= _ONSET_FLOOR
    shift = prior_shift(log_odds[high], right=model.right)
    sure = confidence(log_odds + shift)
    needed = np.array([_needed(FIRST_MIDI + column, instrument) for column in range(PITCHES)])
    keep = (sure >= needed[peaks.column]) & high
    if echo_frames is not None:
        _keep_copies(peaks, keep, echo_frames)
    doubtful = ~keep & high & (sure >= _MIN_DOUBTFUL) & (needed[peaks.column] == _MIN_CONFIDENCE)
    notes = _spans(activations, peaks, sure, np.flatnonzero(keep))
    notes = fit_strings(notes, instrument)
    return (
        [n for n in notes if n.last_frame > n.frame],
        _spans(activations, peaks, sure, np.flatnonzero(doubtful)),
    )


def _keep_copies(peaks: Candidates, keep: np.ndarray, echo_frames: float) -> None:
    """Mark in ``keep`` the candidates that lie one echo after one that is kept, and so on."""
    for i in np.argsort(peaks.onset):
        late = peaks.onset[i] - peaks.onset - echo_frames
        source = keep & (peaks.column == peaks.column[i]) & (np.abs(late) <= _COPY_NEAR)
        keep[i] |= source.any()


def _needed(pitch_midi: int, instrument: Instrument | None) -> float:
    if instrument is None or instrument.places(pitch_midi):
        return _MIN_CONFIDENCE
    return _MIN_CONFIDENCE_OUTSIDE


def _spans(
    activations: Activations, peaks: Candidates, sure: np.ndarray, kept: np.ndarray
) -> list[DetectedNote]:
    order: Sequence[int] = kept[np.lexsort((peaks.frame[kept], peaks.column[kept]))].tolist()
    notes = []
    for k, i in enumerate(order):
        column, frame = int(peaks.column[i]), int(peaks.frame[i])
        limit = activations.frames
        if k + 1 < len(order) and peaks.column[order[k + 1]] == column:
            limit = int(peaks.frame[order[k + 1]])
        last = _end(activations, frame, column, limit)
        onset = max(0.0, float(peaks.onset[i]))
        notes.append(
            DetectedNote(
                onset_sec=onset * FRAME_SEC,
                offset_sec=max(last, onset + _MIN_LENGTH_FRAMES) * FRAME_SEC,
                pitch_midi=FIRST_MIDI + column,
                confidence=float(sure[i]),
                frame=frame,
                last_frame=max(frame + 1, round(last)),
            )
        )
    notes.sort(key=lambda n: (n.onset_sec, n.pitch_midi))
    return notes


def _end(activations: Activations, frame: int, column: int, limit: int) -> float:
    """Frame at which a note that began at ``frame`` stops, at most ``limit``."""
    quiet = activations.sounding[frame + 2 : limit, column] < _STILL
    if quiet.size > 1:
        quiet[:-1] &= quiet[1:]
    stop = int(np.argmax(quiet)) if quiet.any() else -1
    if stop < 0:
        return float(limit)
    end = frame + 2 + stop
    low, high = max(frame + 2, end - 3), min(limit, end + 4)
    shares = activations.offset[low:high, column]
    if shares.size and shares.max() > 0.3:
        k = int(shares.argmax())
        near = slice(max(0, k - 1), k + 2)
        return low + float(np.average(np.arange(shares.size)[near], weights=shares[near]))
    return float(end)
