"""`compare`: hold a take against a reference and give a verdict on every note.

The take is followed through the reference (`align`) and cut into passes; each pass gets its smooth
tempo and its pairs of notes (`match`), and each note its verdict (`verdicts`). Where the whole take
sounds higher or lower than the reference, or one string has another tuning, that is taken out first
and stated.
"""

from __future__ import annotations

import dataclasses
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from transcribe.core.errors import ParameterError
from transcribe.core.riff import Remark, Riff, sort_notes
from transcribe.core.score_place import bar_and_beat, counted_beats
from transcribe.takes.align import Run, align
from transcribe.takes.comparison import Comparison, DroneVerdict, Pass, Reason, Verdict
from transcribe.takes.drone_verdict import judge_drone
from transcribe.takes.match import Stretch, StretchFit, fit_stretch, group_passes
from transcribe.takes.onset_activations import OnsetActivations, onset_activations
from transcribe.takes.practice import practice_plan
from transcribe.takes.remarks import (
    instrument_differences,
    pass_remarks,
    remarks_on_another_riff,
)
from transcribe.takes.summary import (
    pass_score,
    share_matched,
    share_needed,
    summarise,
    tempo_curve,
)
from transcribe.takes.timeline import (
    Events,
    NoteArrays,
    ReferenceClock,
    has_beats,
    likely_transpositions,
    note_arrays,
    pace_of,
    reference_clocks,
    take_events,
)
from transcribe.takes.verdicts import judge_stretch

__all__ = ["compare"]

_CLEAR_SCORE = 0.7  # a way through whose score per event is higher needs no other transposition
_NARROW_MARGIN = 0.08  # a share of matching notes this little over what is needed deserves a word
_VERDICT_RANK = {"right": 4, "late": 3, "early": 3, "unsure": 2, "wrong": 1, "missed": 0}
_NO_BEAT_SEC = 0.6  # stands for a beat where the reference has none
_MAX_RETUNED_SEMITONES = 7  # semitones; a string further off was misread, not retuned


def compare(
    take: Riff,
    reference: Riff,
    *,
    sound: tuple[np.ndarray, int] | None = None,
    shares: OnsetActivations | None = None,
    progress: Callable[[str, float], None] | None = None,
) -> Comparison:
    """Hold ``take`` against ``reference``.

    Parameters
    ----------
    take, reference : Riff
        The take's onsets in seconds are what is judged. The reference may be in beats, in seconds,
        or hold an order only.
    sound : (y, sr), optional
        The take's samples, mono, and their rate in Hz: the drone's level is measured from them, and
        notes in doubt are listened for again.
    shares : OnsetActivations, optional
        What `onset_activations` gave for the sound, where that is known already.
    progress : callable, optional
        Called with a stage's name and the share that is done, 0 to 1.

    Returns
    -------
    Comparison

    Raises
    ------
    ParameterError
        If the reference holds no notes.

    Examples
    --------
    A take that leaves out the third of four notes:

    >>> from transcribe.core.riff import Note, Riff
    >>> pitches = (57, 60, 62, 64, 62, 60)
    >>> notes = [Note(k, 0.5 * k, 0.5 * k + 0.4, p) for k, p in enumerate(pitches)]
    >>> played = Riff(notes=(*notes[:2], *notes[3:]))
    >>> [row.verdict for row in compare(played, Riff(notes=tuple(notes))).notes]
    ['right', 'right', 'missed', 'right', 'right', 'right']
    """
    if not reference.notes:
        raise ParameterError("the reference holds no notes; compare with a tab or take that does")
    if shares is None and sound is not None:
        y, sr = sound
        strings = take.instrument
        shares = onset_activations(y, sr=sr, offset_cents=strings.offset_cents, instrument=strings)
    reference = dataclasses.replace(reference, notes=sort_notes(list(reference.notes)))
    take = dataclasses.replace(take, notes=sort_notes(list(take.notes)))
    clocks = reference_clocks(reference)
    return _Comparer(take, reference, clocks, sound, shares, progress).run()


@dataclass(frozen=True)
class _Alignment:
    """The way of a take through the reference, the pitches of both on one footing."""

    reference: Events
    played: Events
    runs: list[Run]
    score: float
    pace: float
    shift: int  # semitones that were taken out of the take


@dataclass(frozen=True)
class _Comparer:
    """What every stage of a comparison works with."""

    take: Riff
    reference: Riff
    clocks: tuple[ReferenceClock, ...]
    sound: tuple[np.ndarray, int] | None
    shares: OnsetActivations | None
    progress: Callable[[str, float], None] | None

    def run(self) -> Comparison:
        self._report(0.0)
        events = take_events(self.take.notes)
        ref_pitch = np.array([n.pitch_midi for n in self.reference.notes], dtype=int)
        followed = self._follow(events, ref_pitch)
        passes, clock = self._judge(followed, ref_pitch)
        retuned = _retuned(passes, self.reference)
        if retuned:
            by = [retuned.get(n.string or 0, 0) for n in self.reference.notes]
            ref_pitch = ref_pitch + np.array(by)
            followed = self._follow(events, ref_pitch, shifts=(followed.shift,))
            passes, clock = self._judge(followed, ref_pitch)
        self._report(1.0)
        return self._compared(passes, clock, followed, retuned)

    def _report(self, share: float) -> None:
        if self.progress is not None:
            self.progress("compare", share)

    @property
    def _has_times(self) -> bool:
        return self.clocks[0].kind != "order"

    @property
    def _bpm(self) -> float | None:
        """The reference's tempo, where its times mean something."""
        rhythm = self.reference.rhythm
        return rhythm.bpm if rhythm is not None and self._has_times else None

    @property
    def _take_pitch(self) -> np.ndarray:
        return np.array([n.pitch_midi for n in self.take.notes], dtype=int)

    def _follow(
        self, events: Events, ref_pitch: np.ndarray, shifts: tuple[int, ...] = ()
    ) -> _Alignment:
        """The best way through the reference, over the likely transpositions."""
        reference = self.clocks[0].events.with_pitches(ref_pitch)
        best: _Alignment | None = None
        for shift in shifts or likely_transpositions(events, reference):
            played = events.with_pitches(self._take_pitch - shift)
            pace = pace_of(played, reference) if self._has_times else 1.0
            runs, score = align(
                played,
                reference,
                pace=pace,
                has_times=self._has_times,
                progress=lambda share: self._report(0.8 * share),
            )
            # Another shift must be worth it: a few chance matches are not.
            if best is None or score > 1.15 * best.score + 2.0:
                best = _Alignment(reference, played, runs, score, pace, shift)
            if score > _CLEAR_SCORE * min(len(played), len(reference)):
                break
        assert best is not None
        return best

    def _judge(
        self, followed: _Alignment, ref_pitch: np.ndarray
    ) -> tuple[list[Pass], ReferenceClock]:
        """The passes, judged by the clock of the reference that the take keeps to."""
        take_pitch = self._take_pitch - followed.shift
        meter = self.reference.rhythm.meter if self.reference.rhythm is not None else None
        groups = group_passes(
            followed.runs,
            followed.reference,
            followed.played,
            ref_pitch=ref_pitch,
            take_pitch=take_pitch,
            bar=meter[0] * 60.0 / self._bpm if meter and self._bpm else np.inf,
        )
        if not groups:
            everything = Stretch(np.arange(len(ref_pitch)), np.arange(len(take_pitch)), ())
            groups = [[everything]]
        best: tuple[float, list[Pass], ReferenceClock] | None = None
        for clock in self.clocks:
            arrays = note_arrays(
                self.take,
                self.reference,
                clock,
                ref_pitch=ref_pitch,
                take_pitch=take_pitch,
                take_shift=followed.shift,
                onset_activations=self.shares,
            )
            passes = [self._judge_pass(group, arrays, followed.pace) for group in groups]
            top = max(passes, key=pass_score).summary
            spread = np.inf if top.spread_ms is None else top.spread_ms
            cost = spread + 200.0 * (1.0 - top.right_share)
            # The score is believed unless the take plainly follows the recorded times instead.
            if best is None or cost < 0.7 * best[0] - 5.0:
                best = (float(cost), passes, clock)
        assert best is not None
        return best[1], best[2]

    def _judge_pass(self, group: list[Stretch], arrays: NoteArrays, pace: float) -> Pass:
        rhythm, bpm = self.reference.rhythm, self._bpm
        beat_sec = 60.0 / rhythm.bpm if rhythm is not None else _NO_BEAT_SEC
        fits = [fit_stretch(stretch, arrays, beat_sec=beat_sec, pace=pace) for stretch in group]
        instrument = self.reference.instrument
        per_stretch = [judge_stretch(fit, arrays, instrument) for fit in fits]
        rows = _leave_out_around(_mark_repeated(per_stretch, fits), fits, beat_sec)
        seen = {row.reference for row in rows}
        rows += [
            Verdict(i, None, "missed", left_out=True, reason=Reason.NOT_REACHED)
            for i in range(len(arrays.reference))
            if i not in seen
        ]
        rows = _sorted([self._placed(row, arrays, fits) for row in rows])
        drone = None
        if self._has_times:
            drone = judge_drone(self.reference, fits, arrays, rows, sound=self.sound)
            drone = self._drone_placed(drone, arrays, fits)
        counted = None if bpm is None else _as_counted(self.reference)
        played = np.concatenate([stretch.take for stretch in group])
        tempo = tempo_curve(fits, arrays)
        return Pass(
            float(arrays.at[played].min()) if len(played) else 0.0,
            float(arrays.ends[played].max()) if len(played) else 0.0,
            tuple(rows),
            summarise(
                rows,
                fits,
                arrays,
                reference_bpm=counted,
                take_bpm=_as_counted(self.take),
            ),
            drone,
            tuple(pause for fit in fits for pause in fit.pauses),
            tuple((t, counted / p) for t, p in tempo) if counted is not None else (),
        )

    def _placed(self, row: Verdict, arrays: NoteArrays, fits: list[StretchFit]) -> Verdict:
        """The verdict with its beat and bar in the reference, where it has any."""
        rhythm = self.reference.rhythm
        around = row.reference is None and row.left_out
        # Where only the order is sure, the bars that the reference has still name the place.
        unnamed = arrays.timing == "order" and not has_beats(self.reference)
        if rhythm is None or unnamed or around:
            return row
        beat: float | None = None
        if row.reference is not None:
            beat = self.reference.notes[row.reference].onset_beat
        elif row.time_sec is not None:
            beat = self._beat_at(row.time_sec, arrays, fits)
        if beat is None:
            return row
        return dataclasses.replace(row, beat=beat, bar=bar_and_beat(beat, rhythm.meter)[0])

    def _beat_at(self, time_sec: float, arrays: NoteArrays, fits: list[StretchFit]) -> float | None:
        """Score time of a moment of the take, from the notes that were due around it."""
        best: tuple[float, float] | None = None
        for fit in fits:
            ids = fit.stretch.reference[np.argsort(arrays.x[fit.stretch.reference], kind="stable")]
            if not len(ids):
                continue
            due = np.maximum.accumulate(
                fit.due[np.argsort(arrays.x[fit.stretch.reference], kind="stable")]
            )
            beats = np.array([self.reference.notes[i].onset_beat or 0.0 for i in ids])
            away = max(due[0] - time_sec, time_sec - due[-1], 0.0)
            if np.isfinite(away) and (best is None or away < best[0]):
                best = (float(away), float(np.interp(time_sec, due, beats)))
        return None if best is None else best[1]

    def _drone_placed(
        self, drone: DroneVerdict | None, arrays: NoteArrays, fits: list[StretchFit]
    ) -> DroneVerdict | None:
        """The drone's verdict with the beat and bar at which each gap begins."""
        rhythm = self.reference.rhythm
        if drone is None or rhythm is None:
            return drone
        gaps = []
        for gap in drone.gaps:
            beat = self._beat_at(gap.start_sec, arrays, fits)
            bar = None if beat is None else bar_and_beat(beat, rhythm.meter)[0]
            gaps.append(dataclasses.replace(gap, start_beat=beat, bar=bar))
        return dataclasses.replace(drone, gaps=tuple(gaps))

    def _compared(
        self,
        passes: list[Pass],
        clock: ReferenceClock,
        followed: _Alignment,
        retuned: dict[int, int],
    ) -> Comparison:
        """The comparison of judged passes, or the plain word that these are two riffs."""
        best = max(range(len(passes)), key=lambda k: (pass_score(passes[k]), k))
        summary = passes[best].summary
        matched = share_matched(passes, best)
        needed = share_needed(
            transposition=followed.shift,
            restarts=len(followed.runs) - len(passes),
            events=len(followed.played),
            spread_ms=summary.spread_ms,
            has_times=self._has_times,
        )
        timing = clock.kind
        if not self._has_times:
            timing = "pulse" if self.take.rhythm is not None else "none"
        found = Comparison(
            self.take,
            self.reference,
            tuple(passes),
            best,
            transposition=followed.shift,
            timing=timing,
            matched_share=matched,
            same_riff=matched >= needed,
        )
        if not found.same_riff:
            remarks = remarks_on_another_riff(
                self.take, self.reference, matched=matched, transposition=followed.shift
            )
            return dataclasses.replace(found, remarks=remarks)
        remarks = pass_remarks(self.reference, timing=timing, passes=passes, best=best)
        if matched < needed + _NARROW_MARGIN:
            remarks = (Remark("few-match", {"matched_share": matched}), *remarks)
        return dataclasses.replace(
            found,
            remarks=remarks,
            differences=instrument_differences(
                self.take,
                self.reference,
                transposition=followed.shift,
                retuned=retuned,
                tempo_ratio=summary.tempo_ratio,
            ),
            practice=practice_plan(
                [p.notes for k, p in enumerate(passes) if k == best or p.reaches_half],
                summary,
                self.reference,
                passes[best].drone,
            ),
        )


def _as_counted(riff: Riff) -> float | None:
    """The tempo of a riff in beats as they are counted, None where it has no rhythm."""
    if riff.rhythm is None:
        return None
    return riff.rhythm.bpm / counted_beats(riff.rhythm.meter)


def _mark_repeated(per_stretch: list[list[Verdict]], fits: list[StretchFit]) -> list[Verdict]:
    """All rows of a pass; of a note that was played twice the better playing counts."""
    best: dict[int, tuple[int, int]] = {}
    for s, rows in enumerate(per_stretch):
        for row in rows:
            if row.reference is not None:
                rank = (_VERDICT_RANK[row.verdict], s)
                best[row.reference] = max(best.get(row.reference, (-1, -1)), rank)
    marked = []
    for s, (rows, fit) in enumerate(zip(per_stretch, fits, strict=True)):
        kept = [
            due
            for i, due in zip(fit.stretch.reference.tolist(), fit.due, strict=True)
            if i in best and best[i][1] == s
        ]
        low, high = (min(kept), max(kept)) if kept else (np.inf, -np.inf)
        for row in rows:
            if row.reference is not None:
                again = best[row.reference][1] != s
            else:
                # Beside a stretch that was played again and better, extras do not count either.
                again = len(fits) > 1 and not low - 1.0 <= (row.time_sec or 0.0) <= high + 1.0
            marked.append(dataclasses.replace(row, again=True) if again else row)
    return marked


def _leave_out_around(
    rows: list[Verdict], fits: list[StretchFit], beat_sec: float
) -> list[Verdict]:
    """Rows with those extra notes set aside that lie a beat and more before or after the pass."""
    inside = [
        r.time_sec
        for r in rows
        if r.reference is not None and not r.again and r.time_sec is not None and r.take is not None
    ]
    pace = np.concatenate([fit.pace for fit in fits])
    pace = pace[np.isfinite(pace)]
    if not inside or not len(pace):
        return rows
    beat = max(0.4, beat_sec * float(np.median(pace)))
    low, high = min(inside) - beat, max(inside) + beat
    out = []
    for row in rows:
        if row.reference is None and row.time_sec is not None and not low < row.time_sec < high:
            reason = Reason.BEFORE if row.time_sec <= low else Reason.AFTER
            row = dataclasses.replace(row, left_out=True, reason=reason)
        out.append(row)
    return out


def _sorted(rows: Sequence[Verdict]) -> list[Verdict]:
    """Rows by the reference's notes, extra notes behind the last note that was played before."""
    played = sorted(
        (r.time_sec, r.reference)
        for r in rows
        if r.reference is not None and r.time_sec is not None and not r.again
    )
    times = [t for t, _ in played]

    def key(row: Verdict) -> tuple[int, int, float]:
        at = row.time_sec or 0.0
        if row.reference is not None:
            return row.reference, 0, at
        k = int(np.searchsorted(times, at, side="right"))
        return played[k - 1][1] if k else -1, 1, at

    return sorted(rows, key=key)


def _retuned(passes: list[Pass], reference: Riff) -> dict[int, int]:
    """Strings that sound the same number of semitones off throughout: string -> semitones."""
    steps: dict[int, Counter[int]] = {}
    frets: dict[int, set[int | None]] = {}
    for row in (row for one in passes for row in one.notes):
        if row.reference is None or (note := reference.notes[row.reference]).string is None:
            continue
        frets.setdefault(note.string, set()).add(note.fret)
        if not row.left_out and row.verdict not in ("missed", "unsure"):
            step = 0
            if row.verdict == "wrong" and row.played is not None:
                step = row.played.pitch_midi - note.pitch_midi
            steps.setdefault(note.string, Counter())[step] += 1
    found = {}
    for string, counter in steps.items():
        step, count = counter.most_common(1)[0]
        # One fret alone may be a finger that is wrong time after time.
        enough = count >= (4 if len(frets[string]) > 1 else 6)
        if 0 < abs(step) <= _MAX_RETUNED_SEMITONES and enough and count >= 0.75 * counter.total():
            found[string] = step
    return found
