"""`compare`: hold a take against a reference and give a verdict on every note.

The take is followed through the reference (`align`), cut into passes, each pass gets its smooth
tempo and its pairs of notes (`passes`), and each note its verdict (`verdicts`). Where the whole
take sounds higher or lower than the reference, or one string is tuned otherwise, that is taken out
first and stated.
"""

from __future__ import annotations

import dataclasses
from collections import Counter
from collections.abc import Callable, Sequence

import numpy as np

from transcribe.core.clock import Clock as BeatClock
from transcribe.core.errors import ParameterError
from transcribe.core.riff import Riff, sort_notes
from transcribe.takes.align import Run, follow, likely_shifts, pace_of
from transcribe.takes.comparison import Comparison, DroneVerdict, Pass, Verdict
from transcribe.takes.drone_verdict import judge_drone
from transcribe.takes.likeness import share_matched, share_needed
from transcribe.takes.listen import Ear, listen
from transcribe.takes.passes import Fit, Stretch, fit_in_order, fit_stretch, group_passes
from transcribe.takes.practice import practice_plan
from transcribe.takes.remarks import differences, other_riff, remarks
from transcribe.takes.summary import summarise
from transcribe.takes.timeline import (
    Clock,
    Events,
    bar_of,
    has_beats,
    reference_clocks,
    take_events,
)
from transcribe.takes.verdicts import Side, judge_stretch

__all__ = ["compare"]

_Progress = Callable[[str, float], None] | None
_PLAIN = 0.7  # a way through whose score per event is higher needs no other transposition
_NEARLY = 0.08  # a share of matching notes this little over what is needed deserves a word
_GOOD = {"right": 4, "late": 3, "early": 3, "unsure": 2, "wrong": 1, "missed": 0}


def compare(
    take: Riff,
    reference: Riff,
    *,
    order_only: bool | None = None,
    sound: tuple[np.ndarray, int] | None = None,
    ear: Ear | None = None,
    progress: _Progress = None,
) -> Comparison:
    """Hold ``take`` against ``reference``.

    Parameters
    ----------
    take, reference : Riff
        The take's onsets in seconds are what is judged. The reference may be in beats, in seconds,
        or hold an order only.
    order_only : bool, optional
        Whether the reference's times mean nothing; None lets the reference say.
    sound : (y, sr), optional
        The take's samples, mono, and their rate: the drone's level is measured from them, and notes
        in doubt are listened for again.
    ear : Ear, optional
        The ear to listen with, where there is one already; made from ``sound`` if left out.
    progress : callable, optional
        Called with a stage's name and the share that is done, 0 to 1.

    Returns
    -------
    Comparison

    Raises
    ------
    ParameterError
        If the reference holds no notes.
    """
    if not reference.notes:
        raise ParameterError("the reference holds no notes; compare with a tab or take that does")
    reference = dataclasses.replace(reference, notes=sort_notes(list(reference.notes)))
    take = dataclasses.replace(take, notes=sort_notes(list(take.notes)))
    clocks = reference_clocks(reference, order_only=order_only)
    job = _Job(take, reference, clocks, sound, ear, progress)
    return job.run()


@dataclasses.dataclass(frozen=True)
class _Followed:
    """Both sides on one footing of pitch, and the way through."""

    reference: Events
    played: Events
    runs: list[Run]
    pace: float


@dataclasses.dataclass
class _Job:
    take: Riff
    reference: Riff
    clocks: tuple[Clock, ...]
    sound: tuple[np.ndarray, int] | None
    ear: Ear | None
    progress: _Progress

    def run(self) -> Comparison:
        self._say(0.0)
        if self.ear is None and self.sound is not None:
            y, sr = self.sound
            strings = self.take.instrument
            self.ear = listen(y, sr=sr, offset_cents=strings.offset_cents, instrument=strings)
        take_pitch = np.array([n.pitch_midi for n in self.take.notes], dtype=int)
        ref_pitch = np.array([n.pitch_midi for n in self.reference.notes], dtype=int)
        events = take_events(self.take.notes)
        shift, found = self._follow(events, take_pitch, ref_pitch)
        passes, clock = self._passes(take_pitch - shift, ref_pitch, shift, found)
        retuned = _retuned(passes, self.reference)
        if retuned:
            string_of = np.array([n.string or 0 for n in self.reference.notes])
            for string, by in retuned.items():
                ref_pitch = np.where(string_of == string, ref_pitch + by, ref_pitch)
            _, found = self._follow(events, take_pitch, ref_pitch, shifts=(shift,))
            passes, clock = self._passes(take_pitch - shift, ref_pitch, shift, found)
        best = max(range(len(passes)), key=lambda k: (_merit(passes[k]), k))
        self._say(1.0)
        return self._compared(passes, best, clock, shift, retuned, found)

    def _compared(
        self,
        passes: list[Pass],
        best: int,
        clock: Clock,
        shift: int,
        retuned: dict[int, int],
        found: _Followed,
    ) -> Comparison:
        """The comparison of judged passes, or the plain word that these are two riffs."""
        chosen = passes[best]
        timing = clock.kind
        if clock.kind == "order":
            timing = "pulse" if self.take.rhythm is not None else "none"
        matched = share_matched(passes, best)
        needed = share_needed(
            transposition=shift,
            restarts=len(found.runs) - len(passes),
            events=len(found.played),
            spread_ms=chosen.summary.spread_ms,
            timed=clock.kind != "order",
        )
        same = matched >= needed
        if same:
            differ = differences(
                self.take,
                self.reference,
                transposition=shift,
                retuned=retuned,
                tempo_ratio=chosen.summary.tempo_ratio,
            )
            said = remarks(self.reference, timing=timing, passes=passes, best=best)
            if matched < needed + _NEARLY:
                percent = f"{100 * matched:.0f} %"
                said = (f"only {percent} of the notes match: check the reference", *said)
            plan = practice_plan(
                [p.notes for p in passes if p is chosen or p.enough],
                chosen.summary,
                self.reference,
                chosen.drone,
            )
        else:
            differ, plan = (), ()
            said = other_riff(self.take, self.reference, matched=matched, transposition=shift)
        return Comparison(
            self.take,
            self.reference,
            tuple(passes),
            best,
            plan,
            shift,
            differ,
            said,
            timing,
            matched,
            same,
        )

    def _say(self, share: float) -> None:
        if self.progress is not None:
            self.progress("compare", share)

    def _follow(
        self,
        events: Events,
        take_pitch: np.ndarray,
        ref_pitch: np.ndarray,
        shifts: tuple[int, ...] = (),
    ) -> tuple[int, _Followed]:
        """The shift in semitones that the take is followed best with, and what was followed."""
        clock = self.clocks[0]
        timed = clock.kind != "order"
        reference = _with_pitches(clock.events, ref_pitch)
        best: tuple[float, int, _Followed] | None = None
        for shift in shifts or likely_shifts(events, reference):
            played = _with_pitches(events, take_pitch - shift)
            pace = pace_of(played, reference) if timed else 1.0
            runs, score = follow(
                played,
                reference,
                pace=pace,
                timed=timed,
                progress=lambda share: self._say(0.8 * share),
            )
            # Another shift must be worth it: a few chance matches are not.
            if best is None or score > 1.15 * best[0] + 2.0:
                best = (score, shift, _Followed(reference, played, runs, pace))
            if score > _PLAIN * min(len(played), len(reference)):
                break
        assert best is not None
        return best[1], best[2]

    def _passes(
        self, take_pitch: np.ndarray, ref_pitch: np.ndarray, shift: int, found: _Followed
    ) -> tuple[list[Pass], Clock]:
        pace = found.pace
        rhythm = self.reference.rhythm
        scored = rhythm is not None and self.clocks[0].kind != "order"
        groups = group_passes(
            found.runs,
            found.reference,
            found.played,
            ref_pitch=ref_pitch,
            take_pitch=take_pitch,
            bar=rhythm.meter[0] * 60.0 / rhythm.bpm if rhythm is not None and scored else np.inf,
        )
        if not groups:
            everything = Stretch(np.arange(len(ref_pitch)), np.arange(len(take_pitch)), ())
            groups = [[everything]]
        best: tuple[float, list[Pass], Clock] | None = None
        for option in self.clocks:
            side = self._side(option, take_pitch, ref_pitch, shift)
            passes = [self._judge(group, side, option, pace) for group in groups]
            top = max(passes, key=_merit)
            spread = top.summary.spread_ms
            cost = np.inf if spread is None else spread + 200.0 * (1.0 - top.summary.right_share)
            # The score is believed unless the take plainly follows the recorded times instead.
            if best is None or cost < 0.7 * best[0] - 5.0:
                best = (float(cost), passes, option)
        assert best is not None
        return best[1], best[2]

    def _side(
        self, clock: Clock, take_pitch: np.ndarray, ref_pitch: np.ndarray, shift: int
    ) -> Side:
        at = np.array([n.onset_sec for n in self.take.notes], dtype=float)
        ends = np.array([n.offset_sec for n in self.take.notes], dtype=float)
        where = clock.events.at
        gaps = np.diff(where)
        near = np.full(len(where), 1.0)
        if len(gaps):
            before = np.concatenate([[np.inf], gaps])
            after = np.concatenate([gaps, [np.inf]])
            near = np.minimum(before, after)
        pulse, apart = _own_pulse(self.take)
        length = self.take.source.duration_sec if self.take.source is not None else None
        return Side(
            self.reference.notes,
            self.take.notes,
            ref_pitch,
            take_pitch,
            at,
            ends,
            clock.x,
            clock.x_end,
            near[clock.events.of],
            self.reference.instrument,
            heard=any(n.confidence < 1.0 for n in self.take.notes),
            timing=clock.kind,
            pulse=pulse,
            pulse_interval=apart,
            next_x=np.concatenate([where[1:], [np.inf]])[clock.events.of],
            lengths=clock.kind != "order" and self.reference.timing.lengths == "known",
            ear=self.ear,
            take_shift=shift,
            take_offset_cents=self.take.instrument.offset_cents,
            until=np.inf if length is None else length,
        )

    def _judge(self, group: list[Stretch], side: Side, clock: Clock, pace: float) -> Pass:
        rhythm = self.reference.rhythm
        beat_sec = 60.0 / rhythm.bpm if rhythm is not None else 0.6
        fits: list[Fit] = []
        for stretch in group:
            if clock.kind == "order":
                fit = fit_in_order(
                    stretch,
                    x=side.x,
                    at=side.at,
                    ref_pitch=side.ref_pitch,
                    take_pitch=side.take_pitch,
                )
            else:
                fit = fit_stretch(
                    stretch,
                    x=side.x,
                    at=side.at,
                    ref_pitch=side.ref_pitch,
                    take_pitch=side.take_pitch,
                    beat_sec=beat_sec,
                    pace=pace,
                )
            fits.append(fit)
        per_stretch = [judge_stretch(fit, side) for fit in fits]
        rows = _around(_one_row_a_note(per_stretch, fits), fits, beat_sec)
        rows += _unplayed(rows, side)
        rows = [self._placed(row, side, clock, fits) for row in rows]
        rows = _sorted(rows)
        tempo = _tempo(fits, side)
        ratio = _tempo_ratio(fits, side) if clock.kind != "order" else None
        drone = None
        if clock.kind != "order":
            drone = judge_drone(self.reference, fits, side, rows, sound=self.sound)
            drone = self._drone_placed(drone, fits, side)
        bpm = rhythm.bpm if rhythm is not None and clock.kind != "order" else None
        own = self.take.rhythm.bpm if self.take.rhythm is not None else None
        summary = summarise(rows, tempo_ratio=ratio, reference_bpm=bpm, tempo=tempo, own_bpm=own)
        played = np.concatenate([s.take for s in group])
        return Pass(
            float(side.at[played].min()) if len(played) else 0.0,
            float(side.ends[played].max()) if len(played) else 0.0,
            tuple(rows),
            summary,
            drone,
            tuple(p for fit in fits for p in fit.pauses),
            tuple((t, bpm / p) for t, p in tempo) if bpm is not None else (),
        )

    def _placed(self, row: Verdict, side: Side, clock: Clock, fits: list[Fit]) -> Verdict:
        """The verdict with its beat and bar in the reference, where it has any."""
        rhythm = self.reference.rhythm
        around = row.reference is None and row.left_out
        # Where only the order is sure, the bars that the reference has still name the place.
        unnamed = clock.kind == "order" and not has_beats(self.reference)
        if rhythm is None or unnamed or around:
            return row
        beat: float | None
        if row.reference is not None:
            beat = self.reference.notes[row.reference].onset_beat
        else:
            beat = None if row.time_sec is None else self._beat_at(row.time_sec, side, fits)
        if beat is None:
            return row
        return dataclasses.replace(row, beat=beat, bar=bar_of(beat, rhythm.meter))

    def _beat_at(self, time: float, side: Side, fits: list[Fit]) -> float | None:
        """Score time of a moment of the take, from the notes that were due around it."""
        best: tuple[float, float] | None = None
        for fit in fits:
            ids = fit.stretch.reference
            if not len(ids):
                continue
            due = np.maximum.accumulate(fit.due[np.argsort(side.x[ids], kind="stable")])
            beats = np.array([self.reference.notes[i].onset_beat or 0.0 for i in ids])
            beats = beats[np.argsort(side.x[ids], kind="stable")]
            away = max(due[0] - time, time - due[-1], 0.0)
            if np.isfinite(away) and (best is None or away < best[0]):
                best = (float(away), float(np.interp(time, due, beats)))
        return None if best is None else best[1]

    def _drone_placed(
        self, drone: DroneVerdict | None, fits: list[Fit], side: Side
    ) -> DroneVerdict | None:
        rhythm = self.reference.rhythm
        if drone is None or rhythm is None:
            return drone
        gaps = []
        for gap in drone.gaps:
            beat = self._beat_at(gap.start_sec, side, fits)
            bar = None if beat is None else bar_of(beat, rhythm.meter)
            gaps.append(dataclasses.replace(gap, start_beat=beat, bar=bar))
        return dataclasses.replace(drone, gaps=tuple(gaps))


def _own_pulse(take: Riff) -> tuple[np.ndarray, np.ndarray]:
    """Where the take's own beats put each note in seconds, and how far the nearest other is."""
    nowhere = np.full(len(take.notes), np.nan)
    if take.rhythm is None or len(take.rhythm.beats_sec) < 2:
        return nowhere, nowhere
    clock = BeatClock(take.rhythm)
    beats = [n.onset_beat for n in take.notes]
    pulse = np.array([np.nan if b is None else clock.sec(b) for b in beats])
    known = np.unique(pulse[np.isfinite(pulse)])
    apart = np.full(len(known), 1.0)
    if len(known) > 1:
        gaps = np.diff(known)
        apart = np.minimum(np.append(gaps, np.inf), np.append(np.inf, gaps))
    nearest = dict(zip(known.tolist(), apart.tolist(), strict=True))
    return pulse, np.array([nearest.get(p, np.nan) for p in pulse.tolist()])


def _with_pitches(events: Events, pitch: np.ndarray) -> Events:
    sets: list[set[int]] = [set() for _ in range(len(events))]
    for event, p in zip(events.of.tolist(), pitch.tolist(), strict=True):
        sets[event].add(p)
    return dataclasses.replace(events, pitches=tuple(tuple(sorted(s)) for s in sets))


def _one_row_a_note(per_stretch: list[list[Verdict]], fits: list[Fit]) -> list[Verdict]:
    """All rows of a pass; of a note that was played twice the better playing counts."""
    best: dict[int, tuple[int, int]] = {}
    for s, rows in enumerate(per_stretch):
        for row in rows:
            if row.reference is not None:
                rank = (_GOOD[row.verdict], s)
                best[row.reference] = max(best.get(row.reference, (-1, -1)), rank)
    out = []
    for s, rows in enumerate(per_stretch):
        own = [i for i, (_, which) in best.items() if which == s]
        times = {int(i): t for i, t in zip(fits[s].stretch.reference, fits[s].due, strict=True)}
        kept = [times[i] for i in own if i in times]
        low, high = (min(kept), max(kept)) if kept else (np.inf, -np.inf)
        for row in rows:
            if row.reference is not None:
                again = best[row.reference][1] != s
            else:
                # Beside a stretch that was played again and better, extras do not count either.
                time = row.time_sec or 0.0
                again = len(per_stretch) > 1 and not low - 1.0 <= time <= high + 1.0
            out.append(dataclasses.replace(row, again=True) if again else row)
    return out


def _around(rows: list[Verdict], fits: list[Fit], beat_sec: float) -> list[Verdict]:
    """Rows with those extra notes set aside that lie a beat and more before or after the pass."""
    inside = [
        r.time_sec
        for r in rows
        if r.reference is not None and not r.again and r.time_sec is not None and r.take is not None
    ]
    pace = [float(p) for fit in fits for p in fit.pace if np.isfinite(p)]
    if not inside or not pace:
        return rows
    beat = max(0.4, beat_sec * float(np.median(pace)))
    low, high = min(inside) - beat, max(inside) + beat
    out = []
    for row in rows:
        time = row.time_sec
        if row.reference is None and time is not None and not low < time < high:
            where = "before" if time <= low else "after"
            row = dataclasses.replace(row, left_out=True, reason=where)
        out.append(row)
    return out


def _unplayed(rows: list[Verdict], side: Side) -> list[Verdict]:
    """Rows for the notes that no stretch of the pass reaches."""
    seen = {row.reference for row in rows}
    return [
        Verdict(i, None, "missed", left_out=True, reason="left out of this pass")
        for i in range(len(side.reference))
        if i not in seen
    ]


def _sorted(rows: Sequence[Verdict]) -> list[Verdict]:
    """Rows by the reference's notes, extra notes behind the last note that was played before."""
    own = sorted((r for r in rows if r.reference is not None), key=lambda r: r.reference or 0)
    timed = [(r.time_sec, r.reference) for r in own if r.time_sec is not None and not r.again]
    timed.sort()
    times = [t for t, _ in timed]
    keyed: list[tuple[int, int, float, Verdict]] = []
    for row in rows:
        at = row.time_sec or 0.0
        if row.reference is not None:
            keyed.append((row.reference, 0, at, row))
        else:
            k = int(np.searchsorted(times, at, side="right"))
            keyed.append((timed[k - 1][1] or 0 if k else -1, 1, at, row))
    return [k[3] for k in sorted(keyed, key=lambda k: k[:3])]


def _tempo(fits: list[Fit], side: Side) -> list[tuple[float, float]]:
    """(take seconds, take seconds per reference second) at each time of the reference."""
    points = []
    for fit in fits:
        if len(fit.pairs) < 3:
            continue
        x = np.round(side.x[fit.stretch.reference], 6)
        _, first = np.unique(x, return_index=True)
        points += [(float(fit.due[k]), float(fit.pace[k])) for k in first]
    return sorted(p for p in points if np.isfinite(p[0]) and p[1] > 0)


def _tempo_ratio(fits: list[Fit], side: Side) -> float | None:
    """The pass's tempo over the reference's: written time over played time, without the pauses."""
    written = taken = 0.0
    for fit in fits:
        x, first = np.unique(np.round(side.x[fit.stretch.reference], 6), return_index=True)
        if len(fit.pairs) < 3 or len(x) < 2:
            continue
        pace = fit.pace[first]
        written += float(x[-1] - x[0])
        taken += float(np.sum(np.diff(x) * 0.5 * (pace[1:] + pace[:-1])))
    return written / taken if taken > 0 else None


def _merit(one: Pass) -> float:
    """What a pass is worth: what is right in it less half of what is not."""
    count = one.summary.counts
    timing = count.get("late", 0) + count.get("early", 0)
    bad = count.get("wrong", 0) + count.get("missed", 0) + count.get("extra", 0)
    return count.get("right", 0) + 0.5 * timing - 0.5 * bad


def _retuned(passes: list[Pass], reference: Riff) -> dict[int, int]:
    """Strings that sound the same number of semitones off throughout: string -> semitones."""
    shifts: dict[int, Counter[int]] = {}
    for one in passes:
        for row in one.notes:
            if row.reference is None or row.left_out:
                continue
            note = reference.notes[row.reference]
            if note.string is None or row.verdict in ("missed", "unsure"):
                continue
            step = 0
            if row.verdict == "wrong" and row.played is not None:
                step = row.played.pitch_midi - note.pitch_midi
            shifts.setdefault(note.string, Counter())[step] += 1
    found = {}
    for string, counter in shifts.items():
        step, count = counter.most_common(1)[0]
        frets = {
            reference.notes[row.reference].fret
            for one in passes
            for row in one.notes
            if row.reference is not None and reference.notes[row.reference].string == string
        }
        steady = count >= (4 if len(frets) > 1 else 6) and count >= 0.75 * counter.total()
        if 0 < abs(step) <= 7 and steady:
            found[string] = step
    return found
