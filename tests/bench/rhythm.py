"""Tempo, beats, downbeats, note values and repeats on riffs whose score is known.

``python -m tests.bench.rhythm`` draws riffs (`tests.bench.rhythm_riffs`: tempo 60-160, jitter
8 ms, drift up to 6 %, all six meters) and measures `transcribe.rhythm.find_rhythm` on their true
notes; ``--audio`` also renders every riff to sound and runs ``librosa.beat.beat_track`` on it in
the same run; ``--tracker`` takes the notes from `transcribe.notes.find_notes` on that sound, or
with ``--banks banks.npz`` (from ``python -m transcribe.training.banks``) on recorded guitar notes.
What is counted:

tempo      bpm within 4 % of the truth, octave right; ``half`` and ``double``: half and double the
           true tempo in quarters; the rest is some other ratio.
beats      F-measure of mir_eval.beat (Davies, Degara & Plumbley 2009), 70 ms, not trimmed: the
           usual cut of the first 5 s would drop a third of a riff, pickups and all.
downbeats  the same on downbeats.
values     notes whose place (up to one whole shift for the riff) and duration in beats are both
           exactly the score's; ``values*`` with the true bpm and meter given.
repeats    share of the true pairs of a phrase and its (also varied) repeat that are found: at
           least three quarters of the pair is mapped onto each other by a found pair; ``wrong``
           is the share of found pairs that map different music onto each other.

``--phrases`` measures on the phrases that the note network is trained on instead, which are drawn
in another way and played at 60 to 180 quarters a minute; the meter is fitted on such phrases
too, of other seeds.

librosa is scored at whichever level suits it better, beat or felt pulse; that favours it.
"""

from __future__ import annotations

import argparse
import dataclasses
import itertools
import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from tests.bench.rhythm_riffs import KINDS, METERS, Truth, make_phrase, make_riff, spoil
from transcribe.core.riff import Instrument, Note, Phrase, Rhythm
from transcribe.rhythm import find_rhythm
from transcribe.rhythm.bar_evidence import pulse_beats
from transcribe.training.phrases import KINDS as PHRASES

__all__ = ["beat_f", "exact_values", "measure", "repeats"]


def beat_f(true_sec: ArrayLike, found_sec: ArrayLike) -> float:
    """F-measure of mir_eval.beat at 70 ms, untrimmed; 0 where nothing was found."""
    import mir_eval

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        true, found = np.asarray(true_sec, dtype=float), np.asarray(found_sec, dtype=float)
        return float(mir_eval.beat.f_measure(true[true >= 0], found[found >= 0]))


def exact_values(true: Sequence[Note], found: Sequence[Note]) -> float:
    """Share of the true notes whose place and duration in beats are exact."""
    by_id = {n.id: n for n in found}
    shifts = [
        round((by_id[n.id].onset_beat or 0.0) - (n.onset_beat or 0.0))
        for n in true
        if n.id in by_id
    ]
    if not shifts:
        return 0.0
    shift = max(set(shifts), key=shifts.count)
    good = 0
    for n in true:
        mine = by_id.get(n.id)
        if mine is None or n.onset_beat is None or n.duration_beat is None:
            continue
        place = abs((mine.onset_beat or 0.0) - shift - n.onset_beat) < 0.01
        good += place and abs((mine.duration_beat or 0.0) - n.duration_beat) < 0.01
    return good / len(true)


def _pairs(phrases: Sequence[Phrase]) -> list[tuple[Phrase, Phrase]]:
    return [
        (a, b)
        for a, b in itertools.combinations(phrases, 2)
        if a.label.rstrip("'") == b.label.rstrip("'")
    ]


def repeats(truth: Truth, rhythm: Rhythm) -> tuple[int, int, int, int]:
    """(true pairs, of them found, found pairs, of them wrong), compared in seconds."""
    beat_sec = _clock(truth.beats_sec, truth.downbeats_sec[0])
    mine_sec = _clock(np.array(rhythm.beats_sec), rhythm.downbeats_sec[0])
    tol = 0.3 * 60 / truth.bpm
    true = [_span(p, beat_sec) for p in truth.phrases]
    mine = [_span(p, mine_sec) for p in rhythm.phrases]
    found_maps = [
        (mine[i], mine[j])
        for i, j in itertools.combinations(range(len(mine)), 2)
        if _base(rhythm.phrases[i]) == _base(rhythm.phrases[j])
    ]
    true_maps = [
        (true[i], true[j])
        for i, j in itertools.combinations(range(len(true)), 2)
        if _base(truth.phrases[i]) == _base(truth.phrases[j])
    ]
    hit = sum(_covered(m, found_maps, tol) for m in true_maps)
    # A found pair is right if the score has it or the notes are in fact alike.
    wrong = sum(
        not (_covered(m, true_maps, tol) or _alike(m, truth.notes, tol)) for m in found_maps
    )
    return len(true_maps), hit, len(found_maps), wrong


def _base(phrase: Phrase) -> str:
    return phrase.label.rstrip("'")


def _clock(beats: np.ndarray, downbeat: float):  # type: ignore[no-untyped-def]
    zero = int(np.argmin(np.abs(beats - downbeat)))
    number = np.arange(len(beats)) - zero
    low, high = beats[1] - beats[0], beats[-1] - beats[-2]

    def at(beat: float) -> float:
        if beat < number[0]:
            return float(beats[0] + (beat - number[0]) * low)
        if beat > number[-1]:
            return float(beats[-1] + (beat - number[-1]) * high)
        return float(np.interp(beat, number, beats))

    return at


def _span(phrase: Phrase, at) -> np.ndarray:  # type: ignore[no-untyped-def]
    return np.array([at(b) for b in np.linspace(phrase.start_beat, phrase.end_beat, 33)])


def _covered(pair, maps, tol: float) -> bool:  # type: ignore[no-untyped-def]
    """Whether at least three quarters of the points of ``pair`` are mapped by one of ``maps``."""
    a, b = pair
    good = np.zeros(len(a), dtype=bool)
    for c, d in maps:
        for x, y in ((c, d), (d, c)):
            inside = (a >= x[0] - tol) & (a <= x[-1] + tol)
            good |= inside & (np.abs(np.interp(a, x, y) - b) < tol)
    return bool(good.mean() >= 0.75)


def _alike(pair, notes: Sequence[Note], tol: float) -> bool:  # type: ignore[no-untyped-def]
    a, b = pair
    first = [
        (n.onset_sec, n.pitch_midi) for n in notes if a[0] - 0.05 <= n.onset_sec < a[-1] - 0.05
    ]
    second = [
        (n.onset_sec, n.pitch_midi) for n in notes if b[0] - 0.05 <= n.onset_sec < b[-1] - 0.05
    ]
    if not first or not second:
        return False
    hits = 0.0
    for t, p in first:
        there = np.interp(t, a, b)
        near = [q for s, q in second if abs(s - there) < 0.08]
        hits += 1.0 if p in near else 0.3 if near else 0.0
    return 2 * hits / (len(first) + len(second)) > 0.45


def measure(truth: Truth, rhythm: Rhythm, notes: Sequence[Note]) -> dict[str, float]:
    """Every figure for one riff."""
    pairs, hit, found, wrong = repeats(truth, rhythm)
    ratio = rhythm.bpm / rhythm.meter[1] / (truth.bpm / truth.meter[1])
    return {
        "tempo": float(abs(rhythm.bpm / truth.bpm - 1) <= 0.04),
        "half": float(abs(2 * ratio - 1) <= 0.04),
        "double": float(abs(ratio / 2 - 1) <= 0.04),
        "beats": beat_f(truth.beats_sec, rhythm.beats_sec),
        "downbeats": beat_f(truth.downbeats_sec, rhythm.downbeats_sec),
        "meter": float(rhythm.meter == truth.meter),
        "values": exact_values(truth.notes, notes),
        "pairs": pairs,
        "hit": hit,
        "found": found,
        "wrong": wrong,
    }


def _row(name: str, rows: list[dict[str, float]]) -> str:
    def mean(key: str) -> float:
        known = [r[key] for r in rows if key in r]
        return float(np.mean(known)) if known else float("nan")

    pairs = max(1.0, sum(r["pairs"] for r in rows))
    found = max(1.0, sum(r["found"] for r in rows))
    cells = [f"{name:12s} {len(rows):5d}"]
    cells += [
        f"{mean(k):8.3f}"
        for k in ("tempo", "half", "double", "beats", "downbeats", "meter", "values", "values*")
    ]
    cells.append(f"{sum(r['hit'] for r in rows) / pairs:8.3f}")
    cells.append(f"{sum(r['wrong'] for r in rows) / found:8.3f}")
    if any("librosa" in r for r in rows):
        cells += [f"{mean(k):8.3f}" for k in ("librosa", "librosa tempo")]
    return " ".join(cells)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--riffs", type=int, default=240)
    parser.add_argument("--seed", type=int, default=0, help="first seed")
    parser.add_argument("--audio", action="store_true", help="render and run librosa beside")
    parser.add_argument("--phrases", action="store_true", help="other phrases, not these riffs")
    parser.add_argument("--spoil", action="store_true", help="5 % of notes missed, 5 % added")
    parser.add_argument(
        "--tracker", action="store_true", help="notes from find_notes on the sound, not the truth"
    )
    parser.add_argument(
        "--banks", type=Path, help="with --tracker: recorded notes to play with, not strings"
    )
    options = parser.parse_args()
    bank = None
    if options.banks is not None:
        from transcribe.training.banks import load_banks

        bank = load_banks(options.banks)["acoustic"]
    results: list[tuple[Truth, dict[str, float]]] = []
    for k in range(options.riffs):
        # Every kind in every meter equally often.
        kind, meter = KINDS[k % 4], METERS[k // 4 % 6]
        if options.phrases:
            kinds = sorted(PHRASES)
            truth = make_phrase(options.seed + k, kind=kinds[k % len(kinds)])
        else:
            truth = make_riff(options.seed + k, kind=kind, meter=meter)
        played = spoil(truth, k) if options.spoil else truth
        if options.tracker:
            results.append((truth, _tracked(truth, bank)))
            continue
        rhythm, notes = find_rhythm(played.bare, duration_sec=truth.duration_sec)
        row = measure(truth, rhythm, notes)
        if options.phrases:
            del row["values"]
        else:
            told = find_rhythm(
                played.bare, duration_sec=truth.duration_sec, bpm=truth.bpm, meter=truth.meter
            )[1]
            row["values*"] = exact_values(truth.notes, told)
        if options.audio:
            row |= _librosa(truth)
        results.append((truth, row))
    head = "riffs    tempo     half   double    beats downbeats meter  values  values*  repeats"
    head += "    wrong"
    print(f"{'':12s} {head}" + ("  librosa beats, tempo" if options.audio else ""))
    for kind in sorted({t.kind for t, _ in results}):
        print(_row(kind, [r for t, r in results if t.kind == kind]))
    for meter in (m for m in METERS if any(t.meter == m for t, _ in results)):
        print(_row(f"{meter[0]}/{meter[1]}", [r for t, r in results if t.meter == meter]))
    print(_row("all", [r for _, r in results]))


def _tracked(truth: Truth, bank: Any = None) -> dict[str, float]:
    """The whole way from sound; note values cannot be compared note by note and are left out."""
    from transcribe.notes import find_notes

    y, sr = render(truth) if bank is None else _on_guitar(truth, bank)
    heard = find_notes(y, sr=sr)
    rhythm, notes = find_rhythm(heard, duration_sec=len(y) / sr, y=y, sr=sr)
    if not rhythm.downbeats_sec:
        names = ("tempo", "half", "double", "beats", "downbeats", "meter")
        return dict.fromkeys((*names, "pairs", "hit", "found", "wrong"), 0.0)
    row = measure(truth, rhythm, notes)
    del row["values"]
    return row


def _librosa(truth: Truth) -> dict[str, float]:
    import librosa

    y, sr = render(truth)
    bpm, beats = librosa.beat.beat_track(y=y, sr=sr, units="time")
    bpm = float(np.atleast_1d(bpm)[0])
    per_pulse = pulse_beats(truth.meter)
    pulse = _pulses(truth)
    return {
        "librosa": max(beat_f(truth.beats_sec, beats), beat_f(pulse, beats)),
        "librosa tempo": float(
            min(abs(bpm / truth.bpm - 1), abs(bpm * per_pulse / truth.bpm - 1)) <= 0.04
        ),
    }


def _pulses(truth: Truth) -> np.ndarray:
    """Times of the felt pulse: each dotted quarter of 6/8, groups of 7/8 taken as 2 + 2 + 3."""
    zero = int(np.argmin(np.abs(truth.beats_sec - truth.downbeats_sec[0])))
    number = np.arange(len(truth.beats_sec)) - zero
    starts = {(6, 8): (0, 3), (7, 8): (0, 2, 4)}.get(truth.meter, tuple(range(truth.meter[0])))
    return truth.beats_sec[np.isin(number % truth.meter[0], starts)]


def render(truth: Truth, *, sr: int = 22050) -> tuple[np.ndarray, int]:
    """The riff as plucked strings (Karplus & Strong 1983), with the taps as short noise."""
    from scipy.signal import lfilter

    rng = np.random.default_rng(1)
    y = np.zeros(int((truth.duration_sec + 0.2) * sr))
    for note in truth.notes:
        f = 440 * 2 ** ((note.pitch_midi - 69) / 12)
        period = round(sr / f)
        start = int(note.onset_sec * sr)
        count = min(int((note.offset_sec - note.onset_sec + 0.03) * sr), len(y) - start)
        if count <= 0:
            continue
        burst = np.zeros(count)
        pluck = rng.uniform(-1, 1, period)
        burst[: min(period, count)] = pluck[:count]
        loop = np.zeros(period + 2)
        loop[0] = 1.0
        loop[period] = loop[period + 1] = -0.498
        tone = lfilter([1.0, 0.6], loop, burst)
        fade = min(int(0.03 * sr), count)
        tone[-fade:] *= np.linspace(1, 0, fade)
        y[start : start + count] += tone * 10 ** ((note.loudness_db or -18.0) / 20)
    return _with_taps(y, truth, rng, sr), sr


def _with_taps(y: np.ndarray, truth: Truth, rng: np.random.Generator, sr: int) -> np.ndarray:
    """The count-in as short noise, a little hiss, and the level of a recording."""
    for tap in truth.taps_sec:
        start = int(tap * sr)
        burst = rng.normal(0, 0.1, int(0.03 * sr)) * np.exp(
            -np.arange(int(0.03 * sr)) / (0.006 * sr)
        )
        y[start : start + len(burst)] += burst
    y = y + rng.normal(0, 1e-4, len(y))
    return (y / max(1e-9, np.abs(y).max()) * 0.7).astype(np.float32)


def _on_guitar(truth: Truth, bank: Any, *, sr: int = 22050) -> tuple[np.ndarray, int]:
    """The riff on recorded notes, each on the lowest free string that has it."""
    from transcribe.training.phrases import PlayedNote
    from transcribe.training.render import render as play

    strings = Instrument().open_midi
    taken: dict[int, int] = {}
    played: list[PlayedNote] = []
    for note in truth.notes:
        can = [s for s, m in enumerate(strings, 1) if 0 <= note.pitch_midi - m <= 22]
        if not can:  # below the lowest string
            continue

        def ease(string: int, note: Note = note) -> tuple[bool, float]:
            last = played[taken[string]].offset_sec if string in taken else 0.0
            return last > note.onset_sec + 0.01, note.pitch_midi - strings[string - 1]

        string = min(can, key=ease)
        if string in taken:
            before = taken[string]
            end = min(played[before].offset_sec, note.onset_sec)
            if end - played[before].onset_sec < 0.03:
                continue
            played[before] = dataclasses.replace(played[before], offset_sec=end)
        taken[string] = len(played)
        fret = note.pitch_midi - strings[string - 1]
        velocity = float(np.clip(0.6 * 10 ** (((note.loudness_db or -18.0) + 18) / 20), 0.15, 1))
        played.append(
            PlayedNote(
                note.onset_sec, note.offset_sec, note.pitch_midi, string, fret, velocity=velocity
            )
        )
    rng = np.random.default_rng(1)
    y, _ = play(tuple(played), bank=bank, rng=rng, duration_sec=truth.duration_sec + 0.2)
    return _with_taps(np.asarray(y, dtype=float), truth, rng, sr), sr


if __name__ == "__main__":
    main()
