"""Verdicts, remarks, practice and progress in words: the one place where they become sentences.

Everything else in this package passes facts on; nothing reads a sentence back. Words are clauses
without a capital or a full stop; `sentence` gives them both.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType
from typing import Any

from transcribe.core.key import note_names, pitch_in
from transcribe.core.pitch import pitch_name
from transcribe.core.riff import Note, Remark, Riff
from transcribe.core.score_place import (
    and_list,
    bar_and_beat,
    bar_list,
    bar_name,
    beat_name,
    number_ranges,
    place_name,
)
from transcribe.takes.comparison import (
    Comparison,
    DroneGap,
    DroneVerdict,
    Pass,
    Played,
    Practice,
    PracticeStep,
    Reason,
    Summary,
    Verdict,
)
from transcribe.takes.summary import Change

__all__ = [
    "REMARKS",
    "change_words",
    "counted_words",
    "drone_words",
    "gap_words",
    "headline",
    "missed_words",
    "pass_words",
    "place_words",
    "played_words",
    "practice_place",
    "practice_steps",
    "reason_words",
    "remark_words",
    "sentence",
    "verdict_words",
]

_BIAS_MS = 3.0  # less is not worth a word
_STEADY_PERCENT = 1.0  # nobody hears a tempo drift by less
_RINGING_SHARE = 0.98  # share of its time at which the drone never fell silent
_MAX_NAMED_BARS = 4  # that a sentence names one by one
_PARTS_OF_BEAT = ((0.125, "1/8"), (0.25, "1/4"), (1 / 3, "1/3"), (0.5, "half"))
_MIN_PART_BEATS, _MAX_PART_BEATS = 0.09, 0.75  # of a beat; less is given in milliseconds alone


def sentence(words: str) -> str:
    """Words as a sentence: a capital first, one full stop last unless they end otherwise.

    >>> sentence("is it this riff?"), sentence("not counted")
    ('Is it this riff?', 'Not counted.')
    """
    end = "" if words.endswith((".", "?", "!")) else "."
    return words[:1].upper() + words[1:] + end


def _count(count: int, thing: str) -> str:
    return f"{count} {thing}" + ("" if count == 1 else "s")


def _are(count: int) -> str:
    return "is" if count == 1 else "are"


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def _note_words(note: Note, riff: Riff) -> str:
    """Where a note is played and what it is called; the name alone where it has no place.

    >>> _note_words(Note(1, 0.0, 1.0, 45, string=5, fret=0), Riff())
    'string 5 open (A2)'
    """
    name = pitch_in(riff, note.pitch_midi)
    if note.string is None or note.fret is None:
        return name
    return f"string {note.string} {f'fret {note.fret}' if note.fret else 'open'} ({name})"


def _note_place(riff: Riff, index: int) -> str:
    """Bar and beat of a note of the reference, or its number."""
    beat = riff.notes[index].onset_beat
    if riff.rhythm is None or beat is None:
        return f"note {index + 1}"
    return place_name(beat, riff.rhythm.meter)


def _stretch_words(riff: Riff, first: int, last: int) -> str:
    """Where the first and the last of some notes lie, or the notes' numbers without rhythm."""
    beats = riff.notes[first].onset_beat, riff.notes[last].onset_beat
    if riff.rhythm is None or beats[0] is None or beats[1] is None:
        return f"note{'s' if last > first else ''} {number_ranges(range(first + 1, last + 2))}"
    (bar, _), (last_bar, beat) = (
        bar_and_beat(b, riff.rhythm.meter) for b in beats if b is not None
    )
    start = _note_place(riff, first)
    if beats[0] == beats[1]:
        return start
    same_bar = bar_name(bar) == bar_name(last_bar)
    return f"{start} to {beat_name(beat) if same_bar else _note_place(riff, last)}"


# Verdicts ----------------------------------------------------------------------------------------

_REASONS: Mapping[Reason, str] = {
    Reason.LOW_CONFIDENCE: "hardly heard",
    Reason.NOT_CERTAIN: "not heard for certain",
    Reason.OVERTONE: "may be an overtone of a lower note",
    Reason.RIGHT_NOTE_TOO: "the right note may have sounded as well",
    Reason.DEAD_NOTE: "a dead note is hard to hear",
    Reason.OUT_OF_RANGE: "too low or too high to be heard",
    Reason.WEAK_ONSET: "hardly heard, if it was played",
    Reason.STILL_RINGING: "its string was still ringing; whether it was struck again is not clear",
    Reason.HIDDEN: "may be hidden in another note that was struck with it",
    Reason.SHAKEN_STRING: "its string was ringing already, or sounds just before or after",
    Reason.FAINT: "heard faintly",
    Reason.BEFORE: "before",
    Reason.AFTER: "after",
    Reason.NOT_REACHED: "left out of this pass",
}


def reason_words(row: Verdict) -> str:
    """Why a note is unsure or left out; empty where nothing is said of it."""
    if row.reference is None and row.reason is Reason.DEAD_NOTE:
        return "a dead note"
    return "" if row.reason is None else _REASONS[row.reason]


def played_words(row: Verdict, reference: Riff) -> str:
    """Where the finger went instead of the note, or what an extra note is called."""
    played = row.played
    if played is None:
        return ""
    if row.reference is None:
        return pitch_in(reference, played.pitch_midi)
    return _slip_words(played, reference.notes[row.reference], note_names(reference))


def _slip_words(played: Played, note: Note, names: Sequence[str]) -> str:
    name = pitch_name(played.pitch_midi, names)
    if note.string is None or note.fret is None:
        return f"{name} instead of {pitch_name(note.pitch_midi, names)}"
    if played.string is None or played.fret is None:
        return f"{name}, which this neck does not have"
    if played.string == note.string:
        step = played.fret - note.fret
        way = "high" if step > 0 else "low"
        return f"{_count(abs(step), 'fret')} too {way} on string {note.string}"
    if played.fret == note.fret:
        return f"fret {note.fret} on string {played.string} instead of string {note.string}"
    here = f"string {played.string} fret {played.fret}"
    return f"{here} instead of string {note.string} fret {note.fret}"


def place_words(row: Verdict, reference: Riff) -> str:
    """Where a verdict belongs: bar and beat, else the note's number, and where it is played."""
    if row.beat is not None and row.bar is not None and reference.rhythm is not None:
        parts = 4 if row.reference is None else 0
        where = place_name(row.beat, reference.rhythm.meter, parts=parts)
    elif row.reference is not None:
        where = f"note {row.reference + 1}"
    else:
        where = f"{row.time_sec:.2f} s"
    if row.reference is None:
        return where
    return f"{where}, {_note_words(reference.notes[row.reference], reference)}"


def verdict_words(row: Verdict, reference: Riff) -> str:
    """What went wrong at a note, or is not sure."""
    if row.verdict == "right":
        return row.length or "right"
    where = played_words(row, reference)
    if row.verdict == "wrong" and row.played is not None:
        if row.played.string is None:
            return f"played {where}"
        return f"played {pitch_in(reference, row.played.pitch_midi)}, {where}"
    if row.verdict in ("early", "late") and row.offset_ms is not None:
        return f"{abs(row.offset_ms):.0f} ms {row.verdict}"
    if row.verdict == "extra":
        return f"{where} is not written there"
    if row.verdict == "missed":
        return "was not played"
    why = reason_words(row) or "not heard for certain"
    if row.reference is None and row.played is not None:
        return f"{where} may have sounded too ({why})"
    return f"not sure, {why}"


_COUNTED = {
    "unsure": "not clear enough to judge, not counted",
    "cut short": "cut short",
    "left ringing": "left ringing",
}


def counted_words(kind: str, rows: Sequence[Verdict]) -> str:
    """Many notes that are unsure, or of another length, in one line."""
    bars = [r.bar for r in rows if r.bar is not None]
    where = f" in {bar_list(bars)}" if bars else ""
    return f"{len(rows)} notes{where}: {_COUNTED[kind]}"


def missed_words(rows: Sequence[Verdict], reference: Riff) -> str:
    """One note that was missed many times, in one line."""
    bars = [r.bar for r in rows if r.bar is not None]
    where = f" in {bar_list(bars)}" if bars else ""
    note = _note_words(reference.notes[rows[0].reference or 0], reference)
    return f"{note}: was not played, {len(rows)} times{where}"


def headline(summary: Summary) -> list[str]:
    """The figures of a pass in two to four lines."""
    s = summary
    judged = sum(n for name, n in s.counts.items() if name != "unsure")
    lines = [f"Right: {s.counts.get('right', 0)} of {judged} ({_percent(s.right_share)})"]
    for k, name in enumerate(n for n in _OTHERS if s.counts.get(n)):
        lines[0] += f"{', ' if k else '; '}{name} {s.counts[name]}"
    if s.tempo_ratio is not None:
        tempo = f"{_percent(s.tempo_ratio)} of the reference's"
        if s.tempo_bpm is not None and s.reference_bpm is not None:
            tempo = f"{s.tempo_bpm:.0f} bpm ({tempo} {s.reference_bpm:.0f})"
        if s.drift_percent is not None:
            way = "gains" if s.drift_percent > 0 else "loses"
            steady = abs(s.drift_percent) < _STEADY_PERCENT
            tempo += ", steady" if steady else f", {way} {abs(s.drift_percent):.0f} % on the way"
        lines.append(f"Tempo: {tempo}")
    elif s.tempo_bpm is not None:
        lines.append(f"Tempo: {s.tempo_bpm:.0f} bpm, by the take's own pulse")
    if s.spread_ms is not None and s.bias_ms is not None:
        timing = f"Timing: most notes within {s.spread_ms:.0f} ms"
        if abs(s.bias_ms) >= _BIAS_MS:
            side = "late" if s.bias_ms > 0 else "early"
            timing += f", {abs(s.bias_ms):.0f} ms {side} on average"
        lines.append(timing)
    lengths = (("cut short", s.cut_short), ("left ringing", s.left_ringing))
    if any(n for _, n in lengths):
        lines.append("Length: " + ", ".join(f"{n} {kind}" for kind, n in lengths if n))
    return lines


_OTHERS = ("wrong", "missed", "extra", "early", "late", "unsure")


def drone_words(drone: DroneVerdict, reference: Riff) -> str:
    """How much of its time the drone rang."""
    pitch = pitch_in(reference, drone.pitch_midi)
    name = f"Drone ({pitch}, string {drone.string})"
    return f"{name}: rings {_percent(drone.ringing_share)} of the time it should"


def gap_words(gap: DroneGap, comparison: Comparison) -> str:
    """Where the drone has a gap, for how long, and of which kind."""
    rhythm = comparison.reference.rhythm
    where = f"{gap.start_sec:.1f} s"
    if gap.start_beat is not None and rhythm is not None:
        where = f"{place_name(gap.start_beat, rhythm.meter, parts=4)}, at {where}"
    drone = comparison.drone
    rings_on = (
        gap.kind == "not struck" and drone is not None and drone.ringing_share > _RINGING_SHARE
    )
    still = ", still ringing from before" if rings_on else ""
    return f"{where}, for {gap.end_sec - gap.start_sec:.1f} s: {gap.kind}{still}"


def pass_words(one: Pass, reference: Riff) -> str:
    """Which part of the reference a pass reaches; empty where it is the whole."""
    if one.reach is None or one.reach == (0, len(reference.notes) - 1):
        return ""
    return _stretch_words(reference, *one.reach)


# Remarks -----------------------------------------------------------------------------------------

_Facts = Mapping[str, Any]
_NAMES = "note_names"  # what the facts call the names of the pitch classes in the reference's key


def _pitch(facts: _Facts, pitch_midi: int) -> str:
    return pitch_name(pitch_midi, facts[_NAMES])


def _steps(semitones: float) -> str:
    """An interval in words, with its direction; parts of a semitone as a decimal."""
    size = abs(semitones)
    if size % 12 == 0:
        words = "an octave" if size == 12 else f"{size / 12:.0f} octaves"
    else:
        words = f"{size:.3g} semitone" + ("s" if size != 1 else "")
    return f"{words} {'higher' if semitones > 0 else 'lower'}"


def _cause(facts: _Facts) -> str:
    """The likeliest cause of a transposition, in brackets."""
    cause = facts.get("cause")
    words = {
        "playback": lambda f: (
            f"the recording seems to be played back at {_percent(f['speed'])} of its speed"
        ),
        "capo": lambda f: f"capo at fret {f['take_capo']} instead of {f['reference_capo']}",
        "tuning": lambda f: "the strings are tuned so" + (f["tuning"] and f": {f['tuning']}"),
        "no-capo": lambda f: (
            f"as without the capo, which the reference has at fret {f['reference_capo']}"
        ),
        "standard-tuning": lambda f: "as in standard tuning",
        "as-with-capo": lambda f: f"as with a capo at fret {f['take_capo']}",
        "tuned-down": lambda f: (
            f"as with every string tuned {'half a step' if f['down'] == 1 else 'a whole step'} down"
        ),
    }
    return f" ({words[cause](facts)})" if cause in words else ""


def _retuned(facts: _Facts) -> str:
    written, played = facts["written_midi"], facts["played_midi"]
    return (
        f"string {facts['string']} sounds {_steps(played - written)} than in the reference: it "
        f"seems tuned to {_pitch(facts, played)} instead of {_pitch(facts, written)}; this is not "
        "counted"
    )


def _another_riff(facts: _Facts) -> str:
    name = f"the reference ({facts['reference']})" if facts["reference"] else "the reference"
    even = f", even {_steps(facts['semitones'])}" if facts["semitones"] else ""
    return (
        f"this take does not look like {name}: only {_percent(facts['matched_share'])} of the notes"
        f" match{even}; check that both files are the right ones and that the take holds this riff "
        "alone; nothing is kept as progress"
    )


def _first_chords(facts: _Facts) -> str:
    chords = ["+".join(_pitch(facts, midi) for midi in chord) for chord in facts["chords_midi"]]
    return " ".join(chords) + (" ..." if facts["more"] else "")


def _other_attempts(facts: _Facts, what: str) -> str:
    at = facts["at_sec"]
    many = f"a {what}" if len(at) == 1 else f"{len(at)} {what}s"
    return f"{many} at {and_list([f'{sec:.1f} s' for sec in at])} {_are(len(at))} not counted"


def _edge(facts: _Facts, verb: str, where: str, place: str) -> str:
    count = facts["count"]
    notes = "note" if count == 1 else f"{count} notes"
    return f"the take {verb} at {place}; the {notes} {where} that {_are(count)} not counted"


def _next_tempo(facts: _Facts) -> str:
    on = f", on the way to {facts['goal_bpm']:.0f}" if facts["next_bpm"] < facts["goal_bpm"] else ""
    return f"everything is right at {facts['bpm']:.0f} bpm: try {facts['next_bpm']:.0f} next{on}"


REMARKS: Mapping[str, Callable[[_Facts, str], str]] = MappingProxyType(
    {
        # How the instruments differ.
        "transposed": lambda f, _: (
            f"the take sounds {_steps(f['semitones'])} than the reference "
            f"throughout{_cause(f)}; this is not counted"
        ),
        "string-retuned": lambda f, _: _retuned(f),
        "tuned-off": lambda f, _: (
            f"the take is tuned {abs(f['cents']):.0f} cents "
            f"{'sharper' if f['cents'] > 0 else 'flatter'} than the reference"
        ),
        # Whether it is this riff.
        "few-match": lambda f, _: (
            f"only {_percent(f['matched_share'])} of the notes match: check the reference"
        ),
        "empty-take": lambda f, _: "the take holds no notes; nothing is kept as progress",
        "another-riff": lambda f, _: _another_riff(f),
        "heard-first": lambda f, _: f"heard first: {_first_chords(f)}",
        "written-first": lambda f, _: f"written first: {_first_chords(f)}",
        "nothing-found": lambda f, _: "nothing of the reference is found in the take",
        # What the timing is held against.
        "tab-without-count": lambda f, _: (
            "the reference comes from a tab without a count: the order of its notes is sure, "
            "their time is not, so that timing is held only against the take's own pulse; "
            "a count under the strings (1 & 2 &) has it held against the tab"
        ),
        "no-rhythm": lambda f, _: (
            "the reference has no rhythm: notes are compared in order, and "
            "timing only against the take's own pulse"
            + ("; bar lines in the tab give it bars, a count under them beats" * f["from_tab"])
        ),
        "recorded-times": lambda f, _: (
            "the take follows the reference's recorded times more "
            "closely than its written beats: timing is held against the recorded times"
        ),
        # What was played, and what of it counts.
        "passes": lambda f, _: (
            f"the riff is played {f['count']} times; these are the verdicts of "
            f"the best, pass {f['best']}"
        ),
        "false-starts": lambda f, _: _other_attempts(f, "false start"),
        "parts": lambda f, _: _other_attempts(f, "part"),
        "starts-late": lambda f, place: _edge(f, "starts", "before", place),
        "stops-early": lambda f, place: _edge(f, "stops", "after", place),
        "left-out": lambda f, place: f"{place} is left out; not counted",
        "played-again": lambda f, place: (
            f"the take goes back over {place}; the better playing counts"
        ),
        "notes-before": lambda f, _: (
            f"{_count(f['count'], 'note')} before the riff begins {_are(f['count'])} not counted"
        ),
        "notes-after": lambda f, _: (
            f"{_count(f['count'], 'note')} after the riff ends {_are(f['count'])} not counted"
        ),
        "pause": lambda f, _: (
            f"a pause of {f['longer_sec']:.1f} s before {f['sec']:.1f} s is not counted"
        ),
        "pauses": lambda f, _: (
            f"{f['count']} pauses, the longest of {f['longer_sec']:.1f} s "
            f"before {f['sec']:.1f} s, are not counted"
        ),
        "faster": lambda f, _: _next_tempo(f),
        "unclear": lambda f, _: (
            f"{f['count']} notes are not clear enough to judge: a recording "
            "closer to the guitar, in a quiet room, would tell more"
        ),
    }
)
"""Kind of a remark -> its words, from its facts and the place of its notes in the reference."""


def remark_words(remark: Remark, reference: Riff) -> str:
    """A difference or remark of a comparison in words.

    >>> remark_words(Remark("pause", {"sec": 4.0, "longer_sec": 1.5}), Riff())
    'a pause of 1.5 s before 4.0 s is not counted'
    """
    place = ""
    if remark.notes:
        index = {note.id: i for i, note in enumerate(reference.notes)}
        indices = [index[i] for i in remark.notes]
        place = _stretch_words(reference, indices[0], indices[-1])
    return REMARKS[remark.kind]({**remark.facts, _NAMES: note_names(reference)}, place)


# Practice ----------------------------------------------------------------------------------------

_LET_RING = "let it ring and keep the other fingers off its string"


def practice_place(line: Practice) -> str:
    """What a line of the practice plan is about: its bars, or its notes."""
    first, last = line.reference
    if line.throughout:
        return "throughout"
    if line.bars:
        return bar_list(line.bars)
    return f"notes {first + 1} to {last + 1}" if last > first else f"note {first + 1}"


def practice_steps(line: Practice, comparison: Comparison) -> list[str]:
    """What to do at a place of the practice plan, a clause for each step."""
    words = _PracticeWords(line, comparison.reference, comparison.summary.tempo_bpm)
    steps = [words.step(step) for step in line.steps]
    if line.passes > 1 and line.spoilt_passes:
        steps[0] = f"in {line.spoilt_passes} of {line.passes} passes, {steps[0]}"
    return steps


class _PracticeWords:
    """The words for the steps of one line of the plan."""

    def __init__(self, line: Practice, reference: Riff, tempo_bpm: float | None) -> None:
        self.line, self.reference, self.tempo_bpm = line, reference, tempo_bpm
        self.meter = reference.rhythm.meter if reference.rhythm is not None else None

    def _note(self, note: Note) -> str:
        return _note_words(note, self.reference)

    def step(self, step: PracticeStep) -> str:
        """One step as a clause."""
        if step.kind == "drone rings":
            share = _percent(step.ringing_share or 0.0)
            return f"the drone rings {share} of the time it should, {_LET_RING}"
        if step.kind == "drift":
            percent = step.drift_percent or 0.0
            way = "faster" if percent > 0 else "slower"
            return f"you get {abs(percent):.0f} % {way} on the way, play along with a metronome"
        if step.kind == "drone stops":
            return f"the drone stops at {self._gap_place(step.gaps[0])}, {_LET_RING}"
        if step.kind == "drone not struck":
            return f"the drone is not struck at {self._gap_place(step.gaps[0])}, strike it too"
        return f"{self._when(step.rows)}: {self._to_do(step)}"

    def _to_do(self, step: PracticeStep) -> str:
        if step.kind == "extra":
            names = sorted({played_words(r, self.reference) for r in step.rows if r.played})
            one = len(names) == 1
            verb = "sounds but is" if one else "sound but are"
            return f"{and_list(names)} {verb} not written, damp what is not played"
        notes = [self.reference.notes[r.reference or 0] for r in step.rows]
        if step.kind == "wrong":
            played = played_words(step.rows[0], self.reference) or "another note"
            more = f"; {step.others} more wrong note{'s' if step.others > 1 else ''}"
            return f"play {self._note(notes[0])}, it was {played}{more if step.others else ''}"
        if step.kind == "missed":
            return self._missed(step, notes)
        return self._off_the_beat(step, notes)

    def _missed(self, step: PracticeStep, notes: Sequence[Note]) -> str:
        (name, most), *others = Counter(map(self._note, notes)).most_common()
        if others:
            which = f", most of all {name}" if most > others[0][1] else ""
            return f"{len({r.reference for r in step.rows})} notes are missing{which}"
        if step.on_drone:
            return f"{name} is missing, strike the drone too"
        how = "strike it" if notes[0].fret == 0 else "fret it firmly and strike it"
        return f"{name} is missing, {how}"

    def _off_the_beat(self, step: PracticeStep, notes: Sequence[Note]) -> str:
        count = len({r.reference for r in step.rows})
        if len({self._beat(r) for r in step.rows}) < count:
            who = "what is played there comes"
        elif count > 1:
            who = f"{self._note(notes[0])} and {count - 1} more come"
        else:
            who = f"{self._note(notes[0])} comes"
        off = step.offset_ms or 0.0
        return f"{who} {off:.0f} ms {step.kind}{self._part_of_beat(off)}, count aloud"

    def _part_of_beat(self, off_ms: float) -> str:
        share = 0.0 if self.tempo_bpm is None else off_ms * self.tempo_bpm / 60000.0
        if share < _MIN_PART_BEATS:
            return ""
        if share >= _MAX_PART_BEATS:
            return " (most of a beat)"
        name = min(_PARTS_OF_BEAT, key=lambda part: abs(share - part[0]))[1]
        return f" (about {name} of a beat)"

    def _beat(self, row: Verdict) -> str:
        """The beat of a verdict in its bar, or the note's number; extra notes to the quarter."""
        if row.beat is None or self.meter is None:
            return "" if row.reference is None else str(row.reference + 1)
        _, within = bar_and_beat(row.beat, self.meter)
        return beat_name(within, parts=4 if row.reference is None else 0, beats=self.meter[0])

    def _when(self, rows: Sequence[Verdict]) -> str:
        """On which beats, bar by bar where the bars differ; else which notes, or at what time."""
        if any(r.beat is None for r in rows):
            numbers = [r.reference + 1 for r in rows if r.reference is not None]
            if not numbers:
                return f"at {and_list([f'{r.time_sec or 0.0:.1f} s' for r in rows])}"
            return f"note{'s' if len(numbers) > 1 else ''} {number_ranges(numbers)}"
        beats: dict[int, dict[str, None]] = defaultdict(dict)
        for row in sorted(rows, key=lambda r: r.beat or 0.0):
            beats[row.bar or 0][self._beat(row)] = None
        named = {bar: self._beats(list(names)) for bar, names in beats.items()}
        if len(named) == len(self.line.bars) and len(set(named.values())) == 1:
            return next(iter(named.values()))
        bars = [f"{bar_name(bar)} {words}" for bar, words in sorted(named.items())]
        return ", ".join(bars[:_MAX_NAMED_BARS]) + (
            " and so on" if len(bars) > _MAX_NAMED_BARS else ""
        )

    @staticmethod
    def _beats(names: Sequence[str]) -> str:
        return f"beat{'s' if len(names) > 1 else ''} {and_list(names)}"

    def _gap_place(self, gap: DroneGap) -> str:
        if gap.start_beat is None or self.meter is None:
            return f"{gap.start_sec:.1f} s"
        _, within = bar_and_beat(gap.start_beat, self.meter)
        return f"beat {beat_name(within, parts=2, beats=self.meter[0])}"


# Progress ----------------------------------------------------------------------------------------


def change_words(change: Change) -> str:
    """What changed from a take to the next.

    >>> change_words(Change("right", 83, 100)), change_words(Change("clean bars", bars=(2, 3)))
    ('right 83 % -> 100 % (+17 points)', 'now clean: bars 2 and 3')
    """
    before, after = change.before, change.after
    if change.kind == "right":
        if before == after:
            return f"right {after} %, as before"
        points = "point" if abs(after - before) == 1 else "points"
        return f"right {before} % -> {after} % ({after - before:+d} {points})"
    if change.kind == "spread":
        word = "steadier" if after < before else "less steady"
        return f"most notes within {before} ms -> {after} ms ({word})"
    if change.kind == "tempo":
        return f"{before} bpm -> {after} bpm"
    if change.kind == "drone":
        return f"drone ringing {before} % -> {after} %"
    name = "now clean" if change.kind == "clean bars" else "new trouble"
    return f"{name}: {bar_list(change.bars)}"
