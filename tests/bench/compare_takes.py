"""Takes with planted mistakes: a phrase, played again at its own tempo with known slips.

`plant` gives what a player does to a written phrase: another tempo that drifts and wavers, a hand
that scatters, and, where asked, wrong, missed, extra, early and late notes, each known.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field, replace

import numpy as np

from transcribe.core.riff import Drone, Instrument, Note, Rhythm, Riff, sort_notes
from transcribe.training.phrases import PlayedNote, make_score

__all__ = ["Planted", "plant", "reference_of", "take_of", "written"]

KINDS = ("drone", "line", "legato", "arpeggio", "strum", "power")


@dataclass
class Planted:
    """A take as it is played, with what was done to it. Reference notes count as in the riff."""

    played: tuple[PlayedNote, ...]
    wrong: dict[int, int] = field(default_factory=dict)  # reference note -> pitch played
    missed: set[int] = field(default_factory=set)
    shifted: dict[int, float] = field(default_factory=dict)  # reference note -> ms, late positive
    extra: list[tuple[float, int]] = field(default_factory=list)  # (onset, pitch)
    gaps: list[tuple[float, float]] = field(default_factory=list)  # drone silent
    ratio: float = 1.0
    duration_sec: float = 0.0


def written(
    rng: np.random.Generator,
    *,
    kind: str | None = None,
    duration_sec: float = 12.0,
    key: tuple[int, str] | None = None,
) -> tuple[Riff, tuple[PlayedNote, ...]]:
    """A reference with its score, and the notes that it was made from (in the same order).

    ``key`` is a tonic (0 = C) and the name of a mode, where they must be these.
    """
    while True:
        chosen = kind or str(rng.choice(KINDS))
        score = make_score(
            rng, kind=chosen, instrument=Instrument(), duration_sec=duration_sec, low_midi=40
        )
        if key is not None and (score.tonic, score.mode) != key:
            continue
        notes = [n for n in score.notes if n.articulation != "dead" and n.onset_beat is not None]
        # Two strings in unison cannot be told apart by what is heard.
        places = {(round(n.onset_beat or 0.0, 4), n.pitch_midi): n for n in notes}
        notes = sorted(places.values(), key=lambda n: n.onset_sec)
        if len(notes) >= 12:
            break
    return reference_of(notes, score.bpm, score.meter, chosen == "drone")


def reference_of(
    notes: list[PlayedNote], bpm: float, meter: tuple[int, int], drone: bool
) -> tuple[Riff, tuple[PlayedNote, ...]]:
    """The written riff: exact beats, and seconds at the written tempo."""
    step = 60.0 / bpm
    first: dict[float, float] = {}
    for n in notes:
        key = round(n.onset_beat or 0.0, 4)
        first[key] = min(first.get(key, np.inf), n.onset_sec)
    items = []
    for n in notes:
        key = round(n.onset_beat or 0.0, 4)
        beat = float(n.onset_beat or 0.0)
        start = 0.5 + beat * step
        items.append(
            (start, n, min(0.045, n.onset_sec - first[key]), max(0.08, n.offset_sec - n.onset_sec))
        )
    items.sort(key=lambda item: (item[0], item[1].pitch_midi))
    riff_notes, played = [], []
    for i, (start, n, spread, length) in enumerate(items):
        beat = float(n.onset_beat or 0.0)
        riff_notes.append(
            Note(
                i + 1,
                start,
                start + length,
                n.pitch_midi,
                string=n.string,
                fret=n.fret,
                articulation=n.articulation,
                onset_beat=beat,
                duration_beat=length / step,
            )
        )
        played.append(replace(n, onset_sec=start + spread, offset_sec=start + spread + length))
    total = int(max(n.onset_beat or 0.0 for n in notes)) + 2
    rhythm = Rhythm(
        bpm,
        meter,
        tuple(0.5 + k * step for k in range(total)),
        tuple(0.5 + k * step for k in range(0, total, meter[0])),
    )
    found = None
    if drone:
        opens = [n.string for n in riff_notes if n.fret == 0 and n.string is not None]
        if opens:
            string = max(set(opens), key=opens.count)
            found = Drone(string, riff_notes[0].onset_sec, riff_notes[-1].offset_sec)
    return Riff(notes=sort_notes(riff_notes), rhythm=rhythm, drone=found), tuple(played)


def _time_curve(rng: np.random.Generator, length: float, ratio: float, waver: float) -> np.ndarray:
    """Take seconds for each tenth of a written second, starting at 0.3 to 0.8 s."""
    n = int(length * 10) + 20
    drift = rng.normal(0.0, 0.03) * np.linspace(-0.5, 0.5, n)
    slow = np.cumsum(rng.normal(0.0, waver, n))
    slow -= np.linspace(0, slow[-1], n)
    pace = np.exp(drift + np.clip(slow, -0.05, 0.05)) / ratio
    return np.concatenate([[0.0], np.cumsum(pace * 0.1)]) + rng.uniform(0.3, 0.8)


def plant(
    rng: np.random.Generator,
    reference: Riff,
    played: tuple[PlayedNote, ...],
    *,
    ratio: float | None = None,
    jitter_ms: float = 8.0,
    waver: float = 0.002,
    share: float = 0.04,
    drone_gaps: int = 0,
) -> Planted:
    """Play ``played`` with mistakes, each kind in about ``share`` of the notes (0: none)."""
    ratio = float(rng.uniform(0.8, 1.2)) if ratio is None else ratio
    length = max(n.offset_sec for n in played)
    curve = _time_curve(rng, length, ratio, waver)
    grid = np.arange(len(curve)) / 10.0
    out = Planted((), ratio=ratio)
    events: dict[float, list[int]] = defaultdict(list)
    for i, note in enumerate(reference.notes):
        events[round(note.onset_beat or 0.0, 4)].append(i)
    keys = sorted(events)
    hand = {k: float(np.clip(rng.normal(0.0, jitter_ms), -25, 25)) / 1000.0 for k in keys}
    onset, ends = {}, {}
    for k in keys:
        for i in events[k]:
            spread = played[i].onset_sec - reference.notes[i].onset_sec
            onset[i] = (
                float(np.interp(reference.notes[i].onset_sec, grid, curve)) + hand[k] + spread
            )
            ends[i] = float(np.interp(played[i].offset_sec, grid, curve))
    interval = _intervals(keys)
    if drone_gaps:
        _plant_gaps(rng, reference, onset, ends, out, drone_gaps)
    for k in keys:
        # One slip a chord: a missed note beside a wrong one could as well be the other way round.
        clean = not any(i in out.missed for i in events[k])
        for i in rng.permutation(events[k]).tolist() if clean else []:
            draw = rng.random()
            if draw < share:
                out.missed.add(i)
                break
            pitch = _slip(rng, reference, i) if draw < 2 * share else None
            if pitch is not None:
                out.wrong[i] = pitch
                break
        slipped = any(i in out.missed or i in out.wrong for i in events[k])
        if rng.random() < share and not slipped:
            step = 60.0 / (reference.rhythm.bpm if reference.rhythm else 60.0) / ratio
            # Plainly off to any ear: 80 ms, and more where the notes are long.
            least = max(80.0, 160.0 * min(interval[k] * step, 1.0))
            size = float(rng.uniform(1.0, 2.0)) * least * float(rng.choice([1, 1, -1]))
            whole = len(events[k]) > 2 or rng.random() < 0.5
            who = events[k] if whole else [int(rng.choice(events[k]))]
            if abs(size) < (750.0 if size > 0 else 500.0) * interval[k] * step:
                for i in who:
                    onset[i] += size / 1000.0
                    out.shifted[i] = size
    notes: list[PlayedNote] = []
    origin: dict[int, int] = {}
    for i, source in enumerate(played):
        if i in out.missed:
            continue
        struck = replace(source, onset_sec=onset[i], offset_sec=max(ends[i], onset[i] + 0.06))
        if i in out.wrong:
            place = _place(reference, i, out.wrong[i])
            assert place is not None
            string, fret = place
            struck = replace(struck, pitch_midi=out.wrong[i], string=string, fret=fret)
        origin[id(struck)] = i
        notes.append(struck)
    troubled = [*out.missed, *out.wrong]
    for _ in range(rng.binomial(len(reference.notes), share)):
        found = _extra(rng, notes, reference.instrument, [onset[i] for i in troubled])
        if found is not None:
            notes.append(found)
            out.extra.append((found.onset_sec, found.pitch_midi))
    out.played = _playable(notes)
    out.duration_sec = max(n.offset_sec for n in out.played) + 0.5
    kept = {(round(n.onset_sec, 6), n.pitch_midi) for n in out.played}
    for struck in notes:
        if (round(struck.onset_sec, 6), struck.pitch_midi) not in kept and id(struck) in origin:
            # The string was struck again too soon for it to be played at all.
            lost = origin[id(struck)]
            out.missed.add(lost)
            out.wrong.pop(lost, None)
            out.shifted.pop(lost, None)
    out.extra = [e for e in out.extra if (round(e[0], 6), e[1]) in kept]
    return out


def _intervals(keys: list[float]) -> dict[float, float]:
    gaps = np.diff(keys)
    before, after = np.concatenate([[np.inf], gaps]), np.concatenate([gaps, [np.inf]])
    return dict(zip(keys, np.minimum(before, after).tolist(), strict=True))


def _slip(rng: np.random.Generator, reference: Riff, i: int) -> int | None:
    """A pitch that a finger one or two frets off, or on the next string, would sound."""
    note, inst = reference.notes[i], reference.instrument
    assert note.string is not None
    assert note.fret is not None
    options = [note.pitch_midi + d for d in (-2, -1, 1, 2) if 0 <= note.fret + d <= 20]
    for string in (note.string - 1, note.string + 1):
        if 1 <= string <= 6:
            options.append(inst.pitch_midi(string, note.fret))
    near = {
        n.pitch_midi
        for n in reference.notes
        if abs(n.onset_sec - note.onset_sec) < 0.5 or n.onset_sec <= note.onset_sec < n.offset_sec
    }
    options = [
        p
        for p in options
        if p not in near and 40 <= p <= 84 and _place(reference, i, p) is not None
    ]
    return int(rng.choice(options)) if options else None


def _place(reference: Riff, i: int, pitch: int) -> tuple[int, int] | None:
    """Where the slip would be played: the same string, or a neighbour that is not in use."""
    note, inst = reference.notes[i], reference.instrument
    assert note.string is not None
    fret = inst.fret_of(note.string, pitch)
    if fret is not None and abs(fret - (note.fret or 0)) <= 2:
        return note.string, fret
    used = {n.string for n in reference.notes if abs(n.onset_sec - note.onset_sec) < 0.35}
    for string in (note.string - 1, note.string + 1):
        if 1 <= string <= 6 and inst.fret_of(string, pitch) is not None and string not in used:
            return string, int(inst.fret_of(string, pitch) or 0)
    return None


def _extra(
    rng: np.random.Generator, notes: list[PlayedNote], inst: Instrument, troubled: list[float]
) -> PlayedNote | None:
    """A note that a neighbouring string sounds by mistake, with an event or after it."""
    at = notes[int(rng.integers(len(notes)))]
    for _ in range(20):
        string = int(np.clip(at.string + rng.choice([-1, 1]), 1, 6))
        fret = max(0, at.fret + int(rng.integers(-2, 3)))
        pitch = inst.pitch_midi(string, fret)
        onset = at.onset_sec + (0.0 if rng.random() < 0.5 else float(rng.uniform(0.09, 0.25)))
        near = [n for n in notes if abs(n.onset_sec - onset) < 0.7]
        clash = any(n.pitch_midi == pitch for n in near)
        clash |= any(n.string == string and n.onset_sec - 0.3 < onset < n.offset_sec for n in notes)
        # Beside a wrong or missed note an extra one would be the wrong note.
        clash |= any(abs(at_sec - onset) < 0.7 for at_sec in troubled)
        if not clash and 40 <= pitch <= 84:
            return PlayedNote(onset, onset + 0.3, pitch, string, fret, velocity=0.7)
    return None


def _plant_gaps(
    rng: np.random.Generator,
    reference: Riff,
    onset: dict[int, float],
    ends: dict[int, float],
    out: Planted,
    count: int,
) -> None:
    """Let the drone fall silent: some strokes in a row left out, and the one before damped."""
    assert reference.drone is not None
    own = [
        i
        for i, n in enumerate(reference.notes)
        if n.string == reference.drone.string and n.fret == 0
    ]
    for _ in range(count):
        if len(own) < 6:
            return
        k = int(rng.integers(1, len(own) - 2))
        run = int(rng.integers(1, 4))
        gone = own[k : min(k + run, len(own) - 1)]
        before, after = own[k - 1], own[min(k + run, len(own) - 1)]
        if any(i in out.missed for i in [before, after, *gone]):
            continue
        silent = onset[after] - onset[gone[0]]
        if silent < 0.4:
            continue
        out.missed |= set(gone)
        ends[before] = min(ends[before], onset[gone[0]])
        out.gaps.append((onset[gone[0]], onset[after]))


def _playable(notes: list[PlayedNote]) -> tuple[PlayedNote, ...]:
    """Notes by onset, a string sounding one note, legato only where its source was played."""
    ordered = sorted(notes, key=lambda n: n.onset_sec)
    out: list[PlayedNote] = []
    last: dict[int, int] = {}
    for note in ordered:
        previous = last.get(note.string)
        if previous is not None and note.onset_sec - out[previous].onset_sec < 0.03:
            continue
        source = None
        if previous is not None:
            bound = out[previous].offset_sec > note.onset_sec - 0.1
            if note.articulation in ("hammer-on", "pull-off", "slide") and bound:
                rises = note.fret > out[previous].fret
                fits = note.articulation == "slide" or rises == (note.articulation == "hammer-on")
                source = previous if fits and note.fret != out[previous].fret else None
            if out[previous].offset_sec > note.onset_sec or source is not None:
                out[previous] = replace(out[previous], offset_sec=note.onset_sec)
        manner = note.articulation
        if manner in ("hammer-on", "pull-off", "slide") and source is None:
            manner = "picked"
        if manner in ("bend", "vibrato"):
            manner = "picked"
        last[note.string] = len(out)
        out.append(replace(note, articulation=manner, source=source, curve=(), vibrato=None))
    return tuple(out)


def take_of(planted: Planted) -> Riff:
    """The take as a riff, every note known and sure."""
    notes = [
        Note(i + 1, n.onset_sec, n.offset_sec, n.pitch_midi) for i, n in enumerate(planted.played)
    ]
    return Riff(notes=sort_notes(notes))
