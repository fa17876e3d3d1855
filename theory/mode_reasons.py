"""The reasons for a mode, in the words of a teacher.

Everything here reads the notes again: nothing is claimed that did not sound.
"""

from __future__ import annotations

import textwrap
from typing import Literal

import numpy as np

from theory.arrays import STROKE_SEC, FloatArray, Notes
from theory.drone_pitches import without_drone
from theory.mode_features import chord_roots, lowest_at
from theory.modes import Candidate, Degree, Mode, WrittenMode
from theory.scales import MODES, ModeShape, degree_label, parent_of, parse_note, scale_notes, spell

__all__ = [
    "describe",
    "how_sure",
    "mode_text",
    "not_told",
    "parent_words",
    "sureness",
    "sureness_level",
    "written_words",
]

_ORDINAL = {
    1: "tonic",
    2: "second",
    3: "third",
    4: "fourth",
    5: "fifth",
    6: "sixth",
    7: "seventh",
}
_OWN = ("tonic", "scale")
_LIKELY_PROBABILITY = 0.15  # probability of a rival from which it is named as one
_SAME_SHARE = 0.005  # share of the time by which two notes may differ and sound equally long
_MAX_LISTED_MODES = 4  # modes that are listed one by one
_THIRDS = {3, 4}  # semitones
_MIN_NOTES = 4  # fewer tell no mode, by hand
_MAX_RIVALS = 4  # rivals that are argued with

_MIN_SHOWN_PROBABILITY = 0.01  # of a rival that the text lists
Sureness = Literal["sure", "likely", "leading", "guess"]
_SURENESS: tuple[tuple[float, Sureness, str], ...] = (
    (0.9, "sure", "sure"),
    (0.7, "likely", "likely"),
    (0.45, "leading", "more likely than the rest"),
    (0.0, "guess", "a guess"),
)
"""Least probability, level and words; `tests.bench.theory` shows how often each is right."""


def describe(
    best: Candidate,
    ranked: tuple[Candidate, ...],
    notes: Notes,
    *,
    drones: tuple[int, ...] = (),
    downbeats: FloatArray | None = None,
    written: WrittenMode | None = None,
) -> Mode:
    """The answer ``best`` with its degrees, deciding notes and evidence."""
    degrees = _degrees(best, notes, drones)
    rivals = _rivals(best, ranked)
    settled = written is not None and written.held
    return Mode(
        tonic=best.tonic,
        name=best.name,
        confidence=1.0 if settled else best.probability,
        parent=parent_of(best.tonic, best.name),
        notes=scale_notes(best.tonic, best.name),
        degrees=degrees,
        deciding=_deciding(best, rivals, degrees),
        undecided=()
        if settled
        else _undecided(best, degrees) + _home_undecided(best, rivals, drones),
        evidence=_evidence(best, notes, drones, downbeats),
        runners_up=rivals[:_MAX_RIVALS],
        posterior=ranked,
        drone_midi=drones,
        written=written,
        candidates=() if settled else _candidates(best, ranked, degrees, notes),
    )


def _rivals(best: Candidate, ranked: tuple[Candidate, ...]) -> tuple[Candidate, ...]:
    return tuple(c for c in ranked[1:] if c != best)


def _sounding(notes: Notes, drones: tuple[int, ...]) -> FloatArray:
    """Share of the sounding time on each pitch class, without the drone's own notes."""
    line = ~np.isin(notes.pitch, drones)
    chosen = line if line.any() else np.ones(len(notes), dtype=bool)
    time = np.bincount(notes.pitch[chosen] % 12, weights=notes.duration[chosen], minlength=12)
    return np.asarray(time / time.sum(), dtype=np.float64)


def _degrees(best: Candidate, notes: Notes, drones: tuple[int, ...]) -> tuple[Degree, ...]:
    tonic = parse_note(best.tonic)
    shape = MODES[best.name]
    share = _sounding(notes, drones)
    count = np.bincount(notes.pitch % 12, minlength=12)
    roles = _foreign_roles(best, notes, drones)
    found = []
    for step in range(12):
        pc = (tonic + step) % 12
        inside = step in shape.semitones
        if not inside and not count[pc]:
            continue
        role, rising = roles.get(pc, ("chromatic", False))
        found.append(
            Degree(
                degree_label(step, best.name, rising=rising),
                spell(pc, best.tonic, best.name, rising=rising),
                int(count[pc]),
                float(share[pc]),
                ("tonic" if step == 0 else "scale") if inside else role,
            )
        )
    return tuple(found)


def _foreign_roles(
    best: Candidate, notes: Notes, drones: tuple[int, ...]
) -> dict[int, tuple[str, bool]]:
    """Role of every foreign pitch class and whether it resolves a semitone up."""
    scale = {(parse_note(best.tonic) + s) % 12 for s in MODES[best.name].semitones}
    line = [int(p) for p in notes.pitch if p not in drones]
    seen: dict[int, list[tuple[str, bool]]] = {}
    for i, pitch in enumerate(line):
        if pitch % 12 in scale:
            continue
        before = pitch - line[i - 1] if i else 99
        after = line[i + 1] - pitch if i + 1 < len(line) else 99
        role = "chromatic"
        if 0 < abs(before) <= 2 and 0 < abs(after) <= 2:
            role = "passing" if before * after > 0 else "neighbour"
        seen.setdefault(pitch % 12, []).append((role, after == 1))
    out = {}
    for pc, kinds in seen.items():
        names = [role for role, _ in kinds]
        out[pc] = (
            max(sorted(set(names)), key=names.count),
            2 * sum(up for _, up in kinds) > len(kinds),
        )
    return out


def _pcs(tonic: str, name: str) -> dict[int, str]:
    base = parse_note(tonic)
    return {
        (base + step) % 12: note
        for step, note in zip(MODES[name].semitones, scale_notes(tonic, name), strict=True)
    }


def _deciding(
    best: Candidate, rivals: tuple[Candidate, ...], degrees: tuple[Degree, ...]
) -> tuple[str, ...]:
    """Which heard notes the nearest rivals do not have.

    A rival that is still likely is not ruled out: the note may be a passing one.
    """
    own = _pcs(best.tonic, best.name)
    heard = {parse_note(d.note): d for d in degrees if d.count and d.role in _OWN}
    same_tonic = [c for c in rivals if parse_note(c.tonic) == parse_note(best.tonic)]
    chosen = (
        list(rivals[:_MAX_RIVALS])
        + [c for c in same_tonic if len(MODES[c.name].semitones) == 7][:3]
    )
    out: dict[tuple[str, str], list[str]] = {}
    for rival in dict.fromkeys(chosen):
        theirs = _pcs(rival.tonic, rival.name)
        against = [pc for pc in own if pc not in theirs and pc in heard]
        if against:
            strongest = max(against, key=lambda pc: heard[pc].count)
            says = "speaks against" if rival.probability >= _LIKELY_PROBABILITY else "rules out"
            out.setdefault((_natural(own[strongest], theirs), says), []).append(str(rival))
    return tuple(f"{note} {says} {_list(names, 'and')}" for (note, says), names in out.items())


def _natural(note: str, theirs: dict[int, str]) -> str:
    """``C natural`` where the rival has C sharp or flat."""
    altered = len(note) == 1 and any(n[0] == note and len(n) > 1 for n in theirs.values())
    return f"{note} natural" if altered else note


def _list(names: list[str], word: str) -> str:
    """Names in a row with ``and`` or ``or`` before the last."""
    return f" {word} ".join(filter(None, [", ".join(names[:-1]), names[-1]]))


def _fits(best: Candidate, degrees: tuple[Degree, ...]) -> list[ModeShape]:
    """The modes of seven notes on the tonic that hold what is heard."""
    tonic = parse_note(best.tonic)
    heard = {(parse_note(d.note) - tonic) % 12 for d in degrees if d.count and d.role in _OWN}
    return [
        shape
        for shape in MODES.values()
        if len(shape.semitones) == 7 and heard <= set(shape.semitones)
    ]


def _candidates(
    best: Candidate, ranked: tuple[Candidate, ...], degrees: tuple[Degree, ...], notes: Notes
) -> tuple[str, ...]:
    """The modes that may be meant, where too little is heard to tell one."""
    if len(notes) < _MIN_NOTES:
        return tuple(map(str, ranked[:_MAX_LISTED_MODES]))
    tonic = parse_note(best.tonic)
    steps = {(parse_note(d.note) - tonic) % 12 for d in degrees if d.count}
    fits = _fits(best, degrees)
    if steps & _THIRDS or len(fits) <= _MAX_LISTED_MODES:
        return ()
    return tuple(f"{best.tonic} {shape.name}" for shape in fits)


def _undecided(best: Candidate, degrees: tuple[Degree, ...]) -> tuple[str, ...]:
    """Degrees that never sounded and would tell modes on the same tonic apart."""
    tonic = parse_note(best.tonic)
    steps = {(parse_note(d.note) - tonic) % 12 for d in degrees if d.count}
    fits = _fits(best, degrees)
    if len(fits) < 2:
        return ()
    silent = [
        number
        for number in range(2, 8)
        if len({f.semitones[number - 1] for f in fits}) > 1
        and not any(f.semitones[number - 1] in steps for f in fits)
    ]
    if not silent:
        return ()
    names = [f.name for f in fits]
    missing = _list([_ORDINAL[n] for n in silent], "or")
    what = (
        _list(names, "or")
        if len(names) <= _MAX_LISTED_MODES
        else f"{len(names)} modes hold what is heard"
    )
    return (f"no {missing} heard: {what}",)


def _home_undecided(
    best: Candidate, rivals: tuple[Candidate, ...], drones: tuple[int, ...]
) -> tuple[str, ...]:
    """Which of two notes is home, where both are likely: one is the drone, or their modes have
    the same notes."""
    if not rivals or rivals[0].probability < _LIKELY_PROBABILITY:
        return ()
    pair = (best, rivals[0])
    by_drone = [c for c in pair if drones and parse_note(c.tonic) == min(drones) % 12]
    by_melody = [c for c in pair if c not in by_drone]
    if len(by_drone) == 1:
        homes = f"the drone {by_drone[0].tonic} or the melody's {by_melody[0].tonic}"
    elif set(_pcs(best.tonic, best.name)) == set(_pcs(rivals[0].tonic, rivals[0].name)):
        homes = f"{best.tonic} or {rivals[0].tonic}"
    else:
        return ()
    return (f"home may be {homes}: {pair[0]} or {pair[1]}",)


def _evidence(
    best: Candidate,
    notes: Notes,
    drones: tuple[int, ...],
    downbeats: FloatArray | None,
) -> tuple[str, ...]:
    """What speaks for the tonic, strongest kind first."""
    tonic = parse_note(best.tonic)
    shape = MODES[best.name]
    fifth = (tonic + 7) % 12
    out = []

    def place(pitch: int) -> str:
        return spell(pitch % 12, best.tonic, best.name)

    for drone in sorted(set(drones)):
        if drone % 12 == tonic:
            out.append(f"the drone {place(drone)} is the tonic")
        elif drone % 12 == fifth and 7 in shape.semitones:
            out.append(f"the drone {place(drone)} is the fifth of {best.tonic}")
        else:
            label = degree_label((drone - tonic) % 12, best.name)
            out.append(f"the drone {place(drone)} is degree {label} of {best.tonic}")
    chords = () if drones else chord_roots(notes)
    for word, root in (("first", chords[:1]), ("last", chords[1:][-1:])):
        if root == (tonic,):
            out.append(f"the {word} chord is built on {best.tonic}")
    over = without_drone(notes, drones)
    alone = len(over) == len(notes)  # no drone, or little beside it
    who = "the riff" if alone else "the melody"
    for word, index in (("ends", len(over) - 1), ("starts", 0)):
        if not chords and lowest_at(over, index) % 12 == tonic:
            out.append(f"{who} {word} on {best.tonic}")
    if int(notes.pitch.min()) % 12 == tonic:
        out.append(f"{best.tonic} is the lowest note")
    line = notes.pitch[~np.isin(notes.pitch, drones)]
    share = _sounding(notes, drones)
    beside = " beside the drone" if drones and line.size else ""
    others = np.delete(share, tonic).max()
    if share[tonic] > others + _SAME_SHARE:
        out.append(f"{best.tonic} sounds longest{beside} ({share[tonic]:.0%} of the time)")
    elif share[tonic] >= others - _SAME_SHARE:
        out.append(f"no note sounds longer{beside} than {best.tonic} ({share[tonic]:.0%})")
    count = np.bincount(line % 12, minlength=12)
    most = np.delete(count, tonic).max()
    if count[tonic] > max(1, most):
        out.append(f"{best.tonic} comes most often ({count[tonic]} of {line.size} notes)")
    elif count[tonic] > 1 and count[tonic] == most:
        out.append(
            f"no note comes more often than {best.tonic} ({count[tonic]} of {line.size} notes)"
        )
    if downbeats is not None:
        near = np.abs(notes.onset[:, None] - downbeats[None, :]).min(axis=1) <= STROKE_SEC
        on_tonic = near & (notes.pitch % 12 == tonic)
        bars = int(sum(np.any(np.abs(notes.onset[near] - d) <= STROKE_SEC) for d in downbeats))
        hits = int(sum(np.any(np.abs(notes.onset[on_tonic] - d) <= STROKE_SEC) for d in downbeats))
        if bars and 2 * hits >= bars:
            out.append(f"{best.tonic} sounds on the first beat of {hits} of {bars} bars")
    return tuple(out)


def mode_text(mode: Mode) -> str:
    """The mode and its reasons as plain text, one statement a line."""
    if mode.candidates:
        lines = [f"Mode: {not_told(mode)}"]
    else:
        lines = [f"Mode: {mode} ({how_sure(mode)})"]
        lines.append(f"  {parent_words(mode)}: {' '.join(mode.notes)}.")
    if mode.degrees:
        left_out = " (the drone left out)" if mode.drone_midi else ""
        lines.append(f"  Degrees heard, and for how much of the time{left_out}:")
        lines.append(
            "    "
            + ", ".join(
                f"{d.label} {d.note} {d.share:.0%}"
                for d in mode.degrees
                if d.count and d.role in _OWN
            )
        )
        silent = [f"{d.label} ({d.note})" for d in mode.degrees if not d.count]
        if silent:
            lines.append(f"  Never heard: {', '.join(silent)}.")
        for d in mode.degrees:
            if d.count and d.role not in _OWN:
                times = "once" if d.count == 1 else f"{d.count} times"
                lines.append(f"  {d.note} ({d.label}) is {_ROLE[d.role]}, heard {times}.")
    if mode.evidence:
        lines.append(f"  Why {mode.tonic}: {'; '.join(mode.evidence)}.")
    if mode.deciding:
        lines.append(f"  Deciding notes: {'; '.join(mode.deciding)}.")
    if words := written_words(mode):
        lines.append(f"  But {words}.")
    for line in mode.undecided:
        lines.append(f"  Not settled: {line}.")
    rivals = [c for c in mode.runners_up if c.probability >= _MIN_SHOWN_PROBABILITY]
    if rivals:
        lines.append(
            "  Next likeliest: " + ", ".join(f"{c} ({c.probability:.0%})" for c in rivals) + "."
        )
    return "\n".join(
        wrapped
        for line in lines
        for wrapped in textwrap.wrap(
            line,
            88,
            initial_indent="",
            subsequent_indent=" " * (len(line) - len(line.lstrip()) + 2),
        )
    )


def not_told(mode: Mode) -> str:
    """That too little is heard to tell the mode, and which it may be."""
    return f"not told by so few different notes; it may be {_list([*mode.candidates], 'or')}"


def how_sure(mode: Mode) -> str:
    """How far the mode is to be believed, or that the file writes it."""
    if mode.written is not None and mode.written.held:
        return "written in the file"
    return f"{sureness(mode.confidence)}, {mode.confidence:.0%}"


def written_words(mode: Mode) -> str:
    """What speaks against the mode that the file writes; empty where nothing does."""
    written = mode.written
    if written is None or written.held:
        return ""
    if not written.against:
        return f"the file writes {written}, and the notes are at home on {mode.tonic}"
    note = _natural(written.against, _pcs(written.tonic, written.name))
    return f"the file writes {written}, which has no {note}"


def sureness(probability: float) -> str:
    """A probability in words.

    Parameters
    ----------
    probability : float, 0-1

    Returns
    -------
    str

    Raises
    ------
    TypeError
        If ``probability`` is no number.

    Examples
    --------
    >>> sureness(0.95), sureness(0.3)
    ('sure', 'a guess')
    """
    return next(words for _, name, words in _SURENESS if name == sureness_level(probability))


def sureness_level(probability: float) -> Sureness:
    """How sure a probability is, as one of four levels.

    Parameters
    ----------
    probability : float, 0-1

    Returns
    -------
    {"sure", "likely", "leading", "guess"}
        ``leading`` is more likely than the rest, from 0.45.

    Raises
    ------
    TypeError
        If ``probability`` is no number.

    Examples
    --------
    >>> sureness_level(0.95), sureness_level(0.5)
    ('sure', 'leading')
    """
    return next((name for limit, name, _ in _SURENESS if probability >= limit), "guess")


_ROLE = {
    "passing": "a passing note",
    "neighbour": "a neighbour note",
    "chromatic": "a chromatic note outside the mode",
}


def parent_words(mode: Mode) -> str:
    """The mode by the scale whose notes it has."""
    if mode.name == "ionian":
        return f"The plain {mode.tonic} major scale"
    if mode.name == "aeolian":
        return f"{mode.tonic} natural minor, the notes of {mode.parent} from {mode.tonic}"
    if mode.name in ("harmonic minor", "melodic minor"):
        raised = "7th" if mode.name == "harmonic minor" else "6th and 7th"
        return f"{mode.tonic} minor with the {raised} raised"
    if mode.name == "major pentatonic":
        return f"Five notes of {mode.parent}, without its 4th and 7th"
    if mode.name == "minor pentatonic":
        return f"Five notes of {mode.tonic} minor ({mode.parent}), without its 2nd and 6th"
    if mode.name == "suspended pentatonic":
        home = mode.notes[3]  # the fifth above the tonic
        return f"The five notes of {home} minor pentatonic, starting and ending on {mode.tonic}"
    if mode.name == "blues":
        return f"{mode.tonic} minor pentatonic with the flat 5th added"
    return f"The notes of {mode.parent}, starting and ending on {mode.tonic}"
