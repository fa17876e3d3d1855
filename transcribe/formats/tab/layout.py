"""Where every sign of a text tab stands.

A bar is a row of beats of one width; a beat has as many places as its shortest value needs, each
at its own column, and the count under the strings (``1 & 2 &``, ``1 e & a``, ``1 t l``) names
every place. So the columns tell the time exactly: a sign at the second of two places of beat 3
sounds half a beat after it. `layout` also says at which column each note's fret stands, so that a
caller can print marks under the notes.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Collection, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from transcribe.core.clock import ScoreNote, score_notes
from transcribe.core.errors import FormatError, ParameterError
from transcribe.core.grips import grips_of_notes
from transcribe.core.pitch import pitch_name
from transcribe.core.riff import Bend, Instrument, Mark, Note, Rhythm, Riff, legato_sources
from transcribe.core.score_place import COUNTS
from transcribe.formats.bar_repeats import find_repeats
from transcribe.formats.chord_names import are_implied, chord_changes, chords_within
from transcribe.formats.tab.around import rows_around

__all__ = ["System", "layout", "mark_line", "string_names"]

_DIVISIONS = (1, 2, 3, 4, 6, 8, 12, 16, 24, 48)  # places in a beat
_FINEST = 192  # places in a beat where notes of one string crowd at its end
_FINE = 6  # places; a beat cut finer is wider than its neighbours
_NEAR_BEATS = 0.012  # beats that an onset may lie from its place
_MIN_WIDTH = 24
_LEAD = 1  # columns between a bar line and the bar's first place
_BEAT_COLUMNS = {1: 8, 2: 6, 4: 4, 8: 2, 16: 2}  # least width of a beat, by the meter's unit
_MAX_GAP = 24  # columns between two onsets of a tab without a count
_CELL = 4  # columns that the closest onsets of such a tab get


@dataclass(frozen=True, slots=True)
class System:
    """One line of music.

    ``lines`` are all its text lines; those from ``strings_at`` on, one per string, hold the
    strings. ``columns`` gives the column (from 0) of each note's fret, by note id. ``bars`` are
    the numbers of its first and last bar, counted from 1 (a pickup bar is 0).
    """

    lines: tuple[str, ...]
    strings_at: int
    columns: Mapping[int, int]
    bars: tuple[int, int]


@dataclass(frozen=True, slots=True)
class _Sign:
    """Text at a place: ``before`` stands left of the column, the rest from it on."""

    row: str
    beat: int  # from the bar's first beat
    place: int
    text: str
    before: str = ""
    note_ids: tuple[int, ...] = ()
    around: tuple[object, ...] = ()  # what stands around a note, where bars are compared


@dataclass(slots=True)
class _Bar:
    number: int  # from 1; 0 is a pickup
    first_beat: int  # number of its first beat in the bar, from 0
    beats: int
    places: list[int] = field(default_factory=list)  # per beat
    signs: list[_Sign] = field(default_factory=list)
    chords: tuple[tuple[int, str], ...] = ()  # (beat, symbol) of those that hold in the bar
    width: int = 0  # of one beat, in columns; a beat cut finer than _FINE takes what it needs
    extra: dict[int, int] = field(default_factory=dict)  # beat -> columns over the others
    open_repeat: bool = False
    close_repeat: int = 0  # how often the repeated bars are played; 0 for no repeat
    times_name: str = ""  # how that is written
    ending: str = ""  # what stands over the first bar of an ending

    def beat_width(self, beat: int) -> int:
        """Columns of one beat."""
        places = self.places[beat]
        width = max(self.width, 2 * places) if places > _FINE else self.width
        return width + self.extra.get(beat, 0)

    def span(self, start: int, end: int) -> int:
        """Columns of the beats from ``start`` to before ``end``."""
        return sum(self.beat_width(beat) for beat in range(start, end))

    def column(self, beat: int, place: int) -> int:
        """Column of a place, from the bar's first place."""
        return self.span(0, beat) + self.beat_width(beat) * place // self.places[beat]


def string_names(instrument: Instrument) -> tuple[str, ...]:
    """What stands before each string: its open pitch without the octave, string 1 first.

    As is common practice, string 1 is lower case where the lowest string has the same name.
    """
    names = [pitch_name(midi).rstrip("-0123456789") for midi in instrument.open_midi]
    if len(names) > 1 and names[0] == names[-1]:
        names[0] = names[0].lower()
    return tuple(names)


def layout(
    riff: Riff, width: int = 80, *, fingers: bool = False, repeats: bool = False
) -> list[System]:
    """Set the notes of ``riff`` that have a string into systems of at most ``width`` columns.

    A bar is broken only where it is wider than ``width``, and then between two beats; a line that
    goes on with it begins with ``:``.

    Raises
    ------
    ParameterError
        If ``width`` is under 24.
    """
    if width < _MIN_WIDTH:
        raise ParameterError(f"width is {width}; a tab needs at least {_MIN_WIDTH} columns")
    if riff.rhythm is None:
        return _layout_in_order(riff, width)
    bars = _bars(riff, riff.rhythm, fingers)
    if repeats:
        # What was heard is not alike to the string each time.
        strummed = grips_of_notes(riff.notes) if riff.timing.kind == "heard" else {}
        strays = {
            n.id for n in riff.notes if n.pitch_midi not in strummed.get(n.id, (n.pitch_midi,))
        }
        bars = _with_repeats(bars, riff.rhythm.meter[1], strummed, strays)
    return _systems(bars, riff, width, fingers)


def mark_line(system: System, marks: Mapping[int, str]) -> str:
    """A line with each mark under its note's column; of two marks at one place, both are set."""
    line = ""
    for column, text in sorted(
        (column, marks[note_id]) for note_id, column in system.columns.items() if note_id in marks
    ):
        line = line.ljust(column) + text if len(line) <= column else line + text
    return line


# Signs -------------------------------------------------------------------------------------


def _sign_text(note: Note, source: Note | None) -> tuple[str, str]:
    """What stands before the column and what from it on."""
    fret = str(note.fret)
    if note.articulation == "hammer-on":
        return "T" if note.tapped else "h", fret
    if note.articulation == "pull-off":
        return "p", fret
    if note.articulation == "slide":
        falls = source is not None and source.pitch_midi > note.pitch_midi
        falls = {"down": True, "up": False}.get(note.slide or "", falls)
        return "\\" if falls else "/", fret
    if note.articulation == "harmonic":
        return "<", fret + ">"
    if note.articulation == "dead":
        return "", "x"
    if note.articulation == "bend":
        bend = note.bend or Bend()
        rise = _whole_semitones(bend)
        to = f"{int(note.fret or 0) + rise}" if rise else ""
        return "", f"{fret}b{to}" + ("r" if bend.released else "")
    if note.articulation == "vibrato":
        return "", fret + "~"
    return ("(", fret + ")") if note.soft else ("", fret)


def _whole_semitones(bend: Bend) -> int:
    """The semitones of a bend that a fret can tell; 0 where it is measured between two."""
    if bend.semitones is not None:
        return int(bend.semitones)
    rise = (bend.cents or 0.0) / 100.0
    near = round(rise)
    return near if near <= _MOST_BENT and abs(rise - near) <= _NEAR_SEMITONE else 0


_NEAR_SEMITONE = 0.35  # a measured bend lies so near the fret that it is written as; set by eye
_MOST_BENT = 5  # semitones that a bend in a tab rises at most


def _bars(riff: Riff, rhythm: Rhythm, fingers: bool) -> list[_Bar]:
    in_bar = rhythm.meter[0]
    placed = [s for s in score_notes(riff, rhythm) if s.note.string is not None]
    by_beat = _by_beat(placed)
    first = min(by_beat, default=0)
    last = max(by_beat, default=0)
    start = min(first, 0)
    chords = _chords(riff, rhythm, start, (last // in_bar + 1) * in_bar)
    notes = {n.id: n for n in riff.notes}
    sources = {i: notes[j] for i, j in legato_sources(riff.notes).items()}
    marks: dict[int, list[Mark]] = {}
    for mark in riff.marks:
        marks.setdefault(mark.note, []).append(mark)
    own_chords = any(mark.kind == "chord" for mark in riff.marks)
    implied = are_implied(riff)
    bars = []
    for index in range(start // in_bar, last // in_bar + 1):
        from_beat = max(index * in_bar, start)
        bar = _Bar(index + 1, from_beat - index * in_bar, (index + 1) * in_bar - from_beat)
        for beat in range(bar.beats):
            absolute = from_beat + beat
            divisions, entries = by_beat.get(absolute, (1, []))
            bar.places.append(divisions)
            bar.signs += _count_signs(bar.first_beat + beat, beat, divisions)
            bar.signs += _note_signs(entries, beat, sources, fingers, marks)
            if absolute in chords and not own_chords:
                bar.signs.append(_Sign("chords", beat, 0, chords[absolute]))
        if not implied:
            bar.chords = chords_within(list(chords.items()), from_beat, from_beat + bar.beats)
        _fit(bar, rhythm.meter[1])
        bars.append(bar)
    return bars


_Entries = list[tuple[int, ScoreNote]]


def _by_beat(placed: Iterable[ScoreNote]) -> dict[int, tuple[int, _Entries]]:
    """Beat -> number of places and (place, note) of the notes in it."""
    held: dict[int, list[ScoreNote]] = {}
    for item in placed:
        held.setdefault(math.floor(item.onset_beat + _NEAR_BEATS), []).append(item)
    return {beat: _divided(items, beat) for beat, items in held.items()}


def _divided(items: list[ScoreNote], beat: int) -> tuple[int, _Entries]:
    """The fewest places of a beat that hold its notes, and the place of each."""
    least = None
    for divisions in _DIVISIONS:
        entries = [(max(round((i.onset_beat - beat) * divisions), 0), i) for i in items]
        exact = all(
            place < divisions and abs(place / divisions + beat - item.onset_beat) <= _NEAR_BEATS
            for place, item in entries
        )
        if exact and _apart(entries):
            return divisions, entries
        if exact:
            least = least or divisions
    # Two notes of one string closer than the finest place: the later one moves on, in places so
    # fine that there is room for it before the beat ends.
    divisions = math.lcm(least or _DIVISIONS[-1], 4)
    while not _apart(entries := _moved_on(items, beat, divisions)) and divisions < _FINEST:
        divisions *= 2
    return divisions, entries


def _apart(entries: _Entries) -> bool:
    """Whether no two notes of one string share a place."""
    return len({(item.note.string, place) for place, item in entries}) == len(entries)


def _moved_on(items: list[ScoreNote], beat: int, divisions: int) -> _Entries:
    """The place of each note; of two of one string at one place, the later one moves on."""
    taken: set[tuple[int | None, int]] = set()
    entries: _Entries = []
    for item in items:
        place = min(max(round((item.onset_beat - beat) * divisions), 0), divisions - 1)
        while (item.note.string, place) in taken and place < divisions - 1:
            place += 1
        taken.add((item.note.string, place))
        entries.append((place, item))
    return entries


def _count_signs(number: int, beat: int, divisions: int) -> list[_Sign]:
    names = COUNTS.get(divisions)
    if names is None:
        names = tuple("&" if 2 * j == divisions else "." for j in range(1, divisions))
    signs = [_Sign("count", beat, 0, str(number + 1))]
    return signs + [_Sign("count", beat, j + 1, name) for j, name in enumerate(names)]


def _note_signs(
    entries: _Entries,
    beat: int,
    sources: Mapping[int, Note],
    fingers: bool,
    marks: Mapping[int, list[Mark]],
) -> list[_Sign]:
    signs = []
    named: set[int] = set()  # places that have a chord symbol
    hands: dict[int, list[tuple[int, str, int]]] = {}
    for place, item in entries:
        note = item.note
        before, text = _sign_text(note, sources.get(note.id))
        mine = marks.get(note.id, [])
        around: tuple[object, ...] = (note.palm_mute, note.let_ring, note.stroke)
        around += tuple(mark.text for mark in mine if mark.kind != "chord")
        row = f"string {note.string}"
        signs.append(_Sign(row, beat, place, text, before, (note.id,), around))
        for mark in mine:
            if mark.kind == "chord" and place not in named:
                signs.append(_Sign("chords", beat, place, mark.text))
                named.add(place)
        finger = "." if note.finger is None else str(note.finger)
        hands.setdefault(place, []).append((-(note.string or 0), finger, note.id))
    if fingers:
        for place, hand in hands.items():
            signs.append(_Sign("fingers", beat, place, "".join(f for _, f, _ in sorted(hand))))
    return signs


def _chords(riff: Riff, rhythm: Rhythm, start: int, end: int) -> dict[int, str]:
    """Chord symbols by the beat they begin on, a symbol only where it changes."""
    return {max(beat, start): symbol for beat, symbol in chord_changes(riff, rhythm) if beat < end}


_WIDEST = 2000  # columns of a beat; no width parts two signs on one place


def _fit(bar: _Bar, unit: int) -> None:
    """Give the bar's beats the least width at which no two signs of a row touch."""
    bar.width = max(_BEAT_COLUMNS.get(unit, 2), *(p for p in bar.places if p <= _FINE), 0)
    rows: dict[str, list[_Sign]] = {}
    for sign in bar.signs:
        rows.setdefault(sign.row, []).append(sign)
    for signs in rows.values():
        signs.sort(key=lambda s: s.beat + s.place / bar.places[s.beat])
    while not all(_row_fits(bar, row, signs) for row, signs in rows.items()):
        bar.width += 1
        if bar.width > _WIDEST:
            raise FormatError("two notes of one string fall on the same moment; pin or delete one")


def _row_fits(bar: _Bar, row: str, signs: list[_Sign]) -> bool:
    end = -_LEAD
    for sign in signs:
        start = bar.column(sign.beat, sign.place) - len(sign.before)
        # A sign such as h joins two frets; without one, a dash must part them.
        gap = 0 if sign.before or end == -_LEAD else 1
        if start < end + gap:
            return False
        end = bar.column(sign.beat, sign.place) + len(sign.text)
    room = 1 if row in ("chords", "count", "fingers") else 0
    return end <= bar.span(0, bar.beats) - room


# Repeats -----------------------------------------------------------------------------------


def _with_repeats(
    bars: list[_Bar],
    unit: int,
    grips: Mapping[int, frozenset[int]],
    strays: Collection[int],
) -> list[_Bar]:
    """Write bars that are played again at once only one time, between repeat signs.

    ``grips`` are those of strums, by note id: two strums of one grip are the same, whichever of its
    strings each reached. Of such bars that one is written which has the fewest ``strays``, notes
    that are not of their grip, and the fullest strums.
    """
    out: list[_Bar] = []
    at = 0
    for repeat in find_repeats([_written(bar, grips) for bar in bars]):
        first, last = bars[repeat.start], bars[repeat.last]
        out += bars[at : repeat.last + 1]
        first.open_repeat = True
        last.close_repeat = repeat.times
        last.times_name = "" if repeat.endings else f"x{repeat.times}"
        after_last = [first]
        for name, ending in zip(("1.", "2."), repeat.endings, strict=False):
            bars[ending[0]].ending = name
            after_last = [first, bars[ending[0]]]
        for bar in after_last:
            if bar.chords and last.chords and bar.chords[0][1] != last.chords[-1][1]:
                _restate_chord(bar, unit)
        for later in repeat.dropped:
            bar, again = bars[repeat.as_written(later)], bars[later]
            if grips and _oddness(again, strays) < _oddness(bar, strays):
                bar.signs, again.signs = _with_chords_of(bar, again), bar.signs
                _fit(bar, unit)
            _add_ids(bar, again)
        at = repeat.dropped.stop
    return out + bars[at:]


def _written(bar: _Bar, grips: Mapping[int, frozenset[int]]) -> Hashable:
    """What is written in a bar. A chord counts for as long as it holds, not where it is written."""
    strums = {
        (s.beat, s.place): grips[s.note_ids[0]]
        for s in bar.signs
        if s.note_ids and s.note_ids[0] in grips
    }
    signs = [
        (s.row, s.beat, s.place, s.before, s.text, s.around)
        for s in bar.signs
        if s.row != "chords" and (s.row == "count" or (s.beat, s.place) not in strums)
    ]
    # Bars before bar 1 only lead to it, and are counted back from it: they stay as they are.
    start = (min(bar.number, 1), bar.first_beat, tuple(bar.places), bar.chords)
    return (*start, tuple(signs), tuple(sorted(strums.items(), key=lambda item: item[0])))


def _oddness(bar: _Bar, strays: Collection[int]) -> tuple[int, int]:
    """Notes in a bar that are not of their grip; then how much less than others it holds."""
    first = [sign.note_ids[0] for sign in bar.signs if sign.note_ids]
    return sum(note_id in strays for note_id in first), -len(first)


def _with_chords_of(bar: _Bar, other: _Bar) -> list[_Sign]:
    """The signs of ``other`` under the chord symbols that stand over ``bar``."""
    own = [sign for sign in bar.signs if sign.row == "chords"]
    return [sign for sign in other.signs if sign.row != "chords"] + own


def _restate_chord(bar: _Bar, unit: int) -> None:
    """Write the chord that holds where a repeat begins: at its end another one holds."""
    beat, symbol = bar.chords[0]
    if beat == 0 and not any(s.row == "chords" and s.beat == 0 for s in bar.signs):
        bar.signs.append(_Sign("chords", 0, 0, symbol))
        _fit(bar, unit)


def _add_ids(bar: _Bar, later: _Bar) -> None:
    """The notes of a bar that is not written stand where those of the same bar do."""
    ids: dict[tuple[int, int], dict[str, tuple[int, ...]]] = {}
    for sign in later.signs:
        if sign.note_ids:
            ids.setdefault((sign.beat, sign.place), {})[sign.row] = sign.note_ids
    signs = []
    for sign in bar.signs:
        there = ids.get((sign.beat, sign.place), {}) if sign.note_ids else {}
        more = there.pop(sign.row, ())
        signs.append(replace(sign, note_ids=sign.note_ids + more) if more else sign)
    # A string of a strum that is not written stands with one that is.
    for i, sign in enumerate(signs):
        if sign.note_ids and (left := ids.pop((sign.beat, sign.place), {})):
            rest = tuple(note_id for more in left.values() for note_id in more)
            signs[i] = replace(sign, note_ids=sign.note_ids + rest)
    bar.signs = signs


# Systems -----------------------------------------------------------------------------------


@dataclass(slots=True)
class _Piece:
    """A bar, or the part of a bar that fits a line: beats ``start`` to ``end``."""

    bar: _Bar
    start: int
    end: int

    @property
    def opens(self) -> bool:
        return self.start == 0

    @property
    def closes(self) -> bool:
        return self.end == self.bar.beats

    @property
    def columns(self) -> int:
        signs = int(self.opens and self.bar.open_repeat) + int(
            self.closes and self.bar.close_repeat > 0
        )
        return _LEAD + self.bar.span(self.start, self.end) + int(self.closes) + signs


def _pieces(bar: _Bar, room: int) -> list[_Piece]:
    whole = _Piece(bar, 0, bar.beats)
    if whole.columns <= room:
        return [whole]
    # A line may end after any beat, so that no sign may reach into the next one.
    for sign in bar.signs:
        while not _stays_in_beat(bar, sign):
            bar.extra[sign.beat] = bar.extra.get(sign.beat, 0) + 1
    pieces, start = [], 0
    for beat in range(1, bar.beats + 1):
        # Three columns are kept for the bar line and the signs of a repeat.
        if beat < bar.beats and _LEAD + bar.span(start, beat + 1) + 3 <= room:
            continue
        pieces.append(_Piece(bar, start, beat))
        start = beat
    return pieces


def _stays_in_beat(bar: _Bar, sign: _Sign) -> bool:
    end = bar.column(sign.beat, sign.place) - bar.span(0, sign.beat) + len(sign.text)
    return end <= bar.beat_width(sign.beat)


def _systems(bars: list[_Bar], riff: Riff, width: int, fingers: bool) -> list[System]:
    names = string_names(riff.instrument)
    notes = {note.id: note for note in riff.notes}
    margin = max(2, *(len(name) + 1 for name in names), len(str(bars[-1].number)) + 1)
    room = width - margin - 1
    lines: list[list[_Piece]] = []
    whole: list[_Piece] = []
    for bar in bars:
        pieces = _pieces(bar, room)
        if len(pieces) == 1:
            whole += pieces
            continue
        lines += _balance(whole, room) + [[piece] for piece in pieces]
        whole = []
    lines += _balance(whole, room)
    drawn = [_draw(line, names, margin, fingers) for line in lines]
    return [_with_rows_around(system, notes, riff.marks) for system in drawn]


def _with_rows_around(
    system: System, notes: Mapping[int, Note], marks: Sequence[Mark], *, chords: bool = False
) -> System:
    above, below = rows_around(system.columns, notes, marks, chords=chords)
    lines = (*above, *system.lines, *below)
    return replace(system, lines=lines, strings_at=system.strings_at + len(above))


def _balance(pieces: list[_Piece], room: int) -> list[list[_Piece]]:
    """Bars that each fit a line as few lines, and those as even, as can be."""
    # best[i]: fewest lines for the first i bars, then least squared room left over, then where
    # the last of those lines begins.
    best: list[tuple[int, int, int]] = [(0, 0, 0)]
    for end in range(1, len(pieces) + 1):
        choices: list[tuple[int, int, int]] = []
        used = 0
        for start in range(end - 1, -1, -1):
            used += pieces[start].columns
            if used > room and choices:
                break
            count, slack, _ = best[start]
            choices.append((count + 1, slack + (room - used) ** 2, start))
        best.append(min(choices))
    lines: list[list[_Piece]] = []
    end = len(pieces)
    while end > 0:
        start = best[end][2]
        lines.append(pieces[start:end])
        end = start
    return lines[::-1]


def _draw(pieces: list[_Piece], names: tuple[str, ...], margin: int, fingers: bool) -> System:
    rows = ["endings"] if any(p.opens and p.bar.ending for p in pieces) else []
    strings_at = len(rows) + 1
    rows += ["chords", *(f"string {i + 1}" for i in range(len(names)))]
    rows += ["fingers", "count"] if fingers else ["count"]
    canvas = {row: _margin(row, pieces[0], names, margin) for row in rows}
    columns: dict[int, int] = {}
    for piece in pieces:
        bar = piece.bar
        start = len(canvas["count"]) + _LEAD
        if piece.opens and bar.open_repeat:
            start += 1
        for row in rows:
            line = canvas[row]
            blank = "-" if row.startswith("string") else " "
            if piece.opens and bar.open_repeat:
                line.append(":" if blank == "-" else " ")
            line += [blank] * (_LEAD + bar.span(piece.start, piece.end))
            if piece.closes:
                end = (":|" if bar.close_repeat else "|") if blank == "-" else ""
                line += end or [" "] * (2 if bar.close_repeat else 1)
        if piece.opens and bar.ending:
            _put(canvas["endings"], start, bar.ending)
        if piece.closes and bar.times_name:
            _put(canvas["chords"], len(canvas["chords"]) - 2, bar.times_name)
        for sign in bar.signs:
            if piece.start <= sign.beat < piece.end:
                at = start + bar.column(sign.beat, sign.place) - bar.span(0, piece.start)
                _put(canvas[sign.row], at - len(sign.before), sign.before + sign.text)
                columns.update(dict.fromkeys(sign.note_ids, at))
    first, last = pieces[0].bar.number, pieces[-1].bar.number
    lines = tuple("".join(canvas[row]).rstrip() for row in rows)
    return System(lines, strings_at, columns, (first, last))


def _margin(row: str, piece: _Piece, names: tuple[str, ...], margin: int) -> list[str]:
    if row.startswith("string"):
        name = names[int(row.split()[1]) - 1]
        return list(name.ljust(margin) + ("|" if piece.opens else ":"))
    label = ""
    if row == "chords" and piece.opens:
        label = str(piece.bar.number)
    if row == "fingers":
        label = "f"
    return list(label.ljust(margin) + " ")


def _put(line: list[str], at: int, text: str) -> None:
    line[at : at + len(text)] = text


# Without a count ---------------------------------------------------------------------------


def column_sec(riff: Riff) -> float:
    """Seconds that one column stands for in a tab without a count."""
    given = riff.timing.column_sec
    if given is not None and 0 < given < 100:
        return given
    onsets = sorted({n.onset_sec for n in riff.notes if n.string is not None})
    gaps = [b - a for a, b in itertools.pairwise(onsets) if b - a > 0.02]
    return max(0.005, round(min(gaps) / _CELL, 3)) if gaps else 0.125


@dataclass(slots=True)
class _Cell:
    """Notes of one onset on the endless strip of columns of a tab without a count."""

    at: int
    left: int
    right: int
    notes: list[Note]


def _layout_in_order(riff: Riff, width: int) -> list[System]:
    """One strip of columns, cut into lines; a line ends early rather than cut a fret in two."""
    names = string_names(riff.instrument)
    margin = max(2, *(len(name) + 1 for name in names))
    notes = {n.id: n for n in riff.notes}
    sources = {i: notes[j] for i, j in legato_sources(riff.notes).items()}
    cells = _cells(riff, sources)
    if not cells:
        return []
    room = width - margin - 1
    end = cells[-1].at + cells[-1].right + 1
    systems = []
    start = 0
    while start < end:
        cut = min(start + room, end)
        held = [c for c in cells if start <= c.at - c.left < cut]
        if held and cut < end and held[-1].at + held[-1].right > cut:
            last = held.pop()
            cut = last.at - last.left
        system = _draw_in_order(held, start, cut, names, margin, sources)
        systems.append(_with_rows_around(system, notes, riff.marks, chords=True))
        start = cut
    return systems


def _cells(riff: Riff, sources: Mapping[int, Note]) -> list[_Cell]:
    unit = column_sec(riff)
    groups: list[tuple[float, list[Note]]] = []
    for note in riff.notes:
        if note.string is None:
            continue
        apart = not groups or round((note.onset_sec - groups[-1][0]) / unit) > 0
        if apart or any(note.string == n.string for n in groups[-1][1]):
            groups.append((note.onset_sec, []))
        groups[-1][1].append(note)
    cells: list[_Cell] = []
    before = 0.0
    for onset, group in groups:
        texts = [_sign_text(n, sources.get(n.id)) for n in group]
        left, right = max(len(b) for b, _ in texts), max(len(t) for _, t in texts)
        at = _LEAD + left
        if cells:
            gap = min(_MAX_GAP, round((onset - before) / unit))
            at = max(cells[-1].at + gap, cells[-1].at + cells[-1].right + max(left, 1))
        cells.append(_Cell(at, left, right, group))
        before = onset
    return cells


def _draw_in_order(
    cells: list[_Cell],
    start: int,
    cut: int,
    names: tuple[str, ...],
    margin: int,
    sources: Mapping[int, Note],
) -> System:
    canvas = [list(name.ljust(margin) + "|" + "-" * (cut - start)) for name in names]
    columns: dict[int, int] = {}
    for cell in cells:
        at = margin + 1 + cell.at - start
        for note in cell.notes:
            before, text = _sign_text(note, sources.get(note.id))
            _put(canvas[(note.string or 1) - 1], at - len(before), before + text)
            columns[note.id] = at
    return System(tuple("".join(row) for row in canvas), 0, columns, (1, 1))
