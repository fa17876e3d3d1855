"""Sentences for remarks: the one place where the facts of a `Remark` become words.

Every part of the program that has something to tell makes a `Remark`, with a kind of this
registry and numbers; what shows it calls `sentence`, or `parts` where each note that it names
is to lead to that note. Nothing ever reads a sentence back. Verdicts on a take have their own
kinds, in `transcribe.takes.verdict_wording`.

A sentence in `KINDS` may refer to a note by `NoteName`, so that a reader may show the note by
another name.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any

from transcribe.core.errors import ParameterError
from transcribe.core.pitch import SHARPS, pitch_name
from transcribe.core.riff import Remark, Segment
from transcribe.core.score_place import place_name, tempo_words

__all__ = ["KINDS", "NoteName", "asked_for", "parts", "refusal", "remark_json", "sentence"]


@dataclass(frozen=True, slots=True)
class NoteName:
    """A note that a sentence names: its id, and what it is called where nothing better is known."""

    note: int
    text: str


_Words = str | Iterable[str | NoteName]

_NAMES = "note_names"
"""What the facts call the names of the pitch classes, for as long as a sentence is made."""


def sentence(remark: Remark, names: Sequence[str] = SHARPS) -> str:
    """The remark as a sentence in plain English.

    ``names`` are what the pitch classes are called in the key of its riff
    (`transcribe.core.key.note_names`).

    A kind that a later version of the program wrote has no words here; it is named.

    Examples
    --------
    >>> sentence(Remark("tab-no-meter", {"meter": [3, 4]}))
    'The tab gives no meter; 3/4 is assumed until you give one.'
    """
    return "".join(part if isinstance(part, str) else part.text for part in parts(remark, names))


def parts(remark: Remark, names: Sequence[str] = SHARPS) -> tuple[str | NoteName, ...]:
    """The sentence in parts: text, and the notes that it names.

    ``names`` are what the pitch classes are called, as for `sentence`.

    Raises
    ------
    LookupError, TypeError, ValueError
        If the remark lacks the facts of its kind.
    """
    if remark.kind not in KINDS:
        return (f"a remark of another version: {remark.kind}",)
    spelled = replace(remark, facts={**remark.facts, _NAMES: names})
    words = KINDS[remark.kind](spelled)
    return (words,) if isinstance(words, str) else tuple(words)


def remark_json(remark: Remark, names: Sequence[str] = SHARPS) -> dict[str, Any]:
    """The remark as JSON values for a reader that shows it; ``names`` as for `sentence`.

    Returns
    -------
    dict
        ``kind``, ``facts``, ``notes``, the finished ``sentence``, and its ``parts``: texts, and
        ``{"note": id, "text": name}`` for each note that it names.
    """
    words = parts(remark, names)
    return {
        "kind": remark.kind,
        "facts": dict(remark.facts),
        "notes": list(remark.notes),
        "sentence": sentence(remark, names),
        "parts": [
            part if isinstance(part, str) else {"note": part.note, "text": part.text}
            for part in words
        ],
    }


def segments_line(segments: Sequence[Segment]) -> str:
    """What happens in a recording, in one line; empty where somebody plays from start to end.

    >>> segments_line([Segment(0, 9.5, "playing"), Segment(9.5, 14, "talk")])
    'playing 0.0-9.5 s, talk 9.5-14.0 s'
    """
    if not any(segment.kind == "talk" for segment in segments):
        return ""
    return ", ".join(
        f"{segment.kind} {segment.start_sec:.1f}-{segment.end_sec:.1f} s"
        for segment in segments
        if segment.kind != "neither"
    )


def refusal(remark: Remark, names: Sequence[str] = SHARPS) -> ParameterError:
    """An error that carries its facts beside its sentence."""
    return ParameterError(sentence(remark, names), remark=remark)


# Words that several kinds share --------------------------------------------------------------


def _meter(meter: Sequence[int]) -> str:
    return f"{meter[0]}/{meter[1]}"


def _place(place: Sequence[int]) -> str:
    return f"string {place[0]} fret {place[1]}"


def _number(note: int) -> NoteName:
    return NoteName(note, f"note {note}")


def _pitch(facts: Mapping[str, Any], pitch_midi: int) -> str:
    """A pitch as the key of the riff spells it."""
    return pitch_name(pitch_midi, facts.get(_NAMES, SHARPS))


def _named(r: Remark, note: int, pitch_midi: int, sec: float | None = None) -> NoteName:
    at = "" if sec is None else f" at {sec:.2f} s"
    return NoteName(note, f"note {note} ({_pitch(r.facts, pitch_midi)}{at})")


def _more_like_it(count: int) -> str:
    return f" (and {count} more like it)" if count else ""


def _neck_end(facts: Mapping[str, Any]) -> str:
    ends = {"below": "below the lowest string", "above": "above the last fret"}
    if facts["side"] not in ends:
        return "between what the strings reach"
    return f"{ends[facts['side']]}, {_pitch(facts, facts['limit_midi'])}"


# Why a note has no place, or a pin cannot be kept --------------------------------------------


def _capo_that_fits(facts: Mapping[str, Any], low_midi: int, them: str) -> str:
    """Where the capo may be for a note below its open strings to have a place; "" if nowhere."""
    fret = low_midi - facts.get("open_midi", low_midi + 1)
    if fret < 0:
        return ""
    where = f"a capo at fret {fret} or lower" if fret else "without the capo the strings"
    return f"; {where} would reach {them}"


def _off_the_neck(r: Remark) -> _Words:
    pitch, fits = r.facts["pitch_midi"], _capo_that_fits(r.facts, r.facts["pitch_midi"], "it")
    return f"{_pitch(r.facts, pitch)} has no place: it lies {_neck_end(r.facts)}{fits}"


def _wrong_pitch(r: Remark) -> _Words:
    place, nearest = _place(r.facts["place"]), _place(r.facts["nearest"])
    return f"{place} does not sound ", _number(r.notes[0]), f"; {nearest} does"


def _string_pinned(r: Remark) -> _Words:
    text = f"string {r.facts['string']} is already pinned for "
    return text, _number(r.notes[1]), ", which begins at the same time"


def _note_without_string(r: Remark) -> _Words:
    other = _named(r, r.notes[1], r.facts["other_midi"])
    return other, ", which begins at the same time, would be left without a string"


_REASONS: Mapping[str, Callable[[Remark], _Words]] = {
    "off-the-neck": _off_the_neck,
    "wrong-pitch": _wrong_pitch,
    "string-pinned": _string_pinned,
    "note-robbed": _note_without_string,
    "no-string": lambda r: "no free string for it beside the notes that begin with it",
    "pin-in-the-way": lambda r: "its pin leaves no string for the notes that begin with it",
    "overtone": lambda r: "it may be an overtone, and no free string has it within reach",
}


def _reason(r: Remark) -> tuple[str | NoteName, ...]:
    words = _REASONS[r.facts["reason"]](r)
    return (words,) if isinstance(words, str) else tuple(words)


def _no_place(r: Remark) -> _Words:
    if r.facts["reason"] == "no-string":
        pitch = _pitch(r.facts, r.facts["pitch_midi"])
        name = f"{pitch} (note {r.notes[0]} at {r.facts['sec']:.2f} s)"
        return "No free string for ", NoteName(r.notes[0], name)
    return _named(r, r.notes[0], r.facts["pitch_midi"], r.facts["sec"]), ": ", *_reason(r)


def _many_off_the_neck(r: Remark) -> _Words:
    facts = r.facts
    low, high = _pitch(facts, facts["low_midi"]), _pitch(facts, facts["high_midi"])
    span = low if low == high else f"{low} to {high}"
    fits = _capo_that_fits(facts, facts["low_midi"], "them")
    check = "check the tuning and the capo" if facts["capo"] else "check the tuning"
    check = "else check the tuning" if fits else check
    return (
        f"{len(r.notes)} notes have no place, {span}, the first of them ",
        _number(r.notes[0]),
        f" at {facts['sec']:.2f} s: they lie {_neck_end(facts)}{fits}; {check}, or the "
        "octave of the notes",
    )


def _repeat_not_pinned(r: Remark) -> _Words:
    note = _named(r, r.notes[0], r.facts["pitch_midi"], r.facts["sec"])
    return note, " is not pinned along with the other repeats: ", *_reason(r)


def _pin_refused(r: Remark) -> _Words:
    nearest = r.facts.get("nearest")
    out = (_number(r.notes[0]), " cannot be pinned there: ", *_reason(r))
    if nearest is not None:
        return *out, f"; nearest: {_place(nearest)}"
    if r.facts["reason"] == "note-robbed":
        return (
            *out,
            "; no other place helps, so delete ",
            _number(r.notes[1]),
            " first if it is not played",
        )
    return out


_MAX_LISTED_NOTES = 6  # that a sentence lists


def _not_moved(r: Remark) -> _Words:
    why = {
        "no-fret": f"string {r.facts['string']} has no fret for note",
        "drone": "the drone's open string keeps note",
    }
    out: list[str | NoteName] = [why[r.facts["reason"]] + (" " if len(r.notes) == 1 else "s ")]
    named = zip(r.notes[:_MAX_LISTED_NOTES], r.facts["pitches_midi"], strict=False)
    for k, (note, pitch) in enumerate(named):
        out += [", " if k else "", NoteName(note, f"{note} ({_pitch(r.facts, pitch)})")]
    more = len(r.notes) - _MAX_LISTED_NOTES
    return *out, f" and {more} more" if more > 0 else ""


def _own_technique(r: Remark) -> _Words:
    how = r.facts["technique"]
    out: list[str | NoteName] = []
    for note, own in zip(r.notes[:_MAX_LISTED_NOTES], r.facts["own"], strict=False):
        out += [", " if out else "", _number(note), f" ({own})"]
    more = len(r.notes) - _MAX_LISTED_NOTES
    keeps = "keeps its technique" if len(r.notes) == 1 else "keep their techniques"
    also = f" and {more} more" if more > 0 else ""
    return *out, f"{also} {keeps}; {how} for {r.notes[0]} alone replaces it there"


def _pin_other_pitch(r: Remark) -> _Words:
    facts = r.facts
    text = f" is {_pitch(facts, facts['pitch_midi'])}, and {_place(facts['place'])} "
    if facts.get("sounds_midi") is None:
        text += f"is not on the neck (frets 0 to {facts['top_fret']})"
    else:
        text += f"sounds {_pitch(facts, facts['sounds_midi'])}"
    if facts.get("nearest") is not None:
        text += f"; nearest: {_place(facts['nearest'])}"
    return _number(r.notes[0]), text


# What was asked of the fingering and is not kept ---------------------------------------------

_ENDINGS = {1: "st", 2: "nd", 3: "rd"}


def _ordinal(number: int) -> str:
    ending = "th" if number % 100 in (11, 12, 13) else _ENDINGS.get(number % 10, "th")
    return f"{number}{ending}"


_REQUESTS: Mapping[str, Callable[[Mapping[str, Any]], str]] = {
    "position": lambda f: f"{_ordinal(f['number'])} position",
    "no-open-strings": lambda f: "no open strings",
    "let-ring": lambda f: "let it ring",
    "along-string": lambda f: f"along string {f['number']}",
    "highest-fret": lambda f: f"highest fret {f['number']}",
    "three-a-string": lambda f: "three notes a string",
    "taken": lambda f: "the fingering that was taken",
}

_NOT_KEPT: Mapping[str, Callable[[Remark], _Words]] = {
    "pinned": lambda r: "it is pinned",
    "drone": lambda r: "it is the drone (if it is not, rule it out)",
    "no-such-place": lambda r: "it has no such place on this neck",
    "beside": lambda r: (_number(r.notes[1]), ", which begins with it, leaves it no such place"),
    "other-request": lambda r: _other_request(r.facts),
    "cuts-off": lambda r: ("it takes the string of ", _number(r.notes[1]), ", which falls silent"),
    "hand-leaves": lambda r: ("the hand leaves ", _number(r.notes[1]), ", which falls silent"),
    "few-pitches": lambda r: "fewer than seven pitches are no scale over the strings",
    "leap": lambda r: "it lies more than three semitones from the pitch below it",
    "together": lambda r: "it begins together with another note",
    "slurred": lambda r: (
        ("its slur with ", _number(r.notes[1]), " would change strings")
        if r.notes[1:]
        else "its slur would change strings"
    ),
    "off-the-strings": lambda r: "the strings do not reach as far as that",
}


def _other_request(facts: Mapping[str, Any]) -> str:
    if facts.get("by") not in _REQUESTS:
        return "what else was asked rules it out"
    return f'"{asked_for(facts["by"], facts.get("by_number"))}", asked later, rules it out'


def asked_for(kind: str, number: int | None) -> str:
    """A request of the fingering (`transcribe.core.riff.Request`) in words.

    Examples
    --------
    >>> asked_for("position", 7)
    '7th position'
    """
    return _REQUESTS[kind]({"number": number})


def _request_not_kept(r: Remark) -> _Words:
    facts = r.facts
    note = _named(r, r.notes[0], facts["pitch_midi"], facts["sec"])
    why = _NOT_KEPT[facts["reason"]](r)
    asked = _REQUESTS[facts["request"]](facts)
    where: tuple[str | NoteName, ...] = ("at ", note)
    if facts.get("whole"):
        where = ("see ", note)
    elif facts["count"] > 1:
        where = (f"at {facts['count']} notes, the first of them ", note)
    return f'"{asked}" is not kept, ', *where, ": ", *((why,) if isinstance(why, str) else why)


# Where the hand may be strained --------------------------------------------------------------


def _when(facts: Mapping[str, Any]) -> str:
    if facts.get("beat") is None:
        return f"at {facts['sec']:.2f} s"
    bar = place_name(facts["beat"], (facts["beats_in_bar"], 4))
    return f"in {bar} ({facts['sec']:.2f} s)"


def _wide_stretch(r: Remark) -> _Words:
    facts = r.facts
    count = "1 place stretches" if facts["count"] == 1 else f"{facts['count']} places stretch"
    return (
        f"{count} the hand beyond {facts['span_mm']:.0f} mm, the widest "
        f"{facts['widest_mm']:.0f} mm {_when(facts)}, from {_place(facts['from'])} to "
        f"{_place(facts['to'])}: warm up, stop if it hurts, and ask a teacher or a clinician about "
        "pain that stays"
    )


def _too_wide(r: Remark) -> _Words:
    out: list[str | NoteName] = [
        f"no hand can hold the chord {_when(r.facts)} on this neck"
        f"{_more_like_it(r.facts['others'])}: leave out "
    ]
    for k, (note, pitch) in enumerate(zip(r.notes, r.facts["left_out_midi"], strict=True)):
        out += [" and " if k else "", _named(r, note, pitch)]
    return *out, ", or play its notes one after the other"


def _drone_silenced(r: Remark) -> _Words:
    out: list[str | NoteName] = []
    for k, note in enumerate(r.notes[:6]):
        out += [", " if k else "", _number(note)]
    verb = "takes" if len(r.notes) == 1 else "take"
    more = " ..." if len(r.notes) > 6 else ""
    text = f" {verb} the drone's string {r.facts['string']}, which has to stop ringing there"
    return *out, more + text


def _far_up(r: Remark) -> _Words:
    facts = r.facts
    string, fret = facts["place"]
    return (
        _named(r, r.notes[0], facts["pitch_midi"]),
        f" lies at fret {fret} of string {string}, {facts['above_frets']} frets above the melody "
        f"around it, to stay beside the drone{_more_like_it(len(r.notes) - 1)}; "
        f"{_place(facts['nearest'])} is nearer: pin it there if it is played so",
    )


def _torn_slur(r: Remark) -> _Words:
    facts = r.facts
    return (
        f"the {facts['articulation']} to ",
        _number(r.notes[0]),
        f" is on string {facts['string']}, and ",
        _number(r.notes[1]),
        f" that it comes from on string {facts['source_string']}"
        f"{_more_like_it(facts['others'])}: put both on one string, or pick it",
    )


# Why a note lies where it lies ---------------------------------------------------------------

_COSTS: Mapping[str, str] = {
    "fret": "it lies higher on the neck",
    "fret_body": "it lies close to the body",
    "thick": "it lies high on a thick string",
    "open": "it gives up an open string",
    "open_thick": "it uses a thick open string",
    "finger2": "it asks more of finger 2",
    "finger3": "it asks more of finger 3",
    "finger4": "it asks more of finger 4",
    "barre": "it needs a barre",
    "barre_width": "it needs a wider barre",
    "stretch": "it opens the fingers wider",
    "over_span": "it stretches past the hand's span",
    "squeeze": "it crowds the fingers",
    "low_position": "it leaves the hand below the first fret",
    "skipped": "it skips strings",
    "position": "the hand stays higher on the neck",
    "off_first": "the hand leaves the first position",
    "uneven": "the fingers lie unevenly over the frets",
    "shift": "the hand moves further",
    "shift_any": "the hand moves more often",
    "shift_far": "the hand jumps further",
    "shift_fast": "the hand has to move faster",
    "shift_held": "the hand moves while a note is held",
    "open_up_neck": "an open string breaks in while the hand is high",
    "open_off_nut": "an open string breaks in away from the nut",
    "open_long": "a long note lies on an open string",
    "open_mixed": "open and high notes stand side by side",
    "open_in_line": "an open string breaks into the line",
    "fret_in_line": "the line lies higher on the neck",
    "finger_across": "a finger goes across strings",
    "finger_jumps": "a finger jumps across strings",
    "finger_guides": "a finger slides along its string",
    "finger_kept": "a finger has to be lifted",
    "refinger": "the same pitch changes finger",
    "cross": "the line crosses more strings",
    "skip_strings": "the line skips strings",
    "step_same_string": "a step leaves its string",
    "third_same_string": "a third changes how it lies on the strings",
    "leap_same_string": "a leap has to be made along one string",
    "ring_step": "notes of a figure cannot ring together",
    "recent_third": "a string is taken again too soon",
    "cut": "a note that still rings is cut off",
    "other_place": "the same pitch was played elsewhere just before",
    "other_place_next": "a note struck again changes its place",
    "parallel_off": "a chord that moves as one changes strings",
    "shift_guided": "the hand moves with no finger to guide it",
    "voice_far": "the line jumps along the neck",
    "legato": "the slur would have to change strings",
    "shape_off": "the chord leaves its movable shape",
    "shape_moves": "the chord's shape moves to other strings",
    "struck_off": "a chord struck again, or a note of it, changes its place",
    "repeat_off": "it differs from the other repeats",
    "drone_off": "the drone would leave its open string",
    "melody_on_drone": "it would silence the drone",
    "melody_far": "it leaves the string beside the drone",
    "melody_above": "it lies on the far side of the drone",
    "melody_off": "it leaves the string that the melody runs along",
    "melody_moves": "the melody changes strings",
    "off_pin": "it leaves the position of the pin beside it",
    "box_moves": "the hand moves within a line on one scale",
    "box_cross": "a step within a line on one scale changes strings",
    "box_mixed": "an open string breaks into a line higher on the neck",
    "off_position": "it leaves the position",
    "ring_off": "it silences a note that should ring on",
}
"""What to say where a cost of the fingering (`transcribe.fingering.costs`) is higher, by name."""


def _fret(place: Sequence[int]) -> str:
    return f"string {place[0]} " + ("open" if place[1] == 0 else f"fret {place[1]}")


def _hardest_place(r: Remark) -> _Words:
    more, because = r.facts["more"], _COSTS.get(r.facts.get("because", ""))
    why = ("harder: " if more >= 0 else "easier, but ") + because if because else ""
    why = why or ("harder" if more >= 0 else "easier")
    return f"{why}; hardest at {r.facts['sec']:.2f} s on {_fret(r.facts['place'])}"


def _cost(cost: Mapping[str, Any], *, numbers: bool = True) -> str:
    words = _COSTS[cost["name"]]
    if "moved_mm" in cost:
        words = f"the hand moves {cost['moved_mm']:.0f} mm in {cost['in_sec']:.2f} s"
    return f"{words} (+{cost['more']:.1f})" if numbers else words


def _beside_drone(facts: Mapping[str, Any]) -> str:
    drone = facts.get("drone")
    if drone is None:
        return ""
    if drone["is"] == "drone":
        return ", the drone"
    if drone["is"] == "on-its-string":
        return ", the drone's string, as no other is left"
    above = drone.get("above_frets")
    far = "" if above is None else f", {above} frets above the melody around it"
    return f" beside the drone on string {drone['string']}{far}"


def _why_here(r: Remark) -> _Words:
    facts, note = r.facts, r.notes[0]
    name = NoteName(note, f"Note {note} ({_pitch(facts, facts['pitch_midi'])})")
    if facts.get("place") is None:
        if facts.get("side") is None:
            return name, " has no place yet: there is no free string for it."
        ends = {"below": "below the lowest string", "above": "above the last fret"}
        return name, f" has no place: it lies {ends[facts['side']]}."
    text = f" is on {_fret(facts['place'])}"
    text += ", where it is pinned" if facts["pinned"] else ""
    if asked := facts.get("asked"):
        text += f', as it was asked for ("{asked_for(asked["kind"], asked["number"])}")'
    other = facts.get("other")
    if other is None:
        return name, f"{text}: no other string reaches this pitch."
    more, numbers = other["more"], not facts.get("in_words")
    costs = " and ".join(_cost(cost, numbers=numbers) for cost in other["costs"])
    because = f": {costs}." if costs else "."
    text += f"{_beside_drone(facts)}; {_fret(other['place'])}"
    if not numbers:
        harder = "would be easier" if more < 0 else "the next best, is harder"
        return name, f"{text}{', ' if more >= 0 else ' '}{harder}{because}"
    if more < 0:
        return name, f"{text} would cost {-more:.1f} less{because}"
    return name, f"{text}, the next best, would cost {more:.1f} more{because}"


# What was guessed of the instrument ----------------------------------------------------------


def _tuning_guessed(r: Remark) -> _Words:
    facts = r.facts
    why = _TUNING_SIGNS[facts["sign"]](facts)
    flat = facts.get("flat_cents")
    aside = "" if flat is None else f", and the recording lies {flat:.0f} cents flat"
    tuning = facts["tuning"]
    return f"the tuning is guessed to be {tuning}: {why}{aside}; give the tuning if it is another"


def _notes_below(f: Mapping[str, Any]) -> str:
    many = "1 note lies" if f["count"] == 1 else f"{f['count']} notes lie"
    lowest, deepest = _pitch(f, f["lowest_midi"]), _pitch(f, f["deepest_midi"])
    return f"{many} below {lowest}, the lowest string of {f['instead_of']}, down to {deepest}"


_TUNING_SIGNS: Mapping[str, Callable[[Mapping[str, Any]], str]] = {
    "notes-below": _notes_below,
    "open-strings": lambda f: (
        f"{100 * f['open_share']:.0f} % of the notes are its open strings against "
        f"{100 * f['standard_share']:.0f} % in standard"
    ),
    "drone": lambda f: (
        f"{_pitch(f, f['pitch_midi'])} rings on under the melody as an open string does, struck "
        f"{f['struck']} times, and it is no open string in standard (a capo at fret 4 would sound "
        "the same)"
    ),
    "chords": lambda f: (
        f"{f['standard_count']} notes find no string in standard beside those that begin with "
        f"them, and {f['count'] or 'none'} here"
    ),
}


def _half_way(r: Remark) -> _Words:
    cents, other = r.facts["offset_cents"], r.facts["other_open_midi"]
    side, way = ("above", "low") if r.facts["other_is_below"] else ("below", "high")
    strings = ",".join(pitch_name(midi) for midi in other)
    return (
        f"the guitar sounds {abs(cents):.0f} cents {side} A4 = 440 Hz, about half way between two "
        f"semitones; if every fret is one too {way}, give the tuning as {strings}"
    )


# What is wrong with a recording, or was left out of a file -----------------------------------

_MAX_LISTED_PARTS = 12  # that a sentence lists
_COPY = "copy it again if the riff is not whole."


def _cut_off(r: Remark) -> _Words:
    there, promised = f"{r.facts['there_sec']:.1f} s", r.facts.get("promised_sec")
    if promised is None:
        return f"The file is cut off: {there} are there; {_COPY}"
    return (
        f"The file is cut off: its header promises {promised:.1f} s and {there} are there; {_COPY}"
    )


def _part_chosen(r: Remark) -> _Words:
    facts, others = r.facts, r.facts["others"]
    more = len(others) - _MAX_LISTED_PARTS
    listed = [*others[:_MAX_LISTED_PARTS], *([f"{more} more"] if more > 0 else [])]
    both = f"{', '.join(listed[:-1])} and {listed[-1]} are" if listed[1:] else f"{listed[0]} is"
    kind = str(facts.get("kind", "part")).capitalize()
    return f"{kind} {facts['number']}, {facts['name']}, is used; {both} left out."


def _correction(r: Remark) -> _Words:
    what, more = str(r.facts["what"]), len(r.notes) - 1
    if not r.notes:
        return what
    return f"{what} of ", _number(r.notes[0]), f" and {more} more" if more else ""


KINDS: Mapping[str, Callable[[Remark], _Words]] = MappingProxyType(
    {
        # Of a recording.
        "cut-off": _cut_off,
        "damaged": lambda r: (
            f"Part of the file is damaged; {r.facts['there_sec']:.1f} s could be read. "
            "Copy it again if the riff is not whole."
        ),
        "no-end-mark": lambda r: (
            "The file lacks its end mark, so it may be cut off: "
            f"{r.facts['there_sec']:.1f} s are there; {_COPY}"
        ),
        "clipped": lambda r: (
            f"The recording is clipped ({100 * r.facts['clipped_share']:.2g} % of the samples); "
            "record with the phone further away."
        ),
        "quiet": lambda r: (
            f"The recording is very quiet (peak {r.facts['peak_db']:.0f} dB); record with the "
            "phone closer."
        ),
        "noisy": lambda r: (
            f"There is a lot of noise (floor {r.facts['floor_db']:.0f} dB); record in a quieter "
            "place or closer to the guitar."
        ),
        "hum": lambda r: (
            f"There is mains hum at {r.facts['hz']:.0f} Hz ({r.facts['db']:.0f} dB); move away "
            "from chargers and amplifiers."
        ),
        "echo": lambda r: (
            f"An echo repeats the playing every {r.facts['delay_sec']:.2f} s; its copies are left "
            "out. Transcribe with the echo kept if they are to be notes."
        ),
        "tuning-half-way": _half_way,
        "tuning-guessed": _tuning_guessed,
        # Of a file of notes.
        "part-chosen": _part_chosen,
        "midi-played": lambda r: (
            "The notes were played by hand; they are set to the beats of the file's tempo."
            if r.facts["to_the_click"]
            else "The notes were played by hand and keep no tempo of the file; the beats are found "
            "from them."
        ),
        "meter-impossible": lambda r: "A meter that no music has is left out.",
        "meter-changes": lambda r: (
            f"The meter changes; bars are counted in {_meter(r.facts['meter'])}."
        ),
        "jumps": lambda r: "Jumps (da capo, segno, coda) are not followed.",
        "positions-wrong": lambda r: (
            f"{r.facts['count']} written positions do not sound the written pitch; they are left "
            "out."
        ),
        "tempo-taken": lambda r: (
            "The file gives no tempo; "
            f"{tempo_words(r.facts['bpm'], tuple(r.facts['meter']))} is assumed until you give one."
        ),
        "tab-no-meter": lambda r: (
            f"The tab gives no meter; {_meter(r.facts['meter'])} is assumed until you give one."
        ),
        "bar-lines-moved": lambda r: (
            f"In line {r.facts['line']} the bar lines are {r.facts['columns']} columns off; they "
            "are taken for those of the other strings."
        ),
        "count-shifted": lambda r: (
            f"The count in line {r.facts['line']} stands one column beside its frets; each is "
            "taken for the nearest beat."
        ),
        "tab-repeat-in-words": lambda r: (
            f'Line {r.facts["line"]} says "{r.facts["text"]}", which is not played: write |: and '
            ":| around what comes again, or x2 after one of its lines of strings."
        ),
        "tab-line-repeated": lambda r: (
            f"The x{r.facts['times']} in line {r.facts['line']} is taken to repeat what stands in "
            f"that line, from bar {r.facts['bar']} on; write |: where the repeat begins if it is "
            "longer."
        ),
        "places-not-kept": lambda r: (
            f"{r.facts['count']} of {r.facts['of']} places written in {r.facts['file']} sound "
            "another pitch on this tuning and capo, so those notes were fingered again"
        ),
        # Of a fingering.
        "no-place": _no_place,
        "many-off-the-neck": _many_off_the_neck,
        "repeat-not-pinned": _repeat_not_pinned,
        "request-not-kept": _request_not_kept,
        "wide-stretch": _wide_stretch,
        "too-wide": _too_wide,
        "drone-silenced": _drone_silenced,
        "far-up": _far_up,
        "torn-slur": _torn_slur,
        "hardest-place": _hardest_place,
        "why-here": _why_here,
        # Of a correction.
        "pin-refused": _pin_refused,
        "pin-other-pitch": _pin_other_pitch,
        "correction": _correction,
        "not-moved": _not_moved,
        "own-technique": _own_technique,
        "no-such-string": lambda r: (
            _number(r.notes[0]),
            f": there is no string {r.facts['string']}; use 1 to {r.facts['strings']}",
        ),
        "changes-nothing": lambda r: (_number(r.notes[0]), " is like that already"),
        "split-outside": lambda r: (
            _number(r.notes[0]),
            f" sounds from {r.facts['start_sec']:.2f} to {r.facts['end_sec']:.2f} s; split it at a "
            "time inside that",
        ),
        # Of version 1 of the document, which kept the sentence alone.
        "text": lambda r: str(r.facts["text"]),
    }
)
"""Kind of a remark -> what makes a sentence of its facts, as text or in parts."""
